//! The track as a graph: pieces, what comes after each, and whose detector sees its rails.
//!
//! Inputs: the plan's layout, and how points and tables really lie. Outputs: the next piece of a
//! way, lengths, and the zone (a block, a turnout's own section, a crossing's) that a spot belongs
//! to electrically. It does not know trains, and it does not know what the messages say.

use std::collections::BTreeMap;

use taillamp::engine::ids::{BlockId, CrossingId, TableId, TurnoutId};
use taillamp::engine::input::{Position, TablePosition};
use taillamp::engine::layout::{CrossingTrack, DetectorKind, End, Layout, Leg, Side, Subject};

/// Length of a block whose plan gives none, mm.
const BLOCK_MM: f64 = 2000.0;
/// Length of a turnout whose plan gives none, from the toe to a clearance point, mm.
const TURNOUT_MM: f64 = 260.0;
/// Length of a crossing between its ends, mm.
const CROSSING_MM: f64 = 180.0;

/// One way through one item of track. It starts at end a, the toe, or a crossing's side a.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Piece {
    /// A block or a bridge.
    Block(BlockId),
    /// From a turnout's toe to this leg.
    Turnout(TurnoutId, Leg),
    /// One track of a crossing.
    Crossing(CrossingId, CrossingTrack),
}

/// A piece and the way it is run through: `up` is from its start to its finish.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Step {
    /// Which piece.
    pub piece: Piece,
    /// From its start to its finish.
    pub up: bool,
}

impl Step {
    /// The same piece, the other way.
    #[must_use]
    pub const fn back(self) -> Self {
        Self {
            piece: self.piece,
            up: !self.up,
        }
    }

    /// The end by which this way leaves the piece.
    #[must_use]
    pub const fn exit(self) -> End {
        match self.piece {
            Piece::Block(block) => End::Block(block, if self.up { Side::B } else { Side::A }),
            Piece::Turnout(turnout, leg) => {
                End::Turnout(turnout, if self.up { leg } else { Leg::Toe })
            }
            Piece::Crossing(crossing, track) => {
                End::Crossing(crossing, track, if self.up { Side::B } else { Side::A })
            }
        }
    }
}

/// What comes after a piece.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Next {
    /// More track.
    On(Step),
    /// A buffer, or nothing.
    EndOfTrack,
    /// Points that lie for another way, or are moving.
    Against(TurnoutId),
    /// A table or bridge that is not lined up.
    NoBridge(TableId),
}

/// One way on, and what it needs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Way {
    /// The next step.
    pub step: Step,
    /// Points that have to lie for this leg.
    pub points: Option<(TurnoutId, Leg)>,
    /// A table that has to be at this stop.
    pub table: Option<(TableId, usize)>,
}

/// How points and tables really lie.
#[derive(Clone, Debug, Default)]
pub struct Lie {
    /// By turnout.
    pub points: Vec<Position>,
    /// By table.
    pub tables: Vec<TablePosition>,
}

/// What a detector of current watches: a stretch of rail that is fed through it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Zone {
    /// A block, with the rails of turnouts that it covers.
    Block(BlockId),
    /// A turnout's own section.
    Section(TurnoutId),
    /// A crossing's own section.
    Crossing(CrossingId),
}

/// The graph.
#[derive(Clone, Debug)]
pub struct Track {
    joins: BTreeMap<End, End>,
    /// By end: the table and stop that joins it to which end of the bridge.
    stops: BTreeMap<End, Vec<(TableId, usize, Side)>>,
    tables: Vec<(BlockId, Vec<[Option<End>; 2]>)>,
    bridges: BTreeMap<BlockId, TableId>,
    block_mm: Vec<f64>,
    turnout_mm: Vec<f64>,
    turnout_zones: Vec<Zone>,
    /// By crossing and track: the zone of the half next to side a, and of the other.
    crossing_zones: BTreeMap<(CrossingId, CrossingTrack), [Zone; 2]>,
}

impl Track {
    /// The graph of a layout.
    #[must_use]
    pub fn new(layout: &Layout) -> Self {
        let joins = layout
            .joins
            .iter()
            .flat_map(|&(a, b)| [(a, b), (b, a)])
            .collect();
        let mut track = Self {
            joins,
            stops: BTreeMap::new(),
            tables: Vec::new(),
            bridges: BTreeMap::new(),
            block_mm: layout
                .blocks
                .iter()
                .map(|b| b.length_mm.unwrap_or(BLOCK_MM))
                .collect(),
            turnout_mm: layout
                .turnouts
                .iter()
                .map(|t| t.length_mm.unwrap_or(TURNOUT_MM))
                .collect(),
            turnout_zones: Vec::new(),
            crossing_zones: BTreeMap::new(),
        };
        track.add_tables(layout);
        track.add_turnout_zones(layout);
        track.add_crossing_zones(layout);
        track
    }

    /// Length of a piece, mm.
    #[must_use]
    pub fn length_mm(&self, piece: Piece) -> f64 {
        match piece {
            Piece::Block(block) => self.block_mm[block.index()],
            Piece::Turnout(turnout, _) => self.turnout_mm[turnout.index()],
            Piece::Crossing(..) => CROSSING_MM,
        }
    }

    /// What comes after a piece, as points and tables lie.
    #[must_use]
    pub fn next(&self, from: Step, lie: &Lie) -> Next {
        let exit = from.exit();
        if let Piece::Block(block) = from.piece
            && let Some(&table) = self.bridges.get(&block)
        {
            return self.off_the_bridge(table, from.up, lie);
        }
        if let Some(&end) = self.joins.get(&exit) {
            return enter(end, lie);
        }
        match self.stops.get(&exit) {
            Some(stops) => self.onto_a_bridge(stops, lie),
            None => Next::EndOfTrack,
        }
    }

    /// What may come after a piece, however points and tables are set: the step, and the points or
    /// the table's stop that it needs.
    #[must_use]
    pub fn ways(&self, from: Step) -> Vec<Way> {
        let exit = from.exit();
        if let Piece::Block(block) = from.piece
            && let Some(&table) = self.bridges.get(&block)
        {
            let stops = self.tables[table.index()].1.iter().enumerate();
            let ends = stops.filter_map(|(stop, ends)| Some((stop, ends[usize::from(from.up)]?)));
            return ends
                .flat_map(|(stop, end)| {
                    ways_into(end).into_iter().map(move |way| Way {
                        table: Some((table, stop)),
                        ..way
                    })
                })
                .collect();
        }
        if let Some(&end) = self.joins.get(&exit) {
            return ways_into(end);
        }
        let stops = self.stops.get(&exit).into_iter().flatten();
        stops
            .map(|&(table, stop, side)| Way {
                step: Step {
                    piece: Piece::Block(self.tables[table.index()].0),
                    up: side == Side::A,
                },
                points: None,
                table: Some((table, stop)),
            })
            .collect()
    }

    /// The zone that a spot of a piece belongs to, `at_mm` from the piece's start.
    #[must_use]
    pub fn zone(&self, piece: Piece, at_mm: f64) -> Zone {
        match piece {
            Piece::Block(block) => Zone::Block(block),
            Piece::Turnout(turnout, _) => self.turnout_zones[turnout.index()],
            Piece::Crossing(crossing, track) => {
                let halves = self.crossing_zones[&(crossing, track)];
                halves[usize::from(at_mm > CROSSING_MM / 2.0)]
            }
        }
    }

    /// The zone of a turnout's rails.
    #[must_use]
    pub fn turnout_zone(&self, turnout: TurnoutId) -> Zone {
        self.turnout_zones[turnout.index()]
    }

    /// The zone that a turnout's rails continue at its toe.
    #[must_use]
    pub fn beyond_toe(&self, turnout: TurnoutId) -> Zone {
        self.block_beyond(End::Turnout(turnout, Leg::Toe))
    }

    fn off_the_bridge(&self, table: TableId, up: bool, lie: &Lie) -> Next {
        let stop = match lie.tables[table.index()] {
            TablePosition::At(stop) => self.tables[table.index()].1.get(stop),
            TablePosition::Between | TablePosition::Unknown => return Next::NoBridge(table),
        };
        match stop.and_then(|ends| ends[usize::from(up)]) {
            Some(end) => enter(end, lie),
            None => Next::NoBridge(table),
        }
    }

    fn onto_a_bridge(&self, stops: &[(TableId, usize, Side)], lie: &Lie) -> Next {
        for &(table, stop, side) in stops {
            if lie.tables[table.index()] == TablePosition::At(stop) {
                let piece = Piece::Block(self.tables[table.index()].0);
                return Next::On(Step {
                    piece,
                    up: side == Side::A,
                });
            }
        }
        stops
            .first()
            .map_or(Next::EndOfTrack, |&(table, _, _)| Next::NoBridge(table))
    }

    fn add_tables(&mut self, layout: &Layout) {
        for (index, table) in layout.tables.iter().enumerate() {
            let id = TableId(index as u32);
            self.bridges.insert(table.bridge, id);
            for (number, stop) in table.stops.iter().enumerate() {
                for (end, side) in [(stop.a, Side::A), (stop.b, Side::B)] {
                    if let Some(end) = end {
                        self.stops.entry(end).or_default().push((id, number, side));
                    }
                }
            }
            let ends = table.stops.iter().map(|stop| [stop.a, stop.b]).collect();
            self.tables.push((table.bridge, ends));
        }
    }

    fn add_turnout_zones(&mut self, layout: &Layout) {
        for (index, turnout) in layout.turnouts.iter().enumerate() {
            let id = TurnoutId(index as u32);
            let own = layout.detectors.iter().any(|detector| {
                detector.subject == Subject::Section(id) && detector.kind == DetectorKind::Current
            });
            let zone = match turnout.covered_by {
                _ if own => Zone::Section(id),
                Some(block) => Zone::Block(block),
                // A turnout with beams alone: its rails are fed with the track that they continue.
                None => self.block_beyond(End::Turnout(id, Leg::Toe)),
            };
            self.turnout_zones.push(zone);
        }
    }

    fn add_crossing_zones(&mut self, layout: &Layout) {
        for index in 0..layout.crossings.len() {
            let id = CrossingId(index as u32);
            let own = layout.detectors.iter().any(|detector| {
                detector.subject == Subject::Crossing(id) && detector.kind == DetectorKind::Current
            });
            for track in [CrossingTrack::First, CrossingTrack::Second] {
                let zones = [Side::A, Side::B].map(|side| {
                    if own {
                        Zone::Crossing(id)
                    } else {
                        self.zone_beyond(id, track, side)
                    }
                });
                self.crossing_zones.insert((id, track), zones);
            }
        }
    }

    /// Without a section of its own, a crossing's half is fed with the track next to it.
    fn zone_beyond(&self, crossing: CrossingId, track: CrossingTrack, side: Side) -> Zone {
        match self.joins.get(&End::Crossing(crossing, track, side)) {
            Some(&End::Block(block, _)) => Zone::Block(block),
            Some(&End::Turnout(turnout, _)) => self.turnout_zones[turnout.index()],
            Some(&End::Crossing(..)) | None => Zone::Crossing(crossing),
        }
    }

    /// The block that an end is joined to, through turnouts along their toes and normal legs.
    fn block_beyond(&self, end: End) -> Zone {
        let mut end = end;
        for _ in 0..self.turnout_mm.len() + 1 {
            end = match self.joins.get(&end) {
                Some(&End::Block(block, _)) => return Zone::Block(block),
                Some(&End::Turnout(turnout, Leg::Toe)) => End::Turnout(turnout, Leg::Normal),
                Some(&End::Turnout(turnout, _)) => End::Turnout(turnout, Leg::Toe),
                Some(&End::Crossing(..)) | None => break,
            };
        }
        match end {
            End::Turnout(turnout, _) => Zone::Section(turnout),
            End::Block(block, _) => Zone::Block(block),
            End::Crossing(crossing, _, _) => Zone::Crossing(crossing),
        }
    }
}

/// Every way into the track beyond a join.
fn ways_into(end: End) -> Vec<Way> {
    let way = |piece, up, points| Way {
        step: Step { piece, up },
        points,
        table: None,
    };
    match end {
        End::Block(block, side) => vec![way(Piece::Block(block), side == Side::A, None)],
        End::Crossing(crossing, track, side) => {
            vec![way(Piece::Crossing(crossing, track), side == Side::A, None)]
        }
        End::Turnout(turnout, Leg::Toe) => [Leg::Normal, Leg::Reverse]
            .map(|leg| way(Piece::Turnout(turnout, leg), true, Some((turnout, leg))))
            .to_vec(),
        End::Turnout(turnout, leg) => {
            vec![way(
                Piece::Turnout(turnout, leg),
                false,
                Some((turnout, leg)),
            )]
        }
    }
}

/// The way into the track beyond a join.
fn enter(end: End, lie: &Lie) -> Next {
    let step = |piece, up| Next::On(Step { piece, up });
    match end {
        End::Block(block, side) => step(Piece::Block(block), side == Side::A),
        End::Crossing(crossing, track, side) => {
            step(Piece::Crossing(crossing, track), side == Side::A)
        }
        End::Turnout(turnout, leg) => {
            let lies_for = match lie.points[turnout.index()] {
                Position::Normal => Leg::Normal,
                Position::Reverse => Leg::Reverse,
                Position::Moving | Position::Unknown => return Next::Against(turnout),
            };
            if leg == Leg::Toe {
                step(Piece::Turnout(turnout, lies_for), true)
            } else if leg == lies_for {
                step(Piece::Turnout(turnout, leg), false)
            } else {
                Next::Against(turnout)
            }
        }
    }
}
