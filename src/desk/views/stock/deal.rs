//! One deal: the unit, its money, its listings and entries.

use maud::{Markup, html};

use super::overview::to_deal;
use crate::app::AppError;
use crate::app::ledger::{Wanted, find_deal, read_ledger};
use crate::desk::form::query;
use crate::desk::ready::Ready;
use crate::desk::table::table;
use crate::render::html::{prose, visible};
use crate::render::ledger::{cost_so_far, entry_grid, foreseen, hourly};
use crate::render::numbers::{amount, count};
use crate::render::sheet;

/// A deal by the ledger.
///
/// # Errors
/// If the book cannot be read, or there is no such deal.
pub fn part(ready: &Ready<'_>, name: &str) -> Result<Markup, AppError> {
    let ledger = read_ledger(ready.book(), &mut ready.notice())?;
    let deal = find_deal(&ledger, name, Wanted::Any, &ready.settings().words)?;
    let currency = &ready.settings().currency;
    let money = |value| amount(currency, value);
    let name = deal.name();
    let days = usize::try_from(deal.days_held(ready.today())).unwrap_or_default();
    let entries = ledger.entries().iter();
    let entries = entries.filter(|entry| entry.deal == Some(deal.id));
    let grid = entry_grid(&ledger, entries, currency);
    let in_stock = deal.closed_on.is_none();
    let unit = query([("unit", name.as_str())]);
    Ok(html! {
        section {
            h2 { (visible(&name)) ": " (visible(&sheet::unit(&deal.unit))) }
            dl.price.money {
                div { dt { "Cost" } dd { (money(deal.cost())) " " span.odds { (currency.code) } } }
                @if !in_stock {
                    div { dt { "Fetched" } dd { (money(deal.revenue())) " " span.odds { (currency.code) } } }
                }
                @if !in_stock || !deal.profit().is_zero() {
                    div { dt { "Profit" } dd { (money(deal.profit())) " " span.odds { (currency.code) } } }
                }
            }
            p {
                (deal.state.word()) ", bought on " (deal.bought_on) ", "
                @if let Some(on) = deal.closed_on { "closed on " (on) ", " }
                (count(days, "day")) " in stock"
                @if !deal.outlet.is_empty() { ", sold through " (visible(&deal.outlet)) }
                "."
            }
            p { (prose(&cost_so_far(deal, currency))) }
            @if let Some(made) = &deal.foreseen { p { "When bought, it was estimated at " (prose(&foreseen(made, currency))) "." } }
            @if let Some(made) = &deal.foreseen_at_sale { p { "When sold, it was estimated at " (prose(&foreseen(made, currency))) "." } }
            @if let (false, Some(hour)) = (in_stock, hourly(deal, currency)) { p { "That is " (hour) " " (currency.code) " an hour." } }
            @if in_stock {
                p {
                    a href={ "/price?" (unit) } { "What it will sell for" } " · "
                    a href={ "/sell?" (unit) } { "What to ask for it" }
                }
            }
        }
        section {
            h2 { "Entries" }
            (table("entries", &format!("What the ledger has of {name}, in {}", currency.code), &grid, to_deal))
            p { a href="/stock" { "All of the stock" } }
        }
    })
}
