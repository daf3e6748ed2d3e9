//! Passages through a turnout with beams on all three legs.
//!
//! A vehicle that went in past one beam is inside until it has come out past a beam, that beam has
//! cleared, and the train has moved on. The gaps between cars make and break a beam many times;
//! coming out by the beam it went in by is believed only when the place beyond was newly entered
//! after the last break.

use crate::layout::Leg;
use crate::time::{Instant, Span};

#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Passage {
    /// The leg by which a vehicle went in; `None`: nothing is inside.
    entered_by: Option<Leg>,
    /// The beam broken last, and when it broke.
    last: Option<(Leg, Instant)>,
    /// A beam other than the first was broken since.
    came_out: bool,
    /// When the first beam was broken.
    opened: Option<Instant>,
    /// A passage that ended when the place beyond was entered: perhaps only its first vehicle's.
    ended: Option<(Leg, Instant)>,
    /// It goes on after such an end.
    resumed: bool,
}

/// What the places beyond the legs say, for the end of a passage.
#[derive(Clone, Copy, Debug)]
pub(crate) struct MovedOn {
    /// The place that it came from is vacant.
    pub(crate) origin_vacant: bool,
    /// The place beyond the beam broken last was newly entered after that break.
    pub(crate) beyond_entered: bool,
    /// A detector of the place beyond the beam broken last is on.
    pub(crate) beyond_on: bool,
}

impl Passage {
    pub(crate) const fn is_open(&self) -> bool {
        self.entered_by.is_some()
    }

    pub(crate) const fn entered_by(&self) -> Option<Leg> {
        self.entered_by
    }

    pub(crate) const fn last(&self) -> Option<(Leg, Instant)> {
        self.last
    }

    /// A beam is broken. Within T1's time after a passage seemed to have ended this may be the next
    /// vehicle of the same train.
    pub(crate) fn broken(&mut self, leg: Leg, at: Instant, clear: Span) {
        if self.entered_by.is_none()
            && let Some((first, ended)) = self.ended.take()
            && at.since(ended) <= clear
        {
            self.entered_by = Some(first);
            self.opened = Some(at);
            self.resumed = true;
        }
        match self.entered_by {
            None => {
                self.resumed = false;
                self.entered_by = Some(leg);
                self.came_out = false;
                self.opened = Some(at);
            }
            Some(first) => self.came_out |= first != leg,
        }
        self.last = Some((leg, at));
    }

    /// Ends the passage if it is complete; no beam may be broken now.
    pub(crate) fn try_end(&mut self, moved_on: MovedOn, now: Instant) -> bool {
        let (Some(first), Some((last, _))) = (self.entered_by, self.last) else {
            return false;
        };
        let out_elsewhere = self.came_out && last != first;
        // After a resumption a vehicle may as well have come back in: what came out must be seen.
        let moved_away = moved_on.origin_vacant && (!self.resumed || moved_on.beyond_on);
        if out_elsewhere && moved_away {
            *self = Self::default();
            return true;
        }
        if moved_on.beyond_entered {
            *self = Self {
                ended: Some((first, now)),
                ..Self::default()
            };
            return true;
        }
        false
    }

    /// What broke the beam just now was the room's light.
    pub(crate) fn take_back(&mut self, now: Instant, within: Span) {
        if self.opened.is_some_and(|at| now.since(at) <= within) {
            *self = Self::default();
        }
    }

    /// The section over the whole of it proves that nothing is inside (`equipped = "all"`).
    pub(crate) fn end(&mut self) {
        *self = Self::default();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const CLEAR: Span = Span::from_secs(5);
    const NOT_YET: MovedOn = MovedOn {
        origin_vacant: false,
        beyond_entered: false,
        beyond_on: false,
    };

    fn after(breaks: &[(Leg, f64)]) -> Passage {
        let mut passage = Passage::default();
        for (leg, at) in breaks {
            passage.broken(*leg, Instant::from_secs_f64(*at), CLEAR);
        }
        passage
    }

    fn at(seconds: f64) -> Instant {
        Instant::from_secs_f64(seconds)
    }

    #[test]
    fn a_train_that_goes_through_and_on_completes() {
        let mut passage = after(&[(Leg::Toe, 1.0), (Leg::Toe, 2.0), (Leg::Reverse, 3.0)]);
        assert!(!passage.try_end(NOT_YET, at(4.0)));
        let gone = MovedOn {
            origin_vacant: true,
            ..NOT_YET
        };
        assert!(passage.try_end(gone, at(5.0)));
        assert!(!passage.is_open());
    }

    #[test]
    fn what_went_out_by_the_beam_it_came_in_by_is_not_out_elsewhere() {
        // Through and back again: it has gone in at the toe, and the toe's beam broke last.
        let mut passage = after(&[(Leg::Toe, 1.0), (Leg::Reverse, 2.0), (Leg::Toe, 3.0)]);
        let gone = MovedOn {
            origin_vacant: true,
            ..NOT_YET
        };
        assert!(!passage.try_end(gone, at(4.0)));
        // Only ever at the toe.
        let mut passage = after(&[(Leg::Toe, 1.0)]);
        assert!(!passage.try_end(gone, at(4.0)));
    }

    #[test]
    fn what_the_rooms_light_broke_is_taken_back_within_its_time() {
        let within = Span::from_secs(1);
        let mut passage = after(&[(Leg::Toe, 10.0)]);
        passage.take_back(at(11.001), within);
        assert!(passage.is_open());
        passage.take_back(at(11.0), within);
        assert!(!passage.is_open());
    }

    #[test]
    fn one_that_went_in_whole_is_still_inside() {
        let mut passage = after(&[(Leg::Toe, 1.0), (Leg::Toe, 2.0)]);
        let gone = MovedOn {
            origin_vacant: true,
            ..NOT_YET
        };
        assert!(!passage.try_end(gone, at(3.0)));
        assert!(passage.is_open());
    }

    #[test]
    fn one_that_backs_out_is_believed_when_the_place_beyond_was_entered() {
        let mut passage = after(&[(Leg::Toe, 1.0), (Leg::Toe, 5.0)]);
        let entered = MovedOn {
            beyond_entered: true,
            ..NOT_YET
        };
        assert!(passage.try_end(entered, at(6.0)));
    }

    #[test]
    fn the_next_car_of_the_same_train_goes_on_with_its_passage() {
        let mut passage = after(&[(Leg::Toe, 1.0), (Leg::Normal, 2.0)]);
        let entered = MovedOn {
            beyond_entered: true,
            ..NOT_YET
        };
        assert!(passage.try_end(entered, at(3.0)));
        passage.broken(Leg::Normal, at(3.1), CLEAR);
        assert_eq!(passage.entered_by(), Some(Leg::Toe));
        // One that came back in and stands inside: nothing is seen beyond.
        let gone = MovedOn {
            origin_vacant: true,
            ..NOT_YET
        };
        assert!(!passage.try_end(gone, at(4.0)));
        let seen_beyond = MovedOn {
            origin_vacant: true,
            beyond_on: true,
            ..NOT_YET
        };
        assert!(passage.try_end(seen_beyond, at(5.0)));
    }
}
