//! The pages.

pub mod buy;
pub mod check;
mod events;
pub mod price;
pub mod sales;
pub mod sell;
pub mod stock;
mod terms;
pub mod watched;

use super::form::Form;
use super::page::{Reply, View, sentence};
use super::ready::Ready;
use crate::app::AppError;

/// The message when the book is another than the one that a form was made from.
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
        (View::Watched, "chart") => watched::chart(ready, form).map(Some),
        (View::Check, "chart") => check::chart(ready, form),
        (View::Buy, "several") => buy::several(ready, form).map(Some),
        (View::Sales, word) => sales::part(ready, word, form),
        (View::Stock, word) => stock::part(ready, word, form),
        _ => Ok(None),
    }
}

/// Does what a form asks for, if the book is still the one that the form was made from and the form was not done
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
        // Nothing is written there: a purchase is recorded under Stock and money.
        View::Buy | View::Check => show(ready, view, form),
        View::Sell => sell::act(ready, form),
        View::Sales => sales::act(ready, form),
        View::Stock => stock::act(ready, form),
        View::Watched => watched::act(ready, form),
    };
    match done {
        Ok(Reply::SeeOther(address)) => {
            if !once.is_empty() {
                ready.sent().borrow_mut().remember(once, &address);
            }
            Ok(Reply::SeeOther(address))
        }
        Ok(other) => Ok(other),
        Err(error) => with_error(ready, view, form, &sentence(&error)),
    }
}

fn with_error(ready: &Ready<'_>, view: View, form: &Form, text: &str) -> Result<Reply, AppError> {
    Ok(show(ready, view, form)?.with_page(|page| page.with_error(text)))
}

#[cfg(test)]
mod tests {
    use std::cell::RefCell;

    use super::*;
    use crate::app::{Book, state};
    use crate::desk::jobs::Jobs;
    use crate::desk::page::Message;
    use crate::desk::ready::Sent;

    #[test]
    fn a_stale_form_writes_nothing_and_a_repeated_one_leads_to_the_same_result() {
        let dir = tempfile::tempdir().unwrap();
        let book = Book::init(dir.path()).unwrap();
        let sent = RefCell::new(Sent::default());
        let long = Jobs::new(dir.path().to_path_buf());
        let day = "2026-11-20".parse().unwrap();
        let now = || state::of(&book).unwrap();
        let checks = crate::desk::checks::Checks::default();
        let ready = Ready::new(&book, day, now(), (&sent, &long, &checks));
        let form = |seen: &str, once: &str| {
            let mut form = Form::default();
            form.push("seen", seen);
            form.push("once", once);
            form
        };
        let stale = |form: &Form| match act(&ready, View::Price, form).unwrap() {
            Reply::Page(page) => page.messages.contains(&Message::Error(CHANGED.into())),
            _ => false,
        };
        assert!(stale(&form("", "1")) && stale(&form("0123456789abcdef", "1")));
        let done = |form: &Form| act(&ready, View::Price, form).unwrap();
        assert!(matches!(done(&form(&ready.seen(), "1")), Reply::SeeOther(to) if to == "/price"));
        // By now the book is another; the form was done all the same.
        assert!(matches!(done(&form("stale", "1")), Reply::SeeOther(to) if to == "/price"));
        assert!(stale(&form("stale", "2")));
        let before = now();
        std::fs::write(dir.path().join("rates.csv"), "date,currency,rate,source\n").unwrap();
        assert_ne!(now(), before);
    }
}
