//! Evenings of a club at random - trains that run over, stand, couple up and part at borders, slow
//! post, torn links, brokers that go, restarts with and without memory - and an account of all that
//! its three computers said (`accounts.txt`).
//!
//! It holds nothing to be right. It says that something is different from what it was:
//! `TAILLAMP_BLESS=1` writes it anew; read the difference before it is committed.

use std::path::Path;

use taillamp::engine::change::Item;
use taillamp::engine::input::Command;

use crate::account::{Account, shortened};
use crate::club::{Club, EAST, MID, WEST};
use crate::dice::Dice;
use crate::settle::{is_asked_for, settle};

const EVENINGS: u64 = 32;
/// Of many evenings: portions, and evenings in each of them.
const PORTIONS: u64 = 40;
const IN_PORTION: u64 = 10;
const ROW: [&str; 9] = ["w1", "w2", "w3", "m1", "m2", "m3", "e1", "e2", "e3"];

/// A train: the blocks that it stands in, by number in the row.
struct Train {
    tail: usize,
    head: usize,
}

struct Evening {
    club: Club,
    dice: Dice,
    trains: Vec<Train>,
}

impl Evening {
    fn new(seed: u64) -> Self {
        let mut dice = Dice(seed);
        let mut club = Club::new();
        let longest = [1, 60, 3_000][dice.below(3) as usize];
        let mut slow = Dice(seed + 1_000);
        club.delay = Box::new(move || slow.below(longest));
        Self {
            club,
            dice,
            trains: Vec::new(),
        }
    }

    /// What the detectors of a block see.
    fn sees(&self, block: usize) -> bool {
        let mut trains = self.trains.iter();
        trains.any(|train| (train.tail..=train.head).contains(&block))
    }

    fn detect(&mut self, block: usize) {
        let sees = self.sees(block);
        self.club.detect(ROW[block], sees);
    }

    fn put_on(&mut self) {
        let at = self.dice.below(9) as usize;
        if self.trains.len() < 3 && !self.sees(at) {
            self.trains.push(Train { tail: at, head: at });
            self.detect(at);
        }
    }

    fn lift_off(&mut self) {
        if self.trains.is_empty() {
            return;
        }
        let which = self.dice.below(self.trains.len() as u64) as usize;
        let gone = self.trains.remove(which);
        (gone.tail..=gone.head).for_each(|block| self.detect(block));
    }

    /// One end of a train goes into the next block, or comes out of its own; and the other end.
    fn creep(&mut self) {
        if self.trains.is_empty() {
            return;
        }
        let which = self.dice.below(self.trains.len() as u64) as usize;
        let (east, grow) = (self.dice.below(2) == 0, self.dice.below(2) == 0);
        let train = &mut self.trains[which];
        let block = match (east, grow) {
            (true, true) if train.head < 8 => {
                train.head += 1;
                train.head
            }
            (false, true) if train.tail > 0 => {
                train.tail -= 1;
                train.tail
            }
            (true, false) if train.tail < train.head => {
                train.tail += 1;
                train.tail - 1
            }
            (false, false) if train.tail < train.head => {
                train.head -= 1;
                train.head + 1
            }
            _ => return,
        };
        self.detect(block);
    }

    /// A train goes on by a block, as trains do.
    fn go(&mut self) {
        if self.trains.is_empty() {
            return;
        }
        let which = self.dice.below(self.trains.len() as u64) as usize;
        let east = which.is_multiple_of(2);
        let train = &mut self.trains[which];
        if east && train.head < 8 {
            train.head += 1;
        } else if !east && train.tail > 0 {
            train.tail -= 1;
        } else {
            return;
        }
        let new = if east { train.head } else { train.tail };
        self.detect(new);
        let over = self.dice.below(3_000);
        self.club.run(over);
        let train = &mut self.trains[which];
        let left = if east { train.tail } else { train.head };
        (train.tail, train.head) = (new, new);
        self.detect(left);
    }

    /// All detectors of a computer say again what they see.
    fn speak_again(&mut self, who: usize) {
        (3 * who..3 * who + 3).for_each(|block| self.detect(block));
    }

    fn name(&mut self, who: usize) {
        let trains = self.club.trains(who);
        if let Some(train) = trains.first()
            && let Some(id) = self.club.computers[who].engine.train_by_name(&train.id)
        {
            let name = format!("Train of {}", self.dice.below(5));
            self.club.command(who, Command::NameTrain(id, name));
        }
    }

    fn event(&mut self, number: u64) {
        let who = self.dice.below(3) as usize;
        match self.dice.below(40) {
            0..20 => self.go(),
            20..26 => self.creep(),
            26..29 => self.put_on(),
            29 => self.lift_off(),
            30..32 => self.club.computers[who].link = false,
            32..36 => self.club.computers[who].link = true,
            36 => self.name(who),
            37 => {
                let there = self.dice.below(2) == 0;
                self.club.broker(who, there);
                if there {
                    self.speak_again(who);
                }
            }
            38 => {
                let remembers = self.dice.below(2) == 0;
                self.club.restart(who, &format!("run-{number}"), remembers);
                self.speak_again(who);
            }
            _ => self.club.will(who),
        }
    }

    fn take(&mut self, account: &mut Account) {
        for who in [WEST, MID, EAST] {
            let computer = &mut self.club.computers[who];
            for line in std::mem::take(&mut computer.changes) {
                account.note("change".into(), &shortened(&line));
            }
            let touched: Vec<Item> = computer.engine.touched();
            account.add(&computer.engine, &touched);
            let text = format!("{:?}", computer.engine.memory());
            account.note("memory".into(), &shortened(&text));
            account.note("word".into(), self.club.said(who));
        }
    }

    fn play(mut self, account: &mut Account) {
        self.put_on();
        for number in 0..60 {
            self.event(number);
            let wait = [500, 4_000, 12_000][self.dice.below(3) as usize];
            let wait = self.dice.below(wait);
            self.club.run(wait);
            self.take(account);
        }
    }
}

#[test]
fn evenings_of_the_club_are_these() {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/peers/accounts.txt");
    // In portions, so that the first difference says where to look.
    let parts = (0..4).map(|portion| {
        let mut account = Account::default();
        for seed in 0..EVENINGS / 4 {
            Evening::new(portion * 100 + seed).play(&mut account);
        }
        format!("# Evenings from {}\n{}\n", portion * 100, account.text())
    });
    settle(&file, parts);
}

/// Many more of them, a sum each (`many.txt`).
#[test]
fn many_evenings_of_the_club_are_these() {
    if !is_asked_for() {
        return;
    }
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/peers/many.txt");
    let parts = (1..=PORTIONS).map(|portion| {
        let mut account = Account::default();
        for seed in 0..IN_PORTION {
            Evening::new(portion * 1_000 + seed).play(&mut account);
        }
        format!("From {portion}000: {}\n", account.in_short())
    });
    settle(&file, parts);
}
