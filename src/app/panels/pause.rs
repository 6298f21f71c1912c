//! The pause: a card over the operating page, which stands still behind it.

use super::style::{self, QUIET};
use super::{Command, Shown, widgets};
use bevy_egui::egui;
use egui::{Align, Color32, Key, Layout, Rect, RichText, Ui, Vec2};

/// What the pause shows.
#[derive(Clone, Copy, Debug)]
pub struct PauseView<'a> {
    /// The case's title.
    pub title: &'a str,
    /// Time of the attempt, s.
    pub time_s: f64,
}

/// The pause; Escape goes on as the first button does. It is drawn over what the page shows already.
pub fn pause_ui(ui: &mut Ui, view: &PauseView<'_>) -> Shown {
    let mut shown = Shown::default();
    let whole = ui.max_rect();
    ui.painter().rect_filled(whole, 0.0, Color32::from_black_alpha(170));
    let scale = style::text_scale(ui);
    let size = Vec2::new(380.0 * style::width_factor(ui), 116.0 + 204.0 * scale);
    let place = Rect::from_center_size(whole.center(), size.min(whole.size()));
    ui.painter().rect_filled(place, 6.0, style::PANEL);
    ui.painter().rect_stroke(place, 6.0, egui::Stroke::new(1.0, style::OUTLINE), egui::StrokeKind::Inside);
    widgets::part(ui, place.shrink(24.0), "pause", |ui| {
        ui.label(RichText::new("Paused").font(style::bold(ui, 20.0)));
        ui.add(egui::Label::new(RichText::new(view.title).color(QUIET)).truncate());
        widgets::quiet(ui, &format!("{} of the eye's time", widgets::clock(view.time_s)));
        ui.add_space(8.0);
        ui.with_layout(Layout::top_down_justified(Align::Center), |ui| {
            if widgets::main_button(ui, "Go on").clicked() || ui.input(|i| i.key_pressed(Key::Escape)) {
                shown.ask(Command::Resume);
            }
            for (label, command) in [
                ("End the attempt and debrief", Command::Finish),
                ("Restart the case", Command::Restart),
                ("Settings", Command::OpenSettings),
                ("Leave without debrief", Command::Abandon),
            ] {
                if widgets::button(ui, label).clicked() {
                    shown.ask(command);
                }
            }
        });
    });
    shown
}

#[cfg(test)]
mod tests {
    use super::super::trial::*;
    use super::*;

    fn page() -> Harness<'static, Done> {
        small_page(|ui| pause_ui(ui, &PauseView { title: "Soft nucleus", time_s: 61.0 }))
    }

    #[test]
    fn each_button_asks_for_what_it_says() {
        let mut page = page();
        assert_eq!(asked(&mut page, "Go on"), [Command::Resume]);
        assert_eq!(asked(&mut page, "End the attempt and debrief"), [Command::Finish]);
        assert_eq!(asked(&mut page, "Restart the case"), [Command::Restart]);
        assert_eq!(asked(&mut page, "Settings"), [Command::OpenSettings]);
        assert_eq!(asked(&mut page, "Leave without debrief"), [Command::Abandon]);
        assert!(page.query_by_label("1:01 of the eye's time").is_some());
    }

    #[test]
    fn escape_goes_on() {
        let mut page = page();
        page.key_press(Key::Escape);
        page.run();
        assert_eq!(page.state().commands, [Command::Resume]);
    }
}
