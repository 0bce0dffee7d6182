//! The price to pay for a unit, in the parts of a page: the answer first, then what may come of it, the repairs,
//! and every figure; and several listings side by side.

use maud::{Markup, html};

use super::bid::{
    about_offers, advice, cautions_of, counted, left, offered, once_repaired, repair_lines,
    sells_in,
};
use super::compare::{Candidate, Content, advice as what_to_do, choice, limits, why_not};
use super::html::{Cell, Column, Place, Table, list, paragraphs, prose, visible};
use super::numbers::{amount, chance};
use super::prose::capitalised;
use super::report::deal::{aims, measures};
use super::sheet::{assumptions, likely, unit};
use super::short::bid::{CASES, compared as results};
use crate::app::bid::Bid;
use crate::deal::bid::Measures;

/// All about a unit that may be bought.
pub fn page(content: &Bid<'_>) -> Markup {
    html! {
        (answer(content))
        (cases(content))
        (repairs(content))
        (take_care(content))
        (figures(content))
    }
}

/// The most to pay and what to offer, what limits it, and the price that it rests on.
fn answer(content: &Bid<'_>) -> Markup {
    let made = &content.weighed.made;
    let currency = &made.currency;
    let money = |value| content.money(value);
    let code = &currency.code;
    let reason = content.reason();
    let asked = content.asked.as_ref();
    let prices = asked.map(offered).unwrap_or_default();
    let summary = content.at_most.as_ref().map_or_else(
        || "Do not buy it".to_string(),
        |at| format!("Pay at most {} {code}", money(at.bid)),
    );
    html! {
        section.glance {
            h2 dir="auto" { (visible(&unit(&made.subject))) }
            p.unseen data-say="bid" { (prose(&summary)) }
            @if let Some(at) = &content.at_most {
                dl.price {
                    div {
                        dt { "Most to pay" }
                        dd.likely { (visible(&money(at.bid))) " " span.code { (visible(code)) } }
                    }
                    @for (label, price) in &prices {
                        div { dt { (label) } dd.band { (visible(&money(*price))) } }
                    }
                }
                p { "Limited by: " (prose(&reason)) "." }
            } @else {
                p.no { "Do not buy it, not even as a gift." }
                p { "Not met: " (prose(&reason)) "." }
            }
            @if let Some(asked) = asked {
                p { b { (prose(&advice(asked, currency))) } }
                (paragraphs(about_offers(content, asked)))
            }
            p.muted { (prose(&rests_on(content))) }
            @if let Some(text) = assumptions(made) { p.muted { "Assumed: " (prose(&text)) "." } }
            @if let Some(unsure) = content.unsure { p.muted { (prose(&capitalised(unsure))) "." } }
        }
    }
}

/// The likely price, the net of it, and the time to the sale.
fn rests_on(content: &Bid<'_>) -> String {
    let left = left(content).map_or(String::new(), |left| format!("; {left}"));
    let price = likely(&content.weighed.made, once_repaired(content));
    format!("{price}{left}. {}", sells_in(content))
}

/// The money invested, the bad, the middle and the good case, and the chance of a loss.
fn cases(content: &Bid<'_>) -> Markup {
    let all = results(content);
    if all.is_empty() {
        return Markup::default();
    }
    let row = |label: String, of: &dyn Fn(&Measures) -> String| -> Vec<String> {
        let cells = all.iter().map(|at| of(at));
        [label].into_iter().chain(cells).collect()
    };
    let titles = row(String::new(), &|at| format!("at {}", content.money(at.bid)));
    let mut rows = vec![row("Money invested".into(), &|at| content.money(at.stake))];
    rows.extend(CASES.iter().map(|(label, _, point)| {
        row(format!("Profit, {label}"), &|at| {
            content.money(at.points[*point])
        })
    }));
    rows.push(row("Chance of a loss".into(), &|at| chance(at.loss, 0)));
    let caption = format!("{}, after all costs", content.currency().code);
    let table = Table::plain("cases", &caption, Column::head_and_numbers(&titles), rows);
    Place::WHOLE.section("What may come of it", &table.render(Place::WHOLE))
}

/// The repairs and what becomes of the unit if one fails, with the cautions that they call for.
fn repairs(content: &Bid<'_>) -> Markup {
    let lines = repair_lines(content);
    if lines.is_empty() {
        return Markup::default();
    }
    let cautions = cautions_of(content);
    html! {
        section {
            h2 { "Repairs" }
            (paragraphs(lines))
        }
        @if !cautions.is_empty() {
            section.care {
                h2 { "Before you repair it" }
                (list(cautions))
            }
        }
    }
}

fn take_care(content: &Bid<'_>) -> Markup {
    let parts = content.weighed.parts.iter();
    let parts = parts.flat_map(|parts| &parts.warnings);
    let whole = content.weighed.made.warnings.iter().cloned();
    let warnings: Vec<String> = whole
        .chain(parts.map(|warning| format!("Its price for parts: {warning}")))
        .collect();
    html! {
        @if !warnings.is_empty() {
            section.care { h2 { "Take care" } (list(warnings)) }
        }
    }
}

/// Every aim and every figure.
fn figures(content: &Bid<'_>) -> Markup {
    html! {
        section {
            details id="figures" {
                summary { "Every aim, every figure" }
                (aims(content, Place::WHOLE))
                (measures(content, Place::WHOLE))
                (paragraphs(counted(content)))
            }
        }
    }
}

/// Listings side by side: the choice, what to do with each, and why not.
pub fn side_by_side(content: &Content<'_>) -> Markup {
    let code = &content.currency.code;
    let ranked = content.ranked();
    let one = |at: &usize| &content.candidates[*at];
    let reasons = ranked
        .iter()
        .filter_map(|at| why_not(one(at), content.currency));
    let table = Table {
        id: "listings",
        caption: &format!(
            "{code}, best for money and time first; to buy with {}",
            amount(content.currency, content.means.most())
        ),
        sortable: false,
        columns: vec![
            ("Listing", Column::Head),
            ("What to do", Column::Line),
            ("Asked", Column::Number),
            ("Most to pay", Column::Number),
            ("Open with", Column::Number),
            ("Invested", Column::Number),
            ("Expected profit", Column::Number),
            ("Chance of a loss", Column::Number),
        ],
        rows: ranked
            .iter()
            .map(|at| row(content, one(at), content.bought.contains(at)))
            .collect(),
    };
    let choice = choice(content, "; the whole profit can count instead");
    html! {
        section.glance {
            h2 { "Which to buy" }
            p data-say="choice" { b { (prose(&choice)) } }
            (paragraphs(limits(content)))
        }
        section { h2 { "Side by side" } (table.render(Place::WHOLE)) }
        (Place::WHOLE.section("Why not", &list(reasons)))
    }
}

fn row(content: &Content<'_>, candidate: &Candidate, bought: bool) -> (Vec<Cell>, bool) {
    let money = |value| amount(content.currency, value);
    let some = |known: Option<String>| known.unwrap_or_else(|| "–".into());
    let judged = candidate.judged.as_ref().ok();
    let at = judged.map(|judged| &judged.measures);
    let open = judged.and_then(|judged| judged.offers);
    let to_do = judged.map(|judged| what_to_do(judged, bought, content.currency));
    let cells = [
        candidate.name.clone(),
        to_do.unwrap_or_else(|| "no estimate".into()),
        money(candidate.asked),
        some(judged.and_then(|judged| judged.most).map(money)),
        some(open.map(|offers| money(offers.open))),
        some(at.map(|at| money(at.stake))),
        some(at.map(|at| money(at.profit))),
        some(at.map(|at| chance(at.loss, 0))),
    ];
    (cells.map(Cell::text).to_vec(), !bought)
}
