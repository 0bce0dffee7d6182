//! The sections of a unit about buying and selling it.

use maud::{Markup, html};

use super::page::Page;
use crate::app::ask::Asking;
use crate::app::bid::Bid;
use crate::render::html::{Column, Place, Table, list, paragraphs, visible};
use crate::render::prose::capitalised;
use crate::render::{ask, bid};

/// The section about the bid, for a place on the page.
pub fn bid_section(content: &Bid<'_>, place: Place) -> String {
    let currency = content.currency();
    let reason = content.reason();
    let mut lines = vec![match &content.at_most {
        Some(at) => format!(
            "Bid at most {} {}. Limited by: {reason}.",
            content.money(at.bid),
            currency.code
        ),
        None => format!("Do not buy it, not even as a gift. Not met: {reason}."),
    }];
    if let Some(asked) = &content.asked {
        lines.push(bid::advice(asked, currency));
        let prices = bid::offered(asked).into_iter();
        let prices: Vec<String> = prices
            .map(|(label, price)| format!("{label} {}", content.money(price)))
            .collect();
        lines.extend((!prices.is_empty()).then(|| format!("{}.", prices.join("; "))));
        lines.extend(bid::about_offers(content, asked));
    }
    lines.push(bid::sells_in(content));
    lines.extend(bid::left(content).map(|left| format!("{}.", capitalised(&left))));
    lines.extend(bid::counted(content));
    lines.extend(content.unsure.map(|note| format!("{}.", capitalised(note))));
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
    let code = &base.currency().code;
    let left = base.outlet.map_or(String::new(), |outlet| {
        format!(
            " (you keep {} of it through {outlet})",
            base.money(usual.left_of_ask)
        )
    });
    let mut lines = vec![
        format!("Ask {} {code}{left}.", base.money(usual.ask)),
        format!(
            "Accept {} {code} or more at once.",
            base.money(usual.at_once)
        ),
    ];
    lines.extend(ask::foreseen(content));
    lines.push(ask::sells(base));
    lines.extend(base.unsure.map(|note| format!("{}.", capitalised(note))));
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
    let caption = format!(
        "{}: what to ask and the lowest to accept, week by week.",
        content.basis.currency().code
    );
    let columns = Column::head_and_numbers(&titles);
    Table::plain("weeks", &caption, columns, ask::weekly(content)).render(place)
}

/// The most to bid for each aim.
pub(in crate::render) fn aims(content: &Bid<'_>, place: Place) -> Markup {
    let rows = bid::aim_rows(content, "sets the limit");
    let caption = format!(
        "{}: the most to bid that keeps each aim.",
        content.currency().code
    );
    let columns = vec![
        ("Aim", Column::Head),
        ("Most to bid", Column::Number),
        ("Binds", Column::Text),
    ];
    let rows = rows.into_iter().map(|[mark, aim, most]| [aim, most, mark]);
    Table::plain("aims", &caption, columns, rows).render(place)
}

/// All figures at the highest bid and at the asking price.
pub(in crate::render) fn measures(content: &Bid<'_>, place: Place) -> Markup {
    let (titles, rows) = bid::measured(content);
    if titles.is_empty() {
        return Markup::default();
    }
    let mut columns = vec![("What it comes to", Column::Head)];
    columns.extend(titles.iter().map(|title| (title.as_str(), Column::Number)));
    let caption = format!("{}: what may come of it.", content.currency().code);
    Table::plain("measures", &caption, columns, rows).render(place)
}

/// The command that makes the page again.
pub(super) fn command(page: &Page<'_>) -> Markup {
    html! { pre { code { (visible(page.command)) } } }
}
