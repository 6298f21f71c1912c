//! How hard the shipped cases are in each measure, so that a hard case is not held against who met it.
//!
//! From the calibration on held-out seeds that stands in `docs/scoring.md` (`calibrate … --attempts 300 --seed 20261128 --json`, trainees
//! of version 1): at each case 100 simulated trainees, evenly spread from novice to expert, made three attempts. Kept here are its counts.
//! The difficulty of not failing follows from them: in the model of Rasch with known abilities (`crate::statistics::rasch`) it depends
//! on nothing but how many of the attempts were failed. Given less the mean of the shipped cases, so that 0 is a case of their middle,
//! and at most [`FARTHEST`] from it: where of three hundred attempts none was failed, a difficulty is hardly more than a guess.
//!
//! What the calibration does not count has no difficulty: pieces, power and what was done then, which most cases do not ask for, and the
//! chop in the soft nucleus. Attempts in which a component no longer applied since the surgeon had stopped count there as not failed.
//! Of breaches it tells those of novices and of experts, a third of the people each. Score and prediction error have none of their own
//! and take that of passing, whose worth in points is then fitted.
//!
//! A case is known by the hash of its text. Any other case, also a shipped one that was altered, has no known difficulty and counts as one
//! of the middle; whoever tells a result says so. Simulated trainees are not people: a rate adjusted by what is hard for them is adjusted
//! by a model.

use super::measure::Measure;
use crate::case::SHIPPED;
use crate::statistics::rasch;
use crate::trainee::{EXPERT, NOVICE, Trainee};
use std::collections::HashMap;
use std::sync::LazyLock;

/// Farthest from the middle, logits.
pub const FARTHEST: f64 = 2.0;

/// People of the calibration, and attempts of each at a case.
const PEOPLE: u32 = 100;
const EACH: u32 = 3;

/// Components whose failures were counted, in the order of a row.
const COUNTED: [&str; 9] = [
    "burial-depth",
    "capsule-distance",
    "dense-zone",
    "purchase",
    "division",
    "chamber-steadiness",
    "zonule-load",
    "rim-care",
    "incision-temperature",
];

/// What was counted at a case.
struct Row {
    case: &'static str,
    passed: u32,
    /// Breaches by novices and experts.
    breached: u32,
    /// Failures of the components; `None` where there was nothing to fail.
    failed: [Option<u32>; COUNTED.len()],
}

const fn row(case: &'static str, passed: u32, breached: u32, failed: [i32; COUNTED.len()]) -> Row {
    let mut all = [None; COUNTED.len()];
    let mut at = 0;
    while at < COUNTED.len() {
        if failed[at] >= 0 {
            all[at] = Some(failed[at] as u32);
        }
        at += 1;
    }
    Row { case, passed, breached, failed: all }
}

/// Of 300 attempts each; −1 where there was nothing to fail.
const ROWS: [Row; 10] = [
    row("dense-large", 66, 0, [105, 5, 0, 151, 175, 0, 46, 0, 0]),
    row("last-piece-lax-capsule", 96, 0, [120, 0, 32, 195, 111, 0, 0, 0, 0]),
    row("leathery-plate", 60, 0, [147, 0, 0, 169, 211, 0, 0, 0, 0]),
    row("long-eye-dense-core", 90, 0, [166, 0, 1, 167, 50, 0, 10, 0, 0]),
    row("medium-uniform", 94, 0, [95, 0, 4, 188, 120, 0, 0, 0, 0]),
    row("misleading-slit-lamp", 74, 0, [122, 0, 1, 216, 100, 0, 0, 0, 0]),
    row("off-centre-core", 62, 0, [139, 53, 41, 209, 125, 0, 3, 0, 0]),
    row("poor-hydrodissection", 79, 37, [62, 54, 1, 126, 49, 0, 101, 0, 0]),
    row("soft-nucleus", 40, 13, [-1, 152, -1, -1, 102, 0, 60, 112, 0]),
    row("weak-zonules", 77, 45, [69, 75, 1, 122, 64, 0, 46, 0, 0]),
];

/// Was somebody of this skill counted?
type Among = fn(f64) -> bool;

/// A measure's failures at a case, and among whom.
fn failures(row: &Row, measure: Measure) -> Option<(u32, Among)> {
    let everybody: Among = |_| true;
    match measure {
        Measure::Pass | Measure::Score | Measure::PredictionError => Some((PEOPLE * EACH - row.passed, everybody)),
        Measure::Breach => Some((row.breached, |skill| skill <= NOVICE || skill >= EXPERT)),
        Measure::Component(component) => {
            let place = COUNTED.iter().position(|id| *id == component.id)?;
            Some((row.failed[place]?, everybody))
        }
    }
}

/// Difficulty of not failing, on the scale of abilities.
fn logits(row: &Row, measure: Measure) -> Option<f64> {
    let (failed, is_counted) = failures(row, measure)?;
    let skills =
        (0..PEOPLE).map(|person| (f64::from(person) + 0.5) / f64::from(PEOPLE)).filter(|skill| is_counted(*skill));
    let abilities = skills.flat_map(|skill| std::iter::repeat_n(Trainee::ability(skill), EACH as usize));
    // Who failed changes nothing: of all attempts the sum alone counts.
    let results: Vec<(f64, bool)> = (0..).zip(abilities).map(|(at, ability)| (ability, at >= failed)).collect();
    rasch::difficulty(&results).map(|difficulty| difficulty.logits)
}

/// By hash of the case and measure.
static DIFFICULTIES: LazyLock<HashMap<(String, &'static str), f64>> = LazyLock::new(|| {
    let mut all = HashMap::new();
    for measure in Measure::all() {
        let raw: Vec<(&str, f64)> =
            ROWS.iter().filter_map(|row| logits(row, measure).map(|logits| (row.case, logits))).collect();
        let mean = raw.iter().map(|(_, logits)| logits).sum::<f64>() / raw.len() as f64;
        for (name, logits) in raw {
            if let Some((_, text)) = SHIPPED.iter().find(|(shipped, _)| *shipped == name) {
                let hash = blake3::hash(text.as_bytes()).to_hex().to_string();
                all.insert((hash, measure.id()), (logits - mean).clamp(-FARTHEST, FARTHEST));
            }
        }
    }
    all
});

/// How much harder a case is than the middle of the shipped ones, logits, by the hash of its text in hexadecimal; `None` where that is
/// not known.
pub fn of(case_hash: &str, measure: Measure) -> Option<f64> {
    DIFFICULTIES.get(&(case_hash.to_owned(), measure.id())).copied()
}

/// How often a measure was failed at a shipped case in 300 attempts, of breaches by the 198 of novices and experts: what all this is
/// made of. `None` where it was not counted.
pub fn counted(name: &str, measure: Measure) -> Option<u32> {
    let row = ROWS.iter().find(|row| row.case == name)?;
    failures(row, measure).map(|(failed, _)| failed)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_shipped_case_has_a_difficulty_about_their_middle() {
        let hashes: Vec<String> =
            SHIPPED.iter().map(|(_, text)| blake3::hash(text.as_bytes()).to_hex().to_string()).collect();
        for measure in Measure::all() {
            let known: Vec<f64> = hashes.iter().filter_map(|hash| of(hash, measure)).collect();
            assert!(known.iter().all(|logits| logits.abs() <= FARTHEST), "{measure}: {known:?}");
        }
        let passing: Vec<f64> = hashes.iter().filter_map(|hash| of(hash, Measure::Pass)).collect();
        assert_eq!(passing.len(), SHIPPED.len());
        assert!(passing.iter().sum::<f64>().abs() < 1e-9);
        assert_eq!(of("", Measure::Pass), None);
    }
}
