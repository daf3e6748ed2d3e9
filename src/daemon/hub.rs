//! Where HTTP and the engine's task meet.
//!
//! The engine has one owner. Whoever wants something of it puts an [`Ask`] into a bounded queue and
//! is answered once; what everybody may read without asking (the stream of changes, the counters,
//! whether the loop turns) lies here. It decides nothing about the layout.
//!
//! A snapshot is taken by the engine's task when one is asked for, at most ten times a second, and
//! is shared by all who ask within that time: readers cannot slow detection down.

use std::sync::atomic::{AtomicBool, AtomicU64, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, OnceLock, PoisonError, RwLock};

use serde_json::Value;
use tokio::sync::{mpsc, oneshot, watch};

use super::clock::Clock;
use super::metrics::Metrics;
use super::mqtt::publisher::Publisher;
use super::notify::Notifiers;
use super::packed::Packed;
use super::start;
use super::stream::Stream;
use crate::engine::memory::Memory;
use crate::engine::snapshot::Snapshot;
use crate::engine::time::{Instant, Span};
use crate::plan::{Finding, Plan};
use crate::wire::commands::Target;
use crate::wire::layout_json;
use crate::wire::rights::Rights;
use crate::wire::road_json::NoRoad;

/// How many may wait for an answer; beyond that a request is refused with 503.
pub(super) const ASKS_MAX: usize = 64;
/// The loop turns at least once a second; a process whose loop has not for so long is not healthy.
const TURN_MAX: Span = Span::from_secs(5);

/// What one can ask of the engine's task.
#[derive(Debug)]
pub enum Ask {
    /// Everything, as it is now or was when it last changed.
    Shot(oneshot::Sender<Arc<Shot>>),
    /// The operator's word.
    Order(Order, oneshot::Sender<Answer>),
    /// A new plan.
    Reload(Box<Plan>, oneshot::Sender<Result<(), Vec<Finding>>>),
    /// What must survive a restart.
    Memory(oneshot::Sender<Memory>),
    /// The ways from one block to another, as JSON.
    Road(RoadWanted, oneshot::Sender<Result<String, NoRoad>>),
}

/// Between which blocks a road is asked for, by their written ids.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct RoadWanted {
    /// Where the train stands.
    pub from: Option<String>,
    /// Where it is to go.
    pub to: Option<String>,
}

/// The operator's word, as it came in.
#[derive(Debug)]
pub struct Order {
    /// What kind of item it is about.
    pub target: Target,
    /// What to do.
    pub verb: String,
    /// With which.
    pub id: String,
    /// The JSON body; null where there was none.
    pub body: Value,
}

/// What became of the operator's word.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Answer {
    /// It holds.
    Taken,
    /// There is no such item.
    NotFound,
    /// The body says something else than it may.
    Malformed(String),
    /// It cannot be carried out: why, and what to do instead.
    Refused(String),
}

/// Everything at one moment, and what is needed to show it.
#[derive(Debug)]
pub struct Shot {
    /// The engine's.
    pub snapshot: Snapshot,
    /// The newest change that it contains: a stream goes on after it.
    pub number: u64,
    /// The plan that it belongs to.
    pub names: Arc<LayoutNames>,
    json: OnceLock<Packed>,
}

/// What the shell needs of a plan to show a snapshot.
#[derive(Debug)]
pub struct LayoutNames {
    /// The plan.
    pub plan: Plan,
    /// `layout` of the snapshot as text, ready made: it is the same for all.
    pub json: Arc<str>,
}

impl LayoutNames {
    /// The names of a plan.
    #[must_use]
    pub fn new(plan: Plan) -> Self {
        Self {
            json: layout_json::layout_json(&plan).into(),
            plan,
        }
    }
}

impl Shot {
    /// A shot whose JSON is not made yet.
    #[must_use]
    pub fn new(snapshot: Snapshot, number: u64, names: Arc<LayoutNames>) -> Self {
        Self {
            snapshot,
            number,
            names,
            json: OnceLock::new(),
        }
    }

    /// The JSON, made once for all who want it.
    pub fn json(&self, make: impl FnOnce() -> Packed) -> &Packed {
        self.json.get_or_init(make)
    }
}

/// The hub.
#[derive(Debug)]
pub struct Hub {
    asks: mpsc::Sender<Ask>,
    stop: watch::Receiver<bool>,
    turned: AtomicU64,
    broker_connected: AtomicBool,
    /// The changes.
    pub stream: Stream,
    /// The counters.
    pub metrics: Metrics,
    publisher: Publisher,
    notifiers: Mutex<Notifiers>,
    /// Pages that are open with sound.
    listening: AtomicUsize,
    /// The clock.
    pub clock: Clock,
    /// Who may publish what at the broker inside.
    pub(super) rights: SharedRights,
}

/// Rights that a new plan changes while the broker asks them.
pub(super) type SharedRights = Arc<RwLock<Rights>>;

/// Waits until the daemon stops, or is gone.
pub async fn stopped(stop: &mut watch::Receiver<bool>) {
    // The guard that comes back must not live across an await of whoever waits here.
    drop(stop.wait_for(|stop| *stop).await);
}

/// The engine's task did not answer: it is stopping, or too many wait.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("the daemon is stopping or too busy; try again in a moment")]
pub struct NoAnswer;

impl Hub {
    /// A hub whose asks arrive at the other end of `asks`.
    #[must_use]
    pub fn new(
        asks: mpsc::Sender<Ask>,
        stop: watch::Receiver<bool>,
        metrics: Metrics,
        publisher: Publisher,
        clock: Clock,
        base: u64,
    ) -> Self {
        Self {
            asks,
            stop,
            turned: AtomicU64::new(clock.now().0),
            broker_connected: AtomicBool::new(false),
            stream: Stream::new(base),
            metrics,
            publisher,
            notifiers: Mutex::default(),
            listening: AtomicUsize::new(0),
            clock,
            rights: SharedRights::default(),
        }
    }

    /// The rights are those of another plan from now on.
    pub(super) fn change_rights(&self, plan: &Plan) {
        let mut rights = self.rights.write().unwrap_or_else(PoisonError::into_inner);
        *rights = start::rights_of(plan);
    }

    /// Everything: never behind what was published before the question.
    ///
    /// # Errors
    /// When the engine's task does not answer.
    pub async fn shot(&self) -> Result<Arc<Shot>, NoAnswer> {
        self.ask(Ask::Shot).await
    }

    /// Hands over the operator's word.
    ///
    /// # Errors
    /// When the engine's task does not answer.
    pub async fn order(&self, order: Order) -> Result<Answer, NoAnswer> {
        self.ask(|reply| Ask::Order(order, reply)).await
    }

    /// Changes the plan; with findings, nothing was changed.
    ///
    /// # Errors
    /// When the engine's task does not answer.
    pub async fn reload(&self, plan: Plan) -> Result<Result<(), Vec<Finding>>, NoAnswer> {
        self.ask(|reply| Ask::Reload(Box::new(plan), reply)).await
    }

    /// What must survive a restart.
    ///
    /// # Errors
    /// When the engine's task does not answer.
    pub async fn memory(&self) -> Result<Memory, NoAnswer> {
        self.ask(Ask::Memory).await
    }

    /// The ways from one block to another, as JSON.
    ///
    /// # Errors
    /// When the engine's task does not answer; inside, when it cannot be asked so.
    pub async fn road(&self, wanted: RoadWanted) -> Result<Result<String, NoRoad>, NoAnswer> {
        self.ask(|reply| Ask::Road(wanted, reply)).await
    }

    async fn ask<T>(&self, make: impl FnOnce(oneshot::Sender<T>) -> Ask) -> Result<T, NoAnswer> {
        let (reply, answer) = oneshot::channel();
        self.asks.try_send(make(reply)).map_err(|_| NoAnswer)?;
        answer.await.map_err(|_| NoAnswer)
    }

    /// The engine's loop has turned.
    pub fn turn(&self, now: Instant) {
        self.turned.store(now.0, Ordering::Relaxed);
    }

    /// Whether the engine's loop turned recently.
    #[must_use]
    pub fn is_alive(&self) -> bool {
        let turned = Instant(self.turned.load(Ordering::Relaxed));
        self.clock.now().since(turned) <= TURN_MAX
    }

    /// The broker came or went.
    pub fn set_broker(&self, connected: bool) {
        self.broker_connected.store(connected, Ordering::Relaxed);
    }

    /// Whether the broker is connected.
    #[must_use]
    pub fn broker_connected(&self) -> bool {
        self.broker_connected.load(Ordering::Relaxed)
    }

    /// Whether the daemon can do its work: the broker is connected and has taken what we subscribe
    /// to. A daemon that runs has a plan.
    #[must_use]
    pub fn is_ready(&self) -> bool {
        self.broker_connected() && self.publisher.counters().subscribed
    }

    /// The ways out.
    pub fn notifiers(&self) -> MutexGuard<'_, Notifiers> {
        self.notifiers
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
    }

    /// A page with sound was opened; it is counted until the value is dropped.
    pub fn listen(self: &Arc<Self>) -> Listening {
        self.listening.fetch_add(1, Ordering::Relaxed);
        Listening(self.clone())
    }

    /// Pages that are open with sound.
    #[must_use]
    pub fn listening(&self) -> usize {
        self.listening.load(Ordering::Relaxed)
    }

    /// A page is open with sound, or a way out has answered.
    #[must_use]
    pub fn would_be_heard(&self) -> bool {
        self.listening() > 0 || self.notifiers().any_answers()
    }

    /// Becomes true when the daemon stops: whoever holds a connection open ends it.
    #[must_use]
    pub fn stopping(&self) -> watch::Receiver<bool> {
        self.stop.clone()
    }
}

/// A page that is open with sound.
#[derive(Debug)]
pub struct Listening(Arc<Hub>);

impl Drop for Listening {
    fn drop(&mut self) {
        self.0.listening.fetch_sub(1, Ordering::Relaxed);
    }
}
