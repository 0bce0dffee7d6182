use super::super::tests::{PIXELS, crowding, decoded, flaw, labels, texts};
use super::scales::MOST_BARS;
use super::*;
use crate::render::chart::{to_png, to_svg};
use chrono::NaiveDate;
use proptest::prelude::*;

/// A sale of `paid` at `ratio`, `days_ago` days ago, with a band of 20 % to each side.
fn sale(paid: f64, ratio: f64, days_ago: u64) -> CheckedSale {
    let today: NaiveDate = "2026-11-20".parse().unwrap();
    let estimate = paid * ratio;
    CheckedSale {
        paid,
        estimate,
        band: Interval::new(estimate / 1.2, estimate * 1.2),
        sold_on: Some(today - chrono::Days::new(days_ago)),
    }
}

/// A check of sales, every fifth of which lies outside its band.
fn chart(count: u32) -> CheckChart {
    let sales: Vec<CheckedSale> = (0..count)
        .map(|at| {
            let ratio = if at % 5 == 4 { 1.3 } else { 0.97 };
            sale(20.0 + f64::from(at * 7 % 31), ratio, u64::from(at))
        })
        .collect();
    CheckChart {
        title: "Bolv 83V: past estimates against what was paid".into(),
        subtitle: "some of some sales".into(),
        currency: Currency::parse("EUR").unwrap(),
        level: 80,
        median_ratio: 0.97,
        histogram: (0..10).map(|bar| bar * count as usize / 45).collect(),
        by_chance: (count > 0).then(|| Interval::new(1.0, f64::from(count) / 5.0)),
        sales,
    }
}

fn shapes(chart: &CheckChart) -> Vec<Shape> {
    chart.shapes().unwrap()
}

/// Whether a point lies in the left or the lower panel, or on its axes.
fn in_a_panel((x, y): Point) -> bool {
    let within = |value: f64, (from, to): (f64, f64)| (from..=to).contains(&value);
    within(x, (MARGIN, LEFT_PANEL_END)) && within(y, rows::UPPER)
        || within(x, (MARGIN, RIGHT)) && within(y, rows::RATIOS)
}

/// Centres of the marks in the panels: discs, diamonds and triangles, without rims.
fn marks(chart: &CheckChart) -> (Vec<Point>, Vec<Point>, Vec<Point>) {
    let rgb = |ink: &RGBAColor| RGBColor(ink.0, ink.1, ink.2);
    let (mut discs, mut diamonds, mut triangles) = (Vec::new(), Vec::new(), Vec::new());
    for shape in shapes(chart) {
        match shape {
            Shape::Disc { centre, ink, .. } if rgb(&ink) == BLUE => discs.push(centre),
            Shape::Area { outline, ink } if [BLUE, AMBER].contains(&rgb(&ink)) => {
                let count = outline.len() as f64;
                let sum = outline
                    .iter()
                    .fold((0.0, 0.0), |sum, at| (sum.0 + at.0, sum.1 + at.1));
                let middle = (sum.0 / count, sum.1 / count);
                if outline.len() == 3 {
                    triangles.push(middle);
                } else if outline[0].1 != outline[1].1 {
                    diamonds.push(middle);
                }
            }
            _ => {}
        }
    }
    let legend = |at: &Point| {
        rows::LEGEND
            .iter()
            .any(|row| (row - 8.0 - at.1).abs() < 1.0)
    };
    for kind in [&mut discs, &mut diamonds, &mut triangles] {
        kind.retain(|at| !legend(at));
    }
    (discs, diamonds, triangles)
}

/// Number of horizontal lines of a width.
fn lines(chart: &CheckChart, wanted: f64, row: impl Fn(f64) -> bool) -> usize {
    let chosen = |shape: &Shape| {
        matches!(shape, Shape::Line { points, width, .. }
            if *width == wanted && points[0].1 == points[1].1 && row(points[0].1))
    };
    shapes(chart).iter().filter(|shape| chosen(shape)).count()
}

fn bars(chart: &CheckChart) -> usize {
    let chosen = |shape: &Shape| {
        matches!(shape, Shape::Line { points, ink, .. }
            if [SHADE.to_rgba(), AMBER_SHADE.to_rgba()].contains(ink) && points[0].1 < rows::LEGEND[0] - 30.0)
    };
    shapes(chart).iter().filter(|shape| chosen(shape)).count()
}

#[test]
fn every_sale_is_a_mark_in_both_panels() {
    for count in [1, 3, 50, 1000, 10_000] {
        let chart = chart(count);
        let outside = count as usize / 5;
        let held = count as usize - outside;
        let (discs, diamonds, triangles) = marks(&chart);
        assert_eq!((discs.len(), diamonds.len()), (2 * held, 2 * outside));
        assert_eq!(triangles, []);
        assert!(discs.iter().chain(&diamonds).all(|at| in_a_panel(*at)));
        assert_eq!(
            bars(&chart),
            (count as usize).div_ceil(one_bar_in(count as usize))
        );
        assert!(bars(&chart) <= MOST_BARS);
    }
}

#[test]
fn sales_on_the_line_lie_on_the_line() {
    let mut chart = chart(1);
    chart.sales = vec![sale(40.0, 1.0, 3), sale(80.0, 1.0, 9), sale(160.0, 1.0, 30)];
    chart.median_ratio = 1.0;
    let (discs, _, _) = marks(&chart);
    let diagonal = shapes(&chart).into_iter().find_map(|shape| match shape {
        Shape::Line { points, ink, .. } if ink == INK.to_rgba() => Some(points),
        _ => None,
    });
    let diagonal = diagonal.unwrap();
    let slope = (diagonal[1].1 - diagonal[0].1) / (diagonal[1].0 - diagonal[0].0);
    for (x, y) in &discs[..3] {
        let on_line = diagonal[0].1 + slope * (x - diagonal[0].0);
        assert!((y - on_line).abs() < 1e-6, "{y} {on_line}");
    }
    // Doubling has the same length everywhere.
    assert!((discs[2].0 - 2.0 * discs[1].0 + discs[0].0).abs() < 1e-6);
    assert!(discs[3..].windows(2).all(|pair| pair[0].1 == pair[1].1));
}

#[test]
fn far_sales_are_marked_and_do_not_squash_the_axes() {
    let near = chart(200);
    let mut far = near.clone();
    far.sales.push(sale(2e6, 1e-4, 12));
    let (_, _, triangles) = marks(&far);
    // Expensive ones lie beyond the right edge of one panel, below the other.
    assert_eq!(triangles.len(), 2);
    assert!(triangles.iter().all(|at| in_a_panel(*at)));
    let mut texts = (texts(&near), texts(&far));
    assert!(texts.1.contains(&"beyond the axis".to_string()));
    texts.1.retain(|text| text != "beyond the axis");
    for texts in [&mut texts.0, &mut texts.1] {
        texts.retain(|text| !text.starts_with("in its range") && !text.starts_with("outside it"));
    }
    assert_eq!(texts.0, texts.1);
}

#[test]
fn bars_are_as_high_as_their_counts() {
    let mut chart = chart(30);
    chart.histogram = vec![10, 0, 0, 5, 0, 0, 0, 0, 15, 0];
    let heights: Vec<f64> = shapes(&chart)
        .iter()
        .filter_map(|shape| match shape {
            Shape::Area { outline, ink } if *ink == SHADE.to_rgba() => {
                Some(outline[2].1 - outline[0].1)
            }
            _ => None,
        })
        .collect();
    assert_eq!(heights.len(), 3);
    assert!((heights[0] - 2.0 * heights[1]).abs() < 1e-9);
    assert!((heights[2] - 3.0 * heights[1]).abs() < 1e-9);
}

#[test]
fn months_with_sales_enough_have_their_median() {
    let plotted = |y: f64| (rows::RATIOS.0..=rows::RATIOS.1).contains(&y);
    let mut chart = chart(30);
    // Twenty sales of November, ten of October.
    assert_eq!(lines(&chart, 5.0, plotted), 2);
    chart.sales.truncate(24);
    assert_eq!(lines(&chart, 5.0, plotted), 1);
    let medians = medians_by_month(&chart.sales);
    assert_eq!(medians[0].1, 0.97);
    chart.sales.truncate(MONTH_LEAST - 1);
    assert_eq!(lines(&chart, 5.0, plotted), 0);
    assert!(!texts(&chart).iter().any(|text| text.contains("month")));
}

#[test]
fn sales_without_a_day_are_counted() {
    let mut some = chart(12);
    for sale in &mut some.sales[3..10] {
        sale.sold_on = None;
    }
    assert!(texts(&some).contains(&"without a day, not shown: 7".to_string()));
    let (discs, diamonds, _) = marks(&some);
    assert_eq!(discs.len() + diamonds.len(), 12 + 5);
    for sale in &mut some.sales {
        sale.sold_on = None;
    }
    assert!(texts(&some).contains(&"No day of sale is recorded.".to_string()));
}

#[test]
fn one_price_and_no_sales_have_a_picture() {
    let mut same = chart(1);
    same.sales = (0..40).map(|ago| sale(80.0, 1.0, ago)).collect();
    for chart in [same, chart(0), chart(1)] {
        assert_eq!(flaw(&to_svg(&chart).unwrap()), None);
        assert_eq!(crowding(&labels(&chart)), None);
        let (width, height, pixels) = decoded(&to_png(&chart).unwrap());
        assert_eq!((width, height, pixels.len()), (1600, 1200, PIXELS * 3));
    }
    assert_eq!(
        texts(&chart(0))
            .iter()
            .filter(|text| *text == NOTHING)
            .count(),
        2
    );
}

#[test]
fn numbers_that_no_axis_can_show_are_refused() {
    type Spoil = fn(&mut CheckChart, f64);
    let fields: [Spoil; 6] = [
        |c, x| c.sales[2].paid = x,
        |c, x| c.sales[2].estimate = x,
        |c, x| c.sales[2].band.low = x,
        |c, x| c.sales[2].band.high = x,
        |c, x| c.median_ratio = x,
        |c, x| c.by_chance = Some(Interval::new(0.0, x)),
    ];
    for spoil in fields {
        for wrong in [f64::NAN, f64::INFINITY, -1.0, 1e300] {
            let mut spoilt = chart(5);
            spoil(&mut spoilt, wrong);
            assert!(
                matches!(to_svg(&spoilt), Err(ChartError::Value { .. })),
                "{wrong}"
            );
        }
    }
    let mut spoilt = chart(5);
    spoilt.sales[1].paid = 0.0;
    assert_eq!(
        to_svg(&spoilt).unwrap_err().to_string(),
        "chart: the price paid for a sale is 0; expected an amount above 0 and up to 1e15"
    );
}

prop_compose! {
    fn any_sale()(
        share in -2.0_f64..2.0, ratio in -1.0_f64..1.0, width in 0.0_f64..4.0, ago in 0_u64..4000,
        dated in prop::bool::weighted(0.9),
    ) -> CheckedSale {
        let mut sale = sale(10_f64.powf(share), ratio.exp(), ago);
        sale.band = Interval::new(sale.estimate / width.exp(), sale.estimate * width.exp());
        sale.sold_on = sale.sold_on.filter(|_| dated);
        sale
    }
}

prop_compose! {
    fn any_chart()(
        power in -1.0_f64..7.0, spread in 0.0_f64..1.0, median in 0.5_f64..2.0,
        mut sales in prop::collection::vec(any_sale(), 0..40),
        histogram in prop::collection::vec(0_usize..5000, 10), title in "\\PC{0,90}",
    ) -> CheckChart {
        for sale in &mut sales {
            let scale = 10_f64.powf(power) * sale.paid.powf(spread - 1.0);
            sale.paid *= scale;
            sale.estimate *= scale;
            sale.band = Interval::new(sale.band.low * scale, sale.band.high * scale);
        }
        CheckChart { title, sales, histogram, median_ratio: median, ..chart(5) }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    #[test]
    fn any_chart_is_well_formed_and_uncrowded(chart in any_chart()) {
        prop_assert_eq!(flaw(&to_svg(&chart).unwrap()), None);
        prop_assert_eq!(crowding(&labels(&chart)), None);
        let (discs, diamonds, triangles) = marks(&chart);
        let all = discs.iter().chain(&diamonds).chain(&triangles);
        let undated = chart.sales.iter().filter(|sale| sale.sold_on.is_none()).count();
        prop_assert_eq!(all.clone().count(), 2 * chart.sales.len() - undated);
        for at in all {
            prop_assert!(in_a_panel(*at), "{at:?}");
        }
    }
}
