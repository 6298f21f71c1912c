//! The 15 × 15 map of a first chop: wall time by threads, memory, and that the result does not depend on them.
//!
//! Run with `cargo bench --no-default-features --bench map`.
#![allow(missing_docs, reason = "a program of its own")]

use corecleft::case::{Fault, Resolution, compile, parse_case};
use corecleft::plan::map::{MapRequest, StandardChop, Start, outcomes};
use std::time::Instant;

const CASES: [(&str, &str); 2] = [
    ("long-eye-dense-core.ron", include_str!("../scenarios/long-eye-dense-core.ron")),
    ("medium-uniform.ron", include_str!("../scenarios/medium-uniform.ron")),
];

/// Greatest resident memory of this process, MB, where the system tells.
fn memory_mb() -> Option<f64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|l| l.starts_with("VmHWM:"))?;
    line.split_whitespace().nth(1)?.parse::<f64>().ok().map(|kb| kb / 1024.0)
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    for (name, text) in CASES {
        let said = |faults: Vec<Fault>| faults.iter().map(ToString::to_string).collect::<Vec<_>>().join("; ");
        let case = parse_case(name, text).map_err(said)?.spec;
        let begun = Instant::now();
        let model = compile(&case, 1, Resolution::default()).map_err(|p| format!("{p:?}"))?.model;
        let compiling_ms = 1e3 * begun.elapsed().as_secs_f64();
        let depths = (0..15).map(|i| 0.3 + 0.15 * f64::from(i)).collect();
        let angles = (0..15).map(|i| 15.0 + 3.0 * f64::from(i)).collect();
        let wanted = MapRequest::over_depth_and_angle(StandardChop::new(&case, &model), depths, angles).chops();
        let start = Start::fresh(&model);
        println!(
            "{name}: {} cells of {} mm, compiled in {compiling_ms:.1} ms",
            model.cells.count(),
            model.cells.size_mm
        );
        let mut first = None;
        for threads in [1u16, 2] {
            let mut best_s = f64::INFINITY;
            for _ in 0..3 {
                let begun = Instant::now();
                let cells = outcomes(&case, &model, &start, &wanted, usize::from(threads), || ())?;
                best_s = best_s.min(begun.elapsed().as_secs_f64());
                if *first.get_or_insert_with(|| cells.clone()) != cells {
                    return Err("the result depends on the threads".into());
                }
            }
            println!(
                "  15 x 15 on {threads} thread(s): {best_s:.2} s, {:.1} ms a chop",
                1e3 * best_s * f64::from(threads) / 225.0
            );
        }
    }
    if let Some(mb) = memory_mb() {
        println!("greatest memory: {mb:.0} MB");
    }
    Ok(())
}
