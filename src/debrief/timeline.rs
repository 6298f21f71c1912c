//! What happened, in order: the events worth a line each, in words.
//!
//! Events that only repeat what is already on the page are left out, and what happens again and again in a short time
//! is told once, with how often; `play --json` has them all. Critical events are told every time.

use crate::debrief::component::percent;
use crate::debrief::follows::piece_of;
use crate::debrief::{Chop, Debrief, Facts};
use crate::sim::event::{BreachBy, Event, EventKind, SlipBy, Tool};
use crate::units::{cm_from_pa, degrees, mmhg_from_pa};

/// Time within which the same happening again is told with the first, s (A: what a reader takes as one).
const TOGETHER_S: f64 = 2.0;

/// The same while pieces are gripped and emulsified, which is one thing for the reader, s (A).
const PASSAGE_S: f64 = 30.0;

/// What lies so long before a chop, or so long after one, belongs to it, s (A).
const BEFORE_CHOP_S: f64 = 12.0;
const AFTER_CHOP_S: f64 = 2.0;

/// One line of the story.
#[derive(Clone, Debug, PartialEq)]
pub struct Moment {
    /// Simulated time at which it first happened, s.
    pub t_s: f64,
    /// What happened, without a full stop; of several, the largest.
    pub what: String,
    /// Place among the events of what is told, of several the first; `None` where the engine stopped.
    pub event: Option<usize>,
}

/// A line under way: the event that is told, how often it happened, when last, and whether while pieces were taken.
struct Line<'a> {
    event: usize,
    t_s: f64,
    last_s: f64,
    count: u32,
    is_on_pieces: bool,
    kind: &'a EventKind,
}

/// The story of an attempt.
pub fn story(facts: &Facts<'_>, debrief: &Debrief) -> Vec<Moment> {
    let mut lines: Vec<Line<'_>> = Vec::new();
    let mut is_in_core = false;
    for (i, event) in facts.state.events.iter().enumerate() {
        if is_no_news(facts, debrief, i, &mut is_in_core) {
            continue;
        }
        let (kind, t_s) = (&event.kind, event.tick as f64 * facts.model.tick_s);
        let is_on_pieces = is_on_pieces(facts, i);
        let is_together = |l: &&mut Line<'_>| match (l.is_on_pieces, is_on_pieces) {
            (true, true) => t_s - l.t_s <= PASSAGE_S,
            (false, false) => t_s - l.last_s <= TOGETHER_S,
            _ => false,
        };
        let before = lines.iter_mut().rev().find(|l| is_same(l.kind, kind)).filter(is_together);
        match (before, size(kind)) {
            (Some(line), Some(now)) => {
                line.count += 1;
                line.last_s = t_s;
                if size(line.kind).is_some_and(|told| now > told) {
                    line.kind = kind;
                }
            }
            _ => lines.push(Line { event: i, t_s, last_s: t_s, count: 1, is_on_pieces, kind }),
        }
    }
    let told = |l: Line<'_>| {
        let what = if l.count > 1 { describe_many(facts, l.kind, l.count) } else { describe(facts, l.kind) };
        Moment { t_s: l.t_s, what, event: Some(l.event) }
    };
    let mut found: Vec<Moment> = lines.into_iter().map(told).collect();
    if let Some(fault) = &facts.state.fault {
        let what = format!("The engine stopped: {} was not a finite number", fault.what);
        found.push(Moment { t_s: fault.tick as f64 * facts.model.tick_s, what, event: None });
    }
    found
}

/// Do two events say the same but for how much?
fn is_same(a: &EventKind, b: &EventKind) -> bool {
    match (a, b) {
        (EventKind::PedalMoved { to, .. }, EventKind::PedalMoved { to: other, .. }) => to == other,
        (EventKind::LensPushed { load_un, .. }, EventKind::LensPushed { load_un: other, .. }) => {
            load_un.is_sign_negative() == other.is_sign_negative()
        }
        _ => core::mem::discriminant(a) == core::mem::discriminant(b),
    }
}

/// Of what may happen again and again in a short time, how much it was, to tell the largest; `None` for what is told
/// every time.
fn size(kind: &EventKind) -> Option<f64> {
    match kind {
        EventKind::ShaftOnRim { lifted_mm, .. } => Some(*lifted_mm),
        EventKind::LensPushed { load_un, .. } | EventKind::ZonulesLoaded { load_un, .. } => Some(load_un.abs()),
        EventKind::OcclusionBroke { vacuum_pa } => Some(*vacuum_pa),
        EventKind::Surge { chamber_pa, .. } => Some(-chamber_pa),
        EventKind::ChamberShallowed { travel_mm, .. } => Some(*travel_mm),
        EventKind::CapsuleRose { rise_mm, .. } => Some(*rise_mm),
        EventKind::PupilBlocked { back_mm, .. } | EventKind::BlockReleased { back_mm, .. } => Some(*back_mm),
        EventKind::Gripped { occlusion, .. } => Some(*occlusion),
        EventKind::Chattered { power, .. } => Some(*power),
        EventKind::Pulled { volume_ul, .. } => Some(*volume_ul),
        EventKind::PedalMoved { to: 3, .. } => Some(0.0),
        EventKind::SleeveStopped { .. } | EventKind::LetGo { .. } | EventKind::PieceRemoved { .. } => Some(0.0),
        _ => None,
    }
}

/// Does an event only repeat or prepare what another line says?
fn is_no_news(facts: &Facts<'_>, debrief: &Debrief, i: usize, is_in_core: &mut bool) -> bool {
    let events = &facts.state.events;
    let event = &events[i];
    let comes_of_it = |e: &&Event| e.cause.is_some_and(|c| c as usize == i);
    // Going from bite to bite: where the tip is and the foot going back are no news.
    let is_way = |kind: &EventKind| match kind {
        EventKind::TipEnteredCore { .. } | EventKind::TipEnteredLens | EventKind::TipLeftCore { .. } => true,
        EventKind::ShaftOnRim { .. } | EventKind::LetGo { .. } => true,
        EventKind::PedalMoved { to, .. } => *to < 3,
        EventKind::Pulled { followed, .. } => *followed,
        _ => false,
    };
    if is_way(&event.kind) && is_on_pieces(facts, i) {
        return true;
    }
    match event.kind {
        EventKind::TipEnteredCore { .. } => core::mem::replace(is_in_core, true),
        EventKind::TipEnteredLens | EventKind::TipLeftCore { .. } => {
            *is_in_core = false;
            false
        }
        // The chopper's tip may leave and enter again where the surface is rough.
        EventKind::ChopperEntered => is_chopper_in(events, i),
        EventKind::PurchaseCored { .. } => !is_cored_for_a_chop(events, i, &debrief.chops),
        // An instrument drawn out of the lens slides off it: no news.
        EventKind::TipSlipped { by: SlipBy::AlongShaft, .. } => !is_chopper_in(events, i),
        // A foot that only passes through a position on its way.
        EventKind::PedalMoved { .. } => events[i + 1..]
            .iter()
            .take_while(|e| e.tick <= event.tick + PASSING_TICKS)
            .any(|e| matches!(e.kind, EventKind::PedalMoved { .. })),
        // In the midst of a chop the tip stands in the one side or the other.
        EventKind::Gripped { .. } | EventKind::LetGo { .. } if is_chop_under_way(events, i) => true,
        // A surge says what came of the port coming free.
        EventKind::OcclusionBroke { .. } => {
            events[i..].iter().filter(comes_of_it).any(|e| matches!(e.kind, EventKind::Surge { .. }))
        }
        // What only touched the port was never held.
        EventKind::LetGo { fragment, .. } if !was_gripped(events, i, fragment) => true,
        // A pull that ends with the piece off the tip says so itself.
        EventKind::LetGo { fragment, .. } => events.iter().any(|e| {
            e.tick.abs_diff(event.tick) <= LOST_TICKS
                && matches!(e.kind, EventKind::Pulled { fragment: pulled, followed: false, .. } if pulled == fragment)
        }),
        _ => false,
    }
}

/// Is a nucleus in pieces being taken, with no chop near?
fn is_on_pieces(facts: &Facts<'_>, i: usize) -> bool {
    let events = &facts.state.events;
    let within = |e: &Event, s: f64| e.tick.abs_diff(events[i].tick) as f64 * facts.model.tick_s <= s;
    let mut before = events[..i].iter().rev();
    let is_near_next = events[i..].iter().take_while(|e| within(e, BEFORE_CHOP_S)).any(is_start_of_chop);
    let is_near_last = before.clone().take_while(|e| within(e, AFTER_CHOP_S)).any(is_end_of_chop);
    !is_near_next && !is_near_last && before.any(|e| matches!(e.kind, EventKind::BodySplit { .. }))
}

fn is_start_of_chop(event: &Event) -> bool {
    matches!(event.kind, EventKind::ChopStarted(_))
}

fn is_end_of_chop(event: &Event) -> bool {
    matches!(event.kind, EventKind::ChopEnded(_))
}

/// Ticks within which a foot passes through a position.
const PASSING_TICKS: u64 = 12;

/// Has the port taken hold of a piece since it last let go of it?
fn was_gripped(events: &[Event], i: usize, fragment: u16) -> bool {
    let is_of_it = |e: &&Event| match e.kind {
        EventKind::Gripped { fragment: held, .. } | EventKind::LetGo { fragment: held, .. } => held == fragment,
        _ => false,
    };
    events[..i].iter().rev().find(is_of_it).is_some_and(|e| matches!(e.kind, EventKind::Gripped { .. }))
}

/// Ticks between a piece coming off the tip and the end of its pull, whichever is noted first (a quarter of a second).
const LOST_TICKS: u64 = 60;

fn is_chop_under_way(events: &[Event], i: usize) -> bool {
    let last = events[..i].iter().rev().find(|e| matches!(e.kind, EventKind::ChopStarted(_) | EventKind::ChopEnded(_)));
    last.is_some_and(|e| matches!(e.kind, EventKind::ChopStarted(_)))
}

/// The tip cores out a little of its bed whenever it slows down; worth a line is the last time before a chop that it
/// then spoils.
fn is_cored_for_a_chop(events: &[Event], i: usize, chops: &[Chop]) -> bool {
    let Some(chop) = chops.iter().find(|c| c.event > i) else { return false };
    let is_last = !events[i + 1..chop.event].iter().any(|e| matches!(e.kind, EventKind::PurchaseCored { .. }));
    is_last && chop.hold.is_cored()
}

/// Has the chopper come into the lens since the tip did, and no chop ended since?
fn is_chopper_in(events: &[Event], i: usize) -> bool {
    let last = events[..i]
        .iter()
        .rev()
        .find(|e| matches!(e.kind, EventKind::ChopperEntered | EventKind::ChopEnded(_) | EventKind::TipEnteredLens));
    last.is_some_and(|e| matches!(e.kind, EventKind::ChopperEntered))
}

fn name(tool: Tool) -> &'static str {
    match tool {
        Tool::Needle => "needle",
        Tool::Chopper => "chopper",
    }
}

/// What happened again and again, by the largest of it; several pieces may have been on the tip.
fn describe_many(facts: &Facts<'_>, kind: &EventKind, count: u32) -> String {
    match kind {
        EventKind::Gripped { .. } => format!("The port took hold of a piece ({count} times)"),
        EventKind::Pulled { followed: false, volume_ul, .. } => {
            format!("A piece did not follow the tip ({count} times), the largest of {volume_ul:.1} µL")
        }
        _ => format!("{} ({count} times)", describe(facts, kind)),
    }
}

/// An event in words, without a full stop.
pub(crate) fn describe(facts: &Facts<'_>, kind: &EventKind) -> String {
    match kind {
        EventKind::PedalMoved { to, .. } => {
            let does = ["nothing", "infusion", "aspiration", "ultrasound"].get(usize::from(*to)).unwrap_or(&"unknown");
            format!("Foot to position {to} ({does})")
        }
        EventKind::TipEnteredLens => "The tip entered the lens".to_string(),
        EventKind::TipEnteredCore { radius_mm } => {
            format!("The tip entered the core {radius_mm:.2} mm from its axis")
        }
        EventKind::TipLeftCore { distance_to_capsule_mm, .. } => format!(
            "The tip left the core into softer tissue, {distance_to_capsule_mm:.2} mm from the posterior capsule"
        ),
        EventKind::ShaftOnRim { elevation_rad, .. } => {
            format!("The shaft lay on the rim of the rhexis at {:.0}°", degrees(*elevation_rad))
        }
        EventKind::SleeveStopped { exposed_mm } => {
            format!("The sleeve reached firm tissue: {exposed_mm:.1} mm of bare needle used up")
        }
        EventKind::LensPushed { load_un, .. } if *load_un < 0.0 => {
            format!("Drawn back, the needle took the lens along with {:.0} mN", -load_un / 1000.0)
        }
        EventKind::LensPushed { load_un, ultrasound } => {
            let with = if *ultrasound { "with ultrasound on" } else { "without ultrasound" };
            format!("The needle pushed the lens with {:.0} mN, {with}", load_un / 1000.0)
        }
        EventKind::PurchaseCored { .. } => "Ultrasound cored out the bed round the tip as it stood still".to_string(),
        EventKind::CapsuleNear { tool, distance_mm } => {
            format!("The {} came within {distance_mm:.2} mm of the posterior capsule", name(*tool))
        }
        EventKind::Breach { tool, by, .. } => {
            let how = match by {
                BreachBy::Ultrasound => ", by ultrasound",
                BreachBy::SharpForce => ", by force",
                BreachBy::Suction => ", by suction",
                BreachBy::TrappedFluid => "",
            };
            let by = tool.map_or("fluid trapped behind the lens".to_string(), |t| format!("the {}", name(t)));
            format!("THE POSTERIOR CAPSULE WAS BREACHED by {by}{how}")
        }
        EventKind::ChopperEntered => "The chopper entered the lens".to_string(),
        EventKind::ChopperCaughtRim { .. } => {
            "The chopper passed the rim of the rhexis upright and caught it".to_string()
        }
        EventKind::ChopStarted(start) => {
            let angle = degrees(start.elevation_rad);
            match start.depth_mm {
                Some(depth_mm) => {
                    format!("Separation began, the tip {depth_mm:.2} mm deep in the core at {angle:.0}°")
                }
                None => format!("Separation began, the tip outside the core at {angle:.0}°"),
            }
        }
        EventKind::TipSlipped { by: SlipBy::AlongShaft, .. } => {
            "The nucleus slid off the tip as the chopper was pressed down".to_string()
        }
        EventKind::TipSlipped { by: SlipBy::Sideways, .. } => {
            "The tip was pulled sideways through the tissue and lost its hold".to_string()
        }
        EventKind::ChopperCutThrough { .. } => {
            "The chopper ploughed through the tissue instead of opening the crack".to_string()
        }
        EventKind::BagFull { room_mm } => {
            format!("One side reached the wall of the bag: {room_mm:.2} mm of room used up")
        }
        EventKind::BodySplit { pieces } => format!("The nucleus came apart: {pieces} pieces"),
        EventKind::Gripped { volume_ul, .. } => {
            format!("The port took hold of the {}", piece_of(facts, *volume_ul).trim_end_matches(','))
        }
        EventKind::Pulled { followed: true, volume_ul, .. } => {
            format!("The {} followed the tip", piece_of(facts, *volume_ul))
        }
        EventKind::Pulled { volume_ul, .. } => format!("The {} did not follow the tip", piece_of(facts, *volume_ul)),
        EventKind::LetGo { by_foot: true, .. } => "The piece was let go".to_string(),
        EventKind::LetGo { .. } => "The piece came off the tip".to_string(),
        EventKind::Chattered { power, vacuum_pa } => {
            format!(
                "The piece chattered on the tip: {} power, {:.0} mmHg across the port",
                percent(*power),
                mmhg_from_pa(*vacuum_pa)
            )
        }
        EventKind::PieceRemoved { .. } => "The nucleus of a piece was removed".to_string(),
        EventKind::NucleusRemoved { chips_ul, shell_ul } => {
            let chips = if *chips_ul >= 0.1 { format!(", {chips_ul:.1} µL of it as chips") } else { String::new() };
            format!("The last piece of nucleus was removed; {shell_ul:.0} µL of soft shell are left{chips}")
        }
        EventKind::IncisionHot { incision_c } => {
            format!("The incision reached {incision_c:.0} °C: its collagen shrinks")
        }
        EventKind::BottleMoved { from_pa, to_pa } => {
            format!("The bottle went from {:.0} to {:.0} cm", cm_from_pa(*from_pa), cm_from_pa(*to_pa))
        }
        EventKind::OcclusionBroke { vacuum_pa } => {
            format!("The port came free at {:.0} mmHg of vacuum", mmhg_from_pa(*vacuum_pa))
        }
        EventKind::Surge { chamber_pa, .. } => {
            format!(
                "The port came free and fluid surged out: the chamber fell to {:.0} mmHg",
                mmhg_from_pa(*chamber_pa)
            )
        }
        EventKind::ChamberShallowed { travel_mm, .. } => format!("The chamber shallowed by {travel_mm:.1} mm"),
        EventKind::ChamberCollapsed => "THE CHAMBER COLLAPSED".to_string(),
        EventKind::PupilBlocked { back_mm, .. } => {
            format!("Reverse pupillary block: the lens had gone back {back_mm:.1} mm and the iris sealed on it")
        }
        EventKind::BlockReleased { by_lifting: true, .. } => {
            "The iris was lifted off the rim: the block let go".to_string()
        }
        EventKind::BlockReleased { .. } => "The chamber came forward and the block let go".to_string(),
        EventKind::CapsuleRose { rise_mm, .. } => format!("The posterior capsule rose by {rise_mm:.1} mm"),
        EventKind::WaveInjected { hour } => format!("Fluid was injected under the rim at {hour} o'clock"),
        EventKind::WaveFailed { hour } => format!("The wave did not free the lens at {hour} o'clock"),
        EventKind::WaveTrapped { load_pa, .. } => {
            format!("Fluid was trapped behind the lens: {:.0} mmHg on the posterior capsule", mmhg_from_pa(*load_pa))
        }
        EventKind::Turning => "The nucleus was turned".to_string(),
        EventKind::ZonulesLoaded { hour, load_un, turning } => {
            let what = if *turning { "Turned against adhesion, the lens" } else { "The lens" };
            format!("{what} pulled on the zonules at {hour} o'clock with {:.0} mN", load_un / 1000.0)
        }
        EventKind::ZonulesTore { hour, .. } => format!("THE ZONULES TORE at {hour} o'clock"),
        EventKind::RimTore { .. } => "THE RIM OF THE RHEXIS TORE".to_string(),
        EventKind::RimRanOut => "THE TEAR OF THE RIM RAN OUT toward the equator".to_string(),
        EventKind::VitreousForward { volume_ul } => format!("Vitreous came forward: {volume_ul:.0} µL so far"),
        EventKind::PieceSank { volume_ul, .. } => format!("A PIECE OF {volume_ul:.1} µL SANK into the vitreous"),
        EventKind::Called => "The surgeon stopped and called for help".to_string(),
        EventKind::NeedleWithdrawn { chamber_pa } => {
            format!("The needle left the eye, {:.0} mmHg in the chamber", mmhg_from_pa(*chamber_pa))
        }
        EventKind::ChopEnded(result) => {
            let joined = if result.complete { "sides apart" } else { "sides still joined" };
            format!("The instruments let go: {} of the core cracked, {joined}", percent(result.core_fraction_cracked))
        }
    }
}
