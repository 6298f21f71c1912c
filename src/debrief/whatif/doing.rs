//! What hands do from a moment on, tick by tick: steps, then what was recorded, then holding still for as long as is asked.

use super::change::Tail;
use crate::plan::again::{Again, Repeater};
use crate::plan::recall::hands_of;
use crate::plan::{Hands, Performer, PlanSpec, Scatter};
use crate::sim::{Inputs, Model, State};

/// It under way.
pub(super) struct Doing {
    performer: Performer,
    again: Option<Again>,
    repeater: Option<Repeater>,
    errors: Option<(Scatter, u64)>,
    has_steps: bool,
    /// Ticks of holding still at the end.
    still: u64,
}

impl Doing {
    /// From how hands stand; as nearly as hands of a scatter do it, for a seed, or exactly so.
    pub(super) fn new(hands: &Hands, tail: &Tail, errors: Option<(Scatter, u64)>) -> Self {
        let mut performer = Performer::of(hands.clone());
        let done = match &errors {
            Some((scatter, seed)) => {
                PlanSpec { format: 1, title: String::new(), steps: tail.steps.clone() }.by_hand(scatter, *seed).steps
            }
            None => tail.steps.clone(),
        };
        tail.before.iter().chain(&done).chain(&tail.after).for_each(|step| performer.add(step.clone()));
        let recorded = tail.again.as_ref().map_or(0, |again| again.inputs.len() as u64);
        Self {
            has_steps: !performer.is_idle(),
            performer,
            again: tail.again.clone(),
            repeater: None,
            errors,
            still: tail.lasts.saturating_sub(recorded),
        }
    }

    /// The inputs of the next tick; `None` when all is done.
    pub(super) fn next(&mut self, model: &Model, state: &State) -> Option<Inputs> {
        if let Some(inputs) = self.performer.next(model, state) {
            // Where nothing recorded follows, the time that steps take is part of it.
            if self.again.is_none() && self.repeater.is_none() {
                self.still = self.still.saturating_sub(1);
            }
            return Some(inputs);
        }
        if let Some(again) = self.again.take() {
            let from = self.has_steps.then(|| self.performer.hands());
            self.repeater = Some(again.by(self.errors, model, from));
        }
        if let Some(inputs) = self.repeater.as_mut().and_then(|repeater| repeater.next(model)) {
            *self.performer.hands_mut() = hands_of(model, &inputs);
            return Some(inputs);
        }
        if self.still == 0 {
            return None;
        }
        self.still -= 1;
        Some(self.performer.next_or_hold(model, state))
    }

    /// The inputs of the next tick; held still when all is done.
    pub(super) fn next_or_hold(&mut self, model: &Model, state: &State) -> (Inputs, bool) {
        match self.next(model, state) {
            Some(inputs) => (inputs, true),
            None => (self.performer.next_or_hold(model, state), false),
        }
    }
}
