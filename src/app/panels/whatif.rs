//! The page of a what-if: what is asked and how far it is; then how often each change would have helped, two runs side by side,
//! and the map around the decision.
//!
//! A rate is a bar with its number, its 95 % interval a whisker on it; the rate of what was done is a dashed line through all of
//! its group. Times are of the attempt, s; shares 0–1. Nothing here is known from more than what the model does, and it says so.

use super::outcomes::{OutcomesView, outcomes_ui};
use super::style::{
    self, ACCENT, BODY, CATEGORIES, GOOD, GROUND, LIFTED, OUTLINE, PANEL, QUIET, RAISED, RULE, SMALL, TEXT,
};
use super::transport::{self, Going, TransportView, transport_ui};
use super::widgets::{self, keep_in_view, part};
use super::{Command, Shown, Slot};
use bevy_egui::egui;
use egui::{Align, Align2, Key, Layout, Pos2, Rect, RichText, Sense, Shape, Stroke, Ui, Vec2, WidgetInfo, WidgetType};

/// Which of the alternatives.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Which {
    /// One thing changed.
    Single(usize),
    /// Two.
    Pair(usize),
}

/// How often something was so.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RateView {
    /// So many.
    pub count: u32,
    /// Of so many.
    pub of: u32,
    /// Its interval, 0–1.
    pub interval: (f64, f64),
}

/// An alternative.
#[derive(Clone, Debug, PartialEq)]
pub struct AlternativeRow {
    /// Which.
    pub which: Which,
    /// What is changed, in words.
    pub name: String,
    /// How often it helped.
    pub rate: RateView,
    /// The difference to what was done, with its interval, −1..1.
    pub difference: (f64, f64, f64),
    /// What it stands out by, in words.
    pub marks: Vec<String>,
    /// What else was counted of it, in words.
    pub notes: Vec<String>,
}

/// The alternatives from a moment on.
#[derive(Clone, Debug, PartialEq)]
pub struct GroupView {
    /// From when on, in words.
    pub title: String,
    /// How often it was so as it was done.
    pub unchanged: Option<RateView>,
    /// Those with a difference, the best first.
    pub rows: Vec<AlternativeRow>,
    /// Those without.
    pub same: Vec<AlternativeRow>,
}

/// Two runs side by side.
#[derive(Clone, Copy)]
pub enum BesideView<'a> {
    /// None was picked.
    None,
    /// One is being made.
    UnderWay {
        /// Which.
        which: Which,
        /// With what, in words.
        with: &'a str,
    },
    /// It could not be made, and why.
    Missing {
        /// Which.
        which: Which,
        /// Why.
        why: &'a str,
    },
    /// It can be looked at.
    Ready {
        /// Which.
        which: Which,
        /// With what, in words.
        with: &'a str,
        /// How it goes.
        going: Going,
        /// From when to when, s.
        span_s: (f64, f64),
    },
}

impl BesideView<'_> {
    fn which(&self) -> Option<Which> {
        match self {
            Self::None => None,
            Self::UnderWay { which, .. } | Self::Missing { which, .. } | Self::Ready { which, .. } => Some(*which),
        }
    }
}

/// The answer.
#[derive(Clone, Copy)]
pub struct AnswerView<'a> {
    /// The decision, a sentence.
    pub decision: &'a str,
    /// What was counted, a sentence.
    pub asked: &'a str,
    /// The latest change that suffices, in words.
    pub latest: Option<&'a str>,
    /// The earliest that is easy.
    pub earliest: Option<&'a str>,
    /// One thing changed.
    pub groups: &'a [GroupView],
    /// Two, where one was not enough; empty where that was not asked.
    pub pairs: &'a [AlternativeRow],
    /// Was it asked for pairs?
    pub has_asked_pairs: bool,
    /// Repetitions and effort, a sentence.
    pub effort: &'a str,
    /// Repetitions with which it can be asked again.
    pub more: Option<u32>,
    /// Two runs side by side.
    pub beside: BesideView<'a>,
    /// The map.
    pub map: OutcomesView<'a>,
    /// Marks on the time, s, and whether they are critical.
    pub marks: &'a [(f64, bool)],
    /// The section as it was done.
    pub section: Slot<'a>,
    /// The section with the change.
    pub section_beside: Slot<'a>,
}

/// How far it is.
#[derive(Clone, Copy)]
pub enum StageView<'a> {
    /// So many repetitions of so many; 0 as long as that is not known.
    Asking {
        /// Done.
        done: u32,
        /// Planned.
        planned: u32,
    },
    /// There is no answer, and why.
    Refused(&'a str),
    /// There is.
    Answered(&'a AnswerView<'a>),
}

/// What the page shows.
#[derive(Clone, Copy)]
pub struct WhatIfView<'a> {
    /// The case's title.
    pub title: &'a str,
    /// What happened, with its time.
    pub event: &'a str,
    /// How far it is.
    pub stage: StageView<'a>,
}

/// The page. Escape stops what is asked, and goes back.
pub fn whatif_ui(ui: &mut Ui, view: &WhatIfView<'_>) -> Shown {
    let mut shown = Shown::default();
    let whole = ui.max_rect();
    ui.painter().rect_filled(whole, 0.0, GROUND);
    let line = ui.spacing().interact_size.y;
    let top = whole.with_max_y(whole.top() + 2.0 * line + 20.0);
    let below = whole.with_min_y(top.bottom());
    ui.painter().rect_filled(top, 0.0, PANEL);
    ui.painter().line_segment([top.left_bottom(), top.right_bottom()], Stroke::new(1.0, RULE));
    part(ui, top.shrink2(Vec2::new(16.0, 8.0)), "question", |ui| question(ui, view, &mut shown));
    match &view.stage {
        StageView::Asking { done, planned } => {
            let middle = Rect::from_center_size(below.center(), Vec2::new(520.0, 220.0).min(below.size()));
            part(ui, middle, "asking", |ui| asking(ui, *done, *planned, &mut shown));
        }
        StageView::Refused(why) => {
            let middle = Rect::from_center_size(below.center(), Vec2::new(560.0, 160.0).min(below.size()));
            part(ui, middle, "refused", |ui| {
                widgets::card(ui, |ui| widgets::signed_line(ui, style::WARNING_SIGN, style::WARNING, why));
            });
        }
        StageView::Answered(answer) => answered(ui, below, answer, &mut shown),
    }
    if ui.input(|i| i.key_pressed(Key::Escape)) {
        shown.ask(Command::Back);
    }
    shown
}

fn question(ui: &mut Ui, view: &WhatIfView<'_>, shown: &mut Shown) {
    ui.spacing_mut().item_spacing.y = 4.0;
    let row = ui.spacing().interact_size.y + 2.0;
    ui.allocate_ui_with_layout(Vec2::new(ui.available_width(), row), Layout::right_to_left(Align::Center), |ui| {
        ui.set_min_height(row);
        if widgets::button(ui, "Back to the debrief").clicked() {
            shown.ask(Command::Back);
        }
        if widgets::button(ui, "Help").clicked() {
            shown.ask(Command::OpenHelp);
        }
        ui.with_layout(Layout::left_to_right(Align::Center), |ui| {
            ui.label(RichText::new("What if …").font(style::bold(ui, 18.0)).color(TEXT));
            ui.add(egui::Label::new(RichText::new(view.title).color(QUIET)).truncate());
        });
    });
    ui.add(egui::Label::new(RichText::new(view.event).font(style::bold(ui, BODY)).color(TEXT)).truncate());
}

fn asking(ui: &mut Ui, done: u32, planned: u32, shown: &mut Shown) {
    widgets::card(ui, |ui| {
        ui.label(RichText::new("Going through it again and again").font(style::bold(ui, BODY)));
        let words = if planned == 0 {
            "The attempt is gone through up to the decision …".to_owned()
        } else {
            format!("{done} of about {planned} repetitions")
        };
        ui.label(words);
        let (bar, response) = ui.allocate_exact_size(Vec2::new(ui.available_width(), 8.0), Sense::hover());
        response.widget_info(|| WidgetInfo::labeled(WidgetType::ProgressIndicator, true, "Repetitions done"));
        widgets::bar(ui, bar, done as f32 / planned.max(1) as f32, ACCENT);
        widgets::quiet(
            ui,
            "With one thing changed at a time, by hands that miss as trained hands do. The window does not wait for it.",
        );
        ui.add_space(4.0);
        if widgets::button(ui, "Stop").clicked() {
            shown.ask(Command::Back);
        }
    });
}

fn answered(ui: &mut Ui, below: Rect, view: &AnswerView<'_>, shown: &mut Shown) {
    let line = ui.spacing().interact_size.y;
    let wide = ((0.41 * below.width()).clamp(440.0, 820.0) * style::width_factor(ui)).min(0.5 * below.width()).floor();
    let left = below.with_max_x(below.left() + wide);
    let right = below.with_min_x(left.right()).shrink2(Vec2::new(16.0, 8.0));
    ui.painter().line_segment([left.right_top(), left.right_bottom()], Stroke::new(1.0, RULE));
    part(ui, left.shrink2(Vec2::new(16.0, 4.0)), "answer", |ui| {
        egui::ScrollArea::vertical().id_salt("answer").auto_shrink(false).show(ui, |ui| answer_ui(ui, view, shown));
    });
    if matches!(view.beside, BesideView::None) {
        let text = "Pick a change at the left: what was done and what would have been are then played side by side.";
        part(ui, right, "runs to come", |ui| {
            widgets::signed_line(ui, "←", ACCENT, text);
            ui.add_space(12.0);
            outcomes_ui(ui, &view.map);
        });
        return;
    }
    // Two sections side by side, under them the transport and the map, which keeps what it needs.
    let half = (0.5 * (right.width() - 8.0)).floor();
    let names = 2.0 * ui.text_style_height(&egui::TextStyle::Body) + 6.0;
    let map_height = (0.27 * right.height()).max(170.0 * style::text_scale(ui));
    let room = right.height() - names - transport::height(line) - map_height - 20.0;
    let high = (0.76 * half).min(room).max(80.0).floor();
    let views = right.top() + names;
    let place = |from: f32| Rect::from_min_size(Pos2::new(from, views), Vec2::new(half, high));
    let (was, with) = (place(right.left()), place(right.left() + half + 8.0));
    let name = |rect: Rect| Rect::from_min_max(Pos2::new(rect.left(), right.top()), rect.right_top());
    let run = match view.beside {
        BesideView::UnderWay { with, .. } | BesideView::Ready { with, .. } => format!("With {with}"),
        BesideView::None | BesideView::Missing { .. } => String::new(),
    };
    for (rect, words, salt) in [(was, "As it was done", "was"), (with, run.as_str(), "with")] {
        part(ui, name(rect), salt, |ui| {
            ui.add(egui::Label::new(RichText::new(words).font(style::bold(ui, BODY)).color(TEXT)).wrap());
        });
    }
    match view.beside {
        BesideView::Ready { .. } => {
            for (rect, slot, salt) in [(was, view.section, "section was"), (with, view.section_beside, "section with")]
            {
                part(ui, rect, salt, |ui| match slot {
                    Some(paint) => paint(ui),
                    None => to_come(ui, "The section is being cut …"),
                });
            }
        }
        BesideView::UnderWay { .. } => {
            part(ui, was.union(with), "run to come", |ui| to_come(ui, "Both runs are being made ready …"));
        }
        BesideView::Missing { why, .. } => part(ui, was.union(with), "no run", |ui| to_come(ui, why)),
        BesideView::None => {}
    }
    let transport = right.with_min_y(was.bottom() + 8.0).with_max_y(was.bottom() + 8.0 + transport::height(line));
    if let BesideView::Ready { going, span_s, .. } = view.beside {
        part(ui, transport, "transport", |ui| {
            let name = "Time of both runs";
            transport_ui(ui, &TransportView { name, span_s, going: Some(going), marks: view.marks }, shown);
        });
    }
    part(ui, right.with_min_y(transport.bottom() + 4.0), "map", |ui| outcomes_ui(ui, &view.map));
}

fn to_come(ui: &mut Ui, words: &str) {
    ui.painter().rect_filled(ui.max_rect(), 4.0, PANEL);
    ui.centered_and_justified(|ui| {
        ui.label(RichText::new(words).color(QUIET));
    });
}

fn answer_ui(ui: &mut Ui, view: &AnswerView<'_>, shown: &mut Shown) {
    ui.spacing_mut().item_spacing.y = 6.0;
    ui.add_space(4.0);
    ui.add(egui::Label::new(view.decision).wrap());
    ui.add(egui::Label::new(RichText::new(view.asked).color(QUIET)).wrap());
    widgets::card(ui, |ui| {
        ui.spacing_mut().item_spacing.y = 4.0;
        for (title, found) in [("Latest change that suffices", view.latest), ("Earliest that is easy", view.earliest)] {
            let (sign, colour) = if found.is_some() { (style::MET_SIGN, GOOD) } else { ("○", QUIET) };
            widgets::signed_line(ui, sign, colour, &format!("{title}: {}", found.unwrap_or("none of these")));
        }
    });
    let picked = view.beside.which();
    for group in view.groups {
        heading(ui, &group.title);
        ui.spacing_mut().item_spacing.y = 3.0;
        let unchanged = group.unchanged.map(|rate| rate.count as f32 / rate.of.max(1) as f32);
        if let Some(rate) = &group.unchanged {
            unchanged_ui(ui, rate);
        }
        for row in &group.rows {
            if row_ui(ui, row, unchanged, picked == Some(row.which)) {
                shown.ask(Command::LayBeside(row.which));
            }
        }
        same_ui(ui, group, unchanged, picked, shown);
        ui.spacing_mut().item_spacing.y = 6.0;
    }
    if view.has_asked_pairs {
        heading(ui, "No single change suffices: two at once, from the first moment on");
        if view.pairs.is_empty() {
            widgets::quiet(ui, "No two of them helped either.");
        }
        let unchanged = view.groups.first().and_then(|group| group.unchanged);
        let unchanged = unchanged.map(|rate| rate.count as f32 / rate.of.max(1) as f32);
        ui.spacing_mut().item_spacing.y = 3.0;
        for row in view.pairs {
            if row_ui(ui, row, unchanged, picked == Some(row.which)) {
                shown.ask(Command::LayBeside(row.which));
            }
        }
        ui.spacing_mut().item_spacing.y = 6.0;
    }
    ui.add_space(4.0);
    ui.add(egui::Label::new(RichText::new(view.effort).small().color(QUIET)).wrap());
    if let Some(more) = view.more
        && widgets::button(ui, &format!("Ask again with {more} repetitions")).clicked()
    {
        shown.ask(Command::AskAgain(more));
    }
    widgets::quiet(ui, super::EDUCATION_ONLY);
    ui.add_space(8.0);
}

fn heading(ui: &mut Ui, text: &str) {
    ui.add_space(6.0);
    ui.add(egui::Label::new(RichText::new(text).font(style::bold(ui, BODY))).wrap());
}

/// Changes without a difference, folded away.
fn same_ui(ui: &mut Ui, group: &GroupView, unchanged: Option<f32>, picked: Option<Which>, shown: &mut Shown) {
    if group.same.is_empty() {
        return;
    }
    let id = ui.id().with(("same", &group.title));
    let mut is_unfolded = ui.data(|d| d.get_temp::<bool>(id)).unwrap_or(false);
    let count = group.same.len();
    let words = if count == 1 {
        "1 change makes no difference".to_owned()
    } else {
        format!("{count} changes make no difference")
    };
    let sign = if is_unfolded { "↑" } else { "↓" };
    let made = ui.push_id(&group.title, |ui| {
        ui.spacing_mut().button_padding.y = 2.0;
        let text = RichText::new(format!("{sign}  {words}")).small().color(QUIET);
        keep_in_view(ui.add(egui::Button::new(text).frame_when_inactive(false)))
    });
    if made.inner.clicked() {
        is_unfolded = !is_unfolded;
        ui.data_mut(|d| d.insert_temp(id, is_unfolded));
    }
    if is_unfolded {
        for row in &group.same {
            if row_ui(ui, row, unchanged, picked == Some(row.which)) {
                shown.ask(Command::LayBeside(row.which));
            }
        }
    }
}

/// A rate and its interval in words.
fn in_words(rate: &RateView) -> String {
    let (low, high) = rate.interval;
    format!("{} of {}, {:.0}–{:.0} %", rate.count, rate.of, 100.0 * low, 100.0 * high)
}

/// A difference and its interval in words, percentage points.
fn points(difference: (f64, f64, f64)) -> String {
    let signed = |share: f64| format!("{:+.0}", 100.0 * share).replace('-', "−");
    let (by, low, high) = difference;
    format!("{} ({} to {}) points", signed(by), signed(low), signed(high))
}

/// A rate as a bar from 0 to 100 %, its interval as a whisker, the rate of what was done as a dashed line.
fn rate_bar(ui: &Ui, rect: Rect, rate: &RateView, unchanged: Option<f32>, colour: egui::Color32) {
    let painter = ui.painter();
    let x = |share: f32| rect.left() + rect.width() * share.clamp(0.0, 1.0);
    painter.rect_filled(rect, 2.0, LIFTED);
    painter.rect_filled(rect.with_max_x(x(rate.count as f32 / rate.of.max(1) as f32)), 2.0, colour);
    if let Some(unchanged) = unchanged {
        let ends = [Pos2::new(x(unchanged), rect.top() - 3.0), Pos2::new(x(unchanged), rect.bottom() + 3.0)];
        painter.extend(Shape::dashed_line(&ends, Stroke::new(1.5, QUIET), 3.0, 2.0));
    }
    let (low, high) = (x(rate.interval.0 as f32), x(rate.interval.1 as f32));
    let y = rect.center().y;
    for (width, colour) in [(4.0, egui::Color32::from_black_alpha(190)), (1.8, TEXT)] {
        let stroke = Stroke::new(width, colour);
        painter.line_segment([Pos2::new(low, y), Pos2::new(high, y)], stroke);
        for end in [low, high] {
            painter.line_segment([Pos2::new(end, y - 4.0), Pos2::new(end, y + 4.0)], stroke);
        }
    }
}

/// Share of a row's width that its bar has, and where the numbers beside it begin.
const BAR: f32 = 0.42;
const INDENT: f32 = 14.0;

fn unchanged_ui(ui: &mut Ui, rate: &RateView) {
    let height = 26.0 * style::text_scale(ui);
    let (rect, response) = ui.allocate_exact_size(Vec2::new(ui.available_width(), height), Sense::hover());
    let told = format!("As it was done: {}", in_words(rate));
    response.widget_info(|| WidgetInfo::labeled(WidgetType::Label, true, &told));
    let (painter, small) = (ui.painter(), style::plain(ui, SMALL));
    let from = rect.left() + INDENT;
    let wide = BAR * rect.width();
    let bar = Rect::from_center_size(Pos2::new(from + 0.5 * wide, rect.center().y), Vec2::new(wide, 9.0));
    rate_bar(ui, bar, rate, None, OUTLINE);
    let at = Pos2::new(bar.right() + 10.0, rect.center().y);
    let after = painter.text(at, Align2::LEFT_CENTER, in_words(rate), small.clone(), TEXT).right();
    painter.text(Pos2::new(after + 10.0, at.y), Align2::LEFT_CENTER, "as it was done", small, QUIET);
}

/// A row; true when it is picked.
fn row_ui(ui: &mut Ui, row: &AlternativeRow, unchanged: Option<f32>, is_picked: bool) -> bool {
    let scale = style::text_scale(ui);
    let width = ui.available_width();
    let (body, small) = (style::plain(ui, BODY), style::plain(ui, SMALL));
    let difference = ui.painter().layout_no_wrap(points(row.difference), small.clone(), TEXT);
    let room = width - INDENT - difference.size().x - 24.0;
    let name = ui.painter().layout(row.name.clone(), body, TEXT, room);
    let marks = row.marks.iter().map(|mark| (mark, GOOD)).chain(row.notes.iter().map(|note| (note, QUIET)));
    let marks: Vec<_> = marks
        .map(|(mark, ink)| (ink, ui.painter().layout(mark.clone(), small.clone(), ink, width - INDENT - 30.0)))
        .collect();
    let marks_height: f32 = marks.iter().map(|(_, mark)| mark.size().y + 2.0).sum();
    let second = 18.0 * scale;
    let height = 4.0 + name.size().y + second + marks_height + 4.0;
    let (rect, response) = ui.allocate_exact_size(Vec2::new(width, height), Sense::click());
    let marked: String = row.marks.iter().chain(&row.notes).map(|mark| format!("; {mark}")).collect();
    let told = format!("{}: {}, {}{marked}", row.name, in_words(&row.rate), points(row.difference));
    response.widget_info(|| WidgetInfo::selected(WidgetType::Button, true, is_picked, &told));
    if ui.is_rect_visible(rect) {
        let painter = ui.painter();
        let fill = if response.hovered() || is_picked { RAISED } else { PANEL };
        painter.rect_filled(rect, 3.0, fill);
        if is_picked {
            painter.rect_filled(rect.with_max_x(rect.left() + 4.0), 0.0, ACCENT);
        }
        if response.has_focus() {
            painter.rect_stroke(rect, 3.0, Stroke::new(2.0, ACCENT), egui::StrokeKind::Inside);
        }
        let (from, top) = (rect.left() + INDENT, rect.top() + 4.0);
        let at = Pos2::new(rect.right() - 10.0 - difference.size().x, top + 0.5 * (BODY - SMALL) * scale);
        let below = top + name.size().y;
        painter.galley(Pos2::new(from, top), name, TEXT);
        painter.galley(at, difference, TEXT);
        let wide = BAR * width;
        let bar = Rect::from_center_size(Pos2::new(from + 0.5 * wide, below + 0.5 * second), Vec2::new(wide, 9.0));
        rate_bar(ui, bar, &row.rate, unchanged, CATEGORIES[0]);
        let at = Pos2::new(bar.right() + 10.0, bar.center().y);
        painter.text(at, Align2::LEFT_CENTER, in_words(&row.rate), small, TEXT);
        let mut y = below + second;
        for (ink, mark) in marks {
            let step = mark.size().y + 2.0;
            let mut left = from;
            if ink == GOOD {
                widgets::paint_sign(ui, Pos2::new(from + 7.0, y + 0.5 * mark.size().y), style::MET_SIGN, GOOD);
                left += 20.0;
            }
            painter.galley(Pos2::new(left, y), mark, ink);
            y += step;
        }
    }
    keep_in_view(response).clicked()
}

#[cfg(test)]
pub(crate) mod tests {
    use super::super::outcomes::tests::map;
    use super::super::trial::*;
    use super::*;

    fn rate(count: u32, of: u32, low: f64, high: f64) -> RateView {
        RateView { count, of, interval: (low, high) }
    }

    fn row(which: Which, name: &str, rate: RateView, by: f64, marks: &[&str]) -> AlternativeRow {
        let marks = marks.iter().map(|mark| (*mark).to_owned()).collect();
        let difference = (by, by - 0.2, by + 0.2);
        AlternativeRow { which, name: name.to_owned(), rate, difference, marks, notes: Vec::new() }
    }

    const READY: BesideView<'static> = BesideView::Ready {
        which: Which::Single(1),
        with: "depth 1.37 mm, tip angle 40°",
        going: Going { t_s: 3.0, is_playing: false, speed: 0.5 },
        span_s: (0.57, 7.65),
    };

    /// The page of an invented answer.
    fn answer(ui: &mut Ui, beside: BesideView<'_>, has_pairs: bool) -> Shown {
        let groups = [
            GroupView {
                title: "From 0.57 s, before burying".to_owned(),
                unchanged: Some(rate(1, 24, 0.01, 0.2)),
                rows: vec![
                    row(Which::Single(0), "Depth 1.37 mm", rate(21, 24, 0.69, 0.96), 0.83, &["earliest that is easy"]),
                    row(Which::Single(1), "Tip angle 40°", rate(9, 24, 0.21, 0.57), 0.33, &[]),
                ],
                same: vec![row(Which::Single(2), "Bottle 110 cm", rate(0, 8, 0.0, 0.32), 0.0, &[])],
            },
            GroupView {
                title: "From 5.83 s, about to part".to_owned(),
                unchanged: Some(rate(0, 24, 0.0, 0.14)),
                rows: vec![row(Which::Single(3), "Separation 2.13 mm", rate(2, 24, 0.02, 0.26), -0.04, &[])],
                same: Vec::new(),
            },
        ];
        let pairs = [row(
            Which::Pair(0),
            "Place 0.7, 0.0 mm, separation 2.13 mm and more words than a single line can hold",
            rate(9, 24, 0.21, 0.57),
            0.38,
            &[],
        )];
        let map = map();
        let paint = |ui: &mut Ui| {
            ui.label("a section");
        };
        let view = AnswerView {
            decision: "Decision: bury at 0.57 s, 0.57 mm deep at 20°, 0.1, 0.0 mm from the lens's axis.",
            asked: "In this model, how often the crack goes right through when one thing is changed.",
            latest: None,
            earliest: Some("depth 1.37 mm at 0.57 s"),
            groups: &groups,
            pairs: &pairs,
            has_asked_pairs: has_pairs,
            effort: "952 repetitions, 6343 s of the eye's time.",
            more: Some(48),
            beside,
            map: OutcomesView::Ready(&map),
            marks: &[(5.83, false)],
            section: Some(&paint),
            section_beside: None,
        };
        show(ui, StageView::Answered(&view))
    }

    fn show(ui: &mut Ui, stage: StageView<'_>) -> Shown {
        let event = "7.15 s: The instruments let go: 0 % of the core cracked, sides still joined";
        whatif_ui(ui, &WhatIfView { title: "Very long eye, small dense core in a soft shell", event, stage })
    }

    #[test]
    fn how_far_it_is_is_told_and_button_and_escape_stop_it() {
        let mut page = small_page(|ui| show(ui, StageView::Asking { done: 217, planned: 952 }));
        assert!(page.query_by_label("217 of about 952 repetitions").is_some());
        assert_eq!(asked(&mut page, "Stop"), [Command::Back]);
        page.key_press(Key::Escape);
        page.run();
        assert_eq!(page.state().commands, [Command::Back]);
        let page = small_page(|ui| show(ui, StageView::Asking { done: 0, planned: 0 }));
        assert!(page.query_by_label("The attempt is gone through up to the decision …").is_some());
    }

    #[test]
    fn a_refusal_is_told_in_its_sentence() {
        let mut page = small_page(|ui| show(ui, StageView::Refused("There is no such event.")));
        assert!(page.query_by_label("There is no such event.").is_some());
        assert_eq!(asked(&mut page, "Back to the debrief"), [Command::Back]);
    }

    #[test]
    fn the_answer_tells_decision_rates_callouts_and_effort() {
        let page = small_page(|ui| answer(ui, BesideView::None, true));
        for words in [
            "Decision: bury at 0.57 s, 0.57 mm deep at 20°, 0.1, 0.0 mm from the lens's axis.",
            "Latest change that suffices: none of these",
            "Earliest that is easy: depth 1.37 mm at 0.57 s",
            "As it was done: 1 of 24, 1–20 %",
            "Depth 1.37 mm: 21 of 24, 69–96 %, +83 (+63 to +103) points; earliest that is easy",
            "Separation 2.13 mm: 2 of 24, 2–26 %, −4 (−24 to +16) points",
            "No single change suffices: two at once, from the first moment on",
            "952 repetitions, 6343 s of the eye's time.",
        ] {
            assert!(page.query_by_label(words).is_some(), "{words}");
        }
        assert!(page.query_by_label_contains("Not a medical device").is_some());
        let page = small_page(|ui| answer(ui, BesideView::None, false));
        assert!(page.query_by_label_contains("No single change suffices").is_none());
    }

    #[test]
    fn a_change_is_picked_and_those_without_a_difference_unfold() {
        let mut page = small_page(|ui| answer(ui, BesideView::None, true));
        let depth = "Depth 1.37 mm: 21 of 24, 69–96 %, +83 (+63 to +103) points; earliest that is easy";
        assert_eq!(asked(&mut page, depth), [Command::LayBeside(Which::Single(0))]);
        assert!(page.query_by_label_contains("Bottle 110 cm").is_none());
        page.get_by_label_contains("1 change makes no difference").click();
        page.run();
        let bottle = "Bottle 110 cm: 0 of 8, 0–32 %, +0 (−20 to +20) points";
        assert_eq!(asked(&mut page, bottle), [Command::LayBeside(Which::Single(2))]);
        assert_eq!(asked(&mut page, "Ask again with 48 repetitions"), [Command::AskAgain(48)]);
    }

    #[test]
    fn two_runs_are_named_and_share_one_transport() {
        let mut page = small_page(|ui| answer(ui, READY, true));
        for words in ["As it was done", "With depth 1.37 mm, tip angle 40°", "a section", "The section is being cut …"]
        {
            assert!(page.query_by_label(words).is_some(), "{words}");
        }
        assert_eq!(asked(&mut page, "Play"), [Command::PlayReplay]);
        assert_eq!(asked(&mut page, "0.1×"), [Command::SpeedReplay(0.1)]);
        page.state_mut().commands.clear();
        page.get_by_label("Time of both runs").focus();
        page.run();
        page.key_press(Key::ArrowRight);
        page.run();
        let Some(Command::ScrubReplay { t_s }) = page.state().commands.last() else { panic!("not moved") };
        assert!((t_s - 3.1).abs() < 1e-9, "{t_s}");
        let with = "Depth 1.37 mm";
        let under_way = BesideView::UnderWay { which: Which::Single(0), with };
        let page = small_page(move |ui| answer(ui, under_way, true));
        assert!(page.query_by_label("Both runs are being made ready …").is_some());
    }

    #[test]
    fn everything_lies_in_its_place_in_small_and_large_windows() {
        for (size, scale) in
            [([1280.0, 720.0], 1.0), ([1280.0, 720.0], 1.3), ([1920.0, 1080.0], 1.0), ([3840.0, 2160.0], 1.6)]
        {
            for beside in [BesideView::None, READY] {
                let page = page(size, scale, move |ui| answer(ui, beside, true));
                assert_in_place(&page, size);
                // The map lies within the window as well, and so do its cells.
                for node in page.query_all_by_label_contains("of the core cracked,") {
                    assert!(node.rect().bottom() <= size[1], "{:?} leaves {size:?} at {scale}", node.rect());
                }
            }
        }
    }
}
