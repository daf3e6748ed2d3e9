//! Writes a session on the demo's layout as a recording: the contract's JSON lines.
//!
//! Inputs: seconds, a seed, how much goes wrong. Output: lines on standard output; with `--log`,
//! what was done and what went wrong on standard error.

use std::io::{self, Write};

use anyhow::{Context, Result, anyhow};
use clap::{Parser, ValueEnum};
use taillamp::engine::time::Instant;
use taillamp_simulator::mishaps::Rates;
use taillamp_simulator::recording::line;
use taillamp_simulator::say::note;
use taillamp_simulator::session::Session;
use taillamp_simulator::world::Settings;
use taillamp_simulator::world::track::Piece;
use taillamp_simulator::{DEMO_PLAN, demo_plan};

/// Writes a simulated session on the demo's layout as a recording.
#[derive(Debug, Parser)]
struct Words {
    /// How long the session lasts.
    #[arg(long, default_value_t = 120)]
    seconds: u64,
    /// Everything that chance decides.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// How much goes wrong.
    #[arg(long, value_enum, default_value_t = Mishaps::Demo)]
    mishaps: Mishaps,
    /// Clean track, quiet detectors, a perfect network.
    #[arg(long)]
    ideal: bool,
    /// Tell on standard error what was done and what went wrong.
    #[arg(long)]
    log: bool,
    /// Tell on standard error where every train is, every so many seconds.
    #[arg(long, default_value_t = 0)]
    trains: u64,
    /// Write the plan instead of a recording.
    #[arg(long)]
    plan: bool,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
enum Mishaps {
    Off,
    Forgetful,
    Demo,
    Rough,
}

fn main() -> Result<()> {
    let words = Words::parse();
    let mut out = io::BufWriter::new(io::stdout().lock());
    if words.plan {
        write!(out, "{DEMO_PLAN}")?;
        return Ok(out.flush()?);
    }
    let plan = demo_plan().map_err(|why| anyhow!(why))?;
    let settings = if words.ideal {
        Settings::ideal(words.seed)
    } else {
        Settings::usual(words.seed)
    };
    let rates = match words.mishaps {
        Mishaps::Off => Rates::OFF,
        Mishaps::Forgetful => Rates::FORGETFUL,
        Mishaps::Demo => Rates::DEMO,
        Mishaps::Rough => Rates::ROUGH,
    };
    let mut session = Session::new(&plan.layout, &plan.topic_prefix, settings, rates)
        .context("the demo's plan and its operator do not fit")?;
    writeln!(out, r#"{{"t":{}}}"#, Instant(0))?;
    let mut told = 0;
    for second in 1..=words.seconds {
        for message in session.run_to(Instant(second * 1_000_000)) {
            writeln!(out, "{}", line(&message))?;
        }
        let log = session.log();
        if words.log {
            for entry in log.iter().skip(told) {
                note(format_args!("{} {:?}", entry.at, entry.what));
            }
        }
        told = log.len();
        if words.trains > 0 && second % words.trains == 0 {
            tell_trains(&session);
        }
    }
    writeln!(out, r#"{{"t":{}}}"#, Instant(words.seconds * 1_000_000))?;
    Ok(out.flush()?)
}

/// Where every train is, one line each.
fn tell_trains(session: &Session) {
    let truth = session.truth();
    let blocks = &session.world().layout().blocks;
    let turnouts = &session.world().layout().turnouts;
    for train in &truth.trains {
        let names = train.pieces.iter().map(|piece| match piece {
            Piece::Block(block) => blocks[block.index()].id.as_str(),
            Piece::Turnout(turnout, _) => turnouts[turnout.index()].id.as_str(),
            Piece::Crossing(..) => "crossing",
        });
        let names: Vec<&str> = names.collect();
        note(format_args!(
            "{} {}: {} at {:.0} mm/s",
            truth.at,
            train.name,
            names.join(" "),
            train.speed_mm_s
        ));
    }
}
