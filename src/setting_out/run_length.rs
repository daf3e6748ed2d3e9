//! Mean run lengths of sequential tests and thresholds, and how rare a normal number is.
//!
//! Inputs: the test's settings in spreads of the samples, and by how much the level has shifted.
//! Outputs: the mean number of samples until the test decides. Samples are taken for independent
//! and normal: real noise that lingers decides sooner. It knows nothing of levels, units and time.
//!
//! The run length solves an integral equation; it is solved at the nodes of a Gauss-Legendre rule
//! (Nystroem's method; Goel & Wu 1971, Lucas & Saccucci 1990). The engine has a method of its own
//! (a Markov chain, without allocation): each is a check of the other.

use std::f64::consts::{FRAC_1_SQRT_2, PI};

/// Nodes of the rule: enough for the published digits up to limits of some twelve spreads.
const NODES: usize = 80;

/// The part of a standard normal distribution below `x`.
#[must_use]
pub fn normal_below(x: f64) -> f64 {
    0.5 * libm::erfc(-x * FRAC_1_SQRT_2)
}

/// The part of a standard normal distribution above `x`.
#[must_use]
pub fn normal_above(x: f64) -> f64 {
    normal_below(-x)
}

fn density(x: f64) -> f64 {
    (-0.5 * x * x).exp() / (2.0 * PI).sqrt()
}

/// A one-sided cumulative sum: adds `x - k`, is never below zero, decides at `h`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cusum {
    /// The reference value, in spreads.
    pub k: f64,
    /// The limit, in spreads.
    pub h: f64,
}

impl Cusum {
    /// The upper sum after every sample, from `start`.
    pub fn sums(self, samples: impl IntoIterator<Item = f64>, start: f64) -> Vec<f64> {
        let mut sum = start;
        samples
            .into_iter()
            .map(|sample| {
                sum = (sum + sample - self.k).max(0.0);
                sum
            })
            .collect()
    }

    /// The mean run length of the upper sum when the level has shifted by `shift` spreads, from a
    /// sum of `start` (its head start; 0 without).
    #[must_use]
    pub fn one_sided(self, shift: f64, start: f64) -> f64 {
        let Self { k, h } = self;
        let drift = shift - k;
        let rule = rule(0.0, h);
        // Unknowns: the run length at every node, and from zero, where the sum is held.
        let size = rule.len() + 1;
        let row = |from: f64| {
            let mut row: Vec<f64> = rule
                .iter()
                .map(|(to, weight)| weight * density(to - from - drift))
                .collect();
            row.push(normal_below(-from - drift));
            row
        };
        let rows: Vec<Vec<f64>> = rule
            .iter()
            .map(|(node, _)| row(*node))
            .chain([row(0.0)])
            .collect();
        let lengths = solve(rows, vec![1.0; size]);
        1.0 + row(start)
            .iter()
            .zip(&lengths)
            .map(|(kernel, length)| kernel * length)
            .sum::<f64>()
    }

    /// The mean run length of an upper and a lower sum together, both from `start` (Kemp 1971;
    /// with a head start Lucas & Crosier 1982).
    #[must_use]
    pub fn two_sided(self, shift: f64, start: f64) -> f64 {
        let (up, down) = (self.one_sided(shift, 0.0), self.one_sided(-shift, 0.0));
        let (up_from, down_from) = (self.one_sided(shift, start), self.one_sided(-shift, start));
        (up_from * down + down_from * up - up * down) / (up + down)
    }
}

/// The mean run length of a two-sided exponentially weighted mean: weight `lambda` of the newest
/// sample, limits at `width` of its own spreads, level shifted by `shift` spreads.
#[must_use]
pub fn ewma(lambda: f64, width: f64, shift: f64) -> f64 {
    let h = width * (lambda / (2.0 - lambda)).sqrt();
    let rule = rule(-h, h);
    let row = |from: f64| -> Vec<f64> {
        rule.iter()
            .map(|(to, weight)| {
                weight / lambda * density((to - (1.0 - lambda) * from) / lambda - shift)
            })
            .collect()
    };
    let rows = rule.iter().map(|(node, _)| row(*node)).collect();
    let lengths = solve(rows, vec![1.0; rule.len()]);
    let further: f64 = row(0.0)
        .iter()
        .zip(&lengths)
        .map(|(kernel, length)| kernel * length)
        .sum();
    1.0 + further
}

/// The mean number of samples until `in_a_row` of them are beyond a threshold, each with
/// probability `part`.
#[must_use]
pub fn threshold(part: f64, in_a_row: u32) -> f64 {
    let all = part.powi(i32::try_from(in_a_row).unwrap_or(i32::MAX));
    if part >= 1.0 {
        return f64::from(in_a_row);
    }
    // Feller, An Introduction to Probability Theory, XIII.7: the mean waiting time of a run.
    (1.0 - all) / ((1.0 - part) * all)
}

/// Nodes and weights of the Gauss-Legendre rule between two bounds.
fn rule(low: f64, high: f64) -> Vec<(f64, f64)> {
    let order = NODES as f64;
    let (middle, half) = (f64::midpoint(low, high), (high - low) / 2.0);
    (0..NODES)
        .map(|index| {
            // Newton's method from the usual first guess.
            let mut x = (PI * (index as f64 + 0.75) / (order + 0.5)).cos();
            let mut slope = 1.0;
            for _ in 0..20 {
                let (value, before) = legendre(x);
                slope = order * (x * value - before) / (x * x - 1.0);
                let step = value / slope;
                x -= step;
                if step.abs() < 1e-15 {
                    break;
                }
            }
            let weight = 2.0 / ((1.0 - x * x) * slope * slope);
            (middle + half * x, half * weight)
        })
        .collect()
}

/// The Legendre polynomials of orders [`NODES`] and one less.
fn legendre(x: f64) -> (f64, f64) {
    let (mut value, mut before) = (x, 1.0);
    for order in 2..=NODES {
        let order = order as f64;
        let next = ((2.0 * order - 1.0) * x * value - (order - 1.0) * before) / order;
        before = value;
        value = next;
    }
    (value, before)
}

/// Solves `L = right + K L` by elimination with pivots.
fn solve(kernel: Vec<Vec<f64>>, mut right: Vec<f64>) -> Vec<f64> {
    let mut rows = kernel;
    let size = right.len();
    for (index, row) in rows.iter_mut().enumerate() {
        for (column, value) in row.iter_mut().enumerate() {
            *value = if index == column {
                1.0 - *value
            } else {
                -*value
            };
        }
    }
    for pivot in 0..size {
        let best = (pivot..size)
            .max_by(|a, b| rows[*a][pivot].abs().total_cmp(&rows[*b][pivot].abs()))
            .unwrap_or(pivot);
        rows.swap(pivot, best);
        right.swap(pivot, best);
        let (done, below) = rows.split_at_mut(pivot + 1);
        let top = &done[pivot];
        let base = right[pivot];
        for (offset, row) in below.iter_mut().enumerate() {
            let part = row[pivot] / top[pivot];
            for (value, above) in row[pivot..].iter_mut().zip(&top[pivot..]) {
                *value -= part * above;
            }
            right[pivot + 1 + offset] -= part * base;
        }
    }
    for index in (0..size).rev() {
        let known: f64 = (index + 1..size)
            .map(|column| rows[index][column] * right[column])
            .sum();
        right[index] = (right[index] - known) / rows[index][index];
    }
    right
}
