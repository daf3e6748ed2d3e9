//! A club with three computers in a row, and the post between them.

use std::collections::VecDeque;

use crate::dice::Dice;
use taillamp::engine::Engine;
use taillamp::engine::change::Occupancy;
use taillamp::engine::ids::DetectorId;
use taillamp::engine::input::{Command, Input, Outcome, Word};
use taillamp::engine::snapshot::{BlockView, Snapshot, TrainView};
use taillamp::engine::time::{Instant, Span};
use taillamp::plan::{self, Plan};
use taillamp::wire::borders_json::borders_json;
use taillamp::wire::change_json::change_line;
use taillamp::wire::payload;
use taillamp::wire::topics::TopicTable;

/// How finely time passes, in milliseconds.
const STEP: u64 = 10;
/// A daemon says its word again so often, in milliseconds.
const BEAT: u64 = 2_000;

/// The three, from west to east; each has three blocks in a row: `w1 w2 w3`, `m1` ..., `e1` ...
pub const WEST: usize = 0;
pub const MID: usize = 1;
pub const EAST: usize = 2;

const NAMES: [&str; 3] = ["west", "mid", "east"];

/// The plan of one of them; `keys` come first.
pub fn plan_of(who: usize, keys: &str) -> String {
    let name = NAMES[who];
    let letter = &name[..1];
    let mut text = format!(
        "[layout]\nname = \"Three Fields, {name}\"\nscale = \"HO\"\n\
         topic_prefix = \"club/{name}\"\n{keys}\n"
    );
    for n in 1..=3 {
        text += &format!(
            "[[block]]\nid = \"{letter}{n}\"\n[[detector]]\nid = \"d-{letter}{n}\"\n\
             kind = \"current\"\nblock = \"{letter}{n}\"\nmax_silence_s = 0\n"
        );
    }
    for n in 1..=2 {
        text += &format!(
            "[[join]]\nends = [\"{letter}{n}.b\", \"{letter}{}.a\"]\n",
            n + 1
        );
    }
    let border = |here: &str, to: usize, there: &str| {
        format!(
            "[[peer]]\nid = \"{0}\"\nprefix = \"club/{0}\"\n\
             borders = [{{ here = \"{here}\", there = \"{there}\" }}]\n",
            NAMES[to]
        )
    };
    match who {
        WEST => text += &border("w3.b", MID, "m1.a"),
        MID => {
            text += &border("m1.a", WEST, "w3.b");
            text += &border("m3.b", EAST, "e1.a");
        }
        _ => text += &border("e1.a", MID, "m3.b"),
    }
    text
}

/// What one computer said to itself, for a replay: when, topic and payload.
pub type Line = (Instant, String, Vec<u8>);

/// One computer.
pub struct Computer {
    pub engine: Engine,
    pub plan: Plan,
    table: TopicTable,
    /// Its way to the broker: nothing comes and nothing goes while it is torn.
    pub link: bool,
    said: String,
    beat: u64,
    pub lines: Vec<Line>,
    pub changes: Vec<String>,
}

struct Letter {
    due: u64,
    to: usize,
    topic: String,
    payload: String,
}

/// The club.
pub struct Club {
    pub now: u64,
    pub computers: Vec<Computer>,
    post: VecDeque<Letter>,
    /// How long a letter is on its way, in milliseconds: asked anew for each.
    pub delay: Box<dyn FnMut() -> u64>,
}

fn at(millis: u64) -> Instant {
    Instant::default().plus(Span::from_millis(millis))
}

impl Computer {
    fn new(text: &str, run: &str) -> Self {
        let (plan, findings) = plan::load(text, "plan.toml");
        let plan = plan.unwrap_or_else(|| panic!("{findings:?}\n{text}"));
        let mut engine = Engine::new(plan.layout.clone(), Instant::default());
        engine.begin_run(run);
        let _ = engine.touched();
        Self {
            table: TopicTable::new(&plan),
            engine,
            plan,
            link: true,
            said: String::new(),
            beat: 0,
            lines: Vec::new(),
            changes: Vec::new(),
        }
    }

    fn hear(&mut self, now: Instant, topic: &str, payload: &[u8]) -> Vec<Outcome> {
        let mut inputs = Vec::new();
        payload::decode(
            &self.table,
            &self.plan.layout,
            topic,
            payload,
            false,
            &mut inputs,
        )
        .unwrap_or_else(|refusal| panic!("{topic}: {refusal}"));
        self.lines.push((now, topic.to_owned(), payload.to_vec()));
        let outcomes = inputs
            .into_iter()
            .map(|input| self.engine.handle(now, input))
            .collect();
        self.note();
        outcomes
    }

    /// A detector of this computer.
    pub fn detector(&self, id: &str) -> DetectorId {
        let detectors = &self.plan.layout.detectors;
        let at = detectors.iter().position(|detector| detector.id == id);
        let at = at.unwrap_or_else(|| panic!("no detector `{id}`"));
        DetectorId(u32::try_from(at).expect("few detectors"))
    }

    fn note(&mut self) {
        for change in self.engine.drain() {
            self.changes.push(change_line(&change, &self.engine));
        }
    }
}

impl Club {
    /// Three computers that have heard each other and all their detectors.
    pub fn new() -> Self {
        let mut club = Self::silent("");
        club.run(3_000);
        for who in [WEST, MID, EAST] {
            for n in 1..=3 {
                club.detect(&format!("{}{n}", &NAMES[who][..1]), false);
            }
        }
        club.run(8_000);
        club
    }

    /// Three computers that have just been started.
    pub fn silent(keys: &str) -> Self {
        let computers = [WEST, MID, EAST]
            .map(|who| Computer::new(&plan_of(who, keys), &format!("{}-1", NAMES[who])));
        Self {
            now: 0,
            computers: computers.into(),
            post: VecDeque::new(),
            delay: Box::new(|| 20),
        }
    }

    fn who(block: &str) -> usize {
        let letter = &block[..1];
        NAMES
            .iter()
            .position(|name| name.starts_with(letter))
            .unwrap_or_else(|| panic!("no computer has `{block}`"))
    }

    /// A detector of a block says something.
    pub fn detect(&mut self, block: &str, on: bool) {
        let who = Self::who(block);
        let topic = format!("club/{}/detector/d-{block}", NAMES[who]);
        let payload = format!("[{{\"n\":\"current\",\"vb\":{on}}}]");
        let now = at(self.now);
        self.computers[who].hear(now, &topic, payload.as_bytes());
        self.speak(who);
    }

    /// The operator of a computer says something.
    pub fn command(&mut self, who: usize, command: Command) -> Outcome {
        let now = at(self.now);
        let outcome = self.computers[who]
            .engine
            .handle(now, Input::Command(command, Word::default()));
        self.computers[who].note();
        self.speak(who);
        outcome
    }

    /// A computer's power is cut and comes back; with its memory, or with nothing.
    pub fn restart(&mut self, who: usize, run: &str, remembers: bool) {
        let memory = self.computers[who].engine.memory();
        let mut fresh = Computer::new(&plan_of(who, ""), run);
        if remembers {
            fresh.engine = Engine::recall(fresh.plan.layout.clone(), at(self.now), &memory);
            fresh.engine.begin_run(run);
        }
        fresh.engine.advance(at(self.now));
        fresh.link = self.computers[who].link;
        self.computers[who] = fresh;
    }

    /// A computer loses the broker, and with it its own detectors; or has it back and nothing more.
    pub fn broker(&mut self, who: usize, there: bool) {
        let now = at(self.now);
        let computer = &mut self.computers[who];
        computer.link = there;
        computer.engine.handle(now, Input::Broker(there));
        computer.note();
        self.speak(who);
    }

    /// The broker tells the others that a computer has gone: its will.
    pub fn will(&mut self, who: usize) {
        let topic = format!("club/{}/status", NAMES[who]);
        let now = at(self.now);
        for other in [WEST, MID, EAST] {
            let knows = !self.computers[other].table.listeners(&topic).is_empty();
            if knows && self.computers[other].link {
                self.computers[other].hear(now, &topic, b"offline");
            }
        }
    }

    /// Puts a letter into the box of a computer, as if it had been on its way for long.
    pub fn late_letter(&mut self, to: usize, from: usize, payload: &str) -> Vec<Outcome> {
        let topic = format!("club/{}/borders", NAMES[from]);
        let now = at(self.now);
        self.computers[to].hear(now, &topic, payload.as_bytes())
    }

    /// What a computer said last.
    pub fn said(&self, who: usize) -> &str {
        &self.computers[who].said
    }

    fn speak(&mut self, who: usize) {
        let computer = &mut self.computers[who];
        let Some(word) = computer.engine.border_word() else {
            return;
        };
        let word = borders_json(&word);
        if word == computer.said && self.now < computer.beat {
            return;
        }
        computer.said.clone_from(&word);
        computer.beat = self.now + BEAT;
        if !computer.link {
            return;
        }
        let topic = format!("club/{}/borders", NAMES[who]);
        for to in [WEST, MID, EAST] {
            if to == who || self.computers[to].table.listeners(&topic).is_empty() {
                continue;
            }
            // Letters of one sender to one receiver arrive in their order, as MQTT has it.
            let earlier = self.post.iter().filter(|l| l.to == to && l.topic == topic);
            let not_before = earlier.map(|letter| letter.due).max().unwrap_or(0);
            let due = (self.now + (self.delay)()).max(not_before);
            self.post.push_back(Letter {
                due,
                to,
                topic: topic.clone(),
                payload: word.clone(),
            });
        }
    }

    /// Lets so many milliseconds pass.
    pub fn run(&mut self, millis: u64) {
        let end = self.now + millis;
        while self.now < end {
            self.now += STEP;
            let now = at(self.now);
            let (due, later): (VecDeque<Letter>, _) =
                self.post.drain(..).partition(|l| l.due <= self.now);
            self.post = later;
            for letter in due {
                if self.computers[letter.to].link {
                    self.computers[letter.to].hear(now, &letter.topic, letter.payload.as_bytes());
                }
            }
            for who in [WEST, MID, EAST] {
                self.computers[who].engine.advance(now);
                self.computers[who].note();
                self.speak(who);
            }
        }
    }

    pub fn snapshot(&self, who: usize) -> Snapshot {
        self.computers[who].engine.snapshot()
    }

    /// A block, by its id at the computer that it belongs to.
    pub fn state(&self, block: &str) -> Occupancy {
        self.view(Self::who(block), block).state
    }

    /// A block as a computer knows it, one of a peer included.
    pub fn view(&self, who: usize, block: &str) -> BlockView {
        let blocks = self.snapshot(who).blocks;
        let found = blocks.into_iter().find(|view| view.id == block);
        found.unwrap_or_else(|| panic!("no block `{block}`"))
    }

    /// The trains that a computer knows of.
    pub fn trains(&self, who: usize) -> Vec<TrainView> {
        self.snapshot(who).trains
    }

    /// The one train that a computer knows of.
    pub fn train(&self, who: usize) -> TrainView {
        let mut trains = self.trains(who);
        assert_eq!(trains.len(), 1, "{trains:#?}");
        trains.remove(0)
    }

    /// Whether an alarm is up at a computer.
    pub fn alarm(&self, who: usize, id: &str) -> bool {
        let alarms = self.snapshot(who).alarms;
        alarms.iter().any(|alarm| alarm.id == id && alarm.active)
    }

    /// A train of one block's length goes from one block into the next.
    pub fn step(&mut self, from: &str, to: &str) {
        self.detect(to, true);
        self.run(500);
        self.detect(from, false);
        self.run(3_000);
    }
}

/// Plays evenings in which what stands in `w3` and `m1` never moves; both detectors see it now and
/// then, letters take up to six seconds, links are torn. Somebody always holds it, and what is seen
/// is held where it is seen.
pub fn whatever_the_post_does(begin: impl Fn() -> Club) {
    for seed in 0..seeds() {
        let mut club = begin();
        let mut dice = Dice(seed);
        let mut slow = Dice(seed + 1_000);
        let longest = 1 + 6_000 * dice.below(2);
        club.delay = Box::new(move || slow.below(longest));
        let (mut west, mut mid) = (true, true);
        for _ in 0..40 {
            match dice.below(6) {
                0 | 1 => {
                    west = !west;
                    club.detect("w3", west);
                }
                2 | 3 => {
                    mid = !mid;
                    club.detect("m1", mid);
                }
                4 => club.computers[MID].link = dice.below(3) > 0,
                _ => {}
            }
            for _ in 0..dice.below(40) {
                club.run(100);
                check_held(&club, seed, [("w3", west), ("m1", mid)]);
            }
        }
    }
}

fn check_held(club: &Club, seed: u64, seen: [(&str, bool); 2]) {
    let states = seen.map(|(block, _)| (block, club.state(block)));
    assert!(
        states.iter().any(|(_, state)| *state != Occupancy::Vacant),
        "seed {seed}, at {} ms: {states:?}",
        club.now
    );
    for ((block, state), (_, seen)) in states.into_iter().zip(seen) {
        assert!(
            !seen || state == Occupancy::Occupied,
            "seed {seed}, at {} ms: {block} is seen and {state:?}",
            club.now
        );
    }
}

/// How many evenings are played; more with `TAILLAMP_LONG=1`.
fn seeds() -> u64 {
    if std::env::var_os("TAILLAMP_LONG").is_some() {
        1_000
    } else {
        40
    }
}
