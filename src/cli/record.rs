//! `taillamp record`: what comes from the broker, written down as it comes, for `replay`.
//!
//! Times count from the start of the recording. What the page says to a daemon does not go through
//! the broker and is not heard; words on `P/do/...` are.

use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::PathBuf;
use std::time::Duration;

use tokio::time::MissedTickBehavior;

use super::ear::{self, Ear, Login};
use super::{Exit, plan_file, record_past};
use crate::daemon::mqtt::client::Arrival;
use crate::daemon::topics;
use crate::wire::recording;

/// Its arguments.
#[derive(clap::Args, Debug)]
pub struct Args {
    /// The plan file
    #[arg(long, value_name = "FILE")]
    plan: PathBuf,
    /// Where the recording goes; - is standard output
    #[arg(short, long, value_name = "FILE")]
    pub(super) output: PathBuf,
    /// Take what the devices said from the journal, not from the broker (needs `raw_mb` there)
    #[arg(long, conflicts_with = "seconds")]
    from_journal: bool,
    /// From this moment on; without it, the newest run of the daemon from its beginning
    #[arg(long, value_name = "TIME", requires = "from_journal")]
    pub(super) from: Option<String>,
    /// Up to this moment
    #[arg(long, value_name = "TIME", requires = "from_journal")]
    pub(super) to: Option<String>,
    /// End after so many seconds; without it, Ctrl-C ends the recording
    #[arg(long, value_name = "N")]
    seconds: Option<f64>,
    #[command(flatten)]
    login: Login,
}

/// What has been written is on its way to the disk so often: a power cut costs no more.
const FLUSH_EVERY: Duration = Duration::from_secs(1);

/// Runs it.
#[must_use]
pub fn run(args: &Args) -> Exit {
    let plan = match plan_file::load(&args.plan) {
        Ok(plan) => plan,
        Err(exit) => return exit,
    };
    if args.from_journal {
        return record_past::run(args, &plan);
    }
    let recorded = ear::runtime().and_then(|runtime| {
        runtime.block_on(async {
            let ear = Ear::open(&plan, &args.login, topics::incoming(&plan, true)).await?;
            write(ear, args).await.map_err(|error| {
                complain!("{}: it cannot be written: {error}", args.output.display());
                Exit::Input
            })
        })
    });
    match recorded {
        Ok(lines) => {
            complain!("{lines} lines recorded");
            Exit::Fine
        }
        Err(exit) => exit,
    }
}

async fn write(mut ear: Ear, args: &Args) -> io::Result<u64> {
    let to: Box<dyn Write> = if args.output.as_os_str() == "-" {
        Box::new(io::stdout())
    } else {
        Box::new(File::create(&args.output)?)
    };
    let mut out = BufWriter::new(to);
    let mut lines = 0;
    let mut flush = tokio::time::interval(FLUSH_EVERY);
    flush.set_missed_tick_behavior(MissedTickBehavior::Delay);
    let end = ear::until(args.seconds);
    tokio::pin!(end);
    let mut last = ear.now();
    writeln!(out, "{}", recording::tick_line(last))?;
    loop {
        let arrival = tokio::select! {
            () = &mut end => break,
            _ = flush.tick() => {
                out.flush()?;
                continue;
            }
            arrival = ear.next() => arrival,
        };
        let line = match arrival {
            Some(Arrival::Message {
                at,
                topic,
                payload,
                retained,
            }) => {
                last = last.max(at);
                recording::message_line(last, &topic, &payload, retained)
            }
            Some(Arrival::Connected { at, .. }) => {
                last = last.max(at);
                recording::broker_line(last, true)
            }
            Some(Arrival::Lost { at }) => {
                last = last.max(at);
                recording::broker_line(last, false)
            }
            None => break,
        };
        writeln!(out, "{line}")?;
        lines += 1;
    }
    // The time until the end belongs to the recording: timers may be due in it.
    writeln!(out, "{}", recording::tick_line(last.max(ear.now())))?;
    out.flush()?;
    ear.close().await;
    Ok(lines)
}
