//! Corecleft: nucleus chop and fragment management, simulated and taught.
pub mod case;
pub mod plan;
pub mod sim;
pub mod units;
