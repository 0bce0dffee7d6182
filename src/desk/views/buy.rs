//! The most to pay for a unit: its description and costs on one side, the most to pay and the possible outcomes beside it.

mod repairs;
mod several;

pub use several::several;

use maud::{Markup, html};

use self::repairs::Workshop;
use super::terms::{AIMS, aims, aims_of, costs_of, outlet_field, sale, typed};
use crate::app::AppError;
use crate::app::amounts::money_if;
use crate::app::bid::{Purchase, bid};
use crate::app::describe::{Description, asked, question};
use crate::app::listed::all_in_stock;
use crate::app::lot::written;
use crate::app::meant::deal_number;
use crate::app::watch;
use crate::desk::fields::{Fields, send};
use crate::desk::form::{Form, query};
use crate::desk::page::{Page, Reply, View, refused};
use crate::desk::ready::Ready;
use crate::desk::unit::{self, model_field, with_description, with_unit};
use crate::render::buying;
use crate::render::html::visible;
use crate::render::sheet;

/// Id of the list of names that fill the form in.
const NAMED: &str = "named";

/// The page.
///
/// # Errors
/// If the book cannot be read.
pub fn show(ready: &Ready<'_>, form: &Form) -> Result<Reply, AppError> {
    let (form, unknown) = match filled(ready, form) {
        Ok(form) => (form, None),
        Err(error) => (form.clone(), Some(error)),
    };
    let model = form.text("model");
    let answer = match unknown {
        Some(error) => Err(error),
        None if model.is_empty() => begin(ready),
        None => priced(ready, &form),
    };
    let fields = Fields::of(&form).with_error(answer.as_ref().err());
    let ask = html! {
        p.onward { b { "One unit" } a href="/buy/several" { "Several listings" } }
        form.live id="unit" method="post" action="/buy" {
            (model_field(ready, &fields)?)
            (fill_in(ready, &fields)?)
            @if !model.is_empty() { (about(ready, &fields, model)?) }
            (several::kept_rows(&form))
            (send("Show"))
        }
    };
    let answer = answer.unwrap_or_else(|error| refused(&error));
    let page = Page::new(View::Buy, ask, answer);
    Ok(Reply::Page(page.titled(model)))
}

/// The form with the unit that its field `unit` names in place of the one that it described.
fn filled(ready: &Ready<'_>, form: &Form) -> Result<Form, AppError> {
    let Some(word) = form.get("unit") else {
        return Ok(form.clone());
    };
    let mut alone = form.clone();
    if form.has("model") {
        alone = with_description(form, &Description::default());
        alone.push("unit", word);
    }
    let filled = with_unit(ready, &alone)?;
    if let Some(id) = deal_number(word) {
        ready.note(&format!(
            "You have d{id} already: this is the most to pay for another unit like it."
        ));
    }
    Ok(filled)
}

/// The field for a watched unit or a deal.
fn fill_in(ready: &Ready<'_>, fields: &Fields<'_>) -> Result<Markup, AppError> {
    let watched = watch::list(ready.book(), &mut ready.notice())?;
    let stock = all_in_stock(ready.book(), ready.today(), &mut ready.notice())?;
    if watched.is_empty() && stock.is_empty() {
        return Ok(Markup::default());
    }
    Ok(html! {
        (fields.listed("unit", "Or like", "A watched unit by its name, or a deal, such as d7.", NAMED, true))
        datalist id=(NAMED) {
            @for one in &watched {
                option value=(one.name) label=(visible(&sheet::unit(&one.subject))) {}
            }
            @for one in &stock {
                option value=(one.deal.name()) label=(visible(&sheet::unit(&one.deal.unit))) {}
            }
        }
    })
}

/// The first step: the watched units to take up.
fn begin(ready: &Ready<'_>) -> Result<Markup, AppError> {
    let watched = watch::list(ready.book(), &mut ready.notice())?;
    Ok(html! {
        section {
            h2 { "Name the unit" }
            p {
                "Describe it as you will sell it: repaired and complete. Then the most to pay follows what you say."
            }
            @if !watched.is_empty() {
                h3 { "Watched" }
                ul.picks {
                    @for one in &watched {
                        li {
                            a href={ "/buy?" (query([("unit", &*one.name)])) } { (visible(&one.name)) }
                            " " span.muted { (visible(&sheet::unit(&one.subject))) }
                        }
                    }
                }
            }
        }
    })
}

/// The fields about a unit of a model, its purchase and its sale.
fn about(ready: &Ready<'_>, fields: &Fields<'_>, model: &str) -> Result<Markup, AppError> {
    let settings = ready.settings();
    let form = fields.form();
    let workshop = Workshop::of(ready, model)?;
    Ok(html! {
        div.few {
            (fields.number("against", "Price asked", "May stay open."))
            (fields.number("inbound", "Getting it to you", "Shipping, or the drive."))
        }
        (unit::fields(settings, &*ready.choices(model)?, fields))
        (workshop.fields(fields))
        (outlet_field(settings, fields, None))
        details id="own-aims" open[AIMS.iter().any(|(name, ..)| form.has(name))] {
            summary { "Aims" }
            (aims(ready, fields))
        }
        details id="costs" open[COSTS.iter().any(|(name, ..)| form.has(name))] {
            summary { "Other costs, weight, time" }
            @for (name, label, hint) in COSTS { (fields.number(name, label, hint)) }
        }
    })
}

/// Fields of the other costs with their labels and hints.
const COSTS: [(&str, &str, &str); 9] = [
    (
        "minutes",
        "Minutes of other work",
        "Pick-up, cleaning, listing, packing.",
    ),
    (
        "wage",
        "Cost of an hour of your work",
        "As set if you leave it open.",
    ),
    (
        "salvage",
        "Worth if a repair fails, share of the price",
        "Usually by sales for parts of the model.",
    ),
    ("premium", "Buyer's premium, %", ""),
    ("premium_fixed", "Fixed part of the premium", ""),
    ("tax", "Tax on bid and premium, %", ""),
    (
        "weeks",
        "Weeks until you are paid",
        "As long as the best asking price takes if you leave it open.",
    ),
    ("weight", "Weight of the parcel, grams", ""),
    ("shipping", "Shipping the buyer pays on top", ""),
];

/// The most to pay, and what may come of it.
fn priced(ready: &Ready<'_>, form: &Form) -> Result<Markup, AppError> {
    let settings = ready.settings();
    let currency = &settings.currency;
    let description = unit::description(form, settings)?;
    let described = asked(&description, settings, &mut ready.notice())?;
    let text = written(&described.1, settings);
    let repairs = repairs::read(form, currency)?;
    let purchase = Purchase {
        costs: costs_of(form).read(repairs, settings)?,
        aims: aims_of(form).read(currency)?,
        sale: sale(form).read(settings)?,
        asked: money_if("--against", typed(form, "against").as_ref(), currency)?,
    };
    let reader = ready.reader(&described.1.model, ready.today())?;
    let unit = reader.unit(question(&description, described))?;
    let found = bid(ready.book(), &unit, purchase, &mut ready.notice())?;
    Ok(html! {
        (buying::page(&found))
        @if let (Some(unit), Some(repairs)) = (text, several::repairs_text(form, settings)) {
            (several::take_over(form, &unit, &repairs))
        }
    })
}
