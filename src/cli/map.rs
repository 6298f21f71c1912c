//! `map`: the outcome of the same standard first chop over burial depth and tip angle, as a table or JSON.

use crate::case::{CaseSpec, read_case};
use crate::cli::{CliError, compiled, print, progress, scenario_name};
use crate::debrief::json::rounded;
use crate::debrief::text;
use crate::plan::ChopKind;
use crate::plan::map::{MapCell, MapRequest, first_chop_map};
use crate::sim::Model;
use clap::{Args, ValueEnum};
use serde::Serialize;
use serde_json::Value;
use std::fmt::Write as _;
use std::path::PathBuf;
use std::process::ExitCode;
use std::time::Instant;

/// Most cells of a map.
const MOST_CELLS: usize = 10_000;

/// Cracked share of the core from which a chop counts as cracked in part: the slot of the chopper alone is up to a tenth.
const CRACKED_SHARE: f64 = 0.15;

/// Arguments of `map`.
#[derive(Args, Debug)]
pub struct MapArguments {
    /// The case, a file such as scenarios/medium-uniform.ron
    #[arg(value_name = "CASE")]
    case: PathBuf,
    /// Wanted depths of the tip below the core's front, mm (0–5), such as 0.4..2.4:0.2; both ends count
    #[arg(long, value_name = "A..B:STEP", value_parser = |s: &str| range(s, 0.0, 5.0, "mm"), allow_hyphen_values = true)]
    depth: Range,
    /// Tip angles, degrees (5–65), such as 20..50:5; both ends count
    #[arg(long, value_name = "A..B:STEP", value_parser = |s: &str| range(s, 5.0, 65.0, "degrees"), allow_hyphen_values = true)]
    angle: Range,
    /// Where the tip is to end, mm from the lens's axis toward 3 and 12 o'clock (each -5–5) [default: the core's centre]
    #[arg(long, value_name = "X,Y", value_parser = place, allow_hyphen_values = true)]
    place: Option<(f64, f64)>,
    /// Kind of chop
    #[arg(long, value_name = "KIND", default_value = "vertical")]
    chop: ChopArgument,
    /// How far the instruments part, mm (0–4) [default: what the case asks for]
    #[arg(long, value_name = "MM", value_parser = |s: &str| number(s, 0.0, 4.0, "mm"), allow_hyphen_values = true)]
    separation: Option<f64>,
    /// Vacuum limit, mmHg (0–700)
    #[arg(long, value_name = "MMHG", default_value = "300", value_parser = |s: &str| number(s, 0.0, 700.0, "mmHg"), allow_hyphen_values = true)]
    vacuum: f64,
    /// Seed of everything random: the same seed gives the same lens
    #[arg(long, value_name = "N", default_value_t = 1, allow_hyphen_values = true)]
    seed: u64,
    /// Threads to work with (1–256) [default: as many as there are processors]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=256), allow_hyphen_values = true)]
    threads: Option<u16>,
    /// Print one JSON object instead of the table
    #[arg(long)]
    json: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum ChopArgument {
    /// A pointed chopper pressed down beside the tip
    Vertical,
    /// A blunt chopper drawn toward the tip from outside the core
    Horizontal,
}

/// Equally spaced values, both ends included.
#[derive(Clone, Debug, PartialEq)]
struct Range(Vec<f64>);

fn number(text: &str, least: f64, most: f64, unit: &str) -> Result<f64, String> {
    let found: f64 = text.trim().parse().map_err(|_| format!("not a number; a number of {unit} is meant"))?;
    // Not a number fails both comparisons.
    if found >= least && found <= most { Ok(found) } else { Err(format!("must lie within {least} to {most} {unit}")) }
}

fn place(text: &str) -> Result<(f64, f64), String> {
    let (x, y) = text.split_once(',').ok_or("two numbers with a comma are meant, such as 0.5,-0.2")?;
    Ok((number(x, -5.0, 5.0, "mm")?, number(y, -5.0, 5.0, "mm")?))
}

fn range(text: &str, least: f64, most: f64, unit: &str) -> Result<Range, String> {
    let form = || format!("a range such as {least}..{most}:1 is meant");
    let (ends, step) = text.split_once(':').ok_or_else(form)?;
    let (first, last) = ends.split_once("..").ok_or_else(form)?;
    let (first, last) = (number(first, least, most, unit)?, number(last, least, most, unit)?);
    let step: f64 = step.trim().parse().map_err(|_| "the step after the colon is not a number".to_string())?;
    if step.is_nan() || step <= 0.0 || step.is_infinite() {
        return Err("the step must be above 0".to_string());
    }
    if first > last {
        return Err(format!("begins above its end; {last}..{first} is meant?"));
    }
    let count = (last - first) / step;
    if count >= MOST_CELLS as f64 {
        return Err(format!("has more than {MOST_CELLS} values"));
    }
    // A step that does not fit leaves a shorter last one; one that fits but for rounding does not.
    let whole = libm::floor(count + 1e-6) as u32;
    let mut values: Vec<f64> = (0..=whole).map(|i| tidy(first + f64::from(i) * step)).collect();
    if count - f64::from(whole) > 1e-6 {
        values.push(last);
    } else if let Some(end) = values.last_mut() {
        *end = last;
    }
    Ok(Range(values))
}

/// Without the rounding of a repeated sum.
fn tidy(value: f64) -> f64 {
    libm::round(value * 1e9) / 1e9
}

#[derive(Serialize)]
struct MapJson<'a> {
    scenario: &'a str,
    seed: u64,
    depth_mm: &'a [f64],
    angle_deg: &'a [f64],
    wall_s: Value,
    cells: Vec<CellJson>,
}

#[derive(Serialize)]
struct CellJson {
    depth_mm: f64,
    angle_deg: f64,
    reachable: bool,
    reached_depth_mm: Value,
    core_fraction_cracked: Value,
    posterior_third_cracked: Value,
    complete: bool,
    distance_to_capsule_min_mm: Value,
    breach: bool,
    tip_slipped: bool,
}

impl From<&MapCell> for CellJson {
    fn from(cell: &MapCell) -> Self {
        Self {
            depth_mm: cell.depth_mm,
            angle_deg: cell.angle_deg,
            reachable: cell.is_reachable,
            reached_depth_mm: cell.reached_depth_mm.map_or(Value::Null, rounded),
            core_fraction_cracked: rounded(cell.core_fraction_cracked),
            posterior_third_cracked: rounded(cell.posterior_third_cracked),
            complete: cell.complete,
            distance_to_capsule_min_mm: rounded(cell.distance_to_capsule_min_mm),
            breach: cell.breach,
            tip_slipped: cell.tip_slipped,
        }
    }
}

/// `map`.
pub(crate) fn run(arguments: &MapArguments) -> Result<ExitCode, CliError> {
    let begun = Instant::now();
    let wanted = MapRequest {
        depths_mm: arguments.depth.0.clone(),
        angles_deg: arguments.angle.0.clone(),
        place_mm: arguments.place,
        kind: match arguments.chop {
            ChopArgument::Vertical => ChopKind::Vertical,
            ChopArgument::Horizontal => ChopKind::Horizontal,
        },
        separation_mm: arguments.separation,
        vacuum_mmhg: arguments.vacuum,
    };
    let count = wanted.depths_mm.len() * wanted.angles_deg.len();
    if count > MOST_CELLS {
        let (depths, angles) = (wanted.depths_mm.len(), wanted.angles_deg.len());
        return Err(CliError::Usage(format!(
            "--depth and --angle ask for {depths} × {angles} = {count} cells; allowed: {MOST_CELLS} at most, so wider \
             steps"
        )));
    }
    let case = read_case(&arguments.case).map_err(CliError::Faults)?;
    let model = compiled(&arguments.case.display().to_string(), &case, arguments.seed)?.model;
    let threads = arguments
        .threads
        .map_or_else(|| std::thread::available_parallelism().map_or(1, std::num::NonZero::get), usize::from);
    let bar = progress("chops", Some(count as u64));
    let cells = first_chop_map(&case.spec, &model, &wanted, threads, || bar.inc(1));
    bar.finish_and_clear();
    let cells = cells?;
    if let Some(fault) = cells.iter().find_map(|c| c.fault.as_ref()) {
        return Err(CliError::Engine { t_s: fault.tick as f64 * model.tick_s, what: fault.what.clone() });
    }
    let text = if arguments.json {
        let object = MapJson {
            scenario: &scenario_name(&arguments.case),
            seed: arguments.seed,
            depth_mm: &wanted.depths_mm,
            angle_deg: &wanted.angles_deg,
            wall_s: rounded(begun.elapsed().as_secs_f64()),
            cells: cells.iter().map(CellJson::from).collect(),
        };
        serde_json::to_string(&object)? + "\n"
    } else {
        page(&case.spec, &model, &wanted, arguments.seed, &cells)
    };
    print(&text)?;
    Ok(ExitCode::SUCCESS)
}

/// What a cell shows, the most dangerous first.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Symbol {
    Breach,
    NotReached,
    ThroughTooNear,
    Through,
    Slipped,
    Hinged,
    Nothing,
}

impl Symbol {
    const ALL: [Self; 7] = [
        Self::Through,
        Self::ThroughTooNear,
        Self::Hinged,
        Self::Slipped,
        Self::Nothing,
        Self::NotReached,
        Self::Breach,
    ];

    fn of(cell: &MapCell, floor_mm: f64) -> Self {
        if cell.breach {
            Self::Breach
        } else if !cell.is_reachable {
            Self::NotReached
        } else if cell.complete && cell.distance_to_capsule_min_mm < floor_mm {
            Self::ThroughTooNear
        } else if cell.complete {
            Self::Through
        } else if cell.core_fraction_cracked >= CRACKED_SHARE {
            Self::Hinged
        } else if cell.tip_slipped {
            Self::Slipped
        } else {
            Self::Nothing
        }
    }

    fn letter(self) -> char {
        match self {
            Self::Breach => 'X',
            Self::NotReached => '·',
            Self::ThroughTooNear => '!',
            Self::Through => '#',
            Self::Slipped => 's',
            Self::Hinged => 'h',
            Self::Nothing => '-',
        }
    }

    fn meaning(self, floor_mm: f64) -> String {
        match self {
            Self::Breach => "the posterior capsule was breached".to_string(),
            Self::NotReached => "the tip could not be brought to this depth".to_string(),
            Self::ThroughTooNear => format!("through, but within {floor_mm:.2} mm of the posterior capsule"),
            Self::Through => "cracked through, the nucleus came apart".to_string(),
            Self::Slipped => "the tip lost its hold, nothing cracked".to_string(),
            Self::Hinged => "cracked in part, the halves still joined".to_string(),
            Self::Nothing => "nothing cracked".to_string(),
        }
    }
}

/// The map as a page of 80 columns.
fn page(case: &CaseSpec, model: &Model, wanted: &MapRequest, seed: u64, cells: &[MapCell]) -> String {
    let mut page = String::new();
    text::push(&mut page, "", &case.title);
    let kind = match wanted.kind {
        ChopKind::Vertical => "vertical chop",
        ChopKind::Horizontal => "horizontal chop",
    };
    let separation_mm = wanted.separation_mm.unwrap_or(case.goals.separation_mm);
    text::push(
        &mut page,
        "  ",
        &format!(
            "First chop: {kind}, instruments parted by {separation_mm:.1} mm, {:.0} mmHg. Seed {seed}.",
            wanted.vacuum_mmhg
        ),
    );
    let floor_mm = case.goals.capsule_floor_mm;
    let symbols: Vec<Symbol> = cells.iter().map(|c| Symbol::of(c, floor_mm)).collect();
    table(&mut page, wanted, &symbols, 2.0 * model.field.core.half_thickness_mm);
    page.push('\n');
    for symbol in Symbol::ALL.into_iter().filter(|s| symbols.contains(s)) {
        let _ = writeln!(page, "  {}  {}", symbol.letter(), symbol.meaning(floor_mm));
    }
    page.push('\n');
    text::push(&mut page, "", &sentence(model, cells, &symbols));
    page.push('\n');
    text::push(&mut page, "", text::NOTICE);
    page
}

/// Rows of depth, columns of angle; a table too wide for the page goes on below.
fn table(page: &mut String, wanted: &MapRequest, symbols: &[Symbol], thickness_mm: f64) {
    const HEAD: usize = 16;
    let labels: Vec<String> = wanted.angles_deg.iter().map(|a| format!("{a}°")).collect();
    let width = labels.iter().map(|l| l.chars().count()).max().unwrap_or(0) + 1;
    let columns = ((text::COLUMNS - HEAD) / width).max(1);
    // As many decimals as the finest of the depths needs, at most three.
    let needs = |decimals: i32| {
        let scale = libm::pow(10.0, f64::from(decimals));
        wanted.depths_mm.iter().any(|d| (d * scale - libm::round(d * scale)).abs() > 1e-6)
    };
    let decimals = (1..3).find(|d| !needs(*d)).unwrap_or(3) as usize;
    for (block, labels) in labels.chunks(columns).enumerate() {
        let _ = write!(page, "\n{:>8}{:>8}", "depth", "of core");
        for label in labels {
            let _ = write!(page, "{label:>width$}");
        }
        page.push('\n');
        for (row, depth_mm) in wanted.depths_mm.iter().enumerate() {
            let share = format!("{:.0} %", 100.0 * depth_mm / thickness_mm);
            let _ = write!(page, "{:>8}{share:>8}", format!("{depth_mm:.decimals$} mm"));
            for column in 0..labels.len() {
                let symbol = symbols[row * wanted.angles_deg.len() + block * columns + column];
                let _ = write!(page, "{:>width$}", symbol.letter());
            }
            page.push('\n');
        }
    }
}

/// What the map says, in a sentence.
fn sentence(model: &Model, cells: &[MapCell], symbols: &[Symbol]) -> String {
    let thickness_mm = 2.0 * model.field.core.half_thickness_mm;
    let is_good = |s: &&Symbol| **s == Symbol::Through;
    let good = symbols.iter().filter(is_good).count();
    let breached = symbols.iter().filter(|s| **s == Symbol::Breach).count();
    let shallowest = cells
        .iter()
        .zip(symbols)
        .filter(|(_, s)| **s == Symbol::Through)
        .map(|(c, _)| c)
        .min_by(|a, b| a.depth_mm.total_cmp(&b.depth_mm));
    let of = cells.len();
    let mut text = match shallowest {
        Some(cell) => format!(
            "In this model {good} of {of} chops went through clear of the capsule, from a depth of {} mm ({:.0} % of \
             the core's {thickness_mm:.1} mm)",
            cell.depth_mm,
            100.0 * cell.depth_mm / thickness_mm
        ),
        None => format!("In this model none of {of} chops went through clear of the capsule"),
    };
    match breached {
        0 => text.push_str("; none breached the capsule."),
        1 => text.push_str("; 1 breached the posterior capsule."),
        _ => {
            let _ = write!(text, "; {breached} breached the posterior capsule.");
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    fn values(text: &str) -> Vec<f64> {
        range(text, 0.0, 65.0, "mm").unwrap().0
    }

    #[test]
    fn ranges_hold_both_ends_whatever_rounding_does() {
        assert_eq!(values("0.4..1.0:0.2"), [0.4, 0.6, 0.8, 1.0]);
        assert_eq!(values("0.1..0.3:0.1"), [0.1, 0.2, 0.3]);
        assert_eq!(values("20..50:10"), [20.0, 30.0, 40.0, 50.0]);
        assert_eq!(values("20..45:10"), [20.0, 30.0, 40.0, 45.0]);
        assert_eq!(values("7..7:1"), [7.0]);
        assert_eq!(values("0..2.8:0.2").len(), 15);
        assert_eq!(values("0..60:0.1").len(), 601);
    }

    #[test]
    fn ranges_that_make_no_sense_are_refused() {
        for text in ["", "1", "1..2", "1:2", "1..2:0", "1..2:-1", "2..1:1", "1..x:1", "1..2:x", "1..70:1", "-1..2:1"] {
            assert!(range(text, 0.0, 65.0, "mm").is_err(), "{text}");
        }
        for text in ["NaN..2:1", "1..inf:1", "1..2:NaN", "1..2:inf", "0..60:0.001"] {
            assert!(range(text, 0.0, 65.0, "mm").is_err(), "{text}");
        }
    }
}
