//! The tables that questions are asked of, made anew from the bodies: after a fault in them, or by a program that derives more.

use super::derived::{Rows, TABLES, seq_value};
use super::entry::Entry;
use super::store::{Logbook, LogbookError};

/// Entries taken together.
const PAGE: u64 = 256;

impl Logbook {
    /// Make every table that follows from the bodies anew: all of it or nothing. How many entries have a body that can be read; what
    /// the others led to is gone from the tables, and `verify` tells of them.
    ///
    /// # Errors
    /// Whatever the database refuses; then nothing was done.
    pub fn rebuild(&mut self) -> Result<u64, LogbookError> {
        self.database.transaction(|database| {
            for table in TABLES {
                database.execute(&format!("DELETE FROM {}", table.name), &[])?;
            }
            let (mut after, mut count) = (0, 0);
            loop {
                let sql = "SELECT chain.seq, chain.station, chain.added_at, body.content FROM chain \
                           JOIN body ON body.seq = chain.seq WHERE chain.seq > $1 ORDER BY chain.seq LIMIT $2";
                let found = database.query(sql, &[seq_value(after), seq_value(PAGE)])?;
                let mut rows = Rows::default();
                for row in &found {
                    let seq = row[0].whole().and_then(|seq| u64::try_from(seq).ok()).unwrap_or(u64::MAX);
                    after = seq;
                    let entry = row[3].bytes().and_then(|content| Entry::of_content(content).ok());
                    if let (Some(station), Some(added_at_ms), Some(entry)) = (row[1].text(), row[2].whole(), entry) {
                        rows.add(seq, station, added_at_ms, &entry);
                        count += 1;
                    }
                }
                rows.insert(database)?;
                if (found.len() as u64) < PAGE {
                    return Ok(count);
                }
            }
        })
    }
}
