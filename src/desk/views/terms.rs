//! Fields that several pages have: the outlet and the terms of a sale there, the costs and the aims of a purchase.

use chrono::NaiveDate;
use maud::{Markup, html};
use rust_decimal::Decimal;

use crate::app::AppError;
use crate::app::amounts::refused;
use crate::app::offering::SaleTyped;
use crate::app::purchase::{AimsTyped, CostsTyped};
use crate::desk::fields::{Fields, or_open, same};
use crate::desk::form::Form;
use crate::desk::ready::Ready;
use crate::parse::dates::day_typed;
use crate::render::numbers::amount;
use crate::settings::Settings;
use crate::trade::checks;

/// The text of a field, if there is any.
pub fn typed(form: &Form, name: &str) -> Option<String> {
    form.get(name).map(String::from)
}

/// The day of a form, if it has one: none later than today.
///
/// # Errors
/// Anything but such a day.
pub fn day(ready: &Ready<'_>, form: &Form) -> Result<Option<NaiveDate>, AppError> {
    let Some(text) = form.get("date") else {
        return Ok(None);
    };
    let today = ready.today();
    let day = day_typed(text, ready.settings().date_order(), today);
    let day = day.map_err(|expected| refused("--date", text, &expected))?;
    checks::day(day, today).map_err(|wrong| AppError::Refused {
        message: format!("--date: expected {}", wrong.expected),
        next: wrong.fix,
    })?;
    Ok(Some(day))
}

/// `131.00 EUR`.
pub fn worth(settings: &Settings, value: Decimal) -> String {
    let currency = &settings.currency;
    format!("{} {}", amount(currency, value), currency.code)
}

/// How and where the unit of a form is sold.
pub fn sale(form: &Form) -> SaleTyped {
    SaleTyped {
        outlet: typed(form, "outlet"),
        weight: typed(form, "weight"),
        shipping: typed(form, "shipping"),
    }
}

/// The choice of an outlet, if the book has several; `open` states what it means to choose none, where that is
/// something else than the outlet that is set.
pub fn outlet_field(settings: &Settings, fields: &Fields<'_>, open: Option<&str>) -> Markup {
    if settings.outlets.len() < 2 {
        return Markup::default();
    }
    let set = settings.deal.outlet.as_str();
    let usual = match (open, set) {
        (Some(open), _) => open.to_string(),
        (None, "") => "choose one".to_string(),
        (None, set) => format!("{set} (usual)"),
    };
    let names = settings.outlets.keys().map(String::as_str);
    let names = names.filter(|name| open.is_some() || *name != set);
    fields.one_of("outlet", "Sold through", &or_open(&usual, names.map(same)))
}

/// Fields of the aims with their labels.
pub const AIMS: [(&str, &str); 4] = [
    ("profit", "Lowest expected profit"),
    ("return", "Lowest expected profit, % of the money invested"),
    ("loss", "Highest chance of a loss, %"),
    ("bankroll", "Bankroll"),
];

/// The fields of the aims; the hint of each states what counts if it stays open.
pub fn aims(ready: &Ready<'_>, fields: &Fields<'_>) -> Markup {
    let settings = ready.settings();
    let deal = &settings.deal;
    let hints = [
        format!("As set: {}", amount(&settings.currency, deal.least_profit)),
        format!("As set: {}", deal.least_return.normalize()),
        format!("As set: {}", deal.most_loss.normalize()),
        "By the ledger, or as set.".to_string(),
    ];
    html! {
        @for ((name, label), hint) in AIMS.iter().zip(hints) { (fields.number(name, label, &hint)) }
    }
}

/// The costs that a form names.
pub fn costs_of(form: &Form) -> CostsTyped {
    CostsTyped {
        salvage: typed(form, "salvage"),
        minutes: typed(form, "minutes"),
        wage: typed(form, "wage"),
        inbound: typed(form, "inbound"),
        premium: typed(form, "premium"),
        premium_fixed: typed(form, "premium_fixed"),
        tax: typed(form, "tax"),
        weeks: typed(form, "weeks"),
    }
}

/// The aims that a form names.
pub fn aims_of(form: &Form) -> AimsTyped {
    AimsTyped {
        profit: typed(form, "profit"),
        returned: typed(form, "return"),
        loss: typed(form, "loss"),
        bankroll: typed(form, "bankroll"),
    }
}
