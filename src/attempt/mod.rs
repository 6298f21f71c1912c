//! The recorded attempt: the case, what hands and foot did, what came of it, and how to show that the one followed from
//! the other.
//!
//! An attempt holds everything a replay needs: the whole text of the case with its hash, what was chosen within its limits
//! before operating (`setup`), the seed, the engine that ran it, and the inputs of every tick (`inputs`); and what was expected
//! before a chop (`prediction`), which changes nothing. What it claims, events, scores and the hash of the last state, is never believed: it
//! is compared with what a replay gives. `file` says how it lies on the disk.
//!
//! Limits: a replay is proof only on the same engine (`ENGINE`); another one computes another lens. Nothing here says *who*
//! held the instruments, what they saw meanwhile, nor what they expected: that an attempt was an exam, or without the section view, is told and
//! not shown. Vacuum limit and flow are inputs of every tick, so that those of the setup are told too.

mod file;
pub mod inputs;
pub mod prediction;
mod setup;

pub use file::{FORMAT, SaveError, Unusable, replace};
pub use inputs::Record;
pub use prediction::{Expected, Prediction};
pub use setup::Setup;

use crate::case::compile::problems;
use crate::case::{Fault, Problem, ReadCase, Resolution, compile, parse_case};
use crate::sim::event::Event;
use crate::sim::{Model, REVISION, State, step};
use serde::{Deserialize, Serialize};

/// The engine: the version of the program, and how often what it computes has changed since.
pub fn engine() -> String {
    format!("{}+{REVISION}", env!("CARGO_PKG_VERSION"))
}

/// What moved the hands and the foot.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Device {
    /// A plan: its title.
    Plan(String),
    /// A person with these, as the window names them.
    Person(String),
    /// A simulated trainee of this name.
    Trainee(String),
}

/// What an attempt began from.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Header {
    /// The engine that ran it.
    pub engine: String,
    /// Name of the case: its file's name without the ending.
    pub scenario: String,
    /// The case's file, whole.
    pub case_text: String,
    /// BLAKE3 of that text.
    pub case_hash: [u8; 32],
    /// Seed.
    pub seed: u64,
    /// Size of the lens's cells, mm.
    pub cell_mm: f64,
    /// Ticks a second.
    pub ticks_per_second: u32,
    /// What moved hands and foot.
    pub device: Device,
    /// What was chosen before operating.
    pub setup: Setup,
}

impl Header {
    /// Of an attempt on this engine, nothing set up otherwise than the case has it.
    pub fn new(scenario: &str, case_text: &str, seed: u64, device: Device) -> Self {
        Self::with_setup(scenario, case_text, seed, device, Setup::default())
    }

    /// Of an attempt on this engine whose setup was chosen.
    pub fn with_setup(scenario: &str, case_text: &str, seed: u64, device: Device, setup: Setup) -> Self {
        let Resolution { cell_mm, ticks_per_second } = Resolution::default();
        Self {
            engine: engine(),
            scenario: scenario.to_string(),
            case_text: case_text.to_string(),
            case_hash: *blake3::hash(case_text.as_bytes()).as_bytes(),
            seed,
            cell_mm,
            ticks_per_second,
            device,
            setup,
        }
    }

    /// What was set up otherwise than the case has it, as `bottle 80 cm, exam`; `None` when nothing was, or the case
    /// cannot be used.
    pub fn setup_in_words(&self) -> Option<String> {
        self.setup.in_words(&parse_case("", &self.case_text).ok()?.spec)
    }
}

/// The score of one component.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ComponentScore {
    /// Which.
    pub id: String,
    /// What was measured; `None` where it was not reached.
    pub value: Option<f64>,
    /// 0..1; `None` where it does not apply.
    pub score: Option<f64>,
    /// What the case asked for, in words: a goal changed afterwards shows here though nothing else may come of it.
    pub asked: String,
}

/// What was scored.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Scores {
    /// Passed?
    pub pass: bool,
    /// 0..100.
    pub score: f64,
    /// Critical events in plain words.
    pub critical: Vec<String>,
    /// By component.
    pub components: Vec<ComponentScore>,
}

/// A recorded attempt.
#[derive(Clone, Debug, PartialEq)]
pub struct Attempt {
    /// What it began from.
    pub header: Header,
    /// What hands and foot did.
    pub record: Record,
    /// What was expected before chops, in the order in which it was stated; no two at the same tick.
    pub predictions: Vec<Prediction>,
    /// What is claimed to have happened.
    pub events: Vec<Event>,
    /// What is claimed to have been scored.
    pub scores: Scores,
    /// Claimed hash of the last state.
    pub state_hash: [u8; 32],
}

/// Why an attempt cannot be replayed here.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum NoReplay {
    /// Another engine.
    #[error("was recorded by engine {recorded}, and this is {here}: it can only be replayed by its own")]
    OtherEngine {
        /// Its engine.
        recorded: String,
        /// This one.
        here: String,
    },
    /// The case it holds is not the one it names by hash.
    #[error("holds another case than the one it was recorded on: its text does not have the hash that goes with it")]
    SwappedCase,
    /// The case it holds cannot be used.
    #[error("holds a case that cannot be used: {}", .0.first().map_or_else(String::new, ToString::to_string))]
    Case(Vec<Fault>),
    /// It was set up as its case does not allow: a clause for each choice.
    #[error("was set up outside the limits of its case: {}", .0.join("; "))]
    Setup(Vec<String>),
}

impl NoReplay {
    /// Is it for want of the engine, rather than a fault of the file?
    pub fn is_other_engine(&self) -> bool {
        matches!(self, Self::OtherEngine { .. })
    }
}

impl Attempt {
    /// The case as it was set up, with the text as it was written, and the model it ran on.
    ///
    /// # Errors
    /// Another engine, a case that is not the one named, one that cannot be used, or a setup that it does not allow.
    pub fn model(&self) -> Result<(ReadCase, Model), NoReplay> {
        let header = &self.header;
        if header.engine != engine() {
            return Err(NoReplay::OtherEngine { recorded: header.engine.clone(), here: engine() });
        }
        if *blake3::hash(header.case_text.as_bytes()).as_bytes() != header.case_hash {
            return Err(NoReplay::SwappedCase);
        }
        let name = format!("{}.ron", header.scenario);
        let mut case = parse_case(&name, &header.case_text).map_err(NoReplay::Case)?;
        let faults = |found: Vec<Problem>| {
            NoReplay::Case(found.into_iter().map(|problem| case.spans.locate(&name, problem)).collect())
        };
        // As written first: a setup must not hide the faults of its case.
        let found = problems(&case.spec);
        if found.iter().any(|problem| !problem.is_warning) {
            return Err(faults(found));
        }
        let spec = header.setup.apply(&case.spec).map_err(NoReplay::Setup)?;
        let resolution = Resolution { cell_mm: header.cell_mm, ticks_per_second: header.ticks_per_second };
        let model = compile(&spec, header.seed, resolution).map_err(faults)?.model;
        case.spec = spec;
        Ok((case, model))
    }

    /// Do again what hands and foot did; `look` sees each tick.
    pub fn replay(&self, model: &Model, mut look: impl FnMut(&Model, &State)) -> State {
        let mut state = State::new(model);
        for inputs in self.record.inputs() {
            step(model, &mut state, &inputs);
            look(model, &state);
            if state.fault.is_some() {
                break;
            }
        }
        state
    }
}
