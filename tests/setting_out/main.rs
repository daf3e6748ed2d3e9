//! Setting out and commissioning, held against published values: turnout geometry, Ohm's law,
//! scale speed, run lengths; and the two commands from outside.

mod geometry;
mod run_length;
