//! The course of an attempt as five charts on one axis of time, with marks of what happened.
//!
//! Each chart draws the range from the least to the greatest of every sample, so that what lasted a single tick is seen, and
//! a line within it: the mean, of the distance to the capsule the least.
//! Numbers of the marks are places in the list of what happened; where there is no room for each, neighbours share one
//! ('7–9'). Critical events have marks of another shape and a line of another kind. Units: s, mmHg, mL/min, mm, px at a
//! width of [`WIDTH`]. Limits: distances to the capsule beyond a few floors are not drawn.

use crate::debrief::trace::{Span, Trace};
use maud::{Markup, html};

/// Width of the charts, px.
pub const WIDTH: f64 = 768.0;

/// Space for labels on the left and on the right, px.
const LEFT: f64 = 88.0;
const RIGHT: f64 = 44.0;

/// Height of a chart's heading, of its plot, and of the space under it, px.
const HEADING: f64 = 19.0;
const PLOT: f64 = 66.0;
const UNDER: f64 = 7.0;

/// How far beyond a plot's edge is drawn, px.
const EDGE: f64 = 2.5;

/// Height of a row of marks and width of a letter in them, px.
const MARK_ROW: f64 = 19.0;
const MARK_LETTER: f64 = 6.6;

/// Rows of marks at most, critical ones aside.
const MARK_ROWS: usize = 3;

/// Marks up to which each has a line through all charts.
const MARKS_WITH_LINES: usize = 30;

/// Steps of the foot from which its line is thin.
const MANY_STEPS: usize = 60;

/// Distance to the capsule that is always drawn, over the floor, and at least, mm.
const FLOORS_DRAWN: f64 = 4.0;
const LEAST_DRAWN_MM: f64 = 3.0;

/// How far behind the capsule is drawn at most, mm.
const DRAWN_BEHIND_MM: f64 = 1.0;

/// Something that happened, for a mark.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Mark {
    /// Its place in the list, from 1.
    pub number: usize,
    /// Simulated time, s.
    pub t_s: f64,
    /// Does it end the attempt's score?
    pub is_critical: bool,
}

/// A number in the shape that its event has everywhere on the page: a round mark, or a dark one with points for a
/// critical event. The middle lies at `x`, `y`.
pub fn mark(x: f64, y: f64, label: &str, is_critical: bool) -> Markup {
    let half = mark_half(label, is_critical);
    let outline = if is_critical {
        let (inner, points) = (half - 6.0, [-9.0, 0.0, 9.0]);
        let [top, middle, bottom] = points.map(|d| y + d);
        let (l, r) = (x - inner, x + inner);
        html! {
            polygon points=(format!("{:.1},{middle:.1} {l:.1},{top:.1} {r:.1},{top:.1} {:.1},{middle:.1} {r:.1},{bottom:.1} \
                {l:.1},{bottom:.1}", x - half, x + half)) {}
        }
    } else {
        html! {
            rect x=(px(x - half)) y=(px(y - 8.0)) width=(px(2.0 * half)) height="16" rx="8" {}
        }
    };
    html! {
        g class=(if is_critical { "mark critical" } else { "mark" }) {
            (outline)
            text x=(px(x)) y=(px(y + 4.0)) { (label) }
        }
    }
}

/// Half of a mark's width, px.
pub fn mark_half(label: &str, is_critical: bool) -> f64 {
    let letters = label.chars().count() as f64 * MARK_LETTER;
    if is_critical { letters / 2.0 + 8.0 } else { (letters / 2.0 + 4.0).max(8.0) }
}

/// The figure: marks, five charts, the axis. `floor_mm`: the least distance to the posterior capsule that is asked for.
pub fn course(trace: &Trace, marks: &[Mark], floor_mm: f64) -> Markup {
    let axis = Axis { end_s: marks.iter().map(|m| m.t_s).fold(trace.end_s().max(0.1), f64::max) };
    html! {
        (lane(&axis, marks))
        (pressure(trace, &axis, marks))
        (vacuum(trace, &axis, marks))
        (flow(trace, &axis, marks))
        (foot(trace, &axis, marks))
        (distance(trace, &axis, marks, floor_mm))
        (times(&axis))
    }
}

/// The axis of time.
struct Axis {
    end_s: f64,
}

impl Axis {
    fn x(&self, t_s: f64) -> f64 {
        LEFT + (WIDTH - LEFT - RIGHT) * (t_s / self.end_s).clamp(0.0, 1.0)
    }
}

/// Values of a chart from bottom to top.
struct Scale {
    low: f64,
    high: f64,
    step: f64,
}

impl Scale {
    /// Round numbers that hold all values and 0, in about four steps.
    fn holding(values: impl Iterator<Item = Span>, least_high: f64) -> Self {
        let all = values.fold(Span::at(0.0).with(Span::at(least_high)), Span::with);
        let step = round_step((all.most - all.least) / 4.0);
        Self { low: step * libm::floor(all.least / step), high: step * libm::ceil(all.most / step - 1e-9), step }
    }

    fn y(&self, value: f64) -> f64 {
        HEADING + PLOT * (self.high - value) / (self.high - self.low)
    }

    fn ticks(&self) -> impl Iterator<Item = f64> + '_ {
        let count = libm::round((self.high - self.low) / self.step) as u32;
        (0..=count).map(|i| self.low + f64::from(i) * self.step)
    }
}

/// The next of 1, 2, 5 times a power of ten.
pub(crate) fn round_step(step: f64) -> f64 {
    let power = libm::pow(10.0, libm::floor(libm::log10(step)));
    [1.0, 2.0, 5.0].into_iter().find(|m| m * power >= step * (1.0 - 1e-9)).unwrap_or(10.0) * power
}

/// A number without needless decimals.
pub(crate) fn short(value: f64) -> String {
    let text = format!("{value:.2}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" { "0".to_string() } else { text.replace('-', "−") }
}

/// A coordinate.
pub(crate) fn px(value: f64) -> String {
    format!("{value:.1}")
}

/// Marks that stand together under one label.
struct Group {
    first: usize,
    last: usize,
    x: f64,
    row: usize,
    is_critical: bool,
}

impl Group {
    fn label(&self) -> String {
        if self.first == self.last { self.first.to_string() } else { format!("{}–{}", self.first, self.last) }
    }

    fn half(&self) -> f64 {
        mark_half(&self.label(), self.is_critical)
    }
}

/// Puts marks into rows so that none covers another. Critical ones have a row of their own on top, number [`MARK_ROWS`].
fn grouped(axis: &Axis, marks: &[Mark]) -> Vec<Group> {
    let mut groups: Vec<Group> = Vec::new();
    for mark in marks {
        let group = |row| Group {
            first: mark.number,
            last: mark.number,
            x: axis.x(mark.t_s),
            row,
            is_critical: mark.is_critical,
        };
        let is_free = |row: &usize| {
            let last = groups.iter().rev().find(|g| g.row == *row);
            last.is_none_or(|g| g.x + g.half() + 2.0 <= group(*row).x - group(*row).half())
        };
        let rows = if mark.is_critical { MARK_ROWS..MARK_ROWS + 1 } else { 0..MARK_ROWS };
        if let Some(row) = rows.clone().find(is_free) {
            groups.push(group(row));
            continue;
        }
        // Without room it joins its neighbour of the same kind, or, where another kind's number lies between, stands aside.
        match groups.iter_mut().rev().find(|g| g.is_critical == mark.is_critical) {
            Some(before) if before.last + 1 == mark.number => {
                let half = before.half();
                before.last = mark.number;
                before.x += before.half() - half;
            }
            _ => {
                let end = |row: usize| groups.iter().rev().find(|g| g.row == row).map_or(LEFT, |g| g.x + g.half());
                let row = rows.min_by(|a, b| end(*a).total_cmp(&end(*b))).unwrap_or(0);
                let mut aside = group(row);
                aside.x = end(row) + 2.0 + aside.half();
                groups.push(aside);
            }
        }
    }
    for group in &mut groups {
        group.x = group.x.min(WIDTH - 1.0 - group.half());
    }
    groups
}

fn lane(axis: &Axis, marks: &[Mark]) -> Markup {
    let groups = grouped(axis, marks);
    let rows = groups.iter().filter(|g| !g.is_critical).map(|g| g.row + 1).max().unwrap_or(0);
    let has_critical = groups.iter().any(|g| g.is_critical);
    let high = MARK_ROW * (rows + usize::from(has_critical)) as f64 + 6.0;
    let y = |g: &Group| high - 4.0 - MARK_ROW * (g.row.min(rows) as f64 + 0.5);
    html! {
        svg.lane role="img" aria-labelledby="lane-title" viewBox=(format!("0 0 {WIDTH} {high}")) {
            title id="lane-title" { "Marks of what happened, numbered as in the list" }
            @for m in marks {
                @let x = axis.x(m.t_s);
                @let group = groups.iter().find(|g| (g.first..=g.last).contains(&m.number));
                line class=(line_class(m)) x1=(px(x)) x2=(px(x)) y1=(px(group.map_or(high, y))) y2=(px(high)) {}
            }
            @for g in &groups { (mark(g.x, y(g), &g.label(), g.is_critical)) }
            @if !marks.is_empty() { text.aside x="0" y=(px(high - 10.0)) { "What happened" } }
        }
    }
}

fn line_class(mark: &Mark) -> &'static str {
    if mark.is_critical { "at critical" } else { "at" }
}

/// What stands at the head of a chart.
struct Head<'a> {
    id: &'static str,
    title: &'a str,
    /// The extremes in words.
    told: String,
}

/// A chart: its frame, lines at its ticks and at what happened, and what is drawn in it.
fn chart(
    head: &Head<'_>,
    scale: &Scale,
    axis: &Axis,
    marks: &[Mark],
    labels: &[(f64, String)],
    drawn: Markup,
) -> Markup {
    let high = HEADING + PLOT + UNDER;
    let (title, desc) = (format!("{}-title", head.id), format!("{}-desc", head.id));
    let lines = marks.iter().filter(|m| m.is_critical || marks.len() <= MARKS_WITH_LINES);
    html! {
        svg.chart role="img" aria-labelledby=(format!("{title} {desc}")) viewBox=(format!("0 0 {WIDTH} {high}")) {
            title id=(title) { (head.title) }
            desc id=(desc) { (head.told) ", over " (short(axis.end_s)) " s." }
            @for (value, label) in labels {
                line.grid x1=(LEFT) x2=(WIDTH - RIGHT) y1=(px(scale.y(*value))) y2=(px(scale.y(*value))) {}
                text.tick x=(LEFT - 6.0) y=(px(scale.y(*value) + 4.0)) { (label) }
            }
            @for m in lines {
                line class=(line_class(m)) x1=(px(axis.x(m.t_s))) x2=(px(axis.x(m.t_s))) y1="0" y2=(high) {}
            }
            // What lies beyond the scale is cut off.
            svg x="0" y=(HEADING - EDGE) width=(WIDTH) height=(PLOT + 2.0 * EDGE)
                viewBox=(format!("0 {} {WIDTH} {}", HEADING - EDGE, PLOT + 2.0 * EDGE)) { (drawn) }
            text.heading x=(LEFT) y="13" { (head.title) }
            text.told x=(WIDTH - RIGHT) y="13" { (head.told) }
        }
    }
}

/// A quantity over time in stretches without a gap: where on the axis, and what it was there.
fn runs(trace: &Trace, axis: &Axis, of: impl Fn(usize) -> Option<Span>) -> Vec<Vec<(f64, Span)>> {
    let mut runs: Vec<Vec<(f64, Span)>> = Vec::new();
    let mut is_in_run = false;
    for (i, sample) in trace.samples().iter().enumerate() {
        let Some(span) = of(i) else {
            is_in_run = false;
            continue;
        };
        let point = (axis.x(0.5 * (sample.from_s + sample.to_s)), span);
        match runs.last_mut().filter(|_| is_in_run) {
            Some(run) => run.push(point),
            None => runs.push(vec![point]),
        }
        is_in_run = true;
    }
    runs
}

/// Corners of a stretch's range: along the greatest and back along the least.
fn outline(scale: &Scale, run: &[(f64, Span)]) -> String {
    let over = run.iter().map(|(x, span)| (*x, scale.y(span.most)));
    let back = run.iter().rev().map(|(x, span)| (*x, scale.y(span.least)));
    points(over.chain(back))
}

fn points(points: impl Iterator<Item = (f64, f64)>) -> String {
    points.map(|(x, y)| format!("{x:.1},{y:.1}")).collect::<Vec<_>>().join(" ")
}

/// Ranges and the line within them.
fn drawn(scale: &Scale, id: &str, runs: &[Vec<(f64, Span)>], line: impl Fn(&Span) -> f64) -> Markup {
    html! {
        @for run in runs {
            polygon class=(format!("range {id}")) points=(outline(scale, run)) {}
            polyline class=(format!("line {id}")) points=(points(run.iter().map(|(x, span)| (*x, scale.y(line(span)))))) {}
        }
    }
}

/// A ring where a quantity was least.
fn ring(scale: &Scale, runs: &[Vec<(f64, Span)>]) -> Markup {
    let least = runs.iter().flatten().min_by(|a, b| a.1.least.total_cmp(&b.1.least));
    // What is cut off has no ring.
    let least = least.filter(|(_, span)| span.least >= scale.low);
    html! {
        @if let Some((x, span)) = least {
            circle.least cx=(px(*x)) cy=(px(scale.y(span.least))) r="3.2" {}
        }
    }
}

fn numbered(scale: &Scale) -> Vec<(f64, String)> {
    scale.ticks().map(|value| (value, short(value))).collect()
}

/// The least and the greatest in words.
fn from_to(all: impl Iterator<Item = Span>) -> String {
    let whole = |value: f64| short(libm::round(value));
    all.reduce(Span::with).map_or("no samples".to_string(), |s| format!("{} to {}", whole(s.least), whole(s.most)))
}

fn pressure(trace: &Trace, axis: &Axis, marks: &[Mark]) -> Markup {
    let samples = trace.samples();
    let with_needle = |i: usize| samples[i].chamber_with_needle_mmhg;
    let scale = Scale::holding(samples.iter().map(|s| s.chamber_mmhg), 20.0);
    let picture = html! {
        (drawn(&scale, "chamber", &runs(trace, axis, |i| Some(samples[i].chamber_mmhg)), Span::mean))
        (ring(&scale, &runs(trace, axis, with_needle)))
    };
    let told = match from_to((0..samples.len()).filter_map(with_needle)) {
        told if samples.is_empty() => told,
        told => format!("{told} with the needle in the eye"),
    };
    let title = "Pressure in the chamber, mmHg";
    chart(&Head { id: "chamber", title, told }, &scale, axis, marks, &numbered(&scale), picture)
}

/// A chart of one quantity with its range and its mean.
fn plain(
    (id, title): (&'static str, &str),
    trace: &Trace,
    (axis, marks): (&Axis, &[Mark]),
    least_high: f64,
    of: impl Fn(usize) -> Span,
) -> Markup {
    let all = (0..trace.samples().len()).map(&of);
    let scale = Scale::holding(all.clone(), least_high);
    let picture = drawn(&scale, id, &runs(trace, axis, |i| Some(of(i))), Span::mean);
    chart(&Head { id, title, told: from_to(all) }, &scale, axis, marks, &numbered(&scale), picture)
}

fn vacuum(trace: &Trace, axis: &Axis, marks: &[Mark]) -> Markup {
    let of = |i: usize| trace.samples()[i].vacuum_mmhg;
    plain(("vacuum", "Vacuum in the line, mmHg (below 0: pressure)"), trace, (axis, marks), 20.0, of)
}

fn flow(trace: &Trace, axis: &Axis, marks: &[Mark]) -> Markup {
    let of = |i: usize| trace.samples()[i].flow_ml_min;
    plain(("flow", "Flow into the needle, mL/min"), trace, (axis, marks), 5.0, of)
}

/// The foot: a line at its position, and the power's share as a grey area with a scale of its own on the right.
fn foot(trace: &Trace, axis: &Axis, marks: &[Mark]) -> Markup {
    let scale = Scale { low: 0.0, high: 3.0, step: 1.0 };
    let names = ["0 nothing", "1 infusion", "2 aspiration", "3 ultrasound"];
    let labels: Vec<(f64, String)> = scale.ticks().zip(names).map(|(value, name)| (value, name.to_string())).collect();
    let power = Scale { low: 0.0, high: 1.0, step: 1.0 };
    let most = trace.samples().iter().map(|s| s.power.most).fold(0.0, f64::max);
    let told = format!("power up to {:.0} %", 100.0 * most);
    let above_zero = |i: usize| {
        let span = trace.samples()[i].power;
        (span.most > 0.0).then_some(Span::at(0.0).with(Span::at(span.most)))
    };
    let mut path = String::new();
    for hold in trace.foot() {
        let (x, y) = (axis.x(hold.from_s), scale.y(f64::from(hold.position)));
        path += &if path.is_empty() { format!("M{x:.1} {y:.1}") } else { format!("H{x:.1}V{y:.1}") };
    }
    if !path.is_empty() {
        path += &format!("H{:.1}", axis.x(trace.end_s()));
    }
    let drawn = html! {
        @for run in runs(trace, axis, above_zero) { polygon.power points=(outline(&power, &run)) {} }
        path class=(if trace.foot().len() > MANY_STEPS { "foot dense" } else { "foot" }) d=(path) {}
        text.scale x=(WIDTH - RIGHT + 4.0) y=(px(power.y(1.0) + 8.0)) { "100 %" }
        text.scale x=(WIDTH - RIGHT + 4.0) y=(px(power.y(0.0))) { "0 %" }
    };
    let title = "Foot: position (line) and power (grey, scale on the right)";
    chart(&Head { id: "foot", title, told }, &scale, axis, marks, &labels, drawn)
}

/// How near the capsule the instruments were, with the case's floor.
fn distance(trace: &Trace, axis: &Axis, marks: &[Mark], floor_mm: f64) -> Markup {
    let of = |i: usize| trace.samples()[i].to_capsule_mm;
    let least_mm = (0..trace.samples().len()).filter_map(of).map(|s| s.least).reduce(f64::min);
    let drawn_mm = (FLOORS_DRAWN * floor_mm).max(LEAST_DRAWN_MM);
    let scale = Scale::holding(least_mm.map(|mm| Span::at(mm.clamp(-DRAWN_BEHIND_MM, 0.0))).into_iter(), drawn_mm);
    let told = least_mm.map_or("no instrument in the eye".to_string(), |mm| {
        let reached = if mm < 0.0 { format!("{:.2} mm behind it", -mm) } else { format!("nearest {mm:.2} mm") };
        format!("{reached}; asked for: at least {floor_mm:.2} mm")
    });
    let y = scale.y(floor_mm);
    let picture = html! {
        line.floor x1=(LEFT) x2=(WIDTH - RIGHT) y1=(px(y)) y2=(px(y)) {}
        text.scale x=(WIDTH - RIGHT + 4.0) y=(px(y + 4.0)) { "floor" }
        (drawn(&scale, "distance", &runs(trace, axis, of), |span| span.least))
        (ring(&scale, &runs(trace, axis, of)))
    };
    let title = "Nearer instrument to the posterior capsule, mm";
    chart(&Head { id: "distance", title, told }, &scale, axis, marks, &numbered(&scale), picture)
}

fn times(axis: &Axis) -> Markup {
    let step = round_step(axis.end_s / 10.0);
    let count = libm::floor(axis.end_s / step + 1e-9) as u32;
    html! {
        svg.times role="img" aria-labelledby="times-title" viewBox=(format!("0 0 {WIDTH} 34")) {
            title id="times-title" { "Time from 0 to " (short(axis.end_s)) " s" }
            line.rule x1=(LEFT) x2=(WIDTH - RIGHT) y1="0.5" y2="0.5" {}
            @for i in 0..=count {
                @let t_s = f64::from(i) * step;
                line.rule x1=(px(axis.x(t_s))) x2=(px(axis.x(t_s))) y1="0" y2="5" {}
                text.time x=(px(axis.x(t_s))) y="17" { (short(t_s)) }
            }
            text.time x=(px(0.5 * (LEFT + WIDTH - RIGHT))) y="31" { "Time, s" }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn marks(times: impl Iterator<Item = f64>, is_critical: impl Fn(usize) -> bool) -> Vec<Mark> {
        times.enumerate().map(|(i, t_s)| Mark { number: i + 1, t_s, is_critical: is_critical(i) }).collect()
    }

    #[test]
    fn every_event_has_a_mark_and_no_mark_covers_another() {
        let axis = Axis { end_s: 300.0 };
        for (count, every) in [(5, 60.0), (90, 3.3), (200, 0.7)] {
            let marks = marks((0..count).map(|i| f64::from(i) * every), |i| i % 37 == 36);
            let groups = grouped(&axis, &marks);
            for mark in &marks {
                let held = groups.iter().filter(|g| (g.first..=g.last).contains(&mark.number)).collect::<Vec<_>>();
                assert_eq!(held.len(), 1, "{mark:?}");
                assert_eq!(held[0].is_critical, mark.is_critical);
            }
            let row_of = |row: usize| groups.iter().filter(move |g| g.row == row);
            for row in 0..=MARK_ROWS {
                for (a, b) in row_of(row).zip(row_of(row).skip(1)) {
                    assert!(a.x + a.half() <= b.x - b.half() + 1e-9, "{} covers {}", a.label(), b.label());
                }
            }
        }
    }

    #[test]
    fn scales_hold_all_values_in_a_few_round_steps() {
        for (least, most) in [(0.0, 83.0), (-3.0, 30.0), (0.0, 0.4), (-0.2, 3.2), (0.0, 650.0), (0.0, 20.0)] {
            let scale = Scale::holding([Span::at(least).with(Span::at(most))].into_iter(), 0.1);
            assert!(scale.low <= least && scale.high >= most);
            assert!((3..=6).contains(&scale.ticks().count()), "{least}..{most}: {}", scale.step);
        }
        assert_eq!(round_step(0.3), 0.5);
        assert_eq!((round_step(20.0), round_step(21.0)), (20.0, 50.0));
    }

    #[test]
    fn numbers_have_no_needless_decimals_and_a_true_minus() {
        assert_eq!([2.0, 0.5, -0.25, -0.0, 100.0].map(short), ["2", "0.5", "−0.25", "0", "100"]);
    }

    #[test]
    fn a_trace_without_samples_draws_empty_charts() {
        let page = course(&Trace::default(), &[], 0.8).into_string();
        assert_eq!(page.matches("class=\"chart\"").count(), 5);
        assert!(page.contains("no samples") && !page.contains("NaN") && !page.contains("inf,"));
    }
}
