//! What ultrasound and vacuum take away at the port, how a piece chatters there, and what heat that makes.
//!
//! *Removal.* A vibrating tip erodes what lies on its port: volume per second = efficiency · stroke · frequency · power ·
//! engaged area ÷ f(hardness), with f the ratio of toughness to that of a grade 1 nucleus, exponential in the grade
//! (Davison & Chylack: phaco time is exponential in nuclear grade; S). Without ultrasound soft tissue is extruded into the
//! port once the pressure difference exceeds several times its strength.
//!
//! *Chatter.* The vibrating tip repels what lies before it; vacuum holds it. The film between them opens or closes by the
//! balance of both: c·dg/dt = F_repel·e^(−g/l) − F_hold(g) − F_push, the first two in proportion to the share of the port
//! that is covered, the third what the hand pushes a piece with that something stops. An open film erodes less and leaks,
//! so vacuum falls.
//!
//! *Heat.* C·dT/dt = W − (ρ·c·Q + h)·ΔT at the incision (ΔT = W/(ρ·c·Q) where flow carries all; D).
//!
//! Limits: repulsion per stroke, efficiency and the film's constants are assumed; cells are eaten one at a time. mm, µN,
//! µL, Pa; heat in W, J/K and K.

use crate::sim::event::EventKind;
use crate::sim::{Inputs, Model, State};
use serde::{Deserialize, Serialize};

/// The vibration of a tip at full power.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Vibration {
    /// Stroke, mm (15–100 µm, Packer 2005; M).
    pub stroke_mm: f64,
    /// Frequency, Hz (28–60 kHz, Packer 2005; M).
    pub frequency_hz: f64,
}

/// Share of the volume a stroke sweeps that it takes from a nucleus of grade 1 (A).
const EFFICIENCY: f64 = 0.006;

/// Toughness of a nucleus of grade 1, nJ/mm² (A: as in `Tissue::nucleus`).
const GRADE_1_NJ_MM2: f64 = 4000.0;

/// Pressure difference over strength from which tissue is extruded into the port without ultrasound (A: about the
/// bearing factor of a small opening).
const EXTRUSION_OVER_STRENGTH: f64 = 4.0;

/// Speed of extrusion at twice that pressure, mm/s (A).
const EXTRUSION_MM_S: f64 = 30.0;

/// Force of repulsion at full power with a stroke of 80 µm, µN (A: balanced by the hold of about 400 mmHg on a bore of
/// 0.9 mm, the plateau of chatter in a bench study with that tip; S).
pub const REPULSION_UN: f64 = 33_000.0;

/// Stroke at which that holds, mm.
const REPULSION_STROKE_MM: f64 = 0.08;

/// Reach of repulsion, of the seal and of the inflow's pull, mm (A).
const REPULSION_REACH_MM: f64 = 0.12;
const SEAL_REACH_MM: f64 = 0.08;
const INFLOW_REACH_MM: f64 = 0.8;

/// Share of the hold that the inflow still exerts where the seal is gone (A).
const INFLOW_SHARE: f64 = 0.25;

/// Viscous resistance of the film between piece and port, µN·s/mm (A: it opens and closes within hundredths of a second).
const FILM_UN_S_MM: f64 = 4_000.0;

/// Widest film, mm: beyond it the piece is off the port.
const OFF_MM: f64 = 0.5;

/// Film from which a piece counts as chattering, mm (A).
pub const CHATTER_MM: f64 = 0.04;

/// Power that reaches the incision at full power, W (A: friction and dissipation along the shaft).
pub const HEAT_W: f64 = 1.2;

/// Heat capacity of what is warmed there, J/K (A).
const HEAT_CAPACITY_J_K: f64 = 0.1;

/// Loss to the tissue around, W/K (A).
pub const HEAT_LOSS_W_K: f64 = 0.02;

/// Heat that 1 µL of water takes, J/K (ρ·c; D).
pub const WATER_J_UL_K: f64 = 4.18e-3;

/// Temperature of the incision at rest, °C (A: cornea).
pub const INCISION_AT_REST_C: f64 = 34.0;

/// Collagen contracts from about here within seconds, °C (Ernest 2001; M).
pub const CONTRACTION_C: f64 = 60.0;

/// Distance to the cornea's back within which power counts as delivered near it, mm (A).
const NEAR_CORNEA_MM: f64 = 2.0;

/// Ultrasound power delivered at full power, W (A): for the account of energy only.
pub const DELIVERED_W: f64 = 3.0;

/// Share of the port that must be covered for a piece to count as engaged (A).
const ENGAGED: f64 = 0.1;

/// What goes on at the port.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Removal {
    /// Film between piece and port, mm; 0 sealed.
    pub film_mm: f64,
    /// Pressure difference that what lies on the port bears without being drawn in, Pa.
    pub bears_pa: f64,
    /// Volume eroded but not yet a whole cell, µL.
    pub owed_ul: f64,
    /// Volume per second now leaving through the port as tissue, µL/s.
    pub rate_ul_s: f64,
    /// Temperature of the incision above rest, K.
    pub warmth_k: f64,
    /// Time spent chattering, s.
    pub chatter_s: f64,
    /// Time with ultrasound on a piece, s.
    pub engaged_s: f64,
    /// Energy delivered, J.
    pub delivered_j: f64,
    /// The same within the near limit of the cornea, J.
    pub near_cornea_j: f64,
    /// Highest temperature of the incision, °C.
    pub hottest_c: f64,
}

impl Removal {
    /// Share of seal the film leaves, 0..1.
    pub fn seal(&self) -> f64 {
        libm::exp(-self.film_mm / SEAL_REACH_MM)
    }

    /// Temperature of the incision, °C.
    pub fn incision_c(&self) -> f64 {
        INCISION_AT_REST_C + self.warmth_k
    }
}

/// Force with which a vibrating tip repels what lies on it, µN.
pub fn repulsion_un(vibration: &Vibration, power: f64) -> f64 {
    REPULSION_UN * power * vibration.stroke_mm / REPULSION_STROKE_MM
}

/// The film after a step: repulsion opens it, vacuum closes it, and so does the hand that pushes a piece which something
/// stops.
pub fn film_after(film_mm: f64, repulsion_un: f64, hold_un: f64, pushed_un: f64, dt_s: f64) -> f64 {
    let mut film = film_mm;
    // Small steps keep the film from overshooting its balance.
    for _ in 0..FILM_STEPS {
        let opens = repulsion_un * libm::exp(-film / REPULSION_REACH_MM);
        let closes = hold_un
            * ((1.0 - INFLOW_SHARE) * libm::exp(-film / SEAL_REACH_MM)
                + INFLOW_SHARE * libm::exp(-film / INFLOW_REACH_MM));
        film = (film + (opens - closes - pushed_un) / FILM_UN_S_MM * (dt_s / f64::from(FILM_STEPS))).clamp(0.0, OFF_MM);
    }
    film
}

const FILM_STEPS: u32 = 4;

/// Volume per second that ultrasound takes from tissue of this toughness over an engaged area, µL/s.
pub fn erosion_ul_s(vibration: &Vibration, power: f64, engaged_mm2: f64, toughness_nj_mm2: f64) -> f64 {
    let swept = EFFICIENCY * vibration.stroke_mm * vibration.frequency_hz * power * engaged_mm2;
    swept * GRADE_1_NJ_MM2 / toughness_nj_mm2.max(1.0)
}

/// Volume per second that a pressure difference extrudes into the port from tissue of this strength, µL/s.
pub fn extrusion_ul_s(difference_pa: f64, engaged_mm2: f64, strength_pa: f64) -> f64 {
    let excess = difference_pa / (EXTRUSION_OVER_STRENGTH * strength_pa.max(1.0)) - 1.0;
    engaged_mm2 * EXTRUSION_MM_S * excess.clamp(0.0, 3.0)
}

/// Take away what lies on the port; keep account of power and heat.
pub fn remove(model: &Model, state: &mut State, _: &Inputs) {
    let dt = model.tick_s;
    state.removal.rate_ul_s = 0.0;
    warm(model, state);
    let Some(needle) = &state.needle else { return };
    let (occlusion, body) = (needle.occlusion, needle.body);
    let hold_un = state.vacuum_pa * model.needle.port_area_mm2() * occlusion;
    let pushed_un = state.bodies.as_ref().map_or(0.0, |b| b.held_force_un().dot(&needle.tip.forward)).max(0.0);
    if occlusion < ENGAGED || state.opening.is_some() {
        state.removal.film_mm = 0.0;
        return;
    }
    let repulsion_un = repulsion_un(&model.vibration, state.power) * occlusion;
    // With ultrasound a lens in its bag is entered, not eaten: what lies before a tip that stands in it is the affair of
    // `burial`.
    let is_whole = state.lens.is_whole();
    let in_bed_mm = if is_whole && state.power > 0.0 { needle.buried_mm } else { needle.buried_firm_mm };
    let is_buried = in_bed_mm > HELD_BY_BED_MM;
    // A lens in its bag cannot be repelled from the bed the tip stands in; a piece can, for its bed holds the shaft by
    // friction, which vibration along it takes away.
    let is_bedded = is_buried && is_whole;
    state.removal.film_mm =
        if is_bedded { 0.0 } else { film_after(state.removal.film_mm, repulsion_un, hold_un, pushed_un, dt) };
    if state.power > 0.0 {
        state.removal.engaged_s += dt;
        if state.removal.film_mm > CHATTER_MM && !state.lens.is_whole() {
            state.removal.chatter_s += dt;
            if state.latest(|k| matches!(k, EventKind::Chattered { .. })) < state.latest(is_new_grip) {
                let chattered = EventKind::Chattered { power: state.power, vacuum_pa: state.vacuum_pa };
                state.note(state.latest(|k| matches!(k, EventKind::PedalMoved { .. })), chattered);
            }
        }
    }
    if is_buried {
        state.removal.bears_pa = FIRM_BEARS_PA;
    }
    if is_buried && state.lens.is_whole() {
        return; // the bore is emulsified as it advances, and a lens in its bag is not drawn onto the tip
    }
    let Some(tissue) = at_port(model, state, body) else { return };
    if !is_buried {
        state.removal.bears_pa = EXTRUSION_OVER_STRENGTH * tissue.strength_pa;
    }
    let engaged_mm2 = occlusion * model.needle.port_area_mm2();
    let reach = libm::exp(-state.removal.film_mm / model.vibration.stroke_mm.max(1e-3));
    let eroded = erosion_ul_s(&model.vibration, state.power, engaged_mm2, tissue.toughness_nj_mm2) * reach;
    let extruded = extrusion_ul_s(state.vacuum_pa * state.removal.seal(), engaged_mm2, tissue.strength_pa);
    state.removal.owed_ul += (eroded + extruded) * dt;
    state.removal.rate_ul_s = eroded + extruded;
    while state.removal.owed_ul >= model.cells.cell_ul() {
        if !eat_nearest(model, state, body) {
            (state.removal.owed_ul, state.removal.rate_ul_s) = (0.0, 0.0);
            break;
        }
        state.removal.owed_ul -= model.cells.cell_ul();
    }
}

/// Burial in firm tissue from which the bed, not vacuum, keeps the piece on the tip, mm (A).
pub const HELD_BY_BED_MM: f64 = 0.4;

/// What a firm bed bears, Pa: more than any vacuum.
const FIRM_BEARS_PA: f64 = 1e6;

fn is_new_grip(kind: &EventKind) -> bool {
    matches!(kind, EventKind::Gripped { .. } | EventKind::PedalMoved { to: 3, .. })
}

/// Energy and warmth of this tick.
fn warm(model: &Model, state: &mut State) {
    let dt = model.tick_s;
    let flow_ul_s = state.circuit.inflow_ul_s.max(0.0);
    let carried_w_k = WATER_J_UL_K * flow_ul_s + HEAT_LOSS_W_K;
    let removal = &mut state.removal;
    // Exact over a tick with constant power and flow.
    let settled_k = HEAT_W * state.power / carried_w_k;
    removal.warmth_k = settled_k + (removal.warmth_k - settled_k) * libm::exp(-carried_w_k / HEAT_CAPACITY_J_K * dt);
    removal.hottest_c = removal.hottest_c.max(removal.incision_c());
    let delivered_j = DELIVERED_W * state.power * dt;
    removal.delivered_j += delivered_j;
    let is_near = state.needle.as_ref().is_some_and(|n| model.to_cornea_mm(&n.tip.place_mm) < NEAR_CORNEA_MM);
    if is_near {
        removal.near_cornea_j += delivered_j;
    }
    let is_noted = state.events.iter().any(|e| matches!(e.kind, EventKind::IncisionHot { .. }));
    let incision_c = removal.incision_c();
    if incision_c > CONTRACTION_C && !is_noted {
        let cause = state.latest(|k| matches!(k, EventKind::PedalMoved { to: 3, .. }));
        state.note(cause, EventKind::IncisionHot { incision_c });
    }
}

/// Mean toughness and strength of what lies on the port.
struct AtPort {
    toughness_nj_mm2: f64,
    strength_pa: f64,
}

/// How far before the port the middle of a cell may lie to count as lying on it: of a lens in one piece, mm (A: a cell and a
/// half); of a piece, in cells: as far as what closes the port is looked for (`burial`), or it could be closed by what it
/// never takes.
const PORT_REACH_MM: f64 = 0.3;
const PORT_REACH_CELLS: f64 = 2.5;

fn at_port(model: &Model, state: &State, body: u16) -> Option<AtPort> {
    let (mut toughness, mut strength, mut count) = (0.0, 0.0, 0.0);
    before_port(model, state, body, |cell, _| {
        toughness += f64::from(model.cells.toughness_nj_mm2[cell]);
        strength += f64::from(model.cells.strength_pa[cell]);
        count += 1.0;
    });
    (count > 0.0).then(|| AtPort { toughness_nj_mm2: toughness / count, strength_pa: strength / count })
}

/// Visit the cells of a fragment before the port, each with its distance from the port's plane.
fn before_port(model: &Model, state: &State, body: u16, mut visit: impl FnMut(usize, f64)) {
    let Some(needle) = &state.needle else { return };
    let tip = state.lens.tip_from_eye(body, &needle.tip);
    let facing = tip.facing(model.needle.bevel_rad);
    let radius = model.needle.outer_radius_mm;
    let reach_mm = if state.lens.is_whole() { PORT_REACH_MM } else { PORT_REACH_CELLS * model.cells.size_mm };
    model.cells.within(&tip.place_mm, radius + reach_mm, |cell| {
        let cell = cell as usize;
        let d = model.cells.place_mm[cell] - tip.place_mm;
        let out = d.dot(&facing);
        let across = (d - facing * out).norm();
        if state.lens.fragment[cell] == body && out < reach_mm && across < radius {
            visit(cell, out);
        }
    });
}

/// Remove the cell of a fragment nearest to the port; false where none is within reach.
fn eat_nearest(model: &Model, state: &mut State, body: u16) -> bool {
    let mut nearest: Option<(usize, f64)> = None;
    before_port(model, state, body, |cell, out| {
        if nearest.is_none_or(|(_, least)| out < least) {
            nearest = Some((cell, out));
        }
    });
    let Some((cell, _)) = nearest else { return false };
    state.lens.remove(&model.cells, cell);
    state.lens.is_eaten = true;
    true
}

#[cfg(test)]
mod tests {
    use super::*;

    const VIBRATION: Vibration = Vibration { stroke_mm: 0.08, frequency_hz: 40_000.0 };

    /// Film once repulsion at a power and the hold of a vacuum on a bore of 0.9 mm have acted for a while, mm.
    fn film_mm(power: f64, vacuum_mmhg: f64, ticks: u32) -> f64 {
        let hold = crate::units::pa_from_mmhg(vacuum_mmhg) * core::f64::consts::PI * 0.45 * 0.45;
        (0..ticks).fold(0.0, |film, _| film_after(film, repulsion_un(&VIBRATION, power), hold, 0.0, 1.0 / 240.0))
    }

    /// Bench study with a 0.9 mm tip: chatter falls with vacuum to a plateau at about 400 mmHg (S; the sign).
    #[test]
    fn the_film_opens_the_slower_the_higher_the_vacuum_and_not_on_the_plateau() {
        let films = [0.0, 100.0, 200.0, 300.0, 350.0].map(|v| film_mm(1.0, v, 4));
        assert!(films.windows(2).all(|w| w[1] < w[0]) && films[4] > 0.0, "{films:?}");
        assert_eq!((film_mm(1.0, 420.0, 480), film_mm(1.0, 500.0, 480)), (0.0, 0.0));
    }

    #[test]
    fn less_power_needs_less_vacuum() {
        assert_eq!(film_mm(0.5, 250.0, 480), 0.0);
        assert!(film_mm(1.0, 250.0, 480) > 2.0 * CHATTER_MM);
    }

    /// The film's own step is short against its stiffness: a tick in four goes within 2 % (a step of 1 ms at a rate of
    /// 80/s is 4 % of it off, and what is left of it after the film has opened less).
    #[test]
    fn the_film_does_not_hang_on_the_tick() {
        let (repulsion, hold) = (repulsion_un(&VIBRATION, 1.0), 15_000.0);
        let after = |ticks: u32| {
            (0..ticks).fold(0.0, |film, _| film_after(film, repulsion, hold, 0.0, 0.02 / f64::from(ticks)))
        };
        let (usual, fine) = (after(5), after(80));
        assert!((usual / fine - 1.0).abs() < 0.02, "{usual} {fine}");
    }

    /// Davison & Chylack: exponential in the grade, and so convex (S; the form).
    #[test]
    fn time_to_remove_is_convex_in_the_grade() {
        let time = |grade: f64| {
            let toughness = crate::sim::lens::Tissue::nucleus(grade).toughness_nj_mm2;
            1.0 / erosion_ul_s(&VIBRATION, 1.0, 0.7, toughness)
        };
        let times = [1.0, 2.0, 3.0, 4.0, 5.0].map(time);
        assert!(times.windows(3).all(|w| w[2] - w[1] > w[1] - w[0]), "{times:?}");
    }

    #[test]
    fn soft_tissue_is_extruded_by_vacuum_and_firm_is_not() {
        let vacuum = crate::units::pa_from_mmhg(300.0);
        assert!(extrusion_ul_s(vacuum, 0.7, crate::sim::lens::CORTEX.strength_pa) > 0.0);
        assert_eq!(extrusion_ul_s(vacuum, 0.7, crate::sim::lens::Tissue::nucleus(2.0).strength_pa), 0.0);
    }
}
