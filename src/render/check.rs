//! The sheet and the chart of a check of past estimates.

use std::fmt::Write;

use super::chart::{CheckChart, CheckedSale};
use super::numbers::{amount, count};
use super::prose::{prose_width, sentence, wrap};
use super::sheet::basis;
use super::table::{Grid, Kind, strong};
use crate::app::check::{Checkable, mistyped, undated, verdicts};
use crate::backtest::calibration::{Coverage, bar_by_chance};
use crate::backtest::ratio::Figure;
use crate::backtest::selfcheck::{self, Figures, LEVELS};
use crate::backtest::verdict::{Standing, Verdict};
use crate::settings::Settings;

/// Position in [`LEVELS`] of the charted level.
const CHARTED: usize = 1;

/// Longest name of a group that is not broken.
const SHORT_NAME: usize = 20;

/// Most sales named that look mistyped.
const NAMED: usize = 3;

/// Legend of the columns of the figures.
pub(super) const LEGEND: &str = "\
COD, PRD, PRB: dispersion of the ratios, and whether expensive units are estimated like cheap ones (Standard on \
    Ratio Studies, IAAO 2013; its ranges are for dwellings). Off by: median error in per cent. 50, 80, 90 %: share \
    of sales in the range so named.";

/// Columns of the figures: their titles, and which ones a narrow terminal leaves out first.
pub(super) const COLUMNS: [(&str, u8); 11] = [
    ("", 0),
    ("sales", 0),
    ("median ratio", 0),
    ("COD", 1),
    ("PRD", 3),
    ("PRB", 4),
    ("off by", 1),
    ("50 %", 2),
    ("80 %", 0),
    ("90 %", 2),
    ("score", 5),
];

/// Content of the sheet of a check.
pub struct Sheet<'a> {
    /// The figures of all sales, then of each group.
    pub groups: &'a [(String, Figures)],
    /// The sales that have a prediction.
    pub sales: &'a [Checkable<'a>],
    /// The number of sales, including those without a prediction.
    pub of: usize,
    /// Whether recorded but undeclared numbers would improve estimates.
    pub helps: bool,
}

impl Sheet<'_> {
    /// The text for a terminal of this width; prose of 80 columns if there is none.
    pub fn text(&self, settings: &Settings, width: Option<u16>) -> String {
        let prose = prose_width(width);
        let mut out = wrap(&self.head(), prose, "") + "\n";
        let set_aside = set_aside(self.sales, settings);
        if !set_aside.is_empty() {
            let _ = writeln!(out, "{}", wrap(&set_aside, prose, ""));
        }
        out.push('\n');
        out.push_str(&self.figures(width));
        let _ = writeln!(out, "\n{}", wrap(LEGEND, prose, ""));
        out.push_str(&self.verdicts(prose));
        out
    }

    /// The number and method of the predictions, and the meaning of the figures.
    pub(super) fn head(&self) -> String {
        format!(
            "{}; ratios are estimate over price paid, ranges of figures 95 %.",
            self.how()
        )
    }

    /// The number and method of the predictions.
    pub(super) fn how(&self) -> String {
        how_predicted(self.groups[0].1.sales, undated(self.sales), self.of)
    }

    /// The table of figures.
    fn figures(&self, width: Option<u16>) -> String {
        let short = |(name, _): &(String, Figures)| name.chars().count() <= SHORT_NAME;
        let name = if self.groups.iter().all(short) {
            Kind::Fixed
        } else {
            Kind::Text
        };
        let mut grid = Grid::ranked(&COLUMNS.map(|(title, rank)| match title {
            "" => (title, name, rank),
            _ => (title, Kind::Number, rank),
        }));
        for (name, figures) in self.groups {
            grid.push(row(name, figures));
        }
        grid.render(width)
    }

    /// The verdicts of each group; advice is given once.
    fn verdicts(&self, prose: usize) -> String {
        let mut out = String::new();
        let mut advised: Vec<String> = Vec::new();
        for (name, figures) in self.groups {
            let all = judged(name, figures, self.helps);
            let of = |standing| all.iter().filter(move |v| v.standing == standing);
            let _ = writeln!(out, "\n{}", strong(name));
            for verdict in of(Standing::Fails) {
                let line = format!("✗ {}", advised_once(verdict, &mut advised));
                sentence(&mut out, &line, prose);
            }
            for verdict in of(Standing::Holds) {
                sentence(&mut out, &format!("✓ {}.", verdict.finding), prose);
            }
            let open = of(Standing::Open).count();
            if open > 0 {
                let open = count(open, "figure");
                let line = format!("? {open} cannot be told yet: log more sales.");
                sentence(&mut out, &line, prose);
            }
        }
        out
    }
}

/// A verdict with its advice, unless that is in `advised`, to which it is added.
pub(super) fn advised_once(verdict: &Verdict, advised: &mut Vec<String>) -> String {
    let fresh = verdict
        .advice
        .as_ref()
        .filter(|advice| !advised.contains(advice));
    let advice = fresh.map_or(String::new(), |text| format!(" {text}"));
    advised.extend(fresh.cloned());
    format!("{}.{advice}", verdict.finding)
}

/// The sales that look mistyped, in words; empty if there are none.
pub(super) fn set_aside(sales: &[Checkable<'_>], settings: &Settings) -> String {
    let names: Vec<String> = mistyped(sales)
        .take(NAMED)
        .map(|(past, predicted)| {
            format!(
                "{} {} for {} ({:.1} times the likely price)",
                past.model,
                past.sale.comp_id,
                amount(&settings.currency, past.sale.paid),
                predicted.paid / predicted.estimate
            )
        })
        .collect();
    let number = mistyped(sales).count();
    if number == 0 {
        return String::new();
    }
    let more = if number > NAMED { " …" } else { "" };
    format!(
        "{} left out of averages, not of ranges: {}{more}.",
        if number == 1 {
            "The price of one sale looks mistyped: it is"
        } else {
            "Some prices look mistyped: they are"
        },
        names.join(", ")
    )
}

/// Number and method of predictions: `predicted` of `sales`, `undated` of these from all the
/// others.
pub fn how_predicted(predicted: usize, undated: usize, sales: usize) -> String {
    let before = "from earlier sales";
    let from = match (predicted - undated, undated) {
        (_, 0) => format!(" {before}"),
        (0, _) => ", all undated: each from all the others".into(),
        (dated, undated) => format!(
            ": {dated} {before}, and {}: each from all the others",
            count(undated, "undated sale")
        ),
    };
    format!("{predicted} of {} estimated{from}", count(sales, "sale"))
}

/// The verdicts on a group; `helps` is whether recorded but undeclared numbers would help.
pub(super) fn judged(name: &str, figures: &Figures, helps: bool) -> Vec<Verdict> {
    let all = verdicts(name, figures);
    if !helps {
        return all;
    }
    all.into_iter().map(Verdict::with_undeclared).collect()
}

/// The chart of the predicted sales among `of`, for one `model` or the whole book.
pub fn chart(
    sales: &[Checkable<'_>],
    overall: &Figures,
    of: usize,
    model: Option<&str>,
    settings: &Settings,
) -> CheckChart {
    let title = "estimates against what was paid";
    let charted = |(past, predicted): &Checkable<'_>| CheckedSale {
        paid: predicted.paid,
        estimate: predicted.estimate,
        band: predicted.bands[CHARTED],
        sold_on: past.sale.sold_on,
    };
    CheckChart {
        title: model.map_or_else(
            || format!("Past {title}"),
            |model| format!("{model}: past {title}"),
        ),
        subtitle: format!(
            "{}; {}",
            how_predicted(sales.len(), undated(sales), of),
            basis(settings.price_basis)
        ),
        currency: settings.currency.clone(),
        level: LEVELS[CHARTED],
        sales: sales.iter().map(charted).collect(),
        median_ratio: overall.study.median.value,
        by_chance: bar_by_chance(sales.len(), overall.pit.counts.len(), selfcheck::LEVEL),
        histogram: overall.pit.counts.clone(),
    }
}

/// The cells of [`COLUMNS`].
pub(super) fn row(name: &str, figures: &Figures) -> Vec<String> {
    let study = &figures.study;
    let of = |figure: &Option<Figure>, digits: usize| {
        let shown = |f: &Figure| format!("{:.digits$}", f.value).replace('-', "−");
        figure.as_ref().map_or("–".into(), shown)
    };
    let share = |coverage: &Coverage| format!("{:.0} %", 100.0 * coverage.share);
    let interval = study.median.interval;
    let interval = interval.map(|range| format!(" ({:.2} to {:.2})", range.low, range.high));
    let median = format!("{:.2}{}", study.median.value, interval.unwrap_or_default());
    vec![
        name.to_string(),
        figures.sales.to_string(),
        median,
        of(&study.cod, 1),
        of(&study.prd, 2),
        of(&study.prb, 3),
        format!("{:.1} %", study.median_absolute_percentage_error),
        share(&figures.coverage[0]),
        share(&figures.coverage[1]),
        share(&figures.coverage[2]),
        format!("{:.3}", figures.score),
    ]
}
