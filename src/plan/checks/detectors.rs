//! Detectors that cannot do what they are there for, and blocks that nothing can prove vacant.

use super::Looking;
use crate::engine::layout::{Decide, Detector, DetectorKind, Subject, Supply};
use crate::plan::document::devices::DetectorDoc;
use crate::plan::names::each;
use crate::plan::report::Report;

/// Checks every block and every detector.
pub fn check(looking: &Looking<'_>, report: &mut Report) {
    vacancy(looking, report);
    for doc in each(&looking.plan.detector) {
        let Some(id) = &doc.id else { continue };
        if let Some(detector) = looking.detector(&id.value) {
            thresholds(doc, detector, report);
            silence(doc, detector, report);
            reversed_current(looking, doc, detector, report);
        }
        current_only(doc, report);
    }
}

fn vacancy(looking: &Looking<'_>, report: &mut Report) {
    let unsure = looking.unsure();
    let watched = looking.watched_blocks();
    for (block, watched) in looking.resolved.layout.blocks.iter().zip(watched) {
        if watched || unsure.contains(block.id.as_str()) {
            continue;
        }
        let message = format!(
            "`{}` can never be proven vacant: nothing watches it whole",
            block.id
        );
        let cure = "give it a current detector, or one with `watches = \"whole\"`; without, it is \
                    only ever remembered empty";
        report.warning(
            looking.names.place(&block.id),
            "never-vacant",
            message,
            cure,
        );
    }
}

fn thresholds(doc: &DetectorDoc, detector: &Detector, report: &mut Report) {
    let Decide::Threshold { on, off } = detector.decide else {
        return;
    };
    let (low, high) = detector.range;
    for (key, level) in [(&doc.on, on), (&doc.off, off)] {
        let Some(key) = key else { continue };
        if level < low || level > high {
            let message = format!("the threshold {level} lies outside the range {low} to {high}");
            let cure = "mind the unit, or widen `range`: readings outside it are dropped";
            report.error(key.at, "threshold-range", message, cure);
        }
    }
    if let (Some(short), Some(key)) = (detector.short_ma, &doc.short_ma)
        && short <= on
    {
        let message =
            format!("every vehicle would be a short circuit: {short} mA is not above `on`");
        let cure = "write what only a short circuit draws";
        report.error(key.at, "threshold-order", message, cure);
    }
}

fn silence(doc: &DetectorDoc, detector: &Detector, report: &mut Report) {
    if detector.max_silence.is_some() || detector.node.is_some() {
        return;
    }
    let id = &detector.id;
    let at = doc
        .max_silence_s
        .as_ref()
        .map_or(doc.at, |silence| silence.at);
    let message = format!("`{id}` reports changes only, and nothing tells when it has died");
    let cure = "add `node`, a device that says when it goes, or let it report steadily and give \
                `max_silence_s`";
    report.warning(at, "never-silent", message, cure);
}

/// On a throttle line the current turns round with the train: what lies under the range would be
/// dropped, and the train with it.
fn reversed_current(
    looking: &Looking<'_>,
    doc: &DetectorDoc,
    detector: &Detector,
    report: &mut Report,
) {
    let Subject::Block(block, _) = detector.subject else {
        return;
    };
    let Decide::Threshold { on, .. } = detector.decide else {
        return;
    };
    let on_a_throttle = looking
        .resolved
        .layout
        .feeds
        .iter()
        .any(|feed| feed.supply == Supply::Throttle && feed.blocks.contains(&block));
    let drops = detector.kind == DetectorKind::Current && detector.range.0 > -on.abs() * 10.0;
    if on_a_throttle && drops {
        let message = format!(
            "`{}` stands on a throttle line, and a current below {} mA is dropped as implausible",
            detector.id, detector.range.0
        );
        let cure = "add `signed = true` if its sign turns with the train, or widen `range`";
        report.warning(doc.at, "reversed-current", message, cure);
    }
}

/// Keys that mean something for current alone.
fn current_only(doc: &DetectorDoc, report: &mut Report) {
    let kind = doc.kind.as_ref().map(|kind| kind.value);
    if kind.is_none_or(|kind| kind == DetectorKind::Current) {
        return;
    }
    let keys = [
        (
            "zero",
            doc.zero
                .as_ref()
                .filter(|zero| zero.given)
                .map(|zero| zero.at),
        ),
        (
            "signed",
            doc.signed
                .as_ref()
                .filter(|signed| signed.given)
                .map(|signed| signed.at),
        ),
        ("short_ma", doc.short_ma.as_ref().map(|short| short.at)),
    ];
    for (key, at) in keys {
        if let Some(at) = at {
            let message = format!("`{key}` is for current detectors");
            report.warning(at, "no-effect", message, "take it away");
        }
    }
}
