//! Speed of the fluid circuit: time per tick, simulated time against real time, and the same second of surge by a library's
//! solver (explicit, order 8, tolerance 1e-8) in the same run: begun anew every tick, as changing demands make it, and in
//! one go; with the largest difference. Times are the best of several. One line is soft as usual, one nearly rigid, which
//! is stiff.
//!
//! Beside them SciPy's LSODA at the same tolerance, where it is at hand (`peers.py`).
//!
//! Run with `cargo bench --no-default-features --bench circuit`.
#![allow(missing_docs, reason = "a program of its own")]

#[path = "../tests/common/circuit.rs"]
mod reference;

#[path = "common.rs"]
mod common;

use corecleft::sim::circuit::{Plumbing, Pump};
use corecleft::units::{mmhg_from_pa, pa_from_mmhg};
use reference::{Equations, TICK_S, built_up, demand};
use serde_json::json;
use std::hint::black_box;
use std::time::Instant;

/// One second of surge.
const TICKS: u32 = 240;

/// Repetitions of which the best counts.
const REPEATS: u32 = 40;

/// Best time of a work, s.
fn best_s<T>(mut work: impl FnMut() -> T) -> f64 {
    let times = (0..REPEATS).map(|_| {
        let begun = Instant::now();
        black_box(work());
        begun.elapsed().as_secs_f64()
    });
    times.fold(f64::INFINITY, f64::min)
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    println!(
        "pump       line uL/Pa  us/tick  x real time  solver per tick, ms   ratio  in one go, ms   ratio  off, mmHg"
    );
    for (pump, line_ul_pa) in
        [(Pump::FlowSet, 7.5e-4), (Pump::VacuumSet, 7.5e-4), (Pump::FlowSet, 1e-6), (Pump::VacuumSet, 1e-6)]
    {
        let plumbing = Plumbing { pump, line_ul_pa, ..Plumbing::default() };
        let start = built_up(&plumbing, 400.0);
        let equations = Equations { plumbing: plumbing.clone(), demand: demand(400.0, 0.636) };
        let circuit_s = best_s(|| {
            let mut circuit = start.clone();
            for _ in 0..TICKS {
                circuit.advance(black_box(&plumbing), black_box(&equations.demand), TICK_S);
            }
            circuit
        });
        let from = Equations::start(&start);
        let second_s = f64::from(TICKS) * TICK_S;
        let per_tick_s = best_s(|| equations.tick_by_tick(black_box(from), TICKS, 1e-8));
        let in_one_go_s = best_s(|| equations.in_one_go(black_box(from), second_s, 1e-8));

        let mut circuit = start.clone();
        let mut worst_pa = 0.0_f64;
        for y in equations.tick_by_tick(from, TICKS, 1e-10)? {
            circuit.advance(&plumbing, &equations.demand, TICK_S);
            worst_pa = worst_pa.max((circuit.chamber_pa - equations.eye_pa(&y).0).abs());
        }
        println!(
            "{:9} {line_ul_pa:11.1e} {:8.3} {:12.0} {:20.3} {:7.1} {:14.3} {:7.1} {:10.4}",
            format!("{pump:?}"),
            1e6 * circuit_s / f64::from(TICKS),
            second_s / circuit_s,
            1e3 * per_tick_s,
            per_tick_s / circuit_s,
            1e3 * in_one_go_s,
            in_one_go_s / circuit_s,
            mmhg_from_pa(worst_pa)
        );
        let (p, d) = (&plumbing, &equations.demand);
        let given = json!({ "plumbing": {
            "is_vacuum_set": pump == Pump::VacuumSet, "line_ul_pa": line_ul_pa, "rigidity_per_ul": p.rigidity_per_ul,
            "posterior_share": p.posterior_share, "leak_ul_s_pa": p.leak_ul_s_pa, "pump_pa_s_ul": p.pump_pa_s_ul,
            "vent_pa_s_ul": p.vent_pa_s_ul, "diaphragm_pa_s_ul": p.diaphragm_pa_s_ul, "cassette_s": p.cassette_s,
            "infusion_pa_s_ul": p.infusion_pa_s_ul, "infusion_pa_s2_ul": p.infusion_pa_s2_ul,
            "aspiration_pa_s_ul": p.aspiration_pa_s_ul, "aspiration_pa_s2_ul": p.aspiration_pa_s2_ul,
            "limit_pa": pa_from_mmhg(400.0), "flow_ul_s": 500.0, "bottle_pa": d.bottle_pa, "open_mm2": d.open_mm2,
            "elastance_pa_ul": d.diaphragm_elastance_pa_ul,
        }, "start": from, "ticks": TICKS, "tick_s": TICK_S });
        if let Some(peer) = common::peer("circuit", &given) {
            let [restarted_s, one_go_s, end_pa] =
                ["restarted_s", "in_one_go_s", "end_pa"].map(|key| peer[key].as_f64().unwrap_or(f64::NAN));
            println!(
                "  LSODA: per tick {:.1} ms, {:.0} times; in one go {:.2} ms, {:.0} times; at the end {:.4} mmHg off",
                1e3 * restarted_s,
                restarted_s / circuit_s,
                1e3 * one_go_s,
                one_go_s / circuit_s,
                mmhg_from_pa((circuit.chamber_pa - end_pa).abs())
            );
        }
    }
    Ok(())
}
