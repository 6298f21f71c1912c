//! The window. It only looks at the engine's state and sends commands back.

pub mod clerk;
pub mod film;
pub mod hands;
pub mod library;
pub mod monitor;
pub mod operation;
pub mod pages;
pub mod panels;
pub mod session;
pub mod settings;
pub mod view;
