//! What stands out beside the chop: pieces, fluid, capsule, zonules, heat. Each finding is a cause, said from numbers
//! of the attempt, and what would help in this model.
//!
//! The most dangerous come first. Units in the sentences: the trade's.

use crate::debrief::Facts;
use crate::debrief::component::percent;
use crate::debrief::follows::{Follow, held_in_words, piece_of, ratio_in_words};
use crate::sim::adhesion::HOURS;
use crate::sim::event::{BreachBy, Event, EventKind, HeldBy};
use crate::units::{cm_from_pa, mmhg_from_pa};

/// Rise of the posterior capsule of itself from which it is told, mm (A: twice what the engine notes).
const RISE_TOLD_MM: f64 = 0.6;

/// Distance to the capsule, over the case's floor, within which its rise is something to act on (A).
const NEAR_FLOORS: f64 = 2.0;

/// Share of the time with ultrasound on a piece from which chatter is told (A).
const CHATTER_TOLD: f64 = 0.1;

/// Vacuum from which more of it does not settle a chattering piece, Pa: about 400 mmHg (bench study; S).
const CHATTER_PLATEAU_PA: f64 = 53_329.0;

/// Pressure of the chamber below which a surge is something to act on, Pa (A: 20 mmHg).
const LOW_CHAMBER_PA: f64 = 2_666.0;

/// Freed share of the lens's adhesion from which it counts as loose (A).
const LOOSE: f64 = 0.8;

/// Something that stands out.
#[derive(Clone, Debug, PartialEq)]
pub struct Finding {
    /// What happened and why, a sentence.
    pub cause: String,
    /// What would help, without capital and full stop; `None` where it is only worth knowing.
    pub advice: Option<String>,
    /// Does it stand beside a critical event?
    pub is_critical: bool,
}

/// All findings, the most dangerous first.
pub fn findings(facts: &Facts<'_>, follows: &[Follow]) -> Vec<Finding> {
    let first = [suction(facts), collapse(facts), dialysis(facts), rim(facts), heat(facts), sunk(facts)];
    let then = [after_breach(facts), block(facts), trapped(facts), rise(facts), surge(facts)];
    let last = [held_back(facts, follows), chatter(facts), failed_wave(facts)];
    first.into_iter().chain(then).chain(last).flatten().collect()
}

fn critical(cause: String, advice: impl Into<String>) -> Option<Finding> {
    Some(Finding { cause, advice: Some(advice.into()), is_critical: true })
}

fn told(cause: String, advice: Option<String>) -> Option<Finding> {
    Some(Finding { cause, advice, is_critical: false })
}

fn events<'a>(facts: &Facts<'a>) -> &'a [Event] {
    &facts.state.events
}

fn t_s(facts: &Facts<'_>, event: &Event) -> f64 {
    event.tick as f64 * facts.model.tick_s
}

fn first_of(facts: &Facts<'_>, is_meant: impl Fn(&EventKind) -> bool) -> Option<(usize, f64)> {
    let at = events(facts).iter().position(|e| is_meant(&e.kind))?;
    Some((at, t_s(facts, &events(facts)[at])))
}

fn has(facts: &Facts<'_>, is_meant: impl Fn(&EventKind) -> bool) -> bool {
    first_of(facts, is_meant).is_some()
}

/// The event an event came of.
fn cause_of<'a>(facts: &Facts<'a>, event: usize) -> Option<&'a EventKind> {
    let cause = events(facts).get(event)?.cause?;
    events(facts).get(cause as usize).map(|e| &e.kind)
}

fn suction(facts: &Facts<'_>) -> Option<Finding> {
    let breach = |k: &EventKind| matches!(k, EventKind::Breach { by: BreachBy::Suction, .. });
    first_of(facts, breach)?;
    let model = facts.model;
    // P·a/2t against the strength.
    let bears_pa = 2.0 * model.capsule_mm * model.capsule_strength_pa / model.needle.bore_radius_mm;
    let bears = mmhg_from_pa(bears_pa);
    let cause = format!(
        "The capsule lay on the open port and was drawn in: over a bore of {:.1} mm it bears {bears:.0} mmHg.",
        2.0 * model.needle.bore_radius_mm
    );
    critical(
        cause,
        format!(
            "stay below {bears:.0} mmHg where the capsule can reach the port, with a blunt chopper held beneath it"
        ),
    )
}

fn collapse(facts: &Facts<'_>) -> Option<Finding> {
    let (at, t_s) = first_of(facts, |k| matches!(k, EventKind::ChamberCollapsed))?;
    let (why, advice) = match cause_of(facts, at) {
        Some(EventKind::PedalMoved { to: 0, .. }) => (
            ", the foot in position 0 and the infusion shut",
            "keep the foot in position 1 while a needle is in the eye",
        ),
        Some(EventKind::Surge { .. }) => {
            (" in a surge", "less vacuum stores less in the line, and a higher bottle leaves more pressure in a surge")
        }
        _ => ("", "a higher bottle, or less vacuum and flow, keeps the chamber up"),
    };
    critical(format!("At {t_s:.2} s the chamber fell below 2 mmHg{why}."), advice)
}

fn dialysis(facts: &Facts<'_>) -> Option<Finding> {
    let (at, t_s) = first_of(facts, |k| matches!(k, EventKind::ZonulesTore { .. }))?;
    let EventKind::ZonulesTore { hour, load_un } = events(facts)[at].kind else { return None };
    let torn = events(facts).iter().filter(|e| matches!(e.kind, EventKind::ZonulesTore { .. })).count();
    let more = if torn > 1 { format!("; {torn} clock hours tore in all") } else { String::new() };
    let strain = facts.watch.tore?;
    let how = strain.words();
    let load_mn = load_un / 1000.0;
    critical(
        format!("At {t_s:.2} s the zonules at {hour} o'clock gave way at {load_mn:.0} mN as {how}{more}."),
        strain.advice(),
    )
}

fn rim(facts: &Facts<'_>) -> Option<Finding> {
    let (at, t_s) = first_of(facts, |k| matches!(k, EventKind::RimTore { .. }))?;
    let EventKind::RimTore { force_un, .. } = events(facts)[at].kind else { return None };
    let ran_out = has(facts, |k| matches!(k, EventKind::RimRanOut));
    let end = if ran_out {
        format!("; pulled on, the tear ran out at {:.1} mm", facts.state.wounds.rim_tear_mm)
    } else {
        format!("; the tear is {:.1} mm long", facts.state.wounds.rim_tear_mm)
    };
    let cause = format!(
        "At {t_s:.2} s the chopper straddled the rim of the rhexis and was moved across it with {:.0} mN{end}.",
        force_un / 1000.0
    );
    let advice = "pass the chopper flat under the rim and set it upright only beyond it".to_string();
    Some(Finding { cause, advice: Some(advice), is_critical: ran_out })
}

fn heat(facts: &Facts<'_>) -> Option<Finding> {
    let (_, t_s) = first_of(facts, |k| matches!(k, EventKind::IncisionHot { .. }))?;
    let hottest_c = facts.state.removal.hottest_c;
    critical(
        format!(
            "From {t_s:.2} s the incision was hot, up to {hottest_c:.0} °C: power went on while no flow carried heat off."
        ),
        "clear the port until fluid flows before going to position 3, and give power in short spells",
    )
}

fn sunk(facts: &Facts<'_>) -> Option<Finding> {
    let (at, t_s) = first_of(facts, |k| matches!(k, EventKind::PieceSank { .. }))?;
    let EventKind::PieceSank { volume_ul, .. } = events(facts)[at].kind else { return None };
    critical(
        format!(
            "At {t_s:.2} s a piece of {volume_ul:.1} µL fell through the hole, {:.1} mm across in the end.",
            2.0 * facts.state.wounds.hole_mm
        ),
        "dispersive viscoelastic over the hole, or the tip holding the piece, keeps it from sinking",
    )
}

/// For how long suction went on after an event, s.
pub(super) fn suction_after_s(facts: &Facts<'_>, at: usize) -> f64 {
    let (all, end_s) = (events(facts), facts.state.time_s(facts.model));
    let from_s = t_s(facts, &all[at]);
    let foot = |upto: usize| {
        all[..upto]
            .iter()
            .rev()
            .find_map(|e| if let EventKind::PedalMoved { to, .. } = e.kind { Some(to) } else { None })
    };
    let mut went_on_s = 0.0;
    let (mut position, mut since_s) = (foot(at).unwrap_or(1), from_s);
    for event in &all[at..] {
        if let EventKind::PedalMoved { to, .. } = event.kind {
            went_on_s += if position >= 2 { t_s(facts, event) - since_s } else { 0.0 };
            (position, since_s) = (to, t_s(facts, event));
        }
    }
    went_on_s + if position >= 2 { end_s - since_s } else { 0.0 }
}

/// What was done after a breach, and what limits harm from there on.
fn after_breach(facts: &Facts<'_>) -> Option<Finding> {
    let (at, _) = first_of(facts, |k| matches!(k, EventKind::Breach { .. }))?;
    let all = events(facts);
    let went_on_s = suction_after_s(facts, at);
    let withdrawn = all[at..].iter().find_map(|e| match e.kind {
        EventKind::NeedleWithdrawn { chamber_pa } => Some(chamber_pa),
        _ => None,
    });
    let left = withdrawn
        .map_or(String::new(), |pa| format!(", the needle left with {:.0} mmHg in the chamber", mmhg_from_pa(pa)));
    let vitreous_ul = facts.state.wounds.vitreous_ul;
    let vitreous =
        if vitreous_ul < 0.5 { "no vitreous".to_string() } else { format!("{vitreous_ul:.0} µL of vitreous") };
    let cause = format!(
        "After the breach suction went on for {went_on_s:.1} s{left}; {vitreous} came forward through a hole {:.1} mm across.",
        2.0 * facts.state.wounds.hole_mm
    );
    critical(
        cause,
        "the breach is no longer avoidable; harm is still limited by stopping aspiration and \
         ultrasound at once with the infusion left on, and by filling the chamber through the side port before the needle leaves",
    )
}

fn block(facts: &Facts<'_>) -> Option<Finding> {
    let (at, t_s) = first_of(facts, |k| matches!(k, EventKind::PupilBlocked { .. }))?;
    let EventKind::PupilBlocked { back_mm, .. } = events(facts)[at].kind else { return None };
    let lifted = has(facts, |k| matches!(k, EventKind::BlockReleased { by_lifting: true, .. }));
    let end = if facts.state.chamber.is_sealed {
        "; it was still sealed at the end"
    } else if lifted {
        "; lifting the iris released it"
    } else {
        "; it let go as the chamber came forward"
    };
    let bottle_cm = cm_from_pa(facts.state.chamber.bottle_pa);
    let advice = if lifted {
        None
    } else {
        Some(format!(
            "lift the iris off the rim with the chopper, or lower the bottle from {bottle_cm:.0} cm, before going on in a \
             deepened chamber"
        ))
    };
    told(format!("At {t_s:.2} s the lens lay {back_mm:.1} mm back and the iris sealed on it all round{end}."), advice)
}

fn trapped(facts: &Facts<'_>) -> Option<Finding> {
    first_of(facts, |k| matches!(k, EventKind::WaveTrapped { .. }))?;
    let pressed = mmhg_from_pa(facts.state.totals.trapped_pa);
    let advice = "press the nucleus back between small injections, so that trapped fluid comes out at the rim";
    Some(Finding {
        cause: format!("Fluid trapped behind the lens pressed on the posterior capsule with up to {pressed:.0} mmHg."),
        advice: Some(advice.to_string()),
        is_critical: has(facts, |k| matches!(k, EventKind::Breach { by: BreachBy::TrappedFluid, .. })),
    })
}

fn rise(facts: &Facts<'_>) -> Option<Finding> {
    let rise_mm = facts.state.totals.capsule_rise_mm;
    let most_mm = facts.case.goals.capsule_travel_mm.unwrap_or(RISE_TOLD_MM);
    let (at, _) = first_of(facts, |k| matches!(k, EventKind::CapsuleRose { .. }))?;
    if rise_mm < most_mm {
        return None;
    }
    let after = match cause_of(facts, at) {
        Some(EventKind::Surge { .. } | EventKind::OcclusionBroke { .. }) => " after the port came free",
        _ => "",
    };
    let left = percent(facts.state.lens.volume_ul.iter().sum::<f64>() / facts.model.whole_ul());
    let is_near = facts.state.totals.distance_to_capsule_min_mm < NEAR_FLOORS * facts.case.goals.capsule_floor_mm;
    let advice = "use less vacuum while a span of the capsule lies free, with a blunt chopper under the port";
    told(
        format!(
            "The posterior capsule rose by up to {rise_mm:.1} mm where no lens lay on it{after}; {left} of the lens was \
             left in the end."
        ),
        is_near.then(|| advice.to_string()),
    )
}

fn surge(facts: &Facts<'_>) -> Option<Finding> {
    let surges = events(facts).iter().enumerate().filter_map(|(i, e)| match e.kind {
        EventKind::Surge { chamber_pa, .. } => Some((i, e, chamber_pa)),
        _ => None,
    });
    let (at, event, chamber_pa) = surges.min_by(|a, b| a.2.total_cmp(&b.2))?;
    let Some(EventKind::OcclusionBroke { vacuum_pa }) = cause_of(facts, at) else { return None };
    let stored_ul = vacuum_pa * facts.model.plumbing.line_ul_pa;
    let cause = format!(
        "At {:.2} s the port came free with {:.0} mmHg in a line that had stored {stored_ul:.0} µL: the chamber fell to \
         {:.0} mmHg.",
        t_s(facts, event),
        mmhg_from_pa(*vacuum_pa),
        mmhg_from_pa(chamber_pa)
    );
    let lowest_pa = facts.state.chamber.lowest_pa;
    let is_low = lowest_pa < LOW_CHAMBER_PA || has(facts, |k| matches!(k, EventKind::ChamberShallowed { .. }));
    let advice = "lower the vacuum, which stores less in the line, or raise the bottle against the surge";
    told(cause, is_low.then(|| advice.to_string()))
}

/// The last pull of each piece is the one that counts; the latest that did not follow is told.
fn held_back(facts: &Facts<'_>, follows: &[Follow]) -> Option<Finding> {
    // A lens that a chop has not parted stays behind when the needle leaves it: no news.
    let was_chopped = has(facts, |k| matches!(k, EventKind::ChopStarted(_)));
    let is_news = |f: &Follow| {
        !f.followed && !(f.is_whole_lens(facts) && (was_chopped || f.held_by == Some(HeldBy::PoorOcclusion)))
    };
    let is_last = |i: usize| !follows[i + 1..].iter().any(|f| f.fragment == follows[i].fragment);
    let (_, pull) = follows.iter().enumerate().rev().find(|(i, f)| is_news(f) && is_last(*i))?;
    let is_whole = pull.is_whole_lens(facts);
    let held = held_in_words(pull.held_by, is_whole);
    let piece = piece_of(facts, pull.volume_ul);
    let force = match pull.ratio() {
        Some(ratio) => format!(
            " Vacuum and bed held it with {:.0} mN against a load of {:.0} mN, a ratio of {}.",
            pull.purchase_un / 1000.0,
            pull.load_un / 1000.0,
            ratio_in_words(ratio)
        ),
        None => String::new(),
    };
    let advice = match pull.held_by {
        _ if is_whole => "crack the nucleus through before anything is drawn from it".to_string(),
        Some(HeldBy::Hinge) => "part the instruments again to complete the crack before the piece is drawn".to_string(),
        Some(HeldBy::Neighbours) => {
            "divide the piece that did not follow again, or free it from its neighbours; to leave it where it is, let go \
             with the foot in position 1 before the tip moves away"
                .to_string()
        }
        Some(HeldBy::Adhesion) => {
            let freed = facts.state.adhesion.freed.iter().sum::<f64>() / HOURS as f64;
            if freed < LOOSE {
                format!("hydrodissect on: {} of the adhesion was freed", percent(freed))
            } else {
                "turn the nucleus, or hydrodissect where the piece lies, to free it from its capsule".to_string()
            }
        }
        Some(HeldBy::PoorOcclusion) => {
            format!("cover the port before drawing: no more than {} of it was covered", percent(pull.occlusion))
        }
        None => "wait for vacuum before the piece is drawn".to_string(),
    };
    told(format!("At {:.2} s the {piece} did not follow: {held}.{force}", pull.t_s), Some(advice))
}

fn chatter(facts: &Facts<'_>) -> Option<Finding> {
    let removal = &facts.state.removal;
    let noted = events(facts).iter().rev().find_map(|e| match e.kind {
        EventKind::Chattered { power, vacuum_pa } => Some((power, vacuum_pa)),
        _ => None,
    });
    let (power, vacuum_pa) = noted?;
    if removal.engaged_s <= 0.0 || removal.chatter_s < CHATTER_TOLD * removal.engaged_s {
        return None;
    }
    let advice = if vacuum_pa < CHATTER_PLATEAU_PA {
        "more vacuum, up to about 400 mmHg, or less power keeps a piece on the tip"
    } else {
        "less power keeps a piece on the tip"
    };
    told(
        format!(
            "The piece chattered for {:.1} s of {:.1} s of ultrasound, {} power against {:.0} mmHg across the port: it was thrown off \
             faster than vacuum drew it back.",
            removal.chatter_s,
            removal.engaged_s,
            percent(power),
            mmhg_from_pa(vacuum_pa)
        ),
        Some(advice.to_string()),
    )
}

fn failed_wave(facts: &Facts<'_>) -> Option<Finding> {
    let hour = events(facts).iter().rev().find_map(|e| match e.kind {
        EventKind::WaveFailed { hour } => Some(hour),
        _ => None,
    })?;
    let freed = facts.state.adhesion.freed[usize::from(hour) % HOURS];
    (freed < LOOSE).then(|| Finding {
        cause: format!("The wave at {hour} o'clock left {} of the adhesion there.", percent(1.0 - freed)),
        advice: Some("inject again at another clock hour".to_string()),
        is_critical: false,
    })
}
