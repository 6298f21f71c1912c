//! What was expected before a chop, beside what came.
//!
//! A prediction is about the next chop before another prediction is stated. Depth, angle and place as they were reached are those
//! of the tip before the chopper touched the lens, where that was seen, else of the moment at which separation began. Nothing here is
//! scored. How far a prediction was off (`truth`) takes some tenths of a second each, and is computed where it is asked for. s, mm,
//! degrees.

use crate::attempt::{Prediction, Record};
use crate::case::CaseSpec;
use crate::debrief::truth::{Came, PredictionError, Truth};
use crate::debrief::{Chop, Facts};
use crate::plan::Hands;
use crate::plan::map::Start;
use crate::plan::recall::hands_of;
use crate::sim::event::EventKind;
use crate::sim::{Model, State, step};
use crate::units::degrees;

/// A prediction and what came.
#[derive(Clone, Debug, PartialEq)]
pub struct Told {
    /// What was expected.
    pub prediction: Prediction,
    /// When it was stated, s.
    pub t_s: f64,
    /// Place among the chops of the one it was about; `None` where none followed.
    pub chop: Option<usize>,
    /// What came of it; `None` where no chop followed and nothing was breached on the way.
    pub came: Option<Came>,
    /// Was help called before a chop, or instead of one?
    pub has_called: bool,
    /// Depth that was reached, mm; `None` without a chop, or outside of the core's outline.
    pub depth_mm: Option<f64>,
    /// Tip angle that was reached, degrees.
    pub angle_deg: Option<f64>,
    /// Where the tip ended in the lens, mm from its axis.
    pub place_mm: Option<(f64, f64)>,
    /// How far it was off, where that was computed and the chop was done or stopping was meant.
    pub judged: Option<Judged>,
}

/// How far a prediction was off, and where the chop would have worked.
#[derive(Clone, Debug, PartialEq)]
pub struct Judged {
    /// The error.
    pub error: PredictionError,
    /// Shallowest and deepest depth at which the chop goes right through, mm.
    pub through_mm: Option<(f64, f64)>,
    /// Does any chop go right through?
    pub is_choppable: bool,
}

/// The predictions of an attempt beside its chops.
pub fn told(facts: &Facts<'_>, chops: &[Chop]) -> Vec<Told> {
    let nexts = facts.predictions.iter().skip(1).map(|next| next.tick).chain([u64::MAX]);
    facts.predictions.iter().zip(nexts).map(|(prediction, until)| one(facts, chops, prediction, until)).collect()
}

fn one(facts: &Facts<'_>, chops: &[Chop], prediction: &Prediction, until: u64) -> Told {
    let events = &facts.state.events;
    let is_of_it = |tick: u64| tick > prediction.tick && tick <= until;
    let at = chops.iter().position(|chop| is_of_it(events[chop.event].tick));
    let chop = at.map(|at| &chops[at]);
    let begun = chop.map_or(until, |chop| events[chop.event].tick);
    let ended = chop.map_or(until, |chop| {
        let is_its = |e: &&crate::sim::event::Event| e.cause.is_some_and(|c| c as usize == chop.event);
        let end = events[chop.event..].iter().filter(is_its).find(|e| matches!(e.kind, EventKind::ChopEnded(_)));
        end.map_or(until, |e| e.tick)
    });
    let is_before = |is_meant: fn(&EventKind) -> bool, last: u64| {
        events.iter().any(|e| is_of_it(e.tick) && e.tick <= last && is_meant(&e.kind))
    };
    let is_breached = is_before(|kind| matches!(kind, EventKind::Breach { .. }), ended);
    let came = match chop {
        Some(chop) => Some(Came::new(is_breached, chop.result.complete, chop.result.core_fraction_cracked)),
        None => is_breached.then_some(Came::Breach),
    };
    let burial = chop.and_then(|chop| chop.hold.burial);
    Told {
        prediction: *prediction,
        t_s: prediction.tick as f64 * facts.model.tick_s,
        chop: at,
        came,
        has_called: is_before(|kind| matches!(kind, EventKind::Called), begun),
        depth_mm: burial.map_or(chop.and_then(|chop| chop.start.depth_mm), |burial| burial.depth_mm),
        angle_deg: chop.map(|chop| degrees(chop.start.elevation_rad)),
        place_mm: burial.map(|burial| (burial.in_lens.place_mm.x, burial.in_lens.place_mm.y)),
        judged: None,
    }
}

/// Find out how far predictions were off. The record is done again, up to the last of them.
///
/// # Errors
/// The threads could not be started.
pub fn judge(
    told: &mut [Told],
    case: &CaseSpec,
    model: &Model,
    record: &Record,
    threads: usize,
) -> Result<(), rayon::ThreadPoolBuildError> {
    let (mut state, mut hands) = (State::new(model), Hands::ready(model));
    let mut inputs = record.inputs();
    for told in told {
        while state.tick < told.prediction.tick
            && let Some(next) = inputs.next()
        {
            step(model, &mut state, &next);
            hands = hands_of(model, &next);
        }
        let start = Start { state: state.clone(), hands: hands.clone() };
        let truth = Truth::of(case, model, &start, &told.prediction, threads)?;
        let error = truth.error(&told.prediction, told.came);
        told.judged = error.map(|error| {
            let judged = Judged::of(&truth, error);
            Judged { is_choppable: judged.is_choppable || told.came == Some(Came::Through), ..judged }
        });
    }
    Ok(())
}

/// The mean error of those that were judged.
pub fn mean_error(told: &[Told]) -> Option<f64> {
    let errors: Vec<f64> = told.iter().filter_map(|t| t.judged.as_ref()).map(|j| j.error.error).collect();
    (!errors.is_empty()).then(|| errors.iter().sum::<f64>() / errors.len() as f64)
}

/// A depth, an angle and a place in words; what is not known is left out.
pub fn where_in_words(depth_mm: Option<f64>, angle_deg: Option<f64>, place_mm: Option<(f64, f64)>) -> String {
    let parts = [
        depth_mm.map(|depth| format!("{depth:.2} mm deep")),
        angle_deg.map(|angle| format!("at {angle:.0}°")),
        place_mm.map(|(x, y)| format!("at ({:.1}, {:.1}) mm", x + 0.0, y + 0.0)),
    ];
    parts.into_iter().flatten().collect::<Vec<_>>().join(" ")
}

impl Told {
    /// What was expected, and what came, in two sentences.
    pub fn in_words(&self) -> String {
        let Prediction { depth_mm, angle_deg, place_mm, expected, .. } = self.prediction;
        let stated = where_in_words(Some(depth_mm), Some(angle_deg), Some(place_mm));
        let reached = where_in_words(self.depth_mm, self.angle_deg, self.place_mm);
        let came = match (self.chop, self.came) {
            (Some(_), Some(came)) => format!("It was {reached}: {}.", came.in_words()),
            (_, Some(came)) => format!("Before a chop, {}.", came.in_words()),
            (_, None) if self.has_called => "Help was called, and no chop was done.".to_owned(),
            (_, None) => "No chop followed.".to_owned(),
        };
        format!("Expected, {stated}: {}. {came}", expected.in_words())
    }

    /// How far it was off, in a sentence; `None` where that is not known.
    pub fn judged_in_words(&self) -> Option<String> {
        self.judged.as_ref().map(Judged::in_words)
    }
}

impl Judged {
    /// Of an error.
    pub fn of(truth: &Truth, error: PredictionError) -> Self {
        Self { error, through_mm: truth.span_mm(), is_choppable: truth.is_choppable }
    }

    /// In a sentence.
    pub fn in_words(&self) -> String {
        let Self { error: PredictionError { is_right, error, .. }, through_mm, is_choppable } = self;
        let result = if *is_right { "as expected" } else { "not as expected" };
        let works = match through_mm {
            Some((from, to)) if (to - from).abs() < 1e-9 => {
                format!("at this angle and place the chop goes right through at {from:.1} mm")
            }
            Some((from, to)) => {
                format!("at this angle and place the chop goes right through from {from:.1} to {to:.1} mm")
            }
            None if *is_choppable => {
                "at this angle and place no depth goes right through, elsewhere one does".to_owned()
            }
            None => "in this eye nothing that was tried goes right through, and stopping was right".to_owned(),
        };
        format!("Prediction error {error:.2}: {result}; {works}.")
    }
}
