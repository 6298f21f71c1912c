//! What is asked about an event, and what is gone through again for it: the chop it belongs to, told as manoeuvres
//! (`plan::recall`), or else the stretch of the record that led to it (`plan::again`). Ticks, s.
//!
//! A stretch begins at up to three moments: half a second before the step of hand or foot at the root of the event's causes, and
//! three seconds and one second before the event. It ends two seconds after it: what is put off for longer counts as avoided.
//!
//! Limits: the root is the engine's own note of what led to what. Where it lies long before, or there is none, the first moment is
//! eight seconds before the event.

use super::change::Tail;
use crate::attempt::Attempt;
use crate::debrief::graph::chain;
use crate::plan::recall::RecalledChop;
use crate::plan::{Hands, Manoeuvre};
use crate::sim::circuit::head_pa;
use crate::sim::event::{Event, EventIndex, EventKind};
use crate::sim::{Inputs, Model};
use std::mem::discriminant;

/// From when on things are done otherwise.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Moment {
    /// Before burying.
    Burying,
    /// The tip is buried, the chopper not yet there.
    Holding,
    /// Both instruments are about to part.
    Parting,
    /// Before the step that led to it.
    Deciding,
    /// Three seconds before it.
    Ahead,
    /// A second before it.
    Shortly,
}

impl Moment {
    /// Those of a chop, in order.
    pub const OF_A_CHOP: [Self; 3] = [Self::Burying, Self::Holding, Self::Parting];

    /// In words that follow 'from so many seconds'.
    pub fn when(self) -> &'static str {
        match self {
            Self::Burying => "before burying",
            Self::Holding => "the tip buried",
            Self::Parting => "about to part",
            Self::Deciding => "before what led to it",
            Self::Ahead => "3 s before",
            Self::Shortly => "1 s before",
        }
    }
}

/// What is asked of a repetition.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Question {
    /// Does an event of this kind not happen?
    Without(EventKind),
    /// Does the crack go right through?
    Through,
    /// Does the piece follow?
    Follows,
}

impl Question {
    /// Is an event something that one would have otherwise, or a step on the way?
    pub(super) fn of(kind: &EventKind) -> Option<Self> {
        use EventKind as K;
        match kind {
            K::ChopStarted(_) | K::ChopEnded(_) | K::BodySplit { .. } => Some(Self::Through),
            K::Pulled { .. } => Some(Self::Follows),
            K::PedalMoved { .. }
            | K::TipEnteredLens
            | K::TipEnteredCore { .. }
            | K::ChopperEntered
            | K::Gripped { .. }
            | K::LetGo { by_foot: true, .. }
            | K::PieceRemoved { .. }
            | K::NucleusRemoved { .. }
            | K::BottleMoved { .. }
            | K::BlockReleased { .. }
            | K::WaveInjected { .. }
            | K::Turning
            | K::Called
            | K::NeedleWithdrawn { .. } => None,
            other => Some(Self::Without(other.clone())),
        }
    }

    /// Is an event what one would not have?
    pub(super) fn is_met_by(&self, kind: &EventKind) -> bool {
        let Self::Without(feared) = self else { return false };
        discriminant(feared) == discriminant(kind) && !matches!(kind, EventKind::LetGo { by_foot: true, .. })
    }

    /// What is counted, in words.
    pub(super) fn words(&self) -> &'static str {
        match self {
            Self::Without(_) => "that does not happen",
            Self::Through => "the crack goes right through",
            Self::Follows => "the piece follows",
        }
    }
}

/// How long before its root a stretch begins, s: what is set then is there when it matters (A).
const LEAD_S: f64 = 0.5;

/// Longest time from the root to the event, s (A: hands that do not look for longer do not do the same).
const LONGEST_S: f64 = 30.0;

/// How long before the event a stretch begins whose root is too far, s, and the later moments (A).
const FAR_S: f64 = 8.0;
const AHEAD_S: f64 = 3.0;
const SHORTLY_S: f64 = 1.0;

/// Time between two moments from which both are asked about, s, for the second and the third (A).
const APART_S: [f64; 2] = [2.0, 0.5];

/// How long a stretch goes on after the event, s (A).
const AFTER_S: f64 = 2.0;

/// A stretch of the record.
#[derive(Clone, Debug, PartialEq)]
pub struct Stretch {
    /// From when on, ticks, in order.
    pub moments: Vec<(Moment, u64)>,
    /// The tick of the event.
    pub event: u64,
    /// The tick at which it is over; the record may be over before.
    pub until: u64,
    /// The step that led to it; `None` where none is known.
    pub step: Option<EventKind>,
    /// The last chop that was over before.
    pub chop: Option<RecalledChop>,
}

/// What is gone through again.
#[derive(Clone, Debug, PartialEq)]
pub enum Deed {
    /// A chop.
    Chop(Box<RecalledChop>),
    /// A stretch of the record.
    Stretch(Box<Stretch>),
}

/// Does hand or foot do it?
fn is_step(kind: &EventKind) -> bool {
    use EventKind as K;
    matches!(
        kind,
        K::PedalMoved { .. }
            | K::BottleMoved { .. }
            | K::WaveInjected { .. }
            | K::Turning
            | K::Gripped { .. }
            | K::TipEnteredLens
            | K::ChopperEntered
    )
}

impl Stretch {
    fn of(tick_s: f64, events: &[Event], event: EventIndex, chops: &[RecalledChop]) -> Self {
        let at = events.get(event as usize).map_or(0, |of| of.tick);
        let ticks = |s: f64| (s / tick_s) as u64;
        let before = |s: f64| at.saturating_sub(ticks(s));
        // What a chop left behind did not lead to it in the sense that hands could still have done otherwise on the way.
        let led = chain(events, event as usize).into_iter().map(|i| &events[i]);
        let led = led.take_while(|e| !matches!(e.kind, EventKind::ChopEnded(_)));
        let root = led.filter(|e| is_step(&e.kind)).last();
        let root = root.or_else(|| events[..event as usize].iter().rfind(|e| is_step(&e.kind)));
        let step = root.filter(|root| root.tick >= before(LONGEST_S));
        let first = step.map_or(before(FAR_S), |step| step.tick.saturating_sub(ticks(LEAD_S)).min(before(SHORTLY_S)));
        let later = [(Moment::Ahead, AHEAD_S), (Moment::Shortly, SHORTLY_S)].into_iter().zip(APART_S);
        let later = later.map(|((moment, s), apart_s)| (moment, before(s), apart_s));
        let later = later.filter(|(_, tick, apart_s)| first + ticks(*apart_s) <= *tick);
        Self {
            moments: std::iter::once((Moment::Deciding, first)).chain(later.map(|(m, tick, _)| (m, tick))).collect(),
            event: at,
            until: at + ticks(AFTER_S),
            step: step.map(|step| step.kind.clone()),
            chop: chops.iter().rfind(|chop| chop.over <= first && chop.part.is_some()).cloned(),
        }
    }

    /// What led to it, a word, and how, in words.
    fn decision(&self) -> (&'static str, String) {
        match &self.step {
            Some(EventKind::PedalMoved { to, .. }) => ("pedal", format!("to position {to}")),
            Some(EventKind::BottleMoved { to_pa, .. }) => ("bottle", format!("to {:.0} cm", to_pa / head_pa(10.0))),
            Some(EventKind::WaveInjected { hour }) => ("inject", format!("under the rim at {hour} o'clock")),
            Some(EventKind::Turning) => ("turn", "the nucleus".to_owned()),
            Some(EventKind::Gripped { volume_ul, .. }) => ("grip", format!("a piece of {volume_ul:.1} µL")),
            Some(EventKind::TipEnteredLens) => ("bury", "the tip into the lens".to_owned()),
            Some(EventKind::ChopperEntered) => ("chop", "the chopper into the lens".to_owned()),
            _ => ("go on", "as before".to_owned()),
        }
    }
}

impl Deed {
    /// The stretch before an event.
    pub(super) fn stretch(model: &Model, events: &[Event], event: EventIndex, chops: &[RecalledChop]) -> Self {
        Self::Stretch(Box::new(Stretch::of(model.tick_s, events, event, chops)))
    }

    /// The chop, where it is one.
    pub fn chop(&self) -> Option<&RecalledChop> {
        match self {
            Self::Chop(chop) => Some(chop),
            Self::Stretch(_) => None,
        }
    }

    /// The tick of the event, of a stretch; the end of a chop.
    pub(super) fn event(&self) -> u64 {
        match self {
            Self::Chop(chop) => chop.over,
            Self::Stretch(stretch) => stretch.event,
        }
    }

    /// The last chop that was over before a stretch.
    pub(super) fn chop_before(&self) -> Option<&RecalledChop> {
        match self {
            Self::Chop(_) => None,
            Self::Stretch(stretch) => stretch.chop.as_ref(),
        }
    }

    /// From when on it can be gone through, ticks, in order.
    pub fn moments(&self) -> Vec<(Moment, u64)> {
        match self {
            Self::Stretch(stretch) => stretch.moments.clone(),
            Self::Chop(chop) => {
                let tick = |moment: &Moment| match moment {
                    Moment::Burying => Some(chop.from),
                    Moment::Holding => chop.chop.as_ref().map(|_| chop.buried),
                    Moment::Parting => chop.parting,
                    Moment::Deciding | Moment::Ahead | Moment::Shortly => None,
                };
                Moment::OF_A_CHOP.into_iter().filter_map(|moment| Some((moment, tick(&moment)?))).collect()
            }
        }
    }

    /// The tick at which it is over.
    pub fn until(&self) -> u64 {
        match self {
            Self::Chop(chop) => chop.over,
            Self::Stretch(stretch) => stretch.until,
        }
    }

    /// What was done from a moment on; `None` where the attempt did not come so far.
    pub(super) fn tail(&self, attempt: &Attempt, moment: Moment) -> Option<Tail> {
        match self {
            Self::Chop(chop) => Tail::of(chop, moment),
            Self::Stretch(stretch) => {
                let (_, from) = stretch.moments.iter().find(|(m, _)| *m == moment)?;
                let lasts = stretch.until - from;
                let inputs: Vec<Inputs> = attempt.record.inputs().skip(*from as usize).take(lasts as usize).collect();
                Some(Tail::again(inputs.into(), lasts))
            }
        }
    }

    /// The decision, a word, and how, in words.
    pub(super) fn decision(&self) -> (&'static str, String) {
        match self {
            Self::Stretch(stretch) => stretch.decision(),
            Self::Chop(chop) => {
                let Manoeuvre::Bury { depth_mm, angle_deg, place_mm: (x, y), .. } = &chop.bury else {
                    return ("bury", String::new());
                };
                let how = format!("{depth_mm:.2} mm deep at {angle_deg:.0}°, {x:.1}, {y:.1} mm from the lens's axis");
                ("bury", how)
            }
        }
    }
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
    /// It was stopped.
    #[error("was stopped")]
    Stopped,
    /// The threads could not be started.
    #[error("the threads cannot be started: {0}")]
    Threads(String),
}

/// Most events that are named as such that can be asked about.
const MOST_NAMED: usize = 8;

/// A few events in a row, in words.
fn in_a_row(events: &[EventIndex]) -> String {
    let names: Vec<String> = events.iter().take(MOST_NAMED).map(ToString::to_string).collect();
    if names.is_empty() { "none of this attempt".to_owned() } else { names.join(", ") }
}

/// Longest burying that is told as one, s, and how long after it what happens still came of it (A): a tip that goes through the
/// lens for longer takes it away, and that is no burying.
const BURYING_S: f64 = 8.0;
const STILL_OF_IT_S: f64 = 1.0;

/// The chop that an event belongs to. Burying that no chop followed has what happened until just after it.
fn chop_of<'a>(model: &Model, event: &Event, chops: &'a [RecalledChop]) -> Option<&'a RecalledChop> {
    let ticks = |s: f64| (s / model.tick_s) as u64;
    let belongs = |c: &&RecalledChop| {
        let is_burying = c.buried - c.from < ticks(BURYING_S) && event.tick <= c.buried + ticks(STILL_OF_IT_S);
        c.from < event.tick && event.tick <= c.over && (c.chop.is_some() || is_burying)
    };
    chops.iter().find(belongs)
}

/// What is asked about an event.
pub(super) fn question(events: &[Event], event: EventIndex) -> Result<Question, NoWhatIf> {
    let last = events.len().saturating_sub(1);
    let of = events.get(event as usize).ok_or(NoWhatIf::NoEvent { event, last })?;
    let such = || (0..).zip(events).filter(|(_, e)| Question::of(&e.kind).is_some()).map(|(i, _)| i).collect();
    Question::of(&of.kind).ok_or_else(|| NoWhatIf::NoOutcome { event, such: such() })
}

/// What is gone through again for an event of an attempt with these chops.
pub(super) fn deed(model: &Model, events: &[Event], event: EventIndex, chops: &[RecalledChop]) -> Option<Deed> {
    let of = events.get(event as usize)?;
    let is_pull = matches!(of.kind, EventKind::Pulled { .. });
    let chop = chop_of(model, of, chops).filter(|_| !is_pull).cloned();
    Some(chop.map_or_else(|| Deed::stretch(model, events, event, chops), |chop| Deed::Chop(Box::new(chop))))
}

/// Where the attempt stood at a moment.
pub(super) struct Start {
    pub moment: Moment,
    pub tick: u64,
    pub t_s: f64,
    pub state: crate::sim::State,
    pub hands: Hands,
}
