//! The road as JSON: the ways between two blocks (`GET /api/v1/road`, `taillamp road --json`).
//!
//! Inputs: the engine's ways, and the engine for names. Output: JSON text with keys in a fixed
//! order. Every way carries a sentence for people, so that whoever shows it need not know the
//! layout. Where nothing is live (a plan without a daemon), `ready` and `in_the_way` are null: not
//! known.

use serde::Serialize;

use super::words::Worded;
use crate::engine::Engine;
use crate::engine::ids::BlockId;
use crate::engine::ways::{Cut, Setting, Way, Ways};

/// The most ways that are listed.
pub const WAYS_MAX: usize = 8;

/// Whether the engine hears from a layout, or knows the plan alone.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Standing {
    /// It hears from the layout.
    Live,
    /// It knows the plan alone: everything is to be set, and nothing is known of what is in the
    /// way.
    PlanOnly,
}

/// Why a road cannot be asked for.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NoRoad {
    /// An end is not named.
    #[error("`{parameter}` is missing: name the block, as in `{parameter}=loop-east`")]
    Missing {
        /// `from` or `to`.
        parameter: &'static str,
    },
    /// There is no such block.
    #[error("the plan has no block `{id}`; {cure}")]
    Unknown {
        /// `from` or `to`.
        parameter: &'static str,
        /// What was written, cut short.
        id: String,
        /// What to do.
        cure: String,
    },
    /// From a block to itself.
    #[error("`from` and `to` are both `{id}`: name two blocks")]
    Same {
        /// The block.
        id: String,
    },
}

impl NoRoad {
    /// The parameter that is to be mended.
    #[must_use]
    pub const fn parameter(&self) -> &'static str {
        match self {
            Self::Missing { parameter } | Self::Unknown { parameter, .. } => parameter,
            Self::Same { .. } => "to",
        }
    }
}

#[derive(Serialize)]
struct RoadRecord<'a> {
    from: &'a str,
    to: &'a str,
    live: bool,
    /// `ways`: there are more; `steps`: not all of the layout was looked at; null: these are all.
    cut: Option<&'static str>,
    ways: Vec<WayRecord<'a>>,
}

#[derive(Serialize)]
struct WayRecord<'a> {
    text: String,
    places: Vec<&'a str>,
    leaving_by: String,
    entering_by: String,
    settings: Vec<SettingRecord<'a>>,
    length_mm: Option<f64>,
    in_the_way: Option<Vec<HindranceRecord<'a>>>,
    ready: Option<bool>,
    reverses: bool,
}

/// `position` of points and tables, `on` of feeds, as in the topics of the same names.
#[derive(Serialize)]
struct SettingRecord<'a> {
    kind: &'static str,
    id: &'a str,
    #[serde(skip_serializing_if = "Option::is_none")]
    position: Option<&'a str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    on: Option<bool>,
    text: String,
}

#[derive(Serialize)]
struct HindranceRecord<'a> {
    id: &'a str,
    text: &'a str,
}

/// The ways between two blocks, by their written ids.
///
/// # Errors
/// An end is missing or is no block, or both are the same.
pub fn road_json(
    engine: &Engine,
    from: Option<&str>,
    to: Option<&str>,
    standing: Standing,
) -> Result<String, NoRoad> {
    let (from, to) = (find(engine, "from", from)?, find(engine, "to", to)?);
    if from == to {
        let id = name(engine, from).to_owned();
        return Err(NoRoad::Same { id });
    }
    let Ways { ways, cut } = engine.ways(from, to, WAYS_MAX);
    let record = RoadRecord {
        from: name(engine, from),
        to: name(engine, to),
        live: standing == Standing::Live,
        cut: cut.map(|cut| match cut {
            Cut::Ways => "ways",
            Cut::Steps => "steps",
        }),
        ways: ways
            .iter()
            .map(|way| way_record(engine, way, standing))
            .collect(),
    };
    // Text, numbers and booleans always serialize.
    Ok(serde_json::to_string(&record).unwrap_or_else(|_| "{}".to_owned()))
}

fn name(engine: &Engine, block: BlockId) -> &str {
    &engine.layout().blocks[block.index()].id
}

fn find(
    engine: &Engine,
    parameter: &'static str,
    written: Option<&str>,
) -> Result<BlockId, NoRoad> {
    let written = written.ok_or(NoRoad::Missing { parameter })?;
    let blocks = &engine.layout().blocks;
    if let Ok(index) = blocks.binary_search_by(|block| block.id.as_str().cmp(written)) {
        let number = u32::try_from(index).unwrap_or(u32::MAX);
        return Ok(BlockId(number));
    }
    let id: String = written.chars().take(40).collect();
    let known = blocks.iter().map(|block| block.id.as_str());
    let cure = crate::plan::did_you_mean(&id, known).map_or_else(
        || "`taillamp check` and the page show the ids of its blocks".to_owned(),
        |meant| format!("did you mean `{meant}`?"),
    );
    Err(NoRoad::Unknown {
        parameter,
        id,
        cure,
    })
}

fn way_record<'a>(engine: &'a Engine, way: &'a Way, standing: Standing) -> WayRecord<'a> {
    let live = standing == Standing::Live;
    let settings = way.settings.iter();
    let in_the_way = way.in_the_way.iter().map(|hindrance| HindranceRecord {
        id: &hindrance.id,
        text: &hindrance.why,
    });
    WayRecord {
        text: engine.way_in_words(way),
        places: way
            .places
            .iter()
            .map(|place| engine.place_name(*place))
            .collect(),
        leaving_by: engine.end_name(way.leaving_by),
        entering_by: engine.end_name(way.entering_by),
        settings: settings
            .map(|setting| setting_record(engine, *setting))
            .collect(),
        length_mm: way.length_mm,
        in_the_way: live.then(|| in_the_way.collect()),
        ready: live.then_some(way.ready),
        reverses: way.reverses,
    }
}

fn setting_record(engine: &Engine, setting: Setting) -> SettingRecord<'_> {
    let layout = engine.layout();
    let (kind, id, position, on) = match setting {
        Setting::Turnout(id, position) => {
            let turnout = &layout.turnouts[id.index()];
            ("turnout", &turnout.id, Some(position.word()), None)
        }
        Setting::Table(id, stop) => {
            let table = &layout.tables[id.index()];
            let at = table.stops.get(stop).map(|stop| stop.at.as_str());
            ("table", &table.id, at, None)
        }
        Setting::Feed(id, on) => ("feed", &layout.feeds[id.index()].id, None, Some(on)),
    };
    SettingRecord {
        kind,
        id,
        position,
        on,
        text: engine.setting_in_words(setting),
    }
}
