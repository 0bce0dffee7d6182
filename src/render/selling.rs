//! The price to ask for a unit, in the parts of a page: the answer first, then the outlets side by side, the plan
//! week by week as a chart and a table, and its assumptions; and the answer to an offer.

use maud::{Markup, PreEscaped, html};
use rust_decimal::Decimal;

use super::ask::{
    BESIDE, COUNTED, DOUBT, HURRIES, RATED, STREAMS, answer_text, at_deadline, at_pair,
    beside_rows, cautions, first_asks, foreseen, form, hurries, limits, others_then, pair_cautions,
    pair_in_words, pair_weekly, rated, rates_and_costs, rows, sells,
};
use super::chart::{WeekShown, WeeksChart};
use super::html::{Column, Place, Table, list, paragraphs, prose, visible};
use super::prose::capitalised;
use super::report::deal::weekly;
use super::sheet::unit;
use crate::app::ask::{Asking, Basis, Judged};
use crate::app::places::{Beside, Pair};

/// All about a unit that is for sale, without what can be done with it.
pub fn page(content: &Asking<'_>) -> Markup {
    html! {
        (side_by_side(content))
        (week_by_week(content))
        (assumes(content))
    }
}

/// Where to list a unit and at which price: one listing, or two at once. Where another price was given, this is the
/// best one.
pub fn proposals<'a>(content: &Asking<'a>) -> Vec<(&'a str, Decimal)> {
    match both(content) {
        Some(pair) => pair.outlets.into_iter().zip(first_asks(pair)).collect(),
        None => {
            let best = content.best.as_ref().unwrap_or(&content.usual);
            vec![(content.basis.outlet.unwrap_or_default(), best.ask)]
        }
    }
}

fn both<'c, 'a>(content: &'c Asking<'a>) -> Option<&'c Pair<'a>> {
    content.beside.as_ref().and_then(Beside::at_both)
}

/// The prices to ask and to accept, the time to the sale, and the price that they rest on.
pub fn answer(content: &Asking<'_>) -> Markup {
    let base = &content.basis;
    let care = match both(content) {
        Some(pair) => pair_cautions(pair),
        None => cautions(content),
    };
    html! {
        section.glance {
            h2 dir="auto" { (visible(&unit(&base.made.subject))) }
            @match both(content) {
                Some(pair) => { (at_both(base, pair)) }
                None => { (at_one(content)) }
            }
            p.muted { (prose(&sells(base))) }
            @if let Some(unsure) = base.unsure { p.muted { (prose(&capitalised(unsure))) "." } }
        }
        @if !care.is_empty() || !base.made.warnings.is_empty() {
            section.care {
                h2 { "Take care" }
                (list(care))
                (list(&base.made.warnings))
            }
        }
    }
}

fn at_one(content: &Asking<'_>) -> Markup {
    let (base, usual) = (&content.basis, &content.usual);
    let code = &base.currency().code;
    let ask = base.money(usual.ask);
    let list_at = base.outlet.filter(|_| content.beside.is_some());
    let keep = base.outlet.map(|outlet| {
        format!(
            "Sold at that price through {outlet}, you keep {} {code}.",
            base.money(usual.left_of_ask)
        )
    });
    html! {
        p.unseen data-say="ask" { "Ask " (visible(&ask)) " " (visible(code)) }
        dl.price {
            @if let Some(outlet) = list_at { div { dt { "List at" } dd { (visible(outlet)) } } }
            div { dt { "Ask" } dd.likely { (visible(&ask)) " " span.code { (visible(code)) } } }
            div {
                dt { "Accept today from" }
                dd.band { (visible(&base.money(usual.at_once))) }
            }
        }
        (paragraphs(keep))
        (paragraphs(foreseen(content)))
    }
}

fn at_both(base: &Basis<'_>, pair: &Pair<'_>) -> Markup {
    let asks = first_asks(pair);
    let code = &base.currency().code;
    let summary = format!(
        "Ask {} at {}, {} at {}",
        base.money(asks[0]),
        pair.outlets[0],
        base.money(asks[1]),
        pair.outlets[1]
    );
    html! {
        p.unseen data-say="ask" { (prose(&summary)) }
        dl.price {
            @for (at, outlet) in pair.outlets.iter().enumerate() {
                div {
                    dt { "Ask at " (visible(outlet)) }
                    dd.likely { (visible(&base.money(asks[at]))) " " span.code { (visible(code)) } }
                    dd.odds { "accept today from " b { (visible(&base.money(pair.at_once[at]))) } }
                }
            }
        }
        p { "List it at both: " (prose(&at_pair(base, pair))) "." }
    }
}

fn table(
    (id, caption): (&str, &str),
    titles: &[impl AsRef<str>],
    rows: impl IntoIterator<Item: IntoIterator<Item = String>>,
) -> Markup {
    let titles = titles.iter().map(|title| capitalised(title.as_ref()));
    let titles: Vec<String> = titles.collect();
    let columns = Column::head_and_numbers(&titles);
    Table::plain(id, caption, columns, rows).render(Place::WHOLE)
}

fn side_by_side(content: &Asking<'_>) -> Markup {
    let Some(beside) = &content.beside else {
        return Markup::default();
    };
    let base = &content.basis;
    let rows = beside_rows(base, beside);
    let caption = format!("{}, best first", base.currency().code);
    html! {
        section {
            h2 { "Outlets side by side" }
            (table(("outlets", &caption), &BESIDE, rows))
            p.muted { (prose(COUNTED)) }
            @if beside.pair.is_some() { p.muted { (prose(STREAMS)) } }
        }
    }
}

/// The thresholds of each week: a small chart for each listing, and a table.
fn week_by_week(content: &Asking<'_>) -> Markup {
    let base = &content.basis;
    let code = &base.currency().code;
    let Some(pair) = both(content) else {
        let plan = rows(content).into_iter();
        let plan =
            plan.map(|row| WeekShown::of(row.week, row.ask, row.limits.accept, row.limits.decline));
        return html! {
            section {
                h2 { "Week by week" }
                (chart("What to ask, and which offers to accept, week by week", code, plan.collect()))
                (weekly(content, Place::WHOLE))
                p.muted {
                    "Week 1 begins on the day of the estimate. " (prose(&form(base)))
                    @if let Some(end) = at_deadline(base) { " " (prose(&end)) }
                }
            }
        };
    };
    let caption = format!("{code}: what to ask and the lowest to accept, week by week.");
    let [one, other] = pair.outlets.map(|outlet| format!("{outlet}: ask"));
    let from = "accept from";
    let titles = ["week", &one, from, &other, from, "sold by its end"];
    let all = pair_weekly(base, pair);
    html! {
        section {
            h2 { "Week by week" }
            @for (at, outlet) in pair.outlets.iter().enumerate() {
                h3 { "At " (visible(outlet)) }
                (chart(
                    &format!("What to ask at {outlet}, and which offers to accept, week by week"),
                    code,
                    pair_plan(base, pair, at),
                ))
            }
            (table(("weeks", &caption), &titles, all))
            (paragraphs(pair_in_words(base, pair)))
        }
    }
}

fn pair_plan(base: &Basis<'_>, pair: &Pair<'_>, at: usize) -> Vec<WeekShown> {
    let week = |week: &crate::app::places::PairWeek| {
        let (ask, thresholds) = &week.at[at];
        let limits = limits(base, thresholds);
        WeekShown::of(week.week, Some(*ask), limits.accept, limits.decline)
    };
    pair.weekly.iter().map(week).collect()
}

/// The chart of a plan. Of the names of outlets only its title has one, which is escaped.
fn chart(title: &str, code: &str, weeks: Vec<WeekShown>) -> Markup {
    let chart = WeeksChart {
        title: visible(title),
        code: code.to_string(),
        weeks,
    };
    html! {
        @match chart.svg() {
            Ok(svg) => {
                figure {
                    div.chart.small role="region" aria-label=(visible(title)) tabindex="0" { (PreEscaped(svg)) }
                    figcaption {
                        "Shaded: offers to answer with another price. The table has the numbers."
                    }
                }
            }
            Err(error) => { p.muted { "No chart: " (visible(&error.to_string())) "." } }
        }
    }
}

fn assumes(content: &Asking<'_>) -> Markup {
    let base = &content.basis;
    let code = &base.currency().code;
    let hurry = hurries(content);
    html! {
        section {
            details id="assumes" {
                summary { "What this assumes" }
                p { (prose(&rates_and_costs(base))) }
                p { (prose(DOUBT)) }
                @if both(content).is_none() {
                    (table(
                        ("rates", &format!("{code}, if offers are rarer or more frequent")),
                        &RATED,
                        rated(content),
                    ))
                }
                @if !hurry.is_empty() {
                    (table(
                        ("hurry", &format!("{code}, if you are in less or more of a hurry")),
                        &HURRIES,
                        hurry,
                    ))
                }
            }
        }
    }
}

/// The answer to an offer, and what to do with others that come at the same time.
pub fn reply(base: &Basis<'_>, judged: &Judged) -> Markup {
    let (word, why) = answer_text(base, judged);
    let code = &base.currency().code;
    html! {
        section.glance id="offer" {
            h2 { "Answer to an offer of " (visible(&base.money(judged.offer))) " " (visible(code)) }
            p.unseen data-say="offer" { (prose(&word)) }
            dl.price {
                div { dt { "Answer" } dd.likely { (visible(&word)) } }
                div {
                    dt { "Lowest to accept" }
                    dd.band { (visible(&base.money(judged.least))) }
                }
            }
            (paragraphs(why))
            p.muted { (prose(&others_then(base, judged))) }
        }
    }
}
