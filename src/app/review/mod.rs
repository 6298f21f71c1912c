//! The program's record, looked at: what was read of a store, how trainees and attempts are chosen and sorted, and which trainee's
//! attempts and which measure are looked at. Reading and computing are the clerk's; rows are made when an answer or a choice changes
//! them. Nothing is written to a store from here.
//!
//! What counts, how it is told and what is drawn are the record's own (`crate::logbook::analysis`), so that page and report say the
//! same.

pub mod page;
mod rows;

use crate::app::clerk::{Clerk, Done, again};
use crate::app::panels::chart::Chart;
use crate::app::panels::review::{Ask, AttemptColumn, AttemptRow, Came, MissedRow, PersonColumn, PersonRow, Which};
use crate::logbook::analysis::course::by_device;
use crate::logbook::analysis::{Cohort, Course, Depth, Designs, Found, Measure, Purposes, Stated, Wanted, words};
use crate::logbook::database::Place;
use crate::logbook::listing::{self, Listed};
use crate::logbook::report::{self, Sources};
use crate::logbook::{Head, Logbook, LogbookError, Opening, usual};
use std::collections::HashSet;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

/// How long the window waits for others who write.
const WAIT: Duration = Duration::from_secs(10);

/// What was read of a store.
pub struct Read {
    wanted: Wanted,
    head: Head,
    found: Found,
    /// One for each device, most attempts first.
    cohorts: Vec<Cohort>,
}

/// What was read of a trainee.
pub struct Person {
    trainee: String,
    /// A course for each measure.
    courses: Vec<Course>,
    /// All entries about the trainee, those that do not count too.
    entries: Vec<Listed>,
}

/// An answer of the clerk.
pub enum Answer {
    /// Of a store, or why there is none.
    Read(Result<Box<Read>, String>),
    /// Of a trainee.
    Person(Result<Box<Person>, String>),
}

/// How far it is.
pub enum Stage {
    /// It is being read.
    Reading,
    /// It cannot be, and why.
    Refused(String),
    /// It is read.
    Open(Arc<Read>),
}

/// The trainee that is looked at.
pub struct Looked {
    person: Box<Person>,
    measure: Measure,
    which: Which,
    came: Came,
    case: Option<String>,
    sorted: (AttemptColumn, bool),
    /// Cases there are.
    cases: Vec<String>,
    chart: Option<Chart>,
    says: Vec<String>,
    rows: Vec<AttemptRow>,
    /// Attempts in all.
    of: usize,
}

/// The record, while it is looked at.
pub struct Review {
    place: Result<Place, String>,
    stage: Stage,
    purposes: Purposes,
    all: bool,
    device: usize,
    find: String,
    sorted: (PersonColumn, bool),
    counted: String,
    invented: Option<String>,
    devices: Vec<String>,
    people: Vec<PersonRow>,
    funnel: Option<Chart>,
    missed: Vec<MissedRow>,
    looked: Option<Looked>,
    /// Only the answer to the latest question counts.
    ticket: u64,
}

impl Review {
    /// Of the store that is named, or the usual one. Nothing is read yet.
    pub fn of(named: Option<&str>, ticket: u64) -> Self {
        Self {
            place: usual::place(named).map_err(|why| format!("The record that the settings name {why}.")),
            stage: Stage::Reading,
            purposes: Purposes::default(),
            all: false,
            device: 0,
            find: String::new(),
            sorted: (PersonColumn::Passed, false),
            counted: String::new(),
            invented: None,
            devices: Vec::new(),
            people: Vec::new(),
            funnel: None,
            missed: Vec::new(),
            looked: None,
            ticket,
        }
    }

    /// The last ticket that was given out.
    pub fn ticket(&self) -> u64 {
        self.ticket
    }

    /// Of the store in a file, read at once; with the trainee that stands first, where a trainee is to be looked at.
    pub fn at_once(store: PathBuf, is_of_trainee: bool) -> Self {
        let place = Place::File(store);
        let mut review = Self { place: Ok(place.clone()), ..Self::of(None, 0) };
        review.take(0, Answer::Read(read(&place, review.wanted())));
        if let (true, Stage::Open(found), Some(first)) = (is_of_trainee, &review.stage, review.people.first()) {
            let device = review.devices.get(review.device).cloned().unwrap_or_default();
            let answer = Answer::Person(person(&place, found, &device, first.trainee.clone()));
            review.take(0, answer);
        }
        review
    }

    /// Why there is nothing to be looked at.
    pub fn refused(&self) -> Option<&str> {
        if let Stage::Refused(why) = &self.stage { Some(why) } else { None }
    }

    fn wanted(&self) -> Wanted {
        Wanted { purposes: self.purposes, all: self.all, ..Wanted::default() }
    }

    /// Read the store.
    pub fn read(&mut self, clerk: &Clerk) {
        self.ticket += 1;
        self.looked = None;
        match &self.place {
            Err(why) => self.stage = Stage::Refused(why.clone()),
            Ok(place) => {
                let (place, wanted, ticket) = (place.clone(), self.wanted(), self.ticket);
                self.stage = Stage::Reading;
                clerk.give(move || Done::Review { ticket, answer: Answer::Read(read(&place, wanted)) });
            }
        }
    }

    /// An answer came; what is to be told comes back.
    pub fn take(&mut self, ticket: u64, answer: Answer) -> Option<String> {
        if ticket != self.ticket {
            return None;
        }
        match answer {
            Answer::Read(Err(why)) => self.stage = Stage::Refused(why),
            Answer::Read(Ok(read)) => {
                let counted = &read.found.counted;
                self.counted =
                    format!("{} {}", words::what_counts(&read.wanted, counted), words::engines(&read.wanted, counted));
                self.invented = words::invented(&read.found.counted);
                self.devices = read.cohorts.iter().map(|cohort| cohort.device.clone()).collect();
                self.device = self.device.min(self.devices.len().saturating_sub(1));
                self.stage = Stage::Open(Arc::from(read));
                self.sort_out();
            }
            Answer::Person(Err(why)) => return Some(why),
            Answer::Person(Ok(person)) => {
                let mut looked = Looked {
                    person,
                    measure: Measure::Pass,
                    which: Which::default(),
                    came: Came::default(),
                    case: None,
                    sorted: (AttemptColumn::Done, true),
                    cases: Vec::new(),
                    chart: None,
                    says: Vec::new(),
                    rows: Vec::new(),
                    of: 0,
                };
                looked.cases = looked.person.attempts().filter_map(|entry| entry.scenario.clone()).collect();
                looked.cases.sort();
                looked.cases.dedup();
                looked.of = looked.person.attempts().count();
                self.looked = Some(looked);
                self.draw();
                self.choose();
            }
        }
        None
    }

    /// Do what a page asks for; `folder` is where documents are written.
    pub fn ask(&mut self, ask: Ask, clerk: &Clerk, folder: PathBuf) {
        match ask {
            Ask::Open => self.read(clerk),
            Ask::Count(purposes, all) => {
                (self.purposes, self.all) = (purposes, all);
                self.read(clerk);
            }
            Ask::Device(at) => {
                self.device = at;
                self.sort_out();
            }
            Ask::Find(find) => {
                self.find = find;
                self.sort_out();
            }
            Ask::SortPeople(by) => {
                self.sorted = (by, by == self.sorted.0 && !self.sorted.1);
                self.sort_out();
            }
            Ask::Trainee(trainee) => {
                if let (Ok(place), Stage::Open(found), Some(device)) =
                    (&self.place, &self.stage, self.devices.get(self.device))
                {
                    self.ticket += 1;
                    let (place, found, device, ticket) = (place.clone(), found.clone(), device.clone(), self.ticket);
                    clerk.give(move || {
                        let answer = Answer::Person(person(&place, &found, &device, trainee));
                        Done::Review { ticket, answer }
                    });
                }
            }
            Ask::Replay(entry) => {
                if let Ok(place) = &self.place {
                    let place = place.clone();
                    clerk.give(move || Done::Judged(attempt(&place, entry)));
                }
            }
            Ask::Report => {
                if let Ok(place) = &self.place {
                    let trainee = self.looked.as_ref().map(|looked| looked.person.trainee.clone());
                    let name = format!("report.{}.html", trainee.as_deref().unwrap_or("cohort"));
                    let (place, wanted) = (place.clone(), Wanted { trainee, ..self.wanted() });
                    clerk.give(move || match document(&place, &wanted) {
                        Ok(document) => crate::app::clerk::written(&document, folder.join(name)),
                        Err(why) => Done::Written(Err(why)),
                    });
                }
            }
            Ask::Follow(measure) => {
                if let Some(looked) = &mut self.looked {
                    looked.measure = measure;
                    if measure.shares().is_none() {
                        looked.which = Which::Curve;
                    }
                }
                self.draw();
            }
            Ask::Show(which) => {
                if let Some(looked) = &mut self.looked {
                    looked.which = which;
                }
                self.draw();
            }
            Ask::Came(came) => {
                if let Some(looked) = &mut self.looked {
                    looked.came = came;
                }
                self.choose();
            }
            Ask::Case(case) => {
                if let Some(looked) = &mut self.looked {
                    looked.case = case;
                }
                self.choose();
            }
            Ask::SortAttempts(by) => {
                if let Some(looked) = &mut self.looked {
                    looked.sorted = (by, by == looked.sorted.0 && !looked.sorted.1);
                }
                self.choose();
            }
        }
    }

    /// From a trainee back to all; `false` where all are looked at already.
    pub fn go_back(&mut self) -> bool {
        // What was asked of a trainee is no longer wanted.
        self.ticket += 1;
        self.looked.take().is_some()
    }

    /// Rows of the cohort anew.
    fn sort_out(&mut self) {
        let Stage::Open(found) = &self.stage else { return };
        let cohort = found.cohorts.get(self.device);
        self.people = cohort.map_or_else(Vec::new, |cohort| rows::people(cohort, &self.find, self.sorted));
        self.funnel = cohort.and_then(rows::funnel);
        self.missed = cohort.map_or_else(Vec::new, rows::missed);
    }

    /// The chart of the trainee anew.
    fn draw(&mut self) {
        let Some(looked) = &mut self.looked else { return };
        let course = looked.person.courses.iter().find(|course| course.measure == looked.measure);
        looked.chart = course.and_then(|course| rows::chart(course, looked.which));
        looked.says = course.map_or_else(Vec::new, |course| rows::says(course, looked.which));
    }

    /// Rows of the trainee's attempts anew.
    fn choose(&mut self) {
        let (Some(looked), Stage::Open(found)) = (&mut self.looked, &self.stage) else { return };
        let counts: HashSet<u64> =
            found.found.attempts.iter().filter_map(|done| u64::try_from(done.seq).ok()).collect();
        let case = looked.case.as_deref();
        looked.rows =
            rows::attempts(&looked.person.entries, (&counts, self.purposes), case, looked.came, looked.sorted);
    }
}

impl Person {
    fn attempts(&self) -> impl Iterator<Item = &Listed> {
        self.entries.iter().filter(|entry| entry.kind == "attempt" && entry.has_body)
    }
}

/// Open a store to look at it; what goes wrong is told with its name.
fn with_store<R>(place: &Place, look: impl FnOnce(&mut Logbook) -> Result<R, LogbookError>) -> Result<R, String> {
    let looked = Logbook::open_at(place, Opening { is_made: false, wait: WAIT }).and_then(|mut book| look(&mut book));
    looked.map_err(|why| format!("{}: {why}", place.in_words()))
}

fn read(place: &Place, wanted: Wanted) -> Result<Box<Read>, String> {
    let (head, found) = with_store(place, |book| Ok((book.head()?, book.done(&wanted, Depth::Everything)?)))?;
    let mut designs = Designs::default();
    let of = |(device, own): &(String, Vec<_>)| Cohort::of(device, own, &Stated::default(), &mut designs);
    let cohorts = by_device(&found.attempts).iter().map(of).collect();
    Ok(Box::new(Read { wanted, head, found, cohorts }))
}

fn person(place: &Place, read: &Read, device: &str, trainee: String) -> Result<Box<Person>, String> {
    let wanted = listing::Wanted { trainee: Some(trainee.clone()), ..listing::Wanted::default() };
    let entries = with_store(place, |book| book.list(&wanted))?;
    let own = read.found.attempts.iter().filter(|done| done.trainee == trainee && done.device == device);
    let own: Vec<_> = own.collect();
    let mut designs = Designs::default();
    let of = |measure| Course::of(measure, device, &own, &Stated::default(), &mut designs);
    Ok(Box::new(Person { trainee, courses: Measure::all().map(of).collect(), entries }))
}

fn attempt(place: &Place, entry: u64) -> Result<Box<crate::app::clerk::Judged>, String> {
    let (_, _, attempt) = with_store(place, |book| book.attempt(entry))?;
    let (state_hash, claimed) = (attempt.state_hash, attempt.scores.clone());
    let mut judged = again(attempt).map_err(|why| format!("Entry {entry}: {why}"))?;
    if judged.attempt.state_hash != state_hash || judged.attempt.scores != claimed {
        let claim = if claimed.pass { "passed" } else { "not passed" };
        judged.remark = Some(format!(
            "handed in as {claim} with {:.0} of 100, which does not follow from its inputs",
            claimed.score.floor()
        ));
    }
    Ok(judged)
}

fn document(place: &Place, wanted: &Wanted) -> Result<String, String> {
    let (head, found, signed_off) =
        with_store(place, |book| Ok((book.head()?, book.done(wanted, Depth::Everything)?, book.signed_off()?)))?;
    let stated = Stated::default();
    let sources = Sources { wanted, groups: &[], found: &found, stated: &stated, head, signed_off: &signed_off };
    Ok(if wanted.trainee.is_some() { report::of_trainee(&sources) } else { report::of_cohort(&sources) })
}
