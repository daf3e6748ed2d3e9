//! Units of SenML and the way from one to another.
//!
//! Primary units: RFC 8428, section 12.1. Secondary units, their scale and offset: RFC 8798; `ms`,
//! `min`, `h`, `mV`, `mA`, `km/h` and `dBm` are as its draft prints them, the other rows are from
//! memory. Inputs: a quantity and two unit names. Output: the quantity in the second unit, or
//! `None` where the two do not measure the same. It does not know detectors.
//!
//! One deviation, on purpose: the SenML registry gives `%` as another name of the ratio `/` (from
//! memory, RFC 8428, section 12.1, note 1). The boards that this program listens to write a
//! percentage, 0 to 100, and so `%` means here; a ratio is written `/`.

use super::quantity::Quantity;

/// How a unit relates to its primary unit.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Scale {
    /// Ten to this power.
    Tens(i32),
    /// This factor.
    Times(f64),
}

impl Scale {
    fn factor(self) -> f64 {
        match self {
            Self::Tens(power) => Quantity::Decimal {
                digits: 1,
                exponent: power,
            }
            .to_f64(),
            Self::Times(factor) => factor,
        }
    }
}

/// A unit as: primary unit, scale, offset; `primary = value * scale + offset` (RFC 8798).
type Row = (&'static str, Scale, f64);

/// The row of a secondary unit; `None` for a primary or unknown one.
fn secondary(unit: &str) -> Option<Row> {
    use Scale::{Tens, Times};
    Some(match unit {
        "ms" => ("s", Tens(-3), 0.0),
        "min" => ("s", Times(60.0), 0.0),
        "h" => ("s", Times(3600.0), 0.0),
        "MHz" => ("Hz", Tens(6), 0.0),
        "kW" => ("W", Tens(3), 0.0),
        "kVA" => ("VA", Tens(3), 0.0),
        "kvar" => ("var", Tens(3), 0.0),
        "Ah" => ("C", Times(3600.0), 0.0),
        "Wh" => ("J", Times(3600.0), 0.0),
        "kWh" => ("J", Times(3_600_000.0), 0.0),
        "varh" => ("vars", Times(3600.0), 0.0),
        "kvarh" => ("vars", Times(3_600_000.0), 0.0),
        "kVAh" => ("VAs", Times(3_600_000.0), 0.0),
        "Wh/km" => ("J/m", Times(3.6), 0.0),
        "KiB" => ("B", Times(1024.0), 0.0),
        "GB" => ("B", Tens(9), 0.0),
        "Mbit/s" => ("bit/s", Tens(6), 0.0),
        "B/s" => ("bit/s", Times(8.0), 0.0),
        "MB/s" => ("bit/s", Times(8_000_000.0), 0.0),
        "mV" => ("V", Tens(-3), 0.0),
        "mA" => ("A", Tens(-3), 0.0),
        "dBm" => ("dBW", Tens(0), -30.0),
        "ug/m3" => ("kg/m3", Tens(-9), 0.0),
        "mm/h" => ("m/s", Times(1.0 / 3_600_000.0), 0.0),
        "m/h" => ("m/s", Times(1.0 / 3600.0), 0.0),
        "ppm" => ("/", Tens(-6), 0.0),
        // Not of RFC 8798: see the head of this file.
        "%" => ("/", Tens(-2), 0.0),
        "/100" => ("/", Tens(-2), 0.0),
        "/1000" => ("/", Tens(-3), 0.0),
        "hPa" => ("Pa", Tens(2), 0.0),
        "mm" => ("m", Tens(-3), 0.0),
        "cm" => ("m", Tens(-2), 0.0),
        "km" => ("m", Tens(3), 0.0),
        "km/h" => ("m/s", Times(1.0 / 3.6), 0.0),
        _ => return None,
    })
}

/// The quantity in unit `to`, where `from` measures the same; unknown units convert to themselves.
#[must_use]
pub fn convert(quantity: Quantity, from: &str, to: &str) -> Option<f64> {
    if from == to {
        return Some(quantity.to_f64());
    }
    let (from_primary, from_scale, from_offset) =
        secondary(from).unwrap_or((from, Scale::Tens(0), 0.0));
    let (to_primary, to_scale, to_offset) = secondary(to).unwrap_or((to, Scale::Tens(0), 0.0));
    if from_primary != to_primary {
        return None;
    }
    let shift = from_offset - to_offset;
    match (from_scale, to_scale) {
        (Scale::Tens(a), Scale::Tens(b)) if shift == 0.0 => Some(quantity.shifted(a - b)),
        _ => Some((quantity.to_f64() * from_scale.factor() + shift) / to_scale.factor()),
    }
}

#[cfg(test)]
mod tests {
    use super::{Quantity, convert};

    fn converted(value: f64, from: &str, to: &str) -> f64 {
        convert(Quantity::Float(value), from, to).expect("the units measure the same")
    }

    #[test]
    fn secondary_units_of_rfc_8798() {
        // Draft text of RFC 8798: 100 ms are 0.1 s, 10 dBm are -20 dBW; the rows mA, mV, min, h.
        assert_eq!(converted(100.0, "ms", "s"), 0.1);
        assert_eq!(converted(10.0, "dBm", "dBW"), -20.0);
        assert_eq!(converted(12.4, "mA", "A"), 0.0124);
        assert_eq!(converted(0.0124, "A", "mA"), 12.4);
        assert_eq!(converted(11_800.0, "mV", "V"), 11.8);
        assert_eq!(converted(2.0, "min", "s"), 120.0);
        assert_eq!(converted(2.0, "h", "min"), 120.0);
        assert_eq!(converted(36.0, "km/h", "m/s"), 10.0);
        // From memory.
        assert_eq!(converted(1.0, "kWh", "J"), 3_600_000.0);
        assert_eq!(converted(50.0, "/100", "/"), 0.5);
    }

    #[test]
    fn a_percentage_is_a_hundredth_of_a_ratio() {
        assert_eq!(converted(0.35, "/", "%"), 35.0);
        assert_eq!(converted(35.0, "%", "/"), 0.35);
        assert_eq!(converted(35.0, "/100", "%"), 35.0);
    }

    #[test]
    fn what_measures_something_else_does_not_convert() {
        for (from, to) in [
            ("V", "mA"),
            ("lx", "%"),
            ("A", "%"),
            ("", "mA"),
            ("ma", "mA"),
        ] {
            assert_eq!(
                convert(Quantity::Float(1.0), from, to),
                None,
                "{from} to {to}"
            );
        }
        assert_eq!(converted(3.0, "lx", "lx"), 3.0);
    }
}
