use super::canvas::{AMBER, BLUE, GREY, INK};
use super::scene::{Align, HEIGHT, Label, Shape, WIDTH};
use super::*;
use crate::trade::Currency;
use chrono::Days;
use chrono::NaiveDate;
use proptest::prelude::*;

pub(super) const PIXELS: usize = 1600 * 1200;

fn date(text: &str) -> NaiveDate {
    text.parse().unwrap()
}

fn dot(adjusted: f64, days_ago: u64, used: bool) -> Dot {
    let sold_on = date("2026-11-20") - Days::new(days_ago);
    Dot {
        adjusted,
        at_date: adjusted * 1.05,
        sold_on: Some(sold_on),
        weight: 0.5,
        used,
    }
}

/// A band of 100 to 145 with a triangular density and `count` sales around its median.
fn chart(count: u64) -> BandChart {
    BandChart {
        title: "Nulva 61K, grade B".into(),
        subtitle: "20 November 2026".into(),
        currency: Currency::parse("EUR").unwrap(),
        level: 80,
        median: 120.0,
        low: 100.0,
        high: 145.0,
        density: vec![(80.0, 0.0), (118.0, 1.0), (170.0, 0.0)],
        dots: (0..count)
            .map(|at| dot(105.0 + (at * 7 % 31) as f64, at * 9, true))
            .collect(),
        trend: vec![(date("2025-11-20"), 130.0), (date("2026-11-20"), 120.0)],
    }
}

pub(super) fn decoded(file: &[u8]) -> (u32, u32, Vec<u8>) {
    let mut reader = png::Decoder::new(file).read_info().unwrap();
    let mut pixels = vec![0; reader.output_buffer_size()];
    let info = reader.next_frame(&mut pixels).unwrap();
    (info.width, info.height, pixels)
}

pub(super) fn labels(chart: &impl Chart) -> Vec<Label> {
    let shapes = chart.shapes().unwrap();
    let text = |shape| {
        if let Shape::Text(label) = shape {
            Some(label)
        } else {
            None
        }
    };
    shapes
        .into_iter()
        .filter_map(text)
        .filter(|label| !label.text.is_empty())
        .collect()
}

pub(super) fn texts(chart: &impl Chart) -> Vec<String> {
    labels(chart).into_iter().map(|label| label.text).collect()
}

/// Asserts that every shape, and the text that runs to the right, lies in the picture.
pub(super) fn assert_within(shapes: &[Shape]) {
    for shape in shapes {
        let points = match shape {
            Shape::Line { points, .. } => points.clone(),
            Shape::Area { outline, .. } => outline.clone(),
            Shape::Disc { centre, .. } => vec![*centre],
            Shape::Text(label) => {
                let wide = scene::text_width(&label.text, label.size, label.bold);
                assert!(label.align != Align::Left || label.at.0 + wide < WIDTH);
                vec![label.at]
            }
        };
        for (x, y) in points {
            assert!((0.0..=WIDTH).contains(&x) && (0.0..=HEIGHT).contains(&y));
        }
    }
}

/// The first error of well-formed XML, of the kinds that this writer could make.
pub(super) fn flaw(svg: &str) -> Option<String> {
    let mut open = Vec::new();
    let mut rest = svg;
    while let Some((text, tail)) = rest.split_once('<') {
        if text.contains('>') {
            return Some(format!("a bare > in {text:?}"));
        }
        let Some((tag, tail)) = tail.split_once('>') else {
            return Some("a tag without an end".into());
        };
        for (at, part) in [text, tag]
            .into_iter()
            .flat_map(|part| part.match_indices('&').map(move |m| (m.0, part)))
        {
            let entity = part[at + 1..].split(';').next().unwrap_or("");
            if !["lt", "gt", "amp", "quot", "apos"].contains(&entity) {
                return Some(format!("a bare & in {part:?}"));
            }
        }
        let name = tag
            .trim_start_matches('/')
            .split([' ', '/'])
            .next()
            .unwrap_or("");
        if tag.matches('"').count() % 2 != 0 || tag.contains('<') {
            return Some(format!("a torn attribute in {tag:?}"));
        }
        if tag.starts_with('/') {
            if open.pop() != Some(name) {
                return Some(format!("</{name}> without its start"));
            }
        } else if !tag.ends_with('/') {
            open.push(name);
        }
        rest = tail;
    }
    if let Some(c) = svg.chars().find(|c| c.is_control() && *c != '\n') {
        return Some(format!("the character {c:?}"));
    }
    open.last().map(|name| format!("<{name}> without its end"))
}

/// The first two labels that overlap, or one that leaves the canvas.
pub(super) fn crowding(labels: &[Label]) -> Option<String> {
    for (at, label) in labels.iter().enumerate() {
        let (left, top, right, bottom) = label.frame();
        if left < 0.0 || top < 0.0 || right > WIDTH || bottom > HEIGHT {
            return Some(format!("{:?} leaves the canvas", label.text));
        }
        for other in &labels[..at] {
            let (l, t, r, b) = other.frame();
            if left < r && l < right && top < b && t < bottom {
                return Some(format!("{:?} overlaps {:?}", label.text, other.text));
            }
        }
    }
    None
}

#[test]
fn png_has_its_size_and_its_colours() {
    let (width, height, pixels) = decoded(&to_png(&chart(30)).unwrap());
    assert_eq!((width, height), (1600, 1200));
    let count = |ink: plotters::style::RGBColor| {
        pixels
            .chunks_exact(3)
            .filter(|pixel| *pixel == [ink.0, ink.1, ink.2])
            .count()
    };
    assert!(count(BLUE) > 3000 && count(AMBER) > 3000 && count(INK) > 500 && count(GREY) > 500);
    let paper = count(plotters::style::WHITE);
    assert!(paper > PIXELS / 2 && paper < PIXELS * 95 / 100, "{paper}");
}

#[test]
fn text_of_the_user_is_escaped() {
    let mut hostile = chart(3);
    hostile.title = "<script>alert('&\"')</script>\u{0}\u{1b}[31m\n]]>".into();
    hostile.subtitle = "\"/><text>&amp;\u{ffff}".into();
    let svg = to_svg(&hostile).unwrap();
    assert_eq!(flaw(&svg), None);
    assert!(!svg.contains("<script") && svg.contains("&lt;script&gt;"));
    assert!(svg.contains("&quot;/&gt;&lt;text&gt;&amp;amp;"));
    to_png(&hostile).unwrap();
}

#[test]
fn long_titles_take_two_lines_and_then_an_ellipsis() {
    let mut long = chart(3);
    long.title = "Nulva 61K with ".repeat(6);
    let shown = texts(&long);
    assert_eq!(
        format!("{} {}", shown[0], shown[1].trim_end()),
        long.title.trim_end()
    );
    long.title = "W".repeat(5000);
    long.subtitle = "many words ".repeat(100);
    assert_eq!(
        texts(&long)
            .iter()
            .filter(|text| text.ends_with('…'))
            .count(),
        2
    );
    assert_eq!(crowding(&labels(&long)), None);
}

#[test]
fn money_is_shown_to_the_minor_unit() {
    let mut large = chart(0);
    (large.low, large.median, large.high) = (1_000.0, 1_234.5, 12_345.678);
    let svg = to_svg(&large).unwrap();
    assert!(svg.contains("\n1\u{2009}234.50 EUR\n"), "{svg}");
    assert!(svg.contains("\n12\u{2009}345.68 EUR\n"), "{svg}");
    large.currency = Currency::parse("JPY").unwrap();
    assert!(to_svg(&large).unwrap().contains("\n1\u{2009}234 JPY\n"));
}

#[test]
fn far_dropped_sales_are_marked_and_do_not_squash_the_axes() {
    let near = chart(20);
    let mut far = near.clone();
    far.dots.push(dot(1450.0, 12, false));
    far.dots.push(Dot {
        sold_on: Some(date("1999-01-01")),
        ..dot(120.0, 0, false)
    });
    let (near, mut far) = (texts(&near), texts(&far));
    assert!(
        far.contains(&"beyond the axis".to_string()) && far.contains(&"sale not used".to_string())
    );
    far.retain(|text| text != "beyond the axis" && text != "sale not used");
    assert_eq!(near, far);
}

#[test]
fn nothing_recorded_is_stated() {
    let mut empty = chart(0);
    empty.density.clear();
    empty.trend.clear();
    assert_eq!(
        texts(&empty)
            .iter()
            .filter(|text| *text == "No recorded sales to show.")
            .count(),
        1
    );
    to_png(&empty).unwrap();
}

#[test]
fn every_sale_is_a_mark_in_both_panels() {
    let discs = |chart: &BandChart| {
        let shapes = layout::compose(chart).unwrap();
        shapes
            .iter()
            .filter(|shape| matches!(shape, Shape::Disc { .. }))
            .count()
    };
    // A disc and its rim, twice.
    assert_eq!(discs(&chart(25)) - discs(&chart(5)), 20 * 4);
}

#[test]
fn undated_sales_are_drawn_above_only() {
    let mut chart = chart(5);
    chart.dots[3].sold_on = None;
    let discs = |chart: &BandChart| {
        let shapes = layout::compose(chart).unwrap();
        let disc = |shape: &&Shape| matches!(shape, Shape::Disc { .. });
        shapes.iter().filter(disc).count()
    };
    let dated = |chart: &BandChart| {
        let mut dated = chart.clone();
        dated.dots[3].sold_on = dated.dots[2].sold_on;
        dated
    };
    // A disc and its rim, once.
    assert_eq!(discs(&dated(&chart)) - discs(&chart), 2);
    let said = |chart: &BandChart, what: &str| texts(chart).iter().any(|text| text == what);
    assert!(said(&chart, "undated, shown above only: 1"));
    chart.dots.iter_mut().for_each(|dot| dot.sold_on = None);
    chart.trend.clear();
    assert!(said(&chart, "No sale is dated.") && said(&chart, "undated, shown above only: 5"));
    to_png(&chart).unwrap();
}

#[test]
fn numbers_that_no_axis_can_show_are_refused() {
    type Spoil = fn(&mut BandChart, f64);
    let fields: [Spoil; 8] = [
        |c, x| c.low = x,
        |c, x| c.median = x,
        |c, x| c.high = x,
        |c, x| c.density[1].0 = x,
        |c, x| c.density[1].1 = x,
        |c, x| c.dots[2].adjusted = x,
        |c, x| c.dots[2].at_date = x,
        |c, x| c.trend[0].1 = x,
    ];
    for spoil in fields {
        for wrong in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
            let mut spoilt = chart(5);
            spoil(&mut spoilt, wrong);
            assert!(matches!(to_svg(&spoilt), Err(ChartError::Value { .. })));
        }
    }
    let mut spoilt = chart(5);
    spoilt.dots[0].weight = f64::NAN;
    assert!(to_svg(&spoilt).is_err());
    let mut spoilt = chart(5);
    spoilt.median = 99.0;
    let message = to_svg(&spoilt).unwrap_err().to_string();
    assert_eq!(
        message,
        "chart: the likely price is 99; expected an amount within the range"
    );
    let mut spoilt = chart(5);
    spoilt.high = 1e300;
    assert!(to_svg(&spoilt).is_err());
}

#[test]
fn the_file_name_decides_the_format() {
    let folder = tempfile::tempdir().unwrap();
    let svg = folder.path().join("a.SVG");
    draw(&chart(4), &svg).unwrap();
    assert_eq!(
        std::fs::read_to_string(&svg).unwrap(),
        to_svg(&chart(4)).unwrap()
    );
    let png = folder.path().join("a.Png");
    std::fs::write(&png, "old").unwrap();
    draw(&chart(4), &png).unwrap();
    assert_eq!(decoded(&std::fs::read(&png).unwrap()).0, 1600);
    for name in ["a.pdf", "a", ".png"] {
        let error = draw(&chart(4), &folder.path().join(name))
            .unwrap_err()
            .to_string();
        assert!(error.contains(".png") && error.contains(".svg"), "{error}");
    }
    let error = draw(&chart(4), &folder.path().join("missing/a.png")).unwrap_err();
    assert!(matches!(error, ChartError::Io { .. }));
    assert_eq!(
        std::fs::read_dir(folder.path()).unwrap().count(),
        2,
        "a temporary file was left"
    );
}

#[test]
fn colours_stand_out_on_white() {
    // Relative luminance and contrast ratio as defined by WCAG 2.1.
    let linear = |channel: u8| {
        let share = f64::from(channel) / 255.0;
        if share <= 0.04045 {
            share / 12.92
        } else {
            ((share + 0.055) / 1.055).powf(2.4)
        }
    };
    for ink in [INK, GREY, BLUE, AMBER] {
        let luminance = 0.2126 * linear(ink.0) + 0.7152 * linear(ink.1) + 0.0722 * linear(ink.2);
        let contrast = 1.05 / (luminance + 0.05);
        assert!(contrast >= 4.5, "{ink:?}: {contrast}");
    }
}

prop_compose! {
    fn any_dot()(
        share in 0.01_f64..5.0, drift in 0.7_f64..1.3, ago in 0_u64..4000, weight in 0.0_f64..=1.0, used: bool,
    ) -> Dot {
        let sold_on = date("2026-11-20") - Days::new(ago);
        Dot { adjusted: share, at_date: share * drift, sold_on: Some(sold_on), weight, used }
    }
}

prop_compose! {
    /// Prices of dots and density are shares of the median, converted to money here.
    fn any_chart()(
        power in -1.5_f64..9.5, below in 0.0_f64..1.0, above in 0.0_f64..4.0, level in 1_u8..=99,
        mut dots in prop::collection::vec(any_dot(), 0..25),
        mut heights in prop::collection::vec(0.0_f64..1.0, 0..8),
        slopes in prop::collection::vec(0.5_f64..1.5, 0..4),
        title in "\\PC{0,90}",
    ) -> BandChart {
        let median = 10_f64.powf(power);
        for dot in &mut dots {
            dot.adjusted *= median;
            dot.at_date *= median;
        }
        let density = heights.drain(..).enumerate().map(|(at, height)| (median * at as f64 / 4.0, height)).collect();
        let trend = slopes.iter().zip(0..).map(|(slope, at)| (date("2026-01-05") + Days::new(at * 40), median * slope));
        BandChart {
            title,
            level,
            median,
            low: median * (1.0 - below),
            high: median * (1.0 + above),
            density,
            dots,
            trend: trend.collect(),
            ..chart(0)
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    #[test]
    fn any_chart_is_well_formed_and_uncrowded(chart in any_chart()) {
        prop_assert_eq!(flaw(&to_svg(&chart).unwrap()), None);
        prop_assert_eq!(crowding(&labels(&chart)), None);
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(6))]

    #[test]
    fn any_chart_becomes_a_picture(chart in any_chart()) {
        let (width, height, pixels) = decoded(&to_png(&chart).unwrap());
        prop_assert_eq!((width, height, pixels.len()), (1600, 1200, PIXELS * 3));
        prop_assert!(pixels.iter().any(|channel| *channel < 0x40), "blank");
    }
}
