//! The foot pedal as a bar: its travel, its positions 0 to 3, and where each begins.
//!
//! Travel and shares run from 0 to 1.

use super::style::{self, ACCENT, GROUND, LIFTED, OUTLINE, QUIET, RAISED, SMALL, TEXT};
use bevy_egui::egui;
use egui::{Align2, Pos2, Rect, Sense, Shape, Stroke, Ui, Vec2, WidgetInfo, WidgetType};

/// What each position does.
pub const POSITIONS: [&str; 4] = ["rest", "infusion", "aspiration", "ultrasound"];

/// Where the positions 1, 2 and 3 begin where nothing else is known, as shares of the travel.
pub const EVEN_DETENTS: [f64; 3] = [0.1, 0.4, 0.7];

/// The pedal at a moment.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PedalView {
    /// Travel, 0–1.
    pub travel: f64,
    /// Where the positions 1, 2 and 3 begin, shares of the travel.
    pub detents: [f64; 3],
    /// Position, 0–3.
    pub position: u8,
    /// Share within the position, 0–1.
    pub share: f64,
    /// On a dual-linear pedal, the share of the power, 0–1.
    pub power: Option<f64>,
}

impl PedalView {
    /// A pedal of which only position and share are known.
    pub fn of(position: u8, share: f64) -> Self {
        let detents = EVEN_DETENTS;
        let edges = [0.0, detents[0], detents[1], detents[2], 1.0];
        let position = position.min(3);
        let at = usize::from(position);
        let travel = edges[at] + share.clamp(0.0, 1.0) * (edges[at + 1] - edges[at]);
        Self { travel, detents, position, share, power: None }
    }

    /// In words.
    pub fn words(&self) -> String {
        let position = self.position.min(3);
        let name = POSITIONS[usize::from(position)];
        let share = if position >= 2 { format!(", {:.0} %", 100.0 * self.share) } else { String::new() };
        let power = self.power.map_or(String::new(), |power| format!(", power {:.0} %", 100.0 * power));
        format!("Pedal {position}, {name}{share}{power}")
    }
}

/// The bar. Its fields carry the figure of the position, and its word where there is room; the one the foot is in stands out
/// by fill, frame and bold type.
pub fn pedal_bar(ui: &mut Ui, pedal: &PedalView, size: Vec2) {
    let (rect, response) = ui.allocate_exact_size(size, Sense::hover());
    response.widget_info(|| WidgetInfo::labeled(WidgetType::ProgressIndicator, true, pedal.words()));
    let painter = ui.painter();
    let pointer = 7.0;
    let bar = Rect::from_min_max(rect.min, rect.max - Vec2::new(0.0, pointer));
    let x = |travel: f64| bar.left() + bar.width() * travel.clamp(0.0, 1.0) as f32;
    let edges = [0.0, pedal.detents[0], pedal.detents[1], pedal.detents[2], 1.0];
    painter.rect_filled(bar, 3.0, GROUND);
    for position in 0..4_u8 {
        let at = usize::from(position);
        let zone = Rect::from_min_max(Pos2::new(x(edges[at]), bar.top()), Pos2::new(x(edges[at + 1]), bar.bottom()));
        let zone = zone.shrink2(Vec2::new(1.0, 0.0));
        let is_here = position == pedal.position;
        painter.rect_filled(zone, 2.0, if is_here { LIFTED } else { RAISED });
        if is_here {
            let pressed = Rect::from_min_max(
                zone.min,
                Pos2::new(x(pedal.travel).clamp(zone.left(), zone.right()), zone.bottom()),
            );
            painter.rect_filled(pressed, 2.0, ACCENT.gamma_multiply(0.45));
            painter.rect_stroke(zone, 2.0, Stroke::new(1.5, ACCENT), egui::StrokeKind::Inside);
        }
        let (font, ink) = if is_here { (style::bold(ui, SMALL), TEXT) } else { (style::plain(ui, SMALL), QUIET) };
        let long = format!("{position} {}", POSITIONS[at]);
        let galley = painter.layout_no_wrap(long, font.clone(), ink);
        if galley.size().x + 6.0 <= zone.width() {
            painter.galley(zone.center() - 0.5 * galley.size(), galley, ink);
        } else {
            painter.text(zone.center(), Align2::CENTER_CENTER, position, font, ink);
        }
    }
    let tip = Pos2::new(x(pedal.travel), bar.bottom() + 1.0);
    let corners = vec![tip, tip + Vec2::new(5.0, pointer - 1.0), tip + Vec2::new(-5.0, pointer - 1.0)];
    painter.add(Shape::convex_polygon(corners, ACCENT, Stroke::NONE));
    painter.rect_stroke(bar, 3.0, Stroke::new(1.0, OUTLINE), egui::StrokeKind::Outside);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_position_and_its_share_lie_in_their_field() {
        assert_eq!(PedalView::of(0, 0.0).travel, 0.0);
        assert_eq!(PedalView::of(3, 1.0).travel, 1.0);
        let half = PedalView::of(2, 0.5);
        assert!(half.travel > EVEN_DETENTS[1] && half.travel < EVEN_DETENTS[2]);
        assert_eq!(half.words(), "Pedal 2, aspiration, 50 %");
        assert_eq!(PedalView { power: Some(0.25), ..PedalView::of(1, 1.0) }.words(), "Pedal 1, infusion, power 25 %");
    }
}
