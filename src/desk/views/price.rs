//! What a unit will sell for.

use maud::html;
use serde_json::json;

use crate::app::AppError;
use crate::desk::fields::{Fields, send};
use crate::desk::form::Form;
use crate::desk::page::{Page, Reply, View};
use crate::desk::ready::Ready;
use crate::desk::unit::{self, LISTED, hint, model_field, with_unit};
use crate::trade::names::match_key;

/// The page.
///
/// # Errors
/// If the book cannot be read, or a named unit does not exist.
pub fn show(ready: &Ready<'_>, form: &Form) -> Result<Reply, AppError> {
    let form = with_unit(ready, form)?;
    let fields = Fields::of(&form);
    let model = form.text("model");
    let ask = html! {
        form.live id="unit" method="get" action="/price" {
            (model_field(ready, &fields)?)
            @if !model.is_empty() {
                (unit::fields(ready.settings(), &*ready.choices(model)?, &fields))
            }
            (send("Show"))
        }
    };
    let answer = html! { p { "This page is being built." } };
    Ok(Reply::Page(Page::new(View::Price, ask, answer)))
}

/// Names of models that contain what was typed, for the script.
///
/// # Errors
/// If the book cannot be read.
pub fn models(ready: &Ready<'_>, form: &Form) -> Result<Reply, AppError> {
    let typed = match_key(form.text("q"));
    let found = ready.models()?.iter();
    let found = found.filter(|model| match_key(&model.name).contains(&typed));
    let names: Vec<_> = found
        .take(LISTED)
        .map(|model| json!([model.name, hint(model)]))
        .collect();
    Ok(Reply::Json(json!(names).to_string()))
}
