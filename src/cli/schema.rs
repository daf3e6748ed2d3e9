//! `taillamp schema`: prints the JSON Schema of the plan file.

use std::io::{self, Write as _};

use super::Exit;
use crate::plan::schema::schema;

/// Its arguments.
#[derive(clap::Args, Debug)]
pub struct Args {}

/// Runs it.
#[must_use]
pub fn run(_args: &Args) -> Exit {
    // A reader that has gone away is no fault of ours.
    let _ = writeln!(io::stdout(), "{:#}", schema());
    Exit::Fine
}
