//! The debrief as one JSON object, for machines. Field names and order are a promise to others.
//!
//! Units: the trade's, named in each field. A field that does not apply, or is not modelled yet, is null and never left
//! out. Numbers are rounded to a millionth, so that a conversion of units does not show.

use crate::attempt::Expected;
use crate::debrief::prediction::Told;
use crate::debrief::truth::Came;
use crate::debrief::{Chop, Component, Debrief, Facts, Follow, Peaks, Status, Threshold};
use crate::sim::event::{Event, HeldBy};
use crate::units::{degrees, mmhg_from_pa};
use serde::Serialize;
use serde_json::{Map, Number, Value, json};

/// What a debrief does not know by itself.
#[derive(Clone, Debug)]
pub struct Heading<'a> {
    /// Name of the case: its file's name without the ending.
    pub scenario: &'a str,
    /// Seed.
    pub seed: u64,
    /// Time the run took, s.
    pub wall_s: f64,
}

/// Force of 1 mN in µN.
const UN_PER_MN: f64 = 1000.0;

#[derive(Serialize)]
struct Play<'a> {
    scenario: &'a str,
    seed: u64,
    engine: &'static str,
    sim_s: Value,
    wall_s: Value,
    state_hash: String,
    outcome: Outcome<'a>,
    components: Vec<ComponentJson<'a>>,
    events: Vec<EventJson>,
    chops: Vec<ChopJson>,
    follows: Vec<FollowJson>,
    peaks: PeaksJson,
    predictions: Vec<PredictionJson>,
}

#[derive(Serialize)]
struct Outcome<'a> {
    pass: bool,
    score: Value,
    critical: &'a [String],
}

#[derive(Serialize)]
struct ComponentJson<'a> {
    id: &'a str,
    label: &'a str,
    value: Value,
    unit: &'a str,
    score: Value,
    threshold: Value,
    status: &'static str,
}

#[derive(Serialize)]
struct EventJson {
    index: usize,
    t_s: Value,
    kind: String,
    cause: Option<u32>,
    #[serde(flatten)]
    numbers: Map<String, Value>,
}

#[derive(Serialize)]
struct ChopJson {
    t_s: Value,
    depth_mm: Value,
    along_shaft_mm: Value,
    angle_deg: Value,
    radius_mm: Value,
    vacuum_mmhg: Value,
    core_fraction_cracked: Value,
    posterior_third_cracked: Value,
    complete: bool,
    pieces: u32,
    smallest_piece_fraction: Value,
    tip_slipped: bool,
    distance_to_capsule_min_mm: Value,
}

#[derive(Serialize)]
struct FollowJson {
    t_s: Value,
    fragment: u16,
    volume_ul: Value,
    vacuum_mmhg: Value,
    follow_ratio: Value,
    followed: bool,
    held_by: Option<HeldBy>,
}

#[derive(Serialize)]
struct PeaksJson {
    chamber_mmhg_min: Value,
    chamber_mmhg_max: Value,
    surge_ul_max: Value,
    capsule_rise_mm_max: Value,
    distance_to_capsule_min_mm: Value,
    incision_temp_c_max: Value,
    full_power_time_s: Value,
}

/// What was expected of a chop, and what came.
#[derive(Serialize)]
struct PredictionJson {
    t_s: Value,
    depth_mm: Value,
    angle_deg: Value,
    place_mm: Value,
    expected: &'static str,
    /// Place among the chops.
    chop: Option<usize>,
    came: Option<&'static str>,
    reached_depth_mm: Value,
    reached_angle_deg: Value,
    reached_place_mm: Value,
    right: Option<bool>,
    depth_off_mm: Value,
    error: Value,
    /// Shallowest and deepest depth at which the chop goes right through.
    through_mm: Value,
}

/// A number rounded to a millionth; null where it is not finite.
pub fn rounded(value: f64) -> Value {
    let value = (value * 1e6).round() / 1e6;
    // Adding zero turns −0 into 0.
    Number::from_f64(value + 0.0).map_or(Value::Null, Value::Number)
}

fn rounded_if(value: Option<f64>) -> Value {
    value.map_or(Value::Null, rounded)
}

/// The object `play --json` prints, on one line.
///
/// # Errors
/// None that plain data can cause; whatever the serialiser reports.
pub fn play(heading: &Heading<'_>, facts: &Facts<'_>, debrief: &Debrief) -> Result<String, serde_json::Error> {
    let (model, state) = (facts.model, facts.state);
    serde_json::to_string(&Play {
        scenario: heading.scenario,
        seed: heading.seed,
        engine: env!("CARGO_PKG_VERSION"),
        sim_s: rounded(state.time_s(model)),
        wall_s: rounded(heading.wall_s),
        state_hash: state.hash().to_hex().to_string(),
        outcome: Outcome {
            pass: debrief.outcome.pass,
            score: rounded(debrief.outcome.score),
            critical: &debrief.outcome.critical,
        },
        components: debrief.components.iter().map(component).collect(),
        events: state.events.iter().enumerate().map(|(i, e)| event(i, e, model.tick_s)).collect(),
        chops: debrief.chops.iter().map(chop).collect(),
        follows: debrief.follows.iter().map(follow).collect(),
        peaks: peaks(&debrief.peaks),
        predictions: debrief.predictions.iter().map(prediction).collect(),
    })
}

fn component(c: &Component) -> ComponentJson<'_> {
    ComponentJson {
        id: c.id,
        label: c.label,
        value: rounded_if(c.value),
        unit: c.unit,
        score: if c.status == Status::NotApplicable { Value::Null } else { rounded(c.score) },
        threshold: match c.threshold {
            Threshold::Value(value) => rounded(value),
            Threshold::Band(low, high) => json!([rounded(low), rounded(high)]),
        },
        status: match c.status {
            Status::Met => "met",
            Status::Missed => "missed",
            Status::NotReached => "not-reached",
            Status::NotApplicable => "not-applicable",
        },
    }
}

fn chop(c: &Chop) -> ChopJson {
    ChopJson {
        t_s: rounded(c.t_s),
        depth_mm: rounded_if(c.start.depth_mm),
        along_shaft_mm: rounded(c.start.along_shaft_mm),
        angle_deg: rounded(degrees(c.start.elevation_rad)),
        radius_mm: rounded(c.start.radius_mm),
        vacuum_mmhg: rounded(mmhg_from_pa(c.start.vacuum_pa)),
        core_fraction_cracked: rounded(c.result.core_fraction_cracked),
        posterior_third_cracked: rounded(c.result.posterior_third_cracked),
        complete: c.result.complete,
        pieces: c.pieces,
        smallest_piece_fraction: rounded(c.result.smaller_side),
        tip_slipped: c.result.tip_slipped,
        distance_to_capsule_min_mm: rounded(c.result.distance_to_capsule_min_mm),
    }
}

fn follow(f: &Follow) -> FollowJson {
    FollowJson {
        t_s: rounded(f.t_s),
        fragment: f.fragment,
        volume_ul: rounded(f.volume_ul),
        vacuum_mmhg: rounded(mmhg_from_pa(f.vacuum_pa)),
        follow_ratio: rounded_if(f.ratio()),
        followed: f.followed,
        held_by: f.held_by,
    }
}

fn peaks(p: &Peaks) -> PeaksJson {
    PeaksJson {
        chamber_mmhg_min: rounded_if(p.chamber_mmhg.map(|(low, _)| low)),
        chamber_mmhg_max: rounded_if(p.chamber_mmhg.map(|(_, high)| high)),
        surge_ul_max: rounded(p.surge_ul),
        capsule_rise_mm_max: rounded(p.capsule_rise_mm),
        distance_to_capsule_min_mm: rounded_if(p.distance_to_capsule_mm),
        incision_temp_c_max: rounded(p.incision_c),
        full_power_time_s: rounded(p.full_power_s),
    }
}

/// An expected result, for machines.
pub fn expected(expected: Expected) -> &'static str {
    match expected {
        Expected::Through => "through",
        Expected::Hinged => "hinged",
        Expected::StopAndCall => "stop-and-call",
    }
}

/// A result, for machines.
pub fn came(came: Came) -> &'static str {
    match came {
        Came::Through => "through",
        Came::Hinged => "hinged",
        Came::NoCrack => "no-crack",
        Came::Breach => "breach",
    }
}

/// Two numbers that belong together.
pub fn pair(pair: Option<(f64, f64)>) -> Value {
    pair.map_or(Value::Null, |(a, b)| json!([rounded(a), rounded(b)]))
}

fn prediction(told: &Told) -> PredictionJson {
    let (stated, judged) = (&told.prediction, told.judged.as_ref());
    PredictionJson {
        t_s: rounded(told.t_s),
        depth_mm: rounded(stated.depth_mm),
        angle_deg: rounded(stated.angle_deg),
        place_mm: pair(Some(stated.place_mm)),
        expected: expected(stated.expected),
        chop: told.chop,
        came: told.came.map(came),
        reached_depth_mm: rounded_if(told.depth_mm),
        reached_angle_deg: rounded_if(told.angle_deg),
        reached_place_mm: pair(told.place_mm),
        right: judged.map(|j| j.error.is_right),
        depth_off_mm: rounded_if(judged.and_then(|j| j.error.depth_off_mm)),
        error: rounded_if(judged.map(|j| j.error.error)),
        through_mm: pair(judged.and_then(|j| j.through_mm)),
    }
}

fn event(index: usize, event: &Event, tick_s: f64) -> EventJson {
    let (kind, numbers) = match serde_json::to_value(&event.kind) {
        Ok(Value::Object(variant)) => match variant.into_iter().next() {
            Some((kind, Value::Object(numbers))) => (kind, numbers),
            Some((kind, _)) => (kind, Map::new()),
            None => (String::new(), Map::new()),
        },
        Ok(Value::String(kind)) => (kind, Map::new()),
        // Events are plain data; nothing else can come of them.
        _ => (String::new(), Map::new()),
    };
    EventJson {
        index,
        t_s: rounded(event.tick as f64 * tick_s),
        kind,
        cause: event.cause,
        numbers: numbers.into_iter().map(in_trade_units).collect(),
    }
}

/// A field of an event as the trade counts it: the suffix names the unit on both sides. Millimetres, microlitres,
/// seconds and degrees Celsius are the trade's own.
fn in_trade_units((name, value): (String, Value)) -> (String, Value) {
    let Some(number) = value.as_f64().filter(|_| value.is_f64()) else { return (name, value) };
    if let Some(stem) = name.strip_suffix("_rad") {
        (format!("{stem}_deg"), rounded(degrees(number)))
    } else if let Some(stem) = name.strip_suffix("_un") {
        (format!("{stem}_mn"), rounded(number / UN_PER_MN))
    } else if let Some(stem) = name.strip_suffix("_pa") {
        (format!("{stem}_mmhg"), rounded(mmhg_from_pa(number)))
    } else {
        (name, rounded(number))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sim::event::{EventKind, SlipBy};

    #[test]
    fn events_come_out_flat_and_in_the_units_of_the_trade() {
        let shown = |kind: EventKind| {
            let event = event(3, &Event { tick: 480, cause: Some(1), kind }, 1.0 / 240.0);
            serde_json::to_value(event).unwrap()
        };
        assert_eq!(
            shown(EventKind::ShaftOnRim { lifted_mm: 0.25, elevation_rad: core::f64::consts::FRAC_PI_6 }),
            json!({"index": 3, "t_s": 2.0, "kind": "shaft-on-rim", "cause": 1, "lifted_mm": 0.25, "elevation_deg": 30.0})
        );
        assert_eq!(
            shown(EventKind::LensPushed { load_un: 120_500.0, ultrasound: false }),
            json!({"index": 3, "t_s": 2.0, "kind": "lens-pushed", "cause": 1, "load_mn": 120.5, "ultrasound": false})
        );
        assert_eq!(
            shown(EventKind::TipSlipped { by: SlipBy::AlongShaft, slip_mm: 0.3 }),
            json!({"index": 3, "t_s": 2.0, "kind": "tip-slipped", "cause": 1, "by": "along-shaft", "slip_mm": 0.3})
        );
        assert_eq!(
            shown(EventKind::Surge { chamber_pa: 1_333.223_874_15, lost_ul: 2.5 }),
            json!({"index": 3, "t_s": 2.0, "kind": "surge", "cause": 1, "chamber_mmhg": 10.0, "lost_ul": 2.5})
        );
        assert_eq!(
            shown(EventKind::IncisionHot { incision_c: 60.5 }),
            json!({"index": 3, "t_s": 2.0, "kind": "incision-hot", "cause": 1, "incision_c": 60.5})
        );
        assert_eq!(
            shown(EventKind::TipEnteredLens),
            json!({"index": 3, "t_s": 2.0, "kind": "tip-entered-lens", "cause": 1})
        );
    }

    #[test]
    fn what_is_not_finite_is_null() {
        assert_eq!(rounded(f64::INFINITY), Value::Null);
        assert_eq!(rounded(299.999_999_999_94).to_string(), "300.0");
        assert_eq!(rounded(-1e-9).to_string(), "0.0");
    }
}
