//! Three small invented layouts, and the same as the world knows them.
//!
//! Every spot is a place of the engine with a current detector of its own that reports steadily.

use std::sync::Arc;

use taillamp_model::engine::ids::{BlockId, DetectorId, TurnoutId};
use taillamp_model::engine::input::Position;
use taillamp_model::engine::layout::Layout;
use taillamp_model::plan;

use crate::world::Act;

/// What a spot is to the engine.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    Block(BlockId),
    /// Of the points with this number.
    Points(TurnoutId),
}

/// Wherever a vehicle can be.
#[derive(Clone, Debug)]
pub struct Spot {
    pub id: String,
    pub kind: Kind,
    pub detector: DetectorId,
    /// The feed that supplies it.
    pub feed: Option<usize>,
    /// Its detector hangs on the one device.
    pub on_node: bool,
}

/// What must hold for a vehicle to go along a way.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Gate {
    Open,
    Points(usize, Position),
    /// Both points diverging.
    Both(usize, usize),
    /// The table at this stop.
    Stop(usize),
}

/// Two spots next to each other.
#[derive(Clone, Copy, Debug)]
pub struct Way {
    pub ends: [usize; 2],
    pub gate: Gate,
}

/// A layout with its world.
pub struct Site {
    pub name: &'static str,
    pub layout: Layout,
    pub spots: Vec<Spot>,
    pub ways: Vec<Way>,
    /// A feed that tells its voltage, not its switch.
    pub throttle: Option<usize>,
    /// The bridge of the table, if there is one, and how many stops it has.
    pub table: Option<(usize, usize)>,
    /// Where the trains stand at first.
    pub trains: Vec<usize>,
    /// Stories that the search begins after.
    pub prologues: Vec<Vec<Act>>,
    /// Which of the judge's sights a search here has to come across.
    pub sights: &'static [usize],
}

impl Site {
    /// The way between two spots.
    pub fn way(&self, one: usize, other: usize) -> Option<Way> {
        self.ways
            .iter()
            .copied()
            .find(|way| way.ends == [one, other] || way.ends == [other, one])
    }

    /// Spots next to this one, however points and tables lie.
    pub fn next_to(&self, spot: usize) -> impl Iterator<Item = usize> {
        self.ways.iter().filter_map(move |way| {
            let at = way.ends.iter().position(|end| *end == spot)?;
            Some(way.ends[1 - at])
        })
    }

    /// The spot of these points.
    pub fn points_spot(&self, points: usize) -> usize {
        let kind = Kind::Points(TurnoutId(points as u32));
        self.spots
            .iter()
            .position(|spot| spot.kind == kind)
            .expect("points have a section of their own")
    }
}

const HEAD: &str = "[layout]\nname = \"Larch Quay\"\nscale = \"HO\"\ntopic_prefix = \"quay\"\n\n\
     [defaults]\nboot_s = 1\nmax_silence_s = 4\n\n[[node]]\nid = \"n1\"\n\n";

fn detector(subject: &str, id: &str, on_node: bool) -> String {
    let node = if on_node { "node = \"n1\"\n" } else { "" };
    format!(
        "[[detector]]\nid = \"d-{id}\"\nkind = \"current\"\n{subject} = \"{id}\"\nunit = \"mA\"\n\
         on = 3.0\noff = 1.5\n{node}\n"
    )
}

fn block(id: &str, keys: &str, on_node: bool) -> String {
    format!("[[block]]\nid = \"{id}\"\n{keys}\n") + &detector("block", id, on_node)
}

fn load(text: &str) -> Layout {
    let (plan, findings) = plan::load(text, "model.toml");
    let plan = plan.unwrap_or_else(|| panic!("the model's plan: {findings:?}"));
    Arc::unwrap_or_clone(plan.layout)
}

/// The spots in the order of the list, tied to what the plan made of them.
fn spots(layout: &Layout, ids: &[&str]) -> Vec<Spot> {
    let spot = |id: &&str| {
        let detector = layout
            .detectors
            .iter()
            .position(|d| d.id == format!("d-{id}"));
        let detector = detector.expect("each spot has its detector");
        let block = layout.blocks.iter().position(|block| block.id == **id);
        let turnout = layout
            .turnouts
            .iter()
            .position(|turnout| turnout.id == **id);
        let kind = match (block, turnout) {
            (Some(block), _) => Kind::Block(BlockId(block as u32)),
            (None, Some(turnout)) => Kind::Points(TurnoutId(turnout as u32)),
            (None, None) => panic!("no place {id}"),
        };
        let feed = layout.feeds.iter().position(|feed| match kind {
            Kind::Block(block) => feed.blocks.contains(&block),
            Kind::Points(turnout) => feed.turnouts.contains(&turnout),
        });
        Spot {
            id: (*id).to_owned(),
            kind,
            detector: DetectorId(detector as u32),
            feed,
            on_node: layout.detectors[detector].node.is_some(),
        }
    };
    ids.iter().map(spot).collect()
}

/// `far - west - w1 - east`, and a siding with a switch of its own; main line and siding can trip.
pub fn siding() -> Site {
    let text = HEAD.to_owned()
        + &block("far", "", false)
        + &block("west", "", false)
        + &block("east", "", false)
        + &block("side", "use = \"siding\"", true)
        + "[[join]]\nends = [\"far.b\", \"west.a\"]\n\
           [[turnout]]\nid = \"w1\"\ntoe = \"west.b\"\nnormal = \"east.a\"\nreverse = \"side.a\"\n"
        + &detector("turnout", "w1", true)
        + "[[feed]]\nid = \"main\"\nblocks = [\"far\", \"west\", \"east\"]\nturnouts = [\"w1\"]\n\
           [[feed]]\nid = \"side-power\"\nblocks = [\"side\"]\n";
    let layout = load(&text);
    let spots = spots(&layout, &["far", "west", "w1", "east", "side"]);
    let (far, west, w1, east, side) = (0, 1, 2, 3, 4);
    let into_the_siding = vec![
        Act::Throw(0),
        Act::Reach(0, west),
        Act::Gather(0, west),
        Act::Reach(0, w1),
        Act::Gather(0, w1),
        Act::Reach(0, side),
        Act::Gather(0, side),
        Act::Wait(14),
    ];
    let astride = into_the_siding[..4].to_vec();
    let tail_on_the_points = into_the_siding[..6].to_vec();
    Site {
        name: "siding",
        layout,
        spots,
        ways: vec![
            Way {
                ends: [far, west],
                gate: Gate::Open,
            },
            Way {
                ends: [west, w1],
                gate: Gate::Open,
            },
            Way {
                ends: [w1, east],
                gate: Gate::Points(0, Position::Normal),
            },
            Way {
                ends: [w1, side],
                gate: Gate::Points(0, Position::Reverse),
            },
        ],
        throttle: None,
        table: None,
        trains: vec![far, east],
        prologues: vec![Vec::new(), astride, tail_on_the_points, into_the_siding],
        sights: &[0, 1, 2, 3, 4, 5],
    }
}

/// Two tracks and a crossover between them; the upper track has a throttle that tells its voltage.
pub fn crossover() -> Site {
    let text = HEAD.to_owned()
        + &block("up-2", "", true)
        + &block("up-3", "", false)
        + &block("dn-2", "", false)
        + &block("dn-3", "", true)
        + "[[turnout]]\nid = \"w3\"\ntoe = \"up-2.b\"\nnormal = \"up-3.a\"\n\
           [[turnout]]\nid = \"w4\"\ntoe = \"dn-3.a\"\nnormal = \"dn-2.b\"\n\
           [[crossover]]\nid = \"x1\"\nturnouts = [\"w3\", \"w4\"]\n"
        + &detector("turnout", "w3", false)
        + &detector("turnout", "w4", false)
        + "[[feed]]\nid = \"upper\"\nsupply = \"throttle\"\nblocks = [\"up-2\", \"up-3\"]\n\
           turnouts = [\"w3\"]\n\
           [[feed]]\nid = \"lower\"\nblocks = [\"dn-2\", \"dn-3\"]\nturnouts = [\"w4\"]\n";
    let layout = load(&text);
    let spots = spots(&layout, &["up-2", "w3", "up-3", "dn-2", "w4", "dn-3"]);
    let (up2, w3, up3, dn2, w4, dn3) = (0, 1, 2, 3, 4, 5);
    Site {
        name: "crossover",
        throttle: layout.feeds.iter().position(|feed| feed.id == "upper"),
        layout,
        spots,
        ways: vec![
            Way {
                ends: [up2, w3],
                gate: Gate::Open,
            },
            Way {
                ends: [w3, up3],
                gate: Gate::Points(0, Position::Normal),
            },
            Way {
                ends: [w3, w4],
                gate: Gate::Both(0, 1),
            },
            Way {
                ends: [w4, dn3],
                gate: Gate::Open,
            },
            Way {
                ends: [w4, dn2],
                gate: Gate::Points(1, Position::Normal),
            },
        ],
        table: None,
        trains: vec![up2, dn2],
        prologues: vec![
            Vec::new(),
            vec![
                Act::Throw(0),
                Act::Throw(1),
                Act::Reach(0, w3),
                Act::Gather(0, w3),
                Act::Reach(0, w4),
            ],
        ],
        sights: &[0, 1, 4, 5, 6],
    }
}

/// A lead, a table's bridge and two tracks; one of the tracks has a switch.
pub fn table() -> Site {
    let text = HEAD.to_owned()
        + &block("lead", "", false)
        + &block("bridge", "", false)
        + &block("s1", "use = \"stub\"", true)
        + &block("s2", "use = \"stub\"", true)
        + "[[table]]\nid = \"tt\"\nbridge = \"bridge\"\n\
           [[table.stop]]\nat = \"1\"\na = \"lead.b\"\nb = \"s1.a\"\n\
           [[table.stop]]\nat = \"2\"\nb = \"s2.a\"\n\
           [[feed]]\nid = \"deck\"\nblocks = [\"lead\", \"bridge\", \"s1\"]\n\
           [[feed]]\nid = \"s2-power\"\nblocks = [\"s2\"]\n";
    let layout = load(&text);
    let spots = spots(&layout, &["lead", "bridge", "s1", "s2"]);
    let (lead, bridge, s1, s2) = (0, 1, 2, 3);
    Site {
        name: "table",
        layout,
        spots,
        ways: vec![
            Way {
                ends: [lead, bridge],
                gate: Gate::Stop(0),
            },
            Way {
                ends: [bridge, s1],
                gate: Gate::Stop(0),
            },
            Way {
                ends: [bridge, s2],
                gate: Gate::Stop(1),
            },
        ],
        throttle: None,
        table: Some((bridge, 2)),
        trains: vec![lead, s2],
        prologues: vec![
            Vec::new(),
            vec![Act::Reach(0, bridge), Act::Gather(0, bridge), Act::Wait(4)],
            vec![
                Act::Reach(0, bridge),
                Act::Gather(0, bridge),
                Act::Reach(0, s1),
            ],
        ],
        sights: &[0, 1, 4, 5],
    }
}
