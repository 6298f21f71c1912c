//! Does a piece follow a tip that holds it with a limited force? Order relations, common practice without source: a piece
//! follows when it is free and small enough, and does not when it is hinged or wedged; if not, divide it again.
//!
//! The first tests pull sectors of real lenses, as rigid bodies in their bag, with a hold that carries 30 mN (400 mmHg on
//! a bore of 0.9 mm hold 34 mN; D), by about a millimetre, in two eyes; what is measured is the share of the tip's way
//! that the piece comes along, and the largest load on the hold. The last ones perform plans on the whole engine.
#![allow(clippy::unwrap_used, reason = "tests")]

mod common;

use common::{case, model, model_at, run, shipped};
use corecleft::case::Resolution;
use corecleft::plan::{Bevel, ChopKind, Manoeuvre, OutOf, PlanSpec};
use corecleft::sim::event::{EventKind, HeldBy};
use corecleft::sim::fragments::{Bag, Bodies, INERTIA, Rod, outline};
use corecleft::sim::pose::Pose;
use corecleft::sim::{Model, State};
use nalgebra::Vector3;

/// What vacuum holds with, µN.
const HOLD_UN: f64 = 30_000.0;

/// Where the hold takes the piece that lies toward 9 o'clock, mm.
const HELD_AT_MM: [f64; 3] = [-1.5, 0.0, -0.2];

/// Ways of the tip, mm: level to the middle, rising to the middle, and mostly up.
const WAYS_MM: [[f64; 3]; 3] = [[1.2, 0.0, 0.0], [1.2, 0.0, 0.6], [0.6, 0.0, 0.8]];

/// Speed of the hand, mm/s.
const SPEED_MM_S: f64 = 2.0;

/// A lens in equal sectors, of which some have been taken away, and the pull on the first.
#[derive(Clone, Copy)]
struct Scene<'a> {
    model: &'a Model,
    sectors: i32,
    gone: &'a [i32],
    hold_un: f64,
    way_mm: [f64; 3],
    inertia: f64,
    ticks_per_second: f64,
}

/// What came of a pull.
#[derive(Clone, Copy, Debug)]
struct Pulled {
    /// Share of the tip's way that the piece came along.
    share: f64,
    /// Largest load on the hold, µN.
    load_un: f64,
}

impl Pulled {
    fn ratio(self, hold_un: f64) -> f64 {
        hold_un / self.load_un
    }
}

impl Scene<'_> {
    /// The sector that a place lies in: number 0 toward 9 o'clock.
    fn sector(&self, p: &Vector3<f64>) -> i32 {
        let turn = (p.y.atan2(p.x) - std::f64::consts::PI) / (2.0 * std::f64::consts::PI);
        ((turn * f64::from(self.sectors) + 0.5).floor() as i32).rem_euclid(self.sectors)
    }

    fn pull(&self) -> Pulled {
        let (model, shape) = (self.model, &self.model.field.shape);
        let mut bodies = Bodies::with_inertia(
            Bag {
                radius_mm: model.bag_radius_mm,
                back_mm: shape.back_mm,
                front_mm: shape.front_mm,
                rhexis_mm: model.rhexis_radius_mm,
                chamber_radius_mm: model.bag_radius_mm + 0.5,
                roof_mm: shape.front_mm + model.chamber_depth_mm,
                shift_mm: 0.0,
            },
            self.inertia,
        );
        for sector in (0..self.sectors).filter(|s| !self.gone.contains(s)) {
            let places: Vec<_> = model.cells.place_mm.iter().filter(|p| self.sector(p) == sector).copied().collect();
            let volume_ul = places.len() as f64 * model.cells.cell_ul();
            bodies.insert(sector as u16, &[outline(&places)], volume_ul, &Pose::REST);
        }
        let (at, way) = (Vector3::from(HELD_AT_MM), Vector3::from(self.way_mm));
        let axis = Vector3::new(0.77, 0.0, 0.64).normalize();
        let tick_s = 1.0 / self.ticks_per_second;
        let tick = |bodies: &mut Bodies, share: f64| {
            let tip_mm = at + way * share;
            bodies.set_rods(&[Some(Rod { tip_mm, axis, length_mm: 1.2, radius_mm: 0.55 }), None, None]);
            bodies.hold(0, &at, self.hold_un);
            bodies.advance(tick_s);
        };
        let rest = (0.2 * self.ticks_per_second) as i32;
        (0..rest).for_each(|_| tick(&mut bodies, 0.0));
        let from = bodies.pose(0).unwrap().to_eye(&at);
        let ticks = (way.norm() / SPEED_MM_S * self.ticks_per_second) as i32;
        let mut load_un: f64 = 0.0;
        for i in 1..=ticks {
            tick(&mut bodies, f64::from(i) / f64::from(ticks));
            load_un = load_un.max(bodies.held_force_un().norm());
        }
        (0..rest / 2).for_each(|_| tick(&mut bodies, 1.0));
        let came = bodies.pose(0).unwrap().to_eye(&at) - from;
        Pulled { share: came.dot(&way) / way.norm_squared(), load_un }
    }
}

/// Both eyes with every way.
fn scenes(models: &[Model]) -> impl Iterator<Item = Scene<'_>> {
    models.iter().flat_map(|model| {
        WAYS_MM.map(|way_mm| Scene {
            model,
            sectors: 6,
            gone: &[],
            hold_un: HOLD_UN,
            way_mm,
            inertia: INERTIA,
            ticks_per_second: 240.0,
        })
    })
}

/// The long eye and the ordinary one, in cells of 0.3 mm.
fn eyes() -> [Model; 2] {
    let resolution = Resolution { cell_mm: 0.3, ..Resolution::default() };
    [case(), shipped("medium-uniform.ron")].map(|spec| model_at(&spec, 1, resolution))
}

/// Small pieces load the hold least: the mean of the logarithm of the ratio over all pulls is far higher for eighths than
/// for halves and quarters, which are wedged alike in a full bag and take all the hold has; every eighth comes along at a
/// fifth of the hold or less.
#[test]
fn the_follow_ratio_falls_with_size() {
    let models = eyes();
    let mean = |sectors| {
        let logs: Vec<f64> =
            scenes(&models).map(|scene| Scene { sectors, ..scene }.pull().ratio(HOLD_UN).ln()).collect();
        logs.iter().sum::<f64>() / logs.len() as f64
    };
    let means = [2, 4, 8].map(mean);
    assert!(means[2] > means[0].max(means[1]) + 1.0, "{means:?}");
    let halves: f64 = scenes(&models).map(|scene| Scene { sectors: 2, ..scene }.pull().share).sum::<f64>() / 6.0;
    let eighths: f64 = scenes(&models).map(|scene| Scene { sectors: 8, ..scene }.pull().share).sum::<f64>() / 6.0;
    assert!(halves < eighths - 0.1, "{halves} {eighths}");
    for scene in scenes(&models) {
        let eighth = Scene { sectors: 8, ..scene }.pull();
        assert!(eighth.share > 0.95 && eighth.ratio(HOLD_UN) > 5.0, "{:?}: {eighth:?}", scene.way_mm);
    }
}

/// A piece that its neighbours wedge in follows less readily than the same piece with the sector opposite and one beside
/// it gone, and alone it follows at next to nothing. Violations allowed: 1 of 12.
#[test]
fn the_follow_ratio_rises_with_freed_sectors() {
    let mut violations = Vec::new();
    for scene in scenes(&eyes()) {
        for sectors in [4, 6] {
            let load = |gone: &[i32]| Scene { sectors, gone, ..scene }.pull().load_un;
            let others: Vec<i32> = (1..sectors).collect();
            let (wedged, freed, alone) = (load(&[]), load(&[1, sectors / 2]), load(&others));
            if !(alone < 0.3 * wedged && freed < 1.2 * wedged) {
                violations.push(format!("{sectors}, {:?}: {wedged:.0}, {freed:.0}, {alone:.0} µN", scene.way_mm));
            }
        }
    }
    assert!(violations.len() <= 1, "{violations:?}");
}

/// For the same free piece the ratio grows with the hold.
#[test]
fn the_follow_ratio_rises_with_purchase() {
    for scene in scenes(&eyes()) {
        let eighth = |hold_un| Scene { sectors: 8, hold_un, ..scene }.pull();
        let ratios: Vec<f64> = [5e3, 1e4, 2e4, 4e4].map(|hold| eighth(hold).ratio(hold)).to_vec();
        assert!(ratios.windows(2).all(|w| w[1] > w[0]), "{:?}: {ratios:?}", scene.way_mm);
    }
}

/// In the wide bag of a long eye a free half comes along level, with purchase to spare.
#[test]
fn a_free_half_follows_level_in_a_wide_bag() {
    let models = eyes();
    let scene = Scene { sectors: 2, way_mm: WAYS_MM[0], ..scenes(&models).next().unwrap() };
    let pulled = scene.pull();
    assert!(pulled.share > 0.95 && pulled.ratio(HOLD_UN) > 1.5, "{pulled:?}");
}

/// Halving and doubling the solver's inertia, and the tick, change neither what comes along nor the load much. Shares
/// within 0.06; loads within a quarter where they are above 2 mN (below, they are the drag's, which the inertia scales).
#[test]
fn results_do_not_hang_on_inertia_or_tick() {
    for scene in scenes(&eyes()) {
        for sectors in [4, 8] {
            let usual = Scene { sectors, ..scene }.pull();
            let others = [
                Scene { sectors, inertia: 0.5 * INERTIA, ..scene }.pull(),
                Scene { sectors, inertia: 2.0 * INERTIA, ..scene }.pull(),
                Scene { sectors, ticks_per_second: 120.0, ..scene }.pull(),
                Scene { sectors, ticks_per_second: 480.0, ..scene }.pull(),
            ];
            for (i, other) in others.iter().enumerate() {
                let is_same = (other.share - usual.share).abs() < 0.06;
                let is_as_loaded = usual.load_un < 2_000.0 || (other.load_un / usual.load_un - 1.0).abs() < 0.25;
                assert!(is_same && is_as_loaded, "{sectors}, {:?}, {i}: {usual:?} {other:?}", scene.way_mm);
            }
        }
    }
}

/// A chop, then the chopper out and a pull with the buried tip.
fn chop_and_pull(separation_mm: f64) -> PlanSpec {
    let mut steps = common::first_chop_plan(1.7, 42.0, (0.0, 0.0), ChopKind::Vertical, separation_mm).steps;
    steps.extend([
        Manoeuvre::ChopperOut,
        Manoeuvre::Wait { seconds: 0.3 },
        Manoeuvre::Bring { place_mm: (-1.0, 0.6), height_mm: Some(0.3), speed_mm_s: 2.0 },
        Manoeuvre::Wait { seconds: 0.3 },
        Manoeuvre::Pedal { position: 1, share: 1.0, power: None },
        Manoeuvre::Withdraw { from: OutOf::Lens },
    ]);
    PlanSpec { format: 1, title: "chop and pull".to_owned(), steps }
}

fn pulls(state: &State) -> Vec<(bool, Option<HeldBy>)> {
    let pulled = |kind: &EventKind| match kind {
        EventKind::Pulled { followed, held_by, .. } => Some((*followed, *held_by)),
        _ => None,
    };
    state.events.iter().filter_map(|e| pulled(&e.kind)).collect()
}

/// A lens whose crack is not through does not follow, and the hinge is named: the crack carries more than the hold. The same
/// half, pulled the same way after the same chop opened on until it is through, does follow.
#[test]
fn a_hinged_half_does_not_follow_and_with_the_crack_completed_it_does() {
    for seed in 1..=3 {
        let model = model(&case(), seed);
        let state = run(&model, &chop_and_pull(0.35));
        assert!(state.lens.is_whole(), "seed {seed}: the crack went through");
        let seam = state.lens.seam(0).expect("an unfinished crack stays behind");
        assert!(seam.carries_un() > HOLD_UN, "seed {seed}: {} µN", seam.carries_un());
        let hinged = pulls(&state);
        assert!(!hinged.is_empty(), "seed {seed}: nothing was pulled");
        assert!(hinged.iter().all(|(followed, by)| !followed && *by == Some(HeldBy::Hinge)), "seed {seed}: {hinged:?}");
        let state = run(&model, &chop_and_pull(2.0));
        assert!(!state.lens.is_whole(), "seed {seed}: the crack is through");
        assert_eq!(pulls(&state), [(true, None)], "seed {seed}");
    }
}

/// A free half chopped again, the second crack opened by so much, then the chopper out and a pull with the buried tip.
fn chop_again_and_pull(separation_mm: f64) -> PlanSpec {
    let foot = |position| Manoeuvre::Pedal { position, share: 1.0, power: None };
    let mut steps = common::first_chop_plan(1.6, 40.0, (0.0, 0.0), ChopKind::Vertical, 2.0).steps;
    steps.extend([
        foot(1),
        Manoeuvre::Withdraw { from: OutOf::Lens },
        Manoeuvre::Turn { angle_deg: 90.0 },
        Manoeuvre::Bury {
            depth_mm: 1.4,
            angle_deg: 40.0,
            place_mm: (1.2, 0.0),
            bevel: Bevel::Up,
            speed_mm_s: 1.5,
            ultrasound: 0.3,
        },
        foot(2),
        Manoeuvre::Wait { seconds: 0.3 },
        Manoeuvre::Chop { kind: ChopKind::Vertical, ahead_mm: 0.4, aside_mm: 0.5, depth_mm: Some(1.8) },
        Manoeuvre::Separate { width_mm: separation_mm, speed_mm_s: 2.0 },
        Manoeuvre::ChopperOut,
        Manoeuvre::Wait { seconds: 0.3 },
        Manoeuvre::Bring { place_mm: (0.0, 0.6), height_mm: Some(0.6), speed_mm_s: 2.0 },
        Manoeuvre::Wait { seconds: 0.3 },
        foot(1),
    ]);
    PlanSpec { format: 1, title: "chop again and pull".to_owned(), steps }
}

/// Two quarters that still hang on each other do not follow, their hinge carrying more than the hold; pulled the same way
/// after the same chop opened until it is through, one of them does. Two seeds; with the third the free quarter is held by
/// its neighbours.
#[test]
fn two_hinged_quarters_do_not_follow_and_a_free_one_does() {
    for seed in 1..=2 {
        let model = model(&case(), seed);
        let state = run(&model, &chop_again_and_pull(0.3));
        let on_tip = state.needle.as_ref().unwrap().body;
        let seam = state.lens.seam(on_tip).expect("an unfinished crack in the half on the tip");
        assert!(seam.carries_un() > HOLD_UN, "seed {seed}: {} µN", seam.carries_un());
        let hinged = pulls(&state);
        assert!(!hinged.is_empty() && hinged.iter().all(|(followed, _)| !followed), "seed {seed}: {hinged:?}");
        let state = run(&model, &chop_again_and_pull(2.2));
        assert_eq!(state.lens.bodies().count(), 3, "seed {seed}");
        assert_eq!(pulls(&state), [(true, None)], "seed {seed}");
    }
}

/// A half that is gripped and emulsified is taken bite by bite: much more than a bore as wide as the tip and as long as the
/// piece is thick, and the more the longer.
#[test]
fn a_half_is_emulsified_bite_by_bite() {
    let model = model(&shipped("medium-uniform.ron"), 1);
    let removed_ul = |seconds: f64| {
        let mut steps = common::first_chop_plan(1.6, 40.0, (0.0, 0.0), ChopKind::Vertical, 1.8).steps;
        steps.extend([
            Manoeuvre::Pedal { position: 1, share: 1.0, power: None },
            Manoeuvre::Withdraw { from: OutOf::Lens },
            Manoeuvre::Grip { hour: Some(12), seconds: 3.0, bevel: None },
        ]);
        if seconds > 0.0 {
            steps.push(Manoeuvre::Emulsify { seconds, ultrasound: 1.0, vacuum: 1.0 });
        }
        let state = run(&model, &PlanSpec { format: 1, title: "emulsify".to_owned(), steps });
        assert!(!state.lens.is_whole(), "the chop is through");
        state.lens.removed_ul
    };
    let [none, some, more] = [0.0, 10.0, 20.0].map(removed_ul);
    let bore_ul = model.needle.section_mm2() * model.field.shape.thickness_mm();
    assert!(some > none + 1.5 * bore_ul && more > some + 0.5 * bore_ul, "{none} {some} {more}; a bore {bore_ul} µL");
}

/// The shipped plan that goes for the whole nucleus takes four fifths of it or more and leaves the capsule whole.
#[test]
fn a_plan_takes_most_of_the_nucleus() {
    let (plan, _) = corecleft::plan::read_plan(&common::path("scenarios/medium-uniform.nucleus.plan.ron")).unwrap();
    for seed in 1..=2 {
        let model = model(&shipped("medium-uniform.ron"), seed);
        let before_ul: f64 = corecleft::sim::State::new(&model).lens.nucleus_ul.iter().sum();
        let state = run(&model, &plan);
        let left_ul: f64 = state.lens.nucleus_ul.iter().sum();
        assert!(left_ul < 0.2 * before_ul && !state.is_breached, "seed {seed}: {left_ul} of {before_ul} µL");
    }
}
