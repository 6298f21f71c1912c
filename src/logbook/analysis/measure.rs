//! What is followed in a learner: passed, score, simulated breach, prediction error, and each component of the debrief; what counts as a
//! failure of it, and which shares of failures charts tell apart where nobody says otherwise.
//!
//! A component is failed where its score does not reach what it is met with: 1, for the rim of the rhexis 0.75, as a rim that was caught
//! and held is whole (`docs/scoring.md`). That follows the score and not the debrief's own verdict, which the record does not keep:
//! where a case asks for a follow ratio too, `fragment-control` may be missed with a score of 1. What was never reached is failed;
//! what did not apply is neither.
//!
//! The shares p0 and p1 are **provisional** (assumed): for passing they lie about what the best of the simulated trainees fail in
//! (23–57 % of attempts by case, the soft nucleus aside), for breaches about theirs (0.9 %) and novices' (8.7 %), for components there
//! is no source.

use core::fmt;
use core::str::FromStr;

/// Failures of a share that is good enough, and of one that is not.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Shares {
    /// Acceptable, adequate.
    pub p0: f64,
    /// Not.
    pub p1: f64,
}

/// A component of the debrief.
#[derive(Debug, PartialEq)]
pub struct Component {
    /// As it is written in records.
    pub id: &'static str,
    /// For people.
    pub label: &'static str,
    /// What it asks for, in short (`docs/scoring.md`).
    pub asks: &'static str,
    /// The score from which it is met.
    pub met_from: f64,
}

const fn component(id: &'static str, label: &'static str, asks: &'static str) -> Component {
    Component { id, label, asks, met_from: 1.0 }
}

/// All of them, in the debrief's order.
pub const COMPONENTS: [Component; 12] = [
    component("burial-depth", "Burial depth", "the tip as deep in the core as the case asks when the chop begins"),
    component(
        "capsule-distance",
        "Distance to the capsule",
        "no instrument nearer to the posterior capsule than the case allows",
    ),
    component("dense-zone", "Tip inside the dense zone", "the tip inside the core when the chop begins"),
    component("purchase", "Hold before the chop", "pedal back in position 2, the port covered, its bed not cored out"),
    component(
        "division",
        "Crack through and even",
        "the core cracked to its back, no hinge left, neither side too small",
    ),
    component("fragment-control", "Pieces under control", "pieces follow at the first pull, none sinks"),
    component("chamber-steadiness", "Steadiness of the chamber", "capsule and iris move little"),
    component("zonule-load", "Load on the zonules", "no clock hour of zonules loaded beyond the limit"),
    Component {
        met_from: 0.75,
        ..component("rim-care", "Rim of the rhexis", "no tear; a rim that was caught and held is met")
    },
    component("power-use", "Power against need", "no more ultrasound than five times what this nucleus needs"),
    component("incision-temperature", "Warmth of the incision", "the incision below the limit of temperature"),
    component(
        "rescue",
        "What was done then",
        "after a simulated breach, torn zonules, rim or a blocked chamber: what limits the harm",
    ),
];

/// Scores are sums of parts: one that is a rounding below the bound is met.
const ROUNDING: f64 = 1e-9;

/// What is followed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Measure {
    /// Was the attempt passed?
    Pass,
    /// Its score, 0 to 100.
    Score,
    /// Did the simulated capsule stay whole?
    Breach,
    /// How far predictions were off, 0 to 1.
    PredictionError,
    /// Was a component met?
    Component(&'static Component),
}

/// What came of an attempt in a measure.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Outcome {
    /// Good or not.
    Good(bool),
    /// A value.
    Value(f64),
}

/// Something that is not followed.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("`{0}` is no component; allowed: {allowed}", allowed = Measure::all().map(|m| m.id()).collect::<Vec<_>>().join(", "))]
pub struct NoMeasure(String);

impl Measure {
    /// All that are followed.
    pub fn all() -> impl Iterator<Item = Self> {
        [Self::Pass, Self::Score, Self::Breach, Self::PredictionError]
            .into_iter()
            .chain(COMPONENTS.iter().map(Self::Component))
    }

    /// Its name for machines.
    pub fn id(&self) -> &'static str {
        match self {
            Self::Pass => "pass",
            Self::Score => "score",
            Self::Breach => "breach",
            Self::PredictionError => "prediction-error",
            Self::Component(component) => component.id,
        }
    }

    /// Its name for people.
    pub fn label(&self) -> &'static str {
        match self {
            Self::Pass => "Passed",
            Self::Score => "Score",
            Self::Breach => "Simulated breach",
            Self::PredictionError => "Prediction error",
            Self::Component(component) => component.label,
        }
    }

    /// What is drawn, with its unit.
    pub fn drawn(&self) -> &'static str {
        match self {
            Self::Pass => "Attempts passed, %",
            Self::Score => "Score of 100",
            Self::Breach => "Attempts with a simulated breach, %",
            Self::PredictionError => "Prediction error, 0 to 1",
            Self::Component(_) => "Attempts in which it was met, %",
        }
    }

    /// What counts as a failure in its charts; `None` where nothing does.
    pub fn failure(&self) -> Option<&'static str> {
        match self {
            Self::Pass => Some("an attempt that was not passed"),
            Self::Breach => Some("a simulated breach of the posterior capsule"),
            Self::Component(component) if component.met_from < 1.0 => Some("a score below 0.75: a rim that tore"),
            Self::Component(_) => Some("a score below 1: what the case asked for was not reached"),
            Self::Score | Self::PredictionError => None,
        }
    }

    /// The shares that its charts tell apart where nobody says otherwise; `None` where there are no failures.
    pub fn shares(&self) -> Option<Shares> {
        match self {
            Self::Pass => Some(Shares { p0: 0.40, p1: 0.60 }),
            Self::Breach => Some(Shares { p0: 0.02, p1: 0.10 }),
            Self::Component(_) => Some(Shares { p0: 0.20, p1: 0.40 }),
            Self::Score | Self::PredictionError => None,
        }
    }

    /// The range of its values where they are not shares of attempts.
    pub fn range(&self) -> Option<(f64, f64)> {
        match self {
            Self::Score => Some((0.0, 100.0)),
            Self::PredictionError => Some((0.0, 1.0)),
            _ => None,
        }
    }

    /// Is less of what is drawn better?
    pub fn is_harm(&self) -> bool {
        matches!(self, Self::Breach | Self::PredictionError)
    }
}

impl Component {
    /// Was it met with this score, 0 to 1?
    pub fn is_met(&self, score: f64) -> bool {
        score >= self.met_from - ROUNDING
    }
}

impl fmt::Display for Measure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.id())
    }
}

impl FromStr for Measure {
    type Err = NoMeasure;

    fn from_str(text: &str) -> Result<Self, NoMeasure> {
        let refused = || NoMeasure(text.chars().take(40).flat_map(char::escape_debug).collect());
        Self::all().find(|measure| measure.id() == text).ok_or_else(refused)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_measure_is_found_by_its_name_and_others_are_told_what_there_is() {
        for measure in Measure::all() {
            assert_eq!(measure.id().parse::<Measure>(), Ok(measure));
        }
        let said = "tempo".parse::<Measure>().map_err(|error| error.to_string()).unwrap_err();
        assert!(said.contains("allowed: pass, score, breach") && said.ends_with("rescue"), "{said}");
    }

    #[test]
    fn a_rim_that_was_caught_and_held_is_met() {
        let met = |id: &str, score| match id.parse() {
            Ok(Measure::Component(component)) => component.is_met(score),
            _ => panic!("{id}"),
        };
        assert!(met("rim-care", 0.75) && !met("rim-care", 0.5));
        assert!(met("division", 0.1 + 0.2 + 0.7) && !met("division", 0.99));
    }
}
