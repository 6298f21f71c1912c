//! The posterior capsule at rest: how near the instruments come, and when they go through.
//!
//! The membrane lies on the lens's back, goes with the lens when that is pushed, and is backed by vitreous; of itself it
//! does not move yet. A vibrating tip opens it
//! on contact. Pressed without vibration it gives way like a soft spring until the force reaches what a sharp or a hard
//! round tip needs. Eye frame; mm, µN.

use crate::sim::event::{BreachBy, EventKind, Tool};
use crate::sim::hands::{ChopperEnd, Tip};
use crate::sim::{Inputs, Lens, Model, State};

/// Stiffness of the capsule on vitreous against a small tip, µN/mm (A).
pub const INDENTATION_STIFFNESS_UN_MM: f64 = 40_000.0;

/// Force at which a sharp point goes through, µN: 15–35 mN for needles through porcine anterior capsule (PubMed
/// 27254279; S), the middle of that range (D); the posterior capsule is thinner (A that it is no stronger).
pub const SHARP_PUNCTURE_UN: f64 = 25_000.0;

/// Force at which a round, hard end goes through, µN (A: four times the sharp one).
pub const BLUNT_PUNCTURE_UN: f64 = 100_000.0;

/// Lips of the needle that are measured.
const LIPS: u32 = 8;

/// Distance of the nearest of a needle's lips to the posterior capsule, mm; negative behind it.
pub fn lips_to_capsule_mm(model: &Model, lens: &Lens, tip: &Tip) -> f64 {
    let lips = model.needle.ring_mm(tip, 1.0, LIPS);
    let distances = lips.map(|lip| model.field.shape.distance_to_posterior_mm(&(lip - lens.pushed_mm)));
    distances.fold(f64::INFINITY, f64::min)
}

/// Measure the distances, note approaches, and see whether the capsule holds.
pub fn watch(model: &Model, state: &mut State, _: &Inputs) {
    let shape = &model.field.shape;
    let pushed_mm = state.lens.pushed_mm;
    let mut nearest: [Option<(Tool, f64, f64, f64)>; 2] = [None, None];
    if let Some(needle) = &state.needle {
        let mut distance = shape.distance_to_posterior_mm(&(needle.tip.place_mm - pushed_mm));
        // A lip is at most its distance from the middle nearer; where that cannot matter it is not looked for.
        let reach = model.needle.outer_radius_mm / libm::cos(model.needle.bevel_rad);
        let matters = state.totals.distance_to_capsule_min_mm.min(state.totals.chop_distance_min_mm);
        if distance - reach < matters.max(0.0) {
            distance = distance.min(lips_to_capsule_mm(model, &state.lens, &needle.tip));
        }
        let p = needle.tip.place_mm;
        nearest[0] = Some((Tool::Needle, distance, libm::hypot(p.x, p.y), BLUNT_PUNCTURE_UN));
    }
    if let Some(chopper) = &state.chopper {
        let p = chopper.blade.point_mm;
        let puncture = match chopper.end {
            ChopperEnd::Pointed => SHARP_PUNCTURE_UN,
            ChopperEnd::Blunt => BLUNT_PUNCTURE_UN,
        };
        nearest[1] =
            Some((Tool::Chopper, shape.distance_to_posterior_mm(&(p - pushed_mm)), libm::hypot(p.x, p.y), puncture));
    }
    for (tool, distance, radius_mm, puncture_un) in nearest.into_iter().flatten() {
        let before = state.totals.distance_to_capsule_min_mm;
        state.totals.distance_to_capsule_min_mm = before.min(distance);
        state.totals.chop_distance_min_mm = state.totals.chop_distance_min_mm.min(distance);
        if distance < model.capsule_near_mm && before >= model.capsule_near_mm {
            let cause = what_led_near(state, tool);
            state.note(cause, EventKind::CapsuleNear { tool, distance_mm: distance });
        }
        if state.is_breached || distance > 0.0 {
            continue;
        }
        let by = if tool == Tool::Needle && state.power > 0.0 {
            BreachBy::Ultrasound
        } else if -distance * INDENTATION_STIFFNESS_UN_MM >= puncture_un {
            BreachBy::SharpForce
        } else {
            continue;
        };
        state.is_breached = true;
        let cause = state.latest(|k| match k {
            EventKind::CapsuleNear { tool: near, .. } => *near == tool,
            EventKind::TipLeftCore { .. } => tool == Tool::Needle,
            _ => false,
        });
        state.note(cause, EventKind::Breach { tool, by, radius_mm });
    }
}

/// A needle near the capsule got there by running on beyond the dense zone, if it did.
fn what_led_near(state: &State, tool: Tool) -> Option<u32> {
    match tool {
        Tool::Needle => state.latest(|k| matches!(k, EventKind::TipLeftCore { .. } | EventKind::TipEnteredLens)),
        Tool::Chopper => state.latest(|k| matches!(k, EventKind::ChopperEntered)),
    }
}
