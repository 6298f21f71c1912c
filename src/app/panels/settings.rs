//! The page of what is remembered. Every change is asked for at once, as the whole of the settings.

use super::style;
use super::widgets::{self, Step};
use super::{Command, Shown};
use crate::app::settings::{Quality, Settings, ranges};
use bevy_egui::egui;
use egui::{RichText, Ui};
use std::ops::RangeInclusive;

/// What the page shows.
#[derive(Clone, Copy, Debug)]
pub struct SettingsView<'a> {
    /// What is remembered now.
    pub settings: &'a Settings,
    /// Folder in which attempts are saved when none is named.
    pub ordinary_folder: &'a str,
    /// The record that is reviewed when none is named.
    pub usual_record: &'a str,
    /// Where the settings stand.
    pub file: &'a str,
    /// Something to be told, such as why they could not be saved.
    pub message: Option<&'a str>,
}

/// The page; asks for changes, and to go back.
pub fn settings_ui(ui: &mut Ui, view: &SettingsView<'_>) -> Shown {
    let mut shown = Shown::default();
    let mut now = view.settings.clone();
    let foot = |ui: &mut Ui, shown: &mut Shown| {
        if widgets::main_button(ui, "Back").clicked() {
            shown.ask(Command::Back);
        }
        if widgets::button(ui, "Ordinary settings").clicked() {
            let kept = Settings {
                notice_seen: view.settings.notice_seen,
                trainee: view.settings.trainee.clone(),
                last_case: view.settings.last_case.clone(),
                ..Settings::default()
            };
            shown.ask(Command::ChangeSettings(Box::new(kept)));
        }
    };
    widgets::page(ui, &mut shown, "Settings", view.file, foot, |ui, _| {
        if let Some(message) = view.message {
            widgets::signed_line(ui, style::WARNING_SIGN, style::WARNING, message);
        }
        let whole = ui.available_width();
        let half = 0.5 * (whole - 24.0);
        ui.horizontal_top(|ui| {
            ui.spacing_mut().item_spacing.x = 24.0;
            widgets::column(ui, half, |ui| {
                seen(ui, &mut now);
                hands(ui, &mut now);
            });
            widgets::column(ui, half - 8.0, |ui| attempts(ui, view, &mut now));
        });
    });
    if now != *view.settings {
        shown.ask(Command::ChangeSettings(Box::new(now)));
    }
    shown
}

fn title(ui: &mut Ui, text: &str) {
    ui.label(RichText::new(text).font(style::bold(ui, style::BODY)));
}

fn percent(ui: &mut Ui, label: &str, range: &RangeInclusive<f32>, value: &mut f32) {
    let range = f64::from((100.0 * range.start()).round())..=f64::from((100.0 * range.end()).round());
    let shown = Step { label, range, step: 5.0, decimals: 0, unit: "%" };
    if let Some(new) = widgets::stepper(ui, &shown, f64::from((100.0 * *value).round())) {
        *value = 0.01 * new as f32;
    }
}

fn switch(ui: &mut Ui, label: &str, value: &mut bool) {
    *value = widgets::switch(ui, *value, label).unwrap_or(*value);
}

fn seen(ui: &mut Ui, now: &mut Settings) {
    widgets::card(ui, |ui| {
        title(ui, "Window");
        percent(ui, "Text size", &ranges::TEXT_SCALE, &mut now.text_scale);
        percent(ui, "Size of everything", &ranges::WINDOW_SCALE, &mut now.window_scale);
        switch(ui, "Full screen", &mut now.full_screen);
        ui.add_space(4.0);
        ui.label("Picture");
        let qualities = [(Quality::Auto, "By itself"), (Quality::Low, "Plain"), (Quality::High, "Full")];
        now.quality = widgets::choice(ui, now.quality, &qualities).unwrap_or(now.quality);
        widgets::quiet(ui, "How much is drawn. The eye is computed the same with each.");
    });
}

fn hands(ui: &mut Ui, now: &mut Settings) {
    widgets::card(ui, |ui| {
        title(ui, "Pointer");
        percent(ui, "Motion of the tip", &ranges::SENSITIVITY, &mut now.sensitivity);
        switch(ui, "Up and down change places", &mut now.inverted);
    });
}

fn attempts(ui: &mut Ui, view: &SettingsView<'_>, now: &mut Settings) {
    widgets::card(ui, |ui| {
        title(ui, "Attempts");
        switch(ui, "As in an exam, unless chosen otherwise", &mut now.exam);
        ui.add_space(4.0);
        text(ui, "Trainee", "a number or a made-up name", &mut now.trainee);
        widgets::quiet(ui, "Stands in saved attempts. Leave it empty, or use a name that only you can resolve.");
        ui.add_space(4.0);
        text(ui, "Folder of attempts", view.ordinary_folder, &mut now.attempts_folder);
        widgets::quiet(ui, &format!("Empty: {}", view.ordinary_folder));
    });
    widgets::card(ui, |ui| {
        title(ui, "Review");
        text(ui, "Record", view.usual_record, &mut now.record);
        widgets::quiet(
            ui,
            "A file, or postgres://USER@HOST/DATABASE. A password in an address is kept in the settings' file.",
        );
        widgets::quiet(ui, &format!("Empty: {}", view.usual_record));
    });
}

/// A line of text; what is typed is asked for when the line is left, so that no half-typed folder is used.
fn text(ui: &mut Ui, label: &str, hint: &str, value: &mut String) {
    let label = ui.label(label);
    let id = ui.make_persistent_id(("typed", label.id));
    let mut typed = ui.data(|d| d.get_temp::<String>(id)).unwrap_or_else(|| value.clone());
    let edit = egui::TextEdit::singleline(&mut typed).hint_text(hint).desired_width(f32::INFINITY).char_limit(300);
    let response = widgets::keep_in_view(ui.add(edit).labelled_by(label.id));
    if response.has_focus() {
        ui.data_mut(|d| d.insert_temp(id, typed));
    } else {
        ui.data_mut(|d| d.remove::<String>(id));
        if response.lost_focus() {
            typed.trim().clone_into(value);
        }
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::super::trial::*;
    use super::*;

    /// The page with some settings.
    pub(crate) fn page_of(settings: &Settings) -> impl FnMut(&mut Ui) -> Shown {
        move |ui| {
            let view = SettingsView {
                settings,
                ordinary_folder: "Documents/corecleft",
                usual_record: "Documents/corecleft.logbook",
                file: "settings.ron",
                message: Some("The settings could not be saved."),
            };
            settings_ui(ui, &view)
        }
    }

    fn changed(page: &mut Harness<'_, Done>, label: &str) -> Settings {
        match &asked(page, label)[..] {
            [Command::ChangeSettings(settings)] => (**settings).clone(),
            other => panic!("{label}: {other:?}"),
        }
    }

    #[test]
    fn each_change_is_asked_for_and_changes_nothing_else() {
        let settings = Settings { notice_seen: true, trainee: "7".to_owned(), ..Settings::default() };
        let mut page = small_page(page_of(&settings));
        let larger = changed(&mut page, "Text size: more");
        assert!((larger.text_scale - 1.05).abs() < 1e-6);
        assert_eq!(Settings { text_scale: 1.0, ..larger }, settings);
        assert_eq!(changed(&mut page, "Full screen"), Settings { full_screen: true, ..settings.clone() });
        assert_eq!(changed(&mut page, "Plain"), Settings { quality: Quality::Low, ..settings.clone() });
        assert!(changed(&mut page, "Up and down change places").inverted);
        assert!(changed(&mut page, "As in an exam, unless chosen otherwise").exam);
        assert!(page.query_by_label("The settings could not be saved.").is_some());
        assert_eq!(asked(&mut page, "Back"), [Command::Back]);
    }

    #[test]
    fn ordinary_settings_keep_who_one_is_and_what_one_read() {
        let settings =
            Settings { notice_seen: true, trainee: "7".to_owned(), text_scale: 1.4, exam: true, ..Settings::default() };
        let mut page = small_page(page_of(&settings));
        let ordinary = Settings { notice_seen: true, trainee: "7".to_owned(), ..Settings::default() };
        assert_eq!(changed(&mut page, "Ordinary settings"), ordinary);
    }

    #[test]
    fn a_name_is_asked_for_when_its_line_is_left() {
        let settings = Settings::default();
        let mut page = small_page(page_of(&settings));
        page.get_by_label("Trainee").focus();
        page.run();
        page.get_by_label("Trainee").type_text("resident 7");
        page.run();
        assert_eq!(page.state().commands, [], "not while it is typed");
        page.key_press(egui::Key::Enter);
        page.run();
        let expected = Settings { trainee: "resident 7".to_owned(), ..settings.clone() };
        assert_eq!(page.state().commands, [Command::ChangeSettings(Box::new(expected))]);
    }
}
