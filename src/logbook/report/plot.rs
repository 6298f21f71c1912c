//! Charts of the report, as SVG: a frame with round steps on both axes, and what is drawn in it. Drawn here and not by a library: what
//! is drawn is a handful of shapes with classes, titles for readers that do not see, and colours, patterns and print rules from the
//! document's one style sheet; a library that draws charts brings its own colours and sizes in every shape, and would need as many
//! lines to be told otherwise.
//!
//! Units: px at the width given; values in the chart's own.

use crate::debrief::charts::{px, round_step, short};
use maud::{Markup, html};

/// Most corners that a line is drawn with.
const CORNERS: usize = 160;

/// A chart's frame.
pub struct Plot<'a> {
    /// Unique on the page.
    pub id: String,
    /// Its heading.
    pub title: &'a str,
    /// What it shows, in words, for who does not see it.
    pub told: String,
    /// Width and height, px.
    pub size: (f64, f64),
    /// First and last value on the axis to the right.
    pub x: (f64, f64),
    /// Lowest and highest value.
    pub y: (f64, f64),
    /// What the axis to the right counts.
    pub x_label: &'a str,
    /// Are values shares, written as percentages?
    pub is_share: bool,
    /// Did simulated trainees make what is drawn? Then it says so, whoever cuts it out of its page.
    pub is_invented: bool,
}

/// Space around the plot, px: left, right; above and below, with a heading and without, with a label and without.
const LEFT: f64 = 38.0;
const RIGHT: f64 = 8.0;
const ABOVE: f64 = 22.0;
const ABOVE_BARE: f64 = 9.0;
const BELOW: f64 = 34.0;
const BELOW_BARE: f64 = 20.0;

impl Plot<'_> {
    /// Where the plot begins.
    fn top(&self) -> f64 {
        match (self.title.is_empty(), self.is_invented) {
            (false, _) => ABOVE,
            (true, false) => ABOVE_BARE,
            (true, true) => ABOVE_BARE + 8.0,
        }
    }

    /// Where it ends.
    fn bottom(&self) -> f64 {
        self.size.1 - if self.x_label.is_empty() { BELOW_BARE } else { BELOW }
    }

    /// Where a value lies on the axis to the right.
    pub fn x(&self, value: f64) -> f64 {
        let (low, high) = self.x;
        LEFT + (self.size.0 - LEFT - RIGHT) * ((value - low) / (high - low)).clamp(0.0, 1.0)
    }

    /// Where a value lies above the axis.
    pub fn y(&self, value: f64) -> f64 {
        let (low, high) = self.y;
        self.bottom() - (self.bottom() - self.top()) * ((value - low) / (high - low)).clamp(0.0, 1.0)
    }

    /// The whole chart.
    pub fn svg(&self, drawn: Markup) -> Markup {
        let (wide, high) = self.size;
        let (title, desc) = (format!("{}-t", self.id), format!("{}-d", self.id));
        let named = if self.title.is_empty() { desc.clone() } else { format!("{title} {desc}") };
        let bottom = self.bottom();
        html! {
            svg.plot role="img" aria-labelledby=(named) viewBox=(format!("0 0 {wide} {high}")) {
                @if !self.title.is_empty() { title id=(title) { (self.title) } }
                desc id=(desc) { (self.told) }
                @if !self.title.is_empty() { text.heading x="0" y="12" { (self.title) } }
                @for value in steps(self.y, (bottom - self.top()) / 24.0) {
                    line.grid x1=(LEFT) x2=(px(wide - RIGHT)) y1=(px(self.y(value))) y2=(px(self.y(value))) {}
                    text.tick x=(LEFT - 5.0) y=(px(self.y(value) + 4.0)) {
                        @if self.is_share { (short(100.0 * value)) } @else { (short(value)) }
                    }
                }
                line.rule x1=(LEFT) x2=(px(wide - RIGHT)) y1=(px(bottom)) y2=(px(bottom)) {}
                @for value in steps(self.x, (wide - LEFT - RIGHT) / 48.0).filter(|value| value.fract() == 0.0) {
                    line.rule x1=(px(self.x(value))) x2=(px(self.x(value))) y1=(px(bottom)) y2=(px(bottom + 4.0)) {}
                    text.time x=(px(self.x(value))) y=(px(bottom + 15.0)) { (short(value)) }
                }
                text.time x=(px(0.5 * (LEFT + wide - RIGHT))) y=(px(high - 4.0)) { (self.x_label) }
                (drawn)
                @if self.is_invented {
                    text.word x=(px(wide - RIGHT)) y=(if self.title.is_empty() { "9" } else { "12" }) { "invented" }
                }
            }
        }
    }

    /// A line from side to side at a value.
    pub fn level(&self, class: &str, value: f64) -> Markup {
        let y = px(self.y(value));
        html! { line class=(format!("level {class}")) x1=(LEFT) x2=(px(self.size.0 - RIGHT)) y1=(y) y2=(y) {} }
    }

    /// A word at such a line, on the left or on the right; after what it must be read over.
    pub fn word(&self, value: f64, is_left: bool, word: &str) -> Markup {
        let y = self.y(value);
        let at = if y < self.top() + 14.0 { y + 12.0 } else { y - 4.0 };
        let x = if is_left { LEFT + 3.0 } else { self.size.0 - RIGHT - 1.0 };
        html! { text class=(if is_left { "word left" } else { "word" }) x=(px(x)) y=(px(at)) { (word) } }
    }

    /// The space between two lines: where, low, high.
    pub fn band(&self, points: &[(f64, f64, f64)]) -> Markup {
        let points = thinned(points);
        let over = points.iter().map(|(x, _, high)| (*x, *high));
        let back = points.iter().rev().map(|(x, low, _)| (*x, *low));
        html! { polygon.band points=(self.corners(over.chain(back))) {} }
    }

    /// A line.
    pub fn line(&self, class: &str, points: &[(f64, f64)]) -> Markup {
        html! { polyline class=(format!("drawn {class}")) points=(self.corners(thinned(points).into_iter())) {} }
    }

    /// Every corner of a line, none left out.
    pub fn jagged(&self, class: &str, points: &[(f64, f64)]) -> Markup {
        html! { polyline class=(format!("drawn {class}")) points=(self.corners(points.iter().copied())) {} }
    }

    /// Short strokes along the upper or the lower edge.
    pub fn rug(&self, is_upper: bool, is_good: bool, at: impl Iterator<Item = f64>) -> Markup {
        let (top, bottom) = (self.top(), self.bottom());
        let (from, to) = if is_upper { (top - 3.0, top + 3.0) } else { (bottom - 5.0, bottom) };
        let path: String = at.map(|x| format!("M{} {from}V{to}", px(self.x(x)))).collect();
        html! { @if !path.is_empty() { path class=(if is_good { "rug good" } else { "rug bad" }) d=(path) {} } }
    }

    /// Dots, in one shape.
    pub fn dots(&self, points: impl Iterator<Item = (f64, f64)>) -> Markup {
        let path: String = points.map(|(x, y)| format!("M{} {}h0", px(self.x(x)), px(self.y(y)))).collect();
        html! { @if !path.is_empty() { path.dots d=(path) {} } }
    }

    fn corners(&self, points: impl Iterator<Item = (f64, f64)>) -> String {
        points.map(|(x, y)| format!("{},{}", px(self.x(x)), px(self.y(y)))).collect::<Vec<_>>().join(" ")
    }
}

/// What is written beside marks, 10 letters wide at most, and where it begins or ends.
pub struct Name<'a> {
    /// Where it begins, or ends if it stands on the left of its mark.
    pub at: (f64, f64),
    /// Is it on the left?
    pub is_left: bool,
    /// What is written.
    pub name: &'a str,
}

/// Width and height of a name, half of a mark, and the space between them, px.
const NAME: (f64, f64) = (62.0, 10.0);
const MARK: f64 = 6.0;
const BESIDE: f64 = 9.0;

impl Plot<'_> {
    /// Names beside their marks, where they lie over no mark and no other name; where there is no such place, on the right.
    pub fn names<'a>(&self, of: &[(f64, f64, &'a str)], marks: &[(f64, f64)]) -> Vec<Name<'a>> {
        let mut taken: Vec<(f64, f64, f64, f64)> =
            marks.iter().map(|(x, y)| (x - MARK, x + MARK, y - MARK, y + MARK)).collect();
        let mut names = Vec::new();
        for (x, y, name) in of {
            let space = |(is_left, down): &(bool, f64)| {
                let from = if *is_left { x - BESIDE - NAME.0 } else { x + BESIDE };
                (from, from + NAME.0, y + down - 0.5 * NAME.1, y + down + 0.5 * NAME.1)
            };
            let is_free = |place: &&(bool, f64)| {
                let (left, right, top, bottom) = space(place);
                let is_within = left >= LEFT && right <= self.size.0 && top >= ABOVE && bottom <= self.bottom() + MARK;
                is_within && !taken.iter().any(|t| left < t.1 && t.0 < right && top < t.3 && t.2 < bottom)
            };
            let places = [0.0, -8.0, 8.0, -16.0, 16.0].map(|down| [(false, down), (true, down)]);
            let place = places.as_flattened().iter().find(is_free).copied().unwrap_or((false, 0.0));
            let (left, right, _, bottom) = space(&place);
            taken.push(space(&place));
            names.push(Name { at: (if place.0 { right } else { left }, bottom - 1.5), is_left: place.0, name });
        }
        names
    }
}

/// A mark whose shape says what it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Shape {
    /// As it should be, or as chance would have it.
    Ring,
    /// Reached.
    Disc,
    /// A warning.
    Triangle,
    /// A strong one.
    Diamond,
}

/// A mark with its middle at a place.
pub fn mark(shape: Shape, x: f64, y: f64) -> Markup {
    let at = |dx: f64, dy: f64| format!("{},{}", px(x + dx), px(y + dy));
    html! {
        @match shape {
            Shape::Ring => circle.ring cx=(px(x)) cy=(px(y)) r="3.4" {},
            Shape::Disc => circle.disc cx=(px(x)) cy=(px(y)) r="4.2" {},
            Shape::Triangle => polygon.triangle points=([at(0.0, -5.0), at(5.0, 4.0), at(-5.0, 4.0)].join(" ")) {},
            Shape::Diamond => polygon.diamond points=([at(0.0, -6.0), at(6.0, 0.0), at(0.0, 6.0), at(-6.0, 0.0)].join(" ")) {},
        }
    }
}

/// Round values within a span, in about so many steps.
pub fn steps((low, high): (f64, f64), count: f64) -> impl Iterator<Item = f64> {
    let step = round_step(((high - low) / count.clamp(2.0, 8.0)).max(1e-9));
    let first = (low / step - 1e-9).ceil() as i64;
    let last = (high / step + 1e-9).floor() as i64;
    (first..=last).map(move |i| i as f64 * step)
}

/// At most so many of a smooth line's points, the first and the last among them.
fn thinned<T: Copy>(points: &[T]) -> Vec<T> {
    if points.len() <= CORNERS {
        return points.to_vec();
    }
    (0..CORNERS).map(|i| points[i * (points.len() - 1) / (CORNERS - 1)]).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn axes_have_round_steps_within_their_span() {
        assert_eq!(steps((0.0, 1.0), 5.0).map(short).collect::<Vec<_>>(), ["0", "0.2", "0.4", "0.6", "0.8", "1"]);
        assert_eq!(steps((1.0, 43.0), 5.0).collect::<Vec<_>>(), [10.0, 20.0, 30.0, 40.0]);
        assert!(steps((-2.2, 2.2), 4.0).all(|value| value.abs() <= 2.2));
    }

    #[test]
    fn names_lie_over_no_mark_and_no_other_name() {
        let plot = Plot {
            id: String::new(),
            title: "t",
            told: String::new(),
            size: (362.0, 250.0),
            x: (0.0, 50.0),
            y: (0.0, 1.0),
            x_label: "x",
            is_share: true,
            is_invented: false,
        };
        // Three close to each other, of which the second has a neighbour on its right, and one at the right edge.
        let marks = [(200.0, 100.0), (210.0, 104.0), (240.0, 103.0), (350.0, 60.0)];
        let of: Vec<(f64, f64, &str)> =
            marks.iter().zip(["a", "b", "c", "d"]).map(|((x, y), name)| (*x, *y, name)).collect();
        let names = plot.names(&of, &marks);
        let boxes = |name: &Name<'_>| {
            let left = if name.is_left { name.at.0 - NAME.0 } else { name.at.0 };
            (left, left + NAME.0, name.at.1 + 1.5 - NAME.1, name.at.1 + 1.5)
        };
        for (at, name) in names.iter().enumerate() {
            let (left, right, top, bottom) = boxes(name);
            assert!(left >= LEFT && right <= 362.0, "{}", name.name);
            let over = |x: f64, y: f64| left < x + MARK && x - MARK < right && top < y + MARK && y - MARK < bottom;
            assert!(!marks.iter().any(|(x, y)| over(*x, *y)), "{} over a mark", name.name);
            for other in &names[..at] {
                let o = boxes(other);
                assert!(
                    right <= o.0 || o.1 <= left || bottom <= o.2 || o.3 <= top,
                    "{} over {}",
                    name.name,
                    other.name
                );
            }
        }
        assert!(names[3].is_left && names[3].at.1 < 67.0, "at the edge on the left, beside its mark");
    }

    #[test]
    fn a_long_line_keeps_both_ends() {
        let points: Vec<(f64, f64)> = (0..2000).map(|i| (f64::from(i), 0.0)).collect();
        let thin = thinned(&points);
        assert_eq!((thin.len(), thin[0].0, thin[CORNERS - 1].0), (CORNERS, 0.0, 1999.0));
    }
}
