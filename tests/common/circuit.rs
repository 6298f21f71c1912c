//! The circuit's equations written anew as plain differential equations, for a general solver; shared by the test and
//! the benchmark that hold the engine's circuit against it.
//!
//! State: chamber contents and diaphragm displacement (µL), line and cassette pressure (Pa), flows from the bottle and into
//! the needle (µL/s). Port open, infusion open, no lens taken, no injection; both inertances above zero.
#![allow(dead_code, reason = "each user is a crate of its own and uses a part of this")]

use corecleft::sim::circuit::{Ask, Circuit, Demand, Plumbing, Pump, head_pa};
use corecleft::units::pa_from_mmhg;
use differential_equations::prelude::*;

/// A tick of the engine, s.
pub const TICK_S: f64 = 1.0 / 240.0;

/// Aspiration at 30 mL/min from under 80 cm of water.
pub fn demand(vacuum_mmhg: f64, open_mm2: f64) -> Demand {
    Demand {
        infusion_is_open: true,
        bottle_pa: head_pa(800.0),
        ask: Ask::Aspirate { limit_pa: pa_from_mmhg(vacuum_mmhg), flow_ul_s: 500.0 },
        open_mm2,
        diaphragm_elastance_pa_ul: 60.0,
        injected_ul_s: 0.0,
        removed_ul_s: 0.0,
    }
}

/// Vacuum built up behind a covered port.
pub fn built_up(plumbing: &Plumbing, vacuum_mmhg: f64) -> Circuit {
    let mut circuit = Circuit::at_rest(plumbing, head_pa(800.0), 60.0);
    for _ in 0..480 {
        circuit.advance(plumbing, &demand(vacuum_mmhg, 0.0), TICK_S);
    }
    circuit
}

/// What the general solver solves.
pub struct Equations {
    /// Eye, lines and pump.
    pub plumbing: Plumbing,
    /// What is asked.
    pub demand: Demand,
}

/// 5 mmHg, 15 mmHg, 750 mmHg in Pa.
const LOW_PA: f64 = 666.611_937_075;
const REFERENCE_PA: f64 = 1_999.835_811_225;

fn coats_pa(wider_ul: f64, rigidity_per_ul: f64) -> f64 {
    let x = wider_ul * rigidity_per_ul * std::f64::consts::LN_10;
    let lowest = (LOW_PA / REFERENCE_PA).ln();
    if x < lowest { LOW_PA * (1.0 + x - lowest) } else { REFERENCE_PA * x.exp() }
}

impl Equations {
    /// Pressures before and behind the diaphragm, Pa.
    pub fn eye_pa(&self, y: &[f64; 6]) -> (f64, f64) {
        let (k, behind) = (self.plumbing.rigidity_per_ul, self.plumbing.posterior_share);
        (coats_pa(y[0] + y[1], k / (1.0 - behind)), coats_pa(-y[1], k / behind))
    }

    /// The circuit's state as the solver's.
    pub fn start(circuit: &Circuit) -> [f64; 6] {
        let c = circuit;
        [c.chamber_ul, c.diaphragm_ul, c.line_pa, c.cassette_pa, c.inflow_ul_s, c.outflow_ul_s]
    }

    /// States at the end of each tick by an explicit method of order 8, begun anew every tick, as it has to be where
    /// demands change from tick to tick.
    pub fn tick_by_tick(&self, start: [f64; 6], ticks: u32, tolerance: f64) -> Result<Vec<[f64; 6]>, String> {
        let mut states = vec![start];
        for _ in 0..ticks {
            let method = ExplicitRungeKutta::dop853().rtol(tolerance).atol(tolerance).max_steps(1_000_000);
            let last = states[states.len() - 1];
            let solved = IVP::ode(self, 0.0, TICK_S, last).method(method).solve();
            states.extend(solved.map_err(|error| format!("{error:?}"))?.y.last().copied());
        }
        Ok(states.split_off(1))
    }

    /// The state after a while of unchanged demand, in one go by the same method.
    pub fn in_one_go(&self, start: [f64; 6], time_s: f64, tolerance: f64) -> Result<[f64; 6], String> {
        let method = ExplicitRungeKutta::dop853().rtol(tolerance).atol(tolerance).max_steps(1_000_000);
        let solved = IVP::ode(self, 0.0, time_s, start).method(method).solve();
        solved.map(|solution| solution.y.last().copied().unwrap_or(start)).map_err(|error| format!("{error:?}"))
    }

    /// The same by an implicit method of order 5 for stiff equations. Its steps must be held short: left alone it missed a
    /// tolerance of 1e-12 by 1e-4 here.
    pub fn by_implicit_steps(&self, start: [f64; 6], time_s: f64, tolerance: f64) -> Result<[f64; 6], String> {
        let method = ImplicitRungeKutta::radau5().rtol(tolerance).atol(tolerance).h0(1e-6).h_max(2e-4);
        let solved = IVP::ode(self, 0.0, time_s, start).method(method.max_steps(1_000_000)).solve();
        solved.map(|solution| solution.y.last().copied().unwrap_or(start)).map_err(|error| format!("{error:?}"))
    }
}

impl ODE<f64, [f64; 6]> for Equations {
    fn diff(&self, _: f64, y: &[f64; 6], dydt: &mut [f64; 6]) {
        let (p, d) = (&self.plumbing, &self.demand);
        let [_, diaphragm_ul, line_pa, cassette_pa, inflow, outflow] = *y;
        let (chamber_pa, vitreous_pa) = self.eye_pa(y);
        let Ask::Aspirate { limit_pa, flow_ul_s } = d.ask else { unreachable!("only aspiration is solved here") };
        let beyond_pa = line_pa + limit_pa;
        let pumped = match p.pump {
            Pump::VacuumSet => (line_pa - cassette_pa) / p.pump_pa_s_ul,
            Pump::FlowSet if beyond_pa < 0.0 => beyond_pa / p.vent_pa_s_ul,
            Pump::FlowSet => (beyond_pa / p.pump_pa_s_ul).min(flow_ul_s),
        };
        let port = 1e-3 / (2.0 * (0.6 * d.open_mm2).powi(2));
        dydt[0] = inflow - outflow - p.leak_ul_s_pa * chamber_pa.max(0.0);
        dydt[1] = (vitreous_pa - chamber_pa - d.diaphragm_elastance_pa_ul * diaphragm_ul) / p.diaphragm_pa_s_ul;
        dydt[2] = (outflow - pumped) / p.line_ul_pa;
        dydt[3] = (-limit_pa - cassette_pa) / p.cassette_s;
        dydt[4] = (d.bottle_pa - chamber_pa - p.infusion_pa_s_ul * inflow) / p.infusion_pa_s2_ul;
        dydt[5] = (chamber_pa - line_pa - p.aspiration_pa_s_ul * outflow - port * outflow * outflow.abs())
            / p.aspiration_pa_s2_ul;
    }
}
