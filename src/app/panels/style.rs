//! How the window looks: typeface, colours, sizes. A dark room, so that the microscope's field is the brightest thing in it;
//! one warm accent for what is to be done next and for what has the keyboard; categories in the colours of Okabe and Ito.
//!
//! Units: points of egui. All text sizes are multiples of the scale that the trainee chose; spacing keeps to 4, 8 and 16.
//! Colour never stands alone: whoever takes a colour from here adds a sign, a shape or a word.

use bevy_egui::egui;
use egui::{Color32, FontData, FontDefinitions, FontFamily, FontId, Margin, Stroke, TextStyle, Vec2};
use std::sync::Arc;

/// Behind everything.
pub const GROUND: Color32 = Color32::from_rgb(11, 12, 13);
/// Columns, strips and cards.
pub const PANEL: Color32 = Color32::from_rgb(21, 23, 25);
/// What lies on a panel: buttons, fields.
pub const RAISED: Color32 = Color32::from_rgb(37, 40, 43);
/// The same under the pointer.
pub const LIFTED: Color32 = Color32::from_rgb(50, 54, 58);
/// Rules and outlines, 3:1 against the ground where they carry meaning.
pub const RULE: Color32 = Color32::from_rgb(58, 62, 66);
/// Outlines of what can be used, 3:1 against a panel.
pub const OUTLINE: Color32 = Color32::from_rgb(108, 113, 117);
/// Text.
pub const TEXT: Color32 = Color32::from_rgb(232, 229, 222);
/// Text that stands back.
pub const QUIET: Color32 = Color32::from_rgb(172, 171, 165);
/// The accent: what is to be done next, and what has the keyboard.
pub const ACCENT: Color32 = Color32::from_rgb(244, 180, 98);
/// Text on the accent.
pub const ON_ACCENT: Color32 = Color32::from_rgb(28, 19, 6);
/// Outside of a limit, missed, critical: vermillion, lighter than in print so that it can be read as text.
pub const WARNING: Color32 = Color32::from_rgb(255, 133, 77);
/// Met: bluish green, lighter for the same reason.
pub const GOOD: Color32 = Color32::from_rgb(63, 193, 152);

/// Stands beside what is outside of a limit, missed or critical.
pub const WARNING_SIGN: &str = "⚠";
/// Stands beside what is met.
pub const MET_SIGN: &str = "✓";

/// Colours of Okabe and Ito for categories on a dark ground. Their orange is left out, which is too near to the accent,
/// their black, which is not seen, and their blue, which is too dark for a thin line.
pub const CATEGORIES: [Color32; 5] = [
    Color32::from_rgb(86, 180, 233),
    Color32::from_rgb(0, 158, 115),
    Color32::from_rgb(240, 228, 66),
    Color32::from_rgb(204, 121, 167),
    Color32::from_rgb(213, 94, 0),
];

/// Name of the family that the bold face of the typeface stands in.
const BOLD: &str = "bold";

/// Smallest and largest scale of text.
pub const TEXT_SCALES: std::ops::RangeInclusive<f32> = 0.8..=1.6;

/// Size of text at scale 1, points.
pub const BODY: f32 = 14.0;
/// Size of small text at scale 1, points.
pub const SMALL: f32 = 12.0;

/// Gives a context the typeface once, and the style whenever the scale of the text changes. Cheap to call every frame.
pub fn apply(ctx: &egui::Context, text_scale: f32) {
    let text_scale = text_scale.clamp(*TEXT_SCALES.start(), *TEXT_SCALES.end());
    let id = egui::Id::new("corecleft style");
    let before: Option<f32> = ctx.data(|d| d.get_temp(id));
    if before == Some(text_scale) {
        return;
    }
    if before.is_none() {
        ctx.set_fonts(fonts());
    }
    ctx.data_mut(|d| d.insert_temp(id, text_scale));
    ctx.set_theme(egui::Theme::Dark);
    ctx.all_styles_mut(|style| *style = styled(text_scale));
}

/// Scale of the text in use.
pub fn text_scale(ui: &egui::Ui) -> f32 {
    TextStyle::Body.resolve(ui.style()).size / BODY
}

/// How much wider columns are for larger text: they follow half of it, the rest is left to the wrapping of lines.
pub fn width_factor(ui: &egui::Ui) -> f32 {
    0.5 + 0.5 * text_scale(ui)
}

/// A font of the bold face; of the plain one as long as the typeface is not there yet.
pub fn bold(ui: &egui::Ui, size: f32) -> FontId {
    let family = FontFamily::Name(BOLD.into());
    let is_there = ui.fonts(|f| f.definitions().families.contains_key(&family));
    FontId::new(size * text_scale(ui), if is_there { family } else { FontFamily::Proportional })
}

/// A font of the plain face.
pub fn plain(ui: &egui::Ui, size: f32) -> FontId {
    FontId::new(size * text_scale(ui), FontFamily::Proportional)
}

/// A font whose figures are all of one width.
pub fn mono(ui: &egui::Ui, size: f32) -> FontId {
    FontId::new(size * text_scale(ui), FontFamily::Monospace)
}

/// B612, made for reading instruments; what it lacks comes from the fonts of egui.
fn fonts() -> FontDefinitions {
    let mut fonts = FontDefinitions::default();
    let faces: [(&str, &'static [u8], FontFamily); 3] = [
        ("B612", include_bytes!("../../../assets/fonts/B612-Regular.otf"), FontFamily::Proportional),
        ("B612 Bold", include_bytes!("../../../assets/fonts/B612-Bold.otf"), FontFamily::Name(BOLD.into())),
        ("B612 Mono", include_bytes!("../../../assets/fonts/B612Mono-Regular.otf"), FontFamily::Monospace),
    ];
    let spare = fonts.families.get(&FontFamily::Proportional).cloned().unwrap_or_default();
    for (name, bytes, family) in faces {
        fonts.font_data.insert(name.to_owned(), Arc::new(FontData::from_static(bytes)));
        let list = fonts.families.entry(family).or_insert_with(|| spare.clone());
        list.insert(0, name.to_owned());
    }
    fonts
}

fn styled(scale: f32) -> egui::Style {
    let mut style = egui::Style { visuals: egui::Visuals::dark(), ..egui::Style::default() };
    let size = |points: f32, family: FontFamily| FontId::new(points * scale, family);
    style.text_styles = [
        (TextStyle::Small, size(SMALL, FontFamily::Proportional)),
        (TextStyle::Body, size(BODY, FontFamily::Proportional)),
        (TextStyle::Button, size(BODY, FontFamily::Proportional)),
        (TextStyle::Heading, size(18.0, FontFamily::Proportional)),
        (TextStyle::Monospace, size(BODY, FontFamily::Monospace)),
    ]
    .into();
    let spacing = &mut style.spacing;
    spacing.item_spacing = Vec2::new(8.0, 8.0);
    spacing.button_padding = Vec2::new(12.0, 5.0);
    spacing.interact_size = Vec2::new(40.0, (26.0 * scale).round());
    spacing.slider_width = 180.0;
    spacing.slider_rail_height = 4.0;
    spacing.icon_width = (16.0 * scale).round();
    spacing.icon_width_inner = (9.0 * scale).round();
    spacing.menu_margin = Margin::same(8);
    spacing.tooltip_width = 360.0;
    spacing.scroll = egui::style::ScrollStyle { bar_width: 8.0, ..egui::style::ScrollStyle::solid() };
    style.interaction.selectable_labels = false;
    style.animation_time = 0.0;
    style.scroll_animation = egui::style::ScrollAnimation::none();
    let visuals = &mut style.visuals;
    visuals.panel_fill = PANEL;
    visuals.window_fill = PANEL;
    visuals.window_stroke = Stroke::new(1.0, OUTLINE);
    visuals.extreme_bg_color = GROUND;
    visuals.text_edit_bg_color = Some(GROUND);
    visuals.faint_bg_color = Color32::from_rgb(27, 29, 31);
    visuals.weak_text_color = Some(QUIET);
    visuals.warn_fg_color = WARNING;
    visuals.error_fg_color = WARNING;
    visuals.hyperlink_color = ACCENT;
    visuals.selection.bg_fill = Color32::from_rgb(84, 62, 32);
    visuals.selection.stroke = Stroke::new(1.0, TEXT);
    visuals.slider_trailing_fill = true;
    visuals.disabled_alpha = 0.55;
    let corner = egui::CornerRadius::same(3);
    visuals.menu_corner_radius = corner;
    visuals.window_corner_radius = corner;
    let widgets = &mut visuals.widgets;
    for (visual, fill, outline, ink) in [
        (&mut widgets.noninteractive, PANEL, Stroke::new(1.0, RULE), TEXT),
        (&mut widgets.inactive, RAISED, Stroke::new(1.0, RULE), TEXT),
        (&mut widgets.hovered, LIFTED, Stroke::new(1.0, OUTLINE), TEXT),
        // What has the keyboard is drawn as active: its outline is the focus ring.
        (&mut widgets.active, LIFTED, Stroke::new(2.0, ACCENT), TEXT),
        (&mut widgets.open, LIFTED, Stroke::new(1.0, OUTLINE), TEXT),
    ] {
        visual.bg_fill = fill;
        visual.weak_bg_fill = fill;
        visual.bg_stroke = outline;
        visual.fg_stroke = Stroke::new(1.5, ink);
        visual.corner_radius = corner;
        visual.expansion = 0.0;
    }
    style
}

#[cfg(test)]
pub(crate) mod tests {
    use super::super::trial::{Harness, Queryable as _};
    use super::*;

    /// Relative luminance (WCAG 2).
    fn luminance(colour: Color32) -> f32 {
        let linear = |byte: u8| {
            let c = f32::from(byte) / 255.0;
            if c <= 0.04045 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) }
        };
        0.2126 * linear(colour.r()) + 0.7152 * linear(colour.g()) + 0.0722 * linear(colour.b())
    }

    pub(crate) fn contrast(a: Color32, b: Color32) -> f32 {
        let (a, b) = (luminance(a), luminance(b));
        (a.max(b) + 0.05) / (a.min(b) + 0.05)
    }

    #[test]
    fn text_reaches_four_and_a_half_to_one_and_graphics_three() {
        for ground in [GROUND, PANEL, RAISED, LIFTED] {
            for ink in [TEXT, QUIET, WARNING] {
                assert!(contrast(ink, ground) >= 4.5, "{ink:?} on {ground:?}: {}", contrast(ink, ground));
            }
        }
        assert!(contrast(GOOD, RAISED) >= 4.5 && contrast(ACCENT, RAISED) >= 4.5);
        assert!(contrast(ON_ACCENT, ACCENT) >= 4.5);
        for graphic in CATEGORIES.into_iter().chain([OUTLINE]) {
            assert!(contrast(graphic, PANEL) >= 3.0, "{graphic:?}: {}", contrast(graphic, PANEL));
        }
    }

    #[test]
    fn the_typeface_has_every_sign_the_pages_use() {
        let page = |ui: &mut egui::Ui| {
            apply(ui.ctx(), 1.0);
            let font = plain(ui, BODY);
            let signs = "⚠▶✓●○■—–…°µ·×−½≤≥←→↑↓⏸";
            let missing = signs.chars().filter(|c| !ui.fonts_mut(|f| f.has_glyph(&font, *c)));
            ui.label(format!("missing: {}", missing.collect::<String>()));
            ui.label(format!("bold: {}", bold(ui, BODY).family == FontFamily::Name(BOLD.into())));
        };
        let mut harness = Harness::new_ui(page);
        harness.run();
        assert!(harness.query_by_label("missing: ").is_some(), "{:?}", harness.root());
        assert!(harness.query_by_label("bold: true").is_some());
    }
}
