//! Plans: manoeuvres in the trade's words, turned into `Inputs` tick by tick.
pub mod again;
mod aim;
mod eat;
pub mod hands;
mod manoeuvre;
pub mod map;
pub mod read;
pub mod recall;
pub mod run;
pub mod scatter;
pub mod spec;

pub use hands::{Foot, Hands};
pub use read::{parse_plan, parse_plan_bytes, read_plan};
pub use run::Performer;
pub use scatter::Scatter;
pub use spec::*;
