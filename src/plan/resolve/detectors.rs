//! Detectors and nodes: what each watches, and how its samples become evidence.

use std::collections::BTreeMap;

use super::{Context, in_order, shown, span, value};
use crate::engine::ids::{CrossingId, DetectorId, TableId, TurnoutId};
use crate::engine::layout::{
    Decide, Detector, DetectorKind, Layout, Leg, Node, PositionSource, Sequential, Subject, Watches,
};
use crate::engine::time::Span;
use crate::plan::document::PlanDoc;
use crate::plan::document::devices::{DecideDoc, DetectorDoc};
use crate::plan::names::{Sort, each};
use crate::plan::value::FormatDoc;

/// Plausible readings where the plan does not say, by unit (behaviour.md, section 1).
const RANGES: &[(&str, (f64, f64))] = &[
    ("mA", (-20.0, 20_000.0)),
    ("%", (-5.0, 105.0)),
    ("/", (-0.05, 1.05)),
    ("lx", (0.0, 200_000.0)),
];

/// Makes the nodes.
#[must_use]
pub fn nodes(plan: &PlanDoc) -> Vec<Node> {
    let nodes = each(&plan.node).filter_map(|doc| {
        let id = doc.id.as_ref()?.value.clone();
        Some(Node {
            name: shown(&doc.name, &id),
            id,
        })
    });
    in_order(nodes.collect(), |node: &Node| &node.id)
}

/// Makes the detectors.
pub fn resolve(context: &mut Context<'_>, layout: &mut Layout) {
    let contacts = contacts(context, layout);
    let mut detectors = Vec::new();
    for doc in each(&context.plan.detector) {
        let (Some(id), Some(kind)) = (&doc.id, value(&doc.kind)) else {
            continue;
        };
        let own = context.names.get(&id.value, Sort::Detector).map(DetectorId);
        let contact = own.and_then(|own| contacts.get(&own).copied());
        let subject = subject(context, doc, contact);
        let decide = decide(context, doc, kind);
        let (Some(subject), Some(decide)) = (subject, decide) else {
            continue;
        };
        detectors.push(detector(
            context,
            doc,
            (id.value.clone(), kind),
            subject,
            decide,
        ));
    }
    layout.detectors = in_order(detectors, |detector: &Detector| &detector.id);
}

fn detector(
    context: &mut Context<'_>,
    doc: &DetectorDoc,
    (id, kind): (String, DetectorKind),
    subject: Subject,
    decide: Decide,
) -> Detector {
    let node = context.node(&doc.node);
    let defaults = &context.defaults;
    let unit = if decide == Decide::Boolean {
        ""
    } else {
        unit(doc, kind)
    };
    let signed = value(&doc.signed).unwrap_or_default();
    let silence = span(&doc.max_silence_s, &defaults.max_silence_s);
    let given_default = defaults
        .max_silence_s
        .as_ref()
        .is_some_and(|silence| silence.given);
    let own_watch = match kind {
        DetectorKind::Current => Watches::Whole,
        DetectorKind::Optical | DetectorKind::Contact => Watches::Spot,
    };
    let noisy = doc.noisy_per_h.as_ref().or(defaults.noisy_per_h.as_ref());
    Detector {
        name: shown(&doc.name, &id),
        id,
        kind,
        subject,
        watches: value(&doc.watches).unwrap_or(own_watch),
        unit: unit.to_owned(),
        decide,
        zero: value(&doc.zero).unwrap_or(0.0),
        scale: value(&doc.scale).unwrap_or(1.0),
        signed,
        range: value(&doc.range).unwrap_or_else(|| range(unit, kind, signed)),
        short_ma: value(&doc.short_ma),
        confirm: span(&doc.confirm_ms, &defaults.confirm_ms),
        max_silence: Some(silence).filter(|silence| *silence > Span::ZERO),
        max_silence_given: doc.max_silence_s.is_some() || given_default,
        stuck: span(&doc.stuck_h, &defaults.stuck_h),
        noisy_per_h: noisy.map_or(1, |noisy| noisy.value),
        node,
    }
}

/// The turnouts' contacts: which detector feels which position.
fn contacts(context: &mut Context<'_>, layout: &Layout) -> BTreeMap<DetectorId, (TurnoutId, Leg)> {
    let mut contacts = BTreeMap::new();
    for (turnout, index) in layout.turnouts.iter().zip(0..) {
        let PositionSource::Contacts { normal, reverse } = turnout.position else {
            continue;
        };
        for (detector, leg) in [(normal, Leg::Normal), (reverse, Leg::Reverse)] {
            let Some((other, _)) = contacts.insert(detector, (TurnoutId(index), leg)) else {
                continue;
            };
            let other = layout
                .turnouts
                .get(other.index())
                .map_or("", |other| &other.id);
            let detector = context
                .names
                .of(Sort::Detector)
                .nth(detector.index())
                .unwrap_or("");
            let message = format!(
                "`{detector}` is a contact of `{other}` and of `{}`",
                turnout.id
            );
            let at = context.names.place(detector);
            context.report.error(
                at,
                "contact-twice",
                message,
                "give each points its own contacts",
            );
        }
    }
    contacts
}

fn subject(
    context: &mut Context<'_>,
    doc: &DetectorDoc,
    contact: Option<(TurnoutId, Leg)>,
) -> Option<Subject> {
    let at = doc.at;
    let keys = [
        ("block", &doc.block),
        ("turnout", &doc.turnout),
        ("table", &doc.table),
        ("crossing", &doc.crossing),
    ];
    let given: Vec<&str> = keys
        .iter()
        .filter(|(_, key)| key.is_some())
        .map(|(name, _)| *name)
        .collect();
    let id = value(&doc.id).unwrap_or_default();
    if given.len() > 1 {
        let message = format!("`{id}` watches two things: {}", given.join(" and "));
        context
            .report
            .error(at, "two-subjects", message, "keep one of them");
        return None;
    }
    if let Some((turnout, leg)) = contact {
        if let Some(key) = given.first() {
            let message = format!("`{id}` is a contact of points and yet watches a {key}");
            context
                .report
                .error(at, "two-subjects", message, format!("take `{key}` away"));
        }
        return Some(Subject::Points(turnout, leg));
    }
    only_with(
        context,
        doc.end.as_ref().map(|end| end.at),
        doc.block.is_some(),
        "end",
        "block",
    );
    only_with(
        context,
        doc.leg.as_ref().map(|leg| leg.at),
        doc.turnout.is_some(),
        "leg",
        "turnout",
    );
    if let Some(block) = &doc.block {
        let side = value(&doc.end);
        return context
            .block(block)
            .map(|block| Subject::Block(block, side));
    }
    if let Some(turnout) = &doc.turnout {
        let leg = value(&doc.leg);
        return context.turnout(turnout).map(|turnout| {
            leg.map_or(Subject::Section(turnout), |leg| Subject::Beam(turnout, leg))
        });
    }
    if let Some(table) = &doc.table {
        let found = context
            .names
            .find(&table.value, table.at, Sort::Table, context.report);
        return found.map(|table| Subject::Edge(TableId(table)));
    }
    if let Some(crossing) = &doc.crossing {
        let (id, at) = (&crossing.value, crossing.at);
        let found = context.names.find(id, at, Sort::Crossing, context.report);
        return found.map(|crossing| Subject::Crossing(CrossingId(crossing)));
    }
    if !doc.broken {
        let message = format!("`{id}` watches nothing");
        let cure = "add `block`, `turnout`, `table` or `crossing`, or name it in a turnout's \
                    `contacts`";
        context.report.error(at, "no-subject", message, cure);
    }
    None
}

fn only_with(context: &mut Context<'_>, at: Option<usize>, has: bool, key: &str, with: &str) {
    if let Some(at) = at
        && !has
    {
        let message = format!("`{key}` means nothing without `{with}`");
        let cure = format!("add `{with}`, or take `{key}` away");
        context.report.error(at, "key-without", message, cure);
    }
}

fn unit(doc: &DetectorDoc, kind: DetectorKind) -> &'static str {
    let usual = match kind {
        DetectorKind::Current => "mA",
        DetectorKind::Optical => "%",
        DetectorKind::Contact => "",
    };
    value(&doc.unit).unwrap_or(usual)
}

fn range(unit: &str, kind: DetectorKind, signed: bool) -> (f64, f64) {
    let unit = if kind == DetectorKind::Current {
        "mA"
    } else {
        unit
    };
    let found = RANGES
        .iter()
        .find(|(of, _)| *of == unit)
        .map(|(_, range)| *range);
    match found {
        // Polarity reverses with the direction: what is plausible one way is so the other way.
        Some((_, high)) if signed => (-high, high),
        Some(range) => range,
        None => (f64::NEG_INFINITY, f64::INFINITY),
    }
}

fn decide(context: &mut Context<'_>, doc: &DetectorDoc, kind: DetectorKind) -> Option<Decide> {
    unit_fits(context, doc, kind);
    if kind == DetectorKind::Contact {
        let keys = [
            doc.on.as_ref().map(|on| on.at),
            doc.off.as_ref().map(|off| off.at),
        ];
        if let Some(at) = keys.into_iter().flatten().next() {
            let message = "a contact is on or off and has no thresholds";
            let cure = "take `on` and `off` away; a board's own words go into `words`";
            context
                .report
                .error(at, "threshold-of-contact", message, cure);
        }
        return Some(Decide::Boolean);
    }
    match value(&doc.decide).unwrap_or_default() {
        DecideDoc::Sequential => sequential(context, doc, kind),
        DecideDoc::Threshold => threshold(context, doc, kind),
    }
}

fn unit_fits(context: &mut Context<'_>, doc: &DetectorDoc, kind: DetectorKind) {
    let Some(unit) = doc.unit.as_ref() else {
        return;
    };
    let (fits, cure) = match kind {
        DetectorKind::Current => (unit.value == "mA", "a current detector's unit is \"mA\""),
        DetectorKind::Optical => (
            unit.value != "mA",
            "an optical detector's unit is \"%\", \"/\" (0 to 1) or \"lx\"",
        ),
        DetectorKind::Contact => (false, "take `unit` away: a contact is on or off"),
    };
    if !fits {
        let message = format!(
            "the unit `{}` does not fit this kind of detector",
            unit.value
        );
        context.report.error(unit.at, "unit-misfit", message, cure);
    }
}

fn threshold(context: &mut Context<'_>, doc: &DetectorDoc, kind: DetectorKind) -> Option<Decide> {
    for level in [&doc.vacant, &doc.occupied].into_iter().flatten() {
        let message = "a vacant or occupied level is for the sequential test only";
        let cure = "add `decide = \"sequential\"`, or take the level away";
        context.report.warning(level.at, "no-effect", message, cure);
    }
    let (on, off) = match (&doc.on, &doc.off) {
        (Some(on), Some(off)) => (on, off),
        (None, None) => return boolean(context, doc),
        (Some(at), None) | (None, Some(at)) => {
            if !doc.broken {
                let missing = if doc.on.is_some() { "off" } else { "on" };
                let message = format!("one threshold without the other: `{missing}` is missing");
                context.report.error(
                    at.at,
                    "missing-key",
                    message,
                    format!("add `{missing} = ...`"),
                );
            }
            return None;
        }
    };
    let levels = format!("on = {}, off = {}", on.value, off.value);
    if (on.value - off.value).abs() < f64::EPSILON {
        let message = format!("the thresholds are the same: {levels}");
        let cure = "leave room between them, or the evidence chatters";
        context
            .report
            .error(off.at, "threshold-order", message, cure);
        return None;
    }
    if kind == DetectorKind::Current && on.value < off.value {
        let message = format!("a current detector is on at a high current: {levels}");
        let cure = "write the higher level as `on` and the lower as `off`";
        context
            .report
            .error(on.at, "threshold-order", message, cure);
        return None;
    }
    if kind == DetectorKind::Current && off.value < 0.0 {
        let message = "a current is decided on without its sign and is never below 0";
        context
            .report
            .error(off.at, "bad-number", message, "write a level above 0");
        return None;
    }
    if is_words(doc) {
        let message = "words carry no level for the thresholds";
        let cure = "take `on` and `off` away, or use another format";
        context
            .report
            .error(on.at, "threshold-of-words", message, cure);
        return None;
    }
    Some(Decide::Threshold {
        on: on.value,
        off: off.value,
    })
}

/// Words come: by `format`, or because words are given and no other format is.
fn is_words(doc: &DetectorDoc) -> bool {
    doc.format.as_ref().map_or(doc.words.is_some(), |format| {
        format.value == FormatDoc::Words
    })
}

/// A detector without thresholds says on or off by itself.
fn boolean(context: &mut Context<'_>, doc: &DetectorDoc) -> Option<Decide> {
    let number = doc
        .format
        .as_ref()
        .filter(|format| format.value == FormatDoc::Number);
    if let Some(number) = number {
        let message = "numbers come, and there are no thresholds to decide on";
        let cure = "add `on` and `off`; for 1 and 0 write format = \"words\", words = { on = \
                    [\"1\"], off = [\"0\"] }";
        context
            .report
            .error(number.at, "missing-key", message, cure);
        return None;
    }
    Some(Decide::Boolean)
}

fn sequential(context: &mut Context<'_>, doc: &DetectorDoc, kind: DetectorKind) -> Option<Decide> {
    let at = doc.decide.as_ref().map_or(doc.at, |decide| decide.at);
    for (name, level) in [("vacant", &doc.vacant), ("occupied", &doc.occupied)] {
        if level.is_none() && !doc.broken {
            let message = format!("a sequential test needs the {name} level");
            let cure = format!(
                "add `{name} = {{ mean = ..., sd = ... }}`; `taillamp calibrate` measures it"
            );
            context.report.error(at, "missing-key", message, cure);
        }
    }
    let (vacant, occupied) = (&doc.vacant.as_ref()?.value, doc.occupied.as_ref()?);
    let (vacant_mean, occupied_mean) = (value(&vacant.mean)?, value(&occupied.value.mean)?);
    let rises = occupied_mean > vacant_mean;
    let apart = (occupied_mean - vacant_mean).abs() > f64::EPSILON;
    if !apart || (kind == DetectorKind::Current && !rises) {
        let message = "the occupied level is not above the vacant level";
        let cure = "measure both again: nothing can be decided between them";
        context
            .report
            .error(occupied.at, "threshold-order", message, cure);
        return None;
    }
    let defaults = &context.defaults;
    let rate = doc
        .false_alarm_every_h
        .as_ref()
        .or(defaults.false_alarm_every_h.as_ref());
    let hz = doc.sample_hz.as_ref().or(defaults.sample_hz.as_ref());
    Some(Decide::Sequential(Sequential {
        vacant_mean,
        vacant_sd: value(&vacant.sd)?,
        occupied_mean,
        occupied_sd: value(&occupied.value.sd)?,
        false_alarm_every_h: rate.map(|rate| rate.value)?,
        sample_hz: hz.map(|hz| hz.value)?,
    }))
}
