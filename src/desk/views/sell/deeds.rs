//! Actions on a unit in stock: note an offer, list it, record its sale.

use maud::{Markup, html};
use rust_decimal::Decimal;

use super::offer::{judged, subject};
use crate::app::AppError;
use crate::app::amounts::money;
use crate::app::deals::Books;
use crate::app::describe::{asked, question};
use crate::app::error::Kind;
use crate::app::listed::{Stocked, place};
use crate::desk::fields::{Fields, guarded, hidden, or_open};
use crate::desk::form::{Form, query};
use crate::desk::page::Reply;
use crate::desk::ready::Ready;
use crate::desk::views::events;
use crate::desk::views::terms::{sale, worth};
use crate::render::html::visible;
use crate::trade::HowSold;

/// Fields of the page that a form which writes takes along, so that an error leaves them.
fn kept(form: &Form, without: &[&str]) -> Markup {
    const OWN: [&str; 5] = ["seen", "once", "do", "said", "date"];
    let fields = form.fields();
    let fields = fields.filter(|(name, _)| !OWN.contains(name) && !without.contains(name));
    hidden(fields)
}

/// The button that notes the offer of the form.
pub fn note_offer(ready: &Ready<'_>, form: &Form) -> Markup {
    html! {
        form.card.deed method="post" action="/sell/do" {
            (guarded(ready))
            input type="hidden" name="do" value="offer";
            (kept(form, &[]))
            (Fields::of(form).day("date", "It came on", "Today if you leave it open."))
            p.send { button type="submit" { "Note this offer in the ledger" } }
        }
    }
}

/// The forms to list a unit where and at what price it is best, and to record its sale.
pub fn next(
    ready: &Ready<'_>,
    form: &Form,
    stocked: &Stocked,
    proposed: &[(String, Decimal)],
) -> Markup {
    let currency = &ready.settings().currency;
    let up = stocked.up.as_ref();
    html! {
        section {
            h2 { "Next" }
            @for (at, (outlet, ask)) in proposed.iter().enumerate() {
                (list(ready, form, (at, outlet), &currency.exact(*ask), up.is_some()))
            }
            details id="sold" open[form.text("do") == "sold"] {
                summary { "It sold" }
                (sold(ready, form, up.is_some_and(|up| up.ask.is_some())))
            }
        }
    }
}

fn list(
    ready: &Ready<'_>,
    form: &Form,
    (at, outlet): (usize, &str),
    ask: &str,
    is_up: bool,
) -> Markup {
    let id = format!("f-list-{at}");
    let place = visible(outlet);
    let sent = form.text("do") == "list" && form.text("list_at") == outlet;
    let ask = if sent { form.text("ask") } else { ask };
    html! {
        form.deed.inline method="post" action="/sell/do" {
            (guarded(ready))
            input type="hidden" name="do" value="list";
            input type="hidden" name="list_at" value=(outlet);
            (kept(form, &["ask", "list_at"]))
            label for=(id) {
                @if is_up { "Ask another price" } @else { "List it" }
                @if !outlet.is_empty() { " at " (place) }
                " for"
            }
            input id=(id) name="ask" inputmode="decimal" autocomplete="off" value=(ask);
            button type="submit" { @if is_up { "Change the price" } @else { "List" } }
        }
    }
}

fn sold(ready: &Ready<'_>, form: &Form, is_asked: bool) -> Markup {
    let fields = Fields::of(form);
    let ways = HowSold::ALL.map(|how| (how.as_str(), how.word()));
    let ways = or_open("as described", ways);
    let hint = if is_asked {
        "The asking price if you leave it open. Without the shipping that the buyer paid on top."
    } else {
        "Without the shipping that the buyer paid on top."
    };
    html! {
        form.deed method="post" action="/sell/do" {
            (guarded(ready))
            input type="hidden" name="do" value="sold";
            (kept(form, &["price", "sold_how", "log_comp"]))
            (fields.number("price", "Sold for", hint))
            (fields.day("date", "On", "Today if you leave it open."))
            (fields.one_of("sold_how", "How", &ways))
            (fields.tick("log_comp", "Use this sale in estimates"))
            p.send { button.send type="submit" { "Record the sale" } }
        }
    }
}

/// Records what the form reports.
///
/// # Errors
/// If the form is wrong; nothing is then written.
pub fn act(ready: &Ready<'_>, form: &Form) -> Result<Reply, AppError> {
    let deal = form.text("unit");
    match form.text("do") {
        "offer" => offered(ready, form),
        "list" => {
            let listed = events::list(ready, form, (deal, form.get("list_at")))?;
            Ok(listed.reply(ready, &page_of(form, &listed.of_deal.deal.name())))
        }
        "sold" => Ok(events::sold(ready, form, deal, "sold_how")?.reply(ready, "/sell")),
        other => Err(AppError::Usage(format!("nothing is called {other:?} here"))),
    }
}

/// Notes an offer as `compband offer` does: not if it cannot be judged, unless there is just no evidence.
fn offered(ready: &Ready<'_>, form: &Form) -> Result<Reply, AppError> {
    let settings = ready.settings();
    let mut notice = |text: &str| ready.note(text);
    let subject = subject(ready, form)?;
    let Some(stocked) = &subject.stocked else {
        return Err(AppError::Usage(
            "an offer is noted for a unit in stock".into(),
        ));
    };
    let offer = money("--offer", form.text("offer"), &settings.currency)?;
    let described = asked(&subject.description, settings, &mut notice)?;
    let reader = ready.reader(&described.1.model, ready.today())?;
    let unit = reader.unit(question(&subject.description, described))?;
    if let Err(error) = judged(ready, &subject, &unit)
        && error.kind() != Kind::Absent
    {
        return Err(error);
    }
    let through = sale(form).at_listing(stocked.up.as_ref()).read(settings)?;
    let outlet = through.as_ref().map_or("", |through| through.name);
    let dated = events::dated(ready, form)?;
    let on = dated.on;
    let books = Books::open(ready.book(), &mut notice)?;
    let noted = books.offer(stocked.deal.id, offer, outlet, dated)?;
    let entry = noted.of_deal.entered.number;
    let name = stocked.deal.name();
    let mut lines = vec![format!(
        "Noted: an offer of {} for {name}{} on {on}, ledger entry {entry}.",
        worth(ready.settings(), offer),
        place(outlet)
    )];
    lines.extend(noted.same_as.map(|same| {
        format!(
            "An offer of this amount on {on} is noted already, as ledger entry {same}: if it is the same offer, \
             reverse entry {entry} under Stock and money."
        )
    }));
    Ok(ready.see_other(&page_of(form, &name), lines))
}

/// The page of the deal after an entry; no amount stands in its address.
fn page_of(form: &Form, deal: &str) -> String {
    let mut fields = vec![("unit", deal)];
    fields.extend(form.get("outlet").map(|outlet| ("outlet", outlet)));
    format!("/sell?{}", query(fields))
}
