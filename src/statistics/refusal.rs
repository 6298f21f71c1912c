//! What a chart or a curve cannot be made of, and what would do: one line each.

use thiserror::Error;

/// Why there is no answer. None of these is ever an answer that is not a number.
#[derive(Clone, Debug, Error, PartialEq)]
pub enum Refusal {
    /// A probability that is none, or one that leaves nothing to chance.
    #[error("{what} is {value}; it must lie above 0 and below 1")]
    Share {
        /// What it was given as.
        what: &'static str,
        /// The value given.
        value: f64,
    },
    /// Nothing to tell apart.
    #[error("p0 is {p0} and p1 {p1}; p1 must be larger by at least {}", super::cusum::LEAST_DIFFERENCE)]
    Apart {
        /// The acceptable share of failures.
        p0: f64,
        /// The unacceptable one.
        p1: f64,
    },
    /// Error rates that a guess keeps too.
    #[error("alpha {alpha} and beta {beta} together must be below 1")]
    Guessing {
        /// Chance of a wrong alarm.
        alpha: f64,
        /// Chance of a wrong pass.
        beta: f64,
    },
    /// An odds ratio that is no worsening.
    #[error("the odds ratio is {value}; it must lie above 1 and at most at {most}")]
    OddsRatio {
        /// The value given.
        value: f64,
        /// The largest that is taken.
        most: f64,
    },
    /// A horizon that is none, or too far to be computed.
    #[error("{given} attempts; the number must lie between 1 and {most}")]
    Attempts {
        /// The number given.
        given: usize,
        /// The largest that is taken.
        most: usize,
    },
    /// A signal that a wrong one is too easily taken for.
    #[error(
        "within {attempts} attempts no limit keeps the chance of a wrong signal at {most}: more attempts, p0 and p1 further \
         apart, or a larger chance would do"
    )]
    OutOfReach {
        /// The horizon.
        attempts: usize,
        /// The chance of a wrong signal that was to be kept.
        most: f64,
    },
    /// Nothing to draw.
    #[error("no attempt; at least one is needed")]
    NoAttempts,
    /// Too few to say anything of a course.
    #[error("a curve needs at least {need} attempts at {need_places} numbers; so far {have} at {places}")]
    TooFew {
        /// Attempts given.
        have: usize,
        /// Different attempt numbers among them.
        places: usize,
        /// Attempts needed.
        need: usize,
        /// Different numbers needed.
        need_places: usize,
    },
    /// All results are the same: there is no course in them, only a share or a value.
    #[error("all {of} results are the same; there is no course to be drawn, only how often that is")]
    AllAlike {
        /// So many results.
        of: usize,
    },
    /// An attempt whose number is 0 or beyond what is drawn.
    #[error("an attempt has the number {n}; attempts are numbered from 1 to {most}")]
    Number {
        /// The number given.
        n: u32,
        /// The largest that is taken.
        most: u32,
    },
    /// A score or a difficulty that is no number, or out of its range.
    #[error("attempt {n}: {what} is {value}; it must lie between {low} and {high}")]
    Value {
        /// The attempt's number; 0 for a value that belongs to none.
        n: u32,
        /// What it was given as.
        what: &'static str,
        /// The value given.
        value: f64,
        /// The least that is taken.
        low: f64,
        /// The most.
        high: f64,
    },
    /// Nothing was found that fits.
    #[error("no curve fits these {of} results: their numbers or difficulties say the same of all")]
    NotFitted {
        /// So many results.
        of: usize,
    },
}
