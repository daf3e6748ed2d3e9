//! What the operator of these evenings does with the levers, whatever the engine makes of it.

use taillamp::engine::ids::TurnoutId;
use taillamp::engine::input::Position;
use taillamp::engine::time::{Instant, Span};
use taillamp_simulator::layouts::{Kind, make};
use taillamp_simulator::traffic::{Traffic, put_trains};
use taillamp_simulator::world::{Settings, World};

/// How often the operator looks.
const LOOK: Span = Span::from_millis(200);
/// A position counts after 150 ms (DEVELOPERS.md, section 3): one that is left sooner is not seen.
const SEEN: Span = Span::from_millis(500);

/// Points that are set back behind a train and set anew for the next have lain straight between.
#[test]
fn points_lie_for_a_moment_before_they_are_moved_again() {
    let made = make(Kind::Ladder, "all").expect("the layout is made");
    let mut world = World::new(
        &made.plan.layout,
        &made.plan.topic_prefix,
        Settings::usual(7),
    );
    put_trains(&mut world, &made, 4, 0.0, 7);
    let mut traffic = Traffic::new(&made, &world, 7, crate::SLIPS);
    let count = made.plan.layout.turnouts.len();
    let mut moved: Vec<Option<Instant>> = vec![None; count];
    let mut came_to_lie = vec![Instant(0); count];
    let mut throws = 0;
    while world.now() < Instant(600_000_000) {
        let now = world.now();
        for index in 0..count {
            let turnout = TurnoutId(index as u32);
            let moving = world.lie().points[turnout.index()] == Position::Moving;
            if moving && moved[index].is_none() {
                throws += 1;
                let lay = now.since(came_to_lie[index]);
                assert!(lay >= SEEN, "{turnout:?} at {now}: lay for {lay:?}");
            } else if !moving && moved[index].is_some() {
                came_to_lie[index] = now;
            }
            moved[index] = moving.then_some(now);
        }
        traffic.step(&mut world, LOOK);
        world.run_to(now.plus(LOOK));
        world.drain();
    }
    assert!(throws > 20, "{throws} throws");
}
