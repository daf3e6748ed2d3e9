//! Feeds: switched power supplies, and what that says about `off` (DEVELOPERS.md, section 2).
//!
//! Input: switch, voltage, the feed it hangs on, the position that routes it, and whether current
//! was seen to fail in several places at once (B10). Output: whether a current detector's `off`
//! proves anything. It knows nothing of trains.

use crate::input::{Position, TablePosition};
use crate::layout::{Feed, Leg, Supply, Via};
use crate::time::Instant;

/// What a feed lets a current detector's `off` prove.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Power {
    /// `off` proves.
    Live,
    /// A throttle without a voltage report: `off` proves only with the train seen next door.
    Unproven,
    /// Not heard from: darkens nothing, proves nothing.
    #[default]
    Unknown,
    /// Off, fallen away or failed: the places are dark.
    Dead,
}

#[derive(Clone, Debug, Default)]
pub(crate) struct FeedState {
    pub(crate) switch: Option<bool>,
    pub(crate) volts: Option<f64>,
    pub(crate) on: Option<bool>,
    pub(crate) power: Power,
    pub(crate) failed: bool,
    pub(crate) since: Instant,
    /// B10: current or voltage is back, and must stay for `settle_s`.
    pub(crate) back_since: Option<Instant>,
    /// The feed was rest-off, on and idle since then.
    pub(crate) idle_since: Option<Instant>,
    /// Its memory is from before the start.
    pub(crate) remembered: bool,
}

/// What a feed's power depends on besides its own messages.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Supplied {
    /// The feed it hangs on, if any.
    pub(crate) parent: Option<Power>,
    /// Whether the position that routes it holds, where it has one.
    pub(crate) routed: Option<Option<bool>>,
}

/// Whether the position of a `via` feed holds; `None` where that is not known.
pub(crate) fn routed(via: Via, turnouts: &[Position], tables: &[TablePosition]) -> Option<bool> {
    match via {
        Via::Turnout(t, leg) => match (turnouts[t.index()], leg) {
            (Position::Unknown, _) => None,
            (Position::Normal, Leg::Normal) | (Position::Reverse, Leg::Reverse) => Some(true),
            (Position::Normal | Position::Reverse | Position::Moving, _) => Some(false),
        },
        Via::Table(t, stop) => match tables[t.index()] {
            TablePosition::Unknown => None,
            TablePosition::At(at) => Some(at == stop),
            TablePosition::Between => Some(false),
        },
    }
}

impl FeedState {
    pub(crate) fn new(start: Instant) -> Self {
        Self {
            since: start,
            ..Self::default()
        }
    }

    fn sees_volts(&self, feed: &Feed) -> Option<bool> {
        self.volts.map(|volts| libm::fabs(volts) >= feed.see_volts)
    }

    /// Judges the feed anew; tells whether `on`, `live` or `failed` moved.
    pub(crate) fn judge(&mut self, feed: &Feed, supplied: Supplied, now: Instant) -> bool {
        let before = (self.on, self.power, self.failed);
        let volts = self.sees_volts(feed);
        self.on = match supplied.routed {
            Some(routed) => routed,
            None => self.switch.or(match feed.supply {
                // A steady feed known by its voltage alone: a fall is a failure, not a switch
                // (B10).
                Supply::Steady if self.failed => Some(true),
                Supply::Steady | Supply::Throttle => volts,
            }),
        };
        if self.on == Some(false) {
            self.failed = false;
            self.back_since = None;
        }
        self.end_failure(feed, now);
        self.power = match (self.on, supplied.parent) {
            (Some(false), _) | (_, Some(Power::Dead)) => Power::Dead,
            // A throttle without any report may all the same be running its train.
            (None, None | Some(Power::Live | Power::Unproven))
                if feed.supply == Supply::Throttle && supplied.routed.is_none() =>
            {
                Power::Unproven
            }
            (None, _) | (_, Some(Power::Unknown)) => Power::Unknown,
            (Some(true), parent) => {
                if self.failed || volts == Some(false) {
                    Power::Dead
                } else if (feed.supply == Supply::Throttle && volts.is_none())
                    || parent == Some(Power::Unproven)
                {
                    Power::Unproven
                } else {
                    Power::Live
                }
            }
        };
        let moved = before != (self.on, self.power, self.failed);
        if moved {
            self.since = now;
        }
        moved
    }

    /// B10: the failure ends when current or voltage has been back for `settle_s`.
    fn end_failure(&mut self, feed: &Feed, now: Instant) {
        if self.failed
            && self
                .back_since
                .is_some_and(|since| now >= since.plus(feed.settle))
        {
            self.failed = false;
            self.back_since = None;
        }
    }

    /// Takes a voltage; a steady feed whose voltage falls while it is switched on has failed (B10).
    pub(crate) fn voltage(&mut self, feed: &Feed, volts: f64, now: Instant) {
        let before = self.sees_volts(feed);
        self.volts = Some(volts);
        let sees = self.sees_volts(feed);
        if feed.supply == Supply::Steady
            && before == Some(true)
            && sees == Some(false)
            && self.switch != Some(false)
        {
            self.failed = true;
            self.back_since = None;
        }
        if self.failed {
            match sees {
                Some(true) => {
                    self.back_since.get_or_insert(now);
                }
                Some(false) | None => self.back_since = None,
            }
        }
    }

    /// Its device is gone, or the broker: nothing is known.
    pub(crate) fn forget(&mut self) {
        self.switch = None;
        self.volts = None;
        self.back_since = None;
    }

    /// When it wants to be looked at again.
    pub(crate) fn wake(&self, feed: &Feed) -> Option<Instant> {
        let back = self
            .back_since
            .filter(|_| self.failed)
            .map(|since| since.plus(feed.settle));
        let idle = self.idle_since.map(|since| since.plus(feed.idle));
        [back, idle].into_iter().flatten().min()
    }

    /// Whether it is live, as the record says.
    pub(crate) const fn is_live(&self) -> bool {
        matches!(self.power, Power::Live)
    }
}

/// The worst power of several feeds; a place without any is always supplied.
pub(crate) fn worst(powers: impl Iterator<Item = Power>) -> Power {
    powers.max().unwrap_or(Power::Live)
}
