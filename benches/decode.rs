//! The hot path: one message to the engine's inputs, and through the engine.
//!
//! Run with `cargo bench --bench decode`; compare ratios on one machine, not figures of two.

use std::hint::black_box;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use taillamp::engine::Engine;
use taillamp::engine::input::Input;
use taillamp::engine::time::Instant;
use taillamp::plan;
use taillamp::wire::payload::decode;
use taillamp::wire::topics::TopicTable;

const PLAN: &str = include_str!("../tests/wire/harbour.toml");
const TOPIC: &str = "harbour/detector/d-main-1";
const ONE_RECORD: &[u8] = br#"[{"n":"current","u":"A","v":0.0124}]"#;
const ONE_RECORD_WITH_BASE: &[u8] =
    br#"[{"bn":"urn:dev:mac:0024befffe804ff1:","bu":"A","n":"current","v":0.0124}]"#;
const TEN_RECORDS: &[u8] = br#"[{"bu":"A","bt":1320078429,"n":"current","t":-9,"v":0.0124},
    {"n":"current","t":-8,"v":0.0124},{"n":"current","t":-7,"v":0.0124},
    {"n":"current","t":-6,"v":0.0124},{"n":"current","t":-5,"v":0.0124},
    {"n":"current","t":-4,"v":0.0124},{"n":"current","t":-3,"v":0.0124},
    {"n":"current","t":-2,"v":0.0124},{"n":"current","t":-1,"v":0.0124},
    {"n":"current","v":0.0124}]"#;

fn hot_path(criterion: &mut Criterion) {
    let (plan, findings) = plan::load(PLAN, "harbour.toml");
    let Some(plan) = plan else {
        eprintln!("the plan has errors: {findings:?}");
        return;
    };
    let table = TopicTable::new(&plan);
    let mut group = criterion.benchmark_group("decode");
    for (name, payload, samples) in [
        ("one record", ONE_RECORD, 1),
        ("one record with base fields", ONE_RECORD_WITH_BASE, 1),
        ("ten records", TEN_RECORDS, 10),
    ] {
        group.throughput(Throughput::Elements(samples));
        let mut inputs: Vec<Input> = Vec::with_capacity(16);
        group.bench_function(name, |bencher| {
            bencher.iter(|| {
                inputs.clear();
                let payload = black_box(payload);
                decode(
                    &table,
                    &plan.layout,
                    black_box(TOPIC),
                    payload,
                    false,
                    &mut inputs,
                )
            });
        });
    }
    group.throughput(Throughput::Elements(1));
    let mut engine = Engine::new(plan.layout.clone(), Instant(0));
    let mut inputs: Vec<Input> = Vec::with_capacity(16);
    let mut now = 0;
    group.bench_function("one record and the engine", |bencher| {
        bencher.iter(|| {
            inputs.clear();
            let _ = decode(
                &table,
                &plan.layout,
                black_box(TOPIC),
                ONE_RECORD,
                false,
                &mut inputs,
            );
            for input in inputs.drain(..) {
                // A sample every two microseconds: the rate that one core has to keep up with.
                now += 2;
                black_box(engine.handle(Instant(now), input));
            }
            black_box(engine.drain().len())
        });
    });
    group.finish();
}

criterion_group!(benches, hot_path);
criterion_main!(benches);
