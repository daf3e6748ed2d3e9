//! The notes of a walk-round: a file that lets it be broken off and gone on with.
//!
//! It is written anew after each step, in one exchange, so that a power cut leaves the old or the
//! new one.

use std::collections::BTreeMap;
use std::io::Write as _;
use std::path::Path;

use serde::{Deserialize, Serialize};

use super::result::Seen;

/// The largest file that is read.
const BYTES_MAX: u64 = 16 * 1_024 * 1_024;

/// Everything seen so far.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Notes {
    /// The layout's name: notes of another layout are not gone on with.
    pub layout: String,
    /// By the place's written id.
    pub steps: BTreeMap<String, Seen>,
}

impl Notes {
    /// Reads the notes of a layout; fresh ones where there are none.
    ///
    /// # Errors
    /// In one line: the file cannot be read, is no notes, or belongs to another layout.
    pub fn read(path: &Path, layout: &str) -> Result<Self, String> {
        let name = path.display();
        let cure = "name another file with --notes, or remove it to begin anew";
        let size = match std::fs::metadata(path) {
            Ok(metadata) => metadata.len(),
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
                return Ok(Self {
                    layout: layout.to_owned(),
                    steps: BTreeMap::new(),
                });
            }
            Err(error) => return Err(format!("{name}: cannot be read: {error}; {cure}")),
        };
        if size > BYTES_MAX {
            return Err(format!(
                "{name}: {size} bytes are no notes of a walk; {cure}"
            ));
        }
        let text = std::fs::read_to_string(path)
            .map_err(|error| format!("{name}: cannot be read: {error}; {cure}"))?;
        let notes: Self = serde_json::from_str(&text)
            .map_err(|error| format!("{name}: no notes of a walk: {error}; {cure}"))?;
        if notes.layout != layout {
            return Err(format!(
                "{name}: these are notes of `{}`, and the plan is of `{layout}`; {cure}",
                notes.layout
            ));
        }
        Ok(notes)
    }

    /// Writes them.
    ///
    /// # Errors
    /// In one line: the file cannot be written.
    pub fn write(&self, path: &Path) -> Result<(), String> {
        let mut fresh = path.to_owned().into_os_string();
        fresh.push(".new");
        let text = serde_json::to_string_pretty(self).map_err(|error| error.to_string())?;
        let write = || {
            let mut file = std::fs::File::create(&fresh)?;
            file.write_all(text.as_bytes())?;
            file.write_all(b"\n")?;
            file.sync_all()?;
            std::fs::rename(&fresh, path)
        };
        write().map_err(|error| {
            // What is half written is of no use to anybody.
            let _ = std::fs::remove_file(&fresh);
            format!(
                "{}: the notes cannot be written: {error}; name another file with --notes",
                path.display()
            )
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn notes_come_back_and_others_are_refused() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("walk.json");
        let mut notes = Notes::read(&path, "Heron Basin").expect("fresh ones");
        let seen = Seen {
            at: "today".to_owned(),
            ..Seen::default()
        };
        notes.steps.insert("quay".to_owned(), seen);
        notes.write(&path).expect("they are written");
        assert_eq!(Notes::read(&path, "Heron Basin"), Ok(notes));
        let other = Notes::read(&path, "Teal Cutting").expect_err("another layout's");
        assert!(other.contains("notes of `Heron Basin`"), "{other}");
        std::fs::write(&path, "{\"layout\":\"Heron").expect("a file");
        let broken = Notes::read(&path, "Heron Basin").expect_err("broken");
        assert!(
            broken.contains("--notes") && !broken.contains('\n'),
            "{broken}"
        );
    }
}
