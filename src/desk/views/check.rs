//! How past estimates compare with what was paid.

use maud::{Markup, html};

use crate::app::AppError;
use crate::app::check::{By, Checked, groups, predicted};
use crate::app::ledger::ledger_on;
use crate::app::undeclared::{any_helps, columns};
use crate::desk::checks::{Key, Stand};
use crate::desk::fields::{Fields, hidden, send};
use crate::desk::form::{Form, query};
use crate::desk::page::{Page, Reply, View};
use crate::desk::ready::Ready;
use crate::desk::unit::model_field;
use crate::render::chart::to_svg;
use crate::render::check::{self as sheet, Sheet};
use crate::render::checked;
use crate::render::contradicted;
use crate::render::html::prose;
use crate::render::ledger::OwnCheck;
use crate::render::short::check::lines;
use crate::render::undeclared;

/// Groups of sales: the value of the field, its label, and the grouping.
const GROUPS: [(&str, &str, Option<By>); 6] = [
    ("", "all together", None),
    ("model", "model", Some(By::Model)),
    ("grade", "grade", Some(By::Grade)),
    ("completeness", "how complete", Some(By::Completeness)),
    ("month", "month", Some(By::Month)),
    ("price", "price", Some(By::Price)),
];

/// The text where no sale can be checked.
const NOTHING: &str =
    "No sale has an earlier one to estimate it from. Record more sales under Sales.";

/// Width at which no sentence is broken.
const UNBROKEN: usize = usize::MAX;

/// Where the page has more than one sentence about it.
const BELOW: &str = "the figures below say";

/// The page.
///
/// # Errors
/// If the book cannot be read.
pub fn show(ready: &Ready<'_>, form: &Form) -> Result<Reply, AppError> {
    let fields = Fields::of(form);
    let choices = GROUPS.map(|(value, label, _)| (value, label));
    let ask = html! {
        form.live id="which" method="get" action="/check" {
            (model_field(ready, &fields)?)
            p.hint { "Without a model, all sales are checked." }
            (fields.one_of("by", "In groups by", &choices))
            (send("Show"))
        }
    };
    let key = key(ready, form);
    if form.has("again") {
        ready.checks().again(&key);
    }
    let answer = match stand(ready, form, &key)? {
        Stand::Runs(address) => return Ok(Reply::SeeOther(address)),
        Stand::Done(found) => {
            found.1.iter().for_each(|text| ready.note(text));
            done(ready, form, &found.0)?
        }
        Stand::Stopped => again(form, "The check was stopped", "Nothing was changed."),
        Stand::Failed(why) => again(form, "This cannot be checked", &why),
    };
    let page = Page::new(View::Check, ask, answer);
    Ok(Reply::Page(page.titled(&key.1.unwrap_or_default())))
}

fn stand(ready: &Ready<'_>, form: &Form, key: &Key) -> Result<Stand, AppError> {
    let back = format!("/check?{}", asked(form));
    ready.checks().of(ready.long(), key, &back)
}

/// The chart of the same sales.
///
/// # Errors
/// If the book cannot be read.
pub fn chart(ready: &Ready<'_>, form: &Form) -> Result<Option<Reply>, AppError> {
    let key = key(ready, form);
    let Stand::Done(found) = stand(ready, form, &key)? else {
        return Ok(None);
    };
    let checked = &found.0;
    let sales = predicted(&checked.past);
    let Some(all) = groups(&sales, None, ready.settings()) else {
        return Ok(None);
    };
    let model = key.1.map(|_| sales[0].0.model.as_str());
    let of = checked.past.len();
    let chart = sheet::chart(&sales, &all[0].1, of, model, ready.settings());
    Ok(Some(Reply::Svg(
        to_svg(&chart).map_err(|error| AppError::Usage(error.to_string()))?,
    )))
}

fn key(ready: &Ready<'_>, form: &Form) -> Key {
    (ready.seen(), form.get("model").map(String::from))
}

/// The fields of the question.
fn named(form: &Form) -> impl Iterator<Item = (&str, &str)> {
    let names = ["model", "by"].into_iter();
    names.filter_map(|name| Some((name, form.get(name)?)))
}

/// The question as the query of an address.
fn asked(form: &Form) -> String {
    query(named(form))
}

fn done(ready: &Ready<'_>, form: &Form, checked: &Checked) -> Result<Markup, AppError> {
    let settings = ready.settings();
    let sales = predicted(&checked.past);
    let by = GROUPS.iter().find(|(value, ..)| *value == form.text("by"));
    let Some(groups) = groups(&sales, by.and_then(|(_, _, by)| *by), settings) else {
        return Ok(html! { section { p { (NOTHING) } } });
    };
    let columns = columns(&checked.past, settings);
    let content = Sheet {
        groups: &groups,
        sales: &sales,
        of: checked.past.len(),
        helps: any_helps(&columns),
    };
    let notes = [
        contradicted::note(&checked.conflicts, BELOW),
        undeclared::note(&columns, BELOW),
    ];
    let notes: Vec<String> = notes.into_iter().flatten().collect();
    let ledger = ledger_on(ready.book(), ready.today(), &mut ready.notice())?;
    let own = OwnCheck::of(&ledger, form.get("model")).sentences();
    let sections = [
        undeclared::section(&columns, settings, UNBROKEN),
        contradicted::section(&checked.conflicts, settings, UNBROKEN),
    ];
    let lines = lines(&content, &notes, settings);
    let summary: Vec<&str> = lines
        .iter()
        .take(2)
        .map(|line| line.text.as_str())
        .collect();
    Ok(html! {
        p.unseen data-say="check" { (prose(&summary.join(" "))) }
        section { h2 { "In words" } (checked::words(&lines)) }
        @if !own.is_empty() {
            section { h2 { "Your own sales" } @for text in &own { p { (prose(text)) } } }
        }
        section {
            h2 { "Estimates and prices paid" }
            figure {
                div.chart.picture role="region" aria-label="Chart of estimates and prices paid" tabindex="0" {
                    img src={ "/check/chart?" (asked(form)) } width="800" height="600"
                        alt="Each sale by price paid and estimate, with how often the ranges held. The figures are below.";
                }
            }
        }
        section {
            (checked::mistyped_sales(&sales, settings))
            details id="every-figure" {
                summary { "Every figure, and what it means" }
                (checked::figures(&content))
                @for text in &sections { (checked::section(text)) }
            }
        }
    })
}

/// A check that did not come to its end, and the button to begin it anew.
fn again(form: &Form, what: &str, why: &str) -> Markup {
    html! {
        section {
            h2 { (what) }
            p { (prose(why)) }
            form method="get" action="/check" {
                (hidden(named(form)))
                input type="hidden" name="again" value="yes";
                p { button type="submit" { "Check again" } }
            }
        }
    }
}
