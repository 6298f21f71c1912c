//! Parse, dispatch, print the error.
fn main() {}
