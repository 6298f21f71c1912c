//! `logbook`: the program's record. A file a group of commands.
//!
//! The store is the one that `--store` names, else the one that `CORECLEFT_STORE` names, else `corecleft.logbook` in the user's data
//! folder, where saved attempts lie too.

mod add;
mod admit;
mod asked;
mod curve;
mod demo;
mod erase;
mod export;
mod key;
mod list;
mod people;
mod rebuild;
mod report;
mod rescore;
mod verify;
mod words;

use crate::cli::{CliError, plain};
use crate::logbook::analysis::words::counted;
use crate::logbook::database::Place;
use crate::logbook::key::KeyError;
use crate::logbook::{Author, Logbook, LogbookError, Opening, Pseudonym, StationKey, usual};
use clap::{Args, Subcommand};
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::Duration;

/// Arguments of `logbook`.
#[derive(Args, Debug)]
pub struct LogbookArguments {
    #[command(subcommand)]
    command: LogbookCommand,
}

/// What to do with the record.
#[derive(Debug, Subcommand)]
enum LogbookCommand {
    /// Hand saved attempts in
    Add(add::AddArguments),
    /// What is in the record
    List(list::ListArguments),
    /// How a trainee's attempts go on: a learning curve, and charts of failures and of competence
    Curve(curve::CurveArguments),
    /// What a trainee's or a cohort's attempts say, as one document to read or print
    Report(report::ReportArguments),
    /// Say something about an entry
    Comment(words::CommentArguments),
    /// Sign an entry off
    SignOff(words::SignOffArguments),
    /// Judge attempts again under other goals
    Rescore(rescore::RescoreArguments),
    /// Find whatever was edited, removed, reordered, inserted or forged
    Verify(verify::VerifyArguments),
    /// Make the tables that follow from the entries anew
    Rebuild(rebuild::RebuildArguments),
    /// Keep the last entry's hash elsewhere, so that a shortened record shows
    Head(verify::HeadArguments),
    /// All attempts for other programs: CSV, Parquet, xAPI
    Export(export::ExportArguments),
    /// Make a store of people who were made up, to look at
    Demo(demo::DemoArguments),
    /// Make a station's key, by which its entries are signed, or change it
    Key(key::KeyArguments),
    /// Pseudonyms, and the separate file that says whom they stand for
    People(people::PeopleArguments),
    /// Delete a person's data; the chain stays checkable
    Erase(erase::EraseArguments),
    /// Delete what is older than it is to be kept
    Retain(erase::RetainArguments),
    /// Say what a login may do with a store on a server
    Admit(admit::AdmitArguments),
}

/// `logbook`.
pub(crate) fn run(arguments: &LogbookArguments) -> Result<ExitCode, CliError> {
    match &arguments.command {
        LogbookCommand::Add(arguments) => add::run(arguments),
        LogbookCommand::List(arguments) => list::run(arguments),
        LogbookCommand::Curve(arguments) => curve::run(arguments),
        LogbookCommand::Report(arguments) => report::run(arguments),
        LogbookCommand::Comment(arguments) => words::comment(arguments),
        LogbookCommand::SignOff(arguments) => words::sign_off(arguments),
        LogbookCommand::Rescore(arguments) => rescore::run(arguments),
        LogbookCommand::Verify(arguments) => verify::run(arguments),
        LogbookCommand::Rebuild(arguments) => rebuild::run(arguments),
        LogbookCommand::Head(arguments) => verify::head(arguments),
        LogbookCommand::Export(arguments) => export::run(arguments),
        LogbookCommand::Demo(arguments) => demo::run(arguments),
        LogbookCommand::Key(arguments) => key::run(arguments),
        LogbookCommand::People(arguments) => people::run(arguments),
        LogbookCommand::Erase(arguments) => erase::run(arguments),
        LogbookCommand::Retain(arguments) => erase::retain(arguments),
        LogbookCommand::Admit(arguments) => admit::run(arguments),
    }
}

/// Which store.
#[derive(Args, Debug)]
pub(super) struct StoreArguments {
    /// The store: a file, or postgres://USER@HOST/DATABASE. A server elsewhere must encrypt; SSL_CERT_FILE names an authority of one's
    /// own, ?sslmode=disable does without. Else CORECLEFT_STORE, else corecleft.logbook in the user's data folder
    #[arg(long, value_name = "FILE|URL")]
    store: Option<String>,
    /// How long to wait for others who write, s
    #[arg(long, value_name = "SECONDS", default_value_t = 30)]
    wait: u32,
}

/// An open store, and its name for people.
pub(super) struct Open {
    pub(super) book: Logbook,
    pub(super) name: String,
}

impl Open {
    /// What went wrong, with the store's name.
    pub(super) fn refused(&self, error: LogbookError) -> CliError {
        refused(&self.name, &error)
    }
}

fn refused(name: &str, error: &LogbookError) -> CliError {
    CliError::Attempt { file: name.to_owned(), why: plain(&error.to_string()) }
}

impl StoreArguments {
    fn place(&self) -> Result<Place, CliError> {
        // The address itself may hold a password, and is not repeated.
        usual::place(self.store.as_deref()).map_err(|error| CliError::Usage(format!("--store {error}")))
    }

    /// Open the store that is there.
    pub(super) fn open(&self) -> Result<Open, CliError> {
        self.opened(false)
    }

    /// Open the store, and make it where there is none.
    pub(super) fn open_or_make(&self) -> Result<Open, CliError> {
        self.opened(true)
    }

    fn opened(&self, is_made: bool) -> Result<Open, CliError> {
        let place = self.place()?;
        let name = plain(&place.in_words());
        if let (true, None, Place::File(path)) = (is_made, &self.store, &place)
            && let Some(folder) = path.parent()
        {
            // The user's own folder may not be there yet; that it cannot be made shows when the store is opened.
            let _ = std::fs::create_dir_all(folder);
        }
        let opening = Opening { is_made, wait: Duration::from_secs(self.wait.into()) };
        match Logbook::open_at(&place, opening) {
            Ok(book) => Ok(Open { book, name }),
            Err(error) => Err(refused(&name, &error)),
        }
    }
}

/// Who writes.
#[derive(Args, Debug)]
pub(super) struct AuthorArguments {
    /// Name of the station at which this is added; else `station`
    #[arg(long, value_name = "NAME")]
    station: Option<String>,
    /// The station's key, a file that `logbook key` wrote: entries are signed
    #[arg(long, value_name = "FILE")]
    key: Option<PathBuf>,
}

impl AuthorArguments {
    /// The key, where there is one.
    pub(super) fn key(&self) -> Result<Option<StationKey>, CliError> {
        self.key.as_deref().map(read_key).transpose()
    }

    /// Was a station named?
    pub(super) fn is_named(&self) -> bool {
        self.station.is_some()
    }

    /// The author with this key.
    pub(super) fn author<'a>(&'a self, key: Option<&'a StationKey>) -> Author<'a> {
        Author { station: self.station.as_deref().unwrap_or("station"), key }
    }
}

/// Who says something of entries, and in which store.
#[derive(Args, Debug)]
pub(super) struct SaidArguments {
    /// By whom: a pseudonym
    #[arg(long, value_name = "WHO", value_parser = pseudonym)]
    by: Pseudonym,
    #[command(flatten)]
    author: AuthorArguments,
    #[command(flatten)]
    store: StoreArguments,
}

impl SaidArguments {
    /// Open the store and write into it in this one's name.
    pub(super) fn write<T>(
        &self,
        act: impl FnOnce(&mut Logbook, &Author<'_>, &Pseudonym) -> Result<T, LogbookError>,
    ) -> Result<(Open, T), CliError> {
        let key = self.author.key()?;
        let mut open = self.store.open()?;
        let done = act(&mut open.book, &self.author.author(key.as_ref()), &self.by);
        done.map_err(|error| open.refused(error)).map(|done| (open, done))
    }
}

fn key_refused(path: &Path, error: &KeyError) -> CliError {
    CliError::Attempt { file: plain(&path.display().to_string()), why: error.to_string() }
}

fn read_key(path: &Path) -> Result<StationKey, CliError> {
    StationKey::read(path).map_err(|error| key_refused(path, &error))
}

/// A pseudonym on the command line.
fn pseudonym(text: &str) -> Result<Pseudonym, String> {
    text.parse::<Pseudonym>().map_err(|error| error.to_string())
}
