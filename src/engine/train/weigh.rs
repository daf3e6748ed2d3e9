//! How likely the stories are that the evidence allows: one is told, the others keep a weight
//! (DEVELOPERS.md, section 4).
//!
//! Of trains that could have come in alike the one that was expected sooner is taken. How much
//! sooner, and what the place then says about its speed, makes the odds of the others. The errors
//! are taken as normal, a speed as known to a fifth of itself and a time of coming in to half a
//! second: common practice, no source.

use alloc::vec::Vec;

use super::measure::{SHORTEST, SPEED_SPREAD, STOOD};
use super::{Candidate, Side, Train};
use crate::Engine;
use crate::change::Item;
use crate::ids::TrainId;

/// Half a second: a sample and the length of the first axle's shadow.
const TIME_SPREAD_S: f64 = 0.5;

/// One observation changes odds by no more than this: a train may also have been held by hand.
const FACTOR_MAX: f64 = 20.0;

/// Nobody is quite out of the question until the evidence says so.
const ODDS_MIN: f64 = 0.001;

/// Another train that it could be.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Rival {
    pub(crate) train: TrainId,
    /// How likely it is, as a multiple of the story that is told; at most 1.
    pub(crate) odds: f64,
}

/// How far a train's coming in was from when it was expected, seconds, and how far that may be off.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Timing {
    pub(super) off_s: f64,
    pub(super) spread_s: f64,
    /// It was expected later.
    pub(super) early: bool,
}

impl Timing {
    /// A place that takes `crossing_s` at the train's speed, left after `took_s`.
    pub(super) fn new(crossing_s: f64, took_s: f64) -> Self {
        let of_speed = SPEED_SPREAD * crossing_s;
        Self {
            off_s: libm::fabs(crossing_s - took_s),
            spread_s: libm::sqrt(of_speed * of_speed + TIME_SPREAD_S * TIME_SPREAD_S),
            early: took_s < crossing_s,
        }
    }
}

/// The logarithm of how likely something is that is so many spreads away.
fn log_normal(away: f64) -> f64 {
    -0.5 * away * away
}

/// Odds of a rival beside the train that was taken, from the times alone. A time that is not known
/// is taken as one spread away: it speaks neither for nor against.
pub(super) fn odds_by_time(taken: Option<Timing>, rival: Option<Timing>) -> f64 {
    let log = |timing: Option<Timing>| {
        log_normal(timing.map_or(1.0, |timing| timing.off_s / timing.spread_s))
    };
    libm::exp(log(rival) - log(taken)).clamp(ODDS_MIN, 1.0)
}

/// How much more likely a speed is for the rival than for the train that was taken.
fn factor_by_speed(seen: f64, taken: f64, rival: f64) -> f64 {
    let log = |speed: f64| log_normal((seen - speed) / (SPEED_SPREAD * speed));
    // The narrower of two normals is the higher one.
    let height = taken / rival;
    (height * libm::exp(log(rival) - log(taken))).clamp(1.0 / FACTOR_MAX, FACTOR_MAX)
}

/// The weights of the story that is told and of the others, together 1.
pub(crate) fn weights(rivals: &[Rival]) -> (f64, Vec<f64>) {
    let sum = rivals.iter().fold(1.0, |sum, rival| sum + rival.odds);
    let others = rivals.iter().map(|rival| rival.odds / sum).collect();
    (1.0 / sum, others)
}

/// The others that could have come in as well as the first.
pub(super) fn rivals(candidates: &[Candidate]) -> Vec<Rival> {
    let Some(best) = candidates.first() else {
        return Vec::new();
    };
    let alike = candidates
        .iter()
        .filter(|c| c.class == best.class && c.train != best.train);
    alike
        .map(|c| Rival {
            train: c.train,
            odds: odds_by_time(best.timing, c.timing),
        })
        .collect()
}

impl Engine {
    /// A train goes on into the next place: what the one that it has crossed says of its rivals.
    pub(super) fn weigh_crossing(&self, by: &Candidate, length: Option<f64>) -> Vec<Rival> {
        let Some(train) = self.train(by.train) else {
            return Vec::new();
        };
        let seen = by.side == Side::Head && train.directed && by.unseen.is_empty();
        let head = train.head().filter(|head| seen && !head.unconfirmed);
        match (head.filter(|head| head.tailward.is_some()), length) {
            (Some(head), Some(length)) => {
                let took = self.now.since(head.entered).max(SHORTEST);
                self.weigh_by_speed(train, length / took.as_secs_f64())
            }
            _ => train.or.clone(),
        }
    }

    /// Those who could have come in as well are new rivals; who could have been it in an earlier
    /// place stays one until that is settled.
    pub(super) fn keep_rivals(&mut self, id: TrainId, mut rivals: Vec<Rival>) {
        let open = |rival: &Rival| {
            let mut mine = self
                .claims
                .iter()
                .filter(|claim| claim.winner.train == id && !claim.passed_on);
            mine.any(|claim| claim.losers.iter().any(|loser| loser.train == rival.train))
        };
        if let Some(train) = self.train(id) {
            for old in train.or.iter().filter(|old| open(old)) {
                if rivals.iter().all(|rival| rival.train != old.train) {
                    rivals.push(*old);
                }
            }
        }
        if let Some(train) = self.trains.get_mut(&id) {
            train.or = rivals;
            self.touched.insert(Item::Train(id));
        }
    }

    /// What the speed over a place says about who it is: each rival's odds, weighed anew.
    fn weigh_by_speed(&self, train: &Train, seen_mm_s: f64) -> Vec<Rival> {
        let rivals = train.or.iter().copied();
        let Some(taken) = train.measure.speed_mm_s.filter(|speed| *speed > 0.0) else {
            return rivals.collect();
        };
        rivals
            .map(|rival| {
                let speed = self.train(rival.train).and_then(|t| t.measure.speed_mm_s);
                // Slower than either goes: it has stood on the way, and that says nothing.
                let goes = |speed: f64| seen_mm_s >= STOOD * taken.min(speed);
                let factor = speed
                    .filter(|speed| *speed > 0.0 && goes(*speed))
                    .map_or(1.0, |speed| factor_by_speed(seen_mm_s, taken, speed));
                Rival {
                    odds: (rival.odds * factor).clamp(ODDS_MIN, 1.0),
                    ..rival
                }
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rival(odds: f64) -> Rival {
        Rival {
            train: TrainId(2),
            odds,
        }
    }

    #[test]
    fn weights_are_together_one() {
        let (told, others) = weights(&[rival(0.5), rival(0.25)]);
        assert!((told + others.iter().sum::<f64>() - 1.0).abs() < 1e-12);
        assert!((told - 4.0 / 7.0).abs() < 1e-12);
        assert_eq!(weights(&[]), (1.0, Vec::new()));
    }

    /// The ordinate of the normal density at one deviation is 0.6065 of that at none (any table of
    /// the normal distribution).
    #[test]
    fn a_time_one_spread_away_has_the_ordinate_of_one_deviation() {
        let timing = |off_s| {
            Some(Timing {
                off_s,
                spread_s: 2.0,
                early: false,
            })
        };
        assert!((odds_by_time(timing(0.0), timing(2.0)) - 0.6065).abs() < 1e-4);
        assert!((odds_by_time(timing(2.0), None) - 1.0).abs() < 1e-12);
        assert_eq!(odds_by_time(timing(0.0), timing(1e3)), ODDS_MIN);
        assert_eq!(odds_by_time(timing(4.0), timing(0.0)), 1.0);
    }

    #[test]
    fn a_place_left_as_expected_is_no_time_off() {
        let timing = Timing::new(10.0, 10.0);
        assert_eq!(timing.off_s, 0.0);
        assert!((timing.spread_s - 2.0616).abs() < 1e-4);
        let early = [9.9, 10.0, 10.1].map(|took| Timing::new(10.0, took).early);
        assert_eq!(early, [true, false, false]);
    }

    #[test]
    fn a_speed_speaks_for_whose_it_is() {
        assert!(factor_by_speed(100.0, 100.0, 150.0) < 0.3);
        assert!(factor_by_speed(150.0, 100.0, 150.0) > 3.0);
        assert!((factor_by_speed(120.0, 130.0, 130.0) - 1.0).abs() < 1e-12);
        assert_eq!(factor_by_speed(1_000.0, 100.0, 1_000.0), FACTOR_MAX);
    }
}
