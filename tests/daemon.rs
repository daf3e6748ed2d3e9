//! The whole daemon, live: real sockets on loopback, the embedded broker or one that the test runs,
//! and the program itself.

#[path = "daemon/harness.rs"]
mod harness;

#[path = "daemon/broker.rs"]
mod broker;
#[path = "daemon/commands.rs"]
mod commands;
#[path = "daemon/commissioning.rs"]
mod commissioning;
#[path = "daemon/doors.rs"]
mod doors;
#[path = "daemon/journal.rs"]
mod journal;
#[path = "daemon/port.rs"]
mod port;
#[path = "daemon/reload.rs"]
mod reload;
#[path = "daemon/road.rs"]
mod road;
#[path = "daemon/state.rs"]
mod state;
#[path = "daemon/watched.rs"]
mod watched;
