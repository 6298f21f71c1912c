//! `map`: the outcome of the same standard first chop over two of depth, tip angle, vacuum and place, as a table, JSON or a
//! picture.
//!
//! Depth × tip angle is the map that others rely on: its JSON has the agreed fields and no other. The other maps have the fields of
//! their axes as well.

use crate::case::{CaseSpec, read_case};
use crate::cli::{CliError, compiled, plain, print, progress, remark, scenario_name, write_whole};
use crate::debrief::json::rounded;
use crate::debrief::maps::outcome::CellOutcome;
use crate::debrief::maps::picture::{Plot, sheet};
use crate::debrief::maps::raster::png_of;
use crate::debrief::text;
use crate::plan::ChopKind;
use crate::plan::map::{Axis, MapCell, MapRequest, Quantity, StandardChop, Start, outcomes};
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
    /// Where the tip is to end, mm from the lens's axis toward 3 and 12 o'clock (each -5–5) [default: the core's centre]; two
    /// ranges, such as -2..2:0.5,-2..2:0.5, make a map of places, with one depth and one angle
    #[arg(long, value_name = "X,Y", value_parser = place, allow_hyphen_values = true)]
    place: Option<Place>,
    /// Kind of chop
    #[arg(long, value_name = "KIND", default_value = "vertical")]
    chop: ChopArgument,
    /// How far the instruments part, mm (0–4) [default: what the case asks for]
    #[arg(long, value_name = "MM", value_parser = |s: &str| number(s, 0.0, 4.0, "mm"), allow_hyphen_values = true)]
    separation: Option<f64>,
    /// Vacuum limit, mmHg (0–700); a range, such as 0..500:100, makes a map of depth and vacuum, with one angle
    #[arg(long, value_name = "MMHG", default_value = "300", value_parser = |s: &str| range(s, 0.0, 700.0, "mmHg"), allow_hyphen_values = true)]
    vacuum: Range,
    /// Seed of everything random: the same seed gives the same lens
    #[arg(long, value_name = "N", default_value_t = 1, allow_hyphen_values = true)]
    seed: u64,
    /// Threads to work with (1–256) [default: as many as there are processors]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=256), allow_hyphen_values = true)]
    threads: Option<u16>,
    /// Print one JSON object instead of the table
    #[arg(long)]
    json: bool,
    /// Draw the map too, as a PNG of 1600 × 1280 pixels
    #[arg(long, value_name = "FILE")]
    png: Option<PathBuf>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum ChopArgument {
    /// A pointed chopper pressed down beside the tip
    Vertical,
    /// A blunt chopper drawn toward the tip from outside the core
    Horizontal,
}

/// Equally spaced values, both ends included; or one.
#[derive(Clone, Debug, PartialEq)]
struct Range(Vec<f64>);

impl Range {
    /// The one value, where it is one.
    fn only(&self) -> Option<f64> {
        if let [only] = self.0[..] { Some(only) } else { None }
    }
}

/// A place, or a grid of them.
#[derive(Clone, Debug, PartialEq)]
struct Place {
    x_mm: Range,
    y_mm: Range,
}

fn number(text: &str, least: f64, most: f64, unit: &str) -> Result<f64, String> {
    let found: f64 = text.trim().parse().map_err(|_| format!("not a number; a number of {unit} is meant"))?;
    // Not a number fails both comparisons.
    if found >= least && found <= most { Ok(found) } else { Err(format!("must lie within {least} to {most} {unit}")) }
}

fn place(text: &str) -> Result<Place, String> {
    let (x, y) = text.split_once(',').ok_or("two numbers with a comma are meant, such as 0.5,-0.2")?;
    Ok(Place { x_mm: range(x, -5.0, 5.0, "mm")?, y_mm: range(y, -5.0, 5.0, "mm")? })
}

fn range(text: &str, least: f64, most: f64, unit: &str) -> Result<Range, String> {
    let form = || format!("a number or a range such as {least}..{most}:1 is meant");
    if text.trim().parse::<f64>().is_ok() {
        return Ok(Range(vec![number(text, least, most, unit)?]));
    }
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
    depth_mm: Vec<f64>,
    angle_deg: Vec<f64>,
    #[serde(flatten, skip_serializing_if = "Option::is_none")]
    others: Option<OtherAxes>,
    wall_s: Value,
    cells: Vec<CellJson>,
}

/// What a map has besides that is not of depth and tip angle.
#[derive(Serialize)]
struct OtherAxes {
    vacuum_mmhg: Vec<f64>,
    place_x_mm: Vec<f64>,
    place_y_mm: Vec<f64>,
}

#[derive(Serialize)]
struct CellJson {
    depth_mm: f64,
    angle_deg: f64,
    #[serde(flatten, skip_serializing_if = "Option::is_none")]
    others: Option<OtherValues>,
    reachable: bool,
    reached_depth_mm: Value,
    core_fraction_cracked: Value,
    posterior_third_cracked: Value,
    complete: bool,
    distance_to_capsule_min_mm: Value,
    breach: bool,
    tip_slipped: bool,
}

#[derive(Serialize)]
struct OtherValues {
    vacuum_mmhg: f64,
    place_x_mm: f64,
    place_y_mm: f64,
}

impl CellJson {
    fn of(cell: &MapCell, has_others: bool) -> Self {
        let chop = &cell.chop;
        let (place_x_mm, place_y_mm) = chop.place_mm;
        Self {
            depth_mm: chop.depth_mm,
            angle_deg: chop.angle_deg,
            others: has_others.then_some(OtherValues { vacuum_mmhg: chop.vacuum_mmhg, place_x_mm, place_y_mm }),
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

/// The axes that the arguments ask for: quantities of rows and columns.
fn axes(arguments: &MapArguments) -> Result<(Quantity, Quantity), CliError> {
    let is_grid = arguments.place.as_ref().is_some_and(|p| p.x_mm.only().is_none() || p.y_mm.only().is_none());
    let is_one = |range: &Range| range.only().is_some();
    let (depth, angle, vacuum) = (is_one(&arguments.depth), is_one(&arguments.angle), is_one(&arguments.vacuum));
    if is_grid && !(depth && angle && vacuum) {
        return Err(CliError::Usage(
            "--place with ranges makes a map of places; allowed: one number each for --depth, --angle and --vacuum, such as \
             --depth 1.6 --angle 40"
                .into(),
        ));
    }
    if !vacuum && !angle {
        return Err(CliError::Usage(
            "--vacuum with a range makes a map of depth and vacuum; allowed: one number for --angle, such as --angle 40".into(),
        ));
    }
    Ok(match (is_grid, vacuum) {
        (true, _) => (Quantity::PlaceY, Quantity::PlaceX),
        (_, false) => (Quantity::Depth, Quantity::Vacuum),
        _ => (Quantity::Depth, Quantity::Angle),
    })
}

/// Values that the arguments give to a quantity; the standard one where they are silent.
fn values(arguments: &MapArguments, standard: &StandardChop, quantity: Quantity) -> Vec<f64> {
    let place = arguments.place.as_ref();
    let given = match quantity {
        Quantity::Depth => Some(&arguments.depth),
        Quantity::Angle => Some(&arguments.angle),
        Quantity::Vacuum => Some(&arguments.vacuum),
        Quantity::PlaceX => place.map(|p| &p.x_mm),
        Quantity::PlaceY => place.map(|p| &p.y_mm),
    };
    given.map_or_else(|| vec![standard.value(quantity)], |range| range.0.clone())
}

/// What is asked for.
fn request(arguments: &MapArguments, case: &CaseSpec, model: &Model, axes: (Quantity, Quantity)) -> MapRequest {
    let mut chop = StandardChop::new(case, model);
    chop.kind = match arguments.chop {
        ChopArgument::Vertical => ChopKind::Vertical,
        ChopArgument::Horizontal => ChopKind::Horizontal,
    };
    chop.separation_mm = arguments.separation.unwrap_or(chop.separation_mm);
    let all = [Quantity::Depth, Quantity::Angle, Quantity::Vacuum, Quantity::PlaceX, Quantity::PlaceY];
    let chop = all.into_iter().fold(chop, |chop, quantity| match values(arguments, &chop, quantity)[..] {
        [only] => chop.with(quantity, only),
        _ => chop,
    });
    let axis = |quantity| Axis { quantity, values: values(arguments, &chop, quantity) };
    MapRequest { rows: axis(axes.0), columns: axis(axes.1), chop }
}

/// `map`.
pub(crate) fn run(arguments: &MapArguments) -> Result<ExitCode, CliError> {
    let begun = Instant::now();
    let axes = axes(arguments)?;
    let place = arguments.place.as_ref();
    let (names, rows, columns) = match axes {
        (Quantity::PlaceY, _) => {
            ("--place asks", place.map_or(1, |p| p.y_mm.0.len()), place.map_or(1, |p| p.x_mm.0.len()))
        }
        (_, Quantity::Vacuum) => ("--depth and --vacuum ask", arguments.depth.0.len(), arguments.vacuum.0.len()),
        _ => ("--depth and --angle ask", arguments.depth.0.len(), arguments.angle.0.len()),
    };
    let count = rows * columns;
    if count > MOST_CELLS {
        return Err(CliError::Usage(format!(
            "{names} for {rows} × {columns} = {count} cells; allowed: {MOST_CELLS} at most, so wider steps"
        )));
    }
    let case = read_case(&arguments.case).map_err(CliError::Faults)?;
    let model = compiled(&arguments.case.display().to_string(), &case, arguments.seed)?.model;
    let wanted = request(arguments, &case.spec, &model, axes);
    let threads = arguments.threads.map_or(0, usize::from);
    let bar = progress("chops", Some(count as u64));
    let cells = outcomes(&case.spec, &model, &Start::fresh(&model), &wanted.chops(), threads, || bar.inc(1));
    bar.finish_and_clear();
    let cells = cells?;
    if let Some(fault) = cells.iter().find_map(|c| c.fault.as_ref()) {
        return Err(CliError::Engine { t_s: fault.tick as f64 * model.tick_s, what: fault.what.clone() });
    }
    if let Some(path) = &arguments.png {
        let core = &model.field.core;
        let plot = Plot {
            request: &wanted,
            cells: &cells,
            floor_mm: case.spec.goals.capsule_floor_mm,
            core: ((core.centre_mm.x, core.centre_mm.y), core.radius_mm),
            yours: None,
        };
        let lines = [all_alike(&wanted, arguments.seed), sentence(&model, &wanted, &cells, plot.floor_mm)];
        write_whole(path, &png_of(&sheet(&plot, &case.spec.title, &lines, text::NOTICE))?)?;
    }
    let text = if arguments.json {
        let has_others = axes != (Quantity::Depth, Quantity::Angle);
        let all = |quantity| values(arguments, &wanted.chop, quantity);
        let object = MapJson {
            scenario: &scenario_name(&arguments.case),
            seed: arguments.seed,
            depth_mm: all(Quantity::Depth),
            angle_deg: all(Quantity::Angle),
            others: has_others.then(|| OtherAxes {
                vacuum_mmhg: all(Quantity::Vacuum),
                place_x_mm: all(Quantity::PlaceX),
                place_y_mm: all(Quantity::PlaceY),
            }),
            wall_s: rounded(begun.elapsed().as_secs_f64()),
            cells: cells.iter().map(|cell| CellJson::of(cell, has_others)).collect(),
        };
        serde_json::to_string(&object)? + "\n"
    } else {
        page(&case.spec, &model, &wanted, arguments.seed, &cells)
    };
    print(&text)?;
    if let Some(path) = &arguments.png {
        remark(&format!("Written to {}", plain(&path.display().to_string())));
    }
    Ok(ExitCode::SUCCESS)
}

/// The letter of an outcome in the table.
fn letter(outcome: CellOutcome) -> char {
    match outcome {
        CellOutcome::Breach => 'X',
        CellOutcome::NotReached => '·',
        CellOutcome::ThroughTooNear => '!',
        CellOutcome::Through => '#',
        CellOutcome::Slipped => 's',
        CellOutcome::Hinged => 'h',
        CellOutcome::Nothing => '-',
    }
}

/// What is the same in all chops of a map.
fn all_alike(wanted: &MapRequest, seed: u64) -> String {
    let chop = &wanted.chop;
    let kind = match chop.kind {
        ChopKind::Vertical => "vertical chop",
        ChopKind::Horizontal => "horizontal chop",
    };
    let mut alike = format!("First chop: {kind}, instruments parted by {:.1} mm", chop.separation_mm);
    let is_axis = |quantity| wanted.rows.quantity == quantity || wanted.columns.quantity == quantity;
    if !is_axis(Quantity::Depth) {
        let _ = write!(alike, ", {} mm deep", tidy(chop.depth_mm));
    }
    if !is_axis(Quantity::Angle) {
        let _ = write!(alike, ", tip at {}°", tidy(chop.angle_deg));
    }
    if !is_axis(Quantity::Vacuum) {
        let _ = write!(alike, ", {:.0} mmHg", chop.vacuum_mmhg);
    }
    let _ = write!(alike, ". Seed {seed}.");
    alike
}

/// The map as a page of 80 columns.
fn page(case: &CaseSpec, model: &Model, wanted: &MapRequest, seed: u64, cells: &[MapCell]) -> String {
    let mut page = String::new();
    text::push(&mut page, "", &case.title);
    text::push(&mut page, "  ", &all_alike(wanted, seed));
    match wanted.columns.quantity {
        Quantity::Vacuum => text::push(&mut page, "  ", "Across: vacuum limit, mmHg."),
        Quantity::PlaceX => text::push(&mut page, "  ", "Across: mm toward 3 o'clock; up: mm toward 12 o'clock."),
        _ => {}
    }
    let floor_mm = case.goals.capsule_floor_mm;
    let outcomes: Vec<CellOutcome> = cells.iter().map(|c| CellOutcome::of(c, floor_mm)).collect();
    table(&mut page, wanted, &outcomes, 2.0 * model.field.core.half_thickness_mm);
    page.push('\n');
    for outcome in CellOutcome::ALL.into_iter().filter(|s| outcomes.contains(s)) {
        let _ = writeln!(page, "  {}  {}", letter(outcome), outcome.meaning(floor_mm));
    }
    page.push('\n');
    text::push(&mut page, "", &sentence(model, wanted, cells, floor_mm));
    page.push('\n');
    text::push(&mut page, "", text::NOTICE);
    page
}

/// Rows and columns; a table too wide for the page goes on below.
fn table(page: &mut String, wanted: &MapRequest, outcomes: &[CellOutcome], thickness_mm: f64) {
    const HEAD: usize = 16;
    let (rows, across) = (&wanted.rows, &wanted.columns);
    let unit = if across.quantity == Quantity::Angle { "°" } else { "" };
    let labels: Vec<String> = across.values.iter().map(|value| format!("{value}{unit}")).collect();
    let width = labels.iter().map(|l| l.chars().count()).max().unwrap_or(0) + 1;
    let columns = ((text::COLUMNS - HEAD) / width).max(1);
    // As many decimals as the finest of the rows needs, at most three.
    let needs = |decimals: i32| {
        let scale = libm::pow(10.0, f64::from(decimals));
        rows.values.iter().any(|d| (d * scale - libm::round(d * scale)).abs() > 1e-6)
    };
    let decimals = (1..3).find(|d| !needs(*d)).unwrap_or(3) as usize;
    let is_depth = rows.quantity == Quantity::Depth;
    for (block, labels) in labels.chunks(columns).enumerate() {
        let _ = match is_depth {
            true => write!(page, "\n{:>8}{:>8}", "depth", "of core"),
            false => write!(page, "\n{:HEAD$}", ""),
        };
        for label in labels {
            let _ = write!(page, "{label:>width$}");
        }
        page.push('\n');
        // 12 o'clock is above, and so is the front of the core.
        let mut order: Vec<usize> = (0..rows.values.len()).collect();
        if !is_depth {
            order.reverse();
        }
        for row in order {
            let value = rows.values[row];
            let shown = format!("{value:.decimals$} mm");
            let share = if is_depth { format!("{:.0} %", 100.0 * value / thickness_mm) } else { String::new() };
            let _ = write!(page, "{shown:>8}{share:>8}");
            for column in 0..labels.len() {
                let outcome = outcomes[row * across.values.len() + block * columns + column];
                let _ = write!(page, "{:>width$}", letter(outcome));
            }
            page.push('\n');
        }
    }
}

/// What the map says, in a sentence.
fn sentence(model: &Model, wanted: &MapRequest, cells: &[MapCell], floor_mm: f64) -> String {
    let thickness_mm = 2.0 * model.field.core.half_thickness_mm;
    let outcomes = || cells.iter().map(|c| CellOutcome::of(c, floor_mm));
    let good = outcomes().filter(|o| *o == CellOutcome::Through).count();
    let breached = outcomes().filter(|o| *o == CellOutcome::Breach).count();
    let shallowest_mm = cells
        .iter()
        .zip(outcomes())
        .filter(|(_, outcome)| *outcome == CellOutcome::Through && wanted.rows.quantity == Quantity::Depth)
        .map(|(cell, _)| cell.chop.depth_mm)
        .min_by(f64::total_cmp);
    let of = cells.len();
    let mut text = match (good, shallowest_mm) {
        (0, _) => format!("In this model none of {of} chops went through clear of the capsule"),
        (_, None) => format!("In this model {good} of {of} chops went through clear of the capsule"),
        (_, Some(depth_mm)) => format!(
            "In this model {good} of {of} chops went through clear of the capsule, from a depth of {depth_mm} mm ({:.0} % of \
             the core's {thickness_mm:.1} mm)",
            100.0 * depth_mm / thickness_mm
        ),
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
        assert_eq!(values("1.5"), [1.5]);
        for text in ["", "99", "1..2", "1:2", "1..2:0", "1..2:-1", "2..1:1", "1..x:1", "1..2:x", "1..70:1", "-1..2:1"] {
            assert!(range(text, 0.0, 65.0, "mm").is_err(), "{text}");
        }
        for text in ["NaN..2:1", "1..inf:1", "1..2:NaN", "1..2:inf", "0..60:0.001"] {
            assert!(range(text, 0.0, 65.0, "mm").is_err(), "{text}");
        }
    }
}
