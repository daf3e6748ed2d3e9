//! One train divided on purpose: the operator says that a part of it stays where it is.
//!
//! Cars that draw nothing may be in the middle of any train, so a locomotive that leaves its cars
//! behind looks like one long train, which holds every place between (B3). What only the operator
//! knows, the operator says; then both halves are followed, each under a name of its own.

use alloc::format;
use alloc::string::String;
use alloc::vec::Vec;

use super::{Link, Train};
use crate::Engine;
use crate::change::TrainEvent;
use crate::ids::{PlaceId, TrainId};
use crate::input::Outcome;
use crate::layout::{End, Side as BlockEnd};

impl Engine {
    /// What of a train stands in `place`, and from there to the nearer end of it, stays and is a
    /// train of its own from now on; without a place what its tail's place holds. Where all of it
    /// is in one place, both are there.
    pub(crate) fn divide_by_word(
        &mut self,
        id: TrainId,
        place: Option<PlaceId>,
        name: Option<String>,
    ) -> Outcome {
        let Some(train) = self.train(id) else {
            return Outcome::Refused(String::from("that train is not on the layout any more"));
        };
        if train.lost {
            return Outcome::Refused(String::from(
                "that train is lost: say first where it stands",
            ));
        }
        let tail = train.chain.first().map(|link| link.place);
        let at = place.or(tail).and_then(|place| {
            let held = train.chain.iter().position(|link| link.place == place);
            held.map(|at| (place, at))
        });
        let Some((place, at)) = at else {
            let place = place.map_or_else(String::new, |place| self.place_label(place));
            let train = self.train_label(id);
            return Outcome::Refused(format!(
                "{train} is not in {place}: say it of a place it holds"
            ));
        };
        self.next_train += 1;
        let portion = TrainId(self.next_train);
        let mut new = Train::new(portion, place, self.now);
        (new.parent, new.name) = (Some(id), name);
        (new.stopped, new.stays) = (true, true);
        if let Some(links) = self.cut_off(id, at) {
            new.chain = links;
            for link in &new.chain {
                for held in &mut self.places[link.place.index()].trains {
                    if *held == id {
                        *held = portion;
                    }
                }
            }
        } else {
            self.put_beside(id, portion, place);
        }
        new.stand();
        self.shown.insert(portion, new.blocks());
        self.trains.insert(portion, new);
        self.tell_divided(id, portion, place);
        Outcome::Taken
    }

    /// Takes the links that stay out of a train's chain; `None` where it has no more than one.
    fn cut_off(&mut self, id: TrainId, at: usize) -> Option<Vec<Link>> {
        let train = self
            .trains
            .get_mut(&id)
            .filter(|train| train.chain.len() > 1)?;
        let last = train.chain.len() - 1;
        let at_tail = at <= last - at;
        let gap = train.gap.take();
        let mut links: Vec<Link>;
        if at_tail {
            links = train.chain.drain(..=at).collect();
            train.gap = gap.filter(|gap| gap.at > at + 1).map(|mut gap| {
                gap.at -= at + 1;
                gap
            });
        } else {
            links = train.chain.split_off(at);
            train.gap = gap.filter(|gap| gap.at < at);
            if let Some(head) = train.chain.last_mut() {
                head.headward = None;
            }
            // It stands, and which way it goes now nobody knows.
            (train.directed, train.stopped) = (false, true);
        }
        train.stand();
        if let Some(link) = links.last_mut() {
            link.headward = None;
        }
        Some(links)
    }

    /// All of the train is in one place. Its tail stays: it is behind it, as far as is known.
    fn put_beside(&mut self, id: TrainId, portion: TrainId, place: PlaceId) {
        let heads_for_a = self.train(id).is_some_and(|train| {
            let mut ends = train.outward(&self.track).into_iter();
            train.directed && ends.any(|end| matches!(end, End::Block(_, BlockEnd::A)))
        });
        let trains = &mut self.places[place.index()].trains;
        let at = trains.iter().position(|held| *held == id).unwrap_or(0);
        trains.insert(if heads_for_a { at + 1 } else { at }, portion);
    }

    fn tell_divided(&mut self, id: TrainId, portion: TrainId, place: PlaceId) {
        if let Some(train) = self.trains.get(&id) {
            self.shown.insert(id, train.blocks());
        }
        self.emit_train(id, TrainEvent::Parted, Some(place));
        self.emit_train(portion, TrainEvent::New, Some(place));
        let both = [id, portion].into_iter().filter_map(|id| self.train(id));
        let held: Vec<PlaceId> = both
            .flat_map(|train| &train.chain)
            .map(|l| l.place)
            .collect();
        for place in held {
            self.touch_place(place);
            // What both sides held between them is judged anew.
            self.dirty.places.mark(place.index());
        }
        self.mark_tables_and_crossings();
        for id in [id, portion] {
            self.plan_train_wake(id);
            self.ahead_of_train(id);
        }
    }
}
