//! The shell's settings: broker, page, journal.
//!
//! Paths are relative to the plan's folder, so that a plan works wherever the daemon is started.

use std::net::SocketAddr;
use std::path::{Path, PathBuf};

use super::value;
use crate::plan::document::settings::{JournalDoc, MqttDoc, TrainsDoc, WebDoc};
use crate::plan::document::{PlanDoc, Section};
use crate::plan::report::Report;
use crate::plan::value::Spanned;
use crate::plan::{Journal, Mqtt, Web, Wheelsets};

fn path(file: &str, written: &Option<Spanned<String>>) -> Option<PathBuf> {
    let folder = Path::new(file).parent().unwrap_or(Path::new(""));
    written.as_ref().map(|written| folder.join(&written.value))
}

/// `[mqtt]`.
#[must_use]
pub fn mqtt(plan: &PlanDoc, file: &str, report: &mut Report) -> Option<Mqtt> {
    let absent;
    let doc = match &plan.mqtt {
        Some(section) => &section.value,
        None => {
            absent = MqttDoc::absent();
            &absent
        }
    };
    let embedded = value(&doc.embedded);
    match &doc.url {
        Some(url) => external(doc, url, embedded, file, report),
        None if embedded == Some(false) && !doc.broken => {
            let at = doc.embedded.as_ref().map_or(doc.at, |embedded| embedded.at);
            let message = "there is no broker: `embedded` is false and there is no `url`";
            let cure = "add `url = \"mqtt://host:1883\"`, or take `embedded` away";
            report.error(at, "no-broker", message, cure);
            None
        }
        None => self::embedded(doc, file, report),
    }
}

fn external(
    doc: &MqttDoc,
    url: &Spanned<String>,
    embedded: Option<bool>,
    file: &str,
    report: &mut Report,
) -> Option<Mqtt> {
    let listen = doc
        .listen
        .as_ref()
        .filter(|listen| listen.given)
        .map(|listen| listen.at);
    if embedded == Some(true) || listen.is_some() {
        let message = "two brokers: one inside the daemon and one elsewhere";
        let cure = "keep `url`, or keep `embedded` and `listen`";
        report.error(listen.unwrap_or(url.at), "two-brokers", message, cure);
        return None;
    }
    let anonymous = doc
        .allow_anonymous
        .as_ref()
        .filter(|anonymous| anonymous.given);
    if let Some(anonymous) = anonymous {
        let message = "`allow_anonymous` is for the broker inside the daemon";
        report.warning(anonymous.at, "no-effect", message, "take it away");
    }
    if let Some(ca) = &doc.ca_file
        && !url.value.starts_with("mqtts://")
    {
        let message = "`ca_file` is for mqtts:// only";
        report.warning(
            ca.at,
            "no-effect",
            message,
            "write mqtts:// in `url`, or take it away",
        );
    }
    if let Some(password) = &doc.password_file
        && doc.user.is_none()
    {
        let message = "a password without a user (MQTT 3.1.1 s 3.1.2.9 does not allow it)";
        report.error(password.at, "key-without", message, "add `user`");
    }
    Some(Mqtt::External {
        url: url.value.clone(),
        user: value(&doc.user),
        password_file: path(file, &doc.password_file),
        ca_file: path(file, &doc.ca_file),
        accept_commands: value(&doc.accept_commands).unwrap_or_default(),
    })
}

fn embedded(doc: &MqttDoc, file: &str, report: &mut Report) -> Option<Mqtt> {
    let listen = doc.listen.as_ref()?;
    let said = value(&doc.allow_anonymous).unwrap_or_default();
    let local = is_local(listen.value);
    if !local && !said && doc.password_file.is_none() {
        let message = format!("anybody on the network could connect to {}", listen.value);
        let cure = "add `password_file`, or listen on 127.0.0.1, or say `allow_anonymous = true`";
        report.error(listen.at, "open-broker", message, cure);
    }
    for (key, name) in [(&doc.user, "user"), (&doc.ca_file, "ca_file")] {
        if let Some(key) = key {
            let message = format!("`{name}` is for a broker elsewhere");
            let cure = "take it away; the users of the broker inside the daemon are the lines of \
                        `password_file`";
            report.warning(key.at, "no-effect", message, cure);
        }
    }
    Some(Mqtt::Embedded {
        listen: listen.value,
        password_file: path(file, &doc.password_file),
        // On this computer alone nothing has to be said aloud.
        allow_anonymous: said || (local && doc.password_file.is_none()),
        accept_commands: value(&doc.accept_commands).unwrap_or_default(),
    })
}

fn is_local(address: SocketAddr) -> bool {
    address.ip().is_loopback()
}

/// `[web]`.
#[must_use]
pub fn web(plan: &PlanDoc, file: &str, report: &mut Report) -> Option<Web> {
    let absent;
    let doc = match &plan.web {
        Some(section) => &section.value,
        None => {
            absent = WebDoc::absent();
            &absent
        }
    };
    let listen = doc.listen.as_ref()?;
    if !is_local(listen.value) && doc.pin_file.is_none() {
        let message = "anybody on the network can acknowledge alarms and name trains";
        let cure = "add `pin_file`, or listen on 127.0.0.1";
        report.warning(listen.at, "open-page", message, cure);
    }
    let tls = doc.tls.as_ref().map(|tls| &tls.value);
    let tls = tls.and_then(|tls| path(file, &tls.cert).zip(path(file, &tls.key)));
    let hosts = doc.allowed_hosts.iter().flat_map(|hosts| &hosts.value);
    for host in hosts.clone() {
        if host.value.contains(['/', ' ']) {
            let message = format!("`{}` is not a host's name", host.value);
            let cure = "write the name alone, without http:// and without a path";
            report.error(host.at, "bad-address", message, cure);
        }
    }
    Some(Web {
        listen: listen.value,
        pin_file: path(file, &doc.pin_file),
        tls,
        allowed_hosts: hosts.map(|host| host.value.clone()).collect(),
    })
}

/// The wheelsets of `[trains]`.
#[must_use]
pub fn wheelsets(plan: &PlanDoc) -> Wheelsets {
    let doc = plan.trains.as_ref().map(|section| section.value.clone());
    let doc = doc.unwrap_or_else(TrainsDoc::absent);
    let usual = Wheelsets::default();
    Wheelsets {
        ohms: value(&doc.wheelset_ohms).unwrap_or(usual.ohms),
        per_car: value(&doc.wheelsets_per_car).unwrap_or(usual.per_car),
        track_volts: value(&doc.track_volts).unwrap_or(usual.track_volts),
    }
}

/// `[journal]`.
#[must_use]
pub fn journal(plan: &PlanDoc, file: &str) -> Option<Journal> {
    let doc = plan.journal.as_ref().map(|section| section.value.clone());
    let doc = doc.unwrap_or_else(JournalDoc::absent);
    Some(Journal {
        path: path(file, &doc.path)?,
        keep_days: value(&doc.keep_days)?,
        keep_mb: value(&doc.keep_mb)?,
        raw_mb: value(&doc.raw_mb).unwrap_or(0),
    })
}
