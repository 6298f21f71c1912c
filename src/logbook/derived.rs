//! The tables that questions are asked of: what follows from an entry, as rows. Made in the transaction that adds the entry, compared
//! by `verify`, and made anew from the bodies by `rebuild`.

use super::chain::hex;
use super::database::{Database, DatabaseError, Row, Value};
use super::entry::{Entry, Purpose, Submitted};
use crate::attempt::Device;
use crate::debrief::json;

/// A table that follows from the bodies.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Table {
    /// Its name.
    pub name: &'static str,
    /// Its columns; the first is the entry's number, and rows are in the order of the first two.
    pub columns: &'static [&'static str],
}

/// Attempts.
pub const ATTEMPT: Table = Table {
    name: "attempt",
    columns: &[
        "seq",
        "trainee",
        "station",
        "added_at",
        "file_hash",
        "eye",
        "scenario",
        "case_hash",
        "seed",
        "kind_of_eye",
        "moved_by",
        "device",
        "engine",
        "done_at",
        "assessed",
        "exam",
        "first_unseen",
        "pass",
        "score",
        "duration_s",
        "prediction_error",
    ],
};

/// Their components, and those of attempts judged under other goals.
pub const COMPONENT: Table = Table { name: "component", columns: &["seq", "place", "trainee", "id", "value", "score"] };

/// Their critical events.
pub const CRITICAL: Table = Table { name: "critical", columns: &["seq", "place", "trainee", "event", "t_s"] };

/// Their predictions.
pub const PREDICTION: Table = Table {
    name: "prediction",
    columns: &["seq", "place", "trainee", "t_s", "expected", "came", "is_right", "depth_off_mm", "error"],
};

/// What is about another entry: comments, sign-offs, other goals.
pub const ABOUT: Table =
    Table { name: "about", columns: &["seq", "of_seq", "trainee", "kind", "by_whom", "case_hash", "pass", "score"] };

/// Keys of stations.
pub const STATION: Table = Table { name: "station", columns: &["seq", "name", "public_key"] };

/// All of them.
pub const TABLES: [Table; 6] = [ATTEMPT, COMPONENT, CRITICAL, PREDICTION, ABOUT, STATION];

/// Rows by table, in the order of [`TABLES`].
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Rows(pub [Vec<Row>; TABLES.len()]);

const AT_ATTEMPT: usize = 0;
const AT_COMPONENT: usize = 1;
const AT_CRITICAL: usize = 2;
const AT_PREDICTION: usize = 3;
const AT_ABOUT: usize = 4;
const AT_STATION: usize = 5;

/// A number of an entry as the databases keep it.
pub fn seq_value(seq: u64) -> Value {
    Value::Whole(i64::try_from(seq).unwrap_or(i64::MAX))
}

impl Rows {
    /// Add what follows from an entry.
    pub fn add(&mut self, seq: u64, station: &str, added_at_ms: i64, entry: &Entry) {
        let at = seq_value(seq);
        let about = |of: u64, by: &str| -> Row {
            vec![
                at.clone(),
                seq_value(of),
                entry.trainee().map(|trainee| trainee.as_str()).into(),
                entry.kind().into(),
                by.into(),
            ]
        };
        let nothing_judged = || [Value::Null, Value::Null, Value::Null];
        match entry {
            Entry::Attempt(submitted) => self.add_attempt(&at, station, added_at_ms, submitted),
            Entry::Comment(comment) => {
                let mut row = about(comment.of, comment.by.as_str());
                row.extend(nothing_judged());
                self.0[AT_ABOUT].push(row);
            }
            Entry::SignOff(sign_off) => {
                let mut row = about(sign_off.of, sign_off.by.as_str());
                row.extend(nothing_judged());
                self.0[AT_ABOUT].push(row);
            }
            Entry::Rescored(rescored) => {
                let case_hash = blake3::hash(rescored.case_text.as_bytes()).to_hex().to_string();
                let scores = &rescored.scores;
                let mut row = about(rescored.of, rescored.by.as_str());
                row.extend([case_hash.into(), scores.pass.into(), scores.score.into()]);
                self.0[AT_ABOUT].push(row);
                self.add_components(&at, rescored.trainee.as_str(), &scores.components);
            }
            Entry::Erased(_) => (),
            Entry::Station(station) => {
                let row = vec![at, station.name.as_str().into(), hex(&station.public_key).into()];
                self.0[AT_STATION].push(row);
            }
        }
    }

    fn add_components(&mut self, at: &Value, trainee: &str, components: &[crate::attempt::ComponentScore]) {
        let rows = components.iter().zip(0_i64..).map(|(component, place)| {
            vec![
                at.clone(),
                place.into(),
                trainee.into(),
                component.id.as_str().into(),
                component.value.into(),
                component.score.into(),
            ]
        });
        self.0[AT_COMPONENT].extend(rows);
    }

    fn add_attempt(&mut self, at: &Value, station: &str, added_at_ms: i64, submitted: &Submitted) {
        let Submitted { trainee, purpose, done_at_ms, is_first, facts, predictions, .. } = submitted;
        let trainee = trainee.as_str();
        let (moved_by, device) = moved_by(&facts.device);
        let errors: Vec<f64> = predictions.iter().flatten().filter_map(|predicted| predicted.error).collect();
        let mean_error = (!errors.is_empty()).then(|| errors.iter().sum::<f64>() / errors.len() as f64);
        self.0[AT_ATTEMPT].push(vec![
            at.clone(),
            trainee.into(),
            station.into(),
            added_at_ms.into(),
            hex(&facts.file_hash).into(),
            hex(&facts.eye()).into(),
            facts.scenario.as_str().into(),
            hex(&facts.case_hash).into(),
            facts.seed.to_string().into(),
            facts.kind.map(kind_word).into(),
            moved_by.into(),
            device.into(),
            facts.engine.as_str().into(),
            (*done_at_ms).into(),
            (*purpose == Purpose::Assessment).into(),
            facts.is_exam.into(),
            (*is_first).into(),
            facts.scores.pass.into(),
            facts.scores.score.into(),
            facts.duration_s.into(),
            mean_error.into(),
        ]);
        self.add_components(at, trainee, &facts.scores.components);
        let critical = facts.critical.iter().zip(0_i64..).map(|(critical, place)| {
            vec![at.clone(), place.into(), trainee.into(), critical.event.as_str().into(), critical.t_s.into()]
        });
        self.0[AT_CRITICAL].extend(critical);
        let predicted = predictions.iter().flatten().zip(0_i64..).map(|(predicted, place)| {
            vec![
                at.clone(),
                place.into(),
                trainee.into(),
                predicted.t_s.into(),
                json::expected(predicted.expected).into(),
                predicted.came.map(json::came).into(),
                predicted.is_right.into(),
                predicted.depth_off_mm.into(),
                predicted.error.into(),
            ]
        });
        self.0[AT_PREDICTION].extend(predicted);
    }

    /// Put them into their tables.
    ///
    /// # Errors
    /// Whatever the database refuses.
    pub fn insert(&self, database: &mut Database) -> Result<(), DatabaseError> {
        TABLES.iter().zip(&self.0).try_for_each(|(table, rows)| database.insert(table.name, table.columns, rows))
    }

    /// As they stand in the database, for entries after one and up to another.
    ///
    /// # Errors
    /// Whatever the database refuses.
    pub fn read(database: &mut Database, after: u64, up_to: u64) -> Result<Self, DatabaseError> {
        let mut rows = Self::default();
        for (table, rows) in TABLES.iter().zip(&mut rows.0) {
            let Table { name, columns } = table;
            let sql = format!(
                "SELECT {} FROM {name} WHERE seq > $1 AND seq <= $2 ORDER BY {}, {}",
                columns.join(", "),
                columns[0],
                columns[1]
            );
            *rows = database.query(&sql, &[seq_value(after), seq_value(up_to)])?;
        }
        Ok(rows)
    }

    /// Take away those of these entries.
    ///
    /// # Errors
    /// Whatever the database refuses.
    pub fn delete(database: &mut Database, seqs: &[Value]) -> Result<(), DatabaseError> {
        TABLES.iter().try_for_each(|table| database.execute_in(&format!("DELETE FROM {} WHERE seq", table.name), seqs))
    }
}

/// What moved the hands, as a word to sort by, and which.
pub fn moved_by(device: &Device) -> (&'static str, &str) {
    match device {
        Device::Plan(title) => ("plan", title),
        Device::Person(with) => ("hand", with),
        Device::Trainee(name) => ("simulated", name),
    }
}

/// A kind of eye, in a word: as it is written everywhere else.
pub fn kind_word(kind: crate::case::Kind) -> String {
    serde_json::to_value(kind).ok().and_then(|value| value.as_str().map(str::to_owned)).unwrap_or_default()
}
