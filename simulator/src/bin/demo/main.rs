//! The demo: a fictional layout that runs by itself, watched by the daemon, shown on the page.
//!
//! Inputs: ports, a seed, how long. It starts the daemon with its embedded broker, lets the
//! simulated layout publish to it over MQTT, and tells where the page is. Exit codes are those of
//! `taillamp`.

mod address;
mod layout;
mod words;

use std::future::pending;
use std::net::{Ipv4Addr, SocketAddr};
use std::process::ExitCode;
use std::time::Duration;

use clap::Parser;
use taillamp::cli::Exit;
use taillamp::daemon::journal::Keep;
use taillamp::daemon::{Daemon, Options, StartError};
use taillamp::plan::{Mqtt, Plan};
use taillamp_simulator::demo_plan;
use taillamp_simulator::mishaps::Rates;
use taillamp_simulator::say::{note, tell};
use taillamp_simulator::session::Session;
use taillamp_simulator::world::Settings;
use tokio::signal::unix::{Signal, SignalKind, signal};

use crate::words::Words;

const WATCH_FOR: &str = "\
Watch for: within half a minute the goods train has gone up the branch and points 1 are still
diverging behind it. The page warns of that, and of the passenger train that is bound for them; turn
the sound on to hear it. About half a minute later the operator sets them back. More slips follow:
points, switches, a car left behind, a booster that trips, a device that starts again.";

const CAUTION: &str = "A hobby aid for indoor model layouts, not a safety system: it watches and \
warns, and moves nothing. Look before you move.";

fn main() -> ExitCode {
    let words = Words::parse();
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .enable_all()
        .build();
    match runtime {
        Ok(runtime) => runtime.block_on(demo(&words)).into(),
        Err(error) => refuse(&format!("the demo cannot be set up: {error}")),
    }
}

fn refuse(text: &str) -> ExitCode {
    note(text);
    Exit::Unreachable.into()
}

async fn demo(words: &Words) -> Exit {
    let plan = match demo_plan() {
        Ok(plan) => on_ports(plan, words),
        Err(findings) => {
            note(findings);
            return Exit::Input;
        }
    };
    let settings = Settings::usual(words.seed);
    let session = match Session::new(&plan.layout, &plan.topic_prefix, settings, Rates::DEMO) {
        Ok(session) => session,
        Err(error) => {
            note(error);
            return Exit::Input;
        }
    };
    let (Ok(interrupt), Ok(terminate)) = (
        signal(SignalKind::interrupt()),
        signal(SignalKind::terminate()),
    ) else {
        note("the demo cannot be set up: the system gives it no signals");
        return Exit::Unreachable;
    };
    let name = plan.layout.name.clone();
    let folder = tempfile::tempdir().ok();
    let mut daemon = match Daemon::start(plan, remembering(folder.as_ref())).await {
        Ok(daemon) => daemon,
        Err(error) => {
            note(why_not(&error));
            return Exit::Unreachable;
        }
    };
    let addresses = daemon.addresses();
    let Some(broker) = addresses.mqtt else {
        note("the demo's plan has no embedded broker");
        return Exit::Input;
    };
    greet(&name, addresses.web, words);
    let exit = tokio::select! {
        () = end(words.seconds, interrupt, terminate) => Exit::Fine,
        () = daemon.failed() => {
            note("a part of the daemon ended by itself");
            Exit::Unreachable
        }
        outcome = layout::run(session, broker) => {
            if let Err(error) = outcome {
                note(format_args!("{error:#}"));
            }
            Exit::Unreachable
        }
    };
    daemon.stop().await;
    exit
}

/// The journal of the demo goes away with it; where there is no room for one, there is no past.
fn remembering(folder: Option<&tempfile::TempDir>) -> Options {
    Options {
        journal: folder.map(|folder| Keep {
            path: folder.path().join("quillmere.db"),
            days: 1,
            megabytes: 200,
            raw_megabytes: 0,
        }),
        ..Options::default()
    }
}

/// The demo's plan with the ports that were asked for. The broker takes anybody, and therefore
/// stays on this computer.
fn on_ports(mut plan: Plan, words: &Words) -> Plan {
    let ip = if words.lan {
        Ipv4Addr::UNSPECIFIED
    } else {
        Ipv4Addr::LOCALHOST
    };
    plan.web.listen = SocketAddr::from((ip, words.port));
    plan.mqtt = Mqtt::Embedded {
        listen: SocketAddr::from((Ipv4Addr::LOCALHOST, words.mqtt_port)),
        password_file: None,
        allow_anonymous: true,
        accept_commands: false,
    };
    plan
}

fn greet(name: &str, web: SocketAddr, words: &Words) {
    let page = address::page(web);
    let seed = words.seed;
    tell(format_args!(
        "{name}: an invented layout, simulated (seed {seed})."
    ));
    tell(format_args!("The page: {page}"));
    if words.lan
        && let Some(code) = address::qr(&page)
    {
        tell(code);
    }
    tell(format_args!("{WATCH_FOR}\n{CAUTION}"));
    match words.seconds {
        Some(seconds) => tell(format_args!("It ends after {seconds} s, or with Ctrl-C.")),
        None => tell("It ends with Ctrl-C."),
    }
}

/// A taken port is told by the option that chooses another.
fn why_not(error: &StartError) -> String {
    match error {
        StartError::PortTaken { key, address } => {
            let option = if key.starts_with("[web]") {
                "--port"
            } else {
                "--mqtt-port"
            };
            let port = address.port();
            format!(
                "port {port} is taken: end the program that has it, or choose another ({option})"
            )
        }
        other => other.to_string(),
    }
}

async fn end(seconds: Option<u64>, mut interrupt: Signal, mut terminate: Signal) {
    let over = async {
        match seconds {
            Some(seconds) => tokio::time::sleep(Duration::from_secs(seconds)).await,
            None => pending().await,
        }
    };
    tokio::select! {
        () = over => {}
        _ = interrupt.recv() => {}
        _ = terminate.recv() => {}
    }
}
