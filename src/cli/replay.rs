//! `taillamp replay`: a recording through the engine, in its own time, as fast as it can.
//!
//! Inputs: a plan file and a recording (or standard input). Outputs: one JSON line a change and a
//! last one with everything, on standard output; bad lines by number on standard error. The same
//! input gives the same bytes: nothing here reads a clock.

use std::fs::File;
use std::io::{self, BufReader, BufWriter, Read, Write};
use std::path::{Path, PathBuf};

use anyhow::Context;

use super::Exit;
use crate::engine::Engine;
use crate::engine::input::{Input, Outcome};
use crate::engine::time::Instant;
use crate::plan::{self, Level, Plan};
use crate::wire::change_json::{change_line, end_line};
use crate::wire::layout_json::layout_json;
use crate::wire::recording::{BadLine, Event, Found, LineReader, RecordingLine, next_line};
use crate::wire::stamp::Label;
use crate::wire::state_json::snapshot_json;
use crate::wire::topics::TopicTable;
use crate::wire::{commands, payload};

/// Its arguments.
#[derive(clap::Args, Debug)]
pub struct Args {
    /// The plan file
    #[arg(long, value_name = "FILE")]
    plan: PathBuf,
    /// The recording: JSON lines; `-` is standard input
    #[arg(value_name = "RECORDING")]
    recording: PathBuf,
    /// Let time run on to this second after the last line
    #[arg(long, value_name = "T", value_parser = seconds, allow_negative_numbers = true)]
    until: Option<Instant>,
    /// Name every message that the engine did not take, by line, on standard error
    #[arg(long)]
    verbose: bool,
}

fn seconds(text: &str) -> Result<Instant, String> {
    match text.parse::<f64>() {
        Ok(seconds) if (0.0..=1e10).contains(&seconds) => Ok(Instant::from_secs_f64(seconds)),
        _ => Err("give seconds of the recording's time, 0 to 1e10".to_owned()),
    }
}

/// Runs it.
#[must_use]
pub fn run(args: &Args) -> Exit {
    match replay(args) {
        Ok(exit) => exit,
        Err(error) if is_broken_pipe(&error) => Exit::Fine,
        Err(error) => {
            complain!("taillamp replay: {error:#}");
            Exit::Input
        }
    }
}

/// Whoever reads the output has seen enough: that is no error.
fn is_broken_pipe(error: &anyhow::Error) -> bool {
    error
        .downcast_ref::<io::Error>()
        .is_some_and(|error| error.kind() == io::ErrorKind::BrokenPipe)
}

fn replay(args: &Args) -> anyhow::Result<Exit> {
    let Some(plan) = load_plan(&args.plan)? else {
        return Ok(Exit::Input);
    };
    let name = args.recording.display().to_string();
    let source: Box<dyn Read> = if name == "-" {
        Box::new(io::stdin().lock())
    } else {
        Box::new(File::open(&args.recording).with_context(|| unreadable(&name))?)
    };
    let mut reader = BufReader::with_capacity(64 * 1024, source);
    let out = BufWriter::with_capacity(64 * 1024, io::stdout().lock());
    let mut replay = Replay {
        table: TopicTable::new(&plan),
        plan,
        engine: None,
        out,
        name,
        verbose: args.verbose,
        inputs: Vec::new(),
    };
    let (mut lines, mut line) = (LineReader::default(), Vec::new());
    let (mut number, mut bad_lines) = (0_u64, 0_u64);
    loop {
        let found = next_line(&mut reader, &mut line).with_context(|| unreadable(&replay.name))?;
        number += 1;
        let read = match found {
            Found::End => break,
            Found::TooLong => Err(BadLine::TooLong),
            Found::Line => lines.read(&line),
        };
        match read {
            Ok(Some(line)) => replay.line(number, line)?,
            Ok(None) => {}
            Err(why) => {
                bad_lines += 1;
                complain!("{}:{number}: {why}; line skipped", replay.name);
            }
        }
    }
    replay.end(args.until)?;
    Ok(if bad_lines == 0 {
        Exit::Fine
    } else {
        Exit::Input
    })
}

/// What is said of a recording that cannot be read, before the reason.
pub(super) fn unreadable(name: &str) -> String {
    format!("{name} cannot be read; name a recording (`taillamp record -o FILE` writes one)")
}

/// The plan, or `None` after its errors were printed.
fn load_plan(path: &Path) -> anyhow::Result<Option<Plan>> {
    let name = path.display().to_string();
    let text = std::fs::read_to_string(path)
        .with_context(|| format!("cannot read the plan {name}; name one with --plan FILE"))?;
    let (plan, findings) = plan::load(&text, &name);
    if plan.is_none() {
        for finding in findings
            .iter()
            .filter(|finding| finding.level == Level::Error)
        {
            complain!("{finding}");
        }
        complain!("{name}: the plan has errors; `taillamp check --plan {name}` lists everything");
    }
    Ok(plan)
}

/// A replay under way.
struct Replay<W> {
    plan: Plan,
    table: TopicTable,
    /// Made at the first line, whose time is its start.
    engine: Option<Engine>,
    out: W,
    /// The recording's, for messages.
    name: String,
    verbose: bool,
    /// Kept between lines so that it is allocated once.
    inputs: Vec<Input>,
}

impl<W: Write> Replay<W> {
    fn line(&mut self, number: u64, line: RecordingLine<'_>) -> anyhow::Result<()> {
        let t = line.t;
        let layout = &self.plan.layout;
        let engine = self.engine.get_or_insert_with(|| match &line.memory {
            Some(memory) => Engine::recall(layout.clone(), t, memory),
            None => Engine::new(layout.clone(), t),
        });
        let mut refusal = None;
        self.inputs.clear();
        match &line.event {
            Event::Tick => self.inputs.push(Input::Tick),
            Event::Broker(back) => self.inputs.push(Input::Broker(*back)),
            Event::Journal(well) => self.inputs.push(Input::Journal(*well)),
            Event::Message {
                topic,
                payload,
                retained,
            } => {
                // A train that a timer has made meanwhile is one that can be spoken of.
                engine.advance(t);
                let find = |id: &str| engine.train_by_name(id);
                if commands::is_command(&self.table, topic) {
                    match commands::message(&self.table, layout, topic, payload, *retained, find) {
                        Some(Ok((command, word))) => {
                            self.inputs.push(Input::Command(command, word));
                        }
                        Some(Err(why)) => refusal = Some(why),
                        None => {}
                    }
                } else {
                    let inputs = &mut self.inputs;
                    refusal =
                        payload::decode(&self.table, layout, topic, payload, *retained, inputs)
                            .err()
                            .map(|refusal| refusal.to_string());
                }
                if self.inputs.is_empty() {
                    // A message that says nothing still lets time pass.
                    self.inputs.push(Input::Tick);
                }
            }
        }
        for input in self.inputs.drain(..) {
            let outcome = engine.handle(t, input);
            refusal = refusal.or(outcome_text(outcome));
            for change in engine.drain() {
                writeln!(self.out, "{}", change_line(&change, engine))?;
            }
        }
        if let (true, Some(why), Event::Message { topic, .. }) =
            (self.verbose, refusal, &line.event)
        {
            complain!("{}:{number}: note: {topic}: {why}", self.name);
        }
        Ok(())
    }

    /// Lets time run on and writes the last line.
    fn end(&mut self, until: Option<Instant>) -> anyhow::Result<()> {
        let engine = self
            .engine
            .get_or_insert_with(|| Engine::new(self.plan.layout.clone(), Instant::default()));
        let end = engine.now().max(until.unwrap_or_default());
        engine.advance(end);
        for change in engine.drain() {
            writeln!(self.out, "{}", change_line(&change, engine))?;
        }
        let layout = layout_json(&self.plan);
        let snapshot = snapshot_json(
            &engine.snapshot(),
            &self.plan.layout,
            &layout,
            Label::Seconds,
        );
        writeln!(self.out, "{}", end_line(end, &snapshot))?;
        self.out.flush()?;
        Ok(())
    }
}

/// Why the engine did not take an input; `None` where it did.
fn outcome_text(outcome: Outcome) -> Option<String> {
    match outcome {
        Outcome::Taken => None,
        Outcome::Late => Some("older than a sample already taken".to_owned()),
        Outcome::Implausible => Some("a reading that cannot be true".to_owned()),
        Outcome::OldNews => Some("retained, and the detector reports steadily".to_owned()),
        Outcome::Refused(why) => Some(why),
    }
}
