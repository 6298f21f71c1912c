//! Asks for a case file of one's own. A file can also be dropped on the window.

use super::{Command, Shown, widgets};
use bevy_egui::egui;
use egui::{Key, Ui};

/// The page; asks to open what was typed, or to go back.
pub fn open_ui(ui: &mut Ui) -> Shown {
    let mut shown = Shown::default();
    let id = ui.id().with("case file");
    let mut path: String = ui.data_mut(|data| data.get_temp(id)).unwrap_or_default();
    let name = path.trim().to_owned();
    let mut is_entered = false;
    let foot = |ui: &mut Ui, shown: &mut Shown| {
        let reason = name.is_empty().then_some("Type the path of a file first.");
        if widgets::button_unless(ui, "Open", reason).clicked() {
            shown.ask(Command::OpenPath(name.clone().into()));
        }
        if widgets::button(ui, "Back").clicked() {
            shown.ask(Command::Back);
        }
    };
    let line = "A case is a text file that ends in .ron; docs/authoring.md tells how to write one.";
    widgets::page(ui, &mut shown, "Open a case file", line, foot, |ui, _| {
        ui.add_space(8.0);
        let label = ui.label("Path of the file. Or drop a file on the window.");
        let field = egui::TextEdit::singleline(&mut path).desired_width(ui.available_width().min(720.0));
        let response = ui.add(field).labelled_by(label.id);
        is_entered = response.lost_focus() && ui.input(|input| input.key_pressed(Key::Enter));
    });
    if is_entered && !path.trim().is_empty() {
        shown.ask(Command::OpenPath(path.trim().into()));
    }
    ui.data_mut(|data| data.insert_temp(id, path));
    shown
}

#[cfg(test)]
mod tests {
    use crate::app::panels::Command;
    use crate::app::panels::trial::{Queryable, asked, small_page};

    #[test]
    fn what_is_typed_is_asked_for() {
        let mut page = small_page(super::open_ui);
        page.get_by_label_contains("Path of the file").focus();
        page.get_by_role(bevy_egui::egui::accesskit::Role::TextInput).focus();
        page.run();
        page.get_by_role(bevy_egui::egui::accesskit::Role::TextInput).type_text("  my/case.ron ");
        page.run();
        assert_eq!(asked(&mut page, "Open"), [Command::OpenPath("my/case.ron".into())]);
        assert_eq!(asked(&mut page, "Back"), [Command::Back]);
    }
}
