//! A chart over a number of attempts: a band, lines, levels with their words, marks. Whatever colour says, the kind of line or the shape
//! of a mark says too. Nothing is dragged or zoomed; a mark tells its name under the pointer and can be clicked.

use super::style::{self, ACCENT, CATEGORIES, GOOD, QUIET, RULE, TEXT, WARNING};
use crate::logbook::report::steps;
use bevy_egui::egui;
use egui::{Color32, Pos2, Ui, WidgetInfo, WidgetType};
use egui_plot::{
    FilledArea, GridMark, HLine, HoverPosition, Line, LineStyle, MarkerShape, Plot, PlotPoint, PlotPoints, Points, Text,
};

/// What a line or a mark stands for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// What the chart is about: a curve, a sum; of marks, what lies within.
    Own,
    /// Good, or reached.
    Good,
    /// Not good, or beyond.
    Bad,
    /// Far beyond.
    Worse,
    /// Stands back: limits, single results.
    Quiet,
}

impl Kind {
    fn colour(self) -> Color32 {
        match self {
            Self::Own => CATEGORIES[0],
            Self::Good => GOOD,
            Self::Bad => ACCENT,
            Self::Worse => WARNING,
            Self::Quiet => QUIET,
        }
    }

    fn shape(self) -> MarkerShape {
        match self {
            Self::Own | Self::Quiet => MarkerShape::Circle,
            Self::Good => MarkerShape::Square,
            Self::Bad => MarkerShape::Up,
            Self::Worse => MarkerShape::Diamond,
        }
    }
}

/// How a line is drawn.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stroke {
    /// Through.
    Solid,
    /// In dashes.
    Dashed,
    /// In dots.
    Dotted,
}

impl Stroke {
    fn style(self) -> LineStyle {
        match self {
            Self::Solid => LineStyle::Solid,
            Self::Dashed => LineStyle::dashed_dense(),
            Self::Dotted => LineStyle::dotted_dense(),
        }
    }
}

/// A line.
#[derive(Clone, Debug, PartialEq)]
pub struct ChartLine {
    /// What it is.
    pub kind: Kind,
    /// How it is drawn.
    pub stroke: Stroke,
    /// Its points.
    pub points: Vec<[f64; 2]>,
}

/// A level across the chart.
#[derive(Clone, Debug, PartialEq)]
pub struct Level {
    /// Where.
    pub at: f64,
    /// What it is.
    pub kind: Kind,
    /// Its word.
    pub word: &'static str,
    /// Does the word stand below it?
    pub is_below: bool,
}

/// A mark.
#[derive(Clone, Debug, PartialEq)]
pub struct Mark {
    /// Where.
    pub at: [f64; 2],
    /// What it is.
    pub kind: Kind,
    /// Its name; one without can not be clicked.
    pub name: String,
}

/// A chart.
#[derive(Clone, Debug, PartialEq)]
pub struct Chart {
    /// What stands across and what up, with its unit.
    pub axes: (&'static str, &'static str),
    /// From where to where.
    pub x: (f64, f64),
    /// The same upwards.
    pub y: (f64, f64),
    /// Are the values upwards shares, shown in %?
    pub is_share: bool,
    /// What it shows, in words, for readers of the screen.
    pub told: String,
    /// A band: where, from where, to where.
    pub band: Vec<[f64; 3]>,
    /// Lines.
    pub lines: Vec<ChartLine>,
    /// Levels.
    pub levels: Vec<Level>,
    /// Marks.
    pub marks: Vec<Mark>,
}

/// How near the pointer has to be to a mark, points.
const NEAR: f32 = 10.0;

/// The chart; the place of a mark that was clicked.
pub fn chart_ui(ui: &mut Ui, id: &str, chart: &Chart, height: f32) -> Option<usize> {
    let is_share = chart.is_share;
    let value = move |value: f64| if is_share { format!("{:.0}", 100.0 * value) } else { short(value) };
    let label = |position: &HoverPosition<'_>| match position {
        HoverPosition::NearDataPoint { plot_name, position, .. } if !plot_name.is_empty() => {
            let y = if is_share { format!("{:.0} %", 100.0 * position.y) } else { short(position.y) };
            Some(format!("{plot_name}\n{:.0} attempts, {y}", position.x))
        }
        _ => None,
    };
    let room = egui::Vec2::new(ui.available_width(), height.max(80.0)) / style::text_scale(ui);
    let (across, up) = (chart.x, chart.y);
    let plot = Plot::new(id)
        .height(height.max(80.0))
        .allow_drag(false)
        .allow_zoom(false)
        .allow_scroll(false)
        .allow_boxed_zoom(false)
        .allow_axis_zoom_drag(false)
        .allow_double_click_reset(false)
        .show_crosshair(false)
        .show_background(false)
        .grid_color(RULE)
        .set_margin_fraction(egui::Vec2::ZERO)
        .x_grid_spacer(move |_| marks(across, (room.x / 60.0) as f64))
        .y_grid_spacer(move |_| marks(up, (room.y / 26.0) as f64))
        .default_x_bounds(chart.x.0, chart.x.1)
        .default_y_bounds(chart.y.0, chart.y.1)
        .x_axis_label(chart.axes.0)
        .y_axis_label(chart.axes.1)
        .x_axis_formatter(
            |mark, _| if mark.value.fract() == 0.0 { format!("{:.0}", mark.value) } else { String::new() },
        )
        .y_axis_formatter(move |mark, _| value(mark.value))
        .label_formatter(label);
    let font = style::plain(ui, style::SMALL);
    let shown = plot.show(ui, |plot| {
        // Another chart may have stood here before.
        plot.set_plot_bounds_x(chart.x.0..=chart.x.1);
        plot.set_plot_bounds_y(chart.y.0..=chart.y.1);
        if !chart.band.is_empty() {
            let column = |at: usize| chart.band.iter().map(|row| row[at]).collect::<Vec<f64>>();
            let fill = Kind::Own.colour().gamma_multiply(0.22);
            plot.add(FilledArea::new("", &column(0), &column(1), &column(2)).fill_color(fill).allow_hover(false));
        }
        for level in &chart.levels {
            let line = HLine::new("", level.at).color(level.kind.colour()).style(Stroke::Dashed.style());
            plot.hline(line.width(1.5).allow_hover(false));
            let (anchor, x) = (egui::Align2::RIGHT_BOTTOM, chart.x.1);
            let anchor = if level.is_below { egui::Align2::RIGHT_TOP } else { anchor };
            let word = egui::RichText::new(level.word).font(font.clone()).color(TEXT);
            plot.text(Text::new("", PlotPoint::new(x, level.at), word).anchor(anchor).allow_hover(false));
        }
        for line in &chart.lines {
            let points = PlotPoints::from(line.points.clone());
            let drawn = Line::new("", points).color(line.kind.colour()).style(line.stroke.style());
            plot.line(drawn.width(if line.kind == Kind::Quiet { 1.0 } else { 2.0 }).allow_hover(false));
        }
        for mark in &chart.marks {
            let points = Points::new(mark.name.clone(), vec![mark.at]);
            let points = points.color(mark.kind.colour()).shape(mark.kind.shape()).filled(mark.kind != Kind::Own);
            let radius = if mark.kind == Kind::Quiet { 2.5 } else { 4.5 };
            plot.points(points.radius(radius).allow_hover(!mark.name.is_empty()));
        }
    });
    shown.response.widget_info(|| WidgetInfo::labeled(WidgetType::Image, true, &chart.told));
    let clicked = shown.response.clicked().then(|| shown.response.interact_pointer_pos()).flatten()?;
    let far = |mark: &Mark| -> f32 {
        let at: Pos2 = shown.transform.position_from_point(&PlotPoint::new(mark.at[0], mark.at[1]));
        at.distance(clicked)
    };
    let named = chart.marks.iter().enumerate().filter(|(_, mark)| !mark.name.is_empty());
    let nearest = named.map(|(at, mark)| (at, far(mark))).min_by(|a, b| a.1.total_cmp(&b.1));
    nearest.filter(|(_, far)| *far <= NEAR).map(|(at, _)| at)
}

/// Lines of a grid at round values, at most so many; all alike, as each has its figure.
fn marks(span: (f64, f64), most: f64) -> Vec<GridMark> {
    steps(span, most).map(|value| GridMark { value, step_size: span.1 - span.0 }).collect()
}

/// A number with the decimals that matter on an axis.
fn short(value: f64) -> String {
    let text = format!("{value:.2}");
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}
