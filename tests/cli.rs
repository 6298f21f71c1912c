//! The commands as a user meets them: the binary is run, and what it prints and returns is judged.
#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test that cannot go on fails")]

use serde_json::Value;
use std::ffi::OsStr;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

const CASES: [&str; 2] = ["medium-uniform", "long-eye-dense-core"];

/// Seeds over which the good plans must pass and the poor ones fail.
const SEEDS: std::ops::RangeInclusive<u32> = 1..=10;

fn corecleft<S: AsRef<OsStr>>(arguments: &[S]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_corecleft"))
        .args(arguments)
        // From a directory of its own: nothing may depend on where it is started.
        .current_dir(env!("CARGO_TARGET_TMPDIR"))
        // Nor may a display open a window.
        .env_remove("DISPLAY")
        .env_remove("WAYLAND_DISPLAY")
        .output()
        .expect("the binary starts")
}

fn scenario(name: &str) -> String {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("scenarios").join(name).display().to_string()
}

fn code(output: &Output) -> i32 {
    output.status.code().expect("no signal")
}

fn text(bytes: &[u8]) -> &str {
    std::str::from_utf8(bytes).expect("UTF-8")
}

/// The one JSON object on standard output, with nothing on standard error.
fn json(output: &Output) -> Value {
    assert_eq!(text(&output.stderr), "");
    let out = text(&output.stdout);
    assert_eq!(out.lines().count(), 1, "{out}");
    serde_json::from_str(out).expect("JSON")
}

/// The one line on standard error of a command that was refused.
fn refusal<S: AsRef<OsStr>>(arguments: &[S]) -> String {
    let output = corecleft(arguments);
    let error = text(&output.stderr).to_string();
    assert_eq!(code(&output), 2, "{error}");
    assert_eq!(text(&output.stdout), "", "{error}");
    assert_eq!(error.lines().count(), 1, "{error:?}");
    assert!(error.ends_with('\n'));
    assert!(!error.trim_end().chars().any(char::is_control), "{error:?}");
    error.trim_end().to_string()
}

fn play(case: &str, plan: &str, seed: u32) -> Value {
    let (case_file, plan_file) = (scenario(&format!("{case}.ron")), scenario(&format!("{case}.{plan}.plan.ron")));
    let output = corecleft(&["play", &case_file, "--plan", &plan_file, "--seed", &seed.to_string(), "--json"]);
    assert_eq!(code(&output), 0, "a failed attempt is no failed command");
    json(&output)
}

fn keys(value: &Value) -> Vec<&str> {
    let mut keys: Vec<&str> = value.as_object().expect("an object").keys().map(String::as_str).collect();
    keys.sort_unstable();
    keys
}

#[track_caller]
fn assert_keys(value: &Value, wanted: &str) {
    let mut wanted: Vec<&str> = wanted.split_whitespace().collect();
    wanted.sort_unstable();
    assert_eq!(keys(value), wanted);
}

#[track_caller]
fn assert_within_80_columns(page: &str) {
    for line in page.lines() {
        assert!(line.chars().count() <= 80, "{} columns: {line}", line.chars().count());
    }
}

fn component<'a>(debrief: &'a Value, id: &str) -> &'a Value {
    debrief["components"].as_array().unwrap().iter().find(|c| c["id"] == id).expect(id)
}

#[test]
fn good_plans_pass_and_poor_plans_fail_whatever_the_seed() {
    for case in CASES {
        for seed in SEEDS {
            let good = play(case, "good", seed);
            assert_eq!(good["outcome"]["pass"], true, "{case} good, seed {seed}: {}", good["components"]);
            assert_eq!(good["outcome"]["score"], 100.0, "{case} good, seed {seed}");
            assert_eq!(good["chops"][0]["complete"], true);
            assert_eq!(good["chops"][0]["pieces"], 2);
            let poor = play(case, "poor", seed);
            assert_eq!(poor["outcome"]["pass"], false, "{case} poor, seed {seed}: {}", poor["components"]);
            // What went well beside the chop counts too, so a failed chop costs about a quarter.
            assert!(poor["outcome"]["score"].as_f64().unwrap() < 75.0, "{case} poor, seed {seed}");
            assert_eq!(component(&poor, "burial-depth")["status"], "missed", "{case} poor, seed {seed}");
            assert_eq!(component(&poor, "division")["status"], "missed", "{case} poor, seed {seed}");
        }
    }
    let poor = play("long-eye-dense-core", "poor", 1);
    assert_eq!(component(&poor, "purchase")["status"], "missed");
}

#[test]
fn play_prints_exactly_the_agreed_fields() {
    let debrief = play("medium-uniform", "good", 3);
    assert_keys(
        &debrief,
        "scenario seed engine sim_s wall_s state_hash outcome components events chops follows peaks predictions",
    );
    assert_eq!(debrief["predictions"], Value::Array(Vec::new()), "nothing was expected");
    assert_eq!(debrief["scenario"], "medium-uniform");
    assert_eq!(debrief["seed"], 3);
    assert_eq!(debrief["engine"], env!("CARGO_PKG_VERSION"));
    let hash = debrief["state_hash"].as_str().unwrap();
    assert!(hash.len() == 64 && hash.chars().all(|c| matches!(c, '0'..='9' | 'a'..='f')), "{hash}");
    assert_keys(&debrief["outcome"], "pass score critical");
    let components = debrief["components"].as_array().unwrap();
    let ids: Vec<&str> = components.iter().map(|c| c["id"].as_str().unwrap()).collect();
    assert_eq!(
        ids,
        [
            "burial-depth",
            "capsule-distance",
            "dense-zone",
            "purchase",
            "division",
            "fragment-control",
            "chamber-steadiness",
            "zonule-load",
            "rim-care",
            "power-use",
            "incision-temperature",
            "rescue"
        ]
    );
    for component in components {
        assert_keys(component, "id label value unit score threshold status");
        // What does not apply has no score; whatever does has one.
        assert_eq!(component["score"].is_null(), component["status"] == "not-applicable");
        assert!(component["score"].as_f64().is_none_or(|score| (0.0..=1.0).contains(&score)));
        let all = ["met", "missed", "not-reached", "not-applicable"];
        assert!(all.contains(&component["status"].as_str().unwrap()));
    }
    assert_eq!(component(&debrief, "burial-depth")["threshold"].as_array().unwrap().len(), 2);
    let events = debrief["events"].as_array().unwrap();
    for (i, event) in events.iter().enumerate() {
        assert_eq!(event["index"], i);
        assert!(event["t_s"].is_number());
        assert!(event["kind"].as_str().unwrap().chars().all(|c| c.is_ascii_lowercase() || c == '-'));
        // A cause comes before what it leads to.
        assert!(event.as_object().unwrap().contains_key("cause"));
        assert!(event["cause"].is_null() || event["cause"].as_u64().unwrap() < i as u64);
        for key in keys(event) {
            assert!(!["_rad", "_un", "_pa"].iter().any(|unit| key.ends_with(unit)), "{key} is the engine's unit");
        }
    }
    let started = events.iter().find(|e| e["kind"] == "chop-started").unwrap();
    // The pressure difference across the port: 300 mmHg in the line, and what stands in the chamber.
    let across = started["vacuum_mmhg"].as_f64().unwrap();
    assert!((300.0..400.0).contains(&across), "{across}");
    assert!((started["elevation_deg"].as_f64().unwrap() - 40.0).abs() < 1e-3);
    let chops = debrief["chops"].as_array().unwrap();
    assert_eq!(chops.len(), 1);
    assert_keys(
        &chops[0],
        "t_s depth_mm along_shaft_mm angle_deg radius_mm vacuum_mmhg core_fraction_cracked posterior_third_cracked \
         complete pieces smallest_piece_fraction tip_slipped distance_to_capsule_min_mm",
    );
    for follow in debrief["follows"].as_array().unwrap() {
        assert_keys(follow, "t_s fragment volume_ul vacuum_mmhg follow_ratio followed held_by");
        let held = ["hinge", "neighbours", "adhesion", "poor-occlusion"];
        assert!(follow["held_by"].is_null() || held.contains(&follow["held_by"].as_str().unwrap()), "{follow}");
        assert!(follow["held_by"].is_null() || follow["followed"] == false, "{follow}");
    }
    let peaks = &debrief["peaks"];
    assert_keys(
        peaks,
        "chamber_mmhg_min chamber_mmhg_max surge_ul_max capsule_rise_mm_max distance_to_capsule_min_mm \
         incision_temp_c_max full_power_time_s",
    );
    let peak = |name: &str| peaks[name].as_f64().unwrap();
    // A bottle of 90 cm is 66 mmHg; pushing the lens may add to that.
    assert!(0.0 < peak("chamber_mmhg_min") && peak("chamber_mmhg_min") < peak("chamber_mmhg_max"), "{peaks}");
    assert!(peak("chamber_mmhg_max") < 200.0 && (0.0..100.0).contains(&peak("surge_ul_max")), "{peaks}");
    assert!((0.0..3.0).contains(&peak("capsule_rise_mm_max")), "{peaks}");
    assert!((34.0..100.0).contains(&peak("incision_temp_c_max")), "{peaks}");
    assert!(peaks["full_power_time_s"].as_f64().unwrap() > 0.0);
}

#[test]
fn the_same_seed_plays_the_same_and_another_seed_does_not() {
    let hash = |seed| play("long-eye-dense-core", "good", seed)["state_hash"].clone();
    assert_eq!(hash(7), hash(7));
    assert_ne!(hash(7), hash(8));
}

#[test]
fn a_plan_that_ends_in_mid_chop_is_judged_by_what_it_had_achieved() {
    let directory = tempfile::tempdir().unwrap();
    let plan = directory.path().join("mid.plan.ron");
    let good = std::fs::read_to_string(scenario("medium-uniform.good.plan.ron")).unwrap();
    assert!(good.contains("Withdraw"));
    std::fs::write(&plan, good.replace("Withdraw,", "")).unwrap();
    let output = corecleft(&["play", &scenario("medium-uniform.ron"), "--plan", plan.to_str().unwrap(), "--json"]);
    let debrief = json(&output);
    assert_eq!(debrief["outcome"]["pass"], true, "{}", debrief["components"]);
    assert!(debrief["events"].as_array().unwrap().iter().all(|e| e["kind"] != "chop-ended"));
    assert_eq!(debrief["chops"][0]["complete"], true);
}

#[test]
fn a_plan_without_a_chop_reaches_nothing_and_says_why() {
    let directory = tempfile::tempdir().unwrap();
    let plan = directory.path().join("idle.plan.ron");
    std::fs::write(&plan, "(format: 1, title: \"Idle\", steps: [Wait(seconds: 0.1)])").unwrap();
    let arguments = ["play", &scenario("medium-uniform.ron"), "--plan", plan.to_str().unwrap()];
    let debrief = json(&corecleft(&[&arguments[..], &["--json"]].concat()));
    assert_eq!(debrief["outcome"]["pass"], false);
    for id in ["burial-depth", "dense-zone", "purchase", "division"] {
        assert_eq!(component(&debrief, id)["status"], "not-reached", "{id}");
        assert!(component(&debrief, id)["value"].is_null(), "{id}");
    }
    assert!(text(&corecleft(&arguments).stdout).contains("the tip never entered the lens"));
}

#[test]
fn a_breach_is_critical_and_leads_back_to_where_the_tip_left_the_core() {
    let dir = tempfile::tempdir().unwrap();
    let plan = dir.path().join("edge.plan.ron");
    let steps = "Set(vacuum_mmhg: 300, power: 0.6), Bury(depth_mm: 3.4, angle_deg: 60, place_mm: (0.0, 1.95), bevel: Up, \
                 speed_mm_s: 1.5, ultrasound: 1.0)";
    std::fs::write(&plan, format!("(format: 1, title: \"on beyond the edge\", steps: [{steps}])")).unwrap();
    let case = scenario("long-eye-dense-core.ron");
    let debrief = json(&corecleft(&["play", &case, "--plan", plan.to_str().unwrap(), "--json"]));
    assert_eq!(debrief["outcome"]["critical"], serde_json::json!(["capsule breach"]));
    assert_eq!(debrief["outcome"]["score"], 0.0);
    let events = debrief["events"].as_array().unwrap();
    let mut at = events.iter().position(|e| e["kind"] == "breach").unwrap();
    let mut kinds = Vec::new();
    while let Some(cause) = events[at]["cause"].as_u64() {
        at = cause as usize;
        kinds.push(events[at]["kind"].as_str().unwrap());
    }
    assert!(kinds.contains(&"tip-left-core") && kinds.contains(&"tip-entered-lens"), "{kinds:?}");
}

#[test]
fn the_page_names_the_causes_and_fits_80_columns() {
    for (case, plan, causes) in [
        ("medium-uniform", "good", vec!["went through the core from front to back"]),
        ("medium-uniform", "poor", vec!["slid", "sideways through the tissue", "bury the tip deeper"]),
        ("long-eye-dense-core", "good", vec!["within the band"]),
        (
            "long-eye-dense-core",
            "poor",
            vec!["The shaft lay on the rim of the rhexis at 20°", "Ultrasound went on for", "clears the rim"],
        ),
    ] {
        let (case_file, plan_file) = (scenario(&format!("{case}.ron")), scenario(&format!("{case}.{plan}.plan.ron")));
        let output = corecleft(&["play", &case_file, "--plan", &plan_file]);
        assert_eq!((code(&output), text(&output.stderr)), (0, ""));
        let page = text(&output.stdout);
        assert_within_80_columns(page);
        let flat = page.split_whitespace().collect::<Vec<_>>().join(" ");
        for cause in causes {
            assert!(flat.contains(cause), "{case} {plan} lacks {cause:?}: {page}");
        }
        assert!(page.lines().nth(1).unwrap().starts_with("  Plan: "));
        for heading in ["What happened", "Why", "What to try"] {
            assert!(page.lines().any(|l| l == heading), "{heading}");
        }
        assert!(flat.contains("In this model"));
        assert_says_for_education_only(&flat);
    }
}

#[track_caller]
fn assert_says_for_education_only(flat: &str) {
    for words in [
        "For education only. Not a medical device; not for planning or use in care.",
        "whose numbers are not machine settings",
        "not shown to predict operating performance",
        "must not be the sole basis of any decision on a trainee",
        "Follow local protocols and the supervising surgeon.",
    ] {
        assert!(flat.contains(words), "{words}");
    }
}

#[test]
fn without_a_command_and_a_display_the_first_case_is_played_from_any_directory() {
    let output = corecleft::<&str>(&[]);
    assert_eq!(code(&output), 0);
    assert_eq!(text(&output.stderr).lines().count(), 1);
    let why = if cfg!(feature = "app") { "no display here" } else { "has no window" };
    assert!(text(&output.stderr).contains(why), "{}", text(&output.stderr));
    assert!(text(&output.stdout).starts_with("Medium uniform nucleus"));
    assert!(text(&output.stdout).contains("Result: passed"));
}

fn map(arguments: &[&str]) -> Value {
    let case = scenario("long-eye-dense-core.ron");
    let output = corecleft(&[&["map", &case], arguments, &["--json"]].concat());
    assert_eq!(code(&output), 0, "{}", text(&output.stderr));
    json(&output)
}

#[test]
fn a_map_has_both_ends_of_both_ranges_and_exactly_the_agreed_fields() {
    let map = map(&["--depth", "0.4..1.6:0.6", "--angle", "20..44:12", "--seed", "2"]);
    assert_keys(&map, "scenario seed depth_mm angle_deg wall_s cells");
    assert_eq!(map["scenario"], "long-eye-dense-core");
    assert_eq!(map["seed"], 2);
    assert_eq!(map["depth_mm"], serde_json::json!([0.4, 1.0, 1.6]));
    assert_eq!(map["angle_deg"], serde_json::json!([20.0, 32.0, 44.0]));
    let cells = map["cells"].as_array().unwrap();
    assert_eq!(cells.len(), 9);
    for (i, cell) in cells.iter().enumerate() {
        assert_keys(
            cell,
            "depth_mm angle_deg reachable reached_depth_mm core_fraction_cracked posterior_third_cracked complete \
             distance_to_capsule_min_mm breach tip_slipped",
        );
        assert_eq!(cell["depth_mm"], map["depth_mm"][i / 3]);
        assert_eq!(cell["angle_deg"], map["angle_deg"][i % 3]);
    }
    // A flat tip cannot get deep; half the core's thickness at 44° is reached and cracks the core.
    assert_eq!(cells[6]["reachable"], false);
    assert!(cells[6]["reached_depth_mm"].as_f64().unwrap() < 1.0);
    assert_eq!(cells[8]["reachable"], true);
    assert!((cells[8]["reached_depth_mm"].as_f64().unwrap() - 1.6).abs() <= 0.15);
    assert!(cells[8]["core_fraction_cracked"].as_f64().unwrap() > 0.9);
    // A shallow one at a steep angle holds nothing.
    assert!(cells[2]["core_fraction_cracked"].as_f64().unwrap() < 0.1);
}

#[test]
fn a_map_is_the_same_for_any_number_of_threads() {
    let cells = |threads: &str| {
        map(&["--depth", "0.6..2.0:0.7", "--angle", "30..50:10", "--threads", threads])["cells"].clone()
    };
    let one = cells("1");
    assert_eq!(one.as_array().unwrap().len(), 9);
    assert_eq!(one, cells("2"));
    assert_eq!(one, cells("5"));
}

#[test]
fn a_map_listens_to_its_options() {
    let base = ["--depth", "1.4..1.4:1", "--angle", "40..40:1"];
    let with = |more: &[&str]| map(&[&base[..], more].concat())["cells"][0].clone();
    let plain = with(&[]);
    assert_eq!(plain["complete"], true, "{plain}");
    assert_eq!(with(&["--separation", "0.1"])["complete"], false);
    assert_ne!(with(&["--chop", "horizontal"]), plain);
    assert_ne!(with(&["--place", "-0.4,0.3"]), plain);
    assert_ne!(with(&["--seed", "9"]), plain);
    let vacuum =
        |mmhg: &str| map(&["--depth", "1.1..1.1:1", "--angle", "45..45:1", "--vacuum", mmhg])["cells"][0].clone();
    assert_ne!(vacuum("0"), vacuum("600"), "vacuum holds the nucleus on the tip");
}

#[test]
fn the_map_as_a_table_has_a_row_a_depth_and_a_legend_and_fits_80_columns() {
    let case = scenario("long-eye-dense-core.ron");
    let output = corecleft(&["map", &case, "--depth", "0.4..1.6:0.4", "--angle", "15..54.5:2.5"]);
    assert_eq!((code(&output), text(&output.stderr)), (0, ""));
    let page = text(&output.stdout);
    assert_within_80_columns(page);
    for depth in ["0.4 mm", "0.8 mm", "1.2 mm", "1.6 mm"] {
        // Seventeen angles with a decimal do not fit side by side: the table goes on below.
        assert_eq!(page.lines().filter(|l| l.trim_start().starts_with(&format!("{depth}  "))).count(), 2, "{page}");
    }
    assert!(page.contains("#  cracked through") && page.contains("·  the tip could not be brought to this depth"));
    let flat = page.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(flat.contains("In this model"));
    assert_says_for_education_only(&flat);
}

#[test]
fn ranges_and_options_that_make_no_sense_are_refused_in_one_line() {
    let case = scenario("medium-uniform.ron");
    for (depth, angle, says) in [
        ("1..2", "20..40:5", "a range such as 0..5:1 is meant"),
        ("2..1:0.5", "20..40:5", "1..2"),
        ("0..2:0", "20..40:5", "the step must be above 0"),
        ("0..2:-1", "20..40:5", "the step must be above 0"),
        ("0..9:1", "20..40:5", "must lie within 0 to 5 mm"),
        ("0..x:1", "20..40:5", "a number of mm is meant"),
        ("0..2:NaN", "20..40:5", "the step must be above 0"),
        ("0..2:1", "0..40:5", "must lie within 5 to 65 degrees"),
        ("0..5:0.01", "20..40:0.5", "10000 at most"),
        ("0..5:0.00000001", "20..40:5", "more than 10000 values"),
    ] {
        let line = refusal(&["map", &case, "--depth", depth, "--angle", angle]);
        assert!(line.contains(says), "{depth} {angle}: {line}");
    }
    let ranges = ["map", &case, "--depth", "1..2:1", "--angle", "30..40:10"];
    for (option, value) in [
        ("--threads", "0"),
        ("--threads", "many"),
        ("--separation", "-1"),
        ("--vacuum", "1000"),
        ("--place", "1"),
        ("--place", "1,99"),
        ("--chop", "diagonal"),
        ("--seed", "-3"),
        ("--png", ""),
    ] {
        let line = refusal(&[&ranges[..], &[option, value]].concat());
        assert!(line.contains(option), "{line}");
    }
}

#[test]
fn a_map_of_depth_and_vacuum_and_one_of_places_have_the_agreed_fields_and_those_of_their_axes() {
    let fields = "scenario seed depth_mm angle_deg vacuum_mmhg place_x_mm place_y_mm wall_s cells";
    let vacuum = map(&["--depth", "1.1..1.7:0.6", "--angle", "45", "--vacuum", "0..600:300"]);
    assert_keys(&vacuum, fields);
    assert_eq!(vacuum["vacuum_mmhg"], serde_json::json!([0.0, 300.0, 600.0]));
    assert_eq!(vacuum["angle_deg"], serde_json::json!([45.0]));
    let cells = vacuum["cells"].as_array().unwrap();
    assert_eq!(cells.len(), 6);
    for (i, cell) in cells.iter().enumerate() {
        assert_eq!(
            (&cell["depth_mm"], &cell["vacuum_mmhg"]),
            (&vacuum["depth_mm"][i / 3], &vacuum["vacuum_mmhg"][i % 3])
        );
        assert_eq!(cell["angle_deg"], 45.0);
    }
    // The same chop asked for in the map of depth and angle.
    let plain = map(&["--depth", "1.1..1.7:0.6", "--angle", "45", "--vacuum", "600"]);
    for field in ["core_fraction_cracked", "reached_depth_mm", "complete", "distance_to_capsule_min_mm"] {
        assert_eq!(cells[5][field], plain["cells"][1][field], "{field}");
    }
    let places = map(&["--depth", "1.5", "--angle", "45", "--place", "-1..1:1,0..4:4"]);
    assert_keys(&places, fields);
    let cells = places["cells"].as_array().unwrap();
    let at: Vec<_> =
        cells.iter().map(|c| (c["place_x_mm"].as_f64().unwrap(), c["place_y_mm"].as_f64().unwrap())).collect();
    assert_eq!(at, [(-1.0, 0.0), (0.0, 0.0), (1.0, 0.0), (-1.0, 4.0), (0.0, 4.0), (1.0, 4.0)]);
    // Outside the core there is no depth in it.
    assert_eq!((&cells[1]["reachable"], &cells[4]["reachable"]), (&Value::Bool(true), &Value::Bool(false)), "{places}");
}

#[test]
fn maps_of_other_axes_are_tables_of_80_columns_too() {
    let case = scenario("long-eye-dense-core.ron");
    for (more, says) in [
        (["--depth", "1.2..1.6:0.4", "--angle", "45", "--vacuum", "100..300:200"], "Across: vacuum limit, mmHg."),
        (["--depth", "1.6", "--angle", "45", "--place", "0..1:0.5,-1..1:1"], "Across: mm toward 3 o'clock"),
    ] {
        let output = corecleft(&[&["map", &case], &more[..]].concat());
        let page = text(&output.stdout);
        assert_within_80_columns(page);
        let flat = page.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(flat.contains(says) && flat.contains("tip at 45°"), "{page}");
    }
}

#[test]
fn axes_that_do_not_go_together_are_refused_in_one_line() {
    let case = scenario("medium-uniform.ron");
    for (more, says) in [
        (vec!["--depth", "1", "--angle", "20..40:5", "--vacuum", "0..300:100"], "one number for --angle"),
        (vec!["--depth", "1..2:1", "--angle", "40", "--place", "0..1:1,0"], "one number each for --depth"),
        (vec!["--depth", "1", "--angle", "40", "--vacuum", "0..300:100", "--place", "0..1:1,0"], "one number each for"),
        (vec!["--depth", "1", "--angle", "40", "--place", "-5..5:0.01,-5..5:0.01"], "10000 at most"),
    ] {
        let line = refusal(&[&["map", &case], &more[..]].concat());
        assert!(line.contains(says), "{line}");
    }
}

/// Pixels of a PNG, RGB, and its size.
fn pixels(file: &Path) -> (Vec<u8>, usize, usize) {
    let decoder = png::Decoder::new(std::io::BufReader::new(std::fs::File::open(file).unwrap()));
    let mut reader = decoder.read_info().unwrap();
    let mut bytes = vec![0; reader.output_buffer_size().unwrap()];
    let info = reader.next_frame(&mut bytes).unwrap();
    assert_eq!(info.color_type, png::ColorType::Rgb);
    bytes.truncate(info.buffer_size());
    (bytes, info.width as usize, info.height as usize)
}

/// How far a colour is from cividis at a share, of ten places of the published table with straight lines between them.
fn off_cividis(colour: &[u8], share: f64) -> f64 {
    // Shares 0, a half (between the fifth and the sixth place) and 1.
    let places = [[0.0, 32.0, 77.0], [125.0, 124.0, 118.0], [255.0, 234.0, 70.0]];
    let nearest = places[libm::round(2.0 * share) as usize];
    colour.iter().zip(nearest).map(|(c, n)| (f64::from(*c) - n).abs()).fold(0.0, f64::max)
}

#[test]
fn the_picture_of_a_map_has_its_size_and_each_cell_its_colour_at_its_place() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("map.png");
    let case = scenario("long-eye-dense-core.ron");
    let ranges = ["map", &case, "--depth", "0.4..2.4:1", "--angle", "20..50:10", "--json"];
    let output = corecleft(&[&ranges[..], &["--png", file.to_str().unwrap()]].concat());
    assert_eq!(code(&output), 0, "{}", text(&output.stderr));
    assert_eq!(text(&output.stderr).lines().count(), 1, "{}", text(&output.stderr));
    let map: Value = serde_json::from_str(text(&output.stdout)).unwrap();
    let cells = map["cells"].as_array().unwrap();
    let (rgb, wide, high) = pixels(&file);
    assert_eq!((wide, high), (1600, 1280));
    let at = |x: usize, y: usize| &rgb[3 * (y * wide + x)..3 * (y * wide + x) + 3];
    // The frame is the longest dark line across and the longest down that begins where that one does.
    let is_dark = |x: usize, y: usize| at(x, y).iter().all(|c| *c < 90);
    let is_white = |x: usize, y: usize| at(x, y) == [255, 255, 255];
    let bottom = (0..high).rev().find(|y| (0..wide).filter(|x| is_dark(*x, *y)).count() > wide / 2).unwrap();
    let left = (0..wide).find(|x| (0..high).filter(|y| is_dark(*x, *y)).count() > high / 4).unwrap();
    let right = (0..wide).rev().find(|x| (0..high).filter(|y| is_dark(*x, *y)).count() > high / 4).unwrap();
    let top = (0..high).find(|y| (0..wide).filter(|x| !is_white(*x, *y)).count() > wide * 3 / 4).unwrap();
    assert!(left < 200 && right > 1500 && top < 300 && bottom > 900, "{left} {right} {top} {bottom}");
    let mut judged = 0;
    for (i, cell) in cells.iter().enumerate() {
        let (row, column) = (i / 4, i % 4);
        // A quarter into the cell, beside the sign in its middle.
        let x = left + (right - left) * (4 * column + 1) / 16;
        let y = top + (bottom - top) * (4 * row + 1) / 12;
        let share = cell["core_fraction_cracked"].as_f64().unwrap();
        if cell["reachable"] == false {
            assert!(is_white(x, y), "cell {i}: {:?}", at(x, y));
            assert!(!is_white(left + (right - left) * (2 * column + 1) / 8, top + (bottom - top) * (2 * row + 1) / 6));
        } else if !(0.03..0.97).contains(&share) {
            assert!(off_cividis(at(x, y), share) < 20.0, "cell {i}, {share}: {:?}", at(x, y));
            judged += 1;
        }
    }
    assert!(judged >= 3 && cells.iter().any(|c| c["reachable"] == false), "{map}");
}

#[test]
fn a_picture_that_cannot_be_written_is_one_line_and_leaves_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let case = scenario("medium-uniform.ron");
    let file = folder.path().join("missing").join("map.png");
    let line = refusal(&["map", &case, "--depth", "1", "--angle", "40", "--png", file.to_str().unwrap()]);
    assert!(line.contains("map.png: cannot be written") && line.contains("allowed: a file in a folder"), "{line}");
    let there = folder.path().to_str().unwrap();
    refusal(&["map", &case, "--depth", "1", "--angle", "40", "--png", there]);
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0);
}

#[test]
fn ten_thousand_cells_are_not_refused_before_the_case_is_read() {
    let line = refusal(&["map", "missing.ron", "--depth", "0..0.99:0.01", "--angle", "20..29.9:0.1"]);
    assert!(line.contains("missing.ron: does not exist"), "{line}");
}

#[test]
fn usage_errors_are_one_line_that_says_what_would_be_right() {
    for (arguments, says) in [
        (vec!["verify"], "<ATTEMPT>"),
        (vec!["plya"], "`plya` is not a command; allowed: play, map, debrief, whatif, verify, check, calibrate"),
        (vec!["two\nlines"], "`two\\nlines` is not a command"),
        (vec!["play"], "--plan <PLAN>"),
        (vec!["play", "a.ron"], "--plan <PLAN>"),
        (vec!["map", "a.ron", "--depth", "0..1:1"], "--angle <A..B:STEP>"),
        (vec!["check"], "<FILE>"),
        (vec!["--frobnicate"], "--frobnicate"),
        (vec!["play", "a.ron", "--plan", "b.ron", "--save"], "--save"),
    ] {
        let line = refusal(&arguments);
        assert!(line.contains(says), "{arguments:?}: {line}");
        assert!(line.starts_with("error: "), "{line}");
    }
}

#[test]
fn help_fits_80_columns_and_offers_only_what_there_is() {
    let of_the_record = [
        "add", "list", "comment", "sign-off", "rescore", "verify", "rebuild", "head", "key", "people", "erase",
        "retain", "admit",
    ]
    .map(|command| vec!["logbook", command, "--help"])
    .into_iter()
    .filter(|_| cfg!(feature = "logbook"));
    for arguments in ["play", "map", "check", "whatif", "debrief", "next", "daily"]
        .map(|command| vec![command, "--help"])
        .into_iter()
        .chain(of_the_record)
        .chain([vec!["--help"], vec!["-h"]])
    {
        let output = corecleft(&arguments);
        assert_eq!((code(&output), text(&output.stderr)), (0, ""), "{arguments:?}");
        let help = text(&output.stdout);
        assert!(help.lines().count() > 5);
        assert_within_80_columns(help);
        let is_whole = arguments[0] == "--help" || arguments[0] == "-h";
        assert!(!is_whole || help.contains("\n  logbook ") == cfg!(feature = "logbook"), "{help}");
    }
    assert_eq!(text(&corecleft(&["--version"]).stdout), format!("corecleft {}\n", env!("CARGO_PKG_VERSION")));
}

#[test]
fn what_if_prints_the_agreed_fields_and_a_page_of_80_columns() {
    let folder = tempfile::tempdir().unwrap();
    let (case, plan) = (scenario("long-eye-dense-core.ron"), scenario("long-eye-dense-core.poor.plan.ron"));
    let saved = folder.path().to_str().unwrap();
    let played = corecleft(&["play", &case, "--plan", &plan, "--save", saved, "--json"]);
    let played: serde_json::Value = serde_json::from_str(text(&played.stdout)).unwrap();
    let events = played["events"].as_array().unwrap();
    let ended = events.iter().find(|e| e["kind"] == "chop-ended").unwrap()["index"].to_string();
    let attempt = std::fs::read_dir(folder.path()).unwrap().next().unwrap().unwrap().path();
    let attempt = attempt.to_str().unwrap();
    let output = corecleft(&["whatif", attempt, "--event", &ended, "--repeats", "3", "--json"]);
    assert_eq!((code(&output), text(&output.stderr)), (0, ""));
    let answer: serde_json::Value = serde_json::from_str(text(&output.stdout)).unwrap();
    for field in ["event", "decision", "latest_sufficient", "earliest_easy", "alternatives"] {
        assert!(answer.get(field).is_some(), "{field} is missing");
    }
    for field in ["t_s", "what", "value"] {
        assert!(!answer["decision"][field].is_null(), "{field} is missing");
    }
    let alternatives = answer["alternatives"].as_array().unwrap();
    assert!(alternatives.len() > 20);
    for field in ["what", "value", "t_s", "avoided", "of", "low", "high"] {
        assert!(alternatives.iter().all(|a| !a[field].is_null()), "{field} is missing");
    }
    let output = corecleft(&["whatif", attempt, "--event", &ended, "--repeats", "3"]);
    assert_within_80_columns(text(&output.stdout));
    assert!(text(&output.stdout).contains("In this model"));
    for (event, says) in [("999", "has no event 999; allowed: 0–"), ("0", "a step, not an outcome; allowed:")] {
        let line = refusal(&["whatif", attempt, "--event", event]);
        assert!(line.contains(says), "{line}");
    }
}

/// A shipped plan with something expected before its first step.
fn expecting(folder: &Path, plan: &str, expected: &str) -> String {
    let text = std::fs::read_to_string(scenario(plan)).unwrap();
    let step = format!("steps: [\n        Predict({expected}),");
    let file = folder.join(format!("expecting-{plan}"));
    std::fs::write(&file, text.replacen("steps: [", &step, 1)).unwrap();
    file.display().to_string()
}

#[test]
fn what_was_expected_is_compared_with_what_came_and_changes_nothing_else() {
    let folder = tempfile::tempdir().unwrap();
    let case = scenario("long-eye-dense-core.ron");
    let through = "depth_mm: 1.6, angle_deg: 40, place_mm: (0, 0), expected: Through";
    let plan = expecting(folder.path(), "long-eye-dense-core.good.plan.ron", through);
    let found = json(&corecleft(&["play", &case, "--plan", &plan, "--json"]));
    let plain = play("long-eye-dense-core", "good", 1);
    assert_eq!(found["state_hash"], plain["state_hash"]);
    assert_eq!(found["components"], plain["components"]);
    let told = &found["predictions"][0];
    assert_keys(
        told,
        "t_s depth_mm angle_deg place_mm expected chop came reached_depth_mm reached_angle_deg reached_place_mm right \
         depth_off_mm error through_mm",
    );
    assert_eq!((&told["t_s"], &told["expected"], &told["chop"]), (&0.0.into(), &"through".into(), &0.into()));
    assert_eq!((&told["came"], &told["right"], &told["error"]), (&"through".into(), &true.into(), &0.0.into()));
    let depth = |value: &Value| value.as_f64().unwrap();
    assert!((depth(&told["reached_depth_mm"]) - 1.6).abs() < 0.2, "{told}");
    assert!(depth(&told["through_mm"][0]) < 1.6 && depth(&told["through_mm"][1]) >= 1.6, "{told}");
    let page = corecleft(&["play", &case, "--plan", &plan]);
    assert_within_80_columns(text(&page.stdout));
    assert!(text(&page.stdout).contains("\nWhat was expected\n"));
    let flat = text(&page.stdout).split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(flat.contains("Expected, 1.60 mm deep at 40° at (0.0, 0.0) mm: right through. It was 1."), "{flat}");
    assert!(
        flat.contains("Prediction error 0.00: as expected; at this angle and place the chop goes right through from")
    );

    // The poor plan of the same eye does not go through: what was stated was right, and not what came.
    let plan = expecting(folder.path(), "long-eye-dense-core.poor.plan.ron", through);
    let poor = json(&corecleft(&["play", &case, "--plan", &plan, "--json"]));
    let told = &poor["predictions"][0];
    assert_eq!((&told["right"], &told["error"]), (&false.into(), &0.5.into()), "{told}");
    // Stopping in an eye that can be chopped is wrong.
    let stop = "depth_mm: 1.6, angle_deg: 40, place_mm: (0, 0), expected: StopAndCall";
    let plan = expecting(folder.path(), "long-eye-dense-core.good.plan.ron", stop);
    let stopped = json(&corecleft(&["play", &case, "--plan", &plan, "--json"]));
    let told = &stopped["predictions"][0];
    assert_eq!(
        (&told["expected"], &told["right"], &told["error"]),
        (&"stop-and-call".into(), &false.into(), &1.0.into())
    );

    // It is kept with the attempt, told again, and confuses no proof.
    let saved = folder.path().join("saved");
    let plan = expecting(folder.path(), "long-eye-dense-core.good.plan.ron", through);
    let kept = corecleft(&["play", &case, "--plan", &plan, "--save", saved.to_str().unwrap()]);
    let attempt = std::fs::read_dir(&saved).unwrap().next().unwrap().unwrap().path();
    let attempt = attempt.to_str().unwrap();
    assert_eq!(text(&corecleft(&["debrief", attempt]).stdout), text(&kept.stdout));
    assert_eq!(code(&corecleft(&["verify", attempt])), 0);
    let html = folder.path().join("debrief.html");
    corecleft(&["debrief", attempt, "--no-maps", "--html", html.to_str().unwrap()]);
    let document = std::fs::read_to_string(html).unwrap();
    assert!(document.contains("<h2>What was expected</h2>") && document.contains("Prediction error 0.00"));
}

#[test]
fn the_next_case_is_of_the_kind_that_was_misjudged_most() {
    let folder = tempfile::tempdir().unwrap();
    let saved = folder.path().to_str().unwrap();
    let next = || json(&corecleft(&["next", saved, "--json"]));
    let none = next();
    assert_keys(&none, "attempts next title kind misjudges mean_error why learner kinds");
    assert_eq!(
        (&none["attempts"], &none["next"], &none["kind"]),
        (&0.into(), &"medium-uniform".into(), &"ordinary".into())
    );
    assert_eq!(none["kinds"].as_array().unwrap().len(), 10);
    let played = |name: &str, which: &str, expected: Option<&str>| {
        let file = format!("{name}.{which}.plan.ron");
        let plan = expected.map_or_else(|| scenario(&file), |expected| expecting(folder.path(), &file, expected));
        let done = corecleft(&["play", &scenario(&format!("{name}.ron")), "--plan", &plan, "--save", saved]);
        assert_eq!(code(&done), 0);
        // Files are told apart in time by what the file system can tell.
        std::thread::sleep(std::time::Duration::from_millis(30));
    };
    // The attempt passes, but what was expected of it was wrong: the error counts, not the pass.
    let wrong = "depth_mm: 0.2, angle_deg: 40, place_mm: (0, 0), expected: StopAndCall";
    played("long-eye-dense-core", "good", Some(wrong));
    let straight_after = next();
    assert_ne!(straight_after["next"], "long-eye-dense-core", "not twice in a row");
    played("medium-uniform", "good", None);
    let found = next();
    assert_eq!(
        (&found["next"], &found["kind"], &found["attempts"]),
        (&"long-eye-dense-core".into(), &"long".into(), &2.into())
    );
    assert_eq!(found["mean_error"], 1.0);
    let page = corecleft(&["next", saved]);
    assert_within_80_columns(text(&page.stdout));
    assert!(text(&page.stdout).starts_with("Next: long-eye-dense-core ("), "{}", text(&page.stdout));
    // What is no attempt is left out, and said.
    std::fs::write(folder.path().join("bad.attempt"), "nothing").unwrap();
    let page = corecleft(&["next", saved]);
    assert_eq!((code(&page), text(&page.stderr).lines().count()), (0, 1), "{}", text(&page.stderr));
    assert!(text(&page.stderr).contains("bad.attempt is left out: it is not an attempt"), "{}", text(&page.stderr));
    let line = refusal(&["next", "no such folder"]);
    assert!(line.contains("allowed: a folder of attempts"), "{line}");
}

#[test]
fn one_eye_a_day_is_shown_tried_and_kept() {
    let folder = tempfile::tempdir().unwrap();
    let journal = folder.path().join("daily.ron");
    let journal = journal.to_str().unwrap();
    let daily = |day: &str, more: &[&str]| {
        let mut arguments = vec!["daily", "--date", day, "--journal", journal, "--learner", "9", "--json"];
        arguments.extend(more);
        json(&corecleft(&arguments))
    };
    let stated = ["--depth", "1.5", "--angle", "40", "--place", "0.1,-0.2", "--expect", "through"];
    let shown = daily("2026-11-27", &[]);
    assert_keys(&shown, "date title sheet trial kept line weeks kinds");
    assert_eq!((&shown["trial"], &shown["kept"]), (&Value::Null, &false.into()));
    assert!(!Path::new(journal).exists(), "looking keeps nothing");
    let tried = daily("2026-11-27", &stated);
    assert_eq!((&tried["sheet"], &tried["kept"]), (&shown["sheet"], &true.into()));
    let trial = &tried["trial"];
    assert_keys(
        trial,
        "kind depth_mm angle_deg place_mm expected came right depth_off_mm error through_mm choppable chops",
    );
    let error = trial["error"].as_f64().unwrap();
    assert!((0.0..=1.0).contains(&error));
    let chops = trial["chops"].as_array().unwrap();
    assert_eq!(chops.len(), 4);
    for chop in chops {
        assert_keys(
            chop,
            "which depth_mm angle_deg place_mm came reached_depth_mm core_fraction_cracked distance_to_capsule_min_mm",
        );
    }
    assert_eq!(chops[0]["came"], trial["came"]);
    assert_eq!(tried["line"][0]["error"], trial["error"]);
    let again = [&["daily", "--date", "2026-11-27", "--journal", journal], stated.as_slice()].concat();
    assert!(refusal(&again).contains("has an entry for 2026-11-27 already; allowed: one eye a day"));
    let stop = ["--depth", "1.5", "--angle", "40", "--place", "0,0", "--expect", "call"];
    let other = daily("2026-11-28", &stop);
    assert_eq!((&other["trial"]["came"], other["line"].as_array().unwrap().len()), (&Value::Null, 2));
    assert_ne!(other["sheet"], shown["sheet"]);
    let page = corecleft(&["daily", "--date", "2026-11-29", "--journal", journal]);
    assert_within_80_columns(text(&page.stdout));
    assert_says_for_education_only(&text(&page.stdout).split_whitespace().collect::<Vec<_>>().join(" "));
    assert!(text(&page.stdout).contains("2026-11-28"));
    let page = corecleft(&[&["daily", "--date", "2026-11-29"], stated.as_slice()].concat());
    assert_within_80_columns(text(&page.stdout));
    for which in ["As you stated it", "0.5 mm shallower", "0.5 mm deeper", "0.5 mm more peripheral"] {
        assert!(text(&page.stdout).contains(which), "{which}");
    }
    for (arguments, says) in [
        (vec!["daily", "--depth", "1"], "--angle"),
        (vec!["daily", "--date", "2026-02-30"], "is no date; allowed: a day of the calendar"),
        (vec!["daily", "--depth", "7", "--angle", "40", "--place", "0,0", "--expect", "call"], "0 to 5 mm"),
        (
            vec!["daily", "--depth", "1", "--angle", "40", "--place", "0,0", "--expect", "maybe"],
            "through, hinged, call",
        ),
    ] {
        let line = refusal(&arguments);
        assert!(line.contains(says), "{line}");
    }
}

#[test]
fn calibrate_prints_the_agreed_fields_and_its_parts_come_to_the_same() {
    let folder = tempfile::tempdir().unwrap();
    let case = scenario("medium-uniform.ron");
    let json = |arguments: &[&str]| -> serde_json::Value {
        let output = corecleft(arguments);
        assert_eq!((code(&output), text(&output.stderr)), (0, ""), "{arguments:?}");
        serde_json::from_str(text(&output.stdout)).unwrap()
    };
    let without_time = |mut found: serde_json::Value| {
        found["scenarios"][0]["wall_s"] = serde_json::Value::Null;
        found
    };
    let whole = json(&["calibrate", &case, "--attempts", "6", "--threads", "2", "--json"]);
    let found = &whole["scenarios"][0];
    for field in ["scenario", "difficulty", "pass_rate_by_skill", "wall_s"] {
        assert!(!found[field].is_null(), "{field} is missing");
    }
    for field in ["auc_novice_expert", "icc"] {
        assert!(found.get(field).is_some(), "{field} is missing");
    }
    let bands = found["pass_rate_by_skill"].as_array().unwrap();
    assert!(bands.len() > 2);
    for field in ["skill", "pass_rate", "low", "high"] {
        assert!(bands.iter().all(|band| band.get(field).is_some()), "{field} is missing");
    }
    let parts = ["1/2", "2/2"].map(|part| {
        let file = folder.path().join(format!("{}.json", &part[..1])).display().to_string();
        let output =
            corecleft(&["calibrate", &case, "--attempts", "6", "--threads", "1", "--shard", part, "--out", &file]);
        assert_eq!((code(&output), text(&output.stdout)), (0, ""), "{}", text(&output.stderr));
        file
    });
    let merged = json(&["calibrate", "--json", "--merge", &parts[1], &parts[0]]);
    assert_eq!(without_time(merged), without_time(whole));
    for (files, says) in [
        (vec![parts[0].as_str()], "parts are missing: 2"),
        (vec![parts[0].as_str(), parts[0].as_str()], "is part 1 again"),
        (vec![case.as_str()], "is no part"),
    ] {
        let line = refusal(&[&["calibrate", "--merge"], files.as_slice()].concat());
        assert!(line.contains(says), "{line}");
    }
    let output = corecleft(&["calibrate", &case, "--attempts", "6"]);
    assert_within_80_columns(text(&output.stdout));
}

/// Bad inputs: a file's name, its bytes (absent: no file), and what the fault must say.
fn bad_cases() -> Vec<(&'static str, Option<Vec<u8>>, &'static str)> {
    let good = std::fs::read_to_string(scenario("medium-uniform.ron")).unwrap();
    let changed = |from: &str, to: &str| {
        assert!(good.contains(from), "{from}");
        Some(good.replacen(from, to, 1).into_bytes())
    };
    let mut not_utf8 = good.clone().into_bytes();
    not_utf8[40] = 0xFF;
    vec![
        ("missing.ron", None, "does not exist"),
        ("empty.ron", Some(vec![]), "is empty"),
        ("truncated.ron", Some(good.as_bytes()[..good.len() / 2].to_vec()), "ends too early"),
        ("not-utf8.ron", Some(not_utf8), "is not UTF-8"),
        ("type.ron", changed("age_years: 70", "age_years: \"old\""), "lens.age_years: "),
        ("unknown.ron", changed("age_years: 70", "age_years: 70, colour: 3"), "is not a known field"),
        ("range.ron", changed("age_years: 70", "age_years: 700"), "lens.age_years: "),
        ("field.ron", changed("pupil_mm: 7.0", ""), "eye.pupil_mm: "),
        ("core.ron", changed("diameter_mm: 6.6", "diameter_mm: 9.9"), "does not fit the lens"),
        ("version.ron", changed("format: 1", "format: 9"), "format 9 is not read by this version"),
    ]
}

#[test]
fn bad_cases_and_plans_are_refused_with_one_line_each() {
    let directory = tempfile::tempdir().unwrap();
    let plan = scenario("medium-uniform.good.plan.ron");
    for (name, bytes, says) in bad_cases() {
        let path = directory.path().join(name);
        if let Some(bytes) = bytes {
            std::fs::write(&path, bytes).unwrap();
        }
        let path = path.to_str().unwrap();
        for arguments in
            [vec!["play", path, "--plan", &plan], vec!["map", path, "--depth", "1..1:1", "--angle", "40..40:1"]]
        {
            let line = refusal(&arguments);
            assert!(line.starts_with(path), "{line}");
            assert!(line.contains(says), "{line}");
        }
    }
    let case = scenario("medium-uniform.ron");
    let line = refusal(&["play", directory.path().to_str().unwrap(), "--plan", &plan]);
    assert!(line.contains("is a directory"), "{line}");
    let line = refusal(&["play", &plan, "--plan", &plan]);
    assert!(line.contains("is a plan, not a case"), "{line}");
    let line = refusal(&["play", &case, "--plan", &case]);
    assert!(line.contains("is a case, not a plan"), "{line}");
    let strange = directory.path().join("strange.plan.ron");
    std::fs::write(&strange, "(format: 1, title: \"x\", steps: [Juggle])").unwrap();
    let line = refusal(&["play", &case, "--plan", strange.to_str().unwrap()]);
    assert!(line.contains("Juggle") && line.contains("strange.plan.ron:1:"), "{line}");
}

#[test]
fn two_faulty_files_are_both_reported() {
    let output = corecleft(&["play", "one.ron", "--plan", "two.plan.ron"]);
    assert_eq!(code(&output), 2);
    let lines: Vec<&str> = text(&output.stderr).lines().collect();
    assert!(
        lines.len() == 2 && lines[0].starts_with("one.ron: ") && lines[1].starts_with("two.plan.ron: "),
        "{lines:?}"
    );
}

#[test]
fn a_plan_without_end_is_refused() {
    let directory = tempfile::tempdir().unwrap();
    let plan = directory.path().join("long.plan.ron");
    let waits = "Wait(seconds: 60), ".repeat(11);
    std::fs::write(&plan, format!("(format: 1, title: \"Waiting\", steps: [{waits}])")).unwrap();
    let line = refusal(&["play", &scenario("medium-uniform.ron"), "--plan", plan.to_str().unwrap()]);
    assert!(line.contains("long.plan.ron") && line.contains("600 s"), "{line}");
}

#[test]
fn check_finds_no_fault_in_what_is_shipped() {
    let directory = Path::new(env!("CARGO_MANIFEST_DIR")).join("scenarios");
    let mut files: Vec<PathBuf> = std::fs::read_dir(directory).unwrap().map(|f| f.unwrap().path()).collect();
    files.sort();
    assert!(files.len() >= 6);
    let mut arguments = vec![PathBuf::from("check")];
    arguments.extend(files.iter().cloned());
    let output = corecleft(&arguments);
    assert_eq!((code(&output), text(&output.stderr)), (0, ""));
    let wanted: Vec<String> = files.iter().map(|f| format!("{}: no faults", f.display())).collect();
    let (warnings, others): (Vec<&str>, Vec<&str>) =
        text(&output.stdout).lines().partition(|line| line.contains(": warning: "));
    assert_eq!(others, wanted);
    // Eyes that are meant to be unusual, and in what.
    let unusual = [("dense-large", "grade"), ("last-piece-lax-capsule", "thickness_mm"), ("soft-nucleus", "grade")];
    for warning in warnings {
        assert!(unusual.iter().any(|(case, field)| warning.contains(case) && warning.contains(field)), "{warning}");
    }
}

#[test]
fn check_reports_every_fault_with_its_place_and_exits_1() {
    let directory = tempfile::tempdir().unwrap();
    for (name, bytes, says) in bad_cases() {
        let path = directory.path().join(name);
        if let Some(bytes) = bytes {
            std::fs::write(&path, bytes).unwrap();
        }
        let path = path.to_str().unwrap();
        let output = corecleft(&["check", path]);
        assert_eq!((code(&output), text(&output.stderr)), (1, ""), "{name}");
        let lines = text(&output.stdout);
        assert_eq!(lines.lines().count(), 1, "{lines}");
        assert!(lines.contains(says) && !lines.contains("no faults"), "{lines}");
        let output = corecleft(&["check", path, &scenario("medium-uniform.poor.plan.ron"), "--json"]);
        assert_eq!(code(&output), 1);
        let report = json(&output);
        assert_keys(&report, "files");
        assert_eq!(report["files"].as_array().unwrap().len(), 2);
        assert_keys(&report["files"][0], "file faults");
        assert_eq!(report["files"][0]["file"], path);
        assert_keys(&report["files"][0]["faults"][0], "line column field message allowed warning");
        assert_eq!(report["files"][0]["faults"][0]["warning"], false);
        assert_eq!(report["files"][0]["faults"][0]["line"].is_null(), name == "missing.ron");
        assert_eq!(report["files"][1]["faults"], serde_json::json!([]));
    }
    let twice = directory.path().join("twice.ron");
    let good = std::fs::read_to_string(scenario("medium-uniform.ron")).unwrap();
    std::fs::write(&twice, good.replace("age_years: 70", "age_years: 7").replace("end_mm: 2.2", "end_mm: 22")).unwrap();
    let output = corecleft(&["check", twice.to_str().unwrap()]);
    let lines: Vec<&str> = text(&output.stdout).lines().collect();
    assert_eq!(lines.len(), 2, "{lines:?}");
    assert!(lines[0].contains("lens.age_years") && lines[1].contains("chopper.end_mm"), "{lines:?}");
}

#[test]
fn a_warning_alone_is_no_fault() {
    let directory = tempfile::tempdir().unwrap();
    let path = directory.path().join("wide.ron");
    let good = std::fs::read_to_string(scenario("medium-uniform.ron")).unwrap();
    std::fs::write(&path, good.replace("pupil_mm: 7.0", "pupil_mm: 5.0")).unwrap();
    let path = path.to_str().unwrap();
    let output = corecleft(&["check", path]);
    assert_eq!(code(&output), 0);
    let lines: Vec<&str> = text(&output.stdout).lines().collect();
    assert_eq!(lines.len(), 2, "{lines:?}");
    assert!(lines[0].contains("surgery.rhexis_mm: warning: the rhexis is wider than the pupil"), "{lines:?}");
    assert!(lines[1].ends_with("wide.ron: no faults"), "{lines:?}");
    assert_eq!(json(&corecleft(&["check", path, "--json"]))["files"][0]["faults"][0]["warning"], true);
    // The case can be played all the same; the warning is a line on standard error.
    let output = corecleft(&["play", path, "--plan", &scenario("medium-uniform.good.plan.ron"), "--json"]);
    assert_eq!(code(&output), 0);
    assert_eq!(text(&output.stderr).lines().count(), 1);
    assert!(text(&output.stderr).contains("warning: the rhexis is wider"));
}

#[test]
fn packs_and_plans_are_told_from_cases_by_their_names() {
    let output = corecleft(&["check", "first.pack.ron"]);
    assert_eq!(code(&output), 1);
    assert_eq!(text(&output.stdout).lines().count(), 1);
    assert!(text(&output.stdout).contains("packs are not read by this version"));
    let directory = tempfile::tempdir().unwrap();
    let path = directory.path().join("case.plan.ron");
    std::fs::copy(scenario("medium-uniform.ron"), &path).unwrap();
    let output = corecleft(&["check", path.to_str().unwrap()]);
    assert_eq!(code(&output), 1);
    assert!(text(&output.stdout).contains("is a case, not a plan"));
}

#[cfg(unix)]
#[test]
fn a_reader_that_goes_away_is_no_error() {
    let mut child = Command::new(env!("CARGO_BIN_EXE_corecleft"))
        .arg("--help")
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    // Closed before anything is read. Whether the first write still fits the pipe or not, nothing may panic.
    drop(child.stdout.take());
    let output = child.wait_with_output().unwrap();
    assert_eq!((code(&output), text(&output.stderr)), (0, ""));
}

#[cfg(target_os = "linux")]
#[test]
fn an_output_that_cannot_be_written_is_one_line() {
    let full = std::fs::OpenOptions::new().write(true).open("/dev/full").unwrap();
    let output = Command::new(env!("CARGO_BIN_EXE_corecleft"))
        .arg("--help")
        .stdout(full)
        .stderr(Stdio::piped())
        .output()
        .unwrap();
    assert_eq!(code(&output), 2);
    assert_eq!(text(&output.stderr).lines().count(), 1);
    assert!(text(&output.stderr).starts_with("error: standard output cannot be written"));
}

/// An attempt that takes a nucleus is told in few lines: what is done again and again is told once with how often.
#[test]
fn a_long_attempt_is_told_in_few_lines() {
    let (case, plan) = (scenario("medium-uniform.ron"), scenario("medium-uniform.nucleus.plan.ron"));
    let output = corecleft(&["play", &case, "--plan", &plan]);
    let page = String::from_utf8(output.stdout).unwrap();
    assert!(page.lines().count() < 250, "{page}");
    assert!(page.contains("pulls until") && page.contains("times)"), "{page}");
}
