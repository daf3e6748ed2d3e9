//! The sources as text: files with their names from the root, and lines without their comments.

use std::fs;
use std::path::{Path, PathBuf};

/// The root of the repository.
pub fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// One file.
pub struct Source {
    /// Its name from the root, with `/`.
    pub name: String,
    /// All of it.
    pub text: String,
}

impl Source {
    /// Its lines with their numbers, from 1.
    pub fn lines(&self) -> impl Iterator<Item = (usize, &str)> {
        (1..).zip(self.text.lines())
    }

    /// Its lines with their numbers, without comments, up to its first test module: the code.
    ///
    /// A line that only opens with code and ends in a comment keeps the code. `//` inside a string
    /// is taken for a comment unless a colon stands before it, as in addresses.
    pub fn code(&self) -> Vec<(usize, &str)> {
        let mut code = Vec::new();
        for (number, line) in self.lines() {
            if line.trim() == "#[cfg(test)]" {
                break;
            }
            let end = line
                .match_indices("//")
                .map(|(at, _)| at)
                .find(|&at| !line[..at].ends_with(':'))
                .unwrap_or(line.len());
            let kept = line[..end].trim_end();
            if !kept.is_empty() {
                code.push((number, kept));
            }
        }
        code
    }
}

/// All files under a folder whose names end so, sorted. What is built or installed is not ours.
pub fn files(folder: &str, ending: &str) -> Vec<Source> {
    let mut paths = Vec::new();
    walk(&root().join(folder), &mut paths);
    let mut sources: Vec<Source> = paths
        .iter()
        .filter(|path| path.to_string_lossy().ends_with(ending))
        .map(|path| Source {
            name: name(path),
            text: read(path),
        })
        .collect();
    sources.sort_by(|x, y| x.name.cmp(&y.name));
    assert!(!sources.is_empty(), "no {ending} under {folder}");
    sources
}

/// The text of one file.
pub fn read(path: &Path) -> String {
    fs::read_to_string(path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

fn name(path: &Path) -> String {
    let inside = path.strip_prefix(root()).expect("it was found under it");
    inside.to_string_lossy().replace('\\', "/")
}

fn walk(folder: &Path, into: &mut Vec<PathBuf>) {
    let entries =
        fs::read_dir(folder).unwrap_or_else(|error| panic!("{}: {error}", folder.display()));
    for entry in entries {
        let path = entry.expect("a folder can be read").path();
        let last = path.file_name().unwrap_or_default().to_string_lossy();
        if path.is_dir() {
            if !matches!(
                &*last,
                "target" | "node_modules" | "out" | ".git" | "__pycache__"
            ) {
                walk(&path, into);
            }
        } else {
            into.push(path);
        }
    }
}

/// Fails with every fault, one a line.
pub fn none(faults: &[String]) {
    assert!(faults.is_empty(), "\n{}\n", faults.join("\n"));
}
