//! `logbook admit`: what a login may do with a store on a server.

use super::{StoreArguments, pseudonym};
use crate::cli::{CliError, print};
use crate::logbook::Pseudonym;
use crate::logbook::roles::{self, Role};
use clap::{Args, ValueEnum};
use std::process::ExitCode;

/// Arguments of `logbook admit`.
#[derive(Args, Debug)]
pub struct AdmitArguments {
    /// What it may do
    #[arg(long, value_enum)]
    role: RoleName,
    /// The login, which the server has already
    #[arg(long, value_name = "NAME")]
    login: String,
    /// Whose entries are a trainee's own
    #[arg(long, value_name = "PSEUDONYM", value_parser = pseudonym, required_if_eq("role", "trainee"))]
    trainee: Option<Pseudonym>,
    /// Print what would be done instead of doing it; the roles themselves must be there then
    #[arg(long)]
    print: bool,
    #[command(flatten)]
    store: StoreArguments,
}

/// A role by its name.
#[derive(Clone, Copy, Debug, ValueEnum)]
enum RoleName {
    /// Adds and reads own attempts and comments
    Trainee,
    /// Adds anybody's attempts
    Station,
    /// Adds and reads everything
    Director,
    /// The same, and deletes a person's data
    Keeper,
}

/// `logbook admit`.
pub(super) fn run(arguments: &AdmitArguments) -> Result<ExitCode, CliError> {
    let role = match arguments.role {
        RoleName::Trainee => Role::Trainee,
        RoleName::Station => Role::Station,
        RoleName::Director => Role::Director,
        RoleName::Keeper => Role::Keeper,
    };
    let trainee = arguments.trainee.as_ref().filter(|_| role == Role::Trainee);
    if arguments.print {
        let admission = roles::admission(role, &arguments.login, trainee);
        let admission = admission.map_err(|error| CliError::Usage(error.to_string()))?;
        let made = Role::ALL.iter().map(|role| format!("CREATE ROLE {} NOLOGIN", role.name()));
        let all: String = made.chain(roles::rights()).chain(admission).map(|statement| statement + ";\n").collect();
        print(&all)?;
        return Ok(ExitCode::SUCCESS);
    }
    let mut open = arguments.store.open()?;
    open.book.admit(role, &arguments.login, trainee).map_err(|error| open.refused(error))?;
    print(&format!("{} is admitted as {}.\n", arguments.login, role.name()))?;
    Ok(ExitCode::SUCCESS)
}
