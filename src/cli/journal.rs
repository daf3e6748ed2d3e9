//! What the commands that read the journal share: the range of time and the open file.

use std::path::Path;

use super::{Exit, plan_file};
use crate::daemon::journal;
use crate::daemon::journal::past::{Boot, Past, PastError};
use crate::plan::Plan;
use crate::wire::stamp::moment;

/// Which part of the past.
#[derive(clap::Args, Debug)]
pub struct Range {
    /// From this moment on: 2026-01-31T18:05:09Z, with its zone, or seconds since 1970; without it,
    /// from the last start of the daemon
    #[arg(long, value_name = "TIME")]
    from: Option<String>,
    /// Up to this moment; without it, to the end
    #[arg(long, value_name = "TIME")]
    to: Option<String>,
}

/// An open journal and the range that was asked for, microseconds since 1970.
pub(super) struct Opened {
    pub(super) plan: Plan,
    pub(super) past: Past,
    pub(super) from_us: i64,
    pub(super) to_us: i64,
}

/// Reads the plan, opens its journal, reads the range.
///
/// # Errors
/// How to end; why was printed.
pub(super) fn open(plan: &Path, range: &Range) -> Result<Opened, Exit> {
    let from = time("--from", range.from.as_deref())?;
    let to = time("--to", range.to.as_deref())?;
    let plan = plan_file::load(plan)?;
    let past = past(&plan.journal.path).map_err(|error| {
        complain!("{error}");
        Exit::Input
    })?;
    let Some(last) = past.boots().last() else {
        complain!(
            "{}: nothing was written down yet",
            plan.journal.path.display()
        );
        return Err(Exit::Input);
    };
    let from_us = from.unwrap_or(last.origin_us);
    let ended = past.boots().iter().map(Boot::ended_us).max();
    let to_us = to.or(ended).unwrap_or(from_us);
    if from_us > to_us {
        complain!("--from is later than --to, or than the end of the journal; exchange them");
        return Err(Exit::Input);
    }
    if past.boots_between(from_us, to_us).next().is_none() {
        complain!("the journal holds nothing between these moments");
        return Err(Exit::Input);
    }
    Ok(Opened {
        plan,
        past,
        from_us,
        to_us,
    })
}

/// Opens the journal to read it, with what a daemon that was cut off told last.
pub(super) fn past(path: &Path) -> Result<Past, PastError> {
    if let Err(error) = journal::bring_in(path) {
        complain!("note: {error}; what was told in the last half minute may be missing");
    }
    Past::open(path, None)
}

fn time(name: &str, text: Option<&str>) -> Result<Option<i64>, Exit> {
    let Some(text) = text else { return Ok(None) };
    moment(text).map(Some).ok_or_else(|| {
        complain!("{name} {text}: give 2026-01-31T18:05:09Z, with its zone, or seconds since 1970");
        Exit::Input
    })
}
