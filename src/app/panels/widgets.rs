//! Small things that the pages share: the page itself with its head and foot, buttons that say why they are at rest, values
//! with steps, choices, signs. Lengths are points.
//!
//! What has the keyboard is brought into view: a column that scrolls would otherwise hide it.

use super::style::{
    ACCENT, BODY, GOOD, GROUND, LIFTED, MET_SIGN, ON_ACCENT, OUTLINE, PANEL, QUIET, RAISED, RULE, SMALL, TEXT, WARNING,
    WARNING_SIGN, bold, plain, text_scale, width_factor,
};
use super::{Shown, style};
use bevy_egui::egui;
use egui::{
    Align, Align2, Button, Color32, DragValue, Frame, Layout, Rect, Response, RichText, Sense, Stroke, Ui, Vec2,
    WidgetInfo, WidgetType,
};
use std::ops::RangeInclusive;

/// Widest that the text of a page runs, at scale 1.
const PAGE_WIDTH: f32 = 1120.0;

/// Brings what has just received the keyboard into view.
pub fn keep_in_view(response: Response) -> Response {
    if response.gained_focus() {
        response.scroll_to_me(None);
    }
    response
}

/// A page of its own: a head with title and one line, a foot for what comes next, and between them a body that scrolls. The
/// body comes before the foot in the order of Tab.
pub fn page(
    ui: &mut Ui,
    shown: &mut Shown,
    title: &str,
    line: &str,
    foot: impl FnOnce(&mut Ui, &mut Shown),
    body: impl FnOnce(&mut Ui, &mut Shown),
) {
    let whole = ui.max_rect();
    ui.painter().rect_filled(whole, 0.0, GROUND);
    let foot_height = ui.spacing().interact_size.y + 8.0 + 24.0;
    let inner = whole.shrink2(Vec2::new(side_margin(ui), 0.0));
    let head = part(ui, inner.with_min_y(whole.top() + 24.0), "head", |ui| {
        ui.add(egui::Label::new(RichText::new(title).font(bold(ui, 26.0)).color(TEXT)).truncate());
        if !line.is_empty() {
            ui.label(RichText::new(line).color(QUIET));
        }
        ui.min_rect().bottom()
    });
    let foot_rect = whole.with_min_y(whole.bottom() - foot_height);
    let between = inner.with_min_y(head + 12.0).with_max_y(foot_rect.top());
    part(ui, between, "body", |ui| {
        egui::ScrollArea::vertical().auto_shrink(false).show(ui, |ui| {
            body(ui, shown);
            ui.add_space(16.0);
        });
    });
    ui.painter().rect_filled(foot_rect, 0.0, PANEL);
    let foot_inner = Rect::from_x_y_ranges(inner.x_range(), foot_rect.y_range()).shrink2(Vec2::new(0.0, 12.0));
    part(ui, foot_inner, "foot", |ui| {
        ui.with_layout(Layout::right_to_left(Align::Center), |ui| foot(ui, shown));
    });
}

/// A part of a page with a place of its own; what does not fit is cut off at its edge.
pub fn part<R>(ui: &mut Ui, rect: Rect, name: &str, content: impl FnOnce(&mut Ui) -> R) -> R {
    let builder = egui::UiBuilder::new().max_rect(rect).layout(Layout::top_down(Align::Min)).id_salt(name);
    let mut inner = ui.new_child(builder);
    // Outlines and rings of focus reach a little over.
    inner.shrink_clip_rect(rect.expand(3.0));
    let made = content(&mut inner);
    ui.advance_cursor_after_rect(rect);
    made
}

/// Margin at each side that keeps a page's text from running too wide, points.
fn side_margin(ui: &Ui) -> f32 {
    (0.5 * (ui.available_width() - PAGE_WIDTH * width_factor(ui))).max(24.0)
}

/// A button.
pub fn button(ui: &mut Ui, label: &str) -> Response {
    keep_in_view(ui.button(label))
}

/// The button for what is to be done next.
pub fn main_button(ui: &mut Ui, label: &str) -> Response {
    let height = ui.spacing().interact_size.y + 8.0;
    let text = RichText::new(label).font(bold(ui, BODY)).color(ON_ACCENT);
    let made = ui.scope(|ui| {
        let outline = Stroke::new(2.0, TEXT);
        let widgets = &mut ui.visuals_mut().widgets;
        (widgets.active.bg_stroke, widgets.hovered.bg_stroke) = (outline, Stroke::new(1.0, TEXT));
        ui.add(Button::new(text).fill(ACCENT).min_size(Vec2::new(0.0, height)))
    });
    keep_in_view(made.inner)
}

/// A button that is at rest while there is a reason, which it tells under the pointer.
pub fn button_unless(ui: &mut Ui, label: &str, reason: Option<&str>) -> Response {
    let made = ui.add_enabled(reason.is_none(), Button::new(label));
    let made = keep_in_view(made);
    match reason {
        Some(reason) => made.on_disabled_hover_text(reason),
        None => made,
    }
}

/// A heading within a page, over a rule.
pub fn heading(ui: &mut Ui, text: &str) {
    ui.add_space(8.0);
    ui.label(RichText::new(text).font(bold(ui, BODY)).color(TEXT));
    let (rect, _) = ui.allocate_exact_size(Vec2::new(ui.available_width(), 1.0), Sense::hover());
    ui.painter().rect_filled(rect, 0.0, RULE);
}

/// Text that stands back, in small letters.
pub fn quiet(ui: &mut Ui, text: &str) -> Response {
    ui.label(RichText::new(text).small().color(QUIET))
}

/// A line with a sign before it; the text wraps beside the sign.
pub fn signed_line(ui: &mut Ui, sign: &str, colour: Color32, text: &str) {
    ui.horizontal_top(|ui| {
        ui.spacing_mut().item_spacing.x = 6.0;
        let height = ui.text_style_height(&egui::TextStyle::Body);
        let (rect, _) = ui.allocate_exact_size(Vec2::new(16.0 * text_scale(ui), height), Sense::hover());
        paint_sign(ui, rect.center(), sign, colour);
        ui.add(egui::Label::new(text).wrap());
    });
}

/// A sign that stands before words. The tick is drawn: that of the typeface is too thin to be told from a dot.
pub fn paint_sign(ui: &Ui, centre: egui::Pos2, sign: &str, colour: Color32) {
    let scale = text_scale(ui);
    if sign == MET_SIGN {
        let points = [Vec2::new(-4.5, 0.0), Vec2::new(-1.5, 3.5), Vec2::new(5.0, -4.0)];
        let line = points.map(|offset| centre + scale * offset).to_vec();
        ui.painter().add(egui::Shape::line(line, Stroke::new(2.0 * scale, colour)));
    } else {
        ui.painter().text(centre, Align2::CENTER_CENTER, sign, plain(ui, BODY), colour);
    }
}

/// A card: a panel of its own on a page.
pub fn card<R>(ui: &mut Ui, content: impl FnOnce(&mut Ui) -> R) -> R {
    let frame = Frame::new().fill(PANEL).stroke(Stroke::new(1.0, RULE)).corner_radius(4.0).inner_margin(16.0);
    frame
        .show(ui, |ui| {
            ui.set_width(ui.available_width());
            content(ui)
        })
        .inner
}

/// A column of a fixed width.
pub fn column<R>(ui: &mut Ui, width: f32, content: impl FnOnce(&mut Ui) -> R) -> R {
    // In a window too small for anything there may be less than no room left.
    let width = width.max(0.0);
    ui.allocate_ui_with_layout(Vec2::new(width, 0.0), Layout::top_down(Align::Min), |ui| {
        ui.set_width(width);
        ui.spacing_mut().item_spacing.x = 8.0;
        content(ui)
    })
    .inner
}

/// A short word in an outline.
pub fn tag(ui: &mut Ui, text: &str) {
    let galley = ui.painter().layout_no_wrap(text.to_owned(), plain(ui, SMALL), QUIET);
    let (rect, _) = ui.allocate_exact_size(galley.size() + Vec2::new(12.0, 4.0), Sense::hover());
    ui.painter().rect(rect, 3.0, Color32::TRANSPARENT, Stroke::new(1.0, OUTLINE), egui::StrokeKind::Inside);
    ui.painter().galley(rect.min + Vec2::new(6.0, 2.0), galley, QUIET);
}

/// A bar from 0 to 1 with words beside it.
pub fn bar(ui: &Ui, rect: Rect, share: f32, colour: Color32) {
    let painter = ui.painter();
    painter.rect_filled(rect, 2.0, LIFTED);
    let filled = Rect::from_min_size(rect.min, Vec2::new(rect.width() * share.clamp(0.0, 1.0), rect.height()));
    painter.rect_filled(filled, 2.0, colour);
}

/// A value that can be typed, dragged and stepped.
#[derive(Clone, Debug)]
pub struct Step<'a> {
    /// Its name.
    pub label: &'a str,
    /// What it may be.
    pub range: RangeInclusive<f64>,
    /// One step.
    pub step: f64,
    /// Decimals shown.
    pub decimals: usize,
    /// Its unit, shown behind the figure.
    pub unit: &'a str,
}

/// Label at the left; at the right the value between − and +. Returns the new value when it changed. By keyboard the value
/// itself is reached, where figures are typed and the up and down arrows step.
pub fn stepper(ui: &mut Ui, step: &Step<'_>, value: f64) -> Option<f64> {
    let mut now = value;
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 4.0;
        let height = ui.spacing().interact_size.y;
        let scale = text_scale(ui);
        let wide = if step.unit.chars().count() > 2 { 86.0 } else { 64.0 };
        let (knob, field) = ((22.0 * scale).round(), (wide * scale).round());
        ui.spacing_mut().button_padding.x = 4.0;
        let room = (ui.available_width() - 2.0 * knob - field - 12.0).max(40.0);
        let label = ui
            .allocate_ui_with_layout(Vec2::new(room, height), Layout::left_to_right(Align::Center), |ui| {
                ui.set_min_width(room);
                ui.add(egui::Label::new(step.label).truncate())
            })
            .inner;
        let within = |v: f64| {
            // Rounded again, so that a step of a tenth ends at a tenth and not beside it.
            egui::emath::round_to_decimals(v, step.decimals).clamp(*step.range.start(), *step.range.end())
        };
        if knob_button(ui, Vec2::new(knob, height), "−", step.label) {
            now = within(((now - step.step) / step.step).round() * step.step);
        }
        let drag = DragValue::new(&mut now)
            .range(step.range.clone())
            .speed(step.step)
            .fixed_decimals(step.decimals)
            .suffix(if step.unit.is_empty() { String::new() } else { format!(" {}", step.unit) })
            .update_while_editing(false);
        keep_in_view(ui.add_sized(Vec2::new(field, height), drag).labelled_by(label.id));
        if knob_button(ui, Vec2::new(knob, height), "+", step.label) {
            now = within(((now + step.step) / step.step).round() * step.step);
        }
    });
    (now != value).then_some(now)
}

/// A knob that the keyboard passes by: the value beside it does the same by arrows.
fn knob_button(ui: &mut Ui, size: Vec2, sign: &str, what: &str) -> bool {
    let (rect, response) = ui.allocate_exact_size(size, Sense::CLICK);
    let is_enabled = ui.is_enabled();
    let verb = if sign == "+" { "more" } else { "less" };
    response.widget_info(|| WidgetInfo::labeled(WidgetType::Button, is_enabled, format!("{what}: {verb}")));
    let visuals = ui.style().interact(&response);
    let (fill, outline, ink) = (visuals.weak_bg_fill, visuals.bg_stroke, visuals.text_color());
    ui.painter().rect(rect, 3.0, fill, outline, egui::StrokeKind::Inside);
    ui.painter().text(rect.center(), Align2::CENTER_CENTER, sign, plain(ui, BODY), ink);
    response.clicked()
}

/// One of several, with a mark at the one that is chosen. Returns the new one when it changed.
pub fn choice<T: Copy + PartialEq>(ui: &mut Ui, now: T, among: &[(T, &str)]) -> Option<T> {
    let mut chosen = None;
    ui.horizontal_wrapped(|ui| {
        for (value, label) in among {
            let response = keep_in_view(ui.radio(*value == now, *label));
            if response.clicked() && *value != now {
                chosen = Some(*value);
            }
        }
    });
    chosen
}

/// A switch with words; returns its new state when it changed.
pub fn switch(ui: &mut Ui, is_on: bool, label: &str) -> Option<bool> {
    let mut now = is_on;
    keep_in_view(ui.checkbox(&mut now, label));
    (now != is_on).then_some(now)
}

/// A name and what it is, in two columns.
pub fn fact(ui: &mut Ui, label: &str, value: &str) {
    let wide = 0.42 * ui.available_width();
    ui.horizontal_top(|ui| {
        ui.allocate_ui_with_layout(Vec2::new(wide, 0.0), Layout::top_down(Align::Min), |ui| {
            ui.set_width(wide);
            ui.add(egui::Label::new(RichText::new(label).color(QUIET)).wrap());
        });
        ui.add(egui::Label::new(value).wrap());
    });
}

/// Time as minutes and seconds, as a clock in the theatre shows it.
pub fn clock(t_s: f64) -> String {
    let whole = t_s.max(0.0).floor() as u64;
    format!("{}:{:02}", whole / 60, whole % 60)
}

/// A clock hour of a place in the eye, 1–12; +x is 3 o'clock, +y 12 o'clock.
pub fn hour_of(place_mm: (f64, f64)) -> u8 {
    let turns = place_mm.0.atan2(place_mm.1) / std::f64::consts::TAU;
    let hour = (turns * 12.0).round().rem_euclid(12.0) as u8;
    if hour == 0 { 12 } else { hour }
}

/// A place in the eye in words.
pub fn place_in_words(place_mm: (f64, f64)) -> String {
    let radius_mm = place_mm.0.hypot(place_mm.1);
    if radius_mm < 0.05 {
        "in the middle".to_owned()
    } else {
        format!("{radius_mm:.1} mm toward {} o'clock", hour_of(place_mm))
    }
}

/// How something came out, with the sign and the word that go with its colour.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Standing {
    /// Met.
    Met,
    /// Missed, and needed to pass.
    Missed,
    /// Missed, but not needed to pass.
    Short,
    /// The attempt never came that far.
    NotReached,
    /// Nothing called for it.
    NotJudged,
}

impl Standing {
    /// Sign, word and colour.
    pub fn shown(self) -> (&'static str, &'static str, Color32) {
        match self {
            Self::Met => (MET_SIGN, "met", GOOD),
            Self::Missed => (WARNING_SIGN, "missed", WARNING),
            Self::Short => (WARNING_SIGN, "short", ACCENT),
            Self::NotReached => ("○", "not reached", WARNING),
            Self::NotJudged => ("–", "not judged", QUIET),
        }
    }
}

/// A whole card as a button: painted by `content` with the card's rectangle, named for the keyboard and for readers of the
/// screen.
pub fn card_button(ui: &mut Ui, height: f32, name: &str, content: impl FnOnce(&mut Ui)) -> Response {
    let (rect, response) = ui.allocate_exact_size(Vec2::new(ui.available_width(), height), Sense::click());
    response.widget_info(|| WidgetInfo::labeled(WidgetType::Button, true, name));
    let fill = if response.hovered() || response.has_focus() { RAISED } else { PANEL };
    let outline = match (response.has_focus(), response.hovered()) {
        (true, _) => Stroke::new(2.0, style::ACCENT),
        (false, true) => Stroke::new(1.0, OUTLINE),
        (false, false) => Stroke::new(1.0, RULE),
    };
    ui.painter().rect(rect, 4.0, fill, outline, egui::StrokeKind::Inside);
    let inner = rect.shrink2(Vec2::new(16.0, 10.0));
    let builder = egui::UiBuilder::new().max_rect(inner).layout(Layout::top_down(Align::Min)).id_salt(name);
    content(&mut ui.new_child(builder));
    keep_in_view(response)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn hours_go_round_the_eye() {
        assert_eq!(hour_of((0.0, 1.0)), 12);
        assert_eq!(hour_of((1.0, 0.0)), 3);
        assert_eq!(hour_of((0.0, -2.0)), 6);
        assert_eq!(hour_of((-1.0, 0.0)), 9);
        assert_eq!(hour_of((0.5, 0.866)), 1);
        assert_eq!(place_in_words((0.0, 0.0)), "in the middle");
        assert_eq!(place_in_words((-1.2, 0.0)), "1.2 mm toward 9 o'clock");
    }

    #[test]
    fn a_clock_shows_minutes_and_seconds() {
        assert_eq!((clock(0.0), clock(59.99), clock(61.0)), ("0:00".into(), "0:59".into(), "1:01".into()));
        assert_eq!(clock(-3.0), "0:00");
    }
}
