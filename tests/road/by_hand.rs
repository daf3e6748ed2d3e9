//! Ways worked out by hand from the drawings in the plans of `tests/plans`. All places are
//! invented.

use crate::world::{passed, settings, silent, text, ways};

/// The ways on a plan as lines: what each passes, and what is to be set.
fn found(plan: &str, from: &str, to: &str) -> Vec<(String, String)> {
    let engine = silent(crate::world::layout(&text(plan)));
    ways(&engine, from, to)
        .iter()
        .map(|way| {
            assert!(!way.ready, "nothing is proven by a plan alone");
            let layout = engine.layout();
            (passed(layout, way), settings(layout, way))
        })
        .collect()
}

fn lines(plan: &str, from: &str, to: &str) -> Vec<String> {
    let found = found(plan, from, to);
    found.into_iter().map(|(passes, _)| passes).collect()
}

#[test]
fn a_siding_on_a_ring() {
    let ways = found("four-blocks", "goods-1", "loop-north");
    let passes = "goods-1 w1=reverse loop-east loop-north";
    let settings = "goods-1-power=true w1=reverse";
    assert_eq!(ways, [(passes.into(), settings.into())]);
}

#[test]
fn fewest_to_set_goes_before_shortest() {
    let ways = found("four-blocks", "loop-east", "loop-west");
    let passes: Vec<&str> = ways.iter().map(|(passes, _)| passes.as_str()).collect();
    assert_eq!(
        passes,
        [
            "loop-east loop-north loop-west",
            "loop-east w1=normal loop-west"
        ]
    );
    assert_eq!(ways[0].1, "", "nothing to set on the long way round");
}

#[test]
fn lengths_are_added_up_where_they_are_known() {
    let engine = silent(crate::world::layout(&text("four-blocks")));
    let found = ways(&engine, "goods-1", "loop-north");
    // 2 400 and 3 200 in the plan; the block that it leaves does not count.
    assert_eq!(found[0].length_mm, Some(5_600.0));
    let engine = silent(crate::world::layout(&text("ladder-yard")));
    assert_eq!(ways(&engine, "lead", "yard-3")[0].length_mm, None);
}

#[test]
fn down_a_ladder_in_the_order_in_which_a_train_meets_it() {
    // p-3 is routed by y3: it comes with the points and is nothing to switch.
    let ways = found("ladder-yard", "lead", "yard-3");
    let passes = "lead y1=normal y2=normal y3=reverse yard-3";
    let settings = "district-1=true y1=normal y2=normal y3=reverse";
    assert_eq!(ways, [(passes.into(), settings.into())]);
    // Each feed after the one that it hangs on.
    let ways = found("ladder-yard", "yard-1", "lead");
    assert_eq!(ways[0].1, "district-1=true p-1=true y1=reverse");
}

#[test]
fn no_train_turns_back_inside_a_ladder() {
    assert_eq!(lines("ladder-yard", "yard-1", "yard-2"), [""; 0]);
}

#[test]
fn across_a_double_crossover_either_way() {
    assert_eq!(
        lines("double-crossover", "outer-1", "inner-2"),
        [
            "outer-1 dx-a1=reverse dx dx-b2=reverse inner-2",
            "outer-1 outer-2 dx-a2=reverse dx dx-b1=reverse inner-1 inner-2",
        ]
    );
}

#[test]
fn over_a_plain_crossover() {
    assert_eq!(
        lines("double-crossover", "shed-1", "shed-4"),
        ["shed-1 w3=reverse w4=reverse shed-4"]
    );
    assert_eq!(lines("double-crossover", "shed-2", "shed-3"), [""; 0]);
}

#[test]
fn a_single_slip_lacks_one_road() {
    let plan = "slip-and-crossing";
    assert_eq!(
        lines(plan, "up-1", "bay-2"),
        ["up-1 s1-1=normal s1-2=reverse bay-2"]
    );
    assert_eq!(
        lines(plan, "up-1", "up-3"),
        ["up-1 s1-1=normal s1-2=normal up-2 k1 up-3"]
    );
    assert_eq!(lines(plan, "bay-1", "up-2"), [""; 0]);
    assert_eq!(lines(plan, "up-2", "bay-1"), [""; 0], "nor the other way");
    let double = text(plan).replace("kind = \"single\"", "kind = \"double\"");
    let engine = silent(crate::world::layout(&double));
    let ways = ways(&engine, "bay-1", "up-2");
    assert_eq!(
        passed(engine.layout(), &ways[0]),
        "bay-1 s1-1=reverse s1-2=normal up-2"
    );
}

#[test]
fn over_a_crossing_into_a_three_way_point() {
    let plan = "slip-and-crossing";
    assert_eq!(
        lines(plan, "branch-1", "mill-right"),
        ["branch-1 k1 branch-2 m1=normal m2=reverse mill-right"]
    );
    assert_eq!(lines(plan, "branch-1", "up-3"), [""; 0], "none joins");
}

#[test]
fn a_reversing_loop_is_entered_by_either_end() {
    let engine = silent(crate::world::layout(&text("reversing-loop")));
    let ways = ways(&engine, "line-1", "loop");
    let entering: Vec<String> = ways
        .iter()
        .map(|way| engine.end_name(way.entering_by))
        .collect();
    assert_eq!(
        entering,
        ["loop.a", "loop.b"],
        "alike in all but the end: by id"
    );
    let places: Vec<&str> = ways[0]
        .places
        .iter()
        .map(|p| engine.place_name(*p))
        .collect();
    // Beams on all its legs make the turnout a place.
    assert_eq!(places, ["line-1", "w1", "loop"]);
    assert_eq!(lines("reversing-loop", "loop", "line-1").len(), 2);
}

#[test]
fn straight_over_a_turntable() {
    let plan = "tables";
    assert_eq!(
        lines(plan, "shed-lead", "stub-1"),
        ["shed-lead tt@1 tt-bridge stub-1"],
        "the bridge turned round is the same way, no better"
    );
    assert_eq!(
        found(plan, "main-1", "stub-1")[0],
        (
            "main-1 w1=reverse shed-lead tt@1 tt-bridge stub-1".into(),
            "w1=reverse tt@1".into()
        )
    );
}

#[test]
fn a_table_that_turns_with_the_train_on_it_is_set_twice() {
    // Stop 3 meets end a alone: in by b, with the bridge turned round, and out by a.
    assert_eq!(
        found("tables", "shed-lead", "stub-2"),
        [(
            "shed-lead tt@1 turned tt-bridge tt@3 stub-2".into(),
            "tt@1 turned tt@3".into()
        )]
    );
}

#[test]
fn out_of_a_bridge_as_it_went_in_is_said() {
    let engine = silent(crate::world::layout(&text("tables")));
    let back = ways(&engine, "bay-1", "bay-2");
    assert_eq!(back.len(), 1);
    assert!(back[0].reverses);
    assert_eq!(
        passed(engine.layout(), &back[0]),
        "bay-1 mover@bay 1 mover-bridge mover@bay 2 bay-2"
    );
    assert!(!ways(&engine, "shed-lead", "stub-2")[0].reverses);
}

#[test]
fn a_lift_out_bridge_is_passed_like_a_block() {
    assert_eq!(
        lines("tables", "main-2", "main-1"),
        [
            "main-2 w1=normal main-1",
            "main-2 gate@in gate-bridge main-1"
        ]
    );
    assert_eq!(
        lines("tables", "gate-bridge", "main-2")[0],
        "gate-bridge gate@in main-2"
    );
}
