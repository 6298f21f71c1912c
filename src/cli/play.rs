//! `play`: a plan performed on a case without a window, and its debrief.

use crate::attempt::{Device, Header};
use crate::case::{ReadCase, parse_case, read_case};
use crate::cli::{CliError, compiled, plain, print, remark, scenario_name};
use crate::debrief::course::Course;
use crate::debrief::{Debrief, Facts, json, text};
use crate::plan::{PlanSpec, parse_plan, read_plan};
use clap::Args;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::Instant;

/// The case that is played when nothing is asked for: its name, the case and its good plan.
const FIRST: (&str, &str, &str) = (
    "medium-uniform",
    include_str!("../../scenarios/medium-uniform.ron"),
    include_str!("../../scenarios/medium-uniform.good.plan.ron"),
);

/// Arguments of `play`.
#[derive(Args, Debug)]
pub struct PlayArguments {
    /// The case, a file such as scenarios/medium-uniform.ron
    #[arg(value_name = "CASE")]
    case: PathBuf,
    /// The plan, a file such as scenarios/medium-uniform.good.plan.ron
    #[arg(long, value_name = "PLAN")]
    plan: PathBuf,
    /// Seed of everything random: the same seed gives the same lens
    #[arg(long, value_name = "N", default_value_t = 1, allow_hyphen_values = true)]
    seed: u64,
    /// Keep the attempt as one new file in this folder, for `debrief` and `verify`
    #[arg(long, value_name = "DIR")]
    save: Option<PathBuf>,
    #[command(flatten)]
    shown: Shown,
}

/// How a debrief is shown.
#[derive(Args, Clone, Copy, Debug, Default)]
pub struct Shown {
    /// Print one JSON object instead of the page
    #[arg(long)]
    json: bool,
}

/// `play`.
pub(crate) fn run(arguments: &PlayArguments) -> Result<ExitCode, CliError> {
    let case = read_case(&arguments.case);
    let plan = read_plan(&arguments.plan);
    let (case, plan) = match (case, plan) {
        (Ok(case), Ok((plan, _))) => (case, plan),
        (case, plan) => {
            return Err(CliError::Faults([case.err(), plan.err()].into_iter().flatten().flatten().collect()));
        }
    };
    let what = Played {
        case_file: arguments.case.display().to_string(),
        plan_file: arguments.plan.display().to_string(),
        scenario: scenario_name(&arguments.case),
        case,
        plan,
    };
    play(&what, arguments.seed, arguments.save.as_deref(), &arguments.shown)
}

/// Without a window: the first shipped case with its good plan. `why` there is none is said first.
pub(crate) fn first(why: &str) -> Result<ExitCode, CliError> {
    let (name, case, plan) = FIRST;
    let (case_file, plan_file) = (format!("{name}.ron"), format!("{name}.good.plan.ron"));
    remark(&format!("{why}: playing {name} with its good plan."));
    let case = parse_case(&case_file, case).map_err(CliError::Faults)?;
    let (plan, _) = parse_plan(&plan_file, plan).map_err(CliError::Faults)?;
    play(&Played { case_file, plan_file, scenario: name.to_string(), case, plan }, 1, None, &Shown::default())
}

struct Played {
    case_file: String,
    plan_file: String,
    scenario: String,
    case: ReadCase,
    plan: PlanSpec,
}

fn play(what: &Played, seed: u64, folder: Option<&Path>, shown: &Shown) -> Result<ExitCode, CliError> {
    let begun = Instant::now();
    let model = compiled(&what.case_file, &what.case, seed)?.model;
    let Some(course) = Course::of_plan(&model, &what.plan) else {
        return Err(CliError::Endless { plan: what.plan_file.clone() });
    };
    if let Some(fault) = &course.state.fault {
        return Err(CliError::Engine { t_s: fault.tick as f64 * model.tick_s, what: fault.what.clone() });
    }
    let facts = course.facts(&what.case.spec, &model);
    let mut debrief = Debrief::of(&facts);
    debrief.judge_predictions(&what.case.spec, &model, &course.record, 0)?;
    let report = Report { scenario: &what.scenario, seed, made: "Plan", with: &what.plan.title, set_up: None, begun };
    show(&report, shown, &facts, &debrief)?;
    if let Some(folder) = folder {
        let header = Header::new(&what.scenario, &what.case.text, seed, Device::Plan(what.plan.title.clone()));
        let path = course.attempt(header, &debrief).save(folder)?;
        remark(&format!("Saved as {}", plain(&path.display().to_string())));
    }
    Ok(ExitCode::SUCCESS)
}

/// What stands at the head of a debrief.
pub(crate) struct Report<'a> {
    pub(crate) scenario: &'a str,
    pub(crate) seed: u64,
    /// What the attempt was made with: a plan, hands, a simulated trainee, and which.
    pub(crate) made: &'a str,
    pub(crate) with: &'a str,
    /// What was set up otherwise than the case has it, in words.
    pub(crate) set_up: Option<&'a str>,
    pub(crate) begun: Instant,
}

/// Print a debrief.
pub(crate) fn show(report: &Report<'_>, shown: &Shown, facts: &Facts<'_>, debrief: &Debrief) -> Result<(), CliError> {
    let Report { scenario, seed, made, with, set_up, begun } = *report;
    let page = if shown.json {
        let heading = json::Heading { scenario, seed, wall_s: begun.elapsed().as_secs_f64() };
        json::play(&heading, facts, debrief)? + "\n"
    } else {
        text::page(&text::Titles { case: &facts.case.title, made, with, seed, set_up }, facts, debrief)
    };
    print(&page)
}
