//! The record: attempts of some 20 kB added a second, in one process, into a file on this machine's disk; and into an empty database on a
//! server, where `CORECLEFT_BENCH_SERVER` names one (`postgres://USER@HOST/DATABASE`).
//!
//! What is timed is what `logbook add` does but for reading the folder: the file's bytes are read as an attempt, its hash and what it
//! says are taken, and it is committed with 255 others, forced to the disk. The attempts are made beforehand from a good plan by hands
//! that tremble, each with another seed; they are by 50 trainees. `CORECLEFT_BENCH_ENTRIES` says how many (100,000).
//!
//! Run with `cargo bench --no-default-features --features logbook --bench logbook`.
#![allow(missing_docs, reason = "a program of its own")]

use corecleft::attempt::{Attempt, Device, Header, Record};
use corecleft::case::{Resolution, SHIPPED, compile, parse_case};
use corecleft::debrief::{Course, Debrief};
use corecleft::logbook::entry::Purpose;
use corecleft::logbook::listing::Wanted;
use corecleft::logbook::proof::Sample;
use corecleft::logbook::submission::Kinds;
use corecleft::logbook::{Author, Logbook, Opening, Pseudonym, Submission};
use corecleft::plan::parse_plan;
use rayon::prelude::*;
use std::time::Instant;

const BYTES: usize = 20_000;
const TRAINEES: u64 = 50;
const AT_ONCE: usize = 256;

/// A good attempt, and the same hands trembling until its file has so many bytes.
fn attempt() -> Result<Attempt, Box<dyn std::error::Error>> {
    let name = "medium-uniform";
    let text = include_str!("../scenarios/medium-uniform.ron");
    let case = parse_case(name, text).map_err(|faults| format!("{faults:?}"))?;
    let plan = include_str!("../scenarios/medium-uniform.good.plan.ron");
    let (plan, _) = parse_plan(name, plan).map_err(|faults| format!("{faults:?}"))?;
    let model = compile(&case.spec, 1, Resolution::default()).map_err(|problems| format!("{problems:?}"))?.model;
    let course = Course::of_plan(&model, &plan).ok_or("an endless plan")?;
    let debrief = Debrief::of(&course.facts(&case.spec, &model));
    let mut attempt = course.attempt(Header::new(name, text, 1, Device::Person("keys".into())), &debrief);
    let mut record = Record::default();
    let calm: Vec<_> = attempt.record.inputs().collect();
    let mut tick = 0_u64;
    while attempt.to_bytes().len() < BYTES {
        for inputs in calm.iter().cycle().skip(tick as usize % calm.len()).take(240) {
            let drawn = *blake3::hash(&tick.to_le_bytes()).as_bytes();
            let tremor = |at: usize| (f64::from(drawn[at]) - 127.5) * 1e-4;
            let mut inputs = inputs.clone();
            inputs.needle.insertion_mm += tremor(0);
            inputs.needle.elevation_rad += 0.1 * tremor(1);
            record.keep(&inputs);
            tick += 1;
        }
        attempt.record = record.clone();
    }
    Ok(attempt)
}

/// Processor time of this process so far, s, where the system tells: on a machine that others use too, it says more than the clock.
fn processor_s() -> Option<f64> {
    let stat = std::fs::read_to_string("/proc/self/stat").ok()?;
    let mut fields = stat.rsplit(')').next()?.split_whitespace().skip(11);
    let ticks = fields.next()?.parse::<f64>().ok()? + fields.next()?.parse::<f64>().ok()?;
    Some(ticks / 100.0)
}

/// Fill a store and look at it.
fn measured(address: &str, model: &Attempt, wanted: usize) -> Result<(), Box<dyn std::error::Error>> {
    let mut book = Logbook::open(address, Opening { is_made: true, ..Opening::default() })?;
    if book.head()?.seq > 0 {
        return Err("holds something already; allowed: an empty database".into());
    }
    let author = Author { station: "bench", key: None };
    let (mut reading_s, mut used_s) = (0.0, Some(0.0));
    let (kinds, mut spent_s, mut bytes, mut slowest_s, mut done) = (Kinds::default(), 0.0, 0, 0.0_f64, 0);
    while done < wanted {
        let count = AT_ONCE.min(wanted - done);
        let files: Vec<Vec<u8>> = (done..done + count)
            .into_par_iter()
            .map(|number| {
                let mut attempt = model.clone();
                attempt.header.seed = number as u64;
                attempt.to_bytes()
            })
            .collect();
        bytes += files.iter().map(Vec::len).sum::<usize>();
        let trainee = Pseudonym::of_random(((done / AT_ONCE) as u64 % TRAINEES * 7919).to_le_bytes());
        let (begun, used_before_s) = (Instant::now(), processor_s());
        let read: Result<Vec<Submission>, _> =
            files.into_par_iter().map(|file| Submission::of_bytes(file, 0, &kinds, false)).collect();
        let read = read?;
        reading_s += begun.elapsed().as_secs_f64();
        book.submit(&author, &trainee, Purpose::Assessment, &read)?;
        used_s = used_s.zip(used_before_s).zip(processor_s()).map(|((sum, before), after)| sum + after - before);
        let took_s = begun.elapsed().as_secs_f64();
        spent_s += took_s;
        slowest_s = slowest_s.max(took_s);
        done += count;
    }
    println!(
        "{done} entries of {:.1} kB added in {spent_s:.1} s: {:.0} a second; the slowest batch of {AT_ONCE} took {slowest_s:.2} s",
        bytes as f64 / done as f64 / 1000.0,
        done as f64 / spent_s
    );
    println!(
        "of that, reading the files {reading_s:.1} s; this process's processor time in all {:.1} s",
        used_s.unwrap_or(f64::NAN)
    );
    let begun = Instant::now();
    let listed = book.list(&Wanted { last: Some(1000), ..Wanted::default() })?.len();
    println!("the last {listed} entries listed in {:.0} ms", 1e3 * begun.elapsed().as_secs_f64());
    let begun = Instant::now();
    let report = book.verify(Sample::Some { count: 0, seed: 0 }, None, |_| ())?;
    let took_s = begun.elapsed().as_secs_f64();
    println!("all of it checked, nothing done again, in {took_s:.1} s; {} faults", report.faults.len());
    Ok(())
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let wanted: usize = std::env::var("CORECLEFT_BENCH_ENTRIES").ok().and_then(|n| n.parse().ok()).unwrap_or(100_000);
    println!("{} cases are shipped; the record is filled with attempts at one of them", SHIPPED.len());
    let model = attempt()?;
    let folder = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR"))?;
    let path = folder.path().join("bench.logbook");
    println!("In a file, load {}:", load());
    measured(path.to_str().ok_or("a path that is no text")?, &model, wanted)?;
    println!("the store has {:.0} MB", std::fs::metadata(&path)?.len() as f64 / 1e6);
    drop(folder);
    match std::env::var("CORECLEFT_BENCH_SERVER") {
        Ok(address) => {
            println!("On a server, load {}:", load());
            measured(&address, &model, wanted)?;
        }
        Err(_) => println!("Left out: the same on a server; CORECLEFT_BENCH_SERVER names none"),
    }
    println!("load {}", load());
    Ok(())
}

fn load() -> String {
    std::fs::read_to_string("/proc/loadavg").unwrap_or_else(|_| "not known".to_owned()).trim().to_owned()
}
