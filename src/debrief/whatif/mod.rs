//! What would have happened: an attempt done again from a decision on with one thing changed, many times.
//!
//! The decision behind an event of a chop is the burying that led to it. From the state in which it began, or the chopper came, or
//! both instruments parted, hands do again what was done (`plan::recall`) with one change of a closed list (`change`), as nearly as
//! a trained hand does what it means to (`plan::Scatter`). Of any other event, of pieces, fluid or zonules, and where the manoeuvres
//! done exactly so do not come to the event, hands do again the movements that were recorded (`plan::again`), from before the step
//! that led to it, and from shortly before it (`deed`). The same repetition misses by the same amounts in every alternative. What is counted is how often what happened does not happen again,
//! beside how often it does not without a change.
//!
//! All changes are tried a few times; the best go on, and are counted only on hands that had no part in choosing them. What is
//! recommended is the best of those, and so looks better than it is: it is counted once more, on hands that had no part in that
//! either, and only these numbers are told; where they do not bear it out, the next is taken. A change is called *sufficient* when the interval of its rate lies above a half and that of its difference above zero, *easy*
//! when that holds for hands that miss twice as far as well. Nothing is known from this but what the model does.
//!
//! Limits: movements that are done again do not look: what a hand would have done about what it then saw is not in them. An event
//! that hands doing nearly the same do not meet again was an accident of that hand, and then no change shows a difference: the rate
//! without a change says so.

pub mod anew;
pub mod change;
pub mod deed;
mod doing;
pub mod near;
pub mod rerun;
mod trials;

use crate::attempt::Attempt;
use crate::case::CaseSpec;
use crate::plan::Hands;
use crate::plan::recall::{Recall, RecalledChop, hands_of};
use crate::sim::event::EventIndex;
use crate::sim::{Model, State, step};
use crate::statistics::rate::Rate;
use change::Change;
use deed::{Deed, Moment, Question, Start, deed, question};
use doing::Doing;
use std::sync::atomic::AtomicU32;
use trials::{Found, Inquiry, Work, inquire};

pub use deed::NoWhatIf;

/// Repetitions that are counted of each of the best changes, where nobody asks for another number.
pub const REPEATS: u32 = 24;

/// Longest time that a repetition of a chop goes on, s.
const LONGEST_S: f64 = 60.0;

/// Ticks of an attempt that is done again after which somebody may stop it.
const TICKS_AT_ONCE: u64 = 240;

/// How far it is.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Progress {
    /// Repetitions begun.
    pub done: u32,
    /// Repetitions there will be, as far as is known by now: fewer when less is worth going on with, more when two things are
    /// to be changed at once; 0 before the first.
    pub planned: u32,
}

impl Progress {
    /// The share that is done, 0..1.
    pub fn share(&self) -> f64 {
        f64::from(self.done.min(self.planned)) / f64::from(self.planned.max(1))
    }
}

/// What happened before, and when.
#[derive(Clone, Debug, PartialEq)]
pub struct Decision {
    /// When, s.
    pub t_s: f64,
    /// What was decided, a word.
    pub what: &'static str,
    /// How, in words.
    pub value: String,
}

/// Doing it otherwise.
#[derive(Clone, Debug, PartialEq)]
pub struct Alternative {
    /// What is changed: one thing, or two.
    pub changes: Vec<Change>,
    /// From when on.
    pub moment: Moment,
    /// The same, s.
    pub t_s: f64,
    /// How often what happened did not happen.
    pub avoided: Rate,
    /// How often the crack went right through.
    pub through: Rate,
    /// By how much it was avoided more often than without a change by the same hands, with its interval.
    pub difference: (f64, f64, f64),
    /// The same rate by hands that miss twice as far; `None` where that was not asked.
    pub untrained: Option<Rate>,
    /// Of what is recommended, the rate by which it was chosen: the others are counted again after that, by hands that had no part
    /// in it.
    pub chosen_by: Option<Rate>,
}

impl Alternative {
    /// Would it have sufficed?
    pub fn is_sufficient(&self) -> bool {
        let is_stop = self.changes.iter().any(Change::is_stop);
        !is_stop && self.avoided.wilson().0 > 0.5 && self.difference.1 > 0.0
    }

    /// Would it have sufficed by untrained hands as well?
    pub fn is_easy(&self) -> bool {
        self.is_sufficient() && self.untrained.is_some_and(|rate| rate.wilson().0 > 0.5)
    }

    /// What is changed, in words.
    pub fn what(&self) -> String {
        self.changes.iter().map(Change::what).collect::<Vec<_>>().join(" and ")
    }

    /// To what, in words.
    pub fn value(&self) -> String {
        self.changes.iter().map(Change::value).collect::<Vec<_>>().join(" and ")
    }
}

/// The answer.
#[derive(Clone, Debug, PartialEq)]
pub struct WhatIf {
    /// The event.
    pub event: EventIndex,
    /// Is it asked whether the crack goes through?
    pub asks_through: bool,
    /// What is counted, in words.
    pub asked: &'static str,
    /// The decision behind it.
    pub decision: Decision,
    /// What is gone through again.
    pub deed: Deed,
    /// What happens without a change, from each moment on: when, s, and how often it is avoided.
    pub unchanged: Vec<(Moment, f64, Rate)>,
    /// One thing changed each, the earliest first; of a moment in the order in which they came out at first.
    pub alternatives: Vec<Alternative>,
    /// Two things changed, where no single change suffices.
    pub pairs: Vec<Alternative>,
    /// Place in `alternatives` of the latest change that suffices.
    pub latest_sufficient: Option<usize>,
    /// The same of the earliest that is easy.
    pub earliest_easy: Option<usize>,
    /// Repetitions done, and the eye's time they took together, s.
    pub effort: (u32, f64),
}

/// The chops of an attempt; `None` when it was stopped.
fn recalled(model: &Model, attempt: &Attempt, goes_on: &impl Fn() -> bool) -> Option<Vec<RecalledChop>> {
    let (mut state, mut recall) = (State::new(model), Recall::default());
    for inputs in attempt.record.inputs() {
        if state.tick.is_multiple_of(TICKS_AT_ONCE) && !goes_on() {
            return None;
        }
        step(model, &mut state, &inputs);
        recall.note(model, &state, &inputs);
        if state.fault.is_some() {
            break;
        }
    }
    recall.finish(model, &state);
    Some(recall.chops)
}

/// The attempt as it stood at some moments, in order, and what had been done by a later tick; `None` when it was stopped.
fn starts(
    model: &Model,
    attempt: &Attempt,
    moments: &[(Moment, u64)],
    later: u64,
    goes_on: &impl Fn() -> bool,
) -> Option<(Vec<Start>, Work)> {
    let (mut state, mut hands) = (State::new(model), Hands::ready(model));
    let mut inputs = attempt.record.inputs();
    let mut found = Vec::new();
    for (moment, tick) in moments.iter().map(|(moment, tick)| (Some(*moment), *tick)).chain([(None, later)]) {
        while state.tick < tick {
            if state.tick.is_multiple_of(TICKS_AT_ONCE) && !goes_on() {
                return None;
            }
            let Some(next) = inputs.next() else { break };
            step(model, &mut state, &next);
            hands = hands_of(model, &next);
        }
        if let Some(moment) = moment.filter(|_| state.tick == tick) {
            let t_s = state.time_s(model);
            found.push(Start { moment, tick, t_s, state: state.clone(), hands: hands.clone() });
        }
    }
    Some((found, Work::of(&state)))
}

/// Which events of an attempt can be asked about, and why not the others: one answer each, in their order. `goes_on` is called
/// on the way; when it says no there is no answer.
pub fn askable(attempt: &Attempt, goes_on: impl Fn() -> bool) -> Option<Vec<Result<(), NoWhatIf>>> {
    let events = &attempt.events;
    let ask = |i: usize| goes_on().then(|| question(events, i as EventIndex).map(|_| ()));
    (0..events.len()).map(ask).collect()
}

/// Does what is feared come again when exactly that is done which is told of a chop?
fn comes_again(model: &Model, attempt: &Attempt, deed: &Deed, start: &Start, question: &Question) -> bool {
    let (Question::Without(_), Some(tail)) = (question, deed.tail(attempt, start.moment)) else { return true };
    let (mut state, mut doing) = (start.state.clone(), Doing::new(&start.hands, &tail, None));
    let (longest, seen) = ((LONGEST_S / model.tick_s) as u64, state.events.len());
    while let Some(inputs) = doing.next(model, &state) {
        step(model, &mut state, &inputs);
        if state.fault.is_some() || state.tick - start.tick > longest {
            break;
        }
    }
    state.events.iter().skip(seen).any(|e| question.is_met_by(&e.kind))
}

/// What would have happened but for the decision behind an event.
///
/// `repeats`: how often each of the best changes is counted. `goes_on` is called before each repetition, from whichever thread
/// does it, and a few times before the first; when it says no, the rest is left. The answer is the same for any number of
/// threads.
///
/// # Errors
/// No such event, none to be avoided; stopped; no threads.
pub fn whatif(
    case: &CaseSpec,
    model: &Model,
    attempt: &Attempt,
    event: EventIndex,
    repeats: u32,
    threads: usize,
    goes_on: impl Fn(Progress) -> bool + Sync,
) -> Result<WhatIf, NoWhatIf> {
    let still = || goes_on(Progress::default());
    let question = question(&attempt.events, event)?;
    let chops = recalled(model, attempt, &still).ok_or(NoWhatIf::Stopped)?;
    let last = attempt.events.len().saturating_sub(1);
    let mut deed = deed(model, &attempt.events, event, &chops).ok_or(NoWhatIf::NoEvent { event, last })?;
    let at = attempt.events.get(event as usize).map_or(0, |of| of.tick);
    // From after the event on there is nothing to be avoided; the crack goes through later than it begins.
    let is_before = |tick: u64| tick < at || question == Question::Through;
    let begun = |deed: &Deed| {
        let moments: Vec<_> = deed.moments().into_iter().filter(|(_, tick)| is_before(*tick)).collect();
        starts(model, attempt, &moments, at, &still).ok_or(NoWhatIf::Stopped)
    };
    let (mut starts, mut done) = begun(&deed)?;
    // Told as manoeuvres, a chop may lose what led to it: then the movements are done again.
    if deed.chop().is_some()
        && !starts.first().is_some_and(|start| comes_again(model, attempt, &deed, start, &question))
    {
        deed = Deed::stretch(model, &attempt.events, event, &chops);
        (starts, done) = begun(&deed)?;
    }
    let (asks_through, asked) = (question == Question::Through, question.words());
    let inquiry = Inquiry {
        model,
        case,
        attempt,
        deed: &deed,
        question,
        done_then: done,
        goes_on: &goes_on,
        done: AtomicU32::new(0),
        planned: AtomicU32::new(0),
    };
    let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build();
    let pool = pool.map_err(|error| NoWhatIf::Threads(error.to_string()))?;
    let found = pool.install(|| inquire(&inquiry, &starts, repeats.max(1)));
    let Found { unchanged, alternatives, pairs, latest_sufficient, earliest_easy, effort } =
        found.ok_or(NoWhatIf::Stopped)?;
    let (what, value) = deed.decision();
    let t_s = starts.first().map_or(0.0, |start| start.t_s);
    let decision = Decision { t_s, what, value };
    Ok(WhatIf {
        event,
        asks_through,
        asked,
        decision,
        deed,
        unchanged,
        alternatives,
        pairs,
        latest_sufficient,
        earliest_easy,
        effort,
    })
}
