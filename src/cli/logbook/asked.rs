//! What curves and reports are asked for: which attempts count, and what charts are made for. That there are any is checked here too.

use super::{Open, pseudonym};
use crate::cli::CliError;
use crate::logbook::Pseudonym;
use crate::logbook::analysis::measure::Shares;
use crate::logbook::analysis::{Counted, Depth, Found, Measure, Purposes, Stated, Wanted};
use clap::{Args, ValueEnum};

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
    #[arg(long, value_name = "PSEUDONYM", value_parser = pseudonym)]
    trainee: Option<Pseudonym>,
    /// Count later attempts on the same eye too, not the first alone
    #[arg(long)]
    all: bool,
    /// Count attempts with this device alone; else each device has a curve of its own
    #[arg(long, value_name = "DEVICE")]
    device: Option<String>,
    /// Count what was handed in for this
    #[arg(long, value_name = "PURPOSE", value_enum, default_value_t = Purpose::Assessment)]
    purpose: Purpose,
}

impl CountedArguments {
    /// As it is asked of the record.
    pub(super) fn wanted(&self) -> Wanted {
        Wanted {
            trainee: self.trainee.as_ref().map(ToString::to_string),
            purposes: match self.purpose {
                Purpose::Assessment => Purposes::Assessment,
                Purpose::Practice => Purposes::Practice,
                Purpose::Both => Purposes::Both,
            },
            all: self.all,
            device: self.device.clone(),
        }
    }
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
    let whom = wanted.trainee.as_ref().map_or("it".to_owned(), |trainee| format!("trainee {trainee}"));
    let left = [
        (found.later, "--all for later attempts on the same eye"),
        (found.other_purpose, "another --purpose"),
        (found.other_device, "another --device"),
    ];
    let mut allowed: Vec<&str> = left.iter().filter(|(count, _)| *count > 0).map(|(_, what)| *what).collect();
    if allowed.is_empty() {
        allowed.push("a trainee whose attempts were handed in");
    }
    let why = format!("holds no attempt of {whom} that counts; allowed: {}", allowed.join(", or "));
    Err(CliError::Attempt { file: open.name.clone(), why })
}
