//! The search: states, what can happen in each, and the promises.
//!
//! A state is what the engine's fingerprint says, times taken as distances from the present, and the
//! truth. Distances into the past are told apart up to [`HORIZON`]; what is waited for, always.
//! The search is breadth first, so that the story of what it finds is the shortest.

use std::collections::{BTreeMap, HashSet, VecDeque};
use std::fmt::{self, Write};
use std::hash::{DefaultHasher, Hash, Hasher};

use taillamp::engine::Seeded;
use taillamp::engine::time::{Instant, Span};

use crate::judge::RETURNS;
use crate::site::Site;
use crate::world::{Act, Play};

/// The longest that a rule looks back here is T2's `clear_s` and `restore_s`, 15 s.
const HORIZON: Span = Span::from_secs(20);

/// Whether every alarm returns is tried out from one state of so many.
const TRIED_OF: u64 = 8;

/// What must hold, by the number that `judge` gives it.
pub const PROMISES: [&str; 9] = [
    "a place that holds a vehicle is never vacant",
    "points with a vehicle on them are never free, awaiting, cleared or left diverging",
    "no train is forgotten",
    "points left diverging are told, and missing data does not end it",
    "no alarm without cause",
    "every alarm returns",
    "undisturbed trains are neither lost nor made",
    "a split crossover is told",
    "a table with a train across its edge is not free",
];

/// The model.
pub struct Layouts {
    pub site: Site,
    pub seeded: Option<Seeded>,
    /// In one story.
    pub misfortunes: u8,
}

/// A state that is to be gone on from: one story that leads to it.
#[derive(Clone)]
struct State {
    print: u64,
    prologue: usize,
    story: Vec<Act>,
}

/// How far a search came, and what it found.
pub struct Outcome {
    pub distinct: usize,
    pub generated: usize,
    /// The longest story, in acts.
    pub depth: usize,
    /// Nothing is left to be looked at.
    pub exhausted: bool,
    /// For each broken promise the first story, which is the shortest, told.
    pub broken: BTreeMap<u32, String>,
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

impl Layouts {
    fn begin(&self, prologue: usize) -> Play {
        let mut play = Play::new(&self.site, self.seeded);
        for act in &self.site.prologues[prologue] {
            play.act(&self.site, *act, self.seeded);
        }
        play
    }

    /// Goes through the states in the order of their stories' lengths.
    pub fn search(
        &self,
        distinct: usize,
        wanted: Option<u32>,
        until: impl Fn() -> bool,
    ) -> Outcome {
        let mut known: HashSet<u64> = HashSet::new();
        let mut queue: VecDeque<State> = VecDeque::new();
        let mut outcome = Outcome {
            distinct: 0,
            generated: 0,
            depth: 0,
            exhausted: false,
            broken: BTreeMap::new(),
        };
        let begun: Vec<Play> = (0..self.site.prologues.len())
            .map(|prologue| self.begin(prologue))
            .collect();
        for (prologue, play) in begun.iter().enumerate() {
            let state = State {
                print: print(play),
                prologue,
                story: Vec::new(),
            };
            self.look(play, state, &mut known, &mut queue, &mut outcome);
        }
        while known.len() < distinct && !until() {
            if wanted.is_some_and(|promise| outcome.broken.contains_key(&promise)) {
                break;
            }
            let Some(state) = queue.pop_front() else {
                outcome.exhausted = true;
                break;
            };
            // The engine is not kept with each state: it is made again from the story.
            let mut here = begun[state.prologue].clone();
            for act in &state.story {
                here.act(&self.site, *act, self.seeded);
            }
            debug_assert_eq!(print(&here), state.print, "the same story, the same state");
            for act in here.world.acts(&self.site, self.misfortunes) {
                let mut play = here.clone();
                play.act(&self.site, act, self.seeded);
                let mut story = state.story.clone();
                story.push(act);
                let next = State {
                    print: print(&play),
                    prologue: state.prologue,
                    story,
                };
                self.look(&play, next, &mut known, &mut queue, &mut outcome);
            }
        }
        outcome.distinct = known.len();
        outcome
    }

    /// Takes note of a state: what is broken in it, and whether it is new. What is broken once is
    /// not gone on from.
    fn look(
        &self,
        play: &Play,
        state: State,
        known: &mut HashSet<u64>,
        queue: &mut VecDeque<State>,
        outcome: &mut Outcome,
    ) {
        outcome.generated += 1;
        if !known.insert(state.print) {
            return;
        }
        outcome.depth = outcome.depth.max(state.story.len());
        let mut broken = play.broken;
        if state.print.is_multiple_of(TRIED_OF) && play.returns(&self.site).is_err() {
            broken |= 1 << RETURNS;
        }
        for promise in (0..PROMISES.len() as u32).filter(|number| broken >> number & 1 == 1) {
            let told = || self.tell(state.prologue, &state.story);
            outcome.broken.entry(promise).or_insert_with(told);
        }
        if broken == 0 {
            queue.push_back(state);
        }
    }

    /// Why an alarm does not return, where that is what is broken.
    fn tell(&self, prologue: usize, story: &[Act]) -> String {
        let mut play = self.begin(prologue);
        for act in story {
            play.act(&self.site, *act, self.seeded);
        }
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
        format!(
            "prologue {prologue}, then {story:?}: {blocks:?} {turnouts:?} {alarms:?}; at rest: {:?}",
            play.returns(&self.site)
        )
    }
}
