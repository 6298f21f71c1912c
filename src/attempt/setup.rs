//! What was chosen before operating: rhexis, machine, and what is shown.
//!
//! A choice lies within the limits of its case (`CaseSpec::limits`) and is applied to the case before that is compiled, so
//! that model, bands and debrief are those of the eye as it was operated. Units: mm, cm, mmHg, mL/min. Invariant: what is
//! not chosen, or chosen as the case has it, leaves the case as it was written.

use crate::case::{Aid, CaseSpec};
use serde::{Deserialize, Serialize};

/// The choices; `None` is as the case has it. The default chooses nothing.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Setup {
    /// Diameter of the capsulorhexis, mm.
    pub rhexis_mm: Option<f64>,
    /// Height of the bottle over the eye, cm.
    pub bottle_cm: Option<f64>,
    /// Vacuum limit, mmHg.
    pub vacuum_mmhg: Option<f64>,
    /// Aspiration flow of a flow-set pump, mL/min.
    pub flow_ml_min: Option<f64>,
    /// An exam, though the case asks for none. It takes no exam back.
    pub is_exam: bool,
    /// When the section view could be seen.
    pub section: Option<Aid>,
}

impl Setup {
    /// The case as set up. What may be seen of it is `teaching().section_after(0)`.
    ///
    /// # Errors
    /// A clause for each choice outside the case's limits: what was chosen, and what is allowed. The section view may be
    /// seen as early as the case says, or later; in an exam in the debrief only.
    pub fn apply(&self, case: &CaseSpec) -> Result<CaseSpec, Vec<String>> {
        let mut set_up = case.clone();
        let mut refused = Vec::new();
        let (limits, mut machine, mut teaching) = (case.limits(), case.machine(), case.teaching());
        for (value, chosen, (lower, upper), name, unit) in [
            (&mut set_up.surgery.rhexis_mm, self.rhexis_mm, limits.rhexis_mm, RHEXIS, "mm"),
            (&mut machine.bottle_cm, self.bottle_cm, limits.bottle_cm, BOTTLE, "cm"),
            (&mut machine.vacuum_mmhg, self.vacuum_mmhg, limits.vacuum_mmhg, VACUUM, "mmHg"),
            (&mut machine.flow_ml_min, self.flow_ml_min, limits.flow_ml_min, FLOW, "mL/min"),
        ] {
            let chosen = chosen.unwrap_or(*value);
            if (lower..=upper).contains(&chosen) {
                *value = chosen;
            } else {
                refused.push(format!("{name} {chosen} {unit}; allowed: {lower} to {upper} {unit}"));
            }
        }
        teaching.exam |= self.is_exam;
        let earliest = teaching.section_after(0);
        match self.section {
            Some(section) if section < earliest => {
                let allowed: Vec<&str> = Aid::ALL.into_iter().filter(|a| *a >= earliest).map(Aid::in_words).collect();
                refused.push(format!("{SECTION} {}; allowed: {}", section.in_words(), allowed.join(" or ")));
            }
            section => teaching.section = section.unwrap_or(teaching.section),
        }
        // A group that says nothing new stays unwritten.
        if machine != case.machine() {
            set_up.machine = Some(machine);
        }
        if teaching != case.teaching() {
            set_up.teaching = Some(teaching);
        }
        if refused.is_empty() { Ok(set_up) } else { Err(refused) }
    }

    /// What was chosen otherwise than the case has it, as `bottle 80 cm, exam`; `None` when nothing was.
    pub fn in_words(&self, case: &CaseSpec) -> Option<String> {
        let (machine, teaching) = (case.machine(), case.teaching());
        let mut words: Vec<String> = [
            (self.rhexis_mm, case.surgery.rhexis_mm, RHEXIS, "mm"),
            (self.bottle_cm, machine.bottle_cm, BOTTLE, "cm"),
            (self.vacuum_mmhg, machine.vacuum_mmhg, VACUUM, "mmHg"),
            (self.flow_ml_min, machine.flow_ml_min, FLOW, "mL/min"),
        ]
        .into_iter()
        .filter_map(|(chosen, own, name, unit)| {
            chosen.filter(|c| *c != own).map(|chosen| format!("{name} {chosen} {unit}"))
        })
        .collect();
        if self.is_exam && !teaching.exam {
            words.push("exam".to_string());
        }
        if let Some(section) = self.section.filter(|s| *s != teaching.section_after(0)) {
            words.push(format!("{SECTION} {}", section.in_words()));
        }
        (!words.is_empty()).then(|| words.join(", "))
    }
}

const RHEXIS: &str = "rhexis";
const BOTTLE: &str = "bottle";
const VACUUM: &str = "vacuum";
const FLOW: &str = "flow";
const SECTION: &str = "section view";

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

    use super::*;
    use crate::case::{LimitsSpec, MachineSpec, TeachingSpec, parse_case};

    fn case() -> CaseSpec {
        parse_case("case.ron", include_str!("../../scenarios/medium-uniform.ron")).unwrap().spec
    }

    #[test]
    fn nothing_chosen_or_the_case_s_own_values_leave_the_case_as_written() {
        let case = case();
        let own = Setup {
            rhexis_mm: Some(case.surgery.rhexis_mm),
            bottle_cm: Some(case.machine().bottle_cm),
            vacuum_mmhg: Some(case.machine().vacuum_mmhg),
            flow_ml_min: Some(case.machine().flow_ml_min),
            is_exam: false,
            section: Some(case.teaching().section),
        };
        for setup in [Setup::default(), own] {
            assert_eq!(setup.apply(&case).as_ref(), Ok(&case));
            assert_eq!(setup.in_words(&case), None);
        }
    }

    #[test]
    fn what_is_chosen_stands_in_the_case_and_nothing_else_changes() {
        let case = case();
        let setup = Setup {
            rhexis_mm: Some(5.0),
            bottle_cm: Some(80.0),
            vacuum_mmhg: Some(350.0),
            flow_ml_min: Some(22.5),
            is_exam: false,
            section: Some(Aid::DebriefOnly),
        };
        let mut wanted = case.clone();
        wanted.surgery.rhexis_mm = 5.0;
        wanted.machine = Some(MachineSpec { bottle_cm: 80.0, vacuum_mmhg: 350.0, flow_ml_min: 22.5, ..case.machine() });
        wanted.teaching = Some(TeachingSpec { section: Aid::DebriefOnly, ..case.teaching() });
        assert_eq!(setup.apply(&case), Ok(wanted));
        assert_eq!(
            setup.in_words(&case).unwrap(),
            "rhexis 5 mm, bottle 80 cm, vacuum 350 mmHg, flow 22.5 mL/min, section view in the debrief only"
        );
        let alone = Setup { bottle_cm: Some(80.0), ..Setup::default() };
        let applied = alone.apply(&case).unwrap();
        assert_eq!((applied.teaching, applied.surgery), (case.teaching, case.surgery));
    }

    #[test]
    fn each_choice_outside_its_limits_is_refused_with_what_is_allowed() {
        let mut case = case();
        case.limits = Some(LimitsSpec { bottle_cm: (85.0, 95.0), ..case.limits() });
        let setup = Setup {
            rhexis_mm: Some(2.0),
            bottle_cm: Some(95.5),
            vacuum_mmhg: Some(f64::NAN),
            flow_ml_min: Some(60.0),
            is_exam: false,
            section: Some(Aid::Always),
        };
        assert_eq!(
            setup.apply(&case).unwrap_err(),
            [
                "rhexis 2 mm; allowed: 4.5 to 5.5 mm",
                "bottle 95.5 cm; allowed: 85 to 95 cm",
                "vacuum NaN mmHg; allowed: 0 to 500 mmHg",
                "flow 60 mL/min; allowed: 15 to 40 mL/min",
                "section view always; allowed: after the chop or in the debrief only",
            ]
        );
        for bottle_cm in [85.0, 95.0] {
            let setup = Setup { bottle_cm: Some(bottle_cm), ..Setup::default() };
            assert_eq!(setup.apply(&case).unwrap().machine().bottle_cm, bottle_cm);
        }
    }

    #[test]
    fn an_exam_can_be_chosen_but_not_refused_and_shows_no_section() {
        let mut case = case();
        let exam = Setup { is_exam: true, ..Setup::default() };
        assert_eq!(exam.apply(&case).unwrap().teaching().section_after(0), Aid::DebriefOnly);
        assert_eq!(exam.in_words(&case).unwrap(), "exam");
        let peeping = Setup { section: Some(Aid::AfterChop), ..exam };
        let refused = "section view after the chop; allowed: in the debrief only";
        assert_eq!(peeping.apply(&case).unwrap_err(), [refused]);

        case.teaching = Some(TeachingSpec { exam: true, ..TeachingSpec::default() });
        assert!(Setup::default().apply(&case).unwrap().teaching().exam);
        assert_eq!(Setup { section: Some(Aid::AfterChop), ..Setup::default() }.apply(&case).unwrap_err(), [refused]);
        let told = Setup { section: Some(Aid::DebriefOnly), ..exam };
        assert_eq!(told.in_words(&case), None);
    }
}
