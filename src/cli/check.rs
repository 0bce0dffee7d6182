//! `compband check`: how good the estimates would have been on the book's own sales.

use crate::cli::notice;
use crate::cli::progress;
use std::collections::BTreeMap;
use std::fmt::Write;
use std::path::{Path, PathBuf};

use clap::{Args, ValueEnum};

use super::conflicts;
use super::{CliError, count, print, strong};
use crate::app::AppError;
use crate::app::ledger::read_ledger;
use crate::app::past::{self, Past};
use crate::app::undeclared::{any_helps, columns};
use crate::backtest::calibration::{Coverage, bar_by_chance};
use crate::backtest::ratio::Figure;
use crate::backtest::selfcheck::{self, Figures, LEVELS, Predicted, figures};
use crate::backtest::verdict::{self, Standing, Verdict};
use crate::book::store::Book;
use crate::render::chart::{self, CheckChart, CheckedSale};
use crate::render::document::{check as document, text};
use crate::render::ledger::OwnCheck;
use crate::render::numbers::amount;
use crate::render::sheet::{basis, wrap};
use crate::render::table::{Grid, Kind, terminal_width};
use crate::render::undeclared;
use crate::settings::Settings;

/// Which of [`LEVELS`] is charted.
const CHARTED: usize = 1;

/// Names of groups up to this long are not broken.
const SHORT_NAME: usize = 20;

/// Most sales named that look mistyped.
const NAMED: usize = 3;

/// Columns that prose is set to.
const PROSE: usize = 80;

const EXAMPLES: &str = "\
Examples:
  compband check
  compband check --model \"Nerrow F4\" --by grade
  compband check --chart check.png --chart check.svg
  compband check --by month --json

Every sale is estimated from the sales of days before it, and then held against what it fetched;
a sale without a date from all the others of the model, as of the day of the newest. Other models
speak from their sales before that month.
Lots are left out, and sales with nothing known before them.";

/// Check past estimates against what was then paid
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES)]
pub struct CheckArgs {
    /// Only sales of this model
    #[arg(long, value_name = "MODEL")]
    model: Option<String>,
    /// Figures for each of these groups, besides all sales
    #[arg(long, value_name = "GROUP", value_enum)]
    by: Option<By>,
    /// Draw a chart of all the sales into FILE (.png or .svg); can be given twice
    #[arg(long, value_name = "FILE")]
    chart: Vec<PathBuf>,
    /// Print everything as JSON instead
    #[arg(long)]
    json: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum By {
    Model,
    Grade,
    Completeness,
    Month,
    Price,
}

/// Runs the command.
///
/// # Errors
/// Where the book cannot be read, has no such model, or nothing that can be predicted; where a
/// chart cannot be written.
pub fn run(args: &CheckArgs, book: Option<&Path>) -> Result<(), CliError> {
    args.chart
        .iter()
        .try_for_each(|path| chart::check_name(path))?;
    let book = Book::open(book)?;
    let checked = past::check(&book, args.model.as_deref(), &mut notice, &progress())?.found;
    let told: Vec<(&Past, &Predicted)> = checked
        .iter()
        .filter_map(|c| Some((c, c.predicted.as_ref()?)))
        .collect();
    let undated = undated_of(&told);
    let all: Vec<&Predicted> = told.iter().map(|(_, predicted)| *predicted).collect();
    let Some(overall) = figures(&all) else {
        return Err(AppError::Absent {
            message: "no sale has another before it from which it could be predicted".into(),
            next: "log or import more sales; `compband models` lists what the book holds".into(),
        }
        .into());
    };
    if !args.chart.is_empty() {
        let model = args.model.as_ref().map(|_| told[0].0.model.as_str());
        let chart = check_chart(&told, &overall, checked.len(), model, book.settings());
        super::draw(&chart, &args.chart)?;
    }
    let mut groups: Vec<(String, Figures)> = vec![("all sales".into(), overall)];
    if let Some(by) = args.by {
        groups.extend(grouped(&told, by, book.settings()));
    }
    let columns = columns(&checked, book.settings());
    let helps = any_helps(&columns);
    let contradicted = conflicts::of_book(&book, args.model.as_deref())?;
    let own = OwnCheck::of(&read_ledger(&book, &mut notice)?, args.model.as_deref());
    if args.json {
        let document = document::Check {
            schema: "compband.check/1",
            sales: checked.len(),
            predicted: groups[0].1.sales,
            predicted_from_earlier_sales: groups[0].1.sales - undated,
            predicted_from_all_others: undated,
            mistyped: mistyped(&told)
                .map(|(past, _)| past.sale.comp_id.as_str())
                .collect(),
            interval_chance: selfcheck::LEVEL,
            groups: groups
                .iter()
                .map(|(name, figures)| group(name, figures, helps))
                .collect(),
            undeclared: undeclared::document(&columns, book.settings()),
            contradicted: conflicts::document(&contradicted, book.settings()),
            own_sales: own.document(),
        };
        return print(&text(&document)?);
    }
    print(&sheet(
        &groups,
        checked.len(),
        undated,
        &set_aside(&told, book.settings()),
        helps,
    ))?;
    let section = undeclared::section(&columns, book.settings(), prose_width());
    let wrong_rules = conflicts::section(&contradicted, book.settings(), prose_width());
    for section in [section, wrong_rules].iter().filter(|s| !s.is_empty()) {
        print(&format!("\n{section}"))?;
    }
    print(&own.sheet(terminal_width()))
}

/// Those that look mistyped.
fn mistyped<'a>(
    told: &'a [(&Past, &Predicted)],
) -> impl Iterator<Item = (&'a Past, &'a Predicted)> {
    told.iter()
        .copied()
        .filter(|(_, predicted)| predicted.mistyped)
}

/// Which sales look mistyped, in words; empty where none does.
fn set_aside(told: &[(&Past, &Predicted)], settings: &Settings) -> String {
    let names: Vec<String> = mistyped(told)
        .take(NAMED)
        .map(|(past, predicted)| {
            format!(
                "{} {} for {} ({:.1} times its estimate)",
                past.model,
                past.sale.comp_id,
                amount(&settings.currency, past.sale.paid),
                predicted.paid / predicted.estimate
            )
        })
        .collect();
    let number = mistyped(told).count();
    if number == 0 {
        return String::new();
    }
    let more = if number > NAMED { " …" } else { "" };
    format!(
        "{} left out of ratios and scores, not of bands: {}{more}.",
        if number == 1 {
            "One sale looks mistyped and is"
        } else {
            "Some sales look mistyped and are"
        },
        names.join(", ")
    )
}

fn grouped(told: &[(&Past, &Predicted)], by: By, settings: &Settings) -> Vec<(String, Figures)> {
    let mut prices: Vec<f64> = told.iter().map(|(_, f)| f.paid).collect();
    prices.sort_by(f64::total_cmp);
    let mut groups: BTreeMap<(usize, String), Vec<&Predicted>> = BTreeMap::new();
    for (checked, predicted) in told {
        let sale = &checked.sale;
        let recorded = |at: Option<usize>, what: &str, name: &str| match at {
            Some(at) => (at, format!("{what}{name}")),
            None => (
                usize::MAX,
                format!(
                    "no {}",
                    if what.is_empty() {
                        "completeness"
                    } else {
                        "grade"
                    }
                ),
            ),
        };
        let key = match by {
            By::Model => (0, checked.model.clone()),
            By::Grade => recorded(settings.grade_index(&sale.grade), "grade ", &sale.grade),
            By::Completeness => recorded(
                settings.completeness_index(&sale.completeness),
                "",
                &sale.completeness,
            ),
            By::Month => match sale.sold_on {
                Some(day) => (0, day.format("%Y-%m").to_string()),
                None => (1, "undated".into()),
            },
            By::Price => {
                let below = prices.partition_point(|p| *p < predicted.paid);
                let quarter = (4 * below / prices.len().max(1)).min(3);
                (
                    quarter,
                    [
                        "cheapest quarter",
                        "second quarter",
                        "third quarter",
                        "dearest quarter",
                    ][quarter]
                        .into(),
                )
            }
        };
        groups.entry(key).or_default().push(predicted);
    }
    groups
        .into_iter()
        .filter_map(|((_, name), sales)| {
            let mut figures = figures(&sales)?;
            if by == By::Price {
                // Sorted by what was paid, dear and cheap differ by the sorting.
                (figures.study.prd, figures.study.prb) = (None, None);
            }
            Some((name, figures))
        })
        .collect()
}

/// What the figures of a group mean.
pub(super) fn verdicts(name: &str, figures: &Figures) -> Vec<Verdict> {
    let group = if name == "all sales" { "" } else { name };
    let mut out: Vec<Verdict> = LEVELS
        .iter()
        .zip(&figures.coverage)
        .map(|(chance, coverage)| verdict::bands(group, f64::from(*chance) / 100.0, coverage))
        .collect();
    out.extend(verdict::study(group, &figures.study));
    out.push(verdict::shape(group, &figures.pit));
    out
}

/// How many of these have no day.
pub(super) fn undated_of(told: &[(&Past, &Predicted)]) -> usize {
    told.iter()
        .filter(|(checked, _)| checked.sale.sold_on.is_none())
        .count()
}

/// How many of the sales were predicted, and from what: `told` of them, `undated` of these from
/// all the others.
pub(super) fn how_predicted(told: usize, undated: usize, sales: usize) -> String {
    let before = "from the sales of days before";
    let from = match (told - undated, undated) {
        (_, 0) => format!(" {before}"),
        (0, _) => ", all undated: each from all the others".into(),
        (dated, undated) => format!(
            ": {dated} {before}, and {}: each from all the others",
            count(undated, "undated sale")
        ),
    };
    format!("{told} of {} predicted{from}", count(sales, "sale"))
}

/// Width of sentences.
fn prose_width() -> usize {
    terminal_width().map_or(PROSE, usize::from).clamp(40, 100)
}

/// The verdicts of a group, `helps` being whether numbers would help that are recorded already.
fn judged(name: &str, figures: &Figures, helps: bool) -> Vec<Verdict> {
    let all = verdicts(name, figures).into_iter();
    all.map(|verdict| {
        if helps {
            verdict.with_undeclared()
        } else {
            verdict
        }
    })
    .collect()
}

fn sheet(
    groups: &[(String, Figures)],
    sales: usize,
    undated: usize,
    set_aside: &str,
    helps: bool,
) -> String {
    let (width, prose) = (terminal_width(), prose_width());
    let mut out = String::new();
    let told = groups[0].1.sales;
    let first = format!(
        "{}; ratios are estimate over price paid, intervals 95 %.",
        how_predicted(told, undated, sales)
    );
    let _ = writeln!(out, "{}", wrap(&first, prose, ""));
    if !set_aside.is_empty() {
        let _ = writeln!(out, "{}", wrap(set_aside, prose, ""));
    }
    out.push('\n');
    let short = groups
        .iter()
        .all(|(name, _)| name.chars().count() <= SHORT_NAME);
    let mut grid = Grid::ranked(&[
        ("", if short { Kind::Fixed } else { Kind::Text }, 0),
        ("sales", Kind::Number, 0),
        ("median ratio", Kind::Number, 0),
        ("COD", Kind::Number, 1),
        ("PRD", Kind::Number, 3),
        ("PRB", Kind::Number, 4),
        ("off by", Kind::Number, 1),
        ("50 %", Kind::Number, 2),
        ("80 %", Kind::Number, 0),
        ("90 %", Kind::Number, 2),
        ("score", Kind::Number, 5),
    ]);
    for (name, figures) in groups {
        grid.push(row(name, figures));
    }
    out.push_str(&grid.render(width));
    let legend = "COD, PRD, PRB: dispersion of the ratios, and whether dear units are estimated \
                  like cheap ones (Standard on Ratio Studies, IAAO 2013; its ranges are for dwellings). \
                  Off by: median error in per cent. 50, 80, 90 %: share of sales in the band so named.";
    let _ = writeln!(out, "\n{}", wrap(legend, prose, ""));
    let mut advised: Vec<String> = Vec::new();
    for (name, figures) in groups {
        let all = judged(name, figures, helps);
        let wrong = || all.iter().filter(|v| v.standing == Standing::Fails);
        let _ = writeln!(out, "\n{}", strong(name));
        for verdict in wrong() {
            // Said once is enough.
            let fresh = verdict
                .advice
                .clone()
                .filter(|advice| !advised.contains(advice));
            let advice = fresh
                .as_deref()
                .map_or(String::new(), |advice| format!(" {advice}"));
            advised.extend(fresh);
            let _ = writeln!(
                out,
                "{}",
                wrap(&format!("✗ {}.{advice}", verdict.says), prose, "  ")
            );
        }
        for verdict in all.iter().filter(|v| v.standing == Standing::Holds) {
            let _ = writeln!(
                out,
                "{}",
                wrap(&format!("✓ {}.", verdict.says), prose, "  ")
            );
        }
        let open = all.iter().filter(|v| v.standing == Standing::Open).count();
        if open > 0 {
            let text = format!(
                "? {} cannot be told yet: log more sales.",
                count(open, "figure")
            );
            let _ = writeln!(out, "{}", wrap(&text, prose, "  "));
        }
    }
    out
}

/// The chart of all that was predicted, `told` of `sales`, of one `model` or of the whole book.
fn check_chart(
    told: &[(&Past, &Predicted)],
    overall: &Figures,
    sales: usize,
    model: Option<&str>,
    settings: &Settings,
) -> CheckChart {
    let title = "estimates against what was paid";
    CheckChart {
        title: model.map_or_else(
            || format!("Past {title}"),
            |model| format!("{model}: past {title}"),
        ),
        subtitle: format!(
            "{}; {}",
            how_predicted(told.len(), undated_of(told), sales),
            basis(settings.price_basis)
        ),
        currency: settings.currency.clone(),
        level: LEVELS[CHARTED],
        sales: told
            .iter()
            .map(|(checked, predicted)| CheckedSale {
                paid: predicted.paid,
                estimate: predicted.estimate,
                band: predicted.bands[CHARTED],
                sold_on: checked.sale.sold_on,
            })
            .collect(),
        median_ratio: overall.study.median.value,
        by_chance: bar_by_chance(told.len(), overall.pit.counts.len(), selfcheck::LEVEL),
        histogram: overall.pit.counts.clone(),
    }
}

fn row(name: &str, figures: &Figures) -> Vec<String> {
    let study = &figures.study;
    let of = |figure: &Option<Figure>, digits: usize| {
        figure
            .as_ref()
            .map_or("–".into(), |f| format!("{:.digits$}", f.value))
    };
    let share = |coverage: &Coverage| format!("{:.0} %", 100.0 * coverage.share);
    let median = match study.median.interval {
        Some(range) => {
            format!(
                "{:.2} ({:.2} to {:.2})",
                study.median.value, range.low, range.high
            )
        }
        None => format!("{:.2}", study.median.value),
    };
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

fn group<'a>(name: &'a str, figures: &'a Figures, helps: bool) -> document::Group<'a> {
    let study = &figures.study;
    let coverage = |(chance, of): (&u8, &Coverage)| document::Coverage {
        chance_percent: *chance,
        held: of.covered,
        of: of.of,
        share: of.share,
        low: of.interval.low,
        high: of.interval.high,
    };
    let verdict = |verdict: Verdict| document::Verdict {
        standing: match verdict.standing {
            Standing::Holds => "holds",
            Standing::Open => "open",
            Standing::Fails => "fails",
        },
        says: verdict.says,
        advice: verdict.advice,
    };
    document::Group {
        group: name,
        sales: figures.sales,
        median_ratio: (&study.median).into(),
        mean_ratio: study.mean,
        weighted_mean_ratio: study.weighted_mean,
        cod_percent: study.cod.as_ref().map(Into::into),
        prd: study.prd.as_ref().map(Into::into),
        prb: study.prb.as_ref().map(Into::into),
        median_absolute_percentage_error: study.median_absolute_percentage_error,
        coverage: LEVELS.iter().zip(&figures.coverage).map(coverage).collect(),
        mean_interval_score_80_log: figures.score,
        pit_histogram: &figures.pit.counts,
        verdicts: judged(name, figures, helps)
            .into_iter()
            .map(verdict)
            .collect(),
    }
}
