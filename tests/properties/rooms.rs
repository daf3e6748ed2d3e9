//! Rooms with many optical detectors in which the light changes at random while trains come and go,
//! and an account of all that was said in them (`rooms.txt`).
//!
//! It holds nothing to be right, as `accounts` does not: what must hold of the room's light is in
//! `light`. It says that something is different from what it was.

use std::fmt::Write as _;
use std::path::Path;

use taillamp::engine::Engine;
use taillamp::engine::ids::DetectorId;
use taillamp::engine::input::{Input, Reading, Sample};
use taillamp::engine::time::{Instant, Span};
use taillamp::plan;
use taillamp::wire::change_json::change_line;

use super::account::{Account, shortened};
use super::dice::Dice;
use super::settle::settle;

const ROOMS: u64 = 24;
/// Of each of them, in steps of a quarter of a second.
const STEPS: u32 = 2_400;

/// One optical detector of a room.
struct Eye {
    /// In full light, without a vehicle and with one.
    clear: f64,
    broken: f64,
    /// Lost since the beginning, by itself.
    dust: f64,
    sees: bool,
    silent: bool,
}

struct Room {
    engine: Engine,
    draw: Dice,
    eyes: Vec<Eye>,
    others: usize,
    /// Of full light: now, where it goes, and by how much in a step.
    light: f64,
    aim: f64,
    pace: f64,
}

/// Blocks in a row with gaps in it, a junction with beams over its legs, a table with edges.
fn room(draw: &mut Dice, eyes: &mut Vec<Eye>) -> String {
    let mut text =
        String::from("[layout]\nname = \"Lantern Shed\"\nscale = \"HO\"\n[defaults]\nboot_s = 0\n");
    let mut eye = |text: &mut String, draw: &mut Dice, where_to: &str, lights_up: bool| {
        let (on, off) = if lights_up { (60, 40) } else { (30, 45) };
        let (clear, broken) = if lights_up { (15.0, 80.0) } else { (80.0, 5.0) };
        let _ = write!(
            text,
            "[[detector]]\nid = \"o{}\"\nkind = \"optical\"\n{where_to}\nunit = \"%\"\non = {on}\n\
             off = {off}\n",
            eyes.len()
        );
        eyes.push(Eye {
            clear: clear + draw.below(10) as f64 - 5.0,
            broken,
            dust: 0.0,
            sees: false,
            silent: false,
        });
    };
    let many = 3 + draw.below(8);
    for n in 0..many {
        let _ = write!(text, "[[block]]\nid = \"b{n}\"\n");
        let lights_up = draw.below(4) == 0;
        eye(
            &mut text,
            draw,
            &format!("block = \"b{n}\"\nwatches = \"whole\""),
            lights_up,
        );
        if n > 0 && draw.below(2) == 0 {
            let _ = write!(text, "[[join]]\nends = [\"b{}.b\", \"b{n}.a\"]\n", n - 1);
        }
    }
    if draw.below(2) == 0 {
        text += "[[block]]\nid = \"west\"\n[[block]]\nid = \"east\"\n[[block]]\nid = \"side\"\n\
                 [[turnout]]\nid = \"w1\"\ntoe = \"west.b\"\nnormal = \"east.a\"\n\
                 reverse = \"side.a\"\n";
        if draw.below(2) == 0 {
            text += "covered_by = \"west\"\n";
        }
        for leg in ["toe", "normal", "reverse"] {
            eye(
                &mut text,
                draw,
                &format!("turnout = \"w1\"\nleg = \"{leg}\""),
                false,
            );
        }
    }
    text
}

impl Room {
    fn new(seed: u64) -> Self {
        let (mut draw, mut eyes) = (Dice(seed), Vec::new());
        let mut text = room(&mut draw, &mut eyes);
        let others = draw.below(7) as usize;
        for n in 0..others {
            let _ = write!(
                text,
                "[[block]]\nid = \"c{n}\"\n[[detector]]\nid = \"p{n}\"\nkind = \"current\"\n\
                 block = \"c{n}\"\non = 3\noff = 1\n"
            );
        }
        let (plan, findings) = plan::load(&text, "room.toml");
        let plan = plan.unwrap_or_else(|| panic!("{findings:?}\n{text}"));
        Self {
            engine: Engine::new(plan.layout, Instant(0)),
            draw,
            eyes,
            others,
            light: 1.0,
            aim: 1.0,
            pace: 1.0,
        }
    }

    /// What happens beside the samples.
    fn happens(&mut self) {
        let which = self.draw.below(self.eyes.len() as u64) as usize;
        match self.draw.below(200) {
            0..3 => {
                self.aim = [0.05, 0.2, 0.35, 0.6, 0.9, 1.0, 1.0, 1.2][self.draw.below(8) as usize];
                self.pace = [0.001, 0.004, 0.02, 0.1, 1.0, 1.0][self.draw.below(6) as usize];
            }
            3..11 => self.eyes[which].sees = true,
            11..21 => self.eyes.iter_mut().for_each(|eye| eye.sees = false),
            21..23 => self.eyes[which].silent = true,
            23..26 => self.eyes.iter_mut().for_each(|eye| eye.silent = false),
            26..27 => self.eyes[which].dust += 12.0,
            27..28 => self.eyes.iter_mut().for_each(|eye| eye.dust = 0.0),
            _ => {}
        }
        self.light += (self.aim - self.light).clamp(-self.pace, self.pace);
    }

    fn say(&mut self, detector: usize, at: Instant, level: f64) {
        let sample = Sample {
            detector: DetectorId(detector as u32),
            reading: Reading::Level(level),
            own_time: None,
            update_within: None,
            retained: false,
        };
        self.engine.handle(at, Input::Reading(sample));
    }

    fn play(mut self, account: &mut Account) {
        for step in 0..STEPS {
            self.happens();
            let begin = Instant(0).plus(Span::from_millis(u64::from(step) * 250));
            for which in 0..self.eyes.len() {
                let eye = &self.eyes[which];
                let level = if eye.sees {
                    eye.broken
                } else {
                    eye.clear - eye.dust
                };
                let noise = self.draw.below(20) as f64 / 10.0 - 1.0;
                let level = (level * self.light + noise).clamp(0.0, 100.0);
                if !self.eyes[which].silent {
                    self.say(
                        which,
                        begin.plus(Span::from_millis(which as u64 * 9)),
                        level,
                    );
                }
            }
            for other in 0..self.others {
                self.say(
                    self.eyes.len() + other,
                    begin.plus(Span::from_millis(240)),
                    0.0,
                );
            }
            for change in self.engine.drain() {
                let line = change_line(&change, &self.engine);
                account.note("change".into(), &shortened(&line));
            }
            if step % 40 == 39 {
                let all = format!("{:?}", self.engine.snapshot());
                account.note("snapshot".into(), &shortened(&all));
            }
        }
    }
}

#[test]
fn rooms_at_random_are_these() {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/properties/rooms.txt");
    let parts = (0..ROOMS).map(|seed| {
        let mut account = Account::default();
        Room::new(seed + 1).play(&mut account);
        format!("# room {seed}\n{}\n", account.text())
    });
    settle(&file, parts);
}
