//! Fragments as rigid bodies: what is dragged, wedged and held back.
//!
//! The motion is quasi-static: a fragment of 0.02 g under a pull of 30 mN meets walls and neighbours within one tick. An
//! impulse solver lets bodies sink into each other in proportion to force over mass, so **the solver's mass is `INERTIA`
//! times the true one**, and so are weight and drag of what is free: it keeps its true time scale, while pulls, pushes and
//! the contacts they cause are true forces. What touches something weighs `TOUCHING` times its weight; what is held, its own.
//!
//! The bag is no mesh: a hull inside a convex surface touches it with its corners alone, so each corner gets a contact
//! with the surface's own normal there (`Bag::wall`). Hulls of two halves of a wavy crack overlap; what overlaps when a
//! fragment comes in is allowed for that pair, and less as they come apart, never more (`Overlap`).
//!
//! Units: mm, g, s; µN. Frame: the eye's; a fragment's own frame is the lens's at rest.
//! Limits: an edge does not meet the rim of the rhexis between its corners; the bag and the instruments give way to
//! nothing; fluid drag is one relaxation time.

use crate::sim::pose::Pose;
use nalgebra::Vector3;
use rapier3d_f64::parry::mass_properties::MassProperties;
use rapier3d_f64::parry::query::details::{NormalConstraints, ShapeCastOptions};
use rapier3d_f64::parry::query::{
    ClosestPoints, Contact, ContactManifold, ContactManifoldsWorkspace, DefaultQueryDispatcher, NonlinearRigidMotion,
    PersistentQueryDispatcher, QueryDispatcher, ShapeCastHit, ShapeDistance, ShapeIntersection, TrackedContact,
    Unsupported,
};
use rapier3d_f64::parry::shape::{PackedFeatureId, Shape};
use rapier3d_f64::prelude::{
    ActiveHooks, BroadPhaseBvh, CCDSolver, ColliderBuilder, ColliderHandle, ColliderSet, ContactData,
    ContactManifoldData, ContactModificationContext, GenericJoint, Group, ImpulseJointHandle, ImpulseJointSet,
    IntegrationParameters, InteractionGroups, InteractionTestMode, IslandManager, JointAxesMask, JointAxis, MotorModel,
    MultibodyJointSet, NarrowPhase, PhysicsHooks, PhysicsPipeline, RigidBodyBuilder, RigidBodyHandle, RigidBodySet,
    SharedShape, SoftBodySet, SpringCoefficients,
};
use rapier3d_f64::{math, prelude::FrictionModel};
use serde::{Deserialize, Serialize};

/// Density of the lens, g/µL (M: 1.07 g/cm³, ICRP 89/110).
pub const DENSITY_G_UL: f64 = 1.07e-3;

/// Density in excess of the irrigating fluid, g/µL (D: 1.07 less 1.00).
pub const EXCESS_G_UL: f64 = 0.07e-3;

/// Gravity, mm/s² (M: standard).
pub const GRAVITY_MM_S2: f64 = 9806.65;

/// Solver mass over true mass (A; results of pulls do not change when it is halved or doubled, which is tested).
pub const INERTIA: f64 = 100.0;

/// Weight over true weight of a fragment that touches something (A: it shall slide down the wall in some tenths of a second
/// and still weigh next to nothing against pulls). A held one weighs what it weighs, a free one falls in true time.
const TOUCHING: f64 = 10.0;

/// Coulomb friction between fragments, bag and instruments, wet (A).
pub const FRICTION: f64 = 0.07;

/// Relaxation time of a fragment of 1 mm radius in the fluid, s (A: a third of Stokes's 2ρr²/9μ = 0.24 s, for walls and
/// wake). It grows with the square of the radius.
pub const DRAG_S: f64 = 0.08;

/// Rate at which a held fragment's turning about the tip dies out, 1/s (A: the tip grips over its whole rim).
pub const GRIP_DAMPING_S: f64 = 20.0;

/// Time constant of the held force's reading, s (A: between 10 and 20 ms, the solver's noise being one tick's).
pub const READING_S: f64 = 0.015;

/// Time at rest after which a fragment sleeps, s (A).
const SLEEP_S: f64 = 0.25;

/// Speed below which a fragment is at rest, mm/s (A).
const REST_MM_S: f64 = 0.1;

/// Stiffness of contacts as the frequency of the body on them, Hz, and their damping ratio (numerical: held below 0.05 mm
/// at 50 mN, which is tested).
const CONTACT: (f64, f64) = (1000.0, 10.0);

/// Stiffness of the hold, µN/mm (numerical: 30 mN stretch it by 0.03 mm).
const HOLD_UN_MM: f64 = 1e6;

/// Share of its limit from which a hold slips (numerical: side axes carry up to a quarter each).
const SLIPS: f64 = 0.95;

/// Force between a fragment and what it touches from which soft shell gives way, µN (A: a few times cortex's strength over some
/// square millimetres), how fast it is squeezed then, mm/s, and how far at most, mm (A: half its thickness).
const SHELL_BEARS_UN: f64 = 200_000.0;
const SHELL_YIELDS_MM_S: f64 = 1.0;
const MOST_SQUEEZE_MM: f64 = 0.6;

/// Solver sub-steps a tick (numerical).
const SUBSTEPS: usize = 4;

/// Distance at which contacts are prepared, mm (numerical).
const AHEAD_MM: f64 = 0.02;

/// Speed at which overlaps are pushed apart, mm/s (numerical).
const RECOVERY_MM_S: f64 = 3.0;

/// What hulls are drawn in by at their corners, mm (numerical: flush faces come apart; the lens's cells are 0.2 mm).
const SLACK_MM: f64 = 0.03;

/// Contacts between one hull and the bag (numerical: three would hold it).
const BAG_CONTACTS: usize = 8;

/// Ticks over which the overlap of those who come in is measured (numerical).
const MEASURING_TICKS: u8 = 4;

/// Highest speed of anything in the bag, mm/s (numerical: less than `FAR_MM` a tick, so that nothing passes a wall unseen;
/// hands are slower).
const FASTEST_MM_S: f64 = 100.0;

/// Distance within which corners watch the wall, mm (numerical).
const FAR_MM: f64 = 0.45;

/// How deep beyond the anterior capsule a corner still counts as caught under its rim, mm; farther out it lies on top of it (A).
const RIM_MM: f64 = 0.5;

/// Stiffness of sticking, as a rate, 1/s (numerical), and the least force worth a joint, µN.
const STICK_RATE_S: f64 = 2_000.0;
const LEAST_STICK_UN: f64 = 50.0;

/// Smallest volume a body is given, µL (numerical).
const LEAST_UL: f64 = 0.01;

/// Fragments below this volume are solved with its inertia scale times true mass, µL (numerical: contacts are as stiff as
/// the bodies are heavy).
const SMALL_UL: f64 = 5.0;

/// How a fragment moves.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Velocity {
    /// Of its centre of mass, mm/s.
    pub linear_mm_s: Vector3<f64>,
    /// Turning, rad/s.
    pub angular_rad_s: Vector3<f64>,
}

/// Sums of the normal contact forces on a fragment in the last tick, µN.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Contacts {
    /// From other fragments.
    pub neighbours_un: f64,
    /// From bag, rhexis rim and roof of the chamber.
    pub bag_un: f64,
    /// From needle and chopper.
    pub instruments_un: f64,
}

/// The room fragments move in: two half-ellipsoids on one equator, the front open within the rhexis, and above it the
/// chamber under a half-ellipsoid of cornea.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Bag {
    /// Radius at the equator, mm.
    pub radius_mm: f64,
    /// Depth of the back below the equator, mm.
    pub back_mm: f64,
    /// Height of the front above the equator, mm.
    pub front_mm: f64,
    /// Radius of the rhexis, mm.
    pub rhexis_mm: f64,
    /// Radius of the chamber at the level of the equator, mm.
    pub chamber_radius_mm: f64,
    /// Height of the chamber's roof above the origin, mm.
    pub roof_mm: f64,
    /// Shift of the bag as a whole along z, mm.
    pub shift_mm: f64,
}

impl Bag {
    /// Distance of a place to the nearest wall, mm, negative beyond it, and the wall's normal into the room.
    pub fn wall(&self, p_mm: &Vector3<f64>) -> (f64, Vector3<f64>) {
        let p = p_mm - Vector3::new(0.0, 0.0, self.shift_mm);
        let depth_mm = if p.z < 0.0 { self.back_mm } else { self.front_mm };
        let bag = within(&p, self.radius_mm, depth_mm);
        if p.z <= 0.0 {
            return bag;
        }
        let cornea = within(p_mm, self.chamber_radius_mm, self.roof_mm);
        let axis_mm = libm::sqrt(p.x * p.x + p.y * p.y);
        let over_mm = axis_mm - self.rhexis_mm;
        let capsule = if over_mm <= 0.0 || bag.0 < -RIM_MM {
            return cornea; // Within the opening, or out on the capsule already.
        } else if bag.0 < 0.0 && over_mm < -bag.0 {
            (-over_mm, Vector3::new(-p.x / axis_mm, -p.y / axis_mm, 0.0)) // Against the rim, toward the opening.
        } else {
            bag
        };
        if cornea.0 < capsule.0 { cornea } else { capsule }
    }
}

/// Distance to the surface of an ellipsoid of revolution, mm, to first order near it, and the normal inward.
fn within(p: &Vector3<f64>, radius_mm: f64, depth_mm: f64) -> (f64, Vector3<f64>) {
    let (a2, c2) = (square(radius_mm.max(0.1)), square(depth_mm.max(0.1)));
    let level = libm::sqrt((p.x * p.x + p.y * p.y) / a2 + p.z * p.z / c2);
    if level < 0.1 {
        return (0.9 * radius_mm.min(depth_mm), Vector3::z());
    }
    let slope = Vector3::new(p.x / a2, p.y / a2, p.z / c2) / level;
    let steepness = libm::sqrt(slope.norm_squared());
    ((1.0 - level) / steepness, -slope / steepness)
}

fn square(x: f64) -> f64 {
    x * x
}

/// A straight instrument part inside the eye: a round-ended cylinder.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Rod {
    /// Its end, mm.
    pub tip_mm: Vector3<f64>,
    /// From the end toward the hand, a unit vector.
    pub axis: Vector3<f64>,
    /// Length, mm.
    pub length_mm: f64,
    /// Radius, mm.
    pub radius_mm: f64,
}

/// Needle shaft, chopper shaft, chopper blade.
pub const RODS: usize = 3;

/// The rod that holds: the needle.
const NEEDLE: usize = 0;

/// A fragment's body.
#[derive(Clone, Debug, Serialize, Deserialize)]
struct Body {
    id: u16,
    handle: RigidBodyHandle,
    hulls: Vec<ColliderHandle>,
    volume_ul: f64,
    /// Solver mass over true mass.
    inertia: f64,
    flow_mm_s: Vector3<f64>,
    /// Do instruments go into it rather than push it?
    is_passed: bool,
    /// Force with which it sticks to the bag, µN, and the joint that does so.
    sticks_un: f64,
    stuck: Option<ImpulseJointHandle>,
    /// Pushes gathered for the next tick: force, µN, and torque about the origin, µN·mm.
    push: [Vector3<f64>; 2],
}

/// An instrument part's body.
#[derive(Clone, Debug, Serialize, Deserialize)]
struct RodBody {
    rod: Rod,
    handle: RigidBodyHandle,
    collider: ColliderHandle,
}

/// Overlap allowed between two colliders. It is what they have when they first meet, up to a limit, and only shrinks.
#[derive(Clone, Debug, Serialize, Deserialize)]
struct Overlap {
    pair: [ColliderHandle; 2],
    most_mm: f64,
    limit_mm: f64,
    /// Ticks in which it is still being measured: a single measurement of hulls that share corners can fail.
    ticks_left: u8,
}

/// The needle's hold on a fragment.
#[derive(Clone, Debug, Serialize, Deserialize)]
struct Hold {
    id: u16,
    joint: ImpulseJointHandle,
    at_body_mm: Vector3<f64>,
    most_un: f64,
    /// Force on the fragment in the last tick, µN, and its low-passed reading.
    force_un: Vector3<f64>,
    reading_un: Vector3<f64>,
}

/// The rigid-body engine's scratch: nothing that lasts.
#[derive(Default)]
struct Scratch(PhysicsPipeline);

impl Clone for Scratch {
    fn clone(&self) -> Self {
        Self::default()
    }
}

/// All fragments that move, the bag around them and the instruments among them.
#[derive(Clone, Serialize, Deserialize)]
#[serde(from = "Saved")]
pub struct Bodies {
    bag: Bag,
    bag_collider: ColliderHandle,
    /// What sticks to the bag is joined to this.
    ground: RigidBodyHandle,
    inertia: f64,
    tick_s: f64,
    fragments: Vec<Body>,
    rods: [Option<RodBody>; RODS],
    overlaps: Vec<Overlap>,
    hold: Option<Hold>,
    sets: Sets,
    #[serde(skip)]
    scratch: Scratch,
}

/// `Bodies` as saved: the way the bag is met does not travel and is put back.
#[derive(Deserialize)]
struct Saved {
    bag: Bag,
    bag_collider: ColliderHandle,
    ground: RigidBodyHandle,
    inertia: f64,
    tick_s: f64,
    fragments: Vec<Body>,
    rods: [Option<RodBody>; RODS],
    overlaps: Vec<Overlap>,
    hold: Option<Hold>,
    sets: Sets,
}

impl From<Saved> for Bodies {
    fn from(saved: Saved) -> Self {
        let Saved { bag, bag_collider, ground, inertia, tick_s, fragments, rods, overlaps, hold, mut sets } = saved;
        sets.narrow.set_query_dispatcher(bag);
        let scratch = Scratch::default();
        Self { bag, bag_collider, ground, inertia, tick_s, fragments, rods, overlaps, hold, sets, scratch }
    }
}

/// What the rigid-body engine keeps.
#[derive(Clone, Serialize, Deserialize)]
struct Sets {
    bodies: RigidBodySet,
    colliders: ColliderSet,
    joints: ImpulseJointSet,
    multibodies: MultibodyJointSet,
    soft: SoftBodySet,
    islands: IslandManager,
    broad: BroadPhaseBvh,
    narrow: NarrowPhase,
    ccd: CCDSolver,
}

impl core::fmt::Debug for Bodies {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.debug_struct("Bodies").field("bag", &self.bag).field("canonical", &self.canonical()).finish_non_exhaustive()
    }
}

impl PartialEq for Bodies {
    fn eq(&self, other: &Self) -> bool {
        let bits = |b: &Self| b.canonical().iter().map(|n| n.to_bits()).collect::<Vec<_>>();
        self.bag == other.bag && bits(self) == bits(other)
    }
}

impl Bodies {
    /// An empty bag.
    pub fn new(bag: Bag) -> Self {
        Self::with_inertia(bag, INERTIA)
    }

    /// An empty bag and another inertia scale, to show that pulls do not depend on it.
    pub fn with_inertia(bag: Bag, inertia: f64) -> Self {
        let mut sets = Sets {
            bodies: RigidBodySet::new(),
            colliders: ColliderSet::new(),
            joints: ImpulseJointSet::new(),
            multibodies: MultibodyJointSet::new(),
            soft: SoftBodySet::new(),
            islands: IslandManager::new(),
            broad: BroadPhaseBvh::new(),
            narrow: NarrowPhase::with_query_dispatcher(bag),
            ccd: CCDSolver::new(),
        };
        // The only cuboid there is stands for the bag; it holds all the eye, so that every hull is tried against it.
        let body = sets.bodies.insert(RigidBodyBuilder::fixed());
        let room = ColliderBuilder::new(SharedShape::cuboid(50.0, 50.0, 50.0)).density(0.0).friction(FRICTION);
        let bag_collider = sets.colliders.insert_with_parent(room, body, &mut sets.bodies);
        Self {
            bag,
            bag_collider,
            ground: body,
            inertia: inertia.clamp(1.0, 1e4),
            tick_s: 0.0,
            fragments: Vec::new(),
            rods: [const { None }; RODS],
            overlaps: Vec::new(),
            hold: None,
            sets,
            scratch: Scratch::default(),
        }
    }

    /// The bag as it stands.
    pub fn bag(&self) -> &Bag {
        &self.bag
    }

    /// Let the bag change its shape or height; what lies in it wakes.
    pub fn set_bag(&mut self, bag: Bag) {
        let Bag { radius_mm, back_mm, front_mm, rhexis_mm, chamber_radius_mm, roof_mm, shift_mm } = bag;
        let numbers = [radius_mm, back_mm, front_mm, rhexis_mm, chamber_radius_mm, roof_mm, shift_mm];
        if bag != self.bag && numbers.iter().all(|n| n.is_finite()) {
            self.bag = bag;
            self.sets.narrow.set_query_dispatcher(bag);
            for id in self.ids() {
                self.wake(id);
            }
        }
    }

    /// Numbers of the fragments, in order.
    pub fn ids(&self) -> Vec<u16> {
        self.fragments.iter().map(|f| f.id).collect()
    }

    /// Where a fragment stands in the list.
    fn at(&self, id: u16) -> Option<usize> {
        self.fragments.binary_search_by_key(&id, |f| f.id).ok()
    }

    /// The rigid-body engine's body of a fragment.
    fn rigid(&self, id: u16) -> Option<&rapier3d_f64::dynamics::RigidBody> {
        self.sets.bodies.get(self.fragments[self.at(id)?].handle)
    }

    /// Bring in a fragment: convex point sets in its own frame (mm), volume, where it is. What it overlaps it may go on
    /// overlapping.
    pub fn insert(&mut self, id: u16, hulls: &[Vec<Vector3<f64>>], volume_ul: f64, pose: &Pose) {
        self.remove(id);
        let body = RigidBodyBuilder::dynamic()
            .pose(pose_in(pose))
            .gyroscopic_forces_enabled(false)
            .soft_ccd_prediction(FAR_MM);
        let handle = self.sets.bodies.insert(body);
        if let Some(body) = self.sets.bodies.get_mut(handle) {
            let activation = body.activation_mut();
            activation.normalized_linear_threshold = REST_MM_S;
            activation.time_until_sleep = SLEEP_S;
        }
        let fragment = Body {
            id,
            handle,
            hulls: Vec::new(),
            volume_ul: 0.0,
            inertia: self.inertia,
            flow_mm_s: Vector3::zeros(),
            push: [Vector3::zeros(); 2],
            is_passed: false,
            sticks_un: 0.0,
            stuck: None,
        };
        let at = self.fragments.partition_point(|f| f.id < id);
        self.fragments.insert(at, fragment);
        self.outfit(at, hulls, volume_ul);
        let hulls = self.fragments[at].hulls.clone();
        self.allow_overlaps(&hulls, |_| f64::MAX);
    }

    /// Give a fragment another shape; where it is and how its material moves stay. Overlaps it was allowed it keeps.
    pub fn rebuild(&mut self, id: u16, hulls: &[Vec<Vector3<f64>>], volume_ul: f64) {
        let Some(at) = self.at(id) else { return };
        let old = core::mem::take(&mut self.fragments[at].hulls);
        // The most that was allowed toward each partner, whichever hull it was.
        let mut allowed: Vec<(ColliderHandle, f64)> = Vec::new();
        for overlap in &self.overlaps {
            if let [Some(_), None] | [None, Some(_)] = overlap.pair.map(|c| old.iter().find(|o| **o == c)) {
                let partner = if old.contains(&overlap.pair[0]) { overlap.pair[1] } else { overlap.pair[0] };
                let is_measured = overlap.ticks_left == 0;
                allowed.push((partner, if is_measured { overlap.most_mm } else { overlap.limit_mm }));
            }
        }
        for collider in old {
            self.forget(collider);
        }
        self.outfit(at, hulls, volume_ul);
        let hulls = self.fragments[at].hulls.clone();
        let most = |partner| allowed.iter().filter(|a| a.0 == partner).fold(0.0, |most: f64, a| most.max(a.1));
        self.allow_overlaps(&hulls, most);
    }

    /// Take a fragment out.
    pub fn remove(&mut self, id: u16) {
        let Some(at) = self.at(id) else { return };
        if self.hold.as_ref().is_some_and(|h| h.id == id) {
            self.let_go();
        }
        let fragment = self.fragments.remove(at);
        for collider in fragment.hulls {
            self.forget(collider);
        }
        let Sets { bodies, colliders, joints, multibodies, soft, islands, .. } = &mut self.sets;
        bodies.remove(fragment.handle, islands, colliders, joints, multibodies, soft, true);
    }

    /// Remove a collider and what was allowed to it.
    fn forget(&mut self, collider: ColliderHandle) {
        self.overlaps.retain(|o| !o.pair.contains(&collider));
        let Sets { bodies, colliders, soft, islands, .. } = &mut self.sets;
        colliders.remove(collider, islands, bodies, soft, true);
    }

    /// Hulls, mass and inertia of a fragment that has none.
    fn outfit(&mut self, at: usize, hulls: &[Vec<Vector3<f64>>], volume_ul: f64) {
        let fragment = &mut self.fragments[at];
        fragment.volume_ul = if volume_ul.is_finite() { volume_ul.max(LEAST_UL) } else { LEAST_UL };
        fragment.inertia = self.inertia * (SMALL_UL / fragment.volume_ul).max(1.0);
        let Sets { bodies, colliders, .. } = &mut self.sets;
        let moved_before = bodies.get(fragment.handle).map(|b| (b.center_of_mass(), b.linvel(), b.angvel()));
        let mut mass = MassProperties::default();
        let share_ul = fragment.volume_ul / hulls.len().max(1) as f64;
        for points in hulls {
            let shape = shape(points, share_ul);
            mass += shape.mass_properties(1.0);
            let collider = ColliderBuilder::new(shape)
                .density(0.0)
                .friction(FRICTION)
                .collision_groups(groups(fragment.is_passed))
                .active_hooks(ActiveHooks::MODIFY_SOLVER_CONTACTS);
            fragment.hulls.push(colliders.insert_with_parent(collider, fragment.handle, bodies));
        }
        mass.set_mass(fragment.inertia * DENSITY_G_UL * fragment.volume_ul, true);
        let Some(body) = bodies.get_mut(fragment.handle) else { return };
        body.set_additional_mass_properties(mass, true);
        body.recompute_mass_properties_from_colliders(colliders);
        if let Some((centre, linear, angular)) = moved_before {
            body.set_linvel(linear + angular.cross(body.center_of_mass() - centre), true);
        }
    }

    /// Allow newcomers the overlap they have with others, up to a limit for each partner.
    fn allow_overlaps(&mut self, newcomers: &[ColliderHandle], limit_mm: impl Fn(ColliderHandle) -> f64) {
        for &own in newcomers {
            for (other, _) in self.sets.colliders.iter().filter(|(other, _)| !newcomers.contains(other)) {
                let limit_mm = limit_mm(other);
                if limit_mm > 0.0 {
                    let pair = ordered(own, other);
                    self.overlaps.push(Overlap { pair, most_mm: 0.0, limit_mm, ticks_left: MEASURING_TICKS });
                }
            }
        }
        self.overlaps.sort_by_key(|o| o.pair.map(|c| c.into_raw_parts()));
    }

    /// A force on a fragment during the next tick, µN, at a place of the eye, mm.
    pub fn push(&mut self, id: u16, force_un: &Vector3<f64>, at_mm: &Vector3<f64>) {
        let Some(at) = self.at(id) else { return };
        if force_un.iter().chain(at_mm).all(|n| n.is_finite()) && force_un.norm_squared() > 0.0 {
            self.fragments[at].push[0] += force_un;
            self.fragments[at].push[1] += at_mm.cross(force_un);
            self.wake(id);
        }
    }

    /// The fluid a fragment drifts with, mm/s, until told otherwise.
    pub fn drag(&mut self, id: u16, flow_mm_s: &Vector3<f64>) {
        let Some(at) = self.at(id) else { return };
        let flow_mm_s = if flow_mm_s.iter().all(|n| n.is_finite()) { *flow_mm_s } else { Vector3::zeros() };
        let change = (flow_mm_s - self.fragments[at].flow_mm_s).norm_squared();
        if change > 0.0 {
            self.fragments[at].flow_mm_s = flow_mm_s;
            // A sleeper is not woken by less than what it takes for rest.
            if change > square(4.0 * REST_MM_S) {
                self.wake(id);
            }
        }
    }

    /// Wake a fragment and what it touches.
    pub fn wake(&mut self, id: u16) {
        if let Some(at) = self.at(id) {
            self.sets.islands.wake_up(&mut self.sets.bodies, self.fragments[at].handle, true);
        }
    }

    /// Move the instruments to where they shall be at the end of the next tick. A part that was absent appears there; what
    /// it overlaps then, it may go on overlapping.
    pub fn set_rods(&mut self, rods: &[Option<Rod>; RODS]) {
        for (at, rod) in rods.iter().enumerate() {
            let rod = rod.filter(|r| r.tip_mm.iter().chain(&r.axis).all(|n| n.is_finite()));
            let is_same = matches!((&self.rods[at], &rod), (Some(b), Some(r)) if (b.rod.length_mm, b.rod.radius_mm) == (r.length_mm, r.radius_mm));
            match rod {
                Some(rod) if is_same => {
                    if let Some(body) = &mut self.rods[at]
                        && body.rod != rod
                    {
                        body.rod = rod;
                        if let Some(rigid) = self.sets.bodies.get_mut(body.handle) {
                            rigid.set_next_kinematic_position(rod_pose(&rod));
                        }
                    }
                }
                Some(rod) => {
                    self.take_rod(at);
                    self.bring_rod(at, rod);
                }
                None => self.take_rod(at),
            }
        }
    }

    fn bring_rod(&mut self, at: usize, rod: Rod) {
        let Sets { bodies, colliders, .. } = &mut self.sets;
        let handle = bodies.insert(RigidBodyBuilder::kinematic_position_based().pose(rod_pose(&rod)));
        let radius_mm = rod.radius_mm.max(0.01);
        let [near, far] = [radius_mm, rod.length_mm.max(radius_mm + 0.01)].map(|z| math::Vector::new(0.0, 0.0, z));
        // The needle meets a fragment at its port, by cells, and goes along its own bore elsewhere: as a rod it only holds.
        let meets = if at == NEEDLE { Group::NONE } else { Group::ALL & !PASSED };
        let meets = InteractionGroups::new(meets, meets, InteractionTestMode::And);
        let shape = ColliderBuilder::new(SharedShape::capsule(near, far, radius_mm))
            .density(0.0)
            .friction(FRICTION)
            .collision_groups(meets);
        let collider = colliders.insert_with_parent(shape, handle, bodies);
        self.rods[at] = Some(RodBody { rod, handle, collider });
        self.allow_overlaps(&[collider], |_| f64::MAX);
    }

    fn take_rod(&mut self, at: usize) {
        if at == NEEDLE && self.rods[at].is_some() {
            self.let_go();
        }
        if let Some(rod) = self.rods[at].take() {
            self.forget(rod.collider);
            let Sets { bodies, colliders, joints, multibodies, soft, islands, .. } = &mut self.sets;
            bodies.remove(rod.handle, islands, colliders, joints, multibodies, soft, true);
        }
    }

    /// Let the needle hold a fragment at a place of its own frame, mm, with at most a force, µN. The place is drawn to the
    /// needle's end; what would take more slips. Calling again changes the most force, and the place if it is another.
    /// `false` without needle or fragment, or for what
    /// is no number.
    pub fn hold(&mut self, id: u16, at_body_mm: &Vector3<f64>, most_un: f64) -> bool {
        if !at_body_mm.iter().chain([&most_un]).all(|n| n.is_finite()) {
            return false;
        }
        let most_un = most_un.max(0.0);
        if let Some(hold) = self.hold.as_mut().filter(|h| h.id == id) {
            hold.most_un = most_un;
            hold.at_body_mm = *at_body_mm;
            return true;
        }
        self.let_go();
        let (Some(at), Some(needle)) = (self.at(id), &self.rods[NEEDLE]) else { return false };
        let mut joint = GenericJoint::new(JointAxesMask::empty());
        let mass_g = DENSITY_G_UL * self.fragments[at].volume_ul * self.fragments[at].inertia;
        let critical = 2.0 * libm::sqrt(HOLD_UN_MM * mass_g);
        for axis in [JointAxis::LinX, JointAxis::LinY, JointAxis::LinZ] {
            joint
                .set_motor_model(axis, MotorModel::ForceBased)
                .set_motor_position(axis, 0.0, HOLD_UN_MM, critical)
                .set_motor_max_force(axis, most_un);
        }
        joint.set_contacts_enabled(false);
        let joint = self.sets.joints.insert(needle.handle, self.fragments[at].handle, joint, true);
        let zero = Vector3::zeros();
        self.hold = Some(Hold { id, joint, at_body_mm: *at_body_mm, most_un, force_un: zero, reading_un: zero });
        true
    }

    /// End the hold.
    pub fn let_go(&mut self) {
        if let Some(hold) = self.hold.take() {
            self.sets.joints.remove(hold.joint, true);
        }
    }

    /// The place of the fragment that is held, in its own frame, mm.
    pub fn held_at_mm(&self) -> Option<Vector3<f64>> {
        self.hold.as_ref().map(|h| h.at_body_mm)
    }

    /// Does the hold carry all it can, so that the fragment slips?
    pub fn is_slipping(&self) -> bool {
        self.hold.as_ref().is_some_and(|h| h.force_un.norm() > SLIPS * h.most_un)
    }

    /// The fragment held.
    pub fn held(&self) -> Option<u16> {
        self.hold.as_ref().map(|h| h.id)
    }

    /// Force of the hold on the fragment, µN, eye frame, read over `READING_S`.
    pub fn held_force_un(&self) -> Vector3<f64> {
        self.hold.as_ref().map_or(Vector3::zeros(), |h| h.reading_un)
    }

    /// Distance between the place held and the needle's end, mm.
    pub fn slip_mm(&self) -> f64 {
        self.lag_mm().map_or(0.0, |lag| libm::sqrt(lag.norm_squared()))
    }

    /// From the place held to the needle's end, mm.
    fn lag_mm(&self) -> Option<Vector3<f64>> {
        let (hold, needle) = (self.hold.as_ref()?, self.rods[NEEDLE].as_ref()?);
        Some(needle.rod.tip_mm - self.pose(hold.id)?.to_eye(&hold.at_body_mm))
    }

    /// Where a fragment is.
    pub fn pose(&self, id: u16) -> Option<Pose> {
        Some(pose_out(self.rigid(id)?.position()))
    }

    /// How a fragment moves.
    pub fn velocity(&self, id: u16) -> Option<Velocity> {
        let body = self.rigid(id)?;
        Some(Velocity { linear_mm_s: vector_out(body.linvel()), angular_rad_s: vector_out(body.angvel()) })
    }

    /// Does a fragment sleep?
    pub fn is_asleep(&self, id: u16) -> bool {
        self.rigid(id).is_some_and(|b| b.is_sleeping())
    }

    /// What presses on a fragment.
    pub fn contact(&self, id: u16) -> Option<Contacts> {
        let fragment = &self.fragments[self.at(id)?];
        let mut sums = Contacts::default();
        for &hull in &fragment.hulls {
            for pair in self.sets.narrow.contact_pairs_with(hull) {
                let partner = if pair.collider1 == hull { pair.collider2 } else { pair.collider1 };
                let impulse: f64 = pair.manifolds().iter().map(normal_impulse).sum();
                let sum = if partner == self.bag_collider {
                    &mut sums.bag_un
                } else if self.rods.iter().flatten().any(|r| r.collider == partner) {
                    &mut sums.instruments_un
                } else {
                    &mut sums.neighbours_un
                };
                if self.tick_s > 0.0 {
                    *sum += impulse / self.tick_s;
                }
            }
        }
        Some(sums)
    }

    /// The numbers that make up the physical state: for each fragment its number, volume, pose and velocities, then the
    /// hold.
    pub fn canonical(&self) -> Vec<f64> {
        let mut numbers = Vec::new();
        for fragment in &self.fragments {
            let (Some(pose), Some(velocity)) = (self.pose(fragment.id), self.velocity(fragment.id)) else { continue };
            numbers.extend([f64::from(fragment.id), fragment.volume_ul]);
            numbers.extend(pose.turn.iter().chain(&pose.place_mm));
            numbers.extend(velocity.linear_mm_s.iter().chain(&velocity.angular_rad_s));
        }
        if let Some(hold) = &self.hold {
            numbers.extend([f64::from(hold.id), hold.most_un]);
            numbers.extend(hold.at_body_mm.iter().chain(&hold.force_un).chain(&hold.reading_un));
        }
        numbers
    }

    /// Do instruments go into a fragment?
    pub fn is_passed(&self, id: u16) -> bool {
        self.at(id).is_some_and(|at| self.fragments[at].is_passed)
    }

    /// Let instruments go into some fragments rather than push them: what they meet there is told by their cells.
    pub fn pass(&mut self, is_entered: impl Fn(u16) -> bool) {
        let Sets { colliders, .. } = &mut self.sets;
        for fragment in &mut self.fragments {
            let is_passed = is_entered(fragment.id);
            if is_passed != fragment.is_passed {
                fragment.is_passed = is_passed;
                for hull in &fragment.hulls {
                    if let Some(collider) = colliders.get_mut(*hull) {
                        collider.set_collision_groups(groups(is_passed));
                    }
                }
            }
        }
    }

    /// Volume a fragment was last given, µL; `None` where it has no body.
    pub fn volume_ul(&self, id: u16) -> Option<f64> {
        self.at(id).map(|at| self.fragments[at].volume_ul)
    }

    /// The middle of a fragment's mass in the eye, mm.
    pub fn middle_mm(&self, id: u16) -> Option<Vector3<f64>> {
        Some(vector_out(self.rigid(id)?.center_of_mass()))
    }

    /// Put a fragment somewhere, at rest: an instrument has its sides in hand.
    pub fn place(&mut self, id: u16, pose: &Pose) {
        let Some(at) = self.at(id) else { return };
        if let Some(body) = self.sets.bodies.get_mut(self.fragments[at].handle) {
            body.set_position(pose_in(pose), true);
            body.set_linvel(math::Vector::ZERO, true);
            body.set_angvel(math::Vector::ZERO, true);
        }
    }

    /// Let a fragment stick to the bag with at most a force, µN: what would take more tears it off a little.
    pub fn stick(&mut self, id: u16, most_un: f64) {
        let Some(at) = self.at(id) else { return };
        let most_un = if most_un.is_finite() { most_un.max(0.0) } else { 0.0 };
        let fragment = &mut self.fragments[at];
        match fragment.stuck {
            Some(joint) if most_un < LEAST_STICK_UN => {
                self.sets.joints.remove(joint, false);
                fragment.stuck = None;
            }
            Some(joint) if (most_un - fragment.sticks_un).abs() > LEAST_STICK_UN => {
                if let Some(joint) = self.sets.joints.get_mut(joint, false) {
                    for axis in [JointAxis::LinX, JointAxis::LinY, JointAxis::LinZ] {
                        joint.data.set_motor_max_force(axis, most_un);
                    }
                }
            }
            None if most_un >= LEAST_STICK_UN => {
                let mut joint = GenericJoint::new(JointAxesMask::empty());
                for axis in [JointAxis::LinX, JointAxis::LinY, JointAxis::LinZ] {
                    joint.set_motor_velocity(axis, 0.0, STICK_RATE_S).set_motor_max_force(axis, most_un);
                }
                fragment.stuck = Some(self.sets.joints.insert(self.ground, fragment.handle, joint, false));
            }
            _ => return,
        }
        fragment.sticks_un = most_un;
    }

    /// One tick.
    pub fn advance(&mut self, tick_s: f64) {
        if !(tick_s > 0.0 && tick_s.is_finite()) {
            return;
        }
        self.tick_s = tick_s;
        self.load();
        self.aim_hold();
        let parameters = parameters(tick_s);
        let Sets { bodies, colliders, joints, multibodies, soft, islands, broad, narrow, ccd } = &mut self.sets;
        let hooks = Allowing(&self.overlaps);
        self.scratch.0.step(
            math::Vector::ZERO,
            &parameters,
            islands,
            broad,
            narrow,
            bodies,
            colliders,
            joints,
            multibodies,
            soft,
            ccd,
            &hooks,
            &(),
        );
        self.read_hold();
        self.tighten();
    }

    /// Weight, drag and pushes.
    fn load(&mut self) {
        for at in 0..self.fragments.len() {
            if self.sets.bodies.get(self.fragments[at].handle).is_none_or(|b| b.is_sleeping()) {
                continue;
            }
            let is_held = self.held() == Some(self.fragments[at].id);
            let touch = self.contact(self.fragments[at].id).unwrap_or_default();
            let is_free = touch == Contacts::default();
            let fragment = &mut self.fragments[at];
            let Some(body) = self.sets.bodies.get_mut(fragment.handle) else { continue };
            // The sphere of equal volume, V = 4πr³/3.
            let radius_mm = libm::cbrt(fragment.volume_ul * 3.0 / (4.0 * core::f64::consts::PI));
            let rate = 1.0 / (DRAG_S * square(radius_mm)).clamp(0.005, 0.3);
            let (grip, scale) = match (is_held, is_free) {
                (true, _) => (GRIP_DAMPING_S, 1.0),
                (false, true) => (0.0, fragment.inertia),
                (false, false) => (0.0, fragment.inertia.min(TOUCHING)),
            };
            let mass_g = DENSITY_G_UL * fragment.volume_ul;
            let weight = Vector3::new(0.0, 0.0, -EXCESS_G_UL * fragment.volume_ul * GRAVITY_MM_S2);
            let [push, moment] = core::mem::replace(&mut fragment.push, [Vector3::zeros(); 2]);
            let force = weight * scale + fragment.flow_mm_s * (mass_g * rate * fragment.inertia) + push;
            let centre = vector_out(body.center_of_mass());
            body.set_linear_damping(rate);
            body.set_angular_damping(rate + grip);
            body.reset_forces(false);
            body.reset_torques(false);
            body.add_force(vector_in(&force), false);
            body.add_torque(vector_in(&(moment - centre.cross(&push))), false);
        }
    }

    /// Turn the hold's axes so that the first one lies along the force: the motors limit each axis by itself, but the
    /// hold's limit is on the whole.
    fn aim_hold(&mut self) {
        let Some(lag) = self.lag_mm() else { return };
        let (Some(hold), Some(needle)) = (&self.hold, &self.rods[NEEDLE]) else { return };
        let is_slipping = hold.force_un.norm_squared() > square(0.9 * hold.most_un);
        let along = if is_slipping || hold.force_un.norm_squared() == 0.0 { lag } else { hold.force_un };
        let length = libm::sqrt(along.norm_squared());
        let along = if length > 1e-9 { along / length } else { Vector3::x() };
        let Some(rotation) = self.sets.bodies.get(needle.handle).map(|b| *b.rotation()) else { return };
        let Some(joint) = self.sets.joints.get_mut(hold.joint, false) else { return };
        let frame = rotation.inverse() * turn_from_x(&along);
        joint.data.set_local_frame1(math::Pose::from_parts(math::Vector::ZERO, frame));
        joint.data.set_local_anchor2(vector_in(&hold.at_body_mm));
        for (axis, share) in [(JointAxis::LinX, 1.0), (JointAxis::LinY, 0.25), (JointAxis::LinZ, 0.25)] {
            joint.data.set_motor_max_force(axis, share * hold.most_un);
        }
    }

    /// Read the hold's force.
    fn read_hold(&mut self) {
        let (Some(hold), Some(needle)) = (&mut self.hold, &self.rods[NEEDLE]) else { return };
        let Some(joint) = self.sets.joints.get(hold.joint) else { return };
        let Some(rotation) = self.sets.bodies.get(needle.handle).map(|b| *b.rotation()) else { return };
        let [x, y, z] = [0, 1, 2].map(|axis| joint.data.motors[axis].impulse);
        let impulse = math::Vector::new(x, y, z);
        // An impulse is a sub-step's; its sign is that of the needle's side.
        let per_substep = SUBSTEPS as f64 / self.tick_s;
        hold.force_un = -vector_out(rotation * (joint.data.local_frame1.rotation * impulse)) * per_substep;
        hold.reading_un += (hold.force_un - hold.reading_un) * (self.tick_s / (READING_S + self.tick_s));
    }

    /// Allow no more overlap than there is.
    fn tighten(&mut self) {
        let narrow = &self.sets.narrow;
        for overlap in &mut self.overlaps {
            let pair = narrow.contact_pair(overlap.pair[0], overlap.pair[1]);
            let points = pair.iter().flat_map(|p| p.manifolds()).flat_map(|m| &m.points);
            let depth_mm = points.fold(0.0, |deepest: f64, p| deepest.max(-p.dist));
            if overlap.ticks_left > 0 {
                overlap.ticks_left -= 1;
                overlap.most_mm = overlap.most_mm.max(depth_mm).min(overlap.limit_mm);
            } else {
                overlap.most_mm = overlap.most_mm.min(depth_mm);
            }
        }
        self.overlaps.retain(|o| o.most_mm > 0.0 || o.ticks_left > 0);
        self.yield_shells();
    }

    /// What presses harder than soft shell bears squeezes it: hulls may overlap a little more, until it no longer does.
    fn yield_shells(&mut self) {
        let mut squeezed: Vec<[ColliderHandle; 2]> = Vec::new();
        for &hull in self.fragments.iter().flat_map(|f| &f.hulls) {
            for pair in self.sets.narrow.contact_pairs_with(hull) {
                let is_rod = |c: ColliderHandle| self.rods.iter().flatten().any(|r| r.collider == c);
                let key = ordered(pair.collider1, pair.collider2);
                if is_rod(key[0]) || is_rod(key[1]) || squeezed.contains(&key) {
                    continue;
                }
                if pair.manifolds().iter().map(normal_impulse).sum::<f64>() > SHELL_BEARS_UN * self.tick_s {
                    squeezed.push(key);
                }
            }
        }
        for pair in squeezed {
            let key = |pair: &[ColliderHandle; 2]| pair.map(|c| c.into_raw_parts());
            let more_mm = SHELL_YIELDS_MM_S * self.tick_s;
            match self.overlaps.binary_search_by_key(&key(&pair), |o| key(&o.pair)) {
                Ok(at) => self.overlaps[at].most_mm = (self.overlaps[at].most_mm + more_mm).min(MOST_SQUEEZE_MM),
                Err(at) => {
                    self.overlaps.insert(at, Overlap { pair, most_mm: more_mm, limit_mm: more_mm, ticks_left: 0 });
                }
            }
        }
    }
}

/// Points of a set farthest out in 32 directions (the corners of an icosahedron and of a dodecahedron): an outline of at
/// most 32 corners, mm.
pub fn outline(points_mm: &[Vector3<f64>]) -> Vec<Vector3<f64>> {
    let golden = 0.5 * (1.0 + libm::sqrt(5.0));
    let mut directions = Vec::with_capacity(32);
    for s in [-1.0, 1.0] {
        for t in [-1.0, 1.0] {
            for (y, z) in [(s, t * golden), (s / golden, t * golden)] {
                directions.extend([[0.0, y, z], [y, z, 0.0], [z, 0.0, y]]);
            }
            directions.extend([[-1.0, s, t], [1.0, s, t]]);
        }
    }
    let mut chosen: Vec<usize> = directions
        .iter()
        .filter_map(|d| {
            let reach = |p: &Vector3<f64>| p.dot(&Vector3::from(*d));
            (0..points_mm.len()).max_by(|a, b| reach(&points_mm[*a]).total_cmp(&reach(&points_mm[*b])))
        })
        .collect();
    chosen.sort_unstable();
    chosen.dedup();
    chosen.into_iter().map(|i| points_mm[i]).collect()
}

/// What a hull meets: everything, or everything but instruments.
fn groups(is_passed: bool) -> InteractionGroups {
    let own = if is_passed { PASSED } else { Group::ALL & !PASSED };
    InteractionGroups::new(own, Group::ALL, InteractionTestMode::And)
}

/// Fragments that instruments go into.
const PASSED: Group = Group::GROUP_2;

/// The hull of a point set; a ball of the volume where the points span none.
fn shape(points: &[Vector3<f64>], volume_ul: f64) -> SharedShape {
    let points: Vec<_> = points.iter().filter(|p| p.iter().all(|n| n.abs() < 100.0)).map(vector_in).collect();
    // Pieces that share corners and faces to the last bit are what the search for contacts likes least.
    let middle = points.iter().fold(math::Vector::ZERO, |sum, p| sum + *p) / points.len().max(1) as f64;
    let points: Vec<_> = points.iter().map(|p| *p + (middle - *p).normalize_or_zero() * SLACK_MM).collect();
    let hull = rapier3d_f64::parry::transformation::try_convex_hull(&points)
        .ok()
        .and_then(|(points, faces)| SharedShape::convex_mesh(points, &faces));
    hull.unwrap_or_else(|| {
        let radius_mm = libm::cbrt(volume_ul * 3.0 / (4.0 * core::f64::consts::PI)).max(0.05);
        SharedShape::ball(radius_mm)
    })
}

/// The corners of a hull, or a ball's centre and its radius.
fn each_corner(shape: &dyn Shape, mut visit: impl FnMut(u32, math::Vector, f64)) {
    if let Some(hull) = shape.as_convex_polyhedron() {
        for (i, p) in hull.points().iter().enumerate() {
            visit(i as u32, *p, 0.0);
        }
    } else if let Some(ball) = shape.as_ball() {
        visit(0, math::Vector::ZERO, ball.radius);
    }
}

type Manifold = ContactManifold<ContactManifoldData, ContactData>;

/// How shapes meet: the bag by its corners, all else as usual.
impl PersistentQueryDispatcher<ContactManifoldData, ContactData> for Bag {
    fn contact_manifolds(
        &self,
        pos12: &math::Pose,
        g1: &dyn Shape,
        g2: &dyn Shape,
        prediction: f64,
        manifolds: &mut Vec<Manifold>,
        workspace: &mut Option<ContactManifoldsWorkspace>,
    ) -> Result<(), Unsupported> {
        let (shape, pose, is_bag_first) = if g1.as_cuboid().is_some() {
            (g2, *pos12, true)
        } else if g2.as_cuboid().is_some() {
            (g1, pos12.inverse(), false)
        } else {
            return meet_hull(pos12, g1, g2, prediction, manifolds, workspace);
        };
        // Instruments are where the hands put them.
        if shape.as_capsule().is_some() {
            manifolds.clear();
            return Ok(());
        }
        meet_bag(self, &pose, shape, is_bag_first, manifolds);
        Ok(())
    }

    fn contact_manifold_convex_convex(
        &self,
        pos12: &math::Pose,
        g1: &dyn Shape,
        g2: &dyn Shape,
        constraints1: Option<&dyn NormalConstraints>,
        constraints2: Option<&dyn NormalConstraints>,
        prediction: f64,
        manifold: &mut Manifold,
    ) -> Result<(), Unsupported> {
        DefaultQueryDispatcher.contact_manifold_convex_convex(
            pos12,
            g1,
            g2,
            constraints1,
            constraints2,
            prediction,
            manifold,
        )
    }
}

/// Two hulls. Where a corner slips over an edge, contacts get other names; the impulses that held the load go on to the
/// nearest new ones, or bodies would plunge until the solver has found them again.
fn meet_hull(
    pos12: &math::Pose,
    g1: &dyn Shape,
    g2: &dyn Shape,
    prediction: f64,
    manifolds: &mut Vec<Manifold>,
    workspace: &mut Option<ContactManifoldsWorkspace>,
) -> Result<(), Unsupported> {
    let mut known = manifolds.first().map_or(Vec::new(), |m| m.points.clone());
    known.retain(|k| k.data.impulse > 0.0);
    DefaultQueryDispatcher.contact_manifolds(pos12, g1, g2, prediction, manifolds, workspace)?;
    let Some(manifold) = manifolds.first_mut() else { return Ok(()) };
    known.retain(|k| manifold.points.iter().all(|p| (p.fid1, p.fid2) != (k.fid1, k.fid2)));
    for lost in &known {
        let distance = |p: &TrackedContact<ContactData>| p.local_p1.distance_squared(lost.local_p1);
        let free = manifold.points.iter_mut().filter(|p| p.data.impulse == 0.0);
        if let Some(heir) = free.min_by(|a, b| distance(a).total_cmp(&distance(b))) {
            heir.data = lost.data;
        }
    }
    Ok(())
}

/// The corners nearest the bag's wall, one manifold each. A corner keeps its slot while it is among them, and slots keep
/// their number: the solver remembers impulses by them.
fn meet_bag(bag: &Bag, pose: &math::Pose, shape: &dyn Shape, is_bag_first: bool, manifolds: &mut Vec<Manifold>) {
    let mut nearest: [(f64, u32, math::Vector, Vector3<f64>); BAG_CONTACTS] =
        [(f64::INFINITY, 0, math::Vector::ZERO, Vector3::z()); BAG_CONTACTS];
    let mut count = 0;
    each_corner(shape, |corner, p, skin_mm| {
        let (gap_mm, normal) = bag.wall(&vector_out(pose.transform_point(p)));
        let gap_mm = gap_mm - skin_mm;
        if gap_mm < FAR_MM && gap_mm < nearest[BAG_CONTACTS - 1].0 {
            let at = nearest.partition_point(|n| n.0 <= gap_mm);
            nearest[at..].rotate_right(1);
            nearest[at] = (gap_mm, corner, p - pose.inverse_transform_vector(vector_in(&(normal * skin_mm))), normal);
            count = BAG_CONTACTS.min(count + 1);
        }
    });
    if manifolds.len() != BAG_CONTACTS {
        manifolds.clear();
        manifolds.resize_with(BAG_CONTACTS, Manifold::new);
    }
    let mut free = [true; BAG_CONTACTS];
    let mut waiting = [true; BAG_CONTACTS];
    let feature = |m: &Manifold| m.points.first().map(|p| if is_bag_first { p.fid2 } else { p.fid1 });
    let place = |near: usize, manifold: &mut Manifold| {
        let (gap_mm, corner, p, normal) = nearest[near];
        let normal = vector_in(&normal);
        let eye = pose.transform_point(p);
        let name = PackedFeatureId::vertex(corner);
        let wall = eye - normal * gap_mm;
        let local = pose.inverse_transform_vector(normal);
        let mut contact = TrackedContact::flipped(wall, p, PackedFeatureId::face(0), name, gap_mm, !is_bag_first);
        if let Some(known) = manifold.points.pop() {
            contact.data = known.data;
        }
        manifold.points.push(contact);
        (manifold.local_n1, manifold.local_n2) = if is_bag_first { (normal, -local) } else { (-local, normal) };
    };
    for slot in 0..BAG_CONTACTS {
        let Some(name) = feature(&manifolds[slot]) else { continue };
        if let Some(near) = (0..count).find(|n| PackedFeatureId::vertex(nearest[*n].1) == name) {
            (free[slot], waiting[near]) = (false, false);
            place(near, &mut manifolds[slot]);
        } else {
            manifolds[slot].points.clear();
        }
    }
    for near in (0..count).filter(|n| waiting[*n]) {
        if let Some(slot) = free.iter().position(|f| *f) {
            free[slot] = false;
            place(near, &mut manifolds[slot]);
        }
    }
}

/// Nothing but contacts is ever asked for.
impl QueryDispatcher for Bag {
    fn intersection_test(
        &self,
        _: &math::Pose,
        _: &dyn Shape,
        _: &dyn Shape,
    ) -> Result<ShapeIntersection, Unsupported> {
        Err(Unsupported)
    }

    fn distance(&self, _: &math::Pose, _: &dyn Shape, _: &dyn Shape) -> Result<ShapeDistance, Unsupported> {
        Err(Unsupported)
    }

    fn contact(&self, _: &math::Pose, _: &dyn Shape, _: &dyn Shape, _: f64) -> Result<Option<Contact>, Unsupported> {
        Err(Unsupported)
    }

    fn closest_points(
        &self,
        _: &math::Pose,
        _: &dyn Shape,
        _: &dyn Shape,
        _: f64,
    ) -> Result<ClosestPoints, Unsupported> {
        Err(Unsupported)
    }

    fn cast_shapes(
        &self,
        _: &math::Pose,
        _: math::Vector,
        _: &dyn Shape,
        _: &dyn Shape,
        _: ShapeCastOptions,
    ) -> Result<Option<ShapeCastHit>, Unsupported> {
        Err(Unsupported)
    }

    fn cast_shapes_nonlinear(
        &self,
        _: &NonlinearRigidMotion,
        _: &dyn Shape,
        _: &NonlinearRigidMotion,
        _: &dyn Shape,
        _: f64,
        _: f64,
        _: bool,
    ) -> Result<Option<ShapeCastHit>, Unsupported> {
        Err(Unsupported)
    }
}

/// Contacts less the overlap their pair is allowed.
struct Allowing<'a>(&'a [Overlap]);

impl PhysicsHooks for Allowing<'_> {
    fn modify_solver_contacts(&self, context: &mut ContactModificationContext) {
        let key = ordered(context.collider1, context.collider2).map(|c| c.into_raw_parts());
        let Ok(at) = self.0.binary_search_by_key(&key, |o| o.pair.map(|c| c.into_raw_parts())) else { return };
        if let Some(manifold) = context.rigid_mut() {
            let overlap = &self.0[at];
            for contact in manifold.solver_contacts.iter_mut() {
                let allowed_mm = if overlap.ticks_left > 0 {
                    overlap.most_mm.max((-contact.dist).min(overlap.limit_mm))
                } else {
                    overlap.most_mm
                };
                contact.dist += allowed_mm;
            }
        }
    }
}

/// Impulse along the normal in a tick, µN·s.
fn normal_impulse(manifold: &Manifold) -> f64 {
    // The highest bit only says that a contact is new.
    let points = manifold.data.solver_contacts.iter().map(|solved| usize::from(solved.contact_id[0] as u8));
    points.filter_map(|point| manifold.points.get(point)).map(|p| p.data.impulse).sum()
}

fn ordered(a: ColliderHandle, b: ColliderHandle) -> [ColliderHandle; 2] {
    if a.into_raw_parts() < b.into_raw_parts() { [a, b] } else { [b, a] }
}

/// The solver's settings.
fn parameters(tick_s: f64) -> IntegrationParameters {
    let softness = SpringCoefficients::new(CONTACT.0, CONTACT.1);
    IntegrationParameters {
        dt: tick_s,
        contact_softness: softness,
        static_contact_softness: softness,
        normalized_prediction_distance: AHEAD_MM,
        normalized_max_linear_velocity: FASTEST_MM_S,
        normalized_max_corrective_velocity: RECOVERY_MM_S,
        num_solver_iterations: SUBSTEPS,
        max_ccd_substeps: 0,
        contact_clustering: false,
        friction_model: FrictionModel::Coulomb,
        ..IntegrationParameters::default()
    }
}

fn vector_in(v: &Vector3<f64>) -> math::Vector {
    math::Vector::new(v.x, v.y, v.z)
}

fn vector_out(v: math::Vector) -> Vector3<f64> {
    Vector3::new(v.x, v.y, v.z)
}

fn pose_in(pose: &Pose) -> math::Pose {
    let [w, x, y, z] = pose.turn;
    if pose.is_sound() {
        math::Pose::from_parts(vector_in(&pose.place_mm), math::Rotation::from_xyzw(x, y, z, w))
    } else {
        math::Pose::IDENTITY
    }
}

fn pose_out(pose: &math::Pose) -> Pose {
    let q = pose.rotation;
    Pose { turn: [q.w, q.x, q.y, q.z], place_mm: vector_out(pose.translation) }
}

fn rod_pose(rod: &Rod) -> math::Pose {
    math::Pose::from_parts(vector_in(&rod.tip_mm), turn(&Vector3::z(), &rod.axis))
}

fn turn_from_x(to: &Vector3<f64>) -> math::Rotation {
    turn(&Vector3::x(), to)
}

/// The shortest turn from one unit vector to another: the half-way quaternion, without trigonometry.
fn turn(from: &Vector3<f64>, to: &Vector3<f64>) -> math::Rotation {
    let (cross, w) = (from.cross(to), 1.0 + from.dot(to));
    let length = libm::sqrt(cross.norm_squared() + w * w);
    if length > 1e-6 {
        math::Rotation::from_xyzw(cross.x / length, cross.y / length, cross.z / length, w / length)
    } else {
        math::Rotation::from_xyzw(0.0, 1.0, 0.0, 0.0) // Half a turn about an axis square to both x and z.
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sim::random::{Key, Purpose};

    const TICK_S: f64 = 1.0 / 240.0;

    /// A bag of the size of a lens.
    const BAG: Bag = Bag {
        radius_mm: 4.6,
        back_mm: 2.6,
        front_mm: 1.9,
        rhexis_mm: 2.6,
        chamber_radius_mm: 6.0,
        roof_mm: 4.8,
        shift_mm: 0.0,
    };

    /// A sector of the lens between two angles, as points on its surface and its axis.
    fn sector(from_rad: f64, to_rad: f64, grow: f64) -> Vec<Vector3<f64>> {
        let mut points = vec![Vector3::new(0.0, 0.0, -2.5), Vector3::new(0.0, 0.0, 1.8)];
        for i in 0..=6 {
            let angle = from_rad - grow + (to_rad - from_rad + 2.0 * grow) * i as f64 / 6.0;
            for j in 0..=6 {
                let height = -1.4 + 2.8 * j as f64 / 6.0;
                let (radius, depth) = (4.5 * libm::cos(height), if height < 0.0 { 2.5 } else { 1.8 });
                let (x, y) = (radius * libm::cos(angle), radius * libm::sin(angle));
                points.push(Vector3::new(x, y, depth * libm::sin(height)));
            }
        }
        outline(&points)
    }

    /// So many sectors in a bag, their hulls overlapping as halves of a wavy crack do.
    fn split_lens(count: u16, inertia: f64, grow_rad: f64) -> Bodies {
        let mut bodies = Bodies::with_inertia(BAG, inertia);
        let part = 2.0 * std::f64::consts::PI / f64::from(count);
        for i in 0..count {
            let hull = sector(part * f64::from(i), part * f64::from(i + 1), grow_rad);
            bodies.insert(i, &[hull], 150.0 / f64::from(count), &Pose::REST);
        }
        bodies
    }

    /// A ball-like piece, as many-cornered as they come.
    fn ball(radius_mm: f64) -> Vec<Vector3<f64>> {
        let mut points = Vec::new();
        for i in 0..400 {
            let key = Key { seed: 5, purpose: Purpose::Heterogeneity, place: [i, 0, 0], tick: 0 };
            let p = Vector3::new(key.uniform(0) - 0.5, key.uniform(1) - 0.5, key.uniform(2) - 0.5);
            points.push(p * (radius_mm / libm::sqrt(p.norm_squared())));
        }
        outline(&points)
    }

    fn needle_at(tip_mm: Vector3<f64>) -> [Option<Rod>; RODS] {
        let axis = Vector3::new(0.8, 0.0, 0.6);
        [Some(Rod { tip_mm, axis, length_mm: 12.0, radius_mm: 0.45 }), None, None]
    }

    fn run(bodies: &mut Bodies, ticks: usize) {
        for _ in 0..ticks {
            bodies.advance(TICK_S);
        }
    }

    /// The most a fragment's corners lie beyond the wall, mm.
    fn beyond_wall(bodies: &Bodies, id: u16, hull: &[Vector3<f64>]) -> f64 {
        let pose = bodies.pose(id).unwrap();
        hull.iter().fold(f64::NEG_INFINITY, |most, p| most.max(-bodies.bag().wall(&pose.to_eye(p)).0))
    }

    fn block(half: [f64; 3]) -> Vec<Vector3<f64>> {
        let sign = |i: usize, bit: usize| if i >> bit & 1 == 0 { -half[bit] } else { half[bit] };
        (0..8).map(|i| Vector3::new(sign(i, 0), sign(i, 1), sign(i, 2))).collect()
    }

    /// Largest distance of a fragment from where it came in, mm, speed, mm/s, and number asleep.
    fn unrest(bodies: &Bodies) -> (f64, f64, usize) {
        let ids = bodies.ids();
        let moved = ids.iter().map(|id| bodies.pose(*id).unwrap().place_mm.norm()).fold(0.0, f64::max);
        let speed = ids.iter().map(|id| bodies.velocity(*id).unwrap().linear_mm_s.norm()).fold(0.0, f64::max);
        (moved, speed, ids.iter().filter(|id| bodies.is_asleep(**id)).count())
    }

    #[test]
    fn a_load_of_50_mn_sinks_a_fragment_into_bag_or_neighbour_by_less_than_a_twentieth_of_a_millimetre() {
        for (inertia, half, volume_ul) in
            [(50.0, [1.4, 1.4, 0.5], 7.8), (100.0, [1.4, 1.4, 0.5], 7.8), (100.0, [0.6, 0.6, 0.4], 1.1)]
        {
            // One block on the back of the bag and one upon it, which the needle draws down.
            let mut bodies = Bodies::with_inertia(BAG, inertia);
            let hull = block(half);
            for (id, z) in [(1, -1.5), (2, -1.49 + 2.0 * half[2])] {
                let pose = Pose { place_mm: Vector3::z() * z, ..Pose::REST };
                bodies.insert(id, std::slice::from_ref(&hull), volume_ul, &pose);
            }
            run(&mut bodies, 60);
            // Held so high that the needle itself stays clear of the block below.
            let grip = Vector3::z() * 0.2;
            let start = bodies.pose(2).unwrap().to_eye(&grip);
            bodies.set_rods(&needle_at(start));
            let (mut in_bag, mut in_neighbour): (f64, f64) = (0.0, 0.0);
            for tick in 0..360 {
                let share = f64::min(1.0, f64::from(tick) / 120.0);
                bodies.set_rods(&needle_at(start - Vector3::z() * (0.2 * share)));
                assert!(bodies.hold(2, &grip, 5e4 * share));
                bodies.advance(TICK_S);
                let [low, high] = [1, 2].map(|id| bodies.pose(id).unwrap());
                in_bag = in_bag.max(beyond_wall(&bodies, 1, &hull));
                for corner in &hull {
                    let inside = low.from_eye(&high.to_eye(corner));
                    if inside.x.abs().max(inside.y.abs()) < half[0] {
                        in_neighbour = in_neighbour.max(half[2] - inside.z);
                    }
                }
            }
            let load = bodies.held_force_un().norm();
            assert!((load / 5e4 - 1.0).abs() < 0.02, "{load}");
            assert!(in_bag < 0.05 && in_neighbour < 0.05, "{inertia} {half:?}: {in_bag} {in_neighbour}");
        }
    }

    #[test]
    fn soft_shell_gives_way_to_what_jams_pieces_and_to_no_less() {
        // A block pressed down on a broad one that lies in the bag.
        let [borne, jammed] = [0.8, 1.25].map(|share| {
            let mut bodies = Bodies::new(BAG);
            for (id, half, volume_ul, z) in [(1, [2.4, 2.4, 0.4], 18.4, -1.3), (2, [1.2, 1.2, 0.6], 6.9, -0.28)] {
                bodies.insert(id, &[block(half)], volume_ul, &Pose { place_mm: Vector3::z() * z, ..Pose::REST });
            }
            run(&mut bodies, 60);
            let height_mm = |bodies: &Bodies| bodies.pose(2).unwrap().place_mm.z - bodies.pose(1).unwrap().place_mm.z;
            let from_mm = height_mm(&bodies);
            let sinks_mm = [60, 240, 240].map(|ticks| {
                for _ in 0..ticks {
                    let at = bodies.pose(2).unwrap().place_mm;
                    bodies.push(2, &(-Vector3::z() * (share * SHELL_BEARS_UN)), &at);
                    bodies.advance(TICK_S);
                }
                from_mm - height_mm(&bodies)
            });
            run(&mut bodies, 240);
            (sinks_mm, bodies.velocity(2).unwrap().linear_mm_s.norm())
        });
        assert!(borne.0.iter().all(|mm| *mm < 0.1), "{borne:?}");
        assert!(jammed.0[0] > 0.1 && jammed.0[1] > jammed.0[0] && jammed.0[2] < MOST_SQUEEZE_MM + 0.2, "{jammed:?}");
        assert!(jammed.1 < 0.1, "it does not burst apart: {jammed:?}");
    }

    #[test]
    fn the_hold_reads_the_force_against_it_and_slips_beyond_its_most() {
        for direction in [Vector3::x(), Vector3::new(0.6, 0.0, 0.8), Vector3::new(0.48, -0.6, 0.64)] {
            let mut bodies = Bodies::new(BAG);
            bodies.insert(1, &[ball(1.0)], 4.2, &Pose::REST);
            bodies.set_rods(&needle_at(Vector3::zeros()));
            assert!(bodies.hold(1, &Vector3::zeros(), 3e4));
            let mut push = |load_un: f64, ticks: usize| {
                for _ in 0..ticks {
                    let at = bodies.pose(1).unwrap().place_mm;
                    bodies.push(1, &(direction * load_un), &at);
                    bodies.advance(TICK_S);
                }
                (bodies.held_force_un(), bodies.slip_mm())
            };
            let (held, slip_mm) = push(2e4, 60);
            assert!((held + direction * 2e4).norm() < 0.02 * 2e4, "{direction:?}: {held:?}");
            assert!(slip_mm < 0.05, "{slip_mm}");
            let (held, slip_mm) = push(3.5e4, 30);
            // The side axes may carry a quarter of the most each.
            assert!((0.97..1.07).contains(&(held.norm() / 3e4)), "{direction:?}: {held:?}");
            assert!(slip_mm > 0.2, "{slip_mm}");
        }
    }

    #[test]
    fn pulls_do_not_depend_on_the_inertia_scale() {
        // A quarter is drawn up and inward out of the whole, as when it follows the needle.
        let pulled = [50.0, 100.0, 200.0].map(|inertia| {
            let mut bodies = split_lens(4, inertia, 0.03);
            run(&mut bodies, 120);
            let grip = Vector3::new(1.5, 1.5, 0.0);
            let start = bodies.pose(0).unwrap().to_eye(&grip);
            bodies.set_rods(&needle_at(start));
            let mut trace = Vec::new();
            for tick in 0..240 {
                let drawn = Vector3::new(-0.8, -0.8, 1.6) * (f64::from(tick) / 240.0);
                bodies.set_rods(&needle_at(start + drawn));
                assert!(bodies.hold(0, &grip, 3e4));
                bodies.advance(TICK_S);
                trace.push((bodies.pose(0).unwrap().to_eye(&grip), bodies.slip_mm(), bodies.held_force_un().norm()));
            }
            trace
        });
        // Over a path of 2 mm past three neighbours: place and slip to a fortieth of it, and the force to 1 % once it slips.
        for (one, other) in [(0, 1), (1, 2)].map(|(a, b)| (&pulled[a], &pulled[b])) {
            for (tick, (one, other)) in one.iter().zip(other).enumerate() {
                assert!((one.0 - other.0).norm() < 0.05, "{tick}: {one:?} {other:?}");
            }
            let (one, other) = (one[239], other[239]);
            assert!((one.1 - other.1).abs() < 0.05 && (one.2 / other.2 - 1.0).abs() < 0.01, "{one:?} {other:?}");
        }
    }

    #[test]
    fn pieces_just_split_do_not_burst_apart_and_soon_sleep() {
        // Flush, and overlapping by 0.27 mm at the rim.
        for (count, grow_rad) in [2, 4, 8, 16].into_iter().flat_map(|count| [(count, 0.0), (count, 0.03)]) {
            let mut bodies = split_lens(count, INERTIA, grow_rad);
            let mut fastest: f64 = 0.0;
            for _ in 0..216 {
                bodies.advance(TICK_S);
                fastest = fastest.max(unrest(&bodies).1);
            }
            // They sink by the 0.1 mm that the bag is deeper than the lens, and may slide by as much.
            let (moved, _, asleep) = unrest(&bodies);
            assert!(moved < 0.25 && fastest < 15.0, "{count}: {moved} {fastest}");
            assert_eq!(asleep, usize::from(count), "{count}");
        }
    }

    #[test]
    fn a_restored_state_goes_on_bit_for_bit() {
        let step = |bodies: &mut Bodies, tick: u32| {
            let drawn = Vector3::new(0.0, 0.0, 2.5) * (f64::from(tick) / 240.0);
            let chopper = Rod {
                tip_mm: Vector3::new(-2.0, 2.5, 0.0) + drawn * 0.3,
                axis: Vector3::z(),
                length_mm: 8.0,
                radius_mm: 0.25,
            };
            let mut rods = needle_at(Vector3::new(1.5, 1.5, 0.0) + drawn);
            rods[1] = (tick > 40).then_some(chopper);
            bodies.set_rods(&rods);
            bodies.hold(0, &Vector3::new(1.5, 1.5, 0.0), 3e4 + f64::from(tick));
            bodies.drag(2, &Vector3::new(0.0, 0.0, f64::from(tick % 7)));
            match tick {
                70 => bodies.rebuild(1, &[sector(1.6, 2.8, 0.0)], 30.0),
                90 => bodies.remove(2),
                110 => bodies.insert(9, &[ball(0.8), ball(0.7)], 2.0, &Pose::REST),
                130 => bodies.set_bag(Bag { shift_mm: 0.2, ..BAG }),
                150 => bodies.let_go(),
                _ => {}
            }
            bodies.advance(TICK_S);
        };
        let mut original = split_lens(4, INERTIA, 0.03);
        let mut restored: Vec<(u32, Bodies)> = Vec::new();
        for tick in 0..240 {
            if [3, 35, 80, 112, 140, 200].contains(&tick) {
                let bytes = postcard::to_stdvec(&original).unwrap();
                restored.push((tick, postcard::from_bytes(&bytes).unwrap()));
                restored.push((tick, original.clone()));
            }
            step(&mut original, tick);
            for (since, copy) in &mut restored {
                step(copy, tick);
                assert_eq!(*copy, original, "restored at {since}, now {tick}");
            }
        }
    }

    #[test]
    fn a_free_fragment_takes_up_the_flow_in_its_relaxation_time() {
        let mut bodies = Bodies::new(Bag {
            rhexis_mm: 20.0,
            radius_mm: 20.0,
            back_mm: 20.0,
            roof_mm: 20.0,
            chamber_radius_mm: 20.0,
            ..BAG
        });
        let volume_ul = 4.0 / 3.0 * std::f64::consts::PI;
        bodies.insert(1, &[ball(1.0)], volume_ul, &Pose::REST);
        bodies.drag(1, &Vector3::new(10.0, 0.0, 0.0));
        // v = u (1 − exp(−t/τ)) along the flow and g' τ (1 − exp(−t/τ)) downward; four implicit sub-steps a tick.
        for ticks in 1..=48 {
            bodies.advance(TICK_S);
            let share = 1.0 - libm::exp(-f64::from(ticks) * TICK_S / DRAG_S);
            let fall = EXCESS_G_UL / DENSITY_G_UL * GRAVITY_MM_S2 * DRAG_S;
            let expected = Vector3::new(10.0, 0.0, -fall) * share;
            let velocity = bodies.velocity(1).unwrap().linear_mm_s;
            let of_limit = (velocity - expected).norm() / (fall + 10.0);
            assert!(of_limit < 0.01, "{ticks}: {velocity:?} {expected:?}");
        }
    }

    #[test]
    fn the_wall_is_where_the_ellipsoid_is() {
        // Against the nearest of many points on the surface: to first order, within 2 % at 0.3 mm.
        for (angle, off_mm) in [(-1.2, 0.3), (-0.7, -0.3), (-0.2, 0.1), (0.3, 0.2), (0.6, -0.2)] {
            let depth = if angle < 0.0 { BAG.back_mm } else { BAG.front_mm };
            let (s, c) = (libm::sin(angle), libm::cos(angle));
            let on = Vector3::new(BAG.radius_mm * c, 0.0, depth * s);
            let inward = -Vector3::new(c / BAG.radius_mm, 0.0, s / depth).normalize();
            let (gap_mm, normal) = BAG.wall(&(on + inward * off_mm));
            assert!((gap_mm / off_mm - 1.0).abs() < 0.06, "{angle} {off_mm}: {gap_mm}");
            assert!(normal.dot(&inward) > 0.995, "{angle}: {normal:?}");
        }
        // Open within the rhexis up to the roof; the rim pushes toward the opening; on top of the capsule lies what is out.
        assert!(BAG.wall(&Vector3::new(1.0, 0.0, 2.5)).0 > 1.0);
        assert!(BAG.wall(&Vector3::new(0.0, 0.0, 5.0)).0 < -0.15);
        let (gap_mm, normal) = BAG.wall(&Vector3::new(2.7, 0.0, 1.85));
        assert!((gap_mm + 0.1).abs() < 1e-9 && normal.x == -1.0, "{gap_mm} {normal:?}");
        assert!(BAG.wall(&Vector3::new(3.5, 0.0, 2.4)).0 > 0.0);
    }

    #[test]
    fn an_outline_keeps_what_stands_out() {
        let hull = sector(0.0, 1.5, 0.0);
        assert!(hull.len() <= 32 && hull.len() > 12, "{}", hull.len());
        let reach = |axis: usize| hull.iter().map(|p| p[axis]).fold(f64::NEG_INFINITY, f64::max);
        // The rim's widest point lies between two of the points given.
        assert!(reach(0) > 4.4 && reach(1) > 4.4 && reach(2) > 1.79);
        assert!(outline(&[]).is_empty());
    }

    #[test]
    fn rebuilding_keeps_the_motion_of_the_material() {
        let mut bodies = Bodies::new(BAG);
        bodies.insert(1, &[block([1.0, 1.0, 1.0])], 8.0, &Pose::REST);
        bodies.push(1, &Vector3::new(3e3, 0.0, 1e3), &Vector3::new(0.0, 0.8, 0.0));
        run(&mut bodies, 2);
        let material = |bodies: &Bodies, centre: Vector3<f64>| {
            let (pose, velocity) = (bodies.pose(1).unwrap(), bodies.velocity(1).unwrap());
            let arm = pose.direction_to_eye(&(Vector3::new(0.7, 0.2, 0.0) - centre));
            velocity.linear_mm_s + velocity.angular_rad_s.cross(&arm)
        };
        let (before, pose) = (material(&bodies, Vector3::zeros()), bodies.pose(1));
        let half: Vec<_> = block([0.5, 1.0, 1.0]).iter().map(|p| p + Vector3::x() * 0.5).collect();
        bodies.rebuild(1, &[half], 4.0);
        assert_eq!(bodies.pose(1), pose);
        let after = material(&bodies, Vector3::x() * 0.5);
        assert!((after - before).norm() < 1e-9 * before.norm(), "{before:?} {after:?}");
    }

    #[test]
    fn a_chopper_moves_what_it_meets_and_the_needle_not_what_it_holds() {
        let mut bodies = Bodies::new(BAG);
        for (id, x) in [(1, -1.5), (2, 1.5)] {
            bodies.insert(id, &[ball(0.9)], 3.0, &Pose { place_mm: Vector3::new(x, 0.0, -0.8), ..Pose::REST });
        }
        run(&mut bodies, 200);
        let [one, two] = [1, 2].map(|id| bodies.pose(id).unwrap());
        let mut touched: f64 = 0.0;
        for tick in 0..96 {
            let mut rods = needle_at(two.place_mm);
            let tip_mm = one.place_mm + Vector3::new(0.0, 2.0 - f64::from(tick) / 48.0, -0.3);
            rods[2] = Some(Rod { tip_mm, axis: Vector3::z(), length_mm: 6.0, radius_mm: 0.25 });
            bodies.set_rods(&rods);
            bodies.hold(2, &Vector3::zeros(), 1e4);
            bodies.advance(TICK_S);
            touched = touched.max(bodies.contact(1).unwrap().instruments_un);
            assert_eq!(bodies.contact(2).unwrap().instruments_un, 0.0);
        }
        let moved = [(1, one), (2, two)].map(|(id, pose)| bodies.pose(id).unwrap().place_mm - pose.place_mm);
        assert!(touched > 0.0 && moved[0].y < -0.05, "{touched} {moved:?}");
        assert!(moved[1].norm() < 0.02, "{moved:?}");
    }

    #[test]
    fn nothing_that_is_given_breaks_it() {
        let nan = Vector3::repeat(f64::NAN);
        let mut bodies = Bodies::new(BAG);
        bodies.insert(1, &[vec![]], f64::NAN, &Pose { place_mm: nan, ..Pose::REST });
        bodies.insert(2, &[vec![Vector3::zeros(); 5], vec![nan; 9]], -1.0, &Pose::REST);
        bodies.insert(3, &[block([1.0, 1.0, 0.0])], 0.0, &Pose::REST);
        bodies.insert(4, &[], 1.0, &Pose::REST);
        bodies.set_rods(&needle_at(nan));
        assert!(!bodies.hold(1, &nan, f64::NAN));
        bodies.set_rods(&needle_at(Vector3::zeros()));
        bodies.hold(1, &nan, f64::NAN);
        bodies.push(2, &nan, &nan);
        bodies.drag(3, &nan);
        bodies.rebuild(7, &[], 1.0);
        bodies.set_bag(Bag { back_mm: f64::NAN, ..BAG });
        bodies.set_bag(Bag { radius_mm: 0.0, ..BAG });
        run(&mut bodies, 20);
        assert!(bodies.canonical().iter().all(|n| n.is_finite()), "{bodies:?}");
    }
}
