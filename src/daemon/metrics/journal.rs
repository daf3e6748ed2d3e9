//! What the journal counts. Input: the writer and whoever tells it. Output: metrics of the
//! registry. It knows nothing of the file.

use prometheus::{Histogram, HistogramOpts, IntCounter, IntGauge, Registry};

use super::table;

/// Upper bounds in seconds: from a disk in memory to a card that is tired; 0.2 is the promise.
const BOUNDS: [f64; 12] = [
    0.000_5, 0.001, 0.002_5, 0.005, 0.01, 0.025, 0.05, 0.1, 0.2, 0.5, 1.0, 5.0,
];

/// Its counters.
#[derive(Clone, Debug)]
pub struct JournalMetrics {
    /// How long each transaction took.
    pub write: Histogram,
    /// From what was told first to its being on the disk.
    pub delay: Histogram,
    /// What was not taken.
    pub lost: IntCounter,
    /// 1 while it cannot follow.
    pub behind: IntGauge,
    /// The file's size.
    pub bytes: IntGauge,
}

impl JournalMetrics {
    /// All at zero.
    ///
    /// # Errors
    /// When the registry refuses one; the table's test keeps that from happening.
    pub fn new(registry: &Registry) -> Result<Self, prometheus::Error> {
        let histogram = |row: &table::Row| {
            let opts = HistogramOpts::new(row.name, row.help).buckets(BOUNDS.to_vec());
            Histogram::with_opts(opts)
        };
        let metrics = Self {
            write: histogram(&table::JOURNAL_WRITE)?,
            delay: histogram(&table::JOURNAL_DELAY)?,
            lost: IntCounter::with_opts(super::opts(&table::JOURNAL_LOST))?,
            behind: IntGauge::with_opts(super::opts(&table::JOURNAL_BEHIND))?,
            bytes: IntGauge::with_opts(super::opts(&table::JOURNAL_BYTES))?,
        };
        registry.register(Box::new(metrics.write.clone()))?;
        registry.register(Box::new(metrics.delay.clone()))?;
        registry.register(Box::new(metrics.lost.clone()))?;
        registry.register(Box::new(metrics.behind.clone()))?;
        registry.register(Box::new(metrics.bytes.clone()))?;
        Ok(metrics)
    }
}
