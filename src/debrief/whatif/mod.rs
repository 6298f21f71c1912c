//! What would have happened: an attempt done again from a decision on with one thing changed, many times.
//!
//! The decision behind an event is the burying that led to it. From the state in which it began, or the chopper came, or both
//! instruments parted, hands do again what was done (`plan::recall`) with one change of a closed list (`change`), as nearly as
//! a trained hand does what it means to (`plan::Scatter`); the same repetition misses by the same amounts in every alternative.
//! What is counted is how often what happened does not happen again (`rate`), beside how often it does not without a change.
//!
//! All changes are tried a few times; the best go on, and are counted only on hands that had no part in choosing them. A
//! change is called *sufficient* when the interval of its rate lies above a half and that of its difference above zero, *easy*
//! when that holds for hands that miss twice as far as well. Nothing is known from this but what the model does.
//!
//! Limits: decisions of a chop only; what came of pieces is not asked here. An event that hands doing nearly the same do not
//! meet again was an accident of that hand, and then no change shows a difference: the rate without a change says so.

pub mod change;
pub mod near;
pub mod rate;
pub mod rerun;

use crate::attempt::Attempt;
use crate::case::CaseSpec;
use crate::plan::recall::{Recall, RecalledChop, hands_of};
use crate::plan::{Hands, Manoeuvre, Performer, PlanSpec, Scatter};
use crate::sim::event::{Event, EventIndex, EventKind};
use crate::sim::{Model, State, chop, step};
use change::{Change, Moment, Tail, changes};
use rate::Rate;
use rayon::prelude::*;
use std::mem::discriminant;
use std::sync::atomic::{AtomicU32, Ordering};

/// Repetitions that are counted of each of the best changes, where nobody asks for another number.
pub const REPEATS: u32 = 24;

/// Share of those with which every change is tried.
const TRIED: u32 = 3;

/// Most changes that go on.
const GO_ON: usize = 8;

/// Seeds of the hands that are counted begin here, those of the first tries at 0.
const FRESH: u64 = 1 << 32;

/// Longest time that a repetition goes on, s.
const LONGEST_S: f64 = 60.0;

/// How much further an untrained hand misses (A).
const UNTRAINED: f64 = 2.0;

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

/// What is asked of a repetition.
#[derive(Clone, Debug, PartialEq)]
enum Question {
    /// Does an event of this kind not happen?
    Without(EventKind),
    /// Does the crack go right through?
    Through,
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
    /// Is it asked whether the crack goes through (else whether the event does not happen)?
    pub asks_through: bool,
    /// The decision behind it.
    pub decision: Decision,
    /// The chop that it began, as it was done.
    pub chop: RecalledChop,
    /// What happens without a change, from each moment on: when, s, and how often it is avoided.
    pub unchanged: Vec<(Moment, f64, Rate)>,
    /// One thing changed each, the earliest first, the best of a moment first.
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

/// Why nothing can be said.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NoWhatIf {
    /// There is no such event.
    #[error("has no event {event}; allowed: 0–{last}")]
    NoEvent {
        /// What was asked for.
        event: EventIndex,
        /// The last there is.
        last: usize,
    },
    /// It is nothing to be avoided.
    #[error("event {event} is a step, not an outcome; allowed: an outcome, such as {}", in_a_row(such))]
    NoOutcome {
        /// What was asked for.
        event: EventIndex,
        /// Events of this attempt that could be asked about.
        such: Vec<EventIndex>,
    },
    /// It belongs to no chop.
    #[error(
        "event {event} belongs to no chop; allowed: events between a burying and the end of its chop, such as {}",
        in_a_row(such)
    )]
    NoChop {
        /// What was asked for.
        event: EventIndex,
        /// Such events of this attempt.
        such: Vec<EventIndex>,
    },
    /// It was stopped.
    #[error("was stopped")]
    Stopped,
    /// The threads could not be started.
    #[error("the threads cannot be started: {0}")]
    Threads(String),
}

/// Is an event something that one would have otherwise, or a step on the way?
fn question(kind: &EventKind) -> Option<Question> {
    use EventKind as K;
    match kind {
        K::ChopStarted(_) | K::ChopEnded(_) | K::BodySplit { .. } => Some(Question::Through),
        K::PedalMoved { .. }
        | K::TipEnteredLens
        | K::TipEnteredCore { .. }
        | K::ChopperEntered
        | K::Gripped { .. }
        | K::Pulled { .. }
        | K::LetGo { .. }
        | K::PieceRemoved { .. }
        | K::NucleusRemoved { .. }
        | K::BottleMoved { .. }
        | K::BlockReleased { .. }
        | K::WaveInjected { .. }
        | K::Turning
        | K::Called
        | K::NeedleWithdrawn { .. } => None,
        other => Some(Question::Without(other.clone())),
    }
}

/// Where the attempt stood at a moment.
struct Start {
    moment: Moment,
    t_s: f64,
    state: State,
    hands: Hands,
}

/// What a repetition came to.
#[derive(Clone, Copy, Debug, Default)]
struct Outcome {
    is_avoided: bool,
    is_through: bool,
    took_s: f64,
}

/// How often, of some repetitions.
#[derive(Clone, Copy, Debug, Default)]
struct Count {
    avoided: Rate,
    through: Rate,
    runs: u32,
    took_s: f64,
}

struct Inquiry<'a, F> {
    model: &'a Model,
    question: Question,
    /// Did both instruments part in the attempt?
    has_parted: bool,
    goes_on: F,
    /// Repetitions begun, and planned.
    done: AtomicU32,
    planned: AtomicU32,
}

impl<F: Fn(Progress) -> bool + Sync> Inquiry<'_, F> {
    /// One repetition more is begun: shall it be done?
    fn goes_on(&self) -> bool {
        let done = self.done.fetch_add(1, Ordering::Relaxed);
        (self.goes_on)(Progress { done, planned: self.planned.load(Ordering::Relaxed) })
    }

    /// There will be more, or fewer.
    fn plan(&self, more: u64, fewer: u64) {
        let planned = u64::from(self.planned.load(Ordering::Relaxed)) + more;
        self.planned.store(planned.saturating_sub(fewer) as u32, Ordering::Relaxed);
    }

    /// One repetition.
    fn once(&self, start: &Start, tail: &Tail, scatter: &Scatter, seed: u64) -> Outcome {
        let done = PlanSpec { format: 1, title: String::new(), steps: tail.steps.clone() }.by_hand(scatter, seed);
        let mut performer = Performer::of(start.hands.clone());
        tail.before.iter().chain(&done.steps).chain(&tail.after).for_each(|step| performer.add(step.clone()));
        let mut state = start.state.clone();
        let (events, begun) = (state.events.len(), state.tick);
        let longest = (LONGEST_S / self.model.tick_s) as u64;
        while let Some(inputs) = performer.next(self.model, &state) {
            step(self.model, &mut state, &inputs);
            if state.fault.is_some() || state.tick - begun > longest {
                break;
            }
        }
        let new = &state.events[events.min(state.events.len())..];
        let is_through = has_gone_through(&state, new);
        let is_started = |e: &Event| matches!(e.kind, EventKind::ChopStarted(_));
        let has_parted = start.moment == Moment::Parting || new.iter().any(is_started);
        let is_avoided = match &self.question {
            Question::Through => is_through,
            // Where nothing was done nothing went wrong: that counts only where stopping was meant.
            Question::Without(kind) => {
                let happens = new.iter().any(|e| discriminant(&e.kind) == discriminant(kind));
                !happens && (has_parted || !self.has_parted || tail.steps.is_empty())
            }
        };
        Outcome { is_avoided, is_through, took_s: (state.tick - begun) as f64 * self.model.tick_s }
    }

    /// Several tails from the same start, each so many times; in the order given, whatever the threads.
    fn count(
        &self,
        start: &Start,
        tails: &[Tail],
        scatter: &Scatter,
        seeds: std::ops::Range<u64>,
    ) -> Option<Vec<Count>> {
        let runs: Vec<(usize, u64)> = (0..tails.len()).flat_map(|t| seeds.clone().map(move |s| (t, s))).collect();
        let outcomes: Option<Vec<Outcome>> = runs
            .par_iter()
            .with_max_len(1)
            .map(|(tail, seed)| self.goes_on().then(|| self.once(start, &tails[*tail], scatter, *seed)))
            .collect();
        let each = (seeds.end - seeds.start) as usize;
        Some(outcomes?.chunks(each.max(1)).map(Count::of).collect())
    }
}

impl Count {
    fn of(outcomes: &[Outcome]) -> Self {
        Self {
            avoided: outcomes.iter().map(|o| o.is_avoided).sum(),
            through: outcomes.iter().map(|o| o.is_through).sum(),
            runs: outcomes.len() as u32,
            took_s: outcomes.iter().map(|o| o.took_s).sum(),
        }
    }
}

/// Did the crack go right through, in what is over or in what is still open?
fn has_gone_through(state: &State, new: &[Event]) -> bool {
    let is_through = |e: &Event| matches!(&e.kind, EventKind::ChopEnded(result) if result.complete);
    new.iter().any(is_through) || state.opening.as_ref().is_some_and(|o| chop::result(state, o).complete)
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

/// The tick at which a moment of a chop begins; `None` where the attempt did not come so far.
fn tick_of(chop: &RecalledChop, moment: Moment) -> Option<u64> {
    match moment {
        Moment::Burying => Some(chop.from),
        Moment::Holding => chop.chop.as_ref().map(|_| chop.buried),
        Moment::Parting => chop.parting,
    }
}

/// The attempt as it stood at some ticks, in order; `None` when it was stopped.
fn starts(
    model: &Model,
    attempt: &Attempt,
    ticks: &[(Moment, u64)],
    goes_on: &impl Fn() -> bool,
) -> Option<Vec<Start>> {
    let (mut state, mut hands) = (State::new(model), Hands::ready(model));
    let mut inputs = attempt.record.inputs();
    let mut found = Vec::new();
    for (moment, tick) in ticks {
        while state.tick < *tick {
            if state.tick.is_multiple_of(TICKS_AT_ONCE) && !goes_on() {
                return None;
            }
            let Some(next) = inputs.next() else { return Some(found) };
            step(model, &mut state, &next);
            hands = hands_of(model, &next);
        }
        found.push(Start { moment: *moment, t_s: state.time_s(model), state: state.clone(), hands: hands.clone() });
    }
    Some(found)
}

/// Most events that are named as such that can be asked about.
const MOST_NAMED: usize = 8;

/// A few events in a row, in words.
fn in_a_row(events: &[EventIndex]) -> String {
    let names: Vec<String> = events.iter().take(MOST_NAMED).map(ToString::to_string).collect();
    if names.is_empty() { "none of this attempt".to_owned() } else { names.join(", ") }
}

/// The chop that an event belongs to.
fn chop_of<'a>(event: &Event, chops: &'a [RecalledChop]) -> Option<&'a RecalledChop> {
    chops.iter().find(|c| c.from < event.tick && event.tick <= c.over)
}

/// What is asked about an event, and the chop it belongs to.
fn asked<'a>(
    events: &[Event],
    chops: &'a [RecalledChop],
    event: EventIndex,
) -> Result<(Question, &'a RecalledChop), NoWhatIf> {
    let last = events.len().saturating_sub(1);
    let of = events.get(event as usize).ok_or(NoWhatIf::NoEvent { event, last })?;
    let can = |e: &Event| question(&e.kind).is_some() && chop_of(e, chops).is_some();
    let such = || (0..).zip(events).filter(|(_, e)| can(e)).map(|(i, _)| i).collect();
    let question = question(&of.kind).ok_or_else(|| NoWhatIf::NoOutcome { event, such: such() })?;
    let chop = chop_of(of, chops).ok_or_else(|| NoWhatIf::NoChop { event, such: such() })?;
    Ok((question, chop))
}

/// Which events of an attempt can be asked about, and why not the others: one answer each, in their order. `goes_on` is called
/// while the attempt is done again; when it says no there is no answer.
pub fn askable(model: &Model, attempt: &Attempt, goes_on: impl Fn() -> bool) -> Option<Vec<Result<(), NoWhatIf>>> {
    let chops = recalled(model, attempt, &goes_on)?;
    let events = &attempt.events;
    Some((0..events.len()).map(|i| asked(events, &chops, i as EventIndex).map(|_| ())).collect())
}

/// How a chop was begun, in words.
fn in_words(chop: &RecalledChop) -> String {
    let Manoeuvre::Bury { depth_mm, angle_deg, place_mm: (x, y), .. } = &chop.bury else { return String::new() };
    format!("{depth_mm:.2} mm deep at {angle_deg:.0}°, {x:.1}, {y:.1} mm from the lens's axis")
}

/// What would have happened but for the decision behind an event.
///
/// `repeats`: how often each of the best changes is counted. `goes_on` is called before each repetition, from whichever thread
/// does it, and a few times before the first; when it says no, the rest is left. The answer is the same for any number of
/// threads.
///
/// # Errors
/// No such event, none to be avoided, none of a chop; stopped; no threads.
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
    let chops = recalled(model, attempt, &still).ok_or(NoWhatIf::Stopped)?;
    let (question, chop) = asked(&attempt.events, &chops, event)?;
    let at = attempt.events.get(event as usize).map_or(0, |of| of.tick);
    // From after the event on there is nothing to be avoided; the crack goes through later than it begins.
    let is_before = |tick: u64| tick < at || question == Question::Through;
    let ticks = Moment::ALL.into_iter().filter_map(|moment| Some((moment, tick_of(chop, moment)?)));
    let ticks: Vec<_> = ticks.filter(|(_, tick)| is_before(*tick)).collect();
    let starts = starts(model, attempt, &ticks, &still).ok_or(NoWhatIf::Stopped)?;
    let asks_through = question == Question::Through;
    let (done, planned) = (AtomicU32::new(0), AtomicU32::new(0));
    let has_parted = chop.chop.is_some();
    let inquiry = Inquiry { model, question, has_parted, goes_on: &goes_on, done, planned };
    let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build();
    let pool = pool.map_err(|error| NoWhatIf::Threads(error.to_string()))?;
    let found = pool.install(|| inquire(&inquiry, case, chop, &starts, repeats.max(1)));
    let (unchanged, alternatives, pairs, effort) = found.ok_or(NoWhatIf::Stopped)?;
    let places = || (0..alternatives.len()).map(|i| (i, &alternatives[i]));
    // Of equals the one with which the chop comes out best as well.
    let better = |a: &Alternative, b: &Alternative| {
        a.difference.0.total_cmp(&b.difference.0).then(a.through.share().total_cmp(&b.through.share()))
    };
    let latest_sufficient = places()
        .filter(|(_, a)| a.is_sufficient())
        .max_by(|(_, a), (_, b)| a.moment.cmp(&b.moment).then(better(a, b)))
        .map(|(i, _)| i);
    let earliest_easy = places()
        .filter(|(_, a)| a.is_easy())
        .max_by(|(_, a), (_, b)| b.moment.cmp(&a.moment).then(better(a, b)))
        .map(|(i, _)| i);
    let t_s = starts.first().map_or(0.0, |start| start.t_s);
    let decision = Decision { t_s, what: Moment::Burying.words(), value: in_words(chop) };
    Ok(WhatIf {
        event,
        asks_through,
        decision,
        chop: chop.clone(),
        unchanged,
        alternatives,
        pairs,
        latest_sufficient,
        earliest_easy,
        effort,
    })
}

type Found = (Vec<(Moment, f64, Rate)>, Vec<Alternative>, Vec<Alternative>, (u32, f64));

/// What was done and what could have been from a moment on, counted.
struct Trials<'a, F> {
    inquiry: &'a Inquiry<'a, F>,
    repeats: u32,
    /// Repetitions done, and the eye's time they took, s.
    effort: (u32, f64),
}

impl<F: Fn(Progress) -> bool + Sync> Trials<'_, F> {
    fn tries(&self) -> std::ops::Range<u64> {
        0..u64::from(self.repeats.div_ceil(TRIED))
    }

    fn fresh(&self) -> std::ops::Range<u64> {
        FRESH..FRESH + u64::from(self.repeats)
    }

    /// Repetitions that weighing so many changes takes at most.
    fn cost(&self, candidates: usize) -> u64 {
        let (tries, fresh) = (u64::from(self.repeats.div_ceil(TRIED)), u64::from(self.repeats));
        tries + fresh + candidates as u64 * tries + 2 * candidates.min(GO_ON) as u64 * fresh
    }

    /// Repetitions that are not needed where fewer changes go on than thought.
    fn spared(&self, thought: usize, going: usize) -> u64 {
        thought.saturating_sub(going) as u64 * u64::from(self.repeats)
    }

    fn count(
        &mut self,
        start: &Start,
        tails: &[Tail],
        scatter: &Scatter,
        seeds: std::ops::Range<u64>,
    ) -> Option<Vec<Count>> {
        let counts = self.inquiry.count(start, tails, scatter, seeds)?;
        for count in &counts {
            self.effort = (self.effort.0 + count.runs, self.effort.1 + count.took_s);
        }
        Some(counts)
    }

    /// Try all, count those that seem to matter on fresh hands, and those that suffice on untrained ones.
    fn weigh(&mut self, start: &Start, tail: &Tail, candidates: Vec<Vec<Change>>) -> Option<(Rate, Vec<Alternative>)> {
        let (trained, untrained) = (Scatter::TRAINED, Scatter::TRAINED.wider(UNTRAINED));
        let made = |changes: &[Change]| {
            let mut made = tail.clone();
            changes.iter().for_each(|change| change.make(&mut made));
            made
        };
        let most = candidates.len().min(GO_ON);
        let as_it_was = std::slice::from_ref(tail);
        let first = self.count(start, as_it_was, &trained, self.tries())?[0].avoided;
        let then = self.count(start, as_it_was, &trained, self.fresh())?[0].avoided;
        let tails: Vec<Tail> = candidates.iter().map(|changes| made(changes)).collect();
        let counts = self.count(start, &tails, &trained, self.tries())?;
        let mut weighed: Vec<Alternative> = candidates
            .into_iter()
            .zip(counts)
            .map(|(changes, count)| Alternative {
                changes,
                moment: start.moment,
                t_s: start.t_s,
                avoided: count.avoided,
                through: count.through,
                difference: count.avoided.beyond(&first),
                untrained: None,
            })
            .collect();
        // What helps, or harms, most goes on; the order of equals is that of the list.
        weighed.sort_by(|a, b| b.difference.0.abs().total_cmp(&a.difference.0.abs()));
        let is_stop = |a: &Alternative| a.changes.iter().any(Change::is_stop);
        let going: Vec<usize> = (0..weighed.len())
            .filter(|i| weighed[*i].difference.0 != 0.0 && !is_stop(&weighed[*i]))
            .take(GO_ON)
            .collect();
        // What does not go on needs no counting, by trained hands or by others.
        self.inquiry.plan(0, 2 * self.spared(most, going.len()));
        let tails: Vec<Tail> = going.iter().map(|i| made(&weighed[*i].changes)).collect();
        let counts = self.count(start, &tails, &trained, self.fresh())?;
        for (i, count) in going.iter().zip(counts) {
            let weighed = &mut weighed[*i];
            (weighed.avoided, weighed.through) = (count.avoided, count.through);
            weighed.difference = count.avoided.beyond(&then);
        }
        let sufficient: Vec<usize> = (0..weighed.len()).filter(|i| weighed[*i].is_sufficient()).collect();
        self.inquiry.plan(0, self.spared(going.len(), sufficient.len()));
        let tails: Vec<Tail> = sufficient.iter().map(|i| made(&weighed[*i].changes)).collect();
        let counts = self.count(start, &tails, &untrained, self.fresh())?;
        for (i, count) in sufficient.iter().zip(counts) {
            weighed[*i].untrained = Some(count.avoided);
        }
        weighed.sort_by(|a, b| b.difference.0.total_cmp(&a.difference.0));
        Some((then, weighed))
    }
}

fn inquire<F: Fn(Progress) -> bool + Sync>(
    inquiry: &Inquiry<'_, F>,
    case: &CaseSpec,
    chop: &RecalledChop,
    starts: &[Start],
    repeats: u32,
) -> Option<Found> {
    let mut trials = Trials { inquiry, repeats, effort: (0, 0.0) };
    let (mut unchanged, mut alternatives, mut pairs) = (Vec::new(), Vec::new(), Vec::new());
    let single = |start: &Start| -> Vec<Vec<Change>> {
        let single = changes(case, inquiry.model, chop, &start.hands, start.moment);
        single.into_iter().map(|change| vec![change]).collect()
    };
    for start in starts.iter().filter(|start| Tail::of(chop, start.moment).is_some()) {
        inquiry.plan(trials.cost(single(start).len()), 0);
    }
    for start in starts {
        let Some(tail) = Tail::of(chop, start.moment) else { continue };
        let (as_it_was, weighed) = trials.weigh(start, &tail, single(start))?;
        unchanged.push((start.moment, start.t_s, as_it_was));
        alternatives.extend(weighed);
    }
    // Two things, where one is not enough.
    let is_lost = unchanged.first().is_some_and(|(_, _, rate)| rate.share() < 0.5);
    if let Some(start) = starts.first().filter(|_| is_lost && !alternatives.iter().any(Alternative::is_sufficient))
        && let Some(tail) = Tail::of(chop, start.moment)
    {
        let two = two_at_once(&alternatives, chop);
        inquiry.plan(trials.cost(two.len()), 0);
        pairs = trials.weigh(start, &tail, two)?.1;
        pairs.retain(|pair| pair.difference.0 > 0.0);
    }
    Some((unchanged, alternatives, pairs, trials.effort))
}

/// Pairs of where and how the tip is buried, and of each with what is done later: a step of one may be of use only with a step
/// of another, as depth with the tip angle that the rim allows.
fn two_at_once(alternatives: &[Alternative], chop: &RecalledChop) -> Vec<Vec<Change>> {
    let is_aim = |c: &&Change| matches!(c, Change::Depth(_) | Change::Angle(_) | Change::Place(_));
    let mut single: Vec<Change> = alternatives.iter().flat_map(|a| &a.changes).filter(is_aim).cloned().collect();
    if let Some(Manoeuvre::Separate { width_mm, .. }) = chop.part {
        single.push(Change::Separation(width_mm + 0.6));
    }
    if let Some(Manoeuvre::Chop { depth_mm: Some(depth_mm), .. }) = chop.chop {
        single.push(Change::Reach(depth_mm + 0.4));
    }
    let mut pairs = Vec::new();
    for (i, a) in single.iter().enumerate() {
        pairs.extend(single[i + 1..].iter().filter(|b| a.what() != b.what()).map(|b| vec![a.clone(), b.clone()]));
    }
    pairs
}
