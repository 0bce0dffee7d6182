//! Watched units: what moved since last time, and why.

use maud::{Markup, html};

use crate::app::AppError;
use crate::app::refresh::{Failed, Refreshed, State, chosen, look, refresh};
use crate::app::watch::{add, history, remove};
use crate::desk::fields::{Fields, guarded, send};
use crate::desk::form::{Form, query};
use crate::desk::page::{Page, Reply, View, refused};
use crate::desk::ready::Ready;
use crate::desk::unit::{self, description, model_field, with_unit};
use crate::render::change::ORDER;
use crate::render::chart::{HistoryChart, to_svg};
use crate::render::html::{prose, visible};
use crate::render::moved::{self, moves};
use crate::render::numbers::count;
use crate::render::sheet;

/// The page.
///
/// # Errors
/// If the book cannot be read, or a named unit does not exist.
pub fn show(ready: &Ready<'_>, form: &Form) -> Result<Reply, AppError> {
    let form = with_unit(ready, form)?;
    let watches = ready.book().watched()?;
    let answer = if watches.is_empty() {
        html! {
            section {
                h2 { "No unit is watched yet" }
                p { "Name one here: the page then says how its price moves from one time to the next, and why." }
            }
        }
    } else {
        let (found, failed) = look(ready.book(), watches, ready.today(), &mut ready.notice())?;
        all(ready, &found, &failed)?
    };
    let page = Page::new(View::Watched, ask(ready, &form)?, answer);
    Ok(Reply::Page(page.with_notes(ready.messages(&form))))
}

/// Records the present estimates, or adds or removes a unit.
///
/// # Errors
/// If the form is wrong; nothing is then written.
pub fn act(ready: &Ready<'_>, form: &Form) -> Result<Reply, AppError> {
    let (book, name) = (ready.book(), form.text("name"));
    let done = match form.text("what") {
        "record" => {
            let watches = chosen(&[], book.watched()?)?;
            let (_, failed) = refresh(book, watches, ready.today(), &mut ready.notice())?;
            let first = failed.into_iter().next();
            match first {
                None => "Recorded: the next comparison is with these estimates.".to_string(),
                Some((name, error)) => {
                    ready.note(&format!("{name} was not recorded."));
                    return Err(error);
                }
            }
        }
        "add" => {
            let described = with_unit(ready, form)?;
            let description = description(&described, ready.settings())?;
            add(book, name, &description, ready.today(), &mut ready.notice())?;
            format!("Watching {name}.")
        }
        "remove" => {
            remove(book, name, &mut ready.notice())?;
            format!("Stopped watching {name}. Its history stays.")
        }
        other => {
            return Err(AppError::Usage(format!(
                "{other:?} is nothing that this page does"
            )));
        }
    };
    Ok(ready.see_other("/watched", vec![done]))
}

/// The chart of the history of a unit.
///
/// # Errors
/// If it has none.
pub fn chart(ready: &Ready<'_>, form: &Form) -> Result<Reply, AppError> {
    let name = form.text("name");
    let records = history(ready.book(), name, &mut ready.notice())?;
    let chart = HistoryChart::of(name, &records, &ready.settings().currency);
    let svg = to_svg(&chart).map_err(|error| AppError::Usage(error.to_string()))?;
    Ok(Reply::Svg(svg))
}

/// The forms that add a unit: first its model, then its description.
fn ask(ready: &Ready<'_>, form: &Form) -> Result<Markup, AppError> {
    let fields = Fields::of(form);
    let model = form.text("model");
    Ok(html! {
        form.live id="model" method="get" action="/watched" {
            h2 { "Watch a unit" }
            (model_field(ready, &fields)?)
            (send("Describe it"))
        }
        @if !model.is_empty() {
            form id="add" method="post" action="/watched/do" {
                h2 { (visible(model)) }
                (guarded(ready))
                input type="hidden" name="what" value="add";
                (fields.kept("model"))
                (fields.line("name", "Name for it", "Letters, digits, - and _"))
                (unit::fields(ready.settings(), &*ready.choices(model)?, &fields))
                (send("Watch it"))
            }
        }
    })
}

fn all(ready: &Ready<'_>, found: &[Refreshed], failed: &[Failed]) -> Result<Markup, AppError> {
    let new = found
        .iter()
        .filter(|found| !matches!(found.state, State::Same));
    let new = new.count();
    let moved = found.iter().filter(|found| found.has_moved()).count();
    let watched = count(found.len() + failed.len(), "watched unit");
    let summary = match moved {
        0 => format!("{watched}: none has moved since the last record."),
        _ => format!("{watched}, {moved} moved since the last record."),
    };
    let mut units = Vec::new();
    for one in found {
        units.push(unit(ready, one)?);
    }
    Ok(html! {
        section {
            h2 data-say="watched" { (prose(&summary)) }
            @if new > 0 {
                form method="post" action="/watched/do" {
                    (guarded(ready))
                    input type="hidden" name="what" value="record";
                    (send("Record these estimates"))
                    p.hint { "The next comparison is then with them. Looking records nothing." }
                }
            }
        }
        @for (name, error) in failed {
            section.fault {
                h2 { (visible(name)) }
                (refused(error))
                (stop(ready, name))
            }
        }
        @for unit in units { (unit) }
        @if moved > 0 { p.small { (prose(ORDER)) } }
    })
}

/// A watched unit with its change, its causes and its history.
fn unit(ready: &Ready<'_>, found: &Refreshed) -> Result<Markup, AppError> {
    let name = found.name.as_str();
    let recorded = match found.state {
        State::First => Vec::new(),
        _ => history(ready.book(), name, &mut ready.notice())?,
    };
    Ok(html! {
        section id={ "unit-" (name) } {
            h2 dir="auto" {
                a href={ "/price?" (query([("unit", name)])) } { (visible(name)) }
                ": " (visible(&sheet::unit(&found.subject)))
            }
            (moves(found))
            @if recorded.is_empty() {
                p.muted { "Not recorded yet." }
            } @else {
                (moved::history(name, &recorded, &format!("/watched/chart?{}", query([("name", name)]))))
            }
            (stop(ready, name))
        }
    })
}

/// The form that stops watching a unit.
fn stop(ready: &Ready<'_>, name: &str) -> Markup {
    html! {
        form method="post" action="/watched/do" {
            (guarded(ready))
            input type="hidden" name="what" value="remove";
            input type="hidden" name="name" value=(name);
            p { button type="submit" { "Stop watching " (visible(name)) } }
        }
    }
}
