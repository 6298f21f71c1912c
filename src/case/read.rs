//! The form of a case file: which fields it has, of which type and in which range.
//!
//! This is the one place where the ranges are enforced; the doc comments of `case::spec` state them. Faults of meaning
//! (a core larger than its lens) are found by `case::compile` and placed through [`Spans`].
//!
//! Invariants: a `CaseSpec` that leaves here has every field finite and within its range, and every fault of a file is
//! reported at once. Limits: RON only, format 1 only, 256 kB at most.

use super::fault::{Fault, Spans};
use super::fields::{self, Group, Kind, Text};
use super::spec::{
    Aid, Approach, AttachmentSpec, CapsuleSpec, CaseSpec, ChopperSpec, CoreSpec, EpinucleusSpec, EyeSpec, GoalSpec,
    Hand, IrisSpec, LensSpec, LimitsSpec, MachineSpec, NeedleSpec, OvdSpec, PlateSpec, Pump, Seat, Side, SupportSpec,
    SurgerySpec, TeachingSpec,
};
use std::path::Path;

/// A case as written, and where its fields stood.
#[derive(Clone, Debug, PartialEq)]
pub struct ReadCase {
    /// The text it was read from.
    pub text: String,
    /// The case, every value within its range.
    pub spec: CaseSpec,
    /// Where each field stood, to place faults found later.
    pub spans: Spans,
}

/// Reads a case file.
///
/// # Errors
/// Every fault of the file, at least one; a missing or unreadable file is one fault without a place.
pub fn read_case(path: &Path) -> Result<ReadCase, Vec<Fault>> {
    parse_case_bytes(&path.display().to_string(), &fields::read_bytes(path, Kind::Case)?)
}

/// Reads a case from the bytes of a file; `file_name` is what faults call it.
///
/// # Errors
/// Every fault of the file, at least one; bytes that are not UTF-8 are one fault at the first of them.
pub fn parse_case_bytes(file_name: &str, bytes: &[u8]) -> Result<ReadCase, Vec<Fault>> {
    parse_case(file_name, fields::utf8(file_name, bytes)?)
}

/// Reads a case from text; `file_name` is what faults call it.
///
/// # Errors
/// Every fault of the text, at least one.
pub fn parse_case(file_name: &str, text: &str) -> Result<ReadCase, Vec<Fault>> {
    let (spec, spans) = fields::read(file_name, text, Kind::Case, case)?;
    Ok(ReadCase { text: text.to_string(), spec, spans })
}

fn case(f: &mut Group<'_, '_>) -> CaseSpec {
    let mut case = CaseSpec {
        format: f.format(Kind::Case),
        title: f.text("title", Text::Line(100)),
        sheet: f.text("sheet", Text::Lines(2000)),
        eye: f.group("eye", eye),
        lens: f.group("lens", lens),
        surgery: f.group("surgery", surgery),
        needle: f.group("needle", needle),
        chopper: f.group("chopper", chopper),
        goals: f.group("goals", goals),
        support: f.optional_group("support", support),
        attachment: f.optional_group("attachment", attachment),
        capsule: f.optional_group("capsule", capsule),
        iris: f.optional_group("iris", iris),
        machine: f.optional_group("machine", machine),
        ovd: f.optional_group("ovd", ovd),
        limits: None,
        teaching: None,
    };
    // What is ordinary here depends on what the case says elsewhere.
    let ordinary = case.limits();
    case.limits = f.optional_group("limits", |f| limits(f, &ordinary));
    case.teaching = f.optional_group("teaching", teaching);
    case
}

fn eye(f: &mut Group<'_, '_>) -> EyeSpec {
    EyeSpec {
        side: f.choice("side", ("Right", Side::Right), &[("Left", Side::Left)]),
        axial_length_mm: f.number("axial_length_mm", 18.0..=36.0, "mm"),
        chamber_depth_mm: f.number("chamber_depth_mm", 1.5..=5.0, "mm"),
        pupil_mm: f.number("pupil_mm", 3.0..=9.0, "mm"),
        bag_diameter_mm: f.optional_number("bag_diameter_mm", 9.0..=13.0, "mm"),
        rigidity_per_ul: f.optional_number("rigidity_per_ul", 0.002..=0.03, "per µL"),
    }
}

fn lens(f: &mut Group<'_, '_>) -> LensSpec {
    LensSpec {
        age_years: f.number("age_years", 40.0..=100.0, "years"),
        thickness_mm: f.optional_number("thickness_mm", 3.0..=6.5, "mm"),
        diameter_mm: f.optional_number("diameter_mm", 8.0..=11.5, "mm"),
        slit_lamp_grade: f.number("slit_lamp_grade", 0.1..=6.9, ""),
        core: f.group("core", core),
        epinucleus: f.group("epinucleus", epinucleus),
        plate: f.optional_group("plate", plate),
        heterogeneity: f.number("heterogeneity", 0.0..=0.5, ""),
    }
}

fn core(f: &mut Group<'_, '_>) -> CoreSpec {
    CoreSpec {
        grade: f.number("grade", 0.1..=6.9, ""),
        diameter_mm: f.number("diameter_mm", 1.0..=10.0, "mm"),
        thickness_mm: f.number("thickness_mm", 0.8..=6.0, "mm"),
        edge_mm: f.number("edge_mm", 0.05..=2.0, "mm"),
        offset_mm: f.numbers("offset_mm", ["toward the nose", "superior", "anterior"], -3.0..=3.0, "mm").into(),
    }
}

fn epinucleus(f: &mut Group<'_, '_>) -> EpinucleusSpec {
    EpinucleusSpec {
        thickness_mm: f.number("thickness_mm", 0.0..=3.0, "mm"),
        firmness: f.number("firmness", 0.0..=1.0, ""),
    }
}

fn plate(f: &mut Group<'_, '_>) -> PlateSpec {
    PlateSpec {
        thickness_mm: f.number("thickness_mm", 0.1..=2.0, "mm"),
        toughness_factor: f.number("toughness_factor", 1.0..=10.0, ""),
    }
}

fn surgery(f: &mut Group<'_, '_>) -> SurgerySpec {
    SurgerySpec {
        seat: f.choice("seat", ("Temporal", Seat::Temporal), &[("Superior", Seat::Superior)]),
        needle_hand: f.choice("needle_hand", ("Right", Hand::Right), &[("Left", Hand::Left)]),
        side_port_deg: f.number("side_port_deg", 30.0..=110.0, "degrees"),
        rhexis_mm: f.number("rhexis_mm", 3.0..=7.0, "mm"),
    }
}

fn needle(f: &mut Group<'_, '_>) -> NeedleSpec {
    NeedleSpec {
        outer_mm: f.number("outer_mm", 0.5..=1.5, "mm"),
        bore_mm: f.number("bore_mm", 0.3..=1.3, "mm"),
        bevel_deg: f.number("bevel_deg", 0.0..=60.0, "degrees"),
        exposed_mm: f.number("exposed_mm", 0.5..=5.0, "mm"),
    }
}

fn chopper(f: &mut Group<'_, '_>) -> ChopperSpec {
    ChopperSpec { end_mm: f.number("end_mm", 0.8..=4.0, "mm"), width_mm: f.number("width_mm", 0.1..=1.0, "mm") }
}

fn goals(f: &mut Group<'_, '_>) -> GoalSpec {
    GoalSpec {
        depth_share: f.numbers("depth_share", ["lower", "upper"], 0.0..=1.0, "").into(),
        capsule_floor_mm: f.number("capsule_floor_mm", 0.0..=3.0, "mm"),
        core_cracked: f.number("core_cracked", 0.0..=1.0, ""),
        smallest_piece: f.number("smallest_piece", 0.0..=0.5, ""),
        separation_mm: f.number("separation_mm", 0.2..=4.0, "mm"),
        follow_ratio: f.optional_number("follow_ratio", 0.5..=10.0, ""),
        capsule_travel_mm: f.optional_number("capsule_travel_mm", 0.0..=3.0, "mm"),
        incision_c: f.optional_number("incision_c", 34.0..=60.0, "°C"),
        zonule_load_mn: f.optional_number("zonule_load_mn", 0.0..=300.0, "mN"),
        approach: f.optional_choice("approach", ("Chop", Approach::Chop), &[("WithoutChop", Approach::WithoutChop)]),
        nucleus_left: f.optional_number("nucleus_left", 0.0..=1.0, ""),
        followed_at_first: f.optional_number("followed_at_first", 0.0..=1.0, ""),
        power_factor: f.optional_number("power_factor", 1.0..=100.0, ""),
    }
}

/// What each of twelve numbers stands for.
const HOURS: [&str; 12] = [
    "1 o'clock",
    "2 o'clock",
    "3 o'clock",
    "4 o'clock",
    "5 o'clock",
    "6 o'clock",
    "7 o'clock",
    "8 o'clock",
    "9 o'clock",
    "10 o'clock",
    "11 o'clock",
    "12 o'clock",
];

fn support(f: &mut Group<'_, '_>) -> SupportSpec {
    let ordinary = SupportSpec::default();
    SupportSpec {
        laxity: f.optional_number("laxity", 1.0..=4.0, "").unwrap_or(ordinary.laxity),
        zonules: f.optional_numbers("zonules", HOURS, 0.0..=1.0, "").unwrap_or(ordinary.zonules),
    }
}

fn attachment(f: &mut Group<'_, '_>) -> AttachmentSpec {
    let ordinary = AttachmentSpec::default();
    AttachmentSpec {
        adhesion: f.optional_number("adhesion", 0.0..=3.0, "").unwrap_or(ordinary.adhesion),
        by_hour: f.optional_numbers("by_hour", HOURS, 0.0..=3.0, "").unwrap_or(ordinary.by_hour),
        freed: f.optional_number("freed", 0.0..=1.0, "").unwrap_or(ordinary.freed),
        plane_error: f.optional_number("plane_error", 0.0..=1.0, "").unwrap_or(ordinary.plane_error),
    }
}

fn capsule(f: &mut Group<'_, '_>) -> CapsuleSpec {
    let ordinary = CapsuleSpec::default();
    CapsuleSpec { posterior_um: f.optional_number("posterior_um", 1.5..=10.0, "µm").unwrap_or(ordinary.posterior_um) }
}

fn iris(f: &mut Group<'_, '_>) -> IrisSpec {
    IrisSpec { laxity: f.optional_number("laxity", 0.0..=3.0, "").unwrap_or(IrisSpec::default().laxity) }
}

fn machine(f: &mut Group<'_, '_>) -> MachineSpec {
    let ordinary = MachineSpec::default();
    let pump = f.optional_choice("pump", ("FlowSet", Pump::FlowSet), &[("VacuumSet", Pump::VacuumSet)]);
    let mut or = |name, range, unit, ordinary| f.optional_number(name, range, unit).unwrap_or(ordinary);
    MachineSpec {
        pump: pump.unwrap_or(ordinary.pump),
        line_compliance_ul_mmhg: or(
            "line_compliance_ul_mmhg",
            0.001..=0.5,
            "µL/mmHg",
            ordinary.line_compliance_ul_mmhg,
        ),
        infusion_resistance_mmhg_min_ml: or(
            "infusion_resistance_mmhg_min_ml",
            0.05..=1.0,
            "mmHg/(mL/min)",
            ordinary.infusion_resistance_mmhg_min_ml,
        ),
        leak_ml_min_at_50_mmhg: or("leak_ml_min_at_50_mmhg", 0.0..=20.0, "mL/min", ordinary.leak_ml_min_at_50_mmhg),
        bottle_cm: or("bottle_cm", 20.0..=150.0, "cm", ordinary.bottle_cm),
        flow_ml_min: or("flow_ml_min", 5.0..=60.0, "mL/min", ordinary.flow_ml_min),
        vacuum_mmhg: or("vacuum_mmhg", 0.0..=700.0, "mmHg", ordinary.vacuum_mmhg),
        stroke_um: or("stroke_um", 15.0..=100.0, "µm", ordinary.stroke_um),
        frequency_khz: or("frequency_khz", 28.0..=60.0, "kHz", ordinary.frequency_khz),
        dual_linear: f
            .optional_choice("dual_linear", ("false", false), &[("true", true)])
            .unwrap_or(ordinary.dual_linear),
    }
}

fn ovd(f: &mut Group<'_, '_>) -> OvdSpec {
    let none = OvdSpec::default();
    OvdSpec {
        cohesive_ul: f.optional_number("cohesive_ul", 0.0..=300.0, "µL").unwrap_or(none.cohesive_ul),
        dispersive_ul: f.optional_number("dispersive_ul", 0.0..=300.0, "µL").unwrap_or(none.dispersive_ul),
    }
}

fn limits(f: &mut Group<'_, '_>, ordinary: &LimitsSpec) -> LimitsSpec {
    const ENDS: [&str; 2] = ["lower", "upper"];
    let or = |written: Option<[f64; 2]>, ordinary| written.map_or(ordinary, Into::into);
    LimitsSpec {
        rhexis_mm: or(f.optional_numbers("rhexis_mm", ENDS, 3.0..=7.0, "mm"), ordinary.rhexis_mm),
        bottle_cm: or(f.optional_numbers("bottle_cm", ENDS, 20.0..=150.0, "cm"), ordinary.bottle_cm),
        vacuum_mmhg: or(f.optional_numbers("vacuum_mmhg", ENDS, 0.0..=700.0, "mmHg"), ordinary.vacuum_mmhg),
        flow_ml_min: or(f.optional_numbers("flow_ml_min", ENDS, 5.0..=60.0, "mL/min"), ordinary.flow_ml_min),
    }
}

fn teaching(f: &mut Group<'_, '_>) -> TeachingSpec {
    let ordinary = TeachingSpec::default();
    let later = [("AfterChop", Aid::AfterChop), ("DebriefOnly", Aid::DebriefOnly)];
    TeachingSpec {
        section: f.optional_choice("section", ("Always", Aid::Always), &later).unwrap_or(ordinary.section),
        fades: f.optional_choice("fades", ("false", false), &[("true", true)]).unwrap_or(ordinary.fades),
        exam: f.optional_choice("exam", ("false", false), &[("true", true)]).unwrap_or(ordinary.exam),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// A valid case that writes every field there is, one a line.
    const FULL: &str = r#"// A made-up eye.
(
    format: 1,
    title: "Hard core in a long eye",
    sheet: "72 years. Long eye,\nvitreous cavity empty.",
    eye: (
        side: Left,
        axial_length_mm: 27.5, // long
        chamber_depth_mm: 3.6,
        pupil_mm: 6,
        bag_diameter_mm: Some(10.4),
        rigidity_per_ul: 0.009,
    ),
    lens: (
        age_years: 72,
        thickness_mm: 4.6,
        diameter_mm: Some(9.5),
        slit_lamp_grade: 3.5,
        core: (
            grade: 4.5,
            diameter_mm: 7.0,
            thickness_mm: 3.1,
            edge_mm: 0.3,
            offset_mm: (0.2, /* superior */ 0, -0.1),
        ),
        epinucleus: (
            thickness_mm: 0.5,
            firmness: 0.4,
        ),
        plate: Some((
            thickness_mm: 0.4,
            toughness_factor: 3,
        )),
        heterogeneity: 0.2,
    ),
    surgery: (
        seat: Temporal,
        needle_hand: Right,
        side_port_deg: 70,
        rhexis_mm: 5.2,
    ),
    needle: (
        outer_mm: 0.9,
        bore_mm: 0.7,
        bevel_deg: 30,
        exposed_mm: 1.5,
    ),
    chopper: (
        end_mm: 1.75,
        width_mm: 0.3,
    ),
    goals: (
        depth_share: (0.4, 0.7),
        capsule_floor_mm: 0.5,
        core_cracked: 0.9,
        smallest_piece: 0.3,
        separation_mm: 1.0,
        follow_ratio: 1.5,
        capsule_travel_mm: Some(0.8),
        incision_c: 45,
        zonule_load_mn: 60,
        approach: WithoutChop,
        nucleus_left: 0.2,
        followed_at_first: 0.5,
        power_factor: 4,
    ),
    support: (
        laxity: 2,
        zonules: (1, 1, 0.3, 0, 0.3, 1, 1, 1, 1, 1, 1, 0.9),
    ),
    attachment: Some((
        adhesion: 1.2,
        by_hour: Some((1, 1, 1, 1, 1, 2.5, 1, 1, 1, 1, 1, 1)),
        freed: 0,
        plane_error: 0.1,
    )),
    capsule: (
        posterior_um: 3,
    ),
    iris: (
        laxity: 1.6,
    ),
    machine: (
        pump: VacuumSet,
        line_compliance_ul_mmhg: 0.05,
        infusion_resistance_mmhg_min_ml: 0.2,
        leak_ml_min_at_50_mmhg: 3,
        bottle_cm: 85,
        flow_ml_min: 28,
        vacuum_mmhg: 275,
        stroke_um: 90,
        frequency_khz: 42,
        dual_linear: true,
    ),
    ovd: (
        cohesive_ul: 60,
        dispersive_ul: 40,
    ),
    limits: (
        rhexis_mm: (4.5, 5.6),
        bottle_cm: Some((60, 120)),
        vacuum_mmhg: (100, 450),
        flow_ml_min: (20, 28),
    ),
    teaching: Some((
        section: Always,
        fades: false,
        exam: true,
    )),
)
"#;

    /// The fields that must be written wherever their group is.
    fn is_required(path: &str) -> bool {
        const OPTIONAL: [&str; 13] = [
            "eye.bag_diameter_mm",
            "eye.rigidity_per_ul",
            "lens.thickness_mm",
            "lens.diameter_mm",
            "lens.plate",
            "goals.follow_ratio",
            "goals.capsule_travel_mm",
            "goals.incision_c",
            "goals.zonule_load_mn",
            "goals.approach",
            "goals.nucleus_left",
            "goals.followed_at_first",
            "goals.power_factor",
        ];
        const ORDINARY: [&str; 8] =
            ["support", "attachment", "capsule", "iris", "machine", "ovd", "limits", "teaching"];
        !OPTIONAL.contains(&path) && !ORDINARY.contains(&path.split('.').next().unwrap())
    }

    fn full() -> CaseSpec {
        parse_case("full.ron", FULL).unwrap().spec
    }

    /// The faults of a text, as printed.
    fn faults(text: &str) -> Vec<String> {
        let faults = parse_case("a.ron", text).expect_err("the text has faults");
        faults.iter().map(Fault::to_string).collect()
    }

    /// The faults of the full case after a replacement of its first match.
    fn faults_after(from: &str, to: &str) -> Vec<String> {
        assert!(FULL.contains(from), "{from}");
        faults(&FULL.replacen(from, to, 1))
    }

    /// Line and column of the first match.
    fn place(text: &str, of: &str) -> (usize, usize) {
        place_after(&text[..text.find(of).unwrap()])
    }

    /// Line and column of what follows a text.
    fn place_after(before: &str) -> (usize, usize) {
        (1 + before.matches('\n').count(), 1 + before.rsplit('\n').next().unwrap().chars().count())
    }

    /// Every field of the full case: its path and the byte range of its line or lines.
    fn written_fields(text: &str) -> Vec<(String, std::ops::Range<usize>)> {
        let mut found = Vec::new();
        let mut open: Vec<(String, usize)> = Vec::new();
        let mut at = 0;
        for line in text.split_inclusive('\n') {
            let (start, end) = (at, at + line.len());
            at = end;
            if let Some((name, value)) = line.trim().split_once(": ") {
                let path = open.last().map_or(name.to_owned(), |(outer, _)| format!("{outer}.{name}"));
                if value.ends_with('(') { open.push((path, start)) } else { found.push((path, start..end)) }
            } else if line.trim().starts_with(')')
                && let Some((path, start)) = open.pop()
            {
                found.push((path, start..end));
            }
        }
        found
    }

    /// The fields that the data structure has, as written by serde.
    fn fields_of(value: &serde_json::Value, path: &str, into: &mut Vec<String>) {
        for (name, value) in value.as_object().into_iter().flatten() {
            let path = if path.is_empty() { name.clone() } else { format!("{path}.{name}") };
            fields_of(value, &path, into);
            into.push(path);
        }
    }

    #[test]
    fn the_full_case_is_read_with_every_field() {
        let case = full();
        assert_eq!(case.eye.side, Side::Left);
        assert_eq!(case.eye.pupil_mm, 6.0);
        assert_eq!(case.eye.bag_diameter_mm, Some(10.4));
        assert_eq!(case.lens.thickness_mm, Some(4.6));
        assert_eq!(case.lens.core.offset_mm, (0.2, 0.0, -0.1));
        assert_eq!(case.lens.plate.as_ref().map(|plate| plate.toughness_factor), Some(3.0));
        assert_eq!(case.goals.depth_share, (0.4, 0.7));
        assert_eq!(case.sheet.lines().count(), 2);
        assert_eq!(case.eye.rigidity_per_ul, Some(0.009));
        assert_eq!(case.goals.capsule_travel_mm, Some(0.8));
        assert_eq!(case.support().zonules[2..5], [0.3, 0.0, 0.3]);
        assert_eq!(case.attachment().by_hour[5], 2.5);
        assert_eq!(case.machine().pump, Pump::VacuumSet);
        assert!(case.machine().dual_linear);
        assert_eq!(case.ovd(), OvdSpec { cohesive_ul: 60.0, dispersive_ul: 40.0 });
        assert_eq!((case.limits().bottle_cm, case.limits().flow_ml_min), ((60.0, 120.0), (20.0, 28.0)));
        assert_eq!(case.teaching(), TeachingSpec { section: Aid::Always, fades: false, exam: true });

        let mut fields = Vec::new();
        fields_of(&serde_json::to_value(&case).unwrap(), "", &mut fields);
        let mut written: Vec<String> = written_fields(FULL).into_iter().map(|(path, _)| path).collect();
        fields.sort();
        written.sort();
        assert_eq!(fields, written);
        let spans = parse_case("full.ron", FULL).unwrap().spans;
        let mut spanned: Vec<&str> = spans.paths().filter(|path| !path.is_empty() && !path.contains('[')).collect();
        spanned.sort_unstable();
        assert_eq!(spanned, fields);
    }

    #[test]
    fn what_serde_writes_is_read_back_equal() {
        let pretty = ron::ser::to_string_pretty(&full(), ron::ser::PrettyConfig::default()).unwrap();
        assert_eq!(parse_case("a.ron", &pretty).unwrap().spec, full());
        let line = ron::to_string(&full()).unwrap();
        assert_eq!(parse_case("a.ron", &line).unwrap().spec, full());
    }

    #[test]
    fn what_a_case_leaves_out_is_ordinary() {
        let without_groups = format!("{})", &FULL[..FULL.find("    support: (").unwrap()]);
        let case = parse_case("a.ron", &without_groups).unwrap().spec;
        assert_eq!((case.support, case.machine, case.ovd), (None, None, None));
        assert_eq!((case.limits, case.teaching), (None, None));
        assert_eq!((case.limits(), case.teaching()), (LimitsSpec::default(), TeachingSpec::default()));
        assert_eq!(case.machine(), MachineSpec::default());
        assert_eq!(case.attachment().freed, 0.85);

        let with = |groups: &str| {
            let text = format!("{}{groups})", &FULL[..FULL.find("    support: (").unwrap()]);
            parse_case("a.ron", &text).unwrap().spec
        };
        let empty =
            with("support: (), attachment: (), capsule: (), iris: (), machine: (), ovd: (), limits: (), teaching: ()");
        assert_eq!(empty.support, Some(SupportSpec::default()));
        assert_eq!(empty.attachment, Some(AttachmentSpec::default()));
        assert_eq!(empty.capsule, Some(CapsuleSpec::default()));
        assert_eq!(empty.iris, Some(IrisSpec::default()));
        assert_eq!(empty.machine, Some(MachineSpec::default()));
        assert_eq!(empty.ovd, Some(OvdSpec::default()));
        assert_eq!(empty.limits, Some(LimitsSpec::default()));
        assert_eq!(empty.teaching, Some(TeachingSpec::default()));
        // What is ordinary lies within its range, or it would not be read back.
        assert_eq!(parse_case("a.ron", &ron::to_string(&empty).unwrap()).unwrap().spec, empty);

        let lower = with("machine: (bottle_cm: 85, vacuum_mmhg: 275)").machine();
        assert_eq!(lower, MachineSpec { bottle_cm: 85.0, vacuum_mmhg: 275.0, ..MachineSpec::default() });
    }

    #[test]
    fn limits_that_are_not_written_hold_what_the_case_itself_sets() {
        let before = &FULL[..FULL.find("    support: (").unwrap()];
        let with = |rhexis: &str, groups: &str| {
            let text = format!("{}{groups})", before.replace("rhexis_mm: 5.2", rhexis));
            parse_case("a.ron", &text).unwrap().spec
        };
        let ordinary = LimitsSpec::default();
        let machine = "machine: (bottle_cm: 60, vacuum_mmhg: 600, flow_ml_min: 45), ";
        let wide = LimitsSpec {
            rhexis_mm: (4.0, 5.5),
            bottle_cm: (60.0, 110.0),
            vacuum_mmhg: (0.0, 600.0),
            flow_ml_min: (15.0, 45.0),
        };
        assert_eq!(with("rhexis_mm: 4", machine).limits(), wide);
        let bottle = with("rhexis_mm: 4", &format!("{machine}limits: (bottle_cm: (55, 70))"));
        assert_eq!(bottle.limits(), LimitsSpec { bottle_cm: (55.0, 70.0), ..wide });
        assert!(crate::case::compile::problems(&bottle).iter().all(|p| p.is_warning));
        assert_eq!(with("rhexis_mm: 5", "").limits(), ordinary);
    }

    #[test]
    fn limits_that_are_reversed_or_leave_out_the_case_s_own_value_are_faults_in_their_place() {
        let faults_of = |from: &str, to: &str| -> Vec<String> {
            assert!(FULL.contains(from), "{from}");
            let case = parse_case("a.ron", &FULL.replacen(from, to, 1)).unwrap();
            let problems = crate::case::compile::problems(&case.spec).into_iter().filter(|p| !p.is_warning);
            problems.map(|p| case.spans.locate("a.ron", p).to_string()).collect()
        };
        assert_eq!(faults_of("(4.5, 5.6)", "(4.5, 5.6)"), [""; 0]);
        assert_eq!(faults_of("(60, 120)", "(85, 85)"), [""; 0]);
        assert_eq!(
            faults_of("(4.5, 5.6)", "(5.6, 4.5)"),
            ["a.ron:100:20: limits.rhexis_mm: the lower end is above the upper; allowed: lower ≤ upper"]
        );
        assert_eq!(
            faults_of("(60, 120)", "(90, 120)"),
            ["a.ron:101:25: limits.bottle_cm: leave out the case's own 85 cm; allowed: limits that hold \
              machine.bottle_cm"]
        );
        assert_eq!(
            faults_of("(100, 450)", "(100, 274.5)"),
            ["a.ron:102:22: limits.vacuum_mmhg: leave out the case's own 275 mmHg; allowed: limits that hold \
              machine.vacuum_mmhg"]
        );
        assert_eq!(
            faults_of("rhexis_mm: 5.2", "rhexis_mm: 5.7"),
            ["a.ron:100:20: limits.rhexis_mm: leave out the case's own 5.7 mm; allowed: limits that hold \
              surgery.rhexis_mm"]
        );
        assert_eq!(faults_of("(20, 28)", "(30, 20)").len(), 1);
    }

    #[test]
    fn rigidity_falls_as_the_eye_s_volume_where_the_case_does_not_give_it() {
        let of = |axial_length_mm: f64, rigidity_per_ul: Option<f64>| {
            let mut case = full();
            (case.eye.axial_length_mm, case.eye.rigidity_per_ul) = (axial_length_mm, rigidity_per_ul);
            case.rigidity_per_ul()
        };
        assert_eq!(of(24.0, None), 0.0126);
        // Half the length, eight times the rigidity; products of powers of two are exact.
        assert_eq!(of(12.0, None), 8.0 * 0.0126);
        assert_eq!(of(30.0, Some(0.01)), 0.01);
        // At both ends of the lengths a case may have, it lies within what a case may write.
        assert!((0.002..=0.03).contains(&of(18.0, None)) && (0.002..=0.03).contains(&of(36.0, None)));
    }

    #[test]
    fn each_field_left_out_is_one_fault_at_its_group_unless_it_is_optional() {
        for (path, range) in written_fields(FULL) {
            let mut text = FULL.to_owned();
            text.replace_range(range, "");
            match parse_case("a.ron", &text) {
                Ok(_) => assert!(!is_required(&path), "{path} was not missed"),
                Err(faults) => {
                    assert!(is_required(&path), "{path} was missed");
                    assert_eq!(faults.len(), 1, "{faults:?}");
                    assert_eq!((faults[0].field.as_str(), faults[0].message.as_str()), (path.as_str(), "is missing"));
                    assert!(!faults[0].allowed.is_empty());
                    let group = path.rsplit_once('.').map_or("(\n", |(group, _)| group.rsplit('.').next().unwrap());
                    let line = if group == "(\n" { 2 } else { place(&text, &format!(" {group}: ")).0 };
                    assert_eq!(faults[0].line, line, "{path}");
                }
            }
        }
    }

    #[test]
    fn each_field_of_another_type_or_written_twice_is_one_fault() {
        for (path, range) in written_fields(FULL) {
            let name = path.rsplit('.').next().unwrap();
            let indent = FULL[range.clone()].find(name).unwrap();
            let mut text = FULL.to_owned();
            text.replace_range(range.clone(), &format!("{}{name}: {{}},\n", " ".repeat(indent)));
            let found = parse_case("a.ron", &text).expect_err("a map is never right");
            assert_eq!(found.len(), 1, "{path}: {found:?}");
            assert_eq!(found[0].field, path);
            assert!(found[0].message.ends_with("found a map") || path == "format", "{}", found[0]);
            assert_eq!(found[0].column, indent + name.len() + 3);

            let mut text = FULL.to_owned();
            text.insert_str(range.end, &FULL[range.clone()]);
            let found = parse_case("a.ron", &text).expect_err("twice is once too often");
            assert_eq!(found.len(), 1, "{path}: {found:?}");
            assert_eq!((found[0].field.as_str(), found[0].column), (path.as_str(), indent + 1));
            assert!(found[0].message.starts_with("is written again, first in line "));

            let mut text = FULL.to_owned();
            text.replace_range(range.start + indent..range.start + indent + name.len(), &format!("{name}z"));
            let found = parse_case("a.ron", &text).expect_err("the name is unknown");
            let unknown = found.iter().find(|fault| fault.message.contains("not a known field")).unwrap();
            assert_eq!(unknown.field, format!("{path}z"));
            assert!(unknown.message.ends_with(&format!("did you mean `{name}`?")), "{unknown}");
            assert_eq!(found.len(), if is_required(&path) { 2 } else { 1 });
        }
    }

    #[test]
    fn each_number_outside_its_range_is_one_fault_that_names_the_range() {
        let mut numbers = 0;
        for (path, range) in written_fields(FULL) {
            let line = &FULL[range.clone()];
            let value = line.find(": ").unwrap() + 2;
            let is_number = line[value..].starts_with(|c: char| c.is_ascii_digit() || c == '(' || c == 'S');
            if path == "format" || line.trim_end().contains('\n') || !is_number {
                continue;
            }
            let start = value + line[value..].find(|c: char| c.is_ascii_digit()).unwrap();
            numbers += 1;
            let end = start + line[start..].find(|c: char| !c.is_ascii_digit() && c != '.').unwrap();
            for (bad, message) in [
                ("-1000", "-1000 "),
                ("1e3", "1e3 "),
                ("NaN", "NaN is not a finite number"),
                ("inf", "inf is not a finite number"),
                ("-inf", "-inf is not a finite number"),
                ("\"1\"", "must be a number, found text"),
            ] {
                let mut text = FULL.to_owned();
                text.replace_range(range.start + start..range.start + end, bad);
                let found = parse_case("a.ron", &text).expect_err("out of range");
                assert_eq!(found.len(), 1, "{path}: {found:?}");
                assert!(found[0].field.starts_with(&path), "{}", found[0]);
                assert!(found[0].message.starts_with(message), "{}", found[0]);
                assert!(found[0].allowed.contains(" to "), "{}", found[0]);
                assert_eq!((found[0].line, found[0].column), place_after(&FULL[..range.start + start]));
            }
        }
        assert_eq!(numbers, 61);
    }

    #[test]
    fn several_faults_are_reported_at_once_each_in_its_place() {
        let text = FULL
            .replace("title: \"Hard core in a long eye\"", "title: \"\"")
            .replace("side: Left", "side: Lft")
            .replace("pupil_mm: 6,", "pupil: 6,")
            .replace("grade: 4.5", "grade: 7")
            .replace("(0.2, /* superior */ 0, -0.1)", "(0.2, 0, -4)")
            .replace("            firmness: 0.4,\n", "")
            .replace("rhexis_mm: 5.2", "rhexis_mm: [5.2]")
            .replace("bore_mm: 0.7", "bore_mm: 0.7, bore_mm: 0.6")
            .replace("(0.4, 0.7)", "(0.4, 0.7, 0.9)");
        let expected = [
            "a.ron:4:12: title: is blank; allowed: text of 1 to 100 characters in quotation marks on one line",
            "a.ron:6:10: eye.pupil_mm: is missing; allowed: 3 to 9 mm",
            "a.ron:7:15: eye.side: `Lft` is not a known name; did you mean `Left`?; allowed: Right or Left",
            "a.ron:10:9: eye.pupil: is not a known field; did you mean `pupil_mm`?; allowed: side, axial_length_mm, \
             chamber_depth_mm, pupil_mm, bag_diameter_mm, rigidity_per_ul",
            "a.ron:20:20: lens.core.grade: 7 is out of range; allowed: 0.1 to 6.9",
            "a.ron:24:33: lens.core.offset_mm[2]: -4 mm is out of range; allowed: -3 to 3 mm",
            "a.ron:26:21: lens.epinucleus.firmness: is missing; allowed: 0 to 1",
            "a.ron:39:20: surgery.rhexis_mm: must be a number, found a list; allowed: 3 to 7 mm",
            "a.ron:43:23: needle.bore_mm: is written again, first in line 43; allowed: each field once",
            "a.ron:52:22: goals.depth_share: must be 2 numbers in parentheses, found 3; allowed: (lower, upper), each \
             0 to 1",
        ];
        assert_eq!(faults(&text), expected);
    }

    #[test]
    fn options_may_be_left_out_bare_some_or_none() {
        let with = |value: &str| parse_case("a.ron", &FULL.replacen("Some(10.4)", value, 1)).unwrap().spec;
        assert_eq!(with("11").eye.bag_diameter_mm, Some(11.0));
        assert_eq!(with("Some( /* mm */ 11,)").eye.bag_diameter_mm, Some(11.0));
        assert_eq!(with("None").eye.bag_diameter_mm, None);
        let bare = FULL.replace("Some((", "(").replace(")),", "),");
        assert_eq!(parse_case("a.ron", &bare).unwrap().spec, full());
        assert_eq!(
            faults_after("Some(10.4)", "Some(  14)"),
            ["a.ron:11:33: eye.bag_diameter_mm: 14 mm is out of range; allowed: 9 to 13 mm"]
        );
        assert_eq!(
            faults_after("Some(10.4)", "Some(None)"),
            ["a.ron:11:31: eye.bag_diameter_mm: must be a number, found the name `None`; allowed: 9 to 13 mm"]
        );
        let implicit = format!("#![enable(implicit_some)]\n{FULL}");
        assert_eq!(parse_case("a.ron", &implicit).unwrap().spec, full());
        let newtypes = format!("#![enable(unwrap_newtypes)]\n{FULL}");
        assert_eq!(
            faults(&newtypes),
            ["a.ron:1:1: file: enables extensions of the notation; allowed: no `#![enable(…)]`"]
        );
    }

    #[test]
    fn comments_white_space_and_trailing_commas_may_stand_anywhere() {
        let spaced: String = FULL
            .replace("// A made-up eye.", "")
            .replace("// long", "")
            .replace("/* superior */", "")
            .chars()
            .map(|c| match c {
                '(' | ':' | ')' => format!(" /* ( \" */ {c} // , )\r\n"),
                c => c.to_string(),
            })
            .collect();
        assert_eq!(parse_case("a.ron", &format!("\u{feff}{spaced}// the end")).unwrap().spec, full());
        let dense = FULL.replace(",\n    )", "\n    )").replace(",\n)", "\n)");
        assert_eq!(parse_case("a.ron", &dense).unwrap().spec, full());
        let moved = FULL.replace("pupil_mm: 6", "pupil_mm:\n\n/* é */ // \"\n  2");
        assert_eq!(faults(&moved), ["a.ron:13:3: eye.pupil_mm: 2 mm is out of range; allowed: 3 to 9 mm"]);
        let wide = FULL.replace("pupil_mm: 6", "/* äöü€ */ pupil_mm: 2");
        assert_eq!(faults(&wide), ["a.ron:10:30: eye.pupil_mm: 2 mm is out of range; allowed: 3 to 9 mm"]);
    }

    #[test]
    fn names_and_groups_written_another_way_are_explained() {
        let one = |from: &str, to: &str| {
            let found = faults_after(from, to);
            assert_eq!(found.len(), 1, "{found:?}");
            found[0].clone()
        };
        assert_eq!(
            one("side: Left", "side: \"Left\""),
            "a.ron:7:15: eye.side: must be a name without quotation marks; allowed: Right or Left"
        );
        assert_eq!(
            one("side: Left", "side: 3"),
            "a.ron:7:15: eye.side: must be a name, found `3`; allowed: Right or Left"
        );
        assert_eq!(
            one("side: Left", "side: Upward"),
            "a.ron:7:15: eye.side: `Upward` is not a known name; allowed: Right or Left"
        );
        assert!(one("core: (", "core: Core(").contains("must not have a name before its parenthesis, found `Core`"));
        assert_eq!(
            one("chopper: (\n        end_mm: 1.75,\n        width_mm: 0.3,\n    )", "chopper: (1.75, 0.3)"),
            "a.ron:48:14: chopper: must name its fields; allowed: fields as in `(name: value, …)`"
        );
        assert_eq!(
            one("chopper: (\n        end_mm: 1.75,\n        width_mm: 0.3,\n    )", "chopper: 3"),
            "a.ron:48:14: chopper: must be a group of fields, found `3`; allowed: fields in parentheses, as in `(name: \
             value, …)`"
        );
        assert_eq!(
            one("\"Hard core in a long eye\"", "\"two\\nlines\""),
            "a.ron:4:12: title: has more than one line; allowed: text of 1 to 100 characters in quotation marks on one \
             line"
        );
        assert!(one("\"Hard core in a long eye\"", "\"\\u{1b}[2J\"").contains("holds the control character U+001B"));
        assert!(one("\"Hard core in a long eye\"", &format!("\"{}\"", "a".repeat(101))).contains("has 101 characters"));
        assert!(one("\"Hard core in a long eye\"", "r#\"raw\"#,\n    x: 1").contains("x: is not a known field"));
        let long = one("side: Left", &format!("side: {}", "L".repeat(9000)));
        assert!(long.len() < 200, "{long}");
    }

    #[test]
    fn broken_notation_is_one_fault_where_it_breaks() {
        let broken = |text: &str, start: &str| {
            let found = faults(text);
            assert_eq!(found.len(), 1, "{found:?}");
            assert!(found[0].starts_with(start), "{}", found[0]);
        };
        let change = |from: &str, to: &str, start: &str| {
            assert!(FULL.contains(from), "{from}");
            broken(&FULL.replacen(from, to, 1), start);
        };
        broken(&FULL[..FULL.len() - 2], "a.ron:110:1: file: ends too early; allowed: commas between");
        broken(&FULL[..FULL.find("4.5").unwrap()], "a.ron:20:20: file: ends too early; allowed: commas between");
        change(
            "pupil_mm: 6,",
            "pupil_mm: 6",
            "a.ron:11:9: file: `b` stands where a comma or a closing bracket is expected",
        );
        change("0.3,\n    ),", "0.3,\n    ],", "a.ron:51:5: file: `]` stands where a field's name is expected");
        change("0.7),", "0.7],", "a.ron:53:31: file: `]` stands where a comma or a closing bracket is expected");
        change("pupil_mm: 6,", "pupil_mm 6,", "a.ron:10:18: file: `6` stands where a colon is expected");
        change("pupil_mm: 6,", "pupil_mm: ?,", "a.ron:10:19: file: `?` stands where a value is expected");
        change(
            "pupil_mm: 6,",
            "pupil_mm: 5,9,",
            "a.ron:10:21: file: `9` stands where a field's name is expected; allowed: a name, then a colon; in \
             numbers a decimal point",
        );
        change("pupil_mm: 6,", "pupil_mm: 5.9 mm,", "a.ron:10:23: file: `m` stands where a comma");
        change("pupil_mm: 6,", "pupil_mm: 5.9.1,", "a.ron:10:19: file: this number is malformed");
        change("pupil_mm: 6,", "\"pupil_mm\": 6,", "a.ron:10:9: file: `\"` stands where a field's name is expected");
        change("eye\",", "eye,", "a.ron:5:");
        change("empty.\"", "empty.", "a.ron:5:12: file: this text does not end; allowed: a closing quotation mark");
        change("Long eye,\\n", "Long eye,\\q", "a.ron:5:34: file: a backslash in a text");
        change("(0.4, 0.7)", "(0.4, 0.7) /* bands", "a.ron:53:");
        broken(&format!("#![what]{FULL}"), "a.ron:1:4: file: this attribute is not known; allowed: no `#![…]`");
        broken(&format!("{FULL}x"), "a.ron:111:1: file: `x` stands after the end; allowed: one group");
        broken("a: 1, b: 2", "a.ron:1:2: file: `:` stands after the end; allowed: one group in parentheses");
        broken(&format!("{FULL}\n/* x"), "a.ron:112:3: file: this comment does not end; allowed: `*/`");
        broken(&"(a: ".repeat(100_000), "a.ron:1:");
        broken("", "a.ron:1:1: file: is empty; allowed: a case");
        broken(" \n// nothing\n", "a.ron:1:1: file: is empty");
        broken("[1, 2]", "a.ron:1:1: file: must be a group of fields, found a list");
        broken("\"text\"", "a.ron:1:1: file: must be a group of fields, found text");
        assert_eq!(faults("()").len(), 9);
    }

    #[test]
    fn bytes_that_are_not_utf8_are_placed() {
        let mut bytes = FULL.replacen("long", "l\u{f6}ng", 1).into_bytes();
        let at = bytes.iter().position(|byte| *byte == 0xC3).unwrap();
        bytes.remove(at);
        let found = parse_case_bytes("a.ron", &bytes).expect_err("not UTF-8");
        assert_eq!(found.len(), 1);
        assert_eq!(
            found[0].to_string(),
            format!("a.ron:4:29: file: is not UTF-8 text: byte 0xB6 at offset {at}; allowed: text saved as UTF-8")
        );
    }

    #[test]
    fn another_format_version_or_a_plan_is_refused_with_one_sentence() {
        assert_eq!(
            faults(&FULL.replacen("format: 1", "format: 2, novel: 3", 1)),
            ["a.ron:3:13: format: format 2 is not read by this version; allowed: 1"]
        );
        assert_eq!(
            faults_after("format: 1", "format: -1"),
            ["a.ron:3:13: format: format -1 is not read by this version; allowed: 1"]
        );
        assert_eq!(
            faults_after("format: 1", "format: \"1\""),
            ["a.ron:3:13: format: must be a number, found text; allowed: 1"]
        );
        assert_eq!(
            faults("(format: 1, title: \"x\", steps: [Withdraw])"),
            ["a.ron:1:1: file: is a plan, not a case; allowed: a case file"]
        );
    }

    #[test]
    fn files_that_cannot_be_read_are_faults_without_a_place() {
        let directory = std::env::temp_dir().join(format!("corecleft-read-{}", std::process::id()));
        std::fs::create_dir_all(&directory).unwrap();
        let fault = |path: &Path| {
            let found = read_case(path).expect_err("cannot be read");
            assert_eq!(found.len(), 1);
            assert_eq!((found[0].line, found[0].column, found[0].field.as_str()), (0, 0, "file"));
            assert_eq!(found[0].file, path.display().to_string());
            found[0].message.clone()
        };
        assert_eq!(fault(&directory.join("missing.ron")), "does not exist");
        assert_eq!(fault(&directory), "is a directory");
        let large = directory.join("large.ron");
        std::fs::write(&large, vec![b' '; 300 * 1024]).unwrap();
        assert_eq!(fault(&large), "is too large");
        let good = directory.join("good.ron");
        std::fs::write(&good, FULL).unwrap();
        assert!(fault(&good.join("inside.ron")).starts_with("cannot be read: "));
        assert_eq!(read_case(&good).unwrap().spec, full());
        std::fs::remove_dir_all(&directory).unwrap();
    }

    fn is_read_or_refused_in_lines(bytes: &[u8]) -> Result<(), TestCaseError> {
        match parse_case_bytes("a.ron", bytes) {
            // Every number is finite and every field within its range, or it would not be read back equal.
            Ok(ReadCase { spec, .. }) => {
                let again = parse_case("a.ron", &ron::to_string(&spec).unwrap());
                prop_assert_eq!(again.map(|again| again.spec), Ok(spec));
            }
            Err(faults) => {
                prop_assert!(!faults.is_empty());
                for fault in faults {
                    prop_assert_eq!(fault.to_string().lines().count(), 1);
                    prop_assert!(fault.line >= 1 && fault.column >= 1);
                    prop_assert!(!fault.message.is_empty() && !fault.field.is_empty());
                }
            }
        }
        Ok(())
    }

    proptest! {
        #![proptest_config(ProptestConfig { cases: 2000, failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn damaged_bytes_are_read_or_refused(
            changes in prop::collection::vec((0..FULL.len(), any::<u8>(), 0..3_u8), 1..6),
            kept in 0..=FULL.len(),
            truncates in any::<bool>(),
        ) {
            let mut bytes = FULL.as_bytes().to_vec();
            for (at, byte, how) in changes {
                let at = at % bytes.len();
                match how {
                    0 => bytes[at] = byte,
                    1 => bytes.insert(at, byte),
                    _ => { bytes.remove(at); }
                }
            }
            if truncates {
                bytes.truncate(kept);
            }
            is_read_or_refused_in_lines(&bytes)?;
        }

        #[test]
        fn damaged_notation_is_read_or_refused(
            changes in prop::collection::vec(
                (0..FULL.len(), prop::sample::select(b"()[]{},:\"'/*#!rb.-+1e_SNi \n\\".to_vec())), 1..4
            ),
        ) {
            let mut bytes = FULL.as_bytes().to_vec();
            for (at, byte) in changes {
                bytes[at] = byte;
            }
            is_read_or_refused_in_lines(&bytes)?;
        }
    }
}
