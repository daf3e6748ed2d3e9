//! Evenings of random events on every good plan, and an account of all that was said in them:
//! published records, changes, answers, snapshots, memories (`accounts.txt`).
//!
//! It holds nothing to be right. It says that something is different from what it was, so that
//! nothing of the engine changes unnoticed: `TAILLAMP_BLESS=1` writes it anew; read the difference,
//! and why it is one, before it is committed.

use std::path::Path;

use taillamp::engine::Engine;
use taillamp::engine::change::Change;
use taillamp::engine::ids::{BlockId, DetectorId, TrainId};
use taillamp::engine::input::{Command, Input, OwnTime, Sample, Word};
use taillamp::engine::layout::Layout;
use taillamp::engine::time::{Instant, Span};
use taillamp::wire::change_json::change_line;

use super::account::{Account, shortened};
use super::dice::Dice;
use super::settle::{is_asked_for, settle};
use super::{Kind, input, layouts, reading};

/// Evenings on each plan, and events in each of them.
const EVENINGS: u64 = 6;
const EVENTS: u32 = 700;

/// Of many evenings: portions, and evenings on each plan in each of them.
const PORTIONS: u64 = 24;
const IN_PORTION: u64 = 4;

/// Something that goes from detector to detector, in the order of the plan: where it is, which way.
struct Walker {
    at: usize,
    on: bool,
    back: bool,
}

struct Evening<'a> {
    layout: &'a Layout,
    engine: Engine,
    draw: Dice,
    now: Instant,
    walkers: Vec<Walker>,
}

impl<'a> Evening<'a> {
    fn new(layout: &'a Layout, seed: u64) -> Self {
        let mut draw = Dice(seed);
        let many = layout.detectors.len() as u64;
        let walker = |_| Walker {
            at: draw.below(many) as usize,
            on: false,
            back: draw.below(2) == 0,
        };
        Self {
            layout,
            engine: Engine::new(layout.clone(), Instant(0)),
            walkers: (0..3).map(walker).collect(),
            draw,
            now: Instant(0),
        }
    }

    fn sample(&mut self, detector: usize, value: u8) -> Input {
        let own = |draw: &mut Dice| OwnTime::Relative(-(draw.below(40) as f64) / 10.0);
        let own_time = (self.draw.below(12) == 0).then(|| own(&mut self.draw));
        Input::Reading(Sample {
            detector: DetectorId(detector as u32),
            reading: reading(&self.layout.detectors[detector], value),
            own_time,
            update_within: (self.draw.below(40) == 0).then(|| Span::from_secs(20)),
            retained: self.draw.below(40) == 0,
        })
    }

    /// A walker leaves the detector that it is at, or comes to the next one.
    fn walk(&mut self) -> Input {
        let many = self.layout.detectors.len();
        let which = self.draw.below(self.walkers.len() as u64) as usize;
        let turns = self.draw.below(12) == 0;
        let walker = &mut self.walkers[which];
        walker.back ^= turns;
        let before = walker.at;
        let (at, value) = if walker.on {
            let step = if walker.back { many - 1 } else { 1 };
            walker.at = (walker.at + step) % many;
            walker.on = false;
            (before, 0)
        } else {
            walker.on = true;
            (before, 4)
        };
        // The next place lights up before this one is left.
        if value == 0 {
            let next = self.walkers[which].at;
            let sample = self.sample(next, 4);
            self.engine.handle(self.now, sample);
            self.now = self
                .now
                .plus(Span::from_millis(200 + self.draw.below(2_500)));
        }
        self.sample(at, value)
    }

    fn alarm(&mut self) -> Option<String> {
        let alarms = self.engine.snapshot().alarms;
        let many = alarms.len() as u64;
        (many > 0).then(|| alarms[self.draw.below(many) as usize].id.clone())
    }

    fn word(&mut self) -> Option<Command> {
        let train = TrainId(self.draw.below(6) as u32 + 1);
        let minute = Span::from_secs(60);
        Some(match self.draw.below(9) {
            0 => Command::Acknowledge(self.alarm()?),
            1 => Command::Shelve(self.alarm()?, minute),
            2 => Command::Unshelve(self.alarm()?),
            3 => Command::Reset(self.alarm()?),
            4 => Command::AlarmOutOfService(self.alarm()?),
            5 => Command::AlarmInService(self.alarm()?),
            6 => Command::NameTrain(train, format!("Train of {}", self.draw.below(9))),
            7 => Command::NameTrain(train, " ".repeat(self.draw.below(3) as usize)),
            _ => Command::DivideTrain(train, None, Some("Rear".into())),
        })
    }

    fn event(&mut self) -> Option<Input> {
        let any = |draw: &mut Dice| draw.below(1 << 20) as usize;
        let kind = match self.draw.below(100) {
            0..45 => return Some(self.walk()),
            45..60 => {
                let detector = self.draw.below(self.layout.detectors.len() as u64) as usize;
                let value = self.draw.below(8) as u8;
                return Some(self.sample(detector, value));
            }
            60..70 => Kind::Position(any(&mut self.draw), self.draw.below(3) as u8),
            70..72 => Kind::Asked(any(&mut self.draw), self.draw.below(2) as u8),
            72..75 => Kind::Table(any(&mut self.draw), self.draw.below(5) as usize),
            75..78 => Kind::Switch(any(&mut self.draw), self.draw.below(3) > 0),
            78..80 => Kind::Volts(any(&mut self.draw), self.draw.below(30) as i32 - 15),
            80..82 => Kind::Node(any(&mut self.draw), self.draw.below(3) > 0),
            82..83 => Kind::Broker(self.draw.below(4) > 0),
            83..91 => Kind::Word(any(&mut self.draw), self.draw.below(10) as u8),
            _ => return Some(Input::Command(self.word()?, Word::default())),
        };
        input(self.layout, &kind)
    }

    fn take(&mut self, account: &mut Account, changes: &[Change]) {
        for change in changes {
            let line = change_line(change, &self.engine);
            account.note("change".into(), &shortened(&line));
        }
        let touched = self.engine.touched();
        account.add(&self.engine, &touched);
        for id in self.engine.announced() {
            account.note("called".into(), &format!("{} {id}", self.now));
        }
        let next = format!("{:?}", self.engine.next_deadline());
        account.note("deadline".into(), &next);
    }

    fn play(mut self, account: &mut Account) {
        for event in 0..EVENTS {
            let wait = match self.draw.below(12) {
                0 => 20_000,
                1..4 => 4_000,
                _ => 700,
            };
            self.now = self.now.plus(Span::from_millis(self.draw.below(wait)));
            let Some(input) = self.event() else { continue };
            let outcome = self.engine.handle(self.now, input);
            let answer = format!("{outcome:?}");
            let kind = answer.split('(').next().unwrap_or_default().to_owned();
            account.note(kind, &format!("{} {answer}", self.now));
            let changes = self.engine.drain();
            self.take(account, &changes);
            if event % 10 == 9 {
                self.ask(account);
            }
            if event % 50 == 49 {
                let all = format!("{:?}", self.engine.snapshot());
                account.note("snapshot".into(), &shortened(&all));
            }
            if event == EVENTS / 2 {
                self.restart(account);
            }
        }
    }

    /// The road between any two blocks, in words as well, and whether all is ready.
    fn ask(&mut self, account: &mut Account) {
        let many = self.layout.blocks.len() as u64;
        let [from, to] = [(); 2].map(|()| BlockId(self.draw.below(many) as u32));
        let limit = self.draw.below(4) as usize + 1;
        let ways = self.engine.ways(from, to, limit);
        account.note("road".into(), &shortened(&format!("{ways:?}")));
        for way in &ways.ways {
            account.note("road in words".into(), &self.engine.way_in_words(way));
            for setting in &way.settings {
                let words = self.engine.setting_in_words(*setting);
                account.note("to set".into(), &words);
            }
        }
        let ready = format!("{:?}", self.engine.line_up());
        account.note("line-up".into(), &shortened(&ready));
    }

    /// The power is cut: it goes on from what is remembered, and its time starts anew.
    fn restart(&mut self, account: &mut Account) {
        let memory = self.engine.memory();
        account.note("memory".into(), &shortened(&format!("{memory:?}")));
        let mut next = Engine::recall(self.layout.clone(), self.now, &memory);
        next.keep_measures(&mut self.engine);
        self.engine = next;
        let changes = self.engine.drain();
        self.take(account, &changes);
    }
}

#[test]
fn evenings_at_random_are_these() {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/properties/accounts.txt");
    let parts = layouts().into_iter().map(|(name, layout)| {
        let mut account = Account::default();
        for seed in 0..EVENINGS {
            Evening::new(&layout, seed + 1).play(&mut account);
        }
        let name = Path::new(&name).file_name().unwrap_or_default();
        format!("# {}\n{}\n", name.display(), account.text())
    });
    settle(&file, parts);
}

/// Many more of them, a sum each (`many.txt`): what changes only once in a thousand hours.
#[test]
fn many_evenings_at_random_are_these() {
    if !is_asked_for() {
        return;
    }
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/properties/many.txt");
    let layouts = layouts();
    let parts = (1..=PORTIONS).flat_map(|portion| {
        layouts.iter().map(move |(name, layout)| {
            let mut account = Account::default();
            for seed in 0..IN_PORTION {
                Evening::new(layout, portion * 1_000 + seed).play(&mut account);
            }
            let name = Path::new(name).file_name().unwrap_or_default();
            let short = account.in_short();
            format!("{}, from {portion}000: {short}\n", name.display())
        })
    });
    settle(&file, parts);
}
