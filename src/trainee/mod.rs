//! Simulated trainees: people of another skill each, who see what a learner sees and decide by what they believe.
//!
//! A trainee is a skill, 0 a novice and 1 an expert with everything between, a tolerance for risk, and a seed for all that is
//! luck. What follows from skill stands in one place (`traits`). What is seen of eye and lens, and how unsurely, in another
//! (`sight`): only that room of theirs looks into the engine. What is decided on that, in a third (`policy`): manoeuvres, done
//! by hands that miss (`plan::Scatter`). None of them knows a case's answer, nor its goals beyond what it asks to be done.
//!
//! Their purpose is to try the pipeline: whether cases can be passed, how hard they are, whether scores follow skill. They are
//! no evidence that a score measures real surgeons; only real surgeons can show that.
//!
//! The traits were set so that breaches and ratings of novices and experts come in the *order and ratio* of published
//! frequencies (`traits`), on seeds kept for that, and then frozen under a [`VERSION`] before any separation was measured
//! (`docs/scoring.md`). Whoever changes them counts the version up and measures anew.
//!
//! Same case, lens, trainee and try: the same attempt, bit for bit. Lengths mm, angles degrees, times s.

mod policy;
mod sight;
mod traits;

use crate::attempt::{Expected, Prediction};
use crate::case::CaseSpec;
use crate::plan::{Manoeuvre, Performer};
use crate::sim::random::{Key, Purpose};
use crate::sim::{Inputs, Model, State};
use policy::Policy;
use sight::Sight;
use traits::Traits;

/// How often trainees have changed since they were first frozen: results of different versions are not compared.
pub const VERSION: u32 = 1;

/// Skill up to which one counts as a novice, and from which as an expert.
pub const NOVICE: f64 = 1.0 / 3.0;
/// See [`NOVICE`].
pub const EXPERT: f64 = 2.0 / 3.0;

/// A simulated trainee.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Trainee {
    /// 0 novice – 1 expert.
    pub skill: f64,
    /// Tolerance for risk: 0 is ordinary, 1 a standard deviation more than ordinary.
    pub daring: f64,
    /// What makes this one another than the next of equal skill, and this try another than the next.
    pub seed: u64,
}

impl Trainee {
    /// One of this skill; `person` tells those of equal skill apart. Daring goes with the person, luck with person and try.
    pub fn new(skill: f64, person: u64, attempt: u64) -> Self {
        let who = Key { seed: person, purpose: Purpose::Trainee, place: [0; 3], tick: 0 };
        let daring = who.normal(0).clamp(-2.0, 2.0);
        Self { skill: skill.clamp(0.0, 1.0), daring, seed: Key { tick: 1 + attempt, ..who }.bits(0) }
    }

    /// Ability on the logit scale on which difficulties are given: −2 a novice, 2 an expert.
    pub fn ability(skill: f64) -> f64 {
        4.0 * (skill - 0.5)
    }

    /// A name for the record.
    pub fn name(&self) -> String {
        format!("skill {:.2}, version {VERSION}", self.skill)
    }
}

/// A trainee at work on a case.
#[derive(Clone, Debug)]
pub struct AtWork {
    performer: Performer,
    sight: Sight,
    policy: Policy,
    /// Share of ultrasound that the foot gives while the tip is buried.
    foot: f64,
    /// How far hand and foot go with what the tip meets: 0 not at all, 1 wholly.
    feels: f64,
    dice: Dice,
    /// What the hands and the foot were meant to do in the last tick.
    last: Option<Inputs>,
    /// Was it said already what is expected of the first chop?
    has_predicted: bool,
}

/// How fast a foot goes with what the tip meets, shares a second; what it begins with, and the least it gives (A).
const FOOT_PER_S: f64 = 1.5;
const FIRST_FOOT: f64 = 0.4;
const LEAST_FOOT: f64 = 0.2;

impl AtWork {
    /// Before anything is done.
    pub fn new(case: &CaseSpec, model: &Model, trainee: Trainee) -> Self {
        let dice = Dice { seed: trainee.seed };
        let traits = Traits::of(trainee.skill, trainee.daring);
        let sight = Sight::new(case, model, &traits, dice);
        let feels = traits.feels;
        let policy = Policy::new(sight.sheet().clone(), traits, dice);
        Self {
            performer: Performer::of(crate::plan::Hands::ready(model)),
            sight,
            policy,
            foot: FIRST_FOOT,
            feels,
            dice,
            last: None,
            has_predicted: false,
        }
    }

    /// What was said to be expected since this was last asked: before the first burial for a chop, what is meant to be done,
    /// and that it goes right through, for none of them chops without believing that. It changes nothing.
    pub fn take_predictions(&mut self) -> Vec<Prediction> {
        self.performer.take_predictions()
    }

    /// The inputs of the next tick; `None` when the trainee is done.
    pub fn next(&mut self, model: &Model, state: &State) -> Option<Inputs> {
        let seen = self.sight.look(model, state);
        if self.policy.is_startled(&seen) {
            self.performer.stop();
        }
        while self.performer.is_idle() {
            let steps = self.policy.decide(&seen)?;
            for step in steps {
                if let Manoeuvre::Bury { depth_mm, angle_deg, place_mm, .. } = step
                    && self.policy.is_burying()
                    && !self.has_predicted
                {
                    self.has_predicted = true;
                    let expected = Expected::Through;
                    self.performer.add(Manoeuvre::Predict { depth_mm, angle_deg, place_mm, expected });
                }
                self.performer.add(step);
            }
        }
        let is_burying = seen.is_boring && self.policy.is_burying();
        let mut inputs = match self.last.take().filter(|_| is_burying && seen.yields && self.waits(state)) {
            Some(last) => last,
            None => self.performer.next_or_hold(model, state),
        };
        self.last = Some(inputs.clone());
        self.ease(is_burying, seen.yields, model.tick_s, &mut inputs);
        Some(inputs)
    }

    /// Does the hand wait, this tick, for a lens that gives way before the tip?
    fn waits(&self, state: &State) -> bool {
        self.dice.happens(Luck::Waits, state.tick, 0, self.feels)
    }

    /// While the tip is buried the foot gives no more ultrasound than it needs to sink: less while the tip goes freely, more
    /// where the lens gives way before it.
    fn ease(&mut self, is_burying: bool, yields: bool, tick_s: f64, inputs: &mut Inputs) {
        if !(is_burying && inputs.pedal.position == 3) {
            self.foot = FIRST_FOOT;
            return;
        }
        let by = if yields { FOOT_PER_S } else { -FOOT_PER_S };
        self.foot = (self.foot + by * tick_s).clamp(LEAST_FOOT, 1.0);
        inputs.pedal.share *= 1.0 - self.feels * (1.0 - self.foot);
    }
}

/// Luck: a number for each question, whatever was asked before.
#[derive(Clone, Copy, Debug)]
struct Dice {
    seed: u64,
}

/// What luck is asked about.
#[derive(Clone, Copy, Debug)]
enum Luck {
    Sheet = 1,
    Notice = 2,
    Depth = 3,
    Angle = 4,
    Foot = 5,
    Hands = 6,
    Feel = 7,
    Look = 8,
    Waits = 9,
}

impl Dice {
    fn key(self, about: Luck, turn: u64) -> Key {
        Key { seed: self.seed, purpose: Purpose::Trainee, place: [about as i32, 0, 0], tick: turn }
    }

    /// Standard normal.
    fn normal(self, about: Luck, turn: u64, index: u64) -> f64 {
        self.key(about, turn).normal(index)
    }

    /// Does something of this chance happen?
    fn happens(self, about: Luck, turn: u64, index: u64, chance: f64) -> bool {
        self.key(about, turn).uniform(index) < chance
    }
}
