//! How much the alarms ask of the operator: the measures of ANSI/ISA-18.2 and IEC 62682.
//!
//! Inputs: each alarm that became unacknowledged, with its time, id and priority. Outputs: rates,
//! floods, alarms that chatter. Everything is kept in a bounded room: counts a second for the last
//! ten minutes, and counts for each ten minutes of the last day. It knows no machine and no layout;
//! what is stale is read off the alarms themselves.
//!
//! The standards are not open; the limits are those that secondary texts quote.

use alloc::collections::{BTreeMap, VecDeque};
use alloc::string::String;
use alloc::vec::Vec;

use super::kinds::Priority;
use crate::time::{Instant, Span};

/// The standard's interval.
const INTERVAL: Span = Span::from_secs(600);
/// Intervals that are looked back on: a day.
const INTERVALS_MAX: usize = 144;
const DAY: Span = Span(INTERVAL.0 * INTERVALS_MAX as u64);
/// A flood begins with more than this many alarms in an interval...
const FLOOD_BEGINS_ABOVE: u32 = 10;
/// ... and ends with fewer than this many.
const FLOOD_ENDS_BELOW: u32 = 5;
/// So often within [`CHATTER_WITHIN`] is chattering.
const CHATTER_TIMES: usize = 3;
/// See [`CHATTER_TIMES`].
const CHATTER_WITHIN: Span = Span::from_secs(60);
/// An alarm whose condition lasts longer is stale.
pub(crate) const STALE_AFTER: Span = Span::from_secs(24 * 3_600);
/// Ids that are counted one by one within an interval; others count in the sums alone.
const IDS_MAX: usize = 128;
/// Ids that are remembered as chattering.
const CHATTERING_MAX: usize = 256;
/// How many of the most frequent are told.
const MOST_FREQUENT_MAX: usize = 10;

/// What the standard says about a measure.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limit {
    /// The measure's key in JSON.
    pub measure: &'static str,
    /// Very likely acceptable up to this.
    pub acceptable: f64,
    /// Manageable up to this, where the standard has such a limit.
    pub manageable: Option<f64>,
    /// In which unit.
    pub unit: &'static str,
    /// Where the number comes from.
    pub source: &'static str,
}

const ISA: &str = "ANSI/ISA-18.2-2016 and IEC 62682, as quoted by secondary texts";
const EEMUA: &str = "EEMUA 191, as quoted by secondary texts";

/// The standard's limits, for one operator.
pub const LIMITS: &[Limit] = &[
    limit("per_10_min", 1.0, Some(2.0), "alarms", ISA),
    limit("peak_10_min", 10.0, None, "alarms", ISA),
    limit("flood_percent", 1.0, None, "% of the time", ISA),
    limit("over_10_percent", 1.0, None, "% of the intervals", ISA),
    limit("chattering", 0.0, None, "alarms", ISA),
    limit("stale", 5.0, None, "alarms", ISA),
    limit("standing", 10.0, None, "alarms", EEMUA),
    limit("shelved", 30.0, None, "alarms", EEMUA),
    limit("priorities.high", 5.0, None, "% of the alarms", ISA),
    limit("priorities.medium", 15.0, None, "% of the alarms", ISA),
    limit("priorities.low", 80.0, None, "% of the alarms", ISA),
];

const fn limit(
    measure: &'static str,
    acceptable: f64,
    manageable: Option<f64>,
    unit: &'static str,
    source: &'static str,
) -> Limit {
    Limit {
        measure,
        acceptable,
        manageable,
        unit,
        source,
    }
}

/// The measures at one moment.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Measures {
    /// Over how long: since the start, at most a day.
    pub window: Span,
    /// Alarms in it: low, medium, high.
    pub raised: [u64; 3],
    /// Their average in ten minutes. Where less than ten minutes have passed: in those.
    pub per_10_min: f64,
    /// Alarms in the last ten minutes.
    pub last_10_min: u32,
    /// The most in any ten minutes.
    pub peak_10_min: u32,
    /// There is a flood now.
    pub flood: bool,
    /// The part of the time in flood, in percent.
    pub flood_percent: f64,
    /// The part of the intervals of ten minutes with more than ten alarms, in percent.
    pub over_10_percent: f64,
    /// Alarms that came three times within a minute, by id.
    pub chattering: Vec<String>,
    /// Alarms whose condition has lasted for more than a day, by id.
    pub stale: Vec<String>,
    /// Alarms whose condition lasts and that nothing has put aside.
    pub standing: usize,
    /// Alarms that an operator has shelved.
    pub shelved: usize,
    /// The ids that came most often, each with its number.
    pub most_frequent: Vec<(String, u32)>,
}

impl Measures {
    /// The part of a priority among all alarms of the window, in percent; 0 where there were none.
    #[must_use]
    pub fn percent(&self, priority: Priority) -> f64 {
        let all: u64 = self.raised.iter().sum();
        part(self.raised[priority as usize] as f64, all as f64)
    }
}

fn part(some: f64, all: f64) -> f64 {
    if all > 0.0 { some / all * 100.0 } else { 0.0 }
}

/// Ten minutes, counted from the start.
#[derive(Clone, Debug, Default)]
struct Interval {
    number: u64,
    raised: [u32; 3],
    /// The most in any ten minutes that ended here.
    peak: u32,
    flood: Span,
    by_id: BTreeMap<String, u32>,
}

/// The record that the measures are made from.
#[derive(Clone, Debug)]
pub(crate) struct Tally {
    start: Instant,
    now: Instant,
    /// Alarms of the last ten minutes, by second.
    seconds: VecDeque<(u64, u32)>,
    last_10_min: u32,
    flood: bool,
    intervals: VecDeque<Interval>,
    /// The last times of each id, oldest first, as far back as chattering looks.
    lately: BTreeMap<String, Vec<Instant>>,
    /// How many ids are remembered before the next look at which are old.
    tidy_at: usize,
    chattering: BTreeMap<String, Instant>,
}

/// Before so many ids nothing is tidied up.
const TIDY_MIN: usize = 64;

impl Tally {
    pub(crate) fn new(start: Instant) -> Self {
        Self {
            start,
            now: start,
            seconds: VecDeque::new(),
            last_10_min: 0,
            flood: false,
            intervals: VecDeque::new(),
            lately: BTreeMap::new(),
            tidy_at: TIDY_MIN,
            chattering: BTreeMap::new(),
        }
    }

    /// There is a flood.
    pub(crate) const fn is_flood(&self) -> bool {
        self.flood
    }

    /// An alarm became unacknowledged.
    pub(crate) fn raised(&mut self, now: Instant, id: &str, priority: Priority) {
        self.pass(now);
        let second = self.second(self.now);
        match self.seconds.back_mut() {
            Some((at, count)) if *at == second => *count = count.saturating_add(1),
            _ => self.seconds.push_back((second, 1)),
        }
        self.last_10_min = self.last_10_min.saturating_add(1);
        self.flood |= self.last_10_min > FLOOD_BEGINS_ABOVE;
        let count = self.last_10_min;
        let interval = self.interval(self.now);
        interval.raised[priority as usize] = interval.raised[priority as usize].saturating_add(1);
        interval.peak = interval.peak.max(count);
        if let Some(times) = interval.by_id.get_mut(id) {
            *times = times.saturating_add(1);
        } else if interval.by_id.len() < IDS_MAX {
            interval.by_id.insert(String::from(id), 1);
        }
        self.look_for_chatter(id);
    }

    fn look_for_chatter(&mut self, id: &str) {
        let now = self.now;
        if self.lately.len() >= self.tidy_at {
            self.lately.retain(|_, times| {
                times
                    .last()
                    .is_some_and(|last| now.since(*last) <= CHATTER_WITHIN)
            });
            self.tidy_at = TIDY_MIN.max(self.lately.len() * 2);
        }
        let times = self.lately.entry(String::from(id)).or_default();
        times.retain(|at| now.since(*at) <= CHATTER_WITHIN);
        times.push(now);
        if times.len() >= CHATTER_TIMES {
            times.remove(0);
            if self.chattering.len() < CHATTERING_MAX || self.chattering.contains_key(id) {
                self.chattering.insert(String::from(id), now);
            }
        }
    }

    /// Lets time pass: what leaves the last ten minutes, floods that end.
    pub(crate) fn pass(&mut self, to: Instant) {
        while let Some((second, count)) = self.seconds.front().copied() {
            let leaves = self.moment(second).plus(INTERVAL);
            if leaves > to {
                break;
            }
            self.run_to(leaves);
            self.seconds.pop_front();
            self.last_10_min -= count;
            if self.last_10_min < FLOOD_ENDS_BELOW {
                self.flood = false;
            }
        }
        self.run_to(to);
        self.chattering.retain(|_, last| to.since(*last) <= DAY);
    }

    /// Counts the time until `to` as it is now: in flood or not.
    fn run_to(&mut self, to: Instant) {
        if self.flood {
            while self.now < to {
                let number = self.number(self.now);
                let ends = Instant(self.start.0 + (number + 1) * INTERVAL.0).min(to);
                let spent = ends.since(self.now);
                let interval = self.interval(self.now);
                interval.flood = Span(interval.flood.0 + spent.0);
                self.now = ends;
            }
        }
        self.now = self.now.max(to);
    }

    fn second(&self, at: Instant) -> u64 {
        at.since(self.start).0 / 1_000_000
    }

    fn moment(&self, second: u64) -> Instant {
        Instant(self.start.0 + second * 1_000_000)
    }

    fn number(&self, at: Instant) -> u64 {
        at.since(self.start).0 / INTERVAL.0
    }

    /// The interval of a moment, made where nothing has happened in it yet.
    fn interval(&mut self, at: Instant) -> &mut Interval {
        let number = self.number(at);
        if self
            .intervals
            .back()
            .is_none_or(|last| last.number < number)
        {
            self.intervals.push_back(Interval {
                number,
                ..Interval::default()
            });
        }
        let oldest = number.saturating_sub(INTERVALS_MAX as u64 - 1);
        while self
            .intervals
            .front()
            .is_some_and(|first| first.number < oldest)
        {
            self.intervals.pop_front();
        }
        let last = self.intervals.len() - 1;
        &mut self.intervals[last]
    }

    /// Without being changed: how many alarms the last ten minutes have at `now`, and when the
    /// flood ended, if it did since the last look.
    fn ahead(&self, now: Instant) -> (u32, Option<Instant>) {
        let (mut left, mut end) = (self.last_10_min, None);
        for (second, count) in &self.seconds {
            let leaves = self.moment(*second).plus(INTERVAL);
            if leaves > now {
                break;
            }
            left -= count;
            if left < FLOOD_ENDS_BELOW {
                end.get_or_insert(leaves);
            }
        }
        (left, end)
    }

    /// The measures now; what the alarms themselves tell is left open.
    pub(crate) fn measures(&self, now: Instant) -> Measures {
        let (last_10_min, flood_end) = self.ahead(now);
        let number = self.number(now);
        let oldest = number.saturating_sub(INTERVALS_MAX as u64 - 1);
        let from = Instant(self.start.0 + oldest * INTERVAL.0);
        let window = now.since(from);
        let mut raised = [0_u64; 3];
        let mut by_id: BTreeMap<&str, u32> = BTreeMap::new();
        let (mut peak, mut over) = (0, 0_u32);
        let mut flood = match flood_end {
            _ if !self.flood => 0,
            Some(end) => end.since(self.now).0,
            None => now.since(self.now).0,
        };
        let counted = self.intervals.iter().filter(|one| one.number >= oldest);
        for interval in counted {
            for (sum, count) in raised.iter_mut().zip(interval.raised) {
                *sum += u64::from(count);
            }
            peak = peak.max(interval.peak);
            flood += interval.flood.0;
            over += u32::from(interval.raised.iter().sum::<u32>() > FLOOD_BEGINS_ABOVE);
            for (id, times) in &interval.by_id {
                *by_id.entry(id).or_default() += times;
            }
        }
        let all: u64 = raised.iter().sum();
        let intervals = (window.0 as f64 / INTERVAL.0 as f64).max(1.0);
        let mut most: Vec<(String, u32)> = by_id
            .into_iter()
            .map(|(id, times)| (String::from(id), times))
            .collect();
        most.sort_by(|one, other| other.1.cmp(&one.1).then_with(|| one.0.cmp(&other.0)));
        most.truncate(MOST_FREQUENT_MAX);
        Measures {
            window,
            raised,
            per_10_min: all as f64 / intervals,
            last_10_min,
            peak_10_min: peak,
            flood: self.flood && flood_end.is_none(),
            flood_percent: part(flood as f64, window.0 as f64),
            over_10_percent: part(f64::from(over), (number - oldest + 1) as f64),
            chattering: self
                .chattering
                .iter()
                .filter(|(_, last)| now.since(**last) <= DAY)
                .map(|(id, _)| id.clone())
                .collect(),
            most_frequent: most,
            ..Measures::default()
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use alloc::format;

    fn at(seconds: u64) -> Instant {
        Instant(seconds * 1_000_000)
    }

    fn tally(times: &[(u64, &str)]) -> Tally {
        let mut tally = Tally::new(at(0));
        for (second, id) in times {
            tally.raised(at(*second), id, Priority::Medium);
        }
        tally
    }

    fn measured(tally: &mut Tally, second: u64) -> Measures {
        tally.pass(at(second));
        tally.measures(at(second))
    }

    /// Chattering: three times in a minute or more often (ANSI/ISA-18.2, quoted by two texts).
    #[test]
    fn three_times_in_a_minute_is_chattering() {
        let chatters = |times: &[(u64, &str)]| measured(&mut tally(times), 200).chattering;
        assert_eq!(chatters(&[(0, "a"), (30, "a"), (60, "a")]), ["a"]);
        assert!(chatters(&[(0, "a"), (30, "a"), (61, "a")]).is_empty());
        assert!(chatters(&[(0, "a"), (30, "a"), (50, "b")]).is_empty());
        assert_eq!(
            chatters(&[(0, "a"), (50, "a"), (100, "a"), (105, "a")]),
            ["a"]
        );
    }

    #[test]
    fn what_chattered_is_told_for_a_day() {
        let mut tally = tally(&[(0, "a"), (1, "a"), (2, "a")]);
        assert_eq!(measured(&mut tally, 86_000).chattering, ["a"]);
        assert!(measured(&mut tally, 86_403).chattering.is_empty());
    }

    /// A flood begins with more than ten alarms in ten minutes and ends with fewer than five
    /// (ANSI/ISA-18.2, quoted).
    #[test]
    fn a_flood_begins_above_ten_and_ends_below_five() {
        let mut tally = Tally::new(at(0));
        for n in 0..10 {
            tally.raised(at(100 + n), &format!("a{n}"), Priority::Low);
        }
        assert!(!tally.is_flood(), "ten are no flood");
        tally.raised(at(200), "a10", Priority::Low);
        assert!(tally.is_flood(), "eleven are");
        // Those of 100 to 105 have left at 705: five remain.
        assert!(measured(&mut tally, 705).flood);
        let later = measured(&mut tally, 706);
        assert!(!later.flood, "four are left");
        assert_eq!(later.last_10_min, 4);
        assert_eq!(later.peak_10_min, 11);
        // From 200 to 706, of 1000 seconds: 50.6 %. Read off later, it is the same.
        let unread = {
            let mut other = Tally::new(at(0));
            for n in 0..10 {
                other.raised(at(100 + n), &format!("a{n}"), Priority::Low);
            }
            other.raised(at(200), "a10", Priority::Low);
            other.measures(at(1_000))
        };
        assert_eq!(unread, measured(&mut tally, 1_000));
        let whole = measured(&mut tally, 1_000);
        assert!((whole.flood_percent - 50.6).abs() < 0.001, "{whole:?}");
        // The eleven fell into the first of two intervals.
        assert!((whole.over_10_percent - 50.0).abs() < 0.001);
    }

    #[test]
    fn the_average_is_over_the_window() {
        let mut tally = tally(&[(10, "a"), (700, "b"), (800, "a")]);
        let measures = measured(&mut tally, 1_800);
        assert!((measures.per_10_min - 1.0).abs() < 1e-9);
        assert_eq!(measures.raised, [0, 3, 0]);
        assert!((measures.percent(Priority::Medium) - 100.0).abs() < 1e-9);
        assert_eq!(measures.most_frequent, [("a".into(), 2), ("b".into(), 1)]);
    }

    #[test]
    fn a_day_later_all_is_forgotten() {
        let mut tally = tally(&[(10, "a"), (20, "b")]);
        let measures = measured(&mut tally, 2 * 86_400);
        assert_eq!(measures.raised, [0; 3]);
        assert_eq!(measures.window, Span::from_secs(143 * 600));
        assert_eq!(measures.peak_10_min, 0);
    }

    /// Nothing that grows with the number of alarms.
    #[test]
    fn its_memory_is_bounded() {
        let mut tally = Tally::new(at(0));
        for n in 0..200_000_u64 {
            tally.raised(Instant(n * 10_000), &format!("x:{n}"), Priority::Low);
        }
        assert!(tally.seconds.len() <= 601);
        // 100 a second for as long as chattering looks back, twice that between two looks.
        assert!(tally.lately.len() <= 12_200, "{}", tally.lately.len());
        assert!(tally.intervals.iter().all(|one| one.by_id.len() <= IDS_MAX));
        assert_eq!(tally.measures(at(2_000)).raised, [200_000, 0, 0]);
    }

    #[test]
    fn an_alarm_is_of_the_last_ten_minutes_for_as_long() {
        let mut tally = tally(&[(0, "a")]);
        assert_eq!(tally.measures(at(599)).last_10_min, 1);
        assert_eq!(tally.measures(at(600)).last_10_min, 0);
        tally.pass(at(599));
        assert_eq!((tally.last_10_min, tally.seconds.len()), (1, 1));
        tally.pass(at(600));
        assert_eq!((tally.last_10_min, tally.seconds.len()), (0, 0));
    }

    /// 144 intervals of ten minutes, of which one had more than ten alarms.
    #[test]
    fn a_part_of_the_day_is_one_of_its_intervals() {
        let mut tally = Tally::new(at(0));
        assert_eq!(tally.measures(at(5)).percent(Priority::Low), 0.0);
        for interval in 0..200 {
            let count = if interval == 180 { 11 } else { 1 };
            for n in 0..count {
                tally.raised(at(600 * interval + n), "a", Priority::Medium);
            }
        }
        assert_eq!(tally.intervals.len(), INTERVALS_MAX);
        let measures = tally.measures(at(200 * 600 - 1));
        assert!((measures.over_10_percent - 100.0 / 144.0).abs() < 1e-9);
        assert_eq!(measures.raised, [0, 154, 0]);
    }

    /// Looked through when there are twice as many as were left by the look before.
    #[test]
    fn what_came_lately_is_tidied_by_the_minute() {
        let mut tally = Tally::new(at(0));
        let mut raise = |seconds: u64, from: u32, to: u32| {
            for n in from..to {
                tally.raised(at(seconds), &format!("x:{n}"), Priority::Low);
            }
            (tally.lately.len(), tally.tidy_at)
        };
        assert_eq!(raise(0, 0, 1_000), (1_000, 1_024));
        assert_eq!(raise(30, 1_000, 1_025), (1_025, 2_048));
        // The first thousand are over a minute old; nobody looks yet.
        assert_eq!(raise(80, 1_025, 2_048), (2_048, 2_048));
        assert_eq!(raise(80, 2_048, 2_049), (1_049, 2_096));
    }

    #[test]
    fn no_more_than_so_many_chatter() {
        let mut tally = Tally::new(at(0));
        for n in 0..300 {
            for _ in 0..3 {
                tally.raised(at(0), &format!("x:{n}"), Priority::Low);
            }
        }
        assert_eq!(tally.chattering.len(), CHATTERING_MAX);
        // Those that are known go on to be.
        tally.raised(at(50), "x:0", Priority::Low);
        tally.raised(at(50), "x:0", Priority::Low);
        assert_eq!(tally.chattering.get("x:0"), Some(&at(50)));
    }
}
