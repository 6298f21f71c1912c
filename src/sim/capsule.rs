//! The capsule: how near the instruments come to its back, when it rises, and what opens it.
//!
//! The posterior capsule is a membrane (`membrane`) on the lens's back. It goes with bag and lens when these are pushed or
//! moved by the fluid. It is far softer than the diaphragm as a whole: over the share of the area where no lens lies on it
//! any more it goes on where lens and zonules hold the rest back, and it rises by that share of what the vitreous gives up
//! (its load is found so that it does). A blunt chopper under the port stands in its way.
//!
//! It is opened by a vibrating tip in contact, by a tip pressed through it, by suction when it is drawn over the open
//! port (wall stress P·a/2t against its strength), or by fluid trapped behind the lens (`bag`). The rim of the rhexis
//! tears when an instrument that straddles it is moved across it, and runs out when the tear is pulled on.
//!
//! After a breach the hole grows with what presses through it, vitreous comes forward, and pieces above it sink. All of
//! that goes on or stops with pressure, suction and filling; nothing is random. Eye frame; mm, µN, Pa, µL.
//!
//! Limits: growth of the hole and flow of vitreous are assumed; the membrane's shape does not feel the hole.

use crate::sim::event::{BreachBy, EventIndex, EventKind, Tool};
use crate::sim::hands::{ChopperEnd, Tip};
use crate::sim::membrane::{FREE_MM, Node, Press, suction_stress_pa};
use crate::sim::{Inputs, Model, State, chamber};
use nalgebra::Vector3;
use serde::{Deserialize, Serialize};

/// Stiffness of the capsule on vitreous against a small tip, µN/mm (A).
pub const INDENTATION_STIFFNESS_UN_MM: f64 = 40_000.0;

/// Force at which a sharp point goes through, µN: 15–35 mN for needles through porcine anterior capsule (PubMed
/// 27254279; S), the middle of that range (D); the posterior capsule is thinner (A that it is no stronger).
pub const SHARP_PUNCTURE_UN: f64 = 25_000.0;

/// Force at which a round, hard end goes through, µN (A: four times the sharp one).
pub const BLUNT_PUNCTURE_UN: f64 = 100_000.0;

/// Lips of the needle that are measured.
const LIPS: u32 = 8;

/// Distance of the lips within which the capsule is drawn onto an open port, mm (A).
const DRAWN_MM: f64 = 0.1;

/// Share of the port that tissue leaves open from which the capsule can be drawn in (A).
const OPEN_TO_CAPSULE: f64 = 0.5;

/// Rise of the capsule of itself from which it is noted, mm (A).
const RISE_NOTED_MM: f64 = 0.3;

/// Time between looks at what lies on the membrane, ticks (a twentieth of a second at the usual tick).
const LAY_TICKS: u64 = 12;

/// Step of the look upward from each node, over the size of a cell, and the height where it ends, mm (numerical: above the
/// equator's plane a piece no longer stops the capsule).
const LOOK_SHARE: f64 = 0.8;
const LOOK_UP_MM: f64 = 1.0;

/// Gap under a piece within which it counts as lying on the capsule, mm (A).
const LIES_MM: f64 = 0.25;

/// Time constant of the mean displacement that the membrane's rise counts from, s (A: a bag that stays where it is
/// settles).
const SETTLES_S: f64 = 4.0;

/// Largest load on the membrane, Pa (numerical: a few mmHg take it to its stop).
const MOST_LOAD_PA: f64 = 1_000.0;

/// Time constant with which missing volume is made up for, s (numerical: short against a surge).
const MADE_UP_S: f64 = 0.01;

/// Fastest change of the load, Pa/s (numerical: where the membrane comes free it softens at once).
const MOST_RATE_PA_S: f64 = 4_800.0;

/// Volume that does not matter, µL (numerical).
const LEAST_UL: f64 = 0.01;

/// Stiffness of the rim against being pulled across, µN/mm, and the force at which it tears (A).
const RIM_UN_MM: f64 = 15_000.0;
const RIM_TEARS_UN: f64 = 20_000.0;

/// Length of a tear from which it runs out toward the equator, mm (A).
const RUN_OUT_MM: f64 = 1.0;

/// First radius of a breach, mm (A: a tip's), and how fast what presses through widens it, mm/(s·Pa), beyond what it
/// bears, Pa (A).
const HOLE_MM: f64 = 0.4;
const HOLE_GROWS_MM_S_PA: f64 = 4.0e-4;
const HOLE_BEARS_PA: f64 = 400.0;
const HOLE_MOST_MM: f64 = 4.0;

/// Vitreous that comes forward, µL/(s·Pa·mm²) (A), and the share of a port's flow that is vitreous near the hole (A).
const VITREOUS_UL_S_PA_MM2: f64 = 5.0e-3;
const VITREOUS_DRAWN: f64 = 0.3;
const NEAR_HOLE_MM: f64 = 3.0;

/// Volume of viscoelastic that closes a hole off, µL (A).
const TAMPONADE_UL: f64 = 40.0;

/// Vitreous forward from which it is noted, µL (A).
const VITREOUS_NOTED_UL: f64 = 2.0;

/// What has been wounded.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Wounds {
    /// Radius of the hole in the posterior capsule, mm.
    pub hole_mm: f64,
    /// Where it is, mm.
    pub hole_at_mm: [f64; 2],
    /// Vitreous that has come forward, µL.
    pub vitreous_ul: f64,
    /// The mean displacement of the diaphragm, µL.
    pub settled_ul: f64,
    /// Volume under the membrane's own rise a tick before, µL.
    pub risen_ul: f64,
    /// What the membrane gives way, settled and within a tick, µL/Pa.
    pub compliance_ul_pa: [f64; 2],
    /// Share of the posterior capsule that no lens lies over.
    pub uncovered: f64,
    /// Where the chopper caught the rim, mm.
    pub caught_mm: Option<[f64; 2]>,
    /// Length of the rim's tear, mm.
    pub rim_tear_mm: f64,
    /// Volume of the lens when the membrane was last laid under it, µL.
    pub laid_ul: f64,
    /// Share of the port that the capsule covers.
    pub port_covered: f64,
    /// Has the surgeon called for help?
    pub has_called: bool,
}

/// Distance of the nearest of a needle's lips to the posterior capsule, mm; negative behind it.
pub fn lips_to_capsule_mm(model: &Model, state: &State, tip: &Tip) -> f64 {
    let carried_mm = state.lens.carried_mm();
    let lips = model.needle.ring_mm(tip, 1.0, LIPS);
    let distances = lips.map(|lip| state.membrane.distance_mm(&model.membrane, &(lip - carried_mm)));
    distances.fold(f64::INFINITY, f64::min)
}

/// Distance of the nearer instrument to the posterior capsule as it stands, mm: a needle's by its lips, a chopper's by its
/// point; negative behind it. `None` while neither is in the eye.
pub fn nearest_mm(model: &Model, state: &State) -> Option<f64> {
    let needle = state.needle.as_ref().filter(|_| state.chamber.was_in_eye);
    let by_needle = needle.map(|n| {
        let middle_mm = n.tip.place_mm - state.lens.carried_mm();
        lips_to_capsule_mm(model, state, &n.tip).min(state.membrane.distance_mm(&model.membrane, &middle_mm))
    });
    let by_chopper = state.chopper.as_ref().map(|c| {
        let point_mm = c.blade.point_mm - state.lens.carried_mm();
        state.membrane.distance_mm(&model.membrane, &point_mm)
    });
    [by_needle, by_chopper].into_iter().flatten().reduce(f64::min)
}

/// An instrument, its distance to the capsule (mm), where it is (mm), and the force with which it goes through (µN).
type Reach = (Tool, f64, Vector3<f64>, f64);

/// Move the membrane, measure the distances, note approaches, and see whether the capsule holds.
pub fn watch(model: &Model, state: &mut State, inputs: &Inputs) {
    lay(model, state);
    rise(model, state);
    let carried_mm = state.lens.carried_mm();
    let mut nearest: [Option<Reach>; 2] = [None, None];
    if let Some(needle) = &state.needle {
        let mut distance = state.membrane.distance_mm(&model.membrane, &(needle.tip.place_mm - carried_mm));
        // A lip is at most its distance from the middle nearer; where that cannot matter it is not looked for.
        let reach = 1.1 * model.needle.outer_radius_mm / libm::cos(model.needle.bevel_rad);
        let matters = state.totals.distance_to_capsule_min_mm.min(state.totals.chop_distance_min_mm);
        if distance - reach < matters.max(DRAWN_MM) {
            distance = distance.min(lips_to_capsule_mm(model, state, &needle.tip));
        }
        nearest[0] = Some((Tool::Needle, distance, needle.tip.place_mm, BLUNT_PUNCTURE_UN));
    }
    if let Some(chopper) = &state.chopper {
        let p = chopper.blade.point_mm;
        let puncture = match chopper.end {
            ChopperEnd::Pointed => SHARP_PUNCTURE_UN,
            ChopperEnd::Blunt => BLUNT_PUNCTURE_UN,
        };
        let distance = state.membrane.distance_mm(&model.membrane, &(p - carried_mm));
        nearest[1] = Some((Tool::Chopper, distance, p, puncture));
    }
    note_rise(state, nearest.iter().flatten().map(|n| n.1).fold(f64::INFINITY, f64::min));
    state.wounds.port_covered = 0.0;
    for (tool, distance, place_mm, puncture_un) in nearest.into_iter().flatten() {
        approach(model, state, tool, distance);
        if tool == Tool::Needle {
            draw_in(model, state, distance, place_mm);
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
        breach_by_tool(state, tool, by, place_mm);
    }
    watch_rim(model, state);
    if state.is_breached {
        suffer(model, state);
    }
    if inputs.calls && !state.wounds.has_called {
        state.wounds.has_called = true;
        let cause = state.latest(|k| matches!(k, EventKind::Breach { .. }));
        state.note(cause, EventKind::Called);
    }
}

/// Lay what is left of the lens on the membrane.
fn lay(model: &Model, state: &mut State) {
    let is_due = state.tick.is_multiple_of(LAY_TICKS) && !state.lens.is_whole();
    let left_ul: f64 = state.lens.volume_ul.iter().sum();
    let is_eaten = (state.wounds.laid_ul - left_ul).abs() > LAID_AGAIN_UL && state.tick.is_multiple_of(LAY_TICKS);
    if state.wounds.laid_ul != 0.0 && !is_due && !is_eaten {
        return;
    }
    state.wounds.laid_ul = left_ul;
    let carried_mm = state.lens.carried_mm();
    let rise_mm = LOOK_SHARE * model.cells.size_mm;
    let lies_mm = LIES_MM + model.cells.size_mm * 2.0;
    let underside_mm = |node: &Node| {
        let foot_mm = Vector3::new(node.x_mm, node.y_mm, node.rest_z_mm) + carried_mm;
        let heights_mm = (1..).map(|k| f64::from(k) * rise_mm).take_while(|h| node.rest_z_mm + h < LOOK_UP_MM);
        let over_mm = heights_mm
            .into_iter()
            .find(|h| state.lens.at_eye(model, &(foot_mm + Vector3::z() * *h)).is_some())
            .unwrap_or(FREE_MM);
        // What lies on it, to the coarseness of cells and looks, lies on it.
        if over_mm < lies_mm { 0.0 } else { over_mm }
    };
    let support_mm: Vec<f64> = model.membrane.nodes().iter().map(underside_mm).collect();
    if support_mm != state.membrane.support_mm {
        state.membrane.lay(&model.membrane, &support_mm);
        let (membrane, m) = (&state.membrane, &model.membrane);
        state.wounds.compliance_ul_pa = [membrane.settled_compliance_ul_pa(m), membrane.tick_compliance_ul_pa(m)];
        state.wounds.uncovered = membrane.unsupported_share(m);
    }
}

/// Change of volume after which a lens in one piece is laid anew, µL (A).
const LAID_AGAIN_UL: f64 = 1.0;

/// The membrane takes up what the vitreous gives up, as far as it is softer than the diaphragm as a whole.
fn rise(model: &Model, state: &mut State) {
    let diaphragm_ul = state.circuit.diaphragm_ul;
    if state.tick <= 1 {
        state.wounds.settled_ul = diaphragm_ul;
    }
    let share = 1.0 - libm::exp(-model.tick_s / SETTLES_S);
    state.wounds.settled_ul += (diaphragm_ul - state.wounds.settled_ul) * share;
    let [settled, tick] = state.wounds.compliance_ul_pa;
    let takes = state.wounds.uncovered * settled / (settled + 1.0 / chamber::piston_pa_ul(model, state));
    let goal_ul = if state.is_breached { 0.0 } else { (takes * (diaphragm_ul - state.wounds.settled_ul)).max(0.0) };
    let risen_ul = state.membrane.volume_ul(&model.membrane);
    // Without a change of load it goes on as in the last tick.
    let going_ul = risen_ul - state.wounds.risen_ul;
    state.wounds.risen_ul = risen_ul;
    let missing_ul = goal_ul - risen_ul;
    let mut load_pa = state.membrane.load_pa;
    if missing_ul.abs() > LEAST_UL && tick > 0.0 {
        let share = 1.0 - libm::exp(-model.tick_s / MADE_UP_S);
        let most_pa = MOST_RATE_PA_S * model.tick_s;
        let more_pa = ((share * missing_ul - going_ul) / tick).clamp(-most_pa, most_pa);
        load_pa = (load_pa + more_pa).clamp(0.0, MOST_LOAD_PA);
    }
    let carried_mm = state.lens.carried_mm();
    // A blunt chopper stands in its way; a pointed one would go through.
    let presses: Vec<Press> = state
        .chopper
        .iter()
        .filter(|c| c.end == ChopperEnd::Blunt)
        .flat_map(|c| [c.blade.point_mm, c.blade.bend_mm])
        .map(|p| Press { place_mm: p - carried_mm, radius_mm: model.chopper.width_mm })
        .collect();
    state.membrane.step(&model.membrane, load_pa, &presses);
    let (rise_mm, _) = state.membrane.largest_rise_mm();
    state.totals.capsule_rise_mm = state.totals.capsule_rise_mm.max(rise_mm);
}

fn note_rise(state: &mut State, distance_mm: f64) {
    let (rise_mm, _) = state.membrane.largest_rise_mm();
    let surge = state.latest(|k| {
        matches!(k, EventKind::Surge { .. } | EventKind::OcclusionBroke { .. } | EventKind::PedalMoved { .. })
    });
    let noted = state.latest(|k| matches!(k, EventKind::CapsuleRose { .. }));
    if rise_mm > RISE_NOTED_MM && noted < surge {
        state.note(surge, EventKind::CapsuleRose { rise_mm, distance_mm });
    }
}

fn approach(model: &Model, state: &mut State, tool: Tool, distance: f64) {
    let before = state.totals.distance_to_capsule_min_mm;
    state.totals.distance_to_capsule_min_mm = before.min(distance);
    state.totals.chop_distance_min_mm = state.totals.chop_distance_min_mm.min(distance);
    if distance < model.capsule_near_mm && before >= model.capsule_near_mm {
        let cause = what_led_near(state, tool);
        state.note(cause, EventKind::CapsuleNear { tool, distance_mm: distance });
    }
}

/// The capsule is drawn onto an open port it touches: it closes the port, and gives way where vacuum is too high.
fn draw_in(model: &Model, state: &mut State, distance_mm: f64, place_mm: Vector3<f64>) {
    let Some(needle) = &state.needle else { return };
    let is_open = 1.0 - needle.occlusion > OPEN_TO_CAPSULE;
    // What flows in draws it on before vacuum has built up.
    let is_drawing = state.vacuum_pa > 0.0 || state.circuit.outflow_ul_s > 0.0;
    if !is_open || !is_drawing || distance_mm > DRAWN_MM || state.is_breached {
        return;
    }
    state.wounds.port_covered = 1.0 - needle.occlusion;
    let stress_pa = suction_stress_pa(state.vacuum_pa, model.needle.bore_radius_mm, model.capsule_mm);
    if stress_pa > model.capsule_strength_pa {
        breach_by_tool(state, Tool::Needle, BreachBy::Suction, place_mm);
    }
}

fn breach_by_tool(state: &mut State, tool: Tool, by: BreachBy, place_mm: Vector3<f64>) {
    let cause = state.latest(|k| match k {
        EventKind::CapsuleNear { tool: near, .. } => *near == tool,
        EventKind::TipLeftCore { .. } => tool == Tool::Needle,
        EventKind::CapsuleRose { .. } => true,
        _ => false,
    });
    breach(state, cause, Some(tool), by, libm::hypot(place_mm.x, place_mm.y));
    state.wounds.hole_at_mm = [place_mm.x, place_mm.y];
}

/// The posterior capsule is open.
pub fn breach(state: &mut State, cause: Option<EventIndex>, tool: Option<Tool>, by: BreachBy, radius_mm: f64) {
    state.is_breached = true;
    state.wounds.hole_mm = HOLE_MM;
    state.note(cause, EventKind::Breach { tool, by, radius_mm });
}

/// What comes of a breach while pressure, suction and filling are as they are.
fn suffer(model: &Model, state: &mut State) {
    let dt = model.tick_s;
    let pressing_pa = (state.circuit.vitreous_pa - state.circuit.chamber_pa).max(0.0);
    let filled_ul = state.chamber.dispersive_ul + 0.5 * state.chamber.cohesive_ul;
    let free = 1.0 - (filled_ul / TAMPONADE_UL).min(1.0);
    let wounds = &mut state.wounds;
    wounds.hole_mm += HOLE_GROWS_MM_S_PA * (pressing_pa - HOLE_BEARS_PA).max(0.0) * free * dt;
    let mut forward_ul_s =
        VITREOUS_UL_S_PA_MM2 * pressing_pa * free * core::f64::consts::PI * wounds.hole_mm * wounds.hole_mm;
    if let Some(needle) = &state.needle {
        let p = needle.tip.place_mm;
        let aside_mm = libm::hypot(p.x - wounds.hole_at_mm[0], p.y - wounds.hole_at_mm[1]);
        let near = (1.0 - aside_mm / NEAR_HOLE_MM).max(0.0);
        let drawn_ul_s = VITREOUS_DRAWN * state.circuit.outflow_ul_s.max(0.0) * near * free;
        let is_drawing = state.pedal.position >= 2;
        if is_drawing {
            forward_ul_s += drawn_ul_s;
            wounds.hole_mm += HOLE_GROWS_MM_S_PA * state.vacuum_pa * 0.02 * near * free * dt;
        }
    }
    wounds.hole_mm = wounds.hole_mm.min(HOLE_MOST_MM);
    let before_ul = wounds.vitreous_ul;
    wounds.vitreous_ul += forward_ul_s * dt;
    if before_ul < VITREOUS_NOTED_UL && wounds.vitreous_ul >= VITREOUS_NOTED_UL {
        let volume_ul = wounds.vitreous_ul;
        let cause = state.latest(|k| matches!(k, EventKind::Breach { .. }));
        state.note(cause, EventKind::VitreousForward { volume_ul });
    }
    sink(model, state, free);
}

/// Pieces that lie over the hole and fit through it sink, unless something holds them up.
fn sink(model: &Model, state: &mut State, free: f64) {
    let Some(bodies) = &state.bodies else { return };
    if free <= 0.0 || !state.tick.is_multiple_of(LAY_TICKS) {
        return;
    }
    let hole = state.wounds.clone();
    let sinking = bodies.ids().into_iter().find(|body| {
        let volume_ul = state.lens.volume_ul[usize::from(*body)];
        let radius_mm = libm::cbrt(volume_ul * 0.75 / core::f64::consts::PI);
        let Some(middle) = bodies.middle_mm(*body) else { return false };
        let p = middle - state.lens.carried_mm();
        let aside_mm = libm::hypot(p.x - hole.hole_at_mm[0], p.y - hole.hole_at_mm[1]);
        let over_mm = p.z - model.field.shape.posterior_z_mm(libm::hypot(p.x, p.y)) - radius_mm;
        bodies.held() != Some(*body) && radius_mm < hole.hole_mm && aside_mm < hole.hole_mm && over_mm < SINKS_MM
    });
    if let Some(body) = sinking {
        let volume_ul = state.lens.volume_ul[usize::from(body)];
        let cause = state.latest(|k| matches!(k, EventKind::Breach { .. }));
        state.note(cause, EventKind::PieceSank { fragment: body, volume_ul });
        state.lens.lose(&model.cells, body);
    }
}

/// Gap over the hole within which a piece sinks, mm (A).
const SINKS_MM: f64 = 0.5;

/// An instrument that straddles the rim and is moved across it tears it.
fn watch_rim(model: &Model, state: &mut State) {
    let Some(chopper) = &state.chopper else {
        state.wounds.caught_mm = None;
        return;
    };
    if !crate::sim::chop::is_caught(model, state.lens.raised_mm, &chopper.blade) {
        state.wounds.caught_mm = None;
        return;
    }
    let p = chopper.blade.bend_mm;
    let [x, y] = *state.wounds.caught_mm.get_or_insert([p.x, p.y]);
    let across_mm = libm::hypot(p.x - x, p.y - y);
    let force_un = RIM_UN_MM * across_mm;
    if force_un > RIM_TEARS_UN {
        let before_mm = state.wounds.rim_tear_mm;
        let torn_mm = across_mm - RIM_TEARS_UN / RIM_UN_MM;
        state.wounds.rim_tear_mm = before_mm + torn_mm;
        state.wounds.caught_mm = Some([x + (p.x - x) * torn_mm / across_mm, y + (p.y - y) * torn_mm / across_mm]);
        let caught = state.latest(|k| matches!(k, EventKind::ChopperCaughtRim { .. }));
        if before_mm == 0.0 {
            state.note(caught, EventKind::RimTore { tool: Tool::Chopper, force_un });
        } else if before_mm < RUN_OUT_MM && state.wounds.rim_tear_mm >= RUN_OUT_MM {
            let cause = state.latest(|k| matches!(k, EventKind::RimTore { .. }));
            state.note(cause, EventKind::RimRanOut);
        }
    }
}

/// What brought an instrument near: running on beyond the dense zone, or the capsule's own rise.
fn what_led_near(state: &State, tool: Tool) -> Option<EventIndex> {
    match tool {
        Tool::Needle => state.latest(|k| {
            matches!(k, EventKind::TipLeftCore { .. } | EventKind::TipEnteredLens | EventKind::CapsuleRose { .. })
        }),
        Tool::Chopper => state.latest(|k| matches!(k, EventKind::ChopperEntered)),
    }
}
