//! MQTT: the embedded broker, the daemon's own client and its publisher.
//!
//! The daemon speaks to every broker, its own included, through [`client`] over TCP: one way in,
//! one way out, whichever broker the plan names. Nothing here knows what a topic or a payload
//! means.

mod address;
mod back_off;
pub(super) use address::tls;
pub(super) use back_off::BackOff;
pub mod broker;
pub mod client;
mod line;
pub mod publisher;

pub use address::AddressError;
