//! What is judged beside the chop: pieces, chamber, zonules, rim, power, heat, and what was done when it went wrong.
//!
//! Thresholds come from the case where it states them; what it leaves out is filled in here, provisionally (common practice,
//! no source), and stands in `docs/scoring.md` with the rest. Power is held against a reference that is computed: what the same
//! machine would need at least for what was taken, with the port always covered and nothing repelled.

use crate::case::Approach;
use crate::debrief::component::{Component, Frame, Status, Threshold, percent, rising, status};
use crate::debrief::follows::ratio_in_words;
use crate::debrief::{Chop, Facts, Follow, Peaks, findings};
use crate::sim::event::{Event, EventKind};
use crate::sim::pieces::GONE;
use crate::sim::removal::{INCISION_AT_REST_C, erosion_ul_s};

/// Thresholds where a case states none; provisional (common practice, no source).
const TRAVEL_MM: f64 = 1.0;
const INCISION_C: f64 = 50.0;
const ZONULE_MN: f64 = 30.0;
const FOLLOWED_AT_FIRST: f64 = 0.5;
const POWER_FACTOR: f64 = 5.0;

/// Multiple of its limit at which the score for power is 0.
const POWER_FLOOR: f64 = 3.0;

/// Length of a tear of the rim at which the score for it is 0, mm, and what a caught rim without a tear costs.
const TEAR_FLOOR_MM: f64 = 1.0;
const CAUGHT_COSTS: f64 = 0.25;

/// Time within which suction is stopped after a breach, s (common practice: at once; a reaction and the foot's way), and the
/// least pressure with which the needle leaves the eye then, Pa (10 mmHg).
const STOPPED_S: f64 = 2.0;
const LEAVES_PA: f64 = 1_333.0;

/// Share of an hour's strength from which the load on it is a reason to stop (A).
const STRAINED: f64 = 0.5;

/// Pieces: which followed at their first pull, what is left of the nucleus.
pub(super) fn fragments(facts: &Facts<'_>, follows: &[Follow]) -> Component {
    let goals = &facts.case.goals;
    let at_first = goals.followed_at_first.unwrap_or(FOLLOWED_AT_FIRST);
    let mut wanted = vec![format!("≥ {}", percent(at_first))];
    wanted.extend(goals.nucleus_left.map(|most| format!("≤ {} left", percent(most))));
    let asks = goals.followed_at_first.is_some() || goals.nucleus_left.is_some() || goals.follow_ratio.is_some();
    let frame = Frame {
        id: "fragment-control",
        label: "Pieces under control",
        unit: "share that followed at first pull",
        threshold: Threshold::Value(at_first),
        counts_for_pass: asks,
        wanted: wanted.join(", "),
    };
    let pulls: Vec<&Follow> = follows.iter().filter(|f| !f.is_whole_lens(facts)).collect();
    let is_first = |i: usize| !pulls[..i].iter().any(|f| f.fragment == pulls[i].fragment);
    let firsts: Vec<&Follow> = (0..pulls.len()).filter(|i| is_first(*i)).map(|i| pulls[i]).collect();
    let is_last = |i: usize| !pulls[i + 1..].iter().any(|f| f.fragment == pulls[i].fragment);
    let lasts = (0..pulls.len()).filter(|i| is_last(*i)).map(|i| pulls[i]);
    let least_ratio = lasts.filter_map(Follow::ratio).min_by(f64::total_cmp);
    let left = nucleus_left(facts);
    let left_is_met = goals.nucleus_left.is_none_or(|most| left <= most);
    let ratio_is_met = goals.follow_ratio.is_none_or(|least| least_ratio.is_none_or(|ratio| ratio >= least));
    let left_score = goals.nucleus_left.map_or(1.0, |most| rising(1.0 - left, 0.0, 1.0 - most));
    let left_in_words = format!("{} of the nucleus is left", percent(left));
    if firsts.is_empty() {
        if goals.nucleus_left.is_none() {
            let cause = "No piece was drawn.".to_string();
            return if asks { frame.not_reached(cause) } else { frame.not_applicable(cause) };
        }
        let shown = format!("{} left", percent(left));
        return frame.judged(
            None,
            left_score,
            status(left_is_met),
            shown,
            format!("No piece was drawn; {left_in_words}."),
        );
    }
    let followed = firsts.iter().filter(|f| f.followed).count();
    let share = followed as f64 / firsts.len() as f64;
    let came_off = count(facts, |k| matches!(k, EventKind::LetGo { by_foot: false, .. }));
    let sank = count(facts, |k| matches!(k, EventKind::PieceSank { .. }));
    let mut cause = match (firsts.len(), followed) {
        (1, 1) => "The one piece that was drawn followed at the first pull".to_string(),
        (1, _) => "The one piece that was drawn did not follow at the first pull".to_string(),
        (drawn, 0) => format!("Of {drawn} pieces that were drawn, none followed at the first pull"),
        (drawn, _) => format!("Of {drawn} pieces that were drawn, {followed} followed at the first pull"),
    };
    if came_off > 0 {
        cause += &format!("; a piece came off the tip {}", times(came_off));
    }
    if sank > 0 {
        cause += &format!("; {sank} sank");
    }
    if let Some((least, ratio)) = goals.follow_ratio.zip(least_ratio) {
        cause += &format!(
            "; at the last pulls the hold was at least {} times the load, of {least:.1} asked for",
            ratio_in_words(ratio)
        );
    }
    if goals.nucleus_left.is_some() {
        cause += &format!("; {left_in_words}");
    }
    let is_met = share >= at_first && sank == 0 && left_is_met && ratio_is_met;
    let mut shown = percent(share);
    if goals.nucleus_left.is_some() {
        shown += &format!(", {} left", percent(left));
    }
    let score = if sank > 0 { 0.0 } else { 0.5 * (rising(share, 0.0, at_first) + left_score) };
    frame.judged(Some(share), score, status(is_met), shown, cause + ".")
}

/// Share of the nucleus that is left in the eye.
fn nucleus_left(facts: &Facts<'_>) -> f64 {
    let whole_ul: f64 = (0..facts.model.cells.count()).map(|cell| facts.model.cells.nucleus_ul(cell)).sum();
    facts.state.lens.nucleus_ul.iter().sum::<f64>() / whole_ul.max(f64::EPSILON)
}

fn count(facts: &Facts<'_>, is_meant: impl Fn(&EventKind) -> bool) -> usize {
    facts.state.events.iter().filter(|e| is_meant(&e.kind)).count()
}

/// The chamber: how far posterior capsule and diaphragm travelled. Not the pressure: what moves is what is broken.
pub(super) fn chamber(facts: &Facts<'_>) -> Component {
    let (rise_mm, travel_mm) = (facts.state.totals.capsule_rise_mm, facts.state.chamber.travel_mm);
    let most = facts.case.goals.capsule_travel_mm.unwrap_or(TRAVEL_MM);
    let name = ("chamber-steadiness", "Steadiness of the chamber", "mm");
    let rose = if rise_mm < 0.05 { "did not rise".to_string() } else { format!("rose by up to {rise_mm:.1} mm") };
    let cause = format!("The posterior capsule {rose} of itself; the diaphragm travelled {travel_mm:.1} mm.");
    at_most(name, most, rise_mm.max(travel_mm), 0.0, cause)
}

/// Load on the zonules of a clock hour.
pub(super) fn zonules(facts: &Facts<'_>) -> Component {
    let load_mn = facts.state.totals.zonule_load_un / 1000.0;
    let most = facts.case.goals.zonule_load_mn.unwrap_or(ZONULE_MN);
    let cause = match facts.watch.strained {
        // What stays far below the limit needs no reason.
        Some(_) if load_mn < TOLD_FROM * most => format!("The zonules of a clock hour bore at most {load_mn:.1} mN."),
        Some((t_s, strain)) => {
            format!("The zonules of a clock hour bore up to {load_mn:.1} mN, at {t_s:.2} s as {}.", strain.words())
        }
        None => "Nothing loaded the zonules.".to_string(),
    };
    at_most(("zonule-load", "Load on the zonules", "mN"), most, load_mn, 0.0, cause)
}

/// Share of its limit from which a load on the zonules is told with what made it (A).
const TOLD_FROM: f64 = 0.5;

/// Warmth of the incision.
pub(super) fn incision(facts: &Facts<'_>) -> Component {
    let hottest_c = Peaks::of(facts).incision_c;
    let most = facts.case.goals.incision_c.unwrap_or(INCISION_C);
    let cause = format!("The incision reached {hottest_c:.0} °C.");
    at_most(("incision-temperature", "Warmth of the incision", "°C"), most, hottest_c, INCISION_AT_REST_C, cause)
}

/// A peak that is to stay at or below a limit; at twice the limit's distance from rest the score is 0 (no source).
fn at_most(
    (id, label, unit): (&'static str, &'static str, &'static str),
    most: f64,
    peak: f64,
    rest: f64,
    cause: String,
) -> Component {
    let frame = Frame {
        id,
        label,
        unit,
        threshold: Threshold::Value(most),
        counts_for_pass: true,
        wanted: format!("≤ {most:.1} {unit}"),
    };
    let over = (peak - most) / (most - rest).max(f64::EPSILON);
    frame.judged(Some(peak), (1.0 - over).clamp(0.0, 1.0), status(peak <= most), format!("{peak:.1} {unit}"), cause)
}

/// The rim of the rhexis.
pub(super) fn rim(facts: &Facts<'_>) -> Component {
    let frame = Frame {
        id: "rim-care",
        label: "Rim of the rhexis",
        unit: "mm torn",
        threshold: Threshold::Value(0.0),
        counts_for_pass: true,
        wanted: "no tear".to_string(),
    };
    let tear_mm = facts.state.wounds.rim_tear_mm;
    let caught = count(facts, |k| matches!(k, EventKind::ChopperCaughtRim { .. }));
    let is_torn = tear_mm > 0.0 || count(facts, |k| matches!(k, EventKind::RimTore { .. })) > 0;
    let (shown, cause) = match (is_torn, caught) {
        (true, _) => (format!("{tear_mm:.1} mm torn"), format!("The rim of the rhexis tore by {tear_mm:.1} mm.")),
        (false, 0) => ("whole".to_string(), "No instrument caught the rim of the rhexis.".to_string()),
        (false, n) => (
            format!("whole, caught {}", times(n)),
            format!("The chopper caught the rim of the rhexis {}; it held.", times(n)),
        ),
    };
    let cost = if caught > 0 { CAUGHT_COSTS } else { 0.0 };
    let score = if is_torn { (1.0 - tear_mm / TEAR_FLOOR_MM).clamp(0.0, 0.5) } else { 1.0 - cost };
    frame.judged(Some(tear_mm), score, status(!is_torn), shown, cause)
}

/// Full-power time that the same machine would need at least for what was taken and bored, s: for what was taken the law of
/// erosion (`sim::removal`), cell by cell, with the port always covered and nothing repelled; for the tip's ways into tissue the
/// law of burial (`sim::burial`), with the hand never slower than the tip can go.
pub fn least_full_power_s(facts: &Facts<'_>) -> f64 {
    let (model, lens) = (facts.model, &facts.state.lens);
    let (cells, port_mm2) = (&model.cells, model.needle.port_area_mm2());
    let takes_s = |cell: usize| {
        let toughness = f64::from(cells.toughness_nj_mm2[cell]);
        cells.cell_ul() / erosion_ul_s(&model.vibration, 1.0, port_mm2, toughness)
    };
    let eaten_s: f64 = (0..cells.count()).filter(|c| lens.fragment[*c] == GONE).map(takes_s).sum();
    eaten_s + facts.watch.bored_s
}

/// Power against what this nucleus needs.
pub(super) fn power(facts: &Facts<'_>) -> Component {
    let most = facts.case.goals.power_factor.unwrap_or(POWER_FACTOR);
    let frame = Frame {
        id: "power-use",
        label: "Power against need",
        unit: "times the least full-power time",
        threshold: Threshold::Value(most),
        counts_for_pass: facts.case.goals.power_factor.is_some(),
        wanted: format!("≤ {most:.0} times"),
    };
    let (spent_s, needed_s) = (facts.state.totals.full_power_s, least_full_power_s(facts));
    if spent_s <= 0.0 {
        return frame.not_applicable("No ultrasound was used.".to_string());
    }
    if needed_s <= 0.0 {
        let cause = format!("Ultrasound was on for {spent_s:.1} s of full-power time, and took nothing.");
        return frame.judged(None, 0.0, Status::Missed, format!("{spent_s:.1} s for nothing"), cause);
    }
    let times = spent_s / needed_s;
    let cause = format!(
        "Full-power time was {spent_s:.1} s; with the port always covered and no waiting it takes {needed_s:.1} s on this machine."
    );
    let score = 1.0 - rising(times, most, POWER_FLOOR * most);
    frame.judged(Some(times), score, status(times <= most), format!("{times:.1} times"), cause)
}

/// What was done once something had gone wrong.
pub(super) fn rescue(facts: &Facts<'_>) -> Component {
    let frame = Frame {
        id: "rescue",
        label: "What was done then",
        unit: "share of what limits harm",
        threshold: Threshold::Value(1.0),
        counts_for_pass: true,
        wanted: "all of it".to_string(),
    };
    let events = &facts.state.events;
    let first = |is_meant: fn(&EventKind) -> bool| events.iter().position(|e| is_meant(&e.kind));
    let breach = first(|k| matches!(k, EventKind::Breach { .. }));
    let harm = breach.or_else(|| first(|k| matches!(k, EventKind::ZonulesTore { .. } | EventKind::RimRanOut)));
    let mut steps: Vec<(&str, bool)> = Vec::new();
    if let Some(at) = harm {
        let later = &events[at..];
        steps.push(("stopping suction within 2 s", findings::suction_after_s(facts, at) <= STOPPED_S));
        let leaves_pa = later.iter().find_map(|e| match e.kind {
            EventKind::NeedleWithdrawn { chamber_pa } => Some(chamber_pa),
            _ => None,
        });
        // A needle that stayed in the eye to the end left no empty chamber behind, and filled none.
        if let Some(pa) = leaves_pa.filter(|_| breach.is_some()) {
            steps.push(("filling the chamber before the needle leaves", pa >= LEAVES_PA));
        }
        steps.push(("calling for help", later.iter().any(|e| matches!(e.kind, EventKind::Called))));
    } else if first(|k| matches!(k, EventKind::PupilBlocked { .. })).is_some() {
        let is_released = first(|k| matches!(k, EventKind::BlockReleased { .. })).is_some();
        steps.push(("releasing the block", is_released));
    } else {
        return frame.not_applicable("Nothing went wrong that called for it.".to_string());
    }
    let done: Vec<&str> = steps.iter().filter(|s| s.1).map(|s| s.0).collect();
    let left: Vec<&str> = steps.iter().filter(|s| !s.1).map(|s| s.0).collect();
    let share = done.len() as f64 / steps.len() as f64;
    let cause = match (done.is_empty(), left.is_empty()) {
        (_, true) => format!("Harm was limited by {}.", listed(&done)),
        (true, false) => format!("Of what limits harm nothing was done: {}.", listed(&left)),
        (false, false) => format!("Harm was limited by {}, but not by {}.", listed(&done), listed(&left)),
    };
    frame.judged(Some(share), share, status(left.is_empty()), format!("{} of {}", done.len(), steps.len()), cause)
}

fn times(count: usize) -> String {
    match count {
        1 => "once".to_string(),
        2 => "twice".to_string(),
        _ => format!("{count} times"),
    }
}

fn listed(what: &[&str]) -> String {
    match what {
        [] => String::new(),
        [one] => (*one).to_string(),
        [most @ .., last] => format!("{} and {last}", most.join(", ")),
    }
}

/// A stop: the surgeon called, and whether there was a reason on record.
#[derive(Clone, Debug, PartialEq)]
pub struct Stop {
    /// Place of the call among the events.
    pub event: usize,
    /// The event that was the reason; `None` where there was none.
    pub reason: Option<usize>,
}

/// Did the surgeon stop and call, and why? A reason is what makes going on more dangerous than stopping.
pub fn stop(facts: &Facts<'_>) -> Option<Stop> {
    let events = &facts.state.events;
    let event = events.iter().position(|e| matches!(e.kind, EventKind::Called))?;
    let strained_un = |hour: u8| {
        let at = usize::from(hour) % crate::sim::adhesion::HOURS;
        STRAINED * facts.model.zonules.strength_un(&facts.state.support, at)
    };
    let is_reason = |e: &Event| match &e.kind {
        EventKind::Breach { .. }
        | EventKind::ZonulesTore { .. }
        | EventKind::RimTore { .. }
        | EventKind::RimRanOut
        | EventKind::ChamberCollapsed
        | EventKind::PupilBlocked { .. }
        | EventKind::PieceSank { .. }
        | EventKind::CapsuleNear { .. }
        | EventKind::CapsuleRose { .. }
        | EventKind::TipLeftCore { .. }
        | EventKind::WaveFailed { .. } => true,
        EventKind::ChopEnded(result) => !result.complete,
        EventKind::ZonulesLoaded { hour, load_un, .. } => *load_un >= strained_un(*hour),
        _ => false,
    };
    Some(Stop { event, reason: events[..event].iter().rposition(is_reason) })
}

/// A nucleus that is not to be chopped: was it left undivided?
pub(super) fn undivided(facts: &Facts<'_>, chops: &[Chop]) -> Component {
    let frame = Frame {
        id: "division",
        label: "Not chopped",
        unit: "chops",
        threshold: Threshold::Value(0.0),
        counts_for_pass: true,
        wanted: "no chop".to_string(),
    };
    let count = chops.len();
    if count == 0 {
        let cause = "The nucleus was rightly taken without a chop.".to_string();
        return frame.judged(Some(0.0), 1.0, Status::Met, "no chop".to_string(), cause);
    }
    let most = chops.iter().map(|c| c.result.core_fraction_cracked).fold(0.0, f64::max);
    let ploughed = count_of_ploughing(facts);
    let how = if ploughed > 0 { "the chopper ploughed through it, and " } else { "" };
    let cause = format!("This nucleus is not to be chopped: {how}at most {} of its core cracked.", percent(most));
    let shown = format!("chopped {}", times(count));
    frame.judged(Some(count as f64), 0.0, Status::Missed, shown, cause)
}

fn count_of_ploughing(facts: &Facts<'_>) -> usize {
    count(facts, |k| matches!(k, EventKind::ChopperCutThrough { .. } | EventKind::TipSlipped { .. }))
}

/// Is the nucleus one that is not to be chopped?
pub(super) fn is_without_chop(facts: &Facts<'_>) -> bool {
    facts.case.goals.approach == Some(Approach::WithoutChop)
}
