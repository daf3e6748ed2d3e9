//! The fuzzing targets over the corpus that is kept, every day; `tests/long --fuzz` goes on from
//! it.

mod asked;
mod past;
mod targets;

use std::path::PathBuf;

fn replay(target: &str, body: fn(&[u8])) {
    let root = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/fuzz/corpus");
    let entries = std::fs::read_dir(root.join(target)).expect("each target has a corpus");
    let files: Vec<PathBuf> = entries.map(|entry| entry.expect("a file").path()).collect();
    assert!(files.len() > 4, "the corpus of {target} is nearly empty");
    for file in files {
        // What is on the way is printed with a panic.
        println!("{}", file.display());
        body(&std::fs::read(&file).expect("a file of the tree can be read"));
    }
}

#[test]
fn corpus_of_payloads() {
    replay("payload", targets::payload);
}

#[test]
fn corpus_of_packs() {
    replay("senml", targets::senml);
}

#[test]
fn corpus_of_plans() {
    replay("plan", targets::plan);
}

#[test]
fn corpus_of_recordings() {
    replay("recording", targets::recording);
}

#[test]
fn corpus_of_topics() {
    replay("topics", targets::topics);
}

#[test]
fn corpus_of_packets() {
    replay("packets", targets::packets);
}

#[test]
fn corpus_of_memories() {
    replay("memory", targets::memory);
}

#[test]
fn corpus_of_journals() {
    replay("journal", past::journal);
}

#[test]
fn corpus_of_queries() {
    replay("query", asked::query);
}
