//! `logbook curve`: how a trainee's attempts go on in one measure, or those of all trainees together. What it says first, then numbers.

use super::StoreArguments;
use super::asked::{CountedArguments, StatedArguments, check, found, group_names};
use crate::cli::{CliError, print};
use crate::debrief::text::{NOTICE, push};
use crate::logbook::analysis::cohort::{FEWEST_TOGETHER, Together, together};
use crate::logbook::analysis::course::{Competence, by_device};
use crate::logbook::analysis::measure::{NoMeasure, Outcome};
use crate::logbook::analysis::{Counted, Course, Depth, Designs, Done, Measure, Outcomes, Stated, Wanted, words};
use crate::logbook::moment;
use crate::statistics::cusum::Line;
use crate::statistics::lc_cusum::Signal;
use crate::statistics::refusal::Refusal;
use clap::Args;
use serde_json::{Value, json};
use std::fmt::Write as _;
use std::process::ExitCode;

/// Arguments of `logbook curve`.
#[derive(Args, Debug)]
pub struct CurveArguments {
    /// Of what: pass, score, breach, prediction-error, or a component of the debrief
    #[arg(long, value_name = "COMPONENT", value_parser = measure)]
    component: Measure,
    #[command(flatten)]
    counted: CountedArguments,
    #[command(flatten)]
    stated: StatedArguments,
    #[command(flatten)]
    store: StoreArguments,
    /// Print one JSON object instead of a page
    #[arg(long)]
    json: bool,
}

fn measure(text: &str) -> Result<Measure, String> {
    text.parse().map_err(|error: NoMeasure| error.to_string())
}

/// `logbook curve`.
pub(super) fn run(arguments: &CurveArguments) -> Result<ExitCode, CliError> {
    let measure = arguments.component;
    let stated = arguments.stated.stated(Some(measure))?;
    let (wanted, groups) = arguments.counted.wanted()?;
    if !groups.is_empty() {
        let why = format!("--names is there and no --group; allowed: {}", group_names(&groups));
        return Err(CliError::Usage(why));
    }
    let mut open = arguments.store.open()?;
    let (counted, all): (Counted, Vec<Told>) = if wanted.trainee.is_some() {
        let found = found(&mut open, &wanted, Depth::of(measure))?;
        let mut designs = Designs::default();
        let mut course = |(device, own): &(String, Vec<&Done>)| {
            Told::One(Box::new(Course::of(measure, device, own, &stated, &mut designs)))
        };
        let all = by_device(&found.attempts).iter().map(&mut course).collect();
        (found.counted, all)
    } else {
        let (counted, all) = open.book.outcomes(&wanted, measure).map_err(|error| open.refused(error))?;
        check(&open, &wanted, &counted)?;
        let together = |Outcomes { device, people }: Outcomes| Told::All {
            measure,
            device,
            of: people.iter().map(Vec::len).sum(),
            points: together(measure, &people),
        };
        (counted, all.into_iter().map(together).collect())
    };
    if arguments.json {
        print(&(as_json(&wanted, measure, &counted, &all, &stated).to_string() + "\n"))?;
    } else {
        print(&page(&wanted, measure, &counted, &all, &stated))?;
    }
    Ok(ExitCode::SUCCESS)
}

/// What is told of a device.
enum Told {
    /// One trainee.
    One(Box<Course>),
    /// All of them.
    All { measure: Measure, device: String, of: usize, points: Vec<Together> },
}

impl Told {
    fn json(&self, stated: &Stated) -> Value {
        match self {
            Self::One(course) => of_course(course, stated),
            Self::All { device, of, points, .. } => {
                let point = |p: &Together| {
                    json!({"n": p.n, "t": null, "value": p.value, "low": p.low, "high": p.high, "result": null,
                        "difficulty": null, "seq": null, "of": p.of})
                };
                json!({"device": device, "attempts": of, "points": points.iter().map(point).collect::<Vec<_>>(),
                    "refusal": null, "cusum": null, "cusum_design": null, "lc_cusum": null, "lc_cusum_design": null})
            }
        }
    }
}

fn refusal<T>(result: &Result<T, Refusal>) -> Option<String> {
    result.as_ref().err().map(ToString::to_string)
}

fn of_course(course: &Course, stated: &Stated) -> Value {
    let drawn = course.drawn();
    let at_ms = |n: u32| course.steps.get(n as usize - 1).map(|step| moment::in_words(step.at_ms));
    let points = course.steps.iter().map(|step| {
        let curve = drawn.iter().find(|(n, ..)| *n == step.n);
        let result = step.outcome.map(|outcome| match outcome {
            // What is drawn of a breach is the harm.
            Outcome::Good(good) => f64::from(u8::from(good != (course.measure == Measure::Breach))),
            Outcome::Value(value) => value,
        });
        json!({
            "n": step.n, "t": moment::in_words(step.at_ms), "value": curve.map(|c| c.1), "low": curve.map(|c| c.2),
            "high": curve.map(|c| c.3), "result": result, "difficulty": step.difficulty, "seq": step.seq, "of": null,
        })
    });
    let charts = course.charts.as_ref();
    let wald = charts.and_then(|charts| charts.wald.as_ref().ok());
    let cusum = wald.map(|wald| {
        let point = |(n, point): &(u32, crate::statistics::cusum::Point)| {
            let crossed = point.crossed.map(|line| match line {
                Line::Acceptable => "acceptable",
                Line::Unacceptable => "unacceptable",
            });
            json!({"n": n, "t": at_ms(*n), "value": point.value, "crossed": crossed})
        };
        wald.points.iter().map(point).collect::<Vec<_>>()
    });
    let competence = charts.and_then(|charts| charts.competence.as_ref().ok());
    let lc_cusum = competence.map(|competence| {
        let point = |(n, point): &(u32, crate::statistics::lc_cusum::Point)| {
            let watched = if point.watched == Signal::Shown { "shown" } else { "lost" };
            json!({"n": n, "t": at_ms(*n), "value": point.value, "watched": watched, "signal": point.is_signal,
                "within": point.is_within})
        };
        competence.points.iter().map(point).collect::<Vec<_>>()
    });
    let design = charts.map(|charts| {
        json!({
            "p0": charts.shares.p0, "p1": charts.shares.p1, "alpha": stated.alpha, "beta": stated.beta,
            "lower": wald.map(|wald| -wald.lines.0), "upper": wald.map(|wald| wald.lines.1),
            "adjusted": wald.map(|wald| wald.is_adjusted), "words": wald.map(|wald| &wald.in_words),
            "refusal": refusal(&charts.wald),
        })
    });
    let lc_design = charts.map(|charts| {
        let of = |competence: &Competence| competence.design;
        let design = charts.competence.as_ref().ok().map(of);
        json!({
            "p0": charts.shares.p0, "p1": charts.shares.p1, "within": stated.within, "wrongly": stated.wrongly,
            "limit_shown": design.map(|d| d.shown.h), "limit_lost": design.map(|d| d.lost.h),
            "wrongly_shown": design.map(|d| d.shown.wrong), "rightly_shown": design.map(|d| d.shown.right),
            "wrongly_lost": design.map(|d| d.lost.wrong), "rightly_lost": design.map(|d| d.lost.right),
            "shown_at": competence.and_then(Competence::shown_at).map(|(n, _)| n),
            "words": design.map(|d| d.in_words()), "refusal": refusal(&charts.competence),
        })
    });
    json!({
        "device": course.device, "attempts": course.steps.len(), "points": points.collect::<Vec<_>>(),
        "refusal": refusal(&course.curve), "cusum": cusum, "cusum_design": design, "lc_cusum": lc_cusum,
        "lc_cusum_design": lc_design,
    })
}

/// The object: of the device with most attempts, and of the others apart.
fn as_json(wanted: &Wanted, measure: Measure, found: &Counted, all: &[Told], stated: &Stated) -> Value {
    let mut devices = all.iter().map(|told| told.json(stated));
    let mut object = devices.next().unwrap_or_else(|| json!({}));
    let told = json!({
        "trainee": wanted.trainee, "component": measure.id(), "others": devices.collect::<Vec<_>>(),
        "group": wanted.group.as_ref().map(|group| &group.name), "from": wanted.from, "to": wanted.to,
        "engines": found.engines,
        "left_out": {"later": found.later, "purpose": found.other_purpose, "days": found.other_days,
            "device": found.other_device, "engine": found.other_engines.values().sum::<usize>()},
        "invented": words::invented(found).is_some(), "simulated_eye": true,
    });
    if let (Some(object), Value::Object(told)) = (object.as_object_mut(), told) {
        object.extend(told);
    }
    object
}

/// The page for people.
fn page(wanted: &Wanted, measure: Measure, found: &Counted, all: &[Told], stated: &Stated) -> String {
    let mut page = String::new();
    let whose = words::whose(wanted);
    push(&mut page, "", &format!("{whose}: {}", measure.label()));
    let counted = format!("{} {}", words::what_counts(wanted, found), words::engines(wanted, found));
    let said = [words::invented(found), Some(counted), words::devices(found)];
    said.into_iter().flatten().for_each(|sentence| push(&mut page, "", &sentence));
    for told in all {
        match told {
            Told::One(course) => push_course(&mut page, course, stated),
            Told::All { measure, device, of, points } => push_together(&mut page, *measure, device, *of, points),
        }
    }
    page.push('\n');
    push(&mut page, "", words::NO_SINGLE_SCORE);
    push(&mut page, "", NOTICE);
    page
}

fn push_course(page: &mut String, course: &Course, stated: &Stated) {
    let _ = writeln!(page, "\n{}", course.device);
    push(page, "", &words::level(course));
    push(page, "", &words::curve(course));
    if let Some(charts) = &course.charts {
        push(page, "", &words::wald(charts));
        push(page, "", &words::competence(charts));
    } else {
        push(page, "", "It has no failures, and so no charts of them.");
    }
    push(page, "", &words::adjustment(course));
    if let Some(charts) = &course.charts {
        page.push('\n');
        if let Some(failure) = course.measure.failure() {
            push(page, "", &format!("A failure is {failure}. {}", words::stated(stated)));
        }
        words::errors(charts).iter().for_each(|sentence| push(page, "", sentence));
    }
    page.push_str("\n   n  when        result    curve   95 % interval   failures  competence\n");
    let drawn = course.drawn();
    let charts = course.charts.as_ref();
    let wald = charts.and_then(|charts| charts.wald.as_ref().ok());
    let competence = charts.and_then(|charts| charts.competence.as_ref().ok());
    for step in &course.steps {
        let result = match step.outcome {
            None => "–".to_owned(),
            Some(Outcome::Value(value)) => words::value(course.measure, value),
            Some(Outcome::Good(true)) => if course.measure == Measure::Breach { "whole" } else { "yes" }.to_owned(),
            Some(Outcome::Good(false)) => if course.measure == Measure::Breach { "breach" } else { "no" }.to_owned(),
        };
        let (at, between) = match drawn.iter().find(|(n, ..)| *n == step.n) {
            Some((_, at, low, high)) => {
                let [at, low, high] = [at, low, high].map(|at| words::value(course.measure, *at));
                (at, format!("{low} to {high}"))
            }
            None => ("–".to_owned(), "–".to_owned()),
        };
        let sum =
            wald.and_then(|wald| wald.points.iter().find(|(n, _)| *n == step.n)).map_or("–".to_owned(), |(_, p)| {
                let mark = match p.crossed {
                    Some(Line::Unacceptable) => " !",
                    Some(Line::Acceptable) => " ok",
                    None => "",
                };
                format!("{:.2}{mark}", p.value)
            });
        let shown =
            competence.and_then(|c| c.points.iter().find(|(n, _)| *n == step.n)).map_or("–".to_owned(), |(_, p)| {
                let mark = match (p.is_signal, p.watched) {
                    (true, Signal::Shown) => " shown",
                    (true, Signal::Lost) => " lost",
                    _ => "",
                };
                format!("{:.2}{mark}", p.value)
            });
        let line = format!(
            "{:>4}  {}  {result:>6}  {at:>7}   {between:>15}  {sum:>8}   {shown}",
            step.n,
            moment::day(step.at_ms)
        );
        let _ = writeln!(page, "{}", line.trim_end());
    }
}

fn push_together(page: &mut String, measure: Measure, device: &str, of: usize, points: &[Together]) {
    let _ = writeln!(page, "\n{device}");
    push(
        page,
        "",
        &format!(
            "{of} attempts. {}, by attempt number, wherever {FEWEST_TOGETHER} trainees or more had one.",
            measure.drawn()
        ),
    );
    page.push_str("\n   n  trainees    value   95 % interval\n");
    for Together { n, value, low, high, of } in points {
        let [value, low, high] = [value, low, high].map(|at| words::value(measure, *at));
        let _ = writeln!(page, "{n:>4}  {of:>8}  {value:>7}   {low} to {high}");
    }
}
