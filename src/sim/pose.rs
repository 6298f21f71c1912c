//! Where a fragment is: a turn and a displacement from the lens at rest to the eye.
//!
//! A turn is a unit quaternion (w, x, y, z). Only sums and products are used, so the same bits come out everywhere; a
//! turn is brought back to unit length whenever it is composed. mm, rad.

use crate::sim::hands::Tip;
use nalgebra::Vector3;
use serde::{Deserialize, Serialize};

/// A rigid motion: `eye = turn · rest + place_mm`.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Pose {
    /// Unit quaternion, scalar first.
    pub turn: [f64; 4],
    /// Where the lens's centre at rest has come to, mm.
    pub place_mm: Vector3<f64>,
}

impl Pose {
    /// At rest.
    pub const REST: Self = Self { turn: [1.0, 0.0, 0.0, 0.0], place_mm: Vector3::new(0.0, 0.0, 0.0) };

    /// Turned about +z by an angle, rad, and displaced.
    pub fn about_axis(angle_rad: f64, place_mm: Vector3<f64>) -> Self {
        Self { turn: [libm::cos(0.5 * angle_rad), 0.0, 0.0, libm::sin(0.5 * angle_rad)], place_mm }
    }

    /// A small turn given as a rotation vector, rad, about the lens's centre, then a displacement.
    pub fn small(turn_rad: &Vector3<f64>, place_mm: Vector3<f64>) -> Self {
        let half = turn_rad * 0.5;
        Self { turn: unit([1.0, half.x, half.y, half.z]), place_mm }
    }

    /// A place of the lens in the eye.
    pub fn to_eye(&self, p: &Vector3<f64>) -> Vector3<f64> {
        self.direction_to_eye(p) + self.place_mm
    }

    /// A place of the eye in the lens's frame at rest.
    pub fn from_eye(&self, p: &Vector3<f64>) -> Vector3<f64> {
        self.direction_from_eye(&(p - self.place_mm))
    }

    /// A direction of the lens in the eye.
    pub fn direction_to_eye(&self, d: &Vector3<f64>) -> Vector3<f64> {
        let [w, x, y, z] = self.turn;
        rotated(w, &Vector3::new(x, y, z), d)
    }

    /// A direction of the eye in the lens's frame at rest.
    pub fn direction_from_eye(&self, d: &Vector3<f64>) -> Vector3<f64> {
        let [w, x, y, z] = self.turn;
        rotated(w, &Vector3::new(-x, -y, -z), d)
    }

    /// A needle's tip in the lens's frame at rest.
    pub fn tip_from_eye(&self, tip: &Tip) -> Tip {
        let (place_mm, forward) = (self.from_eye(&tip.place_mm), self.direction_from_eye(&tip.forward));
        Tip { place_mm, forward, roll_rad: tip.roll_rad }
    }

    /// First `inner`, then `self`.
    pub fn after(&self, inner: &Self) -> Self {
        let ([a, b, c, d], [e, f, g, h]) = (self.turn, inner.turn);
        let turn = [
            a * e - b * f - c * g - d * h,
            a * f + b * e + c * h - d * g,
            a * g - b * h + c * e + d * f,
            a * h + b * g - c * f + d * e,
        ];
        Self { turn: unit(turn), place_mm: self.to_eye(&inner.place_mm) }
    }

    /// Is every number finite and the turn of unit length (to 1e-6)?
    pub fn is_sound(&self) -> bool {
        let norm2: f64 = self.turn.iter().map(|q| q * q).sum();
        (norm2 - 1.0).abs() < 1e-6 && self.place_mm.iter().all(|c| c.is_finite())
    }
}

/// v + 2·u × (u × v + w·v).
fn rotated(w: f64, u: &Vector3<f64>, v: &Vector3<f64>) -> Vector3<f64> {
    v + u.cross(&(u.cross(v) + v * w)) * 2.0
}

fn unit(turn: [f64; 4]) -> [f64; 4] {
    let norm = turn.iter().map(|q| q * q).sum::<f64>().sqrt();
    if norm > 0.0 { turn.map(|q| q / norm) } else { Pose::REST.turn }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn there_and_back_is_the_same_place() {
        let small = Pose::small(&Vector3::new(0.1, -0.2, 0.05), Vector3::new(0.3, 0.0, -1.0));
        let pose = Pose::about_axis(1.1, Vector3::new(0.2, -0.4, 0.1)).after(&small);
        let p = Vector3::new(1.0, 2.0, -0.5);
        assert!((pose.from_eye(&pose.to_eye(&p)) - p).norm() < 1e-14);
        assert!(pose.is_sound());
    }

    #[test]
    fn a_quarter_turn_takes_3_o_clock_to_12() {
        let pose = Pose::about_axis(core::f64::consts::FRAC_PI_2, Vector3::zeros());
        assert!((pose.to_eye(&Vector3::x()) - Vector3::y()).norm() < 1e-15);
    }

    #[test]
    fn composing_is_doing_one_after_the_other() {
        let (a, b) = (Pose::about_axis(0.7, Vector3::x()), Pose::small(&Vector3::new(0.3, 0.2, 0.1), Vector3::y()));
        let p = Vector3::new(0.4, -0.3, 1.2);
        assert!((a.after(&b).to_eye(&p) - a.to_eye(&b.to_eye(&p))).norm() < 1e-14);
    }
}
