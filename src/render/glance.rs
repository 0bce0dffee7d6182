//! An estimate at a glance: the parts of a page on which a person changes the unit and sees the price follow.

use std::collections::BTreeSet;

use maud::{Markup, PreEscaped, html};
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;
use xxhash_rust::xxh3::xxh3_64;

use super::chart::{BandChart, ChartError, to_svg};
use super::html::{prose, visible};
use super::numbers::{about, amount, change};
use super::prose::capitalised;
use super::sheet::{
    self, Named, assumptions, based_on, condition, evidence_lines, odds, unlisted, used_and_dropped,
};
use super::short::estimate::origin;
use crate::band::estimate::Estimate;

/// Most effects on the price that are named.
const NAMED: usize = 3;

/// The unit, its likely price and range, and what they rest on. `without` is the likely price without the sales
/// that the reader kept or dropped, if there are any.
pub fn headline(made: &Estimate, without: Option<Decimal>) -> Markup {
    let money = |value| amount(&made.currency, value);
    let code = &made.currency.code;
    let summary = format!(
        "Likely price {} {code}, {} % range {} to {}",
        money(made.median),
        made.level,
        money(made.low),
        money(made.high)
    );
    html! {
        section.glance {
            h2 dir="auto" { (visible(&sheet::unit(&made.subject))) }
            p.unseen data-say="price" { (prose(&summary)) }
            dl.price {
                div {
                    dt { "Likely price" }
                    dd.likely { (visible(&money(made.median))) " " span.code { (visible(code)) } }
                }
                div {
                    dt { (prose(&format!("{} % range", made.level))) }
                    dd.band { (visible(&money(made.low))) " to " (visible(&money(made.high))) }
                }
            }
            // On a narrow screen the answer stays in sight while the unit is described; read out it is above.
            p.now aria-hidden="true" {
                b { (visible(&money(made.median))) " " (visible(code)) }
                span { (visible(&money(made.low))) " to " (visible(&money(made.high))) }
            }
            p.muted {
                (prose(&odds(made.level))) ". "
                (visible(&capitalised(sheet::how_sold(&made.subject)))) " (" (visible(sheet::basis(made.basis))) "), on "
                (made.as_of) "."
                @if made.evidence.used > 0 {
                    " Based on " (prose(&based_on(made))) "."
                }
            }
            @if let Some(without) = without { (moved(made, without)) }
            @if let Some(text) = assumptions(made) { p.muted { "Assumed: " (prose(&text)) "." } }
        }
    }
}

/// Effect of the reader's choice of sales on the price.
fn moved(made: &Estimate, without: Decimal) -> Markup {
    let by = (made.median - without).to_f64().unwrap_or_default();
    html! {
        p.moved {
            "Your choice of sales moves it by " b { (visible(&change(&made.currency, by))) } ", from "
            (visible(&amount(&made.currency, without))) "."
        }
    }
}

/// The facts that move the price most.
pub fn reasons(made: &Estimate) -> Markup {
    let effects = made.effects();
    html! {
        @if !effects.is_empty() {
            section {
                h2 { "What moves it most" }
                table.reasons {
                    caption { "Already in the likely price, " (visible(&made.currency.code)) }
                    thead.unseen { tr { th scope="col" { "What" } th scope="col" { "By" } th scope="col" { "Known from" } } }
                    tbody {
                        @for effect in effects.iter().take(NAMED) {
                            tr {
                                th scope="row" { (prose(&effect.label)) }
                                td.number { (visible(&change(&made.currency, effect.money))) }
                                td.muted { (origin(effect.source)) }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// The warnings.
pub fn warnings(made: &Estimate) -> Markup {
    html! {
        @if !made.warnings.is_empty() {
            section.care {
                h2 { "Take care" }
                ul { @for warning in &made.warnings { li { (prose(&on_page(warning))) } } }
            }
        }
    }
}

/// A warning whose advice is a button of the page.
fn on_page(warning: &str) -> String {
    warning.replace(
        "`--keep ID` uses it all the same",
        "Keep it below to use it all the same",
    )
}

/// The chart. Its text is ours alone.
///
/// # Errors
/// [`ChartError`]: a number that is not finite or out of range.
pub fn chart(made: &Estimate) -> Result<Markup, ChartError> {
    let svg = to_svg(&BandChart {
        title: "Where the price is likely to fall".into(),
        ..BandChart::of(made)
    })?;
    let caption = format!(
        "Above: how likely each price is, the {} % range shaded, the likely price marked; each sale as a dot at its \
         price adjusted to this unit and day, hollow if not used. Below: the same sales by date, with the trend.",
        made.level
    );
    Ok(html! {
        section {
            h2.unseen { "Chart" }
            figure {
                div.chart role="region" aria-label="Chart" tabindex="0" { (PreEscaped(svg)) }
                figcaption { (prose(&caption)) }
            }
        }
    })
}

/// How the list of sales is made.
#[derive(Debug, Clone, Copy)]
pub struct Choosing<'a> {
    /// Id of the form that the choices belong to.
    pub form: &'a str,
    /// Name of each sale of the estimate, in its order.
    pub ids: &'a [&'a str],
    /// Identifiers of the sales that the reader kept and dropped.
    pub kept: &'a [String],
    /// Likewise.
    pub dropped: &'a [String],
    /// Most used sales in the list, and unused ones for each reason.
    pub most: (usize, usize),
}

/// The sales behind an estimate, and those that are not used, struck out with the reason. Each can be dropped or kept
/// by a tap: a field `drop` or `keep` of the form.
pub fn sales(made: &Estimate, choosing: &Choosing<'_>) -> Markup {
    if made.comps.is_empty() {
        return Markup::default();
    }
    let (used, others) = used_and_dropped(made, choosing.ids);
    let by_hand = |named: &Named<'_>| choosing.dropped.contains(&named.0.comp.comp_id);
    let (mine, rest): (Vec<Named<'_>>, Vec<Named<'_>>) = others.into_iter().partition(by_hand);
    let (shown, hidden) = sheet::listed(&rest, choosing.most.1);
    let (first, more) = used.split_at(used.len().min(choosing.most.0));
    let kept = more.iter().filter(|(line, _)| line.comp.pinned);
    let listed = first.iter().chain(kept).chain(&mine).chain(&shown);
    let listed: Vec<Named<'_>> = listed.copied().collect();
    let here = listed.iter().map(|(line, _)| line.comp.comp_id.as_str());
    let here: BTreeSet<&str> = here.collect();
    html! {
        section {
            h2 { "The sales behind it" }
            // Choices that the list does not show stay.
            @for (name, ids) in [("keep", choosing.kept), ("drop", choosing.dropped)] {
                @for id in ids.iter().filter(|id| !here.contains(id.as_str())) {
                    input type="hidden" name=(name) value=(id) form=(choosing.form);
                }
            }
            table.sales {
                caption {
                    (visible(&made.currency.code)) "; adjusted: the price for this unit on this day. \
                    Tap to leave a sale out or to use it in spite of the reason."
                }
                thead {
                    tr {
                        th scope="col" { "Sale" }
                        th.number scope="col" { "Paid" }
                        th.number scope="col" { "Adjusted" }
                        th.number.wide scope="col" { "Weight" }
                        th scope="col" { span.unseen { "Choice" } }
                    }
                }
                tbody { @for named in &listed { (sale(made, choosing, *named)) } }
            }
            @for text in unlisted(made, more.len(), &hidden) { p.small.muted { (prose(&text)) } }
        }
    }
}

/// One sale of the list.
fn sale(made: &Estimate, choosing: &Choosing<'_>, (line, id): Named<'_>) -> Markup {
    let comp = &line.comp;
    let day = comp
        .sold_on
        .map_or("no date".to_string(), |day| day.to_string());
    let paid = amount(&made.currency, comp.paid);
    let adjusted = line.adjusted;
    let adjusted = adjusted.map_or("–".into(), |price| about(&made.currency, price));
    let weight = match comp.dropped {
        None => format!("{:.2}", line.weight),
        Some(_) => "–".into(),
    };
    let reason = comp.dropped.map(|dropped| dropped.reason());
    html! {
        tr.out[reason.is_some()] {
            th scope="row" {
                span.line { @if reason.is_some() { s { (day) } } @else { (day) } }
                " " span.small.muted {
                    (visible(&condition(comp))) " · " (visible(id))
                    @if let Some(reason) = &reason { br; "Not used: " (prose(reason)) }
                }
            }
            td.number { @if reason.is_some() { s { (visible(&paid)) } } @else { (visible(&paid)) } }
            td.number { (visible(&adjusted)) }
            td.number.wide { (weight) }
            td { (choice(choosing, comp, &format!("the sale of {day} for {paid}"))) }
        }
    }
}

/// The button that drops or keeps a sale; pressed where the reader chose so.
fn choice(choosing: &Choosing<'_>, comp: &crate::select::Candidate, what: &str) -> Markup {
    let id = &comp.comp_id;
    let (kept, dropped) = (choosing.kept.contains(id), choosing.dropped.contains(id));
    let can_be_kept = comp.dropped.is_none_or(|why| why.can_be_kept());
    let drops = dropped || (comp.dropped.is_none() && !kept);
    let name = if drops { "drop" } else { "keep" };
    html! {
        @if dropped || kept || can_be_kept {
            label.chip {
                input type="checkbox" id=(format!("sale-{:x}", xxh3_64(id.as_bytes()))) name=(name) value=(id) form=(choosing.form)
                    checked[kept || dropped] aria-label=(visible(&format!("{name} {what}")));
                span { (name) }
            }
        }
    }
}

/// The evidence of an estimate, in sentences.
pub fn evidence(made: &Estimate) -> Markup {
    html! {
        section {
            details id="evidence" {
                summary { "What it rests on" }
                ul { @for line in evidence_lines(made) { li { (prose(&line)) } } }
            }
        }
    }
}
