//! Train graphs: distance along a line against time, one line a train.
//!
//! Input: where each train's head was. Output: SVG for each line of the plan. A train is known to
//! be at the boundary of two blocks when it enters the second; between two such moments it is drawn
//! straight. A train that goes round begins again at the other edge.

use plotters::prelude::*;

use super::Session;
use super::chart::{FAINT, LEFT, Sheet, TRAINS, VERMILLION, WIDTH};
use super::line::Line;
use crate::wire::history_json::Track;

/// Height of a graph.
const HEIGHT: i32 = 300;
/// Room at the top.
const TOP: i32 = 10;

/// The name and the graph of every line on which a train moved.
pub(super) fn all(session: &Session<'_>) -> Vec<(String, String)> {
    let blocks = session.plan.layout.blocks.iter();
    let mut names: Vec<&str> = blocks.filter_map(|block| block.line.as_deref()).collect();
    names.sort_unstable();
    names.dedup();
    names
        .into_iter()
        .filter_map(|name| {
            let line = Line::new(&session.plan.layout, name);
            let moved = |track: &Track| {
                let mut entered = track.track.iter().filter(|step| step.event == "entered");
                entered.any(|step| {
                    step.block
                        .as_ref()
                        .is_some_and(|id| line.place(id).is_some())
                })
            };
            if !session.lanes.trains.values().any(moved) {
                return None;
            }
            let about = if line.guessed {
                format!("{name} (lengths that the plan does not say are drawn as a metre)")
            } else {
                name.to_owned()
            };
            Some((about, svg(session, &line)))
        })
        .collect()
}

fn y_of(line: &Line, mm: f64) -> i32 {
    let part = mm / line.length_mm.max(1.0);
    TOP + (f64::from(HEIGHT - TOP) * (1.0 - part)).round() as i32
}

fn svg(session: &Session<'_>, line: &Line) -> String {
    let mut text = String::new();
    let sheet = Sheet::new(&mut text, HEIGHT, session.span_ms());
    for (_, name, from, to) in &line.blocks {
        let y = y_of(line, *from);
        sheet.line(vec![(LEFT, y), (WIDTH, y)], FAINT.stroke_width(1));
        sheet.name(name, y_of(line, (from + to) / 2.0) - 6);
    }
    for (number, (id, track)) in session.lanes.trains.iter().enumerate() {
        let colour = TRAINS[number % TRAINS.len()];
        let runs = runs(session, line, track);
        let mut named = false;
        for run in &runs {
            let points: Vec<(i32, i32)> = run
                .iter()
                .map(|(at, mm)| (sheet.x(*at), y_of(line, *mm)))
                .collect();
            if !named && let Some((x, y)) = points.first() {
                let label = track.name.as_deref().unwrap_or(id);
                let x = (*x + 3).min(WIDTH - 90);
                sheet.text(label, (x, (*y - 15).max(0)), 12);
                named = true;
            }
            sheet.line(points, colour.stroke_width(2));
        }
    }
    marks(session, line, &sheet);
    sheet.finish(session);
    text
}

/// The pieces of a train's way on a line: moments and distances.
fn runs(session: &Session<'_>, line: &Line, track: &Track) -> Vec<Vec<(i64, f64)>> {
    let mut runs: Vec<Vec<(i64, f64)>> = Vec::new();
    let mut run: Vec<(i64, f64)> = Vec::new();
    let mut at: Option<usize> = None;
    let last = line.blocks.len().saturating_sub(1);
    for step in &track.track {
        let head = step.blocks.iter().rev().find_map(|id| line.place(id));
        let (Some(here), true) = (head, step.event != "gone") else {
            if let Some(before) = at.take() {
                run.push((step.at, middle(line, before)));
            }
            close(&mut runs, &mut run);
            continue;
        };
        let (_, _, from, to) = &line.blocks[here];
        match at {
            Some(before) if before == here => continue,
            // Over the edge: it leaves at one and comes in at the other.
            Some(before) if last > 1 && before.abs_diff(here) == last => {
                let (out, into) = if before == 0 {
                    (0.0, *to)
                } else {
                    (line.length_mm, *from)
                };
                run.push((step.at, out));
                close(&mut runs, &mut run);
                run.push((step.at, into));
            }
            Some(before) if before < here => run.push((step.at, *from)),
            Some(_) => run.push((step.at, *to)),
            None => run.push((step.at, middle(line, here))),
        }
        at = Some(here);
    }
    if let Some(here) = at {
        let until = track.track.last().map_or(0, |step| step.at);
        run.push((until, middle(line, here)));
        // What has come to stand, stands to the end.
        run.push((session.span_ms(), middle(line, here)));
    }
    close(&mut runs, &mut run);
    runs
}

fn middle(line: &Line, at: usize) -> f64 {
    let (_, _, from, to) = &line.blocks[at];
    f64::midpoint(*from, *to)
}

fn close(runs: &mut Vec<Vec<(i64, f64)>>, run: &mut Vec<(i64, f64)>) {
    if run.len() > 1 {
        runs.push(std::mem::take(run));
    } else {
        run.clear();
    }
}

/// Alarms of medium and high priority, where their subject is on this line.
fn marks(session: &Session<'_>, line: &Line, sheet: &Sheet<'_>) {
    let layout = &session.plan.layout;
    for span in &session.lanes.alarms {
        if span.priority == "low" || span.from < 0 {
            continue;
        }
        let of_turnout = || {
            let turnout = layout.turnouts.iter().find(|t| t.id == span.subject)?;
            let block = layout.blocks.get(turnout.covered_by?.index())?;
            line.place(&block.id)
        };
        let of_train = || {
            let track = session.lanes.trains.get(&span.subject)?;
            let step = track.track.iter().rev().find(|step| step.at <= span.from)?;
            step.blocks.iter().rev().find_map(|id| line.place(id))
        };
        let place = line
            .place(&span.subject)
            .or_else(of_turnout)
            .or_else(of_train);
        if let Some(place) = place {
            let y = y_of(line, middle(line, place));
            let style = if span.priority == "high" {
                VERMILLION.filled()
            } else {
                VERMILLION.stroke_width(1)
            };
            sheet.triangle((sheet.x(span.from), y), style);
        }
    }
}
