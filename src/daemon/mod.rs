//! The shell: the only place with tokio, sockets and a clock.

pub mod http;
pub mod mqtt;
