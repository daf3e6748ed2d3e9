//! The tail: a file beside the journal where what was told lately stands, each write on the disk
//! before the next is begun. The tables take it in together, every half minute.
//!
//! Input: one packed batch at a time. Output: after a power cut, the batches that the tables have
//! not. It knows nothing of what is in them.
//!
//! Why: a transaction of its own for each change costs a memory card a whole page of the log and
//! the rest of the pages that it touched. Here it costs the sectors that the batch needs, written
//! past the system's cache where the file system allows it (`O_DIRECT`, open(2)), into room that
//! was laid out before, so that no list of the file's pieces is written with it.
//!
//! A frame begins at a sector: mark, length, number, CRC-32 of number and batch (RFC 1952, 8), then
//! the batch. Numbers rise by one for ever; the tables tell the last one that they took in. When
//! they have all, the next frame stands at the beginning again: what follows it is of an earlier
//! lap, has other numbers, and counts for nothing. A frame that was cut short ends the reading.

use std::fs::{File, OpenOptions, TryLockError};
use std::io::{self, Read as _};
use std::os::unix::fs::{FileExt as _, OpenOptionsExt as _};
use std::path::{Path, PathBuf};

use flate2::Crc;

/// What is written at once, and where a frame may begin, in bytes.
const SECTOR: usize = 512;
/// The file's length: some minutes of a busy layout.
const BYTES: usize = 256 * 1_024;
/// What a frame begins with.
const MARK: [u8; 4] = *b"tail";
/// Mark, length, number, checksum.
const HEAD: usize = 4 + 4 + 8 + 4;

/// Why there is no tail.
#[derive(Debug, thiserror::Error)]
pub(super) enum TailError {
    /// Somebody has it.
    #[error("another daemon has it open")]
    InUse,
    /// The system says no.
    #[error(transparent)]
    Io(#[from] io::Error),
}

/// The open file.
#[derive(Debug)]
pub(super) struct Tail {
    path: PathBuf,
    /// Holds the lock, and is what is written where direct writing is not to be had.
    file: File,
    direct: Option<File>,
    buffer: Vec<u8>,
    /// Where the next frame begins.
    at: usize,
    /// The next frame's number.
    next: u64,
}

/// Where the tail of a journal is.
pub(super) fn beside(journal: &Path) -> PathBuf {
    let mut name = journal.as_os_str().to_owned();
    name.push("-tail");
    name.into()
}

impl Tail {
    /// Opens the tail of a journal for this process alone, and reads what the tables have not: they
    /// tell the number of the last frame that they took in.
    pub(super) fn open(journal: &Path, applied: u64) -> Result<(Self, Vec<Vec<u8>>), TailError> {
        let path = beside(journal);
        let mut file = OpenOptions::new()
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .open(&path)?;
        match file.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => return Err(TailError::InUse),
            Err(TryLockError::Error(error)) => return Err(error.into()),
        }
        let mut bytes = Vec::new();
        let most = u64::try_from(BYTES).unwrap_or(u64::MAX);
        (&mut file).take(most).read_to_end(&mut bytes)?;
        let (next, left) = left(&bytes, applied);
        let tail = Self {
            path,
            file,
            direct: None,
            buffer: Vec::new(),
            at: 0,
            next,
        };
        Ok((tail, left))
    }

    /// Lays the file out for writing. What was left in it must be in the tables by now.
    pub(super) fn lay_out(&mut self) -> io::Result<()> {
        if self.file.metadata()?.len() != BYTES as u64 {
            self.file.set_len(0)?;
            self.file.write_all_at(&vec![0; BYTES], 0)?;
            self.file.sync_all()?;
            // The file's name must outlive a power cut as well.
            if let Some(folder) = self.path.parent().filter(|of| !of.as_os_str().is_empty()) {
                File::open(folder)?.sync_all()?;
            }
        }
        let direct = OpenOptions::new()
            .write(true)
            .custom_flags(libc::O_DIRECT)
            .open(&self.path);
        self.direct = direct.ok();
        self.at = 0;
        // Not every file system that takes the flag takes a sector: this one is tried.
        if self.direct.is_some() && self.put(0, &[]).is_err() {
            self.direct = None;
        }
        Ok(())
    }

    /// Number of the last frame that was written.
    pub(super) fn last(&self) -> u64 {
        self.next - 1
    }

    /// Writes a batch; it is on the disk afterwards. `false`: there is no room for it.
    pub(super) fn append(&mut self, batch: &[u8]) -> io::Result<bool> {
        let length = (HEAD + batch.len()).next_multiple_of(SECTOR);
        if self.at + length > BYTES {
            return Ok(false);
        }
        self.put(self.next, batch)?;
        self.at += length;
        self.next += 1;
        Ok(true)
    }

    fn put(&mut self, number: u64, batch: &[u8]) -> io::Result<()> {
        let length = (HEAD + batch.len()).next_multiple_of(SECTOR);
        self.buffer.clear();
        self.buffer.resize(length + SECTOR, 0);
        // Direct writes want their bytes in memory where a sector could begin.
        let begin = self.buffer.as_ptr().align_offset(SECTOR);
        let Some(frame) = self.buffer.get_mut(begin..begin.saturating_add(length)) else {
            return Err(io::ErrorKind::OutOfMemory.into());
        };
        let size = u32::try_from(batch.len()).map_err(|_| io::ErrorKind::FileTooLarge)?;
        frame[..4].copy_from_slice(&MARK);
        frame[4..8].copy_from_slice(&size.to_le_bytes());
        frame[8..16].copy_from_slice(&number.to_le_bytes());
        frame[16..20].copy_from_slice(&checksum(number, batch).to_le_bytes());
        frame[HEAD..HEAD + batch.len()].copy_from_slice(batch);
        let file = self.direct.as_ref().unwrap_or(&self.file);
        file.write_all_at(frame, self.at as u64)?;
        file.sync_data()
    }

    /// The tables have all of it, on the disk: the next frame stands at the beginning.
    pub(super) fn taken_in(&mut self) {
        self.at = 0;
    }

    /// Everything is in the tables and nothing more comes.
    pub(super) fn remove(self) {
        if let Err(error) = std::fs::remove_file(&self.path) {
            tracing::debug!(%error, "the journal's tail could not be removed; it is empty");
        }
    }
}

fn checksum(number: u64, batch: &[u8]) -> u32 {
    let mut crc = Crc::new();
    crc.update(&number.to_le_bytes());
    crc.update(batch);
    crc.sum()
}

/// The number of the next frame, and the batches after the last one that the tables have.
fn left(bytes: &[u8], applied: u64) -> (u64, Vec<Vec<u8>>) {
    let mut at = 0;
    let mut wanted = None;
    let mut left = Vec::new();
    while let Some((number, batch)) = bytes.get(at..).and_then(frame) {
        // One that begins later belongs to another journal: what lies between is not here.
        if wanted.is_none_or(|wanted| number != wanted)
            && (at > 0 || number > applied.saturating_add(1))
        {
            break;
        }
        wanted = number.checked_add(1);
        if number > applied {
            left.push(batch.to_vec());
        }
        at += (HEAD + batch.len()).next_multiple_of(SECTOR);
    }
    let next = applied.saturating_add(1).max(wanted.unwrap_or(0));
    (next, left)
}

/// The frame that these bytes begin with, where it is whole.
fn frame(bytes: &[u8]) -> Option<(u64, &[u8])> {
    let (mark, rest) = bytes.split_first_chunk::<4>()?;
    let (size, rest) = rest.split_first_chunk::<4>()?;
    let (number, rest) = rest.split_first_chunk::<8>()?;
    let (sum, rest) = rest.split_first_chunk::<4>()?;
    let batch = rest.get(..usize::try_from(u32::from_le_bytes(*size)).ok()?)?;
    let number = u64::from_le_bytes(*number);
    let sound = u32::from_le_bytes(*sum) == checksum(number, batch);
    (*mark == MARK && number > 0 && sound).then_some((number, batch))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn open(folder: &tempfile::TempDir, applied: u64) -> (Tail, Vec<Vec<u8>>) {
        let journal = folder.path().join("journal.db");
        let (mut tail, left) = Tail::open(&journal, applied).expect("a tail");
        tail.lay_out().expect("room");
        (tail, left)
    }

    #[test]
    fn what_the_tables_have_not_is_there_again() {
        let folder = tempfile::tempdir().expect("a folder");
        let (mut tail, left) = open(&folder, 0);
        assert!(left.is_empty());
        let batches: Vec<Vec<u8>> = (1..=5_u8).map(|n| vec![n; 300 * usize::from(n)]).collect();
        for batch in &batches {
            assert!(tail.append(batch).expect("it can be written"));
        }
        assert_eq!(tail.last(), 5);
        drop(tail);
        let (_, left) = Tail::open(&folder.path().join("journal.db"), 3).expect("a tail");
        assert_eq!(left, batches[3..]);
    }

    #[test]
    fn a_new_lap_ends_where_the_old_one_shows_through() {
        let folder = tempfile::tempdir().expect("a folder");
        let (mut tail, _) = open(&folder, 0);
        for n in 0..4 {
            assert!(tail.append(&[n; 100]).expect("it can be written"));
        }
        tail.taken_in();
        assert!(tail.append(b"five").expect("it can be written"));
        drop(tail);
        let journal = folder.path().join("journal.db");
        let (_, left) = Tail::open(&journal, 4).expect("a tail");
        assert_eq!(left, [b"five"]);
        // Nor is anything taken for ours that another copy of the journal has written.
        assert!(Tail::open(&journal, 2).expect("a tail").1.is_empty());
    }

    #[test]
    fn it_is_full_and_has_one_owner() {
        let folder = tempfile::tempdir().expect("a folder");
        let (mut tail, _) = open(&folder, 7);
        assert!(!tail.append(&vec![1; BYTES]).expect("no attempt is made"));
        let mut frames = 0;
        while tail.append(&[1; SECTOR]).expect("it can be written") {
            frames += 1;
        }
        assert_eq!(frames, BYTES / (2 * SECTOR));
        let journal = folder.path().join("journal.db");
        assert!(matches!(Tail::open(&journal, 7), Err(TailError::InUse)));
        tail.remove();
        assert!(!beside(&journal).exists());
    }

    proptest! {
        /// Whatever a power cut makes of the file: what is read is a beginning of what was written.
        #[test]
        fn damage_ends_it(at in 0..4_096_usize, with in any::<u8>(), cut in 0..6_000_usize) {
            let folder = tempfile::tempdir().expect("a folder");
            let (mut tail, _) = open(&folder, 0);
            let batches: Vec<Vec<u8>> = (1..=4_u8).map(|n| vec![n; 700]).collect();
            for batch in &batches {
                prop_assert!(tail.append(batch).expect("it can be written"));
            }
            drop(tail);
            let path = beside(&folder.path().join("journal.db"));
            let mut bytes = std::fs::read(&path).expect("a file");
            bytes[at] = with;
            bytes.truncate(cut);
            let (next, left) = left(&bytes, 0);
            prop_assert!(batches.starts_with(&left));
            prop_assert_eq!(next, left.len() as u64 + 1);
        }

        /// Nor do any bytes end the program.
        #[test]
        fn any_bytes_can_be_read(bytes in prop::collection::vec(any::<u8>(), 0..3_000)) {
            let mut framed = MARK.to_vec();
            framed.extend(&bytes);
            prop_assert!(left(&bytes, 5).1.is_empty());
            prop_assert!(left(&framed, u64::MAX - 1).1.is_empty());
        }
    }
}
