//! The cohesive joint between the two sides of a crack.
//!
//! The bonds a surface cuts are gathered into facets: by the cell at their upper end in and near the core, by blocks of
//! 2 × 2 × 2 cells in the soft shell, where traction is low and even. Each follows a linear cohesive law
//! in the effective opening δ = |Δ|: traction rises to σ at δ₀, falls to nothing at δ_c, and the area under it is G; it
//! unloads to the origin and never heals (Hillerborg, Modéer & Petersson 1976, Cem Concr Res 6:773; irreversible as in
//! Ortiz & Pandolfi 1999, Int J Numer Meth Eng 44:1267). δ₀ = σ·ℓ/E lumps the stretch of the tissue on either side; δ_c =
//! 2G/σ. Where the faces close, normal contact takes over. Lens frame; mm, Pa, µN, nJ.

use crate::sim::cells::{CellId, DIRECTIONS, bond_id};
use crate::sim::cut::{CutBond, SHELL_WEIGHT, Surface};
use crate::sim::{Lens, Model};
use nalgebra::{Matrix6, Vector3, Vector6};
use serde::{Deserialize, Serialize};

/// Length of tissue on either side whose stretch is lumped into the bonds, mm (A).
pub const STRETCH_LENGTH_MM: f64 = 1.0;

/// Least opening at the peak of the cohesive law, mm (A): keeps the stiffness of hard cores finite.
pub const LEAST_PEAK_OPENING_MM: f64 = 0.02;

/// How much stiffer closed faces press on each other than the lumped stretch pulls (A).
const CONTACT_STIFFENING: f64 = 2.0;

/// The cut bonds of one cell, gathered.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Facet {
    /// Where, mm.
    place_mm: [f64; 3],
    /// Unit normal, toward the upper side.
    normal: [f64; 3],
    /// Area that still held at the start, mm².
    area_mm2: f64,
    /// Area within the core, broken bonds included, mm².
    core_area_mm2: f64,
    /// Area of the bonds within the core that were broken before, mm².
    broken_core_area_mm2: f64,
    /// Does it lie in the last third of the core's thickness?
    is_posterior: bool,
    /// Slope of the law up to the peak and down from it, Pa/mm.
    rise_pa_mm: f64,
    fall_pa_mm: f64,
    /// Opening at the peak, and where nothing holds any more, mm.
    peak_mm: f64,
    critical_mm: f64,
    /// Contact stiffness, µN/mm.
    contact_un_mm: f64,
    /// Greatest opening so far, mm.
    reached_mm: f64,
    /// Up to this squared opening the facet follows its unloading line, mm²; 0 when nothing holds.
    limit_mm2: f64,
    /// Stiffness of that line, µN/mm, and the energy it starts from, nJ.
    held_un_mm: f64,
    spent_nj: f64,
}

/// The joint at a pose.
pub(crate) struct JointSystem {
    /// Energy, nJ, contact included.
    pub energy_nj: f64,
    /// Secant stiffness.
    pub secant: Matrix6<f64>,
    /// What the tangent stiffness has less.
    pub softening: Matrix6<f64>,
}

/// Force at a place as force and moment about the lens's centre.
pub(crate) fn wrench([x, y, z]: [f64; 3], [fx, fy, fz]: [f64; 3]) -> Vector6<f64> {
    Vector6::new(fx, fy, fz, y * fz - z * fy, z * fx - x * fz, x * fy - y * fx)
}

/// Sum of `factor · row · rowᵀ` over many rows; the upper triangle is enough.
#[derive(Default)]
struct Dyads([f64; 21]);

impl Dyads {
    fn add(&mut self, factor: f64, row: &Vector6<f64>) {
        let mut n = 0;
        for i in 0..6 {
            let scaled = factor * row[i];
            for j in i..6 {
                self.0[n] += scaled * row[j];
                n += 1;
            }
        }
    }

    fn matrix(&self) -> Matrix6<f64> {
        let mut matrix = Matrix6::zeros();
        let mut n = 0;
        for i in 0..6 {
            for j in i..6 {
                matrix[(i, j)] = self.0[n];
                matrix[(j, i)] = self.0[n];
                n += 1;
            }
        }
        matrix
    }
}

impl Facet {
    /// Traction at a greatest opening, Pa.
    fn traction_pa(&self, opening_mm: f64) -> f64 {
        (self.rise_pa_mm * opening_mm).min(self.fall_pa_mm * (self.critical_mm - opening_mm)).max(0.0)
    }

    /// Work per area up to an opening, nJ/mm²: the integral of the law.
    fn potential_nj_mm2(&self, opening_mm: f64) -> f64 {
        let rising = opening_mm.min(self.peak_mm);
        let softening = self.critical_mm - self.peak_mm;
        let left = self.critical_mm - opening_mm.max(self.peak_mm).min(self.critical_mm);
        0.5 * self.rise_pa_mm * rising * rising + 0.5 * self.fall_pa_mm * (softening * softening - left * left)
    }

    /// Take a greatest opening as reached: the unloading line follows from it.
    fn reach(&mut self, opening_mm: f64) {
        self.reached_mm = opening_mm;
        if opening_mm >= self.critical_mm {
            self.limit_mm2 = 0.0;
            self.held_un_mm = 0.0;
            self.spent_nj = self.area_mm2 * self.potential_nj_mm2(self.critical_mm);
        } else if opening_mm <= self.peak_mm {
            self.limit_mm2 = self.peak_mm * self.peak_mm;
            self.held_un_mm = self.area_mm2 * self.rise_pa_mm;
            self.spent_nj = 0.0;
        } else {
            let traction = self.traction_pa(opening_mm);
            self.limit_mm2 = opening_mm * opening_mm;
            self.held_un_mm = self.area_mm2 * traction / opening_mm;
            self.spent_nj = self.area_mm2 * (self.potential_nj_mm2(opening_mm) - 0.5 * traction * opening_mm);
        }
    }

    /// Damage, 0..1.
    pub fn damage(&self) -> f64 {
        ((self.reached_mm - self.peak_mm) / (self.critical_mm - self.peak_mm)).clamp(0.0, 1.0)
    }

    /// The most it can still carry, µN.
    pub fn carries_un(&self) -> f64 {
        self.area_mm2 * self.traction_pa(self.reached_mm.max(self.peak_mm))
    }

    /// Does nothing hold any more?
    pub fn has_failed(&self) -> bool {
        self.reached_mm >= self.critical_mm
    }

    /// Displacement across the facet, its normal part, and the squared effective opening (closing is contact, not opening).
    #[inline]
    fn displacement(&self, q: &Vector6<f64>) -> ([f64; 3], f64, f64) {
        let [x, y, z] = self.place_mm;
        let d = [q[0] + q[4] * z - q[5] * y, q[1] + q[5] * x - q[3] * z, q[2] + q[3] * y - q[4] * x];
        let [nx, ny, nz] = self.normal;
        let normal = nx * d[0] + ny * d[1] + nz * d[2];
        let closing = normal.min(0.0);
        (d, normal, (d[0] * d[0] + d[1] * d[1] + d[2] * d[2] - closing * closing).max(0.0))
    }
}

/// Energy and stiffness of the joint at a relative pose.
pub(crate) fn joint_system(facets: &[Facet], q: &Vector6<f64>) -> JointSystem {
    let mut energy_nj = 0.0;
    let (mut contact, mut softening) = (Dyads::default(), Dyads::default());
    // Sums of stiffness times 1, x, y, z, xx, yy, zz, xy, xz, yz.
    let mut sums = [0.0; 10];
    for facet in facets {
        let (d, normal, square) = facet.displacement(q);
        let [x, y, z] = facet.place_mm;
        let mut k = facet.held_un_mm;
        energy_nj += facet.spent_nj;
        if square <= facet.limit_mm2 {
            energy_nj += 0.5 * k * square;
        } else if k > 0.0 {
            // Loading beyond the peak: the law itself. The tangent falls where the secant rises.
            let opening = square.sqrt();
            energy_nj += facet.area_mm2 * facet.potential_nj_mm2(opening) - facet.spent_nj;
            k = facet.area_mm2 * facet.traction_pa(opening) / opening;
            let falls = if opening < facet.critical_mm { facet.area_mm2 * facet.fall_pa_mm } else { 0.0 };
            let closing = normal.min(0.0);
            let [nx, ny, nz] = facet.normal;
            let open = [d[0] - closing * nx, d[1] - closing * ny, d[2] - closing * nz];
            softening.add((k + falls) / square, &wrench(facet.place_mm, open));
        }
        if k > 0.0 {
            sums[0] += k;
            sums[1] += k * x;
            sums[2] += k * y;
            sums[3] += k * z;
            sums[4] += k * x * x;
            sums[5] += k * y * y;
            sums[6] += k * z * z;
            sums[7] += k * x * y;
            sums[8] += k * x * z;
            sums[9] += k * y * z;
        }
        if normal < 0.0 {
            energy_nj += 0.5 * facet.contact_un_mm * normal * normal;
            contact.add(facet.contact_un_mm - k, &wrench(facet.place_mm, facet.normal));
        }
    }
    let [s, sx, sy, sz, xx, yy, zz, xy, xz, yz] = sums;
    #[rustfmt::skip]
    let joint = Matrix6::new(
        s,   0.0, 0.0, 0.0,     sz,      -sy,
        0.0, s,   0.0, -sz,     0.0,     sx,
        0.0, 0.0, s,   sy,      -sx,     0.0,
        0.0, -sz, sy,  yy + zz, -xy,     -xz,
        sz,  0.0, -sx, -xy,     xx + zz, -yz,
        -sy, sx,  0.0, -xz,     -yz,     xx + yy,
    );
    JointSystem { energy_nj, secant: joint + contact.matrix(), softening: softening.matrix() }
}

/// Record the openings at a relative pose; true when every facet has failed.
pub(crate) fn record(facets: &mut [Facet], q: &Vector6<f64>) -> bool {
    let mut all = true;
    for facet in facets {
        let (_, _, square) = facet.displacement(q);
        if square > facet.reached_mm * facet.reached_mm {
            facet.reach(square.sqrt());
        }
        all &= facet.has_failed();
    }
    all
}

/// Energy spent on all facets, nJ.
pub(crate) fn spent_nj(facets: &[Facet]) -> f64 {
    facets.iter().map(|f| f.spent_nj).sum()
}

/// Broken share of the crack surface's area within the core, and the same in the last third of the core's thickness.
pub(crate) fn cracked_shares(facets: &[Facet]) -> (f64, f64) {
    let (mut core, mut broken, mut third, mut third_broken) = (0.0, 0.0, 0.0, 0.0);
    for facet in facets {
        let failed = if facet.has_failed() { facet.core_area_mm2 } else { facet.broken_core_area_mm2 };
        core += facet.core_area_mm2;
        broken += failed;
        if facet.is_posterior {
            third += facet.core_area_mm2;
            third_broken += failed;
        }
    }
    let share = |part: f64, whole: f64| if whole > 0.0 { part / whole } else { 0.0 };
    (share(broken, core), share(third_broken, third))
}

/// The facets of a surface, and for each of its bonds the facet it belongs to.
pub(crate) fn gather(model: &Model, lens: &Lens, surface: &Surface) -> (Vec<Facet>, Vec<Member>) {
    let cells = &model.cells;
    let key = |bond: &CutBond| {
        let cell = bond.upper() as usize;
        if cells.core_weight[cell] >= SHELL_WEIGHT { (0, cell as u32) } else { (1, cells.block(cell as CellId)) }
    };
    let mut bonds: Vec<((u8, u32), CutBond)> = surface.bonds.iter().map(|b| (key(b), *b)).collect();
    bonds.sort_by_key(|(key, _)| *key); // stable: within a facet the surface's own order stays
    let (mut facets, mut members) = (Vec::new(), Vec::with_capacity(bonds.len()));
    let units = DIRECTIONS.map(|d| Vector3::from(d.map(f64::from)).normalize());
    for group in bonds.chunk_by(|a, b| a.0 == b.0) {
        let number = facets.len() as u32;
        members.extend(group.iter().map(|(_, b)| Member { bond: bond_id(b.owner, b.direction) as u32, facet: number }));
        facets.push(gathered(model, lens, group, &units));
    }
    (facets, members)
}

/// A cut bond and the facet it belongs to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Member {
    /// The bond.
    pub bond: u32,
    /// Index of its facet.
    pub facet: u32,
}

fn gathered(model: &Model, lens: &Lens, group: &[((u8, u32), CutBond)], units: &[Vector3<f64>; 13]) -> Facet {
    let cells = &model.cells;
    let (mut area, mut whole, mut damage) = (0.0, 0.0, 0.0);
    let (mut strength, mut toughness, mut modulus) = (0.0, 0.0, 0.0);
    let (mut core_area, mut broken_core_area) = (0.0, 0.0);
    let (mut place, mut normal) = (Vector3::zeros(), Vector3::zeros());
    for (_, bond) in group {
        let (a, b) = (bond.owner as usize, bond.other as usize);
        let bond_area = cells.bond_area_mm2(bond.direction);
        whole += bond_area;
        place += 0.5 * (cells.place_mm[a] + cells.place_mm[b]) * bond_area;
        normal += units[bond.direction] * (bond.sign * bond_area);
        let is_core = cells.core_weight[a] + cells.core_weight[b] >= 1.0;
        let bond_damage = f64::from(lens.damage[bond_id(bond.owner, bond.direction)]);
        if is_core {
            core_area += bond_area;
        }
        if bond_damage >= 1.0 {
            if is_core {
                broken_core_area += bond_area;
            }
            continue;
        }
        area += bond_area;
        damage += bond_damage * bond_area;
        strength += 0.5 * f64::from(cells.strength_pa[a] + cells.strength_pa[b]) * bond_area;
        toughness += cells.bond_toughness_nj_mm2(bond.owner, bond.direction) * bond_area;
        // In series along the bond the softer cell gives way.
        let (ma, mb) = (f64::from(cells.modulus_pa[a]), f64::from(cells.modulus_pa[b]));
        modulus += 2.0 * ma * mb / (ma + mb) * bond_area;
    }
    let place_mm: Vector3<f64> = place / whole;
    // Where every bond was broken before, nothing holds and any law will do.
    let mean = |sum: f64| if area > 0.0 { sum / area } else { 1.0 };
    let (strength, toughness, modulus) = (mean(strength), mean(toughness), mean(modulus));
    let peak_mm = (strength * STRETCH_LENGTH_MM / modulus).max(LEAST_PEAK_OPENING_MM);
    // A peak beyond 2G/σ would snap back; such tissue tears as soon as it has stretched that far.
    let critical_mm = (2.0 * toughness / strength).max(1.02 * peak_mm);
    let mut facet = Facet {
        place_mm: place_mm.into(),
        // A cell cut off on opposite sides faces nowhere: nothing there can close.
        normal: normal.try_normalize(1e-6 * whole).unwrap_or_default().into(),
        area_mm2: area,
        core_area_mm2: core_area,
        broken_core_area_mm2: broken_core_area,
        is_posterior: model.field.core.in_posterior_third(place_mm.z),
        rise_pa_mm: strength / peak_mm,
        fall_pa_mm: strength / (critical_mm - peak_mm),
        peak_mm,
        critical_mm,
        contact_un_mm: CONTACT_STIFFENING * modulus / STRETCH_LENGTH_MM * whole,
        reached_mm: 0.0,
        limit_mm2: 0.0,
        held_un_mm: 0.0,
        spent_nj: 0.0,
    };
    let damage = if area > 0.0 { damage / area } else { 1.0 };
    facet.reach(if damage > 0.0 { peak_mm + damage * (critical_mm - peak_mm) } else { 0.0 });
    facet
}
