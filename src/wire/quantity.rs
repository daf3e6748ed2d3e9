//! A number as it was written, so that a change of unit by a power of ten is exact.
//!
//! A detector that sends `0.0035` A and a plan that says `on = 3.5` mA mean the same level, and
//! 'at or above' has to hold. Binary multiplication by 1000 misses some of these by the last bit;
//! moving the decimal point does not. Inputs: JSON number text, or a float. Output: the nearest
//! float. It does not know units.

/// Digits that a float carries without loss.
const DIGITS_MAX: i64 = 1_000_000_000_000_000;
/// The largest power of ten that is an exact float, and with it the range where one multiplication
/// or division rounds correctly.
const EXACT_POWER_MAX: i32 = 22;

const POWERS: [f64; 23] = [
    1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16,
    1e17, 1e18, 1e19, 1e20, 1e21, 1e22,
];

/// A number.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Quantity {
    /// `digits` times ten to the power of `exponent`; at most fifteen digits.
    Decimal {
        /// The digits as a whole number.
        digits: i64,
        /// The power of ten.
        exponent: i32,
    },
    /// A float of any origin.
    Float(f64),
}

impl Quantity {
    /// Reads the JSON number (RFC 8259, section 6) at the start of `text`; it and its length.
    /// `None` where there is none, or where it has more than fifteen digits or an exponent beyond
    /// 22: the general reader is for those.
    #[must_use]
    pub fn scan(text: &[u8]) -> Option<(Self, usize)> {
        let mut at = 0;
        let negative = text.first() == Some(&b'-');
        at += usize::from(negative);
        let mut digits: i64 = 0;
        let whole = take_digits(text, &mut at, &mut digits)?;
        let leading_zero = text.get(at - whole) == Some(&b'0');
        if whole == 0 || (leading_zero && whole > 1) {
            return None;
        }
        let mut exponent: i32 = 0;
        if text.get(at) == Some(&b'.') {
            at += 1;
            let places = take_digits(text, &mut at, &mut digits)?;
            if places == 0 {
                return None;
            }
            exponent = -i32::try_from(places).ok()?;
        }
        if matches!(text.get(at), Some(b'e' | b'E')) {
            at += 1;
            let down = text.get(at) == Some(&b'-');
            at += usize::from(matches!(text.get(at), Some(b'+' | b'-')));
            let mut power: i64 = 0;
            if take_digits(text, &mut at, &mut power)? == 0 {
                return None;
            }
            let power = i32::try_from(power).ok()?;
            exponent = exponent.checked_add(if down { -power } else { power })?;
        }
        if exponent.abs() > EXACT_POWER_MAX {
            return None;
        }
        let digits = if negative { -digits } else { digits };
        Some((Self::Decimal { digits, exponent }, at))
    }

    /// The nearest float.
    #[must_use]
    pub fn to_f64(self) -> f64 {
        self.shifted(0)
    }

    /// The nearest float to this number times ten to the power of `power`, in decimal arithmetic.
    #[must_use]
    pub fn shifted(self, power: i32) -> f64 {
        match self {
            Self::Decimal { digits, exponent } => from_decimal(digits, exponent + power),
            // With the sum, less than nothing is nothing: -0 is written as 0, whoever read it.
            Self::Float(value) if power == 0 || !value.is_finite() => value + 0.0,
            Self::Float(value) => shift_float(value, power) + 0.0,
        }
    }
}

/// Adds the digits at `at` to `digits`; gives how many there were, `None` when they get too many.
fn take_digits(text: &[u8], at: &mut usize, digits: &mut i64) -> Option<usize> {
    let start = *at;
    while let Some(digit) = text.get(*at).filter(|byte| byte.is_ascii_digit()) {
        *digits = *digits * 10 + i64::from(digit - b'0');
        if *digits >= DIGITS_MAX {
            return None;
        }
        *at += 1;
    }
    Some(*at - start)
}

fn from_decimal(digits: i64, exponent: i32) -> f64 {
    // Both factors are exact floats, so that the one operation between them rounds once.
    let value = digits as f64;
    match usize::try_from(exponent.unsigned_abs())
        .ok()
        .and_then(|power| POWERS.get(power))
    {
        Some(power) if exponent < 0 => value / power,
        Some(power) => value * power,
        None => parse(&format!("{digits}e{exponent}")),
    }
}

/// A float is taken as the shortest decimal that stands for it: what a person would have written.
fn shift_float(value: f64, power: i32) -> f64 {
    if let Some((digits, exponent)) = short_decimal(value) {
        return from_decimal(digits, exponent + power);
    }
    let text = format!("{value:e}");
    match text
        .split_once('e')
        .and_then(|(digits, e)| Some((digits, e.parse::<i32>().ok()?)))
    {
        Some((digits, exponent)) => parse(&format!("{digits}e{}", exponent.saturating_add(power))),
        None => value,
    }
}

/// The decimal of at most fifteen digits and nine places that stands for this float, where there
/// is one. There is at most one: fifteen digits survive the way through a float.
fn short_decimal(value: f64) -> Option<(i64, i32)> {
    POWERS
        .iter()
        .zip(0_i32..)
        .take(10)
        .find_map(|(power, places)| {
            let digits = (value * power).round();
            let stands = digits.abs() < DIGITS_MAX as f64 && digits / power == value;
            // The bound above makes the whole number exact in both types.
            stands.then_some((digits as i64, -places))
        })
}

/// Text made above is always a number; were it not, not-a-number proves nothing.
fn parse(text: &str) -> f64 {
    text.parse().unwrap_or(f64::NAN)
}

#[cfg(test)]
mod tests {
    use super::Quantity;

    #[test]
    fn moving_the_decimal_point_is_exact_where_multiplying_is_not() {
        // 1.001 * 1000.0 is 1000.9999999999999 in binary arithmetic.
        let (quantity, length) = Quantity::scan(b"1.001}").expect("a number");
        assert_eq!(length, 5);
        assert_eq!(quantity.shifted(3), 1001.0);
        assert_eq!(Quantity::Float(1.001).shifted(3), 1001.0);
        assert_ne!(1.001_f64 * 1000.0, 1001.0);
    }

    #[test]
    fn every_hundredth_of_a_milliampere_keeps_its_value() {
        for hundredths in 0..20_000_i64 {
            let text = format!("{}e-5", hundredths);
            let written = format!("{}.{:05}", hundredths / 100_000, hundredths % 100_000);
            let wanted: f64 = format!("{}e-2", hundredths).parse().expect("a number");
            let (from_exponent, _) = Quantity::scan(text.as_bytes()).expect("a number");
            let (from_point, _) = Quantity::scan(written.as_bytes()).expect("a number");
            let float: f64 = written.parse().expect("a number");
            assert_eq!(from_exponent.shifted(3), wanted);
            assert_eq!(from_point.shifted(3), wanted);
            assert_eq!(Quantity::Float(float).shifted(3), wanted);
        }
    }

    #[test]
    fn floats_of_any_length_move_their_point() {
        for (value, power, expected) in [
            (123.456_789_012_345_67, 3, 123_456.789_012_345_67),
            (1e-300, 3, 1e-297),
            (5e-324, -3, 0.0),
            (1e308, 3, f64::INFINITY),
            (-0.001, 3, -1.0),
            (2_f64.powi(60), -3, 1_152_921_504_606_847.0),
        ] {
            assert_eq!(
                Quantity::Float(value).shifted(power),
                expected,
                "{value} {power}"
            );
        }
    }

    #[test]
    fn only_json_numbers_are_numbers() {
        // RFC 8259, section 6.
        for text in [
            "", "-", "+1", ".5", "01", "1.", "1e", "1e+", "-.5", "NaN", "Infinity",
        ] {
            assert_eq!(Quantity::scan(text.as_bytes()), None, "{text}");
        }
        for (text, value) in [
            ("0", 0.0),
            ("-0.5", -0.5),
            ("1E3", 1000.0),
            ("1e-3", 0.001),
            ("12.50", 12.5),
        ] {
            let (quantity, length) = Quantity::scan(text.as_bytes()).expect("a number");
            assert_eq!((quantity.to_f64(), length), (value, text.len()), "{text}");
        }
        assert_eq!(
            Quantity::scan(b"1234567890123456"),
            None,
            "too many digits for this reader"
        );
    }
}
