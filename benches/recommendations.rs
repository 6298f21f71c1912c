//! Are recommendations honest? What a what-if recommends is done anew, by hands and in lenses that had no part in it, and it is
//! counted how often what comes of it lies in the interval that was stated.
//!
//! Run with `cargo bench --no-default-features --bench recommendations`. Each attempt is a shipped case's poor plan, carried out by
//! hands that miss twice as far as trained ones, in a lens of its own; each is asked about one outcome, drawn from those it has. The
//! same figures come on any machine and with any number of threads. A number after `--` is that of the recommendations after which
//! no more attempts are made.
#![allow(missing_docs, reason = "a program of its own")]

use corecleft::attempt::{Attempt, Device, Header};
use corecleft::case::{CaseSpec, Resolution, compile, read_case};
use corecleft::debrief::whatif::anew::anew;
use corecleft::debrief::whatif::change::Change;
use corecleft::debrief::whatif::{Alternative, REPEATS, WhatIf, askable, whatif};
use corecleft::debrief::{Course, Debrief};
use corecleft::plan::{PlanSpec, Scatter, read_plan};
use corecleft::sim::Model;
use corecleft::sim::event::EventIndex;
use corecleft::sim::random::{Key, Purpose};
use corecleft::statistics::rate::Rate;
use std::collections::BTreeMap;
use std::error::Error;
use std::ops::Range;
use std::path::Path;
use std::time::Instant;

const CASES: [&str; 10] = [
    "dense-large",
    "last-piece-lax-capsule",
    "leathery-plate",
    "long-eye-dense-core",
    "medium-uniform",
    "misleading-slit-lamp",
    "off-centre-core",
    "poor-hydrodissection",
    "soft-nucleus",
    "weak-zonules",
];

/// Recommendations after which no more attempts are made, and most attempts at each case.
const ENOUGH: usize = 48;
const ATTEMPTS: u64 = 12;

/// Hands that do anew what is recommended, and what was done, for each recommendation; and other lenses, a hand for each.
const HANDS: u64 = 150;
const UNCHANGED: u64 = 100;
const LENSES: u64 = 10;

/// Seeds of the attempts' hands, and of those that do it anew: none of the what-if's.
const BY: u64 = 1 << 40;
const ANEW: u64 = 1 << 41;

/// Eye's time after which an attempt is cut off, s: what comes later is not asked about.
const LONGEST_S: f64 = 30.0;

/// What was recommended and what came of it.
struct Found {
    case: &'static str,
    seed: u64,
    kind: String,
    advice: String,
    /// The rate by which it was chosen, and the one that is told.
    chosen_by: Rate,
    stated: Rate,
    stated_difference: (f64, f64),
    /// By other hands, with it and without.
    with: Rate,
    without: Rate,
    /// In other lenses.
    elsewhere: Rate,
}

/// Is a share within the interval of a rate, but for rounding?
fn is_within(stated: &Rate, share: f64) -> bool {
    let (low, high) = stated.wilson();
    (low - 1e-12..=high + 1e-12).contains(&share)
}

impl Found {
    fn is_within(&self) -> bool {
        is_within(&self.stated, self.with.share())
    }

    /// Would it have been, without counting once more?
    fn was_within(&self) -> bool {
        is_within(&self.chosen_by, self.with.share())
    }

    fn difference(&self) -> f64 {
        self.with.share() - self.without.share()
    }

    fn is_difference_within(&self) -> bool {
        let (low, high) = self.stated_difference;
        (low - 1e-12..=high + 1e-12).contains(&self.difference())
    }
}

fn attempt(case: &CaseSpec, model: &Model, name: &str, plan: &PlanSpec, seed: u64) -> Result<Attempt, String> {
    let plan = plan.by_hand(&Scatter::TRAINED.wider(2.0), BY + seed);
    let course = Course::of_plan(model, &plan).ok_or(format!("{name}: takes too long"))?;
    let debrief = Debrief::of(&course.facts(case, model));
    Ok(course.attempt(Header::new(name, "", seed, Device::Plan("poor".into())), &debrief))
}

/// The word of an event's kind.
fn kind(attempt: &Attempt, event: EventIndex) -> String {
    let kind = attempt.events.get(event as usize).map(|e| format!("{:?}", e.kind)).unwrap_or_default();
    kind.split(|c: char| !c.is_alphanumeric()).next().unwrap_or_default().to_owned()
}

/// One outcome of an attempt: a kind is drawn, so that what happens often is not asked about all the time, and the first of it
/// taken.
fn drawn(model: &Model, attempt: &Attempt, seed: u64, case: usize) -> Option<EventIndex> {
    let can = askable(attempt, || true)?;
    let mut first: BTreeMap<String, EventIndex> = BTreeMap::new();
    for (event, of) in (0..).zip(&attempt.events) {
        let is_early = of.tick as f64 * model.tick_s <= LONGEST_S;
        if is_early && can.get(event as usize).is_some_and(Result::is_ok) {
            first.entry(kind(attempt, event)).or_insert(event);
        }
    }
    let share = Key { seed, purpose: Purpose::Hands, place: [case as i32, 2, 0], tick: 0 }.uniform(0);
    let at = (share * first.len() as f64) as usize;
    first.into_values().nth(at)
}

/// What an answer recommends, each once.
fn recommended(answer: &WhatIf) -> Vec<&Alternative> {
    let mut places: Vec<usize> = answer.latest_sufficient.into_iter().chain(answer.earliest_easy).collect();
    places.dedup();
    places.into_iter().filter_map(|at| answer.alternatives.get(at)).collect()
}

fn models(case: &CaseSpec, seeds: impl Iterator<Item = u64>) -> Result<Vec<Model>, String> {
    let compiled = |seed| compile(case, seed, Resolution::default()).map_err(|why| format!("{why:?}"));
    seeds.map(|seed| Ok(compiled(seed)?.model)).collect()
}

/// One attempt, asked and answered; what was recommended, done anew.
fn found(at: usize, seed: u64) -> Result<Vec<Found>, Box<dyn Error>> {
    let name = CASES[at];
    let folder = Path::new("scenarios");
    let case = read_case(&folder.join(format!("{name}.ron"))).map_err(|faults| format!("{faults:?}"))?.spec;
    let plan = read_plan(&folder.join(format!("{name}.poor.plan.ron"))).map_err(|faults| format!("{faults:?}"))?.0;
    let model = models(&case, std::iter::once(seed))?.remove(0);
    let attempt = attempt(&case, &model, name, &plan, seed)?;
    let Some(event) = drawn(&model, &attempt, seed, at) else { return Ok(Vec::new()) };
    let answer = whatif(&case, &model, &attempt, event, REPEATS, 0, |_| true)?;
    let unchanged: Vec<String> = answer.unchanged.iter().map(|(_, _, r)| format!("{}/{}", r.count, r.of)).collect();
    println!("{name}, {seed}: {} {event}; without a change {}", kind(&attempt, event), unchanged.join(" "));
    let mut all = Vec::new();
    for advice in recommended(&answer) {
        let again = |model: &Model, changes: &[Change], seeds: Range<u64>| {
            anew(&case, model, &attempt, &answer, (advice.moment, changes), seeds)
        };
        let with = again(&model, &advice.changes, ANEW..ANEW + HANDS)?;
        let without = again(&model, &[], ANEW..ANEW + UNCHANGED)?;
        let others = models(&case, (1..=LENSES).map(|n| 1000 * n + seed))?;
        let elsewhere: Result<Vec<bool>, _> = (ANEW..)
            .zip(&others)
            .map(|(hand, model)| Ok(again(model, &advice.changes, hand..hand + 1)?.count == 1))
            .collect::<Result<_, Box<dyn Error>>>();
        let found = Found {
            case: name,
            seed,
            kind: kind(&attempt, event),
            advice: format!("{} {}, {}", advice.what(), advice.value(), advice.moment.when()),
            chosen_by: advice.chosen_by.unwrap_or(advice.avoided),
            stated: advice.avoided,
            stated_difference: (advice.difference.1, advice.difference.2),
            with,
            without,
            elsewhere: elsewhere?.into_iter().sum(),
        };
        println!(
            "  {}: chosen by {}/{}, stated {}/{}, anew {}/{} ({}), difference {:+.2} to {:+.2}, anew {:+.2} ({}), other lenses {}/{}",
            found.advice,
            found.chosen_by.count,
            found.chosen_by.of,
            found.stated.count,
            found.stated.of,
            with.count,
            with.of,
            if found.is_within() { "within" } else { "outside" },
            found.stated_difference.0,
            found.stated_difference.1,
            found.difference(),
            if found.is_difference_within() { "within" } else { "outside" },
            found.elsewhere.count,
            found.elsewhere.of,
        );
        all.push(found);
    }
    Ok(all)
}

fn say(what: &str, rate: Rate) {
    let (low, high) = rate.wilson();
    let percent = |share: f64| 100.0 * share;
    println!(
        "{what}: {} of {}, {:.0} % ({:.0}–{:.0} %)",
        rate.count,
        rate.of,
        percent(rate.share()),
        percent(low),
        percent(high)
    );
}

fn main() -> Result<(), Box<dyn Error>> {
    let begun = Instant::now();
    let mut all: Vec<Found> = Vec::new();
    let enough = std::env::args().find_map(|word| word.parse().ok()).unwrap_or(ENOUGH);
    let mut attempts = 0;
    for (seed, at) in (1..=ATTEMPTS).flat_map(|seed| (0..CASES.len()).map(move |at| (seed, at))) {
        if all.len() < enough {
            all.extend(found(at, seed)?);
            attempts += 1;
        }
    }
    let share =
        |rates: &dyn Fn(&Found) -> Rate| all.iter().map(|f| rates(f).share()).sum::<f64>() / all.len().max(1) as f64;
    println!();
    println!("{} recommendations of {attempts} attempts", all.len());
    say("rates anew within what was stated", all.iter().map(Found::is_within).sum());
    say("the same of the rates by which they were chosen", all.iter().map(Found::was_within).sum());
    say("differences anew within what was stated", all.iter().map(Found::is_difference_within).sum());
    say("helped at all", all.iter().map(|f| f.difference() > 0.0).sum());
    println!(
        "mean rate chosen by {:.3}, stated {:.3}, anew {:.3}, without {:.3}, in other lenses {:.3}",
        share(&|f| f.chosen_by),
        share(&|f| f.stated),
        share(&|f| f.with),
        share(&|f| f.without),
        share(&|f| f.elsewhere)
    );
    let below = |f: &&Found| f.with.share() < f.stated.wilson().0;
    say("of all, below what was stated", all.iter().map(|f| below(&f)).sum());
    let mut kinds: BTreeMap<&str, Vec<bool>> = BTreeMap::new();
    all.iter().for_each(|f| kinds.entry(&f.kind).or_default().push(f.is_within()));
    for (kind, within) in kinds {
        println!("  {kind}: {} of {}", within.iter().filter(|is| **is).count(), within.len());
    }
    for f in all.iter().filter(|f| !f.is_within()) {
        println!("  outside: {}, {}: {}", f.case, f.seed, f.advice);
    }
    println!("{:.0} s", begun.elapsed().as_secs_f64());
    Ok(())
}
