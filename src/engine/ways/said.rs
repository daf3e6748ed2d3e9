//! A way in the words of people: 'Loop East, Points 7 set diverging, Goods 1'.
//!
//! Inputs: ways, and the layout for names. Outputs: sentences.

use alloc::format;
use alloc::string::String;
use alloc::vec::Vec;

use super::{Pass, Setting, Way};
use crate::Engine;
use crate::ids::{TableId, TurnoutId};
use crate::input::Position;
use crate::wording;

impl Engine {
    /// Everything that a way passes, and how it must lie.
    #[must_use]
    pub fn way_in_words(&self, way: &Way) -> String {
        let said: Vec<String> = way
            .passes
            .iter()
            .map(|pass| self.pass_in_words(*pass))
            .collect();
        said.join(", ")
    }

    fn pass_in_words(&self, pass: Pass) -> String {
        match pass {
            Pass::Block(id) => self.layout.blocks[id.index()].name.clone(),
            Pass::Turnout(id, position) => self.points_in_words(id, position),
            Pass::Crossing(id) => format!("over {}", self.layout.crossings[id.index()].name),
            Pass::Table(id, stop) => self.table_in_words(id, stop),
        }
    }

    /// One thing to set: 'Points 7 set diverging', 'Turntable at 3', 'Goods Power on'.
    #[must_use]
    pub fn setting_in_words(&self, setting: Setting) -> String {
        match setting {
            Setting::Turnout(id, position) => self.points_in_words(id, position),
            Setting::Table(id, stop) => self.table_in_words(id, stop),
            Setting::Feed(id, on) => {
                let how = if on { "on" } else { "off" };
                format!("{} {how}", self.layout.feeds[id.index()].name)
            }
        }
    }

    fn points_in_words(&self, id: TurnoutId, position: Position) -> String {
        let points = wording::points(&self.layout.turnouts[id.index()].name);
        match position {
            Position::Normal => format!("{points} set straight"),
            Position::Reverse => format!("{points} set diverging"),
            Position::Moving | Position::Unknown => points,
        }
    }

    fn table_in_words(&self, id: TableId, stop: usize) -> String {
        let table = &self.layout.tables[id.index()];
        let at = table.stops.get(stop).map_or("", |stop| stop.at.as_str());
        format!("{} at {at}", table.name)
    }
}
