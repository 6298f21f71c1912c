//! Case files: from RON to a checked `CaseSpec`, and from there to the immutable model the engine steps.
pub mod compile;
pub mod fault;
pub(crate) mod fields;
pub mod kind;
pub mod read;
mod shipped;
pub mod spec;
pub use compile::{Compiled, Resolution, STIFFNESS_RATIO, WEIGHT_TOLERANCE, compile};
pub use fault::{Fault, Problem, Spans};
pub use kind::Kind;
pub use read::{ReadCase, parse_case, parse_case_bytes, read_case};
pub use shipped::SHIPPED;
pub use spec::*;
