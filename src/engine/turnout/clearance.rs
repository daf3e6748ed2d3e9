//! The machine of one turnout: free, awaiting, cleared, left diverging, fouled, unknown (T0 to T2,
//! T7).
//!
//! Facts come with the event; the machine knows neither detectors nor trains nor time.

use statig::prelude::*;

use crate::change::Clearance;

/// Which side the points are set for, as far as that is known.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Set {
    Normal,
    Reverse,
    NotKnown,
}

/// Everything that bears on a turnout's clearance, judged anew.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Facts {
    /// There is fouling evidence.
    pub(crate) fouled: bool,
    /// T7: every detector that clearance needs can tell.
    pub(crate) provable: bool,
    /// T0, T1: there has been no fouling evidence for longer than `clear_s`.
    pub(crate) clear: bool,
    pub(crate) set: Set,
    /// A vehicle has fouled it since it was set.
    pub(crate) fouled_since_set: bool,
    /// T2: `restore_s` has passed since it was cleared.
    pub(crate) overdue: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Event {
    Judged(Facts),
    /// A memory (B8).
    Put(Clearance),
}

#[derive(Clone, Debug, Default)]
pub(crate) struct Machine;

#[state_machine(
    initial = "State::unknown()",
    state(derive(Debug, Clone, Copy, PartialEq, Eq)),
    superstate(derive(Debug))
)]
impl Machine {
    /// What holds from every state: fouling evidence comes first; without proof it is unknown (T7).
    #[superstate]
    fn watched(event: &Event) -> Outcome<State> {
        match event {
            Event::Judged(facts) if facts.fouled => Transition(State::fouled()),
            Event::Judged(facts) if !facts.provable || facts.set == Set::NotKnown => {
                Transition(State::unknown())
            }
            Event::Judged(_) => Handled,
            Event::Put(state) => Transition(match state {
                Clearance::Free => State::free(),
                Clearance::Awaiting => State::awaiting(),
                Clearance::Cleared => State::cleared(),
                Clearance::LeftDiverging => State::left_diverging(),
                Clearance::Fouled => State::fouled(),
                Clearance::Unknown => State::unknown(),
            }),
        }
    }

    /// Proven clear and set diverging.
    #[superstate(superstate = "watched")]
    fn diverging(event: &Event) -> Outcome<State> {
        match event {
            Event::Judged(facts) if facts.is_proven() && facts.set == Set::Normal => {
                Transition(State::free())
            }
            Event::Judged(_) | Event::Put(_) => Super,
        }
    }

    #[state(superstate = "watched")]
    fn free(event: &Event) -> Outcome<State> {
        match event {
            Event::Judged(facts) if facts.is_proven() && facts.set == Set::Reverse => {
                Transition(State::awaiting())
            }
            Event::Judged(_) | Event::Put(_) => Super,
        }
    }

    #[state(superstate = "diverging")]
    fn awaiting(event: &Event) -> Outcome<State> {
        let _ = event;
        Super
    }

    #[state(superstate = "diverging")]
    fn cleared(event: &Event) -> Outcome<State> {
        match event {
            // T2.
            Event::Judged(facts)
                if facts.is_proven() && facts.set == Set::Reverse && facts.overdue =>
            {
                Transition(State::left_diverging())
            }
            Event::Judged(_) | Event::Put(_) => Super,
        }
    }

    #[state(superstate = "diverging")]
    fn left_diverging(event: &Event) -> Outcome<State> {
        let _ = event;
        Super
    }

    #[state(superstate = "watched")]
    fn fouled(event: &Event) -> Outcome<State> {
        match event {
            // T1: evidence that is merely missing does not end it (T7: 'unless fouled').
            Event::Judged(facts) if facts.fouled || !facts.provable || !facts.clear => Handled,
            Event::Judged(facts) => match facts.set {
                Set::Normal => Transition(State::free()),
                Set::Reverse => Transition(State::cleared()),
                Set::NotKnown => Transition(State::unknown()),
            },
            Event::Put(_) => Super,
        }
    }

    #[state(superstate = "watched")]
    fn unknown(event: &Event) -> Outcome<State> {
        match event {
            // T0.
            Event::Judged(facts) if facts.is_proven() && facts.clear => {
                match (facts.set, facts.fouled_since_set) {
                    (Set::Normal, _) => Transition(State::free()),
                    (Set::Reverse, true) => Transition(State::cleared()),
                    (Set::Reverse, false) => Transition(State::awaiting()),
                    (Set::NotKnown, _) => Handled,
                }
            }
            Event::Judged(facts) if !facts.fouled => Handled,
            Event::Judged(_) | Event::Put(_) => Super,
        }
    }
}

impl Facts {
    const fn is_proven(self) -> bool {
        !self.fouled && self.provable
    }
}

impl State {
    /// The word of the state.
    pub(crate) const fn clearance(self) -> Clearance {
        match self {
            Self::Free {} => Clearance::Free,
            Self::Awaiting {} => Clearance::Awaiting,
            Self::Cleared {} => Clearance::Cleared,
            Self::LeftDiverging {} => Clearance::LeftDiverging,
            Self::Fouled {} => Clearance::Fouled,
            Self::Unknown {} => Clearance::Unknown,
        }
    }
}
