//! Ways out: warnings that leave the program by webhook, alert manager, e-mail or a program.
//!
//! In: news about alarms, from the outlet, which never waits. Each way has a queue of its own and a
//! task that sends one after the other, tries again with growing pauses, and gives up what is too
//! old to warn of. The plan's priority and quiet hours choose the way; what an alarm means is the
//! engine's. What is dropped is counted.
//!
//! Reading order: `notice`, `queue`, here, then `post`, `mail`, `program`.

mod mail;
pub mod notice;
mod post;
mod program;
mod queue;
mod secret;
mod work;

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use hyper::header::HeaderMap;
use tokio::task::JoinHandle;

use crate::engine::alarm::kinds::Priority;
use crate::plan::notify::{Door, Notify, Secret, Text, Way};
use notice::{Event, Form, Notice};
use post::{ATTEMPT_MAX, Target};
use queue::Queue;

pub use queue::Counts;

/// Why it was not sent.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Failure {
    /// In words, without a secret.
    pub text: String,
    /// Another try would end alike.
    pub for_good: bool,
}

impl Failure {
    fn for_now(text: impl Into<String>) -> Self {
        Self {
            text: text.into(),
            for_good: false,
        }
    }

    fn for_good(text: impl Into<String>) -> Self {
        Self {
            text: text.into(),
            for_good: true,
        }
    }
}

/// One way out.
#[derive(Debug)]
pub struct Sender {
    plan: Notify,
    /// Variables of the environment that hold secrets of any way.
    secrets: Vec<String>,
}

impl Sender {
    /// The way that the plan describes. `all`: every way of the plan.
    #[must_use]
    pub fn new(plan: &Notify, all: &[Notify]) -> Self {
        Self {
            plan: plan.clone(),
            secrets: all.iter().flat_map(variables).collect(),
        }
    }

    /// Its name.
    #[must_use]
    pub fn id(&self) -> &str {
        &self.plan.id
    }

    /// One try.
    ///
    /// # Errors
    /// Why it was not sent.
    pub async fn send(&self, notice: &Notice) -> Result<(), Failure> {
        match &self.plan.way {
            // The program has a limit of its own.
            Way::Command {
                command,
                time_limit,
            } => {
                let limit = Duration::from_micros(time_limit.0);
                program::run(command, limit, &self.secrets, notice).await
            }
            Way::Mail(mail) => in_time(mail::send(mail, notice)).await,
            Way::Webhook {
                door,
                body,
                content_type,
                headers,
            } => {
                let own = headers
                    .iter()
                    .map(|(name, text)| (name.as_str(), notice.fill(text, Form::Line)));
                let (body, content_type) = match body {
                    Some(body) => (
                        notice.fill(body, Form::of(content_type)),
                        content_type.as_str(),
                    ),
                    // Structured mode (CloudEvents HTTP binding, section 3.2).
                    None => (
                        notice.cloud_event().to_string(),
                        "application/cloudevents+json; charset=utf-8",
                    ),
                };
                in_time(send_to(door, own, content_type, body)).await
            }
            Way::Alertmanager { .. } => {
                let ends = notice.at_us.saturating_add(work::TRIAL_LASTS_US);
                self.post_alerts(&[notice.alert(ends)]).await
            }
        }
    }

    /// Posts alerts, all at once.
    async fn post_alerts(&self, alerts: &[serde_json::Value]) -> Result<(), Failure> {
        let Way::Alertmanager { door } = &self.plan.way else {
            return Err(Failure::for_good("this way takes no alerts"));
        };
        let body = serde_json::Value::from(alerts).to_string();
        let none: [(&str, String); 0] = [];
        in_time(send_to(door, none.into_iter(), "application/json", body)).await
    }

    /// Whether anybody is there, as far as that can be told without sending.
    async fn knock(&self) -> Result<(), Failure> {
        match &self.plan.way {
            Way::Webhook { door, .. } | Way::Alertmanager { door } => {
                in_time(async {
                    let url = secret::text(&door.url).await?;
                    Target::of(&url)?.knock().await
                })
                .await
            }
            Way::Mail(mail) => in_time(mail::knock(mail)).await,
            Way::Command { command, .. } => program::look(command).await,
        }
    }
}

/// The variables of the environment in which a way's secrets are kept.
fn variables(plan: &Notify) -> Vec<String> {
    let text = |text: &Text| match text {
        Text::Kept(secret) => Some(secret.clone()),
        Text::Written(_) => None,
    };
    let secrets = match &plan.way {
        Way::Webhook { door, .. } | Way::Alertmanager { door } => {
            [text(&door.url), door.token.clone()]
        }
        Way::Mail(mail) => [text(&mail.url), mail.password.clone()],
        Way::Command { .. } => [None, None],
    };
    let named = secrets
        .into_iter()
        .flatten()
        .filter_map(|secret| match secret {
            Secret::Env(name) => Some(name),
            Secret::File(_) => None,
        });
    named.collect()
}

async fn in_time<T>(work: impl Future<Output = Result<T, Failure>>) -> Result<T, Failure> {
    tokio::time::timeout(ATTEMPT_MAX, work)
        .await
        .unwrap_or_else(|_| Err(Failure::for_now("no answer in time")))
}

async fn send_to(
    door: &Door,
    own: impl Iterator<Item = (&str, String)>,
    content_type: &str,
    body: String,
) -> Result<(), Failure> {
    let target = Target::of(&secret::text(&door.url).await?)?;
    let mut headers = HeaderMap::new();
    post::add(&mut headers, "content-type", content_type)?;
    for (name, value) in own {
        post::add(&mut headers, name, &value)?;
    }
    if let Some(file) = &door.headers_file {
        for line in secret::lines(file).await?.lines() {
            if let Some((name, value)) = line.split_once(':') {
                post::add(&mut headers, name, value)?;
            }
        }
    }
    if let Some(token) = &door.token {
        let bearer = format!("Bearer {}", secret::read(token).await?);
        post::add(&mut headers, "authorization", &bearer)?;
    }
    post::post(door, &target, headers, body).await
}

/// Whether a notice goes by a way: its priority, and quiet hours.
#[must_use]
pub fn goes(plan: &Notify, priority: Priority, minute: u16) -> bool {
    let quiet = plan.quiet.is_some_and(|quiet| quiet.holds(minute))
        && (plan.quiet_all || priority < Priority::High);
    priority >= plan.at_least && !quiet
}

/// All ways of a plan, running.
#[derive(Debug, Default)]
pub struct Notifiers {
    ways: Vec<Running>,
}

#[derive(Debug)]
struct Running {
    plan: Notify,
    queue: Arc<Queue>,
    answers: Arc<AtomicBool>,
    task: JoinHandle<()>,
}

impl Drop for Running {
    fn drop(&mut self) {
        self.task.abort();
    }
}

/// The first and the longest pause between two tries.
pub type Pauses = (Duration, Duration);

/// See [`Pauses`].
pub const PAUSES: Pauses = (Duration::from_secs(1), Duration::from_secs(60));

impl Notifiers {
    /// Starts every way of the plan; those that ran and are the same go on.
    pub fn renew(&mut self, plans: &[Notify]) {
        let mut old = std::mem::take(&mut self.ways);
        for plan in plans {
            let same = old.iter().position(|running| running.plan == *plan);
            let running = match same {
                Some(index) => old.swap_remove(index),
                None => start(Sender::new(plan, plans)),
            };
            self.ways.push(running);
        }
    }

    /// News about an alarm, at this minute of the day. Never waits.
    pub fn tell(&self, notice: &Arc<Notice>, minute: u16) {
        for way in &self.ways {
            match notice.event {
                Event::Raised => {
                    if goes(&way.plan, notice.priority(), minute) {
                        way.queue.push(notice.clone());
                    }
                }
                Event::Acknowledged | Event::Over => {
                    let told = way.queue.settle(&notice.alarm.id, notice.event);
                    if told && way.plan.returned && notice.event == Event::Over {
                        way.queue.push(notice.clone());
                    }
                }
            }
        }
    }

    /// Whether any way's other end was there at the last try.
    #[must_use]
    pub fn any_answers(&self) -> bool {
        self.ways
            .iter()
            .any(|way| way.answers.load(Ordering::Relaxed))
    }

    /// What became of the notices, by way.
    pub fn counts(&self) -> impl Iterator<Item = (&str, Counts)> {
        self.ways
            .iter()
            .map(|way| (way.plan.id.as_str(), way.queue.counts()))
    }

    /// No way is there.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.ways.is_empty()
    }
}

fn start(sender: Sender) -> Running {
    let queue = Arc::new(Queue::default());
    let answers = Arc::new(AtomicBool::new(false));
    let plan = sender.plan.clone();
    let worker = work::Worker::new(sender, queue.clone(), answers.clone(), PAUSES);
    Running {
        plan,
        queue,
        answers,
        task: tokio::spawn(worker.run()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::time::Span;
    use crate::plan::notify::QuietHours;

    #[test]
    fn priority_and_quiet_hours_choose_the_way() {
        let way = Way::Command {
            command: vec!["x".into()],
            time_limit: Span::from_secs(1),
        };
        let mut plan = Notify {
            id: "a".into(),
            way,
            at_least: Priority::Medium,
            quiet: Some(QuietHours {
                from: 1_320,
                to: 420,
            }),
            quiet_all: false,
            returned: false,
        };
        let (day, night) = (720, 0);
        assert!(goes(&plan, Priority::Medium, day));
        assert!(!goes(&plan, Priority::Low, day));
        assert!(!goes(&plan, Priority::Medium, night));
        assert!(goes(&plan, Priority::High, night), "high goes unless said");
        plan.quiet_all = true;
        assert!(!goes(&plan, Priority::High, night));
        assert!(goes(&plan, Priority::High, day));
    }
}
