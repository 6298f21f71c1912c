//! The chops of an attempt: how each began, and what it achieved.

use crate::debrief::Facts;
use crate::debrief::watch::Hold;
use crate::sim::chop;
use crate::sim::event::{ChopResult, ChopStart, Event, EventKind};
use crate::sim::pieces;

/// One chop.
#[derive(Clone, Debug, PartialEq)]
pub struct Chop {
    /// Place of its `ChopStarted` among the events.
    pub event: usize,
    /// Simulated time at which the instruments began to part, s.
    pub t_s: f64,
    /// How it began.
    pub start: ChopStart,
    /// What it achieved, to its end or to the end of the attempt.
    pub result: ChopResult,
    /// Fragments of at least 0.5 µL after it.
    pub pieces: u32,
    /// How the tip was held when it began.
    pub hold: Hold,
}

/// Every chop of an attempt, in order. One that was still under way at its end is counted with what it had achieved.
pub fn chops(facts: &Facts<'_>) -> Vec<Chop> {
    let state = facts.state;
    let mut found: Vec<Chop> = Vec::new();
    for (event, Event { tick, kind, .. }) in state.events.iter().enumerate() {
        let EventKind::ChopStarted(start) = kind else { continue };
        let Some(result) = ended(&state.events, event).or_else(|| under_way(facts, event)) else { continue };
        let before = found.last().map_or(1, |c: &Chop| c.pieces);
        found.push(Chop {
            event,
            t_s: *tick as f64 * facts.model.tick_s,
            start: *start,
            result,
            pieces: split_into(&state.events, event).unwrap_or(before),
            hold: facts.watch.at_chops.get(found.len()).copied().unwrap_or_default(),
        });
    }
    if let Some(last) = found.last_mut() {
        last.pieces = pieces::pieces(&state.lens);
    }
    found
}

/// The events a chop led to.
fn led_to(events: &[Event], chop: usize) -> impl Iterator<Item = &EventKind> {
    events[chop..].iter().filter(move |e| e.cause.is_some_and(|c| c as usize == chop)).map(|e| &e.kind)
}

fn ended(events: &[Event], chop: usize) -> Option<ChopResult> {
    led_to(events, chop).find_map(|k| if let EventKind::ChopEnded(result) = k { Some(*result) } else { None })
}

fn split_into(events: &[Event], chop: usize) -> Option<u32> {
    led_to(events, chop).find_map(|k| if let EventKind::BodySplit { pieces } = k { Some(*pieces) } else { None })
}

fn under_way(facts: &Facts<'_>, event: usize) -> Option<ChopResult> {
    let is_this = facts.state.chop_event.is_some_and(|e| e as usize == event);
    let opening = facts.state.opening.as_ref().filter(|_| is_this)?;
    Some(chop::result(facts.state, opening))
}

/// The chop that is judged: the one that cracked the largest surface, the later of equals. A crumb cracks wholly, but there is
/// little of it.
pub fn best(chops: &[Chop]) -> Option<usize> {
    let cracked_mm2 = |c: &Chop| c.result.core_fraction_cracked * c.start.surface_mm2;
    (0..chops.len()).max_by(|a, b| cracked_mm2(&chops[*a]).total_cmp(&cracked_mm2(&chops[*b])))
}
