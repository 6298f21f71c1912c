//! What is judged: seven components, and one more for each further goal a case sets, each with its value, what was asked
//! for, a score and a sentence of cause.
//!
//! A score is a straight line from the floor (0) to the target (1); beyond the target it stays 1. Values are in the
//! trade's units.

use crate::debrief::cause;
use crate::debrief::chops::Chop;
use crate::debrief::follows::ratio_in_words;
use crate::debrief::{Facts, Follow, Peaks, watch::Hold};
use crate::sim::burial::GAP_WITHOUT_HOLD_MM;
use crate::sim::event::ChopStart;
use crate::sim::lens::Core;
use crate::sim::removal::INCISION_AT_REST_C;

/// Distance outside the core at which the score for the dense zone is 0, mm (no source: half a needle's width).
const OUTSIDE_FLOOR_MM: f64 = 0.5;

/// Pedal position asked for at the chop: vacuum, no ultrasound.
const ASPIRATION: u8 = 2;

/// Was it met?
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Status {
    /// Yes.
    Met,
    /// No.
    Missed,
    /// The attempt never came that far.
    NotReached,
}

/// What was asked for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Threshold {
    /// A single value: at least this, unless the component says otherwise.
    Value(f64),
    /// Lower and upper end of a band.
    Band(f64, f64),
}

/// One thing that is judged.
#[derive(Clone, Debug, PartialEq)]
pub struct Component {
    /// Stable name for machines.
    pub id: &'static str,
    /// Name for people.
    pub label: &'static str,
    /// What was reached; `None` when nothing was.
    pub value: Option<f64>,
    /// Unit of value and threshold.
    pub unit: &'static str,
    /// 0..1.
    pub score: f64,
    /// What was asked for.
    pub threshold: Threshold,
    /// Was it met?
    pub status: Status,
    /// Must it be met to pass?
    pub counts_for_pass: bool,
    /// The value in words, short.
    pub shown: String,
    /// What was asked for in words, short.
    pub wanted: String,
    /// Why it came out so, one sentence.
    pub cause: String,
}

/// 0 at the floor, 1 at the target, straight between.
fn rising(value: f64, floor: f64, target: f64) -> f64 {
    if value >= target { 1.0 } else { ((value - floor) / (target - floor)).clamp(0.0, 1.0) }
}

fn status(is_met: bool) -> Status {
    if is_met { Status::Met } else { Status::Missed }
}

/// A share as a percentage; rounded to a whole one, but never up to 100 or down to 0.
pub(crate) fn percent(share: f64) -> String {
    let whole = libm::round(100.0 * share);
    let is_rounded_to_an_end = (whole - 100.0 * share).abs() > 1e-6 && (whole == 100.0 || whole == 0.0);
    if is_rounded_to_an_end { format!("{:.1} %", 100.0 * share) } else { format!("{whole:.0} %") }
}

/// A share beside the bounds it is judged by: with a decimal where rounding would hide on which side it lies.
fn percent_against(share: f64, bounds: &[f64]) -> String {
    let is_close = bounds.iter().any(|b| (share - b).abs() < 0.005 && share != *b);
    if is_close { format!("{:.1} %", 100.0 * share) } else { percent(share) }
}

/// All components, the seven judged on one chop; without a chop all of them but the capsule are not reached.
pub fn all(facts: &Facts<'_>, chop: Option<&Chop>, follows: &[Follow]) -> Vec<Component> {
    let mut all = vec![
        burial_depth(facts, chop),
        capsule_distance(facts),
        dense_zone(facts, chop),
        pedal_back(facts, chop),
        separation(facts, chop),
        completeness(facts, chop),
        evenness(facts, chop),
    ];
    let goals = &facts.case.goals;
    let (state, peaks) = (facts.state, Peaks::of(facts));
    all.extend(goals.follow_ratio.map(|least| follow_ratio(follows, least)));
    let capsule = ("capsule-travel", "Rise of the posterior capsule", "mm");
    all.extend(goals.capsule_travel_mm.map(|most| at_most(capsule, most, peaks.capsule_rise_mm, 0.0)));
    let incision = ("incision-temperature", "Warmth of the incision", "°C");
    all.extend(goals.incision_c.map(|most| at_most(incision, most, peaks.incision_c, INCISION_AT_REST_C)));
    let zonules = ("zonule-load", "Load on the zonules", "mN");
    all.extend(goals.zonule_load_mn.map(|most| at_most(zonules, most, state.totals.zonule_load_un / 1000.0, 0.0)));
    all
}

/// The least ratio among the last pulls of each piece: a piece that was freed and drawn again is judged by that.
fn follow_ratio(follows: &[Follow], least: f64) -> Component {
    let frame = Frame {
        id: "follow-ratio",
        label: "Follow ratio of the pieces",
        unit: "purchase over load",
        threshold: Threshold::Value(least),
        counts_for_pass: true,
        wanted: format!("≥ {least:.1}"),
    };
    let is_last = |i: usize| !follows[i + 1..].iter().any(|f| f.fragment == follows[i].fragment);
    let last: Vec<&Follow> = follows.iter().enumerate().filter(|(i, _)| is_last(*i)).map(|(_, f)| f).collect();
    if last.is_empty() {
        return frame.not_reached("No piece was drawn.".to_string());
    }
    let Some(ratio) = last.iter().filter_map(|f| f.ratio()).min_by(f64::total_cmp) else {
        return frame.judged(None, 1.0, Status::Met, "no load".to_string(), "Nothing resisted a pull.".to_string());
    };
    let shown = ratio_in_words(ratio);
    let cause = format!("The least of the pieces' last pulls had {shown} times the hold that its load asked for.");
    frame.judged(Some(ratio), rising(ratio, 0.0, least), status(ratio >= least), shown, cause)
}

/// A peak that is to stay at or below a limit; at twice the limit's distance from rest the score is 0 (no source).
fn at_most(
    (id, label, unit): (&'static str, &'static str, &'static str),
    most: f64,
    peak: f64,
    rest: f64,
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
    let is_met = peak <= most;
    let cause = format!("{label}: up to {peak:.1} {unit}, of at most {most:.1} {unit}.");
    frame.judged(Some(peak), (1.0 - over).clamp(0.0, 1.0), status(is_met), format!("{peak:.1} {unit}"), cause)
}

/// What does not depend on the attempt.
struct Frame {
    id: &'static str,
    label: &'static str,
    unit: &'static str,
    threshold: Threshold,
    counts_for_pass: bool,
    wanted: String,
}

impl Frame {
    fn not_reached(self, cause: String) -> Component {
        self.judged(None, 0.0, Status::NotReached, "–".to_string(), cause)
    }

    fn judged(self, value: Option<f64>, score: f64, status: Status, shown: String, cause: String) -> Component {
        let Self { id, label, unit, threshold, counts_for_pass, wanted } = self;
        Component { id, label, value, unit, score, threshold, status, counts_for_pass, shown, wanted, cause }
    }
}

fn burial_depth(facts: &Facts<'_>, chop: Option<&Chop>) -> Component {
    let (low, high) = facts.case.goals.depth_share;
    let frame = Frame {
        id: "burial-depth",
        label: "Burial depth",
        unit: "share of the core's thickness",
        threshold: Threshold::Band(low, high),
        counts_for_pass: true,
        wanted: format!("{:.0}–{:.0} %", 100.0 * low, 100.0 * high),
    };
    let Some(chop) = chop else { return frame.not_reached(cause::no_chop(facts)) };
    let Some(depth_mm) = chop.start.depth_mm else {
        let cause = cause::outside_outline(facts, &chop.start);
        return frame.judged(None, 0.0, Status::Missed, "outside the core".to_string(), cause);
    };
    let share = depth_mm / (2.0 * facts.model.field.core.half_thickness_mm);
    let score = if share > high { 1.0 - rising(share, high, 1.0) } else { rising(share, 0.0, low) };
    let is_met = (low..=high).contains(&share);
    let shown = format!("{} ({depth_mm:.2} mm)", percent_against(share, &[low, high]));
    frame.judged(Some(share), score, status(is_met), shown, cause::depth(facts, chop, depth_mm, share))
}

fn capsule_distance(facts: &Facts<'_>) -> Component {
    let floor_mm = facts.case.goals.capsule_floor_mm;
    let frame = Frame {
        id: "capsule-distance",
        label: "Distance to posterior capsule",
        unit: "mm",
        threshold: Threshold::Value(floor_mm),
        counts_for_pass: true,
        wanted: format!("≥ {floor_mm:.2} mm"),
    };
    let distance_mm = facts.state.totals.distance_to_capsule_min_mm;
    if !distance_mm.is_finite() {
        return frame.not_reached("No instrument entered the eye.".to_string());
    }
    let is_met = distance_mm >= floor_mm && !facts.state.is_breached;
    let shown = if facts.state.is_breached { "breached".to_string() } else { format!("{distance_mm:.2} mm") };
    let score = if facts.state.is_breached { 0.0 } else { rising(distance_mm, 0.0, floor_mm) };
    frame.judged(Some(distance_mm), score, status(is_met), shown, cause::capsule(facts, distance_mm, is_met))
}

/// Signed distance of the tip to the core's surface when the chop began, mm: positive inside. `None` where the tip lay
/// beyond the core's outline and its height is not in the event; then only the way to the outline is known.
pub fn inside_core_mm(core: &Core, start: &ChopStart) -> f64 {
    let (a, b) = (core.radius_mm, core.half_thickness_mm);
    let Some(depth_mm) = start.depth_mm else { return a - start.radius_mm };
    let share = start.radius_mm / a;
    let z = b * libm::sqrt((1.0 - share * share).max(0.0)) - depth_mm;
    // Nearest of many points of the core's meridian: error below 0.01 mm.
    let nearest = (0..=720)
        .map(|i| {
            let t = core::f64::consts::PI * (f64::from(i) / 720.0 - 0.5);
            libm::hypot(a * libm::cos(t) - start.radius_mm, b * libm::sin(t) - z)
        })
        .fold(f64::INFINITY, f64::min);
    let is_inside = share * share + (z / b) * (z / b) <= 1.0;
    if is_inside { nearest } else { -nearest }
}

fn dense_zone(facts: &Facts<'_>, chop: Option<&Chop>) -> Component {
    let frame = Frame {
        id: "dense-zone",
        label: "Tip inside the dense zone",
        unit: "mm inside the core's surface",
        threshold: Threshold::Value(0.0),
        counts_for_pass: true,
        wanted: "inside".to_string(),
    };
    let Some(chop) = chop else { return frame.not_reached(cause::no_chop(facts)) };
    let inside_mm = inside_core_mm(&facts.model.field.core, &chop.start);
    let side = if inside_mm >= 0.0 { "inside" } else { "outside" };
    let shown = format!("{:.2} mm {side}", inside_mm.abs());
    let score = rising(inside_mm, -OUTSIDE_FLOOR_MM, 0.0);
    let cause = cause::zone(facts, &chop.start, inside_mm);
    frame.judged(Some(inside_mm), score, status(inside_mm >= 0.0), shown, cause)
}

fn pedal_back(facts: &Facts<'_>, chop: Option<&Chop>) -> Component {
    let frame = Frame {
        id: "pedal-back",
        label: "Foot back to 2 before the chop",
        unit: "pedal position",
        threshold: Threshold::Value(f64::from(ASPIRATION)),
        counts_for_pass: true,
        wanted: "position 2".to_string(),
    };
    let Some(chop) = chop else { return frame.not_reached(cause::no_chop(facts)) };
    let Hold { gap_mm, .. } = chop.hold;
    let (position, is_cored) = (chop.start.pedal, chop.hold.is_cored());
    let is_back = position == ASPIRATION;
    let shown = format!("position {position}{}", if is_cored { ", cored out" } else { "" });
    let score = if is_back { (1.0 - gap_mm / GAP_WITHOUT_HOLD_MM).clamp(0.0, 1.0) } else { 0.0 };
    let score = if is_back && !is_cored { 1.0 } else { score };
    let cause = cause::pedal(chop);
    frame.judged(Some(f64::from(position)), score, status(is_back && !is_cored), shown, cause)
}

fn separation(facts: &Facts<'_>, chop: Option<&Chop>) -> Component {
    let wanted_mm = facts.case.goals.separation_mm;
    let frame = Frame {
        id: "separation",
        label: "Separation of the instruments",
        unit: "mm",
        threshold: Threshold::Value(wanted_mm),
        counts_for_pass: false,
        wanted: format!("≥ {wanted_mm:.2} mm"),
    };
    let Some(chop) = chop else { return frame.not_reached(cause::no_chop(facts)) };
    let reached_mm = chop.result.separation_mm;
    let is_met = reached_mm >= wanted_mm;
    let cause = cause::separation(facts, chop, is_met);
    let shown = format!("{reached_mm:.2} mm");
    frame.judged(Some(reached_mm), rising(reached_mm, 0.0, wanted_mm), status(is_met), shown, cause)
}

fn completeness(facts: &Facts<'_>, chop: Option<&Chop>) -> Component {
    let wanted = facts.case.goals.core_cracked;
    let frame = Frame {
        id: "completeness",
        label: "Crack through the core",
        unit: "share of the core's crack surface",
        threshold: Threshold::Value(wanted),
        counts_for_pass: true,
        wanted: format!("≥ {}, through", percent(wanted)),
    };
    let Some(chop) = chop else { return frame.not_reached(cause::no_chop(facts)) };
    let result = &chop.result;
    let is_met = result.complete && result.core_fraction_cracked >= wanted;
    let state = if result.complete { "through" } else { "still joined" };
    let shown = format!("{}, {state}", percent_against(result.core_fraction_cracked, &[wanted]));
    // Half for the core, half for the last of the way: a hinge costs.
    let through = if result.complete { 1.0 } else { result.posterior_third_cracked };
    let score = 0.5 * (rising(result.core_fraction_cracked, 0.0, wanted) + through);
    let cause = cause::completeness(facts, chop, is_met);
    frame.judged(Some(result.core_fraction_cracked), score, status(is_met), shown, cause)
}

fn evenness(facts: &Facts<'_>, chop: Option<&Chop>) -> Component {
    let wanted = facts.case.goals.smallest_piece;
    let frame = Frame {
        id: "evenness",
        label: "Evenness: the smaller piece",
        unit: "share of the chopped body",
        threshold: Threshold::Value(wanted),
        counts_for_pass: true,
        wanted: format!("≥ {}", percent(wanted)),
    };
    let Some(chop) = chop else { return frame.not_reached(cause::no_chop(facts)) };
    if !chop.result.complete {
        return frame.not_reached("The body did not come apart, so there are no pieces to compare.".to_string());
    }
    let smaller = chop.result.smaller_side;
    let is_met = smaller >= wanted;
    let cause = cause::evenness(facts, chop, is_met);
    let shown = percent_against(smaller, &[wanted]);
    frame.judged(Some(smaller), rising(smaller, 0.0, wanted), status(is_met), shown, cause)
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::Vector3;

    fn start(depth_mm: Option<f64>, radius_mm: f64) -> ChopStart {
        ChopStart {
            depth_mm,
            along_shaft_mm: 3.0,
            elevation_rad: 0.7,
            radius_mm,
            vacuum_pa: 40_000.0,
            pedal: 2,
            purchase_un: 20_000.0,
            surface_nj: 2e5,
            surface_mm2: 30.0,
            tilt_rad: 0.0,
            smaller_side: 0.5,
        }
    }

    #[test]
    fn the_way_to_the_cores_surface_is_signed_and_right_on_the_axes() {
        let core = Core {
            grade: 4.0,
            centre_mm: Vector3::new(0.3, -0.2, -0.4),
            radius_mm: 2.2,
            half_thickness_mm: 1.6,
            edge_mm: 0.3,
        };
        let inside_mm = |depth_mm, radius_mm| inside_core_mm(&core, &start(depth_mm, radius_mm));
        // On the axis: half the thickness deep is the centre, 1.6 mm from front and back.
        assert!((inside_mm(Some(1.6), 0.0) - 1.6).abs() < 0.01);
        assert!((inside_mm(Some(0.5), 0.0) - 0.5).abs() < 0.01);
        assert!((inside_mm(Some(2.7), 0.0) - 0.5).abs() < 0.01);
        assert!((inside_mm(Some(-0.3), 0.0) + 0.3).abs() < 0.01, "before the core");
        assert!((inside_mm(Some(3.6), 0.0) + 0.4).abs() < 0.01, "behind it");
        // In the equator plane: what is left to the outline.
        let front_mm = 1.6 * libm::sqrt(1.0 - (1.9_f64 / 2.2).powi(2));
        assert!((inside_mm(Some(front_mm), 1.9) - 0.3).abs() < 0.01);
        assert!((inside_mm(None, 2.5) + 0.3).abs() < 1e-12, "beyond the outline");
    }

    #[test]
    fn a_score_rises_straight_from_floor_to_target() {
        let scores = [-1.0, 0.0, 0.25, 0.5, 1.0, 7.0].map(|v| rising(v, 0.0, 0.5));
        assert_eq!(scores, [0.0, 0.0, 0.5, 1.0, 1.0, 1.0]);
        assert_eq!(rising(0.0, 0.0, 0.0), 1.0, "nothing asked for is always reached");
    }

    #[test]
    fn a_percentage_never_reads_as_the_other_side_of_its_bound() {
        assert_eq!(percent(0.498), "50 %");
        assert_eq!(percent(0.996), "99.6 %");
        assert_eq!(percent(1.0), "100 %");
        assert_eq!(percent(0.004), "0.4 %");
        assert_eq!(percent(0.0), "0 %");
        assert_eq!(percent_against(0.947, &[0.95]), "94.7 %");
        assert_eq!(percent_against(0.95, &[0.95]), "95 %");
    }
}
