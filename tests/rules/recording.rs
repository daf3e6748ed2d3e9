//! From a story, one happening a line, to a recording as `taillamp replay` reads it.
//!
//! ```text
//! keep 0.5                              every detector repeats its last value each 0.5 s
//! memory {"blocks":{...}}               what was remembered at the start
//! 12.0 d-goods-1 12.4 mA; d-b off       several things at one moment
//! 12.0 all off                          every detector that watches a place
//! 13.0 w1 reverse                       a position
//! 13.0 asked w1 normal                  what the panel asked for
//! 14.0 goods-1-power 11.8 V             a feed; also on, off
//! 15.0 esp-3 offline                    a node
//! 16.0 broker lost                      or back
//! 17.0 do acknowledge left-diverging:w1 {"who":"Ann"}
//! 18.0 retained d-b on                  old news from the broker
//! 18.0 raw lane/detector/d-b [{"vb":true}]
//! 18.0 line this is not a recording     a line as it stands
//! 19.0 hush d-b                         ends the repeating of one detector
//! every 0.5 from 0 to 60: d-a 0.2 mA    one statement again and again
//! 60.0                                  time passes
//! ```

use std::collections::{BTreeMap, BTreeSet};

use serde_json::{Value, json};

/// The ids that a story may speak about, and their topics' prefix.
struct Subjects {
    prefix: String,
    detectors: BTreeSet<String>,
    /// Detectors that watch a place: those that `all` means.
    watching: Vec<String>,
    feeds: BTreeSet<String>,
    nodes: BTreeSet<String>,
}

/// One line of the recording: its time and what it says beside the time.
struct Line {
    millis: u64,
    /// Which detector's kept value this is the statement of, and the value.
    kept: Option<(String, Option<Value>)>,
    body: Body,
}

enum Body {
    Object(Vec<(&'static str, Value)>),
    Verbatim(String),
    Nothing,
}

/// Writes the recording of a story.
///
/// # Panics
/// Where the story is not written as this module's header says: a test that says something else
/// than its author meant must not run.
pub fn write(plan: &str, story: &str) -> String {
    let subjects = subjects(plan);
    let mut lines = Vec::new();
    let mut keep = None;
    for text in story.lines() {
        let text = text.split(" # ").next().unwrap_or("").trim();
        if text.is_empty() || text.starts_with('#') {
            continue;
        }
        if let Some(step) = text.strip_prefix("keep ") {
            keep = Some(millis(step));
        } else if let Some(memory) = text.strip_prefix("memory ") {
            let memory = json_of(memory, text);
            lines.push(line(0, Body::Object(vec![("memory", memory)])));
        } else if let Some(rest) = text.strip_prefix("every ") {
            lines.extend(repeated(&subjects, rest));
        } else {
            let (time, rest) = text.split_once(' ').unwrap_or((text, ""));
            let at = millis(time);
            for statement in rest.split(';') {
                lines.extend(stated(&subjects, at, statement.trim()));
            }
        }
    }
    lines.sort_by_key(|line| line.millis);
    if let Some(step) = keep {
        lines = kept_up(&subjects, lines, step);
    }
    written(&lines)
}

fn line(millis: u64, body: Body) -> Line {
    Line {
        millis,
        kept: None,
        body,
    }
}

fn millis(text: &str) -> u64 {
    let (whole, part) = text.split_once('.').unwrap_or((text, ""));
    let part = format!("{part:0<3}");
    match (whole.parse::<u64>(), part.len(), part.parse::<u64>()) {
        (Ok(whole), 3, Ok(part)) => whole * 1_000 + part,
        _ => panic!("a story's time is seconds with at most three decimals, not '{text}'"),
    }
}

fn json_of(text: &str, line: &str) -> Value {
    serde_json::from_str(text)
        .unwrap_or_else(|e| panic!("bad JSON in the story line '{line}': {e}"))
}

fn subjects(plan: &str) -> Subjects {
    let document: toml_edit::DocumentMut = plan
        .parse()
        .unwrap_or_else(|e| panic!("the test's plan is not TOML: {e}"));
    let items = |kind: &str| {
        let list = document
            .get(kind)
            .and_then(toml_edit::Item::as_array_of_tables);
        list.into_iter()
            .flat_map(toml_edit::ArrayOfTables::iter)
            .collect::<Vec<_>>()
    };
    let text = |table: &toml_edit::Table, key: &str| {
        table
            .get(key)
            .and_then(toml_edit::Item::as_str)
            .map(str::to_owned)
    };
    let ids = |kind: &str| {
        items(kind)
            .iter()
            .filter_map(|table| text(table, "id"))
            .collect()
    };
    let watches = ["block", "turnout", "table", "crossing"];
    let watching = items("detector")
        .iter()
        .filter(|table| watches.iter().any(|key| table.contains_key(key)))
        .filter_map(|table| text(table, "id"))
        .collect();
    let prefix = document
        .get("layout")
        .and_then(|layout| layout.get("topic_prefix"));
    Subjects {
        prefix: prefix
            .and_then(toml_edit::Item::as_str)
            .unwrap_or("taillamp")
            .to_owned(),
        detectors: ids("detector"),
        watching,
        feeds: ids("feed"),
        nodes: ids("node"),
    }
}

/// `0.5 from 0 to 60: d-a 0.2 mA`
fn repeated(subjects: &Subjects, text: &str) -> Vec<Line> {
    let (when, statement) = text
        .split_once(": ")
        .expect("`every S from A to B: statement`");
    let (step, span) = when
        .split_once(" from ")
        .expect("`every S from A to B: statement`");
    let (from, to) = span
        .split_once(" to ")
        .expect("`every S from A to B: statement`");
    let (step, from, to) = (millis(step), millis(from), millis(to));
    let mut lines = Vec::new();
    let mut at = from;
    while at <= to {
        for part in statement.split(';') {
            lines.extend(stated(subjects, at, part.trim()));
        }
        at += step;
    }
    lines
}

fn stated(subjects: &Subjects, at: u64, text: &str) -> Vec<Line> {
    let (first, rest) = text.split_once(' ').unwrap_or((text, ""));
    let topic = |kind: &str, id: &str| format!("{}/{kind}/{id}", subjects.prefix);
    match first {
        "" => vec![line(at, Body::Nothing)],
        "line" => vec![line(at, Body::Verbatim(rest.to_owned()))],
        "broker" => vec![line(at, Body::Object(vec![("broker", json!(rest))]))],
        "raw" => {
            let (topic, payload) = rest.split_once(' ').unwrap_or((rest, ""));
            let payload = serde_json::from_str(payload).unwrap_or_else(|_| json!(payload));
            vec![message(at, topic, payload)]
        }
        "do" => {
            let mut parts = rest.splitn(3, ' ');
            let verb = parts.next().unwrap_or("");
            let id = parts.next().expect("`do VERB ID`");
            let body = json_of(parts.next().unwrap_or(r#"{"who":"Ann"}"#), text);
            vec![message(at, &topic(&format!("do/{verb}"), id), body)]
        }
        "asked" => {
            let (id, position) = rest.split_once(' ').expect("`asked ID POSITION`");
            vec![message(at, &topic("asked", id), position_payload(position))]
        }
        "hush" => {
            let mut hushed = line(at, Body::Nothing);
            hushed.kept = Some((rest.to_owned(), None));
            vec![hushed]
        }
        "retained" => {
            let mut lines = stated(subjects, at, rest);
            for line in &mut lines {
                line.kept = None;
                if let Body::Object(keys) = &mut line.body {
                    keys.push(("retained", json!(true)));
                }
            }
            lines
        }
        "all" => subjects
            .watching
            .iter()
            .map(|id| sample(subjects, at, id, rest))
            .collect(),
        id if subjects.detectors.contains(id) => vec![sample(subjects, at, id, rest)],
        id if subjects.feeds.contains(id) => {
            vec![message(at, &topic("feed", id), feed_payload(rest))]
        }
        id if subjects.nodes.contains(id) => vec![message(at, &topic("node", id), json!(rest))],
        id => vec![message(at, &topic("position", id), position_payload(rest))],
    }
}

fn message(at: u64, topic: &str, payload: Value) -> Line {
    line(
        at,
        Body::Object(vec![("topic", json!(topic)), ("payload", payload)]),
    )
}

fn sample(subjects: &Subjects, at: u64, id: &str, value: &str) -> Line {
    let payload = sample_payload(value);
    let mut line = message(
        at,
        &format!("{}/detector/{id}", subjects.prefix),
        payload.clone(),
    );
    line.kept = Some((id.to_owned(), Some(payload)));
    line
}

/// What one detector says: `on`, `off`, or a number and its unit. Currents go out in ampere, the
/// primary unit (RFC 8428, section 12.1), whatever the story says.
fn sample_payload(value: &str) -> Value {
    let (number, unit) = value.split_once(' ').unwrap_or((value, ""));
    if matches!(number, "on" | "off") {
        return json!([{"n": "seen", "vb": number == "on"}]);
    }
    let number: f64 = number
        .parse()
        .unwrap_or_else(|_| panic!("a story's reading is a number, not '{value}'"));
    match unit {
        "mA" => json!([{"n": "current", "u": "A", "v": number / 1_000.0}]),
        "" => json!([{"n": "level", "v": number}]),
        unit => json!([{"n": "level", "u": unit, "v": number}]),
    }
}

fn position_payload(position: &str) -> Value {
    json!([{"n": "position", "vs": position}])
}

fn feed_payload(value: &str) -> Value {
    match value.strip_suffix(" V") {
        Some(volts) => {
            let volts: f64 = volts.parse().expect("a story's voltage is a number");
            json!([{"n": "voltage", "u": "V", "v": volts}])
        }
        None => json!([{"n": "feed", "vb": value == "on"}]),
    }
}

/// Adds, on a grid of `step`, the last value of every detector that has said one.
fn kept_up(subjects: &Subjects, lines: Vec<Line>, step: u64) -> Vec<Line> {
    let end = lines.last().map_or(0, |line| line.millis);
    let mut said: BTreeMap<String, Value> = BTreeMap::new();
    let mut all = Vec::new();
    let mut rest = lines.into_iter().peekable();
    let mut at = 0;
    while at <= end {
        let mut fresh = BTreeSet::new();
        while let Some(line) = rest.next_if(|line| line.millis <= at) {
            if let Some((id, value)) = &line.kept {
                if line.millis == at {
                    fresh.insert(id.clone());
                }
                match value {
                    Some(value) => said.insert(id.clone(), value.clone()),
                    None => said.remove(id),
                };
            }
            all.push(line);
        }
        for (id, value) in said.iter().filter(|(id, _)| !fresh.contains(*id)) {
            let topic = format!("{}/detector/{id}", subjects.prefix);
            all.push(message(at, &topic, value.clone()));
        }
        at += step;
    }
    all.extend(rest);
    all
}

fn written(lines: &[Line]) -> String {
    let mut text = String::new();
    for line in lines {
        let time = format!("{}.{:03}", line.millis / 1_000, line.millis % 1_000);
        match &line.body {
            Body::Verbatim(verbatim) => text.push_str(verbatim),
            Body::Nothing => text.push_str(&format!("{{\"t\":{time}}}")),
            Body::Object(keys) => {
                text.push_str(&format!("{{\"t\":{time}"));
                for (key, value) in keys {
                    text.push_str(&format!(",{}:{value}", json!(key)));
                }
                text.push('}');
            }
        }
        text.push('\n');
    }
    text
}
