//! What the integration tests share: cases built from the shipped one, a plan for one chop, and a run to its end.
#![allow(dead_code, reason = "each test file is a crate of its own and uses a part of this")]
#![allow(clippy::expect_used, clippy::unwrap_used, reason = "a helper that fails fails the test that called it")]

use corecleft::case::{CaseSpec, CoreSpec, EpinucleusSpec, Resolution, compile, read_case};
use corecleft::plan::{Bevel, ChopKind, Manoeuvre, OutOf, Performer, PlanSpec};
use corecleft::sim::{Inputs, Model, State, step};
use std::path::{Path, PathBuf};

#[cfg(feature = "logbook")]
pub mod logbook;

/// A file of the repository.
pub fn path(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(name)
}

/// A shipped case by its file's name.
pub fn shipped(name: &str) -> CaseSpec {
    read_case(&path("scenarios").join(name)).unwrap_or_else(|faults| panic!("{faults:?}")).spec
}

/// A very long eye with a small dense core in a soft shell.
pub fn case() -> CaseSpec {
    shipped("long-eye-dense-core.ron")
}

/// The same eye with another core, on the lens's axis.
pub fn case_with_core(grade: f64, diameter_mm: f64, thickness_mm: f64) -> CaseSpec {
    let mut spec = case();
    spec.lens.core = CoreSpec { grade, diameter_mm, thickness_mm, edge_mm: 0.35, offset_mm: (0.0, 0.0, 0.0) };
    spec
}

/// The same eye with a nucleus of one grade almost as large as the lens.
pub fn uniform_case(grade: f64) -> CaseSpec {
    let mut spec = case_with_core(grade, 7.6, 3.8);
    spec.lens.epinucleus = EpinucleusSpec { thickness_mm: 0.0, firmness: 0.0 };
    spec
}

/// The model of a case at full resolution.
pub fn model(spec: &CaseSpec, seed: u64) -> Model {
    model_at(spec, seed, Resolution::default())
}

/// The model of a case at any resolution.
pub fn model_at(spec: &CaseSpec, seed: u64, resolution: Resolution) -> Model {
    compile(spec, seed, resolution).unwrap_or_else(|problems| panic!("{problems:?}")).model
}

/// A model of few cells, for tests that ask how the engine behaves and not what it finds.
pub fn coarse_model(spec: &CaseSpec, seed: u64) -> Model {
    model_at(spec, seed, Resolution { cell_mm: 0.4, ..Resolution::default() })
}

/// Bury, go back to position 2, bring the chopper as deep as the tip, part. Nothing is withdrawn: what the chop has come
/// to is in `State::opening`. The needle comes from the right eye's temporal side, −x.
pub fn first_chop_plan(
    depth_mm: f64,
    angle_deg: f64,
    place_mm: (f64, f64),
    kind: ChopKind,
    separation_mm: f64,
) -> PlanSpec {
    PlanSpec {
        format: 1,
        title: "one chop".to_owned(),
        steps: vec![
            Manoeuvre::Set { vacuum_mmhg: Some(300.0), power: Some(0.6), bottle_cm: None, flow_ml_min: None },
            bury(depth_mm, angle_deg, place_mm),
            Manoeuvre::Pedal { position: 2, share: 1.0, power: None },
            Manoeuvre::Wait { seconds: 0.1 },
            Manoeuvre::Chop { kind, ahead_mm: 0.5, aside_mm: 0.5, depth_mm: Some(depth_mm) },
            Manoeuvre::Separate { width_mm: separation_mm, speed_mm_s: 2.0 },
        ],
    }
}

/// A chop right through, both instruments out, a turn by 90°, and a chop of the half that lies nearer to the hand: steeply,
/// since that half lies under the rim.
pub fn two_chops_plan(depth_mm: f64, angle_deg: f64) -> PlanSpec {
    let first = first_chop_plan(depth_mm, angle_deg, (0.0, 0.0), ChopKind::Vertical, 2.0).steps;
    let second = vec![
        Manoeuvre::Withdraw { from: OutOf::Lens },
        Manoeuvre::Turn { angle_deg: 90.0 },
        bury(depth_mm, 62.0, (-1.3, 0.0)),
        Manoeuvre::Pedal { position: 2, share: 1.0, power: None },
        Manoeuvre::Wait { seconds: 0.1 },
        Manoeuvre::Chop { kind: ChopKind::Vertical, ahead_mm: 0.0, aside_mm: 0.6, depth_mm: Some(depth_mm) },
        Manoeuvre::Separate { width_mm: 2.0, speed_mm_s: 2.0 },
        Manoeuvre::Withdraw { from: OutOf::Lens },
    ];
    PlanSpec { format: 1, title: "two chops at a right angle".to_owned(), steps: [first, second].concat() }
}

/// Bury with full ultrasound, bevel up.
pub fn bury(depth_mm: f64, angle_deg: f64, place_mm: (f64, f64)) -> Manoeuvre {
    Manoeuvre::Bury { depth_mm, angle_deg, place_mm, bevel: Bevel::Up, speed_mm_s: 1.5, ultrasound: 1.0 }
}

/// A plan performed to its end.
pub fn run(model: &Model, plan: &PlanSpec) -> State {
    let mut state = State::new(model);
    let mut performer = Performer::new(model, plan);
    while let Some(inputs) = performer.next(model, &state) {
        step(model, &mut state, &inputs);
    }
    state
}

/// What hands and foot did in each tick of a plan.
pub fn inputs(model: &Model, plan: &PlanSpec) -> Vec<Inputs> {
    let mut state = State::new(model);
    let mut performer = Performer::new(model, plan);
    let mut all = Vec::new();
    while let Some(inputs) = performer.next(model, &state) {
        step(model, &mut state, &inputs);
        all.push(inputs);
    }
    all
}
