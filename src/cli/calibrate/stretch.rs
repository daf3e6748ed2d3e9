//! The samples of chosen detectors in two stretches of a recording.
//!
//! Inputs: plan, recording, stretches. Outputs: levels as the engine would decide on them, with
//! their times. The first line that cannot be used ends it: a calibration rests on every sample.

use std::fs::File;
use std::io::{self, BufReader, Read};
use std::path::Path;
use std::sync::Arc;

use super::collect::{Collector, Heard, Pair, Which};
use crate::cli::replay::unreadable;
use crate::engine::ids::DetectorId;
use crate::engine::layout::{Decide, DetectorKind};
use crate::plan::Plan;
use crate::wire::recording::{BadLine, Event, Found, LineReader, RecordingLine, next_line};

/// A stretch may begin or end this long before the first or after the last line.
const SLACK_S: f64 = 1.0;

/// What `--vacant` and `--occupied` are given: a part of a recording, or so long from now on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Given {
    Part(Stretch),
    Seconds(f64),
}

impl Given {
    /// Reads `T1..T2` or a number of seconds.
    ///
    /// # Errors
    /// It is neither.
    pub fn parse(text: &str) -> Result<Self, String> {
        if text.contains("..") {
            return Stretch::parse(text).map(Self::Part);
        }
        let seconds = text.trim().parse::<f64>().ok();
        let seconds = seconds.filter(|seconds| (1.0..=LIVE_MAX_S).contains(seconds));
        seconds.map(Self::Seconds).ok_or_else(|| {
            format!(
                "give two times of the recording in seconds, as 10..40, or for live messages how \
                 many seconds, 1 to {LIVE_MAX_S}"
            )
        })
    }
}

/// The longest live stretch, seconds.
const LIVE_MAX_S: f64 = 86_400.0;

/// A stretch of the recording's time, seconds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stretch {
    pub from: f64,
    pub to: f64,
}

impl Stretch {
    /// Reads `T1..T2`.
    ///
    /// # Errors
    /// It is not two times in order.
    pub fn parse(text: &str) -> Result<Self, String> {
        let wrong = || "give two times of the recording in seconds, as 10..40".to_owned();
        let (from, to) = text.split_once("..").ok_or_else(wrong)?;
        let time = |text: &str| text.trim().parse::<f64>().map_err(|_| wrong());
        let stretch = Self {
            from: time(from)?,
            to: time(to)?,
        };
        if stretch.from >= 0.0 && stretch.from < stretch.to && stretch.to.is_finite() {
            Ok(stretch)
        } else {
            Err(wrong())
        }
    }

    fn holds(self, t: f64) -> bool {
        (self.from..=self.to).contains(&t)
    }

    /// Whether two stretches share time.
    pub fn meets(self, other: Self) -> bool {
        self.from < other.to && other.from < self.to
    }
}

impl std::fmt::Display for Stretch {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}..{}", self.from, self.to)
    }
}

/// What a recording gave.
pub struct Gathered {
    pub pairs: Vec<Pair>,
    pub bad_lines: u64,
}

/// Lets levels through for a detector that the plan gives no thresholds yet.
pub fn open_up(plan: &mut Plan, chosen: &[DetectorId]) {
    let layout = Arc::make_mut(&mut plan.layout);
    for id in chosen {
        let detector = &mut layout.detectors[id.index()];
        if detector.decide == Decide::Boolean && detector.kind != DetectorKind::Contact {
            detector.decide = Decide::Threshold { on: 1.0, off: 0.0 };
            if detector.unit.is_empty() {
                let current = detector.kind == DetectorKind::Current;
                detector.unit = if current { "mA" } else { "%" };
            }
        }
    }
}

/// Reads the recording.
///
/// # Errors
/// In one line: what cannot be read, or a stretch that the recording does not hold.
pub fn gather(
    plan: &Plan,
    recording: &Path,
    chosen: &[DetectorId],
    stretches: [Stretch; 2],
) -> Result<Gathered, String> {
    let name = recording.display().to_string();
    let file = File::open(recording).map_err(|error| format!("{}: {error}", unreadable(&name)))?;
    let mut gathering = Gathering {
        collector: Collector::new(plan, chosen),
        name,
        stretches,
        span: None,
    };
    let bad_lines = gathering.read(file)?;
    gathering.check_span()?;
    Ok(Gathered {
        pairs: gathering.collector.pairs,
        bad_lines,
    })
}

struct Gathering<'a> {
    collector: Collector<'a>,
    name: String,
    stretches: [Stretch; 2],
    span: Option<(f64, f64)>,
}

impl Gathering<'_> {
    /// Reads all lines; how many were bad, each of which was named.
    fn read(&mut self, source: impl Read) -> Result<u64, String> {
        let mut reader = BufReader::with_capacity(64 * 1024, source);
        let (mut lines, mut line) = (LineReader::default(), Vec::new());
        let (mut number, mut bad) = (0_u64, 0_u64);
        loop {
            let found = next_line(&mut reader, &mut line)
                .map_err(|error: io::Error| format!("{}: {error}", unreadable(&self.name)))?;
            number += 1;
            let read = match found {
                Found::End => return Ok(bad),
                Found::TooLong => Err(BadLine::TooLong),
                Found::Line => lines.read(&line),
            };
            match read {
                Ok(Some(line)) => self.line(number, &line)?,
                Ok(None) => {}
                Err(why) => {
                    bad += 1;
                    complain!("{}:{number}: {why}; line skipped", self.name);
                }
            }
        }
    }

    fn line(&mut self, number: u64, line: &RecordingLine<'_>) -> Result<(), String> {
        let t = line.t.as_secs_f64();
        self.span = Some(self.span.map_or((t, t), |(first, _)| (first, t)));
        let which = [Which::Vacant, Which::Occupied];
        let mut runs = which.into_iter().zip(self.stretches);
        let which = runs.find(|(_, stretch)| stretch.holds(t)).map(|run| run.0);
        if which.is_some() {
            self.collector.note_power();
        }
        let Event::Message {
            topic,
            payload,
            retained,
        } = &line.event
        else {
            return Ok(());
        };
        let heard = Heard {
            t,
            topic,
            payload,
            retained: *retained,
        };
        self.collector.message(heard, which).map_err(|why| {
            format!(
                "{}:{number}: {why}; repair the line, or give stretches without it",
                self.name
            )
        })
    }

    fn check_span(&self) -> Result<(), String> {
        let Some((first, last)) = self.span else {
            return Err(format!("{}: the recording is empty", self.name));
        };
        for (stretch, option) in self.stretches.iter().zip(["--vacant", "--occupied"]) {
            if stretch.from < first - SLACK_S || stretch.to > last + SLACK_S {
                return Err(format!(
                    "{option} {stretch} is outside the recording, which runs from {first:.3} to \
                     {last:.3}; give times within that"
                ));
            }
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stretches_are_two_times_in_order() {
        let stretch = Stretch::parse("10..40.5");
        assert_eq!(
            stretch,
            Ok(Stretch {
                from: 10.0,
                to: 40.5
            })
        );
        for wrong in [
            "", "10", "40..10", "5..5", "-1..5", "a..b", "0..NaN", "0..inf",
        ] {
            assert!(Stretch::parse(wrong).is_err(), "{wrong}");
        }
    }
}
