//! Blocks, joins, crossovers, crossings; the order in which the track is put together.

use super::joins::{Joins, crossing};
use super::{Context, in_order, leg_word, shown, span, tables, turnouts, value};
use crate::engine::ids::CrossingId;
use crate::engine::layout::{Block, Crossing, CrossingTrack, Crossover, End, Layout, Leg, Side};
use crate::plan::document::Section;
use crate::plan::document::track::BlockDoc;
use crate::plan::names::{Sort, each};

/// Puts the track together.
pub fn resolve(context: &mut Context<'_>, layout: &mut Layout, joins: &mut Joins) {
    layout.blocks = blocks(context);
    for doc in each(&context.plan.join) {
        let Some(ends) = &doc.ends else { continue };
        let [a, b] = &ends.value;
        let (end_a, end_b) = (context.end(a), context.end(b));
        joins.add(context, end_a, end_b, a.at);
    }
    turnouts::resolve(context, layout, joins);
    crossovers(context, layout, joins);
    crossings(context, layout, joins);
    turnouts::double_crossovers(context, layout, joins);
    turnouts::slips(context, layout, joins);
    layout.crossings = in_order(std::mem::take(&mut layout.crossings), |crossing| {
        &crossing.id
    });
    layout.crossovers = in_order(std::mem::take(&mut layout.crossovers), |crossover| {
        &crossover.id
    });
    layout.turnouts = in_order(std::mem::take(&mut layout.turnouts), |turnout| &turnout.id);
    tables::resolve(context, layout, joins);
    open_ends(context, layout, joins);
    turnouts::cover(layout, joins);
    layout.joins = joins.list();
}

fn blocks(context: &Context<'_>) -> Vec<Block> {
    let defaults = &context.defaults;
    let make = |id: &str, doc: &BlockDoc| Block {
        id: id.to_owned(),
        name: shown(&doc.name, id),
        line: value(&doc.line),
        length_mm: value(&doc.length_mm),
        usage: value(&doc.usage).unwrap_or_default(),
        fiddle: value(&doc.fiddle).unwrap_or_default(),
        release: span(&doc.release_s, &defaults.release_s),
        lost: span(&doc.lost_s, &defaults.lost_s),
        fiddle_time: span(&doc.fiddle_s, &defaults.fiddle_s),
        bridge_of: None,
        beyond: None,
    };
    let given =
        each(&context.plan.block).filter_map(|doc| doc.id.as_ref().map(|id| make(&id.value, doc)));
    let mut blocks = in_order(given.collect(), |block: &Block| &block.id);
    let plain = BlockDoc::absent();
    for bridge in each(&context.plan.table).filter_map(|doc| doc.bridge.as_ref()) {
        let made = context.names.get(&bridge.value, Sort::Block).is_some();
        if made && blocks.iter().all(|block| block.id != bridge.value) {
            blocks.push(make(&bridge.value, &plain));
        }
    }
    in_order(blocks, |block| &block.id)
}

fn crossovers(context: &mut Context<'_>, layout: &mut Layout, joins: &mut Joins) {
    for doc in each(&context.plan.crossover) {
        let Some(turnouts) = &doc.turnouts else {
            continue;
        };
        let [first, second] = &turnouts.value;
        let found = (context.turnout(first), context.turnout(second));
        let reverse = |turnout| End::Turnout(turnout, Leg::Reverse);
        if let (Some(a), Some(b)) = found
            && a == b
        {
            let message = format!("both turnouts of the crossover are `{}`", first.value);
            let cure = "name the two turnouts at its two ends";
            context
                .report
                .error(second.at, "same-turnout", message, cure);
            continue;
        }
        joins.add(
            context,
            found.0.map(reverse),
            found.1.map(reverse),
            turnouts.at,
        );
        if let (Some(id), (Some(a), Some(b))) = (&doc.id, found) {
            layout.crossovers.push(Crossover {
                id: id.value.clone(),
                name: shown(&doc.name, &id.value),
                turnouts: [a, b],
                agree: span(&doc.agree_s, &context.defaults.agree_s),
            });
        }
    }
}

fn crossings(context: &mut Context<'_>, layout: &mut Layout, joins: &mut Joins) {
    for doc in each(&context.plan.crossing) {
        let Some(id) = &doc.id else { continue };
        let number = context.names.get(&id.value, Sort::Crossing).map(CrossingId);
        for (track, ends) in [
            (CrossingTrack::First, &doc.first),
            (CrossingTrack::Second, &doc.second),
        ] {
            let Some(ends) = ends else { continue };
            for (side, end) in [Side::A, Side::B].into_iter().zip(&ends.value) {
                let met = context.end(end);
                let own = number.map(|number| crossing(number, track, side));
                joins.add(context, own, met, end.at);
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

/// A turnout's end that meets nothing is an error; a block's is the end of the track.
fn open_ends(context: &mut Context<'_>, layout: &Layout, joins: &Joins) {
    for turnout in &layout.turnouts {
        let Some(number) = context.names.get(&turnout.id, Sort::Turnout) else {
            continue;
        };
        for leg in [Leg::Toe, Leg::Normal, Leg::Reverse] {
            if joins.joined(End::Turnout(crate::engine::ids::TurnoutId(number), leg)) {
                continue;
            }
            let word = leg_word(leg);
            let message = format!("`{}.{word}` is joined to nothing", turnout.id);
            let cure = format!(
                "add `{word} = \"BLOCK.a\"` to it; track that ends there needs a block too"
            );
            context
                .report
                .error(context.names.place(&turnout.id), "end-open", message, cure);
        }
    }
}
