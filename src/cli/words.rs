//! Questions about words of sheets whose meaning is not known.

use super::eprint;
use super::prompt::{Answer, Question, Words};
use crate::app::AppError;
use crate::app::import::{Column, UnknownWord};
use crate::render::numbers::count as counted;
use crate::settings::words::Meaning;
use crate::trade::text::excerpt;

/// Answer that leaves a cell blank.
const BLANK: &str = "blank";

/// Answer that leaves a word unknown.
const SKIP: &str = "skip";

/// Asks for the meaning of each word, most frequent first.
///
/// # Errors
/// If the terminal cannot be read; Ctrl-C ends the questions.
pub fn ask(unknown: &[UnknownWord]) -> Result<Vec<Meaning>, AppError> {
    let (are, mean) = match unknown.len() {
        1 => ("1 word is".to_string(), "does it"),
        many => (format!("{many} words are"), "do they"),
    };
    eprint(&format!(
        "{are} not known. What {mean} mean? {BLANK}: the cell counts as blank.\n{SKIP}: left unknown; its rows are then \
         wrong (--keep-good sets them aside).\nThe answers are kept for later imports.\n"
    ));
    let mut meanings = Vec::new();
    for one in unknown {
        let answered = if one.column == Column::Model {
            twin(one)?
        } else {
            answer(one)?
        };
        match answered {
            None => break,
            Some(text) if text == SKIP => {}
            Some(text) => meanings.push(Meaning {
                column: one.column.name().to_string(),
                word: one.word.clone(),
                value: if text == BLANK { String::new() } else { text },
            }),
        }
    }
    Ok(meanings)
}

/// Asks whether a column is what the buyer paid for shipping.
///
/// # Errors
/// If the terminal cannot be read.
pub fn is_shipping(column: &str, examples: &[String]) -> Result<bool, AppError> {
    const SHIPPING: &str = "shipping";
    let text = format!(
        "column {column} ({}): is it what the buyer paid for shipping? yes or no",
        examples.join(", ")
    );
    let meant = |yes| if yes { SHIPPING } else { "not used" }.to_string();
    let answered = yes_or_no(&text, meant)?;
    Ok(answered.is_some_and(|text| text == SHIPPING))
}

/// Whether a model is another spelling of the one that it resembles; that one if so.
fn twin(one: &UnknownWord) -> Result<Option<String>, AppError> {
    let near = one.likely.as_deref().unwrap_or_default();
    let text = format!(
        "{} in {} (row {}): the same as {}? yes or no",
        excerpt(&one.word, 30),
        counted(one.rows, "row"),
        one.first,
        excerpt(near, 30)
    );
    yes_or_no(&text, |yes| if yes { near } else { SKIP }.to_string())
}

/// The answer to a question of yes or no, yes by default; none if there are to be no more questions.
fn yes_or_no(text: &str, meant: impl Fn(bool) -> String) -> Result<Option<String>, AppError> {
    let question = Question {
        text,
        usual: "yes",
        hints: &[],
        words: Words::one(["yes", "no"].map(String::from)),
    };
    let check = |answer: &str| match answer.trim().to_lowercase().as_str() {
        "yes" | "y" => Ok(meant(true)),
        "no" | "n" => Ok(meant(false)),
        _ => Err("answer with yes or no".to_string()),
    };
    asked(&question, check)
}

/// The answer for one word; none if there are to be no more questions.
fn answer(one: &UnknownWord) -> Result<Option<String>, AppError> {
    let text = format!(
        "{} in {} (row {}): which {}? {}, {BLANK} or {SKIP}",
        excerpt(&one.word, 30),
        counted(one.rows, "row"),
        one.first,
        match one.column {
            Column::HowSold => "way of selling".to_string(),
            column => column.name().replace('_', " "),
        },
        one.values.join(", ")
    );
    let known = one
        .values
        .iter()
        .cloned()
        .chain([BLANK, SKIP].map(String::from));
    let words = Words::one(known);
    let question = Question {
        text: &text,
        usual: one.likely.as_deref().unwrap_or(usual(one)),
        hints: &[],
        words: words.clone(),
    };
    let check = |answer: &str| {
        let mut known = one.values.iter().map(String::as_str).chain([BLANK, SKIP]);
        let found = known.find(|word| word.eq_ignore_ascii_case(answer.trim()));
        found.map(str::to_string).ok_or_else(|| {
            format!(
                "answer with one of {}, {BLANK} or {SKIP}",
                one.values.join(", ")
            )
        })
    };
    asked(&question, check)
}

/// The answer for Enter where nothing is suggested: blank, unless that would mean a unit that works.
fn usual(one: &UnknownWord) -> &'static str {
    if one.column == Column::Works {
        SKIP
    } else {
        BLANK
    }
}

fn asked(
    question: &Question<'_>,
    check: impl Fn(&str) -> Result<String, String>,
) -> Result<Option<String>, AppError> {
    match question.ask(check) {
        Ok(Answer::Text(text)) => Ok(Some(text)),
        Ok(Answer::Undo | Answer::End) => Ok(None),
        Err(why) => Err(AppError::Refused {
            message: format!("the answer cannot be read: {why}"),
            next: "say the meanings with --value".into(),
        }),
    }
}
