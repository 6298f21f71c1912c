//! The outcome maps of a debrief, computed by the whole engine: the same for any number of threads, beginning where the learner
//! stood, with the learner's own choice in them; and none where there was no chop.
#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test that cannot go on fails")]

use corecleft::case::{CaseSpec, Resolution, compile, read_case};
use corecleft::debrief::maps::{ChopMaps, Maps, Wanted};
use corecleft::debrief::{Course, Debrief};
use corecleft::plan::map::Quantity;
use corecleft::plan::{ChopKind, Manoeuvre, PlanSpec, read_plan};
use corecleft::sim::Model;
use std::path::Path;

fn long_eye() -> (CaseSpec, Model) {
    let case = read_case(&Path::new(env!("CARGO_MANIFEST_DIR")).join("scenarios/long-eye-dense-core.ron")).unwrap();
    // Coarser cells than usual: what is asked here does not hang on them, and there are many chops.
    let resolution = Resolution { cell_mm: 0.45, ..Resolution::default() };
    let model = compile(&case.spec, 1, resolution).unwrap().model;
    (case.spec, model)
}

fn plan(which: &str) -> PlanSpec {
    let name = format!("scenarios/long-eye-dense-core.{which}.plan.ron");
    read_plan(&Path::new(env!("CARGO_MANIFEST_DIR")).join(name)).unwrap().0
}

fn maps(case: &CaseSpec, model: &Model, plan: &PlanSpec, threads: usize) -> Maps {
    let course = Course::of_plan(model, plan).unwrap();
    let debrief = Debrief::of(&course.facts(case, model));
    let wanted = Wanted::of(case, model, &course.record, &debrief);
    let (count, done) = (wanted.count(), std::sync::atomic::AtomicUsize::new(0));
    let maps = wanted.computed(case, model, threads, || {
        done.fetch_add(1, std::sync::atomic::Ordering::Relaxed);
    });
    assert_eq!(done.into_inner(), count, "what is announced is what is computed");
    maps.unwrap()
}

fn drawn(maps: Maps) -> ChopMaps {
    let Maps::Drawn(maps) = maps else { panic!("{maps:?}") };
    *maps
}

#[track_caller]
fn assert_holds_its_own_choice(maps: &ChopMaps) {
    for map in &maps.maps {
        for axis in [&map.request.rows, &map.request.columns] {
            let own = maps.yours.value(axis.quantity);
            let (first, last) = (axis.values[0], *axis.values.last().unwrap());
            assert!((first..=last).contains(&own), "{:?}: {own} in {first} to {last}", axis.quantity);
            assert!(axis.values.windows(2).all(|pair| pair[0] < pair[1]), "{axis:?}");
        }
        assert_eq!(map.cells.len(), map.request.rows.values.len() * map.request.columns.values.len());
    }
}

#[test]
fn the_maps_of_a_chop_are_the_same_for_any_number_of_threads_and_hold_the_learners_choice() {
    let (case, model) = long_eye();
    let one = maps(&case, &model, &plan("good"), 1);
    assert_eq!(one, maps(&case, &model, &plan("good"), 3));
    let maps = drawn(one);
    assert_holds_its_own_choice(&maps);
    // What the plan says.
    let yours = &maps.yours;
    assert_eq!(yours.kind, ChopKind::Vertical);
    assert!((yours.depth_mm - 1.6).abs() < 0.2 && (yours.angle_deg - 40.0).abs() < 1.0, "{yours:?}");
    assert!((yours.separation_mm - 1.7).abs() < 0.15, "{yours:?}");
    let set = plan("good").steps.iter().find_map(|step| match step {
        Manoeuvre::Set { vacuum_mmhg, .. } => *vacuum_mmhg,
        _ => None,
    });
    assert!((yours.vacuum_mmhg - set.unwrap()).abs() < 1.0, "{yours:?}, {set:?}");
    let quantities = maps.maps.each_ref().map(|map| (map.request.rows.quantity, map.request.columns.quantity));
    assert_eq!(
        quantities,
        [(Quantity::Depth, Quantity::Angle), (Quantity::Depth, Quantity::Vacuum), (Quantity::PlaceY, Quantity::PlaceX)]
    );
    // A good plan goes through, and so does the same choice in the map.
    assert!(maps.went_through && maps.same.complete, "{:?}", maps.same);
    assert_eq!(maps.compared(), None);
    // Deep enough is not every depth: the map has both.
    let through = maps.maps[0].cells.iter().filter(|c| c.is_reachable && c.complete).count();
    assert!((5..80).contains(&through), "{through}");
}

#[test]
fn a_choice_beyond_the_usual_range_widens_the_maps() {
    let (case, model) = long_eye();
    let mut far = plan("good");
    for step in &mut far.steps {
        match step {
            Manoeuvre::Set { vacuum_mmhg, .. } => *vacuum_mmhg = Some(640.0),
            Manoeuvre::Bury { depth_mm, angle_deg, .. } => (*depth_mm, *angle_deg) = (0.15, 64.0),
            _ => {}
        }
    }
    let maps = drawn(maps(&case, &model, &far, 2));
    assert_holds_its_own_choice(&maps);
    assert!(maps.yours.angle_deg > 60.0, "{:?}", maps.yours);
    let axis = |i: usize| maps.maps[i].request.columns.values.last().copied().unwrap();
    assert_eq!(axis(0), 65.0);
    assert!(!maps.went_through);
}

#[test]
fn without_a_chop_there_is_no_map() {
    let (case, model) = long_eye();
    let idle = PlanSpec { format: 1, title: "Idle".into(), steps: vec![Manoeuvre::Wait { seconds: 0.1 }] };
    assert_eq!(maps(&case, &model, &idle, 1), Maps::NoChop);
}
