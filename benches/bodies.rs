//! Fragments as rigid bodies: time a tick by their number, awake and asleep, and the size of a save.
//!
//! Beside them the same hulls in MuJoCo, in a bag of 24 planes, with as many sub-steps and with one, where it is at hand (`peers.py`).
//!
//! Run with `cargo bench --no-default-features --bench bodies`.
#![allow(missing_docs, reason = "a program of its own")]

use corecleft::sim::fragments::{Bag, Bodies, DENSITY_G_UL, outline};
use corecleft::sim::pose::Pose;
use nalgebra::Vector3;
use serde_json::json;
use std::time::Instant;

#[path = "common.rs"]
mod common;

const TICK_S: f64 = 1.0 / 240.0;

const BAG: Bag = Bag {
    radius_mm: 4.6,
    back_mm: 2.6,
    front_mm: 1.9,
    rhexis_mm: 2.6,
    chamber_radius_mm: 6.0,
    roof_mm: 4.8,
    shift_mm: 0.0,
};

/// The outlines of so many sectors of a lens, mm.
fn sectors(count: u16) -> Vec<Vec<Vector3<f64>>> {
    let part = 2.0 * std::f64::consts::PI / f64::from(count);
    let sector = |i: u16| {
        let mut points = vec![Vector3::new(0.0, 0.0, -2.5), Vector3::new(0.0, 0.0, 1.8)];
        for (j, k) in (0..7).flat_map(|j| (0..7).map(move |k| (j, k))) {
            let (angle, height) = (part * (f64::from(i) + f64::from(j) / 6.0), -1.4 + 2.8 * f64::from(k) / 6.0);
            let (radius, depth) = (4.5 * height.cos(), if height < 0.0 { 2.5 } else { 1.8 });
            points.push(Vector3::new(radius * angle.cos(), radius * angle.sin(), depth * height.sin()));
        }
        outline(&points)
    };
    (0..count).map(sector).collect()
}

/// Least and middle time a tick over some hundreds, µs.
fn tick_us(bodies: &mut Bodies, ticks: usize, mut before: impl FnMut(&mut Bodies, usize)) -> (f64, f64) {
    let mut times: Vec<f64> = (0..ticks)
        .map(|tick| {
            before(bodies, tick);
            let begun = Instant::now();
            bodies.advance(TICK_S);
            1e6 * begun.elapsed().as_secs_f64()
        })
        .collect();
    times.sort_by(f64::total_cmp);
    (times[0], times[ticks / 2])
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    for count in [1, 4, 8, 16] {
        let hulls = sectors(count);
        let mut bodies = Bodies::new(BAG);
        for (i, hull) in (0..count).zip(&hulls) {
            bodies.insert(i, std::slice::from_ref(hull), 150.0 / f64::from(count), &Pose::REST);
        }
        for _ in 0..60 {
            bodies.advance(TICK_S);
        }
        let stir = |bodies: &mut Bodies, tick: usize| {
            for id in bodies.ids() {
                let turn = 0.1 * tick as f64 + f64::from(id);
                bodies.drag(id, &Vector3::new(6.0 * turn.cos(), 6.0 * turn.sin(), 3.0 * (0.7 * turn).sin()));
                bodies.wake(id);
            }
        };
        let awake = tick_us(&mut bodies, 960, stir);
        let bytes = postcard::to_stdvec(&bodies)?.len();
        for id in bodies.ids() {
            bodies.drag(id, &Vector3::zeros());
        }
        for _ in 0..480 {
            bodies.advance(TICK_S);
        }
        let sleepers = bodies.ids().iter().filter(|id| bodies.is_asleep(**id)).count();
        let asleep = tick_us(&mut bodies, 960, |_, _| {});
        println!(
            "{count:2} fragments: awake {:.1} µs a tick (least {:.1}), with {sleepers} asleep {:.2} (least {:.2}); save {bytes} bytes",
            awake.1, awake.0, asleep.1, asleep.0
        );
        let hulls: Vec<Vec<[f64; 3]>> = hulls.iter().map(|h| h.iter().map(|p| (*p).into()).collect()).collect();
        for substeps in [4, 1] {
            let given = json!({
                "bag": { "radius_mm": BAG.radius_mm, "back_mm": BAG.back_mm, "front_mm": BAG.front_mm },
                "hulls": hulls, "substeps": substeps, "tick_s": TICK_S, "density_g_ul": DENSITY_G_UL,
            });
            if let Some(peer) = common::peer("bodies", &given) {
                let tick_us = peer["tick_us"].as_f64().unwrap_or(f64::NAN);
                println!(
                    "  MuJoCo, {substeps} sub-steps: {tick_us:.1} µs, {:.1} times; {} contacts",
                    tick_us / awake.1,
                    peer["contacts"]
                );
            }
        }
    }
    Ok(())
}
