//! `picture`: an offscreen picture of a state, or how long frames take. What is drawn is the window's business; here the arguments
//! are checked and the files read.

use crate::attempt::Attempt;
use crate::case::{ReadCase, read_case};
use crate::cli::{CliError, plain, print, remark, scenario_name, write_whole};
use crate::debrief::course::LONGEST_S;
use crate::plan::{PlanSpec, read_plan};
use clap::{ArgGroup, Args, ValueEnum};
use std::path::{Path, PathBuf};

/// What is drawn.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum View {
    /// The eye through the microscope
    Microscope,
    /// A cut in the vertical plane of the needle
    Section,
    /// The page on which one operates
    Operate,
    /// The page of the debrief
    Debrief,
    /// The what-if of the last chop, with its best change beside it at the time
    Whatif,
    /// The case as the eye of a day: what came of a chop half its core deep, or with a time the look before it
    Daily,
    /// A record's trainees; instead of a case goes the file of a store
    Review,
    /// The trainee of a record who passes least often
    Trainee,
    /// The notice at first start
    Notice,
    /// The list of cases
    Cases,
    /// The sheet of the case
    Sheet,
    /// Setting up the machine
    Machine,
    /// Trying the foot pedal
    Foot,
    /// Settings
    Settings,
    /// Help
    Help,
    /// A pause
    Pause,
}

impl View {
    /// Its name on the command line.
    pub fn name(self) -> String {
        self.to_possible_value().map_or_else(String::new, |value| value.get_name().to_owned())
    }
}

/// Arguments of `picture`.
#[derive(Args, Clone, Debug)]
#[command(group(ArgGroup::new("result").required(true).args(["out", "frames"])))]
pub struct PictureArguments {
    /// A case, a file such as scenarios/medium-uniform.ron, or a saved attempt
    #[arg(value_name = "CASE|ATTEMPT|STORE")]
    pub subject: PathBuf,
    /// A plan to perform on the case first
    #[arg(long, value_name = "PLAN")]
    pub plan: Option<PathBuf>,
    /// Simulated time to look at, s; without it the end
    #[arg(long, value_name = "SECONDS", value_parser = seconds, allow_hyphen_values = true)]
    pub at: Option<f64>,
    /// What is drawn
    #[arg(long, value_name = "VIEW")]
    pub view: View,
    /// The picture, a PNG file
    #[arg(long, value_name = "FILE.png")]
    pub out: Option<PathBuf>,
    /// Draw so many frames instead, and print how long they took and on which adapter
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=100_000))]
    pub frames: Option<u32>,
    /// Size of the picture, px
    #[arg(long, value_name = "WxH", default_value = "1280x720", value_parser = size)]
    pub size: (u32, u32),
    /// Seed of everything random, for a case
    #[arg(long, value_name = "N", default_value_t = 1, allow_hyphen_values = true)]
    pub seed: u64,
}

/// Least and greatest side of a picture, px.
const SIDE_PX: (u32, u32) = (64, 8192);

fn size(text: &str) -> Result<(u32, u32), String> {
    let sides = text.split_once('x').and_then(|(w, h)| Some((w.parse().ok()?, h.parse().ok()?)));
    let fits = |side: u32| (SIDE_PX.0..=SIDE_PX.1).contains(&side);
    sides
        .filter(|(w, h)| fits(*w) && fits(*h))
        .ok_or_else(|| format!("expected two whole numbers such as 1280x720, each {}–{}", SIDE_PX.0, SIDE_PX.1))
}

fn seconds(text: &str) -> Result<f64, String> {
    let number = text.parse::<f64>().ok().filter(|t| (0.0..=LONGEST_S).contains(t));
    number.ok_or_else(|| format!("expected a number of seconds, 0–{LONGEST_S}"))
}

/// What a picture is made of.
pub enum Subject {
    /// A case, and a plan to perform on it.
    Case {
        /// Name of the case.
        scenario: String,
        /// The case.
        case: Box<ReadCase>,
        /// The plan.
        plan: Option<PlanSpec>,
    },
    /// A saved attempt.
    Attempt(Box<Attempt>),
    /// The file of a record.
    Record {
        /// The file.
        store: PathBuf,
        /// Is one trainee looked at, and not all?
        is_of_trainee: bool,
    },
}

/// Read what the arguments name.
///
/// # Errors
/// Files that cannot be used.
pub fn subject(arguments: &PictureArguments) -> Result<Subject, CliError> {
    let path = &arguments.subject;
    if matches!(arguments.view, View::Review | View::Trainee) {
        return Ok(Subject::Record { store: path.clone(), is_of_trainee: arguments.view == View::Trainee });
    }
    if path.extension().is_some_and(|e| e == "ron") {
        let case = read_case(path);
        let plan = arguments.plan.as_deref().map(read_plan).transpose();
        return match (case, plan) {
            (Ok(case), Ok(plan)) => Ok(Subject::Case {
                scenario: scenario_name(path),
                case: Box::new(case),
                plan: plan.map(|(plan, _)| plan),
            }),
            (case, plan) => Err(CliError::Faults([case.err(), plan.err()].into_iter().flatten().flatten().collect())),
        };
    }
    if arguments.plan.is_some() {
        let line = "--plan goes with a case, not with an attempt; allowed: a case's .ron file";
        return Err(CliError::Usage(line.into()));
    }
    let refused = |why: String| CliError::Attempt { file: plain(&path.display().to_string()), why };
    let attempt = Attempt::read(path).map_err(|e| refused(e.to_string()))?;
    Ok(Subject::Attempt(Box::new(attempt)))
}

/// Write a picture.
///
/// # Errors
/// The file cannot be written.
pub fn write(path: &Path, bytes: &[u8]) -> Result<(), CliError> {
    write_whole(path, bytes)?;
    remark(&format!("Written to {}", plain(&path.display().to_string())));
    Ok(())
}

/// Print how long frames take.
///
/// # Errors
/// Standard output cannot be written.
pub fn tell(table: &str) -> Result<(), CliError> {
    print(table)
}
