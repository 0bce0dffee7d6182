//! A sale by a form, and the record of one however it was entered.

use maud::{Markup, html};

use super::common::{DO, page as with_newest};
use crate::app::AppError;
use crate::app::line::Values;
use crate::app::record::{Outcome, Writing, record as write};
use crate::app::typed::{Cells, NOT_KNOWN, read_comp, undeclared_notes};
use crate::desk::fields::{Fields, guarded, open_chip, send};
use crate::desk::form::Form;
use crate::desk::page::{Reply, refused};
use crate::desk::ready::Ready;
use crate::desk::unit::{self, description, model_field};
use crate::render::comps::{changes, line};
use crate::render::html::{list, visible};
use crate::trade::comp::COLUMNS;

/// Fields of the form beside which an error can stand.
const FIELDS: [&str; 15] = [
    "model",
    "price",
    "shipping",
    "currency",
    "sold_on",
    "venue",
    "lot_size",
    "note",
    "grade",
    "completeness",
    "variant",
    "missing",
    "extras",
    "defects",
    "how_sold",
];

/// The result of recording a sale.
pub enum Wanted {
    /// It was recorded, or the book has it just so.
    Done(Reply),
    /// The book has one like it: the question about it.
    Word(Again),
}

/// A sale that the book has already.
pub struct Again {
    /// The question.
    question: String,
    /// Particulars.
    lines: Vec<String>,
    /// Name of the field that confirms it, and its label.
    yes: (&'static str, &'static str),
}

/// Cells of a sale by column.
pub fn cells<'c>(of: impl Fn(&str) -> Option<&'c str>) -> Cells<'c> {
    COLUMNS.map(of)
}

/// The question whether a sale that the book has is another one.
pub fn twice(again: &Again) -> Markup {
    let (name, label) = again.yes;
    html! {
        fieldset.field.asked {
            legend { (visible(&again.question)) }
            (list(&again.lines))
            (open_chip("checkbox", &format!("f-{name}"), (name, "yes"), label, true))
        }
    }
}

/// Records a sale as `compband log` does, unless the book has it and the form does not state that
/// this is another.
///
/// # Errors
/// Invalid values, or a book that cannot be written.
pub fn record(ready: &Ready<'_>, values: &Values, form: &Form) -> Result<Wanted, AppError> {
    let (book, settings) = (ready.book(), ready.settings());
    let mut notice = |text: &str| ready.note(text);
    let rates = book.rates()?;
    let comp = read_comp(
        &values.cells(),
        &values.set,
        None,
        &rates,
        settings,
        ready.today(),
    )?;
    let notes = undeclared_notes(&comp, settings);
    let writing = Writing {
        named: false,
        again: form.has("again"),
        update: form.has("update"),
    };
    let lock = book.lock(&mut notice)?;
    let (comp, outcome) = write(book, &lock, comp, writing, &mut notice)?;
    let done = |text: String| {
        let lines = [text].into_iter().chain(notes.clone()).collect();
        Wanted::Done(ready.see_other("/sales", lines))
    };
    Ok(match outcome {
        Outcome::Recorded(entry, None) => {
            done(format!("Recorded (sale record {entry}). {}.", line(&comp)))
        }
        Outcome::Recorded(entry, Some(old)) => done(format!(
            "Changed (sale record {entry}). Sale {}: {}.",
            comp.comp_id,
            changes(&old, &comp).join("; ")
        )),
        Outcome::Known => done(format!(
            "{} is already in the book, just the same; nothing was changed.",
            comp.comp_id
        )),
        Outcome::Same => Wanted::Word(Again {
            question: "The book already has this sale. Is this another one?".into(),
            lines: vec![line(&comp)],
            yes: ("again", "Yes, another one"),
        }),
        Outcome::Differs(old) => Wanted::Word(Again {
            question: "The book has this sale with other details. Change it?".into(),
            lines: changes(&old, &comp),
            yes: ("update", "Yes, change it"),
        }),
    })
}

/// The page with the form, what is wrong with it, and a question about it.
///
/// # Errors
/// If the book cannot be read.
pub fn page(
    ready: &Ready<'_>,
    form: &Form,
    error: Option<&AppError>,
    asked: Option<&Markup>,
) -> Result<Reply, AppError> {
    let fields = Fields::of(form).with_error(error);
    let model = form.text("model");
    let beside = error.is_some_and(|error| fields.shows(error, &FIELDS));
    let above = error.filter(|_| !beside).map(refused);
    let ask = html! {
        @if let Some(above) = above { (above) }
        form.live method="get" action="/sales" {
            input type="hidden" name="by" value="form";
            h2 { "A sale by a form" }
            (model_field(ready, &fields)?)
            (send("Next"))
            p { a href="/sales" { "In one line instead" } }
        }
        @if !model.is_empty() {
            form method="post" action="/sales/do" {
                (guarded(ready))
                input type="hidden" name=(DO) value="sale";
                input type="hidden" name="model" value=(model);
                h2 { "What it sold for" }
                (fields.number("price", "Price without shipping", ""))
                (fields.number("shipping", "Shipping paid by the buyer", "Nothing if left out."))
                (fields.day("sold_on", "Day of the sale", "Today if left out."))
                (fields.tick("undated", "The day is not known"))
                h2 { "What it was" }
                (unit::fields(ready.settings(), &*ready.choices(model)?, &fields))
                details open[["venue", "lot_size", "currency", "note"].iter().any(|name| form.has(name))] {
                    summary { "More about the sale" }
                    (fields.line("venue", "Where it was sold", "An outlet or another place."))
                    (fields.number("lot_size", "Units sold for the price", "1 if left out."))
                    (fields.line("currency", "Currency, if not yours", "Its code; rates.csv converts it."))
                    (fields.line("note", "Note", ""))
                }
                @if let Some(asked) = asked { (asked) }
                (send("Log it"))
            }
        }
    };
    let reply = with_newest(ready, &Form::default(), ask)?;
    Ok(match beside {
        true => reply.with_page(|page| page.with_error("Nothing was recorded.")),
        false => reply,
    })
}

/// Reads the form and records the sale.
///
/// # Errors
/// If the book cannot be read or written.
pub fn act(ready: &Ready<'_>, form: &Form) -> Result<Reply, AppError> {
    let done = values(ready, form).and_then(|values| record(ready, &values, form));
    match done {
        Ok(Wanted::Done(reply)) => Ok(reply),
        Ok(Wanted::Word(again)) => page(ready, form, None, Some(&twice(&again))),
        Err(error) => page(ready, form, Some(&error), None),
    }
}

/// The values of a sale by the fields of the form, as by the flags of `compband log`.
fn values(ready: &Ready<'_>, form: &Form) -> Result<Values, AppError> {
    let description = description(form, ready.settings())?;
    let mut values = Values::default();
    let one = [
        ("model", form.get("model")),
        ("price", form.get("price")),
        ("shipping", form.get("shipping")),
        ("currency", form.get("currency")),
        (
            "sold_on",
            form.get("sold_on")
                .or(form.has("undated").then_some(NOT_KNOWN)),
        ),
        ("variant", description.variant.as_deref()),
        ("completeness", description.completeness.as_deref()),
        ("grade", description.grade.as_deref()),
        ("works", description.parts.then_some("no")),
        ("how_sold", form.get("how_sold")),
        ("venue", form.get("venue")),
        ("lot_size", form.get("lot_size")),
        ("note", form.get("note")),
    ];
    for (column, value) in one {
        if let Some(value) = value {
            values.put(column, value);
        }
    }
    for (column, list) in [
        ("missing", &description.missing),
        ("extras", &description.extra),
        ("defects", &description.defect),
    ] {
        if !list.is_empty() {
            values.put(column, &list.join("; "));
        }
    }
    values.set = description.set;
    if form.get("price").is_none() {
        return Err(AppError::Usage("--price: a sale needs a price".into()));
    }
    Ok(values)
}
