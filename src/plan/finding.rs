//! What `check` finds: where, what is wrong, what to do.

/// How bad.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Level {
    /// The plan cannot be used.
    Error,
    /// The plan can be used, and something will not work as its owner thinks.
    Warning,
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
