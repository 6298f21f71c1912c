//! What analysis asks the record for: attempts with what came of them. The only file of this room that puts questions.
//!
//! Columns alone are read, no bodies. In order of when attempts were done, as their files' times say; of those done at the same time,
//! in the record's order. Of an attempt that was judged again under other goals, the scores it came with count.

use super::measure::{COMPONENTS, Component, Measure, Outcome};
use crate::debrief::BREACH;
use crate::logbook::database::{Database, DatabaseError, Row, Value};
use crate::logbook::{Logbook, LogbookError};

/// Which attempts by what they were handed in for.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Purposes {
    /// Those to be assessed.
    #[default]
    Assessment,
    /// Practice.
    Practice,
    /// Both together.
    Both,
}

/// Which attempts.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Wanted {
    /// Of this trainee alone.
    pub trainee: Option<String>,
    /// Handed in for this.
    pub purposes: Purposes,
    /// Later attempts on an eye too, and not the first alone?
    pub all: bool,
    /// With this alone.
    pub device: Option<String>,
}

/// An attempt.
#[derive(Clone, Debug, PartialEq)]
pub struct Done {
    /// Number of its entry.
    pub seq: i64,
    /// Whose.
    pub trainee: String,
    /// Where it was handed in.
    pub station: String,
    /// Name of its case.
    pub scenario: String,
    /// Hash of its case, in hexadecimal.
    pub case_hash: String,
    /// With what: a person's device by its name; all simulated trainees are one, all plans another.
    pub device: String,
    /// Was it a simulated trainee's?
    pub is_simulated: bool,
    /// When, ms.
    pub at_ms: i64,
    /// Passed?
    pub passed: bool,
    /// 0 to 100.
    pub score: Option<f64>,
    /// Mean prediction error, 0 to 1.
    pub prediction_error: Option<f64>,
    /// Was the simulated capsule breached?
    pub is_breached: bool,
    /// Scores of components by their place in [`COMPONENTS`], where they applied and were asked for.
    pub components: [Option<f64>; COMPONENTS.len()],
}

impl Done {
    /// What came of it; `None` where that does not apply.
    pub fn outcome(&self, measure: Measure) -> Option<Outcome> {
        match measure {
            Measure::Pass => Some(Outcome::Good(self.passed)),
            Measure::Score => self.score.map(Outcome::Value),
            Measure::Breach => Some(Outcome::Good(!self.is_breached)),
            Measure::PredictionError => self.prediction_error.map(Outcome::Value),
            Measure::Component(component) => {
                let score = self.components[place(component)]?;
                Some(Outcome::Good(component.is_met(score)))
            }
        }
    }
}

fn place(component: &Component) -> usize {
    COMPONENTS.iter().position(|known| known.id == component.id).unwrap_or_default()
}

/// What all simulated trainees together are called as a device, and all plans.
pub const SIMULATED: &str = "simulated trainee";
/// The same of plans.
pub const PLAN: &str = "plan";

/// Which components are read.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Depth {
    /// None.
    Attempts,
    /// One.
    Component(&'static Component),
    /// All.
    Everything,
}

impl Depth {
    /// What a measure needs.
    pub fn of(measure: Measure) -> Self {
        if let Measure::Component(component) = measure { Self::Component(component) } else { Self::Attempts }
    }
}

/// Attempts that were found, and what was left out.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Found {
    /// Those wanted, in their order.
    pub attempts: Vec<Done>,
    /// Attempts of the same people that were left out, since they are not the first on their eye.
    pub later: usize,
    /// The same, since they were handed in for something else.
    pub other_purpose: usize,
    /// The same, since they were done with something else.
    pub other_device: usize,
}

impl Logbook {
    /// The attempts that are wanted. Of all people together without every component, station and case stay empty.
    ///
    /// # Errors
    /// Whatever the database refuses.
    pub fn done(&mut self, wanted: &Wanted, depth: Depth) -> Result<Found, LogbookError> {
        Ok(self.database.snapshot(|database| read(database, wanted, depth))?)
    }

    /// Numbers of attempts that were signed off.
    ///
    /// # Errors
    /// Whatever the database refuses.
    pub fn signed_off(&mut self) -> Result<std::collections::HashSet<i64>, LogbookError> {
        let rows = self.database.query("SELECT of_seq FROM about WHERE kind = 'sign-off'", &[])?;
        Ok(rows.iter().filter_map(|row| row[0].whole()).collect())
    }
}

/// Where and at which case an attempt was done.
const PLACE: &str = "station, scenario, case_hash";
const NO_PLACE: &str = "'', '', ''";

fn read(database: &mut Database, wanted: &Wanted, depth: Depth) -> Result<Found, DatabaseError> {
    let (filter, values): (&str, Vec<Value>) = match &wanted.trainee {
        Some(trainee) => (" WHERE trainee = $1", vec![trainee.as_str().into()]),
        None => ("", Vec::new()),
    };
    // All people's curve needs neither, and of a large record they are half of what is read.
    let place = if wanted.trainee.is_none() && depth != Depth::Everything { NO_PLACE } else { PLACE };
    let sql = format!(
        "SELECT seq, trainee, {place}, moved_by, device, done_at, assessed, first_unseen, pass, score, prediction_error \
         FROM attempt{filter} ORDER BY seq"
    );
    let rows = database.query(&sql, &values)?;
    let mut found = Found::default();
    for row in rows {
        let is_assessed = row[8].is_yes();
        let is_purpose = match wanted.purposes {
            Purposes::Assessment => is_assessed,
            Purposes::Practice => !is_assessed,
            Purposes::Both => true,
        };
        let is_first = row[9].is_yes();
        let done = of_row(row);
        if !is_purpose {
            found.other_purpose += 1;
        } else if !is_first && !wanted.all {
            found.later += 1;
        } else if wanted.device.as_ref().is_some_and(|device| *device != done.device) {
            found.other_device += 1;
        } else {
            found.attempts.push(done);
        }
    }
    add_breaches(database, &mut found.attempts, filter, &values)?;
    add_components(database, &mut found.attempts, depth, &values)?;
    found.attempts.sort_by_key(|done| (done.at_ms, done.seq));
    Ok(found)
}

fn of_row(row: Row) -> Done {
    let mut row = row.into_iter();
    let mut next = || row.next().unwrap_or(Value::Null);
    let text = |value| if let Value::Text(text) = value { text } else { String::new() };
    let seq = next().whole().unwrap_or_default();
    let [trainee, station, scenario, case_hash, moved_by, device] =
        [next(), next(), next(), next(), next(), next()].map(text);
    let at_ms = next().whole().unwrap_or_default();
    let (_assessed, _first) = (next(), next());
    let is_simulated = moved_by == "simulated";
    let device = match moved_by.as_str() {
        "simulated" => SIMULATED.to_owned(),
        "plan" => PLAN.to_owned(),
        _ => device,
    };
    Done {
        seq,
        trainee,
        station,
        scenario,
        case_hash,
        device,
        is_simulated,
        at_ms,
        passed: next().is_yes(),
        score: next().real(),
        prediction_error: next().real(),
        is_breached: false,
        components: Default::default(),
    }
}

/// The attempt of this number; they are in the order of their numbers.
fn at(attempts: &mut [Done], seq: Option<i64>) -> Option<&mut Done> {
    let place = attempts.binary_search_by_key(&seq?, |done| done.seq).ok()?;
    attempts.get_mut(place)
}

fn add_breaches(
    database: &mut Database,
    attempts: &mut [Done],
    filter: &str,
    values: &[Value],
) -> Result<(), DatabaseError> {
    let word = if filter.is_empty() { "WHERE" } else { "AND" };
    let sql = format!("SELECT seq FROM critical{filter} {word} event = ${}", values.len() + 1);
    let values = [values, &[BREACH.into()]].concat();
    for row in database.query(&sql, &values)? {
        if let Some(done) = at(attempts, row[0].whole()) {
            done.is_breached = true;
        }
    }
    Ok(())
}

fn add_components(
    database: &mut Database,
    attempts: &mut [Done],
    depth: Depth,
    values: &[Value],
) -> Result<(), DatabaseError> {
    let mut values = values.to_vec();
    let mut conditions = Vec::new();
    if !values.is_empty() {
        conditions.push("trainee = $1".to_owned());
    }
    match depth {
        Depth::Attempts => return Ok(()),
        Depth::Component(component) => {
            values.push(component.id.into());
            conditions.push(format!("id = ${}", values.len()));
        }
        Depth::Everything => (),
    }
    let filter = if conditions.is_empty() { String::new() } else { format!(" WHERE {}", conditions.join(" AND ")) };
    for row in database.query(&format!("SELECT seq, id, score FROM component{filter}"), &values)? {
        let known = row[1].text().and_then(|id| COMPONENTS.iter().position(|component| component.id == id));
        if let (Some(place), Some(done)) = (known, at(attempts, row[0].whole())) {
            done.components[place] = row[2].real();
        }
    }
    Ok(())
}
