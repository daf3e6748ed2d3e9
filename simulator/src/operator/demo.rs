//! The demo layout by its ids, and the trains that stand on it at the start.
//!
//! Input: a layout. Output: its numbers, or the first id that it lacks. The operator knows this
//! one layout, as operators do; the world knows any.

use std::fmt;

use taillamp::engine::ids::{BlockId, FeedId, TableId, TurnoutId};
use taillamp::engine::layout::{Layout, Side};

use crate::world::World;
use crate::world::vehicle::Vehicle;

/// An id that the operator needs and the layout lacks.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Missing(pub String);

impl fmt::Display for Missing {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "this plan has no `{}`: the demo's operator works the demo's plan only",
            self.0
        )
    }
}

impl std::error::Error for Missing {}

/// The demo's trains, by their index in the world.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Trains {
    /// Goes up the branch first.
    pub goods: usize,
    /// Runs on the outer line.
    pub passenger: usize,
    /// Runs on the inner line.
    pub local: usize,
    /// Stands in the yard.
    pub empties: usize,
    /// An engine in the shed.
    pub light: usize,
    /// The tram.
    pub tram: usize,
}

/// The demo layout by its ids.
#[derive(Clone, Debug)]
pub struct Places {
    /// Up to the branch, down from it, to the yard, to the shed.
    pub w: [TurnoutId; 4],
    /// The yard's ladder.
    pub ladder: [TurnoutId; 3],
    /// From the outer to the inner line: toe on the outer, then trailing on the inner.
    pub to_inner: [TurnoutId; 2],
    /// From the inner to the outer line.
    pub to_outer: [TurnoutId; 2],
    /// The outer line.
    pub outer: [BlockId; 6],
    /// The inner line.
    pub inner: [BlockId; 6],
    /// Ramp, bridge, upper 1 to 3.
    pub branch: [BlockId; 5],
    /// The yard's lead.
    pub yard_lead: BlockId,
    /// The yard's tracks.
    pub yard: [BlockId; 4],
    /// Their switches.
    pub yard_power: [FeedId; 4],
    /// The turntable's bridge.
    pub bridge: BlockId,
    /// The tracks in the shed.
    pub stubs: [BlockId; 3],
    /// The turntable.
    pub turntable: TableId,
    /// Its stops: to the lead, to the stubs.
    pub stops: [usize; 4],
    /// The lift-out bridge.
    pub lift: TableId,
    /// The tram line.
    pub tram: [BlockId; 3],
}

impl Places {
    /// Finds everything.
    ///
    /// # Errors
    /// The first id that the layout lacks.
    pub fn of(layout: &Layout) -> Result<Self, Missing> {
        let missing = |id: &str| Missing(id.to_owned());
        let turnout = |id: &str| {
            let at = layout.turnouts.iter().position(|item| item.id == id);
            at.map(|at| TurnoutId(at as u32)).ok_or_else(|| missing(id))
        };
        let block = |id: &str| {
            let at = layout.blocks.iter().position(|item| item.id == id);
            at.map(|at| BlockId(at as u32)).ok_or_else(|| missing(id))
        };
        let feed = |id: &str| {
            let at = layout.feeds.iter().position(|item| item.id == id);
            at.map(|at| FeedId(at as u32)).ok_or_else(|| missing(id))
        };
        let table = |id: &str| {
            let at = layout.tables.iter().position(|item| item.id == id);
            at.map(|at| TableId(at as u32)).ok_or_else(|| missing(id))
        };
        let turntable = table("tt")?;
        let stop = |at: &str| {
            let stops = &layout.tables[turntable.index()].stops;
            stops
                .iter()
                .position(|stop| stop.at == at)
                .ok_or_else(|| missing(at))
        };
        let line = |name: &str| -> Result<[BlockId; 6], Missing> {
            let mut blocks = [BlockId(0); 6];
            for (number, slot) in blocks.iter_mut().enumerate() {
                *slot = block(&format!("{name}-{}", number + 1))?;
            }
            Ok(blocks)
        };
        Ok(Self {
            w: [
                turnout("w1")?,
                turnout("w2")?,
                turnout("w3")?,
                turnout("w4")?,
            ],
            ladder: [turnout("w5")?, turnout("w6")?, turnout("w7")?],
            to_inner: [turnout("dx-a1")?, turnout("dx-b2")?],
            to_outer: [turnout("dx-b1")?, turnout("dx-a2")?],
            outer: line("outer")?,
            inner: line("inner")?,
            branch: [
                block("ramp")?,
                block("lift-span")?,
                block("upper-1")?,
                block("upper-2")?,
                block("upper-3")?,
            ],
            yard_lead: block("yard-lead")?,
            yard: [
                block("yard-1")?,
                block("yard-2")?,
                block("yard-3")?,
                block("yard-4")?,
            ],
            yard_power: [
                feed("yard-1-power")?,
                feed("yard-2-power")?,
                feed("yard-3-power")?,
                feed("yard-4-power")?,
            ],
            bridge: block("tt-bridge")?,
            stubs: [block("stub-1")?, block("stub-2")?, block("stub-3")?],
            turntable,
            stops: [stop("lead")?, stop("s1")?, stop("s2")?, stop("s3")?],
            lift: table("lift")?,
            tram: [block("tram-1")?, block("tram-2")?, block("tram-3")?],
        })
    }
}

/// Length of the shed's engine, mm: it fits the turntable.
pub const LIGHT_ENGINE_MM: f64 = 190.0;

/// Resistor of a wheelset, ohms: 3 mA at 14 V, above a threshold of 2 mA with one axle alone.
const WHEELSET_OHMS: f64 = 4_700.0;

/// Puts the demo's trains on the track.
pub fn put_trains(world: &mut World, places: &Places) -> Trains {
    let wagon = || Vehicle::car(140.0, &[Some(WHEELSET_OHMS), Some(WHEELSET_OHMS)]);
    let coach = || Vehicle::lit_car(230.0, 20.0);
    let engine = || Vehicle::engine(210.0, 6, 90.0, 280.0);
    let goods = vec![wagon(), wagon(), wagon(), engine()];
    let passenger = vec![coach(), coach(), engine()];
    let local = vec![coach(), Vehicle::engine(180.0, 4, 70.0, 200.0)];
    let empties = vec![wagon(), wagon(), wagon(), wagon(), engine()];
    let light = vec![Vehicle::engine(LIGHT_ENGINE_MM, 4, 60.0, 180.0)];
    let tram = vec![Vehicle::engine(160.0, 4, 60.0, 150.0)];
    Trains {
        goods: world.put("goods", goods, (places.outer[1], Side::B), 320.0),
        passenger: world.put("passenger", passenger, (places.outer[4], Side::B), 900.0),
        local: world.put("local", local, (places.inner[2], Side::B), 700.0),
        empties: world.put("empties", empties, (places.yard[1], Side::B), 100.0),
        light: world.put("light engine", light, (places.stubs[1], Side::B), 80.0),
        tram: world.put("tram", tram, (places.tram[0], Side::B), 400.0),
    }
}
