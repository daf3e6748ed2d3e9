//! Small invented layouts on which the stories are played. No place of them exists.
//!
//! Detectors speak in booleans and report changes only, unless a test is about something else:
//! then a story needs one line for each thing that happens.

use std::fmt::Write as _;

/// A whole plan: what every plan begins with, and what is special to this one.
pub fn plan(body: &str) -> String {
    format!("[layout]\nname = \"Hazel Lane\"\nscale = \"HO\"\ntopic_prefix = \"lane\"\n\n{body}")
}

/// A block with keys of its own, and no detector.
pub fn bare(id: &str, keys: &str) -> String {
    format!("[[block]]\nid = \"{id}\"\n{keys}\n")
}

/// A current detector of booleans that reports changes only: `d-ID` in block `ID`.
pub fn detector(block: &str, keys: &str) -> String {
    format!(
        "[[detector]]\nid = \"d-{block}\"\nkind = \"current\"\nblock = \"{block}\"\n\
         max_silence_s = 0\n{keys}\n"
    )
}

/// A block and its detector.
pub fn block(id: &str, keys: &str) -> String {
    bare(id, keys) + &detector(id, "")
}

/// Two ends that meet.
pub fn join(one: &str, other: &str) -> String {
    format!("[[join]]\nends = [\"{one}\", \"{other}\"]\n")
}

/// Joins in a row: the end `b` of each to the end `a` of the next.
pub fn row(ids: &[&str]) -> String {
    ids.windows(2)
        .map(|pair| join(&format!("{}.b", pair[0]), &format!("{}.a", pair[1])))
        .collect()
}

/// `p1` ... `pN` in a row, each with a detector `d-pN`; `settings` come before the first block.
pub fn line(places: usize, settings: &str) -> String {
    plan(&(settings.to_owned() + "\n" + &line_body(places, "")))
}

/// As [`line`], each place 1000 mm long.
pub fn measured_line(places: usize, settings: &str) -> String {
    plan(&(settings.to_owned() + "\n" + &line_body(places, "length_mm = 1000")))
}

/// As [`line`], the last joined to the first.
pub fn ring(places: usize, settings: &str, keys: &str) -> String {
    let closing = join(&format!("p{places}.b"), "p1.a");
    plan(&(settings.to_owned() + "\n" + &line_body(places, keys) + &closing))
}

fn line_body(places: usize, keys: &str) -> String {
    let ids: Vec<String> = (1..=places).map(|n| format!("p{n}")).collect();
    let ids: Vec<&str> = ids.iter().map(String::as_str).collect();
    ids.iter().map(|id| block(id, keys)).collect::<String>() + &row(&ids)
}

/// How a turnout is watched.
#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Watch {
    /// A section of its own, `d-w1`.
    Section,
    /// Beams across all three legs: `beam-toe`, `beam-normal`, `beam-reverse`.
    Beams,
    /// The block at its toe.
    Covered,
}

/// `far - west - [toe w1] - normal: east - beyond; reverse: side - spur`, the two of the side a
/// siding. Every block has a detector `d-ID`.
pub fn junction(watch: Watch, settings: &str, keys: &str) -> String {
    let mut body = settings.to_owned() + "\n";
    for id in ["far", "west", "east", "beyond"] {
        body += &block(id, "");
    }
    body += &(block("side", "use = \"siding\"") + &block("spur", "use = \"siding\""));
    body += &row(&["far", "west"]);
    body += &row(&["east", "beyond"]);
    body += &row(&["side", "spur"]);
    let _ = write!(
        body,
        "[[turnout]]\nid = \"w1\"\ntoe = \"west.b\"\nnormal = \"east.a\"\n\
         reverse = \"side.a\"\n{keys}\n"
    );
    body += &match watch {
        Watch::Section => section("w1"),
        Watch::Beams => beams("w1"),
        Watch::Covered => String::new(),
    };
    plan(&body)
}

/// A turnout's own section, `d-ID`.
pub fn section(turnout: &str) -> String {
    format!(
        "[[detector]]\nid = \"d-{turnout}\"\nkind = \"current\"\nturnout = \"{turnout}\"\n\
         max_silence_s = 0\n"
    )
}

/// Beams across a turnout's three legs: `beam-toe`, `beam-normal`, `beam-reverse`, in percent of
/// light: 10 % is broken, 90 % is clear.
pub fn beams(turnout: &str) -> String {
    let beam = |leg: &str| {
        format!(
            "[[detector]]\nid = \"beam-{leg}\"\nkind = \"optical\"\nturnout = \"{turnout}\"\n\
             leg = \"{leg}\"\nunit = \"%\"\non = 30\noff = 60\nmax_silence_s = 0\n"
        )
    };
    beam("toe") + &beam("normal") + &beam("reverse")
}

/// Two tracks, `up-1 - up-2 - w3 - up-3 - up-4` and `dn-1 - dn-2 - w4 - dn-3 - dn-4`, and the
/// crossover `x1`: with both turnouts reverse, up-2 is joined to dn-3.
pub fn crossover(keys: &str) -> String {
    let mut body = String::new();
    for id in [
        "up-1", "up-2", "up-3", "up-4", "dn-1", "dn-2", "dn-3", "dn-4",
    ] {
        body += &block(id, "");
    }
    body += &row(&["up-1", "up-2"]);
    body += &row(&["up-3", "up-4"]);
    body += &row(&["dn-1", "dn-2"]);
    body += &row(&["dn-3", "dn-4"]);
    body += "[[turnout]]\nid = \"w3\"\ntoe = \"up-2.b\"\nnormal = \"up-3.a\"\n";
    body += "[[turnout]]\nid = \"w4\"\ntoe = \"dn-3.a\"\nnormal = \"dn-2.b\"\n";
    let _ = write!(
        body,
        "[[crossover]]\nid = \"x1\"\nturnouts = [\"w3\", \"w4\"]\n{keys}\n"
    );
    body += &(section("w3") + &section("w4"));
    plan(&body)
}

/// A feed of some blocks.
pub fn feed(id: &str, blocks: &str, keys: &str) -> String {
    format!("[[feed]]\nid = \"{id}\"\nblocks = {blocks}\n{keys}\n")
}
