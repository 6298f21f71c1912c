//! The last thing worth a word while one operates.

use crate::app::operation::Operation;
use crate::debrief::timeline::describe;
use crate::sim::event::EventKind;

/// Time for which the last words stay, s.
const WORDS_STAY_S: f64 = 6.0;

/// The last thing worth a word.
#[derive(Clone, Debug, PartialEq)]
pub struct Words {
    /// What.
    pub text: String,
    /// Is it a warning?
    pub is_warning: bool,
    /// When it was said, s of the attempt.
    pub at_s: f64,
}

/// The last words after what has happened since the first `seen` events.
pub(super) fn hear(operation: &Operation, seen: usize) -> Option<Words> {
    let now_s = operation.time_s();
    let last = operation.words.clone().filter(|words| now_s - words.at_s <= WORDS_STAY_S);
    let new = operation.course.state.events.get(seen..).unwrap_or_default();
    if new.is_empty() || operation.spec.teaching().exam {
        return last;
    }
    let facts = operation.course.facts(&operation.spec, &operation.model);
    let mut heard = new.iter().filter_map(|event| {
        let weight = weight(&event.kind)?;
        let text = format!("{}.", describe(&facts, &event.kind));
        Some(Words { text, is_warning: weight == Weight::Warning, at_s: now_s })
    });
    // A warning is not covered by what is less.
    let is_warned = last.as_ref().is_some_and(|words| words.is_warning);
    heard.rfind(|words| words.is_warning || !is_warned).or(last)
}

/// How much an event is worth while one operates.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Weight {
    Word,
    Warning,
}

/// What a surgeon would want to be told; what is seen or heard anyway, or is every moment's, is not said.
fn weight(kind: &EventKind) -> Option<Weight> {
    use EventKind as K;
    match kind {
        K::CapsuleNear { .. }
        | K::Breach { .. }
        | K::ChopperCaughtRim { .. }
        | K::Chattered { .. }
        | K::IncisionHot { .. }
        | K::Surge { .. }
        | K::ChamberShallowed { .. }
        | K::ChamberCollapsed
        | K::PupilBlocked { .. }
        | K::CapsuleRose { .. }
        | K::WaveTrapped { .. }
        | K::ZonulesTore { .. }
        | K::RimTore { .. }
        | K::RimRanOut
        | K::VitreousForward { .. }
        | K::PieceSank { .. }
        | K::TipLeftCore { .. } => Some(Weight::Warning),
        K::ShaftOnRim { .. }
        | K::SleeveStopped { .. }
        | K::LensPushed { .. }
        | K::PurchaseCored { .. }
        | K::ChopStarted(..)
        | K::TipSlipped { .. }
        | K::ChopperCutThrough { .. }
        | K::BagFull { .. }
        | K::BodySplit { .. }
        | K::ChopEnded(..)
        | K::Gripped { .. }
        | K::Pulled { .. }
        | K::PieceRemoved { .. }
        | K::NucleusRemoved { .. }
        | K::OcclusionBroke { .. }
        | K::BlockReleased { .. }
        | K::WaveFailed { .. }
        | K::ZonulesLoaded { .. }
        | K::Called => Some(Weight::Word),
        _ => None,
    }
}
