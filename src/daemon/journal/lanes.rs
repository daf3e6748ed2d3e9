//! The lanes of a range of time: `/api/v1/history`, and the charts of the report.
//!
//! Input: an open journal and a range. Output: what each item was from when on. Where the range
//! holds more rows than can be drawn, whole states are taken at some moments instead, and the
//! answer says so: however long it is, what must be read has a limit.

use super::past::{Boot, Found, Past, PastError};
use crate::wire::history_json::Lanes;
use crate::wire::stamp::rfc3339;
use serde_json::Value;

/// Rows that are read one by one at most: three hours of a busy evening.
pub const ROWS_MAX: i64 = 80_000;
/// Whole states that are read instead.
const SAMPLES: i64 = 96;
/// A silence of the journal that is drawn.
const GAP_MS: i64 = 1_000;

/// The lanes from one moment to another, microseconds since 1970. Changes closer than `step_ms` to
/// the one before are merged. `rows_max`: see [`ROWS_MAX`]; `i64::MAX` reads all there is.
///
/// # Errors
/// When the journal cannot be read.
pub fn between(
    past: &Past,
    from_us: i64,
    to_us: i64,
    step_ms: i64,
    rows_max: i64,
) -> Result<Lanes, PastError> {
    let mut lanes = Lanes::new(rfc3339(from_us), rfc3339(to_us), step_ms);
    let boots: Vec<&Boot> = past.boots_between(from_us, to_us).collect();
    let mut ranges = Vec::with_capacity(boots.len());
    for boot in &boots {
        let first = past.row_after(boot, boot.ms_of(from_us).max(-1))?;
        let end = past.row_after(boot, boot.ms_of(to_us))?;
        ranges.push((first, end));
    }
    let rows: i64 = ranges.iter().fold(0, |rows: i64, (first, end)| {
        rows.saturating_add(end.saturating_sub(*first))
    });
    if rows > rows_max {
        sampled(past, &boots, &ranges, (from_us, to_us), &mut lanes)?;
    } else {
        for (boot, (first, end)) in boots.iter().zip(&ranges) {
            every(past, boot, (*first, *end), from_us, &mut lanes)?;
        }
    }
    gaps(past, &boots, (from_us, to_us), &mut lanes);
    if rows_max != i64::MAX {
        lanes.end();
    }
    Ok(lanes)
}

/// From one moment to another, saturating as [`Boot::ms_of`] does.
fn between_ms(from_us: i64, to_us: i64) -> i64 {
    to_us.saturating_sub(from_us).div_euclid(1_000)
}

/// Every change of one boot.
fn every(
    past: &Past,
    boot: &Boot,
    (first, end): (i64, i64),
    from_us: i64,
    lanes: &mut Lanes,
) -> Result<(), PastError> {
    let before_ms = between_ms(from_us, boot.origin_us);
    let begins_ms = before_ms.saturating_neg().max(0);
    // The row before a boot's first whole state is the one that says that it began.
    let known = first.saturating_add(i64::from(first == boot.first));
    if let Some(standing) = past.state_before(boot, known)? {
        lanes.whole(before_ms.max(0), begins_ms, &standing.whole);
    }
    past.rows(first, end, None, &mut |found| {
        if !is_drawn(&found) {
            return true;
        }
        let Ok(body) = serde_json::from_str::<Value>(&found.body) else {
            return true;
        };
        let at = before_ms.saturating_add(found.at_ms);
        if found.difference {
            lanes.difference(&found.kind, &found.id, &body);
        } else {
            lanes.change(&found.kind, &found.id, at, &body);
        }
        true
    })
}

/// Whether a row is worth being read: most differences are of records that no lane shows.
fn is_drawn(found: &Found) -> bool {
    match &found.kind[..] {
        "train" => !found.difference || found.body.contains("\"name\""),
        "block" | "turnout" | "table" | "feed" | "alarm" => !found.difference,
        _ => false,
    }
}

/// Whole states, spread over all boots.
fn sampled(
    past: &Past,
    boots: &[&Boot],
    ranges: &[(i64, i64)],
    (from_us, to_us): (i64, i64),
    lanes: &mut Lanes,
) -> Result<(), PastError> {
    let (Some((first, _)), Some((_, end))) = (ranges.first(), ranges.last()) else {
        return Ok(());
    };
    let wholes = past.wholes(*first, *end, SAMPLES)?;
    lanes.sampled = true;
    lanes.step_ms = between_ms(from_us, to_us) / i64::try_from(wholes.len().max(1)).unwrap_or(1);
    for (number, at_ms, whole) in wholes {
        if let Some(boot) = boots.iter().find(|boot| boot.boot == number) {
            let at = between_ms(from_us, boot.wall_us(at_ms));
            lanes.whole(at.max(0), at_ms, &whole);
        }
    }
    Ok(())
}

/// When no daemon wrote.
fn gaps(past: &Past, boots: &[&Boot], (from_us, to_us): (i64, i64), lanes: &mut Lanes) {
    let before = past.boots().iter().rfind(|boot| boot.origin_us < from_us);
    let mut known = before.map_or(from_us, Boot::ended_us);
    for boot in boots {
        let (began, until) = (boot.origin_us, known.max(from_us));
        if between_ms(until, began) > GAP_MS {
            lanes.gap(between_ms(from_us, until), between_ms(from_us, began));
        }
        known = known.max(boot.ended_us());
    }
    if between_ms(known.max(from_us), to_us) > GAP_MS {
        let until = known.max(from_us);
        lanes.gap(between_ms(from_us, until), between_ms(from_us, to_us));
    }
}
