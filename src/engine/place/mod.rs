//! Places: what all detectors of one place come to (DEVELOPERS.md, section 2, B1 to B9).
//!
//! Input: evidence, power, the trains that are in it. Output: the place's state, and to the
//! follower what was lit, left and lost. The machine itself is in [`occupancy`].

pub(crate) mod occupancy;
mod release;

pub(crate) use release::Whereabouts;

use alloc::string::String;
use alloc::vec::Vec;

use statig::blocking::IntoStateMachineExt;

use crate::Engine;
use crate::alarm::kinds::AlarmKind;
use crate::change::{Evidence, Item, Kept, Occupancy, What};
use crate::driven::Driven;
use crate::feed::{self, Power};
use crate::ids::{DetectorId, FeedId, PlaceId, TrainId};
use crate::layout::{DetectorKind, Watches};
use crate::seeded::Seeded;
use crate::time::{Instant, Span};
use crate::timers::Subject;
use crate::track::PlaceKind;
use crate::wording;
use occupancy::{Event, Finding, Machine, Notes, Verdict};

#[derive(Clone, Debug)]
pub(crate) struct PlaceState {
    machine: Driven<Machine>,
    pub(crate) notes: Notes,
    pub(crate) state: Occupancy,
    pub(crate) since: Instant,
    pub(crate) why: String,
    pub(crate) detectors: Vec<DetectorId>,
    pub(crate) feeds: Vec<FeedId>,
    /// Current sensing watches it: dead power makes it dark.
    senses_current: bool,
    pub(crate) power: Power,
    dead_since: Option<Instant>,
    /// B7: after a darkness only samples from here on decide.
    fresh_from: Option<Instant>,
    /// Some detector is on, and it counts.
    pub(crate) on: bool,
    pub(crate) on_since: Instant,
    /// When it last became lit after having been released: what a bridged gap is measured by.
    pub(crate) lit_since: Instant,
    /// What it was before that.
    pub(crate) before_lit: (Occupancy, Option<Kept>),
    /// Everything has been off, and that proves something, since then.
    pub(crate) off_since: Option<Instant>,
    /// When it last became vacant.
    pub(crate) vacated: Instant,
    /// A sample must come before anything is decided.
    pub(crate) awaits_fresh: bool,
    pub(crate) remembered: bool,
    /// The operator said so, and no detector has been on since.
    pub(crate) told: bool,
    pub(crate) told_at: Instant,
    /// It is held though its detectors have been off for its release time, and `why` says so.
    held: bool,
    /// The trains that hold it, end a to end b.
    pub(crate) trains: Vec<TrainId>,
    /// B10: when its current was last seen to go.
    pub(crate) current_lost: Option<Instant>,
    /// Lit next to a train that the points do not lead here: wait before calling it a new train.
    pub(crate) lit_by_bridge_until: Option<Instant>,
    /// A fiddle block that was emptied by hand becomes vacant then.
    pub(crate) fiddle_until: Option<Instant>,
    /// Nothing watches it, and the train in it was seen to come out: it has left then.
    pub(crate) unseen_left: Option<Instant>,
    /// The place that goes on together with this one, and how often running (`coupled`).
    pub(crate) coupled: Option<(PlaceId, u8)>,
    /// Whether that happened when it last came on.
    pub(crate) coupled_now: bool,
    /// Neighbours that trains came into and left while this one stayed on (`stuck`).
    pub(crate) passed: Vec<PlaceId>,
}

/// What the follower must know, in order.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum PlaceEvent {
    /// A detector came on.
    Lit(PlaceId),
    /// The last detector went off.
    Unlit(PlaceId),
    /// Released (B3), or a memory of a train ended.
    Vacated(PlaceId),
    /// A train was not seen to leave (B4).
    Lost(PlaceId),
    /// Nothing watches it, and a train was seen to come out of it; another is still inside.
    LeftByOne(PlaceId),
    /// Stock was taken off by hand.
    TakenByHand(PlaceId),
    /// The power went.
    Darkened(PlaceId),
    /// The power is back, and since when it was gone.
    PowerBack(PlaceId, Instant),
}

impl PlaceState {
    pub(crate) fn new(start: Instant) -> Self {
        let mut notes = Notes {
            kept: None,
            whole: false,
        };
        let mut machine = Machine.state_machine();
        machine.init_with_context(&mut notes);
        Self {
            machine: machine.into(),
            notes,
            state: Occupancy::Unknown,
            since: start,
            why: String::from("not heard from yet"),
            detectors: Vec::new(),
            feeds: Vec::new(),
            senses_current: false,
            power: Power::Live,
            dead_since: None,
            fresh_from: None,
            on: false,
            on_since: start,
            lit_since: start,
            before_lit: (Occupancy::Unknown, None),
            off_since: None,
            vacated: Instant(0),
            awaits_fresh: false,
            remembered: false,
            told: false,
            told_at: start,
            held: false,
            trains: Vec::new(),
            current_lost: None,
            lit_by_bridge_until: None,
            fiddle_until: None,
            unseen_left: None,
            coupled: None,
            coupled_now: false,
            passed: Vec::new(),
        }
    }

    /// Occupied, lost, or dark kept occupied or lost: what fouls points and stops trains.
    pub(crate) fn is_in_the_way(&self) -> bool {
        match self.state {
            Occupancy::Occupied | Occupancy::Lost => true,
            Occupancy::Dark => matches!(self.notes.kept, Some(Kept::Occupied | Kept::Lost)),
            Occupancy::Unknown | Occupancy::Vacant => false,
        }
    }

    pub(crate) const fn dead_since(&self) -> Option<Instant> {
        self.dead_since
    }

    /// Known to be without power: nothing there can move, and no current can flow.
    pub(crate) fn has_no_power(&self) -> bool {
        self.power == Power::Dead
    }
}

/// B6: an `on` that was not taken back for this long after the power went counts.
const STILL_ON: Span = Span::from_secs(1);

/// What the detectors of a place say, counted.
#[derive(Clone, Copy, Debug, Default)]
struct Tally {
    /// On, and it counts.
    on: Option<DetectorId>,
    asked: usize,
    none: usize,
    /// Off, but older than the power's return.
    stale: usize,
}

impl Engine {
    /// Ties detectors and feeds to their places, once.
    pub(crate) fn wire_places(&mut self) {
        for index in 0..self.layout.detectors.len() {
            let id = DetectorId(index as u32);
            let detector = &self.layout.detectors[index];
            let Some(place) = self.track.watched_by(detector.subject) else {
                continue;
            };
            let state = &mut self.places[place.index()];
            state.detectors.push(id);
            state.senses_current |= detector.kind == DetectorKind::Current;
            state.notes.whole |= detector.watches == Watches::Whole;
        }
        for index in 0..self.layout.feeds.len() {
            let feed = &self.layout.feeds[index];
            let blocks = feed.blocks.iter().map(|b| self.track.block(*b));
            let turnouts = feed.turnouts.iter().filter_map(|t| self.track.turnout(*t));
            let places: Vec<PlaceId> = blocks.chain(turnouts).collect();
            for place in &places {
                self.places[place.index()].feeds.push(FeedId(index as u32));
            }
            self.feed_places.push(places);
        }
        for state in &mut self.places {
            if state.detectors.is_empty() {
                state.why = String::from("nothing watches it");
            }
        }
        for turnout in &self.turnouts {
            if let Some(place) = turnout.place
                && turnout.has_all_beams()
            {
                self.places[place.index()].notes.whole = true;
            }
        }
    }

    pub(crate) fn release_time(&self, place: PlaceId) -> Span {
        match self.track.places[place.index()].kind {
            PlaceKind::Block(b) => self.layout.blocks[b.index()].release,
            PlaceKind::Turnout(t) => self.layout.turnouts[t.index()].release,
            PlaceKind::Crossing(k) => self.layout.crossings[k.index()].release,
        }
    }

    /// The place stage: every marked place, in order.
    pub(crate) fn stage_places(&mut self) {
        for index in self.dirty.places.take() {
            self.judge_place(PlaceId(index));
        }
    }

    fn judge_place(&mut self, place: PlaceId) {
        self.judge_power(place);
        let tally = self.tally(place);
        let finding = self.finding(place, tally);
        let now = self.now;
        let state = &mut self.places[place.index()];
        let was_on = state.on;
        state.on = finding == Finding::On;
        if state.on && !was_on {
            state.on_since = now;
            if state.state != Occupancy::Occupied {
                state.lit_since = now;
                state.before_lit = (state.state, state.notes.kept);
            }
            let told = core::mem::take(&mut state.told);
            // It is occupied for another cause now, and says so.
            state.held |= told;
            state.fiddle_until = None;
            self.place_events.push(PlaceEvent::Lit(place));
            if told {
                self.touch_place(place);
            }
        }
        if was_on && !self.places[place.index()].on {
            self.place_events.push(PlaceEvent::Unlit(place));
        }
        if was_on != self.places[place.index()].on {
            self.mark_watchers(place);
        }
        // B8: silence alone never wipes memory.
        let only_silence = self.places[place.index()].remembered
            && matches!(finding, Finding::Blind | Finding::Partly);
        if !only_silence {
            self.drive_place(place, Event::Judged(finding), tally.on);
        }
        self.end_unseen(place);
        self.end_remembering(place);
        self.tell_power_where_off(place, tally);
        let wake = self.place_wake(place, finding);
        self.timers.set(Subject::Place(place), wake);
    }

    /// B1: a place that nothing watches, and the train in it was seen to leave.
    fn end_unseen(&mut self, place: PlaceId) {
        let now = self.now;
        let state = &mut self.places[place.index()];
        if state.unseen_left.is_none_or(|at| now < at) {
            return;
        }
        state.unseen_left = None;
        let before = (state.state, state.notes.kept);
        if state.state == Occupancy::Unknown && state.notes.kept == Some(Kept::Occupied) {
            if self.holds_another(place) {
                self.place_events.push(PlaceEvent::LeftByOne(place));
                return;
            }
            let state = &mut self.places[place.index()];
            state.notes.kept = Some(Kept::Vacant);
            self.note_place_change(place, before, None);
            self.place_events.push(PlaceEvent::Vacated(place));
        }
    }

    /// Whether a train is in a place and nowhere else.
    fn holds_another(&self, place: PlaceId) -> bool {
        let trains = &self.places[place.index()].trains;
        trains.iter().any(|id| {
            let train = self.train(*id);
            train.is_some_and(|train| train.chain.iter().all(|link| link.place == place))
        })
    }

    /// B8: remembered until the first fresh sample of each detector concerned.
    fn end_remembering(&mut self, place: PlaceId) {
        let state = &self.places[place.index()];
        let confirmed = state.remembered
            && !state.detectors.is_empty()
            && state.detectors.iter().all(|d| {
                let seen = &self.detectors[d.index()];
                seen.sampled.is_some() || seen.out_of_service
            });
        if confirmed {
            self.places[place.index()].remembered = false;
            self.touch_place(place);
        }
    }

    /// Follows the feeds; marks when darkness began and from when on samples are fresh again.
    fn judge_power(&mut self, place: PlaceId) {
        let now = self.now;
        let state = &self.places[place.index()];
        let power = feed::worst(state.feeds.iter().map(|f| self.feeds[f.index()].power));
        if power == state.power {
            return;
        }
        self.ahead_of_place(place);
        let state = &self.places[place.index()];
        let settle = state
            .feeds
            .iter()
            .map(|f| self.layout.feeds[f.index()].settle)
            .max()
            .unwrap_or(Span::ZERO);
        let state = &mut self.places[place.index()];
        let was = core::mem::replace(&mut state.power, power);
        if power == Power::Dead {
            state.dead_since = Some(now);
        } else if was == Power::Dead {
            if let Some(since) = state.dead_since.take() {
                self.place_events.push(PlaceEvent::PowerBack(place, since));
            }
            // B7. A failure has been over for `settle_s` already when it ends (B10).
            state.fresh_from = Some(if self.failure_just_ended {
                now
            } else {
                now.plus(settle)
            });
        }
        // What current sensing says counts differently now.
        if let Some(id) = self.places[place.index()].detectors.first() {
            self.look_for_contradiction(*id);
        }
    }

    fn tally(&self, place: PlaceId) -> Tally {
        let state = &self.places[place.index()];
        let mut tally = Tally::default();
        for id in &state.detectors {
            let detector = &self.layout.detectors[id.index()];
            let seen = &self.detectors[id.index()];
            // A spot that the operator took out of service is not needed; a whole one leaves a gap.
            if seen.out_of_service && detector.watches == Watches::Spot {
                continue;
            }
            tally.asked += 1;
            let is_current = detector.kind == DetectorKind::Current;
            let is_fresh = |from: Instant| seen.sampled.is_some_and(|at| at >= from);
            match seen.evidence {
                Evidence::On => {
                    let counts = !is_current
                        || match (state.dead_since, state.fresh_from) {
                            (Some(dead), _) => {
                                // One that reports changes only would have said `off` by now.
                                let stays_on =
                                    seen.reports_changes_only() && self.now >= dead.plus(STILL_ON);
                                !self.has_failed(place)
                                    && (is_fresh(dead.plus(Span(1))) || stays_on)
                            }
                            (None, Some(from)) => self.now >= from && is_fresh(from),
                            (None, None) => true,
                        };
                    if counts {
                        tally.on = tally.on.or(Some(*id));
                    } else {
                        tally.stale += 1;
                    }
                }
                Evidence::Off => {
                    let waits = is_current
                        && state
                            .fresh_from
                            .is_some_and(|from| self.now < from || !is_fresh(from));
                    tally.stale += usize::from(waits);
                }
                // A seeded fault; never in a normal build.
                Evidence::None if self.seeded(Seeded::SilenceIsOff) => {}
                Evidence::None => tally.none += 1,
            }
        }
        tally
    }

    fn has_failed(&self, place: PlaceId) -> bool {
        self.places[place.index()].feeds.iter().any(|feed| {
            let mut at = Some(*feed);
            // A feed that hangs on a failed one has failed with it; the plan has no circles.
            for _ in 0..8 {
                let Some(feed) = at else { break };
                if self.feeds[feed.index()].failed {
                    return true;
                }
                at = self.layout.feeds[feed.index()].of;
            }
            false
        })
    }

    /// What it all comes to; keeps the start of the unbroken `off`.
    fn finding(&mut self, place: PlaceId, tally: Tally) -> Finding {
        let now = self.now;
        let inside = self.passage_is_open(place);
        let release = self.release_time(place);
        let dark_proves = self.seeded(Seeded::DarkProves);
        let state = &mut self.places[place.index()];
        let dead = state.senses_current && state.power == Power::Dead && !dark_proves;
        let unproven = state.senses_current && state.power == Power::Unknown;
        state.awaits_fresh = tally.stale > 0;
        if state.awaits_fresh {
            for id in &state.detectors {
                self.detectors[id.index()].stir();
            }
        }
        let finding = if tally.on.is_some() || inside {
            Finding::On
        } else if dead {
            Finding::Dead
        } else if tally.asked == tally.none {
            Finding::Blind
        } else if tally.none > 0 || unproven {
            Finding::Partly
        } else if tally.stale > 0 {
            Finding::Settling
        } else {
            Finding::Off
        };
        if finding != Finding::Off {
            state.off_since = None;
            return finding;
        }
        state.fresh_from = None;
        // While no message can come, nothing is released: what came on meanwhile is not heard.
        if self.broker_lost_at.is_some() {
            state.off_since = None;
            return Finding::Off;
        }
        let since = *state.off_since.get_or_insert(now);
        let waits_for_hand = state.fiddle_until.is_some_and(|until| now < until);
        if now < since.plus(release) || waits_for_hand {
            return Finding::Off;
        }
        Finding::Released(self.verdict(place))
    }

    /// Hands the event to the machine and reports what came of it.
    pub(crate) fn drive_place(&mut self, place: PlaceId, event: Event, on: Option<DetectorId>) {
        let before = {
            let state = &self.places[place.index()];
            (state.state, state.notes.kept)
        };
        let state = &mut self.places[place.index()];
        if event == Event::Judged(Finding::On) {
            state.fresh_from = None;
        }
        state.machine.handle_with_context(&event, &mut state.notes);
        state.state = state.machine.state().occupancy();
        let after = (state.state, state.notes.kept);
        if before == after {
            self.say_why_still(place, event, on);
            return;
        }
        self.places[place.index()].held = false;
        if event == Event::Judged(Finding::Released(Verdict::TakenByHand)) {
            let until = self.fiddle_end(place);
            self.places[place.index()].fiddle_until = until;
        }
        self.note_place_change(place, before, on);
    }

    /// Everything that follows from a change of state or of what is kept.
    pub(crate) fn note_place_change(
        &mut self,
        place: PlaceId,
        before: (Occupancy, Option<Kept>),
        on: Option<DetectorId>,
    ) {
        let now = self.now;
        let why = self.why_place(place, before.0, on);
        let state = &mut self.places[place.index()];
        if state.state != before.0 {
            state.since = now;
        }
        state.why = why;
        match (before.0, state.state) {
            (was, is) if was == is => {}
            (Occupancy::Occupied, Occupancy::Unknown)
                if state.notes.kept.is_none() && state.fiddle_until.is_some() =>
            {
                self.place_events.push(PlaceEvent::TakenByHand(place));
            }
            (_, Occupancy::Vacant) => {
                state.vacated = now;
                self.place_events.push(PlaceEvent::Vacated(place));
            }
            (_, Occupancy::Lost) => self.place_events.push(PlaceEvent::Lost(place)),
            (_, Occupancy::Dark) => self.place_events.push(PlaceEvent::Darkened(place)),
            (_, Occupancy::Unknown) if state.notes.kept == Some(Kept::Vacant) => {
                self.place_events.push(PlaceEvent::Vacated(place));
            }
            (_, Occupancy::Unknown | Occupancy::Occupied) => {}
        }
        self.report_place(place, before.0);
        self.tell_train_lost(place);
        self.place_moved(place);
    }

    fn report_place(&mut self, place: PlaceId, was: Occupancy) {
        let state = &self.places[place.index()];
        match self.track.places[place.index()].kind {
            PlaceKind::Block(block) => {
                let what = What::Block {
                    block,
                    was,
                    state: state.state,
                    kept: state.notes.kept,
                    why: state.why.clone(),
                };
                self.emit(what);
                self.touched.insert(Item::Block(block));
            }
            PlaceKind::Turnout(turnout) => {
                self.touched.insert(Item::Turnout(turnout));
            }
            PlaceKind::Crossing(crossing) => {
                self.touched.insert(Item::Crossing(crossing));
            }
        }
    }

    /// The turnouts that look at this place.
    pub(crate) fn mark_watchers(&mut self, place: PlaceId) {
        for index in 0..self.watchers[place.index()].len() {
            let turnout = self.watchers[place.index()][index];
            self.dirty.turnouts.mark(turnout.index());
        }
    }

    /// Marks everything that looks at this place.
    pub(crate) fn place_moved(&mut self, place: PlaceId) {
        self.mark_watchers(place);
        for table in 0..self.layout.tables.len() {
            if self.track.block(self.layout.tables[table].bridge) == place {
                self.dirty.tables.mark(table);
            }
        }
        for feed in self.places[place.index()].feeds.clone() {
            self.dirty.feeds.mark(feed.index());
        }
        let near = self.neighbours(place);
        for next in near.into_iter().chain([place]) {
            // B6: cars can be pushed into dead track unseen.
            if self.places[next.index()].state == Occupancy::Dark {
                self.forget_vacancy_of_dark(next);
            }
            self.mark_trains_in(next);
        }
        self.ahead_of_place(place);
        self.judge_calm(place);
    }

    /// Where the place is proven vacant and no train is near, a vacant level may be followed.
    fn judge_calm(&mut self, place: PlaceId) {
        for next in self.neighbours(place).into_iter().chain([place]) {
            let state = &self.places[next.index()];
            let calm = state.state == Occupancy::Vacant
                && self
                    .neighbours(next)
                    .into_iter()
                    .all(|near| !self.places[near.index()].is_in_the_way());
            for id in self.places[next.index()].detectors.clone() {
                self.detectors[id.index()].calm = calm;
            }
        }
    }

    /// B6: kept vacant becomes kept null as soon as a neighbour on the road is occupied.
    pub(crate) fn forget_vacancy_of_dark(&mut self, place: PlaceId) {
        let state = &self.places[place.index()];
        if state.state != Occupancy::Dark || state.notes.kept != Some(Kept::Vacant) {
            return;
        }
        let threatened = self
            .neighbours(place)
            .into_iter()
            .any(|next| self.places[next.index()].state == Occupancy::Occupied);
        if threatened {
            let before = (Occupancy::Dark, Some(Kept::Vacant));
            self.places[place.index()].notes.kept = None;
            self.note_place_change(place, before, None);
        }
    }

    /// B6: current flows although the feed is off.
    fn tell_power_where_off(&mut self, place: PlaceId, tally: Tally) {
        let state = &self.places[place.index()];
        let by_current = tally
            .on
            .is_some_and(|d| self.layout.detectors[d.index()].kind == DetectorKind::Current);
        let condition = match state.dead_since {
            Some(dead) if by_current => Some(dead.max(state.on_since)),
            _ => None,
        };
        let id = self.track.places[place.index()].id.clone();
        match condition {
            Some(since) => {
                let text = wording::power_where_off(&self.place_label(place));
                self.raise_since(AlarmKind::PowerWhereOff, &id, since, text);
            }
            // Missing data never ends an alarm: only an `off` or the feed's return does.
            None if tally.none == 0 || state.power == Power::Live => {
                self.clear(AlarmKind::PowerWhereOff, &id);
            }
            None => {}
        }
    }

    fn tell_train_lost(&mut self, place: PlaceId) {
        let state = &self.places[place.index()];
        let id = self.track.places[place.index()].id.clone();
        let lost = state.state == Occupancy::Lost || state.notes.kept == Some(Kept::Lost);
        if lost {
            let lost_time = self.lost_time(place);
            let since = state.since;
            let text = wording::train_lost(&self.place_label(place));
            if state.state == Occupancy::Lost {
                self.raise_after(AlarmKind::TrainLost, &id, since, lost_time, text);
            }
        } else {
            self.clear(AlarmKind::TrainLost, &id);
        }
    }

    fn lost_time(&self, place: PlaceId) -> Span {
        match self.track.places[place.index()].kind {
            PlaceKind::Block(b) => self.layout.blocks[b.index()].lost,
            PlaceKind::Turnout(t) => self.layout.turnouts[t.index()].lost,
            PlaceKind::Crossing(k) => self.layout.crossings[k.index()].lost,
        }
    }

    fn place_wake(&self, place: PlaceId, finding: Finding) -> Option<Instant> {
        let state = &self.places[place.index()];
        let release = state
            .off_since
            .filter(|_| finding == Finding::Off)
            .map(|since| {
                since
                    .plus(self.release_time(place))
                    .max(state.fiddle_until.unwrap_or_default())
            });
        let fresh = state.fresh_from.filter(|from| self.now < *from);
        let still_on = state.dead_since.map(|dead| dead.plus(STILL_ON));
        [
            release,
            fresh,
            still_on.filter(|at| *at > self.now),
            state.unseen_left.filter(|at| *at > self.now),
            state.lit_by_bridge_until.filter(|at| *at > self.now),
        ]
        .into_iter()
        .flatten()
        .min()
    }
}
