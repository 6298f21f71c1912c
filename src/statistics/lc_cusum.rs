//! Has competence been shown, and is it kept? The cumulative sum for learning curves, LC-CUSUM (Biau, Williams, Boue, Nizard &
//! Porcher 2008, Stat Med; Biau & Porcher 2010, Stat Med 29:1900; its score as applied since, with p1 = p0 + δ), and after its signal
//! the ordinary one (Page 1954, Biometrika 41:100).
//!
//! Nobody is taken for competent before it is shown: the hypothesis to be refuted is that failures are as frequent as p1, which is
//! inadequate; the other that they are as rare as p0. A success adds ln((1 − p0)/(1 − p1)) to the sum, a failure takes
//! ln(p1/p0) off it, and it never falls below zero, so that early failures of a beginner are not held against what comes later. At its
//! limit competence is shown. From there the sum begins anew with the signs reversed, and at its limit competence is no longer kept;
//! then it has to be shown again (our choice: the papers leave to the teacher what follows).
//!
//! Both limits are computed for the error rates that are wanted, not taken from a table: the chance that a sum reaches a limit
//! within so many attempts is exact for somebody whose chance of failure stays the same. Somebody who learns lies between those
//! two. The rates hold for the attempts they were computed for; whoever goes on for long enough reaches any limit, and a point says
//! whether it still lies within. All attempts are taken to be independent; cases of unlike difficulty are not told apart here.

use super::cusum::{MOST_ATTEMPTS, apart, horizon, share};
use super::refusal::Refusal;
use super::walk::{Steps, is_down_to, is_up_to};
use super::words::{of_100, percent};

/// What a sum is watched for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Signal {
    /// Competence is shown.
    Shown,
    /// Competence is no longer kept.
    Lost,
}

/// A limit, what it was computed for, and what it does. A signal is right in the adequate where competence is to be shown, in the
/// inadequate where it may be lost.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limit {
    /// What the sum is watched for.
    pub signal: Signal,
    /// Share of failures that is adequate.
    pub p0: f64,
    /// Share of failures that is not.
    pub p1: f64,
    /// Attempts within which the chances are meant.
    pub attempts: usize,
    /// The chance of a wrong signal that was to be kept, 0..1.
    pub most_wrong: f64,
    /// The limit h, a thousandth exactly.
    pub h: f64,
    /// The chance of a wrong signal that this comes to.
    pub wrong: f64,
    /// The chance of a right one.
    pub right: f64,
    /// Attempts to a wrong signal, on average; none where they are too many to be added up.
    pub run_to_wrong: Option<f64>,
    /// Attempts to a right one.
    pub run_to_right: Option<f64>,
}

/// The two limits of a chart.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Design {
    /// Where competence is shown.
    pub shown: Limit,
    /// Where it is no longer kept.
    pub lost: Limit,
}

/// The sum after an attempt.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Point {
    /// The attempt, from 1.
    pub n: usize,
    /// What the sum is watched for.
    pub watched: Signal,
    /// The sum after the attempt.
    pub value: f64,
    /// It reached its limit: the next attempt begins at zero, watched for the other signal.
    pub is_signal: bool,
    /// It lies within the attempts that its error rates are for, counted from where this watch began.
    pub is_within: bool,
}

impl Signal {
    /// The steps of its sum and the chance to go up, of somebody who fails in the share `failure`.
    fn steps(self, p0: f64, p1: f64, failure: f64) -> (Steps, f64) {
        let (for_failure, for_success) = ((p1 / p0).ln(), ((1.0 - p0) / (1.0 - p1)).ln());
        match self {
            Self::Shown => (Steps { up: for_success, down: for_failure }, 1.0 - failure),
            Self::Lost => (Steps { up: for_failure, down: for_success }, failure),
        }
    }
}

impl Limit {
    /// The least limit that gives a wrong signal within so many attempts with at most this chance.
    pub fn computed(signal: Signal, p0: f64, p1: f64, attempts: usize, most_wrong: f64) -> Result<Self, Refusal> {
        apart(p0, p1)?;
        horizon(attempts)?;
        share("the chance of a wrong signal", most_wrong)?;
        let (should_not, should) = match signal {
            Signal::Shown => (p1, p0),
            Signal::Lost => (p0, p1),
        };
        let (steps, up) = signal.steps(p0, p1, should_not);
        let h = steps.limit(up, attempts, most_wrong).ok_or(Refusal::OutOfReach { attempts, most: most_wrong })?;
        let (_, up_right) = signal.steps(p0, p1, should);
        Ok(Self {
            signal,
            p0,
            p1,
            attempts,
            most_wrong,
            h,
            wrong: steps.reaches(up, h, attempts),
            right: steps.reaches(up_right, h, attempts),
            run_to_wrong: steps.average_run(up, h),
            run_to_right: steps.average_run(up_right, h),
        })
    }

    /// The chance that somebody who fails in this share of attempts reaches the limit within so many of them.
    pub fn signals(&self, failure: f64, attempts: usize) -> Result<f64, Refusal> {
        share("the share of failures", failure)?;
        horizon(attempts)?;
        let (steps, up) = self.signal.steps(self.p0, self.p1, failure);
        Ok(steps.reaches(up, self.h, attempts))
    }

    /// How often the signal is right and wrong.
    pub fn in_words(&self) -> String {
        let Self { attempts, .. } = self;
        let (good, bad) = (percent(self.p0), percent(self.p1));
        let (right, wrong) = (of_100(self.right), of_100(self.wrong));
        match self.signal {
            Signal::Shown => format!(
                "Of 100 trainees who are not yet adequate and fail in {bad} of their attempts, {wrong} would be called adequate \
                 within {attempts} attempts; of 100 who are and fail in {good}, {right} would be.{}",
                in_attempts("An adequate trainee is called so", self.run_to_right)
            ),
            Signal::Lost => format!(
                "Of 100 trainees who stay adequate and fail in {good} of their attempts, {wrong} would be called no longer \
                 adequate within {attempts} attempts; of 100 who come to fail in {bad}, {right} would be.{}",
                in_attempts("One who stays adequate is called no longer so", self.run_to_wrong)
            ),
        }
    }
}

/// An average run as a sentence; none for none.
fn in_attempts(what: &str, run: Option<f64>) -> String {
    run.map_or_else(String::new, |run| format!(" {what} after {run:.0} attempts on average."))
}

/// Attempts that are enough for an adequate trainee to be called so with the chance `right`, an inadequate one with at most `wrong`.
/// None within [`MOST_ATTEMPTS`]. Found by halving: as sums go by steps, one or two fewer may do as well.
pub fn attempts_needed(p0: f64, p1: f64, wrong: f64, right: f64) -> Result<Option<usize>, Refusal> {
    share("the chance of a right signal", right)?;
    let is_enough = |attempts| match Limit::computed(Signal::Shown, p0, p1, attempts, wrong) {
        Ok(limit) => Ok(limit.right >= right),
        Err(Refusal::OutOfReach { .. }) => Ok(false),
        Err(refusal) => Err(refusal),
    };
    let (mut few, mut enough) = (0, 1);
    while !is_enough(enough)? {
        if enough == MOST_ATTEMPTS {
            return Ok(None);
        }
        (few, enough) = (enough, (2 * enough).min(MOST_ATTEMPTS));
    }
    while enough - few > 1 {
        let middle = usize::midpoint(few, enough);
        if is_enough(middle)? { enough = middle } else { few = middle }
    }
    Ok(Some(enough))
}

impl Design {
    /// A chart on which within `attempts` an inadequate trainee is called adequate with at most the chance `wrongly_shown`, and an
    /// adequate one no longer so with at most `wrongly_lost`.
    pub fn computed(p0: f64, p1: f64, attempts: usize, wrongly_shown: f64, wrongly_lost: f64) -> Result<Self, Refusal> {
        Ok(Self {
            shown: Limit::computed(Signal::Shown, p0, p1, attempts, wrongly_shown)?,
            lost: Limit::computed(Signal::Lost, p0, p1, attempts, wrongly_lost)?,
        })
    }

    /// The sum after each attempt, `true` for one that passed.
    pub fn chart(&self, passed: &[bool]) -> Result<Vec<Point>, Refusal> {
        if passed.is_empty() {
            return Err(Refusal::NoAttempts);
        }
        let mut watched = &self.shown;
        // Steps since zero, since when the sum is reckoned, and attempts since this watch began.
        let (mut ups, mut downs, mut since) = (0, 0, 0);
        let point = |(before, is_passed): (usize, &bool)| {
            let (signal, limit) = (watched.signal, watched);
            let (steps, _) = signal.steps(limit.p0, limit.p1, limit.p0);
            let goes_up = *is_passed == (signal == Signal::Shown);
            if goes_up {
                ups += 1
            } else {
                downs += 1
            }
            since += 1;
            let mut value = steps.value(ups, downs);
            if is_down_to(value, 0.0) {
                (ups, downs, value) = (0, 0, 0.0);
            }
            let is_signal = is_up_to(value, limit.h);
            let is_within = since <= limit.attempts;
            if is_signal {
                watched = if signal == Signal::Shown { &self.lost } else { &self.shown };
                (ups, downs, since) = (0, 0, 0);
            }
            Point { n: before + 1, watched: signal, value, is_signal, is_within }
        };
        Ok(passed.iter().enumerate().map(point).collect())
    }

    /// What the chart claims, and how often it is wrong.
    pub fn in_words(&self) -> String {
        format!("{} {}", self.shown.in_words(), self.lost.in_words())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::statistics::draws::{Draws, agrees};

    /// A limit given rather than computed.
    fn given(signal: Signal, p0: f64, p1: f64, h: f64) -> Limit {
        Limit { h, ..Limit::computed(signal, p0, p1, 50, 0.2).unwrap() }
    }

    /// The score as the papers write it, with δ = p1 − p0: ln((1 − p0)/(1 − p0 − δ)) for a success, ln(p0/(p0 + δ)) for a failure; by
    /// hand for 10 % and 25 %. No worked example with both a limit and its rates is known to us.
    #[test]
    fn the_score_is_the_papers_and_is_held_at_zero() {
        let design = Design::computed(0.1, 0.25, 100, 0.05, 0.05).unwrap();
        let points = design.chart(&[true, true, true, false, false, true, false]).unwrap();
        let (up, down) = (0.182_321_557, 0.916_290_732);
        for (point, wanted) in points.iter().zip([up, 2.0 * up, 3.0 * up, 0.0, 0.0, up, 0.0]) {
            assert!((point.value - wanted).abs() < 1e-8, "{point:?} instead of {wanted}");
        }
        assert!(down > 3.0 * up && points.iter().all(|point| point.watched == Signal::Shown && point.is_within));
    }

    /// numpy 2.4.6: the chart as a Markov chain, powers of a dense transition matrix over all sums it can have.
    #[test]
    fn chances_are_those_of_a_transition_matrix() {
        for (signal, p0, p1, attempts, h, failure, wanted) in [
            (Signal::Shown, 0.10, 0.25, 50, 1.5, 0.10, 0.995_620_580_285_847),
            (Signal::Shown, 0.10, 0.25, 50, 1.5, 0.25, 0.679_427_540_060_889),
            (Signal::Shown, 0.15, 0.30, 40, 1.2, 0.15, 0.991_762_813_266_784),
            (Signal::Shown, 0.15, 0.30, 40, 1.2, 0.30, 0.734_901_777_738_174),
            (Signal::Lost, 0.10, 0.25, 50, 2.5, 0.10, 0.207_347_461_784_595),
            (Signal::Lost, 0.10, 0.25, 50, 2.5, 0.25, 0.942_523_630_952_644),
            (Signal::Lost, 0.15, 0.30, 40, 2.2, 0.15, 0.193_408_738_513_934),
            (Signal::Lost, 0.15, 0.30, 40, 2.2, 0.30, 0.868_452_667_720_442),
        ] {
            let found = given(signal, p0, p1, h).signals(failure, attempts).unwrap();
            assert!((found - wanted).abs() < 1e-12, "{signal:?} {p0} {p1} {failure}: {found} instead of {wanted}");
        }
    }

    /// numpy 2.4.6: the least thousandth found by halving over the same kind of matrix. Those of the table in `docs/review.md`.
    #[test]
    fn limits_are_those_of_a_transition_matrix() {
        for (signal, p0, p1, attempts, h, wrong, right) in [
            (Signal::Shown, 0.05, 0.15, 50, 3.128, 0.049_926_114_901, 0.650_806_111_176),
            (Signal::Shown, 0.10, 0.25, 50, 3.638, 0.048_985_214_960, 0.733_858_973_212),
            (Signal::Shown, 0.10, 0.25, 100, 4.376, 0.049_516_787_481, 0.944_401_293_893),
            (Signal::Shown, 0.10, 0.30, 30, 3.519, 0.041_337_594_155, 0.716_499_147_899),
            (Signal::Shown, 0.20, 0.40, 50, 3.845, 0.048_564_763_843, 0.824_981_770_966),
            (Signal::Lost, 0.05, 0.15, 50, 3.269, 0.049_557_182_607, 0.741_074_164_115),
            (Signal::Lost, 0.10, 0.25, 50, 3.670, 0.047_393_449_952, 0.822_611_733_779),
            (Signal::Lost, 0.10, 0.25, 100, 4.404, 0.049_756_557_586, 0.963_180_270_356),
            (Signal::Lost, 0.10, 0.30, 30, 3.483, 0.046_729_720_969, 0.824_716_028_810),
            (Signal::Lost, 0.20, 0.40, 50, 3.833, 0.049_395_915_171, 0.859_668_439_777),
        ] {
            let found = Limit::computed(signal, p0, p1, attempts, 0.05).unwrap();
            assert!((found.h - h).abs() < 1e-12, "{found:?} instead of {h}");
            assert!((found.wrong - wrong).abs() < 1e-11 && (found.right - right).abs() < 1e-11, "{found:?}");
        }
    }

    /// numpy 2.4.6: `linalg.solve(I − Q, 1)` over the fifteen sums that steps of 0.1 up and 0.6 down make below 1.5.
    #[test]
    fn average_runs_are_those_of_a_linear_solver() {
        let steps = Steps { up: 0.1, down: 0.6 };
        for (up, wanted) in [(0.9, 31.164_249_709_026_6), (0.75, 224.880_328_794_381)] {
            let found = steps.average_run(up, 1.5 - 1e-6).unwrap();
            assert!((found / wanted - 1.0).abs() < 1e-11, "{found} instead of {wanted}");
        }
    }

    /// Written anew: a plain sum held at zero. The attempt that reaches the limit, if one does within so many.
    fn reached(draws: &mut Draws, limit: &Limit, failure: f64, within: usize) -> Option<usize> {
        let (p, q) = ((limit.p1 / limit.p0).ln(), ((1.0 - limit.p0) / (1.0 - limit.p1)).ln());
        let mut sum: f64 = 0.0;
        (1..=within).find(|_| {
            let is_failure = draws.is(failure);
            let weight = match limit.signal {
                Signal::Shown => {
                    if is_failure {
                        -p
                    } else {
                        q
                    }
                }
                Signal::Lost => {
                    if is_failure {
                        p
                    } else {
                        -q
                    }
                }
            };
            sum = (sum + weight).max(0.0);
            sum >= limit.h
        })
    }

    #[test]
    fn signals_come_as_often_as_stated() {
        const RUNS: usize = 20_000;
        for (seed, p0, p1, attempts, most_wrong) in
            [(11, 0.1, 0.25, 50, 0.05), (12, 0.05, 0.15, 80, 0.1), (13, 0.2, 0.4, 30, 0.05)]
        {
            for signal in [Signal::Shown, Signal::Lost] {
                let limit = Limit::computed(signal, p0, p1, attempts, most_wrong).unwrap();
                assert!(limit.wrong <= most_wrong && limit.wrong > 0.0 && limit.right > limit.wrong, "{limit:?}");
                let (should_not, should) = if signal == Signal::Shown { (p1, p0) } else { (p0, p1) };
                let mut draws = Draws(seed);
                for (failure, stated) in [(should_not, limit.wrong), (should, limit.right)] {
                    let count = |_: &usize| reached(&mut draws, &limit, failure, attempts).is_some();
                    let simulated = (0..RUNS).filter(count).count();
                    assert!(agrees(simulated, RUNS, stated), "{limit:?}: {simulated} of {RUNS}");
                }
            }
        }
    }

    #[test]
    fn runs_are_as_long_as_stated() {
        const RUNS: usize = 20_000;
        for (seed, signal) in [(21, Signal::Shown), (22, Signal::Lost)] {
            let limit = Limit::computed(signal, 0.1, 0.25, 50, 0.1).unwrap();
            let (should_not, should) = if signal == Signal::Shown { (0.25, 0.1) } else { (0.1, 0.25) };
            let mut draws = Draws(seed);
            for (failure, stated) in [(should_not, limit.run_to_wrong), (should, limit.run_to_right)] {
                let stated = stated.unwrap();
                let runs: Vec<f64> =
                    (0..RUNS).map(|_| reached(&mut draws, &limit, failure, usize::MAX).unwrap() as f64).collect();
                let mean = runs.iter().sum::<f64>() / RUNS as f64;
                let variance = runs.iter().map(|run| (run - mean).powi(2)).sum::<f64>() / (RUNS - 1) as f64;
                let error = (variance / RUNS as f64).sqrt();
                assert!((mean - stated).abs() < 4.0 * error, "{signal:?} {failure}: {mean} ± {error}, stated {stated}");
            }
        }
    }

    #[test]
    fn a_limit_is_the_least_that_keeps_its_promise() {
        for signal in [Signal::Shown, Signal::Lost] {
            let limit = Limit::computed(signal, 0.1, 0.3, 40, 0.05).unwrap();
            let looser = Limit { h: limit.h - 0.001, ..limit };
            let failure = if signal == Signal::Shown { 0.3 } else { 0.1 };
            assert!(looser.signals(failure, 40).unwrap() > 0.05, "{limit:?}");
        }
    }

    #[test]
    fn enough_attempts_are_found() {
        let enough = attempts_needed(0.1, 0.25, 0.05, 0.8).unwrap().unwrap();
        assert!(Limit::computed(Signal::Shown, 0.1, 0.25, enough, 0.05).unwrap().right >= 0.8);
        let fewer = Limit::computed(Signal::Shown, 0.1, 0.25, enough - 5, 0.05).unwrap();
        assert!(fewer.right < 0.8, "{enough}: {fewer:?}");
    }

    #[test]
    fn competence_is_shown_kept_lost_and_shown_again() {
        let design = Design::computed(0.1, 0.3, 60, 0.05, 0.05).unwrap();
        let row = |passed: bool, of: usize| std::iter::repeat_n(passed, of);
        let passed: Vec<bool> = row(false, 10).chain(row(true, 40)).chain(row(false, 8)).chain(row(true, 40)).collect();
        let points = design.chart(&passed).unwrap();
        let signals: Vec<(usize, Signal)> =
            points.iter().filter(|point| point.is_signal).map(|point| (point.n, point.watched)).collect();
        let [(shown, Signal::Shown), (lost, Signal::Lost), (again, Signal::Shown)] = signals[..] else {
            panic!("{signals:?}")
        };
        // Ten failures at the start are not held against what follows.
        let alone = (design.shown.h / (0.9_f64 / 0.7).ln()).ceil() as usize;
        assert_eq!(shown, 10 + alone, "{design:?}");
        assert!(lost > 50 && lost <= 58 && again > lost + alone - 1, "{signals:?}");
        assert!(points[shown].value < design.lost.h && points[shown].watched == Signal::Lost);
        // A watch that goes on beyond the attempts it was computed for says so.
        let long = design.chart(&row(false, 61).collect::<Vec<_>>()).unwrap();
        assert!(long[59].is_within && !long[60].is_within);
    }

    #[test]
    fn error_rates_are_told_as_people() {
        let design = Design::computed(0.1, 0.25, 50, 0.05, 0.1).unwrap();
        let told = design.in_words();
        let numbers = format!("who are and fail in 10 %, {} would be.", of_100(design.shown.right));
        assert!(told.starts_with(
            "Of 100 trainees who are not yet adequate and fail in 25 % of their attempts, about 5 would be called adequate within \
             50 attempts; of 100"
        ), "{told}");
        assert!(told.contains(&numbers), "{told}");
        assert!(told.contains("no longer adequate within 50 attempts; of 100 who come to fail in 25 %,"), "{told}");
    }

    #[test]
    fn what_cannot_be_charted_is_refused() {
        let limit = |p0, p1, attempts, wrong| Limit::computed(Signal::Shown, p0, p1, attempts, wrong);
        assert_eq!(limit(0.2, 0.2, 50, 0.05), Err(Refusal::Apart { p0: 0.2, p1: 0.2 }));
        assert!(matches!(limit(f64::NAN, 0.2, 50, 0.05), Err(Refusal::Share { .. })));
        assert!(matches!(limit(0.1, 0.2, 0, 0.05), Err(Refusal::Attempts { given: 0, .. })));
        assert!(matches!(limit(0.1, 0.2, 100_000, 0.05), Err(Refusal::Attempts { .. })));
        assert!(matches!(limit(0.1, 0.2, 50, 0.0), Err(Refusal::Share { .. })));
        assert_eq!(limit(0.1, 0.2, 5, 0.05), Err(Refusal::OutOfReach { attempts: 5, most: 0.05 }));
        assert_eq!(Design::computed(0.1, 0.25, 50, 0.05, 0.1).unwrap().chart(&[]), Err(Refusal::NoAttempts));
        assert!(attempts_needed(0.3, 0.2, 0.05, 0.8).is_err() && attempts_needed(0.1, 0.2, 0.05, 1.0).is_err());
        assert_eq!(attempts_needed(0.1, 0.101, 0.05, 0.8), Ok(None), "nobody tells these apart");
        let all_failed = Design::computed(0.1, 0.25, 50, 0.05, 0.1).unwrap().chart(&[false; 300]).unwrap();
        assert!(all_failed.iter().all(|point| point.value == 0.0 && !point.is_signal));
    }
}
