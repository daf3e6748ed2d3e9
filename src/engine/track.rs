//! The track as a graph: places, what joins them, and the roads that the points as set give.
//!
//! Knows positions only as an argument. Inputs: the resolved layout, where points and tables are.
//! Outputs: the next place along the track, and what lies between.

use alloc::collections::BTreeSet;
use alloc::string::String;
use alloc::vec::Vec;

use crate::ids::{BlockId, CrossingId, PlaceId, TableId, TurnoutId};
use crate::input::{Position, TablePosition};
use crate::layout::{CrossingTrack, End, Layout, Leg, Side, Subject};

/// What kind of place.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum PlaceKind {
    Block(BlockId),
    Turnout(TurnoutId),
    Crossing(CrossingId),
}

#[derive(Clone, Debug)]
pub(crate) struct Place {
    pub(crate) id: String,
    pub(crate) kind: PlaceKind,
}

/// Where points and tables are.
#[derive(Clone, Debug, Default)]
pub(crate) struct Points {
    pub(crate) turnouts: Vec<Position>,
    pub(crate) tables: Vec<TablePosition>,
}

/// What the track beyond an end is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Beyond {
    To(End),
    /// A table that is not lined up for this end.
    Table(TableId),
    Nothing,
}

/// A place found along the track.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Reached {
    pub(crate) place: PlaceId,
    /// The end of it that is met first.
    pub(crate) by: End,
    /// Points passed on the way, and by which end they were met.
    pub(crate) through: Vec<(TurnoutId, Leg)>,
}

/// How points are taken while exploring.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Taking {
    /// As set; unknown and moving count as joined both ways.
    AsSet,
    /// However they may lie: all the track that is physically there.
    Any,
}

/// Points and crossings between two places are few; a longer run is a plan made to hurt.
const STEPS_MAX: usize = 64;

#[derive(Clone, Debug, Default)]
pub(crate) struct Track {
    pub(crate) places: Vec<Place>,
    place_of_block: Vec<PlaceId>,
    place_of_turnout: Vec<Option<PlaceId>>,
    place_of_crossing: Vec<Option<PlaceId>>,
    blocks: Vec<[Option<End>; 2]>,
    turnouts: Vec<[Option<End>; 3]>,
    crossings: Vec<[[Option<End>; 2]; 2]>,
    /// Ends that a table can be lined up with: table, stop, the bridge's end.
    stops: Vec<(End, TableId, usize, Side)>,
    /// The ends of `stops`: most ends are none, and are not to be looked for among all.
    at_stops: BTreeSet<End>,
    bridge: Vec<BlockId>,
    bridge_of: Vec<Option<TableId>>,
    forbidden: Vec<[(TurnoutId, Leg); 2]>,
}

const fn side(side: Side) -> usize {
    match side {
        Side::A => 0,
        Side::B => 1,
    }
}

const fn leg(leg: Leg) -> usize {
    match leg {
        Leg::Toe => 0,
        Leg::Normal => 1,
        Leg::Reverse => 2,
    }
}

const fn rail(track: CrossingTrack) -> usize {
    match track {
        CrossingTrack::First => 0,
        CrossingTrack::Second => 1,
    }
}

/// The other end of a block.
pub(crate) const fn opposite(end: Side) -> Side {
    match end {
        Side::A => Side::B,
        Side::B => Side::A,
    }
}

impl Track {
    pub(crate) fn new(layout: &Layout) -> Self {
        let mut track = Self {
            blocks: alloc::vec![[None; 2]; layout.blocks.len()],
            turnouts: alloc::vec![[None; 3]; layout.turnouts.len()],
            crossings: alloc::vec![[[None; 2]; 2]; layout.crossings.len()],
            bridge: layout.tables.iter().map(|table| table.bridge).collect(),
            bridge_of: layout.blocks.iter().map(|block| block.bridge_of).collect(),
            forbidden: layout.forbidden.iter().map(|f| [f.from, f.to]).collect(),
            ..Self::default()
        };
        for (table, item) in layout.tables.iter().enumerate() {
            for (stop, joins) in item.stops.iter().enumerate() {
                for (end, at) in [(joins.a, Side::A), (joins.b, Side::B)] {
                    if let Some(end) = end {
                        track.stops.push((end, TableId(table as u32), stop, at));
                        track.at_stops.insert(end);
                    }
                }
            }
        }
        for (one, other) in &layout.joins {
            track.join(*one, *other);
            track.join(*other, *one);
        }
        track.find_places(layout);
        track
    }

    fn join(&mut self, from: End, to: End) {
        let slot = match from {
            End::Block(b, s) => self.blocks.get_mut(b.index()).map(|e| &mut e[side(s)]),
            End::Turnout(t, l) => self.turnouts.get_mut(t.index()).map(|e| &mut e[leg(l)]),
            End::Crossing(k, t, s) => self
                .crossings
                .get_mut(k.index())
                .map(|e| &mut e[rail(t)][side(s)]),
        };
        if let Some(slot) = slot {
            *slot = Some(to);
        }
    }

    fn find_places(&mut self, layout: &Layout) {
        let mut places: Vec<Place> = Vec::new();
        for (index, block) in layout.blocks.iter().enumerate() {
            places.push(Place {
                id: block.id.clone(),
                kind: PlaceKind::Block(BlockId(index as u32)),
            });
        }
        let is_place = turnouts_that_are_places(layout);
        for (index, turnout) in layout.turnouts.iter().enumerate() {
            let id = TurnoutId(index as u32);
            if is_place[index] {
                places.push(Place {
                    id: turnout.id.clone(),
                    kind: PlaceKind::Turnout(id),
                });
            }
        }
        let watched: BTreeSet<CrossingId> = layout
            .detectors
            .iter()
            .filter_map(|detector| match detector.subject {
                Subject::Crossing(k) => Some(k),
                _ => None,
            })
            .collect();
        for (index, crossing) in layout.crossings.iter().enumerate() {
            let id = CrossingId(index as u32);
            if watched.contains(&id) {
                places.push(Place {
                    id: crossing.id.clone(),
                    kind: PlaceKind::Crossing(id),
                });
            }
        }
        places.sort_by(|one, other| one.id.cmp(&other.id));
        self.place_of_block = alloc::vec![PlaceId(0); layout.blocks.len()];
        self.place_of_turnout = alloc::vec![None; layout.turnouts.len()];
        self.place_of_crossing = alloc::vec![None; layout.crossings.len()];
        for (index, place) in places.iter().enumerate() {
            let id = PlaceId(index as u32);
            match place.kind {
                PlaceKind::Block(b) => self.place_of_block[b.index()] = id,
                PlaceKind::Turnout(t) => self.place_of_turnout[t.index()] = Some(id),
                PlaceKind::Crossing(k) => self.place_of_crossing[k.index()] = Some(id),
            }
        }
        self.places = places;
    }

    pub(crate) fn block(&self, block: BlockId) -> PlaceId {
        self.place_of_block[block.index()]
    }

    pub(crate) fn turnout(&self, turnout: TurnoutId) -> Option<PlaceId> {
        self.place_of_turnout[turnout.index()]
    }

    pub(crate) fn crossing(&self, crossing: CrossingId) -> Option<PlaceId> {
        self.place_of_crossing[crossing.index()]
    }

    /// The place that a detector watches, if what it watches is one.
    pub(crate) fn watched_by(&self, subject: Subject) -> Option<PlaceId> {
        match subject {
            Subject::Block(b, _) => Some(self.block(b)),
            Subject::Section(t) | Subject::Beam(t, _) => self.turnout(t),
            Subject::Crossing(k) => self.crossing(k),
            Subject::Edge(_) | Subject::Points(..) => None,
        }
    }

    /// The block of a place that is one.
    pub(crate) fn block_of(&self, place: PlaceId) -> Option<BlockId> {
        match self.places[place.index()].kind {
            PlaceKind::Block(block) => Some(block),
            PlaceKind::Turnout(_) | PlaceKind::Crossing(_) => None,
        }
    }

    /// All ends of a place.
    pub(crate) fn ends(&self, place: PlaceId) -> Vec<End> {
        match self.places[place.index()].kind {
            PlaceKind::Block(b) => alloc::vec![End::Block(b, Side::A), End::Block(b, Side::B)],
            PlaceKind::Turnout(t) => [Leg::Toe, Leg::Normal, Leg::Reverse]
                .map(|l| End::Turnout(t, l))
                .to_vec(),
            PlaceKind::Crossing(k) => [
                (CrossingTrack::First, Side::A),
                (CrossingTrack::First, Side::B),
                (CrossingTrack::Second, Side::A),
                (CrossingTrack::Second, Side::B),
            ]
            .map(|(t, s)| End::Crossing(k, t, s))
            .to_vec(),
        }
    }

    /// The ends by which a vehicle that came in by `by` can go on.
    pub(crate) fn onward(&self, by: End) -> Vec<End> {
        match by {
            End::Block(b, s) => alloc::vec![End::Block(b, opposite(s))],
            End::Turnout(t, Leg::Toe) => [Leg::Normal, Leg::Reverse]
                .map(|l| End::Turnout(t, l))
                .to_vec(),
            End::Turnout(t, Leg::Normal | Leg::Reverse) => alloc::vec![End::Turnout(t, Leg::Toe)],
            End::Crossing(k, t, s) => alloc::vec![End::Crossing(k, t, opposite(s))],
        }
    }

    /// What lies beyond an end.
    pub(crate) fn beyond(&self, end: End, points: &Points) -> Beyond {
        let fixed = match end {
            End::Block(b, s) => {
                if let Some(table) = self.bridge_of[b.index()] {
                    return self.beyond_bridge(table, s, points);
                }
                self.blocks[b.index()][side(s)]
            }
            End::Turnout(t, l) => self.turnouts[t.index()][leg(l)],
            End::Crossing(k, t, s) => self.crossings[k.index()][rail(t)][side(s)],
        };
        if let Some(to) = fixed {
            return Beyond::To(to);
        }
        if !self.at_stops.contains(&end) {
            return Beyond::Nothing;
        }
        let mut table_here = None;
        for (stop_end, table, stop, bridge_side) in &self.stops {
            if *stop_end == end {
                if points.tables[table.index()] == TablePosition::At(*stop) {
                    return Beyond::To(End::Block(self.bridge[table.index()], *bridge_side));
                }
                table_here = Some(*table);
            }
        }
        table_here.map_or(Beyond::Nothing, Beyond::Table)
    }

    /// Whether a table decides what lies beyond an end.
    pub(crate) fn meets_a_table(&self, end: End) -> bool {
        let bridge = matches!(end, End::Block(b, _) if self.bridge_of[b.index()].is_some());
        bridge || self.at_stops.contains(&end)
    }

    fn beyond_bridge(&self, table: TableId, at: Side, points: &Points) -> Beyond {
        let here = points.tables[table.index()];
        for (end, of, stop, bridge_side) in &self.stops {
            if *of == table && *bridge_side == at && here == TablePosition::At(*stop) {
                return Beyond::To(*end);
            }
        }
        match here {
            TablePosition::At(_) => Beyond::Nothing,
            TablePosition::Between | TablePosition::Unknown => Beyond::Table(table),
        }
    }

    /// The place of an end, if the item that it belongs to is one.
    pub(crate) fn place_of(&self, end: End) -> Option<PlaceId> {
        match end {
            End::Block(b, _) => Some(self.block(b)),
            End::Turnout(t, _) => self.turnout(t),
            End::Crossing(k, _, _) => self.crossing(k),
        }
    }

    /// Whether a single slip lacks the road between two legs.
    pub(crate) fn is_forbidden(&self, from: (TurnoutId, Leg), to: (TurnoutId, Leg)) -> bool {
        self.forbidden
            .iter()
            .any(|road| *road == [from, to] || *road == [to, from])
    }

    /// Every place that is next beyond `end`, in a fixed order.
    pub(crate) fn reach(&self, end: End, points: &Points, taking: Taking) -> Vec<Reached> {
        let mut found = Vec::new();
        let mut open: Vec<(End, Vec<(TurnoutId, Leg)>)> = alloc::vec![(end, Vec::new())];
        let mut steps = 0;
        while let Some((from, through)) = open.pop() {
            steps += 1;
            if steps > STEPS_MAX {
                break;
            }
            let to = match self.beyond(from, points) {
                Beyond::To(to) => to,
                Beyond::Table(_) | Beyond::Nothing => continue,
            };
            if let Some(place) = self.place_of(to) {
                if !found.iter().any(|reached: &Reached| reached.by == to) {
                    found.push(Reached {
                        place,
                        by: to,
                        through,
                    });
                }
                continue;
            }
            for onward in self.through(to, &through, points, taking) {
                let mut passed = through.clone();
                if let End::Turnout(t, l) = to {
                    passed.push((t, l));
                }
                open.push((onward, passed));
            }
        }
        found
    }

    /// Where an item that is no place leads, entered by `by`.
    fn through(
        &self,
        by: End,
        passed: &[(TurnoutId, Leg)],
        points: &Points,
        taking: Taking,
    ) -> Vec<End> {
        match by {
            End::Turnout(t, met) => {
                let set = match taking {
                    Taking::AsSet => points.turnouts[t.index()],
                    Taking::Any => Position::Unknown,
                };
                let ways: &[Leg] = match (met, set) {
                    (Leg::Toe, Position::Normal) => &[Leg::Normal],
                    (Leg::Toe, Position::Reverse) => &[Leg::Reverse],
                    (Leg::Toe, Position::Moving | Position::Unknown) => {
                        &[Leg::Normal, Leg::Reverse]
                    }
                    (Leg::Normal, Position::Reverse) | (Leg::Reverse, Position::Normal) => &[],
                    (Leg::Normal | Leg::Reverse, _) => &[Leg::Toe],
                };
                ways.iter()
                    .filter(|way| {
                        // A single slip: from the leg met at the first turnout to the leg taken
                        // here.
                        met != Leg::Toe
                            || passed
                                .last()
                                .is_none_or(|last| !self.is_forbidden(*last, (t, **way)))
                    })
                    .map(|way| End::Turnout(t, *way))
                    .collect()
            }
            End::Crossing(..) | End::Block(..) => self.onward(by),
        }
    }
}

/// For each turnout whether it is a place: with a section of its own, or beams on all its legs.
fn turnouts_that_are_places(layout: &Layout) -> Vec<bool> {
    let mut section = alloc::vec![false; layout.turnouts.len()];
    let mut beams = alloc::vec![[false; 3]; layout.turnouts.len()];
    for detector in &layout.detectors {
        match detector.subject {
            Subject::Section(t) => section[t.index()] = true,
            Subject::Beam(t, l) => beams[t.index()][leg(l)] = true,
            Subject::Block(..) | Subject::Edge(_) | Subject::Crossing(_) | Subject::Points(..) => {}
        }
    }
    section
        .iter()
        .zip(&beams)
        .map(|(section, beams)| *section || beams.iter().all(|beam| *beam))
        .collect()
}
