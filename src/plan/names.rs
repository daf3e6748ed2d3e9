//! Written ids to numbers, and 'did you mean'.
//!
//! Input: the items of a plan, those that double crossovers, slips and tables make included.
//! Output: one table of names, each kind sorted by written id. It knows nothing of what refers to
//! what.

use std::collections::BTreeMap;

use super::document::{PlanDoc, Section};
use super::report::Report;
use super::value::{ID_CHARS_MAX, Spanned};

/// What an id names.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Sort {
    /// A block or bridge.
    Block,
    /// A turnout.
    Turnout,
    /// A crossover.
    Crossover,
    /// A crossing.
    Crossing,
    /// A table.
    Table,
    /// A feed.
    Feed,
    /// A detector.
    Detector,
    /// A node.
    Node,
    /// A slip: only its turnouts can be referred to.
    Slip,
}

impl Sort {
    /// In messages.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Block => "block",
            Self::Turnout => "turnout",
            Self::Crossover => "crossover",
            Self::Crossing => "crossing",
            Self::Table => "table",
            Self::Feed => "feed",
            Self::Detector => "detector",
            Self::Node => "node",
            Self::Slip => "slip",
        }
    }
}

/// All ids of a plan.
#[derive(Clone, Debug, Default)]
pub struct Names {
    names: BTreeMap<String, (Sort, u32, usize)>,
    by_number: BTreeMap<Sort, Vec<String>>,
}

impl Names {
    /// Collects the ids; reports those that occur twice.
    #[must_use]
    pub fn collect(plan: &PlanDoc, report: &mut Report) -> Self {
        let mut names = Self::default();
        names.collect_track(plan, report);
        for doc in each(&plan.feed) {
            names.add(doc.id.as_ref(), "", Sort::Feed, report);
        }
        for doc in each(&plan.detector) {
            names.add(doc.id.as_ref(), "", Sort::Detector, report);
        }
        for doc in each(&plan.node) {
            names.add(doc.id.as_ref(), "", Sort::Node, report);
        }
        names.number();
        names
    }

    fn collect_track(&mut self, plan: &PlanDoc, report: &mut Report) {
        for doc in each(&plan.block) {
            self.add(doc.id.as_ref(), "", Sort::Block, report);
        }
        for doc in each(&plan.turnout) {
            self.add(doc.id.as_ref(), "", Sort::Turnout, report);
        }
        for doc in each(&plan.crossover) {
            self.add(doc.id.as_ref(), "", Sort::Crossover, report);
        }
        for doc in each(&plan.double_crossover) {
            if too_long(doc.id.as_ref(), "-a1", report) {
                continue;
            }
            self.add(doc.id.as_ref(), "", Sort::Crossing, report);
            for end in ["-a1", "-a2", "-b1", "-b2"] {
                self.add(doc.id.as_ref(), end, Sort::Turnout, report);
            }
            for end in ["-ab", "-ba"] {
                self.add(doc.id.as_ref(), end, Sort::Crossover, report);
            }
        }
        for doc in each(&plan.slip) {
            if too_long(doc.id.as_ref(), "-1", report) {
                continue;
            }
            self.add(doc.id.as_ref(), "", Sort::Slip, report);
            for end in ["-1", "-2"] {
                self.add(doc.id.as_ref(), end, Sort::Turnout, report);
            }
        }
        for doc in each(&plan.crossing) {
            self.add(doc.id.as_ref(), "", Sort::Crossing, report);
        }
        for doc in each(&plan.table) {
            self.add(doc.id.as_ref(), "", Sort::Table, report);
        }
        // A bridge may be given as a block, with a length and a line of its own, or left to us.
        for bridge in each(&plan.table).filter_map(|doc| doc.bridge.as_ref()) {
            if !self.names.contains_key(&bridge.value) {
                self.add(Some(bridge), "", Sort::Block, report);
            }
        }
    }

    fn add(&mut self, id: Option<&Spanned<String>>, end: &str, sort: Sort, report: &mut Report) {
        let Some(id) = id else { return };
        let name = format!("{}{end}", id.value);
        if let Some((first, _, _)) = self.names.get(&name) {
            let first = first.word();
            let message = format!("the id `{name}` is already that of a {first}");
            let cure = "give one of them another id: ids are unique over the whole file";
            report.error(id.at, "id-twice", message, cure);
            return;
        }
        self.names.insert(name, (sort, 0, id.at));
    }

    fn number(&mut self) {
        // The map is sorted by written id, and so is each kind in it.
        for (name, (sort, number, _)) in &mut self.names {
            let of_sort = self.by_number.entry(*sort).or_default();
            *number = u32::try_from(of_sort.len()).unwrap_or(u32::MAX);
            of_sort.push(name.clone());
        }
    }

    /// The written id of a number; empty where there is none.
    #[must_use]
    pub fn id(&self, sort: Sort, index: usize) -> &str {
        self.by_number
            .get(&sort)
            .and_then(|ids| ids.get(index))
            .map_or("", String::as_str)
    }

    /// The number of an id that must be of one kind; silent.
    #[must_use]
    pub fn get(&self, id: &str, sort: Sort) -> Option<u32> {
        self.names
            .get(id)
            .filter(|(of, _, _)| *of == sort)
            .map(|(_, number, _)| *number)
    }

    /// What an id names.
    #[must_use]
    pub fn sort(&self, id: &str) -> Option<Sort> {
        self.names.get(id).map(|(sort, _, _)| *sort)
    }

    /// Where an id is given.
    #[must_use]
    pub fn place(&self, id: &str) -> usize {
        self.names.get(id).map_or(0, |(_, _, at)| *at)
    }

    /// The number of an id that must be of one kind; reports what is wrong with it otherwise.
    pub fn find(&self, id: &str, at: usize, sort: Sort, report: &mut Report) -> Option<u32> {
        if let Some(number) = self.get(id, sort) {
            return Some(number);
        }
        let word = sort.word();
        let (message, otherwise) = match self.sort(id) {
            Some(found) => {
                let found = found.word();
                (
                    format!("`{id}` is a {found}, not a {word}"),
                    format!("name a {word} here"),
                )
            }
            None => (
                format!("there is no {word} `{id}`"),
                format!("add a [[{word}]] with this id"),
            ),
        };
        let known = self.of(sort);
        let cure =
            did_you_mean(id, known).map_or(otherwise, |meant| format!("did you mean `{meant}`?"));
        report.error(at, "unknown-id", message, cure);
        None
    }

    /// The ids of a kind, in order.
    pub fn of(&self, sort: Sort) -> impl Iterator<Item = &str> + Clone {
        self.by_number
            .get(&sort)
            .into_iter()
            .flatten()
            .map(String::as_str)
    }
}

/// Whether the ids that are made from this one would be too long; reported if so.
fn too_long(id: Option<&Spanned<String>>, end: &str, report: &mut Report) -> bool {
    let Some(id) = id else { return false };
    let long = id.value.len() + end.len() > ID_CHARS_MAX;
    if long {
        let message = format!(
            "`{}{end}`, which is made from it, is longer than an id may be",
            id.value
        );
        let most = ID_CHARS_MAX - end.len();
        report.error(
            id.at,
            "bad-id",
            message,
            format!("use at most {most} characters here"),
        );
    }
    long
}

/// The items of a kind that the plan has.
pub fn each<S: Section>(items: &Option<Spanned<Vec<S>>>) -> impl Iterator<Item = &S> {
    items.iter().flat_map(|items| items.value.iter())
}

/// The known word that was probably meant.
pub fn did_you_mean<'k>(
    written: &str,
    known: impl IntoIterator<Item = &'k str>,
) -> Option<&'k str> {
    // Two slips of the finger in a word of five letters and more, one in a shorter one.
    let limit = match written.chars().count() {
        0..=2 => 0,
        3..=4 => 1,
        _ => 2,
    };
    let near = |known: &'k str| {
        let same = known.eq_ignore_ascii_case(written);
        let slips = if same {
            0
        } else {
            strsim::osa_distance(written, known)
        };
        let like = strsim::jaro_winkler(written, known);
        let starts = written.len() > 2 && known.starts_with(written);
        (slips <= limit || like > 0.92 || starts).then_some((slips, known))
    };
    known
        .into_iter()
        .filter_map(near)
        .min()
        .map(|(_, known)| known)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn near_words_are_found_and_far_ones_are_not() {
        assert_eq!(
            did_you_mean("lenght_mm", ["length_mm", "line"]),
            Some("length_mm")
        );
        assert_eq!(
            did_you_mean("lop-east", ["loop-east", "loop-west"]),
            Some("loop-east")
        );
        assert_eq!(
            did_you_mean("Normal", ["normal", "reverse"]),
            Some("normal")
        );
        assert_eq!(did_you_mean("kind", ["end", "line"]), None);
        assert_eq!(did_you_mean("x", ["a", "b"]), None);
    }
}
