//! Pure tools for setting out and commissioning.
//!
//! Setting out: where the clearance points of a turnout lie, where gaps and beams go, how many
//! resistor wheelsets a threshold needs. Commissioning: what a detector reads with and without a
//! vehicle, which thresholds follow, and how often they will be wrong. Inputs are numbers and
//! samples, outputs are numbers and drawings; nothing here opens a file, reads a clock or knows a
//! broker.

pub mod calibration;
pub mod clearance;
pub mod frog;
pub mod gauge;
pub mod histogram;
pub mod proposal;
pub mod run_length;
pub mod scale_speed;
pub mod sketch;
pub mod wheelsets;
