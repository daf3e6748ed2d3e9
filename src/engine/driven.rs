//! A machine of `statig` that can be written down: what it is in is all that it remembers.

use core::fmt;
use core::ops::{Deref, DerefMut};

use statig::blocking::{IntoStateMachine, StateMachine};

/// A machine and the state it is in.
pub(crate) struct Driven<M: IntoStateMachine>(StateMachine<M>);

impl<M: IntoStateMachine> From<StateMachine<M>> for Driven<M> {
    fn from(machine: StateMachine<M>) -> Self {
        Self(machine)
    }
}

impl<M: IntoStateMachine> Deref for Driven<M> {
    type Target = StateMachine<M>;

    fn deref(&self) -> &Self::Target {
        &self.0
    }
}

impl<M: IntoStateMachine> DerefMut for Driven<M> {
    fn deref_mut(&mut self) -> &mut Self::Target {
        &mut self.0
    }
}

impl<M> Clone for Driven<M>
where
    M: IntoStateMachine + Clone,
    M::State: Clone,
{
    fn clone(&self) -> Self {
        Self(self.0.clone())
    }
}

impl<M> fmt::Debug for Driven<M>
where
    M: IntoStateMachine,
    M::State: statig::blocking::State<M> + fmt::Debug,
    for<'sub> M::Superstate<'sub>: statig::blocking::Superstate<M>,
{
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.state().fmt(f)
    }
}
