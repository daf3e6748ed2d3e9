//! What the items of a plan stand for, checked against the words of the contract.

use taillamp::engine::ids::{BlockId, CrossingId, DetectorId, FeedId, TableId, TurnoutId};
use taillamp::engine::layout::{
    CrossingTrack, Decide, DetectorKind, End, ForbiddenRoad, Layout, Leg, PointsRest,
    PositionSource, Side, Subject, Via, Watches,
};
use taillamp::engine::time::Span;
use taillamp::plan::{Bound, Format, Mqtt, Plan};

use super::good;

/// The number of an id in a list that is sorted by written id.
fn at<T>(items: &[T], id: impl Fn(&T) -> &str, wanted: &str) -> u32 {
    let found = items.iter().position(|item| id(item) == wanted);
    let found = found.unwrap_or_else(|| panic!("there is no {wanted}"));
    u32::try_from(found).expect("the list is short")
}

fn block(layout: &Layout, id: &str) -> BlockId {
    BlockId(at(&layout.blocks, |block| &block.id, id))
}

fn turnout(layout: &Layout, id: &str) -> TurnoutId {
    TurnoutId(at(&layout.turnouts, |turnout| &turnout.id, id))
}

fn detector(layout: &Layout, id: &str) -> DetectorId {
    DetectorId(at(&layout.detectors, |detector| &detector.id, id))
}

fn joined(layout: &Layout, a: End, b: End) -> bool {
    layout
        .joins
        .iter()
        .any(|pair| *pair == (a, b) || *pair == (b, a))
}

fn covered_by(layout: &Layout, id: &str) -> String {
    let turnout = &layout.turnouts[turnout(layout, id).index()];
    let block = turnout.covered_by.expect("a block covers it");
    layout.blocks[block.index()].id.clone()
}

fn topics(plan: &Plan, wanted: &Bound) -> Vec<String> {
    let found = plan
        .bindings
        .iter()
        .filter(|binding| binding.listener.subject == *wanted);
    found.map(|binding| binding.topic.clone()).collect()
}

#[test]
fn every_list_is_sorted_and_every_end_is_joined_once() {
    for (name, plan) in super::every_good_plan() {
        let layout = &plan.layout;
        let sorted = |ids: Vec<&String>| ids.windows(2).all(|pair| pair[0] < pair[1]);
        assert!(
            sorted(layout.blocks.iter().map(|item| &item.id).collect()),
            "{name}"
        );
        assert!(
            sorted(layout.turnouts.iter().map(|item| &item.id).collect()),
            "{name}"
        );
        assert!(
            sorted(layout.crossovers.iter().map(|item| &item.id).collect()),
            "{name}"
        );
        assert!(
            sorted(layout.crossings.iter().map(|item| &item.id).collect()),
            "{name}"
        );
        assert!(
            sorted(layout.tables.iter().map(|item| &item.id).collect()),
            "{name}"
        );
        assert!(
            sorted(layout.feeds.iter().map(|item| &item.id).collect()),
            "{name}"
        );
        assert!(
            sorted(layout.detectors.iter().map(|item| &item.id).collect()),
            "{name}"
        );
        assert!(
            sorted(layout.nodes.iter().map(|item| &item.id).collect()),
            "{name}"
        );
        let mut ends: Vec<End> = layout.joins.iter().flat_map(|(a, b)| [*a, *b]).collect();
        let count = ends.len();
        ends.sort();
        ends.dedup();
        assert_eq!(ends.len(), count, "{name}: an end is joined twice");
    }
}

#[test]
fn the_first_plan_has_the_contracts_defaults() {
    let plan = good("four-blocks");
    let layout = &plan.layout;
    assert_eq!((layout.scale_ratio, plan.scale.as_str()), (87.1, "HO"));
    let w1 = &layout.turnouts[0];
    assert_eq!(w1.name, "Points 1");
    assert_eq!(
        covered_by(layout, "w1"),
        "loop-east",
        "the block at the toe"
    );
    assert_eq!(
        (w1.rest, w1.position),
        (PointsRest::Normal, PositionSource::Detected)
    );
    // DEVELOPERS.md section 3: clear_s (5), restore_s (10), awaiting_s (120), move_s (4).
    let times = [w1.clear, w1.restore, w1.awaiting, w1.move_time];
    assert_eq!(times, [5, 10, 120, 4].map(Span::from_secs));
    assert_eq!(w1.position_confirm, Span::from_millis(150));
    let east = &layout.detectors[detector(layout, "d-east").index()];
    assert_eq!(east.decide, Decide::Threshold { on: 3.0, off: 1.5 });
    assert_eq!((east.watches, east.unit), (Watches::Whole, "mA"));
    assert_eq!(east.range, (-20.0, 20_000.0));
    assert_eq!(
        (east.max_silence, east.max_silence_given),
        (Some(Span::from_secs(10)), false)
    );
    let w1 = turnout(layout, "w1");
    assert_eq!(topics(&plan, &Bound::Position(w1)), ["wharf/position/w1"]);
    assert_eq!(topics(&plan, &Bound::Asked(w1)), ["wharf/asked/w1"]);
    assert_eq!(
        topics(&plan, &Bound::Feed(FeedId(0))),
        ["wharf/feed/goods-1-power"]
    );
    let local = Mqtt::Embedded {
        listen: ([127, 0, 0, 1], 1883).into(),
        password_file: None,
        allow_anonymous: true,
        accept_commands: false,
    };
    assert_eq!(plan.mqtt, local);
}

#[test]
fn a_double_crossover_is_four_turnouts_two_crossovers_and_a_crossing() {
    let plan = good("double-crossover");
    let layout = &plan.layout;
    let dx = CrossingId(at(&layout.crossings, |crossing| &crossing.id, "dx"));
    let end = |id: &str, leg| End::Turnout(turnout(layout, id), leg);
    let toes = [
        ("dx-a1", "outer-1", Side::B),
        ("dx-a2", "outer-2", Side::A),
        ("dx-b1", "inner-1", Side::B),
        ("dx-b2", "inner-2", Side::A),
    ];
    for (corner, track, side) in toes {
        let own = End::Block(block(layout, track), side);
        assert!(joined(layout, end(corner, Leg::Toe), own), "{corner}");
        assert_eq!(
            covered_by(layout, corner),
            track,
            "the block at its own track end"
        );
        assert_eq!(
            layout.turnouts[turnout(layout, corner).index()].restore,
            Span::from_secs(15)
        );
    }
    assert!(joined(
        layout,
        end("dx-a1", Leg::Normal),
        end("dx-a2", Leg::Normal)
    ));
    assert!(joined(
        layout,
        end("dx-b1", Leg::Normal),
        end("dx-b2", Leg::Normal)
    ));
    let middle = |track, side| End::Crossing(dx, track, side);
    let (first, second) = (CrossingTrack::First, CrossingTrack::Second);
    assert!(joined(
        layout,
        end("dx-a1", Leg::Reverse),
        middle(first, Side::A)
    ));
    assert!(joined(
        layout,
        end("dx-b2", Leg::Reverse),
        middle(first, Side::B)
    ));
    assert!(joined(
        layout,
        end("dx-b1", Leg::Reverse),
        middle(second, Side::A)
    ));
    assert!(joined(
        layout,
        end("dx-a2", Leg::Reverse),
        middle(second, Side::B)
    ));
}

#[test]
fn a_double_crossovers_parts_are_paired_and_named() {
    let plan = good("double-crossover");
    let layout = &plan.layout;
    let pair = |id: &str| {
        let index = at(&layout.crossovers, |crossover| &crossover.id, id) as usize;
        layout.crossovers[index].turnouts
    };
    assert_eq!(
        pair("dx-ab"),
        [turnout(layout, "dx-a1"), turnout(layout, "dx-b2")]
    );
    assert_eq!(
        pair("dx-ba"),
        [turnout(layout, "dx-b1"), turnout(layout, "dx-a2")]
    );
    // No lettered corners for people, but 'Loop, first end' by the line's name.
    let name = |id: &str| layout.turnouts[turnout(layout, id).index()].name.clone();
    // One alone between its lines: its own name in front of each would only be in the way.
    assert_eq!(name("dx-a1"), "Outer, first end");
    assert_eq!(name("dx-b2"), "Inner, second end");
    let index = at(&layout.crossovers, |crossover| &crossover.id, "dx-ab") as usize;
    let between = &layout.crossovers[index].name;
    assert_eq!(between, "Outer, first end to Inner, second end");
}

#[test]
fn a_crossover_joins_the_reverse_ends() {
    let plan = good("double-crossover");
    let layout = &plan.layout;
    let end = |id: &str| End::Turnout(turnout(layout, id), Leg::Reverse);
    assert!(joined(layout, end("w3"), end("w4")));
}

#[test]
fn a_ladder_is_covered_by_the_block_at_its_first_toe() {
    let plan = good("ladder-yard");
    let layout = &plan.layout;
    for id in ["y1", "y2", "y3"] {
        assert_eq!(
            covered_by(layout, id),
            "lead",
            "{id}: found over the turnouts before it"
        );
        assert_eq!(
            layout.turnouts[turnout(layout, id).index()].rest,
            PointsRest::None
        );
    }
    let (normal, reverse) = (detector(layout, "c-y3-n"), detector(layout, "c-y3-r"));
    let y3 = turnout(layout, "y3");
    assert_eq!(
        layout.turnouts[y3.index()].position,
        PositionSource::Contacts { normal, reverse }
    );
    assert_eq!(
        layout.detectors[normal.index()].subject,
        Subject::Points(y3, Leg::Normal)
    );
    // Told points are both asked and reported; felt and hand-thrown ones are asked only.
    let y1 = turnout(layout, "y1");
    assert_eq!(topics(&plan, &Bound::Position(y1)), ["tarn/position/y1"]);
    for id in ["y2", "y3"] {
        let points = turnout(layout, id);
        assert_eq!(topics(&plan, &Bound::Position(points)), [""; 0], "{id}");
        assert_eq!(
            topics(&plan, &Bound::Asked(points)),
            [format!("tarn/asked/{id}")]
        );
    }
}

#[test]
fn feeds_hang_on_feeds_and_on_positions() {
    let plan = good("ladder-yard");
    let layout = &plan.layout;
    let feed = |id: &str| at(&layout.feeds, |feed| &feed.id, id) as usize;
    let routed = &layout.feeds[feed("p-3")];
    assert_eq!(
        routed.via,
        Some(Via::Turnout(turnout(layout, "y3"), Leg::Reverse))
    );
    let district = u32::try_from(feed("district-1")).expect("the list is short");
    assert_eq!(routed.of, Some(FeedId(district)));
    let main = &layout.feeds[feed("district-1")];
    assert_eq!(main.blocks, [block(layout, "lead")]);
    assert_eq!(main.turnouts, [turnout(layout, "y2")]);
    let silent = u32::try_from(feed("p-3")).expect("the list is short");
    assert_eq!(
        topics(&plan, &Bound::Feed(FeedId(silent))),
        [""; 0],
        "no message"
    );
    let lead = &layout.detectors[detector(layout, "d-lead").index()];
    assert_eq!(
        lead.range,
        (-20_000.0, 20_000.0),
        "signed: plausible both ways"
    );
    let contact = &layout.detectors[detector(layout, "c-y3-n").index()];
    assert_eq!(
        (contact.max_silence, contact.max_silence_given),
        (None, true),
        "changes only"
    );
}

#[test]
fn a_tables_stops_are_not_fixed_joins() {
    let plan = good("tables");
    let layout = &plan.layout;
    let table = |id: &str| at(&layout.tables, |table| &table.id, id);
    let turntable = &layout.tables[table("tt") as usize];
    let lead = End::Block(block(layout, "shed-lead"), Side::B);
    let stub = End::Block(block(layout, "stub-1"), Side::A);
    let met: Vec<_> = turntable
        .stops
        .iter()
        .map(|stop| (stop.a, stop.b))
        .collect();
    assert_eq!(met[0], (Some(lead), Some(stub)));
    assert_eq!(met[1], (Some(stub), Some(lead)), "turned round");
    assert!(layout.joins.iter().all(|(a, b)| *a != lead && *b != lead));
    // A bridge that no [[block]] describes is made.
    let made = &layout.blocks[block(layout, "mover-bridge").index()];
    assert_eq!(made.bridge_of, Some(TableId(table("mover"))));
    let mover = &layout.tables[table("mover") as usize];
    assert_eq!((mover.rest, mover.restore), (Some(0), Span::from_secs(60)));
    let mover = TableId(table("mover"));
    assert_eq!(
        topics(&plan, &Bound::TablePosition(mover)),
        ["shops/mover/where"]
    );
    assert_eq!(topics(&plan, &Bound::TableAsked(mover)), ["shops/mover/go"]);
}

#[test]
fn a_single_slip_lacks_one_road_and_a_crossing_joins_none() {
    let plan = good("slip-and-crossing");
    let layout = &plan.layout;
    let (near, far) = (turnout(layout, "s1-1"), turnout(layout, "s1-2"));
    assert!(joined(
        layout,
        End::Turnout(near, Leg::Toe),
        End::Turnout(far, Leg::Toe)
    ));
    let met = [
        (near, Leg::Normal, "up-1", Side::B),
        (far, Leg::Normal, "up-2", Side::A),
        (near, Leg::Reverse, "bay-1", Side::B),
        (far, Leg::Reverse, "bay-2", Side::A),
    ];
    for (points, leg, track, side) in met {
        let track_end = End::Block(block(layout, track), side);
        assert!(
            joined(layout, End::Turnout(points, leg), track_end),
            "{track}"
        );
    }
    let forbidden = ForbiddenRoad {
        from: (near, Leg::Reverse),
        to: (far, Leg::Normal),
    };
    assert_eq!(layout.forbidden, [forbidden], "no road from b[0] to a[1]");
    assert_eq!(topics(&plan, &Bound::Position(far)), ["mill/slip/far"]);
    let crossing = |track, side| End::Crossing(CrossingId(0), track, side);
    let up = End::Block(block(layout, "up-2"), Side::B);
    assert!(joined(layout, crossing(CrossingTrack::First, Side::A), up));
    let branch = End::Block(block(layout, "branch-2"), Side::A);
    assert!(joined(
        layout,
        crossing(CrossingTrack::Second, Side::B),
        branch
    ));
    assert_eq!(
        covered_by(layout, "m2"),
        "branch-2",
        "a three-way point: over the first turnout"
    );
}

#[test]
fn detectors_of_every_kind() {
    let plan = good("reversing-loop");
    let layout = &plan.layout;
    let find = |id: &str| &layout.detectors[detector(layout, id).index()];
    let w1 = turnout(layout, "w1");
    assert_eq!(find("beam-toe").subject, Subject::Beam(w1, Leg::Toe));
    assert_eq!(find("beam-toe").range, (-0.05, 1.05));
    assert_eq!(find("beam-normal").range, (0.0, 200_000.0));
    assert_eq!(find("beam-reverse").range, (-5.0, 105.0));
    assert_eq!(find("beam-reverse").watches, Watches::Spot);
    assert!(matches!(find("d-loop").decide, Decide::Sequential(test) if test.sample_hz == 10.0));
    let spot = find("spot-buffers");
    let line = block(layout, "line-1");
    assert_eq!(spot.subject, Subject::Block(line, Some(Side::A)));
    assert_eq!(
        (spot.kind, spot.decide),
        (DetectorKind::Contact, Decide::Boolean)
    );
}

#[test]
fn boards_speak_in_their_own_ways() {
    let plan = good("formats");
    let layout = &plan.layout;
    let binding = |id: &str| {
        let bound = Bound::Detector(detector(layout, id));
        let found = plan
            .bindings
            .iter()
            .find(|binding| binding.listener.subject == bound);
        found.unwrap_or_else(|| panic!("{id} has no topic"))
    };
    assert_eq!(binding("d-1").listener.record.as_deref(), Some("ch1"));
    assert_eq!(binding("d-1").topic, binding("d-2").topic);
    assert_eq!(binding("d-3").listener.format, Format::Number);
    let words = [("on", &["1", "OCC"][..]), ("off", &["0"][..])];
    let words = words.map(|(word, texts)| {
        (
            word.to_owned(),
            texts.iter().map(|text| (*text).to_owned()).collect(),
        )
    });
    assert_eq!(
        binding("d-4").listener.format,
        Format::Words(Box::from(words))
    );
    let pointer = Format::Pointer(Box::new(("/current/ma".to_owned(), Box::default())));
    assert_eq!(binding("d-5").listener.format, pointer);
    let four = &layout.detectors[detector(layout, "d-4").index()];
    assert_eq!((four.decide, four.unit), (Decide::Boolean, ""));
    assert!(
        matches!(&plan.mqtt, Mqtt::External { url, .. } if url == "mqtts://broker.example:8883")
    );
    assert_eq!(plan.notify.len(), 2);
    assert_eq!(plan.journal.keep_days, 30);
}
