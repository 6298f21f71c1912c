//! One of the answers done once, to be looked at beside what was done: the attempt up to a moment, and from there with a change.
//!
//! The hands do not miss: the run shows what the change means, and not how often it succeeds (`Rate`). It is over when the hands
//! are done or what is gone through was over in the attempt, whichever is later, and half a second of holding still after that. Nothing in it
//! is random, so the same is the same again. mm, s, ticks.
//!
//! Limits: without a change the run of a chop is what `plan::recall` tells of it, nearly what was done and not the same to the bit;
//! that of a stretch of the record is the attempt itself.

use super::change::Change;
use super::deed::Moment;
use super::doing::Doing;
use super::{LONGEST_S, TICKS_AT_ONCE, WhatIf, starts};
use crate::attempt::Attempt;
use crate::sim::{Inputs, Model, State, step};

/// Time that the hands hold still at the end, s.
const STILL_S: f64 = 0.5;

/// A run beside an attempt.
#[derive(Clone, Debug, PartialEq)]
pub struct Rerun {
    /// The tick from which on it is a run of its own.
    pub from: u64,
    /// What hands and foot did, tick by tick from the beginning of the attempt.
    pub inputs: Vec<Inputs>,
}

/// The attempt up to a moment of what an answer is about, and from there with changes; without any, as it was done.
///
/// `see` is called with the state at the moment and after each tick from then on. `goes_on` is called on the way. There is no run
/// when it says no, or when the attempt did not come to that moment.
pub fn rerun(
    model: &Model,
    attempt: &Attempt,
    answer: &WhatIf,
    moment: Moment,
    changes: &[Change],
    mut see: impl FnMut(&State),
    goes_on: impl Fn() -> bool,
) -> Option<Rerun> {
    let deed = &answer.deed;
    let (_, from) = deed.moments().into_iter().find(|(m, _)| *m == moment)?;
    let start = starts(model, attempt, &[(moment, from)], from, &goes_on)?.0.pop()?;
    let mut tail = deed.tail(attempt, moment)?;
    changes.iter().for_each(|change| change.make(&mut tail, deed.chop_before()));
    let mut doing = Doing::new(&start.hands, &tail, None);
    let mut inputs: Vec<Inputs> = attempt.record.inputs().take(from as usize).collect();
    let mut state = start.state;
    see(&state);
    let (longest, still) = ((LONGEST_S / model.tick_s) as u64, (STILL_S / model.tick_s) as u64);
    let mut end = deed.until().max(from) + still;
    while state.tick < end && state.tick - from < longest && state.fault.is_none() {
        if state.tick.is_multiple_of(TICKS_AT_ONCE) && !goes_on() {
            return None;
        }
        let (next, is_under_way) = doing.next_or_hold(model, &state);
        if is_under_way {
            end = end.max(state.tick + 1 + still);
        }
        step(model, &mut state, &next);
        inputs.push(next);
        see(&state);
    }
    Some(Rerun { from, inputs })
}
