//! The shipped cases: names and files, which are part of the program.

macro_rules! shipped {
    ($($name:literal)*) => {
        &[$(($name, include_str!(concat!("../../scenarios/", $name, ".ron"))),)*]
    };
}

/// Name and text of each, from what teaches the movement to what punishes a wrong guess.
pub const SHIPPED: &[(&str, &str)] = shipped![
    "medium-uniform"
    "soft-nucleus"
    "long-eye-dense-core"
    "off-centre-core"
    "dense-large"
    "poor-hydrodissection"
    "leathery-plate"
    "weak-zonules"
    "misleading-slit-lamp"
    "last-piece-lax-capsule"
];
