//! What happened and why: a debrief of an attempt at a chop.
//!
//! Everything here is a pure function of the case, the model, the final state with its events, and what a `Watch` noted
//! on the way. Nothing is scripted: a sentence is said only when the numbers behind it are in the attempt. Units: the
//! trade's on the outside (mm, degrees, mN, mmHg, shares), the engine's within.
//!
//! Limits: one chop is judged, the one that cracked most of the core (the later of equals). Bands come from the case's
//! goals; how a score falls off outside a band is common practice made a straight line, no source. A score has not been
//! shown to predict anything.

pub mod advice;
pub mod cause;
pub mod chops;
pub mod component;
pub mod json;
pub mod text;
pub mod timeline;
pub mod watch;

use crate::case::CaseSpec;
use crate::sim::event::EventKind;
use crate::sim::{Model, State};
pub use chops::{Chop, chops};
pub use component::{Component, Status, Threshold};
pub use watch::Watch;

/// What a debrief is made from.
#[derive(Clone, Copy, Debug)]
pub struct Facts<'a> {
    /// The case with its goals.
    pub case: &'a CaseSpec,
    /// The model the attempt ran on.
    pub model: &'a Model,
    /// The state at its end.
    pub state: &'a State,
    /// What was noted on the way.
    pub watch: &'a Watch,
}

/// The verdict on an attempt.
#[derive(Clone, Debug, PartialEq)]
pub struct Outcome {
    /// No critical event, and every component that counts was met.
    pub pass: bool,
    /// 0..100: the mean of the components' scores; 0 after a critical event.
    pub score: f64,
    /// Critical events in plain words.
    pub critical: Vec<String>,
}

/// A whole debrief.
#[derive(Clone, Debug, PartialEq)]
pub struct Debrief {
    /// Every chop of the attempt, in order.
    pub chops: Vec<Chop>,
    /// Place in `chops` of the one that is judged.
    pub judged: Option<usize>,
    /// What was judged, always the same seven.
    pub components: Vec<Component>,
    /// The verdict.
    pub outcome: Outcome,
    /// What to try next, one or two sentences.
    pub advice: Vec<String>,
}

impl Debrief {
    /// Judge an attempt.
    pub fn of(facts: &Facts<'_>) -> Self {
        let chops = chops(facts);
        let judged = chops::best(&chops);
        let chop = judged.map(|i| &chops[i]);
        let components = component::all(facts, chop);
        let outcome = outcome(facts.state, &components);
        let advice = advice::sentences(facts, chop, &components);
        Self { judged, components, outcome, advice, chops }
    }
}

fn outcome(state: &State, components: &[Component]) -> Outcome {
    let is_breached = state.events.iter().any(|e| matches!(e.kind, EventKind::Breach { .. }));
    let critical: Vec<String> = is_breached.then(|| "capsule breach".to_string()).into_iter().collect();
    let mean = components.iter().map(|c| c.score).sum::<f64>() / components.len().max(1) as f64;
    let is_met = |c: &Component| c.status == Status::Met || !c.counts_for_pass;
    Outcome {
        pass: critical.is_empty() && components.iter().all(is_met),
        score: if critical.is_empty() { 100.0 * mean } else { 0.0 },
        critical,
    }
}
