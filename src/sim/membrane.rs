//! The posterior capsule as a thin membrane on the lens's back.
//!
//! It rests on the lens's posterior surface and rises from there by `w` (mm, vertical, toward the cornea) over the
//! spans that no lens supports, pushed by the pressure of the vitreous less that of the chamber:
//!
//! c·∂w/∂t = T·∇²w − k·w + Δp, `w = 0` on the rim, `w ≤` the underside of what lies or presses on it.
//!
//! Space: finite volumes on rings and sectors with one node at the pole; toward the pole the sectors are halved, so
//! that cells stay nearly square, by restricting the full polar operator to what is linear in angle between the nodes
//! that remain: it stays symmetric and positive. Time: implicit Euler, one step a tick. The obstacle: successive
//! over-relaxation with projection (Cryer 1971, SIAM J Control 9:385; M), started from the last tick, a fixed most
//! number of sweeps. mm, Pa, µN, µL; the eye's frame.
//!
//! Limits: small slopes (the load acts vertically); one constant tension, which neither grows with stretch nor is lost
//! as the bowl flattens; the vitreous backs each place by itself. An inextensible bowl ends as its mirror image in the
//! plane of its rim, and so does this one; backwards only a guard ends it. An instrument is no smaller than a cell.
//! Standing of values: S read, M from memory, D derived, A assumed.

use crate::sim::lens::Shape;
use nalgebra::Vector3;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Thickness at the posterior pole, mm (Barraquer 2006, IOVS; S).
pub const THICKNESS_MM: f64 = 0.0035;

/// Modulus, Pa: within 3 MPa at 60 years falling to 1.5 (Fisher 1969; S), the place between A.
pub const MODULUS_PA: f64 = 2.0e6;

/// Strain in the eye once the nucleus no longer fills the bag (A: nobody has measured it).
pub const STRAIN: f64 = 0.003;

/// Poisson's ratio: the capsule is taken to keep its volume (A).
pub const POISSON: f64 = 0.5;

/// Radius of the rim that holds still over that of the equator (A).
pub const RIM_SHARE: f64 = 0.9;

/// Backing by formed vitreous, Pa/mm. An incompressible half-space of shear modulus G answers a pressure of wave number
/// q with 2·G·q·w (D); G ≈ 10 Pa, the order of vitreous gel (M), and q = 2.405/4.4 mm, the rim's slowest mode, give 11
/// (A).
pub const FORMED_BACKING_PA_MM: f64 = 10.0;

/// Backing by liquefied vitreous, Pa/mm (A: a tenth of the formed).
pub const LIQUEFIED_BACKING_PA_MM: f64 = 1.0;

/// Viscous backing, Pa·s/mm (A): lets the whole membrane on formed vitreous follow within about 30 ms.
pub const VISCOSITY_PA_S_MM: f64 = 0.7;

/// Height of the underside where no lens lies above, mm: a number and not infinity, so that every format can hold it.
pub const FREE_MM: f64 = 1000.0;

/// Load at which a narrow span's stretch is taken, Pa (A: that of a surge, 4 mmHg).
const SPAN_LOAD_PA: f64 = 533.0;

/// Support up to this height above rest holds a node down, mm.
const HELD_MM: f64 = 0.05;

/// Change per sweep at which a tick's solve has converged, mm.
const CONVERGED_MM: f64 = 1e-4;

/// Change of the first sweep at which the membrane is at rest, mm.
const REST_MM: f64 = 1e-7;

/// Most sweeps a tick: from a standing start they leave half a percent of the tick's rise (by test).
const MOST_SWEEPS: u32 = 7;

/// Width of a cell along its ring, over the rings' spacing, below which the ring's sectors are halved: cells then lie
/// between 0.7 and 1.4 of square near the pole, where point relaxation would crawl through slivers.
const NARROWEST: f64 = 0.7;

/// Most steps of conjugate gradients, and the share of the sum so far at which what one adds ends them.
const MOST_GRADIENTS: u32 = 60;
const LITTLE_GAINED: f64 = 1e-3;

/// Largest load taken, Pa: 1000 mmHg and more is a fault elsewhere.
const MOST_LOAD_PA: f64 = 1.5e5;

/// Tension, Pa·mm, of a capsule under equal strain in all directions, E·t·ε/(1 − ν), over a laxity of at least 1.
pub fn tension_pa_mm(modulus_pa: f64, thickness_mm: f64, strain: f64, laxity: f64) -> f64 {
    modulus_pa * thickness_mm * strain / (1.0 - POISSON) / laxity.max(1.0)
}

/// Wall stress, Pa, of capsule drawn into a port as a half-sphere: P·a/(2·t).
pub fn suction_stress_pa(vacuum_pa: f64, port_radius_mm: f64, thickness_mm: f64) -> f64 {
    0.5 * vacuum_pa * port_radius_mm / thickness_mm.max(1e-6)
}

/// Stress at which the capsule gives way, Pa: 2.3 MPa falling to 0.7 with age (Fisher 1969; S), in a line between 20
/// and 80 years and constant beyond (D).
pub fn strength_pa(age_years: f64) -> f64 {
    1e6 * (2.3 - 1.6 * ((age_years - 20.0) / 60.0).clamp(0.0, 1.0))
}

/// What the membrane is made of and backed by.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Mechanics {
    /// Tension, Pa·mm (= µN/mm).
    pub tension_pa_mm: f64,
    /// Elastic backing by the vitreous, Pa/mm.
    pub backing_pa_mm: f64,
    /// Viscous backing, Pa·s/mm.
    pub viscosity_pa_s_mm: f64,
}

impl Mechanics {
    /// An eye of this laxity (1 taut) whose vitreous is liquefied to this share, 0..1.
    pub fn new(laxity: f64, liquefied: f64) -> Self {
        let share = liquefied.clamp(0.0, 1.0);
        Self {
            tension_pa_mm: tension_pa_mm(MODULUS_PA, THICKNESS_MM, STRAIN, laxity),
            backing_pa_mm: FORMED_BACKING_PA_MM + share * (LIQUEFIED_BACKING_PA_MM - FORMED_BACKING_PA_MM),
            viscosity_pa_s_mm: VISCOSITY_PA_S_MM,
        }
    }
}

/// A node of the grid.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Node {
    /// Place across, mm.
    pub x_mm: f64,
    /// Place across, mm.
    pub y_mm: f64,
    /// Height at rest, mm.
    pub rest_z_mm: f64,
    /// Area it stands for, seen along the axis, mm².
    pub area_mm2: f64,
}

/// A ring of nodes: the first one's number, and how many. Even sectors come first and then the odd ones, so that
/// neighbours are not updated one right after the other and the processor need not wait.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Ring {
    start: usize,
    sectors: usize,
}

impl Ring {
    fn node(&self, sector: usize) -> usize {
        let k = sector % self.sectors;
        self.start + k / 2 + if k % 2 == 1 { self.sectors / 2 } else { 0 }
    }
}

/// A neighbour and what couples a node to it, µN/mm.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Coupling {
    un_mm: f64,
    node: u32,
}

/// All of the membrane that does not change.
#[derive(Clone, Debug, PartialEq)]
pub struct Membrane {
    shape: Shape,
    mechanics: Mechanics,
    rim_mm: f64,
    spacing_mm: f64,
    rings: Vec<Ring>, // the pole, the rings outward; the rim is not among them
    nodes: Vec<Node>,
    /// Off-diagonal rows of −T·∇² times area: row i of the inner rings is `inner[starts[i]..starts[i + 1]]`, and of the
    /// rest, which have four neighbours or fewer, `outer[i - starts.len() + 1]`.
    starts: Vec<usize>,
    inner: Vec<Coupling>,
    outer: Vec<[Coupling; 4]>,
    /// Diagonal of T and backing, without the viscous part, Pa·mm.
    stiffness: Vec<f64>,
    /// Viscous part of the diagonal, Pa·mm.
    drag: Vec<f64>,
    /// Inverse of the whole diagonal.
    inverse: Vec<f64>,
    /// Height above rest at which a bowl that does not stretch is everted, mm.
    taut_mm: Vec<f64>,
    relaxation: f64,
}

/// Something that presses on the membrane from above.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Press {
    /// Its lowest point, mm.
    pub place_mm: Vector3<f64>,
    /// Radius of its blunt underside, mm.
    pub radius_mm: f64,
}

/// The membrane as it stands.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct MembraneState {
    /// Rise of each node above rest, mm.
    pub rise_mm: Vec<f64>,
    /// Height above rest of the lens's underside over each node, mm; `FREE_MM` where there is none.
    pub support_mm: Vec<f64>,
    /// Height above rest at which each node is taut, mm: that of the bowl everted, or less where the free span is narrow.
    pub taut_mm: Vec<f64>,
    /// Force of each node on what lies or presses on it, µN.
    pub contact_un: Vec<f64>,
    /// Force on each of the last tick's presses, µN, in their order.
    pub press_un: Vec<f64>,
    /// The last tick's presses.
    pub presses: Vec<Press>,
    /// The last tick's load, Pa.
    pub load_pa: f64,
    /// Does nothing move as long as nothing changes?
    pub is_at_rest: bool,
    /// Sweeps of the last tick's solve.
    pub sweeps: u32,
}

impl Membrane {
    /// The membrane on this lens's back. `rings` between pole and rim (2..=128), `sectors` of the outer ones (a
    /// multiple of 6, 6..=384); others are brought to the nearest below.
    pub fn new(shape: &Shape, mechanics: Mechanics, rings: usize, sectors: usize, tick_s: f64) -> Self {
        let rings_free = rings.clamp(2, 128);
        let sectors = sectors.clamp(6, 384) / 6 * 6;
        let mechanics = Mechanics {
            tension_pa_mm: mechanics.tension_pa_mm.clamp(1e-3, 1e6),
            backing_pa_mm: mechanics.backing_pa_mm.clamp(0.0, 1e6),
            viscosity_pa_s_mm: mechanics.viscosity_pa_s_mm.clamp(0.0, 1e6),
        };
        let tick_s = tick_s.clamp(1e-6, 1.0);
        let rim_mm = RIM_SHARE * shape.equator_mm;
        let spacing_mm = rim_mm / (rings_free + 1) as f64;
        let turn = 2.0 * core::f64::consts::PI;

        let mut rings = vec![Ring { start: 0, sectors: 1 }];
        let mut places = vec![(0.0, 0.0)];
        for j in 1..=rings_free {
            let mut count = sectors;
            while count.is_multiple_of(4) && count >= 12 && turn * (j as f64) < NARROWEST * count as f64 {
                count /= 2;
            }
            let ring = Ring { start: places.len(), sectors: count };
            places.resize(ring.start + count, (0.0, 0.0));
            for k in 0..count {
                let (angle, radius) = (turn * k as f64 / count as f64, j as f64 * spacing_mm);
                places[ring.node(k)] = (radius * libm::cos(angle), radius * libm::sin(angle));
            }
            rings.push(ring);
        }

        // Where the full polar grid takes its values from: up to two nodes of the same ring, with weights.
        let from = |j: usize, k: usize| -> [(usize, f64); 2] {
            let Some(ring) = rings.get(j) else { return [(0, 0.0); 2] };
            let ratio = sectors / ring.sectors;
            if j == 0 {
                return [(0, 1.0), (0, 0.0)];
            }
            let share = (k % ratio) as f64 / ratio as f64;
            [(ring.node(k / ratio), 1.0 - share), (ring.node(k / ratio + 1), share)]
        };
        let step = turn / sectors as f64;
        let mut area = vec![0.0; places.len()];
        area[0] = 0.25 * core::f64::consts::PI * spacing_mm * spacing_mm;
        // Energy ½·Σ g·(wₐ − w_b)² over the faces of the full grid, each difference written out in nodes.
        let mut matrix: BTreeMap<(usize, usize), f64> = BTreeMap::new();
        let mut join = |a: [(usize, f64); 2], b: [(usize, f64); 2], conductance: f64| {
            let difference = [a[0], a[1], (b[0].0, -b[0].1), (b[1].0, -b[1].1)];
            for (i, wi) in difference {
                for (j, wj) in difference {
                    if wi != 0.0 && wj != 0.0 {
                        *matrix.entry((i, j)).or_insert(0.0) += conductance * wi * wj;
                    }
                }
            }
        };
        for j in 0..=rings_free {
            for k in 0..sectors {
                let outward = (j as f64 + 0.5) * step;
                join(from(j, k), from(j + 1, k), mechanics.tension_pa_mm * outward);
                if j > 0 {
                    join(from(j, k), from(j, k + 1), mechanics.tension_pa_mm / (j as f64 * step));
                    for (node, weight) in from(j, k) {
                        area[node] += weight * j as f64 * step * spacing_mm * spacing_mm;
                    }
                }
            }
        }

        let mut stiffness: Vec<f64> = area.iter().map(|a| a * mechanics.backing_pa_mm).collect();
        let mut rows = vec![Vec::new(); places.len()];
        for (&(i, j), &un_mm) in &matrix {
            if i == j {
                stiffness[i] += un_mm;
            } else if un_mm.abs() > 1e-12 * mechanics.tension_pa_mm {
                rows[i].push(Coupling { un_mm, node: j as u32 });
            }
        }
        let crowded = rows.iter().rposition(|row| row.len() > 4).map_or(0, |i| i + 1);
        let (mut starts, mut inner, mut outer) = (vec![0], Vec::new(), Vec::new());
        for (i, row) in rows.iter().enumerate() {
            if i < crowded {
                inner.extend_from_slice(row);
                starts.push(inner.len());
            } else {
                let own = Coupling { un_mm: 0.0, node: i as u32 };
                outer.push(core::array::from_fn(|k| row.get(k).copied().unwrap_or(own)));
            }
        }
        let drag: Vec<f64> = area.iter().map(|a| a * mechanics.viscosity_pa_s_mm / tick_s).collect();
        let inverse = stiffness.iter().zip(&drag).map(|(k, d)| 1.0 / (k + d)).collect();
        let rim_z_mm = shape.posterior_z_mm(rim_mm);
        let node = |(&(x_mm, y_mm), &area_mm2): (&(f64, f64), &f64)| {
            let rest_z_mm = shape.posterior_z_mm(libm::hypot(x_mm, y_mm));
            Node { x_mm, y_mm, rest_z_mm, area_mm2 }
        };
        let nodes: Vec<Node> = places.iter().zip(&area).map(node).collect();
        let taut_mm = nodes.iter().map(|n| 2.0 * (rim_z_mm - n.rest_z_mm)).collect();
        let mut membrane = Self {
            shape: shape.clone(),
            mechanics,
            rim_mm,
            spacing_mm,
            rings,
            nodes,
            starts,
            inner,
            outer,
            stiffness,
            drag,
            inverse,
            taut_mm,
            relaxation: 1.0,
        };
        membrane.relaxation = membrane.best_relaxation();
        membrane
    }

    /// Young's factor 2/(1 + √(1 − ρ²)), ρ from power steps on the Jacobi iteration: what relaxes the free membrane
    /// fastest in many sweeps; a little more does so in few (0.06 by trial, at laxities 1 and 3).
    fn best_relaxation(&self) -> f64 {
        let mut v = vec![1.0; self.nodes.len()];
        let mut radius = 0.0;
        for _ in 0..60 {
            let next: Vec<f64> = (0..v.len()).map(|i| -self.inverse[i] * self.pull(i, &v)).collect();
            let (n, d) = (next.iter().map(|x| x * x).sum::<f64>(), v.iter().map(|x| x * x).sum::<f64>());
            radius = libm::sqrt(n / d.max(1e-300));
            let scale = 1.0 / libm::sqrt(n.max(1e-300));
            v = next.iter().map(|x| x * scale).collect();
        }
        let radius = radius.clamp(0.0, 0.9999);
        (2.0 / (1.0 + libm::sqrt(1.0 - radius * radius)) + 0.06).min(1.95)
    }

    /// Off-diagonal part of a row times the rises, µN.
    #[inline]
    fn pull(&self, i: usize, rise_mm: &[f64]) -> f64 {
        let times = |c: &Coupling| c.un_mm * rise_mm[c.node as usize];
        let crowded = self.starts.len() - 1;
        if i >= crowded {
            let [a, b, c, d] = &self.outer[i - crowded];
            (times(a) + times(b)) + (times(c) + times(d))
        } else {
            self.inner[self.starts[i]..self.starts[i + 1]].iter().map(times).sum()
        }
    }

    /// The nodes, in the order of every list by node: for each, the height of the lens's underside above `rest_z_mm` is
    /// what `MembraneState::lay` asks for.
    pub fn nodes(&self) -> &[Node] {
        &self.nodes
    }

    /// Radius of the rim, mm.
    pub fn rim_mm(&self) -> f64 {
        self.rim_mm
    }

    /// What it is made of and backed by.
    pub fn mechanics(&self) -> Mechanics {
        self.mechanics
    }

    /// Ring within, share of the way to the next ring outward, angle; `None` beyond the rim.
    fn place(&self, x_mm: f64, y_mm: f64) -> Option<(usize, f64, f64)> {
        let scaled = libm::hypot(x_mm, y_mm) / self.spacing_mm;
        let ring = libm::floor(scaled);
        // Written so that what is no number lies beyond the rim too.
        (ring < self.rings.len() as f64).then(|| (ring as usize, scaled - ring, libm::atan2(y_mm, x_mm)))
    }

    /// The two nodes of a ring about an angle, and the share of the way from one to the other; the rim has none.
    fn around(&self, ring: usize, angle: f64) -> Option<(usize, usize, f64)> {
        let ring = self.rings.get(ring)?;
        let count = ring.sectors as f64;
        let turns = angle / (2.0 * core::f64::consts::PI);
        let scaled = (turns - libm::floor(turns)) * count;
        let sector = libm::floor(scaled).clamp(0.0, count - 1.0);
        Some((ring.node(sector as usize), ring.node(sector as usize + 1), scaled - sector))
    }

    /// The node nearest to a place; `None` beyond the rim.
    pub fn node_at(&self, x_mm: f64, y_mm: f64) -> Option<usize> {
        let (ring, share, angle) = self.place(x_mm, y_mm)?;
        let (low, high, t) = self.around(if share < 0.5 { ring } else { ring + 1 }, angle)?;
        Some(if t < 0.5 { low } else { high })
    }

    /// Visit the nodes that a press holds down, with the height it holds them to: those under its radius, and the
    /// corners of the cell it is in, so that the membrane never passes it.
    fn visit_pressed(&self, press: &Press, mut visit: impl FnMut(usize, f64)) {
        let p = press.place_mm;
        let radius_mm = libm::hypot(p.x, p.y);
        let rest_z_mm = self.shape.posterior_z_mm(radius_mm);
        let Some((ring, _, angle)) = self.place(p.x, p.y) else { return };
        // Above what the membrane can reach anywhere, or no number at all.
        let is_reachable = p.z - self.shape.posterior_z_mm(self.rim_mm) < self.taut_mm[0];
        if !is_reachable {
            return;
        }
        for corner in [self.around(ring, angle), self.around(ring + 1, angle)].into_iter().flatten() {
            visit(corner.0, p.z - rest_z_mm);
            visit(corner.1, p.z - rest_z_mm);
        }
        let square = press.radius_mm * press.radius_mm;
        let first = libm::ceil((radius_mm - press.radius_mm) / self.spacing_mm).max(0.0) as usize;
        let last = libm::floor((radius_mm + press.radius_mm) / self.spacing_mm).max(0.0) as usize;
        for ring in self.rings.iter().take(last.saturating_add(1)).skip(first) {
            for i in ring.start..ring.start + ring.sectors {
                let n = &self.nodes[i];
                if (n.x_mm - p.x) * (n.x_mm - p.x) + (n.y_mm - p.y) * (n.y_mm - p.y) <= square {
                    visit(i, p.z - n.rest_z_mm);
                }
            }
        }
    }
}

impl MembraneState {
    /// At rest under a whole lens.
    pub fn new(membrane: &Membrane) -> Self {
        let zeros = vec![0.0; membrane.nodes.len()];
        Self {
            taut_mm: membrane.taut_mm.clone(),
            rise_mm: zeros.clone(),
            support_mm: zeros.clone(),
            contact_un: zeros,
            press_un: Vec::new(),
            presses: Vec::new(),
            load_pa: 0.0,
            is_at_rest: true,
            sweeps: 0,
        }
    }

    /// Lay what is left of the lens on the membrane: the height of its underside above rest at each node, mm, `FREE_MM`
    /// where there is none. Missing entries and what is no number count as free.
    pub fn lay(&mut self, membrane: &Membrane, support_mm: &[f64]) {
        for (i, own) in self.support_mm.iter_mut().enumerate() {
            let given = support_mm.get(i).copied().unwrap_or(FREE_MM);
            let given = if given.is_nan() { FREE_MM } else { given.clamp(-FREE_MM, FREE_MM) };
            self.is_at_rest &= given == *own;
            *own = given;
        }
        self.tauten(membrane);
    }

    /// A narrow span everts by no more than twice its sagitta, and stretches by its load in the large deflection of a
    /// clamped strip, w = a·(p·a/(3·E·t))^(1/3) (Timoshenko & Woinowsky-Krieger 1959; M), at a load of `SPAN_LOAD_PA`.
    fn tauten(&mut self, membrane: &Membrane) {
        let radius_mm = membrane.shape.equator_mm * membrane.shape.equator_mm / membrane.shape.back_mm;
        let held: Vec<(f64, f64)> = membrane
            .nodes
            .iter()
            .zip(&self.support_mm)
            .filter(|(_, support)| **support <= HELD_MM)
            .map(|(n, _)| (n.x_mm, n.y_mm))
            .collect();
        for (i, node) in membrane.nodes.iter().enumerate() {
            let square = |(x, y): &(f64, f64)| (x - node.x_mm) * (x - node.x_mm) + (y - node.y_mm) * (y - node.y_mm);
            let nearest = held.iter().map(square).fold(f64::INFINITY, f64::min);
            let rim_mm = membrane.rim_mm - libm::hypot(node.x_mm, node.y_mm);
            let span_mm = libm::sqrt(nearest).min(rim_mm);
            let stretch = libm::cbrt(SPAN_LOAD_PA * span_mm / (3.0 * MODULUS_PA * THICKNESS_MM));
            self.taut_mm[i] = membrane.taut_mm[i].min(span_mm * span_mm / radius_mm + span_mm * stretch);
        }
    }

    /// One tick under a load (vitreous less chamber, Pa) and these presses.
    pub fn step(&mut self, membrane: &Membrane, load_pa: f64, presses: &[Press]) {
        let load_pa = if load_pa.is_nan() { 0.0 } else { load_pa.clamp(-MOST_LOAD_PA, MOST_LOAD_PA) };
        self.is_at_rest &= load_pa == self.load_pa && presses == self.presses.as_slice();
        self.sweeps = 0;
        if self.is_at_rest {
            return;
        }
        self.load_pa = load_pa;
        self.presses.clear();
        self.presses.extend_from_slice(presses);

        let lowest_mm = -membrane.shape.back_mm;
        let limit = |(support, taut): (&f64, &f64)| support.min(*taut).max(lowest_mm);
        let mut ceiling_mm: Vec<f64> = self.support_mm.iter().zip(&self.taut_mm).map(limit).collect();
        for press in presses {
            membrane.visit_pressed(press, |i, height| ceiling_mm[i] = ceiling_mm[i].min(height).max(lowest_mm));
        }
        let drive = |i: usize| membrane.drag[i] * self.rise_mm[i] + membrane.nodes[i].area_mm2 * load_pa;
        let force_un: Vec<f64> = (0..membrane.nodes.len()).map(drive).collect();

        let mut first = f64::INFINITY;
        while self.sweeps < MOST_SWEEPS {
            let change = self.sweep(membrane, &force_un, &ceiling_mm, lowest_mm);
            if self.sweeps == 0 {
                first = change;
            }
            self.sweeps += 1;
            if change < CONVERGED_MM {
                break;
            }
        }
        self.is_at_rest = first < REST_MM;

        for (i, &ceiling) in ceiling_mm.iter().enumerate() {
            let touches = self.rise_mm[i] >= ceiling && ceiling < self.taut_mm[i];
            self.contact_un[i] = if touches { self.unbalanced_un(membrane, &force_un, i).max(0.0) } else { 0.0 };
        }
        self.press_un.clear();
        for press in presses {
            // Where several hold the same node, the lowest carries it; `ceiling_mm` then moves out of the way, so that
            // no force counts twice.
            let mut sum = 0.0;
            membrane.visit_pressed(press, |i, height| {
                if height.max(lowest_mm) == ceiling_mm[i] {
                    sum += self.contact_un[i];
                    ceiling_mm[i] = FREE_MM;
                }
            });
            self.press_un.push(sum);
        }
    }

    /// Relax every node once, from the rim inward, the way the rim's hold travels: five sweeps outward leave six times
    /// the error. The largest change, mm.
    fn sweep(&mut self, membrane: &Membrane, force_un: &[f64], ceiling_mm: &[f64], lowest_mm: f64) -> f64 {
        let mut largest: f64 = 0.0;
        for (i, (&force, &ceiling)) in force_un.iter().zip(ceiling_mm).enumerate().rev() {
            let balanced = (force - membrane.pull(i, &self.rise_mm)) * membrane.inverse[i];
            let old = self.rise_mm[i];
            // By comparison, and not `min`, `max`: their care for what is no number lengthens the chain.
            let new = old + membrane.relaxation * (balanced - old);
            let new = if new < ceiling { new } else { ceiling };
            let new = if new > lowest_mm { new } else { lowest_mm };
            let change = (new - old).abs();
            largest = if change > largest { change } else { largest };
            self.rise_mm[i] = new;
        }
        largest
    }

    /// Force at a node that nothing of the membrane's own balances, µN: what an obstacle carries.
    fn unbalanced_un(&self, membrane: &Membrane, force_un: &[f64], i: usize) -> f64 {
        force_un[i] - membrane.pull(i, &self.rise_mm) - (membrane.stiffness[i] + membrane.drag[i]) * self.rise_mm[i]
    }

    /// Rise at a place, mm, and its slopes along x and y; zero beyond the rim. Linear in angle along a ring, and in
    /// radius between rings.
    fn rise_and_slope(&self, membrane: &Membrane, x_mm: f64, y_mm: f64) -> (f64, f64, f64) {
        let Some((ring, share, angle)) = membrane.place(x_mm, y_mm) else { return (0.0, 0.0, 0.0) };
        let on = |ring: usize| {
            membrane.around(ring, angle).map_or((0.0, 0.0), |(i, j, t)| {
                let (a, b) = (self.rise_mm[i], self.rise_mm[j]);
                let per_rad = membrane.rings[ring].sectors as f64 / (2.0 * core::f64::consts::PI);
                (a + t * (b - a), (b - a) * per_rad)
            })
        };
        let ((inner, inner_turn), (outer, outer_turn)) = (on(ring), on(ring + 1));
        let radius = (ring as f64 + share).max(1e-9) * membrane.spacing_mm;
        let along = (outer - inner) / membrane.spacing_mm;
        let across = (inner_turn + share * (outer_turn - inner_turn)) / radius;
        let (s, c) = (libm::sin(angle), libm::cos(angle));
        (inner + share * (outer - inner), along * c - across * s, along * s + across * c)
    }

    /// Rise above rest at a place, mm.
    pub fn rise_at_mm(&self, membrane: &Membrane, x_mm: f64, y_mm: f64) -> f64 {
        self.rise_and_slope(membrane, x_mm, y_mm).0
    }

    /// Height of the membrane at a place, mm.
    pub fn posterior_z_mm(&self, membrane: &Membrane, x_mm: f64, y_mm: f64) -> f64 {
        membrane.shape.posterior_z_mm(libm::hypot(x_mm, y_mm)) + self.rise_at_mm(membrane, x_mm, y_mm)
    }

    /// Unit normal toward the cornea at a place.
    pub fn normal(&self, membrane: &Membrane, x_mm: f64, y_mm: f64) -> Vector3<f64> {
        let (_, slope_x, slope_y) = self.rise_and_slope(membrane, x_mm, y_mm);
        let (rest_x, rest_y) = rest_slope(&membrane.shape, x_mm, y_mm);
        Vector3::new(-slope_x - rest_x, -slope_y - rest_y, 1.0).normalize()
    }

    /// Signed distance of a place to the membrane, mm, negative behind it: the exact distance to the surface at rest
    /// from a place lowered by the rise, corrected for how the rise tilts the surface. Exact where there is no rise,
    /// and of first order near the membrane elsewhere.
    pub fn distance_mm(&self, membrane: &Membrane, p: &Vector3<f64>) -> f64 {
        let (rise, slope_x, slope_y) = self.rise_and_slope(membrane, p.x, p.y);
        let distance = membrane.shape.distance_to_posterior_mm(&Vector3::new(p.x, p.y, p.z - rise));
        let (rest_x, rest_y) = rest_slope(&membrane.shape, p.x, p.y);
        let square = |x: f64, y: f64| 1.0 + x * x + y * y;
        distance * libm::sqrt(square(rest_x, rest_y) / square(rest_x + slope_x, rest_y + slope_y))
    }

    /// Rise of the pole, mm.
    pub fn pole_rise_mm(&self) -> f64 {
        self.rise_mm.first().copied().unwrap_or(0.0)
    }

    /// Largest rise, mm, and the number of its node.
    pub fn largest_rise_mm(&self) -> (f64, usize) {
        self.rise_mm
            .iter()
            .enumerate()
            .fold((f64::NEG_INFINITY, 0), |best, (i, &w)| if w > best.0 { (w, i) } else { best })
    }

    /// Volume displaced from behind to before, µL.
    pub fn volume_ul(&self, membrane: &Membrane) -> f64 {
        self.rise_mm.iter().zip(&membrane.nodes).map(|(w, n)| w * n.area_mm2).sum()
    }

    /// Share of the area that has no lens above it.
    pub fn unsupported_share(&self, membrane: &Membrane) -> f64 {
        let area = |is_counted: &dyn Fn(usize) -> bool| -> f64 {
            (0..membrane.nodes.len()).filter(|&i| is_counted(i)).map(|i| membrane.nodes[i].area_mm2).sum()
        };
        area(&|i| self.support_mm[i] >= FREE_MM) / area(&|_| true)
    }

    /// Volume, µL/Pa, with which what touches nothing answers a change of load by the end of the tick. By conjugate
    /// gradients, at twice a tick's cost: ask when contacts change rather than always.
    pub fn tick_compliance_ul_pa(&self, membrane: &Membrane) -> f64 {
        membrane.volume_per_pa(&self.free(), 1.0)
    }

    /// The same in the end, at four times a tick's cost.
    pub fn settled_compliance_ul_pa(&self, membrane: &Membrane) -> f64 {
        membrane.volume_per_pa(&self.free(), 0.0)
    }

    /// 1 for nodes that touch nothing and have room, 0 for the others.
    fn free(&self) -> Vec<f64> {
        let has_room = |(i, &taut)| self.contact_un[i] == 0.0 && self.rise_mm[i] < taut;
        self.taut_mm.iter().enumerate().map(|node| if has_room(node) { 1.0 } else { 0.0 }).collect()
    }
}

/// Slopes of the surface at rest along x and y; held near the equator, where the wall stands up, and none beyond it.
fn rest_slope(shape: &Shape, x_mm: f64, y_mm: f64) -> (f64, f64) {
    let square = shape.equator_mm * shape.equator_mm;
    let chord = 1.0 - (x_mm * x_mm + y_mm * y_mm) / square;
    let slope = shape.back_mm / (square * libm::sqrt(chord.max(1e-4)));
    if chord > 0.0 { (slope * x_mm, slope * y_mm) } else { (0.0, 0.0) }
}

impl Membrane {
    /// Volume under the rise that 1 Pa gives the free nodes (1 free, 0 held), with or without the tick's drag (1 or 0).
    fn volume_per_pa(&self, free: &[f64], drag: f64) -> f64 {
        let count = self.nodes.len();
        let diagonal = |i: usize| self.stiffness[i] + drag * self.drag[i];
        let mut rest: Vec<f64> = (0..count).map(|i| free[i] * self.nodes[i].area_mm2).collect();
        let mut direction: Vec<f64> = (0..count).map(|i| rest[i] / diagonal(i)).collect();
        let mut product = vec![0.0; count];
        let mut square: f64 = (0..count).map(|i| rest[i] * direction[i]).sum();
        // Each step adds to the volume exactly what it takes off the energy: b·x = Σ α·(r·z).
        let mut volume = 0.0;
        for _ in 0..MOST_GRADIENTS {
            for i in 0..count {
                product[i] = free[i] * (self.pull(i, &direction) + diagonal(i) * direction[i]);
            }
            let curvature: f64 = direction.iter().zip(&product).map(|(d, p)| d * p).sum();
            if curvature <= 0.0 {
                break;
            }
            let step = square / curvature;
            let gained = step * square;
            volume += gained;
            if gained < LITTLE_GAINED * volume {
                break;
            }
            let before = square;
            square = 0.0;
            for i in 0..count {
                rest[i] -= step * product[i];
                square += rest[i] * rest[i] / diagonal(i);
            }
            let share = square / before;
            for i in 0..count {
                direction[i] = rest[i] / diagonal(i) + share * direction[i];
            }
        }
        volume
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::{PA_PER_MMHG, pa_from_mmhg};

    const TICK_S: f64 = 1.0 / 240.0;
    const RINGS: usize = 12;
    const SECTORS: usize = 24;
    /// First zero of J0.
    const J0_ZERO: f64 = 2.404_825_557_695_773;

    fn shape() -> Shape {
        Shape::new(9.768, 4.610)
    }

    fn taut() -> Mechanics {
        Mechanics::new(1.0, 0.0)
    }

    fn membrane(mechanics: Mechanics) -> Membrane {
        Membrane::new(&shape(), mechanics, RINGS, SECTORS, TICK_S)
    }

    /// Free but for the lens that `under` leaves at a node; no span is too narrow, so that the operator answers alone.
    fn laid(membrane: &Membrane, under: impl Fn(&Node) -> Option<f64>) -> MembraneState {
        let mut state = MembraneState::new(membrane);
        let support: Vec<f64> = membrane.nodes().iter().map(|n| under(n).unwrap_or(FREE_MM)).collect();
        state.lay(membrane, &support);
        state.taut_mm.clone_from(&membrane.taut_mm);
        state
    }

    fn radius(n: &Node) -> f64 {
        libm::hypot(n.x_mm, n.y_mm)
    }

    fn settle(membrane: &Membrane, state: &mut MembraneState, load_pa: f64, presses: &[Press]) {
        for _ in 0..20_000 {
            state.step(membrane, load_pa, presses);
            if state.is_at_rest {
                return;
            }
        }
        panic!("no rest: last tick took {} sweeps", state.sweeps);
    }

    /// Modified Bessel function of order 0 by its series.
    fn i0(x: f64) -> f64 {
        let (mut term, mut sum) = (1.0, 1.0);
        for n in 1..60 {
            term *= x * x / 4.0 / f64::from(n * n);
            sum += term;
        }
        sum
    }

    /// Uniform load on a circular membrane with an elastic backing (closed form, D).
    fn closed_form_mm(m: &Mechanics, rim_mm: f64, load_pa: f64, r: f64) -> f64 {
        if m.backing_pa_mm == 0.0 {
            return load_pa * (rim_mm * rim_mm - r * r) / (4.0 * m.tension_pa_mm);
        }
        let root = libm::sqrt(m.backing_pa_mm / m.tension_pa_mm);
        load_pa / m.backing_pa_mm * (1.0 - i0(root * r) / i0(root * rim_mm))
    }

    /// Largest error against the closed form over its largest value, and that of the volume.
    fn error(m: Mechanics, rings: usize, sectors: usize) -> (f64, f64) {
        let grid = Membrane::new(&shape(), m, rings, sectors, 1.0);
        let mut state = laid(&grid, |_| None);
        let load_pa = 0.5 / closed_form_mm(&m, grid.rim_mm, 1.0, 0.0);
        settle(&grid, &mut state, load_pa, &[]);
        let wrong = |(w, n): (&f64, &Node)| (w - closed_form_mm(&m, grid.rim_mm, load_pa, radius(n))).abs();
        let largest = state.rise_mm.iter().zip(grid.nodes()).map(wrong).fold(0.0, f64::max);
        let rim = grid.rim_mm;
        let exact: f64 = (0..10_000)
            .map(|i| rim * (f64::from(i) + 0.5) / 10_000.0)
            .map(|r| 2.0 * core::f64::consts::PI * r * closed_form_mm(&m, rim, load_pa, r) * rim / 10_000.0)
            .sum();
        (largest / 0.5, (state.volume_ul(&grid) / exact - 1.0).abs())
    }

    #[test]
    fn uniform_load_meets_the_closed_form() {
        // The smallest cells are a thirteenth of the rim: (1/13)² = 0.6 %, and the volume's trapezium rule as much.
        for backing_pa_mm in [0.0, 3.0, 10.0, 40.0] {
            let (rise, volume) = error(Mechanics { backing_pa_mm, ..taut() }, RINGS, SECTORS);
            assert!(rise < 0.006 && volume < 0.012, "backing {backing_pa_mm}: {rise}, {volume}");
        }
    }

    #[test]
    fn error_falls_with_the_square_of_the_spacing() {
        // Rings between pole and rim such that the spacing halves: 7 → 15 → 31.
        let errors = [7, 15, 31].map(|rings| error(Mechanics { backing_pa_mm: 10.0, ..taut() }, rings, 24).0);
        for pair in errors.windows(2) {
            let order = libm::log2(pair[0] / pair[1]);
            assert!((1.8..2.2).contains(&order), "order {order} from {errors:?}");
        }
    }

    #[test]
    fn lopsided_load_converges_too() {
        // w = (R² − r²)(1 + x/R) solves T·∇²w = −p with p = T·(4 + 8·x/R): the inner rings with fewer sectors must
        // carry what is not round as well. Static, by the operator alone.
        let wrong = |rings: usize, sectors: usize| -> f64 {
            let grid = Membrane::new(&shape(), Mechanics { backing_pa_mm: 0.0, ..taut() }, rings, sectors, 1.0);
            let (tension, rim) = (grid.mechanics().tension_pa_mm, grid.rim_mm);
            let exact = |n: &Node| (rim * rim - radius(n) * radius(n)) * (1.0 + n.x_mm / rim);
            let mut rise = vec![0.0; grid.nodes.len()];
            for _ in 0..20_000 {
                for i in 0..rise.len() {
                    let n = &grid.nodes[i];
                    let force = n.area_mm2 * tension * (4.0 + 8.0 * n.x_mm / rim);
                    rise[i] = (force - grid.pull(i, &rise)) / grid.stiffness[i];
                }
            }
            let square = |(w, n): (&f64, &Node)| n.area_mm2 * (w - exact(n)) * (w - exact(n));
            let area: f64 = grid.nodes.iter().map(|n| n.area_mm2).sum();
            libm::sqrt(rise.iter().zip(grid.nodes()).map(square).sum::<f64>() / area) / (rim * rim)
        };
        // In the root of the mean square: next to the pole alone, where six nodes make a ring, the order is lower.
        let (coarse, fine) = (wrong(7, 24), wrong(15, 48));
        let order = libm::log2(coarse / fine);
        assert!(coarse < 0.005 && order > 1.7, "{coarse}, {fine}: order {order}");
    }

    #[test]
    fn operator_is_symmetric() {
        let grid = membrane(taut());
        let count = grid.nodes.len();
        let unit = |i: usize| (0..count).map(|j| if j == i { 1.0 } else { 0.0 }).collect::<Vec<f64>>();
        for i in 0..count {
            for j in 0..i {
                // Sums of the same terms in another order.
                let (there, back) = (grid.pull(i, &unit(j)), grid.pull(j, &unit(i)));
                assert!((there - back).abs() < 1e-12 * grid.mechanics.tension_pa_mm);
            }
        }
        let disc = core::f64::consts::PI * libm::pow(grid.rim_mm - 0.5 * grid.spacing_mm, 2.0);
        let area: f64 = grid.nodes.iter().map(|n| n.area_mm2).sum();
        assert!((area / disc - 1.0).abs() < 1e-12, "{area} against {disc}");
    }

    #[test]
    fn whole_membrane_relaxes_in_viscosity_over_stiffness() {
        // The slowest mode alone, J0(2.405 r/R): its decay per tick is that of implicit Euler at the closed form's
        // rate.
        let grid = membrane(taut());
        let mut state = laid(&grid, |_| None);
        let m = grid.mechanics();
        let q = J0_ZERO / grid.rim_mm;
        let relaxation_s = m.viscosity_pa_s_mm / (m.backing_pa_mm + m.tension_pa_mm * q * q);
        let j0 = |x: f64| {
            let (mut term, mut sum) = (1.0, 1.0);
            for n in 1..40 {
                term *= -x * x / 4.0 / f64::from(n * n);
                sum += term;
            }
            sum
        };
        state.rise_mm = grid.nodes().iter().map(|n| 0.5 * j0(q * radius(n))).collect();
        state.is_at_rest = false;
        let before = state.pole_rise_mm();
        for _ in 0..12 {
            state.step(&grid, 0.0, &[]);
        }
        let measured = 12.0 * TICK_S / (libm::pow(before / state.pole_rise_mm(), 1.0 / 12.0) - 1.0) / 12.0;
        assert!((relaxation_s - 0.030).abs() < 0.003, "meant to be about 30 ms: {relaxation_s}");
        // Grid 0.6 %, and what a capped number of sweeps leaves.
        assert!((measured / relaxation_s - 1.0).abs() < 0.01, "{measured} against {relaxation_s}");
    }

    fn energy_nj(grid: &Membrane, w: &[f64]) -> f64 {
        (0..w.len()).map(|i| 0.5 * w[i] * (grid.stiffness[i] * w[i] + grid.pull(i, w))).sum()
    }

    #[test]
    fn energy_falls_without_load() {
        let grid = membrane(taut());
        let mut state = laid(&grid, |n| (n.x_mm > 1.0).then_some(0.2));
        state.rise_mm = grid.nodes().iter().enumerate().map(|(i, _)| libm::sin(i as f64) * 0.3).collect();
        state.is_at_rest = false;
        let mut before = energy_nj(&grid, &state.rise_mm);
        for _ in 0..100 {
            state.step(&grid, 0.0, &[]);
            let now = energy_nj(&grid, &state.rise_mm);
            assert!(now <= before, "{now} after {before}");
            before = now;
        }
        assert!(before < 1e-4, "{before}");
    }

    #[test]
    fn a_tick_is_solved_well_within_its_sweeps() {
        // A surge from one tick to the next, with lens at the side: against the same tick swept to the end.
        let grid = membrane(taut());
        let start = laid(&grid, |n| (n.y_mm > 1.5).then_some(0.0));
        let mut capped = start.clone();
        capped.step(&grid, 40.0, &[]);
        let force: Vec<f64> = grid.nodes().iter().map(|n| 40.0 * n.area_mm2).collect();
        let ceiling: Vec<f64> = start.support_mm.iter().zip(&grid.taut_mm).map(|(s, t)| s.min(*t)).collect();
        let mut full = start;
        while full.sweep(&grid, &force, &ceiling, -9.0) > 1e-13 {}
        let wrong = capped.rise_mm.iter().zip(&full.rise_mm).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
        let largest = full.largest_rise_mm().0;
        assert!(wrong < 0.005 * largest, "{wrong} of {largest} after {} sweeps", capped.sweeps);
    }

    #[test]
    fn rises_alike_all_round() {
        // Turned by a sector of the coarsest ring (60°) the grid is itself; what remains is the sweeps' order.
        let grid = membrane(taut());
        let (s, c) = (libm::sin(core::f64::consts::FRAC_PI_3), 0.5);
        let side = |n: &Node| (n.x_mm > 0.7 && n.y_mm.abs() < 2.0).then_some(0.1);
        let turned = |n: &Node| side(&Node { x_mm: c * n.x_mm + s * n.y_mm, y_mm: c * n.y_mm - s * n.x_mm, ..*n });
        let (mut one, mut other) = (laid(&grid, side), laid(&grid, turned));
        settle(&grid, &mut one, 15.0, &[]);
        settle(&grid, &mut other, 15.0, &[]);
        for i in 0..40 {
            let (x, y) = (0.1 * f64::from(i), 1.3 - 0.05 * f64::from(i));
            let (a, b) = (one.rise_at_mm(&grid, x, y), other.rise_at_mm(&grid, c * x - s * y, s * x + c * y));
            assert!((a - b).abs() < 1e-5, "{a} {b}");
        }
    }

    #[test]
    fn lens_holds_the_membrane_down_and_carries_what_it_holds() {
        let grid = membrane(taut());
        let mut state = laid(&grid, |n| (radius(n) > 2.0 && n.x_mm > -1.0).then_some(0.05 * n.y_mm.abs()));
        for tick in 0..400 {
            let load_pa = if tick < 200 { 25.0 } else { -5.0 };
            state.step(&grid, load_pa, &[]);
            for i in 0..grid.nodes.len() {
                assert!(state.rise_mm[i] <= state.support_mm[i]);
                assert!(state.contact_un[i] >= 0.0);
                assert!(state.contact_un[i] == 0.0 || state.rise_mm[i] == state.support_mm[i]);
            }
            if tick == 199 {
                // At rest load, tension at the rim, backing and contact balance: with the whole lens on it the lens
                // carries all of the load but the rim's share, and here most of the supported part.
                let supported = 1.0 - state.unsupported_share(&grid);
                let load = 25.0 * core::f64::consts::PI * grid.rim_mm * grid.rim_mm;
                let held: f64 = state.contact_un.iter().sum();
                assert!(held > 0.8 * supported * load && held < 1.2 * load, "{held} of {load}, {supported}");
            }
        }
        assert!(state.contact_un.iter().all(|&f| f == 0.0), "sucked away from the lens");
    }

    #[test]
    fn whole_lens_carries_the_whole_load() {
        let grid = membrane(taut());
        let mut state = MembraneState::new(&grid);
        settle(&grid, &mut state, 100.0, &[]);
        assert_eq!(state.largest_rise_mm().0, 0.0);
        let area: f64 = grid.nodes.iter().map(|n| n.area_mm2).sum();
        let held: f64 = state.contact_un.iter().sum();
        assert!((held / (100.0 * area) - 1.0).abs() < 1e-12);
        assert_eq!(state.unsupported_share(&grid), 0.0);
        assert_eq!((state.tick_compliance_ul_pa(&grid), state.settled_compliance_ul_pa(&grid)), (0.0, 0.0));
    }

    #[test]
    fn flat_ceiling_meets_the_closed_form() {
        // Without backing, against a ceiling H: touched within ρ, and beyond it w = H + p/4T·(ρ² − r² + 2ρ²·ln(r/ρ)),
        // so that w(R) = 0 gives ρ, and the ceiling carries p·π·ρ² (D).
        let m = Mechanics { backing_pa_mm: 0.0, ..taut() };
        let (load_pa, height_mm) = (12.0, 0.6);
        let wrong = |rings: i32| {
            let grid = Membrane::new(&shape(), m, rings as usize, 24, 1.0);
            let rim = grid.rim_mm;
            let drop = |rho: f64| {
                load_pa / (4.0 * m.tension_pa_mm) * (rim * rim - rho * rho - 2.0 * rho * rho * libm::log(rim / rho))
            };
            let (mut low, mut high) = (1e-6, rim);
            for _ in 0..60 {
                let middle = 0.5 * (low + high);
                if drop(middle) > height_mm { low = middle } else { high = middle }
            }
            let exact_un = load_pa * core::f64::consts::PI * low * low;
            let mut state = laid(&grid, |_| Some(height_mm));
            settle(&grid, &mut state, load_pa, &[]);
            let touched = grid.nodes.iter().zip(&state.contact_un).filter(|(_, f)| **f > 0.0).map(|(n, _)| radius(n));
            let edge = touched.fold(0.0, f64::max);
            // The edge lies between rings.
            assert!((edge - low).abs() < grid.spacing_mm, "{edge} against {low}");
            (state.contact_un.iter().sum::<f64>() / exact_un - 1.0).abs()
        };
        // Not steady, as the edge falls now near a ring and now between two, but within the square of the spacing.
        for rings in [12, 25, 51] {
            let (wrong, bound) = (wrong(rings), 1.0 / f64::from((rings + 1) * (rings + 1)));
            assert!(wrong < bound, "{rings} rings: {wrong} against {bound}");
        }
    }

    #[test]
    fn rises_more_the_less_lens_is_left() {
        let grid = membrane(taut());
        let mut before = (-1.0, -1.0, -1.0);
        for remnant_mm in [4.3, 3.0, 2.0, 1.0, 0.0] {
            let mut state = laid(&grid, |n| (radius(n) <= remnant_mm && remnant_mm > 0.0).then_some(0.0));
            settle(&grid, &mut state, 15.0, &[]);
            let compliance = state.settled_compliance_ul_pa(&grid);
            let now = (state.unsupported_share(&grid), state.largest_rise_mm().0, compliance);
            assert!(now.0 > before.0 && now.1 > before.1 && now.2 > before.2, "{now:?} after {before:?}");
            before = now;
        }
    }

    #[test]
    fn rises_more_with_every_piece_taken() {
        // Six equal pieces, taken one after the other; the same load comes each time, as in a surge of eight ticks.
        let grid = membrane(taut());
        let mut before = -1.0;
        for left in (0..=6).rev() {
            let piece = |n: &Node| (3.0 + libm::atan2(n.y_mm, n.x_mm) * 3.0 / core::f64::consts::PI).clamp(0.0, 5.99);
            let mut state = laid(&grid, |n| (piece(n) < f64::from(left)).then_some(0.0));
            for _ in 0..8 {
                state.step(&grid, 25.0, &[]);
            }
            let now = state.largest_rise_mm().0;
            assert!(now > before, "{left} left: {now} after {before}");
            before = now;
        }
    }

    /// Between two remnants of lens 1.2 mm apart (half a span of about 0.6 mm) the load of a surge, which would evert an
    /// inextensible bowl, is borne by stretch; with the lens gone the pole has the whole bowl's way.
    #[test]
    fn a_narrow_span_is_taut_before_a_wide_one() {
        let grid = membrane(taut());
        let rise = |gap_mm: f64| {
            let under = |n: &Node| if n.x_mm.abs() > 0.5 * gap_mm { 0.0 } else { FREE_MM };
            let support: Vec<f64> = grid.nodes().iter().map(under).collect();
            let mut state = MembraneState::new(&grid);
            state.lay(&grid, &support);
            settle(&grid, &mut state, SPAN_LOAD_PA, &[]);
            state.pole_rise_mm()
        };
        // Flattening a²/R and stretch a·(p·a/3Et)^⅓ at the half span to the nearest node held, which is up to a cell wider.
        let bound = |a: f64| a * a / 8.0 + a * libm::cbrt(SPAN_LOAD_PA * a / (3.0 * MODULUS_PA * THICKNESS_MM));
        let (narrow, wide, whole) = (rise(1.2), rise(3.0), rise(20.0));
        assert!(narrow > 0.05 && narrow <= bound(0.6 + grid.spacing_mm), "{narrow}");
        assert!(wide > 2.0 * narrow && whole > wide, "{narrow} {wide} {whole}");
    }

    #[test]
    fn everted_bowl_ends_as_its_mirror_image() {
        let grid = membrane(taut());
        let mut state = laid(&grid, |_| None);
        settle(&grid, &mut state, 1e4, &[]);
        let rim_z = grid.shape.posterior_z_mm(grid.rim_mm);
        let (at_rest, now) = (-grid.shape.back_mm - rim_z, state.posterior_z_mm(&grid, 0.0, 0.0) - rim_z);
        assert!((now + at_rest).abs() < 1e-12, "{now} against {at_rest}");
        assert!(state.contact_un.iter().all(|&f| f == 0.0), "its own tautness is no contact");
    }

    #[test]
    fn restored_state_goes_on_bit_for_bit() {
        let grid = membrane(taut());
        let mut state = laid(&grid, |n| (n.y_mm > 1.0).then_some(0.1));
        let press = Press { place_mm: Vector3::new(-0.5, -0.2, -2.6), radius_mm: 0.5 };
        for tick in 0..20 {
            state.step(&grid, f64::from(tick), &[press]);
        }
        let Ok(saved) = postcard::to_allocvec(&state) else { panic!("not saved") };
        let Ok(mut restored) = postcard::from_bytes::<MembraneState>(&saved) else { panic!("not restored") };
        for tick in 0..40 {
            for one in [&mut state, &mut restored] {
                one.step(&grid, 12.0 - f64::from(tick % 3), &[press]);
            }
            assert_eq!(state, restored);
        }
    }

    #[test]
    fn rises_more_with_lax_support() {
        let rise = |laxity: f64, liquefied: f64| {
            let grid = membrane(Mechanics::new(laxity, liquefied));
            let mut state = laid(&grid, |n| (n.x_mm > 2.0).then_some(0.0));
            settle(&grid, &mut state, 10.0, &[]);
            state.largest_rise_mm().0
        };
        let rises = [rise(1.0, 0.0), rise(2.0, 0.0), rise(2.0, 0.5), rise(2.0, 1.0)];
        assert!(rises.windows(2).all(|pair| pair[1] > pair[0]), "{rises:?}");
    }

    #[test]
    fn compliance_is_the_slope_of_volume_over_load() {
        let grid = membrane(taut());
        let mut state = laid(&grid, |n| (n.x_mm > 1.0).then_some(0.0));
        settle(&grid, &mut state, 10.0, &[]);
        let (by_tick, by_end) = (state.tick_compliance_ul_pa(&grid), state.settled_compliance_ul_pa(&grid));
        let rest = state.volume_ul(&grid);
        // A step large enough for the tick's tolerance, and upward, so that contacts stay.
        state.step(&grid, 12.0, &[]);
        let tick = (state.volume_ul(&grid) - rest) / 2.0;
        settle(&grid, &mut state, 12.0, &[]);
        let settled = (state.volume_ul(&grid) - rest) / 2.0;
        // Conjugate gradients stop at a thousandth a step; a tick's sweeps leave half a percent.
        assert!((by_end / settled - 1.0).abs() < 0.005, "{by_end}, {settled}");
        assert!((by_tick / tick - 1.0).abs() < 0.01, "{by_tick}, {tick}");
    }

    #[test]
    fn chopper_holds_the_membrane_back() {
        let grid = membrane(taut());
        let mut state = laid(&grid, |_| None);
        settle(&grid, &mut state, 15.0, &[]);
        let before = state.rise_at_mm(&grid, 0.4, 0.3);
        let mut forces = Vec::new();
        for i in 0..30 {
            // A chopper's end pressed on, wandering across cells.
            let (x, y) = (0.4 + 0.03 * f64::from(i), 0.3 - 0.02 * f64::from(i));
            let z = grid.shape.posterior_z_mm(libm::hypot(x, y)) + 0.5 * before - 0.02 * f64::from(i);
            let press = Press { place_mm: Vector3::new(x, y, z), radius_mm: 0.25 };
            for _ in 0..60 {
                state.step(&grid, 15.0, &[press]);
            }
            let height = state.posterior_z_mm(&grid, x, y);
            assert!(height <= z + 1e-9, "{height} above {z}");
            let held: f64 = state.contact_un.iter().sum();
            assert_eq!(state.press_un.len(), 1);
            assert!((state.press_un[0] - held).abs() <= 1e-9 * held && held > 0.0, "{:?} of {held}", state.press_un);
            assert!(state.distance_mm(&grid, &press.place_mm).abs() < 0.02, "drapes on the end");
            forces.push(held);
        }
        assert!(forces[29] > forces[0], "pressing deeper takes more");
        settle(&grid, &mut state, 15.0, &[]);
        assert!((state.rise_at_mm(&grid, 0.4, 0.3) - before).abs() < 1e-5, "comes back");
    }

    #[test]
    fn distance_and_normal_fit_the_surface() {
        let grid = membrane(taut());
        let mut state = laid(&grid, |n| (n.x_mm > 1.5).then_some(0.0));
        let shape = shape();
        for i in 0..50 {
            let p = Vector3::new(0.09 * f64::from(i) - 2.0, 0.03 * f64::from(i), -0.05 * f64::from(i));
            assert_eq!(state.distance_mm(&grid, &p), shape.distance_to_posterior_mm(&p), "exact at rest");
        }
        settle(&grid, &mut state, 12.0, &[]);
        let mut worst: f64 = 0.0;
        for i in 0..40 {
            let (x, y) = (0.1 * f64::from(i) - 2.6, 0.9 - 0.05 * f64::from(i));
            let p = Vector3::new(x, y, state.posterior_z_mm(&grid, x, y) + 0.5);
            let mut dense = f64::INFINITY;
            for j in -60..=60 {
                for k in -60..=60 {
                    let q = (x + 0.01 * f64::from(j), y + 0.01 * f64::from(k));
                    let z = state.posterior_z_mm(&grid, q.0, q.1);
                    dense = dense.min((p - Vector3::new(q.0, q.1, z)).norm());
                }
            }
            worst = worst.max((state.distance_mm(&grid, &p) - dense).abs());
            assert!(
                (state.distance_mm(&grid, &(p - Vector3::z())) < 0.0)
                    && (state.normal(&grid, x, y).norm() - 1.0).abs() < 1e-12
            );
        }
        // Half a millimetre above a bulge of about as much, whose slope changes over that length.
        assert!(worst < 0.05, "{worst}");
    }

    #[test]
    fn stands_still_until_something_changes() {
        let grid = membrane(taut());
        let mut state = laid(&grid, |_| None);
        settle(&grid, &mut state, 15.0, &[]);
        let still = state.clone();
        state.step(&grid, 15.0, &[]);
        assert_eq!((state.sweeps, &state.rise_mm), (0, &still.rise_mm));
        state.step(&grid, 16.0, &[]);
        assert!(state.sweeps > 0 && state.pole_rise_mm() > still.pole_rise_mm());
    }

    #[test]
    fn any_input_leaves_finite_numbers() {
        for mechanics in [taut(), Mechanics { tension_pa_mm: f64::MAX, backing_pa_mm: -1.0, viscosity_pa_s_mm: 0.0 }] {
            let grid = Membrane::new(&shape(), mechanics, 0, 1000, 0.0);
            let mut state = MembraneState::new(&grid);
            state.lay(&grid, &[f64::NAN, f64::NEG_INFINITY, f64::INFINITY]);
            let press = |x: f64, z: f64, radius_mm: f64| Press { place_mm: Vector3::new(x, 0.0, z), radius_mm };
            let presses = [
                press(f64::NAN, 0.0, 1.0),
                press(0.0, f64::NAN, 1.0),
                press(0.0, -f64::MAX, f64::MAX),
                press(1.0, -3.0, f64::NAN),
                press(9.0, -1.0, 0.2),
            ];
            for load_pa in [f64::MAX, f64::NEG_INFINITY, f64::NAN, 3.0] {
                state.step(&grid, load_pa, &presses);
                assert!(state.rise_mm.iter().chain(&state.contact_un).chain(&state.press_un).all(|v| v.is_finite()));
                let (by_tick, by_end) = (state.tick_compliance_ul_pa(&grid), state.settled_compliance_ul_pa(&grid));
                assert!(by_tick.is_finite() && by_end.is_finite() && state.volume_ul(&grid).is_finite());
                for x in [0.0, 4.39, 4.8, 1e9, f64::MAX] {
                    let p = Vector3::new(x, 0.0, -1.0);
                    assert!(
                        state.posterior_z_mm(&grid, x, 0.0).is_finite()
                            && state.normal(&grid, x, 0.0).sum().is_finite()
                    );
                    assert!(state.distance_mm(&grid, &p).is_finite() || x > 1e8);
                }
            }
        }
    }

    #[test]
    fn tension_is_a_few_ten_micronewtons_per_millimetre() {
        // 2 MPa · 3.5 µm · 0.3 % / 0.5 = 42 µN/mm.
        let tension = tension_pa_mm(MODULUS_PA, THICKNESS_MM, STRAIN, 1.0);
        assert!((tension - 42.0).abs() < 1e-9, "{tension}");
        assert_eq!(tension_pa_mm(MODULUS_PA, THICKNESS_MM, STRAIN, 2.0), 0.5 * tension);
    }

    #[test]
    fn donor_capsules_broke_where_the_wall_stress_says() {
        // Donor eyes, 0.9 mm bore: median 200 mmHg, 150–300 (S). The formula with Fisher's strength gives, at 3.5–4 µm:
        // the median is met at 42–50 years, the range at 20–58 (3.5 µm) and 22–64 (4 µm). For older eyes it lies below
        // what donor capsules bore: 113–129 mmHg at 70 years.
        for (thickness_mm, first, last, median) in [(0.0035, 20.0, 58.0, 42.0), (0.004, 22.0, 64.0, 50.0)] {
            let stress = |mmhg: f64| suction_stress_pa(pa_from_mmhg(mmhg), 0.45, thickness_mm);
            let holds = |age: f64| (stress(150.0)..=stress(300.0)).contains(&strength_pa(age));
            let ages: Vec<f64> = (20..=80).map(f64::from).filter(|&age| holds(age)).collect();
            assert_eq!((ages.first(), ages.last()), (Some(&first), Some(&last)));
            // A year is worth 27 kPa of strength, 3 mmHg or less.
            assert!((strength_pa(median) - stress(200.0)).abs() < 27e3, "{} {}", strength_pa(median), stress(200.0));
            let at_70 = 2.0 * thickness_mm * strength_pa(70.0) / 0.45 / PA_PER_MMHG;
            assert!((110.0..130.0).contains(&at_70), "{at_70}");
        }
    }
}
