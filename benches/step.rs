//! Time per phase of the tick, over first chops of the shipped long eye.
//!
//! Run with `cargo bench --no-default-features --bench step`. Prints, for each phase, the mean and the slowest time of a
//! tick, and for the whole the slowest tick and the rate against real time. Then the same for a lens cut into eight
//! sectors, kept awake and at rest; and a whole nucleus, with the most pieces there were at once.
#![allow(missing_docs, reason = "a program of its own")]

use corecleft::case::{Resolution, compile, parse_case};
use corecleft::plan::{Performer, PlanSpec, parse_plan};
use corecleft::sim::cells::NONE;
use corecleft::sim::{Inputs, Model, PHASES, State, pieces, step};
use std::time::{Duration, Instant};

const CASE: &str = include_str!("../scenarios/long-eye-dense-core.ron");
const NUCLEUS_CASE: &str = include_str!("../scenarios/medium-uniform.ron");
const NUCLEUS_PLAN: &str = include_str!("../scenarios/medium-uniform.nucleus.plan.ron");
const PLAN: &str = include_str!("../scenarios/long-eye-dense-core.good.plan.ron");

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let said =
        |faults: Vec<corecleft::case::Fault>| faults.iter().map(ToString::to_string).collect::<Vec<_>>().join("; ");
    let spec = parse_case("long-eye-dense-core.ron", CASE).map_err(said)?.spec;
    let (plan, _) = parse_plan("long-eye-dense-core.good.plan.ron", PLAN).map_err(said)?;
    let mut totals = [(Duration::ZERO, Duration::ZERO); PHASES.len()];
    let (mut ticks, mut slowest, mut whole, mut simulated_s) = (0u32, Vec::new(), Duration::ZERO, 0.0);
    let mut compiling = Duration::ZERO;
    for seed in 1..=20 {
        let begun = Instant::now();
        let model = compile(&spec, seed, Resolution::default()).map_err(|p| format!("{p:?}"))?.model;
        compiling += begun.elapsed();
        let mut state = State::new(&model);
        let mut performer = Performer::new(&model, &plan);
        let mut slowest_here = (Duration::ZERO, 0);
        while let Some(inputs) = performer.next(&model, &state) {
            let tick = Instant::now();
            state.tick += 1;
            for ((_, phase), total) in PHASES.iter().zip(&mut totals) {
                let begun = Instant::now();
                phase(&model, &mut state, &inputs);
                let took = begun.elapsed();
                *total = (total.0 + took, total.1.max(took));
            }
            let took = tick.elapsed();
            whole += took;
            slowest_here = slowest_here.max((took, state.tick));
            ticks += 1;
        }
        simulated_s += state.time_s(&model);
        slowest.push(slowest_here);
    }
    println!("phase        mean us   slowest us");
    for ((name, _), (sum, most)) in PHASES.iter().zip(totals) {
        println!("{name:10} {:9.2} {:12.1}", 1e6 * sum.as_secs_f64() / f64::from(ticks), 1e6 * most.as_secs_f64());
    }
    slowest.sort();
    let (median, worst) = (slowest[slowest.len() / 2], slowest[slowest.len() - 1]);
    println!("tick       {:9.2} {:12.1}", 1e6 * whole.as_secs_f64() / f64::from(ticks), 1e6 * worst.0.as_secs_f64());
    println!("slowest tick of an attempt, median of 20: {:.2} ms (tick {})", 1e3 * median.0.as_secs_f64(), median.1);
    println!("compile: {:.1} ms", 1e3 * compiling.as_secs_f64() / 20.0);
    println!(
        "simulated {simulated_s:.1} s in {:.3} s: {:.0} times real time",
        whole.as_secs_f64(),
        simulated_s / whole.as_secs_f64()
    );
    let model = compile(&spec, 1, Resolution::default()).map_err(|p| format!("{p:?}"))?.model;
    for keeps_awake in [true, false] {
        eight_sectors(&model, keeps_awake);
    }
    let spec = parse_case("medium-uniform.ron", NUCLEUS_CASE).map_err(said)?.spec;
    let (plan, _) = parse_plan("medium-uniform.nucleus.plan.ron", NUCLEUS_PLAN).map_err(said)?;
    for seed in 1..=2 {
        nucleus(&compile(&spec, seed, Resolution::default()).map_err(|p| format!("{p:?}"))?.model, &plan, seed);
    }
    Ok(())
}

/// A whole nucleus: the time in each phase, and against the time simulated.
fn nucleus(model: &Model, plan: &PlanSpec, seed: u64) {
    let (mut state, mut performer) = (State::new(model), Performer::new(model, plan));
    let all_ul: f64 = state.lens.nucleus_ul.iter().sum();
    let mut totals = [Duration::ZERO; PHASES.len()];
    let (mut ticks, mut most_pieces, mut hands) = (0u32, 0, Duration::ZERO);
    loop {
        let begun = Instant::now();
        let inputs = performer.next(model, &state);
        hands += begun.elapsed();
        let Some(inputs) = inputs else { break };
        state.tick += 1;
        for ((_, phase), total) in PHASES.iter().zip(&mut totals) {
            let begun = Instant::now();
            phase(model, &mut state, &inputs);
            *total += begun.elapsed();
        }
        ticks += 1;
        most_pieces = most_pieces.max(state.bodies.as_ref().map_or(0, |b| b.ids().len()));
    }
    let whole: Duration = totals.iter().sum();
    println!("a nucleus, seed {seed}: {:.1} of {:.1} uL left", state.lens.nucleus_ul.iter().sum::<f64>(), all_ul);
    for ((name, _), total) in PHASES.iter().zip(totals) {
        println!("{name:10} {:9.2}", 1e6 * total.as_secs_f64() / f64::from(ticks));
    }
    println!(
        "tick       {:9.2}   the hands of the plan {:.2}",
        1e6 * whole.as_secs_f64() / f64::from(ticks),
        1e6 * hands.as_secs_f64() / f64::from(ticks)
    );
    println!(
        "simulated {:.1} s in {:.3} s: {:.0} times real time; at most {most_pieces} pieces",
        state.time_s(model),
        whole.as_secs_f64(),
        state.time_s(model) / whole.as_secs_f64()
    );
}

/// A lens cut into eight sectors by damage alone, under infusion, for ten seconds.
fn eight_sectors(model: &Model, keeps_awake: bool) {
    let mut state = State::new(model);
    let sector = |cell: usize| {
        let p = model.cells.place_mm[cell];
        (p.y.atan2(p.x) / std::f64::consts::FRAC_PI_4).floor() as i32
    };
    for bond in 0..state.lens.damage.len() {
        let (cell, other) = (bond / 13, model.cells.forward[bond / 13][bond % 13]);
        if other != NONE && sector(cell) != sector(other as usize) {
            state.lens.damage[bond] = 1.0;
        }
    }
    pieces::relabel(model, &mut state.lens);
    let inputs = Inputs::at_rest(model);
    for _ in 0..480 {
        step(model, &mut state, &inputs);
    }
    let mut totals = [Duration::ZERO; PHASES.len()];
    for _ in 0..2400 {
        state.tick += 1;
        if let Some(bodies) = state.bodies.as_mut().filter(|_| keeps_awake) {
            bodies.ids().into_iter().for_each(|id| bodies.wake(id));
        }
        for ((_, phase), total) in PHASES.iter().zip(&mut totals) {
            let begun = Instant::now();
            phase(model, &mut state, &inputs);
            *total += begun.elapsed();
        }
    }
    let count = state.bodies.as_ref().map_or(0, |b| b.ids().len());
    println!("{count} pieces {}", if keeps_awake { "kept awake" } else { "left to rest" });
    for ((name, _), total) in PHASES.iter().zip(totals) {
        println!("{name:10} {:9.2}", 1e6 * total.as_secs_f64() / 2400.0);
    }
    println!("tick       {:9.2}", 1e6 * totals.iter().sum::<Duration>().as_secs_f64() / 2400.0);
}
