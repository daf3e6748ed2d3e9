//! Collects findings while a plan is read, resolved and checked, by byte offset; turns the offsets
//! into lines and columns at the end, sorted by place.
//!
//! It knows nothing of plans: who reports decides what is an error.

use super::finding::{Finding, Level};

/// The most findings that are shown: beyond that, one line says how many more there are.
const FINDINGS_MAX: usize = 500;

/// The findings so far.
#[derive(Debug, Default)]
pub struct Report {
    raw: Vec<Raw>,
    errors: usize,
}

#[derive(Debug, PartialEq, Eq, PartialOrd, Ord)]
struct Raw {
    at: usize,
    level: Level,
    code: &'static str,
    message: String,
    cure: String,
}

impl Report {
    /// The plan cannot be used because of what stands at byte `at`.
    pub fn error(
        &mut self,
        at: usize,
        code: &'static str,
        message: impl Into<String>,
        cure: impl Into<String>,
    ) {
        self.errors += 1;
        self.push(Level::Error, at, code, message.into(), cure.into());
    }

    /// What stands at byte `at` will not work as its owner thinks.
    pub fn warning(
        &mut self,
        at: usize,
        code: &'static str,
        message: impl Into<String>,
        cure: impl Into<String>,
    ) {
        self.push(Level::Warning, at, code, message.into(), cure.into());
    }

    /// How many errors there are.
    #[must_use]
    pub const fn errors(&self) -> usize {
        self.errors
    }

    /// The findings in the order of their places, each once.
    #[must_use]
    pub fn into_findings(self, text: &str, file: &str) -> Vec<Finding> {
        let mut raw = self.raw;
        raw.sort();
        raw.dedup();
        let lines = Lines::new(text);
        let more = raw.len().saturating_sub(FINDINGS_MAX);
        raw.truncate(FINDINGS_MAX);
        let mut findings: Vec<Finding> = raw
            .into_iter()
            .map(|raw| {
                let (line, column) = lines.place(raw.at);
                Finding {
                    level: raw.level,
                    file: file.to_owned(),
                    line,
                    column,
                    code: raw.code,
                    message: raw.message,
                    cure: raw.cure,
                }
            })
            .collect();
        if more > 0 {
            let last = findings
                .last()
                .map_or((1, 1), |last| (last.line, last.column));
            findings.push(Finding {
                level: Level::Error,
                file: file.to_owned(),
                line: last.0,
                column: last.1,
                code: "many-more",
                message: format!("{more} more findings are not shown"),
                cure: "mend those above first, then check again".to_owned(),
            });
        }
        findings
    }

    fn push(&mut self, level: Level, at: usize, code: &'static str, message: String, cure: String) {
        self.raw.push(Raw {
            at,
            level,
            code,
            message: on_one_line(&message),
            cure: on_one_line(&cure),
        });
    }
}

/// A finding is a line: what it repeats of the file may hold line breaks, and bytes that a terminal
/// would obey.
fn on_one_line(text: &str) -> String {
    let mut line = String::with_capacity(text.len());
    for character in text.chars() {
        if character.is_control() {
            line.extend(character.escape_default());
        } else {
            line.push(character);
        }
    }
    line
}

/// Line and column of a byte of a text, both from 1, the column in characters.
#[must_use]
pub fn place(text: &str, at: usize) -> (usize, usize) {
    Lines::new(text).place(at)
}

/// Where lines begin.
struct Lines<'t> {
    text: &'t str,
    starts: Vec<usize>,
}

impl<'t> Lines<'t> {
    fn new(text: &'t str) -> Self {
        let breaks = text.bytes().enumerate().filter(|(_, byte)| *byte == b'\n');
        let starts = std::iter::once(0)
            .chain(breaks.map(|(at, _)| at + 1))
            .collect();
        Self { text, starts }
    }

    /// Line and column of a byte, both from 1, the column in characters.
    fn place(&self, at: usize) -> (usize, usize) {
        let line = self.starts.partition_point(|start| *start <= at).max(1);
        let start = self.starts.get(line - 1).copied().unwrap_or(0);
        let before = self
            .text
            .get(start..at.min(self.text.len()))
            .unwrap_or_default();
        (line, before.chars().count() + 1)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_count_characters_and_findings_are_sorted_by_place() {
        let text = "a\nGröße = 1\n";
        let mut report = Report::default();
        report.error(11, "later", "m", "c");
        report.warning(0, "first", "m", "c");
        let findings = report.into_findings(text, "p.toml");
        assert_eq!((findings[0].line, findings[0].column), (1, 1));
        // Byte 11 is the '1' less three characters: ö and ß take two bytes each.
        assert_eq!((findings[1].line, findings[1].column), (2, 8));
    }

    #[test]
    fn a_flood_of_findings_is_cut_and_says_so() {
        let mut report = Report::default();
        for at in 0..FINDINGS_MAX + 7 {
            report.error(at, "x", "m", "c");
        }
        let findings = report.into_findings("", "p.toml");
        assert_eq!(findings.len(), FINDINGS_MAX + 1);
        assert_eq!(
            findings[FINDINGS_MAX].message,
            "7 more findings are not shown"
        );
    }
}
