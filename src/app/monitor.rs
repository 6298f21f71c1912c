//! The readings of the last seconds, at even times, as the operating page draws them.
//!
//! Units: mmHg, mL/min, %, mm, mN. A reading that was not there is `NaN`.

use crate::debrief::trace::ML_MIN_PER_UL_S;
use crate::sim::capsule::nearest_mm;
use crate::sim::{Model, State};
use crate::units::mmhg_from_pa;

/// Readings kept, and ticks from one to the next: ten seconds at thirty a second.
const KEPT: usize = 300;
const EVERY_TICKS: u64 = 8;

/// What is read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reading {
    /// Pressure in the chamber, mmHg.
    Chamber,
    /// Vacuum in the line, mmHg.
    Vacuum,
    /// Flow into the needle, mL/min.
    Flow,
    /// Power, %.
    Power,
    /// Pedal, as position and share.
    Pedal,
    /// Distance of the nearer instrument to the posterior capsule, mm.
    Capsule,
    /// Purchase of the port, mN.
    Purchase,
}

/// All readings, in the order of their numbers.
const ALL: [Reading; 7] = [
    Reading::Chamber,
    Reading::Vacuum,
    Reading::Flow,
    Reading::Power,
    Reading::Pedal,
    Reading::Capsule,
    Reading::Purchase,
];

/// A reading now; `None` where there is none.
pub fn read(reading: Reading, model: &Model, state: &State) -> Option<f64> {
    let circuit = &state.circuit;
    match reading {
        Reading::Chamber => Some(mmhg_from_pa(circuit.chamber_pa)),
        // A machine's front shows no less than none, though the line may stand under the bottle's pressure.
        Reading::Vacuum => Some(mmhg_from_pa(circuit.vacuum_pa()).max(0.0)),
        Reading::Flow => Some(circuit.outflow_ul_s * ML_MIN_PER_UL_S),
        Reading::Power => Some(100.0 * state.power),
        Reading::Pedal => Some(f64::from(state.pedal.position) + state.pedal.share),
        Reading::Capsule => nearest_mm(model, state),
        Reading::Purchase => state.needle.as_ref().map(|needle| 1e-3 * needle.purchase_un),
    }
}

/// The readings of the last seconds.
#[derive(Clone, Debug, Default)]
pub struct Monitor {
    values: [Vec<f32>; ALL.len()],
}

impl Monitor {
    /// See a state; it is read when it is its turn.
    pub fn see(&mut self, model: &Model, state: &State) {
        if !state.tick.is_multiple_of(EVERY_TICKS) {
            return;
        }
        for (reading, values) in ALL.into_iter().zip(&mut self.values) {
            if values.len() == KEPT {
                values.remove(0);
            }
            values.push(read(reading, model, state).map_or(f32::NAN, |value| value as f32));
        }
    }

    /// The values of a reading, the newest last.
    pub fn values(&self, reading: Reading) -> &[f32] {
        &self.values[reading as usize]
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::app::library;
    use crate::case::{Resolution, compile};

    #[test]
    fn readings_are_the_engine_s_and_stay_few() {
        let model = compile(&library::shipped()[0].case.spec, 1, Resolution::default()).unwrap().model;
        let (mut monitor, mut state) = (Monitor::default(), State::new(&model));
        for tick in 0..(KEPT as u64 + 50) * EVERY_TICKS {
            state.tick = tick;
            state.power = if tick < 100 { 0.0 } else { 0.4 };
            monitor.see(&model, &state);
        }
        for reading in ALL {
            assert_eq!(monitor.values(reading).len(), KEPT);
        }
        assert_eq!(monitor.values(Reading::Power).last(), Some(&40.0));
        assert!(monitor.values(Reading::Capsule)[0].is_nan(), "no instrument is in the eye");
        let chamber = f64::from(*monitor.values(Reading::Chamber).last().unwrap());
        assert!((chamber - mmhg_from_pa(state.circuit.chamber_pa)).abs() < 1e-3);
    }
}
