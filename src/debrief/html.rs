//! The debrief as one HTML document: nothing is loaded from elsewhere, nothing runs in it, and it prints on A4.
//!
//! Whatever colour says is said a second time, by shape, pattern or word; text is dark on white. What is critical comes in
//! the same dark, pointed shape in verdict, charts, list and graph. Units: the trade's. Limits: laid out for reading at
//! 80 letters a line; narrower windows scale the pictures down.

use crate::debrief::charts::{self, Mark, mark, mark_half};
use crate::debrief::follows::ratio_in_words;
use crate::debrief::graph::{self, Graph};
use crate::debrief::maps::picture::{self, Frame, Plot};
use crate::debrief::maps::{ChopMaps, Maps};
use crate::debrief::section;
use crate::debrief::text::{self, NOTICE, Titles};
use crate::debrief::timeline::{self, Moment};
use crate::debrief::{Component, Debrief, Facts, Follow, Status, critical_in_words, trace::Trace};
use crate::units::mmhg_from_pa;
use maud::{DOCTYPE, Markup, PreEscaped, html};

/// Lines of the story from which it is set in two columns.
const LONG_STORY: usize = 36;

/// The style sheet.
pub(crate) const STYLE: &str = include_str!("document.css");

/// The whole document. `maps`: where the judged chop works, where that was computed.
pub fn document(
    titles: &Titles<'_>,
    facts: &Facts<'_>,
    debrief: &Debrief,
    trace: &Trace,
    maps: Option<&Maps>,
) -> String {
    let story = timeline::story(facts, debrief);
    let marks = marks(facts, &story);
    let graph = Graph::of(facts, debrief);
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { "Debrief: " (titles.case) ", seed " (titles.seed) }
                style { (PreEscaped(STYLE)) @if maps.is_some() { (PreEscaped(picture::STYLE)) } }
            }
            body {
                header {
                    p.kind { "Debrief of a simulated attempt. For education only; not a medical device." }
                    h1 { (titles.case) }
                    p.made { (made(titles)) }
                    @if let Some(set_up) = titles.set_up { p.made { (text::set_up_line(set_up)) } }
                }
                main {
                    (verdict(debrief))
                    section {
                        h2 { "What to practise next" }
                        @for sentence in &debrief.advice { p { (sentence) } }
                    }
                    (components(debrief))
                    (why(debrief))
                    (expected(debrief))
                    (decisions(&graph))
                    (hardness(facts, debrief))
                    @if let Some(maps) = maps { (where_it_works(maps, debrief)) }
                    section.course {
                        h2 { "Course of the attempt" }
                        figure {
                            (charts::course(trace, &marks, facts.case.goals.capsule_floor_mm))
                            figcaption {
                                "Lines are means over a moment, pale bands what was reached within it; of the distance the line is \
                                 the least. A ring marks the lowest. Numbers stand for the lines of “What happened”"
                                @if marks.iter().any(|m| m.is_critical) { "; dark, pointed marks and solid lines are critical" }
                                "."
                            }
                        }
                    }
                    (happened(&story, &marks))
                    (pieces(facts, debrief))
                    section.short {
                        h2 { "Chamber and incision" }
                        ul { @for sentence in debrief.peaks.sentences() { li { (sentence) } } }
                    }
                }
                footer { p { (NOTICE) } }
            }
        }
    };
    page.into_string()
}

/// What was tried, and with what.
fn made(titles: &Titles<'_>) -> String {
    format!(
        "{}: {}. Seed {}. Engine: corecleft {}.",
        titles.made,
        titles.with.trim_end_matches('.'),
        titles.seed,
        env!("CARGO_PKG_VERSION")
    )
}

/// The story's lines as marks for the charts.
fn marks(facts: &Facts<'_>, story: &[Moment]) -> Vec<Mark> {
    let is_critical = |event: usize| critical_in_words(&facts.state.events[event].kind).is_some();
    let mark =
        |(i, m): (usize, &Moment)| Mark { number: i + 1, t_s: m.t_s, is_critical: m.event.is_some_and(is_critical) };
    story.iter().enumerate().map(mark).collect()
}

fn verdict(debrief: &Debrief) -> Markup {
    let outcome = &debrief.outcome;
    let (class, word) = if outcome.pass { ("verdict passed", "Passed") } else { ("verdict failed", "Not passed") };
    html! {
        section class=(class) {
            h2 { "Result" }
            p.score { (sign(if outcome.pass { Sign::Check } else { Sign::Cross })) (word) ", " (format!("{:.0}", libm::floor(outcome.score))) " of 100" }
            @if !outcome.critical.is_empty() {
                p { "After a critical event the score is 0:" }
                ul.critical { @for one in &outcome.critical { li { (sign(Sign::Critical)) strong { (one) } } } }
            }
            @if let Some((judged, count)) = debrief.judged_of_several() {
                p { "Judged on the best of " (count) " chops, at " (format!("{:.2}", debrief.chops[judged].t_s)) " s." }
            }
        }
    }
}

/// Signs that say without colour how something came out.
#[derive(Clone, Copy)]
enum Sign {
    Check,
    Cross,
    Dash,
    Critical,
}

fn sign(sign: Sign) -> Markup {
    let (class, path) = match sign {
        Sign::Check => ("sign check", "M2 8l4 4 8-9"),
        Sign::Cross => ("sign cross", "M3 3l10 10M13 3L3 13"),
        Sign::Dash => ("sign dash", "M3 8h10"),
        Sign::Critical => ("sign full", "M1 8L5 1h6l4 7-4 7H5z"),
    };
    html! { svg class=(class) viewBox="0 0 16 16" aria-hidden="true" { path d=(path) {} } }
}

fn components(debrief: &Debrief) -> Markup {
    html! {
        section {
            h2 { "What was judged" }
            table.components {
                thead { tr {
                    th scope="col" { "Component" }
                    th scope="col" { "Reached" }
                    th scope="col" { "Asked for" }
                    th scope="col" { "Outcome" }
                    th scope="col" { "Score of 100" }
                } }
                tbody { @for component in &debrief.components { (component_row(component)) } }
            }
        }
    }
}

fn component_row(component: &Component) -> Markup {
    let (class, shape) = match component.status {
        Status::Met => ("met", Sign::Check),
        Status::Missed => ("missed", Sign::Cross),
        Status::NotReached | Status::NotApplicable => ("not-reached", Sign::Dash),
    };
    let score = 100.0 * component.score;
    html! {
        tr class=(class) {
            th scope="row" { (component.label) }
            td { (component.shown) }
            td { (component.wanted) }
            td.outcome { (sign(shape)) (text::mark(component)) }
            td.score {
                @if component.status == Status::NotApplicable { "–" } @else {
                    svg.bar viewBox="0 0 60 12" aria-hidden="true" {
                        rect.full x="0.5" y="0.5" width="59" height="11" {}
                        rect.part x="0.5" y="0.5" width=(format!("{:.1}", 0.59 * score)) height="11" {}
                    }
                    span { (format!("{:.0}", libm::floor(score))) }
                }
            }
        }
    }
}

/// Causes, what went wrong first.
fn why(debrief: &Debrief) -> Markup {
    let (wrong, right) = (debrief.what_went_wrong(), debrief.what_went_well());
    html! {
        section {
            h2 { "Why" }
            @if !wrong.is_empty() { ul.wrong { @for sentence in &wrong { li { (sentence) } } } }
            @if !right.is_empty() {
                h3 { "What was met or not judged" }
                ul.right { @for sentence in &right { li { (sentence) } } }
            }
        }
    }
}

/// What was expected, beside what came; nothing where nothing was.
fn expected(debrief: &Debrief) -> Markup {
    html! {
        @if !debrief.predictions.is_empty() {
            section.short {
                h2 { "What was expected" }
                ul {
                    @for told in &debrief.predictions {
                        li {
                            (format!("{:.2} s: ", told.t_s)) (told.in_words())
                            @if let Some(judged) = told.judged_in_words() { " " (judged) }
                        }
                    }
                }
            }
        }
    }
}

/// What the case's sheet left out.
fn hardness(facts: &Facts<'_>, debrief: &Debrief) -> Markup {
    let burial = debrief.judged.and_then(|judged| debrief.chops[judged].hold.burial);
    let where_it_is = if burial.is_some() {
        "The section goes through the shaft, as it lay before the chopper came; what is white of it is the needle out of its sleeve."
    } else {
        "The section goes through the axis of the lens."
    };
    html! {
        section.hardness {
            h2 { "How hard this lens was" }
            figure {
                (section::svg(facts, burial.as_ref()))
                figcaption { "Front above, the posterior capsule, thick, below; the lens as it was before surgery. " (where_it_is) }
            }
        }
    }
}

/// The maps.
fn where_it_works(maps: &Maps, debrief: &Debrief) -> Markup {
    html! {
        section.maps {
            h2 { "Where this chop works" }
            @match maps {
                Maps::NoChop => p { "There was no chop, so there is no map of where it would have worked." },
                Maps::NotTold => p { "The chop was not begun by a buried tip, so there is no map of where it would have worked." },
                Maps::Drawn(maps) => (drawn_maps(maps, debrief)),
            }
        }
    }
}

fn drawn_maps(maps: &ChopMaps, debrief: &Debrief) -> Markup {
    let plots = maps.plots();
    let [first, vacuum, places] = &plots;
    let small = Frame { left: 60.0, top: 26.0, wide: 308.0, high: 240.0 };
    let (legend, high) = picture::legend(&plots, 4.0, 2.0, charts::WIDTH - 8.0);
    html! {
        p { (maps.depths_in_words()) @if let Some(sentence) = maps.compared() { " " (sentence) } }
        figure {
            h3 { "Depth and tip angle" }
            (map_svg("map-angle", "Outcome over depth and tip angle", first, &Frame { left: 60.0, top: 26.0, wide: 700.0, high: 280.0 }, charts::WIDTH))
        }
        div.pair {
            figure {
                h3 { "Depth and vacuum" }
                (map_svg("map-vacuum", "Outcome over depth and vacuum", vacuum, &small, charts::WIDTH / 2.0 - 8.0))
            }
            figure {
                h3 { "Place on the lens, from the front" }
                (map_svg("map-place", "Outcome over the place on the lens", places, &small, charts::WIDTH / 2.0 - 8.0))
            }
        }
        figure {
            svg.map aria-hidden="true" viewBox=(format!("0 0 {} {:.0}", charts::WIDTH, high + 4.0)) { (legend) }
            figcaption {
                (maps.count()) " chops, computed in this model, by hands that do not miss, from where you stood before your tip went \
                into the lens"
                @if debrief.judged.is_some_and(|judged| judged > 0) { " for the chop that is judged" }
                ". Each map changes the two things at its axes; the rest is as you chose it: kind of chop, separation, and depth, \
                angle, place and vacuum. The foot goes back to position 2 after burying. Where nearly all of the core is broken and \
                no outline runs, a last bridge, in the core or beside it, still joins the sides. Near an outline your own hands may come out on its \
                other side."
            }
        }
    }
}

fn map_svg(id: &str, title: &str, plot: &Plot<'_>, frame: &Frame, wide: f64) -> Markup {
    let frame = plot.fitted(frame);
    let high = frame.top + frame.high + 44.0;
    html! {
        svg.map role="img" aria-labelledby=(format!("{id}-title {id}-desc")) viewBox=(format!("0 0 {wide} {high:.0}")) {
            title id=(format!("{id}-title")) { (title) }
            desc id=(format!("{id}-desc")) { (plot.in_words()) }
            (plot.drawn(&frame))
        }
    }
}

fn decisions(graph: &Graph) -> Markup {
    let Some(picture) = graph::svg(graph) else { return html! {} };
    html! {
        section.decisions {
            h2 { "From decision to consequence" }
            figure {
                (picture)
                figcaption {
                    "Rounded boxes are what hand or foot did; an arrow leads to what the engine noted as coming of it."
                    @if graph.has_open_beginning() { " Of a box on its own no earlier cause is on record." }
                }
            }
        }
    }
}

fn happened(story: &[Moment], marks: &[Mark]) -> Markup {
    html! {
        section {
            h2 { "What happened" }
            ol class=(if story.len() > LONG_STORY { "story long" } else { "story" }) {
                @for (moment, mark) in story.iter().zip(marks) { (told(moment, mark)) }
            }
        }
    }
}

fn told(moment: &Moment, m: &Mark) -> Markup {
    let label = m.number.to_string();
    let wide = 2.0 * mark_half(&label, m.is_critical) + 2.0;
    html! {
        li class=[m.is_critical.then_some("critical")] {
            svg.number width=(wide) height="20" viewBox=(format!("0 0 {wide} 20")) aria-hidden="true" {
                (mark(wide / 2.0, 10.0, &label, m.is_critical))
            }
            span.when { (format!("{:.2} s", moment.t_s)) }
            span.what { (moment.what) @if m.is_critical { " (critical)" } }
        }
    }
}

fn pieces(facts: &Facts<'_>, debrief: &Debrief) -> Markup {
    if debrief.follows.is_empty() {
        return html! {};
    }
    html! {
        section {
            h2 { "Pieces drawn" }
            table.pieces {
                thead { tr {
                    th scope="col" { "At, s" }
                    th scope="col" { "Pulls" }
                    th scope="col" { "Volume, µL" }
                    th scope="col" { "Vacuum across the port, mmHg" }
                    th scope="col" { "Follow ratio" }
                    th scope="col" { "Outcome" }
                } }
                tbody { @for pulls in text::alike(facts, &debrief.follows) { (pulls_row(facts, &pulls)) } }
            }
        }
    }
}

/// Pulls that ended alike in a row.
fn pulls_row(facts: &Facts<'_>, pulls: &[&Follow]) -> Markup {
    let span = |value: &dyn Fn(&Follow) -> f64, say: &dyn Fn(f64) -> String| {
        let values = pulls.iter().map(|f| value(f)).filter(|v| v.is_finite());
        let range = values.fold(None, |range: Option<(f64, f64)>, v| {
            Some(range.map_or((v, v), |(low, high)| (low.min(v), high.max(v))))
        });
        match range.map(|(low, high)| (say(low), say(high))) {
            None => "–".to_string(),
            Some((low, high)) if low == high => low,
            Some((low, high)) => format!("{low}–{high}"),
        }
    };
    let [first, .., last] = pulls else {
        let [only] = pulls else { return html! {} };
        return pulls_cells(facts, only, format!("{:.2}", only.t_s), 1, &span);
    };
    pulls_cells(facts, first, format!("{:.2} to {:.2}", first.t_s, last.t_s), pulls.len(), &span)
}

/// What is told of some pulls by a value of each and how it is said.
type Told<'a> = dyn Fn(&dyn Fn(&Follow) -> f64, &dyn Fn(f64) -> String) -> String + 'a;

fn pulls_cells(facts: &Facts<'_>, first: &Follow, when: String, count: usize, span: &Told<'_>) -> Markup {
    let volume = if first.is_whole_lens(facts) {
        "whole lens".to_string()
    } else {
        span(&|f| f.volume_ul, &|ul| format!("{ul:.1}"))
    };
    html! {
        tr {
            th scope="row" { (when) }
            td { (count) }
            td { (volume) }
            td { (span(&|f| mmhg_from_pa(f.vacuum_pa), &|mmhg| format!("{mmhg:.0}"))) }
            td { (span(&|f| f.ratio().unwrap_or(f64::NAN), &|ratio| ratio_in_words(ratio))) }
            td { (sign(if first.followed { Sign::Check } else { Sign::Cross })) (text::outcome(facts, first)) }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::case::compile::{Resolution, compile};
    use crate::case::parse_case;
    use crate::debrief::Watch;
    use crate::sim::State;
    use crate::sim::event::{BreachBy, EventKind, HeldBy, Tool};

    const CASE: &str = include_str!("../../scenarios/long-eye-dense-core.ron");

    /// The document of an attempt made of events by hand.
    fn page(title: &str, kinds: Vec<EventKind>) -> String {
        let case = parse_case("case.ron", CASE).expect("the shipped case").spec;
        let resolution = Resolution { cell_mm: 0.6, ticks_per_second: 240 };
        let model = compile(&case, 1, resolution).expect("a model").model;
        let mut state = State::new(&model);
        for kind in kinds {
            state.tick += 240;
            state.note(None, kind);
        }
        let facts = Facts { case: &case, model: &model, state: &state, watch: &Watch::default(), predictions: &[] };
        let titles = Titles { case: title, made: "Plan", with: "Plan", seed: 1, set_up: None };
        document(&titles, &facts, &Debrief::of(&facts), &Trace::default(), None)
    }

    #[test]
    fn what_is_written_in_a_case_cannot_become_markup() {
        let page = page("<script>alert('x')</script> & \"more\"", Vec::new());
        assert!(!page.contains("<script") && page.contains("&lt;script&gt;"));
    }

    #[test]
    fn nothing_is_loaded_from_elsewhere() {
        let page = page("Case", Vec::new());
        for reference in ["http", "url(", "@import", " src=", " href="] {
            assert!(!page.contains(reference), "{reference}");
        }
    }

    #[test]
    fn a_critical_event_is_told_in_shape_and_word_wherever_it_stands() {
        let breach = EventKind::Breach { tool: Some(Tool::Needle), by: BreachBy::Suction, radius_mm: 1.0 };
        let page = page("Case", vec![EventKind::TipEnteredLens, breach]);
        assert!(page.contains("Not passed, 0 of 100") && page.contains("<strong>capsule breach</strong>"));
        assert!(page.contains("BREACHED by the needle, by suction (critical)"));
        assert_eq!(page.matches("mark critical").count(), 2, "in the charts and in the list");
        assert!(page.contains(" · CRITICAL"), "in the graph");
    }

    #[test]
    fn pieces_stand_in_a_table_with_what_held_them() {
        let pulled = |followed: bool, load_un: f64| EventKind::Pulled {
            fragment: 2,
            volume_ul: 20.0,
            vacuum_pa: 40_000.0,
            occlusion: 0.9,
            purchase_un: 20_000.0,
            load_un,
            way_mm: 2.0,
            share: if followed { 1.0 } else { 0.1 },
            followed,
            held_by: (!followed).then_some(HeldBy::Hinge),
        };
        let few = page("Case", vec![pulled(false, 40_000.0), pulled(true, 0.0)]);
        assert!(few.contains("did not follow; a crack that is not through still joins it"), "{few}");
        assert!(few.contains("<td>0.50</td>") && few.contains("<td>–</td>") && few.contains("<td>300</td>"));
        let many = page("Case", (1..=9).map(|i| pulled(false, 10_000.0 * f64::from(i))).collect());
        assert!(many.contains("<th scope=\"row\">1.00 to 9.00</th><td>9</td>"), "{many}");
        assert!(many.contains("<td>0.22–2.0</td>"), "{many}");
        assert!(!page("Case", Vec::new()).contains("Pieces drawn"));
    }
}
