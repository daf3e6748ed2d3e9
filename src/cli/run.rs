//! `taillamp run`: the daemon in the foreground.
//!
//! Ctrl-C and SIGTERM end it; SIGHUP reads the plan again. Standard output tells once where the
//! page is; the log goes to standard error.

use std::io::{IsTerminal as _, Write as _};
use std::path::PathBuf;

use tokio::signal::unix::{SignalKind, signal};
use tracing_subscriber::filter::Targets;
use tracing_subscriber::layer::SubscriberExt as _;
use tracing_subscriber::util::SubscriberInitExt as _;

use super::{Exit, address, plan_file};
use crate::daemon::journal::Keep;
use crate::daemon::service::Service;
use crate::daemon::{Addresses, Daemon, Options, StartError};
use crate::plan::Plan;

/// Its arguments.
#[derive(clap::Args, Debug)]
pub struct Args {
    /// The plan file
    #[arg(long, value_name = "FILE")]
    plan: PathBuf,
    /// How the log is written
    #[arg(long, value_enum, default_value_t = LogFormat::Text)]
    log_format: LogFormat,
    /// Write nothing down: the next start remembers nothing
    #[arg(long)]
    no_journal: bool,
}

/// How the log is written.
#[derive(clap::ValueEnum, Clone, Copy, Debug, PartialEq, Eq)]
pub enum LogFormat {
    /// For people
    Text,
    /// One JSON object a line
    Json,
}

/// Runs it.
#[must_use]
pub fn run(args: &Args) -> Exit {
    start_log(args.log_format);
    let plan = match plan_file::load_with_warnings(&args.plan) {
        Ok((plan, warnings)) => {
            for finding in warnings {
                // All of it in one line, as `check` shows it in two.
                let place = format!("{}:{}:{}", finding.file, finding.line, finding.column);
                let (message, cure) = (finding.message, finding.cure);
                tracing::warn!(%place, code = finding.code, %cure, "the plan: {message}");
            }
            plan
        }
        Err(exit) => return exit,
    };
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .enable_all()
        .build();
    let runtime = match runtime {
        Ok(runtime) => runtime,
        Err(error) => {
            complain!("the daemon cannot be set up: {error}");
            return Exit::Unreachable;
        }
    };
    runtime.block_on(watch_layout(plan, args))
}

/// The log goes to standard error; `RUST_LOG` chooses levels, `info` unless it is set.
fn start_log(format: LogFormat) {
    let levels = std::env::var("RUST_LOG").unwrap_or_default();
    let levels = levels_of(&levels).unwrap_or_else(|_| {
        complain!(
            "RUST_LOG={levels} is not understood, so it is info; write error, warn, info, debug, \
             trace or off, alone or for a part of the program: taillamp::daemon=debug"
        );
        Targets::new().with_default(tracing::Level::INFO)
    });
    let builder = tracing_subscriber::fmt()
        .with_max_level(tracing::Level::TRACE)
        .with_writer(std::io::stderr)
        // It would tell of a log that nobody reads where nobody reads, and panic.
        .log_internal_errors(false)
        .with_ansi(std::io::stderr().is_terminal());
    // A second logger is refused; the first one stays.
    let _ = match format {
        LogFormat::Text => builder.with_target(false).finish().with(levels).try_init(),
        LogFormat::Json => {
            let builder = builder.json().flatten_event(true);
            builder.finish().with(levels).try_init()
        }
    };
}

/// Levels by part of the program, as in `debug` or `warn,taillamp::daemon=debug`; where no level
/// stands alone, it is `info`.
fn levels_of(text: &str) -> Result<Targets, tracing_subscriber::filter::ParseError> {
    let levels: Targets = if text.trim().is_empty() {
        Targets::new()
    } else {
        text.parse()?
    };
    Ok(match levels.default_level() {
        None => levels.with_default(tracing::Level::INFO),
        Some(_) => levels,
    })
}

async fn watch_layout(plan: Plan, args: &Args) -> Exit {
    let name = plan.layout.name.clone();
    let secure = plan.web.tls.is_some();
    let signals = (
        signal(SignalKind::interrupt()),
        signal(SignalKind::terminate()),
        signal(SignalKind::hangup()),
    );
    let (Ok(mut interrupt), Ok(mut terminate), Ok(mut hangup)) = signals else {
        complain!("the daemon cannot be set up: the system gives it no signals");
        return Exit::Unreachable;
    };
    let options = Options {
        plan_file: Some(args.plan.clone()),
        memory: None,
        journal: (!args.no_journal).then(|| Keep::of(&plan.journal)),
    };
    let mut daemon = match Daemon::start(plan, options).await {
        Ok(daemon) => daemon,
        Err(error) => {
            complain!("{error}");
            return exit_of(&error);
        }
    };
    greet(&name, daemon.addresses(), secure);
    let service = Service::ready(daemon.hub(), &format!("Watches {name}"));
    let exit = loop {
        tokio::select! {
            _ = interrupt.recv() => break Exit::Fine,
            _ = terminate.recv() => break Exit::Fine,
            _ = hangup.recv() => {
                // What came of it is in the log and in the metrics.
                let _ = daemon.reload_file().await;
            }
            () = daemon.failed() => {
                tracing::error!("a part of the daemon ended; the rest is stopped");
                break Exit::Unreachable;
            }
        }
    };
    service.stopping();
    daemon.stop().await;
    exit
}

fn greet(name: &str, addresses: Addresses, secure: bool) {
    let page = address::page(addresses.web, secure);
    let mut text = format!("Taillamp watches {name}. The page: {page}\n");
    if let Some(mqtt) = addresses.mqtt {
        text.push_str(&format!("Devices publish to {}.\n", address::broker(mqtt)));
    }
    text.push_str(
        "A hobby aid: it watches and warns. It is not a safety system; look before you move.\n",
    );
    // Nobody may be reading: the daemon watches all the same.
    let _ = std::io::stdout().write_all(text.as_bytes());
}

const fn exit_of(error: &StartError) -> Exit {
    match error {
        StartError::PortTaken { .. } | StartError::Listen { .. } | StartError::Setup(_) => {
            Exit::Unreachable
        }
        StartError::File { .. }
        | StartError::Users { .. }
        | StartError::Pin { .. }
        | StartError::Tls { .. }
        | StartError::Journal { .. }
        | StartError::Url { .. } => Exit::Input,
    }
}

#[cfg(test)]
mod tests {
    use tracing::Level;

    use super::levels_of;

    #[test]
    fn levels_of_the_log_are_info_unless_told_otherwise() {
        let tells = |text: &str, target: &str, level: Level| {
            levels_of(text)
                .expect("levels")
                .would_enable(target, &level)
        };
        let daemon = "taillamp::daemon::outlet";
        for text in ["", "  ", "rumqttc=warn"] {
            assert!(tells(text, daemon, Level::INFO), "{text:?}");
            assert!(!tells(text, daemon, Level::DEBUG), "{text:?}");
        }
        assert!(tells("debug", daemon, Level::DEBUG));
        let parts = "warn,taillamp::daemon=debug";
        assert!(tells(parts, daemon, Level::DEBUG));
        assert!(!tells(parts, "taillamp::cli", Level::INFO));
        assert!(!tells("off", daemon, Level::ERROR));
        assert!(levels_of("taillamp=loud").is_err());
    }
}
