//! The engine's task: the one owner of the engine.
//!
//! In: what arrives from the broker, in its order and with the time of its arrival; questions and
//! the operator's words; the passing of time. Out: through [`Outlet`], after each batch. It sleeps
//! until the engine's next deadline. Time never overtakes what has arrived: as long as something
//! waits in the queue, it runs only to the arrival that was taken last.

use std::sync::Arc;

use bytes::Bytes;
use tokio::sync::{mpsc, oneshot, watch};

use super::acts::Act;
use super::desk::Desk;
use super::hub::{Answer, Ask, Hub, LayoutNames, Order, RoadWanted, Shot, stopped};
use super::last_words::LastWords;
use super::log_limit::LogLimit;
use super::mqtt::client::Arrival;
use super::outlet::Outlet;
use super::reload;
use crate::engine::Engine;
use crate::engine::input::{Input, Outcome};
use crate::engine::memory::Memory;
use crate::engine::time::{Instant, Span};
use crate::plan::{Finding, Plan};
use crate::wire::commands;
use crate::wire::memory_json;
use crate::wire::payload::{self, Refusal};
use crate::wire::road_json::{Standing, road_json};
use crate::wire::stamp::Label;
use crate::wire::topics::TopicTable;

/// Messages taken before their consequences are published.
const BATCH_MAX: usize = 256;
/// The loop turns at least so often, which shows that it lives; readings are shown so often.
const TICK: Span = Span::from_secs(1);
/// The least time between two turns that nothing but a timer causes.
const TURN_MIN: Span = Span::from_millis(1);
/// The least time between two snapshots. Who asks earlier gets the last one where nothing has
/// changed since, and waits for the next where something has: an answer is never behind what was
/// published before the question.
const SHOT_EVERY: Span = Span::from_millis(100);

/// The task and what it owns.
#[derive(Debug)]
pub(super) struct EngineTask {
    pub(super) engine: Engine,
    pub(super) hub: Arc<Hub>,
    pub(super) outlet: Outlet,
    pub(super) names: Arc<LayoutNames>,
    pub(super) table: TopicTable,
    pub(super) desk: Desk,
    pub(super) last_words: LastWords,
    pub(super) arrivals: mpsc::Receiver<Arrival>,
    pub(super) asks: mpsc::Receiver<Ask>,
    pub(super) stop: watch::Receiver<bool>,
    pub(super) log: LogLimit,
    pub(super) shot: Option<(Instant, Arc<Shot>)>,
    /// Who waits for the next snapshot.
    pub(super) wanted: Vec<oneshot::Sender<Arc<Shot>>>,
    pub(super) tick_due: Instant,
    pub(super) inputs: Vec<Input>,
    /// What the engine began with, until that is written down.
    pub(super) recalled: Option<Memory>,
    /// The journal keeps up, as far as the engine knows.
    pub(super) journal_well: bool,
}

/// The engine runs on whole milliseconds, as recordings are written: what is recorded gives the
/// same decisions again.
pub(super) const fn whole_millis(at: Instant) -> Instant {
    Instant(at.0 / 1_000 * 1_000)
}

/// Why the loop turned.
enum Turn {
    Stop,
    Arrivals,
    Ask(Ask),
    Time,
}

impl EngineTask {
    /// Runs until the daemon stops.
    pub(super) async fn run(mut self) {
        let mut batch = Vec::with_capacity(BATCH_MAX);
        // Until the broker answers for the first time there is none.
        self.run_starts();
        let at = whole_millis(self.hub.clock.now());
        self.broker_is(at, false);
        self.outlet.everything(&mut self.engine);
        loop {
            let ask = match self.wait(&mut batch).await {
                Turn::Stop => break,
                Turn::Ask(ask) => Some(ask),
                Turn::Arrivals | Turn::Time => None,
            };
            // Whatever woke the loop: what has arrived comes first.
            while batch.len() < BATCH_MAX
                && let Ok(arrival) = self.arrivals.try_recv()
            {
                batch.push(arrival);
            }
            self.take(&mut batch);
            if let Some(ask) = ask {
                self.answer(ask);
            }
            self.show();
        }
        tracing::info!("the engine's loop ended");
    }

    async fn wait(&mut self, batch: &mut Vec<Arrival>) -> Turn {
        let wake = self.hub.clock.sleep_until(self.wake());
        tokio::select! {
            () = stopped(&mut self.stop) => Turn::Stop,
            number = self.arrivals.recv_many(batch, BATCH_MAX) => {
                // The client holds the other end as long as the daemon runs.
                if number == 0 { Turn::Stop } else { Turn::Arrivals }
            }
            Some(ask) = self.asks.recv() => Turn::Ask(ask),
            () = tokio::time::sleep_until(wake) => Turn::Time,
        }
    }

    /// When the loop turns by itself.
    fn wake(&self) -> Instant {
        let deadline = self.engine.next_deadline().map(|(at, _)| at);
        let waiting = [
            Some(self.tick_due),
            deadline,
            self.outlet.due(),
            self.shot_due(),
        ];
        let first = waiting.into_iter().flatten().min();
        first
            .unwrap_or(self.tick_due)
            .max(self.engine.now().plus(TURN_MIN))
    }

    /// Takes what has arrived, lets time run, publishes.
    fn take(&mut self, batch: &mut Vec<Arrival>) {
        let mut messages = Vec::with_capacity(batch.len());
        for arrival in batch.drain(..) {
            if let Some(at) = self.arrive(arrival) {
                messages.push(at);
            }
        }
        let now = self.hub.clock.now();
        if self.arrivals.is_empty() {
            self.engine.advance(whole_millis(now));
        }
        self.outlet.listen(&mut self.engine);
        let changes = self.outlet.publish_all(&mut self.engine);
        let done = self.hub.clock.now();
        for at in messages {
            self.hub
                .metrics
                .decision
                .observe(done.since(at).as_secs_f64());
        }
        // Nobody who waits for the decision waits for the pen.
        self.outlet.write_down(&mut self.engine, &changes);
        let second = self.tick_due <= now;
        if second {
            self.tick_due = now.plus(TICK);
            self.look_at_clock();
            self.look_at_journal();
        }
        self.outlet.sweep(&self.engine, second);
        self.hub.turn(now);
    }

    fn look_at_clock(&mut self) {
        let clock = &self.hub.clock;
        let stepped = clock.follow_steps();
        let trusted = clock.comes_to_be_trusted();
        if (stepped || trusted)
            && let Some(scribe) = &self.outlet.scribe
            && let Label::Wall { origin_us } = clock.label()
        {
            scribe.journal().relabel(origin_us, clock.is_trusted());
        }
        if stepped {
            tracing::info!("the computer's clock was set; times are shown anew");
            self.shot = None;
            self.outlet.everything(&mut self.engine);
        }
    }

    /// A journal that cannot follow is an alarm; the engine goes on.
    fn look_at_journal(&mut self) {
        let Some(scribe) = &mut self.outlet.scribe else {
            return;
        };
        let well = !scribe.journal().is_behind();
        if well != self.journal_well {
            self.journal_well = well;
            let at = whole_millis(self.hub.clock.now());
            self.engine.handle(at, Input::Journal(well));
            scribe.behind(&self.engine, well);
            self.outlet.flush(&mut self.engine);
        }
    }

    /// The engine begins, or begins anew with a changed plan.
    fn run_starts(&mut self) {
        if let Some(scribe) = &mut self.outlet.scribe {
            let memory = self.recalled.take();
            let memory = memory.map(|memory| memory_json::to_text(&memory));
            scribe.run_starts(self.engine.now(), memory);
        }
    }

    /// One arrival; the time of a message.
    fn arrive(&mut self, arrival: Arrival) -> Option<Instant> {
        match arrival {
            Arrival::Message {
                at,
                topic,
                payload,
                retained,
            } => self.message(at, &topic, &payload, retained).then_some(at),
            Arrival::Connected { at, reconnects } => {
                self.hub.metrics.broker_connected(reconnects);
                self.broker(at, true);
                None
            }
            Arrival::Lost { at } => {
                if self.hub.broker_connected() {
                    tracing::warn!("the broker was lost: nothing shown is live");
                }
                self.broker(at, false);
                None
            }
        }
    }

    fn broker(&mut self, at: Instant, connected: bool) {
        self.hub.set_broker(connected);
        self.broker_is(whole_millis(at), connected);
        self.outlet.broker_changed();
    }

    fn broker_is(&mut self, at: Instant, connected: bool) {
        self.engine.handle(at, Input::Broker(connected));
        if let Some(scribe) = &mut self.outlet.scribe {
            scribe.broker(&self.engine, connected);
        }
    }

    /// One message; `false` where it is an echo of what the daemon itself has published.
    fn message(&mut self, at: Instant, topic: &str, payload: &Bytes, retained: bool) -> bool {
        if self.desk.is_ours(topic) {
            // Only what the broker kept from an earlier run needs a look.
            if retained && !payload.is_empty() {
                self.outlet.found(topic);
            }
            return false;
        }
        let mut inputs = std::mem::take(&mut self.inputs);
        inputs.clear();
        let decoded = self.decode(topic, payload, retained, &mut inputs);
        let outcome = match decoded {
            Ok(()) => {
                let outcome = self.handle_all(whole_millis(at), topic, &mut inputs);
                if let Some(scribe) = &mut self.outlet.scribe {
                    scribe.message(&self.engine, topic, payload, retained);
                }
                outcome
            }
            Err(Refusal::UnknownTopic) => {
                if let Some(unlogged) = self.log.should_log("unknown_topic", at) {
                    tracing::warn!(topic, unlogged, "a topic that the plan does not know");
                }
                "unknown_topic"
            }
            Err(Refusal::Malformed(error)) => {
                if let Some(unlogged) = self.log.should_log("malformed", at) {
                    tracing::warn!(topic, error, unlogged, "a message that cannot be read");
                }
                "malformed"
            }
        };
        if outcome != "malformed" {
            self.last_words
                .heard(&self.table, &self.names.plan.layout, topic, payload);
        }
        self.hub.metrics.message(outcome);
        self.inputs = inputs;
        true
    }

    /// What a message says: a detector's or device's, or an operator's word where such are taken.
    fn decode(
        &self,
        topic: &str,
        payload: &[u8],
        retained: bool,
        inputs: &mut Vec<Input>,
    ) -> Result<(), Refusal> {
        let layout = &self.names.plan.layout;
        if !self.desk.is_word(topic) {
            return payload::decode(&self.table, layout, topic, payload, retained, inputs);
        }
        let find = |id: &str| self.engine.train_by_name(id);
        match commands::message(&self.table, layout, topic, payload, retained, find) {
            None => Ok(()),
            Some(Ok((command, word))) => {
                inputs.push(Input::Command(command, word));
                Ok(())
            }
            Some(Err(error)) => Err(Refusal::Malformed(error)),
        }
    }

    /// The inputs of one message; the worst outcome.
    fn handle_all(&mut self, at: Instant, topic: &str, inputs: &mut Vec<Input>) -> &'static str {
        let mut worst = "ok";
        for input in inputs.drain(..) {
            if let Input::Reading(sample) = &input {
                self.outlet.read(sample.detector);
            }
            let mut act = match (&input, self.table.operators_word(topic)) {
                (Input::Command(command, word), Some(item)) => {
                    Some(Act::new(at, item, command, word, "mqtt"))
                }
                _ => None,
            };
            let outcome = self.engine.handle(at, input);
            if let Some(act) = &mut act {
                if let Outcome::Refused(why) = &outcome {
                    act.refused = Some(why.clone());
                }
                self.outlet.operator(act);
                if let Some(scribe) = &mut self.outlet.scribe {
                    // Nobody waits for an answer.
                    let _ = scribe.act(&self.engine, act);
                }
            }
            match outcome {
                Outcome::Taken | Outcome::OldNews => {}
                Outcome::Implausible => worst = "implausible",
                Outcome::Late if worst == "ok" => worst = "late",
                Outcome::Late => {}
                Outcome::Refused(why) => {
                    if let Some(unlogged) = self.log.should_log("refused", at) {
                        tracing::warn!(topic, why, unlogged, "an operator's word was refused");
                    }
                }
            }
        }
        worst
    }

    /// An operator's word from the page: it is on the disk before it is answered.
    fn obey(&mut self, order: &Order, reply: oneshot::Sender<Answer>) {
        let at = self.present();
        let in_charge = self.table.in_charge();
        let (answer, act) = self.desk.carry_out(&mut self.engine, at, order, in_charge);
        if let Some(act) = &act {
            self.outlet.operator(act);
        }
        self.shot = None;
        self.outlet.flush(&mut self.engine);
        let (Some(act), Some(scribe)) = (act, &mut self.outlet.scribe) else {
            let _ = reply.send(answer);
            return;
        };
        let topic = format!(
            "{}/do/{}/{}",
            self.names.plan.topic_prefix, order.verb, order.id
        );
        let body = if order.body.is_null() {
            "{}".to_owned()
        } else {
            order.body.to_string()
        };
        scribe.message(&self.engine, &topic, body.as_bytes(), false);
        let durable = scribe.act(&self.engine, &act);
        tokio::spawn(async move {
            if !durable.wait().await {
                tracing::warn!("an operator's word was answered before it was on the disk");
            }
            // Whoever asked may have gone.
            let _ = reply.send(answer);
        });
    }

    fn answer(&mut self, ask: Ask) {
        // Whoever asked may have gone; then nobody needs the answer.
        match ask {
            Ask::Shot(reply) => self.wanted.push(reply),
            Ask::Order(order, reply) => self.obey(&order, reply),
            Ask::Reload(plan, reply) => {
                let _ = reply.send(self.reload(*plan));
            }
            Ask::Memory(reply) => {
                let _ = reply.send(self.engine.memory());
            }
            Ask::Road(RoadWanted { from, to }, reply) => {
                let (from, to) = (from.as_deref(), to.as_deref());
                let _ = reply.send(road_json(&self.engine, from, to, Standing::Live));
            }
        }
    }

    /// Now, or, while messages wait, the time of the last that was taken.
    fn present(&self) -> Instant {
        if self.arrivals.is_empty() {
            whole_millis(self.hub.clock.now())
        } else {
            self.engine.now()
        }
    }

    /// When a waiting reader can be answered; `None` where nobody waits.
    fn shot_due(&self) -> Option<Instant> {
        self.wanted.first()?;
        let made = self.shot.as_ref().map(|(at, _)| at.plus(SHOT_EVERY));
        Some(made.unwrap_or_default())
    }

    /// Answers who waits for a snapshot.
    fn show(&mut self) {
        if let Some((made, _)) = &self.shot
            && made.plus(SHOT_EVERY) <= self.hub.clock.now()
        {
            // Nobody is given this one any more.
            self.shot = None;
        }
        let Some(due) = self.shot_due() else { return };
        let now = self.hub.clock.now();
        let number = self.hub.stream.newest();
        let shot = match &self.shot {
            Some((_, shot)) if now < due && shot.number == number => shot.clone(),
            Some(_) if now < due => return,
            _ => {
                let snapshot = self.engine.snapshot();
                let shot = Arc::new(Shot::new(snapshot, number, self.names.clone()));
                self.shot = Some((now, shot.clone()));
                shot
            }
        };
        for reply in self.wanted.drain(..) {
            // Whoever asked may have gone.
            let _ = reply.send(shot.clone());
        }
    }

    /// Changes the plan. Items that both plans have keep what the engine remembers across a restart
    /// (rule B8): a place that was vacant is unknown, kept vacant, until its detectors report.
    /// What will not be reported again by itself is said again here.
    fn reload(&mut self, plan: Plan) -> Result<(), Vec<Finding>> {
        reload::needs_restart(&self.names.plan, &plan)?;
        let at = self.present();
        let memory = self.engine.memory();
        let mut engine = Engine::recall(plan.layout.clone(), at, &memory);
        engine.keep_measures(&mut self.engine);
        self.outlet.begin(&mut engine);
        self.engine = engine;
        self.recalled = Some(memory);
        self.run_starts();
        self.broker_is(at, self.hub.broker_connected());
        if !self.journal_well {
            self.engine.handle(at, Input::Journal(false));
            if let Some(scribe) = &mut self.outlet.scribe {
                scribe.behind(&self.engine, false);
            }
        }
        self.table = TopicTable::new(&plan);
        self.hub.change_rights(&plan);
        self.names = Arc::new(LayoutNames::new(plan));
        for (topic, payload) in self.last_words.again(&self.table, &self.names.plan.layout) {
            let mut inputs = Vec::new();
            // A plan may read a payload otherwise than the one before; then it says nothing.
            let _ = self.decode(&topic, &payload, true, &mut inputs);
            for input in inputs {
                self.engine.handle(at, input);
            }
            if let Some(scribe) = &mut self.outlet.scribe {
                scribe.message(&self.engine, &topic, &payload, true);
            }
        }
        self.shot = None;
        self.outlet.rename(&mut self.engine, self.names.clone());
        Ok(())
    }
}
