//! Statistics that more than one room needs: how often something is so and how sure that is, how well a score tells two groups
//! apart, how well it repeats itself, how hard a case is, what a result says about both a learner and a case, how a learner's results
//! go on, whether competence has been shown and is kept, and who stands out.
//!
//! Pure functions of numbers; nothing here knows of eyes. Each names its published source, and its tests hold it against a
//! published worked example or against a reference library that is named. No file, clock, thread or random number.

pub mod auc;
pub mod cusum;
#[cfg(test)]
mod draws;
pub mod elo;
pub mod ewma;
pub mod funnel;
pub mod icc;
pub mod lc_cusum;
pub mod learning;
pub mod rasch;
pub mod rate;
pub mod refusal;
mod walk;
mod words;
