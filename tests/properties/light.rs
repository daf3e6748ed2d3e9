//! The room's light against 3 to 60 optical detectors: lamps, dimmers, dusk, mains flicker. What
//! must hold is known without knowing how it is decided: light makes no train, hides none, and
//! makes nothing vacant.

use std::fmt::Write as _;

use proptest::prelude::*;
use taillamp::engine::Engine;
use taillamp::engine::change::{Change, Evidence, Health, Occupancy, What};
use taillamp::engine::ids::{BlockId, DetectorId};
use taillamp::engine::input::{Input, Reading, Sample};
use taillamp::engine::time::Instant;
use taillamp::plan;

/// Of full light: what a clear beam reads, and one with a vehicle in it.
const CLEAR: f64 = 80.0;
const BROKEN: f64 = 5.0;

/// A room with so many beams, each over a block of its own that no train of another can reach.
struct Room {
    engine: Engine,
    beams: usize,
    others: usize,
    chance: u64,
    now_ms: u64,
    /// Every change so far.
    log: Vec<Change>,
    /// Which beams have a vehicle in them.
    broken: Vec<bool>,
}

impl Room {
    fn new(beams: usize, seed: u64) -> Self {
        Self::with(beams, 0, seed)
    }

    /// And so many current detectors, each in a block of its own.
    fn with(beams: usize, others: usize, seed: u64) -> Self {
        let mut text = String::from(
            "[layout]\nname = \"Lantern Shed\"\nscale = \"HO\"\n[defaults]\nboot_s = 0\n",
        );
        for n in 0..beams {
            let _ = write!(
                text,
                "[[block]]\nid = \"b{n:02}\"\n[[detector]]\nid = \"o{n:02}\"\nkind = \"optical\"\n\
                 block = \"b{n:02}\"\nunit = \"%\"\non = 30\noff = 45\nwatches = \"whole\"\n"
            );
        }
        for n in 0..others {
            let _ = write!(
                text,
                "[[block]]\nid = \"c{n:02}\"\n[[detector]]\nid = \"p{n:02}\"\nkind = \"current\"\n\
                 block = \"c{n:02}\"\non = 3\noff = 1\n"
            );
        }
        let (plan, findings) = plan::load(&text, "room.toml");
        let plan = plan.unwrap_or_else(|| panic!("{findings:?}"));
        Self {
            engine: Engine::new(plan.layout, Instant(0)),
            beams,
            others,
            chance: seed,
            now_ms: 0,
            log: Vec::new(),
            broken: vec![false; beams],
        }
    }

    /// From 0 to 1: SplitMix64 (Steele, Lea & Flood 2014).
    fn uniform(&mut self) -> f64 {
        self.chance = self.chance.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut bits = self.chance;
        bits = (bits ^ (bits >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        bits = (bits ^ (bits >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        bits ^= bits >> 31;
        (bits >> 11) as f64 / 9_007_199_254_740_992.0
    }

    /// Lets so many seconds pass with a sample of each beam every `step_ms`, each at a moment of
    /// its own. `light`: the part of full light at a time in seconds since the beginning.
    fn run(&mut self, seconds: f64, step_ms: u64, light: impl Fn(f64) -> f64) {
        let end = self.now_ms + (seconds * 1_000.0) as u64;
        while self.now_ms < end {
            for beam in 0..self.beams {
                let at = self.now_ms + beam as u64 * step_ms / self.beams as u64;
                let level = if self.broken[beam] { BROKEN } else { CLEAR };
                let noise = 2.0 * (self.uniform() - 0.5);
                let lit = level * light(at as f64 / 1_000.0);
                self.say(beam, at, (lit + noise).clamp(0.0, 100.0));
            }
            for other in 0..self.others {
                self.say(self.beams + other, self.now_ms + step_ms - 1, 0.0);
            }
            self.now_ms += step_ms;
        }
        self.log.extend(self.engine.drain());
    }

    fn say(&mut self, beam: usize, at_ms: u64, level: f64) {
        let sample = Sample {
            detector: DetectorId(beam as u32),
            reading: Reading::Level(level),
            own_time: None,
            update_within: None,
            retained: false,
        };
        self.engine
            .handle(Instant(at_ms * 1_000), Input::Reading(sample));
    }

    fn state(&self, beam: usize) -> Occupancy {
        self.engine.snapshot().blocks[beam].state
    }

    /// Nobody came: no alarm rose, no train is followed, and where a beam said 'occupied' before
    /// the others had stepped as well, it was taken back within the 300 ms in which steps are one.
    fn made_no_train(&self) -> Result<(), String> {
        let mut occupied = vec![None; self.beams + self.others];
        for change in &self.log {
            match &change.what {
                What::Block { block, state, .. } => {
                    let since: &mut Option<Instant> = &mut occupied[block.index()];
                    if let Some(since) = since.take()
                        && change.at.since(since).as_secs_f64() > 0.3
                    {
                        return Err(format!("{since} to {}: occupied", change.at));
                    }
                    if *state == Occupancy::Occupied {
                        *since = Some(change.at);
                    } else if *state == Occupancy::Lost {
                        return Err(format!("{}: lost", change.at));
                    }
                }
                What::Alarm { .. } => return Err(format!("{}: {:?}", change.at, change.what)),
                _ => {}
            }
        }
        let trains = self.engine.snapshot().trains.len();
        if trains > 0 || occupied.iter().any(Option::is_some) {
            return Err(format!("{trains} trains, occupied since {occupied:?}"));
        }
        Ok(())
    }

    /// A train that comes now is seen, and vacancy is not said while it stands there.
    fn sees_a_train(&mut self, beam: usize, light: impl Fn(f64) -> f64 + Copy) {
        self.log.clear();
        self.broken[beam] = true;
        self.run(20.0, 100, light);
        assert_eq!(
            self.state(beam),
            Occupancy::Occupied,
            "beam {beam} of {}: {:?}",
            self.beams,
            self.log
        );
        self.broken[beam] = false;
    }
}

proptest! {
    #![proptest_config(ProptestConfig {
        cases: 24,
        failure_persistence: None,
        ..ProptestConfig::default()
    })]

    /// A lamp goes on or off over all of them.
    #[test]
    fn evidence_light_that_steps_is_no_train(
        beams in 3_usize..=60,
        seed in any::<u64>(),
        left in prop_oneof![0.2..0.7_f64, 1.05..1.2_f64],
        back in any::<bool>(),
    ) {
        let mut room = Room::new(beams, seed);
        room.run(8.0, 100, |_| 1.0);
        room.run(8.0, 100, |_| left);
        if back {
            room.run(8.0, 100, |_| 1.0);
        }
        prop_assert_eq!(room.made_no_train(), Ok(()));
        for beam in 0..beams {
            prop_assert_eq!(room.state(beam), Occupancy::Vacant, "beam {}", beam);
        }
        let light = if back { 1.0 } else { left };
        room.sees_a_train(seed as usize % beams, |_| light);
    }
}

/// Total darkness proves nothing: no train, and no vacancy either. It is no fault of any beam.
#[test]
fn evidence_in_the_dark_is_none() {
    let mut room = Room::new(6, 1);
    room.run(10.0, 100, |_| 1.0);
    room.run(20.0, 100, |_| 0.02);
    assert_eq!(room.made_no_train(), Ok(()));
    let snapshot = room.engine.snapshot();
    for detector in &snapshot.detectors {
        assert_eq!(
            (detector.evidence, detector.health),
            (Evidence::None, Health::Ok)
        );
    }
    assert!((0..6).all(|beam| room.state(beam) == Occupancy::Unknown));
    room.run(10.0, 100, |_| 1.0);
    assert_eq!(room.state(0), Occupancy::Vacant);
    assert_eq!(room.engine.snapshot().detectors[0].health, Health::Ok);
    // Until three beams have gone dark, the first two may be vehicles (B2); not for longer.
    let late = Instant(10_300_000);
    assert!(!room.log.iter().any(|c| is_occupied(c) && c.at > late));
}

fn is_occupied(change: &Change) -> bool {
    matches!(
        change.what,
        What::Block {
            state: Occupancy::Occupied,
            ..
        }
    )
}

/// Dusk takes twelve minutes, dawn as long. The detectors are sampled once a second.
#[test]
fn evidence_through_dusk_and_dawn_makes_no_train() {
    // What measures current reports as well, and says nothing of light.
    for (beams, others) in [(3, 0), (9, 0), (30, 0), (4, 5)] {
        let dusk = |t: f64| match t {
            day if day < 30.0 => 1.0,
            dusk if dusk < 730.0 => 1.0 - 0.6 * (dusk - 30.0) / 700.0,
            night if night < 830.0 => 0.4,
            dawn if dawn < 1_530.0 => 0.4 + 0.6 * (dawn - 830.0) / 700.0,
            _ => 1.0,
        };
        let mut room = Room::with(beams, others, beams as u64);
        room.run(760.0, 1_000, dusk);
        assert_eq!(room.made_no_train(), Ok(()), "{beams} beams");
        // Light that is followed leaves the evidence as it is.
        let gone = room.log.iter().filter(|change| {
            matches!(
                change.what,
                What::Block {
                    was: Occupancy::Vacant,
                    ..
                }
            )
        });
        assert_eq!(gone.count(), 0, "{beams} beams");
        let beam = beams / 2;
        room.sees_a_train(beam, dusk);
        assert!((0..beams).all(|other| other == beam || room.state(other) == Occupancy::Vacant));
        // The train is lifted off; dawn comes.
        room.run(30.0, 1_000, dusk);
        room.log.clear();
        room.run(760.0, 1_000, dusk);
        assert!(!room.log.iter().any(is_occupied), "{beams} beams");
    }
}

/// A dimmer takes some seconds: too slow for a step, too fast for dusk.
#[test]
fn evidence_under_a_dimmer_makes_no_train() {
    for (beams, seconds) in [(3, 1.5), (5, 4.0), (17, 10.0), (60, 30.0)] {
        let dimmer = move |t: f64| (1.0 - 0.7 * (t - 20.0) / seconds).clamp(0.3, 1.0);
        let mut room = Room::new(beams, 7);
        room.run(20.0 + seconds + 15.0, 100, dimmer);
        assert_eq!(room.made_no_train(), Ok(()), "{beams} beams, {seconds} s");
        assert!((0..beams).all(|beam| room.state(beam) == Occupancy::Vacant));
        room.sees_a_train(1, dimmer);
    }
}

/// Lamps on 50 and 60 Hz mains flicker at 100 and 120 Hz; sampled at 10 to 50 Hz that looks like a
/// slow beat. It changes nothing: no alarm, no evidence, not for a moment.
#[test]
fn evidence_under_mains_flicker_stays_as_it_is() {
    for flicker_hz in [100.0, 120.0] {
        for step_ms in [20, 37, 67, 99, 100] {
            let lamp = move |t: f64| {
                let wave = (std::f64::consts::TAU * flicker_hz * t * 1.0003).sin();
                0.85 + 0.15 * wave
            };
            let mut room = Room::new(9, step_ms);
            room.run(10.0, step_ms, lamp);
            room.log.clear();
            room.run(60.0, step_ms, lamp);
            assert!(
                room.log.is_empty(),
                "{flicker_hz} Hz, {step_ms} ms: {:?}",
                room.log
            );
            room.sees_a_train(4, lamp);
        }
    }
}

/// A fast train breaks two of three beams within the time in which steps count as one. That is no
/// lamp: both are occupied at once and stay so.
#[test]
fn evidence_of_a_fast_train_over_two_of_three_beams_is_not_the_room() {
    for gap_ms in [0, 30, 100, 290] {
        let mut room = Room::new(3, 5);
        room.run(10.0, 50, |_| 1.0);
        room.log.clear();
        room.say(0, 10_010, BROKEN);
        room.say(1, 10_010 + gap_ms, BROKEN);
        let snapshot = room.engine.snapshot();
        for beam in [0, 1] {
            assert_eq!(
                snapshot.detectors[beam].evidence,
                Evidence::On,
                "{gap_ms} ms"
            );
            assert_eq!(room.state(beam), Occupancy::Occupied, "{gap_ms} ms");
        }
        (room.broken[0], room.broken[1]) = (true, true);
        room.now_ms = 10_400;
        room.run(5.0, 50, |_| 1.0);
        assert_eq!(room.state(0), Occupancy::Occupied);
        assert_eq!(room.state(1), Occupancy::Occupied);
    }
}

/// Gaps between cars open the beam for a moment: the place stays occupied until the last has gone.
#[test]
fn evidence_gaps_between_cars_do_not_clear_a_beam() {
    let mut room = Room::new(3, 9);
    room.run(10.0, 50, |_| 1.0);
    room.log.clear();
    for _car in 0..20 {
        room.broken[0] = true;
        room.run(0.4, 50, |_| 1.0);
        room.broken[0] = false;
        room.run(0.15, 50, |_| 1.0);
    }
    let occupied: Vec<&Change> = room
        .log
        .iter()
        .filter(|change| matches!(change.what, What::Block { block, .. } if block == BlockId(0)))
        .collect();
    assert_eq!(occupied.len(), 1, "{occupied:?}");
    assert!(is_occupied(occupied[0]));
}

/// One lens gathers dust: that is no dusk, and the detector says so before it fails.
#[test]
fn health_of_a_beam_that_fades_alone_is_drifting() {
    let mut room = Room::new(5, 11);
    room.run(20.0, 100, |_| 1.0);
    for step in 0..10_000_u64 {
        let at = 20_000 + step * 100;
        for beam in 0..5 {
            let dust = 22.0 * (step as f64 / 3_000.0).min(1.0);
            let dust = if beam == 2 { dust } else { 0.0 };
            room.say(beam, at + beam as u64, CLEAR - dust);
        }
    }
    room.log.extend(room.engine.drain());
    let snapshot = room.engine.snapshot();
    assert_eq!(
        snapshot.detectors[2].health,
        Health::Drifting,
        "{:?}",
        room.log
    );
    assert_eq!(snapshot.detectors[2].evidence, Evidence::Off);
    assert_eq!(snapshot.detectors[1].health, Health::Ok);
    room.now_ms = 1_021_000;
    room.run(30.0, 100, |_| 1.0);
    assert_eq!(room.engine.snapshot().detectors[2].health, Health::Ok);
}

/// Three that fade are no light of the room where five more report, though trains stand in those:
/// the three are worn.
#[test]
fn health_of_beams_that_fade_while_trains_stand_in_the_others_is_drifting() {
    let mut room = Room::new(8, 12);
    room.run(20.0, 100, |_| 1.0);
    for step in 0..10_000_u64 {
        let at = 20_000 + step * 100;
        let dust = 22.0 * (step as f64 / 3_000.0).min(1.0);
        for beam in 0..8 {
            let level = if beam < 3 { CLEAR - dust } else { BROKEN };
            room.say(beam, at + beam as u64, level);
        }
    }
    let detectors = room.engine.snapshot().detectors;
    let health: Vec<Health> = detectors.iter().take(3).map(|view| view.health).collect();
    assert_eq!(health, [Health::Drifting; 3]);
}

/// What the first of some beams is taken for when they all go to these levels at once, among so
/// many beams and current detectors that report as well.
fn darkened(to: &[f64], beams: usize, others: usize) -> Occupancy {
    let mut room = Room::with(beams, others, 7);
    for round in 0..40_u64 {
        let mut now = round * 500;
        for beam in 0..beams {
            let level = to.get(beam).filter(|_| round >= 30).unwrap_or(&CLEAR);
            now += 5;
            room.say(beam, now, *level);
        }
        for other in 0..others {
            room.say(beams + other, now, 0.0);
        }
    }
    room.state(0)
}

#[test]
fn evidence_of_half_of_all_beams_that_darken_is_the_rooms_light() {
    assert_eq!(
        darkened(&[BROKEN; 3], 6, 0),
        Occupancy::Unknown,
        "half of them: a lamp"
    );
    assert_eq!(
        darkened(&[BROKEN; 3], 7, 0),
        Occupancy::Occupied,
        "fewer: three trains"
    );
    assert_eq!(
        darkened(&[BROKEN; 2], 4, 0),
        Occupancy::Occupied,
        "two may be one train's"
    );
    assert_eq!(darkened(&[BROKEN; 4], 6, 0), Occupancy::Unknown, "more");
    // What measures current says nothing of light.
    assert_eq!(darkened(&[BROKEN; 3], 6, 5), Occupancy::Unknown);
}

/// One lamp takes a like part of every beam's light: from 80, the greatest part one and a half
/// times the smallest.
#[test]
fn evidence_of_beams_that_darken_alike_is_the_rooms_light() {
    let (light, trains) = (Occupancy::Unknown, Occupancy::Occupied);
    assert_eq!(darkened(&[5.0, 5.0, 30.0], 6, 0), light, "75 and 50");
    assert_eq!(darkened(&[5.0, 5.0, 30.1], 6, 0), trains, "75 and 49.9");
    assert_eq!(darkened(&[29.0, 29.0, 3.0], 6, 0), trains, "51 and 77");
    assert_eq!(darkened(&[29.0, 29.0, 4.0], 6, 0), light, "51 and 76");
    // One that brightens has nothing to do with it.
    assert_eq!(darkened(&[29.0, 29.0, 100.0], 6, 0), trains);
}
