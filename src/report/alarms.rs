//! The alarms of a session beside the measures of alarm management.
//!
//! Input: what was announced and how long each condition lasted. Output: tables. The measures and
//! limits are those of ANSI/ISA-18.2-2016 and IEC 62682 as secondary texts quote them; the
//! standards are not open.

use std::collections::BTreeMap;

use super::page::{self, Cell};
use super::tally::Raised;
use super::{Session, duration, escape};

/// The standard's interval.
const INTERVAL_MS: i64 = 600_000;
/// A flood begins with more than this many in an interval ...
const FLOOD_ABOVE: usize = 10;
/// ... and ends with fewer than this many.
const FLOOD_BELOW: usize = 5;
/// So often within a minute is chattering.
const CHATTER: usize = 3;
/// See [`CHATTER`].
const CHATTER_MS: i64 = 60_000;
/// Active for longer than this is stale.
const STALE_MS: i64 = 86_400_000;
/// Alarms that are listed.
const LISTED: usize = 200;

/// The measures of a session.
#[derive(Debug, PartialEq)]
pub(super) struct Measures {
    pub(super) per_interval: f64,
    pub(super) most: usize,
    pub(super) over_percent: f64,
    pub(super) flood_percent: f64,
    pub(super) chattering: Vec<String>,
    /// Low, medium, high, in percent.
    pub(super) split: [f64; 3],
    /// The ten that came most often, and their part of all in percent.
    pub(super) frequent: Vec<(String, usize)>,
    pub(super) frequent_percent: f64,
}

/// Measures what was announced in so long.
pub(super) fn measure(raised: &[Raised], span_ms: i64) -> Measures {
    let intervals = usize::try_from(span_ms.div_euclid(INTERVAL_MS) + 1).unwrap_or(1);
    let mut counts = vec![0_usize; intervals];
    let mut by_id: BTreeMap<&str, Vec<i64>> = BTreeMap::new();
    let mut split = [0_usize; 3];
    for alarm in raised {
        let interval = usize::try_from(alarm.at.max(0) / INTERVAL_MS).unwrap_or(0);
        if let Some(count) = counts.get_mut(interval) {
            *count += 1;
        }
        by_id.entry(&alarm.id).or_default().push(alarm.at);
        let index = match &alarm.priority[..] {
            "high" => 2,
            "medium" => 1,
            _ => 0,
        };
        split[index] += 1;
    }
    let chattering = by_id.iter().filter(|(_, times)| {
        times
            .windows(CHATTER)
            .any(|few| few[CHATTER - 1] - few[0] <= CHATTER_MS)
    });
    let chattering = chattering.map(|(id, _)| (*id).to_owned()).collect();
    let mut frequent: Vec<(String, usize)> = by_id
        .iter()
        .map(|(id, times)| ((*id).to_owned(), times.len()))
        .collect();
    frequent.sort_by(|a, b| b.1.cmp(&a.1).then_with(|| a.0.cmp(&b.0)));
    frequent.truncate(10);
    let all = raised.len();
    let percent = |part: usize, of: usize| 100.0 * part as f64 / of.max(1) as f64;
    let over = counts.iter().filter(|count| **count > FLOOD_ABOVE).count();
    Measures {
        per_interval: all as f64 * INTERVAL_MS as f64 / span_ms.max(INTERVAL_MS) as f64,
        most: counts.iter().copied().max().unwrap_or(0),
        over_percent: percent(over, intervals),
        flood_percent: percent(flooded(&counts), intervals),
        chattering,
        split: split.map(|part| percent(part, all)),
        frequent_percent: percent(frequent.iter().map(|(_, count)| count).sum(), all),
        frequent,
    }
}

/// Intervals of a flood.
fn flooded(counts: &[usize]) -> usize {
    let (mut flood, mut intervals) = (false, 0);
    for count in counts {
        flood = *count > FLOOD_ABOVE || (flood && *count >= FLOOD_BELOW);
        intervals += usize::from(flood);
    }
    intervals
}

/// The section.
pub(super) fn section(session: &Session<'_>) -> String {
    let raised = &session.tally.raised;
    let measures = measure(raised, session.span_ms());
    let mut html = page::open("Alarms", &format!("{} were announced.", raised.len()));
    html.push_str(&page::table(
        &["measure", "this session", "limit", ""],
        &against_limits(session, &measures),
    ));
    html.push_str(&split(&measures));
    html.push_str(
        "<p class=\"source\">Measures and limits: ANSI/ISA-18.2-2016 and IEC 62682, as secondary \
         texts quote them. The standards ask for thirty days of data; one session is a small \
         sample.</p>",
    );
    html.push_str(&frequent(&measures));
    html.push_str(&list(session));
    html.push_str(page::CLOSE);
    html
}

/// Each measure, its limit, and whether it is within.
fn against_limits(session: &Session<'_>, measures: &Measures) -> Vec<Vec<Cell>> {
    let stale = session
        .lanes
        .alarms
        .iter()
        .filter(|span| span.to.unwrap_or_else(|| session.span_ms()) - span.from > STALE_MS);
    let stale = stale.count();
    let row = |what: &str, is: String, limit: &str, well: bool| {
        vec![
            Cell::text(what),
            Cell::number(&is),
            Cell::text(limit),
            Cell::text(if well { "within" } else { "beyond" }),
        ]
    };
    let one = |value: f64| format!("{value:.1}");
    vec![
        row(
            "Alarms in ten minutes, on average",
            one(measures.per_interval),
            "about 1; 2 can be managed",
            measures.per_interval <= 2.0,
        ),
        row(
            "Most in any ten minutes",
            measures.most.to_string(),
            "10",
            measures.most <= 10,
        ),
        row(
            "Ten minutes with more than 10, percent",
            one(measures.over_percent),
            "below 1",
            measures.over_percent < 1.0,
        ),
        row(
            "Time in a flood, percent",
            one(measures.flood_percent),
            "below 1",
            measures.flood_percent < 1.0,
        ),
        row(
            "Alarms that chatter (3 times in a minute)",
            measures.chattering.len().to_string(),
            "0",
            measures.chattering.is_empty(),
        ),
        row(
            "Stale alarms (active for more than 24 h)",
            stale.to_string(),
            "fewer than 5",
            stale < 5,
        ),
    ]
}

fn split(measures: &Measures) -> String {
    let [low, medium, high] = measures.split;
    let chatter = if measures.chattering.is_empty() {
        String::new()
    } else {
        let ids: Vec<String> = measures.chattering.iter().map(|id| escape(id)).collect();
        format!("<p>They chatter: {}.</p>", ids.join(", "))
    };
    format!(
        "<p>By priority: {low:.0} % low, {medium:.0} % medium, {high:.0} % high; the standard's \
         split is about 80, 15 and 5.</p>{chatter}"
    )
}

fn frequent(measures: &Measures) -> String {
    if measures.frequent.is_empty() {
        return String::new();
    }
    let rows: Vec<Vec<Cell>> = measures
        .frequent
        .iter()
        .map(|(id, count)| vec![Cell::text(id), Cell::number(&count.to_string())])
        .collect();
    format!(
        "<h3>Most frequent: {:.0} % of all</h3>{}",
        measures.frequent_percent,
        page::table(&["alarm", "times"], &rows)
    )
}

fn list(session: &Session<'_>) -> String {
    let spans = &session.lanes.alarms;
    if spans.is_empty() {
        return String::new();
    }
    let rows: Vec<Vec<Cell>> = spans
        .iter()
        .take(LISTED)
        .map(|span| {
            let lasted = span.to.map_or_else(
                || "to the end".to_owned(),
                |to| duration(to - span.from.max(0)),
            );
            vec![
                Cell::text(&session.clock(span.from.max(0))),
                Cell::text(&lasted),
                Cell::text(&span.priority),
                Cell::text(&span.text),
            ]
        })
        .collect();
    let more = spans.len().saturating_sub(LISTED);
    let more = if more > 0 {
        format!("<p>{more} more are in the journal: export them as CSV.</p>")
    } else {
        String::new()
    };
    let table = page::table(&["from", "lasted", "priority", "what"], &rows);
    format!("<h3>Every alarm</h3>{table}{more}")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn raised(at: i64, id: &str, priority: &str) -> Raised {
        Raised {
            at,
            id: id.into(),
            priority: priority.into(),
        }
    }

    /// A scripted log against the definitions: three in a minute chatter, more than ten in ten
    /// minutes begin a flood, fewer than five end it.
    #[test]
    fn a_scripted_log_gives_the_measures_by_their_definition() {
        let mut log = Vec::new();
        for n in 0..3 {
            log.push(raised(n * 30_000, "short:b1", "high"));
        }
        for n in 0..11 {
            log.push(raised(
                INTERVAL_MS + n * 50_000,
                &format!("set-no-train:w{n}"),
                "low",
            ));
        }
        for n in 0..5 {
            log.push(raised(
                2 * INTERVAL_MS + n * 90_000,
                &format!("x:w{n}"),
                "medium",
            ));
        }
        for n in 0..4 {
            log.push(raised(
                3 * INTERVAL_MS + n * 90_000,
                &format!("x:w{n}"),
                "medium",
            ));
        }
        let measures = measure(&log, 4 * INTERVAL_MS - 1);
        assert_eq!(measures.chattering, ["short:b1"]);
        assert_eq!(measures.most, 11);
        assert!((measures.over_percent - 25.0).abs() < 1e-9);
        assert!(
            (measures.flood_percent - 50.0).abs() < 1e-9,
            "two of four intervals"
        );
        assert!((measures.per_interval - 23.0 / 4.0).abs() < 1e-4);
        assert_eq!(measures.frequent[0], ("short:b1".to_owned(), 3));
        // At exactly a minute and a millisecond the third one is no chatter any more.
        let apart = [0, 30_000, 60_001].map(|at| raised(at, "a:b", "low"));
        assert!(measure(&apart, INTERVAL_MS).chattering.is_empty());
    }
}
