//! Convergence: finer cells and shorter ticks must not change what a chop does by more than stated.
//!
//! Order of convergence is not claimed: a crack that runs or stops is a threshold, and the lens's unevenness is sampled
//! anew by each grid. The tolerances below are what was measured (`docs/verification.md`), rounded up.
#![allow(clippy::unwrap_used, reason = "tests")]

mod common;

use common::{case_with_core, model_at, run};
use corecleft::case::Resolution;
use corecleft::plan::{ChopKind, Manoeuvre, PlanSpec};
use corecleft::sim::{Model, chop};

/// Largest change of the mean cracked share and of the mean threshold depth, mm, against the default resolution. At 0.3 mm
/// only two layers of cells lie in the slab the crack may wander in, and it wanders less.
const COARSE_CELLS: (f64, f64) = (0.12, 0.15);
const FINE_CELLS: (f64, f64) = (0.03, 0.05);
const TICKS: (f64, f64) = (0.02, 0.02);

const SEEDS: std::ops::RangeInclusive<u64> = 1..=12;

fn chopped(model: &Model, depth_mm: f64, separation_mm: f64) -> (f64, bool) {
    let mut plan: PlanSpec = common::first_chop_plan(depth_mm, 45.0, (0.0, 0.0), ChopKind::Vertical, separation_mm);
    for step in &mut plan.steps {
        if let Manoeuvre::Chop { depth_mm, .. } = step {
            *depth_mm = None;
        }
    }
    let state = run(model, &plan);
    state.opening.as_ref().map_or((0.0, false), |o| {
        let result = chop::result(&state, o);
        (result.core_fraction_cracked, result.complete)
    })
}

/// Mean cracked share of a chop that neither fails nor goes through, and mean threshold depth.
fn measured(resolution: Resolution) -> (f64, f64) {
    let spec = case_with_core(4.0, 4.4, 3.2);
    let count = SEEDS.count() as f64;
    let (mut share, mut threshold) = (0.0, 0.0);
    for seed in SEEDS {
        let model = model_at(&spec, seed, resolution);
        share += chopped(&model, 1.7, 1.0).0 / count;
        let (mut low, mut high) = (0.3, 2.0);
        while high - low > 0.03 {
            let depth_mm = 0.5 * (low + high);
            if chopped(&model, depth_mm, 1.6).1 { high = depth_mm } else { low = depth_mm }
        }
        threshold += high / count;
    }
    (share, threshold)
}

fn compare(name: &str, other: Resolution, (share_tolerance, tolerance_mm): (f64, f64)) {
    let (share, threshold_mm) = measured(Resolution::default());
    let (other_share, other_mm) = measured(other);
    println!(
        "{name}: share {other_share:.3} (default {share:.3}), threshold {other_mm:.3} mm (default {threshold_mm:.3} mm)"
    );
    assert!((other_share - share).abs() < share_tolerance, "{name}: share {other_share:.3} against {share:.3}");
    assert!(
        (other_mm - threshold_mm).abs() < tolerance_mm,
        "{name}: threshold {other_mm:.3} against {threshold_mm:.3} mm"
    );
}

#[test]
fn cells_of_0_3_mm() {
    compare("cells 0.3 mm", Resolution { cell_mm: 0.3, ..Resolution::default() }, COARSE_CELLS);
}

#[test]
fn cells_of_0_15_mm() {
    compare("cells 0.15 mm", Resolution { cell_mm: 0.15, ..Resolution::default() }, FINE_CELLS);
}

#[test]
fn ticks_of_120_hz() {
    compare("tick 120 Hz", Resolution { ticks_per_second: 120, ..Resolution::default() }, TICKS);
}

#[test]
fn ticks_of_480_hz() {
    compare("tick 480 Hz", Resolution { ticks_per_second: 480, ..Resolution::default() }, TICKS);
}
