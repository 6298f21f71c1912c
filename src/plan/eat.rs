//! Emulsifying a piece, as a hand does it: bite by bite.
//!
//! The port is brought onto the piece along the shaft with vacuum alone, the foot in position 2, until it holds; then
//! ultrasound is added and the hand goes on as far as it finds tissue, well before the capsule. Where nothing comes away
//! any more it draws back, looks where most of the piece can be taken, and goes in there. A piece of which no good bite is
//! in reach is gripped anew and brought back to where the work began. mm, s, µL.

use crate::plan::aim::{self, Bite, FLOOR_MM, GRIP_DEG};
use crate::plan::manoeuvre::{BEFORE_MM, grip_stroke, needle_over_lens_mm};
use crate::plan::run::{FREE_SPEED_MM_S, Foot, HELD, Performer, REACTION_S, SEALED, Stroke};
use crate::plan::spec::BRING_SPEED_MM_S;
use crate::sim::hands::HandPose;
use crate::sim::{Model, State};
use crate::units::radians;
use nalgebra::Vector3;

/// Longest time for which vacuum alone is awaited at the start of a bite, s (A).
const SEALING_S: f64 = 0.8;

/// Speed of the hand in a bite, mm/s (A).
const BITE_MM_S: f64 = 1.5;

/// Rate below which next to nothing comes away, µL/s, and the time after which the hand gives up (A).
const IDLE_UL_S: f64 = 0.5;
const IDLE_S: f64 = 0.4;

/// Volume at which a piece is gone, µL.
const GONE_UL: f64 = 0.1;

/// How far before a piece the tip stops on its way there, mm (A).
const SHORT_MM: f64 = 0.2;

/// Emulsifying under way.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Eating {
    /// The piece meant.
    body: u16,
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
    gone_s: f64,
    /// Where the tip was when it began: where a piece is brought back to, mm.
    work_mm: Vector3<f64>,
    /// Bites since the piece was last brought there.
    bites: u32,
}

impl Eating {
    /// Begin on the piece that is on the tip.
    pub(super) fn begin(model: &Model, state: &State, foot: Foot, seconds: f64, tip_mm: Vector3<f64>) -> Self {
        Self {
            body: aim::aimed_at(state),
            newer: state.lens.volume_ul.len() as u16,
            foot,
            until_tick: state.tick + libm::round(seconds / model.tick_s) as u64,
            left_mm: FIRST_MM,
            removed_ul: state.lens.removed_ul,
            idle_s: 0.0,
            sealing_s: 0.0,
            gone_s: 0.0,
            work_mm: tip_mm,
            bites: 0,
        }
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
        self.foot = if is_sealing { Foot::full(2) } else { eating.foot };
        let volumes = state.lens.volume_ul.iter().zip(0u16..);
        let left_ul: f64 = volumes.filter(|(_, b)| eating.is_meant(*b)).map(|(v, _)| *v).sum();
        eating.gone_s = if left_ul < GONE_UL { eating.gone_s + dt } else { 0.0 };
        if state.tick >= eating.until_tick || eating.gone_s >= REACTION_S {
            self.foot = Foot::full(2);
            return true;
        }
        let Some(needle) = &state.needle else { return false };
        // Cells go one by one: what counts is the mean.
        let came_away_s = (state.lens.removed_ul - eating.removed_ul) / IDLE_UL_S;
        eating.removed_ul = state.lens.removed_ul;
        eating.idle_s = (eating.idle_s + dt - came_away_s).max(0.0);
        let is_held = state.circuit.vacuum_pa() > HELD * self.machine.vacuum_limit_pa;
        if (needle.cover < SEALED || !is_held) && eating.left_mm > 0.0 {
            self.bite_on(model, state, eating);
        }
        if is_sealing {
            eating.sealing_s = if is_held { 0.0 } else { eating.sealing_s - dt };
            eating.idle_s = 0.0;
            return false;
        }
        if eating.idle_s < IDLE_S {
            return false;
        }
        eating.idle_s = 0.0;
        let bite = aim::bite(model, state, |b| eating.is_meant(b));
        match bite.filter(|_| eating.bites < MOST_BITES) {
            Some(bite) => self.go_for(model, state, eating, &bite),
            None => self.fetch(model, state, eating),
        }
        true
    }

    /// Go on into the piece, never near the capsule.
    fn bite_on(&mut self, model: &Model, state: &State, eating: &mut Eating) {
        let forward = self.hand(model).forward();
        let by = (BITE_MM_S * model.tick_s).min(eating.left_mm);
        let lip_mm = self.needle_mm + forward * (by + model.needle.outer_radius_mm) - state.lens.carried_mm();
        if model.field.shape.distance_to_posterior_mm(&lip_mm) < FLOOR_MM {
            eating.left_mm = 0.0;
        } else {
            self.needle_mm += forward * by;
            eating.left_mm -= by;
        }
    }

    /// Draw back, come to a bite along the shaft, and go on there.
    fn go_for(&mut self, model: &Model, state: &State, eating: &Eating, bite: &Bite) {
        let (contact, elevation_rad) = (&bite.contact_mm, bite.elevation_rad);
        let forward = HandPose::needle_at(&model.main_incision, contact, elevation_rad, self.roll_rad).forward();
        let before_mm = contact - forward * SHORT_MM;
        let next = Eating {
            left_mm: bite.length_mm + SHORT_MM,
            sealing_s: SEALING_S,
            bites: eating.bites + 1,
            ..eating.clone()
        };
        self.do_first([
            Stroke::Step(Foot::full(1)),
            free(out_mm(model, state, &self.needle_mm, &self.hand(model).forward()), self.elevation_rad, self.roll_rad),
            free(out_mm(model, state, contact, &forward), elevation_rad, self.roll_rad),
            free(before_mm, elevation_rad, self.roll_rad),
            Stroke::Emulsify(next),
        ]);
    }

    /// Grip what is left anew, bring it back to where the work began, and go on there.
    fn fetch(&mut self, model: &Model, state: &State, eating: &Eating) {
        let next = Eating { left_mm: FIRST_MM, sealing_s: SEALING_S, bites: 0, ..eating.clone() };
        let meant = aim::largest(model, state, |b| eating.is_meant(b));
        let Some(way) = meant.and_then(|piece| aim::approach(model, state, &piece, None)) else {
            return self.do_first([
                Stroke::Step(Foot::full(2)),
                Stroke::Hold { left_s: SEALING_S },
                Stroke::Emulsify(next),
            ]);
        };
        let (grip, elevation_rad) = (grip_stroke(&way, SEALING_S), radians(GRIP_DEG));
        let before_mm = way.contact_mm - way.along * BEFORE_MM;
        let over = |p: &Vector3<f64>| Vector3::new(p.x, p.y, needle_over_lens_mm(model, state).max(p.z));
        let bring = Stroke::Needle {
            to_mm: eating.work_mm,
            elevation_rad,
            roll_rad: way.roll_rad,
            speed_mm_s: BRING_SPEED_MM_S,
        };
        let here_mm = out_mm(model, state, &self.needle_mm, &self.hand(model).forward());
        self.do_first([
            Stroke::Step(Foot::full(1)),
            free(here_mm, self.elevation_rad, self.roll_rad),
            free(over(&before_mm), elevation_rad, way.roll_rad),
            free(before_mm, elevation_rad, way.roll_rad),
            Stroke::Step(Foot::full(2)),
            grip,
            bring,
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
