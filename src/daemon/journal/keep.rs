//! What the writer does between transactions: old rows go, by age and by size, and the room they
//! leave is given back, a little at a time so that nothing that is told waits long for its turn.
//!
//! Input: the file, the limits. Output: a smaller file. It cuts at whole states only, so that what
//! is left can be read from its first row on. Age counts only once the wall clock is trusted, or
//! was not corrected for an hour: a clock that wakes up years ahead must not empty the journal.

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
            return unhurried(connection, |connection| self.remove(connection));
        }
        if self.vacuum {
            return unhurried(connection, |connection| self.give_back(connection));
        }
        if Moment::now() < self.next {
            return Ok(());
        }
        self.next = Moment::now() + EVERY;
        self.drop_raw(connection)?;
        self.bytes = pragma(connection, "page_count")? * pragma(connection, "page_size")?;
        let old = if clock.is_trusted() || clock.now() >= SETTLED {
            self.too_old(connection, clock.wall_now_us())?
        } else {
            None
        };
        self.cut = match old {
            Some(cut) => cut,
            None => self.too_many(connection)?.unwrap_or(0),
        };
        self.vacuum = pragma(connection, "freelist_count")? > PAGES;
        Ok(())
    }

    /// The newest whole state that is older than the days that are kept, where there are rows
    /// before it.
    fn too_old(&self, connection: &Connection, now_us: i64) -> rusqlite::Result<Option<i64>> {
        let kept_us = i64::from(self.keep.days) * 86_400_000_000;
        let sql = "SELECT seq FROM whole JOIN boot USING (boot) \
                   WHERE origin_us + at_ms * 1000 <= ?1 \
                   AND seq > (SELECT coalesce(min(seq), 0) FROM change) \
                   ORDER BY seq DESC LIMIT 1";
        connection
            .query_row(sql, [now_us - kept_us], |row| row.get(0))
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
        {
            // It gives a row for each page, and goes on only as far as these are taken.
            let sql = format!("PRAGMA incremental_vacuum({PAGES})");
            let mut statement = connection.prepare(&sql)?;
            let mut pages = statement.query([])?;
            while pages.next()?.is_some() {}
        }
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

/// Work that nobody waits for is not synced by itself: the next write that somebody counts on
/// takes it along (a sync is of the whole log). So what is told meanwhile waits for less, and a
/// memory card has less to do. After a power cut it is done or it is not.
fn unhurried(
    connection: &mut Connection,
    work: impl FnOnce(&mut Connection) -> rusqlite::Result<()>,
) -> rusqlite::Result<()> {
    connection.pragma_update(None, "synchronous", "NORMAL")?;
    let done = work(connection);
    // Whatever became of it: what is written next must be there when it is said to be.
    connection.pragma_update(None, "synchronous", "FULL")?;
    done
}

fn pragma(connection: &Connection, name: &str) -> rusqlite::Result<i64> {
    connection.pragma_query_value(None, name, |row| row.get(0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::daemon::journal::schema;

    const DAY_US: i64 = 86_400_000_000;
    /// Rows between two whole states.
    const EACH: i64 = 1_000;

    /// A file with a boot a day, each with a whole state at its beginning and its middle.
    fn file(folder: &tempfile::TempDir, days: i64) -> Connection {
        let connection = schema::open_writer(&folder.path().join("journal.db")).expect("a file");
        connection
            .execute_batch("BEGIN; INSERT INTO item VALUES (1, 'block', 'b1')")
            .expect("it");
        for day in 0..days {
            let first = 1 + day * 2 * EACH;
            let boot = "INSERT INTO boot VALUES (?1, ?2, 1, ?3, 0, 1, '')";
            connection
                .execute(boot, params![day + 1, day * DAY_US, first])
                .expect("a boot");
            for n in 0..2 * EACH {
                let change = "INSERT INTO change VALUES (?1, ?2, ?3, 1, 0, ?4)";
                let body = format!("{{\"why\":\"{}\"}}", "x".repeat(100));
                connection
                    .execute(change, params![first + n, day + 1, n, body])
                    .expect("a row");
            }
            for half in 0..2 {
                let whole = "INSERT INTO whole VALUES (?1, ?2, ?3, 1, x'00')";
                connection
                    .execute(whole, params![first + half * EACH, day + 1, half * EACH])
                    .expect("a state");
            }
        }
        connection.execute_batch("COMMIT").expect("it is kept");
        connection
    }

    fn chores(days: u32, megabytes: u32) -> Chores {
        let keep = Keep {
            path: "unused".into(),
            days,
            megabytes,
            raw_megabytes: 0,
        };
        let mut chores = Chores::new(Arc::new(keep));
        chores.next = Moment::now();
        chores
    }

    fn count(connection: &Connection, sql: &str) -> i64 {
        connection
            .query_row(sql, [], |row| row.get(0))
            .expect("a number")
    }

    #[test]
    fn what_is_older_than_the_days_that_are_kept_goes() {
        let folder = tempfile::tempdir().expect("a folder");
        let connection = file(&folder, 10);
        let now = 10 * DAY_US;
        // Seven days back is the beginning of the fourth boot.
        let cut = chores(7, 1_000)
            .too_old(&connection, now)
            .expect("it can be read");
        assert_eq!(cut, Some(1 + 3 * 2 * EACH));
        let none = chores(90, 1_000)
            .too_old(&connection, now)
            .expect("it can be read");
        assert_eq!(none, None);
    }

    #[test]
    fn a_file_that_is_too_large_loses_its_oldest_and_gives_the_room_back() {
        let folder = tempfile::tempdir().expect("a folder");
        let mut connection = file(&folder, 10);
        let clock = Clock::start();
        let mut chores = chores(90, 2);
        let (mut pieces, mut longest) = (0, Duration::ZERO);
        loop {
            let began = Moment::now();
            chores
                .work(&mut connection, &clock)
                .expect("it can be written");
            longest = longest.max(began.elapsed());
            pieces += 1;
            assert!(pieces < 1_000, "it does not come to an end");
            if chores.cut == 0 && !chores.vacuum {
                let used = pragma(&connection, "page_count").expect("a number")
                    * pragma(&connection, "page_size").expect("a number");
                if used <= 2_000_000 {
                    break;
                }
                chores.next = Moment::now();
            }
        }
        assert!(pieces > 10, "in small pieces, not at once: {pieces}");
        // 2 is FULL (sqlite.org/pragma.html#pragma_synchronous).
        assert_eq!(pragma(&connection, "synchronous"), Ok(2));
        let oldest = count(&connection, "SELECT min(seq) FROM change");
        let states = format!("SELECT count(*) FROM whole WHERE seq = {oldest}");
        assert_eq!(count(&connection, &states), 1, "it is cut at a whole state");
        assert!(count(&connection, "SELECT count(*) FROM change") > 5 * EACH);
        let boots = count(&connection, "SELECT min(boot) FROM boot");
        assert_eq!(boots, count(&connection, "SELECT min(boot) FROM change"));
        assert_eq!(pragma(&connection, "freelist_count"), Ok(0));
    }
}
