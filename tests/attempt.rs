//! Attempts on the disk: whole or not there, never overwritten, and each change of one told for what it is.
#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a helper that fails fails the test that called it")]

mod common;

use corecleft::attempt::{Attempt, Device, Expected, FORMAT, Header, NoReplay, Prediction, Setup, Unusable};
use corecleft::case::Aid;
use corecleft::debrief::proof::{Proof, Verdict};
use corecleft::debrief::{Course, Debrief};
use corecleft::plan::read_plan;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::sync::LazyLock;
use std::time::Duration;

/// An attempt by a shipped plan.
fn attempted(name: &str, which: &str, seed: u64) -> Attempt {
    attempted_with(name, which, seed, Setup::default())
}

/// An attempt by a shipped plan after a setup.
fn attempted_with(name: &str, which: &str, seed: u64, setup: Setup) -> Attempt {
    let text = std::fs::read_to_string(common::path(&format!("scenarios/{name}.ron"))).unwrap();
    let case = setup.apply(&common::shipped(&format!("{name}.ron"))).unwrap();
    let (plan, _) = read_plan(&common::path(&format!("scenarios/{name}.{which}.plan.ron"))).unwrap();
    let model = common::model(&case, seed);
    let course = Course::of_plan(&model, &plan).unwrap();
    let debrief = Debrief::of(&course.facts(&case, &model));
    course.attempt(Header::with_setup(name, &text, seed, Device::Plan(plan.title), setup), &debrief)
}

static GOOD: LazyLock<Attempt> = LazyLock::new(|| attempted("medium-uniform", "good", 1));

/// What is chosen before operating where something is.
const LOWER: Setup = Setup {
    rhexis_mm: Some(5.0),
    bottle_cm: Some(80.0),
    vacuum_mmhg: None,
    flow_ml_min: Some(25.0),
    is_exam: true,
    section: None,
};

static SET_UP: LazyLock<Attempt> = LazyLock::new(|| attempted_with("medium-uniform", "good", 1, LOWER));

fn verdict(bytes: &[u8]) -> Proof {
    Proof::of(&Attempt::from_bytes(bytes))
}

fn corecleft(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_corecleft")).args(arguments).output().unwrap()
}

fn text(bytes: &[u8]) -> &str {
    std::str::from_utf8(bytes).unwrap()
}

fn files(folder: &Path) -> Vec<PathBuf> {
    std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect()
}

#[test]
fn an_attempt_comes_back_and_is_valid() {
    let bytes = GOOD.to_bytes();
    assert_eq!(&Attempt::from_bytes(&bytes).unwrap(), &*GOOD);
    let proof = verdict(&bytes);
    assert_eq!(proof.verdict, Verdict::Valid, "{}", proof.reason);
}

#[test]
fn no_flipped_byte_goes_unseen() {
    let bytes = GOOD.to_bytes();
    for at in 0..bytes.len() {
        let mut flipped = bytes.clone();
        flipped[at] ^= 1 << (at % 8);
        assert_eq!(verdict(&flipped).verdict, Verdict::Unreadable, "byte {at} of {}", bytes.len());
    }
    for length in (0..bytes.len()).step_by(37) {
        assert_eq!(verdict(&bytes[..length]).verdict, Verdict::Unreadable, "cut to {length}");
    }
    assert_eq!(verdict(&[bytes.as_slice(), b"x"].concat()).verdict, Verdict::Unreadable, "one byte more");
}

/// What a forger who can make the file's hash anew changes, and what the verdict must say of it.
#[test]
fn what_is_forged_does_not_match_its_own_replay() {
    let forged = |what: &str, change: &dyn Fn(&mut Attempt), says: &str| {
        let mut attempt = GOOD.clone();
        change(&mut attempt);
        assert_ne!(attempt, *GOOD, "{what}");
        let proof = verdict(&attempt.to_bytes());
        assert_eq!(proof.verdict, Verdict::Mismatch, "{what}: {}", proof.reason);
        assert!(proof.reason.contains(says) && !proof.reason.contains('\n'), "{what}: {}", proof.reason);
    };
    forged("score", &|a| a.scores.score -= 1.0, "99.0 instead of 100.0");
    forged("pass", &|a| a.scores.pass = false, "not passed instead of passed");
    forged("component", &|a| a.scores.components[0].score = Some(0.5), "component `burial-depth`");
    forged("event left out", &|a| _ = a.events.remove(3), "event 3 is another");
    forged("last event left out", &|a| _ = a.events.pop(), "is another");
    forged("state", &|a| a.state_hash[0] ^= 1, "a last state that its inputs do not lead to");
    forged("seed", &|a| a.header.seed = 2, "a last state");
    let other = std::fs::read_to_string(common::path("scenarios/long-eye-dense-core.ron")).unwrap();
    forged("case swapped", &|a| a.header.case_text.clone_from(&other), "another case");
    forged(
        "case swapped with its hash",
        &|a| a.header = Header::new("medium-uniform", &other, 1, a.header.device.clone()),
        "a last state",
    );
    let easier = GOOD.header.case_text.replace("capsule_floor_mm: 0.6", "capsule_floor_mm: 0.1");
    forged(
        "goal made easier",
        &|a| a.header = Header::new("medium-uniform", &easier, 1, a.header.device.clone()),
        "component `capsule-distance`",
    );
    let poor = attempted("medium-uniform", "poor", 1);
    forged("inputs of another", &|a| a.record = poor.record.clone(), "a last state");
    forged("bottle set up", &|a| a.header.setup.bottle_cm = Some(80.0), "a last state");
    forged("rhexis set up", &|a| a.header.setup.rhexis_mm = Some(4.5), "a last state");
    forged(
        "setup beyond the case's limits",
        &|a| a.header.setup.bottle_cm = Some(140.0),
        "was set up outside the limits of its case: bottle 140 cm; allowed: 70 to 110 cm",
    );
    forged("case that is none", &|a| a.header = Header::new("x", "(", 1, a.header.device.clone()), "cannot be used");
}

#[test]
fn what_is_newer_or_of_another_engine_is_not_called_forged() {
    let mut other = GOOD.clone();
    other.header.engine = "9.0.0+1".to_string();
    let proof = verdict(&other.to_bytes());
    assert_eq!(proof.verdict, Verdict::OtherVersion);
    assert!(proof.reason.contains("9.0.0+1"), "{}", proof.reason);
    // A newer format keeps the first line, the number and the hash at the end.
    let mut newer = GOOD.to_bytes();
    newer.truncate(newer.len() - 32);
    newer[18] = FORMAT as u8 + 1;
    newer.extend_from_slice(b"something unheard of");
    let hash = blake3::hash(&newer);
    newer.extend_from_slice(hash.as_bytes());
    assert!(matches!(Attempt::from_bytes(&newer), Err(Unusable::OtherFormat { format: 4 })));
    assert_eq!(verdict(&newer).verdict, Verdict::OtherVersion);
}

/// Format 1 knew no setup; its bytes mean something else.
#[test]
fn an_older_format_is_refused_and_not_called_forged() {
    let mut older = GOOD.to_bytes();
    older.truncate(older.len() - 32);
    assert_eq!((FORMAT, older[18]), (3, 3));
    older[18] = 1;
    let hash = blake3::hash(&older);
    older.extend_from_slice(hash.as_bytes());
    let proof = verdict(&older);
    assert_eq!(proof.verdict, Verdict::OtherVersion);
    assert_eq!(proof.reason, "has format 1, and this program reads formats 2 to 3: use the program that wrote it");
}

#[test]
fn what_is_set_up_is_applied_recorded_and_verified() {
    let bytes = SET_UP.to_bytes();
    let back = Attempt::from_bytes(&bytes).unwrap();
    assert_eq!((&back, back.header.setup), (&*SET_UP, LOWER));
    assert_ne!(back.state_hash, GOOD.state_hash);
    let proof = verdict(&bytes);
    assert_eq!(proof.verdict, Verdict::Valid, "{}", proof.reason);

    let (case, model) = back.model().unwrap();
    assert_eq!(case.text, back.header.case_text);
    assert_eq!((case.spec.surgery.rhexis_mm, 2.0 * model.rhexis_radius_mm), (5.0, 5.0));
    assert_eq!((case.spec.machine().bottle_cm, case.spec.machine().flow_ml_min), (80.0, 25.0));
    assert_eq!(case.spec.teaching().section_after(0), Aid::DebriefOnly);
    let (_, as_written) = GOOD.model().unwrap();
    assert!((model.machine.bottle_pa / as_written.machine.bottle_pa - 80.0 / 90.0).abs() < 1e-12);
    assert_eq!(model.machine.vacuum_limit_pa, as_written.machine.vacuum_limit_pa);
    assert_eq!(model.digest, common::model(&case.spec, 1).digest);

    let words = "rhexis 5 mm, bottle 80 cm, flow 25 mL/min, exam";
    assert_eq!(back.header.setup_in_words().as_deref(), Some(words));
    assert_eq!(GOOD.header.setup_in_words(), None);

    // Taking the setup back, or another one, does not fit what was recorded.
    for setup in [Setup::default(), Setup { bottle_cm: Some(90.0), ..LOWER }, Setup { rhexis_mm: None, ..LOWER }] {
        let mut forged = SET_UP.clone();
        forged.header.setup = setup;
        assert_eq!(verdict(&forged.to_bytes()).verdict, Verdict::Mismatch, "{setup:?}");
    }
}

#[test]
fn a_setup_outside_the_limits_of_its_case_is_not_replayed() {
    let mut beyond = SET_UP.clone();
    beyond.header.setup.rhexis_mm = Some(6.0);
    beyond.header.setup.flow_ml_min = Some(f64::INFINITY);
    let Err(NoReplay::Setup(refused)) = beyond.model() else { panic!("it was replayed") };
    assert_eq!(refused, ["rhexis 6 mm; allowed: 4.5 to 5.5 mm", "flow inf mL/min; allowed: 15 to 40 mL/min"]);

    // The same within wider limits is another case, and one whose own value is left out is none.
    let with = |limits: &str| {
        let mut attempt = SET_UP.clone();
        let text = attempt.header.case_text.trim_end().strip_suffix(')').unwrap().to_owned() + limits + ")\n";
        let setup = Setup { bottle_cm: Some(120.0), ..Setup::default() };
        attempt.header = Header::with_setup("wider", &text, 1, attempt.header.device.clone(), setup);
        attempt
    };
    assert_eq!(with("limits: (bottle_cm: (80, 120))").model().unwrap().0.spec.machine().bottle_cm, 120.0);
    let refused = with("limits: (bottle_cm: (100, 120))").model().unwrap_err();
    assert!(matches!(&refused, NoReplay::Case(_)), "{refused}");
    assert!(refused.to_string().contains("limits.bottle_cm: leave out the case's own 90 cm"), "{refused}");
}

/// The good attempt with something expected at these ticks.
fn expecting(ticks: &[u64]) -> Attempt {
    let stated = |tick: &u64| Prediction {
        tick: *tick,
        depth_mm: 1.5,
        angle_deg: 40.0,
        place_mm: (0.1, -0.2),
        expected: Expected::Through,
    };
    Attempt { predictions: ticks.iter().map(stated).collect(), ..GOOD.clone() }
}

#[test]
fn what_was_expected_comes_back_and_confuses_no_replay() {
    let last = GOOD.record.ticks() as u64;
    for ticks in [vec![0], vec![0, 1, 500], vec![last]] {
        let attempt = expecting(&ticks);
        let bytes = attempt.to_bytes();
        assert_eq!(Attempt::from_bytes(&bytes).unwrap(), attempt);
        let proof = verdict(&bytes);
        assert_eq!(proof.verdict, Verdict::Valid, "{}", proof.reason);
        assert_eq!(attempt.state_hash, GOOD.state_hash);
    }
}

#[test]
fn expectations_that_make_no_sense_are_told_as_such() {
    let last = GOOD.record.ticks() as u64;
    for ticks in [vec![last + 1], vec![5, 5], vec![9, 3], vec![u64::MAX]] {
        let proof = verdict(&expecting(&ticks).to_bytes());
        assert_eq!(proof.verdict, Verdict::Unreadable, "{ticks:?}");
        assert!(proof.reason.starts_with("makes no sense inside: prediction "), "{}", proof.reason);
        assert!(
            proof.reason.ends_with("was not stated after the one before and within the record"),
            "{}",
            proof.reason
        );
    }
    let changes: [fn(&mut Prediction); 6] = [
        |p| p.depth_mm = -0.1,
        |p| p.depth_mm = f64::NAN,
        |p| p.angle_deg = 65.1,
        |p| p.angle_deg = f64::INFINITY,
        |p| p.place_mm.0 = 5.5,
        |p| p.place_mm.1 = f64::NEG_INFINITY,
    ];
    for change in changes {
        let mut attempt = expecting(&[3, 8]);
        change(&mut attempt.predictions[1]);
        let proof = verdict(&attempt.to_bytes());
        assert_eq!(proof.verdict, Verdict::Unreadable);
        assert_eq!(proof.reason, "makes no sense inside: prediction 1 holds a number out of range");
    }
}

#[test]
fn no_flipped_byte_of_what_was_expected_goes_unseen() {
    let bytes = expecting(&[0, 100]).to_bytes();
    for at in 0..bytes.len() {
        let mut flipped = bytes.clone();
        flipped[at] ^= 1 << (at % 8);
        assert_eq!(verdict(&flipped).verdict, Verdict::Unreadable, "byte {at} of {}", bytes.len());
    }
}

#[test]
fn saving_makes_one_new_file_each_time_and_overwrites_none() {
    let folder = tempfile::tempdir().unwrap();
    let inner = folder.path().join("attempts of today");
    let paths: Vec<PathBuf> = (0..3).map(|_| GOOD.save(&inner).unwrap()).collect();
    let mut found = files(&inner);
    found.sort();
    let mut wanted = paths.clone();
    wanted.sort();
    assert_eq!(found, wanted);
    let hash = blake3::Hash::from_bytes(GOOD.state_hash).to_hex();
    let name = paths[0].file_name().unwrap().to_str().unwrap();
    assert_eq!(name, format!("medium-uniform.1.{}.attempt", &hash.as_str()[..8]));
    assert!(paths.iter().all(|path| Attempt::read(path).unwrap() == *GOOD));
    // A folder that is none.
    let refused = GOOD.save(&paths[0]).unwrap_err().to_string();
    assert!(refused.contains("allowed: a folder that can be written") && !refused.contains('\n'), "{refused}");
}

/// How a child of the test is told to save and save again.
const SAVES_INTO: &str = "CORECLEFT_TEST_SAVES_INTO";

#[test]
fn killed_while_saving_it_leaves_whole_files_only() {
    if let Some(folder) = std::env::var_os(SAVES_INTO) {
        loop {
            GOOD.save(Path::new(&folder)).unwrap();
        }
    }
    let folder = tempfile::tempdir().unwrap();
    let (mut tries_with_files, mut total) = (0, 0);
    for n in 0..100_u64 {
        let inner = folder.path().join(n.to_string());
        let mut child = Command::new(std::env::current_exe().unwrap())
            .args(["--exact", "killed_while_saving_it_leaves_whole_files_only"])
            .env(SAVES_INTO, &inner)
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        // Its folder, or a file or two more, show that it is at it; then it is killed a little later each time.
        let begun = std::time::Instant::now();
        let is_at_it = || inner.exists() && files(&inner).len() as u64 >= n % 4;
        while !is_at_it() && begun.elapsed() < Duration::from_secs(30) {
            std::thread::sleep(Duration::from_millis(1));
        }
        std::thread::sleep(Duration::from_micros(137 * n));
        child.kill().unwrap();
        child.wait().unwrap();
        let left = files(&inner);
        for path in &left {
            assert!(path.extension().is_some_and(|e| e == "attempt"), "{}", path.display());
            assert_eq!(&Attempt::read(path).unwrap(), &*GOOD, "{}", path.display());
        }
        tries_with_files += usize::from(!left.is_empty());
        total += left.len();
    }
    assert!(tries_with_files > 20 && total > 100, "{tries_with_files} tries with files, {total} files");
}

#[test]
fn five_minutes_of_hands_fit_in_200_kb() {
    let attempt = attempted("medium-uniform", "nucleus", 1);
    let seconds = attempt.record.ticks() as f64 / 240.0;
    let bytes = attempt.to_bytes().len() as f64;
    assert!(seconds > 200.0, "{seconds} s");
    assert!(bytes / seconds * 300.0 <= 200_000.0, "{bytes} bytes for {seconds} s");
}

#[test]
fn commands_save_tell_and_verify() {
    let folder = tempfile::tempdir().unwrap();
    let (case, plan) =
        (common::path("scenarios/medium-uniform.ron"), common::path("scenarios/medium-uniform.poor.plan.ron"));
    let (inner, html) = (folder.path().join("new"), folder.path().join("debrief.html"));
    let play = |more: &[&str]| {
        let mut arguments = vec!["play", case.to_str().unwrap(), "--plan", plan.to_str().unwrap()];
        arguments.extend(["--save", inner.to_str().unwrap()]);
        arguments.extend(more);
        let output = corecleft(&arguments);
        assert_eq!(output.status.code(), Some(0));
        output
    };
    let page = play(&[]);
    let saved = files(&inner);
    assert_eq!(saved.len(), 1);
    assert_eq!(text(&page.stderr), format!("Saved as {}\n", saved[0].display()));
    let file = saved[0].to_str().unwrap();
    let told = corecleft(&["debrief", file, "--html", html.to_str().unwrap()]);
    assert_eq!((told.status.code(), text(&told.stdout)), (Some(0), text(&page.stdout)));
    let document = std::fs::read_to_string(&html).unwrap();
    assert!(document.contains("</html>") && document.contains("<h2>Where this chop works</h2>"));
    let json = |output: &Output| -> serde_json::Value {
        let mut value: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
        value["wall_s"] = serde_json::Value::Null;
        value
    };
    assert_eq!(json(&play(&["--json"])), json(&corecleft(&["debrief", file, "--json"])));

    let damaged = folder.path().join("damaged.attempt");
    let mut bytes = std::fs::read(file).unwrap();
    bytes[100] ^= 4;
    std::fs::write(&damaged, &bytes).unwrap();
    let forged = folder.path().join("forged.attempt");
    let mut attempt = Attempt::read(&saved[0]).unwrap();
    attempt.scores.score = 99.0;
    std::fs::write(&forged, attempt.to_bytes()).unwrap();
    attempt.header.engine = "0.0.1+9".to_string();
    let other = folder.path().join("other.attempt");
    std::fs::write(&other, attempt.to_bytes()).unwrap();
    let [damaged, forged, other] = [&damaged, &forged, &other].map(|p| p.to_str().unwrap());
    for (files, code, verdicts) in [
        (vec![file], 0, vec!["valid"]),
        (vec![file, forged], 1, vec!["valid", "mismatch"]),
        (vec![damaged], 2, vec!["unreadable"]),
        (vec![other], 2, vec!["other_version"]),
        (
            vec![damaged, other, forged, "missing.attempt"],
            1,
            vec!["unreadable", "other_version", "mismatch", "unreadable"],
        ),
    ] {
        let lines = corecleft(&[&["verify"], files.as_slice()].concat());
        assert_eq!(lines.status.code(), Some(code), "{files:?}");
        assert_eq!(text(&lines.stdout).lines().count() + text(&lines.stderr).lines().count(), files.len());
        let output = corecleft(&[&["verify", "--json"], files.as_slice()].concat());
        assert_eq!((output.status.code(), text(&output.stderr)), (Some(code), ""), "{files:?}");
        let report: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
        let found: Vec<&str> =
            report["attempts"].as_array().unwrap().iter().map(|a| a["verdict"].as_str().unwrap()).collect();
        assert_eq!(found, verdicts);
    }
    let set_up = SET_UP.save(folder.path()).unwrap();
    let set_up = set_up.to_str().unwrap();
    let lines = corecleft(&["verify", file, set_up]);
    let heading = "Set up: rhexis 5 mm, bottle 80 cm, flow 25 mL/min, exam.";
    let ending = "; set up: rhexis 5 mm, bottle 80 cm, flow 25 mL/min, exam\n";
    assert!(text(&lines.stdout).ends_with(ending) && text(&lines.stdout).matches("set up").count() == 1);
    let told = corecleft(&["debrief", set_up, "--html", html.to_str().unwrap(), "--no-maps"]);
    let above = text(&told.stdout).split("\n\n").next().unwrap();
    assert_eq!(above.lines().last(), Some(format!("  {heading}").as_str()));
    let document = std::fs::read_to_string(&html).unwrap();
    assert!(document.contains(heading) && !document.contains("Where this chop works"));
    let alone = corecleft(&["debrief", set_up, "--no-maps"]);
    assert_eq!((alone.status.code(), text(&alone.stderr).lines().count()), (Some(2), 1), "{}", text(&alone.stderr));
    assert!(!text(&page.stdout).contains("Set up"));

    for refused in [damaged, forged, other, "missing.attempt"] {
        let output = corecleft(&["debrief", refused]);
        assert_eq!((output.status.code(), text(&output.stdout)), (Some(2), ""), "{refused}");
        assert_eq!(text(&output.stderr).lines().count(), 1, "{}", text(&output.stderr));
        assert!(text(&output.stderr).starts_with(refused), "{}", text(&output.stderr));
    }
}
