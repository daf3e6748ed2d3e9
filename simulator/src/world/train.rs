//! A train on the track: its vehicles, the way that it stands on, and how it moves along.
//!
//! Inputs: how far to move, and how the track lies ahead of it. Outputs: where each axle and each
//! body is. A train keeps to the way that it has begun: points that move under it change nothing
//! for wheels that have passed them. It does not decide how fast to go: see `driver`.

use std::collections::VecDeque;

use taillamp::engine::ids::TurnoutId;
use taillamp::engine::time::Instant;

use super::driver::Order;
use super::track::{Lie, Next, Piece, Step, Track};
use super::vehicle::{COUPLING_MM, Vehicle};

/// Pieces that one train may stand on or pass in one step: more is a fault of the layout.
const WAY_MAX: usize = 64;

/// A vehicle and where its tail end is, mm from the train's tail.
#[derive(Clone, Debug)]
pub struct Placed {
    /// The vehicle.
    pub vehicle: Vehicle,
    /// From the train's tail, mm.
    pub at_mm: f64,
    /// By axle: without contact until then.
    pub dirt_until: Vec<Instant>,
    /// By axle: travel until the next drop-out, mm.
    pub dirt_in_mm: Vec<f64>,
}

/// A stretch of a piece, in mm from the piece's start.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stretch {
    /// Which piece.
    pub piece: Piece,
    /// From here.
    pub from_mm: f64,
    /// To here; not before `from_mm`.
    pub to_mm: f64,
}

impl Stretch {
    /// Both lie over the same rail.
    #[must_use]
    pub fn meets(&self, other: &Self) -> bool {
        self.piece == other.piece && self.from_mm < other.to_mm && other.from_mm < self.to_mm
    }
}

/// A train.
#[derive(Clone, Debug)]
pub struct Train {
    /// What people call it.
    pub name: String,
    /// From tail to head.
    pub vehicles: Vec<Placed>,
    /// What the driver was told.
    pub order: Order,
    /// Along the direction of the order, mm/s; never negative.
    pub speed_mm_s: f64,
    /// The order's end has been reached.
    pub arrived: bool,
    /// It will not move until this is taken away.
    pub stalled: bool,
    /// Set while `StopAt::ClearOf` counts: how far the trailing end still has to go.
    pub to_clear_mm: Option<f64>,
    length_mm: f64,
    /// From behind the tail to before the head.
    way: VecDeque<(Step, f64)>,
    tail_mm: f64,
}

impl Train {
    /// A train of these vehicles, from tail to head, with its head `gap_mm` short of the end by
    /// which `at` leaves its piece. It reaches back along the track as it lies.
    #[must_use]
    pub fn new(
        name: &str,
        stock: Vec<Vehicle>,
        at: Step,
        gap_mm: f64,
        way: (&Track, &Lie),
    ) -> Self {
        let mut vehicles = Vec::new();
        let mut at_mm = 0.0;
        for vehicle in stock {
            let axles = vehicle.axles.len();
            let length_mm = vehicle.length_mm;
            vehicles.push(Placed {
                vehicle,
                at_mm,
                dirt_until: vec![Instant(0); axles],
                dirt_in_mm: vec![f64::INFINITY; axles],
            });
            at_mm += length_mm + COUPLING_MM;
        }
        let length_mm = (at_mm - COUPLING_MM).max(0.0);
        let piece_mm = way.0.length_mm(at.piece);
        let mut train = Self {
            name: name.to_owned(),
            vehicles,
            order: Order::stand(),
            speed_mm_s: 0.0,
            arrived: true,
            stalled: false,
            to_clear_mm: None,
            length_mm,
            way: VecDeque::from([(at, piece_mm)]),
            tail_mm: piece_mm - gap_mm - length_mm,
        };
        train.lay_behind(way.0, way.1);
        train
    }

    /// Over all vehicles, mm.
    #[must_use]
    pub const fn length_mm(&self) -> f64 {
        self.length_mm
    }

    /// Moves along the order's direction; what could be moved, mm. It ends where the track ends.
    pub fn advance(&mut self, by_mm: f64, track: &Track, lie: &Lie) -> f64 {
        let before_mm = self.tail_mm;
        let moved_mm = if self.order.forward {
            self.tail_mm += by_mm;
            let over_mm = self.lay_ahead(track, lie);
            self.tail_mm -= over_mm;
            by_mm - over_mm
        } else {
            self.tail_mm -= by_mm;
            self.lay_behind(track, lie);
            let under_mm = (-self.tail_mm).max(0.0);
            self.tail_mm += under_mm;
            by_mm - under_mm
        };
        debug_assert!(moved_mm <= by_mm + 1e-9 && before_mm.is_finite());
        self.trim();
        if let Some(left_mm) = &mut self.to_clear_mm {
            *left_mm -= moved_mm;
        }
        moved_mm
    }

    /// Where the leading end stands: the step it is in, and how far it is from leaving it, mm.
    #[must_use]
    pub fn leading(&self) -> Option<(Step, f64)> {
        if self.order.forward {
            let whole_mm: f64 = self.way.iter().map(|(_, mm)| mm).sum();
            let &(step, _) = self.way.back()?;
            Some((step, whole_mm - self.tail_mm - self.length_mm))
        } else {
            let &(step, _) = self.way.front()?;
            Some((step.back(), self.tail_mm))
        }
    }

    /// Where the head and the tail stand: piece and mm from its start.
    #[must_use]
    pub fn ends(&self) -> [Option<(Piece, f64)>; 2] {
        [
            self.spot(self.tail_mm + self.length_mm),
            self.spot(self.tail_mm),
        ]
    }

    /// How far the trailing end has to go until it has passed the far side of these points; `None`
    /// where they are not under or just before it.
    #[must_use]
    pub fn until_clear_mm(&self, turnout: TurnoutId) -> Option<f64> {
        let mut start_mm = 0.0;
        let mut found = None;
        for &(step, mm) in &self.way {
            if matches!(step.piece, Piece::Turnout(id, _) if id == turnout) {
                found = Some(if self.order.forward {
                    start_mm + mm - self.tail_mm
                } else {
                    self.tail_mm + self.length_mm - start_mm
                });
            }
            start_mm += mm;
        }
        found
    }

    /// Every stretch of track that the train lies over, couplings included.
    #[must_use]
    pub fn stretches(&self) -> Vec<Stretch> {
        self.stretches_of(0.0, self.length_mm)
    }

    /// The stretches under the part of the train between these two, mm from its tail.
    #[must_use]
    pub fn stretches_of(&self, from_mm: f64, to_mm: f64) -> Vec<Stretch> {
        let (low, high) = (self.tail_mm + from_mm, self.tail_mm + to_mm);
        let mut out = Vec::new();
        if self.vehicles.is_empty() {
            return out;
        }
        let mut start_mm = 0.0;
        for &(step, mm) in &self.way {
            let (a, b) = (
                low.max(start_mm) - start_mm,
                high.min(start_mm + mm) - start_mm,
            );
            if a < b {
                let (from_mm, to_mm) = if step.up { (a, b) } else { (mm - b, mm - a) };
                out.push(Stretch {
                    piece: step.piece,
                    from_mm,
                    to_mm,
                });
            }
            start_mm += mm;
        }
        out
    }

    /// Where a point of the train is, mm from its tail: the piece and mm from the piece's start.
    #[must_use]
    pub fn at(&self, from_tail_mm: f64) -> Option<(Piece, f64)> {
        self.spot(self.tail_mm + from_tail_mm)
    }

    /// Uncouples the vehicles behind the last `keep`; they become a train that stands. `None`
    /// where nothing would be left on either side.
    #[must_use]
    pub fn part(&mut self, keep: usize, name: &str) -> Option<Self> {
        let left = self.vehicles.len().checked_sub(keep)?;
        if left == 0 || keep == 0 {
            return None;
        }
        let mut behind = self.clone();
        behind.name = name.to_owned();
        behind.order = Order::stand();
        behind.speed_mm_s = 0.0;
        behind.vehicles.truncate(left);
        behind.relength();
        behind.trim();
        self.vehicles.drain(..left);
        let cut_mm = self.vehicles[0].at_mm;
        for placed in &mut self.vehicles {
            placed.at_mm -= cut_mm;
        }
        self.tail_mm += cut_mm;
        self.relength();
        self.trim();
        Some(behind)
    }

    /// Couples vehicles to the tail; the track behind must have room for them.
    pub fn couple(&mut self, behind: Vec<Placed>, way: (&Track, &Lie)) {
        let Some(last) = behind.last() else { return };
        let shift_mm = last.at_mm + last.vehicle.length_mm + COUPLING_MM;
        for placed in &mut self.vehicles {
            placed.at_mm += shift_mm;
        }
        let front = std::mem::replace(&mut self.vehicles, behind);
        self.vehicles.extend(front);
        self.tail_mm -= shift_mm;
        self.relength();
        self.lay_behind(way.0, way.1);
    }

    /// All of it stands on track.
    #[must_use]
    pub fn has_room(&self) -> bool {
        self.tail_mm >= 0.0
    }

    fn relength(&mut self) {
        let last = self.vehicles.last();
        self.length_mm = last.map_or(0.0, |placed| placed.at_mm + placed.vehicle.length_mm);
    }

    fn spot(&self, way_mm: f64) -> Option<(Piece, f64)> {
        let mut start_mm = 0.0;
        let last = self.way.len().checked_sub(1)?;
        for (index, &(step, mm)) in self.way.iter().enumerate() {
            if way_mm < start_mm + mm || index == last {
                let along = (way_mm - start_mm).clamp(0.0, mm);
                return Some((step.piece, if step.up { along } else { mm - along }));
            }
            start_mm += mm;
        }
        None
    }

    /// Lays track before the head until it has room; what is missing where the track ends, mm.
    fn lay_ahead(&mut self, track: &Track, lie: &Lie) -> f64 {
        let mut whole_mm: f64 = self.way.iter().map(|(_, mm)| mm).sum();
        let head_mm = self.tail_mm + self.length_mm;
        while whole_mm < head_mm && self.way.len() < WAY_MAX {
            let Some(&(last, _)) = self.way.back() else {
                break;
            };
            let Next::On(step) = track.next(last, lie) else {
                break;
            };
            let mm = track.length_mm(step.piece);
            self.way.push_back((step, mm));
            whole_mm += mm;
        }
        (head_mm - whole_mm).max(0.0)
    }

    /// Lays track behind the tail until it has room, as far as there is any.
    fn lay_behind(&mut self, track: &Track, lie: &Lie) {
        while self.tail_mm < 0.0 && self.way.len() < WAY_MAX {
            let Some(&(first, _)) = self.way.front() else {
                break;
            };
            let Next::On(step) = track.next(first.back(), lie) else {
                break;
            };
            let mm = track.length_mm(step.piece);
            self.way.push_front((step.back(), mm));
            self.tail_mm += mm;
        }
    }

    /// Forgets track that nothing of the train stands on.
    fn trim(&mut self) {
        while self.way.len() > 1 && self.way.front().is_some_and(|(_, mm)| *mm <= self.tail_mm) {
            if let Some((_, mm)) = self.way.pop_front() {
                self.tail_mm -= mm;
            }
        }
        let mut whole_mm: f64 = self.way.iter().map(|(_, mm)| mm).sum();
        let head_mm = self.tail_mm + self.length_mm;
        while self.way.len() > 1 {
            match self.way.back() {
                Some(&(_, mm)) if whole_mm - mm >= head_mm => {
                    whole_mm -= mm;
                    self.way.pop_back();
                }
                _ => break,
            }
        }
    }
}
