//! Times that break a rule, each or together.

use super::Looking;
use crate::engine::ids::BlockId;
use crate::engine::layout::{End, Side, Subject};
use crate::engine::time::Span;
use crate::plan::names::each;
use crate::plan::report::Report;
use crate::plan::value::Spanned;

/// 49 CFR 236.309: a loss of detection of 5 seconds or less releases nothing.
const CLEAR_MIN: Span = Span::from_secs(5);
/// A place that stays occupied for longer than this behind a train misleads (common practice, no
/// source).
const RELEASE_MAX: Span = Span::from_secs(60);

type Time = Option<Spanned<Span>>;

/// Checks defaults and items.
pub fn check(looking: &Looking<'_>, report: &mut Report) {
    let plan = looking.plan;
    let defaults = plan.defaults.as_ref().map(|defaults| &defaults.value);
    if let Some(defaults) = defaults {
        clear(&defaults.clear_s, report);
        release(&defaults.release_s, report);
    }
    for turnout in each(&plan.turnout) {
        clear(&turnout.clear_s, report);
        release(&turnout.release_s, report);
    }
    for double in each(&plan.double_crossover) {
        clear(&double.clear_s, report);
        release(&double.release_s, report);
    }
    for slip in each(&plan.slip) {
        clear(&slip.clear_s, report);
        release(&slip.release_s, report);
    }
    for block in each(&plan.block) {
        release(&block.release_s, report);
    }
    for crossing in each(&plan.crossing) {
        release(&crossing.release_s, report);
    }
    moves(looking, report);
    joint_hopping(looking, report);
}

fn clear(time: &Time, report: &mut Report) {
    let Some(time) = time
        .as_ref()
        .filter(|time| time.given && time.value < CLEAR_MIN)
    else {
        return;
    };
    let message = format!(
        "a turnout could be called clear after {} s without detection: 49 CFR 236.309 has a loss \
         of 5 seconds or less release nothing",
        time.value.as_secs_f64()
    );
    report.warning(time.at, "clear-short", message, "write 5 or more");
}

fn release(time: &Time, report: &mut Report) {
    let Some(time) = time
        .as_ref()
        .filter(|time| time.given && time.value > RELEASE_MAX)
    else {
        return;
    };
    let seconds = time.value.as_secs_f64();
    let message = format!("a place would stay occupied for {seconds} s behind every train");
    report.warning(
        time.at,
        "release-long",
        message,
        "write 60 or less; usual is 1 to 5",
    );
}

/// T5 counts from the first report that the points move, a position from its first report.
fn moves(looking: &Looking<'_>, report: &mut Report) {
    let layout = &looking.resolved.layout;
    let turnouts = layout
        .turnouts
        .iter()
        .map(|t| (&t.id, t.position_confirm, t.move_time));
    let tables = layout
        .tables
        .iter()
        .map(|t| (&t.id, t.position_confirm, t.move_time));
    for (id, confirm, limit) in turnouts.chain(tables) {
        if confirm >= limit {
            let message = format!("a position of `{id}` would be alarmed before it counts");
            let cure = "make `move_s` longer than `position_confirm_ms`";
            report.warning(looking.names.place(id), "confirm-long", message, cure);
        }
    }
}

/// Joint hopping (Railway Group ACOP GK/RC0752): a short vehicle must not vanish between two
/// places. The delay to release the place that is left must exceed the delay to see the place that
/// is entered.
fn joint_hopping(looking: &Looking<'_>, report: &mut Report) {
    let layout = &looking.resolved.layout;
    let mut confirms: Vec<Option<(Span, &str)>> = vec![None; layout.blocks.len()];
    for detector in &layout.detectors {
        if let Subject::Block(block, _) = detector.subject
            && let Some(slot) = confirms.get_mut(block.index())
        {
            let slowest = slot.is_none_or(|(slowest, _)| slowest < detector.confirm);
            if slowest {
                *slot = Some((detector.confirm, &detector.id));
            }
        }
    }
    for (block, number) in layout.blocks.iter().zip(0..) {
        let ends = [Side::A, Side::B].map(|side| End::Block(BlockId(number), side));
        let next = ends
            .into_iter()
            .flat_map(|end| looking.resolved.joins.next_blocks(end));
        let around = next
            .chain([BlockId(number)])
            .filter_map(|next| confirms.get(next.index()).copied().flatten());
        let Some((confirm, detector)) = around.max() else {
            continue;
        };
        if confirm == Span::ZERO || block.release > confirm {
            continue;
        }
        let message = format!(
            "a vehicle can vanish between `{}`, which is released after {} s, and what \
             `{detector}` sees after {} s",
            block.id,
            block.release.as_secs_f64(),
            confirm.as_secs_f64()
        );
        let cure =
            "make `release_s` of the place longer than `confirm_ms` of the detectors next to it";
        report.warning(
            place(looking, &block.id, detector),
            "joint-hopping",
            message,
            cure,
        );
    }
}

/// The key that made it so: the block's, the detector's, or the block itself.
fn place(looking: &Looking<'_>, block: &str, detector: &str) -> usize {
    let is = |id: &Option<Spanned<String>>, wanted: &str| {
        id.as_ref().is_some_and(|id| id.value == wanted)
    };
    let plan = looking.plan;
    let release = each(&plan.block).find(|doc| is(&doc.id, block));
    let release = release
        .and_then(|doc| doc.release_s.as_ref())
        .map(|release| release.at);
    let confirm = each(&plan.detector).find(|doc| is(&doc.id, detector));
    let confirm = confirm
        .and_then(|doc| doc.confirm_ms.as_ref())
        .map(|confirm| confirm.at);
    release
        .or(confirm)
        .unwrap_or_else(|| looking.names.place(block))
}
