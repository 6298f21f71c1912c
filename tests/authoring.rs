//! `docs/authoring.md` as an educator follows it: its files are written, its commands run, its reference compared with
//! the readers of case and plan.
#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test that cannot go on fails")]

use serde_json::Value;
use std::path::Path;
use std::process::{Command, Output};

const GUIDE: &str = include_str!("../docs/authoring.md");
const CASE: &str = "firm-short-eye.ron";
const FAULTY: &str = "slip.plan.ron";

/// The fenced blocks in order: language and text.
fn blocks() -> Vec<(&'static str, &'static str)> {
    let mut parts = GUIDE.split("```");
    parts.next();
    let mut found = Vec::new();
    while let (Some(block), Some(_)) = (parts.next(), parts.next()) {
        found.push(block.split_once('\n').expect("a language, then the text"));
    }
    found
}

/// A folder with every file of the guide.
fn folder() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    for (_, text) in blocks().iter().filter(|(language, _)| *language == "ron") {
        let name = text.lines().next().and_then(|line| line.strip_prefix("// ")).expect("a file's name");
        std::fs::write(folder.path().join(name), text).unwrap();
    }
    folder
}

/// Runs a command of the guide; a star stands for the one file there is.
fn run(folder: &Path, line: &str) -> Output {
    let rest = line.strip_prefix("corecleft ").unwrap_or_else(|| panic!("no command of ours: {line}"));
    let arguments = rest.split_whitespace().map(|argument| {
        let Some((place, ending)) = argument.split_once("/*") else { return argument.to_owned() };
        let names = std::fs::read_dir(folder.join(place)).unwrap();
        let mut names = names.map(|entry| entry.unwrap().file_name().into_string().unwrap());
        let name = names.next().expect("a file for the star");
        assert!(name.ends_with(ending), "{name}");
        assert_eq!(names.next(), None, "one file only");
        format!("{place}/{name}")
    });
    let arguments: Vec<String> = arguments.collect();
    let mut command = Command::new(env!("CARGO_BIN_EXE_corecleft"));
    command.args(arguments).current_dir(folder).output().expect("the binary starts")
}

fn printed(output: &Output) -> &str {
    std::str::from_utf8(&output.stdout).expect("UTF-8")
}

#[test]
fn every_command_does_what_the_guide_says() {
    let folder = folder();
    let (mut commands, mut compared) = (Vec::new(), 0);
    let blocks = blocks();
    for (at, (language, text)) in blocks.iter().enumerate() {
        if *language != "sh" {
            continue;
        }
        let mut all = String::new();
        for line in text.lines() {
            let output = run(folder.path(), line);
            let is_faulty = line.contains(FAULTY);
            let said = String::from_utf8_lossy(&output.stderr);
            assert_eq!(output.status.code(), Some(i32::from(is_faulty)), "{line}: {}{said}", printed(&output));
            assert!(!printed(&output).is_empty(), "{line}");
            all += printed(&output);
            commands.push(line);
        }
        if let Some(("text", shown)) = blocks.get(at + 1) {
            assert_eq!(all, *shown, "{text}");
            compared += 1;
        }
    }
    assert_eq!(compared, 2, "what check prints for the good files and for the faulty one");
    for kind in ["check ", "play ", "map ", "debrief "] {
        assert!(commands.iter().any(|line| line.contains(kind)), "no command for {kind}");
    }
    for option in ["--json", "--save", "--html", "--seed"] {
        assert!(commands.iter().any(|line| line.contains(option)), "no command with {option}");
    }
    assert!(folder.path().join("debrief.html").is_file());
}

#[test]
fn case_and_plans_have_no_fault() {
    let folder = folder();
    let output = run(folder.path(), &format!("corecleft check {CASE}"));
    assert_eq!((output.status.code(), printed(&output)), (Some(0), "firm-short-eye.ron: no faults\n"));
    for plan in ["good", "poor"] {
        let name = format!("firm-short-eye.{plan}.plan.ron");
        let output = run(folder.path(), &format!("corecleft check {name}"));
        assert_eq!((output.status.code(), printed(&output)), (Some(0), format!("{name}: no faults\n").as_str()));
    }
}

#[test]
fn the_limits_that_are_shown_fit_the_case_and_narrower_ones_are_reported() {
    let folder = folder();
    let shown: String =
        GUIDE.lines().filter(|l| l.starts_with("    limits:") || l.starts_with("    teaching:")).collect();
    assert!(shown.contains("limits:") && shown.contains("teaching:"), "{shown}");
    let case = std::fs::read_to_string(folder.path().join(CASE)).unwrap();
    let check = |groups: &str| {
        let whole = case.trim_end().strip_suffix(')').expect("the end of the case").to_owned() + groups + ")\n";
        std::fs::write(folder.path().join(CASE), whole).unwrap();
        run(folder.path(), &format!("corecleft check {CASE}"))
    };
    let output = check(&shown);
    assert_eq!((output.status.code(), printed(&output)), (Some(0), "firm-short-eye.ron: no faults\n"));
    let output = check(&shown.replace("(60, 120)", "(100, 120)").replace("(30, 30)", "(31, 30)"));
    assert_eq!(output.status.code(), Some(1));
    let faults: Vec<&str> = printed(&output).lines().filter_map(|line| line.split_once(": ").map(|(_, f)| f)).collect();
    assert_eq!(
        faults,
        [
            "limits.bottle_cm: leave out the case's own 90 cm; allowed: limits that hold machine.bottle_cm",
            "limits.flow_ml_min: the lower end is above the upper; allowed: lower ≤ upper",
        ]
    );
}

#[test]
fn the_good_plan_passes_and_the_poor_one_fails() {
    let folder = folder();
    for (plan, passes) in [("good", true), ("poor", false)] {
        for seed in 1..=4 {
            let line = format!("corecleft play {CASE} --plan firm-short-eye.{plan}.plan.ron --seed {seed} --json");
            let output = run(folder.path(), &line);
            assert_eq!(output.status.code(), Some(0), "{line}");
            let played: Value = serde_json::from_str(printed(&output)).expect("JSON");
            assert_eq!(played["outcome"]["pass"], Value::Bool(passes), "{line}");
        }
    }
}

/// A reader's functions outside of its tests: name and body.
fn functions(source: &str) -> Vec<(&str, &str)> {
    let code = source.split("#[cfg(test)]").next().unwrap();
    let whole = code.split("\nfn ").skip(1).map(|function| function.split("\n}\n").next().unwrap());
    whole.map(|function| function.split_once('(').expect("arguments")).collect()
}

/// The names that stand first in a call or a pair, each with the code after it.
fn names(code: &str) -> Vec<(&str, &str)> {
    let mut found = Vec::new();
    for (at, _) in code.match_indices('(') {
        let Some(text) = code[at + 1..].trim_start().strip_prefix('"') else { continue };
        let (name, rest) = text.split_once('"').expect("the text ends");
        if name.chars().all(|c| c.is_ascii_alphanumeric() || c == '_') {
            found.push((name, rest));
        }
    }
    found
}

/// The row of the reference that begins with this field.
fn row(reference: &str, is_wanted: impl Fn(&str) -> bool, what: &str) -> String {
    let first =
        |line: &str| line.strip_prefix("| `").and_then(|rest| rest.split_once('`').map(|(name, _)| is_wanted(name)));
    let row = reference.lines().find(|line| first(line) == Some(true));
    row.unwrap_or_else(|| panic!("{what} is not in the reference")).to_owned()
}

/// The range that the code after a field's name gives it, as the reference writes it: `0.5 to 1.5`.
fn range(rest: &str) -> Option<String> {
    let argument = rest.split([')', ';']).next()?;
    let (low, high) = argument.split_once("..=")?;
    let low = low.rsplit([',', ' ']).next()?.parse::<f64>().ok()?;
    let high = high.split(',').next()?.trim().parse::<f64>().ok()?;
    Some(format!("{low} to {high}"))
}

/// Checks one field, or one name that a field may have, of a group.
fn is_in_reference(reference: &str, group: &str, name: &str, rest: &str) -> bool {
    if name.starts_with(|c: char| c.is_ascii_uppercase()) || matches!(name, "true" | "false") {
        assert!(reference.contains(&format!("`{name}`")), "{group}: the name {name} is not in the reference");
        return false;
    }
    let path = if group.is_empty() { name.to_owned() } else { format!("{group}.{name}") };
    let row = row(reference, |field| field == path || field.ends_with(&format!(".{path}")), &path);
    if let Some(range) = range(rest) {
        assert!(row.contains(&range), "{path}: the reference does not say {range}: {row}");
    }
    true
}

fn reference() -> (&'static str, &'static str) {
    let (_, reference) = GUIDE.split_once("## Reference: the case").expect("a reference");
    reference.split_once("## Reference: the plan").expect("a reference of the plan")
}

#[test]
fn every_field_of_a_case_is_in_the_reference_with_its_range() {
    let (reference, _) = reference();
    let mut fields = 0;
    for (group, body) in functions(include_str!("../src/case/read.rs")) {
        if group == "case" {
            for (name, rest) in names(body) {
                let is_group = reference.contains(&format!("\n| `{name}."));
                assert!(is_group || is_in_reference(reference, "", name, rest), "{name}");
            }
            continue;
        }
        for (name, rest) in names(body) {
            let is_group = reference.contains(&format!("\n| `{group}.{name}."));
            fields += usize::from(is_group || is_in_reference(reference, group, name, rest));
        }
    }
    assert!(reference.contains("\n| `format` |"));
    assert_eq!(fields, reference.matches("\n| `").count(), "{fields} fields and groups are read");
}

#[test]
fn every_step_of_a_plan_is_in_the_reference_with_its_fields() {
    let (_, reference) = reference();
    let source = include_str!("../src/plan/read.rs");
    let table = source.split("MANOEUVRES: &[").nth(1).and_then(|rest| rest.split("];").next()).expect("the table");
    let functions = functions(source);
    let (mut steps, mut fields) = (0, 0);
    for (step, rest) in names(table) {
        steps += 1;
        let reader = rest.trim_start_matches(", ").split(')').next().unwrap();
        match functions.iter().find(|(name, _)| *name == reader) {
            Some((_, body)) => {
                for (name, rest) in names(body) {
                    fields += usize::from(is_in_reference(reference, step, name, rest));
                }
            }
            None => {
                row(reference, |field| field == step, step);
                fields += 1;
            }
        }
    }
    assert_eq!(steps, table.matches("(\"").count());
    assert_eq!(fields, reference.matches("\n| `").count(), "the reference has rows that the reader does not know");
    for (name, _) in functions.iter().filter(|(name, _)| *name == "plan").flat_map(|(_, body)| names(body)) {
        assert!(reference.contains(&format!("`{name}`")), "{name}");
    }
}

#[test]
fn no_line_is_too_long() {
    for (at, line) in GUIDE.lines().enumerate() {
        assert!(line.chars().count() <= 120, "line {}: {} columns", at + 1, line.chars().count());
    }
}
