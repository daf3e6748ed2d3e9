//! What must come of a story, one expectation a line.
//!
//! ```text
//! 14.5 block b occupied                  this change, within 2 ms
//! ~14.5 turnout w1 cleared               within 200 ms
//! 14.0..16.5 turnout w1 position=reverse between the two
//! never block b vacant                   nowhere in the output
//! once alarm train-lost:b unacknowledged exactly one such change
//! between 5 and 20: no turnout w1 cleared
//! between 5 and 20: alarm short:b high   at least one such change
//! at 20: block b occupied                the last change of that item says so
//! at 20: train t1 in a,b                 tail to head
//! end block c dark kept=occupied         in the end's snapshot
//! end no alarm train-lost:a              not listed there (or normal)
//! end trains 2
//! end ready false
//! end exception w1 stops                 of the line-up; `end no exception w1`
//! exit 1                                 otherwise 0
//! stderr 7                               standard error holds this word or number
//! ```
//!
//! Words after an id are compared with what became of the item; for an alarm also with its
//! priority, for a train with the place, for a feed with `on`, `off`, `live`, `dead`, `failed`.
//! `key=value`, `key!=value`, `key=95..105` and `key~part` look at the keys of the contract,
//! sections 4 and 6 (`ahead.what=no-road` goes inside, `|` stands for a blank); `*` is any id,
//! `short:*` any that begins so.

use serde_json::Value;

use crate::replay::{Output, state_key};

/// The expectations that are not met.
pub fn unmet(expected: &str, output: &Output) -> Vec<String> {
    let mut unmet = Vec::new();
    let mut exit = 0;
    for line in expected.lines() {
        let line = line.split(" # ").next().unwrap_or("").trim();
        if line.is_empty() || line.starts_with('#') {
            continue;
        }
        if let Some(code) = line.strip_prefix("exit ") {
            exit = code.parse().expect("`exit CODE`");
        } else if let Some(reason) = failure(line, output) {
            unmet.push(format!("  {line}   <- {reason}"));
        }
    }
    if output.exit != exit {
        unmet.push(format!("  exit {exit}   <- it was {}", output.exit));
    }
    unmet
}

/// Why a line is not met; `None` where it is.
fn failure(line: &str, output: &Output) -> Option<String> {
    let (first, rest) = line.split_once(' ').unwrap_or((line, ""));
    match first {
        "never" => forbidden(output, rest, 0.0, f64::INFINITY),
        "once" => {
            let pattern = Pattern::read(rest);
            let count = output
                .changes
                .iter()
                .filter(|change| pattern.meets(change))
                .count();
            (count != 1).then(|| format!("it happened {count} times"))
        }
        "between" => between(output, rest),
        "at" => {
            let (time, rest) = rest.split_once(": ").expect("`at T: item`");
            as_of(output, seconds(time), rest)
        }
        "end" => at_end(output, rest),
        "stderr" => {
            let apart = |c: char| !c.is_alphanumeric() && c != '_';
            let said = output.errors.split(apart).any(|word| word == rest);
            (!said).then(|| "standard error does not say it".to_owned())
        }
        time => {
            let (from, to) = window(time);
            let pattern = Pattern::read(rest);
            let met = output
                .changes
                .iter()
                .any(|c| within(c, from, to) && pattern.meets(c));
            (!met).then(|| nearest(output, &pattern))
        }
    }
}

fn nearest(output: &Output, pattern: &Pattern) -> String {
    let times: Vec<String> = output
        .changes
        .iter()
        .filter(|change| pattern.meets(change))
        .map(|change| word(&change["t"]))
        .collect();
    if times.is_empty() {
        "it never happened".to_owned()
    } else {
        format!("at {}", times.join(", "))
    }
}

fn between(output: &Output, text: &str) -> Option<String> {
    let (span, rest) = text.split_once(": ").expect("`between A and B: ...`");
    let (from, to) = span.split_once(" and ").expect("`between A and B: ...`");
    let (from, to) = (seconds(from), seconds(to));
    match rest.strip_prefix("no ") {
        Some(rest) => forbidden(output, rest, from, to),
        None => {
            let pattern = Pattern::read(rest);
            let met = output
                .changes
                .iter()
                .any(|c| within(c, from, to) && pattern.meets(c));
            (!met).then(|| nearest(output, &pattern))
        }
    }
}

fn forbidden(output: &Output, text: &str, from: f64, to: f64) -> Option<String> {
    let pattern = Pattern::read(text);
    let found = output
        .changes
        .iter()
        .find(|c| within(c, from, to) && pattern.meets(c));
    found.map(|change| format!("it happened at {}", change["t"]))
}

fn seconds(text: &str) -> f64 {
    text.parse()
        .unwrap_or_else(|_| panic!("an expectation's time is a number, not '{text}'"))
}

fn window(text: &str) -> (f64, f64) {
    if let Some((from, to)) = text.split_once("..") {
        return (seconds(from) - 0.002, seconds(to) + 0.002);
    }
    let (middle, half) = match text.strip_prefix('~') {
        Some(text) => (seconds(text), 0.2),
        None => (seconds(text), 0.002),
    };
    (middle - half, middle + half)
}

fn within(change: &Value, from: f64, to: f64) -> bool {
    // A time of three decimals is not exact in binary: a tenth of a step on either side.
    change["t"]
        .as_f64()
        .is_some_and(|time| time >= from - 1e-4 && time <= to + 1e-4)
}

/// A value as an expectation writes it.
pub fn word(value: &Value) -> String {
    match value {
        Value::String(text) => text.clone(),
        Value::Array(list) => list.iter().map(word).collect::<Vec<_>>().join(","),
        value => value.to_string(),
    }
}

/// A change that is looked for.
struct Pattern {
    kind: String,
    id: String,
    words: Vec<String>,
}

impl Pattern {
    fn read(text: &str) -> Self {
        let mut parts = text.split_whitespace().map(str::to_owned);
        let kind = parts.next().expect("an expectation names a kind");
        let known = [
            "block", "turnout", "table", "feed", "detector", "train", "alarm",
        ];
        assert!(
            known.contains(&kind.as_str()),
            "'{kind}' is no kind of change, in '{text}'"
        );
        let id = parts.next().unwrap_or_else(|| "*".to_owned());
        Self {
            kind,
            id,
            words: parts.filter(|word| word != "*").collect(),
        }
    }

    fn meets(&self, change: &Value) -> bool {
        change["kind"] == self.kind.as_str()
            && match self.id.strip_suffix('*') {
                Some(beginning) => word(&change["id"]).starts_with(beginning),
                None => change["id"] == self.id.as_str(),
            }
            && self.words.iter().all(|word| says(&self.kind, change, word))
            && (self.speaks_of_more_than_state() || change["was"] != change["state"] || {
                // A feed and a train have no `was`; a health change has no `state`.
                change["was"].is_null() || change["state"].is_null()
            })
    }

    /// A turnout or table is also reported when only its position changed, a block when only what
    /// is kept: such a line is no change of state, and is found only by a pattern that asks for
    /// the position, or for nothing but what is kept.
    fn speaks_of_more_than_state(&self) -> bool {
        self.kind == "alarm"
            || self.words.iter().any(|word| word.starts_with("position"))
            || matches!(self.words.as_slice(), [word] if word.starts_with("kept="))
    }
}

/// Whether a change or a record says one word of an expectation.
fn says(kind: &str, change: &Value, text: &str) -> bool {
    if let Some((key, value)) = text.split_once("!=") {
        return !equals(at_path(change, key), value);
    }
    if let Some((key, value)) = text.split_once('=') {
        return equals(at_path(change, key), value);
    }
    if let Some((key, part)) = text.split_once('~') {
        return word(at_path(change, key)).contains(&part.replace('|', " "));
    }
    match (kind, text) {
        ("feed", "on") => change["on"] == true,
        ("feed", "off") => change["on"] == false,
        ("feed", "live") => change["live"] == true,
        ("feed", "dead") => change["live"] == false,
        ("feed", "failed") => change["failed"] == true,
        ("alarm", "active") => {
            matches!(
                change["state"].as_str(),
                Some("unacknowledged" | "acknowledged")
            )
        }
        ("alarm", _) => change["state"] == text || change["priority"] == text,
        ("train", _) => change["event"] == text || change["block"] == text,
        ("detector", _) => change["health"] == text || change["evidence"] == text,
        _ => change[state_key(kind)] == text,
    }
}

/// Whether a value is what an expectation writes: a word, a number, or a range `95..105`.
fn equals(found: &Value, wanted: &str) -> bool {
    if let (Some(number), Some((from, to))) = (found.as_f64(), wanted.split_once("..")) {
        return number >= seconds(from) && number <= seconds(to);
    }
    match (found.as_f64(), wanted.parse::<f64>()) {
        (Some(number), Ok(wanted)) => (number - wanted).abs() < 1e-6,
        _ => word(found) == wanted.replace('|', " "),
    }
}

fn at_path<'a>(record: &'a Value, path: &str) -> &'a Value {
    path.split('.')
        .fold(record, |value, key| match key.parse::<usize>() {
            Ok(index) => &value[index],
            Err(_) => &value[key],
        })
}

/// The state of an item at a moment, from the changes until then.
fn as_of(output: &Output, time: f64, text: &str) -> Option<String> {
    let pattern = Pattern::read(text);
    let last = output.changes.iter().rfind(|change| {
        within(change, 0.0, time)
            && change["kind"] == pattern.kind.as_str()
            && change["id"] == pattern.id.as_str()
    });
    if pattern.kind == "train"
        && let [first, places] = pattern.words.as_slice()
        && first == "in"
    {
        let blocks = last.map_or(String::new(), |change| word(&change["blocks"]));
        return (blocks != *places).then(|| format!("it is in '{blocks}'"));
    }
    let unheard = match pattern.kind.as_str() {
        "alarm" => serde_json::json!({"state": "normal"}),
        "detector" => serde_json::json!({"health": "ok"}),
        _ => serde_json::json!({"state": "unknown", "position": "unknown", "kept": null}),
    };
    let record = last.unwrap_or(&unheard);
    let wrong = pattern
        .words
        .iter()
        .find(|word| !says(&pattern.kind, record, word))?;
    Some(format!("not {wrong}: {record}"))
}

fn at_end(output: &Output, text: &str) -> Option<String> {
    let end = &output.end;
    if let Some(text) = text.strip_prefix("no ") {
        if let Some(rest) = text.strip_prefix("exception ") {
            let found = exception(end, rest);
            return found.map(|exception| format!("listed: {exception}"));
        }
        let pattern = Pattern::read(text);
        let record = &end[format!("{}s", pattern.kind)][&pattern.id];
        let gone = record.is_null() || record["state"] == "normal";
        let differs = pattern
            .words
            .iter()
            .any(|word| !says(&pattern.kind, record, word));
        return (!gone && !differs).then(|| record.to_string());
    }
    let (first, rest) = text.split_once(' ').unwrap_or((text, ""));
    match first {
        "trains" => {
            let count = end["trains"].as_object().map_or(0, serde_json::Map::len);
            (count.to_string() != rest).then(|| format!("there are {count}"))
        }
        "ready" => {
            let ready = &end["line_up"]["ready"];
            (word(ready) != rest).then(|| format!("ready is {ready}: {}", end["line_up"]))
        }
        "exception" => exception(end, rest)
            .is_none()
            .then(|| format!("listed is {}", end["line_up"])),
        _ => {
            let pattern = Pattern::read(text);
            let record = &end[format!("{}s", pattern.kind)][&pattern.id];
            if record.is_null() {
                return Some("not in the snapshot".to_owned());
            }
            let wrong = pattern
                .words
                .iter()
                .find(|word| !says(&pattern.kind, record, word))?;
            Some(format!("not {wrong}: {record}"))
        }
    }
}

/// `ID [stops|note] [part of the text]`
fn exception(end: &Value, text: &str) -> Option<Value> {
    let mut parts = text.splitn(3, ' ');
    let id = parts.next().unwrap_or("");
    let level = parts.next().unwrap_or("");
    let part = parts.next().unwrap_or("");
    let list = end["line_up"]["exceptions"].as_array()?;
    let found = list.iter().find(|exception| {
        exception["id"] == id
            && (level.is_empty() || exception["level"] == level)
            && word(&exception["text"]).contains(part)
    });
    found.cloned()
}

#[cfg(test)]
mod tests {
    //! The judge itself must be able to say no.

    use serde_json::json;

    use super::*;

    fn output() -> Output {
        Output {
            changes: vec![
                json!({"t": 1.5, "kind": "block", "id": "p1", "was": "unknown", "state": "vacant",
                       "kept": null}),
                json!({"t": 5.0, "kind": "turnout", "id": "w1", "position": "reverse",
                       "was": "free", "state": "free"}),
                json!({"t": 9.0, "kind": "train", "id": "t1", "event": "entered", "block": "p2",
                       "blocks": ["p1", "p2"]}),
            ],
            end: json!({
                "blocks": {"p1": {"state": "vacant", "kept": null, "since": 1.5}},
                "trains": {"t1": {"blocks": ["p1", "p2"], "ahead": {"what": "no-road"}}},
                "alarms": {},
                "line_up": {"ready": false,
                            "exceptions": [{"id": "w1", "level": "stops",
                                            "text": "set diverging"}]},
            }),
            bytes: Vec::new(),
            errors: "story.jsonl:7: no".to_owned(),
            exit: 0,
            broken: Vec::new(),
        }
    }

    #[test]
    fn what_holds_is_met() {
        let expected = "1.5 block p1 vacant was=unknown kept=null
            ~1.6 block p1 vacant
            1..2 block p1 vacant
            never block p1 occupied
            once train t1 entered p2
            5.0 turnout w1 position=reverse
            between 2 and 9: train t1 blocks=p1,p2
            between 2 and 9: no block p1
            at 3: block p1 vacant
            at 1: block p1 unknown
            at 9: train t1 in p1,p2
            end block p1 vacant since=1..2
            end train t1 ahead.what=no-road
            end no alarm short:p1
            end trains 1
            end ready false
            end exception w1 stops diverging
            stderr 7";
        assert_eq!(unmet(expected, &output()), Vec::<String>::new());
    }

    #[test]
    fn what_does_not_hold_is_named() {
        let wrong = [
            "1.503 block p1 vacant",
            "1.5 block p1 vacant was=occupied",
            "never block p1 vacant",
            "never train *",
            "once block p1 occupied",
            "5.0 turnout w1 free", // only its position changed
            "between 2 and 9: block p1",
            "between 1 and 2: no block p1 *",
            "at 3: block p1 occupied",
            "at 8: train t1 in p1,p2",
            "end block p1 occupied",
            "end block p2 vacant",
            "end train t1 ahead.what=occupied-ahead",
            "end no train t1",
            "end trains 2",
            "end ready true",
            "end exception w1 note",
            "end no exception w1",
            "stderr 8",
            "exit 1",
        ];
        for line in wrong {
            assert_eq!(unmet(line, &output()).len(), 1, "{line}");
        }
    }
}
