//! The text of one scrape: the library writes it, some series at a time, for as the library has
//! them those of a layout with a thousand detectors are some megabytes.
//!
//! Input: families. Output: the text format, families by name and series by the values of their
//! labels, as the library's own registry orders them.

use std::collections::BTreeMap;
use std::io::Write;
use std::ops::Range;

use prometheus::proto::{Counter, Gauge, LabelPair, Metric, MetricFamily, MetricType};
use prometheus::{Encoder as _, TextEncoder};

use super::table::{Kind, Row};

/// What is to be written, by the families' names.
#[derive(Default)]
pub(super) struct Sheet {
    families: BTreeMap<String, Source>,
}

enum Source {
    Ours(Family),
    Library(MetricFamily),
}

impl Sheet {
    /// Adds a family; one without series is left out, as the format has no word for it.
    pub(super) fn put(&mut self, family: Family) {
        let name = family.row.name.to_owned();
        self.families.insert(name, Source::Ours(family));
    }

    /// Adds a metric without labels.
    pub(super) fn single(&mut self, row: &'static Row, value: f64) {
        let mut family = Family::of(row);
        family.add(&[], value);
        self.put(family);
    }

    /// Adds what the library has gathered itself.
    pub(super) fn add(&mut self, family: MetricFamily) {
        let name = family.name().to_owned();
        self.families.insert(name, Source::Library(family));
    }

    /// Writes the whole text.
    pub(super) fn write(self, mut out: &mut dyn Write) -> Result<(), prometheus::Error> {
        for family in self.families.into_values() {
            match family {
                Source::Ours(family) => family.write(out)?,
                Source::Library(family) if family.get_metric().is_empty() => {}
                Source::Library(family) => TextEncoder::new().encode(&[family], &mut out)?,
            }
        }
        Ok(())
    }
}

/// One metric with all its series.
pub(super) struct Family {
    row: &'static Row,
    /// Where in the row's labels those stand that the format puts first, second and so on.
    order: Vec<usize>,
    /// The values of the labels in that order, each ended by [`END`], series after series.
    values: String,
    series: Vec<Series>,
}

/// Where the values of a series are, and its own value.
struct Series {
    values: Range<u32>,
    value: f64,
}

/// Ends a value of a label: the least character, so that texts are in the order of their values.
const END: char = '\0';
/// So many series are the library's own types at a time; those are ten times as large as ours.
const AT_ONCE: usize = 64;

impl Family {
    pub(super) fn of(row: &'static Row) -> Self {
        let mut order: Vec<usize> = (0..row.labels.len()).collect();
        order.sort_by_key(|at| row.labels.get(*at));
        Self {
            row,
            order,
            values: String::new(),
            series: Vec::new(),
        }
    }

    /// Adds a series; `values` belong to the labels of the table's row, in their order.
    pub(super) fn add(&mut self, values: &[&str], value: f64) {
        debug_assert_eq!(values.len(), self.row.labels.len(), "{}", self.row.name);
        let begin = self.values.len() as u32;
        for value in self.order.iter().filter_map(|at| values.get(*at)) {
            self.values.extend(value.chars().filter(|one| *one != END));
            self.values.push(END);
        }
        self.series.push(Series {
            values: begin..self.values.len() as u32,
            value,
        });
    }

    fn values(&self, series: &Series) -> &str {
        let Range { start, end } = series.values;
        self.values
            .get(start as usize..end as usize)
            .unwrap_or_default()
    }

    /// Writes it in the text format, its head once.
    fn write(mut self, out: &mut dyn Write) -> Result<(), prometheus::Error> {
        let mut series = std::mem::take(&mut self.series);
        series.sort_unstable_by(|a, b| self.values(a).cmp(self.values(b)));
        let mut part = Vec::new();
        for (n, some) in series.chunks(AT_ONCE).enumerate() {
            part.clear();
            TextEncoder::new().encode(&[self.part(some)], &mut part)?;
            let head = if n == 0 { 0 } else { head_of(&part) };
            out.write_all(part.get(head..).unwrap_or_default())?;
        }
        Ok(())
    }

    fn part(&self, series: &[Series]) -> MetricFamily {
        let mut family = MetricFamily::default();
        family.set_name(self.row.name.to_owned());
        family.set_help(self.row.help.to_owned());
        family.set_field_type(match self.row.kind {
            Kind::Counter => MetricType::COUNTER,
            Kind::Gauge | Kind::Histogram => MetricType::GAUGE,
        });
        family.set_metric(series.iter().map(|one| self.metric(one)).collect());
        family
    }

    fn metric(&self, series: &Series) -> Metric {
        let names = self.order.iter().filter_map(|at| self.row.labels.get(*at));
        let values = self.values(series).split_terminator(END);
        let mut metric = Metric::from_label(names.zip(values).map(|(a, b)| pair(a, b)).collect());
        if self.row.kind == Kind::Counter {
            let mut counter = Counter::default();
            counter.set_value(series.value);
            metric.set_counter(counter);
        } else {
            let mut gauge = Gauge::default();
            gauge.set_value(series.value);
            metric.set_gauge(gauge);
        }
        metric
    }
}

/// How long the head of a family is: the lines that begin with `#`.
fn head_of(text: &[u8]) -> usize {
    let lines = text.split_inclusive(|byte| *byte == b'\n');
    let head = lines.take_while(|line| line.starts_with(b"#"));
    head.map(<[u8]>::len).sum()
}

fn pair(name: &str, value: &str) -> LabelPair {
    let mut pair = LabelPair::default();
    pair.set_name(name.to_owned());
    pair.set_value(value.to_owned());
    pair
}

#[cfg(test)]
mod tests {
    use prometheus::{CounterVec, GaugeVec, Opts, Registry};

    use super::*;
    use crate::daemon::metrics::table;

    /// The library's own registry is the measure: what it writes for the same series.
    #[test]
    fn the_text_is_what_the_librarys_registry_writes() {
        let rows = [
            (["w2", "reverse", "free"], 1.0),
            (["w10", "normal", "cleared"], 0.0),
            (["w\"1\\\n", "normal", "awaiting"], 2.5),
        ];
        let opts = |row: &Row| Opts::new(row.name, row.help);
        let registry = Registry::new();
        let states = GaugeVec::new(opts(&table::TURNOUT_STATE), table::TURNOUT_STATE.labels)
            .expect("a gauge");
        let moved = CounterVec::new(opts(&table::TURNOUT_MOVEMENTS), &["turnout"]).expect("one");
        let empty = GaugeVec::new(opts(&table::BLOCK_STATE), &["block", "state"]).expect("one");
        for one in [&states, &empty] {
            registry.register(Box::new(one.clone())).expect("a name");
        }
        registry.register(Box::new(moved.clone())).expect("a name");
        let mut sheet = Sheet::default();
        let mut ours = Family::of(&table::TURNOUT_STATE);
        let mut counted = Family::of(&table::TURNOUT_MOVEMENTS);
        for (values, value) in rows {
            states.with_label_values(&values).set(value);
            moved.with_label_values(&values[..1]).inc_by(value);
            ours.add(&values, value);
            counted.add(&values[..1], value);
        }
        for family in [ours, Family::of(&table::BLOCK_STATE), counted] {
            sheet.put(family);
        }
        let mut theirs = String::new();
        TextEncoder::new()
            .encode_utf8(&registry.gather(), &mut theirs)
            .expect("the library's text");
        let mut text = Vec::new();
        sheet.write(&mut text).expect("our text");
        assert_eq!(String::from_utf8(text).expect("UTF-8"), theirs);
    }
}
