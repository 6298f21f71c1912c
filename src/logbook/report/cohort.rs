//! The report of several trainees: in short, each in a row, who stands out, which teaching point is missed most, cases, stations, and
//! how each goes on. A device after another.

use super::course::{WIDE, curve};
use super::person::method;
use super::plot::{Name, Plot, Shape, mark};
use super::{Sources, cell, document, table};
use crate::debrief::charts::px;
use crate::logbook::analysis::cohort::{
    Cohort, FEWEST_TOGETHER, Missed, Part, Person, Tally, Together, in_blocks, outcomes,
};
use crate::logbook::analysis::course::by_device;
use crate::logbook::analysis::rows::SIMULATED;
use crate::logbook::analysis::{Designs, Done, Measure, words};
use crate::statistics::funnel::{self, Standing};
use crate::statistics::rate::Rate;
use maud::{Markup, html};

/// Width of two charts in a row, and their height, px.
const HALF: f64 = 362.0;
const HIGH: f64 = 250.0;

/// Size of a trainee's small chart, px.
const SMALL: (f64, f64) = (176.0, 92.0);

/// The report of all trainees that are found.
pub fn of_cohort(sources: &Sources<'_>) -> String {
    let mut designs = Designs::default();
    let devices = by_device(&sources.found.attempts);
    let several = devices.len() > 1;
    let body = html! {
        @for (at, (device, own)) in devices.iter().enumerate() {
            @let cohort = Cohort::of(device, own, sources.stated, &mut designs);
            @if several { h2.device { "With " (device) } }
            (in_short(&cohort, several))
            (people(&cohort))
            (stand_out(&cohort, at))
            (on_together(&cohort, own, at))
            (teaching(&cohort))
            (parts(PartsOf::Groups, &cohort.of_groups(own, sources.groups)))
            (parts(PartsOf::Stations, &cohort.stations))
            (parts(PartsOf::Cases, &cohort.cases))
            (each(&cohort, at))
            (meant(&cohort, sources, &mut designs))
        }
    };
    document(sources, body)
}

fn in_short(cohort: &Cohort, several: bool) -> Markup {
    let Tally { passed, breached, .. } = cohort.tally;
    let shown = cohort.people.iter().filter(|person| person.shown_at().is_some()).count();
    let beyond = |standing: fn(&Person) -> Option<Standing>, wanted: &[Standing]| -> Vec<&str> {
        let is_meant = |person: &&Person| standing(person).is_some_and(|standing| wanted.contains(&standing));
        cohort.people.iter().filter(is_meant).map(|person| person.trainee.as_str()).collect()
    };
    let named = |who: &[&str]| if who.is_empty() { "nobody".to_owned() } else { who.join(", ") };
    let low = beyond(|person| person.standing, &[Standing::Low]);
    let far_low = beyond(|person| person.standing, &[Standing::FarLow]);
    let far_breach = beyond(|person| person.breach_standing, &[Standing::High, Standing::FarHigh]);
    html! {
        section {
            h2 { "In short" }
            @if !several { p.made { "Done with: " (cohort.device) "." } }
            ul.says {
                li {
                    (words::counted(cohort.people.len(), "trainee", "trainees")) ", "
                    (words::counted(passed.of as usize, "attempt", "attempts")) ": passed in " (words::with_interval(passed))
                    ", simulated breaches in " (words::of_100(breached)) " of 100 (95 % intervals)."
                }
                li { "Competence in passing has been shown by " (shown) " of " (cohort.people.len()) ". Not yet shown is no proof of the opposite." }
                @if let Some(Missed { component, rate, .. }) = cohort.missed.first() {
                    li { "The teaching point missed most is " strong { (component.label) } ": in " (words::with_interval(*rate)) " of the attempts in which it was judged." }
                }
                li {
                    "Passed less often than chance explains: by the 99.8 % limits " (named(&far_low)) "; by the 95 % limits alone " (named(&low))
                    ". More simulated breaches than the 95 % limits allow: " (named(&far_breach)) "."
                }
            }
        }
    }
}

/// A place of a standing, for sorting.
fn standing_rank(standing: Option<Standing>) -> f64 {
    match standing {
        None => -9.0,
        Some(Standing::FarLow) => -2.0,
        Some(Standing::Low) => -1.0,
        Some(Standing::Within) => 0.0,
        Some(Standing::High) => 1.0,
        Some(Standing::FarHigh) => 2.0,
    }
}

/// Cells of what attempts come to.
fn tally(tally: &Tally) -> Markup {
    html! {
        (cell(f64::from(tally.passed.of), &tally.passed.of.to_string()))
        (cell(tally.passed.share(), &words::of_100(tally.passed)))
        @match tally.score { Some(score) => (cell(score, &format!("{score:.0}"))), None => (cell(-1.0, "–")) }
        (cell(tally.breached.share(), &words::of_100(tally.breached)))
        @match tally.prediction_error {
            Some((error, of)) => (cell(error, &format!("{error:.2} ({of})"))),
            None => (cell(-1.0, "–")),
        }
    }
}

fn tally_heads() -> Markup {
    html! {
        th scope="col" { "Attempts" }
        th scope="col" { "Passed, % (95 % interval)" }
        th scope="col" { "Mean score" }
        th scope="col" { "Simulated breaches, % (95 % interval)" }
        th scope="col" { "Prediction error (of attempts)" }
    }
}

fn people(cohort: &Cohort) -> Markup {
    html! {
        section {
            h2 { "Trainees" }
            (table("tight", html! {
                thead { tr {
                    th scope="col" { "Trainee" }
                    (tally_heads())
                    th scope="col" { "Competence in passing" }
                    th scope="col" { "Components shown" }
                    th scope="col" { "Among the others" }
                } }
                tbody {
                    @for person in &cohort.people {
                        tr {
                            th scope="row" { code { (person.trainee) } }
                            (tally(&person.tally))
                            @match person.shown_at() {
                                Some(n) => (cell(f64::from(n), &format!("● at {n}"))),
                                None => (cell(1e9, "not yet")),
                            }
                            @let (shown, of) = person.components_shown;
                            (cell(shown as f64, &format!("{shown} of {of}")))
                            (cell(standing_rank(person.standing), words::standing(person.standing)))
                        }
                    }
                }
            }))
            p.aside { "Among the others: ▼ ▲ beyond the 95 % limits of chance, ◆ beyond the 99.8 % limits. That, and the share passed, are not adjusted for the difficulty of cases: whoever met harder ones passes less. A click on a heading sorts." }
        }
    }
}

/// Both funnels.
fn stand_out(cohort: &Cohort, at: usize) -> Markup {
    let passed = funnel_of(cohort, &format!("f{at}p"), "Passed, %", cohort.tally.passed, |person| {
        (person.tally.passed, person.standing)
    });
    let breached =
        funnel_of(cohort, &format!("f{at}b"), "Simulated breach, % of attempts", cohort.tally.breached, |person| {
            (person.tally.breached, person.breach_standing)
        });
    html! {
        section.keep {
            h2 { "Who stands out" }
            div.row { (passed) (breached) }
            p.aside {
                "Each mark is a trainee. Dotted: the share of all. Dashed and solid: the limits within which 95 % and 99.8 % of trainees who are \
                 like all would lie. Rings lie within, triangles beyond the 95 % limits, diamonds beyond the 99.8 % limits. "
                (beyond_in_words(cohort))
            }
        }
    }
}

fn beyond_in_words(cohort: &Cohort) -> String {
    let target = cohort.tally.passed;
    let middle = target.of as usize / cohort.people.len().max(1);
    if target.of == 0 { String::new() } else { funnel::in_words(target.share(), middle).unwrap_or_default() }
}

fn funnel_of(
    cohort: &Cohort,
    id: &str,
    title: &str,
    target: Rate,
    of: impl Fn(&Person) -> (Rate, Option<Standing>),
) -> Markup {
    let most = cohort.people.iter().map(|person| of(person).0.of).max().unwrap_or(1).max(2);
    // Names stand beside marks that lie beyond the limits.
    let is_named = cohort.people.iter().any(|person| of(person).1.is_some_and(|standing| standing != Standing::Within));
    let end = (f64::from(most) * if is_named { 1.28 } else { 1.08 }).ceil();
    let limits = funnel::drawn(target.share(), end as usize).unwrap_or_default();
    let shares = cohort.people.iter().map(|person| of(person).0.share()).filter(|share| share.is_finite());
    // Harm is rare: its funnel ends where its marks and, for most numbers of attempts, its limits do.
    let from_a_third = limits.iter().filter(|limits| limits.n as f64 >= end / 3.0).map(|limits| limits.outer.1);
    let top = shares.chain(from_a_third).chain([target.share()]).fold(0.05, f64::max);
    let top = if top > 0.6 { 1.0 } else { 1.1 * top };
    let plot = Plot {
        id: id.to_owned(),
        title,
        told: format!(
            "Of all, {}. One mark for each of {} trainees.",
            words::with_interval(target),
            cohort.people.len()
        ),
        size: (HALF, HIGH),
        x: (0.0, end),
        y: (0.0, top),
        x_label: "Attempts",
        is_share: true,
        is_invented: cohort.device == SIMULATED,
    };
    let line = |of: fn(&funnel::Limits) -> f64| -> Vec<(f64, f64)> {
        limits.iter().map(|limits| (limits.n as f64, of(limits))).filter(|(_, share)| *share <= top).collect()
    };
    // Where marks lie, what they are, and how many lie there.
    let mut places: Vec<(f64, f64, Shape, usize)> = Vec::new();
    for (rate, standing) in cohort.people.iter().map(&of).filter(|(rate, _)| rate.of > 0) {
        let (x, y) = (plot.x(f64::from(rate.of)), plot.y(rate.share()));
        match places.iter_mut().find(|place| (place.0, place.1) == (x, y)) {
            Some((.., count)) => *count += 1,
            None => places.push((x, y, shape(standing), 1)),
        }
    }
    // Those beyond the limits have their names beside them.
    let beyond: Vec<(f64, f64, &str)> = cohort
        .people
        .iter()
        .filter_map(|person| {
            let (rate, standing) = of(person);
            let is_beyond = standing.is_some_and(|standing| standing != Standing::Within);
            is_beyond.then(|| (plot.x(f64::from(rate.of)), plot.y(rate.share()), person.trainee.as_str()))
        })
        .collect();
    let marks: Vec<(f64, f64)> = places.iter().map(|(x, y, ..)| (*x, *y)).collect();
    plot.svg(html! {
        @if !limits.is_empty() {
            (plot.level("target", target.share()))
            (plot.jagged("inner", &line(|l| l.inner.0)))
            (plot.jagged("inner", &line(|l| l.inner.1)))
            (plot.jagged("outer", &line(|l| l.outer.0)))
            (plot.jagged("outer", &line(|l| l.outer.1)))
        } @else {
            text.none x=(plot.x(0.0) + 8.0) y="36" { "All or none: no limits" }
        }
        @for (x, y, shape, count) in &places {
            (mark(*shape, *x, *y))
            @if *count > 1 { text.name.after x=(px(x + 6.0)) y=(px(y - 3.0)) { "×" (count) } }
        }
        @for Name { at: (x, y), is_left, name } in plot.names(&beyond, &marks) {
            text class=(if is_left { "name" } else { "name after" }) x=(px(x)) y=(px(y)) { (name) }
        }
    })
}

fn shape(standing: Option<Standing>) -> Shape {
    match standing {
        None | Some(Standing::Within) => Shape::Ring,
        Some(Standing::Low | Standing::High) => Shape::Triangle,
        Some(Standing::FarLow | Standing::FarHigh) => Shape::Diamond,
    }
}

/// Most points of a line of all together; beyond that several attempt numbers are told together.
const POINTS: usize = 15;

fn on_together(cohort: &Cohort, own: &[&Done], at: usize) -> Markup {
    let charts = [
        (Measure::Pass, "Passed, % of attempts"),
        (Measure::Score, "Mean score of 100"),
        (Measure::Breach, "Simulated breach, % of attempts"),
        (Measure::PredictionError, "Mean prediction error, 0 to 1"),
    ];
    let most = cohort.people.iter().map(|person| person.tally.passed.of as usize).max().unwrap_or(0);
    let blocks = std::iter::successors(Some(1), |block| Some(block * 10)).flat_map(|one| [one, 2 * one, 5 * one]);
    let block = blocks.into_iter().find(|block| most <= block * POINTS).unwrap_or(most);
    let drawn: Vec<(Measure, &str, Vec<Together>)> = charts
        .into_iter()
        .map(|(measure, title)| (measure, title, in_blocks(measure, &outcomes(measure, own), block)))
        .filter(|(.., points)| points.len() > 1)
        .collect();
    let is_invented = cohort.device == SIMULATED;
    html! {
        @if !drawn.is_empty() {
            section.keep {
                h2 { "How it goes on, all together" }
                @for pair in drawn.chunks(2) {
                    div.row {
                        @for (measure, title, points) in pair {
                            (together_chart(*measure, title, points, &format!("t{at}-{measure}"), block, is_invented))
                        }
                    }
                }
                p.aside {
                    "By number of the attempt" @if block > 1 { ", " (block) " attempts together," }
                    " wherever " (FEWEST_TOGETHER) " trainees or more had one; the band is the 95 % interval over \
                     trainees, of shares over attempts. Whoever has made few attempts is missing on the right, so that the line there may be of \
                     others than on the left."
                }
            }
        }
    }
}

fn together_chart(
    measure: Measure,
    title: &str,
    points: &[Together],
    id: &str,
    block: usize,
    is_invented: bool,
) -> Markup {
    // Attempts that are told together lie in their middle.
    let middle = |point: &Together| f64::from(point.n) + 0.5 * (block as f64 - 1.0);
    let band: Vec<_> = points.iter().map(|point| (middle(point), point.low, point.high)).collect();
    let line: Vec<_> = points.iter().map(|point| (middle(point), point.value)).collect();
    let end = |point: &Together| {
        let which = match block {
            1 => format!("at attempt {}", point.n),
            more => format!("in attempts {} to {}", point.n, point.n as usize + more - 1),
        };
        format!("{which} {} of {} trainees", words::value(measure, point.value), point.of)
    };
    let top = match (measure, measure.range()) {
        (Measure::Breach, _) => (1.1 * points.iter().map(|point| point.high).fold(0.05, f64::max)).min(1.0),
        (_, Some(range)) => range.1,
        _ => 1.0,
    };
    let plot = Plot {
        id: id.to_owned(),
        title,
        told: format!("{}; {}.", end(&points[0]), end(&points[points.len() - 1])),
        size: (HALF, 180.0),
        x: (f64::from(points[0].n), line[line.len() - 1].0 + 0.5 * (block as f64 - 1.0)),
        y: (0.0, top),
        x_label: "Attempt",
        is_share: measure.range().is_none(),
        is_invented,
    };
    plot.svg(html! { (plot.band(&band)) (plot.line("curve", &line)) (plot.dots(line.iter().copied())) })
}

fn teaching(cohort: &Cohort) -> Markup {
    html! {
        section {
            h2 { "Which teaching points are missed" }
            (table("teaching", html! {
                thead { tr {
                    th scope="col" { "Component, and what it asks for" }
                    th scope="col" { "Missed in attempts" }
                    th scope="col" { "Share missed (95 % interval)" }
                    th scope="col" { "0 to 100 %" }
                    th scope="col" { "Trainees who mostly miss it" }
                } }
                tbody {
                    @for Missed { component, rate, trainees } in &cohort.missed {
                        tr {
                            th scope="row" { (component.label) small { (component.asks) } }
                            (cell(f64::from(rate.count), &format!("{} of {}", rate.count, rate.of)))
                            (cell(rate.share(), &words::with_interval(*rate)))
                            td data-by=(format!("{:.6}", rate.share())) { (bar(*rate)) }
                            (cell(trainees.share(), &format!("{} of {}", trainees.count, trainees.of)))
                        }
                    }
                }
            }))
            p.aside {
                "Of the attempts in which it was judged; mostly is in half of them or more. In the order of the lower ends of their intervals, so that what was judged a few times does \
                 not come first by luck. These take attempts to be independent; those of one trainee are alike, so \
                 that they are somewhat too narrow."
            }
        }
    }
}

/// A share as a bar, with its interval as a line across its end.
fn bar(rate: Rate) -> Markup {
    let (low, high) = rate.wilson();
    let x = |share: f64| format!("{:.1}", 1.0 + 138.0 * share);
    html! {
        svg.share viewBox="0 0 140 14" aria-hidden="true" {
            rect.full x="1" y="1" width="138" height="12" {}
            rect.part x="1" y="1" width=(format!("{:.1}", 138.0 * rate.share())) height="12" {}
            path.interval d=(format!("M{0} 7H{1}M{0} 4V10M{1} 4V10", x(low), x(high))) {}
        }
    }
}

/// What a cohort is told in parts of.
#[derive(Clone, Copy, PartialEq)]
enum PartsOf {
    Groups,
    Stations,
    Cases,
}

fn parts(of: PartsOf, parts: &[Part]) -> Markup {
    let (title, what) = match of {
        PartsOf::Groups => ("By group", "Group"),
        PartsOf::Stations => ("By station", "Station"),
        PartsOf::Cases => ("By case", "Case"),
    };
    let is_case = of == PartsOf::Cases;
    html! {
        @if !parts.is_empty() { section.keep {
            h2 { (title) }
            (table("tight", html! {
                thead { tr {
                    th scope="col" { (what) }
                    th scope="col" { "Trainees" }
                    (tally_heads())
                    @if is_case { th scope="col" { "Difficulty, logits" } } @else { th scope="col" { "Among the others" } }
                } }
                tbody {
                    @for part in parts {
                        tr {
                            th scope="row" { (part.name) }
                            (cell(part.trainees as f64, &part.trainees.to_string()))
                            (tally(&part.tally))
                            @if is_case {
                                @match part.difficulty {
                                    Some(logits) => (cell(logits, &signed(logits))),
                                    None => (cell(-99.0, "not known")),
                                }
                            } @else {
                                (cell(standing_rank(part.standing), words::standing(part.standing)))
                            }
                        }
                    }
                }
            }))
            @match of {
                PartsOf::Cases => p.aside { "Difficulty of passing as simulated trainees had it, above (+) or below (−) the middle of the shipped cases: where half of the attempts at a case of the middle are passed, 27 of 100 are at one of +1." },
                PartsOf::Stations => p.aside { "A station is where an attempt was handed in. Stations differ in who sits at them and in which cases are done there; nothing here corrects for that." },
                PartsOf::Groups => p.aside { "Groups as the file of names has them. They differ in who is in them, in how many attempts each has made and at which cases; nothing here corrects for that." },
            }
        } }
    }
}

/// With its sign, and no sign where it rounds to nothing.
fn signed(logits: f64) -> String {
    if logits.abs() < 0.05 { "0.0".to_owned() } else { format!("{logits:+.1}").replace('-', "−") }
}

fn each(cohort: &Cohort, at: usize) -> Markup {
    html! {
        section {
            h2 { "How passing goes on, each by themselves" }
            div.small {
                @for (place, person) in cohort.people.iter().enumerate() {
                    figure {
                        figcaption {
                            code { (person.trainee) }
                            @if let Some(n) = person.shown_at() { " ● shown at " (n) } @else { " not yet shown" }
                        }
                        @if person.passing.curve.is_ok() {
                            (curve(&person.passing, &format!("e{at}-{place}"), SMALL, false))
                        } @else {
                            p.none { (words::level(&person.passing)) " " (words::curve(&person.passing)) }
                        }
                    }
                }
            }
            p.aside { "Passed, % of attempts at a case of middle difficulty, by number of the attempt, with the 95 % interval. Strokes above are attempts that were passed, below those that were not." }
        }
    }
}

fn meant(cohort: &Cohort, sources: &Sources<'_>, designs: &mut Designs) -> Markup {
    let component = cohort.missed.first().map(|missed| Measure::Component(missed.component));
    let told = [("Competence in passing", Some(Measure::Pass)), ("Competence in a component", component)];
    let shares = told.into_iter().filter_map(|(what, measure)| Some((what, sources.stated.shares(measure?)?)));
    html! {
        section.meant {
            h2 { "How this is meant, and how often it is wrong" }
            p { (words::shares(sources.stated)) " " (words::stated(sources.stated)) }
            @for (what, shares) in shares {
                h3 { (what) }
                p {
                    @match designs.of(shares, sources.stated) {
                        Ok(design) => (design.shown.in_words()),
                        Err(refusal) => { "No chart: " (refusal.to_string()) "." },
                    }
                }
            }
            (method())
            p.aside { "Charts of a trainee in full: `corecleft logbook report --trainee PSEUDONYM`." }
        }
    }
}

const _: () = assert!(2.0 * HALF + 12.0 <= WIDE);
