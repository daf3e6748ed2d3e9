//! A converter with coarse steps: what `calibrate` proposes keeps the rate that was asked for.

use taillamp::engine::SequentialTest;
use taillamp::setting_out::calibration::fit;
use taillamp::setting_out::proposal::{Question, propose};

use crate::Chance;

/// One false occupancy in so many samples is asked for, at one sample a second: more than an hour.
const ASKED: f64 = 5_000.0;
/// So many are counted: the mean of so many is 8 % off, as a rule.
const COUNTED: u32 = 150;

/// Noise of one spread, read in steps of half a spread to three, with the level on a step, between
/// two, and elsewhere. Without an allowance for the steps, those of three spreads are wrong twenty
/// times as often as asked.
#[test]
fn the_rate_that_was_asked_for_is_kept_with_coarse_steps() {
    let mut chance = Chance(101);
    println!("  step   level   asked for and kept");
    for (step, gap) in [(0.5, 3.0), (1.0, 3.0), (1.5, 3.5), (2.0, 4.0), (3.0, 6.0)] {
        for part in [0.0, 0.25, 0.5] {
            let mut read = |level: f64| ((level + chance.normal()) / step).round() * step;
            let vacant: Vec<f64> = (0..6_000).map(|_| read(part * step)).collect();
            let occupied: Vec<f64> = (0..6_000).map(|_| read(part * step + gap)).collect();
            let (Ok(vacant), Ok(occupied)) = (fit(&vacant), fit(&occupied)) else {
                panic!("both stretches are steady: step {step}, level {part}");
            };
            let question = Question {
                is_current: true,
                sample_hz: 1.0,
                confirm_s: 0.0,
                wanted_every_h: ASKED / 3_600.0,
                spikes: true,
            };
            let proposal = propose(&vacant, &occupied, &question).expect("levels far apart");
            let fresh = SequentialTest::new(proposal.settings);
            let (mut test, mut wrong, mut samples) = (fresh, 0, 0_u32);
            while wrong < COUNTED && f64::from(samples) < 1.5 * ASKED * f64::from(COUNTED) {
                samples += 1;
                if test.take(read(part * step), 1.0, false) == Some(true) {
                    wrong += 1;
                    test = fresh;
                }
            }
            let kept = f64::from(samples) / f64::from(wrong.max(1)) / ASKED;
            println!("{step:6.1} {part:7.2} {kept:12.2}");
            // Three standard errors.
            assert!(kept > 0.75, "step {step}, level {part}: {kept}");
        }
    }
}
