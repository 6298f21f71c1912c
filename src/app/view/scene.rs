//! The eye under the microscope: what is drawn, where it stands, how it is lit.
//!
//! World units are mm in the eye's frame. The scene only reads: what it shows is a [`Painting`], made of a state by the
//! painter (`view::painter`); instruments, lens and capsule of one picture are always of one state. Limits: the cornea does not
//! refract; what lies under it is drawn where it is.

use crate::app::view::appearance::{Look, looks};
use crate::app::view::material::{EyeMaterial, Kind, SceneUniform};
use crate::app::view::painter::{Painting, Skin, Worn};
use crate::app::view::surface::{self, Surface};
use crate::sim::hands::ChopperEnd;
use crate::sim::{Model, State};
use bevy::camera::visibility::NoFrustumCulling;
use bevy::camera::{ClearColorConfig, Hdr, RenderTarget};
use bevy::core_pipeline::tonemapping::{DebandDither, Tonemapping};
use bevy::prelude::*;
use bevy::render::render_resource::TextureFormat;
use nalgebra::Vector3;
use std::sync::Arc;

/// Distance of the objective, mm.
const WORKING_MM: f32 = 200.0;

/// How far shafts are drawn out of the eye, mm.
const SHAFT_MM: f32 = 26.0;

/// Toward the lamp, which stands a little beside the view, so that there is a shadow.
const LAMP: Vec3 = Vec3::new(-0.16, -0.24, 1.0);

/// Height over the lens at which the iris lies on it, mm (A).
const IRIS_OVER_LENS_MM: f32 = 0.12;

/// The view through the objective.
#[derive(Clone, Copy, Debug, PartialEq, Resource)]
pub struct Microscope {
    /// Diameter of the field, mm.
    pub field_mm: f32,
    /// Height in focus over the equator's plane, mm.
    pub focus_mm: f32,
    /// Tilt of the view toward +x and +y, rad.
    pub tilt_rad: Vec2,
}

impl Default for Microscope {
    fn default() -> Self {
        Self { field_mm: 13.5, focus_mm: 0.8, tilt_rad: Vec2::ZERO }
    }
}

impl Microscope {
    /// Least and greatest field, mm.
    pub const FIELD_MM: (f32, f32) = (5.0, 22.0);
    /// Lowest and highest focus, mm.
    pub const FOCUS_MM: (f32, f32) = (-4.0, 5.0);
    /// Greatest tilt, rad.
    pub const TILT_RAD: f32 = 0.45;

    /// Kept within what an objective does.
    pub fn clamped(self) -> Self {
        Self {
            field_mm: self.field_mm.clamp(Self::FIELD_MM.0, Self::FIELD_MM.1),
            focus_mm: self.focus_mm.clamp(Self::FOCUS_MM.0, Self::FOCUS_MM.1),
            tilt_rad: self.tilt_rad.clamp(Vec2::splat(-Self::TILT_RAD), Vec2::splat(Self::TILT_RAD)),
        }
    }

    /// Where the objective is, looking at the lens.
    pub fn place(&self) -> Transform {
        let toward = Vec3::new(self.tilt_rad.x.tan(), self.tilt_rad.y.tan(), 1.0).normalize();
        Transform::from_translation(toward * WORKING_MM).looking_at(Vec3::ZERO, Vec3::Y)
    }

    /// Angle of the field, rad.
    pub fn angle_rad(&self) -> f32 {
        2.0 * (0.5 * self.field_mm / WORKING_MM).atan()
    }
}

/// How well it is drawn.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Resource)]
pub struct Quality {
    /// Side of the picture, px.
    pub side_px: u32,
    /// Smooth edges?
    pub is_smooth: bool,
    /// Fine structure of tissue?
    pub is_fine: bool,
}

impl Default for Quality {
    fn default() -> Self {
        Self { side_px: 1024, is_smooth: true, is_fine: true }
    }
}

/// What is looked at now.
#[derive(Clone, Default, Resource)]
pub struct Shown(pub Option<Arc<Painting>>);

/// The picture in the field.
#[derive(Clone, Resource)]
pub struct Field {
    /// The picture.
    pub image: Handle<Image>,
}

/// Parts of the scene that are moved or drawn anew.
#[derive(Component, Clone, Copy, Debug, PartialEq, Eq)]
enum Part {
    Needle,
    ChopperEnd,
    ChopperShaft,
    Iris,
    Capsule,
    Rim,
    Cornea,
    Sclera,
    Reflex,
    Oculus,
}

/// The material of each kind of surface.
#[derive(Default, Resource)]
struct Paints(Vec<(Kind, Handle<EyeMaterial>)>);

impl Paints {
    /// Of a kind; each kind has one.
    fn of(&self, kind: Kind) -> Handle<EyeMaterial> {
        self.0.iter().find(|(k, _)| *k == kind).map(|(_, handle)| handle.clone()).unwrap_or_default()
    }
}

/// The objective's camera.
#[derive(Component)]
pub struct Objective;

/// What the parts now there were made for.
#[derive(Default, Resource)]
struct Built {
    model: Option<Arc<Model>>,
    pupil_mm: f64,
    raised_mm: f64,
    end: Option<ChopperEnd>,
    side_px: u32,
}

/// The scene.
pub fn plugin(app: &mut App) {
    app.init_resource::<Microscope>()
        .init_resource::<Quality>()
        .init_resource::<Shown>()
        .init_resource::<Built>()
        .init_resource::<Paints>()
        .add_systems(Startup, set_up)
        .add_systems(PostUpdate, (fit_field, build, dress, pose, light).chain().before(TransformSystems::Propagate));
}

fn set_up(
    mut commands: Commands,
    mut images: ResMut<Assets<Image>>,
    mut materials: ResMut<Assets<EyeMaterial>>,
    mut paints: ResMut<Paints>,
    quality: Res<Quality>,
) {
    let paint = |kind: &Kind| (*kind, materials.add(EyeMaterial { scene: SceneUniform::default(), kind: *kind }));
    paints.0 = Kind::ALL.iter().map(paint).collect();
    let image = images.add(field_image(quality.side_px));
    commands.insert_resource(Field { image: image.clone() });
    commands.spawn((
        Objective,
        Camera3d::default(),
        Camera { order: -1, clear_color: ClearColorConfig::Custom(Color::BLACK), ..default() },
        RenderTarget::Image(image.into()),
        Hdr,
        Tonemapping::AcesFitted,
        DebandDither::Enabled,
        Projection::Perspective(PerspectiveProjection { near: 100.0, far: 260.0, ..default() }),
        if quality.is_smooth { Msaa::Sample4 } else { Msaa::Off },
    ));
}

fn field_image(side_px: u32) -> Image {
    Image::new_target_texture(side_px, side_px, TextureFormat::Rgba8UnormSrgb, None)
}

/// The picture as large as the quality asks for.
fn fit_field(
    quality: Res<Quality>,
    mut built: ResMut<Built>,
    field: Res<Field>,
    mut images: ResMut<Assets<Image>>,
    microscope: Res<Microscope>,
    mut objective: Single<(&mut Transform, &mut Projection, &mut Msaa), With<Objective>>,
) {
    if built.side_px != quality.side_px {
        built.side_px = quality.side_px;
        let _ = images.insert(&field.image, field_image(quality.side_px));
    }
    let (transform, projection, msaa) = &mut *objective;
    let wanted = if quality.is_smooth { Msaa::Sample4 } else { Msaa::Off };
    if **msaa != wanted {
        **msaa = wanted;
    }
    **transform = microscope.place();
    if let Projection::Perspective(lens) = &mut **projection {
        lens.fov = microscope.angle_rad();
        lens.aspect_ratio = 1.0;
    }
}

/// Parts that change rarely: made when the model, the pupil or the chopper's end changes.
fn build(
    mut commands: Commands,
    shown: Res<Shown>,
    mut built: ResMut<Built>,
    mut meshes: ResMut<Assets<Mesh>>,
    paints: Res<Paints>,
    parts: Query<(Entity, &Part)>,
) {
    let Some(painting) = &shown.0 else { return };
    let (model, state) = (&painting.model, &painting.state);
    let end = state.chopper.as_ref().map(|c| c.end).or(built.end);
    let is_new = built.model.as_ref().is_none_or(|m| !Arc::ptr_eq(m, model));
    let has_moved = (state.lens.raised_mm - built.raised_mm).abs() > 0.01;
    let is_other = (state.chamber.pupil_mm - built.pupil_mm).abs() > 0.02 || end != built.end || has_moved;
    if !is_new && !is_other {
        return;
    }
    *built = Built {
        model: Some(model.clone()),
        pupil_mm: state.chamber.pupil_mm,
        raised_mm: state.lens.raised_mm,
        end,
        side_px: built.side_px,
    };
    for (entity, part) in &parts {
        if is_new || matches!(part, Part::Iris | Part::ChopperEnd) {
            commands.entity(entity).despawn();
        }
    }
    let mut add = |part: Part, kind: Kind, surface: Surface| {
        let material = paints.of(kind);
        commands.spawn((
            part,
            Mesh3d(meshes.add(surface.mesh())),
            MeshMaterial3d(material),
            Transform::default(),
            NoFrustumCulling,
        ));
    };
    add(Part::Iris, Kind::Iris, iris_of(model, state));
    let half = 0.5 * model.chopper.width_mm as f32;
    let (tip, taper) = match end {
        Some(ChopperEnd::Blunt) => (half * 0.9, 0.3),
        _ => (half * 0.18, 0.9),
    };
    add(Part::ChopperEnd, Kind::Metal, surface::rod(tip, half, taper, model.chopper.end_mm as f32, 0.7));
    if !is_new {
        return;
    }
    let needle = &model.needle;
    let (outer, bore) = (needle.outer_radius_mm as f32, needle.bore_radius_mm as f32);
    add(Part::Needle, Kind::Metal, surface::needle(outer, bore, needle.bevel_rad as f32, SHAFT_MM));
    add(Part::Needle, Kind::Sleeve, surface::sleeve(outer, needle.exposed_mm as f32, SHAFT_MM));
    add(Part::ChopperShaft, Kind::Metal, surface::rod(half, 0.28, 1.5, SHAFT_MM, 1.0));
    add(Part::Reflex, Kind::Reflex, surface::square(16.0, -16.0));
    let limbus_mm = model.main_incision.place_mm.z as f32;
    add(Part::Sclera, Kind::Sclera, surface::sclera(limbus_mm));
    let apex_mm = (model.field.shape.front_mm + model.chamber_depth_mm) as f32 + 0.55;
    add(Part::Cornea, Kind::Cornea, surface::cornea(apex_mm));
    let (shape, rhexis_mm) = (&model.field.shape, model.rhexis_radius_mm);
    let height = shape.anterior_z_mm(rhexis_mm) as f32;
    // A rhexis is torn by hand: not quite a circle.
    let rim = surface::ring(0.035, |turn| {
        let angle = turn * std::f32::consts::TAU;
        let r = rhexis_mm as f32 * (1.0 + 0.012 * (3.0 * angle).sin() + 0.008 * (5.0 * angle + 1.0).cos());
        Vec3::new(r * angle.cos(), r * angle.sin(), height + 0.02)
    });
    add(Part::Rim, Kind::Rim, rim);
    add(Part::Oculus, Kind::Oculus, surface::square(0.5, 0.0));
    add(Part::Capsule, Kind::Capsule, surface::square(0.1, 0.0));
}

fn iris_of(model: &Model, state: &State) -> Surface {
    let radius_mm = 0.5 * state.chamber.pupil_mm;
    let height_mm = (model.field.shape.anterior_z_mm(radius_mm) + state.lens.raised_mm) as f32 + IRIS_OVER_LENS_MM;
    let root_mm = (model.main_incision.place_mm.z as f32 - 0.75).max(height_mm + 0.1);
    surface::iris(radius_mm as f32, height_mm, root_mm)
}

/// The entities that wear a surface: one takes light away, one scatters it.
struct Dressed {
    entities: [Entity; 2],
    worn: Arc<Worn>,
}

/// Lens bodies and capsule, when there is a new painting.
fn dress(
    mut commands: Commands,
    shown: Res<Shown>,
    mut meshes: ResMut<Assets<Mesh>>,
    paints: Res<Paints>,
    parts: Query<(Entity, &Part)>,
    mut capsule: Local<Option<(Entity, Arc<Worn>)>>,
    mut dressed: Local<Vec<Dressed>>,
) {
    let Some(painting) = &shown.0 else { return };
    for (entity, _) in parts.iter().filter(|(_, part)| **part == Part::Capsule) {
        let is_worn = capsule.as_ref().is_some_and(|(by, c)| *by == entity && Arc::ptr_eq(c, &painting.capsule));
        if !is_worn && let Some(mesh) = painting.capsule.take() {
            commands.entity(entity).insert(Mesh3d(meshes.add(mesh)));
            *capsule = Some((entity, painting.capsule.clone()));
        }
    }
    // Each surface is worn by entities of its own, in their order; what is left over goes.
    let kept = painting.skins.len().min(dressed.len());
    for entity in dressed.drain(kept..).flat_map(|surplus| surplus.entities) {
        commands.entity(entity).despawn();
    }
    for (i, worn) in painting.skins.iter().enumerate() {
        let now = dressed.get_mut(i);
        if now.as_ref().is_some_and(|now| Arc::ptr_eq(&now.worn, worn)) {
            continue;
        }
        let Some(mesh) = worn.take() else { continue };
        let mesh = meshes.add(mesh);
        let kinds = match worn.skin {
            Skin::Shell => [Kind::ShellAbsorbs, Kind::ShellScatters],
            Skin::Core => [Kind::CoreAbsorbs, Kind::CoreScatters],
        };
        let wear = |kind| (Mesh3d(mesh.clone()), MeshMaterial3d(paints.of(kind)));
        match now {
            Some(now) => {
                for (entity, kind) in now.entities.into_iter().zip(kinds) {
                    commands.entity(entity).insert(wear(kind));
                }
                now.worn = worn.clone();
            }
            None => {
                let entities =
                    kinds.map(|kind| commands.spawn((wear(kind), Transform::default(), NoFrustumCulling)).id());
                dressed.push(Dressed { entities, worn: worn.clone() });
            }
        }
    }
}

/// Instruments where the engine has them.
fn pose(
    shown: Res<Shown>,
    microscope: Res<Microscope>,
    mut parts: Query<(&Part, &mut Transform, &mut Visibility), With<Part>>,
) {
    let Some(painting) = &shown.0 else { return };
    let (model, state) = (&painting.model, &painting.state);
    let carried_mm = state.lens.carried_mm();
    for (part, mut transform, mut visibility) in &mut parts {
        let placed = match part {
            Part::Needle => needle_pose(model, state),
            Part::ChopperEnd => state.chopper.as_ref().map(|c| {
                let (point, bend) = (vec3(&c.blade.point_mm), vec3(&c.blade.bend_mm));
                along(point, point - bend)
            }),
            Part::ChopperShaft => state.chopper.as_ref().map(|c| {
                let (bend, port) = (vec3(&c.blade.bend_mm), vec3(&model.side_port.place_mm));
                along(bend, bend - port)
            }),
            Part::Rim => Some(Transform::from_translation(vec3(&carried_mm))),
            Part::Oculus => {
                let objective = microscope.place();
                // Before everything else, as wide as the field there.
                let before_mm = 110.0;
                let place = objective.translation + objective.forward() * before_mm;
                let wide_mm = 2.0 * before_mm * (0.5 * microscope.angle_rad()).tan();
                Some(Transform { translation: place, rotation: objective.rotation, scale: Vec3::splat(wide_mm) })
            }
            _ => Some(*transform),
        };
        visibility.set_if_neq(if placed.is_some() { Visibility::Inherited } else { Visibility::Hidden });
        if let Some(placed) = placed {
            transform.set_if_neq(placed);
        }
    }
}

/// The needle's frame: +x forward, +y where the port faces. `None` while it is out of the eye.
fn needle_pose(model: &Model, state: &State) -> Option<Transform> {
    let needle = state.needle.as_ref()?;
    let (up, _) = needle.tip.cross_axes();
    let (forward, up) = (vec3(&needle.tip.forward), vec3(&up));
    let rotation = Quat::from_mat3(&Mat3::from_cols(forward, up, forward.cross(up)));
    // The stroke of the tip, too fast to be seen as one: a blur of its ends.
    let stroke_mm = (model.vibration.stroke_mm * state.power) as f32;
    let beat = if state.tick.is_multiple_of(2) { 0.5 } else { -0.5 };
    Some(Transform { translation: vec3(&needle.tip.place_mm) + forward * (stroke_mm * beat), rotation, ..default() })
}

/// At a place, +x along a direction.
fn along(place: Vec3, direction: Vec3) -> Transform {
    let rotation = Quat::from_rotation_arc(Vec3::X, direction.normalize_or(Vec3::X));
    Transform { translation: place, rotation, ..default() }
}

/// As the renderer has places.
pub fn vec3(v: &Vector3<f64>) -> Vec3 {
    Vec3::new(v.x as f32, v.y as f32, v.z as f32)
}

/// Light, shadows and colours.
fn light(
    shown: Res<Shown>,
    microscope: Res<Microscope>,
    quality: Res<Quality>,
    mut materials: ResMut<Assets<EyeMaterial>>,
) {
    let Some(painting) = &shown.0 else { return };
    let scene = scene_of(painting, &microscope, &quality);
    let stale: Vec<_> = materials.iter().filter(|(_, m)| m.scene != scene).map(|(id, _)| id).collect();
    for id in stale {
        if let Some(mut material) = materials.get_mut(id) {
            material.scene = scene;
        }
    }
}

fn scene_of(painting: &Painting, microscope: &Microscope, quality: &Quality) -> SceneUniform {
    let (model, state) = (&painting.model, &painting.state);
    let shape = &model.field.shape;
    let (core, shell) = looks(painting.grade as f32);
    let look = |look: &Look| (look.absorbs, look.scatters.extend(look.opaque));
    let ((core_absorbs, core_scatters), (shell_absorbs, shell_scatters)) = (look(&core), look(&shell));
    let gel_ul = state.chamber.cohesive_ul + state.chamber.dispersive_ul;
    let mut scene = SceneUniform {
        light: LAMP.normalize().extend(1.15),
        lens: Vec4::new(
            shape.equator_mm as f32,
            shape.front_mm as f32,
            shape.back_mm as f32,
            state.lens.raised_mm as f32,
        ),
        pupil: Vec4::new(
            0.5 * state.chamber.pupil_mm as f32,
            shape.anterior_z_mm(0.5 * state.chamber.pupil_mm) as f32,
            model.rhexis_radius_mm as f32,
            microscope.focus_mm,
        ),
        // The glow is brightest where the view goes along the lamp's light.
        glow: Vec4::new(1.25, 0.30, 0.06, (1.0 - 1.4 * microscope.tilt_rad.length()).max(0.15)),
        shell_absorbs: shell_absorbs.extend((gel_ul / 200.0).min(1.0) as f32),
        core_absorbs: core_absorbs.extend(state.power as f32),
        shell_scatters,
        core_scatters,
        iris: Vec4::new(0.235, 0.165, 0.115, 1.0),
        detail: Vec4::new(
            if quality.is_fine { 1.0 } else { 0.0 },
            state.membrane.largest_rise_mm().0 as f32,
            state.time_s(model) as f32,
            0.0,
        ),
        ..default()
    };
    if let Some(needle) = &state.needle {
        let outer = model.needle.outer_radius_mm as f32;
        scene.needle_tip = vec3(&needle.tip.place_mm).extend(outer);
        scene.needle_back = vec3(&needle.tip.behind_mm(f64::from(SHAFT_MM))).extend(surface::sleeve_radius_mm(outer));
        scene.sleeve = vec3(&needle.tip.behind_mm(model.needle.exposed_mm)).extend(needle.buried_mm as f32);
    }
    if let Some(chopper) = &state.chopper {
        let (point, bend) = (vec3(&chopper.blade.point_mm), vec3(&chopper.blade.bend_mm));
        let outward = (vec3(&model.side_port.place_mm) - bend).normalize_or(Vec3::Z);
        scene.chopper_point = point.extend(0.5 * model.chopper.width_mm as f32);
        scene.chopper_bend = bend.extend(0.28);
        scene.chopper_back = (bend + outward * SHAFT_MM).extend(0.0);
    }
    scene
}
