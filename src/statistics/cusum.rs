//! Does somebody fail too often? Wald's sequential test of the share of failures, drawn as a cumulative sum (Wald 1947, *Sequential
//! Analysis*): p0 is the share that is acceptable, p1 one that is not, α the chance to call an acceptable one unacceptable, β the
//! reverse. With P = ln(p1/p0) and Q = ln((1 − p0)/(1 − p1)) a success takes s = Q/(P + Q) off the sum and a failure adds 1 − s.
//! At h1 = ln((1 − β)/α)/(P + Q) above zero the share is taken to be p1 or worse, at h0 = ln((1 − α)/β)/(P + Q) below zero to be
//! p0 or better. Each crossing ends a test and the next attempt begins a new one at zero. This is the form in which trainees'
//! procedures are charted (Kestin 1995, Br J Anaesth 75:805; Bolsin & Colson 2000, Int J Qual Health Care 12:433; both from memory).
//!
//! α and β are those of Wald's bounds, which neglect by how much a sum oversteps its line, and of tests that never end. What they
//! come to within so many attempts is computed exactly, not simulated ([`Design::crossings`]).
//!
//! Where cases differ in difficulty each attempt brings its own chance of failure, and what is tested is whether the odds of failing
//! are R times those expected (weights of Steiner, Cook, Farewell & Treasure 2000, Biostatistics 1:441; they hold their sum at zero,
//! here it keeps Wald's two lines). The sum is then a logarithm of likelihoods. Its error rates have no exact form, but whatever the
//! cases, a wrong crossing is at most α/(1 − β), β/(1 − α) likely (Wald 1947).
//!
//! All attempts are taken to be independent given their difficulty; a test of several charts at once is not accounted for.

use super::refusal::Refusal;
use super::walk::{Steps, is_down_to, is_up_to};
use super::words::{of_100, percent};

/// Shares of failures that are to be told apart differ at least by this.
pub const LEAST_DIFFERENCE: f64 = 0.001;

/// The farthest horizon that is computed, attempts.
pub const MOST_ATTEMPTS: usize = 2000;

/// The largest odds ratio that is taken.
const MOST_ODDS: f64 = 1000.0;

/// What a chart tests, as stated, and what follows from it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Design {
    /// Share of failures that is acceptable.
    pub p0: f64,
    /// Share of failures that is not.
    pub p1: f64,
    /// Nominal chance to call an acceptable share unacceptable.
    pub alpha: f64,
    /// Nominal chance to call an unacceptable share acceptable.
    pub beta: f64,
    /// What a success takes off the sum; a failure adds 1 less this.
    pub s: f64,
    /// The line for acceptable lies so far below zero.
    pub h0: f64,
    /// The line for unacceptable lies so far above zero.
    pub h1: f64,
}

/// What a chart tests where each attempt has its own chance of failure. All in natural logarithms of a likelihood ratio.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Adjusted {
    /// The odds of failing that are tested, times those expected.
    pub odds_ratio: f64,
    /// Nominal chance to call the expected odds worse.
    pub alpha: f64,
    /// Nominal chance to call the worse odds expected.
    pub beta: f64,
    /// The line for acceptable lies so far below zero.
    pub h0: f64,
    /// The line for unacceptable lies so far above zero.
    pub h1: f64,
}

/// An attempt with the chance of failure that is acceptable in its case.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Expected {
    /// Chance of failure of somebody who is acceptable, 0..1.
    pub failure: f64,
    /// What came.
    pub passed: bool,
}

/// A line that a sum crossed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Line {
    /// The lower one: failures are as rare as is acceptable.
    Acceptable,
    /// The upper one: failures are as frequent as is not.
    Unacceptable,
}

/// The sum after an attempt.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Point {
    /// The attempt, from 1.
    pub n: usize,
    /// The sum after it, since the last crossing.
    pub value: f64,
    /// The line it crossed; the next attempt begins at zero.
    pub crossed: Option<Line>,
}

/// What comes of the first test within so many attempts: chances that add up to 1.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Crossings {
    /// It crosses the line for unacceptable.
    pub unacceptable: f64,
    /// It crosses the line for acceptable.
    pub acceptable: f64,
    /// It crosses neither.
    pub neither: f64,
}

/// Is it a probability that leaves something to chance?
pub(super) fn share(what: &'static str, value: f64) -> Result<(), Refusal> {
    if value > 0.0 && value < 1.0 { Ok(()) } else { Err(Refusal::Share { what, value }) }
}

/// Are these two shares of failures that can be told apart?
pub(super) fn apart(p0: f64, p1: f64) -> Result<(), Refusal> {
    share("p0", p0)?;
    share("p1", p1)?;
    // Half a thousandth of the difference is left to the rounding of decimal numbers.
    if p1 - p0 >= 0.9995 * LEAST_DIFFERENCE { Ok(()) } else { Err(Refusal::Apart { p0, p1 }) }
}

/// Is it a horizon that is computed?
pub(super) fn horizon(attempts: usize) -> Result<(), Refusal> {
    if (1..=MOST_ATTEMPTS).contains(&attempts) {
        Ok(())
    } else {
        Err(Refusal::Attempts { given: attempts, most: MOST_ATTEMPTS })
    }
}

fn errors(alpha: f64, beta: f64) -> Result<(), Refusal> {
    share("alpha", alpha)?;
    share("beta", beta)?;
    if alpha + beta < 1.0 { Ok(()) } else { Err(Refusal::Guessing { alpha, beta }) }
}

/// Distances of Wald's lines from zero, in logarithms of the likelihood ratio: below, above.
fn lines(alpha: f64, beta: f64) -> (f64, f64) {
    (((1.0 - alpha) / beta).ln(), ((1.0 - beta) / alpha).ln())
}

impl Design {
    /// The chart that tells p0 from p1 with these error rates.
    pub fn new(p0: f64, p1: f64, alpha: f64, beta: f64) -> Result<Self, Refusal> {
        apart(p0, p1)?;
        errors(alpha, beta)?;
        let (p, q) = ((p1 / p0).ln(), ((1.0 - p0) / (1.0 - p1)).ln());
        let (below, above) = lines(alpha, beta);
        Ok(Self { p0, p1, alpha, beta, s: q / (p + q), h0: below / (p + q), h1: above / (p + q) })
    }

    /// The sum after each attempt, `true` for one that passed.
    pub fn chart(&self, passed: &[bool]) -> Result<Vec<Point>, Refusal> {
        let (mut failures, mut successes) = (0, 0);
        chart(passed, self.h0, self.h1, |has_ended, is_passed| {
            if has_ended {
                (failures, successes) = (0, 0);
            }
            if *is_passed {
                successes += 1
            } else {
                failures += 1
            }
            // From the counts, so that the sum is bit for bit that of which the error rates are computed.
            self.steps().value(failures, successes)
        })
    }

    /// What comes of a test within so many attempts of somebody who fails in this share of them, exactly.
    pub fn crossings(&self, failure: f64, attempts: usize) -> Result<Crossings, Refusal> {
        share("the share of failures", failure)?;
        horizon(attempts)?;
        let exits = self.steps().exits(failure, -self.h0, self.h1, attempts);
        let (unacceptable, acceptable): (f64, f64) = (exits.above.iter().sum(), exits.below.iter().sum());
        Ok(Crossings { unacceptable, acceptable, neither: (1.0 - unacceptable - acceptable).max(0.0) })
    }

    /// What the chart claims, and how often it is wrong within so many attempts.
    pub fn in_words(&self, attempts: usize) -> Result<String, Refusal> {
        let (good, bad) = (self.crossings(self.p0, attempts)?, self.crossings(self.p1, attempts)?);
        Ok(format!(
            "Of 100 trainees who fail in {} of their attempts, which is acceptable, {} would first cross the line for \
             unacceptable within {attempts} attempts, {} that for acceptable and {} neither. Of 100 who fail in {}, which is \
             unacceptable, {} would first cross the line for unacceptable, {} that for acceptable and {} neither.",
            percent(self.p0),
            of_100(good.unacceptable),
            of_100(good.acceptable),
            of_100(good.neither),
            percent(self.p1),
            of_100(bad.unacceptable),
            of_100(bad.acceptable),
            of_100(bad.neither),
        ))
    }

    fn steps(&self) -> Steps {
        Steps { up: 1.0 - self.s, down: self.s }
    }
}

impl Expected {
    /// An attempt at a case of this difficulty (logits, 0 for a medium one) by the measure of somebody who fails in the share `p0`
    /// of medium cases: the model of Rasch 1960, as difficulties are estimated by.
    pub fn at(p0: f64, difficulty: f64, passed: bool) -> Self {
        let logit = (p0 / (1.0 - p0)).ln() + difficulty;
        Self { failure: 1.0 / (1.0 + (-logit).exp()), passed }
    }
}

impl Adjusted {
    /// The chart that tells the expected odds of failing from those `odds_ratio` times as large.
    pub fn new(odds_ratio: f64, alpha: f64, beta: f64) -> Result<Self, Refusal> {
        errors(alpha, beta)?;
        if !(odds_ratio > 1.0 && odds_ratio <= MOST_ODDS) {
            return Err(Refusal::OddsRatio { value: odds_ratio, most: MOST_ODDS });
        }
        let (h0, h1) = lines(alpha, beta);
        Ok(Self { odds_ratio, alpha, beta, h0, h1 })
    }

    /// By how much an attempt moves the sum: the logarithm of how much likelier the odds tested make it.
    pub fn weight(&self, attempt: &Expected) -> f64 {
        let both = (1.0 + (self.odds_ratio - 1.0) * attempt.failure).ln();
        if attempt.passed { -both } else { self.odds_ratio.ln() - both }
    }

    /// The sum after each attempt.
    pub fn chart(&self, attempts: &[Expected]) -> Result<Vec<Point>, Refusal> {
        for attempt in attempts {
            share("an expected share of failures", attempt.failure)?;
        }
        let mut sum = 0.0;
        chart(attempts, self.h0, self.h1, |has_ended, attempt| {
            sum = self.weight(attempt) + if has_ended { 0.0 } else { sum };
            sum
        })
    }

    /// What the chart claims, and how often it is wrong at most.
    pub fn in_words(&self) -> String {
        // A bound that is a whole number stays one, whatever its last bit.
        let of_100_at_most = |bound: f64| (100.0 * bound - 1e-9).ceil();
        format!(
            "Whatever the cases and however many: of 100 trainees who fail as often as is expected of an acceptable one in the \
             same cases, at most {:.0} would first cross the line for unacceptable; of 100 whose odds of failing are {} times \
             those, at most {:.0} would first cross that for acceptable.",
            of_100_at_most(self.alpha / (1.0 - self.beta)),
            self.odds_ratio,
            of_100_at_most(self.beta / (1.0 - self.alpha)),
        )
    }
}

/// Points from the sum after each attempt, told whether the one before ended a test.
fn chart<T>(attempts: &[T], h0: f64, h1: f64, mut sum: impl FnMut(bool, &T) -> f64) -> Result<Vec<Point>, Refusal> {
    if attempts.is_empty() {
        return Err(Refusal::NoAttempts);
    }
    let mut has_ended = true;
    let point = |(before, attempt): (usize, &T)| {
        let value = sum(has_ended, attempt);
        let crossed = if is_up_to(value, h1) {
            Some(Line::Unacceptable)
        } else if is_down_to(value, -h0) {
            Some(Line::Acceptable)
        } else {
            None
        };
        has_ended = crossed.is_some();
        Point { n: before + 1, value, crossed }
    };
    Ok(attempts.iter().enumerate().map(point).collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::statistics::draws::{Draws, agrees};

    /// NIST/SEMATECH e-Handbook of Statistical Methods, 6.2.6, item-by-item sequential plan for 1 % and 10 % with α 0.05 and β 0.10:
    /// at 24 items the acceptance number is 0 and the rejection number 3 (table read); its lines −0.939 + 0.0397 n and
    /// 1.205 + 0.0397 n (from memory). Nothing is accepted before, and nothing rejected with the first.
    #[test]
    fn the_published_plan() {
        let plan = Design::new(0.01, 0.10, 0.05, 0.10).unwrap();
        for (found, published) in [(plan.h0, 0.939), (plan.h1, 1.205), (plan.s, 0.0397)] {
            assert!((found - published).abs() < 6e-4, "{found} instead of {published}");
        }
        let clean = plan.chart(&[true; 24]).unwrap();
        assert_eq!(clean.iter().position(|point| point.crossed.is_some()), Some(23));
        assert_eq!(clean[23].crossed, Some(Line::Acceptable));
        // With 24 items done two failures leave it open and a third rejects.
        let ended = |failures: usize| {
            let mut passed = [true; 24];
            (0..failures).for_each(|i| passed[23 - i] = false);
            plan.chart(&passed).unwrap()[23].crossed
        };
        assert_eq!((ended(2), ended(3)), (None, Some(Line::Unacceptable)));
        assert_eq!(plan.chart(&[false]).unwrap()[0].crossed, None);
    }

    /// numpy 2.4.6: the chart as a Markov chain, powers of a dense transition matrix over all sums it can have.
    #[test]
    fn crossings_are_those_of_a_transition_matrix() {
        for (p0, p1, alpha, beta, attempts, failure, unacceptable, acceptable) in [
            (0.05, 0.10, 0.1, 0.1, 100, 0.05, 0.051_579_202_747_422, 0.538_012_768_906_211),
            (0.05, 0.10, 0.1, 0.1, 100, 0.10, 0.587_423_558_576_574, 0.058_094_342_455_927),
            (0.10, 0.20, 0.05, 0.2, 50, 0.10, 0.023_806_148_259_159, 0.747_170_047_139_425),
            (0.10, 0.20, 0.05, 0.2, 50, 0.20, 0.495_451_673_030_162, 0.148_476_500_723_114),
        ] {
            let found = Design::new(p0, p1, alpha, beta).unwrap().crossings(failure, attempts).unwrap();
            assert!((found.unacceptable - unacceptable).abs() < 1e-12, "{found:?}");
            assert!((found.acceptable - acceptable).abs() < 1e-12, "{found:?}");
            assert!((found.unacceptable + found.acceptable + found.neither - 1.0).abs() < 1e-12);
        }
    }

    #[test]
    fn crossings_come_as_often_as_computed() {
        const RUNS: usize = 20_000;
        let design = Design::new(0.1, 0.25, 0.1, 0.1).unwrap();
        for (seed, failure) in [(1, 0.1), (2, 0.17), (3, 0.25)] {
            let mut draws = Draws(seed);
            let mut ended = [0, 0];
            for _ in 0..RUNS {
                // Written anew: a plain running sum.
                let mut sum = 0.0;
                let crossed = (0..60).find_map(|_| {
                    sum += if draws.is(failure) { 1.0 - design.s } else { -design.s };
                    if sum >= design.h1 { Some(0) } else { (sum <= -design.h0).then_some(1) }
                });
                crossed.into_iter().for_each(|line: usize| ended[line] += 1);
            }
            let computed = design.crossings(failure, 60).unwrap();
            assert!(agrees(ended[0], RUNS, computed.unacceptable), "{failure}: {ended:?}, {computed:?}");
            assert!(agrees(ended[1], RUNS, computed.acceptable), "{failure}: {ended:?}, {computed:?}");
        }
    }

    /// Wald 1947: whatever the sum oversteps, the errors are at most α/(1 − β) and β/(1 − α), and add up to at most α + β.
    #[test]
    fn errors_keep_to_wald_s_bounds() {
        for (p0, p1, alpha, beta) in [(0.05, 0.1, 0.1, 0.1), (0.1, 0.3, 0.05, 0.2), (0.2, 0.5, 0.01, 0.3)] {
            let design = Design::new(p0, p1, alpha, beta).unwrap();
            let wrong = design.crossings(p0, 1500).unwrap().unacceptable;
            let missed = design.crossings(p1, 1500).unwrap().acceptable;
            assert!(wrong > 0.0 && wrong <= alpha / (1.0 - beta) && missed > 0.0 && missed <= beta / (1.0 - alpha));
            assert!(wrong + missed <= alpha + beta, "{wrong} {missed}");
        }
    }

    #[test]
    fn a_crossing_ends_a_test_and_the_next_begins_at_zero() {
        // Two failures weigh ln 9, which is where the line lies: on it is across.
        let design = Design::new(0.1, 0.3, 0.1, 0.1).unwrap();
        let points = design.chart(&[false, false, false, true]).unwrap();
        assert_eq!(points[1].crossed, Some(Line::Unacceptable), "{points:?}");
        assert!((points[2].value - (1.0 - design.s)).abs() < 1e-12 && points[2].crossed.is_none());
        assert!((points[3].value - (1.0 - 2.0 * design.s)).abs() < 1e-12 && points[3].n == 4);
    }

    /// Where all cases are alike the adjusted chart is the plain one in other units: of likelihood, P + Q to one.
    #[test]
    fn alike_cases_give_the_plain_chart() {
        let (p0, p1) = (0.1_f64, 0.2_f64);
        let design = Design::new(p0, p1, 0.05, 0.1).unwrap();
        let odds = |p: f64| p / (1.0 - p);
        let adjusted = Adjusted::new(odds(p1) / odds(p0), 0.05, 0.1).unwrap();
        let mut draws = Draws(4);
        let passed: Vec<bool> = (0..300).map(|_| draws.is(0.85)).collect();
        let alike: Vec<Expected> = passed.iter().map(|passed| Expected::at(p0, 0.0, *passed)).collect();
        let (plain, weighed) = (design.chart(&passed).unwrap(), adjusted.chart(&alike).unwrap());
        let unit = (p1 / p0).ln() + ((1.0 - p0) / (1.0 - p1)).ln();
        assert!(plain.iter().any(|point| point.crossed.is_some()));
        for (plain, weighed) in plain.iter().zip(&weighed) {
            assert_eq!(plain.crossed, weighed.crossed);
            assert!((plain.value * unit - weighed.value).abs() < 1e-9, "{plain:?} {weighed:?}");
        }
    }

    /// The weights are logarithms of a ratio of likelihoods, so that the ratio's mean is 1 for somebody as expected. By hand: at an
    /// even chance and doubled odds a failure weighs ln(4/3), a success ln(2/3).
    #[test]
    fn weights_are_ratios_of_likelihoods() {
        let adjusted = Adjusted::new(2.0, 0.05, 0.1).unwrap();
        let weight = |failure, passed| adjusted.weight(&Expected { failure, passed });
        assert!((weight(0.5, false) - (4.0_f64 / 3.0).ln()).abs() < 1e-12);
        assert!((weight(0.5, true) - (2.0_f64 / 3.0).ln()).abs() < 1e-12);
        for failure in [0.01, 0.2, 0.9] {
            let mean = failure * weight(failure, false).exp() + (1.0 - failure) * weight(failure, true).exp();
            assert!((mean - 1.0).abs() < 1e-12);
        }
    }

    #[test]
    fn cases_of_any_difficulty_keep_the_error_rates_that_are_told() {
        const RUNS: usize = 20_000;
        let adjusted = Adjusted::new(2.5, 0.1, 0.2).unwrap();
        let mut draws = Draws(5);
        for (odds, line, bound) in [(1.0, Line::Unacceptable, 0.1 / 0.8), (2.5, Line::Acceptable, 0.2 / 0.9)] {
            let mut wrong = 0;
            for _ in 0..RUNS {
                let attempts: Vec<Expected> = (0..120)
                    .map(|_| {
                        let expected = Expected::at(0.15, 1.2 * draws.normal(), true);
                        let failure = odds * expected.failure / (1.0 + (odds - 1.0) * expected.failure);
                        Expected { passed: !draws.is(failure), ..expected }
                    })
                    .collect();
                let first = adjusted.chart(&attempts).unwrap().into_iter().find_map(|point| point.crossed);
                wrong += usize::from(first == Some(line));
            }
            let share = wrong as f64 / RUNS as f64;
            assert!(share < bound && share > 0.4 * bound, "{share} of {bound}");
        }
    }

    #[test]
    fn error_rates_are_told_as_people() {
        let told = Design::new(0.1, 0.2, 0.05, 0.2).unwrap().in_words(50).unwrap();
        let wanted = "Of 100 trainees who fail in 10 % of their attempts, which is acceptable, about 2 would first cross the line \
                      for unacceptable within 50 attempts, about 75 that for acceptable and about 23 neither. Of 100 who fail in \
                      20 %, which is unacceptable, about 50 would first cross the line for unacceptable, about 15 that for \
                      acceptable and about 36 neither.";
        assert_eq!(told, wanted);
        let told = Adjusted::new(2.0, 0.05, 0.2).unwrap().in_words();
        assert!(told.contains("at most 7 would first cross the line for unacceptable; of 100 whose odds"), "{told}");
        assert!(told.contains("2 times those, at most 22 would"), "{told}");
    }

    #[test]
    fn what_cannot_be_charted_is_refused() {
        assert_eq!(Design::new(0.2, 0.2, 0.1, 0.1), Err(Refusal::Apart { p0: 0.2, p1: 0.2 }));
        assert_eq!(Design::new(0.3, 0.2, 0.1, 0.1), Err(Refusal::Apart { p0: 0.3, p1: 0.2 }));
        for none in [0.0, 1.0, -0.1, f64::NAN, f64::INFINITY] {
            assert!(matches!(Design::new(none, 0.2, 0.1, 0.1), Err(Refusal::Share { what: "p0", .. })), "{none}");
            assert!(matches!(Design::new(0.1, none, 0.1, 0.1), Err(Refusal::Share { what: "p1", .. })), "{none}");
            assert!(matches!(Design::new(0.1, 0.2, none, 0.1), Err(Refusal::Share { .. })), "{none}");
            assert!(matches!(Adjusted::new(2.0, 0.1, none), Err(Refusal::Share { .. })), "{none}");
        }
        assert!(matches!(Design::new(0.1, 0.2, 0.5, 0.5), Err(Refusal::Guessing { .. })));
        for odds in [1.0, 0.5, f64::NAN, f64::INFINITY] {
            assert!(matches!(Adjusted::new(odds, 0.1, 0.1), Err(Refusal::OddsRatio { .. })), "{odds}");
        }
        let design = Design::new(0.1, 0.2, 0.1, 0.1).unwrap();
        assert_eq!(design.chart(&[]), Err(Refusal::NoAttempts));
        assert!(matches!(design.crossings(0.1, 0), Err(Refusal::Attempts { given: 0, .. })));
        assert!(matches!(design.crossings(f64::NAN, 10), Err(Refusal::Share { .. })));
        let never = Expected { failure: 0.0, passed: true };
        assert!(matches!(Adjusted::new(2.0, 0.1, 0.1).unwrap().chart(&[never]), Err(Refusal::Share { .. })));
        let all_failed = design.chart(&[false; 500]).unwrap();
        assert!(all_failed.iter().all(|point| point.value.is_finite() && point.value > 0.0));
    }
}
