//! What cuts a search short, and that it says so.

use std::fmt::Write as _;

use taillamp::engine::ways::Cut;

use crate::world::{block, layout, passed, silent};

/// Two tracks side by side with a double crossover between every two blocks: 2^stages ways through.
fn mesh(stages: usize) -> String {
    mesh_of(stages, ["p", "q"])
}

/// With the blocks of one track given before the other's.
fn mesh_of(stages: usize, tracks: [&str; 2]) -> String {
    let mut text = String::from("[layout]\nname = \"Tangle Moor\"\nscale = \"N\"\n");
    for stage in 0..=stages {
        for track in tracks {
            let _ = write!(text, "[[block]]\nid = \"{track}-{stage:02}\"\n");
        }
    }
    for stage in 0..stages {
        let next = stage + 1;
        let _ = write!(
            text,
            "[[double_crossover]]\nid = \"x-{stage:02}\"\n\
             a = [\"p-{stage:02}.b\", \"p-{next:02}.a\"]\n\
             b = [\"q-{stage:02}.b\", \"q-{next:02}.a\"]\n",
        );
    }
    text
}

#[test]
fn more_ways_than_asked_for() {
    let engine = silent(layout(&mesh(10)));
    let (from, to) = (
        block(engine.layout(), "p-00"),
        block(engine.layout(), "p-10"),
    );
    let answer = engine.ways(from, to, 8);
    assert_eq!(answer.ways.len(), 8);
    assert_eq!(answer.cut, Some(Cut::Ways));
    // 2 points a stage whichever way: alike in all, so by id, and twice the same.
    assert_eq!(answer, engine.ways(from, to, 8));
    let all = silent(layout(&mesh(3)));
    let (from, to) = (block(all.layout(), "p-00"), block(all.layout(), "p-03"));
    let answer = all.ways(from, to, 8);
    assert_eq!(answer.cut, None);
    assert_eq!(
        answer.ways.len(),
        4,
        "2 x 2 x 1 ways end on the right track"
    );
}

/// As many as there are is all of them; fewer are the first of those, also where they are alike.
#[test]
fn the_best_are_told_and_whether_there_are_more() {
    for (text, from, to) in [
        (crate::world::text("four-blocks"), "loop-east", "loop-west"),
        (mesh(3), "p-00", "p-03"),
        (mesh(5), "p-00", "q-05"),
        (mesh_of(5, ["q", "p"]), "p-00", "q-05"),
    ] {
        let engine = silent(layout(&text));
        let (from, to) = (block(engine.layout(), from), block(engine.layout(), to));
        let all = engine.ways(from, to, 100);
        assert_eq!(all.cut, None);
        for limit in 1..=all.ways.len() + 1 {
            let some = engine.ways(from, to, limit);
            let more = (limit < all.ways.len()).then_some(Cut::Ways);
            assert_eq!(some.cut, more, "{limit} of {}", all.ways.len());
            assert_eq!(some.ways, all.ways[..limit.min(all.ways.len())]);
        }
    }
}

#[test]
fn a_layout_too_intricate_to_look_at_all_of_it() {
    // Behind the mesh a reversing loop; where one wants to go is reached only by coming back over
    // it, which passes the first points twice: there is no way, and that takes long to see.
    let text = mesh(14)
        + "[[block]]\nid = \"start\"\n[[block]]\nid = \"goal\"\n[[block]]\nid = \"loop\"\n\
           [[turnout]]\nid = \"w0\"\ntoe = \"p-00.a\"\nnormal = \"start.b\"\nreverse = \"goal.a\"\n\
           [[turnout]]\nid = \"w9\"\ntoe = \"p-14.b\"\nnormal = \"loop.a\"\nreverse = \"loop.b\"\n";
    let engine = silent(layout(&text));
    let (start, goal) = (
        block(engine.layout(), "start"),
        block(engine.layout(), "goal"),
    );
    let answer = engine.ways(start, goal, 8);
    assert_eq!(answer.ways, []);
    assert_eq!(answer.cut, Some(Cut::Steps));
    // Into the loop there are ways enough, found at once.
    let into = engine.ways(start, block(engine.layout(), "loop"), 1);
    assert_eq!(into.ways.len(), 1);
    let way = passed(engine.layout(), &into.ways[0]);
    assert!(way.starts_with("start w0=normal p-00 "), "{way}");
}

#[test]
fn the_plain_way_is_told_before_thousands_of_dearer_ones() {
    // Round the mesh, or through it in one of thousands of ways.
    let text = mesh(14)
        + "[[block]]\nid = \"start\"\n[[block]]\nid = \"goal\"\n[[block]]\nid = \"round\"\n\
           [[turnout]]\nid = \"w0\"\ntoe = \"start.b\"\n\
           normal = \"round.a\"\nreverse = \"p-00.a\"\n\
           [[turnout]]\nid = \"w9\"\ntoe = \"goal.a\"\n\
           normal = \"round.b\"\nreverse = \"p-14.b\"\n";
    let engine = silent(layout(&text));
    let (start, goal) = (
        block(engine.layout(), "start"),
        block(engine.layout(), "goal"),
    );
    let answer = engine.ways(start, goal, 1);
    assert_eq!(answer.cut, Some(Cut::Ways));
    let ways: Vec<String> = answer
        .ways
        .iter()
        .map(|way| passed(engine.layout(), way))
        .collect();
    assert_eq!(ways, ["start w0=normal round w9=normal goal"]);
}

#[test]
fn none_from_a_block_to_itself_and_none_of_none() {
    let engine = silent(layout(&mesh(1)));
    let (from, to) = (
        block(engine.layout(), "p-00"),
        block(engine.layout(), "p-01"),
    );
    assert_eq!(engine.ways(from, from, 8).ways, []);
    assert_eq!(engine.ways(from, to, 0).ways, []);
}
