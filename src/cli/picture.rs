//! `picture`: an offscreen picture of a state, or how long frames take. What is drawn is the window's business; here a state is
//! made and the arguments are checked.

use crate::attempt::Attempt;
use crate::case::{CaseSpec, read_case};
use crate::cli::{CliError, compiled, plain, scenario_name};
use crate::debrief::course::{Course, LONGEST_S};
use crate::plan::{Performer, read_plan};
use crate::sim::{Inputs, Model};
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
}

/// Arguments of `picture`.
#[derive(Args, Clone, Debug)]
#[command(group(ArgGroup::new("result").required(true).args(["out", "frames"])))]
pub struct PictureArguments {
    /// A case, a file such as scenarios/medium-uniform.ron, or a saved attempt
    #[arg(value_name = "CASE|ATTEMPT")]
    pub subject: PathBuf,
    /// A plan to perform on the case first
    #[arg(long, value_name = "PLAN")]
    pub plan: Option<PathBuf>,
    /// Simulated time to look at, s; without it the end
    #[arg(long, value_name = "SECONDS", value_parser = seconds)]
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
pub struct Subject {
    /// Name of the case.
    pub scenario: String,
    /// The case, as it was set up.
    pub case: CaseSpec,
    /// Text of the case's file.
    pub case_text: String,
    /// Seed.
    pub seed: u64,
    /// The model.
    pub model: Model,
    /// The attempt up to the moment asked for.
    pub course: Course,
    /// The attempt, when it is one that was saved.
    pub attempt: Option<Attempt>,
}

/// Make what the arguments ask for.
///
/// # Errors
/// Files that cannot be used, or a plan that does not end.
pub fn subject(arguments: &PictureArguments) -> Result<Subject, CliError> {
    if is_case(&arguments.subject) { of_case(arguments) } else { of_attempt(arguments) }
}

fn is_case(path: &Path) -> bool {
    path.extension().is_some_and(|e| e == "ron")
}

fn of_case(arguments: &PictureArguments) -> Result<Subject, CliError> {
    let case = read_case(&arguments.subject);
    let plan = arguments.plan.as_deref().map(read_plan).transpose();
    let (case, plan) = match (case, plan) {
        (Ok(case), Ok(plan)) => (case, plan.map(|(plan, _)| plan)),
        (case, plan) => {
            return Err(CliError::Faults([case.err(), plan.err()].into_iter().flatten().flatten().collect()));
        }
    };
    let model = compiled(&arguments.subject.display().to_string(), &case, arguments.seed)?.model;
    let mut course = Course::new(&model);
    let mut performer = plan.as_ref().map(|plan| Performer::new(&model, plan));
    // Without a plan the hands rest until the moment asked for.
    let end_s = arguments.at.unwrap_or(if performer.is_some() { LONGEST_S } else { 0.0 });
    while course.state.time_s(&model) + 0.5 * model.tick_s < end_s && course.state.fault.is_none() {
        let inputs = match &mut performer {
            Some(performer) => performer.next(&model, &course.state),
            None => Some(Inputs::at_rest(&model)),
        };
        let Some(inputs) = inputs else { break };
        course.step(&model, &inputs);
    }
    let scenario = scenario_name(&arguments.subject);
    Ok(Subject { scenario, case: case.spec, case_text: case.text, seed: arguments.seed, model, course, attempt: None })
}

fn of_attempt(arguments: &PictureArguments) -> Result<Subject, CliError> {
    let refused = |why: String| CliError::Attempt { file: plain(&arguments.subject.display().to_string()), why };
    if arguments.plan.is_some() {
        return Err(CliError::Usage("error: --plan goes with a case, not with an attempt; allowed: a case's .ron file".into()));
    }
    let attempt = Attempt::read(&arguments.subject).map_err(|e| refused(e.to_string()))?;
    let (case, model) = attempt.model().map_err(|e| refused(e.to_string()))?;
    let mut course = Course::new(&model);
    for inputs in attempt.record.inputs() {
        let is_there = arguments.at.is_some_and(|at| course.state.time_s(&model) + 0.5 * model.tick_s >= at);
        if is_there || course.state.fault.is_some() {
            break;
        }
        course.step(&model, &inputs);
    }
    let (scenario, seed) = (attempt.header.scenario.clone(), attempt.header.seed);
    Ok(Subject { scenario, case: case.spec, case_text: case.text, seed, model, course, attempt: Some(attempt) })
}
