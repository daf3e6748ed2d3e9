//! The strip chart: every place over the time of the session.
//!
//! Input: lanes. Output: SVG. The form of a bar says the state: full is occupied, an open frame is
//! lost, half is dark (filled where it was occupied before), a dotted line is unknown, a thin line
//! is vacant.

use plotters::prelude::*;
use serde_json::Value;

use super::Session;
use super::chart::{FAINT, GREY, INK_BLUE, LEFT, Sheet, VERMILLION, WIDTH};
use crate::wire::history_json::Point;

/// What the chart's forms mean.
pub(super) const CAPTION: &str = "Full bar: occupied. Open frame: lost. Half bar: dark, filled \
    where a train was remembered. Dotted: unknown. Thin line: vacant. Hatched grey: nothing was \
    written down.";
/// Height of a lane.
const LANE: i32 = 20;
/// Height of a full bar.
const BAR: i32 = 14;
/// Height of a heading.
const HEAD: i32 = 24;

/// Draws it.
pub(super) fn svg(session: &Session<'_>) -> String {
    let layout = &session.plan.layout;
    let mut lines: Vec<Option<&str>> = layout.blocks.iter().map(|b| b.line.as_deref()).collect();
    lines.sort_unstable();
    lines.dedup();
    let heads = i32::try_from(lines.len()).unwrap_or(0);
    let lanes = i32::try_from(layout.blocks.len()).unwrap_or(0);
    let height = HEAD * heads + LANE * lanes + 4;
    let mut text = String::new();
    let sheet = Sheet::new(&mut text, height, session.span_ms());
    gaps(session, &sheet, height);
    let mut y = 0;
    for line in lines {
        sheet.text(line.unwrap_or("Beside the lines"), (0, y + 6), 14);
        y += HEAD;
        for block in layout.blocks.iter().filter(|b| b.line.as_deref() == line) {
            sheet.name(&block.name, y + 3);
            sheet.line(
                vec![(LEFT, y + LANE), (WIDTH, y + LANE)],
                FAINT.stroke_width(1),
            );
            if let Some(points) = session.drawn.blocks.get(&block.id) {
                lane(session, &sheet, y + 3, points);
            }
            y += LANE;
        }
    }
    sheet.finish(session);
    text
}

fn gaps(session: &Session<'_>, sheet: &Sheet<'_>, height: i32) {
    for gap in &session.lanes.gaps {
        let (from, to) = (sheet.x(gap.from), sheet.x(gap.to));
        sheet.bar((from, 0), (to, height), FAINT.filled());
        for x in (from..to).step_by(8) {
            let end = (x + 8).min(to);
            sheet.line(vec![(x, height), (end, 0)], GREY.stroke_width(1));
        }
    }
}

fn lane(session: &Session<'_>, sheet: &Sheet<'_>, y: i32, points: &[Point]) {
    for (index, point) in points.iter().enumerate() {
        let next = points.get(index + 1);
        let end = next.map_or_else(|| session.span_ms(), |next| next.at);
        // Over a gap nothing is known.
        let gap = session
            .lanes
            .gaps
            .iter()
            .find(|gap| gap.from >= point.at && gap.from < end);
        let end = gap.map_or(end, |gap| gap.from);
        let text = |key: &str| point.is.get(key).and_then(Value::as_str).unwrap_or("");
        let across = (sheet.x(point.at), sheet.x(end));
        bar(sheet, y, across, text("state"), text("kept"));
    }
}

fn bar(sheet: &Sheet<'_>, y: i32, (from, to): (i32, i32), state: &str, kept: &str) {
    let (top, bottom) = (y, y + BAR);
    match state {
        "occupied" => sheet.bar((from, top), (to, bottom), INK_BLUE.filled()),
        "lost" => sheet.bar((from, top), (to, bottom), VERMILLION.stroke_width(2)),
        "dark" => {
            let style = if matches!(kept, "occupied" | "lost") {
                GREY.filled()
            } else {
                GREY.stroke_width(1)
            };
            sheet.bar((from, top + BAR / 2), (to, bottom), style);
        }
        "vacant" => sheet.line(vec![(from, bottom), (to, bottom)], GREY.stroke_width(1)),
        _ => {
            for x in (from..to).step_by(7) {
                let end = (x + 3).min(to);
                sheet.bar((x, bottom - 3), (end, bottom), GREY.filled());
            }
        }
    }
}
