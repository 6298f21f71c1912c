//! The window. An empty shell for now: it will only look at the engine's state and send commands back.

pub mod panels;
pub mod view;
