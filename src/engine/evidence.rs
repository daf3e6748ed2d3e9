//! The detector stage: samples, nodes, the broker, and what is wrong with any of them.

use alloc::vec::Vec;

use crate::Engine;
use crate::alarm::kinds::AlarmKind;
use crate::change::{Evidence, Health, Item, Occupancy, PositionFrom, What};
use crate::detector::Moved;
use crate::feed::Power;
use crate::ids::{DetectorId, NodeId, PlaceId, TurnoutId};
use crate::input::{Outcome, Position, Sample, TablePosition};
use crate::layout::{DetectorKind, Equipped, PositionSource, Subject as Watched, Watches};
use crate::time::Span;
use crate::timers::Subject;
use crate::wording;

/// A device that dies falls silent with all its detectors within this time, each of which is
/// noticed on its own. Common practice, no source: devices report each once a second or oftener.
const NODE_DIES_WITHIN: Span = Span::from_secs(2);

#[derive(Clone, Debug, Default)]
pub(crate) struct NodeState {
    /// `None`: not heard from.
    pub(crate) online: Option<bool>,
    detectors: Vec<DetectorId>,
}

impl Engine {
    pub(crate) fn wire_nodes(&mut self) {
        for (index, detector) in self.layout.detectors.iter().enumerate() {
            if let Some(node) = detector.node {
                self.nodes[node.index()]
                    .detectors
                    .push(DetectorId(index as u32));
            }
        }
    }

    pub(crate) fn wake_detectors(&mut self) {
        for index in 0..self.detectors.len() {
            self.plan_detector_wake(DetectorId(index as u32));
        }
    }

    pub(crate) fn plan_detector_wake(&mut self, id: DetectorId) {
        let wake = self.detectors[id.index()].wake(&self.layout.detectors[id.index()]);
        let wake = wake.filter(|at| *at > self.now);
        self.timers.set(Subject::Detector(id), wake);
    }

    /// Takes a sample; tells whether any stage has to run.
    pub(crate) fn take_sample(&mut self, sample: &Sample) -> (Outcome, bool) {
        let id = sample.detector;
        let Some(state) = self.detectors.get_mut(id.index()) else {
            return (Outcome::Implausible, false);
        };
        if state.repeats(sample, self.now) {
            return (Outcome::Taken, false);
        }
        let detector = &self.layout.detectors[id.index()];
        if sample.retained && !self.may_be_retained(id) {
            return (Outcome::OldNews, false);
        }
        let state = &mut self.detectors[id.index()];
        let was_silent = state.is_silent();
        let short_was = state.short;
        let before = (state.evidence, state.evidence_since);
        let confirming = state.is_confirming();
        let (outcome, moved) = state.sample(detector, sample, self.now);
        let replan = was_silent || confirming || state.is_confirming() || moved.evidence;
        let short_moved = short_was != state.short;
        if replan {
            self.plan_detector_wake(id);
        }
        if short_moved {
            self.tell_short(id);
        }
        let waited_for = self.is_waited_for(id);
        if moved.any() {
            self.note_moved(id, moved, before);
        } else if !waited_for {
            self.detectors[id.index()].hold_steady(&self.layout.detectors[id.index()]);
        }
        if moved.light {
            self.look_for_ambient(id);
        }
        if moved.fade {
            self.look_for_fade(id);
        }
        (
            outcome,
            moved.any() || waited_for || short_moved || moved.light || moved.fade,
        )
    }

    /// On without a change while trains went through both neighbours of its place.
    pub(crate) fn look_for_stuck(&mut self, id: DetectorId) -> bool {
        let detector = &self.layout.detectors[id.index()];
        let passed = self
            .track
            .watched_by(detector.subject)
            .is_some_and(|place| self.places[place.index()].passed.len() > 1);
        self.detectors[id.index()].judge_stuck(detector, passed, self.now)
    }

    /// A retained reading is old news, but for a detector that reports changes only and whose node,
    /// if it has one, is online.
    fn may_be_retained(&self, id: DetectorId) -> bool {
        let node_online = self.layout.detectors[id.index()]
            .node
            .is_none_or(|node| self.nodes[node.index()].online == Some(true));
        self.detectors[id.index()].reports_changes_only() && node_online
    }

    /// Whether its place needs a fresh sample, though nothing about the evidence moved.
    fn is_waited_for(&mut self, id: DetectorId) -> bool {
        let detector = &self.layout.detectors[id.index()];
        let mut waited = false;
        if let Some(place) = self.track.watched_by(detector.subject) {
            let state = &self.places[place.index()];
            if state.awaits_fresh || state.remembered {
                self.dirty.places.mark(place.index());
                waited = true;
            }
            waited |= self.feed_awaits_return(place);
        }
        waited
    }

    fn feed_awaits_return(&mut self, place: PlaceId) -> bool {
        let mut waits = false;
        for feed in &self.places[place.index()].feeds {
            if self.feeds[feed.index()].failed {
                self.dirty.feeds.mark(feed.index());
                waits = true;
            }
        }
        waits
    }

    /// Everything that follows from a detector's having moved.
    pub(crate) fn note_moved(
        &mut self,
        id: DetectorId,
        moved: Moved,
        before: (Evidence, crate::time::Instant),
    ) {
        self.touched.insert(Item::Detector(id));
        if moved.health {
            self.report_health(id);
        }
        if !moved.evidence {
            return;
        }
        let detector = &self.layout.detectors[id.index()];
        let (subject, kind) = (detector.subject, detector.kind);
        let evidence = self.detectors[id.index()].evidence;
        if self.look_for_stuck(id) {
            self.report_health(id);
        }
        if let Some(place) = self.track.watched_by(subject) {
            self.dirty.places.mark(place.index());
            // While its node settles an `off` proves nothing, but the current has gone.
            let gone = evidence == Evidence::Off || self.detectors[id.index()].settles();
            if kind == DetectorKind::Current && before.0 == Evidence::On && gone {
                self.note_current_lost(place);
            }
            self.count_dropout(id, place, before);
            self.look_for_contradiction(id);
            for feed in self.places[place.index()].feeds.clone() {
                self.dirty.feeds.mark(feed.index());
            }
        }
        match subject {
            Watched::Section(t) | Watched::Points(t, _) => self.dirty.turnouts.mark(t.index()),
            Watched::Beam(t, leg) => {
                if evidence == Evidence::On {
                    self.beam_broken(t, leg);
                }
                self.dirty.turnouts.mark(t.index());
            }
            Watched::Edge(t) => self.dirty.tables.mark(t.index()),
            Watched::Block(..) | Watched::Crossing(_) => {}
        }
        // T1 counts from a detector's own last evidence, though the place has not moved yet.
        if let Some(place) = self.track.watched_by(subject) {
            self.mark_watchers(place);
        }
    }

    /// On again within the release time of a place that stayed occupied: a drop-out under a train.
    fn count_dropout(
        &mut self,
        id: DetectorId,
        place: PlaceId,
        before: (Evidence, crate::time::Instant),
    ) {
        let now = self.now;
        let dropped = before.0 == Evidence::Off
            && self.detectors[id.index()].evidence == Evidence::On
            && self.places[place.index()].state == Occupancy::Occupied
            && now.since(before.1) <= self.release_time(place);
        if dropped {
            let detector = &self.layout.detectors[id.index()];
            if self.detectors[id.index()].dropped_out(detector, now) {
                self.report_health(id);
            }
        } else if before.0 == Evidence::Off && self.detectors[id.index()].evidence == Evidence::On {
            self.detectors[id.index()].more.passes += 1;
        }
    }

    /// `disagreeing`: one detector of a place says a vehicle, and another that watches all of it
    /// and would see that vehicle says none, for too long. Which of them is wrong nobody can know.
    pub(crate) fn look_for_contradiction(&mut self, id: DetectorId) {
        let Some(place) = self
            .track
            .watched_by(self.layout.detectors[id.index()].subject)
        else {
            return;
        };
        let ids = self.places[place.index()].detectors.clone();
        if ids.len() < 2 {
            return;
        }
        let now = self.now;
        for one in &ids {
            let since = ids
                .iter()
                .filter_map(|other| self.contradicts(place, *one, *other))
                .min();
            let detector = &self.layout.detectors[one.index()];
            if self.detectors[one.index()].judge_contradicted(detector, since, now) {
                self.report_health(*one);
            }
            self.plan_detector_wake(*one);
        }
    }

    /// Since when two detectors of a place say what cannot both be.
    fn contradicts(
        &self,
        place: PlaceId,
        one: DetectorId,
        other: DetectorId,
    ) -> Option<crate::time::Instant> {
        let state = |id: DetectorId| &self.detectors[id.index()];
        let (on, off) = match (state(one).evidence, state(other).evidence) {
            (Evidence::On, Evidence::Off) => (one, other),
            (Evidence::Off, Evidence::On) => (other, one),
            _ => return None,
        };
        let (sees, blind) = (
            &self.layout.detectors[on.index()],
            &self.layout.detectors[off.index()],
        );
        // A car that draws nothing breaks a beam and no current flows: that is no contradiction.
        let would_see = match blind.kind {
            DetectorKind::Current => {
                self.places[place.index()].power == Power::Live
                    && (sees.kind == DetectorKind::Current || self.layout.equipped == Equipped::All)
            }
            DetectorKind::Optical | DetectorKind::Contact => true,
        };
        (blind.watches == Watches::Whole && would_see)
            .then(|| state(on).evidence_since.max(state(off).evidence_since))
    }

    pub(crate) fn report_health(&mut self, id: DetectorId) {
        let health = self.detectors[id.index()].health;
        let was = core::mem::replace(&mut self.shown_health[id.index()], health);
        if was != health {
            self.emit(What::Detector {
                detector: id,
                was,
                health,
            });
            self.touched.insert(Item::Detector(id));
        }
        self.tell_detector(id);
    }

    /// `detector-fault`: one for the whole node where that is the cause.
    fn tell_detector(&mut self, id: DetectorId) {
        // The broker's alarm stands for all that is not heard.
        if !self.broker {
            return;
        }
        let detector = &self.layout.detectors[id.index()];
        let subject = detector.id.clone();
        let name = detector.name.clone();
        let node = detector.node;
        if let Some(node) = node {
            self.tell_node(node);
            if self.node_is_gone(node) {
                self.hold_or_drop(AlarmKind::DetectorFault, &subject);
                self.suppress(AlarmKind::DetectorFault, &subject, true);
                return;
            }
        }
        self.suppress(AlarmKind::DetectorFault, &subject, false);
        let health = self.detectors[id.index()].health;
        match health {
            Health::Ok | Health::OutOfService => self.clear(AlarmKind::DetectorFault, &subject),
            // Perhaps the first of a device that has died: then its one alarm is to stand for all.
            Health::Silent if node.is_some_and(|node| !self.node_speaks(node, id)) => {
                let text = wording::detector_fault(&name, health_in_words(health));
                let (kind, now) = (AlarmKind::DetectorFault, self.now);
                self.raise_after(kind, &subject, now, NODE_DIES_WITHIN, text);
            }
            _ => {
                let text = wording::detector_fault(&name, health_in_words(health));
                self.raise(AlarmKind::DetectorFault, &subject, text);
            }
        }
    }

    /// Offline, or all of its detectors that report steadily are silent, of which one alone proves
    /// nothing about it.
    fn node_is_gone(&self, node: NodeId) -> bool {
        let state = &self.nodes[node.index()];
        let mut steady = 0;
        let mut speaks = false;
        for detector in &state.detectors {
            let detector = &self.detectors[detector.index()];
            steady += usize::from(!detector.reports_changes_only());
            speaks |= !detector.reports_changes_only() && !detector.is_silent();
        }
        let enough = if self.is_peer(node) { 0 } else { 1 };
        state.online == Some(false) || (steady > enough && !speaks)
    }

    /// Whether another detector of the device was heard well after this one, or there is none that
    /// could be.
    fn node_speaks(&self, node: NodeId, silent: DetectorId) -> bool {
        let last = self.detectors[silent.index()].heard();
        let mut others = 0;
        for other in &self.nodes[node.index()].detectors {
            let detector = &self.detectors[other.index()];
            if *other == silent || detector.reports_changes_only() {
                continue;
            }
            others += 1;
            let later = match (detector.heard(), last) {
                (Some(heard), Some(last)) => heard > last.plus(NODE_DIES_WITHIN),
                (heard, _) => heard.is_some(),
            };
            if later {
                return true;
            }
        }
        others == 0
    }

    fn tell_node(&mut self, node: NodeId) {
        if !self.broker {
            return;
        }
        let subject = self.layout.nodes[node.index()].id.clone();
        if self.node_is_gone(node) {
            let name = self.layout.nodes[node.index()].name.clone();
            let text = wording::detector_fault(&name, "the device is not heard");
            self.raise(AlarmKind::DetectorFault, &subject, text);
            for detector in self.nodes[node.index()].detectors.clone() {
                let subject = self.layout.detectors[detector.index()].id.clone();
                self.hold_or_drop(AlarmKind::DetectorFault, &subject);
                self.suppress(AlarmKind::DetectorFault, &subject, true);
            }
        } else {
            self.clear(AlarmKind::DetectorFault, &subject);
            for detector in self.nodes[node.index()].detectors.clone() {
                let subject = self.layout.detectors[detector.index()].id.clone();
                self.suppress(AlarmKind::DetectorFault, &subject, false);
            }
        }
    }

    fn tell_short(&mut self, id: DetectorId) {
        let Some(place) = self
            .track
            .watched_by(self.layout.detectors[id.index()].subject)
        else {
            return;
        };
        let any = self.places[place.index()]
            .detectors
            .iter()
            .any(|d| self.detectors[d.index()].short);
        let subject = self.track.places[place.index()].id.clone();
        if any {
            let text = wording::short(&self.place_label(place));
            self.raise(AlarmKind::Short, &subject, text);
        } else {
            self.clear(AlarmKind::Short, &subject);
        }
    }

    /// Time alone: confirmation, silence; tells whether anything moved.
    pub(crate) fn look_at_detector(&mut self, id: DetectorId) -> bool {
        let wake = self.detectors[id.index()].wake(&self.layout.detectors[id.index()]);
        if let Some(at) = wake.filter(|at| *at > self.now) {
            // It was heard in the meantime, and nothing is due: nearly all of them.
            self.timers.set(Subject::Detector(id), Some(at));
            return false;
        }
        let state = &mut self.detectors[id.index()];
        let before = (state.evidence, state.evidence_since);
        let mut moved = state.look(&self.layout.detectors[id.index()], self.now);
        moved.health |= self.look_for_stuck(id);
        self.look_for_contradiction(id);
        self.plan_detector_wake(id);
        if moved.any() {
            self.note_moved(id, moved, before);
        }
        moved.any()
    }

    pub(crate) fn hear_node(&mut self, node: NodeId, online: bool) -> Outcome {
        let now = self.now;
        if self.nodes[node.index()].online == Some(online) && online {
            return Outcome::Taken;
        }
        self.nodes[node.index()].online = Some(online);
        // A peer's word is of one moment, and proven by it already.
        let settle = if self.is_peer(node) {
            Span::ZERO
        } else {
            self.layout.settings.node_settle
        };
        for id in self.nodes[node.index()].detectors.clone() {
            let state = &mut self.detectors[id.index()];
            let before = (state.evidence, state.evidence_since);
            let detector = &self.layout.detectors[id.index()];
            let moved = state.node(detector, online, settle, now);
            self.plan_detector_wake(id);
            if moved.any() {
                self.note_moved(id, moved, before);
            } else {
                self.tell_detector(id);
            }
        }
        if !online {
            self.forget_positions_and_feeds(Some(node));
        }
        self.tell_node(node);
        Outcome::Taken
    }

    /// The operator takes a detector out of service or puts it back.
    pub(crate) fn put_service(&mut self, id: DetectorId, in_service: bool) {
        let now = self.now;
        let state = &mut self.detectors[id.index()];
        let before = (state.evidence, state.evidence_since);
        let moved = state.service(&self.layout.detectors[id.index()], in_service, now);
        self.plan_detector_wake(id);
        if let Some(place) = self
            .track
            .watched_by(self.layout.detectors[id.index()].subject)
        {
            self.dirty.places.mark(place.index());
        }
        self.note_moved(id, moved, before);
    }

    /// A node offline, or the broker lost: its positions and feeds are not known any more.
    fn forget_positions_and_feeds(&mut self, node: Option<NodeId>) {
        for index in 0..self.layout.turnouts.len() {
            let turnout = &self.layout.turnouts[index];
            let concerned = (node.is_none() || turnout.node == node)
                && turnout.position != PositionSource::None;
            if concerned {
                self.put_position(
                    TurnoutId(index as u32),
                    Position::Unknown,
                    PositionFrom::Nowhere,
                );
            }
        }
        for index in 0..self.layout.tables.len() {
            if node.is_none() || self.layout.tables[index].node == node {
                self.report_table_lost(crate::ids::TableId(index as u32));
            }
        }
        for index in 0..self.layout.feeds.len() {
            if node.is_none() || self.layout.feeds[index].node == node {
                self.feeds[index].forget();
                self.dirty.feeds.mark(index);
            }
        }
    }

    fn report_table_lost(&mut self, id: crate::ids::TableId) {
        if self.tables[id.index()].position != TablePosition::Unknown {
            self.lose_table(id);
        }
    }

    pub(crate) fn hear_position(&mut self, id: TurnoutId, position: Position) -> Outcome {
        let now = self.now;
        let state = &mut self.turnouts[id.index()];
        state.position_confirmed = true;
        state.position.report(position, PositionFrom::Message, now);
        self.dirty.turnouts.mark(id.index());
        Outcome::Taken
    }

    pub(crate) fn hear_asked(&mut self, id: TurnoutId, position: Position) -> Outcome {
        let now = self.now;
        let turnout = &self.layout.turnouts[id.index()];
        self.turnouts[id.index()]
            .position
            .ask(turnout, position, now);
        self.dirty.turnouts.mark(id.index());
        Outcome::Taken
    }

    /// The broker is lost or back.
    pub(crate) fn hear_broker(&mut self, back: bool) -> Outcome {
        let now = self.now;
        if back {
            let was_away = self.broker_lost_at.take().is_some();
            if was_away {
                self.listening_since = now;
                self.mark_everything();
                self.quiet_until = self.quiet_until.max(now.plus(self.layout.settings.boot));
                for index in 0..self.detectors.len() {
                    self.detectors[index].listen_again(now);
                    self.plan_detector_wake(DetectorId(index as u32));
                }
            }
            self.broker = true;
            for index in 0..self.detectors.len() {
                self.tell_detector(DetectorId(index as u32));
            }
            self.clear(AlarmKind::BrokerLost, "broker");
            self.timers.set(Subject::Broker, None);
        } else if self.broker_lost_at.is_none() {
            self.broker_lost_at = Some(now);
            let at = now.plus(self.layout.settings.broker_grace);
            self.timers.set(Subject::Broker, Some(at));
        }
        Outcome::Taken
    }

    /// The journal keeps up, or does not: what is remembered, not what is decided, depends on it.
    pub(crate) fn hear_journal(&mut self, well: bool) -> Outcome {
        if well {
            self.clear(AlarmKind::JournalBehind, "journal");
        } else {
            self.raise(
                AlarmKind::JournalBehind,
                "journal",
                wording::journal_behind(),
            );
        }
        Outcome::Taken
    }

    /// No broker for long enough: nothing that is shown is live.
    pub(crate) fn look_at_broker(&mut self) {
        if self.broker_lost_at.is_none() || !self.broker {
            return;
        }
        self.broker = false;
        let text = wording::broker_lost();
        self.raise(AlarmKind::BrokerLost, "broker", text);
        let now = self.now;
        for index in 0..self.detectors.len() {
            let id = DetectorId(index as u32);
            let state = &mut self.detectors[index];
            let before = (state.evidence, state.evidence_since);
            let moved = state.forget(&self.layout.detectors[index], now);
            self.plan_detector_wake(id);
            if moved.any() {
                self.note_moved(id, moved, before);
            }
        }
        self.forget_positions_and_feeds(None);
    }
}

const fn health_in_words(health: Health) -> &'static str {
    match health {
        Health::Ok => "nothing wrong",
        Health::Silent => "not heard for longer than it promised",
        Health::Implausible => "reads what cannot be",
        Health::Stuck => "on without a change while trains came and went",
        Health::Noisy => "too many drop-outs",
        Health::Drifting => "its vacant level wanders",
        Health::Disagreeing => "contradicts another detector of the same place",
        Health::Coupled => "goes on together with a place that is no neighbour",
        Health::OutOfService => "out of service",
    }
}
