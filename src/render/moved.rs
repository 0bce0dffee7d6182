//! The change of a watched unit with its causes, and its past estimates, as parts of a page.

use maud::{Markup, html};

use super::change::history_row;
use super::html::{Column, Place, Table, prose};
use super::numbers::count;
use crate::app::refresh::Refreshed;
use crate::book::history::Record;

/// Most past estimates in the table, newest first.
const LISTED: usize = 60;

/// The price of a unit and its change, then a list of steps that add up to it: the lines of
/// [`super::change::sheet`].
pub fn moves(refreshed: &Refreshed) -> Markup {
    let lines = refreshed.lines();
    let (steps, plain): (Vec<_>, Vec<_>) = lines.iter().partition(|(lead, _)| !lead.is_empty());
    html! {
        @for (at, (_, text)) in plain.iter().enumerate() {
            @if at == 0 { p { strong { (prose(text)) } } } @else { p { (prose(text)) } }
        }
        @if !steps.is_empty() {
            table.moves {
                caption { "What moved it, step by step" }
                thead.unseen { tr { th scope="col" { "By" } th scope="col" { "What" } } }
                tbody {
                    @for (lead, text) in steps {
                        tr { td.number { (prose(lead.trim())) } td { (prose(text)) } }
                    }
                }
            }
        }
    }
}

/// The chart of the past estimates of a unit, at an address, and their table.
pub fn history(name: &str, records: &[Record], chart: &str) -> Markup {
    let last = records.last();
    let alt = last.map_or(String::new(), |last| {
        format!(
            "Likely price and range of {name} at each of {}, last on {}. The table has the figures.",
            count(records.len(), "estimate"),
            last.as_of
        )
    });
    html! {
        details id={ "history-" (name) } {
            summary { "Its history: " (count(records.len(), "estimate")) }
            figure {
                div.chart.picture role="region" aria-label={ "Chart of the history of " (name) } tabindex="0" {
                    img src=(chart) width="800" height="600" loading="lazy" alt=(alt);
                }
            }
            (table(name, records))
        }
    }
}

fn table(name: &str, records: &[Record]) -> Markup {
    let newest = (0..records.len()).rev().take(LISTED);
    let rows = newest.map(|at| {
        let before = at.checked_sub(1).map(|before| &records[before]);
        history_row(&records[at], before)
    });
    let caption = match records.len() {
        all if all > LISTED => {
            format!("The last {LISTED} of {all} estimates of {name}, newest first")
        }
        _ => format!("Estimates of {name}, newest first"),
    };
    let columns = vec![
        ("Day", Column::Line),
        ("Likely", Column::Number),
        ("Change", Column::Number),
        ("Low", Column::Number),
        ("High", Column::Number),
        ("Range", Column::Number),
        ("Comps", Column::Number),
        ("Currency", Column::Line),
    ];
    let id = format!("estimates-{name}");
    Table::plain(&id, &caption, columns, rows).render(Place::WHOLE)
}
