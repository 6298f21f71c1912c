//! What is in a store, entry by entry, for people and for programs that read on.

use super::database::{Database, DatabaseError, Row, Value};
use super::derived::seq_value;
use super::entry::Entry;
use super::store::{Logbook, LogbookError};
use super::{chain, moment};
use serde::Serialize;
use std::collections::HashMap;

/// Which entries.
#[derive(Clone, Debug, Default)]
pub struct Wanted {
    /// Only of this kind.
    pub kind: Option<String>,
    /// Only of this trainee.
    pub trainee: Option<String>,
    /// Only the last so many.
    pub last: Option<u64>,
}

/// An entry. What does not apply to its kind is `None`.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Listed {
    /// Its number.
    pub seq: u64,
    /// Its kind.
    pub kind: String,
    /// When it was added.
    pub added_at: String,
    /// Where.
    pub station: String,
    /// Its hash, in hexadecimal.
    pub hash: String,
    /// Is it signed?
    pub signed: bool,
    /// Was its body deleted, or is it not to be seen by whoever asks?
    pub has_body: bool,
    /// Whose.
    pub trainee: Option<String>,
    /// The entry it is about.
    pub of: Option<u64>,
    /// By whom, where it is about another entry or a deletion.
    pub by: Option<String>,
    /// A comment's words; why bodies were deleted.
    pub text: Option<String>,
    /// Entries whose bodies were deleted.
    pub erased: Option<Vec<u64>>,
    /// What an attempt was handed in for.
    pub purpose: Option<&'static str>,
    /// Name of its case.
    pub scenario: Option<String>,
    /// Hash of its case, or of the case under whose goals it was judged again.
    pub case_hash: Option<String>,
    /// Its seed; as text, for it may be larger than some programs' numbers.
    pub seed: Option<String>,
    /// The kind of eye.
    pub kind_of_eye: Option<String>,
    /// What moved the hands: `hand`, `plan` or `simulated`.
    pub moved_by: Option<String>,
    /// Which.
    pub device: Option<String>,
    /// The engine that ran it.
    pub engine: Option<String>,
    /// When it was done, as its file's time said.
    pub done_at: Option<String>,
    /// Was it an exam?
    pub exam: Option<bool>,
    /// Its trainee's first in this store on this eye?
    pub first_unseen: Option<bool>,
    /// Passed?
    pub pass: Option<bool>,
    /// 0..100.
    pub score: Option<f64>,
    /// How long, s of the eye's time.
    pub duration_s: Option<f64>,
    /// Mean prediction error, 0..1.
    pub prediction_error: Option<f64>,
    /// Critical events.
    pub critical: Option<Vec<String>>,
}

const SELECT: &str = "SELECT chain.seq, chain.kind, chain.added_at, chain.station, chain.hash, chain.signature, \
     body.seq, body.trainee, about.of_seq, about.by_whom, about.case_hash, about.pass, about.score, \
     attempt.assessed, attempt.scenario, attempt.case_hash, attempt.seed, attempt.kind_of_eye, attempt.moved_by, \
     attempt.device, attempt.engine, attempt.done_at, attempt.exam, attempt.first_unseen, attempt.pass, attempt.score, \
     attempt.duration_s, attempt.prediction_error \
     FROM chain LEFT JOIN body ON body.seq = chain.seq LEFT JOIN about ON about.seq = chain.seq \
     LEFT JOIN attempt ON attempt.seq = chain.seq";

impl Logbook {
    /// The entries that are wanted, in their order.
    ///
    /// # Errors
    /// Whatever the database refuses.
    pub fn list(&mut self, wanted: &Wanted) -> Result<Vec<Listed>, LogbookError> {
        Ok(self.database.snapshot(|database| listed(database, wanted))?)
    }
}

fn listed(database: &mut Database, wanted: &Wanted) -> Result<Vec<Listed>, DatabaseError> {
    let mut sql = SELECT.to_owned();
    let mut values: Vec<Value> = Vec::new();
    for (column, wanted) in [("chain.kind", &wanted.kind), ("body.trainee", &wanted.trainee)] {
        if let Some(value) = wanted {
            values.push(value.as_str().into());
            let word = if values.len() == 1 { "WHERE" } else { "AND" };
            sql += &format!(" {word} {column} = ${}", values.len());
        }
    }
    sql += " ORDER BY chain.seq DESC";
    if let Some(last) = wanted.last {
        values.push(seq_value(last));
        sql += &format!(" LIMIT ${}", values.len());
    }
    let mut rows = database.query(&sql, &values)?;
    rows.reverse();
    let mut listed: Vec<Listed> = rows.iter().map(of_row).collect();
    let seqs_of = |kinds: &[&str], listed: &[Listed]| -> Vec<Value> {
        listed.iter().filter(|l| kinds.contains(&l.kind.as_str()) && l.has_body).map(|l| seq_value(l.seq)).collect()
    };
    let mut critical: HashMap<i64, Vec<(i64, String)>> = HashMap::new();
    let attempts = seqs_of(&["attempt"], &listed);
    for row in database.query_in("SELECT seq, place, event FROM critical WHERE seq", &[], &attempts)? {
        if let (Some(seq), Some(place), Some(event)) = (row[0].whole(), row[1].whole(), row[2].text()) {
            critical.entry(seq).or_default().push((place, event.to_owned()));
        }
    }
    let mut bodies = HashMap::new();
    let with_words = seqs_of(&["comment", "erased", "station"], &listed);
    for row in database.query_in("SELECT seq, content FROM body WHERE seq", &[], &with_words)? {
        if let (Some(seq), Some(content)) = (row[0].whole(), row[1].bytes()) {
            bodies.insert(seq, Entry::of_content(content));
        }
    }
    for entry in &mut listed {
        let at = i64::try_from(entry.seq).unwrap_or(i64::MAX);
        if entry.kind == "attempt" && entry.has_body {
            let mut events = critical.remove(&at).unwrap_or_default();
            events.sort();
            events.dedup();
            entry.critical = Some(events.into_iter().map(|(_, event)| event).collect());
        }
        match bodies.remove(&at) {
            Some(Ok(Entry::Comment(comment))) => entry.text = Some(comment.text),
            Some(Ok(Entry::Station(station))) => entry.text = Some(super::key::fingerprint(&station.public_key)),
            Some(Ok(Entry::Erased(erased))) => {
                entry.by = Some(erased.by.to_string());
                entry.text = Some(erased.because.in_words().to_owned());
                entry.erased = Some(erased.seqs);
            }
            _ => (),
        }
    }
    Ok(listed)
}

fn of_row(row: &Row) -> Listed {
    let text = |at: usize| row[at].text().map(str::to_owned);
    let yes = |at: usize| row[at].whole().map(|value| value == 1);
    let whole = |at: usize| row[at].whole().and_then(|value| u64::try_from(value).ok());
    Listed {
        seq: whole(0).unwrap_or_default(),
        kind: text(1).unwrap_or_default(),
        added_at: row[2].whole().map(moment::in_words).unwrap_or_default(),
        station: text(3).unwrap_or_default(),
        hash: text(4).unwrap_or_else(|| chain::hex(&chain::BEGINNING)),
        signed: row[5] != Value::Null,
        has_body: row[6] != Value::Null,
        trainee: text(7),
        of: whole(8),
        by: text(9),
        text: None,
        erased: None,
        purpose: yes(13).map(|assessed| if assessed { "assessment" } else { "practice" }),
        scenario: text(14),
        case_hash: text(10).or_else(|| text(15)),
        seed: text(16),
        kind_of_eye: text(17),
        moved_by: text(18),
        device: text(19),
        engine: text(20),
        done_at: row[21].whole().map(moment::in_words),
        exam: yes(22),
        first_unseen: yes(23),
        pass: yes(11).or_else(|| yes(24)),
        score: row[12].real().or_else(|| row[25].real()),
        duration_s: row[26].real(),
        prediction_error: row[27].real(),
        critical: None,
    }
}
