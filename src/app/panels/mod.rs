//! The pages of the window. Each is a function of what it is to show.

pub mod section;
