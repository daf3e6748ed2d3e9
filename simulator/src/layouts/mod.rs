//! Layouts made by code: plans that no hand has tuned, for scoring the follower on many of them.
//!
//! Inputs: a kind and a few numbers. Outputs: the text of a plan, and what those who run trains on
//! it have to know: where to stop, where not to, which way a track is run. All names are invented.

mod draft;
mod kinds;

use taillamp::plan::Plan;

pub use draft::Draft;

/// What kind of layout.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// A ring with passing loops, a three-way point in tandem, a block without a detector.
    Ring,
    /// A ring and a ladder yard with switched tracks, one of them a fiddle track.
    Ladder,
    /// Two rings with crossovers, a slip between them and a crossing branch.
    Double,
    /// A single line between a reversing loop and a wye, with a passing place.
    Loops,
    /// A ring, a branch over a lift-out bridge, a turntable with three stubs, a throttle line.
    Branch,
}

impl Kind {
    /// All kinds.
    pub const ALL: [Self; 5] = [
        Self::Ring,
        Self::Ladder,
        Self::Double,
        Self::Loops,
        Self::Branch,
    ];

    /// Its word in tables.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Ring => "ring",
            Self::Ladder => "ladder",
            Self::Double => "double",
            Self::Loops => "loops",
            Self::Branch => "branch",
        }
    }
}

/// Where a train is put at the start, by the block's written id.
#[derive(Clone, Debug, PartialEq)]
pub struct Berth {
    /// The block.
    pub block: String,
    /// Its head looks to end b.
    pub up: bool,
    /// Vehicles at most, the engine counted.
    pub vehicles: usize,
}

/// What the plan does not say and those who run trains have to know.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Custom {
    /// Blocks in which no train ends its way.
    pub no_stop: Vec<String>,
    /// Blocks that are run from a to b only, or from b to a only.
    pub one_way: Vec<(String, bool)>,
    /// Blocks that trains leave by being pushed back.
    pub back_out: Vec<String>,
    /// Blocks into which trains may be pushed back against their way, to go on along it.
    pub back_onto: Vec<String>,
    /// Blocks that only an engine alone goes into.
    pub engine_only: Vec<String>,
    /// Blocks where trains wait for a while.
    pub stations: Vec<String>,
    /// Where trains stand at the start, in the order in which they are put.
    pub berths: Vec<Berth>,
    /// A line of its own, from end to end, on a throttle.
    pub shuttle: Option<[String; 3]>,
}

/// A layout made by code.
#[derive(Clone, Debug)]
pub struct Made {
    /// The plan as it would be written.
    pub text: String,
    /// The plan, read.
    pub plan: Plan,
    /// What else there is to know.
    pub custom: Custom,
}

/// Makes a layout. `equipped` is the plan's word for how many cars have resistor wheelsets.
///
/// # Errors
/// What is wrong with the plan that was made: a fault of this module.
pub fn make(kind: Kind, equipped: &str) -> Result<Made, String> {
    let (draft, custom) = match kind {
        Kind::Ring => kinds::ring(),
        Kind::Ladder => kinds::ladder(),
        Kind::Double => kinds::double(),
        Kind::Loops => kinds::loops(),
        Kind::Branch => kinds::branch(),
    };
    let text = draft.text(equipped);
    let (plan, findings) = taillamp::plan::load(&text, "made.toml");
    let told = || {
        let lines = findings
            .iter()
            .map(|finding| format!("{}: {}", finding.line, finding.message));
        lines.collect::<Vec<_>>().join("\n")
    };
    let plan = plan.ok_or_else(|| format!("{}\n{text}", told()))?;
    Ok(Made { text, plan, custom })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_kind_gives_a_plan_without_errors() {
        for kind in Kind::ALL {
            let made = make(kind, "all").unwrap_or_else(|why| panic!("{}: {why}", kind.word()));
            assert!(made.plan.layout.blocks.len() >= 8, "{}", kind.word());
            assert!(made.custom.berths.len() >= 2, "{}", kind.word());
        }
    }
}
