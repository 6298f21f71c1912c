//! Simulated trainees by the whole engine: the same attempt again, nothing known that is not seen, and skill that shows.
#![allow(clippy::unwrap_used, reason = "a helper that fails fails the test that called it")]

use corecleft::calibrate::{Design, Shard, attempts, course};
use corecleft::case::{CaseSpec, Resolution, compile, parse_case};
use corecleft::debrief::Course;
use corecleft::sim::{Inputs, Model};
use corecleft::trainee::{EXPERT, NOVICE, Trainee};
use std::fs;

fn case(name: &str, change: impl Fn(String) -> String) -> CaseSpec {
    let text = fs::read_to_string(format!("{}/scenarios/{name}.ron", env!("CARGO_MANIFEST_DIR"))).unwrap();
    parse_case("case.ron", &change(text)).unwrap().spec
}

fn model(case: &CaseSpec) -> Model {
    compile(case, 5, Resolution::default()).unwrap().model
}

/// What a trainee does, tick by tick.
fn of(case: &CaseSpec, trainee: Trainee) -> Course {
    let (course, is_cut_short) = course(case, &model(case), trainee);
    assert!(!is_cut_short);
    course
}

/// The tick in which ultrasound begins: the tip stands before the lens. Before that it touches nothing.
fn begun(inputs: &[Inputs]) -> usize {
    inputs.iter().position(|inputs| inputs.pedal.position == 3).unwrap()
}

fn inputs(course: &Course) -> Vec<Inputs> {
    course.record.inputs().collect()
}

#[test]
fn the_same_trainee_does_the_same_again_and_another_try_is_another() {
    let case = case("medium-uniform", |text| text);
    for skill in [0.1, 0.9] {
        let first = of(&case, Trainee::new(skill, 4, 0));
        let again = of(&case, Trainee::new(skill, 4, 0));
        assert_eq!(first.state.hash(), again.state.hash());
        assert_ne!(first.state.hash(), of(&case, Trainee::new(skill, 4, 1)).state.hash());
        assert_ne!(first.state.hash(), of(&case, Trainee::new(skill, 5, 0)).state.hash());
    }
}

/// A slit lamp that shows the same hides two cores: until ultrasound begins, hands and foot do the same in both, and its setting too.
#[test]
fn what_the_slit_lamp_hides_changes_nothing_before_the_tip_meets_it() {
    let as_it_is = case("misleading-slit-lamp", |text| text);
    let denser = case("misleading-slit-lamp", |text| {
        let changed = text.replace("core: (grade: 2.8,", "core: (grade: 5.0,");
        assert_ne!(changed, text);
        changed
    });
    for skill in [0.1, 0.5, 0.9] {
        let trainee = Trainee::new(skill, 11, 0);
        let (one, other) = (of(&as_it_is, trainee), of(&denser, trainee));
        let (one, other) = (inputs(&one), inputs(&other));
        let begun = begun(&one);
        assert!(begun > 240, "the tip is in the lens at once");
        assert!(one[..=begun] == other[..=begun], "of skill {skill}, one knew what could not be seen");
        assert!(one != other, "of skill {skill}, nothing came of the difference");
    }
}

#[test]
fn experts_score_more_than_novices() {
    let case = case("long-eye-dense-core", |text| text);
    let rows = attempts(&case, Design::of(60, 31), Shard::WHOLE, 2, || ()).unwrap();
    let mean = |is_one: &dyn Fn(f64) -> bool| {
        let scores: Vec<f64> = rows.iter().filter(|row| is_one(row.skill)).map(|row| row.score).collect();
        assert!(scores.len() >= 15);
        scores.iter().sum::<f64>() / scores.len() as f64
    };
    let (novices, experts) = (mean(&|skill| skill <= NOVICE), mean(&|skill| skill >= EXPERT));
    assert!(experts > novices + 10.0, "novices {novices:.1}, experts {experts:.1}");
}
