//! How the needle goes into the lens, and how it holds there.
//!
//! Along the shaft the tip is an elastic–plastic contact. The hand advances; the lens gives way against bag and zonules;
//! the tip goes in when ultrasound emulsifies what lies ahead, at a rate set by power and hardness, or when the push
//! exceeds the end-bearing capacity of the tissue; it slides out when the nucleus is pushed off it with more than
//! friction and vacuum hold. In soft tissue all three are small: the tip meets nothing and runs on. That is all the
//! hazard beyond the core's edge consists of; nothing else is written down for it.
//!
//! Ultrasound that goes on while the tip stands still cores out a gap round it, and with the gap friction and seal are
//! lost. Eye frame unless said; mm, µN, Pa.

use crate::sim::capsule::lips_to_capsule_mm;
use crate::sim::event::{EventKind, SlipBy};
use crate::sim::hands::{ELEVATION_RANGE_RAD, HandPose, Needle, Tip, rise_over_rim_mm};
use crate::sim::lens::COHESION_OVER_STRENGTH;
use crate::sim::opening::BAG_STIFFNESS_UN_MM;
use crate::sim::pieces::GONE;
use crate::sim::{Inputs, Lens, Model, NeedleState, State};

/// End-bearing capacity of a rod over the tissue's cohesion (deep foundations in clay, Skempton 1951; M).
pub const END_BEARING: f64 = 9.0;

/// Friction along a buried shaft over the tissue's cohesion (A): vibration has widened its bed.
pub const SHAFT_FRICTION: f64 = 0.1;

/// Advance of the tip at full power through tissue as tough as a nucleus of grade 1, mm/s (A). It falls with toughness,
/// and so exponentially with the grade.
pub const FULL_POWER_ADVANCE_MM_S: f64 = 10.0;

/// Toughness of a nucleus of grade 1, nJ/mm² (A: as in `Tissue::nucleus`).
const GRADE_1_NJ_MM2: f64 = 4000.0;

/// Growth of the gap round a tip that vibrates without advancing, at full power and grade 1, mm/s (A).
pub const CORING_MM_S: f64 = 0.5;

/// Gap at which neither friction nor seal is left, mm (A: a tenth of a needle's width).
pub const GAP_WITHOUT_HOLD_MM: f64 = 0.1;

/// Gap from which the bed counts as cored out, mm (D): half the hold is gone.
pub const CORED_MM: f64 = 0.5 * GAP_WITHOUT_HOLD_MM;

/// Time with the tip still that any foot needs to come back, s (A).
pub const LINGER_S: f64 = 0.3;

/// Advance in a tick that still counts as standing, mm (A).
const STILL_MM: f64 = 1e-4;

/// Burial in firm tissue from which a cored bed is worth noting, mm (A): in soft tissue nothing holds anyway.
const CORED_FIRM_MM: f64 = 0.3;

/// Advance over which a fresh bed replaces a cored one, mm (A).
const FRESH_BED_MM: f64 = 0.3;

/// Strength from which tissue stops the sleeve, Pa (A: between epinucleus and nucleus).
pub const FIRM_PA: f64 = 10_000.0;

/// Slide along the shaft that counts as a slip, mm (A).
pub const SLIP_MM: f64 = 0.3;

/// Load along the shaft from which pushing is noted, µN (A).
pub const PUSH_NOTED_UN: f64 = 100_000.0;

/// Sampling along the shaft, mm, and how far back it looks (A: half a cell; longer than any burial).
const SHAFT_STEP_MM: f64 = 0.1;
const SHAFT_MOST_MM: f64 = 8.0;

/// Move the needle with the hand, let the rim stop it, and let it enter, push or slide.
pub fn advance(model: &Model, state: &mut State, inputs: &Inputs) {
    let pose = HandPose {
        elevation_rad: inputs.needle.elevation_rad.clamp(ELEVATION_RANGE_RAD.0, ELEVATION_RANGE_RAD.1),
        ..inputs.needle
    };
    let mut tip = Tip { place_mm: pose.end_mm(&model.main_incision), forward: pose.forward(), roll_rad: pose.roll_rad };
    let shape = &model.field.shape;
    let rise = rise_over_rim_mm(&tip, model.rhexis_radius_mm, |r| shape.anterior_z_mm(r));
    tip.place_mm.z += rise;
    let before = state.needle.take();
    let was_lifted = before.as_ref().is_some_and(|n| n.lifted_mm > RIM_NOTED_MM);
    let mut needle = before.unwrap_or(NeedleState {
        tip,
        buried_mm: 0.0,
        buried_firm_mm: 0.0,
        depth_mm: None,
        radius_mm: 0.0,
        is_in_core: false,
        occlusion: 0.0,
        gap_mm: 0.0,
        purchase_un: 0.0,
        still_s: 0.0,
        slid_mm: 0.0,
        load_un: 0.0,
        lifted_mm: 0.0,
    });
    needle.lifted_mm = rise;
    if rise > RIM_NOTED_MM && !was_lifted {
        state.note(None, EventKind::ShaftOnRim { lifted_mm: rise, elevation_rad: pose.elevation_rad });
    }
    let travel = (tip.place_mm - needle.tip.place_mm).dot(&tip.forward);
    needle.tip = tip;
    if state.opening.is_none() {
        enter(model, state, &mut needle, travel);
    }
    measure(model, state, &mut needle);
    state.needle = Some(needle);
}

/// Lift by the rim from which it is noted, mm (A).
const RIM_NOTED_MM: f64 = 0.05;

/// The contact along the shaft.
fn enter(model: &Model, state: &mut State, needle: &mut NeedleState, travel_mm: f64) {
    let forward = needle.tip.forward;
    let pressed = state.chopper.as_ref().map_or(0.0, |c| c.press_un) * (-forward.z); // along the shaft, off the tip
    let stuck = state.lens.pushed_mm.dot(&forward) + travel_mm;
    let place = |lens: &mut Lens, pushed: f64| lens.pushed_mm = forward * pushed;
    place(&mut state.lens, stuck);
    let ahead = tissue_ahead(model, &state.lens, &needle.tip);
    let is_sleeved = needle.buried_firm_mm >= model.needle.exposed_mm;
    let load = |pushed: f64| BAG_STIFFNESS_UN_MM * pushed - pressed;
    let hold = needle.hold_un(model, &state.lens);

    let mut pushed = stuck;
    if state.power > 0.0 && load(pushed) > 0.0 && !is_sleeved {
        let rate = if ahead.share > 0.0 {
            FULL_POWER_ADVANCE_MM_S * state.power * GRADE_1_NJ_MM2 / ahead.toughness_nj_mm2
        } else {
            f64::INFINITY
        };
        pushed -= (rate * model.tick_s).min(load(pushed) / BAG_STIFFNESS_UN_MM);
    }
    let emulsified = stuck - pushed;
    let capacity = if is_sleeved {
        f64::INFINITY
    } else {
        END_BEARING * COHESION_OVER_STRENGTH * ahead.strength_pa * model.needle.section_mm2() + hold
    };
    if load(pushed) > capacity {
        pushed = (capacity + pressed) / BAG_STIFFNESS_UN_MM;
    }
    let entered = stuck - pushed;
    if load(pushed) < -hold {
        let free = (pressed - hold) / BAG_STIFFNESS_UN_MM;
        // What the hand draws back itself is no slide.
        needle.slid_mm += (free - pushed + travel_mm.min(0.0)).max(0.0);
        pushed = free;
    }
    place(&mut state.lens, pushed);
    needle.load_un = load(pushed);
    needle.still_s = if entered > STILL_MM { 0.0 } else { needle.still_s + model.tick_s };
    if entered > 0.0 {
        state.totals.cutting_nj += needle.load_un.max(0.0) * entered;
        needle.slid_mm = (needle.slid_mm - entered).max(0.0);
        // Back into its own bore the tip finds no fresh bed.
        needle.gap_mm *= libm::exp(-entered * ahead.share / FRESH_BED_MM);
    }
    if emulsified > 0.0 {
        emulsify(model, state, &needle.tip);
    }
    if is_sleeved
        && travel_mm > 0.0
        && needle.load_un > 0.0
        && !has_since_burial(state, |k| matches!(k, EventKind::SleeveStopped { .. }))
    {
        state.note(None, EventKind::SleeveStopped { exposed_mm: model.needle.exposed_mm });
    }
    if needle.load_un > PUSH_NOTED_UN && !has_since_burial(state, |k| matches!(k, EventKind::LensPushed { .. })) {
        let cause = state.latest(|k| matches!(k, EventKind::SleeveStopped { .. } | EventKind::PedalMoved { .. }));
        state.note(cause, EventKind::LensPushed { load_un: needle.load_un, ultrasound: state.power > 0.0 });
    }
    if needle.slid_mm > SLIP_MM && !has_since_burial(state, |k| matches!(k, EventKind::TipSlipped { .. })) {
        // A bed that is cored out lets go sooner than the chopper alone would make it.
        let is_cored = needle.gap_mm >= CORED_MM;
        let cause = state.latest(|k| match k {
            EventKind::PurchaseCored { .. } => is_cored,
            EventKind::ChopperEntered => !is_cored,
            _ => false,
        });
        state.note(cause, EventKind::TipSlipped { by: SlipBy::AlongShaft, slip_mm: needle.slid_mm });
    }
}

/// Has such an event been noted since the tip last entered the lens?
fn has_since_burial(state: &State, is_meant: impl Fn(&EventKind) -> bool) -> bool {
    let from = state.latest(|k| matches!(k, EventKind::TipEnteredLens)).map_or(0, |i| i as usize);
    state.events[from..].iter().any(|e| is_meant(&e.kind))
}

/// What lies ahead of the tip.
struct Ahead {
    /// Share of the section that meets tissue.
    share: f64,
    /// Mean strength over the whole section (nothing counts as 0), Pa.
    strength_pa: f64,
    /// Mean toughness of what is met, nJ/mm².
    toughness_nj_mm2: f64,
}

fn tissue_ahead(model: &Model, lens: &Lens, tip: &Tip) -> Ahead {
    let cells = &model.cells;
    let (mut met, mut strength, mut toughness, mut count) = (0.0, 0.0, 0.0, 0.0);
    let step = tip.forward * (0.5 * cells.size_mm);
    let rings = model.needle.ring_mm(tip, 0.8, 8).chain(model.needle.ring_mm(tip, 0.4, 6));
    for point in rings {
        count += 1.0;
        if let Some(cell) = cells.at(&lens.from_eye(&(point + step))).map(|c| c as usize)
            && lens.fragment[cell] != GONE
        {
            met += 1.0;
            strength += f64::from(cells.strength_pa[cell]);
            toughness += f64::from(cells.toughness_nj_mm2[cell]);
        }
    }
    Ahead { share: met / count, strength_pa: strength / count, toughness_nj_mm2: toughness / f64::max(met, 1.0) }
}

/// Remove the cells the vibrating tip has passed through.
fn emulsify(model: &Model, state: &mut State, tip: &Tip) {
    let local = state.lens.tip_from_eye(tip);
    let radius = model.needle.outer_radius_mm;
    let cells = &model.cells;
    let middle = local.behind_mm(0.5 * radius);
    let lens = &mut state.lens;
    cells.within(&middle, 1.2 * radius, |cell| {
        let cell = cell as usize;
        let d = cells.place_mm[cell] - local.place_mm;
        let along = d.dot(&local.forward);
        let across2 = d.norm_squared() - along * along;
        let fragment = lens.fragment[cell];
        if fragment != GONE && along <= 0.0 && across2 < radius * radius {
            lens.fragment[cell] = GONE;
            lens.volume_ul[usize::from(fragment)] -= cells.cell_ul();
            lens.removed_ul += cells.cell_ul();
        }
    });
}

impl NeedleState {
    /// What friction and vacuum hold along the shaft, µN.
    fn hold_un(&self, model: &Model, lens: &Lens) -> f64 {
        let cells = &model.cells;
        let mut strength_mm = 0.0;
        let mut back = 0.5 * SHAFT_STEP_MM;
        while back < self.buried_mm {
            if let Some(cell) = cells.at(&lens.from_eye(&self.tip.behind_mm(back))) {
                strength_mm += f64::from(cells.strength_pa[cell as usize]) * SHAFT_STEP_MM;
            }
            back += SHAFT_STEP_MM;
        }
        let girth = 2.0 * core::f64::consts::PI * model.needle.outer_radius_mm;
        SHAFT_FRICTION * COHESION_OVER_STRENGTH * strength_mm * girth * self.seal() + self.purchase_un
    }

    /// Share of friction and seal the gap has left, 0..1.
    fn seal(&self) -> f64 {
        (1.0 - self.gap_mm / GAP_WITHOUT_HOLD_MM).clamp(0.0, 1.0)
    }
}

/// Where the tip is in the lens, and what it notes on the way.
fn measure(model: &Model, state: &mut State, needle: &mut NeedleState) {
    let (cells, core) = (&model.cells, &model.field.core);
    let local = state.lens.tip_from_eye(&needle.tip);
    let was_in_lens = needle.buried_mm > 0.0;
    (needle.buried_mm, needle.buried_firm_mm) = (0.0, 0.0);
    let mut back = 0.5 * SHAFT_STEP_MM;
    while back < SHAFT_MOST_MM {
        let Some(cell) = cells.at(&local.behind_mm(back)) else { break };
        needle.buried_mm = back + 0.5 * SHAFT_STEP_MM;
        if f64::from(cells.strength_pa[cell as usize]) >= FIRM_PA {
            needle.buried_firm_mm += SHAFT_STEP_MM;
        }
        back += SHAFT_STEP_MM;
    }
    let p = local.place_mm;
    needle.depth_mm = core.anterior_z_mm(p.x, p.y).map(|top| top - p.z);
    needle.radius_mm = libm::hypot(p.x - core.centre_mm.x, p.y - core.centre_mm.y);
    if needle.buried_mm > 0.0 && !was_in_lens {
        state.note(None, EventKind::TipEnteredLens);
        needle.slid_mm = 0.0;
    }
    let was_in_core = needle.is_in_core;
    needle.is_in_core = core.weight(&p) >= 0.5;
    if needle.is_in_core && !was_in_core {
        let cause = state.latest(|k| matches!(k, EventKind::TipEnteredLens));
        state.note(cause, EventKind::TipEnteredCore { radius_mm: needle.radius_mm });
    }
    let is_deeper = needle.depth_mm.is_none_or(|d| d > 0.0);
    if was_in_core && !needle.is_in_core && is_deeper {
        let distance_to_capsule_mm = lips_to_capsule_mm(model, &state.lens, &needle.tip);
        let cause = state.latest(|k| matches!(k, EventKind::TipEnteredCore { .. }));
        state.note(cause, EventKind::TipLeftCore { radius_mm: needle.radius_mm, distance_to_capsule_mm });
    }
}

/// What ultrasound does to the bed, and how vacuum holds.
pub fn hold(model: &Model, state: &mut State, _: &Inputs) {
    let Some(mut needle) = state.needle.take() else { return };
    needle.occlusion = port_cover(model, &state.lens, &needle.tip);
    if state.power > 0.0 && needle.buried_mm > 0.0 {
        let toughness = bed_toughness(model, &state.lens, &needle.tip).max(1.0);
        needle.gap_mm += CORING_MM_S * state.power * GRADE_1_NJ_MM2 / toughness * model.tick_s;
        needle.gap_mm = needle.gap_mm.min(model.needle.outer_radius_mm);
        let is_cored = needle.gap_mm >= CORED_MM && needle.still_s >= LINGER_S && needle.buried_firm_mm > CORED_FIRM_MM;
        if is_cored && !has_since_burial(state, |k| matches!(k, EventKind::PurchaseCored { .. })) {
            let cause = state.latest(|k| matches!(k, EventKind::PedalMoved { .. }));
            state.note(cause, EventKind::PurchaseCored { gap_mm: needle.gap_mm });
        }
    }
    if needle.buried_mm <= 0.0 {
        needle.gap_mm = 0.0;
    }
    needle.purchase_un = state.vacuum_pa * model.needle.port_area_mm2() * needle.occlusion * needle.seal();
    state.needle = Some(needle);
}

/// Share of the port covered by lens within reach, by points spread over its area.
fn port_cover(model: &Model, lens: &Lens, tip: &Tip) -> f64 {
    let bore = Needle { outer_radius_mm: model.needle.bore_radius_mm, ..model.needle.clone() };
    let (mut met, mut count) = (0.0, 0.0);
    let (up, _) = tip.cross_axes();
    let facing = (tip.forward * libm::cos(bore.bevel_rad) + up * libm::sin(bore.bevel_rad)) * model.cells.size_mm;
    for (share, points) in [(0.87, 8), (0.5, 4)] {
        for point in bore.ring_mm(tip, share, points) {
            count += 1.0;
            let reached = model.cells.at(&lens.from_eye(&(point + facing)));
            if reached.is_some_and(|c| lens.fragment[c as usize] != GONE) {
                met += 1.0;
            }
        }
    }
    met / count
}

/// Toughness of the tissue round the tip, nJ/mm².
fn bed_toughness(model: &Model, lens: &Lens, tip: &Tip) -> f64 {
    let cell = model.cells.at(&lens.from_eye(&tip.place_mm));
    cell.map_or(0.0, |c| f64::from(model.cells.toughness_nj_mm2[c as usize]))
}
