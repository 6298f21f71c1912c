//! A map of outcomes: what came of the same chop over depth and tip angle, with one choice marked.
//!
//! The share of the core that cracked is told by cividis and by its number; an outline says that the sides came apart, hatching
//! that the capsule was breached, brackets that the tip never came to that depth. mm, degrees; lengths on the screen are points.

use super::style::{self, ACCENT, BODY, LIFTED, QUIET, SMALL, TEXT, WARNING};
use super::widgets;
use crate::debrief::palette::cividis;
use bevy_egui::egui;
use egui::{Align2, Color32, Pos2, Rect, RichText, Sense, Stroke, StrokeKind, Ui, Vec2, WidgetInfo, WidgetType};

/// What came of one chop.
#[derive(Clone, Debug, PartialEq)]
pub struct OutcomeCell {
    /// Broken share of the crack surface within the core, 0–1.
    pub share: f64,
    /// Did the sides come apart?
    pub is_complete: bool,
    /// Was the capsule breached?
    pub has_breach: bool,
    /// Did the tip come to the depth?
    pub is_reached: bool,
}

/// A map.
#[derive(Clone, Debug, PartialEq)]
pub struct Outcomes {
    /// Depths of the rows, mm, the least first.
    pub depths_mm: Vec<f64>,
    /// Tip angles of the columns, degrees, the least first.
    pub angles_deg: Vec<f64>,
    /// Cells by depth, then by angle.
    pub cells: Vec<OutcomeCell>,
    /// Depth and tip angle that are marked.
    pub chosen: (f64, f64),
    /// What the cells have in common, a sentence.
    pub of: String,
}

/// The map, or what stands in its place.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum OutcomesView<'a> {
    /// It is being made: so many chops of so many.
    UnderWay(u32, u32),
    /// It is there.
    Ready(&'a Outcomes),
    /// There is none, and why.
    Missing(&'a str),
}

/// Largest size of a cell, points at scale 1.
const CELL: Vec2 = Vec2::new(84.0, 56.0);

/// The map, in the room there is.
pub fn outcomes_ui(ui: &mut Ui, view: &OutcomesView<'_>) {
    ui.spacing_mut().item_spacing.y = 4.0;
    ui.label(RichText::new("Depth and tip angle around this decision").font(style::bold(ui, BODY)));
    match view {
        OutcomesView::UnderWay(done, planned) => {
            widgets::quiet(ui, &format!("First chops for the map: {done} of {planned} …"));
            let (bar, response) = ui.allocate_exact_size(Vec2::new(240.0, 6.0), Sense::hover());
            response.widget_info(|| WidgetInfo::labeled(WidgetType::ProgressIndicator, true, "Map made ready"));
            widgets::bar(ui, bar, *done as f32 / (*planned).max(1) as f32, ACCENT);
        }
        OutcomesView::Missing(why) => {
            ui.add(egui::Label::new(RichText::new(*why).color(QUIET)).wrap());
        }
        OutcomesView::Ready(map) => {
            let room = ui.available_rect_before_wrap();
            let scale = style::text_scale(ui);
            // The words beside it have their own width, the grid the rest.
            let words = (200.0 * style::width_factor(ui)).min(0.4 * room.width());
            let axes = Vec2::new(64.0, 36.0) * scale;
            let count = Vec2::new(map.angles_deg.len() as f32, map.depths_mm.len() as f32);
            let most = (room.size() - axes - Vec2::new(words + 16.0, 0.0)) / count;
            let cell = most.min(CELL * scale).max(Vec2::splat(8.0)).floor();
            let grid = Rect::from_min_size(room.min + Vec2::new(axes.x, 0.0), cell * count);
            grid_ui(ui, map, grid, cell);
            let beside = Rect::from_min_max(Pos2::new(grid.right() + 16.0, room.top()), room.right_bottom());
            widgets::part(ui, beside.with_max_x(room.right().min(beside.left() + 1.4 * words)), "key", |ui| {
                key_ui(ui, map)
            });
        }
    }
}

/// What the marks mean.
fn key_ui(ui: &mut Ui, map: &Outcomes) {
    egui::ScrollArea::vertical().id_salt("key").auto_shrink(false).show(ui, |ui| {
        ui.spacing_mut().item_spacing.y = 3.0;
        let line = |ui: &mut Ui, words: &str, paint: &dyn Fn(&Ui, Rect)| {
            ui.horizontal_top(|ui| {
                ui.spacing_mut().item_spacing.x = 6.0;
                let size = Vec2::new(22.0, 14.0) * style::text_scale(ui);
                let (rect, _) = ui.allocate_exact_size(size, Sense::hover());
                paint(ui, rect);
                ui.add(egui::Label::new(RichText::new(words).small().color(QUIET)).wrap());
            });
        };
        let (depth_mm, angle_deg) = map.chosen;
        line(ui, &format!("Done: {depth_mm:.2} mm at {angle_deg:.0}°"), &|ui, rect| {
            mark(ui, rect.center());
        });
        line(ui, "Number: % of core cracked", &|ui, rect| {
            for i in 0..22 {
                let x = rect.left() + rect.width() * i as f32 / 22.0;
                let part =
                    Rect::from_min_max(Pos2::new(x, rect.top()), Pos2::new(x + rect.width() / 22.0, rect.bottom()));
                ui.painter().rect_filled(part, 0.0, colour(f64::from(i) / 21.0));
            }
        });
        line(ui, "Outlined: sides apart", &|ui, rect| outline(ui, rect));
        line(ui, "Hatched: capsule breached", &|ui, rect| {
            ui.painter().rect_filled(rect, 0.0, colour(0.5));
            hatch(ui, rect);
        });
        line(ui, "Brackets: depth not reached", &|ui, rect| {
            ui.painter().text(rect.center(), Align2::CENTER_CENTER, "(0)", style::plain(ui, SMALL), TEXT);
        });
        widgets::quiet(ui, &map.of);
    });
}

fn colour(share: f64) -> Color32 {
    let [r, g, b] = cividis(share);
    Color32::from_rgb(r, g, b)
}

/// Letters that can be read on the colour of a share: black and white both reach 4.5:1 about there.
fn ink(share: f64) -> Color32 {
    if share > 0.47 { Color32::BLACK } else { Color32::WHITE }
}

fn outline(ui: &Ui, rect: Rect) {
    let inner = rect.shrink(2.0);
    ui.painter().rect_stroke(inner, 2.0, Stroke::new(4.0, Color32::from_black_alpha(200)), StrokeKind::Inside);
    ui.painter().rect_stroke(inner.shrink(1.0), 2.0, Stroke::new(2.0, Color32::WHITE), StrokeKind::Inside);
}

fn hatch(ui: &Ui, rect: Rect) {
    let painter = ui.painter().with_clip_rect(rect.intersect(ui.clip_rect()));
    let mut x = rect.left() - rect.height();
    while x < rect.right() {
        let ends = [Pos2::new(x, rect.bottom()), Pos2::new(x + rect.height(), rect.top())];
        painter.line_segment(ends, Stroke::new(3.5, Color32::from_black_alpha(200)));
        painter.line_segment(ends, Stroke::new(1.5, WARNING));
        x += 8.0;
    }
}

/// The mark of what was done: a ring with a cross, dark-edged so that it is seen on any colour.
fn mark(ui: &Ui, at: Pos2) {
    for (width, colour) in [(5.0, Color32::BLACK), (2.0, ACCENT)] {
        ui.painter().circle_stroke(at, 6.0, Stroke::new(width, colour));
        for way in [Vec2::X, Vec2::Y] {
            ui.painter().line_segment([at - 9.0 * way, at + 9.0 * way], Stroke::new(width - 0.5, colour));
        }
    }
}

fn told(map: &Outcomes, row: usize, column: usize, cell: &OutcomeCell) -> String {
    let (depth_mm, angle_deg) = (map.depths_mm[row], map.angles_deg[column]);
    let apart = if cell.is_complete { ", the sides apart" } else { "" };
    let breach = if cell.has_breach { ", the capsule breached" } else { "" };
    let reached = if cell.is_reached { "" } else { ", the tip never came so deep" };
    format!(
        "{depth_mm:.2} mm at {angle_deg:.0}°: {:.0} % of the core cracked{apart}{breach}{reached}",
        100.0 * cell.share
    )
}

fn grid_ui(ui: &mut Ui, map: &Outcomes, grid: Rect, cell: Vec2) {
    let columns = map.angles_deg.len();
    let small = style::plain(ui, SMALL);
    let number = if cell.y < 18.0 * style::text_scale(ui) { style::plain(ui, 9.0) } else { style::plain(ui, SMALL) };
    let (depth_mm, angle_deg) = map.chosen;
    let share = |values: &[f64], value: f64| match values {
        [first, .., last] if last > first => {
            // Values stand in the middle of their cells.
            let at = (value - first) / (last - first) * (values.len() - 1) as f64 + 0.5;
            (at / values.len() as f64).clamp(0.0, 1.0) as f32
        }
        _ => 0.5,
    };
    let chosen = grid.min + grid.size() * Vec2::new(share(&map.angles_deg, angle_deg), share(&map.depths_mm, depth_mm));
    let place =
        |row: usize, column: usize| Rect::from_min_size(grid.min + cell * Vec2::new(column as f32, row as f32), cell);
    for (i, outcome) in map.cells.iter().enumerate() {
        let (row, column) = (i / columns, i % columns);
        if row >= map.depths_mm.len() {
            break;
        }
        let rect = place(row, column);
        let fill = colour(outcome.share);
        ui.painter().rect_filled(rect, 0.0, fill);
        ui.painter().rect_stroke(rect, 0.0, Stroke::new(0.5, LIFTED), StrokeKind::Inside);
        if outcome.has_breach {
            hatch(ui, rect);
        }
        if outcome.is_complete {
            outline(ui, rect);
        }
        let percent = format!("{:.0}", 100.0 * outcome.share);
        let words = if outcome.is_reached { percent } else { format!("({percent})") };
        let ink = ink(outcome.share);
        // The mark covers no number.
        let is_marked = (chosen.x - rect.center().x).abs() < 26.0 && (chosen.y - rect.center().y).abs() < 14.0;
        let aside = if is_marked { 0.3 * cell.x * if chosen.x > rect.center().x { -1.0 } else { 1.0 } } else { 0.0 };
        let at = rect.center() + Vec2::new(aside, 0.0);
        if outcome.has_breach {
            // Numbers need a ground of their own on hatching.
            let galley = ui.painter().layout_no_wrap(words.clone(), number.clone(), ink);
            let plate = Rect::from_center_size(at, galley.size() + Vec2::new(6.0, 0.0));
            ui.painter().rect_filled(plate, 2.0, fill);
        }
        ui.painter().text(at, Align2::CENTER_CENTER, words, number.clone(), ink);
        let words = told(map, row, column, outcome);
        let response = ui.interact(rect, ui.id().with(("outcome", i)), Sense::hover());
        response.widget_info(|| WidgetInfo::labeled(WidgetType::Label, true, &words));
        response.on_hover_text(words);
    }
    for (row, depth_mm) in map.depths_mm.iter().enumerate() {
        let at = place(row, 0).left_center() - Vec2::new(6.0, 0.0);
        ui.painter().text(at, Align2::RIGHT_CENTER, format!("{depth_mm:.2} mm"), small.clone(), QUIET);
    }
    for (column, angle_deg) in map.angles_deg.iter().enumerate() {
        let at = place(map.depths_mm.len().saturating_sub(1), column).center_bottom() + Vec2::new(0.0, 3.0);
        ui.painter().text(at, Align2::CENTER_TOP, format!("{angle_deg:.0}°"), small.clone(), QUIET);
    }
    let at = grid.center_bottom() + Vec2::new(0.0, 18.0 * style::text_scale(ui));
    ui.painter().text(at, Align2::CENTER_TOP, "tip angle", small, QUIET);
    mark(ui, chosen);
    let words = format!("What was done, in the map: {depth_mm:.2} mm at {angle_deg:.0}°");
    let response =
        ui.interact(Rect::from_center_size(chosen, Vec2::splat(16.0)), ui.id().with("chosen"), Sense::hover());
    response.widget_info(|| WidgetInfo::labeled(WidgetType::Image, true, &words));
}

#[cfg(test)]
pub(crate) mod tests {
    use super::super::Shown;
    use super::super::trial::*;
    use super::*;

    /// An invented map.
    pub(crate) fn map() -> Outcomes {
        let cell = |i: usize| OutcomeCell {
            share: i as f64 / 24.0,
            is_complete: i > 15,
            has_breach: i > 21,
            is_reached: !i.is_multiple_of(7),
        };
        Outcomes {
            depths_mm: vec![0.4, 1.0, 1.6, 2.2, 2.8],
            angles_deg: vec![15.0, 25.0, 35.0, 45.0, 55.0],
            cells: (0..25).map(cell).collect(),
            chosen: (0.57, 20.0),
            of: "Vertical chops in the untouched lens, by hands that do not miss.".to_owned(),
        }
    }

    fn page_of(size: [f32; 2]) -> Harness<'static, Done> {
        page(size, 1.0, |ui| {
            outcomes_ui(ui, &OutcomesView::Ready(&map()));
            Shown::default()
        })
    }

    #[test]
    fn every_cell_is_told_in_words_and_the_choice_lies_where_it_belongs() {
        let page = page_of([760.0, 260.0]);
        let cell = |words: &str| page.get_by_label(words).rect();
        cell("1.00 mm at 35°: 29 % of the core cracked, the tip never came so deep");
        cell("2.80 mm at 45°: 96 % of the core cracked, the sides apart, the capsule breached");
        let shallow = cell("0.40 mm at 15°: 0 % of the core cracked, the tip never came so deep");
        let next = cell("1.00 mm at 25°: 25 % of the core cracked");
        let chosen = cell("What was done, in the map: 0.57 mm at 20°").center();
        assert!((shallow.center().x + next.center().x - 2.0 * chosen.x).abs() < 1.0, "half way from 15° to 25°");
        let share = (chosen.y - shallow.center().y) / (next.center().y - shallow.center().y);
        assert!((share - 0.17 / 0.6).abs() < 0.05, "{share}");
    }

    #[test]
    fn numbers_can_be_read_on_every_colour() {
        for percent in 0..=100 {
            let share = f64::from(percent) / 100.0;
            let contrast = style::tests::contrast(ink(share), colour(share));
            assert!(contrast >= 4.5, "{percent} %: {contrast}");
        }
    }

    #[test]
    fn it_fits_where_there_is_little_room() {
        for size in [[700.0, 190.0], [1100.0, 420.0]] {
            let page = page_of(size);
            for node in page.query_all_by_label_contains("of the core cracked") {
                let rect = node.rect();
                assert!(
                    rect.bottom() <= size[1] - 30.0 && rect.width() >= 24.0 && rect.height() >= 18.0,
                    "{rect:?} in {size:?}"
                );
            }
        }
    }

    #[test]
    fn until_it_is_there_it_says_how_far_it_is() {
        let page = page([700.0, 200.0], 1.0, |ui| {
            outcomes_ui(ui, &OutcomesView::UnderWay(7, 25));
            Shown::default()
        });
        assert!(page.query_by_label("First chops for the map: 7 of 25 …").is_some());
    }
}
