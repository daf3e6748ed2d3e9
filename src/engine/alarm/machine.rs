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

#[derive(Debug, Default)]
pub(crate) struct Machine;

#[state_machine(
    initial = "State::normal()",
    state(derive(Debug, Clone, Copy, PartialEq, Eq)),
    superstate(derive(Debug))
)]
impl Machine {
    /// From every state an alarm can be put aside.
    #[superstate]
    fn alarm(event: &AlarmEvent) -> Outcome<State> {
        match event {
            AlarmEvent::Shelve => Transition(State::shelved()),
            AlarmEvent::Suppress => Transition(State::suppressed()),
            AlarmEvent::TakeOut => Transition(State::out_of_service()),
            AlarmEvent::Put(state) => Transition(State::from(*state)),
            AlarmEvent::Raise
            | AlarmEvent::Return
            | AlarmEvent::Worsen
            | AlarmEvent::Acknowledge
            | AlarmEvent::Reset
            | AlarmEvent::Resume => Handled,
        }
    }

    #[state(superstate = "alarm")]
    fn normal(event: &AlarmEvent) -> Outcome<State> {
        match event {
            AlarmEvent::Raise => Transition(State::unacknowledged()),
            _ => Super,
        }
    }

    #[state(superstate = "alarm")]
    fn unacknowledged(context: &mut Facts, event: &AlarmEvent) -> Outcome<State> {
        match event {
            AlarmEvent::Acknowledge => Transition(State::acknowledged()),
            AlarmEvent::Return if context.latches => Transition(State::latched_unacknowledged()),
            AlarmEvent::Return => Transition(State::returned_unacknowledged()),
            _ => Super,
        }
    }

    #[state(superstate = "alarm")]
    fn acknowledged(context: &mut Facts, event: &AlarmEvent) -> Outcome<State> {
        match event {
            AlarmEvent::Return if context.latches => Transition(State::latched_acknowledged()),
            AlarmEvent::Return => Transition(State::normal()),
            AlarmEvent::Worsen => Transition(State::unacknowledged()),
            _ => Super,
        }
    }

    #[state(superstate = "alarm")]
    fn returned_unacknowledged(event: &AlarmEvent) -> Outcome<State> {
        match event {
            AlarmEvent::Acknowledge => Transition(State::normal()),
            AlarmEvent::Raise => Transition(State::unacknowledged()),
            _ => Super,
        }
    }

    #[state(superstate = "alarm")]
    fn latched_unacknowledged(event: &AlarmEvent) -> Outcome<State> {
        match event {
            AlarmEvent::Acknowledge => Transition(State::latched_acknowledged()),
            AlarmEvent::Reset => Transition(State::normal()),
            AlarmEvent::Raise => Transition(State::unacknowledged()),
            _ => Super,
        }
    }

    #[state(superstate = "alarm")]
    fn latched_acknowledged(event: &AlarmEvent) -> Outcome<State> {
        match event {
            AlarmEvent::Reset => Transition(State::normal()),
            // The published tables differ here; a condition that comes anew is news.
            AlarmEvent::Raise => Transition(State::unacknowledged()),
            _ => Super,
        }
    }

    #[state(superstate = "aside")]
    fn shelved(event: &AlarmEvent) -> Outcome<State> {
        let _ = event;
        Super
    }

    #[state(superstate = "aside")]
    fn suppressed(event: &AlarmEvent) -> Outcome<State> {
        let _ = event;
        Super
    }

    #[state(superstate = "aside")]
    fn out_of_service(event: &AlarmEvent) -> Outcome<State> {
        let _ = event;
        Super
    }

    /// Put aside: still evaluated, and it comes back as the condition then is.
    #[superstate(superstate = "alarm")]
    fn aside(context: &mut Facts, event: &AlarmEvent) -> Outcome<State> {
        match event {
            AlarmEvent::Resume if context.active => Transition(State::unacknowledged()),
            AlarmEvent::Resume => Transition(State::normal()),
            _ => Super,
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

    /// One row for each published transition (ANSI/ISA-18.2 and IEC 62682 by check-values 3.1).
    #[test]
    fn published_transitions() {
        let rows = [
            (S::Normal, ACTIVE, E::Raise, S::Unacknowledged),
            (S::Unacknowledged, ACTIVE, E::Acknowledge, S::Acknowledged),
            (
                S::Unacknowledged,
                GONE,
                E::Return,
                S::ReturnedUnacknowledged,
            ),
            (S::Acknowledged, GONE, E::Return, S::Normal),
            (S::ReturnedUnacknowledged, GONE, E::Acknowledge, S::Normal),
            (
                S::ReturnedUnacknowledged,
                ACTIVE,
                E::Raise,
                S::Unacknowledged,
            ),
            (S::Acknowledged, LATCH, E::Return, S::LatchedAcknowledged),
            (
                S::Unacknowledged,
                LATCH,
                E::Return,
                S::LatchedUnacknowledged,
            ),
            (
                S::LatchedUnacknowledged,
                LATCH,
                E::Acknowledge,
                S::LatchedAcknowledged,
            ),
            (S::LatchedUnacknowledged, LATCH, E::Reset, S::Normal),
            (S::LatchedAcknowledged, LATCH, E::Reset, S::Normal),
            (S::LatchedAcknowledged, LATCH, E::Raise, S::Unacknowledged),
            (S::Unacknowledged, ACTIVE, E::Shelve, S::Shelved),
            (S::Acknowledged, ACTIVE, E::Suppress, S::Suppressed),
            (S::Acknowledged, ACTIVE, E::TakeOut, S::OutOfService),
            (S::Shelved, ACTIVE, E::Resume, S::Unacknowledged),
            (S::Shelved, GONE, E::Resume, S::Normal),
            (S::Suppressed, ACTIVE, E::Resume, S::Unacknowledged),
            (S::OutOfService, GONE, E::Resume, S::Normal),
            (S::Acknowledged, ACTIVE, E::Worsen, S::Unacknowledged),
        ];
        for (from, facts, event, to) in rows {
            assert_eq!(
                after(from, facts, event),
                to,
                "{from:?} {event:?} {facts:?}"
            );
        }
    }

    /// What must not happen.
    #[test]
    fn forbidden_transitions() {
        let rows = [
            (S::Normal, GONE, E::Acknowledge, S::Normal),
            (S::Normal, GONE, E::Reset, S::Normal),
            (S::Unacknowledged, ACTIVE, E::Reset, S::Unacknowledged),
            (S::Acknowledged, ACTIVE, E::Reset, S::Acknowledged),
            (S::Acknowledged, ACTIVE, E::Raise, S::Acknowledged),
            (S::Shelved, ACTIVE, E::Acknowledge, S::Shelved),
            (S::Shelved, ACTIVE, E::Raise, S::Shelved),
            (S::Unacknowledged, ACTIVE, E::Resume, S::Unacknowledged),
        ];
        for (from, facts, event, to) in rows {
            assert_eq!(
                after(from, facts, event),
                to,
                "{from:?} {event:?} {facts:?}"
            );
        }
    }
}
