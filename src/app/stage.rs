//! What window and pictures share: the pages on the screen with the microscope's picture in its place.
//!
//! Pages are drawn from the practice; what they ask for is done at once, after they are drawn. Points are egui's, px the
//! picture's.

use crate::app::hands::{Bindings, ViewPlane};
use crate::app::pages::{self, Around};
use crate::app::panels::section::{color_image, section_ui, texture};
use crate::app::panels::{Shown as Drawn, Way, style};
use crate::app::practice::{Page, Practice};
use crate::app::settings::Quality as Wanted;
use crate::app::view::painter::{Order, Painting};
use crate::app::view::scene::{Field, Microscope, Quality, Shown};
use crate::app::view::section::{Options, Section};
use crate::app::view::{material, scene};
use bevy::camera::RenderTarget;
use bevy::prelude::*;
use bevy::render::renderer::RenderAdapterInfo;
use bevy_egui::{
    EguiContext, EguiGlobalSettings, EguiPlugin, EguiPrimaryContextPass, EguiTextureHandle, EguiUserTextures,
    PrimaryEguiContext, egui,
};
use std::sync::Arc;

/// Largest side of the microscope's picture, px: low, as a graphics card draws it in time, and as large as is asked for.
const MOST_PX: [u32; 3] = [512, 768, 1536];

/// Its side is a multiple of this, so that it is not made anew with every point of the window, px.
const STEP_PX: u32 = 64;

/// Where the pages are drawn to; `None` is the window.
#[derive(Clone, Default, Resource)]
pub struct Target(pub Option<Handle<Image>>);

/// Where the field lay in the last frame, points, and how large a point is, px.
#[derive(Clone, Copy, Debug, Default, Resource)]
pub struct Place {
    /// The field; `None` where there is none.
    pub field: Option<egui::Rect>,
    /// Pixels of a point.
    pub px_per_point: f32,
    /// Has a widget the keyboard?
    pub is_typing: bool,
    /// Is the pointer over the field, and over nothing else?
    pub is_pointed_at: bool,
}

/// Something about the picture itself that is worth a line, and a line on the bindings.
#[derive(Clone, Debug, Default, Resource)]
pub struct Remarks {
    /// About the picture.
    pub picture: Option<String>,
    /// About the bindings' file.
    pub bindings: String,
    /// Has a pedal with a travel of its own been found?
    pub has_pedal: bool,
}

/// The pages, the scene, and what brings them together.
pub fn plugin(app: &mut App) {
    app.add_plugins((EguiPlugin::default(), material::plugin, scene::plugin))
        .init_resource::<Target>()
        .init_resource::<Place>()
        .init_resource::<Remarks>()
        .init_resource::<Bindings>()
        .init_resource::<ViewPlane>()
        .add_systems(PreStartup, take_context)
        .add_systems(PostStartup, show_field);
}

/// The practice's pages.
pub fn pages_plugin(app: &mut App) {
    app.add_systems(EguiPrimaryContextPass, draw);
}

/// The egui context is the pages' camera's and no other's.
fn take_context(mut settings: ResMut<EguiGlobalSettings>, target: Res<Target>, mut commands: Commands) {
    settings.auto_create_primary_context = false;
    let [r, g, b, _] = style::GROUND.to_array();
    let camera = Camera { clear_color: ClearColorConfig::Custom(Color::srgb_u8(r, g, b)), ..default() };
    let mut entity = commands.spawn((Camera2d, camera, Msaa::Off, PrimaryEguiContext));
    if let Some(image) = &target.0 {
        entity.insert(RenderTarget::Image(image.clone().into()));
    }
}

fn show_field(field: Res<Field>, mut textures: ResMut<EguiUserTextures>) {
    textures.add_image(EguiTextureHandle::Strong(field.image.clone()));
}

/// A section with its raster as a texture. A raster that is new is on the graphics card only a frame later, so there are two
/// textures in turn: until the new one can be drawn, the section before it is shown, lines and all.
#[derive(Default)]
pub(super) struct Held {
    shown: Option<Raster>,
    next: Option<Raster>,
    spare: Option<egui::TextureHandle>,
}

struct Raster {
    of: Arc<Painting>,
    texture: egui::TextureHandle,
}

impl Held {
    /// A frame begins in which this is the latest painting. `which`: its section.
    pub(super) fn hold(
        &mut self,
        ctx: &egui::Context,
        painting: Option<&Arc<Painting>>,
        which: fn(&Painting) -> Option<&Section>,
    ) {
        let Some((painting, cut)) = painting.and_then(|p| Some((p, which(p)?))) else {
            *self = Self::default();
            return;
        };
        if let Some(next) = self.next.take() {
            self.spare = self.shown.replace(next).map(|before| before.texture);
        }
        if self.shown.as_ref().is_some_and(|raster| Arc::ptr_eq(&raster.of, painting)) {
            return;
        }
        let texture = match self.spare.take() {
            Some(mut texture) => {
                texture.set(color_image(cut), egui::TextureOptions::LINEAR);
                texture
            }
            None => texture(ctx, cut),
        };
        self.next = Some(Raster { of: painting.clone(), texture });
    }

    /// What can be drawn in this frame: a painting, and the texture of its section.
    pub(super) fn shown(&self) -> Option<(&Painting, egui::TextureId)> {
        self.shown.as_ref().map(|raster| (&*raster.of, raster.texture.id()))
    }
}

/// Draw the page and do what it asks for.
#[expect(clippy::too_many_arguments, reason = "a page brings together all there is")]
fn draw(
    mut context: Single<&mut EguiContext, With<PrimaryEguiContext>>,
    mut practice: ResMut<Practice>,
    shown: Res<Shown>,
    field: Res<Field>,
    textures: Res<EguiUserTextures>,
    bindings: Res<Bindings>,
    remarks: Res<Remarks>,
    mut place: ResMut<Place>,
    mut held: Local<[Held; 2]>,
) {
    let ctx = context.get_mut().clone();
    style::apply(&ctx, practice.settings.text_scale);
    let [section, beside] = &mut *held;
    section.hold(&ctx, shown.0.as_ref(), |p| p.section.as_ref());
    beside.hold(&ctx, shown.0.as_ref(), |p| p.beside.as_ref());
    let builder = egui::UiBuilder::new().layer_id(egui::LayerId::background()).max_rect(ctx.viewport_rect());
    let mut ui = egui::Ui::new(ctx.clone(), egui::Id::new("page"), builder);
    // The picture lies below everything that is drawn on the page.
    let below = ui.painter().add(egui::Shape::Noop);
    let paint = |ui: &mut egui::Ui| {
        if let Some((painting, texture)) = section.shown()
            && let Some(cut) = &painting.section
        {
            section_ui(ui, cut, texture);
        }
    };
    let paint_beside = |ui: &mut egui::Ui| {
        if let Some((painting, texture)) = beside.shown()
            && let Some(cut) = &painting.beside
        {
            section_ui(ui, cut, texture);
        }
    };
    // What was painted before another page came is none of its sections.
    let is_of_page = (practice.page == Page::WhatIf) == beside.shown().is_some();
    let around = Around {
        bindings: &bindings,
        remap: &remarks.bindings,
        has_pedal: remarks.has_pedal,
        section: section.shown().filter(|_| is_of_page).map(|_| &paint as &dyn Fn(&mut egui::Ui)),
        section_beside: beside.shown().map(|_| &paint_beside as &dyn Fn(&mut egui::Ui)),
        note: remarks.picture.as_deref(),
    };
    let Drawn { commands, field: rect } = pages::show(&mut ui, &practice, &around);
    if let (Some(rect), Some(texture), true) = (rect, textures.image_id(&field.image), shown.0.is_some()) {
        ui.painter().set(below, round(texture, rect));
    }
    *place = Place {
        field: rect,
        px_per_point: ctx.pixels_per_point(),
        is_typing: ctx.egui_wants_keyboard_input(),
        is_pointed_at: rect.is_some_and(|rect| ctx.pointer_latest_pos().is_some_and(|at| rect.contains(at)))
            && !ctx.egui_is_using_pointer(),
    };
    for command in commands {
        practice.command(command);
    }
}

/// The picture as a disc, as through an objective.
pub(super) fn round(texture: egui::TextureId, rect: egui::Rect) -> egui::Shape {
    const SECTORS: u32 = 180;
    let mut mesh = egui::Mesh::with_texture(texture);
    let radius = 0.5 * rect.width();
    let mut add = |x: f32, y: f32| {
        let uv = egui::pos2(0.5 + 0.5 * x, 0.5 + 0.5 * y);
        let pos = rect.center() + radius * egui::vec2(x, y);
        mesh.vertices.push(egui::epaint::Vertex { pos, uv, color: egui::Color32::WHITE });
    };
    add(0.0, 0.0);
    for sector in 0..SECTORS {
        let (sin, cos) = (std::f32::consts::TAU * sector as f32 / SECTORS as f32).sin_cos();
        add(cos, sin);
    }
    for sector in 0..SECTORS {
        mesh.add_triangle(0, 1 + sector, 1 + (sector + 1) % SECTORS);
    }
    egui::Shape::mesh(mesh)
}

/// What is to be painted now.
pub fn order(practice: &Practice) -> Option<Order> {
    let (model, state, grade) = practice.sight()?;
    let section = match practice.page {
        Page::Debrief | Page::WhatIf => practice
            .judged
            .as_ref()
            .map(|judged| Options { depth_share: Some(judged.spec.goals.depth_share), ..Options::default() }),
        Page::Daily => practice
            .picked_chop()
            .and(practice.daily.as_ref())
            .map(|daily| Options { depth_share: Some(daily.day.eye.case.goals.depth_share), ..Options::default() }),
        _ => (practice.may_see_section() && practice.wants_section).then(Options::default),
    };
    let beside = practice.runs().filter(|_| practice.page == Page::WhatIf).map(|[_, with]| with.clone());
    Some(Order { model, state, grade, section, beside })
}

/// Quality as it is wanted and as the machine draws in time: side no longer than the field's, and no longer than may be.
pub fn fit_quality(wanted: Wanted, is_software: bool, place: &Place, slower: u32) -> Quality {
    let (is_low, most_px) = match wanted {
        Wanted::Auto if is_software => (true, MOST_PX[0]),
        Wanted::Auto => (false, MOST_PX[1]),
        Wanted::Low => (true, MOST_PX[0]),
        Wanted::High => (false, MOST_PX[2]),
    };
    let most_px = most_px >> slower.min(2);
    let side_px = place.field.map_or(512.0, |field| field.width() * place.px_per_point);
    let steps = (side_px / STEP_PX as f32).ceil().max(1.0) as u32;
    Quality { side_px: (steps * STEP_PX).min(most_px), is_smooth: !is_low, is_fine: !is_low }
}

/// Does the processor draw, without a graphics card?
pub fn is_software(adapter: Option<&RenderAdapterInfo>) -> bool {
    adapter.is_some_and(|adapter| adapter.0.device_type == wgpu::DeviceType::Cpu)
}

/// How motion of the pointer lies in the eye.
pub fn view_plane(microscope: &Microscope, place: &Place, practice: &Practice) -> ViewPlane {
    let pose = microscope.place();
    let side_px = place.field.map_or(512.0, |field| field.width() * place.px_per_point);
    let settings = &practice.settings;
    let up = if settings.inverted { -pose.up() } else { pose.up() };
    ViewPlane {
        right: pose.right().to_array().map(f64::from),
        up: up.to_array().map(f64::from),
        mm_per_px: f64::from(settings.sensitivity * microscope.field_mm / side_px.max(1.0)),
    }
}

/// Are the hands free?
pub fn is_freehand(practice: &Practice) -> bool {
    practice.operation.as_ref().is_some_and(|operation| operation.chosen.way == Way::Freehand)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::app::view::painter::Painter;
    use crate::case::{Resolution, compile, parse_case};
    use crate::sim::State;

    #[test]
    fn the_section_before_is_shown_until_the_new_one_can_be_drawn() {
        let spec = parse_case("c.ron", include_str!("../../scenarios/medium-uniform.ron")).unwrap().spec;
        let resolution = Resolution { cell_mm: 0.4, ..Resolution::default() };
        let model = Arc::new(compile(&spec, 1, resolution).unwrap().model);
        let mut painter = Painter::default();
        let mut painting = || {
            let (model, state) = (model.clone(), Arc::new(State::new(&model)));
            Arc::new(painter.paint(Order { model, state, grade: 3.0, section: Some(Options::default()), beside: None }))
        };
        let (ctx, mut held) = (egui::Context::default(), Held::default());
        let mut frame = |painting: Option<&Arc<Painting>>| {
            held.hold(&ctx, painting, |p| p.section.as_ref());
            held.shown().map(|(of, texture)| (std::ptr::from_ref(of), texture))
        };
        let [first, second, third] = [painting(), painting(), painting()];
        let of = |painting: &Arc<Painting>| Some(Arc::as_ptr(painting));
        assert_eq!(frame(Some(&first)), None);
        let shown = frame(Some(&first));
        assert_eq!(shown.map(|s| s.0), of(&first));
        // Its texture is left alone in the frame in which another comes, and so in each frame of a replay.
        assert_eq!(frame(Some(&second)), shown);
        let next = frame(Some(&third));
        assert_eq!(next.map(|s| s.0), of(&second));
        assert!(next.map(|s| s.1) != shown.map(|s| s.1));
        assert_eq!(frame(Some(&third)).map(|s| s.0), of(&third));
        assert_eq!(frame(None), None);
    }
}
