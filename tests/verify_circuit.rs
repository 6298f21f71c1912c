//! The fluid circuit against a library's solvers of differential equations (explicit of order 8, implicit of order 5), over
//! the surge after a break of occlusion; the equations are written anew in `common/circuit.rs`.
#![allow(clippy::unwrap_used, reason = "a helper that fails fails the test that called it")]

#[path = "common/circuit.rs"]
mod reference;

use corecleft::sim::circuit::{Circuit, Plumbing, Pump};
use reference::{Equations, TICK_S, built_up, demand};

/// Port of a 0.9 mm bore, mm².
const PORT_MM2: f64 = 0.636;

/// One second.
const TICKS: u32 = 240;

/// Largest difference of chamber pressure (Pa), diaphragm (µL) and line pressure (Pa) over a surge, with `splits` steps a tick.
fn differences(plumbing: &Plumbing, vacuum_mmhg: f64, open_mm2: f64, splits: u32) -> [f64; 3] {
    let start = built_up(plumbing, vacuum_mmhg);
    let equations = Equations { plumbing: plumbing.clone(), demand: demand(vacuum_mmhg, open_mm2) };
    let expected = equations.tick_by_tick(Equations::start(&start), TICKS, 1e-10).unwrap();
    assert_eq!(expected.len(), TICKS as usize);
    let mut circuit: Circuit = start;
    let mut worst = [0.0_f64; 3];
    for y in &expected {
        for _ in 0..splits {
            circuit.advance(plumbing, &equations.demand, TICK_S / f64::from(splits));
        }
        let off = [circuit.chamber_pa - equations.eye_pa(y).0, circuit.diaphragm_ul - y[1], circuit.line_pa - y[2]];
        for (worst, off) in worst.iter_mut().zip(off) {
            *worst = worst.max(off.abs());
        }
    }
    worst
}

/// With a line of next to no compliance, one step a tick: within 1 % (measured 0.6 % where the rollers near their limit).
const AT_THE_STIFF_LINE: f64 = 1e-2;

/// At the engine's tick, one step: 0.23 mmHg in the chamber, 0.04 µL of travel, 0.32 mmHg in the line, of swings of
/// 48 mmHg, 19 µL and 510 mmHg (measured 0.22, 0.03 and 0.3).
const AT_THE_TICK: [f64; 3] = [30.7, 0.04, 42.7];

#[test]
fn a_surge_is_what_a_general_solver_finds() {
    for pump in [Pump::FlowSet, Pump::VacuumSet] {
        let usual = Plumbing { pump, ..Plumbing::default() };
        let soft_line = Plumbing { line_ul_pa: 2.0 * usual.line_ul_pa, ..usual.clone() };
        let long_eye = Plumbing { rigidity_per_ul: 0.0065, ..usual.clone() };
        for plumbing in [usual, soft_line, long_eye] {
            for (vacuum_mmhg, open_mm2) in [(200.0, PORT_MM2), (400.0, PORT_MM2), (400.0, 0.1)] {
                let worst = differences(&plumbing, vacuum_mmhg, open_mm2, 1);
                println!("{pump:?} {vacuum_mmhg} {open_mm2} {worst:?}");
                assert!(worst.iter().zip(AT_THE_TICK).all(|(w, allowed)| *w < allowed), "{worst:?} {plumbing:?}");
            }
        }
    }
}

/// Both solve the same equations: the difference falls with the square of the step (a vacuum-set pump, whose curve has no
/// corner).
#[test]
fn the_difference_vanishes_with_the_step() {
    let plumbing = Plumbing { pump: Pump::VacuumSet, ..Plumbing::default() };
    let coarse = differences(&plumbing, 300.0, PORT_MM2, 1);
    let fine = differences(&plumbing, 300.0, PORT_MM2, 8);
    println!("{coarse:?} {fine:?}");
    // 64 by the scheme's order; less where the coarse step is not yet asymptotic.
    assert!(coarse.iter().zip(fine).all(|(coarse, fine)| *coarse > 40.0 * fine), "{coarse:?} {fine:?}");
}

/// A line of next to no compliance is stiff (2 µs against 30 ms): explicit and implicit solver agree, and so does the
/// circuit at the engine's tick.
#[test]
fn a_stiff_line_is_borne() {
    let plumbing = Plumbing { line_ul_pa: 1e-6, pump: Pump::VacuumSet, ..Plumbing::default() };
    let start = built_up(&plumbing, 400.0);
    let equations = Equations { plumbing: plumbing.clone(), demand: demand(400.0, PORT_MM2) };
    for ticks in [6, 24, 120] {
        let time_s = f64::from(ticks) * TICK_S;
        let explicit = equations.in_one_go(Equations::start(&start), time_s, 1e-10).unwrap();
        let implicit = equations.by_implicit_steps(Equations::start(&start), time_s, 1e-10).unwrap();
        let mut circuit = start.clone();
        for _ in 0..ticks {
            circuit.advance(&plumbing, &equations.demand, TICK_S);
        }
        let found = Equations::start(&circuit);
        println!("{explicit:?} {implicit:?} {found:?}");
        for ((explicit, implicit), found) in explicit.iter().zip(implicit).zip(found) {
            let scale = explicit.abs().max(1.0);
            assert!((implicit - explicit).abs() < 1e-6 * scale, "{implicit} {explicit}");
            assert!((found - explicit).abs() < AT_THE_STIFF_LINE * scale, "{found} {explicit}");
        }
    }
}
