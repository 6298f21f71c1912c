//! How each manoeuvre becomes strokes, with what can be seen when it begins.
//!
//! Eye frame; mm, s, rad; the units of the trade end here.

use crate::attempt::Prediction;
use crate::plan::aim::{self, GRIP_DEG, core_top, direction, seat};
use crate::plan::eat::Eating;
use crate::plan::hands::{
    CLEARANCE_MM, FREE_SPEED_MM_S, Foot, TURN_SPEED_RAD_S, guarding, needle_over_lens_mm, over_lens_mm,
};
use crate::plan::run::{Performer, Stroke};
use crate::plan::spec::{Bevel, ChopKind, Filling, Manoeuvre, OutOf};
use crate::sim::circuit::head_pa;
use crate::sim::hands::{ChopperEnd, HandPose, Pedal, Tip, rise_over_rim_mm};
use crate::sim::{Injected, Model, State, Syringe};
use crate::units::{pa_from_mmhg, radians};
use core::f64::consts::{FRAC_PI_2, PI};
use nalgebra::Vector3;

/// Speed of the chopper through tissue, mm/s.
const CHOPPER_SPEED_MM_S: f64 = 3.0;

/// Pause when the hand eases off after burying, s.
const EASE_S: f64 = 0.1;

/// How much deeper than the tip a chopper goes where the plan does not say, mm.
const DEEPER_MM: f64 = 0.3;

/// How far below the anterior capsule a chopper's bend passes, mm.
const UNDER_CAPSULE_MM: f64 = 0.1;

/// Height of the plane of the iris above the lens's front, mm (A).
const IRIS_MM: f64 = 0.3;

/// Tip angle of sweeping, degrees (P: flat over the lens).
const SWEEP_DEG: f64 = 30.0;

/// How far beyond where a piece begins the port is pushed into it, and from how far before it aspiration is on, mm (A).
const INTO_MM: f64 = 0.4;
pub(super) const BEFORE_MM: f64 = 0.5;

/// Soft tissue that a tip which is to be buried in a piece goes through before vacuum holds, mm (A), and patience for that, s.
const SOFT_MM: f64 = 0.5;
const SEAL_FIRST_S: f64 = 2.0;

/// Pauses: after injecting under the rim, after letting go, after calling, s (A).
const AFTER_WAVE_S: f64 = 0.3;
const AFTER_LETTING_GO_S: f64 = 0.2;
const AFTER_CALLING_S: f64 = 1.0;

/// How much longer than at full speed a hand goes on turning: so many times, and so many seconds more (A).
const TURN_TIMES: f64 = 3.0;
const TURN_MORE_S: f64 = 2.0;

/// Distance within the rim at which a chopper comes down beside it, mm.
const WITHIN_RIM_MM: f64 = 0.5;

/// µL/s of 1 mL/min.
const UL_S_PER_ML_MIN: f64 = 1000.0 / 60.0;

impl Performer {
    /// Expand a manoeuvre into strokes.
    pub(super) fn begin(&mut self, model: &Model, state: &State, step: Manoeuvre) {
        self.come_in(&step);
        match step {
            Manoeuvre::Set { vacuum_mmhg, power, bottle_cm, flow_ml_min } => {
                let machine = &mut self.hands.machine;
                machine.vacuum_limit_pa = vacuum_mmhg.map_or(machine.vacuum_limit_pa, pa_from_mmhg);
                machine.bottle_pa = bottle_cm.map_or(machine.bottle_pa, |cm| head_pa(10.0 * cm));
                machine.flow_limit_ul_s = flow_ml_min.map_or(machine.flow_limit_ul_s, |flow| flow * UL_S_PER_ML_MIN);
                self.hands.power_limit = power.unwrap_or(self.hands.power_limit);
            }
            Manoeuvre::Pedal { position, share, power } => {
                self.hands.foot = Foot { pedal: Pedal { position, share }, power_share: power };
                self.hold(model.tick_s);
            }
            Manoeuvre::Bury { depth_mm, angle_deg, place_mm, bevel, speed_mm_s, ultrasound } => {
                let (angle, roll) = (radians(angle_deg), roll_rad(bevel));
                self.bury(model, state, depth_mm, angle, place_mm, roll, speed_mm_s, ultrasound);
            }
            Manoeuvre::Chop { kind, ahead_mm, aside_mm, depth_mm } => {
                self.chop(model, state, kind, ahead_mm, aside_mm, depth_mm);
            }
            Manoeuvre::Separate { width_mm, speed_mm_s } => {
                if let Some((_, point, _)) = self.hands.chopper {
                    let across = self.hands.across(model, state, &point);
                    self.strokes.push_back(Stroke::Part { across, left_mm: width_mm, speed_mm_s });
                }
            }
            Manoeuvre::Withdraw { from } => self.withdraw(model, state, from),
            Manoeuvre::Turn { angle_deg } => {
                let angle = radians(angle_deg);
                let left_s = TURN_TIMES * angle.abs() / TURN_SPEED_RAD_S + TURN_MORE_S;
                self.strokes.push_back(Stroke::Turn { to_rad: state.lens.turned_rad + angle, left_s });
            }
            Manoeuvre::Wait { seconds } => self.hold(seconds),
            Manoeuvre::Reflux { seconds } => {
                self.hands.foot = Foot::full(1);
                self.strokes.push_back(Stroke::Reflux { left_s: seconds });
            }
            Manoeuvre::Hydrodissect { hour, volume_ml, seconds } => {
                if self.hands.foot.pedal.position > 1 {
                    self.hands.foot = Foot::full(1);
                }
                let syringe = Syringe::UnderRim { hour, flow_ul_s: 1000.0 * volume_ml / seconds.max(model.tick_s) };
                self.strokes.push_back(Stroke::Inject { syringe, left_s: seconds });
                self.hold(AFTER_WAVE_S);
            }
            Manoeuvre::Decompress { seconds, depth_mm } => self.decompress(model, state, seconds, depth_mm),
            Manoeuvre::Clear { place_mm, radius_mm, depth_mm, seconds } => {
                self.clear(model, state, place_mm, radius_mm, depth_mm, seconds);
            }
            Manoeuvre::Grip { hour, seconds, bevel } => self.grip(model, state, hour, seconds, bevel),
            Manoeuvre::Bring { place_mm: (x, y), height_mm, speed_mm_s } => {
                let height = height_mm.unwrap_or(model.field.shape.front_mm + IRIS_MM);
                let (elevation_rad, roll_rad) = (self.hands.elevation_rad, self.hands.roll_rad);
                self.needle_to(Vector3::new(x, y, height + state.lens.raised_mm), elevation_rad, roll_rad, speed_mm_s);
            }
            Manoeuvre::Emulsify { seconds, ultrasound, vacuum } => {
                let foot = if vacuum < 1.0 {
                    Foot { pedal: Pedal { position: 3, share: vacuum }, power_share: Some(ultrasound) }
                } else {
                    Foot { pedal: Pedal { position: 3, share: ultrasound }, power_share: None }
                };
                self.strokes.push_back(Stroke::Emulsify(Eating::begin(
                    model,
                    state,
                    foot,
                    seconds,
                    self.hands.needle_mm,
                )));
            }
            Manoeuvre::LetGo => {
                self.hands.foot = Foot::full(1);
                self.hold(AFTER_LETTING_GO_S);
            }
            Manoeuvre::Guard { below_mm } => self.guard(model, state, below_mm),
            Manoeuvre::ChopperOut => self.chopper_out(model, state),
            Manoeuvre::LiftIris { hour, seconds } => self.lift_iris(model, state, hour, seconds),
            Manoeuvre::Inject { ovd, volume_ul, seconds } => {
                let what = match ovd {
                    Filling::Cohesive => Injected::Cohesive,
                    Filling::Dispersive => Injected::Dispersive,
                    Filling::Fluid => Injected::Fluid,
                };
                let syringe = Syringe::Chamber { what, flow_ul_s: volume_ul / seconds.max(model.tick_s) };
                self.strokes.push_back(Stroke::Inject { syringe, left_s: seconds });
            }
            Manoeuvre::Predict { depth_mm, angle_deg, place_mm, expected } => {
                self.predictions.push(Prediction { tick: state.tick, depth_mm, angle_deg, place_mm, expected });
            }
            Manoeuvre::StopAndCall => {
                self.hands.foot = Foot::full(1);
                self.strokes.push_back(Stroke::Call);
                self.hold(AFTER_CALLING_S);
            }
        }
    }

    /// A needle that was drawn out comes back in before it works; a chopper that is needed guards no more.
    fn come_in(&mut self, step: &Manoeuvre) {
        use Manoeuvre::{
            Bring, Bury, Chop, ChopperOut, Clear, Decompress, Emulsify, Grip, Guard, LiftIris, Separate, Withdraw,
        };
        if matches!(step, Bury { .. } | Clear { .. } | Grip { .. } | Bring { .. } | Emulsify { .. })
            && self.hands.drawn_mm > 0.0
        {
            self.strokes.push_back(Stroke::Draw { is_out: false });
        }
        if matches!(
            step,
            Chop { .. }
                | Separate { .. }
                | Withdraw { .. }
                | Decompress { .. }
                | ChopperOut
                | LiftIris { .. }
                | Guard { .. }
        ) {
            self.hands.guard_mm = None;
        }
    }

    fn hold(&mut self, seconds: f64) {
        self.strokes.push_back(Stroke::Hold { left_s: seconds });
    }

    fn needle_to(&mut self, to_mm: Vector3<f64>, elevation_rad: f64, roll_rad: f64, speed_mm_s: f64) {
        self.strokes.push_back(Stroke::Needle { to_mm, elevation_rad, roll_rad, speed_mm_s });
    }

    fn chopper_to(&mut self, to_mm: Vector3<f64>, roll_rad: f64, speed_mm_s: f64) {
        self.strokes.push_back(Stroke::Chopper { to_mm, roll_rad, speed_mm_s });
    }

    /// Raise the tip to a height at least, then bring it over a place and down to it.
    fn needle_over(&mut self, to_mm: Vector3<f64>, least_mm: f64, elevation_rad: f64, roll_rad: f64) {
        let height = self.hands.needle_mm.z.max(least_mm).max(to_mm.z);
        if height > self.hands.needle_mm.z {
            let up = Vector3::new(self.hands.needle_mm.x, self.hands.needle_mm.y, height);
            self.needle_to(up, self.hands.elevation_rad, self.hands.roll_rad, FREE_SPEED_MM_S);
        }
        self.needle_to(Vector3::new(to_mm.x, to_mm.y, height), elevation_rad, roll_rad, FREE_SPEED_MM_S);
        self.needle_to(to_mm, elevation_rad, roll_rad, FREE_SPEED_MM_S);
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
        let body = aim::body_below(model, state, (x, y), depth_mm);
        let mut aim_mm = Vector3::new(x, y, 0.0);
        aim_mm.z = core_top(model, state, body, &aim_mm) - depth_mm;
        let pose = HandPose::needle_at(&model.main_incision, &aim_mm, elevation_rad, roll_rad);
        let tip = Tip { place_mm: aim_mm, forward: pose.forward(), roll_rad };
        let shape = &model.field.shape;
        let raised = state.lens.raised_mm;
        aim_mm.z += rise_over_rim_mm(&tip, model.rhexis_radius_mm, |r| shape.anterior_z_mm(r) + raised);
        // Come from where the shaft's line leaves the lens.
        let clear = |back: f64| {
            let p = aim_mm - tip.forward * back;
            p.z > shape.anterior_z_mm(libm::hypot(p.x, p.y)) + raised + CLEARANCE_MM
        };
        let length_mm = (0..200).map(|i| 0.05 * f64::from(i)).find(|b| clear(*b)).unwrap_or(10.0);
        let entry_mm = aim_mm - tip.forward * length_mm;
        let high = self.hands.needle_mm.z.max(entry_mm.z) - self.hands.needle_mm.z;
        if high > 0.0 {
            let to_mm = self.hands.needle_mm + Vector3::z() * high;
            self.needle_to(to_mm, self.hands.elevation_rad, roll_rad, FREE_SPEED_MM_S);
        }
        self.needle_to(entry_mm, elevation_rad, roll_rad, FREE_SPEED_MM_S);
        // A free piece gives way before a vibrating tip that vacuum does not hold on it yet.
        if !state.lens.is_whole() && power_share > 0.0 {
            self.strokes.push_back(Stroke::Step(Foot::full(2)));
            self.strokes.push_back(grip_stroke(tip.forward, SOFT_MM, SEAL_FIRST_S));
        }
        let seat = seat(state, body);
        self.strokes.push_back(Stroke::Bury {
            body,
            goal_mm: seat.from_eye(&aim_mm),
            seat,
            speed_mm_s,
            power_share,
            travelled_mm: 0.0,
            length_mm,
            stops_in_s: None,
        });
        self.strokes.push_back(Stroke::Ease { left_s: EASE_S });
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
        let (ahead, left) = self.hands.level_axes(model);
        let shape = &model.field.shape;
        let over_lens = over_lens_mm(model, state);
        let raised = state.lens.raised_mm;
        let end = match kind {
            ChopKind::Vertical => ChopperEnd::Pointed,
            ChopKind::Horizontal => ChopperEnd::Blunt,
        };
        let mut goal = self.hands.needle_mm + ahead * ahead_mm + left * aside_mm;
        // As deep as asked, or a little deeper than the tip; the bend stays above the core.
        let top = core_top(model, state, aim::aimed_at(state), &goal);
        let tip_depth = top - self.hands.needle_mm.z;
        goal.z = top - depth_mm.unwrap_or((tip_depth + DEEPER_MM).min(model.chopper.end_mm));
        if self.hands.chopper.is_none_or(|(e, _, _)| e != end) {
            let roll = if kind == ChopKind::Horizontal { FRAC_PI_2 } else { 0.0 };
            self.hands.place_chopper(model, end, roll, over_lens);
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
                let core = &model.field.core;
                let centre = state.lens.pose_of(aim::aimed_at(state)).to_eye(&core.centre_mm);
                let along = (centre - self.hands.needle_mm).dot(&ahead);
                // Outside the firm nucleus on the far side, but well within the bag; the point in the core's equator or
                // as deep as asked, and clear of the capsule.
                let reach = along + core.radius_mm + core.edge_mm + 0.5 * model.chopper.width_mm;
                let mut outside = self.hands.needle_mm + ahead * reach + left * aside_mm;
                let radius = libm::hypot(outside.x, outside.y);
                let most = shape.equator_mm - 0.6;
                if radius > most {
                    let level = most / radius;
                    (outside.x, outside.y) = (outside.x * level, outside.y * level);
                }
                let r = libm::hypot(outside.x, outside.y);
                let under_rim = shape.anterior_z_mm(r.max(model.rhexis_radius_mm)) + raised - 0.35;
                let lowest = shape.posterior_z_mm(r) + raised + 0.6;
                // The bend stays below the capsule, else the end would straddle the rim.
                let under_capsule = shape.anterior_z_mm(r) + raised - model.chopper.end_mm - UNDER_CAPSULE_MM;
                outside.z = goal.z.min(under_capsule).max(lowest);
                to(Vector3::new(0.0, 0.0, over_lens), FRAC_PI_2, FREE_SPEED_MM_S);
                let rim = ahead * (model.rhexis_radius_mm - 0.3);
                to(Vector3::new(rim.x, rim.y, under_rim), FRAC_PI_2, CHOPPER_SPEED_MM_S);
                to(Vector3::new(outside.x, outside.y, under_rim), FRAC_PI_2, CHOPPER_SPEED_MM_S);
                to(outside, 0.0, CHOPPER_SPEED_MM_S);
                to(Vector3::new(goal.x, goal.y, outside.z), 0.0, CHOPPER_SPEED_MM_S);
            }
        }
    }

    fn withdraw(&mut self, model: &Model, state: &State, from: OutOf) {
        self.chopper_out(model, state);
        let over_lens = needle_over_lens_mm(model, state);
        let (ahead, _) = self.hands.level_axes(model);
        let rise = libm::tan(self.hands.elevation_rad);
        let back = ((over_lens - self.hands.needle_mm.z) / rise.max(0.1)).max(0.0);
        let to_mm = self.hands.needle_mm - ahead * back + Vector3::z() * (back * rise);
        let (elevation_rad, roll_rad) = (self.hands.elevation_rad, self.hands.roll_rad);
        self.needle_to(to_mm, elevation_rad, roll_rad, FREE_SPEED_MM_S);
        if from == OutOf::Eye && self.hands.drawn_mm <= 0.0 {
            // Halfway the shaft lies down into its incision, then it leaves along it.
            let d = to_mm - model.main_incision.place_mm;
            let slope = libm::atan2(-d.z, libm::hypot(d.x, d.y)).max(0.0);
            self.needle_to(model.main_incision.place_mm + d * 0.5, slope, roll_rad, FREE_SPEED_MM_S);
            self.strokes.push_back(Stroke::Draw { is_out: true });
        }
    }

    /// Lift the chopper out of what it stands in, and take it out of the eye.
    fn chopper_out(&mut self, model: &Model, state: &State) {
        if self.hands.chopper.is_some() {
            self.lift_chopper(model, state);
            self.strokes.push_back(Stroke::ChopperOut);
        }
    }

    /// Lift the chopper above the lens.
    fn lift_chopper(&mut self, model: &Model, state: &State) {
        if let Some((_, point, roll)) = self.hands.chopper {
            let to_mm = Vector3::new(point.x, point.y, over_lens_mm(model, state).max(point.z));
            self.chopper_to(to_mm, roll, FREE_SPEED_MM_S);
        }
    }

    /// Have a chopper with this end in the eye, above the lens.
    fn take_chopper(&mut self, model: &Model, state: &State, end: ChopperEnd, roll_rad: f64) {
        if self.hands.chopper.is_some_and(|(e, _, _)| e == end) {
            self.lift_chopper(model, state);
        } else {
            self.chopper_out(model, state);
            self.strokes.push_back(Stroke::TakeChopper { end, roll_rad, over_lens_mm: over_lens_mm(model, state) });
        }
    }

    /// Press the nucleus back with an upright blunt end over its centre, all the time that is given.
    fn decompress(&mut self, model: &Model, state: &State, seconds: f64, depth_mm: f64) {
        self.take_chopper(model, state, ChopperEnd::Blunt, 0.0);
        let centre = seat(state, 0).to_eye(&model.field.core.centre_mm);
        let front_mm = model.field.shape.anterior_z_mm(libm::hypot(centre.x, centre.y)) + state.lens.raised_mm;
        let at = |z: f64| Vector3::new(centre.x, centre.y, z);
        let above = at(over_lens_mm(model, state));
        self.chopper_to(above, 0.0, FREE_SPEED_MM_S);
        self.chopper_to(at(front_mm), 0.0, CHOPPER_SPEED_MM_S);
        self.chopper_to(at(front_mm - depth_mm), 0.0, depth_mm / seconds.max(model.tick_s));
        self.chopper_to(above, 0.0, CHOPPER_SPEED_MM_S);
        self.strokes.push_back(Stroke::ChopperOut);
    }

    fn clear(&mut self, model: &Model, state: &State, (x, y): (f64, f64), radius_mm: f64, depth_mm: f64, seconds: f64) {
        // The whole sweep stays within the rhexis.
        let most = (model.rhexis_radius_mm - model.needle.outer_radius_mm).max(0.0);
        let inward = (most / libm::hypot(x, y).max(1e-9)).min(1.0);
        let centre_mm = (x * inward, y * inward);
        let radius_mm = radius_mm.min((most - libm::hypot(centre_mm.0, centre_mm.1)).max(0.0));
        let over_lens = needle_over_lens_mm(model, state);
        let above = Vector3::new(centre_mm.0 + radius_mm, centre_mm.1, over_lens);
        self.needle_over(above, over_lens, radians(SWEEP_DEG), PI);
        self.strokes.push_back(Stroke::Step(Foot::full(2)));
        self.strokes.push_back(Stroke::Sweep { centre_mm, radius_mm, depth_mm, angle_rad: 0.0, left_s: seconds });
        self.strokes.push_back(Stroke::Step(Foot::full(1)));
        self.needle_to(above, radians(SWEEP_DEG), PI, FREE_SPEED_MM_S);
    }

    fn grip(&mut self, model: &Model, state: &State, hour: Option<u8>, seconds: f64, bevel: Option<Bevel>) {
        let piece = aim::choose(model, state, hour, &self.hands.needle_mm);
        let Some(way) = piece.and_then(|p| aim::approach(model, state, &p, bevel.map(roll_rad))) else { return };
        let elevation_rad = radians(GRIP_DEG);
        let before_mm = way.contact_mm - way.along * BEFORE_MM;
        self.needle_over(before_mm, needle_over_lens_mm(model, state), elevation_rad, way.roll_rad);
        self.strokes.push_back(Stroke::Step(Foot::full(2)));
        self.strokes.push_back(grip_stroke(way.along, way.soft_mm, seconds));
    }

    /// Hold the blunt end flat below the port.
    fn guard(&mut self, model: &Model, state: &State, below_mm: f64) {
        self.take_chopper(model, state, ChopperEnd::Blunt, FRAC_PI_2);
        let port = model.side_port.place_mm;
        let inside = Vector3::new(port.x, port.y, 0.0) * (0.5 * model.rhexis_radius_mm / libm::hypot(port.x, port.y));
        let goal_mm = guarding(model, state, &self.hands.needle_mm, below_mm);
        self.chopper_to(inside + Vector3::z() * over_lens_mm(model, state), FRAC_PI_2, FREE_SPEED_MM_S);
        self.chopper_to(inside + Vector3::z() * goal_mm.z, FRAC_PI_2, CHOPPER_SPEED_MM_S);
        self.chopper_to(goal_mm, FRAC_PI_2, CHOPPER_SPEED_MM_S);
        self.strokes.push_back(Stroke::Guard { below_mm });
    }

    fn lift_iris(&mut self, model: &Model, state: &State, hour: u8, seconds: f64) {
        let end = self.hands.chopper.map_or(ChopperEnd::Blunt, |(end, _, _)| end);
        self.take_chopper(model, state, end, 0.0);
        let toward = direction(hour);
        let within = toward * (model.rhexis_radius_mm - WITHIN_RIM_MM).max(0.0);
        let above = within + Vector3::z() * over_lens_mm(model, state);
        self.chopper_to(above, 0.0, FREE_SPEED_MM_S);
        self.strokes.push_back(Stroke::LiftIris { toward, left_s: seconds });
        // Back the way it came; the lens has come forward by then.
        let risen = Vector3::z() * (-state.lens.raised_mm).max(0.0);
        self.chopper_to(above + risen, 0.0, FREE_SPEED_MM_S);
    }
}

/// Bringing the port onto a piece, from `BEFORE_MM` before it through so much soft tissue, with so much patience.
pub(super) fn grip_stroke(along: Vector3<f64>, soft_mm: f64, seconds: f64) -> Stroke {
    Stroke::Grip {
        along,
        left_mm: BEFORE_MM + soft_mm + INTO_MM,
        best: 0.0,
        since_more_s: 0.0,
        stops_in_s: None,
        held_s: 0.0,
        left_s: seconds,
    }
}

fn roll_rad(bevel: Bevel) -> f64 {
    match bevel {
        Bevel::Up => 0.0,
        Bevel::Down => PI,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::case::{Resolution, compile, read_case};
    use crate::plan::hands::Hands;
    use crate::plan::spec::PlanSpec;
    use crate::sim::{Inputs, step};
    use std::path::Path;

    fn model() -> Model {
        let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("scenarios/medium-uniform.ron");
        let spec = read_case(&file).unwrap_or_else(|faults| panic!("{faults:?}")).spec;
        let resolution = Resolution { cell_mm: 0.4, ..Resolution::default() };
        compile(&spec, 1, resolution).unwrap_or_else(|problems| panic!("{problems:?}")).model
    }

    /// Perform a plan; look at what was asked and what came of it after every tick.
    fn run(model: &Model, steps: Vec<Manoeuvre>, mut look: impl FnMut(&Inputs, &State, &Performer)) -> State {
        let mut state = State::new(model);
        let mut performer = Performer::new(model, &PlanSpec { format: 1, title: String::new(), steps });
        while let Some(inputs) = performer.next(model, &state) {
            step(model, &mut state, &inputs);
            look(&inputs, &state, &performer);
        }
        assert_eq!(state.fault, None);
        state
    }

    fn set(vacuum_mmhg: f64) -> Manoeuvre {
        Manoeuvre::Set { vacuum_mmhg: Some(vacuum_mmhg), power: Some(0.6), bottle_cm: None, flow_ml_min: None }
    }

    fn bury(depth_mm: f64, x: f64, y: f64) -> Manoeuvre {
        Manoeuvre::Bury {
            depth_mm,
            angle_deg: 40.0,
            place_mm: (x, y),
            bevel: Bevel::Up,
            speed_mm_s: 1.5,
            ultrasound: 1.0,
        }
    }

    fn grip(hour: u8) -> Manoeuvre {
        Manoeuvre::Grip { hour: Some(hour), seconds: 3.0, bevel: None }
    }

    /// A short attempt in which everything that a plan keeps between ticks is used.
    fn steps() -> Vec<Manoeuvre> {
        vec![
            set(300.0),
            bury(1.6, 0.0, 0.0),
            Manoeuvre::Pedal { position: 2, share: 1.0, power: None },
            Manoeuvre::Wait { seconds: 0.1 },
            Manoeuvre::Chop { kind: ChopKind::Vertical, ahead_mm: 0.5, aside_mm: 0.5, depth_mm: None },
            Manoeuvre::Separate { width_mm: 1.0, speed_mm_s: 2.0 },
            Manoeuvre::LetGo,
        ]
    }

    #[test]
    fn a_plan_given_step_by_step_is_performed_as_the_same_plan_whole() {
        let model = model();
        let mut whole = Vec::new();
        run(&model, steps(), |inputs, _, _| whole.push(inputs.clone()));
        let mut stepwise = Vec::new();
        let mut state = State::new(&model);
        let mut performer = Performer::of(Hands::ready(&model));
        let mut steps = steps().into_iter();
        loop {
            if performer.is_idle() {
                // A setting takes no time of its own: with it comes what is done with it.
                let given = steps.by_ref().find(|step| {
                    performer.add(step.clone());
                    !matches!(step, Manoeuvre::Set { .. })
                });
                if given.is_none() {
                    break;
                }
            }
            let inputs = performer.next_or_hold(&model, &state);
            step(&model, &mut state, &inputs);
            stepwise.push(inputs);
        }
        assert!(whole == stepwise, "{} and {} ticks", whole.len(), stepwise.len());
        // Nothing more to do: everything is held as it was.
        let last = stepwise.last().unwrap().clone();
        assert_eq!(performer.next(&model, &state), None);
        assert_eq!(performer.next_or_hold(&model, &state), last);
    }

    #[test]
    fn a_plan_that_is_stopped_leaves_the_hands_in_mid_stroke_and_takes_new_steps() {
        let model = model();
        let mut state = State::new(&model);
        let mut performer = Performer::of(Hands::ready(&model));
        [set(300.0), bury(1.6, 0.0, 0.0)].into_iter().for_each(|step| performer.add(step));
        while state.needle.as_ref().is_none_or(|n| n.buried_mm < 0.5) {
            let inputs = performer.next_or_hold(&model, &state);
            step(&model, &mut state, &inputs);
        }
        let held = performer.hands().clone();
        performer.stop();
        assert!(performer.is_idle());
        for _ in 0..24 {
            let inputs = performer.next_or_hold(&model, &state);
            step(&model, &mut state, &inputs);
            assert_eq!(inputs, held.inputs(&model));
        }
        assert_eq!(held.foot.pedal.position, 3, "the foot is for whoever stopped it");
        performer.hands_mut().foot = Foot::full(1);
        performer.add(Manoeuvre::Wait { seconds: 0.1 });
        assert_eq!(performer.next(&model, &state).unwrap().pedal.position, 1);
    }

    #[test]
    fn the_machine_starts_as_the_model_has_it_and_is_set_in_trade_units() {
        let model = model();
        let mut first = None;
        let steps = vec![
            Manoeuvre::Wait { seconds: 2.0 },
            Manoeuvre::Set { vacuum_mmhg: Some(300.0), power: None, bottle_cm: Some(60.0), flow_ml_min: Some(30.0) },
            Manoeuvre::Wait { seconds: 2.0 },
        ];
        let (mut before_pa, mut last) = (0.0, None);
        let state = run(&model, steps, |inputs, state, _| {
            first.get_or_insert(inputs.clone());
            if inputs.bottle_pa == model.machine.bottle_pa {
                before_pa = state.circuit.chamber_pa;
            }
            last = Some(inputs.clone());
        });
        let (first, last) = (first.unwrap(), last.unwrap());
        assert_eq!(first.vacuum_limit_pa, model.machine.vacuum_limit_pa);
        assert_eq!(first.flow_limit_ul_s, model.machine.flow_limit_ul_s);
        assert!((last.bottle_pa - 1e-3 * 9806.65 * 600.0).abs() < 1e-6, "ρgh of 60 cm");
        assert!((last.flow_limit_ul_s - 500.0).abs() < 1e-9);
        // The port is shut by the foot, so that little but the leak flows: the chamber follows the head within a tenth.
        let lost_pa = before_pa - state.circuit.chamber_pa;
        let lowered_pa = model.machine.bottle_pa - last.bottle_pa;
        assert!((lost_pa / lowered_pa - 1.0).abs() < 0.1, "{lost_pa} of {lowered_pa}");
    }

    #[test]
    fn the_nucleus_is_turned_until_it_is_seen_to_have_turned() {
        let model = model();
        let freed = Manoeuvre::Hydrodissect { hour: 12, volume_ml: 0.1, seconds: 2.0 };
        for angle_deg in [30.0, -30.0] {
            let steps = vec![freed.clone(), Manoeuvre::Turn { angle_deg }, Manoeuvre::Wait { seconds: 1.0 }];
            let state = run(&model, steps, |_, _, _| {});
            let turned_deg = crate::units::degrees(state.lens.turned_rad);
            // Half a degree of sight, and what the lens springs back by when the hands let go.
            assert!((turned_deg - angle_deg).abs() < 2.0, "{turned_deg}");
        }
    }

    #[test]
    fn a_lens_that_cannot_be_turned_is_given_up() {
        let model = model();
        let mut ticks = 0;
        let steps = vec![set(300.0), bury(1.6, 0.0, 0.0), Manoeuvre::Turn { angle_deg: 90.0 }];
        let state = run(&model, steps, |inputs, _, _| ticks += u32::from(inputs.turn_rad_s != 0.0));
        let most_s = TURN_TIMES * radians(90.0) / TURN_SPEED_RAD_S + TURN_MORE_S;
        assert!(f64::from(ticks) * model.tick_s < most_s + 2.0 * model.tick_s);
        assert!(state.lens.turned_rad.abs() < 0.1);
    }

    #[test]
    fn as_much_is_injected_as_was_asked_for() {
        let model = model();
        let (mut wave_ul, mut filled_ul, mut foot) = (0.0, 0.0, 0);
        let steps = vec![
            Manoeuvre::Pedal { position: 2, share: 1.0, power: None },
            Manoeuvre::Hydrodissect { hour: 6, volume_ml: 0.05, seconds: 0.777 },
            Manoeuvre::Inject { ovd: Filling::Dispersive, volume_ul: 80.0, seconds: 1.001 },
        ];
        let before_ul = State::new(&model).chamber.dispersive_ul;
        let state = run(&model, steps, |inputs, _, _| {
            if let Some(syringe) = inputs.syringe {
                foot = foot.max(inputs.pedal.position);
                match syringe {
                    Syringe::UnderRim { hour: 6, flow_ul_s } => wave_ul += flow_ul_s * model.tick_s,
                    Syringe::Chamber { what: Injected::Dispersive, flow_ul_s } => filled_ul += flow_ul_s * model.tick_s,
                    other => panic!("{other:?}"),
                }
            }
        });
        assert!((wave_ul - 50.0).abs() < 1e-6 && (filled_ul - 80.0).abs() < 1e-6, "{wave_ul} {filled_ul}");
        assert_eq!(foot, 1, "aspiration is off meanwhile");
        // The leak takes little of it along in a second.
        assert!(state.chamber.dispersive_ul > before_ul + 0.9 * 80.0, "{}", state.chamber.dispersive_ul);
    }

    #[test]
    fn decompressing_presses_on_the_nucleus_all_the_time() {
        let model = model();
        let (mut pressed_s, mut lowest) = (0.0, f64::INFINITY);
        // First the infusion has set the lens where it stays: the aim is taken once.
        let steps = vec![Manoeuvre::Wait { seconds: 3.0 }, Manoeuvre::Decompress { seconds: 1.0, depth_mm: 0.3 }];
        let mut front_mm = 0.0;
        let state = run(&model, steps, |_, state, _| {
            if let Some(chopper) = &state.chopper {
                pressed_s += if chopper.press_un > 0.0 { model.tick_s } else { 0.0 };
                if chopper.blade.point_mm.z < lowest {
                    lowest = chopper.blade.point_mm.z;
                    front_mm = model.field.shape.front_mm + state.lens.raised_mm;
                }
            }
        });
        // The outermost cell may be missing where the lens is thinner than half of it.
        assert!(pressed_s > 0.5, "{pressed_s}");
        assert!((front_mm - lowest - 0.3).abs() < 0.05, "{front_mm} {lowest}");
        assert_eq!(state.chopper, None);
    }

    #[test]
    fn clearing_takes_soft_tissue_within_the_rhexis_and_lets_go() {
        let model = model();
        let mut widest = 0.0f64;
        let steps = vec![Manoeuvre::Clear { place_mm: (0.5, 0.0), radius_mm: 3.0, depth_mm: 0.5, seconds: 2.0 }];
        let mut last = None;
        let state = run(&model, steps, |inputs, state, _| {
            if inputs.pedal.position == 2 {
                let p = state.needle.as_ref().unwrap().tip.place_mm;
                widest = widest.max(libm::hypot(p.x, p.y) + model.needle.outer_radius_mm);
            }
            last = Some(inputs.clone());
        });
        assert!(state.lens.removed_ul > 0.2, "{}", state.lens.removed_ul);
        assert!(widest < model.rhexis_radius_mm + 0.05, "{widest}");
        assert_eq!(last.unwrap().pedal.position, 1);
        assert_eq!(state.needle.unwrap().buried_mm, 0.0);
    }

    #[test]
    fn gripping_builds_vacuum_at_the_hour_and_emulsifying_takes_tissue_there() {
        let model = model();
        for hour in [3, 6, 9, 12] {
            let state = run(&model, vec![set(300.0), grip(hour)], |_, _, _| {});
            let needle = state.needle.as_ref().unwrap();
            assert!(needle.occlusion > 0.8, "{hour}: {}", needle.occlusion);
            assert!(state.circuit.vacuum_pa() > 0.85 * pa_from_mmhg(300.0), "{hour}: {}", state.circuit.vacuum_pa());
            assert!(needle.tip.place_mm.dot(&direction(hour)) > 0.3, "{hour}: {:?}", needle.tip.place_mm);
        }
        let eat = Manoeuvre::Emulsify { seconds: 2.0, ultrasound: 0.5, vacuum: 0.6 };
        let (mut ticks, mut all, mut last) = (0, 0, None);
        let state = run(&model, vec![set(300.0), grip(6), eat], |inputs, _, _| {
            all += u32::from(ticks > 0 || inputs.pedal.position == 3);
            if inputs.pedal.position == 3 {
                ticks += 1;
                assert_eq!(inputs.power_share, Some(0.5));
                assert!((inputs.vacuum_limit_pa / pa_from_mmhg(300.0) - 0.6).abs() < 1e-12);
            }
            last = Some(inputs.clone());
        });
        // Between bites the foot is off ultrasound, and a way that was begun is ended.
        let (power_s, all_s) = (f64::from(ticks) * model.tick_s, f64::from(all) * model.tick_s);
        assert!(power_s > 0.5 && power_s < 2.01 && (1.99..4.0).contains(&all_s), "{power_s} {all_s}");
        assert_eq!(last.unwrap().pedal, Pedal { position: 2, share: 1.0 });
        assert!(state.lens.removed_ul > 0.0, "{}", state.lens.removed_ul);
    }

    #[test]
    fn the_tip_is_brought_where_asked_and_the_foot_lets_go() {
        let model = model();
        let bring = Manoeuvre::Bring { place_mm: (0.4, -0.3), height_mm: Some(2.5), speed_mm_s: 4.0 };
        let mut last = None;
        let steps = vec![set(300.0), grip(6), bring, Manoeuvre::LetGo, Manoeuvre::Reflux { seconds: 0.5 }];
        let mut refluxed = 0;
        let state = run(&model, steps, |inputs, _, _| {
            refluxed += u32::from(inputs.reflux);
            last = Some(inputs.clone());
        });
        let p = state.needle.unwrap().tip.place_mm;
        assert!((p.xy() - nalgebra::Vector2::new(0.4, -0.3)).norm() < 1e-6, "{p:?}");
        assert!((p.z - 2.5 - state.lens.raised_mm).abs() < 0.2, "{p:?}");
        assert_eq!(last.unwrap().pedal.position, 1);
        assert_eq!(refluxed, 120);
    }

    #[test]
    fn the_needle_leaves_the_eye_and_comes_back() {
        let model = model();
        let out = vec![set(300.0), bury(1.6, 0.0, 0.0), Manoeuvre::Withdraw { from: OutOf::Eye }];
        let (mut last_mm, mut fastest) = (None, 0.0f64);
        let look = |inputs: &Inputs, last_mm: &mut Option<Vector3<f64>>, fastest: &mut f64| {
            let tip = inputs.needle.end_mm(&model.main_incision);
            if let Some(before) = last_mm.replace(tip) {
                *fastest = fastest.max((tip - before).norm() / model.tick_s);
            }
        };
        let mut inserted_mm = 0.0;
        run(&model, out.clone(), |inputs, _, _| {
            look(inputs, &mut last_mm, &mut fastest);
            inserted_mm = inputs.needle.insertion_mm;
        });
        assert!(inserted_mm <= 0.0, "{inserted_mm}");
        // No hand jumps.
        assert!(fastest < 1.01 * FREE_SPEED_MM_S, "{fastest}");
        let back = [out, vec![grip(6)]].concat();
        (last_mm, fastest) = (None, 0.0);
        let state = run(&model, back, |inputs, _, _| {
            look(inputs, &mut last_mm, &mut fastest);
            inserted_mm = inputs.needle.insertion_mm;
        });
        assert!(inserted_mm > 3.0 && fastest < 1.01 * FREE_SPEED_MM_S, "{inserted_mm} {fastest}");
        assert!(state.needle.unwrap().occlusion > 0.5);
    }

    #[test]
    fn help_is_called_once_with_the_infusion_on() {
        let model = model();
        let mut calls = 0;
        run(&model, vec![set(300.0), grip(6), Manoeuvre::StopAndCall], |inputs, _, _| {
            if inputs.calls {
                calls += 1;
                assert_eq!(inputs.pedal.position, 1);
            }
        });
        assert_eq!(calls, 1);
    }

    #[test]
    fn a_guarding_chopper_keeps_below_the_tip_until_it_is_needed_elsewhere() {
        let model = model();
        let bring = Manoeuvre::Bring { place_mm: (0.8, 0.5), height_mm: Some(2.5), speed_mm_s: 2.0 };
        let guard = Manoeuvre::Guard { below_mm: 1.2 };
        let mut guarded = Vector3::zeros();
        let steps = vec![
            bring.clone(),
            guard.clone(),
            guard,
            Manoeuvre::Bring { place_mm: (0.0, 0.0), height_mm: Some(2.8), speed_mm_s: 2.0 },
        ];
        let state = run(&model, [steps, vec![Manoeuvre::Wait { seconds: 0.2 }]].concat(), |_, state, _| {
            if let (Some(chopper), Some(needle)) = (&state.chopper, &state.needle) {
                guarded = needle.tip.place_mm - chopper.blade.point_mm;
            }
        });
        assert!((guarded - Vector3::z() * 1.2).norm() < 0.02, "{guarded:?}");
        assert_eq!(state.chopper.unwrap().end, ChopperEnd::Blunt);
    }

    #[test]
    fn the_iris_is_lifted_between_iris_and_capsule_and_the_chopper_goes_out() {
        let model = model();
        let mut held = 0;
        let steps = vec![Manoeuvre::LiftIris { hour: 4, seconds: 1.0 }, Manoeuvre::ChopperOut];
        let state = run(&model, steps, |_, state, _| {
            let Some(chopper) = &state.chopper else { return };
            let p = chopper.blade.point_mm;
            let r = libm::hypot(p.x, p.y);
            let over_mm = p.z - model.field.shape.anterior_z_mm(r) - state.lens.raised_mm;
            let is_there = (r - model.rhexis_radius_mm - 0.1).abs() < 0.02 && (0.15..0.35).contains(&over_mm);
            held += u32::from(is_there && p.dot(&direction(4)) > 0.99 * r);
        });
        assert!(held >= 239, "{held}");
        assert_eq!(state.chopper, None);
    }

    #[test]
    fn of_two_halves_the_one_toward_the_hour_is_chosen_and_met_without_crossing_the_other() {
        let model = model();
        let steps = vec![
            set(300.0),
            bury(1.6, 0.0, 0.0),
            Manoeuvre::Pedal { position: 2, share: 1.0, power: None },
            Manoeuvre::Wait { seconds: 0.1 },
            Manoeuvre::Chop { kind: ChopKind::Vertical, ahead_mm: 0.5, aside_mm: 0.5, depth_mm: None },
            Manoeuvre::Separate { width_mm: 2.5, speed_mm_s: 2.0 },
        ];
        let state = run(&model, steps, |_, _, _| {});
        assert!(!state.lens.is_whole());
        let chosen = [12, 6].map(|hour| {
            let piece = aim::choose(&model, &state, Some(hour), &Vector3::zeros()).unwrap();
            assert!(piece.middle_mm.dot(&direction(hour)) > 0.5, "{hour}: {piece:?}");
            let way = aim::approach(&model, &state, &piece, None).unwrap();
            let at = |p: Vector3<f64>| state.lens.at_eye(&model, &p).map(|(_, body)| body);
            assert_eq!(at(way.contact_mm), Some(piece.body));
            assert_eq!(at(way.contact_mm - way.along * 0.4), None, "{way:?}");
            piece.body
        });
        assert_ne!(chosen[0], chosen[1]);
    }
}
