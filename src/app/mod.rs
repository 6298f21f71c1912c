//! The window: produces `Inputs`, reads `State`.
pub mod panels;
pub mod settings;
