//! What is seen of the eye: surfaces made of the engine's cells, and the section through the shaft. Plain data; drawing it is
//! another file's.

pub mod mesh;
pub mod palette;
pub mod section;
