//! Feeds: what each supplies, and what switches it.

use super::{Context, in_order, shown, span, value};
use crate::engine::ids::{FeedId, TableId, TurnoutId};
use crate::engine::layout::{Feed, Layout, Leg, Via};
use crate::plan::document::devices::FeedDoc;
use crate::plan::names::{Sort, did_you_mean, each};

/// Makes the feeds.
pub fn resolve(context: &mut Context<'_>, layout: &mut Layout) {
    let mut feeds = Vec::new();
    for doc in each(&context.plan.feed) {
        let Some(id) = &doc.id else { continue };
        let (mut blocks, mut turnouts) = (Vec::new(), Vec::new());
        for id in doc.blocks.iter().flat_map(|blocks| &blocks.value) {
            // A turnout with a section of its own is a place like any, and may stand among them.
            match context.names.get(&id.value, Sort::Turnout) {
                Some(turnout) => turnouts.push(TurnoutId(turnout)),
                None => blocks.extend(context.block(id)),
            }
        }
        for id in doc.turnouts.iter().flat_map(|turnouts| &turnouts.value) {
            turnouts.extend(context.turnout(id));
        }
        let of = doc.of.as_ref().and_then(|of| {
            context
                .names
                .find(&of.value, of.at, Sort::Feed, context.report)
                .map(FeedId)
        });
        let via = via(context, layout, doc);
        let node = context.node(&doc.node);
        let defaults = &context.defaults;
        let see_volts = doc.see_volts.as_ref().or(defaults.see_volts.as_ref());
        feeds.push(Feed {
            id: id.value.clone(),
            name: shown(&doc.name, &id.value),
            blocks,
            turnouts,
            rest: value(&doc.rest).unwrap_or_default(),
            of,
            via,
            supply: value(&doc.supply).unwrap_or_default(),
            see_volts: see_volts.map_or(0.0, |volts| volts.value),
            settle: span(&doc.settle_s, &defaults.settle_s),
            trip: span(&doc.trip_ms, &defaults.trip_ms),
            coast: span(&doc.coast_s, &defaults.coast_s),
            idle: span(&doc.idle_feed_s, &defaults.idle_feed_s),
            node,
        });
    }
    layout.feeds = in_order(feeds, |feed: &Feed| &feed.id);
    cycles(context, layout);
}

fn via(context: &mut Context<'_>, layout: &Layout, doc: &FeedDoc) -> Option<Via> {
    let via = doc.via.as_ref()?;
    let (id, position) = &via.value;
    if let Some(table) = context.names.get(id, Sort::Table) {
        let stops = layout
            .tables
            .get(table as usize)
            .map(|table| &table.stops)?;
        let found = stops.iter().position(|stop| stop.at == *position);
        if found.is_none() {
            let names: Vec<&str> = stops.iter().map(|stop| stop.at.as_str()).collect();
            let message = format!("the table `{id}` has no stop `{position}`");
            let cure = did_you_mean(position, names.iter().copied()).map_or_else(
                || format!("its stops are {}", names.join(", ")),
                |meant| format!("did you mean `{id}.{meant}`?"),
            );
            context.report.error(via.at, "bad-via", message, cure);
        }
        return found.map(|stop| Via::Table(TableId(table), stop));
    }
    if let Some(turnout) = context.names.get(id, Sort::Turnout) {
        let leg = match position.as_str() {
            "normal" => Some(Leg::Normal),
            "reverse" => Some(Leg::Reverse),
            _ => None,
        };
        if leg.is_none() {
            let message = format!("points have no position `{position}`");
            let cure = format!("use {id}.normal or {id}.reverse");
            context.report.error(via.at, "bad-via", message, cure);
        }
        return leg.map(|leg| Via::Turnout(TurnoutId(turnout), leg));
    }
    let known = context
        .names
        .of(Sort::Turnout)
        .chain(context.names.of(Sort::Table));
    let cure = did_you_mean(id, known).map_or_else(
        || "name a turnout's or a table's position".to_owned(),
        |meant| format!("did you mean `{meant}.{position}`?"),
    );
    let message = format!("there is no turnout or table `{id}`");
    context.report.error(via.at, "unknown-id", message, cure);
    None
}

/// A feed that is, along `of`, supplied by itself.
fn cycles(context: &mut Context<'_>, layout: &Layout) {
    for (index, feed) in layout.feeds.iter().enumerate() {
        let mut of = feed.of;
        let mut chain = vec![feed.id.as_str()];
        while let Some(next) = of.and_then(|of| layout.feeds.get(of.index())) {
            if chain.len() > layout.feeds.len() {
                break;
            }
            chain.push(&next.id);
            if of.is_some_and(|of| of.index() == index) {
                let message = format!("feeds supply each other in a ring: {}", chain.join(" of "));
                let cure = "take one `of` away: the first feed of a chain has none";
                let doc = each(&context.plan.feed)
                    .find(|doc| doc.id.as_ref().is_some_and(|id| id.value == feed.id));
                let at = doc.and_then(|doc| doc.of.as_ref()).map_or(0, |of| of.at);
                context.report.error(at, "feed-ring", message, cure);
                break;
            }
            of = next.of;
        }
    }
}
