//! Figures as inline SVG: axes, lines, points, bars, bands, rules, a key.
//!
//! Exact bytes: the same figure gives the same text. Colours are classes of
//! the page's style, so a figure follows light, dark and print. No ids are
//! used: any number of figures may share a page. The plot area is a nested
//! `svg`, which cuts off what lies beyond the axes.

use std::fmt::Write as _;

use maud::{Markup, html};

use super::axis::{Axis, Tick};

/// Width of a figure in its own units, in which its type is 11 high. Three fit
/// beside each other on paper with type that can be read.
const WIDTH: f64 = 264.0;
/// Width of a figure that has the whole width of the page to itself.
const LARGE_WIDTH: f64 = 660.0;
/// Width of a figure beside which one more has room.
const HALF_WIDTH: f64 = 340.0;
/// Room above the plot area, without a key.
const TOP: f64 = 10.0;
/// Room at the right.
const RIGHT: f64 = 12.0;
/// Room below, for tick texts and the label.
const BELOW: f64 = 38.0;
/// Width of a letter, about.
const LETTER: f64 = 6.1;
/// Height of a line of the key.
const KEY_LINE: f64 = 16.0;
/// More vertices than this are drawn as least and largest of each group.
const MOST_VERTICES: usize = 600;

/// What a mark stands for; the page's style gives it its colour and its lines
/// their dashes. Where looks share a figure their points differ by shape too,
/// for print without colour and for eyes that see no difference.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Look {
    /// What the point was taken from.
    Hold,
    /// What came before it.
    Approach,
    /// A limit.
    Limit,
    /// What theory has it.
    Model,
    /// Passed, held.
    Pass,
    /// Failed, rejected.
    Fail,
    /// Open, steady.
    Open,
    /// A second quantity.
    Second,
    /// A third quantity.
    Third,
}

impl Look {
    fn class(self) -> &'static str {
        match self {
            Self::Hold => "hold",
            Self::Approach => "approach",
            Self::Limit => "limit",
            Self::Model => "model",
            Self::Pass => "pass",
            Self::Fail => "fail",
            Self::Open => "open",
            Self::Second => "second",
            Self::Third => "third",
        }
    }
}

/// The shape of a point.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Shape {
    Disc,
    Ring,
    Cross,
    Diamond,
    Triangle,
    Square,
}

impl Look {
    fn shape(self) -> Shape {
        match self {
            Self::Hold | Self::Pass | Self::Limit => Shape::Disc,
            Self::Approach => Shape::Ring,
            Self::Fail => Shape::Cross,
            Self::Open | Self::Model => Shape::Diamond,
            Self::Second => Shape::Triangle,
            Self::Third => Shape::Square,
        }
    }
}

#[derive(Debug, Clone, PartialEq)]
enum Mark {
    Line(Vec<(f64, f64)>),
    Points(Vec<(f64, f64)>),
    Errors(Vec<(f64, f64, f64)>),
    Bars(Vec<(f64, f64)>),
    BandX(f64, f64),
    BandY(f64, f64),
    RuleX(f64),
    RuleY(f64),
}

/// A figure in the making.
#[derive(Debug, Clone, PartialEq)]
pub struct Figure {
    name: String,
    x: Axis,
    y: Axis,
    width: f64,
    plot_height: f64,
    marks: Vec<(Look, Mark)>,
    key: Vec<(Look, String)>,
}

impl Figure {
    /// An empty figure; `name` is read out where it cannot be seen.
    pub fn new(name: &str, x: Axis, y: Axis) -> Self {
        Self {
            name: name.to_owned(),
            x,
            y,
            width: WIDTH,
            plot_height: 118.0,
            marks: Vec::new(),
            key: Vec::new(),
        }
    }

    /// A figure over the whole width of the page and half the height of a
    /// sheet of paper.
    #[must_use]
    pub fn large(mut self) -> Self {
        self.width = LARGE_WIDTH;
        self.plot_height = 330.0;
        self
    }

    /// A figure two of which share the width of the page, so that its type is no
    /// larger than that of the text around it.
    #[must_use]
    pub fn half_width(mut self) -> Self {
        self.width = HALF_WIDTH;
        self.plot_height = 180.0;
        self
    }

    /// Another height of the plot area (default 118, at a width of 264).
    #[must_use]
    pub fn height(mut self, plot_height: f64) -> Self {
        self.plot_height = plot_height;
        self
    }

    /// Equal units on both axes: the range of the axis that has room to spare
    /// is widened about its middle.
    #[must_use]
    pub fn equal_units(mut self) -> Self {
        let width = self.width - RIGHT - self.left();
        let per_x = (self.x.high - self.x.low) / width;
        let per_y = (self.y.high - self.y.low) / self.plot_height;
        let (axis, extent, per) = if per_x < per_y {
            (&mut self.x, width, per_y)
        } else {
            (&mut self.y, self.plot_height, per_x)
        };
        let middle = 0.5 * (axis.low + axis.high);
        axis.low = middle - 0.5 * extent * per;
        axis.high = middle + 0.5 * extent * per;
        self
    }

    /// A line through points; a value that is no number interrupts it.
    #[must_use]
    pub fn line(self, look: Look, points: Vec<(f64, f64)>) -> Self {
        self.mark(look, Mark::Line(thinned(points)))
    }

    /// Points.
    #[must_use]
    pub fn points(self, look: Look, points: Vec<(f64, f64)>) -> Self {
        self.mark(look, Mark::Points(points))
    }

    /// Points with uncertainty bars: x, y, half the bar's length.
    #[must_use]
    pub fn errors(self, look: Look, points: Vec<(f64, f64, f64)>) -> Self {
        self.mark(look, Mark::Errors(points))
    }

    /// Bars from the foot of the plot.
    #[must_use]
    pub fn bars(self, look: Look, bars: Vec<(f64, f64)>) -> Self {
        self.mark(look, Mark::Bars(bars))
    }

    /// A band over a range of x.
    #[must_use]
    pub fn band_x(self, look: Look, from: f64, to: f64) -> Self {
        self.mark(look, Mark::BandX(from, to))
    }

    /// A band over a range of y.
    #[must_use]
    pub fn band_y(self, look: Look, from: f64, to: f64) -> Self {
        self.mark(look, Mark::BandY(from, to))
    }

    /// A vertical line.
    #[must_use]
    pub fn rule_x(self, look: Look, at: f64) -> Self {
        self.mark(look, Mark::RuleX(at))
    }

    /// A horizontal line.
    #[must_use]
    pub fn rule_y(self, look: Look, at: f64) -> Self {
        self.mark(look, Mark::RuleY(at))
    }

    /// An entry of the key above the plot.
    #[must_use]
    pub fn key(mut self, look: Look, text: &str) -> Self {
        self.key.push((look, text.to_owned()));
        self
    }

    fn mark(mut self, look: Look, mark: Mark) -> Self {
        self.marks.push((look, mark));
        self
    }

    fn y_ticks(&self) -> Vec<Tick> {
        self.y
            .ticks(((self.plot_height / 28.0) as usize).clamp(3, 8))
    }

    /// Room at the left, by the longest text that stands there.
    fn left(&self) -> f64 {
        let letters = self
            .y_ticks()
            .iter()
            .map(|tick| tick.text.chars().count())
            .max()
            .unwrap_or(1);
        26.0 + LETTER * letters as f64
    }

    /// Ticks of the horizontal axis, as many as have room side by side.
    fn x_ticks(&self, width: f64) -> Vec<Tick> {
        let most = ((width / 48.0) as usize).clamp(3, 10);
        let ticks_of = |most: usize| self.x.ticks(most);
        let fits = |ticks: &[Tick]| {
            let letters: usize = ticks.iter().map(|tick| tick.text.chars().count()).sum();
            LETTER * letters as f64 + 8.0 * ticks.len() as f64 <= width
        };
        (2..=most)
            .rev()
            .map(ticks_of)
            .find(|ticks| fits(ticks))
            .unwrap_or_else(|| ticks_of(2))
    }

    /// Lines of the key, each entry with its place from the left.
    fn key_lines(&self, left: f64) -> Vec<Vec<(f64, Look, &str)>> {
        let mut lines: Vec<Vec<(f64, Look, &str)>> = Vec::new();
        let mut at = f64::INFINITY;
        for (look, text) in &self.key {
            let width = 26.0 + LETTER * text.chars().count() as f64;
            if at + width > self.width {
                lines.push(Vec::new());
                at = left;
            }
            if let Some(line) = lines.last_mut() {
                line.push((at, *look, text));
            }
            at += width + 6.0;
        }
        lines
    }

    /// The figure as markup.
    pub fn svg(&self) -> Markup {
        let left = self.left();
        let key = self.key_lines(left);
        let top = TOP + KEY_LINE * key.len() as f64;
        let frame = Frame {
            left,
            top,
            width: self.width - RIGHT - left,
            height: self.plot_height,
            x: &self.x,
            y: &self.y,
        };
        let height = coordinate(top + self.plot_height + BELOW);
        let [x, y, plot_width, plot_height] =
            [left, top, frame.width, frame.height].map(coordinate);
        html! {
            svg class="figure" viewBox=(format!("0 0 {} {height}", self.width)) role="img" aria-label=(self.name) { "\n"
                (self.key_entries(&key))
                (frame.axes(&self.x_ticks(frame.width), &self.y_ticks()))
                svg x=(x) y=(y) width=(plot_width) height=(plot_height)
                    viewBox=(format!("{x} {y} {plot_width} {plot_height}")) { "\n"
                    @for (look, mark) in &self.marks { (frame.mark(*look, mark)) "\n" }
                } "\n"
            } "\n"
        }
    }

    fn key_entries(&self, lines: &[Vec<(f64, Look, &str)>]) -> Markup {
        html! {
            @for (number, line) in lines.iter().enumerate() {
                @let y = 11.0 + KEY_LINE * number as f64;
                @for (x, look, text) in line {
                    (self.sample(*look, *x, y - 4.0))
                    text x=(coordinate(*x + 19.0)) y=(coordinate(y)) { (text) } "\n"
                }
            }
        }
    }

    /// What the marks of a look are like, 14 wide, from (`x`, `y`) on.
    fn sample(&self, look: Look, x: f64, y: f64) -> Markup {
        let any = |is: fn(&Mark) -> bool| {
            let mut of_look = self.marks.iter().filter(|(other, _)| *other == look);
            of_look.any(|(_, mark)| is(mark))
        };
        let lines = any(|mark| {
            matches!(
                mark,
                Mark::Line(_) | Mark::Bars(_) | Mark::RuleX(_) | Mark::RuleY(_)
            )
        });
        let points = any(|mark| matches!(mark, Mark::Points(_) | Mark::Errors(_)));
        let bands = any(|mark| matches!(mark, Mark::BandX(..) | Mark::BandY(..)));
        let class = look.class();
        html! {
            @if bands { (rect(class, x, y - 4.0, 14.0, 8.0)) }
            @if lines {
                path class={ "line " (class) }
                    d=(format!("M{} {}H{}", coordinate(x), coordinate(y), coordinate(x + 14.0))) {}
            }
            @if points { g class={ "points " (class) } { (symbol(look.shape(), x + 7.0, y)) } }
        }
    }
}

/// The plot area and how values map into it.
struct Frame<'a> {
    left: f64,
    top: f64,
    width: f64,
    height: f64,
    x: &'a Axis,
    y: &'a Axis,
}

impl Frame<'_> {
    fn px(&self, x: f64) -> f64 {
        self.left + self.width * self.x.place(x)
    }

    fn py(&self, y: f64) -> f64 {
        self.top + self.height * (1.0 - self.y.place(y))
    }

    fn right(&self) -> f64 {
        self.left + self.width
    }

    fn bottom(&self) -> f64 {
        self.top + self.height
    }

    fn axes(&self, x_ticks: &[Tick], y_ticks: &[Tick]) -> Markup {
        let [left, right, top, bottom] =
            [self.left, self.right(), self.top, self.bottom()].map(coordinate);
        let (middle_x, middle_y) = (self.left + 0.5 * self.width, self.top + 0.5 * self.height);
        html! {
            @for tick in y_ticks {
                @let y = self.py(tick.value);
                path class="gridline" d=(format!("M{left} {}H{right}", coordinate(y))) {}
                text class="tick-y" x=(coordinate(self.left - 5.0)) y=(coordinate(y + 3.5)) { (tick.text) } "\n"
            }
            @for tick in x_ticks {
                @let x = coordinate(self.px(tick.value));
                path class="gridline" d=(format!("M{x} {top}V{bottom}")) {}
                text class="tick-x" x=(x) y=(coordinate(self.bottom() + 14.0)) { (tick.text) } "\n"
            }
            rect class="frame" x=(left) y=(top) width=(coordinate(self.width)) height=(coordinate(self.height)) {} "\n"
            text class="label-x" x=(coordinate(middle_x)) y=(coordinate(self.bottom() + 30.0)) { (self.x.label) } "\n"
            text class="label-y" transform=(format!("translate(12 {}) rotate(-90)", coordinate(middle_y))) {
                (self.y.label)
            } "\n"
        }
    }

    fn mark(&self, look: Look, mark: &Mark) -> Markup {
        let class = look.class();
        match mark {
            Mark::Line(points) => {
                html! { path class={ "line " (class) } d=(self.line_path(points)) {} }
            }
            Mark::Points(points) => html! {
                g class={ "points " (class) } {
                    @for point in points.iter().filter(|point| drawable(**point)) {
                        (self.point(look, *point))
                    }
                }
            },
            Mark::Errors(points) => html! {
                g class={ "errors " (class) } {
                    @for (x, y, u) in points.iter().filter(|point| drawable((point.0, point.1))) {
                        @if u.is_finite() {
                            @let [x, low, high] = [self.px(*x), self.py(y - u), self.py(y + u)].map(coordinate);
                            path class="whisker" d=(format!("M{x} {low}V{high}")) {}
                        }
                        (self.point(look, (*x, *y)))
                    }
                }
            },
            Mark::Bars(bars) => {
                html! { path class={ "bars " (class) } d=(self.bars_path(bars)) {} }
            }
            Mark::BandX(from, to) => {
                let (from, to) = (self.px(*from), self.px(*to));
                rect(class, from, self.top, to - from, self.height)
            }
            Mark::BandY(from, to) => {
                let (upper, lower) = (self.py(from.max(*to)), self.py(from.min(*to)));
                rect(class, self.left, upper, self.width, lower - upper)
            }
            Mark::RuleX(at) => {
                let [x, top, foot] = [self.px(*at), self.top, self.bottom()].map(coordinate);
                html! { path class={ "rule " (class) } d=(format!("M{x} {top}V{foot}")) {} }
            }
            Mark::RuleY(at) => {
                let [y, from, to] = [self.py(*at), self.left, self.right()].map(coordinate);
                html! { path class={ "rule " (class) } d=(format!("M{from} {y}H{to}")) {} }
            }
        }
    }

    fn point(&self, look: Look, (x, y): (f64, f64)) -> Markup {
        symbol(look.shape(), self.px(x), self.py(y))
    }

    fn bars_path(&self, bars: &[(f64, f64)]) -> String {
        let foot = coordinate(self.bottom());
        let mut path = String::new();
        for (x, y) in bars.iter().filter(|bar| drawable(**bar)) {
            let [x, y] = [self.px(*x), self.py(*y)].map(coordinate);
            let _ = write!(path, "M{x} {foot}V{y}");
        }
        path
    }

    fn line_path(&self, points: &[(f64, f64)]) -> String {
        let mut path = String::new();
        let mut pen_down = false;
        for point in points {
            if drawable(*point) {
                let command = if pen_down { 'L' } else { 'M' };
                let [x, y] = [self.px(point.0), self.py(point.1)].map(coordinate);
                let _ = write!(path, "{command}{x} {y}");
            }
            pen_down = drawable(*point);
        }
        path
    }
}

/// A point's shape about its place in the figure.
fn symbol(shape: Shape, x: f64, y: f64) -> Markup {
    let [left, right] = [x - 3.0, x + 3.0].map(coordinate);
    let [above, below] = [y - 3.0, y + 3.0].map(coordinate);
    let [x, y] = [x, y].map(coordinate);
    let (class, path) = match shape {
        Shape::Disc => return html! { circle cx=(x) cy=(y) r="2.5" {} },
        Shape::Ring => return html! { circle class="hollow" cx=(x) cy=(y) r="2.8" {} },
        Shape::Cross => (
            "stroke",
            format!("M{left} {above}L{right} {below}M{left} {below}L{right} {above}"),
        ),
        Shape::Diamond => (
            "hollow",
            format!("M{left} {y}L{x} {above}L{right} {y}L{x} {below}Z"),
        ),
        Shape::Triangle => (
            "full",
            format!("M{left} {below}L{x} {above}L{right} {below}Z"),
        ),
        Shape::Square => ("hollow", format!("M{left} {above}H{right}V{below}H{left}Z")),
    };
    html! { path class=(class) d=(path) {} }
}

fn rect(class: &str, x: f64, y: f64, width: f64, height: f64) -> Markup {
    let [x, y, width, height] = [x, y, width.max(0.0), height.max(0.0)].map(coordinate);
    html! { rect class={ "band " (class) } x=(x) y=(y) width=(width) height=(height) {} }
}

fn drawable(point: (f64, f64)) -> bool {
    point.0.is_finite() && point.1.is_finite()
}

/// A coordinate with one decimal; far outside the figure it stays a number
/// that every browser can draw.
fn coordinate(value: f64) -> String {
    super::number::plain_fixed(value.clamp(-9_999.0, 9_999.0))
}

/// Least and largest of each group of points that would share a pixel column.
fn thinned(points: Vec<(f64, f64)>) -> Vec<(f64, f64)> {
    if points.len() <= MOST_VERTICES {
        return points;
    }
    let group = points.len().div_ceil(MOST_VERTICES / 2);
    let mut kept = Vec::with_capacity(MOST_VERTICES + 2);
    for chunk in points.chunks(group) {
        let order = |a: &&(f64, f64), b: &&(f64, f64)| a.1.total_cmp(&b.1);
        let low = chunk.iter().min_by(order);
        let high = chunk.iter().max_by(order);
        let mut pair: Vec<(f64, f64)> = [low, high].into_iter().flatten().copied().collect();
        pair.sort_by(|a, b| a.0.total_cmp(&b.0));
        kept.extend(pair);
    }
    kept
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The exact bytes: whoever changes how figures are drawn sees it here.
    #[test]
    fn a_figure_of_every_mark_is_drawn_to_the_byte() {
        let figure = Figure::new(
            "all marks <of> a figure",
            Axis::new("time (s)", 0.0, 10.0),
            Axis::new("phase & sign (deg)", -95.0, 95.0),
        )
        .height(80.0)
        .band_x(Look::Hold, 2.0, 4.0)
        .band_y(Look::Limit, -20.0, 20.0)
        .rule_x(Look::Fail, 5.0)
        .rule_y(Look::Limit, 20.0)
        .line(
            Look::Approach,
            vec![
                (0.0, 0.0),
                (1.0, 50.0),
                (2.0, f64::NAN),
                (3.0, -50.0),
                (4.0, 1e12),
            ],
        )
        .points(Look::Hold, vec![(2.5, 1.0), (f64::NAN, 1.0)])
        .errors(Look::Second, vec![(6.0, 10.0, 5.0), (7.0, 10.0, f64::NAN)])
        .bars(Look::Open, vec![(8.0, 40.0)])
        .key(Look::Hold, "hold")
        .key(Look::Approach, "approach");
        insta::assert_snapshot!(figure.svg().into_string());
    }

    /// Labels that touch each other cannot be read; a number of letters tells
    /// their width well enough.
    #[test]
    fn long_tick_texts_leave_room_between_them() {
        let figure = Figure::new(
            "",
            Axis::new("", 12_345.67, 12_345.72),
            Axis::new("", 0.0, 1.0),
        );
        let ticks = figure.x_ticks(200.0);
        let letters: usize = ticks.iter().map(|tick| tick.text.len()).sum();
        assert!(
            ticks.len() >= 2 && LETTER * letters as f64 <= 200.0,
            "{ticks:?}"
        );
    }

    #[test]
    fn many_points_keep_their_extremes() {
        let mut points: Vec<(f64, f64)> = (0..10_000).map(|i| (f64::from(i), 0.0)).collect();
        points[5_432].1 = 7.0;
        points[5_433].1 = -7.0;
        let thin = thinned(points);
        assert!(thin.len() <= 2 * MOST_VERTICES);
        assert!(thin.contains(&(5_432.0, 7.0)) && thin.contains(&(5_433.0, -7.0)));
    }

    #[test]
    fn equal_units_are_equal_on_both_axes() {
        let figure = Figure::new("", Axis::new("", 0.0, 1.0), Axis::new("", 0.0, 30.0))
            .height(200.0)
            .equal_units();
        let per_x = (figure.x.high - figure.x.low) / (figure.width - RIGHT - figure.left());
        let per_y = (figure.y.high - figure.y.low) / 200.0;
        assert!((per_x / per_y - 1.0).abs() < 0.02, "{per_x} {per_y}");
    }
}
