//! `play`: a plan performed on a case without a window, and its debrief.

use crate::case::{ReadCase, parse_case, read_case};
use crate::cli::{CliError, compiled, print, remark, scenario_name};
use crate::debrief::{Debrief, Facts, Watch, json, text};
use crate::plan::{Performer, PlanSpec, parse_plan, read_plan};
use crate::sim::{Model, State, step};
use clap::Args;
use std::path::PathBuf;
use std::process::ExitCode;
use std::time::Instant;

/// Longest attempt, s of simulated time.
pub const LONGEST_S: f64 = 600.0;

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
    play(&what, arguments.seed, arguments.json)
}

/// Without a command: the first shipped case with its good plan.
pub(crate) fn first() -> Result<ExitCode, CliError> {
    let (name, case, plan) = FIRST;
    let (case_file, plan_file) = (format!("{name}.ron"), format!("{name}.good.plan.ron"));
    remark(&format!("There is no window in this build yet: playing {name} with its good plan."));
    let case = parse_case(&case_file, case).map_err(CliError::Faults)?;
    let (plan, _) = parse_plan(&plan_file, plan).map_err(CliError::Faults)?;
    play(&Played { case_file, plan_file, scenario: name.to_string(), case, plan }, 1, false)
}

struct Played {
    case_file: String,
    plan_file: String,
    scenario: String,
    case: ReadCase,
    plan: PlanSpec,
}

fn play(what: &Played, seed: u64, is_json: bool) -> Result<ExitCode, CliError> {
    let begun = Instant::now();
    let model = compiled(&what.case_file, &what.case, seed)?.model;
    let Some((state, watch)) = perform(&model, &what.plan) else {
        return Err(CliError::Endless { plan: what.plan_file.clone() });
    };
    if let Some(fault) = &state.fault {
        return Err(CliError::Engine { t_s: fault.tick as f64 * model.tick_s, what: fault.what.clone() });
    }
    let facts = Facts { case: &what.case.spec, model: &model, state: &state, watch: &watch };
    let debrief = Debrief::of(&facts);
    let page = if is_json {
        let heading = json::Heading { scenario: &what.scenario, seed, wall_s: begun.elapsed().as_secs_f64() };
        json::play(&heading, &facts, &debrief)? + "\n"
    } else {
        let titles = text::Titles { case: &what.case.spec.title, plan: &what.plan.title, seed };
        text::page(&titles, &facts, &debrief)
    };
    print(&page)?;
    Ok(ExitCode::SUCCESS)
}

/// A plan from its first tick to its last, and what was noted on the way. `None` when it goes on beyond [`LONGEST_S`];
/// it ends early where the engine stopped.
pub fn perform(model: &Model, plan: &PlanSpec) -> Option<(State, Watch)> {
    let mut state = State::new(model);
    let mut watch = Watch::default();
    let mut performer = Performer::new(model, plan);
    while let Some(inputs) = performer.next(model, &state) {
        step(model, &mut state, &inputs);
        watch.note(model, &state);
        if state.fault.is_some() {
            break;
        }
        if state.time_s(model) > LONGEST_S {
            return None;
        }
    }
    Some((state, watch))
}
