//! What the writer does between transactions: old rows go, by age and by size, and the room they
//! leave is given back, a little at a time so that nothing that is told waits long for its turn.
//!
//! Input: the file, the limits. Output: a smaller file. It cuts at whole states only, so that what
//! is left can be read from its first row on. Age counts only once the wall clock is trusted, or was
//! not corrected for an hour: a clock that wakes up years ahead must not empty the journal.

use std::sync::Arc;
use std::time::{Duration, Instant as Moment};

use rusqlite::{Connection, OptionalExtension as _, params};

use super::Keep;
use crate::daemon::clock::Clock;
use crate::engine::time::Instant;

/// Between two looks.
const EVERY: Duration = Duration::from_secs(300);
/// The first look comes so long after the start: then there is other work.
const FIRST: Duration = Duration::from_secs(20);
/// The longest rest of the writer.
const REST: Duration = Duration::from_secs(2);
/// Between two small pieces of work.
const BREATH: Duration = Duration::from_millis(20);
/// A wall clock that nobody has corrected until then is taken as right.
const SETTLED: Instant = Instant(3_600_000_000);
/// Rows that go in one transaction.
const ROWS: i64 = 500;
/// Pages that are given back in one transaction.
const PAGES: i64 = 200;

/// The chores and how far they are.
#[derive(Debug)]
pub(super) struct Chores {
    keep: Arc<Keep>,
    next: Moment,
    /// Rows before this one go; 0: none do.
    cut: i64,
    vacuum: bool,
    bytes: i64,
}

impl Chores {
    pub(super) fn new(keep: Arc<Keep>) -> Self {
        Self {
            keep,
            next: Moment::now() + FIRST,
            cut: 0,
            vacuum: false,
            bytes: 0,
        }
    }

    /// Bytes of the file when it was last looked at.
    pub(super) fn bytes(&self) -> i64 {
        self.bytes
    }

    /// How long the writer may rest.
    pub(super) fn rest(&self) -> Duration {
        if self.cut > 0 || self.vacuum {
            BREATH
        } else {
            REST.min(self.next.saturating_duration_since(Moment::now()))
        }
    }

    /// One piece of work, where there is any.
    pub(super) fn work(
        &mut self,
        connection: &mut Connection,
        clock: &Clock,
    ) -> rusqlite::Result<()> {
        if self.cut > 0 {
            return self.remove(connection);
        }
        if self.vacuum {
            return self.give_back(connection);
        }
        if Moment::now() < self.next {
            return Ok(());
        }
        self.next = Moment::now() + EVERY;
        self.drop_raw(connection)?;
        self.bytes = pragma(connection, "page_count")? * pragma(connection, "page_size")?;
        self.cut = match self.too_old(connection, clock)? {
            Some(cut) => cut,
            None => self.too_many(connection)?.unwrap_or(0),
        };
        self.vacuum = pragma(connection, "freelist_count")? > PAGES;
        Ok(())
    }

    /// The newest whole state that is older than the days that are kept, where there are rows
    /// before it.
    fn too_old(&self, connection: &Connection, clock: &Clock) -> rusqlite::Result<Option<i64>> {
        if !clock.is_trusted() && clock.now() < SETTLED {
            return Ok(None);
        }
        let kept_us = i64::from(self.keep.days) * 86_400_000_000;
        let sql = "SELECT seq FROM whole JOIN boot USING (boot) \
                   WHERE origin_us + at_ms * 1000 <= ?1 \
                   AND seq > (SELECT coalesce(min(seq), 0) FROM change) \
                   ORDER BY seq DESC LIMIT 1";
        connection
            .query_row(sql, [clock.wall_us() - kept_us], |row| row.get(0))
            .optional()
    }

    /// Where the file is too large, a whole state after the oldest twentieth.
    fn too_many(&self, connection: &Connection) -> rusqlite::Result<Option<i64>> {
        let used = pragma(connection, "page_count")? - pragma(connection, "freelist_count")?;
        let used = used * pragma(connection, "page_size")?;
        if used <= i64::from(self.keep.megabytes) * 1_000_000 {
            return Ok(None);
        }
        let sql = "SELECT seq FROM whole ORDER BY seq \
                   LIMIT 1 OFFSET (SELECT 1 + count(*) / 20 FROM whole)";
        connection.query_row(sql, [], |row| row.get(0)).optional()
    }

    fn remove(&mut self, connection: &mut Connection) -> rusqlite::Result<()> {
        let transaction = connection.transaction()?;
        let rows = transaction
            .prepare_cached(
                "DELETE FROM change WHERE seq IN \
                 (SELECT seq FROM change WHERE seq < ?1 ORDER BY seq LIMIT ?2)",
            )?
            .execute(params![self.cut, ROWS])?;
        if rows == 0 {
            // The boot of the cut stays, and with it everything that is younger.
            let first: Option<i64> = transaction
                .query_row("SELECT boot FROM whole WHERE seq = ?1", [self.cut], |row| {
                    row.get(0)
                })
                .optional()?;
            if let Some(boot) = first {
                transaction.execute("DELETE FROM boot WHERE boot < ?1", [boot])?;
                transaction.execute("DELETE FROM raw WHERE boot < ?1", [boot])?;
            }
            transaction.execute("DELETE FROM whole WHERE seq < ?1", [self.cut])?;
            let unused = "DELETE FROM layout WHERE layout NOT IN (SELECT layout FROM whole)";
            transaction.execute(unused, [])?;
            self.cut = 0;
            self.vacuum = true;
        }
        transaction.commit()
    }

    fn give_back(&mut self, connection: &mut Connection) -> rusqlite::Result<()> {
        connection.execute_batch(&format!("PRAGMA incremental_vacuum({PAGES})"))?;
        self.vacuum = pragma(connection, "freelist_count")? > 0;
        Ok(())
    }

    /// The oldest raw messages go until the rest is within its limit.
    fn drop_raw(&self, connection: &Connection) -> rusqlite::Result<()> {
        let most = i64::from(self.keep.raw_megabytes) * 1_000_000;
        let sql = "DELETE FROM raw WHERE raw IN (SELECT raw FROM (SELECT raw, \
                   sum(length(memory) + length(lines)) OVER (ORDER BY raw DESC) AS bytes \
                   FROM raw) WHERE bytes > ?1)";
        connection.execute(sql, [most])?;
        Ok(())
    }
}

fn pragma(connection: &Connection, name: &str) -> rusqlite::Result<i64> {
    connection.pragma_query_value(None, name, |row| row.get(0))
}
