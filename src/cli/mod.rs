//! The command line: one file a command, one exit code for each way of ending.

use clap::{CommandFactory as _, Parser, Subcommand};

/// A line for people, on standard error. `eprintln!` panics where nobody reads that any more
/// (`2>&1 | head`), and a panic ends the daemon.
macro_rules! complain {
    ($($what:tt)*) => {{
        use std::io::Write as _;
        let _ = writeln!(std::io::stderr(), $($what)*);
    }};
}

pub mod acl;
mod address;
pub mod calibrate;
pub mod check;
mod ear;
pub mod exit;
pub mod export;
mod html;
pub mod init;
pub mod journal;
pub mod line_up;
pub mod listen;
pub mod notify_test;
mod plan_file;
mod prompt;
mod question;
pub mod record;
mod record_past;
pub mod replay;
pub mod report;
pub mod road;
pub mod run;
pub mod schema;
pub mod set_out;
pub mod walk;

pub use exit::Exit;

/// Train detection and block occupancy for model railways.
///
/// A hobby aid for indoor model layouts: it watches and warns, it never throws a point or switches
/// power, and it is not a safety system.
#[derive(Parser, Debug)]
#[command(name = "taillamp", version, arg_required_else_help = true)]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand, Debug)]
enum Command {
    /// Ask four questions and write a first plan, a password file and a PIN
    Init(init::Args),
    /// Show every topic that the plan does not know
    Listen(listen::Args),
    /// Run the daemon
    Run(run::Args),
    /// Validate a plan
    Check(check::Args),
    /// Feed a recording through the engine
    Replay(replay::Args),
    /// Write a recording from the broker
    Record(record::Args),
    /// Write the report of an evening, from the journal
    Report(report::Args),
    /// Write events of the journal as a CSV table
    Export(export::Args),
    /// List what is not as it should be before running
    LineUp(line_up::Args),
    /// Measure detectors, live or on a recording, and propose their thresholds
    Calibrate(calibrate::Args),
    /// List the ways from one block to another, and what to set for each
    Road(road::Args),
    /// Walk a car round the layout and check that each detector answers
    Walk(walk::Args),
    /// Work out clearance points, gaps, beams and resistor wheelsets
    SetOut(set_out::Args),
    /// Print the access list of a Mosquitto broker for a plan
    Acl(acl::Args),
    /// Send a test by each way out of a plan
    NotifyTest(notify_test::Args),
    /// Print the JSON Schema of the plan file
    Schema(schema::Args),
}

/// The commands and their options, for whoever makes man pages and completions of them.
#[must_use]
pub fn command() -> clap::Command {
    Cli::command()
}

/// Runs the program and says how it ended.
#[must_use]
pub fn main() -> std::process::ExitCode {
    let exit = match Cli::parse().command {
        Command::Init(args) => init::run(&args),
        Command::Listen(args) => listen::run(&args),
        Command::Run(args) => run::run(&args),
        Command::Check(args) => check::run(&args),
        Command::Replay(args) => replay::run(&args),
        Command::Record(args) => record::run(&args),
        Command::Report(args) => report::run(&args),
        Command::Export(args) => export::run(&args),
        Command::LineUp(args) => line_up::run(&args),
        Command::Calibrate(args) => calibrate::run(&args),
        Command::Road(args) => road::run(&args),
        Command::SetOut(args) => set_out::run(&args),
        Command::Walk(args) => walk::run(&args),
        Command::Acl(args) => acl::run(&args),
        Command::NotifyTest(args) => notify_test::run(&args),
        Command::Schema(args) => schema::run(&args),
    };
    exit.into()
}
