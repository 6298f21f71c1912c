//! The pedal: one analogue travel over positions 0 to 3.
//!
//! A device gives a raw reading; calibration makes of it a travel from 0 (foot off) to 1 (all the way down); detents cut the
//! travel into positions, in each of which the share runs from 0 to 1. A dual-linear pedal also swings sideways: then its
//! way down is infusion and vacuum, and the swing is power. Keys press and release the travel at the rate of a foot, which
//! rests a moment at each detent so that it can be stopped there.
//!
//! Invariants: travel and shares lie in 0..1 whatever is read; a deeper foot never asks for less. Limits: no force
//! feedback, so that a detent of the device itself may lie elsewhere.

use crate::plan::Foot;
use crate::sim::hands::Pedal;
use bevy::ecs::resource::Resource;
use serde::{Deserialize, Serialize};

/// Rate at which a pressed key moves the foot, travels a second (A: the whole way in about a second and a half).
pub const KEY_TRAVEL_S: f64 = 0.7;

/// Rate at which the foot goes to a position that was asked for by its number, travels a second (A).
pub const STEP_TRAVEL_S: f64 = 3.0;

/// Time for which a foot moved by a key rests at a detent, s (A).
pub const DETENT_REST_S: f64 = 0.25;

/// Least difference of two raw readings that can be told apart.
const LEAST_SPAN: f64 = 1e-3;

/// One axis of a device: what it reads at rest and at its end.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct AxisCalibration {
    /// Raw reading with the foot off.
    pub rest: f64,
    /// Raw reading at the end of the way; may be smaller than at rest.
    pub full: f64,
    /// Share of the way from rest that counts as rest, 0..0.9.
    pub dead_zone: f64,
}

impl Default for AxisCalibration {
    fn default() -> Self {
        Self { rest: 0.0, full: 1.0, dead_zone: 0.05 }
    }
}

impl AxisCalibration {
    /// Share of the way, 0..1, of a raw reading.
    pub fn travel(&self, raw: f64) -> f64 {
        let span = self.full - self.rest;
        if span.abs() < LEAST_SPAN || !raw.is_finite() {
            return 0.0;
        }
        let way = ((raw - self.rest) / span).clamp(0.0, 1.0);
        let dead = self.dead_zone.clamp(0.0, 0.9);
        ((way - dead) / (1.0 - dead)).max(0.0)
    }

    /// Learn rest and end from what was read while the foot was off and while it was all the way down; `None` where the two
    /// cannot be told apart.
    pub fn learn(&self, rest: f64, full: f64) -> Option<Self> {
        ((full - rest).abs() >= LEAST_SPAN).then_some(Self { rest, full, ..*self })
    }
}

/// How a pedal's readings become positions.
#[derive(Clone, Debug, PartialEq, Resource, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct PedalCalibration {
    /// The way down.
    pub down: AxisCalibration,
    /// The swing sideways of a dual-linear pedal; `None` for a pedal that only goes down.
    pub sideways: Option<AxisCalibration>,
    /// Travel up to which the pedal is in position 0, in 1 and in 2, each 0..1 and none smaller than the one before. On a
    /// dual-linear pedal the last does not count: position 2 goes on to the end.
    pub detents: [f64; 3],
}

impl Default for PedalCalibration {
    fn default() -> Self {
        Self { down: AxisCalibration::default(), sideways: None, detents: [0.05, 0.35, 0.67] }
    }
}

impl PedalCalibration {
    /// The detents, put in order where they are not.
    fn ordered(&self) -> [f64; 3] {
        let first = self.detents[0].clamp(0.0, 1.0);
        let second = self.detents[1].clamp(first, 1.0);
        [first, second, self.detents[2].clamp(second, 1.0)]
    }

    /// Where a position begins and ends on the way down of a pedal that only goes down, travel 0..1.
    pub fn range(&self, position: u8) -> (f64, f64) {
        let [first, second, third] = self.ordered();
        match position {
            0 => (0.0, first),
            1 => (first, second),
            2 => (second, third),
            _ => (third, 1.0),
        }
    }

    /// What a foot does that is so far down, 0..1, on a pedal that only goes down. At a detent it is at the end of the
    /// position before.
    pub fn foot(&self, travel: f64) -> Foot {
        let travel = travel.clamp(0.0, 1.0);
        let position = self.ordered().iter().filter(|end| travel > **end).count() as u8;
        Foot { pedal: Pedal { position, share: share(travel, self.range(position)) }, power_share: None }
    }

    /// The same on a dual-linear pedal: so far down, so far sideways, each 0..1. Power needs aspiration: with the foot less
    /// far down than position 2 the swing does nothing.
    pub fn dual_foot(&self, travel: f64, swing: f64) -> Foot {
        let (travel, swing) = (travel.clamp(0.0, 1.0), swing.clamp(0.0, 1.0));
        let [_, second, _] = self.ordered();
        if travel <= second {
            return self.foot(travel);
        }
        let share = share(travel, (second, 1.0));
        if swing > 0.0 {
            Foot { pedal: Pedal { position: 3, share }, power_share: Some(swing) }
        } else {
            Foot { pedal: Pedal { position: 2, share }, power_share: None }
        }
    }

    /// How far down a foot is that does this, 0..1, on a pedal that only goes down.
    pub fn travel(&self, foot: &Foot) -> f64 {
        let (begin, end) = self.range(foot.pedal.position);
        begin + (end - begin) * foot.pedal.share.clamp(0.0, 1.0)
    }

    /// What a device's readings ask of the foot: the raw way down and, where it has one, the raw swing.
    pub fn read(&self, down_raw: f64, sideways_raw: Option<f64>) -> Foot {
        let travel = self.down.travel(down_raw);
        match (self.sideways, sideways_raw) {
            (Some(sideways), Some(raw)) => self.dual_foot(travel, sideways.travel(raw)),
            _ => self.foot(travel),
        }
    }
}

/// Share of a stretch of travel that is done; all of it where it has no length.
fn share(travel: f64, (begin, end): (f64, f64)) -> f64 {
    if end - begin < 1e-9 { 1.0 } else { ((travel - begin) / (end - begin)).clamp(0.0, 1.0) }
}

/// A foot that keys move.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct KeyedPedal {
    /// How far it is down, 0..1.
    pub travel: f64,
    /// Where it is going of itself, 0..1.
    goal: Option<f64>,
    /// Time for which it still rests at a detent, s.
    rests_s: f64,
}

impl KeyedPedal {
    /// A foot so far down, 0..1.
    pub fn at(travel: f64) -> Self {
        Self { travel: travel.clamp(0.0, 1.0), goal: None, rests_s: 0.0 }
    }

    /// From now on it goes to the end of a position, 0–3, of itself.
    pub fn go_to(&mut self, calibration: &PedalCalibration, position: u8) {
        // Position 0 is the foot off, not just short of position 1.
        self.goal = Some(if position == 0 { 0.0 } else { calibration.range(position).1 });
        self.rests_s = 0.0;
    }

    /// A tick: pressed (up to 1) or released (down to −1) at a share of the keys' rate, or on its way to where it goes.
    pub fn advance(&mut self, calibration: &PedalCalibration, rate: f64, dt_s: f64) {
        if rate == 0.0 {
            self.rests_s = 0.0;
            if let Some(goal) = self.goal {
                let step = STEP_TRAVEL_S * dt_s;
                self.travel += (goal - self.travel).clamp(-step, step);
                if (goal - self.travel).abs() < 1e-12 {
                    (self.travel, self.goal) = (goal, None);
                }
            }
            return;
        }
        self.goal = None;
        if self.rests_s > 0.0 {
            self.rests_s -= dt_s;
            return;
        }
        let before = self.travel;
        self.travel = (before + rate.clamp(-1.0, 1.0) * KEY_TRAVEL_S * dt_s).clamp(0.0, 1.0);
        let passed = |d: &f64| (before < *d && *d <= self.travel) || (self.travel <= *d && *d < before);
        if let Some(detent) = calibration.ordered().into_iter().find(passed) {
            (self.travel, self.rests_s) = (detent, DETENT_REST_S);
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    /// How much a foot asks for: position and share as one number.
    fn asked(foot: Foot) -> f64 {
        f64::from(foot.pedal.position) + foot.pedal.share
    }

    #[test]
    fn a_deeper_foot_never_asks_for_less_and_reaches_every_position() {
        let pedal = PedalCalibration::default();
        let feet: Vec<Foot> = (0..=1000).map(|i| pedal.foot(f64::from(i) / 1000.0)).collect();
        assert!(feet.windows(2).all(|w| asked(w[0]) <= asked(w[1])));
        for position in 0..=3 {
            assert!(feet.iter().any(|f| f.pedal.position == position), "{position}");
        }
        assert!(feet.iter().all(|f| (0.0..=1.0).contains(&f.pedal.share) && f.power_share.is_none()));
        assert_eq!(feet[1000], Foot::full(3));
    }

    #[test]
    fn a_detent_is_the_end_of_the_position_before_it() {
        let pedal = PedalCalibration { detents: [0.1, 0.4, 0.7], ..PedalCalibration::default() };
        for (position, detent) in (0..).zip(pedal.detents) {
            assert_eq!(pedal.foot(detent), Foot::full(position));
            let beyond = pedal.foot(detent + 1e-6).pedal;
            assert_eq!(beyond.position, position + 1);
            assert!(beyond.share < 1e-4);
        }
        let half = pedal.foot(0.55).pedal;
        assert!(half.position == 2 && (half.share - 0.5).abs() < 1e-9, "{half:?}");
    }

    #[test]
    fn detents_out_of_order_are_put_in_order() {
        let pedal = PedalCalibration { detents: [0.6, 0.2, 2.0], ..PedalCalibration::default() };
        assert_eq!(pedal.foot(0.6), Foot::full(0));
        // Position 1 has no length, position 3 neither.
        assert_eq!(pedal.foot(0.61).pedal.position, 2);
        assert_eq!(pedal.foot(1.0), Foot::full(2));
    }

    #[test]
    fn readings_within_the_dead_zone_count_as_rest_and_beyond_the_ends_as_the_ends() {
        let axis = AxisCalibration { rest: 0.2, full: 0.8, dead_zone: 0.1 };
        for raw in [-5.0, 0.2, 0.259] {
            assert_eq!(axis.travel(raw), 0.0, "{raw}");
        }
        assert!(axis.travel(0.27) > 0.0 && axis.travel(0.27) < 0.05);
        for raw in [0.8, 3.0] {
            assert_eq!(axis.travel(raw), 1.0, "{raw}");
        }
        assert_eq!(axis.travel(f64::NAN), 0.0);
        assert_eq!(axis.learn(0.5, 0.5), None);
        assert_eq!(axis.learn(0.0, 1.0).unwrap().dead_zone, 0.1);
    }

    #[test]
    fn an_axis_that_falls_when_pressed_is_turned_round_by_its_calibration() {
        let axis = AxisCalibration { rest: 1.0, full: -1.0, dead_zone: 0.0 };
        let ways = [1.0, 0.5, 0.0, -0.5, -1.0].map(|raw| axis.travel(raw));
        assert_eq!(ways, [0.0, 0.25, 0.5, 0.75, 1.0]);
    }

    #[test]
    fn on_a_dual_linear_pedal_the_way_down_is_vacuum_and_the_swing_is_power() {
        let pedal = PedalCalibration {
            sideways: Some(AxisCalibration { dead_zone: 0.0, ..AxisCalibration::default() }),
            down: AxisCalibration { dead_zone: 0.0, ..AxisCalibration::default() },
            detents: [0.1, 0.4, 0.7],
        };
        let both = pedal.read(0.7, Some(0.3));
        assert_eq!(both.pedal.position, 3);
        assert!((both.pedal.share - 0.5).abs() < 1e-9 && both.power_share == Some(0.3), "{both:?}");
        let vacuum = pedal.read(0.7, Some(0.0));
        assert!(vacuum.pedal.position == 2 && (vacuum.pedal.share - 0.5).abs() < 1e-9, "{vacuum:?}");
        assert_eq!(pedal.read(1.0, Some(0.0)), Foot::full(2));
        // Without aspiration no power.
        assert_eq!(pedal.read(0.3, Some(1.0)).pedal.position, 1);
        assert_eq!(pedal.read(0.3, Some(1.0)).power_share, None);
    }

    #[test]
    fn a_held_key_presses_the_foot_down_at_its_rate_and_rests_at_each_detent() {
        let pedal = PedalCalibration::default();
        let mut foot = KeyedPedal::at(pedal.range(1).1);
        let (mut at_detent, mut last) = (0, foot.travel);
        for _ in 0..480 {
            foot.advance(&pedal, 1.0, 1.0 / 240.0);
            assert!(foot.travel >= last);
            at_detent += u32::from(foot.travel == last && foot.travel == pedal.detents[2]);
            last = foot.travel;
        }
        assert_eq!(foot.travel, 1.0);
        assert!((55..=65).contains(&at_detent), "a quarter of a second: {at_detent}");
        // Let go at a detent, it stays there; released, it comes up.
        let mut foot = KeyedPedal::at(pedal.range(2).1);
        foot.advance(&pedal, 0.0, 0.1);
        assert_eq!(pedal.foot(foot.travel), Foot::full(2));
        foot.advance(&pedal, -1.0, 0.1);
        assert!((foot.travel - (0.67 - 0.07)).abs() < 1e-9, "{foot:?}");
    }

    #[test]
    fn a_foot_sent_to_a_position_comes_to_its_end_and_stays() {
        let pedal = PedalCalibration::default();
        let mut foot = KeyedPedal::at(pedal.range(1).1);
        for (position, wanted) in [(3, Foot::full(3)), (2, Foot::full(2)), (1, Foot::full(1))] {
            foot.go_to(&pedal, position);
            (0..240).for_each(|_| foot.advance(&pedal, 0.0, 1.0 / 240.0));
            assert_eq!(pedal.foot(foot.travel), wanted);
        }
        foot.go_to(&pedal, 0);
        (0..240).for_each(|_| foot.advance(&pedal, 0.0, 1.0 / 240.0));
        assert_eq!((foot.travel, pedal.foot(foot.travel).pedal.position), (0.0, 0));
    }
}
