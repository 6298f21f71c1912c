//! One of the answers counted anew, by hands that had no part in it: does what is recommended do what is said of it?
//!
//! Limits: the same judgement of what counts as avoided as in the answer; only hands, and the lens where another one is given, are
//! others.

use super::change::Change;
use super::deed::{Moment, NoWhatIf, question};
use super::trials::{Inquiry, tailored};
use super::{WhatIf, starts};
use crate::attempt::Attempt;
use crate::case::CaseSpec;
use crate::plan::Scatter;
use crate::sim::Model;
use crate::statistics::rate::Rate;
use std::ops::Range;
use std::sync::atomic::AtomicU32;

/// How often what happened does not happen with what an answer names, or without a change, by trained hands of these seeds.
///
/// Seeds below 2³⁴ are those of the answer. `model`: that of the attempt, or of another lens: then the recorded movements are
/// done in that one as far as the moment.
///
/// # Errors
/// The event is none of the attempt's, or the attempt did not come to the moment in that lens.
pub fn anew(
    case: &CaseSpec,
    model: &Model,
    attempt: &Attempt,
    answer: &WhatIf,
    (moment, changes): (Moment, &[Change]),
    seeds: Range<u64>,
) -> Result<Rate, NoWhatIf> {
    let question = question(&attempt.events, answer.event)?;
    let at = attempt.events.get(answer.event as usize).map_or(0, |event| event.tick);
    let moments: Vec<_> = answer.deed.moments().into_iter().filter(|(m, _)| *m == moment).collect();
    let (mut starts, done_then) = starts(model, attempt, &moments, at, &|| true).ok_or(NoWhatIf::Stopped)?;
    let start = starts.pop().ok_or(NoWhatIf::Stopped)?;
    let tail = answer.deed.tail(attempt, moment).ok_or(NoWhatIf::Stopped)?;
    let inquiry = Inquiry {
        model,
        case,
        attempt,
        deed: &answer.deed,
        question,
        done_then,
        goes_on: |_| true,
        done: AtomicU32::new(0),
        planned: AtomicU32::new(0),
    };
    let tail = tailored(&tail, changes, answer.deed.chop_before());
    let counts = inquiry.count(&start, std::slice::from_ref(&tail), &Scatter::TRAINED, seeds);
    counts.and_then(|counts| Some(counts.first()?.avoided)).ok_or(NoWhatIf::Stopped)
}
