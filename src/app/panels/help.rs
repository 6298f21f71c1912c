//! Help: how an attempt goes, and the keys, made from the list of those that are in use.

use super::style::{self, QUIET, RAISED, SMALL, TEXT};
use super::{Command, Shown, widgets};
use bevy_egui::egui;
use egui::{Align2, RichText, Sense, Ui, Vec2};

/// One action and the keys for it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct KeyLine {
    /// What it belongs to, such as `Needle`.
    pub group: String,
    /// What happens.
    pub action: String,
    /// Keys in words, such as `Shift and pointer`.
    pub keys: String,
}

/// What the page shows.
#[derive(Clone, Copy, Debug)]
pub struct HelpView<'a> {
    /// Version of the program.
    pub version: &'a str,
    /// The keys, those of a group behind each other.
    pub keys: &'a [KeyLine],
    /// Where other keys can be chosen, one line.
    pub remap: &'a str,
}

/// How an attempt goes, a step each.
const STEPS: [&str; 6] = [
    "Choose a case and read its sheet: what you see at the slit lamp may not be what you find.",
    "Set the machine and the rhexis within what the case allows, and check the foot pedal.",
    "Bury the tip with ultrasound, go back to pedal position 2, bring the chopper, part the instruments.",
    "Grip a piece, bring it to the centre, emulsify it there. Keep the foot off position 0 while in the eye.",
    "When something goes wrong: stop aspiration and ultrasound, keep the infusion on, fill through the side port, call.",
    "End the attempt. The debrief says what happened and why; click an event to see it again from just before.",
];

/// The page; asks to go back.
pub fn help_ui(ui: &mut Ui, view: &HelpView<'_>) -> Shown {
    let mut shown = Shown::default();
    let foot = |ui: &mut Ui, shown: &mut Shown| {
        if widgets::main_button(ui, "Back").clicked() {
            shown.ask(Command::Back);
        }
    };
    let line = format!("Corecleft {}", view.version);
    widgets::page(ui, &mut shown, "Help", &line, foot, |ui, _| {
        let whole = ui.available_width();
        let left = ((whole - 32.0) * 0.42).floor();
        ui.horizontal_top(|ui| {
            ui.spacing_mut().item_spacing.x = 24.0;
            widgets::column(ui, left, |ui| {
                ui.label(RichText::new("How an attempt goes").font(style::bold(ui, style::BODY)));
                for (i, step) in STEPS.into_iter().enumerate() {
                    widgets::signed_line(ui, &(i + 1).to_string(), QUIET, step);
                }
                widgets::quiet(ui, crate::app::panels::EDUCATION_ONLY);
            });
            widgets::column(ui, whole - left - 32.0, |ui| {
                ui.label(RichText::new("Keys").font(style::bold(ui, style::BODY)));
                keys_ui(ui, view.keys);
                widgets::quiet(ui, view.remap);
            });
        });
    });
    shown
}

/// The keys, a heading for each group.
pub fn keys_ui(ui: &mut Ui, keys: &[KeyLine]) {
    let mut group = "";
    ui.spacing_mut().item_spacing.y = 4.0;
    for line in keys {
        if line.group != group {
            widgets::heading(ui, &line.group);
            group = &line.group;
        }
        ui.horizontal_top(|ui| {
            let wide = 0.52 * ui.available_width();
            widgets::column(ui, wide, |ui| {
                ui.add(egui::Label::new(RichText::new(&line.action).color(QUIET)).wrap());
            });
            key_cap(ui, &line.keys);
        });
    }
}

/// Keys as on a keyboard; what is too long wraps.
fn key_cap(ui: &mut Ui, keys: &str) {
    let font = style::mono(ui, SMALL);
    let room = (ui.available_width() - 12.0).max(20.0);
    let galley = ui.painter().layout(keys.to_owned(), font, TEXT, room);
    let size = galley.size() + Vec2::new(12.0, 4.0);
    let (rect, response) = ui.allocate_exact_size(size, Sense::hover());
    response.widget_info(|| egui::WidgetInfo::labeled(egui::WidgetType::Label, true, keys));
    ui.painter().rect_filled(rect, 3.0, RAISED);
    let at = Align2::CENTER_CENTER.align_size_within_rect(galley.size(), rect).min;
    ui.painter().galley(at, galley, TEXT);
}

#[cfg(test)]
pub(crate) mod tests {
    use super::super::trial::*;
    use super::*;

    /// Some keys.
    pub(crate) fn keys() -> Vec<KeyLine> {
        let line = |group: &str, action: &str, keys: &str| KeyLine {
            group: group.to_owned(),
            action: action.to_owned(),
            keys: keys.to_owned(),
        };
        vec![
            line("Needle", "Move in the plane of view", "pointer"),
            line("Needle", "Along the shaft", "wheel"),
            line("Needle", "Tip angle", "W and S"),
            line("Needle", "Roll", "Q and E"),
            line("Chopper", "Move the chopper", "Shift and pointer"),
            line("Foot", "Positions 0 to 3", "1 2 3 4"),
            line("Everything", "Pause", "Escape"),
        ]
    }

    #[test]
    fn every_key_stands_with_its_action_and_each_group_once() {
        let keys = keys();
        let mut page =
            small_page(|ui| help_ui(ui, &HelpView { version: "0.1.0", keys: &keys, remap: "Other keys: keys.ron" }));
        for line in &keys {
            assert!(page.query_by_label(&line.action).is_some(), "{}", line.action);
            assert!(page.query_by_label(&line.keys).is_some(), "{}", line.keys);
        }
        assert_eq!(page.query_all_by_label("Needle").count(), 1);
        assert_eq!(asked(&mut page, "Back"), [Command::Back]);
    }
}
