//! How well the follower follows and the road ahead warns: generated layouts and traffic, scored
//! against the simulator's truth.
//!
//! A few evenings every day; `TAILLAMP_LONG=1` plays all of them and prints the table that
//! DEVELOPERS.md keeps. `SCORING=ring,dirty` names words that a case must have to be played,
//! `SCORING_TELL=1` tells of every switch, miss and needless warning.

mod account;
mod foreign;
mod hands;
mod hazards;
mod mot;
#[path = "../simulation/oracle.rs"]
mod oracle;
mod reader;
mod scenario;
#[path = "../../../tests/properties/settle.rs"]
mod settle;
mod table;

use scenario::{Case, Fault, Grade, play};
use settle::{is_asked_for, settle};
use taillamp_simulator::layouts::Kind;
use taillamp_simulator::traffic::Slips;

/// Slips that bring hazards about.
const SLIPS: Slips = Slips {
    forgotten_points: 0.15,
    asleep_per_h: 8.0,
    called_on_per_h: 20.0,
};

/// How long an evening is. In a short one who is who is never lost for long, and the start and the
/// fault count for more than the running.
const SECONDS: u64 = 1_200;

/// How many trains run in the evening of this number on this kind of layout.
fn trains(kind: Kind, number: u64) -> usize {
    let (low, high) = match kind {
        Kind::Ring => (2, 6),
        Kind::Ladder => (2, 5),
        Kind::Double => (4, 12),
        Kind::Loops => (2, 3),
        Kind::Branch => (3, 5),
    };
    low + (number as usize) % (high - low + 1)
}

fn case(kind: Kind, grade: Grade, number: u64, seconds: u64) -> Case {
    let fault = Fault::ALL[(number as usize) % Fault::ALL.len()];
    Case {
        kind,
        grade,
        trains: trains(kind, number),
        fault,
        seed: 100 * (number + 1) + kind as u64 * 7 + grade as u64,
        seconds,
        slips: SLIPS,
    }
}

/// 5 layouts, 3 grades of dirt, 4 seeds each.
fn all_cases() -> Vec<Case> {
    let mut cases = Vec::new();
    for grade in Grade::ALL {
        for (at, kind) in Kind::ALL.into_iter().enumerate() {
            for number in 0..4 {
                let number = number * 5 + at as u64 + grade as u64;
                cases.push(case(kind, grade, number, SECONDS));
            }
        }
    }
    cases
}

fn is_wanted(case: &Case) -> bool {
    let Ok(words) = std::env::var("SCORING") else {
        return true;
    };
    let told = format!("{} {} {}", case.kind.word(), case.grade.word(), case.seed);
    words
        .split(',')
        .all(|word| told.split(' ').any(|has| has == word))
}

#[test]
fn a_few_evenings_hold_what_is_never_bent_and_agree_with_motmetrics() {
    let mut played = Vec::new();
    for (at, kind) in Kind::ALL.into_iter().enumerate() {
        let grade = Grade::ALL[at % 3];
        played.push(play(case(kind, grade, at as u64, 100)));
    }
    table::print(&played);
    for one in &played {
        assert!(
            one.violations.is_empty(),
            "{:?}: {:?}",
            one.case,
            one.violations
        );
        assert!(one.travelled_m > 5.0, "{:?}: nothing ran", one.case);
    }
    foreign::compare(&played);
}

/// Each warning of some evenings, and whether the truth bore it out; and an account of all that was
/// published: `evenings/NAME.txt`. `TAILLAMP_BLESS=1` writes them anew; read the difference before
/// it is committed.
#[test]
fn some_evenings_are_these() {
    let bless = std::env::var_os("TAILLAMP_BLESS").is_some();
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/scoring/evenings");
    let mut faults = Vec::new();
    for (kind, grade, number) in [
        (Kind::Branch, Grade::Clean, 4),
        (Kind::Branch, Grade::Dirty, 6),
        (Kind::Ring, Grade::Dirty, 12),
        (Kind::Double, Grade::Clean, 2),
        (Kind::Ladder, Grade::Usual, 7),
        (Kind::Loops, Grade::Clean, 3),
    ] {
        let played = play(case(kind, grade, number, 300));
        faults.extend(played.violations.iter().cloned());
        let told = format!("{}\n{}", table::warnings(&played), played.account.text());
        let file = folder.join(format!("{}-{}.txt", grade.word(), kind.word()));
        if bless {
            std::fs::write(&file, told).expect("the file can be written");
            continue;
        }
        let wanted = std::fs::read_to_string(&file).unwrap_or_default();
        let lines = wanted.lines().zip(told.lines());
        let first = lines.clone().find(|(wanted, told)| wanted != told);
        if wanted != told {
            faults.push(format!("{}: first {first:?}\n{told}", file.display()));
        }
    }
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}

/// Of the busiest evenings a sum each of all that was published: `evenings/busy.txt`. Where one is
/// different, `SCORING_TELL=all` and the account of that evening say by what.
#[test]
fn busy_evenings_are_these() {
    let bless = std::env::var_os("TAILLAMP_BLESS").is_some();
    let file =
        std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/scoring/evenings/busy.txt");
    let mut told = String::new();
    for (kind, grade, number) in [
        (Kind::Double, Grade::Clean, 17),
        (Kind::Double, Grade::Usual, 8),
        (Kind::Double, Grade::Dirty, 14),
        (Kind::Branch, Grade::Clean, 9),
        (Kind::Branch, Grade::Usual, 20),
        (Kind::Branch, Grade::Dirty, 11),
        (Kind::Ring, Grade::Usual, 16),
        (Kind::Ring, Grade::Dirty, 7),
        (Kind::Ladder, Grade::Clean, 6),
        (Kind::Loops, Grade::Usual, 9),
    ] {
        let played = play(case(kind, grade, number, 300));
        assert_eq!(played.violations, [""; 0]);
        let short = played.account.in_short();
        told += &format!("{} {} {number}: {short}\n", kind.word(), grade.word());
    }
    if bless {
        std::fs::write(&file, &told).expect("the file can be written");
    }
    let wanted = std::fs::read_to_string(&file).unwrap_or_default();
    assert_eq!(told, wanted);
}

/// The first five minutes of each evening of the table, a sum each: `evenings/many.txt`.
#[test]
fn many_evenings_are_these() {
    if !is_asked_for() {
        return;
    }
    let file =
        std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/scoring/evenings/many.txt");
    let parts = all_cases().into_iter().map(|mut case| {
        case.seconds = 300;
        let played = play(case);
        assert_eq!(played.violations, [""; 0]);
        let (kind, grade) = (case.kind.word(), case.grade.word());
        let short = played.account.in_short();
        format!("{kind} {grade} {}: {short}\n", case.seed)
    });
    settle(&file, parts);
}

/// What the table in DEVELOPERS.md shows. It takes minutes, and runs where `TAILLAMP_LONG=1` says
/// so (`tests/long`).
#[test]
fn every_evening_scored() {
    if !is_asked_for() {
        return;
    }
    let cases = all_cases().into_iter().filter(is_wanted);
    let played: Vec<_> = cases.map(play).collect();
    table::print(&played);
    let bent = played.iter().filter(|one| !one.violations.is_empty());
    let bent: Vec<_> = bent.map(|one| (one.case, &one.violations)).collect();
    assert!(bent.is_empty(), "{bent:#?}");
    foreign::compare(&played);
    assert!(played.len() >= 40 || std::env::var_os("SCORING").is_some());
}
