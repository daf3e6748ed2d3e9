//! The plan as written to the plan as the engine and the shell need it: names to numbers, ends to
//! joins, defaults to values, and the items that double crossovers, slips and tables stand for.
//!
//! Input: the sections and the table of names. Output: a layout as far as it can be made, topics,
//! and findings about what does not fit together. Whether the result is *wise* is for the checks.

pub mod bindings;
pub mod detectors;
mod drawing;
mod evidence;
pub mod joins;
pub mod notify;
pub mod peers;
pub mod power;
pub mod shell;
pub mod tables;
pub mod track;
pub mod turnouts;

use super::document::settings::DefaultsDoc;
use super::document::{PlanDoc, Section};
use super::names::{Names, Sort};
use super::report::Report;
use super::value::{EndRef, Part, Spanned};
use super::{Binding, Drawing};
use crate::engine::ids::{BlockId, CrossingId, NodeId, TurnoutId};
use crate::engine::layout::{CrossingTrack, End, Layout, Leg, Settings, Side};
use crate::engine::time::Span;
use joins::Joins;

/// What resolving works on.
pub struct Context<'p> {
    /// The plan as written.
    pub plan: &'p PlanDoc,
    /// Its ids.
    pub names: &'p Names,
    /// `[defaults]`, complete.
    pub defaults: DefaultsDoc,
    /// `topic_prefix`.
    pub prefix: String,
    /// Where findings go.
    pub report: &'p mut Report,
}

/// What became of the plan.
#[derive(Debug)]
pub struct Resolved {
    /// The layout, whole where there are no errors.
    pub layout: Layout,
    /// How the page draws it.
    pub drawing: Drawing,
    /// What is joined to what, tables' stops included.
    pub joins: Joins,
    /// The topics, each with the place of its item or of its own key.
    pub bindings: Vec<(Binding, usize)>,
    /// How long points are in an operator's charge where no time is given.
    pub in_charge: Span,
    /// Nothing is wrong with the track, so that it can be walked.
    pub track_sound: bool,
}

/// Resolves everything but the shell's settings.
#[must_use]
pub fn resolve(plan: &PlanDoc, names: &Names, prefix: &str, report: &mut Report) -> Resolved {
    let defaults = value(&plan.defaults).unwrap_or_else(DefaultsDoc::absent);
    let mut context = Context {
        plan,
        names,
        defaults,
        prefix: prefix.to_owned(),
        report,
    };
    let before = context.report.errors();
    let mut layout = Layout::default();
    if let Some(section) = plan.layout.as_ref().map(|layout| &layout.value) {
        layout.name = value(&section.name).unwrap_or_default();
        layout.scale_ratio = value(&section.scale).map_or(1.0, |(_, ratio)| ratio);
    }
    let trains = plan
        .trains
        .as_ref()
        .and_then(|trains| value(&trains.value.equipped));
    layout.equipped = trains.unwrap_or_default();
    layout.settings = settings(&context.defaults);
    let mut joins = Joins::default();
    track::resolve(&mut context, &mut layout, &mut joins);
    let track_sound = context.report.errors() == before;
    power::resolve(&mut context, &mut layout);
    detectors::resolve(&mut context, &mut layout);
    layout.nodes = detectors::nodes(plan);
    peers::resolve(&context, &mut layout);
    let bindings = bindings::resolve(&mut context, &layout);
    let drawing = drawing::resolve(&mut context, &layout);
    let in_charge = span(&context.defaults.in_charge_minutes, &None);
    Resolved {
        layout,
        drawing,
        joins,
        bindings,
        in_charge,
        track_sound,
    }
}

fn settings(defaults: &DefaultsDoc) -> Settings {
    let published = Settings::default();
    Settings {
        boot: value(&defaults.boot_s).unwrap_or(published.boot),
        look_ahead: value(&defaults.look_ahead_s).unwrap_or(published.look_ahead),
        part: value(&defaults.part_s).unwrap_or(published.part),
        bridge: value(&defaults.bridge_ms).unwrap_or(published.bridge),
        yard_speed_kmh: value(&defaults.yard_speed_kmh).unwrap_or(published.yard_speed_kmh),
        node_settle: value(&defaults.node_settle_s).unwrap_or(published.node_settle),
        relearn: value(&defaults.relearn_s).unwrap_or(published.relearn),
        broker_grace: published.broker_grace,
    }
}

/// The value of a key, without its place.
pub(super) fn value<T: Clone>(key: &Option<Spanned<T>>) -> Option<T> {
    key.as_ref().map(|key| key.value.clone())
}

/// An item's own time, or the plan's default.
pub(super) fn span(own: &Option<Spanned<Span>>, default: &Option<Spanned<Span>>) -> Span {
    own.as_ref()
        .or(default.as_ref())
        .map_or(Span::ZERO, |span| span.value)
}

/// The name for people: the id where none is given.
pub(super) fn shown(name: &Option<Spanned<String>>, id: &str) -> String {
    name.as_ref()
        .map_or_else(|| id.to_owned(), |name| name.value.clone())
}

/// Items in the order of their ids, each id once, as the table of names numbers them.
pub(super) fn in_order<T>(mut items: Vec<T>, id: impl Fn(&T) -> &str) -> Vec<T> {
    items.sort_by(|a, b| id(a).cmp(id(b)));
    items.dedup_by(|a, b| id(a) == id(b));
    items
}

impl Context<'_> {
    /// A block.
    pub fn block(&mut self, id: &Spanned<String>) -> Option<BlockId> {
        self.names
            .find(&id.value, id.at, Sort::Block, self.report)
            .map(BlockId)
    }

    /// A turnout.
    pub fn turnout(&mut self, id: &Spanned<String>) -> Option<TurnoutId> {
        self.names
            .find(&id.value, id.at, Sort::Turnout, self.report)
            .map(TurnoutId)
    }

    /// A node, where one is given.
    pub fn node(&mut self, id: &Option<Spanned<String>>) -> Option<NodeId> {
        let id = id.as_ref()?;
        self.names
            .find(&id.value, id.at, Sort::Node, self.report)
            .map(NodeId)
    }

    /// An end of track.
    pub fn end(&mut self, end: &Spanned<EndRef>) -> Option<End> {
        let EndRef { id, part, text } = &end.value;
        let of = |sort| self.names.get(id, sort);
        let found = match *part {
            Part::Side(side) => of(Sort::Block).map(|id| End::Block(BlockId(id), side)),
            Part::Leg(leg) => of(Sort::Turnout).map(|id| End::Turnout(TurnoutId(id), leg)),
            Part::Crossing(track, side) => {
                of(Sort::Crossing).map(|id| End::Crossing(CrossingId(id), track, side))
            }
        };
        if found.is_none() {
            self.report_end(id, text, end.at);
        }
        found
    }

    fn report_end(&mut self, id: &str, text: &str, at: usize) {
        if let Some(sort) = self.names.sort(id) {
            let message = format!("`{text}`: `{id}` is a {} and has no such end", sort.word());
            let cure = match sort {
                Sort::Block => format!("use {id}.a or {id}.b"),
                Sort::Turnout => format!("use {id}.toe, {id}.normal or {id}.reverse"),
                Sort::Crossing => format!("use {id}.first.a, .first.b, .second.a or .second.b"),
                Sort::Slip => format!("join the ends of {id} by its own `a` and `b`"),
                Sort::Table => "name the end of the track, and join it by [[table.stop]]".into(),
                Sort::Crossover | Sort::Feed | Sort::Detector | Sort::Node => {
                    "name a block, a turnout or a crossing".into()
                }
            };
            self.report.error(at, "bad-end", message, cure);
            return;
        }
        let sorts = [Sort::Block, Sort::Turnout, Sort::Crossing];
        let known = sorts.into_iter().flat_map(|sort| self.names.of(sort));
        let part = text.get(id.len()..).unwrap_or_default();
        let cure = super::names::did_you_mean(id, known).map_or_else(
            || format!("add a block or turnout `{id}`, or mend the id"),
            |meant| format!("did you mean `{meant}{part}`?"),
        );
        let message = format!("`{text}`: there is no block or turnout `{id}`");
        self.report.error(at, "unknown-id", message, cure);
    }

    /// The written form of an end.
    #[must_use]
    pub fn written(&self, end: End) -> String {
        written(self.names, end)
    }
}

/// The written form of an end.
#[must_use]
pub fn written(names: &Names, end: End) -> String {
    match end {
        End::Block(block, side) => {
            format!(
                "{}.{}",
                names.id(Sort::Block, block.index()),
                side_word(side)
            )
        }
        End::Turnout(turnout, leg) => {
            format!(
                "{}.{}",
                names.id(Sort::Turnout, turnout.index()),
                leg_word(leg)
            )
        }
        End::Crossing(crossing, track, side) => {
            let id = names.id(Sort::Crossing, crossing.index());
            let track = match track {
                CrossingTrack::First => "first",
                CrossingTrack::Second => "second",
            };
            format!("{id}.{track}.{}", side_word(side))
        }
    }
}

/// `a` or `b`.
#[must_use]
pub const fn side_word(side: Side) -> &'static str {
    match side {
        Side::A => "a",
        Side::B => "b",
    }
}

/// `toe`, `normal` or `reverse`.
#[must_use]
pub const fn leg_word(leg: Leg) -> &'static str {
    match leg {
        Leg::Toe => "toe",
        Leg::Normal => "normal",
        Leg::Reverse => "reverse",
    }
}
