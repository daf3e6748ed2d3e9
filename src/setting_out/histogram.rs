//! Two stretches of samples side by side, as rows of characters or as SVG.
//!
//! Inputs: the samples without and with a vehicle, the two thresholds. Output: a drawing. It
//! decides nothing.

use std::fmt::Write as _;

/// Rows of the drawing.
const ROWS: usize = 24;
/// The longest bar, in characters.
const BAR: usize = 30;

/// Counted samples.
#[derive(Clone, Debug, PartialEq)]
pub struct Histogram {
    low: f64,
    step: f64,
    vacant: [usize; ROWS],
    occupied: [usize; ROWS],
    on: f64,
    off: f64,
}

impl Histogram {
    /// Counts the samples of both stretches over the range that they share.
    #[must_use]
    pub fn new(vacant: &[f64], occupied: &[f64], on: f64, off: f64) -> Self {
        let all = || {
            vacant
                .iter()
                .chain(occupied)
                .copied()
                .filter(|x| x.is_finite())
        };
        let low = all().fold(f64::INFINITY, f64::min);
        let high = all().fold(f64::NEG_INFINITY, f64::max);
        let step = ((high - low) / ROWS as f64).max(f64::MIN_POSITIVE);
        let count = |samples: &[f64]| {
            let mut rows = [0; ROWS];
            for sample in samples.iter().filter(|x| x.is_finite()) {
                // A float-to-integer cast saturates; the highest sample belongs to the last row.
                let row = (((sample - low) / step) as usize).min(ROWS - 1);
                rows[row] += 1;
            }
            rows
        };
        Self {
            low,
            step,
            vacant: count(vacant),
            occupied: count(occupied),
            on,
            off,
        }
    }

    /// Which thresholds lie in a row.
    fn marks(&self, row: usize) -> String {
        let mut marks = String::new();
        for (name, level) in [("on", self.on), ("off", self.off)] {
            if ((level - self.low) / self.step).floor() == row as f64 {
                let _ = write!(marks, " < {name} {level}");
            }
        }
        marks
    }

    /// Rows of characters, the highest level first: `.` without a vehicle, `#` with one.
    #[must_use]
    pub fn text(&self) -> String {
        let most = self.most();
        let mut text = String::new();
        for row in (0..ROWS).rev() {
            let bar = |count: usize, with: &str| with.repeat((count * BAR).div_ceil(most));
            let _ = writeln!(
                text,
                "{:>11.3} |{:<BAR$}|{:<BAR$}|{}",
                self.low + self.step * row as f64,
                bar(self.vacant[row], "."),
                bar(self.occupied[row], "#"),
                self.marks(row),
            );
        }
        text
    }

    /// The same as SVG.
    #[must_use]
    pub fn svg(&self) -> String {
        let most = self.most() as f64;
        let mut svg = String::from(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 640 340\" width=\"640\" \
             role=\"img\" aria-label=\"how often each level was read\" font-size=\"11\" \
             font-family=\"sans-serif\">\n",
        );
        for row in 0..ROWS {
            let y = 12 * (ROWS - row);
            let level = self.low + self.step * row as f64;
            let width = |count: usize| 220.0 * count as f64 / most;
            let _ = writeln!(
                svg,
                "<text x=\"70\" y=\"{}\" text-anchor=\"end\">{level:.3}</text>\
                 <rect x=\"80\" y=\"{y}\" width=\"{:.1}\" height=\"10\" fill=\"#ffffff\" \
                 stroke=\"#0072B2\"/>\
                 <rect x=\"310\" y=\"{y}\" width=\"{:.1}\" height=\"10\" fill=\"#0072B2\"/>\
                 <text x=\"540\" y=\"{}\">{}</text>",
                y + 9,
                width(self.vacant[row]),
                width(self.occupied[row]),
                y + 9,
                self.marks(row).replace('<', "&lt;"),
            );
        }
        svg.push_str("<text x=\"80\" y=\"325\">vacant</text>");
        svg.push_str("<text x=\"310\" y=\"325\">occupied</text></svg>\n");
        svg
    }

    fn most(&self) -> usize {
        let counts = self.vacant.iter().chain(&self.occupied);
        counts.copied().max().unwrap_or(1).max(1)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_sample_is_in_one_row() {
        let vacant = [0.0, 0.1, 0.2, 0.1];
        let occupied = [2.4, 2.1, 2.4];
        let histogram = Histogram::new(&vacant, &occupied, 1.2, 0.6);
        assert_eq!(histogram.vacant.iter().sum::<usize>(), 4);
        assert_eq!(histogram.occupied.iter().sum::<usize>(), 3);
        assert_eq!(histogram.occupied[ROWS - 1], 2);
        let text = histogram.text();
        assert_eq!(text.lines().count(), ROWS);
        assert!(
            text.contains("< on 1.2") && text.contains("< off 0.6"),
            "{text}"
        );
    }
}
