//! CLEAR-MOT and IDF1 for trains on places.
//!
//! Sources: Bernardin and Stiefelhagen, 'Evaluating Multiple Object Tracking Performance: The CLEAR
//! MOT Metrics', EURASIP J. Image Video Proc. 2008 (MOTA, switches; a pair that was matched stays
//! matched while it can); Ristani et al., 'Performance Measures and a Data Set for Multi-Target,
//! Multi-Camera Tracking', 2016 (IDF1: one assignment of identities over the whole time).
//! Distance: one minus the Jaccard index of the two sets of places; more than a half is no match.

use std::collections::{BTreeMap, BTreeSet};

/// Places by number.
pub type Places = BTreeSet<u16>;

/// One moment: who is really where, and who is said to be where.
#[derive(Clone, Debug, Default)]
pub struct Frame {
    pub truth: Vec<(u32, Places)>,
    pub tracks: Vec<(u32, Places)>,
}

/// What is counted; sums of several evenings are sums of these.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Mot {
    pub objects: u64,
    pub predictions: u64,
    pub misses: u64,
    pub false_positives: u64,
    pub switches: u64,
    pub id_true_positives: u64,
}

impl Mot {
    pub fn add(&mut self, other: &Self) {
        self.objects += other.objects;
        self.predictions += other.predictions;
        self.misses += other.misses;
        self.false_positives += other.false_positives;
        self.switches += other.switches;
        self.id_true_positives += other.id_true_positives;
    }

    pub fn idf1(&self) -> f64 {
        2.0 * self.id_true_positives as f64 / (self.objects + self.predictions).max(1) as f64
    }

    pub fn mota(&self) -> f64 {
        let wrong = self.misses + self.false_positives + self.switches;
        1.0 - wrong as f64 / self.objects.max(1) as f64
    }
}

/// One minus the Jaccard index; none where that is more than a half.
pub fn distance(one: &Places, other: &Places) -> Option<f64> {
    let both = one.intersection(other).count() as f64;
    let all = one.union(other).count() as f64;
    let far = 1.0 - both / all.max(1.0);
    (far <= 0.5).then_some(far)
}

/// Scores frames in their order.
pub fn score(frames: &[Frame]) -> Mot {
    let mut mot = Mot::default();
    let mut last: BTreeMap<u32, u32> = BTreeMap::new();
    let mut together: BTreeMap<(u32, u32), u64> = BTreeMap::new();
    for frame in frames {
        mot.objects += frame.truth.len() as u64;
        mot.predictions += frame.tracks.len() as u64;
        let matched = match_frame(frame, &last);
        for (object, track) in &matched {
            if last
                .insert(*object, *track)
                .is_some_and(|was| was != *track)
            {
                mot.switches += 1;
            }
        }
        mot.misses += (frame.truth.len() - matched.len()) as u64;
        mot.false_positives += (frame.tracks.len() - matched.len()) as u64;
        for (object, places) in &frame.truth {
            for (track, said) in &frame.tracks {
                if distance(places, said).is_some() {
                    *together.entry((*object, *track)).or_default() += 1;
                }
            }
        }
    }
    mot.id_true_positives = best_identities(&together);
    mot
}

/// Who is matched with whom in one frame, given who was last.
pub fn match_frame(frame: &Frame, last: &BTreeMap<u32, u32>) -> Vec<(u32, u32)> {
    let mut matched = Vec::new();
    let mut open_objects: Vec<&(u32, Places)> = Vec::new();
    let mut used = BTreeSet::new();
    for object in &frame.truth {
        let kept = last.get(&object.0).and_then(|track| {
            let said = frame.tracks.iter().find(|(id, _)| id == track)?;
            distance(&object.1, &said.1).filter(|_| !used.contains(track))?;
            Some(*track)
        });
        match kept {
            Some(track) => {
                used.insert(track);
                matched.push((object.0, track));
            }
            None => open_objects.push(object),
        }
    }
    let open_tracks: Vec<&(u32, Places)> = frame
        .tracks
        .iter()
        .filter(|(id, _)| !used.contains(id))
        .collect();
    // As many matches as can be, then the nearest: a pair that is none costs more than all others.
    let none = 1_000.0;
    let cost: Vec<Vec<f64>> = open_objects
        .iter()
        .map(|object| {
            let row = open_tracks.iter();
            row.map(|track| distance(&object.1, &track.1).unwrap_or(none))
                .collect()
        })
        .collect();
    for (row, column) in assign(&cost) {
        if cost[row][column] < none {
            matched.push((open_objects[row].0, open_tracks[column].0));
        }
    }
    matched
}

/// The most moments together that one assignment of identities can have.
fn best_identities(together: &BTreeMap<(u32, u32), u64>) -> u64 {
    let objects: BTreeSet<u32> = together.keys().map(|(object, _)| *object).collect();
    let tracks: BTreeSet<u32> = together.keys().map(|(_, track)| *track).collect();
    let count = |object: &u32, track: &u32| together.get(&(*object, *track)).copied().unwrap_or(0);
    let cost: Vec<Vec<f64>> = objects
        .iter()
        .map(|object| tracks.iter().map(|t| -(count(object, t) as f64)).collect())
        .collect();
    assign(&cost)
        .into_iter()
        .map(|(row, column)| (-cost[row][column]) as u64)
        .sum()
}

/// The cheapest assignment of rows to columns, each once (Kuhn's Hungarian method with potentials).
fn assign(cost: &[Vec<f64>]) -> Vec<(usize, usize)> {
    let rows = cost.len();
    let columns = cost.first().map_or(0, Vec::len);
    let size = rows.max(columns);
    let at = |row: usize, column: usize| {
        if row < rows && column < columns {
            cost[row][column]
        } else {
            0.0
        }
    };
    let (mut u, mut v) = (vec![0.0; size + 1], vec![0.0; size + 1]);
    let mut row_of = vec![0; size + 1];
    for row in 1..=size {
        row_of[0] = row;
        let mut column = 0;
        let mut low = vec![f64::INFINITY; size + 1];
        let mut way = vec![0; size + 1];
        let mut done = vec![false; size + 1];
        while row_of[column] != 0 {
            done[column] = true;
            let here = row_of[column];
            let (mut step, mut next) = (f64::INFINITY, 0);
            for other in 1..=size {
                if done[other] {
                    continue;
                }
                let reduced = at(here - 1, other - 1) - u[here] - v[other];
                if reduced < low[other] {
                    low[other] = reduced;
                    way[other] = column;
                }
                if low[other] < step {
                    step = low[other];
                    next = other;
                }
            }
            for other in 0..=size {
                if done[other] {
                    u[row_of[other]] += step;
                    v[other] -= step;
                } else {
                    low[other] -= step;
                }
            }
            column = next;
        }
        while column != 0 {
            row_of[column] = row_of[way[column]];
            column = way[column];
        }
    }
    (1..=size)
        .map(|column| (row_of[column] - 1, column - 1))
        .filter(|(row, column)| *row < rows && *column < columns)
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn frame(truth: &[(u32, &[u16])], tracks: &[(u32, &[u16])]) -> Frame {
        let list = |items: &[(u32, &[u16])]| {
            let items = items.iter();
            items
                .map(|(id, at)| (*id, at.iter().copied().collect()))
                .collect()
        };
        Frame {
            truth: list(truth),
            tracks: list(tracks),
        }
    }

    #[test]
    fn identities_that_swap_half_way_cost_two_switches_and_half_of_idf1() {
        // Worked by hand from the definitions: 2 objects, 4 frames, all places right.
        let straight = frame(&[(1, &[1]), (2, &[2])], &[(7, &[1]), (8, &[2])]);
        let swapped = frame(&[(1, &[1]), (2, &[2])], &[(8, &[1]), (7, &[2])]);
        let mot = score(&[straight.clone(), straight, swapped.clone(), swapped]);
        assert_eq!((mot.switches, mot.misses, mot.false_positives), (2, 0, 0));
        assert!((mot.idf1() - 0.5).abs() < 1e-12, "{}", mot.idf1());
        assert!((mot.mota() - 0.75).abs() < 1e-12, "{}", mot.mota());
    }

    #[test]
    fn a_train_in_another_place_is_both_a_miss_and_a_false_one() {
        let mot = score(&[frame(&[(1, &[1])], &[(7, &[2])])]);
        assert_eq!(
            (mot.misses, mot.false_positives, mot.id_true_positives),
            (1, 1, 0)
        );
    }

    #[test]
    fn half_of_the_places_is_enough_and_less_is_not() {
        assert_eq!(distance(&[1].into(), &[1, 2].into()), Some(0.5));
        assert_eq!(distance(&[1].into(), &[1, 2, 3].into()), None);
    }

    #[test]
    fn the_cheapest_assignment_is_found() {
        // The textbook's three by three: 1 + 2 + 2 is the least of the six sums.
        let cost = vec![
            vec![4.0, 1.0, 3.0],
            vec![2.0, 0.0, 5.0],
            vec![3.0, 2.0, 2.0],
        ];
        let sum: f64 = assign(&cost).iter().map(|(r, c)| cost[*r][*c]).sum();
        assert!((sum - 5.0).abs() < 1e-12, "{sum}");
    }
}
