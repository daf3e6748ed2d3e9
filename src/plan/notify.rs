//! `[[notify]]` as resolved: the ways out by which a warning leaves the program.
//!
//! No secret is in a plan: only where it is kept.

use std::path::PathBuf;

use crate::engine::alarm::kinds::Priority;
use crate::engine::time::Span;

/// One way out.
#[derive(Clone, Debug, PartialEq)]
pub struct Notify {
    /// Its name in logs, metrics and commands.
    pub id: String,
    /// How it goes.
    pub way: Way,
    /// Less urgent alarms do not go this way.
    pub at_least: Priority,
    /// When it is kept quiet, by the clock on the wall.
    pub quiet: Option<QuietHours>,
    /// In quiet hours even what is of high priority does not go this way.
    pub quiet_all: bool,
    /// Whether it is told too when an alarm is over.
    pub returned: bool,
}

/// How a warning goes.
#[derive(Clone, Debug, PartialEq)]
pub enum Way {
    /// A POST: CloudEvents 1.0 JSON, or a body of the plan's.
    Webhook {
        /// Where, and as whom.
        door: Door,
        /// A template, instead of CloudEvents.
        body: Option<String>,
        /// The media type of `body`.
        content_type: String,
        /// More headers: name and template.
        headers: Vec<(String, String)>,
    },
    /// An alert manager with the HTTP interface `/api/v2/alerts`.
    Alertmanager {
        /// Where, and as whom.
        door: Door,
    },
    /// An e-mail.
    Mail(Mail),
    /// A program of this computer.
    Command {
        /// Program and arguments, each a template; no shell reads them.
        command: Vec<String>,
        /// It is ended when it runs for longer.
        time_limit: Span,
    },
}

impl Way {
    /// The word in the plan.
    #[must_use]
    pub const fn word(&self) -> &'static str {
        match self {
            Self::Webhook { .. } => "webhook",
            Self::Alertmanager { .. } => "alertmanager",
            Self::Mail(_) => "mail",
            Self::Command { .. } => "command",
        }
    }
}

/// An address on the web, and what opens it.
#[derive(Clone, Debug, PartialEq)]
pub struct Door {
    /// `http://` or `https://`.
    pub url: Text,
    /// Sent as `Authorization: Bearer`.
    pub token: Option<Secret>,
    /// A file of lines `Name: value`: headers that nobody else should read.
    pub headers_file: Option<PathBuf>,
    /// Whom we trust, for `https`; else whom the system trusts.
    pub ca_file: Option<PathBuf>,
}

/// An e-mail's way.
#[derive(Clone, Debug, PartialEq)]
pub struct Mail {
    /// `smtp://` (with STARTTLS) or `smtps://` (with TLS from the first byte).
    pub url: Text,
    /// Without TLS, said aloud.
    pub plain: bool,
    /// Who it is from.
    pub from: String,
    /// To whom.
    pub to: Vec<String>,
    /// As whom we log in.
    pub user: Option<String>,
    /// With which password.
    pub password: Option<Secret>,
    /// Whom we trust; else whom the system trusts.
    pub ca_file: Option<PathBuf>,
}

/// A text that is written in the plan, or kept elsewhere because it opens something.
#[derive(Clone, Debug, PartialEq)]
pub enum Text {
    /// As written.
    Written(String),
    /// Kept elsewhere.
    Kept(Secret),
}

/// Where a secret is kept.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Secret {
    /// Alone in a file.
    File(PathBuf),
    /// In a variable of the environment.
    Env(String),
}

/// From when to when, in minutes of the day; over midnight where the end is before the beginning.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct QuietHours {
    /// The first quiet minute.
    pub from: u16,
    /// The first that is not.
    pub to: u16,
}

impl QuietHours {
    /// Whether a minute of the day is quiet.
    #[must_use]
    pub const fn holds(self, minute: u16) -> bool {
        if self.from <= self.to {
            minute >= self.from && minute < self.to
        } else {
            minute >= self.from || minute < self.to
        }
    }
}

/// What a template can say, `{{word}}` each.
pub const FIELDS: [&str; 11] = [
    "text", "do", "id", "type", "subject", "priority", "state", "event", "at", "layout", "seconds",
];

/// The words of a template that are none of [`FIELDS`].
#[must_use]
pub fn unknown_fields(template: &str) -> Vec<&str> {
    let fields = template.split("{{").skip(1);
    fields
        .filter_map(|rest| rest.split_once("}}"))
        .map(|(field, _)| field.trim())
        .filter(|field| !FIELDS.contains(field))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quiet_hours_go_over_midnight() {
        let night = QuietHours {
            from: 1_320,
            to: 420,
        };
        assert!(night.holds(1_320) && night.holds(0) && night.holds(419));
        assert!(!night.holds(420) && !night.holds(1_319));
        let noon = QuietHours { from: 720, to: 780 };
        assert!(noon.holds(720) && !noon.holds(780) && !noon.holds(0));
    }

    #[test]
    fn fields_that_a_template_cannot_say_are_found() {
        assert!(unknown_fields("{\"a\":\"{{text}}\",\"b\":{}}").is_empty());
        assert_eq!(unknown_fields("{{ text }} {{txet}} {{"), ["txet"]);
    }
}
