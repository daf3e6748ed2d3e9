//! What a sample costs in the engine alone, by the number of blocks: nothing changes, as nearly
//! always. Run with `cargo bench --bench scaling`; the ratio of the last row to the second counts.
//!
//! A ring; every detector is sampled once in five seconds of virtual time, one after the other, or
//! in an order that no cache foresees.

use std::fmt::Write;
use std::hint::black_box;
use std::sync::Arc;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use taillamp::engine::Engine;
use taillamp::engine::ids::{BlockId, DetectorId};
use taillamp::engine::input::{Input, Reading, Sample};
use taillamp::engine::layout::{End, Layout, Side, Subject};
use taillamp::engine::time::Instant;
use taillamp::plan;

/// A plan holds at most so many blocks; a larger ring is several of them, joined.
const PLAN_MOST: usize = 20_000;

fn large_ring(blocks: usize) -> Option<Layout> {
    let part = blocks.min(PLAN_MOST);
    let one = ring(part)?;
    let mut whole = Layout {
        blocks: Vec::new(),
        detectors: Vec::new(),
        joins: Vec::new(),
        ..one.clone()
    };
    let id = |n: usize| BlockId((n % blocks) as u32);
    for n in 0..blocks {
        let mut block = one.blocks[n % part].clone();
        block.id = format!("b{}", n + 1);
        whole.blocks.push(block);
        let mut detector = one.detectors[n % part].clone();
        detector.id = format!("d{}", n + 1);
        detector.subject = Subject::Block(id(n), None);
        whole.detectors.push(detector);
        let ends = (End::Block(id(n), Side::B), End::Block(id(n + 1), Side::A));
        whole.joins.push(ends);
    }
    Some(whole)
}

fn ring(blocks: usize) -> Option<Layout> {
    let mut text = String::from("[layout]\nname = \"Ring\"\nscale = \"HO\"\n");
    for n in 1..=blocks {
        let after = n % blocks + 1;
        let _ = write!(
            text,
            "[[block]]\nid = \"b{n}\"\nlength_mm = 1000\n\
             [[join]]\nends = [\"b{n}.b\", \"b{after}.a\"]\n\
             [[detector]]\nid = \"d{n}\"\nkind = \"current\"\nblock = \"b{n}\"\n\
             on = 3.0\noff = 1.5\n"
        );
    }
    let (plan, findings) = plan::load(&text, "ring.toml");
    if plan.is_none() {
        eprintln!("the plan has errors: {findings:?}");
    }
    plan.map(|plan| Arc::unwrap_or_clone(plan.layout))
}

fn sample(detector: usize) -> Input {
    Input::Reading(Sample {
        detector: DetectorId(detector as u32),
        reading: Reading::Level(0.3),
        own_time: None,
        update_within: None,
        retained: false,
    })
}

fn scaling(criterion: &mut Criterion) {
    let mut group = criterion.benchmark_group("a sample in the engine");
    group.throughput(Throughput::Elements(1));
    // Without `--bench` everything is only tried once, by tests/run.
    let is_measured = std::env::args().any(|word| word == "--bench");
    let sizes: &[usize] = if is_measured {
        &[100, 1_000, 10_000, 100_000]
    } else {
        &[100]
    };
    for blocks in sizes.iter().copied() {
        let Some(layout) = large_ring(blocks) else {
            return;
        };
        let mut engine = Engine::new(layout, Instant(0));
        let step = 5_000_000 / blocks as u64;
        let (mut now, mut count) = (0_u64, 0_usize);
        let mut next = |stride: usize| {
            now += step;
            count += 1;
            black_box(engine.handle(Instant(now), sample(count * stride % blocks)));
            black_box(engine.has_changes());
        };
        // Everything is heard twice and known before the clock starts.
        (0..2 * blocks).for_each(|_| next(1));
        group.bench_function(format!("{blocks} blocks, in order"), |bencher| {
            bencher.iter(|| next(1));
        });
        // A prime that shares nothing with the number of blocks.
        group.bench_function(format!("{blocks} blocks, scattered"), |bencher| {
            bencher.iter(|| next(7_919));
        });
    }
    group.finish();
}

criterion_group!(benches, scaling);
criterion_main!(benches);
