//! Line-up: everything that is not as it should be before running (DEVELOPERS.md, section 8).

use alloc::format;
use alloc::string::String;
use alloc::vec::Vec;

use crate::Engine;
use crate::alarm::kinds::Priority;
use crate::alarm::lifecycle::AlarmState;
use crate::change::{Clearance, Health, Kept, Occupancy};
use crate::ids::{CrossoverId, FeedId, PlaceId, TableId, TurnoutId};
use crate::input::{Position, TablePosition};
use crate::layout::{FeedRest, PointsRest, Usage};
use crate::snapshot::{Exception, LineUp};
use crate::wording;

impl Engine {
    /// The exceptions to 'ready to run'.
    #[must_use]
    pub fn line_up(&self) -> LineUp {
        let mut list: Vec<Exception> = Vec::new();
        if !self.broker {
            list.push(stops(
                "broker",
                "The message broker does not answer",
                "Restart it",
            ));
        }
        for index in 0..self.layout.turnouts.len() {
            list.extend(self.turnout_exception(TurnoutId(index as u32)));
        }
        for index in 0..self.layout.crossovers.len() {
            list.extend(self.crossover_exception(CrossoverId(index as u32)));
        }
        for index in 0..self.layout.tables.len() {
            list.extend(self.table_exception(TableId(index as u32)));
        }
        for index in 0..self.places.len() {
            list.extend(self.place_exception(PlaceId(index as u32)));
        }
        for alarm in self.desk.views() {
            let unseen = matches!(
                alarm.state,
                AlarmState::Unacknowledged
                    | AlarmState::ReturnedUnacknowledged
                    | AlarmState::LatchedUnacknowledged
            );
            if unseen && alarm.priority >= Priority::Medium {
                list.push(stops(&alarm.id, &alarm.text, alarm.to_do));
            }
        }
        for index in 0..self.layout.feeds.len() {
            list.extend(self.feed_exception(FeedId(index as u32)));
        }
        self.note_detectors(&mut list);
        self.note_unwatched(&mut list);
        if self.heard == Some(false) {
            list.push(note(
                "warnings",
                "Nobody would hear a warning",
                "Open the page and touch 'Start watching', or set up a notifier",
            ));
        }
        // What stops running first, then by id: a stable order for people and for bytes.
        list.sort_by_key(|exception| core::cmp::Reverse(exception.stops));
        LineUp {
            ready: !list.iter().any(|exception| exception.stops),
            exceptions: list,
        }
    }

    fn turnout_exception(&self, id: TurnoutId) -> Option<Exception> {
        let turnout = &self.layout.turnouts[id.index()];
        let state = &self.turnouts[id.index()];
        let name = &wording::points(&turnout.name);
        if state.in_charge.is_some() {
            return Some(note(
                &turnout.id,
                &format!("{name} are in an operator's charge"),
                "Give them back when done",
            ));
        }
        if state.state == Clearance::Fouled && turnout.rest == PointsRest::Normal {
            return Some(stops(
                &turnout.id,
                &format!("A train is on {name}"),
                "Draw it clear of the points",
            ));
        }
        match (turnout.rest, state.position.position) {
            (PointsRest::Normal, Position::Reverse) => Some(stops(
                &turnout.id,
                &format!("{name} set diverging"),
                "Set them straight",
            )),
            (PointsRest::Normal, Position::Moving) => Some(stops(
                &turnout.id,
                &format!("{name} between straight and diverging"),
                "Free the blades",
            )),
            (PointsRest::Normal, Position::Unknown) => Some(stops(
                &turnout.id,
                &format!("Where {name} lie is not known"),
                "Look, then say 'seen normal', or mend the report",
            )),
            (PointsRest::None, _) | (PointsRest::Normal, Position::Normal) => {
                state.position.assumed.then(|| {
                    note(
                        &turnout.id,
                        &format!("{name} are taken to be where they were asked to be"),
                        "Look once",
                    )
                })
            }
        }
    }

    fn crossover_exception(&self, id: CrossoverId) -> Option<Exception> {
        self.crossovers[id.index()].split_since?;
        let crossover = &self.layout.crossovers[id.index()];
        Some(stops(
            &crossover.id,
            &format!("{}: one end is set and the other is not", crossover.name),
            "Set both ends alike",
        ))
    }

    fn table_exception(&self, id: TableId) -> Option<Exception> {
        let table = &self.layout.tables[id.index()];
        let rest = table.rest?;
        let position = self.tables[id.index()].position;
        (position != TablePosition::At(rest)).then(|| {
            stops(
                &table.id,
                &format!("{} not at rest", table.name),
                &format!("Set it to {}", table.stops[rest].at),
            )
        })
    }

    fn place_exception(&self, place: PlaceId) -> Option<Exception> {
        let state = &self.places[place.index()];
        let id = &self.track.places[place.index()].id;
        let label = self.place_label(place);
        let usage = self
            .track
            .block_of(place)
            .map(|block| self.layout.blocks[block.index()].usage);
        let running = usage.is_none_or(|usage| usage == Usage::Running);
        let watched = !state.detectors.is_empty();
        if state.state == Occupancy::Lost || state.notes.kept == Some(Kept::Lost) {
            return Some(stops(
                id,
                &format!("{label}: a train was not seen to leave"),
                "Look for it, then say what you found",
            ));
        }
        if let Some(peer) = self.peer_of(place) {
            return (state.state == Occupancy::Unknown).then(|| {
                let name = &self.layout.peers[peer.index()].id;
                stops(
                    id,
                    &format!("{label}: not known whether it is empty ({})", state.why),
                    &format!("Look, and see that the computer of {name} runs and is heard"),
                )
            });
        }
        if !running {
            return (state.state == Occupancy::Dark && state.notes.kept.is_none()).then(|| {
                note(
                    id,
                    &format!("{label}: what stands on the dead track is not known"),
                    "Look: Empty / A train stands here",
                )
            });
        }
        if state.remembered && watched {
            return Some(stops(
                id,
                &format!("{label}: only remembered from before the start"),
                "Wait for its detectors, or look",
            ));
        }
        match state.state {
            Occupancy::Unknown if watched && state.notes.whole => Some(stops(
                id,
                &format!("{label}: not known whether it is empty ({})", state.why),
                "Look, and mend what does not report",
            )),
            Occupancy::Dark => Some(stops(
                id,
                &format!("{label}: the power is off"),
                "Switch it on",
            )),
            Occupancy::Unknown | Occupancy::Vacant | Occupancy::Occupied | Occupancy::Lost => None,
        }
    }

    fn feed_exception(&self, id: FeedId) -> Option<Exception> {
        let feed = &self.layout.feeds[id.index()];
        let on = self.feeds[id.index()].on;
        let (text, cure) = match (feed.rest, on) {
            (FeedRest::Off, Some(true)) => (format!("{} is on", feed.name), "Switch it off"),
            (FeedRest::On, Some(false)) => (format!("{} is off", feed.name), "Switch it on"),
            (FeedRest::Off | FeedRest::On, None) => (
                format!("Whether {} is on is not known", feed.name),
                "Look at the switch",
            ),
            (FeedRest::Any, _) | (FeedRest::Off, Some(false)) | (FeedRest::On, Some(true)) => {
                return None;
            }
        };
        Some(note(&feed.id, &text, cure))
    }

    fn note_detectors(&self, list: &mut Vec<Exception>) {
        for (index, detector) in self.layout.detectors.iter().enumerate() {
            let health = self.detectors[index].health;
            // What a peer says is no device of ours; its place is listed where it matters.
            if health != Health::Ok && !self.is_word(detector) {
                list.push(note(
                    &detector.id,
                    &format!("{} is {}", detector.name, health.word()),
                    "Look at its power, its wiring, its lens",
                ));
            }
        }
    }

    /// Places that nothing watches: one line, counted.
    fn note_unwatched(&self, list: &mut Vec<Exception>) {
        let count = self
            .places
            .iter()
            .filter(|place| place.detectors.is_empty())
            .count();
        if count > 0 {
            list.push(note(
                "unwatched",
                &format!("{count} places that nothing watches"),
                "Look at them yourself",
            ));
        }
    }
}

fn stops(id: &str, text: &str, cure: &str) -> Exception {
    exception(id, true, text, cure)
}

fn note(id: &str, text: &str, cure: &str) -> Exception {
    exception(id, false, text, cure)
}

fn exception(id: &str, stops: bool, text: &str, cure: &str) -> Exception {
    Exception {
        id: String::from(id),
        stops,
        text: String::from(text),
        to_do: String::from(cure),
    }
}
