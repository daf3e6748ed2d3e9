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

#[cfg(test)]
mod tests {
    use super::*;

    const STATES: [Clearance; 6] = [
        Clearance::Free,
        Clearance::Awaiting,
        Clearance::Cleared,
        Clearance::LeftDiverging,
        Clearance::Fouled,
        Clearance::Unknown,
    ];

    /// Every state with everything that can be known of a turnout.
    fn each(mut look: impl FnMut(Clearance, Facts, Clearance)) {
        for before in STATES {
            for bits in 0..32_u8 {
                for set in [Set::Normal, Set::Reverse, Set::NotKnown] {
                    let facts = Facts {
                        fouled: bits & 1 != 0,
                        provable: bits & 2 != 0,
                        clear: bits & 4 != 0,
                        set,
                        fouled_since_set: bits & 8 != 0,
                        overdue: bits & 16 != 0,
                    };
                    let mut machine = Machine.state_machine();
                    machine.init();
                    machine.handle(&Event::Put(before));
                    machine.handle(&Event::Judged(facts));
                    look(before, facts, machine.state().clearance());
                }
            }
        }
    }

    #[test]
    fn t1_fouling_evidence_comes_first_from_every_state() {
        each(|before, facts, after| {
            if facts.fouled {
                assert_eq!(after, Clearance::Fouled, "from {before:?} by {facts:?}");
            }
        });
    }

    #[test]
    fn t1_t7_nothing_is_clear_without_proof_from_any_state() {
        each(|before, facts, after| {
            let proven = facts.provable && !facts.fouled && facts.set != Set::NotKnown;
            let unproven = [Clearance::Unknown, Clearance::Fouled];
            if !proven {
                assert!(
                    unproven.contains(&after),
                    "{before:?} to {after:?} by {facts:?}"
                );
            }
            // Whoever was fouled or not known needs the whole of `clear_s`.
            if unproven.contains(&before) && !facts.clear {
                let stays = after == before || facts.fouled;
                assert!(stays, "{before:?} to {after:?} by {facts:?}");
            }
        });
    }

    #[test]
    fn t0_t2_what_is_proven_says_how_the_points_lie() {
        each(|before, facts, after| {
            if facts.fouled || !facts.provable || !facts.clear {
                return;
            }
            let possible: &[Clearance] = match facts.set {
                Set::Normal => &[Clearance::Free],
                Set::Reverse => &[
                    Clearance::Awaiting,
                    Clearance::Cleared,
                    Clearance::LeftDiverging,
                ],
                Set::NotKnown => &[Clearance::Unknown],
            };
            assert!(
                possible.contains(&after),
                "{before:?} to {after:?} by {facts:?}"
            );
        });
    }
}
