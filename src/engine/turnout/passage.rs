//! Passages through a turnout with beams on all three legs.
//!
//! A vehicle that went in past one beam is inside until it has come out past a beam, that beam has
//! cleared, and the train has moved on. The gaps between cars make and break a beam many times; coming
//! out by the beam it went in by is believed only when the place beyond was newly entered after the
//! last break.

use crate::layout::Leg;
use crate::time::Instant;

#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Passage {
    /// The leg by which a vehicle went in; `None`: nothing is inside.
    entered_by: Option<Leg>,
    /// The beam broken last, and when it broke.
    last: Option<(Leg, Instant)>,
    /// A beam other than the first was broken since.
    came_out: bool,
}

/// What the places beyond the legs say, for the end of a passage.
#[derive(Clone, Copy, Debug)]
pub(crate) struct MovedOn {
    /// The place that it came from is vacant.
    pub(crate) origin_vacant: bool,
    /// The place beyond the beam broken last was newly entered after that break.
    pub(crate) beyond_entered: bool,
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

    /// A beam is broken.
    pub(crate) fn broken(&mut self, leg: Leg, at: Instant) {
        match self.entered_by {
            None => {
                self.entered_by = Some(leg);
                self.came_out = false;
            }
            Some(first) => self.came_out |= first != leg,
        }
        self.last = Some((leg, at));
    }

    /// Ends the passage if it is complete; no beam may be broken now.
    pub(crate) fn try_end(&mut self, moved_on: MovedOn) -> bool {
        let (Some(first), Some((last, _))) = (self.entered_by, self.last) else {
            return false;
        };
        let out_elsewhere = self.came_out && last != first;
        let complete = (out_elsewhere && moved_on.origin_vacant) || moved_on.beyond_entered;
        if complete {
            *self = Self::default();
        }
        complete
    }

    /// The section over the whole of it proves that nothing is inside (`equipped = "all"`).
    pub(crate) fn end(&mut self) {
        *self = Self::default();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const NOT_YET: MovedOn = MovedOn {
        origin_vacant: false,
        beyond_entered: false,
    };

    #[test]
    fn a_train_that_goes_through_and_on_completes() {
        let mut passage = Passage::default();
        passage.broken(Leg::Toe, Instant(1));
        passage.broken(Leg::Toe, Instant(2));
        passage.broken(Leg::Reverse, Instant(3));
        assert!(!passage.try_end(NOT_YET));
        assert!(passage.try_end(MovedOn {
            origin_vacant: true,
            ..NOT_YET
        }));
        assert!(!passage.is_open());
    }

    #[test]
    fn one_that_went_in_whole_is_still_inside() {
        let mut passage = Passage::default();
        passage.broken(Leg::Toe, Instant(1));
        passage.broken(Leg::Toe, Instant(2));
        assert!(!passage.try_end(MovedOn {
            origin_vacant: true,
            ..NOT_YET
        }));
        assert!(passage.is_open());
    }

    #[test]
    fn one_that_backs_out_is_believed_when_the_place_beyond_was_entered() {
        let mut passage = Passage::default();
        passage.broken(Leg::Toe, Instant(1));
        passage.broken(Leg::Toe, Instant(5));
        assert!(passage.try_end(MovedOn {
            beyond_entered: true,
            ..NOT_YET
        }));
    }
}
