//! A map as a picture: cells in colours of the broken share, and by shape whatever matters more.
//!
//! Broken share of the core: cividis, 0 to 1. An outline goes round the cells whose chop went right through; a breach is hatched; a
//! cell the tip could not reach is white with a dot; a triangle says that an instrument came too near the posterior capsule; a ring
//! with a spot is the learner's own choice, which lies where it was and not in the middle of a cell. Cells reach halfway to their
//! neighbours, so uneven steps keep their places. Units: those of the axes; px. Limits: between cells nothing is guessed, so the
//! outline has corners; numbers at the axes are left out where they would run into each other.

use crate::debrief::charts::{px, short};
use crate::debrief::maps::outcome::CellOutcome;
use crate::debrief::palette::cividis;
use crate::plan::map::{Axis, MapCell, MapRequest, Quantity, StandardChop};
use maud::{Markup, html};
use std::fmt::Write as _;

/// The style sheet of all that this file draws.
pub const STYLE: &str = include_str!("map.css");

/// Space between hatching lines, px.
const HATCH: f64 = 7.0;

/// Height of a row of the legend, px.
const LEGEND_ROW: f64 = 20.0;

/// Width of the legend's bar of colours and of a strip of it, px.
const BAR: f64 = 200.0;
const STRIP: f64 = 4.0;

/// Height of a line of text, and width of a letter at most, px.
const LINE: f64 = 16.0;
const LETTER: f64 = 7.6;

/// What is drawn.
#[derive(Clone, Copy, Debug)]
pub struct Plot<'a> {
    /// The axes, and what is the same in all chops.
    pub request: &'a MapRequest,
    /// The cells, row by row.
    pub cells: &'a [MapCell],
    /// The least distance to the posterior capsule that the case asks for, mm.
    pub floor_mm: f64,
    /// The core: its centre, mm from the lens's axis, and its radius, mm.
    pub core: ((f64, f64), f64),
    /// The learner's own choice.
    pub yours: Option<&'a StandardChop>,
}

/// Where the cells of a plot lie, px.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Frame {
    /// Left edge.
    pub left: f64,
    /// Upper edge.
    pub top: f64,
    /// Width.
    pub wide: f64,
    /// Height.
    pub high: f64,
}

/// What an axis shows, with its unit.
fn axis_in_words(quantity: Quantity) -> &'static str {
    match quantity {
        Quantity::Depth => "Depth below the core's front, mm",
        Quantity::Angle => "Tip angle, degrees",
        Quantity::Vacuum => "Vacuum limit, mmHg",
        Quantity::PlaceX => "Toward 3 o'clock, mm",
        Quantity::PlaceY => "Toward 12 o'clock, mm",
    }
}

/// A value with its unit.
fn value_in_words(quantity: Quantity, value: f64) -> String {
    match quantity {
        Quantity::Depth | Quantity::PlaceX | Quantity::PlaceY => format!("{} mm", short(value)),
        Quantity::Angle => format!("{value:.0}°"),
        Quantity::Vacuum => format!("{value:.0} mmHg"),
    }
}

/// Numbers of an axis, with as many decimals as the finest of them needs.
fn numbers(values: &[f64]) -> Vec<String> {
    let needed = |value: &f64| short(*value).split_once('.').map_or(0, |(_, decimals)| decimals.len());
    let decimals = values.iter().map(needed).max().unwrap_or(0);
    // What rounds to 0 has no sign.
    let number = |value: &f64| format!("{:.decimals$}", if value.abs() < 0.005 { 0.0 } else { *value });
    values.iter().map(|value| number(value).replace('-', "−")).collect()
}

/// Half of a cell that has no neighbour, in the quantity's unit.
fn lone_half(quantity: Quantity) -> f64 {
    match quantity {
        Quantity::Depth | Quantity::PlaceX | Quantity::PlaceY => 0.1,
        Quantity::Angle => 2.5,
        Quantity::Vacuum => 50.0,
    }
}

/// An axis on the page.
struct Scale {
    /// Edges of the cells, one more than cells.
    edges: Vec<f64>,
    from_px: f64,
    to_px: f64,
}

impl Scale {
    fn of(axis: &Axis, from_px: f64, to_px: f64) -> Self {
        let values = &axis.values;
        let middles = values.windows(2).map(|pair| 0.5 * (pair[0] + pair[1]));
        let half = |pair: Option<&[f64]>| pair.map_or(lone_half(axis.quantity), |p| 0.5 * (p[1] - p[0]));
        let first = values.first().map(|v| v - half(values.windows(2).next()));
        let last = values.last().map(|v| v + half(values.windows(2).next_back()));
        Self { edges: first.into_iter().chain(middles).chain(last).collect(), from_px, to_px }
    }

    fn px(&self, value: f64) -> f64 {
        let (Some(low), Some(high)) = (self.edges.first(), self.edges.last()) else { return self.from_px };
        self.from_px + (self.to_px - self.from_px) * (value - low) / (high - low)
    }

    /// Edges of a cell, the smaller first, px.
    fn cell(&self, i: usize) -> (f64, f64) {
        let (a, b) = (self.px(self.edges[i]), self.px(self.edges[i + 1]));
        (a.min(b), a.max(b))
    }

    /// Values of an axis with room for their numbers.
    fn ticks(&self, values: &[f64], room_px: f64) -> Vec<f64> {
        let mut kept: Vec<f64> = Vec::new();
        let narrowest = values.windows(2).map(|p| (self.px(p[1]) - self.px(p[0])).abs()).fold(f64::INFINITY, f64::min);
        // Every so many, so that the numbers are as even as the values.
        let stride = if narrowest.is_finite() { (room_px / narrowest).ceil().max(1.0) as usize } else { 1 };
        for value in values.iter().step_by(stride) {
            if kept.last().is_none_or(|last| (self.px(*value) - self.px(*last)).abs() >= room_px - 1e-9) {
                kept.push(*value);
            }
        }
        kept
    }
}

impl Plot<'_> {
    fn scales(&self, frame: &Frame) -> (Scale, Scale) {
        let (top, bottom) = (frame.top, frame.top + frame.high);
        // Deeper is below, 12 o'clock above.
        let (from, to) = if self.request.rows.quantity == Quantity::PlaceY { (bottom, top) } else { (top, bottom) };
        let columns = Scale::of(&self.request.columns, frame.left, frame.left + frame.wide);
        (Scale::of(&self.request.rows, from, to), columns)
    }

    /// Is this a map of places, which must not be stretched?
    pub fn is_of_places(&self) -> bool {
        self.request.rows.quantity == Quantity::PlaceY && self.request.columns.quantity == Quantity::PlaceX
    }

    /// The largest frame within another that keeps a map of places in its true shape, in the middle.
    pub fn fitted(&self, frame: &Frame) -> Frame {
        if !self.is_of_places() {
            return *frame;
        }
        let span = |axis: &Axis| {
            let scale = Scale::of(axis, 0.0, 1.0);
            scale.edges.last().zip(scale.edges.first()).map_or(1.0, |(high, low)| high - low)
        };
        let (across, down) = (span(&self.request.columns), span(&self.request.rows));
        let px_per_mm = (frame.wide / across).min(frame.high / down);
        let (wide, high) = (across * px_per_mm, down * px_per_mm);
        Frame { left: frame.left + 0.5 * (frame.wide - wide), wide, high, ..*frame }
    }

    fn outcome(&self, row: usize, column: usize) -> CellOutcome {
        CellOutcome::of(&self.cells[row * self.request.columns.values.len() + column], self.floor_mm)
    }

    /// What the map says, in a sentence.
    pub fn in_words(&self) -> String {
        let outcomes: Vec<CellOutcome> = self.cells.iter().map(|c| CellOutcome::of(c, self.floor_mm)).collect();
        let count = |of: CellOutcome| outcomes.iter().filter(|o| **o == of).count();
        let breached = match count(CellOutcome::Breach) {
            0 => "none breached the capsule".to_owned(),
            n => format!("{n} breached the posterior capsule"),
        };
        format!(
            "Of {} chops {} went right through clear of the capsule; {breached}.",
            outcomes.len(),
            count(CellOutcome::Through)
        )
    }

    /// Cells, axes and marks, for an `svg` of class `map`.
    pub fn drawn(&self, frame: &Frame) -> Markup {
        let (rows, columns) = self.scales(frame);
        let counts = (self.request.rows.values.len(), self.request.columns.values.len());
        let places: Vec<(usize, usize)> = (0..counts.0).flat_map(|r| (0..counts.1).map(move |c| (r, c))).collect();
        let smallest = places
            .iter()
            .map(|(r, c)| {
                let ((y0, y1), (x0, x1)) = (rows.cell(*r), columns.cell(*c));
                (x1 - x0, y1 - y0)
            })
            .fold((f64::INFINITY, f64::INFINITY), |least, cell| (least.0.min(cell.0), least.1.min(cell.1)));
        let spacing = HATCH.min(0.9 * (smallest.0 + smallest.1));
        let sign = 0.22 * smallest.0.min(smallest.1);
        let middle = |(r, c): (usize, usize)| {
            let ((y0, y1), (x0, x1)) = (rows.cell(r), columns.cell(c));
            (0.5 * (x0 + x1), 0.5 * (y0 + y1))
        };
        let is_near = |(r, c): (usize, usize)| {
            let cell = &self.cells[r * counts.1 + c];
            let outcome = self.outcome(r, c);
            !matches!(outcome, CellOutcome::Breach | CellOutcome::NotReached)
                && cell.distance_to_capsule_min_mm < self.floor_mm
        };
        let outline = self.outline(&rows, &columns);
        html! {
            @for (r, c) in &places { (self.cell(*r, *c, &rows, &columns)) }
            @for (r, c) in &places {
                @if self.outcome(*r, *c) == CellOutcome::NotReached {
                    @let (x, y) = middle((*r, *c));
                    circle class="dot" cx=(px(x)) cy=(px(y)) r=(px(sign.min(1.8))) {}
                }
            }
            @for (r, c) in &places {
                @if self.outcome(*r, *c) == CellOutcome::Breach {
                    @let path = hatching(columns.cell(*c), rows.cell(*r), spacing);
                    path class="hatch-halo" d=(path) {}
                    path class="hatch" d=(path) {}
                }
            }
            @if !outline.is_empty() {
                path class="halo" d=(outline) {}
                path class="outline" d=(outline) {}
            }
            @for place in &places {
                @if is_near(*place) { (triangle(middle(*place), sign.min(5.0))) }
            }
            rect class="frame" x=(px(frame.left)) y=(px(frame.top)) width=(px(frame.wide)) height=(px(frame.high)) {}
            @if self.is_of_places() {
                @let ((x_mm, y_mm), radius_mm) = self.core;
                @let radius = (columns.px(radius_mm) - columns.px(0.0)).abs();
                circle class="hatch-halo" cx=(px(columns.px(x_mm))) cy=(px(rows.px(y_mm))) r=(px(radius)) {}
                circle class="core" cx=(px(columns.px(x_mm))) cy=(px(rows.px(y_mm))) r=(px(radius)) {}
            }
            (self.axes(frame, &rows, &columns))
            @if let Some(yours) = self.yours { (self.own_mark(yours, frame, &rows, &columns)) }
        }
    }

    fn cell(&self, row: usize, column: usize, rows: &Scale, columns: &Scale) -> Markup {
        let ((y0, y1), (x0, x1)) = (rows.cell(row), columns.cell(column));
        let (class, fill) = match self.outcome(row, column) {
            CellOutcome::NotReached => ("cell unreached", "#ffffff".to_owned()),
            outcome => {
                let cell = &self.cells[row * self.request.columns.values.len() + column];
                let class = if outcome == CellOutcome::Breach { "cell breach" } else { "cell reached" };
                (class, colour(cell.core_fraction_cracked))
            }
        };
        let number = |value: f64| format!("{value:.2}");
        html! {
            rect class=(class) x=(number(x0)) y=(number(y0)) width=(number(x1 - x0)) height=(number(y1 - y0)) fill=(fill) {}
        }
    }

    /// Edges between cells that went right through and others.
    fn outline(&self, rows: &Scale, columns: &Scale) -> String {
        let counts = (self.request.rows.values.len(), self.request.columns.values.len());
        let is_in = |r: Option<usize>, c: Option<usize>| {
            r.zip(c).is_some_and(|(r, c)| r < counts.0 && c < counts.1 && self.outcome(r, c).is_through())
        };
        let mut path = String::new();
        for (r, c) in (0..counts.0).flat_map(|r| (0..counts.1).map(move |c| (r, c))) {
            if !is_in(Some(r), Some(c)) {
                continue;
            }
            let edge = |i: usize, scale: &Scale| scale.px(scale.edges[i]);
            let (before, after) = (edge(r, rows), edge(r + 1, rows));
            let (left, right) = (edge(c, columns), edge(c + 1, columns));
            for (y, neighbour) in [(before, r.checked_sub(1)), (after, Some(r + 1))] {
                if !is_in(neighbour, Some(c)) {
                    let _ = write!(path, "M{left:.1} {y:.1}H{right:.1}");
                }
            }
            for (x, neighbour) in [(left, c.checked_sub(1)), (right, Some(c + 1))] {
                if !is_in(Some(r), neighbour) {
                    let _ = write!(path, "M{x:.1} {before:.1}V{after:.1}");
                }
            }
        }
        path
    }

    fn axes(&self, frame: &Frame, rows: &Scale, columns: &Scale) -> Markup {
        let (down, across) = (&self.request.rows, &self.request.columns);
        let widest = numbers(&across.values).iter().map(|n| n.chars().count()).max().unwrap_or(1) as f64;
        let labelled = |scale: &Scale, values: &[f64], room_px: f64| {
            let ticks = scale.ticks(values, room_px);
            let numbers = numbers(&ticks);
            ticks.into_iter().zip(numbers).collect::<Vec<_>>()
        };
        let (bottom, middle) = (frame.top + frame.high, frame.top + 0.5 * frame.high);
        let aside = frame.left - 44.0;
        html! {
            @for (value, number) in labelled(rows, &down.values, 17.0) {
                @let y = rows.px(value);
                line class="tick" x1=(px(frame.left - 5.0)) x2=(px(frame.left)) y1=(px(y)) y2=(px(y)) {}
                text x=(px(frame.left - 8.0)) y=(px(y + 4.0)) text-anchor="end" { (number) }
            }
            @for (value, number) in labelled(columns, &across.values, LETTER * widest + 8.0) {
                @let x = columns.px(value);
                line class="tick" x1=(px(x)) x2=(px(x)) y1=(px(bottom)) y2=(px(bottom + 5.0)) {}
                text x=(px(x)) y=(px(bottom + 18.0)) text-anchor="middle" { (number) }
            }
            text.axis x=(px(frame.left + 0.5 * frame.wide)) y=(px(bottom + 37.0)) text-anchor="middle" {
                (axis_in_words(across.quantity))
            }
            text.axis x=(px(aside)) y=(px(middle)) text-anchor="middle"
                transform=(format!("rotate(-90 {aside:.1} {middle:.1})")) { (axis_in_words(down.quantity)) }
        }
    }

    fn own_mark(&self, yours: &StandardChop, frame: &Frame, rows: &Scale, columns: &Scale) -> Markup {
        let (down, across) = (self.request.rows.quantity, self.request.columns.quantity);
        let (x, y) = (columns.px(yours.value(across)), rows.px(yours.value(down)));
        let label = if self.is_of_places() {
            format!("Yours: {}, {} mm", short(yours.place_mm.0), short(yours.place_mm.1))
        } else {
            let values = [down, across].map(|quantity| value_in_words(quantity, yours.value(quantity)));
            format!("Yours: {}", values.join(", "))
        };
        // The label stands over the mark, but within the frame.
        let share = (x - frame.left) / frame.wide;
        let (anchor, at) = match share {
            ..0.25 => ("start", x.max(frame.left + 4.0) - 4.0),
            ..0.75 => ("middle", x),
            _ => ("end", x.min(frame.left + frame.wide - 4.0) + 4.0),
        };
        html! {
            @for class in ["leader-halo", "leader"] {
                line class=(class) x1=(px(x)) x2=(px(x)) y1=(px(frame.top - 6.0)) y2=(px((y - 8.0).max(frame.top - 6.0))) {}
            }
            circle class="ring-halo" cx=(px(x)) cy=(px(y)) r="8" {}
            circle class="ring" cx=(px(x)) cy=(px(y)) r="8" {}
            circle class="spot" cx=(px(x)) cy=(px(y)) r="2.6" {}
            text.yours x=(px(at)) y=(px(frame.top - 11.0)) text-anchor=(anchor) { (label) }
        }
    }
}

/// The colour of a share, as in a style sheet.
fn colour(share: f64) -> String {
    let [red, green, blue] = cividis(share);
    format!("#{red:02x}{green:02x}{blue:02x}")
}

/// Slanting lines within a cell, which go on in its neighbours.
fn hatching((left, right): (f64, f64), (top, bottom): (f64, f64), spacing: f64) -> String {
    let mut path = String::new();
    let last = ((right + bottom) / spacing).floor() as i64;
    for line in ((left + top) / spacing).ceil() as i64..=last {
        let sum = line as f64 * spacing;
        let (from_x, to_x) = (left.max(sum - bottom), right.min(sum - top));
        let _ = write!(path, "M{from_x:.1} {:.1}L{to_x:.1} {:.1}", sum - from_x, sum - to_x);
    }
    path
}

/// A sign that points down, to the capsule.
fn triangle((x, y): (f64, f64), half: f64) -> Markup {
    let points = format!("{:.1},{:.1} {:.1},{1:.1} {x:.1},{:.1}", x - half, y - 0.8 * half, x + half, y + half);
    html! { polygon class="near" points=(points) {} }
}

/// What the signs of some plots mean, beginning at a place; with it the height, px.
pub fn legend(plots: &[Plot<'_>], left: f64, top: f64, wide: f64) -> (Markup, f64) {
    let Some(first) = plots.first() else { return (html! {}, 0.0) };
    let floor_mm = first.floor_mm;
    let has = |is: &dyn Fn(&MapCell, CellOutcome) -> bool| {
        plots.iter().flat_map(|p| p.cells).any(|c| is(c, CellOutcome::of(c, floor_mm)))
    };
    let sign_box = |x: f64, y: f64| Frame { left: x, top: y, wide: 20.0, high: 14.0 };
    let mut items: Vec<(&dyn Fn(Frame) -> Markup, String)> = Vec::new();
    if plots.iter().any(|p| p.yours.is_some()) {
        items.push((&ring_sign, "the choice of this attempt".to_owned()));
    }
    if has(&|_, o| o.is_through()) {
        items.push((&outline_sign, "right through, the sides apart".to_owned()));
    }
    if has(&|c, o| {
        !matches!(o, CellOutcome::Breach | CellOutcome::NotReached) && c.distance_to_capsule_min_mm < floor_mm
    }) {
        items.push((&near_sign, format!("within {floor_mm:.2} mm of the capsule")));
    }
    if has(&|_, o| o == CellOutcome::NotReached) {
        items.push((&unreached_sign, "tip could not get there".to_owned()));
    }
    if has(&|_, o| o == CellOutcome::Breach) {
        items.push((&breach_sign, "posterior capsule breached".to_owned()));
    }
    if plots.iter().any(Plot::is_of_places) {
        items.push((&core_sign, "edge of the core".to_owned()));
    }
    let column = (wide - BAR - 48.0) / 2.0;
    let per_column = items.len().div_ceil(2).max(1);
    let strips = (BAR / STRIP) as u32;
    let drawn = html! {
        text.axis x=(px(left)) y=(px(top + 11.0)) { "Broken share of the core" }
        @for i in 0..strips {
            rect class="strip" x=(px(left + STRIP * f64::from(i))) y=(px(top + 18.0)) width=(STRIP + 0.5) height="13"
                fill=(colour((f64::from(i) + 0.5) / f64::from(strips))) {}
        }
        @for percent in [0.0, 25.0, 50.0, 75.0, 100.0] {
            @let x = left + BAR * percent / 100.0;
            line class="tick" x1=(px(x)) x2=(px(x)) y1=(px(top + 31.0)) y2=(px(top + 35.0)) {}
            text x=(px(x)) y=(px(top + 47.0)) text-anchor=(if percent == 0.0 { "start" } else { "middle" }) {
                (format!("{percent:.0}")) @if percent == 100.0 { " %" }
            }
        }
        @for (i, (sign, words)) in items.iter().enumerate() {
            @let x = left + BAR + 48.0 + column * (i / per_column) as f64;
            @let y = top + LEGEND_ROW * (i % per_column) as f64;
            (sign(sign_box(x, y)))
            text x=(px(x + 29.0)) y=(px(y + 11.5)) { (words) }
        }
    };
    (drawn, (LEGEND_ROW * per_column as f64).max(52.0))
}

fn ring_sign(at: Frame) -> Markup {
    let (x, y) = (at.left + 0.5 * at.wide, at.top + 0.5 * at.high);
    html! {
        circle class="ring" cx=(px(x)) cy=(px(y)) r="6.5" {}
        circle class="spot" cx=(px(x)) cy=(px(y)) r="2.4" {}
    }
}

fn swatch(at: Frame, fill: &str) -> Markup {
    html! { rect class="swatch" x=(px(at.left)) y=(px(at.top)) width=(px(at.wide)) height=(px(at.high)) fill=(fill) {} }
}

fn outline_sign(at: Frame) -> Markup {
    let path = format!("M{:.1} {:.1}h{:.1}v{:.1}h-{2:.1}z", at.left, at.top, at.wide, at.high);
    html! { (swatch(at, &colour(1.0))) path class="outline" d=(path) {} }
}

fn near_sign(at: Frame) -> Markup {
    html! { (swatch(at, &colour(1.0))) (triangle((at.left + 0.5 * at.wide, at.top + 0.5 * at.high), 5.0)) }
}

fn unreached_sign(at: Frame) -> Markup {
    html! {
        rect class="frame" x=(px(at.left)) y=(px(at.top)) width=(px(at.wide)) height=(px(at.high)) {}
        circle class="dot" cx=(px(at.left + 0.5 * at.wide)) cy=(px(at.top + 0.5 * at.high)) r="1.8" {}
    }
}

fn breach_sign(at: Frame) -> Markup {
    let path = hatching((at.left, at.left + at.wide), (at.top, at.top + at.high), HATCH);
    html! {
        (swatch(at, &colour(0.5)))
        path class="hatch-halo" d=(path) {}
        path class="hatch" d=(path) {}
    }
}

fn core_sign(at: Frame) -> Markup {
    let y = at.top + 0.5 * at.high;
    html! { line class="core" x1=(px(at.left)) x2=(px(at.left + at.wide)) y1=(px(y)) y2=(px(y)) {} }
}

/// Size of a picture on its own, px.
pub const SHEET: (f64, f64) = (1000.0, 800.0);

/// A picture on its own: title, what is the same in all chops, plot, legend, notice.
pub fn sheet(plot: &Plot<'_>, title: &str, lines: &[String], notice: &str) -> String {
    let (wide, high) = SHEET;
    let margin = 28.0;
    let notice = wrapped(notice, ((wide - 2.0 * margin) / (0.77 * LETTER)) as usize);
    let notice_top = high - 16.0 - LINE * notice.len() as f64;
    let legend_top = notice_top - 76.0;
    let (legend, _) = legend(std::slice::from_ref(plot), margin, legend_top, wide - 2.0 * margin);
    let letters = ((wide - 2.0 * margin) / (0.87 * LETTER)) as usize;
    let lines: Vec<String> = lines.iter().flat_map(|line| wrapped(line, letters)).collect();
    let top = 66.0 + LINE * lines.len() as f64 + 22.0;
    let room = Frame { left: 84.0, top, wide: wide - 84.0 - margin, high: legend_top - 64.0 - top };
    // A long title is set smaller.
    let size = (1.5 * (wide - 2.0 * margin) / title.chars().count().max(1) as f64).min(22.0);
    let page = html! {
        svg.map xmlns="http://www.w3.org/2000/svg" width=(wide) height=(high) viewBox=(format!("0 0 {wide} {high}")) {
            style { (maud::PreEscaped(STYLE)) }
            rect width=(wide) height=(high) fill="#ffffff" {}
            text.title x=(margin) y="46" style=(format!("font-size: {size:.1}px")) { (title) }
            @for (i, line) in lines.iter().enumerate() {
                text x=(margin) y=(px(70.0 + LINE * i as f64)) { (line) }
            }
            (plot.drawn(&plot.fitted(&room)))
            (legend)
            @for (i, line) in notice.iter().enumerate() {
                text.small x=(margin) y=(px(notice_top + LINE * i as f64)) { (line) }
            }
        }
    };
    page.into_string()
}

/// Words in lines of so many letters.
fn wrapped(text: &str, letters: usize) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        match lines.last_mut().filter(|line| line.chars().count() + 1 + word.chars().count() <= letters) {
            Some(line) => *line += &format!(" {word}"),
            None => lines.push(word.to_owned()),
        }
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::ChopKind;

    const FRAME: Frame = Frame { left: 100.0, top: 50.0, wide: 300.0, high: 120.0 };

    fn chop() -> StandardChop {
        StandardChop {
            depth_mm: 1.0,
            angle_deg: 40.0,
            place_mm: (0.0, 0.0),
            kind: ChopKind::Vertical,
            separation_mm: 1.5,
            vacuum_mmhg: 300.0,
        }
    }

    /// Depths 1, 2, 3 mm by angles 20, 30, 40: below, and to the right, things get worse.
    fn request() -> MapRequest {
        MapRequest::over_depth_and_angle(chop(), vec![1.0, 2.0, 3.0], vec![20.0, 30.0, 40.0])
    }

    /// A letter a cell: `#` through, `!` through but near, `-` nothing, `.` not reached, `X` breached.
    fn cells(request: &MapRequest, letters: &str) -> Vec<MapCell> {
        let cell = |(chop, letter): (StandardChop, char)| MapCell {
            chop,
            is_reachable: letter != '.',
            reached_depth_mm: Some(chop.depth_mm),
            core_fraction_cracked: if letter == '-' { 0.0 } else { 1.0 },
            posterior_third_cracked: 0.0,
            complete: matches!(letter, '#' | '!' | 'X'),
            distance_to_capsule_min_mm: if letter == '!' { 0.2 } else { 1.0 },
            breach: letter == 'X',
            tip_slipped: false,
            fault: None,
        };
        request.chops().into_iter().zip(letters.chars()).map(cell).collect()
    }

    fn plot<'a>(request: &'a MapRequest, cells: &'a [MapCell], yours: Option<&'a StandardChop>) -> Plot<'a> {
        Plot { request, cells, floor_mm: 0.5, core: ((0.0, 0.0), 2.0), yours }
    }

    /// A number of the first element that begins so.
    fn number(svg: &str, element: &str, name: &str) -> f64 {
        let from = svg.find(element).expect(element);
        let after = svg[from..].split_once(&format!(" {name}=\"")).expect(name).1;
        after.split('"').next().and_then(|n| n.parse().ok()).expect("a number")
    }

    #[test]
    fn every_cell_is_drawn_and_its_sign_with_it() {
        let request = request();
        let cells = cells(&request, "-##.#!.XX");
        let svg = plot(&request, &cells, None).drawn(&FRAME).into_string();
        assert_eq!(svg.matches("<rect class=\"cell ").count(), 9);
        assert_eq!(svg.matches("class=\"cell breach\"").count(), 2);
        assert_eq!(svg.matches("class=\"hatch\"").count(), 2);
        assert_eq!(svg.matches("class=\"cell unreached\"").count(), 2);
        assert_eq!(svg.matches("class=\"dot\"").count(), 2);
        assert_eq!(svg.matches("class=\"near\"").count(), 1);
        assert!(!svg.contains("class=\"ring\""));
        // Nothing is broken in the first cell, all in the second.
        let first = svg.find("class=\"cell reached\" x=\"100.00\" y=\"50.00\" width=\"100.00\" height=\"40.00\"");
        let first = &svg[first.expect("the first cell")..];
        assert!(first.split('>').next().expect("an end").contains(&format!("fill=\"{}\"", colour(0.0))));
        assert!(first.split('>').nth(2).expect("the next").contains(&format!("fill=\"{}\"", colour(1.0))), "{first}");
    }

    #[test]
    fn the_outline_goes_round_what_went_through_and_nothing_else() {
        let request = request();
        let cells = cells(&request, "-##.#!.XX");
        let plot = plot(&request, &cells, None);
        let (rows, columns) = plot.scales(&FRAME);
        let outline = plot.outline(&rows, &columns);
        // Four cells in a square have eight sides outside.
        assert_eq!(outline.matches('M').count(), 8, "{outline}");
        assert!(outline.contains("M200.0 50.0H300.0") && outline.contains("M300.0 50.0H400.0"), "above: {outline}");
        assert!(
            outline.contains("M200.0 130.0H300.0") && outline.contains("M200.0 90.0V130.0"),
            "below, left: {outline}"
        );
        let none = vec![cells[0].clone(); 9];
        assert_eq!(super::Plot { cells: &none, ..plot }.outline(&rows, &columns), "");
    }

    #[test]
    fn the_learners_choice_stands_where_it_was() {
        let request = request();
        let cells = cells(&request, "-##.#!.XX");
        let yours = StandardChop { depth_mm: 2.25, angle_deg: 34.0, ..chop() };
        let svg = plot(&request, &cells, Some(&yours)).drawn(&FRAME).into_string();
        // Cells of 10 degrees are 100 px wide and those of 1 mm 40 px high: the edges are at 15 degrees and 0.5 mm.
        assert!((number(&svg, "<circle class=\"ring\"", "cx") - 290.0).abs() < 0.06);
        assert!((number(&svg, "<circle class=\"ring\"", "cy") - 120.0).abs() < 0.06);
        assert!(svg.contains("Yours: 2.25 mm, 34°"), "{svg}");
    }

    #[test]
    fn uneven_steps_and_single_values_keep_their_places() {
        let axis = |values: &[f64]| Axis { quantity: Quantity::Depth, values: values.to_vec() };
        let uneven = Scale::of(&axis(&[0.0, 1.0, 1.5]), 0.0, 225.0);
        assert_eq!(uneven.edges, [-0.5, 0.5, 1.25, 1.75]);
        assert!((uneven.px(1.0) - 150.0).abs() < 1e-9);
        let lone = Scale::of(&axis(&[2.0]), 0.0, 100.0);
        assert!((lone.px(2.0) - 50.0).abs() < 1e-9);
        let many: Vec<f64> = (0..100).map(f64::from).collect();
        let ticks = Scale::of(&axis(&many), 0.0, 400.0).ticks(&many, 20.0);
        assert_eq!(&ticks[..3], [0.0, 5.0, 10.0]);
        assert_eq!(numbers(&[0.0, -0.5, 1.25]), ["0.00", "−0.50", "1.25"]);
    }

    #[test]
    fn places_are_not_stretched_and_12_o_clock_is_above() {
        let axis = |quantity, values: &[f64]| Axis { quantity, values: values.to_vec() };
        let rows = axis(Quantity::PlaceY, &[-1.0, 0.0, 1.0]);
        let request = MapRequest { rows, columns: axis(Quantity::PlaceX, &[0.0, 1.0]), chop: chop() };
        let cells = cells(&request, "--####");
        let plot = plot(&request, &cells, None);
        let frame = plot.fitted(&FRAME);
        assert_eq!((frame.wide, frame.high), (80.0, 120.0));
        let (rows, columns) = plot.scales(&frame);
        assert!(rows.px(1.0) < rows.px(-1.0) && columns.px(0.0) < columns.px(1.0));
        assert!(plot.drawn(&frame).into_string().contains("class=\"core\""));
    }

    #[test]
    fn the_legend_tells_what_occurs_and_no_more() {
        let request = request();
        let (all, none) = (cells(&request, "-##.#!.XX"), cells(&request, "---------"));
        let said = |cells: &[MapCell]| legend(&[plot(&request, cells, None)], 0.0, 0.0, 700.0).0.into_string();
        for words in ["right through", "within 0.50 mm", "could not get there", "breached", "Broken share"] {
            assert!(said(&all).contains(words), "{words}");
            assert_eq!(said(&none).contains(words), words == "Broken share", "{words}");
        }
    }

    #[test]
    fn a_sheet_holds_title_and_notice_as_text_and_not_as_markup() {
        let request = request();
        let cells = cells(&request, "-##.#!.XX");
        let svg = sheet(&plot(&request, &cells, None), "<b>Case</b> & more", &["Line".to_owned()], "The notice.");
        assert!(svg.contains("&lt;b&gt;Case&lt;/b&gt; &amp; more") && svg.contains("The notice."));
        assert!(crate::debrief::maps::raster::png_of(&svg).is_ok());
    }
}
