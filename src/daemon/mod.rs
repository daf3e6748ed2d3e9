//! The shell: the only place with tokio, sockets and a clock.
//!
//! [`Daemon`] is the whole of it: broker, client, engine's task, page. It can be embedded, as tests
//! and the demo do; the caller owns the runtime, the logger and the signals. What the layout's
//! state is, the engine decides; the shell carries.
//!
//! Reading order: `start`, [`mqtt`], `engine_task`, `outlet`, [`hub`], [`http`].

pub mod acts;
pub mod clock;
mod desk;
mod engine_task;
pub mod http;
pub mod hub;
pub mod journal;
mod last_words;
mod log_limit;
pub mod metrics;
pub mod mqtt;
pub mod notify;
mod outlet;
pub mod packed;
mod reading;
pub mod reload;
mod say;
mod scribe;
pub mod service;
pub mod show;
mod start;
pub mod stream;
pub mod topics;

use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use tokio::sync::{mpsc, watch};
use tokio::task::JoinHandle;

use crate::engine::Engine;
use crate::engine::memory::Memory;
use crate::plan::{Finding, Mqtt, Plan};
use crate::wire::topics::TopicTable;
use clock::Clock;
use desk::Desk;
use engine_task::EngineTask;
use hub::{Hub, LayoutNames, NoAnswer};
use journal::{Journal, Keep, RetainedInJournal};
use last_words::LastWords;
use log_limit::LogLimit;
use metrics::Metrics;
use mqtt::broker::Broker;
use mqtt::client::{Client, ClientConfig};
use mqtt::publisher::Publisher;
use outlet::Outlet;
use reload::ReloadError;
use scribe::Scribe;
pub use start::{StartError, reach};

/// Messages that may wait for the engine.
const ARRIVALS_MAX: usize = 8_192;
/// How long the daemon's own broker may take to let it in.
const READY_MAX: Duration = Duration::from_secs(5);
/// The time between two looks at it.
const READY_LOOK: Duration = Duration::from_millis(5);
/// How long a task may take to end when the daemon stops.
const STOP_MAX: Duration = Duration::from_secs(5);

/// How to run, beside the plan.
#[derive(Clone, Debug, Default)]
pub struct Options {
    /// Where the plan came from: it is read again on [`Daemon::reload_file`] and on request.
    pub plan_file: Option<PathBuf>,
    /// What an earlier run has remembered (rule B8); it goes before what the journal says.
    pub memory: Option<Memory>,
    /// Where the journal is; `None`: nothing is written down.
    pub journal: Option<Keep>,
}

/// Where a running daemon is reached.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Addresses {
    /// The page and the API.
    pub web: SocketAddr,
    /// The embedded broker, where there is one.
    pub mqtt: Option<SocketAddr>,
}

/// A running daemon. Dropping it stops it too, without waiting.
#[derive(Debug)]
pub struct Daemon {
    addresses: Addresses,
    plan_file: Option<PathBuf>,
    hub: Arc<Hub>,
    publisher: Publisher,
    broker: Option<Broker>,
    journal: Option<Journal>,
    stop: watch::Sender<bool>,
    engine: JoinHandle<()>,
    web: JoinHandle<()>,
}

impl Daemon {
    /// Binds everything, then runs until [`Daemon::stop`]. Must be called inside a tokio runtime.
    /// Port 0 in the plan takes any free one: see [`Daemon::addresses`].
    ///
    /// # Errors
    /// When a port is taken or a file that the plan names cannot be used: which key, and the cure.
    /// An external broker that is not there is no error; it may come later.
    pub async fn start(plan: Plan, options: Options) -> Result<Self, StartError> {
        let listener = start::listen(&plan.web).await?;
        let web = listener
            .local_addr()
            .map_err(|error| StartError::Setup(error.to_string()))?;
        let pin = start::pin(&plan.web)?;
        let tls = start::tls(&plan.web)?;
        let rights = start::rights(&plan);
        let clock = Clock::start();
        let metrics = Metrics::new().map_err(|error| StartError::Setup(error.to_string()))?;
        let (journal, left) = start::journal(options.journal, &clock, &metrics)?;
        let memory = options.memory.or(left.memory);
        let prefix = &plan.topic_prefix;
        let retained = journal
            .clone()
            .map(|journal| RetainedInJournal::new(journal, left.retained, prefix));
        let (broker, way) = start::broker(&plan.mqtt, &rights, retained)?;

        let (stop, stopping) = watch::channel(false);
        let (asks, asked) = mpsc::channel(hub::ASKS_MAX);
        let (arrivals, arrived) = mpsc::channel(ARRIVALS_MAX);
        let config = client_config(&plan, way, clock.clone());
        let client = Client::start(config, arrivals).map_err(|error| StartError::Url { error });
        let publisher = match client {
            Ok(publisher) => publisher,
            Err(error) => {
                if let Some(broker) = broker {
                    broker.stop().await;
                }
                return Err(error);
            }
        };

        let base = start::stream_base();
        let out = publisher.clone();
        let mut hub = Hub::new(asks, stopping.clone(), metrics, out, clock, base);
        hub.rights = rights;
        let hub = Arc::new(hub);
        let names = http::Names::new(web, &plan.web.allowed_hosts);
        let sessions = http::Sessions::new(pin, tls.is_some());
        let plan_file = options.plan_file.clone();
        let router = http::router(hub.clone(), names, sessions, plan_file, journal.clone());
        let server = http::server::serve(listener, tls, router, hub.clone(), stopping.clone());
        let task = engine_task(
            plan,
            (memory, journal.clone()),
            &hub,
            &publisher,
            arrived,
            asked,
            stopping,
        );
        let addresses = Addresses {
            web,
            mqtt: broker.as_ref().map(Broker::addr),
        };
        let daemon = Self {
            addresses,
            plan_file: options.plan_file,
            hub,
            publisher,
            broker,
            journal,
            stop,
            engine: tokio::spawn(task.run()),
            web: tokio::spawn(server),
        };
        daemon.begun().await;
        Ok(daemon)
    }

    async fn begun(&self) {
        if self.broker.is_some() {
            // Our own broker is there already: whoever publishes after the start is heard.
            let ready = tokio::time::timeout(READY_MAX, self.ready());
            if ready.await.is_err() {
                tracing::warn!("the daemon's own broker takes its time");
            }
        }
        let Addresses { web, mqtt } = self.addresses;
        tracing::info!(%web, ?mqtt, "started");
    }

    /// Waits until the broker is connected and every subscription stands.
    pub async fn ready(&self) {
        while !self.hub.is_ready() {
            tokio::time::sleep(READY_LOOK).await;
        }
    }

    /// Where it is reached.
    #[must_use]
    pub fn addresses(&self) -> Addresses {
        self.addresses
    }

    /// The hub: snapshots, changes and counters, for whoever embeds the daemon.
    #[must_use]
    pub fn hub(&self) -> &Arc<Hub> {
        &self.hub
    }

    /// Changes the plan. Items whose id and ends are unchanged keep what a restart would keep.
    /// What the shell was started with (topic prefix, broker, page) needs a restart; a plan that
    /// changes it is refused whole, with findings, and nothing has changed.
    ///
    /// # Errors
    /// When the daemon is stopping.
    pub async fn reload(&self, plan: Plan) -> Result<Result<(), Vec<Finding>>, NoAnswer> {
        self.hub.reload(plan).await
    }

    /// Reads the plan file again and changes to it; the warnings. A bad plan changes nothing.
    ///
    /// # Errors
    /// When there is no plan file, it cannot be read, or it has errors.
    pub async fn reload_file(&self) -> Result<Vec<Finding>, ReloadError> {
        let file = self.plan_file.as_deref().ok_or(ReloadError::NoFile)?;
        reload::from_file(&self.hub, file).await
    }

    /// What must survive a restart (rule B8), to be given to [`Options`] of the next run.
    ///
    /// # Errors
    /// When the daemon is stopping.
    pub async fn memory(&self) -> Result<Memory, NoAnswer> {
        self.hub.memory().await
    }

    /// Waits for the end of the engine's task or of the server, which should not come by itself.
    pub async fn failed(&mut self) {
        // A task that ends without being told to is the news, however it ended.
        tokio::select! {
            _ = &mut self.engine => {}
            _ = &mut self.web => {}
        }
    }

    /// Stops: page, engine, then the client's goodbye (`P/status` says offline), then the broker.
    pub async fn stop(self) {
        // Nobody listens any more only when everything has ended already.
        let _ = self.stop.send(true);
        for task in [self.web, self.engine] {
            // One whose end was waited for already must not be waited for again.
            if task.is_finished() {
                continue;
            }
            if tokio::time::timeout(STOP_MAX, task).await.is_err() {
                tracing::warn!("a task did not end in time");
            }
        }
        // What waits to be sent would wait for nobody.
        self.hub.notifiers().renew(&[]);
        self.publisher.stop().await;
        if let Some(broker) = self.broker {
            broker.stop().await;
        }
        if let Some(journal) = self.journal {
            journal.stop().await;
        }
        tracing::info!("stopped");
    }
}

fn engine_task(
    plan: Plan,
    (memory, journal): (Option<Memory>, Option<Journal>),
    hub: &Arc<Hub>,
    publisher: &Publisher,
    arrivals: mpsc::Receiver<mqtt::client::Arrival>,
    asks: mpsc::Receiver<hub::Ask>,
    stop: watch::Receiver<bool>,
) -> EngineTask {
    let at = engine_task::whole_millis(hub.clock.now());
    let layout = plan.layout.clone();
    let mut engine = match &memory {
        Some(memory) => Engine::recall(layout, at, memory),
        None => Engine::new(layout, at),
    };
    let table = TopicTable::new(&plan);
    let desk = Desk::new(&plan);
    let names = Arc::new(LayoutNames::new(plan));
    hub.notifiers().renew(&names.plan.notify);
    let scribe = journal.map(Scribe::new);
    let mut outlet = Outlet::new(publisher.clone(), hub.clone(), names.clone(), scribe);
    outlet.begin(&mut engine);
    EngineTask {
        engine,
        hub: hub.clone(),
        outlet,
        names,
        table,
        desk,
        last_words: LastWords::default(),
        arrivals,
        asks,
        stop,
        log: LogLimit::default(),
        shot: None,
        wanted: Vec::new(),
        tick_due: at,
        inputs: Vec::new(),
        recalled: memory,
        journal_well: true,
    }
}

fn client_config(plan: &Plan, way: start::Way, clock: Clock) -> ClientConfig {
    let accept_commands = match &plan.mqtt {
        Mqtt::Embedded {
            accept_commands, ..
        }
        | Mqtt::External {
            accept_commands, ..
        } => *accept_commands,
    };
    // The name is the layout's, so that a daemon that is started twice throws the older one out
    // instead of leaving two that publish on the same topics.
    let id = format!("taillamp-{}", plan.topic_prefix);
    let mut config = ClientConfig::new(&way.url, &id, Arc::new(move || clock.now()));
    config.user = way.user;
    config.password = way.password;
    config.ca_file = way.ca_file;
    config.subscriptions = topics::subscriptions(plan, accept_commands);
    config.status_topic = Some(format!("{}/status", plan.topic_prefix));
    config
}
