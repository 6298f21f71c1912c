//! The deterministic engine: `step(&Model, &mut State, &Inputs)`, one tick at a time.
//!
//! A `Model` never changes; a `State` is all that does; `Inputs` are what hands and foot do in one tick. The same model
//! and inputs give the same bits, in every build. No clock, file, thread or hash map in this room. Units: mm, g, s, and
//! so Pa, µN, nJ, µL.
//!
//! Frames: the eye's (origin at the centre of the lens's equator plane at rest, +z toward the cornea) and the lens's,
//! which turns with the nucleus and moves with it when it is pushed.

pub mod adhesion;
pub mod bag;
pub mod burial;
pub mod capsule;
pub mod cells;
pub mod chamber;
pub mod chop;
pub mod circuit;
pub mod cut;
pub mod engagement;
pub mod event;
pub mod facets;
pub mod follow;
pub mod fragments;
pub mod hands;
pub mod lens;
pub mod max_flow;
pub mod membrane;
pub mod opening;
pub mod pieces;
pub mod pose;
pub mod random;
pub mod removal;
pub mod save;
pub mod zonules;

use adhesion::{Adhesion, Bed};
use capsule::Wounds;
use cells::Cells;
use chamber::Chamber;
use circuit::{Circuit, Plumbing};
use event::{Event, EventIndex, EventKind};
use follow::Pull;
use fragments::Bodies;
use hands::{Blade, Chopper, ChopperEnd, HandPose, Incision, Needle, Pedal, Tip};
use membrane::{Membrane, MembraneState};
use nalgebra::Vector3;
use pose::Pose;
use removal::{Removal, Vibration};
use serde::{Deserialize, Serialize};
use zonules::{Support, Zonules};

/// How often what the engine computes has changed since the program got its version: raised with every change that gives a
/// shipped plan another last state, so that an attempt is only replayed by the engine that ran it.
pub const REVISION: u32 = 2;

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
    /// Depth of the anterior chamber over the lens at rest, mm.
    pub chamber_depth_mm: f64,
    /// Diameter of the pupil at rest, mm.
    pub pupil_mm: f64,
    /// How readily the iris is pushed onto the capsule, over the ordinary.
    pub iris_laxity: f64,
    /// How lax posterior capsule and diaphragm are, over the ordinary.
    pub laxity: f64,
    /// Thickness of the posterior capsule, mm.
    pub capsule_mm: f64,
    /// Its strength, Pa.
    pub capsule_strength_pa: f64,
    /// Vibration of the tip at full power.
    pub vibration: Vibration,
    /// Infusion, coats, needle, line and pump.
    pub plumbing: Plumbing,
    /// The posterior capsule.
    pub membrane: Membrane,
    /// What the lens sticks to.
    pub bed: Bed,
    /// Share of every clock hour already freed when the attempt begins.
    pub freed: f64,
    /// What holds the bag.
    pub zonules: Zonules,
    /// The machine when the attempt begins.
    pub machine: Machine,
    /// Viscoelastic in the chamber when the attempt begins, cohesive and dispersive, µL.
    pub ovd_ul: [f64; 2],
    /// Distance to the posterior capsule below which an approach is noted, mm.
    pub capsule_near_mm: f64,
    /// BLAKE3 of what the model was compiled from.
    pub digest: [u8; 32],
}

/// The machine's settings.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Machine {
    /// Vacuum limit, Pa.
    pub vacuum_limit_pa: f64,
    /// Flow of a flow-set pump, µL/s.
    pub flow_limit_ul_s: f64,
    /// Pressure of the bottle's head, Pa.
    pub bottle_pa: f64,
}

impl Model {
    /// Volume of the whole lens, µL.
    pub fn whole_ul(&self) -> f64 {
        self.cells.count() as f64 * self.cells.cell_ul()
    }

    /// Distance of a place to the cornea's back along the axis, mm.
    pub fn to_cornea_mm(&self, p: &Vector3<f64>) -> f64 {
        let dome = hands::CORNEA_BACK_MM;
        let sag = dome - libm::sqrt((dome * dome - p.x * p.x - p.y * p.y).max(0.0));
        self.field.shape.front_mm + self.chamber_depth_mm - sag - p.z
    }
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
    /// On a dual-linear pedal the power's own share, 0..1; `None` where power goes with the travel.
    pub power_share: Option<f64>,
    /// Is the foot on reflux?
    pub reflux: bool,
    /// Vacuum at full travel, Pa.
    pub vacuum_limit_pa: f64,
    /// Flow of a flow-set pump at full travel, µL/s.
    pub flow_limit_ul_s: f64,
    /// Power fraction at full travel, 0..1.
    pub power_limit: f64,
    /// Pressure of the bottle's head over the eye, Pa.
    pub bottle_pa: f64,
    /// Rate at which hands would turn the nucleus about the lens's axis, rad/s.
    pub turn_rad_s: f64,
    /// What the free hand injects.
    pub syringe: Option<Syringe>,
    /// Does the surgeon stop and call for help?
    pub calls: bool,
}

/// What is injected, and how fast.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub enum Syringe {
    /// Fluid under the rim of the rhexis at a clock hour: a wave.
    UnderRim {
        /// Clock hour, 1–12.
        hour: u8,
        /// Rate, µL/s.
        flow_ul_s: f64,
    },
    /// Into the chamber through the side port.
    Chamber {
        /// What.
        what: Injected,
        /// Rate, µL/s.
        flow_ul_s: f64,
    },
}

/// What fills the chamber.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Injected {
    /// Viscoelastic that makes room and leaves in one piece.
    Cohesive,
    /// Viscoelastic that coats and holds back.
    Dispersive,
    /// Balanced salt solution.
    Fluid,
}

impl Syringe {
    /// Rate, µL/s.
    pub fn flow_ul_s(&self) -> f64 {
        match self {
            Self::UnderRim { flow_ul_s, .. } | Self::Chamber { flow_ul_s, .. } => flow_ul_s.max(0.0),
        }
    }
}

impl Inputs {
    /// Hands off: the machine as it starts, the needle just within its incision, the foot in position 1.
    pub fn at_rest(model: &Model) -> Self {
        Self {
            needle: HandPose { insertion_mm: 0.5, elevation_rad: 0.3, ..HandPose::default() },
            chopper: None,
            pedal: Pedal { position: 1, share: 1.0 },
            power_share: None,
            reflux: false,
            vacuum_limit_pa: model.machine.vacuum_limit_pa,
            flow_limit_ul_s: model.machine.flow_limit_ul_s,
            power_limit: 0.0,
            bottle_pa: model.machine.bottle_pa,
            turn_rad_s: 0.0,
            syringe: None,
            calls: false,
        }
    }

    /// What among them is not a finite number.
    fn not_finite(&self) -> Option<&'static str> {
        let numbers = |hand: &HandPose| {
            let HandPose { azimuth_rad, elevation_rad, insertion_mm, lift_mm, roll_rad } = *hand;
            [azimuth_rad, elevation_rad, insertion_mm, lift_mm, roll_rad]
        };
        let chopper = self.chopper.map_or([0.0; 5], |(_, hand)| numbers(&hand));
        let foot = [self.pedal.share, self.power_share.unwrap_or(0.0)];
        let machine = [self.vacuum_limit_pa, self.flow_limit_ul_s, self.power_limit, self.bottle_pa];
        let syringe = self.syringe.map_or(0.0, |s| match s {
            Syringe::UnderRim { flow_ul_s, .. } | Syringe::Chamber { flow_ul_s, .. } => flow_ul_s,
        });
        let given: [(&str, &[f64]); 6] = [
            ("hand with the needle", &numbers(&self.needle)),
            ("hand with the chopper", &chopper),
            ("foot", &foot),
            ("machine", &machine),
            ("syringe", &[syringe]),
            ("turning", &[self.turn_rad_s]),
        ];
        given.into_iter().find(|(_, numbers)| numbers.iter().any(|n| !n.is_finite())).map(|(what, _)| what)
    }
}

/// The lens as it stands: its cells, and where each fragment of it has come to.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Lens {
    /// Turn of the nucleus within its bag about the axis since the start, rad.
    pub turned_rad: f64,
    /// Displacement of the body on the tip by what pushes it, mm, eye frame.
    pub pushed_mm: Vector3<f64>,
    /// Displacement of the bag and all in it by the fluid around it, mm, toward the cornea.
    pub raised_mm: f64,
    /// Where each fragment is.
    pub pose: Vec<Pose>,
    /// Damage of each bond, 0..1.
    #[serde(with = "save::sparse")]
    pub damage: Vec<f32>,
    /// Is any bond damaged?
    pub is_cracked: bool,
    /// The fragment each cell belongs to; `pieces::GONE` where the cell is removed.
    #[serde(with = "save::runs")]
    pub fragment: Vec<u16>,
    /// A ball round each fragment, in its own frame: middle and radius, mm.
    pub ball_mm: Vec<(Vector3<f64>, f64)>,
    /// Share of the lens's outer surface in each clock hour that a fragment owns.
    pub sector_share: Vec<[f64; adhesion::HOURS]>,
    /// Unfinished cracks, at most one a body: what a pull on one side has to overcome.
    pub seams: Vec<opening::Opening>,
    /// Has a cell been taken that may have joined two pieces?
    pub is_eaten: bool,
    /// Volume of each fragment, µL; 0 for numbers no longer used.
    pub volume_ul: Vec<f64>,
    /// Volume of nucleus in each fragment, µL: of its cells within the core's surface.
    pub nucleus_ul: Vec<f64>,
    /// Which fragments are pieces of nucleus that have not been taken yet.
    pub is_nuclear: Vec<bool>,
    /// Volume removed through the needle, µL.
    pub removed_ul: f64,
    /// Volume lost otherwise, µL: crumbs washed away, and what sank into the vitreous.
    pub lost_ul: f64,
}

impl Lens {
    /// Is it still in one piece?
    pub fn is_whole(&self) -> bool {
        self.volume_ul.len() == 1
    }

    /// Numbers of the fragments there are.
    pub fn bodies(&self) -> impl Iterator<Item = u16> + '_ {
        (0..self.volume_ul.len() as u16).filter(|b| self.volume_ul[usize::from(*b)] > 0.0)
    }

    /// The unfinished crack of a body.
    pub fn seam(&self, body: u16) -> Option<&opening::Opening> {
        self.seams.iter().find(|s| s.body == body)
    }

    /// Where a fragment is; at rest for a number that is not in use.
    pub fn pose_of(&self, body: u16) -> Pose {
        self.pose.get(usize::from(body)).copied().unwrap_or(Pose::REST)
    }

    /// Displacement of bag and capsule, mm.
    pub fn carried_mm(&self) -> Vector3<f64> {
        self.pushed_mm + Vector3::z() * self.raised_mm
    }

    /// Where the whole lens is, from its turn, what pushes it and the fluid around it.
    pub fn settle_whole(&mut self) {
        let place_mm = self.carried_mm();
        if let Some(pose) = self.pose.first_mut() {
            *pose = Pose::about_axis(self.turned_rad, place_mm);
        }
    }

    /// The cell, and its fragment, that holds a place of the eye.
    pub fn at_eye(&self, model: &Model, p: &Vector3<f64>) -> Option<(usize, u16)> {
        self.bodies().find_map(|body| Some((self.cell_of(model, body, p)?, body)))
    }

    /// The same, where a fragment counts before the others: sides of a wavy crack may overlap.
    pub fn at_eye_first(&self, model: &Model, p: &Vector3<f64>, first: u16) -> Option<(usize, u16)> {
        self.cell_of(model, first, p).map(|cell| (cell, first)).or_else(|| self.at_eye(model, p))
    }

    /// The cell of a fragment that holds a place of the eye.
    fn cell_of(&self, model: &Model, body: u16, p: &Vector3<f64>) -> Option<usize> {
        let local = self.pose.get(usize::from(body))?.from_eye(p);
        let (middle, radius_mm) = self.ball_mm[usize::from(body)];
        if (local - middle).norm_squared() > radius_mm * radius_mm {
            return None;
        }
        let cell = model.cells.at(&local)? as usize;
        (self.fragment[cell] == body).then_some(cell)
    }

    /// A fragment is lost to the eye.
    pub fn lose(&mut self, cells: &Cells, body: u16) {
        for fragment in self.fragment.iter_mut().filter(|f| **f == body) {
            *fragment = pieces::GONE;
            self.lost_ul += cells.cell_ul();
        }
        if let Some(volume_ul) = self.volume_ul.get_mut(usize::from(body)) {
            *volume_ul = 0.0;
        }
        if let Some(nucleus_ul) = self.nucleus_ul.get_mut(usize::from(body)) {
            *nucleus_ul = 0.0;
        }
    }

    /// Share of each clock hour's outer surface that a fragment owns.
    pub fn sector_share(&self, body: u16) -> [f64; adhesion::HOURS] {
        self.sector_share.get(usize::from(body)).copied().unwrap_or_default()
    }

    /// Remove a cell through the needle.
    pub fn remove(&mut self, cells: &Cells, cell: usize) {
        let body = self.fragment[cell];
        if let Some(volume_ul) = self.volume_ul.get_mut(usize::from(body)) {
            *volume_ul -= cells.cell_ul();
            self.nucleus_ul[usize::from(body)] -= cells.nucleus_ul(cell);
            self.removed_ul += cells.cell_ul();
            self.fragment[cell] = pieces::GONE;
        }
    }

    /// A needle's tip in the frame of a fragment.
    pub fn tip_from_eye(&self, body: u16, tip: &Tip) -> Tip {
        self.pose_of(body).tip_from_eye(tip)
    }
}

/// The needle as it stands.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct NeedleState {
    /// Its tip in the eye.
    pub tip: Tip,
    /// Where it was a tick before, mm.
    pub before_mm: Vector3<f64>,
    /// The fragment it is in, or was last in.
    pub body: u16,
    /// Where the fluid had the bag when it was last moved, mm.
    pub raised_mm: f64,
    /// Time since it was last within the lens, s.
    pub out_s: f64,
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
    /// Share of the port that tissue right before it covers, 0..1.
    pub cover: f64,
    /// From the port's middle to the middle of what the piece covers of it, mm.
    pub aside_mm: Vector3<f64>,
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
    /// How far ultrasound let the tip into a fragment in this tick, mm.
    pub entered_mm: f64,
    /// Force that pushes the tip into a fragment without ultrasound, µN.
    pub bearing_un: f64,
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
    /// Where it has been since it entered, in the frame of the fragment on the tip.
    pub path: Vec<cut::Segment>,
    /// Force with which it presses the nucleus down, µN.
    pub press_un: f64,
    /// Time since it was last within the lens, s.
    pub out_s: f64,
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
    /// Largest load on the zonules of a clock hour, µN.
    pub zonule_load_un: f64,
    /// Largest torque in turning the nucleus, µN·mm.
    pub turning_torque_un_mm: f64,
    /// Highest pressure of fluid trapped behind the lens, Pa.
    pub trapped_pa: f64,
    /// Largest rise of the posterior capsule of itself, mm.
    pub capsule_rise_mm: f64,
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
    /// Pressure difference between chamber and line, with which the port holds, Pa.
    pub vacuum_pa: f64,
    /// Power fraction, 0..1.
    pub power: f64,
    /// The pieces as bodies, once the lens has come apart.
    #[serde(with = "save::sealed")]
    pub bodies: Option<Box<Bodies>>,
    /// The pull under way.
    pub pull: Option<Pull>,
    /// The piece that was last noted as gripped and has not been lost since.
    pub gripped: Option<u16>,
    /// Ticks for which that has been otherwise.
    pub loose_ticks: u32,
    /// Pressures, flows and volumes.
    pub circuit: Circuit,
    /// Iris, viscoelastic, surge.
    pub chamber: Chamber,
    /// The posterior capsule.
    pub membrane: MembraneState,
    /// Its wound, and the rim's.
    pub wounds: Wounds,
    /// What sticks the lens to its capsule, and the wave.
    pub adhesion: Adhesion,
    /// The zonules, and how far the nucleus was turned.
    pub support: Support,
    /// How far all that lies in the bag turned in this tick, rad.
    pub turned_rad: f64,
    /// Is fluid being injected under the rim?
    pub is_injecting: bool,
    /// Are hands turning the nucleus?
    pub is_turning: bool,
    /// Removal, chatter, heat.
    pub removal: Removal,
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
        let elastance_pa_ul = chamber::resting_elastance_pa_ul(model);
        let circuit = Circuit::at_rest(&model.plumbing, model.machine.bottle_pa, elastance_pa_ul);
        let raised_mm = chamber::raised_mm(model, circuit.diaphragm_ul);
        Self {
            tick: 0,
            lens: Lens {
                turned_rad: 0.0,
                pushed_mm: Vector3::zeros(),
                raised_mm,
                pose: vec![Pose { place_mm: Vector3::z() * raised_mm, ..Pose::REST }],
                ball_mm: vec![(Vector3::zeros(), model.field.shape.equator_mm + model.field.shape.back_mm)],
                sector_share: vec![[1.0; adhesion::HOURS]],
                seams: Vec::new(),
                is_eaten: false,
                damage: vec![0.0; count * 13],
                is_cracked: false,
                fragment: vec![0; count],
                volume_ul: vec![count as f64 * model.cells.cell_ul()],
                nucleus_ul: vec![(0..count).map(|cell| model.cells.nucleus_ul(cell)).sum()],
                is_nuclear: vec![true],
                removed_ul: 0.0,
                lost_ul: 0.0,
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
            bodies: None,
            pull: None,
            gripped: None,
            loose_ticks: 0,
            chamber: Chamber::new(model.pupil_mm, model.ovd_ul, model.machine.bottle_pa, raised_mm),
            circuit,
            membrane: MembraneState::new(&model.membrane),
            wounds: Wounds::default(),
            adhesion: bag::freed(model),
            support: Support::default(),
            turned_rad: 0.0,
            is_injecting: false,
            is_turning: false,
            removal: Removal::default(),
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
pub const PHASES: [(&str, Phase); 11] = [
    ("pedal", press_pedal),
    ("bag", bag::settle),
    ("chopper", chop::move_chopper),
    ("needle", burial::advance),
    ("hold", burial::hold),
    ("open", chop::open),
    ("split", pieces::split),
    ("remove", removal::remove),
    ("follow", follow::advance),
    ("flow", chamber::flow),
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
    let share =
        inputs.power_share.map_or(inputs.pedal.power_share(), |s| if inputs.pedal.position >= 3 { s } else { 0.0 });
    state.power = inputs.power_limit * share;
    state.totals.full_power_s += state.power * model.tick_s;
}

fn check_finite(state: &mut State) {
    let needle = state.needle.as_ref();
    let values = [
        ("lens pose", state.lens.turned_rad + state.lens.pushed_mm.sum() + state.lens.raised_mm),
        ("needle tip", needle.map_or(0.0, |n| n.tip.place_mm.sum() + n.tip.forward.sum())),
        ("needle load", needle.map_or(0.0, |n| n.load_un + n.gap_mm + n.purchase_un)),
        ("chopper", state.chopper.as_ref().map_or(0.0, |c| c.blade.point_mm.sum() + c.press_un)),
        ("opening", state.opening.as_ref().map_or(0.0, |o| o.side_pose(1.0).0.sum() + o.progress().work_nj)),
        (
            "fluid",
            state.circuit.chamber_pa + state.circuit.vitreous_pa + state.circuit.line_pa + state.circuit.outflow_ul_s,
        ),
        ("capsule", state.membrane.load_pa + state.membrane.largest_rise_mm().0 + state.wounds.vitreous_ul),
        ("bag", state.support.nucleus_rad() + state.adhesion.trapped_ul + state.totals.zonule_load_un),
        ("removal", state.removal.film_mm + state.removal.warmth_k + state.removal.owed_ul),
        ("pieces", state.lens.pose.iter().map(|p| p.place_mm.sum() + p.turn.iter().sum::<f64>()).sum()),
        ("sums", state.totals.full_power_s + state.totals.cutting_nj),
    ];
    if let Some((what, _)) = values.iter().find(|(_, value)| !value.is_finite()) {
        state.fault = Some(Fault { tick: state.tick, what: (*what).to_string() });
    }
}
