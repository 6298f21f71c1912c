//! From decision to consequence: the events that matter, each with the chain of events that led to it.
//!
//! Every event names at most one earlier event as its cause, so the graph is a wood: a root is what hand or foot decided,
//! a leaf what came of it. Shown are critical events; without any, what stands behind the components that were missed.
//! Limits: a cause is the engine's own note of what led to what, not all that contributed; at most [`MOST_NODES`] boxes,
//! so that a page holds them. Units: s; the picture's are pixels at a width of [`WIDTH`].

use crate::debrief::{Component, Debrief, Facts, Status, critical_in_words, timeline};
use crate::sim::event::{Event, EventKind, SlipBy};
use maud::{Markup, html};

/// Boxes at most.
pub const MOST_NODES: usize = 12;

/// Width of the picture, px.
pub const WIDTH: f64 = 768.0;

/// What an event is in the graph.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Role {
    /// Hand or foot did it.
    Decision,
    /// It came of something else.
    Consequence,
    /// It ends an attempt's score.
    Critical,
}

/// An event in the graph.
#[derive(Clone, Debug, PartialEq)]
pub struct Node {
    /// Its place among the events.
    pub event: usize,
    /// Simulated time, s.
    pub t_s: f64,
    /// What happened, in the timeline's words.
    pub what: String,
    /// What it is.
    pub role: Role,
}

/// Events and what led to what.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Graph {
    /// The events, in order.
    pub nodes: Vec<Node>,
    /// Places in `nodes` of a cause and of what came of it.
    pub edges: Vec<(usize, usize)>,
}

/// An event and what led to it, back to the decision at the root: places among the events, the event first.
pub fn chain(events: &[Event], index: usize) -> Vec<usize> {
    let mut found = Vec::new();
    let mut next = Some(index);
    while let Some(event) = next.and_then(|i| events.get(i).map(|e| (i, e))) {
        found.push(event.0);
        // A cause lies before what it causes; anything else is none.
        next = event.1.cause.map(|c| c as usize).filter(|c| *c < event.0);
    }
    found
}

impl Graph {
    /// Of an attempt.
    pub fn of(facts: &Facts<'_>, debrief: &Debrief) -> Self {
        let events = &facts.state.events;
        let mut shown: Vec<usize> = Vec::new();
        for event in worth_telling(facts, debrief) {
            let mut more: Vec<usize> = chain(events, event).into_iter().filter(|i| !shown.contains(i)).collect();
            let room = MOST_NODES - shown.len();
            if role(&events[event]) == Role::Critical {
                // It is shown in any case, with as much of what led to it as there is room for.
                more.truncate(room);
            }
            if more.len() <= room {
                shown.extend(more);
            }
        }
        shown.sort_unstable();
        let node = |&event: &usize| Node {
            event,
            t_s: events[event].tick as f64 * facts.model.tick_s,
            what: timeline::describe(facts, &events[event].kind),
            role: role(&events[event]),
        };
        let place = |event: usize| shown.binary_search(&event).ok();
        let edge = |(to, &event): (usize, &usize)| {
            let cause = *chain(events, event).get(1)?;
            Some((place(cause)?, to))
        };
        Self { nodes: shown.iter().map(node).collect(), edges: shown.iter().enumerate().filter_map(edge).collect() }
    }

    /// What came of a node, in order.
    fn children(&self, node: usize) -> impl Iterator<Item = usize> + '_ {
        self.edges.iter().filter(move |e| e.0 == node).map(|e| e.1)
    }

    /// Is there an event of which no cause is on record, and which is no decision?
    pub fn has_open_beginning(&self) -> bool {
        let has_cause = |node: usize| self.edges.iter().any(|e| e.1 == node);
        self.nodes.iter().enumerate().any(|(i, n)| n.role != Role::Decision && !has_cause(i))
    }

    /// Every chain in words, from the decision on; what an earlier one has told is left out but for its end.
    pub fn sentences(&self) -> Vec<String> {
        let is_leaf = |node: &usize| self.children(*node).next().is_none();
        let say = |node: usize| format!("{:.2} s: {}", self.nodes[node].t_s, self.nodes[node].what);
        let cause = |node: usize| self.edges.iter().find(|e| e.1 == node).map(|e| e.0);
        let back = |leaf: usize| core::iter::successors(Some(leaf), move |node| cause(*node));
        let mut told: Vec<usize> = Vec::new();
        let mut sentence = |leaf: usize| {
            let mut nodes: Vec<usize> = back(leaf).collect();
            nodes.reverse();
            let known = nodes.iter().take_while(|n| told.contains(n)).count();
            let begin = if known > 1 { "… → " } else { "" };
            told.extend(&nodes[known..]);
            let said: Vec<String> = nodes[known.saturating_sub(1)..].iter().map(|n| say(*n)).collect();
            format!("{begin}{}.", said.join(" → "))
        };
        (0..self.nodes.len()).filter(is_leaf).map(&mut sentence).collect()
    }
}

fn role(event: &Event) -> Role {
    match event.kind {
        _ if critical_in_words(&event.kind).is_some() => Role::Critical,
        EventKind::PedalMoved { .. }
        | EventKind::TipEnteredLens
        | EventKind::ChopperEntered
        | EventKind::ChopperCaughtRim { .. }
        | EventKind::BottleMoved { .. }
        | EventKind::WaveInjected { .. }
        | EventKind::Turning
        | EventKind::Called
        | EventKind::NeedleWithdrawn { .. } => Role::Decision,
        EventKind::ChopStarted(_) if event.cause.is_none() => Role::Decision,
        _ => Role::Consequence,
    }
}

/// Events whose chains are shown, what matters most first.
fn worth_telling(facts: &Facts<'_>, debrief: &Debrief) -> Vec<usize> {
    let events = &facts.state.events;
    let mut found: Vec<usize> = Vec::new();
    let mut said: Vec<&str> = Vec::new();
    for (i, event) in events.iter().enumerate() {
        // Of critical events alike the first: the others come of the same.
        if let Some(words) = critical_in_words(&event.kind).filter(|w| !said.contains(w)) {
            said.push(words);
            found.push(i);
        }
    }
    if found.is_empty() {
        let missed = debrief.components.iter().filter(|c| c.status == Status::Missed);
        for event in missed.flat_map(|c| behind(facts, debrief, c)) {
            if !found.contains(&event) {
                found.push(event);
            }
        }
    }
    found
}

/// Events behind a missed component: of each kind the last up to the end of the judged chop.
fn behind(facts: &Facts<'_>, debrief: &Debrief, component: &Component) -> Vec<usize> {
    let is_of_chop = |k: &EventKind| matches!(k, EventKind::ChopEnded(_));
    let kinds: &[fn(&EventKind) -> bool] = match component.id {
        "burial-depth" => &[
            |k| matches!(k, EventKind::ShaftOnRim { .. }),
            |k| matches!(k, EventKind::SleeveStopped { .. }),
            |k| matches!(k, EventKind::LensPushed { load_un: 0.0.., .. }),
            |k| matches!(k, EventKind::TipSlipped { by: SlipBy::AlongShaft, .. }),
        ],
        "capsule-distance" => &[|k| matches!(k, EventKind::CapsuleNear { .. })],
        "dense-zone" => &[|k| matches!(k, EventKind::TipLeftCore { .. })],
        "purchase" => &[|k| matches!(k, EventKind::PurchaseCored { .. })],
        "division" => &[
            |k| matches!(k, EventKind::BagFull { .. }),
            |k| matches!(k, EventKind::TipSlipped { .. }),
            |k| matches!(k, EventKind::ChopperCutThrough { .. }),
            is_of_chop,
        ],
        "fragment-control" => &[
            |k| matches!(k, EventKind::Pulled { followed: false, .. }),
            |k| matches!(k, EventKind::LetGo { by_foot: false, .. }),
        ],
        "chamber-steadiness" => {
            &[|k| matches!(k, EventKind::CapsuleRose { .. }), |k| matches!(k, EventKind::ChamberShallowed { .. })]
        }
        "rim-care" => &[|k| matches!(k, EventKind::RimTore { .. })],
        "incision-temperature" => &[|k| matches!(k, EventKind::IncisionHot { .. })],
        "zonule-load" => &[|k| matches!(k, EventKind::ZonulesLoaded { .. })],
        _ => &[],
    };
    let events = &facts.state.events;
    let is_about_chop = matches!(component.id, "burial-depth" | "dense-zone" | "purchase" | "division");
    let chop = debrief.judged.map(|j| debrief.chops[j].event).filter(|_| is_about_chop);
    let is_before_chop = matches!(component.id, "burial-depth" | "dense-zone" | "purchase");
    let end = match chop {
        None => events.len(),
        Some(begun) if is_before_chop => begun,
        Some(begun) => {
            let is_end = |e: &Event| is_of_chop(&e.kind) && e.cause.is_some_and(|c| c as usize == begun);
            events[begun..].iter().position(is_end).map_or(events.len(), |after| begun + after + 1)
        }
    };
    // What lies before the tip last came into the lens is another burial's.
    let begin = chop.map_or(0, |begun| {
        events[..begun].iter().rposition(|e| matches!(e.kind, EventKind::TipEnteredLens)).unwrap_or(0)
    });
    kinds.iter().filter_map(|is| events[begin..end].iter().rposition(|e| is(&e.kind)).map(|i| begin + i)).collect()
}

/// Columns of boxes at most: beyond them a chain goes on in a row below.
const MOST_COLUMNS: usize = 5;

/// Space between columns and between rows, px.
const COLUMN_GAP: f64 = 26.0;
const ROW_GAP: f64 = 18.0;

/// Widest box, px.
const WIDEST: f64 = 176.0;

/// Space within a box and height of a line, px.
const PADDING: f64 = 8.0;
const LINE: f64 = 14.0;

/// Width of a letter, a capital and a narrow letter, px (generous: fonts differ).
const LETTER: f64 = 6.3;
const CAPITAL: f64 = 8.3;
const NARROW: f64 = 3.6;

/// Where a box is: column, row; and whether its chain comes from the end of a row above.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Place {
    column: usize,
    row: usize,
    is_carried_over: bool,
}

/// Columns from left to right are steps from the decision on; no two boxes share a place and no line crosses a box.
fn places(graph: &Graph) -> Vec<Place> {
    let mut places = vec![Place { column: 0, row: 0, is_carried_over: false }; graph.nodes.len()];
    let is_root = |node: &usize| !graph.edges.iter().any(|e| e.1 == *node);
    let mut row = 0;
    for root in (0..graph.nodes.len()).filter(is_root) {
        let mut carried = vec![(root, Place { column: 0, row: 0, is_carried_over: false })];
        while !carried.is_empty() {
            let mut further = Vec::new();
            for (node, place) in carried {
                set(graph, node, Place { row, ..place }, &mut row, &mut places, &mut further);
                row += 1;
            }
            carried = further;
        }
    }
    places
}

/// Puts a node at a place and what came of it to its right; `row` is the lowest row in use.
fn set(
    graph: &Graph,
    node: usize,
    place: Place,
    row: &mut usize,
    places: &mut [Place],
    further: &mut Vec<(usize, Place)>,
) {
    places[node] = place;
    let column = place.column + 1;
    let mut is_first = true;
    for child in graph.children(node) {
        if column >= MOST_COLUMNS {
            further.push((child, Place { column: 1, row: 0, is_carried_over: true }));
            continue;
        }
        if !is_first {
            *row += 1;
        }
        is_first = false;
        set(graph, child, Place { column, row: *row, is_carried_over: false }, row, places, further);
    }
}

/// Width of a text, px.
fn width_px(text: &str) -> f64 {
    let letter = |c: char| match c {
        'i' | 'j' | 'l' | 't' | 'f' | 'r' | 'I' | ' ' | '.' | ',' | ':' | '\'' => NARROW,
        c if c.is_uppercase() => CAPITAL,
        'm' | 'w' | '%' => CAPITAL,
        _ => LETTER,
    };
    text.chars().map(letter).sum()
}

/// Words broken into lines of at most a width, px.
fn lines(text: &str, most_px: f64) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        match lines.last_mut() {
            Some(line) if width_px(line) + NARROW + width_px(word) <= most_px => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(word.to_string()),
        }
    }
    lines
}

/// The picture, for a page whose style sheet knows the classes `box`, `decision`, `critical`, `line`, `arrow`. `None`
/// where there is nothing to show.
pub fn svg(graph: &Graph) -> Option<Markup> {
    let places = places(graph);
    let columns = places.iter().map(|p| p.column + 1).max()?;
    let rows = places.iter().map(|p| p.row + 1).max()?;
    let wide = ((WIDTH - COLUMN_GAP * columns as f64) / columns as f64).min(WIDEST);
    let told: Vec<Vec<String>> = graph.nodes.iter().map(|n| lines(&n.what, wide - 2.0 * PADDING)).collect();
    let high = |row: usize| {
        let of_row = told.iter().zip(&places).filter(|(_, p)| p.row == row).map(|(t, _)| t.len());
        2.0 * PADDING + LINE * (1 + of_row.max().unwrap_or(0)) as f64
    };
    let tops: Vec<f64> = (0..=rows)
        .scan(ROW_GAP / 2.0, |top, row| {
            let here = *top;
            *top += high(row) + ROW_GAP;
            Some(here)
        })
        .collect();
    let left = |p: &Place| p.column as f64 * (wide + COLUMN_GAP) + 1.0;
    let middle = |p: &Place| tops[p.row] + high(p.row) / 2.0;
    let (full_px, high_px) = (WIDTH, tops[rows] - ROW_GAP / 2.0);
    let line = |&(from, to): &(usize, usize)| {
        let (a, b) = (&places[from], &places[to]);
        let (x, y) = (left(a) + wide, middle(a));
        let (to_x, to_y) = (left(b), middle(b));
        let path = if b.is_carried_over {
            // Down beside the boxes and back through the gap above the row.
            let (aside, above) = (x + COLUMN_GAP / 2.0, tops[b.row] - ROW_GAP / 2.0);
            let before = to_x - COLUMN_GAP / 2.0;
            format!("M{x:.1} {y:.1}H{aside:.1}V{above:.1}H{before:.1}V{to_y:.1}H{:.1}", to_x - 4.0)
        } else {
            format!("M{x:.1} {y:.1}H{:.1}V{to_y:.1}H{:.1}", x + COLUMN_GAP / 2.0, to_x - 4.0)
        };
        let head = format!("{to_x:.1},{to_y:.1} {0:.1},{1:.1} {0:.1},{2:.1}", to_x - 7.0, to_y - 4.0, to_y + 4.0);
        html! {
            path class="line" d=(path) {}
            polygon class="arrow" points=(head) {}
        }
    };
    let card = |(node, (told, place)): (&Node, (&Vec<String>, &Place))| {
        let (x, y, high) = (left(place), tops[place.row], high(place.row));
        let (class, says) = match node.role {
            Role::Decision => ("box decision", " · decision"),
            Role::Consequence => ("box", ""),
            Role::Critical => ("box critical", " · CRITICAL"),
        };
        let round = if node.role == Role::Decision { 12 } else { 0 };
        html! {
            g class=(class) {
                rect x=(format!("{x:.1}")) y=(format!("{y:.1}")) width=(format!("{wide:.1}")) height=(format!("{high:.1}"))
                    rx=(round) {}
                text class="when" x=(format!("{:.1}", x + PADDING)) y=(format!("{:.1}", y + PADDING + 10.0)) {
                    (format!("{:.2} s", node.t_s)) (says)
                }
                @for (i, line) in told.iter().enumerate() {
                    @let below = LINE * (i + 1) as f64;
                    text x=(format!("{:.1}", x + PADDING)) y=(format!("{:.1}", y + PADDING + 10.0 + below)) { (line) }
                }
            }
        }
    };
    Some(html! {
        svg.graph role="img" aria-labelledby="graph-title graph-desc" viewBox=(format!("0 0 {full_px} {high_px:.1}")) {
            title id="graph-title" { "From decision to consequence" }
            desc id="graph-desc" { (graph.sentences().join(" ")) }
            @for edge in &graph.edges { (line(edge)) }
            @for each in graph.nodes.iter().zip(told.iter().zip(&places)) { (card(each)) }
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::case::compile::{Resolution, compile};
    use crate::case::parse_case;
    use crate::debrief::Watch;
    use crate::sim::State;
    use crate::sim::event::{BreachBy, Tool};

    const CASE: &str = include_str!("../../scenarios/long-eye-dense-core.ron");

    /// The graph of an attempt made of events by hand.
    fn graph_of(kinds: Vec<(Option<u32>, EventKind)>) -> Graph {
        let case = parse_case("case.ron", CASE).expect("the shipped case").spec;
        let resolution = Resolution { cell_mm: 0.6, ticks_per_second: 240 };
        let model = compile(&case, 1, resolution).expect("a model").model;
        let mut state = State::new(&model);
        for (cause, kind) in kinds {
            state.tick += 24;
            state.note(cause, kind);
        }
        let facts = Facts { case: &case, model: &model, state: &state, watch: &Watch::default(), predictions: &[] };
        Graph::of(&facts, &Debrief::of(&facts))
    }

    fn breach() -> EventKind {
        EventKind::Breach { tool: Some(Tool::Needle), by: BreachBy::Suction, radius_mm: 1.0 }
    }

    fn surge_to_breach() -> Vec<(Option<u32>, EventKind)> {
        vec![
            (None, EventKind::TipEnteredLens),
            (None, EventKind::PedalMoved { from: 2, to: 3 }),
            (Some(1), EventKind::OcclusionBroke { vacuum_pa: 40_000.0 }),
            (Some(2), EventKind::Surge { chamber_pa: 1_300.0, lost_ul: 20.0 }),
            (Some(3), EventKind::CapsuleRose { rise_mm: 0.9, distance_mm: 0.1 }),
            (Some(4), EventKind::CapsuleNear { tool: Tool::Needle, distance_mm: 0.1 }),
            (Some(5), breach()),
            (Some(6), EventKind::PieceSank { fragment: 1, volume_ul: 9.0 }),
            (Some(6), breach()),
        ]
    }

    #[test]
    fn a_chain_goes_back_to_its_root_and_no_further() {
        let events: Vec<Event> = [None, Some(0), Some(0), Some(2), Some(9), Some(5)]
            .into_iter()
            .map(|cause| Event { tick: 0, cause, kind: EventKind::Turning })
            .collect();
        assert_eq!(chain(&events, 3), [3, 2, 0]);
        assert_eq!(chain(&events, 0), [0]);
        assert_eq!(
            (chain(&events, 4), chain(&events, 5)),
            (vec![4], vec![5]),
            "a cause that does not lie before is none"
        );
        assert!(chain(&events, 6).is_empty());
    }

    #[test]
    fn critical_events_are_shown_with_all_that_led_to_them_once() {
        let graph = graph_of(surge_to_breach());
        let events: Vec<usize> = graph.nodes.iter().map(|n| n.event).collect();
        assert_eq!(events, [1, 2, 3, 4, 5, 6, 7], "neither what is unrelated nor the same breach again");
        assert_eq!(graph.edges, [(0, 1), (1, 2), (2, 3), (3, 4), (4, 5), (5, 6)]);
        let roles: Vec<Role> = graph.nodes.iter().map(|n| n.role).collect();
        assert_eq!((roles[0], roles[1]), (Role::Decision, Role::Consequence));
        assert_eq!((roles[5], roles[6]), (Role::Critical, Role::Critical));
        let sentences = graph.sentences();
        assert_eq!(sentences.len(), 1);
        assert!(sentences[0].starts_with("0.20 s: Foot to position 3 (ultrasound) → 0.30 s: The port came free"));
    }

    #[test]
    fn a_chain_longer_than_the_page_is_wide_goes_on_below() {
        let graph = graph_of(surge_to_breach());
        let places = places(&graph);
        let columns: Vec<usize> = places.iter().map(|p| p.column).collect();
        assert_eq!(columns, [0, 1, 2, 3, 4, 1, 2]);
        let rows: Vec<usize> = places.iter().map(|p| p.row).collect();
        assert_eq!(rows, [0, 0, 0, 0, 0, 1, 1]);
    }

    #[test]
    fn no_two_boxes_share_a_place() {
        let mut kinds = surge_to_breach();
        kinds.push((Some(1), EventKind::ChamberCollapsed));
        kinds.push((None, EventKind::ChopperEntered));
        kinds.push((Some(10), EventKind::ZonulesTore { hour: 3, load_un: 70_000.0 }));
        kinds.push((Some(10), EventKind::RimRanOut));
        let graph = graph_of(kinds);
        let places = places(&graph);
        assert_eq!(graph.nodes.len(), 11);
        for (i, a) in places.iter().enumerate() {
            assert!(places[i + 1..].iter().all(|b| (a.column, a.row) != (b.column, b.row)), "{places:?}");
        }
    }

    #[test]
    fn without_critical_events_what_stands_behind_missed_components_is_shown() {
        assert_eq!(graph_of(vec![(None, EventKind::TipEnteredLens)]), Graph::default());
        assert!(svg(&Graph::default()).is_none());
    }

    #[test]
    fn there_are_never_more_boxes_than_a_page_holds() {
        let mut kinds = vec![(None, EventKind::Turning)];
        kinds.extend((0..30).map(|i| (Some(i), EventKind::SleeveStopped { exposed_mm: 1.0 })));
        kinds.push((None, EventKind::RimRanOut));
        kinds.push((Some(30), breach()));
        let graph = graph_of(kinds);
        assert_eq!(graph.nodes.len(), MOST_NODES);
        let is_shown = |what: &str| graph.nodes.iter().any(|n| n.what.contains(what));
        assert!(is_shown("RIM RAN OUT") && is_shown("CAPSULE WAS BREACHED"), "{graph:?}");
    }
}
