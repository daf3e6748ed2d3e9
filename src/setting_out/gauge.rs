//! The track gauge that belongs to a scale, and what the scale is called.
//!
//! Inputs: a scale as the plan writes it. Outputs: ratio and gauge. The ratios are those of
//! [`crate::plan::scale`]; the gauges are the published ones, and full-size standard gauge divided
//! by the ratio where the scale is a bare ratio.

use crate::plan::scale;

/// Full-size standard gauge, mm.
pub const STANDARD_GAUGE_MM: f64 = 1_435.0;

/// Name, gauge in mm, source.
pub const GAUGES: &[(&str, f64, &str)] = &[
    ("Z", 6.5, "NEM 010"),
    ("N", 9.0, "NEM 010"),
    ("TT", 12.0, "NEM 010"),
    ("HO", 16.5, "NMRA S-3.2, least"),
    ("H0", 16.5, "NEM 010"),
    ("S", 22.5, "NEM 010"),
    ("O", 31.75, "NMRA S-3.2: 1.250 in, least"),
    ("0", 32.0, "NEM 010"),
    ("On30", 16.5, "NMRA S-3.2: the track of HO"),
    ("I", 45.0, "NEM 010"),
    ("II", 64.0, "NEM 010"),
    ("F", 70.64, "NMRA, from memory"),
    ("Fn3", 45.0, "3 ft scaled; NMRA, from memory"),
    ("III", 89.0, "NEM 010"),
    ("V", 127.0, "NEM 010"),
    ("VII", 184.0, "NEM 010"),
    ("X", 260.0, "NEM 010"),
];

/// A scale: what it is called, how much smaller than full size, how wide its track.
#[derive(Clone, Debug, PartialEq)]
pub struct Scale {
    /// As it was written.
    pub name: String,
    /// Full size divided by model size.
    pub ratio: f64,
    /// Between the running edges, mm.
    pub gauge_mm: f64,
}

/// The scale is neither a published name nor `1:RATIO`.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("scale `{written}` is not known: {cure}")]
pub struct ScaleError {
    written: String,
    cure: String,
}

impl Scale {
    /// Looks up a scale by name, or reads `1:RATIO`.
    ///
    /// # Errors
    /// The scale is not known; the message offers the nearest name.
    pub fn named(written: &str) -> Result<Self, ScaleError> {
        let Some(ratio) = scale::ratio(written) else {
            return Err(ScaleError {
                written: written.chars().take(32).collect(),
                cure: cure(written),
            });
        };
        let known = GAUGES.iter().find(|(name, _, _)| *name == written);
        Ok(Self {
            name: written.to_owned(),
            ratio,
            gauge_mm: known.map_or(STANDARD_GAUGE_MM / ratio, |(_, gauge, _)| *gauge),
        })
    }

    /// A full-size length at this scale.
    #[must_use]
    pub fn of_full_size(&self, full_size: f64) -> f64 {
        full_size / self.ratio
    }
}

/// What to write instead.
fn cure(written: &str) -> String {
    let names = scale::SCALES.iter().map(|(name, _, _)| *name);
    let likeness = |name: &str| strsim::jaro(&written.to_uppercase(), &name.to_uppercase());
    let nearest = names
        .max_by(|a, b| likeness(a).total_cmp(&likeness(b)))
        .filter(|name| likeness(name) > 0.6);
    let as_ratio = format!("1:{written}");
    if scale::ratio(&as_ratio).is_some() {
        return format!("did you mean `{as_ratio}`?");
    }
    if written.starts_with("1:") {
        return "give a ratio from 1:1 to 1:1000, as 1:87.1".to_owned();
    }
    match nearest {
        Some(name) => format!("did you mean `{name}`? Or give a ratio, as 1:87.1"),
        None => format!("give one of {} or a ratio, as 1:87.1", scale::names()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_named_scale_has_a_gauge() {
        for (name, _, _) in scale::SCALES {
            assert!(GAUGES.iter().any(|(gauge, _, _)| gauge == name), "{name}");
        }
        assert_eq!(GAUGES.len(), scale::SCALES.len());
    }

    #[test]
    fn a_bare_ratio_scales_standard_gauge() {
        let scale = Scale::named("1:76").map(|scale| scale.gauge_mm);
        assert!(scale.is_ok_and(|gauge| (gauge - 18.882).abs() < 0.001));
    }

    #[test]
    fn a_near_miss_is_answered_with_the_name() {
        for (written, meant) in [("ho", "`HO`"), ("n", "`N`"), ("87.1", "`1:87.1`")] {
            let error = Scale::named(written).map_err(|error| error.to_string());
            assert!(
                error.as_ref().is_err_and(|text| text.contains(meant)),
                "{error:?}"
            );
        }
    }
}
