//! The transport of a replay: play and hold, step by step, its speed, and the time as a bar that is scrubbed.
//!
//! Times are of the attempt, s; speeds multiples of the eye's time.

use super::style::{ACCENT, LIFTED, OUTLINE, QUIET, RAISED, TEXT, WARNING};
use super::widgets::{self, keep_in_view};
use super::{Command, Shown};
use bevy_egui::egui;
use egui::{Key, Pos2, RichText, Sense, Shape, Stroke, Ui, Vec2, WidgetInfo};

/// Speeds of a replay, multiples of the eye's time.
pub const SPEEDS: [f64; 5] = [0.1, 0.25, 0.5, 1.0, 2.0];

/// How a replay goes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Going {
    /// Where it is, s.
    pub t_s: f64,
    /// Does it run?
    pub is_playing: bool,
    /// Its speed, a multiple of the eye's time.
    pub speed: f64,
}

/// What the transport shows.
#[derive(Clone, Copy, Debug)]
pub struct TransportView<'a> {
    /// What the bar is of, for readers of the screen.
    pub name: &'a str,
    /// From when to when it goes, s.
    pub span_s: (f64, f64),
    /// How it goes; `None` while there is nothing to be seen yet.
    pub going: Option<Going>,
    /// Times that are marked, s, and whether they are critical.
    pub marks: &'a [(f64, bool)],
}

/// Height that a transport takes, points, where a line is so high.
pub fn height(line: f32) -> f32 {
    2.0 * line + 36.0
}

/// The transport.
pub fn transport_ui(ui: &mut Ui, view: &TransportView<'_>, shown: &mut Shown) {
    ui.spacing_mut().item_spacing = Vec2::new(6.0, 6.0);
    time_bar(ui, view, shown);
    let Some(Going { t_s, is_playing, speed }) = view.going else { return };
    ui.horizontal(|ui| {
        let (label, command) = if is_playing { ("Hold", Command::HoldReplay) } else { ("Play", Command::PlayReplay) };
        ui.spacing_mut().button_padding.x = 8.0;
        if widgets::button(ui, label).clicked() {
            shown.ask(command);
        }
        for (label, pictures) in [("← Step", -1), ("Step →", 1)] {
            if widgets::button(ui, label).clicked() {
                shown.ask(Command::StepReplay(pictures));
            }
        }
        ui.label(RichText::new(format!("{t_s:.2} s")).color(TEXT));
        ui.add_space(4.0);
        let among = SPEEDS.map(|speed| (speed, format!("{speed}×")));
        for (value, label) in &among {
            let is_chosen = (*value - speed).abs() < 1e-9;
            let button = egui::Button::selectable(is_chosen, label.as_str()).frame_when_inactive(true);
            let button = if is_chosen { button.stroke(Stroke::new(1.5, TEXT)) } else { button };
            if keep_in_view(ui.add(button)).clicked() && !is_chosen {
                shown.ask(Command::SpeedReplay(*value));
            }
        }
    });
}

/// The time as a bar, with a mark for each moment: a triangle for what is critical, a line for the rest. A click or drag goes to
/// a time; the arrows, with the keyboard, go by a second, or by a tenth of what is shorter than ten.
fn time_bar(ui: &mut Ui, view: &TransportView<'_>, shown: &mut Shown) {
    let height = ui.spacing().interact_size.y + 8.0;
    let (rect, response) = ui.allocate_exact_size(Vec2::new(ui.available_width(), height), Sense::click_and_drag());
    let now_s = view.going.map(|going| going.t_s);
    response.widget_info(|| WidgetInfo::slider(now_s.is_some(), now_s.unwrap_or(0.0), view.name));
    let (from_s, to_s) = view.span_s;
    let length_s = (to_s - from_s).max(1e-3);
    let bar = rect.shrink2(Vec2::new(6.0, 0.0)).with_min_y(rect.top() + 10.0).with_max_y(rect.bottom() - 8.0);
    let x = |t_s: f64| bar.left() + bar.width() * ((t_s - from_s) / length_s).clamp(0.0, 1.0) as f32;
    let painter = ui.painter();
    painter.rect(bar, 3.0, RAISED, Stroke::new(1.0, OUTLINE), egui::StrokeKind::Inside);
    if let Some(now_s) = now_s {
        painter.rect_filled(bar.with_max_x(x(now_s)), 3.0, LIFTED);
    }
    for (t_s, is_critical) in view.marks.iter().filter(|(t_s, _)| (from_s..=to_s).contains(t_s)) {
        let at = x(*t_s);
        if *is_critical {
            let tip = Pos2::new(at, bar.top() + 2.0);
            let corners = vec![tip, tip + Vec2::new(5.0, -9.0), tip + Vec2::new(-5.0, -9.0)];
            painter.add(Shape::convex_polygon(corners, WARNING, Stroke::NONE));
            painter.line_segment([tip, Pos2::new(at, bar.bottom())], Stroke::new(2.0, WARNING));
        } else {
            let ends = [Pos2::new(at, bar.top() + 3.0), Pos2::new(at, bar.bottom() - 3.0)];
            painter.line_segment(ends, Stroke::new(1.0, QUIET));
        }
    }
    if let Some(now_s) = now_s {
        let at = x(now_s);
        let stroke = Stroke::new(2.0, ACCENT);
        painter.line_segment([Pos2::new(at, rect.top() + 4.0), Pos2::new(at, rect.bottom() - 2.0)], stroke);
        painter.circle_filled(Pos2::new(at, rect.bottom() - 4.0), 4.0, ACCENT);
    }
    if response.has_focus() {
        painter.rect_stroke(rect, 3.0, Stroke::new(2.0, ACCENT), egui::StrokeKind::Inside);
    }
    let Some(now_s) = now_s else { return };
    let mut wanted_s = None;
    if let Some(at) = response.interact_pointer_pos().filter(|_| response.dragged() || response.clicked()) {
        wanted_s = Some(from_s + f64::from((at.x - bar.left()) / bar.width()) * length_s);
    }
    if response.has_focus() {
        let filter = egui::EventFilter { horizontal_arrows: true, ..egui::EventFilter::default() };
        ui.memory_mut(|m| m.set_focus_lock_filter(response.id, filter));
        let steps = ui.input(|i| i.num_presses(Key::ArrowRight) as f64 - i.num_presses(Key::ArrowLeft) as f64);
        if steps != 0.0 {
            wanted_s = Some(now_s + steps * if length_s < 10.0 { 0.1 } else { 1.0 });
        }
    }
    if let Some(t_s) = wanted_s {
        shown.ask(Command::ScrubReplay { t_s: t_s.clamp(from_s, to_s) });
    }
    keep_in_view(response);
}
