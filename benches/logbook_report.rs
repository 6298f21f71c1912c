//! What curves and reports of a large record take: 100,000 attempts of 50 people, each a first attempt on an unseen eye, in a file.
//!
//! The attempts are invented and as small as can be (no inputs, some 3 kB each): analysis reads columns and no bodies, so that larger
//! ones would take the same. They go in through the store's own door. `cargo bench --no-default-features --features logbook --bench
//! logbook_report`; `CORECLEFT_KEEP=FILE` keeps the store, and takes it where it is there; it may be a database on a server, as
//! `postgres://USER@HOST/DATABASE`.
#![allow(clippy::unwrap_used, reason = "a bench that cannot go on stops")]

#[path = "../tests/common/cohort.rs"]
#[allow(dead_code, reason = "tests use the rest")]
mod cohort;

use cohort::{hand, hand_in, learner, made, person};
use corecleft::logbook::analysis::cohort::together;
use corecleft::logbook::analysis::{Course, Depth, Designs, Measure, Stated, Wanted};
use corecleft::logbook::entry::Purpose;
use corecleft::logbook::report::{Sources, of_cohort, of_trainee};
use corecleft::logbook::{Logbook, Opening};
use std::path::Path;
use std::time::Instant;

const PEOPLE: u64 = 50;
const EACH: u64 = 2000;
const AT_ONCE: usize = 500;

/// Runs of each; the least and the middle are told.
const RUNS: usize = 5;

/// Time on a processor so far, ms; where the system tells it. On a busy machine it says more than the clock.
fn on_processor_ms() -> Option<f64> {
    let told = std::fs::read_to_string("/proc/thread-self/schedstat").ok()?;
    told.split(' ').next()?.parse::<f64>().ok().map(|ns| ns / 1e6)
}

fn timed(what: &str, asked_ms: Option<f64>, mut work: impl FnMut() -> usize) {
    let mut taken: Vec<(f64, Option<f64>)> = Vec::new();
    let mut size = 0;
    for _ in 0..RUNS {
        let (begun, on_processor) = (Instant::now(), on_processor_ms());
        size = work();
        let on_processor = on_processor_ms().zip(on_processor).map(|(after, before)| after - before);
        taken.push((begun.elapsed().as_secs_f64() * 1e3, on_processor));
    }
    taken.sort_by(|a, b| a.0.total_cmp(&b.0));
    let least = taken.iter().filter_map(|(_, ms)| *ms).reduce(f64::min);
    let least = least.map_or(String::new(), |ms| format!(", of it on a processor {ms:.0} ms"));
    let asked = asked_ms.map_or(String::new(), |ms| format!(", asked for {ms:.0}"));
    println!("{what}: least {:.0} ms, middle {:.0} ms{least}{asked} ({size})", taken[0].0, taken[RUNS / 2].0);
}

fn main() {
    let folder = tempfile::tempdir().unwrap();
    let address = std::env::var("CORECLEFT_KEEP")
        .unwrap_or_else(|_| folder.path().join("bench.logbook").to_str().unwrap().to_owned());
    let begun = Instant::now();
    let mut book = made(Path::new(&address));
    let is_new = book.head().unwrap().seq == 0;
    for number in (0..PEOPLE).filter(|_| is_new) {
        for part in learner(number, EACH, &hand("mouse")).chunks(AT_ONCE) {
            hand_in(
                &mut book,
                if number % 2 == 0 { "Room 1" } else { "Room 2" },
                &person(number),
                Purpose::Assessment,
                part,
            );
        }
    }
    drop(book);
    let entries = PEOPLE * EACH;
    println!("{entries} entries of {PEOPLE} people made in {:.0} s; load {}", begun.elapsed().as_secs_f64(), load());
    let open = || Logbook::open(&address, Opening::default()).unwrap();
    for (component, asked_ms) in
        [("pass", Some(200.0)), ("score", Some(200.0)), ("breach", Some(200.0)), ("division", Some(200.0))]
    {
        let measure: Measure = component.parse().unwrap();
        timed(&format!("cohort curve, {component}"), asked_ms, || {
            let (_, all) = open().outcomes(&Wanted::default(), measure).unwrap();
            all.iter().map(|all| together(measure, &all.people).len()).sum()
        });
    }
    let wanted = Wanted { trainee: Some(person(7).to_string()), ..Wanted::default() };
    for component in ["pass", "score", "division"] {
        let measure: Measure = component.parse().unwrap();
        timed(&format!("one trainee's curve, {component}"), None, || {
            let found = open().done(&wanted, Depth::of(measure)).unwrap();
            let own: Vec<_> = found.attempts.iter().collect();
            Course::of(measure, "mouse", &own, &Stated::default(), &mut Designs::default()).steps.len()
        });
    }
    let report = |wanted: &Wanted| {
        let mut book = open();
        let found = book.done(wanted, Depth::Everything).unwrap();
        let (head, signed_off) = (book.head().unwrap(), book.signed_off().unwrap());
        let stated = Stated::default();
        let sources = Sources { wanted, groups: &[], found: &found, stated: &stated, head, signed_off: &signed_off };
        if wanted.trainee.is_some() { of_trainee(&sources).len() } else { of_cohort(&sources).len() }
    };
    timed("report of 50 trainees, bytes", Some(5000.0), || report(&Wanted::default()));
    timed("report of one trainee, bytes", None, || report(&wanted));
    println!("load {}", load());
}

fn load() -> String {
    std::fs::read_to_string("/proc/loadavg").unwrap_or_else(|_| "not known".to_owned()).trim().to_owned()
}
