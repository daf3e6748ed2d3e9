//! Speed and length from entry times and block lengths.
//!
//! A place of known length that the head crossed in a known time gives a speed. The time from the
//! head's coming into a place to the tail's leaving it, at that speed, less the place's length,
//! gives the train's length. Both come with a spread; without lengths there is neither.
//!
//! A train that stands in every place of a busy line never shows its speed that way. It shows it at
//! the boundaries between places: there it is astride for a time that its length and its speed
//! make, whether or not it stands elsewhere ([`Measure::ran_over`]).

use crate::time::{Instant, Span};

/// A speed that was measured once is trusted to within this part of itself: trains do not run
/// evenly.
pub(crate) const SPEED_SPREAD: f64 = 0.2;

/// One that was found the same again and again, to within this part.
const SPREAD_LEAST: f64 = 0.05;

/// So much of what the last crossing says of the spread counts.
const SPREAD_PART: f64 = 0.3;

/// Half of what a crossing says counts over this length; of a shorter place less does, because the
/// times of coming in are late by up to a sample.
const HALF_MM: f64 = 1_000.0;

/// Nothing is measured in less.
pub(crate) const SHORTEST: Span = Span::from_millis(500);

/// Slower than this part of what it was: it has stood on the way.
pub(crate) const STOOD: f64 = 0.6;

/// A train without a speed has stopped after this long.
const STOPPED_WITHOUT_SPEED: Span = Span::from_secs(60);

/// A train is astride a boundary for at least so long, if that is to tell a speed, seconds.
const ASTRIDE_LEAST_S: f64 = 1.5;

/// The times at two boundaries, or the lengths that they make, are alike to within this part.
const ALIKE: f64 = 0.15;

/// So much counts of a greater way than what was known, and of a smaller one.
const ASTRIDE_MORE: f64 = 0.7;
const ASTRIDE_LESS: f64 = 0.1;

/// The moment of coming into a place is known this well, seconds.
const LATE_S: f64 = 0.5;

/// Slower than this part of what it runs: it was held up.
const HELD_UP: f64 = 0.85;

/// A place that a train ran through.
pub(crate) struct Crossing {
    pub(crate) length_mm: f64,
    /// From its head's coming in to its head's going on.
    pub(crate) took: Span,
    /// So long it was astride the end by which it came in, where known, and the other.
    pub(crate) astride_in: Option<Span>,
    pub(crate) astride_out: Span,
}

#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Measure {
    pub(crate) speed_mm_s: Option<f64>,
    pub(crate) length_mm: Option<f64>,
    pub(crate) length_sd_mm: Option<f64>,
    /// How far the speed of one place is from that of those before it: the square, as a part of
    /// the speed; where it has been measured twice.
    variance: Option<f64>,
    /// What it covers while it is astride a boundary, mm: its length as the detectors see it.
    astride_mm: Option<f64>,
    /// The last crossing took so long that the train must have stood.
    stood: bool,
    /// All that is known of its speed comes from places in which it may have waited for what was
    /// ahead: it may run faster, and how fast is not known.
    pub(crate) waited: bool,
}

impl Measure {
    /// The head crossed a place of this length in this time; it may have waited there for what was
    /// ahead.
    pub(crate) fn crossed(&mut self, length_mm: f64, took: Span, may_have_waited: bool) {
        let seconds = took.as_secs_f64();
        if took < SHORTEST || length_mm <= 0.0 {
            return;
        }
        let seen = length_mm / seconds;
        if may_have_waited {
            self.crossed_perhaps_waiting(length_mm, seen);
        } else if self.waited && self.speed_mm_s.is_none_or(|least| seen >= least * STOOD) {
            // The first that holds no wait.
            self.speed_mm_s = Some(seen);
            (self.waited, self.stood) = (false, false);
        } else {
            self.ran(length_mm, seen);
        }
    }

    /// What it was seen to run is the least that it can run. A speed that is known survives,
    /// however often it waits.
    fn crossed_perhaps_waiting(&mut self, length_mm: f64, seen: f64) {
        match self.speed_mm_s {
            None => {
                self.waited = true;
                self.speed_mm_s = Some(seen);
            }
            Some(least) if self.waited => self.speed_mm_s = Some(least.max(seen)),
            Some(known) if seen < known * STOOD => self.stood = true,
            Some(_) => self.ran(length_mm, seen),
        }
    }

    /// What a place says of the speed.
    fn ran(&mut self, length_mm: f64, seen: f64) {
        let stood = self.speed_mm_s.is_some_and(|old| seen < old * STOOD);
        // Once: it has stood here, and its speed survives the stop. Twice running: it is slower.
        if stood && !self.stood {
            self.stood = true;
            return;
        }
        if core::mem::take(&mut self.stood) && stood {
            self.speed_mm_s = Some(seen);
            return;
        }
        if let Some(old) = self.speed_mm_s {
            let off = (seen - old) / old;
            let before = self.variance.unwrap_or(SPEED_SPREAD * SPEED_SPREAD / 4.0);
            self.variance = Some(before + (off * off - before) * SPREAD_PART);
        }
        // Not the new alone: trains brake, and no time is exact.
        let part = length_mm / (length_mm + HALF_MM);
        self.speed_mm_s = Some(match self.speed_mm_s {
            // A short stop makes a train seem slower, nothing makes it seem faster: that counts
            // twice.
            Some(old) if seen > old => seen - (seen - old) * (1.0 - part) * (1.0 - part),
            Some(old) => old + (seen - old) * part,
            None => seen,
        });
    }

    /// From its head's coming in to its tail's leaving a place of this length took this long.
    pub(crate) fn passed(&mut self, length_mm: f64, took: Span) {
        let Some(speed) = self.speed_mm_s.filter(|_| !self.stood) else {
            return;
        };
        if took < SHORTEST {
            return;
        }
        let travelled = speed * took.as_secs_f64();
        let seen = (travelled - length_mm).max(0.0);
        let spread = travelled * self.spread();
        match (self.length_mm, self.length_sd_mm) {
            // Standing makes a train seem longer, never shorter.
            (Some(old), Some(old_sd)) if seen > old + 2.0 * (old_sd + spread) => {}
            // Weighted by how well each is known.
            (Some(old), Some(old_sd)) => {
                let (w_old, w_new) = (1.0 / (old_sd * old_sd), 1.0 / (spread * spread));
                self.length_mm = Some((old * w_old + seen * w_new) / (w_old + w_new));
                self.length_sd_mm = Some(libm::sqrt(1.0 / (w_old + w_new)));
            }
            _ => {
                self.length_mm = Some(seen);
                self.length_sd_mm = Some(spread);
            }
        }
    }

    /// A place was run through and left, and how long the train was astride its two ends. The same
    /// time at both says that it stood at neither; how far it goes in such a time is then known
    /// for good, unless it stood between them: that only makes it less. A train that is found
    /// faster at an end than what is known of it was held up before.
    pub(crate) fn ran_over(&mut self, crossing: &Crossing) {
        let out = crossing.astride_out.as_secs_f64();
        let took = crossing.took.as_secs_f64();
        if out < ASTRIDE_LEAST_S || crossing.length_mm <= 0.0 {
            return;
        }
        // In a place that is shorter than the train it is astride both ends at once: one stop is in
        // both times then.
        let astride_in = crossing.astride_in.filter(|into| *into <= crossing.took);
        let astride_in = astride_in.map(Span::as_secs_f64);
        let Some(into) = astride_in.filter(|into| are_alike(*into, out)) else {
            return;
        };
        let astride = f64::midpoint(into, out);
        let seen = crossing.length_mm / took * astride;
        let astride_mm = match self.astride_mm {
            None => seen,
            Some(old) if seen > old => old + (seen - old) * ASTRIDE_MORE,
            Some(old) if seen < old * HELD_UP => old,
            Some(old) => old + (seen - old) * ASTRIDE_LESS,
        };
        self.astride_mm = Some(astride_mm);
        let runs = astride_mm / astride;
        if self.speed_mm_s.is_some_and(|speed| speed < HELD_UP * runs) {
            self.speed_mm_s = Some(runs);
            self.variance = None;
            self.stood = false;
            self.waited = false;
        }
    }

    /// Whether what was astride a boundary for so long is all of it: not where it stood there, nor
    /// where a part of it is still to come.
    pub(crate) fn is_all_of_it(&self, astride: Span, before: Option<Span>) -> bool {
        let now = astride.as_secs_f64();
        let as_before = before.is_some_and(|before| are_alike(before.as_secs_f64(), now));
        let as_long = self.speed_mm_s.zip(self.astride_mm);
        as_before || as_long.is_some_and(|(speed, length)| are_alike(length, speed * now))
    }

    /// Whether a place that showed it for so long saw all of it go through, from end to end.
    pub(crate) fn ran_through(&self, length_mm: f64, took: Span) -> bool {
        let as_long = self.speed_mm_s.zip(self.astride_mm.or(self.length_mm));
        as_long.is_some_and(|(speed, length)| {
            are_alike(length_mm + length, speed * took.as_secs_f64())
        })
    }

    /// The soonest and the latest time over a distance.
    pub(crate) fn seconds_over(&self, distance_mm: f64) -> Option<(f64, f64)> {
        let speed = self.speed_mm_s.filter(|speed| *speed > 0.0)?;
        let seconds = distance_mm.max(0.0) / speed;
        let spread = self.spread();
        Some((seconds / (1.0 + spread), seconds / (1.0 - spread)))
    }

    /// When it should be over a distance: later, it has stood on the way or goes slower. Half of
    /// the doubt about its speed is let pass, and as much again as a sample and the passing of a
    /// gap may take.
    pub(crate) fn due_over(&self, distance_mm: f64) -> Option<f64> {
        let speed = self.speed_mm_s.filter(|speed| *speed > 0.0)?;
        Some(distance_mm / speed * (1.0 + self.spread() / 2.0) + LATE_S)
    }

    /// The part of itself to within which the speed is trusted: twice how far it was off, place by
    /// place.
    pub(crate) fn spread(&self) -> f64 {
        self.variance.map_or(SPEED_SPREAD, |variance| {
            (2.0 * libm::sqrt(variance)).clamp(SPREAD_LEAST, SPEED_SPREAD)
        })
    }

    /// A second place gave a speed as well: no stop alone made it.
    pub(crate) fn is_found_again(&self) -> bool {
        self.variance.is_some()
    }

    /// When a train that has come into a place of this length at `entered` has stopped, if nothing
    /// more is seen of it: 1.5 times the expected time and 5 seconds.
    pub(crate) fn stopped_at(&self, length_mm: Option<f64>, entered: Instant) -> Instant {
        let wait = match (self.speed_mm_s, length_mm) {
            (Some(speed), Some(length)) if speed > 0.0 => {
                Span::from_secs_f64(1.5 * length / speed + 5.0)
            }
            _ => STOPPED_WITHOUT_SPEED,
        };
        entered.plus(wait)
    }
}

fn are_alike(one: f64, other: f64) -> bool {
    libm::fabs(one - other) <= ALIKE * other
}

/// Kilometres an hour of the full-size train.
pub(crate) fn scale_kmh(speed_mm_s: f64, scale_ratio: f64) -> f64 {
    speed_mm_s * scale_ratio * 3_600.0 / 1e6
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 3 ft in 10.4 s at 1:76 is 14.9 mph (a club's published example, check-values section 8).
    #[test]
    fn scale_speed_of_a_published_example() {
        let mut measure = Measure::default();
        measure.crossed(3.0 * 304.8, Span::from_secs_f64(10.4), false);
        let mph = scale_kmh(measure.speed_mm_s.unwrap_or_default(), 76.0) / 1.609_344;
        assert!((mph - 14.9).abs() < 0.05, "{mph}");
    }

    fn crossed(first: f64, then: &[(f64, f64)]) -> Measure {
        let mut measure = Measure::default();
        measure.crossed(1_000.0, Span::from_secs_f64(1_000.0 / first), false);
        for (length, speed) in then {
            measure.crossed(*length, Span::from_secs_f64(length / speed), false);
        }
        measure
    }

    #[test]
    fn all_of_a_train_takes_as_long_over_a_boundary_as_before_or_as_its_length_does() {
        let seconds = Span::from_secs_f64;
        let unknown = Measure::default();
        assert!(!unknown.is_all_of_it(seconds(4.0), None));
        for (now, all) in [
            (4.0, true),
            (3.5, true),
            (3.4, false),
            (4.7, true),
            (4.75, false),
        ] {
            assert_eq!(
                unknown.is_all_of_it(seconds(now), Some(seconds(4.0))),
                all,
                "{now} s"
            );
        }
        // 400 mm at 80 mm/s are 5 s, whatever it was before.
        let known = Measure {
            speed_mm_s: Some(80.0),
            astride_mm: Some(400.0),
            ..Measure::default()
        };
        for (now, all) in [
            (5.0, true),
            (4.4, true),
            (4.3, false),
            (5.8, true),
            (5.9, false),
        ] {
            assert_eq!(
                known.is_all_of_it(seconds(now), Some(seconds(9.0))),
                all,
                "{now} s"
            );
            assert_eq!(known.is_all_of_it(seconds(now), None), all, "{now} s");
        }
        assert!(known.is_all_of_it(seconds(9.0), Some(seconds(9.0))));
    }

    #[test]
    fn all_of_a_train_goes_through_a_place_in_the_time_for_both_lengths() {
        let seconds = Span::from_secs_f64;
        assert!(!Measure::default().ran_through(800.0, seconds(10.0)));
        // 800 and 400 mm at 100 mm/s are 12 s; its length, where what it is astride is not known.
        let mut known = Measure {
            speed_mm_s: Some(100.0),
            astride_mm: Some(400.0),
            length_mm: Some(100.0),
            ..Measure::default()
        };
        for (took, all) in [
            (12.0, true),
            (10.5, true),
            (10.4, false),
            (14.1, true),
            (14.2, false),
        ] {
            assert_eq!(known.ran_through(800.0, seconds(took)), all, "{took} s");
        }
        known.astride_mm = None;
        for (took, all) in [(9.0, true), (12.0, false)] {
            assert_eq!(known.ran_through(800.0, seconds(took)), all, "{took} s");
        }
        known.length_mm = None;
        assert!(!known.ran_through(800.0, seconds(9.0)));
    }

    #[test]
    fn nothing_is_measured_in_less_than_half_a_second() {
        let mut measure = Measure::default();
        measure.crossed(1_000.0, Span::from_millis(499), false);
        measure.crossed(0.0, Span::from_secs(5), false);
        assert_eq!(measure, Measure::default());
        measure.crossed(1_000.0, SHORTEST, false);
        assert_eq!(measure.speed_mm_s, Some(2_000.0));
        measure.passed(100.0, Span::from_millis(499));
        assert_eq!(measure.length_mm, None);
        measure.passed(100.0, SHORTEST);
        assert_eq!(measure.length_mm, Some(900.0));
    }

    #[test]
    fn a_speed_survives_one_stop_and_not_two_slow_places() {
        // 50 of 100 is less than what a train that has not stood would show.
        assert_eq!(crossed(100.0, &[(1_000.0, 50.0)]).speed_mm_s, Some(100.0));
        let slower = crossed(100.0, &[(1_000.0, 50.0), (1_000.0, 50.0)]);
        assert_eq!(slower.speed_mm_s, Some(50.0));
        // After a stop it goes on as before: half of what a metre says counts, and of faster half
        // of what is left.
        let goes_on = crossed(100.0, &[(1_000.0, 50.0), (1_000.0, 110.0)]);
        assert!((goes_on.speed_mm_s.unwrap_or_default() - 107.5).abs() < 1e-3);
        // 61 of 100 is not slow enough to have stood.
        let brakes = crossed(100.0, &[(1_000.0, 61.0)]);
        assert!((brakes.speed_mm_s.unwrap_or_default() - 80.5).abs() < 1e-3);
    }

    #[test]
    fn what_it_ran_where_it_may_have_waited_is_the_least_that_it_runs() {
        let metre_in = |measure: &mut Measure, seconds: f64, waited: bool| {
            measure.crossed(1_000.0, Span::from_secs_f64(seconds), waited);
            (measure.speed_mm_s, measure.waited)
        };
        let mut measure = Measure::default();
        assert_eq!(metre_in(&mut measure, 40.0, true), (Some(25.0), true));
        assert_eq!(metre_in(&mut measure, 20.0, true), (Some(50.0), true));
        assert_eq!(metre_in(&mut measure, 40.0, true), (Some(50.0), true));
        // Nor is it trusted the more for being found again.
        assert!(!measure.is_found_again());
        // Slower than it can run: it has stood there as well. Then the first that holds no wait.
        assert_eq!(metre_in(&mut measure, 100.0, false), (Some(50.0), true));
        assert_eq!(metre_in(&mut measure, 10.0, false), (Some(100.0), false));
        measure.passed(1_000.0, Span::from_secs(12));
        assert_eq!(measure.length_mm, Some(200.0));
        // What is known survives, however often it waits.
        assert_eq!(metre_in(&mut measure, 20.0, true), (Some(100.0), false));
        assert_eq!(metre_in(&mut measure, 20.0, true), (Some(100.0), false));
        // And where it may have waited and did not, that counts like any other.
        assert_eq!(metre_in(&mut measure, 8.0, true), (Some(118.75), false));
    }

    #[test]
    fn it_is_late_after_half_of_the_doubt_about_its_speed() {
        assert_eq!(Measure::default().due_over(1_000.0), None);
        // 10 s, a tenth of that, and half a second.
        assert_eq!(crossed(100.0, &[]).due_over(1_000.0), Some(11.5));
    }

    #[test]
    fn what_is_known_better_counts_more() {
        let mut measure = crossed(100.0, &[]);
        measure.passed(1_000.0, Span::from_secs(20));
        assert_eq!(
            (measure.length_mm, measure.length_sd_mm),
            (Some(1_000.0), Some(400.0))
        );
        measure.passed(200.0, Span::from_secs(10));
        // 1000 give or take 400 and 800 give or take 200: 840 (inverse variances, any handbook).
        assert!((measure.length_mm.unwrap_or_default() - 840.0).abs() < 1e-6);
        assert!((measure.length_sd_mm.unwrap_or_default() - 178.885_4).abs() < 1e-3);
        // Far longer than before: it has stood.
        let before = measure;
        measure.passed(200.0, Span::from_secs(60));
        assert_eq!(measure, before);
    }

    #[test]
    fn a_train_has_stopped_after_half_as_long_again_and_five_seconds() {
        let at = |seconds| Instant::from_secs_f64(seconds);
        let measure = crossed(100.0, &[]);
        assert_eq!(measure.stopped_at(Some(1_000.0), at(7.0)), at(27.0));
        assert_eq!(measure.stopped_at(None, at(7.0)), at(67.0));
        assert_eq!(
            Measure::default().stopped_at(Some(1_000.0), at(7.0)),
            at(67.0)
        );
        let stands = Measure {
            speed_mm_s: Some(0.0),
            ..Measure::default()
        };
        assert_eq!(stands.stopped_at(Some(1_000.0), at(7.0)), at(67.0));
        assert_eq!(stands.seconds_over(100.0), None);
    }

    #[test]
    fn a_speed_is_trusted_the_more_the_steadier_it_is() {
        let mut measure = crossed(100.0, &[]);
        assert_eq!(measure.spread(), 0.2);
        let mut before = measure.spread();
        for _ in 0..7 {
            measure.crossed(1_000.0, Span::from_secs(10), false);
            assert!(measure.spread() < before);
            before = measure.spread();
        }
        measure.crossed(1_000.0, Span::from_secs(10), false);
        measure.crossed(1_000.0, Span::from_secs(10), false);
        assert_eq!(measure.spread(), 0.05);
        // Nine tenths of what it was: less sure at once, and never less than at first.
        measure.crossed(1_000.0, Span::from_secs_f64(1_000.0 / 90.0), false);
        assert!(measure.spread() > 0.1);
        for speed in [140.0, 90.0, 140.0, 90.0] {
            measure.crossed(1_000.0, Span::from_secs_f64(1_000.0 / speed), false);
        }
        assert_eq!(measure.spread(), 0.2);
    }

    /// A place of a metre run through in so many seconds, so long astride its two ends.
    fn over(measure: &mut Measure, took: f64, astride: [f64; 2]) {
        measure.ran_over(&Crossing {
            length_mm: 1_000.0,
            took: Span::from_secs_f64(took),
            astride_in: Some(Span::from_secs_f64(astride[0])),
            astride_out: Span::from_secs_f64(astride[1]),
        });
    }

    #[test]
    fn a_train_shows_its_speed_at_both_ends_of_a_place_that_it_stood_in() {
        let mut measure = crossed(100.0, &[]);
        over(&mut measure, 10.0, [4.0, 4.0]);
        assert_eq!(measure.astride_mm, Some(400.0));
        // Known for slow, because it stood.
        measure.speed_mm_s = Some(60.0);
        let slow = measure;
        over(&mut measure, 20.0, [4.0, 4.0]);
        assert_eq!(
            (measure.speed_mm_s, measure.spread()),
            (Some(100.0), SPEED_SPREAD)
        );
        // At the ends too it is slower now.
        measure = slow;
        over(&mut measure, 17.0, [6.6, 6.6]);
        assert_eq!(measure.speed_mm_s, Some(60.0));
        // Not alike: it stood at one of them.
        measure = slow;
        over(&mut measure, 20.0, [4.0, 5.0]);
        assert_eq!(measure, slow);
        // Too short a time to tell, and a place that is shorter than the train.
        over(&mut measure, 20.0, [1.0, 1.0]);
        over(&mut measure, 3.0, [4.0, 4.0]);
        assert_eq!(measure, slow);
    }

    #[test]
    fn what_a_train_covers_astride_is_the_most_that_it_showed() {
        let mut measure = crossed(100.0, &[]);
        over(&mut measure, 12.0, [4.0, 4.0]);
        assert!((measure.astride_mm.unwrap_or_default() - 333.333).abs() < 1e-3);
        over(&mut measure, 10.0, [4.0, 4.0]);
        // Seven tenths of the way to 400.
        assert!((measure.astride_mm.unwrap_or_default() - 380.0).abs() < 1e-3);
        // It stood: nothing. A little less: a tenth of the way.
        over(&mut measure, 20.0, [4.0, 4.0]);
        assert!((measure.astride_mm.unwrap_or_default() - 380.0).abs() < 1e-3);
        over(&mut measure, 11.0, [4.0, 4.0]);
        assert!((measure.astride_mm.unwrap_or_default() - 378.364).abs() < 1e-3);
    }

    #[test]
    fn length_is_what_is_left_over() {
        let mut measure = Measure::default();
        measure.crossed(1_000.0, Span::from_secs(5), false);
        measure.passed(1_000.0, Span::from_secs(8));
        assert_eq!(measure.length_mm, Some(600.0));
    }
}
