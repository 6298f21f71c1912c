//! The chamber: what flows through it, how deep it is, iris and viscoelastic in it.
//!
//! Each tick the open part of the port, the foot and the syringe make up the demand on the fluid circuit (`circuit`); its
//! answer moves the diaphragm (capsule, zonules, lens) by displaced volume over area, and with it all that lies in the
//! bag.
//!
//! *Reverse pupillary block.* When the diaphragm is pushed back so far that the iris lies on the capsule all round, the
//! fluid behind the iris can no longer come forward: infusion presses on iris and lens together, the pupil widens, the
//! chamber deepens further. Lifting the iris off the rim lets pressure even out through the gap within a second or two.
//!
//! *Viscoelastic* is a volume in the chamber, washed out by flow: cohesive leaves in proportion to the flow, dispersive
//! holds back. What lies at the port resists flow there.
//!
//! Limits: contact of the iris, areas and wash-out are assumed; the pupil is round. mm, Pa, µL.

use crate::sim::adhesion::HOURS;
use crate::sim::circuit::{Ask, Demand, Plumbing};
use crate::sim::event::EventKind;
use crate::sim::{Injected, Inputs, Model, State, Syringe};
use serde::{Deserialize, Serialize};

/// Share of the equator's area that moves as a diaphragm (A: zonules are held at the ciliary body, the lens moves most).
const DIAPHRAGM_SHARE: f64 = 0.9;

/// Radius of the ciliary ring beyond the lens's equator, mm (A).
const CILIARY_MORE_MM: f64 = 1.0;

/// Elastance of an ordinary diaphragm with its lens, Pa/µL (A), and the share of it that the lens makes up: without
/// the nucleus it is laxer (A).
pub const ELASTANCE_PA_UL: f64 = 60.0;
const LENS_SHARE: f64 = 0.5;

/// Backward travel of the diaphragm at which an ordinary iris comes to lie on the capsule all round, mm (A: a long eye gets
/// there from about 105 cm of water, an ordinary one not at 140; nobody has measured either).
const IRIS_SLACK_MM: f64 = 0.72;

/// How much a sealed iris adds to the compliance of the diaphragm: it hangs on it (A).
const SEALED_COMPLIANCE: f64 = 1.6;

/// Time in which pressure evens out through an iris that has been lifted, s (A: resolves in about 3 s, JCRS
/// 2005;31:2055; S).
const RELEASE_S: f64 = 0.8;

/// Widening of the pupil per millimetre of backward travel once sealed, mm/mm (A).
const PUPIL_PER_MM: f64 = 1.5;

/// How near the rim, between iris and capsule, a chopper must stand to lift the iris, mm (A).
const LIFT_REACH_MM: f64 = 0.6;

/// Share of flow through the chamber that washes cohesive and dispersive viscoelastic out (A).
const WASHED_COHESIVE: f64 = 1.0;
const WASHED_DISPERSIVE: f64 = 0.12;

/// Volume of the anterior chamber per mm of depth, µL/mm (D: 139.8 µL at 3.02 mm in cataract; S).
const CHAMBER_UL_PER_MM: f64 = 46.3;

/// How many times viscoelastic that fills the port resists flow (A).
const PORT_RESISTANCE: f64 = 30.0;

/// Fall of the chamber's pressure below its running mean from which a surge is noted, Pa (A: 8 mmHg).
const SURGE_PA: f64 = 1_067.0;

/// Vacuum from which a lost occlusion is noted, Pa (A: 80 mmHg).
const BREAK_PA: f64 = 10_666.0;

/// Occlusion above and below which the port counts as closed and as open.
const CLOSED: f64 = 0.85;
const OPEN: f64 = 0.5;

/// Depth lost from which shallowing is noted, mm (A).
const SHALLOW_MM: f64 = 0.5;

/// Iris, viscoelastic, and what the chamber has been through.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Chamber {
    /// Cohesive viscoelastic, µL.
    pub cohesive_ul: f64,
    /// Dispersive viscoelastic, µL.
    pub dispersive_ul: f64,
    /// How far the iris seals on the capsule: 0 free, 1 sealed all round.
    pub sealed: f64,
    /// Is the seal made (it stays until the iris is lifted or the chamber shallows)?
    pub is_sealed: bool,
    /// Diameter of the pupil, mm.
    pub pupil_mm: f64,
    /// Was the port closed when it was last looked at?
    pub was_closed: bool,
    /// Contents of the chamber and its pressure before the surge under way, µL and Pa.
    pub before_surge_ul: f64,
    /// The pressure then, Pa.
    pub before_surge_pa: f64,
    /// Has this surge been noted?
    pub is_surging: bool,
    /// Is the chamber shallow?
    pub is_shallow: bool,
    /// Time since the iris was last lifted, s.
    pub since_lift_s: f64,
    /// Bottle's head when last seen, Pa.
    pub bottle_pa: f64,
    /// Was the needle in the eye?
    pub was_in_eye: bool,
    /// Time since occlusion last broke, s.
    pub since_break_s: f64,
    /// The event of that break.
    pub break_event: Option<u32>,
    /// Lowest and highest pressure of the chamber with the needle in the eye, Pa.
    pub lowest_pa: f64,
    /// Highest pressure, Pa.
    pub highest_pa: f64,
    /// Largest volume lost in a surge, µL.
    pub surge_ul: f64,
    /// Furthest travel of the diaphragm toward the cornea and back, from where the infusion holds it, mm.
    pub travel_mm: f64,
    /// Where the infusion holds the diaphragm, mm (a slow mean).
    pub held_mm: f64,
}

impl Chamber {
    /// Before the attempt.
    pub fn new(pupil_mm: f64, [cohesive_ul, dispersive_ul]: [f64; 2], bottle_pa: f64, held_mm: f64) -> Self {
        Self {
            cohesive_ul,
            dispersive_ul,
            sealed: 0.0,
            is_sealed: false,
            pupil_mm,
            was_closed: false,
            before_surge_ul: 0.0,
            before_surge_pa: 0.0,
            is_surging: false,
            is_shallow: false,
            since_lift_s: LIFT_HOLDS_S,
            bottle_pa,
            was_in_eye: false,
            since_break_s: SURGE_WATCH_S,
            break_event: None,
            lowest_pa: f64::MAX,
            highest_pa: 0.0,
            surge_ul: 0.0,
            travel_mm: 0.0,
            held_mm,
        }
    }
}

/// Area of the diaphragm, mm².
pub fn diaphragm_mm2(model: &Model) -> f64 {
    let radius = model.field.shape.equator_mm + CILIARY_MORE_MM;
    DIAPHRAGM_SHARE * core::f64::consts::PI * radius * radius
}

/// Elastance of the diaphragm as it stands, Pa/µL: that of lens and zonules, and, over the share of the area where no lens
/// lies on it, of the membrane hung on them; side by side under one pressure they count by area (A).
pub fn elastance_pa_ul(model: &Model, state: &State) -> f64 {
    let (piston, free) = (piston_pa_ul(model, state), state.wounds.uncovered);
    (1.0 - free) * piston + free / (1.0 / piston + state.wounds.compliance_ul_pa[0])
}

/// Elastance of lens and zonules, Pa/µL: with the nucleus gone, lax or sealed to the iris they give way more.
pub fn piston_pa_ul(model: &Model, state: &State) -> f64 {
    let gone = (state.lens.removed_ul + state.lens.lost_ul) / model.whole_ul();
    let sealed = 1.0 + (SEALED_COMPLIANCE - 1.0) * state.chamber.sealed;
    let held: f64 = (0..HOURS).map(|h| state.support.intact[h] * model.zonules.share[h]).sum::<f64>() / HOURS as f64;
    resting_elastance_pa_ul(model) * (1.0 - LENS_SHARE * gone.clamp(0.0, 1.0)) * held.max(LEAST_HELD) / sealed
}

/// The same before the attempt.
pub fn resting_elastance_pa_ul(model: &Model) -> f64 {
    ELASTANCE_PA_UL / model.laxity
}

/// What is left of the elastance without any zonules (A: vitreous and iris).
const LEAST_HELD: f64 = 0.2;

/// How many times the wounds leak more while no sleeve fills the main incision (A).
const OPEN_WOUND: f64 = 8.0;

/// Time after a break for which what happens counts as its surge, s (surges last up to 1.74 s, OPTH.S516801; S).
const SURGE_WATCH_S: f64 = 2.0;

/// Time constant of the mean from which travel is measured, s (A).
const HELD_S: f64 = 4.0;

/// Time after lifting for which the iris stays off the capsule, s (A).
const LIFT_HOLDS_S: f64 = 20.0;

/// Let it flow for a tick.
pub fn flow(model: &Model, state: &mut State, inputs: &Inputs) {
    let is_in_eye = inputs.needle.insertion_mm > 0.0;
    inject(model, state, inputs);
    let injected_ul_s = match inputs.syringe {
        Some(Syringe::Chamber { flow_ul_s, .. }) => flow_ul_s.max(0.0),
        _ => 0.0, // what goes under the rim comes out again past it
    };
    let demand = Demand {
        infusion_is_open: inputs.pedal.position >= 1 && is_in_eye,
        bottle_pa: inputs.bottle_pa,
        ask: ask(inputs, is_in_eye),
        open_mm2: if is_in_eye { open_port_mm2(model, state) } else { 0.0 },
        diaphragm_elastance_pa_ul: elastance_pa_ul(model, state),
        injected_ul_s,
        removed_ul_s: state.removal.rate_ul_s,
    };
    if is_in_eye {
        state.circuit.advance(&model.plumbing, &demand, model.tick_s);
    } else {
        let leak_ul_s_pa = OPEN_WOUND * model.plumbing.leak_ul_s_pa;
        state.circuit.advance(&Plumbing { leak_ul_s_pa, ..model.plumbing.clone() }, &demand, model.tick_s);
    }
    state.vacuum_pa =
        if inputs.pedal.position >= 2 { (state.circuit.chamber_pa - state.circuit.line_pa).max(0.0) } else { 0.0 };
    wash(model, state);
    let membrane_ul = state.membrane.volume_ul(&model.membrane);
    state.lens.raised_mm = raised_mm(model, state.circuit.diaphragm_ul - membrane_ul);
    if state.lens.is_whole() {
        state.lens.settle_whole();
    }
    seal_iris(model, state);
    note_settings(state, inputs, is_in_eye);
    note_breaks(model, state);
    if is_in_eye {
        watch(model, state);
    }
}

/// How far the diaphragm carries the bag toward the cornea, mm.
pub fn raised_mm(model: &Model, diaphragm_ul: f64) -> f64 {
    (diaphragm_ul / diaphragm_mm2(model)).clamp(-MOST_TRAVEL_MM, MOST_TRAVEL_MM)
}

/// No diaphragm travels further, mm (A): iris and ciliary body stop it.
const MOST_TRAVEL_MM: f64 = 2.5;

fn ask(inputs: &Inputs, is_in_eye: bool) -> Ask {
    let share = inputs.pedal.vacuum_share();
    if !is_in_eye {
        Ask::Off
    } else if inputs.reflux {
        Ask::Reflux { pa: REFLUX_PA }
    } else if inputs.pedal.position >= 2 {
        Ask::Aspirate { limit_pa: inputs.vacuum_limit_pa * share, flow_ul_s: inputs.flow_limit_ul_s * share }
    } else {
        Ask::Off
    }
}

/// Pressure of reflux in the line, Pa (A: 80 mmHg).
const REFLUX_PA: f64 = 10_666.0;

/// Share of the port that lets nothing through: tissue as far as its film seals, and capsule.
fn closed_share(state: &State) -> f64 {
    let tissue = state.needle.as_ref().map_or(0.0, |n| n.occlusion) * state.removal.seal();
    (tissue + state.wounds.port_covered).clamp(0.0, 1.0)
}

/// The part of the port that fluid passes; viscoelastic in it resists.
fn open_port_mm2(model: &Model, state: &State) -> f64 {
    let viscous = 1.0 + (PORT_RESISTANCE - 1.0) * viscous_share(model, state);
    model.needle.port_area_mm2() * (1.0 - closed_share(state)) / viscous
}

/// Share of the chamber that viscoelastic fills.
pub fn viscous_share(model: &Model, state: &State) -> f64 {
    let whole_ul = CHAMBER_UL_PER_MM * model.chamber_depth_mm;
    ((state.chamber.cohesive_ul + state.chamber.dispersive_ul) / whole_ul).clamp(0.0, 1.0)
}

/// Viscoelastic comes in; fluid under the rim is the bag's affair.
fn inject(model: &Model, state: &mut State, inputs: &Inputs) {
    let Some(Syringe::Chamber { what, flow_ul_s }) = inputs.syringe else { return };
    let volume_ul = flow_ul_s.max(0.0) * model.tick_s;
    match what {
        Injected::Cohesive => state.chamber.cohesive_ul += volume_ul,
        Injected::Dispersive => state.chamber.dispersive_ul += volume_ul,
        Injected::Fluid => {}
    }
}

/// Flow takes viscoelastic along.
fn wash(model: &Model, state: &mut State) {
    let whole_ul = CHAMBER_UL_PER_MM * model.chamber_depth_mm;
    let leak_ul_s = model.plumbing.leak_ul_s_pa * state.circuit.chamber_pa.max(0.0);
    let through_ul = (state.circuit.outflow_ul_s.max(0.0) + leak_ul_s) * model.tick_s;
    let chamber = &mut state.chamber;
    chamber.cohesive_ul *= libm::exp(-WASHED_COHESIVE * through_ul / whole_ul);
    chamber.dispersive_ul *= libm::exp(-WASHED_DISPERSIVE * through_ul / whole_ul);
}

/// Does the chopper stand between iris and capsule at the rim?
fn lifts_iris(model: &Model, state: &State) -> bool {
    state.chopper.as_ref().is_some_and(|c| {
        let p = c.blade.point_mm;
        let r = libm::hypot(p.x, p.y);
        let over_mm = p.z - state.lens.raised_mm - model.field.shape.anterior_z_mm(r);
        let is_at_rim = r > model.rhexis_radius_mm - LIFT_REACH_MM && r < model.field.shape.equator_mm;
        is_at_rim && (0.0..LIFT_REACH_MM).contains(&over_mm)
    })
}

fn seal_iris(model: &Model, state: &mut State) {
    let back_mm = -state.lens.raised_mm;
    let slack_mm = IRIS_SLACK_MM / model.iris_laxity.max(0.1);
    let is_lifted = lifts_iris(model, state);
    let is_pressed = state.circuit.chamber_pa > state.circuit.vitreous_pa;
    let since_lift_s = if is_lifted { 0.0 } else { (state.chamber.since_lift_s + model.tick_s).min(LIFT_HOLDS_S) };
    state.chamber.since_lift_s = since_lift_s;
    if !state.chamber.is_sealed && back_mm > slack_mm && is_pressed && since_lift_s >= LIFT_HOLDS_S {
        state.chamber.is_sealed = true;
        let cause = state.latest(|k| matches!(k, EventKind::PedalMoved { .. } | EventKind::BottleMoved { .. }));
        state.note(cause, EventKind::PupilBlocked { back_mm, chamber_pa: state.circuit.chamber_pa });
    } else if state.chamber.is_sealed && (is_lifted || back_mm < 0.5 * slack_mm) {
        state.chamber.is_sealed = false;
        let cause = state.latest(|k| matches!(k, EventKind::PupilBlocked { .. }));
        state.note(cause, EventKind::BlockReleased { by_lifting: is_lifted, back_mm });
    }
    let goal = f64::from(u8::from(state.chamber.is_sealed));
    let share = 1.0 - libm::exp(-model.tick_s / RELEASE_S);
    state.chamber.sealed += (goal - state.chamber.sealed) * share;
    state.chamber.pupil_mm = model.pupil_mm + PUPIL_PER_MM * state.chamber.sealed * back_mm.max(0.0);
}

fn note_settings(state: &mut State, inputs: &Inputs, is_in_eye: bool) {
    let from_pa = state.chamber.bottle_pa;
    if inputs.bottle_pa != from_pa {
        state.chamber.bottle_pa = inputs.bottle_pa;
        state.note(None, EventKind::BottleMoved { from_pa, to_pa: inputs.bottle_pa });
    }
    if state.chamber.was_in_eye && !is_in_eye {
        let cause = state.latest(|k| matches!(k, EventKind::Breach { .. }));
        state.note(cause, EventKind::NeedleWithdrawn { chamber_pa: state.circuit.chamber_pa });
    }
    state.chamber.was_in_eye = is_in_eye;
}

/// A port that comes free with vacuum in the line, and the surge that follows.
fn note_breaks(model: &Model, state: &mut State) {
    let closed = closed_share(state);
    let line_pa = state.circuit.vacuum_pa();
    if closed > CLOSED {
        state.chamber.was_closed = true;
    } else if closed < OPEN && state.chamber.was_closed {
        state.chamber.was_closed = false;
        if line_pa > BREAK_PA && state.pedal.position >= 2 {
            let cause = state.latest(|k| matches!(k, EventKind::Gripped { .. } | EventKind::PedalMoved { .. }));
            state.chamber.break_event = Some(state.note(cause, EventKind::OcclusionBroke { vacuum_pa: line_pa }));
            state.chamber.since_break_s = 0.0;
            state.chamber.is_surging = false;
            state.chamber.before_surge_ul = state.circuit.chamber_ul;
            state.chamber.before_surge_pa = state.circuit.chamber_pa;
        }
    }
    if state.chamber.since_break_s < SURGE_WATCH_S {
        state.chamber.since_break_s += model.tick_s;
        let lost_ul = state.chamber.before_surge_ul - state.circuit.chamber_ul;
        state.chamber.surge_ul = state.chamber.surge_ul.max(lost_ul);
        let chamber_pa = state.circuit.chamber_pa;
        if !state.chamber.is_surging && state.chamber.before_surge_pa - chamber_pa > SURGE_PA {
            state.chamber.is_surging = true;
            state.note(state.chamber.break_event, EventKind::Surge { chamber_pa, lost_ul });
        }
    }
}

/// Pressure and travel with the needle in the eye.
fn watch(model: &Model, state: &mut State) {
    let (raised_mm, chamber_pa) = (state.lens.raised_mm, state.circuit.chamber_pa);
    let chamber = &mut state.chamber;
    chamber.lowest_pa = chamber.lowest_pa.min(chamber_pa);
    chamber.highest_pa = chamber.highest_pa.max(chamber_pa);
    chamber.held_mm += (raised_mm - chamber.held_mm) * (1.0 - libm::exp(-model.tick_s / HELD_S));
    let travel_mm = raised_mm - chamber.held_mm;
    chamber.travel_mm = chamber.travel_mm.max(travel_mm);
    let (was_shallow, is_shallow) = (chamber.is_shallow, travel_mm > SHALLOW_MM);
    chamber.is_shallow = is_shallow || (was_shallow && travel_mm > 0.5 * SHALLOW_MM);
    let surge = chamber.break_event.filter(|_| chamber.since_break_s < SURGE_WATCH_S);
    if is_shallow && !was_shallow {
        let moved = state.latest(|k| matches!(k, EventKind::PedalMoved { .. } | EventKind::BottleMoved { .. }));
        state.note(surge.or(moved), EventKind::ChamberShallowed { travel_mm, chamber_pa });
    }
    if state.circuit.is_collapsed() && !state.events.iter().any(|e| matches!(e.kind, EventKind::ChamberCollapsed)) {
        let cause = state.latest(|k| {
            matches!(k, EventKind::Surge { .. } | EventKind::ChamberShallowed { .. } | EventKind::PedalMoved { .. })
        });
        state.note(cause, EventKind::ChamberCollapsed);
    }
}
