//! Topics: two items that choose the same record, and topics that are our own output.

use std::collections::BTreeMap;

use super::Looking;
use crate::engine::layout::{Decide, DetectorKind};
use crate::plan::names::Sort;
use crate::plan::report::Report;
use crate::plan::value::{Spanned, topic_fault};
use crate::plan::{Binding, Bound, Format};

/// What the daemon publishes itself, below the prefix (contract: 'Out').
const OWN: &[&str] = &["state", "alarm", "say", "status", "borders", "do"];

/// Checks the prefix and all bindings.
pub fn check(looking: &Looking<'_>, report: &mut Report) {
    let layout = looking.plan.layout.as_ref().map(|layout| &layout.value);
    let prefix = layout.and_then(|layout| layout.topic_prefix.as_ref());
    if let Some(prefix) = prefix {
        check_prefix(prefix, report);
    }
    let prefix = prefix.map_or("", |prefix| prefix.value.as_str());
    let mut by_choice: BTreeMap<(&str, Choice<'_>), &Binding> = BTreeMap::new();
    for (binding, at) in &looking.resolved.bindings {
        let topic = binding.topic.as_str();
        if let Some((fault, cure)) = topic_fault(topic) {
            let shown: String = topic.chars().take(40).collect();
            report.error(
                *at,
                "bad-topic",
                format!("the topic `{shown}` {fault}"),
                cure,
            );
            continue;
        }
        let below = topic
            .strip_prefix(prefix)
            .and_then(|rest| rest.strip_prefix('/'));
        let own = below.and_then(|below| below.split('/').next());
        if own.is_some_and(|own| OWN.contains(&own)) {
            let message = format!("`{topic}` is a topic that the daemon itself speaks or obeys");
            report.error(
                *at,
                "own-topic",
                message,
                "use another topic for what comes in",
            );
            continue;
        }
        let choice = (topic, choice(looking, binding));
        if let Some(first) = by_choice.get(&choice) {
            let (first, second) = (subject(looking, first), subject(looking, binding));
            let message = format!("{second} and {first} take the same record of `{topic}`");
            let cure = "give each its own `record`, or its own topic";
            report.error(*at, "record-twice", message, cure);
            continue;
        }
        by_choice.insert(choice, binding);
    }
}

fn check_prefix(prefix: &Spanned<String>, report: &mut Report) {
    if prefix.value.starts_with('$') {
        let message = "topics that begin with $ are the broker's own (MQTT 3.1.1 s 4.7.2)";
        report.error(prefix.at, "bad-topic", message, "begin it with a letter");
    }
    if prefix.value.starts_with('/') || prefix.value.ends_with('/') {
        let message = "a / at the end of the prefix makes an empty step in every topic";
        report.warning(prefix.at, "bad-topic", message, "take the / away");
    }
}

/// What an item takes from its topic's payload.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Choice<'b> {
    /// A record of a pack, by name, of those whose values are of this family.
    Record(Option<&'b str>, Family),
    /// The whole payload.
    Whole(Family),
    /// What a pointer points at.
    Pointer(&'b str, Family),
}

/// Values that cannot be taken for one another.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Family {
    Current,
    Light,
    OnOrOff,
    Position,
    Feed,
    Node,
    Peer,
}

fn choice<'b>(looking: &Looking<'_>, binding: &'b Binding) -> Choice<'b> {
    let family = family(looking, &binding.listener.subject);
    match &binding.listener.format {
        Format::SenMl => Choice::Record(binding.listener.record.as_deref(), family),
        Format::Number | Format::Words(_) => Choice::Whole(family),
        Format::Pointer(pointed) => Choice::Pointer(&pointed.0, family),
    }
}

fn family(looking: &Looking<'_>, subject: &Bound) -> Family {
    match subject {
        Bound::Detector(id) => {
            let detector = looking.detector(looking.names.id(Sort::Detector, id.index()));
            match detector.map(|detector| (detector.decide, detector.kind)) {
                Some((Decide::Threshold { .. } | Decide::Sequential(_), DetectorKind::Current)) => {
                    Family::Current
                }
                Some((Decide::Threshold { .. } | Decide::Sequential(_), _)) => Family::Light,
                Some((Decide::Boolean, _)) | None => Family::OnOrOff,
            }
        }
        Bound::Position(_) | Bound::Asked(_) | Bound::TablePosition(_) | Bound::TableAsked(_) => {
            Family::Position
        }
        Bound::Feed(_) => Family::Feed,
        Bound::Node(_) => Family::Node,
        Bound::Peer(_) => Family::Peer,
    }
}

fn subject(looking: &Looking<'_>, binding: &Binding) -> String {
    let id = |sort, index: usize| looking.names.id(sort, index);
    match &binding.listener.subject {
        Bound::Detector(detector) => format!("`{}`", id(Sort::Detector, detector.index())),
        Bound::Position(points) => {
            format!("the position of `{}`", id(Sort::Turnout, points.index()))
        }
        Bound::Asked(points) => format!("what is asked of `{}`", id(Sort::Turnout, points.index())),
        Bound::TablePosition(table) => {
            format!("the position of `{}`", id(Sort::Table, table.index()))
        }
        Bound::TableAsked(table) => {
            format!("what is asked of `{}`", id(Sort::Table, table.index()))
        }
        Bound::Feed(feed) => format!("`{}`", id(Sort::Feed, feed.index())),
        Bound::Node(words) => format!("`{}`", id(Sort::Node, words.node.index())),
        Bound::Peer(peer) => {
            let peers = &looking.resolved.layout.peers;
            let peer = peers.get(peer.index()).map_or("", |peer| &peer.id);
            format!("the borders of `{peer}`")
        }
    }
}
