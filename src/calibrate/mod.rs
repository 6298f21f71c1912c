//! How hard a case is, and whether its scores follow skill: simulated trainees of every skill try it on several lenses.
//!
//! A calibration is a table of attempts (`Row`): so many people, evenly spread from novice to expert, each on every one of
//! [`LENSES`] lenses that differ by seed alone. Rows depend on nothing but case, seed, person and lens, so that any number of
//! threads, and any split over machines ([`Shard`]), gives the same table. What is read from it is a pure function
//! (`reading`).
//!
//! Limits: simulated people verify the pipeline; only real surgeons can validate a score. Skill is 0–1, times s.

mod reading;
pub mod shards;

pub use reading::{Calibration, ComponentReading, PassRate};

use crate::case::{CaseSpec, Problem, Resolution, compile};
use crate::debrief::Debrief;
use crate::debrief::course::{Course, LONGEST_S, scores};
use crate::sim::Model;
use crate::trainee::{AtWork, Trainee};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

/// Lenses on which each trainee tries: the occasions over which repeatability is judged.
pub const LENSES: u32 = 3;

/// Attempts of a case where nobody asks for another number.
pub const ATTEMPTS: u32 = 60;

/// Which attempts: so many people from this seed on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Design {
    /// People; each makes [`LENSES`] attempts.
    pub people: u32,
    /// Seed of the first lens, and of the people.
    pub seed: u64,
}

impl Design {
    /// Of at least so many attempts: as many people as that takes, at least two.
    pub fn of(attempts: u32, seed: u64) -> Self {
        Self { people: attempts.div_ceil(LENSES).max(2), seed }
    }

    /// Attempts.
    pub fn attempts(&self) -> u32 {
        self.people * LENSES
    }

    /// Skill of a person, evenly spread within 0–1.
    fn skill(&self, person: u32) -> f64 {
        (f64::from(person) + 0.5) / f64::from(self.people)
    }
}

/// One part of a calibration that is split over machines: every `of`-th attempt from `part` on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Shard {
    /// Which, from 1.
    pub part: u32,
    /// Of so many.
    pub of: u32,
}

impl Shard {
    /// All of it.
    pub const WHOLE: Self = Self { part: 1, of: 1 };

    fn has(&self, attempt: u32) -> bool {
        attempt % self.of == self.part - 1
    }
}

/// One attempt of a simulated trainee.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Row {
    /// Number of the attempt within its design: person by person, lens by lens.
    pub attempt: u32,
    /// Skill of the person.
    pub skill: f64,
    /// Passed?
    pub pass: bool,
    /// 0..100.
    pub score: f64,
    /// Was a critical event met?
    pub is_critical: bool,
    /// Was the posterior capsule breached?
    pub is_breached: bool,
    /// Did the attempt run on beyond the longest time, or the engine stop? Then it is not passed.
    pub is_cut_short: bool,
    /// Name, score (`None` where it does not apply) and whether it was missed, of each component.
    pub components: Vec<(String, Option<f64>, bool)>,
    /// Eye's time, s.
    pub sim_s: f64,
}

/// Why there is no calibration.
#[derive(Debug, thiserror::Error)]
pub enum NoCalibration {
    /// The case makes no sense.
    #[error("the case does not compile")]
    Case(Vec<Problem>),
    /// The threads could not be started.
    #[error(transparent)]
    Threads(#[from] rayon::ThreadPoolBuildError),
}

/// The attempts of a design, or a shard of them, in order; `on_row` is called once for each, from whichever thread did it.
///
/// # Errors
/// A case that does not compile; no threads.
pub fn attempts(
    case: &CaseSpec,
    design: Design,
    shard: Shard,
    threads: usize,
    on_row: impl Fn() + Sync,
) -> Result<Vec<Row>, NoCalibration> {
    let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build()?;
    pool.install(|| {
        let lenses = (0..LENSES).into_par_iter().map(|lens| {
            let seed = design.seed.wrapping_add(u64::from(lens));
            compile(case, seed, Resolution::default()).map(|compiled| compiled.model)
        });
        let lenses: Vec<Model> = lenses.collect::<Result<_, _>>().map_err(NoCalibration::Case)?;
        let wanted: Vec<u32> = (0..design.attempts()).filter(|attempt| shard.has(*attempt)).collect();
        let rows = wanted.par_iter().with_max_len(1).map(|attempt| {
            let (person, lens) = (attempt / LENSES, attempt % LENSES);
            let who = design.seed.wrapping_mul(1_000_003).wrapping_add(u64::from(person));
            let trainee = Trainee::new(design.skill(person), who, u64::from(lens));
            let row = row(case, &lenses[lens as usize], trainee, *attempt);
            on_row();
            row
        });
        Ok(rows.collect())
    })
}

/// A simulated trainee's attempt, from its first tick to its last. Cut short where it runs on beyond the longest attempt.
pub fn course(case: &CaseSpec, model: &Model, trainee: Trainee) -> (Course, bool) {
    let mut course = Course::new(model);
    let mut at_work = AtWork::new(case, model, trainee);
    while let Some(inputs) = at_work.next(model, &course.state) {
        at_work.take_predictions().into_iter().for_each(|prediction| course.predict(prediction));
        course.step(model, &inputs);
        if course.state.fault.is_some() || course.state.time_s(model) > LONGEST_S {
            return (course, true);
        }
    }
    (course, false)
}

fn row(case: &CaseSpec, model: &Model, trainee: Trainee, attempt: u32) -> Row {
    let (course, is_cut_short) = course(case, model, trainee);
    let debrief = Debrief::of(&course.facts(case, model));
    let scored = scores(&debrief);
    let is_missed = debrief.components.iter().map(|c| {
        c.counts_for_pass && matches!(c.status, crate::debrief::Status::Missed | crate::debrief::Status::NotReached)
    });
    Row {
        attempt,
        skill: trainee.skill,
        pass: scored.pass && !is_cut_short,
        score: scored.score,
        is_critical: !scored.critical.is_empty(),
        is_breached: course.state.is_breached,
        is_cut_short,
        components: scored.components.into_iter().zip(is_missed).map(|(c, missed)| (c.id, c.score, missed)).collect(),
        sim_s: course.state.time_s(model),
    }
}
