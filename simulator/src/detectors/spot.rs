//! Where a detector looks: the geometry of its subject.
//!
//! Input: the plan's subject. Outputs: the zone of a current sensor; whether a body covers the
//! spot of an optical sensor or a contact. It does not know levels.

use taillamp::engine::ids::{BlockId, CrossingId, TurnoutId};
use taillamp::engine::input::Position;
use taillamp::engine::layout::{Layout, Leg, Side, Subject};

use crate::world::track::{Lie, Piece, Track, Zone};
use crate::world::train::Stretch;

/// How far from its block's end a spot near that end is, mm.
const NEAR_END_MM: f64 = 40.0;
/// Half the width of a beam, mm.
const HALF_BEAM_MM: f64 = 2.0;

/// Where a detector looks.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Spot {
    /// At a block's middle, or near one of its ends.
    Block(BlockId, Option<Side>),
    /// Over all of a turnout.
    Turnout(TurnoutId),
    /// Across a leg at its clearance point, or across the toe.
    Leg(TurnoutId, Leg),
    /// Over both edges of a bridge.
    Edges(BlockId),
    /// Over a crossing.
    Crossing(CrossingId),
    /// At the blades: closed in this position.
    Blades(TurnoutId, Leg),
}

impl Spot {
    /// Where a detector with this subject looks.
    #[must_use]
    pub fn of(subject: Subject, layout: &Layout) -> Self {
        match subject {
            Subject::Block(block, side) => Self::Block(block, side),
            Subject::Section(turnout) => Self::Turnout(turnout),
            Subject::Beam(turnout, leg) => Self::Leg(turnout, leg),
            Subject::Edge(table) => Self::Edges(layout.tables[table.index()].bridge),
            Subject::Crossing(crossing) => Self::Crossing(crossing),
            Subject::Points(turnout, leg) => Self::Blades(turnout, leg),
        }
    }

    /// The zone that a current sensor with this subject is wired into.
    #[must_use]
    pub fn zone(self, track: &Track) -> Zone {
        match self {
            Self::Block(block, _) | Self::Edges(block) => Zone::Block(block),
            Self::Turnout(turnout) => Zone::Section(turnout),
            Self::Leg(turnout, _) | Self::Blades(turnout, _) => track.turnout_zone(turnout),
            Self::Crossing(crossing) => Zone::Crossing(crossing),
        }
    }

    /// Whether a body is over the spot; for blades, whether they lie so.
    #[must_use]
    pub fn is_covered(self, bodies: &[Stretch], track: &Track, lie: &Lie) -> bool {
        let over = |body: &Stretch, at_mm: f64| {
            body.from_mm <= at_mm + HALF_BEAM_MM && body.to_mm >= at_mm - HALF_BEAM_MM
        };
        let any = |test: &dyn Fn(&Stretch) -> bool| bodies.iter().any(test);
        match self {
            Self::Block(block, side) => {
                let piece = Piece::Block(block);
                let length_mm = track.length_mm(piece);
                let at_mm = match side {
                    Some(Side::A) => NEAR_END_MM.min(length_mm / 2.0),
                    Some(Side::B) => (length_mm - NEAR_END_MM).max(length_mm / 2.0),
                    None => length_mm / 2.0,
                };
                any(&|body| body.piece == piece && over(body, at_mm))
            }
            Self::Edges(block) => {
                let piece = Piece::Block(block);
                let length_mm = track.length_mm(piece);
                any(&|body| body.piece == piece && (over(body, 0.0) || over(body, length_mm)))
            }
            Self::Turnout(turnout) => {
                any(&|body| matches!(body.piece, Piece::Turnout(id, _) if id == turnout))
            }
            Self::Leg(turnout, Leg::Toe) => any(&|body| {
                matches!(body.piece, Piece::Turnout(id, _) if id == turnout) && over(body, 0.0)
            }),
            Self::Leg(turnout, leg) => {
                let piece = Piece::Turnout(turnout, leg);
                let length_mm = track.length_mm(piece);
                any(&|body| body.piece == piece && over(body, length_mm))
            }
            Self::Crossing(crossing) => {
                any(&|body| matches!(body.piece, Piece::Crossing(id, _) if id == crossing))
            }
            Self::Blades(turnout, leg) => match lie.points[turnout.index()] {
                Position::Normal => leg == Leg::Normal,
                Position::Reverse => leg == Leg::Reverse,
                Position::Moving | Position::Unknown => false,
            },
        }
    }
}
