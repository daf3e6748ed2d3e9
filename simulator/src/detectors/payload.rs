//! Payloads as the contract writes them: SenML JSON (RFC 8428), one record a pack.
//!
//! Input: a reading, a position, a switch. Output: text. It does not know topics.

use super::Shown;

/// A reading. `unit` is the plan's; currents always travel in amperes.
#[must_use]
pub fn reading(shown: Shown, unit: &str) -> String {
    match shown {
        Shown::Milliamperes(ma) => {
            format!(
                r#"[{{"n":"current","u":"A","v":{}}}]"#,
                round(ma / 1000.0, 1e6)
            )
        }
        Shown::Level(level) => {
            let (name, decimals) = if unit == "/" {
                ("level", 1e4)
            } else {
                ("level", 1e1)
            };
            let unit = if unit.is_empty() { "%" } else { unit };
            format!(
                r#"[{{"n":"{name}","u":"{unit}","v":{}}}]"#,
                round(level, decimals)
            )
        }
        Shown::Closed(closed) => format!(r#"[{{"n":"contact","vb":{closed}}}]"#),
    }
}

/// Where points or a table are: the contract's words, or a stop's name.
#[must_use]
pub fn position(word: &str) -> String {
    format!(r#"[{{"n":"position","vs":"{word}"}}]"#)
}

/// A feed's switch.
#[must_use]
pub fn switch(on: bool) -> String {
    format!(r#"[{{"n":"feed","vb":{on}}}]"#)
}

/// A feed's voltage.
#[must_use]
pub fn voltage(volts: f64) -> String {
    format!(r#"[{{"n":"voltage","u":"V","v":{}}}]"#, round(volts, 1e2))
}

/// Rounded, without a minus sign before zero.
fn round(value: f64, steps: f64) -> f64 {
    let rounded = (value * steps).round() / steps;
    if rounded == 0.0 { 0.0 } else { rounded }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn payloads_are_those_of_the_contract() {
        // Source: the contract, section 4; units: RFC 8428, section 12.1.
        assert_eq!(
            reading(Shown::Milliamperes(12.4), "mA"),
            r#"[{"n":"current","u":"A","v":0.0124}]"#
        );
        assert_eq!(
            reading(Shown::Level(93.21), "%"),
            r#"[{"n":"level","u":"%","v":93.2}]"#
        );
        assert_eq!(
            reading(Shown::Closed(true), ""),
            r#"[{"n":"contact","vb":true}]"#
        );
        assert_eq!(
            reading(Shown::Milliamperes(-0.0001), "mA"),
            r#"[{"n":"current","u":"A","v":0}]"#
        );
        assert_eq!(position("reverse"), r#"[{"n":"position","vs":"reverse"}]"#);
        assert_eq!(switch(true), r#"[{"n":"feed","vb":true}]"#);
        assert_eq!(voltage(11.8), r#"[{"n":"voltage","u":"V","v":11.8}]"#);
    }
}
