//! Setting points back behind a train: the hand that waits until it may, forgets, or is too quick.
//!
//! Inputs: the world, as somebody who looks at it sees it. Output: points set back, and the log. A
//! careful hand waits until nothing has been on the points for as long as a detector needs to
//! prove it (the plan's release and clear times), and then a moment.

use taillamp::engine::ids::TurnoutId;
use taillamp::engine::layout::Leg;
use taillamp::engine::time::{Instant, Span};

use super::act::{Entry, What};
use crate::world::World;

/// How long a careful hand waits after the points look clear: 1.5 s to release, 5 s to clear, and
/// a margin.
const PROVEN_AFTER: Span = Span::from_millis(7_000);
/// A train that has not come by then is not waited for.
const PATIENCE: Span = Span::from_secs(150);
/// The tail is this close to being clear when a hand is too quick, mm.
const TOO_QUICK_MM: f64 = 120.0;

/// How it will go.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Manner {
    /// In time, this long after it is proven.
    InTime(Span),
    /// Forgotten, for this long.
    Forgotten(Span),
    /// Under the last car.
    TooEarly,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Stage {
    Coming,
    Passing,
    Clear(Instant),
    Done,
}

/// One turnout to set back.
#[derive(Clone, Debug)]
pub struct Hand {
    turnout: TurnoutId,
    train: usize,
    manner: Manner,
    stage: Stage,
    begun: Instant,
}

impl Hand {
    /// A hand for points that a train is to run over.
    #[must_use]
    pub const fn new(turnout: TurnoutId, train: usize, manner: Manner, now: Instant) -> Self {
        Self {
            turnout,
            train,
            manner,
            stage: Stage::Coming,
            begun: now,
        }
    }

    /// The points.
    #[must_use]
    pub const fn turnout(&self) -> TurnoutId {
        self.turnout
    }

    /// The train is past the points.
    #[must_use]
    pub const fn is_passed(&self) -> bool {
        matches!(self.stage, Stage::Clear(_) | Stage::Done)
    }

    /// The train has reached the points, or is past them.
    #[must_use]
    pub const fn has_begun(&self) -> bool {
        !matches!(self.stage, Stage::Coming)
    }

    /// The points are back.
    #[must_use]
    pub const fn is_done(&self) -> bool {
        matches!(self.stage, Stage::Done)
    }

    /// It will be done later than anybody wants.
    #[must_use]
    pub const fn is_forgotten(&self) -> bool {
        matches!(self.manner, Manner::Forgotten(_))
    }

    /// Looks, and acts where it is time.
    pub fn step(&mut self, world: &mut World, log: &mut Vec<Entry>) {
        let now = world.now();
        let mut note = |what| log.push(Entry { at: now, what });
        let over = world.trains()[self.train].until_clear_mm(self.turnout);
        match self.stage {
            Stage::Coming => {
                if over.is_some() && world.turnout_is_taken(self.turnout) {
                    self.stage = Stage::Passing;
                } else if now.since(self.begun) >= PATIENCE && world.looks_clear(self.turnout) {
                    self.manner = Manner::InTime(Span::ZERO);
                    self.stage = Stage::Clear(now);
                }
            }
            Stage::Passing => {
                let nearly = over.is_some_and(|mm| mm <= TOO_QUICK_MM);
                if self.manner == Manner::TooEarly && nearly {
                    world.set_points(self.turnout, Leg::Normal);
                    note(What::SetBackTooEarly(self.turnout));
                    self.stage = Stage::Done;
                } else if world.looks_clear(self.turnout) {
                    if self.is_forgotten() {
                        note(What::Forgot(self.turnout));
                    }
                    self.stage = Stage::Clear(now);
                }
            }
            Stage::Clear(since) => {
                if world.turnout_is_taken(self.turnout) {
                    // Somebody else is on them: look again afterwards.
                    self.stage = Stage::Passing;
                    return;
                }
                let wait = match self.manner {
                    Manner::InTime(moment) => PROVEN_AFTER.0 + moment.0,
                    Manner::Forgotten(time) => time.0,
                    Manner::TooEarly => PROVEN_AFTER.0,
                };
                if now.since(since).0 >= wait {
                    world.set_points(self.turnout, Leg::Normal);
                    note(What::SetBack(self.turnout));
                    self.stage = Stage::Done;
                }
            }
            Stage::Done => {}
        }
    }
}
