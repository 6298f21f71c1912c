//! `logbook demo`: a store of people who were made up, to be looked at before there are real entries.

use super::{StoreArguments, counted};
use crate::cli::{CliError, print, progress};
use crate::debrief::text::{NOTICE, push};
use crate::logbook::demo::{DemoError, Design, Told};
use crate::logbook::usual;
use clap::Args;
use std::process::ExitCode;
use std::time::Instant;

/// Name of the store's file, where none is named.
const FILE: &str = "corecleft-demo.logbook";

/// Arguments of `logbook demo`.
#[derive(Args, Debug)]
pub struct DemoArguments {
    /// The new store: a file, or an empty database as postgres://USER@HOST/DATABASE. Else corecleft-demo.logbook in the user's data folder
    #[arg(long, value_name = "FILE|URL")]
    store: Option<String>,
    /// Trainees
    #[arg(long, value_name = "N", default_value_t = 12, value_parser = clap::value_parser!(u32).range(1..=200))]
    trainees: u32,
    /// Months, with some 40 attempts of each trainee in twelve of them
    #[arg(long, value_name = "N", default_value_t = 12, value_parser = clap::value_parser!(u32).range(1..=60))]
    months: u32,
    /// Another seed is another cohort
    #[arg(long, value_name = "N", default_value_t = 1)]
    seed: u64,
    /// Threads to work with (1–256) [default: as many as there are processors]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=256))]
    threads: Option<u16>,
}

/// `logbook demo`.
pub(super) fn run(arguments: &DemoArguments) -> Result<ExitCode, CliError> {
    let DemoArguments { store, trainees, months, seed, threads } = arguments;
    // Never the store of real entries, unless it is named.
    let named = store.clone().unwrap_or_else(|| {
        let path = usual::file(FILE);
        // That it cannot be made shows when the store is opened.
        let _ = path.parent().map(std::fs::create_dir_all);
        path.display().to_string()
    });
    let mut open = StoreArguments { store: Some(named), wait: 30 }.open_or_make()?;
    let design = Design { trainees: *trainees, months: *months, seed: *seed };
    let threads =
        threads.map_or_else(|| std::thread::available_parallelism().map_or(1, std::num::NonZero::get), usize::from);
    let begun = Instant::now();
    let bar = progress("attempts", Some(design.planned().len() as u64));
    let done = open.book.demo(&design, threads, || bar.inc(1));
    bar.finish_and_clear();
    let told = done.map_err(|error| match error {
        DemoError::Logbook(error) => open.refused(error),
        DemoError::Threads(error) => CliError::Threads(error),
        error => CliError::Attempt { file: open.name.clone(), why: error.to_string() },
    })?;
    print(&page(&design, &told, &open.name, begun.elapsed().as_secs_f64()))?;
    Ok(ExitCode::SUCCESS)
}

fn page(design: &Design, told: &Told, store: &str, wall_s: f64) -> String {
    let Told { attempts, passed, comments, sign_offs, cut_short } = told;
    let Design { trainees, months, .. } = design;
    let count = |count: &u32, what: &str| counted(*count as usize, what, &format!("{what}s"));
    let (trainees, months) = (count(trainees, "trainee"), count(months, "month"));
    let (attempts, comments, sign_offs) =
        (count(attempts, "attempt"), count(comments, "comment"), count(sign_offs, "sign-off"));
    let mut page = format!("{trainees}, {months}, all of it invented: {store}\n");
    page += &format!("{attempts}, {passed} passed; {comments}, {sign_offs}; in {wall_s:.0} s\n");
    if *cut_short > 0 {
        page += &format!("{cut_short} more ran on beyond the longest attempt and were not handed in.\n");
    }
    page.push('\n');
    push(
        &mut page,
        "",
        "Nobody in it exists: every pseudonym begins with `pretend`, every station with `invented`, and how they learn is a law \
         that was made up. It shows how lists, curves, reports and exports look, and nothing about how people learn.",
    );
    page += &format!("\n  corecleft logbook list --last 20 --store {store}\n\n");
    push(&mut page, "", NOTICE);
    page
}
