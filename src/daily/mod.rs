//! One eye a day, and which eye next.
//!
//! `ratings` how well a learner foretells each kind of eye; `next` the shipped case that is worth most now, from saved attempts;
//! `date` days of the calendar; `eye` the unseen eye of a day; `trial` one prediction, one chop, and what came of it and of its
//! neighbours; `journal` the private record of all days, and the line of error; `day` how a day goes. mm, degrees; errors 0..1.
//!
//! Invariants: an eye is a pure function of day, learner and the kinds most misjudged; nothing in it is scripted, stopping is right
//! where no chop works and nowhere else. Nothing here looks at a clock: who asks says which day it is.

pub mod date;
pub mod day;
pub mod eye;
pub mod journal;
pub mod next;
pub mod ratings;
pub mod trial;

pub use date::Date;
pub use day::Day;
pub use eye::Eye;
pub use journal::Journal;
pub use next::{Next, Past};
pub use ratings::Ratings;
pub use trial::Trial;
