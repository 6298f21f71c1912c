//! What is seen of the eye: surfaces made of the engine's cells, how they look under the microscope, and the section through
//! the shaft.

pub mod appearance;
pub mod material;
pub mod mesh;
pub mod painter;
pub mod palette;
pub mod scene;
pub mod section;
pub mod surface;
