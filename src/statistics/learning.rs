//! How one learner's results change with the number of the attempt: a curve with a 95 % interval at each number.
//!
//! **Passed or not.** logit P(n) = a + b · ln n − d, with the difficulty d of the case as a given offset in logits: the odds of passing
//! grow as a power of practice, from any start to near 1, and two numbers are what a few dozen results can bear. Fitted with Firth's
//! penalised likelihood (Firth 1993, Biometrika 80:27; Heinze & Schemper 2002, Stat Med 21:2409), since a learner who first always
//! failed and then always passed, which is what one hopes for, has no finite maximum of the plain one. The interval is by the delta
//! method on the logit, with the information at the estimate, and so stays within 0 to 1.
//!
//! **A score.** y(n) = plateau − distance · e^(−k(n − first)) + c · (d − d at which it is drawn): one learner's practice is better told
//! by an exponential than by a power, which is the shape of averages over learners (Heathcote, Brown & Mewhort 2000, Psychon Bull Rev
//! 7:185). Least squares. What a logit of difficulty is worth in points is fitted too, where cases differ. k is sought from what is
//! next to a straight line to what is all learned in two attempts. The interval is by profile: all values that some curve through
//! them would have whose sum of squares lies within the F bound of the best. So it holds where the curve is flat and k means
//! nothing, where the delta method has no answer. Values and intervals are cut to the range of the score.
//!
//! The intervals hold at each number by itself, not for the whole curve at once, and take attempts of one learner to be independent.
//! Nothing is said before the first attempt or after the last. Too few results are refused ([`FEWEST`], [`FEWEST_NUMBERS`]; assumed).

use nalgebra::{DMatrix, DVector, Matrix2, Vector2};
use statrs::distribution::{ContinuousCDF, StudentsT};

use super::refusal::Refusal;
use super::words::{of_100, percent};

/// Results that a curve needs.
pub const FEWEST: usize = 6;

/// Different attempt numbers among them.
pub const FEWEST_NUMBERS: usize = 4;

/// The largest attempt number that is drawn.
const MOST_NUMBER: u32 = 10_000;

/// Difficulties lie within plus and minus this, logits.
const MOST_DIFFICULTY: f64 = 30.0;

/// Standard normal quantile of 97.5 %.
const Z: f64 = 1.959_963_984_540_054;

/// The slowest k, times the span of the attempt numbers: next to a straight line.
const SLOWEST: f64 = 0.25;

/// The fastest k: 5 % of the distance are left after one attempt.
const FASTEST: f64 = 3.0;

/// Values of k that are tried, evenly in their logarithm; and again between the neighbours of the best.
const TRIED: usize = 400;

/// Steps after which a fit is given up.
const MOST_STEPS: usize = 200;

/// An attempt of a learner.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Attempt<T> {
    /// Its number among the learner's attempts, from 1.
    pub n: u32,
    /// Difficulty of its case, logits; 0 for a medium one.
    pub difficulty: f64,
    /// What came of it.
    pub result: T,
}

/// The curve at an attempt number.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Point {
    /// The attempt number.
    pub n: u32,
    /// The value there: a share 0..1, or points.
    pub value: f64,
    /// Lower end of the interval.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

/// Which curve, and the numbers it is made of.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Form {
    /// Logistic in the logarithm of the attempt number.
    Passes {
        /// Logit of passing the first attempt at a case of difficulty 0.
        first: f64,
        /// Logits for each natural logarithm of the attempt number.
        slope: f64,
        /// Standard error of that.
        slope_error: f64,
    },
    /// An exponential towards a plateau.
    Scores {
        /// What it goes towards, points, in a case of the difficulty at which it is drawn.
        plateau: f64,
        /// How far below that the first attempt lies, points.
        distance: f64,
        /// k: the share of what is left to learn that an attempt takes, for small ones.
        per_attempt: f64,
        /// Points for a logit of difficulty; none where all cases are alike.
        per_logit: Option<f64>,
    },
}

/// A learner's curve.
#[derive(Clone, Debug, PartialEq)]
pub struct Curve {
    /// The curve from the first number of an attempt to the last.
    pub points: Vec<Point>,
    /// What it is made of.
    pub form: Form,
    /// From so many results.
    pub of: usize,
    /// Difficulty of the case for which it is drawn, logits.
    pub difficulty: f64,
}

/// A number within a range.
fn within(n: u32, what: &'static str, value: f64, low: f64, high: f64) -> Result<(), Refusal> {
    if value >= low && value <= high { Ok(()) } else { Err(Refusal::Value { n, what, value, low, high }) }
}

/// First and last number of attempts that can bear a curve.
fn span<T: PartialEq>(attempts: &[Attempt<T>], at: f64) -> Result<(u32, u32), Refusal> {
    within(0, "the difficulty drawn at", at, -MOST_DIFFICULTY, MOST_DIFFICULTY)?;
    for attempt in attempts {
        if attempt.n == 0 || attempt.n > MOST_NUMBER {
            return Err(Refusal::Number { n: attempt.n, most: MOST_NUMBER });
        }
        within(attempt.n, "the difficulty", attempt.difficulty, -MOST_DIFFICULTY, MOST_DIFFICULTY)?;
    }
    let mut numbers: Vec<u32> = attempts.iter().map(|attempt| attempt.n).collect();
    numbers.sort_unstable();
    numbers.dedup();
    let few =
        Refusal::TooFew { have: attempts.len(), places: numbers.len(), need: FEWEST, need_places: FEWEST_NUMBERS };
    if attempts.len() < FEWEST || numbers.len() < FEWEST_NUMBERS {
        return Err(few);
    }
    if attempts.iter().all(|attempt| attempt.result == attempts[0].result) {
        return Err(Refusal::AllAlike { of: attempts.len() });
    }
    Ok((numbers[0], numbers[numbers.len() - 1]))
}

fn logistic(logit: f64) -> f64 {
    1.0 / (1.0 + (-logit).exp())
}

/// The chance to pass by attempt number, for a case of difficulty `at`.
pub fn of_passes(attempts: &[Attempt<bool>], at: f64) -> Result<Curve, Refusal> {
    let (first, last) = span(attempts, at)?;
    let (found, covariance) = firth(attempts).ok_or(Refusal::NotFitted { of: attempts.len() })?;
    let point = |n: u32| {
        let place = Vector2::new(1.0, f64::from(n).ln());
        let (logit, error) = (found.dot(&place) - at, (place.dot(&(covariance * place))).max(0.0).sqrt());
        Point { n, value: logistic(logit), low: logistic(logit - Z * error), high: logistic(logit + Z * error) }
    };
    Ok(Curve {
        points: (first..=last).map(point).collect(),
        form: Form::Passes { first: found.x, slope: found.y, slope_error: covariance.m22.sqrt() },
        of: attempts.len(),
        difficulty: at,
    })
}

/// The penalised likelihood at a place: its logarithm, its slope, and the inverse of the information. `None` where that has none.
fn penalised(attempts: &[Attempt<bool>], at: &Vector2<f64>) -> Option<(f64, Vector2<f64>, Matrix2<f64>)> {
    let row = |attempt: &Attempt<bool>| {
        let place = Vector2::new(1.0, f64::from(attempt.n).ln());
        (place, at.dot(&place) - attempt.difficulty, f64::from(u8::from(attempt.result)))
    };
    let (mut likelihood, mut information) = (0.0, Matrix2::zeros());
    for (place, logit, passed) in attempts.iter().map(row) {
        let p = logistic(logit);
        // ln(1 + e^x) without overflow.
        likelihood += passed * logit - logit.max(0.0) - (-logit.abs()).exp().ln_1p();
        information += p * (1.0 - p) * place * place.transpose();
    }
    let covariance = information.try_inverse().filter(|inverse| inverse.m11 > 0.0 && inverse.m22 > 0.0)?;
    let slope = attempts.iter().map(row).fold(Vector2::zeros(), |slope, (place, logit, passed)| {
        let p = logistic(logit);
        let leverage = p * (1.0 - p) * place.dot(&(covariance * place));
        slope + place * (passed - p + leverage * (0.5 - p))
    });
    let value = likelihood + 0.5 * information.determinant().ln();
    value.is_finite().then_some((value, slope, covariance))
}

/// Start and slope of the logit, with their covariance.
fn firth(attempts: &[Attempt<bool>]) -> Option<(Vector2<f64>, Matrix2<f64>)> {
    let mean = attempts.iter().map(|attempt| attempt.difficulty).sum::<f64>() / attempts.len() as f64;
    let mut found = Vector2::new(mean, 0.0);
    let (mut value, mut slope, mut covariance) = penalised(attempts, &found)?;
    for _ in 0..MOST_STEPS {
        if slope.amax() < 1e-10 {
            return Some((found, covariance));
        }
        // No more than five logits at once, and no step that makes it worse.
        let full = covariance * slope;
        let mut step = full * (5.0 / full.amax()).min(1.0);
        let next = (0..40).find_map(|_| {
            let next = penalised(attempts, &(found + step)).filter(|next| next.0 >= value - 1e-12);
            let taken = next.map(|next| (step, next));
            step *= 0.5;
            taken
        });
        let (step, next) = next?;
        found += step;
        (value, slope, covariance) = next;
    }
    None
}

/// What a score is a sum of: 1, the part of the distance that is left, and the difficulty where cases differ.
#[derive(Clone, Copy)]
struct Parts {
    first: u32,
    at: f64,
    is_alike: bool,
}

/// The curve of least squares for a given k, which leaves a sum of parts.
struct Fit {
    k: f64,
    /// How much there is of each part.
    found: DVector<f64>,
    /// The inverse of the parts' products.
    inverse: DMatrix<f64>,
    /// What is left, squared and added.
    squares: f64,
}

impl Parts {
    fn of(&self, k: f64, n: u32, difficulty: f64) -> DVector<f64> {
        let left = (-k * (f64::from(n) - f64::from(self.first))).exp();
        let parts = [1.0, left, difficulty - self.at];
        DVector::from_row_slice(if self.is_alike { &parts[..2] } else { &parts })
    }

    fn fit(&self, attempts: &[Attempt<f64>], k: f64) -> Option<Fit> {
        let rows: Vec<_> = attempts.iter().map(|attempt| self.of(k, attempt.n, attempt.difficulty)).collect();
        let results = DVector::from_iterator(attempts.len(), attempts.iter().map(|attempt| attempt.result));
        let design = DMatrix::from_columns(&rows);
        let (products, sums) = (&design * design.transpose(), &design * results);
        let inverse = products.cholesky()?.inverse();
        let found = &inverse * sums;
        let squares = rows.iter().zip(attempts).map(|(row, attempt)| (attempt.result - row.dot(&found)).powi(2)).sum();
        let is_sound = f64::is_finite(squares) && inverse.iter().all(|entry| entry.is_finite());
        is_sound.then_some(Fit { k, found, inverse, squares })
    }

    /// Fits for values of k from `slow` to `fast`, evenly in their logarithm.
    fn fits(&self, attempts: &[Attempt<f64>], slow: f64, fast: f64) -> Vec<Fit> {
        let at = |i: usize| slow * (fast / slow).powf(i as f64 / (TRIED - 1) as f64);
        (0..TRIED).filter_map(|i| self.fit(attempts, at(i))).collect()
    }
}

/// Which of them leaves least.
fn best(fits: &[Fit]) -> Option<usize> {
    (0..fits.len()).min_by(|a, b| fits[*a].squares.total_cmp(&fits[*b].squares))
}

/// The score by attempt number, for a case of difficulty `at`; scores lie within `range`.
pub fn of_scores(attempts: &[Attempt<f64>], at: f64, range: (f64, f64)) -> Result<Curve, Refusal> {
    for attempt in attempts {
        within(attempt.n, "the score", attempt.result, range.0, range.1)?;
    }
    let (first, last) = span(attempts, at)?;
    let refusal = Refusal::NotFitted { of: attempts.len() };
    let is_alike = attempts.iter().all(|attempt| (attempt.difficulty - attempts[0].difficulty).abs() < 1e-9);
    let parts = Parts { first, at, is_alike };
    let mut fits = parts.fits(attempts, SLOWEST / f64::from(last - first), FASTEST);
    let coarse = best(&fits).ok_or(refusal.clone())?;
    let (slow, fast) = (fits[coarse.saturating_sub(1)].k, fits[(coarse + 1).min(fits.len() - 1)].k);
    fits.extend(parts.fits(attempts, slow, fast));
    let fit = &fits[best(&fits).ok_or(refusal.clone())?];
    // Besides the parts, k was fitted.
    let freedom = (attempts.len() - fit.found.len() - 1) as f64;
    let t = StudentsT::new(0.0, 1.0, freedom).map_err(|_| refusal)?.inverse_cdf(0.975);
    let bound = fit.squares * (1.0 + t * t / freedom);
    let point = |n: u32| {
        let value = parts.of(fit.k, n, at).dot(&fit.found);
        let (mut low, mut high) = (value, value);
        for other in fits.iter().filter(|other| other.squares <= bound) {
            let here = parts.of(other.k, n, at);
            // For this k the sum of squares rises with the square of the distance from its own value.
            let half = ((bound - other.squares) * here.dot(&(&other.inverse * &here))).sqrt();
            let value = here.dot(&other.found);
            (low, high) = (low.min(value - half), high.max(value + half));
        }
        let cut = |value: f64| value.clamp(range.0, range.1);
        Point { n, value: cut(value), low: cut(low), high: cut(high) }
    };
    let form = Form::Scores {
        plateau: fit.found[0],
        distance: -fit.found[1],
        per_attempt: fit.k,
        per_logit: fit.found.get(2).copied(),
    };
    Ok(Curve { points: (first..=last).map(point).collect(), form, of: attempts.len(), difficulty: at })
}

impl Curve {
    /// Where the curve begins and ends, with its intervals.
    pub fn in_words(&self) -> String {
        let told = |point: &Point| match self.form {
            Form::Passes { .. } => format!(
                "{} of 100 would be passed (95 % interval {} to {})",
                of_100(point.value),
                percent(point.low),
                percent(point.high)
            ),
            Form::Scores { .. } => {
                format!("{:.0} points (95 % interval {:.0} to {:.0})", point.value, point.low, point.high)
            }
        };
        let ends = (self.points.first(), self.points.last());
        let (Some(first), Some(last)) = ends else { return String::new() };
        format!(
            "From {} results, in a case of difficulty {:.1}: at attempt {} {}, at attempt {} {}.",
            self.of,
            self.difficulty,
            first.n,
            told(first),
            last.n,
            told(last)
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::statistics::draws::Draws;

    const PASSED: [u8; 14] = [0, 0, 1, 0, 0, 1, 0, 1, 1, 0, 1, 1, 1, 1];
    const SCORES: [f64; 14] = [41.0, 38.5, 52.0, 49.0, 60.5, 55.0, 63.0, 61.5, 70.0, 66.0, 64.5, 72.0, 69.0, 71.5];
    const DIFFICULTIES: [f64; 14] = [0.0, -0.5, -1.0, 0.5, 0.0, -0.7, 1.2, 0.3, -0.2, 1.0, 0.4, 0.0, -1.0, 0.6];

    fn attempts<T: Copy>(results: &[T], difficulties: &[f64]) -> Vec<Attempt<T>> {
        let attempt =
            |((n, result), difficulty): ((u32, &T), &f64)| Attempt { n, difficulty: *difficulty, result: *result };
        (1..).zip(results).zip(difficulties).map(attempt).collect()
    }

    fn is_at(curve: &Curve, n: u32, value: f64, low: f64, high: f64, tolerance: f64) {
        let point = curve.points.iter().find(|point| point.n == n).unwrap();
        for (found, wanted) in [(point.value, value), (point.low, low), (point.high, high)] {
            assert!((found - wanted).abs() < tolerance, "{point:?} instead of {value}, {low} to {high}");
        }
    }

    /// scipy 1.17.1: the maximum of the same penalised likelihood (`minimize`, Nelder–Mead and then BFGS without given slopes, with
    /// `numpy.linalg.slogdet` of the information); intervals from the inverse of the information there.
    #[test]
    fn passes_are_fitted_as_a_reference_library_does() {
        let curve = of_passes(&attempts(&PASSED.map(|passed| passed == 1), &DIFFICULTIES), 0.25).unwrap();
        let Form::Passes { first, slope, slope_error } = curve.form else { panic!("{curve:?}") };
        for (found, wanted) in [(first, -3.334_541_2), (slope, 2.045_609_9), (slope_error, 1.097_408_0)] {
            assert!((found - wanted).abs() < 1e-5, "{found} instead of {wanted}");
        }
        is_at(&curve, 1, 0.027_000_2, 0.000_434_8, 0.639_033_1, 1e-5);
        is_at(&curve, 7, 0.597_733_8, 0.294_145_4, 0.841_228_7, 1e-5);
        is_at(&curve, 14, 0.859_837_4, 0.423_574_9, 0.980_847_7, 1e-5);
        assert_eq!((curve.points.len(), curve.of), (14, 14));
    }

    /// The same of a learner who failed six times and then never again, for whom plain likelihood has no maximum.
    #[test]
    fn first_never_and_then_always_still_has_a_curve() {
        let curve = of_passes(&attempts(&std::array::from_fn::<_, 14, _>(|i| i >= 6), &[0.0; 14]), 0.0).unwrap();
        let Form::Passes { first, slope, .. } = curve.form else { panic!("{curve:?}") };
        assert!((first + 11.350_195).abs() < 1e-4 && (slope - 6.146_036).abs() < 1e-4, "{first} {slope}");
        is_at(&curve, 7, 0.647_812_5, 0.213_861_4, 0.925_578_9, 1e-5);
    }

    /// statsmodels 0.15.0: `GLM(y, X, family=Binomial(), offset=-d).fit()` of the same results three hundred times over, of which the
    /// penalty is next to nothing.
    #[test]
    fn of_very_many_the_penalty_is_nothing() {
        let once = attempts(&PASSED.map(|passed| passed == 1), &DIFFICULTIES);
        let many: Vec<_> = (0..300).flat_map(|_| once.clone()).collect();
        let Form::Passes { first, slope, slope_error } = of_passes(&many, 0.0).unwrap().form else { panic!() };
        assert!((first + 4.307_614).abs() < 0.01 && (slope - 2.575_788).abs() < 0.005, "{first} {slope}");
        assert!((slope_error - 0.073_321_7).abs() < 2e-4, "{slope_error}");
    }

    /// scipy 1.17.1: `least_squares` of the curve, and for the interval `brentq` on the least squares of curves forced through a value.
    #[test]
    fn scores_are_fitted_as_a_reference_library_does() {
        let curve = of_scores(&attempts(&SCORES, &[0.0; 14]), 0.0, (0.0, 100.0)).unwrap();
        let Form::Scores { plateau, distance, per_attempt, per_logit: None } = curve.form else { panic!("{curve:?}") };
        assert!((plateau - 76.4304).abs() < 0.01 && (distance - 37.9804).abs() < 0.01, "{plateau} {distance}");
        assert!((per_attempt - 0.152_749).abs() < 1e-4, "{per_attempt}");
        is_at(&curve, 1, 38.450_01, 31.866_58, 44.656_21, 0.005);
        is_at(&curve, 4, 52.411_95, 49.235_68, 55.835_66, 0.005);
        is_at(&curve, 14, 71.216_50, 66.828_73, 76.154_05, 0.005);
        // With what difficulty is worth fitted too.
        let curve = of_scores(&attempts(&SCORES, &DIFFICULTIES), 0.25, (0.0, 100.0)).unwrap();
        let Form::Scores { per_logit: Some(per_logit), .. } = curve.form else { panic!("{curve:?}") };
        assert!((per_logit + 0.029_154).abs() < 1e-3, "{per_logit}");
        is_at(&curve, 1, 38.428_94, 30.988_83, 45.532_08, 0.005);
        is_at(&curve, 4, 52.404_24, 48.893_56, 56.178_33, 0.005);
        is_at(&curve, 14, 71.213_08, 66.566_32, 76.513_94, 0.005);
    }

    /// How many of a hundred intervals hold the truth, at the first, a middle and the last attempt. They are approximate: near 95.
    #[test]
    fn intervals_of_passes_hold_the_truth() {
        const RUNS: usize = 2000;
        let mut draws = Draws(41);
        for (start, slope) in [(-1.5, 1.0), (0.0, 0.5), (0.5, 0.0)] {
            let truth = |n: u32| logistic(start + slope * f64::from(n).ln());
            let (mut held, mut of) = ([0, 0, 0], 0);
            for _ in 0..RUNS {
                let tried: Vec<_> = (1..=30)
                    .map(|n| {
                        let difficulty = 0.8 * draws.normal();
                        let chance = logistic(start + slope * f64::from(n).ln() - difficulty);
                        Attempt { n, difficulty, result: draws.is(chance) }
                    })
                    .collect();
                let Ok(curve) = of_passes(&tried, 0.0) else { continue };
                of += 1;
                for (held, n) in held.iter_mut().zip([1, 10, 30]) {
                    let point = curve.points[n as usize - 1];
                    *held += usize::from(point.low <= truth(n) && truth(n) <= point.high);
                }
            }
            let shares = held.map(|held| held as f64 / of as f64);
            assert!(of > RUNS - 20 && shares.iter().all(|share| (0.935..0.99).contains(share)), "{shares:?} of {of}");
        }
    }

    /// The same of scores that scatter by 8 points: of one who learns, one who learns slowly and one who does not.
    #[test]
    fn intervals_of_scores_hold_the_truth() {
        const RUNS: usize = 400;
        let mut draws = Draws(42);
        for (plateau, distance, k) in [(80.0, 40.0, 0.3), (90.0, 40.0, 0.05), (60.0, 0.0, 0.1)] {
            let truth = |n: u32| plateau - distance * (-k * (f64::from(n) - 1.0)).exp();
            let mut held = [0, 0, 0];
            for _ in 0..RUNS {
                let tried: Vec<_> =
                    (1..=20).map(|n| Attempt { n, difficulty: 0.0, result: truth(n) + 8.0 * draws.normal() }).collect();
                let curve = of_scores(&tried, 0.0, (-1000.0, 1000.0)).unwrap();
                for (held, n) in held.iter_mut().zip([1, 8, 20]) {
                    let point = curve.points[n as usize - 1];
                    *held += usize::from(point.low <= truth(n) && truth(n) <= point.high);
                }
            }
            let shares = held.map(|held| held as f64 / RUNS as f64);
            assert!(shares.iter().all(|share| *share > 0.915), "{shares:?}");
        }
    }

    #[test]
    fn hard_cases_are_not_held_against_a_learner() {
        // Passed as often late as early, but the later cases are harder: that is learning.
        let passed = [true, false, true, false, true, false, true, false, true, false, true, false];
        let slope = |difficulties: &[f64; 12]| {
            let Form::Passes { slope, .. } = of_passes(&attempts(&passed, difficulties), 0.0).unwrap().form else {
                panic!()
            };
            slope
        };
        let rising: [f64; 12] = std::array::from_fn(|i| f64::from(i as u8) * 0.2);
        assert!(slope(&rising) > slope(&[0.0; 12]) + 0.5);
        // A score that is 50 less 5 points for a logit, in cases of any order, is a flat 50 in a medium one.
        let scores: [f64; 14] = DIFFICULTIES.map(|difficulty| 50.0 - 5.0 * difficulty);
        let curve = of_scores(&attempts(&scores, &DIFFICULTIES), 0.0, (0.0, 100.0)).unwrap();
        let Form::Scores { per_logit: Some(per_logit), .. } = curve.form else { panic!("{curve:?}") };
        assert!((per_logit + 5.0).abs() < 1e-6 && curve.points.iter().all(|point| (point.value - 50.0).abs() < 1e-6));
    }

    #[test]
    fn scores_stay_within_their_range() {
        let high = [60.0, 90.0, 99.0, 100.0, 100.0, 100.0, 99.0, 100.0];
        let curve = of_scores(&attempts(&high, &[0.0; 8]), 0.0, (0.0, 100.0)).unwrap();
        assert!(curve.points.iter().all(|point| point.low >= 0.0 && point.high <= 100.0 && point.low <= point.value));
    }

    #[test]
    fn a_curve_is_told_with_its_intervals() {
        let curve = of_scores(&attempts(&SCORES, &[0.0; 14]), 0.0, (0.0, 100.0)).unwrap();
        assert_eq!(
            curve.in_words(),
            "From 14 results, in a case of difficulty 0.0: at attempt 1 38 points (95 % interval 32 to 45), at attempt 14 71 points \
             (95 % interval 67 to 76)."
        );
        let curve = of_passes(&attempts(&PASSED.map(|passed| passed == 1), &DIFFICULTIES), 0.25).unwrap();
        assert!(
            curve
                .in_words()
                .ends_with("at attempt 14 about 86 of 100 would be passed (95 % interval 42.4 % to 98.1 %).")
        );
    }

    #[test]
    fn what_has_no_course_is_refused() {
        let few = Refusal::TooFew { have: 5, places: 5, need: FEWEST, need_places: FEWEST_NUMBERS };
        assert_eq!(of_passes(&attempts(&[true, false, true, true, true], &[0.0; 5]), 0.0), Err(few));
        assert!(matches!(of_passes(&[], 0.0), Err(Refusal::TooFew { have: 0, .. })));
        assert!(matches!(of_scores(&[], 0.0, (0.0, 100.0)), Err(Refusal::TooFew { have: 0, .. })));
        let same = |result| [Attempt { n: 3, difficulty: 0.0, result }; 4];
        let once = [same(true), same(false)].concat();
        assert!(matches!(of_passes(&once, 0.0), Err(Refusal::TooFew { have: 8, places: 1, .. })));
        for all in [true, false] {
            assert_eq!(of_passes(&attempts(&[all; 20], &[0.0; 20]), 0.0), Err(Refusal::AllAlike { of: 20 }));
        }
        assert_eq!(of_scores(&attempts(&[70.0; 9], &[0.0; 9]), 0.0, (0.0, 100.0)), Err(Refusal::AllAlike { of: 9 }));
        let mut odd = attempts(&SCORES, &DIFFICULTIES);
        odd[3].result = f64::NAN;
        assert!(matches!(of_scores(&odd, 0.0, (0.0, 100.0)), Err(Refusal::Value { n: 4, what: "the score", .. })));
        odd[3] = Attempt { n: 0, difficulty: 0.0, result: 50.0 };
        assert!(matches!(of_scores(&odd, 0.0, (0.0, 100.0)), Err(Refusal::Number { n: 0, .. })));
        odd[3] = Attempt { n: 4, difficulty: f64::INFINITY, result: 50.0 };
        assert!(matches!(of_scores(&odd, 0.0, (0.0, 100.0)), Err(Refusal::Value { what: "the difficulty", .. })));
        odd[3].difficulty = 0.0;
        assert!(of_scores(&odd, f64::NAN, (0.0, 100.0)).is_err() && of_scores(&odd, 0.0, (100.0, 0.0)).is_err());
    }

    /// Numbers in order, or a refusal.
    fn is_sound(curve: &Result<Curve, Refusal>, low: f64, high: f64) -> bool {
        let Ok(curve) = curve else { return true };
        let in_order = |point: &Point| {
            low <= point.low && point.low <= point.value && point.value <= point.high && point.high <= high
        };
        !curve.points.is_empty() && curve.points.iter().all(in_order)
    }

    /// Whatever the attempts, cases within and beyond all reach: never a number that is none. Most have a curve, so that this is no
    /// test of refusals.
    #[test]
    fn whatever_comes_is_a_number_or_a_refusal() {
        let mut draws = Draws(43);
        let (mut passes, mut scores) = (0, 0);
        for round in 0..2000 {
            let spread = 30.0 * draws.unit().powi(4);
            let of = 2 + (28.0 * draws.unit()) as usize;
            let attempts: Vec<_> = (0..of)
                .map(|_| {
                    let n = 1 + (40.0 * draws.unit()) as u32;
                    Attempt { n, difficulty: spread * (2.0 * draws.unit() - 1.0), result: draws.unit() }
                })
                .collect();
            let curve = of_passes(
                &attempts
                    .iter()
                    .map(|a| Attempt { n: a.n, difficulty: a.difficulty, result: a.result < 0.5 })
                    .collect::<Vec<_>>(),
                0.0,
            );
            assert!(is_sound(&curve, 0.0, 1.0), "{curve:?} of {attempts:?}");
            passes += usize::from(curve.is_ok());
            if round % 8 == 0 {
                // Few different scores, at times in cases that are all alike.
                let is_alike = draws.is(0.5);
                let coarse = |a: &Attempt<f64>| Attempt {
                    difficulty: if is_alike { 1.0 } else { a.difficulty },
                    result: (4.0 * a.result).floor() * 100.0 / 3.0,
                    ..*a
                };
                let curve = of_scores(&attempts.iter().map(coarse).collect::<Vec<_>>(), 0.0, (0.0, 100.0));
                assert!(is_sound(&curve, 0.0, 100.0), "{curve:?} of {attempts:?}");
                scores += usize::from(curve.is_ok());
            }
        }
        assert!(passes > 1000 && scores > 150, "{passes} {scores}");
        let far = attempts(&SCORES, &DIFFICULTIES).into_iter().map(|a| Attempt { n: a.n * 700, ..a });
        assert!(is_sound(&of_scores(&far.collect::<Vec<_>>(), 0.0, (0.0, 100.0)), 0.0, 100.0));
    }
}
