//! A sale in one line: what is in doubt is asked on a terminal, and refused elsewhere.

use super::fields::Desk;
use crate::app::Book;
use crate::app::line::{Doubt, Line, Values, field_name};
use crate::app::typed::Cells;
use crate::cli::prompt::{Answer, Question, Words, at_terminal};
use crate::cli::{CliError, eprint, today};
use crate::trade::comp::COLUMNS;
use crate::trade::text::{excerpt, shorten};

/// Answer that leaves words out.
const SKIP: &str = "skip";

/// The values of a line, with those of the flags; `None` if the questions about it were broken off.
///
/// # Errors
/// If something is in doubt and there is no terminal, a flag contradicts the line, or the book cannot be read.
pub fn values(
    words: &[String],
    flags: &Cells<'_>,
    set: &[String],
    book: &Book,
) -> Result<Option<Values>, CliError> {
    let with_flags = |values: Values| values.with_flags(flags, set, book.settings(), today());
    if words.is_empty() {
        return Ok(Some(with_flags(Values::default())?));
    }
    let desk = Desk::of(book)?;
    let flag = |column: &str| {
        COLUMNS
            .iter()
            .zip(flags)
            .find(|(known, _)| **known == column)
    };
    let model = flag("model").and_then(|(_, model)| *model);
    let mut line = Line::read(words, model, &desk.known);
    if at_terminal() && !settle(&mut line, &desk, model)? {
        return Ok(None);
    }
    let mut values = with_flags(line.values()?)?;
    if flag("comp_id").is_some_and(|(_, id)| id.is_some()) || !at_terminal() {
        return Ok(Some(values));
    }
    for column in ["model", "price"] {
        if values.get(column).is_none() {
            let model = values.get("model").unwrap_or_default();
            match desk.ask_for(column, model)? {
                Answer::Text(value) => values.put(column, &value),
                Answer::Undo | Answer::End => return Ok(None),
            }
        }
    }
    Ok(Some(values))
}

/// Asks until nothing is in doubt; false if the questions are broken off.
fn settle(line: &mut Line, desk: &Desk<'_>, model: Option<&str>) -> Result<bool, CliError> {
    while let Some(doubt) = line.doubts().into_iter().next() {
        let settled = match &doubt {
            Doubt::Either {
                span,
                words,
                columns,
            } => {
                let names = columns.iter().map(|column| field_name(column).to_string());
                let text = format!("what is {}, {}", short(words), listed(names.clone()));
                one_of(&text, "", names.collect())?.map(|name| {
                    let column = columns.iter().find(|column| field_name(column) == name);
                    line.choose(*span, column.copied().unwrap_or_default());
                })
            }
            Doubt::Several { column, values } => {
                let all = listed(values.iter().cloned());
                let text = format!("which is the {}, {all}", field_name(column));
                one_of(&text, "", values.clone())?.map(|value| line.keep(column, &value))
            }
            Doubt::Unknown { at, words, hint } => {
                let known = model.is_some() || line.has("model");
                let reading = meaning(words, hint, if known { "" } else { "model" }, desk)?;
                reading.map(|reading| line.mean(at, reading))
            }
        };
        if settled.is_none() {
            return Ok(false);
        }
    }
    Ok(true)
}

/// Asks what words mean; `None` if the question is broken off.
fn meaning(
    words: &str,
    hint: &str,
    usual: &str,
    desk: &Desk<'_>,
) -> Result<Option<Vec<(&'static str, String)>>, CliError> {
    let bare = words.trim_start_matches(['-', '+', '\u{2212}']);
    if !hint.is_empty() {
        eprint(&format!("{}: {hint}\n", short(words)));
    }
    let columns = COLUMNS.into_iter().filter(|column| *column != "comp_id");
    let columns: Vec<&str> = columns.collect();
    let names = columns.iter().map(|column| field_name(column).to_string());
    let text = format!("what is {}", short(words));
    let hints = [format!(
        "one of {} or {SKIP}; Tab completes",
        listed(names.clone())
    )];
    let question = Question {
        text: &text,
        usual,
        hints: &hints,
        words: Words::one(names.chain([SKIP.to_string()])),
    };
    question.explain()?;
    let column_of = |name: &str| {
        columns
            .iter()
            .find(|column| field_name(column) == name)
            .copied()
    };
    let answer = question.ask(|name| match column_of(name) {
        Some(column) => desk.check(column, bare).map(|_| name.to_string()),
        None if name == SKIP => Ok(SKIP.to_string()),
        None => Err(hints[0].clone()),
    })?;
    Ok(match answer {
        Answer::Text(name) => {
            let column = column_of(&name);
            Some(
                column
                    .map(|column| (column, bare.to_string()))
                    .into_iter()
                    .collect(),
            )
        }
        Answer::Undo | Answer::End => None,
    })
}

/// Asks for one of some words; `None` if the question is broken off.
fn one_of(text: &str, usual: &str, known: Vec<String>) -> Result<Option<String>, CliError> {
    let question = Question {
        text,
        usual,
        hints: &[],
        words: Words::one(known.iter().cloned()),
    };
    let asked = question.ask(|answer| {
        let found = known.iter().find(|word| *word == answer);
        found
            .cloned()
            .ok_or_else(|| format!("one of them: {}", listed(known.iter().cloned())))
    })?;
    Ok(match asked {
        Answer::Text(answer) => Some(answer),
        Answer::Undo | Answer::End => None,
    })
}

fn listed(words: impl Iterator<Item = String>) -> String {
    let words: Vec<String> = words.map(|word| shorten(&word, 40)).collect();
    match words.as_slice() {
        [most @ .., last] if !most.is_empty() => format!("{} or {last}", most.join(", ")),
        few => few.join(""),
    }
}

fn short(words: &str) -> String {
    excerpt(words, 40)
}
