//! An attempt under way: the eye, what drives the hands, what is recorded, read and said.
//!
//! Plain data and logic, without a window: the eye's thread steps it in fixed ticks (`eye`), tests do the same. Hands are a person's, either
//! free (`hands::Freehand`) or in steps that are chosen and then performed (`plan::Performer`); both end in the same `Inputs`,
//! and in the same file. mm, rad, s.

use crate::app::film::Keyframes;
use crate::app::hands::{Controls, Freehand, PedalCalibration};
use crate::app::monitor::Monitor;
use crate::app::panels::Way;
use crate::app::words::{self, Words};
use crate::attempt::{Attempt, Device, Header, Setup};
use crate::case::{CaseSpec, ReadCase, Resolution, compile};
use crate::debrief::Debrief;
use crate::debrief::course::{Course, LONGEST_S};
use crate::plan::{Foot, Hands, Manoeuvre, Performer};
use crate::sim::{Inputs, Model, State};
use std::sync::Arc;

/// What was chosen before operating.
#[derive(Clone, Debug)]
pub struct Chosen {
    /// Name of the case.
    pub scenario: String,
    /// The case.
    pub case: Arc<ReadCase>,
    /// Machine, rhexis and aids.
    pub setup: Setup,
    /// Seed.
    pub seed: u64,
    /// Hands.
    pub way: Way,
    /// Power fraction at full travel, as the machine is handed over (0–1).
    pub power_limit: f64,
    /// How the foot's device reads.
    pub calibration: PedalCalibration,
}

/// Power fraction at full travel with which a machine is handed to a person (A: what the shipped plans set).
pub const POWER_LIMIT: f64 = 0.6;

/// What drives the hands.
#[derive(Clone, Debug)]
enum Driver {
    Freehand(Box<Freehand>),
    Stepwise(Box<Performer>),
    Recorded { inputs: Vec<Inputs>, hands: Box<Hands> },
}

/// An attempt under way.
#[derive(Clone, Debug)]
pub struct Operation {
    /// What was chosen.
    pub chosen: Chosen,
    /// The case as it was set up.
    pub spec: Arc<CaseSpec>,
    /// The model.
    pub model: Arc<Model>,
    /// How it goes.
    pub course: Course,
    /// Its readings.
    pub monitor: Monitor,
    /// The last words.
    pub words: Option<Words>,
    /// States kept on the way, to look at it again.
    pub keyframes: Keyframes,
    header: Header,
    driver: Driver,
    last: Option<Inputs>,
    shown: Option<Arc<State>>,
}

impl Operation {
    /// Begin.
    ///
    /// # Errors
    /// One line each: a setup outside of the case's limits, or a case that cannot be compiled.
    pub fn begin(chosen: Chosen) -> Result<Self, Vec<String>> {
        let spec = chosen.setup.apply(&chosen.case.spec)?;
        let compiled = compile(&spec, chosen.seed, Resolution::default()).map_err(|problems| {
            problems.into_iter().map(|p| chosen.case.spans.locate("", p).to_string()).collect::<Vec<_>>()
        })?;
        let model = Arc::new(compiled.model);
        let hands = Hands { power_limit: chosen.power_limit, ..Hands::ready(&model) };
        let driver = match chosen.way {
            Way::Freehand => Driver::Freehand(Box::new(Freehand::of(hands, chosen.calibration.clone()))),
            Way::Stepwise => Driver::Stepwise(Box::new(Performer::of(hands))),
        };
        let device = Device::Person(chosen.way.label().to_lowercase());
        let header = Header::with_setup(&chosen.scenario, &chosen.case.text, chosen.seed, device, chosen.setup);
        let course = Course::new(&model);
        let mut keyframes = Keyframes::default();
        keyframes.see(&course.state);
        Ok(Self { keyframes, ..Self::at_rest(Arc::new(spec), model, course, header, driver, chosen) })
    }

    /// A recorded attempt, to be gone through again: it is over when its record is.
    ///
    /// # Errors
    /// One line: why it cannot be replayed.
    pub fn recorded(attempt: &Attempt) -> Result<Self, String> {
        let (case, model) = attempt.model().map_err(|why| why.to_string())?;
        let header = attempt.header.clone();
        let spec = Arc::new(case.spec.clone());
        let chosen = Chosen {
            scenario: header.scenario.clone(),
            case: Arc::new(case),
            setup: header.setup,
            seed: header.seed,
            way: Way::Stepwise,
            power_limit: 0.0,
            calibration: PedalCalibration::default(),
        };
        let model = Arc::new(model);
        let (course, hands) = (Course::new(&model), Box::new(Hands::ready(&model)));
        let driver = Driver::Recorded { inputs: attempt.record.inputs().collect(), hands };
        Ok(Self::at_rest(spec, model, course, header, driver, chosen))
    }

    fn at_rest(
        spec: Arc<CaseSpec>,
        model: Arc<Model>,
        course: Course,
        header: Header,
        driver: Driver,
        chosen: Chosen,
    ) -> Self {
        let (monitor, keyframes) = (Monitor::default(), Keyframes::default());
        Self { chosen, spec, model, course, monitor, words: None, keyframes, header, driver, last: None, shown: None }
    }

    /// A tick. Nothing happens any more once it is over.
    pub fn tick(&mut self, controls: &Controls) {
        if self.is_over() {
            return;
        }
        let (model, state) = (&self.model, &self.course.state);
        let inputs = match &mut self.driver {
            Driver::Freehand(hands) => hands.tick(model, state, controls, model.tick_s),
            Driver::Stepwise(performer) => performer.next_or_hold(model, state),
            Driver::Recorded { inputs, hands } => {
                let Some(inputs) = inputs.get(state.tick as usize) else { return };
                (hands.foot.pedal, hands.foot.power_share) = (inputs.pedal, inputs.power_share);
                (hands.power_limit, hands.machine.bottle_pa) = (inputs.power_limit, inputs.bottle_pa);
                inputs.clone()
            }
        };
        if let Driver::Stepwise(performer) = &mut self.driver {
            performer.take_predictions().into_iter().for_each(|prediction| self.course.predict(prediction));
        }
        let events = self.course.state.events.len();
        self.course.step(&self.model, &inputs);
        self.keyframes.see(&self.course.state);
        self.monitor.see(&self.model, &self.course.state);
        self.words = words::hear(self, events);
        self.last = Some(inputs);
    }

    /// The state now, to be looked at elsewhere.
    pub fn state(&self) -> Arc<State> {
        let ready = self.shown.as_ref().filter(|shown| shown.tick == self.course.state.tick);
        ready.cloned().unwrap_or_else(|| Arc::new(self.course.state.clone()))
    }

    /// Have the state ready for whoever will look at it.
    pub fn make_ready(&mut self) {
        self.shown = Some(self.state());
    }

    /// Has it come to its end: the engine stopped, or the longest time is up?
    pub fn is_over(&self) -> bool {
        let is_played = match &self.driver {
            Driver::Recorded { inputs, .. } => self.course.state.tick as usize >= inputs.len(),
            _ => false,
        };
        is_played || self.course.state.fault.is_some() || self.time_s() >= LONGEST_S
    }

    /// Time since it began, s.
    pub fn time_s(&self) -> f64 {
        self.course.state.time_s(&self.model)
    }

    /// Perform a step, after those under way. Of hands that are free nothing is asked in steps.
    pub fn perform(&mut self, step: Manoeuvre) {
        if let Driver::Stepwise(performer) = &mut self.driver {
            performer.add(step);
        }
    }

    /// Stop the hands where they are.
    pub fn stop_hands(&mut self) {
        if let Driver::Stepwise(performer) = &mut self.driver {
            performer.stop();
        }
    }

    /// Are hands performing a step?
    pub fn is_performing(&self) -> bool {
        matches!(&self.driver, Driver::Stepwise(performer) if !performer.is_idle())
    }

    /// Is it a recorded attempt that is gone through again?
    pub fn is_recorded(&self) -> bool {
        matches!(self.driver, Driver::Recorded { .. })
    }

    /// What it began from.
    pub fn header(&self) -> Header {
        self.header.clone()
    }

    /// The hands as they are held.
    pub fn hands(&self) -> &Hands {
        match &self.driver {
            Driver::Freehand(freehand) => freehand.hands(),
            Driver::Stepwise(performer) => performer.hands(),
            Driver::Recorded { hands, .. } => hands,
        }
    }

    /// Put the foot somewhere between steps.
    pub fn set_foot(&mut self, foot: Foot) {
        if let Driver::Stepwise(performer) = &mut self.driver {
            performer.hands_mut().foot = foot;
        }
    }

    /// How far the pedal is down, 0..1, where hands are free.
    pub fn travel(&self) -> Option<f64> {
        match &self.driver {
            Driver::Freehand(freehand) => Some(freehand.travel()),
            Driver::Stepwise(_) | Driver::Recorded { .. } => None,
        }
    }

    /// What was last done.
    pub fn inputs(&self) -> Option<&Inputs> {
        self.last.as_ref()
    }

    /// Has a chop been tried?
    pub fn has_chopped(&self) -> bool {
        self.course.state.latest(|kind| matches!(kind, crate::sim::event::EventKind::ChopStarted(..))).is_some()
    }

    /// What is needed for a debrief and for the attempt's file, apart from the operation: it may go to another thread. `devices`:
    /// those with which it was steered.
    pub fn account(&self, devices: &str) -> Account {
        let mut header = self.header.clone();
        header.device = Device::Person(format!("{}, {devices}", self.chosen.way.label().to_lowercase()));
        Account { spec: self.spec.clone(), model: self.model.clone(), course: self.course.clone(), header }
    }
}

/// An operation as it stood.
pub struct Account {
    spec: Arc<CaseSpec>,
    model: Arc<Model>,
    course: Course,
    header: Header,
}

impl Account {
    /// Case, model and course.
    pub fn parts(&self) -> (Arc<CaseSpec>, Arc<Model>, Course) {
        (self.spec.clone(), self.model.clone(), self.course.clone())
    }

    /// Its debrief, and its attempt to be saved.
    pub fn settle(self) -> (Debrief, Attempt) {
        let debrief = Debrief::of(&self.course.facts(&self.spec, &self.model));
        let attempt = self.course.attempt(self.header, &debrief);
        (debrief, attempt)
    }
}
