//! Symmetry and memory: the mirrored eye, and damage that belongs to the lens.
#![allow(clippy::unwrap_used, reason = "tests")]

mod common;

use common::{bury, case, model, run};
use corecleft::case::PlateSpec;
use corecleft::plan::{ChopKind, Manoeuvre, OutOf, PlanSpec};
use corecleft::sim::State;
use corecleft::sim::event::{ChopResult, ChopStart, EventKind};

fn chop_steps(depth_mm: f64, (x, y): (f64, f64), aside_mm: f64, separation_mm: f64) -> Vec<Manoeuvre> {
    vec![
        Manoeuvre::Set { vacuum_mmhg: Some(300.0), power: Some(0.6), bottle_cm: None, flow_ml_min: None },
        bury(depth_mm, 45.0, (x, y)),
        Manoeuvre::Pedal { position: 2, share: 1.0, power: None },
        Manoeuvre::Chop { kind: ChopKind::Vertical, ahead_mm: 0.5, aside_mm, depth_mm: None },
        Manoeuvre::Separate { width_mm: separation_mm, speed_mm_s: 2.0 },
        Manoeuvre::Withdraw { from: OutOf::Lens },
    ]
}

fn chops(state: &State) -> Vec<(ChopStart, ChopResult)> {
    let starts = state.events.iter().filter_map(|e| match &e.kind {
        EventKind::ChopStarted(start) => Some(*start),
        _ => None,
    });
    let ends = state.events.iter().filter_map(|e| match &e.kind {
        EventKind::ChopEnded(result) => Some(*result),
        _ => None,
    });
    starts.zip(ends).collect()
}

/// Analytic: the mirrored eye and plan give the mirrored result. What the hands do is equal to 1e-6. The crack surface may
/// differ where two cost the same to the 1/16 nJ in which capacities are counted (of equal cuts the upper is taken, and
/// mirroring makes it the lower), and bonds are gathered by the cell at their upper end: its energy agrees to 1e-3, and
/// what follows from it to 2e-2.
#[test]
fn the_mirrored_eye_gives_the_mirrored_result() {
    for seed in 1..=10 {
        let mut spec = case();
        spec.lens.core.offset_mm = (0.4, 0.2, 0.0);
        let other = spec.mirrored();
        let run_on = |spec, x: f64, aside_mm: f64| {
            let plan = PlanSpec { format: 1, title: "one".to_owned(), steps: chop_steps(1.5, (x, 0.2), aside_mm, 1.2) };
            let model = model(spec, seed);
            let state = run(&model, &plan);
            (chops(&state)[0], state.totals.distance_to_capsule_min_mm)
        };
        // A right-handed surgeon at a right eye has the nose ahead; mirrored, left becomes right.
        let (((start, result), distance), ((m_start, m_result), m_distance)) =
            (run_on(&spec, 0.4, 0.5), run_on(&other, -0.4, -0.5));
        let close = |a: f64, b: f64, tolerance: f64, what: &str| {
            assert!((a - b).abs() <= tolerance * a.abs().max(1e-3), "seed {seed}: {what} {a} against {b}");
        };
        close(start.depth_mm.unwrap(), m_start.depth_mm.unwrap(), 1e-6, "depth");
        close(start.tilt_rad, m_start.tilt_rad, 1e-3, "tilt");
        close(start.purchase_un, m_start.purchase_un, 1e-6, "purchase");
        close(distance, m_distance, 1e-6, "distance");
        close(start.surface_nj, m_start.surface_nj, 1e-3, "surface energy");
        close(start.smaller_side, m_start.smaller_side, 2e-2, "smaller side");
        close(result.core_fraction_cracked, m_result.core_fraction_cracked, 2e-2, "cracked share");
        close(result.work_nj, m_result.work_nj, 2e-2, "work");
        assert_eq!(result.complete, m_result.complete);
    }
}

/// Analytic: damage adds up and belongs to the lens. A second chop in the plane of a first that left a hinge goes on from
/// it: it finds most of the surface's energy spent. With the nucleus turned by 90° in between it finds a fresh surface;
/// turned back, the spent one again. Ten seeds, no violation.
#[test]
fn a_second_chop_goes_on_from_the_first_unless_the_nucleus_is_turned() {
    for seed in 1..=10 {
        // A leathery plate keeps the first chop from going through.
        let mut spec = case();
        spec.lens.plate = Some(PlateSpec { thickness_mm: 0.7, toughness_factor: 4.0 });
        let model = model(&spec, seed);
        let with = |between: &[f64]| {
            let mut steps = chop_steps(1.6, (0.0, 0.0), 0.5, 1.2);
            steps.extend(between.iter().map(|angle_deg| Manoeuvre::Turn { angle_deg: *angle_deg }));
            steps.extend(chop_steps(1.6, (0.0, 0.0), 0.5, 1.2));
            let chops = chops(&run(&model, &PlanSpec { format: 1, title: "two".to_owned(), steps }));
            (chops[0], chops[1])
        };
        let ((first, first_result), (again, again_result)) = with(&[]);
        assert!(!first_result.complete, "seed {seed}: the first chop was meant to leave a hinge");
        assert!(first_result.core_fraction_cracked > 0.2, "seed {seed}: {first_result:?}");
        assert!(
            again.surface_nj < 0.75 * first.surface_nj,
            "seed {seed}: {} of {}",
            again.surface_nj,
            first.surface_nj
        );
        // The bore has changed the lens, so the second surface may leave the first in places.
        let (before, after) = (first_result.core_fraction_cracked, again_result.core_fraction_cracked);
        assert!(after >= before - 0.1, "seed {seed}: {before:.3}, then {after:.3}");

        let (_, (turned, _)) = with(&[90.0]);
        assert!(
            turned.surface_nj > 0.85 * first.surface_nj,
            "seed {seed}: turned {} of {}",
            turned.surface_nj,
            first.surface_nj
        );

        let (_, (back, _)) = with(&[90.0, -90.0]);
        assert!(
            (back.surface_nj / again.surface_nj - 1.0).abs() < TURNED_BACK,
            "seed {seed}: {} against {}",
            back.surface_nj,
            again.surface_nj
        );
    }
}

/// Turned there and back the nucleus lies within two degrees of where it lay, for the hands turn it through a spring; the
/// surface then costs the same within this share (measured up to 5.5 %; turned by 90° it costs a sixth more and upward).
const TURNED_BACK: f64 = 0.08;

/// Analytic: a chop right through makes two pieces, turning and chopping again makes more, and what was cut off stays so.
#[test]
fn two_chops_at_right_angles_make_more_pieces() {
    let mut more = 0;
    for seed in 1..=10 {
        let state = run(&model(&case(), seed), &common::two_chops_plan(1.7, 42.0));
        let pieces: Vec<u32> = state
            .events
            .iter()
            .filter_map(|e| match e.kind {
                EventKind::BodySplit { pieces } => Some(pieces),
                _ => None,
            })
            .collect();
        assert_eq!(pieces.first(), Some(&2), "seed {seed}: {pieces:?}");
        assert!(pieces.windows(2).all(|w| w[1] > w[0]), "seed {seed}: {pieces:?}");
        more += u32::from(pieces.len() > 1);
    }
    assert!(more >= 7, "only {more} of 10 second chops went through");
}
