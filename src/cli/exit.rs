//! How a command ends.

use std::process::ExitCode;

/// Every way of ending, with its code.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Exit {
    /// 0
    Fine,
    /// 1: what was given is wrong.
    Input,
    /// 2: the command's words are wrong.
    Usage,
    /// 3: a condition is not met.
    NotMet,
    /// 4: something could not be reached.
    Unreachable,
}

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> Self {
        Self::from(match exit {
            Exit::Fine => 0,
            Exit::Input => 1,
            Exit::Usage => 2,
            Exit::NotMet => 3,
            Exit::Unreachable => 4,
        })
    }
}
