//! What several trainees' attempts say together: a row for each, one for each case and station, who stands out, which teaching point is
//! missed most, and how results go on over the number of the attempt. All with one device; pure functions of attempts.
//!
//! Intervals are 95 %. Those of shares are Wilson's and take attempts to be independent; attempts of one trainee are more alike than
//! that, so that over several trainees they are somewhat too narrow. Means have t intervals over trainees at one attempt number, where
//! each counts once.

use super::course::{Course, Designs, Stated};
use super::difficulty;
use super::measure::{COMPONENTS, Component, Measure, Outcome};
use super::rows::{Done, Group};
use crate::statistics::funnel::{Standing, standing};
use crate::statistics::lc_cusum::{Point, Signal};
use crate::statistics::rate::Rate;
use statrs::distribution::{ContinuousCDF, StudentsT};
use std::collections::BTreeMap;

/// What some attempts come to.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Tally {
    /// Passed.
    pub passed: Rate,
    /// With a simulated breach.
    pub breached: Rate,
    /// Mean score.
    pub score: Option<f64>,
    /// Mean prediction error, and of how many attempts.
    pub prediction_error: Option<(f64, usize)>,
}

fn mean(values: impl Iterator<Item = f64>) -> Option<(f64, usize)> {
    let (sum, count) = values.fold((0.0, 0), |(sum, count), value| (sum + value, count + 1));
    (count > 0).then(|| (sum / count as f64, count))
}

impl Tally {
    fn of(attempts: &[&Done]) -> Self {
        Self {
            passed: attempts.iter().map(|done| done.passed).sum(),
            breached: attempts.iter().map(|done| done.is_breached).sum(),
            score: mean(attempts.iter().filter_map(|done| done.score)).map(|(mean, _)| mean),
            prediction_error: mean(attempts.iter().filter_map(|done| done.prediction_error)),
        }
    }
}

/// A trainee among others.
#[derive(Clone, Debug, PartialEq)]
pub struct Person {
    /// Pseudonym.
    pub trainee: String,
    /// What the attempts come to.
    pub tally: Tally,
    /// How passing goes on.
    pub passing: Course,
    /// How many of the components that were judged often enough to be called shown are.
    pub components_shown: (usize, usize),
    /// Where the share passed lies among the others.
    pub standing: Option<Standing>,
    /// The same for breaches.
    pub breach_standing: Option<Standing>,
}

impl Person {
    /// The attempt at which competence in passing was shown first.
    pub fn shown_at(&self) -> Option<u32> {
        let competence = self.passing.charts.as_ref()?.competence.as_ref().ok()?;
        competence.shown_at().map(|(n, _)| n)
    }
}

/// A case or a station.
#[derive(Clone, Debug, PartialEq)]
pub struct Part {
    /// Its name.
    pub name: String,
    /// Trainees.
    pub trainees: usize,
    /// What the attempts come to.
    pub tally: Tally,
    /// Difficulty of a case, where it is known.
    pub difficulty: Option<f64>,
    /// Where the share passed lies among all.
    pub standing: Option<Standing>,
}

impl Part {
    fn of(name: &str, own: &[&Done], difficulty: Option<f64>, all_passed: Rate) -> Self {
        let tally = Tally::of(own);
        Self {
            name: name.to_owned(),
            trainees: by_trainee(own).len(),
            difficulty,
            standing: stands(all_passed, tally.passed),
            tally,
        }
    }
}

/// How often a component was missed.
#[derive(Clone, Debug, PartialEq)]
pub struct Missed {
    /// The component.
    pub component: &'static Component,
    /// How often, of the attempts in which it was judged.
    pub rate: Rate,
    /// By how many of the trainees in half of their attempts or more.
    pub trainees: Rate,
}

/// Trainees together at an attempt number.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Together {
    /// The attempt number.
    pub n: u32,
    /// Share, or mean.
    pub value: f64,
    /// Lower end of the interval.
    pub low: f64,
    /// Upper end.
    pub high: f64,
    /// Of so many trainees.
    pub of: u32,
}

/// A cohort with one device.
#[derive(Clone, Debug, PartialEq)]
pub struct Cohort {
    /// With what.
    pub device: String,
    /// All attempts together.
    pub tally: Tally,
    /// Its trainees, by pseudonym.
    pub people: Vec<Person>,
    /// Its cases, by name.
    pub cases: Vec<Part>,
    /// Its stations, by name.
    pub stations: Vec<Part>,
    /// Components, those missed most often first, by the lower ends of their intervals: what was judged a few times is no headline.
    pub missed: Vec<Missed>,
}

/// Fewest trainees that are drawn together at an attempt number: fewer than three are no group.
pub const FEWEST_TOGETHER: u32 = 3;

/// Attempts in order, by trainee.
pub fn by_trainee<'a>(attempts: &[&'a Done]) -> BTreeMap<&'a str, Vec<&'a Done>> {
    grouped(attempts, |done| done.trainee.as_str())
}

fn grouped<'a, K: Ord>(attempts: &[&'a Done], key: impl Fn(&'a Done) -> K) -> BTreeMap<K, Vec<&'a Done>> {
    let mut groups: BTreeMap<K, Vec<&Done>> = BTreeMap::new();
    for done in attempts {
        groups.entry(key(done)).or_default().push(done);
    }
    groups
}

/// Where a share lies about a target; `None` where there is no telling, as where all or none passed.
fn stands(target: Rate, rate: Rate) -> Option<Standing> {
    if rate.of == 0 { None } else { standing(target.share(), rate).ok() }
}

impl Cohort {
    /// Of attempts with one device, in order.
    pub fn of(device: &str, attempts: &[&Done], stated: &Stated, designs: &mut Designs) -> Self {
        let tally = Tally::of(attempts);
        let person = |(trainee, own): (&str, Vec<&Done>)| {
            let own_tally = Tally::of(&own);
            let passing = Course::of(Measure::Pass, device, &own, stated, designs);
            let is_shown = |component| is_shown(&own, component, stated, designs);
            let shown: Vec<bool> = COMPONENTS.iter().filter_map(is_shown).collect();
            Person {
                trainee: trainee.to_owned(),
                passing,
                components_shown: (shown.iter().filter(|shown| **shown).count(), shown.len()),
                standing: stands(tally.passed, own_tally.passed),
                breach_standing: stands(tally.breached, own_tally.breached),
                tally: own_tally,
            }
        };
        let people: Vec<Person> = by_trainee(attempts).into_iter().map(person).collect();
        let part = |name: &str, own: &[&Done], difficulty| Part::of(name, own, difficulty, tally.passed);
        let cases = grouped(attempts, |done| (done.scenario.as_str(), done.case_hash.as_str()));
        let cases =
            cases.iter().map(|((name, hash), own)| part(name, own, difficulty::of(hash, Measure::Pass))).collect();
        let stations = grouped(attempts, |done| done.station.as_str());
        let stations = stations.iter().map(|(name, own)| part(name, own, None)).collect();
        let missed = missed(attempts);
        Self { device: device.to_owned(), tally, people, cases, stations, missed }
    }

    /// Its groups among the same attempts, and who is in none; none where there are no groups.
    pub fn of_groups(&self, attempts: &[&Done], groups: &[Group]) -> Vec<Part> {
        let of = |done: &Done| groups.iter().position(|group| group.trainees.contains(&done.trainee));
        // Those in no group come last.
        let own = grouped(attempts, |done| of(done).unwrap_or(groups.len()));
        let name = |at: usize| groups.get(at).map_or("in none", |group| group.name.as_str());
        let parts = own.iter().map(|(at, own)| Part::of(name(*at), own, None, self.tally.passed));
        parts.filter(|_| !groups.is_empty()).collect()
    }
}

/// Was competence in a component shown? `None` where it was never judged.
fn is_shown(own: &[&Done], component: &'static Component, stated: &Stated, designs: &mut Designs) -> Option<bool> {
    let measure = Measure::Component(component);
    let good: Vec<bool> = own
        .iter()
        .filter_map(|done| match done.outcome(measure)? {
            Outcome::Good(good) => Some(good),
            Outcome::Value(_) => None,
        })
        .collect();
    let points = designs.of(stated.shares(measure)?, stated).ok()?.chart(&good).ok()?;
    Some(points.iter().any(|point: &Point| point.is_signal && point.watched == Signal::Shown))
}

fn missed(attempts: &[&Done]) -> Vec<Missed> {
    let people = by_trainee(attempts);
    let of = |component: &'static Component| {
        let rate_of = |own: &[&Done]| -> Rate {
            let outcomes = own.iter().filter_map(|done| done.outcome(Measure::Component(component)));
            outcomes.map(|outcome| outcome == Outcome::Good(false)).sum()
        };
        let own: Vec<Rate> = people.values().map(|own| rate_of(own)).filter(|rate| rate.of > 0).collect();
        let trainees = own.iter().map(|rate| rate.share() >= 0.5).sum();
        Missed { component, rate: rate_of(attempts), trainees }
    };
    let mut missed: Vec<Missed> = COMPONENTS.iter().map(of).filter(|missed| missed.rate.of > 0).collect();
    missed.sort_by(|a, b| b.rate.wilson().0.total_cmp(&a.rate.wilson().0));
    missed
}

/// Trainees together by attempt number, from the first to the last that at least [`FEWEST_TOGETHER`] of them have reached; harm is
/// told as harm. Each trainee counts once at each number.
pub fn together(measure: Measure, people: &[Vec<Option<Outcome>>]) -> Vec<Together> {
    in_blocks(measure, people, 1)
}

/// The same, so many attempt numbers together, each told by the first of them. Of a value each trainee's mean counts once, of a share
/// each attempt.
pub fn in_blocks(measure: Measure, people: &[Vec<Option<Outcome>>], block: usize) -> Vec<Together> {
    let most = people.iter().map(Vec::len).max().unwrap_or(0);
    let point = |at: usize| {
        let own = people.iter().map(|own| own.iter().skip(at).take(block).flatten().copied().collect::<Vec<Outcome>>());
        let own: Vec<Vec<Outcome>> = own.filter(|own| !own.is_empty()).collect();
        let (n, of) = (u32::try_from(at).ok()? + 1, u32::try_from(own.len()).ok()?);
        if of < FEWEST_TOGETHER {
            return None;
        }
        let (value, low, high) = match measure.range() {
            None => {
                let is_meant = |outcome: &Outcome| *outcome == Outcome::Good(measure != Measure::Breach);
                let rate: Rate = own.iter().flatten().map(is_meant).sum();
                let (low, high) = rate.wilson();
                (rate.share(), low, high)
            }
            Some(range) => mean_with_interval(&own, range)?,
        };
        Some(Together { n, value, low, high, of })
    };
    (0..most).step_by(block.max(1)).filter_map(point).collect()
}

/// What came of attempts in a measure, by trainee.
pub fn outcomes(measure: Measure, attempts: &[&Done]) -> Vec<Vec<Option<Outcome>>> {
    let of = |own: &Vec<&Done>| own.iter().map(|done| done.outcome(measure)).collect();
    by_trainee(attempts).values().map(of).collect()
}

fn mean_with_interval(own: &[Vec<Outcome>], range: (f64, f64)) -> Option<(f64, f64, f64)> {
    let value = |outcome: &Outcome| if let Outcome::Value(value) = outcome { Some(*value) } else { None };
    let values: Vec<f64> =
        own.iter().filter_map(|own| mean(own.iter().filter_map(value)).map(|(mean, _)| mean)).collect();
    let (mean, count) = mean(values.iter().copied())?;
    let freedom = (count as f64) - 1.0;
    let variance = values.iter().map(|value| (value - mean).powi(2)).sum::<f64>() / freedom;
    let half = StudentsT::new(0.0, 1.0, freedom).ok()?.inverse_cdf(0.975) * (variance / count as f64).sqrt();
    Some((mean, (mean - half).max(range.0), (mean + half).min(range.1)))
}
