//! How the hands hold the instruments and the foot its pedal: what plans, single steps and a free hand all move.
//!
//! A place to move from, not a movement: whoever acts changes the fields, and [`Hands::inputs`] says what the engine is
//! asked in a tick in which all of it is held so. Eye frame; mm, rad, Pa.
//!
//! Invariant: nothing here reads the clock or remembers a tick; equal hands give equal inputs.
//! Limits: what a hand is allowed (reach, speed) is for whoever moves it.

use crate::plan::aim::FLOOR_MM;
use crate::sim::cut::Plane;
use crate::sim::hands::{ChopperEnd, HandPose, Pedal};
use crate::sim::{Inputs, Machine, Model, State};
use nalgebra::Vector3;

/// Speed of an instrument where it meets nothing, mm/s.
pub const FREE_SPEED_MM_S: f64 = 8.0;

/// Speed of turning the nucleus, rad/s.
pub const TURN_SPEED_RAD_S: f64 = 1.5;

/// Fastest change of the tip angle, rad/s (A).
pub const SWING_RAD_S: f64 = 1.5;

/// Fastest roll about the shaft, rad/s (A).
pub const ROLL_RAD_S: f64 = 6.0;

/// How far a hand pushes the lens before it stops pressing harder, mm (A: what shows under the microscope).
pub const MOST_PUSH_MM: f64 = 0.5;

/// Height above the lens at which instruments move about, mm.
pub const CLEARANCE_MM: f64 = 0.4;

/// Share of the way from the axis to the side port at which a chopper that has come in stands.
const WITHIN_PORT: f64 = 0.7;

/// What the foot does.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Foot {
    /// Position and travel.
    pub pedal: Pedal,
    /// The power's own share on a dual-linear pedal, 0..1; in position 3 the travel is then the vacuum's.
    pub power_share: Option<f64>,
}

impl Foot {
    /// A foot all the way through a position, 0–3.
    pub fn full(position: u8) -> Self {
        Self { pedal: Pedal { position, share: 1.0 }, power_share: None }
    }

    /// Share of the set vacuum and flow that is asked for at most: on a dual-linear foot the travel within position 3 is the
    /// vacuum's.
    pub(super) fn vacuum_limit_share(&self) -> f64 {
        if self.pedal.position >= 3 && self.power_share.is_some() { self.pedal.share } else { 1.0 }
    }
}

/// Both hands, the foot, and the machine's settings as they stand.
#[derive(Clone, Debug, PartialEq)]
pub struct Hands {
    /// Where the needle's tip would be if it were not drawn back, mm.
    pub needle_mm: Vector3<f64>,
    /// Tip angle, rad.
    pub elevation_rad: f64,
    /// Turn of the needle about its shaft, rad: 0 bevel up, π bevel down.
    pub roll_rad: f64,
    /// How far the needle is drawn back along its shaft from where its tip would be, mm.
    pub drawn_mm: f64,
    /// The chopper in the eye: its end, where its point is (mm) and how it is rolled (rad: 0 upright, π/2 flat).
    pub chopper: Option<(ChopperEnd, Vector3<f64>, f64)>,
    /// How far below the port the chopper is kept while it guards, mm.
    pub guard_mm: Option<f64>,
    /// The foot.
    pub foot: Foot,
    /// The machine's settings.
    pub machine: Machine,
    /// Power fraction at full travel, 0..1.
    pub power_limit: f64,
}

impl Hands {
    /// Ready to begin: the needle at its incision, the foot in position 1, the machine as the model has it.
    pub fn ready(model: &Model) -> Self {
        let incision_mm = model.main_incision.place_mm;
        Self {
            needle_mm: incision_mm * 0.8 + Vector3::z() * (0.2 * incision_mm.z + CLEARANCE_MM),
            elevation_rad: 0.5,
            roll_rad: 0.0,
            drawn_mm: 0.0,
            chopper: None,
            guard_mm: None,
            foot: Foot::full(1),
            machine: model.machine,
            power_limit: 0.0,
        }
    }

    /// How the hand holds the needle.
    pub fn pose(&self, model: &Model) -> HandPose {
        let pose = HandPose::needle_at(&model.main_incision, &self.needle_mm, self.elevation_rad, self.roll_rad);
        HandPose { insertion_mm: pose.insertion_mm - self.drawn_mm, ..pose }
    }

    /// What the engine is asked in a tick in which everything is held so: nothing injected, turned or called for.
    pub fn inputs(&self, model: &Model) -> Inputs {
        Inputs {
            needle: self.pose(model),
            chopper: self
                .chopper
                .map(|(end, point, roll)| (end, HandPose::chopper_at(&model.side_port, &model.chopper, &point, roll))),
            pedal: self.foot.pedal,
            power_share: self.foot.power_share,
            reflux: false,
            vacuum_limit_pa: self.machine.vacuum_limit_pa * self.foot.vacuum_limit_share(),
            flow_limit_ul_s: self.machine.flow_limit_ul_s,
            power_limit: self.power_limit,
            bottle_pa: self.machine.bottle_pa,
            turn_rad_s: 0.0,
            syringe: None,
            calls: false,
        }
    }

    /// Level direction from the hand to the tip, and the direction to its left: unit vectors.
    pub fn level_axes(&self, model: &Model) -> (Vector3<f64>, Vector3<f64>) {
        let d = self.needle_mm - model.main_incision.place_mm;
        let ahead = Vector3::new(d.x, d.y, 0.0).normalize();
        (ahead, Vector3::new(-ahead.y, ahead.x, 0.0))
    }

    /// Across the plane the hands see between the needle and a chopper whose point is there (mm): a level unit vector toward
    /// the needle's side, along which the needle goes when both part.
    pub fn across(&self, model: &Model, state: &State, point: &Vector3<f64>) -> Vector3<f64> {
        let (_, left) = self.level_axes(model);
        let path = state.chopper.as_ref().map(|c| c.path.as_slice()).unwrap_or_default();
        let seen = state.needle.as_ref().map(|n| {
            let tip = state.lens.tip_from_eye(n.body, &n.tip);
            let normal = Plane::spanned(&tip.place_mm, &tip.forward, path).normal;
            let turned = state.lens.pose_of(n.body).direction_to_eye(&normal);
            Vector3::new(turned.x, turned.y, 0.0)
        });
        let across = seen.filter(|n| n.norm() > 1e-3).map_or(left, |n| n.normalize());
        // The chopper goes to the side it lies on; straight ahead, to the side of its own port.
        let aside = left.dot(&(point - self.needle_mm));
        let chopper_left = if aside.abs() > 0.05 { aside > 0.0 } else { left.dot(&model.side_port.place_mm) > 0.0 };
        let is_left = across.dot(&left) > 0.0;
        if is_left == chopper_left { -across } else { across }
    }

    /// Bring a chopper with this end just inside its port, above the lens, rolled so (rad).
    pub fn take_chopper(&mut self, model: &Model, state: &State, end: ChopperEnd, roll_rad: f64) {
        self.place_chopper(model, end, roll_rad, over_lens_mm(model, state));
    }

    /// The same at a height, mm.
    pub(super) fn place_chopper(&mut self, model: &Model, end: ChopperEnd, roll_rad: f64, height_mm: f64) {
        let port = model.side_port.place_mm;
        self.chopper = Some((end, Vector3::new(WITHIN_PORT * port.x, WITHIN_PORT * port.y, height_mm), roll_rad));
    }

    /// Keep the chopper below the port for a tick, while it guards.
    pub fn keep_guard(&mut self, model: &Model, state: &State) {
        let (Some(below_mm), Some((_, point, _))) = (self.guard_mm, &mut self.chopper) else { return };
        let goal_mm = guarding(model, state, &self.needle_mm, below_mm);
        *point = toward(point, &goal_mm, FREE_SPEED_MM_S * model.tick_s).0;
    }
}

/// Where a guarding chopper stands below a tip: never nearer to the capsule than a hand would go.
pub(super) fn guarding(model: &Model, state: &State, tip_mm: &Vector3<f64>, below_mm: f64) -> Vector3<f64> {
    let back_mm = model.field.shape.posterior_z_mm(libm::hypot(tip_mm.x, tip_mm.y)) + state.lens.raised_mm;
    Vector3::new(tip_mm.x, tip_mm.y, (tip_mm.z - below_mm).max(back_mm + FLOOR_MM))
}

/// Height above the lens at which a chopper moves about, as the lens lies, mm.
pub fn over_lens_mm(model: &Model, state: &State) -> f64 {
    model.field.shape.front_mm + state.lens.raised_mm + CLEARANCE_MM
}

/// The same for the middle of the needle's port, so that no lip drags through the lens.
pub fn needle_over_lens_mm(model: &Model, state: &State) -> f64 {
    over_lens_mm(model, state) + model.needle.outer_radius_mm
}

/// One step toward a place, and the share of the way it was.
pub(super) fn toward(from: &Vector3<f64>, to: &Vector3<f64>, step_mm: f64) -> (Vector3<f64>, f64) {
    let d = to - from;
    let length = d.norm();
    let share = if length <= step_mm { 1.0 } else { step_mm / length };
    (from + d * share, share)
}
