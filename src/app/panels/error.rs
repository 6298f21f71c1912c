//! A message that fills the window: something cannot go on, why, and what would help.

use super::style::{self, QUIET, WARNING};
use super::{Command, Shown, widgets};
use bevy_egui::egui;
use egui::{RichText, Ui};

/// What the page shows.
#[derive(Clone, Copy, Debug)]
pub struct ErrorView<'a> {
    /// What cannot go on, in a few words.
    pub title: &'a str,
    /// Why, a sentence each.
    pub reasons: &'a [String],
    /// What would help, one sentence.
    pub remedy: &'a str,
    /// Is there a page to go back to?
    pub can_go_back: bool,
}

/// The page; asks to go back where that is possible, and to close.
pub fn error_ui(ui: &mut Ui, view: &ErrorView<'_>) -> Shown {
    let mut shown = Shown::default();
    let foot = |ui: &mut Ui, shown: &mut Shown| {
        if view.can_go_back && widgets::main_button(ui, "Back").clicked() {
            shown.ask(Command::Back);
        }
        if widgets::button(ui, "Close the program").clicked() {
            shown.ask(Command::Quit);
        }
    };
    widgets::page(ui, &mut shown, view.title, "", foot, |ui, _| {
        ui.set_max_width(760.0 * style::width_factor(ui));
        for reason in view.reasons {
            widgets::signed_line(ui, style::WARNING_SIGN, WARNING, reason);
        }
        ui.add_space(8.0);
        ui.label(RichText::new(view.remedy).color(QUIET));
    });
    shown
}

#[cfg(test)]
mod tests {
    use super::super::trial::*;
    use super::*;

    #[test]
    fn every_reason_is_told_and_one_goes_back_where_one_can() {
        let reasons = ["a.ron:3:5: eye.side: is missing; allowed: Right or Left".to_owned(), "Another".to_owned()];
        let view = |can_go_back| ErrorView {
            title: "This case cannot be used",
            reasons: &reasons,
            remedy: "Correct the file and open it again.",
            can_go_back,
        };
        let mut page = small_page(|ui| error_ui(ui, &view(true)));
        assert!(reasons.iter().all(|reason| page.query_by_label(reason).is_some()));
        assert_eq!(asked(&mut page, "Back"), [Command::Back]);
        assert_eq!(asked(&mut page, "Close the program"), [Command::Quit]);
        let page = small_page(|ui| error_ui(ui, &view(false)));
        assert!(page.query_by_label("Back").is_none());
    }
}
