//! Lines for people. `println!` and `eprintln!` panic where nobody reads them any more
//! (`demo | head`), and a panic ends the demo's railway.

use std::fmt::Display;
use std::io::{Write as _, stderr, stdout};

/// A line on standard output.
pub fn tell(line: impl Display) {
    let _ = writeln!(stdout(), "{line}");
}

/// A line on standard error.
pub fn note(line: impl Display) {
    let _ = writeln!(stderr(), "{line}");
}
