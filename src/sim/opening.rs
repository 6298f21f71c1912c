//! Whether it opens: two rigid sides joined by cohesive bonds, driven apart by the instruments.
//!
//! A rigid-body–spring model. Unknowns, solved together each tick: the pose of one side relative to the other (three
//! translations, three small rotations) and the pose of the pair in the bag. What joins and drives them: the cohesive
//! *facets* of the crack (`facets`), the *engaged lengths* of needle and chopper (`engagement`), and the bag, a soft
//! support of each side with a wall where a side has used up the room.
//!
//! One increment a tick minimises the incremental energy at the hands' new positions. Every potential but contact is
//! concave in the square of its argument, so its secant is a majorant: solving the secant system never raises the
//! energy (half-quadratic minimisation; Geman & Reynolds 1992, IEEE TPAMI 14:367); where contact switches, the step is
//! halved until it does not. Where the tangent is stable Newton's step is taken instead, if it lowers the energy. An
//! increment that has not converged within its limit of iterations goes on in the next tick, as a crack that runs does.
//!
//! Limits: rotations enter to first order (error 4 % at 0.4 rad); the sides do not bend: their compliance is lumped
//! into the facets. Lens frame; mm, µN, nJ.

use crate::sim::cut::{Plane, Segment, Surface};
use crate::sim::engagement::{Engagement, displacement};
use crate::sim::facets::{self, Facet, Member, wrench};
use crate::sim::hands::Tip;
use crate::sim::pose::Pose;
use crate::sim::{Lens, Model};
use nalgebra::{Matrix6, SMatrix, SVector, Vector3, Vector6};
use serde::{Deserialize, Serialize};

/// Stiffness of bag, zonules and vitreous against the whole lens, µN/mm (A).
pub const BAG_STIFFNESS_UN_MM: f64 = 100_000.0;

/// Square of the arm with which the bag resists tilting, mm² (A: about two thirds of the lens's radius).
const SUPPORT_ARM2_MM2: f64 = 9.0;

/// Stiffness of the bag's wall against a side that has used up its room, µN/mm (A).
pub const BAG_WALL_UN_MM: f64 = 300_000.0;

/// Share of the soft shell's thickness that gives way before the bag's wall is felt (A).
pub const SHELL_COMPRESSION: f64 = 0.25;

/// Slip of the needle across its shaft, over its outside radius, at which the tip has lost its hold (A).
pub const NEEDLE_SLIP_RADII: f64 = 1.0;

type Vector12 = SVector<f64, 12>;
type Matrix12 = SMatrix<f64, 12, 12>;

/// Most iterations an increment may take before the next tick goes on with it.
const MOST_ITERATIONS: u32 = 12;

/// An increment has converged when no coordinate would move by as much as this, mm (rotations: over 1 mm; A: far
/// below an increment).
const CONVERGED_MM: f64 = 3e-5;

/// The state of a chop from the onset of separation until the instruments let go.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Opening {
    /// The body that is being chopped.
    pub body: u16,
    /// Where it was when the crack began: the frame in which the sides move.
    pub base: Pose,
    /// Once it has come apart: its pieces, each with its side.
    pub pieces: Vec<(u16, f64)>,
    /// The plane the surface lies about.
    pub plane: Plane,
    /// By cell: on the upper side?
    pub is_above: Vec<bool>,
    /// The crack surface.
    pub facets: Vec<Facet>,
    /// The bonds it cuts, each with its facet.
    pub members: Vec<Member>,
    needle: Engagement,
    chopper: Engagement,
    /// A pull on one side, while no instrument parts them.
    pull: Option<SidePull>,
    /// Relative pose (upper minus lower), then the pose of the pair.
    pose: Vector12,
    /// Room of the upper and the lower side, mm.
    room_mm: [f64; 2],
    /// Greatest gain in distance between the instruments across the plane, mm.
    pub separation_mm: f64,
    /// Energy that earlier chops had spent on these bonds, nJ.
    spent_before_nj: f64,
    /// Volume of the smaller side as a share of the body.
    pub smaller_side: f64,
    /// Did every bond fail?
    pub is_complete: bool,
    /// Has a side reached the bag's wall?
    pub bag_is_full: bool,
    /// Energies of the last increment's iterations, nJ; for the reader, not part of the state.
    #[serde(skip)]
    pub trace_nj: Vec<f64>,
}

/// A force on one side of a crack.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct SidePull {
    /// Which side: +1 upper, −1 lower.
    pub side: f64,
    /// Where it acts, mm.
    pub at_mm: Vector3<f64>,
    /// The force, µN.
    pub force_un: Vector3<f64>,
}

/// Hands at one moment, in the lens frame.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Grip {
    /// Needle.
    pub needle: Tip,
    /// Chopper's end, from its point (a) to its bend (b).
    pub chopper: Segment,
}

/// What an opening starts from.
pub struct Onset {
    /// The body chopped.
    pub body: u16,
    /// The spanned plane.
    pub plane: Plane,
    /// The crack surface.
    pub surface: Surface,
    /// Hands when separation began (the reference).
    pub rest: Grip,
    /// Hands now.
    pub grip: Grip,
    /// Length of the needle within the lens, mm.
    pub buried_mm: f64,
    /// Gap that ultrasound cored round the needle, mm.
    pub gap_mm: f64,
}

impl Opening {
    /// Begin to open a surface.
    pub fn begin(model: &Model, lens: &Lens, onset: Onset) -> Self {
        let Onset { body, plane, surface, rest, grip, buried_mm, gap_mm } = onset;
        let parting = (grip.needle.place_mm - rest.needle.place_mm) - (grip.chopper.a - rest.chopper.a);
        let needle_side = if parting.dot(&plane.normal) >= 0.0 { 1.0 } else { -1.0 };
        let (facets, members) = facets::gather(model, lens, &surface);
        let axis = Segment { a: rest.needle.place_mm, b: rest.needle.behind_mm(buried_mm) };
        let width = 2.0 * model.needle.outer_radius_mm;
        let mut needle = Engagement::new(model, lens, body, &axis, width, plane.normal, needle_side);
        needle.leave_gap(plane.normal * (needle_side * gap_mm));
        let width = model.chopper.width_mm;
        let chopper = Engagement::new(model, lens, body, &rest.chopper, width, plane.normal, -needle_side);
        let (mut above, mut below) = (0u32, 0u32);
        for (cell, _) in lens.fragment.iter().enumerate().filter(|(_, f)| **f == body) {
            *(if surface.is_above[cell] { &mut above } else { &mut below }) += 1;
        }
        Self {
            body,
            base: lens.pose_of(body),
            pieces: Vec::new(),
            plane,
            is_above: surface.is_above,
            spent_before_nj: facets::spent_nj(&facets),
            facets,
            members,
            needle,
            chopper,
            pull: None,
            pose: Vector12::zeros(),
            room_mm: room_mm(model, &plane),
            separation_mm: 0.0,
            smaller_side: f64::from(above.min(below)) / f64::from((above + below).max(1)),
            is_complete: false,
            bag_is_full: false,
            trace_nj: Vec::new(),
        }
    }

    /// Bear with newly engaged lengths after an instrument went deeper into the open crack. From now on the hands are
    /// measured from this grip; the new stations start without force.
    pub fn engage_deeper(&mut self, model: &Model, lens: &Lens, grip: &Grip, buried_mm: f64) {
        let axis = Segment { a: grip.needle.place_mm, b: grip.needle.behind_mm(buried_mm) };
        let renewed = |before: &Engagement, line: &Segment, width_mm: f64| {
            if !before.bears() {
                return None; // it has lost its hold
            }
            // Where the line stands in its side, which has moved since the chop began.
            let pose = side_of(&self.pose, before.side);
            let back = |p: &Vector3<f64>| p - displacement(&pose, p);
            let line = Segment { a: back(&line.a), b: back(&line.b) };
            let fresh = Engagement::new(model, lens, self.body, &line, width_mm, self.plane.normal, before.side);
            fresh.bears().then(|| fresh.take_over(before, &pose))
        };
        let needle = renewed(&self.needle, &axis, 2.0 * model.needle.outer_radius_mm);
        let chopper = renewed(&self.chopper, &grip.chopper, model.chopper.width_mm);
        self.needle = needle.unwrap_or_else(|| self.needle.clone());
        self.chopper = chopper.unwrap_or_else(|| self.chopper.clone());
    }

    /// The smaller of the rooms on both sides, mm.
    pub fn least_room_mm(&self) -> f64 {
        self.room_mm[0].min(self.room_mm[1])
    }

    /// One increment: the hands are where they are; find where the sides are, and what broke.
    pub fn advance(&mut self, rest: &Grip, grip: &Grip) {
        let along = |line: &Segment, mm: f64| line.a + (line.b - line.a).normalize() * mm;
        let needle_moves = self.needle.moves(|mm| (rest.needle.behind_mm(mm), grip.needle.behind_mm(mm)));
        let chopper_moves = self.chopper.moves(|mm| (along(&rest.chopper, mm), along(&grip.chopper, mm)));
        self.settle([needle_moves.as_slice(), chopper_moves.as_slice()]);
        let parted = |side: f64| self.plane.normal.dot(&side_of(&self.pose, side).fixed_rows::<3>(0)) * side;
        self.bag_is_full |= parted(1.0) > self.room_mm[0] || parted(-1.0) > self.room_mm[1];
        self.needle.settle(&side_of(&self.pose, self.needle.side), &needle_moves);
        self.chopper.settle(&side_of(&self.pose, self.chopper.side), &chopper_moves);
        let parting = (grip.needle.place_mm - rest.needle.place_mm) - (grip.chopper.a - rest.chopper.a);
        self.separation_mm = self.separation_mm.max(parting.dot(&self.plane.normal).abs());
    }

    /// Find where the sides are under what drives them, and record what broke.
    fn settle(&mut self, moves: [&[Vector3<f64>]; 2]) {
        self.trace_nj.clear();
        let mut system = self.assemble(&self.pose, moves);
        self.trace_nj.push(system.energy_nj);
        for _ in 0..MOST_ITERATIONS {
            let Some((trial, next)) = self.descend(&system, moves) else { break };
            self.pose = trial;
            system = next;
            self.trace_nj.push(system.energy_nj);
        }
        self.is_complete = facets::record(&mut self.facets, &relative_of(&self.pose));
    }

    /// The instruments have let go: an unfinished crack stays behind, and its sides spring back as far as it lets them.
    pub fn leave(&mut self) {
        self.needle.release();
        self.chopper.release();
    }

    /// A pull on the side that a place of the body belongs to, in an unfinished crack without instruments.
    pub fn pull(&mut self, model: &Model, at_mm: &Vector3<f64>, force_un: &Vector3<f64>) {
        let is_above = match model.cells.at(at_mm) {
            Some(cell) => self.is_above[cell as usize],
            None => self.plane.normal.dot(&(at_mm - self.plane.origin_mm)) > 0.0,
        };
        let side = if is_above { 1.0 } else { -1.0 };
        self.pull = Some(SidePull { side, at_mm: *at_mm, force_un: *force_un });
        self.settle([&[], &[]]);
        self.pull = None;
    }

    /// The most an unfinished crack can still carry, pulled straight apart, µN: Σ traction capacity · area.
    pub fn carries_un(&self) -> f64 {
        self.facets.iter().map(Facet::carries_un).sum()
    }

    /// One step that does not raise the energy: Newton's where the tangent is stable, else the secant's. `None` where
    /// there is none left to take.
    fn descend(&self, system: &System, moves: [&[Vector3<f64>]; 2]) -> Option<(Vector12, System)> {
        let residual = system.load - system.secant * self.pose;
        if let Some(factor) = (system.secant - system.softening).cholesky() {
            let step = factor.solve(&residual);
            if step.amax() < CONVERGED_MM {
                return None;
            }
            let trial = self.pose + step;
            let next = self.assemble(&trial, moves);
            if next.energy_nj <= system.energy_nj {
                return Some((trial, next));
            }
        }
        let step = system.secant.cholesky()?.solve(&residual);
        let mut share = 1.0;
        while share > 1e-3 && step.amax() * share >= CONVERGED_MM {
            let trial = self.pose + step * share;
            let next = self.assemble(&trial, moves);
            if next.energy_nj <= system.energy_nj {
                return Some((trial, next));
            }
            share *= 0.5;
        }
        None
    }

    /// Energy, secant system and softening at a pose.
    fn assemble(&self, pose: &Vector12, moves: [&[Vector3<f64>]; 2]) -> System {
        let joint = facets::joint_system(&self.facets, &relative_of(pose));
        let mut system = System {
            energy_nj: joint.energy_nj,
            secant: Matrix12::zeros(),
            softening: Matrix12::zeros(),
            load: Vector12::zeros(),
        };
        system.secant.fixed_view_mut::<6, 6>(0, 0).copy_from(&joint.secant);
        system.softening.fixed_view_mut::<6, 6>(0, 0).copy_from(&joint.softening);
        for (engagement, moves) in [&self.needle, &self.chopper].into_iter().zip(moves) {
            let part = engagement.system(&side_of(pose, engagement.side), moves);
            system.energy_nj += part.energy_nj;
            add_side(&mut system.secant, engagement.side, &part.secant);
            add_side(&mut system.softening, engagement.side, &part.yielding);
            add_load(&mut system.load, engagement.side, &part.load);
        }
        if let Some(SidePull { side, at_mm, force_un }) = self.pull {
            let row = wrench(at_mm.into(), force_un.into());
            system.energy_nj -= row.dot(&side_of(pose, side));
            add_load(&mut system.load, side, &row);
        }
        // The bag: soft support of each side, and its wall.
        for (side, room) in [(1.0, self.room_mm[0]), (-1.0, self.room_mm[1])] {
            let pose = side_of(pose, side);
            let (k, kr) = (0.5 * BAG_STIFFNESS_UN_MM, 0.5 * BAG_STIFFNESS_UN_MM * SUPPORT_ARM2_MM2);
            let stiffness = Vector6::new(k, k, k, kr, kr, kr);
            system.energy_nj += 0.5 * stiffness.dot(&pose.component_mul(&pose));
            let mut block = Matrix6::from_diagonal(&stiffness);
            let row = wrench([0.0; 3], (self.plane.normal * side).into());
            let excess = row.dot(&pose) - room;
            if excess > 0.0 {
                system.energy_nj += 0.5 * BAG_WALL_UN_MM * excess * excess;
                block.ger(BAG_WALL_UN_MM, &row, &row, 1.0);
                add_load(&mut system.load, side, &(row * (BAG_WALL_UN_MM * room)));
            }
            add_side(&mut system.secant, side, &block);
        }
        system
    }

    /// How far the crack has come.
    pub fn progress(&self) -> Progress {
        let (core_fraction_cracked, posterior_third_cracked) = facets::cracked_shares(&self.facets);
        Progress {
            core_fraction_cracked,
            posterior_third_cracked,
            fracture_nj: facets::spent_nj(&self.facets) - self.spent_before_nj,
            work_nj: self.needle.work_nj + self.chopper.work_nj,
            ploughed_nj: self.needle.ploughed_nj + self.chopper.ploughed_nj,
            opening_mm: self.plane.normal.dot(&self.pose.fixed_rows::<3>(0)),
        }
    }

    /// Pose of a side (+1 upper, −1 lower): translation, mm, and rotation vector, rad, about the lens's centre.
    pub fn side_pose(&self, side: f64) -> (Vector3<f64>, Vector3<f64>) {
        let pose = side_of(&self.pose, side);
        (pose.fixed_rows::<3>(0).into_owned(), pose.fixed_rows::<3>(3).into_owned())
    }

    /// Where a side is in the eye, as if it were the whole lens.
    pub fn pose_of_side(&self, side: f64) -> Pose {
        let (place_mm, turn_rad) = self.side_pose(side);
        self.base.after(&Pose::small(&turn_rad, place_mm))
    }

    /// How the needle bears.
    pub fn needle(&self) -> &Engagement {
        &self.needle
    }

    /// How the chopper bears.
    pub fn chopper(&self) -> &Engagement {
        &self.chopper
    }

    /// The needle lost its hold: it no longer bears.
    pub fn release_needle(&mut self) {
        self.needle.release();
    }

    /// Write what broke back to the lens's bonds.
    pub fn write_damage(&self, lens: &mut Lens) {
        for member in &self.members {
            let damage = self.facets[member.facet as usize].damage() as f32;
            let bond = &mut lens.damage[member.bond as usize];
            *bond = bond.max(damage);
            lens.is_cracked |= damage > 0.0;
        }
    }
}

/// What the reader of an opening wants to know.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Progress {
    /// Broken share of the crack surface within the core.
    pub core_fraction_cracked: f64,
    /// The same in the last third of the core's thickness.
    pub posterior_third_cracked: f64,
    /// Energy spent in breaking bonds since this chop began, nJ.
    pub fracture_nj: f64,
    /// Work done by the instruments, nJ.
    pub work_nj: f64,
    /// Energy spent in ploughing through tissue, nJ.
    pub ploughed_nj: f64,
    /// Opening along the normal at the lens's centre, mm.
    pub opening_mm: f64,
}

/// Pose of the upper side relative to the lower.
fn relative_of(pose: &Vector12) -> Vector6<f64> {
    pose.fixed_rows::<6>(0).into_owned()
}

/// Pose of a side (+1 upper, −1 lower): that of the pair and half the relative one.
fn side_of(pose: &Vector12, side: f64) -> Vector6<f64> {
    pose.fixed_rows::<6>(6) + pose.fixed_rows::<6>(0) * (0.5 * side)
}

/// Add a side's 6 × 6 matrix to that of relative and outer pose: side = outer ± relative/2.
fn add_side(matrix: &mut Matrix12, side: f64, block: &Matrix6<f64>) {
    let half = 0.5 * side;
    for (row, col, factor) in [(0, 0, 0.25), (0, 6, half), (6, 0, half), (6, 6, 1.0)] {
        let mut view = matrix.fixed_view_mut::<6, 6>(row, col);
        view += block * factor;
    }
}

/// Add a side's load to that of relative and outer pose.
fn add_load(load: &mut Vector12, side: f64, target: &Vector6<f64>) {
    let mut view = load.fixed_rows_mut::<6>(0);
    view += target * (0.5 * side);
    let mut view = load.fixed_rows_mut::<6>(6);
    view += target;
}

/// The increment's problem at a pose: energy, secant stiffness, what the tangent has less, and load.
struct System {
    energy_nj: f64,
    secant: Matrix12,
    softening: Matrix12,
    load: Vector12,
}

/// Room for the upper and the lower side to move outward, mm: between lens and bag, and what the soft shell yields.
fn room_mm(model: &Model, plane: &Plane) -> [f64; 2] {
    let level = Vector3::new(plane.normal.x, plane.normal.y, 0.0);
    let level = level / level.norm().max(1e-12);
    let core = &model.field.core;
    [1.0, -1.0].map(|side| {
        let outward = level * side;
        let shell = (model.field.shape.equator_mm - core.centre_mm.dot(&outward) - core.radius_mm).max(0.0);
        model.bag_radius_mm - model.field.shape.equator_mm + SHELL_COMPRESSION * shell
    })
}
