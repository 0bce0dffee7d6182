//! A check of past estimates as parts of a page.

use maud::{Markup, html};

use super::check::{COLUMNS, LEGEND, Sheet, judged, row};
use super::html::{Column, Place, Table, prose, visible};
use super::numbers::{amount, count};
use super::short::check::Line;
use crate::app::check::{Checkable, mistyped};
use crate::backtest::verdict::{Standing, Verdict};
use crate::settings::Settings;

/// Most mistyped sales in the table.
const MISTYPED: usize = 50;

/// The short sheet: the first sentence, then a list of verdicts, each with the sentences about it.
pub fn words(lines: &[Line]) -> Markup {
    html! {
        @for (at, line) in lines.iter().enumerate() {
            @if !line.below {
                @let about: Vec<&Line> = lines[at + 1..].iter().take_while(|next| next.below).collect();
                p.verdict {
                    @if !line.mark.is_empty() { (marked(line.mark)) }
                    (prose(&line.text))
                }
                @if !about.is_empty() {
                    ul { @for line in about { li { (prose(&line.text)) } } }
                }
            }
        }
    }
}

/// A mark, and its meaning for screen readers.
fn marked(mark: &str) -> Markup {
    let meaning = match mark {
        "✓" => "Holds:",
        "✗" => "Does not hold:",
        _ => "Open:",
    };
    html! {
        span.mark aria-hidden="true" { (mark) } " "
        span.unseen { (meaning) " " }
    }
}

/// Every figure of all sales and of each group, the legend of the columns, and the verdicts on them.
pub fn figures(content: &Sheet<'_>) -> Markup {
    let columns = COLUMNS.map(|(title, _)| match title {
        "" => ("group", Column::Head),
        _ => (title, Column::Number),
    });
    let caption = content.head();
    let rows = content.groups.iter();
    let rows = rows.map(|(name, figures)| row(name, figures));
    let table = Table::plain("figures", &caption, columns.to_vec(), rows);
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
                (marked(mark))
                (prose(&verdict.finding)) "."
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
        [
            sale.comp_id.clone(),
            sale.sold_on.map_or("–".into(), |day| day.to_string()),
            past.model.clone(),
            amount(&settings.currency, sale.paid),
            format!("{ratio:.1} times"),
        ]
    });
    let caption = format!(
        "{} with a price far from its likely price. Correct it under Sales if it is wrong.",
        count(found.len(), "sale")
    );
    let columns = vec![
        ("Id", Column::Head),
        ("Sold", Column::Line),
        ("Model", Column::Text),
        ("Paid", Column::Number),
        ("Of the likely price", Column::Number),
    ];
    Table::plain("mistyped", &caption, columns, rows).render(Place::WHOLE)
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
