//! The file takes in what lies beside it (SQLite's write-ahead log), on a thread of its own: what
//! is told must not wait for that.
//!
//! Input: the file. Output: a short log. It is done every so often, and at the end by whoever
//! closes the file last.

use std::path::Path;
use std::sync::mpsc::{self, RecvTimeoutError, Sender};
use std::thread::JoinHandle;
use std::time::Duration;

use rusqlite::Connection;

use super::schema::{self, OpenError};

/// The log is then some half a megabyte on a busy layout.
const EVERY: Duration = Duration::from_secs(60);

/// The running thread.
#[derive(Debug)]
pub(super) struct Checkpoints {
    over: Sender<()>,
    thread: JoinHandle<()>,
}

impl Checkpoints {
    /// Begins.
    pub(super) fn start(path: &Path) -> Result<Self, OpenError> {
        let connection = schema::open_again(path)?;
        let (over, ended) = mpsc::channel();
        let thread = std::thread::Builder::new()
            .name("checkpoints".into())
            .spawn(move || {
                while ended.recv_timeout(EVERY) == Err(RecvTimeoutError::Timeout) {
                    checkpoint(&connection);
                }
            })
            .map_err(|error| OpenError::Thread {
                path: path.into(),
                error,
            })?;
        Ok(Self { over, thread })
    }

    /// Ends, and closes its connection.
    pub(super) fn stop(self) {
        drop(self.over);
        // A panic ends the process; a thread that has ended by itself has nothing left to do.
        let _ = self.thread.join();
    }
}

fn checkpoint(connection: &Connection) {
    // Passive: it takes what it can have without waiting for anybody.
    let done = connection.query_row("PRAGMA wal_checkpoint(PASSIVE)", [], |row| {
        row.get::<_, i64>(0)
    });
    if let Err(error) = done {
        tracing::warn!(%error, "the journal's log could not be taken in; it grows until it can");
    }
}
