//! Is an attempt what it claims to be? It is done again from its case, seed and inputs, and what comes of it is compared with
//! what it claims: last state, events, scores.
//!
//! Limits: it shows that these inputs lead to this result on this engine, not who gave them.

use crate::attempt::{Attempt, Scores, Unusable};
use crate::debrief::Debrief;
use crate::debrief::course::{Course, scores};
use serde::Serialize;

/// The answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// A replay gives the same state, events and scores.
    Valid,
    /// A replay gives something else: the file was changed.
    Mismatch,
    /// It belongs to another engine or format, and can only be checked by that. Not forged, not shown to be genuine.
    OtherVersion,
    /// It cannot be read.
    Unreadable,
}

impl Verdict {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Self::Valid => "valid",
            Self::Mismatch => "mismatch",
            Self::OtherVersion => "other version, not verifiable here",
            Self::Unreadable => "unreadable",
        }
    }
}

/// A verdict and why.
#[derive(Clone, Debug, PartialEq)]
pub struct Proof {
    /// The verdict.
    pub verdict: Verdict,
    /// Why, a sentence that goes on after the file's name.
    pub reason: String,
}

impl Proof {
    fn new(verdict: Verdict, reason: impl Into<String>) -> Self {
        Self { verdict, reason: reason.into() }
    }

    /// Of what was read from a file.
    pub fn of(read: &Result<Attempt, Unusable>) -> Self {
        let attempt = match read {
            Ok(attempt) => attempt,
            Err(error @ Unusable::OtherFormat { .. }) => return Self::new(Verdict::OtherVersion, error.to_string()),
            Err(error) => return Self::new(Verdict::Unreadable, error.to_string()),
        };
        let (case, model) = match attempt.model() {
            Ok(found) => found,
            Err(error) if error.is_other_engine() => return Self::new(Verdict::OtherVersion, error.to_string()),
            Err(error) => return Self::new(Verdict::Mismatch, error.to_string()),
        };
        let course = Course::again(&model, attempt);
        let scored = scores(&Debrief::of(&course.facts(&case.spec, &model)));
        let here = course.state.hash();
        if *here.as_bytes() != attempt.state_hash {
            let claimed = blake3::Hash::from_bytes(attempt.state_hash).to_hex();
            let here = here.to_hex();
            return Self::new(
                Verdict::Mismatch,
                format!(
                    "claims a last state that its inputs do not lead to ({} instead of {})",
                    &claimed[..8],
                    &here[..8]
                ),
            );
        }
        if let Some(difference) = other_event(attempt, &course).or_else(|| other_score(&attempt.scores, &scored)) {
            return Self::new(Verdict::Mismatch, difference);
        }
        let ticks = attempt.record.ticks();
        Self::new(Verdict::Valid, format!("a replay of its {ticks} ticks gives the same state, events and scores"))
    }
}

fn other_event(attempt: &Attempt, course: &Course) -> Option<String> {
    let (claimed, found) = (&attempt.events, &course.state.events);
    if claimed == found {
        return None;
    }
    let at = claimed.iter().zip(found).position(|(a, b)| a != b).unwrap_or(claimed.len().min(found.len()));
    Some(format!("claims events that its inputs do not lead to: event {at} is another"))
}

fn other_score(claimed: &Scores, found: &Scores) -> Option<String> {
    if claimed == found {
        return None;
    }
    let claims = |what: String| Some(format!("claims a score that its inputs do not lead to: {what}"));
    let verdict = |pass: bool| if pass { "passed" } else { "not passed" };
    if claimed.pass != found.pass {
        return claims(format!("{} instead of {}", verdict(claimed.pass), verdict(found.pass)));
    }
    if claimed.score != found.score {
        return claims(format!("{:.1} instead of {:.1}", claimed.score, found.score));
    }
    match claimed.components.iter().zip(&found.components).find(|(a, b)| a != b) {
        Some((claimed, _)) => claims(format!("component `{}` came out otherwise", claimed.id)),
        None => claims("components or critical events are others".to_string()),
    }
}
