//! Scale speed: how fast a model would run if it were full size.
//!
//! Inputs: speed over the layout and the scale's ratio. Outputs: scale km/h and mph, and back.

/// Millimetres a second in a kilometre an hour.
const MM_S_PER_KMH: f64 = 1_000_000.0 / 3_600.0;
/// Kilometres in a mile.
const KM_PER_MILE: f64 = 1.609_344;

/// Scale km/h of a speed over the layout.
#[must_use]
pub fn kmh(speed_mm_s: f64, ratio: f64) -> f64 {
    speed_mm_s * ratio / MM_S_PER_KMH
}

/// Scale mph of a speed over the layout.
#[must_use]
pub fn mph(speed_mm_s: f64, ratio: f64) -> f64 {
    kmh(speed_mm_s, ratio) / KM_PER_MILE
}

/// The speed over the layout, mm/s, of a scale speed in km/h.
#[must_use]
pub fn mm_s(speed_kmh: f64, ratio: f64) -> f64 {
    speed_kmh * MM_S_PER_KMH / ratio
}
