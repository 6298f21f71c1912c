//! Reports: what a trainee's or a cohort's attempts say, as one HTML document. Nothing is loaded from elsewhere, it prints on A4, and
//! it reads without scripts; the few lines of script that are in it sort tables, and nothing else.
//!
//! Whatever colour says is said a second time, by shape, pattern or word. Charts of breaches are called simulated, data that simulated
//! trainees made are called invented, each error rate is told in words, and that no single score decides anything stands on top. What
//! the numbers are is `analysis`'. Limits: laid out for reading at 80 letters a line.

mod cohort;
mod course;
mod person;
mod plot;

pub use cohort::of_cohort;
pub use person::of_trainee;
pub use plot::steps;

use crate::debrief::html::STYLE;
use crate::debrief::text::NOTICE;
use crate::logbook::Head;
use crate::logbook::analysis::rows::Group;
use crate::logbook::analysis::{Found, Stated, Wanted, words};
use crate::logbook::chain::hex;
use crate::logbook::moment;
use maud::{DOCTYPE, Markup, PreEscaped, html};
use std::collections::HashSet;

/// What a report is made of.
pub struct Sources<'a> {
    /// What was asked for.
    pub wanted: &'a Wanted,
    /// Groups that are set side by side; none where they are not named.
    pub groups: &'a [Group],
    /// What was found.
    pub found: &'a Found,
    /// What charts are made for.
    pub stated: &'a Stated,
    /// The record's last entry.
    pub head: Head,
    /// Numbers of attempts that were signed off.
    pub signed_off: &'a HashSet<i64>,
}

/// Above each printed page with anything that was invented.
const INVENTED: &str = "@page { @top-right { content: \"Holds invented attempts: simulated trainees, no persons.\"; \
                        font: 8pt Arial, \"Liberation Sans\", sans-serif; color: #555; } }";

/// The whole document.
fn document(sources: &Sources<'_>, body: Markup) -> String {
    let title = words::whose(sources.wanted);
    let Sources { found, wanted, head, .. } = sources;
    let is_invented = found.counted.simulated > 0;
    let span = found.attempts.first().zip(found.attempts.last());
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { @if is_invented { "Invented: " } (title) }
                style { (PreEscaped(STYLE)) (PreEscaped(include_str!("report.css"))) }
                @if is_invented { style { (PreEscaped(INVENTED)) } }
            }
            body {
                header {
                    p.kind { "Report of simulated attempts. For education only; not a medical device." }
                    h1 { (title) }
                    @if let Some((first, last)) = span {
                        p.made { "Attempts done from " (moment::day(first.at_ms)) " to " (moment::day(last.at_ms)) ", as their files say." }
                    }
                    p.made {
                        "As of entry " (head.seq) " of the record, hash " code { (&hex(&head.hash)[..16]) } "…. Made with corecleft "
                        (env!("CARGO_PKG_VERSION")) "."
                    }
                    @if let Some(invented) = words::invented(&found.counted) { p.invented { strong { (invented) } } }
                    p.decides { (words::NO_SINGLE_SCORE) " None of this has been shown to predict operating performance." }
                    p.counts {
                        (words::what_counts(wanted, &found.counted)) " " (words::engines(wanted, &found.counted))
                        @if let Some(devices) = words::devices(&found.counted) { " " (devices) }
                    }
                }
                main { (body) }
                footer { p { (NOTICE) } }
                script { (PreEscaped(include_str!("sort.js"))) }
            }
        }
    };
    // No line ends between a number and its sign.
    page.into_string().replace(" %", "\u{a0}%")
}

/// A table that is wider than a small screen can be moved to the side there.
fn table(class: &str, rows: Markup) -> Markup {
    html! { div.scroll { table class=(format!("sorts {class}")) { (rows) } } }
}

/// A cell with its number for sorting.
fn cell(sorted_by: f64, shown: &str) -> Markup {
    html! { td.number data-by=(format!("{sorted_by:.6}")) { (shown) } }
}
