//! A sample of a sequential detector allocates nothing, in the test alone and through the engine.

use taillamp::engine::ids::DetectorId;
use taillamp::engine::input::{Input, Reading, Sample};
use taillamp::engine::layout::Decide;
use taillamp::engine::time::Instant;
use taillamp::engine::{Engine, SequentialTest};
use taillamp::plan;

const PLAN: &str = include_str!("sequential.toml");

fn sample(level: f64) -> Input {
    Input::Reading(Sample {
        detector: DetectorId(0),
        reading: Reading::Level(level),
        own_time: None,
        update_within: None,
        retained: false,
    })
}

/// Counted in this thread by a counting allocator, which sees a `Vec` that is made on purpose.
#[test]
fn a_sample_allocates_nothing() {
    let (plan, findings) = plan::load(PLAN, "sequential.toml");
    let layout = plan.unwrap_or_else(|| panic!("{findings:?}")).layout;
    let Decide::Sequential(settings) = layout.detectors[0].decide else {
        panic!("the first detector of that plan is sequential");
    };
    let mut test = SequentialTest::new(settings);
    let alone = allocation_counter::measure(|| {
        for step in 0..10_000_u32 {
            // Both decisions occur: a vehicle comes and goes every thousand samples.
            let level = if step / 1_000 % 2 == 0 { 0.3 } else { 1.7 };
            std::hint::black_box(test.take(level + f64::from(step % 7) * 0.01, 0.1, true));
        }
    });
    assert_eq!(alone.count_total, 0, "{alone:?}");

    let mut engine = Engine::new(layout, Instant(0));
    let mut now = 0;
    let mut run = |engine: &mut Engine, samples: u32| {
        for step in 0..samples {
            now += 100_000;
            engine.handle(Instant(now), sample(0.3 + f64::from(step % 7) * 0.01));
        }
    };
    // Until the place is proven vacant and the other detector is known to be silent.
    run(&mut engine, 1_000);
    engine.drain();
    engine.touched();
    // 8 s: the wake-up that sees to its silence comes once in ten, and that may move in its queue.
    let through = allocation_counter::measure(|| run(&mut engine, 80));
    assert!(through.count_total <= 2, "{through:?}");

    let made = allocation_counter::measure(|| {
        std::hint::black_box(vec![1_u8; 3]);
    });
    assert_eq!(made.count_total, 1, "the counter counts");
}
