//! What to try next: one or two sentences derived from what failed, the most dangerous first.
//!
//! Every sentence speaks of the model, never of a patient: the first says so.

use crate::debrief::chops::Chop;
use crate::debrief::component::{Component, Status};
use crate::debrief::findings::Finding;
use crate::debrief::{Facts, watch::Burial};
use crate::debrief::{cause, conduct};
use crate::sim::event::{EventKind, Tool};
use crate::sim::hands::{ELEVATION_RANGE_RAD, HandPose, Tip, rise_over_rim_mm};
use crate::units::{degrees, radians};
use nalgebra::Vector3;

/// How many sentences at most, and after a critical event.
const MOST: usize = 2;
const MOST_CRITICAL: usize = 3;

/// Distance from the core's edge that keeps a whole needle within it, mm (half its usual width).
const KEEP_INSIDE_MM: f64 = 0.55;

/// The sentences: what stands beside a critical event, then the chop, then what else stands out.
pub fn sentences(
    facts: &Facts<'_>,
    chop: Option<&Chop>,
    components: &[Component],
    findings: &[Finding],
) -> Vec<String> {
    let of = |is_critical: bool| findings.iter().filter(move |f| f.is_critical == is_critical);
    let mut found: Vec<String> = of(true).filter_map(|f| f.advice.clone()).collect();
    let most = if of(true).next().is_some() { MOST_CRITICAL } else { MOST };
    found.extend(on_the_chop(facts, chop, components));
    found.extend(of(false).filter_map(|f| f.advice.clone()));
    for component in components.iter().filter(|c| c.status == Status::Missed) {
        // What a finding or the chop's sentences have said already is not said twice.
        found.extend(on_care(facts, component).map(str::to_string).filter(|advice| !found.contains(advice)));
    }
    if found.is_empty() {
        found.push(
            "no band was missed; to find the margin, bury a little shallower each time until the tip no longer holds"
                .to_string(),
        );
    }
    found.truncate(most);
    for (i, sentence) in found.iter_mut().enumerate() {
        *sentence = if i == 0 { format!("In this model {sentence}.") } else { format!("Then {sentence}.") };
    }
    found
}

/// What a missed component of care asks for, where nothing more special was found.
fn on_care(facts: &Facts<'_>, component: &Component) -> Option<&'static str> {
    Some(match component.id {
        "zonule-load" => facts.watch.strained?.1.advice(),
        "chamber-steadiness" => {
            "less vacuum stores less in the line, and a higher bottle leaves more pressure in a surge"
        }
        "rim-care" => "pass the chopper flat under the rim and set it upright only beyond it",
        "power-use" => "give power only while the tip advances or holds a piece",
        "incision-temperature" => "give power in short spells, with flow running",
        "fragment-control" => "draw a piece only once it is free all round and the port is covered",
        "rescue" => "take the foot off suction at once, keep the infusion on, and call for help",
        _ => return None,
    })
}

const WITHOUT_CHOP: &str = "leave this nucleus whole: free it, then take it from its middle outward with little power and \
                            moderate vacuum";

/// What the chop's own components ask for.
fn on_the_chop(facts: &Facts<'_>, chop: Option<&Chop>, components: &[Component]) -> Vec<String> {
    let is_missed =
        |id: &str| components.iter().any(|c| c.id == id && matches!(c.status, Status::Missed | Status::NotReached));
    let mut found: Vec<String> = Vec::new();
    if conduct::is_without_chop(facts) {
        return if chop.is_some() { vec![WITHOUT_CHOP.to_string()] } else { found };
    }
    if !is_missed("division") && chop.is_none() {
        return found; // it was stopped for a reason
    }
    match chop {
        None if has(facts, |k| matches!(k, EventKind::TipLeftCore { .. })) => found.push(keep_inside(facts)),
        None => found.push(begin(facts)),
        Some(chop) => {
            let wanted = facts.case.goals.core_cracked;
            let is_through = chop.result.complete && chop.result.core_fraction_cracked >= wanted;
            if is_missed("dense-zone") || is_missed("capsule-distance") {
                found.extend(stay_inside(facts, chop, is_missed("dense-zone")));
            }
            if is_missed("burial-depth") {
                found.extend(deeper(facts, chop));
            }
            if is_missed("purchase") {
                found.push(pedal(chop));
            }
            if is_missed("division") && !is_through && !is_missed("burial-depth") {
                found.push(open_further(facts, chop));
            }
            if is_missed("division") && is_through {
                found.push("a steeper tip angle and a tip nearer the middle make the pieces more even".to_string());
            }
        }
    }
    found
}

fn has(facts: &Facts<'_>, is_meant: fn(&EventKind) -> bool) -> bool {
    facts.state.events.iter().any(|e| is_meant(&e.kind))
}

fn begin(facts: &Facts<'_>) -> String {
    if !has(facts, |k| matches!(k, EventKind::TipEnteredCore { .. })) {
        "bury the tip in the core with ultrasound before anything else".to_string()
    } else if !has(facts, |k| matches!(k, EventKind::ChopperEntered)) {
        "bring the chopper down beside the buried tip, then part the instruments".to_string()
    } else {
        "part the instruments while both are in the core".to_string()
    }
}

/// Middle of the band of depths, mm.
fn aim_mm(facts: &Facts<'_>) -> f64 {
    let (low, high) = facts.case.goals.depth_share;
    (low + high) * facts.model.field.core.half_thickness_mm
}

fn keep_inside(facts: &Facts<'_>) -> String {
    let most_mm = facts.model.field.core.radius_mm - KEEP_INSIDE_MM;
    format!(
        "keep the tip within {most_mm:.1} mm of the core's axis and stop at about {:.1} mm: beyond the core it meets \
         nothing",
        aim_mm(facts)
    )
}

fn stay_inside(facts: &Facts<'_>, chop: &Chop, is_outside: bool) -> Option<String> {
    let core = &facts.model.field.core;
    if is_outside || has(facts, |k| matches!(k, EventKind::TipLeftCore { .. })) {
        return Some(keep_inside(facts));
    }
    let (_, high) = facts.case.goals.depth_share;
    let is_deep = |depth_mm: Option<f64>| depth_mm.is_some_and(|d| d > high * 2.0 * core.half_thickness_mm);
    if is_deep(chop.start.depth_mm) {
        return None; // the depth itself was missed, and has a sentence of its own
    }
    if cause::has_pushed_on(&facts.state.events[..chop.event]) {
        return Some(
            "stop when the sleeve meets firm tissue: beyond that the hand only pushes the lens back".to_string(),
        );
    }
    if is_deep(chop.hold.burial.and_then(|b| b.depth_mm)) {
        return Some(format!("stop burying at about {:.1} mm: the tip had gone far deeper", aim_mm(facts)));
    }
    let by_chopper = facts.state.events.iter().any(|e| {
        matches!(
            e.kind,
            EventKind::CapsuleNear { tool: Tool::Chopper, .. } | EventKind::Breach { tool: Some(Tool::Chopper), .. }
        )
    });
    Some(if by_chopper {
        "a chopper held less deep leaves more room to the posterior capsule".to_string()
    } else {
        let angle = degrees(chop.start.elevation_rad);
        format!("a tip angle flatter than {angle:.0}° at the same depth leaves more room to the posterior capsule")
    })
}

fn deeper(facts: &Facts<'_>, chop: &Chop) -> Option<String> {
    let aim_mm = aim_mm(facts);
    let half = format!("about {aim_mm:.1} mm, the middle of this core's band");
    let (low, high) = facts.case.goals.depth_share;
    let thickness_mm = 2.0 * facts.model.field.core.half_thickness_mm;
    let burial = chop.hold.burial;
    if chop.start.depth_mm.is_some_and(|d| d > high * thickness_mm) {
        return Some(format!("stop burying at {half}"));
    }
    if let Some(burial) = burial.filter(|b| b.is_on_rim(facts.model)) {
        return Some(match clearing_angle_deg(facts, &burial, aim_mm) {
            Some(angle) => {
                format!("a tip angle of {angle:.0}° or more clears the rim of the rhexis and lets the tip reach {half}")
            }
            None => {
                "no tip angle lets the tip reach the core's middle from here: enter nearer the far side".to_string()
            }
        });
    }
    let was_deep = burial.and_then(|b| b.depth_mm).is_some_and(|d| d >= low * thickness_mm);
    if was_deep {
        return Some("more vacuum and a tighter bed hold the nucleus on the tip while the chopper presses".to_string());
    }
    chop.start.depth_mm.map(|_| format!("bury the tip deeper, to {half}"))
}

/// The least tip angle, in whole 5°, at which the shaft clears the rim with the tip at a depth at the same place.
fn clearing_angle_deg(facts: &Facts<'_>, burial: &Burial, depth_mm: f64) -> Option<f64> {
    let model = facts.model;
    let place = burial.tip.place_mm;
    let local = facts.state.lens.pose_of(burial.body).from_eye(&place);
    let top_mm = model.field.core.anterior_z_mm(local.x, local.y)?;
    let place_mm = Vector3::new(place.x, place.y, top_mm - depth_mm);
    let most = degrees(ELEVATION_RANGE_RAD.1);
    (1..=18).map(|i| 5.0 * f64::from(i)).find(|angle| {
        let pose = HandPose::needle_at(&model.main_incision, &place_mm, radians(*angle), burial.tip.roll_rad);
        let tip = Tip { place_mm, forward: pose.forward(), roll_rad: burial.tip.roll_rad };
        *angle <= most && rise_over_rim_mm(&tip, model.rhexis_radius_mm, |r| model.field.shape.anterior_z_mm(r)) <= 0.0
    })
}

fn pedal(chop: &Chop) -> String {
    match chop.start.pedal {
        0 | 1 => "hold with vacuum: foot in position 2 from the end of burying until the pieces part".to_string(),
        _ if chop.hold.is_cored() => {
            "go back to position 2 as soon as the tip stands, before the chopper goes in".to_string()
        }
        _ => "go back to position 2 before the chopper goes in".to_string(),
    }
}

fn open_further(facts: &Facts<'_>, chop: &Chop) -> String {
    let cut_through = facts.state.events[chop.event..].iter().any(|e| {
        e.cause.is_some_and(|c| c as usize == chop.event) && matches!(e.kind, EventKind::ChopperCutThrough { .. })
    });
    if chop.result.tip_slipped {
        "bury deeper within the band, so that a longer shaft bears on the nucleus".to_string()
    } else if cut_through {
        "put the chopper deeper, so that a longer end bears on the nucleus".to_string()
    } else if facts.model.field.plate.is_some() {
        "set both instruments again, deeper in the open crack, and part them once more to break the plate".to_string()
    } else {
        "part the instruments wider, or set them deeper in the open crack and part them once more".to_string()
    }
}
