//! From a state to what is drawn: surfaces of the lens's bodies and of the capsule, and the section through the needle.
//!
//! Painting takes longer than a frame may, so in the window a thread of its own does it (`Studio`): it always paints the
//! latest state it was given, and states that came in between are not painted. Pictures paint in place (`Painter::paint`).
//! Places are mm in the eye's frame.

use crate::app::view::mesh::{BodyMesh, SurfaceKey, core_surface, lens_surface, place};
use crate::app::view::section::{Options, Section};
use crate::app::view::surface::Surface;
use crate::sim::{Model, State};
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
}

/// Which part of a body a surface bounds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Skin {
    /// All of it.
    Shell,
    /// Its dense core.
    Core,
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
    pub skins: Vec<(Skin, Surface)>,
    /// The posterior capsule.
    pub capsule: Surface,
    /// The section, where it was asked for.
    pub section: Option<Section>,
}

/// Paints, and keeps what does not change from one painting to the next.
#[derive(Default)]
pub struct Painter {
    skins: Option<Skins>,
}

/// Surfaces of the bodies at rest, and what they were made of.
struct Skins {
    model: Arc<Model>,
    key: SurfaceKey,
    bodies: Vec<(Skin, BodyMesh)>,
}

impl Painter {
    /// Paint a state.
    pub fn paint(&mut self, order: Order) -> Painting {
        let Order { model, state, grade, section } = order;
        let skins = self.dress(&model, &state);
        let capsule = capsule(&model, &state);
        let section = section.map(|options| Section::cut(&model, &state, &options));
        Painting { model, state, grade, skins, capsule, section }
    }

    /// The bodies' surfaces where they are now; made anew only where cells, cracks or holes have changed.
    fn dress(&mut self, model: &Arc<Model>, state: &State) -> Vec<(Skin, Surface)> {
        let key = SurfaceKey::of_state(state);
        if self.skins.as_ref().is_none_or(|worn| !Arc::ptr_eq(&worn.model, model) || worn.key != key) {
            let shells =
                lens_surface(model, &state.lens, state.opening.as_deref()).into_iter().map(|b| (Skin::Shell, b));
            let cores = core_surface(model, &state.lens, state.opening.as_deref()).into_iter().map(|b| (Skin::Core, b));
            self.skins = Some(Skins { model: model.clone(), key, bodies: shells.chain(cores).collect() });
        }
        let bodies = self.skins.iter().flat_map(|worn| &worn.bodies);
        bodies.map(|(skin, body)| (*skin, placed(*skin, body, state))).collect()
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
