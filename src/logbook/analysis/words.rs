//! What results say, as sentences: the same ones on the page of a terminal and in a document.

use super::course::{Charts, Course, Stated, Step};
use super::measure::{COMPONENTS, Measure, Outcome, Shares};
use super::rows::{Counted, Engines, Purposes, Wanted};
use crate::statistics::cusum::Line;
use crate::statistics::funnel::Standing;
use crate::statistics::rate::Rate;

/// A share as a percentage: whole, or with a decimal below ten; never a 0 or a 100 that was rounded to.
pub fn percent(share: f64) -> String {
    let value = 100.0 * share;
    let is_near_an_end = !(9.95..=99.5).contains(&value);
    let text = if is_near_an_end { format!("{value:.1}") } else { format!("{value:.0}") };
    format!("{} %", text.trim_end_matches(".0"))
}

/// A share with its interval: `30 % (18–45 %)`; a dash of none.
pub fn with_interval(rate: Rate) -> String {
    if rate.of == 0 {
        return "–".to_owned();
    }
    format!("{} ({})", percent(rate.share()), interval(rate))
}

/// The interval of a share: `18–45 %`.
fn interval(rate: Rate) -> String {
    let (low, high) = rate.wilson();
    format!("{}–{}", percent(low).trim_end_matches(" %"), percent(high))
}

/// The same of a hundred attempts, for what has its unit elsewhere: `4.7 (3.5–6.4)`.
pub fn of_100(rate: Rate) -> String {
    with_interval(rate).replace(" %", "")
}

/// So many of something.
pub fn counted(count: usize, one: &str, more: &str) -> String {
    format!("{count} {}", if count == 1 { one } else { more })
}

/// Numbers of attempts as a list, the last few of them where there are many.
fn numbers(all: &[u32]) -> String {
    let shown = &all[all.len().saturating_sub(4)..];
    let told = shown.iter().map(u32::to_string).collect::<Vec<_>>().join(", ");
    if shown.len() < all.len() { format!("{told} ({} times in all)", all.len()) } else { told }
}

/// Where somebody's share lies among the others'.
pub fn standing(standing: Option<Standing>) -> &'static str {
    match standing {
        None => "–",
        Some(Standing::Within) => "within",
        Some(Standing::Low) => "▼ below",
        Some(Standing::High) => "▲ above",
        Some(Standing::FarLow) => "◆ far below",
        Some(Standing::FarHigh) => "◆ far above",
    }
}

/// Of whom it is told.
pub fn whose(wanted: &Wanted) -> String {
    match (&wanted.trainee, &wanted.group) {
        (Some(trainee), _) => format!("Trainee {trainee}"),
        (None, Some(group)) => format!("Group {}", group.name),
        (None, None) => "All trainees".to_owned(),
    }
}

/// Which attempts count, and what was left out.
pub fn what_counts(wanted: &Wanted, found: &Counted) -> String {
    let which = match (wanted.all, wanted.purposes) {
        (false, Purposes::Assessment) => "First attempts on unseen eyes, handed in for assessment",
        (false, Purposes::Practice) => "First attempts on unseen eyes, handed in as practice",
        (false, Purposes::Both) => "First attempts on unseen eyes, assessment and practice together, as asked",
        (true, Purposes::Assessment) => {
            "All attempts handed in for assessment, also later ones on the same eye, as asked"
        }
        (true, Purposes::Practice) => "All attempts handed in as practice, also later ones on the same eye, as asked",
        (true, Purposes::Both) => "All attempts, later ones on the same eye and practice too, as asked",
    };
    let days = match (wanted.from, wanted.to) {
        (None, None) => String::new(),
        (Some(from), None) => format!(", done on {from} or later"),
        (None, Some(to)) => format!(", done on {to} or earlier"),
        (Some(from), Some(to)) => format!(", done from {from} to {to}"),
    };
    let whose = wanted.group.as_ref().map_or(String::new(), |group| {
        let trainees = counted(group.trainees.len(), "trainee", "trainees");
        format!(", of the {trainees} of group {}", group.name)
    });
    let other = if wanted.purposes == Purposes::Practice { "assessment" } else { "practice" };
    let out = [
        (found.later, "later on an eye seen before"),
        (found.other_purpose, other),
        (found.other_days, "on other days"),
        (found.other_device, "with other devices"),
    ];
    let out: Vec<String> =
        out.iter().filter(|(count, _)| *count > 0).map(|(count, what)| format!("{count} {what}")).collect();
    let out = if out.is_empty() { String::new() } else { format!(" Left out: {}.", out.join(", ")) };
    let numbered = if wanted.from.is_some() { ", numbered from the first of them" } else { "" };
    format!("{which}{days}{whose}: {}{numbered}.{out}", found.of)
}

/// Which engines computed the attempts, and what was left out since another one did.
pub fn engines(wanted: &Wanted, found: &Counted) -> String {
    let named = |engines: &mut dyn Iterator<Item = &String>| engines.map(String::as_str).collect::<Vec<_>>().join(", ");
    let these = named(&mut found.engines.iter());
    if found.engines.len() > 1 {
        let count = found.engines.len();
        return format!(
            "Computed by {count} versions of the engine, counted together as asked: {these}; what another version computes is another eye."
        );
    }
    if found.engines.is_empty() {
        return String::new();
    }
    if found.other_engines.is_empty() {
        return format!("Computed by engine {these}.");
    }
    let which = if wanted.engines == Engines::Newest { "the newest of these" } else { "as asked" };
    let others = found.other_engines.values().sum();
    format!(
        "Computed by engine {these}, {which}; left out: {} of other versions ({}), as what another version computes is another eye.",
        counted(others, "attempt", "attempts"),
        named(&mut found.other_engines.keys())
    )
}

/// That attempts were invented; `None` where none was.
pub fn invented(found: &Counted) -> Option<String> {
    let Counted { simulated, of, .. } = found;
    let which = if simulated == of { "all".to_owned() } else { simulated.to_string() };
    (*simulated > 0).then(|| {
        format!(
            "Invented: {which} of these {of} attempts were made by simulated trainees; no person stands behind them."
        )
    })
}

/// Several devices, and that they are kept apart; `None` where there is one.
pub fn devices(found: &Counted) -> Option<String> {
    let devices: Vec<&str> = found.devices.iter().map(String::as_str).collect();
    (devices.len() > 1)
        .then(|| format!("Done with {} devices, each told by itself: {}.", devices.len(), devices.join(", ")))
}

/// How often, or how much on average.
pub fn level(course: &Course) -> String {
    let judged = course.judged();
    let of = match course.steps.len() {
        all if all == judged => counted(judged, "attempt", "attempts"),
        all => format!("{} in which it applied, of {all}", counted(judged, "attempt", "attempts")),
    };
    match (course.measure, course.rate()) {
        _ if judged == 0 => "It applied in no attempt.".to_owned(),
        (Measure::Breach, Some(good)) => {
            let harm = Rate { count: good.of - good.count, of: good.of };
            format!(
                "Simulated breaches: {} in {of}, {} (95 % interval {}).",
                harm.count,
                percent(harm.share()),
                interval(harm)
            )
        }
        (measure, Some(good)) => {
            let word = if measure == Measure::Pass { "Passed" } else { "Met" };
            format!("{word}: {} of {of}, {} (95 % interval {}).", good.count, percent(good.share()), interval(good))
        }
        (_, None) => {
            let mean = mean(course).map_or_else(String::new, |mean| value(course.measure, mean));
            format!("{}: {mean} on average of {of}.", course.measure.label())
        }
    }
}

/// The mean of a measure that has values.
pub fn mean(course: &Course) -> Option<f64> {
    let value = |step: &Step| match step.outcome? {
        Outcome::Value(value) => Some(value),
        Outcome::Good(_) => None,
    };
    let values: Vec<f64> = course.steps.iter().filter_map(value).collect();
    (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
}

/// A value of a measure.
pub fn value(measure: Measure, value: f64) -> String {
    match measure {
        Measure::Score => format!("{value:.0}"),
        Measure::PredictionError => format!("{value:.2}"),
        _ => percent(value),
    }
}

/// Where the curve leads from and to, or why there is none.
pub fn curve(course: &Course) -> String {
    if let Err(refusal) = &course.curve {
        return format!("No curve: {refusal}.");
    }
    let drawn = course.drawn();
    let told = |(n, at, low, high): &(u32, f64, f64, f64)| {
        let [at, low, high] = [at, low, high].map(|at| value(course.measure, *at));
        (format!("{at} at attempt {n}"), format!("{}–{high}", low.trim_end_matches(" %")))
    };
    let (Some(first), Some(last)) = (drawn.first().map(told), drawn.last().map(told)) else { return String::new() };
    format!(
        "By the curve, at a case of middle difficulty: {} (95 % interval {}), {} ({}).",
        first.0, first.1, last.0, last.1
    )
}

/// What Wald's chart came to.
pub fn wald(charts: &Charts) -> String {
    let wald = match &charts.wald {
        Ok(wald) => wald,
        Err(refusal) => return format!("No chart of failures: {refusal}."),
    };
    let crossings = |line| -> Vec<u32> {
        wald.points.iter().filter(|(_, point)| point.crossed == Some(line)).map(|(n, _)| *n).collect()
    };
    let told = |all: &[u32]| match all {
        [] => "not crossed".to_owned(),
        all => format!("crossed at attempt {}", numbers(all)),
    };
    format!(
        "Chart of failures, {} acceptable against {} not: the line for too many {}, the line for acceptable {}.",
        percent(charts.shares.p0),
        percent(charts.shares.p1),
        told(&crossings(Line::Unacceptable)),
        told(&crossings(Line::Acceptable))
    )
}

/// What the chart of competence came to.
pub fn competence(charts: &Charts) -> String {
    let competence = match &charts.competence {
        Ok(competence) => competence,
        Err(refusal) => return format!("No chart of competence: {refusal}."),
    };
    let shown = match competence.shown_at() {
        Some((n, true)) => format!("shown at attempt {n}"),
        Some((n, false)) => format!(
            "shown at attempt {n}, after more attempts than the {} that its error rate is for",
            competence.design.shown.attempts
        ),
        None => format!(
            "not shown in {}; that is no proof of the opposite",
            counted(competence.points.len(), "attempt", "attempts")
        ),
    };
    let lost = competence.lost_at().map_or(String::new(), |n| format!("; at attempt {n} no longer kept"));
    format!(
        "Competence (failing in {} and not in {}): {shown}{lost}.",
        percent(charts.shares.p0),
        percent(charts.shares.p1)
    )
}

/// How often the charts are wrong.
pub fn errors(charts: &Charts) -> Vec<String> {
    let mut all = Vec::new();
    if let Ok(wald) = &charts.wald {
        all.push(wald.in_words.clone());
    }
    if let Ok(competence) = &charts.competence {
        all.push(competence.design.in_words());
    }
    all
}

/// What charts were made for.
pub fn stated(stated: &Stated) -> String {
    format!(
        "Stated for the chart of failures: α {}, β {}; for the chart of competence: a wrong signal in at most {} within {} attempts.",
        percent(stated.alpha),
        percent(stated.beta),
        percent(stated.wrongly),
        stated.within
    )
}

/// Which shares of failures the charts of several measures tell apart.
pub fn shares(stated: &Stated) -> String {
    let of = |measure: Measure| {
        stated.shares(measure).map_or(String::new(), |Shares { p0, p1 }| format!("{} and {}", percent(p0), percent(p1)))
    };
    let [passing, component, breach] = [Measure::Pass, Measure::Component(&COMPONENTS[0]), Measure::Breach].map(of);
    match stated.shares {
        Some(_) => format!(
            "Told apart as acceptable and not: {passing} of attempts failed in passing and in each component, as asked; {breach} with a simulated \
             breach, which is provisional and assumed."
        ),
        None => format!(
            "Told apart as acceptable and not: {passing} of attempts not passed, {breach} with a simulated breach, {component} failed in each \
             component. These shares are provisional and assumed."
        ),
    }
}

/// Whether the difficulty of cases was taken into account.
pub fn adjustment(course: &Course) -> String {
    let (judged, unknown) = (course.judged(), course.without_difficulty());
    if judged == 0 {
        return String::new();
    }
    let chart = match &course.charts {
        Some(Charts { wald: Ok(wald), .. }) if wald.is_adjusted => {
            "Curve and chart of failures are adjusted for the difficulty of cases; the chart of competence is not"
        }
        _ => "The curve is adjusted for the difficulty of cases",
    };
    match unknown {
        0 => format!("{chart}."),
        all if all == judged => {
            "Not adjusted for difficulty: for this it is known of none of these cases, and each counts as one of the middle.".to_owned()
        }
        some => format!(
            "{chart}; {some} of {judged} attempts were at cases whose difficulty is not known, and count as cases of the middle."
        ),
    }
}

/// No score decides anything.
pub const NO_SINGLE_SCORE: &str = "No single score decides anything: a chart or a curve is one thing that a supervisor who knows the \
                                   trainee looks at among others.";

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shares_are_written_with_the_digits_that_matter() {
        assert_eq!(percent(0.0), "0 %");
        assert_eq!([0.3, 0.031, 0.998, 1.0].map(percent), ["30 %", "3.1 %", "99.8 %", "100 %"]);
        assert_eq!(with_interval(Rate { count: 84, of: 3445 }), "2.4 % (2–3 %)");
        assert_eq!(with_interval(Rate { count: 0, of: 0 }), "–");
        assert_eq!(numbers(&[1, 2, 3, 4, 5]), "2, 3, 4, 5 (5 times in all)");
    }
}
