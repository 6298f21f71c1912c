//! Which shipped case next: the one whose kind of eye was misjudged most.
//!
//! From what came of earlier attempts, in their order. An attempt in which something was predicted counts by its mean prediction
//! error, another by whether it passed. The case of the last attempt is not suggested again at once; of equals, the one that was
//! taken least, then the one that is best taken first. Nothing here reads a file.

use crate::attempt::{Attempt, NoReplay};
use crate::case::{Kind, SHIPPED, parse_case};
use crate::daily::Ratings;
use crate::debrief::prediction::mean_error;
use crate::debrief::{Course, Debrief};

/// What came of an attempt.
#[derive(Clone, Debug, PartialEq)]
pub struct Past {
    /// Name of its case.
    pub scenario: String,
    /// The kind of eye.
    pub kind: Kind,
    /// Mean prediction error, where something was predicted and could be judged.
    pub error: Option<f64>,
    /// Did it pass?
    pub pass: bool,
}

/// Why an attempt does not count.
#[derive(Debug, thiserror::Error)]
pub enum NotCounted {
    /// Its case cannot be read.
    #[error("holds a case that cannot be used")]
    Case,
    /// Its predictions cannot be judged here.
    #[error(transparent)]
    Replay(#[from] NoReplay),
    /// The threads could not be started.
    #[error("the threads cannot be started: {0}")]
    Threads(#[from] rayon::ThreadPoolBuildError),
}

impl Past {
    /// Of an attempt. Where something was predicted it is done again, which takes a second or two; otherwise what it claims is
    /// taken.
    ///
    /// # Errors
    /// A case that cannot be read; predictions that can only be judged by another engine.
    pub fn of(attempt: &Attempt, threads: usize) -> Result<Self, NotCounted> {
        let kind = Kind::of(&parse_case("", &attempt.header.case_text).map_err(|_| NotCounted::Case)?.spec);
        let mut error = None;
        if !attempt.predictions.is_empty() {
            let (case, model) = attempt.model()?;
            let course = Course::again(&model, attempt);
            let mut debrief = Debrief::of(&course.facts(&case.spec, &model));
            debrief.judge_predictions(&case.spec, &model, &course.record, threads)?;
            error = mean_error(&debrief.predictions);
        }
        Ok(Self { scenario: attempt.header.scenario.clone(), kind, error, pass: attempt.scores.pass })
    }

    /// 1 foretold or passed, 0 not.
    pub fn result(&self) -> f64 {
        self.error.map_or(if self.pass { 1.0 } else { 0.0 }, |error| 1.0 - error)
    }
}

/// A suggestion.
#[derive(Clone, Debug, PartialEq)]
pub struct Next {
    /// Name of the case.
    pub scenario: &'static str,
    /// Its title.
    pub title: String,
    /// Its kind of eye.
    pub kind: Kind,
    /// Expected share of misjudging it, 0..1.
    pub misjudges: f64,
    /// Attempts at eyes of this kind so far.
    pub count: usize,
    /// Their mean prediction error, where something was predicted.
    pub mean_error: Option<f64>,
    /// How many of them passed.
    pub passed: usize,
    /// The ratings behind it.
    pub ratings: Ratings,
}

/// The ratings after earlier attempts, in their order.
pub fn ratings(past: &[Past]) -> Ratings {
    past.iter().fold(Ratings::default(), |ratings, past| ratings.after(past.kind, past.result()))
}

/// The shipped case that is worth most now; `None` only if no shipped case could be read.
pub fn next(past: &[Past]) -> Option<Next> {
    let ratings = ratings(past);
    let last = past.last().map(|past| past.scenario.as_str());
    let taken = |name: &str| past.iter().filter(|past| past.scenario == name).count();
    let shipped = SHIPPED.iter().filter_map(|(name, text)| {
        let case = parse_case("", text).ok()?.spec;
        Some((*name, Kind::of(&case), case.title))
    });
    let mut all: Vec<(&str, Kind, String)> = shipped.filter(|(name, ..)| Some(*name) != last).collect();
    // Stable: of equals the one that stands first is best taken first.
    all.sort_by(|a, b| {
        let misjudges = ratings.misjudges(b.1).total_cmp(&ratings.misjudges(a.1));
        misjudges.then(taken(a.0).cmp(&taken(b.0)))
    });
    let (scenario, kind, title) = all.into_iter().next()?;
    let of_kind: Vec<&Past> = past.iter().filter(|past| past.kind == kind).collect();
    let errors: Vec<f64> = of_kind.iter().filter_map(|past| past.error).collect();
    Some(Next {
        scenario,
        title,
        kind,
        misjudges: ratings.misjudges(kind),
        count: of_kind.len(),
        mean_error: (!errors.is_empty()).then(|| errors.iter().sum::<f64>() / errors.len() as f64),
        passed: of_kind.iter().filter(|past| past.pass).count(),
        ratings,
    })
}

impl Next {
    /// Why this one, in a sentence.
    pub fn why(&self) -> String {
        let kind = self.kind.in_words();
        let plural = |count: usize| if count == 1 { "attempt" } else { "attempts" };
        match (self.count, self.mean_error) {
            (0, _) => format!("An eye with {kind} has not been tried yet, and none that was tried is misjudged more."),
            (count, Some(error)) => format!(
                "Of all kinds of eye, one with {kind} is misjudged most: a mean prediction error of {error:.2} over {count} {}.",
                plural(count)
            ),
            (count, None) => format!(
                "Of all kinds of eye, one with {kind} went least well: {} of {count} {} passed.",
                self.passed,
                plural(count)
            ),
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]
    use super::*;

    fn past(scenario: &str, error: Option<f64>, pass: bool) -> Past {
        let (_, text) = SHIPPED.iter().find(|(name, _)| *name == scenario).unwrap();
        let kind = Kind::of(&parse_case("", text).unwrap().spec);
        Past { scenario: scenario.to_owned(), kind, error, pass }
    }

    #[test]
    fn who_has_done_nothing_is_given_the_first_case() {
        let first = next(&[]).unwrap();
        assert_eq!((first.scenario, first.kind, first.count), (SHIPPED[0].0, Kind::Ordinary, 0));
        assert!(first.why().contains("has not been tried yet"), "{}", first.why());
    }

    #[test]
    fn the_kind_most_misjudged_comes_back_but_not_twice_in_a_row() {
        let mut attempts = vec![
            past("leathery-plate", Some(0.9), true),
            past("off-centre-core", Some(0.2), false),
            past("medium-uniform", Some(0.0), true),
        ];
        let found = next(&attempts).unwrap();
        assert_eq!(found.scenario, "leathery-plate", "by its error, not by its pass");
        assert!(found.why().contains("mean prediction error of 0.90 over 1 attempt."), "{}", found.why());
        // Straight after it, another.
        attempts.push(past("leathery-plate", Some(1.0), false));
        let other = next(&attempts).unwrap();
        assert_ne!(other.scenario, "leathery-plate");
        assert_eq!(other.count, 0, "what was not tried goes before what was foretold");
        // Foretold again and again, it falls behind.
        attempts.extend((0..6).map(|_| past("leathery-plate", Some(0.0), true)));
        attempts.push(past("medium-uniform", Some(0.0), true));
        assert_ne!(next(&attempts).unwrap().scenario, "leathery-plate");
    }

    #[test]
    fn where_nothing_was_predicted_results_count() {
        let all: Vec<Past> = SHIPPED.iter().map(|(name, _)| past(name, None, *name != "dense-large")).collect();
        let found = next(&all).unwrap();
        assert_eq!((found.scenario, found.passed, found.count), ("dense-large", 0, 1));
        assert!(found.why().ends_with("went least well: 0 of 1 attempt passed."), "{}", found.why());
    }

    #[test]
    fn a_long_history_keeps_every_rating_sound() {
        let names = SHIPPED.iter().cycle().take(1000).zip(0..);
        let all: Vec<Past> = names.map(|((name, _), i)| past(name, None, i % 3 == 0)).collect();
        assert!(ratings(&all).is_sound());
    }
}
