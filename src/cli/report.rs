//! `taillamp report`: one evening on one sheet, from the journal.
//!
//! It reads only; the daemon may run meanwhile. The charts hold every change, however long the
//! evening; what is too close to be drawn is merged.

use std::path::PathBuf;

use serde_json::Value;

use super::Exit;
use super::journal::{self, Opened, Range};
use crate::daemon::journal::lanes;
use crate::daemon::journal::past::{Past, PastError};
use crate::report::{self, Session, Tally};
use crate::wire::journal_json::Whole;

/// Its arguments.
#[derive(clap::Args, Debug)]
pub struct Args {
    /// The plan file
    #[arg(long, value_name = "FILE")]
    plan: PathBuf,
    #[command(flatten)]
    range: Range,
    /// Where the report goes
    #[arg(short, long, value_name = "FILE.html")]
    output: PathBuf,
}

/// Marks that can be told apart across a chart.
const ACROSS: i64 = 1_200;

/// Runs it.
#[must_use]
pub fn run(args: &Args) -> Exit {
    let opened = match journal::open(&args.plan, &args.range) {
        Ok(opened) => opened,
        Err(exit) => return exit,
    };
    let html = match make(&opened) {
        Ok(html) => html,
        Err(error) => {
            complain!("{error}");
            return Exit::Input;
        }
    };
    if let Err(error) = std::fs::write(&args.output, html) {
        complain!("{}: it cannot be written: {error}", args.output.display());
        return Exit::Input;
    }
    complain!(
        "{}: open it in a browser, or print it",
        args.output.display()
    );
    Exit::Fine
}

fn make(opened: &Opened) -> Result<String, PastError> {
    let Opened {
        plan,
        past,
        from_us,
        to_us,
    } = opened;
    let (from_us, to_us) = (*from_us, *to_us);
    let all = lanes::between(past, from_us, to_us, 0, i64::MAX)?;
    let step_ms = (to_us - from_us) / 1_000 / ACROSS;
    let drawn = lanes::between(past, from_us, to_us, step_ms, i64::MAX)?;
    let (tally, end) = count(past, from_us, to_us)?;
    Ok(report::html(&Session {
        plan,
        from_us,
        to_us,
        lanes: &all,
        drawn: &drawn,
        tally: &tally,
        end: end.as_ref(),
        zone: jiff::tz::TimeZone::system(),
    }))
}

fn count(past: &Past, from_us: i64, to_us: i64) -> Result<(Tally, Option<Whole>), PastError> {
    let mut tally = Tally::default();
    let mut end = None;
    for boot in past.boots_between(from_us, to_us) {
        let first = past.row_after(boot, boot.ms_of(from_us).max(-1))?;
        let after = past.row_after(boot, boot.ms_of(to_us))?;
        let before = past.state_before(boot, first)?;
        tally.begins(&before.map(|standing| standing.whole).unwrap_or_default());
        past.rows(first, after, None, &mut |found| {
            if let Ok(body) = serde_json::from_str::<Value>(&found.body) {
                let at = boot
                    .wall_us(found.at_ms)
                    .saturating_sub(from_us)
                    .div_euclid(1_000);
                tally.row(&found.kind, &found.id, found.difference, at, &body);
            }
            true
        })?;
        end = past
            .state_before(boot, after)?
            .map(|standing| standing.whole);
    }
    Ok((tally, end))
}
