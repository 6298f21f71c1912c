//! What is judged: twelve components, each with its value, what was asked for, a score and a sentence of cause. Here are those
//! of the chop; `conduct` has the others.
//!
//! A score is a straight line from the floor (0) to the target (1); beyond the target it stays 1. Values are in the
//! trade's units.

use crate::debrief::chops::Chop;
use crate::debrief::{Facts, Follow, cause, conduct, watch::Hold};
use crate::sim::burial::GAP_WITHOUT_HOLD_MM;
use crate::sim::event::ChopStart;
use crate::sim::lens::Core;

/// Distance outside the core at which the score for the dense zone is 0, mm (no source: half a needle's width).
const OUTSIDE_FLOOR_MM: f64 = 0.5;

/// Pedal position asked for at the chop: vacuum, no ultrasound.
const ASPIRATION: u8 = 2;

/// Share of the port that is to be covered then (common practice: fully occluded; less what a bevel leaves open).
const OCCLUDED: f64 = 0.8;

/// Was it met?
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Status {
    /// Yes.
    Met,
    /// No.
    Missed,
    /// The attempt never came that far.
    NotReached,
    /// Nothing called for it, or it is not asked for here: it is neither met nor missed, and does not count.
    NotApplicable,
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

impl Component {
    /// Is it of the way, what was to be done with the nucleus, rather than of the care with which the eye was spared?
    pub fn is_way(&self) -> bool {
        matches!(self.id, "burial-depth" | "dense-zone" | "purchase" | "division" | "fragment-control")
    }
}

/// 0 at the floor, 1 at the target, straight between.
pub(super) fn rising(value: f64, floor: f64, target: f64) -> f64 {
    if value >= target { 1.0 } else { ((value - floor) / (target - floor)).clamp(0.0, 1.0) }
}

pub(super) fn status(is_met: bool) -> Status {
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

/// All components, in the order in which they are told. Those of the chop are judged on one; where the surgeon stopped for a
/// reason, or the nucleus is not to be chopped, they do not apply.
pub fn all(facts: &Facts<'_>, chops: &[Chop], judged: Option<usize>, follows: &[Follow]) -> Vec<Component> {
    let chop = judged.map(|at| &chops[at]);
    let divided =
        if conduct::is_without_chop(facts) { conduct::undivided(facts, chops) } else { division(facts, chop) };
    let mut all = vec![
        burial_depth(facts, chop),
        capsule_distance(facts),
        dense_zone(facts, chop),
        purchase(facts, chop),
        divided,
        conduct::fragments(facts, follows),
        conduct::chamber(facts),
        conduct::zonules(facts),
        conduct::rim(facts),
        conduct::power(facts),
        conduct::incision(facts),
        conduct::rescue(facts),
    ];
    let has_stopped = conduct::stop(facts).is_some_and(|stop| stop.reason.is_some());
    for component in &mut all {
        let is_of_chop = matches!(component.id, "burial-depth" | "dense-zone" | "purchase");
        let why = if has_stopped && component.is_way() && component.status != Status::Met {
            "The surgeon stopped for a reason: not asked for any more."
        } else if conduct::is_without_chop(facts) && is_of_chop {
            "This nucleus is not to be chopped."
        } else {
            continue;
        };
        (component.status, component.cause) = (Status::NotApplicable, why.to_string());
    }
    all
}

/// What does not depend on the attempt.
pub(super) struct Frame {
    pub(super) id: &'static str,
    pub(super) label: &'static str,
    pub(super) unit: &'static str,
    pub(super) threshold: Threshold,
    pub(super) counts_for_pass: bool,
    pub(super) wanted: String,
}

impl Frame {
    pub(super) fn not_applicable(self, cause: String) -> Component {
        self.judged(None, 0.0, Status::NotApplicable, "–".to_string(), cause)
    }

    pub(super) fn not_reached(self, cause: String) -> Component {
        self.judged(None, 0.0, Status::NotReached, "–".to_string(), cause)
    }

    pub(super) fn judged(
        self,
        value: Option<f64>,
        score: f64,
        status: Status,
        shown: String,
        cause: String,
    ) -> Component {
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
        label: "Distance to the capsule",
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
    let under_s = facts.watch.under_floor_s;
    let shown = match (facts.state.is_breached, under_s > 0.0) {
        (true, _) => "breached".to_string(),
        (false, true) => format!("{distance_mm:.2} mm ({under_s:.1} s under)"),
        (false, false) => format!("{distance_mm:.2} mm"),
    };
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

fn purchase(facts: &Facts<'_>, chop: Option<&Chop>) -> Component {
    let frame = Frame {
        id: "purchase",
        label: "Hold before the chop",
        unit: "share of the port covered",
        threshold: Threshold::Value(OCCLUDED),
        counts_for_pass: true,
        wanted: "2, port covered".to_string(),
    };
    let Some(chop) = chop else { return frame.not_reached(cause::no_chop(facts)) };
    let Hold { gap_mm, occlusion, .. } = chop.hold;
    let (position, is_cored) = (chop.start.pedal, chop.hold.is_cored());
    let (is_back, is_covered) = (position == ASPIRATION, occlusion >= OCCLUDED);
    let seen = match (is_cored, is_covered) {
        (true, _) => ", cored out",
        (false, true) => ", covered",
        (false, false) => ", open",
    };
    let shown = format!("position {position}{seen}");
    let tight = if is_cored { (1.0 - gap_mm / GAP_WITHOUT_HOLD_MM).clamp(0.0, 1.0) } else { 1.0 };
    let score = if is_back { tight * rising(occlusion, 0.0, OCCLUDED) } else { 0.0 };
    let is_met = is_back && !is_cored && is_covered;
    frame.judged(Some(occlusion), score, status(is_met), shown, cause::purchase(chop, is_covered))
}

fn division(facts: &Facts<'_>, chop: Option<&Chop>) -> Component {
    let (cracked, smallest) = (facts.case.goals.core_cracked, facts.case.goals.smallest_piece);
    let frame = Frame {
        id: "division",
        label: "Crack through and even",
        unit: "share of the core's crack surface",
        threshold: Threshold::Value(cracked),
        counts_for_pass: true,
        wanted: format!("≥ {}, piece {}", percent(cracked), percent(smallest)),
    };
    let Some(chop) = chop else { return frame.not_reached(cause::no_chop(facts)) };
    let result = &chop.result;
    let (is_through, is_even) = (
        result.complete && result.core_fraction_cracked >= cracked,
        result.complete && result.smaller_side >= smallest,
    );
    let share = percent_against(result.core_fraction_cracked, &[cracked]);
    let shown = if result.complete {
        format!("{share}, piece {}", percent_against(result.smaller_side, &[smallest]))
    } else {
        format!("{share}, still joined")
    };
    // A third each: the core, the last of the way, where a hinge costs, and the evenness of what came apart.
    let through = if result.complete { 1.0 } else { result.posterior_third_cracked };
    let even = if result.complete { rising(result.smaller_side, 0.0, smallest) } else { 0.0 };
    let score = (rising(result.core_fraction_cracked, 0.0, cracked) + through + even) / 3.0;
    let cause = match (is_through, result.complete) {
        (true, _) if !is_even => cause::evenness(facts, chop, is_even),
        (true, _) => format!("{} {}", cause::completeness(facts, chop, true), cause::evenness(facts, chop, is_even)),
        (false, _) => {
            format!("{} {}", cause::completeness(facts, chop, false), cause::separation(facts, chop))
        }
    };
    frame.judged(Some(result.core_fraction_cracked), score, status(is_through && is_even), shown, cause)
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
