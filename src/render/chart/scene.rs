//! Shapes in canvas units, and their drawing with a plotters backend.

use std::sync::LazyLock;

use plotters::coord::Shift;
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};
use plotters::style::{FontDesc, FontFamily, FontStyle, register_font};

use super::ChartError;

/// Width of the canvas; one unit is one pixel of the PNG.
pub const WIDTH: f64 = 1600.0;
/// Height of the canvas.
pub const HEIGHT: f64 = 1200.0;

/// Steps of the drawing backend per canvas unit. Backends accept whole numbers only, and the bitmap
/// one smooths little, so everything is drawn at a finer scale; the PNG is then averaged down.
const FINE: usize = 2;

/// Name of the embedded font, and the fallback for SVG viewers without it.
const FAMILY: &str = "Open Sans, sans-serif";
/// Height of a line (ascent to descent) per em of the embedded font: the scale of bitmap text.
const LINE_PER_EM: f64 = 2789.0 / 2048.0;
/// Divisor by which the SVG backend converts a font size to an em.
const SVG_PER_EM: f64 = 1.24;

/// A position, x to the right and y down.
pub type Point = (f64, f64);

/// End of a text at its position.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Align {
    Left,
    Centre,
    Right,
}

/// A line of text.
#[derive(Debug, Clone)]
pub struct Label {
    /// Position of the alignment point on the baseline.
    pub at: Point,
    pub align: Align,
    /// Size of the em.
    pub size: f64,
    pub bold: bool,
    pub ink: RGBColor,
    pub text: String,
}

impl Label {
    /// Left, top, right and bottom edge, from measured advance and the height of capitals.
    #[cfg(test)]
    pub fn frame(&self) -> (f64, f64, f64, f64) {
        let width = text_width(&self.text, self.size, self.bold);
        let left = match self.align {
            Align::Left => self.at.0,
            Align::Centre => self.at.0 - width / 2.0,
            Align::Right => self.at.0 - width,
        };
        (
            left,
            self.at.1 - 0.73 * self.size,
            left + width,
            self.at.1 + 0.22 * self.size,
        )
    }
}

/// One shape of the chart; later shapes lie over earlier ones.
#[derive(Debug, Clone)]
pub enum Shape {
    Area {
        outline: Vec<Point>,
        ink: RGBAColor,
    },
    Line {
        points: Vec<Point>,
        width: f64,
        ink: RGBAColor,
    },
    Disc {
        centre: Point,
        radius: f64,
        ink: RGBAColor,
    },
    Text(Label),
}

/// Scale and position of text in a backend.
struct TextPlacing {
    /// Font size that gives an em of 1.
    size_per_em: f64,
    /// Distance from the given position down to the baseline, in em.
    drop_per_em: f64,
}

/// The bitmap backend sets the baseline half a font size below the position.
const BITMAP_TEXT: TextPlacing = TextPlacing {
    size_per_em: LINE_PER_EM,
    drop_per_em: LINE_PER_EM / 2.0,
};
/// The SVG backend writes `dy="0.76em"` for text hung by its top.
const SVG_TEXT: TextPlacing = TextPlacing {
    size_per_em: SVG_PER_EM,
    drop_per_em: 0.76,
};

static FONT_READY: LazyLock<bool> = LazyLock::new(|| {
    let regular = include_bytes!("../../../data/fonts/OpenSans-Regular.ttf");
    let bold = include_bytes!("../../../data/fonts/OpenSans-Bold.ttf");
    register_font(FAMILY, FontStyle::Normal, regular).is_ok()
        && register_font(FAMILY, FontStyle::Bold, bold).is_ok()
});

/// Registers the embedded font with plotters.
///
/// # Errors
/// [`ChartError::Drawing`] if the font cannot be read.
pub fn prepare_font() -> Result<(), ChartError> {
    if *FONT_READY {
        Ok(())
    } else {
        Err(ChartError::Drawing(
            "the embedded font cannot be read".into(),
        ))
    }
}

fn font(size: f64, bold: bool) -> FontDesc<'static> {
    FontDesc::new(
        FontFamily::Name(FAMILY),
        size,
        if bold {
            FontStyle::Bold
        } else {
            FontStyle::Normal
        },
    )
}

/// Width of a text in canvas units (0 before [`prepare_font`]).
pub fn text_width(text: &str, size: f64, bold: bool) -> f64 {
    // Layout boxes are whole numbers, so the measured size is large.
    const ZOOM: f64 = 16.0;
    let measured = font(size * LINE_PER_EM * ZOOM, bold).layout_box(&printable(text));
    measured.map_or(0.0, |((left, _), (right, _))| {
        f64::from(right - left) / ZOOM
    })
}

/// The scene as an SVG document named `name`.
///
/// # Errors
/// [`ChartError::Drawing`] if the library fails.
pub fn to_svg(shapes: &[Shape], name: &str) -> Result<String, ChartError> {
    to_svg_of(shapes, name, HEIGHT)
}

/// The scene as an SVG document named `name`, of which only the upper part of this height shows.
///
/// # Errors
/// [`ChartError::Drawing`] if the library fails.
pub fn to_svg_of(shapes: &[Shape], name: &str, height: f64) -> Result<String, ChartError> {
    let mut drawn = String::new();
    let size = backend_size();
    paint(
        shapes,
        SVGBackend::with_string(&mut drawn, size).into_drawing_area(),
        &SVG_TEXT,
    )?;
    let body = drawn.split_once(">\n").map_or("", |(_root, body)| body);
    Ok(format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{}\" height=\"{}\" viewBox=\"0 0 {} {}\" role=\"img\">\n\
         <title>{}</title>\n{body}",
        WIDTH / 2.0,
        height / 2.0,
        size.0,
        fine(height),
        escape(&printable(name)),
    ))
}

/// The scene as a PNG file.
///
/// # Errors
/// [`ChartError::Drawing`] if the library fails.
pub fn to_png(shapes: &[Shape]) -> Result<Vec<u8>, ChartError> {
    let (width, height) = backend_size();
    let mut pixels = vec![0xff; width as usize * height as usize * 3];
    paint(
        shapes,
        BitMapBackend::with_buffer(&mut pixels, (width, height)).into_drawing_area(),
        &BITMAP_TEXT,
    )?;
    encode(&average_down(&pixels, width as usize))
        .map_err(|error| ChartError::Drawing(error.to_string()))
}

fn backend_size() -> (u32, u32) {
    (WIDTH as u32 * FINE as u32, HEIGHT as u32 * FINE as u32)
}

/// Averages squares of `FINE` × `FINE` pixels (RGB, rows of `width` pixels).
fn average_down(pixels: &[u8], width: usize) -> Vec<u8> {
    let mut out = Vec::with_capacity(pixels.len() / (FINE * FINE));
    let mut sums = vec![0_u32; width / FINE * 3];
    for rows in pixels.chunks_exact(width * 3 * FINE) {
        sums.fill(0);
        for row in rows.chunks_exact(width * 3) {
            for (block, sum) in row.chunks_exact(3 * FINE).zip(sums.chunks_exact_mut(3)) {
                for pixel in block.chunks_exact(3) {
                    for (total, channel) in sum.iter_mut().zip(pixel) {
                        *total += u32::from(*channel);
                    }
                }
            }
        }
        let of = (FINE * FINE) as u32;
        out.extend(sums.iter().map(|sum| ((sum + of / 2) / of) as u8));
    }
    out
}

fn encode(pixels: &[u8]) -> Result<Vec<u8>, png::EncodingError> {
    const PER_METRE: u32 = 7874; // 200 to the inch: 8 inches wide in print
    let mut file = Vec::new();
    let mut encoder = png::Encoder::new(&mut file, WIDTH as u32, HEIGHT as u32);
    encoder.set_color(png::ColorType::Rgb);
    encoder.set_depth(png::BitDepth::Eight);
    encoder.set_pixel_dims(Some(png::PixelDimensions {
        xppu: PER_METRE,
        yppu: PER_METRE,
        unit: png::Unit::Meter,
    }));
    let mut writer = encoder.write_header()?;
    writer.write_image_data(pixels)?;
    writer.finish()?;
    Ok(file)
}

fn paint<B: DrawingBackend>(
    shapes: &[Shape],
    area: DrawingArea<B, Shift>,
    placing: &TextPlacing,
) -> Result<(), ChartError> {
    let failed = |error: DrawingAreaErrorKind<B::ErrorType>| ChartError::Drawing(error.to_string());
    area.fill(&WHITE).map_err(failed)?;
    for shape in shapes {
        match shape {
            Shape::Area { outline, ink } => {
                area.draw(&Polygon::new(fine_path(outline), ink.filled()))
            }
            Shape::Line { points, width, ink } => {
                let points = fine_path(points);
                if points.len() < 2 {
                    continue;
                }
                area.draw(&PathElement::new(
                    points,
                    ink.stroke_width(fine(*width).max(1) as u32),
                ))
            }
            Shape::Disc {
                centre,
                radius,
                ink,
            } => area.draw(&Circle::new(
                fine_point(centre),
                fine(*radius).max(1),
                ink.filled(),
            )),
            Shape::Text(label) => write(&area, label, placing),
        }
        .map_err(failed)?;
    }
    area.present().map_err(failed)
}

fn write<B: DrawingBackend>(
    area: &DrawingArea<B, Shift>,
    label: &Label,
    placing: &TextPlacing,
) -> Result<(), DrawingAreaErrorKind<B::ErrorType>> {
    let horizontal = match label.align {
        Align::Left => HPos::Left,
        Align::Centre => HPos::Center,
        Align::Right => HPos::Right,
    };
    let em = label.size * FINE as f64;
    // With an even size, half the size, where the bitmap baseline lies, is a whole number.
    let size = 2.0 * (em * placing.size_per_em / 2.0).round();
    let drop = size / placing.size_per_em * placing.drop_per_em;
    let style = TextStyle {
        font: font(size, label.bold),
        color: label.ink.to_backend_color(),
        pos: Pos::new(horizontal, VPos::Top),
    };
    let top = label.at.1 * FINE as f64 - drop;
    area.draw_text(
        &printable(&label.text),
        &style,
        (fine(label.at.0), top.round() as i32),
    )
}

/// Backend steps; far values saturate.
fn fine(units: f64) -> i32 {
    (units * FINE as f64).round() as i32
}

fn fine_point(point: &Point) -> (i32, i32) {
    (fine(point.0), fine(point.1))
}

/// Points in backend steps, without repeats (a stroke cannot turn on a point of no length).
fn fine_path(points: &[Point]) -> Vec<(i32, i32)> {
    let mut path: Vec<_> = points.iter().map(fine_point).collect();
    path.dedup();
    path
}

/// `text` with a space for every character that a picture cannot show or XML cannot contain, and a
/// thin space for the narrow no-break one, which the embedded font lacks.
fn printable(text: &str) -> String {
    let shown = |c: char| match c {
        '\u{202f}' => '\u{2009}',
        '\u{fffe}' | '\u{ffff}' => ' ',
        c if c.is_control() => ' ',
        c => c,
    };
    text.chars().map(shown).collect()
}

fn escape(text: &str) -> String {
    text.replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
}
