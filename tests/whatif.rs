//! What-if: decisions that were planted are found, what has nothing to do with them shows nothing, and what is recommended
//! holds when it is done.
#![allow(clippy::unwrap_used, clippy::panic, reason = "a test that cannot go on fails")]

use corecleft::attempt::{Attempt, Device, Header};
use corecleft::case::{CaseSpec, Resolution, compile, parse_case};
use corecleft::debrief::whatif::change::{Change, Moment};
use corecleft::debrief::whatif::{Alternative, NoWhatIf, WhatIf, whatif};
use corecleft::debrief::{Course, Debrief};
use corecleft::plan::{Bevel, ChopKind, Manoeuvre, PlanSpec};
use corecleft::sim::Model;
use corecleft::sim::event::{EventIndex, EventKind};

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
    whatif(&case, &model, &attempt, event, REPEATS, 0, || true).unwrap()
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

#[test]
fn the_answer_is_the_same_for_any_number_of_threads_and_can_be_stopped() {
    let (case, model) = case();
    let attempt = attempt(&case, &model, &Planted { depth_mm: 0.7, ..SOUND });
    let event = event(&attempt, has_ended);
    let ask = |threads| whatif(&case, &model, &attempt, event, 3, threads, || true).unwrap();
    assert_eq!(ask(1), ask(3));
    assert_eq!(whatif(&case, &model, &attempt, event, 3, 1, || false), Err(NoWhatIf::Stopped));
}

#[test]
fn what_cannot_be_asked_is_told_with_what_can() {
    let (case, model) = case();
    let attempt = attempt(&case, &model, &SOUND);
    let ask = |event| whatif(&case, &model, &attempt, event, 3, 0, || true).unwrap_err().to_string();
    assert!(ask(999).contains("allowed: 0–"), "{}", ask(999));
    let step = event(&attempt, |kind| matches!(kind, EventKind::PedalMoved { .. }));
    assert!(ask(step).contains("a step, not an outcome; allowed:"), "{}", ask(step));
}
