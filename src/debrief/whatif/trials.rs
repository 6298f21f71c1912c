//! The repetitions of a what-if: what is done in each, what counts, and which changes go on.

use super::change::{Change, Tail, WIDER_MM, changes, changes_of_a_stretch};
use super::deed::{Deed, Moment, Question, Start};
use super::doing::Doing;
use super::{Alternative, LONGEST_S, Progress};
use crate::attempt::Attempt;
use crate::case::CaseSpec;
use crate::debrief::critical_in_words;
use crate::plan::recall::RecalledChop;
use crate::plan::{Manoeuvre, Scatter};
use crate::sim::event::{Event, EventKind};
use crate::sim::{Model, State, chop, step};
use crate::statistics::rate::Rate;
use rayon::prelude::*;
use std::cmp::Ordering;
use std::sync::atomic::{AtomicU32, Ordering as Memory};

/// Share of the repetitions of the best changes with which every change is tried.
const TRIED: u32 = 3;

/// Most changes that go on.
const GO_ON: usize = 8;

/// Share of the tries, and least number, after which a change that has made no difference is let be.
const LOOKED_AT: u32 = 2;
const LEAST_LOOKED_AT: u32 = 3;

/// Seeds of the hands that are counted begin here, those of the first tries at 0, those that confirm what is recommended at the
/// last.
const FRESH: u64 = 1 << 32;
const CONFIRMING: u64 = 1 << 33;

/// How much further an untrained hand misses (A).
const UNTRAINED: f64 = 2.0;

/// What has been done of what a stretch is for: lens taken, µL; turned, rad; clock hours freed.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Work {
    taken_ul: f64,
    turned_rad: f64,
    freed: f64,
}

/// Work below which there was none to speak of (A).
const NO_WORK: Work = Work { taken_ul: 0.5, turned_rad: 0.05, freed: 0.1 };

/// Share of the work that must be done for a harm to count as avoided, and not the work (A).
const MUST_BE_DONE: f64 = 0.5;

impl Work {
    pub(super) fn of(state: &State) -> Self {
        Self {
            taken_ul: state.lens.removed_ul,
            turned_rad: state.lens.turned_rad,
            freed: state.adhesion.freed.iter().sum(),
        }
    }

    /// Is as much done since a beginning as had to be, by what was done then?
    fn suffices(&self, begun: &Self, then: &Self) -> bool {
        let is_done = |of: fn(&Self) -> f64| {
            let (done, wanted) = ((of(self) - of(begun)).abs(), (of(then) - of(begun)).abs());
            wanted < of(&NO_WORK) || done >= MUST_BE_DONE * wanted
        };
        is_done(|w| w.taken_ul) && is_done(|w| w.turned_rad) && is_done(|w| w.freed)
    }
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
pub(super) struct Count {
    pub avoided: Rate,
    through: Rate,
    runs: u32,
    took_s: f64,
}

pub(super) struct Inquiry<'a, F> {
    pub model: &'a Model,
    pub case: &'a CaseSpec,
    pub attempt: &'a Attempt,
    pub deed: &'a Deed,
    pub question: Question,
    /// What had been done when it happened.
    pub done_then: Work,
    pub goes_on: F,
    /// Repetitions begun, and planned.
    pub done: AtomicU32,
    pub planned: AtomicU32,
}

impl<F: Fn(Progress) -> bool + Sync> Inquiry<'_, F> {
    /// One repetition more is begun: shall it be done?
    fn goes_on(&self) -> bool {
        let done = self.done.fetch_add(1, Memory::Relaxed);
        (self.goes_on)(Progress { done, planned: self.planned.load(Memory::Relaxed) })
    }

    /// There will be more, or fewer.
    fn plan(&self, more: u64, fewer: u64) {
        let planned = u64::from(self.planned.load(Memory::Relaxed)) + more;
        self.planned.store(planned.saturating_sub(fewer) as u32, Memory::Relaxed);
    }

    /// One repetition.
    fn once(&self, start: &Start, tail: &Tail, scatter: &Scatter, seed: u64) -> Outcome {
        let mut doing = Doing::new(&start.hands, tail, Some((*scatter, seed)));
        let mut state = start.state.clone();
        let (events, begun) = (state.events.len(), state.tick);
        let longest = (LONGEST_S / self.model.tick_s) as u64;
        let mut seen = events;
        let mut happens = false;
        while let Some(inputs) = doing.next(self.model, &state) {
            step(self.model, &mut state, &inputs);
            let new = &state.events[seen.min(state.events.len())..];
            happens |= new.iter().any(|e| self.question.is_met_by(&e.kind));
            seen = state.events.len();
            // Of a chop it is told as well whether it went through.
            let is_known = happens && self.deed.chop().is_none();
            if is_known || state.fault.is_some() || state.tick - begun > longest {
                break;
            }
        }
        let new = &state.events[events.min(state.events.len())..];
        let is_through = has_gone_through(&state, new);
        let is_avoided = !self.brings_harm(new)
            && match &self.question {
                Question::Through => is_through,
                Question::Follows => self.follows(start, new),
                Question::Without(_) => !happens && (tail.is_stopped() || self.is_done(start, &state, new)),
            };
        Outcome { is_avoided, is_through, took_s: (state.tick - begun) as f64 * self.model.tick_s }
    }

    /// Is there a critical event of a kind that the attempt does not have?
    fn brings_harm(&self, new: &[Event]) -> bool {
        let mut words = new.iter().filter_map(|e| critical_in_words(&e.kind));
        let had = |words: &str| self.attempt.events.iter().any(|e| critical_in_words(&e.kind) == Some(words));
        words.any(|words| !had(words))
    }

    /// Where nothing is done nothing goes wrong: that counts only where stopping is meant.
    fn is_done(&self, start: &Start, state: &State, new: &[Event]) -> bool {
        match self.deed {
            Deed::Chop(chop) => {
                let is_started = |e: &Event| matches!(e.kind, EventKind::ChopStarted(_));
                chop.chop.is_none() || start.moment == Moment::Parting || new.iter().any(is_started)
            }
            Deed::Stretch(_) => Work::of(state).suffices(&Work::of(&start.state), &self.done_then),
        }
    }

    /// Does the piece follow at the same pull, counted from the moment on?
    fn follows(&self, start: &Start, new: &[Event]) -> bool {
        let pulls = |events: &[Event]| -> Vec<bool> {
            let followed = |e: &Event| match e.kind {
                EventKind::Pulled { followed, .. } => Some(followed),
                _ => None,
            };
            events.iter().filter_map(followed).collect()
        };
        let at = self.deed.event();
        let between: Vec<Event> =
            self.attempt.events.iter().filter(|e| e.tick > start.tick && e.tick <= at).cloned().collect();
        let count = pulls(&between).len();
        count > 0 && pulls(new).get(count - 1).is_some_and(|followed| *followed)
    }

    /// What could be done otherwise from a moment on.
    fn single(&self, start: &Start, tail: &Tail) -> Vec<Vec<Change>> {
        let single = match self.deed {
            Deed::Chop(chop) => changes(self.case, self.model, chop, &start.hands, start.moment),
            Deed::Stretch(stretch) => {
                let inputs = tail.again.as_ref().map(|again| again.inputs.clone()).unwrap_or_default();
                let chop = stretch.chop.as_ref();
                changes_of_a_stretch(self.case, self.model, start, &inputs, &self.question, chop)
            }
        };
        single.into_iter().map(|change| vec![change]).collect()
    }

    /// Several tails from the same start, each so many times; in the order given, whatever the threads.
    pub(super) fn count(
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
        let outcomes = outcomes?;
        Some((0..tails.len()).map(|t| Count::of(&outcomes[t * each..(t + 1) * each])).collect())
    }
}

impl Count {
    /// Of both.
    fn and(&self, other: &Self) -> Self {
        let sum = |a: Rate, b: Rate| Rate { count: a.count + b.count, of: a.of + b.of };
        Self {
            avoided: sum(self.avoided, other.avoided),
            through: sum(self.through, other.through),
            runs: self.runs + other.runs,
            took_s: self.took_s + other.took_s,
        }
    }

    fn of(outcomes: &[Outcome]) -> Self {
        Self {
            avoided: outcomes.iter().map(|o| o.is_avoided).sum(),
            through: outcomes.iter().map(|o| o.is_through).sum(),
            runs: outcomes.len() as u32,
            took_s: outcomes.iter().map(|o| o.took_s).sum(),
        }
    }
}

/// What was done from a moment on, with changes. `chop`: the last that was over before.
pub(super) fn tailored(tail: &Tail, changes: &[Change], chop: Option<&RecalledChop>) -> Tail {
    let mut made = tail.clone();
    changes.iter().for_each(|change| change.make(&mut made, chop));
    made
}

/// Did the crack go right through, in what is over or in what is still open?
fn has_gone_through(state: &State, new: &[Event]) -> bool {
    let is_through = |e: &Event| matches!(&e.kind, EventKind::ChopEnded(result) if result.complete);
    new.iter().any(is_through) || state.opening.as_ref().is_some_and(|o| chop::result(state, o).complete)
}

/// What was found.
pub(super) struct Found {
    pub unchanged: Vec<(Moment, f64, Rate)>,
    pub alternatives: Vec<Alternative>,
    pub pairs: Vec<Alternative>,
    pub latest_sufficient: Option<usize>,
    pub earliest_easy: Option<usize>,
    pub effort: (u32, f64),
}

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

    /// The first of the tries.
    fn look(&self) -> std::ops::Range<u64> {
        let tries = self.repeats.div_ceil(TRIED);
        0..u64::from(tries.div_ceil(LOOKED_AT).max(LEAST_LOOKED_AT).min(tries))
    }

    fn fresh(&self) -> std::ops::Range<u64> {
        FRESH..FRESH + u64::from(self.repeats)
    }

    fn confirming(&self) -> std::ops::Range<u64> {
        CONFIRMING..CONFIRMING + u64::from(self.repeats)
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
        let made = |changes: &[Change]| tailored(tail, changes, self.inquiry.deed.chop_before());
        let most = candidates.len().min(GO_ON);
        let as_it_was = std::slice::from_ref(tail);
        let (look, rest) = (self.look(), self.look().end..self.tries().end);
        let looked = self.count(start, as_it_was, &trained, look.clone())?[0];
        let first = looked.and(&self.count(start, as_it_was, &trained, rest.clone())?[0]);
        let then = self.count(start, as_it_was, &trained, self.fresh())?[0].avoided;
        let tails: Vec<Tail> = candidates.iter().map(|changes| made(changes)).collect();
        let mut counts = self.count(start, &tails, &trained, look)?;
        // What made no difference to these hands is tried no further.
        let matters: Vec<usize> =
            (0..counts.len()).filter(|i| counts[*i].avoided.count != looked.avoided.count).collect();
        let tails: Vec<Tail> = matters.iter().map(|i| tails[*i].clone()).collect();
        let spared = (counts.len() - matters.len()) as u64 * (rest.end - rest.start);
        self.inquiry.plan(0, spared);
        for (i, more) in matters.iter().zip(self.count(start, &tails, &trained, rest)?) {
            counts[*i] = counts[*i].and(&more);
        }
        let as_many = |count: &Count| if count.runs < first.runs { looked.avoided } else { first.avoided };
        let mut weighed: Vec<Alternative> = candidates
            .into_iter()
            .zip(counts)
            .map(|(changes, count)| Alternative {
                changes,
                moment: start.moment,
                t_s: start.t_s,
                avoided: count.avoided,
                through: count.through,
                difference: count.avoided.beyond(&as_many(&count)),
                untrained: None,
                chosen_by: None,
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

    /// The alternative that comes out first, counted once more by hands that had no part in choosing it; the next where that does
    /// not bear it out. Place among the alternatives.
    fn confirmed(
        &mut self,
        tails: &[(&Start, Tail)],
        alternatives: &mut [Alternative],
        first: impl Fn(&[Alternative]) -> Option<usize>,
    ) -> Option<Option<usize>> {
        loop {
            let Some(at) = first(alternatives) else { return Some(None) };
            let chosen = &alternatives[at];
            let of_moment = tails.iter().find(|(start, _)| start.moment == chosen.moment);
            let Some((start, tail)) = of_moment.filter(|_| chosen.chosen_by.is_none()) else { return Some(Some(at)) };
            let with = tailored(tail, &chosen.changes, self.inquiry.deed.chop_before());
            let is_asked = chosen.untrained.is_some();
            self.inquiry.plan(u64::from(self.repeats) * if is_asked { 3 } else { 2 }, 0);
            let counts = self.count(start, &[with.clone(), tail.clone()], &Scatter::TRAINED, self.confirming())?;
            let untrained = Scatter::TRAINED.wider(UNTRAINED);
            let by_others = if is_asked {
                self.count(start, std::slice::from_ref(&with), &untrained, self.confirming())?
            } else {
                Vec::new()
            };
            let chosen = &mut alternatives[at];
            chosen.chosen_by = Some(chosen.avoided);
            (chosen.avoided, chosen.through) = (counts[0].avoided, counts[0].through);
            chosen.difference = counts[0].avoided.beyond(&counts[1].avoided);
            chosen.untrained = by_others.first().map(|count| count.avoided);
        }
    }
}

/// Of equals the one with which the chop comes out best as well.
fn better(a: &Alternative, b: &Alternative) -> Ordering {
    a.difference.0.total_cmp(&b.difference.0).then(a.through.share().total_cmp(&b.through.share()))
}

fn latest_sufficient(of: &[Alternative]) -> Option<usize> {
    let places = (0..of.len()).filter(|i| of[*i].is_sufficient());
    places.max_by(|a, b| of[*a].t_s.total_cmp(&of[*b].t_s).then_with(|| better(&of[*a], &of[*b])))
}

fn earliest_easy(of: &[Alternative]) -> Option<usize> {
    let places = (0..of.len()).filter(|i| of[*i].is_easy());
    places.max_by(|a, b| of[*b].t_s.total_cmp(&of[*a].t_s).then_with(|| better(&of[*a], &of[*b])))
}

/// Everything that is asked, counted; `None` when it was stopped.
pub(super) fn inquire<F: Fn(Progress) -> bool + Sync>(
    inquiry: &Inquiry<'_, F>,
    starts: &[Start],
    repeats: u32,
) -> Option<Found> {
    let mut trials = Trials { inquiry, repeats, effort: (0, 0.0) };
    let (mut unchanged, mut alternatives, mut pairs) = (Vec::new(), Vec::new(), Vec::new());
    let tails = starts.iter().filter_map(|start| Some((start, inquiry.deed.tail(inquiry.attempt, start.moment)?)));
    let tails: Vec<(&Start, Tail)> = tails.collect();
    for (start, tail) in &tails {
        inquiry.plan(trials.cost(inquiry.single(start, tail).len()), 0);
    }
    for (start, tail) in &tails {
        let (as_it_was, weighed) = trials.weigh(start, tail, inquiry.single(start, tail))?;
        unchanged.push((start.moment, start.t_s, as_it_was));
        alternatives.extend(weighed);
    }
    let latest = trials.confirmed(&tails, &mut alternatives, latest_sufficient)?;
    let easy = trials.confirmed(&tails, &mut alternatives, earliest_easy)?;
    // Two things, where one is not enough.
    let is_lost = unchanged.first().is_some_and(|(_, _, rate)| rate.share() < 0.5);
    if let Some((start, tail)) =
        tails.first().filter(|_| is_lost && !alternatives.iter().any(Alternative::is_sufficient))
    {
        let two = match inquiry.deed {
            Deed::Chop(chop) => two_at_once(&alternatives, chop),
            Deed::Stretch(_) => two_of_a_stretch(&alternatives, start.moment),
        };
        inquiry.plan(trials.cost(two.len()), 0);
        pairs = trials.weigh(start, tail, two)?.1;
        pairs.retain(|pair| pair.difference.0 > 0.0);
    }
    Some(Found {
        unchanged,
        alternatives,
        pairs,
        latest_sufficient: latest,
        earliest_easy: easy,
        effort: trials.effort,
    })
}

/// Pairs of where and how the tip is buried, and of each with what is done later: a step of one may be of use only with a step
/// of another, as depth with the tip angle that the rim allows.
fn two_at_once(alternatives: &[Alternative], chop: &RecalledChop) -> Vec<Vec<Change>> {
    let is_aim = |c: &&Change| matches!(c, Change::Depth(_) | Change::Angle(_) | Change::Place(_));
    let mut single: Vec<Change> = alternatives.iter().flat_map(|a| &a.changes).filter(is_aim).cloned().collect();
    if let Some(Manoeuvre::Separate { width_mm, .. }) = chop.part {
        single.push(Change::Separation(width_mm + WIDER_MM));
    }
    if let Some(Manoeuvre::Chop { depth_mm: Some(depth_mm), .. }) = chop.chop {
        single.push(Change::Reach(depth_mm + 0.4));
    }
    pairs_of(&single)
}

/// Pairs of the most there is of less vacuum, a higher bottle and a higher tip.
fn two_of_a_stretch(alternatives: &[Alternative], moment: Moment) -> Vec<Vec<Change>> {
    let of_moment = alternatives.iter().filter(|a| a.moment == moment).flat_map(|a| &a.changes);
    let mut most: [Option<(f64, Change)>; 3] = [None, None, None];
    for change in of_moment {
        let (place, by) = match change {
            Change::Vacuum(mmhg) => (0, -mmhg),
            Change::Bottle(cm) => (1, *cm),
            Change::Higher(mm) => (2, *mm),
            _ => continue,
        };
        if most[place].as_ref().is_none_or(|(before, _)| by > *before) {
            most[place] = Some((by, change.clone()));
        }
    }
    let single: Vec<Change> = most.into_iter().flatten().map(|(_, change)| change).collect();
    pairs_of(&single)
}

fn pairs_of(single: &[Change]) -> Vec<Vec<Change>> {
    let mut pairs = Vec::new();
    for (i, a) in single.iter().enumerate() {
        pairs.extend(single[i + 1..].iter().filter(|b| a.what() != b.what()).map(|b| vec![a.clone(), b.clone()]));
    }
    pairs
}
