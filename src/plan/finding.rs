//! What `check` finds: where, what is wrong, what to do; as text and as JSON.
//!
//! Input: the finding itself. It does not know how it was found.

use std::fmt;

/// How bad.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Level {
    /// The plan cannot be used.
    Error,
    /// The plan can be used, and something will not work as its owner thinks.
    Warning,
}

impl Level {
    /// The word in text and JSON.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Error => "error",
            Self::Warning => "warning",
        }
    }
}

/// One finding.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Finding {
    /// How bad.
    pub level: Level,
    /// The plan's file.
    pub file: String,
    /// From 1.
    pub line: usize,
    /// From 1, in characters.
    pub column: usize,
    /// A short fixed word for programs: `unknown-key`, `id-twice`...
    pub code: &'static str,
    /// What is wrong.
    pub message: String,
    /// What to do.
    pub cure: String,
}

impl Finding {
    /// The object in the `findings` of `check --json`.
    #[must_use]
    pub fn to_json(&self) -> serde_json::Value {
        serde_json::json!({
            "level": self.level.word(),
            "file": self.file,
            "line": self.line,
            "column": self.column,
            "code": self.code,
            "message": self.message,
            "cure": self.cure,
        })
    }
}

/// `file:line:column: error[code]: message`, and the cure on a line of its own.
impl fmt::Display for Finding {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self {
            level,
            file,
            line,
            column,
            code,
            message,
            cure,
        } = self;
        let level = level.word();
        write!(
            f,
            "{file}:{line}:{column}: {level}[{code}]: {message}\n  cure: {cure}"
        )
    }
}
