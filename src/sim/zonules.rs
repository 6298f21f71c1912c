//! What holds the bag: zonules by clock hour on a bed of vitreous, and how a nucleus turns in a bag so held.
//!
//! *Fibres.* At each clock hour four springs run from the equator to the ciliary body, slanting by ±α from the equator's
//! plane and by ±β round the axis; they pull and never push. For a bag shifted by x, y, z and turned, the energy is
//! Σ ½·k·max(0, e − slack)² over the stretches e, plus the bed's: convex, so a bag under given loads has one place, found
//! by Newton's method with halving. Fibres of twelve equal hours give 12·k·cos²α in every direction of the plane,
//! 24·k·sin²α along the axis and 24·k·cos²α·sin²β·R² in turning (D); k and α follow from one stiffness for the whole
//! lens along every direction, that of `opening`.
//!
//! *Dialysis.* An hour whose fibres pull more than its strength tears, the most overloaded first, one a tick; the rest
//! takes over in the next.
//!
//! *Turning.* A hand's spring turns the nucleus; what adhesion bears goes to the bag and its fibres; above it the nucleus
//! slides, held back by a small viscosity, or the hand ploughs if the tissue bears less. Both are return maps, implicit
//! in the tick.
//!
//! *Limits.* The bag is a rigid ring that does not tilt; small turns of the bag; strength and slant assumed. mm, Pa, µN;
//! the engine's eye frame; turns counter-clockwise.

use crate::sim::adhesion::HOURS;
use crate::sim::opening::BAG_STIFFNESS_UN_MM;
use nalgebra::{Matrix4, Vector4};
use serde::{Deserialize, Serialize};

/// Stiffness of the vitreous bed under the bag, in every direction, µN/mm (A: a twentieth of the whole).
pub const BED_STIFFNESS_UN_MM: f64 = 0.05 * BAG_STIFFNESS_UN_MM;

/// Stiffness of a fibre, one of four at a clock hour, µN/mm (D: with the bed, the whole lens's stiffness).
const FIBRE_STIFFNESS_UN_MM: f64 = (BAG_STIFFNESS_UN_MM - BED_STIFFNESS_UN_MM) / (12.0 * COS2_RISE);

/// cos²α of the fibres' slant from the equator's plane (D: equal stiffness along the axis and across; α = 35°, fibres
/// that reach 1.4 mm before and behind the equator from 2 mm away).
const COS2_RISE: f64 = 2.0 / 3.0;

/// sin²β of their slant round the axis (A: β = 30°; an ordinary lens's adhesion turns the bag by 9° before it gives).
const SIN2_SWEEP: f64 = 0.25;

/// Pull of all fibres of a clock hour at which they tear, µN (A). What it means (D): equal hours tear when the lens is
/// pushed sideways with 180 mN, within the 100–300 mN that one fears.
pub const STRENGTH_UN: f64 = 60_000.0;

/// Viscosity of a nucleus sliding in its bag, µN·mm·s (A: 3 mN·mm at 1 rad/s, less than wet friction).
pub const SLIDE_VISCOSITY_UN_MM_S: f64 = 3_000.0;

/// Largest shift of the bag along an axis that is followed, mm: a bag that hangs on nothing does not go on for ever.
const FARTHEST_MM: f64 = 5.0;

/// Newton's steps a solve may take; equal hours need two or three.
const MOST_STEPS: u32 = 24;

/// Direction of each clock hour, x and y; hour 0 is 12 o'clock.
const DIRECTIONS: [[f64; 2]; HOURS] = {
    const H: f64 = 0.866_025_403_784_438_6; // √3/2
    [
        [0.0, 1.0],
        [0.5, H],
        [H, 0.5],
        [1.0, 0.0],
        [H, -0.5],
        [0.5, -H],
        [0.0, -1.0],
        [-0.5, -H],
        [-H, -0.5],
        [-1.0, 0.0],
        [-H, 0.5],
        [-0.5, H],
    ]
};

/// The zonules of a case: what does not change.
#[derive(Clone, Debug, PartialEq)]
pub struct Zonules {
    /// Radius of the bag's equator, mm, above 0.
    pub radius_mm: f64,
    /// Fibres by clock hour over the ordinary ones, 0 (missing) to 1.
    pub share: [f64; HOURS],
    /// Stretch by clock hour before a fibre pulls, mm.
    pub slack_mm: [f64; HOURS],
}

/// Where the bag is.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct BagPose {
    /// Shift, mm.
    pub shift_mm: [f64; 3],
    /// Turn about the axis, rad.
    pub turn_rad: f64,
}

/// How the zonules stand, and how the nucleus has turned in the bag.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Support {
    /// Untorn share by clock hour: 1, or 0 after a dialysis.
    pub intact: [f64; HOURS],
    /// Where the bag is.
    pub bag: BagPose,
    /// Turn of the nucleus within the bag, rad.
    pub slid_rad: f64,
    /// Stretch of the spring between hand and nucleus, mm.
    pub grip_mm: f64,
}

impl Default for Support {
    fn default() -> Self {
        Self { intact: [1.0; HOURS], bag: BagPose::default(), slid_rad: 0.0, grip_mm: 0.0 }
    }
}

impl Support {
    /// Turn of the nucleus in the eye, rad.
    pub fn nucleus_rad(&self) -> f64 {
        self.slid_rad + self.bag.turn_rad
    }
}

/// A hand that turns the nucleus.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Hand {
    /// Rate at which it would turn, rad/s.
    pub rate_rad_s: f64,
    /// Distance of its instrument from the axis, mm.
    pub arm_mm: f64,
    /// Direction of the instrument from the axis, rad; `None` for two hands that turn as a couple and do not push.
    pub at_rad: Option<f64>,
    /// Stiffness of the instrument in the tissue, µN/mm.
    pub stiffness_un_mm: f64,
    /// Force the tissue bears before the instrument ploughs, µN.
    pub bears_un: f64,
}

/// What acts on lens and bag in a tick.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Action {
    /// Force of all that pushes the lens, µN.
    pub push_un: [f64; 3],
    /// The hand that turns, if one does.
    pub hand: Option<Hand>,
    /// Torque at which the nucleus slides in the bag, µN·mm (`Adhesion::slide_torque_un_mm`).
    pub slide_torque_un_mm: f64,
}

/// What the zonules do at a place of the bag.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pulls {
    /// Sum of the fibres' pulls by clock hour, µN.
    pub hour_un: [f64; HOURS],
    /// Force of zonules and bed on the bag, µN.
    pub force_un: [f64; 3],
    /// Their torque on it about the axis, µN·mm.
    pub torque_un_mm: f64,
}

impl Pulls {
    /// The clock hour that carries most, and how much, µN.
    pub fn peak(&self) -> (usize, f64) {
        (0..HOURS)
            .fold((0, 0.0), |best, hour| if self.hour_un[hour] > best.1 { (hour, self.hour_un[hour]) } else { best })
    }
}

/// A clock hour that tore.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Tear {
    /// Clock hour, 0 for 12.
    pub hour: usize,
    /// Pull at which it tore, µN.
    pub load_un: f64,
}

/// What came of a tick.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Held {
    /// Pulls of the zonules.
    pub pulls: Pulls,
    /// Torque of the hand, µN·mm.
    pub torque_un_mm: f64,
    /// How far the nucleus slid in the bag in this tick, rad; its adhesion wears by as much times its arm.
    pub slide_rad: f64,
    /// What tore.
    pub tear: Option<Tear>,
}

/// A pull on the bag that depends on where it is: force + stiffness·(reach − row·place), along row.
struct Spring {
    row: Vector4<f64>,
    force_un: f64,
    stiffness_un_mm: f64,
    reach_mm: f64,
}

impl Spring {
    fn stretch_mm(&self, place: &Vector4<f64>) -> f64 {
        self.reach_mm - self.row.dot(place)
    }

    fn pull_un(&self, place: &Vector4<f64>) -> f64 {
        self.force_un + self.stiffness_un_mm * self.stretch_mm(place)
    }
}

/// Energy, force of the loads less that of what holds, and tangent at a place (x, y, z, turn × radius).
struct Balance {
    energy_nj: f64,
    residual: Vector4<f64>,
    tangent: Matrix4<f64>,
}

impl Zonules {
    /// Pull at which a clock hour tears, µN: weak hours have fewer fibres, and those break at a smaller stretch (A: by
    /// the root of the share).
    pub fn strength_un(&self, support: &Support, hour: usize) -> f64 {
        let share = self.share[hour].clamp(0.0, 1.0);
        STRENGTH_UN * support.intact[hour] * share * libm::sqrt(share)
    }

    /// What zonules and bed do to a bag at this place.
    pub fn pulls(&self, support: &Support, bag: &BagPose) -> Pulls {
        let place = self.place_of(bag);
        let mut hour_un = [0.0; HOURS];
        let mut force = place * -BED_STIFFNESS_UN_MM;
        self.each_fibre(support, |hour, row, stiffness_un_mm| {
            let pull = stiffness_un_mm * (row.dot(&place) - self.slack_mm[hour].max(0.0)).max(0.0);
            hour_un[hour] += pull;
            force -= row * pull;
        });
        Pulls { hour_un, force_un: [force.x, force.y, force.z], torque_un_mm: force.w * self.radius_mm }
    }

    /// Stiffness of the whole against a shift of the bag along a direction, µN/mm: the secant over a shift of this
    /// size, mm.
    pub fn stiffness_un_mm(&self, support: &Support, direction: [f64; 3], shift_mm: f64) -> f64 {
        let bag = BagPose { shift_mm: direction.map(|d| d * shift_mm), turn_rad: 0.0 };
        let force = self.pulls(support, &bag).force_un;
        let along: f64 = force.iter().zip(direction).map(|(f, d)| f * d).sum();
        if shift_mm.abs() > 0.0 { -along / shift_mm } else { 0.0 }
    }

    /// Stiffness of the whole against a turn of the bag, µN·mm/rad: the secant over this turn, rad.
    pub fn turn_stiffness_un_mm(&self, support: &Support, turn_rad: f64) -> f64 {
        let torque = self.pulls(support, &BagPose { shift_mm: [0.0; 3], turn_rad }).torque_un_mm;
        if turn_rad.abs() > 0.0 { -torque / turn_rad } else { 0.0 }
    }

    /// One tick: the hand turns, the lens is pushed; where bag and nucleus come to rest, what the zonules carry and what
    /// tears.
    pub fn turn(&self, support: &mut Support, action: &Action, tick_s: f64) -> Held {
        let start = self.place_of(&support.bag);
        let [x, y, z] = action.push_un.map(bounded);
        let push = Vector4::new(x, y, z, 0.0);
        let capacity = bounded(action.slide_torque_un_mm).max(0.0);
        let mut held = self.settle_turning(support, &start, &push, action.hand.as_ref(), capacity, tick_s.max(1e-6));
        held.pulls = self.pulls(support, &support.bag);
        held.tear = self.overloaded(support, &held.pulls);
        if let Some(tear) = held.tear {
            support.intact[tear.hour] = 0.0;
        }
        held
    }

    fn settle_turning(
        &self,
        support: &mut Support,
        start: &Vector4<f64>,
        push: &Vector4<f64>,
        hand: Option<&Hand>,
        capacity_un_mm: f64,
        tick_s: f64,
    ) -> Held {
        let mut held = Held { pulls: self.pulls(support, &support.bag), torque_un_mm: 0.0, slide_rad: 0.0, tear: None };
        let Some(hand) = hand.filter(|h| h.arm_mm > 1e-3 && h.stiffness_un_mm > 1.0) else {
            support.grip_mm = 0.0;
            let none = Spring { row: Vector4::zeros(), force_un: 0.0, stiffness_un_mm: 0.0, reach_mm: 0.0 };
            support.bag = self.pose_of(&self.settle(support, start, push, &none));
            return held;
        };
        let (arm, k) = (hand.arm_mm.min(self.radius_mm), bounded(hand.stiffness_un_mm));
        let push_along = hand.at_rad.map(bounded).map_or([0.0; 2], |at| [-libm::sin(at), libm::cos(at)]);
        let row = Vector4::new(push_along[0], push_along[1], 0.0, arm / self.radius_mm);
        let reach_mm = support.grip_mm + bounded(hand.rate_rad_s) * arm * tick_s + row.dot(start);
        // Does everything stick?
        let firm = Spring { row, force_un: 0.0, stiffness_un_mm: k, reach_mm };
        let mut place = self.settle(support, start, push, &firm);
        let mut pull = firm.pull_un(&place);
        support.grip_mm = firm.stretch_mm(&place);
        let bears_un = bounded(hand.bears_un).max(0.0);
        if pull.abs() > bears_un.min(capacity_un_mm / arm) {
            if bears_un * arm < capacity_un_mm {
                // The hand ploughs: it pulls with what the tissue bears.
                let spring = Spring { force_un: bears_un.copysign(pull), stiffness_un_mm: 0.0, ..firm };
                place = self.settle(support, &place, push, &spring);
                pull = spring.force_un;
                support.grip_mm = pull / k;
            } else {
                // The nucleus slides: pull·arm = capacity + viscosity·rate, pull = k·(stretch − arm·slide).
                let viscous = SLIDE_VISCOSITY_UN_MM_S / tick_s;
                let soft = k * arm * arm + viscous;
                let force_un = k * arm * capacity_un_mm.copysign(pull) / soft;
                let spring = Spring { force_un, stiffness_un_mm: k * viscous / soft, ..firm };
                place = self.settle(support, &place, push, &spring);
                pull = spring.pull_un(&place);
                held.slide_rad = (k * spring.stretch_mm(&place) * arm - capacity_un_mm.copysign(pull)) / soft;
                support.slid_rad += held.slide_rad;
                support.grip_mm = spring.stretch_mm(&place) - arm * held.slide_rad;
            }
        }
        held.torque_un_mm = pull * arm;
        support.bag = self.pose_of(&place);
        held
    }

    /// The most overloaded clock hour, if one is.
    fn overloaded(&self, support: &Support, pulls: &Pulls) -> Option<Tear> {
        let mut worst = (1.0, None);
        for (hour, &load_un) in pulls.hour_un.iter().enumerate() {
            let strength_un = self.strength_un(support, hour);
            // Of two alike the earlier hour, whatever rounding says.
            if strength_un > 0.0 && load_un > worst.0 * strength_un * (1.0 + 1e-9) {
                worst = (load_un / strength_un, Some(Tear { hour, load_un }));
            }
        }
        worst.1
    }

    /// Where the bag comes to rest under a push and a spring: the least energy.
    fn settle(&self, support: &Support, start: &Vector4<f64>, push: &Vector4<f64>, spring: &Spring) -> Vector4<f64> {
        let mut place = *start;
        let mut balance = self.balance(support, &place, push, spring);
        for _ in 0..MOST_STEPS {
            let Some(factor) = balance.tangent.cholesky() else { break };
            let step = factor.solve(&balance.residual);
            if step.amax() < 1e-12 {
                break;
            }
            let mut share = 1.0;
            let (trial, next) = loop {
                let trial = (place + step * share).map(|x| x.clamp(-FARTHEST_MM, FARTHEST_MM));
                let next = self.balance(support, &trial, push, spring);
                if next.energy_nj <= balance.energy_nj || share < 1e-3 {
                    break (trial, next);
                }
                share *= 0.5;
            };
            if next.energy_nj > balance.energy_nj || trial == place {
                break;
            }
            (place, balance) = (trial, next);
        }
        place
    }

    fn balance(&self, support: &Support, place: &Vector4<f64>, push: &Vector4<f64>, spring: &Spring) -> Balance {
        let (stretch, k) = (spring.stretch_mm(place), spring.stiffness_un_mm);
        let bed = Matrix4::from_diagonal_element(BED_STIFFNESS_UN_MM);
        let mut sum = Balance {
            energy_nj: 0.5 * BED_STIFFNESS_UN_MM * place.norm_squared() - push.dot(place)
                + (0.5 * k * stretch + spring.force_un) * stretch,
            residual: push - place * BED_STIFFNESS_UN_MM + spring.row * spring.pull_un(place),
            tangent: bed + spring.row * spring.row.transpose() * k,
        };
        self.each_fibre(support, |hour, row, k| {
            let stretch = row.dot(place) - self.slack_mm[hour].max(0.0);
            // On the point of pulling counts as pulling, or a bag at rest would seem held by its bed alone.
            if stretch >= 0.0 {
                sum.energy_nj += 0.5 * k * stretch * stretch;
                sum.residual -= row * (k * stretch);
                sum.tangent += row * row.transpose() * k;
            }
        });
        sum
    }

    /// Every fibre that is there: its hour, the stretch it gets from each coordinate of the bag, its stiffness.
    fn each_fibre(&self, support: &Support, mut visit: impl FnMut(usize, &Vector4<f64>, f64)) {
        let (flat, rise) = (libm::sqrt(COS2_RISE), libm::sqrt(1.0 - COS2_RISE));
        let (outward, sweep) = (flat * libm::sqrt(1.0 - SIN2_SWEEP), flat * libm::sqrt(SIN2_SWEEP));
        for (hour, [x, y]) in DIRECTIONS.into_iter().enumerate() {
            let stiffness_un_mm = FIBRE_STIFFNESS_UN_MM * self.share[hour].clamp(0.0, 1.0) * support.intact[hour];
            if stiffness_un_mm > 0.0 {
                for (side, up) in [(1.0, 1.0), (1.0, -1.0), (-1.0, 1.0), (-1.0, -1.0)] {
                    let (s, r) = (side * sweep, up * rise);
                    visit(hour, &Vector4::new(s * y - outward * x, -s * x - outward * y, r, -s), stiffness_un_mm);
                }
            }
        }
    }

    fn place_of(&self, bag: &BagPose) -> Vector4<f64> {
        let [x, y, z] = bag.shift_mm;
        Vector4::new(x, y, z, bag.turn_rad * self.radius_mm).map(|v| bounded(v).clamp(-FARTHEST_MM, FARTHEST_MM))
    }

    fn pose_of(&self, place: &Vector4<f64>) -> BagPose {
        BagPose { shift_mm: [place.x, place.y, place.z], turn_rad: place.w / self.radius_mm }
    }
}

/// The number, or a bound that no eye reaches; 0 where it is none.
fn bounded(value: f64) -> f64 {
    if value.is_nan() { 0.0 } else { value.clamp(-1e9, 1e9) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sim::adhesion::{Adhesion, Bed, Jet, Sticking};
    use crate::sim::lens::Shape;

    const TICK_S: f64 = 1.0 / 240.0;
    /// What a solve leaves, relative: Newton's step below 1e-12 mm.
    const SOLVED: f64 = 1e-9;

    fn equal(share: f64) -> Zonules {
        Zonules { radius_mm: 4.8, share: [share; HOURS], slack_mm: [0.0; HOURS] }
    }

    fn couple(rate_rad_s: f64) -> Hand {
        Hand { rate_rad_s, arm_mm: 3.0, at_rad: None, stiffness_un_mm: 100_000.0, bears_un: 500_000.0 }
    }

    fn pushed(zonules: &Zonules, push_un: [f64; 3]) -> (Support, Held) {
        let mut support = Support::default();
        let held = zonules.turn(&mut support, &Action { push_un, ..Action::default() }, TICK_S);
        (support, held)
    }

    fn turned(zonules: &Zonules, support: &mut Support, hand: Hand, slide_torque_un_mm: f64, ticks: u32) -> Held {
        let action = Action { hand: Some(hand), slide_torque_un_mm, ..Action::default() };
        let mut held = zonules.turn(support, &action, TICK_S);
        for _ in 1..ticks {
            held = zonules.turn(support, &action, TICK_S);
        }
        held
    }

    #[test]
    fn equal_hours_are_as_stiff_as_the_bag_in_every_direction() {
        let (zonules, support) = (equal(1.0), Support::default());
        for i in 0..48 {
            let angle = i as f64 * core::f64::consts::PI / 24.0;
            let stiffness = zonules.stiffness_un_mm(&support, [libm::cos(angle), libm::sin(angle), 0.0], 0.3);
            assert!((stiffness / BAG_STIFFNESS_UN_MM - 1.0).abs() < 1e-12, "{i}: {stiffness}");
        }
        for up in [-1.0, 1.0] {
            let stiffness = zonules.stiffness_un_mm(&support, [0.0, 0.0, up], 0.3);
            assert!((stiffness / BAG_STIFFNESS_UN_MM - 1.0).abs() < 1e-12, "{stiffness}");
        }
        let exact = (24.0 * FIBRE_STIFFNESS_UN_MM * COS2_RISE * SIN2_SWEEP + BED_STIFFNESS_UN_MM) * 4.8 * 4.8;
        assert!((zonules.turn_stiffness_un_mm(&support, 0.1) / exact - 1.0).abs() < 1e-12);
    }

    #[test]
    fn a_push_shifts_the_bag_by_force_over_stiffness() {
        let (support, held) = pushed(&equal(1.0), [60_000.0, 0.0, -30_000.0]);
        // A fibre that slackens has a partner across that takes up as much, so shifts along several axes just add.
        let [x, _, z] = support.bag.shift_mm;
        assert!((x - 0.6).abs() < SOLVED && (z + 0.3).abs() < SOLVED, "{:?}", support.bag);
        assert!((held.pulls.force_un[0] + 60_000.0).abs() < SOLVED * 60_000.0, "{:?}", held.pulls);
        assert!((held.pulls.force_un[2] - 30_000.0).abs() < SOLVED * 60_000.0, "{:?}", held.pulls);
        let (support, _) = pushed(&equal(1.0), [0.0, 60_000.0, 0.0]);
        assert!((support.bag.shift_mm[1] - 0.6).abs() < SOLVED);
    }

    #[test]
    fn fibres_pull_and_do_not_push() {
        let (_, held) = pushed(&equal(1.0), [60_000.0, 0.0, 0.0]);
        assert_eq!(held.pulls.peak().0, 9, "pushed toward 3, 9 o'clock holds: {:?}", held.pulls.hour_un);
        assert_eq!(held.pulls.hour_un[3], 0.0);
    }

    #[test]
    fn loads_balance_with_any_hours() {
        let mut zonules = equal(1.0);
        zonules.share = core::array::from_fn(|i| (i * 7 % 12) as f64 / 12.0);
        zonules.slack_mm = core::array::from_fn(|i| 0.02 * (i * 5 % 7) as f64);
        let push_un = [20_000.0, -15_000.0, 8_000.0];
        let (_, held) = pushed(&zonules, push_un);
        for (force, push) in held.pulls.force_un.iter().zip(push_un) {
            assert!((force + push).abs() < SOLVED * 20_000.0, "{:?}", held.pulls);
        }
        assert!(held.pulls.torque_un_mm.abs() < SOLVED * 20_000.0 * 4.8, "{:?}", held.pulls);
    }

    #[test]
    fn slack_fibres_let_the_bag_go_farther() {
        let shift = |slack| {
            let zonules = Zonules { slack_mm: [slack; HOURS], ..equal(1.0) };
            pushed(&zonules, [0.0, 20_000.0, 0.0]).0.bag.shift_mm[1]
        };
        let shifts = [0.0, 0.1, 0.2].map(shift);
        assert!(shifts.is_sorted_by(|a, b| a < b) && shifts[2] > shifts[0] + 0.2, "{shifts:?}");
    }

    #[test]
    fn a_missing_hour_loads_its_neighbours() {
        let mut zonules = equal(1.0);
        let before = pushed(&zonules, [0.0, -40_000.0, 0.0]).1.pulls.hour_un;
        zonules.share[0] = 0.0;
        let after = pushed(&zonules, [0.0, -40_000.0, 0.0]).1.pulls.hour_un;
        assert!(after[0] == 0.0 && after[11] > 1.2 * before[11] && after[1] > 1.2 * before[1], "{before:?} {after:?}");
        zonules.share[0] = 0.3;
        let weak = pushed(&zonules, [0.0, -40_000.0, 0.0]).1.pulls.hour_un;
        assert!(before[1] < weak[1] && weak[1] < after[1], "{weak:?}");
    }

    /// 100–300 mN are what one fears (A).
    #[test]
    fn equal_hours_tear_within_the_feared_range_and_weak_ones_far_below() {
        let tears_at_un = |share: f64| {
            let zonules = equal(share);
            (1..400).map(|n| 1000.0 * n as f64).find(|push| pushed(&zonules, [*push, 0.0, 0.0]).1.tear.is_some())
        };
        let (strong, weak) = (tears_at_un(1.0).unwrap(), tears_at_un(0.3).unwrap());
        assert!((100_000.0..300_000.0).contains(&strong), "{strong}");
        assert!(weak < 0.3 * strong, "{weak}");
    }

    #[test]
    fn an_overload_runs_like_a_zip_and_a_lesser_one_not_at_all() {
        let run = |push_un: f64| {
            let (zonules, mut support) = (equal(1.0), Support::default());
            let action = Action { push_un: [push_un, 0.0, 0.0], ..Action::default() };
            let tears: Vec<_> = (0..60).filter_map(|_| zonules.turn(&mut support, &action, TICK_S).tear).collect();
            (support, tears)
        };
        assert!(run(170_000.0).1.is_empty());
        let (support, tears) = run(185_000.0);
        let hours: Vec<_> = tears.iter().map(|t| t.hour).collect();
        assert_eq!(hours[0], 9, "opposite to the push first: {hours:?}");
        assert_eq!(hours[1..3], [8, 10], "then its neighbours: {hours:?}");
        assert!(tears[1].load_un > tears[0].load_un, "the neighbours take over: {tears:?}");
        assert_eq!(support.intact.iter().filter(|i| **i == 0.0).count(), hours.len());
        // Torn hours never come back.
        let mut later = support.clone();
        equal(1.0).turn(&mut later, &Action::default(), TICK_S);
        assert_eq!(later.intact, support.intact);
    }

    #[test]
    fn a_stuck_lens_turns_with_its_bag_as_two_springs_in_series() {
        let (zonules, mut support) = (equal(1.0), Support::default());
        let held = turned(&zonules, &mut support, couple(0.5), 1e8, 24);
        let (bag, hand) = (zonules.turn_stiffness_un_mm(&support, 0.1), 100_000.0 * 9.0);
        let exact = 0.05 * bag * hand / (bag + hand);
        assert!((held.torque_un_mm / exact - 1.0).abs() < SOLVED, "{} {exact}", held.torque_un_mm);
        assert_eq!(support.slid_rad, 0.0);
        assert!((held.pulls.torque_un_mm + held.torque_un_mm).abs() < SOLVED * exact);
    }

    #[test]
    fn a_sliding_nucleus_carries_capacity_and_viscosity() {
        let (zonules, mut support) = (equal(1.0), Support::default());
        let held = turned(&zonules, &mut support, couple(0.5), 9_000.0, 480);
        let exact = 9_000.0 + SLIDE_VISCOSITY_UN_MM_S * 0.5;
        // The bag has come to rest: every transient decays by more than a third a tick.
        assert!((held.torque_un_mm / exact - 1.0).abs() < SOLVED, "{}", held.torque_un_mm);
        assert!((held.slide_rad / (0.5 * TICK_S) - 1.0).abs() < SOLVED, "{}", held.slide_rad);
        // What the hand went through is the nucleus's turn and the stretch of its hold.
        let travel = support.nucleus_rad() + support.grip_mm / 3.0;
        assert!((travel - 0.5 * 480.0 * TICK_S).abs() < SOLVED, "{travel}");
        let mut back = Support::default();
        let held = turned(&zonules, &mut back, couple(-0.5), 9_000.0, 480);
        assert!((held.torque_un_mm / -exact - 1.0).abs() < SOLVED);
        assert!((back.nucleus_rad() / support.nucleus_rad() + 1.0).abs() < SOLVED);
    }

    #[test]
    fn freed_turns_poorly_freed_loads_the_zonules_and_weak_zonules_turn_farther() {
        let shape = Shape::new(9.4, 4.6);
        let sticking = Sticking { factor: [2.0; HOURS], plane_error: 0.0, seed: 1 };
        let bed = Bed::new(&shape, 2.5, 4.0, &sticking);
        let run = |injected: bool, share: f64| {
            let mut lens = Adhesion::new(&bed);
            for _ in 0..240 * u32::from(injected) {
                lens.advance(&bed, Some(Jet { rate_ul_s: 250.0, hour: 12.0 }), 0.0, TICK_S);
            }
            let (zonules, mut support) = (equal(share), Support::default());
            let held = turned(&zonules, &mut support, couple(0.3), lens.slide_torque_un_mm(&bed), 240);
            (held.torque_un_mm, held.pulls.peak().1, support.slid_rad, support.bag.turn_rad)
        };
        let (stuck, freed, weak) = (run(false, 1.0), run(true, 1.0), run(false, 0.3));
        assert!(freed.0 < 15_000.0 && stuck.0 > 10.0 * freed.0, "{stuck:?} {freed:?}");
        assert!(stuck.1 > 10.0 * freed.1, "{stuck:?} {freed:?}");
        assert!(freed.2 > 0.25 && stuck.2 < 0.05, "{stuck:?} {freed:?}");
        assert!(weak.3 > 1.1 * stuck.3, "{weak:?} {stuck:?}");
    }

    #[test]
    fn forced_turning_wears_adhesion_off_until_the_lens_gives() {
        let sticking = Sticking { factor: [1.0; HOURS], plane_error: 0.0, seed: 1 };
        let bed = Bed::new(&Shape::new(9.4, 4.6), 2.5, 4.0, &sticking);
        let (mut lens, zonules, mut support) = (Adhesion::new(&bed), equal(1.0), Support::default());
        let mut torques = Vec::new();
        for _ in 0..480 {
            let slide_torque_un_mm = lens.slide_torque_un_mm(&bed);
            let held = turned(&zonules, &mut support, couple(0.5), slide_torque_un_mm, 1);
            lens.wear(&[1.0; HOURS], held.slide_rad.abs() * bed.arm_mm());
            torques.push(held.torque_un_mm);
        }
        let peak = torques.iter().copied().fold(0.0, f64::max);
        assert!(peak > 0.95 * (12.0 * 315.0 * bed.moment_mm3), "{peak}");
        assert!(torques[479] < 0.1 * peak && lens.freed[0] == 1.0, "{}", torques[479]);
    }

    #[test]
    fn a_hand_in_soft_tissue_ploughs() {
        let (zonules, mut support) = (equal(1.0), Support::default());
        let hand = Hand { bears_un: 5_000.0, ..couple(0.5) };
        let held = turned(&zonules, &mut support, hand, 1e6, 240);
        assert_eq!((held.torque_un_mm, support.slid_rad), (15_000.0, 0.0));
    }

    #[test]
    fn one_hand_also_shoves_and_a_released_bag_springs_back() {
        let (zonules, mut one, mut two) = (equal(1.0), Support::default(), Support::default());
        let single = Hand { at_rad: Some(0.0), ..couple(0.3) };
        let loads = [
            turned(&zonules, &mut one, single, 1e6, 48).pulls.peak().1,
            turned(&zonules, &mut two, couple(0.3), 1e6, 48).pulls.peak().1,
        ];
        assert!(one.bag.shift_mm[1] > 0.05 && two.bag.shift_mm[1].abs() < 1e-9, "{one:?} {two:?}");
        assert!(loads[0] > loads[1], "{loads:?}");
        turned(&zonules, &mut one, single, 9_000.0, 48);
        let slid_rad = one.slid_rad;
        let held = zonules.turn(&mut one, &Action { slide_torque_un_mm: 9_000.0, ..Action::default() }, TICK_S);
        assert!(held.pulls.peak().1 < 1e-3 && one.slid_rad == slid_rad && slid_rad > 0.0, "{one:?}");
    }

    /// Adhesion wears while the nucleus slides, from tick to tick: first order, with half the tick half the error.
    #[test]
    fn turning_converges_with_the_tick() {
        let zonules = equal(0.6);
        let run = |parts: u32| {
            let mut support = Support::default();
            for _ in 0..100 * parts {
                let slide_torque_un_mm = 60_000.0 * (1.0 - 3.7 * support.slid_rad);
                let action = Action { hand: Some(couple(0.5)), slide_torque_un_mm, ..Action::default() };
                zonules.turn(&mut support, &action, TICK_S / parts as f64);
            }
            support.slid_rad
        };
        let fine = run(64);
        let errors = [1, 2, 4].map(|parts| (run(parts) - fine).abs());
        assert!(errors[0] < 0.05 * fine, "{errors:?} of {fine}");
        assert!(errors[1] < 0.7 * errors[0] && errors[2] < 0.7 * errors[1], "{errors:?} of {fine}");
    }

    #[test]
    fn no_input_makes_it_infinite() {
        let mut zonules = equal(0.5);
        zonules.slack_mm[3] = f64::INFINITY;
        let mut support = Support::default();
        for wild in [f64::NAN, f64::INFINITY, -1e300, 1e300, 1.0] {
            let hand =
                Hand { rate_rad_s: wild, arm_mm: wild, at_rad: Some(wild), stiffness_un_mm: wild, bears_un: wild };
            let action = Action { push_un: [wild; 3], hand: Some(hand), slide_torque_un_mm: wild };
            let held = zonules.turn(&mut support, &action, TICK_S);
            let sum = held.torque_un_mm + held.slide_rad + held.pulls.hour_un.iter().sum::<f64>();
            assert!((sum + support.nucleus_rad() + support.grip_mm).is_finite(), "{wild} {support:?}");
        }
    }
}
