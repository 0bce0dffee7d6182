//! A check of past estimates as parts of a page.

use maud::{Markup, html};

use super::check::{COLUMNS, LEGEND, Sheet, how_predicted, judged, row};
use super::html::{Cell, Column, Place, Table, prose, visible};
use super::numbers::{amount, count};
use super::short::check::Line;
use crate::app::check::{Checkable, mistyped, undated};
use crate::backtest::verdict::{Standing, Verdict};
use crate::settings::Settings;

/// Most mistyped sales in the table.
const MISTYPED: usize = 50;

/// The short sheet: the first sentence, then a list of verdicts with what is said about each.
pub fn words(lines: &[Line]) -> Markup {
    html! {
        @for (at, line) in lines.iter().enumerate() {
            @if !line.below {
                @let about: Vec<&Line> = lines[at + 1..].iter().take_while(|next| next.below).collect();
                p.verdict {
                    @if !line.mark.is_empty() {
                        span.mark aria-hidden="true" { (line.mark) } " "
                        span.unseen { (standing(line.mark)) " " }
                    }
                    (prose(&line.text))
                }
                @if !about.is_empty() {
                    ul { @for line in about { li { (prose(&line.text)) } } }
                }
            }
        }
    }
}

/// A mark in words, for those who hear the page.
fn standing(mark: &str) -> &'static str {
    match mark {
        "✓" => "Holds:",
        "✗" => "Does not hold:",
        _ => "Open:",
    }
}

/// Every figure of all sales and of each group, what the columns are, and the verdicts on them.
pub fn figures(content: &Sheet<'_>) -> Markup {
    let columns = COLUMNS.map(|(title, _)| match title {
        "" => ("group", Column::Head),
        _ => (title, Column::Number),
    });
    let caption = format!(
        "{}; ratios are estimate over price paid, ranges of figures 95 %.",
        how_predicted(
            content.groups[0].1.sales,
            undated(content.sales),
            content.of
        )
    );
    let rows = content.groups.iter().map(|(name, figures)| {
        let cells = row(name, figures).into_iter().map(Cell::text);
        (cells.collect(), false)
    });
    let table = Table {
        id: "figures",
        caption: &caption,
        sortable: false,
        columns: columns.to_vec(),
        rows: rows.collect(),
    };
    html! {
        (table.render(Place::WHOLE))
        p.small { (prose(LEGEND)) }
        @for (name, figures) in content.groups {
            h3 dir="auto" { (visible(name)) }
            (verdicts(&judged(name, figures, content.helps)))
        }
    }
}

fn verdicts(all: &[Verdict]) -> Markup {
    let open = all.iter().filter(|v| v.standing == Standing::Open).count();
    let of = |standing, mark| {
        let such = all.iter().filter(move |v| v.standing == standing);
        such.map(move |verdict| (mark, verdict))
    };
    html! {
        @for (mark, verdict) in of(Standing::Fails, "✗").chain(of(Standing::Holds, "✓")) {
            p.verdict {
                span.mark aria-hidden="true" { (mark) } " "
                span.unseen { (standing(mark)) " " }
                (prose(&verdict.says)) "."
                @if let Some(advice) = &verdict.advice { " " (prose(advice)) }
            }
        }
        @if open > 0 {
            p.verdict {
                span.mark aria-hidden="true" { "?" } " "
                (count(open, "figure")) " cannot be told yet: log more sales."
            }
        }
    }
}

/// The sales whose prices look mistyped, farthest off first; nothing if there are none.
pub fn mistyped_sales(sales: &[Checkable<'_>], settings: &Settings) -> Markup {
    let mut found: Vec<(f64, Checkable<'_>)> = mistyped(sales)
        .map(|sale| (sale.1.paid / sale.1.estimate, sale))
        .collect();
    let off = |ratio: f64| ratio.ln().abs();
    found.sort_by(|one, other| off(other.0).total_cmp(&off(one.0)));
    if found.is_empty() {
        return Markup::default();
    }
    let rows = found.iter().take(MISTYPED).map(|(ratio, (past, _))| {
        let sale = &past.sale;
        let cells = vec![
            Cell::text(&sale.comp_id),
            Cell::text(sale.sold_on.map_or("–".into(), |day| day.to_string())),
            Cell::text(&past.model),
            Cell::text(amount(&settings.currency, sale.paid)),
            Cell::text(format!("{ratio:.1} times")),
        ];
        (cells, false)
    });
    let table = Table {
        id: "mistyped",
        caption: &format!(
            "{} with a price far from its likely price. Correct it under Sales if it is wrong.",
            count(found.len(), "sale")
        ),
        sortable: false,
        columns: vec![
            ("Id", Column::Head),
            ("Sold", Column::Line),
            ("Model", Column::Text),
            ("Paid", Column::Number),
            ("Of the likely price", Column::Number),
        ],
        rows: rows.collect(),
    };
    table.render(Place::WHOLE)
}

/// A section of a sheet, as [`super::contradicted::section`] and [`super::undeclared::section`] make it at full
/// width: sentences, then after an empty line the lines of the settings. Nothing if it is empty.
pub fn section(text: &str) -> Markup {
    let (sentences, lines) = text.split_once("\n\n").unwrap_or((text, ""));
    html! {
        @for sentence in sentences.lines() { p { (prose(sentence.trim())) } }
        @if !lines.trim().is_empty() {
            div.scroll role="region" aria-label="Lines for the settings" tabindex="0" {
                pre { @for line in lines.trim_end().lines() { (visible(line)) "\n" } }
            }
        }
    }
}
