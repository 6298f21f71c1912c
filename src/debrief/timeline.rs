//! What happened, in order: the events worth a line each, in words.
//!
//! Events that only repeat what is already on the page are left out here; `play --json` has them all.

use crate::debrief::component::percent;
use crate::debrief::{Chop, Debrief, Facts};
use crate::sim::event::{BreachBy, Event, EventKind, SlipBy, Tool};
use crate::units::degrees;

/// One line of the story.
#[derive(Clone, Debug, PartialEq)]
pub struct Moment {
    /// Simulated time, s.
    pub t_s: f64,
    /// What happened, without a full stop.
    pub what: String,
}

/// The story of an attempt.
pub fn story(facts: &Facts<'_>, debrief: &Debrief) -> Vec<Moment> {
    let events = &facts.state.events;
    let mut found: Vec<Moment> = Vec::new();
    let mut is_in_core = false;
    for (i, event) in events.iter().enumerate() {
        match event.kind {
            EventKind::TipEnteredCore { .. } if is_in_core => continue,
            EventKind::TipEnteredCore { .. } => is_in_core = true,
            EventKind::TipEnteredLens | EventKind::TipLeftCore { .. } => is_in_core = false,
            // The chopper's tip may leave and enter again where the surface is rough.
            EventKind::ChopperEntered if is_chopper_in(events, i) => continue,
            EventKind::PurchaseCored { .. } if !is_cored_for_a_chop(events, i, &debrief.chops) => continue,
            // An instrument drawn out of the lens slides off it: no news.
            EventKind::TipSlipped { by: SlipBy::AlongShaft, .. } if !is_chopper_in(events, i) => continue,
            _ => {}
        }
        let t_s = event.tick as f64 * facts.model.tick_s;
        found.push(Moment { t_s, what: describe(&event.kind) });
    }
    if let Some(fault) = &facts.state.fault {
        let what = format!("The engine stopped: {} was not a finite number", fault.what);
        found.push(Moment { t_s: fault.tick as f64 * facts.model.tick_s, what });
    }
    found
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

fn describe(kind: &EventKind) -> String {
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
                BreachBy::Ultrasound => "by ultrasound",
                BreachBy::SharpForce => "by force",
            };
            format!("THE POSTERIOR CAPSULE WAS BREACHED by the {}, {how}", name(*tool))
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
        EventKind::ChopEnded(result) => {
            let joined = if result.complete { "sides apart" } else { "sides still joined" };
            format!("The instruments let go: {} of the core cracked, {joined}", percent(result.core_fraction_cracked))
        }
    }
}
