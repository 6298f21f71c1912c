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
use crate::sim::circuit::{DISCHARGE, WATER_G_UL, WATER_PA_S};
use crate::sim::event::{EventKind, SlipBy};
use crate::sim::hands::{ELEVATION_RANGE_RAD, HandPose, Needle, Tip, rise_over_rim_mm};
use crate::sim::lens::COHESION_OVER_STRENGTH;
use crate::sim::opening::BAG_STIFFNESS_UN_MM;
use crate::sim::{Inputs, Lens, Model, NeedleState, State};
use nalgebra::Vector3;

/// End-bearing capacity of a rod over the tissue's cohesion (deep foundations in clay, Skempton 1951; M).
pub const END_BEARING: f64 = 9.0;

/// Friction along a buried shaft over the tissue's cohesion (A): vibration has widened its bed.
pub const SHAFT_FRICTION: f64 = 0.1;

/// Advance of the tip at full power through tissue as tough as a nucleus of grade 1, mm/s (A). It falls with toughness,
/// and so exponentially with the grade.
pub const FULL_POWER_ADVANCE_MM_S: f64 = 10.0;

/// Toughness of a nucleus of grade 1, nJ/mm² (A: as in `Tissue::nucleus`).
const GRADE_1_NJ_MM2: f64 = 4000.0;

/// Full-power time that boring so far takes at least, through tissue of this toughness, s.
pub fn boring_s(length_mm: f64, toughness_nj_mm2: f64) -> f64 {
    length_mm * toughness_nj_mm2 / (FULL_POWER_ADVANCE_MM_S * GRADE_1_NJ_MM2)
}

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

/// Pressure difference at which the leak along the gap is taken, Pa (A: 300 mmHg).
const USUAL_PA: f64 = 40_000.0;

/// Burial in firm tissue over which a bed comes to seal, mm (A: a needle's width).
const SEALING_BED_MM: f64 = 1.0;

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
    let raised_mm = state.lens.raised_mm;
    let rise = rise_over_rim_mm(&tip, model.rhexis_radius_mm, |r| shape.anterior_z_mm(r) + raised_mm);
    tip.place_mm.z += rise;
    let before = state.needle.take();
    let was_lifted = before.as_ref().is_some_and(|n| n.lifted_mm > RIM_NOTED_MM);
    let mut needle = before.unwrap_or(NeedleState {
        tip,
        before_mm: tip.place_mm,
        body: 0,
        raised_mm: state.lens.raised_mm,
        out_s: OUT_S,
        buried_mm: 0.0,
        buried_firm_mm: 0.0,
        depth_mm: None,
        radius_mm: 0.0,
        is_in_core: false,
        occlusion: 0.0,
        cover: 0.0,
        aside_mm: Vector3::zeros(),
        gap_mm: 0.0,
        purchase_un: 0.0,
        still_s: 0.0,
        slid_mm: 0.0,
        load_un: 0.0,
        entered_mm: 0.0,
        bearing_un: 0.0,
        lifted_mm: 0.0,
    });
    needle.lifted_mm = rise;
    if rise > RIM_NOTED_MM && !was_lifted {
        state.note(None, EventKind::ShaftOnRim { lifted_mm: rise, elevation_rad: pose.elevation_rad });
    }
    // What counts is how the tip moves against the bag, which the fluid raises and lowers.
    let carried = Vector3::z() * (state.lens.raised_mm - needle.raised_mm);
    let travel = (tip.place_mm - needle.tip.place_mm - carried).dot(&tip.forward);
    needle.raised_mm = state.lens.raised_mm;
    needle.before_mm = needle.tip.place_mm;
    needle.tip = tip;
    if state.opening.is_none() {
        if state.lens.is_whole() {
            enter(model, state, &mut needle, travel);
        } else {
            enter_fragment(model, state, &mut needle, travel);
        }
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
    let place = |lens: &mut Lens, pushed: f64| {
        lens.pushed_mm = forward * pushed;
        lens.settle_whole();
    };
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
    if needle.load_un > PUSH_NOTED_UN
        && !has_since_burial(state, |k| matches!(k, EventKind::LensPushed { load_un: 0.0.., .. }))
    {
        let cause = state.latest(|k| matches!(k, EventKind::SleeveStopped { .. } | EventKind::PedalMoved { .. }));
        state.note(cause, EventKind::LensPushed { load_un: needle.load_un, ultrasound: state.power > 0.0 });
    }
    let is_drawn = |k: &EventKind| matches!(k, EventKind::LensPushed { load_un: ..0.0, .. });
    if needle.load_un < -PUSH_NOTED_UN && travel_mm < 0.0 && !has_since_burial(state, is_drawn) {
        let cause = state.latest(|k| matches!(k, EventKind::PedalMoved { .. }));
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

/// The contact of a tip with a fragment, which gives way as a body: ultrasound lets the tip in, and what is pushed beyond
/// that goes along with the needle, or is entered by force where something stops it (`follow` finds out).
fn enter_fragment(model: &Model, state: &mut State, needle: &mut NeedleState, travel_mm: f64) {
    let ahead = tissue_ahead(model, &state.lens, &needle.tip);
    let is_sleeved = needle.buried_firm_mm >= model.needle.exposed_mm;
    needle.entered_mm = 0.0;
    needle.load_un = 0.0;
    if state.power > 0.0 && travel_mm > 0.0 && !is_sleeved {
        // In the hollow it has made itself a tip meets nothing.
        let rate = if ahead.share > 0.0 {
            FULL_POWER_ADVANCE_MM_S * state.power * GRADE_1_NJ_MM2 / ahead.toughness_nj_mm2
        } else {
            f64::INFINITY
        };
        needle.entered_mm = travel_mm.min(rate * model.tick_s);
        // The port eats ahead of the tip, no wider than the tip: the bed is as fresh as its wall is whole.
        let fresh = wall_share(model, &state.lens, &needle.tip, needle.body);
        needle.gap_mm *= libm::exp(-needle.entered_mm * fresh / FRESH_BED_MM);
        emulsify(model, state, &needle.tip);
    }
    needle.bearing_un = END_BEARING * COHESION_OVER_STRENGTH * ahead.strength_pa * model.needle.section_mm2()
        + needle.hold_un(model, &state.lens);
    needle.still_s = if needle.entered_mm > STILL_MM { 0.0 } else { needle.still_s + model.tick_s };
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
        if let Some((cell, _)) = lens.at_eye(model, &(point + step)) {
            met += 1.0;
            strength += f64::from(cells.strength_pa[cell]);
            toughness += f64::from(cells.toughness_nj_mm2[cell]);
        }
    }
    Ahead { share: met / count, strength_pa: strength / count, toughness_nj_mm2: toughness / f64::max(met, 1.0) }
}

/// Share of the tip's girth with a piece's tissue beside it.
fn wall_share(model: &Model, lens: &Lens, tip: &Tip, body: u16) -> f64 {
    let beyond = 1.0 + 0.5 * model.cells.size_mm / model.needle.outer_radius_mm;
    let is_wall = |p: &Vector3<f64>| lens.at_eye_first(model, p, body).is_some_and(|(_, b)| b == body);
    model.needle.ring_mm(tip, beyond, WALL_POINTS).filter(is_wall).count() as f64 / f64::from(WALL_POINTS)
}

/// Points of the girth that are looked at.
const WALL_POINTS: u32 = 8;

/// Remove the cells the vibrating tip has passed through.
fn emulsify(model: &Model, state: &mut State, tip: &Tip) {
    let radius = model.needle.outer_radius_mm;
    let cells = &model.cells;
    let lens = &mut state.lens;
    for body in 0..lens.volume_ul.len() as u16 {
        let local = lens.tip_from_eye(body, tip);
        cells.within(&local.behind_mm(0.5 * radius), 1.2 * radius, |cell| {
            let cell = cell as usize;
            let d = cells.place_mm[cell] - local.place_mm;
            let along = d.dot(&local.forward);
            let across2 = d.norm_squared() - along * along;
            if lens.fragment[cell] == body && along <= 0.0 && across2 < radius * radius {
                lens.remove(cells, cell);
            }
        });
    }
}

impl NeedleState {
    /// What friction and vacuum hold along the shaft, µN.
    pub(crate) fn hold_un(&self, model: &Model, lens: &Lens) -> f64 {
        let cells = &model.cells;
        let seen = seen_by_all(model, lens, &self.tip);
        let mut strength_mm = 0.0;
        let mut back = 0.5 * SHAFT_STEP_MM;
        while back < self.buried_mm {
            if let Some((cell, _)) = around_shaft(model, lens, &seen, back, self.body) {
                strength_mm += f64::from(cells.strength_pa[cell]) * SHAFT_STEP_MM;
            }
            back += SHAFT_STEP_MM;
        }
        let girth = 2.0 * core::f64::consts::PI * model.needle.outer_radius_mm;
        SHAFT_FRICTION * COHESION_OVER_STRENGTH * strength_mm * girth * self.seal() + self.purchase_un
    }

    /// Share of the port that a firm bed closes though the tip has made itself a hollow: fluid gets there only along the
    /// gap round the shaft, as between plates, Q = w·g³·ΔP/(12·μ·L); as an opening it counts for the area that lets as
    /// much through at an ordinary vacuum.
    fn bed_seal(&self, model: &Model) -> f64 {
        let girth_mm = 2.0 * core::f64::consts::PI * model.needle.outer_radius_mm;
        let length_mm = self.buried_firm_mm.max(SHAFT_STEP_MM);
        let leak_ul_s = girth_mm * self.gap_mm * self.gap_mm * self.gap_mm * USUAL_PA / (12.0 * WATER_PA_S * length_mm);
        let leak_mm2 = leak_ul_s / (DISCHARGE * libm::sqrt(2.0 * USUAL_PA / WATER_G_UL));
        let is_deep = (self.buried_firm_mm / SEALING_BED_MM).min(1.0);
        is_deep * (1.0 - leak_mm2 / model.needle.port_area_mm2()).max(0.0)
    }

    /// Share of friction and seal the gap has left, 0..1.
    fn seal(&self) -> f64 {
        (1.0 - self.gap_mm / GAP_WITHOUT_HOLD_MM).clamp(0.0, 1.0)
    }
}

/// Time out of the lens from which an instrument that comes back enters it anew, s (A): at its surface it is now in, now out.
pub(crate) const OUT_S: f64 = 0.25;

/// Where the tip is in the lens, and what it notes on the way.
fn measure(model: &Model, state: &mut State, needle: &mut NeedleState) {
    let (cells, core) = (&model.cells, &model.field.core);
    (needle.buried_mm, needle.buried_firm_mm) = (0.0, 0.0);
    let (mut first, mut stays) = (None, false);
    let seen = seen_by_all(model, &state.lens, &needle.tip);
    let mut back = 0.5 * SHAFT_STEP_MM;
    while back < SHAFT_MOST_MM {
        match around_shaft(model, &state.lens, &seen, back, needle.body) {
            Some((cell, body)) => {
                stays |= body == needle.body;
                first = first.or(Some(body));
                needle.buried_mm = back + 0.5 * SHAFT_STEP_MM;
                if f64::from(cells.strength_pa[cell]) >= FIRM_PA {
                    needle.buried_firm_mm += SHAFT_STEP_MM;
                }
            }
            None if back - needle.buried_mm > CRACK_MM => break,
            None => {}
        }
        back += SHAFT_STEP_MM;
    }
    // The piece on the tip stays that as long as the shaft stands in it at all.
    if let Some(body) = first.filter(|_| !stays) {
        (needle.body, needle.gap_mm) = (body, 0.0);
    }
    let p = state.lens.pose_of(needle.body).from_eye(&needle.tip.place_mm);
    needle.depth_mm = core.anterior_z_mm(p.x, p.y).map(|top| top - p.z);
    needle.radius_mm = libm::hypot(p.x - core.centre_mm.x, p.y - core.centre_mm.y);
    let was_out = needle.out_s >= OUT_S;
    needle.out_s = if needle.buried_mm > 0.0 { 0.0 } else { (needle.out_s + model.tick_s).min(OUT_S) };
    if needle.buried_mm > 0.0 && was_out {
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
        let distance_to_capsule_mm = lips_to_capsule_mm(model, state, &needle.tip);
        let cause = state.latest(|k| matches!(k, EventKind::TipEnteredCore { .. }));
        state.note(cause, EventKind::TipLeftCore { radius_mm: needle.radius_mm, distance_to_capsule_mm });
    }
}

/// A gap in the tissue along the shaft that is taken for an open crack and not for the end of the lens, mm (A).
const CRACK_MM: f64 = 0.5;

/// What ultrasound does to the bed, and how vacuum holds.
pub fn hold(model: &Model, state: &mut State, _: &Inputs) {
    let Some(mut needle) = state.needle.take() else { return };
    let cover = port_cover(model, &state.lens, &needle.tip, needle.body);
    let sealed = needle.bed_seal(model);
    needle.occlusion = cover.share.max(sealed);
    if let Some(body) = cover.body.filter(|_| needle.buried_mm <= 0.0) {
        needle.body = body;
    }
    needle.cover = cover.near;
    needle.aside_mm = cover.aside_mm;
    let holds = cover.by_body.max(sealed);
    // Soft tissue flows back round the tip that has come into a piece; in a lens in one piece it has nowhere to come from.
    let is_whole = state.lens.is_whole();
    let in_bed_mm = if is_whole { needle.buried_mm } else { needle.buried_firm_mm };
    if state.power > 0.0 && in_bed_mm > 0.0 {
        let least = if is_whole { 1.0 } else { GRADE_1_NJ_MM2 };
        let toughness = bed_toughness(model, &state.lens, &needle.tip, needle.body).max(least);
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
    needle.purchase_un = state.vacuum_pa.min(state.removal.bears_pa)
        * model.needle.port_area_mm2()
        * if is_whole { holds * needle.seal() } else { cover.by_body.max(sealed * needle.seal()) }
        * state.removal.seal();
    state.needle = Some(needle);
}

/// What covers the port.
struct Cover {
    /// Share of it that lens covers.
    share: f64,
    /// The fragment it counts as covered by: the one on the tip as long as that covers any of it, else the one that covers
    /// most.
    body: Option<u16>,
    /// Share that this one covers.
    by_body: f64,
    /// Share that tissue right before it covers.
    near: f64,
    /// From the port's middle to the middle of what this one covers, mm, eye frame.
    aside_mm: Vector3<f64>,
}

/// Share of the port covered by lens within reach, by points spread over its area.
fn port_cover(model: &Model, lens: &Lens, tip: &Tip, on_tip: u16) -> Cover {
    let bore = Needle { outer_radius_mm: model.needle.bore_radius_mm, ..model.needle.clone() };
    let (mut met, mut count, mut near) = ([const { None }; PORT_POINTS], 0, 0);
    let mut points_mm = [Vector3::zeros(); PORT_POINTS];
    let facing = tip.facing(bore.bevel_rad) * model.cells.size_mm;
    for (share, points) in [(0.87, 8), (0.5, 4)] {
        for point in bore.ring_mm(tip, share, points) {
            // A piece is eaten cell by cell: the next one behind counts too, or the port would open by leaps.
            let at = |n: f64| lens.at_eye_first(model, &(point + facing * n), on_tip).map(|(_, body)| body);
            let reached = at(1.0);
            near += usize::from(reached.is_some());
            met[count] = reached.or_else(|| if lens.is_whole() { None } else { at(2.0) });
            points_mm[count] = point - tip.place_mm;
            count += 1;
        }
    }
    let votes = |body: u16| met.iter().filter(|m| **m == Some(body)).count();
    let most = met.iter().flatten().copied().max_by_key(|body| (votes(*body), core::cmp::Reverse(*body)));
    let body = if votes(on_tip) > 0 { Some(on_tip) } else { most };
    let share = |count: usize| count as f64 / PORT_POINTS as f64;
    let covered = met.iter().zip(points_mm).filter(|(m, _)| body.is_some() && **m == body).map(|(_, p)| p);
    Cover {
        share: share(met.iter().flatten().count()),
        near: share(near),
        body,
        by_body: share(body.map_or(0, votes)),
        aside_mm: covered.sum::<Vector3<f64>>() / body.map_or(1, votes).max(1) as f64,
    }
}

/// Points of the port that are looked at.
const PORT_POINTS: usize = 12;

/// Toughness of the tissue round the tip, nJ/mm².
fn bed_toughness(model: &Model, lens: &Lens, tip: &Tip, on_tip: u16) -> f64 {
    around_shaft(model, lens, &seen_by_all(model, lens, tip), 0.0, on_tip)
        .map_or(0.0, |(cell, _)| f64::from(model.cells.toughness_nj_mm2[cell]))
}

/// The shaft as one fragment sees it.
struct Seen {
    body: u16,
    /// The tip in the fragment's frame.
    tip: Tip,
    /// From the axis to where tissue is looked for: the axis itself, and the wall of a bore all round.
    offsets_mm: [Vector3<f64>; 5],
}

/// The shaft in the frame of every fragment there is.
fn seen_by_all(model: &Model, lens: &Lens, tip: &Tip) -> Vec<Seen> {
    let (up, across) = tip.cross_axes();
    let reach = model.needle.outer_radius_mm + 0.5 * model.cells.size_mm;
    let offsets_mm = [Vector3::zeros(), -up * reach, across * reach, -across * reach, up * reach];
    lens.bodies()
        .map(|body| {
            let pose = lens.pose_of(body);
            Seen { body, tip: pose.tip_from_eye(tip), offsets_mm: offsets_mm.map(|d| pose.direction_from_eye(&d)) }
        })
        .collect()
}

/// The tissue that a point of the shaft stands in or has made its bore through, and the fragment whose wall is there: the one
/// on the tip rather than another.
fn around_shaft(model: &Model, lens: &Lens, seen: &[Seen], back_mm: f64, on_tip: u16) -> Option<(usize, u16)> {
    let mut found: Option<(usize, &Seen)> = None;
    for place in 0..5 {
        let reached = seen.iter().find_map(|s| {
            let p = s.tip.behind_mm(back_mm) + s.offsets_mm[place];
            let (middle, radius_mm) = lens.ball_mm[usize::from(s.body)];
            if (p - middle).norm_squared() > radius_mm * radius_mm {
                return None;
            }
            let cell = model.cells.at(&p)? as usize;
            (lens.fragment[cell] == s.body).then_some((cell, s))
        });
        if let Some((cell, s)) = reached {
            found = found.filter(|_| s.body != on_tip).or(Some((cell, s)));
            if s.body == on_tip {
                break;
            }
        }
    }
    let (cell, s) = found?;
    Some((model.cells.at(&s.tip.behind_mm(back_mm)).map_or(cell, |c| c as usize), s.body))
}
