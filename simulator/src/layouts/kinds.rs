//! The five layouts. Each is run by rules that keep trains from standing face to face.

use super::{Berth, Custom, Draft};

fn words(ids: &[&str]) -> Vec<String> {
    ids.iter().map(|&id| id.to_owned()).collect()
}

fn berth(block: &str, up: bool, vehicles: usize) -> Berth {
    Berth {
        block: block.to_owned(),
        up,
        vehicles,
    }
}

/// Two stations with passing loops on a ring; one has a third track behind a three-way point.
pub fn ring() -> (Draft, Custom) {
    let mut draft = Draft::new("Fernhollow (invented)");
    for id in ["n1", "n2", "n4", "s1", "s2", "s3", "s4"] {
        draft.block(
            id,
            1900,
            "",
            if id.starts_with('n') {
                "node-n"
            } else {
                "node-s"
            },
        );
    }
    // A short length behind the scenery that nothing watches.
    draft.bare_block("n3", 900, "");
    for id in ["east-1", "east-2", "east-3"] {
        draft.block(id, 1700, "", "node-e");
    }
    for id in ["west-1", "west-2"] {
        draft.block(id, 1700, "", "node-w");
    }
    draft.chain(&["n1", "n2", "n3", "n4"]);
    draft.chain(&["s1", "s2", "s3", "s4"]);
    // Three-way, two in tandem: the second one's toe is on the first one's normal leg.
    draft.section("e1", ["n4.b", "e2.toe", "east-3.a"], "node-e", "");
    draft.section("e2", ["", "east-1.a", "east-2.a"], "node-e", "");
    draft.section("e3", ["e4.normal", "east-1.b", "east-2.b"], "node-e", "");
    draft.section("e4", ["s1.a", "", "east-3.b"], "node-e", "");
    draft.turnout("w1", ["s4.b", "west-1.a", "west-2.a"], "node-w", "");
    draft.turnout("w2", ["n1.a", "west-1.b", "west-2.b"], "node-w", "");
    let north = ["n1", "n2", "n3", "n4", "east-1", "east-2", "east-3"];
    let points = "rest = \"on\"\nturnouts = [\"e1\", \"e2\", \"e3\"]";
    draft.feed("north", &north, "node-n", points);
    let south = ["s1", "s2", "s3", "s4", "west-1", "west-2"];
    let points = "rest = \"on\"\nturnouts = [\"e4\", \"w1\", \"w2\"]";
    draft.feed("south", &south, "node-s", points);
    let custom = Custom {
        // Points west are watched through s4: with a train in it they could not be set.
        no_stop: words(&["n3", "s4"]),
        one_way: north
            .iter()
            .chain(&south)
            .map(|&id| (id.to_owned(), true))
            .collect(),
        stations: words(&["east-1", "east-2", "east-3", "west-1", "west-2"]),
        berths: vec![
            berth("east-1", true, 5),
            berth("west-2", true, 4),
            berth("east-3", true, 4),
            berth("s3", true, 3),
            berth("west-1", true, 6),
            berth("n2", true, 3),
        ],
        ..Custom::default()
    };
    (draft, custom)
}

/// A ring of eight blocks and a yard of five tracks whose power is off at rest.
pub fn ladder() -> (Draft, Custom) {
    let mut draft = Draft::new("Cinderford Sidings (invented)");
    let main = ["m1", "m2", "m3", "m4", "m5", "m6", "m7", "m8"];
    for (index, id) in main.iter().enumerate() {
        draft.block(id, 2000, "", if index < 4 { "node-a" } else { "node-b" });
    }
    draft.chain(&["m1", "m2", "m3", "m4"]);
    draft.chain(&["m5", "m6", "m7", "m8", "m1"]);
    draft.section("y0", ["m4.b", "m5.a", "lead.a"], "node-a", "");
    draft.block("lead", 1600, "use = \"siding\"", "node-y");
    let tracks = ["t1", "t2", "t3", "t4", "t5"];
    for id in tracks {
        let more = if id == "t5" {
            "use = \"yard\"\nfiddle = true"
        } else {
            "use = \"yard\""
        };
        draft.block(id, 1500, more, "node-y");
    }
    let yard = "rest = \"none\"\ncovered_by = \"lead\"";
    draft.turnout("y1", ["lead.b", "y2.toe", "t1.a"], "node-y", yard);
    draft.turnout("y2", ["", "y3.toe", "t2.a"], "node-y", yard);
    draft.turnout("y3", ["", "y4.toe", "t3.a"], "node-y", yard);
    draft.turnout("y4", ["", "t5.a", "t4.a"], "node-y", yard);
    let mut all = main.to_vec();
    all.push("lead");
    let points = "rest = \"on\"\nturnouts = [\"y0\", \"y1\", \"y2\", \"y3\", \"y4\"]";
    draft.feed("ring", &all, "node-a", points);
    for id in tracks {
        let more = "rest = \"off\"\nof = \"ring\"";
        draft.feed(&format!("{id}-power"), &[id], "node-y", more);
    }
    let custom = Custom {
        no_stop: words(&["lead"]),
        one_way: main.iter().map(|&id| (id.to_owned(), true)).collect(),
        back_out: words(&tracks),
        back_onto: words(&["m4"]),
        stations: words(&["m2", "m6"]),
        berths: vec![
            berth("m2", true, 4),
            berth("t2", true, 4),
            berth("m6", true, 5),
            berth("t4", true, 3),
            berth("m8", true, 4),
        ],
        ..Custom::default()
    };
    (draft, custom)
}

/// Two rings side by side: two single crossovers, a double slip into a relief track.
pub fn double() -> (Draft, Custom) {
    let mut draft = Draft::new("Ashbourne Junctions (invented)");
    let outer = ["o1", "o2", "o3", "o4", "o5", "o6", "o7", "o8", "o9", "o10"];
    let inner = ["i1", "i2", "i3", "i4", "i5", "i6", "i7", "i8", "i9", "i10"];
    for id in outer {
        draft.block(id, 2100, "", "node-o");
    }
    for id in inner {
        draft.block(id, 1900, "", "node-i");
    }
    draft.block("relief-1", 1800, "", "node-i");
    draft.block("relief-2", 1800, "use = \"siding\"", "node-i");
    draft.chain(&["o3", "o4"]);
    draft.chain(&["o5", "o6", "o7", "o8", "o9", "o10", "o1"]);
    draft.chain(&["i5", "i6", "i7", "i8", "i9", "i10", "i1"]);
    // From the outer to the inner line, and back.
    draft.section("c1", ["o1.b", "o2.a", "c2.reverse"], "node-o", "");
    draft.section("c2", ["i3.a", "i2.b", ""], "node-i", "");
    draft.section("c3", ["i3.b", "i4.a", "c4.reverse"], "node-i", "");
    draft.section("c4", ["o5.a", "o4.b", ""], "node-o", "");
    draft.join("o2.b", "o3.a");
    draft.join("i1.b", "i2.a");
    // A double slip: from the inner line into either relief track, or straight on.
    draft.raw(
        "[[slip]]\nid = \"sl\"\na = [\"i4.b\", \"i5.a\"]\nb = [\"relief-1.b\", \"relief-2.a\"]\n\
         kind = \"double\"\ncovered_by = \"i4\"\nnode = \"node-i\"",
    );
    draft.current("turnout", "sl-1", "node-i", "");
    draft.current("turnout", "sl-2", "node-i", "");
    let points = "rest = \"on\"\nturnouts = [\"c1\", \"c4\"]";
    draft.feed("outer", &outer, "node-o", points);
    let mut within = inner.to_vec();
    within.extend(["relief-1", "relief-2"]);
    let points = "rest = \"on\"\nturnouts = [\"c2\", \"c3\", \"sl-1\", \"sl-2\"]";
    draft.feed("inner", &within, "node-i", points);
    let mut one_way: Vec<(String, bool)> = outer
        .iter()
        .chain(&inner)
        .map(|&id| (id.to_owned(), true))
        .collect();
    one_way.push(("relief-1".to_owned(), true));
    one_way.push(("relief-2".to_owned(), true));
    let custom = Custom {
        one_way,
        back_out: words(&["relief-2"]),
        back_onto: words(&["i4"]),
        stations: words(&["o3", "o6", "i2", "i6"]),
        berths: vec![
            berth("o2", true, 5),
            berth("i3", true, 4),
            berth("o6", true, 4),
            berth("i7", true, 3),
            berth("o4", true, 4),
            berth("relief-1", true, 3),
            berth("i5", true, 4),
            berth("o8", true, 4),
            berth("i9", true, 5),
            berth("o10", true, 3),
            berth("i1", true, 3),
            berth("relief-2", true, 1),
        ],
        ..Custom::default()
    };
    (draft, custom)
}

/// A single line between a reversing loop and a wye, with a passing place between them.
pub fn loops() -> (Draft, Custom) {
    let mut draft = Draft::new("Two Harbours (invented)");
    for id in ["a1", "a2", "loop-1", "loop-2"] {
        draft.block(id, 1800, "", "node-a");
    }
    for id in ["b1", "b2", "up", "down"] {
        draft.block(id, 1900, "", "node-b");
    }
    draft.block("tail", 1900, "use = \"stub\"", "node-b");
    draft.block("left", 700, "", "node-b");
    draft.block("right", 700, "", "node-b");
    // The reversing loop, guarded by beams.
    draft.beams("wl", ["a1.a", "loop-1.a", "loop-2.b"], "node-a", "");
    draft.chain(&["loop-1", "loop-2"]);
    draft.chain(&["a1", "a2"]);
    draft.section("p1", ["a2.b", "up.a", "down.a"], "node-a", "");
    draft.section("p2", ["b1.a", "up.b", "down.b"], "node-b", "");
    draft.chain(&["b1", "b2"]);
    // The wye: in by the left leg, out by the right one, the other way round.
    draft.section("q1", ["b2.b", "left.a", "right.a"], "node-b", "");
    draft.section("q2", ["tail.a", "left.b", "right.b"], "node-b", "");
    let points = "rest = \"on\"\nturnouts = [\"wl\", \"p1\"]";
    draft.feed("shore", &["a1", "a2", "loop-1", "loop-2"], "node-a", points);
    let b = ["b1", "b2", "up", "down", "tail", "left", "right"];
    let points = "rest = \"on\"\nturnouts = [\"p2\", \"q1\", \"q2\"]";
    draft.feed("harbour", &b, "node-b", points);
    let up = ["up", "loop-1", "loop-2", "left"];
    let down = ["down", "right"];
    let custom = Custom {
        no_stop: words(&["a1", "a2", "b1", "b2", "loop-1", "left", "right"]),
        one_way: up
            .iter()
            .map(|id| (*id, true))
            .chain(down.iter().map(|id| (*id, false)))
            .map(|(id, up)| (id.to_owned(), up))
            .collect(),
        back_out: words(&["tail"]),
        stations: words(&["up", "down"]),
        berths: vec![
            berth("up", true, 4),
            berth("loop-2", true, 4),
            berth("tail", true, 3),
        ],
        ..Custom::default()
    };
    (draft, custom)
}

/// A ring; a branch over a crossing and a lift-out bridge to a turntable; a throttle line.
pub fn branch() -> (Draft, Custom) {
    let mut draft = Draft::new("Larkspur Vale (invented)");
    let main = ["r1", "r2", "r3", "r4", "r5", "r6", "r7", "r8"];
    for (index, id) in main.iter().enumerate() {
        draft.block(id, 2000, "", if index < 4 { "node-a" } else { "node-b" });
    }
    draft.chain(&["r1", "r2", "r3"]);
    draft.chain(&["r4", "r5", "r6"]);
    draft.chain(&["r7", "r8", "r1"]);
    draft.section("j1", ["r3.b", "r4.a", "ramp.a"], "node-a", "");
    draft.block("ramp", 1500, "", "node-s");
    draft.block("halt", 1400, "", "node-s");
    draft.block("apron", 700, "use = \"siding\"", "node-s");
    draft.block("span", 500, "", "node-s");
    draft.block("bridge", 330, "use = \"siding\"", "node-s");
    draft.raw(
        "[[crossing]]\nid = \"k1\"\nfirst = [\"r6.b\", \"r7.a\"]\n\
         second = [\"ramp.b\", \"halt.a\"]",
    );
    draft.current("crossing", "k1", "node-b", "");
    draft.raw("[[table]]\nid = \"lift\"\nbridge = \"span\"\nrest = \"in\"\nnode = \"node-s\"");
    draft.raw("[[table.stop]]\nat = \"in\"\na = \"halt.b\"\nb = \"apron.a\"");
    draft.raw("[[table]]\nid = \"tt\"\nbridge = \"bridge\"\nnode = \"node-s\"");
    draft.raw("[[table.stop]]\nat = \"lead\"\na = \"apron.b\"");
    for stub in ["p1", "p2", "p3"] {
        draft.raw(&format!(
            "[[table.stop]]\nat = \"{stub}\"\nb = \"{stub}.a\""
        ));
    }
    for stub in ["p1", "p2", "p3"] {
        draft.block(stub, 420, "use = \"stub\"", "node-s");
    }
    let main_feed: Vec<&str> = main.to_vec();
    let points = "rest = \"on\"\nturnouts = [\"j1\"]";
    draft.feed("ring", &main_feed, "node-a", points);
    let up = ["ramp", "halt", "apron", "span", "bridge", "p1", "p2", "p3"];
    draft.feed("vale", &up, "node-s", "rest = \"on\"");
    for id in ["d1", "d2", "d3"] {
        let usage = if id == "d2" { "" } else { "use = \"stub\"" };
        draft.bare_block(id, 1000, usage);
        draft.current("block", id, "node-d", "signed = true");
    }
    draft.chain(&["d1", "d2", "d3"]);
    let throttle = "rest = \"any\"\nsupply = \"throttle\"";
    draft.feed("knob", &["d1", "d2", "d3"], "node-d", throttle);
    let custom = Custom {
        no_stop: words(&["ramp", "halt", "span", "apron"]),
        one_way: main.iter().map(|&id| (id.to_owned(), true)).collect(),
        back_out: words(&["p1", "p2", "p3"]),
        back_onto: words(&["r3"]),
        engine_only: words(&["ramp"]),
        stations: words(&["r2", "r6"]),
        berths: vec![
            berth("r2", true, 5),
            berth("p2", true, 1),
            berth("r5", true, 4),
            berth("r7", true, 4),
            berth("p1", true, 1),
        ],
        shuttle: Some(["d1".to_owned(), "d2".to_owned(), "d3".to_owned()]),
    };
    (draft, custom)
}
