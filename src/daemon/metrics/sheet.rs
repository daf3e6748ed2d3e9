//! The text of one scrape, written family by family: of a layout with a thousand detectors only the
//! series of one metric are in memory at a time, not those of all.
//!
//! Input: families. Output: the text format, families by name and series by the values of their
//! labels, as the library's own registry orders them.

use prometheus::proto::{Counter, Gauge, LabelPair, Metric, MetricFamily, MetricType};
use prometheus::{Encoder as _, TextEncoder};

use super::table::{Kind, Row};

/// What has been written.
#[derive(Default)]
pub(super) struct Sheet {
    pieces: Vec<(String, Vec<u8>)>,
}

impl Sheet {
    /// Adds a family; one without series is left out, as the format has no word for it.
    pub(super) fn put(&mut self, family: Family) -> Result<(), prometheus::Error> {
        self.add(&family.done())
    }

    /// Adds a metric without labels.
    pub(super) fn single(
        &mut self,
        row: &'static Row,
        value: f64,
    ) -> Result<(), prometheus::Error> {
        let mut family = Family::of(row);
        family.add(&[], value);
        self.put(family)
    }

    /// Adds what the library has gathered itself.
    pub(super) fn add(&mut self, family: &MetricFamily) -> Result<(), prometheus::Error> {
        if family.get_metric().is_empty() {
            return Ok(());
        }
        let mut text = Vec::new();
        TextEncoder::new().encode(std::slice::from_ref(family), &mut text)?;
        self.pieces.push((family.name().to_owned(), text));
        Ok(())
    }

    /// The whole text.
    pub(super) fn text(mut self) -> Result<String, prometheus::Error> {
        self.pieces.sort_by(|a, b| a.0.cmp(&b.0));
        let length = self.pieces.iter().map(|(_, text)| text.len()).sum();
        let mut whole = Vec::with_capacity(length);
        for (_, piece) in self.pieces {
            whole.extend_from_slice(&piece);
        }
        String::from_utf8(whole).map_err(|error| prometheus::Error::Msg(error.to_string()))
    }
}

/// One metric with all its series.
pub(super) struct Family {
    row: &'static Row,
    series: Vec<Metric>,
}

impl Family {
    pub(super) fn of(row: &'static Row) -> Self {
        Self {
            row,
            series: Vec::new(),
        }
    }

    /// Adds a series; `values` belong to the labels of the table's row, in their order.
    pub(super) fn add(&mut self, values: &[&str], value: f64) {
        debug_assert_eq!(values.len(), self.row.labels.len(), "{}", self.row.name);
        let labels = self.row.labels.iter().zip(values);
        let mut labels: Vec<LabelPair> = labels.map(|(name, value)| pair(name, value)).collect();
        labels.sort_by(|a, b| a.name().cmp(b.name()));
        let mut series = Metric::from_label(labels);
        if self.row.kind == Kind::Counter {
            let mut counter = Counter::default();
            counter.set_value(value);
            series.set_counter(counter);
        } else {
            let mut gauge = Gauge::default();
            gauge.set_value(value);
            series.set_gauge(gauge);
        }
        self.series.push(series);
    }

    fn done(mut self) -> MetricFamily {
        self.series.sort_by(|a, b| values(a).cmp(values(b)));
        let mut family = MetricFamily::default();
        family.set_name(self.row.name.to_owned());
        family.set_help(self.row.help.to_owned());
        family.set_field_type(match self.row.kind {
            Kind::Counter => MetricType::COUNTER,
            Kind::Gauge | Kind::Histogram => MetricType::GAUGE,
        });
        family.set_metric(self.series);
        family
    }
}

fn values(series: &Metric) -> impl Iterator<Item = &str> {
    series.get_label().iter().map(LabelPair::value)
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
            sheet.put(family).expect("a family");
        }
        let mut theirs = String::new();
        TextEncoder::new()
            .encode_utf8(&registry.gather(), &mut theirs)
            .expect("the library's text");
        assert_eq!(sheet.text().expect("our text"), theirs);
    }
}
