//! One eye a day in the window: its sheet, the look while a clock runs, the chop as stated, and what came of it and of its neighbours.
//!
//! What a day is and how it is judged is the engine's (`crate::daily`); here is only how far it is. The chop is performed before the
//! eye by the stepwise hands, from the same steps as those that are judged; only its inputs are rounded, as those of any attempt.
//! Meanwhile prediction and neighbours are tried and the day is entered on threads of their own: whoever leaves the page meanwhile has
//! stated it all the same. Times s.

pub mod page;

use crate::app::clerk::{Clerk, Done};
use crate::app::hands::PedalCalibration;
use crate::app::operation::{Chosen, Operation};
use crate::app::panels::Way;
use crate::attempt::{Expected, Prediction, Setup};
use crate::daily::day::{Look, Passed};
use crate::daily::trial::{self, Trial, Which};
use crate::daily::{Date, Day, Eye};
use crate::sim::{Model, State};
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};

/// Name of the journal in the folder of the attempts.
pub const JOURNAL: &str = "daily.ron";

/// What was tried, to be looked at.
pub struct Tried {
    /// What came.
    pub trial: Trial,
    /// The model of the eye.
    pub model: Arc<Model>,
    /// The eye after each chop, in the order of [`Which::ALL`].
    pub states: [Arc<State>; 4],
}

/// How many chops are computed, of so many as far as is known.
#[derive(Debug, Default)]
pub struct Count {
    done: AtomicU32,
    planned: AtomicU32,
}

impl Count {
    /// Both.
    pub fn read(&self) -> (u32, u32) {
        (self.done.load(Ordering::Relaxed), self.planned.load(Ordering::Relaxed))
    }

    fn chop(&self, planned: usize) {
        self.done.fetch_add(1, Ordering::Relaxed);
        self.planned.fetch_max(u32::try_from(planned).unwrap_or(u32::MAX), Ordering::Relaxed);
    }
}

/// Something stated, under way.
pub struct Committed {
    /// What.
    pub prediction: Prediction,
    /// Is the chop being done before the eye?
    pub is_chopping: bool,
    /// How far the computing is.
    pub count: Arc<Count>,
    /// What was tried, once it is there.
    tried: Option<Box<Tried>>,
}

/// How far the day is.
pub enum Stage {
    /// Its sheet; is the eye being made ready?
    Sheet {
        /// So it is.
        is_waiting: bool,
    },
    /// The look.
    Look(Look),
    /// The chop.
    Committed(Committed),
    /// What came, and which chop is looked at.
    Tried {
        /// What came.
        tried: Box<Tried>,
        /// Which is looked at.
        picked: Which,
    },
}

/// An answer.
pub enum Found {
    /// The eye is ready to be looked at, or why not.
    Ready(Result<Box<Operation>, String>),
    /// It was tried, and the day was entered, or why not.
    Tried {
        /// What came; without it only the reason.
        tried: Option<Box<Tried>>,
        /// The day with its entry, or why there is none.
        entered: Result<Box<Day>, String>,
    },
}

/// The day on its page.
pub struct Daily {
    /// Journal and eye.
    pub day: Box<Day>,
    /// How far it is.
    pub stage: Stage,
    /// Something to be told.
    pub told: Option<String>,
    file: PathBuf,
    ticket: u64,
}

impl Daily {
    /// Open the day of a date from the journal in a file; where there is none, of a learner with this number. The file is small, and
    /// read here.
    ///
    /// # Errors
    /// A line: why the journal cannot be used.
    pub fn open(file: PathBuf, date: Date, learner: u64, ticket: u64) -> Result<Self, String> {
        let day = Day::open(Some(&file), date, learner).map_err(|why| format!("{} {why}", file.display()))?;
        Ok(Self { day: Box::new(day), stage: Stage::Sheet { is_waiting: false }, told: None, file, ticket })
    }

    /// A day that is looked at without a journal.
    pub fn unattended(day: Day, stage: Stage) -> Self {
        Self { day: Box::new(day), stage, told: None, file: PathBuf::new(), ticket: 0 }
    }

    /// Why the day cannot be begun; `None` where it can.
    pub fn closed(&self) -> Option<String> {
        let why = self.day.journal.is_open(self.day.eye.date).err()?;
        Some(format!("The journal {why}."))
    }

    /// By which answers for this page are known.
    pub fn ticket(&self) -> u64 {
        self.ticket
    }

    /// Have the eye made ready.
    pub fn begin(&mut self, clerk: &Clerk) {
        if !matches!(self.stage, Stage::Sheet { is_waiting: false }) || self.closed().is_some() {
            return;
        }
        (self.stage, self.told) = (Stage::Sheet { is_waiting: true }, None);
        let (eye, ticket) = (self.day.eye.clone(), self.ticket);
        clerk.give(move || Done::Daily { ticket, found: Found::Ready(operation(&eye).map(Box::new)) });
    }

    /// Does the chop go on before the eye?
    pub fn is_chopping(&self) -> bool {
        matches!(&self.stage, Stage::Committed(committed) if committed.is_chopping)
    }

    /// State something: the chop begins, unless stopping is meant. `operation`: the eye that was looked at.
    pub fn state(&mut self, prediction: Prediction, operation: Option<&mut Operation>, clerk: &Clerk) {
        if !matches!(self.stage, Stage::Look(_)) {
            return;
        }
        let Some(operation) = operation else { return };
        let is_chopping = prediction.expected != Expected::StopAndCall;
        if is_chopping {
            let plan = trial::plan(&self.day.eye.case, &operation.model, &prediction, Which::Stated);
            plan.steps.into_iter().for_each(|step| operation.perform(step));
        }
        let count = Arc::<Count>::default();
        let (mut day, file, model, ticket) =
            (self.day.clone(), self.file.clone(), operation.model.clone(), self.ticket);
        let told = count.clone();
        clerk.give(move || {
            let found = match tried(&day.eye, model, &prediction, &told) {
                Ok(tried) => {
                    let entered = day.enter(&file, &tried.trial).map(|()| day);
                    let entered = entered.map_err(|why| format!("{} {why}", file.display()));
                    Found::Tried { tried: Some(Box::new(tried)), entered }
                }
                Err(why) => Found::Tried { tried: None, entered: Err(why) },
            };
            Done::Daily { ticket, found }
        });
        self.stage = Stage::Committed(Committed { prediction, is_chopping, count, tried: None });
    }

    /// Something was found; an eye that is ready to be looked at comes back.
    pub fn take(&mut self, ticket: u64, found: Found) -> Option<Box<Operation>> {
        if ticket != self.ticket {
            return None;
        }
        match (found, &mut self.stage) {
            (Found::Ready(Ok(operation)), Stage::Sheet { is_waiting: true }) => {
                self.stage = Stage::Look(Look::default());
                return Some(operation);
            }
            (Found::Ready(Err(why)), Stage::Sheet { .. }) => {
                (self.stage, self.told) = (Stage::Sheet { is_waiting: false }, Some(why));
            }
            (Found::Tried { tried, entered }, Stage::Committed(committed)) => {
                match entered {
                    Ok(day) => self.day = day,
                    Err(why) => self.told = Some(format!("Nothing is kept of this day: {why}")),
                }
                match tried {
                    Some(tried) => committed.tried = Some(tried),
                    None => self.stage = Stage::Sheet { is_waiting: false },
                }
            }
            _ => {}
        }
        None
    }

    /// A frame of so many seconds. `is_performing`: do the hands still perform the chop? What time has come to is stated by whoever
    /// asks.
    pub fn frame(&mut self, frame_s: f64, is_performing: bool) -> Passed {
        match &mut self.stage {
            Stage::Look(look) => {
                let passed = look.pass(frame_s);
                if passed == Passed::Nothing {
                    self.stage = Stage::Sheet { is_waiting: false };
                    self.told = Some("The time was up before a result was chosen: nothing is entered.".to_owned());
                }
                return passed;
            }
            Stage::Committed(committed) => {
                committed.is_chopping &= is_performing;
                if !committed.is_chopping
                    && let Some(tried) = committed.tried.take()
                {
                    self.stage = Stage::Tried { tried, picked: Which::Stated };
                }
            }
            Stage::Sheet { .. } | Stage::Tried { .. } => {}
        }
        Passed::GoesOn
    }

    /// What is looked at once it was tried: model, state, and which chop.
    pub fn seen(&self) -> Option<(Arc<Model>, Arc<State>, Which)> {
        let Stage::Tried { tried, picked } = &self.stage else { return None };
        Some((tried.model.clone(), tried.states[*picked as usize].clone(), *picked))
    }
}

/// The eye as an attempt under way, at rest until something is stated.
///
/// # Errors
/// A line: why it cannot be used.
pub fn operation(eye: &Eye) -> Result<Operation, String> {
    let chosen = Chosen {
        scenario: eye.name.clone(),
        case: Arc::new(eye.read().map_err(|why| why.to_string())?),
        setup: Setup::default(),
        seed: eye.seed,
        way: Way::Stepwise,
        // The chop's own steps set it.
        power_limit: 0.0,
        calibration: PedalCalibration::default(),
    };
    let mut operation = Operation::begin(chosen).map_err(|why| why.join("; "))?;
    operation.make_ready();
    Ok(operation)
}

/// Threads that may work while the window has one.
fn threads() -> usize {
    std::thread::available_parallelism().map_or(1, |all| all.get().saturating_sub(1).max(1))
}

/// Try a prediction, and keep the eye after each chop.
///
/// # Errors
/// A line: why it cannot be tried.
pub fn tried(eye: &Eye, model: Arc<Model>, prediction: &Prediction, count: &Count) -> Result<Tried, String> {
    let trial = trial::told(eye, &model, prediction, threads(), |planned| count.chop(planned));
    let trial = trial.map_err(|why| why.to_string())?;
    let states = Which::ALL.map(|which| Arc::new(trial::after(&eye.case, &model, prediction, which)));
    Ok(Tried { trial, model, states })
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::panic)]
    use super::*;
    use crate::app::pages::{self, Around};
    use crate::app::panels::Command;
    use crate::app::panels::trial::{self, Queryable as _};
    use crate::app::practice::tests::Desk;
    use crate::app::practice::{Page, Practice};
    use crate::daily::Journal;
    use crate::daily::day::{LOOK_S, Statement};
    use crate::sim::chop;

    fn says(practice: &Practice, words: &str) -> bool {
        let bindings = crate::app::hands::Bindings::default();
        let around = Around {
            bindings: &bindings,
            remap: "",
            has_pedal: false,
            section: None,
            section_beside: None,
            note: None,
        };
        let page = trial::small_page(|ui| pages::show(ui, practice, &around));
        page.query_all_by_label_contains(words).next().is_some()
    }

    fn daily(practice: &Practice) -> &Daily {
        practice.daily.as_ref().unwrap()
    }

    /// A desk on which the eye of a day is looked at.
    fn desk() -> Desk {
        let mut desk = Desk::new();
        // What is tested hangs on no day.
        desk.practice().today = Some("2026-11-27".parse().unwrap());
        desk.ask(Command::OpenDaily);
        assert_eq!(desk.practice().page, Page::Daily);
        assert!(says(desk.practice(), "The line begins with your first eye."));
        desk.ask(Command::BeginDaily);
        desk.until("the eye is ready", |s| matches!(daily(s).stage, Stage::Look(_)));
        desk
    }

    fn expecting(expected: Expected) -> Statement {
        Statement { depth_mm: 1.5, angle_deg: 40.0, expected: Some(expected), ..Statement::default() }
    }

    #[test]
    fn an_eye_is_looked_at_stated_chopped_and_entered_and_the_day_is_over() {
        let mut desk = desk();
        assert!(says(desk.practice(), "left") && !says(desk.practice(), "Section"));
        assert!(!desk.practice().may_see_section() && !desk.practice().is_running(), "the microscope, and no time");
        let (model, at_rest, _) = desk.practice().sight().unwrap();
        desk.frames(30);
        assert_eq!(desk.practice().sight().unwrap().1.tick, at_rest.tick);
        desk.ask(Command::StateDaily);
        assert!(matches!(daily(desk.practice()).stage, Stage::Look(_)), "nothing is stated without a result");
        desk.ask(Command::ChooseStatement(expecting(Expected::Through)));
        desk.ask(Command::StateDaily);
        assert!(daily(desk.practice()).is_chopping() && says(desk.practice(), "The chop is done."));
        desk.until("what came", |s| matches!(daily(s).stage, Stage::Tried { .. }));
        // The chop that was seen comes to what is judged, though its inputs are rounded as those of any attempt.
        let seen = desk.practice().operation.as_ref().unwrap().course.state.clone();
        let Stage::Tried { tried, .. } = &daily(desk.practice()).stage else { panic!("not tried") };
        let (result, judged) = (chop::result(&seen, seen.opening.as_ref().unwrap()), &tried.trial.chops[0]);
        assert_eq!((result.complete, tried.trial.came()), (judged.cell.complete, Some(judged.came())));
        let off = result.core_fraction_cracked - judged.cell.core_fraction_cracked;
        assert!(off.abs() < 0.02, "{off}");
        assert_eq!(tried.model.field, model.field);
        let error = tried.trial.error.error;
        assert!(says(desk.practice(), &format!("Prediction error {error:.2}")));
        assert!(says(desk.practice(), "0.5 mm more peripheral: ") && says(desk.practice(), "Prediction error from "));
        let tried_first = desk.practice().sight().unwrap().1.hash();
        desk.ask(Command::PickChop(Which::Peripheral));
        let beside = desk.practice().sight().unwrap().1.hash();
        assert!(beside != tried_first, "another chop is looked at");
        // It is kept, and the day is over.
        let journal = Journal::read(&desk.folder().join(JOURNAL)).unwrap().unwrap();
        assert_eq!((journal.entries().len(), journal.entries()[0].error), (1, error));
        desk.ask(Command::Back);
        assert!(desk.practice().daily.is_none() && desk.practice().operation.is_none());
        desk.ask(Command::OpenDaily);
        assert!(says(desk.practice(), "allowed: one eye a day, on a later day"));
        desk.ask(Command::BeginDaily);
        desk.frames(30);
        assert!(matches!(daily(desk.practice()).stage, Stage::Sheet { is_waiting: false }));
    }

    #[test]
    fn stopping_is_no_chop_and_is_judged_and_whoever_leaves_has_stated_it() {
        let mut desk = desk();
        desk.ask(Command::ChooseStatement(expecting(Expected::StopAndCall)));
        desk.ask(Command::StateDaily);
        assert!(!daily(desk.practice()).is_chopping());
        desk.ask(Command::Back);
        assert_eq!(desk.practice().page, Page::Cases);
        let file = desk.folder().join(JOURNAL);
        desk.until("the day is entered", |_| file.exists());
        desk.frames(10);
        let journal = Journal::read(&file).unwrap().unwrap();
        assert_eq!((journal.entries().len(), journal.entries()[0].came), (1, None));
        assert!(desk.practice().daily.is_none());
    }

    #[test]
    fn what_is_chosen_when_the_time_is_up_counts_and_without_a_result_nothing_is_entered() {
        let mut desk = desk();
        desk.practice().frame(LOOK_S + 1.0);
        assert!(says(desk.practice(), "The time was up before a result was chosen: nothing is entered."));
        assert!(desk.practice().operation.is_none());
        desk.ask(Command::BeginDaily);
        desk.until("the eye is ready again", |s| matches!(daily(s).stage, Stage::Look(_)));
        desk.ask(Command::ChooseStatement(expecting(Expected::Hinged)));
        // Help does not hold the clock.
        desk.ask(Command::OpenHelp);
        desk.practice().frame(LOOK_S + 1.0);
        desk.ask(Command::Back);
        assert!(daily(desk.practice()).is_chopping());
        desk.until("what came", |s| matches!(daily(s).stage, Stage::Tried { .. }));
        let Stage::Tried { tried, .. } = &daily(desk.practice()).stage else { panic!("not tried") };
        assert_eq!(tried.trial.prediction.expected, Expected::Hinged);
    }

    #[test]
    fn a_journal_that_cannot_be_used_is_told_and_not_touched() {
        let mut desk = Desk::new();
        let file = desk.folder().join(JOURNAL);
        std::fs::write(&file, "no journal").unwrap();
        desk.ask(Command::OpenDaily);
        assert_eq!(desk.practice().page, Page::Cases);
        let told = desk.practice().told.clone().unwrap();
        assert!(told.contains("daily.ron cannot be read") && told.contains("allowed"), "{told}");
        assert_eq!(std::fs::read_to_string(&file).unwrap(), "no journal");
    }
}
