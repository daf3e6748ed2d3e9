//! One sample of a sequential detector: the test alone, and through the whole engine.
//!
//! Run with `cargo bench --bench detector`. The bar is 60 ns a sample for the test; that it does
//! not allocate is `tests/setting_out/allocation.rs`.

use std::hint::black_box;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use taillamp::engine::input::{Input, Reading, Sample};
use taillamp::engine::layout::Sequential;
use taillamp::engine::time::Instant;
use taillamp::engine::{Engine, SequentialTest};
use taillamp::plan;

const PLAN: &str = include_str!("../tests/setting_out/sequential.toml");

/// Levels around the vacant one, with a spread, in an order that repeats after 4096.
fn levels() -> Vec<f64> {
    let mut state = 1_u32;
    let mut uniform = || {
        // Marsaglia 2003, xorshift32.
        state ^= state << 13;
        state ^= state >> 17;
        state ^= state << 5;
        f64::from(state) / f64::from(u32::MAX)
    };
    (0..4_096)
        .map(|_| 0.3 + 0.25 * ((0..12).map(|_| uniform()).sum::<f64>() - 6.0))
        .collect()
}

fn sequential(criterion: &mut Criterion) {
    let levels = levels();
    let mut group = criterion.benchmark_group("sequential");
    group.throughput(Throughput::Elements(1));
    let mut test = SequentialTest::new(Sequential {
        vacant_mean: 0.3,
        vacant_sd: 0.25,
        occupied_mean: 1.7,
        occupied_sd: 0.4,
        false_alarm_every_h: 720.0,
        sample_hz: 10.0,
        spikes: true,
    });
    let mut at = 0;
    group.bench_function("the test alone", |bencher| {
        bencher.iter(|| {
            at = (at + 1) % levels.len();
            black_box(test.take(black_box(levels[at]), 0.1, true))
        });
    });
    let (plan, findings) = plan::load(PLAN, "sequential.toml");
    let Some(plan) = plan else {
        eprintln!("the plan has errors: {findings:?}");
        return;
    };
    let mut engine = Engine::new(plan.layout, Instant(0));
    let mut now = 0;
    group.bench_function("through the engine", |bencher| {
        bencher.iter(|| {
            at = (at + 1) % levels.len();
            now += 100_000;
            let sample = Sample {
                detector: taillamp::engine::ids::DetectorId(0),
                reading: Reading::Level(black_box(levels[at])),
                own_time: None,
                update_within: None,
                retained: false,
            };
            black_box(engine.handle(Instant(now), Input::Reading(sample)))
        });
    });
    group.finish();
}

criterion_group!(benches, sequential);
criterion_main!(benches);
