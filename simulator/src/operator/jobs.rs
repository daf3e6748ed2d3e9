//! Jobs: what the operator does with a train, as lists of acts.
//!
//! Inputs: the layout's ids and the train. Output: a job, everything in its order. Whether it
//! makes sense to begin it, the timetable knows.

use taillamp::engine::ids::{BlockId, TurnoutId};
use taillamp::engine::input::TablePosition;
use taillamp::engine::layout::{End, Leg, Side};
use taillamp::engine::time::Span;

use super::act::{Act, Until};
use super::demo::{LIGHT_ENGINE_MM, Places, Trains};
use crate::world::driver::{Order, StopAt};

/// Speed on the running lines, mm/s: 63 km/h at HO scale.
pub const LINE_MM_S: f64 = 200.0;
/// Speed on the branch, mm/s: slow enough that points 2 are not within a train's look-ahead while
/// it stands at the station.
const BRANCH_MM_S: f64 = 170.0;
/// Speed in the yard and at the shed, mm/s.
const YARD_MM_S: f64 = 180.0;
/// Speed on the turntable, mm/s.
const TABLE_MM_S: f64 = 90.0;
/// How long the operator waits for a train before giving up.
const PATIENCE: Span = Span::from_secs(180);

/// How long a train that runs round a line is waited for: about two laps.
const LAPS: Span = Span::from_secs(90);

/// A job.
#[derive(Clone, Debug)]
pub struct Job {
    /// What it is called in the log.
    pub name: &'static str,
    /// Points that it uses: none of them may be forgotten from before.
    pub turnouts: Vec<TurnoutId>,
    /// What is done where the job is put off before it has really begun.
    pub tidy: Vec<Act>,
    /// What is done.
    pub acts: Vec<Act>,
}

/// The first job of a demo: points 1 are set, the goods train goes up the branch, and they are
/// left.
#[must_use]
pub fn opening(places: &Places, trains: &Trains) -> Job {
    let up = places.w[0];
    let order = on_the_branch(places).by(&[up]);
    Job {
        name: "opening",
        turnouts: vec![up],
        tidy: vec![],
        acts: vec![
            Act::Pause(Span::from_millis(1_500)),
            Act::Points(up, Leg::Reverse),
            Act::Pause(Span::from_millis(1_000)),
            Act::Tell(trains.goods, order),
            Act::SetBackBehind {
                train: trains.goods,
                turnouts: vec![up],
                forgotten: true,
            },
        ],
    }
}

pub(super) fn up_the_branch(places: &Places, train: usize) -> Job {
    let up = places.w[0];
    let order = Order::run(LINE_MM_S)
        .by(&[up])
        .until(at_the_upper_station(places));
    let before = End::Block(places.outer[1], Side::B);
    Job {
        name: "up the branch",
        turnouts: vec![up],
        tidy: vec![],
        acts: vec![
            first_to(train, [places.outer[0], places.outer[1]]),
            Act::Hold(before, true),
            Act::Points(up, Leg::Reverse),
            Act::Tell(train, order),
            Act::Hold(before, false),
            back_behind(train, &[up]),
            Act::Tell(train, on_the_branch(places)),
            wait(Until::Arrived(train)),
        ],
    }
}

pub(super) fn down_the_branch(places: &Places, train: usize) -> Job {
    let down = places.w[1];
    let before = End::Block(places.outer[2], Side::B);
    Job {
        name: "down the branch",
        turnouts: vec![down],
        tidy: vec![],
        acts: vec![
            Act::Hold(before, true),
            wait(Until::Empty(
                vec![places.outer[3], places.outer[4]],
                None,
                vec![down],
            )),
            Act::Points(down, Leg::Reverse),
            wait(Until::Lies(down, Leg::Reverse)),
            Act::Tell(train, Order::run(BRANCH_MM_S)),
            back_behind(train, &[down]),
            Act::Tell(train, Order::run(LINE_MM_S)),
            Act::Hold(before, false),
        ],
    }
}

pub(super) fn cross(places: &Places, train: usize, to_inner: bool) -> Job {
    let (name, turnouts, from, onto) = if to_inner {
        (
            "over to the inner line",
            places.to_inner,
            places.outer,
            places.inner,
        )
    } else {
        (
            "over to the outer line",
            places.to_outer,
            places.inner,
            places.outer,
        )
    };
    let against = End::Block(onto[5], Side::B);
    let before = End::Block(from[5], Side::B);
    Job {
        name,
        turnouts: turnouts.to_vec(),
        tidy: vec![Act::Hold(against, false)],
        acts: vec![
            Act::Hold(against, true),
            wait(Until::Empty(vec![onto[0]], None, turnouts.to_vec())),
            first_to(train, [from[4], from[5]]),
            Act::Hold(before, true),
            Act::Points(turnouts[0], Leg::Reverse),
            Act::Points(turnouts[1], Leg::Reverse),
            Act::Tell(train, Order::run(LINE_MM_S).by(&[turnouts[0]])),
            Act::Hold(before, false),
            back_behind(train, &turnouts),
            Act::Hold(against, false),
            Act::Tell(train, Order::run(LINE_MM_S)),
        ],
    }
}

pub(super) fn into_the_yard(places: &Places, train: usize, track: usize) -> Job {
    let lead = places.w[2];
    let stop = StopAt::InBlock {
        block: places.yard[track],
        short_mm: 90.0,
    };
    let before = End::Block(places.inner[1], Side::B);
    let mut acts = vec![Act::Switch(places.yard_power[track], true)];
    acts.extend(ladder(places, track));
    acts.extend([
        first_to(train, [places.inner[0], places.inner[1]]),
        Act::Hold(before, true),
        Act::Points(lead, Leg::Reverse),
        Act::Tell(train, Order::run(YARD_MM_S).by(&[lead]).until(stop)),
        Act::Hold(before, false),
        back_behind(train, &[lead]),
        wait(Until::Arrived(train)),
        Act::Pause(Span::from_secs(3)),
        Act::SwitchOff(places.yard_power[track]),
    ]);
    acts.extend(ladder_back(places, track));
    Job {
        name: "into the yard",
        turnouts: vec![lead],
        tidy: vec![Act::Switch(places.yard_power[track], false)],
        acts,
    }
}

pub(super) fn out_of_the_yard(places: &Places, train: usize, track: usize) -> Job {
    let lead = places.w[2];
    let before = End::Block(places.inner[5], Side::B);
    let stop = StopAt::ClearOf {
        turnout: lead,
        beyond_mm: 150.0,
    };
    let mut acts = vec![
        Act::Switch(places.yard_power[track], true),
        Act::Hold(before, true),
    ];
    acts.extend(ladder(places, track));
    acts.extend([
        wait(Until::Empty(
            vec![places.inner[0], places.inner[1]],
            None,
            vec![lead],
        )),
        Act::Points(lead, Leg::Reverse),
        wait(Until::Lies(lead, Leg::Reverse)),
        Act::Tell(train, Order::run(YARD_MM_S).backwards().until(stop)),
        back_behind(train, &[lead]),
        wait(Until::Arrived(train)),
        Act::SwitchOff(places.yard_power[track]),
        wait(Until::Lies(lead, Leg::Normal)),
        Act::Tell(train, Order::run(LINE_MM_S)),
        Act::Hold(before, false),
    ]);
    acts.extend(ladder_back(places, track));
    Job {
        name: "out of the yard",
        turnouts: vec![lead],
        tidy: vec![],
        acts,
    }
}

pub(super) fn out_of_the_shed(places: &Places, train: usize, stub: usize) -> Job {
    let shed = places.w[3];
    let before = End::Block(places.inner[2], Side::B);
    let [to_lead, to_stub] = [places.stops[0], places.stops[stub + 1]].map(TablePosition::At);
    let stop = StopAt::ClearOf {
        turnout: shed,
        beyond_mm: 150.0,
    };
    Job {
        name: "out of the shed",
        turnouts: vec![shed],
        tidy: vec![],
        acts: vec![
            Act::Table(places.turntable, to_stub),
            wait(Until::TableAt(places.turntable, to_stub)),
            Act::Pause(Span::from_secs(2)),
            Act::Tell(
                train,
                Order::run(TABLE_MM_S)
                    .backwards()
                    .until(on_the_table(places)),
            ),
            wait(Until::Arrived(train)),
            Act::Pause(Span::from_secs(3)),
            Act::Table(places.turntable, to_lead),
            wait(Until::TableAt(places.turntable, to_lead)),
            Act::Hold(before, true),
            wait(Until::Empty(vec![places.inner[3]], None, vec![shed])),
            Act::Points(shed, Leg::Reverse),
            wait(Until::Lies(shed, Leg::Reverse)),
            Act::Tell(train, Order::run(YARD_MM_S).backwards().until(stop)),
            back_behind(train, &[shed]),
            wait(Until::Arrived(train)),
            wait(Until::Lies(shed, Leg::Normal)),
            Act::Tell(train, Order::run(LINE_MM_S)),
            Act::Hold(before, false),
        ],
    }
}

pub(super) fn into_the_shed(places: &Places, train: usize, stub: usize) -> Job {
    let shed = places.w[3];
    let [to_lead, to_stub] = [places.stops[0], places.stops[stub + 1]].map(TablePosition::At);
    let home = StopAt::InBlock {
        block: places.stubs[stub],
        short_mm: 80.0,
    };
    let before = End::Block(places.inner[3], Side::B);
    Job {
        name: "into the shed",
        turnouts: vec![shed],
        tidy: vec![],
        acts: vec![
            Act::Table(places.turntable, to_lead),
            first_to(train, [places.inner[2], places.inner[3]]),
            Act::Hold(before, true),
            Act::Points(shed, Leg::Reverse),
            Act::Tell(
                train,
                Order::run(YARD_MM_S)
                    .by(&[shed])
                    .until(on_the_table(places)),
            ),
            Act::Hold(before, false),
            back_behind(train, &[shed]),
            wait(Until::Arrived(train)),
            Act::Pause(Span::from_secs(3)),
            Act::Table(places.turntable, to_stub),
            wait(Until::TableAt(places.turntable, to_stub)),
            Act::Pause(Span::from_secs(2)),
            Act::Tell(train, Order::run(TABLE_MM_S).until(home)),
            wait(Until::Arrived(train)),
            Act::Table(places.turntable, to_lead),
        ],
    }
}

pub(super) fn open_the_door(places: &Places) -> Job {
    Job {
        name: "through the door",
        turnouts: vec![places.w[0]],
        tidy: vec![],
        acts: vec![
            Act::Table(places.lift, TablePosition::Between),
            Act::Pause(Span::from_secs(7)),
            Act::Table(places.lift, TablePosition::At(0)),
            Act::Pause(Span::from_secs(4)),
        ],
    }
}

const fn on_the_branch(places: &Places) -> Order {
    Order::run(BRANCH_MM_S).until(at_the_upper_station(places))
}

const fn at_the_upper_station(places: &Places) -> StopAt {
    StopAt::InBlock {
        block: places.branch[2],
        short_mm: 250.0,
    }
}

/// In the middle of the turntable's bridge, whichever way the engine came.
const fn on_the_table(places: &Places) -> StopAt {
    StopAt::InBlock {
        block: places.bridge,
        short_mm: (320.0 - LIGHT_ENGINE_MM) / 2.0,
    }
}

/// Waits until this train is the next to come to the end of the second block; otherwise the job is
/// put off.
const fn first_to(train: usize, blocks: [BlockId; 2]) -> Act {
    Act::Await(Until::FirstTo(train, blocks), LAPS)
}

const fn wait(until: Until) -> Act {
    Act::Await(until, PATIENCE)
}

fn back_behind(train: usize, turnouts: &[TurnoutId]) -> Act {
    Act::SetBackBehind {
        train,
        turnouts: turnouts.to_vec(),
        forgotten: false,
    }
}

/// The ladder put back after a train: whoever comes next finds it as it belongs.
fn ladder_back(places: &Places, track: usize) -> Vec<Act> {
    let turnout = places.ladder.get(track);
    let back = turnout.map(|turnout| Act::Points(*turnout, Leg::Normal));
    back.into_iter().collect()
}

/// The ladder, set for one of the four tracks.
fn ladder(places: &Places, track: usize) -> Vec<Act> {
    let [first, second, third] = places.ladder;
    let legs = match track {
        0 => vec![(first, Leg::Reverse)],
        1 => vec![(first, Leg::Normal), (second, Leg::Reverse)],
        2 => vec![
            (first, Leg::Normal),
            (second, Leg::Normal),
            (third, Leg::Reverse),
        ],
        _ => vec![
            (first, Leg::Normal),
            (second, Leg::Normal),
            (third, Leg::Normal),
        ],
    };
    legs.into_iter()
        .map(|(turnout, leg)| Act::Points(turnout, leg))
        .collect()
}
