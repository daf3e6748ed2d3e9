//! The journal's file: its schema, how it is opened, and how an older one becomes a present one.
//!
//! Input: a path. Output: a connection of the one writer or of a reader, or why there is none, with
//! the cure. The schema is documented for people in DEVELOPERS.md, 'The journal'; `moment` and
//! `history` are views for them. A file is changed forwards only, one version after the other, all
//! in one transaction; a newer one is left alone.

use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::{Connection, ErrorCode, OpenFlags, TransactionBehavior};

/// `Tail`, so that a file of another program is known as such.
const APPLICATION_ID: i64 = 0x5461_696c;
/// How long a reader or the writer waits for the other.
const BUSY: Duration = Duration::from_secs(2);

/// The steps from nothing to the present version: step N makes version N + 1.
const STEPS: [&str; 2] = [V1, V2];

const V1: &str = "
CREATE TABLE boot (
    boot INTEGER PRIMARY KEY,
    origin_us INTEGER NOT NULL,
    trusted INTEGER NOT NULL,
    first_seq INTEGER NOT NULL,
    alive_ms INTEGER NOT NULL,
    stopped INTEGER NOT NULL DEFAULT 0,
    version TEXT NOT NULL
);
CREATE TABLE item (
    item INTEGER PRIMARY KEY,
    kind TEXT NOT NULL,
    id TEXT NOT NULL,
    UNIQUE (kind, id)
);
CREATE TABLE change (
    seq INTEGER PRIMARY KEY,
    boot INTEGER NOT NULL,
    at_ms INTEGER NOT NULL,
    item INTEGER NOT NULL,
    part INTEGER NOT NULL,
    body TEXT NOT NULL
);
CREATE TABLE whole (
    seq INTEGER PRIMARY KEY,
    boot INTEGER NOT NULL,
    at_ms INTEGER NOT NULL,
    layout INTEGER NOT NULL,
    body BLOB NOT NULL
);
CREATE TABLE layout (
    layout INTEGER PRIMARY KEY,
    body TEXT NOT NULL UNIQUE
);
CREATE TABLE memory (
    section TEXT NOT NULL,
    id TEXT NOT NULL,
    body TEXT NOT NULL,
    PRIMARY KEY (section, id)
) WITHOUT ROWID;
CREATE TABLE retained (
    topic TEXT PRIMARY KEY,
    qos INTEGER NOT NULL,
    payload BLOB NOT NULL
) WITHOUT ROWID;
CREATE TABLE raw (
    raw INTEGER PRIMARY KEY,
    boot INTEGER NOT NULL,
    run_starts INTEGER NOT NULL,
    from_ms INTEGER NOT NULL,
    to_ms INTEGER NOT NULL,
    memory BLOB NOT NULL,
    lines BLOB NOT NULL
);
CREATE VIEW moment AS
    SELECT seq, strftime('%Y-%m-%dT%H:%M:%fZ',
        (origin_us / 1000 + at_ms) / 1000.0, 'unixepoch') AS utc
    FROM change JOIN boot USING (boot);
CREATE VIEW history AS
    SELECT seq, utc, kind, id, json_extract(body, '$.state') AS state, body
    FROM change JOIN item USING (item) JOIN moment USING (seq)
    WHERE part = 0;
";

/// The last frame of the tail that is in the tables (see `tail`).
const V2: &str = "
CREATE TABLE tail (
    applied INTEGER NOT NULL
);
INSERT INTO tail VALUES (0);
";

/// Why the journal cannot be opened.
#[derive(Debug, thiserror::Error)]
pub enum OpenError {
    /// A newer program has written it.
    #[error(
        "{} was written by a newer version (schema {found}, this one knows {known}): use that, or \
         give another path", .path.display()
    )]
    Newer {
        /// Which file.
        path: PathBuf,
        /// Its version.
        found: i64,
        /// Ours.
        known: i64,
    },
    /// Somebody else's file.
    #[error("{} is no journal of taillamp: give another path", .path.display())]
    NotOurs {
        /// Which file.
        path: PathBuf,
    },
    /// There is no journal.
    #[error("there is no journal {}: has the daemon run with this plan?", .path.display())]
    Missing {
        /// Which file.
        path: PathBuf,
    },
    /// Another process writes it.
    #[error(
        "{} is in use by another daemon: end that one, or give another path", .path.display()
    )]
    InUse {
        /// Which file.
        path: PathBuf,
    },
    /// The file beside it cannot be used.
    #[error(
        "{} cannot be written: {error}; see that its folder can be written, or give another path",
        .path.display()
    )]
    Tail {
        /// Which file.
        path: PathBuf,
        /// Why not.
        error: std::io::Error,
    },
    /// The system gives no thread.
    #[error("{} cannot be written: {error}", .path.display())]
    Thread {
        /// Which file.
        path: PathBuf,
        /// Why not.
        error: std::io::Error,
    },
    /// The file cannot be used.
    #[error(
        "{} cannot be opened: {error}; see that its folder is there and can be written, or give \
         another path", .path.display()
    )]
    Sqlite {
        /// Which file.
        path: PathBuf,
        /// Why not.
        error: rusqlite::Error,
    },
}

/// The version that this program writes.
#[must_use]
pub fn version() -> i64 {
    i64::try_from(STEPS.len()).unwrap_or(i64::MAX)
}

/// Opens the file for the writer; makes it, or brings it to the present version.
pub(super) fn open_writer(path: &Path) -> Result<Connection, OpenError> {
    let wrong = |error| wrong(path, error);
    let mut connection = Connection::open_with_flags(
        path,
        OpenFlags::SQLITE_OPEN_READ_WRITE
            | OpenFlags::SQLITE_OPEN_CREATE
            | OpenFlags::SQLITE_OPEN_NO_MUTEX,
    )
    .map_err(wrong)?;
    connection.busy_timeout(BUSY).map_err(wrong)?;
    // What is not ours is not even set up.
    inspect(&connection, version(), path)?;
    // Small pages: a change touches few of them, and each touched one is written whole. These two
    // count for a new file only. An old file keeps what it has.
    let set_up = "PRAGMA page_size = 512; PRAGMA auto_vacuum = INCREMENTAL;
        PRAGMA temp_store = MEMORY; PRAGMA cache_size = -256;
        PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL;
        PRAGMA journal_size_limit = 8388608; PRAGMA wal_autocheckpoint = 0;";
    connection.execute_batch(set_up).map_err(wrong)?;
    migrate(&mut connection, &STEPS, path)?;
    Ok(connection)
}

/// A second connection beside the writer's, for checkpoints.
pub(super) fn open_again(path: &Path) -> Result<Connection, OpenError> {
    let wrong = |error| wrong(path, error);
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let connection = Connection::open_with_flags(path, flags).map_err(wrong)?;
    connection.busy_timeout(BUSY).map_err(wrong)?;
    connection
        .execute_batch("PRAGMA synchronous = FULL; PRAGMA wal_autocheckpoint = 0;")
        .map_err(wrong)?;
    Ok(connection)
}

/// Opens the file to read it.
pub(super) fn open_reader(path: &Path) -> Result<Connection, OpenError> {
    let wrong = |error| wrong(path, error);
    if !path.exists() {
        return Err(OpenError::Missing { path: path.into() });
    }
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let connection = Connection::open_with_flags(path, flags).map_err(wrong)?;
    connection.busy_timeout(BUSY).map_err(wrong)?;
    connection
        .execute_batch("PRAGMA temp_store = MEMORY; PRAGMA cache_size = -8192;")
        .map_err(wrong)?;
    let found = number(&connection, "user_version").map_err(wrong)?;
    if number(&connection, "application_id").map_err(wrong)? != APPLICATION_ID {
        return Err(OpenError::NotOurs { path: path.into() });
    }
    let known = version();
    if found > known {
        let path = path.into();
        return Err(OpenError::Newer { path, found, known });
    }
    Ok(connection)
}

fn wrong(path: &Path, error: rusqlite::Error) -> OpenError {
    let path = path.into();
    if error.sqlite_error_code() == Some(ErrorCode::NotADatabase) {
        OpenError::NotOurs { path }
    } else {
        OpenError::Sqlite { path, error }
    }
}

fn number(connection: &Connection, pragma: &str) -> rusqlite::Result<i64> {
    connection.pragma_query_value(None, pragma, |row| row.get(0))
}

/// Brings a file to the version that the last step makes, whole or not at all.
fn migrate(connection: &mut Connection, steps: &[&str], path: &Path) -> Result<(), OpenError> {
    let wrong = |error| wrong(path, error);
    let known = i64::try_from(steps.len()).unwrap_or(i64::MAX);
    let transaction = connection
        .transaction_with_behavior(TransactionBehavior::Immediate)
        .map_err(wrong)?;
    let found = inspect(&transaction, known, path)?;
    let done = usize::try_from(found).unwrap_or(0);
    for step in steps.iter().skip(done) {
        transaction.execute_batch(step).map_err(wrong)?;
    }
    if found < known {
        let marks =
            format!("PRAGMA application_id = {APPLICATION_ID}; PRAGMA user_version = {known};");
        transaction.execute_batch(&marks).map_err(wrong)?;
    }
    transaction.commit().map_err(wrong)
}

/// The version of a file that is ours or empty, and not newer than what is known.
fn inspect(connection: &Connection, known: i64, path: &Path) -> Result<i64, OpenError> {
    let wrong = |error| wrong(path, error);
    let found = number(connection, "user_version").map_err(wrong)?;
    let ours = number(connection, "application_id").map_err(wrong)? == APPLICATION_ID;
    if !ours && (found != 0 || has_tables(connection).map_err(wrong)?) {
        return Err(OpenError::NotOurs { path: path.into() });
    }
    if found > known {
        let path = path.into();
        return Err(OpenError::Newer { path, found, known });
    }
    Ok(found)
}

fn has_tables(connection: &Connection) -> rusqlite::Result<bool> {
    connection.query_row("SELECT EXISTS (SELECT 1 FROM sqlite_schema)", [], |row| {
        row.get(0)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tables(connection: &Connection) -> Vec<String> {
        let mut statement = connection
            .prepare("SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY name")
            .expect("a query");
        let names = statement.query_map([], |row| row.get(0)).expect("rows");
        names.map(|name| name.expect("text")).collect()
    }

    #[test]
    fn every_earlier_version_becomes_the_present_one_and_keeps_its_rows() {
        let folder = tempfile::tempdir().expect("a folder");
        for from in 0..STEPS.len() {
            let path = folder.path().join(format!("{from}.db"));
            let mut connection = Connection::open(&path).expect("a file");
            if from > 0 {
                migrate(&mut connection, &STEPS[..from], &path).expect("an older version");
            }
            drop(connection);
            let connection = open_writer(&path).expect("the present version");
            assert_eq!(number(&connection, "user_version"), Ok(version()));
            let again = open_writer(&path).expect("nothing is left to do");
            assert_eq!(tables(&again), tables(&connection));
        }
    }

    /// The next version, as it will come: a column with a value for the rows that are there.
    #[test]
    fn a_further_step_keeps_rows_and_one_that_fails_changes_nothing() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("old.db");
        let mut connection = open_writer(&path).expect("a file");
        let row = "INSERT INTO item (item, kind, id) VALUES (7, 'block', 'b1')";
        connection.execute_batch(row).expect("a row");
        let bad = [
            V1,
            V2,
            "ALTER TABLE item ADD COLUMN seen TEXT; SELECT nonsense",
        ];
        assert!(migrate(&mut connection, &bad, &path).is_err());
        assert_eq!(number(&connection, "user_version"), Ok(2));
        assert!(connection.prepare("SELECT seen FROM item").is_err());
        let good = [V1, V2, "ALTER TABLE item ADD COLUMN seen TEXT DEFAULT 'no'"];
        migrate(&mut connection, &good, &path).expect("version 3");
        let seen = connection.query_row("SELECT id || seen FROM item", [], |row| row.get(0));
        assert_eq!(seen, Ok("b1no".to_owned()));
        // And now this program is the older one.
        drop(connection);
        assert!(matches!(
            open_writer(&path),
            Err(OpenError::Newer {
                found: 3,
                known: 2,
                ..
            })
        ));
        assert!(matches!(open_reader(&path), Err(OpenError::Newer { .. })));
    }

    #[test]
    fn a_file_of_somebody_else_is_left_alone() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("other.db");
        let other = Connection::open(&path).expect("a file");
        other
            .execute_batch("CREATE TABLE pictures (id)")
            .expect("a table");
        assert!(matches!(open_writer(&path), Err(OpenError::NotOurs { .. })));
        assert_eq!(tables(&other), ["pictures"]);
        let text = folder.path().join("text.db");
        std::fs::write(
            &text,
            "not a database, but long enough to be taken for one".repeat(40),
        )
        .expect("a file");
        assert!(matches!(open_writer(&text), Err(OpenError::NotOurs { .. })));
        let missing = folder.path().join("none/journal.db");
        assert!(matches!(
            open_writer(&missing),
            Err(OpenError::Sqlite { .. })
        ));
        assert!(matches!(
            open_reader(&missing),
            Err(OpenError::Missing { .. })
        ));
    }
}
