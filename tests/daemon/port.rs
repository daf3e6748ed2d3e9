//! Ports for programs that must be told where to listen.
//!
//! Asking the system for a free port and giving it back is not enough: until the program binds it,
//! the system may hand the same one to a test beside this one, or to a connection going out. These
//! come from below the range the system itself hands out of (32768 and up: `ip_local_port_range`
//! of Linux, 49152 and up: RFC 6335), and none is given twice.

use std::net::TcpListener;
use std::process;
use std::sync::atomic::{AtomicU32, Ordering};

const FIRST: u32 = 16_384;
const COUNT: u32 = 16_384;
/// So that programs of tests that run at the same time begin far apart.
const APART: u32 = 257;

static GIVEN: AtomicU32 = AtomicU32::new(0);

/// A port on which nobody listens, and that no other caller in this program is given.
pub(crate) fn free() -> u16 {
    let begin = process::id().wrapping_mul(APART);
    for _ in 0..COUNT {
        let turn = begin.wrapping_add(GIVEN.fetch_add(1, Ordering::Relaxed));
        let port = u16::try_from(FIRST + turn % COUNT).expect("below 32768");
        if TcpListener::bind(("127.0.0.1", port)).is_ok() {
            return port;
        }
    }
    panic!("every port from {FIRST} to {} is taken", FIRST + COUNT - 1);
}
