//! Detectors and nodes: what each watches, and how its samples become evidence.

use std::collections::BTreeMap;

use super::{Context, evidence, in_order, shown, span, value};
use crate::engine::ids::{CrossingId, DetectorId, TableId, TurnoutId};
use crate::engine::layout::{
    Decide, Detector, DetectorKind, Layout, Leg, Node, PositionSource, Subject, Watches,
};
use crate::engine::time::Span;
use crate::plan::document::PlanDoc;
use crate::plan::document::devices::DetectorDoc;
use crate::plan::document::track::TurnoutDoc;
use crate::plan::names::{Sort, each};

/// Plausible readings where the plan does not say, by unit (DEVELOPERS.md, section 1).
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
        let decide = evidence::decide(context, doc, kind);
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
        unit,
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
    if given.is_empty() {
        report_no_subject(context, doc, &id);
        return None;
    }
    place(context, doc)
}

/// The one thing that a detector's keys name.
fn place(context: &mut Context<'_>, doc: &DetectorDoc) -> Option<Subject> {
    let (end, leg) = (
        doc.end.as_ref().map(|end| end.at),
        doc.leg.as_ref().map(|leg| leg.at),
    );
    only_with(context, end, doc.block.is_some(), "end", "block");
    only_with(context, leg, doc.turnout.is_some(), "leg", "turnout");
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
    let crossing = doc.crossing.as_ref()?;
    let (id, at) = (&crossing.value, crossing.at);
    let found = context.names.find(id, at, Sort::Crossing, context.report);
    found.map(|crossing| Subject::Crossing(CrossingId(crossing)))
}

fn report_no_subject(context: &mut Context<'_>, doc: &DetectorDoc, id: &str) {
    let felt = |turnout: &TurnoutDoc| {
        let contacts = turnout.contacts.iter().map(|contacts| &contacts.value);
        let mut ids = contacts.flat_map(|contacts| [&contacts.normal, &contacts.reverse]);
        ids.any(|contact| contact.as_ref().is_some_and(|contact| contact.value == id))
    };
    // Contacts that contradict each other are findings of their own.
    if !doc.broken && !each(&context.plan.turnout).any(felt) {
        let message = format!("`{id}` watches nothing");
        let cure = "add `block`, `turnout`, `table` or `crossing`, or name it in a turnout's \
                    `contacts`";
        context.report.error(doc.at, "no-subject", message, cure);
    }
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
