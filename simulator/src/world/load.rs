//! What flows through each zone: the sum over the wheelsets that stand in it and make contact.
//!
//! Inputs: trains, power, how the track lies. Outputs: the current of each zone as it is, and as
//! it would be on clean track. Sources: Ohm's law; Kirchhoff's current law for the sum. Dirt is a
//! Poisson process along the way of each axle. It does not know what a detector makes of it.

use std::collections::BTreeMap;

use taillamp::engine::time::{Instant, Span};

use super::supply::Supply;
use super::track::{Lie, Track, Zone};
use super::train::{Placed, Train};
use crate::chance::Chance;

/// How dirty the track is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Dirt {
    /// Drop-outs for each metre that an axle runs.
    pub per_axle_m: f64,
    /// How long half of them last at most, ms.
    pub median_ms: f64,
}

impl Dirt {
    /// None at all: for tests of everything else.
    pub const NONE: Self = Self {
        per_axle_m: 0.0,
        median_ms: 60.0,
    };
    /// Just cleaned.
    pub const CLEAN: Self = Self {
        per_axle_m: 0.02,
        median_ms: 60.0,
    };
    /// As it usually is.
    pub const USUAL: Self = Self {
        per_axle_m: 0.2,
        median_ms: 120.0,
    };
    /// Not cleaned for long.
    pub const DIRTY: Self = Self {
        per_axle_m: 1.0,
        median_ms: 300.0,
    };
}

/// Spread of the logarithm of a drop-out's length (an assumption, no source).
const DROPOUT_LOG_SD: f64 = 0.6;

/// The longest drop-out, s: beyond it a moving axle has long reached other rail.
const DROPOUT_MAX_S: f64 = 3.0;

/// Currents by zone, mA; the sign is that of the voltage.
#[derive(Clone, Debug, Default)]
pub struct Currents {
    /// As they are.
    pub actual: BTreeMap<Zone, f64>,
    /// As they would be on clean track.
    pub nominal: BTreeMap<Zone, f64>,
}

/// The currents of all trains.
#[must_use]
pub fn currents(trains: &[Train], supply: &Supply, way: (&Track, &Lie), now: Instant) -> Currents {
    let mut out = Currents::default();
    for train in trains {
        for placed in &train.vehicles {
            add_vehicle(train, placed, supply, way, now, &mut out);
        }
    }
    out
}

/// Whether an engine of the train stands on live track with at least one axle.
#[must_use]
pub fn is_powered(train: &Train, supply: &Supply, way: (&Track, &Lie)) -> bool {
    train
        .vehicles
        .iter()
        .filter(|placed| placed.vehicle.is_engine())
        .any(|placed| {
            placed.vehicle.axles.iter().any(|axle| {
                zone_under(train, placed, axle.at_mm, way.0)
                    .is_some_and(|zone| supply.zone_volts(zone, way.1) != 0.0)
            })
        })
}

/// Runs every axle of a train over dirt for `moved_mm`; returns how many lost contact.
pub fn run_over_dirt(
    train: &mut Train,
    moved_mm: f64,
    dirt: Dirt,
    now: Instant,
    chance: &mut Chance,
) -> u32 {
    let mut lost = 0;
    let per_mm = dirt.per_axle_m / 1000.0;
    for placed in &mut train.vehicles {
        for (until, left_mm) in placed.dirt_until.iter_mut().zip(&mut placed.dirt_in_mm) {
            if left_mm.is_infinite() {
                *left_mm = chance.gap(per_mm);
            }
            *left_mm -= moved_mm;
            if *left_mm <= 0.0 {
                let length_s = chance.log_normal(dirt.median_ms / 1000.0, DROPOUT_LOG_SD);
                *until = now.plus(Span::from_secs_f64(length_s.min(DROPOUT_MAX_S)));
                *left_mm = chance.gap(per_mm);
                lost += 1;
            }
        }
    }
    lost
}

fn zone_under(train: &Train, placed: &Placed, axle_mm: f64, track: &Track) -> Option<Zone> {
    train
        .at(placed.at_mm + axle_mm)
        .map(|(piece, at_mm)| track.zone(piece, at_mm))
}

fn add_vehicle(
    train: &Train,
    placed: &Placed,
    supply: &Supply,
    way: (&Track, &Lie),
    now: Instant,
    out: &mut Currents,
) {
    let mut pickups: Vec<(Zone, f64, bool)> = Vec::new();
    for (axle, until) in placed.vehicle.axles.iter().zip(&placed.dirt_until) {
        let Some(zone) = zone_under(train, placed, axle.at_mm, way.0) else {
            continue;
        };
        let volts = supply.zone_volts(zone, way.1);
        if volts == 0.0 {
            continue;
        }
        let contact = *until <= now;
        let through_ma = axle.resistor_ma(volts).copysign(volts);
        if axle.ohms.is_some() {
            add(out, zone, through_ma, contact);
        }
        if axle.pickup {
            pickups.push((zone, volts, contact));
        }
    }
    let Some(&(_, volts, _)) = pickups.first() else {
        return;
    };
    let load_ma = placed
        .vehicle
        .load_ma(train.speed_mm_s, volts, supply.steady_volts())
        .copysign(volts);
    let touching = pickups.iter().filter(|(_, _, contact)| *contact).count();
    for &(zone, _, contact) in &pickups {
        *out.nominal.entry(zone).or_default() += load_ma / pickups.len() as f64;
        if contact {
            *out.actual.entry(zone).or_default() += load_ma / touching as f64;
        }
    }
}

fn add(out: &mut Currents, zone: Zone, ma: f64, contact: bool) {
    *out.nominal.entry(zone).or_default() += ma;
    if contact {
        *out.actual.entry(zone).or_default() += ma;
    }
}
