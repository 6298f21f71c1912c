//! Hands that are free: what devices ask becomes motion as fast and as hard as hands move.
//!
//! A device may jump; a hand cannot. What a pointer asks is owed to the hand and paid off at its speed; what would be owed for
//! longer than a moment is forgotten, so that the hand stops when the mouse does. Pressed against the lens it yields as a
//! plan's hand does; resting on the rim of the rhexis it presses no harder. Everything else is the engine's to resist.
//!
//! Whatever takes a way of its own (taking the chopper out, guarding) is done as a manoeuvre while the needle stays free.
//!
//! Invariant: the same controls on the same ticks give the same inputs. Limits: no tremor, no fatigue; a tip drawn sideways
//! through firm tissue is slowed, not stopped. Eye frame; mm, rad, s.

use crate::app::hands::foot::{KeyedPedal, PedalCalibration};
use crate::plan::hands::{FREE_SPEED_MM_S, Foot, Hands, MOST_PUSH_MM, ROLL_RAD_S, SWING_RAD_S, TURN_SPEED_RAD_S};
use crate::plan::{Manoeuvre, Performer};
use crate::sim::circuit::head_pa;
use crate::sim::hands::{ChopperEnd, ELEVATION_RANGE_RAD, Tip, rise_over_rim_mm};
use crate::sim::{Injected, Inputs, Model, State, Syringe};
use crate::units::{cm_from_pa, mmhg_from_pa, pa_from_mmhg};
use bevy::ecs::resource::Resource;
use core::f64::consts::{FRAC_PI_2, PI};
use nalgebra::Vector3;

/// Speeds of an instrument that keys or a stick move: in the plane of view and along the shaft, mm/s (A).
const HELD_SPEED_MM_S: f64 = 4.0;
const HELD_ALONG_MM_S: f64 = 2.5;

/// Speed of the chopper that keys move up and down, mm/s (A).
const HELD_DEEPER_MM_S: f64 = 2.0;

/// Speed of the tip sideways with its shaft in firm tissue, and burial there from which that holds, mm/s and mm (A).
const FIRM_SPEED_MM_S: f64 = 2.0;
const IN_FIRM_MM: f64 = 0.3;

/// Speed of the chopper through the lens, mm/s (A: as in a plan).
const CHOPPER_SPEED_MM_S: f64 = 3.0;

/// Speed at which the instruments part, mm/s (A: as in a plan).
const PART_SPEED_MM_S: f64 = 2.0;

/// Rates at which keys change the tip angle and roll the needle, rad/s (A).
const HELD_SWING_RAD_S: f64 = 0.5;
const HELD_ROLL_RAD_S: f64 = 2.0;

/// Share of every speed in fine motion.
const FINE: f64 = 0.25;

/// Time for which a hand goes on after a pointer that outran it, s (A).
const LAG_S: f64 = 0.25;

/// Load of a piece on the needle at which a hand presses no harder, µN (A: the piece is seen to give way).
const GIVES_WAY_UN: f64 = 50_000.0;

/// Distance from the incision within which a needle that is withdrawn goes out through it, mm.
const AT_INCISION_MM: f64 = 1.1;

/// How far out of its incision a needle is drawn, mm.
const OUT_MM: f64 = 1.0;

/// Distance of an instrument's middle to the back of the cornea, mm (A).
const OFF_CORNEA_MM: f64 = 0.4;

/// How far behind the posterior capsule's pole an instrument can be pushed, mm (A: far enough to do harm).
const BEHIND_CAPSULE_MM: f64 = 2.0;

/// Distance below the port at which the chopper guards, mm (A).
const GUARD_MM: f64 = 1.2;

/// Rate of injection, µL/s (A: a cannula pressed with ease).
const INJECTION_UL_S: f64 = 40.0;

/// Steps of the machine's settings: vacuum mmHg, bottle cm, power as a share.
const VACUUM_STEP_MMHG: f64 = 10.0;
const BOTTLE_STEP_CM: f64 = 5.0;
const POWER_STEP: f64 = 0.05;

/// What devices ask for, free of what kind they are.
///
/// *Spent* fields are asked once and cleared by [`Controls::spend`] after the tick that saw them; the others hold from tick to
/// tick until a device says otherwise.
#[derive(Clone, Debug, PartialEq, Resource)]
pub struct Controls {
    /// To the right in the picture, unit vector of the eye.
    pub right: [f64; 3],
    /// Up in the picture, unit vector of the eye.
    pub up: [f64; 3],
    /// Spent: motion in the plane of view, right and up, mm.
    pub motion_mm: [f64; 2],
    /// Spent: motion along the shaft, forward, mm; with `moves_chopper` the chopper goes so much deeper.
    pub along_mm: f64,
    /// Motion in the plane of view at a rate, right and up, each −1..1.
    pub tip: [f64; 2],
    /// Motion along the shaft at a rate, −1..1; with `moves_chopper` the chopper goes deeper.
    pub along: f64,
    /// Tip angle at a rate, −1 flatter..1 steeper.
    pub steepen: f64,
    /// Roll of the needle at a rate, −1 left..1 right.
    pub roll: f64,
    /// Turn of the nucleus at a rate, −1 clockwise..1 counter-clockwise.
    pub turn: f64,
    /// All of it at a quarter.
    pub is_fine: bool,
    /// Motion is the chopper's.
    pub moves_chopper: bool,
    /// The chopper at a rate, −1 shallower..1 deeper.
    pub deeper: f64,
    /// The instruments at a rate, −1 together..1 apart.
    pub part: f64,
    /// The pedal at a rate, −1 released..1 pressed.
    pub pedal: f64,
    /// Spent: the pedal to the end of a position, 0–3.
    pub pedal_to: Option<u8>,
    /// What a pedal with a travel of its own asks.
    pub device_foot: Option<Foot>,
    /// Reflux.
    pub reflux: bool,
    /// What is injected through the side port.
    pub inject: Option<Injected>,
    /// Spent: steps of the vacuum limit (10 mmHg), the bottle (5 cm) and the power limit (0.05).
    pub steps: [i32; 3],
    /// Spent: bevel up or down.
    pub turns_bevel: bool,
    /// Spent: a chopper with this end in, or out if it is in.
    pub takes: Option<ChopperEnd>,
    /// Spent: chopper upright or flat.
    pub rolls_chopper: bool,
    /// Spent: the chopper guards below the tip, or no more.
    pub guards: bool,
    /// Spent: stop and call for help.
    pub calls: bool,
}

impl Default for Controls {
    fn default() -> Self {
        Self {
            right: [1.0, 0.0, 0.0],
            up: [0.0, 1.0, 0.0],
            motion_mm: [0.0; 2],
            along_mm: 0.0,
            tip: [0.0; 2],
            along: 0.0,
            steepen: 0.0,
            roll: 0.0,
            turn: 0.0,
            is_fine: false,
            moves_chopper: false,
            deeper: 0.0,
            part: 0.0,
            pedal: 0.0,
            pedal_to: None,
            device_foot: None,
            reflux: false,
            inject: None,
            steps: [0; 3],
            turns_bevel: false,
            takes: None,
            rolls_chopper: false,
            guards: false,
            calls: false,
        }
    }
}

impl Controls {
    /// Forget what a tick has seen and done.
    pub fn spend(&mut self) {
        let Self { motion_mm, along_mm, pedal_to, steps, turns_bevel, takes, rolls_chopper, guards, calls, .. } = self;
        (*motion_mm, *along_mm, *pedal_to, *steps) = ([0.0; 2], 0.0, None, [0; 3]);
        (*turns_bevel, *takes, *rolls_chopper, *guards, *calls) = (false, None, false, false, false);
    }

    /// A motion in the plane of view as one of the eye.
    fn in_eye(&self, [right, up]: [f64; 2]) -> Vector3<f64> {
        Vector3::from(self.right) * right + Vector3::from(self.up) * up
    }

    /// Share of every speed.
    fn pace(&self) -> f64 {
        if self.is_fine { FINE } else { 1.0 }
    }
}

/// What the machine can be set to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limits {
    /// Vacuum limit, least and greatest, mmHg.
    pub vacuum_mmhg: (f64, f64),
    /// Bottle, least and greatest, cm.
    pub bottle_cm: (f64, f64),
    /// Power fraction at full travel, least and greatest.
    pub power: (f64, f64),
}

impl Default for Limits {
    fn default() -> Self {
        Self { vacuum_mmhg: (0.0, 700.0), bottle_cm: (0.0, 150.0), power: (0.0, 1.0) }
    }
}

/// Hands that follow controls.
#[derive(Clone, Debug)]
pub struct Freehand {
    performer: Performer,
    /// How keys move the pedal.
    calibration: PedalCalibration,
    /// What the machine can be set to.
    pub limits: Limits,
    pedal: KeyedPedal,
    /// What the device's pedal last asked: it leads as soon as it moves.
    device_foot: Option<Foot>,
    device_leads: bool,
    /// Motion asked and not done yet, mm: of the tip in the plane of view, along the shaft, and of the chopper.
    owed_mm: Vector3<f64>,
    owed_along_mm: f64,
    owed_chopper_mm: Vector3<f64>,
    /// Roll to which the needle is turning of itself, rad.
    roll_goal_rad: Option<f64>,
    /// Roll to which the chopper is turning of itself, rad.
    chopper_roll_rad: Option<f64>,
    /// The end that comes in when the other is out.
    next_end: Option<ChopperEnd>,
    /// The way apart, as it was when the instruments began to part.
    across: Option<Vector3<f64>>,
}

impl Freehand {
    /// Free hands that begin where hands are.
    pub fn of(hands: Hands, calibration: PedalCalibration) -> Self {
        let pedal = KeyedPedal::at(calibration.travel(&hands.foot));
        Self {
            performer: Performer::of(hands),
            calibration,
            limits: Limits::default(),
            pedal,
            device_foot: None,
            device_leads: false,
            owed_mm: Vector3::zeros(),
            owed_along_mm: 0.0,
            owed_chopper_mm: Vector3::zeros(),
            roll_goal_rad: None,
            chopper_roll_rad: None,
            next_end: None,
            across: None,
        }
    }

    /// How hands, foot and machine stand.
    pub fn hands(&self) -> &Hands {
        self.performer.hands()
    }

    /// The same, to be set from outside, as the machine's settings are from a panel.
    pub fn hands_mut(&mut self) -> &mut Hands {
        self.performer.hands_mut()
    }

    /// How far the pedal is down, 0..1.
    pub fn travel(&self) -> f64 {
        self.calibration.travel(&self.hands().foot)
    }

    /// The inputs of one tick of `dt_s` under these controls. The caller spends the controls afterwards.
    pub fn tick(&mut self, model: &Model, state: &State, controls: &Controls, dt_s: f64) -> Inputs {
        self.move_foot(controls, dt_s);
        self.set_machine(controls);
        self.take_up(model, state, controls);
        self.hold_needle(controls, dt_s);
        self.move_needle(model, state, controls, dt_s);
        self.move_chopper(model, state, controls, dt_s);
        self.part(model, state, controls, dt_s);
        let mut inputs = self.performer.next_or_hold(model, state);
        inputs.turn_rad_s = controls.turn.clamp(-1.0, 1.0) * controls.pace() * TURN_SPEED_RAD_S;
        inputs.syringe = controls.inject.map(|what| Syringe::Chamber { what, flow_ul_s: INJECTION_UL_S });
        inputs.calls = controls.calls;
        if controls.reflux {
            let foot = Foot::full(1);
            (inputs.pedal, inputs.power_share, inputs.reflux) = (foot.pedal, foot.power_share, true);
        }
        inputs
    }

    /// The foot, by whichever device moved it last.
    fn move_foot(&mut self, controls: &Controls, dt_s: f64) {
        if controls.device_foot != self.device_foot {
            // A pedal that is found at rest does not take the foot away from the keys.
            self.device_leads |=
                controls.device_foot.is_some_and(|foot| self.device_foot.is_some() || foot.pedal.position > 0);
            self.device_foot = controls.device_foot;
        }
        if controls.device_foot.is_none() || controls.pedal != 0.0 || controls.pedal_to.is_some() || controls.calls {
            self.device_leads = false;
        }
        if let Some(foot) = controls.device_foot.filter(|_| self.device_leads) {
            self.performer.hands_mut().foot = foot;
            self.pedal = KeyedPedal::at(self.calibration.travel(&foot));
            return;
        }
        // To stop means: back to infusion alone.
        if let Some(position) = controls.pedal_to.or(controls.calls.then_some(1)) {
            self.pedal.go_to(&self.calibration, position);
        }
        self.pedal.advance(&self.calibration, controls.pedal, dt_s);
        self.performer.hands_mut().foot = self.calibration.foot(self.pedal.travel);
    }

    /// The machine's settings, in whole steps within their limits.
    fn set_machine(&mut self, controls: &Controls) {
        let [vacuum, bottle, power] = controls.steps;
        let stepped = |value: f64, steps: i32, step: f64, (least, most): (f64, f64)| {
            (((value / step).round() + f64::from(steps)) * step).clamp(least, most)
        };
        let limits = self.limits;
        let hands = self.performer.hands_mut();
        if vacuum != 0 {
            let mmhg = mmhg_from_pa(hands.machine.vacuum_limit_pa);
            hands.machine.vacuum_limit_pa = pa_from_mmhg(stepped(mmhg, vacuum, VACUUM_STEP_MMHG, limits.vacuum_mmhg));
        }
        if bottle != 0 {
            let cm = cm_from_pa(hands.machine.bottle_pa);
            hands.machine.bottle_pa = head_pa(10.0 * stepped(cm, bottle, BOTTLE_STEP_CM, limits.bottle_cm));
        }
        if power != 0 {
            hands.power_limit = stepped(hands.power_limit, power, POWER_STEP, limits.power);
        }
    }

    /// Choppers in and out, and guarding: ways of their own, one at a time.
    fn take_up(&mut self, model: &Model, state: &State, controls: &Controls) {
        if self.performer.is_idle() {
            if let Some(end) = controls.takes {
                let held = self.hands().chopper.map(|(held, _, _)| held);
                self.next_end = Some(end).filter(|_| held != Some(end));
                if held.is_some() {
                    self.performer.add(Manoeuvre::ChopperOut);
                }
            } else if controls.guards {
                match self.hands().guard_mm {
                    Some(_) => self.performer.hands_mut().guard_mm = None,
                    None => self.performer.add(Manoeuvre::Guard { below_mm: GUARD_MM }),
                }
            }
        }
        if let Some(end) = self.next_end.filter(|_| self.performer.is_idle() && self.hands().chopper.is_none()) {
            // A blunt end comes in flat, as it has to go under the rim.
            let roll_rad = if end == ChopperEnd::Blunt { FRAC_PI_2 } else { 0.0 };
            self.performer.hands_mut().take_chopper(model, state, end, roll_rad);
            (self.next_end, self.chopper_roll_rad, self.owed_chopper_mm) = (None, None, Vector3::zeros());
        }
    }

    /// Tip angle and roll.
    fn hold_needle(&mut self, controls: &Controls, dt_s: f64) {
        let pace = controls.pace();
        let hands = self.performer.hands_mut();
        let swing = (controls.steepen.clamp(-1.0, 1.0) * HELD_SWING_RAD_S * pace).clamp(-SWING_RAD_S, SWING_RAD_S);
        hands.elevation_rad = (hands.elevation_rad + swing * dt_s).clamp(ELEVATION_RANGE_RAD.0, ELEVATION_RANGE_RAD.1);
        if controls.turns_bevel {
            let is_up = self.roll_goal_rad.unwrap_or(hands.roll_rad).abs() < FRAC_PI_2;
            self.roll_goal_rad = Some(if is_up { PI.copysign(hands.roll_rad) } else { 0.0 });
        }
        if controls.roll != 0.0 {
            self.roll_goal_rad = None;
            let roll = controls.roll.clamp(-1.0, 1.0) * HELD_ROLL_RAD_S * pace;
            hands.roll_rad = (hands.roll_rad + roll * dt_s).clamp(-PI, PI);
        } else if let Some(goal) = self.roll_goal_rad {
            let most = ROLL_RAD_S * dt_s;
            hands.roll_rad += (goal - hands.roll_rad).clamp(-most, most);
            self.roll_goal_rad = Some(goal).filter(|_| hands.roll_rad != goal);
        }
    }

    /// The tip in the plane of view and along the shaft.
    fn move_needle(&mut self, model: &Model, state: &State, controls: &Controls, dt_s: f64) {
        let pace = controls.pace();
        if !controls.moves_chopper {
            self.owed_mm += controls.in_eye(controls.motion_mm) * pace;
            self.owed_mm += controls.in_eye(controls.tip) * (HELD_SPEED_MM_S * pace * dt_s);
            self.owed_along_mm += controls.along_mm * pace + controls.along * HELD_ALONG_MM_S * pace * dt_s;
        }
        let needle = state.needle.as_ref();
        let is_in_firm = needle.is_some_and(|n| n.buried_firm_mm > IN_FIRM_MM);
        let aside_mm = pay(&mut self.owed_mm, if is_in_firm { FIRM_SPEED_MM_S } else { FREE_SPEED_MM_S }, dt_s);
        let most_mm = FREE_SPEED_MM_S * dt_s;
        let mut along_mm = self.owed_along_mm.clamp(-most_mm, most_mm);
        let lag_mm = FREE_SPEED_MM_S * LAG_S;
        self.owed_along_mm = (self.owed_along_mm - along_mm).clamp(-lag_mm, lag_mm);

        let hands = self.performer.hands_mut();
        along_mm = draw(hands, model, along_mm);
        if hands.drawn_mm > 0.0 {
            self.owed_mm = Vector3::zeros();
            return;
        }
        let forward = hands.pose(model).forward();
        let by = aside_mm + forward * along_mm;
        let wanted_mm = hands.needle_mm + by * give(state, &by);
        let reached_mm = within_eye(model, &model.main_incision.place_mm, &hands.needle_mm, &wanted_mm);
        hands.needle_mm = reached_mm;
        // A shaft on the rim is pressed no harder than shows.
        let tip = Tip { place_mm: reached_mm, forward: hands.pose(model).forward(), roll_rad: hands.roll_rad };
        let (shape, raised_mm) = (&model.field.shape, state.lens.raised_mm);
        let rise_mm = rise_over_rim_mm(&tip, model.rhexis_radius_mm, |r| shape.anterior_z_mm(r) + raised_mm);
        hands.needle_mm.z += (rise_mm - MOST_PUSH_MM).max(0.0);
    }

    /// The chopper in the plane of view and down, unless it is on a way of its own.
    fn move_chopper(&mut self, model: &Model, state: &State, controls: &Controls, dt_s: f64) {
        let pace = controls.pace();
        let is_asked =
            controls.deeper != 0.0 || controls.rolls_chopper || controls.part != 0.0 || controls.moves_chopper;
        if !self.performer.is_idle() || self.hands().chopper.is_none() {
            self.owed_chopper_mm = Vector3::zeros();
            return;
        }
        if is_asked {
            // A chopper that is needed guards no more.
            self.performer.hands_mut().guard_mm = None;
        }
        let mut deeper_mm = controls.deeper * HELD_DEEPER_MM_S * pace * dt_s;
        if controls.moves_chopper {
            self.owed_chopper_mm += controls.in_eye(controls.motion_mm) * pace;
            self.owed_chopper_mm += controls.in_eye(controls.tip) * (HELD_SPEED_MM_S * pace * dt_s);
            deeper_mm += controls.along_mm * pace + controls.along * HELD_DEEPER_MM_S * pace * dt_s;
        }
        self.owed_chopper_mm -= Vector3::z() * deeper_mm;
        let is_in_lens = state.chopper.as_ref().is_some_and(|c| c.is_in_lens);
        let by = pay(&mut self.owed_chopper_mm, if is_in_lens { CHOPPER_SPEED_MM_S } else { FREE_SPEED_MM_S }, dt_s);
        let Some((_, point, roll)) = &mut self.performer.hands_mut().chopper else { return };
        *point = within_eye(model, &model.side_port.place_mm, point, &(*point + by));
        if controls.rolls_chopper {
            let is_upright = self.chopper_roll_rad.unwrap_or(*roll) < 0.5 * FRAC_PI_2;
            self.chopper_roll_rad = Some(if is_upright { FRAC_PI_2 } else { 0.0 });
        }
        if let Some(goal) = self.chopper_roll_rad {
            let most = HELD_ROLL_RAD_S * dt_s;
            *roll += (goal - *roll).clamp(-most, most);
            self.chopper_roll_rad = Some(goal).filter(|_| *roll != goal);
        }
    }

    /// Both instruments apart, or together.
    fn part(&mut self, model: &Model, state: &State, controls: &Controls, dt_s: f64) {
        let hands = self.performer.hands();
        let Some((_, point, _)) = hands.chopper.filter(|_| controls.part != 0.0 && hands.drawn_mm <= 0.0) else {
            self.across = None;
            return;
        };
        // The way is that at which they began: once the sides move, what is seen between them turns with them.
        let across = *self.across.get_or_insert_with(|| hands.across(model, state, &point));
        let by = across * (0.5 * PART_SPEED_MM_S * controls.part.clamp(-1.0, 1.0) * controls.pace() * dt_s);
        let hands = self.performer.hands_mut();
        hands.needle_mm = within_eye(model, &model.main_incision.place_mm, &hands.needle_mm, &(hands.needle_mm + by));
        if let Some((_, point, _)) = &mut hands.chopper {
            *point = within_eye(model, &model.side_port.place_mm, point, &(*point - by));
        }
    }
}

/// Pay off what is owed at a speed for a tick; what would take longer than a moment is forgotten.
fn pay(owed_mm: &mut Vector3<f64>, speed_mm_s: f64, dt_s: f64) -> Vector3<f64> {
    let by = shortened(owed_mm, speed_mm_s * dt_s);
    *owed_mm = shortened(&(*owed_mm - by), speed_mm_s * LAG_S);
    by
}

fn shortened(v: &Vector3<f64>, most: f64) -> Vector3<f64> {
    let length = v.norm();
    if length > most { v * (most / length) } else { *v }
}

/// A motion along the shaft as far as it concerns a needle that is at its incision: it goes out, or comes back in. Returns
/// what is left for the tip.
fn draw(hands: &mut Hands, model: &Model, along_mm: f64) -> f64 {
    if hands.drawn_mm > 0.0 && along_mm > 0.0 {
        let back_mm = along_mm.min(hands.drawn_mm);
        hands.drawn_mm -= back_mm;
        return along_mm - back_mm;
    }
    let d = hands.needle_mm - model.main_incision.place_mm;
    if along_mm < 0.0 && (hands.drawn_mm > 0.0 || d.x.hypot(d.y) <= AT_INCISION_MM) {
        let most_mm = hands.pose(model).insertion_mm + hands.drawn_mm + OUT_MM;
        hands.drawn_mm = (hands.drawn_mm - along_mm).min(most_mm);
        return 0.0;
    }
    along_mm
}

/// Share of a motion that a hand makes: it yields as it sees the lens or a piece go before the needle.
fn give(state: &State, by: &Vector3<f64>) -> f64 {
    let Some(needle) = &state.needle else { return 1.0 };
    let pressing = by.dot(&needle.tip.forward);
    if pressing <= 0.0 || needle.buried_mm <= 0.0 {
        return 1.0;
    }
    let pushed = if state.lens.is_whole() {
        state.lens.pushed_mm.dot(&needle.tip.forward) / MOST_PUSH_MM
    } else {
        needle.load_un / GIVES_WAY_UN
    };
    (1.0 - pushed).clamp(0.0, 1.0)
}

/// Where an instrument that comes from an incision gets on its way to a place: not into the angle beyond the iris root, not
/// through the cornea, not far behind the lens. What is beyond a bound already comes no further.
fn within_eye(model: &Model, incision_mm: &Vector3<f64>, from: &Vector3<f64>, to: &Vector3<f64>) -> Vector3<f64> {
    let mut p = *to;
    let radius_mm = p.x.hypot(p.y);
    let root_mm = incision_mm.x.hypot(incision_mm.y) - model.needle.outer_radius_mm;
    let most_mm = root_mm.max(from.x.hypot(from.y));
    if radius_mm > most_mm {
        (p.x, p.y) = (p.x * most_mm / radius_mm, p.y * most_mm / radius_mm);
    }
    let over_mm = |q: &Vector3<f64>| (OFF_CORNEA_MM - model.to_cornea_mm(q)).max(0.0);
    p.z -= (over_mm(&p) - over_mm(from)).max(0.0);
    let floor_mm = -model.field.shape.back_mm - BEHIND_CAPSULE_MM;
    p.z = p.z.max(floor_mm.min(from.z));
    p
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::case::{Resolution, compile, parse_case};
    use crate::sim::event::EventKind;
    use crate::sim::step;
    use crate::units::radians;

    fn model(cell_mm: f64) -> Model {
        let case = parse_case("case.ron", include_str!("../../../scenarios/long-eye-dense-core.ron")).unwrap();
        compile(&case.spec, 1, Resolution { cell_mm, ..Resolution::default() }).unwrap().model
    }

    /// Hands at work: a case, its state, and what is asked until it is asked otherwise.
    struct Work {
        model: Model,
        state: State,
        free: Freehand,
        controls: Controls,
    }

    impl Work {
        fn new(cell_mm: f64) -> Self {
            let model = model(cell_mm);
            let mut free = Freehand::of(Hands::ready(&model), PedalCalibration::default());
            free.hands_mut().power_limit = 0.6;
            free.hands_mut().machine.vacuum_limit_pa = pa_from_mmhg(275.0);
            Self { state: State::new(&model), model, free, controls: Controls::default() }
        }

        fn tick(&mut self) -> Inputs {
            let inputs = self.free.tick(&self.model, &self.state, &self.controls, self.model.tick_s);
            self.controls.spend();
            step(&self.model, &mut self.state, &inputs);
            assert_eq!(self.state.fault, None);
            inputs
        }

        fn ticks(&mut self, count: u32) {
            (0..count).for_each(|_| _ = self.tick());
        }

        /// Move the mouse until the tip is over a place, as a hand does that sees where it is.
        fn tip_to(&mut self, x: f64, y: f64) {
            for _ in 0..240 {
                let at = self.free.hands().needle_mm;
                self.controls.motion_mm = [0.1 * (x - at.x), 0.1 * (y - at.y)];
                self.tick();
            }
            let at = self.free.hands().needle_mm;
            assert!((at.x - x).hypot(at.y - y) < 0.05, "{at:?}");
        }

        /// The same with the chopper.
        fn chopper_to(&mut self, x: f64, y: f64) {
            self.controls.moves_chopper = true;
            for _ in 0..240 {
                let (_, at, _) = self.free.hands().chopper.unwrap();
                self.controls.motion_mm = [0.1 * (x - at.x), 0.1 * (y - at.y)];
                self.tick();
            }
            self.controls.moves_chopper = false;
        }

        fn buried_mm(&self) -> f64 {
            self.state.needle.as_ref().map_or(0.0, |n| n.buried_mm)
        }

        /// From the incision over the lens, the tip at an angle, and into the core with ultrasound.
        fn bury(&mut self) {
            // So far back that the shaft's line meets the middle of the core at the depth meant.
            let core_mm = self.model.field.core.anterior_z_mm(0.0, 0.0).unwrap() + self.state.lens.raised_mm;
            let back_mm = (self.free.hands().needle_mm.z - core_mm + 1.6) / radians(40.0).tan();
            self.tip_to(-back_mm.min(3.8) * self.side(), 0.0);
            self.controls.steepen = 1.0;
            while self.free.hands().elevation_rad < radians(40.0) {
                self.tick();
            }
            self.controls.steepen = 0.0;
            self.controls.pedal_to = Some(3);
            self.ticks(120);
            self.controls.along = 0.6;
            for _ in 0..1200 {
                self.tick();
                let needle = self.state.needle.as_ref().unwrap();
                if needle.depth_mm.is_some_and(|d| d > 1.5) {
                    break;
                }
            }
            self.controls.along = 0.0;
            self.controls.pedal_to = Some(2);
        }

        /// On which side of the eye the needle goes forward: +1 toward +x.
        fn side(&self) -> f64 {
            -self.model.main_incision.place_mm.x.signum()
        }
    }

    #[test]
    fn free_hands_bury_hold_and_chop_a_dense_core() {
        let mut work = Work::new(0.25);
        work.bury();
        assert!(work.buried_mm() > 1.0, "{}", work.buried_mm());
        assert!(work.state.needle.as_ref().unwrap().is_in_core);
        work.ticks(240);
        let mmhg = mmhg_from_pa(work.state.circuit.vacuum_pa());
        assert!(mmhg > 0.8 * 275.0, "vacuum builds up in position 2: {mmhg}");

        work.controls.takes = Some(ChopperEnd::Pointed);
        work.ticks(2);
        let (ahead, left) = work.free.hands().level_axes(&work.model);
        let goal = work.free.hands().needle_mm + ahead * 0.5 + left * 0.5;
        work.chopper_to(goal.x, goal.y);
        work.controls.deeper = 1.0;
        while work.free.hands().chopper.unwrap().1.z > goal.z {
            work.tick();
        }
        work.controls.deeper = 0.0;
        assert!(work.state.chopper.as_ref().unwrap().is_in_lens);
        work.controls.part = 1.0;
        work.ticks(240);
        work.controls.part = 0.0;
        let has = |is_meant: fn(&EventKind) -> bool| work.state.events.iter().any(|e| is_meant(&e.kind));
        assert!(has(|k| matches!(k, EventKind::ChopStarted(_))), "{:?}", work.state.events);
        assert!(work.state.lens.is_cracked);
    }

    #[test]
    fn the_same_controls_give_the_same_inputs() {
        let run = || {
            let mut work = Work::new(0.5);
            work.controls = Controls { along: 0.7, tip: [0.4, -0.2], roll: 0.3, pedal: 1.0, ..Controls::default() };
            (0..360).map(|_| work.tick()).collect::<Vec<Inputs>>()
        };
        assert!(run() == run());
    }

    #[test]
    fn a_hand_is_no_faster_than_a_hand_and_stops_soon_after_the_mouse() {
        let mut work = Work::new(0.5);
        work.controls.motion_mm = [500.0 * work.side(), 0.0];
        let from = work.free.hands().needle_mm;
        let mut last = from;
        for tick in 0..240 {
            work.tick();
            let now = work.free.hands().needle_mm;
            assert!((now - last).norm() <= FREE_SPEED_MM_S * work.model.tick_s + 1e-9);
            assert!(tick < 64 || now == last, "still moving after {tick} ticks");
            last = now;
        }
        assert!((last - from).norm() > 1.5, "{from:?} {last:?}");
        // In fine motion the same mouse moves it a quarter as far.
        let from = last;
        work.controls.is_fine = true;
        work.controls.motion_mm = [0.4 * work.side(), 0.0];
        work.ticks(60);
        assert!(((work.free.hands().needle_mm - from).norm() - 0.1).abs() < 1e-6);
    }

    #[test]
    fn a_hand_that_presses_without_ultrasound_yields_instead_of_shoving_the_lens() {
        let mut work = Work::new(0.5);
        work.tip_to(0.0, 0.0);
        work.controls.steepen = 1.0;
        work.ticks(360);
        work.controls.steepen = 0.0;
        work.controls.along = 1.0;
        let mut most = 0.0f64;
        for _ in 0..960 {
            // The mouse pushes too, as hard as it likes.
            work.controls.along_mm = 5.0;
            work.tick();
            most = most.max(work.state.lens.pushed_mm.norm());
        }
        assert!(work.buried_mm() > 0.0, "it has met the lens");
        assert!(most > 0.1 && most < MOST_PUSH_MM + 0.05, "{most}");
    }

    #[test]
    fn instruments_stay_within_the_eye_wherever_they_are_pushed() {
        let mut work = Work::new(0.5);
        work.controls.takes = Some(ChopperEnd::Blunt);
        work.tick();
        let model = work.model.clone();
        let start_mm = [work.free.hands().needle_mm, work.free.hands().chopper.unwrap().1];
        let off_mm = start_mm.map(|p| model.to_cornea_mm(&p).min(OFF_CORNEA_MM));
        for (tip, along) in [([1.0, 1.0], 1.0), ([-1.0, 1.0], -1.0), ([1.0, -1.0], 1.0), ([-1.0, -1.0], -1.0)] {
            work.controls = Controls { tip, along, deeper: -along, up: [0.0, 0.6, 0.8], ..Controls::default() };
            for moves_chopper in [false, true] {
                work.controls.moves_chopper = moves_chopper;
                for _ in 0..480 {
                    work.tick();
                    let places = [work.free.hands().needle_mm, work.free.hands().chopper.unwrap().1];
                    for (p, off_mm) in places.iter().zip(off_mm) {
                        assert!(model.to_cornea_mm(p) > off_mm - 1e-6, "{p:?}");
                        assert!(p.x.hypot(p.y) < 5.0 && p.z > -model.field.shape.back_mm - 2.1, "{p:?}");
                    }
                }
            }
        }
        let (least, most) = ELEVATION_RANGE_RAD;
        for (steepen, bound) in [(1.0, most), (-1.0, least)] {
            work.controls = Controls { steepen, ..Controls::default() };
            work.ticks(720);
            assert_eq!(work.free.hands().elevation_rad, bound);
        }
    }

    #[test]
    fn withdrawn_at_its_incision_the_needle_leaves_the_eye_and_comes_back() {
        let mut work = Work::new(0.5);
        work.ticks(10);
        work.controls.along = -1.0;
        work.ticks(480);
        let out = work.free.hands().pose(&work.model);
        assert!((out.insertion_mm + OUT_MM).abs() < 1e-9, "{out:?}");
        let place_mm = work.free.hands().needle_mm;
        work.controls.along = 1.0;
        work.controls.tip = [work.side(), 0.0];
        work.ticks(120);
        assert_eq!(work.free.hands().needle_mm, place_mm, "on its way in it is not moved aside");
        work.ticks(600);
        assert_eq!(work.free.hands().drawn_mm, 0.0);
        assert_ne!(work.free.hands().needle_mm, place_mm);
    }

    #[test]
    fn choppers_come_in_change_and_go_out_while_the_needle_stays_free() {
        let mut work = Work::new(0.5);
        let end = |work: &Work| work.free.hands().chopper.map(|(end, _, _)| end);
        work.controls.takes = Some(ChopperEnd::Pointed);
        work.tick();
        assert_eq!(end(&work), Some(ChopperEnd::Pointed));
        work.controls.takes = Some(ChopperEnd::Blunt);
        let from = work.free.hands().needle_mm;
        work.controls.tip = [0.5 * work.side(), 0.0];
        work.ticks(120);
        assert_eq!(end(&work), Some(ChopperEnd::Blunt));
        assert!((work.free.hands().needle_mm - from).norm() > 0.5);
        work.controls.rolls_chopper = true;
        work.ticks(240);
        assert_eq!(work.free.hands().chopper.unwrap().2, 0.0, "from flat to upright");
        work.controls.takes = Some(ChopperEnd::Blunt);
        work.ticks(120);
        assert_eq!(end(&work), None);
    }

    #[test]
    fn a_guarding_chopper_follows_the_tip_until_it_is_asked_elsewhere() {
        let mut work = Work::new(0.5);
        // Over the lens, high enough for a chopper below it to clear the capsule.
        work.tip_to(0.0, 0.0);
        work.controls.guards = true;
        work.ticks(600);
        let below = |work: &Work| work.free.hands().needle_mm - work.free.hands().chopper.unwrap().1;
        assert!((below(&work) - Vector3::z() * GUARD_MM).norm() < 0.02, "{:?}", below(&work));
        work.tip_to(0.6, 0.5);
        assert!((below(&work) - Vector3::z() * GUARD_MM).norm() < 0.02, "{:?}", below(&work));
        work.controls.deeper = -0.5;
        work.ticks(24);
        assert_eq!(work.free.hands().guard_mm, None);
        assert!(below(&work).z < GUARD_MM - 0.05);
    }

    #[test]
    fn the_last_device_that_moved_has_the_foot() {
        let mut work = Work::new(0.5);
        let calibration = PedalCalibration::default();
        work.controls.device_foot = Some(calibration.read(0.0, None));
        work.ticks(5);
        assert_eq!(work.free.hands().foot.pedal.position, 1, "a pedal found at rest leaves the foot where it is");
        work.controls.device_foot = Some(calibration.read(0.9, None));
        let inputs = work.tick();
        assert_eq!((inputs.pedal.position, work.free.hands().foot), (3, calibration.read(0.9, None)));
        work.controls.pedal_to = Some(1);
        work.ticks(240);
        assert_eq!(work.free.hands().foot, Foot::full(1));
        work.controls.device_foot = Some(calibration.read(0.6, None));
        work.tick();
        assert_eq!(work.free.hands().foot.pedal.position, 2);
        // To stop and call takes the foot back to infusion, whoever had it.
        work.controls.calls = true;
        assert!(work.tick().calls);
        assert!(!work.tick().calls, "once");
        work.ticks(240);
        assert_eq!(work.free.hands().foot, Foot::full(1));
        work.controls.reflux = true;
        let inputs = work.tick();
        assert!(inputs.reflux && inputs.pedal.position == 1);
    }

    #[test]
    fn settings_change_in_whole_steps_within_their_limits() {
        let mut work = Work::new(0.5);
        work.free.limits.vacuum_mmhg = (50.0, 300.0);
        let mmhg = |work: &Work| mmhg_from_pa(work.free.hands().machine.vacuum_limit_pa);
        work.controls.steps = [1, -1, 2];
        let bottle_cm = cm_from_pa(work.free.hands().machine.bottle_pa);
        work.tick();
        // 275 lies between two steps.
        assert!((mmhg(&work) - 290.0).abs() < 1e-9, "{}", mmhg(&work));
        assert!((work.free.hands().power_limit - 0.7).abs() < 1e-12);
        let lowered_cm = bottle_cm - cm_from_pa(work.free.hands().machine.bottle_pa);
        assert!((2.5..=7.5).contains(&lowered_cm), "{lowered_cm}");
        work.controls.steps = [9, 0, 99];
        work.tick();
        assert!((mmhg(&work) - 300.0).abs() < 1e-9 && work.free.hands().power_limit == 1.0);
    }

    #[test]
    fn the_bevel_is_turned_by_one_press_and_the_nucleus_as_long_as_it_is_asked() {
        let mut work = Work::new(0.5);
        work.controls.turns_bevel = true;
        work.ticks(240);
        assert_eq!(work.free.hands().roll_rad, PI);
        work.controls.turns_bevel = true;
        work.ticks(240);
        assert_eq!(work.free.hands().roll_rad, 0.0);
        work.controls.turn = 0.5;
        assert_eq!(work.tick().turn_rad_s, 0.5 * TURN_SPEED_RAD_S);
        work.controls.turn = 0.0;
        work.controls.inject = Some(Injected::Dispersive);
        let inputs = work.tick();
        assert_eq!(inputs.turn_rad_s, 0.0);
        let filled = Syringe::Chamber { what: Injected::Dispersive, flow_ul_s: INJECTION_UL_S };
        assert_eq!(inputs.syringe, Some(filled));
    }
}
