//! How surfaces of the eye are drawn: one material, whose kind says in which order and how it mixes with what is behind it.
//!
//! Everything is drawn in one pass in the order of [`Kind`], whatever its distance; `assets/shaders/eye.wgsl` says why that
//! gives the right picture. Units: mm in the eye's frame. Limits: no refraction, no image of the lamp in the lens.

use bevy::asset::uuid_handle;
use bevy::mesh::MeshVertexBufferLayoutRef;
use bevy::pbr::{Material, MaterialPipeline, MaterialPipelineKey, MaterialPlugin};
use bevy::prelude::*;
use bevy::render::render_resource::{
    AsBindGroup, BlendComponent, BlendFactor, BlendOperation, BlendState, CompareFunction, Face,
    RenderPipelineDescriptor, ShaderType, SpecializedMeshPipelineError,
};
use bevy::shader::{Shader, ShaderRef};

/// The shader.
const SHADER: Handle<Shader> = uuid_handle!("5b2c1d1e-6c0a-4b57-9c51-1f0f6f7b9a30");

/// Distance in drawing order between two kinds, mm: more than any distance in the picture.
const APART_MM: f32 = 10_000.0;

/// Kinds of surface, in the order in which they are drawn.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[repr(u8)]
pub enum Kind {
    /// The fundus, lit through the pupil.
    Reflex,
    /// Shell of a lens body, as it takes light away.
    ShellAbsorbs,
    /// Core of a lens body, as it takes light away.
    CoreAbsorbs,
    /// The posterior capsule, as it glints.
    Capsule,
    /// The white of the eye.
    Sclera,
    /// The iris.
    Iris,
    /// Needle and chopper.
    Metal,
    /// The sleeve of the needle.
    Sleeve,
    /// Core of a lens body, as it scatters light.
    CoreScatters,
    /// Shell of a lens body, as it scatters light.
    ShellScatters,
    /// The edge of the rhexis.
    Rim,
    /// The cornea's highlights.
    Cornea,
    /// The edge of the round field.
    Oculus,
}

impl Kind {
    /// All of them.
    pub const ALL: [Self; 13] = [
        Self::Reflex,
        Self::ShellAbsorbs,
        Self::CoreAbsorbs,
        Self::Capsule,
        Self::Sclera,
        Self::Iris,
        Self::Metal,
        Self::Sleeve,
        Self::CoreScatters,
        Self::ShellScatters,
        Self::Rim,
        Self::Cornea,
        Self::Oculus,
    ];

    /// Is it seen from its front only?
    fn is_one_sided(self) -> bool {
        matches!(self, Self::CoreScatters | Self::ShellScatters)
    }

    /// What it is called in the shader.
    fn definitions(self) -> &'static [&'static str] {
        match self {
            Self::Reflex => &["REFLEX"],
            Self::ShellAbsorbs => &["ABSORBS"],
            Self::CoreAbsorbs => &["ABSORBS", "CORE"],
            Self::Capsule => &["CAPSULE"],
            Self::Sclera => &["SCLERA"],
            Self::Iris => &["IRIS"],
            Self::Metal => &["METAL"],
            Self::Sleeve => &["SLEEVE"],
            Self::CoreScatters => &["SCATTERS", "CORE"],
            Self::ShellScatters => &["SCATTERS"],
            Self::Rim => &["RIM"],
            Self::Cornea => &["CORNEA"],
            Self::Oculus => &["OCULUS"],
        }
    }

    /// Does it hide what lies behind it?
    fn hides(self) -> bool {
        matches!(self, Self::Sclera | Self::Iris | Self::Metal | Self::Sleeve)
    }

    /// Is it hidden by what lies before it?
    fn is_hidden(self) -> bool {
        !matches!(self, Self::Reflex | Self::ShellAbsorbs | Self::CoreAbsorbs | Self::Cornea | Self::Oculus)
    }

    /// How it mixes with what is behind it.
    fn blend(self) -> Option<BlendState> {
        let both = |component: BlendComponent| Some(BlendState { color: component, alpha: BlendComponent::OVER });
        let mix = |src_factor, dst_factor| BlendComponent { src_factor, dst_factor, operation: BlendOperation::Add };
        match self {
            Self::Reflex | Self::Sclera | Self::Iris => None,
            Self::ShellAbsorbs | Self::CoreAbsorbs => both(mix(BlendFactor::Dst, BlendFactor::Zero)),
            Self::Capsule | Self::Cornea => both(mix(BlendFactor::One, BlendFactor::One)),
            _ => Some(BlendState::ALPHA_BLENDING),
        }
    }
}

/// What every surface has to know of the scene; `eye.wgsl` says what each number is.
#[derive(Clone, Copy, Debug, Default, PartialEq, ShaderType)]
pub struct SceneUniform {
    /// Direction to the lamp; its brightness.
    pub light: Vec4,
    /// Tip of the needle, mm; its radius, 0 where there is none.
    pub needle_tip: Vec4,
    /// Where the needle is drawn to, mm; radius of the sleeve.
    pub needle_back: Vec4,
    /// Where the sleeve ends, mm; the buried length.
    pub sleeve: Vec4,
    /// The chopper's point, mm; half its width.
    pub chopper_point: Vec4,
    /// The chopper's bend, mm; radius of its shaft, 0 where there is none.
    pub chopper_bend: Vec4,
    /// Where the chopper is drawn to, mm.
    pub chopper_back: Vec4,
    /// Radius, front and back of the lens, mm; how far it is raised.
    pub lens: Vec4,
    /// Radius and height of the pupil, radius of the rhexis, height in focus, mm.
    pub pupil: Vec4,
    /// Colour of the red reflex; how much of it is seen.
    pub glow: Vec4,
    /// Absorption of the shell, 1/mm; share of viscoelastic.
    pub shell_absorbs: Vec4,
    /// Absorption of the core, 1/mm; power fraction.
    pub core_absorbs: Vec4,
    /// Colour of the shell; how opaque it is.
    pub shell_scatters: Vec4,
    /// Colour of the core; how opaque it is.
    pub core_scatters: Vec4,
    /// Colour of the iris.
    pub iris: Vec4,
    /// Fine structure, 0 or 1; largest rise of the capsule, mm; time, s.
    pub detail: Vec4,
}

/// A surface of the eye.
#[derive(Asset, AsBindGroup, Clone, Debug, TypePath)]
#[bind_group_data(Kind)]
pub struct EyeMaterial {
    /// The scene.
    #[uniform(0)]
    pub scene: SceneUniform,
    /// What it is.
    pub kind: Kind,
}

impl From<&EyeMaterial> for Kind {
    fn from(material: &EyeMaterial) -> Self {
        material.kind
    }
}

impl Material for EyeMaterial {
    fn fragment_shader() -> ShaderRef {
        SHADER.into()
    }

    fn alpha_mode(&self) -> AlphaMode {
        AlphaMode::Blend
    }

    fn depth_bias(&self) -> f32 {
        APART_MM * f32::from(self.kind as u8)
    }

    fn enable_prepass() -> bool {
        false
    }

    fn enable_shadows() -> bool {
        false
    }

    fn specialize(
        _: &MaterialPipeline,
        descriptor: &mut RenderPipelineDescriptor,
        _: &MeshVertexBufferLayoutRef,
        key: MaterialPipelineKey<Self>,
    ) -> Result<(), SpecializedMeshPipelineError> {
        let kind = key.bind_group_data;
        descriptor.primitive.cull_mode = kind.is_one_sided().then_some(Face::Back);
        if let Some(fragment) = &mut descriptor.fragment {
            fragment.shader_defs.extend(kind.definitions().iter().map(|d| (*d).into()));
            for target in fragment.targets.iter_mut().flatten() {
                target.blend = kind.blend();
            }
        }
        if let Some(depth) = &mut descriptor.depth_stencil {
            depth.depth_write_enabled = Some(kind.hides());
            depth.depth_compare =
                Some(if kind.is_hidden() { CompareFunction::GreaterEqual } else { CompareFunction::Always });
        }
        Ok(())
    }
}

/// Materials of the eye.
pub fn plugin(app: &mut App) {
    app.add_plugins(MaterialPlugin::<EyeMaterial>::default());
    let shader = Shader::from_wgsl(include_str!("../../../assets/shaders/eye.wgsl"), "shaders/eye.wgsl");
    let mut shaders = app.world_mut().resource_mut::<Assets<Shader>>();
    // A handle of a fixed name always has its place.
    let _ = shaders.insert(&SHADER, shader);
}
