//! The command line: one file a command, one exit code for each way of ending.

use clap::{CommandFactory as _, Parser, Subcommand};

pub mod acl;
mod address;
pub mod calibrate;
pub mod check;
mod ear;
pub mod exit;
pub mod init;
pub mod line_up;
pub mod listen;
pub mod notify_test;
mod plan_file;
mod question;
pub mod record;
pub mod replay;
pub mod road;
pub mod run;
pub mod schema;
pub mod set_out;

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
    /// List what is not as it should be before running
    LineUp(line_up::Args),
    /// Measure detectors on a recording and propose their thresholds
    Calibrate(calibrate::Args),
    /// List the ways from one block to another, and what to set for each
    Road(road::Args),
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
        Command::LineUp(args) => line_up::run(&args),
        Command::Calibrate(args) => calibrate::run(&args),
        Command::Road(args) => road::run(&args),
        Command::SetOut(args) => set_out::run(&args),
        Command::Acl(args) => acl::run(&args),
        Command::NotifyTest(args) => notify_test::run(&args),
        Command::Schema(args) => schema::run(&args),
    };
    exit.into()
}
