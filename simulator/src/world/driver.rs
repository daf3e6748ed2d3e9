//! A driver: how fast to go, given an order and what can be seen of the track ahead.
//!
//! Inputs: the order, the track as it lies, the other trains, the power. Output: how far the train
//! may go before it has to stand. Drivers are cautious unless told otherwise: they stop before the
//! end of track, points set against them or not for their way, a block that holds another train
//! (or, pushed back, the train itself), and dead track.

use std::collections::BTreeSet;

use taillamp::engine::ids::{BlockId, TurnoutId};
use taillamp::engine::layout::{End, Leg};

use super::track::{Lie, Next, Piece, Step, Track, Zone};
use super::train::{Stretch, Train};

/// What a driver keeps free before another train, mm.
pub const MARGIN_MM: f64 = 90.0;
/// What a driver keeps free before a buffer, points, a bridge that is away, or dead track, mm.
const SHORT_MM: f64 = 40.0;
/// How fast a train speeds up, mm/s².
pub const ACCELERATION_MM_S2: f64 = 220.0;
/// How fast a driver brakes, mm/s².
pub const BRAKING_MM_S2: f64 = 260.0;
/// How fast an engine without power comes to rest, mm/s².
pub const COASTING_MM_S2: f64 = 450.0;
/// Slowest speed of a train that is still to move, mm/s.
const CREEP_MM_S: f64 = 25.0;
/// Pieces that are looked over in one glance.
const GLANCE_MAX: usize = 16;

/// Where an order ends.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum StopAt {
    /// With the leading end in this block, short of the end that it runs towards, mm.
    InBlock {
        /// The block.
        block: BlockId,
        /// Short of its far end.
        short_mm: f64,
    },
    /// With the trailing end past these points, mm beyond their clearance point.
    ClearOf {
        /// The points.
        turnout: TurnoutId,
        /// Beyond them.
        beyond_mm: f64,
    },
}

/// What a driver was told.
#[derive(Clone, Debug, PartialEq)]
pub struct Order {
    /// Towards the head; otherwise the train is pushed back.
    pub forward: bool,
    /// Not faster than this, mm/s; zero to stand.
    pub speed_mm_s: f64,
    /// Points that the way takes to their reverse leg when met at the toe.
    pub diverge_at: Vec<TurnoutId>,
    /// Where it ends; `None` runs on.
    pub stop: Option<StopAt>,
    /// Looks where it goes.
    pub cautious: bool,
    /// Called on: may go into a block that holds another train, and up to it.
    pub called_on: bool,
}

impl Order {
    /// Stand still.
    #[must_use]
    pub const fn stand() -> Self {
        Self {
            forward: true,
            speed_mm_s: 0.0,
            diverge_at: Vec::new(),
            stop: None,
            cautious: true,
            called_on: false,
        }
    }

    /// Run on, towards the head.
    #[must_use]
    pub const fn run(speed_mm_s: f64) -> Self {
        Self {
            forward: true,
            speed_mm_s,
            diverge_at: Vec::new(),
            stop: None,
            cautious: true,
            called_on: false,
        }
    }

    /// The same, pushed back.
    #[must_use]
    pub const fn backwards(mut self) -> Self {
        self.forward = false;
        self
    }

    /// The same, by way of these points' reverse legs.
    #[must_use]
    pub fn by(mut self, turnouts: &[TurnoutId]) -> Self {
        self.diverge_at = turnouts.to_vec();
        self
    }

    /// The same, as far as this.
    #[must_use]
    pub const fn until(mut self, stop: StopAt) -> Self {
        self.stop = Some(stop);
        self
    }
}

/// What a driver can see.
pub struct Sight<'a> {
    /// The track.
    pub track: &'a Track,
    /// How it lies.
    pub lie: &'a Lie,
    /// What the other trains lie over.
    pub others: &'a [Stretch],
    /// Ends at which the operator holds trains.
    pub holds: &'a BTreeSet<End>,
    /// Points without a designated position: any leg will do.
    pub free_points: &'a [bool],
    /// Zones without power.
    pub dead: &'a dyn Fn(Zone) -> bool,
    /// Blocks that another train has left a moment ago.
    pub left_lately: &'a dyn Fn(BlockId) -> bool,
}

/// How far the leading end may go, mm; `stop` says that the order ends there.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Room {
    /// So far.
    pub mm: f64,
    /// It is the order's end.
    pub stop: bool,
}

/// How far a train may go, looking no further than it needs to brake.
#[must_use]
pub fn room(train: &Train, sight: &Sight<'_>) -> Room {
    let braking_mm = train.speed_mm_s * train.speed_mm_s / (2.0 * BRAKING_MM_S2);
    let look_mm = braking_mm * 1.3 + 2.0 * MARGIN_MM + 100.0;
    let mut room = Room {
        mm: look_mm,
        stop: false,
    };
    if let Some(mm) = until_stop(train, sight, look_mm)
        && mm <= room.mm
    {
        room = Room { mm, stop: true };
    }
    let free_mm = free_road(train, sight, look_mm);
    if free_mm < room.mm {
        room = Room {
            mm: free_mm,
            stop: false,
        };
    }
    Room {
        mm: room.mm.max(0.0),
        ..room
    }
}

/// The speed from which a train can still stop within this room, at most `wish_mm_s`.
#[must_use]
pub fn speed_for(room_mm: f64, wish_mm_s: f64) -> f64 {
    if room_mm < 0.5 {
        return 0.0;
    }
    (2.0 * BRAKING_MM_S2 * room_mm)
        .sqrt()
        .max(CREEP_MM_S)
        .min(wish_mm_s)
}

fn until_stop(train: &Train, sight: &Sight<'_>, look_mm: f64) -> Option<f64> {
    match train.order.stop? {
        StopAt::ClearOf { beyond_mm, .. } => train.to_clear_mm.map(|mm| mm + beyond_mm),
        StopAt::InBlock { block, short_mm } => {
            let (mut step, mut ahead_mm) = train.leading()?;
            for _ in 0..GLANCE_MAX {
                if step.piece == Piece::Block(block) {
                    return Some(ahead_mm - short_mm);
                }
                if ahead_mm - short_mm > look_mm {
                    return None;
                }
                let Next::On(next) = sight.track.next(step, sight.lie) else {
                    return None;
                };
                step = next;
                ahead_mm += sight.track.length_mm(step.piece);
            }
            None
        }
    }
}

/// How far the road ahead is free of anything that a driver stops for.
fn free_road(train: &Train, sight: &Sight<'_>, look_mm: f64) -> f64 {
    let Some((mut step, mut ahead_mm)) = train.leading() else {
        return 0.0;
    };
    if !train.order.cautious {
        return look_mm;
    }
    let mut start_mm = ahead_mm - sight.track.length_mm(step.piece);
    for glance in 0..GLANCE_MAX {
        let keeps_off = train.order.forward && !train.order.called_on;
        if glance > 0 && keeps_off && is_taken(step, sight) {
            return start_mm - SHORT_MM;
        }
        if let Some(mm) = obstacle(step, start_mm, glance == 0, sight.others, sight.track) {
            return mm - MARGIN_MM;
        }
        if ahead_mm > look_mm {
            return look_mm;
        }
        if sight.holds.contains(&step.exit()) {
            return ahead_mm - SHORT_MM;
        }
        step = match sight.track.next(step, sight.lie) {
            Next::On(next) => next,
            Next::EndOfTrack | Next::Against(_) | Next::NoBridge(_) => return ahead_mm - SHORT_MM,
        };
        if !wanted(step, train, sight) || is_dead(step, sight) {
            return ahead_mm - SHORT_MM;
        }
        start_mm = ahead_mm;
        ahead_mm += sight.track.length_mm(step.piece);
    }
    ahead_mm
}

/// How far it is to another train on the same line of rails, where that is near, mm: not even a
/// driver who does not look goes through it.
#[must_use]
pub fn contact(train: &Train, sight: &Sight<'_>) -> Option<f64> {
    let (mut step, mut ahead_mm) = train.leading()?;
    let mut start_mm = ahead_mm - sight.track.length_mm(step.piece);
    for glance in 0..GLANCE_MAX {
        if matches!(step.piece, Piece::Block(_))
            && let Some(mm) = obstacle(step, start_mm, glance == 0, sight.others, sight.track)
        {
            return Some(mm.max(0.0));
        }
        let Next::On(next) = sight.track.next(step, sight.lie) else {
            return None;
        };
        if ahead_mm > MARGIN_MM {
            return None;
        }
        step = next;
        start_mm = ahead_mm;
        ahead_mm += sight.track.length_mm(step.piece);
    }
    None
}

/// How far it is to the far end of a block ahead where no train of `others` is before it, mm.
#[must_use]
pub fn free_to_end_of(
    train: &Train,
    block: BlockId,
    others: &[Stretch],
    way: (&Track, &Lie),
) -> Option<f64> {
    let (mut step, mut ahead_mm) = train.leading()?;
    let mut start_mm = ahead_mm - way.0.length_mm(step.piece);
    for glance in 0..GLANCE_MAX {
        if obstacle(step, start_mm, glance == 0, others, way.0).is_some() {
            return None;
        }
        if step.piece == Piece::Block(block) {
            return Some(ahead_mm);
        }
        let Next::On(next) = way.0.next(step, way.1) else {
            return None;
        };
        step = next;
        start_mm = ahead_mm;
        ahead_mm += way.0.length_mm(step.piece);
    }
    None
}

/// Where another train is on this piece, from the leading end; `start_mm` is where the piece
/// begins.
fn obstacle(
    step: Step,
    start_mm: f64,
    own: bool,
    others: &[Stretch],
    track: &Track,
) -> Option<f64> {
    let mut nearest: Option<f64> = None;
    for other in others {
        let at_mm = match (step.piece, other.piece) {
            (Piece::Block(a), Piece::Block(b)) if a == b => {
                let length_mm = track.length_mm(step.piece);
                let (near, far) = if step.up {
                    (other.from_mm, other.to_mm)
                } else {
                    (length_mm - other.to_mm, length_mm - other.from_mm)
                };
                // What lies behind the leading end is no obstacle.
                if start_mm + far <= 0.0 {
                    continue;
                }
                start_mm + near
            }
            // Points and crossings are taken whole, unless the train is on them already.
            (Piece::Turnout(a, _), Piece::Turnout(b, _)) if a == b && !own => start_mm,
            (Piece::Crossing(a, _), Piece::Crossing(b, _)) if a == b && !own => start_mm,
            _ => continue,
        };
        nearest = Some(nearest.map_or(at_mm, |so_far| so_far.min(at_mm)));
    }
    nearest
}

/// A block that holds another train, or did a moment ago: drivers who run ahead keep apart.
fn is_taken(step: Step, sight: &Sight<'_>) -> bool {
    let Piece::Block(block) = step.piece else {
        return false;
    };
    let held = sight.others.iter().any(|other| other.piece == step.piece);
    held || (sight.left_lately)(block)
}

/// Facing points lie for the train's way.
fn wanted(step: Step, train: &Train, sight: &Sight<'_>) -> bool {
    let Piece::Turnout(turnout, leg) = step.piece else {
        return true;
    };
    if !step.up || sight.free_points[turnout.index()] {
        return true;
    }
    (leg == Leg::Reverse) == train.order.diverge_at.contains(&turnout)
}

fn is_dead(step: Step, sight: &Sight<'_>) -> bool {
    (sight.dead)(sight.track.zone(step.piece, 0.0))
}
