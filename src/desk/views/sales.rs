//! Sales: log one in a line or by a form, import a sheet, undo the last record.

mod common;
mod line;
mod log;
mod sheet;

use common::{DO, page};
use maud::html;

use crate::app::AppError;
use crate::app::undo::{Undone, take_back};
use crate::desk::fields::{Fields, guarded, send};
use crate::desk::form::Form;
use crate::desk::page::{Page, Reply, View};
use crate::desk::ready::Ready;
use crate::render::comps::line as sale_line;
use crate::render::html::{list, prose};
use crate::render::numbers::count;

/// Models of an undone record that are named.
const NAMED: usize = 12;

/// The page.
///
/// # Errors
/// If the book cannot be read.
pub fn show(ready: &Ready<'_>, form: &Form) -> Result<Reply, AppError> {
    if form.has("sheet") {
        return sheet::show(ready, form);
    }
    if form.has("undo") {
        return undo_page(ready, form);
    }
    let kind = form.text(DO);
    let none = Form::default();
    let of = |wanted: &str| if kind == wanted { form } else { &none };
    if form.is("by", "form") || kind == "sale" {
        return log::page(ready, form, None, None);
    }
    let ask = html! {
        (line::part(ready, &Fields::of(of("line")), &html! {}))
        (sheet::choose(&Fields::of(of("sheet"))))
    };
    page(ready, form, ask)
}

/// Does what the form asks for.
///
/// # Errors
/// If the form is wrong; nothing is then written.
pub fn act(ready: &Ready<'_>, form: &Form) -> Result<Reply, AppError> {
    match form.text(DO) {
        "line" => line::act(ready, form),
        "sale" => log::act(ready, form),
        "import" => sheet::import(ready, form),
        "undo" => undo(ready, form),
        other => Err(AppError::Usage(format!("this page does no {other:?}"))),
    }
}

/// A sheet that was sent, or the rows of one that were set aside.
///
/// # Errors
/// If the book cannot be read.
pub fn part(ready: &Ready<'_>, word: &str, form: &Form) -> Result<Option<Reply>, AppError> {
    match word {
        "sheet" => sheet::take(ready, form).map(Some),
        "rejected" => Ok(sheet::rejected(ready, form)),
        _ => Ok(None),
    }
}

/// The content of the last record, which an undo would remove, with a button.
fn undo_page(ready: &Ready<'_>, form: &Form) -> Result<Reply, AppError> {
    let last = take_back(ready.book(), true, None, &mut ready.notice())?;
    let ask = html! {
        form method="post" action="/sales/do" {
            (guarded(ready))
            input type="hidden" name=(DO) value="undo";
            input type="hidden" name="entry" value=(last.entry);
            h2 { "Undo the last record?" }
            p { (prose(&what(&last))) }
            (send("Remove"))
            p { a href="/sales" { "Keep it" } }
        }
    };
    let models = last.models.iter().take(NAMED);
    let models = models.map(|(model, rows)| format!("{model}: {}", count(*rows, "sale")));
    let more = last.models.len().saturating_sub(NAMED);
    let more = (more > 0).then(|| format!("and {}", count(more, "more model")));
    let answer = html! {
        section {
            h2 { "What would be removed" }
            (list(models.chain(more)))
            p { "It is kept in the folder undone of the book." }
            @if last.again > 0 {
                p { "Back as recorded before: " (count(last.again, "sale")) }
                (list(last.again_shown.iter().map(sale_line)))
            }
        }
    };
    let page = Page::new(View::Sales, ask, answer);
    Ok(Reply::Page(page.with_notes(ready.messages(form))))
}

/// `Sale record 12 (comps/log.csv): 1 sale, logged`.
fn what(undone: &Undone) -> String {
    let how = if undone.logged {
        "a logged sale"
    } else {
        "an imported sheet"
    };
    let names = undone.renamed.as_ref();
    let how = names.map_or(how.to_string(), |names| {
        format!("the rename of {:?} to {:?}", names.old, names.new)
    });
    format!(
        "Sale record {}, {how} ({}): {}.",
        undone.entry,
        undone.file,
        count(undone.rows, "sale")
    )
}

fn undo(ready: &Ready<'_>, form: &Form) -> Result<Reply, AppError> {
    let entry: Option<u64> = form.text("entry").parse().ok();
    let entry = entry.ok_or_else(|| AppError::Usage("which record is not said".into()))?;
    let undone = take_back(ready.book(), false, Some(entry), &mut ready.notice())?;
    let text = format!(
        "Removed. {} It is kept in the folder undone.",
        what(&undone)
    );
    Ok(ready.see_other("/sales", vec![text]))
}
