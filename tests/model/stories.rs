//! Stories that a long search found broken, told again every day.
//!
//! A line is a layout, the number of the prologue, and the acts as the search prints them. One more
//! can be told by `TAILLAMP_STORY="siding 2: Wait(22), Restart"`.

use crate::judge::PROMISES;
use crate::model;
use crate::site::{Site, crossover, siding, table};
use crate::world::{Act, Play};

/// What was broken once, in the engine or in the judge.
const STORIES: &str = "
    siding 2: Wait(22), Restart, Trip(0), Throw(0), Wait(22)
    siding 1: DropOut(3), DropOut(1), Gather(0, 1), Wait(22), DropOut(3)
    siding 3: Wait(22), Mute(2), Restart, Reach(0, 2), Throw(0)
    siding 1: DropOut(3), Gather(0, 1), Reach(0, 0), DropOut(3), Trip(0)
    siding 1: Mute(1), Wait(22), Gather(0, 1), Mute(3), Throw(0)
    siding 3: Switch(0), Reach(0, 2), Switch(0), Trip(0), Wait(22)
    siding 3: Wait(22), Mute(2), Restart, Reach(0, 2), Wait(22)
    crossover 0: Restart, Reach(1, 4), Reach(0, 1), Trip(1), Wait(22)
    crossover 1: Trip(0), Throw(1), Wait(4), Restart, Wait(4)
    crossover 1: Gather(0, 4), DropOut(3), DropOut(4), Wait(22), Reach(0, 5)
    table 2: Wait(4), Wait(22), Restart, Trip(0), Turn(2), Turn(1)
    table 2: Wait(4), Gather(0, 1), Turn(1), Reach(0, 3), Gather(0, 3), Wait(22)
    siding 2: Throw(0), DropOut(3), DropOut(2), Throw(0), Wait(22)
    crossover 1: Throw(1), DropOut(3), DropOut(4), Throw(1), Wait(22)
    siding 1: Throw(0), DropOut(3), Gather(0, 1), Reach(0, 0), Trip(0)
";

fn act(text: &str) -> Option<Act> {
    let (name, numbers) = text.split_once('(').unwrap_or((text, ""));
    let numbers: Vec<usize> = numbers
        .trim_end_matches(')')
        .split(", ")
        .filter_map(|number| number.parse().ok())
        .collect();
    match (name, numbers.as_slice()) {
        ("Reach", [train, to]) => Some(Act::Reach(*train, *to)),
        ("Gather", [train, to]) => Some(Act::Gather(*train, *to)),
        ("Throw", [points]) => Some(Act::Throw(*points)),
        ("Turn", [stop]) => Some(Act::Turn(*stop)),
        ("Switch", [feed]) => Some(Act::Switch(*feed)),
        ("Trip", [feed]) => Some(Act::Trip(*feed)),
        ("DropOut", [spot]) => Some(Act::DropOut(*spot)),
        ("Ghost", [spot]) => Some(Act::Ghost(*spot)),
        ("Mute", [spot]) => Some(Act::Mute(*spot)),
        ("Wait", [long]) => Some(Act::Wait(*long)),
        ("Node", []) => Some(Act::Node),
        ("Restart", []) => Some(Act::Restart),
        _ => None,
    }
}

fn story(line: &str) -> Option<(Site, usize, Vec<Act>)> {
    let (head, acts) = line.split_once(": ")?;
    let (site, prologue) = head.split_once(' ')?;
    let site = match site {
        "siding" => siding(),
        "crossover" => crossover(),
        "table" => table(),
        _ => return None,
    };
    let mut told = Vec::new();
    let mut left = acts.trim();
    while !left.is_empty() {
        let end = match (left.find(", "), left.find('(')) {
            (Some(comma), Some(open)) if open < comma => left.find(')')? + 1,
            (Some(comma), _) => comma,
            (None, _) => left.len(),
        };
        told.push(act(&left[..end])?);
        left = left[end..].trim_start_matches(", ");
    }
    Some((site, prologue.parse().ok()?, told))
}

/// What is broken in a story, and the story.
fn broken(line: &str) -> Result<(), String> {
    let (site, prologue, acts) = story(line).ok_or_else(|| format!("no story: {line}"))?;
    let mut play = Play::new(&site, None);
    play.log = Some(String::new());
    let mut can = true;
    for act in site.prologues[prologue].iter().chain(&acts) {
        can &= play.world.acts(&site, u8::MAX).contains(act) || matches!(act, Act::Wait(_));
        play.act(&site, *act, None);
    }
    if !can {
        return Err(format!("cannot happen: {line}"));
    }
    let returns = play.returns(&site);
    if play.broken == 0 && returns.is_ok() {
        return Ok(());
    }
    let broken: Vec<&str> = (0..PROMISES.len())
        .filter(|number| play.broken >> number & 1 == 1)
        .map(|number| PROMISES[number])
        .collect();
    Err(format!(
        "{line}\n  {broken:?}, {returns:?}\n{}",
        model::told(&play)
    ))
}

#[test]
fn what_was_broken_once_holds() {
    let one_more = std::env::var("TAILLAMP_STORY").unwrap_or_default();
    let lines = STORIES.lines().chain(one_more.lines()).map(str::trim);
    let found: Vec<String> = lines
        .filter(|line| !line.is_empty())
        .filter_map(|line| broken(line).err())
        .collect();
    assert!(found.is_empty(), "{}", found.join("\n\n"));
}
