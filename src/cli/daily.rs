//! `daily`: the unseen eye of a day, one prediction, one chop, and the private line of error.
//!
//! Without a prediction the day's sheet and the line so far are shown, with one it is tried, and entered where there is a journal.

use crate::attempt::{Expected, Prediction};
use crate::cli::{CliError, plain, print};
use crate::daily::journal::{Journal, JournalError};
use crate::daily::trial::{Done, Trial, tried};
use crate::daily::{Date, Day, Eye};
use crate::debrief::json::{came, expected, pair, rounded};
use crate::debrief::prediction::Judged;
use crate::debrief::text::{NOTICE, push};
use clap::{Args, ValueEnum};
use serde_json::{Value, json};
use std::fmt::Write as _;
use std::path::PathBuf;
use std::process::ExitCode;
use std::time::SystemTime;

/// Arguments of `daily`.
#[derive(Args, Debug)]
pub struct DailyArguments {
    /// Depth of the tip below the core's front, mm (0–5)
    #[arg(long, value_name = "MM", requires_all = ["angle", "place", "expected"], value_parser = |s: &str| number(s, 0.0, 5.0, "mm"), allow_hyphen_values = true)]
    depth: Option<f64>,
    /// Tip angle, degrees (5–65)
    #[arg(long, value_name = "DEGREES", requires_all = ["depth", "place", "expected"], value_parser = |s: &str| number(s, 5.0, 65.0, "degrees"), allow_hyphen_values = true)]
    angle: Option<f64>,
    /// Where the tip is to end, mm from the lens's axis toward 3 and 12 o'clock (each -5–5)
    #[arg(long, value_name = "X,Y", requires_all = ["depth", "angle", "expected"], value_parser = place, allow_hyphen_values = true)]
    place: Option<Place>,
    /// What will come of it
    #[arg(long = "expect", value_name = "RESULT", requires_all = ["depth", "angle", "place"])]
    expected: Option<ExpectArgument>,
    /// The day [default: today, universal time]
    #[arg(long, value_name = "YYYY-MM-DD")]
    date: Option<Date>,
    /// The record, a file of one's own; without it nothing is kept
    #[arg(long, value_name = "FILE")]
    journal: Option<PathBuf>,
    /// Number of the learner where there is no record yet: another sees other eyes
    #[arg(long, value_name = "N", default_value_t = 1, allow_hyphen_values = true)]
    learner: u64,
    /// Print one JSON object instead of the page
    #[arg(long)]
    json: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum ExpectArgument {
    /// The crack goes right through
    Through,
    /// A hinge still joins the sides
    Hinged,
    /// No chop is to be done here: stop and call
    Call,
}

#[derive(Clone, Copy, Debug, PartialEq)]
struct Place(f64, f64);

fn number(text: &str, least: f64, most: f64, unit: &str) -> Result<f64, String> {
    let found: f64 = text.trim().parse().map_err(|_| format!("not a number; a number of {unit} is meant"))?;
    // Not a number fails both comparisons.
    if found >= least && found <= most { Ok(found) } else { Err(format!("must lie within {least} to {most} {unit}")) }
}

fn place(text: &str) -> Result<Place, String> {
    let (x, y) = text.split_once(',').ok_or("two numbers with a comma are meant, such as 0.5,-0.2")?;
    Ok(Place(number(x, -5.0, 5.0, "mm")?, number(y, -5.0, 5.0, "mm")?))
}

impl DailyArguments {
    /// What was stated, where anything was; all of it or nothing is.
    fn prediction(&self) -> Option<Prediction> {
        let (depth_mm, angle_deg, Place(x, y)) = (self.depth?, self.angle?, self.place?);
        let expected = match self.expected? {
            ExpectArgument::Through => Expected::Through,
            ExpectArgument::Hinged => Expected::Hinged,
            ExpectArgument::Call => Expected::StopAndCall,
        };
        Some(Prediction { tick: 0, depth_mm, angle_deg, place_mm: (x, y), expected })
    }
}

/// `daily`.
pub(crate) fn run(arguments: &DailyArguments) -> Result<ExitCode, CliError> {
    let date = arguments.date.unwrap_or_else(|| Date::of(SystemTime::now()));
    let file = arguments.journal.as_deref();
    let refused = |why: JournalError| CliError::Attempt {
        file: plain(&file.map_or_else(String::new, |path| path.display().to_string())),
        why: why.to_string(),
    };
    let mut day = Day::open(file, date, arguments.learner).map_err(refused)?;
    let prediction = arguments.prediction();
    if file.is_some() && prediction.is_some() {
        day.journal.is_open(date).map_err(refused)?;
    }
    let tried = |prediction| tried(&day.eye, &prediction, 0).map_err(|why| CliError::Usage(why.to_string()));
    let trial = prediction.map(tried).transpose()?;
    if let (Some(path), Some(trial)) = (file, &trial) {
        day.enter(path, trial).map_err(refused)?;
    }
    let is_kept = file.is_some() && trial.is_some();
    let Day { journal, eye } = &day;
    if arguments.json {
        print(&(object(eye, trial.as_ref(), journal, is_kept).to_string() + "\n"))?;
    } else {
        print(&page(eye, trial.as_ref(), journal))?;
    }
    Ok(ExitCode::SUCCESS)
}

fn object(eye: &Eye, trial: Option<&Trial>, journal: &Journal, is_kept: bool) -> Value {
    let chop = |done: &Done| {
        let (cell, chop) = (&done.cell, &done.cell.chop);
        json!({
            "which": done.which.in_words(),
            "depth_mm": rounded(chop.depth_mm),
            "angle_deg": rounded(chop.angle_deg),
            "place_mm": pair(Some(chop.place_mm)),
            "came": came(done.came()),
            "reached_depth_mm": cell.reached_depth_mm.map_or(Value::Null, rounded),
            "core_fraction_cracked": rounded(cell.core_fraction_cracked),
            "distance_to_capsule_min_mm": rounded(cell.distance_to_capsule_min_mm),
        })
    };
    let tried = trial.map(|trial| {
        let stated = &trial.prediction;
        json!({
            // Before the chop it would be a hint.
            "kind": eye.kind,
            "depth_mm": rounded(stated.depth_mm),
            "angle_deg": rounded(stated.angle_deg),
            "place_mm": pair(Some(stated.place_mm)),
            "expected": expected(stated.expected),
            "came": trial.came().map(came),
            "right": trial.error.is_right,
            "depth_off_mm": trial.error.depth_off_mm.map_or(Value::Null, rounded),
            "error": rounded(trial.error.error),
            "through_mm": pair(trial.truth.span_mm()),
            "choppable": trial.truth.is_choppable,
            "chops": trial.chops.iter().map(chop).collect::<Vec<_>>(),
        })
    });
    let line = journal.line().into_iter();
    let line = line.map(|p| json!({"date": p.date, "error": rounded(p.error), "smooth": rounded(p.smooth)}));
    let weeks = journal.weeks().into_iter();
    let weeks = weeks.map(|w| json!({"from": w.from, "days": w.count, "mean_error": rounded(w.mean_error)}));
    let kinds = journal.kinds().into_iter().map(|of| {
        let mean_error = of.mean_error.map_or(Value::Null, rounded);
        json!({"kind": of.kind, "days": of.count, "mean_error": mean_error, "misjudges": rounded(of.misjudges)})
    });
    json!({
        "date": eye.date,
        "title": eye.case.title,
        "sheet": eye.case.sheet,
        "trial": tried,
        "kept": is_kept,
        "line": line.collect::<Vec<_>>(),
        "weeks": weeks.collect::<Vec<_>>(),
        "kinds": kinds.collect::<Vec<_>>(),
    })
}

/// Days of the line that are printed, the latest.
const MOST_DAYS: usize = 14;

fn page(eye: &Eye, trial: Option<&Trial>, journal: &Journal) -> String {
    let mut page = String::new();
    push(&mut page, "", &eye.case.title);
    push(&mut page, "  ", &eye.case.sheet);
    if let Some(trial) = trial {
        page.push('\n');
        let stated = &trial.prediction;
        let (x, y) = stated.place_mm;
        let came = trial.came().map_or("No chop was done".to_owned(), |came| format!("Came: {}", came.in_words()));
        push(
            &mut page,
            "",
            &format!(
                "Expected, {:.2} mm deep at {:.0}° at ({x:.1}, {y:.1}) mm: {}. {came}.",
                stated.depth_mm,
                stated.angle_deg,
                stated.expected.in_words()
            ),
        );
        push(&mut page, "", &Judged::of(&trial.truth, trial.error).in_words());
        push(&mut page, "", &format!("It was an eye with {}.", eye.kind.in_words()));
        page.push_str("\nThe same chop\n");
        for Done { which, cell } in &trial.chops {
            let _ = writeln!(
                page,
                "  {:<24}{:5.2} mm deep  {:3.0} % of core cracked  {}",
                which.in_words(),
                cell.chop.depth_mm,
                100.0 * cell.core_fraction_cracked,
                crate::debrief::truth::Came::of(cell).in_words()
            );
        }
    }
    let line = journal.line();
    if !line.is_empty() {
        page.push_str("\nPrediction error, 0 to 1\n              day   line\n");
        for point in line.iter().rev().take(MOST_DAYS).rev() {
            let _ = writeln!(page, "  {}  {:4.2}   {:4.2}", point.date, point.error, point.smooth);
        }
        page.push_str("\nBy kind of eye, the most misjudged first\n");
        for of in journal.kinds().iter().filter(|of| of.count > 0) {
            let mean = of.mean_error.unwrap_or_default();
            let _ = writeln!(page, "  {:<36}{mean:4.2}  of {}", of.kind.in_words(), of.count);
        }
    }
    page.push('\n');
    push(&mut page, "", NOTICE);
    page
}
