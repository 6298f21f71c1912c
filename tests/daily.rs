//! One eye a day by the whole engine: what is drawn, tried, judged and kept; and how often stopping is right.
#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a helper that fails fails the test that called it")]

mod common;

use corecleft::attempt::{Expected, Prediction};
use corecleft::case::{CaseSpec, Kind};
use corecleft::daily::journal::{Journal, JournalError};
use corecleft::daily::trial::{NoTrial, Trial, Which, after, plan, told, tried};
use corecleft::daily::{Date, Day, Eye, Ratings};
use corecleft::debrief::truth::Came;
use corecleft::plan::map::{Start, outcome};
use corecleft::sim::event::EventKind;
use std::path::Path;
use std::process::{Command, Stdio};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;

fn date(text: &str) -> Date {
    text.parse().unwrap()
}

fn stated(depth_mm: f64, expected: Expected) -> Prediction {
    Prediction { tick: 0, depth_mm, angle_deg: 40.0, place_mm: (0.0, 0.0), expected }
}

/// A shipped case as an eye of a day.
fn eye(name: &str) -> Eye {
    let case = common::shipped(&format!("{name}.ron"));
    Eye { date: date("2026-11-27"), name: name.to_owned(), kind: Kind::of(&case), case, seed: 1 }
}

/// Half the core's thickness at its middle, as a careful learner would state it.
fn middle(case: &CaseSpec, expected: Expected) -> Prediction {
    let (nasal, superior, _) = case.lens.core.offset_mm;
    let toward_3 = if case.eye.side == corecleft::case::Side::Right { nasal } else { -nasal };
    let depth_mm = 0.5 * case.lens.core.thickness_mm;
    Prediction { place_mm: (toward_3, superior), ..stated(depth_mm, expected) }
}

#[test]
fn a_chop_that_was_foretold_is_without_error_and_one_beside_it_is_not() {
    let eye = eye("long-eye-dense-core");
    let right = tried(&eye, &stated(1.6, Expected::Through), 2).unwrap();
    assert_eq!((right.came(), right.error.error), (Some(Came::Through), 0.0));
    // In the very long eye a somewhat shallow tip leaves a hinge: foretold or not, the depth is off.
    let shallow = tried(&eye, &stated(1.0, Expected::Through), 2).unwrap();
    assert_eq!(shallow.came(), Some(Came::Hinged));
    assert!(!shallow.error.is_right && shallow.error.error > 0.5, "{:?}", shallow.error);
    let foretold = tried(&eye, &stated(1.0, Expected::Hinged), 2).unwrap();
    assert_eq!((foretold.came(), foretold.error.is_right), (shallow.came(), true));
    assert!(foretold.error.error > 0.0 && foretold.error.error < shallow.error.error, "{:?}", foretold.error);
    // Shallower still nothing cracks, and the depth is further off.
    let grazing = tried(&eye, &stated(0.4, Expected::Hinged), 2).unwrap();
    assert_eq!((grazing.came(), grazing.error.is_right), (Some(Came::NoCrack), false));
    assert!(grazing.error.error > shallow.error.error, "{:?}", grazing.error);
    let stopped = tried(&eye, &stated(1.6, Expected::StopAndCall), 2).unwrap();
    assert_eq!((stopped.came(), stopped.error.is_right, stopped.error.error), (None, false, 1.0));
    let far = Prediction { depth_mm: 6.0, ..stated(1.0, Expected::Through) };
    assert!(matches!(tried(&eye, &far, 2), Err(NoTrial::OutOfRange)));
}

#[test]
fn the_neighbours_are_half_a_millimetre_off_and_done_in_the_same_lens() {
    let eye = eye("off-centre-core");
    let model = common::model(&eye.case, eye.seed);
    for place_mm in [(0.0, 0.0), (0.6, -0.8)] {
        let prediction = Prediction { place_mm, ..stated(1.4, Expected::Through) };
        let trial = tried(&eye, &prediction, 2).unwrap();
        let [as_stated, shallower, deeper, peripheral] = trial.chops.each_ref().map(|done| done.cell.chop);
        assert_eq!((as_stated.depth_mm, as_stated.angle_deg, as_stated.place_mm), (1.4, 40.0, place_mm));
        assert!((shallower.depth_mm - 0.9).abs() < 1e-12 && (deeper.depth_mm - 1.9).abs() < 1e-12);
        assert_eq!((shallower.place_mm, deeper.place_mm), (place_mm, place_mm));
        let out = |(x, y): (f64, f64)| f64::hypot(x, y);
        assert!((out(peripheral.place_mm) - out(place_mm) - 0.5).abs() < 1e-9, "{:?}", peripheral.place_mm);
        for done in &trial.chops {
            let again = outcome(&eye.case, &model, &Start::fresh(&model), &done.cell.chop);
            assert_eq!(again, done.cell, "{:?}", done.which);
        }
    }
    // What is shown of a chop is that chop.
    let prediction = stated(1.4, Expected::Through);
    let trial = tried(&eye, &prediction, 2).unwrap();
    for (which, done) in Which::ALL.into_iter().zip(&trial.chops) {
        let state = common::run(&model, &plan(&eye.case, &model, &prediction, which));
        assert_eq!(after(&eye.case, &model, &prediction, which).hash(), state.hash());
        let opening = state.opening.as_ref().map(|o| corecleft::sim::chop::result(&state, o).complete);
        let ended = state.events.iter().find_map(|e| match &e.kind {
            EventKind::ChopEnded(result) => Some(result.complete),
            _ => None,
        });
        assert_eq!(ended.or(opening).unwrap_or(false), done.cell.complete, "{which:?}");
    }
}

#[test]
fn a_trial_is_the_same_for_any_number_of_threads() {
    let eye = Eye::of(date("2026-11-27"), 3, &Ratings::default());
    let prediction = middle(&eye.case, Expected::Through);
    let one = tried(&eye, &prediction, 1).unwrap();
    assert_eq!(tried(&eye, &prediction, 4).unwrap(), one);
    // How far it is is told once for every chop.
    let (count, planned) = (AtomicUsize::new(0), AtomicUsize::new(0));
    let model = common::model(&eye.case, eye.seed);
    let again = told(&eye, &model, &prediction, 2, |all| {
        count.fetch_add(1, Ordering::Relaxed);
        planned.fetch_max(all, Ordering::Relaxed);
    });
    assert_eq!(again.unwrap(), one);
    let (count, planned) = (count.into_inner(), planned.into_inner());
    assert!(count >= 4 + one.truth.depths.len() && count <= planned, "{count} of {planned}");
}

#[test]
fn a_day_is_entered_once_and_what_cannot_be_written_is_not_entered() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("daily.ron");
    let mut day = Day::open(Some(&file), date("2026-11-27"), 3).unwrap();
    let trial = tried(&day.eye, &middle(&day.eye.case, Expected::Through), 2).unwrap();
    assert!(day.enter(folder.path(), &trial).is_err(), "a folder is no file");
    assert!(day.journal.entries().is_empty());
    day.enter(&file, &trial).unwrap();
    assert!(day.enter(&file, &trial).is_err());
    let again = Day::open(Some(&file), date("2026-11-27"), 99).unwrap();
    assert_eq!(again, day, "its learner is the journal's");
    assert!(again.journal.is_open(date("2026-11-27")).is_err());
}

/// Over a hundred days some eyes are such that no chop works, and whoever stops there is right; in all others stopping is wrong.
#[test]
fn in_some_eyes_stopping_is_right_and_in_most_it_is_not() {
    let first = date("2026-01-01").days();
    let mut right_to_stop = Vec::new();
    for day in first..first + 100 {
        let eye = Eye::of(Date::from_days(day).unwrap(), 1, &Ratings::default());
        let trial = tried(&eye, &middle(&eye.case, Expected::StopAndCall), 0).unwrap();
        assert_eq!(trial.error.is_right, !trial.truth.is_choppable);
        assert_eq!(trial.error.error, if trial.truth.is_choppable { 1.0 } else { 0.0 });
        if trial.error.is_right {
            assert!(trial.chops.iter().all(|done| done.came() != Came::Through), "{}: {:?}", eye.date, trial.chops);
            right_to_stop.push((eye.kind, eye.date.to_string()));
        }
    }
    println!("stopping is right in {} of 100: {right_to_stop:?}", right_to_stop.len());
    assert!((1..=25).contains(&right_to_stop.len()), "{right_to_stop:?}");
}

fn trial(error_free: bool) -> (Eye, Trial) {
    let eye = eye("long-eye-dense-core");
    let depth = if error_free { 1.6 } else { 0.4 };
    let trial = tried(&eye, &stated(depth, Expected::Through), 2).unwrap();
    (eye, trial)
}

#[test]
fn a_journal_keeps_one_entry_a_day_and_comes_back() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("new folder").join("daily.ron");
    assert!(Journal::read(&path).unwrap().is_none());
    let mut journal = Journal::new(42);
    let (eye, good) = trial(true);
    let (_, bad) = trial(false);
    let days = ["2026-11-01", "2026-11-02", "2026-11-05", "2026-11-09", "2026-11-30"];
    for (at, day) in days.into_iter().enumerate() {
        let kind = if at % 2 == 0 { eye.kind } else { Kind::Soft };
        journal.enter(date(day), kind, if at < 3 { &bad } else { &good }).unwrap();
        journal.write(&path).unwrap();
        assert_eq!(Journal::read(&path).unwrap().as_ref(), Some(&journal));
    }
    let refused = journal.enter(date("2026-11-30"), eye.kind, &good).unwrap_err();
    assert!(matches!(refused, JournalError::DayIsOver { .. }));
    assert_eq!(refused.to_string(), "has an entry for 2026-11-30 already; allowed: one eye a day, on a later day");
    assert!(journal.enter(date("2026-11-29"), eye.kind, &good).is_err());
    assert_eq!(journal.entries().len(), 5);

    let line = journal.line();
    assert_eq!(line.len(), 5);
    assert!(line[0].error > 0.5 && line[4].error == 0.0);
    assert!(line[4].smooth < line[3].smooth && line[3].smooth < line[2].smooth, "it falls with what is foretold");
    let weeks = journal.weeks();
    let found: Vec<(String, usize)> = weeks.iter().map(|week| (week.from.to_string(), week.count)).collect();
    let wanted = [("2026-11-01", 3), ("2026-11-08", 1), ("2026-11-29", 1)].map(|(day, n)| (day.to_owned(), n));
    assert_eq!(found, wanted);
    let kinds = journal.kinds();
    assert_eq!(kinds.iter().map(|of| of.count).sum::<usize>(), 5);
    assert!(kinds.is_sorted_by(|a, b| a.misjudges >= b.misjudges));
    // The eye of a day does not change when the day is entered.
    let before = Journal::read(&path).unwrap().unwrap();
    let later = Eye::of(date("2026-11-30"), 42, &before.ratings_before(date("2026-11-30")));
    let first: Ratings = before.entries()[3].ratings;
    assert_eq!(later, Eye::of(date("2026-11-30"), 42, &first));
}

#[test]
fn a_journal_that_makes_no_sense_or_is_newer_is_refused_in_one_line() {
    let mut journal = Journal::new(1);
    let (eye, good) = trial(true);
    for day in ["2026-11-01", "2026-11-02"] {
        journal.enter(date(day), eye.kind, &good).unwrap();
    }
    let text = journal.to_text().unwrap();
    assert_eq!(Journal::from_text(&text).unwrap(), journal);
    let refused = |from: &str, to: &str| {
        assert!(text.contains(from), "{from} is not in {text}");
        let why = Journal::from_text(&text.replacen(from, to, 1)).unwrap_err().to_string();
        assert!(!why.contains('\n'), "{why}");
        why
    };
    assert_eq!(
        refused("format: 1", "format: 2"),
        "has format 2, and this program reads format 1: use the program that wrote it"
    );
    assert!(refused("2026-11-02", "2026-10-02").starts_with("makes no sense inside: 2026-10-02 does not come after"));
    assert!(refused("2026-11-02", "2026-11-31").starts_with("cannot be read: "));
    assert!(refused("error: 0.0", "error: 1.5").contains("holds a number out of range"));
    assert!(refused("error: 0.0", "error: 0.25").contains("ratings of 2026-11-01 do not follow"));
    assert!(refused("depth_mm: 1.6", "depth_mm: NaN").contains("holds a number out of range"));
    assert!(refused("came: Some(through)", "came: None").contains("holds a number out of range"));
    assert!(Journal::from_text("").is_err() && Journal::from_text(&text[..text.len() / 2]).is_err());
    // Whatever byte is damaged: read or refused, never a panic.
    for at in 0..text.len() {
        let mut bytes = text.clone().into_bytes();
        bytes[at] = b"()[]\"-9:,x"[at % 10];
        if let Ok(text) = String::from_utf8(bytes) {
            let _ = Journal::from_text(&text).map_err(|why| assert!(!why.to_string().contains('\n'), "{why}"));
        }
    }
}

/// How a child of the test is told to write a journal again and again.
const WRITES: &str = "CORECLEFT_TEST_WRITES_JOURNAL";

#[test]
fn killed_while_writing_the_journal_is_whole() {
    let (mut short, mut long) = (Journal::new(1), Journal::new(1));
    let (eye, good) = trial(true);
    for day in 0..200 {
        let date = Date::from_days(20_000 + day).unwrap();
        if day < 100 {
            short.enter(date, eye.kind, &good).unwrap();
        }
        long.enter(date, eye.kind, &good).unwrap();
    }
    if let Some(path) = std::env::var_os(WRITES) {
        loop {
            short.write(Path::new(&path)).unwrap();
            long.write(Path::new(&path)).unwrap();
        }
    }
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("daily.ron");
    let mut found = 0;
    for n in 0..20_u64 {
        let mut child = Command::new(std::env::current_exe().unwrap())
            .args(["--exact", "killed_while_writing_the_journal_is_whole"])
            .env(WRITES, &path)
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let begun = std::time::Instant::now();
        while !path.exists() && begun.elapsed() < Duration::from_secs(30) {
            std::thread::sleep(Duration::from_millis(1));
        }
        std::thread::sleep(Duration::from_micros(731 * n));
        child.kill().unwrap();
        child.wait().unwrap();
        let read = Journal::read(&path).unwrap().expect("it was there");
        assert!(read == short || read == long, "try {n}");
        found += 1;
        std::fs::remove_file(&path).unwrap();
    }
    assert_eq!(found, 20);
}

/// What a learner who always says half the core's depth at its middle would see over a hundred days: told, not asserted beyond its
/// range.
#[test]
fn the_error_of_a_fixed_habit_is_between_none_and_all() {
    let first = date("2026-06-01").days();
    let mut journal = Journal::new(5);
    for day in first..first + 60 {
        let day = Date::from_days(day).unwrap();
        let eye = Eye::of(day, journal.learner, &journal.ratings());
        let trial =
            tried(&eye, &Prediction { place_mm: (0.0, 0.0), ..middle(&eye.case, Expected::Through) }, 0).unwrap();
        journal.enter(day, eye.kind, &trial).unwrap();
    }
    let errors: Vec<f64> = journal.line().iter().map(|point| point.error).collect();
    let mean = errors.iter().sum::<f64>() / errors.len() as f64;
    println!("mean error {mean:.2}");
    for of in journal.kinds() {
        println!("{:?} {} {:?} {:.2}", of.kind, of.count, of.mean_error, of.misjudges);
    }
    assert!(mean > 0.0 && mean < 0.8, "{mean}");
}
