//! A what-if of one event and a calibration of one case, on two threads: wall time, least and middle of a few runs.
//!
//! Run with `cargo bench --no-default-features --bench whatif`. Asked for: 10 s and 45 s.
#![allow(missing_docs, reason = "a program of its own")]

use corecleft::attempt::{Attempt, Device, Header};
use corecleft::calibrate::{Design, Shard, attempts};
use corecleft::case::{CaseSpec, Resolution, compile, read_case};
use corecleft::debrief::whatif::{REPEATS, whatif};
use corecleft::debrief::{Course, Debrief};
use corecleft::plan::{parse_plan, read_plan};
use corecleft::sim::Model;
use corecleft::sim::event::{EventIndex, EventKind};
use std::error::Error;
use std::path::{Path, PathBuf};
use std::time::Instant;

const THREADS: usize = 2;
const RUNS: usize = 3;

/// Attempts of the calibrated cases.
const ATTEMPTS: u32 = 60;
const CALIBRATED: [&str; 2] = ["medium-uniform", "long-eye-dense-core"];

/// A tip that goes on through a half of the nucleus, and through the capsule behind it.
const THROUGH: &str = "(format: 1, title: \"through\", steps: [
    Set(vacuum_mmhg: 300, power: 0.6),
    Bury(depth_mm: 1.6, angle_deg: 40, place_mm: (0, 0), bevel: Up, speed_mm_s: 1.5, ultrasound: 1.0),
    Pedal(position: 2), Wait(seconds: 0.3),
    Chop(kind: Vertical, ahead_mm: 0.4, aside_mm: 0.5, depth_mm: 2.0),
    Separate(width_mm: 2.4, speed_mm_s: 2), Wait(seconds: 0.2), Pedal(position: 1), Withdraw,
    Bury(depth_mm: 5, angle_deg: 60, place_mm: (0.5, 0.5), bevel: Up, speed_mm_s: 2.0, ultrasound: 1.0),
])";

type Kind = fn(&EventKind) -> bool;

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("scenarios")
}

fn read(name: &str) -> Result<(CaseSpec, Model), Box<dyn Error>> {
    let case = read_case(&folder().join(format!("{name}.ron"))).map_err(|faults| format!("{faults:?}"))?.spec;
    let model = compile(&case, 1, Resolution::default()).map_err(|why| format!("{why:?}"))?.model;
    Ok((case, model))
}

/// The attempt of a plan, the case's poor one where none is given, and its first event of a kind.
fn asked(
    case: &CaseSpec,
    model: &Model,
    name: &str,
    plan: Option<&str>,
    kind: Kind,
) -> Result<(Attempt, EventIndex), Box<dyn Error>> {
    let plan = match plan {
        Some(text) => parse_plan("plan", text).map_err(|faults| format!("{faults:?}"))?.0,
        None => read_plan(&folder().join(format!("{name}.poor.plan.ron"))).map_err(|faults| format!("{faults:?}"))?.0,
    };
    let course = Course::of_plan(model, &plan).ok_or("takes too long")?;
    let debrief = Debrief::of(&course.facts(case, model));
    let attempt = course.attempt(Header::new(name, "", 1, Device::Plan("bench".into())), &debrief);
    let event = attempt.events.iter().position(|e| kind(&e.kind)).ok_or("no such event")?;
    Ok((attempt, event as EventIndex))
}

/// Least and middle of the times of some runs, s.
fn times(mut run: impl FnMut() -> Result<(), Box<dyn Error>>) -> Result<(f64, f64), Box<dyn Error>> {
    let mut took_s = Vec::new();
    for _ in 0..RUNS {
        let begun = Instant::now();
        run()?;
        took_s.push(begun.elapsed().as_secs_f64());
    }
    took_s.sort_by(f64::total_cmp);
    Ok((took_s[0], took_s[RUNS / 2]))
}

/// How busy the machine is, where the system tells.
fn load() -> String {
    let load = std::fs::read_to_string("/proc/loadavg").unwrap_or_default();
    load.split_whitespace().take(1).collect()
}

fn main() -> Result<(), Box<dyn Error>> {
    let events: [(&str, &str, Option<&str>, Kind); 6] = [
        ("a chop that did not go through", "medium-uniform", None, |k| matches!(k, EventKind::ChopEnded(_))),
        ("the same, dense core", "long-eye-dense-core", None, |k| matches!(k, EventKind::ChopEnded(_))),
        ("zonules that tore", "weak-zonules", None, |k| matches!(k, EventKind::ZonulesTore { .. })),
        ("a surge", "soft-nucleus", None, |k| matches!(k, EventKind::Surge { .. })),
        ("a failed wave", "soft-nucleus", None, |k| matches!(k, EventKind::ZonulesLoaded { .. })),
        ("a breach by ultrasound", "medium-uniform", Some(THROUGH), |k| matches!(k, EventKind::Breach { .. })),
    ];
    println!("{RUNS} runs each on {THREADS} threads; load before the first {}", load());
    println!("| what-if of | case | repetitions | eye's time, s | least, s | middle, s |");
    for (what, name, plan, kind) in events {
        let (case, model) = read(name)?;
        let (attempt, event) = match asked(&case, &model, name, plan, kind) {
            Ok(asked) => asked,
            Err(why) => {
                println!("| {what} | {name} | {why} |");
                continue;
            }
        };
        let mut effort = (0, 0.0);
        let (least, middle) = times(|| {
            effort = whatif(&case, &model, &attempt, event, REPEATS, THREADS, |_| true)?.effort;
            Ok(())
        })?;
        println!("| {what} | {name} | {} | {:.0} | {least:.1} | {middle:.1} |", effort.0, effort.1);
    }
    println!("| calibration, {ATTEMPTS} attempts | least, s | middle, s |");
    for name in CALIBRATED {
        let (case, _) = read(name)?;
        let design = Design::of(ATTEMPTS, 1);
        let (least, middle) = times(|| {
            let rows = attempts(&case, design, Shard::WHOLE, THREADS, || ()).map_err(|why| format!("{why:?}"))?;
            if rows.len() == ATTEMPTS as usize { Ok(()) } else { Err("attempts are missing".into()) }
        })?;
        println!("| {name} | {least:.1} | {middle:.1} |");
    }
    println!("load after the last {}", load());
    Ok(())
}
