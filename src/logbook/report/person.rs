//! The report of one trainee: in short, each measure with its charts, the attempts, and how it is all meant. A device after another.

use super::course::section;
use super::{Sources, cell, document, table};
use crate::logbook::analysis::course::by_device;
use crate::logbook::analysis::{Course, Designs, Done, Measure, words};
use crate::logbook::moment;
use maud::{Markup, html};

/// The report of the trainee that is asked for.
pub fn of_trainee(sources: &Sources<'_>) -> String {
    let mut designs = Designs::default();
    let devices = by_device(&sources.found.attempts);
    let several = devices.len() > 1;
    let body = html! {
        @for (at, (device, own)) in devices.iter().enumerate() {
            @let courses: Vec<Course> =
                Measure::all().map(|measure| Course::of(measure, device, own, sources.stated, &mut designs)).collect();
            @if several { h2.device { "With " (device) } }
            (in_short(&courses, device, several))
            section {
                h2 { "How it goes on" }
                p.legend {
                    "Of three charts in a row the left one is the learning curve, with the band of its 95 % interval at each attempt; strokes \
                     along the upper edge are attempts that were good, along the lower edge those that were not (of breaches: above those \
                     with one). The middle one is a sum that rises with each failure and falls with each success: at the line above, \
                     failures are as frequent as what is not acceptable, at the line below as rare as what is, and the sum begins anew. The \
                     right one is a sum that rises with each success and never falls below zero: at its line competence counts as shown. \
                     A disc marks a line that says good, a triangle one that warns."
                }
                @for (place, course) in courses.iter().enumerate().filter(|(_, course)| course.judged() > 0) {
                    (section(course, &format!("d{at}m{place}")))
                }
            }
            (attempts(own, sources))
            (meant(&courses, sources))
        }
    };
    document(sources, body)
}

fn in_short(courses: &[Course], device: &str, several: bool) -> Markup {
    let not_judged: Vec<&str> =
        courses.iter().filter(|course| course.judged() == 0).map(|course| course.measure.label()).collect();
    html! {
        section {
            h2 { "In short" }
            @if !several { p.made { "Done with: " (device) "." } }
            (table("short-table", html! {
                thead { tr {
                    th scope="col" { "Measure" }
                    th scope="col" { "Judged in attempts" }
                    th scope="col" { "So far (95 % interval)" }
                    th scope="col" { "By the curve at the end" }
                    th scope="col" { "Too many failures" }
                    th scope="col" { "Competence" }
                } }
                tbody { @for course in courses.iter().filter(|course| course.judged() > 0) { (row(course)) } }
            }))
            @if !not_judged.is_empty() { p.aside { "Judged in no attempt: " (not_judged.join(", ")) "." } }
        }
    }
}

fn row(course: &Course) -> Markup {
    let drawn = course.drawn();
    let last = drawn.last().map(|(_, value, low, high)| {
        let [at, low, high] = [value, low, high].map(|at| words::value(course.measure, *at));
        (*value, format!("{at} ({}–{high})", low.trim_end_matches(" %")))
    });
    let rate = course.rate().map(|good| match course.measure {
        Measure::Breach => crate::statistics::rate::Rate { count: good.of - good.count, of: good.of },
        _ => good,
    });
    let wald = course.charts.as_ref().and_then(|charts| charts.wald.as_ref().ok());
    let too_many = wald.map(|wald| {
        wald.points
            .iter()
            .filter(|(_, point)| point.crossed == Some(crate::statistics::cusum::Line::Unacceptable))
            .map(|(n, _)| *n)
            .collect::<Vec<u32>>()
    });
    let shown = course.charts.as_ref().and_then(|charts| charts.competence.as_ref().ok());
    html! {
        tr {
            th scope="row" { (course.measure.label()) }
            (cell(course.judged() as f64, &course.judged().to_string()))
            @match rate {
                Some(rate) => (cell(rate.share(), &words::with_interval(rate))),
                None => @match words::mean(course) {
                    Some(mean) => (cell(mean, &format!("{} on average", words::value(course.measure, mean)))),
                    None => (cell(-1.0, "–")),
                },
            }
            @match &last { Some((value, told)) => (cell(*value, told)), None => (cell(-1.0, "–")) }
            @match too_many.as_deref() {
                Some([]) => (cell(0.0, "never")),
                Some(all @ [.., last]) => (cell(f64::from(*last), &format!("▲ {}, last at {last}", times(all.len())))),
                None => (cell(-1.0, "–")),
            }
            @match shown.map(|shown| (shown.shown_at(), shown.lost_at())) {
                Some((Some((n, _)), None)) => (cell(f64::from(n), &format!("● shown at {n}"))),
                Some((Some((n, _)), Some(lost))) => (cell(f64::from(n), &format!("▲ shown at {n}, lost at {lost}"))),
                Some((None, _)) => (cell(1e9, "not yet shown")),
                None => (cell(2e9, "–")),
            }
        }
    }
}

fn times(count: usize) -> String {
    if count == 1 { "once".to_owned() } else { format!("{count} times") }
}

/// Every attempt, with the number of its entry, by which it is found in the record and seen again.
fn attempts(own: &[&Done], sources: &Sources<'_>) -> Markup {
    html! {
        section {
            h2 { "The attempts" }
            (table("attempts", html! {
                thead { tr {
                    th scope="col" { "Attempt" }
                    th scope="col" { "Entry" }
                    th scope="col" { "Done on" }
                    th scope="col" { "Case" }
                    th scope="col" { "Outcome" }
                    th scope="col" { "Score" }
                    th scope="col" { "Prediction error" }
                    th scope="col" { "Signed off" }
                } }
                tbody {
                    @for (n, done) in (1_u32..).zip(own) {
                        tr {
                            (cell(f64::from(n), &n.to_string()))
                            (cell(done.seq as f64, &done.seq.to_string()))
                            td { (moment::day(done.at_ms)) }
                            td { (done.scenario) }
                            td {
                                @if done.passed { "passed" } @else { "not passed" }
                                @if done.is_breached { strong { ", simulated breach" } }
                            }
                            @match done.score { Some(score) => (cell(score, &format!("{score:.0}"))), None => (cell(-1.0, "–")) }
                            @match done.prediction_error {
                                Some(error) => (cell(error, &format!("{error:.2}"))),
                                None => (cell(-1.0, "–")),
                            }
                            td { @if sources.signed_off.contains(&done.seq) { "yes" } @else { "no" } }
                        }
                    }
                }
            }))
        }
    }
}

/// How it is meant, and how often charts are wrong.
fn meant(courses: &[Course], sources: &Sources<'_>) -> Markup {
    let charts = || courses.iter().filter_map(|course| course.charts.as_ref().map(|charts| (course, charts)));
    // Measures of the same shares and adjustment are wrong equally often.
    let mut told: Vec<(Vec<&str>, Vec<String>)> = Vec::new();
    for (course, charts) in charts().filter(|(course, _)| course.judged() > 0) {
        let errors = words::errors(charts);
        match told.iter_mut().find(|(_, known)| *known == errors) {
            Some((labels, _)) => labels.push(course.measure.label()),
            None => told.push((vec![course.measure.label()], errors)),
        }
    }
    html! {
        section.meant {
            h2 { "How this is meant, and how often it is wrong" }
            p { (words::shares(sources.stated)) " " (words::stated(sources.stated)) }
            @for (labels, errors) in &told {
                h3 { (labels.join(", ")) }
                @for error in errors { p { (error) } }
            }
            (method())
        }
    }
}

/// What holds of every report.
pub fn method() -> Markup {
    html! {
        h3 { "For all" }
        ul {
            li {
                "A component is failed where its score does not reach what it is met with; what did not apply in an attempt does not count, \
                 and what was never reached is failed."
            }
            li {
                "Difficulty is that of each shipped case as simulated trainees had it, 0 being the middle of the shipped cases; any other \
                 case counts as one of the middle. It is in logits: where half of the attempts are passed, a case that is harder by one logit is \
                 passed in 27 of 100. Curves and charts of failures take it into account where it is known, charts of \
                 competence and shares do not."
            }
            li {
                "An attempt is passed where every component that counts in its case is met and no harm was done. The score also counts what was \
                 nearly met: it may be high where nothing was passed, and harm sets it to 0."
            }
            li {
                "Prediction error: before a chop a trainee may say how deep the tip will be and what will come of it. 0 is foretold rightly, 1 \
                 not at all; attempts in which nothing was said have none."
            }
            li {
                "A breach here is one of a simulated capsule: it says nothing of how often anybody breaches one in an operation."
            }
            li {
                "Attempts are taken to be independent of each other given their difficulty. Several charts of the same attempts are several \
                 tests, and nothing corrects for that."
            }
            li { "Where there is too little to go by, there is no number but a sentence. Scores are those the attempts came with." }
        }
    }
}
