//! A plan performed: manoeuvres become strokes of the hands, strokes become `Inputs`.
//!
//! The performer does what a surgeon's hands do: it aims with what can be seen, stops when the tip is where it was
//! meant to be (after a reaction time), and never touches the engine but through `Inputs`. Eye frame; mm, s, rad.

use crate::plan::spec::{Bevel, ChopKind, Manoeuvre, PlanSpec};
use crate::sim::cut::Plane;
use crate::sim::hands::{ChopperEnd, HandPose, Pedal, Tip, rise_over_rim_mm};
use crate::sim::{Inputs, Model, State};
use crate::units::{pa_from_mmhg, radians};
use nalgebra::Vector3;
use std::collections::VecDeque;

/// Speed of an instrument where it meets nothing, mm/s.
const FREE_SPEED_MM_S: f64 = 8.0;

/// Speed of the chopper through tissue, mm/s.
const CHOPPER_SPEED_MM_S: f64 = 3.0;

/// Speed of turning the nucleus, rad/s.
const TURN_SPEED_RAD_S: f64 = 1.5;

/// Time from seeing to stopping, s (A: visual reaction of a trained hand).
const REACTION_S: f64 = 0.2;

/// How far a hand presses beyond its aim before it gives up, mm.
const OVERREACH_MM: f64 = 1.0;

/// How far a hand pushes the lens before it stops pressing harder, mm (A: what shows under the microscope).
const MOST_PUSH_MM: f64 = 0.5;

/// A tip that sinks no faster than this has come to its end, mm/s.
const STALLED_MM_S: f64 = 0.05;

/// Pause when the hand eases off after burying, s.
const EASE_S: f64 = 0.1;

/// How much deeper than the tip a chopper goes where the plan does not say, mm.
const DEEPER_MM: f64 = 0.3;

/// How far below the anterior capsule a chopper's bend passes, mm.
const UNDER_CAPSULE_MM: f64 = 0.1;

/// Height above the lens at which instruments move about, mm.
const CLEARANCE_MM: f64 = 0.4;

/// Something a hand does until it is done.
#[derive(Clone, Debug, PartialEq)]
enum Stroke {
    /// Bring the needle's tip to a place.
    Needle { to_mm: Vector3<f64>, elevation_rad: f64, roll_rad: f64, speed_mm_s: f64 },
    /// Advance along the shaft until the tip is as deep in the lens as meant.
    Bury {
        aim_mm: Vector3<f64>,
        speed_mm_s: f64,
        power_share: f64,
        travelled_mm: f64,
        length_mm: f64,
        stops_in_s: Option<f64>,
    },
    /// Ease off: take back what the hand has pressed.
    Ease { left_s: f64 },
    /// Bring the chopper's point to a place.
    Chopper { to_mm: Vector3<f64>, roll_rad: f64, speed_mm_s: f64 },
    /// Move both apart.
    Part { across: Vector3<f64>, left_mm: f64, speed_mm_s: f64 },
    /// Take the chopper out of the eye.
    ChopperOut,
    /// Hold still.
    Hold { left_s: f64 },
    /// Turn the nucleus.
    Turn { left_rad: f64 },
}

/// A plan under way.
#[derive(Clone, Debug)]
pub struct Performer {
    steps: VecDeque<Manoeuvre>,
    strokes: VecDeque<Stroke>,
    needle_mm: Vector3<f64>,
    elevation_rad: f64,
    roll_rad: f64,
    chopper: Option<(ChopperEnd, Vector3<f64>, f64)>,
    pedal: Pedal,
    vacuum_limit_pa: f64,
    power_limit: f64,
    /// Height of the tip over the last reaction time, for a hand that stops late.
    seen_mm: VecDeque<f64>,
}

impl Performer {
    /// Ready to begin, the needle at its incision, the foot in position 1.
    pub fn new(model: &Model, plan: &PlanSpec) -> Self {
        Self {
            steps: plan.steps.iter().cloned().collect(),
            strokes: VecDeque::new(),
            needle_mm: model.main_incision.place_mm * 0.8
                + Vector3::z() * (0.2 * model.main_incision.place_mm.z + CLEARANCE_MM),
            elevation_rad: 0.5,
            roll_rad: 0.0,
            chopper: None,
            pedal: Pedal { position: 1, share: 1.0 },
            vacuum_limit_pa: 0.0,
            power_limit: 0.0,
            seen_mm: VecDeque::new(),
        }
    }

    /// The inputs of the next tick; `None` when the plan is done.
    pub fn next(&mut self, model: &Model, state: &State) -> Option<Inputs> {
        let mut turn_rad_s = 0.0;
        loop {
            if let Some(mut stroke) = self.strokes.pop_front() {
                let is_done = self.perform(model, state, &mut stroke, &mut turn_rad_s);
                if !is_done {
                    self.strokes.push_front(stroke);
                }
                break;
            }
            let step = self.steps.pop_front()?;
            self.begin(model, state, step);
        }
        Some(Inputs {
            needle: HandPose::needle_at(&model.main_incision, &self.needle_mm, self.elevation_rad, self.roll_rad),
            chopper: self
                .chopper
                .map(|(end, point, roll)| (end, HandPose::chopper_at(&model.side_port, &model.chopper, &point, roll))),
            pedal: self.pedal,
            vacuum_limit_pa: self.vacuum_limit_pa,
            power_limit: self.power_limit,
            turn_rad_s,
        })
    }

    /// Expand a manoeuvre into strokes, with what can be seen now.
    fn begin(&mut self, model: &Model, state: &State, step: Manoeuvre) {
        match step {
            Manoeuvre::Set { vacuum_mmhg, power } => {
                self.vacuum_limit_pa = pa_from_mmhg(vacuum_mmhg);
                self.power_limit = power;
            }
            Manoeuvre::Pedal { position, share } => {
                self.pedal = Pedal { position, share };
                self.strokes.push_back(Stroke::Hold { left_s: model.tick_s });
            }
            Manoeuvre::Bury { depth_mm, angle_deg, place_mm, bevel, speed_mm_s, ultrasound } => {
                let roll_rad = match bevel {
                    Bevel::Up => 0.0,
                    Bevel::Down => core::f64::consts::PI,
                };
                self.bury(model, state, depth_mm, radians(angle_deg), place_mm, roll_rad, speed_mm_s, ultrasound);
            }
            Manoeuvre::Chop { kind, ahead_mm, aside_mm, depth_mm } => {
                self.chop(model, state, kind, ahead_mm, aside_mm, depth_mm);
            }
            Manoeuvre::Separate { width_mm, speed_mm_s } => {
                if let Some((_, point, _)) = self.chopper {
                    let across = self.across(model, state, &point);
                    self.strokes.push_back(Stroke::Part { across, left_mm: width_mm, speed_mm_s });
                }
            }
            Manoeuvre::Withdraw => self.withdraw(model),
            Manoeuvre::Turn { angle_deg } => self.strokes.push_back(Stroke::Turn { left_rad: radians(angle_deg) }),
            Manoeuvre::Wait { seconds } => self.strokes.push_back(Stroke::Hold { left_s: seconds }),
        }
    }

    #[expect(clippy::too_many_arguments, reason = "the fields of one manoeuvre")]
    fn bury(
        &mut self,
        model: &Model,
        state: &State,
        depth_mm: f64,
        elevation_rad: f64,
        (x, y): (f64, f64),
        roll_rad: f64,
        speed_mm_s: f64,
        power_share: f64,
    ) {
        let mut aim_mm = Vector3::new(x, y, 0.0);
        aim_mm.z = self.core_top(model, state, &aim_mm) - depth_mm;
        let pose = HandPose::needle_at(&model.main_incision, &aim_mm, elevation_rad, roll_rad);
        let tip = Tip { place_mm: aim_mm, forward: pose.forward(), roll_rad };
        let shape = &model.field.shape;
        aim_mm.z += rise_over_rim_mm(&tip, model.rhexis_radius_mm, |r| shape.anterior_z_mm(r));
        // Come from where the shaft's line leaves the lens.
        let clear = |back: f64| {
            let p = aim_mm - tip.forward * back;
            p.z > shape.anterior_z_mm(libm::hypot(p.x, p.y)) + CLEARANCE_MM
        };
        let length_mm = (0..200).map(|i| 0.05 * f64::from(i)).find(|b| clear(*b)).unwrap_or(10.0);
        let entry_mm = aim_mm - tip.forward * length_mm;
        let high = Vector3::new(0.0, 0.0, (self.needle_mm.z.max(entry_mm.z) - self.needle_mm.z).max(0.0));
        if high.z > 0.0 {
            let to_mm = self.needle_mm + high;
            self.strokes.push_back(Stroke::Needle {
                to_mm,
                elevation_rad: self.elevation_rad,
                roll_rad,
                speed_mm_s: FREE_SPEED_MM_S,
            });
        }
        self.strokes.push_back(Stroke::Needle {
            to_mm: entry_mm,
            elevation_rad,
            roll_rad,
            speed_mm_s: FREE_SPEED_MM_S,
        });
        self.strokes.push_back(Stroke::Bury {
            aim_mm,
            speed_mm_s,
            power_share,
            travelled_mm: 0.0,
            length_mm,
            stops_in_s: None,
        });
        self.strokes.push_back(Stroke::Ease { left_s: EASE_S });
    }

    /// Height of the core's anterior surface over a place. Beyond the core's outline there is no surface to measure from;
    /// the eye goes on from its rim.
    fn core_top(&self, model: &Model, state: &State, p: &Vector3<f64>) -> f64 {
        let core = &model.field.core;
        let local = state.lens.from_eye(p);
        core.anterior_z_mm(local.x, local.y).unwrap_or(core.centre_mm.z)
    }

    /// Level direction from the hand to the tip, and the direction to its left.
    fn level_axes(&self, model: &Model) -> (Vector3<f64>, Vector3<f64>) {
        let d = self.needle_mm - model.main_incision.place_mm;
        let ahead = Vector3::new(d.x, d.y, 0.0).normalize();
        (ahead, Vector3::new(-ahead.y, ahead.x, 0.0))
    }

    fn chop(
        &mut self,
        model: &Model,
        state: &State,
        kind: ChopKind,
        ahead_mm: f64,
        aside_mm: f64,
        depth_mm: Option<f64>,
    ) {
        let (ahead, left) = self.level_axes(model);
        let shape = &model.field.shape;
        let over_lens = shape.front_mm + CLEARANCE_MM;
        let end = match kind {
            ChopKind::Vertical => ChopperEnd::Pointed,
            ChopKind::Horizontal => ChopperEnd::Blunt,
        };
        let mut goal = self.needle_mm + ahead * ahead_mm + left * aside_mm;
        // As deep as asked, or a little deeper than the tip; the bend stays above the core.
        let top = self.core_top(model, state, &goal);
        let tip_depth = top - self.needle_mm.z;
        goal.z = top - depth_mm.unwrap_or((tip_depth + DEEPER_MM).min(model.chopper.end_mm));
        let port = model.side_port.place_mm;
        if self.chopper.is_none_or(|(e, _, _)| e != end) {
            let inside = Vector3::new(0.7 * port.x, 0.7 * port.y, over_lens);
            let roll = if kind == ChopKind::Horizontal { core::f64::consts::FRAC_PI_2 } else { 0.0 };
            self.chopper = Some((end, inside, roll));
        }
        let mut to = |to_mm: Vector3<f64>, roll_rad: f64, speed_mm_s: f64| {
            self.strokes.push_back(Stroke::Chopper { to_mm, roll_rad, speed_mm_s });
        };
        match kind {
            ChopKind::Vertical => {
                let is_within = state.chopper.as_ref().is_some_and(|c| c.is_in_lens);
                if !is_within {
                    to(Vector3::new(goal.x, goal.y, over_lens), 0.0, FREE_SPEED_MM_S);
                }
                to(goal, 0.0, CHOPPER_SPEED_MM_S);
            }
            ChopKind::Horizontal => {
                const FLAT: f64 = core::f64::consts::FRAC_PI_2;
                let core = &model.field.core;
                let centre = state.lens.to_eye(&core.centre_mm);
                let along = (centre - self.needle_mm).dot(&ahead);
                // Outside the firm nucleus on the far side, but well within the bag; the point in the core's equator or
                // as deep as asked, and clear of the capsule.
                let reach = along + core.radius_mm + core.edge_mm + 0.5 * model.chopper.width_mm;
                let mut outside = self.needle_mm + ahead * reach + left * aside_mm;
                let radius = libm::hypot(outside.x, outside.y);
                let most = shape.equator_mm - 0.6;
                if radius > most {
                    let level = most / radius;
                    (outside.x, outside.y) = (outside.x * level, outside.y * level);
                }
                let r = libm::hypot(outside.x, outside.y);
                let under_rim = shape.anterior_z_mm(r.max(model.rhexis_radius_mm)) - 0.35;
                let lowest = shape.posterior_z_mm(r) + 0.6;
                // The bend stays below the capsule, else the end would straddle the rim.
                let under_capsule = shape.anterior_z_mm(r) - model.chopper.end_mm - UNDER_CAPSULE_MM;
                outside.z = goal.z.min(under_capsule).max(lowest);
                to(Vector3::new(0.0, 0.0, over_lens), FLAT, FREE_SPEED_MM_S);
                let rim = ahead * (model.rhexis_radius_mm - 0.3);
                to(Vector3::new(rim.x, rim.y, under_rim), FLAT, CHOPPER_SPEED_MM_S);
                to(Vector3::new(outside.x, outside.y, under_rim), FLAT, CHOPPER_SPEED_MM_S);
                to(outside, 0.0, CHOPPER_SPEED_MM_S);
                to(Vector3::new(goal.x, goal.y, outside.z), 0.0, CHOPPER_SPEED_MM_S);
            }
        }
    }

    /// Across the plane the hands see between needle and chopper, level; toward the needle's side.
    fn across(&self, model: &Model, state: &State, point: &Vector3<f64>) -> Vector3<f64> {
        let (_, left) = self.level_axes(model);
        let path = state.chopper.as_ref().map(|c| c.path.as_slice()).unwrap_or_default();
        let seen = state.needle.as_ref().map(|n| {
            let tip = state.lens.tip_from_eye(&n.tip);
            let normal = Plane::spanned(&tip.place_mm, &tip.forward, path).normal;
            let turned = state.lens.to_eye(&normal) - state.lens.to_eye(&Vector3::zeros());
            Vector3::new(turned.x, turned.y, 0.0)
        });
        let across = seen.filter(|n| n.norm() > 1e-3).map_or(left, |n| n.normalize());
        // The chopper goes to the side it lies on; straight ahead, to the side of its own port.
        let aside = left.dot(&(point - self.needle_mm));
        let chopper_left = if aside.abs() > 0.05 { aside > 0.0 } else { left.dot(&model.side_port.place_mm) > 0.0 };
        let is_left = across.dot(&left) > 0.0;
        if is_left == chopper_left { -across } else { across }
    }

    fn withdraw(&mut self, model: &Model) {
        let over_lens = model.field.shape.front_mm + CLEARANCE_MM;
        if let Some((_, point, roll)) = self.chopper {
            let to_mm = Vector3::new(point.x, point.y, over_lens.max(point.z));
            self.strokes.push_back(Stroke::Chopper { to_mm, roll_rad: roll, speed_mm_s: FREE_SPEED_MM_S });
            self.strokes.push_back(Stroke::ChopperOut);
        }
        let (ahead, _) = self.level_axes(model);
        let rise = libm::tan(self.elevation_rad);
        let back = ((over_lens - self.needle_mm.z) / rise.max(0.1)).max(0.0);
        let to_mm = self.needle_mm - ahead * back + Vector3::z() * (back * rise);
        let (elevation_rad, roll_rad) = (self.elevation_rad, self.roll_rad);
        self.strokes.push_back(Stroke::Needle { to_mm, elevation_rad, roll_rad, speed_mm_s: FREE_SPEED_MM_S });
    }

    /// One tick of a stroke; true when it is done.
    fn perform(&mut self, model: &Model, state: &State, stroke: &mut Stroke, turn_rad_s: &mut f64) -> bool {
        let dt = model.tick_s;
        match stroke {
            Stroke::Needle { to_mm, elevation_rad, roll_rad, speed_mm_s } => {
                let (place, share) = toward(&self.needle_mm, to_mm, *speed_mm_s * dt);
                self.needle_mm = place;
                self.elevation_rad += (*elevation_rad - self.elevation_rad) * share;
                self.roll_rad += (*roll_rad - self.roll_rad) * share;
                share >= 1.0
            }
            Stroke::Bury { aim_mm, speed_mm_s, power_share, travelled_mm, length_mm, stops_in_s } => {
                if *travelled_mm == 0.0 {
                    self.seen_mm.clear();
                }
                self.pedal = if *power_share > 0.0 {
                    Pedal { position: 3, share: *power_share }
                } else {
                    Pedal { position: 2, share: 1.0 }
                };
                let Some(needle) = &state.needle else { return true };
                // What counts is where the tip is in the lens: the eye sees how much of the needle still stands out.
                let height = state.lens.from_eye(&needle.tip.place_mm).z;
                self.seen_mm.push_back(height);
                let memory = (REACTION_S / dt) as usize;
                let mut sinking = 0.0;
                if self.seen_mm.len() > memory {
                    // The hand stops ahead of its aim by what it will still move, judged by what it saw a reaction ago.
                    let [earlier, later] = [self.seen_mm[0], self.seen_mm[1]];
                    sinking = (earlier - later) / dt;
                    self.seen_mm.pop_front();
                }
                let is_there = height - sinking.min(*speed_mm_s) * REACTION_S <= aim_mm.z;
                // It yields as it sees the whole lens go, and gives up where the tip does not sink any more.
                let pushed_mm = state.lens.pushed_mm.dot(&needle.tip.forward);
                let stalls = sinking < STALLED_MM_S && pushed_mm > 0.5 * MOST_PUSH_MM;
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
                let pose =
                    HandPose::needle_at(&model.main_incision, &self.needle_mm, self.elevation_rad, self.roll_rad);
                let by = *speed_mm_s * dt * (1.0 - pushed_mm / MOST_PUSH_MM).clamp(0.0, 1.0);
                self.needle_mm += pose.forward() * by;
                *travelled_mm += by;
                false
            }
            Stroke::Ease { left_s } => {
                if let Some(needle) = &state.needle {
                    let pressed = state.lens.pushed_mm.dot(&needle.tip.forward);
                    self.needle_mm -= needle.tip.forward * (pressed * (dt / *left_s).min(1.0));
                }
                *left_s -= dt;
                *left_s <= 0.0
            }
            Stroke::Chopper { to_mm, roll_rad, speed_mm_s } => {
                let Some((_, point, roll)) = &mut self.chopper else { return true };
                let (place, share) = toward(point, to_mm, *speed_mm_s * dt);
                *point = place;
                *roll += (*roll_rad - *roll) * share;
                share >= 1.0
            }
            Stroke::Part { across, left_mm, speed_mm_s } => {
                let by = (*speed_mm_s * dt).min(*left_mm);
                *left_mm -= by;
                self.needle_mm += *across * (0.5 * by);
                if let Some((_, point, _)) = &mut self.chopper {
                    *point -= *across * (0.5 * by);
                }
                *left_mm <= 1e-9
            }
            Stroke::ChopperOut => {
                self.chopper = None;
                true
            }
            Stroke::Hold { left_s } => {
                *left_s -= dt;
                *left_s <= 1e-9
            }
            Stroke::Turn { left_rad } => {
                let by = left_rad.clamp(-TURN_SPEED_RAD_S * dt, TURN_SPEED_RAD_S * dt);
                *turn_rad_s = by / dt;
                *left_rad -= by;
                left_rad.abs() < 1e-12
            }
        }
    }
}

/// One step toward a place, and the share of the way it was.
fn toward(from: &Vector3<f64>, to: &Vector3<f64>, step_mm: f64) -> (Vector3<f64>, f64) {
    let d = to - from;
    let length = d.norm();
    let share = if length <= step_mm { 1.0 } else { step_mm / length };
    (from + d * share, share)
}
