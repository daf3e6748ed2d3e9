//! `taillamp acl`: who may publish what, as the access list of a Mosquitto broker.

use std::io::Write as _;
use std::path::PathBuf;

use super::{Exit, plan_file};
use crate::wire::rights::Rights;

/// Its arguments.
#[derive(clap::Args, Debug)]
pub struct Args {
    /// The plan file
    #[arg(long, value_name = "FILE")]
    plan: PathBuf,
    /// A user that may give the operator's words; may be given several times
    #[arg(long, value_name = "USER")]
    operator: Vec<String>,
}

/// Runs it.
#[must_use]
pub fn run(args: &Args) -> Exit {
    let is_name = |user: &&String| !user.is_empty() && !user.contains(char::is_control);
    if !args.operator.iter().all(|user| is_name(&user)) {
        complain!("--operator: a user's name has at least one character and no control characters");
        return Exit::Usage;
    }
    let plan = match plan_file::load(&args.plan) {
        Ok(plan) => plan,
        Err(exit) => return exit,
    };
    let text = Rights::new(&plan).mosquitto(&args.operator);
    // A reader that has gone away is no fault of ours.
    let _ = std::io::stdout().write_all(text.as_bytes());
    Exit::Fine
}
