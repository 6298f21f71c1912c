//! What-if: decisions that were planted are found, what has nothing to do with them shows nothing, and what is recommended
//! holds when it is done.
#![allow(clippy::unwrap_used, clippy::panic, reason = "a test that cannot go on fails")]

mod common;

use corecleft::attempt::{Attempt, Device, Header};
use corecleft::case::{CapsuleSpec, CaseSpec, Resolution, compile, parse_case};
use corecleft::debrief::whatif::anew::anew;
use corecleft::debrief::whatif::change::Change;
use corecleft::debrief::whatif::deed::Moment;
use corecleft::debrief::whatif::near::{SIDE, near};
use corecleft::debrief::whatif::rerun::{Rerun, rerun};
use corecleft::debrief::whatif::{Alternative, NoWhatIf, Progress, WhatIf, askable, whatif};
use corecleft::debrief::{Course, Debrief};
use corecleft::plan::{Bevel, ChopKind, Manoeuvre, PlanSpec, parse_plan};
use corecleft::sim::event::{BreachBy, ChopResult, EventIndex, EventKind};
use corecleft::sim::{Model, State, step};
use std::sync::Mutex;
use std::sync::atomic::{AtomicU32, Ordering};

const CASE: &str = include_str!("../scenarios/long-eye-dense-core.ron");

/// Repetitions of each of the best changes.
const REPEATS: u32 = 12;

fn case() -> (CaseSpec, Model) {
    let spec = parse_case("long-eye-dense-core.ron", CASE).unwrap().spec;
    let model = compile(&spec, 1, Resolution::default()).unwrap().model;
    (spec, model)
}

/// A chop that is as it should be, but for what is planted.
struct Planted {
    depth_mm: f64,
    angle_deg: f64,
    /// How long the foot stays in position 3 with the tip still, s.
    lingers_s: f64,
    width_mm: f64,
}

const SOUND: Planted = Planted { depth_mm: 1.6, angle_deg: 40.0, lingers_s: 0.0, width_mm: 1.7 };

fn attempt(case: &CaseSpec, model: &Model, planted: &Planted) -> Attempt {
    let pedal = |position| Manoeuvre::Pedal { position, share: 1.0, power: None };
    let mut steps = vec![
        Manoeuvre::Set { vacuum_mmhg: Some(275.0), power: Some(0.6), bottle_cm: None, flow_ml_min: None },
        Manoeuvre::Bury {
            depth_mm: planted.depth_mm,
            angle_deg: planted.angle_deg,
            place_mm: (0.0, 0.0),
            bevel: Bevel::Up,
            speed_mm_s: 1.5,
            ultrasound: 1.0,
        },
    ];
    if planted.lingers_s > 0.0 {
        steps.push(Manoeuvre::Wait { seconds: planted.lingers_s });
    }
    steps.extend([
        pedal(2),
        Manoeuvre::Wait { seconds: 0.3 },
        Manoeuvre::Chop { kind: ChopKind::Vertical, ahead_mm: 0.5, aside_mm: 0.5, depth_mm: Some(1.6) },
        Manoeuvre::Separate { width_mm: planted.width_mm, speed_mm_s: 2.0 },
        pedal(1),
        Manoeuvre::Withdraw { from: corecleft::plan::OutOf::Lens },
    ]);
    let course = Course::of_plan(model, &PlanSpec { format: 1, title: "planted".into(), steps }).unwrap();
    let debrief = Debrief::of(&course.facts(case, model));
    let header = Header::new("long-eye-dense-core", CASE, 1, Device::Plan("planted".into()));
    course.attempt(header, &debrief)
}

/// The first event of a kind.
fn event(attempt: &Attempt, is_meant: fn(&EventKind) -> bool) -> EventIndex {
    attempt.events.iter().position(|e| is_meant(&e.kind)).unwrap() as EventIndex
}

fn ask(planted: &Planted, is_meant: fn(&EventKind) -> bool) -> WhatIf {
    let (case, model) = case();
    let attempt = attempt(&case, &model, planted);
    let event = event(&attempt, is_meant);
    whatif(&case, &model, &attempt, event, REPEATS, 0, |_| true).unwrap()
}

fn has_ended(kind: &EventKind) -> bool {
    matches!(kind, EventKind::ChopEnded(_))
}

/// The change from a moment on, beside stopping, with the largest difference.
fn best(answer: &WhatIf, moment: Moment) -> &Alternative {
    let of_moment = answer.alternatives.iter().filter(|a| a.moment == moment);
    let real = of_moment.filter(|a| !a.changes.iter().any(Change::is_stop));
    real.max_by(|a, b| a.difference.0.total_cmp(&b.difference.0)).unwrap()
}

/// Changes of these kinds show no difference that is more than chance.
fn assert_unrelated(answer: &WhatIf, whats: &[&str]) {
    let meant: Vec<_> = answer.alternatives.iter().filter(|a| whats.contains(&a.what().as_str())).collect();
    assert!(meant.len() >= whats.len(), "some of {whats:?} were not tried");
    for a in meant {
        let (_, low, high) = a.difference;
        assert!(low <= 0.0 && high >= 0.0, "{} {}: {low} to {high}", a.what(), a.value());
    }
}

#[test]
fn a_tip_buried_too_shallow_is_told_to_go_deeper() {
    let answer = ask(&Planted { depth_mm: 0.7, ..SOUND }, has_ended);
    assert_eq!(answer.unchanged[0].2.count, 0, "it went through all the same");
    // A horizontal chop would have helped later, too: it needs less hold.
    let best = best(&answer, Moment::Burying);
    let [Change::Depth(depth_mm)] = best.changes[..] else { panic!("{}: {}", best.what(), best.value()) };
    assert!(depth_mm > 1.2 && best.is_sufficient(), "{depth_mm}: {:?}", best.avoided);
    assert_unrelated(&answer, &["roll", "rotate first", "clear first", "vacuum", "bottle", "separation"]);
}

#[test]
fn a_foot_that_lingered_in_ultrasound_is_told_to_come_back_sooner() {
    let answer = ask(&Planted { lingers_s: 2.5, ..SOUND }, |kind| matches!(kind, EventKind::TipSlipped { .. }));
    let latest = &answer.alternatives[answer.latest_sufficient.unwrap()];
    assert_eq!((latest.what().as_str(), latest.moment), ("pedal", Moment::Holding));
    assert_eq!(best(&answer, Moment::Holding).what(), "pedal");
    assert_unrelated(&answer, &["depth", "tip angle", "place", "roll", "vacuum", "bottle"]);
}

#[test]
fn a_tip_that_came_near_the_capsule_is_told_to_stay_shallower() {
    let near = |kind: &EventKind| matches!(kind, EventKind::CapsuleNear { .. });
    let answer = ask(&Planted { depth_mm: 4.2, angle_deg: 58.0, ..SOUND }, near);
    let easy = &answer.alternatives[answer.earliest_easy.unwrap()];
    // At this angle two causes each suffice: less deep, or flatter.
    let suffice: Vec<String> = answer.alternatives.iter().filter(|a| a.is_sufficient()).map(|a| a.what()).collect();
    for what in ["depth", "tip angle"] {
        assert!(suffice.iter().any(|w| w == what), "{what} is not among {suffice:?}");
    }
    assert!(["depth", "tip angle"].contains(&easy.what().as_str()), "{}", easy.what());
    assert_unrelated(&answer, &["vacuum", "bottle", "rotate first"]);
}

#[test]
fn instruments_that_hardly_parted_are_told_to_part_further() {
    let answer = ask(&Planted { width_mm: 0.5, ..SOUND }, has_ended);
    let latest = &answer.alternatives[answer.latest_sufficient.unwrap()];
    assert_eq!((latest.what().as_str(), latest.moment), ("separation", Moment::Parting));
    assert_unrelated(&answer, &["depth", "tip angle", "vacuum", "bottle"]);
}

/// What is answered about the first event of a kind, in a case, after these steps.
fn asked(case: &CaseSpec, steps: &str, repeats: u32, is_meant: fn(&EventKind) -> bool) -> WhatIf {
    let model = common::model(case, 1);
    let text = format!("(format: 1, title: \"planted\", steps: [{steps}])");
    let (plan, _) = parse_plan("planted", &text).unwrap_or_else(|faults| panic!("{faults:?}"));
    let course = Course::of_plan(&model, &plan).unwrap();
    let debrief = Debrief::of(&course.facts(case, &model));
    let attempt = course.attempt(Header::new("planted", "", 1, Device::Plan("planted".into())), &debrief);
    let answer = whatif(case, &model, &attempt, event(&attempt, is_meant), repeats, 0, |_| true).unwrap();
    // Shown where a test fails.
    for (moment, _, rate) in &answer.unchanged {
        println!("{moment:?}: {}/{} without a change", rate.count, rate.of);
        for a in answer.alternatives.iter().filter(|a| a.moment == *moment) {
            println!("  {} {}: {}/{} {:?}", a.what(), a.value(), a.avoided.count, a.avoided.of, a.difference);
        }
    }
    answer
}

/// From a moment on nothing makes a larger difference than a change of this kind, and that is more than chance. All are held
/// against the same hands that changed nothing, but for what was counted once more: so shares are compared.
fn assert_found(answer: &WhatIf, moment: Moment, what: &str) {
    let is_stop = |a: &Alternative| a.changes.iter().any(Change::is_stop);
    let of_moment = answer.alternatives.iter().filter(|a| a.moment == moment && !is_stop(a) && a.difference.0 > 0.0);
    let share = |a: &&Alternative| a.avoided.share();
    let best = of_moment.clone().max_by(|a, b| share(a).total_cmp(&share(b))).unwrap();
    let found = of_moment.filter(|a| a.what() == what).max_by(|a, b| share(a).total_cmp(&share(b))).unwrap();
    assert!(share(&found) >= share(&best), "{} {} is larger than {what}", best.what(), best.value());
    assert!(found.difference.1 > 0.0, "{what}: {:?} is chance", found.difference);
    assert!(answer.latest_sufficient.is_some(), "nothing is recommended");
}

/// A first chop right through, in an even lens, and both instruments out of it.
const HALVED: &str = "Set(vacuum_mmhg: 300, power: 0.6), \
    Bury(depth_mm: 1.6, angle_deg: 40, place_mm: (0, 0), bevel: Up, speed_mm_s: 1.5, ultrasound: 1.0), \
    Pedal(position: 2), Wait(seconds: 0.3), Chop(kind: Vertical, ahead_mm: 0.4, aside_mm: 0.5, depth_mm: 2.0), \
    Separate(width_mm: 2.4, speed_mm_s: 2), Wait(seconds: 0.2), Pedal(position: 1), Withdraw,";

/// The tip buried as it should be in an even lens, and the foot back.
const BURIED: &str = "Set(vacuum_mmhg: 300, power: 0.6), \
    Bury(depth_mm: 1.4, angle_deg: 40, place_mm: (0, 0), bevel: Up, speed_mm_s: 1.5, ultrasound: 1.0), \
    Pedal(position: 2), Wait(seconds: 0.3),";

#[test]
fn a_tip_that_went_through_the_capsule_is_told_to_lie_flatter() {
    let case = common::shipped("last-piece-lax-capsule.ron");
    let steps = "Set(vacuum_mmhg: 300, power: 0.6), \
        Bury(depth_mm: 1.65, angle_deg: 45, place_mm: (0, 0), bevel: Up, speed_mm_s: 2.5, ultrasound: 1.0), \
        Pedal(position: 2), Wait(seconds: 0.5), Chop(kind: Vertical, ahead_mm: 0.4, aside_mm: 0.5, depth_mm: 1.8), \
        Separate(width_mm: 2.7, speed_mm_s: 2.0), Wait(seconds: 0.2), Pedal(position: 1), Withdraw, Pedal(position: 2), \
        Bury(depth_mm: 5, angle_deg: 60, place_mm: (0, 0), bevel: Up, speed_mm_s: 2.0, ultrasound: 1.0)";
    let answer = asked(&case, steps, 6, |k| matches!(k, EventKind::Breach { by: BreachBy::Ultrasound, .. }));
    assert_found(&answer, Moment::Burying, "tip angle");
    assert_unrelated(&answer, &["roll", "rotate first", "vacuum", "bottle"]);
}

#[test]
fn a_port_that_drew_the_capsule_in_is_told_to_lie_flatter() {
    let case = common::shipped("medium-uniform.ron");
    let steps = format!(
        "{HALVED} Set(vacuum_mmhg: 600), \
        Bury(depth_mm: 3.9, angle_deg: 60, place_mm: (0, 1.2), bevel: Up, speed_mm_s: 2.0, ultrasound: 1.0)"
    );
    let answer = asked(&case, &steps, REPEATS, |k| matches!(k, EventKind::Breach { by: BreachBy::Suction, .. }));
    assert_found(&answer, Moment::Burying, "tip angle");
    assert_unrelated(&answer, &["rotate first", "vacuum", "bottle"]);
}

#[test]
fn a_chopper_pressed_through_the_capsule_is_told_to_stay_higher() {
    let case = common::shipped("medium-uniform.ron");
    let steps = format!(
        "{BURIED} Chop(kind: Vertical, ahead_mm: 2.0, aside_mm: 2.0, depth_mm: 3.6), Separate(width_mm: 1, speed_mm_s: 2)"
    );
    let answer = asked(&case, &steps, REPEATS, |k| matches!(k, EventKind::Breach { by: BreachBy::SharpForce, .. }));
    assert_found(&answer, Moment::Holding, "reach");
    assert_unrelated(&answer, &["place", "roll", "rotate first", "vacuum", "bottle", "pedal"]);
}

#[test]
fn fluid_that_burst_the_capsule_is_told_to_be_less() {
    let mut case = common::shipped("poor-hydrodissection.ron");
    case.capsule = Some(CapsuleSpec { posterior_um: 8.0 });
    case.surgery.rhexis_mm = 4.0;
    let steps = "Hydrodissect(hour: 12, volume_ml: 0.3, seconds: 1)";
    let answer = asked(&case, steps, REPEATS, |k| matches!(k, EventKind::Breach { by: BreachBy::TrappedFluid, .. }));
    assert_found(&answer, Moment::Deciding, "volume");
    assert_unrelated(&answer, &["depth", "tip angle", "place", "roll", "vacuum", "bottle"]);
}

#[test]
fn a_needle_that_pushed_the_lens_is_told_to_use_ultrasound() {
    let case = common::shipped("weak-zonules.ron");
    let steps = "Set(vacuum_mmhg: 300, power: 0.3), \
        Bury(depth_mm: 1.6, angle_deg: 40, place_mm: (0, 0), bevel: Up, speed_mm_s: 4.0, ultrasound: 0.0)";
    let answer = asked(&case, steps, REPEATS, |k| matches!(k, EventKind::ZonulesTore { .. }));
    assert_found(&answer, Moment::Deciding, "pedal");
    assert_unrelated(&answer, &["vacuum", "bottle", "rotate first"]);
}

#[test]
fn a_chopper_that_straddled_the_rim_is_told_to_go_elsewhere_before_it_tears() {
    let case = common::shipped("medium-uniform.ron");
    let steps = format!(
        "{BURIED} Chop(kind: Vertical, ahead_mm: 3.0, aside_mm: 1.0, depth_mm: 0.6), \
        Separate(width_mm: 4, speed_mm_s: 2), Separate(width_mm: 4, speed_mm_s: 2)"
    );
    let answer = asked(&case, &steps, REPEATS, |k| matches!(k, EventKind::RimRanOut));
    assert_found(&answer, Moment::Deciding, "reach");
    assert_unrelated(&answer, &["vacuum", "bottle", "roll"]);
}

#[test]
fn a_chamber_that_fell_in_is_told_to_raise_the_bottle() {
    let case = common::shipped("medium-uniform.ron");
    let steps = "Set(bottle_cm: 10), Pedal(position: 2), Wait(seconds: 4)";
    let answer = asked(&case, steps, REPEATS, |k| matches!(k, EventKind::ChamberCollapsed));
    assert_found(&answer, Moment::Deciding, "bottle");
    assert_unrelated(&answer, &["depth", "tip angle", "place", "roll", "rotate first"]);
}

#[test]
fn an_incision_that_burnt_is_told_to_let_fluid_flow() {
    let case = common::shipped("medium-uniform.ron");
    let steps = "Set(vacuum_mmhg: 600, power: 1.0, bottle_cm: 0, flow_ml_min: 0), Pedal(position: 3), Wait(seconds: 5)";
    let answer = asked(&case, steps, REPEATS, |k| matches!(k, EventKind::IncisionHot { .. }));
    assert_found(&answer, Moment::Deciding, "bottle");
    assert_unrelated(&answer, &["depth", "tip angle", "place", "roll", "rotate first"]);
}

#[test]
fn a_piece_that_sank_could_be_kept_early_and_no_longer_late() {
    let case = common::shipped("medium-uniform.ron");
    let steps = format!(
        "{HALVED} Bury(depth_mm: 5, angle_deg: 60, place_mm: (0.5, 0.5), bevel: Up, speed_mm_s: 2.0, ultrasound: 1.0), \
        Pedal(position: 1), Withdraw(from: Eye), Wait(seconds: 16)"
    );
    let answer = asked(&case, &steps, 9, |k| matches!(k, EventKind::PieceSank { .. }));
    assert_found(&answer, Moment::Deciding, "tip angle");
    assert_eq!(answer.alternatives[answer.latest_sufficient.unwrap()].moment, Moment::Deciding);
    let late = |a: &&Alternative| a.moment != Moment::Deciding;
    assert!(answer.alternatives.iter().filter(late).count() > 10);
    for a in answer.alternatives.iter().filter(late) {
        assert!(a.difference.1 <= 0.0, "{} {} still helps: {:?}", a.what(), a.value(), a.difference);
    }
    assert_unrelated(&answer, &["vacuum", "bottle"]);
}

#[test]
fn where_each_of_two_causes_is_enough_both_must_go() {
    let answer = ask(&Planted { depth_mm: 0.6, width_mm: 0.9, ..SOUND }, has_ended);
    assert_eq!(answer.latest_sufficient, None, "one thing is enough");
    let best = answer.pairs.iter().max_by(|a, b| a.difference.0.total_cmp(&b.difference.0)).unwrap();
    assert_eq!(best.what(), "depth and separation");
    assert!(best.is_sufficient(), "{:?}", best.avoided);
}

#[test]
fn what_is_recommended_was_counted_once_more() {
    let answer = ask(&Planted { depth_mm: 0.7, ..SOUND }, has_ended);
    let a = &answer.alternatives[answer.latest_sufficient.unwrap()];
    assert_eq!((a.chosen_by.unwrap().of, a.avoided.of), (REPEATS, REPEATS));
    let again = |a: &Alternative| a.chosen_by.is_some();
    assert!(answer.alternatives.iter().any(again) && !answer.alternatives.iter().all(again));
    // Other hands have the same rate but for chance.
    let (case, model) = case();
    let attempt = attempt(&case, &model, &Planted { depth_mm: 0.7, ..SOUND });
    let seeds = |from: u64| from << 40..(from << 40) + 24;
    let rate = |from: u64, changes: &[Change]| {
        anew(&case, &model, &attempt, &answer, (a.moment, changes), seeds(from)).unwrap()
    };
    let (low, high) = rate(1, &a.changes).wilson();
    assert!(low < a.avoided.wilson().1 && a.avoided.wilson().0 < high);
    assert!(rate(1, &[]).count < 4, "it went through all the same");
    assert_eq!(rate(2, &a.changes), rate(2, &a.changes));
}

#[test]
fn the_answer_is_the_same_for_any_number_of_threads_and_can_be_stopped() {
    let (case, model) = case();
    let attempt = attempt(&case, &model, &Planted { depth_mm: 0.7, ..SOUND });
    let event = event(&attempt, has_ended);
    let ask = |threads| whatif(&case, &model, &attempt, event, 3, threads, |_| true).unwrap();
    assert_eq!(ask(1), ask(3));
    assert_eq!(whatif(&case, &model, &attempt, event, 3, 1, |_| false), Err(NoWhatIf::Stopped));
}

#[test]
fn what_cannot_be_asked_is_told_with_what_can() {
    let (case, model) = case();
    let attempt = attempt(&case, &model, &SOUND);
    let ask = |event| whatif(&case, &model, &attempt, event, 3, 0, |_| true).unwrap_err().to_string();
    assert!(ask(999).contains("allowed: 0–"), "{}", ask(999));
    let step = event(&attempt, |kind| matches!(kind, EventKind::PedalMoved { .. }));
    assert!(ask(step).contains("a step, not an outcome; allowed:"), "{}", ask(step));
}

#[test]
fn which_events_can_be_asked_about_is_known_before_any_is() {
    let (case, model) = case();
    let attempt = attempt(&case, &model, &SOUND);
    let can = askable(&attempt, || true).unwrap();
    assert_eq!(can.len(), attempt.events.len());
    assert!(can[event(&attempt, has_ended) as usize].is_ok());
    for (event, can) in can.iter().enumerate().filter(|(_, can)| can.is_err()) {
        let asked = whatif(&case, &model, &attempt, event as EventIndex, 3, 0, |_| true);
        assert_eq!(asked.err().as_ref(), can.as_ref().err());
    }
    assert!(can.iter().any(Result::is_err));
    assert_eq!(askable(&attempt, || false), None);
}

#[test]
fn how_far_it_is_is_told_and_it_can_be_stopped_half_way() {
    let (case, model) = case();
    let attempt = attempt(&case, &model, &Planted { depth_mm: 0.7, ..SOUND });
    let event = event(&attempt, has_ended);
    let told = Mutex::new(Vec::new());
    let answer = whatif(&case, &model, &attempt, event, 3, 1, |so_far: Progress| {
        told.lock().unwrap().push(so_far);
        true
    })
    .unwrap();
    let told = told.into_inner().unwrap();
    let begun: Vec<u32> = told.iter().filter(|p| p.planned > 0).map(|p| p.done).collect();
    assert!(begun.iter().copied().eq(0..answer.effort.0), "each repetition is told once, in order");
    assert!(told.iter().all(|p| p.done < p.planned || p.planned == 0), "more was done than planned");
    // What the last step did not need is known only when it is over.
    assert!(told.last().unwrap().share() > 0.75, "{:?}", told.last());
    let count = AtomicU32::new(0);
    let stopped = whatif(&case, &model, &attempt, event, 3, 2, |so_far| {
        count.fetch_max(so_far.done, Ordering::Relaxed);
        so_far.done < answer.effort.0 / 2
    });
    assert_eq!(stopped, Err(NoWhatIf::Stopped));
    assert!(count.into_inner() < answer.effort.0 - 4, "it went on after it was stopped");
}

/// The result of the first chop in a run, and the tip's depth as both began to part.
fn chopped(model: &Model, run: &Rerun) -> (ChopResult, f64, State) {
    let mut state = State::new(model);
    run.inputs.iter().for_each(|inputs| step(model, &mut state, inputs));
    let started = state.events.iter().find_map(|e| match &e.kind {
        EventKind::ChopStarted(start) => start.depth_mm,
        _ => None,
    });
    let result = state.opening.as_ref().map(|o| corecleft::sim::chop::result(&state, o));
    let ended = state.events.iter().find_map(|e| match &e.kind {
        EventKind::ChopEnded(result) => Some(*result),
        _ => None,
    });
    (ended.or(result).unwrap(), started.unwrap(), state)
}

#[test]
fn a_run_without_a_change_is_nearly_what_was_done_and_the_same_again() {
    let (case, model) = case();
    let attempt = attempt(&case, &model, &SOUND);
    let event = event(&attempt, has_ended);
    let answer = whatif(&case, &model, &attempt, event, 3, 0, |_| true).unwrap();
    let Some(EventKind::ChopEnded(was)) = attempt.events.get(event as usize).map(|e| e.kind.clone()) else { panic!() };
    let was_deep_mm = attempt.events.iter().find_map(|e| match &e.kind {
        EventKind::ChopStarted(start) => start.depth_mm,
        _ => None,
    });
    for moment in Moment::OF_A_CHOP {
        let again = || {
            let mut seen = 0;
            let run = rerun(&model, &attempt, &answer, moment, &[], |_| seen += 1, || true).unwrap();
            (run, seen)
        };
        let (run, seen) = again();
        // As far as the moment it is the attempt itself, and all that follows was seen.
        assert!(attempt.record.inputs().take(run.from as usize).eq(run.inputs[..run.from as usize].iter().cloned()));
        assert_eq!(seen, run.inputs.len() - run.from as usize + 1);
        let (result, deep_mm, state) = chopped(&model, &run);
        assert!((deep_mm - was_deep_mm.unwrap()).abs() < 0.15, "{moment:?}: {deep_mm} mm deep");
        assert!((result.core_fraction_cracked - was.core_fraction_cracked).abs() < 0.05, "{moment:?}: {result:?}");
        assert_eq!(result.complete, was.complete, "{moment:?}");
        assert_eq!(again(), (run.clone(), seen));
        assert_eq!(chopped(&model, &run).2.hash(), state.hash());
    }
    assert_eq!(rerun(&model, &attempt, &answer, Moment::Burying, &[], |_| (), || false), None);
}

#[test]
fn a_run_with_the_change_that_suffices_comes_out_otherwise() {
    let (case, model) = case();
    let attempt = attempt(&case, &model, &Planted { width_mm: 0.5, ..SOUND });
    let event = event(&attempt, has_ended);
    let answer = whatif(&case, &model, &attempt, event, REPEATS, 0, |_| true).unwrap();
    let best = &answer.alternatives[answer.latest_sufficient.unwrap()];
    let run = |changes: &[Change]| rerun(&model, &attempt, &answer, best.moment, changes, |_| (), || true).unwrap();
    assert!(!chopped(&model, &run(&[])).0.complete);
    assert!(chopped(&model, &run(&best.changes)).0.complete, "{} {}", best.what(), best.value());
}

#[test]
fn the_map_around_a_decision_holds_the_choice_and_can_be_stopped() {
    let (case, model) = case();
    let attempt = attempt(&case, &model, &Planted { depth_mm: 0.7, angle_deg: 12.0, ..SOUND });
    let event = event(&attempt, has_ended);
    let answer = whatif(&case, &model, &attempt, event, 3, 0, |_| true).unwrap();
    let map = |threads| near(&case, &model, &attempt, &answer, threads, |_| true).unwrap();
    let found = map(1);
    assert_eq!(found, map(3));
    assert_eq!(found.cells.len(), SIDE * SIDE);
    let (depth_mm, angle_deg) = found.chosen;
    let holds = |values: &[f64], chosen: f64, step: f64| {
        values[0] <= chosen + step && chosen <= values[values.len() - 1] + step && values.is_sorted()
    };
    assert!(holds(&found.wanted.rows.values, depth_mm, 0.03) && holds(&found.wanted.columns.values, angle_deg, 0.5));
    assert!((found.wanted.chop.vacuum_mmhg - 275.0).abs() < 1.0, "{}", found.wanted.chop.vacuum_mmhg);
    // Deep enough at some angle it goes through, at the choice it did not.
    assert!(found.cells.iter().any(|c| c.complete) && found.cells.iter().any(|c| !c.complete));
    assert_eq!(near(&case, &model, &attempt, &answer, 2, |so_far| so_far.done < 5), None);
}
