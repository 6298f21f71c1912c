//! The form of a plan file: which manoeuvres there are, with which fields, of which type and in which range.
//!
//! This is the one place where a plan's ranges are enforced; the doc comments of `plan::spec` state them.
//!
//! Invariants: a `PlanSpec` that leaves here has every number finite and within its range, and every fault of a file
//! is reported at once. Limits: RON only, format 1 only, 256 kB and 500 steps at most; whether the steps make sense one
//! after the other is not judged here.

use super::spec::{Bevel, ChopKind, Manoeuvre, PlanSpec};
use crate::case::fault::{Fault, Spans};
use crate::case::fields::{self, Group, Kind, ReadVariant, Text};
use std::path::Path;

/// Reads a plan file. Returns the plan and where its fields stood.
///
/// # Errors
/// Every fault of the file, at least one; a missing or unreadable file is one fault without a place.
pub fn read_plan(path: &Path) -> Result<(PlanSpec, Spans), Vec<Fault>> {
    parse_plan_bytes(&path.display().to_string(), &fields::read_bytes(path, Kind::Plan)?)
}

/// Reads a plan from the bytes of a file; `file_name` is what faults call it.
///
/// # Errors
/// Every fault of the file, at least one; bytes that are not UTF-8 are one fault at the first of them.
pub fn parse_plan_bytes(file_name: &str, bytes: &[u8]) -> Result<(PlanSpec, Spans), Vec<Fault>> {
    parse_plan(file_name, fields::utf8(file_name, bytes)?)
}

/// Reads a plan from text; `file_name` is what faults call it. Returns the plan and where its fields stood.
///
/// # Errors
/// Every fault of the text, at least one.
pub fn parse_plan(file_name: &str, text: &str) -> Result<(PlanSpec, Spans), Vec<Fault>> {
    fields::read(file_name, text, Kind::Plan, plan)
}

fn plan(f: &mut Group<'_, '_>) -> PlanSpec {
    PlanSpec {
        format: f.format(Kind::Plan),
        title: f.text("title", Text::Line(100)),
        steps: f.variants("steps", 1..=500, MANOEUVRES),
    }
}

/// The manoeuvres by name.
const MANOEUVRES: &[(&str, ReadVariant<Manoeuvre>)] = &[
    ("Set", set),
    ("Pedal", pedal),
    ("Bury", bury),
    ("Chop", chop),
    ("Separate", separate),
    ("Withdraw", |_| Manoeuvre::Withdraw),
    ("Turn", turn),
    ("Wait", wait),
];

fn set(f: &mut Group<'_, '_>) -> Manoeuvre {
    Manoeuvre::Set {
        vacuum_mmhg: f.number("vacuum_mmhg", 0.0..=700.0, "mmHg"),
        power: f.number("power", 0.0..=1.0, ""),
    }
}

fn pedal(f: &mut Group<'_, '_>) -> Manoeuvre {
    Manoeuvre::Pedal {
        position: f.whole("position", 0..=3),
        share: f.optional_number("share", 0.0..=1.0, "").unwrap_or(1.0),
    }
}

fn bury(f: &mut Group<'_, '_>) -> Manoeuvre {
    Manoeuvre::Bury {
        depth_mm: f.number("depth_mm", 0.0..=5.0, "mm"),
        angle_deg: f.number("angle_deg", 5.0..=65.0, "degrees"),
        place_mm: f.numbers("place_mm", ["toward 3 o'clock", "toward 12 o'clock"], -5.0..=5.0, "mm").into(),
        bevel: f.choice("bevel", ("Up", Bevel::Up), &[("Down", Bevel::Down)]),
        speed_mm_s: f.number("speed_mm_s", 0.2..=5.0, "mm/s"),
        ultrasound: f.number("ultrasound", 0.0..=1.0, ""),
    }
}

fn chop(f: &mut Group<'_, '_>) -> Manoeuvre {
    let kind = f.choice("kind", ("Vertical", ChopKind::Vertical), &[("Horizontal", ChopKind::Horizontal)]);
    // A horizontal chopper is drawn toward the tip and must stop short of it.
    let least_ahead_mm = match kind {
        ChopKind::Vertical => 0.0,
        ChopKind::Horizontal => 0.2,
    };
    Manoeuvre::Chop {
        kind,
        ahead_mm: f.number("ahead_mm", least_ahead_mm..=3.0, "mm"),
        aside_mm: f.number("aside_mm", -2.0..=2.0, "mm"),
        depth_mm: f.optional_number("depth_mm", 0.0..=5.0, "mm"),
    }
}

fn separate(f: &mut Group<'_, '_>) -> Manoeuvre {
    Manoeuvre::Separate {
        width_mm: f.number("width_mm", 0.0..=4.0, "mm"),
        speed_mm_s: f.number("speed_mm_s", 0.2..=5.0, "mm/s"),
    }
}

fn turn(f: &mut Group<'_, '_>) -> Manoeuvre {
    Manoeuvre::Turn { angle_deg: f.number("angle_deg", -360.0..=360.0, "degrees") }
}

fn wait(f: &mut Group<'_, '_>) -> Manoeuvre {
    Manoeuvre::Wait { seconds: f.number("seconds", 0.0..=60.0, "s") }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// A valid plan with every manoeuvre and every field.
    const FULL: &str = r#"(
    format: 1,
    title: "Deep, then apart",
    steps: [
        Set(vacuum_mmhg: 350, power: 0.6),
        Pedal(position: 1),
        // Down to the hilt.
        Bury(depth_mm: 2, angle_deg: 40, place_mm: (0.5, -1), bevel: Down, speed_mm_s: 1.5, ultrasound: 0.5),
        Chop(kind: Vertical, ahead_mm: 0, aside_mm: -0.4, depth_mm: 1.6),
        Separate(width_mm: 1.6, speed_mm_s: 1),
        Withdraw,
        Withdraw(),
        Turn(angle_deg: -45),
        Wait(seconds: 0.5),
    ],
)
"#;

    fn faults(text: &str) -> Vec<String> {
        let faults = parse_plan("a.plan.ron", text).expect_err("the text has faults");
        faults.iter().map(Fault::to_string).collect()
    }

    fn faults_after(from: &str, to: &str) -> Vec<String> {
        assert!(FULL.contains(from), "{from}");
        faults(&FULL.replacen(from, to, 1))
    }

    #[test]
    fn the_full_plan_is_read_with_every_manoeuvre() {
        let (plan, spans) = parse_plan("full.plan.ron", FULL).unwrap();
        let bury = Manoeuvre::Bury {
            depth_mm: 2.0,
            angle_deg: 40.0,
            place_mm: (0.5, -1.0),
            bevel: Bevel::Down,
            speed_mm_s: 1.5,
            ultrasound: 0.5,
        };
        let chop = Manoeuvre::Chop { kind: ChopKind::Vertical, ahead_mm: 0.0, aside_mm: -0.4, depth_mm: Some(1.6) };
        let expected = [
            Manoeuvre::Set { vacuum_mmhg: 350.0, power: 0.6 },
            Manoeuvre::Pedal { position: 1, share: 1.0 },
            bury,
            chop,
            Manoeuvre::Separate { width_mm: 1.6, speed_mm_s: 1.0 },
            Manoeuvre::Withdraw,
            Manoeuvre::Withdraw,
            Manoeuvre::Turn { angle_deg: -45.0 },
            Manoeuvre::Wait { seconds: 0.5 },
        ];
        assert_eq!(plan.steps, expected);
        assert_eq!(spans.place("steps[2].Bury.depth_mm"), (8, 24));
        assert_eq!(spans.place("steps[2]"), (8, 9));
        for name in MANOEUVRES.iter().map(|manoeuvre| manoeuvre.0) {
            assert!(spans.paths().any(|path| path.ends_with(&format!("].{name}"))), "{name} is not in the full plan");
        }
        let pretty = ron::ser::to_string_pretty(&plan, ron::ser::PrettyConfig::default()).unwrap();
        assert_eq!(parse_plan("a.plan.ron", &pretty).unwrap().0, plan);
    }

    #[test]
    fn each_field_left_out_is_one_fault_that_names_it() {
        let (_, spans) = parse_plan("full.plan.ron", FULL).unwrap();
        let mut tried = 0;
        for path in spans.paths().filter(|path| path.starts_with("steps[") && !path.ends_with(']')) {
            let Some((step, name)) = path.rsplit_once('.').filter(|(step, _)| step.contains('.')) else { continue };
            let (line, _) = spans.place(path);
            let lines: Vec<String> = FULL.lines().map(str::to_owned).collect();
            let written = &lines[line - 1];
            let start = written.find(&format!("{name}: ")).unwrap();
            let mut depth = 0;
            let length = written[start..]
                .find(|c| {
                    let ends = depth == 0 && matches!(c, ',' | ')');
                    depth += i32::from(c == '(') - i32::from(c == ')');
                    ends
                })
                .unwrap();
            let rest = written[start + length..].trim_start_matches(", ");
            let mut shortened = lines.clone();
            shortened[line - 1] = format!("{}{rest}", &written[..start]);
            let read = parse_plan("a.plan.ron", &shortened.join("\n"));
            if path.ends_with("Chop.depth_mm") {
                assert!(read.is_ok(), "{path} may be left out");
                continue;
            }
            let found = read.expect_err("a field is missing");
            assert_eq!(found.len(), 1, "{found:?}");
            assert_eq!((found[0].field.as_str(), found[0].message.as_str()), (path, "is missing"));
            assert_eq!((found[0].line, found[0].column), spans.place(step));
            tried += 1;
        }
        assert_eq!(tried, 16);
    }

    #[test]
    fn several_faults_are_reported_at_once_each_in_its_place() {
        let text = FULL
            .replace("power: 0.6", "powr: 0.6")
            .replace("(0.5, -1)", "(0.5, -6)")
            .replace("bevel: Down", "bevel: Sideways")
            .replace("kind: Vertical", "kind: Horizontal")
            .replace("Separate(", "Seperate(")
            .replace("Withdraw()", "Withdraw(slowly: true)")
            .replace("Turn(angle_deg: -45)", "Turn(-45)")
            .replace("Wait(seconds: 0.5)", "Wait")
            .replace("Pedal(position: 1)", "1");
        let all = "Set, Pedal, Bury, Chop, Separate, Withdraw, Turn, Wait";
        let expected = [
            "a.plan.ron:5:9: steps[0].Set.power: is missing; allowed: 0 to 1".to_owned(),
            "a.plan.ron:5:31: steps[0].Set.powr: is not a known field; did you mean `power`?; allowed: \
             vacuum_mmhg, power"
                .to_owned(),
            format!(
                "a.plan.ron:6:9: steps[1]: must be a name with its fields in parentheses, found `1`; \
             allowed: {all}"
            ),
            "a.plan.ron:8:58: steps[2].Bury.place_mm[1]: -6 mm is out of range; allowed: -5 to 5 mm".to_owned(),
            "a.plan.ron:8:70: steps[2].Bury.bevel: `Sideways` is not a known name; allowed: Up or Down".to_owned(),
            "a.plan.ron:9:42: steps[3].Chop.ahead_mm: 0 mm is out of range; allowed: 0.2 to 3 mm".to_owned(),
            format!(
                "a.plan.ron:10:9: steps[4]: `Seperate` is not a known name; did you mean `Separate`?; \
             allowed: {all}"
            ),
            "a.plan.ron:12:18: steps[6].Withdraw.slowly: is not a known field; allowed: no fields".to_owned(),
            "a.plan.ron:13:13: steps[7].Turn: must name its fields; \
             allowed: fields as in `(name: value, …)`"
                .to_owned(),
            "a.plan.ron:14:9: steps[8].Wait.seconds: is missing; allowed: 0 to 60 s".to_owned(),
        ];
        assert_eq!(faults(&text), expected);
    }

    #[test]
    fn the_list_of_steps_is_checked_itself() {
        let allowed = "allowed: a list of 1 to 500 items, as in `[…, …]`";
        let with = |steps: &str| faults(&format!("(format: 1, title: \"x\", steps: {steps})"));
        assert_eq!(with("[]"), [format!("a.plan.ron:1:32: steps: has 0 items; {allowed}")]);
        assert_eq!(
            with("Withdraw"),
            [format!("a.plan.ron:1:32: steps: must be a list, found the name `Withdraw`; {allowed}")]
        );
        assert_eq!(
            with("(Withdraw, Withdraw)"),
            [format!("a.plan.ron:1:32: steps: must be a list, found values in parentheses; {allowed}")]
        );
        assert_eq!(
            with(&format!("[{}]", "Withdraw,".repeat(501))),
            [format!("a.plan.ron:1:32: steps: has 501 items; {allowed}")]
        );
    }

    #[test]
    fn another_format_version_or_a_case_is_refused_with_one_sentence() {
        assert_eq!(
            faults_after("format: 1", "format: 2"),
            ["a.plan.ron:2:13: format: format 2 is not read by this version; allowed: 1"]
        );
        assert_eq!(
            faults("(format: 1, title: \"x\", eye: (), lens: ())"),
            ["a.plan.ron:1:1: file: is a case, not a plan; allowed: a plan file"]
        );
        assert_eq!(faults(""), ["a.plan.ron:1:1: file: is empty; allowed: a plan"]);
        let missing = read_plan(Path::new("no such folder/x.plan.ron")).expect_err("does not exist");
        assert_eq!(
            missing[0].to_string(),
            "no such folder/x.plan.ron:0:0: file: does not exist; allowed: the path of a plan file"
        );
    }

    proptest! {
        #![proptest_config(ProptestConfig { cases: 2000, failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn damaged_plans_are_read_or_refused(
            changes in prop::collection::vec((0..FULL.len(), any::<u8>()), 1..4),
            kept in 0..=FULL.len(),
            truncates in any::<bool>(),
        ) {
            let mut bytes = FULL.as_bytes().to_vec();
            for (at, byte) in changes {
                // Mostly characters that mean something to the notation.
                bytes[at] = *b"()[]{},:\"'/*#!rb.-+1e_SNi \n\\".get(usize::from(byte)).unwrap_or(&byte);
            }
            if truncates {
                bytes.truncate(kept);
            }
            if let Err(faults) = parse_plan_bytes("a.plan.ron", &bytes) {
                prop_assert!(!faults.is_empty());
                for fault in faults {
                    prop_assert_eq!(fault.to_string().lines().count(), 1);
                    prop_assert!(fault.line >= 1 && fault.column >= 1);
                }
            }
        }
    }
}
