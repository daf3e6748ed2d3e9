//! Views: every item's record as plain data with written ids.

use alloc::format;
use alloc::string::String;
use alloc::vec::Vec;

use crate::Engine;
use crate::change::{Health, Item};
use crate::ids::{BlockId, DetectorId, FeedId, TableId, TrainId, TurnoutId};
use crate::input::TablePosition;
use crate::layout::{CrossingTrack, End, Leg, Side};
use crate::snapshot::{
    Ahead, AlarmView, BlockView, DetectorView, FeedView, Snapshot, TableView, TrainView,
    TurnoutView,
};
use crate::train::Train;
use crate::train::measure::scale_kmh;
use crate::train::weigh::weights;

/// One item's record.
#[derive(Clone, Debug, PartialEq)]
pub enum View {
    /// A block or bridge.
    Block(BlockView),
    /// A turnout.
    Turnout(TurnoutView),
    /// A table.
    Table(TableView),
    /// A feed.
    Feed(FeedView),
    /// A detector.
    Detector(DetectorView),
    /// A train.
    Train(TrainView),
    /// An alarm.
    Alarm(AlarmView),
}

impl Health {
    /// The word in JSON.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Ok => "ok",
            Self::Silent => "silent",
            Self::Implausible => "implausible",
            Self::Stuck => "stuck",
            Self::Noisy => "noisy",
            Self::Drifting => "drifting",
            Self::Disagreeing => "disagreeing",
            Self::Coupled => "coupled",
            Self::OutOfService => "out-of-service",
        }
    }
}

impl Engine {
    /// Everything, now.
    #[must_use]
    pub fn snapshot(&self) -> Snapshot {
        let numbers = |count: usize| 0..count as u32;
        Snapshot {
            at: self.now,
            broker: self.broker,
            waiting: self.waiting(),
            blocks: numbers(self.layout.blocks.len())
                .map(|index| self.block_view(BlockId(index)))
                .collect(),
            turnouts: numbers(self.layout.turnouts.len())
                .map(|index| self.turnout_view(TurnoutId(index)))
                .collect(),
            tables: numbers(self.layout.tables.len())
                .map(|index| self.table_view(TableId(index)))
                .collect(),
            feeds: numbers(self.layout.feeds.len())
                .map(|index| self.feed_view(FeedId(index)))
                .collect(),
            detectors: numbers(self.layout.detectors.len())
                .map(|index| self.detector_view(DetectorId(index)))
                .collect(),
            trains: self
                .trains
                .keys()
                .filter_map(|id| self.train_view(*id))
                .collect(),
            alarms: self.desk.views(),
            measures: self.desk.measures(self.now),
            line_up: self.line_up(),
        }
    }

    /// One block, turnout, table, feed, detector, train or alarm, now. `None` for a train that is
    /// gone, for an alarm that is normal, and for a crossing, which has no record of its own.
    #[must_use]
    pub fn view(&self, item: &Item) -> Option<View> {
        Some(match item {
            Item::Feed(id) => View::Feed(self.feed_view(*id)),
            Item::Detector(id) => View::Detector(self.detector_view(*id)),
            Item::Block(id) => View::Block(self.block_view(*id)),
            Item::Turnout(id) => View::Turnout(self.turnout_view(*id)),
            Item::Table(id) => View::Table(self.table_view(*id)),
            Item::Crossing(_) => return None,
            Item::Train(id) => View::Train(self.train_view(*id)?),
            Item::Alarm(id) => View::Alarm(self.desk.view(id)?),
        })
    }

    /// While silence raises nothing: devices heard from, of all.
    fn waiting(&self) -> Option<(usize, usize)> {
        if self.now >= self.quiet_until || self.nodes.is_empty() {
            return None;
        }
        let heard = self
            .nodes
            .iter()
            .filter(|node| node.online == Some(true))
            .count();
        (heard < self.nodes.len()).then_some((heard, self.nodes.len()))
    }

    fn block_view(&self, id: BlockId) -> BlockView {
        let state = &self.places[self.track.block(id).index()];
        BlockView {
            id: self.layout.blocks[id.index()].id.clone(),
            state: state.state,
            since: state.since,
            trains: state
                .trains
                .iter()
                .map(|train| self.train_name(*train))
                .collect(),
            kept: state.notes.kept,
            remembered: state.remembered,
            told: state.told,
            why: state.why.clone(),
        }
    }

    fn turnout_view(&self, id: TurnoutId) -> TurnoutView {
        let state = &self.turnouts[id.index()];
        TurnoutView {
            id: self.layout.turnouts[id.index()].id.clone(),
            position: state.position.position,
            from: state.position.from,
            assumed: state.position.assumed,
            state: state.state,
            since: state.since,
            remembered: state.remembered,
            in_charge: state.in_charge.clone(),
            movements: state.movements,
            why: state.why.clone(),
        }
    }

    fn table_view(&self, id: TableId) -> TableView {
        let table = &self.layout.tables[id.index()];
        let state = &self.tables[id.index()];
        TableView {
            id: table.id.clone(),
            position: match state.position {
                TablePosition::At(stop) => table.stops[stop].at.clone(),
                TablePosition::Between => String::from("between"),
                TablePosition::Unknown => String::from("unknown"),
            },
            state: state.state,
            since: state.since,
            why: match state.state {
                crate::change::TableState::Free => String::from("nothing across its edges"),
                crate::change::TableState::Fouled => String::from("a train stands across its edge"),
                crate::change::TableState::Unknown => String::from("not proven"),
            },
        }
    }

    fn feed_view(&self, id: FeedId) -> FeedView {
        let state = &self.feeds[id.index()];
        FeedView {
            id: self.layout.feeds[id.index()].id.clone(),
            on: state.on,
            live: state.is_live(),
            failed: state.failed,
            volts: state.volts,
            since: state.since,
        }
    }

    fn detector_view(&self, id: DetectorId) -> DetectorView {
        let detector = &self.layout.detectors[id.index()];
        let state = &self.detectors[id.index()];
        DetectorView {
            id: detector.id.clone(),
            evidence: state.evidence,
            health: state.health,
            reading: state.reading,
            unit: detector.unit,
            heard: state.heard(),
            since: state.evidence_since,
            dropouts: state.more.dropouts,
            passes: state.more.passes,
            dropped: (state.more.late, state.more.implausible),
            clock_steps: state.clock_steps(),
        }
    }

    fn train_view(&self, id: TrainId) -> Option<TrainView> {
        let train = self.trains.get(&id)?;
        let name = |place: &crate::ids::PlaceId| self.track.places[place.index()].id.clone();
        Some(TrainView {
            id: self.train_name(id),
            name: train.name.clone(),
            identity: self.shown_identity(train),
            blocks: train.blocks().iter().map(name).collect(),
            heading: train.heading(&self.track).map(|end| self.end_name(end)),
            stopped: train.stopped,
            lost: train.lost,
            speed_mm_s: train.measure.speed_mm_s.filter(|_| !train.stopped),
            scale_kmh: train
                .measure
                .speed_mm_s
                .filter(|_| !train.stopped)
                .map(|speed| scale_kmh(speed, self.layout.scale_ratio)),
            length_mm: train.measure.length_mm,
            length_sd_mm: train.measure.length_sd_mm,
            unconfirmed: train.head().is_some_and(|link| link.unconfirmed),
            sure: train.or.is_empty(),
            or: self.rivals_of(train),
            weights: self.weights_of(train),
            parent: train.parent.map(|parent| self.train_name(parent)),
            ahead: train.ahead.as_ref().map(|stop| Ahead {
                what: stop.kind,
                at: stop.at.clone(),
                seconds: self.seconds_left(train, stop),
            }),
            remembered: train.remembered,
            since: train.since,
        })
    }

    /// Other trains that it could be.
    fn rivals_of(&self, train: &Train) -> Vec<String> {
        train
            .or
            .iter()
            .map(|rival| self.train_name(rival.train))
            .collect()
    }

    /// How likely each story is: that it is this train, then each of the others.
    fn weights_of(&self, train: &Train) -> Vec<(String, f64)> {
        if train.or.is_empty() {
            return Vec::new();
        }
        let (told, others) = weights(&train.or);
        let others = self.rivals_of(train).into_iter().zip(others);
        core::iter::once((self.train_name(train.id), told))
            .chain(others)
            .collect()
    }

    /// An end as the plan writes it: `loop-east.b`, `w1.toe`.
    #[must_use]
    pub fn end_name(&self, end: End) -> String {
        let side = |side: Side| match side {
            Side::A => "a",
            Side::B => "b",
        };
        match end {
            End::Block(b, s) => format!("{}.{}", self.layout.blocks[b.index()].id, side(s)),
            End::Turnout(t, leg) => {
                let leg = match leg {
                    Leg::Toe => "toe",
                    Leg::Normal => "normal",
                    Leg::Reverse => "reverse",
                };
                format!("{}.{leg}", self.layout.turnouts[t.index()].id)
            }
            End::Crossing(k, track, s) => {
                let track = match track {
                    CrossingTrack::First => "first",
                    CrossingTrack::Second => "second",
                };
                format!(
                    "{}.{track}.{}",
                    self.layout.crossings[k.index()].id,
                    side(s)
                )
            }
        }
    }

    /// The written ids of every place that a train can be known to be in.
    #[must_use]
    pub fn place_names(&self) -> Vec<&str> {
        self.track
            .places
            .iter()
            .map(|place| place.id.as_str())
            .collect()
    }
}
