//! The parts that the forms about sales share.

use maud::{Markup, html};

use crate::app::AppError;
use crate::app::comps::{Filter, comps};
use crate::desk::form::{Form, query};
use crate::desk::page::{Page, Reply, View};
use crate::desk::ready::Ready;
use crate::desk::table::{plain, table};
use crate::render::comps::grid;
use crate::render::html::{prose, visible};
use crate::render::numbers::count;

/// Newest sales on the page.
const NEWEST: usize = 20;

/// The field for the action of a form of this page.
pub const DO: &str = "do";

/// The page with these forms, and the newest sales.
///
/// # Errors
/// If the book cannot be read.
pub fn page(ready: &Ready<'_>, form: &Form, ask: Markup) -> Result<Reply, AppError> {
    let page = Page::new(View::Sales, ask, newest(ready)?);
    Ok(Reply::Page(page.with_notes(ready.messages(form))))
}

/// The newest sales with a link to undo the last record.
fn newest(ready: &Ready<'_>) -> Result<Markup, AppError> {
    let found = comps(
        ready.book(),
        &Filter::default(),
        NEWEST,
        &mut ready.notice(),
    )?;
    let Some(found) = found else {
        return Ok(html! {
            section {
                h2 { "No sales yet" }
                p { "Type one in a line, or give a sheet of past sales." }
            }
        });
    };
    let ids = found.short_ids(ready.book(), None)?;
    let caption = format!(
        "The newest {} of {}, by the day of the sale, in {}",
        found.shown,
        count(found.matches, "sale"),
        ready.settings().currency.code
    );
    let (grid, converted) = grid(found.comps()?, &ids, ready.settings());
    let converted = converted
        .iter()
        .map(|(id, paid)| format!("* {id}: paid {paid}"));
    Ok(html! {
        section {
            h2 { "Newest sales" }
            (table("newest", &caption, &grid, plain))
            @for line in converted { p.small { (prose(&line)) } }
            p { a href="/sales?undo=last" { "Undo the last record" } " (the sale logged or the sheet imported last)" }
        }
    })
}

/// The address of the form for a sale with what is known of it; amounts stay out of it.
pub fn by_form(model: &str) -> String {
    format!("/sales?{}", query([("by", "form"), ("model", model)]))
}

/// The name of a column or another word of the user's in a sentence.
pub fn named(text: &str) -> Markup {
    html! { b { (visible(text)) } }
}
