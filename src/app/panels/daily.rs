//! The pages of one eye a day: the day's sheet with the record so far; the look, while a clock runs, with what is to be stated; and what
//! came, of the chop as stated and of its neighbours.
//!
//! The field of the look is free of everything, and no section is shown before the chop. Errors 0–1, 0 best; lengths mm, angles degrees,
//! times s.

use super::stepwise::place_pad;
use super::style::{self, ACCENT, BODY, CATEGORIES, GOOD, GROUND, OUTLINE, PANEL, QUIET, RULE, SMALL, TEXT, WARNING};
use super::widgets::{self, Step, keep_in_view, part};
use super::{Command, Shown, Slot};
use crate::attempt::{Expected, prediction};
use crate::daily::Date;
use crate::daily::day::{LOOK_S, Statement};
use crate::daily::journal::{OfKind, Point, Week};
use crate::daily::trial::Which;
use bevy_egui::egui;
use egui::{Align, Align2, Key, Layout, Pos2, Rect, RichText, Sense, Shape, Stroke, Ui, Vec2, WidgetInfo, WidgetType};

/// The private record.
#[derive(Clone, Copy, Debug)]
pub struct RecordView<'a> {
    /// The line of error, day by day.
    pub line: &'a [Point],
    /// The same by weeks.
    pub weeks: &'a [Week],
    /// By kind of eye, the most misjudged first.
    pub kinds: &'a [OfKind],
}

/// The day's sheet.
#[derive(Clone, Copy, Debug)]
pub struct DayView<'a> {
    /// What is known before surgery.
    pub sheet: &'a str,
    /// Why the day cannot be begun; `None` where it can.
    pub closed: Option<&'a str>,
    /// Is the eye being made ready?
    pub is_waiting: bool,
    /// Something to be told.
    pub message: Option<&'a str>,
    /// The record so far.
    pub record: RecordView<'a>,
}

/// How far the chop and the computing beside it are.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct UnderWay<'a> {
    /// What was stated.
    pub stated: &'a str,
    /// Is the chop being done?
    pub is_chopping: bool,
    /// Chops computed beside it.
    pub done: u32,
    /// Of so many, as far as is known.
    pub planned: u32,
}

/// The look before the chop, and the chop.
#[derive(Clone, Copy, Debug)]
pub struct LookView<'a> {
    /// What is known before surgery.
    pub sheet: &'a str,
    /// Time that is left, s.
    pub left_s: f64,
    /// What is chosen.
    pub statement: &'a Statement,
    /// Diameter of the rhexis, mm.
    pub rhexis_mm: f64,
    /// Diameter of the pupil, mm.
    pub pupil_mm: f64,
    /// What is under way, once something is stated.
    pub under_way: Option<UnderWay<'a>>,
}

/// A chop and what came of it.
#[derive(Clone, Debug, PartialEq)]
pub struct ChopRow {
    /// Which.
    pub which: Which,
    /// In words.
    pub words: String,
    /// Did it go right through, and the capsule stay whole?
    pub is_through: bool,
}

/// What came.
#[derive(Clone, Copy)]
pub struct TriedView<'a> {
    /// What was stated and what came, a sentence or two.
    pub stated: &'a str,
    /// How far it was off, a sentence.
    pub verdict: &'a str,
    /// Was the result, or stopping, right?
    pub is_right: bool,
    /// The kind of eye, a sentence.
    pub kind: &'a str,
    /// The chop and its neighbours.
    pub chops: &'a [ChopRow],
    /// Which is looked at.
    pub picked: Which,
    /// Its section.
    pub section: Slot<'a>,
    /// Something to be told, such as that nothing could be kept.
    pub message: Option<&'a str>,
    /// The record with it.
    pub record: RecordView<'a>,
}

/// How far the day is.
#[derive(Clone, Copy)]
pub enum StageView<'a> {
    /// Its sheet.
    Day(DayView<'a>),
    /// The look, and the chop.
    Look(LookView<'a>),
    /// What came.
    Tried(TriedView<'a>),
}

/// What the pages show.
#[derive(Clone, Copy)]
pub struct DailyView<'a> {
    /// The eye's title, with its day.
    pub title: &'a str,
    /// How far the day is.
    pub stage: StageView<'a>,
}

/// The page of the day; returns the square for the microscope as `field` where there is one. Escape goes back.
pub fn daily_ui(ui: &mut Ui, view: &DailyView<'_>) -> Shown {
    let mut shown = Shown::default();
    match &view.stage {
        StageView::Day(day) => day_ui(ui, view.title, day, &mut shown),
        StageView::Look(look) => look_ui(ui, view.title, look, &mut shown),
        StageView::Tried(tried) => tried_ui(ui, view.title, tried, &mut shown),
    }
    if ui.input(|i| i.key_pressed(Key::Escape)) {
        shown.ask(Command::Back);
    }
    shown
}

fn day_ui(ui: &mut Ui, title: &str, view: &DayView<'_>, shown: &mut Shown) {
    let foot = |ui: &mut Ui, shown: &mut Shown| {
        if view.is_waiting {
            ui.add_enabled(false, egui::Button::new("The eye is being made ready…"));
        } else if let Some(why) = view.closed {
            widgets::button_unless(ui, "Begin", Some(why));
        } else if widgets::main_button(ui, "Begin").clicked() {
            shown.ask(Command::BeginDaily);
        }
        ui.with_layout(Layout::left_to_right(Align::Center), |ui| {
            if widgets::button(ui, "Back to the cases").clicked() {
                shown.ask(Command::Back);
            }
        });
    };
    let line = "One eye a day: a look, one prediction, one chop.";
    widgets::page(ui, shown, title, line, foot, |ui, _| {
        if let Some(message) = view.message {
            widgets::signed_line(ui, style::WARNING_SIGN, WARNING, message);
        }
        let whole = ui.available_width();
        let left = ((whole - 24.0) * 0.5).floor();
        ui.horizontal_top(|ui| {
            ui.spacing_mut().item_spacing.x = 24.0;
            widgets::column(ui, left, |ui| {
                let size = BODY * 1.1 * style::text_scale(ui);
                ui.add(egui::Label::new(RichText::new(view.sheet).size(size)).wrap());
                if let Some(why) = view.closed {
                    widgets::signed_line(ui, style::MET_SIGN, GOOD, why);
                }
                widgets::heading(ui, "How it goes");
                let minutes = (LOOK_S / 60.0).round();
                for sentence in [
                    format!("{minutes:.0} minutes through the microscope, without a section. When they are up, what you chose counts."),
                    "State depth, angle and place, and what will come of the chop. Where no chop works, stopping is right.".to_owned(),
                    "The chop is done exactly so; beside it the same half a millimetre shallower, deeper and more peripheral."
                        .to_owned(),
                    "What you stated is kept in a journal of your own, which nothing else reads.".to_owned(),
                ] {
                    widgets::signed_line(ui, "·", QUIET, &sentence);
                }
            });
            widgets::column(ui, whole - left - 32.0, |ui| widgets::card(ui, |ui| record_ui(ui, &view.record)));
        });
    });
}

/// The head of look and result: title and time at the left, buttons at the right.
fn head(ui: &mut Ui, title: &str, clock: Option<f64>, shown: &mut Shown) {
    ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
        for (label, command) in [("Back to the cases", Command::Back), ("Help", Command::OpenHelp)] {
            if widgets::button(ui, label).clicked() {
                shown.ask(command);
            }
        }
        ui.with_layout(Layout::left_to_right(Align::Center), |ui| {
            if let Some(left_s) = clock {
                // What has begun of a second is still there.
                let words = format!("{} left", widgets::clock(left_s.ceil()));
                let colour = if left_s <= SHORT_S { WARNING } else { TEXT };
                ui.label(RichText::new(words).font(style::plain(ui, 18.0)).color(colour));
                ui.add_space(8.0);
            }
            ui.add(egui::Label::new(RichText::new(title).font(style::bold(ui, BODY))).truncate());
        });
    });
}

/// Time from which on little is left, s.
const SHORT_S: f64 = 30.0;

/// A strip above, a column at the left, and the rest; grounded but for the rest.
fn strip_and_column(ui: &Ui, share: f32, (least, most): (f32, f32)) -> [Rect; 3] {
    let whole = ui.max_rect();
    let (line, factor) = (ui.spacing().interact_size.y, style::width_factor(ui));
    let top = whole.with_max_y(whole.top() + line + 16.0);
    let below = whole.with_min_y(top.bottom());
    let wide = ((share * whole.width()).clamp(least, most) * factor).min(0.5 * whole.width()).floor();
    let left = below.with_max_x(below.left() + wide);
    let painter = ui.painter();
    painter.rect_filled(top, 0.0, PANEL);
    painter.rect_filled(left, 0.0, PANEL);
    let rule = Stroke::new(1.0, RULE);
    painter.line_segment([top.left_bottom(), top.right_bottom()], rule);
    painter.line_segment([left.right_top(), left.right_bottom()], rule);
    [top, left, below.with_min_x(left.right())]
}

fn look_ui(ui: &mut Ui, title: &str, view: &LookView<'_>, shown: &mut Shown) {
    let [top, left, right] = strip_and_column(ui, 0.27, (300.0, 440.0));
    let side = (right.width().min(right.height()) - 8.0).max(0.0).floor();
    shown.field = Some(Rect::from_center_size(right.center(), Vec2::splat(side)));
    let clock = view.under_way.is_none().then_some(view.left_s);
    part(ui, top.shrink2(Vec2::new(16.0, 8.0)), "day and time", |ui| head(ui, title, clock, shown));
    part(ui, left.shrink2(Vec2::new(12.0, 8.0)), "statement", |ui| {
        egui::ScrollArea::vertical().id_salt("statement").auto_shrink(false).show(ui, |ui| {
            ui.spacing_mut().item_spacing = Vec2::new(6.0, 5.0);
            ui.add(egui::Label::new(RichText::new(view.sheet).small()).wrap());
            match &view.under_way {
                None => statement_ui(ui, view, shown),
                Some(under_way) => under_way_ui(ui, under_way),
            }
        });
    });
}

/// What the results are called where one is chosen.
const RESULTS: [(Expected, &str); 3] = [
    (Expected::Through, "It goes right through"),
    (Expected::Hinged, "A hinge is left"),
    (Expected::StopAndCall, "None works: stop and call"),
];

fn statement_ui(ui: &mut Ui, view: &LookView<'_>, shown: &mut Shown) {
    let mut now = *view.statement;
    widgets::heading(ui, "The chop");
    now.place_mm = place_pad(ui, view.rhexis_mm, view.pupil_mm, now.place_mm).unwrap_or(now.place_mm);
    let depth = Step { label: "Depth", range: range(prediction::DEPTH_MM), step: 0.1, decimals: 1, unit: "mm" };
    now.depth_mm = widgets::stepper(ui, &depth, now.depth_mm).unwrap_or(now.depth_mm);
    let angle = Step { label: "Tip angle", range: range(prediction::ANGLE_DEG), step: 1.0, decimals: 0, unit: "°" };
    now.angle_deg = widgets::stepper(ui, &angle, now.angle_deg).unwrap_or(now.angle_deg);
    widgets::heading(ui, "What will come of it");
    for (expected, label) in RESULTS {
        if keep_in_view(ui.radio(now.expected == Some(expected), label)).clicked() {
            now.expected = Some(expected);
        }
    }
    if now != *view.statement {
        shown.ask(Command::ChooseStatement(now));
    }
    ui.add_space(8.0);
    if now.expected.is_none() {
        widgets::button_unless(ui, "State it, and chop", Some("Choose what will come of it."));
    } else if widgets::main_button(ui, "State it, and chop").clicked() {
        shown.ask(Command::StateDaily);
    }
    widgets::quiet(ui, "Stated once, it stands. The chop is done by hands that do not miss.");
}

fn range((low, high): (f64, f64)) -> std::ops::RangeInclusive<f64> {
    low..=high
}

fn under_way_ui(ui: &mut Ui, view: &UnderWay<'_>) {
    widgets::heading(ui, "Stated");
    ui.add(egui::Label::new(view.stated).wrap());
    let words = if view.is_chopping { "The chop is done." } else { "What it was worth is computed." };
    widgets::signed_line(ui, "▶", ACCENT, words);
    ui.label(format!("{} of about {} chops beside it", view.done, view.planned.max(view.done)));
    let (bar, response) = ui.allocate_exact_size(Vec2::new(ui.available_width(), 8.0), Sense::hover());
    response.widget_info(|| WidgetInfo::labeled(WidgetType::ProgressIndicator, true, "Chops computed"));
    widgets::bar(ui, bar, view.done as f32 / view.planned.max(1) as f32, ACCENT);
}

fn tried_ui(ui: &mut Ui, title: &str, view: &TriedView<'_>, shown: &mut Shown) {
    let [top, left, right] = strip_and_column(ui, 0.36, (400.0, 760.0));
    // Two squares side by side; the window fills the first.
    let side = (0.5 * (right.width() - 24.0)).min(right.height() - 60.0).max(0.0).floor();
    let field = Rect::from_min_size(Pos2::new(right.center().x - side - 4.0, right.top() + 8.0), Vec2::splat(side));
    let section = field.translate(Vec2::new(side + 8.0, 0.0));
    for ground in [
        right.with_min_y(field.bottom()),
        right.with_max_y(field.top()),
        right.with_max_x(field.left()),
        right.with_min_x(field.right()),
    ] {
        ui.painter().rect_filled(ground, 0.0, GROUND);
    }
    shown.field = Some(field);
    part(ui, top.shrink2(Vec2::new(16.0, 8.0)), "day", |ui| head(ui, title, None, shown));
    part(ui, left.shrink2(Vec2::new(16.0, 8.0)), "what came", |ui| {
        egui::ScrollArea::vertical().id_salt("what came").auto_shrink(false).show(ui, |ui| came_ui(ui, view, shown));
    });
    part(ui, section, "section", |ui| match view.section {
        Some(paint) => paint(ui),
        None => {
            ui.painter().rect_filled(ui.max_rect(), 4.0, PANEL);
            ui.centered_and_justified(|ui| ui.label(RichText::new("The section is being cut …").color(QUIET)));
        }
    });
    let words = right.with_min_y(field.bottom() + 4.0).shrink2(Vec2::new(16.0, 0.0));
    part(ui, words, "what is shown", |ui| {
        let picked = view.chops.iter().find(|chop| chop.which == view.picked);
        ui.add(egui::Label::new(RichText::new(picked.map_or("", |chop| &chop.words)).color(TEXT)).wrap());
        egui::ScrollArea::vertical().id_salt("record").auto_shrink(false).show(ui, |ui| {
            let half = (0.5 * (ui.available_width() - 24.0)).floor();
            ui.horizontal_top(|ui| {
                ui.spacing_mut().item_spacing.x = 16.0;
                widgets::column(ui, half, |ui| error_ui(ui, &view.record));
                widgets::column(ui, half, |ui| kinds_ui(ui, &view.record));
            });
        });
    });
}

fn came_ui(ui: &mut Ui, view: &TriedView<'_>, shown: &mut Shown) {
    if let Some(message) = view.message {
        widgets::signed_line(ui, style::WARNING_SIGN, WARNING, message);
    }
    widgets::heading(ui, "What came");
    ui.add(egui::Label::new(view.stated).wrap());
    let (sign, colour) = if view.is_right { (style::MET_SIGN, GOOD) } else { (style::WARNING_SIGN, WARNING) };
    widgets::signed_line(ui, sign, colour, view.verdict);
    ui.add(egui::Label::new(RichText::new(view.kind).color(QUIET)).wrap());
    widgets::heading(ui, "The same chop");
    ui.spacing_mut().item_spacing.y = 4.0;
    for chop in view.chops {
        let is_picked = chop.which == view.picked;
        let sign = if chop.is_through { "●" } else { "○" };
        let button = egui::Button::selectable(is_picked, format!("{sign} {}", chop.words)).frame_when_inactive(true);
        let button = if is_picked { button.stroke(Stroke::new(1.5, TEXT)) } else { button };
        let wide = Vec2::new(ui.available_width(), 0.0);
        let made = ui.scope(|ui| {
            ui.spacing_mut().button_padding.x = 8.0;
            keep_in_view(ui.add(button.wrap().min_size(wide)))
        });
        if made.inner.clicked() && !is_picked {
            shown.ask(Command::PickChop(chop.which));
        }
    }
    widgets::quiet(ui, "● right through and the capsule whole, ○ not. One that is picked is shown at the right.");
    ui.spacing_mut().item_spacing.y = 8.0;
    widgets::quiet(ui, super::EDUCATION_ONLY);
    ui.add_space(8.0);
}

/// Weeks and kinds of eye that are told.
const MOST_WEEKS: usize = 6;
const MOST_KINDS: usize = 5;

fn record_ui(ui: &mut Ui, record: &RecordView<'_>) {
    error_ui(ui, record);
    kinds_ui(ui, record);
}

fn error_ui(ui: &mut Ui, record: &RecordView<'_>) {
    widgets::heading(ui, "Your prediction error");
    let Some(last) = record.line.last() else {
        ui.add(egui::Label::new(RichText::new("The line begins with your first eye.").color(QUIET)).wrap());
        return;
    };
    line_ui(ui, record.line);
    let line = format!("Last {:.2}, line {:.2}; 0 is foretold, 1 is wholly wrong.", last.error, last.smooth);
    ui.add(egui::Label::new(line).wrap());
}

fn kinds_ui(ui: &mut Ui, record: &RecordView<'_>) {
    if record.line.is_empty() {
        return;
    }
    widgets::heading(ui, "Most misjudged");
    ui.spacing_mut().item_spacing.y = 2.0;
    for of in record.kinds.iter().filter(|of| of.count > 0).take(MOST_KINDS) {
        let mean = of.mean_error.unwrap_or_default();
        let eyes = if of.count == 1 { "1 eye".to_owned() } else { format!("{} eyes", of.count) };
        ui.add(egui::Label::new(format!("Eyes with {}: {mean:.2}, {eyes}", of.kind.in_words())).wrap());
    }
    widgets::heading(ui, "By weeks");
    let from = record.weeks.len().saturating_sub(MOST_WEEKS);
    for week in &record.weeks[from..] {
        let days = if week.count == 1 { "1 eye".to_owned() } else { format!("{} eyes", week.count) };
        widgets::quiet(ui, &format!("Week from {}: {:.2} on average, {days}", week.from, week.mean_error));
    }
}

/// Fewest days that the line is drawn over, so that two points are no cliff.
const LEAST_DAYS: i64 = 13;

/// The error of each day as a dot, the line through them; 0 below.
fn line_ui(ui: &mut Ui, line: &[Point]) {
    let [Some(first), Some(last)] = [line.first(), line.last()] else { return };
    let height = 128.0 * style::text_scale(ui);
    let (rect, response) = ui.allocate_exact_size(Vec2::new(ui.available_width(), height), Sense::hover());
    let told = format!(
        "Prediction error from {} to {}: {:.2} on the last day, line {:.2}",
        first.date, last.date, last.error, last.smooth
    );
    response.widget_info(|| WidgetInfo::labeled(WidgetType::Image, true, &told));
    let font = style::plain(ui, SMALL);
    let painter = ui.painter();
    let low = 18.0 * style::text_scale(ui);
    let plot = Rect::from_min_max(rect.min + Vec2::new(22.0, 6.0), rect.max - Vec2::new(8.0, low));
    painter.rect(plot, 2.0, GROUND, Stroke::new(1.0, RULE), egui::StrokeKind::Outside);
    let days = |date: Date| date.days() - first.date.days();
    let span = days(last.date).max(LEAST_DAYS) as f32;
    let at = |date: Date, error: f64| {
        let x = plot.left() + 6.0 + (plot.width() - 12.0) * days(date) as f32 / span;
        Pos2::new(x, plot.bottom() - plot.height() * error.clamp(0.0, 1.0) as f32)
    };
    for (error, word) in [(0.0, "0"), (0.5, "½"), (1.0, "1")] {
        let y = at(first.date, error).y;
        painter.text(Pos2::new(plot.left() - 6.0, y), Align2::RIGHT_CENTER, word, font.clone(), QUIET);
        let ends = [Pos2::new(plot.left(), y), Pos2::new(plot.right(), y)];
        painter.extend(Shape::dashed_line(&ends, Stroke::new(1.0, RULE), 2.0, 4.0));
    }
    let smooth: Vec<Pos2> = line.iter().map(|point| at(point.date, point.smooth)).collect();
    painter.add(Shape::line(smooth, Stroke::new(2.5, ACCENT)));
    for point in line {
        painter.circle(at(point.date, point.error), 3.5, CATEGORIES[0], Stroke::new(1.0, OUTLINE));
    }
    let below = plot.bottom() + 3.0;
    painter.text(
        Pos2::new(plot.left(), below),
        Align2::LEFT_TOP,
        format!("{} ● day — line", first.date),
        font.clone(),
        QUIET,
    );
    if line.len() > 1 {
        painter.text(Pos2::new(plot.right(), below), Align2::RIGHT_TOP, last.date.to_string(), font, QUIET);
    }
}

#[cfg(test)]
pub(crate) mod tests {
    #![allow(clippy::unwrap_used, clippy::panic)]
    use super::super::trial::*;
    use super::*;
    use crate::case::Kind;

    const SHEET: &str = "70 years old. Axial length 23.4 mm, chamber 3.1 mm deep, pupil 7.0 mm. The slit lamp shows an amber nucleus, \
                         read as grade 3.1. The nucleus is even and fills most of the lens. Zonules look firm.";

    fn date(day: i64) -> Date {
        Date::from_days(20_784 + day).unwrap()
    }

    struct Record {
        line: Vec<Point>,
        weeks: Vec<Week>,
        kinds: Vec<OfKind>,
    }

    impl Record {
        /// An invented one of so many days.
        fn of(count: i64) -> Self {
            let line = (0..count).map(|i| Point { date: date(2 * i), error: 0.25 * (i % 4) as f64, smooth: 0.4 });
            let week = |i| Week { from: date(7 * i), count: 1 + (i % 3) as usize, mean_error: 0.31 };
            let kinds = [(Kind::LeatheryPlate, 2, Some(0.83)), (Kind::Soft, 1, Some(0.5)), (Kind::Long, 0, None)];
            let kinds = kinds.map(|(kind, count, mean_error)| OfKind { kind, count, mean_error, misjudges: 0.5 });
            let weeks = (0..count.min(9)).map(week).collect();
            Self { line: line.collect(), weeks, kinds: if count > 0 { kinds.to_vec() } else { Vec::new() } }
        }

        fn view(&self) -> RecordView<'_> {
            RecordView { line: &self.line, weeks: &self.weeks, kinds: &self.kinds }
        }
    }

    fn day(ui: &mut Ui, count: i64, closed: Option<&str>) -> Shown {
        let record = Record::of(count);
        let day = DayView { sheet: SHEET, closed, is_waiting: false, message: None, record: record.view() };
        daily_ui(ui, &DailyView { title: "The eye of 2026-11-27", stage: StageView::Day(day) })
    }

    fn look(ui: &mut Ui, statement: &Statement, under_way: Option<UnderWay<'_>>) -> Shown {
        let look = LookView { sheet: SHEET, left_s: 134.2, statement, rhexis_mm: 5.2, pupil_mm: 7.0, under_way };
        daily_ui(ui, &DailyView { title: "The eye of 2026-11-27", stage: StageView::Look(look) })
    }

    fn tried(ui: &mut Ui, count: i64) -> Shown {
        let record = Record::of(count);
        let paint = |ui: &mut Ui| {
            ui.label("the section itself");
        };
        let chops = Which::ALL.map(|which| ChopRow {
            which,
            words: format!("{}: 1.60 mm deep, 61 % cracked, hinged", which.in_words()),
            is_through: which == Which::Deeper,
        });
        let view = TriedView {
            stated: "Stated, 1.60 mm deep at 40° in the middle: right through. It came out hinged.",
            verdict: "Prediction error 0.55: not as expected; at this angle and place the chop goes right through from 1.8 to 2.4 mm.",
            is_right: false,
            kind: "It was an eye with nothing out of the ordinary.",
            chops: &chops,
            picked: Which::Stated,
            section: Some(&paint),
            message: None,
            record: record.view(),
        };
        daily_ui(ui, &DailyView { title: "The eye of 2026-11-27", stage: StageView::Tried(view) })
    }

    #[test]
    fn the_day_s_sheet_tells_what_is_known_and_asks_to_begin() {
        let mut page = small_page(|ui| day(ui, 0, None));
        assert!(page.query_by_label_contains("Zonules look firm.").is_some());
        assert!(page.query_by_label("The line begins with your first eye.").is_some());
        assert_eq!(asked(&mut page, "Begin"), [Command::BeginDaily]);
        assert_eq!(asked(&mut page, "Back to the cases"), [Command::Back]);
        let over = "has an entry for 2026-11-27 already; allowed: one eye a day, on a later day";
        let mut page = small_page(|ui| day(ui, 12, Some(over)));
        assert!(page.query_by_label(over).is_some());
        assert_eq!(asked(&mut page, "Begin"), []);
    }

    #[test]
    fn the_record_is_told_in_words_beside_its_line() {
        let page = small_page(|ui| day(ui, 12, None));
        let line = "Prediction error from 2026-11-27 to 2026-12-19: 0.75 on the last day, line 0.40";
        assert!(page.query_by_label(line).is_some());
        assert!(page.query_by_label("Eyes with a leathery posterior plate: 0.83, 2 eyes").is_some());
        assert!(page.query_by_label("Eyes with a soft nucleus: 0.50, 1 eye").is_some());
        assert!(page.query_by_label_contains("a long axis").is_none(), "what was never met is not misjudged");
        // Of nine weeks the latest six.
        assert_eq!(page.query_all_by_label_contains("Week from ").count(), 6);
        assert!(page.query_by_label_contains("Week from 2026-12-18").is_some());
    }

    #[test]
    fn nothing_is_stated_before_a_result_is_chosen() {
        let statement = Statement::default();
        let mut page = small_page(move |ui| look(ui, &statement, None));
        assert!(page.query_by_label("2:15 left").is_some());
        assert_eq!(asked(&mut page, "State it, and chop"), []);
        let chosen = |now| [Command::ChooseStatement(now)];
        let hinged = Statement { expected: Some(Expected::Hinged), ..statement };
        assert_eq!(asked(&mut page, "A hinge is left"), chosen(hinged));
        assert_eq!(asked(&mut page, "Depth: more"), chosen(Statement { depth_mm: 1.1, ..statement }));
        assert_eq!(asked(&mut page, "Tip angle: less"), chosen(Statement { angle_deg: 29.0, ..statement }));
        let mut page = small_page(move |ui| look(ui, &hinged, None));
        assert_eq!(asked(&mut page, "State it, and chop"), [Command::StateDaily]);
        page.key_press(Key::Escape);
        page.run();
        assert_eq!(page.state().commands, [Command::Back]);
    }

    #[test]
    fn a_result_is_chosen_and_stated_with_the_keyboard_alone() {
        let statement = Statement { expected: Some(Expected::Hinged), ..Statement::default() };
        let mut page = small_page(move |ui| look(ui, &statement, None));
        let reach = |page: &mut Harness<'_, Done>, label: &str| {
            for _ in 0..40 {
                page.key_press(Key::Tab);
                page.run();
                if page.get_by_label(label).is_focused() {
                    return;
                }
            }
            panic!("{label} is not reached");
        };
        reach(&mut page, "None works: stop and call");
        page.key_press(Key::Space);
        page.run();
        let stop = Statement { expected: Some(Expected::StopAndCall), ..statement };
        assert_eq!(page.state().commands, [Command::ChooseStatement(stop)]);
        page.state_mut().commands.clear();
        reach(&mut page, "State it, and chop");
        page.key_press(Key::Enter);
        page.run();
        assert_eq!(page.state().commands, [Command::StateDaily]);
    }

    #[test]
    fn once_stated_nothing_can_be_changed_and_progress_is_told() {
        let statement = Statement::default();
        let stated = "1.00 mm deep at 30° in the middle: hinged";
        let under_way = UnderWay { stated, is_chopping: false, done: 7, planned: 19 };
        let page = small_page(move |ui| look(ui, &statement, Some(under_way)));
        assert!(
            page.query_by_label(stated).is_some() && page.query_by_label("7 of about 19 chops beside it").is_some()
        );
        assert!(page.query_by_label("State it, and chop").is_none() && page.query_by_label_contains(" left").is_none());
    }

    #[test]
    fn what_came_is_told_and_a_neighbour_is_picked() {
        let mut page = small_page(|ui| tried(ui, 12));
        for words in
            ["Prediction error 0.55", "nothing out of the ordinary", "the section itself", "Not a medical device"]
        {
            assert!(page.query_all_by_label_contains(words).next().is_some(), "{words}");
        }
        let deeper = "● 0.5 mm deeper: 1.60 mm deep, 61 % cracked, hinged";
        assert_eq!(asked(&mut page, deeper), [Command::PickChop(Which::Deeper)]);
        let stated = "○ As you stated it: 1.60 mm deep, 61 % cracked, hinged";
        assert_eq!(asked(&mut page, stated), [], "it is shown already");
    }

    #[test]
    fn everything_lies_in_its_place_in_small_and_large_windows() {
        let statement = Statement::default();
        for (size, scale) in
            [([1280.0, 720.0], 1.0), ([1280.0, 720.0], 1.3), ([1920.0, 1080.0], 1.0), ([3840.0, 2160.0], 1.6)]
        {
            assert_in_place(&page(size, scale, |ui| day(ui, 40, None)), size);
            for page in [page(size, scale, |ui| look(ui, &statement, None)), page(size, scale, |ui| tried(ui, 40))] {
                assert_in_place(&page, size);
                let field = page.state().field.unwrap();
                assert!(field.width() >= 0.22 * size[0], "{field:?} in {size:?}");
                for (name, place) in usable(&page) {
                    assert!(!place.intersects(field), "{name} at {place:?} lies on {field:?}");
                }
            }
        }
    }
}
