//! The machine of one alarm (ANSI/ISA-18.2, IEC 62682).
//!
//! It knows no time and no subject; delays are applied before an event comes here.

use statig::prelude::*;

use super::lifecycle::{AlarmEvent, AlarmState};

/// What a transition may depend on besides the state.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Facts {
    /// The condition lasts.
    pub(crate) active: bool,
    /// Stays until reset.
    pub(crate) latches: bool,
}

#[derive(Clone, Debug, Default)]
pub(crate) struct Machine;

#[state_machine(
    initial = "State::normal()",
    state(derive(Debug, Clone, Copy, PartialEq, Eq)),
    superstate(derive(Debug))
)]
impl Machine {
    /// Every state. What no state takes is refused: nothing changes.
    #[superstate]
    fn alarm(event: &AlarmEvent) -> Outcome<State> {
        match event {
            AlarmEvent::Put(state) => Transition(State::from(*state)),
            AlarmEvent::Raise
            | AlarmEvent::Return
            | AlarmEvent::Worsen
            | AlarmEvent::Acknowledge
            | AlarmEvent::Reset
            | AlarmEvent::Shelve
            | AlarmEvent::Suppress
            | AlarmEvent::TakeOut
            | AlarmEvent::Unshelve
            | AlarmEvent::Unsuppress
            | AlarmEvent::PutBack => Handled,
        }
    }

    /// In use: it can be put aside, by the operator, by logic or by maintenance.
    #[superstate(superstate = "alarm")]
    fn in_use(event: &AlarmEvent) -> Outcome<State> {
        match event {
            AlarmEvent::Shelve => Transition(State::shelved()),
            AlarmEvent::Suppress => Transition(State::suppressed()),
            AlarmEvent::TakeOut => Transition(State::out_of_service()),
            _ => Super,
        }
    }

    #[state(superstate = "in_use")]
    fn normal(event: &AlarmEvent) -> Outcome<State> {
        match event {
            AlarmEvent::Raise => Transition(State::unacknowledged()),
            _ => Super,
        }
    }

    #[state(superstate = "in_use")]
    fn unacknowledged(context: &mut Facts, event: &AlarmEvent) -> Outcome<State> {
        match event {
            AlarmEvent::Acknowledge => Transition(State::acknowledged()),
            AlarmEvent::Return if context.latches => Transition(State::latched_unacknowledged()),
            AlarmEvent::Return => Transition(State::returned_unacknowledged()),
            _ => Super,
        }
    }

    #[state(superstate = "in_use")]
    fn acknowledged(context: &mut Facts, event: &AlarmEvent) -> Outcome<State> {
        match event {
            AlarmEvent::Return if context.latches => Transition(State::latched_acknowledged()),
            AlarmEvent::Return => Transition(State::normal()),
            AlarmEvent::Worsen => Transition(State::unacknowledged()),
            _ => Super,
        }
    }

    #[state(superstate = "in_use")]
    fn returned_unacknowledged(event: &AlarmEvent) -> Outcome<State> {
        match event {
            AlarmEvent::Acknowledge => Transition(State::normal()),
            AlarmEvent::Raise => Transition(State::unacknowledged()),
            _ => Super,
        }
    }

    #[state(superstate = "in_use")]
    fn latched_unacknowledged(event: &AlarmEvent) -> Outcome<State> {
        match event {
            AlarmEvent::Acknowledge => Transition(State::latched_acknowledged()),
            AlarmEvent::Reset => Transition(State::normal()),
            AlarmEvent::Raise => Transition(State::unacknowledged()),
            _ => Super,
        }
    }

    #[state(superstate = "in_use")]
    fn latched_acknowledged(event: &AlarmEvent) -> Outcome<State> {
        match event {
            AlarmEvent::Reset => Transition(State::normal()),
            // The published tables differ here; a condition that comes anew is news.
            AlarmEvent::Raise => Transition(State::unacknowledged()),
            _ => Super,
        }
    }

    // Put aside: still evaluated, and it comes back as the condition then is. Maintenance comes
    // before the operator and logic: what is shelved or suppressed can be taken out of service, and
    // what is out of service comes back by that way alone.

    #[state(superstate = "alarm")]
    fn shelved(context: &mut Facts, event: &AlarmEvent) -> Outcome<State> {
        match event {
            AlarmEvent::Unshelve => Transition(Self::as_it_is(context)),
            AlarmEvent::TakeOut => Transition(State::out_of_service()),
            _ => Super,
        }
    }

    #[state(superstate = "alarm")]
    fn suppressed(context: &mut Facts, event: &AlarmEvent) -> Outcome<State> {
        match event {
            AlarmEvent::Unsuppress => Transition(Self::as_it_is(context)),
            AlarmEvent::TakeOut => Transition(State::out_of_service()),
            _ => Super,
        }
    }

    #[state(superstate = "alarm")]
    fn out_of_service(context: &mut Facts, event: &AlarmEvent) -> Outcome<State> {
        match event {
            AlarmEvent::PutBack => Transition(Self::as_it_is(context)),
            _ => Super,
        }
    }
}

impl Machine {
    /// The state that the condition alone implies.
    fn as_it_is(facts: &Facts) -> State {
        if facts.active {
            State::unacknowledged()
        } else {
            State::normal()
        }
    }
}

impl From<AlarmState> for State {
    fn from(state: AlarmState) -> Self {
        match state {
            AlarmState::Normal => Self::normal(),
            AlarmState::Unacknowledged => Self::unacknowledged(),
            AlarmState::Acknowledged => Self::acknowledged(),
            AlarmState::ReturnedUnacknowledged => Self::returned_unacknowledged(),
            AlarmState::LatchedUnacknowledged => Self::latched_unacknowledged(),
            AlarmState::LatchedAcknowledged => Self::latched_acknowledged(),
            AlarmState::Shelved => Self::shelved(),
            AlarmState::Suppressed => Self::suppressed(),
            AlarmState::OutOfService => Self::out_of_service(),
        }
    }
}

impl State {
    pub(crate) const fn alarm_state(self) -> AlarmState {
        match self {
            Self::Normal {} => AlarmState::Normal,
            Self::Unacknowledged {} => AlarmState::Unacknowledged,
            Self::Acknowledged {} => AlarmState::Acknowledged,
            Self::ReturnedUnacknowledged {} => AlarmState::ReturnedUnacknowledged,
            Self::LatchedUnacknowledged {} => AlarmState::LatchedUnacknowledged,
            Self::LatchedAcknowledged {} => AlarmState::LatchedAcknowledged,
            Self::Shelved {} => AlarmState::Shelved,
            Self::Suppressed {} => AlarmState::Suppressed,
            Self::OutOfService {} => AlarmState::OutOfService,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use AlarmEvent as E;
    use AlarmState as S;
    use statig::blocking::IntoStateMachineExt;

    fn after(from: S, facts: Facts, event: E) -> S {
        let mut facts = facts;
        let mut machine = Machine.state_machine();
        machine.handle_with_context(&E::Put(from), &mut facts);
        machine.handle_with_context(&event, &mut facts);
        machine.state().alarm_state()
    }

    const ACTIVE: Facts = Facts {
        active: true,
        latches: false,
    };
    const GONE: Facts = Facts {
        active: false,
        latches: false,
    };
    const LATCH: Facts = Facts {
        active: false,
        latches: true,
    };
    const LATCH_ACTIVE: Facts = Facts {
        active: true,
        latches: true,
    };
    const STATES: [S; 9] = [
        S::Normal,
        S::Unacknowledged,
        S::Acknowledged,
        S::ReturnedUnacknowledged,
        S::LatchedUnacknowledged,
        S::LatchedAcknowledged,
        S::Shelved,
        S::Suppressed,
        S::OutOfService,
    ];
    const EVENTS: [E; 11] = [
        E::Raise,
        E::Return,
        E::Worsen,
        E::Acknowledge,
        E::Reset,
        E::Shelve,
        E::Suppress,
        E::TakeOut,
        E::Unshelve,
        E::Unsuppress,
        E::PutBack,
    ];

    type Row = (S, Facts, E, S);

    /// One row for each published transition: the state model of ANSI/ISA-18.2 and IEC 62682, as
    /// secondary texts give it (the standards themselves are not open; open text of the same
    /// meaning: OPC 10000-9, sections 4.8 and B.1.5).
    #[rustfmt::skip]
    const PUBLISHED: [Row; 34] = [
        (S::Normal, ACTIVE, E::Raise, S::Unacknowledged),
        (S::Unacknowledged, ACTIVE, E::Acknowledge, S::Acknowledged),
        (S::Unacknowledged, GONE, E::Return, S::ReturnedUnacknowledged),
        (S::Acknowledged, GONE, E::Return, S::Normal),
        (S::ReturnedUnacknowledged, GONE, E::Acknowledge, S::Normal),
        (S::ReturnedUnacknowledged, ACTIVE, E::Raise, S::Unacknowledged),
        (S::Acknowledged, LATCH, E::Return, S::LatchedAcknowledged),
        (S::LatchedAcknowledged, LATCH, E::Reset, S::Normal),
        (S::Unacknowledged, LATCH, E::Return, S::LatchedUnacknowledged),
        (S::LatchedUnacknowledged, LATCH, E::Acknowledge, S::LatchedAcknowledged),
        (S::LatchedUnacknowledged, LATCH, E::Reset, S::Normal),
        // A site rule in the published table; here a condition that comes anew is news.
        (S::LatchedAcknowledged, LATCH_ACTIVE, E::Raise, S::Unacknowledged),
        // 'Any of the above': each put aside in three ways.
        (S::Normal, GONE, E::Shelve, S::Shelved),
        (S::Normal, GONE, E::Suppress, S::Suppressed),
        (S::Normal, GONE, E::TakeOut, S::OutOfService),
        (S::Unacknowledged, ACTIVE, E::Shelve, S::Shelved),
        (S::Unacknowledged, ACTIVE, E::Suppress, S::Suppressed),
        (S::Unacknowledged, ACTIVE, E::TakeOut, S::OutOfService),
        (S::Acknowledged, ACTIVE, E::Shelve, S::Shelved),
        (S::Acknowledged, ACTIVE, E::Suppress, S::Suppressed),
        (S::Acknowledged, ACTIVE, E::TakeOut, S::OutOfService),
        (S::ReturnedUnacknowledged, GONE, E::Shelve, S::Shelved),
        (S::ReturnedUnacknowledged, GONE, E::Suppress, S::Suppressed),
        (S::ReturnedUnacknowledged, GONE, E::TakeOut, S::OutOfService),
        (S::LatchedUnacknowledged, LATCH, E::Shelve, S::Shelved),
        (S::LatchedUnacknowledged, LATCH, E::Suppress, S::Suppressed),
        (S::LatchedUnacknowledged, LATCH, E::TakeOut, S::OutOfService),
        (S::LatchedAcknowledged, LATCH, E::Shelve, S::Shelved),
        (S::LatchedAcknowledged, LATCH, E::Suppress, S::Suppressed),
        (S::LatchedAcknowledged, LATCH, E::TakeOut, S::OutOfService),
        (S::Shelved, ACTIVE, E::Unshelve, S::Unacknowledged),
        (S::Shelved, GONE, E::Unshelve, S::Normal),
        (S::Suppressed, ACTIVE, E::Unsuppress, S::Unacknowledged),
        (S::OutOfService, GONE, E::PutBack, S::Normal),
    ];

    /// Where the published tables say nothing. The first two are the rows above with the condition
    /// the other way round; a rise of priority is news; maintenance comes before shelving and
    /// suppression; what comes anew while it was latched unseen is unacknowledged.
    #[rustfmt::skip]
    const OURS: [Row; 6] = [
        (S::Suppressed, GONE, E::Unsuppress, S::Normal),
        (S::OutOfService, ACTIVE, E::PutBack, S::Unacknowledged),
        (S::Acknowledged, ACTIVE, E::Worsen, S::Unacknowledged),
        (S::Shelved, ACTIVE, E::TakeOut, S::OutOfService),
        (S::Suppressed, ACTIVE, E::TakeOut, S::OutOfService),
        (S::LatchedUnacknowledged, LATCH_ACTIVE, E::Raise, S::Unacknowledged),
    ];

    #[test]
    fn published_transitions() {
        for (from, facts, event, to) in PUBLISHED.into_iter().chain(OURS) {
            assert_eq!(
                after(from, facts, event),
                to,
                "{from:?} {event:?} {facts:?}"
            );
        }
    }

    /// Every pair of state and event that is in no row changes nothing, whatever the facts are.
    #[test]
    fn everything_else_is_refused() {
        let known = |from: S, event: E| {
            PUBLISHED
                .iter()
                .chain(&OURS)
                .any(|row| row.0 == from && row.2 == event)
        };
        let mut refused = 0;
        for from in STATES {
            for event in EVENTS {
                if known(from, event) {
                    continue;
                }
                refused += 1;
                for facts in [ACTIVE, GONE, LATCH, LATCH_ACTIVE] {
                    let to = after(from, facts, event);
                    assert_eq!(to, from, "{from:?} {event:?} {facts:?}");
                }
            }
        }
        // 9 states by 11 events, less the pairs that the rows name.
        assert_eq!(refused, 99 - 35);
    }
}
