//! Vehicles: how long they are, where their axles stand, and what they draw from the track.
//!
//! Plain data and the formulas of the load. Sources: Ohm's law; the currents of engines and lit
//! cars are common practice, no citable source. It does not know where a vehicle is.

/// Free space between two coupled vehicles, mm (common practice at HO, no source).
pub const COUPLING_MM: f64 = 12.0;

/// What a vehicle draws.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Load {
    /// A motor: idling with its electronics, and at full speed, mA.
    Engine {
        /// Standing.
        idle_ma: f64,
        /// At `FULL_SPEED_MM_S`.
        full_ma: f64,
    },
    /// Lamps, mA.
    Lit {
        /// At the layout's track voltage.
        ma: f64,
    },
    /// Nothing but what resistor wheelsets let through.
    Nothing,
}

/// The speed at which an engine draws its full current, mm/s.
pub const FULL_SPEED_MM_S: f64 = 500.0;

/// One wheelset.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Axle {
    /// From the vehicle's tail end, mm.
    pub at_mm: f64,
    /// Feeds the vehicle's load.
    pub pickup: bool,
    /// A resistor across the insulated wheels, ohms.
    pub ohms: Option<f64>,
}

/// One vehicle.
#[derive(Clone, Debug, PartialEq)]
pub struct Vehicle {
    /// Over its couplings' pulling faces, mm.
    pub length_mm: f64,
    /// Its wheelsets.
    pub axles: Vec<Axle>,
    /// What it draws.
    pub load: Load,
}

impl Vehicle {
    /// An engine with pickup on every axle.
    #[must_use]
    pub fn engine(length_mm: f64, axles: usize, idle_ma: f64, full_ma: f64) -> Self {
        let axles = spread(length_mm, axles, |at_mm| Axle {
            at_mm,
            pickup: true,
            ohms: None,
        });
        Self {
            length_mm,
            axles,
            load: Load::Engine { idle_ma, full_ma },
        }
    }

    /// A four-axle car whose lamps are fed by two of its axles.
    #[must_use]
    pub fn lit_car(length_mm: f64, ma: f64) -> Self {
        let mut car = Self::car(length_mm, &[None; 4]);
        car.axles[0].pickup = true;
        car.axles[3].pickup = true;
        car.load = Load::Lit { ma };
        car
    }

    /// A car with one wheelset for each entry; an entry with ohms has a resistor.
    #[must_use]
    pub fn car(length_mm: f64, ohms: &[Option<f64>]) -> Self {
        let mut wheelsets = ohms.iter();
        let axles = spread(length_mm, ohms.len(), |at_mm| Axle {
            at_mm,
            pickup: false,
            ohms: wheelsets.next().copied().flatten(),
        });
        Self {
            length_mm,
            axles,
            load: Load::Nothing,
        }
    }

    /// What the load draws at this speed and voltage, mA. `volts_full` is the steady track
    /// voltage.
    #[must_use]
    pub fn load_ma(&self, speed_mm_s: f64, volts: f64, volts_full: f64) -> f64 {
        let share = (volts.abs() / volts_full).min(1.0);
        match self.load {
            Load::Engine { idle_ma, full_ma } => {
                let speed = (speed_mm_s.abs() / FULL_SPEED_MM_S).min(1.0);
                if share == 0.0 {
                    0.0
                } else {
                    (idle_ma + (full_ma - idle_ma) * speed) * share
                }
            }
            Load::Lit { ma } => ma * share,
            Load::Nothing => 0.0,
        }
    }

    /// Has a motor.
    #[must_use]
    pub const fn is_engine(&self) -> bool {
        matches!(self.load, Load::Engine { .. })
    }
}

impl Axle {
    /// What the resistor lets through, mA: Ohm's law, I = V / R.
    #[must_use]
    pub fn resistor_ma(&self, volts: f64) -> f64 {
        self.ohms.map_or(0.0, |ohms| volts.abs() / ohms * 1000.0)
    }
}

/// Axles over a vehicle's length, the outermost at a seventh from its ends.
fn spread(length_mm: f64, count: usize, mut make: impl FnMut(f64) -> Axle) -> Vec<Axle> {
    let first = length_mm / 7.0;
    let span = length_mm - 2.0 * first;
    let gaps = count.saturating_sub(1).max(1) as f64;
    (0..count)
        .map(|index| make(first + span * index as f64 / gaps))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_resistor_axle_draws_what_ohms_law_says() {
        // Source: Ohm's law. 12 V over 10 kohm is 1.2 mA.
        let axle = Axle {
            at_mm: 0.0,
            pickup: false,
            ohms: Some(10_000.0),
        };
        assert!((axle.resistor_ma(12.0) - 1.2).abs() < 1e-12);
        assert!((axle.resistor_ma(-12.0) - 1.2).abs() < 1e-12);
        assert_eq!(Axle { ohms: None, ..axle }.resistor_ma(12.0), 0.0);
    }

    #[test]
    fn an_engine_draws_nothing_without_voltage_and_more_when_it_runs() {
        let engine = Vehicle::engine(200.0, 4, 60.0, 300.0);
        assert_eq!(engine.load_ma(200.0, 0.0, 14.0), 0.0);
        assert!((engine.load_ma(0.0, 14.0, 14.0) - 60.0).abs() < 1e-9);
        assert!((engine.load_ma(FULL_SPEED_MM_S, 14.0, 14.0) - 300.0).abs() < 1e-9);
    }

    #[test]
    fn axles_stand_within_their_vehicle() {
        let car = Vehicle::car(160.0, &[Some(4700.0), None, None, Some(4700.0)]);
        assert!(
            car.axles
                .iter()
                .all(|axle| axle.at_mm > 0.0 && axle.at_mm < 160.0)
        );
        assert_eq!(
            car.axles.iter().filter(|axle| axle.ohms.is_some()).count(),
            2
        );
    }
}
