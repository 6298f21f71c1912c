//! The lens as a continuum: its shape, what its tissue is made of, and where it is hard.
//!
//! Frame: origin at the centre of the equator plane, +z toward the cornea, x and y fixed in the eye at rest. Units: mm,
//! Pa, nJ/mm². The field is a pure function of place, so cells of any size sample the same lens.
//!
//! Sources, with their standing (S read, M from memory, D derived, P common practice without source, A assumed):
//! shape laws Rosen 2006 (M; ratio S) and Dubbelman 2001 (M); stiffness Kokova 2008 (S), Weeber 2007 (S);
//! strength and toughness are assumed, since nobody has measured them in the lens.

use crate::sim::random::{Key, Purpose};
use crate::units::{NJ_PER_MM2_PER_J_PER_M2, PA_PER_KPA};
use nalgebra::Vector3;
use serde::{Deserialize, Serialize};

/// Share of the thickness that lies in front of the equator: front : back = 0.70 : 1 (Rosen 2006, Vision Res 46:1002; S).
pub const FRONT_SHARE: f64 = 0.70 / 1.70;

/// Thickness in the eye, mm, at an age in years (Dubbelman 2001, Optom Vis Sci 78:411; M).
pub fn thickness_in_eye_mm(age_years: f64) -> f64 {
    2.93 + 0.024 * age_years
}

/// Diameter and thickness of the excised lens, mm (Rosen 2006, Vision Res 46:1002; M).
pub fn excised_mm(age_years: f64) -> (f64, f64) {
    (8.7 + 0.0138 * age_years, 3.97 + 0.0123 * age_years)
}

/// Diameter in the eye, mm, of a lens of this age and thickness: the zonules flatten the excised lens at constant
/// volume (D). A half-ellipsoid's volume goes with diameter² × thickness.
pub fn diameter_in_eye_mm(age_years: f64, thickness_mm: f64) -> f64 {
    let (diameter, thickness) = excised_mm(age_years);
    diameter * libm::sqrt(thickness / thickness_mm)
}

/// Wet weight, mg (Augusteyn 2007, Mol Vis 13:a29; S).
pub fn wet_weight_mg(age_years: f64) -> f64 {
    149.0 + 1.38 * age_years
}

/// The outer surface: two half-ellipsoids (conicoids that meet the equator at a right angle).
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Shape {
    /// Radius at the equator, mm.
    pub equator_mm: f64,
    /// Height of the anterior pole above the equator plane, mm.
    pub front_mm: f64,
    /// Depth of the posterior pole below it, mm.
    pub back_mm: f64,
}

impl Shape {
    /// The shape with this diameter and thickness.
    pub fn new(diameter_mm: f64, thickness_mm: f64) -> Self {
        let front_mm = thickness_mm * FRONT_SHARE;
        Self { equator_mm: 0.5 * diameter_mm, front_mm, back_mm: thickness_mm - front_mm }
    }

    /// Thickness along the axis, mm.
    pub fn thickness_mm(&self) -> f64 {
        self.front_mm + self.back_mm
    }

    /// Volume, µL.
    pub fn volume_ul(&self) -> f64 {
        2.0 / 3.0 * core::f64::consts::PI * self.equator_mm * self.equator_mm * self.thickness_mm()
    }

    /// Is the point within the lens?
    pub fn contains(&self, p: &Vector3<f64>) -> bool {
        let height = if p.z >= 0.0 { self.front_mm } else { self.back_mm };
        (p.x * p.x + p.y * p.y) / (self.equator_mm * self.equator_mm) + p.z * p.z / (height * height) < 1.0
    }

    /// Height of the anterior surface at a distance from the axis, mm; the equator plane beyond the equator.
    pub fn anterior_z_mm(&self, radius_mm: f64) -> f64 {
        self.front_mm * half_chord(radius_mm / self.equator_mm)
    }

    /// Height of the posterior surface at a distance from the axis, mm (negative).
    pub fn posterior_z_mm(&self, radius_mm: f64) -> f64 {
        -self.back_mm * half_chord(radius_mm / self.equator_mm)
    }

    /// Signed distance to the posterior surface, mm: positive on the lens's side, negative behind it.
    ///
    /// Nearest point on the meridian ellipse by Newton steps on its parameter, from the best of nine starts; error
    /// below 1e-4 mm, checked by test against a dense search.
    pub fn distance_to_posterior_mm(&self, p: &Vector3<f64>) -> f64 {
        use core::f64::consts::FRAC_PI_2;
        let radius = libm::hypot(p.x, p.y);
        let (a, b) = (self.equator_mm, self.back_mm);
        let at = |t: f64| (a * libm::cos(t), -b * libm::sin(t)); // t: 0 equator, π/2 pole
        let square = |t: f64| {
            let (r, z) = at(t);
            (r - radius) * (r - radius) + (z - p.z) * (z - p.z)
        };
        let coarse: [f64; 9] = core::array::from_fn(|i| {
            let (r, z) = (a * START_COSINES[i], -b * START_COSINES[8 - i]);
            (r - radius) * (r - radius) + (z - p.z) * (z - p.z)
        });
        let mut best = f64::INFINITY;
        for i in 0..9 {
            // Two places may compete, so every low start is followed.
            if coarse[i.max(1) - 1] < coarse[i] || coarse[(i + 1).min(8)] < coarse[i] {
                continue;
            }
            let mut t = FRAC_PI_2 * i as f64 / 8.0;
            for _ in 0..16 {
                let (s, c) = (libm::sin(t), libm::cos(t));
                let (dr, dz) = (a * c - radius, -b * s - p.z);
                let slope = -dr * a * s - dz * b * c;
                let curvature = a * a * s * s + b * b * c * c - dr * a * c + dz * b * s;
                // Beyond the centre of curvature Newton's step would climb; a fixed step downhill does not.
                let step =
                    if curvature > 0.01 { (slope / curvature).clamp(-0.2, 0.2) } else { 0.05f64.copysign(slope) };
                let next = (t - step).clamp(0.0, FRAC_PI_2);
                let moved = next - t;
                t = next;
                if moved.abs() < 1e-7 {
                    break;
                }
            }
            best = best.min(square(t)).min(coarse[i]);
        }
        let distance = libm::sqrt(best);
        let behind = p.z < 0.0 && (radius / a) * (radius / a) + (p.z / b) * (p.z / b) > 1.0;
        if behind { -distance } else { distance }
    }
}

/// Cosines of 0, π/16, … π/2.
const START_COSINES: [f64; 9] = [
    1.0,
    0.980_785_280_403_230_4,
    0.923_879_532_511_286_7,
    0.831_469_612_302_545_2,
    core::f64::consts::FRAC_1_SQRT_2,
    0.555_570_233_019_602_2,
    0.382_683_432_365_089_8,
    0.195_090_322_016_128_27,
    0.0,
];

fn half_chord(share: f64) -> f64 {
    libm::sqrt((1.0 - share * share).max(0.0))
}

/// What resists at a place.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Tissue {
    /// Peak cohesive traction, Pa.
    pub strength_pa: f64,
    /// Fracture energy of a plane that contains the local radial direction, nJ/mm².
    pub toughness_nj_mm2: f64,
    /// Elastic modulus, Pa.
    pub modulus_pa: f64,
}

/// Soft cortex. Strength 4 kPa (A). Toughness 1 J/m², half of the softest gelatin gels (2–20 J/m², Baumberger 2006; M),
/// since hydrated cortex is weaker than a gel (A). Modulus 30 kPa (A): with it, cores of grade 2–5 stay within the
/// published ratio of centre to periphery, 5.8–210 (Weeber 2007; S).
pub const CORTEX: Tissue = Tissue {
    strength_pa: 4.0 * PA_PER_KPA,
    toughness_nj_mm2: 1.0 * NJ_PER_MM2_PER_J_PER_M2,
    modulus_pa: 30.0 * PA_PER_KPA,
};

/// Cohesion in shear over strength in tension (A): like other brittle solids the lens is weaker in tension than in the
/// shear and compression by which an instrument bears on it.
pub const COHESION_OVER_STRENGTH: f64 = 2.5;

impl Tissue {
    /// Nucleus of a decimal LOCS III grade.
    ///
    /// Strength 20·e^{0.45(g−1)} kPa and toughness 4·e^{0.55(g−1)} J/m² (A; neighbours: gelatin 2–20 J/m², liver
    /// 76–225 J/m²). Modulus: 2 MPa at grade 3 and 6 MPa at grade 5 (hard cores by penetration, Kokova 2008; S),
    /// falling to 60 kPa at grade 1, where a nucleus is hardly stiffer than its cortex (nucleus stiffer from about
    /// 45 years, Wilde 2012; S; the value A); log-linear between (D).
    pub fn nucleus(grade: f64) -> Self {
        let modulus_kpa = if grade < 3.0 {
            60.0 * libm::exp(libm::log(2000.0 / 60.0) * 0.5 * (grade - 1.0))
        } else {
            2000.0 * libm::exp(libm::log(3.0) * 0.5 * (grade - 3.0))
        };
        Self {
            strength_pa: 20.0 * PA_PER_KPA * libm::exp(0.45 * (grade - 1.0)),
            toughness_nj_mm2: 4.0 * NJ_PER_MM2_PER_J_PER_M2 * libm::exp(0.55 * (grade - 1.0)),
            modulus_pa: modulus_kpa.max(CORTEX.modulus_pa / PA_PER_KPA) * PA_PER_KPA,
        }
    }

    /// A mixture: `share` of `other`, the rest of `self`.
    pub fn mixed(self, other: Self, share: f64) -> Self {
        let mix = |a: f64, b: f64| a + share * (b - a);
        Self {
            strength_pa: mix(self.strength_pa, other.strength_pa),
            toughness_nj_mm2: mix(self.toughness_nj_mm2, other.toughness_nj_mm2),
            modulus_pa: mix(self.modulus_pa, other.modulus_pa),
        }
    }

    /// Critical opening of the linear cohesive law, mm: 2G/σ.
    pub fn critical_opening_mm(&self) -> f64 {
        2.0 * self.toughness_nj_mm2 / self.strength_pa
    }
}

/// Strength of a solid with a crack, Pa (Griffith 1921, Phil Trans R Soc A 221:163): √(E·G/(π·a)), with modulus in Pa,
/// toughness in nJ/mm² and half the crack's length in mm.
pub fn griffith_strength_pa(modulus_pa: f64, toughness_nj_mm2: f64, half_crack_mm: f64) -> f64 {
    // nJ/mm² is µN/mm, and so Pa·mm.
    libm::sqrt(modulus_pa * toughness_nj_mm2 / (core::f64::consts::PI * half_crack_mm))
}

/// The dense core: an ellipsoid of revolution with a faded edge.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Core {
    /// Decimal LOCS III grade at its centre.
    pub grade: f64,
    /// Centre in the lens's frame, mm.
    pub centre_mm: Vector3<f64>,
    /// Radius across, mm.
    pub radius_mm: f64,
    /// Half thickness, mm.
    pub half_thickness_mm: f64,
    /// Width of the faded edge, mm.
    pub edge_mm: f64,
}

impl Core {
    /// Scaled distance from the centre: 1 on the core's surface.
    fn reach(&self, p: &Vector3<f64>) -> f64 {
        let d = p - self.centre_mm;
        libm::sqrt(
            (d.x * d.x + d.y * d.y) / (self.radius_mm * self.radius_mm)
                + d.z * d.z / (self.half_thickness_mm * self.half_thickness_mm),
        )
    }

    /// Core weight 0..1: a logistic across the edge, 0.5 on the surface.
    pub fn weight(&self, p: &Vector3<f64>) -> f64 {
        // Across the equator an edge of width w spans logits −2..2; along the axis the scaled edge is as wide.
        let width = self.edge_mm / (4.0 * self.radius_mm.min(self.half_thickness_mm));
        1.0 / (1.0 + libm::exp((self.reach(p) - 1.0) / width))
    }

    /// Height of the core's anterior surface above a place, mm, in the lens's frame; `None` outside the core.
    pub fn anterior_z_mm(&self, x: f64, y: f64) -> Option<f64> {
        let share = libm::hypot(x - self.centre_mm.x, y - self.centre_mm.y) / self.radius_mm;
        (share < 1.0).then(|| self.centre_mm.z + self.half_thickness_mm * half_chord(share))
    }

    /// Is a height within the last third of the core's thickness?
    pub fn in_posterior_third(&self, z: f64) -> bool {
        z < self.centre_mm.z - self.half_thickness_mm / 3.0
    }
}

/// A leathery plate at the core's back.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Plate {
    /// Thickness above the core's posterior surface, mm.
    pub thickness_mm: f64,
    /// Factor on toughness.
    pub toughness_factor: f64,
}

/// How toughness of a circumferential plane (normal along the local radius) compares with a radial one (A: radial
/// planes, along fibres and sutures, cleave more easily).
pub const CIRCUMFERENTIAL_TOUGHNESS_FACTOR: f64 = 1.5;

/// Correlation length of the heterogeneity, mm (A).
pub const HETEROGENEITY_LENGTH_MM: f64 = 0.6;

/// The hardness field of one lens.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Field {
    /// Outer surface.
    pub shape: Shape,
    /// Dense core.
    pub core: Core,
    /// Epinucleus: thickness outside the core, mm, and firmness between cortex (0) and grade 1 (1).
    pub epinucleus_mm: f64,
    /// Firmness of the epinucleus, 0..1.
    pub epinucleus_firmness: f64,
    /// Leathery plate.
    pub plate: Option<Plate>,
    /// Standard deviation of the logarithm of strength and toughness.
    pub heterogeneity: f64,
    /// Seed of the heterogeneity.
    pub seed: u64,
    /// +1 where the nose lies toward +x, −1 where toward −x: the heterogeneity is that of the anatomy, so a mirrored
    /// eye is the mirror image.
    pub nasal_sign: f64,
}

impl Field {
    /// Tissue at a place in the lens's frame, without heterogeneity.
    pub fn smooth_tissue(&self, p: &Vector3<f64>) -> Tissue {
        let around = if self.epinucleus_mm > 0.0 {
            let shell = Core {
                radius_mm: self.core.radius_mm + self.epinucleus_mm,
                half_thickness_mm: self.core.half_thickness_mm + self.epinucleus_mm,
                ..self.core.clone()
            };
            CORTEX.mixed(Tissue::nucleus(1.0), self.epinucleus_firmness * shell.weight(p))
        } else {
            CORTEX
        };
        let mut tissue = around.mixed(Tissue::nucleus(self.core.grade), self.core.weight(p));
        if let Some(plate) = &self.plate {
            tissue.toughness_nj_mm2 *= 1.0 + (plate.toughness_factor - 1.0) * self.plate_weight(plate, p);
        }
        tissue
    }

    /// Share of the plate at a place: within the core's equator, from its posterior surface up to the thickness, fading
    /// over 0.1 mm on either side (A).
    fn plate_weight(&self, plate: &Plate, p: &Vector3<f64>) -> f64 {
        let core = &self.core;
        let share = libm::hypot(p.x - core.centre_mm.x, p.y - core.centre_mm.y) / core.radius_mm;
        if share >= 1.0 {
            return 0.0;
        }
        let above = p.z - (core.centre_mm.z - core.half_thickness_mm * half_chord(share));
        let ramp = |d: f64| (0.5 + d / 0.2).clamp(0.0, 1.0);
        ramp(plate.thickness_mm - above) * ramp(above + 0.1)
    }

    /// Factor on strength and toughness from the heterogeneity.
    pub fn factor(&self, noise: &Noise, p: &Vector3<f64>) -> f64 {
        libm::exp(self.heterogeneity * noise.at(self.nasal_sign * p.x, p.y, p.z))
    }

    /// Volume weighted with the shape: wet weight, mg, of the lens at its published density.
    pub fn weight_mg(&self) -> f64 {
        self.shape.volume_ul() * crate::units::LENS_DENSITY_MG_PER_UL
    }
}

/// Smooth noise of unit variance on a lattice of one correlation length.
#[derive(Clone, Debug)]
pub struct Noise {
    nodes: Vec<f64>,
    extent: i32,
}

impl Noise {
    /// Noise over a cube of ± `half_mm`.
    pub fn new(seed: u64, half_mm: f64) -> Self {
        let extent = libm::ceil(half_mm / HETEROGENEITY_LENGTH_MM) as i32 + 1;
        let range = -extent..=extent;
        let mut nodes = Vec::new();
        for k in range.clone() {
            for j in range.clone() {
                for i in range.clone() {
                    let key = Key { seed, purpose: Purpose::Heterogeneity, place: [i, j, k], tick: 0 };
                    nodes.push(key.normal(0));
                }
            }
        }
        Self { nodes, extent }
    }

    /// Value at a place: trilinear, divided by the root of the summed squared weights so that the variance is 1 everywhere.
    pub fn at(&self, x: f64, y: f64, z: f64) -> f64 {
        let split = |v: f64| {
            let scaled = v / HETEROGENEITY_LENGTH_MM;
            let floor = libm::floor(scaled).clamp(-f64::from(self.extent), f64::from(self.extent - 1));
            (floor as i32, (scaled - floor).clamp(0.0, 1.0))
        };
        let ((i, fx), (j, fy), (k, fz)) = (split(x), split(y), split(z));
        let side = 2 * self.extent + 1;
        let (mut sum, mut squares) = (0.0, 0.0);
        for (dk, wz) in [(0, 1.0 - fz), (1, fz)] {
            for (dj, wy) in [(0, 1.0 - fy), (1, fy)] {
                for (di, wx) in [(0, 1.0 - fx), (1, fx)] {
                    let node = ((k + dk + self.extent) * side + (j + dj + self.extent)) * side + i + di + self.extent;
                    let w = wx * wy * wz;
                    sum += w * self.nodes[node as usize];
                    squares += w * w;
                }
            }
        }
        sum / libm::sqrt(squares)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn distance_to_the_posterior_surface_agrees_with_a_dense_search() {
        let shape = Shape::new(9.9, 4.6);
        for i in 0..400 {
            let key = |n| Key { seed: 1, purpose: Purpose::Heterogeneity, place: [i, n, 0], tick: 0 }.uniform(0);
            let p = Vector3::new(10.0 * key(0) - 5.0, 10.0 * key(1) - 5.0, 5.0 * key(2) - 3.0);
            let radius = libm::hypot(p.x, p.y);
            let dense = (0..=20_000)
                .map(|j| {
                    let t = core::f64::consts::FRAC_PI_2 * f64::from(j) / 20_000.0;
                    libm::hypot(shape.equator_mm * libm::cos(t) - radius, -shape.back_mm * libm::sin(t) - p.z)
                })
                .fold(f64::INFINITY, f64::min);
            let found = shape.distance_to_posterior_mm(&p);
            assert!((found.abs() - dense).abs() < 1e-4, "{p:?}: {found} against {dense}");
            assert_eq!(found < 0.0, p.z < 0.0 && !shape.contains(&p), "{p:?}");
        }
    }

    #[test]
    fn noise_is_smooth_and_has_unit_variance() {
        let noise = Noise::new(3, 6.0);
        let (mut square, mut n) = (0.0, 0.0);
        for i in -25..25 {
            for j in -25..25 {
                for k in -12..12 {
                    let (x, y, z) = (f64::from(i) * 0.2, f64::from(j) * 0.2, f64::from(k) * 0.2);
                    square += noise.at(x, y, z).powi(2);
                    n += 1.0;
                    assert!((noise.at(x + 1e-6, y, z) - noise.at(x, y, z)).abs() < 1e-4);
                }
            }
        }
        assert!((square / n - 1.0).abs() < 0.1, "variance {}", square / n);
    }
}
