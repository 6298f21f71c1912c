//! An attempt as it ran, first or again: its last state, what was noted on the way, and what hands and foot did.

use crate::attempt::{Attempt, ComponentScore, Device, Header, Prediction, Record, Scores};
use crate::case::CaseSpec;
use crate::debrief::{Debrief, Facts, Status, Trace, Watch};
use crate::plan::{Performer, PlanSpec};
use crate::sim::{Inputs, Model, State, step};

/// Longest attempt, s of simulated time.
pub const LONGEST_S: f64 = 600.0;

/// The course of an attempt.
#[derive(Clone, Debug)]
pub struct Course {
    /// Its last state, with all events.
    pub state: State,
    /// What was noted on the way.
    pub watch: Watch,
    /// How pressures, flow, foot and distance went.
    pub trace: Trace,
    /// What hands and foot did.
    pub record: Record,
    /// What was expected before chops, as an attempt keeps it.
    pub predictions: Vec<Prediction>,
}

impl Course {
    /// Before the first tick.
    pub fn new(model: &Model) -> Self {
        let (watch, trace, record) = (Watch::default(), Trace::default(), Record::default());
        Self { state: State::new(model), watch, trace, record, predictions: Vec::new() }
    }

    /// Something is expected of the next chop. What was said later at the same tick takes the place of what was said before;
    /// what is out of range is not kept.
    pub fn predict(&mut self, prediction: Prediction) {
        let prediction = Prediction { tick: self.record.ticks() as u64, ..prediction };
        self.predictions.retain(|earlier| earlier.tick < prediction.tick);
        if prediction.is_in_range() {
            self.predictions.push(prediction);
        }
    }

    /// A tick: the inputs are rounded to what is recorded, and kept.
    pub fn step(&mut self, model: &Model, inputs: &Inputs) {
        let inputs = self.record.keep(inputs);
        step(model, &mut self.state, &inputs);
        self.watch.note(model, &self.state);
        self.trace.note(model, &self.state);
    }

    /// A plan from its first tick to its last. `None` when it goes on beyond [`LONGEST_S`]; it ends early where the engine
    /// stopped.
    pub fn of_plan(model: &Model, plan: &PlanSpec) -> Option<Self> {
        let mut course = Self::new(model);
        let mut performer = Performer::new(model, plan);
        loop {
            let next = performer.next(model, &course.state);
            performer.take_predictions().into_iter().for_each(|prediction| course.predict(prediction));
            let Some(inputs) = next else { break };
            course.step(model, &inputs);
            if course.state.fault.is_some() {
                break;
            }
            if course.state.time_s(model) > LONGEST_S {
                return None;
            }
        }
        Some(course)
    }

    /// A recorded attempt again.
    pub fn again(model: &Model, attempt: &Attempt) -> Self {
        let (mut watch, mut trace) = (Watch::default(), Trace::default());
        let state = attempt.replay(model, |model, state| {
            watch.note(model, state);
            trace.note(model, state);
        });
        Self { state, watch, trace, record: attempt.record.clone(), predictions: attempt.predictions.clone() }
    }

    /// What a debrief is made from.
    pub fn facts<'a>(&'a self, case: &'a CaseSpec, model: &'a Model) -> Facts<'a> {
        Facts { case, model, state: &self.state, watch: &self.watch, predictions: &self.predictions }
    }

    /// To be saved.
    pub fn attempt(self, header: Header, debrief: &Debrief) -> Attempt {
        Attempt {
            header,
            record: self.record,
            predictions: self.predictions,
            scores: scores(debrief),
            state_hash: *self.state.hash().as_bytes(),
            events: self.state.events,
        }
    }
}

/// The scores of a debrief, as an attempt keeps them.
pub fn scores(debrief: &Debrief) -> Scores {
    let components = debrief.components.iter();
    Scores {
        pass: debrief.outcome.pass,
        score: debrief.outcome.score,
        critical: debrief.outcome.critical.clone(),
        components: components
            .map(|c| ComponentScore {
                id: c.id.to_string(),
                value: c.value,
                score: (c.status != Status::NotApplicable).then_some(c.score),
                asked: c.wanted.clone(),
            })
            .collect(),
    }
}

/// What an attempt was made with, for a heading.
pub fn made_with(device: &Device) -> (&'static str, &str) {
    match device {
        Device::Plan(title) => ("Plan", title),
        Device::Person(with) => ("By hand", with),
        Device::Trainee(name) => ("Simulated trainee", name),
    }
}
