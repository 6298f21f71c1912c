//! Hands and foot at the window: devices become controls, controls move the hands, the hands give `Inputs`.
//!
//! `devices` reads keyboard, mouse, gamepad and pedal through the names that `bindings` gives them; `foot` makes positions
//! of a pedal's travel; `freehand` moves needle and chopper as fast and as hard as hands do. Only `devices` knows the window;
//! the rest is plain and is tested tick by tick.

pub mod bindings;
pub mod devices;
pub mod foot;
pub mod freehand;
pub mod keys;

pub use bindings::{Action, Bindings};
pub use devices::{Asked, Device, Engaged, ViewPlane, plugin};
pub use foot::PedalCalibration;
pub use freehand::{Controls, Freehand};
