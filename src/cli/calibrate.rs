//! `calibrate`: how hard cases are and whether their scores follow skill, by simulated trainees; in parts and put together too.

use crate::attempt::engine;
use crate::calibrate::shards::{CasePart, FORMAT, Part, whole};
use crate::calibrate::{ATTEMPTS, Calibration, Design, LENSES, NoCalibration, Shard, attempts};
use crate::case::{ReadCase, read_case};
use crate::cli::{CliError, compiled, plain, print, progress, remark, scenario_name, write_whole};
use crate::debrief::json::rounded;
use crate::statistics::auc::Area;
use crate::statistics::rate::Rate;
use crate::trainee::{EXPERT, NOVICE, VERSION};
use clap::Args;
use serde::Serialize;
use serde_json::Value;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::Instant;

/// Most attempts of a case.
const MOST: u32 = 100_000;

/// Largest part file that is read, bytes.
const LARGEST: u64 = 1 << 30;

/// Arguments of `calibrate`.
#[derive(Args, Debug)]
pub struct CalibrateArguments {
    /// The cases, files such as scenarios/medium-uniform.ron
    #[arg(value_name = "CASE", required_unless_present = "merge", conflicts_with = "merge")]
    cases: Vec<PathBuf>,
    /// Attempts of each case, rounded up to whole people with three lenses each (6–100000)
    #[arg(long, value_name = "N", default_value_t = ATTEMPTS, value_parser = clap::value_parser!(u32).range(6..=i64::from(MOST)))]
    attempts: u32,
    /// Seed of people and lenses: another seed is another cohort
    #[arg(long, value_name = "N", default_value_t = 1)]
    seed: u64,
    /// Threads to work with (1–256) [default: as many as there are processors]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=256))]
    threads: Option<u16>,
    /// Do only part I of N, from 1, such as 3/8; needs --out
    #[arg(long, value_name = "I/N", value_parser = shard, requires = "out")]
    shard: Option<Shard>,
    /// Where that part is written
    #[arg(long, value_name = "FILE", requires = "shard", conflicts_with_all = ["json", "merge"])]
    out: Option<PathBuf>,
    /// Put all parts together that --shard wrote
    #[arg(long, value_name = "FILE", num_args = 1.., conflicts_with = "shard")]
    merge: Vec<PathBuf>,
    /// Print one JSON object instead of the page
    #[arg(long)]
    json: bool,
}

fn shard(text: &str) -> Result<Shard, String> {
    let form = "a part such as 3/8 is meant";
    let (part, of) = text.split_once('/').ok_or(form)?;
    let number = |text: &str| text.trim().parse::<u32>().map_err(|_| form.to_string());
    let shard = Shard { part: number(part)?, of: number(of)? };
    if shard.part < 1 || shard.part > shard.of {
        return Err("the part must lie within 1 and their number".into());
    }
    Ok(shard)
}

/// `calibrate`.
pub(crate) fn run(arguments: &CalibrateArguments) -> Result<ExitCode, CliError> {
    let done = if arguments.merge.is_empty() { calibrated(arguments)? } else { merged(&arguments.merge)? };
    if let (Some(out), Some(shard)) = (&arguments.out, arguments.shard) {
        let part = Part { format: FORMAT, engine: engine(), trainees: VERSION, shard, cases: done };
        write_whole(out, &serde_json::to_vec(&part)?)?;
        remark(&format!("Part {} of {} written to {}", shard.part, shard.of, plain(&out.display().to_string())));
        return Ok(ExitCode::SUCCESS);
    }
    let read: Vec<(CasePart, Calibration)> = done
        .into_iter()
        .map(|case| {
            let calibration = Calibration::of(&case.rows);
            (case, calibration)
        })
        .collect();
    let text = if arguments.json {
        let object =
            CalibrateJson { scenarios: read.iter().map(|(case, read)| ScenarioJson::of(case, read)).collect() };
        serde_json::to_string(&object)? + "\n"
    } else {
        page(&read)
    };
    print(&text)?;
    Ok(ExitCode::SUCCESS)
}

/// Attempts of every case, or of the part that is asked for.
fn calibrated(arguments: &CalibrateArguments) -> Result<Vec<CasePart>, CliError> {
    let read: Vec<Result<ReadCase, Vec<crate::case::Fault>>> = arguments.cases.iter().map(|p| read_case(p)).collect();
    if read.iter().any(Result::is_err) {
        return Err(CliError::Faults(read.into_iter().filter_map(Result::err).flatten().collect()));
    }
    let cases: Vec<(&PathBuf, ReadCase)> = arguments.cases.iter().zip(read.into_iter().flatten()).collect();
    for (path, case) in &cases {
        // All faults and warnings before the long work.
        compiled(&path.display().to_string(), case, arguments.seed)?;
    }
    let design = Design::of(arguments.attempts, arguments.seed);
    let shard = arguments.shard.unwrap_or(Shard::WHOLE);
    let threads = arguments
        .threads
        .map_or_else(|| std::thread::available_parallelism().map_or(1, std::num::NonZero::get), usize::from);
    let count = (design.attempts() / shard.of) as usize * cases.len();
    let bar = progress("attempts", Some(count as u64));
    let parts = cases.iter().map(|(path, case)| {
        let begun = Instant::now();
        let rows = attempts(&case.spec, design, shard, threads, || bar.inc(1)).map_err(|error| match error {
            NoCalibration::Threads(error) => CliError::Threads(error),
            NoCalibration::Case(problems) => {
                let file = path.display().to_string();
                CliError::Faults(problems.into_iter().map(|p| case.spans.locate(&file, p)).collect())
            }
        })?;
        Ok(CasePart {
            scenario: scenario_name(path),
            case_hash: blake3::hash(case.text.as_bytes()).to_hex().to_string(),
            design,
            wall_s: begun.elapsed().as_secs_f64(),
            rows,
        })
    });
    let parts = parts.collect();
    bar.finish_and_clear();
    parts
}

/// What the parts of a split come to.
fn merged(files: &[PathBuf]) -> Result<Vec<CasePart>, CliError> {
    let parts = files.iter().map(|file| read_part(file)).collect::<Result<Vec<Part>, CliError>>()?;
    whole(parts).map_err(|(at, why)| refused(&files[at], &why.to_string()))
}

fn refused(file: &Path, why: &str) -> CliError {
    CliError::Attempt { file: plain(&file.display().to_string()), why: why.to_owned() }
}

fn read_part(file: &Path) -> Result<Part, CliError> {
    let allowed = "allowed: a file that `calibrate --shard` wrote";
    let size = std::fs::metadata(file).map_or(0, |m| m.len());
    if size > LARGEST {
        return Err(refused(file, &format!("is too large; {allowed}")));
    }
    let text = std::fs::read(file).map_err(|error| refused(file, &format!("cannot be read: {error}; {allowed}")))?;
    let part: Part = serde_json::from_slice(&text).map_err(|_| refused(file, &format!("is no part; {allowed}")))?;
    if part.format != FORMAT {
        return Err(refused(file, &format!("has format {}, and this program reads format {FORMAT}", part.format)));
    }
    Ok(part)
}

#[derive(Serialize)]
struct CalibrateJson {
    scenarios: Vec<ScenarioJson>,
}

#[derive(Serialize)]
struct ScenarioJson {
    scenario: String,
    attempts: u32,
    seed: u64,
    trainees: u32,
    difficulty: Value,
    difficulty_error: Value,
    pass_rate: Value,
    pass_rate_by_skill: Vec<PassRateJson>,
    auc_novice_expert: Value,
    auc_low: Value,
    auc_high: Value,
    icc: Value,
    impossible: Value,
    impossible_reason: Option<String>,
    breaches_by_novices: u32,
    novices: u32,
    breaches_by_experts: u32,
    experts: u32,
    score_of_novices: Value,
    score_of_experts: Value,
    components: Vec<ComponentJson>,
    cut_short: u32,
    sim_s: Value,
    wall_s: Value,
}

#[derive(Serialize)]
struct PassRateJson {
    skill: Value,
    pass_rate: Value,
    low: Value,
    high: Value,
}

#[derive(Serialize)]
struct ComponentJson {
    id: String,
    auc_novice_expert: Value,
    separates: bool,
    never_varies: bool,
    missed: u32,
    of: u32,
}

fn number(value: Option<f64>) -> Value {
    value.filter(|v| v.is_finite()).map_or(Value::Null, rounded)
}

impl ScenarioJson {
    fn of(case: &CasePart, read: &Calibration) -> Self {
        let rate = |rate: &Rate| if rate.of > 0 { number(Some(rate.share())) } else { Value::Null };
        Self {
            scenario: case.scenario.clone(),
            attempts: read.attempts,
            seed: case.design.seed,
            trainees: VERSION,
            difficulty: number(read.difficulty.map(|d| d.logits)),
            difficulty_error: number(read.difficulty.map(|d| d.error)),
            pass_rate: rate(&read.passed),
            pass_rate_by_skill: read
                .pass_rates
                .iter()
                .map(|band| {
                    let (low, high) = band.rate.wilson();
                    PassRateJson {
                        skill: rounded(band.skill),
                        pass_rate: rate(&band.rate),
                        low: rounded(low),
                        high: rounded(high),
                    }
                })
                .collect(),
            auc_novice_expert: number(read.auc.map(|auc| auc.area)),
            auc_low: number(read.auc.map(|auc| auc.low)),
            auc_high: number(read.auc.map(|auc| auc.high)),
            icc: number(read.icc),
            impossible: Value::Bool(read.impossible.is_some()),
            impossible_reason: read.impossible.as_ref().map(|(id, _)| id.clone()),
            breaches_by_novices: read.breaches.0.count,
            novices: read.breaches.0.of,
            breaches_by_experts: read.breaches.1.count,
            experts: read.breaches.1.of,
            score_of_novices: number(read.means.0),
            score_of_experts: number(read.means.1),
            components: read
                .components
                .iter()
                .map(|c| ComponentJson {
                    id: c.id.clone(),
                    auc_novice_expert: number(c.auc.map(|auc| auc.area)),
                    separates: c.separates(),
                    never_varies: c.never_varies(),
                    missed: c.missed.count,
                    of: c.missed.of,
                })
                .collect(),
            cut_short: read.cut_short,
            sim_s: rounded(read.sim_s),
            wall_s: rounded(case.wall_s),
        }
    }
}

/// Width of the bar of a pass rate.
const BAR: usize = 20;

fn page(read: &[(CasePart, Calibration)]) -> String {
    let mut page = String::new();
    for (case, read) in read {
        let Calibration { attempts, passed, cut_short, .. } = read;
        let people = attempts / LENSES;
        let _ = writeln!(page, "{}", case.scenario);
        let _ = writeln!(
            page,
            "  {attempts} attempts: {people} simulated trainees, each on {LENSES} lenses, seed {}",
            case.design.seed
        );
        if let Some(found) = read.difficulty {
            let _ = writeln!(
                page,
                "  Difficulty   {:+.1} ± {:.1} logits: {}; {} of {} passed",
                found.logits,
                found.error,
                in_words(found.logits),
                passed.count,
                passed.of
            );
        }
        if let Some((id, rate)) = &read.impossible {
            let _ = writeln!(
                page,
                "  ! Impossible for simulated trainees: no expert passes.\n    Missed most often: {id}, by {} of {}.",
                rate.count, rate.of
            );
        }
        let _ = writeln!(page, "  Pass rate by skill");
        for band in &read.pass_rates {
            let Rate { count, of } = band.rate;
            let (low, high) = band.rate.wilson();
            let share = if of > 0 { band.rate.share() } else { 0.0 };
            let full = (share * BAR as f64).round() as usize;
            let bar = "█".repeat(full) + &"·".repeat(BAR - full);
            let interval = format!("{:.0}–{:.0} %", 100.0 * low, 100.0 * high);
            let _ = writeln!(page, "    {:.1}  {bar}  {count:>4} of {of:<4}  {interval:>9}", band.skill);
        }
        let area = |auc: Option<Area>| match auc {
            Some(auc) => format!("{:.2} ({:.2}–{:.2})", auc.area, auc.low, auc.high),
            None => "too few".to_owned(),
        };
        let _ = writeln!(page, "  Novice below expert in score (AUC)   {}", area(read.auc));
        let icc = read.icc.map_or_else(|| "nothing varies".to_owned(), |icc| format!("{icc:.2}"));
        let _ = writeln!(page, "  Repeatable over lenses (ICC 2,1)     {icc}");
        let named = |ids: Vec<&str>| if ids.is_empty() { "none".to_owned() } else { ids.join(", ") };
        let separating = named(read.components.iter().filter(|c| c.separates()).map(|c| c.id.as_str()).collect());
        let constant = named(read.components.iter().filter(|c| c.never_varies()).map(|c| c.id.as_str()).collect());
        for (what, names) in [("Tell them apart", separating), ("Never vary", constant)] {
            let rows = super::whatif::wrapped(&names, 60);
            for (at, row) in rows.iter().enumerate() {
                let _ = writeln!(page, "  {:<16} {row}", if at == 0 { what } else { "" });
            }
        }
        if *cut_short > 0 {
            let _ = writeln!(page, "  {cut_short} ran on beyond the longest attempt, or the engine stopped.");
        }
        let wall_s = case.wall_s;
        let _ = writeln!(page, "  {:.0} s of the eye's time in {wall_s:.1} s.\n", read.sim_s);
    }
    let _ = writeln!(
        page,
        "Novices are those of skill up to {NOVICE:.2}, experts from {EXPERT:.2}. Simulated people\n\
         verify the pipeline; only real surgeons can validate a score."
    );
    page
}

/// A difficulty in words, on a scale on which a novice has an ability of −2 and an expert of 2.
fn in_words(logits: f64) -> &'static str {
    match logits {
        x if x < -2.0 => "easy for a novice",
        x if x < -0.7 => "rather easy",
        x if x < 0.7 => "medium",
        x if x < 2.0 => "rather hard",
        _ => "hard for an expert",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_part_is_read() {
        assert_eq!(shard("3/8"), Ok(Shard { part: 3, of: 8 }));
        for text in ["0/8", "9/8", "3", "a/8", "3/", "-1/2"] {
            assert!(shard(text).is_err(), "{text}");
        }
    }
}
