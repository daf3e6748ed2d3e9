//! Reading the plan file again, by SIGHUP or by request. A bad plan changes nothing and says so: in
//! the log, in the metrics, and to whoever asked.

use std::path::{Path, PathBuf};

use super::hub::{Hub, NoAnswer};
use super::topics;
use crate::plan::{self, Finding, Level, Plan};
use crate::wire::mqtt_topic;

/// The longest plan file that is read.
const PLAN_BYTES_MAX: u64 = 4 * 1_024 * 1_024;

/// Why the plan was not changed.
#[derive(Debug, thiserror::Error)]
pub enum ReloadError {
    /// The file cannot be read.
    #[error("the plan {} cannot be read, the old one stays: {error}", .file.display())]
    File {
        /// Which.
        file: PathBuf,
        /// Why.
        error: std::io::Error,
    },
    /// The plan has errors.
    #[error("the plan has errors ({errors}), the old one stays; the first: {first}")]
    Findings {
        /// How many.
        errors: usize,
        /// The first, in words.
        first: String,
        /// All, warnings included.
        findings: Vec<Finding>,
    },
    /// There is no file to read.
    #[error("this daemon was not started from a plan file")]
    NoFile,
    /// The daemon is stopping.
    #[error(transparent)]
    NoAnswer(#[from] NoAnswer),
}

impl ReloadError {
    /// The findings, where the plan has errors.
    #[must_use]
    pub fn findings(&self) -> &[Finding] {
        match self {
            Self::Findings { findings, .. } => findings,
            Self::File { .. } | Self::NoFile | Self::NoAnswer(_) => &[],
        }
    }

    fn of(findings: Vec<Finding>) -> Self {
        let mut errors = findings
            .iter()
            .filter(|finding| finding.level == Level::Error);
        let first = errors.next().map_or_else(String::new, |finding| {
            let Finding {
                file,
                line,
                column,
                message,
                cure,
                ..
            } = finding;
            format!("{file}:{line}:{column}: {message}; {cure}")
        });
        let errors = errors.count() + usize::from(!first.is_empty());
        Self::Findings {
            errors,
            first,
            findings,
        }
    }
}

/// Reads the file and changes to its plan; the warnings.
///
/// # Errors
/// When the file cannot be read, the plan has errors, or it changes what needs a restart.
pub async fn from_file(hub: &Hub, file: &Path) -> Result<Vec<Finding>, ReloadError> {
    let changed = change(hub, file).await;
    hub.metrics.plan_reloaded.set(i64::from(changed.is_ok()));
    match &changed {
        Ok(findings) => {
            let (file, warnings) = (file.display(), findings.len());
            tracing::info!(%file, warnings, "the plan was loaded");
        }
        Err(error) => tracing::warn!(%error, "the plan was not loaded"),
    }
    changed
}

async fn change(hub: &Hub, file: &Path) -> Result<Vec<Finding>, ReloadError> {
    let text = read(file).await.map_err(|error| ReloadError::File {
        file: file.into(),
        error,
    })?;
    let (plan, findings) = plan::load(&text, &file.display().to_string());
    let Some(plan) = plan else {
        return Err(ReloadError::of(findings));
    };
    let Err(mut refused) = hub.reload(plan).await? else {
        return Ok(findings);
    };
    for finding in &mut refused {
        finding.file = file.display().to_string();
    }
    Err(ReloadError::of(refused))
}

async fn read(file: &Path) -> std::io::Result<String> {
    let length = tokio::fs::metadata(file).await?.len();
    if length > PLAN_BYTES_MAX {
        return Err(std::io::Error::other(format!(
            "it has {length} bytes; is it a plan?"
        )));
    }
    tokio::fs::read_to_string(file).await
}

/// What a running daemon cannot change: a finding for each.
///
/// # Errors
/// When the new plan changes something that the shell was started with.
pub fn needs_restart(old: &Plan, new: &Plan) -> Result<(), Vec<Finding>> {
    let subscribed = topics::subscriptions(old, true);
    let hears = |topic: &&str| {
        subscribed
            .iter()
            .any(|filter| mqtt_topic::matches(filter, topic))
    };
    let unheard = new.bindings.iter().map(|binding| binding.topic.as_str());
    let unheard = unheard.filter(|topic| !hears(topic)).count();
    let changed = [
        (
            old.topic_prefix != new.topic_prefix,
            "[layout] topic_prefix",
        ),
        (old.mqtt != new.mqtt, "[mqtt]"),
        (old.web != new.web, "[web]"),
        (old.journal != new.journal, "[journal]"),
        (unheard > 0, "a topic of its own that no item had before"),
    ];
    let findings: Vec<Finding> = changed
        .into_iter()
        .filter(|(changed, _)| *changed)
        .map(|(_, what)| Finding {
            level: Level::Error,
            file: String::new(),
            line: 1,
            column: 1,
            code: "needs-restart",
            message: format!("{what} is different, which a running daemon cannot change"),
            cure: "restart the daemon, or change it back".into(),
        })
        .collect();
    if findings.is_empty() {
        Ok(())
    } else {
        Err(findings)
    }
}
