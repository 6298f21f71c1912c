//! What analysis asks the record for: attempts with what came of them. The only file of this room that puts questions.
//!
//! Columns alone are read, no bodies. In order of when attempts were done, as their files' times say; of those done at the same time,
//! in the record's order. Of an attempt that was judged again under other goals, the scores it came with count.

use super::measure::{COMPONENTS, Component, Measure, Outcome};
use crate::debrief::BREACH;
use crate::logbook::database::{Database, DatabaseError, Row, Value};
use crate::logbook::{Logbook, LogbookError};
use std::collections::{BTreeSet, HashMap, HashSet};

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

/// What was found and what was left out, of the same people.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Counted {
    /// Attempts that count.
    pub of: usize,
    /// How many of these were made by simulated trainees.
    pub simulated: usize,
    /// With what they were made.
    pub devices: BTreeSet<String>,
    /// Left out, since they are not the first on their eye.
    pub later: usize,
    /// Left out, since they were handed in for something else.
    pub other_purpose: usize,
    /// Left out, since they were done with something else.
    pub other_device: usize,
}

impl Counted {
    /// Count an attempt; does it count?
    fn takes(&mut self, wanted: &Wanted, is_assessed: bool, is_first: bool, device: &str) -> bool {
        let is_purpose = match wanted.purposes {
            Purposes::Assessment => is_assessed,
            Purposes::Practice => !is_assessed,
            Purposes::Both => true,
        };
        if !is_purpose {
            self.other_purpose += 1;
        } else if !is_first && !wanted.all {
            self.later += 1;
        } else if wanted.device.as_ref().is_some_and(|wanted| wanted != device) {
            self.other_device += 1;
        } else {
            self.of += 1;
            self.simulated += usize::from(device == SIMULATED);
            if !self.devices.contains(device) {
                self.devices.insert(device.to_owned());
            }
            return true;
        }
        false
    }
}

/// Attempts that were found.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Found {
    /// Those that count, in their order.
    pub attempts: Vec<Done>,
    /// What was found and left out.
    pub counted: Counted,
}

/// What came of the attempts with one device in one measure, by trainee, each in order; `None` where it did not apply.
#[derive(Clone, Debug, PartialEq)]
pub struct Outcomes {
    /// With what.
    pub device: String,
    /// Each trainee's.
    pub people: Vec<Vec<Option<Outcome>>>,
}

impl Logbook {
    /// The attempts that are wanted.
    ///
    /// # Errors
    /// Whatever the database refuses.
    pub fn done(&mut self, wanted: &Wanted, depth: Depth) -> Result<Found, LogbookError> {
        Ok(self.database.snapshot(|database| read(database, wanted, depth))?)
    }

    /// What came in one measure of everybody's attempts, those with most attempts of a device first: no more than a curve of all
    /// together needs, as a record may be large.
    ///
    /// # Errors
    /// Whatever the database refuses.
    pub fn outcomes(&mut self, wanted: &Wanted, measure: Measure) -> Result<(Counted, Vec<Outcomes>), LogbookError> {
        Ok(self.database.snapshot(|database| outcomes(database, wanted, measure))?)
    }

    /// Numbers of attempts that were signed off.
    ///
    /// # Errors
    /// Whatever the database refuses.
    pub fn signed_off(&mut self) -> Result<HashSet<i64>, LogbookError> {
        let rows = self.database.query("SELECT of_seq FROM about WHERE kind = 'sign-off'", &[])?;
        Ok(rows.iter().filter_map(|row| row[0].whole()).collect())
    }
}

fn read(database: &mut Database, wanted: &Wanted, depth: Depth) -> Result<Found, DatabaseError> {
    let (filter, values): (&str, Vec<Value>) = match &wanted.trainee {
        Some(trainee) => (" WHERE trainee = $1", vec![trainee.as_str().into()]),
        None => ("", Vec::new()),
    };
    let sql = format!(
        "SELECT seq, trainee, station, scenario, case_hash, moved_by, device, done_at, assessed, first_unseen, pass, score, \
         prediction_error FROM attempt{filter} ORDER BY seq"
    );
    let rows = database.query(&sql, &values)?;
    let mut found = Found::default();
    for row in rows {
        let (is_assessed, is_first) = (row[8].is_yes(), row[9].is_yes());
        let done = of_row(row);
        if found.counted.takes(wanted, is_assessed, is_first, &done.device) {
            found.attempts.push(done);
        }
    }
    add_breaches(database, &mut found.attempts, filter, &values)?;
    add_components(database, &mut found.attempts, depth, &values)?;
    found.attempts.sort_by_key(|done| (done.at_ms, done.seq));
    Ok(found)
}

/// A device's name: all simulated trainees are one, all plans another.
fn device_name(moved_by: &str, device: String) -> String {
    match moved_by {
        "simulated" => SIMULATED.to_owned(),
        "plan" => PLAN.to_owned(),
        _ => device,
    }
}

fn outcomes(
    database: &mut Database,
    wanted: &Wanted,
    measure: Measure,
) -> Result<(Counted, Vec<Outcomes>), DatabaseError> {
    let column = match measure {
        Measure::Pass => "pass",
        Measure::Score => "score",
        Measure::PredictionError => "prediction_error",
        // These stand in tables of their own.
        Measure::Breach | Measure::Component(_) => "seq",
    };
    let mut breached = HashSet::new();
    let mut scores = HashMap::new();
    match measure {
        Measure::Breach => {
            let rows = database.query("SELECT seq FROM critical WHERE event = $1", &[BREACH.into()])?;
            breached.extend(rows.iter().filter_map(|row| row[0].whole()));
        }
        Measure::Component(component) => {
            let rows = database.query("SELECT seq, score FROM component WHERE id = $1", &[component.id.into()])?;
            scores.extend(rows.iter().filter_map(|row| row[0].whole().zip(row[1].real())));
        }
        _ => (),
    }
    let sql = format!("SELECT trainee, moved_by, device, assessed, first_unseen, done_at, seq, {column} FROM attempt");
    let mut counted = Counted::default();
    // By device and trainee: when, which, and what came.
    type Series = Vec<(i64, i64, Option<Outcome>)>;
    let mut series: HashMap<String, HashMap<String, Series>> = HashMap::new();
    for mut row in database.query(&sql, &[])? {
        let mut text = |at: usize| match std::mem::replace(&mut row[at], Value::Null) {
            Value::Text(text) => text,
            _ => String::new(),
        };
        let (trainee, moved_by, device) = (text(0), text(1), text(2));
        let device = device_name(&moved_by, device);
        if !counted.takes(wanted, row[3].is_yes(), row[4].is_yes(), &device) {
            continue;
        }
        let seq = row[6].whole().unwrap_or_default();
        let outcome = match measure {
            Measure::Pass => Some(Outcome::Good(row[7].is_yes())),
            Measure::Score | Measure::PredictionError => row[7].real().map(Outcome::Value),
            Measure::Breach => Some(Outcome::Good(!breached.contains(&seq))),
            Measure::Component(component) => {
                scores.get(&seq).map(|score: &f64| Outcome::Good(component.is_met(*score)))
            }
        };
        let own = series.entry(device).or_default().entry(trainee).or_default();
        own.push((row[5].whole().unwrap_or_default(), seq, outcome));
    }
    let in_order = |mut own: Series| {
        own.sort_by_key(|(at_ms, seq, _)| (*at_ms, *seq));
        own.into_iter().map(|(.., outcome)| outcome).collect()
    };
    // People in an order of their own, so that sums of theirs are the same to the last digit.
    let by_name = |people: HashMap<String, Series>| {
        let mut people: Vec<(String, Series)> = people.into_iter().collect();
        people.sort_by(|a, b| a.0.cmp(&b.0));
        people.into_iter().map(|(_, own)| in_order(own)).collect()
    };
    let mut all: Vec<Outcomes> =
        series.into_iter().map(|(device, people)| Outcomes { device, people: by_name(people) }).collect();
    all.sort_by_cached_key(|all| {
        (std::cmp::Reverse(all.people.iter().map(Vec::len).sum::<usize>()), all.device.clone())
    });
    Ok((counted, all))
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
    let device = device_name(&moved_by, device);
    Done {
        seq,
        trainee,
        station,
        scenario,
        case_hash,
        device,
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
