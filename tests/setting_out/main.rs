//! Setting out and commissioning, held against published values: turnout geometry, Ohm's law,
//! scale speed, run lengths; and the two commands from outside.

mod allocation;
mod calibrate;
mod check;
mod foreign;
mod geometry;
mod run_length;
mod set_out;

use std::process::{Command, Output};

/// Runs the program.
fn taillamp(arguments: &[&str]) -> Output {
    let program = env!("CARGO_BIN_EXE_taillamp");
    Command::new(program)
        .args(arguments)
        .output()
        .expect("the program was built for this test")
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

/// The command ends with this code, says one line, and the line has these words.
fn refused(arguments: &[&str], code: i32, words: &str) {
    let output = taillamp(arguments);
    let said = text(&output.stderr);
    assert_eq!(output.status.code(), Some(code), "{arguments:?}: {said}");
    assert!(said.contains(words), "{arguments:?}: {said}");
    if code == 1 {
        assert_eq!(said.lines().count(), 1, "{arguments:?}: {said}");
    }
    assert!(output.stdout.is_empty(), "{arguments:?}");
}
