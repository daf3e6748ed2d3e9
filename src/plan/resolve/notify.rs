//! `[[notify]]`: each way out, with what it needs and nothing that it does not.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use super::value;
use crate::engine::alarm::kinds::Priority;
use crate::plan::document::PlanDoc;
use crate::plan::document::notify::{NotifyDoc, WayKind};
use crate::plan::names::each;
use crate::plan::notify::{
    Door, FIELDS, Mail, Notify, QuietHours, Secret, Text, Way, unknown_fields,
};
use crate::plan::report::Report;
use crate::plan::value::Spanned;

/// Every way out.
#[must_use]
pub fn notify(plan: &PlanDoc, file: &str, report: &mut Report) -> Vec<Notify> {
    let mut taken = BTreeSet::new();
    let mut ways = Vec::new();
    for (index, doc) in each(&plan.notify).enumerate() {
        let number = index + 1;
        let id = value(&doc.id).unwrap_or_else(|| format!("notify-{number}"));
        if !taken.insert(id.clone()) {
            let message = format!("two ways out have the id `{id}`");
            report.error(
                place(&doc.id, doc.at),
                "id-twice",
                message,
                "give one another id",
            );
        }
        if !doc.broken {
            let folder = Path::new(file).parent().unwrap_or(Path::new(""));
            let reading = Reading {
                doc,
                folder,
                report: &mut *report,
            };
            ways.extend(reading.way(id));
        }
    }
    ways
}

fn place<T>(key: &Option<Spanned<T>>, otherwise: usize) -> usize {
    key.as_ref().map_or(otherwise, |key| key.at)
}

/// One way out being read.
struct Reading<'d> {
    doc: &'d NotifyDoc,
    folder: &'d Path,
    report: &'d mut Report,
}

impl Reading<'_> {
    fn way(mut self, id: String) -> Option<Notify> {
        let doc = self.doc;
        let kind = value(&doc.kind)?;
        self.no_effect(kind);
        let way = match kind {
            WayKind::Webhook => self.webhook(),
            WayKind::Alertmanager => Some(Way::Alertmanager { door: self.door()? }),
            WayKind::Mail => self.mail(),
            WayKind::Command => self.command(),
        }?;
        let quiet = doc.quiet.as_ref().map(|quiet| {
            let [from, to] = &quiet.value;
            if from.value == to.value {
                let message = "`quiet` begins and ends at the same time: it is never quiet";
                let cure = "write from when to when, or leave it out";
                self.report.warning(quiet.at, "no-effect", message, cure);
            }
            QuietHours {
                from: from.value,
                to: to.value,
            }
        });
        Some(Notify {
            id,
            returned: kind == WayKind::Alertmanager || value(&doc.returned).unwrap_or_default(),
            way,
            at_least: value(&doc.at_least).unwrap_or(Priority::Medium),
            quiet,
            quiet_all: value(&doc.quiet_all).unwrap_or_default(),
        })
    }

    fn missing<T>(&mut self, key: &str, cure: &str) -> Option<T> {
        let message = format!("[[notify]] has no `{key}`");
        self.report.error(self.doc.at, "missing-key", message, cure);
        None
    }

    fn path(&self, written: &Option<Spanned<String>>) -> Option<PathBuf> {
        written.as_ref().map(|file| self.folder.join(&file.value))
    }

    /// A secret that is in a file or in the environment, and not in both.
    fn secret(
        &mut self,
        file: &Option<Spanned<String>>,
        env: &Option<Spanned<String>>,
    ) -> Option<Secret> {
        match (file, env) {
            (Some(_), Some(env)) => {
                let message = "a secret that is kept in two places";
                self.report.error(
                    env.at,
                    "two-secrets",
                    message,
                    "keep the file or the variable",
                );
                None
            }
            (Some(_), None) => self.path(file).map(Secret::File),
            (None, Some(env)) => Some(Secret::Env(env.value.clone())),
            (None, None) => None,
        }
    }

    /// The address, with one of these schemes where it is written.
    fn url(&mut self, schemes: [&str; 2]) -> Option<Text> {
        let doc = self.doc;
        let kept = self.secret(&doc.url_file, &doc.url_env);
        let Some(url) = &doc.url else {
            return match kept {
                Some(kept) => Some(Text::Kept(kept)),
                None => self.missing("url", &format!("add `url = \"{}://...\"`", schemes[0])),
            };
        };
        if kept.is_some() {
            let message = "an address that is written and kept elsewhere too";
            self.report
                .error(url.at, "two-secrets", message, "keep one of them");
        }
        let scheme = url.value.split_once("://").map_or("", |(scheme, _)| scheme);
        if !schemes.contains(&scheme) {
            let message = format!("`url` begins with {scheme}:// here");
            let cure = format!("write {}://host or {}://host", schemes[0], schemes[1]);
            self.report.error(url.at, "bad-address", message, cure);
            return None;
        }
        Some(Text::Written(url.value.clone()))
    }

    fn door(&mut self) -> Option<Door> {
        let doc = self.doc;
        let url = self.url(["http", "https"]);
        let token = self.secret(&doc.token_file, &doc.token_env);
        Some(Door {
            url: url?,
            token,
            headers_file: self.path(&doc.headers_file),
            ca_file: self.path(&doc.ca_file),
        })
    }

    fn webhook(&mut self) -> Option<Way> {
        let doc = self.doc;
        let mut headers = Vec::new();
        for header in doc.headers.iter().flat_map(|headers| &headers.value) {
            self.template(header);
            match header.value.split_once(':') {
                Some((name, text)) if is_header_name(name) => {
                    headers.push((name.to_owned(), text.trim().to_owned()));
                }
                _ => {
                    let message = format!("`{}` is not a header", header.value);
                    let cure = "write it as \"Name: value\"";
                    self.report.error(header.at, "bad-header", message, cure);
                }
            }
        }
        if let Some(body) = &doc.body {
            self.template(body);
        }
        Some(Way::Webhook {
            door: self.door()?,
            body: value(&doc.body),
            content_type: value(&doc.content_type)?,
            headers,
        })
    }

    fn template(&mut self, text: &Spanned<String>) {
        for field in unknown_fields(&text.value) {
            let message = format!("a template cannot say `{{{{{field}}}}}`");
            let cure = format!("the words are {}", FIELDS.join(", "));
            self.report.error(text.at, "unknown-field", message, cure);
        }
    }

    fn mail(&mut self) -> Option<Way> {
        let doc = self.doc;
        let url = self.url(["smtp", "smtps"]);
        let password = self.secret(&doc.password_file, &doc.password_env);
        if password.is_some() != doc.user.is_some() {
            let message = "a user without a password, or a password without a user";
            let at = place(&doc.user, doc.at);
            let cure = "give `user` and `password_file`, or neither";
            self.report.error(at, "key-without", message, cure);
        }
        let plain = value(&doc.plain).unwrap_or_default();
        if plain && password.is_some() {
            let message = "the password would go over the network for all to read";
            let at = place(&doc.plain, doc.at);
            self.report
                .error(at, "open-password", message, "take `plain` away");
        }
        let to: Vec<String> = doc
            .to
            .iter()
            .flat_map(|to| to.value.iter().map(|one| one.value.clone()))
            .collect();
        if to.is_empty() {
            return self.missing("to", "add `to = [\"you@example.org\"]`");
        }
        let Some(from) = value(&doc.from) else {
            return self.missing("from", "add `from = \"layout@example.org\"`");
        };
        Some(Way::Mail(Mail {
            url: url?,
            plain,
            from,
            to,
            user: value(&doc.user),
            password,
            ca_file: self.path(&doc.ca_file),
        }))
    }

    fn command(&mut self) -> Option<Way> {
        let doc = self.doc;
        let words = doc.command.iter().flat_map(|command| &command.value);
        let command: Vec<String> = words.clone().map(|word| word.value.clone()).collect();
        if command.first().is_none_or(String::is_empty) {
            return self.missing(
                "command",
                "add `command = [\"/path/to/program\", \"{{text}}\"]`",
            );
        }
        for word in words {
            self.template(word);
        }
        let limit = value(&doc.time_limit_s)?;
        Some(Way::Command {
            command,
            time_limit: limit,
        })
    }

    /// Keys that this kind does not read.
    fn no_effect(&mut self, kind: WayKind) {
        use WayKind::{Alertmanager, Command, Mail, Webhook};
        let doc = self.doc;
        let text = |key: &Option<Spanned<String>>| key.as_ref().map(|key| key.at);
        let list = |key: &Option<Spanned<Vec<Spanned<String>>>>| key.as_ref().map(|key| key.at);
        let given =
            |key: &Option<Spanned<bool>>| key.as_ref().filter(|key| key.given).map(|key| key.at);
        let rows: [(&str, Option<usize>, &[WayKind]); 15] = [
            ("url", text(&doc.url), &[Webhook, Alertmanager, Mail]),
            (
                "url_file",
                text(&doc.url_file),
                &[Webhook, Alertmanager, Mail],
            ),
            (
                "url_env",
                text(&doc.url_env),
                &[Webhook, Alertmanager, Mail],
            ),
            ("body", text(&doc.body), &[Webhook]),
            ("headers", list(&doc.headers), &[Webhook]),
            (
                "headers_file",
                text(&doc.headers_file),
                &[Webhook, Alertmanager],
            ),
            (
                "token_file",
                text(&doc.token_file),
                &[Webhook, Alertmanager],
            ),
            ("token_env", text(&doc.token_env), &[Webhook, Alertmanager]),
            (
                "ca_file",
                text(&doc.ca_file),
                &[Webhook, Alertmanager, Mail],
            ),
            ("from", text(&doc.from), &[Mail]),
            ("to", list(&doc.to), &[Mail]),
            ("user", text(&doc.user), &[Mail]),
            ("password_file", text(&doc.password_file), &[Mail]),
            ("plain", given(&doc.plain), &[Mail]),
            ("command", list(&doc.command), &[Command]),
        ];
        for (key, at, kinds) in rows {
            if let Some(at) = at.filter(|_| !kinds.contains(&kind)) {
                let message = format!("`{key}` is not read by this kind of way out");
                self.report
                    .warning(at, "no-effect", message, "take it away, or mend `kind`");
            }
        }
    }
}

/// RFC 9110, section 5.1: a token.
fn is_header_name(name: &str) -> bool {
    let of_token = |byte: u8| byte.is_ascii_alphanumeric() || b"!#$%&'*+-.^_`|~".contains(&byte);
    !name.is_empty() && name.bytes().all(of_token)
}
