//! The timetable: which jobs could be begun now.
//!
//! Inputs: the layout's ids and where the trains are. Output: jobs; chance chooses between them.

use taillamp::engine::ids::{BlockId, TurnoutId};

use super::act::Until;
use super::demo::{Places, Trains};
use super::jobs::{
    Job, cross, down_the_branch, into_the_shed, into_the_yard, open_the_door, out_of_the_shed,
    out_of_the_yard, up_the_branch,
};
use crate::world::World;
use crate::world::track::Piece;

/// The line that a train runs on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum On {
    Outer,
    Inner,
    /// Standing at the branch's station.
    Upper,
    Yard(usize),
    Stub(usize),
    Elsewhere,
}

/// Everything that could be begun now.
#[must_use]
pub fn possible(world: &World, places: &Places, trains: &Trains) -> Vec<Job> {
    let fleet = [
        trains.goods,
        trains.passenger,
        trains.local,
        trains.empties,
        trains.light,
    ];
    let at = |train: usize| whereabouts(world, places, train);
    // One train on each line at a time: with points to be set back behind every move, a second one
    // would come up to them, or to a train that stands, within the time that it takes.
    let is_empty = |blocks: &[BlockId], turnouts: &[TurnoutId]| {
        Until::Empty(blocks.to_vec(), None, turnouts.to_vec()).is_so(world)
    };
    let branch_is_empty = is_empty(&places.branch, &[]);
    let [up, down, to_yard, to_shed] = places.w;
    let [off_outer, onto_inner] = places.to_inner;
    let [off_inner, onto_outer] = places.to_outer;
    let outer_is_empty = is_empty(&places.outer, &[up, down, off_outer, onto_outer]);
    let inner_is_empty = is_empty(&places.inner, &[to_yard, to_shed, off_inner, onto_inner]);
    let free_track = (0..4).find(|track| !world.block_is_taken(places.yard[*track]));
    let free_stub = (0..3).find(|stub| !world.block_is_taken(places.stubs[*stub]));
    let mut jobs = Vec::new();
    for train in fleet {
        match at(train) {
            On::Outer => {
                if branch_is_empty && train != trains.light {
                    jobs.push(up_the_branch(places, train));
                }
                if inner_is_empty {
                    jobs.push(cross(places, train, true));
                }
            }
            On::Inner => {
                if train == trains.light {
                    jobs.extend(free_stub.map(|stub| into_the_shed(places, train, stub)));
                } else {
                    jobs.extend(free_track.map(|track| into_the_yard(places, train, track)));
                    if outer_is_empty {
                        jobs.push(cross(places, train, false));
                    }
                }
            }
            On::Upper if outer_is_empty => jobs.push(down_the_branch(places, train)),
            On::Yard(track) if inner_is_empty => {
                jobs.push(out_of_the_yard(places, train, track));
            }
            On::Stub(stub) if inner_is_empty => {
                jobs.push(out_of_the_shed(places, train, stub));
            }
            On::Upper | On::Yard(_) | On::Stub(_) | On::Elsewhere => {}
        }
    }
    if branch_is_empty {
        jobs.push(open_the_door(places));
    }
    jobs
}

fn whereabouts(world: &World, places: &Places, train: usize) -> On {
    let train = &world.trains()[train];
    let Some((step, _)) = train.leading() else {
        return On::Elsewhere;
    };
    let Piece::Block(block) = step.piece else {
        return On::Elsewhere;
    };
    let among = |blocks: &[BlockId]| blocks.iter().position(|at| *at == block);
    let runs = train.order.forward && train.order.speed_mm_s > 0.0;
    if runs && among(&places.outer).is_some() {
        On::Outer
    } else if runs && among(&places.inner).is_some() {
        On::Inner
    } else if train.arrived && block == places.branch[2] {
        On::Upper
    } else if let (true, Some(track)) = (train.arrived, among(&places.yard)) {
        On::Yard(track)
    } else if let (true, Some(stub)) = (train.arrived, among(&places.stubs)) {
        On::Stub(stub)
    } else {
        On::Elsewhere
    }
}
