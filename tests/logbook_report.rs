//! What the record shows of learning, counted by hand: which attempts count, what curves and charts come to, what a report says.
#![cfg(feature = "logbook")]
#![allow(clippy::unwrap_used, reason = "a helper that fails fails the test that called it")]

#[path = "common/cohort.rs"]
mod cohort;

use cohort::{Invented, hand, hand_in, learner, made, person};
use corecleft::attempt::Device;
use corecleft::calibrate::{self, Calibration, Design, Shard};
use corecleft::case::{Resolution, SHIPPED, compile, parse_case};
use corecleft::debrief::{Course, Debrief, Status};
use corecleft::logbook::analysis::cohort::{Cohort, in_blocks, outcomes, together};
use corecleft::logbook::analysis::course::by_device;
use corecleft::logbook::analysis::measure::COMPONENTS;
use corecleft::logbook::analysis::{Depth, Designs, Measure, Stated, Wanted, difficulty};
use corecleft::logbook::entry::Purpose;
use corecleft::logbook::{Logbook, Opening, Pseudonym};
use corecleft::plan::parse_plan;
use corecleft::statistics::funnel::Standing;
use corecleft::statistics::rate::Rate;
use serde_json::Value;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

/// A case whose difficulty nobody knows.
const STRANGE: (&str, &str) = ("strange", "()");

struct Store {
    folder: tempfile::TempDir,
}

impl Store {
    fn new() -> Self {
        Self { folder: tempfile::tempdir().unwrap() }
    }

    fn path(&self) -> PathBuf {
        self.folder.path().join("test.logbook")
    }

    fn beside(&self, name: &str) -> String {
        self.folder.path().join(name).to_str().unwrap().to_owned()
    }

    fn add(&self, who: &Pseudonym, purpose: Purpose, all: &[Invented]) {
        hand_in(&mut made(&self.path()), "Room 1", who, purpose, all);
    }

    fn run(&self, arguments: &[&str]) -> Output {
        let store = self.path();
        let all: Vec<&str> = ["logbook"]
            .into_iter()
            .chain(arguments.iter().copied())
            .chain(["--store", store.to_str().unwrap()])
            .collect();
        Command::new(env!("CARGO_BIN_EXE_corecleft")).args(all).output().unwrap()
    }

    fn curve(&self, who: &Pseudonym, arguments: &[&str]) -> Value {
        let all = [&["curve", "--json", "--trainee", who.as_str()], arguments].concat();
        let output = self.run(&all);
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        serde_json::from_slice(&output.stdout).unwrap()
    }

    fn report(&self, name: &str, arguments: &[&str]) -> String {
        let file = self.beside(name);
        let output = self.run(&[&["report", "--out", &file], arguments].concat());
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        std::fs::read_to_string(file).unwrap().replace('\u{a0}', " ")
    }

    fn line_of_error(&self, arguments: &[&str]) -> String {
        let output = self.run(arguments);
        let said = String::from_utf8(output.stderr).unwrap();
        assert_eq!(output.status.code(), Some(2), "{said}");
        assert!(output.stdout.is_empty());
        assert_eq!(said.lines().count(), 1, "{said:?}");
        said.trim_end().to_owned()
    }
}

/// Attempts at a case of no known difficulty, passed or not, a day after another.
fn passes(results: &str) -> Vec<Invented> {
    let attempt = |(seed, result): (u64, char)| Invented { case: STRANGE, ..Invented::plain(seed, result == '+') };
    (1..).zip(results.chars()).map(attempt).collect()
}

fn numbers(of: &Value, key: &str) -> Vec<f64> {
    of.as_array().unwrap().iter().map(|point| point[key].as_f64().unwrap()).collect()
}

fn keys(of: &Value) -> BTreeSet<&str> {
    of.as_object().unwrap().keys().map(String::as_str).collect()
}

fn near(found: &[f64], wanted: &[f64]) {
    assert_eq!(found.len(), wanted.len(), "{found:?}");
    for (found, wanted) in found.iter().zip(wanted) {
        assert!((found - wanted).abs() < 1e-4, "{found} instead of {wanted}");
    }
}

/// p0 0.2, p1 0.4, α = β = 0.1: s = 0.2933, h = 2.2402. For competence p0 0.1, p1 0.2: ln(0.9/0.8) = 0.1178, ln(0.1/0.2) = −0.6931.
#[test]
fn charts_of_nine_attempts_come_out_as_counted_by_hand() {
    let (store, who) = (Store::new(), person(1));
    store.add(&who, Purpose::Assessment, &passes("--+-++-+-"));
    let told = store.curve(&who, &["--component", "pass", "--p0", "0.2", "--p1", "0.4"]);
    let sums = [0.7067, 1.4134, 1.1201, 1.8268, 1.5335, 1.2402, 1.9469, 1.6536, 2.3603];
    near(&numbers(&told["cusum"], "value"), &sums);
    let crossed: Vec<_> = told["cusum"].as_array().unwrap().iter().map(|point| point["crossed"].as_str()).collect();
    assert_eq!(crossed[8], Some("unacceptable"));
    assert!(crossed[..8].iter().all(Option::is_none));
    assert_eq!(told["cusum_design"]["adjusted"], false);
    near(
        &[told["cusum_design"]["upper"].as_f64().unwrap(), told["cusum_design"]["lower"].as_f64().unwrap()],
        &[2.2402, -2.2402],
    );
    let told = store.curve(&who, &["--component", "pass", "--p0", "0.1", "--p1", "0.2"]);
    near(&numbers(&told["lc_cusum"], "value"), &[0.0, 0.0, 0.1178, 0.0, 0.1178, 0.2356, 0.0, 0.1178, 0.0]);
    // The published limit for 50 attempts and 5 %.
    let limit = told["lc_cusum_design"]["limit_shown"].as_f64().unwrap();
    assert!((limit - 2.840).abs() < 0.0015, "{limit}: limits are thousandths");
    assert_eq!(told["lc_cusum_design"]["shown_at"], Value::Null);
}

#[test]
fn a_curve_has_the_promised_shape_and_leaves_nothing_out() {
    let (store, who) = (Store::new(), person(1));
    store.add(&who, Purpose::Assessment, &learner(1, 30, &hand("mouse")));
    for component in Measure::all().map(|measure| measure.id()) {
        let told = store.curve(&who, &["--component", component]);
        for key in [
            "trainee",
            "component",
            "device",
            "points",
            "cusum",
            "cusum_design",
            "lc_cusum",
            "lc_cusum_design",
            "refusal",
            "others",
        ] {
            assert!(keys(&told).contains(key), "{component}: {key}");
        }
        assert_eq!((told["trainee"].as_str(), told["component"].as_str()), (Some(who.as_str()), Some(component)));
        let points = told["points"].as_array().unwrap();
        assert_eq!(points.len(), 30, "{component}");
        for (n, point) in (1_u64..).zip(points) {
            assert!(["n", "t", "value", "low", "high"].iter().all(|key| keys(point).contains(key)));
            assert_eq!(point["n"].as_u64(), Some(n));
            assert!(point["t"].as_str().unwrap().ends_with('Z'));
            let [value, low, high] = ["value", "low", "high"].map(|key| point[key].as_f64());
            match told["refusal"].as_str() {
                // Before the first and after the last attempt in which it applied nothing is drawn.
                None => assert!(value.is_none() || (low <= value && value <= high), "{component}: {point}"),
                Some(_) => assert_eq!((value, low, high), (None, None, None)),
            }
        }
        if ["score", "prediction-error"].contains(&component) {
            assert_eq!((&told["cusum"], &told["lc_cusum"]), (&Value::Null, &Value::Null));
        }
    }
    let pass = store.curve(&who, &["--component", "pass"]);
    assert_eq!(pass["refusal"], Value::Null);
    assert!(pass["cusum_design"]["adjusted"] == true && pass["points"][0]["value"].is_f64());
}

/// The curve of breaches is one of harm, and the smaller the better.
#[test]
fn a_breach_is_counted_as_harm() {
    let (store, who) = (Store::new(), person(1));
    let mut all = passes("----++++++++");
    all[..4].iter_mut().for_each(|attempt| attempt.breach = true);
    store.add(&who, Purpose::Assessment, &all);
    let told = store.curve(&who, &["--component", "breach"]);
    let points = &told["points"];
    assert_eq!((points[0]["result"].as_f64(), points[11]["result"].as_f64()), (Some(1.0), Some(0.0)));
    assert!(points[0]["value"].as_f64().unwrap() > 0.6 && points[11]["value"].as_f64().unwrap() < 0.2, "{points}");
    let page =
        String::from_utf8(store.run(&["curve", "--trainee", who.as_str(), "--component", "breach"]).stdout).unwrap();
    let page = page.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        page.contains("Simulated breach") && page.contains("4 in 12 attempts") && page.contains("No single score"),
        "{page}"
    );
}

#[test]
fn the_first_attempt_on_an_eye_counts_and_practice_and_devices_stay_apart() {
    let (store, who) = (Store::new(), person(1));
    let on = |seed: u64, day: i64, device: &str| Invented {
        day,
        device: hand(device),
        score: 80.0 + day as f64,
        ..Invented::plain(seed, true)
    };
    // Eye 1 was practised before it was assessed, eye 2 assessed twice.
    store.add(&who, Purpose::Practice, &[on(1, 1, "mouse")]);
    store.add(&who, Purpose::Assessment, &[on(1, 2, "mouse"), on(2, 3, "mouse")]);
    store.add(
        &who,
        Purpose::Assessment,
        &[Invented { pass: false, ..on(2, 4, "mouse") }, on(3, 5, "pedal"), on(4, 6, "mouse")],
    );
    let counted = |arguments: &[&str]| {
        let told = store.curve(&who, &[&["--component", "pass"], arguments].concat());
        let others: Vec<u64> =
            told["others"].as_array().unwrap().iter().map(|o| o["attempts"].as_u64().unwrap()).collect();
        (told["device"].as_str().unwrap().to_owned(), told["attempts"].as_u64().unwrap(), others)
    };
    let mouse = "mouse".to_owned();
    assert_eq!(counted(&[]), (mouse.clone(), 2, vec![1]), "eyes 2 and 4; eye 3 with the pedal");
    assert_eq!(counted(&["--device", "pedal"]), ("pedal".to_owned(), 1, vec![]));
    assert_eq!(counted(&["--all"]), (mouse.clone(), 4, vec![1]));
    assert_eq!(counted(&["--purpose", "practice"]), (mouse.clone(), 1, vec![]));
    assert_eq!(counted(&["--purpose", "both"]), (mouse.clone(), 3, vec![1]));
    assert_eq!(counted(&["--purpose", "both", "--all"]), (mouse, 5, vec![1]));
    let page =
        String::from_utf8(store.run(&["curve", "--trainee", who.as_str(), "--component", "pass"]).stdout).unwrap();
    let page = page.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(page.contains("Left out: 2 later on an eye seen before, 1 practice."), "{page}");
    assert!(page.contains("Done with 2 devices, each told by itself: mouse, pedal."), "{page}");
}

/// Another version computes another eye: the newest counts, or the one that is asked for, or all where that is asked for.
#[test]
fn attempts_of_several_engines_are_not_pooled_unasked() {
    let (store, who) = (Store::new(), person(1));
    let on = |seed: u64, engine: &'static str| Invented { engine: Some(engine), ..Invented::plain(seed, true) };
    // 0.10 is newer than 0.9, though a text would come before; the practice of a newer engine does not count here.
    store.add(&who, Purpose::Assessment, &[on(1, "0.9.0+3"), on(2, "0.9.0+3"), on(3, "0.10.0+4"), on(4, "0.9.0+11")]);
    store.add(&who, Purpose::Practice, &[on(5, "0.11.0+1")]);
    let counted = |arguments: &[&str]| {
        let of_one = store.curve(&who, &[&["--component", "pass"], arguments].concat());
        let all = store.run(&[&["curve", "--json", "--component", "pass"], arguments].concat());
        let all: Value = serde_json::from_slice(&all.stdout).unwrap();
        let told =
            |of: &Value| (of["attempts"].as_u64().unwrap(), of["engines"].clone(), of["left_out"]["engine"].as_u64());
        assert_eq!(told(&of_one), told(&all), "by both ways");
        let (attempts, engines, left_out) = told(&all);
        (attempts, engines.to_string(), left_out.unwrap())
    };
    assert_eq!(counted(&[]), (1, r#"["0.10.0+4"]"#.to_owned(), 3));
    assert_eq!(counted(&["--engine", "0.9.0+3"]), (2, r#"["0.9.0+3"]"#.to_owned(), 2));
    assert_eq!(counted(&["--engine", "all"]), (4, r#"["0.10.0+4","0.9.0+11","0.9.0+3"]"#.to_owned(), 0));
    assert_eq!(counted(&["--purpose", "both"]), (1, r#"["0.11.0+1"]"#.to_owned(), 4));

    let page = store.run(&["curve", "--trainee", who.as_str(), "--component", "pass"]).stdout;
    let page = String::from_utf8(page).unwrap().split_whitespace().collect::<Vec<_>>().join(" ");
    let newest =
        "Computed by engine 0.10.0+4, the newest of these; left out: 3 attempts of other versions (0.9.0+11, 0.9.0+3)";
    assert!(page.contains(newest), "{page}");
    assert!(store.report("newest.html", &[]).contains(newest));
    assert!(
        store
            .report("all.html", &["--engine", "all"])
            .contains("Computed by 3 versions of the engine, counted together as asked")
    );
    let line = store.line_of_error(&["curve", "--component", "pass", "--engine", "0.8.0+1"]);
    assert!(line.contains("allowed: another --purpose, or --engine 0.10.0+4 or 0.9.0+11 or 0.9.0+3"), "{line}");
    let listed = String::from_utf8(store.run(&["list"]).stdout).unwrap();
    assert_eq!(listed.matches("by engine 0.9.0+3").count(), 2, "{listed}");
}

/// Days are of universal time, and the first and the last count. Attempts of `passes` are done at 15:06:40 of 2025-06-16 and of the
/// days after it.
#[test]
fn a_span_of_days_and_a_group_can_be_set_beside_others() {
    let store = Store::new();
    for who in 1..=3 {
        let mut all = passes(if who == 3 { "----" } else { "++++" });
        for attempt in &mut all {
            attempt.seed += 10 * (who - 1);
            attempt.day = attempt.seed as i64;
        }
        store.add(&person(who), Purpose::Assessment, &all);
    }
    let names = store.beside("names.csv");
    let line = |who: u64, group: &str| format!("{},Invented Person {who},{group}\n", person(who));
    let text = format!("pseudonym,name,group\n{}{}{}", line(1, "north"), line(2, "north"), line(4, "south"));
    std::fs::write(&names, text).unwrap();
    let counted = |arguments: &[&str]| {
        let output = store.run(&[&["curve", "--json", "--component", "pass"], arguments].concat());
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        let told: Value = serde_json::from_slice(&output.stdout).unwrap();
        (told["attempts"].as_u64().unwrap(), told["left_out"]["days"].as_u64().unwrap())
    };
    assert_eq!(counted(&[]), (12, 0));
    assert_eq!(counted(&["--from", "2025-06-18"]), (10, 2), "16 to 19, 26 to 29 of June, 6 to 9 of July");
    assert_eq!(counted(&["--from", "2025-06-18", "--to", "2025-06-26"]), (3, 9));
    assert_eq!(counted(&["--to", "2025-06-16"]), (1, 11));
    let north = ["--names", &names, "--group", "north"];
    assert_eq!(counted(&north), (8, 0));
    assert_eq!(
        counted(&[&north[..], &["--from", "2025-06-20"]].concat()),
        (4, 4),
        "left out are attempts of the same people"
    );

    let page = String::from_utf8(store.run(&[&["curve", "--component", "pass"], &north[..]].concat()).stdout).unwrap();
    let page = page.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(page.starts_with("Group north: Passed") && page.contains("of the 2 trainees of group north: 8."), "{page}");
    let report = store.report("north.html", &[&north[..], &["--from", "2025-06-17"]].concat());
    assert!(
        report.contains("<h1>Group north</h1>") && report.contains("done on 2025-06-17 or later, of the 2 trainees")
    );
    assert!(
        !report.contains(person(3).as_str()) && !report.contains("Invented Person") && !report.contains("By group")
    );
    let beside = store.report("beside.html", &["--names", &names]);
    is_self_contained(&beside);
    let table = beside.split("By group").nth(1).unwrap().split("</table>").next().unwrap();
    let rows: Vec<Vec<&str>> = table
        .split("<tr>")
        .skip(2)
        .map(|row| row.split("</t").map(|cell| cell.rsplit('>').next().unwrap()).take(4).collect())
        .collect();
    assert_eq!(rows, [["north", "2", "8", "100 (68–100)"], ["in none", "1", "4", "0 (0–49)"]]);

    let refused = |arguments: &[&str]| store.line_of_error(&[&["curve", "--component", "pass"], arguments].concat());
    for (arguments, said) in [
        (&["--from", "2025-02-29"][..], "is no date; allowed: a day of the calendar such as 2026-11-27"),
        (&["--to", "yesterday"], "is no date; allowed"),
        (
            &["--from", "2025-07-01", "--to", "2025-06-30"],
            "--from 2025-07-01 lies after --to 2025-06-30; allowed: the earlier day first",
        ),
        (&["--from", "2026-01-01"], "holds no attempt of it that counts; allowed: other days"),
        (&["--names", &names, "--group", "east"], "--group east: there is none of that name; allowed: north, south"),
        (&["--names", &names], "--names is there and no --group; allowed: north, south"),
        (&["--names", &names, "--group", "south"], "holds no attempt of group south that counts; allowed: "),
        (
            &["--names", &store.beside("none.csv"), "--group", "east"],
            "none.csv: is not there; allowed: the file that `logbook people` keeps",
        ),
    ] {
        let line = refused(arguments);
        assert!(line.contains(said), "{line}");
    }
}

/// Three people at two stations: passed 1 of 4, 2 of 4 and 4 of 4; division missed in 5 of 8, hold in 1 of 4.
#[test]
fn a_cohort_s_numbers_are_those_counted_by_hand() {
    let store = Store::new();
    let mut book = made(&store.path());
    let with = |results: &str, components: &[(&'static str, &str)], first: u64| -> Vec<Invented> {
        let mut all = passes(results);
        for (at, attempt) in all.iter_mut().enumerate() {
            attempt.seed += first;
            for (id, met) in components {
                let score = if met.as_bytes()[at] == b'+' { 1.0 } else { 0.5 };
                attempt.components.push((id, Some(score)));
            }
        }
        all
    };
    let mut first = with("-+--", &[("division", "-+--"), ("purchase", "+-++")], 0);
    first[0].breach = true;
    first[0].prediction_error = Some(0.8);
    first[1].prediction_error = Some(0.2);
    hand_in(&mut book, "Room 1", &person(1), Purpose::Assessment, &first);
    hand_in(&mut book, "Room 1", &person(2), Purpose::Assessment, &with("-+-+", &[("division", "-+-+")], 10));
    hand_in(&mut book, "Room 2", &person(3), Purpose::Assessment, &with("++++", &[], 20));
    let found = book.done(&Wanted::default(), Depth::Everything).unwrap();
    let own: Vec<_> = found.attempts.iter().collect();
    let cohort = Cohort::of("mouse", &own, &Stated::default(), &mut Designs::default());
    assert_eq!((cohort.tally.passed, cohort.tally.breached), (Rate { count: 7, of: 12 }, Rate { count: 1, of: 12 }));
    let of = |who: u64| cohort.people.iter().find(|found| found.trainee == person(who).as_str()).unwrap();
    assert_eq!([1, 2, 3].map(|who| of(who).tally.passed.count), [1, 2, 4]);
    assert_eq!(of(1).tally.prediction_error, Some((0.5, 2)));
    assert_eq!(of(1).tally.score, Some(0.25 * (40.0 + 90.0 + 40.0 + 40.0)));
    assert!(cohort.people.iter().all(|person| person.standing == Some(Standing::Within)), "four attempts say little");
    let missed: Vec<_> =
        cohort.missed.iter().map(|missed| (missed.component.id, missed.rate, missed.trainees)).collect();
    let rate = |count, of| Rate { count, of };
    assert_eq!(missed, [("division", rate(5, 8), rate(2, 2)), ("purchase", rate(1, 4), rate(0, 1))]);
    let stations: Vec<_> =
        cohort.stations.iter().map(|part| (part.name.as_str(), part.trainees, part.tally.passed.count)).collect();
    assert_eq!(stations, [("Room 1", 2, 3), ("Room 2", 1, 4)]);
    // At the second attempt all three passed, at the first one.
    let points = together(Measure::Pass, &outcomes(Measure::Pass, &own));
    assert_eq!(points.iter().map(|point| (point.n, point.of)).collect::<Vec<_>>(), [(1, 3), (2, 3), (3, 3), (4, 3)]);
    near(&points.iter().map(|point| point.value).collect::<Vec<_>>(), &[1.0 / 3.0, 1.0, 1.0 / 3.0, 2.0 / 3.0]);
    near(
        &together(Measure::Breach, &outcomes(Measure::Breach, &own))
            .iter()
            .map(|point| point.value)
            .collect::<Vec<_>>(),
        &[1.0 / 3.0, 0.0, 0.0, 0.0],
    );
    // Scores 40, 40, 90 at the first attempt: mean 56.67, standard error 16.67, t of 2 degrees 4.303; cut to the range.
    let score = together(Measure::Score, &outcomes(Measure::Score, &own))[0];
    near(&[score.value, score.low, score.high], &[56.6667, 0.0, 100.0]);
    // Two attempts together: 4 of 6 passed, then 3; of scores each one's mean counts, 65, 65, 90 and 40, 65, 90.
    let told = |measure| in_blocks(measure, &outcomes(measure, &own), 2);
    let blocks = told(Measure::Pass);
    assert_eq!(blocks.iter().map(|point| (point.n, point.of)).collect::<Vec<_>>(), [(1, 3), (3, 3)]);
    near(&blocks.iter().map(|point| point.value).collect::<Vec<_>>(), &[4.0 / 6.0, 0.5]);
    near(&[blocks[1].low, blocks[1].high], &[0.18762, 0.81238]);
    near(&told(Measure::Score).iter().map(|point| point.value).collect::<Vec<_>>(), &[220.0 / 3.0, 65.0]);
}

/// The short way to a curve of all together reads less, and leads to the same.
#[test]
fn a_curve_of_all_together_is_the_same_by_both_ways() {
    let store = Store::new();
    let mut book = made(&store.path());
    for who in 0..7 {
        let device = hand(["mouse", "pedal"][who as usize % 2]);
        let purpose = if who == 6 { Purpose::Practice } else { Purpose::Assessment };
        hand_in(&mut book, "Room 1", &person(who), purpose, &learner(who, 9 + who, &device));
    }
    let wanted = Wanted::default();
    for measure in Measure::all() {
        let found = book.done(&wanted, Depth::of(measure)).unwrap();
        let (counted, short) = book.outcomes(&wanted, measure).unwrap();
        assert_eq!((found.counted, short.len()), (counted, 2), "{measure}");
        for (short, (device, own)) in short.iter().zip(by_device(&found.attempts)) {
            let long = together(measure, &outcomes(measure, &own));
            assert_eq!((short.device.as_str(), long.len()), (device.as_str(), together(measure, &short.people).len()));
            for (a, b) in long.iter().zip(together(measure, &short.people)) {
                assert!((a.n, a.of) == (b.n, b.of), "{measure}");
                near(&[a.value, a.low, a.high], &[b.value, b.low, b.high]);
            }
        }
    }
}

/// Of people who are all alike, one who never passes lies far below the limits.
#[test]
fn who_stands_out_is_seen() {
    let store = Store::new();
    let mut book = made(&store.path());
    for who in 0..8 {
        let results = if who == 5 { "-".repeat(30) } else { "++-".repeat(10) };
        let mut all = passes(&results);
        all.iter_mut().for_each(|attempt| attempt.seed += 100 * who);
        hand_in(&mut book, "Room 1", &person(who), Purpose::Assessment, &all);
    }
    drop(book);
    let document = store.report("cohort.html", &["--cohort"]);
    assert!(
        document.contains(&format!("by the 99.8 % limits {}; by the 95 % limits alone nobody", person(5))),
        "named in words"
    );
    assert_eq!(document.matches("◆ far below").count(), 1);
    assert_eq!(document.matches("<polygon class=\"diamond\"").count(), 1, "and marked in the chart");
}

fn is_self_contained(document: &str) {
    for outside in ["http:", "https:", "//cdn", "src=", "href=", "url(", "@import", "<link", "<iframe"] {
        assert!(!document.contains(outside), "{outside}");
    }
    assert!(!document.contains("NaN") && !document.contains("inf "), "a number that is none");
    let ids: Vec<&str> = document.split(" id=\"").skip(1).map(|rest| rest.split('"').next().unwrap()).collect();
    assert_eq!(ids.len(), ids.iter().collect::<BTreeSet<_>>().len(), "each name once");
}

#[test]
fn reports_say_what_must_be_said_and_load_nothing() {
    let store = Store::new();
    let mut book = made(&store.path());
    for who in 0..6 {
        let device = if who < 5 { hand("mouse") } else { Device::Trainee(format!("skill 0.{who}, version 1")) };
        hand_in(&mut book, "Room 1", &person(who), Purpose::Assessment, &learner(who, 12 + 6 * who, &device));
    }
    drop(book);
    let who = person(4);
    let of_trainee = store.report("trainee.html", &["--trainee", who.as_str()]);
    let of_simulated = store.report("simulated.html", &["--trainee", person(5).as_str()]);
    let of_cohort = store.report("cohort.html", &[]);
    for document in [&of_trainee, &of_simulated, &of_cohort] {
        is_self_contained(document);
        for said in [
            "For education only; not a medical device",
            "No single score decides anything",
            "must not be the sole basis of any decision on a trainee",
            "None of this has been shown to predict operating performance",
            "First attempts on unseen eyes, handed in for assessment:",
            "Difficulty is that of each shipped case as simulated trainees had it",
            "provisional and assumed",
        ] {
            assert!(document.contains(said), "{said}");
        }
        // Every heading that speaks of breaches says whose.
        for heading in
            document.split("<title").chain(document.split("<h3>")).chain(document.split("<th scope=\"col\">")).skip(1)
        {
            let heading = heading.split("</").next().unwrap();
            assert!(
                !heading.to_lowercase().contains("breach") || heading.to_lowercase().contains("simulated"),
                "{heading}"
            );
        }
    }
    assert!(
        of_trainee.contains("would be called adequate") && of_trainee.contains("would first cross"),
        "errors in words"
    );
    assert!(of_trainee.contains("Simulated breach, %") && !of_trainee.contains("Invented:"));
    assert!(of_simulated.contains("Invented: all of these 42 attempts were made by simulated trainees"));
    let marked =
        |document: &str| (document.matches(">invented</text>").count(), document.matches("@top-right").count());
    let plots = |document: &str| document.matches("class=\"plot\"").count();
    assert_eq!(marked(&of_simulated), (plots(&of_simulated), 1), "each chart and each page");
    assert_eq!(marked(&of_trainee), (0, 0));
    let (in_charts, on_pages) = marked(&of_cohort);
    assert!(in_charts > 0 && in_charts < plots(&of_cohort) && on_pages == 1, "charts of simulated trainees alone");
    assert!(of_cohort.contains("With simulated trainee") && of_cohort.contains("With mouse"), "devices apart");
    assert!(
        of_cohort.contains("would lie beyond the 95 % limits") && of_cohort.contains("The teaching point missed most")
    );
    for document in [of_trainee, of_cohort] {
        let plots = document.matches("class=\"plot\"").count();
        assert!(plots > 4 && document.matches("<desc").count() >= plots, "every chart says in words what it shows");
    }
}

/// Shares that are asked for are those of passing and components; of simulated breaches, which are of another order, a curve's alone.
#[test]
fn a_report_s_charts_are_made_for_what_is_asked_for() {
    let (store, who) = (Store::new(), person(1));
    store.add(&who, Purpose::Assessment, &learner(1, 30, &hand("mouse")));
    let of = ["--trainee", who.as_str()];
    let asked =
        ["--p0", "0.25", "--p1", "0.45", "--alpha", "0.07", "--beta", "0.12", "--within", "40", "--wrongly", "0.03"];
    let ordinary = store.report("ordinary.html", &of);
    let report = store.report("asked.html", &[&of[..], &asked[..]].concat());
    let count =
        |document: &str, said: &str| document.matches(&format!("<figcaption>Chart of failures, {said}: ")).count();
    let courses = report.matches("class=\"course-of\"").count();
    let charted = courses - 2;
    assert!(charted > 8, "score and prediction error have no charts, others do: {courses}");
    assert_eq!(count(&report, "25 % acceptable against 45 % not"), charted - 1);
    assert_eq!(count(&report, "2 % acceptable against 10 % not"), 1, "simulated breaches keep theirs");
    assert_eq!(
        (count(&ordinary, "40 % acceptable against 60 % not"), count(&ordinary, "2 % acceptable against 10 % not")),
        (1, 1)
    );
    for said in [
        "25 % and 45 % of attempts failed in passing and in each component, as asked",
        "α 7 %, β 12 %",
        "at most 3 % within 40",
    ] {
        assert!(report.contains(said) && !ordinary.contains(said), "{said}");
    }
    let cohort = store.report("cohort.html", &asked);
    assert!(cohort.contains("25 % and 45 % of attempts failed in passing"));
    let breach = store.curve(&who, &["--component", "breach", "--p0", "0.05", "--p1", "0.15"]);
    assert_eq!(
        (breach["cusum_design"]["p0"].as_f64(), breach["lc_cusum_design"]["p1"].as_f64()),
        (Some(0.05), Some(0.15))
    );
    let line = store.line_of_error(&["report", "--out", &store.beside("no.html"), "--p0", "0.4", "--p1", "0.2"]);
    assert!(line.contains("p1 must be larger"), "{line}");
    let half = store.run(&["report", "--out", &store.beside("no.html"), "--p0", "0.4"]);
    assert_eq!(half.status.code(), Some(2));
}

#[test]
fn what_cannot_be_told_is_said_in_one_line() {
    let (store, who) = (Store::new(), person(1));
    let curve = |arguments: &[&'static str]| [&["curve", "--component", "pass"], arguments].concat();
    assert!(store.line_of_error(&curve(&[])).contains("there is no logbook here yet"));
    store.add(&who, Purpose::Practice, &passes("+-+"));
    let other = person(2).to_string();
    let line = store.line_of_error(&["curve", "--component", "pass", "--trainee", &other]);
    assert!(line.contains(&format!("holds no attempt of trainee {other} that counts; allowed:")), "{line}");
    let line = store.line_of_error(&curve(&[]));
    assert!(line.contains("holds no attempt of it that counts; allowed: another --purpose"), "{line}");
    let line = store.line_of_error(&["curve", "--component", "tempo"]);
    assert!(line.contains("`tempo` is no component; allowed: pass, score, breach"), "{line}");
    let line = store.line_of_error(&curve(&["--p0", "0.4", "--p1", "0.2"]));
    assert!(line.contains("p1 must be larger"), "{line}");
    let line = store.line_of_error(&curve(&["--alpha", "1.5"]));
    assert!(line.contains("alpha is 1.5; it must lie above 0 and below 1"), "{line}");
    let line = store.line_of_error(&curve(&["--within", "0"]));
    assert!(line.contains("0 attempts; the number must lie between 1 and"), "{line}");
    let file = store.beside("there.html");
    std::fs::write(&file, "mine").unwrap();
    let line = store.line_of_error(&["report", "--out", &file, "--purpose", "practice"]);
    assert!(line.contains("is there already; allowed: the name of a new file"), "{line}");
    assert_eq!(std::fs::read_to_string(&file).unwrap(), "mine");
    let line = store.line_of_error(&["report", "--out", &store.beside("no/such.html"), "--purpose", "practice"]);
    assert!(line.contains("cannot be written"), "{line}");
}

/// Few attempts: sentences in place of numbers, and no chart breaks.
#[test]
fn of_very_little_a_report_says_what_is_missing() {
    for results in ["+", "-", "++++++++", "--------"] {
        let (store, who) = (Store::new(), person(1));
        store.add(&who, Purpose::Assessment, &passes(results));
        let document = store.report("trainee.html", &["--trainee", who.as_str()]);
        is_self_contained(&document);
        assert!(document.contains("No curve: "), "{results}");
        is_self_contained(&store.report("cohort.html", &[]));
    }
}

/// What the record keeps of a component is its score; that it was met must follow from it.
#[test]
fn a_component_is_met_by_its_score_as_the_debrief_says() {
    for (name, text) in [SHIPPED[0], SHIPPED[1], SHIPPED[7]] {
        let case = parse_case(name, text).unwrap();
        let model = compile(&case.spec, 1, Resolution::default()).unwrap().model;
        for which in ["good", "poor"] {
            let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("scenarios/{name}.{which}.plan.ron"));
            let (plan, _) = parse_plan("plan", &std::fs::read_to_string(path).unwrap()).unwrap();
            let course = Course::of_plan(&model, &plan).unwrap();
            let debrief = Debrief::of(&course.facts(&case.spec, &model));
            assert_eq!(debrief.components.len(), COMPONENTS.len());
            for (judged, known) in debrief.components.iter().zip(&COMPONENTS) {
                assert_eq!(judged.id, known.id);
                assert!(judged.label == known.label || judged.label == "Not chopped", "{}", judged.label);
                if judged.status != Status::NotApplicable {
                    assert_eq!(known.is_met(judged.score), judged.status == Status::Met, "{name} {which}: {judged:?}");
                }
            }
        }
    }
}

/// The difficulties of passing are those of `docs/scoring.md`, about their mean.
#[test]
fn the_difficulties_of_passing_are_the_documented_ones() {
    let page = std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/scoring.md")).unwrap();
    let documented = |name: &str| -> f64 {
        let row = page.lines().find(|line| line.starts_with(&format!("| `{name}` |")) && line.contains('±')).unwrap();
        row.split('|').nth(2).unwrap().split('±').next().unwrap().trim().parse().unwrap()
    };
    let mean = SHIPPED.iter().map(|(name, _)| documented(name)).sum::<f64>() / SHIPPED.len() as f64;
    for (name, text) in SHIPPED {
        let hash = blake3::hash(text.as_bytes()).to_hex().to_string();
        let found = difficulty::of(&hash, Measure::Pass).unwrap();
        assert!((found - (documented(name) - mean)).abs() < 0.011, "{name}: {found}");
        assert_eq!(difficulty::of(&hash, Measure::Score), Some(found));
    }
    assert_eq!(difficulty::of("0123", Measure::Pass), None);
}

/// All counts again, from the simulated trainees: a quarter of an hour, so by name alone.
#[test]
#[ignore = "a quarter of an hour: 3000 attempts"]
fn the_difficulties_are_those_of_the_held_out_calibration() {
    for (name, text) in SHIPPED {
        let case = parse_case(name, text).unwrap().spec;
        let rows = calibrate::attempts(&case, Design::of(300, 20_261_128), Shard::WHOLE, 2, || ()).unwrap();
        let again = Calibration::of(&rows);
        assert_eq!(difficulty::counted(name, Measure::Pass), Some(again.passed.of - again.passed.count), "{name}");
        let (novices, experts) = again.breaches;
        assert_eq!(difficulty::counted(name, Measure::Breach), Some(novices.count + experts.count), "{name}");
        for component in &COMPONENTS {
            let found = again.components.iter().find(|found| found.id == component.id).unwrap();
            if let Some(counted) = difficulty::counted(name, Measure::Component(component)) {
                assert_eq!(counted, found.missed.count, "{name} {}", component.id);
            }
        }
    }
}

#[test]
#[ignore = "writes the store CORECLEFT_LOOK, to be looked at"]
fn a_store_to_look_at() {
    let path = PathBuf::from(std::env::var("CORECLEFT_LOOK").unwrap());
    let mut book: Logbook =
        Logbook::open(path.to_str().unwrap(), Opening { is_made: true, ..Opening::default() }).unwrap();
    for number in 0..24_u64 {
        let device = Device::Trainee(format!("skill 0.{number}, version 1"));
        let station = ["Room 1", "Room 2", "Annex"][number as usize % 3];
        hand_in(
            &mut book,
            station,
            &person(number),
            Purpose::Assessment,
            &learner(number, 8 + number * 37 % 60, &device),
        );
    }
}
