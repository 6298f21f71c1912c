//! Deleting what must go: a person's data, or what is older than it is to be kept. The chain stays whole and says what went.
//!
//! What is deleted are bodies, with their salts, and all that follows from them; what stays of an entry is its number, kind, station
//! and time, and a hash that says nothing without the salt. An entry of its own names the numbers, why, and by whom. A file is then
//! written anew and its journal emptied, so that nothing is left in free pages. What says which bodies were deleted, and stations'
//! keys, are nobody's data and stay.
//!
//! Limits: copies, exports and backups made before are out of reach, as are a server's write-ahead log and row versions until its
//! next vacuum.

use super::database::{Database, Value};
use super::derived::{Rows, seq_value};
use super::entry::{Because, Entry, Erased};
use super::pseudonym::Pseudonym;
use super::store::{Author, Logbook, LogbookError};

/// What was deleted.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Erasure {
    /// The entry that says so.
    pub seq: u64,
    /// The entries whose bodies went.
    pub seqs: Vec<u64>,
    /// Is nothing left of them in the store's own files? On a server, and where others held the file open, this takes more.
    pub is_scrubbed: bool,
}

impl Logbook {
    /// Delete all that is about a trainee.
    ///
    /// # Errors
    /// Nothing is, or whatever the database refuses; then nothing was deleted.
    pub fn erase(&mut self, author: &Author<'_>, by: &Pseudonym, trainee: &Pseudonym) -> Result<Erasure, LogbookError> {
        let found = "SELECT seq FROM body WHERE trainee = $1 ORDER BY seq";
        let nothing = format!("there is nothing about {trainee}");
        self.erase_found(author, by, Because::Person, (found, &[trainee.as_str().into()]), nothing)
    }

    /// Delete all that is about trainees and was added before a moment, ms.
    ///
    /// # Errors
    /// Nothing was, or whatever the database refuses; then nothing was deleted.
    pub fn erase_before(
        &mut self,
        author: &Author<'_>,
        by: &Pseudonym,
        before_ms: i64,
    ) -> Result<Erasure, LogbookError> {
        let found = "SELECT body.seq FROM body JOIN chain ON chain.seq = body.seq \
                     WHERE chain.added_at < $1 AND body.trainee IS NOT NULL ORDER BY body.seq";
        let nothing = format!("there is nothing from before {}", super::moment::in_words(before_ms));
        self.erase_found(author, by, Because::Age, (found, &[before_ms.into()]), nothing)
    }

    fn erase_found(
        &mut self,
        author: &Author<'_>,
        by: &Pseudonym,
        because: Because,
        (found, values): (&str, &[Value]),
        nothing: String,
    ) -> Result<Erasure, LogbookError> {
        let (entries, seqs) = self.append(author, |database| {
            let rows = database.query(found, values)?;
            let seqs: Vec<u64> =
                rows.iter().filter_map(|row| row[0].whole().and_then(|seq| u64::try_from(seq).ok())).collect();
            if seqs.is_empty() {
                return Err(LogbookError::NothingToErase(nothing.clone()));
            }
            let deleted: Vec<Value> = seqs.iter().map(|seq| seq_value(*seq)).collect();
            Rows::delete(database, &deleted)?;
            database.execute_in("DELETE FROM body WHERE seq", &deleted)?;
            Ok((vec![Entry::Erased(Erased { seqs: seqs.clone(), because, by: by.clone() })], seqs))
        })?;
        let is_scrubbed = self.scrub();
        Ok(Erasure { seq: entries.last().copied().unwrap_or_default(), seqs, is_scrubbed })
    }

    /// Leave nothing of what was deleted in the store's own files. Whether that was done.
    fn scrub(&mut self) -> bool {
        match &mut self.database {
            Database::File(_) => {
                let emptied = self.database.plain("VACUUM").and_then(|()| {
                    let rows = self.database.query("PRAGMA wal_checkpoint(TRUNCATE)", &[])?;
                    // The first column says whether somebody was in the way.
                    Ok(rows.first().is_some_and(|row| row[0].whole() == Some(0)))
                });
                emptied.unwrap_or(false)
            }
            Database::Server { .. } => false,
        }
    }
}
