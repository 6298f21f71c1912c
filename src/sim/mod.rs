//! The deterministic engine: `step(&Model, &mut State, &Inputs)`, one tick at a time.
//!
//! A `Model` never changes; a `State` is all that does; `Inputs` are what hands and foot do in one tick. The same model
//! and inputs give the same bits, in every build. No clock, file, thread or hash map in this room. Units: mm, g, s, and
//! so Pa, µN, nJ, µL.
//!
//! Frames: the eye's (origin at the centre of the lens's equator plane at rest, +z toward the cornea) and the lens's,
//! which turns with the nucleus and moves with it when it is pushed.

pub mod adhesion;
pub mod burial;
pub mod capsule;
pub mod cells;
pub mod chop;
pub mod circuit;
pub mod cut;
pub mod engagement;
pub mod event;
pub mod facets;
pub mod fragments;
pub mod hands;
pub mod lens;
pub mod max_flow;
pub mod membrane;
pub mod opening;
pub mod pieces;
pub mod pose;
pub mod random;
pub mod save;
pub mod zonules;

use cells::Cells;
use event::{Event, EventIndex, EventKind};
use hands::{Blade, Chopper, ChopperEnd, HandPose, Incision, Needle, Pedal, Tip};
use nalgebra::Vector3;
use serde::{Deserialize, Serialize};

/// All that does not change during an attempt.
#[derive(Clone, Debug)]
pub struct Model {
    /// Length of a tick, s.
    pub tick_s: f64,
    /// The lens as a continuum.
    pub field: lens::Field,
    /// The lens as cells and bonds.
    pub cells: Cells,
    /// Inner radius of the capsular bag at the equator, mm.
    pub bag_radius_mm: f64,
    /// Radius of the rhexis, mm.
    pub rhexis_radius_mm: f64,
    /// The needle.
    pub needle: Needle,
    /// The chopper.
    pub chopper: Chopper,
    /// Main incision.
    pub main_incision: Incision,
    /// Side port.
    pub side_port: Incision,
    /// Distance to the posterior capsule below which an approach is noted, mm.
    pub capsule_near_mm: f64,
    /// BLAKE3 of what the model was compiled from.
    pub digest: [u8; 32],
}

/// What hands and foot do in one tick.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Inputs {
    /// The hand with the needle.
    pub needle: HandPose,
    /// The other hand; `None` while the chopper is out of the eye.
    pub chopper: Option<(ChopperEnd, HandPose)>,
    /// The foot.
    pub pedal: Pedal,
    /// Vacuum at full travel, Pa.
    pub vacuum_limit_pa: f64,
    /// Power fraction at full travel, 0..1.
    pub power_limit: f64,
    /// Turning of the nucleus about the lens's axis, rad/s: free for now, without torque or adhesion.
    pub turn_rad_s: f64,
}

impl Inputs {
    /// What among them is not a finite number.
    fn not_finite(&self) -> Option<&'static str> {
        let numbers = |hand: &HandPose| {
            let HandPose { azimuth_rad, elevation_rad, insertion_mm, lift_mm, roll_rad } = *hand;
            [azimuth_rad, elevation_rad, insertion_mm, lift_mm, roll_rad]
        };
        let chopper = self.chopper.map_or([0.0; 5], |(_, hand)| numbers(&hand));
        let foot = [self.pedal.share, self.vacuum_limit_pa, self.power_limit];
        let given: [(&str, &[f64]); 4] = [
            ("hand with the needle", &numbers(&self.needle)),
            ("hand with the chopper", &chopper),
            ("foot", &foot),
            ("turning", &[self.turn_rad_s]),
        ];
        given.into_iter().find(|(_, numbers)| numbers.iter().any(|n| !n.is_finite())).map(|(what, _)| what)
    }
}

/// The lens as it stands.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Lens {
    /// Turn about the axis since the start, rad.
    pub turned_rad: f64,
    /// Displacement by what pushes it, mm, eye frame.
    pub pushed_mm: Vector3<f64>,
    /// Damage of each bond, 0..1.
    #[serde(with = "save::sparse")]
    pub damage: Vec<f32>,
    /// Is any bond damaged?
    pub is_cracked: bool,
    /// The fragment each cell belongs to; `pieces::GONE` where the cell is removed.
    #[serde(with = "save::runs")]
    pub fragment: Vec<u16>,
    /// Volume of each fragment, µL; 0 for numbers no longer used.
    pub volume_ul: Vec<f64>,
    /// Volume removed through the needle, µL.
    pub removed_ul: f64,
}

impl Lens {
    /// A place of the eye in the lens's frame.
    pub fn from_eye(&self, p: &Vector3<f64>) -> Vector3<f64> {
        self.direction_from_eye(&(p - self.pushed_mm))
    }

    /// A place of the lens in the eye's frame.
    pub fn to_eye(&self, p: &Vector3<f64>) -> Vector3<f64> {
        let (s, c) = (libm::sin(self.turned_rad), libm::cos(self.turned_rad));
        Vector3::new(c * p.x - s * p.y, s * p.x + c * p.y, p.z) + self.pushed_mm
    }

    /// A direction of the eye in the lens's frame.
    pub fn direction_from_eye(&self, d: &Vector3<f64>) -> Vector3<f64> {
        let (s, c) = (libm::sin(self.turned_rad), libm::cos(self.turned_rad));
        Vector3::new(c * d.x + s * d.y, c * d.y - s * d.x, d.z)
    }

    /// A needle's tip in the lens's frame.
    pub fn tip_from_eye(&self, tip: &Tip) -> Tip {
        let place_mm = self.from_eye(&tip.place_mm);
        Tip { place_mm, forward: self.direction_from_eye(&tip.forward), roll_rad: tip.roll_rad }
    }
}

/// The needle as it stands.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct NeedleState {
    /// Its tip in the eye.
    pub tip: Tip,
    /// Length of shaft within the lens, mm.
    pub buried_mm: f64,
    /// Length of shaft within firm tissue, mm.
    pub buried_firm_mm: f64,
    /// Depth of the tip below the core's anterior surface, mm; `None` outside the core's outline.
    pub depth_mm: Option<f64>,
    /// Distance of the tip to the core's axis, mm.
    pub radius_mm: f64,
    /// Is the tip within the core?
    pub is_in_core: bool,
    /// Share of the port covered by lens, 0..1.
    pub occlusion: f64,
    /// Gap cored out around the tip, mm.
    pub gap_mm: f64,
    /// Force with which vacuum holds the nucleus on the tip, µN.
    pub purchase_un: f64,
    /// Time since the tip last advanced into tissue, s.
    pub still_s: f64,
    /// How far the nucleus has slid off the tip along the shaft since it was last buried deeper, mm.
    pub slid_mm: f64,
    /// Load of the needle on bag and zonules along the shaft, µN.
    pub load_un: f64,
    /// Lift by the rim of the rhexis, mm.
    pub lifted_mm: f64,
}

/// The chopper as it stands.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ChopperState {
    /// Its end.
    pub end: ChopperEnd,
    /// Where it is.
    pub blade: Blade,
    /// Is it within the lens?
    pub is_in_lens: bool,
    /// Where it has been since it entered, lens frame.
    pub path: Vec<cut::Segment>,
    /// Force with which it presses the nucleus down, µN.
    pub press_un: f64,
}

/// Sums over the attempt.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Totals {
    /// Full-power time, s: the integral of the power fraction.
    pub full_power_s: f64,
    /// Smallest distance of either instrument to the posterior capsule, mm.
    pub distance_to_capsule_min_mm: f64,
    /// The same since the current chop began, mm.
    pub chop_distance_min_mm: f64,
    /// Work done in pressing, drawing and burying outside of an opening, nJ.
    pub cutting_nj: f64,
}

/// A value that was not finite: the engine records it and stops.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Fault {
    /// Tick.
    pub tick: u64,
    /// What was not finite.
    pub what: String,
}

/// All that changes.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct State {
    /// Ticks done.
    pub tick: u64,
    /// The lens.
    pub lens: Lens,
    /// The needle; `None` before it first enters the eye.
    pub needle: Option<NeedleState>,
    /// The chopper; `None` while it is out of the eye.
    pub chopper: Option<ChopperState>,
    /// Hands when the chopper last went on along its path: what separation is measured from, lens frame.
    pub rest: Option<opening::Grip>,
    /// The crack surface found in the last tick, not yet opened.
    pub found: Option<Box<chop::Found>>,
    /// The chop under way.
    pub opening: Option<Box<opening::Opening>>,
    /// Event that began the chop under way.
    pub chop_event: Option<EventIndex>,
    /// The foot.
    pub pedal: Pedal,
    /// Vacuum the foot asks for, Pa.
    pub vacuum_pa: f64,
    /// Power fraction, 0..1.
    pub power: f64,
    /// Sums.
    pub totals: Totals,
    /// Is the posterior capsule open?
    pub is_breached: bool,
    /// What happened.
    pub events: Vec<Event>,
    /// Set when a value was not finite; the engine stands still from then on.
    pub fault: Option<Fault>,
}

impl State {
    /// The state before the first tick.
    pub fn new(model: &Model) -> Self {
        let count = model.cells.count();
        Self {
            tick: 0,
            lens: Lens {
                turned_rad: 0.0,
                pushed_mm: Vector3::zeros(),
                damage: vec![0.0; count * 13],
                is_cracked: false,
                fragment: vec![0; count],
                volume_ul: vec![count as f64 * model.cells.cell_ul()],
                removed_ul: 0.0,
            },
            needle: None,
            chopper: None,
            rest: None,
            found: None,
            opening: None,
            chop_event: None,
            pedal: Pedal { position: 1, share: 0.0 },
            vacuum_pa: 0.0,
            power: 0.0,
            totals: Totals {
                distance_to_capsule_min_mm: f64::INFINITY,
                chop_distance_min_mm: f64::INFINITY,
                ..Totals::default()
            },
            is_breached: false,
            events: Vec::new(),
            fault: None,
        }
    }

    /// Simulated time, s.
    pub fn time_s(&self, model: &Model) -> f64 {
        self.tick as f64 * model.tick_s
    }

    /// Note an event.
    pub fn note(&mut self, cause: Option<EventIndex>, kind: EventKind) -> EventIndex {
        self.events.push(Event { tick: self.tick, cause, kind });
        self.events.len() as EventIndex - 1
    }

    /// The latest event that answers to a description.
    pub fn latest(&self, is_meant: impl Fn(&EventKind) -> bool) -> Option<EventIndex> {
        self.events.iter().rposition(|e| is_meant(&e.kind)).map(|i| i as EventIndex)
    }
}

/// A part of the tick.
pub type Phase = fn(&Model, &mut State, &Inputs);

/// The tick, in the order of the procedure.
pub const PHASES: [(&str, Phase); 8] = [
    ("pedal", press_pedal),
    ("turn", turn_nucleus),
    ("chopper", chop::move_chopper),
    ("needle", burial::advance),
    ("hold", burial::hold),
    ("open", chop::open),
    ("split", pieces::split),
    ("capsule", capsule::watch),
];

/// One tick.
pub fn step(model: &Model, state: &mut State, inputs: &Inputs) {
    if state.fault.is_some() {
        return;
    }
    state.tick += 1;
    if let Some(what) = inputs.not_finite() {
        state.fault = Some(Fault { tick: state.tick, what: what.to_string() });
        return;
    }
    for (_, phase) in PHASES {
        phase(model, state, inputs);
    }
    check_finite(state);
}

fn press_pedal(model: &Model, state: &mut State, inputs: &Inputs) {
    if inputs.pedal.position != state.pedal.position {
        let moved = EventKind::PedalMoved { from: state.pedal.position, to: inputs.pedal.position };
        state.note(None, moved);
    }
    state.pedal = inputs.pedal;
    state.vacuum_pa = inputs.vacuum_limit_pa * inputs.pedal.vacuum_share();
    state.power = inputs.power_limit * inputs.pedal.power_share();
    state.totals.full_power_s += state.power * model.tick_s;
}

/// Turning is free for now, and only with both instruments out of the tissue.
fn turn_nucleus(model: &Model, state: &mut State, inputs: &Inputs) {
    let is_held =
        state.opening.is_some() || state.found.is_some() || state.needle.as_ref().is_some_and(|n| n.buried_mm > 0.0);
    if !is_held {
        state.lens.turned_rad += inputs.turn_rad_s * model.tick_s;
    }
}

fn check_finite(state: &mut State) {
    let needle = state.needle.as_ref();
    let values = [
        ("lens pose", state.lens.turned_rad + state.lens.pushed_mm.sum()),
        ("needle tip", needle.map_or(0.0, |n| n.tip.place_mm.sum() + n.tip.forward.sum())),
        ("needle load", needle.map_or(0.0, |n| n.load_un + n.gap_mm + n.purchase_un)),
        ("chopper", state.chopper.as_ref().map_or(0.0, |c| c.blade.point_mm.sum() + c.press_un)),
        ("opening", state.opening.as_ref().map_or(0.0, |o| o.side_pose(1.0).0.sum() + o.progress().work_nj)),
        ("sums", state.totals.full_power_s + state.totals.cutting_nj),
    ];
    if let Some((what, _)) = values.iter().find(|(_, value)| !value.is_finite()) {
        state.fault = Some(Fault { tick: state.tick, what: (*what).to_string() });
    }
}
