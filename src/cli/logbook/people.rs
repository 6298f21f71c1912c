//! `logbook people`: pseudonyms, and whom they stand for. That lies in a file of its own; this command opens no store.

use crate::cli::{CliError, plain, print};
use crate::logbook::names::{Names, NamesError};
use clap::{Args, Subcommand};
use serde_json::json;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// Arguments of `logbook people`.
#[derive(Args, Debug)]
pub struct PeopleArguments {
    /// The file that says whom pseudonyms stand for; it is made where there is none, for its owner alone
    #[arg(long, value_name = "FILE.csv")]
    names: PathBuf,
    #[command(subcommand)]
    command: PeopleCommand,
}

/// What to do with it.
#[derive(Debug, Subcommand)]
enum PeopleCommand {
    /// Give a person a pseudonym
    Add {
        /// The person's name
        name: String,
        /// A cohort, a year or a site
        #[arg(long, default_value = "")]
        group: String,
    },
    /// Give everybody of a roster a pseudonym
    Import {
        /// A CSV file with a column `name`, and `group` where there is one
        roster: PathBuf,
    },
    /// Who the pseudonyms stand for
    List {
        /// Print one JSON object instead of lines
        #[arg(long)]
        json: bool,
    },
}

/// `logbook people`.
pub(super) fn run(arguments: &PeopleArguments) -> Result<ExitCode, CliError> {
    let refused = |path: &Path, error: &NamesError| CliError::Attempt {
        file: plain(&path.display().to_string()),
        why: plain(&error.to_string()),
    };
    let path = &arguments.names;
    let mut names = Names::read(path).map_err(|error| refused(path, &error))?;
    match &arguments.command {
        PeopleCommand::Add { name, group } => {
            let (pseudonym, is_new) = names.add(name, group).map_err(|error| refused(path, &error))?;
            if is_new {
                names.write(path).map_err(|error| refused(path, &error))?;
            }
            print(&format!("{pseudonym}\n"))?;
        }
        PeopleCommand::Import { roster } => {
            let count = names.import(roster).map_err(|error| refused(roster, &error))?;
            if count > 0 {
                names.write(path).map_err(|error| refused(path, &error))?;
            }
            print(&format!("{count} new, {} in all\n", names.people().len()))?;
        }
        PeopleCommand::List { json: true } => print(&(json!({ "people": names.people() }).to_string() + "\n"))?,
        PeopleCommand::List { json: false } => {
            let line = |person: &crate::logbook::names::Person| {
                let group = if person.group.is_empty() { String::new() } else { format!(" ({})", person.group) };
                plain(&format!("{}  {}{group}", person.pseudonym, person.name)) + "\n"
            };
            print(&names.people().iter().map(line).collect::<String>())?;
        }
    }
    Ok(ExitCode::SUCCESS)
}
