//! The sheet: headings, tables, style for screen and paper.
//!
//! Input: sections as HTML. Output: the file. Nothing in it is fetched from elsewhere.

use std::fmt::Write as _;

use super::{Session, duration, escape};

/// The end of what [`open`] began.
pub(super) const CLOSE: &str = "</section>";

/// A cell of a table.
#[derive(Debug)]
pub(super) struct Cell {
    html: String,
    number: bool,
}

impl Cell {
    /// Words.
    pub(super) fn text(text: &str) -> Self {
        Self {
            html: escape(text),
            number: false,
        }
    }

    /// A number: to the right.
    pub(super) fn number(text: &str) -> Self {
        Self {
            html: escape(text),
            number: true,
        }
    }
}

/// The beginning of a section.
pub(super) fn open(title: &str, says: &str) -> String {
    let (title, says) = (escape(title), escape(says));
    format!("<section><h2>{title}</h2><p>{says}</p>")
}

/// A table.
pub(super) fn table(head: &[&str], rows: &[Vec<Cell>]) -> String {
    let mut html = String::from("<div class=\"wide\"><table><thead><tr>");
    for (column, name) in head.iter().enumerate() {
        let number = rows.first().and_then(|row| row.get(column));
        let class = class(number.is_some_and(|cell| cell.number));
        let _ = write!(html, "<th scope=\"col\"{class}>{}</th>", escape(name));
    }
    html.push_str("</tr></thead><tbody>");
    for row in rows {
        html.push_str("<tr>");
        for cell in row {
            let _ = write!(html, "<td{}>{}</td>", class(cell.number), cell.html);
        }
        html.push_str("</tr>");
    }
    html.push_str("</tbody></table></div>");
    html
}

fn class(number: bool) -> &'static str {
    if number { " class=\"number\"" } else { "" }
}

/// A section with one chart.
pub(super) fn chart(title: &str, caption: &str, svg: &str) -> String {
    format!(
        "<section class=\"chart\"><h2>{}</h2><figure role=\"img\" aria-label=\"{}\">{svg}\
         <figcaption>{}</figcaption></figure></section>",
        escape(title),
        escape(title),
        escape(caption)
    )
}

/// Train graphs, one a line.
pub(super) fn graphs(graphs: &[(String, String)]) -> String {
    let mut html = open(
        "Train graphs",
        "Time runs to the right, distance along the line upwards, one line a train: the steeper, \
         the faster. A train is known to be at a boundary when it enters the next block; between \
         two boundaries it is drawn straight. Triangles are alarms of medium and high priority.",
    );
    if graphs.is_empty() {
        html.push_str("<p>No train moved on a line of the plan.</p>");
    }
    for (name, svg) in graphs {
        let name = escape(name);
        let _ = write!(
            html,
            "<h3>{name}</h3><figure role=\"img\" aria-label=\"Trains on {name}\">{svg}</figure>"
        );
    }
    html.push_str(CLOSE);
    html
}

/// What the session was, in a few figures.
pub(super) fn summary(session: &Session<'_>) -> String {
    let trains = session.lanes.trains.values();
    let moved = trains.filter(|train| train.track.iter().any(|step| step.event == "entered"));
    let gaps = session.gaps_ms();
    let written = if gaps > 0 {
        format!(
            "Nothing was written down for {} of it: the daemon was not running.",
            duration(gaps)
        )
    } else {
        "It was written down without a gap.".to_owned()
    };
    let rows = [
        ("Length", duration(session.span_ms())),
        ("Trains that moved", moved.count().to_string()),
        ("Changes", session.tally.changes.to_string()),
        ("Alarms announced", session.tally.raised.len().to_string()),
        ("Operators' acts", session.tally.acts.len().to_string()),
    ];
    let rows: Vec<Vec<Cell>> = rows
        .iter()
        .map(|(what, is)| vec![Cell::text(what), Cell::number(is)])
        .collect();
    let mut html = open("The session", &written);
    html.push_str(&table(&["", "this session"], &rows));
    if !session.tally.acts.is_empty() {
        let rows: Vec<Vec<Cell>> = session
            .tally
            .acts
            .iter()
            .map(|act| {
                vec![
                    Cell::text(&session.clock(act.at)),
                    Cell::text(&act.act),
                    Cell::text(&act.subject),
                    Cell::text(&act.who),
                    Cell::text(&act.why),
                ]
            })
            .collect();
        html.push_str("<h3>What operators did</h3>");
        html.push_str(&table(&["at", "act", "item", "who", "why"], &rows));
    }
    html.push_str(CLOSE);
    html
}

/// The file.
pub(super) fn whole(session: &Session<'_>, body: &str) -> String {
    let name = escape(&session.plan.layout.name);
    let from = escape(&session.day_and_clock(0));
    let to = escape(&session.day_and_clock(session.span_ms()));
    format!(
        "<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\
         <title>{name}: session report</title><style>{STYLE}</style></head><body>\
         <header><h1>{name}</h1><p>Session report, {from} to {to}</p></header><main>{body}</main>\
         <footer><p>Taillamp is a hobby aid for indoor model layouts: it watches and warns. It is \
         not a safety system. What no detector could see is not in this report.</p></footer>\
         </body></html>\n"
    )
}

const STYLE: &str = "
:root { color-scheme: light; }
* { box-sizing: border-box; }
body { font: 15px/1.45 system-ui, sans-serif; color: #000; background: #fff;
  margin: 0 auto; padding: 20px; max-width: 1240px; }
h1 { font-size: 1.9rem; margin: 0; }
h2 { font-size: 1.3rem; margin: 2.2rem 0 .3rem; border-top: 2px solid #000; padding-top: .6rem; }
h3 { font-size: 1rem; margin: 1.2rem 0 .3rem; }
p { margin: .3rem 0 .6rem; max-width: 46rem; }
figure { margin: .4rem 0 0; }
svg { width: 100%; height: auto; display: block; }
figcaption, .source, footer { color: #444; font-size: .85rem; max-width: 60rem; }
.wide { overflow-x: auto; }
table { border-collapse: collapse; font-variant-numeric: tabular-nums; }
th, td { text-align: left; padding: 3px 14px 3px 0; border-bottom: 1px solid #bbb;
  vertical-align: top; }
th { font-weight: 600; border-bottom: 2px solid #000; }
.number { text-align: right; }
footer { margin-top: 3rem; border-top: 1px solid #bbb; padding-top: .6rem; }
@media print {
  @page { size: A4 landscape; margin: 12mm; }
  body { font-size: 10pt; padding: 0; max-width: none; }
  h2, h3 { break-after: avoid; }
  figure, tr { break-inside: avoid; }
  svg { width: auto; max-width: 100%; max-height: 150mm; }
  thead { display: table-header-group; }
  .wide { overflow: visible; }
}
";
