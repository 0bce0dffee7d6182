//! Stock and money: units, listings, parts, the bankroll on its way to the goal; and the forms that record what
//! happened.

mod deal;
mod forms;
mod overview;
mod record;

use forms::{Happened, Trouble};

use crate::app::AppError;
use crate::desk::form::Form;
use crate::desk::page::{Page, Reply, View, refused};
use crate::desk::ready::Ready;

/// The page.
///
/// # Errors
/// If the book cannot be read, or there is no such deal.
pub fn show(ready: &Ready<'_>, form: &Form) -> Result<Reply, AppError> {
    page(ready, form, None)
}

/// Records what the form reports. A wrong value leaves the page with it and what was typed.
///
/// # Errors
/// If the book cannot be read.
pub fn act(ready: &Ready<'_>, form: &Form) -> Result<Reply, AppError> {
    let Some(happened) = Happened::of(form.text("record")) else {
        return Err(AppError::Usage("what happened is not said".into()));
    };
    match record::record(ready, happened, form) {
        Ok(record::Done::Recorded(reply)) => Ok(reply),
        Ok(record::Done::Doubt(near)) => page(ready, form, Some(&Trouble::Near(near))),
        Err(error) => page(ready, form, Some(&Trouble::Wrong(error))),
    }
}

/// The years as a file.
///
/// # Errors
/// If the book cannot be read.
pub fn part(ready: &Ready<'_>, word: &str, _form: &Form) -> Result<Option<Reply>, AppError> {
    match word {
        "years" => overview::years_csv(ready).map(Some),
        _ => Ok(None),
    }
}

fn page(ready: &Ready<'_>, form: &Form, trouble: Option<&Trouble>) -> Result<Reply, AppError> {
    let happened = Happened::of(form.text("record"));
    let one = form
        .get("deal")
        .filter(|_| happened.is_none_or(Happened::of_deal));
    let (ask, beside) = match happened {
        Some(happened) => forms::part(ready, happened, form, trouble)?,
        None => (
            forms::menu(ready, one).or_else(|_| forms::menu(ready, None))?,
            true,
        ),
    };
    let answer = match one {
        Some(deal) => deal::part(ready, deal).unwrap_or_else(|error| refused(&error)),
        None => overview::part(ready)?,
    };
    let mut page = Page::new(View::Stock, ask, answer);
    if let Some(happened) = happened {
        page = page.titled(happened.label());
    }
    if trouble.is_some() && beside {
        page = page.with_error("Nothing was recorded: look at the form.");
    }
    Ok(Reply::Page(page.with_notes(ready.messages(form))))
}
