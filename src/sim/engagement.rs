//! Where an instrument bears on its side of a crack.
//!
//! The engaged length of a needle or chopper is a row of stations: elastic springs across the instrument (subgrade
//! reaction) whose force is limited by the bearing capacity of the tissue beside them, N_c·c·width·length, as for a
//! laterally loaded pile. Above it the instrument ploughs. Lens frame; mm, µN, nJ.

use crate::sim::cut::Segment;
use crate::sim::facets::wrench;
use crate::sim::lens::COHESION_OVER_STRENGTH;
use crate::sim::{Lens, Model};
use nalgebra::{Matrix3, Matrix6, Vector3, Vector6};
use serde::{Deserialize, Serialize};

/// Subgrade reaction of tissue against a rod over its modulus (Vesic 1961, beams on elastic ground, about 0.65/(1 − ν²); M).
pub const SUBGRADE_SHARE: f64 = 0.85;

/// Spacing of stations, mm (A).
const STATION_MM: f64 = 0.15;

/// Bearing capacity factor of a rod pushed sideways, by depth below the free surface in widths: 9 − 7·e^{−0.35·depth}
/// (Murff & Hamilton 1993, J Geotech Eng 119:91, for piles in clay; M). About 5 over the usual burial.
pub fn bearing_factor(depth_in_widths: f64) -> f64 {
    9.0 - 7.0 * libm::exp(-0.35 * depth_in_widths)
}

/// A point at which an instrument bears.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
struct Station {
    /// Place at the start, mm.
    place_mm: Vector3<f64>,
    /// Distance from the needle's tip or the chopper's point along the instrument, mm.
    along_mm: f64,
    stiffness_un_mm: f64,
    capacity_un: f64,
    /// What the instrument moved before it bore here, and what it has ploughed since, mm.
    slip_mm: Vector3<f64>,
    /// Path length ploughed, mm.
    ploughed_mm: f64,
    /// Where the hand had moved this station at the end of the last tick, mm.
    moved_mm: Vector3<f64>,
    /// Force on the side at the end of the last tick, µN.
    force_un: Vector3<f64>,
}

/// One instrument's engaged length.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Engagement {
    stations: Vec<Station>,
    /// Unit vector along the instrument at the start.
    axis: Vector3<f64>,
    /// Which side it pushes: +1 upper, −1 lower.
    pub side: f64,
    /// Work the hand has done, nJ.
    pub work_nj: f64,
    /// Energy spent in ploughing, nJ.
    pub ploughed_nj: f64,
}

/// Contribution of an engagement to the system of its side.
pub(crate) struct SideSystem {
    pub energy_nj: f64,
    pub secant: Matrix6<f64>,
    pub yielding: Matrix6<f64>,
    pub load: Vector6<f64>,
}

impl Engagement {
    /// The stations of an instrument's line that bear on one side of a body.
    ///
    /// The tissue that bears is the first cell of the body beyond the instrument's own half width on that side (+1 or
    /// −1 along the normal).
    pub fn new(
        model: &Model,
        lens: &Lens,
        body: u16,
        line: &Segment,
        width_mm: f64,
        normal: Vector3<f64>,
        side: f64,
    ) -> Self {
        let cells = &model.cells;
        let length = (line.b - line.a).norm();
        let axis = if length > 0.0 { (line.b - line.a) / length } else { Vector3::z() };
        let count = libm::ceil(length / STATION_MM).max(1.0) as u32;
        let step = length / f64::from(count);
        let mut stations = Vec::new();
        for i in 0..count {
            let along_mm = (f64::from(i) + 0.5) * step;
            let place_mm = line.a + axis * along_mm;
            let bearing = (0..3).find_map(|n| {
                let wall_at = place_mm + normal * (side * (0.5 * width_mm + (0.5 + f64::from(n)) * cells.size_mm));
                let cell = cells.at(&wall_at)? as usize;
                (lens.fragment[cell] == body).then_some(cell)
            });
            let Some(cell) = bearing else { continue };
            let strength = f64::from(cells.strength_pa[cell]);
            let cover = cover_mm(model, lens, body, &cells.place_mm[cell], strength);
            stations.push(Station {
                place_mm,
                along_mm,
                stiffness_un_mm: SUBGRADE_SHARE * f64::from(cells.modulus_pa[cell]) * step,
                capacity_un: bearing_factor(cover / width_mm) * COHESION_OVER_STRENGTH * strength * width_mm * step,
                slip_mm: Vector3::zeros(),
                ploughed_mm: 0.0,
                moved_mm: Vector3::zeros(),
                force_un: Vector3::zeros(),
            });
        }
        Self { stations, axis, side, work_nj: 0.0, ploughed_nj: 0.0 }
    }

    /// Does it still bear?
    pub fn bears(&self) -> bool {
        !self.stations.is_empty()
    }

    /// It has lost its hold.
    pub fn release(&mut self) {
        self.stations.clear();
    }

    /// Let the instrument travel so far before it bears.
    pub fn leave_gap(&mut self, gap_mm: Vector3<f64>) {
        for station in &mut self.stations {
            station.slip_mm = gap_mm;
        }
    }

    /// Take over from an earlier engagement without force, at the side's present displacement.
    pub fn take_over(mut self, before: &Self, pose: &Vector6<f64>) -> Self {
        for station in &mut self.stations {
            station.slip_mm = -displacement(pose, &station.place_mm);
        }
        (self.work_nj, self.ploughed_nj) = (before.work_nj, before.ploughed_nj);
        self
    }

    /// How far the hand has moved each station, mm, when `at` gives the place of a distance along the instrument at rest
    /// and now.
    pub fn moves(&self, at: impl Fn(f64) -> (Vector3<f64>, Vector3<f64>)) -> Vec<Vector3<f64>> {
        let moved = |s: &Station| {
            let (rest, now) = at(s.along_mm);
            now - rest
        };
        self.stations.iter().map(moved).collect()
    }

    /// Across the instrument: along it nothing bears.
    fn across(&self) -> Matrix3<f64> {
        Matrix3::identity() - self.axis * self.axis.transpose()
    }

    /// Energy and secant system at a pose of the side.
    pub(crate) fn system(&self, pose: &Vector6<f64>, moves: &[Vector3<f64>]) -> SideSystem {
        let across = self.across();
        let (mut energy_nj, mut load) = (0.0, Vector6::zeros());
        let (mut secant, mut yielding) = (Matrix6::zeros(), Matrix6::zeros());
        let (mut sum, mut first, mut second) = (0.0, Vector3::zeros(), Matrix3::zeros());
        for (station, moved) in self.stations.iter().zip(moves) {
            let wanted = across * (moved - station.slip_mm);
            let stretch = wanted - across * displacement(pose, &station.place_mm);
            let length = stretch.norm();
            let yields_at = station.capacity_un / station.stiffness_un_mm;
            let stiffness = if length <= yields_at {
                energy_nj += 0.5 * station.stiffness_un_mm * length * length;
                station.stiffness_un_mm
            } else {
                energy_nj += station.capacity_un * (length - 0.5 * yields_at);
                let stiffness = station.capacity_un / length;
                let row = wrench(station.place_mm.into(), (stretch / length).into());
                yielding.ger(stiffness, &row, &row, 1.0);
                stiffness
            };
            load += wrench(station.place_mm.into(), (wanted * stiffness).into());
            // Places lie on one line, so sums of stiffness × 1, place and place·placeᵀ make up the matrix below.
            sum += stiffness;
            first += station.place_mm * stiffness;
            second += station.place_mm * station.place_mm.transpose() * stiffness;
        }
        // Jᵀ·P·J with J = [I, −[r]×] and P across the axis; [r]×ᵀ·P·[r]× = [r]×ᵀ[r]× − ([r]×ᵀa)([r]×ᵀa)ᵀ.
        let turn = self.axis.cross_matrix();
        let inertia = Matrix3::identity() * second.trace() - second;
        let axial = turn.transpose() * second * turn; // Σ k (a × r)(a × r)ᵀ, since [r]×ᵀa = a × r = [a]× r
        secant.fixed_view_mut::<3, 3>(0, 0).copy_from(&(across * sum));
        let corner = -(across * first.cross_matrix());
        secant.fixed_view_mut::<3, 3>(0, 3).copy_from(&corner);
        secant.fixed_view_mut::<3, 3>(3, 0).copy_from(&corner.transpose());
        secant.fixed_view_mut::<3, 3>(3, 3).copy_from(&(inertia - axial));
        SideSystem { energy_nj, secant, yielding, load }
    }

    /// Take over what an increment did: tissue ploughed, forces, work (mean of the force before and after).
    pub fn settle(&mut self, pose: &Vector6<f64>, moves: &[Vector3<f64>]) {
        let across = self.across();
        for (station, moved) in self.stations.iter_mut().zip(moves) {
            let mut stretch = across * (moved - station.slip_mm - displacement(pose, &station.place_mm));
            let length = stretch.norm();
            let yields_at = station.capacity_un / station.stiffness_un_mm;
            if length > yields_at {
                let ploughed = stretch * (1.0 - yields_at / length);
                station.slip_mm += ploughed;
                station.ploughed_mm += ploughed.norm();
                self.ploughed_nj += station.capacity_un * ploughed.norm();
                stretch -= ploughed;
            }
            let force = stretch * station.stiffness_un_mm;
            self.work_nj += 0.5 * (force + station.force_un).dot(&(moved - station.moved_mm));
            station.force_un = force;
            station.moved_mm = *moved;
        }
    }

    /// How far it has ploughed, mm: the mean over its length weighted with capacity; infinite when it does not bear.
    pub fn ploughed_mm(&self) -> f64 {
        let whole: f64 = self.stations.iter().map(|s| s.capacity_un).sum();
        let sum: f64 = self.stations.iter().map(|s| s.capacity_un * s.ploughed_mm).sum();
        if whole > 0.0 { sum / whole } else { f64::INFINITY }
    }

    /// Force on its side, µN.
    pub fn force_un(&self) -> f64 {
        self.stations.iter().map(|s| s.force_un).sum::<Vector3<f64>>().norm()
    }
}

/// Displacement of a point of a side with this pose (translation, small rotation about the lens's centre).
pub(crate) fn displacement(pose: &Vector6<f64>, place: &Vector3<f64>) -> Vector3<f64> {
    let t: Vector3<f64> = pose.fixed_rows::<3>(0).into_owned();
    let w: Vector3<f64> = pose.fixed_rows::<3>(3).into_owned();
    t + w.cross(place)
}

/// Depth of cover above a place, mm, counted in tissue as strong as at the place: soft layers hardly hold it down.
fn cover_mm(model: &Model, lens: &Lens, body: u16, place_mm: &Vector3<f64>, strength_pa: f64) -> f64 {
    let cells = &model.cells;
    let mut cover = 0.0;
    let mut p = *place_mm;
    while let Some(cell) = cells.at(&p) {
        if lens.fragment[cell as usize] == body {
            cover += (f64::from(cells.strength_pa[cell as usize]) / strength_pa).min(1.0) * cells.size_mm;
        }
        p.z += cells.size_mm;
    }
    (cover - 0.5 * cells.size_mm).max(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The closed form of the secant matrix against the sum over stations, by definition.
    #[test]
    fn the_secant_matrix_is_the_sum_over_stations() {
        let axis = Vector3::new(0.6, 0.0, 0.8);
        let stations: Vec<Station> = (0..5)
            .map(|i| Station {
                place_mm: Vector3::new(0.3, -0.2, 0.1) + axis * f64::from(i),
                along_mm: f64::from(i),
                stiffness_un_mm: 10.0 + f64::from(i),
                capacity_un: 1e9,
                slip_mm: Vector3::zeros(),
                ploughed_mm: 0.0,
                moved_mm: Vector3::zeros(),
                force_un: Vector3::zeros(),
            })
            .collect();
        let engagement = Engagement { stations, axis, side: 1.0, work_nj: 0.0, ploughed_nj: 0.0 };
        let moves = vec![Vector3::new(0.1, 0.2, -0.1); 5];
        let system = engagement.system(&Vector6::zeros(), &moves);
        let across = engagement.across();
        let mut expected = Matrix6::zeros();
        for s in &engagement.stations {
            let mut j = nalgebra::Matrix3x6::zeros();
            j.fixed_view_mut::<3, 3>(0, 0).copy_from(&Matrix3::identity());
            j.fixed_view_mut::<3, 3>(0, 3).copy_from(&-s.place_mm.cross_matrix());
            expected += j.transpose() * across * j * s.stiffness_un_mm;
        }
        assert!((system.secant - expected).amax() < 1e-9, "{}", system.secant - expected);
    }

    #[test]
    fn the_bearing_factor_grows_from_2_to_9_with_depth() {
        assert_eq!(bearing_factor(0.0), 2.0);
        assert!(bearing_factor(2.0) > 5.0 && bearing_factor(2.0) < 6.0);
        assert!(bearing_factor(50.0) < 9.0 + 1e-9 && bearing_factor(50.0) > 8.99);
    }
}
