//! Where the operator's words come in, from the page or from `P/do/VERB/ID`, and which topics are
//! whose.
//!
//! It finds the item, has the body read, and hands the word to the engine, which alone decides
//! whether it can be carried out.

use super::acts::Act;
use super::hub::{Answer, Order};
use crate::engine::Engine;
use crate::engine::input::{Input, Outcome};
use crate::engine::layout::Layout;
use crate::engine::time::{Instant, Span};
use crate::plan::{Mqtt, Plan};
use crate::wire::commands::{self, Target};
use crate::wire::words;

/// The desk.
#[derive(Debug)]
pub(super) struct Desk {
    /// `P/do/`.
    words: String,
    /// What the daemon itself publishes and hears again.
    ours: [String; 2],
    accept_commands: bool,
}

impl Desk {
    pub(super) fn new(plan: &Plan) -> Self {
        let prefix = &plan.topic_prefix;
        let accept_commands = match &plan.mqtt {
            Mqtt::Embedded {
                accept_commands, ..
            }
            | Mqtt::External {
                accept_commands, ..
            } => *accept_commands,
        };
        Self {
            words: format!("{prefix}/do/"),
            ours: ["state/", "alarm/"].map(|topic| format!("{prefix}/{topic}")),
            accept_commands,
        }
    }

    /// What the daemon itself has published.
    pub(super) fn is_ours(&self, topic: &str) -> bool {
        self.ours
            .iter()
            .any(|ours| topic.starts_with(ours.as_str()))
    }

    /// An operator's word where such are taken.
    pub(super) fn is_word(&self, topic: &str) -> bool {
        self.accept_commands && topic.starts_with(&self.words)
    }

    /// A word from the page; what was done, where it could be read. `in_charge`: how long points
    /// are in charge where nobody says.
    pub(super) fn carry_out(
        &self,
        engine: &mut Engine,
        at: Instant,
        order: &Order,
        in_charge: Span,
    ) -> (Answer, Option<Act>) {
        if !is_known(engine, order) {
            return (Answer::NotFound, None);
        }
        let find = |id: &str| engine.train_by_name(id);
        let Order {
            target,
            verb,
            id,
            body,
        } = order;
        let layout = engine.layout();
        let read = commands::command_with(*target, verb, id, body, layout, in_charge, find);
        let (command, word) = match read {
            Err(why) => return (Answer::Malformed(why), None),
            Ok(read) => read,
        };
        let mut act = Act::of_order(at, order, &command, &word);
        let answer = match engine.handle(at, Input::Command(command, word)) {
            Outcome::Refused(why) => {
                act.refused = Some(why.clone());
                Answer::Refused(why)
            }
            Outcome::Taken | Outcome::Late | Outcome::Implausible | Outcome::OldNews => {
                Answer::Taken
            }
        };
        (answer, Some(act))
    }
}

/// Whether there is such an item. An alarm need not be active: what that means is the engine's.
fn is_known(engine: &Engine, order: &Order) -> bool {
    let Layout {
        blocks,
        turnouts,
        detectors,
        ..
    } = engine.layout();
    let id = &order.id;
    match order.target {
        Target::Alarm => {
            let kind = id.split_once(':').map(|(kind, _)| kind);
            kind.is_some_and(|kind| words::alarm_kind(kind).is_some())
        }
        Target::Train => engine.train_by_name(id).is_some(),
        Target::Block => blocks.binary_search_by(|block| block.id.cmp(id)).is_ok(),
        Target::Turnout => turnouts
            .binary_search_by(|turnout| turnout.id.cmp(id))
            .is_ok(),
        Target::Detector => detectors
            .binary_search_by(|detector| detector.id.cmp(id))
            .is_ok(),
    }
}
