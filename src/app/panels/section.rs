//! Paints a section of the eye: hardness, lines, labels, a scale bar and what the colours mean.
//!
//! The picture keeps its proportions and takes the room there is. Every kind of line has dashes or a width of its own beside
//! its colour. Labels never overlap: each is tried around its place, then farther off with a leader, and where there is no room
//! the less important ones are left out. Text is never smaller than 12 points. Lengths on the screen are points.

use crate::app::view::section::{GRADES, Label, Role, Section, colour_of};
use bevy_egui::egui;
use egui::{
    Align2, Color32, ColorImage, FontId, Pos2, Rect, Sense, Shape, Stroke, StrokeKind, TextureHandle, TextureId,
    TextureOptions, Ui, Vec2, pos2, vec2,
};

/// Behind the picture, and the text on it.
const GROUND: Color32 = Color32::from_rgb(11, 12, 13);
const TEXT: Color32 = Color32::from_rgb(232, 229, 222);

/// Behind words on the picture.
const PLATE: Color32 = Color32::from_rgba_premultiplied(9, 10, 11, 215);

/// Least size of text, points.
const LEAST_TEXT: f32 = 12.0;

/// Free round a label's words, and between a label and its place.
const PAD: Vec2 = Vec2::new(4.0, 2.0);
const APART: f32 = 6.0;

/// What the raster looks like as an image.
pub fn color_image(section: &Section) -> ColorImage {
    ColorImage::from_rgba_unmultiplied(section.size_px, &section.rgba)
}

/// A new texture with the section's raster. To show another section, `TextureHandle::set` it to its [`color_image`].
pub fn texture(ctx: &egui::Context, section: &Section) -> TextureHandle {
    ctx.load_texture("section", color_image(section), TextureOptions::LINEAR)
}

/// How a kind of line looks.
struct Look {
    colour: Color32,
    width: f32,
    /// Lengths of dash and gap; `None` where the line is whole.
    dash: Option<(f32, f32)>,
}

fn look(role: Role) -> Look {
    // Okabe and Ito's colours on a dark ground, beside dashes and widths.
    let (colour, width, dash) = match role {
        Role::AnteriorCapsule => ((86, 180, 233), 2.5, None),
        Role::RhexisEdge => ((86, 180, 233), 3.5, None),
        Role::PosteriorCapsule => ((255, 133, 77), 2.5, None),
        Role::PosteriorAtRest => ((255, 133, 77), 1.2, Some((2.0, 4.0))),
        Role::Needle => ((232, 229, 222), 1.8, None),
        Role::Sleeve => ((172, 171, 165), 1.2, None),
        Role::Buried => ((240, 228, 66), 1.6, None),
        Role::Chopper => ((204, 121, 167), 3.0, None),
        Role::Crack => ((255, 255, 255), 2.0, Some((7.0, 3.0))),
        Role::DenseZone => ((255, 255, 255), 1.0, Some((3.0, 3.0))),
        Role::Goal => ((63, 193, 152), 1.8, Some((12.0, 5.0))),
        Role::Distance => ((255, 133, 77), 1.6, None),
    };
    Look { colour: Color32::from_rgb(colour.0, colour.1, colour.2), width, dash }
}

/// Paint a section into the room there is. `texture` holds its raster.
pub fn section_ui(ui: &mut Ui, section: &Section, texture: TextureId) {
    let body = egui::TextStyle::Body.resolve(ui.style());
    let font = FontId::new((body.size * 12.0 / 14.0).max(LEAST_TEXT), body.family);
    let (rect, response) = ui.allocate_exact_size(ui.available_size(), Sense::hover());
    let words = spoken(section);
    response.widget_info(|| egui::WidgetInfo::labeled(egui::WidgetType::Image, true, &words));
    let painter = ui.painter().with_clip_rect(rect);
    painter.rect_filled(rect, 0.0, GROUND);
    let key_height = font.size + 26.0;
    let room = Rect::from_min_max(rect.min, pos2(rect.max.x, (rect.max.y - key_height).max(rect.min.y)));
    let frame = Frame::fit(section, room);
    let picture = painter.with_clip_rect(frame.rect.intersect(rect));
    let whole = Rect::from_min_max(Pos2::ZERO, pos2(1.0, 1.0));
    picture.image(texture, frame.rect, whole, Color32::WHITE);
    for line in &section.lines {
        let look = look(line.role);
        let mut points: Vec<Pos2> = line.points_mm.iter().map(|p| frame.at(*p)).collect();
        if line.role == Role::Needle || line.role == Role::Sleeve {
            // The shaft hides what it passes through only a little: the lens around it is what is looked at.
            picture.add(Shape::convex_polygon(points.clone(), look.colour.gamma_multiply(0.16), Stroke::NONE));
        }
        if line.is_closed {
            points.extend(points.first().copied());
        }
        // A dark edge keeps light lines apart from light tissue.
        let edge = Stroke::new(look.width + 2.0, Color32::from_black_alpha(150));
        let stroke = Stroke::new(look.width, look.colour);
        match look.dash {
            None => {
                picture.add(Shape::line(points.clone(), edge));
                picture.add(Shape::line(points, stroke));
            }
            Some((dash, gap)) => {
                picture.extend(Shape::dashed_line(&points, edge, dash, gap));
                picture.extend(Shape::dashed_line(&points, stroke, dash, gap));
            }
        }
    }
    let shown = label_ui(ui, section, &frame, &font);
    let left = section.labels.len() - shown;
    key_ui(ui, section, &frame, Rect::from_min_max(pos2(rect.min.x, room.max.y), rect.max), &font);
    if left > 0 {
        // What found no room is still told to whoever asks.
        response.on_hover_text(words);
    }
}

/// The labels as one text.
fn spoken(section: &Section) -> String {
    let mut labels: Vec<&Label> = section.labels.iter().collect();
    labels.sort_by_key(|l| l.rank);
    let words: Vec<&str> = labels.iter().map(|l| l.text.as_str()).collect();
    format!("Section of the eye. {}", words.join(". "))
}

/// Where millimetres lie on the screen.
struct Frame {
    rect: Rect,
    low_mm: [f64; 2],
    points_per_mm: f32,
}

impl Frame {
    fn fit(section: &Section, room: Rect) -> Self {
        let size_mm =
            vec2((section.high_mm[0] - section.low_mm[0]) as f32, (section.high_mm[1] - section.low_mm[1]) as f32);
        let points_per_mm = (room.width() / size_mm.x).min(room.height() / size_mm.y).max(0.0);
        let rect = Rect::from_center_size(room.center(), size_mm * points_per_mm);
        Self { rect, low_mm: section.low_mm, points_per_mm }
    }

    fn at(&self, [u_mm, z_mm]: [f64; 2]) -> Pos2 {
        let (across, up) = ((u_mm - self.low_mm[0]) as f32, (z_mm - self.low_mm[1]) as f32);
        pos2(self.rect.min.x + across * self.points_per_mm, self.rect.max.y - up * self.points_per_mm)
    }
}

/// Places for labels of these sizes about their anchors, in the order given, within a rectangle: none overlaps another or
/// covers an anchor of one placed before. `None` where there is no room.
fn arrange(labels: &[(Pos2, Vec2)], within: Rect) -> Vec<Option<Rect>> {
    let mut placed: Vec<Rect> = Vec::new();
    let mut arranged = Vec::with_capacity(labels.len());
    for (anchor, size) in labels {
        let anchor = anchor.clamp(within.min, within.max);
        let candidates = (0..5).flat_map(|ring| {
            let far = APART + 22.0 * ring as f32;
            let (x, y) = (far + 0.5 * size.x, far + 0.5 * size.y);
            [(0.0, -y), (x, 0.0), (-x, 0.0), (0.0, y), (x, -y), (-x, -y), (x, y), (-x, y)].map(|(x, y)| vec2(x, y))
        });
        let found = candidates.map(|offset| Rect::from_center_size(anchor + offset, *size)).find(|rect| {
            within.contains_rect(*rect) && placed.iter().all(|other| !other.expand(1.0).intersects(*rect))
        });
        placed.extend(found);
        arranged.push(found);
    }
    arranged
}

/// Paint the labels there is room for; returns how many.
fn label_ui(ui: &Ui, section: &Section, frame: &Frame, font: &FontId) -> usize {
    let mut labels: Vec<&Label> = section.labels.iter().collect();
    labels.sort_by_key(|l| l.rank);
    let painter = ui.painter().with_clip_rect(frame.rect);
    let galleys: Vec<_> = labels.iter().map(|l| painter.layout_no_wrap(l.text.clone(), font.clone(), TEXT)).collect();
    let wanted: Vec<(Pos2, Vec2)> =
        labels.iter().zip(&galleys).map(|(l, g)| (frame.at(l.at_mm), g.size() + 2.0 * PAD)).collect();
    let within = frame.rect.shrink(2.0);
    let mut shown = 0;
    for (((label, galley), (anchor, _)), rect) in labels.iter().zip(galleys).zip(&wanted).zip(arrange(&wanted, within))
    {
        let Some(rect) = rect else { continue };
        shown += 1;
        let colour = look(label.role).colour;
        let anchor = anchor.clamp(within.min, within.max);
        let end = anchor.clamp(rect.min, rect.max);
        painter.line_segment([anchor, end], Stroke::new(1.0, colour));
        painter.circle_filled(anchor, 2.0, colour);
        painter.rect(rect, 3.0, PLATE, Stroke::new(1.0, colour.gamma_multiply(0.6)), StrokeKind::Inside);
        painter.galley(rect.min + PAD, galley, TEXT);
        let response = ui.interact(rect, ui.id().with(("section label", &label.text)), Sense::hover());
        response.widget_info(|| egui::WidgetInfo::labeled(egui::WidgetType::Label, true, &label.text));
    }
    shown
}

/// What the colours mean, and how long a millimetre is.
fn key_ui(ui: &Ui, section: &Section, frame: &Frame, strip: Rect, font: &FontId) {
    let painter = ui.painter().with_clip_rect(strip);
    let bar =
        Rect::from_min_max(pos2(strip.min.x + 8.0, strip.min.y + 6.0), pos2(strip.max.x - 8.0, strip.min.y + 18.0));
    let words_y = bar.max.y + 3.0;
    // The scale bar: as many whole millimetres as a quarter of the picture holds, at least one.
    let most = 0.25 * ((section.high_mm[0] - section.low_mm[0]) as f32);
    let mm = most.floor().clamp(1.0, 2.0);
    let right = bar.max.x;
    let left = right - mm * frame.points_per_mm;
    let y = bar.center().y;
    let stroke = Stroke::new(2.0, TEXT);
    painter.line_segment([pos2(left, y), pos2(right, y)], stroke);
    for x in [left, right] {
        painter.line_segment([pos2(x, y - 4.0), pos2(x, y + 4.0)], stroke);
    }
    painter.text(pos2(0.5 * (left + right), words_y), Align2::CENTER_TOP, format!("{mm:.0} mm"), font.clone(), TEXT);
    // Shell first, as a swatch of its own, then grades in a bar with numbers.
    let width = (left - 24.0 - bar.min.x).clamp(60.0, 360.0);
    let shell = Rect::from_min_size(bar.min, vec2(0.16 * width, bar.height()));
    let [r, g, b] = colour_of(0.0);
    painter.rect_filled(shell, 0.0, Color32::from_rgb(r, g, b).gamma_multiply(0.67));
    painter.rect_stroke(shell, 0.0, Stroke::new(1.0, TEXT.gamma_multiply(0.5)), StrokeKind::Inside);
    painter.text(pos2(shell.min.x, words_y), Align2::LEFT_TOP, "Shell", font.clone(), TEXT);
    let from = (shell.max.x + 14.0).max(shell.min.x + 3.2 * font.size);
    let grades = Rect::from_min_max(pos2(from, bar.min.y), pos2(bar.min.x + width, bar.max.y));
    let steps = 64;
    for step in 0..steps {
        let share = |i: i32| grades.min.x + grades.width() * i as f32 / steps as f32;
        let part = Rect::from_min_max(pos2(share(step), grades.min.y), pos2(share(step + 1), grades.max.y));
        let [r, g, b] = colour_of(GRADES.0 + (GRADES.1 - GRADES.0) * (f64::from(step) + 0.5) / f64::from(steps));
        painter.rect_filled(part, 0.0, Color32::from_rgb(r, g, b));
    }
    let is_wide = grades.width() > 16.0 * font.size;
    for grade in GRADES.0 as i32..=GRADES.1 as i32 {
        let share = (f64::from(grade) - GRADES.0) / (GRADES.1 - GRADES.0);
        let x = grades.min.x + grades.width() * share as f32;
        painter.line_segment([pos2(x, grades.max.y - 3.0), pos2(x, grades.max.y + 2.0)], Stroke::new(1.0, TEXT));
        let (words, side) = match grade {
            1 if is_wide => ("Grade 1".to_string(), Align2::CENTER_TOP),
            g if f64::from(g) >= GRADES.1 && is_wide => (format!("{g} or more"), Align2::CENTER_TOP),
            g if f64::from(g) >= GRADES.1 => (format!("≥{g}"), Align2::CENTER_TOP),
            g => (g.to_string(), Align2::CENTER_TOP),
        };
        painter.text(pos2(x, words_y), side, words, font.clone(), TEXT);
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]

    use super::*;
    use crate::app::view::section::Options;
    use crate::case::{Resolution, compile, parse_case};
    use crate::plan::{Performer, parse_plan};
    use crate::sim::{State, step};
    use egui_kittest::Harness;
    use egui_kittest::kittest::Queryable;

    /// The good plan until the chopper comes.
    fn section() -> Section {
        let case = include_str!("../../../scenarios/medium-uniform.ron");
        let spec = parse_case("medium-uniform.ron", case).unwrap().spec;
        let resolution = Resolution { cell_mm: 0.4, ..Resolution::default() };
        let model = compile(&spec, 1, resolution).unwrap().model;
        let text = include_str!("../../../scenarios/medium-uniform.good.plan.ron");
        let (plan, _) = parse_plan("medium-uniform.good.plan.ron", text).unwrap();
        let mut state = State::new(&model);
        let mut performer = Performer::new(&model, &plan);
        while let (None, Some(inputs)) = (&state.chopper, performer.next(&model, &state)) {
            step(&model, &mut state, &inputs);
        }
        let options = Options { depth_share: Some(spec.goals.depth_share), ..Options::default() };
        Section::cut(&model, &state, &options)
    }

    #[test]
    fn labels_appear_by_their_words() {
        let section = section();
        let size = egui::vec2(760.0, 520.0);
        let mut harness = Harness::builder().with_size(size).build_ui(|ui| {
            let texture = texture(ui.ctx(), &section);
            section_ui(ui, &section, texture.id());
        });
        harness.run();
        let buried = format!("{:.2} mm buried", section.buried_mm.unwrap());
        let distance = format!("{:.2} mm to the capsule", section.distance_mm.unwrap());
        for words in [buried.as_str(), &distance, "Depth asked for", "Dense core", "Posterior capsule"] {
            harness.get_by_label(words);
        }
        assert!(harness.query_by_label("Chopper, 1.0 mm in front").is_none());
    }

    #[test]
    fn labels_never_overlap_and_the_last_ones_give_way() {
        let within = Rect::from_min_size(Pos2::ZERO, vec2(300.0, 120.0));
        // All about the same place, and more than there is room for.
        let labels: Vec<(Pos2, Vec2)> = (0..40).map(|i| (pos2(150.0 + i as f32, 60.0), vec2(90.0, 18.0))).collect();
        let places = arrange(&labels, within);
        let placed: Vec<Rect> = places.iter().flatten().copied().collect();
        assert!(placed.len() > 6 && placed.len() < 40, "{} placed", placed.len());
        assert!(places[0].is_some());
        for (i, a) in placed.iter().enumerate() {
            assert!(within.contains_rect(*a));
            assert!(placed[i + 1..].iter().all(|b| !a.intersects(*b)), "{a:?} is overlapped");
        }
    }

    #[test]
    fn every_line_can_be_told_without_its_colour() {
        let roles = [
            Role::AnteriorCapsule,
            Role::PosteriorCapsule,
            Role::PosteriorAtRest,
            Role::Crack,
            Role::DenseZone,
            Role::Goal,
        ];
        // The two capsules lie apart, in front and behind; of the others no two have the same dashes.
        for (i, a) in roles.iter().enumerate().skip(1) {
            for b in &roles[i + 1..] {
                assert_ne!(look(*a).dash, look(*b).dash, "{a:?} and {b:?}");
            }
        }
    }
}
