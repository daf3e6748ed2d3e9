//! `taillamp calibrate`: measures a detector with and without a vehicle and proposes its settings.
//!
//! Inputs: a plan; a recording, and the stretches of it in which the place was vacant and occupied,
//! or live messages and somebody who puts a vehicle on when asked. Outputs: text with a histogram,
//! or one JSON object a line for each detector (contract, section 2); a page; the plan with the
//! numbers in it. The arithmetic is in [`crate::setting_out`].

mod collect;
mod live;
mod plan_edit;
mod report;
mod stretch;

use std::fmt::Write as _;
use std::io::{self, Write as _};
use std::path::{Path, PathBuf};

use super::ear::Login;
use super::{Exit, plan_file};
use crate::engine::ids::DetectorId;
use crate::engine::layout::{Decide, Detector, DetectorKind};
use crate::plan::Plan;
use crate::setting_out::calibration::{Fit, fit, sample_hz};
use crate::setting_out::proposal::{self, Delay, Promised, Proposal, Question, propose};
use collect::{Pair, Samples};
use live::Failure;
use stretch::{Given, Stretch};

/// Wanted between two false occupancies where the plan does not say, hours: a month.
const WANTED_EVERY_H: f64 = 720.0;

/// Its arguments.
#[derive(clap::Args, Debug)]
pub struct Args {
    /// The plan file
    #[arg(long, value_name = "FILE")]
    plan: PathBuf,
    /// Which detector; several times for several
    #[arg(long, value_name = "ID", required = true)]
    detector: Vec<String>,
    /// A recording, as `taillamp record` writes it; without it, live messages are listened to
    #[arg(long, value_name = "FILE", requires_all = ["vacant", "occupied"])]
    recording: Option<PathBuf>,
    /// From when to when of the recording the places were vacant, seconds; live: for how long
    #[arg(long, value_name = "T1..T2|S", value_parser = Given::parse)]
    vacant: Option<Given>,
    /// The same while one vehicle, the least that must be seen, was in each
    #[arg(long, value_name = "T3..T4|S", value_parser = Given::parse)]
    occupied: Option<Given>,
    /// Live, both lengths given: seconds between the two, to put the vehicle on
    #[arg(long, value_name = "S", default_value_t = 5.0)]
    between: f64,
    /// Live, both lengths given: ask before each stretch all the same
    #[arg(long)]
    ask: bool,
    /// Propose the sequential test for detectors that the plan gives thresholds
    #[arg(long)]
    sequential: bool,
    /// What a locomotive at rest draws, mA; for the delays that are predicted
    #[arg(long, value_name = "MA", default_value_t = 50.0, value_parser = milliamperes)]
    loco_ma: f64,
    /// What a lit car draws, mA
    #[arg(long, value_name = "MA", default_value_t = 10.0, value_parser = milliamperes)]
    lit_car_ma: f64,
    #[command(flatten)]
    login: Login,
    /// Print one JSON object a line for each detector instead of text
    #[arg(long)]
    json: bool,
    /// Put the numbers into the plan; comments and order stay
    #[arg(long)]
    write: bool,
    /// Write a page with the histograms
    #[arg(short, long, value_name = "FILE.html")]
    output: Option<PathBuf>,
}

/// What a vehicle may draw.
fn milliamperes(text: &str) -> Result<f64, String> {
    let ma = text.parse::<f64>().ok();
    ma.filter(|ma| *ma > 0.0 && *ma <= 20_000.0)
        .ok_or_else(|| "give a current in mA, more than 0 and up to 20000, as 50".to_owned())
}

/// Runs it.
#[must_use]
pub fn run(args: &Args) -> Exit {
    let stretches = match (args.vacant, args.occupied) {
        (Some(Given::Part(vacant)), Some(Given::Part(occupied))) => Some([vacant, occupied]),
        _ => None,
    };
    let part = |given| matches!(given, Some(Given::Part(_)));
    let source = match (&args.recording, stretches) {
        (Some(recording), Some(stretches)) => Source::Recording(recording, stretches),
        (None, _) if !part(args.vacant) && !part(args.occupied) => Source::Live,
        _ => {
            complain!(
                "parts of time as T1..T2 belong to a recording: give --recording FILE --vacant \
                 T1..T2 --occupied T3..T4; live, give seconds or nothing"
            );
            return Exit::Usage;
        }
    };
    match plan_file::load(&args.plan) {
        Ok(mut plan) => match calibrate(args, &mut plan, &source) {
            Ok(exit) => exit,
            Err(Failure::Exit(exit)) => exit,
            Err(Failure::Why(why)) => {
                complain!("taillamp calibrate: {why}");
                Exit::Input
            }
        },
        Err(exit) => exit,
    }
}

/// Where samples come from.
enum Source<'a> {
    Recording(&'a Path, [Stretch; 2]),
    Live,
}

/// One detector's result.
struct Calibrated<'p> {
    detector: &'p Detector,
    sequential: bool,
    pair: &'p Pair,
    vacant: Fit,
    occupied: Fit,
    hz: f64,
    proposal: Proposal,
    delays: Vec<Delay>,
}

impl Calibrated<'_> {
    /// What the way of deciding that the plan has promises.
    const fn promised(&self) -> Promised {
        if self.sequential {
            self.proposal.sequential
        } else {
            self.proposal.thresholds
        }
    }
}

fn calibrate(args: &Args, plan: &mut Plan, source: &Source<'_>) -> Result<Exit, Failure> {
    let chosen = chosen(plan, &args.detector).map_err(Failure::Why)?;
    stretch::open_up(plan, &chosen);
    let (pairs, bad_lines) = match source {
        Source::Recording(recording, [vacant, occupied]) => {
            if vacant.meets(*occupied) {
                return Err(Failure::Why(format!(
                    "--vacant {vacant} and --occupied {occupied} overlap; a place is one or the \
                     other"
                )));
            }
            let gathered = stretch::gather(plan, recording, &chosen, [*vacant, *occupied]);
            let gathered = gathered.map_err(Failure::Why)?;
            (gathered.pairs, gathered.bad_lines)
        }
        Source::Live => (live::gather(plan, args, &chosen)?, 0),
    };
    propose_all(args, plan, &chosen, &pairs, bad_lines > 0).map_err(Failure::Why)
}

/// Fits and proposes for each detector, prints, and writes where it is told.
fn propose_all(
    args: &Args,
    plan: &Plan,
    chosen: &[DetectorId],
    pairs: &[Pair],
    mut failed: bool,
) -> Result<Exit, String> {
    let mut good = Vec::new();
    for (id, pair) in chosen.iter().zip(pairs) {
        let detector = &plan.layout.detectors[id.index()];
        match one(args, plan, detector, pair) {
            Ok(calibrated) => good.push(calibrated),
            Err(why) => {
                failed = true;
                complain!("taillamp calibrate: `{}`: {why}", detector.id);
            }
        }
    }
    print(args, &good);
    if let Some(path) = &args.output {
        std::fs::write(path, report::page(&plan.layout.name, &good))
            .map_err(|error| format!("{}: cannot be written: {error}", path.display()))?;
    }
    if failed {
        if args.write {
            complain!("{}: not changed", args.plan.display());
        }
        return Ok(Exit::Input);
    }
    if args.write {
        write(args, &good)?;
    }
    Ok(Exit::Fine)
}

/// The detectors that were named.
fn chosen(plan: &Plan, names: &[String]) -> Result<Vec<DetectorId>, String> {
    let detectors = &plan.layout.detectors;
    let mut chosen = Vec::new();
    for name in names {
        let found = detectors.iter().position(|detector| detector.id == *name);
        let Some(id) = found.and_then(|index| u32::try_from(index).ok()) else {
            let likeness = |id: &str| strsim::jaro_winkler(id, name);
            let nearest = detectors
                .iter()
                .map(|detector| detector.id.as_str())
                .max_by(|a, b| likeness(a).total_cmp(&likeness(b)))
                .filter(|id| likeness(id) > 0.7);
            let cure = match nearest {
                Some(id) => format!("did you mean `{id}`?"),
                None => "name a [[detector]] of the plan".to_owned(),
            };
            return Err(format!("the plan has no detector `{name}`; {cure}"));
        };
        if detectors[id as usize].kind == DetectorKind::Contact {
            return Err(format!(
                "`{name}` is a contact: it is on or off, and there is nothing to calibrate"
            ));
        }
        let id = DetectorId(id);
        if !chosen.contains(&id) {
            chosen.push(id);
        }
    }
    Ok(chosen)
}

fn one<'p>(
    args: &Args,
    plan: &Plan,
    detector: &'p Detector,
    pair: &'p Pair,
) -> Result<Calibrated<'p>, String> {
    if pair.dead {
        return Err(
            "its power was off in one of the stretches, and dead track proves nothing; record \
             with the power on"
                .to_owned(),
        );
    }
    let stretch = |name: &str, samples: &Samples| {
        fit(&samples.levels).map_err(|why| format!("{name}: {why}"))
    };
    let vacant = stretch("vacant", &pair.vacant)?;
    let occupied = stretch("occupied", &pair.occupied)?;
    let hz = sample_hz(&pair.vacant.times_s).ok_or("all samples came at one moment")?;
    let (sequential, wanted_every_h, spikes) = match detector.decide {
        Decide::Sequential(settings) => (true, settings.false_alarm_every_h, settings.spikes),
        Decide::Threshold { .. } | Decide::Boolean => (args.sequential, WANTED_EVERY_H, true),
    };
    let question = Question {
        is_current: detector.kind == DetectorKind::Current,
        sample_hz: hz,
        confirm_s: detector.confirm.as_secs_f64(),
        wanted_every_h,
        spikes,
    };
    let mut proposal = propose(&vacant, &occupied, &question).map_err(|why| why.to_string())?;
    let implausible = pair.vacant.implausible + pair.occupied.implausible;
    if implausible > 0 {
        let (low, high) = detector.range;
        proposal.cautions.push(format!(
            "{implausible} samples outside `range` ({low} to {high}) were left out"
        ));
    }
    let delays = if question.is_current {
        let axle_ma = plan.wheelsets.track_volts / plan.wheelsets.ohms * 1_000.0;
        let vehicles = [
            ("locomotive", args.loco_ma),
            ("lit car", args.lit_car_ma),
            ("one resistor axle", axle_ma),
        ];
        let predict =
            |(vehicle, draws_ma)| proposal::delay(&proposal, &question, vehicle, draws_ma);
        vehicles.into_iter().map(predict).collect()
    } else {
        Vec::new()
    };
    Ok(Calibrated {
        detector,
        sequential,
        pair,
        vacant,
        occupied,
        hz,
        proposal,
        delays,
    })
}

fn print(args: &Args, good: &[Calibrated<'_>]) {
    let mut out = String::new();
    for calibrated in good {
        if args.json {
            let _ = writeln!(out, "{}", report::as_json(calibrated));
        } else {
            report::as_text(&mut out, calibrated);
        }
    }
    // Nobody reads any more: that is not a fault of the recording.
    let _ = io::stdout().write_all(out.as_bytes());
}

/// Exchanges the numbers in the plan file.
fn write(args: &Args, good: &[Calibrated<'_>]) -> Result<(), String> {
    let file = args.plan.display().to_string();
    let text = std::fs::read_to_string(&args.plan).map_err(|error| format!("{file}: {error}"))?;
    let found: Vec<_> = good
        .iter()
        .map(|calibrated| plan_edit::Found {
            detector: &calibrated.detector.id,
            sequential: calibrated.sequential,
            proposal: &calibrated.proposal,
        })
        .collect();
    let text = plan_edit::edited(&text, &file, &found)?;
    plan_edit::write_file(&args.plan, &text)?;
    complain!("{file}: written; a running daemon takes it at the next reload");
    Ok(())
}
