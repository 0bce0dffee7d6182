//! Several listings side by side: a few fields for each, and the choice among them with one budget.

use maud::{Markup, html};
use rust_decimal::Decimal;

use super::repairs as in_fields;
use crate::app::AppError;
use crate::app::amounts::{money, money_if, refused};
use crate::app::compare::{Listing, Means, compare};
use crate::app::lot::read_units;
use crate::desk::fields::{Fields, hidden, send};
use crate::desk::form::Form;
use crate::desk::page::{Page, Reply, View, refused as refusal};
use crate::desk::ready::Ready;
use crate::desk::unit::{MODELS, model_list};
use crate::desk::views::terms::{AIMS, aims, aims_of, costs_of, outlet_field, sale, typed};
use crate::parse::repairs::repairs;
use crate::render::buying;
use crate::render::compare::{Candidate, Content};
use crate::render::html::visible;
use crate::settings::Settings;

/// Most listings side by side.
const MOST: usize = 10;

/// Fewest rows that are shown.
const FEWEST: usize = 3;

/// Fields of a row that are not shown one by one: the description on the page about one unit.
const BESIDES: [&str; 9] = [
    "salvage",
    "minutes",
    "premium",
    "premium_fixed",
    "tax",
    "weeks",
    "outlet",
    "weight",
    "shipping",
];

/// Fields of a row that are shown.
const SHOWN: [&str; 4] = ["unit", "asked", "inbound", "repairs"];

/// Name of a field of the row at a place, counted from 1.
fn field(at: usize, what: &str) -> String {
    format!("row_{at}_{what}")
}

/// Name of the same field in an error.
fn flag(at: usize, what: &str) -> String {
    format!("--row-{at}-{}", what.replace('_', "-"))
}

/// The places of rows with a unit.
fn filled(form: &Form) -> Vec<usize> {
    let named = |at: &usize| form.has(&field(*at, "unit"));
    (1..=MOST).filter(named).collect()
}

/// The page of listings side by side.
///
/// # Errors
/// If the book cannot be read.
pub fn several(ready: &Ready<'_>, form: &Form) -> Result<Reply, AppError> {
    let rows = filled(form);
    let answer = if rows.is_empty() {
        Ok(begin())
    } else {
        compared(ready, form, &rows)
    };
    let fields = Fields::of(form).with_error(answer.as_ref().err());
    let last = rows.last().copied().unwrap_or_default();
    let shown = (last + 1).clamp(FEWEST, MOST);
    let settings = ready.settings();
    let ask = html! {
        p.onward { a href="/buy" { "One unit" } b { "Several listings" } }
        form.live.wide id="listings-form" method="post" action="/buy/several" {
            (model_list(ready.models()?))
            @for at in 1..=shown { (row(&fields, at)) }
            div.few {
                (fields.number("budget", "Money for all of them", "The cash, if you leave it open."))
                (fields.tick("total", "Count the whole profit, not the profit a week"))
            }
            (outlet_field(settings, &fields, None))
            details id="own-aims" open[AIMS.iter().any(|(name, ..)| form.has(name)) || form.has("wage")] {
                summary { "Aims" }
                div.few {
                    (aims(ready, &fields))
                    (fields.number("wage", "Cost of an hour of your work", "As set if you leave it open."))
                }
            }
            (send("Compare"))
        }
        @if (1..MOST).contains(&last) { (describe_another(form)) }
    };
    let answer = answer.unwrap_or_else(|error| refusal(&error));
    let mut page = Page::new(View::Buy, ask, answer);
    page.title = "Several listings: Buy".into();
    Ok(Reply::Page(page))
}

fn begin() -> Markup {
    html! {
        section {
            h2 { "Which to buy with one budget" }
            p {
                "Write a line for each listing, and what is asked for it. Describe each unit as you will sell it: "
                "Nulva 61K: grade B, usable, missing charger."
            }
        }
    }
}

fn row(fields: &Fields<'_>, at: usize) -> Markup {
    let name = |what: &str| field(at, what);
    let form = fields.form();
    let besides = BESIDES
        .iter()
        .filter_map(|what| Some((*what, form.get(&name(what))?)));
    let besides: Vec<_> = besides.collect();
    let also: Vec<String> = besides
        .iter()
        .map(|(what, value)| format!("{} {}", what.replace('_', " "), visible(value)))
        .collect();
    html! {
        div.listing {
            (fields.listed(&name("unit"), &format!("Listing {at}"), "", MODELS, true))
            (fields.number(&name("asked"), "Asked", ""))
            (fields.number(&name("inbound"), "Getting it here", ""))
            (fields.line(&name("repairs"), "Repairs", ""))
            (hidden(besides.iter().map(|(what, value)| (name(what), *value))))
            @if !also.is_empty() { p.hint { "Also counted: " (also.join(", ")) "." } }
        }
    }
}

/// Rows as hidden fields.
pub fn kept_rows(form: &Form) -> Markup {
    hidden(form.fields().filter(|(name, _)| name.starts_with("row_")))
}

/// The way to the page about one unit, with the rows kept.
fn describe_another(form: &Form) -> Markup {
    html! {
        form.plain method="post" action="/buy" {
            (kept_rows(form))
            button type="submit" { "Describe another by taps" }
        }
    }
}

/// The way from a described unit to the listings side by side, where it is the next one; `text` is the unit.
pub fn take_over(form: &Form, text: &str, repairs: &str) -> Markup {
    let next = filled(form).last().copied().unwrap_or_default() + 1;
    let same = BESIDES.iter().chain(&["inbound"]);
    let same = same.filter_map(|what| Some((field(next, what), form.get(what)?.to_string())));
    let asked = form
        .get("against")
        .map(|asked| (field(next, "asked"), asked.to_string()));
    let mut row = vec![(field(next, "unit"), text.to_string())];
    row.push((field(next, "repairs"), repairs.to_string()));
    row.extend(same.chain(asked));
    let aims = AIMS.map(|(name, ..)| name).into_iter().chain(["wage"]);
    html! {
        @if next <= MOST {
            form.plain method="post" action="/buy/several" {
                (kept_rows(form))
                (hidden(row.iter().filter(|(_, value)| !value.is_empty()).map(|(name, value)| (name, value.as_str()))))
                (hidden(aims.filter_map(|name| Some((name, form.get(name)?)))))
                button type="submit" { "Put it beside other listings" }
            }
        }
    }
}

/// Reads the row at a place.
fn listing<'a>(
    ready: &Ready<'_>,
    form: &Form,
    at: usize,
    settings: &'a Settings,
) -> Result<Listing<'a>, AppError> {
    let text = |what: &str| form.text(&field(at, what));
    let wrong = |what: &str, expected: &str| refused(&flag(at, what), text(what), expected);
    let currency = &settings.currency;
    // One row in the names of the page about one unit.
    let mut alone = Form::default();
    for what in SHOWN.iter().chain(&BESIDES) {
        if let Some(value) = form.get(&field(at, what)) {
            alone.push(what, value);
        }
    }
    if let (false, Some(outlet)) = (alone.has("outlet"), form.get("outlet")) {
        alone.push("outlet", outlet);
    }
    let units = read_units(text("unit"), settings, &mut ready.notice()).map_err(|error| {
        let said = error.to_string();
        let said = said.strip_prefix("UNIT ").unwrap_or(&said);
        AppError::Refused {
            message: format!("{} {said}", flag(at, "unit")),
            next: String::new(),
        }
    })?;
    let [unit] = <[_; 1]>::try_from(units)
        .map_err(|_| wrong("unit", "one unit; several at one price are not compared"))?;
    if text("asked").is_empty() {
        return Err(wrong("asked", "what is asked for it"));
    }
    let repairs = repairs(text("repairs"), currency);
    let repairs = repairs.map_err(|expected| wrong("repairs", &expected))?;
    let sale = sale(&alone).read(settings)?;
    let asked = money(&flag(at, "asked"), text("asked"), currency)?;
    // Read by itself, so that an error stands beside its field.
    money_if(
        &flag(at, "inbound"),
        typed(&alone, "inbound").as_ref(),
        currency,
    )?;
    Ok(Listing {
        name: format!("{at}. {}", text("unit")),
        subject: unit.sold_at(sale.as_ref().map(|sale| sale.name)),
        asked,
        costs: costs_of(&alone).read(repairs, settings)?,
        terms: sale.map(|sale| sale.terms),
        note: None,
        link: None,
    })
}

/// The choice among the rows, and each of them at what is asked.
fn compared(ready: &Ready<'_>, form: &Form, rows: &[usize]) -> Result<Markup, AppError> {
    let book = ready.book();
    let mut settings = ready.settings().clone();
    let currency = settings.currency.clone();
    let ground = aims_of(form).read(&currency)?;
    let ground = ground.with_book(book, &settings, ready.today(), &mut ready.notice())?;
    if let Some(wage) = money_if("--wage", typed(form, "wage").as_ref(), &currency)? {
        settings.deal.wage = wage;
    }
    let listings = rows
        .iter()
        .map(|at| listing(ready, form, *at, &settings))
        .collect::<Result<Vec<_>, _>>()?;
    let cash = ground.funds.cash.map(|cash| cash.amount.max(Decimal::ZERO));
    let budget = money_if("--budget", typed(form, "budget").as_ref(), &currency)?.or(cash);
    let budget = budget.ok_or_else(|| AppError::Refused {
        message: "--budget: how much money is there for all of them?".into(),
        next: String::new(),
    })?;
    let means = Means {
        aims: &ground.aims,
        funds: ground.funds,
        practice: &ground.practice,
        budget,
        total: form.has("total"),
    };
    let found = compare(
        book,
        &listings,
        &means,
        &settings,
        ready.today(),
        &mut ready.notice(),
    )?;
    let each = listings.iter().zip(found.judged);
    let candidates: Vec<Candidate> = each
        .map(|(listing, judged)| Candidate {
            name: listing.name.clone(),
            asked: listing.asked,
            weeks: listing.costs.weeks,
            note: None,
            link: None,
            judged,
        })
        .collect();
    Ok(buying::side_by_side(&Content {
        currency: &currency,
        means: &means,
        bought: found.bought,
        risk: found.risk,
        candidates: &candidates,
    }))
}

/// The repairs of the page about one unit as the text of a row; `None` if they cannot be written so.
pub fn repairs_text(form: &Form, settings: &Settings) -> Option<String> {
    let currency = &settings.currency;
    let read = in_fields::read(form, currency).ok()?;
    in_fields::written(&read, currency)
}
