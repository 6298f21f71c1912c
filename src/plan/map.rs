//! Many first chops: the outcome of the same standard chop over burial depth and tip angle.
//!
//! Each cell is an attempt of its own on the same model, from the first tick to the end of separation, so the map is the
//! same for any number of threads. Units: mm and degrees in, mm and shares 0..1 out.

use crate::case::{CaseSpec, Hand};
use crate::plan::{Bevel, ChopKind, Manoeuvre, Performer, PlanSpec};
use crate::sim::event::{Event, EventKind};
use crate::sim::{Fault, Model, State, chop, step};
use rayon::prelude::*;

/// How near the wanted depth the tip must come to have reached it, mm.
pub const REACHED_MM: f64 = 0.15;

/// What a map is asked for.
#[derive(Clone, Debug, PartialEq)]
pub struct MapRequest {
    /// Wanted depths of the tip below the core's anterior surface, mm.
    pub depths_mm: Vec<f64>,
    /// Tip angles, degrees.
    pub angles_deg: Vec<f64>,
    /// Where the tip is to end, mm from the lens's axis; the core's centre when absent.
    pub place_mm: Option<(f64, f64)>,
    /// Kind of chop.
    pub kind: ChopKind,
    /// How far the instruments part, mm; what the case asks for when absent.
    pub separation_mm: Option<f64>,
    /// Vacuum limit, mmHg.
    pub vacuum_mmhg: f64,
}

impl MapRequest {
    /// A vertical chop at the core's centre with 300 mmHg, over these depths (mm) and angles (degrees).
    pub fn new(depths_mm: Vec<f64>, angles_deg: Vec<f64>) -> Self {
        Self {
            depths_mm,
            angles_deg,
            place_mm: None,
            kind: ChopKind::Vertical,
            separation_mm: None,
            vacuum_mmhg: 300.0,
        }
    }

    /// The standard first chop at one depth (mm) and tip angle (degrees).
    pub fn plan(&self, case: &CaseSpec, model: &Model, depth_mm: f64, angle_deg: f64) -> PlanSpec {
        let core = &model.field.core;
        // The chopper comes from the free hand's side.
        let aside_mm = match case.surgery.needle_hand {
            Hand::Right => 0.5,
            Hand::Left => -0.5,
        };
        PlanSpec {
            format: 1,
            title: String::new(),
            steps: vec![
                Manoeuvre::Set {
                    vacuum_mmhg: Some(self.vacuum_mmhg),
                    power: Some(0.6),
                    bottle_cm: None,
                    flow_ml_min: None,
                },
                Manoeuvre::Bury {
                    depth_mm,
                    angle_deg,
                    place_mm: self.place_mm.unwrap_or((core.centre_mm.x, core.centre_mm.y)),
                    bevel: Bevel::Up,
                    speed_mm_s: 1.5,
                    ultrasound: 1.0,
                },
                Manoeuvre::Pedal { position: 2, share: 1.0, power: None },
                Manoeuvre::Chop { kind: self.kind, ahead_mm: 0.5, aside_mm, depth_mm: None },
                Manoeuvre::Separate {
                    width_mm: self.separation_mm.unwrap_or(case.goals.separation_mm),
                    speed_mm_s: 2.0,
                },
            ],
        }
    }
}

/// Outcome of one first chop.
#[derive(Clone, Debug, PartialEq)]
pub struct MapCell {
    /// Wanted depth, mm.
    pub depth_mm: f64,
    /// Tip angle, degrees.
    pub angle_deg: f64,
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

/// One cell: an attempt from its first tick to the end of separation.
pub fn first_chop(case: &CaseSpec, model: &Model, wanted: &MapRequest, depth_mm: f64, angle_deg: f64) -> MapCell {
    let mut performer = Performer::new(model, &wanted.plan(case, model, depth_mm, angle_deg));
    let mut state = State::new(model);
    let mut reached_depth_mm = None;
    let mut was_burying = false;
    while let Some(inputs) = performer.next(model, &state) {
        // Burying holds the foot in position 3, and nothing else in this plan does.
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
    let result = state.opening.as_ref().map(|opening| chop::result(&state, opening));
    let has_slipped = |e: &Event| matches!(e.kind, EventKind::TipSlipped { .. });
    MapCell {
        depth_mm,
        angle_deg,
        is_reachable: reached_depth_mm.is_some_and(|d| (d - depth_mm).abs() <= REACHED_MM),
        reached_depth_mm,
        core_fraction_cracked: result.map_or(0.0, |r| r.core_fraction_cracked),
        posterior_third_cracked: result.map_or(0.0, |r| r.posterior_third_cracked),
        complete: result.is_some_and(|r| r.complete),
        distance_to_capsule_min_mm: state.totals.distance_to_capsule_min_mm,
        breach: state.is_breached,
        tip_slipped: result.map_or_else(|| state.events.iter().any(has_slipped), |r| r.tip_slipped),
        fault: state.fault,
    }
}

/// All cells, by depth, then by angle; the same for any number of threads. `on_cell` is called once a cell is done, from
/// whichever thread did it.
///
/// # Errors
/// The threads could not be started.
pub fn first_chop_map(
    case: &CaseSpec,
    model: &Model,
    wanted: &MapRequest,
    threads: usize,
    on_cell: impl Fn() + Sync,
) -> Result<Vec<MapCell>, rayon::ThreadPoolBuildError> {
    let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build()?;
    let places: Vec<(f64, f64)> =
        wanted.depths_mm.iter().flat_map(|d| wanted.angles_deg.iter().map(move |a| (*d, *a))).collect();
    Ok(pool.install(|| {
        places
            .par_iter()
            // Cells differ in length tenfold: hand them out one by one.
            .with_max_len(1)
            .map(|(depth_mm, angle_deg)| {
                let cell = first_chop(case, model, wanted, *depth_mm, *angle_deg);
                on_cell();
                cell
            })
            .collect()
    }))
}
