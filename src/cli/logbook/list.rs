//! `logbook list`: what is in the record, an entry a line.

use super::{StoreArguments, pseudonym};
use crate::cli::{CliError, plain, print};
use crate::logbook::Pseudonym;
use crate::logbook::listing::{Listed, Wanted};
use clap::Args;
use serde_json::json;
use std::process::ExitCode;

/// Arguments of `logbook list`.
#[derive(Args, Debug)]
pub struct ListArguments {
    /// Only of this trainee
    #[arg(long, value_name = "PSEUDONYM", value_parser = pseudonym)]
    trainee: Option<Pseudonym>,
    /// Only of this kind
    #[arg(long, value_name = "KIND", value_parser = ["attempt", "comment", "sign-off", "rescored", "erased", "station"])]
    kind: Option<String>,
    /// Only the last so many
    #[arg(long, value_name = "N")]
    last: Option<u64>,
    #[command(flatten)]
    store: StoreArguments,
    /// Print one JSON object instead of lines
    #[arg(long)]
    json: bool,
}

/// `logbook list`.
pub(super) fn run(arguments: &ListArguments) -> Result<ExitCode, CliError> {
    let mut open = arguments.store.open()?;
    let wanted = Wanted {
        kind: arguments.kind.clone(),
        trainee: arguments.trainee.as_ref().map(ToString::to_string),
        last: arguments.last,
    };
    let entries = open.book.list(&wanted).map_err(|error| open.refused(error))?;
    if arguments.json {
        print(&(json!({ "entries": entries }).to_string() + "\n"))?;
    } else {
        print(&entries.iter().map(|entry| line(entry) + "\n").collect::<String>())?;
    }
    Ok(ExitCode::SUCCESS)
}

/// An entry in a line.
fn line(entry: &Listed) -> String {
    let text = |value: &Option<String>| value.as_deref().unwrap_or("?").to_owned();
    let what = match entry.kind.as_str() {
        _ if !entry.has_body => "nothing to be seen any more, or by this login".to_owned(),
        "attempt" => {
            let result = if entry.pass == Some(true) { "passed" } else { "not passed" };
            let score = entry.score.map_or_else(|| "?".to_owned(), |score| format!("{score:.0}"));
            let mut what = format!(
                "{} seed {}, {}: {result}, {score} of 100",
                text(&entry.scenario),
                text(&entry.seed),
                entry.purpose.unwrap_or("?")
            );
            if entry.first_unseen == Some(true) {
                what += ", first on this eye";
            }
            if let Some(other) = entry.engine.as_ref().filter(|engine| **engine != crate::attempt::engine()) {
                what += &format!(", by engine {other}");
            }
            for event in entry.critical.iter().flatten() {
                what += &format!(", {event}");
            }
            what
        }
        "comment" => format!("on {}: {}", entry.of.unwrap_or(0), text(&entry.text)),
        "sign-off" => format!("of {}", entry.of.unwrap_or(0)),
        "rescored" => {
            let result = if entry.pass == Some(true) { "passed" } else { "not passed" };
            format!("{}: {result}, {:.0} of 100", entry.of.unwrap_or(0), entry.score.unwrap_or(0.0))
        }
        "erased" => format!("{} bodies: {}", entry.erased.as_ref().map_or(0, Vec::len), text(&entry.text)),
        "station" => format!("key {}", text(&entry.text)),
        _ => String::new(),
    };
    let who = entry.trainee.as_deref().unwrap_or("-");
    let by = entry.by.as_ref().map_or_else(String::new, |by| format!(" by {by}"));
    let signed = if entry.signed { ", signed" } else { "" };
    plain(&format!(
        "{:>6}  {}  {who:<10}  {}{by}: {what}  ({}{signed})",
        entry.seq, entry.added_at, entry.kind, entry.station
    ))
}
