//! What lies around a decision: the standard first chop at its place, over depth and tip angle, with the one that was chosen.
//!
//! The cells are `plan::map`'s: each a first chop of its own in the lens as the case has it, at the place, of the kind and with
//! the vacuum and the separation of the chop that was done. Depths and angles are the same few for all, wider where the choice
//! lies outside of them. mm, degrees.
//!
//! Limits: coarse, without a hand's errors, and of a first chop: what was done to the lens before the decision is not in it.

use super::{Progress, WhatIf};
use crate::attempt::Attempt;
use crate::case::CaseSpec;
use crate::plan::Manoeuvre;
use crate::plan::map::{MapCell, MapRequest, StandardChop, Start, outcome};
use crate::sim::Model;
use crate::units::mmhg_from_pa;
use rayon::prelude::*;
use std::sync::atomic::{AtomicU32, Ordering};

/// Cells along each side.
pub const SIDE: usize = 5;

/// Depths as shares of the core's thickness, and tip angles, degrees, between which the cells lie (A: from too shallow to too
/// deep, from what the rim allows to what a wrist does).
const DEPTHS: (f64, f64) = (0.1, 0.9);
const ANGLES_DEG: (f64, f64) = (15.0, 55.0);

/// Least separation of a standard chop, mm: one that hardly parted tells nothing of where the tip lay.
const LEAST_PART_MM: f64 = 0.5;

/// The map around a decision.
#[derive(Clone, Debug, PartialEq)]
pub struct Near {
    /// What is asked.
    pub wanted: MapRequest,
    /// Depth, mm, and tip angle, degrees, that were chosen.
    pub chosen: (f64, f64),
    /// Cells by depth, then by angle.
    pub cells: Vec<MapCell>,
}

fn spread((low, high): (f64, f64), step: f64) -> Vec<f64> {
    let at = |i: usize| low + (high - low) * i as f64 / (SIDE - 1) as f64;
    (0..SIDE).map(|i| (at(i) / step).round() * step).collect()
}

/// Depths, angles, place and chop of the map around the decision of an answer, and what was chosen; `None` where it was none of
/// depth and angle.
pub fn request(case: &CaseSpec, model: &Model, attempt: &Attempt, answer: &WhatIf) -> Option<(MapRequest, (f64, f64))> {
    let chop = answer.deed.chop()?;
    let Manoeuvre::Bury { depth_mm, angle_deg, place_mm, .. } = chop.bury else { return None };
    let thick_mm = 2.0 * model.field.core.half_thickness_mm;
    let wider = |(low, high): (f64, f64), chosen: f64| (low.min(chosen), high.max(chosen));
    let depths_mm = spread(wider((DEPTHS.0 * thick_mm, DEPTHS.1 * thick_mm), depth_mm), 0.05);
    let angles_deg = spread(wider(ANGLES_DEG, angle_deg), 1.0);
    let mut standard = StandardChop { place_mm, ..StandardChop::new(case, model) };
    if let Some(Manoeuvre::Chop { kind, .. }) = chop.chop {
        standard.kind = kind;
    }
    if let Some(Manoeuvre::Separate { width_mm, .. }) = chop.part {
        standard.separation_mm = width_mm;
    }
    standard.separation_mm = standard.separation_mm.max(LEAST_PART_MM);
    let held = attempt.record.inputs().nth(chop.parting.unwrap_or(chop.buried) as usize);
    if let Some(inputs) = held {
        standard.vacuum_mmhg = mmhg_from_pa(inputs.vacuum_limit_pa);
    }
    let wanted = MapRequest::over_depth_and_angle(standard, depths_mm, angles_deg);
    Some((wanted, (depth_mm, angle_deg)))
}

/// The map around the decision of an answer; the same for any number of threads. `goes_on` is called before each cell, from
/// whichever thread does it. There is none when it says no, where the decision was none of depth and angle, or without threads.
pub fn near(
    case: &CaseSpec,
    model: &Model,
    attempt: &Attempt,
    answer: &WhatIf,
    threads: usize,
    goes_on: impl Fn(Progress) -> bool + Sync,
) -> Option<Near> {
    let (wanted, chosen) = request(case, model, attempt, answer)?;
    let (chops, start) = (wanted.chops(), Start::fresh(model));
    let (begun, planned) = (AtomicU32::new(0), chops.len() as u32);
    let still = || goes_on(Progress { done: begun.fetch_add(1, Ordering::Relaxed), planned });
    let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().ok()?;
    let cells: Option<Vec<MapCell>> = pool.install(|| {
        let cell = |chop: &StandardChop| still().then(|| outcome(case, model, &start, chop));
        chops.par_iter().with_max_len(1).map(cell).collect()
    });
    Some(Near { wanted, chosen, cells: cells? })
}
