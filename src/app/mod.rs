//! The window, and pictures without one. It only looks at the engine's state and sends commands back.
//!
//! `practice` is what the window is about, as plain data and logic, with the `whatif` of a debrief, the `daily` eye and the
//! `review` of the record; `pages` show it through `panels`, `hands` make inputs of
//! devices, `view` draws the eye, and `stage` brings them together, in the `window` or for a `picture`.

pub mod clerk;
pub mod daily;
pub mod eye;
pub mod film;
pub mod hands;
pub mod library;
pub mod monitor;
pub mod operation;
pub mod pages;
pub mod panels;
pub mod picture;
pub mod practice;
pub mod review;
pub mod settings;
pub mod stage;
pub mod view;
pub mod whatif;
pub mod window;
pub mod words;

pub use window::window;

/// Why nothing can be shown, and what would be right.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{what}; allowed: {allowed}")]
pub struct Unable {
    /// What is wrong.
    pub what: String,
    /// What would be right.
    pub allowed: String,
}
