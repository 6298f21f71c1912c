//! From a state to what is drawn: surfaces of the lens's bodies and of the capsule, and the section through the needle.
//!
//! Painting takes longer than a frame may, so in the window a thread of its own does it (`Studio`): it always paints the
//! latest state it was given, and states that came in between are not painted. Pictures paint in place (`Painter::paint`).
//! Places are mm in the eye's frame.

use crate::app::view::mesh::{BodyMesh, SurfaceKey, core_surface, lens_surface, place, side_poses};
use crate::app::view::section::{Options, Section};
use crate::app::view::surface::Surface;
use crate::sim::pose::Pose;
use crate::sim::{Model, State};
use bevy::mesh::Mesh;
use bevy::prelude::Resource;
use std::sync::mpsc::{Receiver, Sender, channel};
use std::sync::{Arc, Mutex};

/// Rings and sectors of the capsule's surface.
const CAPSULE_GRID: (u32, u32) = (20, 64);

/// What is to be painted.
#[derive(Clone)]
pub struct Order {
    /// The model.
    pub model: Arc<Model>,
    /// The state.
    pub state: Arc<State>,
    /// Grade by which the lens looks.
    pub grade: f64,
    /// The section, where it is asked for.
    pub section: Option<Options>,
    /// Another state of the same model of which a section is to be laid beside that.
    pub beside: Option<Arc<State>>,
}

/// Which part of a body a surface bounds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Skin {
    /// All of it.
    Shell,
    /// Its dense core.
    Core,
}

/// A surface to be worn: the scene takes it once, and while the next painting has the same, nothing is to be done.
pub struct Worn {
    /// Which part of a body.
    pub skin: Skin,
    mesh: Mutex<Option<Mesh>>,
}

impl Worn {
    fn new(skin: Skin, surface: Surface) -> Arc<Self> {
        Arc::new(Self { skin, mesh: Mutex::new(Some(surface.mesh())) })
    }

    /// The surface as the renderer takes it, the first time.
    pub fn take(&self) -> Option<Mesh> {
        self.mesh.lock().ok()?.take()
    }
}

/// What is drawn of a state.
pub struct Painting {
    /// The model.
    pub model: Arc<Model>,
    /// The state.
    pub state: Arc<State>,
    /// Grade by which the lens looks.
    pub grade: f64,
    /// Surfaces of the bodies.
    pub skins: Vec<Arc<Worn>>,
    /// The posterior capsule.
    pub capsule: Arc<Worn>,
    /// The section, where it was asked for.
    pub section: Option<Section>,
    /// That of the other state.
    pub beside: Option<Section>,
}

/// Paints, and keeps what does not change from one painting to the next.
#[derive(Default)]
pub struct Painter {
    skins: Option<Skins>,
    capsule: Option<(Vec<[f32; 3]>, Arc<Worn>)>,
}

/// Surfaces of the bodies at rest, what they were made of, and where they were worn last.
struct Skins {
    model: Arc<Model>,
    key: SurfaceKey,
    bodies: Vec<(Skin, BodyMesh)>,
    worn: Vec<([Pose; 2], Arc<Worn>)>,
}

/// Motion below which a surface stays where it is drawn, mm: a tenth of a pixel.
const STILL_MM: f64 = 1.5e-3;

/// Radius of what turns with a body, mm.
const REACH_MM: f64 = 5.0;

/// Has a body hardly moved?
fn is_still(before: &Pose, now: &Pose) -> bool {
    let way_mm = (before.place_mm - now.place_mm).norm();
    // Unit quaternions that differ by little differ by half the angle between them.
    let off: f64 = before.turn.iter().zip(now.turn).map(|(a, b)| (a - b) * (a - b)).sum();
    way_mm + REACH_MM * 2.0 * off.sqrt() < STILL_MM
}

impl Painter {
    /// Paint a state.
    pub fn paint(&mut self, order: Order) -> Painting {
        let Order { model, state, grade, section, beside } = order;
        let skins = self.dress(&model, &state);
        let capsule = self.cover(&model, &state);
        let cut = |state: &State| section.as_ref().map(|options| Section::cut(&model, state, options));
        let beside = beside.and_then(|state| cut(&state));
        let section = cut(&state);
        Painting { model, state, grade, skins, capsule, section, beside }
    }

    /// The bodies' surfaces where they are now; made anew only where cells, cracks or holes have changed.
    fn dress(&mut self, model: &Arc<Model>, state: &State) -> Vec<Arc<Worn>> {
        let key = SurfaceKey::of_state(state);
        let kept = self.skins.take().filter(|skins| Arc::ptr_eq(&skins.model, model) && skins.key == key);
        let mut skins = kept.unwrap_or_else(|| {
            let opening = state.opening.as_deref();
            let shells = lens_surface(model, &state.lens, opening).into_iter().map(|body| (Skin::Shell, body));
            let cores = core_surface(model, &state.lens, opening).into_iter().map(|body| (Skin::Core, body));
            Skins { model: model.clone(), key, bodies: shells.chain(cores).collect(), worn: Vec::new() }
        });
        for (i, (skin, body)) in skins.bodies.iter().enumerate() {
            let poses = side_poses(state, body.body);
            match skins.worn.get_mut(i) {
                Some((before, _)) if before.iter().zip(&poses).all(|(a, b)| is_still(a, b)) => {}
                Some(worn) => *worn = (poses, Worn::new(*skin, placed(*skin, body, state))),
                None => skins.worn.push((poses, Worn::new(*skin, placed(*skin, body, state)))),
            }
        }
        let worn = skins.worn.iter().map(|(_, worn)| worn.clone()).collect();
        self.skins = Some(skins);
        worn
    }

    /// The capsule's surface where it is now.
    fn cover(&mut self, model: &Model, state: &State) -> Arc<Worn> {
        let surface = capsule(model, state);
        if let Some((before, worn)) = &self.capsule {
            let off = before.iter().zip(&surface.places).map(|(a, b)| (a[2] - b[2]).abs().max((a[0] - b[0]).abs()));
            if off.fold(0.0, f32::max) < STILL_MM as f32 {
                return worn.clone();
            }
        }
        let places = surface.places.clone();
        let worn = Worn::new(Skin::Shell, surface);
        self.capsule = Some((places, worn.clone()));
        worn
    }
}

/// A body's surface where it is; of the colours the first three channels are where it rests in the lens, mm, the fourth its
/// share of core.
fn placed(skin: Skin, body: &BodyMesh, state: &State) -> Surface {
    let at = place(body, state);
    let share = |is: bool| if is { 1.0 } else { 0.0 };
    Surface {
        places: at.positions,
        normals: at.normals,
        uvs: body.vertices.iter().map(|v| [share(v.is_crack_wall()), share(v.is_outer())]).collect(),
        colours: body.vertices.iter().map(|v| [v.rest_mm[0], v.rest_mm[1], v.rest_mm[2], v.core_weight]).collect(),
        // The walls of a core lie in the walls of its shell, which show them.
        indices: match skin {
            Skin::Shell => body.triangles.concat(),
            Skin::Core => body.triangles[..body.walls_from.min(body.triangles.len())].concat(),
        },
    }
}

/// The posterior capsule as it stands; of the colour the first channel is its rise, mm.
fn capsule(model: &Model, state: &State) -> Surface {
    let (rings, sectors) = CAPSULE_GRID;
    let carried_mm = state.lens.carried_mm();
    let rim_mm = model.membrane.rim_mm() * 0.995;
    let mut surface = Surface::default();
    for ring in 0..rings {
        for sector in 0..sectors {
            let angle = f64::from(sector) / f64::from(sectors) * std::f64::consts::TAU;
            let radius_mm = rim_mm * f64::from(ring) / f64::from(rings - 1);
            let (x_mm, y_mm) = (radius_mm * angle.cos(), radius_mm * angle.sin());
            let z_mm = state.membrane.posterior_z_mm(&model.membrane, x_mm, y_mm);
            let normal = state.membrane.normal(&model.membrane, x_mm, y_mm);
            let rise_mm = state.membrane.rise_at_mm(&model.membrane, x_mm, y_mm);
            let place = nalgebra::Vector3::new(x_mm, y_mm, z_mm) + carried_mm;
            surface.places.push([place.x as f32, place.y as f32, place.z as f32]);
            surface.normals.push([normal.x as f32, normal.y as f32, normal.z as f32]);
            surface.uvs.push([ring as f32 / (rings - 1) as f32, sector as f32 / sectors as f32]);
            surface.colours.push([rise_mm as f32, 0.0, 0.0, 0.0]);
        }
    }
    for ring in 1..rings {
        for sector in 0..sectors {
            let next = (sector + 1) % sectors;
            let [a, b] = [(ring - 1) * sectors + sector, (ring - 1) * sectors + next];
            let [c, d] = [a + sectors, b + sectors];
            surface.indices.extend([a, b, c, b, d, c]);
        }
    }
    surface
}

/// A painter on a thread of its own.
#[derive(Resource)]
pub struct Studio {
    orders: Sender<Order>,
    paintings: Mutex<Receiver<Painting>>,
}

impl Studio {
    /// Open it.
    ///
    /// # Errors
    /// When no thread can be had.
    pub fn open() -> std::io::Result<Self> {
        let (orders, asked) = channel::<Order>();
        let (done, paintings) = channel();
        std::thread::Builder::new().name("painter".into()).spawn(move || {
            let mut painter = Painter::default();
            while let Ok(mut order) = asked.recv() {
                // Only the latest counts.
                while let Ok(later) = asked.try_recv() {
                    order = later;
                }
                if done.send(painter.paint(order)).is_err() {
                    break;
                }
            }
        })?;
        Ok(Self { orders, paintings: Mutex::new(paintings) })
    }

    /// Ask for a painting. A studio whose thread has gone paints nothing more.
    pub fn order(&self, order: Order) {
        let _ = self.orders.send(order);
    }

    /// The latest painting that is ready, if there is a new one.
    pub fn latest(&self) -> Option<Painting> {
        self.paintings.lock().ok()?.try_iter().last()
    }
}
