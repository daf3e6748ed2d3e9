//! The model that `stateright` searches: states, what can happen in each, and the promises.
//!
//! A state is what the engine's fingerprint says, times taken as distances from the present, and
//! the truth. Distances into the past are told apart up to [`HORIZON`]; what is waited for, always.
//! The search is breadth first, so that the story of what it finds is among the shortest. An engine
//! is not kept with each state: it is made again from the story that led there.

use std::cell::RefCell;
use std::fmt::{self, Write};
use std::hash::{DefaultHasher, Hash, Hasher};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};

use stateright::{Model, Property};
use taillamp_model::engine::Seeded;
use taillamp_model::engine::time::{Instant, Span};

use crate::judge::{PROMISES, RETURNS, SIGHTS};
use crate::site::Site;
use crate::world::{Act, Play};

/// The longest that a rule looks back here is T2's `clear_s` and `restore_s`, 15 s; what takes
/// longer (T3) has noted when it is due.
const HORIZON: Span = Span::from_secs(20);

/// How far a run goes.
#[derive(Clone, Copy, Debug)]
pub struct Bound {
    /// States generated, those that were known counted again.
    pub generated: usize,
    /// Misfortunes in one story.
    pub misfortunes: u8,
    /// Distinct states that must have been looked at, unless there are no more.
    pub distinct: usize,
    /// Whether every alarm returns is tried out from one state of so many.
    pub tried_of: u64,
    pub threads: usize,
}

/// The model.
pub struct Layouts {
    site: Site,
    seeded: Option<Seeded>,
    bound: Bound,
    /// The engine after each prologue.
    begun: Vec<Play>,
    /// The promise that is wanted to be found broken: then nothing is gone on from.
    wanted: Option<u32>,
    /// The search is over: what is gone through again is told.
    telling: AtomicBool,
    /// How many states may still be generated; then the rest is looked at and not gone on from.
    left: AtomicUsize,
}

/// A state, and one story that leads to it. Two are the same when they print the same.
#[derive(Clone, Debug)]
pub struct State {
    print: u64,
    prologue: usize,
    story: Option<Arc<Link>>,
    broken: u32,
    seen: u32,
}

/// The last act of a story, and the story before it.
#[derive(Debug)]
struct Link {
    act: Act,
    before: Option<Arc<Link>>,
}

impl PartialEq for State {
    fn eq(&self, other: &Self) -> bool {
        self.print == other.print
    }
}

impl Hash for State {
    fn hash<H: Hasher>(&self, state: &mut H) {
        state.write_u64(self.print);
    }
}

/// Reads a state as text; moments become distances from the present.
struct Print {
    hash: DefaultHasher,
    now: Instant,
    /// How much of `Instant(n)` has gone by.
    moment: u8,
}

impl Write for Print {
    fn write_str(&mut self, text: &str) -> fmt::Result {
        self.moment = match (self.moment, text) {
            (_, "Instant") => 1,
            (1, "(") => 2,
            _ => {
                if self.moment == 2
                    && let Ok(at) = text.parse::<u64>()
                {
                    let ago = self.now.0.saturating_sub(at).min(HORIZON.0);
                    let ahead = at.saturating_sub(self.now.0);
                    (ago, ahead).hash(&mut self.hash);
                    self.moment = 0;
                    return Ok(());
                }
                0
            }
        };
        self.hash.write(text.as_bytes());
        Ok(())
    }
}

fn print(play: &Play) -> u64 {
    let mut print = Print {
        hash: DefaultHasher::new(),
        now: play.now,
        moment: 0,
    };
    let written = play.engine.fingerprint(&mut print);
    let world = write!(print, "{:?}{}", play.world, play.broken);
    assert!(written.is_ok() && world.is_ok(), "hashing does not fail");
    print.hash.finish()
}

thread_local! {
    /// The state that this thread goes on from, made again.
    static HERE: RefCell<Option<(u64, Play)>> = const { RefCell::new(None) };
}

impl Layouts {
    pub fn new(site: Site, (seeded, wanted): (Option<Seeded>, Option<u32>), bound: Bound) -> Self {
        let begun = |prologue: &Vec<Act>| {
            let mut play = Play::new(&site, seeded);
            for act in prologue {
                play.act(&site, *act, seeded);
            }
            play
        };
        Self {
            begun: site.prologues.iter().map(begun).collect(),
            site,
            seeded,
            wanted,
            telling: AtomicBool::new(false),
            left: AtomicUsize::new(bound.generated),
            bound,
        }
    }

    /// Lets paths be told again after the search has come to its bound.
    pub fn allow(&self) {
        self.telling.store(true, Ordering::Relaxed);
    }

    /// All states were looked at, none was left at the bound.
    pub fn is_exhausted(&self) -> bool {
        self.goes_on()
    }

    fn state(&self, play: &Play, prologue: usize, story: Option<Arc<Link>>) -> State {
        State {
            print: print(play),
            prologue,
            story,
            broken: play.broken,
            seen: play.seen,
        }
    }

    fn acts(state: &State) -> Vec<Act> {
        let mut acts = Vec::new();
        let mut link = state.story.as_ref();
        while let Some(last) = link {
            acts.push(last.act);
            link = last.before.as_ref();
        }
        acts.reverse();
        acts
    }

    /// The engine and its world in this state.
    fn again(&self, state: &State) -> Play {
        let kept = HERE.with_borrow(|here| {
            let same = here.as_ref().filter(|(print, _)| *print == state.print);
            same.map(|(_, play)| play.clone())
        });
        kept.unwrap_or_else(|| {
            let mut play = self.begun[state.prologue].clone();
            for act in Self::acts(state) {
                play.act(&self.site, act, self.seeded);
            }
            assert_eq!(print(&play), state.print, "the same story, the same state");
            HERE.set(Some((state.print, play.clone())));
            play
        })
    }

    /// Whether every alarm returns from here, where that is tried.
    fn returns(&self, state: &State) -> bool {
        let found = self.wanted.is_some() && !self.goes_on();
        if found || state.broken != 0 || !state.print.is_multiple_of(self.bound.tried_of) {
            return true;
        }
        let returns = self.again(state).returns(&self.site).is_ok();
        if !returns && self.wanted == Some(RETURNS) {
            self.left.store(0, Ordering::Relaxed);
        }
        returns
    }

    fn goes_on(&self) -> bool {
        self.left.load(Ordering::Relaxed) > 0 || self.telling.load(Ordering::Relaxed)
    }

    /// The story of a state for people, what is told in it, and every change on the way.
    pub fn tell(&self, state: &State) -> String {
        let mut play = Play::new(&self.site, self.seeded);
        play.log = Some(String::new());
        for act in self.site.prologues[state.prologue]
            .iter()
            .chain(&Self::acts(state))
        {
            play.act(&self.site, *act, self.seeded);
        }
        let broken: Vec<&str> = (0..PROMISES.len())
            .filter(|number| state.broken >> number & 1 == 1)
            .map(|number| PROMISES[number])
            .collect();
        let acts: Vec<String> = Self::acts(state)
            .iter()
            .map(|act| format!("{act:?}"))
            .collect();
        format!(
            "{broken:?}\n  {} {}: {}\n  at rest: {:?}\n{}",
            self.site.name,
            state.prologue,
            acts.join(", "),
            play.returns(&self.site),
            told(&play)
        )
    }
}

/// What is told in a state, beside the truth, and every change on the way.
pub fn told(play: &Play) -> String {
    let told = play.engine.snapshot();
    let alarms: Vec<&str> = told.alarms.iter().map(|alarm| alarm.id.as_str()).collect();
    let blocks: Vec<String> = told
        .blocks
        .iter()
        .map(|block| format!("{} {:?} {:?}", block.id, block.state, block.trains))
        .collect();
    let turnouts: Vec<String> = told
        .turnouts
        .iter()
        .map(|turnout| format!("{} {:?} {:?}", turnout.id, turnout.position, turnout.state))
        .collect();
    let trains: Vec<[usize; 2]> = play.world.trains.iter().map(|train| train.at).collect();
    format!(
        "  at {}: trains really in {trains:?}\n  {blocks:?}\n  {turnouts:?}\n  {alarms:?}\n{}",
        play.now,
        play.log.as_deref().unwrap_or_default()
    )
}

/// A promise, by number.
fn kept<const N: u32>(_: &Layouts, state: &State) -> bool {
    state.broken >> N & 1 == 0
}

/// What must have been come across, by number: a search that never sees it proves little.
fn seen<const N: u32>(_: &Layouts, state: &State) -> bool {
    state.seen >> N & 1 == 1
}

impl Model for Layouts {
    type State = State;
    type Action = Act;

    fn init_states(&self) -> Vec<State> {
        let begun = self.begun.iter().enumerate();
        begun
            .map(|(prologue, play)| self.state(play, prologue, None))
            .collect()
    }

    fn actions(&self, state: &State, acts: &mut Vec<Act>) {
        // What is broken once is not gone on from.
        if state.broken == 0 && self.goes_on() {
            acts.extend(
                self.again(state)
                    .world
                    .acts(&self.site, self.bound.misfortunes),
            );
        }
    }

    fn next_state(&self, state: &State, act: Act) -> Option<State> {
        let mut play = self.again(state);
        play.act(&self.site, act, self.seeded);
        let link = Link {
            act,
            before: state.story.clone(),
        };
        let less = |left: usize| Some(left.saturating_sub(1));
        let _ = self
            .left
            .fetch_update(Ordering::Relaxed, Ordering::Relaxed, less);
        if self
            .wanted
            .is_some_and(|promise| play.broken >> promise & 1 == 1)
        {
            self.left.store(0, Ordering::Relaxed);
        }
        Some(self.state(&play, state.prologue, Some(Arc::new(link))))
    }

    fn properties(&self) -> Vec<Property<Self>> {
        let [p0, p1, p2, p3, p4, p5, p6, p7, p8] = PROMISES;
        let [s0, s1, s2, s3, s4, s5, s6] = SIGHTS;
        debug_assert_eq!(p5, PROMISES[RETURNS as usize]);
        vec![
            Property::always(p0, kept::<0>),
            Property::always(p1, kept::<1>),
            Property::always(p2, kept::<2>),
            Property::always(p3, kept::<3>),
            Property::always(p4, kept::<4>),
            Property::always(p5, |model: &Self, state| model.returns(state)),
            Property::always(p6, kept::<6>),
            Property::always(p7, kept::<7>),
            Property::always(p8, kept::<8>),
            Property::sometimes(s0, seen::<0>),
            Property::sometimes(s1, seen::<1>),
            Property::sometimes(s2, seen::<2>),
            Property::sometimes(s3, seen::<3>),
            Property::sometimes(s4, seen::<4>),
            Property::sometimes(s5, seen::<5>),
            Property::sometimes(s6, seen::<6>),
        ]
    }
}
