//! A journal that was written to by somebody else, or damaged: whoever reads it gets an answer or
//! an error, never a panic.
//!
//! As with the other targets the function is the body of a fuzzing target and, in
//! `tests/fuzz/main.rs`, an ordinary test over the kept corpus.

use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use flate2::Compression;
use flate2::write::DeflateEncoder;
use rusqlite::{Connection, params};
use taillamp::daemon::clock::Clock;
use taillamp::daemon::journal::past::{Past, PastError};
use taillamp::daemon::journal::{Journal, Keep, News, Row, lanes, raw};
use taillamp::daemon::metrics::Metrics;
use taillamp::engine::memory::{Memory, TrainMemory};

/// 2027-01-15T08:00:00Z in microseconds.
const NOON: i64 = 1_800_000_000_000_000;

fn keep(path: &Path) -> Keep {
    Keep {
        path: path.to_owned(),
        days: 90,
        megabytes: 100,
        raw_megabytes: 1,
    }
}

fn open(path: &Path) -> Option<(Journal, Option<Memory>)> {
    let metrics = Metrics::new().expect("metrics").journal;
    let (journal, left) = Journal::open(keep(path), Clock::start(), metrics).ok()?;
    Some((journal, left.memory))
}

fn close(journal: &Journal) {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_time()
        .build();
    runtime.expect("a runtime").block_on(journal.stop());
}

/// A folder that goes away with the process, in memory where that can be had.
fn folder() -> &'static Path {
    static FOLDER: OnceLock<tempfile::TempDir> = OnceLock::new();
    let made = || tempfile::tempdir_in("/dev/shm").or_else(|_| tempfile::tempdir());
    FOLDER.get_or_init(|| made().expect("a folder")).path()
}

/// The file of a small journal, as a daemon leaves it.
fn sound() -> &'static [u8] {
    static FILE: OnceLock<Vec<u8>> = OnceLock::new();
    FILE.get_or_init(|| {
        let path = folder().join("sound.db");
        let (journal, _) = open(&path).expect("a new journal");
        let row = |id: &str, at_ms: i64, state: &str| Row {
            kind: "block",
            id: id.to_owned(),
            at_ms,
            body: format!("{{\"was\":\"unknown\",\"state\":\"{state}\",\"why\":\"d1\"}}"),
        };
        let record = |state: &str| Some(format!("{{\"state\":\"{state}\",\"trains\":[]}}"));
        let train = TrainMemory {
            id: "t1".into(),
            name: None,
            blocks: vec!["b1".into()],
            heading: None,
            length_mm: None,
            parent: None,
            identity: None,
        };
        let news = News {
            changes: vec![row("b1", 10, "occupied"), row("b2", 20, "vacant")],
            records: vec![
                ("block", "b1".into(), record("occupied")),
                ("block", "b2".into(), record("vacant")),
            ],
            memory: Some(Memory {
                trains: vec![train],
                next_train: 2,
                ..Memory::default()
            }),
            layout: Some("{\"blocks\":{}}".into()),
            raw: vec!["{\"t\":0.010}\n".into()],
            run_starts: true,
            ..News::default()
        };
        assert!(journal.news(news));
        journal.relabel(NOON, true);
        close(&journal);
        drop(journal);
        std::fs::read(&path).expect("the file that was written")
    })
}

fn deflated(text: &[u8]) -> Vec<u8> {
    let mut packed = DeflateEncoder::new(Vec::new(), Compression::fast());
    packed.write_all(text).expect("memory takes everything");
    packed.finish().expect("memory takes everything")
}

/// Damage to the file itself: bytes are other bytes.
fn patch(file: &mut [u8], place: u16, with: &[u8]) {
    let at = usize::from(place) * 7 % file.len();
    let end = (at + with.len()).min(file.len());
    file[at..end].copy_from_slice(&with[..end - at]);
}

/// Rows that a daemon did not write. What the database refuses is left out.
fn insert(file: &Connection, what: u8, number: u16, text: &[u8]) {
    let said = String::from_utf8_lossy(text);
    let number = i64::from(number);
    let at_ms = match number % 5 {
        0 => i64::MAX,
        1 => i64::MIN,
        _ => number,
    };
    let packed = if number % 2 == 0 {
        deflated(text)
    } else {
        text.to_vec()
    };
    let _ = match what % 7 {
        0 => file.execute(
            "INSERT INTO change (boot, at_ms, item, part, body) VALUES (1, ?1, ?2, ?3, ?4)",
            params![at_ms, number % 5, number / 5 % 2, said],
        ),
        1 => file.execute(
            "INSERT INTO whole (seq, boot, at_ms, layout, body) VALUES (?1, 1, ?2, 1, ?3)",
            params![number % 9, at_ms, packed],
        ),
        2 => file.execute(
            "INSERT OR REPLACE INTO memory (section, id, body) VALUES (?1, ?2, ?3)",
            params![SECTIONS[number as usize % SECTIONS.len()], "b1", said],
        ),
        3 => file.execute(
            "INSERT INTO raw (boot, run_starts, from_ms, to_ms, memory, lines) \
             VALUES (1, ?1, ?2, ?2, ?3, ?3)",
            params![number % 3 == 0, at_ms, packed],
        ),
        4 => file.execute("UPDATE layout SET body = ?1", params![said]),
        5 => file.execute(
            "UPDATE boot SET origin_us = ?1, alive_ms = ?2, first_seq = ?3",
            params![at_ms, at_ms, number % 7],
        ),
        _ => file.execute("INSERT INTO item (kind, id) VALUES (?1, ?1)", params![said]),
    };
}

const SECTIONS: [&str; 9] = [
    "blocks",
    "turnouts",
    "tables",
    "feeds",
    "detectors",
    "trains",
    "alarms",
    "next_train",
    "?",
];

/// Everything that is read of a past.
fn read(path: &Path) -> Result<(), PastError> {
    let past = Past::open(path, Some(NOON))?;
    for us in [i64::MIN, 0, NOON, NOON + 15_000, i64::MAX] {
        let _ = past.snapshot(us);
    }
    for (from, to) in [(NOON, NOON + 1_000_000), (i64::MIN, i64::MAX)] {
        let _ = past.events(from, to, 0, 3);
        for most in [1, lanes::ROWS_MAX] {
            let _ = lanes::between(&past, from, to, 100, most);
        }
    }
    for run in raw::runs(&past)? {
        let mut take = |_: &str| Ok::<(), PastError>(());
        let _ = raw::lines(&past, &run, None, &mut take);
        let _ = raw::lines(&past, &run, Some(NOON), &mut take);
    }
    Ok(())
}

/// Pieces, cut at byte 0xFF: what is done, a number, and the text. Bytes of the file first, then
/// rows; then the past is read, and a daemon starts with what it remembers.
pub fn journal(data: &[u8]) {
    let mut file = sound().to_vec();
    let pieces: Vec<&[u8]> = data.split(|byte| *byte == 0xFF).collect();
    let parts = |piece: &&[u8]| match *piece {
        [what, high, low, text @ ..] => {
            Some((*what, u16::from_be_bytes([*high, *low]), text.to_vec()))
        }
        _ => None,
    };
    let parts: Vec<(u8, u16, Vec<u8>)> = pieces.iter().filter_map(parts).collect();
    for (_, place, with) in parts.iter().filter(|part| part.0 >= 0x80) {
        patch(&mut file, *place, with);
    }
    let path: PathBuf = folder().join("damaged.db");
    for beside in ["damaged.db-wal", "damaged.db-shm"] {
        let _ = std::fs::remove_file(folder().join(beside));
    }
    std::fs::write(&path, &file).expect("a file in our own folder");
    if parts.iter().any(|part| part.0 < 0x80)
        && let Ok(file) = Connection::open(&path)
    {
        let _ = file.execute_batch("PRAGMA synchronous = OFF; BEGIN");
        for (what, number, text) in parts.iter().filter(|part| part.0 < 0x80) {
            insert(&file, *what, *number, text);
        }
        let _ = file.execute_batch("COMMIT");
    }
    let _ = read(&path);
    if let Some((journal, _)) = open(&path) {
        close(&journal);
    }
}
