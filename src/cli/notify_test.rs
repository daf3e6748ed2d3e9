//! `taillamp notify-test`: one test by each way out of a plan, now, whatever its priority and quiet
//! hours say. Nothing else of the plan is used and no daemon need run.

use std::io::Write as _;
use std::path::PathBuf;

use super::{Exit, plan_file};
use crate::daemon::clock;
use crate::daemon::notify::{Sender, notice};
use crate::plan::Plan;

/// Its arguments.
#[derive(clap::Args, Debug)]
pub struct Args {
    /// The plan file
    #[arg(long, value_name = "FILE")]
    plan: PathBuf,
    /// Only this way out
    #[arg(long)]
    id: Option<String>,
}

/// Runs it: 0 when every test was taken, 4 when one was not, 1 when there is nothing to test.
#[must_use]
pub fn run(args: &Args) -> Exit {
    let plan = match plan_file::load(&args.plan) {
        Ok(plan) => plan,
        Err(exit) => return exit,
    };
    let senders: Vec<Sender> = plan
        .notify
        .iter()
        .filter(|way| args.id.as_ref().is_none_or(|id| *id == way.id))
        .map(|way| Sender::new(way, &plan.notify))
        .collect();
    if senders.is_empty() {
        let ids: Vec<&str> = plan.notify.iter().map(|way| way.id.as_str()).collect();
        match &args.id {
            Some(id) if !ids.is_empty() => {
                complain!("no way out `{id}` in the plan; it has {}", ids.join(", "));
            }
            _ => complain!("the plan has no way out; add a [[notify]]"),
        }
        return Exit::Input;
    }
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build();
    match runtime {
        Ok(runtime) => runtime.block_on(send(&plan, &senders)),
        Err(error) => {
            complain!("the test cannot be set up: {error}");
            Exit::Unreachable
        }
    }
}

async fn send(plan: &Plan, senders: &[Sender]) -> Exit {
    let trial = notice::trial(&plan.layout.name, &plan.topic_prefix, clock::wall_now_us());
    let mut exit = Exit::Fine;
    for sender in senders {
        let line = match sender.send(&trial).await {
            Ok(()) => format!("{}: sent\n", sender.id()),
            Err(failure) => {
                exit = Exit::Unreachable;
                let text: String = failure.text.chars().filter(|c| !c.is_control()).collect();
                complain!("{}: not sent: {text}", sender.id());
                continue;
            }
        };
        // Nobody may be reading; the exit code says it all the same.
        let _ = std::io::stdout().write_all(line.as_bytes());
    }
    exit
}
