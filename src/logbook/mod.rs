//! The program's record: what was handed in, what supervisors said of it, and how anybody can see that nothing was changed since.
//!
//! A store is a chain of entries (`chain`) with their bodies (`entry`) in one of two databases (`database`, the only files of the crate
//! that know one lie in this room), in tables of which only the first two count (`schema`) and the rest follows (`derived`, `rebuild`). `store`
//! opens one and adds to it; `gather` brings a station's own into another; `listing` reads it; `proof` finds what was tampered with; `erasure` deletes what must go and leaves the
//! chain whole; `rescore` judges again under other goals; `roles` says who may do what on a shared server. People are pseudonyms
//! (`pseudonym`); who they are lies in a file of its own (`names`). Stations sign with keys (`key`). `analysis`
//! says what the record shows of learning, `report` puts it into a document.
//!
//! Only what is handed in enters. Practice stays with whoever practised.

pub mod analysis;
pub mod chain;
pub mod database;
pub mod demo;
pub mod derived;
pub mod entry;
pub mod erasure;
pub mod export;
pub mod gather;
pub mod invented;
pub mod key;
pub mod listing;
pub mod moment;
pub mod names;
pub mod proof;
pub mod pseudonym;
mod rebuild;
pub mod report;
pub mod rescore;
pub mod roles;
pub mod schema;
mod server;
mod store;
pub mod submission;
pub mod usual;

pub use key::StationKey;
pub use pseudonym::Pseudonym;
pub use store::{Author, Head, Logbook, LogbookError, Opening};
pub use submission::{Outcome, Submission};
