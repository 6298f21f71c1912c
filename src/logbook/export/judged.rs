//! A judgement of an attempt: what was handed in with its scores, or the same attempt with its scores under other goals. An
//! attempt that was judged again is therefore told more than once.

use crate::logbook::database::{Database, DatabaseError, Row, Value};
use crate::logbook::derived::seq_value;
use crate::logbook::invented;
use std::collections::HashMap;

/// The score of a component.
#[derive(Clone, Debug, PartialEq)]
pub struct Component {
    /// Which.
    pub id: String,
    /// What was measured; `None` where it was not reached.
    pub value: Option<f64>,
    /// 0..1; `None` where it does not apply.
    pub score: Option<f64>,
}

/// A judgement.
#[derive(Clone, Debug, PartialEq)]
pub struct Judged {
    /// The attempt's entry.
    pub attempt: u64,
    /// The hash of that entry, in hexadecimal.
    pub hash: String,
    /// The entry that holds this judgement.
    pub judged_in: u64,
    /// By whom.
    pub trainee: String,
    /// Where it was handed in.
    pub station: String,
    /// When it was done, ms since 1970-01-01.
    pub done_at_ms: i64,
    /// When it was handed in.
    pub added_at_ms: i64,
    /// The eye: which case with which seed.
    pub eye: String,
    /// Name of the case.
    pub scenario: String,
    /// BLAKE3 of the case under whose goals this was judged.
    pub case_hash: String,
    /// Seed.
    pub seed: String,
    /// What kind of eye.
    pub kind_of_eye: Option<String>,
    /// What moved the hands.
    pub moved_by: String,
    /// Which.
    pub device: String,
    /// The engine that ran it.
    pub engine: String,
    /// Handed in to be assessed?
    pub is_assessed: bool,
    /// An exam?
    pub is_exam: bool,
    /// The trainee's first on this eye?
    pub is_first: bool,
    /// Passed?
    pub pass: bool,
    /// 0..100.
    pub score: Option<f64>,
    /// s of the eye's time.
    pub duration_s: Option<f64>,
    /// Mean of its predictions, 0..1.
    pub prediction_error: Option<f64>,
    /// Critical events, in their order.
    pub critical: Vec<String>,
    /// How many comments there are on the attempt.
    pub comments: u32,
    /// How many sign-offs.
    pub sign_offs: u32,
    /// Its components, in their order.
    pub components: Vec<Component>,
}

const COLUMNS: &str = "attempt.seq, chain.hash, attempt.trainee, attempt.station, attempt.done_at, attempt.added_at, \
     attempt.eye, attempt.scenario, attempt.case_hash, attempt.seed, attempt.kind_of_eye, attempt.moved_by, \
     attempt.device, attempt.engine, attempt.assessed, attempt.exam, attempt.first_unseen, attempt.pass, attempt.score, \
     attempt.duration_s, attempt.prediction_error";
const COUNT: usize = 21;

impl Judged {
    /// Is it the judgement with which the attempt was handed in?
    pub fn is_as_handed_in(&self) -> bool {
        self.judged_in == self.attempt
    }

    /// Is it of somebody who was made up?
    pub fn is_invented(&self) -> bool {
        invented::is_invented(&self.trainee)
    }

    fn of_row(row: &Row) -> Option<Self> {
        let whole = |at: usize| row[at].whole();
        let text = |at: usize| row[at].text().map(str::to_owned);
        let yes = |at: usize| Some(row[at].whole()? == 1);
        let attempt = u64::try_from(whole(0)?).ok()?;
        let mut judged = Self {
            attempt,
            hash: text(1)?,
            judged_in: attempt,
            trainee: text(2)?,
            station: text(3)?,
            done_at_ms: whole(4)?,
            added_at_ms: whole(5)?,
            eye: text(6)?,
            scenario: text(7)?,
            case_hash: text(8)?,
            seed: text(9)?,
            kind_of_eye: text(10),
            moved_by: text(11)?,
            device: text(12)?,
            engine: text(13)?,
            is_assessed: yes(14)?,
            is_exam: yes(15)?,
            is_first: yes(16)?,
            pass: yes(17)?,
            score: row[18].real(),
            duration_s: row[19].real(),
            prediction_error: row[20].real(),
            critical: Vec::new(),
            comments: 0,
            sign_offs: 0,
            components: Vec::new(),
        };
        if let Some([seq, case_hash, pass, score]) = row.get(COUNT..) {
            judged.judged_in = u64::try_from(seq.whole()?).ok()?;
            judged.case_hash = case_hash.text()?.to_owned();
            judged.pass = pass.whole()? == 1;
            judged.score = score.real();
        }
        Some(judged)
    }
}

/// The judgements that entries after one and up to another hold, in their order.
///
/// # Errors
/// Whatever the database refuses, and a row that makes no sense.
pub(super) fn read(database: &mut Database, after: u64, up_to: u64) -> Result<Vec<Judged>, DatabaseError> {
    let within = [seq_value(after), seq_value(up_to)];
    let own = format!(
        "SELECT {COLUMNS} FROM attempt JOIN chain ON chain.seq = attempt.seq WHERE attempt.seq > $1 AND attempt.seq <= $2"
    );
    let again = format!(
        "SELECT {COLUMNS}, about.seq, about.case_hash, about.pass, about.score FROM about \
         JOIN attempt ON attempt.seq = about.of_seq JOIN chain ON chain.seq = attempt.seq \
         WHERE about.kind = 'rescored' AND about.seq > $1 AND about.seq <= $2"
    );
    let mut rows = database.query(&own, &within)?;
    rows.extend(database.query(&again, &within)?);
    let senseless = || DatabaseError::Damaged("a row of an attempt makes no sense".to_owned());
    let all = rows.iter().map(|row| Judged::of_row(row).ok_or_else(senseless));
    let mut all = all.collect::<Result<Vec<Judged>, DatabaseError>>()?;
    all.sort_by_key(|judged| judged.judged_in);

    let sql = "SELECT seq, id, value, score FROM component WHERE seq > $1 AND seq <= $2 ORDER BY seq, place";
    let mut components: HashMap<u64, Vec<Component>> = HashMap::new();
    for row in database.query(sql, &within)? {
        let (seq, id) = (seq_of(&row).ok_or_else(senseless)?, row[1].text().ok_or_else(senseless)?.to_owned());
        components.entry(seq).or_default().push(Component { id, value: row[2].real(), score: row[3].real() });
    }
    let attempts: Vec<Value> = all.iter().map(|judged| seq_value(judged.attempt)).collect();
    let mut critical: HashMap<u64, Vec<(i64, String)>> = HashMap::new();
    for row in database.query_in("SELECT seq, place, event FROM critical WHERE seq", &[], &attempts)? {
        if let (Some(seq), Some(place), Some(event)) = (seq_of(&row), row[1].whole(), row[2].text()) {
            critical.entry(seq).or_default().push((place, event.to_owned()));
        }
    }
    let mut about: HashMap<u64, (u32, u32)> = HashMap::new();
    let mut seen = std::collections::HashSet::new();
    for row in database.query_in("SELECT of_seq, seq, kind FROM about WHERE of_seq", &[], &attempts)? {
        // The list may hold an attempt twice, and then so does the answer where it comes in parts.
        let (Some(seq), true) = (seq_of(&row), seen.insert(row[1].whole())) else { continue };
        let (comments, sign_offs) = about.entry(seq).or_default();
        match row[2].text() {
            Some("comment") => *comments += 1,
            Some("sign-off") => *sign_offs += 1,
            _ => (),
        }
    }
    for judged in &mut all {
        judged.components = components.remove(&judged.judged_in).unwrap_or_default();
        if let Some(events) = critical.get_mut(&judged.attempt) {
            events.sort();
            events.dedup();
            judged.critical = events.iter().map(|(_, event)| event.clone()).collect();
        }
        (judged.comments, judged.sign_offs) = about.get(&judged.attempt).copied().unwrap_or_default();
    }
    Ok(all)
}

fn seq_of(row: &Row) -> Option<u64> {
    u64::try_from(row[0].whole()?).ok()
}
