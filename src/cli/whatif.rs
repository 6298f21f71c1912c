//! `whatif`: the attempt done again from the decision behind an event, with one thing changed.

use crate::attempt::Attempt;
use crate::cli::{CliError, plain, print, progress};
use crate::debrief::Course;
use crate::debrief::json::rounded;
use crate::debrief::timeline::describe;
use crate::debrief::whatif::change::Change;
use crate::debrief::whatif::{Alternative, REPEATS, WhatIf, whatif};
use crate::statistics::rate::Rate;
use clap::Args;
use serde::Serialize;
use serde_json::Value;
use std::fmt::Write as _;
use std::path::PathBuf;
use std::process::ExitCode;
use std::time::Instant;

/// Arguments of `whatif`.
#[derive(Args, Debug)]
pub struct WhatIfArguments {
    /// The attempt, a file that `play --save` or the window wrote
    #[arg(value_name = "ATTEMPT")]
    attempt: PathBuf,
    /// The event, by its place in `events` of `debrief --json`
    #[arg(long, value_name = "N", allow_hyphen_values = true)]
    event: u32,
    /// Repetitions of each of the best changes
    #[arg(long, value_name = "N", default_value_t = REPEATS, value_parser = clap::value_parser!(u32).range(3..=1000), allow_hyphen_values = true)]
    repeats: u32,
    /// Threads; by default as many as the machine has
    #[arg(long, value_name = "N", default_value_t = 0, hide_default_value = true)]
    threads: usize,
    /// Print one JSON object instead of a page
    #[arg(long)]
    json: bool,
}

#[derive(Serialize)]
struct Report<'a> {
    event: u32,
    decision: DecisionReport<'a>,
    latest_sufficient: Option<AlternativeReport>,
    earliest_easy: Option<AlternativeReport>,
    alternatives: Vec<AlternativeReport>,
    pairs: Vec<AlternativeReport>,
    unchanged: Vec<UnchangedReport>,
    repetitions: u32,
    sim_s: Value,
    wall_s: Value,
}

#[derive(Serialize)]
struct DecisionReport<'a> {
    t_s: Value,
    what: &'a str,
    value: &'a str,
}

/// `low` and `high` are those of the rate; those of the difference to doing it unchanged have names of their own.
#[derive(Serialize)]
struct AlternativeReport {
    what: String,
    value: String,
    t_s: Value,
    avoided: u32,
    of: u32,
    low: Value,
    high: Value,
    /// Of a chop.
    through: Option<u32>,
    difference: Value,
    difference_low: Value,
    difference_high: Value,
    untrained_avoided: Option<u32>,
}

#[derive(Serialize)]
struct UnchangedReport {
    t_s: Value,
    avoided: u32,
    of: u32,
    low: Value,
    high: Value,
}

impl AlternativeReport {
    fn of(a: &Alternative, is_chop: bool) -> Self {
        let (low, high) = a.avoided.wilson();
        let (difference, difference_low, difference_high) = a.difference;
        Self {
            what: a.what(),
            value: a.value(),
            t_s: rounded(a.t_s),
            avoided: a.avoided.count,
            of: a.avoided.of,
            low: rounded(low),
            high: rounded(high),
            through: is_chop.then_some(a.through.count),
            difference: rounded(difference),
            difference_low: rounded(difference_low),
            difference_high: rounded(difference_high),
            untrained_avoided: a.untrained.map(|rate| rate.count),
        }
    }
}

/// `whatif`.
pub(crate) fn run(arguments: &WhatIfArguments) -> Result<ExitCode, CliError> {
    let begun = Instant::now();
    let file = plain(&arguments.attempt.display().to_string());
    let refused = |why: String| CliError::Attempt { file: file.clone(), why };
    let attempt = Attempt::read(&arguments.attempt).map_err(|error| refused(error.to_string()))?;
    let (case, model) = attempt.model().map_err(|error| refused(error.to_string()))?;
    let course = Course::again(&model, &attempt);
    if *course.state.hash().as_bytes() != attempt.state_hash {
        let why = "does not follow from its own inputs; allowed: an attempt that `verify` calls valid";
        return Err(refused(why.into()));
    }
    let bar = progress("repetitions", None);
    let answer =
        whatif(&case.spec, &model, &attempt, arguments.event, arguments.repeats, arguments.threads, |so_far| {
            bar.set_position(so_far.done.into());
            true
        });
    bar.finish_and_clear();
    let answer = answer.map_err(|why| refused(why.to_string()))?;
    let wall_s = begun.elapsed().as_secs_f64();
    if arguments.json {
        let report_of = |a: &Alternative| AlternativeReport::of(a, answer.deed.chop().is_some());
        let report = Report {
            event: answer.event,
            decision: DecisionReport {
                t_s: rounded(answer.decision.t_s),
                what: answer.decision.what,
                value: &answer.decision.value,
            },
            latest_sufficient: answer.latest_sufficient.map(|i| report_of(&answer.alternatives[i])),
            earliest_easy: answer.earliest_easy.map(|i| report_of(&answer.alternatives[i])),
            alternatives: answer.alternatives.iter().map(report_of).collect(),
            pairs: answer.pairs.iter().map(report_of).collect(),
            unchanged: answer
                .unchanged
                .iter()
                .map(|(_, t_s, rate)| {
                    let (low, high) = rate.wilson();
                    let (low, high) = (rounded(low), rounded(high));
                    UnchangedReport { t_s: rounded(*t_s), avoided: rate.count, of: rate.of, low, high }
                })
                .collect(),
            repetitions: answer.effort.0,
            sim_s: rounded(answer.effort.1),
            wall_s: rounded(wall_s),
        };
        print(&(serde_json::to_string(&report)? + "\n"))?;
        return Ok(ExitCode::SUCCESS);
    }
    let facts = course.facts(&case.spec, &model);
    let of = &attempt.events[answer.event as usize];
    let happened = describe(&facts, &of.kind);
    let at_s = of.tick as f64 * model.tick_s;
    print(&page(&answer, &happened, at_s, wall_s))?;
    Ok(ExitCode::SUCCESS)
}

/// A rate in words: so many of so many, and its interval in percent.
fn rate(rate: &Rate) -> String {
    let (low, high) = rate.wilson();
    let interval = format!("{:.0}–{:.0}", 100.0 * low, 100.0 * high);
    format!("{:>3} of {:<3}  {interval:>6}", rate.count, rate.of)
}

/// Width of the column of changes, and of the page.
const NAMES: usize = 30;
const WIDE: usize = 78;

fn page(answer: &WhatIf, happened: &str, at_s: f64, wall_s: f64) -> String {
    let mut page = String::new();
    let mut say = |text: &str| {
        for row in wrapped(text, WIDE) {
            let _ = writeln!(page, "{row}");
        }
    };
    say(&format!("Event {}, {at_s:.2} s: {happened}.", answer.event));
    let decision = &answer.decision;
    say(&format!("Decision: {} at {:.2} s, {}.", decision.what, decision.t_s, decision.value));
    say(&format!(
        "In this model, how often {}, and nothing critical comes instead, when one thing is changed, by hands that miss as \
         trained hands do.",
        answer.asked
    ));
    let tells_through = answer.deed.chop().is_some() && !answer.asks_through;
    let through = if tells_through { "  through" } else { "" };
    for (moment, t_s, unchanged) in &answer.unchanged {
        let from = format!("From {t_s:.2} s, {}", moment.when());
        let _ = writeln!(page, "\n{from:<w$}  how often     95 %  difference, 95 %{through}", w = NAMES + 2);
        let _ = writeln!(page, "  {:<NAMES$}  {}", "as it was done", rate(unchanged));
        let of_moment = answer.alternatives.iter().filter(|a| a.moment == *moment);
        let (same, other): (Vec<_>, Vec<_>) = of_moment.partition(|a| a.difference.0 == 0.0);
        for a in other {
            let _ = writeln!(page, "{}", line(a, tells_through));
        }
        if !same.is_empty() {
            let named: Vec<String> = same.iter().map(|a| named(a)).collect();
            let text = format!("no difference in {} tries each: {}", same[0].avoided.of, named.join(", "));
            for row in wrapped(&text, WIDE - 2) {
                let _ = writeln!(page, "  {row}");
            }
        }
    }
    if !answer.pairs.is_empty() {
        let _ = writeln!(page, "\nNo single change suffices. Two at once, from the first moment on:");
        for a in &answer.pairs {
            let _ = writeln!(page, "{}", line(a, tells_through));
        }
    }
    let place = |place: Option<usize>| match place.map(|i| &answer.alternatives[i]) {
        Some(a) => format!("{} at {:.2} s", named(a), a.t_s),
        None => "none of these".to_owned(),
    };
    let _ = writeln!(page, "\nLatest change that suffices: {}", place(answer.latest_sufficient));
    let _ = writeln!(page, "Earliest that is easy:       {}", place(answer.earliest_easy));
    let (runs, sim_s) = answer.effort;
    let times = sim_s / wall_s.max(1e-9);
    let _ = writeln!(
        page,
        "{runs} repetitions, {sim_s:.0} s of the eye's time in {wall_s:.1} s: {times:.0} times as fast."
    );
    page
}

/// What is changed and to what, in words.
fn named(a: &Alternative) -> String {
    a.changes.iter().map(Change::in_words).collect::<Vec<_>>().join(", ")
}

/// Words in rows of so many letters.
pub(super) fn wrapped(text: &str, width: usize) -> Vec<String> {
    let mut rows: Vec<String> = Vec::new();
    for word in text.split(' ') {
        match rows.last_mut().filter(|row| row.chars().count() + 1 + word.chars().count() <= width) {
            Some(row) => *row += &format!(" {word}"),
            None => rows.push(word.to_owned()),
        }
    }
    rows
}

fn line(a: &Alternative, tells_through: bool) -> String {
    let (difference, low, high) = a.difference;
    let name = named(a);
    // A long name has a row of its own.
    let name =
        if name.chars().count() > NAMES { format!("{name}\n  {:<NAMES$}", "") } else { format!("{name:<NAMES$}") };
    let through = if tells_through { format!("  {:>3} of {}", a.through.count, a.through.of) } else { String::new() };
    let spread = format!("{:+.0} ({:+.0} to {:+.0})", 100.0 * difference, 100.0 * low, 100.0 * high);
    format!("  {name}  {}  {spread:>16}{through}", rate(&a.avoided))
}
