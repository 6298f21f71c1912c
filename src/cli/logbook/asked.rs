//! What curves and reports are asked for: which attempts count, and what charts are made for. That there are any is checked here too.

use super::{Open, pseudonym};
use crate::cli::{CliError, plain};
use crate::daily::Date;
use crate::daily::date::NoDate;
use crate::logbook::Pseudonym;
use crate::logbook::analysis::measure::Shares;
use crate::logbook::analysis::rows::{Engines, Group};
use crate::logbook::analysis::{Counted, Depth, Found, Measure, Purposes, Stated, Wanted};
use crate::logbook::names::Names;
use clap::{Args, ValueEnum};
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

/// What attempts were handed in for.
#[derive(Clone, Copy, Debug, ValueEnum)]
enum Purpose {
    Assessment,
    Practice,
    Both,
}

/// Which attempts count.
#[derive(Args, Debug)]
pub(super) struct CountedArguments {
    /// Whose; else all trainees together
    #[arg(long, value_name = "PSEUDONYM", value_parser = pseudonym, conflicts_with = "names")]
    trainee: Option<Pseudonym>,
    /// Of this group of trainees alone, as --names has them
    #[arg(long, value_name = "GROUP", requires = "names")]
    group: Option<String>,
    /// The file that `logbook people` keeps, for its groups; no name is shown. A report has a table of all groups where none is meant
    #[arg(long, value_name = "FILE.csv")]
    names: Option<PathBuf>,
    /// Done on this day or later, by universal time, as 2026-09-01
    #[arg(long, value_name = "DATE", value_parser = date)]
    from: Option<Date>,
    /// Done on this day or earlier
    #[arg(long, value_name = "DATE", value_parser = date)]
    to: Option<Date>,
    /// Count later attempts on the same eye too, not the first alone
    #[arg(long)]
    all: bool,
    /// Count attempts with this device alone; else each device has a curve of its own
    #[arg(long, value_name = "DEVICE")]
    device: Option<String>,
    /// Count attempts that this version of the engine computed, or all; else those of the newest that there are
    #[arg(long, value_name = "VERSION|all")]
    engine: Option<String>,
    /// Count what was handed in for this
    #[arg(long, value_name = "PURPOSE", value_enum, default_value_t = Purpose::Assessment)]
    purpose: Purpose,
}

fn date(text: &str) -> Result<Date, String> {
    text.parse().map_err(|error: NoDate| error.to_string())
}

impl CountedArguments {
    /// As it is asked of the record; and the groups that there are, where they are named and none is meant.
    pub(super) fn wanted(&self) -> Result<(Wanted, Vec<Group>), CliError> {
        if let (Some(from), Some(to)) = (self.from, self.to)
            && from > to
        {
            return Err(CliError::Usage(format!("--from {from} lies after --to {to}; allowed: the earlier day first")));
        }
        let groups = self.names.as_deref().map_or(Ok(Vec::new()), groups)?;
        let group = self.group.as_ref().map(|name| {
            groups.iter().find(|group| group.name == *name).cloned().ok_or_else(|| {
                let why =
                    format!("--group {}: there is none of that name; allowed: {}", plain(name), group_names(&groups));
                CliError::Usage(why)
            })
        });
        let wanted = Wanted {
            trainee: self.trainee.as_ref().map(ToString::to_string),
            group: group.transpose()?,
            from: self.from,
            to: self.to,
            purposes: match self.purpose {
                Purpose::Assessment => Purposes::Assessment,
                Purpose::Practice => Purposes::Practice,
                Purpose::Both => Purposes::Both,
            },
            all: self.all,
            device: self.device.clone(),
            engines: match self.engine.as_deref() {
                None => Engines::Newest,
                Some("all") => Engines::All,
                Some(version) => Engines::One(version.to_owned()),
            },
        };
        let beside = if wanted.group.is_none() { groups } else { Vec::new() };
        Ok((wanted, beside))
    }
}

/// The groups of a file of names, by name; of it all nothing is kept but pseudonyms.
fn groups(path: &Path) -> Result<Vec<Group>, CliError> {
    let refused = |why: String| CliError::Attempt { file: plain(&path.display().to_string()), why };
    // A file that is not there yet is one to be begun, for those who give pseudonyms.
    if !path.exists() {
        return Err(refused("is not there; allowed: the file that `logbook people` keeps".to_owned()));
    }
    let names = Names::read(path).map_err(|error| refused(plain(&error.to_string())))?;
    let mut groups: BTreeMap<&str, BTreeSet<String>> = BTreeMap::new();
    for person in names.people().iter().filter(|person| !person.group.is_empty()) {
        groups.entry(&person.group).or_default().insert(person.pseudonym.to_string());
    }
    if groups.is_empty() {
        return Err(refused("has no groups; allowed: people with a group (`logbook people add --group`)".to_owned()));
    }
    Ok(groups.into_iter().map(|(name, trainees)| Group { name: plain(name), trainees }).collect())
}

/// What groups are called.
pub(super) fn group_names(groups: &[Group]) -> String {
    groups.iter().map(|group| group.name.as_str()).collect::<Vec<_>>().join(", ")
}

/// What charts are made for.
#[derive(Args, Debug)]
pub(super) struct StatedArguments {
    /// Share of failures that is acceptable, adequate; else the provisional ones. A report's are those of passing and of components
    #[arg(long, value_name = "SHARE", requires = "p1")]
    p0: Option<f64>,
    /// Share of failures that is not
    #[arg(long, value_name = "SHARE", requires = "p0")]
    p1: Option<f64>,
    /// Chance that the chart of failures calls an acceptable share unacceptable
    #[arg(long, value_name = "SHARE", default_value_t = Stated::default().alpha)]
    alpha: f64,
    /// Chance that it calls an unacceptable share acceptable
    #[arg(long, value_name = "SHARE", default_value_t = Stated::default().beta)]
    beta: f64,
    /// Attempts within which error rates hold
    #[arg(long, value_name = "N", default_value_t = Stated::default().within)]
    within: usize,
    /// Chance that the chart of competence signals wrongly within these
    #[arg(long, value_name = "SHARE", default_value_t = Stated::default().wrongly)]
    wrongly: f64,
}

impl StatedArguments {
    /// Numbers that charts can be made for, of one measure or of all; among all, simulated breaches keep the shares of their own order.
    pub(super) fn stated(&self, of: Option<Measure>) -> Result<Stated, CliError> {
        let Self { p0, p1, alpha, beta, within, wrongly } = *self;
        let shares = p0.zip(p1).map(|(p0, p1)| Shares { p0, p1 });
        let breaches = shares.filter(|_| of == Some(Measure::Breach));
        let stated = Stated { alpha, beta, within, wrongly, shares, breaches };
        stated.check().map_err(|refusal| CliError::Usage(refusal.to_string()))?;
        Ok(stated)
    }
}

/// What the record holds of what is wanted; that there is something.
pub(super) fn found(open: &mut Open, wanted: &Wanted, depth: Depth) -> Result<Found, CliError> {
    let found = open.book.done(wanted, depth).map_err(|error| open.refused(error))?;
    check(open, wanted, &found.counted)?;
    Ok(found)
}

/// Is there anything that counts?
pub(super) fn check(open: &Open, wanted: &Wanted, found: &Counted) -> Result<(), CliError> {
    if found.of > 0 {
        return Ok(());
    }
    let whom = match (&wanted.trainee, &wanted.group) {
        (Some(trainee), _) => format!("trainee {trainee}"),
        (None, Some(group)) => format!("group {}", group.name),
        (None, None) => "it".to_owned(),
    };
    let left = [
        (found.later, "--all for later attempts on the same eye".to_owned()),
        (found.other_purpose, "another --purpose".to_owned()),
        (found.other_days, "other days".to_owned()),
        (found.other_device, "another --device".to_owned()),
        (
            found.other_engines.len(),
            format!("--engine {}", found.other_engines.keys().cloned().collect::<Vec<_>>().join(" or ")),
        ),
    ];
    let mut allowed: Vec<&str> = left.iter().filter(|(count, _)| *count > 0).map(|(_, what)| what.as_str()).collect();
    if allowed.is_empty() {
        allowed.push("a trainee whose attempts were handed in");
    }
    let why = format!("holds no attempt of {whom} that counts; allowed: {}", allowed.join(", or "));
    Err(CliError::Attempt { file: open.name.clone(), why })
}
