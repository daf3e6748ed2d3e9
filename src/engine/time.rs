//! Time as data: the engine never reads a clock, time comes in with each input.
//!
//! [`Instant`] counts microseconds since an origin that the caller chooses (a recording's zero, or
//! the daemon's start); [`Span`] is a length of time. All arithmetic saturates: no step can
//! underflow.

use core::fmt;

/// A moment, in microseconds since the caller's origin.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Debug)]
pub struct Instant(pub u64);

/// A length of time, in microseconds.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Debug)]
pub struct Span(pub u64);

/// The smallest step that recordings and outputs show (three decimals of a second).
///
/// A rule that says 'longer than' fires one step after its limit, so that an input that comes
/// exactly at the limit still counts (49 CFR 236.309: a loss of 5 seconds *or less* releases
/// nothing).
pub const STEP: Span = Span(1_000);

impl Instant {
    /// The moment `span` later.
    #[must_use]
    pub const fn plus(self, span: Span) -> Self {
        Self(self.0.saturating_add(span.0))
    }

    /// The first moment that is *longer than* `span` after this one: one [`STEP`] past it.
    #[must_use]
    pub const fn past(self, span: Span) -> Self {
        self.plus(span).plus(STEP)
    }

    /// How long after `earlier` this is; zero when it is not later.
    #[must_use]
    pub const fn since(self, earlier: Self) -> Span {
        Span(self.0.saturating_sub(earlier.0))
    }

    /// Seconds since the origin, for people and for JSON.
    #[must_use]
    pub fn as_secs_f64(self) -> f64 {
        self.0 as f64 / 1e6
    }

    /// From seconds since the origin, to the nearest microsecond; negative and not-a-number give
    /// zero.
    #[must_use]
    pub fn from_secs_f64(seconds: f64) -> Self {
        Self(Span::from_secs_f64(seconds).0)
    }
}

impl Span {
    /// No time at all.
    pub const ZERO: Self = Self(0);

    /// A span of whole milliseconds.
    #[must_use]
    pub const fn from_millis(millis: u64) -> Self {
        Self(millis.saturating_mul(1_000))
    }

    /// A span of whole seconds.
    #[must_use]
    pub const fn from_secs(seconds: u64) -> Self {
        Self(seconds.saturating_mul(1_000_000))
    }

    /// From seconds, to the nearest microsecond; negative and not-a-number give zero.
    #[must_use]
    pub fn from_secs_f64(seconds: f64) -> Self {
        // A float-to-integer cast saturates and turns NaN into zero, which is what is wanted here.
        Self(libm::round(seconds * 1e6) as u64)
    }

    /// Seconds, for people and for JSON.
    #[must_use]
    pub fn as_secs_f64(self) -> f64 {
        self.0 as f64 / 1e6
    }
}

/// Seconds with three decimals, as every recording and output writes them.
impl fmt::Display for Instant {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let millis = (self.0 + 500) / 1_000;
        write!(f, "{}.{:03}", millis / 1_000, millis % 1_000)
    }
}
