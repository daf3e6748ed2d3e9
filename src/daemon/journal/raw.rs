//! What came in, out of the journal again, as a recording.
//!
//! Input: an open journal in which raw messages were kept, and a moment. Output: the lines of one
//! run of the engine, from its beginning where that is still there: fed through the same decisions
//! they give the same changes. From the middle of a run, the first line has what was remembered at
//! that moment, and as after a restart the first decisions wait until everything was heard again.

use rusqlite::{OptionalExtension as _, params};

use super::past::{Past, PastError, inflate};

/// A run of the engine: from a start, or a change of the plan, to the next.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Run {
    /// Its boot.
    pub boot: i64,
    /// The first of its segments that is kept.
    first: i64,
    /// The last.
    last: i64,
    /// Its beginning is kept.
    pub whole: bool,
    /// Its first moment that is kept, microseconds since 1970.
    pub from_us: i64,
    /// Its last.
    pub to_us: i64,
}

/// The runs that are kept, oldest first.
///
/// # Errors
/// When the journal cannot be read.
pub fn runs(past: &Past) -> Result<Vec<Run>, PastError> {
    let sql = "SELECT raw, raw.boot, run_starts, from_ms, to_ms, origin_us \
               FROM raw JOIN boot ON boot.boot = raw.boot ORDER BY raw";
    let mut statement = past.connection().prepare(sql)?;
    let mut rows = statement.query([])?;
    let mut runs: Vec<Run> = Vec::new();
    while let Some(row) = rows.next()? {
        let (raw, boot, starts): (i64, i64, bool) = (row.get(0)?, row.get(1)?, row.get(2)?);
        let origin: i64 = row.get(5)?;
        let us = |ms: i64| origin.saturating_add(ms.saturating_mul(1_000));
        let (from_us, to_us) = (us(row.get(3)?), us(row.get(4)?));
        match runs.last_mut() {
            Some(run) if !starts && run.boot == boot => {
                run.last = raw;
                run.to_us = to_us;
            }
            _ => runs.push(Run {
                boot,
                first: raw,
                last: raw,
                whole: starts,
                from_us,
                to_us,
            }),
        }
    }
    Ok(runs)
}

/// The lines of a run, one text a segment, to `take`. `from_us`: from the segment that holds this
/// moment; `None`: from the beginning. Returns whether the run's own beginning is among them.
///
/// # Errors
/// When the journal cannot be read, or `take` cannot write.
pub fn lines<E: From<PastError>>(
    past: &Past,
    run: &Run,
    from_us: Option<i64>,
    take: &mut dyn FnMut(&str) -> Result<(), E>,
) -> Result<bool, E> {
    let read = |error: rusqlite::Error| E::from(PastError::from(error));
    let first = match from_us {
        None => run.first,
        Some(us) => first_at(past, run, us)?,
    };
    let sql = "SELECT raw, run_starts, memory, lines FROM raw WHERE raw >= ?1 AND raw <= ?2 \
               ORDER BY raw";
    let mut statement = past.connection().prepare(sql).map_err(read)?;
    let mut rows = statement.query([first, run.last]).map_err(read)?;
    let mut whole = false;
    let mut begun = false;
    while let Some(row) = rows.next().map_err(read)? {
        let seq: i64 = row.get(0).map_err(read)?;
        let starts: bool = row.get(1).map_err(read)?;
        let lines: Vec<u8> = row.get(3).map_err(read)?;
        let lines = inflate(seq, &lines)?;
        if !begun {
            begun = true;
            whole = starts;
            if !starts {
                let memory: Vec<u8> = row.get(2).map_err(read)?;
                let memory = inflate(seq, &memory)?;
                take(&format!("{{\"t\":{},\"memory\":{memory}}}\n", t_of(&lines)))?;
            }
        }
        take(&lines)?;
    }
    Ok(whole)
}

fn first_at(past: &Past, run: &Run, us: i64) -> Result<i64, PastError> {
    let sql = "SELECT raw FROM raw JOIN boot ON boot.boot = raw.boot \
               WHERE raw >= ?1 AND raw <= ?2 AND origin_us + from_ms * 1000 <= ?3 \
               ORDER BY raw DESC LIMIT 1";
    let found: Option<i64> = past
        .connection()
        .query_row(sql, params![run.first, run.last, us], |row| row.get(0))
        .optional()?;
    Ok(found.unwrap_or(run.first))
}

/// The time of the first line, as it is written.
fn t_of(lines: &str) -> &str {
    let rest = lines.strip_prefix("{\"t\":").unwrap_or("0.000");
    rest.split([',', '}']).next().unwrap_or("0.000")
}
