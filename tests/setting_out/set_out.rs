//! `taillamp set-out` from outside.

use serde_json::Value;

use super::{refused, taillamp, text};

fn json(arguments: &[&str]) -> Value {
    let mut all = vec!["set-out", "--json"];
    all.extend(arguments);
    let output = taillamp(&all);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    serde_json::from_slice(&output.stdout).expect("it is JSON")
}

fn number(json: &Value, pointer: &str) -> f64 {
    let found = json.pointer(pointer).and_then(Value::as_f64);
    found.unwrap_or_else(|| panic!("{pointer} in {json}"))
}

/// The keys of the contract, section 2; values from NMRA RP-12.7 (N gauge, frog 6: 9 degrees 32
/// minutes, 54 mm) and Ohm's law.
#[test]
fn json_has_the_keys_that_others_rely_on() {
    let found = json(&[
        "--scale",
        "N",
        "--frog",
        "6",
        "--volts",
        "12",
        "--ohms",
        "10000",
        "--threshold",
        "3.0",
    ]);
    assert!((number(&found, "/frog_angle_deg") - (9.0 + 32.0 / 60.0)).abs() < 0.01);
    assert!((number(&found, "/frog_to_centre_line_intersection_mm") - 54.0).abs() < 0.5);
    // GK/RC0752: 1970 mm, 12.3 mm in N.
    let straight = 1_970.0 / 160.0 / number(&found, "/frog_angle_deg").to_radians().sin();
    for leg in ["normal", "reverse"] {
        let pointer = format!("/clearance_point_from_frog_mm/{leg}");
        assert!((number(&found, &pointer) - straight).abs() < 1e-6);
    }
    assert!((number(&found, "/axle_ma") - 1.2).abs() < 1e-9);
    assert_eq!(found["axles_needed"], 3);
    assert!((number(&found, "/watts_per_axle") - 0.0144).abs() < 1e-9);
}

#[test]
fn spacing_and_overhang_are_in_model_millimetres() {
    let found = json(&[
        "--scale",
        "HO",
        "--angle",
        "30",
        "--spacing",
        "20",
        "--overhang",
        "7",
    ]);
    // 20 / sin 30 is 40.
    assert!((number(&found, "/clearance_point_from_frog_mm/normal") - 47.0).abs() < 1e-9);
    assert!((number(&found, "/clearance_point_from_frog_mm/reverse") - 47.0).abs() < 1e-9);
}

#[test]
fn a_leg_that_curves_away_clears_sooner_and_one_that_curves_back_later() {
    let reverse = |radius: &[&str]| {
        let mut all = vec!["--scale", "HO", "--frog", "6"];
        all.extend(radius);
        number(&json(&all), "/clearance_point_from_frog_mm/reverse")
    };
    let straight = reverse(&[]);
    assert!(reverse(&["--radius", "600"]) < straight - 1.0);
    assert!(reverse(&["--radius", "-3000"]) > straight + 1.0);
}

#[test]
fn wheelsets_alone_need_no_turnout() {
    let found = json(&["--volts", "14", "--ohms", "15000", "--threshold", "1"]);
    assert_eq!(found["axles_needed"], 2);
    assert!(found.get("frog_angle_deg").is_none());
}

#[test]
fn text_says_where_and_what_is_measured_from_where() {
    let output = taillamp(&["set-out", "--scale", "HO", "--frog", "6"]);
    let said = text(&output.stdout);
    for words in [
        "theoretical point of frog",
        "136.6",
        "gap in both rails",
        "not a safety system",
    ] {
        assert!(said.contains(words), "{words}: {said}");
    }
}

#[test]
fn sketch_is_to_scale() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("turnout.svg");
    let name = path.to_string_lossy();
    let output = taillamp(&["set-out", "--scale", "HO", "--frog", "6", "--svg", &name]);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let drawing = std::fs::read_to_string(&path).expect("it was written");
    // One unit of the drawing is a millimetre on paper.
    let after = |word: &str| {
        let rest = drawing.split(word).nth(1).expect("it is in the drawing");
        rest.split('"').next().expect("it is in quotes").to_owned()
    };
    let size = after("width=\"").replace("mm", "");
    let view: Vec<String> = after("viewBox=\"").split(' ').map(str::to_owned).collect();
    assert_eq!(size, view[2]);
    assert!(drawing.contains(">136.6</text>") && drawing.trim_end().ends_with("</svg>"));
    refused(
        &[
            "set-out",
            "--scale",
            "HO",
            "--frog",
            "6",
            "--svg",
            "/nowhere/a.svg",
        ],
        1,
        "name another --svg",
    );
}

#[test]
fn what_is_wrong_is_said_in_one_line() {
    for (arguments, words) in [
        (vec!["--scale", "HO", "--frog", "0"], "above 0.5"),
        (vec!["--scale", "HO", "--frog", "-6"], "above 0.5"),
        (vec!["--scale", "HO", "--frog", "NaN"], "above 0.5"),
        (vec!["--scale", "HO", "--angle", "90"], "between"),
        (vec!["--scale", "HO", "--angle", "inf"], "between"),
        (vec!["--scale", "ho", "--frog", "6"], "did you mean `HO`?"),
        (vec!["--scale", "1:0", "--frog", "6"], "1:1 to 1:1000"),
        (
            vec!["--scale", "HO", "--frog", "6", "--spacing", "0"],
            "--spacing 22.6",
        ),
        (
            vec!["--scale", "HO", "--frog", "6", "--overhang", "-1"],
            "--overhang 20",
        ),
        (
            vec!["--scale", "HO", "--frog", "6", "--radius", "-300"],
            "never clear",
        ),
        (
            vec!["--volts", "0", "--ohms", "10000", "--threshold", "3"],
            "--volts 12",
        ),
        (
            vec!["--volts", "12", "--ohms", "-1", "--threshold", "3"],
            "--ohms 10000",
        ),
    ] {
        let mut all = vec!["set-out"];
        all.extend(arguments);
        refused(&all, 1, words);
    }
    for usage in [
        vec!["set-out"],
        vec!["set-out", "--scale", "HO"],
        vec!["set-out", "--scale", "HO", "--frog", "six"],
        vec!["set-out", "--scale", "HO", "--frog", "6", "--angle", "9"],
        vec!["set-out", "--volts", "12"],
    ] {
        refused(&usage, 2, "error:");
    }
}
