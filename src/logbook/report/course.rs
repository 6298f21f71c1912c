//! A trainee's course in one measure, drawn: the learning curve with its band, the chart of failures with its lines, the chart of
//! competence with its limits. Under them stands in words what they say.

use super::plot::{Plot, Shape, mark};
use crate::logbook::analysis::course::{Competence, Wald};
use crate::logbook::analysis::measure::Outcome;
use crate::logbook::analysis::{Course, Measure, words};
use crate::statistics::cusum::Line;
use crate::statistics::lc_cusum::Signal;
use maud::{Markup, html};

/// Width of the document's column, px, and of a chart of three in a row.
pub const WIDE: f64 = 736.0;
const THIRD: f64 = 240.0;
const HIGH: f64 = 168.0;

/// Attempts from which single ones are no longer drawn under a curve.
const MANY: usize = 400;

/// Charts and words of a course. `id` makes it one of its kind on the page.
pub fn section(course: &Course, id: &str) -> Markup {
    let (wald, competence) = match &course.charts {
        Some(charts) => (charts.wald.as_ref().ok(), charts.competence.as_ref().ok()),
        None => (None, None),
    };
    let charts = course.charts.as_ref();
    let wide = if charts.is_some() { THIRD } else { WIDE };
    html! {
        section.course-of {
            h3 {
                (course.measure.label())
                @if let Measure::Component(component) = course.measure { small { " " (component.asks) } }
            }
            p { (words::level(course)) }
            div.row {
                figure {
                    (curve(course, &format!("{id}-curve"), (wide, HIGH), true))
                    figcaption { (words::curve(course)) }
                }
                @if let Some(charts) = charts {
                    figure {
                        @if let Some(wald) = wald { (failures(wald, course, &format!("{id}-wald"))) }
                        figcaption { (words::wald(charts)) }
                    }
                    figure {
                        @if let Some(competence) = competence { (shown(competence, course, &format!("{id}-shown"))) }
                        figcaption { (words::competence(charts)) }
                    }
                }
            }
            p.aside { (words::adjustment(course)) }
        }
    }
}

/// First and last attempt on an axis.
fn span(course: &Course) -> (f64, f64) {
    (1.0, course.steps.len().max(2) as f64)
}

/// Where an axis of harm ends: harm is rare, and its band is wide at the first attempts, which may run out of the picture.
fn top(drawn: &[(u32, f64, f64, f64)]) -> f64 {
    let band = drawn.iter().skip(drawn.len() / 4).map(|(.., high)| *high);
    let most = drawn.iter().map(|(_, value, ..)| *value).chain(band).fold(0.1, f64::max);
    (1.1 * most).min(1.0)
}

/// The learning curve. `is_whole`: with its heading in full, and single attempts.
pub fn curve(course: &Course, id: &str, size: (f64, f64), is_whole: bool) -> Markup {
    let drawn = course.drawn();
    let range = course.measure.range();
    let title = if !is_whole {
        ""
    } else if course.measure == Measure::Breach {
        "Simulated breach, %"
    } else if range.is_some() {
        course.measure.drawn()
    } else if course.measure == Measure::Pass {
        "Passed, % of attempts"
    } else {
        "Met, % of attempts"
    };
    let plot = Plot {
        id: id.to_owned(),
        title,
        told: format!("{} {}", words::level(course), words::curve(course)),
        size,
        x: span(course),
        y: range.unwrap_or((0.0, if course.measure == Measure::Breach { top(&drawn) } else { 1.0 })),
        x_label: if is_whole { "Attempt" } else { "" },
        is_share: range.is_none(),
        is_invented: course.is_invented(),
    };
    let band: Vec<_> = drawn.iter().map(|(n, _, low, high)| (f64::from(*n), *low, *high)).collect();
    let line: Vec<_> = drawn.iter().map(|(n, value, ..)| (f64::from(*n), *value)).collect();
    // Above is what is drawn: what was good, or of breaches the harm.
    let is_harm = course.measure == Measure::Breach;
    let came = |good: bool| {
        let steps = course.steps.iter().filter(|_| course.steps.len() <= MANY);
        steps.filter(move |step| step.outcome == Some(Outcome::Good(good))).map(|step| f64::from(step.n))
    };
    let values = course.steps.iter().filter_map(|step| match step.outcome? {
        Outcome::Value(value) => Some((f64::from(step.n), value)),
        Outcome::Good(_) => None,
    });
    plot.svg(html! {
        @if !band.is_empty() { (plot.band(&band)) }
        (plot.dots(values))
        (plot.rug(!is_harm, true, came(true)))
        (plot.rug(is_harm, false, came(false)))
        @if !line.is_empty() { (plot.line("curve", &line)) }
        @else if is_whole {
            text.none x=(plot.x(plot.x.0) + 6.0) y=(plot.size.1 / 2.0) { "No curve: see the words" }
        }
    })
}

/// Wald's chart: the sum, begun anew after each crossing.
fn failures(wald: &Wald, course: &Course, id: &str) -> Markup {
    let (below, above) = wald.lines;
    let sums = || wald.points.iter().map(|(_, point)| point.value);
    let (low, high) = (sums().fold(-below, f64::min), sums().fold(above, f64::max));
    let pad = 0.12 * (high - low);
    let told = course.charts.as_ref().map_or(String::new(), words::wald);
    let title = if course.measure == Measure::Breach { "Simulated breaches: many?" } else { "Failures: too many?" };
    let plot = Plot {
        id: id.to_owned(),
        title,
        told,
        size: (THIRD, HIGH),
        x: span(course),
        y: (low - pad, high + pad),
        x_label: "Attempt",
        is_share: false,
        is_invented: course.is_invented(),
    };
    plot.svg(html! {
        (plot.level("warn", above))
        (plot.level("fine", -below))
        @for run in wald.runs() { (plot.jagged("sum", &run)) }
        @for (n, point) in &wald.points {
            @match point.crossed {
                Some(Line::Unacceptable) => (mark(Shape::Triangle, plot.x(f64::from(*n)), plot.y(point.value))),
                Some(Line::Acceptable) => (mark(Shape::Disc, plot.x(f64::from(*n)), plot.y(point.value))),
                None => {},
            }
        }
        (plot.word(above, false, "too many"))
        (plot.word(-below, true, "acceptable"))
    })
}

/// The chart of competence: while it is to be shown, and after that, while it is watched.
fn shown(competence: &Competence, course: &Course, id: &str) -> Markup {
    let design = &competence.design;
    let has = |signal| competence.points.iter().any(|(_, point)| point.watched == signal);
    let is_watched = has(Signal::Lost);
    let most = if is_watched { design.shown.h.max(design.lost.h) } else { design.shown.h };
    let most = competence.points.iter().map(|(_, point)| point.value).fold(most, f64::max);
    let told = course.charts.as_ref().map_or(String::new(), words::competence);
    let plot = Plot {
        id: id.to_owned(),
        title: if course.measure == Measure::Breach { "Simulated breaches: few?" } else { "Competence: shown?" },
        told,
        size: (THIRD, HIGH),
        x: span(course),
        y: (0.0, 1.15 * most),
        x_label: "Attempt",
        is_share: false,
        is_invented: course.is_invented(),
    };
    plot.svg(html! {
        (plot.level("fine", design.shown.h))
        @if is_watched { (plot.level("warn", design.lost.h)) }
        @for (watched, run) in competence.runs() { (plot.jagged(if watched == Signal::Shown { "sum" } else { "sum watched" }, &run)) }
        @for (n, point) in competence.points.iter().filter(|(_, point)| point.is_signal) {
            (mark(if point.watched == Signal::Shown { Shape::Disc } else { Shape::Triangle }, plot.x(f64::from(*n)), plot.y(point.value)))
        }
        (plot.word(design.shown.h, true, "shown"))
        @if is_watched { (plot.word(design.lost.h, false, "no longer kept")) }
    })
}
