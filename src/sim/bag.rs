//! The lens in its bag: the wave that frees it, the hands that turn it, the zonules that bear it.
//!
//! Brings together what sticks the lens to its capsule (`adhesion`) and what holds the bag (`zonules`). A syringe under
//! the rim sends a wave; an instrument that presses the nucleus back drives on what is trapped behind it. Hands that turn
//! the nucleus do so through a spring: against adhesion the bag turns too, and the zonules bear it.
//!
//! Limits: turning acts through two hands as a couple; what pushes the lens along the needle loads zonules by its
//! in-plane and axial parts. Eye frame; mm, µN, rad.

use crate::sim::adhesion::{Adhesion, HOURS, Jet};
use crate::sim::event::{BreachBy, EventKind};
use crate::sim::membrane;
use crate::sim::zonules::{Action, Hand, Held, Support};
use crate::sim::{Inputs, Model, State, Syringe, capsule};
use nalgebra::Vector3;

/// Arm of the hands that turn the nucleus, mm (A: half a nucleus's radius).
const TURNING_ARM_MM: f64 = 2.0;

/// Stiffness of an instrument in the tissue it turns by, µN/mm, and what the tissue bears, µN (A).
const TURNING_UN_MM: f64 = 100_000.0;
const TURNING_BEARS_UN: f64 = 200_000.0;

/// Load on a clock hour from which it is noted, µN (A: a fifth of what tears it).
const ZONULE_NOTED_UN: f64 = 15_000.0;

/// Pressure on the posterior capsule from which trapped fluid is noted, Pa (A: 8 mmHg).
const TRAPPED_NOTED_PA: f64 = 1_067.0;

/// Freed share of the injected hour below which a wave has failed there.
const FAILED: f64 = 0.5;

/// How the lens sticks when the attempt begins.
pub fn freed(model: &Model) -> Adhesion {
    let mut adhesion = Adhesion::new(&model.bed);
    adhesion.freed = adhesion.freed.map(|freed| freed.max(model.freed));
    adhesion
}

/// Is no fluid on its way?
fn is_still(adhesion: &Adhesion) -> bool {
    adhesion.trapped_ul < STILL_UL && adhesion.film_ul.iter().all(|v| *v < STILL_UL)
}

/// Volume that does not matter any more, µL.
const STILL_UL: f64 = 1e-3;

/// Does the bag rest?
fn is_at_rest(support: &Support) -> bool {
    let shift = support.bag.shift_mm.iter().all(|d| d.abs() < 1e-9);
    shift && support.bag.turn_rad.abs() < 1e-12 && support.grip_mm == 0.0
}

/// A tick of wave, turning and support.
pub fn settle(model: &Model, state: &mut State, inputs: &Inputs) {
    dissect(model, state, inputs);
    state.turned_rad = 0.0;
    let before_rad = state.support.nucleus_rad();
    let is_held =
        state.opening.is_some() || state.found.is_some() || state.needle.as_ref().is_some_and(|n| n.buried_mm > 0.0);
    let hand = (!is_held && inputs.turn_rad_s != 0.0).then_some(Hand {
        rate_rad_s: inputs.turn_rad_s,
        arm_mm: TURNING_ARM_MM,
        at_rad: None,
        stiffness_un_mm: TURNING_UN_MM,
        bears_un: TURNING_BEARS_UN,
    });
    let pushed_un =
        state.needle.as_ref().filter(|_| state.lens.is_whole()).map_or(Vector3::zeros(), |n| n.tip.forward * n.load_un);
    if hand.is_none() && pushed_un.norm() == 0.0 && is_at_rest(&state.support) {
        return;
    }
    let action =
        Action { push_un: pushed_un.into(), hand, slide_torque_un_mm: state.adhesion.slide_torque_un_mm(&model.bed) };
    let Held { pulls, torque_un_mm, slide_rad, tear } = model.zonules.turn(&mut state.support, &action, model.tick_s);
    state.adhesion.wear(&[1.0; HOURS], slide_rad.abs() * model.bed.arm_mm());
    let turned_rad = state.support.nucleus_rad() - before_rad;
    state.lens.turned_rad += turned_rad;
    state.turned_rad = turned_rad;
    if state.lens.is_whole() {
        state.lens.settle_whole();
    }
    let (hour, load_un) = pulls.peak();
    state.totals.zonule_load_un = state.totals.zonule_load_un.max(load_un);
    state.totals.turning_torque_un_mm = state.totals.turning_torque_un_mm.max(torque_un_mm.abs());
    let hour = said_hour(hour);
    let is_turning = hand.is_some();
    if is_turning && !state.is_turning {
        state.note(None, EventKind::Turning);
    }
    state.is_turning = is_turning;
    let since = if is_turning {
        state.latest(|k| matches!(k, EventKind::Turning))
    } else {
        state.latest(|k| matches!(k, EventKind::LensPushed { .. }))
    };
    let was_noted = state.latest(|k| matches!(k, EventKind::ZonulesLoaded { .. }));
    if load_un > ZONULE_NOTED_UN && was_noted.is_none_or(|noted| since.is_some_and(|s| s > noted)) {
        state.note(since, EventKind::ZonulesLoaded { hour, load_un, turning: is_turning });
    }
    if let Some(tear) = tear {
        // Weak zonules tear under less than what is noted as a load.
        let last = state.latest(|k| matches!(k, EventKind::ZonulesLoaded { .. } | EventKind::TipEnteredLens));
        state.note(since.max(last), EventKind::ZonulesTore { hour: said_hour(tear.hour), load_un: tear.load_un });
    }
}

/// A sector's clock hour as it is said: 12, not 0.
fn said_hour(sector: usize) -> u8 {
    if sector == 0 { 12 } else { sector as u8 }
}

fn dissect(model: &Model, state: &mut State, inputs: &Inputs) {
    let jet = inputs.syringe.and_then(|s| match s {
        Syringe::UnderRim { hour, flow_ul_s } => Some(Jet { rate_ul_s: flow_ul_s, hour: f64::from(hour) }),
        _ => None,
    });
    let pressed_un = state.chopper.as_ref().filter(|_| state.lens.is_whole()).map_or(0.0, |c| c.press_un);
    if let (Some(jet), false) = (jet, state.is_injecting) {
        state.note(None, EventKind::WaveInjected { hour: jet.hour as u8 });
    }
    if jet.is_none() && state.is_injecting {
        let injected = state.latest(|k| matches!(k, EventKind::WaveInjected { .. }));
        if let Some(EventKind::WaveInjected { hour }) = injected.map(|i| state.events[i as usize].kind.clone()) {
            let sector = usize::from(hour) % HOURS;
            if state.adhesion.freed[sector] < FAILED {
                state.note(injected, EventKind::WaveFailed { hour });
            }
        }
    }
    state.is_injecting = jet.is_some();
    if jet.is_none() && is_still(&state.adhesion) {
        return;
    }
    state.adhesion.advance(&model.bed, jet, pressed_un, model.tick_s);
    let load_pa = state.adhesion.posterior_load_pa(&model.bed, pressed_un);
    state.totals.trapped_pa = state.totals.trapped_pa.max(load_pa);
    let injected = state.latest(|k| matches!(k, EventKind::WaveInjected { .. }));
    let noted = state.latest(|k| matches!(k, EventKind::WaveTrapped { .. }));
    if load_pa > TRAPPED_NOTED_PA && noted < injected {
        state.note(injected, EventKind::WaveTrapped { volume_ul: state.adhesion.trapped_ul, load_pa });
    }
    // The bowed capsule as a sphere of the lens's back: P·R/2t against its strength (values.md; D).
    let back_radius_mm = model.field.shape.equator_mm * model.field.shape.equator_mm / model.field.shape.back_mm;
    let stress_pa = membrane::suction_stress_pa(load_pa, UNBACKED * back_radius_mm, model.capsule_mm);
    if stress_pa > model.capsule_strength_pa && !state.is_breached {
        let cause = state.latest(|k| matches!(k, EventKind::WaveTrapped { .. }));
        capsule::breach(state, cause, None, BreachBy::TrappedFluid, 0.0);
    }
}

/// Share of the curvature's tension that vitreous does not take (A: it backs the real capsule).
const UNBACKED: f64 = 0.15;
