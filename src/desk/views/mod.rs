//! The pages.

pub mod buy;
pub mod check;
pub mod price;
pub mod sales;
pub mod sell;
pub mod stock;
mod terms;
pub mod watched;

use super::form::Form;
use super::page::{Reply, View};
use super::ready::Ready;
use crate::app::AppError;

/// What is said when the book is another than the one that a form was made from.
pub const CHANGED: &str = "The book changed meanwhile. Look again, then send it once more.";

/// A page with these fields.
///
/// # Errors
/// If the book cannot be read, or the unit of a link does not exist.
pub fn show(ready: &Ready<'_>, view: View, form: &Form) -> Result<Reply, AppError> {
    match view {
        View::Price => price::show(ready, form),
        View::Buy => buy::show(ready, form),
        View::Sell => sell::show(ready, form),
        View::Sales => sales::show(ready, form),
        View::Stock => stock::show(ready, form),
        View::Watched => watched::show(ready, form),
        View::Check => check::show(ready, form),
    }
}

/// A part of a page that is fetched by itself, by the word after its path (`/price/models`): a picture, a file,
/// data. None if there is no such part.
///
/// # Errors
/// If the book cannot be read.
pub fn part(
    ready: &Ready<'_>,
    view: View,
    word: &str,
    form: &Form,
) -> Result<Option<Reply>, AppError> {
    match (view, word) {
        (View::Price, "models") => price::models(ready, form).map(Some),
        (View::Buy, "several") => buy::several(ready, form).map(Some),
        (View::Sales, word) => sales::part(ready, word, form),
        (View::Stock, word) => stock::part(ready, word, form),
        _ => Ok(None),
    }
}

/// Does what a form says, if the book is still the one that the form was made from and the form was not done
/// before. An error leaves the page with what was typed.
///
/// # Errors
/// If the page cannot be made either.
pub fn act(ready: &Ready<'_>, view: View, form: &Form) -> Result<Reply, AppError> {
    let once = form.text("once");
    if let Some(known) = ready.sent().borrow().result(once) {
        return Ok(Reply::SeeOther(known.to_string()));
    }
    if form.text("seen") != ready.seen() {
        return with_error(ready, view, form, CHANGED);
    }
    let done = match view {
        View::Price => Ok(Reply::SeeOther(view.path().into())),
        View::Buy => buy::act(ready, form),
        View::Sell => sell::act(ready, form),
        View::Sales => sales::act(ready, form),
        View::Stock => stock::act(ready, form),
        View::Watched => watched::act(ready, form),
        View::Check => check::act(ready, form),
    };
    match done {
        Ok(Reply::SeeOther(address)) => {
            if !once.is_empty() {
                ready.sent().borrow_mut().remember(once, &address);
            }
            Ok(Reply::SeeOther(address))
        }
        Ok(other) => Ok(other),
        Err(error) => with_error(ready, view, form, &super::worker::sentence(&error)),
    }
}

fn with_error(ready: &Ready<'_>, view: View, form: &Form, text: &str) -> Result<Reply, AppError> {
    Ok(match show(ready, view, form)? {
        Reply::Page(page) => Reply::Page(page.with_error(text)),
        other => other,
    })
}
