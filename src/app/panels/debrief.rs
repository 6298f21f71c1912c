//! The debrief page: verdict, what was judged, what happened and why, and the replay of any moment in both views.
//!
//! Times are of the attempt, s; scores 0–100. The picture's field is free of everything, as on the operating page.

use super::style::{self, ACCENT, BODY, GOOD, GROUND, PANEL, QUIET, RAISED, RULE, SMALL, TEXT, WARNING};
use super::transport::{self, Going, TransportView, transport_ui};
use super::widgets::{self, Standing, keep_in_view, part};
use super::{Command, Shown, Slot};
use crate::sim::event::EventIndex;
use bevy_egui::egui;
use egui::{Align, Align2, Layout, Pos2, Rect, RichText, Sense, Stroke, Ui, Vec2, WidgetInfo, WidgetType};

/// One thing that was judged.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ComponentRow {
    /// Its name.
    pub label: String,
    /// What was reached, in words.
    pub reached: String,
    /// What was asked for, in words.
    pub wanted: String,
    /// How it came out.
    pub standing: Standing,
    /// Why, one sentence.
    pub cause: String,
}

/// One line of the story.
#[derive(Clone, Debug, PartialEq)]
pub struct MomentRow {
    /// When, s.
    pub t_s: f64,
    /// What.
    pub words: String,
    /// Is it critical?
    pub is_critical: bool,
    /// The event it tells; `None` where it is none.
    pub event: Option<EventIndex>,
}

/// Can the chosen moment be asked about?
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum AskView<'a> {
    /// It is being found out.
    Looking,
    /// It can.
    Can,
    /// It cannot, and why.
    Cannot(&'a str),
}

/// The replay.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum ReplayView<'a> {
    /// It is being made ready; the share done, 0–1.
    Preparing(f32),
    /// It can be looked at.
    Ready(Going),
    /// There is none, and why.
    Missing(&'a str),
}

/// How long before an event its replay begins, s (A: long enough to see the decision behind it).
pub const BEFORE_EVENT_S: f64 = 2.0;

/// What the page shows.
#[derive(Clone, Copy)]
pub struct DebriefView<'a> {
    /// The case's title.
    pub title: &'a str,
    /// How the attempt was made: hands, seed, exam.
    pub made: &'a str,
    /// Was it passed?
    pub has_passed: bool,
    /// The score, 0–100.
    pub score: f64,
    /// Critical events in plain words.
    pub critical: &'a [String],
    /// What was judged.
    pub components: &'a [ComponentRow],
    /// The story.
    pub moments: &'a [MomentRow],
    /// Place in the story of the moment that was chosen, and whether it can be asked about.
    pub chosen: Option<(usize, AskView<'a>)>,
    /// Length of the attempt, s.
    pub duration_s: f64,
    /// What was expected of chops and what came, a paragraph each.
    pub expected: &'a [String],
    /// Why it came out so, what went wrong first, a sentence each.
    pub causes: &'a [String],
    /// What to try next, a sentence each.
    pub advice: &'a [String],
    /// The replay.
    pub replay: ReplayView<'a>,
    /// The section at the moment of the replay.
    pub section: Slot<'a>,
    /// Why there is none.
    pub section_hidden: &'a str,
    /// Where the attempt was saved, or why it was not.
    pub saved: &'a str,
    /// What can be done next.
    pub next: Next,
}

/// What can be done after a debrief.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Next {
    /// The same case again, or another.
    Again,
    /// Another case alone: a saved attempt's own may be gone.
    Another,
    /// Back to the record that the attempt is from.
    Record,
}

/// The page; returns the square for the microscope as `field` while a replay can be looked at.
pub fn debrief_ui(ui: &mut Ui, view: &DebriefView<'_>) -> Shown {
    let mut shown = Shown::default();
    let whole = ui.max_rect();
    let line = ui.spacing().interact_size.y;
    let top = whole.with_max_y(whole.top() + 2.0 * line + 20.0);
    let below = whole.with_min_y(top.bottom());
    let wide = ((0.36 * whole.width()).clamp(400.0, 760.0) * style::width_factor(ui)).min(0.5 * whole.width()).floor();
    let left = below.with_max_x(below.left() + wide);
    let right = below.with_min_x(left.right());

    // Two squares side by side, under them the transport and the story.
    let side = (0.5 * (right.width() - 24.0)).min(0.6 * right.height()).floor();
    let views_top = right.top() + 8.0;
    let pair_left = right.center().x - side - 4.0;
    let field = Rect::from_min_size(Pos2::new(pair_left, views_top), Vec2::splat(side));
    let section = Rect::from_min_size(Pos2::new(pair_left + side + 8.0, views_top), Vec2::splat(side));
    let transport_height = transport::height(line);
    let transport = right.with_min_y(field.bottom() + 8.0).with_max_y(field.bottom() + 8.0 + transport_height);
    let story = right.with_min_y(transport.bottom() + 4.0);

    // All but the field itself, which the window fills.
    let painter = ui.painter().clone();
    let ground = |place: Rect, fill| {
        painter.rect_filled(place, 0.0, fill);
    };
    ground(top, PANEL);
    ground(left, GROUND);
    ground(right.with_max_y(field.top()), GROUND);
    ground(right.with_min_y(field.bottom()), GROUND);
    ground(right.with_max_x(field.left()), GROUND);
    ground(right.with_min_x(field.right()), GROUND);
    let rule = Stroke::new(1.0, RULE);
    ui.painter().line_segment([top.left_bottom(), top.right_bottom()], rule);
    ui.painter().line_segment([right.left_top(), right.left_bottom()], rule);

    part(ui, top.shrink2(Vec2::new(16.0, 8.0)), "verdict", |ui| verdict(ui, view, &mut shown));
    part(ui, left.shrink2(Vec2::new(16.0, 8.0)), "judged", |ui| judged(ui, view));
    let is_ready = matches!(view.replay, ReplayView::Ready(_));
    if is_ready {
        shown.field = Some(field);
        part(ui, section, "section", |ui| section_ui(ui, view));
    } else {
        ground(field, GROUND);
        part(ui, field.union(section), "replay to come", |ui| to_come(ui, &view.replay));
    }
    part(ui, transport.shrink2(Vec2::new(16.0, 0.0)), "transport", |ui| attempt_transport_ui(ui, view, &mut shown));
    part(ui, story.shrink2(Vec2::new(16.0, 4.0)), "story", |ui| story_ui(ui, view, &mut shown));
    shown
}

fn verdict(ui: &mut Ui, view: &DebriefView<'_>, shown: &mut Shown) {
    ui.spacing_mut().item_spacing.y = 4.0;
    let row = ui.spacing().interact_size.y + 2.0;
    ui.allocate_ui_with_layout(Vec2::new(ui.available_width(), row), Layout::right_to_left(Align::Center), |ui| {
        ui.set_min_height(row);
        let next: &[(&str, Command)] = match view.next {
            Next::Again => &[("Again", Command::Again), ("Another case", Command::AnotherCase)],
            Next::Another => &[("Another case", Command::AnotherCase)],
            Next::Record => &[("Back to the record", Command::Back)],
        };
        let always = [("Save as a page…", Command::SaveHtml), ("Help", Command::OpenHelp)];
        for (label, command) in next.iter().cloned().chain(always) {
            if widgets::button(ui, label).clicked() {
                shown.ask(command);
            }
        }
        ui.with_layout(Layout::left_to_right(Align::Center), |ui| {
            let (sign, colour, words) = if view.has_passed {
                (style::MET_SIGN, GOOD, "Passed")
            } else {
                (style::WARNING_SIGN, WARNING, "Not passed")
            };
            let (mark, _) = ui.allocate_exact_size(Vec2::splat(18.0), Sense::hover());
            widgets::paint_sign(ui, mark.center(), sign, colour);
            let result = format!("{words}, {:.0} of 100", view.score.floor());
            ui.label(RichText::new(result).font(style::bold(ui, 18.0)).color(TEXT));
            let critical = view.critical.join(", ");
            if !critical.is_empty() {
                ui.add(egui::Label::new(RichText::new(critical).color(WARNING)).truncate());
            }
        });
    });
    ui.horizontal(|ui| {
        ui.label(RichText::new(view.title).color(TEXT));
        ui.add(egui::Label::new(RichText::new(view.made).small().color(QUIET)).truncate());
    });
}

fn judged(ui: &mut Ui, view: &DebriefView<'_>) {
    egui::ScrollArea::vertical().id_salt("judged").auto_shrink(false).show(ui, |ui| {
        title(ui, "What to try");
        for sentence in view.advice {
            widgets::signed_line(ui, "→", ACCENT, sentence);
        }
        if !view.expected.is_empty() {
            title(ui, "What was expected");
        }
        for told in view.expected {
            widgets::signed_line(ui, "·", QUIET, told);
        }
        title(ui, "What was judged");
        ui.spacing_mut().item_spacing.y = 2.0;
        for component in view.components {
            component_ui(ui, component);
        }
        ui.spacing_mut().item_spacing.y = 8.0;
        if !view.causes.is_empty() {
            title(ui, "Why");
        }
        for cause in view.causes {
            widgets::signed_line(ui, "·", QUIET, cause);
        }
        if !view.saved.is_empty() {
            title(ui, "Kept");
            ui.add(egui::Label::new(RichText::new(view.saved).color(QUIET)).wrap());
        }
        widgets::quiet(ui, super::EDUCATION_ONLY);
        ui.add_space(8.0);
    });
}

fn title(ui: &mut Ui, text: &str) {
    ui.add_space(4.0);
    ui.label(RichText::new(text).font(style::bold(ui, BODY)));
}

/// A row of the table; a click, Enter or Space unfolds the sentence of its cause.
fn component_ui(ui: &mut Ui, component: &ComponentRow) {
    let (sign, word, colour) = component.standing.shown();
    let scale = style::text_scale(ui);
    let (width, height) = (ui.available_width(), 42.0 * scale);
    let (rect, response) = ui.allocate_exact_size(Vec2::new(width, height), Sense::click());
    let ComponentRow { label, reached, wanted, .. } = component;
    let told = format!("{label}: {reached}, asked for {wanted}, {word}");
    response.widget_info(|| WidgetInfo::labeled(WidgetType::CollapsingHeader, true, &told));
    let id = response.id.with("unfolded");
    let mut is_unfolded = ui.data(|d| d.get_temp::<bool>(id)).unwrap_or(false);
    if response.clicked() {
        is_unfolded = !is_unfolded;
        ui.data_mut(|d| d.insert_temp(id, is_unfolded));
    }
    if ui.is_rect_visible(rect) {
        let fill = if response.hovered() || is_unfolded { RAISED } else { PANEL };
        ui.painter().rect_filled(rect, 3.0, fill);
        if response.has_focus() {
            ui.painter().rect_stroke(rect, 3.0, Stroke::new(2.0, ACCENT), egui::StrokeKind::Inside);
        }
        let (first, second) = (rect.top() + 0.30 * height, rect.top() + 0.71 * height);
        widgets::paint_sign(ui, Pos2::new(rect.left() + 14.0, first), sign, colour);
        let small = style::plain(ui, SMALL);
        let word_width = ui
            .painter()
            .text(Pos2::new(rect.right() - 10.0, first), Align2::RIGHT_CENTER, word, small.clone(), colour)
            .width();
        let clip = rect.with_max_x(rect.right() - word_width - 16.0);
        let painter = ui.painter().with_clip_rect(clip.intersect(ui.clip_rect()));
        painter.text(Pos2::new(rect.left() + 28.0, first), Align2::LEFT_CENTER, label, style::plain(ui, BODY), TEXT);
        let painter = ui.painter().with_clip_rect(rect.intersect(ui.clip_rect()));
        let split = rect.left() + 28.0 + 0.52 * (width - 28.0);
        let half = Rect::from_min_max(rect.min, Pos2::new(split - 6.0, rect.bottom()));
        ui.painter().with_clip_rect(half.intersect(ui.clip_rect())).text(
            Pos2::new(rect.left() + 28.0, second),
            Align2::LEFT_CENTER,
            reached,
            small.clone(),
            TEXT,
        );
        painter.text(Pos2::new(split, second), Align2::LEFT_CENTER, format!("asked: {wanted}"), small, QUIET);
    }
    let response = keep_in_view(response);
    if is_unfolded {
        ui.horizontal_top(|ui| {
            ui.add_space(20.0);
            ui.add(egui::Label::new(RichText::new(&component.cause).color(QUIET)).wrap());
        });
        ui.add_space(4.0);
    } else {
        response.on_hover_text(&component.cause);
    }
}

fn section_ui(ui: &mut Ui, view: &DebriefView<'_>) {
    match view.section {
        Some(paint) => paint(ui),
        None => {
            ui.painter().rect_filled(ui.max_rect(), 4.0, PANEL);
            ui.centered_and_justified(|ui| {
                ui.label(RichText::new(view.section_hidden).color(QUIET));
            });
        }
    }
}

/// What stands in place of the views while there is no replay.
fn to_come(ui: &mut Ui, replay: &ReplayView<'_>) {
    let rect = ui.max_rect();
    ui.painter().rect_filled(rect, 4.0, PANEL);
    let (words, share) = match replay {
        ReplayView::Preparing(share) => (format!("Preparing the replay… {:.0} %", 100.0 * share), Some(*share)),
        ReplayView::Missing(why) => ((*why).to_owned(), None),
        ReplayView::Ready(_) => return,
    };
    let middle = Rect::from_center_size(rect.center(), Vec2::new(0.7 * rect.width(), 80.0));
    part(ui, middle, "words", |ui| {
        ui.vertical_centered(|ui| {
            ui.label(&words);
            if let Some(share) = share {
                let (bar, response) = ui.allocate_exact_size(Vec2::new(240.0, 6.0), Sense::hover());
                response.widget_info(|| WidgetInfo::labeled(WidgetType::ProgressIndicator, true, "Replay made ready"));
                widgets::bar(ui, bar, share, ACCENT);
            }
        });
    });
}

fn attempt_transport_ui(ui: &mut Ui, view: &DebriefView<'_>, shown: &mut Shown) {
    let going = match view.replay {
        ReplayView::Ready(going) => Some(going),
        _ => None,
    };
    let marks: Vec<(f64, bool)> = view.moments.iter().map(|m| (m.t_s, m.is_critical)).collect();
    let name = "Time of the attempt";
    transport_ui(ui, &TransportView { name, span_s: (0.0, view.duration_s), going, marks: &marks }, shown);
}

/// The story: each line begins the replay from just before it, and then has beneath it what else can be asked of it.
fn story_ui(ui: &mut Ui, view: &DebriefView<'_>, shown: &mut Shown) {
    ui.label(RichText::new("What happened").font(style::bold(ui, BODY)));
    let is_ready = matches!(view.replay, ReplayView::Ready(_));
    egui::ScrollArea::vertical().id_salt("story").auto_shrink(false).show(ui, |ui| {
        ui.spacing_mut().item_spacing.y = 2.0;
        for (i, moment) in view.moments.iter().enumerate() {
            ui.push_id(i, |ui| {
                let again = Command::Replay { t_s: (moment.t_s - BEFORE_EVENT_S).max(0.0) };
                let chosen = view.chosen.filter(|(at, _)| *at == i);
                if moment_ui(ui, moment, is_ready, chosen.is_some()) {
                    shown.ask(Command::ChooseMoment(i));
                    shown.ask(again.clone());
                }
                if let Some((_, ask)) = chosen {
                    chosen_ui(ui, moment, ask, again, shown);
                }
            });
        }
    });
}

/// Beneath the chosen moment: see it again, or ask what would have been.
fn chosen_ui(ui: &mut Ui, moment: &MomentRow, ask: AskView<'_>, again: Command, shown: &mut Shown) {
    let indent = 84.0 * style::text_scale(ui);
    let made = ui.horizontal_top(|ui| {
        ui.add_space(indent);
        ui.spacing_mut().button_padding.y = 2.0;
        if widgets::button(ui, "See it again").clicked() {
            shown.ask(again);
        }
        match (ask, moment.event) {
            (AskView::Can, Some(event)) => {
                if widgets::button(ui, "What if …").clicked() {
                    shown.ask(Command::AskWhatIf(event));
                }
            }
            (AskView::Looking, Some(_)) => {
                widgets::quiet(ui, "Looking what can be asked about …");
            }
            (AskView::Cannot(why), _) => {
                ui.add(egui::Label::new(RichText::new(why).small().color(QUIET)).wrap());
            }
            (_, None) => {}
        }
    });
    // It is brought into view when it comes: in its first frames, until all has found its size.
    let id = egui::Id::new("moment in view");
    let key = (moment.t_s.to_bits(), ask != AskView::Looking);
    let frames = match ui.data(|d| d.get_temp::<((u64, bool), u32)>(id)) {
        Some((of, frames)) if of == key => frames,
        _ => 0,
    };
    if frames < COMES_FRAMES {
        ui.data_mut(|d| d.insert_temp(id, (key, frames + 1)));
        made.response.scroll_to_me(None);
        ui.ctx().request_repaint();
    }
}

/// Frames in which what comes beneath a moment is brought into view.
const COMES_FRAMES: u32 = 4;

fn moment_ui(ui: &mut Ui, moment: &MomentRow, is_ready: bool, is_chosen: bool) -> bool {
    let scale = style::text_scale(ui);
    let times = 84.0 * scale;
    let width = ui.available_width();
    let ink = if moment.is_critical { WARNING } else { TEXT };
    let words = ui.painter().layout(moment.words.clone(), style::plain(ui, BODY), ink, width - times - 8.0);
    let size = Vec2::new(width, words.size().y.max(18.0 * scale) + 6.0);
    let (rect, response) = ui.allocate_exact_size(size, if is_ready { Sense::click() } else { Sense::hover() });
    let told = format!("{:.2} s: {}", moment.t_s, moment.words);
    response.widget_info(|| WidgetInfo::labeled(WidgetType::Button, is_ready, &told));
    if ui.is_rect_visible(rect) {
        if (response.hovered() && is_ready) || is_chosen {
            ui.painter().rect_filled(rect, 3.0, RAISED);
        }
        if is_chosen {
            ui.painter().rect_filled(rect.with_max_x(rect.left() + 3.0), 0.0, ACCENT);
        }
        if response.has_focus() {
            ui.painter().rect_stroke(rect, 3.0, Stroke::new(2.0, ACCENT), egui::StrokeKind::Inside);
        }
        let top = rect.top() + 3.0;
        if moment.is_critical {
            let height = ui.text_style_height(&egui::TextStyle::Body);
            widgets::paint_sign(ui, Pos2::new(rect.left() + 10.0, top + 0.5 * height), style::WARNING_SIGN, WARNING);
        }
        let time = format!("{:.2} s", moment.t_s);
        let at = Pos2::new(rect.left() + times - 8.0, top);
        ui.painter().text(at, Align2::RIGHT_TOP, time, style::plain(ui, BODY), QUIET);
        ui.painter().galley(Pos2::new(rect.left() + times, top), words, ink);
    }
    let response = keep_in_view(response);
    let has_clicked = response.clicked();
    if is_ready {
        response.on_hover_text("Replay from just before");
    }
    has_clicked
}

#[cfg(test)]
pub(crate) mod tests {
    use super::super::trial::*;
    use super::*;

    /// The page of an invented attempt.
    pub(crate) fn debrief(ui: &mut Ui, replay: ReplayView<'_>, has_section: bool) -> Shown {
        chosen(ui, replay, has_section, None)
    }

    /// The same with a moment chosen.
    fn chosen(ui: &mut Ui, replay: ReplayView<'_>, has_section: bool, chosen: Option<(usize, AskView<'_>)>) -> Shown {
        let component = |label: &str, reached: &str, wanted: &str, standing| ComponentRow {
            label: label.to_owned(),
            reached: reached.to_owned(),
            wanted: wanted.to_owned(),
            standing,
            cause: format!("{label} came out so since the tip was buried flat and the sleeve stopped it."),
        };
        let components = [
            component("Burial depth", "0.9 mm, 28 %", "42–68 %", Standing::Missed),
            component("Distance to capsule", "1.1 mm", "0.8 mm or more", Standing::Met),
            component("Within the dense zone", "yes", "yes", Standing::Met),
            component("Purchase at the chop", "pedal 3", "pedal 2, occluded", Standing::Missed),
            component("Division of the core", "61 % cracked", "95 % cracked", Standing::Missed),
            component("Fragment control", "none pulled", "half at first pull", Standing::NotReached),
            component("Stable chamber", "0.4 mm of travel", "1 mm or less", Standing::Met),
            component("Power", "12 times", "5 times or less", Standing::Short),
            component("Rescue", "", "", Standing::NotJudged),
        ];
        let moment = |t_s: f64, words: &str, is_critical| MomentRow {
            t_s,
            words: words.to_owned(),
            is_critical,
            event: Some(t_s as EventIndex),
        };
        let moments = [
            moment(3.2, "The tip entered the core 0.2 mm from its axis", false),
            moment(
                5.9,
                "The foot stayed in position 3 and ultrasound cored out the hold of the tip, so that the chopper would find nothing to press against",
                false,
            ),
            moment(8.41, "The chop cracked 61 % of the core", false),
            moment(14.07, "The posterior capsule was breached by the tip", true),
        ];
        let critical = ["capsule breach".to_owned()];
        let expected =
            ["Expected, 1.20 mm deep at 40° at (0.0, 0.0) mm: right through. It was 0.90 mm deep: hinged.".to_owned()];
        let causes =
            ["The crack stopped short of the posterior third since the tip lay above the middle of the core."
                .to_owned()];
        let advice =
            ["Bury to about half of the core's thickness, and go back to position 2 before the chop.".to_owned()];
        let paint = |ui: &mut Ui| {
            ui.label("the section itself");
        };
        let view = DebriefView {
            title: "Very long eye, small dense core in a soft shell",
            made: "Stepwise hands, seed 7",
            has_passed: false,
            score: 41.7,
            critical: &critical,
            components: &components,
            moments: &moments,
            chosen,
            duration_s: 20.0,
            expected: &expected,
            causes: &causes,
            advice: &advice,
            replay,
            section: if has_section { Some(&paint) } else { None },
            section_hidden: "This case shows no section.",
            saved: "Saved as long-eye-dense-core-7-1f3a.attempt",
            next: Next::Again,
        };
        debrief_ui(ui, &view)
    }

    const READY: ReplayView<'static> = ReplayView::Ready(Going { t_s: 6.0, is_playing: false, speed: 0.5 });

    fn ready() -> Harness<'static, Done> {
        small_page(|ui| debrief(ui, READY, true))
    }

    #[test]
    fn verdict_critical_event_and_where_it_is_kept_are_told() {
        let page = ready();
        assert!(page.query_by_label_contains("Expected, 1.20 mm deep at 40°").is_some());
        for words in ["Not passed, 41 of 100", "capsule breach", "Saved as long-eye-dense-core-7-1f3a.attempt"] {
            assert!(page.query_by_label(words).is_some(), "{words}");
        }
        assert!(page.query_by_label_contains("Not a medical device").is_some());
        assert!(page.query_by_label("Burial depth: 0.9 mm, 28 %, asked for 42–68 %, missed").is_some());
        assert!(page.query_by_label_contains("Power: 12 times, asked for 5 times or less, short").is_some());
    }

    #[test]
    fn a_component_unfolds_its_cause() {
        let mut page = ready();
        let cause = "Burial depth came out so";
        assert!(page.query_by_label_contains(cause).is_none());
        page.get_by_label_contains("Burial depth: 0.9 mm").click();
        page.run();
        page.remove_cursor();
        page.run();
        assert!(page.query_by_label_contains(cause).is_some());
    }

    #[test]
    fn a_moment_is_replayed_from_just_before_it() {
        let mut page = ready();
        let breach = "14.07 s: The posterior capsule was breached by the tip";
        let [Command::ChooseMoment(3), Command::Replay { t_s }] = asked(&mut page, breach)[..] else {
            panic!("no replay")
        };
        assert!((t_s - (14.07 - BEFORE_EVENT_S)).abs() < 1e-9);
    }

    #[test]
    fn the_chosen_moment_is_seen_again_or_asked_about_or_it_is_said_why_not() {
        let mut page = small_page(|ui| chosen(ui, READY, true, Some((2, AskView::Can))));
        let [Command::Replay { t_s }] = asked(&mut page, "See it again")[..] else { panic!("no replay") };
        assert!((t_s - (8.41 - BEFORE_EVENT_S)).abs() < 1e-9);
        assert_eq!(asked(&mut page, "What if …"), [Command::AskWhatIf(8)]);
        let page = small_page(|ui| chosen(ui, READY, true, Some((1, AskView::Cannot("A step on the way.")))));
        assert!(page.query_by_label("A step on the way.").is_some() && page.query_by_label("What if …").is_none());
        let page = small_page(|ui| chosen(ui, READY, true, Some((1, AskView::Looking))));
        assert!(page.query_by_label("Looking what can be asked about …").is_some());
        assert!(ready().query_by_label("See it again").is_none());
    }

    #[test]
    fn what_is_asked_of_the_last_moment_comes_into_view() {
        for size in [[1280.0, 720.0], [1920.0, 1080.0]] {
            let page = page(size, 1.0, |ui| chosen(ui, READY, true, Some((3, AskView::Can))));
            let place = page.get_by_label("What if …").rect();
            assert!(place.bottom() <= size[1], "{place:?} leaves {size:?}");
        }
    }

    #[test]
    fn the_transport_plays_steps_scrubs_and_slows() {
        let mut page = ready();
        assert_eq!(asked(&mut page, "Play"), [Command::PlayReplay]);
        assert_eq!(asked(&mut page, "Step →"), [Command::StepReplay(1)]);
        assert_eq!(asked(&mut page, "← Step"), [Command::StepReplay(-1)]);
        assert_eq!(asked(&mut page, "0.1×"), [Command::SpeedReplay(0.1)]);
        assert_eq!(asked(&mut page, "0.5×"), [], "it runs at that speed already");
        page.state_mut().commands.clear();
        let bar = page.get_by_label("Time of the attempt").rect();
        page.hover_at(bar.center());
        page.drag_at(bar.center());
        page.drop_at(bar.center());
        page.run();
        let Some(Command::ScrubReplay { t_s }) = page.state().commands.last() else { panic!("not moved") };
        assert!((t_s - 10.0).abs() < 0.1, "{t_s}");
        page.get_by_label("Time of the attempt").focus();
        page.run();
        page.state_mut().commands.clear();
        page.key_press(egui::Key::ArrowRight);
        page.run();
        assert_eq!(page.state().commands, [Command::ScrubReplay { t_s: 7.0 }]);
        let playing = ReplayView::Ready(Going { t_s: 6.0, is_playing: true, speed: 1.0 });
        let mut page = small_page(move |ui| debrief(ui, playing, true));
        assert_eq!(asked(&mut page, "Hold"), [Command::HoldReplay]);
    }

    #[test]
    fn while_the_replay_is_prepared_its_progress_is_told_and_nothing_is_replayed() {
        let mut page = small_page(|ui| debrief(ui, ReplayView::Preparing(0.42), true));
        assert!(page.query_by_label("Preparing the replay… 42 %").is_some());
        assert!(page.query_by_label("Play").is_none());
        assert_eq!(page.state().field, None);
        assert_eq!(asked(&mut page, "14.07 s: The posterior capsule was breached by the tip"), []);
        assert_eq!(asked(&mut page, "Again"), [Command::Again]);
        assert_eq!(asked(&mut page, "Another case"), [Command::AnotherCase]);
        assert_eq!(asked(&mut page, "Save as a page…"), [Command::SaveHtml]);
        let page = small_page(|ui| debrief(ui, ReplayView::Missing("The attempt is of another engine."), true));
        assert!(page.query_by_label("The attempt is of another engine.").is_some());
    }

    #[test]
    fn field_and_section_lie_side_by_side_and_nothing_on_them() {
        for (size, scale) in
            [([1280.0, 720.0], 1.0), ([1280.0, 720.0], 1.3), ([1920.0, 1080.0], 1.0), ([3840.0, 2160.0], 1.6)]
        {
            let page = page(size, scale, |ui| debrief(ui, READY, false));
            let Some(field) = page.state().field else { panic!("no field") };
            assert!(field.width() >= 0.22 * size[0], "{field:?} in {size:?}");
            for (name, place) in usable(&page) {
                assert!(!place.intersects(field), "{name} at {place:?} lies on {field:?}");
            }
        }
    }
}
