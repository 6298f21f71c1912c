//! The pages of the program's record: the cohort, with a row for each trainee, who stands out and what is missed; and a trainee, with
//! a chart of how attempts go on and a row for each, from which it is seen again.
//!
//! Rows come in the order and choice in which they are to stand; a click on a heading asks for another. Charts of breaches say that
//! they are simulated, and that nothing here decides anything stands on each page. Shares %, scores 0–100, errors 0–1.

use super::chart::{Chart, chart_ui};
use super::style::{self, ACCENT, BODY, GOOD, GROUND, PANEL, QUIET, RULE, SMALL, TEXT, WARNING};
use super::widgets::{self, keep_in_view, part};
use super::{Command, Shown};
use crate::logbook::analysis::{Measure, Purposes};
use bevy_egui::egui;
use egui::{Align, Key, Layout, Rect, RichText, Stroke, Ui, Vec2};
use egui_extras::{Column as Width, TableBuilder};

/// What a page of the record asks for.
#[derive(Clone, Debug, PartialEq)]
pub enum Ask {
    /// Look at the record.
    Open,
    /// Count attempts that were handed in for this, and later ones on the same eye too or not.
    Count(Purposes, bool),
    /// Look at the attempts with the device at this place.
    Device(usize),
    /// Only trainees whose pseudonym has this in it.
    Find(String),
    /// Sort trainees by this.
    SortPeople(PersonColumn),
    /// Look at this trainee.
    Trainee(String),
    /// Follow this measure.
    Follow(Measure),
    /// Show this chart.
    Show(Which),
    /// Only attempts that came out so.
    Came(Came),
    /// Only attempts at the case of this name.
    Case(Option<String>),
    /// Sort attempts by this.
    SortAttempts(AttemptColumn),
    /// See the attempt of this entry again.
    Replay(u64),
    /// Write the report of what is looked at.
    Report,
}

/// A column of the table of trainees.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PersonColumn {
    /// Pseudonym.
    Trainee,
    /// Attempts.
    Attempts,
    /// Share passed.
    Passed,
    /// Mean score.
    Score,
    /// Share of simulated breaches.
    Breached,
    /// Mean prediction error.
    Error,
    /// When competence was shown.
    Shown,
    /// Place among the others.
    Among,
}

impl PersonColumn {
    /// All, as they stand.
    const ALL: [(Self, &str, f32); 8] = [
        (Self::Trainee, "Trainee", 108.0),
        (Self::Attempts, "Attempts", 76.0),
        (Self::Passed, "Passed", 118.0),
        (Self::Score, "Score", 56.0),
        (Self::Breached, "Breached*", 84.0),
        (Self::Error, "Error", 56.0),
        (Self::Shown, "Shown", 74.0),
        (Self::Among, "Among others", 108.0),
    ];
}

/// A column of the table of attempts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum AttemptColumn {
    /// Number of its entry.
    Entry,
    /// When it was done.
    Done,
    /// Its case.
    Case,
    /// Its result.
    Result,
    /// Prediction error.
    Error,
}

impl AttemptColumn {
    const ALL: [(Self, &str, f32); 5] = [
        (Self::Entry, "Entry", 58.0),
        (Self::Done, "Done", 92.0),
        (Self::Case, "Case", 156.0),
        (Self::Result, "Result", 124.0),
        (Self::Error, "Error", 56.0),
    ];
}

/// Which attempts by how they came out.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Came {
    /// All.
    #[default]
    Any,
    /// Passed.
    Passed,
    /// Not passed.
    Missed,
    /// With a simulated breach.
    Breached,
}

/// Which chart of a trainee.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Which {
    /// The learning curve.
    #[default]
    Curve,
    /// Too many failures?
    Failures,
    /// Competence shown?
    Competence,
}

/// A trainee in the table.
#[derive(Clone, Debug, PartialEq)]
pub struct PersonRow {
    /// Pseudonym.
    pub trainee: String,
    /// The other cells, in the order of their columns.
    pub cells: [String; 7],
    /// Share passed, for the bar behind its cell.
    pub passed: f32,
    /// Does it stand out?
    pub is_beyond: bool,
}

/// A component and how often it was missed.
#[derive(Clone, Debug, PartialEq)]
pub struct MissedRow {
    /// The component.
    pub label: &'static str,
    /// Share of attempts.
    pub share: f32,
    /// The same in words, with its interval.
    pub words: String,
    /// How many of the trainees missed it in half of their attempts or more.
    pub trainees: String,
}

/// An attempt in the table.
#[derive(Clone, Debug, PartialEq)]
pub struct AttemptRow {
    /// Number of its entry.
    pub entry: u64,
    /// When it was done.
    pub done: String,
    /// Name of its case.
    pub case: String,
    /// Was it passed?
    pub has_passed: bool,
    /// Its result in words.
    pub result: String,
    /// Prediction error.
    pub error: String,
    /// Is it one of those that charts count?
    pub does_count: bool,
    /// What else there is to say: why it does not count, critical events, sign-off, comments.
    pub notes: String,
}

/// A cohort.
#[derive(Clone, Copy, Debug)]
pub struct CohortView<'a> {
    /// Which attempts count, and what was left out.
    pub counted: &'a str,
    /// What the attempts are handed in for that count.
    pub purposes: Purposes,
    /// Do later attempts on the same eye count?
    pub all: bool,
    /// Devices, kept apart.
    pub devices: &'a [String],
    /// Which is looked at.
    pub device: usize,
    /// What is looked for in pseudonyms.
    pub find: &'a str,
    /// By what the rows are sorted, and whether the largest comes first.
    pub sorted: (PersonColumn, bool),
    /// Trainees.
    pub rows: &'a [PersonRow],
    /// Who stands out; marks are trainees.
    pub funnel: Option<&'a Chart>,
    /// What is missed most.
    pub missed: &'a [MissedRow],
}

/// A trainee.
#[derive(Clone, Copy, Debug)]
pub struct TraineeView<'a> {
    /// Pseudonym.
    pub trainee: &'a str,
    /// The measure.
    pub measure: Measure,
    /// Which chart.
    pub which: Which,
    /// The chart, where there is one.
    pub chart: Option<&'a Chart>,
    /// What it says.
    pub says: &'a [String],
    /// Cases of this trainee's attempts.
    pub cases: &'a [String],
    /// The one that is looked at.
    pub case: Option<&'a str>,
    /// How attempts came out that are looked at.
    pub came: Came,
    /// By what the rows are sorted, and whether the largest comes first.
    pub sorted: (AttemptColumn, bool),
    /// Attempts.
    pub rows: &'a [AttemptRow],
    /// Of so many.
    pub of: usize,
}

/// How far it is.
#[derive(Clone, Copy, Debug)]
pub enum StageView<'a> {
    /// It is being read.
    Reading,
    /// It cannot be, and why.
    Refused(&'a str),
    /// The cohort.
    Cohort(CohortView<'a>),
    /// A trainee.
    Trainee(TraineeView<'a>),
}

/// What the pages show.
#[derive(Clone, Copy, Debug)]
pub struct ReviewView<'a> {
    /// Which store, and up to which entry.
    pub store: &'a str,
    /// That data were invented, where they were.
    pub invented: Option<&'a str>,
    /// Something to be told.
    pub message: Option<&'a str>,
    /// How far it is.
    pub stage: StageView<'a>,
}

/// That nothing here decides anything.
const DECIDES: &str = "No single score decides anything. None of this has been shown to predict operating performance. \
                       For education only.";

/// The page. Escape goes back.
pub fn review_ui(ui: &mut Ui, view: &ReviewView<'_>) -> Shown {
    let mut shown = Shown::default();
    let whole = ui.max_rect();
    ui.painter().rect_filled(whole, 0.0, GROUND);
    if ui.input(|i| i.key_pressed(Key::Escape)) && ui.ctx().memory(|m| m.focused().is_none()) {
        shown.ask(Command::Back);
    }
    let line = ui.spacing().interact_size.y;
    let top = whole.with_max_y(whole.top() + 2.0 * line + 20.0);
    let foot = whole.with_min_y(whole.bottom() - line - 20.0);
    let body = whole.with_min_y(top.bottom()).with_max_y(foot.top()).shrink2(Vec2::new(16.0, 8.0));
    for strip in [top, foot] {
        ui.painter().rect_filled(strip, 0.0, PANEL);
    }
    ui.painter().line_segment([top.left_bottom(), top.right_bottom()], Stroke::new(1.0, RULE));
    part(ui, top.shrink2(Vec2::new(16.0, 8.0)), "head", |ui| head(ui, view, &mut shown));
    let body = match view.invented.map(|words| (words, style::WARNING_SIGN)).or(view.message.map(|m| (m, "·"))) {
        None => body,
        Some((words, sign)) => {
            let told = body.with_max_y(body.top() + line);
            part(ui, told, "told", |ui| widgets::signed_line(ui, sign, WARNING, words));
            body.with_min_y(told.bottom() + 4.0)
        }
    };
    part(ui, body, "body", |ui| match &view.stage {
        StageView::Reading => {
            widgets::quiet(ui, "The record is being read …");
        }
        StageView::Refused(why) => refused(ui, why),
        StageView::Cohort(cohort) => cohort_ui(ui, body, cohort, &mut shown),
        StageView::Trainee(trainee) => trainee_ui(ui, body, trainee, &mut shown),
    });
    part(ui, foot.shrink2(Vec2::new(16.0, 10.0)), "foot", |ui| {
        ui.with_layout(Layout::left_to_right(Align::Center), |ui| widgets::quiet(ui, DECIDES));
    });
    shown
}

fn head(ui: &mut Ui, view: &ReviewView<'_>, shown: &mut Shown) {
    ui.spacing_mut().item_spacing.y = 4.0;
    let row = ui.spacing().interact_size.y + 2.0;
    let (title, back) = match &view.stage {
        StageView::Trainee(trainee) => (format!("Trainee {}", trainee.trainee), "All trainees"),
        _ => ("Review".to_owned(), "Back"),
    };
    ui.allocate_ui_with_layout(Vec2::new(ui.available_width(), row), Layout::right_to_left(Align::Center), |ui| {
        ui.set_min_height(row);
        if widgets::main_button(ui, back).clicked() {
            shown.ask(Command::Back);
        }
        let is_open = matches!(view.stage, StageView::Cohort(_) | StageView::Trainee(_));
        if is_open && widgets::button(ui, "Write the report…").clicked() {
            shown.ask(Command::Review(Ask::Report));
        }
        if matches!(view.stage, StageView::Cohort(_)) && widgets::button(ui, "Read again").clicked() {
            shown.ask(Command::Review(Ask::Open));
        }
        ui.with_layout(Layout::left_to_right(Align::Center), |ui| {
            ui.add(egui::Label::new(RichText::new(title).font(style::bold(ui, 18.0)).color(TEXT)).truncate());
        });
    });
    ui.add(egui::Label::new(RichText::new(view.store).small().color(QUIET)).truncate());
}

fn refused(ui: &mut Ui, why: &str) {
    widgets::signed_line(ui, style::WARNING_SIGN, WARNING, why);
    for words in [
        "Attempts enter a record when they are handed in: corecleft logbook add FOLDER --trainee PSEUDONYM --assessment",
        "To look around first, corecleft logbook demo makes the record of an invented cohort.",
        "Which record is shown here, the settings say.",
    ] {
        widgets::signed_line(ui, "·", QUIET, words);
    }
}

/// A column's heading, as a button that sorts.
fn sorting<T: Copy + PartialEq>(ui: &mut Ui, column: T, label: &str, sorted: (T, bool)) -> bool {
    let sign = match sorted {
        (by, true) if by == column => " ↓",
        (by, false) if by == column => " ↑",
        _ => "",
    };
    let text = RichText::new(format!("{label}{sign}")).font(style::bold(ui, SMALL)).color(TEXT);
    let response = keep_in_view(ui.add(egui::Button::new(text).frame(false)));
    response.on_hover_text(format!("Sort by {}", label.trim_end_matches('*').to_lowercase())).clicked()
}

/// A text in a cell, cut off where it does not fit.
fn cell(ui: &mut Ui, text: &str, colour: egui::Color32) {
    ui.add(egui::Label::new(RichText::new(text).small().color(colour)).truncate());
}

fn cohort_ui(ui: &mut Ui, room: Rect, view: &CohortView<'_>, shown: &mut Shown) {
    let line = ui.spacing().interact_size.y;
    let controls = room.with_max_y(room.top() + 2.0 * line + 12.0);
    part(ui, controls, "controls", |ui| {
        ui.spacing_mut().item_spacing.y = 4.0;
        ui.horizontal(|ui| counting(ui, view, shown));
        ui.add(egui::Label::new(RichText::new(view.counted).small().color(QUIET)).truncate());
    });
    let below = room.with_min_y(controls.bottom() + 4.0);
    // The table as wide as its columns; where letters are large it is scrolled.
    let table = PersonColumn::ALL.iter().map(|(.., wide)| wide * style::text_scale(ui) + 6.0).sum::<f32>() + 24.0;
    let wide = table.min(0.6 * below.width()).floor();
    let (left, right) = (below.with_max_x(below.left() + wide), below.with_min_x(below.left() + wide + 16.0));
    part(ui, left, "people", |ui| {
        egui::ScrollArea::horizontal().id_salt("sideways").show(ui, |ui| {
            ui.set_min_width(table - 8.0);
            people(ui, view, shown);
        });
    });
    let high = (0.56 * right.height()).floor();
    part(ui, right.with_max_y(right.top() + high), "funnel", |ui| funnel(ui, view, shown));
    part(ui, right.with_min_y(right.top() + high + 8.0), "missed", |ui| missed(ui, view));
}

fn counting(ui: &mut Ui, view: &CohortView<'_>, shown: &mut Shown) {
    let among = [(Purposes::Assessment, "Assessment"), (Purposes::Practice, "Practice"), (Purposes::Both, "Both")];
    if let Some(purposes) = widgets::choice(ui, view.purposes, &among) {
        shown.ask(Command::Review(Ask::Count(purposes, view.all)));
    }
    ui.add_space(16.0);
    if let Some(all) = widgets::switch(ui, view.all, "Later attempts on the same eye too") {
        shown.ask(Command::Review(Ask::Count(view.purposes, all)));
    }
    if view.devices.len() > 1 {
        ui.add_space(16.0);
        let now = view.devices.get(view.device).map_or("", String::as_str);
        let picked = menu(ui, "Device", now, view.devices.iter().map(String::as_str));
        if let Some(at) = picked {
            shown.ask(Command::Review(Ask::Device(at)));
        }
    }
    ui.add_space(16.0);
    let mut find = view.find.to_owned();
    let edit = egui::TextEdit::singleline(&mut find).hint_text("pseudonym").desired_width(120.0).char_limit(40);
    let label = ui.label("Find");
    let response = keep_in_view(ui.add(edit).labelled_by(label.id));
    if response.changed() {
        shown.ask(Command::Review(Ask::Find(find)));
    }
}

/// One of several words from a list that unfolds; its place when another is picked.
fn menu<'a>(ui: &mut Ui, label: &str, now: &str, among: impl Iterator<Item = &'a str>) -> Option<usize> {
    let mut picked = None;
    let made = egui::ComboBox::from_label(label).selected_text(now).width(150.0).show_ui(ui, |ui| {
        for (at, word) in among.enumerate() {
            if ui.selectable_label(word == now, word).clicked() && word != now {
                picked = Some(at);
            }
        }
    });
    keep_in_view(made.response);
    picked
}

fn people(ui: &mut Ui, view: &CohortView<'_>, shown: &mut Shown) {
    let (scale, line) = (style::text_scale(ui), ui.spacing().interact_size.y);
    if view.rows.is_empty() {
        let words = if view.find.is_empty() { "No attempt counts here." } else { "Nobody's pseudonym has that in it." };
        widgets::quiet(ui, words);
        return;
    }
    let height = ui.available_height() - 2.4 * line;
    ui.spacing_mut().item_spacing = Vec2::new(6.0, 2.0);
    let mut table = TableBuilder::new(ui)
        .id_salt("people")
        .striped(true)
        .auto_shrink(false)
        .max_scroll_height(height)
        .min_scrolled_height(0.0)
        .cell_layout(Layout::left_to_right(Align::Center));
    for (_, _, wide) in PersonColumn::ALL {
        table = table.column(Width::exact(wide * scale).clip(true));
    }
    let table = table.header(line, |mut header| {
        for (column, label, _) in PersonColumn::ALL {
            header.col(|ui| {
                if sorting(ui, column, label, view.sorted) {
                    shown.ask(Command::Review(Ask::SortPeople(column)));
                }
            });
        }
    });
    table.body(|body| {
        body.rows(line, view.rows.len(), |mut row| {
            let person = &view.rows[row.index()];
            row.col(|ui| {
                let text = RichText::new(&person.trainee).monospace().size(SMALL * scale).color(ACCENT);
                let response = keep_in_view(ui.add(egui::Button::new(text).frame(false)));
                if response.on_hover_text("Look at this trainee").clicked() {
                    shown.ask(Command::Review(Ask::Trainee(person.trainee.clone())));
                }
            });
            for (at, text) in person.cells.iter().enumerate() {
                row.col(|ui| {
                    if at == 1 {
                        let place = ui.max_rect();
                        let under = place.with_min_y(place.bottom() - 4.0).with_max_x(place.right() - 8.0);
                        widgets::bar(ui, under, person.passed, GOOD);
                    }
                    let is_marked = at == 6 && person.is_beyond;
                    cell(ui, text, if is_marked { WARNING } else { TEXT });
                });
            }
        });
    });
    widgets::quiet(
        ui,
        "Passed and breached: % of attempts (95 % interval); error: of predictions, 0 is best. * Simulated.",
    );
}

fn funnel(ui: &mut Ui, view: &CohortView<'_>, shown: &mut Shown) {
    title(ui, "Who stands out");
    let Some(chart) = view.funnel else {
        widgets::quiet(ui, "All passed or none: there are no limits to stand out from.");
        return;
    };
    let height = ui.available_height() - 3.4 * ui.text_style_height(&egui::TextStyle::Small);
    if let Some(mark) = chart_ui(ui, "funnel", chart, height) {
        shown.ask(Command::Review(Ask::Trainee(chart.marks[mark].name.clone())));
    }
    let words = "A mark is a trainee; who is like another stands beside. Dashed: where 95 % of trainees lie who are like all; solid: \
                 99.8 %. The difficulty of cases is not corrected for.";
    ui.add(egui::Label::new(RichText::new(words).small().color(QUIET)).wrap());
}

fn missed(ui: &mut Ui, view: &CohortView<'_>) {
    title(ui, "What is missed most");
    widgets::quiet(ui, "Of the attempts in which it was judged; and by how many trainees in half of theirs or more.");
    let line = ui.text_style_height(&egui::TextStyle::Body) + 2.0;
    egui::ScrollArea::vertical().id_salt("missed").auto_shrink(false).show(ui, |ui| {
        ui.spacing_mut().item_spacing = Vec2::new(8.0, 2.0);
        let wide = ui.available_width() - 24.0;
        for row in view.missed {
            ui.horizontal(|ui| {
                let mut within = |share: f32, content: &mut dyn FnMut(&mut Ui)| {
                    let size = Vec2::new(share * wide, line);
                    ui.allocate_ui_with_layout(size, Layout::left_to_right(Align::Center), |ui| {
                        ui.set_min_size(size);
                        content(ui);
                    });
                };
                within(0.4, &mut |ui| cell(ui, row.label, TEXT));
                within(0.18, &mut |ui| {
                    let (rect, _) = ui.allocate_exact_size(Vec2::new(ui.available_width(), 6.0), egui::Sense::hover());
                    widgets::bar(ui, rect, row.share, ACCENT);
                });
                within(0.28, &mut |ui| cell(ui, &row.words, TEXT));
                within(0.14, &mut |ui| cell(ui, &row.trainees, QUIET));
            });
        }
    });
}

fn title(ui: &mut Ui, text: &str) {
    ui.label(RichText::new(text).font(style::bold(ui, BODY)));
}

fn trainee_ui(ui: &mut Ui, room: Rect, view: &TraineeView<'_>, shown: &mut Shown) {
    let wide = (0.46 * room.width()).floor();
    let (left, right) = (room.with_max_x(room.left() + wide - 8.0), room.with_min_x(room.left() + wide + 8.0));
    part(ui, left, "course", |ui| course(ui, view, shown));
    part(ui, right, "attempts", |ui| attempts(ui, view, shown));
}

fn course(ui: &mut Ui, view: &TraineeView<'_>, shown: &mut Shown) {
    ui.horizontal(|ui| {
        let all: Vec<Measure> = Measure::all().collect();
        if let Some(at) = menu(ui, "", view.measure.label(), all.iter().map(Measure::label)) {
            shown.ask(Command::Review(Ask::Follow(all[at])));
        }
        let has_failures = view.measure.shares().is_some();
        let among = [(Which::Curve, "Curve"), (Which::Failures, "Failures"), (Which::Competence, "Competence")];
        let among = if has_failures { &among[..] } else { &among[..1] };
        if let Some(which) = widgets::choice(ui, view.which, among) {
            shown.ask(Command::Review(Ask::Show(which)));
        }
    });
    let height = (0.5 * ui.available_height()).floor();
    match view.chart {
        Some(chart) => {
            chart_ui(ui, "course", chart, height);
        }
        None => {
            widgets::quiet(ui, "There is no chart; below stands why.");
        }
    }
    egui::ScrollArea::vertical().id_salt("says").auto_shrink(false).show(ui, |ui| {
        ui.spacing_mut().item_spacing.y = 6.0;
        for words in view.says {
            ui.add(egui::Label::new(RichText::new(words).small()).wrap());
        }
    });
}

fn attempts(ui: &mut Ui, view: &TraineeView<'_>, shown: &mut Shown) {
    let (scale, line) = (style::text_scale(ui), ui.spacing().interact_size.y);
    ui.horizontal(|ui| {
        const ALL: &str = "All cases";
        let names = || std::iter::once(ALL).chain(view.cases.iter().map(String::as_str));
        if let Some(at) = menu(ui, "", view.case.unwrap_or(ALL), names()) {
            let case = at.checked_sub(1).map(|at| view.cases[at].clone());
            shown.ask(Command::Review(Ask::Case(case)));
        }
        let among =
            [(Came::Any, "All"), (Came::Passed, "Passed"), (Came::Missed, "Not passed"), (Came::Breached, "Breached")];
        if let Some(came) = widgets::choice(ui, view.came, &among) {
            shown.ask(Command::Review(Ask::Came(came)));
        }
    });
    widgets::quiet(ui, &format!("{} of {} attempts. Breaches are simulated.", view.rows.len(), view.of));
    ui.spacing_mut().item_spacing = Vec2::new(6.0, 2.0);
    let height = ui.available_height() - 2.4 * line;
    let mut table = TableBuilder::new(ui)
        .id_salt("attempts")
        .striped(true)
        .auto_shrink(false)
        .max_scroll_height(height)
        .min_scrolled_height(0.0)
        .cell_layout(Layout::left_to_right(Align::Center));
    for (_, _, wide) in AttemptColumn::ALL {
        table = table.column(Width::exact(wide * scale).clip(true));
    }
    let table = table.column(Width::remainder().clip(true)).header(line, |mut header| {
        for (column, label, _) in AttemptColumn::ALL {
            header.col(|ui| {
                if sorting(ui, column, label, view.sorted) {
                    shown.ask(Command::Review(Ask::SortAttempts(column)));
                }
            });
        }
        header.col(|ui| cell(ui, "Notes", QUIET));
    });
    table.body(|body| {
        body.rows(line, view.rows.len(), |mut row| {
            let attempt = &view.rows[row.index()];
            row.col(|ui| {
                let text = RichText::new(attempt.entry.to_string()).small().color(ACCENT);
                let response = keep_in_view(ui.add(egui::Button::new(text).frame(false)));
                let told = format!("See attempt {} again", attempt.entry);
                response.widget_info(|| egui::WidgetInfo::labeled(egui::WidgetType::Button, true, &told));
                if response.on_hover_text(&told).clicked() {
                    shown.ask(Command::Review(Ask::Replay(attempt.entry)));
                }
            });
            let ink = if attempt.does_count { TEXT } else { QUIET };
            row.col(|ui| cell(ui, &attempt.done, ink));
            row.col(|ui| cell(ui, &attempt.case, ink));
            row.col(|ui| {
                let (sign, colour) =
                    if attempt.has_passed { (style::MET_SIGN, GOOD) } else { (style::WARNING_SIGN, WARNING) };
                let (mark, _) = ui.allocate_exact_size(Vec2::splat(16.0 * scale), egui::Sense::hover());
                widgets::paint_sign(ui, mark.center(), sign, colour);
                cell(ui, &attempt.result, ink);
            });
            row.col(|ui| cell(ui, &attempt.error, ink));
            row.col(|ui| {
                let label = egui::Label::new(RichText::new(&attempt.notes).small().color(QUIET)).truncate();
                ui.add(label).on_hover_text(&attempt.notes);
            });
        });
    });
    widgets::quiet(
        ui,
        "A click on an entry sees the attempt again, from its inputs. What stands back does not count in charts.",
    );
}
