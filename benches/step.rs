//! Time per phase of the tick, over first chops of the shipped long eye.
//!
//! Run with `cargo bench --no-default-features --bench step`. Prints, for each phase, the mean and the slowest time of a
//! tick, and for the whole the slowest tick and the rate against real time.
#![allow(missing_docs, reason = "a program of its own")]

use corecleft::case::{Resolution, compile, parse_case};
use corecleft::plan::{Performer, parse_plan};
use corecleft::sim::{PHASES, State};
use std::time::{Duration, Instant};

const CASE: &str = include_str!("../scenarios/long-eye-dense-core.ron");
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
    Ok(())
}
