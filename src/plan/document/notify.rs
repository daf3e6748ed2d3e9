//! `[[notify]]` as written: the ways out.

use super::sections;
use crate::engine::alarm::kinds::Priority;
use crate::plan::report::Report;
use crate::plan::value::{
    ClockTime, Flag, Id, Kind, List, NotifyUrl, Pair, Payload, Seconds, Text, one_of, words,
};
use serde_json::{Value as Json, json};
use toml_edit::Item;

/// How a warning goes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum WayKind {
    /// A POST.
    Webhook,
    /// `/api/v2/alerts`.
    Alertmanager,
    /// SMTP.
    Mail,
    /// A program.
    Command,
}

words! {
    /// How a warning goes.
    WayWord -> WayKind {
        "webhook" => WayKind::Webhook,
        "alertmanager" => WayKind::Alertmanager,
        "mail" => WayKind::Mail,
        "command" => WayKind::Command,
    }

    /// How urgent.
    PriorityWord -> Priority {
        "low" => Priority::Low,
        "medium" => Priority::Medium,
        "high" => Priority::High,
    }
}

sections! {
    /// A way out by which warnings leave: a webhook, an alert manager, an e-mail, a program.
    /// Secrets are kept in files or in the environment, never here.
    NotifyDoc "[[notify]]" {
        /// Its name in logs, metrics and `notify-test`. Left out: `notify-1` and so on.
        id: Id,
        /// How it goes: a webhook, an alert manager's `/api/v2/alerts`, an e-mail, a program.
        kind: WayWord = "webhook",
        /// Where: http:// or https:// for webhook and alertmanager; smtp:// (with STARTTLS) or
        /// smtps:// for mail.
        url: NotifyUrl,
        /// A file that holds the address alone, where the address itself is a secret.
        url_file: Text,
        /// A variable of the environment that holds it.
        url_env: Text,
        /// A template of the webhook's body, instead of CloudEvents JSON. `{{text}}` is the
        /// sentence; also do, id, type, subject, priority, state, event, at, layout, seconds. In
        /// JSON (see `content_type`) each is escaped.
        body: Payload,
        /// The media type of `body`.
        content_type: Text = "text/plain; charset=utf-8",
        /// More headers of the webhook, such as "Title: {{layout}}".
        headers: List<Text>,
        /// A file of such lines, for those that are secrets.
        headers_file: Text,
        /// A file that holds a token alone, sent as `Authorization: Bearer`.
        token_file: Text,
        /// A variable of the environment that holds it.
        token_env: Text,
        /// PEM certificates of whom we trust; left out: whom the system trusts.
        ca_file: Text,
        /// Who the mail is from.
        from: Text,
        /// To whom it goes.
        to: List<Text>,
        /// As whom we log in to the mail server.
        user: Text,
        /// A file that holds the password alone.
        password_file: Text,
        /// A variable of the environment that holds it.
        password_env: Text,
        /// Mail without TLS, said aloud: for a server on this computer or a network that is yours.
        plain: Flag = false,
        /// Program and arguments, each a template as `body` is. No shell reads them.
        command: List<Payload>,
        /// The program is ended when it runs for longer, in seconds.
        time_limit_s: Seconds = 10,
        /// Less urgent alarms do not go this way.
        at_least: PriorityWord = "medium",
        /// From when to when it is quiet, by the clock on the wall: ["22:00", "07:00"]. What is of
        /// high priority goes all the same.
        quiet: Pair<ClockTime>,
        /// In quiet hours nothing goes, not even what is of high priority.
        quiet_all: Flag = false,
        /// Also tell when an alarm is over. An alert manager is always told.
        returned: Flag = false,
    }
}
