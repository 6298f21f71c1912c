//! Where a chop would crack: the surface of least fracture energy near the one the instruments span.
//!
//! The needle's buried axis and the chopper's path span a plane: it contains the axis and comes as near to the path as it
//! can (least squares). Here lies the reason why a flat tip's cut slopes: a chopper passes beside the needle, not through
//! it, and turning a plane about a steep axis makes up for that sideways, turning it about a flat axis by tilting it.
//!
//! Among all surfaces within a thin slab around that plane the crack takes the one of least fracture energy, a minimum
//! cut of the bonds (capacity = toughness × area × what damage has left); in the soft shell it keeps to the plane. Both faces of the slab are seeded, and the
//! cells beside the instruments are held on their side. Lens frame; mm, nJ.

use crate::sim::cells::{CellId, Cells, NONE, bond_id};
use crate::sim::max_flow::Network;
use crate::sim::{Lens, Model};
use nalgebra::{Matrix2, Vector3};
use serde::{Deserialize, Serialize};

/// Half the slab's thickness, mm (A): half the correlation length of the heterogeneity, so that the crack wanders
/// with it but stays where the instruments are.
pub const SLAB_HALF_MM: f64 = 0.3;

/// Core weight below which a cell belongs to the soft shell (A).
pub(crate) const SHELL_WEIGHT: f32 = 0.02;

/// How far from an instrument's line cells are held on their side, mm (A: the diagonal of a cell).
const HELD_MM: f64 = 0.35;

/// Capacity units per nJ (A: finer than any bond's energy matters): integer capacities make the cut exact and the same
/// everywhere.
const UNITS_PER_NJ: f64 = 16.0;

/// A segment in the lens frame.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Segment {
    /// Lower end, mm.
    pub a: Vector3<f64>,
    /// Upper end, mm.
    pub b: Vector3<f64>,
}

impl Segment {
    /// Distance of a point, mm.
    pub fn distance_mm(&self, p: &Vector3<f64>) -> f64 {
        let d = self.b - self.a;
        let t = ((p - self.a).dot(&d) / d.norm_squared().max(1e-18)).clamp(0.0, 1.0);
        (self.a + d * t - p).norm()
    }

    /// Points along the segment, about `spacing_mm` apart, both ends included.
    pub fn points(&self, spacing_mm: f64) -> impl Iterator<Item = Vector3<f64>> + use<> {
        let d = self.b - self.a;
        let count = libm::ceil(d.norm() / spacing_mm).max(1.0) as u32;
        let a = self.a;
        (0..=count).map(move |i| a + d * (f64::from(i) / f64::from(count)))
    }
}

/// The plane that needle and chopper span.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Plane {
    /// A point of it: the needle's tip, mm.
    pub origin_mm: Vector3<f64>,
    /// Unit normal.
    pub normal: Vector3<f64>,
}

impl Plane {
    /// The plane through the needle's axis that comes nearest to the chopper's path.
    ///
    /// Seen along the axis, the path is a set of points (across, up) about the axis; the plane is the line through the
    /// origin along their principal direction. Where the path says nothing (all points on the axis) it is vertical.
    pub fn spanned(tip_mm: &Vector3<f64>, forward: &Vector3<f64>, path: &[Segment]) -> Self {
        let across = Vector3::z().cross(forward).normalize();
        let up = forward.cross(&across);
        let mut moments = Matrix2::<f64>::zeros();
        for point in path.iter().flat_map(|s| s.points(0.1)) {
            let d = point - tip_mm;
            let (x, y) = (d.dot(&across), d.dot(&up));
            moments += Matrix2::new(x * x, x * y, x * y, y * y);
        }
        // Principal direction of a symmetric 2 × 2 matrix, as an angle from the upward axis.
        let angle = 0.5 * libm::atan2(2.0 * moments.m12, moments.m22 - moments.m11);
        let normal = across * libm::cos(angle) - up * libm::sin(angle);
        Self { origin_mm: *tip_mm, normal }
    }

    /// Signed distance of a point, mm.
    pub fn height_mm(&self, p: &Vector3<f64>) -> f64 {
        self.normal.dot(&(p - self.origin_mm))
    }

    /// Tilt from the vertical, rad.
    pub fn tilt_rad(&self) -> f64 {
        libm::asin(self.normal.z.abs().min(1.0))
    }
}

/// A bond the surface cuts.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct CutBond {
    /// The cell that owns the bond.
    pub owner: CellId,
    /// The cell at its other end.
    pub other: CellId,
    /// Its direction.
    pub direction: usize,
    /// +1 when the bond points from the lower to the upper side, −1 otherwise.
    pub sign: f64,
}

impl CutBond {
    /// The cell at the bond's upper end.
    pub fn upper(&self) -> CellId {
        if self.sign > 0.0 { self.other } else { self.owner }
    }
}

/// A crack surface: which side of it each cell lies on, and the bonds it cuts.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Surface {
    /// By cell: does it lie on the side the normal points to? Meaningful within the body only.
    pub is_above: Vec<bool>,
    /// The bonds it cuts, in order of the cell at the upper end.
    pub bonds: Vec<CutBond>,
    /// Fracture energy, nJ.
    pub energy_nj: f64,
    /// Area, mm².
    pub area_mm2: f64,
}

/// Capacity of a bond, in integer units.
fn capacity(cells: &Cells, lens: &Lens, owner: CellId, direction: usize) -> u32 {
    let left = 1.0 - f64::from(lens.damage[bond_id(owner, direction)]);
    let energy_nj = cells.bond_toughness_nj_mm2(owner, direction) * cells.bond_area_mm2(direction) * left;
    (energy_nj * UNITS_PER_NJ + 0.5) as u32
}

/// The surface of least fracture energy through the body, within the slab around a plane.
///
/// `held` are the instruments' lines. Cells beyond the slab lie on the plane's side.
pub fn least_energy_surface(model: &Model, lens: &Lens, body: u16, plane: &Plane, held: &[Segment]) -> Surface {
    let cells = &model.cells;
    let count = cells.count();
    const OUTSIDE: u32 = u32::MAX; // not of this body, or gone
    const ABOVE: u32 = 0; // the network's source
    const BELOW: u32 = 1; // the network's sink
    // In the soft shell a crack costs next to nothing wherever it runs, so there it keeps to the plane, unless an earlier
    // crack lies near.
    let is_free = |cell: usize| {
        let has_damage = || {
            (0..13).any(|d| {
                let behind = cells.backward[cell][d];
                lens.damage[bond_id(cell as CellId, d)] > 0.0 || behind != NONE && lens.damage[bond_id(behind, d)] > 0.0
            })
        };
        cells.core_weight[cell] >= SHELL_WEIGHT || lens.is_cracked && has_damage()
    };
    let mut node_of = vec![OUTSIDE; count];
    let mut slab: Vec<CellId> = Vec::new();
    let mut next = 2;
    for (cell, node) in node_of.iter_mut().enumerate() {
        if lens.fragment[cell] != body {
            continue;
        }
        let height = plane.height_mm(&cells.place_mm[cell]);
        let in_slab = height.abs() <= SLAB_HALF_MM;
        if in_slab {
            slab.push(cell as CellId);
        }
        *node = if in_slab && is_free(cell) {
            next += 1;
            next - 1
        } else if height > 0.0 {
            ABOVE
        } else {
            BELOW
        };
    }
    // Hold the instruments' cells: the surface runs between them.
    for point in held.iter().flat_map(|s| s.points(HELD_MM)) {
        cells.within(&point, HELD_MM, |cell| {
            let cell = cell as usize;
            if node_of[cell] != OUTSIDE {
                node_of[cell] = if plane.height_mm(&cells.place_mm[cell]) > 0.0 { ABOVE } else { BELOW };
            }
        });
    }
    let mut network = Network::default();
    network.reset(next as usize);
    network.tie_to_source(ABOVE);
    network.tie_to_sink(BELOW);
    for &cell in slab.iter().filter(|c| node_of[**c as usize] > BELOW) {
        let node = node_of[cell as usize];
        for direction in 0..13 {
            let (ahead, behind) = (cells.forward[cell as usize][direction], cells.backward[cell as usize][direction]);
            if ahead != NONE && node_of[ahead as usize] != OUTSIDE {
                network.connect(node, node_of[ahead as usize], capacity(cells, lens, cell, direction));
            }
            // A bond whose owner is a node too is met from there.
            if behind != NONE && node_of[behind as usize] <= BELOW {
                network.connect(node, node_of[behind as usize], capacity(cells, lens, behind, direction));
            }
        }
    }
    network.min_cut();
    let is_above: Vec<bool> =
        node_of.iter().map(|&n| n != OUTSIDE && (n == ABOVE || n > BELOW && network.is_source_side(n))).collect();
    // A cut bond has an end within the slab; its upper end may lie just outside.
    let mut upper: Vec<CellId> = Vec::new();
    for &cell in &slab {
        if is_above[cell as usize] {
            upper.push(cell);
        } else {
            let beyond = cells.forward[cell as usize].iter().chain(&cells.backward[cell as usize]);
            upper.extend(beyond.filter(|&&n| n != NONE && node_of[n as usize] == ABOVE));
        }
    }
    upper.sort_unstable();
    upper.dedup();
    let mut surface = Surface { is_above, bonds: Vec::new(), energy_nj: 0.0, area_mm2: 0.0 };
    let is_below = |n: u32| n != NONE && node_of[n as usize] != OUTSIDE && !surface.is_above[n as usize];
    for cell in upper {
        for direction in 0..13 {
            let (ahead, behind) = (cells.forward[cell as usize][direction], cells.backward[cell as usize][direction]);
            if is_below(ahead) {
                surface.bonds.push(CutBond { owner: cell, other: ahead, direction, sign: -1.0 });
            }
            if is_below(behind) {
                surface.bonds.push(CutBond { owner: behind, other: cell, direction, sign: 1.0 });
            }
        }
    }
    for bond in &surface.bonds {
        let area_mm2 = cells.bond_area_mm2(bond.direction);
        let left = 1.0 - f64::from(lens.damage[bond_id(bond.owner, bond.direction)]);
        surface.area_mm2 += area_mm2;
        surface.energy_nj += left * area_mm2 * cells.bond_toughness_nj_mm2(bond.owner, bond.direction);
    }
    surface
}

/// The bonds of a surface that the chopper has cut on its way: those whose middle lies within `near_mm` of its path.
pub fn cut_along_path(cells: &Cells, lens: &mut Lens, surface: &Surface, path: &[Segment], near_mm: f64) {
    let ends = || path.iter().flat_map(|s| [s.a, s.b]);
    let fold = |start: f64, f: fn(f64, f64) -> f64| ends().fold(Vector3::repeat(start), |sum, p| sum.zip_map(&p, f));
    let (low, high) =
        (fold(f64::INFINITY, f64::min).add_scalar(-near_mm), fold(-f64::INFINITY, f64::max).add_scalar(near_mm));
    for bond in &surface.bonds {
        let middle = 0.5 * (cells.place_mm[bond.owner as usize] + cells.place_mm[bond.other as usize]);
        let is_near = (0..3).all(|a| low[a] <= middle[a] && middle[a] <= high[a]);
        if is_near && path.iter().any(|s| s.distance_mm(&middle) <= near_mm) {
            lens.damage[bond_id(bond.owner, bond.direction)] = 1.0;
            lens.is_cracked = true;
        }
    }
}
