//! Rolling stock for made layouts, by a seed: engines, wagons, lit coaches, cars that draw nothing.

use taillamp::engine::ids::BlockId;
use taillamp::engine::layout::Side;

use crate::chance::Chance;
use crate::layouts::Made;
use crate::world::World;
use crate::world::vehicle::Vehicle;

/// Resistor of a wheelset, ohms: 3 mA at 14 V, above a threshold of 2 mA with one axle alone.
const WHEELSET_OHMS: f64 = 4_700.0;

/// Puts `count` trains on the layout's berths (fewer where it has fewer), and the shuttle where it
/// has one. `unequipped`: the part of the cars that draw no current. Returns how many trains stand
/// there.
pub fn put_trains(
    world: &mut World,
    made: &Made,
    count: usize,
    unequipped: f64,
    seed: u64,
) -> usize {
    let mut chance = Chance::new(seed, "stock");
    let find = |id: &str| {
        let blocks = &made.plan.layout.blocks;
        let at = blocks.iter().position(|block| block.id == id);
        BlockId(at.unwrap_or_default() as u32)
    };
    let berths = made.custom.berths.iter().take(count);
    for (number, berth) in berths.enumerate() {
        let stock = train(berth.vehicles, unequipped, &mut chance);
        let side = if berth.up { Side::B } else { Side::A };
        let gap_mm = if berth.vehicles == 1 { 80.0 } else { 200.0 };
        let name = format!("T{}", number + 1);
        world.put(&name, stock, (find(&berth.block), side), gap_mm);
    }
    if let Some([first, ..]) = &made.custom.shuttle {
        let tram = vec![Vehicle::engine(160.0, 4, 60.0, 150.0)];
        world.put("shuttle", tram, (find(first), Side::B), 400.0);
    }
    world.trains().len()
}

/// Vehicles from tail to head, the engine first on the way.
fn train(vehicles: usize, unequipped: f64, chance: &mut Chance) -> Vec<Vehicle> {
    if vehicles <= 1 {
        return vec![Vehicle::engine(190.0, 4, 60.0, 180.0)];
    }
    let coaches = chance.happens(0.4);
    let mut stock = Vec::new();
    for _ in 1..vehicles {
        let bare = chance.happens(unequipped);
        stock.push(match (coaches, bare) {
            (true, false) => Vehicle::lit_car(210.0, 20.0),
            (false, false) => Vehicle::car(140.0, &[Some(WHEELSET_OHMS), Some(WHEELSET_OHMS)]),
            (_, true) => Vehicle::car(140.0, &[None, None]),
        });
    }
    stock.push(Vehicle::engine(210.0, 6, 90.0, 280.0));
    stock
}
