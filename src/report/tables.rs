//! The tables of the report: detectors, points, trains, feeds, and what was left not at rest.
//!
//! Input: lanes and counts. Output: HTML.

use serde_json::Value;

use super::page::{self, Cell};
use super::{Session, duration};
use crate::engine::layout::{FeedRest, PointsRest};
use crate::wire::history_json::Point;

fn is<'a>(point: &'a Point, key: &str) -> Option<&'a str> {
    point.is.get(key).and_then(Value::as_str)
}

/// Each point of a lane with its end.
fn spans<'a>(
    session: &'a Session<'_>,
    lane: &'a [Point],
) -> impl Iterator<Item = (&'a Point, i64)> {
    lane.iter().enumerate().map(move |(index, point)| {
        let next = lane.get(index + 1);
        let end = next.map_or_else(|| session.span_ms(), |next| next.at);
        // What was so before a gap is not known to have been so in it.
        let gaps = session.lanes.gaps.iter();
        let gap = gaps
            .filter(|gap| gap.from >= point.at && gap.from < end)
            .map(|gap| gap.from);
        (point, gap.min().unwrap_or(end))
    })
}

/// Detector health, with drop-outs for each pass.
pub(super) fn detectors(session: &Session<'_>) -> String {
    let mut rows = Vec::new();
    for detector in &session.plan.layout.detectors {
        let Some(counted) = session.tally.detectors.get(&detector.id) else {
            continue;
        };
        let passes = counted.passes();
        let each = if passes == 0 {
            "–".to_owned()
        } else {
            format!("{:.2}", counted.dropouts as f64 / passes as f64)
        };
        let faults: Vec<String> = counted
            .faults
            .iter()
            .map(|(health, times)| format!("{health} {times}×"))
            .collect();
        let faults = if faults.is_empty() {
            "ok".to_owned()
        } else {
            faults.join(", ")
        };
        rows.push(vec![
            Cell::text(&detector.name),
            Cell::number(&passes.to_string()),
            Cell::number(&counted.dropouts.to_string()),
            Cell::number(&each),
            Cell::text(&faults),
        ]);
    }
    let says = "A drop-out is a loss of detection for a moment under a train: dirty track, a dirty \
                wheel, a beam out of line. More of them for each pass than on the others is where \
                to clean first.";
    let mut html = page::open("Detectors", says);
    let head = ["detector", "passes", "drop-outs", "for each pass", "health"];
    html.push_str(&page::table(&head, &rows));
    html.push_str(page::CLOSE);
    html
}

/// How often points were thrown, and how long they took.
pub(super) fn turnouts(session: &Session<'_>) -> String {
    let mut rows = Vec::new();
    for turnout in &session.plan.layout.turnouts {
        let Some(lane) = session.lanes.turnouts.get(&turnout.id) else {
            continue;
        };
        let (throws, motions) = motions(lane);
        let left: i64 = spans(session, lane)
            .filter(|(point, _)| is(point, "state") == Some("left-diverging"))
            .map(|(point, end)| end - point.at)
            .sum();
        let seconds = |ms: i64| format!("{:.1}", ms as f64 / 1e3);
        let mean = match i64::try_from(motions.len()) {
            Ok(count) if count > 0 => seconds(motions.iter().sum::<i64>() / count),
            _ => "–".to_owned(),
        };
        let longest = motions
            .iter()
            .max()
            .map_or("–".to_owned(), |ms| seconds(*ms));
        rows.push(vec![
            Cell::text(&turnout.name),
            Cell::number(&throws.to_string()),
            Cell::number(&mean),
            Cell::number(&longest),
            Cell::number(&duration(left)),
        ]);
    }
    let says = "A motion is timed from the report that the points move to the one that they have \
                arrived; points that report only where they are have none. One that grows from \
                session to session wants oil.";
    let mut html = page::open("Points", says);
    let head = [
        "points",
        "throws",
        "motion, mean s",
        "longest s",
        "left diverging",
    ];
    html.push_str(&page::table(&head, &rows));
    html.push_str(page::CLOSE);
    html
}

/// Throws from one end position to the other, and the times of the motions that were seen whole.
pub(super) fn motions(lane: &[Point]) -> (u64, Vec<i64>) {
    let (mut throws, mut motions) = (0, Vec::new());
    let (mut was, mut began) = (None, None);
    for point in lane {
        match is(point, "position") {
            Some("moving") => began = began.or(Some(point.at)),
            Some(position @ ("normal" | "reverse")) => {
                if was.is_some_and(|was| was != position) {
                    throws += 1;
                    motions.extend(began.map(|began: i64| point.at - began));
                }
                was = Some(position);
                began = None;
            }
            // Not known: where it went then, nobody saw.
            _ => began = None,
        }
    }
    (throws, motions)
}

/// The distance that each train ran.
pub(super) fn trains(session: &Session<'_>) -> String {
    let layout = &session.plan.layout;
    let mut rows = Vec::new();
    for (id, train) in &session.lanes.trains {
        let (mut mm, mut blocks, mut unknown) = (0.0, 0_u64, 0_u64);
        for step in train.track.iter().filter(|step| step.event == "entered") {
            let block = step.block.as_ref().and_then(|id| {
                let at = layout.blocks.binary_search_by(|block| block.id.cmp(id));
                layout.blocks.get(at.ok()?)
            });
            let Some(block) = block else { continue };
            blocks += 1;
            match block.length_mm {
                Some(length) => mm += length,
                None => unknown += 1,
            }
        }
        if blocks == 0 {
            continue;
        }
        let metres = format!("{:.1}", mm / 1e3);
        let scale = format!("{:.2}", mm * layout.scale_ratio / 1e6);
        let note = match unknown {
            0 => String::new(),
            some => format!("{some} blocks of a length that the plan does not say are not in it"),
        };
        rows.push(vec![
            Cell::text(train.name.as_deref().unwrap_or(id)),
            Cell::number(&blocks.to_string()),
            Cell::number(&metres),
            Cell::number(&scale),
            Cell::text(&note),
        ]);
    }
    let says = "Each block that a train entered counts with its length in the plan.";
    let mut html = page::open("Trains", says);
    html.push_str(&page::table(
        &["train", "blocks", "m", "scale km", ""],
        &rows,
    ));
    html.push_str(page::CLOSE);
    html
}

/// How long each feed was on.
pub(super) fn feeds(session: &Session<'_>) -> String {
    let mut rows = Vec::new();
    for feed in &session.plan.layout.feeds {
        let Some(lane) = session.lanes.feeds.get(&feed.id) else {
            continue;
        };
        let (mut on, mut unknown) = (0, 0);
        for (point, end) in spans(session, lane) {
            match point.is.get("on").and_then(Value::as_bool) {
                Some(true) => on += end - point.at,
                Some(false) => {}
                None => unknown += end - point.at,
            }
        }
        let failed = |point: &Point| point.is.get("failed") == Some(&Value::Bool(true));
        let trips = lane
            .windows(2)
            .filter(|two| !failed(&two[0]) && failed(&two[1]));
        rows.push(vec![
            Cell::text(&feed.name),
            Cell::number(&duration(on)),
            Cell::number(&duration(unknown)),
            Cell::number(&trips.count().to_string()),
        ]);
    }
    let mut html = page::open(
        "Power",
        "How long each feed was on, and how often it failed.",
    );
    html.push_str(&page::table(&["feed", "on", "not known", "failed"], &rows));
    html.push_str(page::CLOSE);
    html
}

/// What was not as it should be left, and where every train stood.
pub(super) fn not_at_rest(session: &Session<'_>) -> String {
    let mut html = page::open("At the end", "");
    let Some(end) = session.end else {
        html.push_str("<p>Nothing is known of the end.</p>");
        html.push_str(page::CLOSE);
        return html;
    };
    let layout = &session.plan.layout;
    let text = |kind: &str, id: &str, key: &str| {
        let record = end.record(kind, id);
        let record = record.unwrap_or_default();
        let word = record.get(key).and_then(Value::as_str);
        word.unwrap_or("unknown").to_owned()
    };
    let mut rows: Vec<(String, String)> = Vec::new();
    for turnout in &layout.turnouts {
        let position = text("turnout", &turnout.id, "position");
        if turnout.rest == PointsRest::Normal && position != "normal" {
            rows.push((turnout.name.clone(), format!("points {position}")));
        }
    }
    for table in &layout.tables {
        let position = text("table", &table.id, "position");
        let rest = table.rest.and_then(|rest| table.stops.get(rest));
        if let Some(rest) = rest.filter(|rest| rest.at != position) {
            rows.push((
                table.name.clone(),
                format!("at {position}, rest is {}", rest.at),
            ));
        }
    }
    for feed in &layout.feeds {
        let record = end.record("feed", &feed.id).unwrap_or_default();
        let on = record.get("on").and_then(Value::as_bool);
        match (feed.rest, on) {
            (FeedRest::Off, Some(true)) => rows.push((feed.name.clone(), "left on".into())),
            (FeedRest::On, Some(false)) => rows.push((feed.name.clone(), "left off".into())),
            (FeedRest::Off | FeedRest::On, None) => {
                rows.push((feed.name.clone(), "not known".into()));
            }
            _ => {}
        }
    }
    let rows: Vec<Vec<Cell>> = rows
        .iter()
        .map(|(item, how)| vec![Cell::text(item), Cell::text(how)])
        .collect();
    html.push_str("<h3>Not at rest</h3>");
    if rows.is_empty() {
        html.push_str("<p>Everything was at rest.</p>");
    } else {
        html.push_str(&page::table(&["item", "how it was left"], &rows));
    }
    html.push_str(&standing(session, end));
    html.push_str(page::CLOSE);
    html
}

/// Where every train stood.
fn standing(session: &Session<'_>, end: &crate::wire::journal_json::Whole) -> String {
    let name_of = |id: &str| {
        let blocks = &session.plan.layout.blocks;
        let at = blocks.binary_search_by(|block| block.id.as_str().cmp(id));
        at.ok()
            .map_or_else(|| id.to_owned(), |at| blocks[at].name.clone())
    };
    let rows: Vec<Vec<Cell>> = end
        .items("train")
        .map(|(id, record)| {
            let name = record.get("name").and_then(Value::as_str).unwrap_or(id);
            let places = record.get("blocks").and_then(Value::as_array);
            let places: Vec<String> = places
                .into_iter()
                .flatten()
                .filter_map(|place| place.as_str().map(name_of))
                .collect();
            vec![Cell::text(name), Cell::text(&places.join(", "))]
        })
        .collect();
    if rows.is_empty() {
        return "<h3>Trains</h3><p>No train was known.</p>".to_owned();
    }
    let table = page::table(&["train", "where it stood, tail to head"], &rows);
    format!("<h3>Trains</h3>{table}")
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn throws_and_motions() {
        let lane: Vec<Point> = [
            (0, "normal"),
            (1_000, "moving"),
            (3_500, "reverse"),
            (9_000, "moving"),
            (9_400, "reverse"),
            (20_000, "normal"),
            (30_000, "unknown"),
            (31_000, "reverse"),
        ]
        .iter()
        .map(|(at, position)| Point {
            at: *at,
            is: json!({"position": position, "state": "free"})
                .as_object()
                .expect("an object")
                .clone(),
        })
        .collect();
        // It went over and came back; back to where it was is no throw; nobody timed the last two.
        assert_eq!(motions(&lane), (3, vec![2_500]));
    }
}
