//! What holds whatever the hands do: random cases within their ranges, random hands from careful to wild.
//!
//! Few cells (0.4 mm), so that many runs fit into seconds; nothing here asks how good the numbers are. The runs are
//! the same every time; the environment variable `PROPTEST_RNG_SEED` draws others.
#![allow(clippy::unwrap_used, reason = "a helper that fails fails the test that called it")]

mod common;

use corecleft::case::compile::{problems, shape};
use corecleft::case::{CaseSpec, Hand, PlateSpec, Seat, Side};
use corecleft::plan::{ChopKind, PlanSpec};
use corecleft::sim::cells::NONE;
use corecleft::sim::event::EventKind;
use corecleft::sim::hands::{ChopperEnd, HandPose, Pedal};
use corecleft::sim::pieces::GONE;
use corecleft::sim::{Inputs, Model, State, step};
use nalgebra::Vector3;
use proptest::prelude::*;
use proptest::test_runner::{Config, RngSeed, TestCaseError, TestRunner};
use std::cell::Cell;

/// Share of the lens by which volumes may fail to add up: rounding of some thousand additions.
const VOLUME_TOLERANCE: f64 = 1e-9;

/// Agreement of the engine's distance to the capsule with the same distance taken from all lips, mm.
const DISTANCE_TOLERANCE_MM: f64 = 1e-9;

/// Every so many ticks the whole state is searched for numbers that are not finite.
const SEARCH_TICKS: u64 = 16;

fn runner(cases: u32) -> TestRunner {
    let seed = std::env::var("PROPTEST_RNG_SEED").ok().and_then(|seed| seed.parse().ok());
    let rng_seed = RngSeed::Fixed(seed.unwrap_or(7));
    TestRunner::new(Config { cases, rng_seed, failure_persistence: None, ..Config::default() })
}

/// What a random case is made of, each a share 0..1 of what is allowed.
fn any_case() -> impl Strategy<Value = CaseSpec> {
    let share = || 0.0..=1.0f64;
    let lens = (share(), share(), share(), share(), share(), share());
    let offset = (-1.0..=1.0f64, -1.0..=1.0f64, -1.0..=1.0f64);
    let around = (share(), share(), prop::option::of((share(), share())), share());
    let surgery = (any::<bool>(), any::<bool>(), any::<bool>(), share(), share(), share());
    let tools = (share(), share(), share(), share(), share(), share());
    (lens, offset, around, surgery, tools).prop_map(|(lens, offset, around, surgery, tools)| {
        let within = |(low, high): (f64, f64), share: f64| low + share * (high - low);
        let mut spec = common::case();
        spec.lens.age_years = within((40.0, 100.0), lens.0);
        spec.lens.core.grade = within((0.1, 6.9), lens.1);
        spec.lens.core.edge_mm = within((0.05, 2.0), lens.2);
        spec.lens.heterogeneity = within((0.0, 0.5), around.3);
        spec.lens.epinucleus.thickness_mm = within((0.0, 3.0), around.0);
        spec.lens.epinucleus.firmness = around.1;
        let shape = shape(&spec.lens);
        spec.lens.core.diameter_mm = within((1.0, 2.0 * shape.equator_mm), lens.3);
        spec.lens.core.thickness_mm = within((0.8, shape.thickness_mm()), lens.4);
        spec.lens.core.offset_mm = (1.5 * offset.0, 1.5 * offset.1, 0.5 * offset.2);
        spec.eye.side = if surgery.0 { Side::Right } else { Side::Left };
        spec.surgery.seat = if surgery.1 { Seat::Temporal } else { Seat::Superior };
        spec.surgery.needle_hand = if surgery.2 { Hand::Right } else { Hand::Left };
        spec.surgery.side_port_deg = within((30.0, 110.0), surgery.3);
        spec.surgery.rhexis_mm = within((3.0, 7.0), surgery.4);
        spec.eye.chamber_depth_mm = within((1.5, 5.0), surgery.5);
        spec.eye.bag_diameter_mm = (lens.5 > 0.3).then(|| within((2.0 * shape.equator_mm, 13.0), lens.5));
        spec.needle.outer_mm = within((0.5, 1.5), tools.0);
        spec.needle.bore_mm = within((0.3, spec.needle.outer_mm - 0.1), tools.1);
        spec.needle.bevel_deg = within((0.0, 60.0), tools.2);
        spec.needle.exposed_mm = within((0.5, 5.0), tools.3);
        spec.chopper.end_mm = within((0.8, 4.0), tools.4);
        spec.chopper.width_mm = within((0.1, 1.0), tools.5);
        // A core that does not fit its lens is made smaller and moved inward until it does.
        while problems(&spec).iter().any(|problem| !problem.is_warning) {
            let core = &mut spec.lens.core;
            let (x, y, z) = core.offset_mm;
            core.offset_mm = (0.8 * x, 0.8 * y, 0.8 * z);
            core.diameter_mm = (0.8 * core.diameter_mm).max(1.0);
            core.thickness_mm = (0.8 * core.thickness_mm).max(0.8);
        }
        spec.lens.plate = around.2.map(|(thickness, factor)| PlateSpec {
            thickness_mm: within((0.1, spec.lens.core.thickness_mm.min(2.0)), thickness),
            toughness_factor: within((1.0, 10.0), factor),
        });
        spec
    })
}

/// Where a hand goes next.
#[derive(Clone, Copy, Debug)]
enum Aim {
    /// The instrument's end to a place in the lens or near it.
    Place { at_mm: [f64; 3], elevation_rad: f64, roll_rad: f64 },
    /// By a little from where it is.
    Nudge([f64; 3]),
    /// Any pose, however impossible.
    Wild(HandPose),
}

/// A stretch of the run.
#[derive(Clone, Debug)]
struct Stretch {
    needle: Aim,
    chopper: Option<(ChopperEnd, Aim)>,
    pedal: Pedal,
    vacuum_limit_pa: f64,
    power_limit: f64,
    turn_rad_s: f64,
    ticks: u32,
}

fn any_aim() -> impl Strategy<Value = Aim> {
    let place = ([-5.0..5.0f64, -5.0..5.0, -3.5..2.5], 0.0..1.6f64, -4.0..4.0f64);
    let inner = ([-1.5..1.5f64, -1.5..1.5, -1.5..1.0], 0.4..1.0f64, -0.5..0.5f64);
    let aimed = |(at_mm, elevation_rad, roll_rad)| Aim::Place { at_mm, elevation_rad, roll_rad };
    let wide = || prop_oneof![4 => -10.0..10.0f64, 1 => -1e6..1e6f64, 1 => Just(0.0)];
    let wild = [wide(), wide(), wide(), wide(), wide()].prop_map(|[a, e, i, l, r]| {
        Aim::Wild(HandPose { azimuth_rad: a, elevation_rad: e, insertion_mm: i, lift_mm: l, roll_rad: r })
    });
    let nudge = [-0.6..0.6f64, -0.6..0.6, -0.3..0.3].prop_map(Aim::Nudge);
    prop_oneof![2 => place.prop_map(aimed), 4 => inner.prop_map(aimed), 5 => nudge, 1 => wild]
}

fn any_stretch() -> impl Strategy<Value = Stretch> {
    let chopper = prop::option::weighted(
        0.8,
        (prop_oneof![3 => Just(ChopperEnd::Pointed), 1 => Just(ChopperEnd::Blunt)], any_aim()),
    );
    let pedal = (prop_oneof![Just(0u8), Just(1), Just(2), Just(3), Just(3)], 0.0..=1.0f64)
        .prop_map(|(position, share)| Pedal { position, share });
    let turn = prop_oneof![2 => Just(0.0), 1 => -3.0..3.0f64];
    let free = (any_aim(), chopper);
    let parting = [-0.8..0.8f64, -0.8..0.8, -0.1..0.1].prop_map(|by_mm| {
        let other_way = by_mm.map(|c| -c);
        (Aim::Nudge(by_mm), Some((ChopperEnd::Pointed, Aim::Nudge(other_way))))
    });
    let hands = prop_oneof![2 => free, 1 => parting];
    (hands, pedal, 0.0..95_000.0f64, 0.0..=1.0f64, turn, 1..40u32).prop_map(
        |((needle, chopper), pedal, vacuum_limit_pa, power_limit, turn_rad_s, ticks)| Stretch {
            needle,
            chopper,
            pedal,
            vacuum_limit_pa,
            power_limit,
            turn_rad_s,
            ticks,
        },
    )
}

/// The hands between two stretches: each component goes evenly from one pose to the next.
fn between(from: &HandPose, to: &HandPose, share: f64) -> HandPose {
    let mix = |a: f64, b: f64| a + share * (b - a);
    HandPose {
        azimuth_rad: mix(from.azimuth_rad, to.azimuth_rad),
        elevation_rad: mix(from.elevation_rad, to.elevation_rad),
        insertion_mm: mix(from.insertion_mm, to.insertion_mm),
        lift_mm: mix(from.lift_mm, to.lift_mm),
        roll_rad: mix(from.roll_rad, to.roll_rad),
    }
}

fn needle_pose(model: &Model, from: &HandPose, aim: &Aim) -> HandPose {
    let incision = &model.main_incision;
    match *aim {
        Aim::Place { at_mm, elevation_rad, roll_rad } => {
            HandPose::needle_at(incision, &at_mm.into(), elevation_rad.min(1.5), roll_rad)
        }
        Aim::Nudge(by_mm) => {
            let to_mm = from.end_mm(incision) + Vector3::from(by_mm);
            HandPose::needle_at(incision, &to_mm, from.elevation_rad.clamp(0.1, 1.1), from.roll_rad)
        }
        Aim::Wild(pose) => pose,
    }
}

fn chopper_pose(model: &Model, from: &HandPose, aim: &Aim) -> HandPose {
    match *aim {
        Aim::Place { at_mm, roll_rad, .. } => {
            HandPose::chopper_at(&model.side_port, &model.chopper, &at_mm.into(), roll_rad)
        }
        Aim::Nudge(by_mm) => {
            let point = corecleft::sim::hands::Blade::of(&model.chopper, &model.side_port, from).point_mm;
            HandPose::chopper_at(&model.side_port, &model.chopper, &(point + Vector3::from(by_mm)), from.roll_rad)
        }
        Aim::Wild(pose) => pose,
    }
}

/// A chop as a surgeon would do it, more or less well, before the wild part of a run.
fn any_plan() -> impl Strategy<Value = PlanSpec> {
    let kind = prop_oneof![3 => Just(ChopKind::Vertical), 1 => Just(ChopKind::Horizontal)];
    (0.5..2.5f64, 20.0..60.0f64, (-0.8..0.8f64, -0.8..0.8f64), kind, 1.0..3.0f64).prop_map(
        |(depth_mm, angle_deg, place_mm, kind, separation_mm)| {
            common::first_chop_plan(depth_mm, angle_deg, place_mm, kind, separation_mm)
        },
    )
}

/// What the hands do tick by tick: a plan, if any, and then the stretches.
fn inputs_of(model: &Model, plan: Option<&PlanSpec>, stretches: &[Stretch]) -> Vec<Inputs> {
    let over_lens = Vector3::new(0.0, 0.0, model.field.shape.front_mm + 0.5);
    let mut needle = HandPose::needle_at(&model.main_incision, &over_lens, 0.6, 0.0);
    let mut chopper = HandPose::chopper_at(&model.side_port, &model.chopper, &over_lens, 0.0);
    let mut all = plan.map(|plan| common::inputs(model, plan)).unwrap_or_default();
    if let Some(last) = all.last() {
        needle = last.needle;
        chopper = last.chopper.map_or(chopper, |(_, hand)| hand);
    }
    for stretch in stretches {
        let needle_to = needle_pose(model, &needle, &stretch.needle);
        let chopper_to = stretch.chopper.map(|(end, aim)| (end, chopper_pose(model, &chopper, &aim)));
        for tick in 1..=stretch.ticks {
            let share = f64::from(tick) / f64::from(stretch.ticks);
            all.push(Inputs {
                needle: between(&needle, &needle_to, share),
                chopper: chopper_to.map(|(end, to)| (end, between(&chopper, &to, share))),
                pedal: stretch.pedal,
                vacuum_limit_pa: stretch.vacuum_limit_pa,
                power_limit: stretch.power_limit,
                turn_rad_s: stretch.turn_rad_s,
                ..Inputs::at_rest(model)
            });
        }
        needle = needle_to;
        chopper = chopper_to.map_or(chopper, |(_, to)| to);
    }
    all
}

/// The first number in the whole state that is not finite, with what stands before it in the state's text.
fn not_finite(state: &State) -> Option<String> {
    let text = ron::to_string(state).unwrap();
    let is_apart = |at: usize| {
        let (before, after) = (text[..at].chars().next_back(), text[at + 3..].chars().next());
        before.is_some_and(|c| ":,([-".contains(c)) && after.is_some_and(|c| ",)]".contains(c))
    };
    let found = ["NaN", "inf"].iter().flat_map(|word| text.match_indices(word)).map(|(at, _)| at);
    let at = found.filter(|at| is_apart(*at)).min()?;
    Some(text[at.saturating_sub(80)..at + 3].to_owned())
}

/// Smallest distance of both instruments to the posterior capsule, which goes with the lens when that is pushed, measured
/// at every lip of the needle; `None` where one of them is beyond the equator, where being in front of this capsule or
/// behind it has no meaning.
fn nearest_mm(model: &Model, state: &State) -> Option<f64> {
    let shape = &model.field.shape;
    let lips = state.needle.iter().flat_map(|n| model.needle.ring_mm(&n.tip, 1.0, 8).chain([n.tip.place_mm]));
    let places = lips.chain(state.chopper.iter().map(|c| c.blade.point_mm));
    let places: Vec<_> = places.map(|p| p - state.lens.carried_mm()).collect();
    let is_within = places.iter().all(|p| p.x.hypot(p.y) < shape.equator_mm);
    let distance_mm = |p: &Vector3<f64>| state.membrane.distance_mm(&model.membrane, p);
    is_within.then(|| places.iter().map(distance_mm).fold(f64::INFINITY, f64::min))
}

/// What must hold after a tick, given the state before it.
fn check(model: &Model, before: &State, state: &State) -> Result<(), TestCaseError> {
    prop_assert_eq!(&state.fault, &None);
    prop_assert_eq!(state.tick, before.tick + 1);
    let (lens, old) = (&state.lens, &before.lens);
    let whole_ul = model.cells.count() as f64 * model.cells.cell_ul();
    let sum_ul = lens.volume_ul.iter().sum::<f64>() + lens.removed_ul + lens.lost_ul;
    prop_assert!((sum_ul / whole_ul - 1.0).abs() <= VOLUME_TOLERANCE, "{} µL of {}", sum_ul, whole_ul);
    prop_assert!(lens.removed_ul >= old.removed_ul);
    if lens.damage != old.damage {
        for (bond, (damage, was)) in lens.damage.iter().zip(&old.damage).enumerate() {
            prop_assert!((0.0..=1.0).contains(damage) && damage >= was, "bond {}: {} after {}", bond, damage, was);
        }
    }
    let distance_mm = state.totals.distance_to_capsule_min_mm;
    prop_assert!(distance_mm.is_finite() && distance_mm <= before.totals.distance_to_capsule_min_mm);
    if let Some(nearest_mm) = nearest_mm(model, state) {
        let expected_mm = before.totals.distance_to_capsule_min_mm.min(nearest_mm);
        let error_mm = (distance_mm - expected_mm).abs();
        prop_assert!(error_mm <= DISTANCE_TOLERANCE_MM, "distance {} instead of {}", distance_mm, expected_mm);
    }
    prop_assert!(state.is_breached || !before.is_breached, "a breach healed");
    prop_assert!(state.events.starts_with(&before.events), "an event was unmade");
    for (i, event) in state.events.iter().enumerate().skip(before.events.len()) {
        prop_assert_eq!(event.tick, state.tick);
        prop_assert!(event.cause.is_none_or(|cause| (cause as usize) < i), "{:?}", event);
    }
    if state.tick == 1 || state.tick.is_multiple_of(SEARCH_TICKS) {
        check_whole(model, before, state)?;
    }
    Ok(())
}

/// The same for what takes longer to look through.
fn check_whole(model: &Model, before: &State, state: &State) -> Result<(), TestCaseError> {
    prop_assert_eq!(not_finite(state), None);
    let mut counts = vec![0u32; state.lens.volume_ul.len()];
    let mut nucleus_ul = vec![0.0; state.lens.nucleus_ul.len()];
    for (cell, (fragment, was)) in state.lens.fragment.iter().zip(&before.lens.fragment).enumerate() {
        prop_assert!(*fragment == GONE || *was != GONE, "a removed cell came back");
        if *fragment != GONE {
            counts[usize::from(*fragment)] += 1;
            nucleus_ul[usize::from(*fragment)] += model.cells.nucleus_ul(cell);
        }
    }
    for (kept, counted) in state.lens.nucleus_ul.iter().zip(nucleus_ul) {
        prop_assert!((kept - counted).abs() <= 1e-6 * model.cells.cell_ul(), "{} instead of {}", kept, counted);
    }
    for (volume, count) in state.lens.volume_ul.iter().zip(counts) {
        let expected = f64::from(count) * model.cells.cell_ul();
        prop_assert!((volume - expected).abs() <= 1e-6 * model.cells.cell_ul(), "{} instead of {}", volume, expected);
    }
    for (bond, _) in state.lens.damage.iter().enumerate().filter(|(_, damage)| **damage > 0.0) {
        prop_assert!(model.cells.forward[bond / 13][bond % 13] != NONE, "damage to a bond that is not there");
    }
    Ok(())
}

/// How many runs came to what, so that the properties are known to have been put to the test.
#[derive(Default)]
struct Reached {
    runs: Cell<u32>,
    buried: Cell<u32>,
    chopped: Cell<u32>,
    ended: Cell<u32>,
    split: Cell<u32>,
    removed: Cell<u32>,
    breached: Cell<u32>,
}

impl Reached {
    fn count(&self, state: &State) {
        let add = |to: &Cell<u32>, is_so: bool| to.set(to.get() + u32::from(is_so));
        let has = |is_meant: fn(&EventKind) -> bool| state.events.iter().any(|e| is_meant(&e.kind));
        add(&self.runs, true);
        add(&self.buried, has(|k| matches!(k, EventKind::TipEnteredLens)));
        add(&self.chopped, has(|k| matches!(k, EventKind::ChopStarted(_))));
        add(&self.ended, has(|k| matches!(k, EventKind::ChopEnded(_))));
        add(&self.split, has(|k| matches!(k, EventKind::BodySplit { .. })));
        add(&self.removed, state.lens.removed_ul > 0.0);
        add(&self.breached, state.is_breached);
    }
}

#[test]
fn whatever_the_hands_do_the_state_stays_sound() {
    let reached = Reached::default();
    // Half of the runs that begin with a chop begin with one that may succeed: in the shipped lens, which is dense.
    let planned = (prop_oneof![any_case(), Just(common::case())], any_plan().prop_map(Some));
    let free = (any_case(), Just(None));
    let begun = prop_oneof![1 => planned, 3 => free];
    let strategy = (begun, any::<u64>(), prop::collection::vec(any_stretch(), 3..14));
    let outcome = runner(250).run(&strategy, |((spec, plan), seed, stretches)| {
        let model = common::coarse_model(&spec, seed);
        let mut state = State::new(&model);
        for inputs in inputs_of(&model, plan.as_ref(), &stretches) {
            let before = state.clone();
            step(&model, &mut state, &inputs);
            check(&model, &before, &state)?;
        }
        reached.count(&state);
        Ok(())
    });
    outcome.unwrap_or_else(|failure| panic!("{failure}"));
    let seen = |count: &Cell<u32>| f64::from(count.get()) / f64::from(reached.runs.get());
    let shares = [
        ("buried", seen(&reached.buried), 0.5),
        ("chopped", seen(&reached.chopped), 0.2),
        ("ended a chop", seen(&reached.ended), 0.1),
        ("split", seen(&reached.split), 0.03),
        ("removed tissue", seen(&reached.removed), 0.3),
        ("breached", seen(&reached.breached), 0.1),
    ];
    for (what, share, least) in shares {
        assert!(share >= least, "only {share:.2} of the runs {what}: {shares:?}");
    }
}

/// Poses so large that squares and sums overflow may end in a fault, but in nothing worse.
#[test]
fn numbers_near_the_limits_of_the_type_end_in_a_fault_at_worst() {
    let huge = || prop_oneof![-f64::MAX..f64::MAX, -1e200..1e200f64, Just(f64::MIN_POSITIVE), Just(-0.0), Just(1.0)];
    let hand = || {
        [huge(), huge(), huge(), huge(), huge()].prop_map(|[a, e, i, l, r]| HandPose {
            azimuth_rad: a,
            elevation_rad: e,
            insertion_mm: i,
            lift_mm: l,
            roll_rad: r,
        })
    };
    let one = (hand(), prop::option::of(hand()), any::<u8>(), [huge(), huge(), huge(), huge()]);
    let model = common::coarse_model(&common::case(), 1);
    let start = common::run(&model, &common::first_chop_plan(1.7, 42.0, (0.0, 0.0), ChopKind::Vertical, 0.4));
    assert!(start.opening.is_some(), "the run is meant to stop in mid-opening");
    let outcome = runner(200).run(&(any::<bool>(), prop::collection::vec(one, 1..12)), |(is_fresh, all)| {
        let mut state = if is_fresh { State::new(&model) } else { start.clone() };
        for (needle, chopper, position, [share, vacuum_limit_pa, power_limit, turn_rad_s]) in all {
            let chopper = chopper.map(|hand| (ChopperEnd::Pointed, hand));
            let pedal = Pedal { position, share };
            step(
                &model,
                &mut state,
                &Inputs { needle, chopper, pedal, vacuum_limit_pa, power_limit, turn_rad_s, ..Inputs::at_rest(&model) },
            );
        }
        Ok(())
    });
    outcome.unwrap_or_else(|failure| panic!("{failure}"));
}

/// Every number among the inputs, by turns not a number and infinite either way: a recorded fault, and from then on the
/// engine stands still.
#[test]
fn an_input_that_is_not_finite_is_a_recorded_fault_and_the_engine_stands_still() {
    type Spoil = fn(&mut Inputs, f64);
    fn chopper(inputs: &mut Inputs) -> &mut HandPose {
        &mut inputs.chopper.as_mut().unwrap().1
    }
    const SPOILS: [(&str, Spoil); 14] = [
        ("needle azimuth", |i, bad| i.needle.azimuth_rad = bad),
        ("needle elevation", |i, bad| i.needle.elevation_rad = bad),
        ("needle insertion", |i, bad| i.needle.insertion_mm = bad),
        ("needle lift", |i, bad| i.needle.lift_mm = bad),
        ("needle roll", |i, bad| i.needle.roll_rad = bad),
        ("chopper azimuth", |i, bad| chopper(i).azimuth_rad = bad),
        ("chopper elevation", |i, bad| chopper(i).elevation_rad = bad),
        ("chopper insertion", |i, bad| chopper(i).insertion_mm = bad),
        ("chopper lift", |i, bad| chopper(i).lift_mm = bad),
        ("chopper roll", |i, bad| chopper(i).roll_rad = bad),
        ("pedal", |i, bad| i.pedal.share = bad),
        ("vacuum", |i, bad| i.vacuum_limit_pa = bad),
        ("power", |i, bad| i.power_limit = bad),
        ("turning", |i, bad| i.turn_rad_s = bad),
    ];
    let model = common::coarse_model(&common::case(), 3);
    let plan = common::first_chop_plan(1.7, 42.0, (0.0, 0.0), ChopKind::Vertical, 1.0);
    let inputs = common::inputs(&model, &plan);
    let last = inputs.len() - 1;
    assert!(inputs[last].chopper.is_some());
    // Before the needle is buried, while it is, while the chopper is pressed, and in mid-opening.
    for at in [1, last / 2, 3 * last / 4, last - 5] {
        let mut before = State::new(&model);
        inputs[..at].iter().for_each(|inputs| step(&model, &mut before, inputs));
        for (what, spoil) in SPOILS {
            for bad in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
                let mut spoilt = Inputs { chopper: inputs[last].chopper, ..inputs[at].clone() };
                spoil(&mut spoilt, bad);
                let mut state = before.clone();
                step(&model, &mut state, &spoilt);
                let fault = state.fault.clone().unwrap_or_else(|| panic!("{what} {bad} at {at} left no fault"));
                assert_eq!(fault.tick, before.tick + 1, "{what}");
                assert!(!fault.what.is_empty());
                assert!(state.lens == before.lens, "{what} {bad} changed the lens");
                assert_eq!(not_finite(&state), None, "{what} {bad} got into the state");
                let hash = state.hash();
                inputs[at..].iter().for_each(|inputs| step(&model, &mut state, inputs));
                assert_eq!(state.hash(), hash, "{what} {bad}: the engine went on");
            }
        }
    }
}
