//! A model railway in software: trains, track, detectors and an operator.
