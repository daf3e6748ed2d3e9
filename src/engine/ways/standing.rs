//! What keeps a way from being ready, apart from what is to be set: places that are not clear,
//! points, crossings and tables that another train is on, power that is not there, and everything
//! that is not proven.
//!
//! Inputs: the items of a way, and all that the engine holds. Outputs: hindrances with their causes
//! in words. The default of every question is 'in the way'.

use alloc::collections::BTreeSet;
use alloc::format;
use alloc::string::String;
use alloc::vec::Vec;

use super::search::Hop;
use super::{Hindrance, Pass};
use crate::Engine;
use crate::change::{Clearance, Kept, Occupancy, TableState};
use crate::feed;
use crate::ids::{FeedId, PlaceId, TableId, TrainId, TurnoutId};
use crate::input::{Position, TablePosition};
use crate::layout::{CrossingTrack, End, Side, Via};
use crate::track::Taking;
use crate::wording;

impl Engine {
    /// What is in the way, in the order in which a train meets it, each item once.
    pub(super) fn in_the_way(&self, passes: &[Pass], course: &[Hop]) -> Vec<Hindrance> {
        let mut list: Vec<Hindrance> = Vec::new();
        // From the first moment: what has changed since then nobody has heard.
        if !self.broker || self.broker_lost_at.is_some() {
            list.push(Hindrance {
                id: String::from("broker"),
                why: wording::broker_lost(),
            });
        }
        // The train that is to go stands in the first place, and may reach on from there.
        let own = passes
            .first()
            .and_then(|pass| self.place_passed(*pass))
            .map(|place| self.places[place.index()].trains.as_slice())
            .unwrap_or_default();
        let mut reaches = true;
        let mut asked = BTreeSet::new();
        for (index, pass) in passes.iter().enumerate() {
            if let Some(place) = self.place_passed(*pass) {
                reaches = reaches && (index == 0 || self.is_held_only_by(place, own));
            }
            let found = match *pass {
                Pass::Turnout(turnout, position) => self
                    .points_hindrance(turnout, position, own)
                    .or_else(|| self.place_hindrance(*pass, reaches)),
                Pass::Table(table, stop) => self.table_hindrance(table, stop, own),
                Pass::Crossing(_) => self
                    .place_hindrance(*pass, reaches)
                    .or_else(|| self.crossing_hindrance(*pass, course, own)),
                Pass::Block(_) => self.place_hindrance(*pass, reaches),
            };
            for feed in self.feeds_of(*pass) {
                if asked.insert(feed) {
                    list.extend(self.feed_hindrance(feed, passes));
                }
            }
            if let Some(found) = found
                && !list.iter().any(|known| known.id == found.id)
            {
                list.push(found);
            }
        }
        list
    }

    /// Whether a place is held by these trains and by no other; by none at all it is not held.
    fn is_held_only_by(&self, place: PlaceId, own: &[TrainId]) -> bool {
        let trains = &self.places[place.index()].trains;
        !trains.is_empty()
            && trains
                .iter()
                .all(|id| own.contains(id) && self.train(*id).is_some_and(|t| t.or.is_empty()))
    }

    fn place_hindrance(&self, pass: Pass, own: bool) -> Option<Hindrance> {
        let place = self.place_passed(pass)?;
        let state = &self.places[place.index()];
        let why = match (state.state, state.notes.kept) {
            (Occupancy::Vacant, _) => return None,
            (Occupancy::Occupied, _) if own && !state.remembered => return None,
            (Occupancy::Occupied, _) if state.remembered => {
                String::from("occupied before the start, and not seen since")
            }
            (Occupancy::Occupied, _) => self.occupied_by(place),
            (Occupancy::Lost, _) => String::from("a train was here and was not seen to leave"),
            (Occupancy::Unknown, _) => format!("not known whether it is empty ({})", state.why),
            (Occupancy::Dark, kept) => String::from(match kept {
                Some(Kept::Vacant) => "dark: it was empty, which nothing proves without power",
                Some(Kept::Occupied) => "dark: a train stood here when the power went",
                Some(Kept::Lost) => "dark: a train was not seen to leave it",
                None => "dark: what stands on the dead track is not known",
            }),
        };
        let label = self.place_label(place);
        Some(hindrance(
            &self.track.places[place.index()].id,
            &label,
            &why,
        ))
    }

    fn occupied_by(&self, place: PlaceId) -> String {
        let trains = &self.places[place.index()].trains;
        let names: Vec<String> = trains.iter().map(|id| self.train_label(*id)).collect();
        if names.is_empty() {
            String::from("occupied")
        } else {
            format!("occupied by {}", names.join(" and "))
        }
    }

    fn points_hindrance(
        &self,
        id: TurnoutId,
        needed: Position,
        own: &[TrainId],
    ) -> Option<Hindrance> {
        let turnout = &self.layout.turnouts[id.index()];
        let state = &self.turnouts[id.index()];
        let lies = self.points.turnouts[id.index()] == needed;
        let why = if state.state == Clearance::Fouled || state.fouled {
            let cover = state
                .place
                .or_else(|| turnout.covered_by.map(|block| self.track.block(block)));
            let by_own = cover.is_some_and(|place| self.is_held_only_by(place, own));
            match (by_own, lies) {
                (true, true) => return self.position_hindrance(id),
                (true, false) => "the train itself may be on them: look before you set them",
                (false, _) => "a train is on the points or foul of them",
            }
        } else if lies && state.state == Clearance::Unknown {
            "not proven clear"
        } else if lies {
            return self.position_hindrance(id);
        } else {
            return None;
        };
        let label = wording::points(&turnout.name);
        let why = format!("{why} ({})", state.why);
        Some(hindrance(&turnout.id, &label, &why))
    }

    /// Points that lie right, as far as is known: whether that is proven.
    fn position_hindrance(&self, id: TurnoutId) -> Option<Hindrance> {
        let turnout = &self.layout.turnouts[id.index()];
        let state = &self.turnouts[id.index()];
        let why = if state.remembered {
            "where they lie is only remembered from before the start"
        } else if state.position.assumed {
            "taken to be where they were asked to be: look once, then say 'seen'"
        } else {
            return None;
        };
        let label = wording::points(&turnout.name);
        Some(hindrance(&turnout.id, &label, why))
    }

    fn table_hindrance(&self, id: TableId, stop: usize, own: &[TrainId]) -> Option<Hindrance> {
        let table = &self.layout.tables[id.index()];
        let state = &self.tables[id.index()];
        let lies = state.position == TablePosition::At(stop);
        let why = match state.state {
            TableState::Free => return None,
            TableState::Fouled => {
                let bridge = self.track.block(table.bridge);
                if self.is_held_only_by(bridge, own) && lies {
                    return None;
                }
                "a train stands across its edge"
            }
            TableState::Unknown if lies => "not proven that nothing stands across its edges",
            TableState::Unknown => return None,
        };
        Some(hindrance(&table.id, &table.name, why))
    }

    /// A train that holds both neighbours of a crossing's other track is on the crossing.
    fn crossing_hindrance(&self, pass: Pass, course: &[Hop], own: &[TrainId]) -> Option<Hindrance> {
        let Pass::Crossing(id) = pass else {
            return None;
        };
        let tracks: BTreeSet<CrossingTrack> = course
            .iter()
            .filter_map(|hop| match hop.by {
                End::Crossing(crossing, track, _) => Some((crossing, track)),
                End::Block(..) | End::Turnout(..) => None,
            })
            .filter(|(crossing, _)| *crossing == id)
            .map(|(_, track)| track)
            .collect();
        let crosses = |track: CrossingTrack| {
            let other = match track {
                CrossingTrack::First => CrossingTrack::Second,
                CrossingTrack::Second => CrossingTrack::First,
            };
            let at = |side| self.trains_beyond(End::Crossing(id, other, side));
            let (a, b) = (at(Side::A), at(Side::B));
            a.intersection(&b).copied().find(|id| !own.contains(id))
        };
        let train = tracks.into_iter().find_map(crosses)?;
        let why = format!("{} is on its other track", self.train_label(train));
        let crossing = &self.layout.crossings[id.index()];
        Some(hindrance(&crossing.id, &crossing.name, &why))
    }

    /// The trains in the places next beyond an end, along the road as it is set.
    fn trains_beyond(&self, end: End) -> BTreeSet<TrainId> {
        self.track
            .reach(end, &self.points, Taking::AsSet)
            .iter()
            .flat_map(|next| self.places[next.place.index()].trains.iter().copied())
            .collect()
    }

    /// A feed that is on and is not live, or that points or a table route, and the way does not set
    /// them so.
    fn feed_hindrance(&self, id: FeedId, passes: &[Pass]) -> Option<Hindrance> {
        let feed = &self.layout.feeds[id.index()];
        let state = &self.feeds[id.index()];
        if let Some(via) = feed.via {
            let holds = feed::routed(via, &self.points.turnouts, &self.points.tables);
            if holds != Some(true) {
                return self.routed_hindrance(id, via, passes);
            }
        }
        let why = if state.on != Some(true) {
            // It is to be switched on: that is listed.
            return None;
        } else if state.failed {
            "on, but the power has failed"
        } else if !state.is_live() {
            "on, but nothing proves that there is power"
        } else if state.remembered {
            "its switch is only remembered from before the start"
        } else {
            return None;
        };
        Some(hindrance(&feed.id, &feed.name, why))
    }

    /// Power that comes with a position which does not hold yet: in the way unless the way itself
    /// needs that position.
    fn routed_hindrance(&self, id: FeedId, via: Via, passes: &[Pass]) -> Option<Hindrance> {
        let (what, brings) = match via {
            Via::Turnout(turnout, leg) => {
                let (position, word) = match leg {
                    crate::layout::Leg::Reverse => (Position::Reverse, "diverging"),
                    crate::layout::Leg::Toe | crate::layout::Leg::Normal => {
                        (Position::Normal, "straight")
                    }
                };
                let name = wording::points(&self.layout.turnouts[turnout.index()].name);
                let what = format!("{name} are set {word}");
                (what, passes.contains(&Pass::Turnout(turnout, position)))
            }
            Via::Table(table, stop) => {
                let item = &self.layout.tables[table.index()];
                let at = item.stops.get(stop).map_or("", |stop| stop.at.as_str());
                let what = format!("{} is at {at}", item.name);
                (what, passes.contains(&Pass::Table(table, stop)))
            }
        };
        let why = format!("there is power only while {what}");
        let feed = &self.layout.feeds[id.index()];
        (!brings).then(|| hindrance(&feed.id, &feed.name, &why))
    }
}

fn hindrance(id: &str, label: &str, why: &str) -> Hindrance {
    Hindrance {
        id: String::from(id),
        why: format!("{label}: {why}"),
    }
}
