//! The debrief as text for a terminal of 80 columns.

use crate::debrief::follows::{held_in_words, ratio_in_words};
use crate::debrief::graph::Graph;
use crate::debrief::{Component, Debrief, Facts, Follow, Status, timeline};
use crate::units::mmhg_from_pa;
use std::fmt::Write as _;

/// Width of the page, columns.
pub const COLUMNS: usize = 80;

/// What every debrief and report says at its end.
pub const NOTICE: &str = "For education only. Not a medical device; not for planning or use in care. A simplified eye, \
                          whose numbers are not machine settings. The score is not shown to predict operating \
                          performance and must not be the sole basis of any decision on a trainee. Follow local \
                          protocols and the supervising surgeon.";

/// Titles for the top of the page.
#[derive(Clone, Copy, Debug)]
pub struct Titles<'a> {
    /// The case's.
    pub case: &'a str,
    /// What the attempt was made with: a plan, hands, a simulated trainee.
    pub made: &'a str,
    /// Which.
    pub with: &'a str,
    /// Seed.
    pub seed: u64,
    /// What was set up otherwise than the case has it, in words.
    pub set_up: Option<&'a str>,
}

/// The whole page.
pub fn page(titles: &Titles<'_>, facts: &Facts<'_>, debrief: &Debrief) -> String {
    let mut page = String::new();
    push(&mut page, "", titles.case);
    push(&mut page, "  ", &format!("{}: {}. Seed {}.", titles.made, titles.with.trim_end_matches('.'), titles.seed));
    if let Some(set_up) = titles.set_up {
        push(&mut page, "  ", &set_up_line(set_up));
    }
    page.push_str("\nWhat happened\n");
    for moment in timeline::story(facts, debrief) {
        push_hung(&mut page, &format!("{:7.2} s  ", moment.t_s), &moment.what);
    }
    let outcome = &debrief.outcome;
    let verdict = if outcome.pass { "passed" } else { "not passed" };
    let critical = outcome.critical.iter().fold(String::new(), |all, one| format!("{all}; {one}"));
    let _ = writeln!(page, "\nResult: {verdict}, {:.0} of 100{critical}", libm::floor(outcome.score));
    if let Some((judged, count)) = debrief.judged_of_several() {
        let _ = writeln!(page, "Judged on the best of {count} chops, at {:.2} s", debrief.chops[judged].t_s);
    }
    if !debrief.predictions.is_empty() {
        page.push_str("\nWhat was expected\n");
        for told in &debrief.predictions {
            let words = [Some(told.in_words()), told.judged_in_words()];
            push_hung(
                &mut page,
                &format!("{:7.2} s  ", told.t_s),
                &words.into_iter().flatten().collect::<Vec<_>>().join(" "),
            );
        }
    }
    page.push('\n');
    page.push_str(&row("", "reached", "asked for", ""));
    for component in &debrief.components {
        page.push_str(&row(component.label, &component.shown, &component.wanted, mark(component)));
    }
    if !debrief.follows.is_empty() {
        page.push_str("\nPieces\n");
        for pulls in alike(facts, &debrief.follows) {
            push_hung(&mut page, &format!("{:7.2} s  ", pulls[0].t_s), &pieces(facts, &pulls));
        }
    }
    page.push_str("\nChamber\n");
    for sentence in debrief.peaks.sentences() {
        push_hung(&mut page, "- ", &sentence);
    }
    let (wrong, well) = (debrief.what_went_wrong(), debrief.what_went_well());
    let second = if wrong.is_empty() { "Why" } else { "What was met or not judged" };
    for (heading, sentences) in [("Why", wrong), (second, well)].into_iter().filter(|s| !s.1.is_empty()) {
        let _ = writeln!(page, "\n{heading}");
        for sentence in sentences {
            push_hung(&mut page, "- ", sentence);
        }
    }
    let chains = Graph::of(facts, debrief).sentences();
    if !chains.is_empty() {
        page.push_str("\nFrom decision to consequence\n");
        for chain in chains {
            push_hung(&mut page, "- ", &chain);
        }
    }
    page.push_str("\nWhat to try\n");
    push(&mut page, "", &debrief.advice.join(" "));
    page.push('\n');
    push(&mut page, "", NOTICE);
    page
}

/// The line of the heading that says what was set up.
pub(crate) fn set_up_line(set_up: &str) -> String {
    format!("Set up: {set_up}.")
}

/// Pulls from which those that ended alike are told together.
const MANY_PULLS: usize = 8;

/// Pulls that are told together, in the order of their first.
pub(crate) fn alike<'a>(facts: &Facts<'_>, follows: &'a [Follow]) -> Vec<Vec<&'a Follow>> {
    let mut groups: Vec<Vec<&Follow>> = Vec::new();
    let how = |f: &Follow| (f.followed, f.held_by, f.is_whole_lens(facts));
    for follow in follows {
        match groups.iter_mut().find(|g| follows.len() > MANY_PULLS && how(g[0]) == how(follow)) {
            Some(group) => group.push(follow),
            None => groups.push(vec![follow]),
        }
    }
    groups
}

/// Pulls that ended alike in a line or two.
fn pieces(facts: &Facts<'_>, pulls: &[&Follow]) -> String {
    let [first, _, ..] = pulls else { return piece(facts, pulls[0]) };
    let span = |value: &dyn Fn(&Follow) -> f64| {
        let values = pulls.iter().map(|f| value(f));
        values.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (low.min(v), high.max(v)))
    };
    let (least_ul, most_ul) = span(&|f| f.volume_ul);
    let (low_pa, high_pa) = span(&|f| f.vacuum_pa);
    let (low, high) = span(&|f| f.ratio().unwrap_or(f64::NAN));
    let ratio = if low.is_finite() {
        format!("follow ratio {}–{}", ratio_in_words(low), ratio_in_words(high))
    } else {
        "no load".to_string()
    };
    format!(
        "{} pulls until {:.2} s, {least_ul:.1}–{most_ul:.1} µL, {:.0}–{:.0} mmHg across the port: the piece {} ({ratio})",
        pulls.len(),
        pulls[pulls.len() - 1].t_s,
        mmhg_from_pa(low_pa),
        mmhg_from_pa(high_pa),
        outcome(facts, first),
    )
}

/// A pull in a line or two: what was pulled with what, did it follow, what held it.
fn piece(facts: &Facts<'_>, follow: &Follow) -> String {
    let is_whole = follow.is_whole_lens(facts);
    let what = if is_whole { "The whole lens".to_string() } else { format!("{:.1} µL", follow.volume_ul) };
    let ratio = follow.ratio().map_or("no load".to_string(), |r| format!("follow ratio {}", ratio_in_words(r)));
    format!("{what}, {:.0} mmHg across the port: {} ({ratio})", mmhg_from_pa(follow.vacuum_pa), outcome(facts, follow))
}

/// Did what was pulled follow, and if not, what held it.
pub(crate) fn outcome(facts: &Facts<'_>, follow: &Follow) -> String {
    if follow.followed {
        "followed".to_string()
    } else {
        format!("did not follow; {}", held_in_words(follow.held_by, follow.is_whole_lens(facts)))
    }
}

pub(crate) fn mark(component: &Component) -> &'static str {
    match (component.status, component.counts_for_pass) {
        (Status::Met, _) => "met",
        (Status::Missed, true) => "MISSED",
        (Status::Missed, false) => "short",
        (Status::NotReached, _) => "not reached",
        (Status::NotApplicable, _) => "not judged",
    }
}

fn row(label: &str, reached: &str, wanted: &str, mark: &str) -> String {
    format!("{label:<26}{reached:<23}{wanted:<20}{mark}").trim_end().to_string() + "\n"
}

/// Adds a paragraph, broken at the page's width, every line behind `indent`.
pub fn push(page: &mut String, indent: &str, text: &str) {
    wrap(page, indent, indent, text);
}

/// Adds a paragraph whose first line begins with a mark and whose further lines hang below the text.
fn push_hung(page: &mut String, mark: &str, text: &str) {
    wrap(page, mark, &" ".repeat(mark.chars().count()), text);
}

fn wrap(page: &mut String, first: &str, rest: &str, text: &str) {
    let mut line = first.to_string();
    let mut is_empty = true;
    for word in text.split_whitespace() {
        let length = line.chars().count() + usize::from(!is_empty) + word.chars().count();
        if !is_empty && length > COLUMNS {
            page.push_str(line.trim_end());
            page.push('\n');
            line = rest.to_string();
            is_empty = true;
        }
        if !is_empty {
            line.push(' ');
        }
        line.push_str(word);
        is_empty = false;
    }
    page.push_str(line.trim_end());
    page.push('\n');
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn paragraphs_break_within_the_page_and_lose_no_word() {
        let text = "tip ".repeat(60) + &"x".repeat(100);
        let mut page = String::new();
        push_hung(&mut page, "- ", &text);
        assert!(page.lines().all(|l| l.chars().count() <= COLUMNS || l.trim() == "x".repeat(100)), "{page}");
        assert!(page.lines().skip(1).all(|l| l.starts_with("  ")));
        let words = |s: &str| s.split_whitespace().filter(|w| *w != "-").map(str::to_owned).collect::<Vec<_>>();
        assert_eq!(words(&page), words(&text));
    }
}
