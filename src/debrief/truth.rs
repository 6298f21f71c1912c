//! Where a chop would have worked, and how far a prediction of it was off.
//!
//! The same chop is done over its depth, at the tip angle and place that were stated, from where the eye stood when they were:
//! each as in every map (`plan::map`), vertical, with 300 mmHg, by hands that do not miss. Where none goes right through, the
//! core's middle is tried at other tip angles: only an eye in which none of all these works is one in which stopping is right.
//!
//! The prediction error, 0 to 1, is the mean of two parts. The *result*: 0 when what was expected came, or stopping was right, and 1
//! otherwise. The *depth*: the distance from the stated depth to the nearest at which the chop goes right through, over 1 mm (A: about
//! a third of a core; further off, a depth says nothing), 1 at most. The depth does not apply to 'stop and call', nor in an eye in which
//! nothing works: there the result alone counts. So neither a shallow tip that is foretold to leave a hinge, nor stopping
//! where a chop would have worked, is without error. mm, degrees.
//!
//! Limits: depths in steps of 0.2 mm; one kind of chop; after an earlier chop or a turn the core's middle is where it was at
//! first. It is an error about this model.

use crate::attempt::{Expected, Prediction};
use crate::case::CaseSpec;
use crate::debrief::maps::outcome::{CRACKED_SHARE, CellOutcome};
use crate::plan::map::{MapCell, StandardChop, Start, outcome, outcomes};
use crate::sim::Model;
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

/// Step of the depths that are tried, mm.
pub const STEP_MM: f64 = 0.2;

/// Distance from which on a stated depth is wholly wrong, mm (A).
const WORTHLESS_MM: f64 = 1.0;

/// Deepest that is tried, mm: as deep as a plan can bury.
const DEEPEST_MM: f64 = 5.0;

/// Tip angles at which the core's middle is tried, degrees, the likeliest first.
const ANGLES_DEG: [f64; 5] = [40.0, 50.0, 30.0, 60.0, 20.0];

/// What came of a chop.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Came {
    /// The crack went right through, and the capsule stayed whole.
    Through,
    /// It cracked in part: a hinge still joins the sides.
    Hinged,
    /// Nothing cracked.
    NoCrack,
    /// The posterior capsule was breached.
    Breach,
}

impl Came {
    /// Of a chop of which so much of the core's surface broke, wholly or not, with a breach or without.
    pub fn new(is_breached: bool, is_complete: bool, core_fraction_cracked: f64) -> Self {
        if is_breached {
            Self::Breach
        } else if is_complete {
            Self::Through
        } else if core_fraction_cracked >= CRACKED_SHARE {
            Self::Hinged
        } else {
            Self::NoCrack
        }
    }

    /// Of a chop of a map, however deep the tip came.
    pub fn of(cell: &MapCell) -> Self {
        Self::new(cell.breach, cell.complete, cell.core_fraction_cracked)
    }

    /// In words.
    pub fn in_words(self) -> &'static str {
        match self {
            Self::Through => "right through",
            Self::Hinged => "hinged",
            Self::NoCrack => "nothing cracked",
            Self::Breach => "the posterior capsule was breached",
        }
    }
}

/// Where a chop would have worked.
#[derive(Clone, Debug, PartialEq)]
pub struct Truth {
    /// Depths at the stated tip angle and place, growing, with what comes of each, mm.
    pub depths: Vec<(f64, CellOutcome)>,
    /// Does any chop go right through, at these depths or through the core's middle?
    pub is_choppable: bool,
}

/// How far a prediction was off.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PredictionError {
    /// Did what was expected come, or was stopping right?
    pub is_right: bool,
    /// Distance from the stated depth to the nearest that goes right through, mm; infinite where none does though the eye can be
    /// chopped, `None` where depth does not apply.
    pub depth_off_mm: Option<f64>,
    /// 0 to 1.
    pub error: f64,
}

/// The chop that a prediction states.
pub fn stated_chop(case: &CaseSpec, model: &Model, prediction: &Prediction) -> StandardChop {
    let Prediction { depth_mm, angle_deg, place_mm, .. } = *prediction;
    StandardChop { depth_mm, angle_deg, place_mm, ..StandardChop::new(case, model) }
}

impl Truth {
    /// Find out; the same for any number of threads (0: as many as there are processors).
    ///
    /// # Errors
    /// The threads could not be started.
    pub fn of(
        case: &CaseSpec,
        model: &Model,
        start: &Start,
        prediction: &Prediction,
        threads: usize,
    ) -> Result<Self, rayon::ThreadPoolBuildError> {
        Self::told(case, model, start, prediction, threads, |_| ())
    }

    /// The same; whenever a chop is done, from whichever thread did it, it is told how many chops there will be in all, as far as is
    /// known by then.
    ///
    /// # Errors
    /// The threads could not be started.
    pub fn told(
        case: &CaseSpec,
        model: &Model,
        start: &Start,
        prediction: &Prediction,
        threads: usize,
        on_chop: impl Fn(usize) + Sync,
    ) -> Result<Self, rayon::ThreadPoolBuildError> {
        let stated = stated_chop(case, model, prediction);
        let mut depths_mm = depths(model);
        if depths_mm.iter().all(|depth| (depth - stated.depth_mm).abs() > 1e-9) {
            depths_mm.push(stated.depth_mm);
            depths_mm.sort_by(f64::total_cmp);
        }
        let at = |chop: StandardChop, depth_mm: &f64| StandardChop { depth_mm: *depth_mm, ..chop };
        let chops: Vec<StandardChop> = depths_mm.iter().map(|depth| at(stated, depth)).collect();
        let cells = outcomes(case, model, start, &chops, threads, || on_chop(chops.len()))?;
        let floor_mm = case.goals.capsule_floor_mm;
        let of = |cell: &MapCell| CellOutcome::of(cell, floor_mm);
        let depths: Vec<(f64, CellOutcome)> = depths_mm.into_iter().zip(cells.iter().map(of)).collect();
        let mut is_choppable = depths.iter().any(|(_, outcome)| outcome.is_through());
        if !is_choppable {
            let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build()?;
            let others = elsewhere(case, model);
            let goes_through = |chop: &StandardChop| {
                let is_through = of(&outcome(case, model, start, chop)).is_through();
                on_chop(chops.len() + others.len());
                is_through
            };
            is_choppable = pool.install(|| others.par_iter().with_max_len(1).any(goes_through));
        }
        Ok(Self { depths, is_choppable })
    }

    /// The shallowest and the deepest depth tried that goes right through, mm.
    pub fn span_mm(&self) -> Option<(f64, f64)> {
        let through = || self.depths.iter().filter(|(_, outcome)| outcome.is_through()).map(|(depth, _)| *depth);
        through().next().zip(through().next_back())
    }

    /// Distance from a depth to the nearest that goes right through, less half a step where that is not the depth itself, mm.
    fn off_mm(&self, depth_mm: f64) -> Option<f64> {
        let through = self.depths.iter().filter(|(_, outcome)| outcome.is_through());
        let nearest = through.map(|(depth, _)| (depth - depth_mm).abs()).min_by(f64::total_cmp)?;
        Some((nearest - 0.5 * STEP_MM).max(0.0))
    }

    /// How far a prediction was off, `came` being what came of the chop; `None` for an expected result of a chop that was not
    /// done.
    pub fn error(&self, prediction: &Prediction, came: Option<Came>) -> Option<PredictionError> {
        match (came, prediction.expected) {
            (Some(came), _) => Some(self.error_of(prediction, came)),
            // Nothing that was done shows what could have been.
            (None, Expected::StopAndCall) => Some(self.error_of(prediction, Came::NoCrack)),
            (None, Expected::Through | Expected::Hinged) => None,
        }
    }

    /// How far a prediction was off, the chop having been done with this result.
    pub fn error_of(&self, prediction: &Prediction, came: Came) -> PredictionError {
        // What was done shows what can be done.
        let is_choppable = self.is_choppable || came == Came::Through;
        let is_right = match prediction.expected {
            Expected::StopAndCall => !is_choppable,
            Expected::Through => came == Came::Through,
            Expected::Hinged => came == Came::Hinged,
        };
        let has_depth = is_choppable && prediction.expected != Expected::StopAndCall;
        let depth_off_mm = has_depth.then(|| self.off_mm(prediction.depth_mm).unwrap_or(f64::INFINITY));
        let result = if is_right { 0.0 } else { 1.0 };
        let error = depth_off_mm.map_or(result, |off| 0.5 * (result + (off / WORTHLESS_MM).min(1.0)));
        PredictionError { is_right, depth_off_mm, error }
    }
}

/// The depths that are tried, mm: to the core's back.
fn depths(model: &Model) -> Vec<f64> {
    let deepest_mm = (2.0 * model.field.core.half_thickness_mm).min(DEEPEST_MM);
    let count = libm::floor(deepest_mm / STEP_MM + 1e-9) as u32;
    (1..=count).map(|i| libm::round(f64::from(i) * STEP_MM * 1e6) / 1e6).collect()
}

/// Chops through the core's middle, the likeliest first.
fn elsewhere(case: &CaseSpec, model: &Model) -> Vec<StandardChop> {
    let middle = StandardChop::new(case, model);
    let mut depths_mm = depths(model);
    let off = |depth: &f64| (depth - middle.depth_mm).abs();
    depths_mm.sort_by(|a, b| off(a).total_cmp(&off(b)));
    let at_angle =
        |angle_deg| depths_mm.iter().map(move |depth| StandardChop { depth_mm: *depth, angle_deg, ..middle });
    ANGLES_DEG.into_iter().flat_map(at_angle).collect()
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]
    use super::*;

    const EXPECTED: [Expected; 3] = Expected::ALL;

    fn stated(depth_mm: f64, expected: Expected) -> Prediction {
        Prediction { tick: 0, depth_mm, angle_deg: 40.0, place_mm: (0.0, 0.0), expected }
    }

    /// Goes through from 1.0 to 1.6 mm, hinges above, breaches below.
    fn choppable() -> Truth {
        let of = |i: u32| match i {
            ..5 => CellOutcome::Hinged,
            5..=8 => CellOutcome::Through,
            _ => CellOutcome::Breach,
        };
        Truth { depths: (1..=12).map(|i| (f64::from(i) * STEP_MM, of(i))).collect(), is_choppable: true }
    }

    #[test]
    fn a_prediction_is_off_by_its_result_and_by_its_depth() {
        let truth = choppable();
        let error = |depth, expected, came| truth.error(&stated(depth, expected), Some(came)).unwrap();
        assert_eq!(truth.span_mm().map(|(a, b)| ((a * 10.0).round(), (b * 10.0).round())), Some((10.0, 16.0)));
        let right = error(1.3, Expected::Through, Came::Through);
        assert_eq!(right, PredictionError { is_right: true, depth_off_mm: Some(0.0), error: 0.0 });
        // Half a step belongs to the depth beside it.
        assert_eq!(error(0.92, Expected::Through, Came::Through).error, 0.0);
        let shallow = error(0.4, Expected::Through, Came::Hinged);
        assert!((shallow.depth_off_mm.unwrap() - 0.5).abs() < 1e-9 && (shallow.error - 0.75).abs() < 1e-9);
        // A hinge that was foretold is right, and shallow all the same.
        let hinged = error(0.4, Expected::Hinged, Came::Hinged);
        assert!(hinged.is_right && (hinged.error - 0.25).abs() < 1e-9);
        assert_eq!(error(3.5, Expected::Through, Came::Breach).error, 1.0);
        assert_eq!(error(3.5, Expected::Hinged, Came::NoCrack).error, 1.0);
    }

    #[test]
    fn stopping_is_right_where_nothing_works_and_wrong_elsewhere() {
        let hopeless =
            Truth { depths: vec![(1.0, CellOutcome::Hinged), (1.2, CellOutcome::Breach)], is_choppable: false };
        for came in [None, Some(Came::Hinged), Some(Came::Breach)] {
            let stop = |truth: &Truth| truth.error(&stated(1.0, Expected::StopAndCall), came).unwrap();
            assert_eq!(stop(&hopeless), PredictionError { is_right: true, depth_off_mm: None, error: 0.0 });
            assert_eq!(stop(&choppable()), PredictionError { is_right: false, depth_off_mm: None, error: 1.0 });
        }
        // What has been done can be done.
        let done = hopeless.error(&stated(1.0, Expected::StopAndCall), Some(Came::Through)).unwrap();
        assert!(!done.is_right);
        // No depth is asked for where none helps.
        let hinged = hopeless.error(&stated(4.0, Expected::Hinged), Some(Came::Hinged)).unwrap();
        assert_eq!(hinged, PredictionError { is_right: true, depth_off_mm: None, error: 0.0 });
    }

    #[test]
    fn a_place_where_no_depth_helps_costs_the_depth_s_half_in_an_eye_that_can_be_chopped() {
        let beside = Truth { depths: vec![(1.0, CellOutcome::Hinged)], is_choppable: true };
        let hinged = beside.error(&stated(1.0, Expected::Hinged), Some(Came::Hinged)).unwrap();
        assert_eq!((hinged.is_right, hinged.depth_off_mm, hinged.error), (true, Some(f64::INFINITY), 0.5));
    }

    #[test]
    fn a_chop_that_was_not_done_is_not_judged_and_every_error_is_a_share() {
        assert_eq!(choppable().error(&stated(1.0, Expected::Through), None), None);
        assert_eq!(choppable().error(&stated(1.0, Expected::Hinged), None), None);
        for expected in EXPECTED {
            for came in [Came::Through, Came::Hinged, Came::NoCrack, Came::Breach] {
                for depth in [0.0, 0.9, 1.3, 5.0] {
                    let found = choppable().error(&stated(depth, expected), Some(came)).unwrap();
                    assert!((0.0..=1.0).contains(&found.error));
                    assert_eq!(found.error == 0.0, found.is_right && found.depth_off_mm.is_none_or(|off| off == 0.0));
                }
            }
        }
    }
}
