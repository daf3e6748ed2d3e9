//! The operator's words: what they do, and when they cannot be taken.

use alloc::format;
use alloc::string::String;

use crate::Engine;
use crate::alarm::lifecycle::AlarmEvent;
use crate::change::{Item, Kept, Occupancy, PositionFrom, TrainEvent};
use crate::ids::{DetectorId, PlaceId, TrainId, TurnoutId};
use crate::input::{Command, Outcome, Position, Spot, Word};
use crate::layout::PositionSource;
use crate::place::occupancy::Event;
use crate::time::Span;

/// The longest name of a train, in characters.
const NAME_CHARS_MAX: usize = 64;

impl Engine {
    pub(crate) fn obey(&mut self, command: Command, word: &Word) -> Outcome {
        match command {
            Command::Acknowledge(id) => self.act(&id, AlarmEvent::Acknowledge, word, None),
            Command::Shelve(id, span) => self.act(&id, AlarmEvent::Shelve, word, Some(span)),
            Command::Unshelve(id) => self.act(&id, AlarmEvent::Unshelve, word, None),
            Command::AlarmInService(id) => self.act(&id, AlarmEvent::PutBack, word, None),
            Command::Reset(id) => self.act(&id, AlarmEvent::Reset, word, None),
            Command::AlarmOutOfService(id) => self.act(&id, AlarmEvent::TakeOut, word, None),
            Command::StandsHere(spot, name) => match self.place_of_spot(spot) {
                Ok(place) => self.somebody_stands_here(place, name),
                Err(why) => Outcome::Refused(why),
            },
            Command::Empty(spot) | Command::RemovedByHand(spot) => match self.place_of_spot(spot) {
                Ok(place) => self.is_empty(place),
                Err(why) => Outcome::Refused(why),
            },
            Command::NameTrain(train, name) => self.name_train(train, &name),
            Command::DivideTrain(train, spot, name) => self.divide_train(train, spot, name),
            Command::Seen(turnout, position) => self.seen(turnout, position),
            Command::InCharge(turnout, span) => self.in_charge(turnout, span, word),
            Command::OutOfService(detector) => self.service(detector, false),
            Command::InService(detector) => self.service(detector, true),
        }
    }

    fn act(&mut self, id: &str, event: AlarmEvent, word: &Word, span: Option<Span>) -> Outcome {
        let until = span.map(|span| self.now.plus(span));
        let known = self.alarm_of(id);
        let subject = known
            .as_ref()
            .map(|(kind, subject)| (*kind, subject.as_str(), self.now));
        match self.desk.act(id, event, word, until, subject) {
            Ok(change) => {
                if let Some((what, id)) = change {
                    self.emit(what);
                    self.touched.insert(Item::Alarm(id));
                }
                Outcome::Taken
            }
            Err(why) => Outcome::Refused(why),
        }
    }

    /// The place that the operator speaks of, or why it is none.
    fn place_of_spot(&self, spot: Spot) -> Result<PlaceId, String> {
        let (place, id) = match spot {
            Spot::Block(block) => return Ok(self.track.block(block)),
            Spot::Turnout(turnout) => (
                self.track.turnout(turnout),
                &self.layout.turnouts[turnout.index()].id,
            ),
            Spot::Crossing(crossing) => (
                self.track.crossing(crossing),
                &self.layout.crossings[crossing.index()].id,
            ),
        };
        place.ok_or_else(|| {
            format!("{id} has no detectors of its own: say it of the block that sees its rails")
        })
    }

    fn tell_place(&mut self, place: PlaceId) {
        let state = &mut self.places[place.index()];
        state.told = true;
        state.told_at = self.now;
    }

    /// A train stands here: believed until evidence speaks.
    fn stands_here(&mut self, place: PlaceId) {
        let before = {
            let state = &self.places[place.index()];
            (state.state, state.notes.kept)
        };
        match before.0 {
            Occupancy::Occupied => {}
            Occupancy::Vacant | Occupancy::Lost => {
                self.tell_place(place);
                self.drive_place(place, Event::Put(Occupancy::Occupied), None);
            }
            Occupancy::Dark | Occupancy::Unknown => {
                let state = &mut self.places[place.index()];
                state.notes.kept = Some(Kept::Occupied);
                self.tell_place(place);
                if before.1 != Some(Kept::Occupied) {
                    self.note_place_change(place, before, None);
                }
            }
        }
        if !self.places[place.index()].on {
            self.tell_place(place);
        }
        self.places[place.index()].remembered = false;
        if self.places[place.index()].trains.is_empty() {
            let id = self.make_train(place);
            self.emit_train(id, TrainEvent::New, Some(place));
        }
        self.touch_place(place);
    }

    /// Nothing stands here, or what stood here was lifted off.
    fn is_empty(&mut self, place: PlaceId) -> Outcome {
        let state = &mut self.places[place.index()];
        if state.on {
            return Outcome::Refused(format!(
                "a detector of {} sees a vehicle: lift it off, or take the detector out of service",
                self.place_name(place)
            ));
        }
        let before = (state.state, state.notes.kept);
        state.told = true;
        state.told_at = self.now;
        state.remembered = false;
        match before.0 {
            Occupancy::Vacant => {}
            // The detectors have been off for the release time: the word ends the doubt.
            Occupancy::Lost if state.off_since.is_some() => {
                state.told = false;
                self.drive_place(place, Event::Put(Occupancy::Vacant), None);
            }
            Occupancy::Lost | Occupancy::Occupied => {
                state.told = false;
                state.notes.kept = Some(Kept::Vacant);
                self.drive_place(place, Event::Put(Occupancy::Unknown), None);
                self.dirty.places.mark(place.index());
            }
            Occupancy::Dark | Occupancy::Unknown => {
                state.notes.kept = Some(Kept::Vacant);
                if before.1 != state.notes.kept {
                    self.note_place_change(place, before, None);
                }
            }
        }
        self.empty_place(place);
        self.touch_place(place);
        Outcome::Taken
    }

    /// A train stands here, and perhaps which one.
    fn somebody_stands_here(&mut self, place: PlaceId, name: Option<String>) -> Outcome {
        let Some(name) = name else {
            self.stands_here(place);
            return Outcome::Taken;
        };
        if self.places[place.index()].trains.len() > 1 {
            let label = self.place_label(place);
            return Outcome::Refused(format!(
                "more than one train is in {label}: give each its name"
            ));
        }
        if let Err(why) = said_name(&name) {
            return Outcome::Refused(why);
        }
        self.stands_here(place);
        match self.places[place.index()].trains.first().copied() {
            Some(train) => self.name_train(train, &name),
            None => Outcome::Taken,
        }
    }

    fn divide_train(
        &mut self,
        train: TrainId,
        spot: Option<Spot>,
        name: Option<String>,
    ) -> Outcome {
        let name = match name.map(|name| said_name(&name)).transpose() {
            Ok(name) => name,
            Err(why) => return Outcome::Refused(why),
        };
        match spot.map(|spot| self.place_of_spot(spot)).transpose() {
            Ok(place) => self.divide_by_word(train, place, name),
            Err(why) => Outcome::Refused(why),
        }
    }

    fn name_train(&mut self, train: TrainId, name: &str) -> Outcome {
        let name = match said_name(name) {
            Ok(name) => name,
            Err(why) => return Outcome::Refused(why),
        };
        let Some(state) = self.trains.get_mut(&train) else {
            return Outcome::Refused(String::from("that train is not on the layout any more"));
        };
        state.name = Some(name);
        self.end_unannounced(train, false);
        self.ahead_of_train(train);
        self.touched.insert(Item::Train(train));
        Outcome::Taken
    }

    /// The operator saw the points: counts where no report contradicts it.
    fn seen(&mut self, turnout: TurnoutId, position: Position) -> Outcome {
        if !matches!(position, Position::Normal | Position::Reverse) {
            return Outcome::Refused(String::from("points are seen normal or reverse"));
        }
        let reported = matches!(
            self.layout.turnouts[turnout.index()].position,
            PositionSource::Detected | PositionSource::Contacts { .. }
        );
        let now = self.turnouts[turnout.index()].position.position;
        if reported && now != Position::Unknown && now != position {
            return Outcome::Refused(format!(
                "{} is reported otherwise: look again, then at its contact",
                self.layout.turnouts[turnout.index()].id
            ));
        }
        self.turnouts[turnout.index()].remembered = false;
        if now != position {
            self.put_position(turnout, position, PositionFrom::Operator);
        }
        Outcome::Taken
    }

    /// T11: the operator answers for these points; for no time at all ends it.
    fn in_charge(&mut self, turnout: TurnoutId, span: Span, word: &Word) -> Outcome {
        let until = self.now.plus(span);
        self.turnouts[turnout.index()].in_charge = Some((word.who.clone(), until));
        self.dirty.turnouts.mark(turnout.index());
        self.touched.insert(Item::Turnout(turnout));
        Outcome::Taken
    }

    fn service(&mut self, detector: DetectorId, in_service: bool) -> Outcome {
        self.put_service(detector, in_service);
        Outcome::Taken
    }
}

/// A name as it is kept, or why it is none.
fn said_name(name: &str) -> Result<String, String> {
    let name = name.trim();
    if name.is_empty() || name.chars().count() > NAME_CHARS_MAX {
        return Err(format!("a name has 1 to {NAME_CHARS_MAX} characters"));
    }
    Ok(String::from(name))
}
