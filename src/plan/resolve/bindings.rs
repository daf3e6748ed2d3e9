//! Which topic speaks about what, and how its payload is read.
//!
//! Input: the sections and the resolved layout. Output: one binding a topic and subject. Whether
//! two of them get in each other's way is for the checks.

use super::{Context, value};
use crate::engine::ids::{DetectorId, FeedId, NodeId, PeerId, TableId, TurnoutId};
use crate::engine::layout::{Layout, PositionSource};
use crate::plan::names::{Sort, each};
use crate::plan::value::{FormatDoc, Spanned, TopicList, WordList};
use crate::plan::{Binding, Bound, Format, Listener, NodeWords, Words};

/// A binding and the place of its item or of its own key.
type Placed = (Binding, usize);

/// What an item says about its topics.
struct Speech<'p> {
    at: usize,
    topic: Option<&'p Spanned<String>>,
    asked_topic: Option<&'p Spanned<String>>,
    format: Format,
    record: Option<String>,
}

/// Makes the bindings.
#[must_use]
pub fn resolve(context: &mut Context<'_>, layout: &Layout) -> Vec<Placed> {
    let mut bindings = Vec::new();
    detectors(context, &mut bindings);
    turnouts(context, layout, &mut bindings);
    made_turnouts(context, layout, &mut bindings);
    tables(context, layout, &mut bindings);
    feeds(context, &mut bindings);
    nodes(context, &mut bindings);
    peers(context, layout, &mut bindings);
    bindings
}

fn detectors(context: &mut Context<'_>, bindings: &mut Vec<Placed>) {
    let words = super::peers::words(context.plan);
    for doc in each(&context.plan.detector) {
        let Some(id) = &doc.id else { continue };
        if words.contains(&id.value) {
            continue;
        }
        let format = format(context, &doc.format, &doc.words, &["on", "off"]);
        let Some(number) = context.names.get(&id.value, Sort::Detector) else {
            continue;
        };
        let topic = default_topic(context, "detector", &id.value);
        bindings.push(placed(
            doc.topic.as_ref(),
            (topic, id.at),
            Bound::Detector(DetectorId(number)),
            &format,
            value(&doc.record),
        ));
    }
}

const POINTS_WORDS: &[&str] = &["normal", "reverse", "moving"];

fn turnouts(context: &mut Context<'_>, layout: &Layout, bindings: &mut Vec<Placed>) {
    for doc in each(&context.plan.turnout) {
        let Some(id) = &doc.id else { continue };
        let format = format(context, &doc.format, &doc.words, POINTS_WORDS);
        let speech = Speech {
            at: id.at,
            topic: doc.topic.as_ref(),
            asked_topic: doc.asked_topic.as_ref(),
            format,
            record: value(&doc.record),
        };
        turnout(context, layout, &id.value, &speech, bindings);
    }
}

/// The turnouts that double crossovers and slips make.
fn made_turnouts(context: &mut Context<'_>, layout: &Layout, bindings: &mut Vec<Placed>) {
    fn topic<'p>(topics: &'p Option<Spanned<TopicList>>, end: &str) -> Option<&'p Spanned<String>> {
        let mut named = topics.iter().flat_map(|topics| &topics.value);
        named
            .find(|(name, _)| name.value == end)
            .map(|(_, topic)| topic)
    }
    for doc in each(&context.plan.double_crossover) {
        let Some(id) = &doc.id else { continue };
        let format = format(context, &doc.format, &doc.words, POINTS_WORDS);
        for end in ["a1", "a2", "b1", "b2"] {
            let speech = Speech {
                at: id.at,
                topic: topic(&doc.topics, end),
                asked_topic: topic(&doc.asked_topics, end),
                format: format.clone(),
                record: None,
            };
            turnout(
                context,
                layout,
                &format!("{}-{end}", id.value),
                &speech,
                bindings,
            );
        }
    }
    for doc in each(&context.plan.slip) {
        let Some(id) = &doc.id else { continue };
        let format = format(context, &doc.format, &doc.words, POINTS_WORDS);
        for end in ["1", "2"] {
            let speech = Speech {
                at: id.at,
                topic: topic(&doc.topics, end),
                asked_topic: topic(&doc.asked_topics, end),
                format: format.clone(),
                record: None,
            };
            turnout(
                context,
                layout,
                &format!("{}-{end}", id.value),
                &speech,
                bindings,
            );
        }
    }
}

fn turnout(
    context: &Context<'_>,
    layout: &Layout,
    id: &str,
    speech: &Speech<'_>,
    bindings: &mut Vec<Placed>,
) {
    let Some(number) = context.names.get(id, Sort::Turnout) else {
        return;
    };
    let source = layout
        .turnouts
        .get(number as usize)
        .map(|turnout| turnout.position);
    let position = match source {
        Some(PositionSource::Detected | PositionSource::Told) => true,
        Some(PositionSource::Contacts { .. } | PositionSource::None) | None => false,
    };
    let number = TurnoutId(number);
    if position {
        let bound = Bound::Position(number);
        let topic = (default_topic(context, "position", id), speech.at);
        bindings.push(placed(
            speech.topic,
            topic,
            bound,
            &speech.format,
            speech.record.clone(),
        ));
    }
    let asked = (default_topic(context, "asked", id), speech.at);
    let (bound, record) = (Bound::Asked(number), speech.record.clone());
    bindings.push(placed(
        speech.asked_topic,
        asked,
        bound,
        &speech.format,
        record,
    ));
}

fn tables(context: &mut Context<'_>, layout: &Layout, bindings: &mut Vec<Placed>) {
    for doc in each(&context.plan.table) {
        let Some(id) = &doc.id else { continue };
        let Some(number) = context.names.get(&id.value, Sort::Table) else {
            continue;
        };
        let table = layout.tables.get(number as usize);
        let stops = table.iter().flat_map(|table| &table.stops);
        let words: Vec<&str> = stops
            .map(|stop| stop.at.as_str())
            .chain(["between"])
            .collect();
        let format = format(context, &doc.format, &doc.words, &words);
        let number = TableId(number);
        for (bound, topic, kind) in [
            (Bound::TablePosition(number), &doc.topic, "position"),
            (Bound::TableAsked(number), &doc.asked_topic, "asked"),
        ] {
            let usual = (default_topic(context, kind, &id.value), id.at);
            bindings.push(placed(
                topic.as_ref(),
                usual,
                bound,
                &format,
                value(&doc.record),
            ));
        }
    }
}

fn feeds(context: &mut Context<'_>, bindings: &mut Vec<Placed>) {
    for doc in each(&context.plan.feed) {
        let Some(id) = &doc.id else { continue };
        let format = format(context, &doc.format, &doc.words, &["on", "off"]);
        let Some(number) = context.names.get(&id.value, Sort::Feed) else {
            continue;
        };
        if doc.via.is_some() {
            if let Some(topic) = &doc.topic {
                let message = "a feed that a position switches has no messages of its own";
                context.report.warning(
                    topic.at,
                    "no-effect",
                    message,
                    "take `topic` or `via` away",
                );
            }
            continue;
        }
        let usual = (default_topic(context, "feed", &id.value), id.at);
        let bound = Bound::Feed(FeedId(number));
        bindings.push(placed(
            doc.topic.as_ref(),
            usual,
            bound,
            &format,
            value(&doc.record),
        ));
    }
}

fn nodes(context: &mut Context<'_>, bindings: &mut Vec<Placed>) {
    for doc in each(&context.plan.node) {
        let Some(id) = &doc.id else { continue };
        let Some(number) = context.names.get(&id.value, Sort::Node) else {
            continue;
        };
        let (online, offline) = (
            value(&doc.online).unwrap_or_default(),
            value(&doc.offline).unwrap_or_default(),
        );
        if online == offline && !doc.broken {
            let at = doc.offline.as_ref().map_or(id.at, |offline| offline.at);
            let message = format!("`{online}` says both that the node has come and has gone");
            context
                .report
                .error(at, "word-twice", message, "give each a payload of its own");
        }
        let usual = (default_topic(context, "node", &id.value), id.at);
        let bound = Bound::Node(Box::new(NodeWords {
            node: NodeId(number),
            online,
            offline,
        }));
        // A node's payload is plain: the words are in the binding itself.
        bindings.push(placed(
            doc.topic.as_ref(),
            usual,
            bound,
            &Format::Words(Words::default()),
            None,
        ));
    }
}

fn peers(context: &Context<'_>, layout: &Layout, bindings: &mut Vec<Placed>) {
    for (peer, number) in layout.peers.iter().zip(0..) {
        let usual = (
            format!("{}/borders", peer.prefix),
            context.names.place(&peer.id),
        );
        let bound = Bound::Peer(PeerId(number));
        let format = Format::Words(Words::default());
        bindings.push(placed(None, usual, bound, &format, None));
    }
}

fn default_topic(context: &Context<'_>, kind: &str, id: &str) -> String {
    format!("{}/{kind}/{id}", context.prefix)
}

fn placed(
    topic: Option<&Spanned<String>>,
    (usual, at): (String, usize),
    subject: Bound,
    format: &Format,
    record: Option<String>,
) -> Placed {
    let (topic, at) = topic.map_or((usual, at), |topic| (topic.value.clone(), topic.at));
    (
        Binding {
            topic,
            listener: Listener {
                subject,
                format: format.clone(),
                record: record.map(String::into_boxed_str),
            },
        },
        at,
    )
}

/// How a payload is read. Words without a format mean the format `words`; that format without words
/// means our own words as plain text.
fn format(
    context: &mut Context<'_>,
    format: &Option<Spanned<FormatDoc>>,
    words: &Option<Spanned<WordList>>,
    allowed: &[&str],
) -> Format {
    let list = words
        .as_ref()
        .map(|words| word_list(context, &words.value, allowed));
    match (value(format), list) {
        (None, None) => Format::SenMl,
        (None | Some(FormatDoc::Words), Some(list)) => Format::Words(list),
        (Some(FormatDoc::Words), None) => Format::Words(
            allowed
                .iter()
                .map(|word| ((*word).to_owned(), vec![(*word).to_owned()]))
                .collect(),
        ),
        (Some(FormatDoc::Pointer(pointer)), list) => {
            Format::Pointer(Box::new((pointer, list.unwrap_or_default())))
        }
        (Some(format @ (FormatDoc::SenMl | FormatDoc::Number)), list) => {
            if list.is_some() {
                let at = words.as_ref().map_or(0, |words| words.at);
                let message = "words mean nothing in this format";
                let cure = "write format = \"words\" or \"pointer:/...\", or take `words` away";
                context.report.error(at, "key-without", message, cure);
            }
            if format == FormatDoc::SenMl {
                Format::SenMl
            } else {
                Format::Number
            }
        }
    }
}

fn word_list(context: &mut Context<'_>, list: &WordList, allowed: &[&str]) -> Words {
    let mut seen: Vec<&str> = Vec::new();
    for (word, texts) in list {
        if !allowed.contains(&word.value.as_str()) {
            let cure = crate::plan::names::did_you_mean(&word.value, allowed.iter().copied())
                .map_or_else(
                    || format!("the words here are {}", allowed.join(", ")),
                    |meant| format!("did you mean `{meant}`?"),
                );
            let message = format!("`{}` is not a word that is wanted here", word.value);
            context.report.error(word.at, "bad-word", message, cure);
        }
        for text in texts {
            if seen.contains(&text.value.as_str()) {
                let message = format!("`{}` has two meanings", text.value);
                context
                    .report
                    .error(text.at, "word-twice", message, "keep one of them");
            }
            seen.push(&text.value);
        }
    }
    let texts = |texts: &[Spanned<String>]| texts.iter().map(|text| text.value.clone()).collect();
    list.iter()
        .map(|(word, list)| (word.value.clone(), texts(list)))
        .collect()
}
