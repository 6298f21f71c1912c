//! The table: a row for each component of each judgement, with what is known of the attempt repeated in each. Its columns, and what
//! the dictionary says of them.

use super::judged::{Component, Judged};
use crate::debrief::text::NOTICE;
use crate::logbook::database::Value;
use crate::logbook::derived::seq_value;

/// What a column holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Holds {
    /// Whole numbers of 64 bits.
    Whole,
    /// Numbers, double precision.
    Real,
    /// Yes or no.
    Yes,
    /// Moments, ms since 1970-01-01 in universal time.
    Moment,
    /// Text, UTF-8.
    Text,
}

impl Holds {
    /// For the dictionary.
    pub fn word(self) -> &'static str {
        match self {
            Self::Whole => "whole number",
            Self::Real => "number",
            Self::Yes => "true or false",
            Self::Moment => "moment",
            Self::Text => "text",
        }
    }
}

/// A column.
pub struct Column {
    /// Its name.
    pub name: &'static str,
    /// What it holds.
    pub holds: Holds,
    /// The unit of its numbers.
    pub unit: &'static str,
    /// What it says.
    pub what: &'static str,
    /// What it may be.
    pub allowed: &'static str,
    /// Its value in a row. An attempt without components has a row without one.
    pub of: fn(&Judged, Option<&Component>) -> Value,
}

/// Components and the units of what is measured, as the debrief has them.
pub const COMPONENTS: [(&str, &str); 12] = [
    ("burial-depth", "share of the core's thickness"),
    ("capsule-distance", "mm"),
    ("dense-zone", "mm inside the core's surface"),
    ("purchase", "share of the port covered"),
    ("division", "share of the core's crack surface; chops where the nucleus is not to be chopped"),
    ("fragment-control", "share that followed at first pull"),
    ("chamber-steadiness", "mm"),
    ("zonule-load", "mN"),
    ("rim-care", "mm torn"),
    ("power-use", "times the least full-power time"),
    ("incision-temperature", "°C"),
    ("rescue", "share of what limits harm"),
];

/// The unit of a component's value; none of one that this program does not know.
pub fn unit_of(component: &str) -> Option<&'static str> {
    COMPONENTS.iter().find(|(id, _)| *id == component).map(|(_, unit)| *unit)
}

/// Between critical events.
const BETWEEN: &str = "; ";

const HASH: &str = "64 hexadecimal digits";
const MOMENT: &str = "ISO 8601, universal time; empty outside of the years 1 to 9999";
const YES: &str = "true, false";

macro_rules! column {
    ($name:literal $holds:ident [$unit:literal] $what:expr; $allowed:expr; $of:expr) => {
        Column { name: $name, holds: Holds::$holds, unit: $unit, what: $what, allowed: $allowed, of: $of }
    };
}

/// The columns, in their order.
pub const COLUMNS: [Column; 32] = [
    column!("attempt" Whole [""] "Number of the attempt's entry in the store"; "from 1"; |j, _| seq_value(j.attempt)),
    column!("attempt_hash" Text [""] "Hash of that entry in the chain"; HASH; |j, _| j.hash.as_str().into()),
    column!("judged_in" Whole [""] "Number of the entry that holds this judgement: the attempt's own, or that of a later judgement under other goals"; "from 1"; |j, _| seq_value(j.judged_in)),
    column!("goals" Text [""] "Under whose goals it was judged; rows with `other` repeat an attempt, so count with `own` alone"; "own, other"; |j, _| if j.is_as_handed_in() { "own" } else { "other" }.into()),
    column!("trainee" Text [""] "Pseudonym of whoever did it; who that is does not lie in the store"; "ten letters and digits"; |j, _| j.trainee.as_str().into()),
    column!("invented" Yes [""] "Was this person made up, for a demonstration?"; YES; |j, _| j.is_invented().into()),
    column!("station" Text [""] "Where it was handed in"; "1 to 40 characters"; |j, _| j.station.as_str().into()),
    column!("done_at" Moment [""] "When it was done, as its file's time said; nobody vouches for it"; MOMENT; |j, _| j.done_at_ms.into()),
    column!("added_at" Moment [""] "When it was handed in, by that station's clock"; MOMENT; |j, _| j.added_at_ms.into()),
    column!("eye" Text [""] "The eye: the same case with the same seed is the same eye"; "32 hexadecimal digits"; |j, _| j.eye.as_str().into()),
    column!("scenario" Text [""] "Name of the case"; "any"; |j, _| j.scenario.as_str().into()),
    column!("case_hash" Text [""] "BLAKE3 of the case's text under whose goals it was judged"; HASH; |j, _| j.case_hash.as_str().into()),
    column!("seed" Text [""] "Seed; text, for it may be larger than some programs' numbers"; "whole, from 0 to 18446744073709551615"; |j, _| j.seed.as_str().into()),
    column!("kind_of_eye" Text [""] "Kind of eye; empty where the program that added it could not use the case"; "soft, weak-zonules, lax-capsule, sticking, off-centre, leathery-plate, misleading, dense, long, ordinary"; |j, _| j.kind_of_eye.as_deref().into()),
    column!("moved_by" Text [""] "What moved hands and foot; do not pool these unasked"; "hand, plan, simulated"; |j, _| j.moved_by.as_str().into()),
    column!("device" Text [""] "With what, a plan's title, or which simulated trainee"; "any"; |j, _| j.device.as_str().into()),
    column!("engine" Text [""] "Engine that ran it; attempts of different engines are not the same task"; "any"; |j, _| j.engine.as_str().into()),
    column!("purpose" Text [""] "What it was handed in for"; "assessment, practice"; |j, _| if j.is_assessed { "assessment" } else { "practice" }.into()),
    column!("exam" Yes [""] "Was it set up as an exam?"; YES; |j, _| j.is_exam.into()),
    column!("first_unseen" Yes [""] "Was it this trainee's first on this eye in this store?"; YES; |j, _| j.is_first.into()),
    column!("passed" Yes [""] "Passed?"; YES; |j, _| j.pass.into()),
    column!("score" Real ["of 100"] "Score of the attempt; 0 after a critical event"; "0 to 100"; |j, _| j.score.into()),
    column!("duration_s" Real ["s"] "How long it took, of the eye's time"; "from 0"; |j, _| j.duration_s.into()),
    column!("critical" Text [""] "Critical events, in their order, each as often as it happened"; "events with `; ` between; empty where there were none"; |j, _| (!j.critical.is_empty()).then(|| j.critical.join(BETWEEN)).into()),
    column!("prediction_error" Real ["share"] "Mean error of what was predicted before chops; empty where nothing was, or that was not found out"; "0 to 1"; |j, _| j.prediction_error.into()),
    column!("comments" Whole [""] "Comments on the attempt; their words stay in the store"; "from 0"; |j, _| i64::from(j.comments).into()),
    column!("sign_offs" Whole [""] "Sign-offs of the attempt"; "from 0"; |j, _| i64::from(j.sign_offs).into()),
    column!("component" Text [""] "Component that this row is about (docs/scoring.md)"; "burial-depth, capsule-distance, dense-zone, purchase, division, fragment-control, chamber-steadiness, zonule-load, rim-care, power-use, incision-temperature, rescue"; |_, c| c.map(|c| c.id.as_str()).into()),
    column!("component_value" Real ["as component_unit"] "What was measured; empty where it was not reached or does not apply"; "any"; |_, c| c.and_then(|c| c.value).into()),
    column!("component_unit" Text [""] "Unit of what was measured"; "any"; |_, c| c.and_then(|c| unit_of(&c.id)).into()),
    column!("component_score" Real ["share"] "Score of the component; empty where it does not apply"; "0 to 1"; |_, c| c.and_then(|c| c.score).into()),
    column!("for_education_only" Yes [""] NOTICE; "true"; |_, _| true.into()),
];

/// The rows of a judgement.
pub fn rows(judged: &Judged) -> impl Iterator<Item = (&Judged, Option<&Component>)> {
    let without = judged.components.is_empty().then_some(None);
    judged.components.iter().map(Some).chain(without).map(move |component| (judged, component))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]
    use super::*;
    use crate::case::{Kind, Resolution, SHIPPED, compile, parse_case};
    use crate::debrief::{Course, Debrief};
    use crate::logbook::derived::kind_word;
    use std::collections::BTreeSet;

    #[test]
    fn components_and_units_are_the_debrief_s() {
        for (name, text) in SHIPPED {
            let case = parse_case(name, text).unwrap().spec;
            let resolution = Resolution { cell_mm: 0.6, ..Resolution::default() };
            let model = compile(&case, 1, resolution).unwrap().model;
            let debrief = Debrief::of(&Course::new(&model).facts(&case, &model));
            assert_eq!(debrief.components.len(), COMPONENTS.len());
            for component in &debrief.components {
                let unit = unit_of(component.id).unwrap();
                assert!(
                    unit.split("; ").any(|unit| unit.split(" where ").next() == Some(component.unit)),
                    "{name}: {unit}"
                );
            }
        }
    }

    #[test]
    fn what_the_dictionary_allows_is_all_there_is() {
        let allowed = |name: &str| {
            let column = COLUMNS.iter().find(|column| column.name == name).unwrap();
            column.allowed.split(", ").map(str::to_owned).collect::<BTreeSet<_>>()
        };
        assert_eq!(allowed("component"), COMPONENTS.iter().map(|(id, _)| (*id).to_owned()).collect());
        assert_eq!(allowed("kind_of_eye"), Kind::ALL.into_iter().map(kind_word).collect());
    }

    #[test]
    fn names_are_plain_and_differ() {
        let names: BTreeSet<_> = COLUMNS.iter().map(|column| column.name).collect();
        assert_eq!(names.len(), COLUMNS.len());
        assert!(names.iter().all(|name| name.bytes().all(|b| b.is_ascii_lowercase() || b == b'_')));
    }
}
