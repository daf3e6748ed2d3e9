//! Setting out and commissioning, held against published values: turnout geometry, Ohm's law,
//! scale speed, run lengths; and the two commands from outside.

mod allocation;
mod calibrate;
mod check;
mod coarse;
mod foreign;
mod geometry;
mod run_length;
mod set_out;

use std::process::{Command, Output};

/// Chance from a fixed seed.
struct Chance(u64);

impl Chance {
    /// Between 0 and 1 (SplitMix64, Steele, Lea & Flood 2014).
    fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut bits = self.0;
        bits = (bits ^ (bits >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        bits = (bits ^ (bits >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        bits ^= bits >> 31;
        ((bits >> 11) as f64 + 0.5) / 9_007_199_254_740_992.0
    }

    /// Of mean 0 and spread 1 (Box & Muller 1958).
    fn normal(&mut self) -> f64 {
        let radius = (-2.0 * self.uniform().ln()).sqrt();
        radius * (std::f64::consts::TAU * self.uniform()).cos()
    }
}

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
