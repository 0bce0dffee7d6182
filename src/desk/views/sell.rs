//! The asking price of a unit: the unit or a deal in stock on one side; what to ask, which offers to accept and what to do
//! next beside it.

mod deeds;
mod offer;

pub use deeds::act;

use maud::{Markup, html};

use self::offer::{Subject, subject, waiting};
use super::terms::{outlet_field, sale};
use crate::app::AppError;
use crate::app::ask::Asking;
use crate::app::describe::{asked, question};
use crate::app::listed::{InStock, Stocked, Up, all_in_stock, place};
use crate::app::offering::asking;
use crate::app::unit::AskedUnit;
use crate::desk::fields::{Fields, or_open, send};
use crate::desk::form::{Form, query};
use crate::desk::page::{Page, Reply, View, refused as refusal};
use crate::desk::ready::Ready;
use crate::desk::unit::{self, model_field};
use crate::render::html::{prose, visible};
use crate::render::listed::so_far;
use crate::render::numbers::amount;
use crate::render::{selling, sheet};
use crate::trade::Currency;
use rust_decimal::Decimal;

/// The page.
///
/// # Errors
/// If the book cannot be read.
pub fn show(ready: &Ready<'_>, form: &Form) -> Result<Reply, AppError> {
    let stock = all_in_stock(ready.book(), ready.today(), &mut ready.notice())?;
    let subject = subject(ready, form);
    let answer = match &subject {
        Ok(subject) if subject.description.model.is_empty() => Ok(begin(ready, &stock)),
        Ok(subject) => answered(ready, subject),
        Err(_) => Ok(Markup::default()),
    };
    let shown = subject.as_ref().map_or(form, |subject| &subject.form);
    let error = subject.as_ref().err().or(answer.as_ref().err());
    let fields = Fields::of(shown).with_error(error);
    let stocked = subject.as_ref().ok().and_then(|one| one.stocked.as_ref());
    let ask = ask(ready, &fields, (&stock, stocked))?;
    let answer = match (&subject, answer) {
        (Err(error), _) => refusal(error),
        (_, Err(error)) => refusal(&error),
        (_, Ok(answer)) => answer,
    };
    let deal = stocked.map(|stocked| stocked.deal.name());
    let title = deal.as_deref().unwrap_or(shown.text("model"));
    let page = Page::new(View::Sell, ask, answer).titled(title);
    Ok(Reply::Page(page.with_notes(ready.messages(form))))
}

/// The fields: what is for sale, an offer for it, and how it is sold.
fn ask(
    ready: &Ready<'_>,
    fields: &Fields<'_>,
    (stock, stocked): (&[InStock], Option<&Stocked>),
) -> Result<Markup, AppError> {
    let form = fields.form();
    let model = form.text("model");
    let settings = ready.settings();
    let described = stocked.is_none() && !model.is_empty();
    let open = match stocked {
        Some(Stocked { up: Some(_), .. }) => "where it is up",
        _ => "compare all",
    };
    Ok(html! {
        form.live id="unit" method="post" action="/sell" {
            (from_stock(fields, stock))
            @if stocked.is_none() { (model_field(ready, fields)?) }
            @if described || stocked.is_some() {
                (fields.number("offer", "An offer you got", "What to answer to it."))
            }
            @if described { (unit::fields(settings, &*ready.choices(model)?, fields)) }
            @if described || stocked.is_some() {
                (outlet_field(settings, fields, Some(open)))
                details id="waiting" open[WAITING.iter().any(|(name, ..)| form.has(name))] {
                    summary { "Time, price, weight" }
                    @for (name, label, hint) in WAITING { (fields.number(name, label, hint)) }
                    @if stocked.is_none_or(|stocked| stocked.up.is_none()) {
                        @for (name, label, hint) in SO_FAR { (fields.number(name, label, hint)) }
                    }
                    @if described { (fields.number("week", "The offer came in week", "0 is today.")) }
                }
            }
            (send("Show"))
        }
    })
}

/// Fields about waiting with their labels and hints.
const WAITING: [(&str, &str, &str); 7] = [
    (
        "deadline",
        "Sell it within so many weeks",
        "No hurry if you leave it open.",
    ),
    (
        "exit",
        "What you keep if it has not sold by then",
        "A quick sale if you leave it open.",
    ),
    (
        "asking",
        "Asking price to judge",
        "The best of each week if you leave it open.",
    ),
    (
        "cost_per_week",
        "Cost of keeping it for a week",
        "As set if you leave it open.",
    ),
    (
        "return_per_year",
        "What your money would earn elsewhere in a year, %",
        "",
    ),
    (
        "weight",
        "Weight of the parcel, grams",
        "As set if you leave it open.",
    ),
    (
        "shipping",
        "Shipping the buyer pays on top",
        "By the outlet if you leave it open.",
    ),
];

/// Fields about offers that the ledger does not know.
const SO_FAR: [(&str, &str, &str); 2] = [
    ("offers", "Number of offers so far", ""),
    ("over", "Weeks in which they came", ""),
];

/// The choice among units in stock.
fn from_stock(fields: &Fields<'_>, stock: &[InStock]) -> Markup {
    let names: Vec<(String, String)> = stock
        .iter()
        .map(|one| {
            let name = one.deal.name();
            let unit = sheet::unit(&one.deal.unit);
            (name.clone(), format!("{name}: {unit}"))
        })
        .collect();
    let named = names
        .iter()
        .map(|(name, words)| (name.as_str(), words.as_str()));
    let choices = or_open("another unit, described here", named);
    html! {
        @if !stock.is_empty() { (fields.select_anew("unit", "In stock", "", &choices)) }
    }
}

/// The units that can be sold.
fn begin(ready: &Ready<'_>, stock: &[InStock]) -> Markup {
    let currency = &ready.settings().currency;
    html! {
        section {
            h2 { "What is for sale?" }
            @if stock.is_empty() {
                p { "Nothing is in stock by the ledger. Name a model to see what to ask for such a unit." }
            } @else {
                p { "Take a unit in stock, or name a model." }
                ul.picks {
                    @for one in stock {
                        li {
                            a href={ "/sell?" (query([("unit", &*one.deal.name())])) } {
                                (one.deal.name()) ": " (visible(&sheet::unit(&one.deal.unit)))
                            }
                            " "
                            @for up in &one.up { span.muted { (prose(&up_words(up, currency))) } " " }
                        }
                    }
                }
            }
        }
    }
}

/// `Up at parcel since 2026-10-12 for 155.00: 9 days, no offer.`
fn up_words(up: &Up, currency: &Currency) -> String {
    let at = place(&up.outlet);
    let ask = up.ask.map_or(String::new(), |ask| {
        format!(" for {}", amount(currency, ask))
    });
    format!("Up{at} since {}{ask}: {}.", up.from, so_far(up, currency))
}

/// The asking price, the answer to an offer, and the next actions.
fn answered(ready: &Ready<'_>, subject: &Subject) -> Result<Markup, AppError> {
    let Subject {
        form,
        description,
        stocked,
    } = subject;
    let described = asked(description, ready.settings(), &mut ready.notice())?;
    let reader = ready.reader(&described.1.model, ready.today())?;
    let unit = reader.unit(question(description, described))?;
    let up = stocked.as_ref().and_then(|stocked| stocked.up.as_ref());
    let waiting = waiting(form)?.read(&unit.settings)?;
    let how = (&sale(form), waiting);
    let content = asking(ready.book(), &unit, how, up, &mut ready.notice())?;
    let reply = reply(ready, subject, &unit)?;
    Ok(html! {
        @if let Some(stocked) = stocked { (standing(ready, stocked)) }
        @if let Some(reply) = reply { (reply) }
        (selling::answer(&content))
        @if let Some(stocked) = stocked { (deeds::next(ready, form, stocked, &proposed(&content))) }
        (selling::page(&content))
    })
}

/// Where to list a unit, and at which price.
fn proposed(content: &Asking<'_>) -> Vec<(String, Decimal)> {
    let all = selling::proposals(content).into_iter();
    all.map(|(outlet, ask)| (outlet.to_string(), ask)).collect()
}

/// A unit in stock: its cost, and where it is up.
fn standing(ready: &Ready<'_>, stocked: &Stocked) -> Markup {
    let currency = &ready.settings().currency;
    let deal = &stocked.deal;
    let offers = deal.offered.iter().rev();
    html! {
        section {
            h2 { (deal.name()) " in stock" }
            p {
                "Bought on " (deal.bought_on) ", cost so far " (visible(&amount(currency, deal.cost()))) ". "
                @match &stocked.up {
                    Some(up) => { (prose(&up_words(up, currency))) }
                    None => { "Not up for sale yet." }
                }
            }
            @if !deal.offered.is_empty() {
                details id="offers" {
                    summary { "Offers noted (" (deal.offered.len()) ")" }
                    ul {
                        @for offer in offers {
                            li {
                                (offer.on) ": " (visible(&amount(currency, offer.amount)))
                                (prose(&place(&offer.outlet)))
                            }
                        }
                    }
                }
            }
        }
    }
}

/// The answer to the offer in a form, if there is one, and for a deal the way to note it.
fn reply(
    ready: &Ready<'_>,
    subject: &Subject,
    unit: &AskedUnit<'_>,
) -> Result<Option<Markup>, AppError> {
    let judged = offer::judged(ready, subject, unit)?;
    Ok(judged.map(|(basis, judged)| {
        html! {
            (selling::reply(&basis, &judged))
            @if subject.stocked.is_some() { (deeds::note_offer(ready, &subject.form)) }
        }
    }))
}
