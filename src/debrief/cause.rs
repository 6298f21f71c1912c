//! Why a component came out as it did: one sentence each, said from the numbers of the attempt.
//!
//! Each function looks for causes in the order in which they explain most; when none is on record it says what was
//! measured and no more. Units in the sentences: mm, degrees, mN, s, %.

use crate::debrief::Facts;
use crate::debrief::chops::Chop;
use crate::debrief::component::percent;
use crate::debrief::watch::Burial;
use crate::sim::burial::CORED_MM;
use crate::sim::event::{BreachBy, ChopStart, Event, EventKind, SlipBy, Tool};
use crate::units::degrees;

/// Loss of depth between burying and chop from which it is named, mm.
const LOST_DEPTH_MM: f64 = 0.15;

/// Share of the core from which a crack has run well, so that a slip before it explains nothing.
const HALF: f64 = 0.5;

/// Share of the last third below which a plate or hinge is said to have held.
const THROUGH: f64 = 0.95;

/// Why there was no chop at all.
pub fn no_chop(facts: &Facts<'_>) -> String {
    let has = |is_meant: fn(&EventKind) -> bool| facts.state.events.iter().any(|e| is_meant(&e.kind));
    if !has(|k| matches!(k, EventKind::TipEnteredLens)) {
        "No chop began: the tip never entered the lens.".to_string()
    } else if !has(|k| matches!(k, EventKind::ChopperEntered)) {
        "No chop began: the chopper never entered the lens.".to_string()
    } else if has(|k| matches!(k, EventKind::TipLeftCore { .. })) {
        "No chop began: the tip had run out of the dense zone.".to_string()
    } else if has(|k| matches!(k, EventKind::TipSlipped { .. })) {
        "No chop began: the nucleus slid off the tip before the instruments parted.".to_string()
    } else {
        "No chop began: needle and chopper never parted with both in the lens.".to_string()
    }
}

/// The tip lay beyond the core's outline.
pub fn outside_outline(facts: &Facts<'_>, start: &ChopStart) -> String {
    format!(
        "The tip lay {:.2} mm from the core's axis, beyond its outline at {:.2} mm: there is no core to be deep in.",
        start.radius_mm, facts.model.field.core.radius_mm
    )
}

/// Events from the burial that led to a chop up to its start.
fn before_chop<'a>(facts: &Facts<'a>, chop: &Chop) -> &'a [Event] {
    let events = &facts.state.events[..chop.event];
    let from = events.iter().rposition(|e| matches!(e.kind, EventKind::TipEnteredLens)).unwrap_or(0);
    &events[from..]
}

/// Events that a chop led to.
fn after_start<'a>(facts: &Facts<'a>, chop: &Chop) -> impl Iterator<Item = &'a EventKind> {
    let begun = chop.event;
    facts.state.events[begun..].iter().filter(move |e| e.cause.is_some_and(|c| c as usize == begun)).map(|e| &e.kind)
}

/// How far the needle was pulled sideways, if it lost its hold so.
fn sideways_mm(facts: &Facts<'_>, chop: &Chop) -> Option<f64> {
    after_start(facts, chop).find_map(|k| match k {
        EventKind::TipSlipped { by: SlipBy::Sideways, slip_mm } => Some(*slip_mm),
        _ => None,
    })
}

/// How far the nucleus slid off the tip along the shaft before the chop, if it did.
fn slid_mm(facts: &Facts<'_>, chop: &Chop) -> Option<f64> {
    let noted = before_chop(facts, chop).iter().find_map(|e| match e.kind {
        EventKind::TipSlipped { by: SlipBy::AlongShaft, slip_mm } => Some(slip_mm),
        _ => None,
    });
    // It is noted as it happens and may go on.
    noted.map(|slip_mm| slip_mm.max(chop.hold.slid_mm))
}

/// Burial depth.
pub fn depth(facts: &Facts<'_>, chop: &Chop, depth_mm: f64, share: f64) -> String {
    let (low, high) = facts.case.goals.depth_share;
    let thickness_mm = 2.0 * facts.model.field.core.half_thickness_mm;
    let percentage = percent(share);
    if share > high {
        return format!(
            "The tip lay {depth_mm:.2} mm below the core's front, {percentage} of its thickness: deeper than {:.2} mm, \
             toward the posterior capsule.",
            high * thickness_mm
        );
    }
    if share >= low {
        return format!(
            "The tip lay {depth_mm:.2} mm below the core's front, {percentage} of its {thickness_mm:.2} mm: within \
             the band."
        );
    }
    let buried_mm = chop.hold.burial.and_then(|b| b.depth_mm).unwrap_or(depth_mm);
    if buried_mm >= low * thickness_mm && buried_mm - depth_mm > LOST_DEPTH_MM {
        return format!(
            "The tip had been {buried_mm:.2} mm deep, but the nucleus slid off it to {depth_mm:.2} mm while the \
             chopper was pressed down: friction and vacuum held less than the press."
        );
    }
    if chop.hold.burial.is_some_and(|b| b.is_on_rim(facts.model)) {
        return format!(
            "The shaft lay on the rim of the rhexis at {:.0}°, so the tip could go no deeper than {buried_mm:.2} mm.",
            degrees(chop.start.elevation_rad)
        );
    }
    for event in before_chop(facts, chop) {
        if let EventKind::SleeveStopped { exposed_mm } = event.kind {
            return format!(
                "The sleeve reached firm tissue: the {exposed_mm:.1} mm of bare needle were used up at \
                 {buried_mm:.2} mm."
            );
        }
        if let EventKind::LensPushed { load_un: load_un @ 0.0.., ultrasound: false } = event.kind {
            return format!(
                "Without ultrasound the needle pushed the lens with {:.0} mN instead of entering it.",
                load_un / 1000.0
            );
        }
    }
    let slid_back = if buried_mm - depth_mm > LOST_DEPTH_MM {
        format!(", and the nucleus then slid off it to {depth_mm:.2} mm")
    } else {
        String::new()
    };
    format!(
        "The tip was buried no deeper than {buried_mm:.2} mm, {} of the core's {thickness_mm:.2} mm{slid_back}; nothing \
         had stopped it there.",
        percent(buried_mm / thickness_mm)
    )
}

fn tool_name(tool: Tool) -> &'static str {
    match tool {
        Tool::Needle => "needle",
        Tool::Chopper => "chopper",
    }
}

/// Distance to the posterior capsule.
pub fn capsule(facts: &Facts<'_>, distance_mm: f64, is_met: bool) -> String {
    if is_met {
        return format!("Neither instrument came closer to the posterior capsule than {distance_mm:.2} mm.");
    }
    let events = &facts.state.events;
    for (index, event) in events.iter().enumerate() {
        if let EventKind::Breach { tool, by, radius_mm } = event.kind {
            let t_s = event.tick as f64 * facts.model.tick_s;
            let how = match by {
                BreachBy::Ultrasound => "touched it with ultrasound on",
                BreachBy::SharpForce => "was pressed through it",
                BreachBy::Suction => "drew it into the open port",
                BreachBy::TrappedFluid => {
                    return format!("At {t_s:.2} s fluid trapped behind the lens burst the posterior capsule.");
                }
            };
            let led = if left_core(events, event).is_some() {
                " The tip had left the dense core and met nothing on its way through the soft shell."
            } else if has_pushed_on(&events[..index]) {
                " The sleeve had reached firm tissue, and the hand went on and pushed the whole lens back."
            } else {
                ""
            };
            return format!(
                "At {t_s:.2} s the {} opened the posterior capsule {radius_mm:.2} mm from the lens's axis: it {how}.{led}",
                tool.map_or("fluid", tool_name)
            );
        }
    }
    let near = events.iter().find_map(|e| match e.kind {
        EventKind::CapsuleNear { tool, .. } => Some((e, tool)),
        _ => None,
    });
    match near {
        Some((event, Tool::Needle)) => match left_core(events, event) {
            Some(radius_mm) => format!(
                "The tip left the dense core {radius_mm:.2} mm from its axis and ran on through soft tissue to within \
                 {distance_mm:.2} mm of the posterior capsule."
            ),
            None => format!("The tip was buried to within {distance_mm:.2} mm of the posterior capsule."),
        },
        Some((_, Tool::Chopper)) => {
            format!("An instrument came within {distance_mm:.2} mm of the posterior capsule, the chopper first.")
        }
        None => format!("An instrument came within {distance_mm:.2} mm of the posterior capsule."),
    }
}

/// Did the hand go on after the sleeve had stopped the needle?
pub(crate) fn has_pushed_on(events: &[Event]) -> bool {
    let entered = events.iter().rposition(|e| matches!(e.kind, EventKind::TipEnteredLens)).unwrap_or(0);
    let has = |is_meant: fn(&EventKind) -> bool| events[entered..].iter().any(|e| is_meant(&e.kind));
    has(|k| matches!(k, EventKind::SleeveStopped { .. }))
        && has(|k| matches!(k, EventKind::LensPushed { load_un: 0.0.., .. }))
}

/// Where the tip left the core, if that led to an event.
fn left_core(events: &[Event], event: &Event) -> Option<f64> {
    let mut cause = event.cause;
    while let Some(event) = cause.and_then(|i| events.get(i as usize)) {
        if let EventKind::TipLeftCore { radius_mm, .. } = event.kind {
            return Some(radius_mm);
        }
        cause = event.cause;
    }
    None
}

/// The tip and the dense zone.
pub fn zone(facts: &Facts<'_>, start: &ChopStart, inside_mm: f64) -> String {
    let core = &facts.model.field.core;
    if inside_mm >= 0.0 {
        return format!(
            "The tip stood inside the core, {inside_mm:.2} mm from its surface and {:.2} mm from its axis.",
            start.radius_mm
        );
    }
    match start.depth_mm {
        Some(depth_mm) if depth_mm < 0.0 => {
            format!("The tip stood in the soft layer before the core, {:.2} mm short of it.", -depth_mm)
        }
        Some(_) => format!(
            "The tip had gone through the core's edge or back: it stood {:.2} mm outside, {:.2} mm from the axis.",
            -inside_mm, start.radius_mm
        ),
        None => format!(
            "The tip stood {:.2} mm from the core's axis, but the core ends at {:.2} mm: only soft tissue held it.",
            start.radius_mm, core.radius_mm
        ),
    }
}

/// The foot, the bed and the port.
pub fn purchase(chop: &Chop, is_covered: bool) -> String {
    let foot = pedal(chop);
    if is_covered {
        return foot;
    }
    format!("{foot} Only {} of the port was covered.", percent(chop.hold.occlusion))
}

fn pedal(chop: &Chop) -> String {
    let hold = &chop.hold;
    let still = format!("Ultrasound went on for {:.1} s with the tip still", hold.still_ultrasound_s);
    let gap = format!("a gap of {:.2} mm", hold.gap_mm);
    match (chop.start.pedal, hold.is_cored()) {
        (2, false) if hold.gap_mm >= CORED_MM => format!(
            "The foot was back in position 2 before the chop; the bed was loose all the same ({gap}), widened on the \
             way in through soft tissue."
        ),
        (2, false) => "The foot was back in position 2 and the bed round the tip was tight when the chop began.".into(),
        (2, true) => format!("{still} before the foot came back, and cored out its bed: {gap}."),
        (3, true) => format!("{still} and into the chop, and cored out its bed: {gap}."),
        (3, false) => {
            format!("The foot was still in position 3 when the chop began; the gap was {:.2} mm.", hold.gap_mm)
        }
        (position, _) => format!("The foot was in position {position}: no vacuum held the nucleus on the tip."),
    }
}

/// Separation.
pub fn separation(facts: &Facts<'_>, chop: &Chop) -> String {
    let (parted_mm, opened_mm) = (chop.result.separation_mm, chop.result.opening_mm);
    let opened = format!("the crack opened by {:.2} mm", opened_mm.max(0.0));
    if parted_mm >= facts.case.goals.separation_mm {
        return format!("The instruments parted by {parted_mm:.2} mm; {opened}.");
    }
    let room = after_start(facts, chop).find_map(|k| match k {
        EventKind::BagFull { room_mm } => Some(*room_mm),
        _ => None,
    });
    let wanted_mm = facts.case.goals.separation_mm;
    match room {
        Some(room_mm) => format!(
            "The instruments parted by {parted_mm:.2} mm of {wanted_mm:.2} mm; one side had used up its {room_mm:.2} mm \
             of room in the bag."
        ),
        None => format!("The instruments parted by {parted_mm:.2} mm of {wanted_mm:.2} mm; {opened}."),
    }
}

/// How far the crack went.
pub fn completeness(facts: &Facts<'_>, chop: &Chop, is_met: bool) -> String {
    let result = &chop.result;
    if is_met {
        return "The crack went through the core from front to back; no bond joins the two sides.".to_string();
    }
    if result.complete {
        return format!("Only {} of the core's crack surface broke.", percent(result.core_fraction_cracked));
    }
    if result.core_fraction_cracked >= facts.case.goals.core_cracked {
        return "The core cracked, but soft tissue outside it still joined the two sides.".to_string();
    }
    if let Some(slip_mm) = sideways_mm(facts, chop) {
        let slid = match slid_mm(facts, chop) {
            Some(mm) => format!("The nucleus slid {mm:.2} mm off the tip while the chopper was pressed down; then the"),
            None => "The".to_string(),
        };
        return format!(
            "{slid} needle was pulled {slip_mm:.2} mm sideways through the tissue: its {:.2} mm within the lens bore \
             less than the crack asked for.",
            chop.start.along_shaft_mm
        );
    }
    if let Some(slid_mm) = slid_mm(facts, chop).filter(|_| result.core_fraction_cracked < HALF) {
        return format!(
            "The nucleus slid {slid_mm:.2} mm off the tip while the chopper was pressed down: friction and vacuum held \
             less than the press."
        );
    }
    let cut_through = after_start(facts, chop).find_map(|k| match k {
        EventKind::ChopperCutThrough { slip_mm } => Some(*slip_mm),
        _ => None,
    });
    if let Some(slip_mm) = cut_through {
        return format!("The chopper ploughed {slip_mm:.2} mm through the tissue instead of opening the crack.");
    }
    let joined = percent(1.0 - result.posterior_third_cracked);
    if result.posterior_third_cracked < THROUGH {
        let what = if facts.model.field.plate.is_some() { "posterior plate" } else { "back of the core" };
        return format!("The {what} held: {joined} of the crack's last third stayed joined, a hinge.");
    }
    let kept = percent(1.0 - result.core_fraction_cracked);
    format!("The crack ran to the core's back, but {kept} of it stayed joined toward the sides.")
}

/// Evenness of the pieces.
pub fn evenness(facts: &Facts<'_>, chop: &Chop, is_met: bool) -> String {
    let smaller = percent(chop.result.smaller_side);
    let tilt = degrees(chop.start.tilt_rad);
    if is_met {
        return format!("The crack left {smaller} of the body in the smaller piece.");
    }
    let aside_mm = chop.hold.burial.map_or(0.0, |b: Burial| libm::hypot(b.tip.place_mm.x, b.tip.place_mm.y));
    let radius_mm = facts.model.field.shape.equator_mm;
    if tilt > 20.0 {
        format!("The crack was tilted by {tilt:.0}° from the vertical and left {smaller} in the smaller piece.")
    } else if aside_mm > 0.2 * radius_mm {
        format!(
            "The tip stood {aside_mm:.2} mm from the lens's axis, so the crack ran off the middle and left {smaller} in \
             the smaller piece."
        )
    } else {
        format!("The crack ran off the middle and left {smaller} of the body in the smaller piece.")
    }
}
