//! The world against arithmetic: kinematics, Ohm's law, Poisson's law, repeatability.

use taillamp::engine::ids::BlockId;
use taillamp::engine::layout::Side;
use taillamp::engine::time::{Instant, Span};
use taillamp::plan::Plan;
use taillamp_simulator::demo_plan;
use taillamp_simulator::detectors::{Habits, Reporting};
use taillamp_simulator::mishaps::Rates;
use taillamp_simulator::recording::record;
use taillamp_simulator::world::driver::Order;
use taillamp_simulator::world::load::Dirt;
use taillamp_simulator::world::vehicle::Vehicle;
use taillamp_simulator::world::{STEP, Settings, World};

/// Three blocks in a row, the middle one of this length, and a long run-up.
fn straight(middle_mm: f64) -> Plan {
    let text = format!(
        r#"
[layout]
name = "Straight"
scale = "1:76"

[[block]]
id = "b1"
length_mm = 6000
[[block]]
id = "b2"
length_mm = {middle_mm}
[[block]]
id = "b3"
length_mm = 6000
[[join]]
ends = ["b1.b", "b2.a"]
[[join]]
ends = ["b2.b", "b3.a"]
[[detector]]
id = "d1"
kind = "current"
block = "b1"
unit = "mA"
on = 2.0
off = 1.0
[[detector]]
id = "d2"
kind = "current"
block = "b2"
unit = "mA"
on = 2.0
off = 1.0
[[detector]]
id = "d3"
kind = "current"
block = "b3"
unit = "mA"
on = 2.0
off = 1.0
"#
    );
    let (plan, findings) = taillamp::plan::load(&text, "straight.toml");
    plan.unwrap_or_else(|| panic!("{findings:?}"))
}

fn world_of(plan: &Plan, settings: Settings) -> World {
    World::new(&plan.layout, &plan.topic_prefix, settings)
}

fn until(world: &mut World, what: &str, so: impl Fn(&World) -> bool) -> f64 {
    let deadline = world.now().plus(Span::from_secs(300));
    while !so(world) {
        assert!(world.now() < deadline, "not within five minutes: {what}");
        world.step();
    }
    world.now().as_secs_f64()
}

const MIDDLE: BlockId = BlockId(1);

#[test]
fn a_train_is_over_a_block_for_both_lengths_over_its_speed() {
    // Source: kinematics. 1 500 mm of block and 800 mm of train at 250 mm/s: 9.2 s.
    let plan = straight(1500.0);
    let mut world = world_of(&plan, Settings::ideal(1));
    let stock = vec![
        Vehicle::car(388.0, &[]),
        Vehicle::engine(400.0, 4, 60.0, 200.0),
    ];
    let train = world.put("t", stock, (BlockId(0), Side::B), 3000.0);
    assert!((world.trains()[train].length_mm() - 800.0).abs() < 1e-9);
    world.tell(train, Order::run(250.0));
    let enters = until(&mut world, "enters", |world| world.block_is_taken(MIDDLE));
    let leaves = until(&mut world, "leaves", |world| !world.block_is_taken(MIDDLE));
    let step_s = STEP.as_secs_f64();
    assert!(
        (leaves - enters - 9.2).abs() <= 2.0 * step_s,
        "{} s",
        leaves - enters
    );
}

#[test]
fn the_scale_speed_of_the_published_example() {
    // Source: a club's published table: 3 ft in 10.4 s at 1:76 is 14.9 mph.
    let plan = straight(914.4);
    let mut world = world_of(&plan, Settings::ideal(1));
    let engine = vec![Vehicle::engine(200.0, 4, 60.0, 200.0)];
    let train = world.put("t", engine, (BlockId(0), Side::B), 3000.0);
    world.tell(train, Order::run(914.4 / 10.4));
    let head_in = |block: u32| {
        move |world: &World| {
            let at = taillamp_simulator::world::track::Piece::Block(BlockId(block));
            world.truth().trains[0]
                .head
                .is_some_and(|(piece, _)| piece == at)
        }
    };
    let enters = until(&mut world, "enters", head_in(1));
    let leaves = until(&mut world, "leaves", head_in(2));
    let mph = 3.0 / (leaves - enters) * 3600.0 / 5280.0 * plan.layout.scale_ratio;
    assert!((mph - 14.948).abs() < 0.05, "{mph} mph");
}

#[test]
fn a_resistor_wheelset_shows_as_ohms_law_says() {
    // Source: Ohm's law. 14 V over 10 kohm is 1.4 mA; over 4.7 kohm 2.979 mA; together 4.379 mA.
    let plan = straight(1500.0);
    let mut settings = Settings::ideal(1);
    settings.detectors = Habits {
        count_ma: 0.0,
        reporting: Reporting::Always,
        ..settings.detectors
    };
    let mut world = world_of(&plan, settings);
    let car = Vehicle::car(150.0, &[Some(10_000.0), None, Some(4_700.0)]);
    world.put("car", vec![car], (MIDDLE, Side::B), 500.0);
    world.run_to(Instant(1_000_000));
    let messages = world.drain();
    let of = |topic: &str| {
        let found = messages.iter().rfind(|message| message.topic == topic);
        found
            .map(|message| message.payload.clone())
            .unwrap_or_default()
    };
    assert_eq!(
        of("taillamp/detector/d2"),
        r#"[{"n":"current","u":"A","v":0.004379}]"#
    );
    assert_eq!(
        of("taillamp/detector/d1"),
        r#"[{"n":"current","u":"A","v":0}]"#
    );
}

#[test]
fn drop_outs_come_as_often_as_poissons_law_says() {
    // Source: Poisson's law. Four axles over 40 m at one an axle-metre: 160 expected, standard
    // deviation the square root of that; four deviations are left to chance.
    let plan = straight(40_000.0);
    let settings = Settings {
        dirt: Dirt::DIRTY,
        ..Settings::ideal(5)
    };
    let mut world = world_of(&plan, settings);
    let engine = vec![Vehicle::engine(200.0, 4, 60.0, 200.0)];
    let train = world.put("t", engine, (BlockId(0), Side::B), 10.0);
    world.tell(train, Order::run(400.0));
    until(&mut world, "leaves", |world| {
        world.block_is_taken(BlockId(2))
    });
    let lost = world.dropouts() as f64;
    let expected = 4.0 * 40.0 * Dirt::DIRTY.per_axle_m;
    assert!(
        (lost - expected).abs() < 4.0 * expected.sqrt(),
        "{lost} for {expected}"
    );
}

#[test]
fn a_cautious_driver_stops_before_a_taken_block_and_before_the_end_of_the_track() {
    let plan = straight(1500.0);
    let mut world = world_of(&plan, Settings::ideal(1));
    let engine = || vec![Vehicle::engine(200.0, 4, 60.0, 200.0)];
    let first = world.put("first", engine(), (MIDDLE, Side::B), 400.0);
    let second = world.put("second", engine(), (BlockId(0), Side::B), 1000.0);
    world.tell(second, Order::run(400.0));
    world.run_to(Instant(20_000_000));
    assert_head(&world, second, BlockId(0), 5_900.0..6_000.0);
    world.tell(first, Order::run(400.0));
    world.run_to(Instant(60_000_000));
    assert!(
        world
            .truth()
            .trains
            .iter()
            .all(|train| train.speed_mm_s == 0.0)
    );
    assert_head(&world, first, BlockId(2), 5_900.0..6_000.0);
    assert_head(&world, second, MIDDLE, 1_400.0..1_500.0);
}

#[test]
fn a_driver_who_does_not_look_stands_at_the_other_train_and_not_in_it() {
    let plan = straight(1500.0);
    let mut world = world_of(&plan, Settings::ideal(1));
    let engine = || vec![Vehicle::engine(200.0, 4, 60.0, 200.0)];
    let stands = world.put("stands", engine(), (MIDDLE, Side::B), 400.0);
    let comes = world.put("comes", engine(), (BlockId(0), Side::B), 1000.0);
    let mut asleep = Order::run(400.0);
    asleep.cautious = false;
    world.tell(comes, asleep);
    world.run_to(Instant(30_000_000));
    let truth = world.truth();
    let tail = truth.trains[stands].tail.expect("it is on the track");
    let head = truth.trains[comes].head.expect("it is on the track");
    assert_eq!(head.0, tail.0);
    assert!((tail.1 - head.1).abs() < 1e-6, "{head:?} {tail:?}");
    assert_eq!(truth.trains[comes].speed_mm_s, 0.0);
}

#[test]
fn a_train_that_is_pushed_back_stops_before_another() {
    let plan = straight(1500.0);
    let mut world = world_of(&plan, Settings::ideal(1));
    let engine = || vec![Vehicle::engine(200.0, 4, 60.0, 200.0)];
    let stands = world.put("stands", engine(), (BlockId(0), Side::B), 1000.0);
    let comes = world.put("comes", engine(), (MIDDLE, Side::B), 400.0);
    world.tell(comes, Order::run(300.0).backwards());
    world.run_to(Instant(20_000_000));
    let truth = world.truth();
    let head = truth.trains[stands].head.expect("it is on the track");
    let tail = truth.trains[comes].tail.expect("it is on the track");
    assert_eq!(head.0, tail.0);
    assert!(
        (50.0..200.0).contains(&(tail.1 - head.1)),
        "{head:?} {tail:?}"
    );
}

fn assert_head(world: &World, train: usize, block: BlockId, within_mm: std::ops::Range<f64>) {
    let (piece, mm) = world.truth().trains[train]
        .head
        .expect("it is on the track");
    assert_eq!(piece, taillamp_simulator::world::track::Piece::Block(block));
    assert!(within_mm.contains(&mm), "{mm}");
}

#[test]
fn the_same_seed_gives_the_same_bytes_and_another_does_not() {
    let plan = demo_plan().expect("the demo's plan is right");
    let bytes = |seed| {
        let settings = Settings::usual(seed);
        record(&plan.layout, &plan.topic_prefix, settings, Rates::ROUGH, 90)
            .expect("the operator knows this layout")
    };
    let first = bytes(11);
    assert_eq!(first, bytes(11));
    assert_ne!(first, bytes(12));
    assert!(first.len() > 1_000);
}

#[test]
fn a_recording_never_goes_back_and_every_topic_is_the_plans() {
    let plan = demo_plan().expect("the demo's plan is right");
    let settings = Settings::usual(3);
    let lines = record(
        &plan.layout,
        &plan.topic_prefix,
        settings,
        Rates::ROUGH,
        120,
    )
    .expect("the operator knows this layout");
    let mut last = 0.0;
    for line in &lines {
        let line: serde_json::Value = serde_json::from_str(line).expect("a line is JSON");
        let t = line["t"].as_f64().expect("every line has a time");
        assert!(t >= last);
        last = t;
        if let Some(topic) = line["topic"].as_str() {
            assert!(
                plan.bindings.iter().any(|binding| binding.topic == topic),
                "{topic}"
            );
        }
    }
    assert!((last - 120.0).abs() < 1e-9);
}

#[test]
fn the_demo_plan_has_no_errors_and_enough_to_show() {
    let (plan, findings) = taillamp::plan::load(taillamp_simulator::DEMO_PLAN, "demo.toml");
    let plan = plan.unwrap_or_else(|| panic!("{findings:?}"));
    assert!(findings.is_empty(), "{findings:#?}");
    assert!(plan.layout.blocks.len() >= 24);
    assert_eq!(plan.layout.tables.len(), 2);
}
