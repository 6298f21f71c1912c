//! Emulsifying a piece, as a hand does it: bite by bite.
//!
//! The port is brought onto the piece along the shaft with vacuum alone, the foot in position 2, until it holds; then
//! ultrasound is added and the hand goes on as far as it finds tissue, well before the capsule. Where nothing comes away
//! any more it draws back, looks where most of the piece can be taken, and goes in there. A piece of which no good bite is
//! in reach is gripped anew and brought back to where the work began. mm, s, µL.

use crate::plan::aim::{self, Bite, FLOOR_MM, GRIP_DEG};
use crate::plan::hands::{FREE_SPEED_MM_S, Foot, needle_over_lens_mm};
use crate::plan::manoeuvre::{BEFORE_MM, grip_stroke};
use crate::plan::run::{Performer, REACTION_S, SEALED, Stroke};
use crate::plan::spec::BRING_SPEED_MM_S;
use crate::sim::hands::HandPose;
use crate::sim::pieces::LEAST_NUCLEUS_UL;
use crate::sim::{Model, State};
use crate::units::radians;
use core::f64::consts::PI;
use nalgebra::Vector3;

/// Longest time for which vacuum alone is awaited at the start of a bite, s (A).
const SEALING_S: f64 = 0.8;

/// Speed of the hand in a bite, mm/s (A).
const BITE_MM_S: f64 = 3.0;

/// Rate below which next to nothing comes away, µL/s, and the time after which the hand gives up (A).
const IDLE_UL_S: f64 = 0.5;
const IDLE_S: f64 = 0.4;

/// Share of the set vacuum from which the hand goes on with ultrasound (A).
const SEIZED: f64 = 0.65;

/// Rise of the vacuum that a hand takes for one.
const RISES: f64 = 1.02;

/// Force on a piece at which the hand sees it give way, and goes no further, µN (A).
const GIVES_WAY_UN: f64 = 50_000.0;

/// Share of the set vacuum below which a piece is seen to be off its seal, and the cover of the port from which it is worth
/// waiting for vacuum again (A).
const LOST: f64 = 0.5;
const TOUCHES: f64 = 0.3;

/// What a try must take to have been worth it, µL, and tries in vain after which the hand gives up.
const WORTH_UL: f64 = 0.1;
const MOST_VAIN: u32 = 5;

/// How far above a piece's middle, and within the rim, the port waits for it, mm (A).
const OVER_MM: f64 = 1.2;
const OFF_RIM_MM: f64 = 0.8;

/// How far before a piece the tip stops on its way there, mm (A).
const SHORT_MM: f64 = 0.2;

/// Emulsifying under way.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Eating {
    /// The piece meant.
    body: u16,
    /// Does it hold nucleus? Then it is gone when that is.
    is_nuclear: bool,
    /// Numbers from here on are of pieces that came off since.
    newer: u16,
    foot: Foot,
    until_tick: u64,
    /// How far the tip may still go in this bite, mm.
    left_mm: f64,
    /// What had been removed a tick ago, µL.
    removed_ul: f64,
    idle_s: f64,
    /// Time left for vacuum alone, s.
    sealing_s: f64,
    /// Highest vacuum in that time, Pa, and the time since it rose, s.
    best_pa: f64,
    stale_s: f64,
    /// Time for which the piece has been off its seal with ultrasound on, s.
    loose_s: f64,
    gone_s: f64,
    /// Where the tip was when it began: where a piece is brought back to, mm.
    work_mm: Vector3<f64>,
    /// Bites since the piece was last brought there.
    bites: u32,
    /// What had been removed when the hand last went for something, µL, and how often in a row that was in vain.
    tried_ul: f64,
    vain: u32,
    /// Where gripping failed since something last came away, mm.
    failed_mm: Vec<Vector3<f64>>,
}

impl Eating {
    /// Begin on the piece that is on the tip.
    pub(super) fn begin(model: &Model, state: &State, foot: Foot, seconds: f64, tip_mm: Vector3<f64>) -> Self {
        let body = aim::aimed_at(state);
        Self {
            body,
            is_nuclear: state.lens.nucleus_ul.get(usize::from(body)).is_some_and(|ul| *ul >= LEAST_NUCLEUS_UL),
            newer: state.lens.volume_ul.len() as u16,
            foot,
            until_tick: state.tick + libm::round(seconds / model.tick_s) as u64,
            left_mm: FIRST_MM,
            removed_ul: state.lens.removed_ul,
            idle_s: 0.0,
            sealing_s: 0.0,
            best_pa: 0.0,
            stale_s: 0.0,
            loose_s: 0.0,
            gone_s: 0.0,
            work_mm: tip_mm,
            bites: 0,
            tried_ul: state.lens.removed_ul,
            vain: 0,
            failed_mm: Vec::new(),
        }
    }

    /// The same with vacuum alone to begin with.
    fn afresh(&self) -> Self {
        let mut next = self.clone();
        next.begin_waiting();
        next
    }

    /// From now on vacuum alone, until it has hold of the piece.
    fn begin_waiting(&mut self) {
        (self.sealing_s, self.best_pa, self.stale_s, self.loose_s) = (SEALING_S, 0.0, 0.0, 0.0);
    }

    /// A tick of that. Where vacuum does not rise and the hand goes no further it is given up: another place is looked for.
    fn wait(&mut self, vacuum_pa: f64, is_held: bool, dt: f64) {
        let rises = vacuum_pa > RISES * self.best_pa;
        self.stale_s = if rises || self.left_mm > 0.0 { 0.0 } else { self.stale_s + dt };
        if rises {
            self.best_pa = vacuum_pa;
        }
        self.sealing_s = if is_held || self.stale_s > REACTION_S { 0.0 } else { self.sealing_s - dt };
        self.idle_s = if is_held || self.sealing_s > 0.0 { 0.0 } else { IDLE_S };
    }

    fn is_meant(&self, body: u16) -> bool {
        body == self.body || body >= self.newer
    }
}

/// How far the tip goes into the piece it holds already, mm (A).
const FIRST_MM: f64 = 1.0;

impl Performer {
    /// A tick of emulsifying; true when the piece is gone, the time is up, or the hand goes for another bite.
    pub(super) fn eat(&mut self, model: &Model, state: &State, eating: &mut Eating) -> bool {
        let dt = model.tick_s;
        let is_sealing = eating.sealing_s > 0.0;
        self.hands.foot = if is_sealing { Foot::full(2) } else { eating.foot };
        let left_ul = if eating.is_nuclear { &state.lens.nucleus_ul } else { &state.lens.volume_ul };
        let left_ul: f64 = left_ul.iter().zip(0u16..).filter(|(_, b)| eating.is_meant(*b)).map(|(v, _)| *v).sum();
        eating.gone_s = if left_ul < LEAST_NUCLEUS_UL { eating.gone_s + dt } else { 0.0 };
        if state.tick >= eating.until_tick || eating.gone_s >= REACTION_S {
            self.hands.foot = Foot::full(2);
            return true;
        }
        let Some(needle) = &state.needle else { return false };
        // Cells go one by one: what counts is the mean.
        let came_away_s = (state.lens.removed_ul - eating.removed_ul) / IDLE_UL_S;
        eating.removed_ul = state.lens.removed_ul;
        eating.idle_s = (eating.idle_s + dt - came_away_s).max(0.0);
        let is_held = state.circuit.vacuum_pa() > SEIZED * self.hands.machine.vacuum_limit_pa;
        let gives_way = needle.load_un > GIVES_WAY_UN;
        if (needle.cover < SEALED || !is_held) && !gives_way && eating.left_mm > 0.0 {
            self.bite_on(model, state, eating);
        }
        if is_sealing {
            eating.wait(state.circuit.vacuum_pa(), is_held, dt);
            return false;
        }
        // It chatters: the foot goes back until vacuum has it again.
        let is_loose = state.circuit.vacuum_pa() < LOST * self.hands.machine.vacuum_limit_pa;
        eating.loose_s = if is_loose { eating.loose_s + dt } else { 0.0 };
        if eating.loose_s > REACTION_S && needle.occlusion > TOUCHES {
            eating.begin_waiting();
        }
        if eating.idle_s < IDLE_S {
            return false;
        }
        eating.idle_s = 0.0;
        if state.lens.removed_ul > eating.tried_ul + WORTH_UL {
            eating.vain = 0;
            eating.failed_mm.clear();
        } else {
            eating.vain += 1;
        }
        eating.tried_ul = state.lens.removed_ul;
        if eating.vain > MOST_VAIN {
            self.hands.foot = Foot::full(2);
            return true;
        }
        let bite = aim::bite(model, state, |b| eating.is_meant(b));
        match bite.filter(|_| eating.bites < MOST_BITES) {
            Some(bite) => self.go_for(model, state, eating, &bite),
            None => self.fetch(model, state, eating),
        }
        true
    }

    /// Go on into the piece, never near the capsule.
    fn bite_on(&mut self, model: &Model, state: &State, eating: &mut Eating) {
        let forward = self.hands.pose(model).forward();
        let by = (BITE_MM_S * model.tick_s).min(eating.left_mm);
        let lip_mm = self.hands.needle_mm + forward * (by + model.needle.outer_radius_mm) - state.lens.carried_mm();
        if model.field.shape.distance_to_posterior_mm(&lip_mm) < FLOOR_MM {
            eating.left_mm = 0.0;
        } else {
            self.hands.needle_mm += forward * by;
            eating.left_mm -= by;
        }
    }

    /// Draw back, come to a bite along the shaft, and go on there.
    fn go_for(&mut self, model: &Model, state: &State, eating: &Eating, bite: &Bite) {
        let (contact, elevation_rad) = (&bite.contact_mm, bite.elevation_rad);
        let forward = HandPose::needle_at(&model.main_incision, contact, elevation_rad, self.hands.roll_rad).forward();
        let before_mm = contact - forward * SHORT_MM;
        let next = Eating { left_mm: bite.length_mm + SHORT_MM, bites: eating.bites + 1, ..eating.afresh() };
        self.do_first([
            Stroke::Step(Foot::full(1)),
            free(
                out_mm(model, state, &self.hands.needle_mm, &self.hands.pose(model).forward()),
                self.hands.elevation_rad,
                self.hands.roll_rad,
            ),
            free(out_mm(model, state, contact, &forward), elevation_rad, self.hands.roll_rad),
            free(before_mm, elevation_rad, self.hands.roll_rad),
            Stroke::Emulsify(next),
        ]);
    }

    /// Grip what is left anew, bring it back to where the work began, and go on there.
    fn fetch(&mut self, model: &Model, state: &State, eating: &Eating) {
        let mut next = Eating { left_mm: FIRST_MM, bites: 0, ..eating.afresh() };
        let Some(way) = aim::way_to_any(model, state, |b| eating.is_meant(b), &eating.failed_mm) else {
            next.failed_mm.clear();
            return self.wait_over(model, state, next);
        };
        next.failed_mm.push(way.contact_mm);
        let (grip, elevation_rad) = (grip_stroke(way.along, way.soft_mm, SEALING_S), radians(GRIP_DEG));
        let before_mm = way.contact_mm - way.along * BEFORE_MM;
        let over = |p: &Vector3<f64>| Vector3::new(p.x, p.y, needle_over_lens_mm(model, state).max(p.z));
        let here_mm = out_mm(model, state, &self.hands.needle_mm, &self.hands.pose(model).forward());
        self.do_first([
            Stroke::Step(Foot::full(1)),
            free(here_mm, self.hands.elevation_rad, self.hands.roll_rad),
            free(over(&before_mm), elevation_rad, way.roll_rad),
            free(before_mm, elevation_rad, way.roll_rad),
            Stroke::Step(Foot::full(2)),
            grip,
            Stroke::Carry { to_mm: eating.work_mm, speed_mm_s: BRING_SPEED_MM_S },
            Stroke::Emulsify(next),
        ]);
    }

    /// Over a piece of which the port gets no hold, aspirate until the inflow has brought it.
    fn wait_over(&mut self, model: &Model, state: &State, next: Eating) {
        let Some(middle_mm) = aim::largest_mm(model, state, |b| next.is_meant(b)) else {
            return self.do_first([Stroke::Step(Foot::full(2)), Stroke::Emulsify(next)]);
        };
        let (elevation_rad, roll_rad) = (radians(GRIP_DEG), PI);
        let within = |p: &Vector3<f64>| {
            let radius_mm = libm::hypot(p.x, p.y);
            let share = ((model.rhexis_radius_mm - OFF_RIM_MM) / radius_mm.max(1e-9)).min(1.0);
            Vector3::new(p.x * share, p.y * share, p.z)
        };
        let over_mm = within(&middle_mm) + Vector3::z() * OVER_MM;
        let high_mm = Vector3::new(over_mm.x, over_mm.y, needle_over_lens_mm(model, state).max(over_mm.z));
        let here_mm = out_mm(model, state, &self.hands.needle_mm, &self.hands.pose(model).forward());
        self.do_first([
            Stroke::Step(Foot::full(1)),
            free(here_mm, self.hands.elevation_rad, self.hands.roll_rad),
            free(high_mm, elevation_rad, roll_rad),
            Stroke::Step(Foot::full(2)),
            free(over_mm, elevation_rad, roll_rad),
            Stroke::Emulsify(next),
        ]);
    }

    /// Do these before all that was meant to come.
    fn do_first<const N: usize>(&mut self, strokes: [Stroke; N]) {
        for stroke in strokes.into_iter().rev() {
            self.strokes.push_front(stroke);
        }
    }
}

/// A way at full speed.
fn free(to_mm: Vector3<f64>, elevation_rad: f64, roll_rad: f64) -> Stroke {
    Stroke::Needle { to_mm, elevation_rad, roll_rad, speed_mm_s: FREE_SPEED_MM_S }
}

/// Where the shaft's line through a place leaves the lens, mm.
fn out_mm(model: &Model, state: &State, from: &Vector3<f64>, forward: &Vector3<f64>) -> Vector3<f64> {
    let rise_mm = needle_over_lens_mm(model, state) - from.z;
    from - forward * (rise_mm / -forward.z).clamp(0.0, MOST_OUT_MM)
}

/// Longest way the tip is drawn back along its shaft, mm.
const MOST_OUT_MM: f64 = 6.0;

/// Bites after which a piece is brought back to where the work began.
const MOST_BITES: u32 = 12;
