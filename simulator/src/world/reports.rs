//! What the world's devices say: topics and payloads of the contract, section 4.
//!
//! Inputs: what moved, what was read. Output: messages on the network. A device that is down says
//! nothing; when it comes back it says everything it knows again.

use taillamp::engine::ids::{FeedId, NodeId, TableId, TurnoutId};
use taillamp::engine::input::{Position, TablePosition};
use taillamp::engine::layout::{PositionSource, Supply as Kind};
use taillamp::engine::time::Span;

use super::World;
use super::motors::Moved;
use super::node::Said;
use crate::detectors::{Shown, payload};
use crate::network::Message;

/// A voltage is told when it moved by so much, V.
const VOLTS_STEP: f64 = 0.5;
/// And at least this often.
const VOLTS_EVERY: Span = Span::from_millis(2_000);

impl World {
    /// Everything that the devices know at the start.
    pub(super) fn report_everything(&mut self) {
        for index in 0..self.nodes.len() {
            self.say_node(NodeId(index as u32), "online");
        }
        self.report_states(|_| true);
    }

    pub(super) fn report_moved(&mut self, moved: Moved) {
        match moved {
            Moved::Points(turnout) => self.report_points(turnout),
            Moved::Table(table) => self.report_table(table),
        }
    }

    pub(super) fn report_points(&mut self, turnout: TurnoutId) {
        let item = &self.layout.turnouts[turnout.index()];
        if item.position != PositionSource::Detected {
            return;
        }
        let word = match self.lie().points[turnout.index()] {
            Position::Normal => "normal",
            Position::Reverse => "reverse",
            Position::Moving | Position::Unknown => "moving",
        };
        let (node, id) = (item.node, item.id.clone());
        self.say(
            node,
            &format!("position/{id}"),
            payload::position(word),
            true,
        );
    }

    pub(super) fn report_asked_points(&mut self, turnout: TurnoutId, word: &str) {
        let item = &self.layout.turnouts[turnout.index()];
        let (node, id) = (item.node, item.id.clone());
        self.say(node, &format!("asked/{id}"), payload::position(word), true);
    }

    pub(super) fn report_table(&mut self, table: TableId) {
        let word = self.stop_name(table, self.lie().tables[table.index()]);
        let item = &self.layout.tables[table.index()];
        let (node, id) = (item.node, item.id.clone());
        self.say(
            node,
            &format!("position/{id}"),
            payload::position(&word),
            true,
        );
    }

    pub(super) fn report_asked_table(&mut self, table: TableId, target: TablePosition) {
        let word = self.stop_name(table, target);
        let item = &self.layout.tables[table.index()];
        let (node, id) = (item.node, item.id.clone());
        self.say(node, &format!("asked/{id}"), payload::position(&word), true);
    }

    pub(super) fn report_switch(&mut self, feed: FeedId) {
        let item = &self.layout.feeds[feed.index()];
        if item.via.is_some() {
            return;
        }
        let (node, id) = (item.node, item.id.clone());
        let on = self.supply().is_switched_on(feed);
        self.say(node, &format!("feed/{id}"), payload::switch(on), true);
    }

    /// Throttle lines report their voltage, by steps and steadily.
    pub(super) fn report_voltages(&mut self) {
        for index in 0..self.layout.feeds.len() {
            let item = &self.layout.feeds[index];
            if item.supply != Kind::Throttle {
                continue;
            }
            let volts = self.supply().volts(FeedId(index as u32), self.lie());
            let due = self.volts_sent[index].is_none_or(|(last, at)| {
                (volts - last).abs() >= VOLTS_STEP || self.now().since(at) >= VOLTS_EVERY
            });
            if due {
                self.volts_sent[index] = Some((volts, self.now()));
                let (node, id) = (item.node, item.id.clone());
                self.say(node, &format!("feed/{id}"), payload::voltage(volts), false);
            }
        }
    }

    pub(super) fn report_reading(&mut self, sensor: usize, shown: Shown) {
        let detector = self.sensors[sensor].detector();
        let text = payload::reading(shown, detector.unit);
        let (node, topic) = (detector.node, format!("detector/{}", detector.id));
        // Only a detector that reports nothing but changes is worth keeping by the broker.
        let retain = detector.max_silence.is_none();
        self.say(node, &topic, text, retain);
    }

    pub(super) fn step_nodes(&mut self) {
        for index in 0..self.nodes.len() {
            let node = NodeId(index as u32);
            match self.nodes[index].step(self.now) {
                None => {}
                Some(Said::Offline) => self.say_node(node, "offline"),
                Some(Said::Online) => {
                    self.say_node(node, "online");
                    self.tell_again(node);
                }
                Some(Said::Awake) => self.tell_again(node),
            }
        }
    }

    fn tell_again(&mut self, node: NodeId) {
        for sensor in &mut self.sensors {
            if sensor.detector().node == Some(node) {
                sensor.forget();
            }
        }
        self.report_states(|of| of == Some(node));
    }

    fn report_states(&mut self, of: impl Fn(Option<NodeId>) -> bool) {
        for index in 0..self.layout.turnouts.len() {
            let turnout = TurnoutId(index as u32);
            let item = &self.layout.turnouts[index];
            if !of(item.node) {
                continue;
            }
            if item.position == PositionSource::Told {
                let reverse = self.lie().points[index] == Position::Reverse;
                self.report_asked_points(turnout, if reverse { "reverse" } else { "normal" });
            } else {
                self.report_points(turnout);
            }
        }
        for index in 0..self.layout.tables.len() {
            if of(self.layout.tables[index].node) {
                self.report_table(TableId(index as u32));
            }
        }
        for index in 0..self.layout.feeds.len() {
            if of(self.layout.feeds[index].node) {
                self.report_switch(FeedId(index as u32));
            }
        }
    }

    fn stop_name(&self, table: TableId, position: TablePosition) -> String {
        match position {
            TablePosition::At(stop) => {
                let stop = self.layout.tables[table.index()].stops.get(stop);
                stop.map_or_else(|| "between".to_owned(), |stop| stop.at.clone())
            }
            TablePosition::Between | TablePosition::Unknown => "between".to_owned(),
        }
    }

    /// The broker or the device itself tells of its coming and going.
    fn say_node(&mut self, node: NodeId, word: &str) {
        let id = &self.layout.nodes[node.index()].id;
        let topic = format!("{}/node/{id}", self.prefix);
        let message = Message {
            at: self.now,
            topic,
            payload: word.to_owned(),
            retain: true,
        };
        self.network.send(Some(node), message);
    }

    fn say(&mut self, node: Option<NodeId>, topic: &str, text: String, retain: bool) {
        if !self.node_speaks(node) {
            return;
        }
        let topic = format!("{}/{topic}", self.prefix);
        self.network.send(
            node,
            Message {
                at: self.now,
                topic,
                payload: text,
                retain,
            },
        );
    }
}
