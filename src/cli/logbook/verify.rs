//! `logbook verify` and `logbook head`: has anything been edited, removed, reordered, inserted or forged?

use super::{AuthorArguments, StoreArguments, counted};
use crate::cli::{CliError, plain, print, progress, remark, write_whole};
use crate::logbook::proof::{KeptHead, Report, Sample, Step};
use crate::logbook::{chain, moment};
use clap::Args;
use serde_json::json;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// Arguments of `logbook verify`.
#[derive(Args, Debug)]
pub struct VerifyArguments {
    /// Do only so many attempts again, drawn at random; 0: none. Else all
    #[arg(long, value_name = "N")]
    sample: Option<usize>,
    /// Seed of that draw, to repeat it; else one that nobody knows beforehand
    #[arg(long, value_name = "S", requires = "sample")]
    seed: Option<u64>,
    /// A head that was kept elsewhere: shows what is missing at the end
    #[arg(long, value_name = "FILE")]
    head: Option<PathBuf>,
    #[command(flatten)]
    store: StoreArguments,
    /// Print one JSON object instead of lines
    #[arg(long)]
    json: bool,
}

/// Arguments of `logbook head`.
#[derive(Args, Debug)]
pub struct HeadArguments {
    /// The file; keep it where whoever can change the store cannot
    #[arg(long, value_name = "FILE")]
    out: PathBuf,
    #[command(flatten)]
    author: AuthorArguments,
    #[command(flatten)]
    store: StoreArguments,
}

/// Largest head that is read, bytes.
const LARGEST: u64 = 1 << 16;

fn read_head(path: &Path) -> Result<KeptHead, CliError> {
    use std::io::Read as _;
    let refused = |why: String| CliError::Attempt {
        file: plain(&path.display().to_string()),
        why: format!("{}; allowed: a file that `logbook head` wrote", plain(&why)),
    };
    let mut text = Vec::new();
    std::fs::File::open(path)
        .and_then(|file| file.take(LARGEST).read_to_end(&mut text))
        .map_err(|error| refused(format!("cannot be read: {error}")))?;
    let head: serde_json::Value =
        serde_json::from_slice(&text).map_err(|error| refused(format!("is no head: {error}")))?;
    match head["format"].as_u64() {
        Some(format) if format == u64::from(KeptHead::FORMAT) => (),
        Some(format) => {
            return Err(refused(format!("has format {format}, and this program reads format {}", KeptHead::FORMAT)));
        }
        None => return Err(refused("is no head".to_owned())),
    }
    serde_json::from_value(head).map_err(|error| refused(format!("is no head: {error}")))
}

/// `logbook head`.
pub(super) fn head(arguments: &HeadArguments) -> Result<ExitCode, CliError> {
    let key = arguments.author.key()?;
    let mut open = arguments.store.open()?;
    let head = open.book.head().map_err(|error| open.refused(error))?;
    let author = arguments.author.author(key.as_ref());
    let kept = KeptHead::of(head, moment::now(), author.key.map(|key| (author.station, key)));
    write_whole(&arguments.out, (serde_json::to_string_pretty(&kept)? + "\n").as_bytes())?;
    let signed = if kept.signature.is_some() { ", signed" } else { "" };
    print(&format!("Entry {}, {}{signed}\n", kept.seq, kept.hash))?;
    Ok(ExitCode::SUCCESS)
}

/// A number nobody knows beforehand.
fn drawn_seed() -> Result<u64, CliError> {
    let mut bytes = [0; 8];
    getrandom::fill(&mut bytes).map_err(|error| CliError::Usage(format!("no sample can be drawn: {error}")))?;
    // Short enough to be read out, and for any program's numbers.
    Ok(u64::from_le_bytes(bytes) >> 24)
}

/// `logbook verify`. 1 where something is wrong.
pub(super) fn run(arguments: &VerifyArguments) -> Result<ExitCode, CliError> {
    let kept = arguments.head.as_deref().map(read_head).transpose()?;
    let mut open = arguments.store.open()?;
    let sample = match arguments.sample {
        None => Sample::All,
        Some(count) => Sample::Some { count, seed: arguments.seed.map_or_else(drawn_seed, Ok)? },
    };
    let bar = progress("entries", None);
    let report = open.book.verify(sample, kept.as_ref(), |step| match step {
        Step::Entries(count) => bar.inc(count as u64),
        Step::DoneAgain { count, of } => {
            if bar.length().is_none() {
                bar.reset();
                bar.set_length(of as u64);
                bar.set_style(progress("attempts done again", Some(of as u64)).style());
            }
            bar.inc(count as u64);
        }
    });
    bar.finish_and_clear();
    let report = report.map_err(|error| open.refused(error))?;
    if arguments.json {
        print(&(as_json(&open.name, &report, sample).to_string() + "\n"))?;
    } else {
        tell(&open.name, &report, sample)?;
    }
    Ok(ExitCode::from(u8::from(!report.faults.is_empty())))
}

/// How many attempts were to be done again.
fn chosen(report: &Report, sample: Sample) -> usize {
    match sample {
        Sample::All => report.attempts,
        Sample::Some { count, .. } => count.min(report.attempts),
    }
}

fn as_json(name: &str, report: &Report, sample: Sample) -> serde_json::Value {
    let (count, seed) = match sample {
        Sample::All => (None, None),
        Sample::Some { count, seed } => (Some(count), Some(seed)),
    };
    json!({
        "store": name,
        "entries": report.entries,
        "head": { "seq": report.head.seq, "hash": chain::hex(&report.head.hash) },
        "faults": report.faults,
        "erased": report.erased.iter().map(|gone| json!({
            "seq": gone.seq, "told_by": gone.told_by, "by": gone.by, "at": moment::in_words(gone.at_ms),
            "because": gone.because,
        })).collect::<Vec<_>>(),
        "other_version": report.elsewhere,
        "hidden": report.hidden,
        "replayed": {
            "of": report.attempts, "chosen": chosen(report, sample), "valid": report.valid, "sample": count, "seed": seed,
        },
        "stations": report.stations,
    })
}

fn tell(name: &str, report: &Report, sample: Sample) -> Result<(), CliError> {
    for fault in &report.faults {
        let of = fault.seq.map_or_else(|| name.to_owned(), |seq| format!("entry {seq}"));
        remark(&plain(&format!("{of}: {}", fault.what)));
    }
    let mut page = String::new();
    let mut say = |line: String| page.push_str(&(plain(&line) + "\n"));
    let erasures: std::collections::BTreeMap<u64, Vec<_>> =
        report.erased.iter().fold(std::collections::BTreeMap::new(), |mut all, gone| {
            all.entry(gone.told_by).or_insert_with(Vec::new).push(gone);
            all
        });
    for (told_by, gone) in erasures {
        let seqs: Vec<String> = gone.iter().map(|gone| gone.seq.to_string()).collect();
        let first = gone[0];
        say(format!(
            "Entry {told_by}: {} deleted by {} on {}, since {}: {}",
            counted(seqs.len(), "body", "bodies"),
            first.by,
            moment::day(first.at_ms),
            first.because,
            seqs.join(", ")
        ));
    }
    for elsewhere in &report.elsewhere {
        say(format!("Entry {}: not verifiable here: {}", elsewhere.seq, elsewhere.reason));
    }
    if report.hidden > 0 {
        let bodies = counted(report.hidden as usize, "body is", "bodies are");
        say(format!("{bodies} not to be seen by this login; the chain around was checked."));
    }
    for (at, key) in report.stations.iter().enumerate() {
        let signed = counted(key.signed as usize, "entry", "entries");
        // Keys of a station come one after the other.
        let is_next = at > 0 && report.stations[at - 1].station == key.station;
        let since = if is_next { format!(", which it changed to in entry {}", key.since) } else { String::new() };
        say(format!("Station `{}` signed {signed}; key {}{since}", key.station, key.fingerprint));
    }
    let which = match sample {
        Sample::All => "all",
        Sample::Some { .. } => "a sample",
    };
    say(format!(
        "{}; {} of {} attempts came out as they claim ({which} of {}); {}.",
        counted(report.entries as usize, "entry", "entries"),
        report.valid,
        chosen(report, sample),
        report.attempts,
        counted(report.faults.len(), "fault", "faults"),
    ));
    if let Sample::Some { seed, .. } = sample {
        say(format!("Seed of the sample: {seed}"));
    }
    say(format!("Head: {}", chain::hex(&report.head.hash)));
    print(&page)
}
