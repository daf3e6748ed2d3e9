//! What `[layout]` says about the drawing: the order of the lines, and ends that lie on the left.
//!
//! Input: the plan as written and its blocks. Output: both, checked; findings about lines that no
//! block is on and ends that are no block's. How the rest is drawn the page works out from the
//! joins: without these keys it draws everything.

use std::collections::BTreeSet;

use super::{Context, value};
use crate::engine::ids::BlockId;
use crate::engine::layout::{End, Layout, Side};
use crate::plan::Drawing;
use crate::plan::names::did_you_mean;

/// Reads both keys.
pub fn resolve(context: &mut Context<'_>, layout: &Layout) -> Drawing {
    Drawing {
        lines: lines(context, layout),
        left: left(context),
    }
}

fn lines(context: &mut Context<'_>, layout: &Layout) -> Vec<String> {
    let section = context.plan.layout.as_ref().map(|layout| &layout.value);
    let given = section.and_then(|layout| value(&layout.lines));
    let known = layout
        .blocks
        .iter()
        .filter_map(|block| block.line.as_deref());
    let known: BTreeSet<&str> = known.collect();
    let mut lines: Vec<String> = Vec::new();
    for line in given.into_iter().flatten() {
        let name = line.value;
        if !known.contains(name.as_str()) {
            let message = format!("no block is on a line `{name}`");
            let near = did_you_mean(&name, known.iter().copied());
            let cure = near.map_or_else(
                || format!("give its blocks `line = \"{name}\"`, or take it out"),
                |near| format!("did you mean `{near}`?"),
            );
            context.report.error(line.at, "unknown-line", message, cure);
        } else if lines.contains(&name) {
            let message = format!("the line `{name}` stands in `lines` twice");
            let cure = "name each line once, in the order from above";
            context.report.error(line.at, "line-twice", message, cure);
        } else {
            lines.push(name);
        }
    }
    lines
}

fn left(context: &mut Context<'_>) -> Vec<(BlockId, Side)> {
    let section = context.plan.layout.as_ref().map(|layout| &layout.value);
    let given = section.and_then(|layout| value(&layout.left));
    let mut left: Vec<(BlockId, Side)> = Vec::new();
    for end in given.into_iter().flatten() {
        match context.end(&end) {
            None => {}
            Some(End::Block(block, side)) => {
                if left.iter().any(|(known, _)| *known == block) {
                    let message =
                        format!("the block of `{}` stands in `left` twice", end.value.text);
                    let cure = "name one end of it: the one that is drawn on the left";
                    context.report.error(end.at, "left-twice", message, cure);
                } else {
                    left.push((block, side));
                }
            }
            Some(End::Turnout(..) | End::Crossing(..)) => {
                let message = format!("`{}` is no end of a block", end.value.text);
                let cure = "name an end of a block, .a or .b, next to it";
                context.report.error(end.at, "left-no-block", message, cure);
            }
        }
    }
    left
}
