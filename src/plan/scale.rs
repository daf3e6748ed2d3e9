//! The published scales: a name, or a ratio written out, to full size divided by model size.
//!
//! The letter O and the figure 0 are different scales, as their publishers have it: `HO` is 3.5 mm
//! to the foot (NMRA S-1.2, 1:87.1), `H0` is 1:87 (NEM 010); `O` is 1:48 (NMRA), `0` is 1:45 (NEM
//! 010).

/// Name, ratio, source.
pub const SCALES: &[(&str, f64, &str)] = &[
    ("Z", 220.0, "NMRA S-1.2, NEM 010"),
    ("N", 160.0, "NMRA S-1.2, NEM 010"),
    ("TT", 120.0, "NMRA S-1.2, NEM 010"),
    ("HO", 87.1, "NMRA S-1.2: 3.5 mm to the foot"),
    ("H0", 87.0, "NEM 010"),
    ("S", 64.0, "NMRA S-1.2, NEM 010"),
    ("O", 48.0, "NMRA S-1.2"),
    ("0", 45.0, "NEM 010"),
    ("On30", 48.0, "NMRA S-3.2: O on the track of HO"),
    ("I", 32.0, "NEM 010"),
    ("II", 22.5, "NEM 010"),
    ("F", 20.3, "NMRA, from memory"),
    ("Fn3", 20.3, "NMRA, from memory"),
    ("III", 16.0, "NEM 010"),
    ("V", 11.0, "NEM 010"),
    ("VII", 8.0, "NEM 010"),
    ("X", 5.5, "NEM 010"),
];

/// The largest ratio that is taken for one: smaller models than that are not run.
const RATIO_MAX: f64 = 1_000.0;

/// Full size divided by model size; `None` for what is neither a published name nor `1:RATIO`.
#[must_use]
pub fn ratio(written: &str) -> Option<f64> {
    if let Some((_, ratio, _)) = SCALES.iter().find(|(name, _, _)| *name == written) {
        return Some(*ratio);
    }
    let figures = written.strip_prefix("1:")?;
    if !figures
        .bytes()
        .all(|byte| byte.is_ascii_digit() || byte == b'.')
    {
        return None;
    }
    let ratio: f64 = figures.parse().ok()?;
    (1.0..=RATIO_MAX).contains(&ratio).then_some(ratio)
}

/// The published names, for messages.
#[must_use]
pub fn names() -> String {
    let names: Vec<&str> = SCALES.iter().map(|(name, _, _)| *name).collect();
    names.join(", ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_and_ratios() {
        // NMRA S-1.2: 3.5 mm to the foot is 304.8 / 3.5 = 87.09, published as 87.1.
        assert_eq!(ratio("HO"), Some(87.1));
        assert!((304.8_f64 / 3.5 - 87.1).abs() < 0.02);
        // NEM 010 has 1:87 exactly.
        assert_eq!(ratio("H0"), Some(87.0));
        assert_eq!(ratio("1:87.1"), Some(87.1));
        assert_eq!(ratio("1:76"), Some(76.0));
        for wrong in [
            "ho", "", "87.1", "1:", "1:0", "1:-5", "1:inf", "1:nan", "1:1e2", "1:1001",
        ] {
            assert_eq!(ratio(wrong), None, "{wrong}");
        }
    }

    #[test]
    fn the_gauge_of_full_size_track_scales_to_the_published_gauge() {
        // NEM 010 gauges in mm against 1435 mm divided by the ratio, within 4 %.
        for (name, gauge) in [
            ("Z", 6.5),
            ("N", 9.0),
            ("TT", 12.0),
            ("H0", 16.5),
            ("S", 22.5),
        ] {
            let scaled = 1435.0 / ratio(name).unwrap_or(f64::NAN);
            assert!((scaled / gauge - 1.0).abs() < 0.04, "{name}: {scaled}");
        }
    }
}
