//! What the record says of learning: by trainee and measure a curve with its interval, charts of failures and of competence, and what
//! trainees say together. Rows are asked for in one file (`rows`); all else is pure.
//!
//! What counts, unless asked otherwise: first attempts on unseen eyes, handed in for assessment, with one device at a time. Which measures
//! there are and what is a failure of each stands in `measure`; how hard cases are, in `difficulty`; what a single trainee's attempts
//! say, in `course`; several trainees', in `cohort`. The methods are `crate::statistics`'. No score decides anything by itself.

pub mod cohort;
pub mod course;
pub mod difficulty;
pub mod measure;
pub mod rows;
pub mod words;

pub use cohort::Cohort;
pub use course::{Course, Designs, Stated};
pub use measure::Measure;
pub use rows::{Counted, Depth, Done, Found, Outcomes, Purposes, Wanted};
