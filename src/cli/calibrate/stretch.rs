//! The samples of chosen detectors in two stretches of a recording.
//!
//! Inputs: plan, recording, stretches. Outputs: levels as the engine would decide on them, with
//! their times. The first line that cannot be used ends it: a calibration rests on every sample.

use std::fs::File;
use std::io::{self, BufReader, Read};
use std::path::Path;

use crate::engine::ids::{DetectorId, FeedId};
use crate::engine::input::{Input, Reading};
use crate::engine::layout::{Decide, Detector, DetectorKind, Subject};
use crate::plan::{Bound, Plan};
use crate::wire::payload;
use crate::wire::recording::{BadLine, Event, Found, LineReader, RecordingLine, next_line};
use crate::wire::topics::TopicTable;

/// The most samples of one stretch that are kept: a day at fifty a second.
const SAMPLES_MAX: usize = 5_000_000;
/// A stretch may begin or end this long before the first or after the last line.
const SLACK_S: f64 = 1.0;

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

/// Samples of one detector in one stretch.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Samples {
    pub times_s: Vec<f64>,
    pub levels: Vec<f64>,
    /// Outside the plausible range, and dropped as the engine does.
    pub implausible: usize,
}

/// Of one detector: the vacant and the occupied stretch.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Pair {
    pub vacant: Samples,
    pub occupied: Samples,
    /// The power of the place was off in one of them.
    pub dead: bool,
}

/// What a recording gave.
pub struct Gathered {
    pub pairs: Vec<Pair>,
    pub bad_lines: u64,
}

/// Lets levels through for a detector that the plan gives no thresholds yet.
pub fn open_up(plan: &mut Plan, chosen: &[DetectorId]) {
    for id in chosen {
        let detector = &mut plan.layout.detectors[id.index()];
        if detector.decide == Decide::Boolean && detector.kind != DetectorKind::Contact {
            detector.decide = Decide::Threshold { on: 1.0, off: 0.0 };
            if detector.unit.is_empty() {
                let current = detector.kind == DetectorKind::Current;
                detector.unit = if current { "mA" } else { "%" }.to_owned();
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
    let file = File::open(recording)
        .map_err(|error| format!("{name}: the recording cannot be read: {error}"))?;
    let mut gathering = Gathering {
        plan,
        table: TopicTable::new(plan),
        name,
        chosen,
        stretches,
        pairs: vec![Pair::default(); chosen.len()],
        live: vec![true; plan.layout.feeds.len()],
        span: None,
        inputs: Vec::new(),
    };
    let bad_lines = gathering.read(file)?;
    gathering.check_span()?;
    Ok(Gathered {
        pairs: gathering.pairs,
        bad_lines,
    })
}

struct Gathering<'a> {
    plan: &'a Plan,
    table: TopicTable,
    name: String,
    chosen: &'a [DetectorId],
    stretches: [Stretch; 2],
    pairs: Vec<Pair>,
    /// Of every feed: not said to be off.
    live: Vec<bool>,
    span: Option<(f64, f64)>,
    inputs: Vec<Input>,
}

impl Gathering<'_> {
    /// Reads all lines; how many were bad, each of which was named.
    fn read(&mut self, source: impl Read) -> Result<u64, String> {
        let mut reader = BufReader::with_capacity(64 * 1024, source);
        let (mut lines, mut line) = (LineReader::default(), Vec::new());
        let (mut number, mut bad) = (0_u64, 0_u64);
        loop {
            let found = next_line(&mut reader, &mut line)
                .map_err(|error: io::Error| format!("{}: {error}", self.name))?;
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
                    eprintln!("{}:{number}: {why}; line skipped", self.name);
                }
            }
        }
    }

    fn line(&mut self, number: u64, line: &RecordingLine<'_>) -> Result<(), String> {
        let t = line.t.as_secs_f64();
        self.span = Some(self.span.map_or((t, t), |(first, _)| (first, t)));
        self.note_power(t);
        let Event::Message {
            topic,
            payload,
            retained,
        } = &line.event
        else {
            return Ok(());
        };
        let ours = self.table.bindings(topic).iter().any(
            |binding| matches!(binding.subject, Bound::Detector(id) if self.chosen.contains(&id)),
        );
        let inside = self.stretches.iter().any(|stretch| stretch.holds(t));
        let layout = &self.plan.layout;
        self.inputs.clear();
        let read = payload::decode(
            &self.table,
            layout,
            topic,
            payload,
            *retained,
            &mut self.inputs,
        );
        if let (Err(why), true, true) = (read, ours, inside) {
            return Err(format!(
                "{}:{number}: {topic}: {why}; repair the line, or give stretches without it",
                self.name
            ));
        }
        for input in std::mem::take(&mut self.inputs) {
            match input {
                Input::Reading(sample) if !sample.retained => {
                    self.sample(t, sample.detector, sample.reading)?;
                }
                Input::FeedSwitch(feed, on) => self.live[feed.index()] = on,
                Input::FeedVoltage(feed, volts) => {
                    let see = layout.feeds[feed.index()].see_volts;
                    self.live[feed.index()] = volts.abs() >= see;
                }
                _ => {}
            }
        }
        Ok(())
    }

    fn sample(&mut self, t: f64, id: DetectorId, reading: Reading) -> Result<(), String> {
        let Some(place) = self.chosen.iter().position(|chosen| *chosen == id) else {
            return Ok(());
        };
        let detector = &self.plan.layout.detectors[id.index()];
        let pair = &mut self.pairs[place];
        let [vacant, occupied] = self.stretches;
        let samples = if vacant.holds(t) {
            &mut pair.vacant
        } else if occupied.holds(t) {
            &mut pair.occupied
        } else {
            return Ok(());
        };
        let Reading::Level(raw) = reading else {
            return Err(format!(
                "`{}` says on or off by itself: there is nothing to calibrate",
                detector.id
            ));
        };
        let level = raw * detector.scale;
        let (low, high) = detector.range;
        if level.is_finite() && !(low..=high).contains(&level) {
            samples.implausible += 1;
            return Ok(());
        }
        if samples.levels.len() == SAMPLES_MAX {
            return Err(format!(
                "`{}` has more than {SAMPLES_MAX} samples in a stretch; give a shorter one",
                detector.id
            ));
        }
        samples.times_s.push(t);
        samples.levels.push(match detector.kind {
            // As the engine decides: polarity may reverse.
            DetectorKind::Current => (level - detector.zero).abs(),
            DetectorKind::Optical | DetectorKind::Contact => level,
        });
        Ok(())
    }

    /// Notes whose power is off while a stretch runs.
    fn note_power(&mut self, t: f64) {
        if !self.stretches.iter().any(|stretch| stretch.holds(t)) {
            return;
        }
        for (id, pair) in self.chosen.iter().zip(&mut self.pairs) {
            let detector = &self.plan.layout.detectors[id.index()];
            let dead = |feed: FeedId| !self.live[feed.index()];
            pair.dead |= feeds_of(self.plan, detector).any(dead);
        }
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

/// The feeds that a current detector's place hangs on.
fn feeds_of<'p>(plan: &'p Plan, detector: &Detector) -> impl Iterator<Item = FeedId> + use<'p> {
    let (subject, current) = (detector.subject, detector.kind == DetectorKind::Current);
    let feeds = plan.layout.feeds.iter().enumerate();
    feeds.filter_map(move |(index, feed)| {
        let supplies = match subject {
            Subject::Block(block, _) => feed.blocks.contains(&block),
            Subject::Section(turnout) => feed.turnouts.contains(&turnout),
            Subject::Beam(..) | Subject::Edge(_) | Subject::Crossing(_) | Subject::Points(..) => {
                false
            }
        };
        let id = u32::try_from(index).ok().map(FeedId);
        id.filter(|_| current && supplies)
    })
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
