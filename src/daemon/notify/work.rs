//! The task of one way: sends what waits, one after the other, tries again, gives up.
//!
//! An alert manager is kept in step instead: all that stands is posted again before it would
//! resolve by itself, and what is over is posted until it was taken once.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use serde_json::Value;
use tokio::time::Instant;

use super::notice::{Event, Notice};
use super::queue::Queue;
use super::{Failure, Pauses, Sender};
use crate::daemon::mqtt::BackOff;
use crate::plan::notify::Way;

/// A warning that is older than this warns of nothing.
const LATE: Duration = Duration::from_secs(600);
/// How often the other end is looked at while nothing is sent.
const KNOCK_EVERY: Duration = Duration::from_secs(60);
/// How often an alert manager hears of what stands.
const RESEND_EVERY: Duration = Duration::from_secs(60);
/// What it hears of lasts for so long unless told again: five posts may fail.
const LASTS_US: i64 = 300_000_000;
/// How long an alert of `notify-test` lasts.
pub(super) const TRIAL_LASTS_US: i64 = 60_000_000;
/// Alerts that are kept in step.
const ALERTS_MAX: usize = 1_024;

/// The task and what it owns.
pub(super) struct Worker {
    sender: Sender,
    queue: Arc<Queue>,
    answers: Arc<AtomicBool>,
    pauses: Pauses,
    /// The last try failed: said once in the log.
    failing: bool,
}

impl Worker {
    pub(super) fn new(
        sender: Sender,
        queue: Arc<Queue>,
        answers: Arc<AtomicBool>,
        pauses: Pauses,
    ) -> Self {
        Self {
            sender,
            queue,
            answers,
            pauses,
            failing: false,
        }
    }

    /// Runs until it is dropped.
    pub(super) async fn run(self) {
        if matches!(self.sender.plan.way, Way::Alertmanager { .. }) {
            self.keep_in_step().await;
        } else {
            self.send_one_by_one().await;
        }
    }

    fn note(&mut self, result: &Result<(), Failure>) {
        self.answers.store(result.is_ok(), Ordering::Relaxed);
        let way = self.sender.id();
        match result {
            Err(failure) if !self.failing => {
                tracing::warn!(way, why = %failure.text, "a way out does not work");
            }
            Ok(()) if self.failing => tracing::info!(way, "a way out works again"),
            Ok(()) | Err(_) => {}
        }
        self.failing = result.is_err();
    }

    async fn send_one_by_one(mut self) {
        loop {
            let Some(notice) = self.queue.first() else {
                let knocked = self.sender.knock().await;
                self.note(&knocked);
                // News end the pause between two looks.
                let _ = tokio::time::timeout(KNOCK_EVERY, self.queue.news()).await;
                continue;
            };
            self.deliver(&notice).await;
        }
    }

    /// One notice, until it is sent, refused, taken back or late.
    async fn deliver(&mut self, notice: &Arc<Notice>) {
        let mut pause = BackOff::new(self.pauses);
        let began = Instant::now();
        while self.queue.holds(notice) {
            let result = self.sender.send(notice).await;
            self.note(&result);
            match result {
                Ok(()) => return self.queue.done(notice, |counts| counts.sent += 1),
                Err(failure) if failure.for_good => {
                    let (way, why) = (self.sender.id(), failure.text);
                    tracing::warn!(way, why, alarm = %notice.alarm.id, "a warning was refused");
                    return self.queue.done(notice, |counts| counts.refused += 1);
                }
                Err(_) => self.queue.count(|counts| counts.failed += 1),
            }
            if began.elapsed() >= LATE {
                return self.queue.done(notice, |counts| counts.late += 1);
            }
            tokio::time::sleep(pause.next()).await;
        }
    }

    async fn keep_in_step(mut self) {
        // The alarm's last notice, and whether it stands.
        let mut alerts: BTreeMap<String, (Arc<Notice>, bool)> = BTreeMap::new();
        let mut pause = BackOff::new(self.pauses);
        // At once: an empty list tells whether anybody is there.
        let mut due = Instant::now();
        loop {
            tokio::select! {
                () = self.queue.news() => {}
                () = tokio::time::sleep_until(due) => {}
            }
            for notice in self.queue.take() {
                let id = notice.alarm.id.clone();
                if alerts.len() >= ALERTS_MAX && !alerts.contains_key(&id) {
                    self.queue.count(|counts| counts.dropped += 1);
                    continue;
                }
                alerts.insert(id, (notice.clone(), notice.event == Event::Raised));
            }
            let body: Vec<Value> = alerts
                .values()
                .map(|(notice, up)| alert(notice, *up))
                .collect();
            let result = self.sender.post_alerts(&body).await;
            self.note(&result);
            match result {
                Ok(()) => {
                    let number = body.len() as u64;
                    self.queue.count(|counts| counts.sent += number);
                    alerts.retain(|_, (_, up)| *up);
                    pause = BackOff::new(self.pauses);
                    due = Instant::now() + RESEND_EVERY;
                }
                Err(_) => {
                    self.queue.count(|counts| counts.failed += 1);
                    let wait = pause.next();
                    // News do not shorten the pause: the other end is in trouble already.
                    tokio::time::sleep(wait).await;
                    due = Instant::now();
                }
            }
        }
    }
}

/// As it is told now: what stands lasts for a while yet, what is over has ended.
fn alert(notice: &Notice, up: bool) -> Value {
    let now_us = crate::daemon::clock::wall_now_us();
    let ends = if up { now_us + LASTS_US } else { notice.at_us };
    notice.alert(ends)
}
