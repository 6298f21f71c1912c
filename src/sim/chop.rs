//! The chop from the chopper's first touch to the moment the instruments let go.
//!
//! While the chopper goes its way (pressed down, or drawn toward the tip) it cuts a path and nothing opens. When needle
//! and chopper begin to part across the plane they span, the surface of least energy is found once, and from then on
//! each tick is one increment of the opening. It ends when either instrument leaves the lens; what broke is then written
//! to the lens's bonds and stays there. Lens frame unless said; mm, µN, nJ.

use crate::sim::burial::{END_BEARING, FIRM_PA, OUT_S};
use crate::sim::cut::{Plane, Segment, Surface, cut_along_path, least_energy_surface};
use crate::sim::event::{ChopResult, ChopStart, EventKind, SlipBy};
use crate::sim::hands::{Blade, ChopperEnd};
use crate::sim::lens::COHESION_OVER_STRENGTH;
use crate::sim::opening::{Grip, NEEDLE_SLIP_RADII, Onset, Opening};
use crate::sim::pieces::GONE;
use crate::sim::pose::Pose;
use crate::sim::{ChopperState, Inputs, Lens, Model, State};
use nalgebra::Vector3;
use serde::{Deserialize, Serialize};

/// Parting at which separation counts as begun, mm (A).
const ONSET_MM: f64 = 0.02;

/// Movement of the chopper that adds to its path, mm (A: less than a cell).
const PATH_STEP_MM: f64 = 0.17;

/// Spacing of samples along the chopper's end, mm (A: half a cell).
const SAMPLE_MM: f64 = 0.1;

/// Friction of the chopper's end over the tissue's cohesion (A).
const CHOPPER_FRICTION: f64 = 0.2;

/// Thickness of a pointed end along the plane of its edge, mm (A).
const POINT_MM: f64 = 0.08;

/// Length within the lens below which an instrument holds nothing, mm (A: a cell).
const LEAST_BURIAL_MM: f64 = 0.2;

/// Move the chopper with the hand; press, cut and note what it meets.
pub fn move_chopper(model: &Model, state: &mut State, inputs: &Inputs) {
    let Some((end, pose)) = inputs.chopper else {
        state.chopper = None;
        return;
    };
    let blade = Blade::of(&model.chopper, &model.side_port, &pose);
    let before = state.chopper.take();
    let body = body_chopped(state);
    let line = line_in(&frame(state), &blade);
    let mut chopper = ChopperState {
        end,
        blade,
        is_in_lens: line.points(SAMPLE_MM).any(|p| is_of(model, state, body, &p)),
        path: before.as_ref().map(|c| c.path.clone()).unwrap_or_default(),
        press_un: 0.0,
        out_s: 0.0,
    };
    let was_out_s = before.as_ref().map_or(OUT_S, |c| c.out_s);
    if !chopper.is_in_lens {
        chopper.path.clear();
        chopper.out_s = (was_out_s + model.tick_s).min(OUT_S);
    } else if was_out_s >= OUT_S {
        state.note(None, EventKind::ChopperEntered);
    }
    let raised_mm = state.lens.raised_mm;
    if is_caught(model, raised_mm, &blade) && !before.as_ref().is_some_and(|c| is_caught(model, raised_mm, &c.blade)) {
        state.note(None, EventKind::ChopperCaughtRim { uprightness: blade.uprightness() });
    }
    if let (Some(before), true, true) = (&before, chopper.is_in_lens, state.opening.is_none()) {
        let moved = blade.point_mm - before.blade.point_mm;
        let met = Met::along(model, &state.lens, body, &line);
        chopper.press_un = met.press_un(model, end, &moved, before.press_un);
        state.totals.cutting_nj += chopper.press_un * (-moved.z).max(0.0);
        // Drawn sideways it ploughs at the bearing capacity of what it stands in.
        let level = libm::hypot(moved.x, moved.y);
        state.totals.cutting_nj += PLOUGHING * met.cohesion_pa * model.chopper.width_mm * met.engaged_mm * level;
    }
    state.chopper = Some(chopper);
}

/// Cosine of the angle to the vertical within which a chopper's end counts as upright (A: 45°).
const UPRIGHT: f64 = 0.7;

/// Share of a movement that must go up for friction to let go (A).
const RISING: f64 = 0.05;

/// Bearing factor for drawing the chopper through tissue (mean of `bearing_factor` over a usual end; D).
const PLOUGHING: f64 = 5.0;

/// The fragment that is or would be chopped: the one on the tip.
fn body_chopped(state: &State) -> u16 {
    let on_tip = state.needle.as_ref().map_or(0, |n| n.body);
    state.opening.as_ref().map_or(on_tip, |o| o.body)
}

/// The frame in which it is chopped: the fragment's, or that in which it lay when the crack began.
fn frame(state: &State) -> Pose {
    state.opening.as_ref().map_or_else(|| state.lens.pose_of(body_chopped(state)), |o| o.base)
}

fn line_in(pose: &Pose, blade: &Blade) -> Segment {
    Segment { a: pose.from_eye(&blade.point_mm), b: pose.from_eye(&blade.bend_mm) }
}

/// Does a place lie in a fragment, or in what has been removed from it? In the frame of the fragment. While it is being
/// opened, the pieces that come of it count as it.
fn is_of(model: &Model, state: &State, body: u16, p: &Vector3<f64>) -> bool {
    let is_its = |cell: u32| [body, GONE].contains(&state.lens.fragment[cell as usize]);
    model.cells.at(p).is_some_and(|c| state.opening.is_some() || is_its(c))
}

/// What the chopper's end meets.
struct Met {
    /// Length within the lens, mm.
    engaged_mm: f64,
    /// Mean cohesion along it, Pa.
    cohesion_pa: f64,
    /// Cohesion at the point, Pa.
    at_point_pa: f64,
}

impl Met {
    fn along(model: &Model, lens: &Lens, body: u16, line: &Segment) -> Self {
        let strength_pa = |p: &Vector3<f64>| {
            let cell = model.cells.at(p).map(|c| c as usize).filter(|c| lens.fragment[*c] == body);
            cell.map_or(0.0, |c| f64::from(model.cells.strength_pa[c]))
        };
        let (mut sum, mut inside, mut count) = (0.0, 0.0, 0.0);
        for p in line.points(SAMPLE_MM) {
            let strength = strength_pa(&p);
            sum += strength;
            inside += f64::from(u8::from(strength > 0.0));
            count += 1.0;
        }
        Self {
            engaged_mm: (line.b - line.a).norm() * inside / count,
            cohesion_pa: COHESION_OVER_STRENGTH * (sum / f64::max(inside, 1.0)),
            at_point_pa: COHESION_OVER_STRENGTH * strength_pa(&line.a),
        }
    }

    /// Force with which the end presses the nucleus down, µN: only as far as it goes down, and until it rises friction
    /// keeps what it pressed before.
    fn press_un(&self, model: &Model, end: ChopperEnd, moved: &Vector3<f64>, before_un: f64) -> f64 {
        let width = model.chopper.width_mm;
        let friction = CHOPPER_FRICTION * self.cohesion_pa * (2.0 * (width + POINT_MM)) * self.engaged_mm;
        let down = if moved.norm() > 1e-9 { -moved.z / moved.norm() } else { 0.0 };
        if down <= -RISING {
            return 0.0;
        }
        let section = match end {
            ChopperEnd::Pointed => width * POINT_MM,
            ChopperEnd::Blunt => width * width,
        };
        let pressed = down.max(0.0) * (END_BEARING * self.at_point_pa * section + friction);
        pressed.max(before_un.min(friction))
    }
}

/// Does the end straddle the anterior capsule outside the rhexis?
pub fn is_caught(model: &Model, raised_mm: f64, blade: &Blade) -> bool {
    let shape = &model.field.shape;
    let over = |p: &Vector3<f64>| {
        let r = libm::hypot(p.x, p.y);
        (r, p.z - raised_mm - shape.anterior_z_mm(r))
    };
    let ((r_bend, bend), (r_point, point)) = (over(&blade.bend_mm), over(&blade.point_mm));
    let is_outside = |r: f64| r > model.rhexis_radius_mm && r < shape.equator_mm;
    is_outside(r_bend) && is_outside(r_point) && bend > 0.0 && point < 0.0
}

/// Begin, go on with, or end the opening.
pub fn open(model: &Model, state: &mut State, _: &Inputs) {
    let grip = grip(state);
    if let Some(opening) = state.opening.take() {
        match grip {
            Some(grip) => go_on(model, state, opening, grip),
            None => end(state, opening),
        }
        return;
    }
    let found = state.found.take();
    let (Some(grip), Some(chopper)) = (grip, &mut state.chopper) else {
        state.rest = None;
        return;
    };
    if let (Some(found), Some(rest)) = (found, state.rest) {
        begin(model, state, *found, rest, grip);
        return;
    }
    if !has_bite(model, &grip.chopper) {
        // Passing through soft tissue it has nothing to part yet.
        chopper.path.clear();
        state.rest = Some(grip);
        return;
    }
    let plane = Plane::spanned(&grip.needle.place_mm, &grip.needle.forward, &chopper.path);
    let Some(rest) = state.rest else {
        chopper.path.push(grip.chopper);
        state.rest = Some(grip);
        return;
    };
    let moved = (grip.needle.place_mm - rest.needle.place_mm) - (grip.chopper.a - rest.chopper.a);
    let parting = plane.normal.dot(&moved);
    if parting.abs() >= ONSET_MM && parting.abs() > 0.7 * moved.norm() {
        find(model, state, plane, &rest, grip);
    } else if moved.norm() >= PATH_STEP_MM {
        chopper.path.push(grip.chopper);
        state.rest = Some(grip);
    }
}

/// Does the chopper's end stand upright in firm tissue? Flat it slides through.
fn has_bite(model: &Model, line: &Segment) -> bool {
    let is_firm =
        |p: &Vector3<f64>| model.cells.at(p).is_some_and(|c| f64::from(model.cells.strength_pa[c as usize]) >= FIRM_PA);
    let is_upright = line.b.z - line.a.z > UPRIGHT * (line.b - line.a).norm();
    is_upright && line.points(SAMPLE_MM).filter(is_firm).count() as f64 * SAMPLE_MM >= LEAST_BURIAL_MM
}

/// The hands in the lens frame, when both instruments are in the lens.
fn grip(state: &State) -> Option<Grip> {
    let (needle, chopper) = (state.needle.as_ref()?, state.chopper.as_ref()?);
    let is_held = needle.buried_mm >= LEAST_BURIAL_MM && chopper.is_in_lens;
    let frame = frame(state);
    is_held.then(|| Grip { needle: frame.tip_from_eye(&needle.tip), chopper: line_in(&frame, &chopper.blade) })
}

/// A surface found in one tick, to be opened from the next on: neither tick then does the work of both.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Found {
    /// The body it runs through.
    pub body: u16,
    /// The plane it lies about.
    pub plane: Plane,
    /// The surface.
    pub surface: Surface,
}

/// Separation has begun: find the surface.
fn find(model: &Model, state: &mut State, plane: Plane, rest: &Grip, grip: Grip) {
    let (Some(needle), Some(chopper)) = (&state.needle, &state.chopper) else { return };
    let body = needle.body;
    let axis = Segment { a: rest.needle.place_mm, b: rest.needle.behind_mm(needle.buried_mm) };
    let held: Vec<Segment> = chopper.path.iter().copied().chain([axis]).collect();
    let surface = least_energy_surface(model, &state.lens, body, &plane, &held);
    if surface.bonds.is_empty() {
        state.rest = Some(grip); // nothing lies between them
    } else {
        state.found = Some(Box::new(Found { body, plane, surface }));
    }
}

/// Begin to open the surface found.
fn begin(model: &Model, state: &mut State, found: Found, rest: Grip, grip: Grip) {
    let (Some(needle), Some(chopper)) = (&state.needle, &state.chopper) else { return };
    let Found { body, plane, surface } = found;
    let (surface_nj, surface_mm2) = (surface.energy_nj, surface.area_mm2);
    let near_mm = 0.5 * (model.chopper.width_mm + model.cells.size_mm);
    cut_along_path(&model.cells, &mut state.lens, &surface, &chopper.path, near_mm);
    let onset = Onset { body, plane, surface, rest, grip, buried_mm: needle.buried_mm, gap_mm: needle.gap_mm };
    let mut opening = Box::new(Opening::begin(model, &state.lens, onset));
    let start = ChopStart {
        depth_mm: needle.depth_mm,
        along_shaft_mm: needle.buried_mm,
        elevation_rad: needle.tip.elevation_rad(),
        radius_mm: needle.radius_mm,
        vacuum_pa: state.vacuum_pa,
        pedal: state.pedal.position,
        purchase_un: needle.purchase_un,
        surface_nj,
        surface_mm2,
        tilt_rad: plane.tilt_rad(),
        smaller_side: opening.smaller_side,
    };
    opening.advance(&rest, &grip);
    state.totals.chop_distance_min_mm = f64::INFINITY;
    let cause = state
        .latest(|k| matches!(k, EventKind::TipSlipped { .. }))
        .or(state.latest(|k| matches!(k, EventKind::ChopperEntered)));
    state.chop_event = Some(state.note(cause, EventKind::ChopStarted(start)));
    state.opening = Some(opening);
}

fn go_on(model: &Model, state: &mut State, mut opening: Box<Opening>, grip: Grip) {
    let (Some(rest), Some(begun)) = (state.rest, state.chop_event) else { return };
    // An instrument that goes deeper into the open crack bears with its new length.
    let deeper = (rest.chopper.a.z - grip.chopper.a.z)
        .max((grip.needle.place_mm - rest.needle.place_mm).dot(&rest.needle.forward));
    let mut rest = rest;
    if deeper >= model.cells.size_mm {
        let buried_mm = state.needle.as_ref().map_or(0.0, |n| n.buried_mm);
        opening.engage_deeper(model, &state.lens, &grip, buried_mm);
        rest = grip;
        state.rest = Some(grip);
    }
    opening.advance(&rest, &grip);
    let (needle_mm, chopper_mm) = (opening.needle().ploughed_mm(), opening.chopper().ploughed_mm());
    let has = |state: &State, is_meant: fn(&EventKind) -> bool| {
        state.events[begun as usize..].iter().any(|e| is_meant(&e.kind))
    };
    if opening.needle().bears() && needle_mm > NEEDLE_SLIP_RADII * model.needle.outer_radius_mm {
        opening.release_needle();
        state.note(Some(begun), EventKind::TipSlipped { by: SlipBy::Sideways, slip_mm: needle_mm });
    }
    let is_through = opening.chopper().bears() && chopper_mm > model.chopper.width_mm;
    if is_through && !has(state, |k| matches!(k, EventKind::ChopperCutThrough { .. })) {
        state.note(Some(begun), EventKind::ChopperCutThrough { slip_mm: chopper_mm });
    }
    if opening.bag_is_full && !has(state, |k| matches!(k, EventKind::BagFull { .. })) {
        state.note(Some(begun), EventKind::BagFull { room_mm: opening.least_room_mm() });
    }
    state.opening = Some(opening);
}

/// What the chop under way has achieved so far.
pub fn result(state: &State, opening: &Opening) -> ChopResult {
    let progress = opening.progress();
    let from = state.chop_event.map_or(0, |i| i as usize);
    // A slip along the shaft comes before separation, while the chopper is pressed down.
    let buried_at = state.events[..from].iter().rposition(|e| matches!(e.kind, EventKind::TipEnteredLens)).unwrap_or(0);
    ChopResult {
        core_fraction_cracked: progress.core_fraction_cracked,
        posterior_third_cracked: progress.posterior_third_cracked,
        complete: opening.is_complete,
        smaller_side: opening.smaller_side,
        separation_mm: opening.separation_mm,
        opening_mm: progress.opening_mm,
        work_nj: progress.work_nj,
        fracture_nj: progress.fracture_nj,
        ploughed_nj: progress.ploughed_nj,
        tip_slipped: state.events[buried_at..].iter().any(|e| matches!(e.kind, EventKind::TipSlipped { .. })),
        distance_to_capsule_min_mm: state.totals.chop_distance_min_mm,
    }
}

/// Share of the core that must have cracked for an unfinished crack to be worth keeping (A).
const LEAST_SEAM: f64 = 0.02;

fn end(state: &mut State, opening: Box<Opening>) {
    let result = result(state, &opening);
    opening.write_damage(&mut state.lens);
    if !opening.is_complete && result.core_fraction_cracked > LEAST_SEAM {
        let mut seam = opening;
        seam.leave();
        // A later crack through the same body takes the place of the earlier one: damage has been written.
        state.lens.seams.retain(|s| s.body != seam.body);
        state.lens.seams.push(*seam);
    }
    state.note(state.chop_event, EventKind::ChopEnded(result));
    state.chop_event = None;
    state.rest = None;
    if let Some(chopper) = &mut state.chopper {
        chopper.path.clear();
    }
}
