//! Borders: a layout that several daemons share, each with its own track (DEVELOPERS.md, 'Many
//! computers').
//!
//! Input: the peers' words. Output: evidence for the places beyond our borders, who the trains
//! there are, and whether a peer agrees that a train of ours has gone on there; our own word to
//! them. What such a place is, and who moves where, the other machines decide as for any place.
//!
//! Two daemons that each believe a train to be with the other would both lose it. So a word of a
//! peer counts for the release of a place of ours only when the peer had heard, as it gave that
//! word, that we do not see the train any more. No clock and no latency enters into that.

mod across;

use alloc::format;
use alloc::string::String;
use alloc::vec::Vec;

pub(crate) use across::Came;

use crate::Engine;
use crate::change::{Evidence, Item, Kept, Occupancy, TrainEvent};
use crate::ids::{BlockId, DetectorId, NodeId, PeerId, PlaceId, TrainId};
use crate::input::{Outcome, PeerBlock, PeerTrain, PeerWord, Reading, Sample};
use crate::layout::{Border, Detector, Layout, Subject};
use crate::snapshot::BorderWord;
use crate::train::Train;

/// What is known of the peers, and what they were told.
#[derive(Clone, Debug, Default)]
pub(crate) struct Borders {
    /// What tells this numbering of trains from one that began anew.
    pub(crate) series: String,
    /// This run's words are numbered together; empty in a replay, where every run is ours.
    run: String,
    number: u64,
    blocks: Vec<(BlockId, Occupancy, Vec<String>)>,
    trains: Vec<PeerTrain>,
    peers: Vec<Heard>,
}

/// What was last heard of one peer.
#[derive(Clone, Debug, Default)]
struct Heard {
    run: String,
    /// The run before: its words come late.
    before: String,
    number: u64,
    /// The number of our word that it had heard then.
    ours: Option<u64>,
    blocks: Vec<PeerBlock>,
    trains: Vec<PeerTrain>,
}

/// Whether a peer has a train that is seen nowhere here.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Agreement {
    /// A peer that knows that we do not see it sees it.
    Seen,
    /// A peer has not answered to our last word, or is not heard.
    Unheard,
    /// It cannot have gone over a border, or all that it can have gone to have answered and none of
    /// them sees it.
    NotSeen,
}

impl Borders {
    pub(crate) fn new(layout: &Layout) -> Self {
        Self {
            peers: layout.peers.iter().map(|_| Heard::default()).collect(),
            ..Self::default()
        }
    }
}

impl Engine {
    /// Names this run, so that its words are not taken for those of another. Not called in a
    /// replay.
    pub fn begin_run(&mut self, run: &str) {
        self.borders.run = String::from(run);
        if self.borders.series.is_empty() {
            self.borders.series = String::from(run);
        }
        self.number_word();
    }

    /// What is to be said to the peers; `None` where there are none.
    #[must_use]
    pub fn border_word(&self) -> Option<BorderWord> {
        if self.layout.peers.is_empty() {
            return None;
        }
        let peers = self.layout.peers.iter().zip(&self.borders.peers);
        let heard = peers.filter(|(_, heard)| !heard.run.is_empty());
        let written = |(block, state, trains): &(BlockId, Occupancy, Vec<String>)| {
            let id = self.layout.blocks[block.index()].id.clone();
            (id, *state, trains.clone())
        };
        Some(BorderWord {
            run: self.borders.run.clone(),
            number: self.borders.number,
            heard: heard
                .map(|(peer, heard)| (peer.prefix.clone(), heard.run.clone(), heard.number))
                .collect(),
            blocks: self.borders.blocks.iter().map(written).collect(),
            trains: self.borders.trains.clone(),
        })
    }

    /// Numbers our word anew where it says something else than before.
    pub(crate) fn number_word(&mut self) {
        if self.layout.peers.is_empty() {
            return;
        }
        self.note_astray();
        let borders = self.layout.peers.iter().flat_map(|peer| &peer.borders);
        let mut here: Vec<BlockId> = borders.map(|border| border.here).collect();
        here.sort_unstable();
        here.dedup();
        let blocks: Vec<(BlockId, Occupancy, Vec<String>)> =
            here.into_iter().map(|block| self.own_side(block)).collect();
        let trains: Vec<PeerTrain> = self
            .trains
            .values()
            .map(|train| PeerTrain {
                identity: self.identity(train),
                was: train.was.clone(),
                name: train.name.clone(),
                seen: self.is_with_us(train),
                gone_to: self.gone_on_to(train),
                seeks: self.is_sought(train),
                astray: !train.astray.is_empty() && !train.lost && !self.is_sought(train),
                unexplained: train.came.is_some(),
            })
            .collect();
        if blocks != self.borders.blocks || trains != self.borders.trains {
            self.borders.number += 1;
            (self.borders.blocks, self.borders.trains) = (blocks, trains);
        }
        self.number_those_who_came();
    }

    fn own_side(&self, block: BlockId) -> (BlockId, Occupancy, Vec<String>) {
        let state = &self.places[self.track.block(block).index()];
        // What is only remembered is no word to others (B8).
        let said = if state.remembered {
            Occupancy::Unknown
        } else {
            state.state
        };
        let trains = state.trains.iter().filter_map(|id| self.train(*id));
        let trains = trains.map(|train| self.identity(train)).collect();
        (block, said, trains)
    }

    /// Who a train is, for all daemons: who saw it first, its number there, and which numbering
    /// that was.
    fn identity(&self, train: &Train) -> String {
        let own = || {
            let name = self.train_name(train.id);
            format!("{}/{name}@{}", self.layout.prefix, self.borders.series)
        };
        train.identity.clone().unwrap_or_else(own)
    }

    /// As the record shows it: nothing where the layout is not shared.
    pub(crate) fn shown_identity(&self, train: &Train) -> Option<String> {
        (!self.layout.peers.is_empty()).then(|| self.identity(train))
    }

    /// The number of a train that this daemon saw first, alive or not.
    fn number_of(&self, identity: &str) -> Option<TrainId> {
        let below = identity.strip_prefix(self.layout.prefix.as_str())?;
        let (name, series) = below.strip_prefix('/')?.split_once('@')?;
        let ours = self.borders.series.is_empty() || series == self.borders.series;
        let number: u32 = name.strip_prefix('t')?.parse().ok()?;
        (ours && number <= self.next_train && number > 0).then_some(TrainId(number))
    }

    /// The train here that goes by this identity.
    fn train_of(&self, identity: &str) -> Option<TrainId> {
        let foreign = |train: &&Train| {
            let mut names = [&train.identity, &train.was].into_iter().flatten();
            names.any(|name| name == identity)
        };
        let own = self.number_of(identity).filter(|id| {
            self.train(*id)
                .is_some_and(|train| train.identity.is_none())
        });
        own.or_else(|| self.trains.values().find(foreign).map(|train| train.id))
    }

    /// Whether a place is a peer's.
    pub(crate) fn is_beyond(&self, place: PlaceId) -> bool {
        self.peer_of(place).is_some()
    }

    /// Whether a detector stands for what a peer says.
    pub(crate) fn is_word(&self, detector: &Detector) -> bool {
        let Subject::Block(block, _) = detector.subject else {
            return false;
        };
        self.layout.blocks[block.index()].beyond.is_some()
    }

    /// The peer that a place belongs to.
    pub(crate) fn peer_of(&self, place: PlaceId) -> Option<PeerId> {
        if self.layout.peers.is_empty() {
            return None;
        }
        let block = self.track.block_of(place)?;
        self.layout.blocks[block.index()].beyond
    }

    /// Whether what comes and goes here is a peer.
    pub(crate) fn is_peer(&self, node: NodeId) -> bool {
        self.layout.peers.iter().any(|peer| peer.node == node)
    }

    fn borders_of(&self, peer: PeerId) -> &[Border] {
        &self.layout.peers[peer.index()].borders
    }

    /// Whether a peer's word can be relied on.
    fn is_heard(&self, peer: PeerId) -> bool {
        let mut borders = self.borders_of(peer).iter();
        let heard = borders.all(|border| {
            let word = &self.detectors[border.word.index()];
            !word.is_silent() && word.heard().is_some()
        });
        heard && self.broker_lost_at.is_none()
    }

    /// Whether a peer's word was given when it had heard our last one.
    fn has_answered(&self, peer: PeerId) -> bool {
        self.is_heard(peer) && self.borders.peers[peer.index()].ours == Some(self.borders.number)
    }

    /// Whether the peer that a place belongs to sees a train anywhere, or knows who else sees it;
    /// `None`: it knows of no such train.
    pub(crate) fn peer_sees(&self, train: &Train, place: PlaceId) -> Option<bool> {
        let peer = self.peer_of(place)?;
        let mut trains = self.borders.peers[peer.index()].trains.iter();
        trains
            .find(|listed| self.train_of(&listed.identity) == Some(train.id))
            .map(|listed| {
                let else_where = listed.gone_to.as_ref();
                listed.seen || else_where.is_some_and(|prefix| *prefix != self.layout.prefix)
            })
    }

    /// Whether a train that is seen nowhere here any more is with a peer, both sides agreeing.
    pub(crate) fn agreement(&self, train: &Train, place: PlaceId) -> Agreement {
        if self.layout.peers.is_empty() {
            return Agreement::NotSeen;
        }
        let identity = self.identity(train);
        // Our own word must say already that we do not see it, and that we look for it: that is
        // what the peer answers to.
        let mut said = self.borders.trains.iter();
        let said = said.find(|train| train.identity == identity);
        let told = said.is_some_and(|train| !train.seen);
        let asked = train.lost || said.is_some_and(|train| train.seeks);
        let mut agreement = Agreement::NotSeen;
        for beyond in self.ways_beyond(train, place) {
            let answered = self.peer_of(beyond).is_some_and(|p| self.has_answered(p));
            if !told || !answered {
                agreement = Agreement::Unheard;
            } else if self.peer_sees(train, beyond) == Some(true) {
                return Agreement::Seen;
            } else if !asked || self.cannot_tell(beyond) {
                agreement = Agreement::Unheard;
            }
        }
        agreement
    }

    /// A peer's block that it knew of, and does not know of now: it answers when it does again.
    fn cannot_tell(&self, place: PlaceId) -> bool {
        let state = &self.places[place.index()];
        state.state == Occupancy::Unknown && state.notes.kept.is_some()
    }

    /// Takes a peer's word.
    pub(crate) fn hear_peer(&mut self, word: PeerWord) -> Outcome {
        if word.peer.index() >= self.borders.peers.len() {
            return Outcome::Implausible;
        }
        // The peer repeats its word; what the broker kept may be from an evening long ago.
        if word.retained {
            return Outcome::OldNews;
        }
        let run = self.borders.run.as_str();
        let last = self.borders.number;
        let ours = word.heard.as_ref().filter(|(of, number)| {
            // More than we have said is about another run of ours.
            (run.is_empty() || of == run) && *number <= last
        });
        let ours = ours.map(|(_, number)| *number);
        let heard = &mut self.borders.peers[word.peer.index()];
        if word.run == heard.run {
            if word.number < heard.number {
                return Outcome::Late;
            }
            let same = word.number == heard.number;
            heard.ours = if same { heard.ours.max(ours) } else { ours };
        } else if word.run == heard.before {
            return Outcome::Late;
        } else {
            heard.before = core::mem::replace(&mut heard.run, word.run);
            heard.ours = ours;
        }
        heard.number = word.number;
        heard.blocks.clone_from(&word.blocks);
        let before = core::mem::replace(&mut heard.trains, word.trains);
        self.hear_node(self.layout.peers[word.peer.index()].node, true);
        self.take_those_who_came(word.peer);
        self.take_names(word.peer, &before);
        self.send_back(word.peer);
        for block in &word.blocks {
            self.take_side(word.peer, block);
        }
        self.take_sought(word.peer, &before);
        self.look_at_waiting();
        Outcome::Taken
    }

    /// What the peer says of one place is that place's evidence.
    fn take_side(&mut self, peer: PeerId, block: &PeerBlock) {
        let borders = self.borders_of(peer).iter();
        let Some(id) = borders
            .filter(|border| border.place == block.place)
            .map(|border| border.word)
            .next()
        else {
            return;
        };
        let place = self.track.block(block.place);
        self.change_places(place);
        self.join_beyond(place);
        match block.occupied {
            Some(seen) => {
                let sample = Sample {
                    detector: id,
                    reading: Reading::Seen(seen),
                    own_time: None,
                    update_within: None,
                    retained: false,
                };
                self.take_sample(&sample);
            }
            None => self.take_doubt(id),
        }
    }

    /// B5: the peer is there and cannot tell.
    fn take_doubt(&mut self, id: DetectorId) {
        let now = self.now;
        let state = &mut self.detectors[id.index()];
        let before: (Evidence, crate::time::Instant) = (state.evidence, state.evidence_since);
        let moved = state.cannot_tell(&self.layout.detectors[id.index()], now);
        self.plan_detector_wake(id);
        if let Some(place) = self
            .track
            .watched_by(self.layout.detectors[id.index()].subject)
        {
            self.dirty.places.mark(place.index());
        }
        if moved.any() {
            self.note_moved(id, moved, before);
        }
    }

    /// Places that wait for an answer before they are released, and trains that were lost here
    /// and are found there (B4).
    fn look_at_waiting(&mut self) {
        for (index, state) in self.places.iter().enumerate() {
            if state.off_since.is_some() && !state.trains.is_empty() {
                self.dirty.places.mark(index);
            }
        }
        let lost = self.trains.values().filter(|train| {
            let last = train.chain.iter().find(|link| !self.is_beyond(link.place));
            let seen = |at: PlaceId| self.agreement(train, at) == Agreement::Seen;
            train.lost && last.is_some_and(|link| seen(link.place))
        });
        let lost: Vec<TrainId> = lost.map(|train| train.id).collect();
        for id in lost {
            if let Some(place) = self.train(id).and_then(|train| Some(train.head()?.place)) {
                self.end_lost_of(id, place);
            }
        }
    }

    /// The identities that the peer gives for one of its places.
    fn listed_in(&self, place: PlaceId) -> &[String] {
        let block = self.track.block_of(place);
        let peer = self.peer_of(place);
        let blocks = peer.map(|peer| &self.borders.peers[peer.index()].blocks);
        blocks
            .into_iter()
            .flatten()
            .find(|listed| Some(listed.place) == block)
            .map_or(&[], |listed| &listed.trains)
    }

    /// Beyond a border the peer knows who came in: of several candidates the one that it names, and
    /// none where it names another.
    pub(crate) fn keep_whom_the_peer_names(
        &self,
        place: PlaceId,
        candidates: &mut Vec<crate::train::Candidate>,
    ) {
        let listed = self.listed_in(place);
        if listed.is_empty() {
            return;
        }
        let named: Vec<TrainId> = listed.iter().filter_map(|who| self.train_of(who)).collect();
        candidates.retain(|candidate| named.contains(&candidate.train));
    }

    /// A train beyond a border that did not come from here: who it is, the peer says.
    pub(crate) fn train_beyond(&mut self, place: PlaceId) {
        let listed = self.listed_in(place);
        // Trains that we know to be elsewhere: the peer only holds on to the place until we answer.
        if !listed.is_empty() && listed.iter().all(|who| self.train_of(who).is_some()) {
            return;
        }
        // Of several that are listed nobody knows which it is.
        let identity = match self.listed_in(place) {
            [one] => Some(one.clone()),
            _ => None,
        };
        // One of ours that comes back keeps its number.
        let own = identity.as_deref().and_then(|who| self.number_of(who));
        let own = own.filter(|id| !self.trains.contains_key(id));
        let id = own.unwrap_or_else(|| {
            self.next_train += 1;
            TrainId(self.next_train)
        });
        self.put_train(id, place);
        if let Some(train) = self.trains.get_mut(&id) {
            train.nameless_beyond = identity.is_none();
            train.identity = identity.filter(|_| own.is_none());
        }
        self.take_name_of(id, place);
        self.emit_train(id, TrainEvent::New, Some(place));
        self.ahead_of_train(id);
    }

    fn take_name_of(&mut self, id: TrainId, place: PlaceId) {
        let Some(peer) = self.peer_of(place) else {
            return;
        };
        let mut trains = self.borders.peers[peer.index()].trains.iter();
        let name = trains
            .find(|listed| self.train_of(&listed.identity) == Some(id))
            .and_then(|listed| listed.name.clone());
        if let Some(train) = self.trains.get_mut(&id) {
            train.name = train.name.take().or(name);
        }
    }

    /// The train here that a peer speaks of. One that turned out to be another is that one from now
    /// on.
    fn train_by_any_name(&mut self, listed: &PeerTrain) -> Option<TrainId> {
        let known = self.train_of(&listed.identity);
        let was = listed.was.as_deref().filter(|_| known.is_none());
        let id = known.or_else(|| self.train_of(was?))?;
        if known.is_none()
            && let Some(train) = self.trains.get_mut(&id)
        {
            train.was = listed.was.clone();
            train.identity = Some(listed.identity.clone());
            self.touched.insert(Item::Train(id));
        }
        Some(id)
    }

    /// Names that were given on the other side, and who was only known to be somebody.
    fn take_names(&mut self, peer: PeerId, before: &[PeerTrain]) {
        let answers = self.has_answered(peer);
        for listed in self.borders.peers[peer.index()].trains.clone() {
            let Some(id) = self.train_by_any_name(&listed) else {
                continue;
            };
            let was = before.iter().find(|was| was.identity == listed.identity);
            // Given anew there, by somebody who knew the name here.
            let anew = answers && was.is_some_and(|was| was.name != listed.name);
            if let (Some(name), Some(train)) = (listed.name, self.trains.get_mut(&id))
                && (train.name.is_none() || anew)
                && train.name.as_ref() != Some(&name)
            {
                train.name = Some(name);
                self.touched.insert(Item::Train(id));
            }
        }
        let places: Vec<PlaceId> = self
            .borders_of(peer)
            .iter()
            .map(|border| self.track.block(border.place))
            .collect();
        for place in places {
            self.take_identity(place);
        }
    }

    /// The peer says only now who is in its block.
    fn take_identity(&mut self, place: PlaceId) {
        let [one] = self.listed_in(place) else {
            return;
        };
        let one = one.clone();
        let [id] = self.places[place.index()].trains[..] else {
            return;
        };
        if self.train_of(&one).is_some() || self.number_of(&one).is_some() {
            return;
        }
        if let Some(train) = self.trains.get_mut(&id)
            && core::mem::take(&mut train.nameless_beyond)
        {
            train.identity = Some(one);
            self.touched.insert(Item::Train(id));
            self.take_name_of(id, place);
        }
    }

    /// While the peer was not heard another train may have taken the place of one that it does not
    /// know any more, or that it knows to be elsewhere now.
    fn change_places(&mut self, place: PlaceId) {
        let answers = self.peer_of(place).is_some_and(|p| self.has_answered(p));
        if !answers {
            return;
        }
        let listed = !self.listed_in(place).is_empty();
        let trains = self.places[place.index()].trains.iter().copied();
        let gone: Vec<TrainId> = trains
            .filter(|id| {
                let Some(train) = self.train(*id).filter(|_| !self.is_named_in(place, *id)) else {
                    return false;
                };
                let only_there = train.chain.len() == 1;
                match self.peer_sees(train, place) {
                    None => listed,
                    Some(true) if only_there => true,
                    // It is here; who is there the peer knows better.
                    _ => listed && self.is_with_us(train),
                }
            })
            .collect();
        let went = !gone.is_empty();
        for id in gone {
            self.was_not_there(id, place);
        }
        let state = &self.places[place.index()];
        if !state.trains.is_empty() {
            return;
        }
        if state.on && listed {
            self.place_lit(place);
        } else if went
            && state.state == Occupancy::Unknown
            && state.notes.kept == Some(Kept::Occupied)
        {
            // What it kept was the train that has gone on.
            let before = (state.state, state.notes.kept);
            self.places[place.index()].notes.kept = Some(Kept::Vacant);
            self.note_place_change(place, before, None);
        }
    }
}
