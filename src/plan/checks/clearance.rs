//! Turnouts whose clearance nothing can prove.
//!
//! What proves it (DEVELOPERS.md, section 3): a section of its own; beams on all three legs; else
//! the block that covers it, if some detector watches that whole.

use std::collections::BTreeSet;

use super::Looking;
use crate::engine::layout::{Leg, Subject};
use crate::plan::names::each;
use crate::plan::report::Report;

/// Checks every turnout.
pub fn check(looking: &Looking<'_>, report: &mut Report) {
    if !looking.resolved.track_sound {
        return;
    }
    let layout = &looking.resolved.layout;
    let blocks = looking.watched_blocks();
    let sections = looking.watched_sections();
    let beams = beams(looking);
    let unsure = looking.unsure();
    let mut with_section = BTreeSet::new();
    for detector in &layout.detectors {
        if let Subject::Section(turnout) = detector.subject {
            with_section.insert(turnout.index());
        }
    }
    for (index, turnout) in layout.turnouts.iter().enumerate() {
        let at = looking.names.place(&turnout.id);
        let id = &turnout.id;
        let own = sections.get(index).copied().unwrap_or_default();
        let beams = beams.get(index).map_or(0, BTreeSet::len);
        if own || beams == 3 || unsure.contains(id.as_str()) {
            continue;
        }
        if with_section.contains(&index) {
            let message = format!("the section of `{id}` is watched at one spot only");
            let cure = "say `watches = \"whole\"` if its detector sees all of the section";
            report.warning(at, "never-clear", message, cure);
            continue;
        }
        if beams > 0 {
            let message = format!("`{id}` has beams on {beams} of its 3 legs and no section");
            let cure = "put a beam across each leg: what stands between two is not seen";
            report.warning(at, "beams-few", message, cure);
            continue;
        }
        let Some(cover) = turnout.covered_by else {
            let message = format!("nothing can prove that `{id}` is clear: no block covers it");
            let cure = "add `covered_by`, or a detector with `turnout` = its id";
            report.warning(at, "never-clear", message, cure);
            continue;
        };
        if blocks.get(cover.index()).copied().unwrap_or_default() {
            continue;
        }
        let cover = layout
            .blocks
            .get(cover.index())
            .map_or("", |block| &block.id);
        if unsure.contains(cover) {
            continue;
        }
        let message = format!(
            "nothing can prove that `{id}` is clear: it is covered by `{cover}`, which no detector \
             watches whole"
        );
        let cure = "give that block a detector, or name another in `covered_by`";
        report.warning(at, "never-clear", message, cure);
    }
    slips(looking, &sections, report);
}

/// The legs that have beams, by number of turnout.
fn beams(looking: &Looking<'_>) -> Vec<BTreeSet<Leg>> {
    let layout = &looking.resolved.layout;
    let mut beams = vec![BTreeSet::new(); layout.turnouts.len()];
    for detector in &layout.detectors {
        if let Subject::Beam(turnout, leg) = detector.subject
            && let Some(legs) = beams.get_mut(turnout.index())
        {
            legs.insert(leg);
        }
    }
    beams
}

/// A slip has four neighbours: which of their detectors sees its rails is for its owner to say.
fn slips(looking: &Looking<'_>, sections: &[bool], report: &mut Report) {
    use crate::plan::names::Sort;
    for slip in each(&looking.plan.slip).filter(|slip| slip.covered_by.is_none()) {
        let Some(id) = &slip.id else { continue };
        let has_section = |end| {
            let turnout = looking
                .names
                .get(&format!("{}-{end}", id.value), Sort::Turnout);
            turnout.is_some_and(|turnout| sections.get(turnout as usize) == Some(&true))
        };
        if !(has_section(1) && has_section(2)) {
            let message = format!("which detector sees the rails of `{}` is a guess", id.value);
            let cure = "add `covered_by`, or give ID-1 and ID-2 detectors of their own";
            report.warning(id.at, "cover-guessed", message, cure);
        }
    }
}
