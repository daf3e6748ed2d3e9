//! The command line: one file a command.

/// Runs the program and says how it ended.
#[must_use]
pub fn main() -> std::process::ExitCode {
    std::process::ExitCode::SUCCESS
}
