//! An attempt on its way into the record: the bytes of its file, and what is read from them.

use super::chain::Hash;
use super::database::{DatabaseError, Value};
use super::derived::seq_value;
use super::entry::{Entry, Facts, Predicted, Purpose, Submitted, kind_of};
use super::pseudonym::Pseudonym;
use super::store::{Author, Logbook, LogbookError};
use super::{chain, moment};
use crate::attempt::{Attempt, Unusable};
use crate::case::Kind;
use std::collections::{HashMap, HashSet};
use std::path::Path;
use std::sync::Mutex;

/// An attempt that is to be handed in.
#[derive(Clone, Debug, PartialEq)]
pub struct Submission {
    /// What its file says.
    pub facts: Facts,
    /// How far predictions were off, where that was found out.
    pub predictions: Option<Vec<Predicted>>,
    /// When it was done, as its file's time says, ms.
    pub done_at_ms: i64,
    /// The file.
    pub file: Vec<u8>,
}

/// Why a file is not taken.
#[derive(Debug, thiserror::Error)]
pub enum NotTaken {
    /// It is no attempt that can be read.
    #[error(transparent)]
    Unusable(#[from] Unusable),
    /// It holds another case than it says.
    #[error("holds another case than the one it was recorded on: its text does not have the hash that goes with it")]
    SwappedCase,
}

/// Kinds of eye by the hash of the case's text: many attempts are at few cases.
#[derive(Debug, Default)]
pub struct Kinds(Mutex<HashMap<Hash, Option<Kind>>>);

impl Kinds {
    pub(super) fn of(&self, hash: Hash, case_text: &str) -> Option<Kind> {
        // Another thread that failed leaves the list as good as it was.
        let known = |kinds: &Self| kinds.0.lock().unwrap_or_else(|failed| failed.into_inner()).get(&hash).copied();
        known(self).unwrap_or_else(|| {
            let kind = kind_of(case_text);
            self.0.lock().unwrap_or_else(|failed| failed.into_inner()).insert(hash, kind);
            kind
        })
    }
}

impl Submission {
    /// Of a file. `is_judged`: find out how far its predictions were off, which takes some seconds where there are any.
    ///
    /// # Errors
    /// A file that is no attempt.
    pub fn read(path: &Path, kinds: &Kinds, is_judged: bool) -> Result<Self, NotTaken> {
        let bytes = Attempt::read_bytes(path)?;
        let done = std::fs::metadata(path).and_then(|found| found.modified()).map_err(Unusable::Io)?;
        Self::of_bytes(bytes, moment::of(done), kinds, is_judged)
    }

    /// Of a file's bytes.
    ///
    /// # Errors
    /// Bytes that are no attempt.
    pub fn of_bytes(file: Vec<u8>, done_at_ms: i64, kinds: &Kinds, is_judged: bool) -> Result<Self, NotTaken> {
        let attempt = Attempt::from_bytes(&file)?;
        let case_hash = *blake3::hash(attempt.header.case_text.as_bytes()).as_bytes();
        if case_hash != attempt.header.case_hash {
            return Err(NotTaken::SwappedCase);
        }
        let facts = Facts::of(&file, &attempt, |text| kinds.of(case_hash, text));
        let predictions = if is_judged || attempt.predictions.is_empty() { Predicted::of(&attempt) } else { None };
        Ok(Self { facts, predictions, done_at_ms, file })
    }
}

/// What became of an attempt that was handed in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// It is in the record now, as this entry.
    Taken(u64),
    /// It was there before, as this entry, where that may be seen.
    Known(Option<u64>),
}

impl Logbook {
    /// Hand attempts in, all of them at once or none. What is there already is left as it is. The first at an eye is the first in
    /// the order given.
    ///
    /// # Errors
    /// Whatever keeps them from being added; then none was.
    pub fn submit(
        &mut self,
        author: &Author<'_>,
        trainee: &Pseudonym,
        purpose: Purpose,
        submissions: &[Submission],
    ) -> Result<Vec<Outcome>, LogbookError> {
        let done = self.submit_at_once(author, trainee, purpose, submissions);
        // Someone else's, which this login may not see.
        let is_hidden = |error: &LogbookError| matches!(error, LogbookError::Database(DatabaseError::Taken { table }) if table == "attempt");
        match done {
            Err(error) if is_hidden(&error) && submissions.len() == 1 => Ok(vec![Outcome::Known(None)]),
            Err(error) if is_hidden(&error) => {
                let mut all = Vec::new();
                for submission in submissions {
                    all.extend(self.submit(author, trainee, purpose, std::slice::from_ref(submission))?);
                }
                Ok(all)
            }
            done => done,
        }
    }

    fn submit_at_once(
        &mut self,
        author: &Author<'_>,
        trainee: &Pseudonym,
        purpose: Purpose,
        submissions: &[Submission],
    ) -> Result<Vec<Outcome>, LogbookError> {
        let hashes: Vec<String> = submissions.iter().map(|s| chain::hex(&s.facts.file_hash)).collect();
        let eyes: Vec<String> = submissions.iter().map(|s| chain::hex(&s.facts.eye())).collect();
        let as_values = |texts: &[String]| texts.iter().map(|text| text.as_str().into()).collect::<Vec<Value>>();
        let (hash_values, eye_values) = (as_values(&hashes), as_values(&eyes));
        let (seqs, places) = self.append(author, |database| {
            let known = database.query_in("SELECT file_hash, seq FROM attempt WHERE file_hash", &[], &hash_values)?;
            let known: HashMap<&str, u64> =
                known.iter().filter_map(|row| Some((row[0].text()?, u64::try_from(row[1].whole()?).ok()?))).collect();
            let head = "SELECT eye FROM attempt WHERE trainee = $1 AND eye";
            let seen = database.query_in(head, &[trainee.as_str().into()], &eye_values)?;
            let mut seen: HashSet<&str> = seen.iter().filter_map(|row| row[0].text()).collect();
            // Where each attempt stands among the new entries, or in the record.
            let (mut entries, mut places) = (Vec::new(), Vec::new());
            let mut new: HashMap<&str, usize> = HashMap::new();
            for ((submission, hash), eye) in submissions.iter().zip(&hashes).zip(&eyes) {
                if let Some(seq) = known.get(hash.as_str()) {
                    places.push(Err(Some(*seq)));
                } else if let Some(at) = new.get(hash.as_str()) {
                    places.push(Ok((*at, false)));
                } else {
                    new.insert(hash, entries.len());
                    places.push(Ok((entries.len(), true)));
                    entries.push(Entry::Attempt(Box::new(Submitted {
                        trainee: trainee.clone(),
                        purpose,
                        done_at_ms: submission.done_at_ms,
                        is_first: seen.insert(eye),
                        facts: submission.facts.clone(),
                        predictions: submission.predictions.clone(),
                        file: submission.file.clone(),
                    })));
                }
            }
            Ok((entries, places))
        })?;
        let outcome = |place: Result<(usize, bool), Option<u64>>| match place {
            Ok((at, true)) => Outcome::Taken(seqs[at]),
            Ok((at, false)) => Outcome::Known(Some(seqs[at])),
            Err(seq) => Outcome::Known(seq),
        };
        Ok(places.into_iter().map(outcome).collect())
    }

    /// The bytes of an attempt's file; `None` where there is none.
    ///
    /// # Errors
    /// Whatever the database refuses.
    pub fn file(&mut self, seq: u64) -> Result<Option<Vec<u8>>, LogbookError> {
        let rows = self.database.query("SELECT content FROM body WHERE seq = $1", &[seq_value(seq)])?;
        let entry = rows.first().and_then(|row| Entry::of_content(row[0].bytes()?).ok());
        Ok(entry.and_then(|entry| if let Entry::Attempt(submitted) = entry { Some(submitted.file) } else { None }))
    }
}
