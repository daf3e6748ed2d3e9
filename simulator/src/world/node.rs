//! Devices: they carry detectors, start again, and sometimes fall silent.
//!
//! Inputs: reboots and hang-ups with their lengths. Outputs: whether a device speaks, and when the
//! broker speaks for it (its will). It does not know what it carries.

use taillamp::engine::time::{Instant, Span};

/// How long the broker takes to notice that a device is gone: 1.5 times a keep-alive of 1 s
/// (MQTT 3.1.1, [MQTT-3.1.2-24]).
const WILL_AFTER: Span = Span::from_millis(1_500);

/// One device.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum NodeState {
    /// At work.
    #[default]
    Up,
    /// Starting again: the broker tells of its will, later it is back.
    Rebooting {
        /// When the will is published; `None` when it has been.
        will_at: Option<Instant>,
        /// When it is back.
        back_at: Instant,
    },
    /// It keeps its connection and says nothing.
    Hung {
        /// When it is back.
        back_at: Instant,
    },
}

/// What a device's connection says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Said {
    /// `online`, and everything it knows.
    Online,
    /// `offline`: its will.
    Offline,
    /// Nothing of its coming and going, but everything it knows again.
    Awake,
}

impl NodeState {
    /// It starts again and is back after this.
    #[must_use]
    pub fn rebooting(now: Instant, length: Span) -> Self {
        Self::Rebooting {
            will_at: Some(now.plus(WILL_AFTER)),
            back_at: now.plus(length),
        }
    }

    /// It falls silent and is back after this.
    #[must_use]
    pub fn hung(now: Instant, length: Span) -> Self {
        Self::Hung {
            back_at: now.plus(length),
        }
    }

    /// Whether it speaks.
    #[must_use]
    pub const fn speaks(self) -> bool {
        matches!(self, Self::Up)
    }

    /// Lets time run to `now`.
    pub fn step(&mut self, now: Instant) -> Option<Said> {
        match *self {
            Self::Up => None,
            Self::Rebooting { back_at, .. } if back_at <= now => {
                *self = Self::Up;
                Some(Said::Online)
            }
            Self::Rebooting {
                will_at: Some(at),
                back_at,
            } if at <= now => {
                *self = Self::Rebooting {
                    will_at: None,
                    back_at,
                };
                Some(Said::Offline)
            }
            Self::Hung { back_at } if back_at <= now => {
                *self = Self::Up;
                Some(Said::Awake)
            }
            Self::Rebooting { .. } | Self::Hung { .. } => None,
        }
    }
}
