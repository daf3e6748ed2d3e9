//! The engine alone: samples of many detectors and trains that run, without JSON.
//!
//! Run with `cargo bench --bench engine`; compare ratios on one machine, not figures of two. A
//! ring, 1 000 samples a second of its own time, every train in a new block every 4 s: with 200
//! trains one sample in ten moves one. What a sample costs must depend neither on the number of
//! blocks nor on the number of trains, but for the trains that it moves.

use std::fmt::Write as _;
use std::hint::black_box;

use criterion::{BenchmarkId, Criterion, Throughput, criterion_group, criterion_main};
use taillamp::engine::Engine;
use taillamp::engine::ids::DetectorId;
use taillamp::engine::input::{Input, Reading, Sample};
use taillamp::engine::time::Instant;
use taillamp::plan;

/// Samples until every block is known and every train has a speed.
const BOOT: u64 = 30_000;

fn ring(blocks: usize) -> String {
    let mut text = String::from("[layout]\nname = \"Ring\"\nscale = \"HO\"\n");
    for n in 1..=blocks {
        let after = n % blocks + 1;
        let _ = write!(
            text,
            "[[block]]\nid = \"b{n}\"\nlength_mm = 1000\n\
             [[join]]\nends = [\"b{n}.b\", \"b{after}.a\"]\n\
             [[detector]]\nid = \"d{n}\"\nkind = \"current\"\nblock = \"b{n}\"\n\
             on = 3.0\noff = 1.5\nmax_silence_s = 60\n"
        );
    }
    text
}

/// The samples, one after the other, without an end.
struct Traffic {
    lit: Vec<bool>,
    heads: Vec<usize>,
    /// Blocks to be told out of turn: dark again, or lit.
    due: Vec<(u64, usize, bool)>,
    n: u64,
}

impl Traffic {
    fn new(blocks: usize, trains: usize) -> Self {
        let heads: Vec<usize> = (0..trains).map(|n| n * (blocks / trains)).collect();
        let mut lit = vec![false; blocks];
        heads.iter().for_each(|at| lit[*at] = true);
        Self {
            lit,
            heads,
            due: Vec::new(),
            n: 0,
        }
    }

    fn next(&mut self) -> (Instant, Input) {
        self.n += 1;
        let blocks = self.lit.len();
        let trains = self.heads.len() as u64;
        // A train enters a block every 4 s, all evenly spread, and leaves the last 1 s later.
        let every = 4_000 / trains;
        let mut block = (self.n % blocks as u64) as usize;
        if self.n.is_multiple_of(every) {
            let train = (self.n / every % trains) as usize;
            let here = self.heads[train];
            block = (here + 1) % blocks;
            self.heads[train] = block;
            self.lit[block] = true;
            self.due.push((self.n + 1_001, here, false));
        } else if self.due.first().is_some_and(|(at, ..)| *at <= self.n) {
            let (_, here, on) = self.due.remove(0);
            self.lit[here] = on;
            block = here;
        }
        let level = if self.lit[block] { 12.4 } else { 0.3 };
        let sample = Sample {
            detector: DetectorId(block as u32),
            reading: Reading::Level(level),
            own_time: None,
            update_within: None,
            retained: false,
        };
        (Instant(self.n * 1_000), Input::Reading(sample))
    }
}

fn samples(criterion: &mut Criterion) {
    let mut group = criterion.benchmark_group("engine");
    group.throughput(Throughput::Elements(1));
    group.sample_size(20);
    for (blocks, trains) in [(1_000, 10), (10_000, 10), (1_000, 200), (10_000, 200)] {
        let (plan, findings) = plan::load(&ring(blocks), "ring.toml");
        let Some(plan) = plan else {
            eprintln!("the plan has errors: {findings:?}");
            return;
        };
        let mut engine = Engine::new(plan.layout, Instant(0));
        let mut traffic = Traffic::new(blocks, trains);
        for _ in 0..BOOT {
            let (at, input) = traffic.next();
            engine.handle(at, input);
            engine.drain();
            engine.touched();
        }
        let name = BenchmarkId::new("sample", format!("{blocks} blocks, {trains} trains"));
        group.bench_function(name, |bencher| {
            bencher.iter(|| {
                let (at, input) = traffic.next();
                black_box(engine.handle(at, input));
                black_box(engine.drain().len() + engine.touched().len())
            });
        });
    }
    group.finish();
}

criterion_group!(benches, samples);
criterion_main!(benches);
