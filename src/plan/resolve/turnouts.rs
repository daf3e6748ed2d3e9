//! Turnouts: those written out, and those that double crossovers and slips stand for.

use super::joins::{Joins, crossing};
use super::{Context, shown, span, value};
use crate::engine::ids::{BlockId, CrossingId, DetectorId, TurnoutId};
use crate::engine::layout::{
    Crossing, CrossingTrack, Crossover, End, ForbiddenRoad, Layout, Leg, PositionSource, Side,
    Turnout,
};
use crate::plan::document::track::{
    DoubleCrossoverDoc, PositionDoc, SlipDoc, SlipKind, TurnoutDoc,
};
use crate::plan::names::{Sort, each};
use crate::plan::value::{EndRef, Spanned, TopicList};

/// A turnout from the keys that turnouts, double crossovers and slips have in common.
macro_rules! turnout {
    ($context:expr, $doc:expr, $id:expr, $name:expr) => {{
        let node = $context.node(&$doc.node);
        let defaults = &$context.defaults;
        Turnout {
            id: $id,
            name: $name,
            covered_by: None,
            rest: value(&$doc.rest).unwrap_or_default(),
            position: position(value(&$doc.position).unwrap_or_default()),
            length_mm: None,
            clear: span(&$doc.clear_s, &defaults.clear_s),
            restore: span(&$doc.restore_s, &defaults.restore_s),
            awaiting: span(&$doc.awaiting_s, &defaults.awaiting_s),
            move_time: span(&$doc.move_s, &defaults.move_s),
            position_confirm: span(&$doc.position_confirm_ms, &defaults.position_confirm_ms),
            release: span(&$doc.release_s, &defaults.release_s),
            lost: span(&$doc.lost_s, &defaults.lost_s),
            node,
        }
    }};
}

const fn position(written: PositionDoc) -> PositionSource {
    match written {
        PositionDoc::Detected => PositionSource::Detected,
        PositionDoc::Told => PositionSource::Told,
        PositionDoc::None => PositionSource::None,
    }
}

/// The turnouts that are written out.
pub fn resolve(context: &mut Context<'_>, layout: &mut Layout, joins: &mut Joins) {
    for doc in each(&context.plan.turnout) {
        let Some(id) = &doc.id else { continue };
        let own = context.names.get(&id.value, Sort::Turnout).map(TurnoutId);
        let legs = [
            (Leg::Toe, &doc.toe),
            (Leg::Normal, &doc.normal),
            (Leg::Reverse, &doc.reverse),
        ];
        for (leg, end) in legs {
            if let Some(end) = end {
                let met = context.end(end);
                joins.add(context, own.map(|own| End::Turnout(own, leg)), met, end.at);
            } else if doc.broken
                && let Some(own) = own
            {
                // The key may be the one that could not be read: nothing more is said of this end.
                joins.add(context, Some(End::Turnout(own, leg)), None, doc.at);
            }
        }
        let name = shown(&doc.name, &id.value);
        let mut turnout = turnout!(context, doc, id.value.clone(), name);
        turnout.length_mm = value(&doc.length_mm);
        turnout.covered_by = doc
            .covered_by
            .as_ref()
            .and_then(|block| context.block(block));
        if let Some(contacts) = contacts(context, doc) {
            turnout.position = contacts;
        }
        layout.turnouts.push(turnout);
    }
}

fn contacts(context: &mut Context<'_>, doc: &TurnoutDoc) -> Option<PositionSource> {
    let contacts = doc.contacts.as_ref()?;
    if let Some(position) = &doc.position
        && position.given
        && position.value != PositionDoc::Detected
    {
        let message = "the points have contacts and yet their position is not detected";
        let cure = "take `position` or `contacts` away";
        context
            .report
            .error(position.at, "two-sources", message, cure);
    }
    let (normal, reverse) = (
        contacts.value.normal.as_ref()?,
        contacts.value.reverse.as_ref()?,
    );
    let mut find = |id: &Spanned<String>| {
        context
            .names
            .find(&id.value, id.at, Sort::Detector, context.report)
            .map(DetectorId)
    };
    let (normal_id, reverse_id) = (find(normal)?, find(reverse)?);
    if normal_id == reverse_id {
        let message = format!("both contacts of the points are `{}`", normal.value);
        context
            .report
            .error(reverse.at, "same-contact", message, "name two detectors");
        return None;
    }
    Some(PositionSource::Contacts {
        normal: normal_id,
        reverse: reverse_id,
    })
}

/// Where the ends of an item's turnouts are, for names and joins.
struct Corner {
    turnout: Option<TurnoutId>,
    id: String,
}

fn corner(context: &Context<'_>, id: &str, end: &str) -> Corner {
    let id = format!("{id}-{end}");
    Corner {
        turnout: context.names.get(&id, Sort::Turnout).map(TurnoutId),
        id,
    }
}

/// What people call a track: the line of the block that an end belongs to, or the block's name.
fn track_name(context: &mut Context<'_>, layout: &Layout, end: &Spanned<EndRef>) -> String {
    let block = context.names.get(&end.value.id, Sort::Block).map(BlockId);
    let block = block.and_then(|block| layout.blocks.get(block.index()));
    block.map_or_else(
        || end.value.id.clone(),
        |block| block.line.clone().unwrap_or_else(|| block.name.clone()),
    )
}

/// Four turnouts, two crossovers and the crossing that their reverse roads go through.
pub fn double_crossovers(context: &mut Context<'_>, layout: &mut Layout, joins: &mut Joins) {
    for doc in each(&context.plan.double_crossover) {
        let Some(id) = &doc.id else { continue };
        let corners = ["a1", "a2", "b1", "b2"].map(|end| corner(context, &id.value, end));
        join_double_crossover(context, doc, &id.value, &corners, joins);
        let names = double_crossover_names(context, layout, doc, &corners);
        check_ends(context, doc.topics.as_ref(), &["a1", "a2", "b1", "b2"]);
        check_ends(
            context,
            doc.asked_topics.as_ref(),
            &["a1", "a2", "b1", "b2"],
        );
        for (corner, name) in corners.iter().zip(&names) {
            let turnout = turnout!(context, doc, corner.id.clone(), name.clone());
            layout.turnouts.push(turnout);
        }
        for (end, a, b) in [("ab", 0, 3), ("ba", 2, 1)] {
            if let (Some(first), Some(second)) = (corners[a].turnout, corners[b].turnout) {
                layout.crossovers.push(Crossover {
                    id: format!("{}-{end}", id.value),
                    name: format!("{} to {}", names[a], own_part(&names[b])),
                    turnouts: [first, second],
                    agree: span(&doc.agree_s, &context.defaults.agree_s),
                });
            }
        }
        layout.crossings.push(Crossing {
            id: id.value.clone(),
            name: shown(&doc.name, &id.value),
            release: span(&doc.release_s, &context.defaults.release_s),
            lost: span(&doc.lost_s, &context.defaults.lost_s),
        });
    }
}

/// A corner's name without the double crossover's in front: said once is enough.
fn own_part(name: &str) -> &str {
    name.split_once(": ").map_or(name, |(_, own)| own)
}

/// The ids of the blocks where a double crossover's tracks begin.
fn tracks_of(doc: &DoubleCrossoverDoc) -> Option<[&Spanned<EndRef>; 2]> {
    Some([&doc.a.as_ref()?.value[0], &doc.b.as_ref()?.value[0]])
}

/// Whether another double crossover lies between the same two lines, so that its own name is needed
/// to tell their corners apart.
fn has_twin(context: &mut Context<'_>, layout: &Layout, doc: &DoubleCrossoverDoc) -> bool {
    let Some(mine) = tracks_of(doc) else {
        return false;
    };
    let plan = context.plan;
    let mine = mine.map(|end| track_name(context, layout, end));
    each(&plan.double_crossover)
        .filter(|other| other.at != doc.at)
        .filter_map(tracks_of)
        .any(|theirs| {
            let theirs = theirs.map(|end| track_name(context, layout, end));
            theirs.iter().any(|track| mine.contains(track))
        })
}

/// Each corner as 'Loop, first end': by the line, or by the block where both tracks are one line.
fn double_crossover_names(
    context: &mut Context<'_>,
    layout: &Layout,
    doc: &DoubleCrossoverDoc,
    corners: &[Corner; 4],
) -> [String; 4] {
    let (Some(a), Some(b)) = (&doc.a, &doc.b) else {
        return corners.each_ref().map(|corner| corner.id.clone());
    };
    let ends = [&a.value[0], &a.value[1], &b.value[0], &b.value[1]];
    let mut tracks = [&a.value[0], &b.value[0]].map(|end| track_name(context, layout, end));
    if tracks[0] == tracks[1] {
        tracks = [ends[0].value.id.clone(), ends[2].value.id.clone()];
    }
    let twin = has_twin(context, layout, doc);
    let prefix = match &doc.name {
        Some(name) if twin => format!("{}: ", name.value),
        _ => String::new(),
    };
    let [a, b] = &tracks;
    [(a, "first"), (a, "second"), (b, "first"), (b, "second")]
        .map(|(track, end)| format!("{prefix}{track}, {end} end"))
}

fn join_double_crossover(
    context: &mut Context<'_>,
    doc: &DoubleCrossoverDoc,
    id: &str,
    corners: &[Corner; 4],
    joins: &mut Joins,
) {
    let at = doc.at;
    let end = |corner: usize, leg| corners[corner].turnout.map(|id| End::Turnout(id, leg));
    for (track, first) in [(&doc.a, 0), (&doc.b, 2)] {
        for side in 0..2 {
            let own = end(first + side, Leg::Toe);
            let met = track.as_ref().map(|track| &track.value[side]);
            let resolved = met.and_then(|met| context.end(met));
            joins.add(context, own, resolved, met.map_or(at, |met| met.at));
        }
        joins.add(
            context,
            end(first, Leg::Normal),
            end(first + 1, Leg::Normal),
            at,
        );
    }
    let middle = context.names.get(id, Sort::Crossing).map(CrossingId);
    let roads = [(CrossingTrack::First, 0, 3), (CrossingTrack::Second, 2, 1)];
    for (track, from, to) in roads {
        for (corner, side) in [(from, Side::A), (to, Side::B)] {
            let met = middle.map(|middle| crossing(middle, track, side));
            joins.add(context, end(corner, Leg::Reverse), met, at);
        }
    }
}

/// Two turnouts toe to toe.
pub fn slips(context: &mut Context<'_>, layout: &mut Layout, joins: &mut Joins) {
    for doc in each(&context.plan.slip) {
        let Some(id) = &doc.id else { continue };
        let corners = ["1", "2"].map(|end| corner(context, &id.value, end));
        let end = |corner: usize, leg| corners[corner].turnout.map(|id| End::Turnout(id, leg));
        joins.add(context, end(0, Leg::Toe), end(1, Leg::Toe), doc.at);
        for (road, leg) in [(&doc.a, Leg::Normal), (&doc.b, Leg::Reverse)] {
            for side in 0..2 {
                let met = road.as_ref().map(|road| &road.value[side]);
                let resolved = met.and_then(|met| context.end(met));
                joins.add(
                    context,
                    end(side, leg),
                    resolved,
                    met.map_or(doc.at, |met| met.at),
                );
            }
        }
        check_ends(context, doc.topics.as_ref(), &["1", "2"]);
        check_ends(context, doc.asked_topics.as_ref(), &["1", "2"]);
        let covered_by = doc
            .covered_by
            .as_ref()
            .and_then(|block| context.block(block));
        let name = shown(&doc.name, &id.value);
        for (corner, (side, word)) in corners.iter().zip([(0, "first"), (1, "second")]) {
            let name = format!("{name}, {word} end");
            let mut turnout = turnout!(context, doc, corner.id.clone(), name);
            turnout.covered_by = covered_by.or_else(|| joins.first_block(end(side, Leg::Normal)?));
            layout.turnouts.push(turnout);
        }
        forbid(doc, &corners, layout);
    }
}

/// A single slip has no road from b[0] to a[1].
fn forbid(doc: &SlipDoc, corners: &[Corner; 2], layout: &mut Layout) {
    let single = value(&doc.kind).unwrap_or_default() == SlipKind::Single;
    if let (true, Some(first), Some(second)) = (single, corners[0].turnout, corners[1].turnout) {
        let (from, to) = ((first, Leg::Reverse), (second, Leg::Normal));
        layout.forbidden.push(ForbiddenRoad { from, to });
    }
}

/// The names by which an item's turnouts may be given topics.
fn check_ends(context: &mut Context<'_>, topics: Option<&Spanned<TopicList>>, ends: &[&str]) {
    for (end, _) in topics.iter().flat_map(|topics| &topics.value) {
        if !ends.contains(&end.value.as_str()) {
            let message = format!("there is no turnout `{}` here", end.value);
            let cure = format!("use {}", ends.join(", "));
            context.report.error(end.at, "unknown-id", message, cure);
        }
    }
}

/// Where the plan does not say which block sees a turnout's rails: the block at the toe.
pub fn cover(layout: &mut Layout, joins: &Joins) {
    for (index, turnout) in layout.turnouts.iter_mut().enumerate() {
        if turnout.covered_by.is_none()
            && let Ok(number) = u32::try_from(index)
        {
            turnout.covered_by = joins.first_block(End::Turnout(TurnoutId(number), Leg::Toe));
        }
    }
}
