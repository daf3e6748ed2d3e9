//! The past as JSON: lanes of states over time, events, and CSV.
//!
//! Inputs: rows of the journal with their time, and whole states to begin from. Outputs: the shapes
//! of `/api/v1/history` (a lane is a list of points, the first at the beginning of the range), and
//! lines for programs that read tables. It knows no database and no clock.

use std::collections::BTreeMap;

use serde::Serialize;
use serde_json::{Map, Value, json};

use super::journal_json::Whole;

/// Alarms of one answer at most; nobody draws more.
const ALARMS_MAX: usize = 2_000;

/// Lanes over a range of time.
#[derive(Clone, Debug, Default, Serialize)]
pub struct Lanes {
    /// RFC 3339.
    pub from: String,
    /// RFC 3339.
    pub to: String,
    /// Changes closer than this to the one before are merged into it; 0: none are.
    pub step_ms: i64,
    /// The range is long: states at some moments only, `step_ms` apart.
    pub sampled: bool,
    /// State and what is kept.
    pub blocks: BTreeMap<String, Vec<Point>>,
    /// Position and state.
    pub turnouts: BTreeMap<String, Vec<Point>>,
    /// Position and state.
    pub tables: BTreeMap<String, Vec<Point>>,
    /// On, live, failed.
    pub feeds: BTreeMap<String, Vec<Point>>,
    /// Where each train was.
    pub trains: BTreeMap<String, Track>,
    /// From when to when each alarm's condition lasted.
    pub alarms: Vec<AlarmSpan>,
    /// When nothing was written down.
    pub gaps: Vec<Gap>,
    #[serde(skip)]
    open: BTreeMap<String, usize>,
}

/// A moment of a lane, in milliseconds from the beginning of the range, and what is so from then.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Point {
    /// Milliseconds.
    pub at: i64,
    /// The lane's keys.
    #[serde(flatten)]
    pub is: Map<String, Value>,
}

/// A train.
#[derive(Clone, Debug, Default, Serialize)]
pub struct Track {
    /// Given by the operator.
    pub name: Option<String>,
    /// What it did.
    pub track: Vec<Passing>,
}

/// What a train did.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Passing {
    /// Milliseconds.
    pub at: i64,
    /// `entered`, ...; `here` at the beginning.
    pub event: String,
    /// The place that it is about.
    pub block: Option<String>,
    /// What it holds now, tail to head.
    pub blocks: Vec<String>,
}

/// An alarm, as long as its condition lasted.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct AlarmSpan {
    /// `type:subject`.
    pub id: String,
    /// Its type.
    #[serde(rename = "type")]
    pub kind: String,
    /// Its subject.
    pub subject: String,
    /// The highest in that time.
    pub priority: String,
    /// Milliseconds; before the range where negative.
    pub from: i64,
    /// Milliseconds; null while it lasts.
    pub to: Option<i64>,
    /// One sentence.
    pub text: String,
}

/// Nothing was written down.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct Gap {
    /// Milliseconds.
    pub from: i64,
    /// Milliseconds.
    pub to: i64,
}

/// Keys of a lane's points.
const BLOCK: [&str; 2] = ["state", "kept"];
const POINTS: [&str; 2] = ["position", "state"];
const FEED: [&str; 3] = ["on", "live", "failed"];

impl Lanes {
    /// Empty ones.
    #[must_use]
    pub fn new(from: String, to: String, step_ms: i64) -> Self {
        Self {
            from,
            to,
            step_ms,
            ..Self::default()
        }
    }

    /// A whole state: where the range begins, where a run begins, and at each sample.
    pub fn whole(&mut self, at: i64, boot_ms: i64, whole: &Whole) {
        for (kind, keys) in [
            ("block", &BLOCK[..]),
            ("turnout", &POINTS),
            ("table", &POINTS),
            ("feed", &FEED),
        ] {
            for (id, record) in whole.items(kind) {
                self.point(kind, id, at, keys, &record);
            }
        }
        for (id, record) in whole.items("train") {
            let track = self.trains.entry(id.clone()).or_default();
            let name = record.get("name").and_then(Value::as_str);
            track.name = name.map(str::to_owned);
            let blocks = texts(record.get("blocks"));
            if track.track.last().is_none_or(|last| last.blocks != blocks) {
                let (event, block) = ("here".to_owned(), None);
                track.track.push(Passing {
                    at,
                    event,
                    block,
                    blocks,
                });
            }
        }
        let gone: Vec<String> = self
            .trains
            .iter()
            .filter(|(id, track)| {
                let there = track.track.last().is_some_and(|last| last.event != "gone");
                there && whole.record("train", id).is_none()
            })
            .map(|(id, _)| id.clone())
            .collect();
        for id in gone {
            self.passing(&id, at, &json!({"event": "gone", "blocks": []}));
        }
        let up: Vec<String> = self.open.keys().cloned().collect();
        for id in up {
            let record = whole.record("alarm", &id);
            if record.is_none_or(|record| !lasts(&record)) {
                self.close(&id, at);
            }
        }
        for (id, record) in whole.items("alarm") {
            if lasts(&record) {
                let since = record.get("since").and_then(Value::as_f64).unwrap_or(0.0);
                let ago = boot_ms.saturating_sub((since * 1e3).round() as i64);
                self.raise(id, at.saturating_sub(ago.max(0)), &record);
            }
        }
    }

    /// A change.
    pub fn change(&mut self, kind: &str, id: &str, at: i64, body: &Value) {
        let Some(keys) = body.as_object() else { return };
        match kind {
            "block" => self.point(kind, id, at, &BLOCK, keys),
            "turnout" | "table" => self.point(kind, id, at, &POINTS, keys),
            "feed" => self.point(kind, id, at, &FEED, keys),
            "train" => self.passing(id, at, body),
            "alarm" if lasts(keys) => self.raise(id, at, keys),
            "alarm" => self.close(id, at),
            _ => {}
        }
    }

    /// A difference: only a train's name is drawn.
    pub fn difference(&mut self, kind: &str, id: &str, patch: &Value) {
        if kind == "train"
            && let Some(name) = patch.get("name")
        {
            let track = self.trains.entry(id.to_owned()).or_default();
            track.name = name.as_str().map(str::to_owned);
        }
    }

    /// Nothing was written down from here to there; what lasted before is not known to last.
    pub fn gap(&mut self, from: i64, to: i64) {
        self.gaps.push(Gap { from, to });
    }

    /// The newest alarms, where there are too many to be drawn.
    pub fn end(&mut self) {
        let over = self.alarms.len().saturating_sub(ALARMS_MAX);
        self.alarms.drain(..over);
        self.open.clear();
    }

    fn point(&mut self, kind: &str, id: &str, at: i64, keys: &[&str], from: &Map<String, Value>) {
        let is: Map<String, Value> = keys
            .iter()
            .map(|key| {
                let value = from.get(*key).cloned().unwrap_or(Value::Null);
                ((*key).to_owned(), value)
            })
            .collect();
        let lanes = match kind {
            "block" => &mut self.blocks,
            "turnout" => &mut self.turnouts,
            "table" => &mut self.tables,
            _ => &mut self.feeds,
        };
        let lane = lanes.entry(id.to_owned()).or_default();
        if lane.last().is_some_and(|last| last.is == is) {
            return;
        }
        if let Some(last) = lane.last_mut()
            && at.saturating_sub(last.at) < self.step_ms
        {
            last.is = is;
            // Back to what it was before: then nothing has happened that is to be drawn.
            if let [.., before, last] = &lane[..]
                && before.is == last.is
            {
                lane.pop();
            }
            return;
        }
        lane.push(Point { at, is });
    }

    fn passing(&mut self, id: &str, at: i64, body: &Value) {
        let text = |key: &str| body.get(key).and_then(Value::as_str).map(str::to_owned);
        let track = self.trains.entry(id.to_owned()).or_default();
        track.track.push(Passing {
            at,
            event: text("event").unwrap_or_default(),
            block: text("block"),
            blocks: texts(body.get("blocks")),
        });
    }

    fn raise(&mut self, id: &str, at: i64, from: &Map<String, Value>) {
        let text = |key: &str| {
            let text = from.get(key).and_then(Value::as_str);
            text.unwrap_or_default().to_owned()
        };
        if let Some(span) = self.open.get(id).and_then(|at| self.alarms.get_mut(*at)) {
            if rank(&text("priority")) > rank(&span.priority) {
                span.priority = text("priority");
                span.text = text("text");
            }
            return;
        }
        let (kind, subject) = id.split_once(':').unwrap_or((id, ""));
        self.open.insert(id.to_owned(), self.alarms.len());
        self.alarms.push(AlarmSpan {
            id: id.to_owned(),
            kind: kind.to_owned(),
            subject: subject.to_owned(),
            priority: text("priority"),
            from: at,
            to: None,
            text: text("text"),
        });
    }

    fn close(&mut self, id: &str, at: i64) {
        if let Some(index) = self.open.remove(id)
            && let Some(span) = self.alarms.get_mut(index)
        {
            span.to = Some(at);
        }
    }
}

/// Whether an alarm's condition lasts, by its state: a shelved one may, and missing data never ends
/// an alarm.
fn lasts(record: &Map<String, Value>) -> bool {
    if let Some(active) = record.get("active").and_then(Value::as_bool) {
        return active;
    }
    let state = record.get("state").and_then(Value::as_str).unwrap_or("");
    !matches!(
        state,
        "normal" | "returned-unacknowledged" | "latched-unacknowledged" | "latched-acknowledged"
    )
}

fn rank(priority: &str) -> u8 {
    match priority {
        "high" => 3,
        "medium" => 2,
        "low" => 1,
        _ => 0,
    }
}

fn texts(value: Option<&Value>) -> Vec<String> {
    let list = value.and_then(Value::as_array).into_iter().flatten();
    list.filter_map(|text| text.as_str().map(str::to_owned))
        .collect()
}

/// A row as an event: a change's line with its number, its moment and its boot in front.
#[must_use]
pub fn event(seq: i64, at: &str, boot: i64, kind: &str, id: &str, body: &str) -> Value {
    let mut line = Map::new();
    line.insert("seq".into(), json!(seq));
    line.insert("at".into(), json!(at));
    line.insert("boot".into(), json!(boot));
    line.insert("kind".into(), json!(kind));
    line.insert("id".into(), json!(id));
    if kind == "alarm"
        && let Some((kind, subject)) = id.split_once(':')
    {
        line.insert("type".into(), json!(kind));
        line.insert("subject".into(), json!(subject));
    }
    let body: Map<String, Value> = serde_json::from_str(body).unwrap_or_default();
    line.extend(body);
    Value::Object(line)
}

/// The first line of a table of events.
pub const CSV_HEAD: &str = "seq,at,boot,kind,id,was,state,position,event,block,on,live,failed,\
                            priority,act,who,why,text\r\n";

/// An event as a line of that table (RFC 4180).
#[must_use]
pub fn csv_line(event: &Value) -> String {
    let mut line = String::new();
    for key in CSV_HEAD.trim_end().split(',') {
        if !line.is_empty() {
            line.push(',');
        }
        let field = match event.get(key) {
            None | Some(Value::Null) => String::new(),
            // A state without one is its health, for detectors.
            Some(Value::String(text)) => text.clone(),
            Some(other) => other.to_string(),
        };
        let field = match (key, &field[..], event.get("health")) {
            ("state", "", Some(Value::String(health))) => health.clone(),
            _ => field,
        };
        line.push_str(&quoted(&field));
    }
    line.push_str("\r\n");
    line
}

/// A field, quoted where it must be. What a table program would take for a formula is text.
fn quoted(field: &str) -> String {
    let guarded = if field.starts_with(['=', '+', '-', '@']) && field.parse::<f64>().is_err() {
        format!("'{field}")
    } else {
        field.to_owned()
    };
    if guarded.contains([',', '"', '\n', '\r']) {
        format!("\"{}\"", guarded.replace('"', "\"\""))
    } else {
        guarded
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_lane_begins_with_what_was_and_merges_what_is_close() {
        let mut whole = Whole::default();
        whole.patch("block", "b1", &json!({"state": "vacant"}));
        let change = |state: &str| json!({"was": "", "state": state, "kept": null});
        for (step, points) in [(0, 4), (1_000, 2)] {
            let mut lanes = Lanes::new(String::new(), String::new(), step);
            lanes.whole(0, 0, &whole);
            lanes.change("block", "b1", 5_000, &change("occupied"));
            lanes.change("block", "b1", 5_400, &change("unknown"));
            lanes.change("block", "b1", 5_900, &change("occupied"));
            let lane = &lanes.blocks["b1"];
            assert_eq!(lane.len(), points, "{lane:?}");
            assert_eq!(lane[0].is["state"], "vacant");
            assert_eq!(lane[points - 1].is["state"], "occupied");
        }
    }

    #[test]
    fn an_alarm_lasts_until_its_condition_ends() {
        let mut lanes = Lanes::default();
        let line = |state: &str, priority: &str| json!({"state": state, "priority": priority});
        lanes.change("alarm", "short:b1", 10, &line("unacknowledged", "low"));
        lanes.change("alarm", "short:b1", 20, &line("acknowledged", "high"));
        lanes.change("alarm", "short:b1", 30, &line("normal", "high"));
        lanes.change("alarm", "short:b1", 40, &line("unacknowledged", "low"));
        let spans: Vec<_> = lanes
            .alarms
            .iter()
            .map(|a| (a.from, a.to, &a.priority[..]))
            .collect();
        assert_eq!(spans, [(10, Some(30), "high"), (40, None, "low")]);
        assert_eq!(
            (&lanes.alarms[0].kind[..], &lanes.alarms[0].subject[..]),
            ("short", "b1")
        );
    }

    /// RFC 4180, section 2, rules 5 to 7: quotes around what has commas, quotes or line breaks, and
    /// a quote doubled.
    #[test]
    fn fields_are_quoted_as_the_standard_says() {
        let event = json!({"seq": 1, "why": "a \"b\", c", "text": "=SUM(1)", "id": "b-1"});
        let line = csv_line(&event);
        assert!(line.ends_with(",\"a \"\"b\"\", c\",'=SUM(1)\r\n"), "{line}");
        assert_eq!(line.matches(',').count(), CSV_HEAD.matches(',').count() + 1);
    }
}
