//! The file takes in what lies beside it (SQLite's write-ahead log), on a thread of its own: what
//! is told must not wait for that.
//!
//! Input: the file. Output: a log that stays short. It is done seldom, because a page that was
//! written ten times meanwhile is taken in once; and at the end by whoever closes the file last.

use std::ffi::c_int;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::{self, RecvTimeoutError, Sender};
use std::thread::JoinHandle;
use std::time::Duration;

use rusqlite::Connection;

use super::schema::{self, OpenError};

/// Between two looks at the log.
const LOOK: Duration = Duration::from_secs(30);
/// A log of so many pages is taken in: two megabytes, ten minutes of a busy layout, read in a
/// moment at the next start.
const LOG_PAGES: u64 = 4_000;
/// A shorter one waits for so many looks: half an hour.
const LOOKS: u32 = 60;

/// The running thread.
#[derive(Debug)]
pub(super) struct Checkpoints {
    over: Sender<()>,
    thread: JoinHandle<()>,
    /// Pages in the log.
    pages: Arc<AtomicU64>,
}

impl Checkpoints {
    /// Begins.
    pub(super) fn start(path: &Path) -> Result<Self, OpenError> {
        let connection = schema::open_again(path)?;
        let pages = Arc::new(AtomicU64::new(0));
        let in_log = Arc::clone(&pages);
        let (over, ended) = mpsc::channel();
        let thread = std::thread::Builder::new()
            .name("checkpoints".into())
            .spawn(move || {
                // The first look takes in what an earlier run has left when it was cut off.
                let mut looks = LOOKS - 1;
                while ended.recv_timeout(LOOK) == Err(RecvTimeoutError::Timeout) {
                    looks += 1;
                    // Relaxed: a number to go by, nothing is ordered by it.
                    if looks >= LOOKS || in_log.load(Ordering::Relaxed) >= LOG_PAGES {
                        looks = 0;
                        in_log.store(0, Ordering::Relaxed);
                        checkpoint(&connection);
                    }
                }
            })
            .map_err(|error| OpenError::Thread {
                path: path.into(),
                error,
            })?;
        Ok(Self {
            over,
            thread,
            pages,
        })
    }

    /// Each commit of the writer's connection tells how long the log is.
    pub(super) fn watch(&self, writer: &mut Connection) -> rusqlite::Result<()> {
        let pages = Arc::clone(&self.pages);
        writer.wal_hook(Some(move |_: &mut _, now: c_int| {
            pages.store(u64::try_from(now).unwrap_or(0), Ordering::Relaxed);
            Ok(())
        }))
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
