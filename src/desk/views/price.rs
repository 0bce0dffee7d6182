//! The price of a unit: the description on one side, the price and its evidence beside it.

use chrono::NaiveDate;
use maud::{Markup, html};
use rust_decimal::Decimal;
use serde_json::json;

use crate::app::AppError;
use crate::app::describe::{Description, asked, question};
use crate::desk::fields::{Fields, or_open, send};
use crate::desk::form::{Form, query};
use crate::desk::page::{Page, Reply, View, refused};
use crate::desk::ready::Ready;
use crate::desk::unit::{self, LISTED, hint, model_field, with_unit};
use crate::parse::dates::day_typed;
use crate::render::glance::{self, Choosing};
use crate::render::html::visible;
use crate::trade::names::match_key;

/// Id of the form, to which the choices of sales belong too.
const FORM: &str = "unit";

/// Most sales in the list: used ones, and unused ones for each reason.
const SALES: (usize, usize) = (40, 4);

/// Most models to pick from by a tap.
const PICKED: usize = 60;

/// Levels of the range besides that of the settings.
const LEVELS: [(&str, &str); 3] = [("50", "50 %"), ("90", "90 %"), ("95", "95 %")];

/// The page.
///
/// # Errors
/// If the book cannot be read, or a named unit does not exist.
pub fn show(ready: &Ready<'_>, form: &Form) -> Result<Reply, AppError> {
    let form = with_unit(ready, form)?;
    let model = form.text("model");
    let answer = if model.is_empty() {
        Ok(pick(ready)?)
    } else {
        priced(ready, &form)
    };
    let fields = Fields::of(&form).with_error(answer.as_ref().err());
    let ask = html! {
        form.live id=(FORM) method="get" action="/price" {
            (model_field(ready, &fields)?)
            @if !model.is_empty() {
                (unit::fields(ready.settings(), &*ready.choices(model)?, &fields))
                (more(ready, &fields))
            }
            (send("Show"))
        }
    };
    let answer = answer.unwrap_or_else(|error| refused(&error));
    let page = Page::new(View::Price, ask, answer);
    Ok(Reply::Page(page.titled(model)))
}

/// Fields that are rarely changed.
fn more(ready: &Ready<'_>, fields: &Fields<'_>) -> Markup {
    let usual = format!("{} % (usual)", ready.settings().estimate.band);
    let levels = or_open(&usual, LEVELS);
    let form = fields.form();
    html! {
        details open[form.has("as_of") || form.has("band") || form.has("all")] {
            summary { "Day, range, list of sales" }
            (fields.day("as_of", "Price on this day", "Later sales are not used. Usually today."))
            (fields.one_of("band", "Chance that a sale falls in the range", &levels))
            (fields.tick("all", "List every sale"))
        }
    }
}

/// The models to pick from.
fn pick(ready: &Ready<'_>) -> Result<Markup, AppError> {
    let models = ready.models()?;
    Ok(html! {
        section {
            h2 { "Pick a model" }
            @if models.is_empty() {
                p { "This book has no sales yet. Log one or import a spreadsheet: " a href="/sales" { "Sales" } "." }
            }
            ul.picks {
                @for model in models.iter().filter(|one| one.stands_for.is_none()).take(PICKED) {
                    li {
                        a href={ "/price?" (query([("model", &*model.name)])) } { (visible(&model.name)) }
                        @if let Some(hint) = hint(model) { " " span.muted { (hint) } }
                    }
                }
            }
            @if models.len() > PICKED { p.muted { "Type a part of a name to find the others." } }
        }
    })
}

/// The day of the form; the level of the range goes into the description.
fn when(
    ready: &Ready<'_>,
    form: &Form,
    description: &mut Description,
) -> Result<NaiveDate, AppError> {
    let wrong = |message: String| AppError::Refused {
        message,
        next: String::new(),
    };
    if let Some(level) = form.get("band") {
        let level: Option<u8> = level.parse().ok();
        let level = level.filter(|level| (1..=99).contains(level));
        let level = level.ok_or_else(|| wrong("--band: expected per cent from 1 to 99".into()))?;
        description.band = Some(level);
    }
    let order = ready.settings().date_order();
    form.get("as_of").map_or(Ok(ready.today()), |day| {
        day_typed(day, order, ready.today())
            .map_err(|expected| wrong(format!("--as-of: expected {expected}")))
    })
}

/// The price, what moves it, the chart and the sales.
fn priced(ready: &Ready<'_>, form: &Form) -> Result<Markup, AppError> {
    let mut description = unit::description(form, ready.settings())?;
    let as_of = when(ready, form, &mut description)?;
    let described = asked(&description, ready.settings(), &mut ready.notice())?;
    let reader = ready.reader(&described.1.model, as_of)?;
    let unit = reader.unit(question(&description, described))?;
    let made = unit.estimate(unit.selection()?)?;
    let ids = unit.short_ids(&made)?;
    let most = if form.has("all") {
        (usize::MAX, usize::MAX)
    } else {
        SALES
    };
    let choosing = Choosing {
        form: FORM,
        ids: &ids,
        kept: &description.keep,
        dropped: &description.drop,
        most,
    };
    let chart = glance::chart(&made).unwrap_or_else(|error| {
        html! { p.muted { "No chart: " (visible(&error.to_string())) "." } }
    });
    Ok(html! {
        (glance::headline(&made, without(ready, &description, as_of)?))
        (onward(form))
        (glance::warnings(&made))
        (glance::reasons(&made))
        (chart)
        (glance::sales(&made, &choosing))
        (glance::evidence(&made))
    })
}

/// The likely price without the reader's choice of sales, if there is one.
fn without(
    ready: &Ready<'_>,
    description: &Description,
    as_of: NaiveDate,
) -> Result<Option<Decimal>, AppError> {
    if description.keep.is_empty() && description.drop.is_empty() {
        return Ok(None);
    }
    let description = Description {
        keep: Vec::new(),
        drop: Vec::new(),
        ..description.clone()
    };
    let described = asked(&description, ready.settings(), &mut |_| {})?;
    let reader = ready.reader(&described.1.model, as_of)?;
    let unit = reader.unit(question(&description, described))?;
    Ok(Some(unit.estimate(unit.selection()?)?.median))
}

/// Links to the same unit on other pages.
fn onward(form: &Form) -> Markup {
    let unit = form
        .fields()
        .filter(|(name, _)| !["of", "as_of", "band", "all"].contains(name));
    let unit = query(unit);
    html! {
        p.onward {
            a href={ "/buy?" (unit) } { "What to pay for it" } " "
            a href={ "/sell?" (unit) } { "What to ask for it" }
        }
    }
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
