//! `taillamp record --from-journal`: what the devices said, out of the journal, as a recording.
//!
//! It needs `raw_mb` in the plan's `[journal]`. One run of the daemon at a time: the newest, or the
//! one that `--from` falls into.

use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::Path;

use super::Exit;
use super::record::Args;
use crate::daemon::journal::past::PastError;
use crate::daemon::journal::raw::{self, Run};
use crate::plan::Plan;
use crate::wire::stamp::{moment, rfc3339};

/// Why there is no recording.
#[derive(Debug, thiserror::Error)]
enum Problem {
    #[error(transparent)]
    Past(#[from] PastError),
    #[error("{0}: it cannot be written: {1}")]
    Write(String, io::Error),
    #[error(
        "the journal holds no raw messages{0}: they are kept from the next start of the daemon on \
         with raw_mb = 64 under [journal] in the plan"
    )]
    Nothing(String),
    #[error("--{0}: give 2026-01-31T18:05:09Z, with its zone, or seconds since 1970")]
    Time(&'static str),
}

/// Writes it.
pub(super) fn run(args: &Args, plan: &Plan) -> Exit {
    match write(args, plan) {
        Ok(()) => Exit::Fine,
        Err(error) => {
            complain!("{error}");
            Exit::Input
        }
    }
}

fn time(name: &'static str, text: Option<&str>) -> Result<Option<i64>, Problem> {
    text.map(|text| moment(text).ok_or(Problem::Time(name)))
        .transpose()
}

fn write(args: &Args, plan: &Plan) -> Result<(), Problem> {
    let from = time("from", args.from.as_deref())?;
    let to = time("to", args.to.as_deref())?;
    let past = super::journal::past(&plan.journal.path)?;
    let runs = raw::runs(&past)?;
    let run = choose(&runs, from)?;
    let origin = past
        .boots()
        .iter()
        .find(|boot| boot.boot == run.boot)
        .map_or(0, |boot| boot.origin_us);
    // Lines are told by their `t`, which counts from the boot's beginning.
    let until = to.map(|to| (to - origin).max(0) as f64 / 1e6);
    let name = args.output.display().to_string();
    let wrong = |error| Problem::Write(name.clone(), error);
    let mut out = open(&args.output).map_err(wrong)?;
    let (mut lines, mut last) = (0_u64, String::from("0.000"));
    let whole = raw::lines(&past, run, from, &mut |text| {
        for line in text.lines() {
            let t = line.strip_prefix("{\"t\":").unwrap_or_default();
            let t = t.split([',', '}']).next().unwrap_or_default();
            if until.is_some_and(|until| t.parse::<f64>().is_ok_and(|t| t > until)) {
                break;
            }
            t.clone_into(&mut last);
            lines += 1;
            writeln!(out, "{line}").map_err(|error| Problem::Write(name.clone(), error))?;
        }
        Ok::<(), Problem>(())
    })?;
    let end = until.unwrap_or((run.to_us - origin) as f64 / 1e6);
    if last.parse::<f64>().is_ok_and(|last| end > last) {
        writeln!(out, "{{\"t\":{end:.3}}}").map_err(wrong)?;
    }
    out.flush().map_err(wrong)?;
    complain!("{lines} lines of the run from {}", rfc3339(run.from_us));
    if !whole {
        complain!(
            "they begin in the middle of a run: what was known then is on the first line, and \
             counts as remembered until it was heard again"
        );
    }
    if runs.len() > 1 {
        complain!("{} runs are kept; choose another with --from:", runs.len());
        for run in &runs {
            complain!("  {} to {}", rfc3339(run.from_us), rfc3339(run.to_us));
        }
    }
    Ok(())
}

/// The newest run, or the last that began before a moment.
fn choose(runs: &[Run], from: Option<i64>) -> Result<&Run, Problem> {
    let chosen = match from {
        None => runs.last(),
        Some(from) => runs
            .iter()
            .rfind(|run| run.from_us <= from)
            .or(runs.first()),
    };
    let about = match from {
        Some(from) => format!(" of {}", rfc3339(from)),
        None => String::new(),
    };
    chosen.ok_or(Problem::Nothing(about))
}

fn open(path: &Path) -> io::Result<BufWriter<Box<dyn Write>>> {
    let to: Box<dyn Write> = if path.as_os_str() == "-" {
        Box::new(io::stdout())
    } else {
        Box::new(File::create(path)?)
    };
    Ok(BufWriter::new(to))
}
