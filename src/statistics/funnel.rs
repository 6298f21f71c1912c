//! Who stands out among unlike numbers of attempts: limits about a target share, narrower the more attempts there are (Spiegelhalter
//! 2005, Stat Med 24:1185). 95 % and 99.8 % of those who are as the target lie within.
//!
//! The limits are those of the binomial distribution with Spiegelhalter's interpolation, so that they do not jump from one number of
//! attempts to the next (his appendix, from memory). The upper limit of passes is the lower of failures turned round: interpolated
//! upwards, a single pass in a single attempt would stand out. So a share lies beyond an inner limit exactly where chance makes it or
//! one still farther out less than 2.5 % likely, beyond an outer one, 0.1 %. Shares are discrete, and fewer lie without than the
//! limits' name says; [`beyond`] tells how many exactly.
//!
//! All attempts are taken to be alike and independent: where cases differ in difficulty, or people truly differ, more than chance
//! lies without (overdispersion, not corrected for). A target that was made of the same attempts holds each of them a little too
//! close.

use statrs::distribution::{Binomial, Discrete, DiscreteCDF};

use super::cusum::{MOST_ATTEMPTS, horizon, share};
use super::rate::Rate;
use super::refusal::Refusal;
use super::words::{of_100, percent};

/// The inner limits hold this share of those who are as the target.
pub const INNER: f64 = 0.95;

/// The outer limits hold this share.
pub const OUTER: f64 = 0.998;

/// Limits for one number of attempts, shares 0..1.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limits {
    /// So many attempts.
    pub n: usize,
    /// Lower and upper inner limit, 95 %.
    pub inner: (f64, f64),
    /// Lower and upper outer limit, 99.8 %.
    pub outer: (f64, f64),
}

/// Where a share lies.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Standing {
    /// Within the inner limits: no more than chance.
    Within,
    /// Below the inner limit only.
    Low,
    /// Above the inner limit only.
    High,
    /// Below the outer limit.
    FarLow,
    /// Above the outer limit.
    FarHigh,
}

/// The limits for this number of attempts about a target share.
pub fn limits(target: f64, n: usize) -> Result<Limits, Refusal> {
    let (passes, failures) = (counts(target, n)?, counts(1.0 - target, n)?);
    let pair = |within: f64| {
        let tail = 0.5 * (1.0 - within);
        (least(&passes, tail), 1.0 - least(&failures, tail))
    };
    Ok(Limits { n, inner: pair(INNER), outer: pair(OUTER) })
}

/// The limits for 1 to so many attempts: the lines of the plot.
pub fn lines(target: f64, up_to: usize) -> Result<Vec<Limits>, Refusal> {
    horizon(up_to)?;
    (1..=up_to).map(|n| limits(target, n)).collect()
}

/// Numbers of attempts at which the lines of a plot are computed.
const DRAWN: usize = 60;

/// The limits for some numbers of attempts, from 1 to so many, closer where they run steeper: the lines of a plot that may be wide.
pub fn drawn(target: f64, up_to: usize) -> Result<Vec<Limits>, Refusal> {
    horizon(up_to)?;
    let number = |i: usize| {
        let share = i as f64 / (DRAWN - 1) as f64;
        (1.0 + (up_to - 1) as f64 * share * share).round() as usize
    };
    let mut numbers: Vec<usize> = (0..DRAWN).map(number).collect();
    numbers.dedup();
    numbers.into_iter().map(|n| limits(target, n)).collect()
}

/// Where a share of so many attempts lies; one on a limit lies within.
pub fn standing(target: f64, rate: Rate) -> Result<Standing, Refusal> {
    let Limits { inner, outer, .. } = limits(target, rate.of as usize)?;
    let share = rate.share();
    Ok(if share < outer.0 {
        Standing::FarLow
    } else if share > outer.1 {
        Standing::FarHigh
    } else if share < inner.0 {
        Standing::Low
    } else if share > inner.1 {
        Standing::High
    } else {
        Standing::Within
    })
}

/// The chances that somebody who is as the target lies beyond the inner and beyond the outer limits, exactly.
pub fn beyond(target: f64, n: usize) -> Result<(f64, f64), Refusal> {
    let (counts, limits) = (counts(target, n)?, limits(target, n)?);
    let outside = |(low, high): (f64, f64)| {
        // As `standing` compares them: the share itself, not its number.
        let is_out = |count: usize| {
            let share = count as f64 / n as f64;
            share < low || share > high
        };
        (0..=n).filter(|count| is_out(*count)).map(|count| counts.pmf(count as u64)).sum::<f64>()
    };
    Ok((outside(limits.inner), outside(limits.outer)))
}

/// What the limits claim, and how often chance alone lies beyond them.
pub fn in_words(target: f64, n: usize) -> Result<String, Refusal> {
    let (inner, outer) = beyond(target, n)?;
    Ok(format!(
        "Of 100 trainees who pass in {} of their attempts like the programme as a whole, by chance alone {} would lie beyond the \
         {} limits after {n} attempts, and {} beyond the {} limits.",
        percent(target),
        of_100(inner),
        percent(INNER),
        of_100(outer),
        percent(OUTER),
    ))
}

fn counts(target: f64, n: usize) -> Result<Binomial, Refusal> {
    share("the target", target)?;
    horizon(n)?;
    Binomial::new(target, n as u64).map_err(|_| Refusal::Attempts { given: n, most: MOST_ATTEMPTS })
}

/// The share below which this much of the distribution lies: the least count by which so much is reached, less what it oversteps by
/// as a part of that count's own chance.
fn least(counts: &Binomial, tail: f64) -> f64 {
    let (mut below, mut count) = (0, counts.n());
    while below < count {
        let middle = u64::midpoint(below, count);
        if counts.cdf(middle) >= tail { count = middle } else { below = middle + 1 }
    }
    let over = (counts.cdf(count) - tail) / counts.pmf(count);
    ((count as f64 - over.clamp(0.0, 1.0)) / counts.n() as f64).clamp(0.0, 1.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::statistics::draws::{Draws, agrees};

    /// scipy 1.17.1: `r = binom.ppf(q, n, p); max((r − (binom.cdf(r, n, p) − q) / binom.pmf(r, n, p)) / n, 0)` at q 0.025 and 0.001, the
    /// upper as 1 less the same of 1 − p; the chances beyond from `binom.cdf` and `binom.sf`. No published table is known to us.
    #[test]
    fn limits_are_those_of_a_reference_library() {
        for (target, n, inner, outer, chances) in [
            (0.8, 1, (0.0, 1.0), (0.0, 1.0), (0.0, 0.0)),
            (0.8, 7, (0.386_997_767_857, 1.0), (0.163_743_622_449, 1.0), (0.004_672, 0.000_371_2)),
            (
                0.8,
                40,
                (0.655_866_169_758, 0.929_217_960_141),
                (0.575_115_426_178, 0.983_692_090_387),
                (0.027_349_506_203_463, 0.001_123_941_819_564),
            ),
            (
                0.35,
                250,
                (0.289_386_457_916, 0.411_671_475_6),
                (0.256_661_348_906, 0.446_822_019_613),
                (0.046_442_406_065_619, 0.001_774_146_342_193),
            ),
            (
                0.97,
                2000,
                (0.962_054_615_457, 0.977_493_802_127),
                (0.957_301_484_27, 0.981_355_945_659),
                (0.049_029_616_984_641, 0.001_613_912_895_519),
            ),
        ] {
            let found = limits(target, n).unwrap();
            let beyond = beyond(target, n).unwrap();
            for (found, wanted) in [(found.inner, inner), (found.outer, outer), (beyond, chances)] {
                assert!((found.0 - wanted.0).abs() < 1e-9, "{target} {n}: {found:?} instead of {wanted:?}");
                assert!((found.1 - wanted.1).abs() < 1e-9, "{target} {n}: {found:?} instead of {wanted:?}");
            }
        }
    }

    #[test]
    fn no_more_lie_beyond_than_the_limits_are_named_for() {
        for target in [0.05, 0.5, 0.8, 0.97] {
            for n in 1..=300 {
                let (inner, outer) = beyond(target, n).unwrap();
                assert!(inner <= 1.0 - INNER && outer <= 1.0 - OUTER, "{target} {n}: {inner} {outer}");
            }
        }
    }

    #[test]
    fn limits_narrow_from_one_attempt_on_and_hold_the_target() {
        let lines = lines(0.7, 400).unwrap();
        assert_eq!((lines.len(), lines[0].n), (400, 1));
        for pair in lines.windows(2) {
            // Not strictly: what is interpolated in between still moves a little.
            assert!(pair[1].inner.0 > pair[0].inner.0 - 0.01 && pair[1].inner.1 < pair[0].inner.1 + 0.01);
        }
        for Limits { inner, outer, .. } in lines {
            assert!(outer.0 <= inner.0 && inner.0 < 0.7 && 0.7 < inner.1 && inner.1 <= outer.1);
        }
    }

    #[test]
    fn who_stands_out_by_chance_is_as_many_as_told() {
        const RUNS: usize = 20_000;
        let (target, n) = (0.75, 60);
        let mut draws = Draws(31);
        let (mut without, mut far) = (0, 0);
        for _ in 0..RUNS {
            let rate: Rate = (0..n).map(|_| draws.is(target)).sum();
            let standing = standing(target, rate).unwrap();
            without += usize::from(standing != Standing::Within);
            far += usize::from(matches!(standing, Standing::FarLow | Standing::FarHigh));
        }
        let (inner, outer) = beyond(target, n).unwrap();
        assert!(agrees(without, RUNS, inner) && agrees(far, RUNS, outer), "{without} {far}, {inner} {outer}");
    }

    #[test]
    fn where_a_share_lies() {
        let at = |count| standing(0.8, Rate { count, of: 40 }).unwrap();
        let all: Vec<Standing> = [22, 23, 24, 26, 27, 32, 37, 38, 39, 40].into_iter().map(at).collect();
        use Standing::{FarHigh, FarLow, High, Low, Within};
        assert_eq!(all, [FarLow, FarLow, Low, Low, Within, Within, Within, High, High, FarHigh]);
        assert_eq!(standing(0.8, Rate { count: 1, of: 1 }), Ok(Within));
    }

    #[test]
    fn chance_is_told_as_people() {
        let told = in_words(0.8, 40).unwrap();
        assert_eq!(
            told,
            "Of 100 trainees who pass in 80 % of their attempts like the programme as a whole, by chance alone about 3 would lie \
             beyond the 95 % limits after 40 attempts, and fewer than 1 beyond the 99.8 % limits."
        );
    }

    #[test]
    fn what_has_no_limits_is_refused() {
        for target in [0.0, 1.0, f64::NAN, -1.0] {
            assert!(matches!(limits(target, 10), Err(Refusal::Share { .. })), "{target}");
        }
        assert!(matches!(limits(0.5, 0), Err(Refusal::Attempts { given: 0, .. })));
        assert!(matches!(lines(0.5, 0), Err(Refusal::Attempts { .. })));
        assert!(matches!(standing(0.5, Rate { count: 0, of: 0 }), Err(Refusal::Attempts { .. })));
    }
}
