//! The first page: choose a case, open one of one's own, or go back to a saved attempt.

use super::style::{self, BODY, GOOD, PANEL, QUIET, SMALL, TEXT, WARNING};
use super::{Command, Shown, widgets};
use bevy_egui::egui;
use egui::{Align, Layout, RichText, Ui, Vec2};

/// A case in the list.
#[derive(Clone, Debug, PartialEq)]
pub struct CaseRow {
    /// The case's title.
    pub title: String,
    /// What it is about, one line.
    pub line: String,
    /// Short words, such as the grade.
    pub tags: Vec<String>,
    /// Attempts so far.
    pub attempts: u32,
    /// The best of them: score (0–100) and whether it passed.
    pub best: Option<(f64, bool)>,
}

/// A saved attempt in the list.
#[derive(Clone, Debug, PartialEq)]
pub struct SavedRow {
    /// Name of its file.
    pub name: String,
    /// When it was made.
    pub date: String,
    /// The case's title.
    pub case: String,
    /// Score (0–100) and whether it passed; `None` where it cannot be read.
    pub result: Option<(f64, bool)>,
}

/// What the page shows.
#[derive(Clone, Copy, Debug)]
pub struct CasesView<'a> {
    /// The cases, in the order in which they are best taken.
    pub cases: &'a [CaseRow],
    /// Saved attempts, the latest first.
    pub saved: &'a [SavedRow],
    /// Something to be told, such as why a file could not be opened.
    pub message: Option<&'a str>,
}

/// A result in words.
fn result_in_words((score, has_passed): (f64, bool)) -> String {
    format!("{:.0} of 100, {}", score.floor(), if has_passed { "passed" } else { "not passed" })
}

/// The page; asks for a case, a file, an attempt, settings, help, or to close.
pub fn cases_ui(ui: &mut Ui, view: &CasesView<'_>) -> Shown {
    let mut shown = Shown::default();
    let foot = |ui: &mut Ui, shown: &mut Shown| {
        for (label, command) in [
            ("One eye a day", Command::OpenDaily),
            ("Review", Command::OpenReview),
            ("Open a case file…", Command::OpenFile),
            ("Settings", Command::OpenSettings),
            ("Help", Command::OpenHelp),
            ("Close the program", Command::Quit),
        ] {
            if widgets::button(ui, label).clicked() {
                shown.ask(command);
            }
        }
        ui.with_layout(Layout::left_to_right(Align::Center), |ui| {
            widgets::quiet(ui, "For education only; not a medical device. All cases are invented.");
        });
    };
    let line = "Nucleus chop, computed rather than scripted. Choose a case.";
    widgets::page(ui, &mut shown, "Corecleft", line, foot, |ui, shown| {
        if let Some(message) = view.message {
            widgets::signed_line(ui, style::WARNING_SIGN, WARNING, message);
        }
        let whole = ui.available_width();
        let left = ((whole - 16.0) * 0.62).floor();
        ui.horizontal_top(|ui| {
            ui.spacing_mut().item_spacing.x = 16.0;
            widgets::column(ui, left, |ui| cases(ui, view, shown));
            widgets::column(ui, whole - left - 24.0, |ui| saved(ui, view, shown));
        });
    });
    shown
}

fn cases(ui: &mut Ui, view: &CasesView<'_>, shown: &mut Shown) {
    let height = 92.0 * style::text_scale(ui);
    for (i, case) in view.cases.iter().enumerate() {
        let response = widgets::card_button(ui, height, &case.title, |ui| {
            let is_tried = case.attempts > 0;
            let (width, right) = (ui.available_width(), 168.0 * style::width_factor(ui));
            ui.spacing_mut().item_spacing.y = 4.0;
            ui.horizontal_top(|ui| {
                widgets::column(ui, if is_tried { width - right - 16.0 } else { width }, |ui| {
                    ui.add(egui::Label::new(RichText::new(&case.title).font(style::bold(ui, 15.0))).truncate());
                    ui.add(egui::Label::new(RichText::new(&case.line).color(QUIET)).truncate());
                    ui.horizontal(|ui| {
                        ui.spacing_mut().item_spacing.x = 6.0;
                        for tag in &case.tags {
                            widgets::tag(ui, tag);
                        }
                        if !is_tried {
                            ui.label(RichText::new("Not tried yet").font(style::plain(ui, SMALL)).color(QUIET));
                        }
                    });
                });
                if is_tried {
                    widgets::column(ui, right, |ui| best(ui, case));
                }
            });
        });
        if response.clicked() {
            shown.ask(Command::ChooseCase(i));
        }
    }
    if view.cases.is_empty() {
        ui.label("There is no case here yet. Open a case file of your own.");
    }
}

/// How far one has come in a case: a bar with words.
fn best(ui: &mut Ui, case: &CaseRow) {
    let font = style::plain(ui, SMALL);
    let tries = match case.attempts {
        1 => "1 attempt".to_owned(),
        many => format!("{many} attempts"),
    };
    ui.label(RichText::new(tries).font(font.clone()).color(QUIET));
    if let Some((score, has_passed)) = case.best {
        let (rect, _) = ui.allocate_exact_size(Vec2::new(ui.available_width(), 6.0), egui::Sense::hover());
        widgets::bar(ui, rect, score as f32 / 100.0, if has_passed { GOOD } else { QUIET });
        let words = format!("Best {}", result_in_words((score, has_passed)));
        ui.add(egui::Label::new(RichText::new(words).font(font).color(TEXT)).wrap());
    }
}

fn saved(ui: &mut Ui, view: &CasesView<'_>, shown: &mut Shown) {
    ui.label(RichText::new("Saved attempts").font(style::bold(ui, BODY)));
    if view.saved.is_empty() {
        ui.add(egui::Label::new(RichText::new("Attempts are saved when they end and stand here.").color(QUIET)).wrap());
    }
    for (i, attempt) in view.saved.iter().enumerate() {
        let frame = egui::Frame::new().fill(PANEL).corner_radius(4.0).inner_margin(egui::Margin::symmetric(12, 8));
        frame.show(ui, |ui| {
            ui.set_width(ui.available_width());
            ui.spacing_mut().item_spacing.y = 2.0;
            ui.add(egui::Label::new(&attempt.case).truncate());
            let result = attempt.result.map_or("cannot be read".to_owned(), result_in_words);
            ui.horizontal(|ui| {
                let button = 84.0 * style::text_scale(ui);
                widgets::column(ui, ui.available_width() - button - 8.0, |ui| {
                    ui.spacing_mut().item_spacing.y = 2.0;
                    let small = |text: &str| egui::Label::new(RichText::new(text).small().color(QUIET)).truncate();
                    ui.add(small(&format!("{}, {result}", attempt.date)));
                    ui.add(small(&attempt.name));
                });
                let name = format!("Debrief {}", attempt.name);
                let reason = attempt.result.is_none().then_some("This file cannot be read.");
                let made = widgets::button_unless(ui, "Debrief", reason);
                made.widget_info(|| {
                    egui::WidgetInfo::labeled(egui::WidgetType::Button, attempt.result.is_some(), name.clone())
                });
                if made.clicked() {
                    shown.ask(Command::DebriefSaved(i));
                }
            });
        });
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::super::trial::*;
    use super::*;

    /// Invented cases and attempts.
    pub(crate) fn example() -> (Vec<CaseRow>, Vec<SavedRow>) {
        let case = |title: &str, tags: &[&str], attempts, best| CaseRow {
            title: title.to_owned(),
            line: "Axial length 31.8 mm, deep chamber, wide bag; a small core that ends short of the equator."
                .to_owned(),
            tags: tags.iter().map(|t| (*t).to_owned()).collect(),
            attempts,
            best,
        };
        let cases = vec![
            case("Medium nucleus, even throughout", &["grade 3", "right eye"], 4, Some((83.4, true))),
            case("Very long eye, small dense core in a soft shell", &["grade 4", "long eye"], 2, Some((41.0, false))),
            case("Leathery plate", &["grade 5", "plate"], 0, None),
            case("Weak zonules", &["grade 3", "zonules"], 1, Some((0.0, false))),
            case("Last piece over a slack capsule", &["grade 4"], 0, None),
            case("Misleading slit lamp", &["grade 2 at the slit lamp"], 0, None),
            case("Soft nucleus", &["grade 1"], 0, None),
        ];
        let attempt = |name: &str, result| SavedRow {
            name: name.to_owned(),
            date: "3 May, 14:20".to_owned(),
            case: "Very long eye, small dense core in a soft shell".to_owned(),
            result,
        };
        let saved = vec![
            attempt("long-eye-dense-core-7-1f3a.attempt", Some((41.0, false))),
            attempt("long-eye-dense-core-6-92bc.attempt", None),
        ];
        (cases, saved)
    }

    fn with_example<R>(use_page: impl FnOnce(Harness<'_, Done>) -> R, message: Option<&str>) -> R {
        let (cases, saved) = example();
        use_page(small_page(|ui| cases_ui(ui, &CasesView { cases: &cases, saved: &saved, message })))
    }

    #[test]
    fn each_case_and_each_button_asks_for_what_it_says() {
        with_example(
            |mut page| {
                let long_eye = "Very long eye, small dense core in a soft shell";
                page.state_mut().commands.clear();
                page.get_by_role_and_label(egui::accesskit::Role::Button, long_eye).click();
                page.run();
                assert_eq!(page.state().commands, [Command::ChooseCase(1)]);
                assert_eq!(asked(&mut page, "One eye a day"), [Command::OpenDaily]);
                assert_eq!(asked(&mut page, "Review"), [Command::OpenReview]);
                assert_eq!(asked(&mut page, "Open a case file…"), [Command::OpenFile]);
                assert_eq!(asked(&mut page, "Settings"), [Command::OpenSettings]);
                assert_eq!(asked(&mut page, "Help"), [Command::OpenHelp]);
                assert_eq!(asked(&mut page, "Close the program"), [Command::Quit]);
                let debrief = "Debrief long-eye-dense-core-7-1f3a.attempt";
                assert_eq!(asked(&mut page, debrief), [Command::DebriefSaved(0)]);
                assert_eq!(asked(&mut page, "Debrief long-eye-dense-core-6-92bc.attempt"), []);
            },
            None,
        );
    }

    #[test]
    fn a_case_is_chosen_with_the_keyboard_alone() {
        with_example(
            |mut page| {
                // The foot of the page comes first in the order of Tab; some presses on lie the cases.
                for _ in 0..20 {
                    page.key_press(egui::Key::Tab);
                    page.run();
                    let role = egui::accesskit::Role::Button;
                    if page.get_by_role_and_label(role, "Leathery plate").is_focused() {
                        break;
                    }
                }
                page.key_press(egui::Key::Enter);
                page.run();
                assert_eq!(page.state().commands, [Command::ChooseCase(2)]);
            },
            None,
        );
    }

    #[test]
    fn results_stand_in_words_and_a_message_is_told() {
        with_example(
            |page| {
                assert!(page.query_by_label("Best 83 of 100, passed").is_some());
                assert!(page.query_by_label("Best 41 of 100, not passed").is_some());
                assert!(page.query_by_label_contains("is not a case").is_some());
            },
            Some("notes.ron is not a case: format 3 is not read by this version"),
        );
    }
}
