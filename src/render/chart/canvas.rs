//! Parts that the charts share: the palette, the headings, the elements of shapes.

use crate::trade::money::grouped;
use plotters::style::{RGBAColor, RGBColor};

use super::ChartError;
use super::axis::{self, Axis};
use super::scene::{self, Align, Label, Point, Shape, WIDTH};

/// Headings and amounts.
pub const INK: RGBColor = RGBColor(0x1f, 0x29, 0x33);
/// Secondary text and dropped sales.
pub const GREY: RGBColor = RGBColor(0x5a, 0x65, 0x70);
/// The band, and sales that are used or lie inside it.
pub const BLUE: RGBColor = RGBColor(0x1d, 0x5b, 0x9e);
/// The likely price and the trend; medians, and sales outside their band.
pub const AMBER: RGBColor = RGBColor(0xb2, 0x4a, 0x00);
/// Area under the curve inside the band; bars.
pub const SHADE: RGBColor = RGBColor(0xbc, 0xd4, 0xeb);
/// Area under the curve outside the band.
pub const TAIL: RGBColor = RGBColor(0xed, 0xf2, 0xf7);
/// Lines of the grid.
pub const GRID: RGBColor = RGBColor(0xe2, 0xe6, 0xea);
/// Axes.
pub const FRAME: RGBColor = RGBColor(0x9a, 0xa4, 0xae);
/// The background.
pub const PAPER: RGBColor = RGBColor(0xff, 0xff, 0xff);

/// Distance from the left edge of the canvas to its content.
pub const MARGIN: f64 = 64.0;
/// Right end of the content.
pub const RIGHT: f64 = WIDTH - MARGIN;
/// Allowance for wider text in viewers without the embedded font.
pub const FALLBACK: f64 = 1.1;
/// Size of axis and legend text.
pub const SMALL: f64 = 22.0;
/// Room between the entries of a legend.
const LEGEND_GAP: f64 = 34.0;
/// Length of a line that a legend explains.
pub const LEGEND_LINE: f64 = 34.0;

/// Baseline of a title of one line; the two lines of a longer one lie above and below.
const TITLE_ROW: f64 = 82.0;
const SUBTITLE_ROW: f64 = 140.0;
const FOOTER_ROW: f64 = 1166.0;

/// Radius of a mark among `count`, between `largest` and `least`: the more marks, the smaller.
pub fn mark_size(count: usize, largest: f64, least: f64) -> f64 {
    const ROOMY: f64 = 60.0;
    (largest * (ROOMY / count.max(1) as f64).sqrt()).clamp(least, largest)
}

/// Shapes gathered for one picture.
pub struct Canvas {
    shapes: Vec<Shape>,
}

impl Canvas {
    /// An empty canvas.
    ///
    /// # Errors
    /// [`ChartError::Drawing`] if the embedded font cannot be read.
    pub fn new() -> Result<Self, ChartError> {
        scene::prepare_font()?;
        Ok(Self { shapes: Vec::new() })
    }

    pub fn into_shapes(self) -> Vec<Shape> {
        self.shapes
    }

    pub fn text(
        &mut self,
        at: Point,
        align: Align,
        size: f64,
        ink: RGBColor,
        text: impl Into<String>,
    ) {
        self.label(at, align, size, false, ink, text.into());
    }

    /// Text of an axis or a legend.
    pub fn small(&mut self, at: Point, align: Align, text: impl Into<String>) {
        self.text(at, align, SMALL, GREY, text);
    }

    pub fn bold(
        &mut self,
        at: Point,
        align: Align,
        size: f64,
        ink: RGBColor,
        text: impl Into<String>,
    ) {
        self.label(at, align, size, true, ink, text.into());
    }

    fn label(
        &mut self,
        at: Point,
        align: Align,
        size: f64,
        bold: bool,
        ink: RGBColor,
        text: String,
    ) {
        self.shapes.push(Shape::Text(Label {
            at,
            align,
            size,
            bold,
            ink,
            text,
        }));
    }

    pub fn line(&mut self, points: Vec<Point>, width: f64, ink: impl Into<RGBAColor>) {
        let ink = ink.into();
        self.shapes.push(Shape::Line { points, width, ink });
    }

    /// A level line at the height `y`.
    pub fn across(&mut self, (left, right): (f64, f64), y: f64, width: f64, ink: RGBColor) {
        self.line(vec![(left, y), (right, y)], width, ink);
    }

    /// A vertical line at `x`.
    pub fn upwards(&mut self, x: f64, (top, foot): (f64, f64), width: f64, ink: RGBColor) {
        self.line(vec![(x, top), (x, foot)], width, ink);
    }

    pub fn area(&mut self, outline: Vec<Point>, ink: impl Into<RGBAColor>) {
        let ink = ink.into();
        self.shapes.push(Shape::Area { outline, ink });
    }

    pub fn disc(&mut self, centre: Point, radius: f64, ink: impl Into<RGBAColor>) {
        self.shapes.push(Shape::Disc {
            centre,
            radius,
            ink: ink.into(),
        });
    }

    pub fn box_area(&mut self, left_top: Point, right_bottom: Point, ink: impl Into<RGBAColor>) {
        let ((left, top), (right, bottom)) = (left_top, right_bottom);
        self.area(
            vec![(left, top), (right, top), (right, bottom), (left, bottom)],
            ink,
        );
    }

    /// Title, subtitle and footer.
    pub fn headings(&mut self, title: &str, subtitle: &str, footer: &str) {
        let title = Heading::fit(title, &[42.0, 36.0, 33.0], 2, true);
        let rise = (title.lines.len() - 1) as f64 * title.size * 1.3;
        for (at, line) in title.lines.into_iter().enumerate() {
            let baseline = TITLE_ROW - rise * 0.7 + at as f64 * rise;
            self.bold((MARGIN, baseline), Align::Left, title.size, INK, line);
        }
        let subtitle = Heading::fit(subtitle, &[26.0, 24.0, SMALL], 1, false);
        let (at, text) = ((MARGIN, SUBTITLE_ROW), subtitle.lines.concat());
        self.text(at, Align::Left, subtitle.size, GREY, text);
        self.text((MARGIN, FOOTER_ROW), Align::Left, 20.0, GREY, footer);
    }

    /// A tick of a horizontal axis at the foot of `rows` (top, foot), its grid line, and its label
    /// on the baseline `row`, which stays inside the canvas.
    pub fn upright(&mut self, x: f64, (top, foot): (f64, f64), row: f64, label: String) {
        self.line(vec![(x, top), (x, foot)], 1.0, GRID);
        self.line(vec![(x, foot), (x, foot + 7.0)], 1.5, FRAME);
        let half = scene::text_width(&label, SMALL, false) * FALLBACK / 2.0;
        let centre = x.max(half + 4.0).min(WIDTH - half - 4.0);
        self.small((centre, row), Align::Centre, label);
    }

    /// The grid line of a tick of a vertical axis from `left` to `right`, with its label before it.
    pub fn level(&mut self, y: f64, (left, right): (f64, f64), label: String) {
        self.line(vec![(left, y), (right, y)], 1.0, GRID);
        self.small((left - 14.0, y + 8.0), Align::Right, label);
    }

    /// Ticks of a date axis at the foot of `rows`.
    pub fn dates(&mut self, dates: &Axis, rows: (f64, f64), row: f64) {
        const WIDEST_LABEL: f64 = 130.0;
        let most = ((dates.length() / WIDEST_LABEL) as usize).clamp(2, 8);
        for (day, label) in axis::date_ticks(dates.range, most) {
            self.upright(dates.place(day), rows, row, label);
        }
    }

    /// A triangle that points `beyond` the axes, `inner` inside a `rim` of `outer`.
    pub fn pointer(
        &mut self,
        centre: Point,
        radius: f64,
        beyond: Point,
        outer: RGBColor,
        inner: RGBColor,
        rim: f64,
    ) {
        self.area(triangle(centre, radius, beyond), outer);
        self.area(triangle(centre, radius - rim, beyond), inner);
    }

    /// Text of a legend after the mark that ends at `at`; returns where the next mark begins.
    pub fn legend_text(&mut self, (x, row): Point, text: &str) -> f64 {
        self.small((x + 8.0, row), Align::Left, text);
        x + 8.0 + FALLBACK * scene::text_width(text, SMALL, false) + LEGEND_GAP
    }

    /// Writes over the grid that there is nothing to show.
    pub fn nothing(&mut self, (x, y): Point, text: &str) {
        let half = scene::text_width(text, SMALL, false) * FALLBACK / 2.0 + 6.0;
        self.box_area((x - half, y - 18.0), (x + half, y + 18.0), PAPER);
        self.small((x, y + 8.0), Align::Centre, text);
    }
}

/// Position of a value, or of the edge beyond which it lies, such that a mark of `radius` stays
/// inside.
pub fn edge_place(axis: &Axis, value: f64, radius: f64) -> f64 {
    let inset = radius * f64::from(axis.beyond(value)) * (axis.ends.1 - axis.ends.0).signum();
    axis.place(value.clamp(axis.range.0, axis.range.1)) - inset
}

/// Ticks of an amount axis with their labels.
pub fn labelled_ticks(range: (f64, f64), most: usize) -> (Vec<f64>, Vec<String>) {
    let (ticks, decimals) = axis::amount_ticks(range, most);
    let labels = ticks.iter().map(|tick| plain(*tick, decimals)).collect();
    (ticks, labels)
}

/// A number with `decimals` decimals and thousands separators.
pub fn plain(value: f64, decimals: usize) -> String {
    grouped(&format!("{value:.decimals$}"))
}

/// Width of the widest label of an axis.
pub fn widest(labels: &[String]) -> f64 {
    labels
        .iter()
        .map(|label| scene::text_width(label, SMALL, false))
        .fold(0.0, f64::max)
}

/// Text that fits between the margins.
struct Heading {
    /// One line or two.
    lines: Vec<String>,
    size: f64,
}

impl Heading {
    /// One line in the first of `sizes` in which it fits, else `most_lines` of the last one, cut
    /// with an ellipsis if that is not enough.
    fn fit(text: &str, sizes: &[f64], most_lines: usize, bold: bool) -> Self {
        const LONGEST: usize = 400;
        let room = (RIGHT - MARGIN) / FALLBACK;
        let fits = |text: &str, size: f64| scene::text_width(text, size, bold) <= room;
        let start: String = text.chars().take(LONGEST).collect();
        let whole = start.len() == text.len();
        if let Some(size) = sizes.iter().find(|size| whole && fits(&start, **size)) {
            return Self {
                lines: vec![start],
                size: *size,
            };
        }
        let size = sizes.last().copied().unwrap_or(SMALL);
        let mut lines = Vec::new();
        let mut rest = start.as_str();
        while lines.len() + 1 < most_lines {
            let ends = rest.char_indices().map(|(at, _)| at).chain([rest.len()]);
            let longest = ends
                .take_while(|end| fits(&rest[..*end], size))
                .last()
                .unwrap_or(0);
            let end = rest[..longest]
                .rfind(' ')
                .filter(|end| *end > 0)
                .unwrap_or(longest);
            lines.push(rest[..end].to_string());
            rest = rest[end..].trim_start();
        }
        let mut last = rest.to_string();
        if !whole || !fits(&last, size) {
            while !fits(&format!("{last}…"), size) && last.pop().is_some() {}
            last = format!("{}…", last.trim_end_matches([' ', ',', '.', ';']));
        }
        lines.push(last);
        Self { lines, size }
    }
}

/// A triangle around `centre` that points in the direction `towards`.
fn triangle(centre: Point, radius: f64, towards: Point) -> Vec<Point> {
    let heading = towards.1.atan2(towards.0);
    let angles = (0..3).map(|corner| heading + f64::from(corner) * std::f64::consts::TAU / 3.0);
    angles
        .map(|angle| {
            (
                centre.0 + radius * angle.cos(),
                centre.1 + radius * angle.sin(),
            )
        })
        .collect()
}
