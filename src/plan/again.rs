//! What was recorded, done again: the movements themselves, where no intention is told (`recall`), by hands that miss a little
//! and perhaps with one thing otherwise.
//!
//! Poses, foot, machine and syringe follow the record tick by tick. A hand that misses lies beside its recorded place by an
//! error that wanders: a normal number of the scatter's spread every second, joined smoothly, none at the beginning; it is faster
//! or slower by one share throughout and injects more or less by another. Turning and injecting come to the same angle and volume
//! at any pace. Each error is a pure function of seed, channel and place in the record. mm, rad, Pa, ticks.
//!
//! Limits: these hands do not look. What moves otherwise than it did is not followed, so that a run means less the longer it is
//! and the more has changed; how often the same comes of the same says how much that is.

use crate::plan::Scatter;
use crate::plan::hands::{FREE_SPEED_MM_S, Foot, Hands};
use crate::sim::hands::{Blade, ELEVATION_RANGE_RAD, HandPose};
use crate::sim::random::{Key, Purpose};
use crate::sim::{Inputs, Model, Syringe};
use crate::units::radians;
use nalgebra::Vector3;
use std::sync::Arc;

/// Time from one free error to the next, s (A: an unhurried hand corrects itself about once a second).
const WANDERS_S: f64 = 1.0;

/// Time in which a hand comes to hold otherwise, s (A).
const COMES_S: f64 = 0.5;

/// Lengths in the eye from which and up to which a needle comes to be held otherwise, mm: what is hardly in has no tip to place, and
/// what goes in or out does not jump (A).
const IN_EYE_MM: [f64; 2] = [2.0, 5.0];

/// What is done otherwise than recorded.
#[derive(Clone, Debug, PartialEq)]
pub struct Otherwise {
    /// The tip so far beside its place.
    pub shift_mm: Vector3<f64>,
    /// The chopper's point so far beside its place.
    pub chopper_mm: Vector3<f64>,
    /// The shaft so much steeper.
    pub steeper_rad: f64,
    /// The needle so turned about its shaft.
    pub roll_rad: f64,
    /// The foot here, all the way.
    pub position: Option<u8>,
    /// Vacuum limit.
    pub vacuum_pa: Option<f64>,
    /// Pressure of the bottle's head.
    pub bottle_pa: Option<f64>,
    /// So many times as fast.
    pub pace: f64,
    /// So many times as much injected.
    pub volume: f64,
}

impl Default for Otherwise {
    fn default() -> Self {
        Self {
            shift_mm: Vector3::zeros(),
            chopper_mm: Vector3::zeros(),
            steeper_rad: 0.0,
            roll_rad: 0.0,
            position: None,
            vacuum_pa: None,
            bottle_pa: None,
            pace: 1.0,
            volume: 1.0,
        }
    }
}

/// A stretch of a record, to be done again.
#[derive(Clone, Debug, PartialEq)]
pub struct Again {
    /// The inputs, tick by tick.
    pub inputs: Arc<[Inputs]>,
    /// What is otherwise.
    pub otherwise: Otherwise,
}

/// It under way.
#[derive(Clone, Debug)]
pub struct Repeater {
    again: Again,
    errors: Option<(Scatter, u64)>,
    /// Where in the record, ticks.
    at: f64,
    /// Ticks of the record a tick.
    pace: f64,
    volume: f64,
    /// How far the tip still is from where the record begins, mm.
    away_mm: Vector3<f64>,
}

/// Channels of a hand's errors.
const NEEDLE: i32 = 0;
const ELEVATION: i32 = 3;
const CHOPPER: i32 = 4;
const PACE: i32 = 7;
const VOLUME: i32 = 8;

impl Again {
    /// As nearly as hands of a scatter do it, for this seed; exactly, without. `from`: hands that stand elsewhere first go to where
    /// the record begins, on the way.
    pub fn by(&self, errors: Option<(Scatter, u64)>, model: &Model, from: Option<&Hands>) -> Repeater {
        let share = |channel| {
            let error = errors.map_or(0.0, |(scatter, seed)| scatter.share * knot(seed, channel, 1));
            1.0 + error.clamp(-0.5, 0.5)
        };
        let begins = self.inputs.first().map(|inputs| inputs.needle.end_mm(&model.main_incision));
        let away_mm = from.zip(begins).map_or(Vector3::zeros(), |(hands, begins)| hands.needle_mm - begins);
        Repeater {
            at: 0.0,
            pace: self.otherwise.pace / share(PACE),
            volume: self.otherwise.volume * share(VOLUME),
            again: self.clone(),
            errors,
            away_mm,
        }
    }
}

/// A normal number for each full second of a channel; the first is 0.
fn knot(seed: u64, channel: i32, at: i32) -> f64 {
    if at == 0 {
        return 0.0;
    }
    Key { seed, purpose: Purpose::Hands, place: [channel, at, 1], tick: 0 }.normal(0)
}

/// From 0 to 1 without a jerk.
fn smooth(share: f64) -> f64 {
    0.5 - 0.5 * libm::cos(core::f64::consts::PI * share.clamp(0.0, 1.0))
}

fn foot(inputs: &Inputs) -> Foot {
    Foot { pedal: inputs.pedal, power_share: inputs.power_share }
}

fn between(a: &HandPose, b: &HandPose, share: f64) -> HandPose {
    let mix = |a: f64, b: f64| a + (b - a) * share;
    HandPose {
        azimuth_rad: mix(a.azimuth_rad, b.azimuth_rad),
        elevation_rad: mix(a.elevation_rad, b.elevation_rad),
        insertion_mm: mix(a.insertion_mm, b.insertion_mm),
        lift_mm: mix(a.lift_mm, b.lift_mm),
        roll_rad: mix(a.roll_rad, b.roll_rad),
    }
}

impl Repeater {
    /// The inputs of the next tick; `None` when the record is over.
    pub fn next(&mut self, model: &Model) -> Option<Inputs> {
        let (whole, part) = (libm::floor(self.at), self.at - libm::floor(self.at));
        let mut inputs = self.again.inputs.get(whole as usize)?.clone();
        let next = self.again.inputs.get(whole as usize + 1);
        if let Some(next) = next.filter(|_| part > 0.0) {
            inputs.needle = between(&inputs.needle, &next.needle, part);
            if let (Some((end, pose)), Some((next_end, next))) = (&mut inputs.chopper, &next.chopper)
                && end == next_end
            {
                *pose = between(pose, next, part);
            }
        }
        self.hold_otherwise(model, &mut inputs);
        self.set_otherwise(&mut inputs);
        self.at += self.pace;
        Some(inputs)
    }

    /// By how much a hand misses on a channel.
    fn off(&self, model: &Model, channel: i32, spread: fn(&Scatter) -> f64) -> f64 {
        let Some((scatter, seed)) = &self.errors else { return 0.0 };
        let t = self.at * model.tick_s / WANDERS_S;
        let (before, share) = (libm::floor(t), smooth(t - libm::floor(t)));
        let at = |n: f64| knot(*seed, channel, n as i32);
        spread(scatter) * (at(before) * (1.0 - share) + at(before + 1.0) * share)
    }

    fn missed_mm(&self, model: &Model, channel: i32) -> Vector3<f64> {
        let off = |n, spread: fn(&Scatter) -> f64| self.off(model, channel + n, spread);
        Vector3::new(off(0, |s| s.place_mm), off(1, |s| s.place_mm), off(2, |s| s.depth_mm))
    }

    fn hold_otherwise(&mut self, model: &Model, inputs: &mut Inputs) {
        let otherwise = &self.again.otherwise;
        let share = smooth(self.at * model.tick_s / COMES_S);
        let [hardly_mm, well_mm] = IN_EYE_MM;
        let placed = smooth((inputs.needle.insertion_mm - hardly_mm) / (well_mm - hardly_mm));
        let shift_mm = (otherwise.shift_mm * share + self.missed_mm(model, NEEDLE) + self.away_mm) * placed;
        let steeper_rad =
            (otherwise.steeper_rad * share + self.off(model, ELEVATION, |s| radians(s.angle_deg))) * placed;
        let roll_rad = otherwise.roll_rad * share * placed;
        let is_otherwise = shift_mm != Vector3::zeros() || steeper_rad != 0.0 || roll_rad != 0.0;
        let pose = &mut inputs.needle;
        if is_otherwise {
            let (least, most) = ELEVATION_RANGE_RAD;
            // A hand beyond what is possible is no further out.
            let elevation_rad =
                (pose.elevation_rad + steeper_rad).clamp(least.min(pose.elevation_rad), most.max(pose.elevation_rad));
            let tip_mm = pose.end_mm(&model.main_incision) + shift_mm;
            *pose = HandPose::needle_at(&model.main_incision, &tip_mm, elevation_rad, pose.roll_rad + roll_rad);
        }
        let missed_mm = otherwise.chopper_mm * share + self.missed_mm(model, CHOPPER);
        if let Some((_, pose)) = inputs.chopper.as_mut().filter(|_| missed_mm != Vector3::zeros()) {
            let point_mm = Blade::of(&model.chopper, &model.side_port, pose).point_mm + missed_mm;
            *pose = HandPose::chopper_at(&model.side_port, &model.chopper, &point_mm, pose.roll_rad);
        }
        let left_mm = self.away_mm.norm();
        let step_mm = FREE_SPEED_MM_S * model.tick_s;
        self.away_mm = if left_mm > step_mm { self.away_mm * (1.0 - step_mm / left_mm) } else { Vector3::zeros() };
    }

    fn set_otherwise(&self, inputs: &mut Inputs) {
        let otherwise = &self.again.otherwise;
        let share = foot(inputs).vacuum_limit_share();
        if let Some(position) = otherwise.position {
            Foot { pedal: inputs.pedal, power_share: inputs.power_share } = Foot::full(position);
        }
        if otherwise.position.is_some() || otherwise.vacuum_pa.is_some() {
            let set_pa = if share > 0.0 { inputs.vacuum_limit_pa / share } else { inputs.vacuum_limit_pa };
            let limit_pa = otherwise.vacuum_pa.unwrap_or(set_pa);
            inputs.vacuum_limit_pa = limit_pa * foot(inputs).vacuum_limit_share();
        }
        if let Some(bottle_pa) = otherwise.bottle_pa {
            inputs.bottle_pa = bottle_pa;
        }
        inputs.turn_rad_s *= self.pace;
        let times = self.pace * self.volume;
        inputs.syringe = inputs.syringe.map(|syringe| match syringe {
            Syringe::UnderRim { hour, flow_ul_s } => Syringe::UnderRim { hour, flow_ul_s: flow_ul_s * times },
            Syringe::Chamber { what, flow_ul_s } => Syringe::Chamber { what, flow_ul_s: flow_ul_s * times },
        });
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::case::{Resolution, compile, parse_case};
    use crate::plan::{Performer, parse_plan};
    use crate::sim::{State, step};

    const CASE: &str = include_str!("../../scenarios/weak-zonules.ron");
    const PLAN: &str = include_str!("../../scenarios/weak-zonules.good.plan.ron");

    fn recorded() -> (Model, Again) {
        let spec = parse_case("case.ron", CASE).unwrap().spec;
        let model = compile(&spec, 1, Resolution::default()).unwrap().model;
        let (plan, _) = parse_plan("plan.ron", PLAN).unwrap();
        let (mut state, mut performer, mut inputs) =
            (State::new(&model), Performer::new(&model, &plan), Vec::<Inputs>::new());
        while let Some(next) = performer.next(&model, &state) {
            step(&model, &mut state, &next);
            inputs.push(next);
        }
        (model, Again { inputs: inputs.into(), otherwise: Otherwise::default() })
    }

    fn all(mut repeater: Repeater, model: &Model) -> Vec<Inputs> {
        std::iter::from_fn(|| repeater.next(model)).collect()
    }

    /// Angle turned, rad, and volume injected, µL.
    fn done(inputs: &[Inputs], model: &Model) -> (f64, f64) {
        let flow = |i: &Inputs| i.syringe.map_or(0.0, |s| s.flow_ul_s());
        let sum = |of: &dyn Fn(&Inputs) -> f64| inputs.iter().map(of).sum::<f64>() * model.tick_s;
        (sum(&|i| i.turn_rad_s), sum(&flow))
    }

    #[test]
    fn without_errors_and_changes_it_is_the_record_to_the_bit() {
        let (model, again) = recorded();
        assert_eq!(all(again.by(None, &model, None), &model), again.inputs.to_vec());
    }

    #[test]
    fn hands_that_miss_stay_beside_the_record_by_their_scatter_and_are_the_same_again() {
        let (model, again) = recorded();
        let scatter = Scatter { share: 0.0, ..Scatter::TRAINED };
        let place = |inputs: &Inputs| inputs.needle.end_mm(&model.main_incision);
        let (mut square, mut count) = (0.0, 0.0);
        for seed in 0..20 {
            let run = all(again.by(Some((scatter, seed)), &model, None), &model);
            assert_eq!(run, all(again.by(Some((scatter, seed)), &model, None), &model));
            assert_eq!(run.len(), again.inputs.len());
            let off = |(a, b): (&Inputs, &Inputs)| place(a) - place(b);
            let off: Vec<Vector3<f64>> = run.iter().zip(again.inputs.iter()).map(off).collect();
            assert!(off[0].norm() < 1e-9, "it begins elsewhere: {}", off[0]);
            assert!(off.windows(2).all(|w| (w[1] - w[0]).norm() < 0.01), "it jerks");
            // A needle that is hardly in misses nothing yet.
            let well_in = |(was, o): (&Inputs, &Vector3<f64>)| (was.needle.insertion_mm >= IN_EYE_MM[1]).then_some(o.x);
            let missed: Vec<f64> = again.inputs.iter().zip(&off).filter_map(well_in).collect();
            square += missed.iter().map(|x| x * x).sum::<f64>();
            count += missed.len() as f64;
        }
        // Between two free errors the spread is smaller: half the variance in the middle, three quarters on the whole.
        let spread = (square / count).sqrt() / scatter.place_mm;
        assert!((0.65..1.05).contains(&spread), "{spread}");
    }

    #[test]
    fn at_any_pace_as_much_is_turned_and_injected() {
        let (model, again) = recorded();
        let (turned, injected) = done(&again.inputs, &model);
        assert!(turned.abs() > 0.1 && injected > 50.0);
        for pace in [0.5, 1.3] {
            let with = Again { otherwise: Otherwise { pace, ..Otherwise::default() }, ..again.clone() };
            let run = all(with.by(None, &model, None), &model);
            assert!((run.len() as f64 * pace / again.inputs.len() as f64 - 1.0).abs() < 1e-3);
            let found = done(&run, &model);
            // A tick more or less at either end of each.
            assert!((found.0 / turned - 1.0).abs() < 0.03 && (found.1 / injected - 1.0).abs() < 0.03, "{found:?}");
        }
        let half = Again { otherwise: Otherwise { volume: 0.5, ..Otherwise::default() }, ..again.clone() };
        assert!((done(&all(half.by(None, &model, None), &model), &model).1 / injected - 0.5).abs() < 1e-9);
    }

    #[test]
    fn foot_machine_and_hand_are_as_they_are_asked_to_be() {
        let (model, again) = recorded();
        let otherwise = Otherwise {
            shift_mm: Vector3::new(0.0, 0.0, 0.4),
            steeper_rad: 0.1,
            position: Some(1),
            vacuum_pa: Some(2e4),
            bottle_pa: Some(5e3),
            ..Otherwise::default()
        };
        let run = all(Again { otherwise, ..again.clone() }.by(None, &model, None), &model);
        for (run, was) in run.iter().zip(again.inputs.iter()).skip(240) {
            assert_eq!((run.pedal.position, run.vacuum_limit_pa, run.bottle_pa), (1, 2e4, 5e3));
            if was.needle.insertion_mm >= IN_EYE_MM[1] {
                let rise = run.needle.end_mm(&model.main_incision) - was.needle.end_mm(&model.main_incision);
                assert!((rise - Vector3::new(0.0, 0.0, 0.4)).norm() < 1e-9, "{rise}");
                assert!((run.needle.elevation_rad - was.needle.elevation_rad - 0.1).abs() < 1e-9);
            }
        }
    }
}
