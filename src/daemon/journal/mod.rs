//! The journal: what happened and what is known, on the disk, so that a power cut forgets nothing
//! that was published.
//!
//! In: what the engine's task and the embedded broker tell, as [`News`], acts and retained values;
//! telling never waits. Out: at the start what an earlier run knew (rule B8); later the past, read
//! through connections of their own ([`past`]). One thread writes what came within a `window`, each
//! write on the disk before the next is begun: first into the `tail`, then with others into the
//! tables. It decides nothing about the layout.
//!
//! What is told is bounded. When the disk cannot follow, the queue grows, then the oldest promise
//! is broken and [`Journal::is_behind`] says so: the engine raises `journal-behind`; beyond the
//! limits changes are dropped and counted, never what must survive a restart.
//!
//! Reading order: `schema`, `pending`, `tail`, `window`, `begin`, `writer`, `keep`, [`past`].

mod begin;
mod checkpoint;
mod keep;
pub mod lanes;
pub mod past;
mod pending;
pub mod raw;
pub mod schema;
mod tail;
#[cfg(test)]
mod tests;
mod window;
mod writer;

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::{self, SyncSender, TrySendError};
use std::time::Duration;

use tokio::sync::oneshot;

use super::clock::Clock;
use super::metrics::journal::JournalMetrics;
use super::mqtt::broker::{RetainedMessage, RetainedStore};
use crate::engine::memory::Memory;
use crate::engine::time::{Instant, Span};
use schema::OpenError;
use writer::Writer;

/// What may wait for the writer: minutes of a busy layout.
const NOTES_MAX: usize = 4_096;
/// What was told so long ago and is not on the disk is a broken promise; ten times [`PROMISE`], so
/// that one slow write of a memory card is no alarm.
const BEHIND: Span = Span::from_secs(2);
/// What was published is on the disk so long afterwards at the latest.
pub const PROMISE: Span = Span::from_millis(200);
/// How long whoever acts waits for the disk.
const DURABLE_MAX: Duration = Duration::from_secs(2);
/// How long a reader waits for what was told before.
const SYNC_MAX: Duration = Duration::from_millis(500);
/// How long the last write may take when the daemon stops.
const STOP_MAX: Duration = Duration::from_secs(10);

/// Where the journal is and how much it keeps.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Keep {
    /// The file.
    pub path: PathBuf,
    /// Days that are kept at most.
    pub days: u32,
    /// Megabytes that are kept at most.
    pub megabytes: u32,
    /// Megabytes of raw messages, deflated; 0: none are kept.
    pub raw_megabytes: u32,
}

impl Keep {
    /// As the plan's `[journal]` says.
    #[must_use]
    pub fn of(journal: &crate::plan::Journal) -> Self {
        Self {
            path: journal.path.clone(),
            days: journal.keep_days,
            megabytes: journal.keep_mb,
            raw_megabytes: journal.raw_mb,
        }
    }
}

/// One row: kind, id, time, body.
#[derive(Clone, Debug, PartialEq)]
pub struct Row {
    /// `block`, `train`, ...
    pub kind: &'static str,
    /// The item's written id.
    pub id: String,
    /// Milliseconds since the daemon's start.
    pub at_ms: i64,
    /// JSON text.
    pub body: String,
}

/// What the engine's task tells after a batch of inputs.
#[derive(Clone, Debug, Default)]
pub struct News {
    /// When.
    pub at: Instant,
    /// Changes, in order.
    pub changes: Vec<Row>,
    /// Records that may have changed, with times in seconds; `None`: the item is gone.
    pub records: Vec<(&'static str, String, Option<String>)>,
    /// What must survive a restart.
    pub memory: Option<Memory>,
    /// `records` are all that there are, and this is the layout: a state to begin from.
    pub layout: Option<Arc<str>>,
    /// What came in, as lines of a recording; only where raw messages are kept.
    pub raw: Vec<String>,
    /// The first of these lines begins a run of the engine.
    pub run_starts: bool,
}

impl News {
    /// Whether it says anything.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.changes.is_empty()
            && self.records.is_empty()
            && self.raw.is_empty()
            && self.layout.is_none()
    }
}

/// Called when something is on the disk (`true`), or when it could not be written.
type Done = Box<dyn FnOnce(bool) + Send>;

/// What the writer is told.
enum Note {
    News(Box<News>),
    /// Rows that must be on the disk before somebody is answered.
    Act(Row, Done),
    Retained(String, Option<RetainedMessage>),
    Clock {
        origin_us: i64,
        trusted: bool,
    },
    /// Everything that was told before is to be on the disk.
    Sync(Done),
    Stop(Done),
}

/// A note and when it was told.
struct Told {
    at: Instant,
    note: Note,
}

/// What the writer's thread and the others share.
#[derive(Debug, Default)]
struct Shared {
    /// When the oldest thing was told that is not on the disk; 0: all is.
    oldest_us: AtomicU64,
}

/// A handle on the journal; the file is closed when the last is dropped.
#[derive(Clone)]
pub struct Journal {
    keep: Arc<Keep>,
    clock: Clock,
    shared: Arc<Shared>,
    /// Boxed: the queue is laid out for as many as may wait.
    notes: SyncSender<Box<Told>>,
    metrics: JournalMetrics,
}

/// Something on its way to the disk.
#[derive(Debug)]
pub struct Durable(oneshot::Receiver<bool>);

impl Durable {
    /// Waits until it is there, two seconds at most; `false` when it is not.
    pub async fn wait(self) -> bool {
        matches!(
            tokio::time::timeout(DURABLE_MAX, self.0).await,
            Ok(Ok(true))
        )
    }
}

/// What an earlier run has left.
#[derive(Debug, Default)]
pub struct Left {
    /// What must survive a restart (rule B8); `None` for a new journal.
    pub memory: Option<Memory>,
    /// Retained values of the embedded broker.
    pub retained: Vec<RetainedMessage>,
}

impl Journal {
    /// Opens the journal and starts its writer.
    ///
    /// # Errors
    /// When the file cannot be used: why, and the cure.
    pub fn open(
        keep: Keep,
        clock: Clock,
        metrics: JournalMetrics,
    ) -> Result<(Self, Left), OpenError> {
        let (notes, told) = mpsc::sync_channel(NOTES_MAX);
        let shared = Arc::new(Shared::default());
        let keep = Arc::new(keep);
        let journal = Self {
            keep: Arc::clone(&keep),
            clock: clock.clone(),
            shared: Arc::clone(&shared),
            notes,
            metrics: metrics.clone(),
        };
        let (writer, left) = Writer::open(keep, clock, shared, metrics)?;
        let path = journal.keep.path.clone();
        let started = std::thread::Builder::new()
            .name("journal".into())
            .spawn(move || writer.run(told));
        match started {
            Ok(_) => Ok((journal, left)),
            Err(error) => Err(OpenError::Thread { path, error }),
        }
    }

    /// The file.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.keep.path
    }

    /// Whether raw messages are kept.
    #[must_use]
    pub fn keeps_raw(&self) -> bool {
        self.keep.raw_megabytes > 0
    }

    /// Tells what happened. `false`: it could not be taken, and the next news must be whole.
    #[must_use]
    pub fn news(&self, news: News) -> bool {
        self.tell(Note::News(Box::new(news)))
    }

    /// Tells what an operator did, at once; what comes back can be waited for.
    #[must_use]
    pub fn act(&self, row: Row) -> Durable {
        Durable(self.ask(|done| Note::Act(row, done)))
    }

    /// Waits until everything that was told is on the disk, half a second at most.
    pub async fn sync(&self) -> bool {
        self.wait(SYNC_MAX, Note::Sync).await
    }

    /// Writes what is left and closes the file; later news are not taken.
    pub async fn stop(&self) {
        if !self.wait(STOP_MAX, Note::Stop).await {
            tracing::warn!("the journal did not take everything before the end");
        }
    }

    /// The wall clock was set, or is trusted now: everything of this run is labelled anew.
    pub fn relabel(&self, origin_us: i64, trusted: bool) {
        // One that is lost is said again at the next step; the labels are wrong until then.
        let _ = self.tell(Note::Clock { origin_us, trusted });
    }

    /// Whether something that was told long ago is not on the disk.
    #[must_use]
    pub fn is_behind(&self) -> bool {
        let oldest = self.shared.oldest_us.load(Ordering::Relaxed);
        let late = oldest != 0 && self.clock.now().since(Instant(oldest)) > BEHIND;
        self.metrics.behind.set(i64::from(late));
        late
    }

    async fn wait(&self, most: Duration, note: impl FnOnce(Done) -> Note) -> bool {
        let saved = self.ask(note);
        matches!(tokio::time::timeout(most, saved).await, Ok(Ok(true)))
    }

    fn ask(&self, note: impl FnOnce(Done) -> Note) -> oneshot::Receiver<bool> {
        let (sender, saved) = oneshot::channel();
        // Whoever asked may have gone. A note that is not taken takes its sender with it.
        let done: Done = Box::new(move |well| {
            let _ = sender.send(well);
        });
        let _ = self.tell(note(done));
        saved
    }

    fn tell(&self, note: Note) -> bool {
        let at = self.clock.now();
        match self.notes.try_send(Box::new(Told { at, note })) {
            Ok(()) => true,
            Err(TrySendError::Full(_) | TrySendError::Disconnected(_)) => {
                self.metrics.lost.inc();
                false
            }
        }
    }
}

/// Puts into the tables what a daemon that was cut off has left in the tail, for whoever reads the
/// file and is no daemon. Where one runs, it does that itself, every half minute.
///
/// # Errors
/// When the file cannot be written. It may be readable all the same.
pub fn bring_in(path: &Path) -> Result<(), OpenError> {
    if !path.exists() || !tail::beside(path).exists() {
        return Ok(());
    }
    let mut connection = schema::open_writer(path)?;
    match begin::bring_in(&mut connection, path) {
        // The file stays: a daemon that starts meanwhile may have opened it.
        Ok(_) | Err(OpenError::InUse { .. }) => Ok(()),
        Err(error) => Err(error),
    }
}

impl std::fmt::Debug for Journal {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let mut shape = f.debug_struct("Journal");
        shape.field("keep", &self.keep).finish_non_exhaustive()
    }
}

/// The embedded broker's retained values, its own publications left out: those are published anew
/// at each start.
#[derive(Debug)]
pub struct RetainedInJournal {
    journal: Journal,
    left: Vec<RetainedMessage>,
    ours: [String; 4],
}

impl RetainedInJournal {
    /// For a topic prefix, with what an earlier run has left.
    #[must_use]
    pub fn new(journal: Journal, left: Vec<RetainedMessage>, prefix: &str) -> Self {
        Self {
            journal,
            left,
            ours: ["state/", "alarm/", "say", "status"].map(|topic| format!("{prefix}/{topic}")),
        }
    }

    fn is_ours(&self, topic: &str) -> bool {
        self.ours
            .iter()
            .any(|ours| topic.starts_with(ours.as_str()))
    }
}

impl RetainedStore for RetainedInJournal {
    fn load(&self) -> Vec<RetainedMessage> {
        self.left.clone()
    }

    fn keep(&self, message: &RetainedMessage) {
        if !self.is_ours(&message.topic) {
            let topic = message.topic.clone();
            // What the queue cannot take is counted there; the next value is told again.
            let _ = self
                .journal
                .tell(Note::Retained(topic, Some(message.clone())));
        }
    }

    fn clear(&self, topic: &str) {
        if !self.is_ours(topic) {
            let _ = self.journal.tell(Note::Retained(topic.to_owned(), None));
        }
    }
}
