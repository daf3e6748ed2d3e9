//! Turntables, transfer tables, lift-out bridges, and what their stops join.

use std::collections::BTreeSet;

use super::joins::Joins;
use super::{Context, in_order, shown, side_word, span};
use crate::engine::ids::{BlockId, TableId};
use crate::engine::layout::{End, Layout, Side, Stop, Table};
use crate::plan::document::track::{StopDoc, TableDoc};
use crate::plan::names::{Sort, did_you_mean, each};

/// Words that a position report uses for something else than a stop.
const RESERVED: &[&str] = &["between", "unknown"];

/// Makes the tables.
pub fn resolve(context: &mut Context<'_>, layout: &mut Layout, joins: &mut Joins) {
    let mut tables = Vec::new();
    for doc in each(&context.plan.table) {
        let (Some(id), Some(bridge)) = (&doc.id, &doc.bridge) else {
            continue;
        };
        let (Some(number), Some(bridge_id)) = (
            context.names.get(&id.value, Sort::Table).map(TableId),
            context.block(bridge),
        ) else {
            continue;
        };
        claim_bridge(context, layout, joins, doc, (number, bridge_id));
        let stops = stops(context, joins, doc, number, bridge_id);
        let rest = rest(context, doc, &stops);
        let defaults = &context.defaults;
        let (restore, move_time, position_confirm) = (
            span(&doc.restore_s, &defaults.restore_s),
            span(&doc.move_s, &defaults.move_s),
            span(&doc.position_confirm_ms, &defaults.position_confirm_ms),
        );
        tables.push(Table {
            id: id.value.clone(),
            name: shown(&doc.name, &id.value),
            bridge: bridge_id,
            rest,
            stops,
            restore,
            move_time,
            position_confirm,
            node: context.node(&doc.node),
        });
    }
    layout.tables = in_order(tables, |table: &Table| &table.id);
}

fn claim_bridge(
    context: &mut Context<'_>,
    layout: &mut Layout,
    joins: &Joins,
    doc: &TableDoc,
    (table, bridge): (TableId, BlockId),
) {
    let at = doc.bridge.as_ref().map_or(doc.at, |bridge| bridge.at);
    for side in [Side::A, Side::B] {
        let end = End::Block(bridge, side);
        if let Some(other) = joins.partner(end) {
            let (end, other) = (context.written(end), context.written(other));
            let message = format!("`{end}` is a bridge's end and yet joined to `{other}`");
            let cure = "take the join away, and name that end in a [[table.stop]]";
            context.report.error(at, "end-twice", message, cure);
        }
    }
    let Some(block) = layout.blocks.get_mut(bridge.index()) else {
        return;
    };
    if block.bridge_of.is_some_and(|other| other != table) {
        let message = format!("`{}` is the bridge of two tables", block.id);
        context.report.error(
            at,
            "bridge-twice",
            message,
            "give each table a block of its own",
        );
        return;
    }
    block.bridge_of = Some(table);
}

fn stops(
    context: &mut Context<'_>,
    joins: &mut Joins,
    doc: &TableDoc,
    table: TableId,
    bridge: BlockId,
) -> Vec<Stop> {
    let mut stops: Vec<Stop> = Vec::new();
    let mut met_by = BTreeSet::new();
    for stop in each(&doc.stop) {
        let Some(name) = &stop.at_name else { continue };
        check_stop(context, stop, &name.value, &stops);
        let mut ends = [None, None];
        let sides = [(Side::A, &stop.a), (Side::B, &stop.b)];
        for ((side, end), met) in sides.into_iter().zip(&mut ends) {
            let Some(end) = end else { continue };
            let Some(resolved) = context.end(end) else {
                continue;
            };
            let written = &end.value.text;
            if matches!(resolved, End::Block(block, _) if block == bridge) {
                let message = format!("`{written}` is an end of the bridge itself");
                let cure = "name the end of the track that it meets";
                context.report.error(end.at, "end-twice", message, cure);
                continue;
            }
            if !met_by.insert((resolved, side)) {
                let message = format!(
                    "`{written}` meets the bridge's end {} at two stops",
                    side_word(side)
                );
                let cure = "a track is at two stops by the same end only if both are one stop";
                context.report.warning(end.at, "stop-same", message, cure);
            }
            joins.add_stop(context, resolved, table, end.at);
            *met = Some(resolved);
        }
        let [a, b] = ends;
        stops.push(Stop {
            at: name.value.clone(),
            a,
            b,
        });
    }
    if stops.is_empty() && !doc.broken {
        let message = "the table has no stops";
        context.report.error(
            doc.at,
            "missing-key",
            message,
            "add a [[table.stop]] for each",
        );
    }
    stops
}

fn check_stop(context: &mut Context<'_>, doc: &StopDoc, name: &str, stops: &[Stop]) {
    let at = doc.at_name.as_ref().map_or(doc.at, |name| name.at);
    if stops.iter().any(|stop| stop.at == name) {
        let message = format!("the table has two stops `{name}`");
        context.report.error(
            at,
            "stop-twice",
            message,
            "give each stop a name of its own",
        );
    }
    if RESERVED.contains(&name) {
        let message = format!("a stop cannot be called `{name}`");
        let cure = "that word says where a table is when it is at no stop: use another";
        context.report.error(at, "bad-word", message, cure);
    }
}

fn rest(context: &mut Context<'_>, doc: &TableDoc, stops: &[Stop]) -> Option<usize> {
    let rest = doc.rest.as_ref()?;
    let found = stops.iter().position(|stop| stop.at == rest.value);
    if found.is_none() {
        let names: Vec<&str> = stops.iter().map(|stop| stop.at.as_str()).collect();
        let message = format!("the table has no stop `{}`", rest.value);
        let cure = did_you_mean(&rest.value, names.iter().copied()).map_or_else(
            || format!("its stops are {}", names.join(", ")),
            |meant| format!("did you mean `{meant}`?"),
        );
        context.report.error(rest.at, "unknown-stop", message, cure);
    }
    found
}
