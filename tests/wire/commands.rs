//! The operator's words, from messages and from requests.

use serde_json::{Value, json};
use taillamp::engine::ids::{BlockId, DetectorId, TrainId, TurnoutId};
use taillamp::engine::input::{Command, Position, Word};
use taillamp::engine::time::Span;
use taillamp::wire::commands::{Target, command, message};
use taillamp::wire::topics::TopicTable;

use super::plan;

fn train(id: &str) -> Option<TrainId> {
    (id == "t1").then_some(TrainId(1))
}

fn say(path: &str, body: &str, retained: bool) -> Option<Result<(Command, Word), String>> {
    let plan = plan();
    let table = TopicTable::new(plan);
    let topic = format!("harbour/do/{path}");
    message(
        &table,
        &plan.layout,
        &topic,
        body.as_bytes(),
        retained,
        train,
    )
}

fn taken(path: &str, body: &str) -> Command {
    match say(path, body, false) {
        Some(Ok((command, _))) => command,
        other => panic!("{path} {body} gave {other:?}"),
    }
}

fn refused(path: &str, body: &str) -> String {
    match say(path, body, false) {
        Some(Err(why)) => why,
        other => panic!("{path} {body} gave {other:?}"),
    }
}

/// A recording holds what the page has said too; an alarm's id has a colon, a detector's has none.
#[test]
fn an_alarm_can_be_put_out_of_service_where_its_id_says_so() {
    for (verb, out) in [("out-of-service", true), ("in-service", false)] {
        let command = taken(&format!("{verb}/left-diverging:w1"), "{}");
        let known = match command {
            Command::AlarmOutOfService(id) => out && id == "left-diverging:w1",
            Command::AlarmInService(id) => !out && id == "left-diverging:w1",
            _ => false,
        };
        assert!(known, "{verb}");
    }
}

#[test]
fn every_verb() {
    let alarm = || "left-diverging:w1".to_owned();
    let minutes = |minutes: u64| Span::from_secs(60 * minutes);
    let cases = [
        (
            "acknowledge/left-diverging:w1",
            "{}",
            Command::Acknowledge(alarm()),
        ),
        (
            "shelve/left-diverging:w1",
            "{}",
            Command::Shelve(alarm(), minutes(15)),
        ),
        (
            "shelve/left-diverging:w1",
            r#"{"minutes":5}"#,
            Command::Shelve(alarm(), minutes(5)),
        ),
        (
            "unshelve/left-diverging:w1",
            "{}",
            Command::Unshelve(alarm()),
        ),
        ("reset/left-diverging:w1", "{}", Command::Reset(alarm())),
        (
            "stands-here/main-1",
            "{}",
            Command::StandsHere(BlockId(0).into(), None),
        ),
        ("empty/main-2", "{}", Command::Empty(BlockId(1).into())),
        (
            "removed-by-hand/main-2",
            "{}",
            Command::RemovedByHand(BlockId(1).into()),
        ),
        (
            "name/t1",
            r#"{"name":" Coal "}"#,
            Command::NameTrain(TrainId(1), "Coal".to_owned()),
        ),
        (
            "divide/t1",
            "{}",
            Command::DivideTrain(TrainId(1), None, None),
        ),
        (
            "divide/t1",
            r#"{"block":"main-2","name":" Wagons "}"#,
            Command::DivideTrain(
                TrainId(1),
                Some(BlockId(1).into()),
                Some("Wagons".to_owned()),
            ),
        ),
        (
            "stands-here/main-2",
            r#"{"name":"Coal"}"#,
            Command::StandsHere(BlockId(1).into(), Some("Coal".to_owned())),
        ),
        (
            "seen/w1",
            "{}",
            Command::Seen(TurnoutId(0), Position::Normal),
        ),
        (
            "seen/w2",
            r#"{"position":"reverse"}"#,
            Command::Seen(TurnoutId(1), Position::Reverse),
        ),
        (
            "in-charge/w1",
            "{}",
            Command::InCharge(TurnoutId(0), minutes(15)),
        ),
        (
            "in-charge/w1",
            r#"{"minutes":0}"#,
            Command::InCharge(TurnoutId(0), Span::ZERO),
        ),
        (
            "out-of-service/d-beam",
            "{}",
            Command::OutOfService(DetectorId(0)),
        ),
        ("in-service/d-beam", "{}", Command::InService(DetectorId(0))),
    ];
    for (path, body, expected) in cases {
        assert_eq!(taken(path, body), expected, "{path} {body}");
    }
}

#[test]
fn the_plan_may_say_how_long_points_are_in_charge() {
    let text = format!("{}\n[defaults]\nin_charge_minutes = 4\n", super::PLAN);
    let (plan, findings) = taillamp::plan::load(&text, "harbour.toml");
    let plan = plan.unwrap_or_else(|| panic!("{findings:#?}"));
    let table = TopicTable::new(&plan);
    let say = |topic: &str, body: &[u8]| {
        message(&table, &plan.layout, topic, body, false, train).map(|said| said.map(|(c, _)| c))
    };
    let four = Command::InCharge(TurnoutId(0), Span::from_secs(240));
    assert_eq!(say("harbour/do/in-charge/w1", b"{}"), Some(Ok(four)));
    let two = Command::InCharge(TurnoutId(0), Span::from_secs(120));
    assert_eq!(
        say("harbour/do/in-charge/w1", br#"{"minutes":2}"#),
        Some(Ok(two))
    );
}

#[test]
fn who_and_why_go_along() {
    let body = r#"{"who":"Ann","why":"shunting","note":"not ours"}"#;
    let word = Word {
        who: "Ann".to_owned(),
        why: "shunting".to_owned(),
    };
    let expected = (Command::Empty(BlockId(0).into()), word);
    assert_eq!(say("empty/main-1", body, false), Some(Ok(expected)));
    assert_eq!(
        say("empty/main-1", r#"{"who":null}"#, false).map(|said| said.is_ok()),
        Some(true)
    );
}

#[test]
fn what_was_said_before_is_not_done_again() {
    assert_eq!(say("empty/main-1", "{}", true), None);
    assert_eq!(say("empty/main-1", "", false), None);
    let plan = plan();
    let table = TopicTable::new(plan);
    assert_eq!(
        message(
            &table,
            &plan.layout,
            "harbour/position/w1",
            b"{}",
            false,
            train
        ),
        None
    );
}

#[test]
fn what_cannot_be_done_says_why() {
    let cases = [
        ("throw/w1", "{}", "no operator's word `throw`"),
        ("empty/main-9", "{}", "no block `main-9` in the plan"),
        ("seen/main-1", "{}", "no turnout `main-1` in the plan"),
        ("name/t2", r#"{"name":"Coal"}"#, "no train `t2`"),
        ("name/t1", "{}", "no name"),
        ("name/t1", r#"{"name":"a\u0007"}"#, "control characters"),
        ("divide/t2", "{}", "no train `t2`"),
        ("divide/t1", r#"{"block":"main-9"}"#, "no block `main-9`"),
        ("divide/t1", r#"{"name":17}"#, "in the body"),
        (
            "stands-here/main-1",
            r#"{"name":"a\u0007"}"#,
            "control characters",
        ),
        (
            "acknowledge/left-diverging",
            "{}",
            "no alarm `left-diverging`",
        ),
        ("acknowledge/diverging:w1", "{}", "no alarm `diverging:w1`"),
        (
            "shelve/left-diverging:w1",
            r#"{"minutes":0}"#,
            "`minutes` is 0",
        ),
        (
            "shelve/left-diverging:w1",
            r#"{"minutes":-1}"#,
            "give 0 to 1440",
        ),
        ("in-charge/w1", r#"{"minutes":100000}"#, "give 0 to 1440"),
        ("in-charge/w1", r#"{"minutes":"5"}"#, "in the body"),
        (
            "seen/w1",
            r#"{"position":"moving"}"#,
            "give normal or reverse",
        ),
        ("empty/main-1", "now", "not JSON"),
        ("empty/main-1", "[]", "no JSON object"),
        ("empty/main-1", "null", "no JSON object"),
    ];
    for (path, body, expected) in cases {
        let why = refused(path, body);
        assert!(why.contains(expected), "{path} {body}: {why}");
        assert!(!why.contains('\n'), "{why}");
    }
    let long = format!(r#"{{"who":"{}"}}"#, "a".repeat(65));
    assert!(refused("empty/main-1", &long).contains("longer than 64"));
    let longer = format!(r#"{{"who":"{}"}}"#, "a".repeat(5_000));
    assert!(refused("empty/main-1", &longer).contains("the limit is 4096"));
}

#[test]
fn out_of_service_is_an_alarms_where_the_request_says_so() {
    let plan = plan();
    let ask = |target, verb: &str, id: &str, body: Value| {
        command(target, verb, id, &body, &plan.layout, train).map(|(command, _)| command)
    };
    let alarm = "detector-fault:d-beam";
    let expected = Ok(Command::AlarmOutOfService(alarm.to_owned()));
    assert_eq!(
        ask(Target::Alarm, "out-of-service", alarm, json!({})),
        expected
    );
    let expected = Ok(Command::AlarmInService(alarm.to_owned()));
    assert_eq!(ask(Target::Alarm, "in-service", alarm, json!({})), expected);
    assert!(ask(Target::Block, "acknowledge", "main-1", json!({})).is_err());
}
