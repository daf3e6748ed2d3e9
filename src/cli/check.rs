//! `taillamp check`.

use super::Exit;

/// Its arguments.
#[derive(clap::Args, Debug)]
pub struct Args {}

/// Runs it.
#[must_use]
pub fn run(_args: &Args) -> Exit {
    Exit::Fine
}
