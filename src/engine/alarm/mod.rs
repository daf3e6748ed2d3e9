//! Alarms: what becomes of a condition (behaviour.md, section 6).

pub mod kinds;
pub mod lifecycle;
