//! Attempts judged again, under other goals. An entry of its own: the attempt and what it was scored then stay what they are.
//!
//! The other goals come as a case, which must be the attempt's own but for its goals, its title and its sheet: the eye was what
//! it was. The attempt is done again, and must first come out as it claims.

use super::entry::{Entry, Rescored};
use super::pseudonym::Pseudonym;
use super::store::{Author, Logbook, LogbookError};
use crate::attempt::{Attempt, Scores, engine};
use crate::case::{CaseSpec, ReadCase, parse_case};
use crate::debrief::course::scores;
use crate::debrief::{Course, Debrief};

/// Why an attempt is not judged again.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum NotJudged {
    /// Another engine's.
    OtherEngine(String),
    /// It does not come out as it claims, or its case cannot be used.
    Unsound(String),
    /// The case is another in more than its goals.
    OtherCase,
}

/// Is it the same eye, operated on under the same conditions?
fn is_same_eye(own: &CaseSpec, other: &CaseSpec) -> bool {
    let CaseSpec { title, sheet, goals, .. } = own.clone();
    CaseSpec { title, sheet, goals, ..other.clone() } == *own
}

/// What an attempt is scored under the goals of another case.
///
/// # Errors
/// An attempt that cannot be done again here or does not come out as it claims; another eye.
pub fn judged(attempt: &Attempt, other: &ReadCase) -> Result<Scores, NotJudged> {
    let own = parse_case("", &attempt.header.case_text)
        .map_err(|_| NotJudged::Unsound("holds a case that cannot be used".to_owned()))?;
    if !is_same_eye(&own.spec, &other.spec) {
        return Err(NotJudged::OtherCase);
    }
    let (case, model) = attempt.model().map_err(|error| match error.is_other_engine() {
        true => NotJudged::OtherEngine(error.to_string()),
        false => NotJudged::Unsound(error.to_string()),
    })?;
    let course = Course::again(&model, attempt);
    if *course.state.hash().as_bytes() != attempt.state_hash {
        return Err(NotJudged::Unsound("does not follow from its own inputs".to_owned()));
    }
    let spec = CaseSpec { goals: other.spec.goals.clone(), ..case.spec };
    Ok(scores(&Debrief::of(&course.facts(&spec, &model))))
}

impl Logbook {
    /// Judge an attempt of the record again. The number of the new entry comes back, and what was scored.
    ///
    /// # Errors
    /// No such attempt, one that cannot be done again here, another eye, or whatever keeps it from being added.
    pub fn rescore(
        &mut self,
        author: &Author<'_>,
        by: &Pseudonym,
        of: u64,
        other: &ReadCase,
    ) -> Result<(u64, Scores), LogbookError> {
        let (hash, submitted, attempt) = self.attempt(of)?;
        let refused = |why: String| LogbookError::NoReplay { seq: of, why };
        let scores = judged(&attempt, other).map_err(|error| match error {
            NotJudged::OtherCase => LogbookError::OtherCase(of),
            NotJudged::OtherEngine(why) | NotJudged::Unsound(why) => refused(why),
        })?;
        let rescored = Entry::Rescored(Box::new(Rescored {
            of,
            trainee: submitted.trainee,
            by: by.clone(),
            engine: engine(),
            case_text: other.text.clone(),
            scores: scores.clone(),
        }));
        let (seqs, ()) = self.append(author, |database| {
            // Meanwhile its body may have been deleted.
            let found = super::store::entry(database, of)?;
            if found.0 != hash { Err(LogbookError::NoEntry(of)) } else { Ok((vec![rescored.clone()], ())) }
        })?;
        Ok((seqs.last().copied().unwrap_or_default(), scores))
    }
}
