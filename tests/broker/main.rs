//! The embedded broker, from outside: what clients that keep to MQTT 3.1.1 may rely on, what those
//! that do not can reach, and every limit.
//!
//! Section numbers and statement numbers are those of MQTT 3.1.1 (OASIS standard, 2014). The cases
//! are the usual ones of a general-purpose interoperability suite, written anew.

mod access;
mod delivery;
mod foreign;
mod garbage;
mod limits;
mod peer;
mod protocol;
mod retained;
mod sessions;
mod wills;
