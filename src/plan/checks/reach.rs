//! Blocks that no train can reach, and plans without any.

use std::collections::BTreeSet;

use super::Looking;
use crate::engine::ids::BlockId;
use crate::engine::layout::{End, Side};
use crate::plan::names::each;
use crate::plan::report::Report;

/// Checks that there is track, and that it hangs together.
pub fn check(looking: &Looking<'_>, report: &mut Report) {
    let layout = &looking.resolved.layout;
    if layout.blocks.is_empty() {
        // A block that could not be read is a finding of its own.
        if looking
            .plan
            .block
            .as_ref()
            .is_none_or(|blocks| blocks.value.is_empty())
        {
            let cure = "add a [[block]] for each length of track that a detector watches";
            report.error(0, "empty-plan", "the plan has no block", cure);
        }
        return;
    }
    if !looking.resolved.track_sound || layout.blocks.len() < 2 {
        return;
    }
    let at_stops = at_stops(looking);
    for (block, number) in layout.blocks.iter().zip(0..) {
        let number = BlockId(number);
        let end = |side| End::Block(number, side);
        let alone = [Side::A, Side::B]
            .into_iter()
            .all(|side| looking.resolved.joins.next_blocks(end(side)).is_empty());
        // Stock comes to a fiddle block by hand, and to a table's track over the table.
        if alone && !block.fiddle && !at_stops.contains(&number) {
            let message = format!(
                "no train can reach `{}`: neither of its ends is joined",
                block.id
            );
            let cure = "join `.a` or `.b` of it to its neighbour, or say `fiddle = true` if stock \
                        comes there by hand";
            report.warning(looking.names.place(&block.id), "unreachable", message, cure);
        }
    }
    for table in each(&looking.plan.table).filter(|table| table.stop.is_some() && !table.broken) {
        let mut ends = each(&table.stop).filter(|stop| stop.a.is_some() || stop.b.is_some());
        if ends.next().is_none() {
            let message = "no train can reach the bridge: no stop joins it to anything";
            report.warning(
                table.at,
                "unreachable",
                message,
                "give the stops their `a` and `b`",
            );
        }
    }
}

/// Blocks that a table's stop reaches, its bridge included.
fn at_stops(looking: &Looking<'_>) -> BTreeSet<BlockId> {
    let joins = &looking.resolved.joins;
    let mut reached = BTreeSet::new();
    for table in &looking.resolved.layout.tables {
        reached.insert(table.bridge);
        for end in table
            .stops
            .iter()
            .flat_map(|stop| [stop.a, stop.b])
            .flatten()
        {
            match end {
                End::Block(block, _) => {
                    reached.insert(block);
                }
                End::Turnout(turnout, leg) => {
                    use crate::engine::layout::Leg;
                    let onwards: &[Leg] = match leg {
                        Leg::Toe => &[Leg::Normal, Leg::Reverse],
                        Leg::Normal | Leg::Reverse => &[Leg::Toe],
                    };
                    for leg in onwards {
                        reached.extend(joins.next_blocks(End::Turnout(turnout, *leg)));
                    }
                }
                End::Crossing(crossing, track, side) => {
                    let other = crate::plan::resolve::joins::other(side);
                    reached.extend(joins.next_blocks(End::Crossing(crossing, track, other)));
                }
            }
        }
    }
    reached
}
