//! How a detector's samples become evidence: thresholds, booleans or a sequential test.
//!
//! Input: one detector as written. Output: its way of deciding, or findings. It does not know what
//! the detector watches.

use super::{Context, value};
use crate::engine::layout::{Decide, DetectorKind, Sequential};
use crate::plan::document::devices::{DecideDoc, DetectorDoc};
use crate::plan::value::FormatDoc;

/// How a detector decides, with everything that its thresholds, levels and unit must hold.
pub fn decide(context: &mut Context<'_>, doc: &DetectorDoc, kind: DetectorKind) -> Option<Decide> {
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
        spikes: value(&doc.spikes)?,
    }))
}
