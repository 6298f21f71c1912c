//! How one trainee's attempts go on in one measure with one device: a learning curve with its interval, Wald's chart of failures, and
//! whether competence has been shown (`crate::statistics`). Pure functions of attempts.
//!
//! Attempts are numbered from 1 in the order in which they were done, those in which the measure did not apply included, so that a
//! number means the same in every chart of a person. Curve and Wald's chart take the difficulty of cases into account where it is known
//! (`difficulty`); the chart of competence cannot.

use super::difficulty;
use super::measure::{Measure, Outcome, Shares};
use super::rows::{Done, SIMULATED};
use crate::statistics::cusum::{self, Adjusted, Expected};
use crate::statistics::lc_cusum::{self, Signal};
use crate::statistics::learning::{Attempt, Curve, of_passes, of_scores};
use crate::statistics::rate::Rate;
use crate::statistics::refusal::Refusal;
use std::collections::BTreeMap;

/// What charts are made for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stated {
    /// Chance that Wald's chart calls an acceptable share of failures unacceptable.
    pub alpha: f64,
    /// The reverse.
    pub beta: f64,
    /// Attempts for which error rates are told.
    pub within: usize,
    /// Chance, within these, that an inadequate trainee is called adequate, and that an adequate one is called no longer so.
    pub wrongly: f64,
    /// Shares of failures to be told apart, in place of the provisional ones of passing and of components.
    pub shares: Option<Shares>,
    /// The same of simulated breaches, whose shares are of another order.
    pub breaches: Option<Shares>,
}

impl Default for Stated {
    fn default() -> Self {
        Self { alpha: 0.1, beta: 0.1, within: 50, wrongly: 0.05, shares: None, breaches: None }
    }
}

impl Stated {
    /// Can charts be made for these?
    ///
    /// # Errors
    /// What no chart can be made for.
    pub fn check(&self) -> Result<(), Refusal> {
        let Shares { p0, p1 } = self.shares.or(self.breaches).unwrap_or(Shares { p0: 0.2, p1: 0.4 });
        let plain = cusum::Design::new(p0, p1, self.alpha, self.beta)?;
        plain.crossings(p0, self.within)?;
        // Of the shares of each measure some may be out of reach within so many attempts; that is told where it is so.
        match lc_cusum::Limit::computed(Signal::Shown, p0, p1, self.within, self.wrongly) {
            Err(refusal @ Refusal::Share { .. }) => Err(refusal),
            _ => Ok(()),
        }
    }

    /// The shares that charts of a measure tell apart; `None` where it has no failures.
    pub fn shares(&self, measure: Measure) -> Option<Shares> {
        let asked = if measure == Measure::Breach { self.breaches } else { self.shares };
        measure.shares().map(|provisional| asked.unwrap_or(provisional))
    }
}

/// One of a trainee's attempts.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Step {
    /// Its number among the trainee's, from 1.
    pub n: u32,
    /// Number of its entry.
    pub seq: i64,
    /// When, ms.
    pub at_ms: i64,
    /// What came of it; `None` where the measure did not apply.
    pub outcome: Option<Outcome>,
    /// Difficulty of its case, logits above the mean of the shipped cases; `None` where it is not known, and taken for 0.
    pub difficulty: Option<f64>,
}

/// Wald's chart.
#[derive(Clone, Debug, PartialEq)]
pub struct Wald {
    /// Its lines: how far below zero, how far above.
    pub lines: (f64, f64),
    /// What a failure adds, and a success takes off, at a case of difficulty 0.
    pub weights: (f64, f64),
    /// Was the difficulty of cases taken into account?
    pub is_adjusted: bool,
    /// The sum, with the number of the attempt.
    pub points: Vec<(u32, cusum::Point)>,
    /// How often it is wrong.
    pub in_words: String,
}

impl Wald {
    /// The sum as it is drawn, attempt number and value: each test from zero to its crossing.
    pub fn runs(&self) -> Vec<Vec<(f64, f64)>> {
        let points = self.points.iter().map(|(n, point)| (*n, point.value, point.crossed.is_some()));
        runs(points).into_iter().map(|(run, _)| run).collect()
    }
}

/// Stretches of a sum that begins anew after each signal, with the place of each one's first point.
fn runs(points: impl Iterator<Item = (u32, f64, bool)>) -> Vec<(Vec<(f64, f64)>, usize)> {
    let mut runs: Vec<(Vec<(f64, f64)>, usize)> = Vec::new();
    let mut is_new = true;
    for (at, (n, value, is_end)) in points.enumerate() {
        let n = f64::from(n);
        if is_new {
            runs.push((vec![((n - 1.0).max(1.0), 0.0)], at));
        }
        if let Some((run, _)) = runs.last_mut() {
            run.push((n, value));
        }
        is_new = is_end;
    }
    runs
}

/// The chart of competence.
#[derive(Clone, Debug, PartialEq)]
pub struct Competence {
    /// Its limits.
    pub design: lc_cusum::Design,
    /// The sum, with the number of the attempt.
    pub points: Vec<(u32, lc_cusum::Point)>,
}

impl Competence {
    /// The attempt at which competence was shown first, and whether within the attempts that its error rate is for.
    pub fn shown_at(&self) -> Option<(u32, bool)> {
        let shown = self.points.iter().find(|(_, point)| point.is_signal && point.watched == Signal::Shown);
        shown.map(|(n, point)| (*n, point.is_within))
    }

    /// The sum as it is drawn, attempt number and value: each watch from zero to its signal, with what it is watched for.
    pub fn runs(&self) -> Vec<(Signal, Vec<(f64, f64)>)> {
        let points = self.points.iter().map(|(n, point)| (*n, point.value, point.is_signal));
        runs(points).into_iter().map(|(run, first)| (self.points[first].1.watched, run)).collect()
    }

    /// The attempt at which it was last found to be lost, if it was not shown again.
    pub fn lost_at(&self) -> Option<u32> {
        let last = self.points.iter().rev().find(|(_, point)| point.is_signal);
        last.filter(|(_, point)| point.watched == Signal::Lost).map(|(n, _)| *n)
    }
}

/// Charts of failures.
#[derive(Clone, Debug, PartialEq)]
pub struct Charts {
    /// The shares that are told apart.
    pub shares: Shares,
    /// Failures too often?
    pub wald: Result<Wald, Refusal>,
    /// Competence shown?
    pub competence: Result<Competence, Refusal>,
}

/// A trainee's attempts in a measure, and what they say.
#[derive(Clone, Debug, PartialEq)]
pub struct Course {
    /// The measure.
    pub measure: Measure,
    /// With what.
    pub device: String,
    /// The attempts.
    pub steps: Vec<Step>,
    /// The curve, in terms of what is good: attempts without a breach.
    pub curve: Result<Curve, Refusal>,
    /// Charts; `None` for a measure without failures.
    pub charts: Option<Charts>,
}

/// Designs of charts of competence, which take a moment to compute and are the same for many.
#[derive(Debug, Default)]
pub struct Designs(Vec<(Shares, Result<lc_cusum::Design, Refusal>)>);

impl Designs {
    /// The one for these shares.
    pub fn of(&mut self, shares: Shares, stated: &Stated) -> Result<lc_cusum::Design, Refusal> {
        if let Some((_, design)) = self.0.iter().find(|(known, _)| *known == shares) {
            return design.clone();
        }
        let design = lc_cusum::Design::computed(shares.p0, shares.p1, stated.within, stated.wrongly, stated.wrongly);
        self.0.push((shares, design.clone()));
        design
    }
}

/// Attempts of one trainee by device, most attempts first.
pub fn by_device<'a>(attempts: impl IntoIterator<Item = &'a Done>) -> Vec<(String, Vec<&'a Done>)> {
    let mut devices: BTreeMap<&str, Vec<&Done>> = BTreeMap::new();
    for done in attempts {
        devices.entry(&done.device).or_default().push(done);
    }
    let mut devices: Vec<_> = devices.into_iter().map(|(device, done)| (device.to_owned(), done)).collect();
    devices.sort_by_key(|(_, done)| std::cmp::Reverse(done.len()));
    devices
}

impl Course {
    /// Of attempts of one trainee with one device, in their order.
    pub fn of(measure: Measure, device: &str, attempts: &[&Done], stated: &Stated, designs: &mut Designs) -> Self {
        let step = |(n, done): (u32, &&Done)| Step {
            n,
            seq: done.seq,
            at_ms: done.at_ms,
            outcome: done.outcome(measure),
            difficulty: difficulty::of(&done.case_hash, measure),
        };
        let steps: Vec<Step> = (1..).zip(attempts).map(step).collect();
        let curve = match measure.range() {
            Some(range) => of_scores(&values(&steps), 0.0, range),
            None => of_passes(&results(&steps), 0.0),
        };
        let charts = stated.shares(measure).map(|shares| Charts {
            shares,
            wald: wald(&steps, shares, stated),
            competence: designs.of(shares, stated).and_then(|design| competence(&steps, design)),
        });
        Self { measure, device: device.to_owned(), steps, curve, charts }
    }

    /// Did simulated trainees make the attempts?
    pub fn is_invented(&self) -> bool {
        self.device == SIMULATED
    }

    /// How often it was good, of the attempts in which it applied; `None` for values.
    pub fn rate(&self) -> Option<Rate> {
        let good = self.steps.iter().filter_map(|step| step.outcome).map(|outcome| match outcome {
            Outcome::Good(good) => Some(good),
            Outcome::Value(_) => None,
        });
        good.collect::<Option<Vec<bool>>>().map(|good| good.into_iter().sum())
    }

    /// Attempts in which it applied.
    pub fn judged(&self) -> usize {
        self.steps.iter().filter(|step| step.outcome.is_some()).count()
    }

    /// Attempts in which it applied, at cases whose difficulty is not known.
    pub fn without_difficulty(&self) -> usize {
        self.steps.iter().filter(|step| step.outcome.is_some() && step.difficulty.is_none()).count()
    }

    /// The curve as it is drawn, by attempt number: value, low, high; harm is drawn as harm.
    pub fn drawn(&self) -> Vec<(u32, f64, f64, f64)> {
        let is_turned = self.measure == Measure::Breach;
        let points = self.curve.iter().flat_map(|curve| &curve.points);
        points
            .map(|point| match is_turned {
                true => (point.n, 1.0 - point.value, 1.0 - point.high, 1.0 - point.low),
                false => (point.n, point.value, point.low, point.high),
            })
            .collect()
    }
}

fn results(steps: &[Step]) -> Vec<Attempt<bool>> {
    let result = |step: &Step| match step.outcome? {
        Outcome::Good(result) => Some(Attempt { n: step.n, difficulty: step.difficulty.unwrap_or(0.0), result }),
        Outcome::Value(_) => None,
    };
    steps.iter().filter_map(result).collect()
}

fn values(steps: &[Step]) -> Vec<Attempt<f64>> {
    let value = |step: &Step| match step.outcome? {
        Outcome::Value(result) => Some(Attempt { n: step.n, difficulty: step.difficulty.unwrap_or(0.0), result }),
        Outcome::Good(_) => None,
    };
    steps.iter().filter_map(value).collect()
}

/// Difficulties that differ by less are the same.
const ALIKE: f64 = 1e-9;

fn odds(share: f64) -> f64 {
    share / (1.0 - share)
}

/// Where cases differ in difficulty, the chart that knows it; elsewhere the one whose error rates are exact.
fn wald(steps: &[Step], shares: Shares, stated: &Stated) -> Result<Wald, Refusal> {
    let Shares { p0, p1 } = shares;
    let attempts = results(steps);
    let plain = cusum::Design::new(p0, p1, stated.alpha, stated.beta)?;
    let numbered = |points: Vec<cusum::Point>| attempts.iter().map(|attempt| attempt.n).zip(points).collect();
    if attempts.iter().all(|attempt| attempt.difficulty.abs() < ALIKE) {
        let passed: Vec<bool> = attempts.iter().map(|attempt| attempt.result).collect();
        return Ok(Wald {
            lines: (plain.h0, plain.h1),
            weights: (1.0 - plain.s, plain.s),
            is_adjusted: false,
            points: numbered(plain.chart(&passed)?),
            in_words: plain.in_words(stated.within)?,
        });
    }
    // In hundredths, so that the ratio that is told is the one that is used.
    let ratio = (100.0 * odds(p1) / odds(p0)).round() / 100.0;
    let adjusted = Adjusted::new(ratio, stated.alpha, stated.beta)?;
    let expected: Vec<Expected> =
        attempts.iter().map(|attempt| Expected::at(p0, attempt.difficulty, attempt.result)).collect();
    Ok(Wald {
        lines: (adjusted.h0, adjusted.h1),
        weights: (
            adjusted.weight(&Expected { failure: p0, passed: false }),
            -adjusted.weight(&Expected { failure: p0, passed: true }),
        ),
        is_adjusted: true,
        points: numbered(adjusted.chart(&expected)?),
        in_words: adjusted.in_words(),
    })
}

fn competence(steps: &[Step], design: lc_cusum::Design) -> Result<Competence, Refusal> {
    let attempts = results(steps);
    let passed: Vec<bool> = attempts.iter().map(|attempt| attempt.result).collect();
    let points = attempts.iter().map(|attempt| attempt.n).zip(design.chart(&passed)?).collect();
    Ok(Competence { design, points })
}
