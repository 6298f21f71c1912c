//! Many chops: the outcome of the same standard chop over two of depth, tip angle, vacuum and place.
//!
//! Each cell is an attempt of its own on the same model, from the first tick, or from where an attempt stood, to the end of
//! separation, by hands that do not miss; so the map is the same for any number of threads. Units: mm, degrees and mmHg in, mm and
//! shares 0..1 out.

use crate::case::{CaseSpec, Hand};
use crate::plan::{Bevel, ChopKind, Hands, Manoeuvre, Performer};
use crate::sim::event::{Event, EventKind};
use crate::sim::{Fault, Model, State, chop, step};
use rayon::prelude::*;

/// How near the wanted depth the tip must come to have reached it, mm.
pub const REACHED_MM: f64 = 0.15;

/// What an axis of a map goes through.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Quantity {
    /// Wanted depth of the tip below the core's anterior surface, mm.
    Depth,
    /// Tip angle, degrees.
    Angle,
    /// Vacuum limit, mmHg.
    Vacuum,
    /// Where the tip is to end, toward 3 o'clock from the lens's axis, mm.
    PlaceX,
    /// The same toward 12 o'clock, mm.
    PlaceY,
}

/// An axis: a quantity and its values, growing.
#[derive(Clone, Debug, PartialEq)]
pub struct Axis {
    /// What.
    pub quantity: Quantity,
    /// Its values, in its unit.
    pub values: Vec<f64>,
}

/// A chop as the map does it; whatever is not said here is the same in all of them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StandardChop {
    /// Wanted depth of the tip below the core's anterior surface, mm.
    pub depth_mm: f64,
    /// Tip angle, degrees.
    pub angle_deg: f64,
    /// Where the tip is to end, mm from the lens's axis.
    pub place_mm: (f64, f64),
    /// Kind of chop.
    pub kind: ChopKind,
    /// How far the instruments part, mm.
    pub separation_mm: f64,
    /// Vacuum limit, mmHg.
    pub vacuum_mmhg: f64,
}

impl StandardChop {
    /// A vertical chop half the core's thickness deep at its centre, at 40 degrees and 300 mmHg, parted by what the case asks for.
    pub fn new(case: &CaseSpec, model: &Model) -> Self {
        let core = &model.field.core;
        Self {
            depth_mm: core.half_thickness_mm,
            angle_deg: 40.0,
            place_mm: (core.centre_mm.x, core.centre_mm.y),
            kind: ChopKind::Vertical,
            separation_mm: case.goals.separation_mm,
            vacuum_mmhg: 300.0,
        }
    }

    /// One of its numbers.
    pub fn value(&self, quantity: Quantity) -> f64 {
        match quantity {
            Quantity::Depth => self.depth_mm,
            Quantity::Angle => self.angle_deg,
            Quantity::Vacuum => self.vacuum_mmhg,
            Quantity::PlaceX => self.place_mm.0,
            Quantity::PlaceY => self.place_mm.1,
        }
    }

    /// The same with another number.
    pub fn with(mut self, quantity: Quantity, value: f64) -> Self {
        match quantity {
            Quantity::Depth => self.depth_mm = value,
            Quantity::Angle => self.angle_deg = value,
            Quantity::Vacuum => self.vacuum_mmhg = value,
            Quantity::PlaceX => self.place_mm.0 = value,
            Quantity::PlaceY => self.place_mm.1 = value,
        }
        self
    }

    /// Its steps.
    pub fn steps(&self, case: &CaseSpec) -> [Manoeuvre; 5] {
        // The chopper comes from the free hand's side.
        let aside_mm = match case.surgery.needle_hand {
            Hand::Right => 0.5,
            Hand::Left => -0.5,
        };
        [
            Manoeuvre::Set {
                vacuum_mmhg: Some(self.vacuum_mmhg),
                power: Some(0.6),
                bottle_cm: None,
                flow_ml_min: None,
            },
            Manoeuvre::Bury {
                depth_mm: self.depth_mm,
                angle_deg: self.angle_deg,
                place_mm: self.place_mm,
                bevel: Bevel::Up,
                speed_mm_s: 1.5,
                ultrasound: 1.0,
            },
            Manoeuvre::Pedal { position: 2, share: 1.0, power: None },
            Manoeuvre::Chop { kind: self.kind, ahead_mm: 0.5, aside_mm, depth_mm: None },
            Manoeuvre::Separate { width_mm: self.separation_mm, speed_mm_s: 2.0 },
        ]
    }
}

/// What a map is asked for.
#[derive(Clone, Debug, PartialEq)]
pub struct MapRequest {
    /// What goes down the map.
    pub rows: Axis,
    /// What goes across it.
    pub columns: Axis,
    /// All that neither axis says.
    pub chop: StandardChop,
}

impl MapRequest {
    /// Over these depths (mm) and angles (degrees).
    pub fn over_depth_and_angle(chop: StandardChop, depths_mm: Vec<f64>, angles_deg: Vec<f64>) -> Self {
        let rows = Axis { quantity: Quantity::Depth, values: depths_mm };
        Self { rows, columns: Axis { quantity: Quantity::Angle, values: angles_deg }, chop }
    }

    /// Its chops, row by row.
    pub fn chops(&self) -> Vec<StandardChop> {
        let row = |value: &f64| self.chop.with(self.rows.quantity, *value);
        let cells =
            |chop: StandardChop| self.columns.values.iter().map(move |value| chop.with(self.columns.quantity, *value));
        self.rows.values.iter().map(row).flat_map(cells).collect()
    }
}

/// From where the chops of a map begin.
#[derive(Clone, Debug)]
pub struct Start {
    /// The eye, the tip out of the lens.
    pub state: State,
    /// Hands, foot and machine.
    pub hands: Hands,
}

impl Start {
    /// The beginning of an attempt.
    pub fn fresh(model: &Model) -> Self {
        Self { state: State::new(model), hands: Hands::ready(model) }
    }
}

/// Outcome of one chop.
#[derive(Clone, Debug, PartialEq)]
pub struct MapCell {
    /// What was wanted.
    pub chop: StandardChop,
    /// Was the tip within [`REACHED_MM`] of the wanted depth when burying ended?
    pub is_reachable: bool,
    /// Depth when burying ended, mm; `None` outside the core's outline.
    pub reached_depth_mm: Option<f64>,
    /// Broken share of the crack surface within the core.
    pub core_fraction_cracked: f64,
    /// The same in the last third of the core's thickness.
    pub posterior_third_cracked: f64,
    /// Does no unbroken bond join the two sides?
    pub complete: bool,
    /// Smallest distance of either instrument to the posterior capsule, mm.
    pub distance_to_capsule_min_mm: f64,
    /// Was the posterior capsule breached?
    pub breach: bool,
    /// Did the tip lose its hold?
    pub tip_slipped: bool,
    /// Set when the engine met a value that was not finite, and stopped.
    pub fault: Option<Fault>,
}

/// One cell: from the start to the end of separation.
pub fn outcome(case: &CaseSpec, model: &Model, start: &Start, wanted: &StandardChop) -> MapCell {
    let mut performer = Performer::of(start.hands.clone());
    wanted.steps(case).into_iter().for_each(|step| performer.add(step));
    let mut state = start.state.clone();
    let before = state.events.len();
    // What came near the capsule earlier is not this chop's.
    state.totals.distance_to_capsule_min_mm = f64::INFINITY;
    let mut reached_depth_mm = None;
    let mut was_burying = false;
    while let Some(inputs) = performer.next(model, &state) {
        // Burying holds the foot in position 3, and nothing after it in these steps does.
        let is_burying = inputs.pedal.position == 3;
        if was_burying && !is_burying {
            reached_depth_mm = state.needle.as_ref().and_then(|n| n.depth_mm);
        }
        was_burying = is_burying;
        step(model, &mut state, &inputs);
        if state.fault.is_some() {
            break;
        }
    }
    let new = &state.events[before.min(state.events.len())..];
    let is_new = state.chop_event.is_some_and(|begun| begun as usize >= before);
    let result = state.opening.as_ref().filter(|_| is_new).map(|opening| chop::result(&state, opening));
    let has_slipped = |e: &Event| matches!(e.kind, EventKind::TipSlipped { .. });
    let is_breach = |e: &Event| matches!(e.kind, EventKind::Breach { .. });
    MapCell {
        chop: *wanted,
        is_reachable: reached_depth_mm.is_some_and(|d| (d - wanted.depth_mm).abs() <= REACHED_MM),
        reached_depth_mm,
        core_fraction_cracked: result.map_or(0.0, |r| r.core_fraction_cracked),
        posterior_third_cracked: result.map_or(0.0, |r| r.posterior_third_cracked),
        complete: result.is_some_and(|r| r.complete),
        distance_to_capsule_min_mm: state.totals.distance_to_capsule_min_mm,
        breach: new.iter().any(is_breach),
        tip_slipped: result.map_or_else(|| new.iter().any(has_slipped), |r| r.tip_slipped),
        fault: state.fault,
    }
}

/// The outcomes of many chops, in their order; the same for any number of threads (0: as many as there are processors).
/// `on_cell` is called once one is done, from whichever thread did it.
///
/// # Errors
/// The threads could not be started.
pub fn outcomes(
    case: &CaseSpec,
    model: &Model,
    start: &Start,
    chops: &[StandardChop],
    threads: usize,
    on_cell: impl Fn() + Sync,
) -> Result<Vec<MapCell>, rayon::ThreadPoolBuildError> {
    let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build()?;
    Ok(pool.install(|| {
        chops
            .par_iter()
            // Cells differ in length tenfold: hand them out one by one.
            .with_max_len(1)
            .map(|chop| {
                let cell = outcome(case, model, start, chop);
                on_cell();
                cell
            })
            .collect()
    }))
}
