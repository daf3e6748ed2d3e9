//! The ear of `listen` and `record`: a client of the plan's broker that only hears.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use anyhow::Context as _;
use tokio::sync::mpsc;

use super::Exit;
use crate::daemon::clock::Clock;
use crate::daemon::mqtt::client::{Arrival, Client, ClientConfig};
use crate::daemon::mqtt::publisher::Publisher;
use crate::daemon::reach;
use crate::engine::time::Instant;
use crate::plan::{Mqtt, Plan};

/// Messages that may wait to be written.
const ARRIVALS_MAX: usize = 8_192;
/// How long the broker may take to let us in.
const CONNECT_MAX: Duration = Duration::from_secs(10);

/// How to log in where the plan alone does not say.
#[derive(clap::Args, Debug)]
pub struct Login {
    /// The user to log in with, instead of the plan's
    #[arg(long)]
    user: Option<String>,
    /// A file with this user's password alone in it
    #[arg(long, value_name = "FILE", requires = "user")]
    password_file: Option<PathBuf>,
}

/// A connection that stands.
#[derive(Debug)]
pub(super) struct Ear {
    arrivals: mpsc::Receiver<Arrival>,
    publisher: Publisher,
    clock: Clock,
}

impl Ear {
    /// Connects; messages with times since `clock` follow.
    ///
    /// # Errors
    /// How to end, when there is no broker or the login is wrong; why was printed.
    pub(super) async fn open(
        plan: &Plan,
        login: &Login,
        filters: Vec<String>,
    ) -> Result<Self, Exit> {
        let mut config = config(plan, login).map_err(|error| {
            complain!("{error:#}");
            Exit::Input
        })?;
        config.subscriptions = filters;
        let url = config.url.clone();
        let clock = Clock::start();
        let reading = clock.clone();
        config.clock = Arc::new(move || reading.now());
        let (sender, mut arrivals) = mpsc::channel(ARRIVALS_MAX);
        let publisher = Client::start(config, sender).map_err(|error| {
            complain!("[mqtt] url in the plan: {error}");
            Exit::Input
        })?;
        let first = tokio::time::timeout(CONNECT_MAX, arrivals.recv()).await;
        if matches!(first, Ok(Some(Arrival::Connected { .. }))) {
            return Ok(Self {
                arrivals,
                publisher,
                clock,
            });
        }
        let why = publisher.counters().last_error;
        let why = why.unwrap_or_else(|| "it does not answer".into());
        complain!("{url}: no broker: {why}; is the daemon or the broker running?");
        Err(Exit::Unreachable)
    }

    /// The next thing heard. Cancelling loses nothing.
    pub(super) async fn next(&mut self) -> Option<Arrival> {
        self.arrivals.recv().await
    }

    /// Now.
    pub(super) fn now(&self) -> Instant {
        self.clock.now()
    }

    /// Says goodbye.
    pub(super) async fn close(self) {
        self.publisher.stop().await;
    }
}

fn config(plan: &Plan, login: &Login) -> anyhow::Result<ClientConfig> {
    let clock = Arc::new(Instant::default);
    // Two that hear at once must not throw each other out.
    let id = format!("taillamp-ear-{}", std::process::id());
    let mut config = match &plan.mqtt {
        Mqtt::Embedded { listen, .. } => {
            ClientConfig::new(&format!("mqtt://{}", reach(*listen)), &id, clock)
        }
        Mqtt::External {
            url,
            user,
            password_file,
            ca_file,
            ..
        } => {
            let mut config = ClientConfig::new(url, &id, clock);
            config.user.clone_from(user);
            config.ca_file.clone_from(ca_file);
            if let Some(file) = password_file.as_deref().filter(|_| login.user.is_none()) {
                config.password = Some(password(file)?);
            }
            config
        }
    };
    if let Some(user) = &login.user {
        config.user = Some(user.clone());
        config.password = match &login.password_file {
            Some(file) => Some(password(file)?),
            None => None,
        };
    }
    Ok(config)
}

fn password(file: &Path) -> anyhow::Result<String> {
    let text = std::fs::read_to_string(file)
        .with_context(|| format!("{}: the password cannot be read", file.display()))?;
    Ok(text.trim_end().to_owned())
}

/// Ends when the user asks for it, or after so many seconds.
pub(super) async fn until(seconds: Option<f64>) {
    let time = async {
        match seconds.and_then(|seconds| Duration::try_from_secs_f64(seconds).ok()) {
            Some(time) => tokio::time::sleep(time).await,
            None => std::future::pending().await,
        }
    };
    tokio::select! {
        () = time => {}
        // Where the system gives no signals, there is no Ctrl-C to wait for.
        Ok(()) = tokio::signal::ctrl_c() => {}
    }
}

/// A runtime for one connection.
///
/// # Errors
/// How to end; why was printed.
pub(super) fn runtime() -> Result<tokio::runtime::Runtime, Exit> {
    tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|error| {
            complain!("the system gives nothing to work with: {error}");
            Exit::Unreachable
        })
}
