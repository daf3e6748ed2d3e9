//! One evening: a session whose messages go through the engine, watched by the oracle.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use taillamp::engine::Engine;
use taillamp::engine::alarm::kinds::AlarmKind;
use taillamp::engine::alarm::lifecycle::AlarmState;
use taillamp::engine::change::{Change, Occupancy, What as Changed};
use taillamp::engine::ids::BlockId;
use taillamp::engine::input::{Command, Input, Word};
use taillamp::engine::time::{Instant, Span};
use taillamp::plan::Plan;
use taillamp::wire::payload;
use taillamp::wire::topics::TopicTable;
use taillamp_simulator::demo_plan;
use taillamp_simulator::mishaps::Rates;
use taillamp_simulator::operator::act::What;
use taillamp_simulator::session::Session;
use taillamp_simulator::truth::Truth;
use taillamp_simulator::world::Settings;
use taillamp_simulator::world::levers::LEFT_BEHIND;
use taillamp_simulator::world::track::Piece;

use crate::oracle::Oracle;

/// How often the engine's claims are compared with the truth.
const LOOK: Span = Span::from_millis(100);
/// How long everything may take to return once nothing goes wrong any more.
const SETTLE_MAX: Span = Span::from_secs(420);

/// How often the operator of a busy hour looks at the page, and how soon a lost train is answered
/// for.
const LOOKS_EVERY: Span = Span::from_secs(5);
const ANSWERS_AFTER: Span = Span::from_secs(20);

/// How long after cars were lifted their block may come to be shown as lost.
const SAY_WITHIN: Span = Span::from_secs(60);

/// Minutes of virtual time.
pub const fn minutes(count: u64) -> Instant {
    Instant(count * 60_000_000)
}

pub struct Evening {
    plan: Plan,
    seed: u64,
    session: Session,
    table: TopicTable,
    engine: Engine,
    oracle: Oracle,
    raised: Vec<(Instant, String, AlarmKind)>,
    /// Blocks under cars that were left behind, by the name that they go by.
    left_behind: BTreeMap<String, Vec<BlockId>>,
    /// Blocks from which such cars were lifted by hand, and until when that may have to be said.
    lifted: Vec<(BlockId, Instant)>,
}

impl Evening {
    pub fn new(settings: Settings, rates: Rates) -> Self {
        let plan = demo_plan().expect("the demo's plan is right");
        let session = Session::new(&plan.layout, &plan.topic_prefix, settings, rates)
            .expect("the operator knows this layout");
        Self {
            table: TopicTable::new(&plan),
            engine: Engine::new(plan.layout.clone(), Instant(0)),
            oracle: Oracle::new(&plan.layout),
            seed: settings.seed,
            session,
            plan,
            raised: Vec::new(),
            left_behind: BTreeMap::new(),
            lifted: Vec::new(),
        }
    }

    /// Lets time pass, comparing all the way.
    pub fn run_to(&mut self, to: Instant) {
        while self.session.world().now() < to {
            self.look();
        }
    }

    /// Lets time pass; nothing is compared. The operator looks where a train is said to be lost.
    pub fn pass_to(&mut self, to: Instant) {
        let mut lost: BTreeMap<usize, Instant> = BTreeMap::new();
        while self.session.world().now() < to {
            self.hear();
            let now = self.session.world().now();
            if now.0.is_multiple_of(LOOKS_EVERY.0) {
                self.answer_for_lost(&mut lost);
            }
        }
    }

    /// Says that a block is empty which is shown as lost for some time and really holds nothing.
    fn answer_for_lost(&mut self, lost: &mut BTreeMap<usize, Instant>) {
        let now = self.session.world().now();
        for (index, view) in self.engine.snapshot().blocks.iter().enumerate() {
            if view.state != Occupancy::Lost {
                lost.remove(&index);
                continue;
            }
            let since = *lost.entry(index).or_insert(now);
            let block = BlockId(index as u32);
            if now.since(since) >= ANSWERS_AFTER && !self.session.world().block_is_taken(block) {
                self.say(Command::Empty(block.into()));
            }
        }
    }

    fn look(&mut self) {
        self.hear();
        let truth = self.session.truth();
        self.tell_what_was_lifted(&truth);
        self.oracle
            .compare(&truth, self.session.world(), &self.engine.snapshot());
    }

    fn hear(&mut self) {
        let next = self.session.world().now().plus(LOOK);
        let mut inputs = Vec::new();
        for message in self.session.run_to(next) {
            let bytes = message.payload.as_bytes();
            payload::decode(
                &self.table,
                &self.plan.layout,
                &message.topic,
                bytes,
                false,
                &mut inputs,
            )
            .unwrap_or_else(|refusal| panic!("{}: {refusal}", message.topic));
            for input in inputs.drain(..) {
                self.engine.handle(message.at, input);
            }
        }
        self.engine.advance(next);
        for change in self.engine.drain() {
            self.note(change);
        }
    }

    /// Whoever lifts cars off the track says so where the page shows them as lost.
    fn tell_what_was_lifted(&mut self, truth: &Truth) {
        let mut there = BTreeMap::new();
        for train in truth
            .trains
            .iter()
            .filter(|train| train.name.ends_with(LEFT_BEHIND))
        {
            let blocks = train.pieces.iter().filter_map(|piece| match piece {
                Piece::Block(block) => Some(*block),
                Piece::Turnout(..) | Piece::Crossing(..) => None,
            });
            there.insert(train.name.clone(), blocks.collect());
        }
        let before = std::mem::replace(&mut self.left_behind, there);
        let until = truth.at.plus(SAY_WITHIN);
        for (name, blocks) in before {
            if !self.left_behind.contains_key(&name) {
                self.lifted
                    .extend(blocks.into_iter().map(|block| (block, until)));
            }
        }
        for (block, until) in std::mem::take(&mut self.lifted) {
            let id = &self.plan.layout.blocks[block.index()].id;
            let lost = self
                .engine
                .snapshot()
                .blocks
                .iter()
                .any(|view| &view.id == id && view.state == Occupancy::Lost);
            if lost {
                self.say(Command::RemovedByHand(block.into()));
            } else if truth.at < until {
                self.lifted.push((block, until));
            }
        }
    }

    fn say(&mut self, command: Command) {
        let word = Word {
            who: "tester".to_owned(),
            why: "looked".to_owned(),
        };
        let now = self.session.world().now();
        self.engine.handle(now, Input::Command(command, word));
    }

    fn note(&mut self, change: Change) {
        if let Changed::Alarm {
            kind,
            subject,
            was,
            state,
            ..
        } = change.what
            && matches!(was, AlarmState::Normal | AlarmState::ReturnedUnacknowledged)
            && state == AlarmState::Unacknowledged
        {
            self.raised.push((change.at, subject, kind));
        }
    }

    /// When and about what alarms of a type were raised.
    pub fn raised(&self, wanted: AlarmKind) -> Vec<(Instant, String)> {
        let of_kind = self.raised.iter().filter(|(_, _, kind)| *kind == wanted);
        of_kind
            .map(|(at, subject, _)| (*at, subject.clone()))
            .collect()
    }

    /// Every alarm that was raised, in its order.
    pub fn alarms(&self) -> &[(Instant, String, AlarmKind)] {
        &self.raised
    }

    /// How many jobs were begun.
    pub fn jobs(&self) -> usize {
        let log = self.session.log();
        let begun = log
            .iter()
            .filter(|entry| matches!(entry.what, What::Job(_)));
        begun.count()
    }

    /// What was done and what went wrong so far, with the text of each mishap.
    pub fn mishaps(&self) -> Vec<(Instant, String)> {
        let log = self.session.log();
        let mishaps = log.into_iter().filter_map(|entry| match entry.what {
            What::Mishap(text) => Some((entry.at, text)),
            _ => None,
        });
        mishaps.collect()
    }

    pub fn assert_no_violation(&self) {
        let found = self.oracle.violations();
        assert!(found.is_empty(), "{}\n{}", found.join("\n"), self.story());
    }

    pub fn assert_never_raised(&self, kinds: &[AlarmKind]) {
        let found: Vec<_> = self
            .raised
            .iter()
            .filter(|(_, _, kind)| kinds.contains(kind))
            .collect();
        assert!(found.is_empty(), "{found:?}\n{}", self.story());
    }

    /// Compares the operator's forgotten points with the alarms, one to one; how many there were.
    pub fn compare_forgotten_points(&self) -> usize {
        let log = self.session.log();
        let mut alarms = self.raised(AlarmKind::LeftDiverging);
        let mut compared = 0;
        for (index, entry) in log.iter().enumerate() {
            let What::Forgot(turnout) = entry.what else {
                continue;
            };
            let id = &self.plan.layout.turnouts[turnout.index()].id;
            let later = log[index..]
                .iter()
                .find(|later| later.what == What::SetBack(turnout));
            let Some(back) = later.map(|later| later.at) else {
                continue;
            };
            let within = |at: Instant| at >= entry.at && at <= back;
            let before = alarms.len();
            alarms.retain(|(at, subject)| !(subject == id && within(*at)));
            let found = before - alarms.len();
            assert_eq!(
                found,
                1,
                "{id}: forgotten at {}\n{}",
                entry.at,
                self.story()
            );
            compared += 1;
        }
        // The last may still be forgotten when the evening ends.
        let open = |subject: &str| {
            log.iter().any(|entry| {
                matches!(entry.what, What::Forgot(turnout)
                if self.plan.layout.turnouts[turnout.index()].id == subject)
            })
        };
        alarms.retain(|(_, subject)| !open(subject));
        assert!(
            alarms.is_empty(),
            "not forgotten: {alarms:?}\n{}",
            self.story()
        );
        compared
    }

    /// Nothing goes wrong any more; waits until the operator is done and everything has returned.
    pub fn settle(&mut self) {
        self.session.no_more_mishaps();
        self.session.no_more_jobs();
        let deadline = self.session.world().now().plus(SETTLE_MAX);
        while self.session.world().now() < deadline {
            self.look();
            self.reset_latched();
            if self.session.is_settled() && self.open_alarms().is_empty() {
                return;
            }
        }
    }

    pub fn assert_everything_returned(&self) {
        let open = self.open_alarms();
        assert!(
            self.session.is_settled(),
            "the operator is not done\n{}",
            self.story()
        );
        assert!(open.is_empty(), "{open:?}\n{}", self.story());
    }

    /// Alarms of something gone wrong that have not returned. Warnings of what is ahead come and
    /// go with every train.
    fn open_alarms(&self) -> Vec<String> {
        use AlarmKind::{
            BoundForDiverging, CrossoverSplit, DetectorFault, LeftDiverging, MovedUnderTrain,
            NoCorrespondence, PowerLost, PowerWhereOff, TrainLost, TrainParted,
        };
        let kinds = [
            LeftDiverging,
            BoundForDiverging,
            TrainLost,
            TrainParted,
            MovedUnderTrain,
            PowerLost,
            PowerWhereOff,
            NoCorrespondence,
            CrossoverSplit,
            DetectorFault,
        ];
        let alarms = self.engine.snapshot().alarms;
        let open = alarms
            .into_iter()
            .filter(|alarm| alarm.active && kinds.contains(&alarm.kind));
        open.map(|alarm| format!("{}: {}", alarm.id, alarm.text))
            .collect()
    }

    fn reset_latched(&mut self) {
        for alarm in self.engine.snapshot().alarms {
            if matches!(
                alarm.state,
                AlarmState::LatchedUnacknowledged | AlarmState::LatchedAcknowledged
            ) {
                self.say(Command::Reset(alarm.id));
            }
        }
    }

    /// What happened, for a failure's message.
    pub fn story(&self) -> String {
        let mut text = format!("seed {}\n", self.seed);
        for entry in self.session.log() {
            let _ = writeln!(text, "  {} {:?}", entry.at, entry.what);
        }
        for (at, subject, kind) in &self.raised {
            let _ = writeln!(text, "  {at} alarm {}:{subject}", kind.word());
        }
        text
    }
}
