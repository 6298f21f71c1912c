//! The form of a plan file: which manoeuvres there are, with which fields, of which type and in which range.
//!
//! This is the one place where a plan's ranges are enforced; the doc comments of `plan::spec` state them.
//!
//! Invariants: a `PlanSpec` that leaves here has every number finite and within its range, and every fault of a file
//! is reported at once. Limits: RON only, format 1 only, 256 kB and 500 steps at most; whether the steps make sense one
//! after the other is not judged here.

use super::spec::{BRING_SPEED_MM_S, Bevel, ChopKind, DECOMPRESS_MM, Filling, GRIP_WAIT_S, Manoeuvre, OutOf, PlanSpec};
use crate::attempt::Expected;
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
    ("Withdraw", withdraw),
    ("Turn", turn),
    ("Wait", wait),
    ("Reflux", reflux),
    ("Hydrodissect", hydrodissect),
    ("Decompress", decompress),
    ("Clear", clear),
    ("Grip", grip),
    ("Bring", bring),
    ("Emulsify", emulsify),
    ("LetGo", |_| Manoeuvre::LetGo),
    ("Guard", guard),
    ("ChopperOut", |_| Manoeuvre::ChopperOut),
    ("LiftIris", lift_iris),
    ("Inject", inject),
    ("Predict", predict),
    ("StopAndCall", |_| Manoeuvre::StopAndCall),
];

/// What the two numbers of a place mean.
const PLACE: [&str; 2] = ["toward 3 o'clock", "toward 12 o'clock"];

fn set(f: &mut Group<'_, '_>) -> Manoeuvre {
    let vacuum_mmhg = f.optional_number("vacuum_mmhg", 0.0..=700.0, "mmHg");
    let power = f.optional_number("power", 0.0..=1.0, "");
    let bottle_cm = f.optional_number("bottle_cm", 0.0..=150.0, "cm");
    let flow_ml_min = f.optional_number("flow_ml_min", 0.0..=60.0, "mL/min");
    if [vacuum_mmhg, power, bottle_cm, flow_ml_min].iter().all(Option::is_none) {
        f.report_none_of(&["vacuum_mmhg", "power", "bottle_cm", "flow_ml_min"]);
    }
    Manoeuvre::Set { vacuum_mmhg, power, bottle_cm, flow_ml_min }
}

fn pedal(f: &mut Group<'_, '_>) -> Manoeuvre {
    Manoeuvre::Pedal {
        position: f.whole("position", 0..=3),
        share: f.optional_number("share", 0.0..=1.0, "").unwrap_or(1.0),
        power: f.optional_number("power", 0.0..=1.0, ""),
    }
}

fn bury(f: &mut Group<'_, '_>) -> Manoeuvre {
    Manoeuvre::Bury {
        depth_mm: f.number("depth_mm", 0.0..=5.0, "mm"),
        angle_deg: f.number("angle_deg", 5.0..=65.0, "degrees"),
        place_mm: f.numbers("place_mm", PLACE, -5.0..=5.0, "mm").into(),
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

fn withdraw(f: &mut Group<'_, '_>) -> Manoeuvre {
    let from = f.optional_choice("from", ("Lens", OutOf::Lens), &[("Eye", OutOf::Eye)]);
    Manoeuvre::Withdraw { from: from.unwrap_or(OutOf::Lens) }
}

fn turn(f: &mut Group<'_, '_>) -> Manoeuvre {
    Manoeuvre::Turn { angle_deg: f.number("angle_deg", -360.0..=360.0, "degrees") }
}

fn wait(f: &mut Group<'_, '_>) -> Manoeuvre {
    Manoeuvre::Wait { seconds: f.number("seconds", 0.0..=60.0, "s") }
}

fn reflux(f: &mut Group<'_, '_>) -> Manoeuvre {
    Manoeuvre::Reflux { seconds: f.number("seconds", 0.1..=10.0, "s") }
}

fn hydrodissect(f: &mut Group<'_, '_>) -> Manoeuvre {
    Manoeuvre::Hydrodissect {
        hour: f.whole("hour", 1..=12),
        volume_ml: f.number("volume_ml", 0.02..=2.0, "mL"),
        seconds: f.number("seconds", 0.2..=20.0, "s"),
    }
}

fn decompress(f: &mut Group<'_, '_>) -> Manoeuvre {
    Manoeuvre::Decompress {
        seconds: f.number("seconds", 0.2..=10.0, "s"),
        depth_mm: f.optional_number("depth_mm", 0.1..=1.0, "mm").unwrap_or(DECOMPRESS_MM),
    }
}

fn clear(f: &mut Group<'_, '_>) -> Manoeuvre {
    Manoeuvre::Clear {
        place_mm: f.numbers("place_mm", PLACE, -5.0..=5.0, "mm").into(),
        radius_mm: f.number("radius_mm", 0.0..=3.0, "mm"),
        depth_mm: f.number("depth_mm", 0.0..=2.0, "mm"),
        seconds: f.number("seconds", 0.2..=20.0, "s"),
    }
}

fn grip(f: &mut Group<'_, '_>) -> Manoeuvre {
    Manoeuvre::Grip {
        hour: f.optional_whole("hour", 1..=12),
        seconds: f.optional_number("seconds", 0.1..=10.0, "s").unwrap_or(GRIP_WAIT_S),
        bevel: f.optional_choice("bevel", ("Up", Bevel::Up), &[("Down", Bevel::Down)]),
    }
}

fn bring(f: &mut Group<'_, '_>) -> Manoeuvre {
    Manoeuvre::Bring {
        place_mm: f.optional_numbers("place_mm", PLACE, -5.0..=5.0, "mm").unwrap_or_default().into(),
        height_mm: f.optional_number("height_mm", -3.0..=4.0, "mm"),
        speed_mm_s: f.optional_number("speed_mm_s", 0.2..=10.0, "mm/s").unwrap_or(BRING_SPEED_MM_S),
    }
}

fn emulsify(f: &mut Group<'_, '_>) -> Manoeuvre {
    Manoeuvre::Emulsify {
        seconds: f.number("seconds", 0.1..=60.0, "s"),
        ultrasound: f.number("ultrasound", 0.0..=1.0, ""),
        vacuum: f.optional_number("vacuum", 0.0..=1.0, "").unwrap_or(1.0),
    }
}

fn guard(f: &mut Group<'_, '_>) -> Manoeuvre {
    Manoeuvre::Guard { below_mm: f.number("below_mm", 0.3..=3.0, "mm") }
}

fn lift_iris(f: &mut Group<'_, '_>) -> Manoeuvre {
    Manoeuvre::LiftIris { hour: f.whole("hour", 1..=12), seconds: f.number("seconds", 0.2..=5.0, "s") }
}

fn inject(f: &mut Group<'_, '_>) -> Manoeuvre {
    let others = [("Dispersive", Filling::Dispersive), ("Fluid", Filling::Fluid)];
    Manoeuvre::Inject {
        ovd: f.choice("ovd", ("Cohesive", Filling::Cohesive), &others),
        volume_ul: f.number("volume_ul", 1.0..=500.0, "µL"),
        seconds: f.number("seconds", 0.2..=20.0, "s"),
    }
}

fn predict(f: &mut Group<'_, '_>) -> Manoeuvre {
    let others = [("Hinged", Expected::Hinged), ("StopAndCall", Expected::StopAndCall)];
    Manoeuvre::Predict {
        depth_mm: f.number("depth_mm", 0.0..=5.0, "mm"),
        angle_deg: f.number("angle_deg", 5.0..=65.0, "degrees"),
        place_mm: f.numbers("place_mm", PLACE, -5.0..=5.0, "mm").into(),
        expected: f.choice("expected", ("Through", Expected::Through), &others),
    }
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
        Set(bottle_cm: Some(85), flow_ml_min: 28),
        Pedal(position: 3, share: 0.5, power: 0.4),
        Reflux(seconds: 0.5),
        Hydrodissect(hour: 12, volume_ml: 0.3, seconds: 3),
        Decompress(seconds: 1, depth_mm: 0.4),
        Clear(place_mm: (0, 0.5), radius_mm: 1.5, depth_mm: 0.3, seconds: 4),
        Grip(hour: 6, seconds: 2, bevel: Up),
        Bring(place_mm: (0.5, 0), height_mm: 1, speed_mm_s: 1.5),
        Emulsify(seconds: 6, ultrasound: 0.7, vacuum: 0.8),
        LetGo,
        Guard(below_mm: 1),
        ChopperOut,
        LiftIris(hour: 3, seconds: 1),
        Inject(ovd: Dispersive, volume_ul: 80, seconds: 3),
        Predict(depth_mm: 1.6, angle_deg: 35, place_mm: (0.2, 0), expected: Hinged),
        StopAndCall,
        Withdraw(from: Eye),
    ],
)
"#;

    /// The fields that may be left out, of `Set` all but one.
    const OPTIONAL: [&str; 16] = [
        "Set.vacuum_mmhg",
        "Set.power",
        "Set.bottle_cm",
        "Set.flow_ml_min",
        "Pedal.share",
        "Pedal.power",
        "Chop.depth_mm",
        "Withdraw.from",
        "Decompress.depth_mm",
        "Grip.hour",
        "Grip.seconds",
        "Grip.bevel",
        "Bring.place_mm",
        "Bring.height_mm",
        "Bring.speed_mm_s",
        "Emulsify.vacuum",
    ];

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
        let predict =
            Manoeuvre::Predict { depth_mm: 1.6, angle_deg: 35.0, place_mm: (0.2, 0.0), expected: Expected::Hinged };
        let expected = [
            Manoeuvre::Set { vacuum_mmhg: Some(350.0), power: Some(0.6), bottle_cm: None, flow_ml_min: None },
            Manoeuvre::Pedal { position: 1, share: 1.0, power: None },
            bury,
            chop,
            Manoeuvre::Separate { width_mm: 1.6, speed_mm_s: 1.0 },
            Manoeuvre::Withdraw { from: OutOf::Lens },
            Manoeuvre::Withdraw { from: OutOf::Lens },
            Manoeuvre::Turn { angle_deg: -45.0 },
            Manoeuvre::Wait { seconds: 0.5 },
            Manoeuvre::Set { vacuum_mmhg: None, power: None, bottle_cm: Some(85.0), flow_ml_min: Some(28.0) },
            Manoeuvre::Pedal { position: 3, share: 0.5, power: Some(0.4) },
            Manoeuvre::Reflux { seconds: 0.5 },
            Manoeuvre::Hydrodissect { hour: 12, volume_ml: 0.3, seconds: 3.0 },
            Manoeuvre::Decompress { seconds: 1.0, depth_mm: 0.4 },
            Manoeuvre::Clear { place_mm: (0.0, 0.5), radius_mm: 1.5, depth_mm: 0.3, seconds: 4.0 },
            Manoeuvre::Grip { hour: Some(6), seconds: 2.0, bevel: Some(Bevel::Up) },
            Manoeuvre::Bring { place_mm: (0.5, 0.0), height_mm: Some(1.0), speed_mm_s: 1.5 },
            Manoeuvre::Emulsify { seconds: 6.0, ultrasound: 0.7, vacuum: 0.8 },
            Manoeuvre::LetGo,
            Manoeuvre::Guard { below_mm: 1.0 },
            Manoeuvre::ChopperOut,
            Manoeuvre::LiftIris { hour: 3, seconds: 1.0 },
            Manoeuvre::Inject { ovd: Filling::Dispersive, volume_ul: 80.0, seconds: 3.0 },
            predict,
            Manoeuvre::StopAndCall,
            Manoeuvre::Withdraw { from: OutOf::Eye },
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
        let (mut tried, mut left_out) = (0, 0);
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
            if OPTIONAL.iter().any(|optional| path.ends_with(&format!(".{optional}"))) {
                assert!(read.is_ok(), "{path} may be left out");
                left_out += 1;
                continue;
            }
            let found = read.expect_err("a field is missing");
            assert_eq!(found.len(), 1, "{found:?}");
            assert_eq!((found[0].field.as_str(), found[0].message.as_str()), (path, "is missing"));
            assert_eq!((found[0].line, found[0].column), spans.place(step));
            tried += 1;
        }
        assert_eq!((tried, left_out), (36, OPTIONAL.len()));
    }

    #[test]
    fn what_a_manoeuvre_leaves_out_has_its_ordinary_value() {
        let steps = "[Grip, Bring(), Decompress(seconds: 1), Emulsify(seconds: 1, ultrasound: 1)]";
        let (plan, _) = parse_plan("a.plan.ron", &format!("(format: 1, title: \"x\", steps: {steps})")).unwrap();
        let expected = [
            Manoeuvre::Grip { hour: None, seconds: GRIP_WAIT_S, bevel: None },
            Manoeuvre::Bring { place_mm: (0.0, 0.0), height_mm: None, speed_mm_s: BRING_SPEED_MM_S },
            Manoeuvre::Decompress { seconds: 1.0, depth_mm: DECOMPRESS_MM },
            Manoeuvre::Emulsify { seconds: 1.0, ultrasound: 1.0, vacuum: 1.0 },
        ];
        assert_eq!(plan.steps, expected);
        // What is ordinary lies within its range, or it would not be read back.
        assert_eq!(parse_plan("a.plan.ron", &ron::to_string(&plan).unwrap()).unwrap().0, plan);
    }

    #[test]
    fn each_number_of_a_manoeuvre_outside_its_range_is_one_fault() {
        let (_, spans) = parse_plan("full.plan.ron", FULL).unwrap();
        let mut numbers = 0;
        for path in spans.paths().filter(|path| path.starts_with("steps[")) {
            let (line, column) = spans.place(path);
            let start = FULL.lines().take(line - 1).map(|line| line.len() + 1).sum::<usize>() + column - 1;
            let value = &FULL[start..];
            if !value.starts_with(|c: char| c.is_ascii_digit() || c == '-') {
                continue;
            }
            let length = value.find(|c: char| !(c.is_ascii_digit() || matches!(c, '.' | '-'))).unwrap();
            numbers += 1;
            for bad in ["-1000", "1e3", "NaN"] {
                let found = parse_plan("a.plan.ron", &format!("{}{bad}{}", &FULL[..start], &value[length..]))
                    .expect_err("out of range");
                assert_eq!(found.len(), 1, "{path}: {found:?}");
                assert_eq!((found[0].field.as_str(), found[0].line, found[0].column), (path, line, column));
                assert!(found[0].allowed.contains(" to "), "{}", found[0]);
            }
        }
        // Every number of the full plan but its format; a place has two.
        assert_eq!(numbers, 50);
    }

    #[test]
    fn faults_of_choices_hours_and_of_a_set_without_settings_are_explained() {
        let one = |step: &str| {
            let found = faults(&format!("(format: 1, title: \"x\", steps: [{step}])"));
            assert_eq!(found.len(), 1, "{found:?}");
            found[0].strip_prefix("a.plan.ron:1:").unwrap().to_owned()
        };
        let nothing = "33: steps[0].Set: changes nothing; allowed: at least one of vacuum_mmhg, power, bottle_cm, \
                       flow_ml_min";
        assert_eq!(one("Set"), nothing);
        assert_eq!(one("Set(power: None)"), nothing);
        assert!(one("Set(350, 0.6)").contains("must name its fields"));
        assert_eq!(one("Grip(hour: 2.5)"), "44: steps[0].Grip.hour: must be a whole number; allowed: 1 to 12");
        assert_eq!(
            one("Grip(bevel: Some(Sideways))"),
            "50: steps[0].Grip.bevel: `Sideways` is not a known name; allowed: Up or Down"
        );
        assert_eq!(
            one("Withdraw(from: Eyes)"),
            "48: steps[0].Withdraw.from: `Eyes` is not a known name; did you mean `Eye`?; allowed: Lens or Eye"
        );
        assert_eq!(
            one("Inject(volume_ul: 80, seconds: 3)"),
            "33: steps[0].Inject.ovd: is missing; allowed: Cohesive or Dispersive or Fluid"
        );
        assert_eq!(
            one("Bring(place_mm: (1, 2, 3))"),
            "49: steps[0].Bring.place_mm: must be 2 numbers in parentheses, found 3; allowed: (toward 3 o'clock, \
             toward 12 o'clock), each -5 to 5 mm"
        );
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
        let all = "Set, Pedal, Bury, Chop, Separate, Withdraw, Turn, Wait, Reflux, Hydrodissect, Decompress, Clear, \
                   Grip, Bring, Emulsify, LetGo, Guard, ChopperOut, LiftIris, Inject, Predict, StopAndCall";
        let expected = [
            "a.plan.ron:5:31: steps[0].Set.powr: is not a known field; did you mean `power`?; allowed: \
             vacuum_mmhg, power, bottle_cm, flow_ml_min"
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
            "a.plan.ron:12:18: steps[6].Withdraw.slowly: is not a known field; allowed: from".to_owned(),
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
