//! The operator's words: verb, item and JSON body to an engine command.
//!
//! Inputs: a message `P/do/VERB/ID` or the parts of a request, the layout, and a way to find a
//! train. Outputs: the command with who and why, or what is wrong with it in one line. Whether the
//! command makes sense at this moment is the engine's to say.

use serde::Deserialize;
use serde_json::Value;

use super::topics::TopicTable;
use super::words::{Worded, alarm_kind};
use crate::engine::ids::{BlockId, CrossingId, DetectorId, TrainId, TurnoutId};
use crate::engine::input::{Command, Position, Spot, Word};
use crate::engine::layout::Layout;
use crate::engine::time::Span;

/// How long `shelve` and `in-charge` last where nobody says.
pub const DEFAULT_SPAN: Span = Span::from_secs(15 * 60);
/// Nothing is put aside for longer than a day.
const MINUTES_MAX: f64 = 24.0 * 60.0;
/// The longest name, and the longest `who`, in characters.
const NAME_CHARS_MAX: usize = 64;
/// The longest `why`, in characters.
const WHY_CHARS_MAX: usize = 256;
/// The longest body.
const BODY_BYTES_MAX: usize = 4 * 1024;

/// What kind of item a word is about. `out-of-service` on `P/do/` means a detector, or an alarm
/// where the id is an alarm's, with a colon.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Target {
    /// An alarm, by `type:subject`.
    Alarm,
    /// A block or bridge.
    Block,
    /// A train.
    Train,
    /// A turnout.
    Turnout,
    /// A detector.
    Detector,
}

impl Target {
    /// What a verb on `P/do/` with this id is about; `None` for a verb that is not known.
    #[must_use]
    pub fn of(verb: &str, id: &str) -> Option<Self> {
        match Self::of_verb(verb) {
            Some(Self::Detector) if id.contains(':') => Some(Self::Alarm),
            target => target,
        }
    }

    /// What a verb on `P/do/` is about; `None` for a verb that is not known.
    #[must_use]
    pub fn of_verb(verb: &str) -> Option<Self> {
        match verb {
            "acknowledge" | "shelve" | "unshelve" | "reset" => Some(Self::Alarm),
            "stands-here" | "empty" | "removed-by-hand" => Some(Self::Block),
            "name" | "divide" => Some(Self::Train),
            "seen" | "in-charge" => Some(Self::Turnout),
            "out-of-service" | "in-service" => Some(Self::Detector),
            _ => None,
        }
    }
}

/// Reads a message on `P/do/VERB/ID`. `None` where the message is no operator's word: another
/// topic, a cleared retained value, or a retained one - what was said before now must not be done
/// again.
#[must_use]
pub fn message(
    table: &TopicTable,
    layout: &Layout,
    topic: &str,
    payload: &[u8],
    retained: bool,
    find_train: impl Fn(&str) -> Option<TrainId>,
) -> Option<Result<(Command, Word), String>> {
    let (verb, id) = table.operators_word(topic)?;
    if retained || payload.is_empty() {
        return None;
    }
    let Some(target) = Target::of(verb, id) else {
        return Some(Err(format!("no operator's word `{}`", short(verb))));
    };
    if payload.len() > BODY_BYTES_MAX {
        return Some(Err(format!(
            "{} bytes; the limit is {BODY_BYTES_MAX}",
            payload.len()
        )));
    }
    Some(match serde_json::from_slice(payload) {
        Ok(body) => command_with(
            target,
            verb,
            id,
            &body,
            layout,
            table.in_charge(),
            find_train,
        ),
        Err(error) => Err(format!(
            "not JSON: {error}; send {{\"who\":\"…\",\"why\":\"…\"}}"
        )),
    })
}

/// Whether a topic is an operator's word, read or not.
#[must_use]
pub fn is_command(table: &TopicTable, topic: &str) -> bool {
    table.operators_word(topic).is_some()
}

/// Reads an operator's word. `body` is an object, an empty one where nothing was said; points are
/// in charge for [`DEFAULT_SPAN`] where it does not say.
///
/// # Errors
/// What is wrong, with the cure, in one line.
pub fn command(
    target: Target,
    verb: &str,
    id: &str,
    body: &Value,
    layout: &Layout,
    find_train: impl Fn(&str) -> Option<TrainId>,
) -> Result<(Command, Word), String> {
    command_with(target, verb, id, body, layout, DEFAULT_SPAN, find_train)
}

/// The same with the plan's `in_charge_minutes` ([`TopicTable::in_charge`]).
///
/// # Errors
/// What is wrong, with the cure, in one line.
pub fn command_with(
    target: Target,
    verb: &str,
    id: &str,
    body: &Value,
    layout: &Layout,
    in_charge: Span,
    find_train: impl Fn(&str) -> Option<TrainId>,
) -> Result<(Command, Word), String> {
    let body = Body::read(body)?;
    let command = match target {
        Target::Alarm => on_alarm(verb, id, &body)?,
        Target::Block => {
            let spot = spot(id, layout)?;
            match verb {
                "stands-here" => Command::StandsHere(spot, body.name_if_said()?),
                "empty" => Command::Empty(spot),
                "removed-by-hand" => Command::RemovedByHand(spot),
                _ => return Err(no_verb(verb, "stands-here, empty, removed-by-hand")),
            }
        }
        Target::Train => {
            let train = find_train(id)
                .ok_or_else(|| format!("no train `{}` on the layout now", short(id)))?;
            match verb {
                "name" => Command::NameTrain(train, body.name()?),
                "divide" => {
                    let block = body.block.as_deref().map(|id| spot(id, layout));
                    Command::DivideTrain(train, block.transpose()?, body.name_if_said()?)
                }
                _ => return Err(no_verb(verb, "name, divide")),
            }
        }
        Target::Turnout => {
            let ids = layout.turnouts.iter().map(|item| &item.id);
            let turnout = TurnoutId(find("turnout", id, ids)?);
            match verb {
                "seen" => Command::Seen(turnout, body.position()?),
                "in-charge" => Command::InCharge(turnout, body.minutes(in_charge)?),
                _ => return Err(no_verb(verb, "seen, in-charge")),
            }
        }
        Target::Detector => {
            let ids = layout.detectors.iter().map(|item| &item.id);
            let detector = DetectorId(find("detector", id, ids)?);
            match verb {
                "out-of-service" => Command::OutOfService(detector),
                "in-service" => Command::InService(detector),
                _ => return Err(no_verb(verb, "out-of-service, in-service")),
            }
        }
    };
    let (who, why) = (body.who.unwrap_or_default(), body.why.unwrap_or_default());
    Ok((command, Word { who, why }))
}

/// A block, or a turnout or crossing: whether that is a place, the engine says.
fn spot(id: &str, layout: &Layout) -> Result<Spot, String> {
    let blocks = layout.blocks.iter().map(|item| &item.id);
    let block = find("block", id, blocks).map(|at| Spot::Block(BlockId(at)));
    block.or_else(|no_block| {
        let turnouts = layout.turnouts.iter().map(|item| &item.id);
        let crossings = layout.crossings.iter().map(|item| &item.id);
        let turnout = find("turnout", id, turnouts).map(|at| Spot::Turnout(TurnoutId(at)));
        let crossing = find("crossing", id, crossings).map(|at| Spot::Crossing(CrossingId(at)));
        turnout.or(crossing).or(Err(no_block))
    })
}

fn on_alarm(verb: &str, id: &str, body: &Body) -> Result<Command, String> {
    let known = id.split_once(':').is_some_and(|(kind, subject)| {
        alarm_kind(kind).is_some() && (1..=80).contains(&subject.chars().count())
    });
    if !known {
        let id = short(id);
        return Err(format!(
            "no alarm `{id}`; an alarm's id is its type and subject: type:subject"
        ));
    }
    let id = id.to_owned();
    Ok(match verb {
        "acknowledge" => Command::Acknowledge(id),
        "shelve" => match body.minutes(DEFAULT_SPAN)? {
            Span::ZERO => return Err("`minutes` is 0; give how long to shelve".to_owned()),
            span => Command::Shelve(id, span),
        },
        "unshelve" => Command::Unshelve(id),
        "reset" => Command::Reset(id),
        "out-of-service" => Command::AlarmOutOfService(id),
        "in-service" => Command::AlarmInService(id),
        _ => {
            let verbs = "acknowledge, shelve, unshelve, reset, out-of-service, in-service";
            return Err(no_verb(verb, verbs));
        }
    })
}

/// The body, each key where it applies. Keys that are not ours are left alone: another program may
/// keep notes of its own there.
#[derive(Debug, Deserialize)]
struct Body {
    who: Option<String>,
    why: Option<String>,
    minutes: Option<f64>,
    name: Option<String>,
    block: Option<String>,
    position: Option<String>,
}

impl Body {
    fn read(body: &Value) -> Result<Self, String> {
        if !body.is_object() {
            return Err(
                "the body is no JSON object; send {\"who\":\"…\",\"why\":\"…\"}".to_owned(),
            );
        }
        let read = Self::deserialize(body).map_err(|error| format!("in the body: {error}"))?;
        within("who", read.who.as_deref(), NAME_CHARS_MAX)?;
        within("why", read.why.as_deref(), WHY_CHARS_MAX)?;
        Ok(read)
    }

    fn minutes(&self, default: Span) -> Result<Span, String> {
        match self.minutes {
            None => Ok(default),
            Some(minutes) if (0.0..=MINUTES_MAX).contains(&minutes) => {
                Ok(Span::from_secs_f64(minutes * 60.0))
            }
            Some(minutes) => Err(format!("`minutes` is {minutes}; give 0 to {MINUTES_MAX}")),
        }
    }

    fn name(&self) -> Result<String, String> {
        let name = self.name.as_deref().unwrap_or("").trim();
        within("name", Some(name), NAME_CHARS_MAX)?;
        if name.is_empty() {
            return Err("no name; send {\"name\":\"…\"}".to_owned());
        }
        Ok(name.to_owned())
    }

    /// A name that may be left out.
    fn name_if_said(&self) -> Result<Option<String>, String> {
        match self.name.as_deref().map(str::trim) {
            None | Some("") => Ok(None),
            Some(_) => self.name().map(Some),
        }
    }

    fn position(&self) -> Result<Position, String> {
        match self.position.as_deref().map(Position::from_word) {
            None => Ok(Position::Normal),
            Some(Some(seen @ (Position::Normal | Position::Reverse))) => Ok(seen),
            Some(_) => {
                Err("`position` is none that can be seen; give normal or reverse".to_owned())
            }
        }
    }
}

/// Text of people: not longer than is shown, and no control characters.
fn within(key: &str, text: Option<&str>, chars_max: usize) -> Result<(), String> {
    let text = text.unwrap_or("");
    if text.chars().count() > chars_max {
        Err(format!(
            "`{key}` is longer than {chars_max} characters; shorten it"
        ))
    } else if text.chars().any(char::is_control) {
        Err(format!("`{key}` has control characters; leave them out"))
    } else {
        Ok(())
    }
}

fn find<'a>(
    kind: &str,
    id: &str,
    mut ids: impl Iterator<Item = &'a String>,
) -> Result<u32, String> {
    ids.position(|known| known == id)
        .and_then(|index| u32::try_from(index).ok())
        .ok_or_else(|| format!("no {kind} `{}` in the plan", short(id)))
}

fn no_verb(verb: &str, verbs: &str) -> String {
    format!("no operator's word `{}`; use {verbs}", short(verb))
}

fn short(text: &str) -> String {
    text.chars().take(40).collect()
}
