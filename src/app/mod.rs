//! The window. It only looks at the engine's state and sends commands back.

pub mod hands;
pub mod panels;
pub mod settings;
pub mod view;
