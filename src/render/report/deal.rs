//! The sections of a unit about buying and selling it.

use maud::{Markup, html};

use super::page::{Page, capitalised, sentence};
use crate::app::ask::Asking;
use crate::app::bid::Bid;
use crate::deal::bid::{Limit, binding};
use crate::render::html::{Cell, Column, Place, Table, list, paragraphs, visible};
use crate::render::numbers::amount;
use crate::render::{ask, bid};

/// The section about the bid, for a place on the page.
pub fn bid_section(content: &Bid<'_>, place: Place) -> String {
    let currency = &content.weighed.made.currency;
    let money = |value| amount(currency, value);
    let reason =
        binding(&content.limits).map_or(String::new(), |limit| bid::limited(limit, currency));
    let mut lines = vec![match &content.at_most {
        Some(at) => format!(
            "Bid at most {} {}. Limited by: {reason}.",
            money(at.bid),
            currency.code
        ),
        None => format!("Do not buy it, not even as a gift. Not met: {reason}."),
    }];
    lines.extend(
        content
            .asked
            .as_ref()
            .map(|asked| bid::advice(asked, currency)),
    );
    if let Some(asked) = &content.asked {
        let prices = bid::offered(asked).into_iter();
        let prices: Vec<String> = prices
            .map(|(label, price)| format!("{label} {}", money(price)))
            .collect();
        lines.extend((!prices.is_empty()).then(|| format!("{}.", prices.join("; "))));
        lines.extend(bid::about_offers(content, asked));
    }
    lines.push(bid::sells_in(content));
    lines.extend(bid::left(content).map(|left| format!("{}.", capitalised(&left))));
    lines.extend(bid::counted(content));
    lines.extend(content.unsure.map(sentence));
    let repairs = bid::repair_lines(content);
    let cautions = bid::cautions_of(content);
    let markup = html! {
        (paragraphs(lines))
        (aims(content, place))
        (measures(content, place))
        @if !repairs.is_empty() {
            (place.subheading("Repairs"))
            (paragraphs(repairs))
            @if !cautions.is_empty() { div.care { (list(cautions)) } }
        }
    };
    place.section("What to bid", &markup).into_string()
}

/// The section about the asking price and the waiting, for a place on the page.
pub fn ask_section(content: &Asking<'_>, place: Place) -> String {
    let (base, usual) = (&content.basis, &content.usual);
    let currency = &base.made.currency;
    let money = |value| amount(currency, value);
    let left = base.outlet.map_or(String::new(), |outlet| {
        format!(
            " (you keep {} of it through {outlet})",
            money(usual.left_of_ask)
        )
    });
    let mut lines = vec![
        format!("Ask {} {}{left}.", money(usual.ask), currency.code),
        format!(
            "Accept {} {} or more at once.",
            money(usual.at_once),
            currency.code
        ),
    ];
    lines.extend(ask::foreseen(content));
    lines.push(ask::sells(base));
    lines.extend(base.unsure.map(sentence));
    let mut stop = vec![
        "Accept the first offer that reaches the lowest to accept of its week; week 1 begins on the day of the estimate."
            .to_string(),
    ];
    stop.extend(ask::at_deadline(base));
    stop.push(ask::form(base));
    let cautions = ask::cautions(content);
    let markup = html! {
        (paragraphs(lines))
        @if !cautions.is_empty() { div.care { (list(cautions)) } }
        (place.subheading("When to stop"))
        (paragraphs(stop))
        (weekly(content, place))
        (place.subheading("What this assumes"))
        (paragraphs([ask::rates_and_costs(base), ask::DOUBT.to_string()]))
    };
    place.section("What to ask", &markup).into_string()
}

/// The plan week by week.
pub(in crate::render) fn weekly(content: &Asking<'_>, place: Place) -> Markup {
    let titles = ask::WEEKLY.map(capitalised);
    let [week, rest @ ..] = titles.each_ref().map(String::as_str);
    let mut columns = vec![(week, Column::Head)];
    columns.extend(rest.map(|title| (title, Column::Number)));
    Table {
        id: "weeks",
        caption: &format!(
            "{}: what to ask and the lowest to accept, week by week.",
            content.basis.made.currency.code
        ),
        sortable: false,
        columns,
        rows: ask::weekly(content)
            .into_iter()
            .map(|row| (row.map(Cell::text).to_vec(), false))
            .collect(),
    }
    .render(place)
}

/// The most to bid for each aim.
pub(in crate::render) fn aims(content: &Bid<'_>, place: Place) -> Markup {
    let currency = &content.weighed.made.currency;
    let binds = binding(&content.limits);
    let row = |limit: &Limit| {
        let most = limit
            .most
            .map_or("none".into(), |most| amount(currency, most));
        let mark = if binds == Some(limit) {
            "sets the limit"
        } else {
            ""
        };
        let cells = [bid::limited(limit, currency), most, mark.to_string()];
        (cells.map(Cell::text).to_vec(), false)
    };
    Table {
        id: "aims",
        caption: &format!("{}: the most to bid that keeps each aim.", currency.code),
        sortable: false,
        columns: vec![
            ("Aim", Column::Head),
            ("Most to bid", Column::Number),
            ("Binds", Column::Text),
        ],
        rows: content.limits.iter().map(row).collect(),
    }
    .render(place)
}

/// All figures at the highest bid and at the asking price.
pub(in crate::render) fn measures(content: &Bid<'_>, place: Place) -> Markup {
    let (titles, rows) = bid::measured(content);
    if titles.is_empty() {
        return Markup::default();
    }
    let mut columns = vec![("What it comes to", Column::Head)];
    columns.extend(titles.iter().map(|title| (title.as_str(), Column::Number)));
    Table {
        id: "measures",
        caption: &format!(
            "{}: what may come of it.",
            content.weighed.made.currency.code
        ),
        sortable: false,
        columns,
        rows: rows
            .into_iter()
            .map(|row| (row.into_iter().map(Cell::text).collect(), false))
            .collect(),
    }
    .render(place)
}

/// The command that makes the page again.
pub(super) fn command(page: &Page<'_>) -> Markup {
    html! { pre { code { (visible(page.command)) } } }
}
