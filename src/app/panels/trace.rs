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

/// The reading: name and value over its course, which is `height` points high.
pub fn trace_ui(ui: &mut Ui, front: &Front, trace: &Trace<'_>, height: f32) {
    let scale = style::text_scale(ui);
    let head = (16.0 * scale).ceil();
    let size = Vec2::new(ui.available_width(), head + height);
    let (rect, response) = ui.allocate_exact_size(size, Sense::hover());
    let outside = trace.outside();
    let value = trace.now.map_or("–".to_owned(), |now| format!("{now:.*}", front.decimals));
    let words = match outside {
        Some(limit) => format!("{} {}", style::WARNING_SIGN, limit.word),
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
    let number = painter.layout_no_wrap(value, style::plain(ui, 15.0), ink);
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
    painter.text(
        Pos2::new(rect.left() + 24.0, middle),
        Align2::LEFT_CENTER,
        front.label,
        style::plain(ui, SMALL),
        TEXT,
    );
    course(ui, Rect::from_min_max(Pos2::new(rect.left(), top + head + 2.0), rect.max), front, trace, outside.is_some());
    if !words.is_empty() {
        let galley = ui.painter().layout_no_wrap(words, style::bold(ui, SMALL), WARNING);
        let at = Pos2::new(right - galley.size().x - 5.0, top + head + 4.0);
        ui.painter().rect_filled(Rect::from_min_size(at, galley.size()).expand(1.0), 2.0, GROUND);
        ui.painter().galley(at, galley, WARNING);
    }
}

/// The course below the head.
fn course(ui: &Ui, rect: Rect, front: &Front, trace: &Trace<'_>, is_outside: bool) {
    let painter = ui.painter().with_clip_rect(rect.intersect(ui.clip_rect()));
    painter.rect(rect, 2.0, GROUND, Stroke::new(1.0, RULE), egui::StrokeKind::Inside);
    let inner = rect.shrink(2.0);
    let largest = trace.values.iter().copied().filter(|v| v.is_finite()).fold(f32::NEG_INFINITY, f32::max);
    let (low, high) = (front.range.0 as f32, (front.range.1 as f32).max(1.05 * largest));
    let y = |value: f32| inner.bottom() - inner.height() * ((value - low) / (high - low)).clamp(0.0, 1.0);
    // The words of the limits stand beside each other, so that none covers another.
    let mut left = inner.left() + 2.0;
    for limit in trace.limits {
        let at = y(limit.value as f32);
        let ends = [Pos2::new(inner.left(), at), Pos2::new(inner.right(), at)];
        painter.extend(Shape::dashed_line(&ends, Stroke::new(1.0, OUTLINE), 2.0, 3.0));
        let word = painter.layout_no_wrap(limit.word.to_owned(), style::plain(ui, 10.0), QUIET);
        let above = at - word.size().y - 1.0;
        let place = Pos2::new(left, if above >= inner.top() { above } else { at + 1.0 });
        left += word.size().x + 10.0;
        painter.galley(place, word, QUIET);
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
