//! `taillamp walk`: one car through every place in turn; each detector must answer, and no other.
//!
//! Inputs: a plan, its broker, the operator's Enter. Outputs: what answered where, crossed wires by
//! name; notes, so that it can be broken off and gone on with; an acceptance report. Samples become
//! evidence in an engine of its own, so that what answers here answers in the daemon.

mod notes;
mod report;
mod result;
mod steps;

use std::collections::{BTreeMap, BTreeSet};
use std::io::Write as _;
use std::path::PathBuf;
use std::time::Duration;

use super::ear::{self, Ear, Login};
use super::prompt::{Lines, say};
use super::{Exit, plan_file};
use crate::daemon::clock::Clock;
use crate::daemon::mqtt::client::Arrival;
use crate::daemon::topics;
use crate::engine::change::{Evidence, Item};
use crate::engine::input::Input;
use crate::engine::layout::Subject;
use crate::engine::{Engine, View};
use crate::plan::Plan;
use crate::wire::payload;
use crate::wire::stamp::Stamp;
use crate::wire::topics::TopicTable;
use notes::Notes;
use report::Report;
use result::Seen;
use steps::Step;

/// Its arguments.
#[derive(clap::Args, Debug)]
pub struct Args {
    /// The plan file
    #[arg(long, value_name = "FILE")]
    plan: PathBuf,
    /// Where what was seen is noted; the walk goes on from there. The plan's name with .walk.json
    /// where it is not given
    #[arg(long, value_name = "FILE")]
    notes: Option<PathBuf>,
    /// Only these places, also where they have answered before
    #[arg(long, value_name = "ID")]
    place: Vec<String>,
    /// Write the acceptance report
    #[arg(short, long, value_name = "FILE.html")]
    output: Option<PathBuf>,
    #[command(flatten)]
    login: Login,
}

/// After Enter, what is still on its way may come for so long.
const LINGER: Duration = Duration::from_millis(500);

/// Time is let pass so often where nothing comes.
const TICK: Duration = Duration::from_millis(100);

/// Runs it.
#[must_use]
pub fn run(args: &Args) -> Exit {
    let plan = match plan_file::load(&args.plan) {
        Ok(plan) => plan,
        Err(exit) => return exit,
    };
    match walk(args, &plan) {
        Ok(exit) | Err(Failure::Exit(exit)) => exit,
        Err(Failure::Why(why)) => {
            complain!("taillamp walk: {why}");
            Exit::Input
        }
    }
}

enum Failure {
    /// Said already.
    Exit(Exit),
    /// In one line.
    Why(String),
}

fn walk(args: &Args, plan: &Plan) -> Result<Exit, Failure> {
    let steps = steps::of(plan);
    if steps.is_empty() {
        let why = "the plan has no detector that watches a place: there is nothing to walk";
        return Err(Failure::Why(why.to_owned()));
    }
    for place in &args.place {
        if !steps.iter().any(|step| step.id == *place) {
            return Err(Failure::Why(format!(
                "no detector watches `{place}`; name a block, turnout, crossing or table that has \
                 detectors"
            )));
        }
    }
    let path = args.notes.clone().unwrap_or_else(|| {
        let mut name = args.plan.clone().into_os_string();
        name.push(".walk.json");
        name.into()
    });
    let mut notes = Notes::read(&path, &plan.layout.name).map_err(Failure::Why)?;
    let todo: Vec<&Step> = steps
        .iter()
        .filter(|step| match args.place.as_slice() {
            [] => !result::is_done(step, notes.steps.get(&step.id)),
            places => places.contains(&step.id),
        })
        .collect();
    let homes = homes(&steps);
    if !todo.is_empty() {
        let runtime = ear::runtime().map_err(Failure::Exit)?;
        runtime.block_on(async {
            let ear = Ear::open(plan, &args.login, topics::incoming(plan, false))
                .await
                .map_err(Failure::Exit)?;
            let mut walking = Walking::new(plan, &steps, ear);
            let done = walking.all(&todo, &homes, &mut notes, &path).await;
            walking.ear.close().await;
            done.map_err(Failure::Why)
        })?;
    }
    let unwatched = steps::unwatched(plan);
    let report = Report {
        layout: &plan.layout.name,
        steps: &steps,
        notes: &notes,
        homes: &homes,
        unwatched: &unwatched,
    };
    // Nobody reads any more: the notes are written all the same.
    let _ = std::io::stdout().write_all(report.text().as_bytes());
    if let Some(page) = &args.output {
        std::fs::write(page, report.page()).map_err(|error| {
            Failure::Why(format!("{}: cannot be written: {error}", page.display()))
        })?;
    }
    Ok(if report.accepted() {
        Exit::Fine
    } else {
        Exit::NotMet
    })
}

/// Where each detector belongs.
fn homes(steps: &[Step]) -> BTreeMap<String, String> {
    let pairs = steps.iter().flat_map(|step| {
        let detectors = step.detectors.iter();
        detectors.map(|detector| (detector.clone(), step.id.clone()))
    });
    pairs.collect()
}

/// How a step ended.
enum Ended {
    Done,
    Skipped,
    Again,
    Quit,
}

struct Walking<'a> {
    plan: &'a Plan,
    ear: Ear,
    lines: Lines,
    table: TopicTable,
    engine: Engine,
    clock: Clock,
    inputs: Vec<Input>,
    /// Detectors that came on since the step began.
    answered: BTreeSet<String>,
    /// What each detector said last.
    evidence: Vec<Evidence>,
    /// Of each place: the detectors next door.
    next_door: BTreeMap<String, BTreeSet<String>>,
    lost: bool,
}

impl<'a> Walking<'a> {
    fn new(plan: &'a Plan, steps: &[Step], ear: Ear) -> Self {
        let engine = Engine::new(plan.layout.clone(), ear.now());
        Self {
            plan,
            ear,
            lines: Lines::of_stdin(),
            table: TopicTable::new(plan),
            evidence: vec![Evidence::None; plan.layout.detectors.len()],
            engine,
            clock: Clock::start(),
            inputs: Vec::new(),
            answered: BTreeSet::new(),
            next_door: steps::next_door(plan, steps),
            lost: false,
        }
    }

    /// All steps in turn, until the operator stops.
    async fn all(
        &mut self,
        todo: &[&Step],
        homes: &BTreeMap<String, String>,
        notes: &mut Notes,
        path: &std::path::Path,
    ) -> Result<(), String> {
        say(&format!(
            "You need {}. Clear the track of everything else that moves, and leave the power on.\n\
             Enter: the car is off again. s: pass this place over. r: begin it anew. q: stop here; \
             the same command goes on.",
            steps::car(self.plan)
        ));
        for (number, step) in todo.iter().enumerate() {
            let count = format!("{} of {}", number + 1, todo.len());
            loop {
                let (ended, mut seen) = self.one(&count, step).await?;
                match ended {
                    Ended::Quit => return Ok(()),
                    Ended::Again => continue,
                    Ended::Skipped => seen.skipped = true,
                    Ended::Done => {}
                }
                let findings = seen.findings(&step.id, homes);
                if findings.is_empty() {
                    say("  as it should be");
                }
                for finding in findings {
                    say(&format!("  {finding}"));
                }
                notes.steps.insert(step.id.clone(), seen);
                notes.write(path)?;
                break;
            }
        }
        Ok(())
    }

    /// One step: listens until the operator says how it ended.
    async fn one(&mut self, count: &str, step: &Step) -> Result<(Ended, Seen), String> {
        say(&format!(
            "\n{count}: {} ({}): {}.",
            step.name, step.id, step.todo
        ));
        // Where the car stands there already, that counts; what never ends is seen at the end.
        self.answered = self.saying(step, Evidence::On);
        self.lost = false;
        let ended = loop {
            tokio::select! {
                line = self.lines.next() => match line.as_deref() {
                    None | Some("q") => break Ended::Quit,
                    Some("s") => break Ended::Skipped,
                    Some("r") => break Ended::Again,
                    Some("") => break Ended::Done,
                    Some(_) => say("  Enter, s, r or q"),
                },
                arrival = self.ear.next() => self.take(arrival, step)?,
                () = tokio::time::sleep(TICK) => self.tick(step),
            }
        };
        let linger = tokio::time::sleep(LINGER);
        tokio::pin!(linger);
        loop {
            tokio::select! {
                () = &mut linger => break,
                arrival = self.ear.next() => self.take(arrival, step)?,
                () = tokio::time::sleep(TICK) => self.tick(step),
            }
        }
        if self.lost && matches!(ended, Ended::Done) {
            say("  the broker was lost meanwhile: once more");
            return Ok((Ended::Again, Seen::default()));
        }
        Ok((ended, self.seen(step)))
    }

    /// Time passes: what waits for it (`confirm_ms`, silence) is decided.
    fn tick(&mut self, step: &Step) {
        self.engine.handle(self.ear.now(), Input::Tick);
        self.look(step);
    }

    fn take(&mut self, arrival: Option<Arrival>, step: &Step) -> Result<(), String> {
        match arrival {
            Some(Arrival::Message {
                at,
                topic,
                payload,
                retained,
            }) => {
                self.inputs.clear();
                let layout = &self.plan.layout;
                let read = payload::decode(
                    &self.table,
                    layout,
                    &topic,
                    &payload,
                    retained,
                    &mut self.inputs,
                );
                if let Err(why) = read
                    && !self.table.listeners(&topic).is_empty()
                {
                    let topic: String = topic.chars().filter(|c| !c.is_control()).collect();
                    say(&format!("  {topic}: not understood: {why}"));
                }
                for input in std::mem::take(&mut self.inputs) {
                    self.engine.handle(at, input);
                }
                self.look(step);
            }
            Some(Arrival::Lost { .. }) => {
                say("  the broker was lost; waiting for it");
                self.lost = true;
            }
            Some(Arrival::Connected { .. }) => say("  the broker is back"),
            None => return Err("the connection to the broker has ended".to_owned()),
        }
        Ok(())
    }

    /// Looks at the detectors that have moved, and tells of those that answer.
    fn look(&mut self, step: &Step) {
        self.engine.drain();
        for item in self.engine.touched() {
            let Item::Detector(id) = item else { continue };
            let Some(View::Detector(view)) = self.engine.view(&item) else {
                continue;
            };
            let was = std::mem::replace(&mut self.evidence[id.index()], view.evidence);
            if matches!(
                self.plan.layout.detectors[id.index()].subject,
                Subject::Points(..)
            ) {
                continue;
            }
            let ours = if step.detectors.contains(&view.id) {
                ""
            } else {
                ", which is not of this place"
            };
            if view.evidence == Evidence::On && was != Evidence::On {
                say(&format!("  {} answers{ours}", view.id));
                self.answered.insert(view.id);
            } else if view.evidence == Evidence::Off && was == Evidence::On {
                say(&format!("  {} is off again{ours}", view.id));
            }
        }
    }

    /// The detectors of a step that say this now.
    fn saying(&self, step: &Step, wanted: Evidence) -> BTreeSet<String> {
        let detectors = self.plan.layout.detectors.iter().zip(&self.evidence);
        detectors
            .filter(|(detector, evidence)| {
                **evidence == wanted && step.detectors.contains(&detector.id)
            })
            .map(|(detector, _)| detector.id.clone())
            .collect()
    }

    /// What the step has shown.
    fn seen(&self, step: &Step) -> Seen {
        Seen {
            asked: step.detectors.clone(),
            answered: self.answered.clone(),
            stayed_on: self.saying(step, Evidence::On),
            not_heard: self.saying(step, Evidence::None),
            next_door: self.next_door.get(&step.id).cloned().unwrap_or_default(),
            skipped: false,
            at: match self.clock.label().stamp(self.clock.now()) {
                Stamp::Wall(text) => text,
                Stamp::Seconds(at) => at.to_string(),
            },
        }
    }
}
