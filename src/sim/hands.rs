//! Needle, chopper and the foot: where they are and what stops them.
//!
//! Both instruments pivot about their incisions. A hand gives azimuth, elevation ('tip angle'), insertion, roll and the
//! lift of the shaft at the incision: the cornea at a wound gives way and the globe is tilted with the hands, so that
//! the height of the shaft there follows the tip angle. The lift is not limited here; the elevation is (5–65°, common
//! practice, no source: brow and cheek).
//!
//! Limits that are real: the shaft comes through the rhexis and cannot pass below its rim; the sleeve ends where the
//! exposed length does. Units mm and radians; eye frame.

use nalgebra::Vector3;
use serde::{Deserialize, Serialize};

/// Radius of the cornea's back, mm (A).
pub const CORNEA_BACK_MM: f64 = 6.6;

/// Least and greatest elevation of a shaft, rad.
pub const ELEVATION_RANGE_RAD: (f64, f64) = (0.0873, 1.1345);

/// The ultrasound needle.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Needle {
    /// Outside radius, mm.
    pub outer_radius_mm: f64,
    /// Radius of the bore, mm.
    pub bore_radius_mm: f64,
    /// Angle between the port's plane and the cross-section, rad.
    pub bevel_rad: f64,
    /// Length that stands out of the sleeve, mm.
    pub exposed_mm: f64,
}

impl Needle {
    /// Area of the bevelled port, mm²: A/cos β.
    pub fn port_area_mm2(&self) -> f64 {
        core::f64::consts::PI * self.bore_radius_mm * self.bore_radius_mm / libm::cos(self.bevel_rad)
    }

    /// Area of the tip's cross-section, mm².
    pub fn section_mm2(&self) -> f64 {
        core::f64::consts::PI * self.outer_radius_mm * self.outer_radius_mm
    }

    /// Points on the bevelled plane of a tip: `share` of the outside radius (1: the lips), counted round the shaft.
    pub fn ring_mm(&self, tip: &Tip, share: f64, count: u32) -> impl Iterator<Item = Vector3<f64>> {
        let (up, across) = tip.cross_axes();
        let (r, slope, middle, forward) =
            (share * self.outer_radius_mm, libm::tan(self.bevel_rad), tip.place_mm, tip.forward);
        (0..count).map(move |i| {
            let angle = 2.0 * core::f64::consts::PI * f64::from(i) / f64::from(count);
            let (s, c) = (libm::sin(angle), libm::cos(angle));
            // On the side the port faces the lip stands back, on the other it leads.
            middle + up * (r * c) + across * (r * s) - forward * (r * c * slope)
        })
    }
}

/// Which end the chopper has.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum ChopperEnd {
    /// Pointed, for pressing down beside the tip.
    Pointed,
    /// Blunt, for passing under the rim and drawing toward the tip.
    Blunt,
}

/// The chopper.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Chopper {
    /// Length of the end beyond the bend, mm.
    pub end_mm: f64,
    /// Width of the end, mm.
    pub width_mm: f64,
}

/// An incision: where a shaft passes the limbus at rest.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Incision {
    /// Place in the eye, mm.
    pub place_mm: Vector3<f64>,
}

/// What a hand does with its instrument.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct HandPose {
    /// Direction the shaft points in, seen from above; 0 along +x, rad.
    pub azimuth_rad: f64,
    /// Slope of the shaft below the horizontal, rad.
    pub elevation_rad: f64,
    /// Length from incision to tip (chopper: to the bend), mm.
    pub insertion_mm: f64,
    /// Height of the shaft at the incision above rest, mm.
    pub lift_mm: f64,
    /// Turn about the shaft, rad. Needle: 0 bevel up, π bevel down. Chopper: 0 upright, π/2 flat.
    pub roll_rad: f64,
}

impl HandPose {
    /// Unit vector along the shaft, away from the hand.
    pub fn forward(&self) -> Vector3<f64> {
        let c = libm::cos(self.elevation_rad);
        Vector3::new(c * libm::cos(self.azimuth_rad), c * libm::sin(self.azimuth_rad), -libm::sin(self.elevation_rad))
    }

    /// End of the shaft in the eye, mm.
    pub fn end_mm(&self, incision: &Incision) -> Vector3<f64> {
        incision.place_mm + Vector3::z() * self.lift_mm + self.forward() * self.insertion_mm
    }

    /// The pose that brings a needle's tip to a place at an elevation; the lift makes up for the height.
    pub fn needle_at(incision: &Incision, tip_mm: &Vector3<f64>, elevation_rad: f64, roll_rad: f64) -> Self {
        let d = tip_mm - incision.place_mm;
        let level = libm::hypot(d.x, d.y);
        Self {
            azimuth_rad: libm::atan2(d.y, d.x),
            elevation_rad,
            insertion_mm: level / libm::cos(elevation_rad),
            lift_mm: d.z + level * libm::tan(elevation_rad),
            roll_rad,
        }
    }

    /// The pose that brings a chopper's point to a place with its end rolled; the shaft keeps its height at the incision.
    pub fn chopper_at(incision: &Incision, chopper: &Chopper, point_mm: &Vector3<f64>, roll_rad: f64) -> Self {
        let d = point_mm - incision.place_mm;
        let mut pose = Self { azimuth_rad: libm::atan2(d.y, d.x), roll_rad, ..Self::default() };
        // Rolling moves the bend sideways, which turns the azimuth a little: a few rounds settle it.
        for _ in 0..8 {
            let bend = d - end_direction(&pose) * chopper.end_mm;
            pose.azimuth_rad = libm::atan2(bend.y, bend.x);
            pose.elevation_rad = libm::atan2(-bend.z, libm::hypot(bend.x, bend.y));
            pose.insertion_mm = bend.norm();
        }
        pose
    }
}

/// Direction from a chopper's bend to its point: down when upright, level and across when flat.
fn end_direction(pose: &HandPose) -> Vector3<f64> {
    let (s, c) = (libm::sin(pose.roll_rad), libm::cos(pose.roll_rad));
    Vector3::new(-libm::sin(pose.azimuth_rad) * s, libm::cos(pose.azimuth_rad) * s, -c)
}

/// A needle's tip in the eye.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Tip {
    /// Middle of the port, mm.
    pub place_mm: Vector3<f64>,
    /// Unit vector along the shaft, away from the hand.
    pub forward: Vector3<f64>,
    /// Turn about the shaft, rad; 0 bevel up.
    pub roll_rad: f64,
}

impl Tip {
    /// Where the port faces across the shaft, and the third axis.
    pub fn cross_axes(&self) -> (Vector3<f64>, Vector3<f64>) {
        let across = Vector3::z().cross(&self.forward).normalize();
        let up = self.forward.cross(&across);
        let (s, c) = (libm::sin(self.roll_rad), libm::cos(self.roll_rad));
        (up * c - across * s, across * c + up * s)
    }

    /// Where a port with this bevel faces, unit vector.
    pub fn facing(&self, bevel_rad: f64) -> Vector3<f64> {
        let (up, _) = self.cross_axes();
        self.forward * libm::cos(bevel_rad) + up * libm::sin(bevel_rad)
    }

    /// The point of the shaft `back_mm` behind the tip.
    pub fn behind_mm(&self, back_mm: f64) -> Vector3<f64> {
        self.place_mm - self.forward * back_mm
    }

    /// Slope of the shaft, rad.
    pub fn elevation_rad(&self) -> f64 {
        libm::asin((-self.forward.z).clamp(-1.0, 1.0))
    }
}

/// A chopper's end in the eye.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Blade {
    /// Its point, mm.
    pub point_mm: Vector3<f64>,
    /// The bend where it joins the shaft, mm.
    pub bend_mm: Vector3<f64>,
}

impl Blade {
    /// The blade of a chopper held so.
    pub fn of(chopper: &Chopper, incision: &Incision, pose: &HandPose) -> Self {
        let bend_mm = pose.end_mm(incision);
        Self { point_mm: bend_mm + end_direction(pose) * chopper.end_mm, bend_mm }
    }

    /// How upright the end stands: 1 upright, 0 flat.
    pub fn uprightness(&self) -> f64 {
        let d = self.bend_mm - self.point_mm;
        d.z / d.norm().max(1e-12)
    }
}

/// How far a shaft must rise to clear the rim of the rhexis, mm (0 when it clears it).
///
/// The shaft's axis crosses the circle of the rhexis on the hand's side; it cannot pass lower there than the capsule
/// lies (the rim gives way by about the shaft's own radius, A). A tip that has not come that far must stay above the
/// capsule.
pub fn rise_over_rim_mm(tip: &Tip, rhexis_radius_mm: f64, anterior_z_mm: impl Fn(f64) -> f64) -> f64 {
    let (p, f) = (tip.place_mm, tip.forward);
    let level2 = f.x * f.x + f.y * f.y;
    // Going back from the tip: |p − f·t| = R; the larger root lies on the hand's side.
    let b = (p.x * f.x + p.y * f.y) / level2;
    let c = (p.x * p.x + p.y * p.y - rhexis_radius_mm * rhexis_radius_mm) / level2;
    let root = b * b - c;
    let crossing = if root >= 0.0 { b + libm::sqrt(root) } else { -1.0 };
    if crossing > 0.0 {
        (anterior_z_mm(rhexis_radius_mm) - (p.z - f.z * crossing)).max(0.0)
    } else {
        // The tip is still on its way in, outside the rhexis.
        (anterior_z_mm(libm::hypot(p.x, p.y)) - p.z).max(0.0)
    }
}

/// Position of the foot pedal and the travel within it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Pedal {
    /// 0 nothing, 1 infusion, 2 aspiration, 3 ultrasound.
    pub position: u8,
    /// Travel within the position, 0..1.
    pub share: f64,
}

impl Pedal {
    /// Share of the set vacuum the foot asks for: linear through position 2, all of it in 3.
    pub fn vacuum_share(&self) -> f64 {
        match self.position {
            2 => self.share,
            0 | 1 => 0.0,
            _ => 1.0,
        }
    }

    /// Share of the set power the foot asks for: linear through position 3.
    pub fn power_share(&self) -> f64 {
        if self.position >= 3 { self.share } else { 0.0 }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const INCISION: Incision = Incision { place_mm: Vector3::new(-5.5, 0.4, 3.0) };

    #[test]
    fn a_needle_pose_puts_the_tip_where_asked() {
        let tip = Vector3::new(0.3, -0.2, -0.5);
        for elevation in [0.2, 0.6, 1.0] {
            let pose = HandPose::needle_at(&INCISION, &tip, elevation, 0.0);
            assert!((pose.end_mm(&INCISION) - tip).norm() < 1e-12);
        }
    }

    #[test]
    fn a_chopper_pose_puts_the_point_where_asked() {
        let chopper = Chopper { end_mm: 1.8, width_mm: 0.5 };
        for roll in [0.0, 0.7, 1.5] {
            let point = Vector3::new(0.4, 0.3, -0.8);
            let pose = HandPose::chopper_at(&INCISION, &chopper, &point, roll);
            let blade = Blade::of(&chopper, &INCISION, &pose);
            assert!((blade.point_mm - point).norm() < 1e-6, "roll {roll}: {:?}", blade.point_mm);
        }
    }

    #[test]
    fn the_lip_leads_below_with_the_bevel_up_and_above_with_the_bevel_down() {
        let needle = Needle { outer_radius_mm: 0.55, bore_radius_mm: 0.45, bevel_rad: 0.5, exposed_mm: 2.5 };
        let lowest = |roll_rad: f64| {
            let pose = HandPose::needle_at(&INCISION, &Vector3::zeros(), 0.7, roll_rad);
            let tip = Tip { place_mm: Vector3::zeros(), forward: pose.forward(), roll_rad };
            needle.ring_mm(&tip, 1.0, 16).map(|p| p.z).fold(f64::INFINITY, f64::min)
        };
        assert!(lowest(0.0) < lowest(core::f64::consts::PI) - 0.2);
    }

    #[test]
    fn a_shaft_that_clears_the_rim_is_left_alone_and_one_that_does_not_is_lifted_by_the_gap() {
        let at = |z: f64| {
            let pose = HandPose::needle_at(&INCISION, &Vector3::new(0.0, 0.4, z), 0.5, 0.0);
            Tip { place_mm: Vector3::new(0.0, 0.4, z), forward: pose.forward(), roll_rad: 0.0 }
        };
        let rise = |z: f64| rise_over_rim_mm(&at(z), 2.5, |_| 1.0);
        assert_eq!(rise(3.0), 0.0);
        let blocked = rise(-2.0);
        assert!(blocked > 0.0);
        assert!(rise(-2.0 + blocked + 1e-9) < 1e-9, "lifting by the gap clears the rim");
    }
}
