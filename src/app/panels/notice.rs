//! What must be read before the first start: this is for education only.

use super::{Command, Shown, style, widgets};
use bevy_egui::egui;
use egui::{RichText, Ui};

/// What the notice shows.
#[derive(Clone, Copy, Debug)]
pub struct NoticeView<'a> {
    /// Version of the program.
    pub version: &'a str,
}

/// What is said, a paragraph each.
const PARAGRAPHS: [(&str, &str); 4] = [
    (
        "For education only",
        "Corecleft is made for learning how a nucleus is divided. It is not a medical device. Do not use it to plan an \
         operation or in the care of a person.",
    ),
    (
        "A simplified eye",
        "The eye here is computed and simplified. Its pressures, heights and powers are not settings for a machine in a \
         theatre.",
    ),
    (
        "A score is no judgement",
        "No study has shown that a score predicts how someone operates. It must not be the only ground of any decision on a \
         trainee.",
    ),
    (
        "Those who teach you come first",
        "Follow the protocols of your department and the surgeon who supervises you, also where this program says otherwise.",
    ),
];

/// The notice; asks for nothing but to be understood.
pub fn notice_ui(ui: &mut Ui, view: &NoticeView<'_>) -> Shown {
    let mut shown = Shown::default();
    let foot = |ui: &mut Ui, shown: &mut Shown| {
        if widgets::main_button(ui, "I understand").clicked() {
            shown.ask(Command::UnderstoodNotice);
        }
    };
    widgets::page(ui, &mut shown, "Before you begin", &format!("Corecleft {}", view.version), foot, |ui, _| {
        ui.set_max_width(680.0 * style::width_factor(ui));
        for (title, text) in PARAGRAPHS {
            ui.add_space(8.0);
            ui.label(RichText::new(title).font(style::bold(ui, 16.0)));
            ui.label(text);
        }
        ui.add_space(16.0);
    });
    shown
}

#[cfg(test)]
mod tests {
    use super::super::trial::*;
    use super::*;

    #[test]
    fn the_notice_says_what_it_must_and_asks_to_be_understood() {
        let mut page = small_page(|ui| notice_ui(ui, &NoticeView { version: "0.1.0" }));
        for words in [
            "not a medical device",
            "plan an operation",
            "computed and simplified",
            "only ground of any decision",
            "protocols",
        ] {
            assert!(page.query_by_label_contains(words).is_some(), "{words}");
        }
        assert_eq!(asked(&mut page, "I understand"), [Command::UnderstoodNotice]);
    }
}
