//! What was read of a record as rows and charts of its pages, sorted and chosen. Pure functions. Shares 0–1.

use crate::app::panels::chart::{Chart, ChartLine, Kind, Level, Mark, Stroke};
use crate::app::panels::review::{AttemptColumn, AttemptRow, Came, MissedRow, PersonColumn, PersonRow, Which};
use crate::logbook::analysis::cohort::{Cohort, Missed, Person};
use crate::logbook::analysis::course::{Competence, Course, Wald};
use crate::logbook::analysis::measure::Outcome;
use crate::logbook::analysis::{Measure, Purposes, words};
use crate::logbook::listing::Listed;
use crate::statistics::cusum::Line;
use crate::statistics::funnel::{self, Limits, Standing};
use crate::statistics::lc_cusum::Signal;
use std::cmp::Ordering;
use std::collections::{HashMap, HashSet};

/// Trainees whose pseudonyms have this in them, sorted by a column, the largest first where that is asked.
pub fn people(cohort: &Cohort, find: &str, (by, is_descending): (PersonColumn, bool)) -> Vec<PersonRow> {
    let find = find.trim().to_uppercase();
    let mut found: Vec<&Person> =
        cohort.people.iter().filter(|person| person.trainee.to_uppercase().contains(&find)).collect();
    found.sort_by(|a, b| {
        let order = match by {
            PersonColumn::Trainee => a.trainee.cmp(&b.trainee),
            _ => number(a, by).total_cmp(&number(b, by)),
        };
        if is_descending { order.reverse() } else { order }
    });
    found.into_iter().map(person).collect()
}

/// The number that a column is sorted by; who has none comes behind all others going up.
fn number(person: &Person, by: PersonColumn) -> f64 {
    let tally = &person.tally;
    let none = f64::INFINITY;
    match by {
        PersonColumn::Trainee => 0.0,
        PersonColumn::Attempts => f64::from(tally.passed.of),
        PersonColumn::Passed => tally.passed.share(),
        PersonColumn::Score => tally.score.unwrap_or(none),
        PersonColumn::Breached => tally.breached.share(),
        PersonColumn::Error => tally.prediction_error.map_or(none, |(error, _)| error),
        PersonColumn::Shown => person.shown_at().map_or(none, f64::from),
        PersonColumn::Among => person.standing.map_or(none, |standing| match standing {
            Standing::FarLow => -2.0,
            Standing::Low => -1.0,
            Standing::Within => 0.0,
            Standing::High => 1.0,
            Standing::FarHigh => 2.0,
        }),
    }
}

fn person(person: &Person) -> PersonRow {
    let tally = &person.tally;
    PersonRow {
        trainee: person.trainee.clone(),
        cells: [
            tally.passed.of.to_string(),
            words::of_100(tally.passed),
            tally.score.map_or_else(|| "–".to_owned(), |score| format!("{score:.0}")),
            words::percent(tally.breached.share()).trim_end_matches(" %").to_owned(),
            tally.prediction_error.map_or_else(|| "–".to_owned(), |(error, _)| format!("{error:.2}")),
            person.shown_at().map_or_else(|| "not yet".to_owned(), |n| format!("● at {n}")),
            standing(person.standing).to_owned(),
        ],
        passed: tally.passed.share() as f32,
        is_beyond: is_beyond(person.standing),
    }
}

/// Where somebody lies among the others; with arrows, as the window's typeface has no triangles.
fn standing(standing: Option<Standing>) -> &'static str {
    match standing {
        None => "–",
        Some(Standing::Within) => "within",
        Some(Standing::Low) => "↓ below",
        Some(Standing::High) => "↑ above",
        Some(Standing::FarLow) => "↓↓ far below",
        Some(Standing::FarHigh) => "↑↑ far above",
    }
}

fn is_beyond(standing: Option<Standing>) -> bool {
    standing.is_some_and(|standing| standing != Standing::Within)
}

/// Components, those missed most first.
pub fn missed(cohort: &Cohort) -> Vec<MissedRow> {
    let row = |Missed { component, rate, trainees }: &Missed| MissedRow {
        label: component.label,
        share: rate.share() as f32,
        words: words::with_interval(*rate),
        trainees: format!("{} of {}", trainees.count, trainees.of),
    };
    cohort.missed.iter().map(row).collect()
}

/// How far a mark stands from the one that it would lie on, a share of the chart's width.
const BESIDE: f64 = 0.024;

/// The funnel of passing; `None` where there are no limits.
pub fn funnel(cohort: &Cohort) -> Option<Chart> {
    let target = cohort.tally.passed;
    let most = cohort.people.iter().map(|person| person.tally.passed.of).max()?.max(2);
    let end = (f64::from(most) * 1.08).ceil();
    let limits = funnel::drawn(target.share(), end as usize).ok()?;
    let line = |stroke, of: fn(&Limits) -> f64| ChartLine {
        kind: Kind::Quiet,
        stroke,
        points: limits.iter().map(|limits| [limits.n as f64, of(limits)]).collect(),
    };
    // Those with the same number and share stand side by side.
    let mut alike: HashMap<(u32, u32), u32> = HashMap::new();
    let mark = |person: &Person| {
        let rate = person.tally.passed;
        let before = alike.entry((rate.of, rate.count)).or_default();
        let aside = BESIDE * end * f64::from(*before);
        *before += 1;
        (rate.of > 0).then(|| Mark {
            at: [f64::from(rate.of) - aside, rate.share()],
            kind: match person.standing {
                Some(Standing::Low | Standing::High) => Kind::Bad,
                Some(Standing::FarLow | Standing::FarHigh) => Kind::Worse,
                _ => Kind::Own,
            },
            name: person.trainee.clone(),
        })
    };
    Some(Chart {
        axes: ("Attempts", "Passed, %"),
        x: (0.0, end),
        y: (-0.06, 1.06),
        is_share: true,
        told: format!(
            "Funnel of passing. Of all, {}; beyond the limits: {}.",
            words::with_interval(target),
            cohort.people.iter().filter(|person| is_beyond(person.standing)).count()
        ),
        band: Vec::new(),
        lines: vec![
            ChartLine {
                kind: Kind::Quiet,
                stroke: Stroke::Dotted,
                points: vec![[0.0, target.share()], [end, target.share()]],
            },
            line(Stroke::Dashed, |limits| limits.inner.0),
            line(Stroke::Dashed, |limits| limits.inner.1),
            line(Stroke::Solid, |limits| limits.outer.0),
            line(Stroke::Solid, |limits| limits.outer.1),
        ],
        levels: Vec::new(),
        marks: cohort.people.iter().filter_map(mark).collect(),
    })
}

/// A chart of a trainee's course; `None` where there is none.
pub fn chart(course: &Course, which: Which) -> Option<Chart> {
    let charts = course.charts.as_ref();
    match which {
        Which::Curve => Some(curve(course)),
        Which::Failures => Some(failures(charts?.wald.as_ref().ok()?, course)),
        Which::Competence => Some(competence(charts?.competence.as_ref().ok()?, course)),
    }
}

fn span(course: &Course) -> (f64, f64) {
    (0.5, course.steps.len().max(2) as f64 + 0.5)
}

fn curve(course: &Course) -> Chart {
    let drawn = course.drawn();
    let range = course.measure.range();
    // Of breaches the harm is drawn.
    let is_harm = course.measure == Measure::Breach;
    let mark = |step: &crate::logbook::analysis::course::Step| {
        let (value, kind) = match step.outcome? {
            Outcome::Value(value) => (value, Kind::Quiet),
            Outcome::Good(good) => (f64::from(good != is_harm), if good { Kind::Good } else { Kind::Bad }),
        };
        Some(Mark { at: [f64::from(step.n), value], kind, name: String::new() })
    };
    let (low, high) = range.unwrap_or((0.0, 1.0));
    let pad = 0.05 * (high - low);
    Chart {
        axes: ("Attempt", course.measure.drawn()),
        x: span(course),
        y: (low - pad, high + pad),
        is_share: range.is_none(),
        told: format!("{} {}", words::level(course), words::curve(course)),
        band: drawn.iter().map(|(n, _, low, high)| [f64::from(*n), *low, *high]).collect(),
        lines: vec![ChartLine {
            kind: Kind::Own,
            stroke: Stroke::Solid,
            points: drawn.iter().map(|(n, value, ..)| [f64::from(*n), *value]).collect(),
        }],
        levels: Vec::new(),
        marks: course.steps.iter().filter_map(mark).collect(),
    }
}

fn failures(wald: &Wald, course: &Course) -> Chart {
    let (below, above) = wald.lines;
    let sums = || wald.points.iter().map(|(_, point)| point.value);
    let (low, high) = (sums().fold(-below, f64::min), sums().fold(above, f64::max));
    let pad = 0.14 * (high - low);
    let run = |points: Vec<(f64, f64)>| line_of(points, Kind::Own, Stroke::Solid);
    let mark = |(n, point): &(u32, crate::statistics::cusum::Point)| {
        let kind = match point.crossed? {
            Line::Unacceptable => Kind::Bad,
            Line::Acceptable => Kind::Good,
        };
        Some(Mark { at: [f64::from(*n), point.value], kind, name: String::new() })
    };
    Chart {
        axes: (
            "Attempt",
            if course.measure == Measure::Breach { "Sum of simulated breaches" } else { "Sum of failures" },
        ),
        x: span(course),
        y: (low - pad, high + pad),
        is_share: false,
        told: course.charts.as_ref().map_or_else(String::new, words::wald),
        band: Vec::new(),
        lines: wald.runs().into_iter().map(run).collect(),
        levels: vec![
            Level { at: above, kind: Kind::Bad, word: "too many", is_below: false },
            Level { at: -below, kind: Kind::Good, word: "acceptable", is_below: true },
        ],
        marks: wald.points.iter().filter_map(mark).collect(),
    }
}

fn competence(competence: &Competence, course: &Course) -> Chart {
    let design = &competence.design;
    let is_watched = competence.points.iter().any(|(_, point)| point.watched == Signal::Lost);
    let limits = if is_watched { design.shown.h.max(design.lost.h) } else { design.shown.h };
    let most = competence.points.iter().map(|(_, point)| point.value).fold(limits, f64::max);
    let run = |(watched, points): (Signal, Vec<(f64, f64)>)| match watched {
        Signal::Shown => line_of(points, Kind::Own, Stroke::Solid),
        Signal::Lost => line_of(points, Kind::Own, Stroke::Dotted),
    };
    let mark = |(n, point): &(u32, crate::statistics::lc_cusum::Point)| {
        let kind = if point.watched == Signal::Shown { Kind::Good } else { Kind::Bad };
        point.is_signal.then(|| Mark { at: [f64::from(*n), point.value], kind, name: String::new() })
    };
    let shown = Level { at: design.shown.h, kind: Kind::Good, word: "shown", is_below: false };
    let lost = Level { at: design.lost.h, kind: Kind::Bad, word: "no longer kept", is_below: true };
    Chart {
        axes: ("Attempt", "Sum for competence"),
        x: span(course),
        y: (-0.05 * most, 1.2 * most),
        is_share: false,
        told: course.charts.as_ref().map_or_else(String::new, words::competence),
        band: Vec::new(),
        lines: competence.runs().into_iter().map(run).collect(),
        levels: std::iter::once(shown).chain(is_watched.then_some(lost)).collect(),
        marks: competence.points.iter().filter_map(mark).collect(),
    }
}

fn line_of(points: Vec<(f64, f64)>, kind: Kind, stroke: Stroke) -> ChartLine {
    ChartLine { kind, stroke, points: points.into_iter().map(|(n, value)| [n, value]).collect() }
}

/// What a chart says, a paragraph each.
pub fn says(course: &Course, which: Which) -> Vec<String> {
    let mut says = vec![words::level(course)];
    match (which, &course.charts) {
        (Which::Failures, Some(charts)) => {
            says.push(words::wald(charts));
            says.extend(charts.wald.as_ref().ok().map(|wald| wald.in_words.clone()));
        }
        (Which::Competence, Some(charts)) => {
            says.push(words::competence(charts));
            says.extend(charts.competence.as_ref().ok().map(|competence| competence.design.in_words()));
        }
        _ => says.push(words::curve(course)),
    }
    if let Some(failure) = course.measure.failure().filter(|_| which != Which::Curve) {
        says.push(format!("What counts as a failure: {failure}."));
    }
    says.push(words::adjustment(course));
    says.retain(|words| !words.is_empty());
    says
}

/// Attempts at a case, or at all, that came out so, sorted by a column. `counts`: the entries that the analysis counts, of those that were
/// handed in for this.
pub fn attempts(
    entries: &[Listed],
    (counts, purposes): (&HashSet<u64>, Purposes),
    case: Option<&str>,
    came: Came,
    (by, is_descending): (AttemptColumn, bool),
) -> Vec<AttemptRow> {
    let mut about: HashMap<u64, Vec<&Listed>> = HashMap::new();
    for entry in entries {
        if let Some(of) = entry.of {
            about.entry(of).or_default().push(entry);
        }
    }
    let is_breached = |entry: &Listed| entry.critical.iter().flatten().any(|event| event == crate::debrief::BREACH);
    let is_meant = |entry: &&Listed| {
        let is_case = case.is_none_or(|case| entry.scenario.as_deref() == Some(case));
        let has_come = match came {
            Came::Any => true,
            Came::Passed => entry.pass == Some(true),
            Came::Missed => entry.pass == Some(false),
            Came::Breached => is_breached(entry),
        };
        entry.kind == "attempt" && entry.has_body && is_case && has_come
    };
    let mut found: Vec<&Listed> = entries.iter().filter(is_meant).collect();
    let number = |value: Option<f64>| value.unwrap_or(f64::INFINITY);
    found.sort_by(|a, b| {
        let order = match by {
            AttemptColumn::Entry => Ordering::Equal,
            AttemptColumn::Done => a.done_at.cmp(&b.done_at),
            AttemptColumn::Case => a.scenario.cmp(&b.scenario),
            AttemptColumn::Result => number(a.score).total_cmp(&number(b.score)),
            AttemptColumn::Error => number(a.prediction_error).total_cmp(&number(b.prediction_error)),
        };
        let order = order.then(a.seq.cmp(&b.seq));
        if is_descending { order.reverse() } else { order }
    });
    let left_out = |entry: &Listed| {
        let is_meant = match purposes {
            Purposes::Assessment => entry.purpose == Some("assessment"),
            Purposes::Practice => entry.purpose == Some("practice"),
            Purposes::Both => true,
        };
        let why = match entry.purpose {
            _ if counts.contains(&entry.seq) => return None,
            Some(purpose) if !is_meant => purpose,
            _ if entry.first_unseen == Some(false) => "not the first on this eye",
            _ => "another device or engine",
        };
        Some(why.to_owned())
    };
    let row = |entry: &Listed| AttemptRow {
        entry: entry.seq,
        done: entry.done_at.as_deref().map_or("?", |at| at.split('T').next().unwrap_or(at)).to_owned(),
        case: entry.scenario.clone().unwrap_or_else(|| "?".to_owned()),
        has_passed: entry.pass == Some(true),
        result: format!(
            "{:.0}, {}",
            entry.score.unwrap_or(0.0).floor(),
            if entry.pass == Some(true) { "passed" } else { "not passed" }
        ),
        error: entry.prediction_error.map_or_else(|| "–".to_owned(), |error| format!("{error:.2}")),
        does_count: counts.contains(&entry.seq),
        notes: notes(entry, left_out(entry), about.get(&entry.seq).map_or(&[], Vec::as_slice)),
    };
    found.into_iter().map(row).collect()
}

/// What else there is to say of an attempt.
fn notes(entry: &Listed, left_out: Option<String>, about: &[&Listed]) -> String {
    let mut notes: Vec<String> = entry.critical.iter().flatten().cloned().collect();
    for other in about {
        match other.kind.as_str() {
            "sign-off" => notes.push("signed off".to_owned()),
            "comment" => notes.extend(other.text.as_ref().map(|text| format!("“{text}”"))),
            "rescored" => notes.push(format!("under other goals {:.0}", other.score.unwrap_or(0.0).floor())),
            _ => (),
        }
    }
    if let Some(why) = left_out {
        notes.insert(0, why);
    }
    notes.join(", ")
}
