//! A plan while it is being written: blocks, joins, turnouts, detectors as TOML.
//!
//! It writes what the plan's reader reads and checks nothing itself.

use std::collections::BTreeSet;
use std::fmt::Write as _;

/// A plan while it is being written.
#[derive(Clone, Debug, Default)]
pub struct Draft {
    name: &'static str,
    items: String,
    detectors: String,
    feeds: String,
    nodes: BTreeSet<String>,
}

impl Draft {
    /// An empty one.
    #[must_use]
    pub fn new(name: &'static str) -> Self {
        Self {
            name,
            ..Self::default()
        }
    }

    /// A block with a detector of current on this node.
    pub fn block(&mut self, id: &str, mm: u32, usage: &str, node: &str) {
        self.bare_block(id, mm, usage);
        self.current("block", id, node, "");
    }

    /// A block that nothing watches.
    pub fn bare_block(&mut self, id: &str, mm: u32, usage: &str) {
        let _ = write!(
            self.items,
            "[[block]]\nid = \"{id}\"\nlength_mm = {mm}\n{usage}\n"
        );
    }

    /// Two ends that meet.
    pub fn join(&mut self, one: &str, other: &str) {
        let _ = write!(self.items, "[[join]]\nends = [\"{one}\", \"{other}\"]\n");
    }

    /// A chain of blocks, end b of each to end a of the next.
    pub fn chain(&mut self, blocks: &[&str]) {
        for pair in blocks.windows(2) {
            self.join(&format!("{}.b", pair[0]), &format!("{}.a", pair[1]));
        }
    }

    /// A turnout. `ends`: toe, normal, reverse; an empty word where another turnout names it.
    pub fn turnout(&mut self, id: &str, ends: [&str; 3], node: &str, more: &str) {
        self.nodes.insert(node.to_owned());
        let _ = write!(
            self.items,
            "[[turnout]]\nid = \"{id}\"\nlength_mm = 240\nnode = \"{node}\"\n"
        );
        for (key, end) in ["toe", "normal", "reverse"].into_iter().zip(ends) {
            if !end.is_empty() {
                let _ = writeln!(self.items, "{key} = \"{end}\"");
            }
        }
        let _ = writeln!(self.items, "{more}");
    }

    /// A turnout with a section of its own.
    pub fn section(&mut self, id: &str, ends: [&str; 3], node: &str, more: &str) {
        self.turnout(id, ends, node, more);
        self.current("turnout", id, node, "");
    }

    /// A turnout with beams on its three legs.
    pub fn beams(&mut self, id: &str, ends: [&str; 3], node: &str, more: &str) {
        self.turnout(id, ends, node, more);
        for leg in ["toe", "normal", "reverse"] {
            let _ = write!(
                self.detectors,
                "[[detector]]\nid = \"beam-{id}-{leg}\"\nkind = \"optical\"\nturnout = \"{id}\"\n\
                 leg = \"{leg}\"\nunit = \"/\"\non = 0.3\noff = 0.6\nnode = \"{node}\"\n"
            );
        }
    }

    /// A detector of current.
    pub fn current(&mut self, what: &str, id: &str, node: &str, more: &str) {
        self.nodes.insert(node.to_owned());
        let _ = write!(
            self.detectors,
            "[[detector]]\nid = \"d-{id}\"\nkind = \"current\"\n{what} = \"{id}\"\nunit = \"mA\"\n\
             on = 2.6\noff = 1.8\nconfirm_ms = 250\nnode = \"{node}\"\n{more}\n"
        );
    }

    /// A power supply of these blocks.
    pub fn feed(&mut self, id: &str, blocks: &[&str], node: &str, more: &str) {
        self.nodes.insert(node.to_owned());
        let blocks = blocks.iter().map(|block| format!("\"{block}\""));
        let blocks = blocks.collect::<Vec<_>>().join(", ");
        let _ = write!(
            self.feeds,
            "[[feed]]\nid = \"{id}\"\nblocks = [{blocks}]\nnode = \"{node}\"\n{more}\n"
        );
    }

    /// Anything else, as it is to be written.
    pub fn raw(&mut self, text: &str) {
        let _ = writeln!(self.items, "{text}");
    }

    /// The plan.
    #[must_use]
    pub fn text(&self, equipped: &str) -> String {
        let mut text = format!(
            "[layout]\nname = \"{}\"\nscale = \"HO\"\ntopic_prefix = \"made\"\n\n[trains]\n\
             equipped = \"{equipped}\"\n\n{}{}{}",
            self.name, self.items, self.feeds, self.detectors
        );
        for node in &self.nodes {
            let _ = write!(text, "[[node]]\nid = \"{node}\"\n");
        }
        text
    }
}
