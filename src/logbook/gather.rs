//! A station's own store brought into another: its attempts, with whose they are and what they were handed in for, and what supervisors
//! said of them. It can be broken off and done again: attempts are known by their files, words and sign-offs by what they say.
//!
//! What an attempt's file says is read anew, and nothing is taken from a store whose chain is not whole. Entries get numbers, times and
//! signatures of the store that they come into; the station's own stay in its store. Limits: bodies that were deleted there do not come,
//! and are not deleted here.

use super::chain::Hash;
use super::database::Value;
use super::derived::seq_value;
use super::entry::{Comment, Entry, Purpose, Rescored, SignOff};
use super::proof::Sample;
use super::pseudonym::Pseudonym;
use super::store::{Author, Logbook, LogbookError};
use super::submission::{Kinds, NotTaken, Outcome, Submission};
use std::collections::HashMap;
use std::fs::File;
use std::io::Read as _;
use std::path::Path;

/// How a store is brought in.
#[derive(Clone, Copy)]
pub struct Gathering<'a> {
    /// Who adds; `None`: the stations that the entries were added at there.
    pub author: Option<Author<'a>>,
    /// How many attempts are added at once.
    pub at_once: usize,
    /// Find out anew how far predictions were off?
    pub is_judged: bool,
}

/// What became of an entry of the other store.
#[derive(Debug)]
pub enum Came {
    /// It is in this one, newly or from before.
    Here(Outcome),
    /// It is not, as there is nothing left of it, or of what it is about.
    Gone,
    /// Its attempt is not taken.
    Refused(NotTaken),
}

/// Attempts of one trainee, for one purpose, from one station, with their numbers there.
struct Batch {
    station: String,
    trainee: Pseudonym,
    purpose: Purpose,
    submissions: Vec<(u64, Submission)>,
}

/// Entries of the other store and the numbers they have here.
type Numbers = HashMap<u64, u64>;

/// How a file that holds a store begins; which kind of store, opening it tells.
const BEGINS: &[u8; 16] = b"SQLite format 3\0";

/// Does a store lie in this file?
pub fn is_store(path: &Path) -> bool {
    let mut begins = [0; BEGINS.len()];
    File::open(path).and_then(|mut file| file.read_exact(&mut begins)).is_ok() && begins == *BEGINS
}

impl Logbook {
    /// Bring in what another store holds, in its order; `told` is called for each entry that is an attempt or about one.
    ///
    /// # Errors
    /// A store that is not whole, or whatever keeps entries from being read or added; what was told to be here is.
    pub fn gather(
        &mut self,
        from: &mut Self,
        how: &Gathering<'_>,
        mut told: impl FnMut(u64, Came),
    ) -> Result<(), LogbookError> {
        let found = from.verify(Sample::Some { count: 0, seed: 0 }, None, |_| ())?;
        if let Some(fault) = found.faults.first() {
            let what = fault.seq.map_or_else(|| fault.what.clone(), |seq| format!("entry {seq} {}", fault.what));
            return Err(LogbookError::NotWhole(what));
        }
        let kinds = Kinds::default();
        let mut numbers = Numbers::new();
        let mut batch: Option<Batch> = None;
        for row in from.database.query("SELECT seq, kind, station FROM chain ORDER BY seq", &[])? {
            let seq = row[0].whole().and_then(|seq| u64::try_from(seq).ok()).unwrap_or_default();
            let (kind, station) = (row[1].text().unwrap_or_default(), row[2].text().unwrap_or_default());
            if ["erased", "station"].contains(&kind) {
                continue;
            }
            let entry = match from.entry(seq) {
                Ok((_, entry)) => entry,
                Err(LogbookError::NoBody(_)) => {
                    told(seq, Came::Gone);
                    continue;
                }
                Err(error) => return Err(error),
            };
            let Entry::Attempt(submitted) = entry else {
                self.flush(&mut batch, how, &mut numbers, &mut told)?;
                let came = self.gather_about(entry, station, how, &numbers)?;
                if let Came::Here(Outcome::Taken(here) | Outcome::Known(Some(here))) = came {
                    numbers.insert(seq, here);
                }
                told(seq, came);
                continue;
            };
            let submission = match Submission::of_bytes(submitted.file, submitted.done_at_ms, &kinds, how.is_judged) {
                Ok(submission) => submission,
                Err(why) => {
                    told(seq, Came::Refused(why));
                    continue;
                }
            };
            let (trainee, purpose) = (submitted.trainee, submitted.purpose);
            let is_alike = |batch: &Batch| {
                batch.station == station
                    && batch.trainee == trainee
                    && batch.purpose == purpose
                    && batch.submissions.len() < how.at_once
            };
            if !batch.as_ref().is_some_and(is_alike) {
                self.flush(&mut batch, how, &mut numbers, &mut told)?;
            }
            let new = || Batch { station: station.to_owned(), trainee, purpose, submissions: Vec::new() };
            batch.get_or_insert_with(new).submissions.push((seq, submission));
        }
        self.flush(&mut batch, how, &mut numbers, &mut told)
    }

    /// Add the attempts that were put together.
    fn flush(
        &mut self,
        batch: &mut Option<Batch>,
        how: &Gathering<'_>,
        numbers: &mut Numbers,
        told: &mut impl FnMut(u64, Came),
    ) -> Result<(), LogbookError> {
        let Some(Batch { station, trainee, purpose, submissions }) = batch.take() else { return Ok(()) };
        let author = how.author.unwrap_or(Author { station: &station, key: None });
        let (seqs, submissions): (Vec<u64>, Vec<Submission>) = submissions.into_iter().unzip();
        let outcomes = self.submit(&author, &trainee, purpose, &submissions)?;
        for (seq, outcome) in seqs.into_iter().zip(outcomes) {
            if let Outcome::Taken(here) | Outcome::Known(Some(here)) = outcome {
                numbers.insert(seq, here);
            }
            told(seq, Came::Here(outcome));
        }
        Ok(())
    }

    /// Bring in what is about another entry.
    fn gather_about(
        &mut self,
        entry: Entry,
        station: &str,
        how: &Gathering<'_>,
        numbers: &Numbers,
    ) -> Result<Came, LogbookError> {
        let author = how.author.unwrap_or(Author { station, key: None });
        let (of, by) = match &entry {
            Entry::Comment(comment) => (comment.of, &comment.by),
            Entry::SignOff(sign_off) => (sign_off.of, &sign_off.by),
            Entry::Rescored(rescored) => (rescored.of, &rescored.by),
            Entry::Attempt(_) | Entry::Erased(_) | Entry::Station(_) => return Ok(Came::Gone),
        };
        let Some(here) = numbers.get(&of).copied() else { return Ok(Came::Gone) };
        if let Some(known) = self.known_about(&entry, here, by)? {
            return Ok(Came::Here(Outcome::Known(Some(known))));
        }
        let make = |hash: Hash, trainee: Option<Pseudonym>| match &entry {
            Entry::Comment(comment) => Entry::Comment(Comment { of: here, trainee, ..comment.clone() }),
            Entry::SignOff(sign_off) => Entry::SignOff(SignOff { of: here, hash, trainee, ..sign_off.clone() }),
            Entry::Rescored(rescored) => Entry::Rescored(Box::new(Rescored { of: here, ..(**rescored).clone() })),
            other => other.clone(),
        };
        Ok(Came::Here(Outcome::Taken(self.append_about(&author, here, make)?)))
    }

    /// The entry about an entry here by which the same was said.
    fn known_about(&mut self, entry: &Entry, here: u64, by: &Pseudonym) -> Result<Option<u64>, LogbookError> {
        let sql = "SELECT seq FROM about WHERE of_seq = $1 AND kind = $2 AND by_whom = $3 ORDER BY seq";
        let values: [Value; 3] = [seq_value(here), entry.kind().into(), by.as_str().into()];
        for row in self.database.query(sql, &values)? {
            let Some(seq) = row[0].whole().and_then(|seq| u64::try_from(seq).ok()) else { continue };
            let is_same = match (entry, self.entry(seq)) {
                (Entry::Comment(new), Ok((_, Entry::Comment(known)))) => new.text == known.text,
                (Entry::SignOff(_), Ok((_, Entry::SignOff(_)))) => true,
                (Entry::Rescored(new), Ok((_, Entry::Rescored(known)))) => {
                    new.case_text == known.case_text && new.scores == known.scores
                }
                (_, Err(LogbookError::NoBody(_)) | Ok(_)) => false,
                (_, Err(error)) => return Err(error),
            };
            if is_same {
                return Ok(Some(seq));
            }
        }
        Ok(None)
    }
}
