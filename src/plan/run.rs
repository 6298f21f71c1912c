//! A plan performed: manoeuvres become strokes of the hands (`manoeuvre`), strokes become `Inputs`.
//!
//! The performer does what a surgeon's hands do: it aims with what can be seen (`aim`), stops when the tip is where it was
//! meant to be (after a reaction time), and never touches the engine but through `Inputs`. Eye frame; mm, s, rad.

use crate::attempt::Prediction;
use crate::plan::eat::Eating;
use crate::plan::hands::{
    FREE_SPEED_MM_S, Foot, Hands, MOST_PUSH_MM, ROLL_RAD_S, SWING_RAD_S, TURN_SPEED_RAD_S, toward,
};
use crate::plan::spec::{Manoeuvre, PlanSpec};
use crate::sim::hands::{ChopperEnd, Pedal};
use crate::sim::pose::Pose;
use crate::sim::{Inputs, Model, State, Syringe};
use nalgebra::Vector3;
use std::collections::VecDeque;

/// Angle within which the nucleus is where it was meant to be turned, rad (A: half a degree).
const TURNED_RAD: f64 = 0.009;

/// Time from seeing to stopping, s (A: visual reaction of a trained hand).
pub(super) const REACTION_S: f64 = 0.2;

/// How far a hand presses beyond its aim before it gives up, mm.
const OVERREACH_MM: f64 = 1.0;

/// A tip that sinks no faster than this has come to its end, mm/s.
const STALLED_MM_S: f64 = 0.05;

/// How far out of its incision an instrument is drawn, mm.
const OUT_MM: f64 = 1.0;

/// Speed of bringing the port onto a piece, mm/s (A).
const GRIP_SPEED_MM_S: f64 = 1.0;

/// Cover of the port that counts as a seal, and the share of the set vacuum at which a piece is held (A).
pub(super) const SEALED: f64 = 0.85;
pub(super) const HELD: f64 = 0.85;

/// Cover below which what vacuum shows is no hold on a piece (A).
const FOUND: f64 = 0.5;

/// Cover of the port from which it has met something, the gain that counts as more, and the time without more after which
/// pushing on is vain (A).
const MET: f64 = 0.3;
const MORE: f64 = 0.02;
const NO_MORE_S: f64 = 0.3;

/// Speed of the tip in sweeping, mm/s (A).
const SWEEP_MM_S: f64 = 3.0;

/// Height of the chopper's point over the capsule where it lifts the iris, and how far beyond the rim it stands, mm (A).
const UNDER_IRIS_MM: f64 = 0.25;
const BEYOND_RIM_MM: f64 = 0.1;

/// Something a hand or the foot does until it is done.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Stroke {
    /// Bring the needle's tip to a place.
    Needle { to_mm: Vector3<f64>, elevation_rad: f64, roll_rad: f64, speed_mm_s: f64 },
    /// Bring what the port holds to a place; over as soon as it holds nothing.
    Carry { to_mm: Vector3<f64>, speed_mm_s: f64 },
    /// Draw the needle out of the eye along its shaft, or push it back in.
    Draw { is_out: bool },
    /// Advance along the shaft until the tip is as deep in a fragment as meant.
    Bury {
        body: u16,
        /// Where the tip is to end, in the fragment's frame.
        goal_mm: Vector3<f64>,
        /// Where the fragment was when the tip met it.
        seat: Pose,
        speed_mm_s: f64,
        power_share: f64,
        travelled_mm: f64,
        length_mm: f64,
        stops_in_s: Option<f64>,
    },
    /// Ease off: take back what the hand has pressed.
    Ease { left_s: f64 },
    /// Advance onto a piece until the port is covered, and wait until vacuum holds it.
    Grip {
        along: Vector3<f64>,
        /// How far the hand goes at most.
        left_mm: f64,
        /// Greatest cover so far, and the time since it last grew.
        best: f64,
        since_more_s: f64,
        stops_in_s: Option<f64>,
        /// Time for which it has been held.
        held_s: f64,
        /// Patience, from the moment something is met.
        left_s: f64,
    },
    /// Sweep round a place, the tip so deep below the lens's front.
    Sweep { centre_mm: (f64, f64), radius_mm: f64, depth_mm: f64, angle_rad: f64, left_s: f64 },
    /// Emulsify a piece, bite by bite (`eat`).
    Emulsify(Eating),
    /// Take a chopper with this end, just inside its port.
    TakeChopper { end: ChopperEnd, roll_rad: f64, over_lens_mm: f64 },
    /// Bring the chopper's point to a place.
    Chopper { to_mm: Vector3<f64>, roll_rad: f64, speed_mm_s: f64 },
    /// Move both apart.
    Part { across: Vector3<f64>, left_mm: f64, speed_mm_s: f64 },
    /// Take the chopper out of the eye.
    ChopperOut,
    /// Hold the chopper between iris and capsule, as the lens rises and falls.
    LiftIris { toward: Vector3<f64>, left_s: f64 },
    /// From now on keep the chopper so far below the port.
    Guard { below_mm: f64 },
    /// Change the foot.
    Step(Foot),
    /// Hold still.
    Hold { left_s: f64 },
    /// Turn the nucleus until it has come to an angle.
    Turn { to_rad: f64, left_s: f64 },
    /// Inject.
    Inject { syringe: Syringe, left_s: f64 },
    /// Drive fluid back out of the port.
    Reflux { left_s: f64 },
    /// Call for help.
    Call,
}

/// What one tick asks for beside the instruments' places.
#[derive(Clone, Copy, Debug, Default)]
struct Gesture {
    turn_rad_s: f64,
    syringe: Option<Syringe>,
    reflux: bool,
    calls: bool,
}

/// A plan under way.
#[derive(Clone, Debug)]
pub struct Performer {
    steps: VecDeque<Manoeuvre>,
    pub(super) strokes: VecDeque<Stroke>,
    pub(super) hands: Hands,
    /// Height of the tip over the last reaction time, for a hand that stops late.
    seen_mm: VecDeque<f64>,
    /// What was said to be expected, and not yet taken.
    pub(super) predictions: Vec<Prediction>,
}

impl Performer {
    /// Ready to begin a plan, the hands as they are before anything is done.
    pub fn new(model: &Model, plan: &PlanSpec) -> Self {
        Self { steps: plan.steps.iter().cloned().collect(), ..Self::of(Hands::ready(model)) }
    }

    /// Nothing to do yet, the hands as they stand.
    pub fn of(hands: Hands) -> Self {
        let (steps, strokes, seen_mm) = (VecDeque::new(), VecDeque::new(), VecDeque::new());
        Self { steps, strokes, hands, seen_mm, predictions: Vec::new() }
    }

    /// One manoeuvre more, after those that are still to be done.
    pub fn add(&mut self, step: Manoeuvre) {
        self.steps.push_back(step);
    }

    /// Is nothing left to be done?
    pub fn is_idle(&self) -> bool {
        self.steps.is_empty() && self.strokes.is_empty()
    }

    /// How hands, foot and machine stand.
    pub fn hands(&self) -> &Hands {
        &self.hands
    }

    /// The same, to be moved from outside; a manoeuvre under way goes on from there.
    pub fn hands_mut(&mut self) -> &mut Hands {
        &mut self.hands
    }

    /// Drop what is under way and all that was to come. Hands, foot and machine stay as they are, in mid-stroke too: a foot
    /// that emulsified stays in position 3 until someone moves it.
    pub fn stop(&mut self) {
        self.steps.clear();
        self.strokes.clear();
        self.seen_mm.clear();
    }

    /// What was said to be expected since this was last asked, with the ticks at which it was said.
    pub fn take_predictions(&mut self) -> Vec<Prediction> {
        std::mem::take(&mut self.predictions)
    }

    /// The inputs of the next tick; `None` when all is done.
    pub fn next(&mut self, model: &Model, state: &State) -> Option<Inputs> {
        let mut gesture = Gesture::default();
        loop {
            if let Some(mut stroke) = self.strokes.pop_front() {
                let is_done = self.perform(model, state, &mut stroke, &mut gesture);
                if !is_done {
                    self.strokes.push_front(stroke);
                }
                break;
            }
            let step = self.steps.pop_front()?;
            self.begin(model, state, step);
        }
        self.hands.keep_guard(model, state);
        let Gesture { turn_rad_s, syringe, reflux, calls } = gesture;
        Some(Inputs { turn_rad_s, syringe, reflux, calls, ..self.hands.inputs(model) })
    }

    /// The inputs of the next tick; held still, but for a guarding chopper, when all is done.
    pub fn next_or_hold(&mut self, model: &Model, state: &State) -> Inputs {
        self.next(model, state).unwrap_or_else(|| {
            self.hands.keep_guard(model, state);
            self.hands.inputs(model)
        })
    }

    /// One tick of a stroke; true when it is done.
    fn perform(&mut self, model: &Model, state: &State, stroke: &mut Stroke, gesture: &mut Gesture) -> bool {
        let dt = model.tick_s;
        match stroke {
            Stroke::Needle { to_mm, elevation_rad, roll_rad, speed_mm_s } => {
                let way_mm = *to_mm - self.hands.needle_mm;
                let (rise, roll) = (*elevation_rad - self.hands.elevation_rad, *roll_rad - self.hands.roll_rad);
                // The slowest of the three sets the pace.
                let needed_s = (way_mm.norm() / *speed_mm_s).max(rise.abs() / SWING_RAD_S).max(roll.abs() / ROLL_RAD_S);
                let share = if needed_s <= dt { 1.0 } else { dt / needed_s };
                self.hands.needle_mm += way_mm * share;
                self.hands.elevation_rad += rise * share;
                self.hands.roll_rad += roll * share;
                share >= 1.0
            }
            Stroke::Carry { to_mm, speed_mm_s } => {
                let holds = state.needle.as_ref().is_some_and(|n| n.occlusion > MET);
                let (place, share) = toward(&self.hands.needle_mm, to_mm, *speed_mm_s * dt);
                if holds {
                    self.hands.needle_mm = place;
                }
                !holds || share >= 1.0
            }
            Stroke::Draw { is_out } => {
                let inserted_mm = self.hands.pose(model).insertion_mm + self.hands.drawn_mm;
                let goal_mm = if *is_out { inserted_mm + OUT_MM } else { 0.0 };
                let most_mm = FREE_SPEED_MM_S * dt;
                let by_mm = (goal_mm - self.hands.drawn_mm).clamp(-most_mm, most_mm);
                self.hands.drawn_mm += by_mm;
                by_mm.abs() < most_mm
            }
            Stroke::Bury { .. } => self.go_in(model, state, stroke),
            Stroke::Ease { left_s } => {
                if let Some(needle) = &state.needle {
                    let pressed = state.lens.pushed_mm.dot(&needle.tip.forward);
                    self.hands.needle_mm -= needle.tip.forward * (pressed * (dt / *left_s).min(1.0));
                }
                is_over(left_s, dt)
            }
            Stroke::Grip { .. } => self.take_hold(model, state, stroke),
            Stroke::Sweep { centre_mm, radius_mm, depth_mm, angle_rad, left_s } => {
                if *radius_mm > 0.0 {
                    *angle_rad += SWEEP_MM_S * dt / *radius_mm;
                }
                let x = centre_mm.0 + *radius_mm * libm::cos(*angle_rad);
                let y = centre_mm.1 + *radius_mm * libm::sin(*angle_rad);
                let front_mm = model.field.shape.anterior_z_mm(libm::hypot(x, y)) + state.lens.raised_mm;
                let (place, _) =
                    toward(&self.hands.needle_mm, &Vector3::new(x, y, front_mm - *depth_mm), SWEEP_MM_S * dt);
                self.hands.needle_mm = place;
                is_over(left_s, dt)
            }
            Stroke::Emulsify(eating) => self.eat(model, state, eating),
            Stroke::TakeChopper { end, roll_rad, over_lens_mm } => {
                self.hands.place_chopper(model, *end, *roll_rad, *over_lens_mm);
                true
            }
            Stroke::Chopper { to_mm, roll_rad, speed_mm_s } => {
                let Some((_, point, roll)) = &mut self.hands.chopper else { return true };
                let (place, share) = toward(point, to_mm, *speed_mm_s * dt);
                *point = place;
                *roll += (*roll_rad - *roll) * share;
                share >= 1.0
            }
            Stroke::Part { across, left_mm, speed_mm_s } => {
                let by = (*speed_mm_s * dt).min(*left_mm);
                *left_mm -= by;
                self.hands.needle_mm += *across * (0.5 * by);
                if let Some((_, point, _)) = &mut self.hands.chopper {
                    *point -= *across * (0.5 * by);
                }
                *left_mm <= 1e-9
            }
            Stroke::ChopperOut => {
                self.hands.chopper = None;
                true
            }
            Stroke::LiftIris { toward: outward, left_s } => {
                let Some((_, point, _)) = &mut self.hands.chopper else { return true };
                let radius_mm = model.rhexis_radius_mm + BEYOND_RIM_MM;
                let capsule_mm = model.field.shape.anterior_z_mm(radius_mm) + state.lens.raised_mm;
                let goal_mm = *outward * radius_mm + Vector3::z() * (capsule_mm + UNDER_IRIS_MM);
                let (place, share) = toward(point, &goal_mm, FREE_SPEED_MM_S * dt);
                *point = place;
                // The time counts from when the chopper is there.
                share >= 1.0 && is_over(left_s, dt)
            }
            Stroke::Guard { below_mm } => {
                self.hands.guard_mm = Some(*below_mm);
                true
            }
            Stroke::Step(foot) => {
                self.hands.foot = *foot;
                true
            }
            Stroke::Hold { left_s } => is_over(left_s, dt),
            Stroke::Turn { to_rad, left_s } => {
                let left_rad = *to_rad - state.lens.turned_rad;
                if left_rad.abs() < TURNED_RAD {
                    return true;
                }
                gesture.turn_rad_s = (left_rad / dt).clamp(-TURN_SPEED_RAD_S, TURN_SPEED_RAD_S);
                is_over(left_s, dt)
            }
            Stroke::Inject { syringe, left_s } => {
                // The last tick is not a whole one.
                gesture.syringe = Some(slowed(*syringe, (*left_s / dt).clamp(0.0, 1.0)));
                is_over(left_s, dt)
            }
            Stroke::Reflux { left_s } => {
                gesture.reflux = true;
                is_over(left_s, dt)
            }
            Stroke::Call => {
                gesture.calls = true;
                true
            }
        }
    }

    /// A tick of burying; true when it is done.
    fn go_in(&mut self, model: &Model, state: &State, stroke: &mut Stroke) -> bool {
        let Stroke::Bury { body, goal_mm, seat, speed_mm_s, power_share, travelled_mm, length_mm, stops_in_s } = stroke
        else {
            return true;
        };
        let dt = model.tick_s;
        if *travelled_mm == 0.0 {
            self.seen_mm.clear();
        }
        self.hands.foot = if *power_share > 0.0 {
            Foot { pedal: Pedal { position: 3, share: *power_share }, power_share: None }
        } else {
            Foot::full(2)
        };
        let Some(needle) = &state.needle else { return true };
        // What counts is where the tip is in the fragment: the eye sees how much of the needle still stands out.
        let pose = state.lens.pose_of(*body);
        let height = pose.from_eye(&needle.tip.place_mm).z;
        self.seen_mm.push_back(height);
        let memory = (REACTION_S / dt) as usize;
        let mut sinking = 0.0;
        let has_seen = self.seen_mm.len() > memory;
        if has_seen {
            // The hand stops ahead of its aim by what it will still move, judged by what it saw a reaction ago.
            // The mean over that time: the lens itself breathes with the chamber.
            sinking = (self.seen_mm[0] - height) / (memory as f64 * dt);
            self.seen_mm.pop_front();
        }
        let is_there = height - sinking.min(*speed_mm_s) * REACTION_S <= goal_mm.z;
        if needle.buried_mm <= 0.0 {
            *seat = pose; // what moves before it is touched is not pushed
        }
        // It yields as it sees the lens or piece go, and gives up where the tip does not sink any more.
        let pushed =
            if state.lens.is_whole() { state.lens.pushed_mm } else { pose.to_eye(goal_mm) - seat.to_eye(goal_mm) };
        let pushed_mm = pushed.dot(&needle.tip.forward);
        let stalls = has_seen && sinking < STALLED_MM_S && pushed_mm > 0.5 * MOST_PUSH_MM;
        let is_vain = *travelled_mm > *length_mm + OVERREACH_MM || stalls;
        if stops_in_s.is_none() && (is_there || is_vain) {
            *stops_in_s = Some(REACTION_S);
        }
        if let Some(left_s) = stops_in_s {
            *left_s -= dt;
            if *left_s <= 0.0 {
                return true;
            }
        }
        let by = *speed_mm_s * dt * (1.0 - pushed_mm / MOST_PUSH_MM).clamp(0.0, 1.0);
        self.hands.needle_mm += self.hands.pose(model).forward() * by;
        *travelled_mm += by;
        false
    }

    /// A tick of gripping; true when the piece is held, or patience ends.
    fn take_hold(&mut self, model: &Model, state: &State, stroke: &mut Stroke) -> bool {
        let Stroke::Grip { along, left_mm, best, since_more_s, stops_in_s, held_s, left_s } = stroke else {
            return true;
        };
        let dt = model.tick_s;
        let occlusion = state.needle.as_ref().map_or(0.0, |n| n.occlusion);
        if occlusion > *best + MORE {
            (*best, *since_more_s) = (occlusion, 0.0);
        } else {
            *since_more_s += dt;
        }
        let is_vain = *best > MET && *since_more_s > NO_MORE_S;
        if stops_in_s.is_none() && (occlusion >= SEALED || is_vain) {
            *stops_in_s = Some(REACTION_S);
        }
        // What soft tissue yields to vacuum, the hand makes good.
        if occlusion < SEALED && *best >= SEALED && stops_in_s.is_some_and(|s| s < 0.0) {
            (*stops_in_s, *best, *since_more_s) = (None, occlusion, 0.0);
        }
        if let Some(stops_in_s) = stops_in_s {
            *stops_in_s -= dt;
        }
        let is_moving = *left_mm > 0.0 && stops_in_s.is_none_or(|s| s > 0.0);
        if is_moving {
            let by = (GRIP_SPEED_MM_S * dt).min(*left_mm);
            self.hands.needle_mm += *along * by;
            *left_mm -= by;
        }
        if occlusion < MET && is_moving {
            return false;
        }
        let reading_pa = state.circuit.vacuum_pa();
        let is_held = reading_pa >= HELD * self.hands.machine.vacuum_limit_pa && occlusion > FOUND;
        *held_s = if is_held { *held_s + dt } else { 0.0 };
        *held_s >= REACTION_S || is_over(left_s, dt)
    }
}

/// Let time go by; true when it is up.
fn is_over(left_s: &mut f64, dt: f64) -> bool {
    *left_s -= dt;
    *left_s <= 1e-9
}

/// A syringe pressed more slowly.
fn slowed(syringe: Syringe, share: f64) -> Syringe {
    match syringe {
        Syringe::UnderRim { hour, flow_ul_s } => Syringe::UnderRim { hour, flow_ul_s: flow_ul_s * share },
        Syringe::Chamber { what, flow_ul_s } => Syringe::Chamber { what, flow_ul_s: flow_ul_s * share },
    }
}
