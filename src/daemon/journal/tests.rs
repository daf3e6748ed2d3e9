//! The journal without a daemon: labels, limits, what is left of a file that was damaged.

use serde_json::json;

use super::past::Past;
use super::*;
use crate::daemon::metrics::Metrics;

fn keep(folder: &tempfile::TempDir) -> Keep {
    Keep {
        path: folder.path().join("journal.db"),
        days: 90,
        megabytes: 100,
        raw_megabytes: 0,
    }
}

fn open(folder: &tempfile::TempDir) -> (Journal, Left) {
    let metrics = Metrics::new().expect("metrics").journal;
    Journal::open(keep(folder), Clock::start(), metrics).expect("a journal")
}

fn block(id: &str, at_ms: i64, state: &str) -> Row {
    Row {
        kind: "block",
        id: id.to_owned(),
        at_ms,
        body: json!({"was": "unknown", "state": state, "kept": null, "why": "d1"}).to_string(),
    }
}

fn run(test: impl Future<Output = ()>) {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_time()
        .build();
    runtime.expect("a runtime").block_on(test);
}

#[test]
fn rows_follow_the_wall_clock_when_it_comes_to_be_trusted() {
    run(async {
        let folder = tempfile::tempdir().expect("a folder");
        let (journal, _) = open(&folder);
        let news = News {
            changes: vec![block("b1", 1_500, "occupied")],
            layout: Some("{}".into()),
            ..News::default()
        };
        assert!(journal.news(news));
        let then = 1_800_000_000_000_000;
        journal.relabel(then, true);
        assert!(journal.sync().await);
        let past = Past::open(journal.path(), None).expect("a file");
        let boot = past.boots().last().expect("a boot").clone();
        assert!(boot.trusted && boot.origin_us == then);
        let (events, _) = past.events(then, then + 10_000_000, 0, 10).expect("events");
        let block = events.iter().find(|event| event["kind"] == "block");
        // 1 800 000 000 s after 1970 is 2027-01-15T08:00:00Z, by `date`.
        assert_eq!(block.expect("the row")["at"], "2027-01-15T08:00:01.500Z");
        journal.stop().await;
    });
}

#[test]
fn one_damaged_row_of_the_memory_costs_that_row_alone() {
    run(async {
        let folder = tempfile::tempdir().expect("a folder");
        let (journal, left) = open(&folder);
        assert_eq!(left.memory, None, "a new journal remembers nothing");
        let place = |id: &str| crate::engine::memory::PlaceMemory {
            id: id.into(),
            state: crate::engine::change::Occupancy::Occupied,
            kept: None,
            told: false,
            trains: Vec::new(),
        };
        let memory = Memory {
            places: vec![place("b1"), place("b2")],
            next_train: 3,
            ..Memory::default()
        };
        let news = News {
            changes: vec![block("b1", 1, "occupied")],
            memory: Some(memory.clone()),
            ..News::default()
        };
        assert!(journal.news(news));
        journal.stop().await;
        let file = rusqlite::Connection::open(keep(&folder).path).expect("a file");
        let damage = "UPDATE memory SET body = '{\"state\":\"flying\"}' WHERE id = 'b2'";
        assert_eq!(file.execute(damage, []), Ok(1));
        let (journal, left) = open(&folder);
        let memory = left.memory.expect("the rest");
        let ids: Vec<&str> = memory.places.iter().map(|place| &place.id[..]).collect();
        assert_eq!((ids, memory.next_train), (vec!["b1"], 3));
        journal.stop().await;
    });
}

/// The power goes: what is in the tail alone is in the tables at the next start, and once.
#[test]
fn what_only_the_tail_has_is_there_after_a_power_cut() {
    run(async {
        let folder = tempfile::tempdir().expect("a folder");
        let (journal, _) = open(&folder);
        let memory = Memory {
            next_train: 7,
            ..Memory::default()
        };
        let retained = RetainedMessage {
            topic: "p/position/w1".into(),
            payload: vec![0, 255, b'"'].into(),
            qos: 1,
        };
        // The beginning is in the tables.
        assert!(journal.sync().await);
        let before = journal.metrics.write.get_sample_count();
        assert!(journal.tell(Note::Retained(
            retained.topic.clone(),
            Some(retained.clone())
        )));
        assert!(journal.news(News {
            changes: vec![block("b1", 1_500, "occupied")],
            memory: Some(memory),
            ..News::default()
        }));
        let deadline = std::time::Instant::now() + Duration::from_secs(30);
        while journal.metrics.write.get_sample_count() == before {
            assert!(std::time::Instant::now() < deadline, "nothing was written");
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
        let cut = tempfile::tempdir().expect("a folder");
        for part in ["", "-wal", "-tail"] {
            let name = format!("journal.db{part}");
            std::fs::copy(folder.path().join(&name), cut.path().join(&name)).expect("a copy");
        }
        let rows = |folder: &tempfile::TempDir| -> i64 {
            let file = rusqlite::Connection::open(keep(folder).path).expect("a file");
            let sql = "SELECT count(*) FROM change JOIN item USING (item) WHERE id = 'b1'";
            file.query_row(sql, [], |row| row.get(0)).expect("a number")
        };
        assert_eq!(
            rows(&cut),
            0,
            "the tables have it already: nothing is tried here"
        );
        for _ in 0..2 {
            bring_in(&keep(&cut).path).expect("it can be written");
            assert_eq!(rows(&cut), 1);
        }
        let (again, left) = open(&cut);
        assert_eq!(left.memory.expect("a memory").next_train, 7);
        assert_eq!(left.retained, [retained]);
        assert_eq!(rows(&cut), 1);
        // A file has one writer.
        let metrics = Metrics::new().expect("metrics").journal;
        let second = Journal::open(keep(&cut), Clock::start(), metrics);
        assert!(matches!(second.map(drop), Err(OpenError::InUse { .. })));
        again.stop().await;
        journal.stop().await;
    });
}

/// After a slow write much waits that is overdue; were each a write of its own, there would be more
/// of it after each.
#[test]
fn what_is_overdue_is_written_together() {
    let folder = tempfile::tempdir().expect("a folder");
    let clock = Clock::start();
    let metrics = Metrics::new().expect("metrics").journal;
    let (sender, told) = mpsc::sync_channel(NOTES_MAX);
    let open = Writer::open(
        Arc::new(keep(&folder)),
        clock.clone(),
        Arc::new(Shared::default()),
        metrics.clone(),
    );
    let (writer, _) = open.expect("a journal");
    for n in 0..300_i64 {
        let changes = vec![block("b1", n, "occupied")];
        let note = Note::News(Box::new(News {
            changes,
            ..News::default()
        }));
        let at = Instant(1);
        let told = Box::new(Told { at, note });
        sender.send(told).expect("there is room");
    }
    drop(sender);
    // Until all of it has waited for longer than it may.
    while clock.now().since(Instant(1)) < PROMISE {
        std::thread::yield_now();
    }
    writer.run(told);
    let writes = metrics.write.get_sample_count();
    assert!((1..=100).contains(&writes), "{writes} writes");
    let file = rusqlite::Connection::open(keep(&folder).path).expect("a file");
    let rows = "SELECT count(*) FROM change JOIN item USING (item) WHERE id = 'b1'";
    assert_eq!(file.query_row(rows, [], |row| row.get(0)), Ok(300));
}

#[test]
fn nothing_is_taken_after_the_end_and_that_is_said() {
    run(async {
        let folder = tempfile::tempdir().expect("a folder");
        let (journal, _) = open(&folder);
        journal.stop().await;
        assert!(!journal.act(block("b1", 1, "occupied")).wait().await);
        assert!(!journal.sync().await);
        assert_eq!(journal.metrics.lost.get(), 2);
        // A file that was closed lies alone: nothing beside it has to be kept with it.
        let names: Vec<_> = std::fs::read_dir(folder.path())
            .expect("a folder")
            .collect();
        assert_eq!(names.len(), 1, "{names:?}");
    });
}

/// What a range of time shows does not depend on how it is cut.
#[test]
fn a_moment_is_the_same_from_every_whole_state() {
    run(async {
        let folder = tempfile::tempdir().expect("a folder");
        let (journal, _) = open(&folder);
        let states = ["occupied", "lost", "vacant"];
        for n in 0..9_000_i64 {
            let id = format!("b{}", n % 7);
            let state = states[usize::try_from(n % 3).expect("small")];
            let train = if n % 5 == 0 { "[\"t1\"]" } else { "[]" };
            let record = format!("{{\"state\":\"{state}\",\"trains\":{train}}}");
            let news = News {
                at: Instant(u64::try_from(n).expect("small") * 10_000),
                changes: vec![block(&id, n * 10, state)],
                records: vec![("block", id, Some(record))],
                layout: (n == 0).then(|| "{}".into()),
                ..News::default()
            };
            // The queue is bounded: whoever is faster than any layout waits here.
            if n % 1_000 == 999 {
                assert!(journal.sync().await);
            }
            assert!(journal.news(news));
        }
        assert!(journal.sync().await);
        let past = Past::open(journal.path(), None).expect("a file");
        let boot = past.boots().last().expect("a boot").clone();
        let wholes = past.wholes(boot.first, boot.end, 100).expect("states");
        assert!(wholes.len() >= 4, "{} whole states", wholes.len());
        let first = past
            .state_before(&boot, boot.first + 2)
            .expect("it")
            .expect("known");
        let mut folded = first.whole;
        let mut checked = 0;
        past.rows(boot.first + 2, boot.end, None, &mut |found| {
            let body = serde_json::from_str(&found.body).expect("JSON");
            if found.difference {
                folded.patch(&found.kind, &found.id, &body);
            } else {
                folded.fold(&found.kind, &found.id, found.at_ms, &body);
            }
            if found.seq % 1_777 == 0 {
                let again = past
                    .state_before(&boot, found.seq + 1)
                    .expect("it")
                    .expect("known");
                assert_eq!(again.whole, folded, "at row {}", found.seq);
                checked += 1;
            }
            true
        })
        .expect("rows");
        assert!(checked > 5);
        journal.stop().await;
    });
}
