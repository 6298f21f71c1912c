//! A reading as a live trace: its course over the last seconds, its value, its limits as lines with words.
//!
//! Values are in the unit of the reading; the newest is the last. A value outside a limit is told by the sign ⚠, the limit's
//! word and another colour.

use super::style::{self, GROUND, OUTLINE, QUIET, RULE, SMALL, TEXT, WARNING};
use bevy_egui::egui;
use egui::{Align2, Color32, Pos2, Rect, Sense, Shape, Stroke, Ui, Vec2, WidgetInfo, WidgetType};

/// On which side of a limit one is outside.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Side {
    /// Above it.
    Above,
    /// Below it.
    Below,
}

/// A limit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limit<'a> {
    /// Where it lies, in the unit of the reading.
    pub value: f64,
    /// Which side is outside.
    pub outside: Side,
    /// What being outside is called, such as `shallow`; stands at the line too.
    pub word: &'a str,
}

impl Limit<'_> {
    /// Is a value outside?
    pub fn is_outside(&self, value: f64) -> bool {
        match self.outside {
            Side::Above => value > self.value,
            Side::Below => value < self.value,
        }
    }
}

/// What is known of a reading.
#[derive(Clone, Copy, Debug)]
pub struct Trace<'a> {
    /// Its values at even times, the newest last; `NaN` where there was none.
    pub values: &'a [f32],
    /// Its value now; `None` where there is none, such as a distance when no instrument is in the eye.
    pub now: Option<f64>,
    /// Its limits.
    pub limits: &'a [Limit<'a>],
}

impl Trace<'_> {
    /// The limit that the value is outside of.
    pub fn outside(&self) -> Option<&Limit<'_>> {
        self.limits.iter().find(|limit| self.now.is_some_and(|now| limit.is_outside(now)))
    }
}

/// How a reading is drawn, the same in every attempt.
#[derive(Clone, Copy, Debug)]
pub struct Front {
    /// Its name.
    pub label: &'static str,
    /// Its unit.
    pub unit: &'static str,
    /// Decimals of its value.
    pub decimals: usize,
    /// Lower and upper end of the drawing, in its unit; the upper one grows with the values.
    pub range: (f64, f64),
    /// Its colour.
    pub colour: Color32,
    /// Length of dash and gap, points; `None` for a line without gaps.
    pub dash: Option<(f32, f32)>,
}

/// Height of a trace at scale 1, points.
pub const HEIGHT: f32 = 50.0;

/// The reading: name and value over its course.
pub fn trace_ui(ui: &mut Ui, front: &Front, trace: &Trace<'_>) {
    let scale = style::text_scale(ui);
    let head = (16.0 * scale).ceil();
    let size = Vec2::new(ui.available_width(), head + HEIGHT - 16.0);
    let (rect, response) = ui.allocate_exact_size(size, Sense::hover());
    let outside = trace.outside();
    let value = trace.now.map_or("–".to_owned(), |now| format!("{now:.*}", front.decimals));
    let words = match outside {
        Some(limit) => format!("⚠ {}", limit.word),
        None => String::new(),
    };
    let told = format!("{} {value} {} {words}", front.label, front.unit);
    response.widget_info(|| WidgetInfo::labeled(WidgetType::Label, true, told.trim()));
    if !ui.is_rect_visible(rect) {
        return;
    }
    let painter = ui.painter();
    let ink = if outside.is_some() { WARNING } else { TEXT };
    let top = rect.top();
    let unit = painter.layout_no_wrap(format!(" {}", front.unit), style::plain(ui, SMALL), QUIET);
    let number = painter.layout_no_wrap(value, style::mono(ui, 15.0), ink);
    let (unit_width, number_width) = (unit.size().x, number.size().x);
    let right = rect.right();
    let number_at = Pos2::new(right - unit_width - number_width, top + 0.5 * (head - number.size().y));
    let unit_at = Pos2::new(right - unit_width, top + 0.5 * (head - unit.size().y) + 1.0);
    painter.galley(unit_at, unit, QUIET);
    painter.galley(number_at, number, ink);
    let middle = top + 0.5 * head;
    // A short piece of the line itself, so that its style names it.
    let key = [Pos2::new(rect.left(), middle), Pos2::new(rect.left() + 18.0, middle)];
    stroke_line(ui, &key, front, front.colour);
    let label = painter.text(
        Pos2::new(rect.left() + 24.0, middle),
        Align2::LEFT_CENTER,
        front.label,
        style::plain(ui, SMALL),
        TEXT,
    );
    if !words.is_empty() && label.right() + 8.0 < number_at.x {
        let clip = Rect::from_min_max(Pos2::new(label.right() + 4.0, top), Pos2::new(number_at.x - 4.0, top + head));
        let at = Pos2::new(label.right() + 8.0, middle);
        painter.with_clip_rect(clip).text(at, Align2::LEFT_CENTER, words, style::bold(ui, SMALL), WARNING);
    }
    course(ui, Rect::from_min_max(Pos2::new(rect.left(), top + head + 2.0), rect.max), front, trace, outside.is_some());
}

/// The course below the head.
fn course(ui: &Ui, rect: Rect, front: &Front, trace: &Trace<'_>, is_outside: bool) {
    let painter = ui.painter().with_clip_rect(rect.intersect(ui.clip_rect()));
    painter.rect(rect, 2.0, GROUND, Stroke::new(1.0, RULE), egui::StrokeKind::Inside);
    let inner = rect.shrink(2.0);
    let largest = trace.values.iter().copied().filter(|v| v.is_finite()).fold(f32::NEG_INFINITY, f32::max);
    let (low, high) = (front.range.0 as f32, (front.range.1 as f32).max(1.05 * largest));
    let y = |value: f32| inner.bottom() - inner.height() * ((value - low) / (high - low)).clamp(0.0, 1.0);
    for limit in trace.limits {
        let at = y(limit.value as f32);
        let ends = [Pos2::new(inner.left(), at), Pos2::new(inner.right(), at)];
        let outline = Stroke::new(1.0, OUTLINE);
        painter.extend(Shape::dashed_line(&ends, outline, 2.0, 3.0));
        let (align, gap) = if at - inner.top() > 12.0 { (Align2::LEFT_BOTTOM, -1.0) } else { (Align2::LEFT_TOP, 1.0) };
        painter.text(Pos2::new(inner.left() + 2.0, at + gap), align, limit.word, style::plain(ui, 10.0), QUIET);
    }
    // One point a pixel of width is enough; of what falls together the last is kept.
    let count = trace.values.len();
    let step = (count as f32 / inner.width().max(1.0)).ceil().max(1.0) as usize;
    let mut line = Vec::with_capacity(count / step + 1);
    let colour = if is_outside { WARNING } else { front.colour };
    for (i, value) in trace.values.iter().enumerate() {
        if i % step != (count - 1) % step {
            continue;
        }
        if value.is_finite() {
            let x = inner.left() + inner.width() * (i as f32 / (count - 1).max(1) as f32);
            line.push(Pos2::new(x, y(*value)));
        } else {
            stroke_points(&painter, &line, front, colour);
            line.clear();
        }
    }
    stroke_points(&painter, &line, front, colour);
}

fn stroke_line(ui: &Ui, points: &[Pos2], front: &Front, colour: Color32) {
    stroke_points(ui.painter(), points, front, colour);
}

fn stroke_points(painter: &egui::Painter, points: &[Pos2], front: &Front, colour: Color32) {
    let stroke = Stroke::new(1.5, colour);
    if points.len() < 2 {
        return;
    }
    match front.dash {
        Some((dash, gap)) => painter.extend(Shape::dashed_line(points, stroke, dash, gap)),
        None => {
            painter.add(Shape::line(points.to_vec(), stroke));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_limit_knows_its_outside() {
        let floor = Limit { value: 10.0, outside: Side::Below, word: "shallow" };
        assert!(floor.is_outside(9.9) && !floor.is_outside(10.0));
        let limits = [floor, Limit { value: 60.0, outside: Side::Above, word: "high" }];
        let at = |now| Trace { values: &[], now, limits: &limits }.outside().map(|l| l.word.to_owned());
        assert_eq!(at(Some(30.0)), None);
        assert_eq!(at(Some(61.0)).as_deref(), Some("high"));
        assert_eq!(at(Some(2.0)).as_deref(), Some("shallow"));
        assert_eq!(at(None), None);
    }
}
