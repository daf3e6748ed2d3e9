//! The stream of changes for the page: a ring of the newest, with rising ids.
//!
//! Input: one [`Frame`] for every record that changed, appended by the engine's task alone. Output:
//! for each reader what came after the id it has seen, the newest of each item only, or the word
//! that it must start again from a whole snapshot. A slow reader costs nothing: it misses what the
//! ring no longer holds, and is told so.
//!
//! The encoder follows the WHATWG HTML standard, section 9.2 (server-sent events).

use std::collections::{HashSet, VecDeque};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use tokio::sync::watch;

/// How many changes the ring holds at most ...
pub const RING_MAX: usize = 4_096;
/// ... and how many bytes of them: some seconds of the busiest layout, minutes of most. Whoever was
/// away for longer is given a whole state, which packed is less than that.
pub const RING_BYTES: usize = 128 * 1_024;

/// One change: an item's new record.
#[derive(Clone, Debug)]
pub struct Frame {
    /// Rises by one from frame to frame.
    pub number: u64,
    /// The event's name, which is the item's kind: `block`, `turnout`...
    pub kind: &'static str,
    /// The item's id.
    pub id: Arc<str>,
    /// The event's data: `{"id":...,"item":{...}|null}`.
    pub data: Arc<str>,
}

/// What a reader gets.
#[derive(Debug)]
pub enum News {
    /// The newest frame of each item that changed, in order.
    Frames(Vec<Frame>),
    /// The ring does not reach back to what the reader has seen.
    Gap,
}

/// The ring.
#[derive(Debug)]
pub struct Stream {
    ring: Mutex<Ring>,
    newest: watch::Sender<u64>,
}

#[derive(Debug, Default)]
struct Ring {
    frames: VecDeque<Frame>,
    /// Of their ids and data.
    bytes: usize,
}

impl Ring {
    fn push(&mut self, frame: Frame) {
        self.bytes += frame.bytes();
        self.frames.push_back(frame);
        while self.frames.len() > RING_MAX || self.bytes > RING_BYTES {
            let Some(oldest) = self.frames.pop_front() else {
                break;
            };
            self.bytes -= oldest.bytes();
        }
    }
}

impl Frame {
    fn bytes(&self) -> usize {
        self.id.len() + self.data.len()
    }
}

impl Stream {
    /// An empty ring. The first frame's number is one above `base`, which differs from start to
    /// start, so that a reader's number from before a restart is not taken for one of this run.
    #[must_use]
    pub fn new(base: u64) -> Self {
        Self {
            ring: Mutex::default(),
            newest: watch::Sender::new(base),
        }
    }

    /// The number of the newest frame.
    #[must_use]
    pub fn newest(&self) -> u64 {
        *self.newest.borrow()
    }

    /// Tells when the number of the newest frame rises.
    #[must_use]
    pub fn watch(&self) -> watch::Receiver<u64> {
        self.newest.subscribe()
    }

    /// Appends records that changed together; readers are woken once.
    pub fn append(&self, records: impl IntoIterator<Item = (&'static str, Arc<str>, Arc<str>)>) {
        let mut number = self.newest();
        let mut ring = self.lock();
        for (kind, id, data) in records {
            number += 1;
            ring.push(Frame {
                number,
                kind,
                id,
                data,
            });
        }
        drop(ring);
        self.newest.send_if_modified(|newest| {
            let rises = *newest < number;
            *newest = number;
            rises
        });
    }

    /// Everything may be different: every reader starts again from a whole snapshot.
    pub fn restart(&self) {
        *self.lock() = Ring::default();
        // One number is left out, so that no reader's number joins on to the next frame.
        self.newest.send_modify(|newest| *newest += 1);
    }

    /// What came after `seen`.
    #[must_use]
    pub fn after(&self, seen: u64) -> News {
        let ring = self.lock();
        let frames = &ring.frames;
        let newest = self
            .newest()
            .max(frames.back().map_or(0, |frame| frame.number));
        if seen == newest {
            return News::Frames(Vec::new());
        }
        let Some(oldest) = frames.front().map(|frame| frame.number) else {
            return News::Gap;
        };
        if seen > newest || seen + 1 < oldest {
            return News::Gap;
        }
        let skip = usize::try_from(seen + 1 - oldest).unwrap_or(usize::MAX);
        let mut known = HashSet::new();
        let mut news: Vec<Frame> = Vec::new();
        for frame in frames.iter().skip(skip).rev() {
            if known.insert((frame.kind, frame.id.clone())) {
                news.push(frame.clone());
            }
        }
        news.reverse();
        News::Frames(news)
    }

    fn lock(&self) -> MutexGuard<'_, Ring> {
        self.ring.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// One event as it goes over the wire.
#[must_use]
pub fn encode(number: u64, kind: &str, data: &str) -> String {
    let mut text = format!("id: {number}\nevent: {kind}\n");
    // Each line of the data needs a field of its own; CR, LF and CRLF all end a line.
    for line in data.replace("\r\n", "\n").split(['\n', '\r']) {
        text.push_str("data: ");
        text.push_str(line);
        text.push('\n');
    }
    text.push('\n');
    text
}

/// What keeps a quiet stream open.
pub const KEEP_ALIVE: &str = ": still here\n\n";

#[cfg(test)]
mod tests {
    use super::*;

    fn append(stream: &Stream, kind: &'static str, id: &str, data: &str) {
        stream.append([(kind, Arc::from(id), Arc::from(data))]);
    }

    fn numbers(news: News) -> Vec<u64> {
        match news {
            News::Frames(frames) => frames.iter().map(|frame| frame.number).collect(),
            News::Gap => panic!("a gap where there is none"),
        }
    }

    #[test]
    fn a_reader_gets_the_newest_of_each_item() {
        let stream = Stream::new(100);
        append(&stream, "block", "a", "1");
        append(&stream, "block", "b", "2");
        append(&stream, "block", "a", "3");
        assert_eq!(numbers(stream.after(100)), [102, 103]);
        assert_eq!(numbers(stream.after(102)), [103]);
        assert_eq!(numbers(stream.after(103)), [0; 0]);
    }

    #[test]
    fn a_reader_that_missed_something_or_is_of_another_run_starts_again() {
        let stream = Stream::new(7 << 32);
        assert!(matches!(stream.after(1), News::Gap));
        for _ in 0..=RING_MAX {
            append(&stream, "block", "a", "x");
        }
        let base = 7 << 32;
        assert!(
            matches!(stream.after(base), News::Gap),
            "the first frame has left the ring"
        );
        assert_eq!(numbers(stream.after(base + 1)).len(), 1);
        assert!(
            matches!(stream.after(base + 1_000_000), News::Gap),
            "a number not yet given"
        );
    }

    #[test]
    fn the_ring_has_a_size_in_bytes() {
        let stream = Stream::new(0);
        let long = "x".repeat(RING_BYTES / 4);
        for _ in 0..5 {
            append(&stream, "block", "a", &long);
        }
        assert!(matches!(stream.after(1), News::Gap), "three have room");
        assert_eq!(numbers(stream.after(2)), [5]);
        append(&stream, "block", "a", &"x".repeat(2 * RING_BYTES));
        assert!(
            matches!(stream.after(5), News::Gap),
            "what is longer than the ring is told with the whole state"
        );
        append(&stream, "block", "a", "1");
        assert_eq!(numbers(stream.after(6)), [7]);
    }

    #[test]
    fn after_a_restart_everybody_starts_again_and_then_goes_on() {
        let stream = Stream::new(0);
        append(&stream, "block", "a", "1");
        stream.restart();
        assert!(
            matches!(stream.after(1), News::Gap),
            "also when nothing has changed since"
        );
        let whole = stream.newest();
        assert_eq!(numbers(stream.after(whole)), [0; 0]);
        append(&stream, "block", "a", "2");
        assert!(matches!(stream.after(1), News::Gap));
        assert_eq!(numbers(stream.after(whole)), [3]);
    }

    /// A reader of event streams, as the WHATWG HTML standard (section 9.2.6) has it: enough to
    /// hold our encoder against. Gives (last event id, event, data) of each event.
    fn read(stream: &str) -> Vec<(String, String, String)> {
        let stream = stream.replace("\r\n", "\n").replace('\r', "\n");
        let (mut events, mut id, mut kind, mut data) =
            (Vec::new(), String::new(), String::new(), String::new());
        // What follows the last line end is an unfinished line.
        let lines = stream.rsplit_once('\n').map_or("", |(lines, _)| lines);
        for line in lines.split('\n') {
            if line.is_empty() {
                if !data.is_empty() {
                    data.pop();
                    events.push((
                        id.clone(),
                        std::mem::take(&mut kind),
                        std::mem::take(&mut data),
                    ));
                }
                kind.clear();
                continue;
            }
            let (field, value) = line.split_once(':').unwrap_or((line, ""));
            let value = value.strip_prefix(' ').unwrap_or(value);
            match field {
                "event" => kind = value.into(),
                "data" => {
                    data.push_str(value);
                    data.push('\n');
                }
                "id" if !value.contains('\0') => id = value.into(),
                _ => {}
            }
        }
        events
    }

    fn data_of(stream: &str) -> Vec<String> {
        read(stream).into_iter().map(|(_, _, data)| data).collect()
    }

    /// The reader is right: three vectors of the web-platform-tests, directory `eventsource`.
    #[test]
    fn the_reader_passes_the_published_vectors() {
        // format-field-data.js
        assert_eq!(
            data_of("data:\n\ndata\ndata\n\ndata:test\n\n"),
            ["", "\n", "test"]
        );
        // format-comments.js
        let long = "x".repeat(2_048);
        let comments =
            format!("data:1\r:\0\n:\r\ndata:2\n:{long}\rdata:3\n:data:fail\r:{long}\ndata:4\n\n");
        assert_eq!(data_of(&comments), ["1\n2\n3\n4"]);
        // format-data-before-final-empty-line.js
        let cut = read("retry:1000\ndata:test1\n\nid:test\ndata:test2");
        assert_eq!(cut, [(String::new(), String::new(), "test1".into())]);
    }

    /// What the encoder writes, a reader of the standard reads back.
    #[test]
    fn what_is_encoded_is_read_back() {
        for data in [
            "",
            "\n",
            "test",
            "1\n2\n3\n4",
            " leading",
            "a:b",
            ":c",
            "{\"id\":\"ä\"}",
        ] {
            let sent = format!("{KEEP_ALIVE}{}{KEEP_ALIVE}", encode(42, "block", data));
            assert_eq!(
                read(&sent),
                [("42".into(), "block".into(), data.into())],
                "{data:?}"
            );
        }
        let cr = encode(1, "say", "a\rb\r\nc");
        assert_eq!(read(&cr), [("1".into(), "say".into(), "a\nb\nc".into())]);
    }
}
