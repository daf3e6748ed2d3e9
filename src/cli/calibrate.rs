//! `taillamp calibrate`: measures a detector with and without a vehicle and proposes its settings.
//!
//! Inputs: a plan, a recording, and the stretches of it in which the place was vacant and occupied.
//! Outputs: text with a histogram, or one JSON object a line for each detector (contract, section
//! 2); a page; the plan with the numbers in it. The arithmetic is in [`crate::setting_out`].

mod plan_edit;
mod stretch;

use std::fmt::Write as _;
use std::io::{self, Write as _};
use std::path::PathBuf;

use serde_json::{Value, json};

use super::{Exit, plan_file};
use crate::engine::ids::DetectorId;
use crate::engine::layout::{Decide, Detector, DetectorKind};
use crate::plan::Plan;
use crate::setting_out::calibration::{Fit, fit, sample_hz};
use crate::setting_out::histogram::Histogram;
use crate::setting_out::proposal::{Promised, Proposal, Question, in_words, propose};
use stretch::{Pair, Samples, Stretch};

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
    /// The recording, as `taillamp record` writes it
    #[arg(long, value_name = "FILE", requires_all = ["vacant", "occupied"])]
    recording: Option<PathBuf>,
    /// From when to when of the recording the places were vacant, seconds
    #[arg(long, value_name = "T1..T2", value_parser = Stretch::parse)]
    vacant: Option<Stretch>,
    /// From when to when one vehicle, the least that must be seen, was in each
    #[arg(long, value_name = "T3..T4", value_parser = Stretch::parse)]
    occupied: Option<Stretch>,
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

/// Runs it.
#[must_use]
pub fn run(args: &Args) -> Exit {
    let (Some(recording), Some(vacant), Some(occupied)) =
        (&args.recording, args.vacant, args.occupied)
    else {
        let plan = args.plan.display();
        eprintln!(
            "taillamp calibrate works on a recording, not on live messages; make one with \
             `taillamp record --plan {plan} -o walk.jsonl`, and give --recording walk.jsonl \
             --vacant T1..T2 --occupied T3..T4"
        );
        return Exit::Usage;
    };
    match plan_file::load(&args.plan) {
        Ok(mut plan) => match calibrate(args, &mut plan, recording, [vacant, occupied]) {
            Ok(exit) => exit,
            Err(why) => {
                eprintln!("taillamp calibrate: {why}");
                Exit::Input
            }
        },
        Err(exit) => exit,
    }
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

fn calibrate(
    args: &Args,
    plan: &mut Plan,
    recording: &std::path::Path,
    stretches: [Stretch; 2],
) -> Result<Exit, String> {
    let [vacant, occupied] = stretches;
    if vacant.meets(occupied) {
        return Err(format!(
            "--vacant {vacant} and --occupied {occupied} overlap; a place is one or the other"
        ));
    }
    let chosen = chosen(plan, &args.detector)?;
    stretch::open_up(plan, &chosen);
    let gathered = stretch::gather(plan, recording, &chosen, stretches)?;
    let (mut good, mut failed) = (Vec::new(), gathered.bad_lines > 0);
    for (id, pair) in chosen.iter().zip(&gathered.pairs) {
        let detector = &plan.layout.detectors[id.index()];
        match one(detector, pair) {
            Ok(calibrated) => good.push(calibrated),
            Err(why) => {
                failed = true;
                eprintln!("taillamp calibrate: `{}`: {why}", detector.id);
            }
        }
    }
    print(args, &good);
    if let Some(path) = &args.output {
        std::fs::write(path, page(&plan.layout.name, &good))
            .map_err(|error| format!("{}: cannot be written: {error}", path.display()))?;
    }
    if failed {
        if args.write {
            eprintln!("{}: not changed", args.plan.display());
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

fn one<'p>(detector: &'p Detector, pair: &'p Pair) -> Result<Calibrated<'p>, String> {
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
    let (sequential, wanted_every_h) = match detector.decide {
        Decide::Sequential(settings) => (true, settings.false_alarm_every_h),
        Decide::Threshold { .. } | Decide::Boolean => (false, WANTED_EVERY_H),
    };
    let question = Question {
        is_current: detector.kind == DetectorKind::Current,
        sample_hz: hz,
        confirm_s: detector.confirm.as_secs_f64(),
        wanted_every_h,
    };
    let mut proposal = propose(&vacant, &occupied, &question).map_err(|why| why.to_string())?;
    let implausible = pair.vacant.implausible + pair.occupied.implausible;
    if implausible > 0 {
        let (low, high) = detector.range;
        proposal.cautions.push(format!(
            "{implausible} samples outside `range` ({low} to {high}) were left out"
        ));
    }
    Ok(Calibrated {
        detector,
        sequential,
        pair,
        vacant,
        occupied,
        hz,
        proposal,
    })
}

fn print(args: &Args, good: &[Calibrated<'_>]) {
    let mut out = String::new();
    for calibrated in good {
        if args.json {
            let _ = writeln!(out, "{}", as_json(calibrated));
        } else {
            as_text(&mut out, calibrated);
        }
    }
    // Nobody reads any more: that is not a fault of the recording.
    let _ = io::stdout().write_all(out.as_bytes());
}

fn as_json(calibrated: &Calibrated<'_>) -> Value {
    let level = |fit: &Fit| json!({ "mean": fit.mean, "sd": fit.sd, "samples": fit.samples });
    let promise = |promised: Promised| {
        json!({
            "false_alarm_every_h": promised.false_alarm_every_h,
            "delay_s": promised.delay_s,
        })
    };
    let proposal = &calibrated.proposal;
    let promised = calibrated.promised();
    json!({
        "detector": calibrated.detector.id,
        "unit": calibrated.detector.unit,
        "sample_hz": calibrated.hz,
        "vacant": level(&calibrated.vacant),
        "occupied": level(&calibrated.occupied),
        "decide": decide(calibrated),
        "on": proposal.on,
        "off": proposal.off,
        "false_alarm_every_h": promised.false_alarm_every_h,
        "delay_s": promised.delay_s,
        "margin_sd": proposal.margin_sd,
        "threshold": promise(proposal.thresholds),
        "sequential": promise(proposal.sequential),
        "cautions": proposal.cautions,
    })
}

const fn decide(calibrated: &Calibrated<'_>) -> &'static str {
    if calibrated.sequential {
        "sequential"
    } else {
        "threshold"
    }
}

fn histogram(calibrated: &Calibrated<'_>) -> Histogram {
    Histogram::new(
        &calibrated.pair.vacant.levels,
        &calibrated.pair.occupied.levels,
        calibrated.proposal.on,
        calibrated.proposal.off,
    )
}

fn as_text(out: &mut String, calibrated: &Calibrated<'_>) {
    let (detector, proposal) = (calibrated.detector, &calibrated.proposal);
    let _ = writeln!(
        out,
        "{} ({}, {:.3} samples a second)",
        detector.id, detector.unit, calibrated.hz
    );
    for (name, fit) in [
        ("vacant", &calibrated.vacant),
        ("occupied", &calibrated.occupied),
    ] {
        let _ = writeln!(
            out,
            "  {name:9} mean {:.4}  sd {:.4}  {} samples, {:.4} to {:.4}",
            fit.mean, fit.sd, fit.samples, fit.least, fit.most
        );
    }
    let _ = writeln!(out, "\n{}", histogram(calibrated).text());
    let (plain, test) = (proposal.thresholds, proposal.sequential);
    let said = |promised: Promised| {
        format!(
            "falsely occupied every {}, a vehicle seen after {:.2} s",
            in_words(promised.false_alarm_every_h),
            promised.delay_s
        )
    };
    let _ = writeln!(
        out,
        "  thresholds: on = {}, off = {}; {:.1} spreads to either level\n  \
           {}\n  \
         decide = \"sequential\": {}\n  \
         (mean times, if samples are independent and normal; for the samples of these stretches)",
        proposal.on,
        proposal.off,
        proposal.margin_sd,
        said(plain),
        said(test),
    );
    for caution in &proposal.cautions {
        let _ = writeln!(out, "  caution: {caution}");
    }
    out.push('\n');
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
    eprintln!("{file}: written; a running daemon takes it at the next reload");
    Ok(())
}

/// The page: what the text says, with drawn histograms.
fn page(layout: &str, good: &[Calibrated<'_>]) -> String {
    let mut page = format!(
        "<!doctype html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">\
         <meta name=\"viewport\" content=\"width=device-width\">\
         <title>Calibration: {name}</title>\
         <style>body{{font:16px sans-serif;max-width:44rem;margin:1rem auto;padding:0 1rem}}\
         svg{{max-width:100%;height:auto}}pre{{overflow-x:auto}}</style></head><body>\n\
         <h1>Calibration: {name}</h1>\n",
        name = escaped(layout)
    );
    for calibrated in good {
        let mut text = String::new();
        as_text(&mut text, calibrated);
        // The drawing takes the place of the rows of characters.
        let words: Vec<&str> = text.lines().filter(|line| !line.contains('|')).collect();
        let _ = write!(
            page,
            "<h2>{}</h2>\n{}<pre>{}</pre>\n",
            escaped(&calibrated.detector.id),
            histogram(calibrated).svg(),
            escaped(&words.join("\n")),
        );
    }
    page.push_str("</body></html>\n");
    page
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
}
