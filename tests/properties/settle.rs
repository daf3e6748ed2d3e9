//! Accounts of evenings against what was written down of them.

use std::path::Path;

/// Whether what takes minutes is played: `TAILLAMP_LONG=1` says so (`tests/long`).
pub fn is_asked_for() -> bool {
    let asked = std::env::var_os("TAILLAMP_LONG").is_some_and(|word| word == "1");
    if !asked {
        println!("not played: TAILLAMP_LONG=1 asks for it");
    }
    asked
}

/// Compares accounts with what was written down, one after the other, or writes them down anew.
pub fn settle(file: &Path, parts: impl Iterator<Item = String>) {
    if std::env::var_os("TAILLAMP_BLESS").is_some() {
        let told: String = parts.collect();
        std::fs::write(file, told).expect("the file can be written");
        return;
    }
    let wanted = std::fs::read_to_string(file).expect("the accounts are in the tree");
    let mut wanted = wanted.lines();
    // As soon as there is a difference: whoever looks for one does not wait for the rest.
    for part in parts {
        for told in part.lines() {
            let name = part.lines().next().unwrap_or_default();
            assert_eq!(
                wanted.next(),
                Some(told),
                "{name}: it was (left) and is now"
            );
        }
    }
    assert_eq!(wanted.next(), None, "something is not said any more");
}
