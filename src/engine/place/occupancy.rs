//! The machine of one place: unknown, vacant, occupied, dark, lost (B1 to B7, B9).
//!
//! Facts come with the event; the machine knows neither detectors nor feeds nor trains. What it
//! remembers (`kept`) lives in the context, beside it.

use statig::prelude::*;

use crate::change::{Kept, Occupancy};

/// What all the evidence of a place comes to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Finding {
    /// A detector is on, and it counts.
    On,
    /// The feed is off, not live or failed, and no `on` counts.
    Dead,
    /// The feed is live again and fresh samples have not decided yet.
    Settling,
    /// No detector can tell.
    Blind,
    /// Some detector or feed that is needed cannot tell.
    Partly,
    /// Everything is off, not yet for long enough.
    Off,
    /// Everything has been off for the release time.
    Released(Verdict),
}

/// What the trains say about a place that has been off for its release time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Verdict {
    /// No train is known to be in it.
    Nobody,
    /// Every train in it is also elsewhere, or went on unseen (B3).
    Left,
    /// A train in it is nowhere else (B4).
    Vanished,
    /// A train in it is nowhere else, and stock is put on and taken off here by hand.
    TakenByHand,
    /// Not to be released: nothing is proven.
    Stays,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Event {
    /// The evidence, judged anew.
    Judged(Finding),
    /// The operator's word, a memory, or the train was seen to have moved on.
    Put(Occupancy),
}

/// What the machine may read and write besides its state.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Notes {
    pub(crate) kept: Option<Kept>,
    /// Some detector's `off` speaks for the whole place (B1).
    pub(crate) whole: bool,
}

#[derive(Clone, Debug, Default)]
pub(crate) struct Machine;

#[state_machine(
    initial = "State::unknown()",
    state(derive(Debug, Clone, Copy, PartialEq, Eq)),
    superstate(derive(Debug))
)]
impl Machine {
    /// What holds from every state.
    #[superstate]
    fn watched(context: &mut Notes, event: &Event) -> Outcome<State> {
        match event {
            // B2: any detector on, at once, from every state.
            Event::Judged(Finding::On) => {
                context.kept = None;
                Transition(State::occupied())
            }
            // B6: the leaf has kept what it was.
            Event::Judged(Finding::Dead) => Transition(State::dark()),
            // B5: likewise.
            Event::Judged(Finding::Blind) => Transition(State::unknown()),
            Event::Put(Occupancy::Unknown) => Transition(State::unknown()),
            Event::Put(Occupancy::Dark) => Transition(State::dark()),
            Event::Put(state) => {
                context.kept = None;
                Transition(match state {
                    Occupancy::Vacant => State::vacant(),
                    Occupancy::Occupied => State::occupied(),
                    Occupancy::Lost | Occupancy::Unknown | Occupancy::Dark => State::lost(),
                })
            }
            Event::Judged(
                Finding::Settling | Finding::Partly | Finding::Off | Finding::Released(_),
            ) => Handled,
        }
    }

    #[state(superstate = "watched")]
    fn vacant(context: &mut Notes, event: &Event) -> Outcome<State> {
        match event {
            Event::Judged(Finding::Dead | Finding::Blind) => {
                context.kept = Some(Kept::Vacant);
                Super
            }
            // B5: one detector that is needed to prove vacancy is enough.
            Event::Judged(Finding::Partly | Finding::Settling) => {
                context.kept = Some(Kept::Vacant);
                Transition(State::unknown())
            }
            Event::Judged(Finding::On | Finding::Off | Finding::Released(_)) | Event::Put(_) => {
                Super
            }
        }
    }

    #[state(superstate = "watched")]
    fn occupied(context: &mut Notes, event: &Event) -> Outcome<State> {
        match event {
            Event::Judged(Finding::Dead | Finding::Blind) => {
                context.kept = Some(Kept::Occupied);
                Super
            }
            Event::Judged(Finding::Released(verdict)) => match (verdict, context.whole) {
                // B3.
                (Verdict::Nobody | Verdict::Left, true) => Transition(State::vacant()),
                // B1: nothing can watch it whole.
                (Verdict::Nobody | Verdict::Left, false) => {
                    context.kept = Some(Kept::Vacant);
                    Transition(State::unknown())
                }
                // B4.
                (Verdict::Vanished, true) => Transition(State::lost()),
                (Verdict::TakenByHand, _) => {
                    context.kept = None;
                    Transition(State::unknown())
                }
                (Verdict::Vanished, false) | (Verdict::Stays, _) => Handled,
            },
            Event::Judged(Finding::On) => Handled,
            Event::Judged(Finding::Settling | Finding::Partly | Finding::Off) | Event::Put(_) => {
                Super
            }
        }
    }

    #[state(superstate = "watched")]
    fn lost(context: &mut Notes, event: &Event) -> Outcome<State> {
        match event {
            Event::Judged(Finding::Dead | Finding::Blind) => {
                context.kept = Some(Kept::Lost);
                Super
            }
            Event::Judged(
                Finding::On
                | Finding::Settling
                | Finding::Partly
                | Finding::Off
                | Finding::Released(_),
            )
            | Event::Put(_) => Super,
        }
    }

    #[state(superstate = "watched")]
    fn dark(context: &mut Notes, event: &Event) -> Outcome<State> {
        match event {
            Event::Judged(Finding::Dead) => Handled,
            // The feed is not known to be off any more, and proves nothing.
            Event::Judged(Finding::Partly) => Transition(State::unknown()),
            // B7.
            Event::Judged(Finding::Released(verdict)) => match (context.kept, verdict) {
                (_, Verdict::Stays) => Handled,
                (Some(Kept::Occupied | Kept::Lost), _) => {
                    context.kept = None;
                    Transition(State::lost())
                }
                (Some(Kept::Vacant) | None, _) => vacated(context),
            },
            Event::Judged(Finding::On | Finding::Blind | Finding::Settling | Finding::Off)
            | Event::Put(_) => Super,
        }
    }

    #[state(superstate = "watched")]
    fn unknown(context: &mut Notes, event: &Event) -> Outcome<State> {
        match event {
            Event::Judged(Finding::Blind) => Handled,
            Event::Judged(Finding::Released(verdict)) => match (context.kept, verdict) {
                (_, Verdict::Stays) => Handled,
                // B5: what B3 or B4 would; never straight to vacant.
                (Some(Kept::Occupied | Kept::Lost), Verdict::Left) => vacated(context),
                (Some(Kept::Occupied | Kept::Lost), _) if context.whole => {
                    context.kept = None;
                    Transition(State::lost())
                }
                (Some(Kept::Occupied | Kept::Lost), _) => Handled,
                // B9.
                (Some(Kept::Vacant) | None, _) => {
                    if context.whole {
                        vacated(context)
                    } else {
                        Handled
                    }
                }
            },
            Event::Judged(
                Finding::On | Finding::Dead | Finding::Settling | Finding::Partly | Finding::Off,
            )
            | Event::Put(_) => Super,
        }
    }
}

/// Vacant where something watches the whole place; otherwise unknown, kept vacant (B1).
fn vacated(context: &mut Notes) -> Outcome<State> {
    if context.whole {
        context.kept = None;
        Transition(State::vacant())
    } else {
        context.kept = Some(Kept::Vacant);
        Transition(State::unknown())
    }
}

impl State {
    /// The word of the state.
    pub(crate) const fn occupancy(self) -> Occupancy {
        match self {
            Self::Unknown {} => Occupancy::Unknown,
            Self::Vacant {} => Occupancy::Vacant,
            Self::Occupied {} => Occupancy::Occupied,
            Self::Dark {} => Occupancy::Dark,
            Self::Lost {} => Occupancy::Lost,
        }
    }
}
