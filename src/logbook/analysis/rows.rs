//! What analysis asks the record for: attempts with what came of them. The only file of this room that puts questions.
//!
//! Columns alone are read, no bodies. In order of when attempts were done, as their files' times say; of those done at the same time,
//! in the record's order. Of an attempt that was judged again under other goals, the scores it came with count.

use super::measure::{COMPONENTS, Component, Measure, Outcome};
use crate::daily::Date;
use crate::debrief::BREACH;
use crate::logbook::database::{Database, DatabaseError, Row, Value};
use crate::logbook::{Logbook, LogbookError, moment};
use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet};

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

/// Which attempts by the engine that computed them: another version computes another eye.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub enum Engines {
    /// The newest version that any of the other attempts that count has.
    #[default]
    Newest,
    /// All versions together.
    All,
    /// This version.
    One(String),
}

/// Some trainees, and what they are called together.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Group {
    /// For people.
    pub name: String,
    /// Their pseudonyms.
    pub trainees: BTreeSet<String>,
}

/// Which attempts.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Wanted {
    /// Of this trainee alone.
    pub trainee: Option<String>,
    /// Of these trainees alone.
    pub group: Option<Group>,
    /// Done on this day or later, by universal time.
    pub from: Option<Date>,
    /// Done on this day or earlier.
    pub to: Option<Date>,
    /// Handed in for this.
    pub purposes: Purposes,
    /// Later attempts on an eye too, and not the first alone?
    pub all: bool,
    /// With this alone.
    pub device: Option<String>,
    /// Computed by this.
    pub engines: Engines,
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
    /// By which engines they were computed.
    pub engines: BTreeSet<String>,
    /// Left out, since they are not the first on their eye.
    pub later: usize,
    /// Left out, since they were handed in for something else.
    pub other_purpose: usize,
    /// Left out, since they were done earlier or later.
    pub other_days: usize,
    /// Left out, since they were done with something else.
    pub other_device: usize,
    /// Left out, since other engines computed them: by engine how many.
    pub other_engines: BTreeMap<String, usize>,
}

/// Why an attempt is left out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Because {
    Purpose,
    Later,
    Days,
    Device,
    Engine,
}

/// What decides whether an attempt counts.
struct Asked<'a> {
    trainee: &'a str,
    device: &'a str,
    engine: &'a str,
    done_at_ms: i64,
    is_assessed: bool,
    is_first: bool,
}

/// Its columns, with which every row of attempts begins.
const ASKED: &str = "trainee, moved_by, device, engine, done_at, assessed, first_unseen, seq";
/// Where the number of the entry is among them, and where what follows them begins.
const SEQ: usize = 7;
const THEN: usize = 8;

impl<'a> Asked<'a> {
    fn of(row: &'a Row) -> Self {
        let text = |at: usize| row[at].text().unwrap_or_default();
        Self {
            trainee: text(0),
            device: match text(1) {
                "simulated" => SIMULATED,
                "plan" => PLAN,
                _ => text(2),
            },
            engine: text(3),
            done_at_ms: row[4].whole().unwrap_or_default(),
            is_assessed: row[5].is_yes(),
            is_first: row[6].is_yes(),
        }
    }
}

impl Wanted {
    /// Why an attempt is left out, whichever engine computed it.
    fn leaves_out(&self, asked: &Asked<'_>) -> Option<Because> {
        let is_purpose = match self.purposes {
            Purposes::Assessment => asked.is_assessed,
            Purposes::Practice => !asked.is_assessed,
            Purposes::Both => true,
        };
        let day = moment::days(asked.done_at_ms);
        let is_outside = self.from.is_some_and(|from| day < from.days()) || self.to.is_some_and(|to| day > to.days());
        if !is_purpose {
            Some(Because::Purpose)
        } else if !asked.is_first && !self.all {
            Some(Because::Later)
        } else if is_outside {
            Some(Because::Days)
        } else if self.device.as_ref().is_some_and(|device| device != asked.device) {
            Some(Because::Device)
        } else {
            None
        }
    }

    /// The rows that count, and what was left out. Rows begin with [`ASKED`].
    fn sifted(&self, mut rows: Vec<Row>) -> (Vec<Row>, Counted) {
        let is_one_of_them =
            |row: &Row| self.group.as_ref().is_none_or(|group| group.trainees.contains(Asked::of(row).trainee));
        rows.retain(is_one_of_them);
        let engine = match &self.engines {
            Engines::All => None,
            Engines::One(engine) => Some(engine.clone()),
            Engines::Newest => {
                let all = rows.iter().map(Asked::of).filter(|asked| self.leaves_out(asked).is_none());
                let newer = |a, b| if a == b || is_older(b, a) { a } else { b };
                all.map(|asked| asked.engine).reduce(newer).map(str::to_owned)
            }
        };
        let mut counted = Counted::default();
        rows.retain(|row| {
            let asked = Asked::of(row);
            let is_other = engine.as_ref().is_some_and(|engine| engine != asked.engine);
            counted.count(&asked, self.leaves_out(&asked).or(is_other.then_some(Because::Engine)))
        });
        (rows, counted)
    }
}

/// Is an engine's version older than another's? Versions are numbers with something between them: `0.9.0+3` before `0.10.0+1`.
fn is_older(engine: &str, other: &str) -> bool {
    let numbers = |text: &str| -> Vec<u64> {
        text.split(|sign: char| !sign.is_ascii_digit()).filter_map(|number| number.parse().ok()).collect()
    };
    (numbers(engine), engine) < (numbers(other), other)
}

impl Counted {
    /// Count an attempt; does it count?
    fn count(&mut self, asked: &Asked<'_>, left_out: Option<Because>) -> bool {
        *match left_out {
            None => &mut self.of,
            Some(Because::Purpose) => &mut self.other_purpose,
            Some(Because::Later) => &mut self.later,
            Some(Because::Days) => &mut self.other_days,
            Some(Because::Device) => &mut self.other_device,
            Some(Because::Engine) => match self.other_engines.get_mut(asked.engine) {
                Some(count) => count,
                None => self.other_engines.entry(asked.engine.to_owned()).or_default(),
            },
        } += 1;
        if left_out.is_some() {
            return false;
        }
        self.simulated += usize::from(asked.device == SIMULATED);
        for (all, own) in [(&mut self.devices, asked.device), (&mut self.engines, asked.engine)] {
            if !all.contains(own) {
                all.insert(own.to_owned());
            }
        }
        true
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
        "SELECT {ASKED}, station, scenario, case_hash, pass, score, prediction_error FROM attempt{filter} ORDER BY seq"
    );
    let (rows, counted) = wanted.sifted(database.query(&sql, &values)?);
    let mut attempts: Vec<Done> = rows.iter().map(of_row).collect();
    add_breaches(database, &mut attempts, filter, &values)?;
    add_components(database, &mut attempts, depth, &values)?;
    attempts.sort_by_key(|done| (done.at_ms, done.seq));
    Ok(Found { attempts, counted })
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
    // By number, so that an attempt's is found by halving.
    let mut scores: Vec<(i64, f64)> = Vec::new();
    match measure {
        Measure::Breach => {
            let rows = database.query("SELECT seq FROM critical WHERE event = $1", &[BREACH.into()])?;
            breached.extend(rows.iter().filter_map(|row| row[0].whole()));
        }
        Measure::Component(component) => {
            let rows = database.query("SELECT seq, score FROM component WHERE id = $1", &[component.id.into()])?;
            scores.extend(rows.iter().filter_map(|row| row[0].whole().zip(row[1].real())));
            scores.sort_unstable_by_key(|(seq, _)| *seq);
        }
        _ => (),
    }
    let (rows, counted) = wanted.sifted(database.query(&format!("SELECT {ASKED}, {column} FROM attempt"), &[])?);
    // By device and trainee: when, which, and what came.
    type Series = Vec<(i64, i64, Option<Outcome>)>;
    // People in an order of their own, so that sums of theirs are the same to the last digit.
    let mut series: HashMap<&str, BTreeMap<&str, Series>> = HashMap::new();
    for row in &rows {
        let asked = Asked::of(row);
        let seq = row[SEQ].whole().unwrap_or_default();
        let outcome = match measure {
            Measure::Pass => Some(Outcome::Good(row[THEN].is_yes())),
            Measure::Score | Measure::PredictionError => row[THEN].real().map(Outcome::Value),
            Measure::Breach => Some(Outcome::Good(!breached.contains(&seq))),
            Measure::Component(component) => {
                let at = scores.binary_search_by_key(&seq, |(seq, _)| *seq).ok();
                at.map(|at| Outcome::Good(component.is_met(scores[at].1)))
            }
        };
        let own = series.entry(asked.device).or_default().entry(asked.trainee).or_default();
        own.push((asked.done_at_ms, seq, outcome));
    }
    let in_order = |mut own: Series| {
        own.sort_by_key(|(at_ms, seq, _)| (*at_ms, *seq));
        own.into_iter().map(|(.., outcome)| outcome).collect()
    };
    let mut all: Vec<Outcomes> = series
        .into_iter()
        .map(|(device, people)| Outcomes {
            device: device.to_owned(),
            people: people.into_values().map(in_order).collect(),
        })
        .collect();
    all.sort_by_cached_key(|all| {
        (std::cmp::Reverse(all.people.iter().map(Vec::len).sum::<usize>()), all.device.clone())
    });
    Ok((counted, all))
}

fn of_row(row: &Row) -> Done {
    let asked = Asked::of(row);
    let text = |at: usize| row[at].text().unwrap_or_default().to_owned();
    Done {
        seq: row[SEQ].whole().unwrap_or_default(),
        trainee: asked.trainee.to_owned(),
        station: text(THEN),
        scenario: text(THEN + 1),
        case_hash: text(THEN + 2),
        device: asked.device.to_owned(),
        at_ms: asked.done_at_ms,
        passed: row[THEN + 3].is_yes(),
        score: row[THEN + 4].real(),
        prediction_error: row[THEN + 5].real(),
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
