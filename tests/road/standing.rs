//! What is in the way, and when a way is ready: DEVELOPERS.md, sections 2, 3 and 8. Layouts
//! invented.

use taillamp::engine::Engine;
use taillamp::engine::input::Position;
use taillamp::engine::time::Instant;

use crate::world::{World, text, ways};

/// A row of three blocks with a siding off the second, all watched; the siding has a switch.
const QUAY: &str = r#"
[layout]
name = "Cinder Quay"
scale = "HO"

[defaults]
clear_s = 1
boot_s = 0

[[block]]
id = "east"
[[block]]
id = "middle"
[[block]]
id = "west"
[[block]]
id = "goods"
use = "siding"

[[join]]
ends = ["east.b", "middle.a"]

[[turnout]]
id = "w1"
name = "7"
toe = "middle.b"
normal = "west.a"
reverse = "goods.a"

[[feed]]
id = "goods-power"
name = "Goods Power"
blocks = ["goods"]
rest = "off"

[[detector]]
id = "d-east"
kind = "current"
block = "east"
on = 3.0
off = 1.5
[[detector]]
id = "d-middle"
kind = "current"
block = "middle"
on = 3.0
off = 1.5
[[detector]]
id = "d-west"
kind = "current"
block = "west"
on = 3.0
off = 1.5
[[detector]]
id = "d-goods"
kind = "current"
block = "goods"
on = 3.0
off = 1.5
"#;

const ON: Option<f64> = Some(20.0);
const OFF: Option<f64> = Some(0.0);

/// Cinder Quay with a train in the east, the points set for the siding and its power on.
fn quay() -> World {
    let mut world = World::new(QUAY);
    world
        .points("w1", Position::Reverse)
        .reads("d-east", ON)
        .seconds(10);
    world
}

fn nothing() -> Vec<String> {
    Vec::new()
}

#[test]
fn ready_when_everything_is_set_and_proven() {
    assert_eq!(
        quay().stands("east", "goods"),
        (true, String::new(), nothing())
    );
}

#[test]
fn nothing_heard_is_not_ready() {
    let world = World::new(QUAY);
    let (ready, settings, hindrances) = world.stands("east", "goods");
    assert!(!ready);
    assert_eq!(settings, "w1=reverse");
    assert_eq!(hindrances.len(), 3, "each place is unknown: {hindrances:?}");
    assert!(hindrances[0].starts_with("east: not known whether it is empty"));
}

#[test]
fn what_is_not_set_is_listed_and_no_more() {
    let mut world = quay();
    world.points("w1", Position::Normal).seconds(5);
    assert_eq!(
        world.stands("east", "goods"),
        (false, "w1=reverse".into(), nothing())
    );
    assert_eq!(
        world.stands("east", "west"),
        (true, String::new(), nothing())
    );
}

#[test]
fn a_place_held_by_another_train_is_in_the_way() {
    let mut world = quay();
    world.reads("d-goods", ON).seconds(5);
    let (ready, settings, hindrances) = world.stands("east", "goods");
    assert!(!ready);
    assert_eq!(settings, "");
    assert_eq!(hindrances, ["goods: occupied by Train 2"]);
}

#[test]
fn points_fouled_by_another_train_are_in_the_way() {
    // Middle covers the points: whoever stands there may stand on them.
    let mut world = World::new(QUAY);
    world
        .points("w1", Position::Reverse)
        .reads("d-middle", ON)
        .seconds(10);
    let (ready, _, hindrances) = world.stands("goods", "east");
    assert!(!ready);
    assert_eq!(hindrances.len(), 2, "{hindrances:?}");
    assert!(hindrances[0].starts_with("Points 7: a train is on the points"));
    assert_eq!(hindrances[1], "middle: occupied by Train 1");
}

#[test]
fn the_train_itself_is_not_in_its_own_way() {
    let mut world = World::new(QUAY);
    world
        .points("w1", Position::Reverse)
        .reads("d-middle", ON)
        .seconds(10);
    assert_eq!(
        world.stands("middle", "goods"),
        (true, String::new(), nothing())
    );
    // Reaching on into the next place, it is still the same train.
    world.reads("d-goods", ON).seconds(5);
    assert_eq!(
        world.stands("middle", "goods"),
        (true, String::new(), nothing())
    );
}

#[test]
fn points_that_the_train_itself_may_stand_on_are_to_be_looked_at() {
    let mut world = World::new(QUAY);
    world
        .points("w1", Position::Normal)
        .reads("d-middle", ON)
        .seconds(10);
    let (ready, settings, hindrances) = world.stands("middle", "goods");
    assert!(!ready);
    assert_eq!(settings, "w1=reverse");
    assert_eq!(hindrances.len(), 1);
    assert!(
        hindrances[0].starts_with("Points 7: the train itself may be on them: look"),
        "{hindrances:?}"
    );
}

#[test]
fn dead_track_that_was_empty_is_not_ready() {
    // Section 2: `dark` kept `vacant` does not make a road ready.
    let mut world = quay();
    world.feed("goods-power", false).seconds(5);
    let (ready, settings, hindrances) = world.stands("east", "goods");
    assert!(!ready);
    assert_eq!(settings, "goods-power=true");
    assert_eq!(
        hindrances,
        ["goods: dark: it was empty, which nothing proves without power"]
    );
}

#[test]
fn a_detector_that_falls_silent_proves_nothing() {
    let mut world = quay();
    world.reads("d-goods", None).seconds(20);
    let (ready, _, hindrances) = world.stands("east", "goods");
    assert!(!ready);
    assert_eq!(hindrances.len(), 1, "{hindrances:?}");
    assert!(hindrances[0].starts_with("goods: not known whether it is empty"));
}

#[test]
fn a_lost_train_is_in_the_way() {
    let mut world = quay();
    world.reads("d-goods", ON).seconds(5);
    world.reads("d-goods", OFF).seconds(10);
    let (ready, _, hindrances) = world.stands("east", "goods");
    assert!(!ready);
    assert_eq!(
        hindrances,
        ["goods: a train was here and was not seen to leave"]
    );
}

#[test]
fn without_a_broker_nothing_is_ready() {
    let mut world = quay();
    world.broker(false);
    let (ready, _, hindrances) = world.stands("east", "goods");
    assert!(!ready);
    assert!(
        hindrances[0].starts_with("The message broker does not answer"),
        "{hindrances:?}"
    );
}

#[test]
fn a_position_from_before_a_restart_is_not_proven() {
    let world = quay();
    let memory = world.engine.memory();
    let layout = world.engine.layout().clone();
    let engine = Engine::recall(layout, Instant(0), &memory);
    let way = &ways(&engine, "east", "goods")[0];
    assert!(!way.ready);
    let of_points = way.in_the_way.iter().find(|h| h.id == "w1");
    assert!(of_points.is_some(), "{:?}", way.in_the_way);
}

#[test]
fn a_position_that_is_taken_as_done_is_not_proven() {
    let told = QUAY.replace(
        "toe = \"middle.b\"",
        "toe = \"middle.b\"\nposition = \"told\"",
    );
    let mut world = World::new(&told);
    world
        .asked("w1", Position::Reverse)
        .reads("d-east", ON)
        .seconds(15);
    let (ready, settings, hindrances) = world.stands("east", "goods");
    assert!(!ready);
    assert_eq!(settings, "", "as far as is known it lies right");
    assert_eq!(hindrances.len(), 1, "{hindrances:?}");
    assert!(hindrances[0].starts_with("Points 7: taken to be where they were asked to be"));
}

#[test]
fn points_between_are_to_be_set() {
    let mut world = quay();
    world.points("w1", Position::Moving).seconds(2);
    let (ready, settings, _) = world.stands("east", "goods");
    assert!(!ready);
    assert_eq!(settings, "w1=reverse");
}

#[test]
fn power_that_another_position_routes_is_in_the_way() {
    // The goods siding lives only while the points lie straight: a plan that was not thought
    // through.
    let routed = QUAY.replace(
        "blocks = [\"goods\"]\nrest = \"off\"",
        "blocks = [\"goods\"]\nvia = \"w1.normal\"",
    );
    let mut world = World::new(&routed);
    world
        .points("w1", Position::Reverse)
        .reads("d-east", ON)
        .seconds(10);
    let (ready, settings, hindrances) = world.stands("east", "goods");
    assert!(!ready);
    assert_eq!(settings, "", "a routed feed is nothing to switch");
    assert!(
        hindrances
            .iter()
            .any(|why| why == "Goods Power: there is power only while Points 7 are set straight"),
        "{hindrances:?}"
    );
}

#[test]
fn a_crossing_with_a_train_on_its_other_track_is_in_the_way() {
    // The crossing has no detector of its own here: who holds both its neighbours is on it.
    let plan = text("slip-and-crossing");
    let at = plan
        .find("[[detector]]\nid = \"d-k1\"")
        .expect("it has one");
    let mut world = World::new(&plan[..at]);
    for points in ["s1-1", "s1-2", "m1", "m2"] {
        world.points(points, Position::Normal);
    }
    world.reads("d-up-2", ON).seconds(10);
    assert_eq!(
        world.stands("branch-1", "branch-2"),
        (true, String::new(), nothing()),
        "it waits before the crossing"
    );
    world.reads("d-up-3", ON).seconds(3);
    let (ready, _, hindrances) = world.stands("branch-1", "branch-2");
    assert!(!ready);
    assert_eq!(hindrances, ["k1: Train 1 is on its other track"]);
    assert!(world.stands("up-2", "up-3").0, "not in its own way");
}

#[test]
fn a_crossing_that_a_detector_sees_occupied_is_in_the_way() {
    let mut world = World::new(&text("slip-and-crossing"));
    world.reads("d-k1", ON).seconds(10);
    let way = world.way("branch-1", "branch-2");
    let ids: Vec<&str> = way.in_the_way.iter().map(|h| h.id.as_str()).collect();
    assert_eq!(ids, ["k1"]);
    assert_eq!(way.places.len(), 3, "it is a place");
}

#[test]
fn a_table_must_be_lined_up() {
    let mut world = World::new(&text("tables"));
    // Light on the edge beam, and a node that is up.
    world.reads("edge-tt", Some(90.0));
    let node = taillamp::engine::input::Input::Node(taillamp::engine::ids::NodeId(0), true);
    world.engine.handle(Instant(0), node);
    world
        .points("w1", Position::Normal)
        .table("tt", 1)
        .seconds(10);
    let way = world.way("shed-lead", "stub-1");
    assert!(way.ready, "turned round it joins the same track: {way:?}");
    world.table("tt", 2).seconds(5);
    assert_eq!(
        world.stands("shed-lead", "stub-1"),
        (false, "tt@1".into(), nothing())
    );
    world.reads("edge-tt", Some(5.0)).seconds(3);
    let (_, _, hindrances) = world.stands("shed-lead", "stub-1");
    assert_eq!(hindrances, ["Turntable: a train stands across its edge"]);
}

/// A turntable between a lead and two stubs, a beam across its edge; all watched.
const TURNTABLE: &str = r#"
[layout]
name = "Cinder Quay Shed"
scale = "HO"

[defaults]
clear_s = 1
boot_s = 0

[[block]]
id = "lead"
[[block]]
id = "bridge"
[[block]]
id = "stub-1"
use = "stub"
[[block]]
id = "stub-2"
use = "stub"

[[table]]
id = "tt"
name = "Shed Table"
bridge = "bridge"
[[table.stop]]
at = "1"
a = "lead.b"
b = "stub-1.a"
[[table.stop]]
at = "2"
b = "stub-2.a"

[[detector]]
id = "edge"
kind = "current"
table = "tt"
on = 3.0
off = 1.5
[[detector]]
id = "d-lead"
kind = "current"
block = "lead"
on = 3.0
off = 1.5
[[detector]]
id = "d-bridge"
kind = "current"
block = "bridge"
on = 3.0
off = 1.5
[[detector]]
id = "d-stub-1"
kind = "current"
block = "stub-1"
on = 3.0
off = 1.5
[[detector]]
id = "d-stub-2"
kind = "current"
block = "stub-2"
on = 3.0
off = 1.5
"#;

/// The table at stop 1, a train on the lead.
fn shed() -> World {
    let mut world = World::new(TURNTABLE);
    world.table("tt", 0).reads("d-lead", ON).seconds(10);
    world
}

#[test]
fn a_table_at_its_stop_with_nothing_across_its_edge_is_ready() {
    let mut world = shed();
    assert_eq!(
        world.stands("lead", "stub-1"),
        (true, String::new(), nothing())
    );
    // Elsewhere it is to be set, and the first hindrance is that.
    world.table("tt", 1).seconds(5);
    let (ready, settings, hindrances) = world.stands("lead", "stub-1");
    assert_eq!(
        (ready, settings.as_str(), hindrances),
        (false, "tt@1", nothing())
    );
}

#[test]
fn whose_train_stands_across_the_edge_of_a_table() {
    let across = "Shed Table: a train stands across its edge";
    // Another, from the stub.
    let mut world = shed();
    world
        .reads("d-stub-1", ON)
        .seconds(5)
        .reads("d-bridge", ON)
        .reads("edge", ON)
        .seconds(5);
    let (ready, _, hindrances) = world.stands("lead", "stub-1");
    assert!(
        !ready && hindrances.iter().any(|why| why.starts_with(across)),
        "{hindrances:?}"
    );
    // The one that is to go: it comes from the lead onto the bridge.
    let mut world = shed();
    world.reads("d-bridge", ON).reads("edge", ON).seconds(5);
    let (_, settings, hindrances) = world.stands("lead", "stub-1");
    assert_eq!((settings.as_str(), hindrances), ("", nothing()));
}

#[test]
fn an_edge_that_is_not_heard_of_proves_nothing() {
    let mut world = shed();
    world.reads("edge", None).seconds(20);
    let (ready, _, hindrances) = world.stands("lead", "stub-1");
    assert!(!ready);
    assert!(
        hindrances.iter().any(|why| {
            why.starts_with("Shed Table: not proven that nothing stands across its edges")
        }),
        "{hindrances:?}"
    );
    // Where it must be moved first, that is all that is said of it.
    world.table("tt", 1).seconds(2);
    let (ready, settings, hindrances) = world.stands("lead", "stub-1");
    assert_eq!(
        (ready, settings.as_str(), hindrances),
        (false, "tt@1", nothing())
    );
}

#[test]
fn a_table_is_set_in_words() {
    let mut world = shed();
    world.table("tt", 1).seconds(5);
    let way = world.way("lead", "stub-1");
    let said = way
        .settings
        .iter()
        .map(|set| world.engine.setting_in_words(*set));
    assert_eq!(said.collect::<Vec<_>>(), ["Shed Table at 1"]);
    assert_eq!(
        world.engine.way_in_words(&way),
        "lead, Shed Table at 1, bridge, stub-1"
    );
}
