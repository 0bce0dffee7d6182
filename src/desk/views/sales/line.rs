//! A sale in one line: what is in doubt is asked on the page, and never guessed.

use maud::{Markup, html};

use super::common::{DO, by_form, named, page};
use super::log::{Wanted, cells, record, twice};
use crate::app::AppError;
use crate::app::line::{Doubt, Known, Line, Values, field_name};
use crate::app::typed::Cells;
use crate::desk::fields::{Fields, guarded, hidden, open_chip, send};
use crate::desk::form::Form;
use crate::desk::page::{Reply, refused};
use crate::desk::ready::Ready;
use crate::desk::unit::{MODELS, model_list};
use crate::render::html::prose;
use crate::trade::comp::COLUMNS;

/// Beginning of the names of fields that settle a doubt.
const SETTLES: &str = "means:";

/// Answer that leaves words out.
const SKIP: &str = "skip";

/// The form, with what is asked besides.
pub fn part(ready: &Ready<'_>, fields: &Fields<'_>, asked: &Markup) -> Markup {
    let form = fields.form();
    html! {
        form method="post" action="/sales/do" {
            (guarded(ready))
            input type="hidden" name=(DO) value="line";
            h2 { "A sale in one line" }
            (fields.line("line", "What was sold, and for how much", "Bolv 83V B usable -charger +battery 120+4.90 yesterday"))
            (asked)
            (hidden(form.fields().filter(|(name, _)| name.starts_with(SETTLES))))
            (send("Log it"))
            details {
                summary { "What can be said" }
                p.small {
                    "A model, grade, completeness, variant or venue that the book knows; -piece (missing), +piece (with "
                    "it); the price (120, 120+4.90 with shipping); a date (yesterday, friday, 20.11.); bid, fixed or "
                    "haggled; parts; x3 for three units; any other value as name=value, such as venue=\"flea market\"."
                }
            }
            p { a href=(by_form("")) { "Use a form instead" } }
        }
    }
}

/// Reads and records the sale, or asks.
///
/// # Errors
/// If the book cannot be read or written.
pub fn act(ready: &Ready<'_>, form: &Form) -> Result<Reply, AppError> {
    let text = form.text("line");
    if text.is_empty() {
        let error = AppError::Usage("--line: nothing was typed".into());
        return again(ready, form, &html! {}, Some(&error));
    }
    let known = Known::of(ready.book(), ready.today())?;
    let mut line = Line::read(&[text.to_string()], form.get("model"), &known);
    let open = settle(&mut line, form);
    if !open.is_empty() {
        return again(ready, form, &questions(&open), None);
    }
    let values = line
        .values()
        .and_then(|values| with_flags(values, ready, form));
    let values = match values {
        Ok(values) => values,
        Err(error) => return again(ready, form, &html! {}, Some(&error)),
    };
    let lacks: Vec<&str> = ["model", "price"]
        .into_iter()
        .filter(|column| values.get(column).is_none())
        .collect();
    if !lacks.is_empty() {
        return again(ready, form, &missing(ready, &lacks, form)?, None);
    }
    match record(ready, &values, form) {
        Ok(Wanted::Done(reply)) => Ok(reply),
        Ok(Wanted::Word(words)) => again(ready, form, &twice(&words), None),
        Err(error) => again(ready, form, &html! {}, Some(&error)),
    }
}

/// The values with the model and the price that were given in fields of their own.
fn with_flags(values: Values, ready: &Ready<'_>, form: &Form) -> Result<Values, AppError> {
    let flags: Cells<'_> = cells(|column| match column {
        "model" | "price" => form.get(column),
        _ => None,
    });
    values.with_flags(&flags, &[], ready.settings(), ready.today())
}

/// The page with what was typed.
fn again(
    ready: &Ready<'_>,
    form: &Form,
    asked: &Markup,
    error: Option<&AppError>,
) -> Result<Reply, AppError> {
    let fields = Fields::of(form).with_error(error);
    let beside = error.is_some_and(|error| fields.shows(error, &["line", "model", "price"]));
    let above = error.filter(|_| !beside).map(refused);
    let ask = html! {
        @if let Some(above) = above { (above) }
        (part(ready, &fields, asked))
    };
    let reply = page(ready, &Form::default(), ask)?;
    Ok(reply.with_page(|page| match beside {
        _ if !asked.0.is_empty() => {
            page.with_note("Nothing is recorded yet: answer what is asked.")
        }
        true => page.with_error("Nothing was recorded."),
        false => page,
    }))
}

/// Settles the doubts that were answered; returns the others.
fn settle(line: &mut Line, form: &Form) -> Vec<Doubt> {
    let columns = || COLUMNS.into_iter().filter(|column| *column != "comp_id");
    let column_of = |name: &str| columns().find(|column| *column == name);
    // Each answer can be used once, so that this ends.
    let mut used: Vec<String> = Vec::new();
    loop {
        let open = line.doubts();
        let answered = open.iter().find_map(|doubt| {
            let key = key(doubt);
            let answer = form.get(&key)?;
            (!used.contains(&key)).then(|| (doubt.clone(), key, answer.to_string()))
        });
        let Some((doubt, key, answer)) = answered else {
            return open;
        };
        used.push(key);
        match doubt {
            Doubt::Either { span, columns, .. } => {
                if columns.contains(&answer.as_str()) {
                    line.choose(span, &answer);
                }
            }
            Doubt::Several { column, values } => {
                if values.contains(&answer) {
                    line.keep(column, &answer);
                }
            }
            Doubt::Unknown { at, words, .. } => {
                let bare = words.trim_start_matches(['-', '+', '\u{2212}']);
                if answer == SKIP {
                    line.mean(&at, Vec::new());
                } else if let Some(column) = column_of(&answer) {
                    line.mean(&at, vec![(column, bare.to_string())]);
                }
            }
        }
    }
}

/// Name of the field that settles a doubt.
fn key(doubt: &Doubt) -> String {
    match doubt {
        Doubt::Either { words, .. } => format!("{SETTLES}either:{words}"),
        Doubt::Several { column, .. } => format!("{SETTLES}one:{column}"),
        Doubt::Unknown { words, .. } => format!("{SETTLES}what:{words}"),
    }
}

/// The questions about doubts: none of the answers is taken beforehand.
fn questions(doubts: &[Doubt]) -> Markup {
    let names = |columns: &[&'static str]| -> Vec<(String, String)> {
        let named = columns.iter();
        named
            .map(|column| ((*column).to_string(), field_name(column).to_string()))
            .collect()
    };
    html! {
        @for (at, doubt) in doubts.iter().enumerate() {
            @match doubt {
                Doubt::Either { words, columns, .. } => {
                    (question((at, true), &key(doubt), &html! { "What is " (named(words)) "?" }, "", &names(columns)))
                }
                Doubt::Several { column, values } => {
                    @let choices: Vec<_> = values.iter().map(|value| (value.clone(), value.clone())).collect();
                    (question((at, true), &key(doubt), &html! { "Which is the " (field_name(column)) "?" }, "", &choices))
                }
                Doubt::Unknown { words, hint, .. } => {
                    @let columns: Vec<&'static str> = COLUMNS.into_iter().filter(|one| *one != "comp_id").collect();
                    @let mut choices = names(&columns);
                    @let () = choices.push((SKIP.into(), "leave it out".into()));
                    (question((at, true), &key(doubt), &html! { "What is " (named(words)) "?" }, hint, &choices))
                }
            }
        }
    }
}

/// A question with some answers, none of them taken beforehand; its number on the page, and whether one must be
/// chosen.
pub fn question(
    (at, must): (usize, bool),
    name: &str,
    legend: &Markup,
    hint: &str,
    choices: &[(String, String)],
) -> Markup {
    html! {
        fieldset.field.asked {
            legend { (legend) }
            @if !hint.is_empty() { p.hint { (prose(hint)) } }
            div.chips {
                @for (n, (value, words)) in choices.iter().enumerate() {
                    (open_chip("radio", &format!("q-{at}-{n}"), (name, value), words, must))
                }
            }
        }
    }
}

/// Fields for what a line lacks.
fn missing(ready: &Ready<'_>, lacks: &[&str], form: &Form) -> Result<Markup, AppError> {
    let fields = Fields::of(form);
    Ok(html! {
        @if lacks.contains(&"model") {
            (fields.listed("model", "Model", "The line names none.", MODELS, false))
            (model_list(ready.models()?))
        }
        @if lacks.contains(&"price") {
            (fields.number("price", "Price without shipping", "The line names none."))
        }
    })
}
