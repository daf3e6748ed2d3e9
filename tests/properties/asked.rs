//! What a shell asks of the engine beside its changes: deadlines, what was dropped, who is to be
//! called, and what goes over to the engine of a new plan.

use std::sync::Arc;

use taillamp::engine::Engine;
use taillamp::engine::ids::{BlockId, DetectorId, TrainId, TurnoutId};
use taillamp::engine::input::{Command, Input, Outcome, OwnTime, Reading, Sample, Word};
use taillamp::engine::layout::Layout;
use taillamp::engine::time::{Instant, Span};
use taillamp::plan;

const PLAN: &str = "[layout]\nname = \"Two\"\nscale = \"HO\"\n\
                    [[block]]\nid = \"b1\"\n[[block]]\nid = \"b2\"\n\
                    [[join]]\nends = [\"b1.b\", \"b2.a\"]\n\
                    [[detector]]\nid = \"d1\"\nkind = \"optical\"\nblock = \"b1\"\n\
                    on = 30\noff = 60\nunit = \"%\"\n\
                    [[detector]]\nid = \"d2\"\nkind = \"current\"\nblock = \"b2\"\n\
                    on = 3\noff = 1\n";

fn layout() -> Layout {
    layout_of(PLAN)
}

fn layout_of(text: &str) -> Layout {
    let (plan, findings) = plan::load(text, "two.toml");
    let plan = plan.unwrap_or_else(|| panic!("{findings:?}"));
    Arc::unwrap_or_clone(plan.layout)
}

fn at(seconds: f64) -> Instant {
    Instant::from_secs_f64(seconds)
}

fn says(detector: u32, level: f64, own: Option<f64>) -> Input {
    Input::Reading(Sample {
        detector: DetectorId(detector),
        reading: Reading::Level(level),
        own_time: own.map(OwnTime::Absolute),
        update_within: None,
        retained: false,
    })
}

#[test]
fn a_deadline_is_told_with_its_reason() {
    let mut engine = Engine::new(layout(), at(0.0));
    engine.handle(at(1.0), says(0, 90.0, None));
    engine.handle(at(1.5), says(1, 0.0, None));
    // The first place may be vacant `release_s` (1.5 s) after it was first heard of.
    assert_eq!(engine.next_deadline(), Some((at(2.5), "place")));
    engine.advance(at(7.0));
    assert_eq!(engine.now(), at(7.0));
    // Then only silence is waited for, longer than 10 s.
    assert_eq!(engine.next_deadline(), Some((at(11.001), "detector")));
}

#[test]
fn whether_anything_has_changed_is_told_until_it_is_fetched() {
    let mut engine = Engine::new(layout(), at(0.0));
    engine.drain();
    assert!(!engine.has_changes());
    engine.handle(at(1.0), says(1, 9.0, None));
    assert!(engine.has_changes());
    assert!(!engine.drain().is_empty());
    assert!(!engine.has_changes() && engine.drain().is_empty());
}

#[test]
fn what_was_dropped_is_counted_by_detector_and_cause() {
    let mut engine = Engine::new(layout(), at(0.0));
    let dropped = |engine: &Engine| [0, 1].map(|n| engine.dropped(DetectorId(n)));
    assert_eq!(dropped(&engine), [(0, 0), (0, 0)]);
    engine.handle(at(1.0), says(1, 0.0, Some(100.0)));
    engine.handle(at(1.1), says(1, 0.0, Some(99.0)));
    engine.handle(at(1.2), says(1, 0.0, Some(99.5)));
    engine.handle(at(1.3), says(0, 300.0, None));
    assert_eq!(dropped(&engine), [(0, 1), (2, 0)]);
}

#[test]
fn trains_and_places_have_written_names() {
    let mut engine = Engine::new(layout(), at(0.0));
    engine.handle(at(1.0), says(1, 9.0, None));
    let names = |engine: &Engine, id: &str| engine.train_by_name(id);
    assert_eq!(names(&engine, "t1"), Some(TrainId(1)));
    for nobody in ["t2", "1", "x1", "t", "", "t-1", "t1 "] {
        assert_eq!(names(&engine, nobody), None, "{nobody}");
    }
    assert_eq!(engine.train_name(TrainId(7)), "t7");
    let snapshot = engine.snapshot();
    assert_eq!(snapshot.trains.len(), 1);
    assert_eq!(engine.layout().blocks[BlockId(1).index()].id, "b2");
    // Its debugging form is short, and says when it is.
    let text = format!("{engine:?}");
    assert!(
        text.contains("Engine") && text.contains("1000000"),
        "{text}"
    );
}

/// A train is put on after a minute, and lost.
fn with_a_lost_train() -> Engine {
    let mut engine = Engine::new(layout(), at(0.0));
    for second in 0..80 {
        let there = (65..70).contains(&second);
        engine.handle(at(f64::from(second)), says(0, 90.0, None));
        engine.handle(
            at(f64::from(second)),
            says(1, if there { 9.0 } else { 0.0 }, None),
        );
    }
    engine
}

#[test]
fn who_is_to_be_called_is_told_once() {
    let mut engine = with_a_lost_train();
    let called: Vec<String> = engine.announced().into_iter().collect();
    assert_eq!(called, ["train-lost:b2", "unannounced:b2"]);
    assert!(engine.announced().is_empty());
}

#[test]
fn the_measures_go_over_to_the_engine_of_a_new_plan() {
    let mut engine = with_a_lost_train();
    let count = |engine: &Engine| {
        let measures = engine.snapshot().measures;
        (
            measures.raised,
            measures.last_10_min,
            measures.most_frequent,
        )
    };
    let before = count(&engine);
    assert_eq!(before.1, 2, "{before:?}");
    let mut next = Engine::new(layout(), engine.now());
    assert_eq!(count(&next).1, 0);
    next.keep_measures(&mut engine);
    assert_eq!(count(&next), before);
}

#[test]
fn a_name_has_sixty_four_characters_at_most() {
    let mut engine = Engine::new(layout(), at(0.0));
    engine.handle(at(1.0), says(1, 9.0, None));
    let mut name = |name: String| {
        let command = Command::NameTrain(TrainId(1), name);
        engine.handle(at(2.0), Input::Command(command, Word::default()))
    };
    // Characters, not bytes.
    assert_eq!(name("\u{fc}".repeat(64)), Outcome::Taken);
    assert!(matches!(name("x".repeat(65)), Outcome::Refused(_)));
    assert_eq!(name(format!("  {}  ", "x".repeat(64))), Outcome::Taken);
    assert_eq!(name("x".into()), Outcome::Taken);
    assert!(matches!(name("   ".into()), Outcome::Refused(_)));
}

#[test]
fn who_answers_for_points_for_no_time_does_so_no_more() {
    let points = "[[block]]\nid = \"b3\"\n[[block]]\nid = \"b4\"\n\
                  [[turnout]]\nid = \"w1\"\ntoe = \"b2.b\"\nnormal = \"b3.a\"\n\
                  reverse = \"b4.a\"\ncovered_by = \"b2\"\n";
    let mut engine = Engine::new(layout_of(&format!("{PLAN}{points}")), at(0.0));
    let mut answers = |seconds: u64| {
        let command = Command::InCharge(TurnoutId(0), Span::from_secs(seconds));
        engine.handle(at(1.0), Input::Command(command, Word::default()));
        format!("{:?}", engine.snapshot().turnouts[0].in_charge)
    };
    let somebody = answers(30);
    assert_ne!(somebody, answers(0));
    assert_eq!(answers(0), "None");
}
