//! `taillamp road` from outside: what it prints and how it ends.

use std::path::Path;
use std::process::{Command, Output};

use serde_json::{Value, json};

fn road(plan: &str, from: &str, to: &str, more: &[&str]) -> Output {
    let plan = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/plans")
        .join(plan);
    Command::new(env!("CARGO_BIN_EXE_taillamp"))
        .args(["road", "--from", from, "--to", to, "--plan"])
        .arg(plan)
        .args(more)
        .output()
        .expect("the program was built for this test")
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

#[test]
fn the_ways_in_words() {
    let output = road("four-blocks.good.toml", "loop-north", "goods-1", &[]);
    assert_eq!(output.status.code(), Some(0));
    assert_eq!(
        text(&output.stdout),
        "Way 1: Loop North, Loop East, Points 1 set diverging, Goods Siding (3.9 m)\n  \
         set first: Points 1 set diverging; goods-1-power on\n"
    );
    assert_eq!(text(&output.stderr), "");
}

#[test]
fn the_ways_as_json() {
    let output = road(
        "four-blocks.good.toml",
        "loop-north",
        "goods-1",
        &["--json"],
    );
    assert_eq!(output.status.code(), Some(0));
    let json: Value = serde_json::from_slice(&output.stdout).expect("it is JSON");
    let expected = json!({
        "from": "loop-north",
        "to": "goods-1",
        "live": false,
        "cut": null,
        "ways": [{
            "text": "Loop North, Loop East, Points 1 set diverging, Goods Siding",
            "places": ["loop-north", "loop-east", "goods-1"],
            "leaving_by": "loop-north.b",
            "entering_by": "goods-1.a",
            "settings": [
                {
                    "kind": "turnout", "id": "w1", "position": "reverse",
                    "text": "Points 1 set diverging",
                },
                {"kind": "feed", "id": "goods-1-power", "on": true, "text": "goods-1-power on"},
            ],
            "length_mm": 3_900.0,
            "in_the_way": null,
            "ready": null,
            "reverses": false,
        }],
    });
    assert_eq!(json, expected);
}

#[test]
fn no_way_is_said_and_ends_with_3() {
    let output = road("slip-and-crossing.good.toml", "bay-1", "up-2", &[]);
    assert_eq!(output.status.code(), Some(3));
    assert_eq!(
        text(&output.stdout),
        "there is no way from bay-1 to up-2 without turning back\n"
    );
    let output = road("slip-and-crossing.good.toml", "bay-1", "up-2", &["--json"]);
    assert_eq!(output.status.code(), Some(3));
    let json: Value = serde_json::from_slice(&output.stdout).expect("it is JSON");
    assert_eq!(json["ways"], json!([]));
}

#[test]
fn a_block_that_is_not_there_is_an_error_with_a_cure() {
    for (from, to, said) in [
        (
            "lop-north",
            "goods-1",
            "the plan has no block `lop-north`; did you mean `loop-north`?\n",
        ),
        (
            "loop-north",
            "loop-north",
            "`from` and `to` are both `loop-north`: name two blocks\n",
        ),
    ] {
        let output = road("four-blocks.good.toml", from, to, &[]);
        assert_eq!(output.status.code(), Some(1), "{from}");
        assert_eq!(text(&output.stderr), said);
        assert_eq!(text(&output.stdout), "");
    }
}

#[test]
fn a_plan_with_errors_gives_no_road() {
    let output = road("ends.bad.toml", "a", "b", &[]);
    assert_eq!(output.status.code(), Some(1));
    assert!(text(&output.stderr).contains("ends.bad.toml:"));
    assert_eq!(text(&output.stdout), "");
}

#[test]
fn out_of_a_bridge_as_it_went_in_is_said() {
    let output = road("tables.good.toml", "bay-1", "bay-2", &[]);
    assert_eq!(output.status.code(), Some(0));
    let said = text(&output.stdout);
    assert!(
        said.contains("\n  the train comes out of the bridge by the end that it went in by\n"),
        "{said}"
    );
}

#[test]
fn words_that_are_missing_are_a_matter_of_usage() {
    let output = Command::new(env!("CARGO_BIN_EXE_taillamp"))
        .args(["road", "--from", "a", "--to", "b"])
        .output()
        .expect("the program was built for this test");
    assert_eq!(output.status.code(), Some(2));
    // Port 1 of this computer: nobody listens there.
    let output = Command::new(env!("CARGO_BIN_EXE_taillamp"))
        .args([
            "road",
            "--url",
            "http://127.0.0.1:1",
            "--from",
            "a",
            "--to",
            "b",
        ])
        .output()
        .expect("the program was built for this test");
    assert_eq!(output.status.code(), Some(4));
    assert!(text(&output.stderr).contains("is it running?"));
}
