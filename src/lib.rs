//! Corecleft: nucleus chop and fragment management in cataract surgery, simulated and taught.
//!
//! For education only; not a medical device, not for planning or use in care.
//!
//! Data flows one way and never back:
//!
//! ```text
//! NAME.ron ──────────▶ CaseSpec ──▶ Model  ┐
//! NAME.plan.ron ─▶ PlanSpec ─▶ Performer ─▶ Inputs ┴▶ sim::step ──▶ State, Events ──▶ Debrief
//!                                                └──▶ Attempt ─▶ replay
//! ```
//!
//! The rooms, from the ground up; each may name only those above it in this list:
//!
//! | room | holds |
//! |---|---|
//! | [`units`] | constants, conversions at the edges |
//! | [`sim`] | the deterministic engine: `Model`, `State`, `Inputs`, `step`. No clock, file, thread or hash map |
//! | [`case`] | case files: `CaseSpec`, every fault at once with its place, `compile` to a `Model` |
//! | [`attempt`] | the recorded attempt: inputs, claims, file, replay |
//! | [`plan`] | manoeuvres in the trade's words, performed as `Inputs` |
//! | [`trainee`] | simulated trainees: what they see, believe and decide |
//! | [`statistics`] | areas, correlations, difficulties, ratings, learning curves, charts |
//! | [`debrief`] | what happened and why: components, causes, text and JSON |
//! | [`daily`] | one eye a day, and which eye next: ratings, the day's eye, its trial, the private line of error |
//! | [`calibrate`] | how hard a case is, and whether its scores follow skill, by simulated trainees |
//! | [`cli`] | the commands. The trade's units on its outside, the engine's on its inside |
//! | `logbook` | the program's record: a chain of entries in a file or on a server (feature `logbook`) |
//! | `app` | the window, and pictures without one (feature `app`) |
//!
//! A whole attempt in a few lines:
//!
//! ```
//! use corecleft::case::{Resolution, compile, parse_case};
//! use corecleft::plan::{Performer, parse_plan};
//! use corecleft::sim::{State, step};
//!
//! let case = parse_case("medium-uniform.ron", include_str!("../scenarios/medium-uniform.ron"));
//! let plan = parse_plan("good.plan.ron", include_str!("../scenarios/medium-uniform.good.plan.ron"));
//! let (Ok(case), Ok((plan, _))) = (case, plan) else { panic!("the shipped files are sound") };
//! let Ok(compiled) = compile(&case.spec, 1, Resolution::default()) else { panic!("the shipped case compiles") };
//! let mut state = State::new(&compiled.model);
//! let mut performer = Performer::new(&compiled.model, &plan);
//! while let Some(inputs) = performer.next(&compiled.model, &state) {
//!     step(&compiled.model, &mut state, &inputs);
//! }
//! assert!(!state.is_breached);
//! ```

#[cfg(feature = "app")]
pub mod app;
pub mod attempt;
pub mod calibrate;
pub mod case;
pub mod cli;
pub mod daily;
pub mod debrief;
#[cfg(feature = "logbook")]
pub mod logbook;
pub mod plan;
pub mod sim;
pub mod statistics;
pub mod trainee;
pub mod units;
