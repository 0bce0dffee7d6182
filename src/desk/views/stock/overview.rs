//! The bankroll, what is in stock, up for sale and in the drawer, the closed deals, the years.

use maud::{Markup, PreEscaped, html};

use crate::app::AppError;
use crate::app::ledger::standing;
use crate::app::year::{Years, years};
use crate::desk::page::Reply;
use crate::desk::ready::Ready;
use crate::desk::table::{plain, table};
use crate::render::chart::{BankrollChart, to_svg};
use crate::render::document::year::DISCLAIMER;
use crate::render::drawer;
use crate::render::html::{prose, visible};
use crate::render::ledger::{Content, closed_grid, money_lines, sentences, stock_grid};
use crate::render::{listed, year};

/// Everything, or what to do with a ledger without entries.
///
/// # Errors
/// If the book cannot be read.
pub fn part(ready: &Ready<'_>) -> Result<Markup, AppError> {
    let settings = ready.settings();
    let now = standing(ready.book(), None, ready.today(), &mut ready.notice())?;
    if now.ledger.entries().is_empty() {
        return Ok(html! {
            section {
                h2 { "Nothing yet" }
                p { "Record the money you pay in, and then what you buy." }
            }
        });
    }
    let content = Content {
        currency: &settings.currency,
        today: ready.today(),
        summary: now.summary,
        later: now.later,
        ledger: &now.ledger,
        goal: settings.deal.goal,
        now: now.now,
        nets: now.nets,
        assumed: now.assumed,
        all: false,
    };
    let code = &settings.currency.code;
    let parts = drawer::Content {
        currency: &settings.currency,
        on: ready.today(),
        ledger: &now.ledger,
    };
    let stock = stock_grid(&content);
    let up = listed::grid(&now.ledger, ready.today(), &settings.currency);
    let (closed, more) = closed_grid(&content);
    Ok(html! {
        (money(&content))
        (chart(&content))
        @if content.summary.open > 0 {
            section {
                h2 { "In stock" }
                (table("stock", &format!("Units with what they cost and will likely bring, in {code}"), &stock, to_deal))
                @if !content.nets.outlet.is_empty() {
                    p.small {
                        "Net: what the likely price leaves through " (visible(&content.nets.outlet))
                        ". Profit: net less cost."
                    }
                }
            }
        }
        @if let Some(up) = up {
            section {
                h2 { "Up for sale" }
                (table("up", &format!("Listings, with the offers for them, in {code}"), &up, to_deal))
            }
        }
        @if parts.count() > 0 {
            section {
                h2 { "Spare parts" }
                (table("parts", &format!("The drawer, at cost in {code}; the oldest are used first"), &drawer::grid(&parts), to_deal))
            }
        }
        @if let Some(closed) = closed {
            section {
                h2 { "Closed deals" }
                (table("closed", &format!("Newest first, in {code}"), &closed, to_deal))
                @if more > 0 { p.small { (more) " older ones: `compband ledger --all` shows them." } }
            }
        }
        (by_year(ready)?)
    })
}

/// The address of a deal.
pub fn to_deal(title: &str, text: &str) -> Option<String> {
    let named = matches!(title, "deal" | "from") && text.starts_with('d');
    let number = text.strip_prefix('d')?;
    let plain = !number.is_empty() && number.bytes().all(|byte| byte.is_ascii_digit());
    (named && plain).then(|| format!("/stock?deal={text}"))
}

fn money(content: &Content<'_>) -> Markup {
    let mut lines = money_lines(content);
    let last = lines.pop();
    html! {
        section {
            h2 { "Bankroll" }
            dl.price.money {
                @for (name, amount) in last.iter().chain(&lines) {
                    div {
                        dt { (visible(name)) }
                        dd { (visible(amount)) " " span.odds { (content.currency.code) } }
                    }
                }
            }
            @for sentence in sentences(content) { p { (prose(&sentence)) } }
        }
    }
}

fn chart(content: &Content<'_>) -> Markup {
    let svg = to_svg(&BankrollChart::of(content));
    html! {
        @if let Ok(svg) = svg {
            section {
                h2 { "The way to the goal" }
                div.chart role="region" aria-label="Chart of the bankroll" tabindex="0" { (PreEscaped(svg)) }
            }
        }
    }
}

fn by_year(ready: &Ready<'_>) -> Result<Markup, AppError> {
    let Years { ledger, years } = years(ready.book(), None, ready.today(), &mut ready.notice())?;
    let content = year::Content {
        currency: &ready.settings().currency,
        years: &years,
        misfits: ledger.misfits(),
    };
    let titles = year::titles(&content);
    let caption = format!("Calendar years, in {}", content.currency.code);
    Ok(html! {
        section {
            h2 { "By year" }
            details id="years" {
                summary { "Profit, goods and money of each year" }
                (table("by-year", &caption, &year::grid(&content, &titles), plain))
                p { a href="/stock/years" { "As a CSV file" } }
            }
            p.small { (prose(DISCLAIMER)) }
        }
    })
}

/// The years as a CSV file, as `compband ledger --year --csv` writes it.
///
/// # Errors
/// If the book cannot be read.
pub fn years_csv(ready: &Ready<'_>) -> Result<Reply, AppError> {
    let Years { years, .. } = years(ready.book(), None, ready.today(), &mut ready.notice())?;
    let bytes = year::csv(&years, &ready.settings().currency);
    let bytes = bytes.map_err(AppError::io("years.csv", "write"))?;
    let text = String::from_utf8_lossy(&bytes).into_owned();
    Ok(Reply::Csv("years.csv", text))
}
