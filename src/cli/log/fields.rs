//! The questions of a sale: their texts, hints and words for completion, and the checks of the answers.

use crate::app::Book;
use crate::app::line::{Known, field_name};
use crate::app::typed::{NOTHING, answer, pieces};
use crate::cli::prompt::{Answer, Question, Words};
use crate::cli::{CliError, today};
use crate::parse::attribute::attribute_value;
use crate::settings::Settings;
use crate::trade::HowSold;
use crate::trade::text::excerpt;

/// One question of a sale.
#[derive(Debug, Clone, Copy)]
pub struct Field {
    /// Column of the answer.
    pub column: &'static str,
    /// Text of the question.
    text: &'static str,
    /// Default for Enter, unless a value is remembered.
    pub usual: &'static str,
}

const fn field(column: &'static str, text: &'static str, usual: &'static str) -> Field {
    Field {
        column,
        text,
        usual,
    }
}

/// The questions that every sale is asked; the model comes first, because it may end the session.
pub const FIRST: [Field; 4] = [
    field("model", "model", ""),
    field("price", "price without shipping", ""),
    field("grade", "grade", ""),
    field("missing", "missing pieces", ""),
];

/// The questions behind "more?".
pub const REST: [Field; 11] = [
    field("sold_on", "date of the sale", "today"),
    field("completeness", "completeness", ""),
    field("variant", "variant", ""),
    field("extras", "extras", ""),
    field("defects", "defects", ""),
    field("works", "works", "yes"),
    field("shipping", "shipping paid by the buyer", "0"),
    field("how_sold", "how it was sold", ""),
    field("venue", "where it was sold", ""),
    field("lot_size", "units sold for the price", "1"),
    field("note", "note", ""),
];

/// Columns in which a value of another one is surely a mistake.
const STRICT: [&str; 4] = ["model", "missing", "extras", "defects"];

/// Asks for values of sales of a book.
pub struct Desk<'a> {
    /// The settings of the book.
    pub settings: &'a Settings,
    /// The names that the book knows.
    pub known: Known<'a>,
    /// Its models, for completion.
    models: Vec<String>,
}

impl<'a> Desk<'a> {
    /// For a book as it is now.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn of(book: &'a Book) -> Result<Self, CliError> {
        let known = Known::of(book, today())?;
        Ok(Self {
            settings: book.settings(),
            models: known.models(),
            known,
        })
    }

    /// Asks for a field; `hint` stands behind the text of the question.
    ///
    /// # Errors
    /// If the terminal cannot be read or written.
    pub fn ask(
        &self,
        field: Field,
        (model, hint, usual): (&str, &str, &str),
        explain: bool,
        check: impl Fn(&str) -> Result<String, String>,
    ) -> Result<Answer, CliError> {
        let column = field.column;
        let question = Question {
            text: &match column {
                "price" => format!("{} in {}", field.text, self.settings.currency.code),
                _ => format!("{}{hint}", field.text),
            },
            usual,
            hints: &hints(column, self.settings),
            words: words(column, model, &self.models, self.settings),
        };
        if explain {
            question.explain()?;
        }
        question.ask(check)
    }

    /// Asks for a field of which nothing is known yet.
    ///
    /// # Errors
    /// If the terminal cannot be read or written.
    pub fn ask_for(&self, column: &str, model: &str) -> Result<Answer, CliError> {
        let mut fields = FIRST.iter().chain(&REST);
        let field = fields.find(|field| field.column == column);
        let field = *field.unwrap_or(&FIRST[0]);
        let check = |text: &str| match self.check(column, text)? {
            empty if empty.is_empty() => Err(format!("a sale needs a {}", field_name(column))),
            value => Ok(value),
        };
        self.ask(field, (model, "", ""), false, check)
    }

    /// Checks an answer.
    ///
    /// # Errors
    /// The expected form; for a value of another column, that it is one.
    pub fn check(&self, column: &str, text: &str) -> Result<String, String> {
        let read = answer(column, text, self.settings, today());
        let other = self.known.other_field(column, text);
        let other = other.filter(|_| read.is_err() || STRICT.contains(&column));
        let Some(other) = other else { return read };
        let what = excerpt(text, 40);
        let asked = field_name(column);
        let expected = match read {
            Err(expected) => expected,
            Ok(_) => format!("if it is one, record the sale with --{column}"),
        };
        Err(format!(
            "{what} reads as {}, not {asked}; {expected}",
            field_name(other)
        ))
    }

    /// Asks for each declared attribute of the model's family, and returns the answers in the form of
    /// `--set`; `None` to go back to the question before.
    ///
    /// # Errors
    /// If the terminal cannot be read or written.
    pub fn attributes(&self, model: &str) -> Result<Option<Vec<String>>, CliError> {
        let mut set = Vec::new();
        for (name, declared) in self.settings.attributes(model) {
            let text = if declared.unit.is_empty() {
                name.to_string()
            } else {
                format!("{name} ({})", declared.unit)
            };
            let question = Question {
                text: &text,
                ..Question::default()
            };
            let asked = question.ask(|text| {
                if text.is_empty() || text == NOTHING {
                    return Ok(String::new());
                }
                attribute_value(text, Some(declared))
                    .map(|_| text.to_string())
                    .map_err(|expected| format!("expected {expected}"))
            })?;
            match asked {
                Answer::Text(answer) if answer.is_empty() => {}
                Answer::Text(answer) => set.push(format!("{name}={answer}")),
                Answer::Undo | Answer::End => return Ok(None),
            }
        }
        Ok(Some(set))
    }
}

/// The possible answers to a question with their meanings, one line each.
fn hints(column: &str, settings: &Settings) -> Vec<String> {
    let line = |name: &str, means: &str| format!("{name}: {means}");
    let one = |text: &str| vec![text.to_string()];
    match column {
        "model" => {
            one("the model that was sold; a beginning that only one known model has is enough")
        }
        "sold_on" => one(
            "20.11.2026, 20 Nov 2026, today, yesterday, a weekday (the last one), 3 days ago; - where it is not known",
        ),
        "variant" => one("colour, storage, revision: what else tells units of the model apart"),
        "completeness" => {
            let levels = settings.completeness.iter();
            levels.map(|c| line(&c.name, &c.means)).collect()
        }
        "grade" => {
            let grades = settings.grades.iter();
            grades.map(|g| line(&g.name, &g.means)).collect()
        }
        "works" => one("no: it was sold for parts"),
        "missing" | "extras" | "defects" => {
            one("names apart by ;, with a count where there are several: charger; battery x2")
        }
        "how_sold" => vec![HowSold::words()],
        "lot_size" => one("more than 1 where the price bought several units"),
        _ => Vec::new(),
    }
}

/// Words for completion of the answers to a question.
fn words(column: &str, model: &str, models: &[String], settings: &Settings) -> Words {
    let ruled = |names: Vec<&String>| {
        let names = names.into_iter().filter(|name| *name != "any");
        names.cloned().collect::<Vec<_>>()
    };
    match column {
        "model" => Words::one(models.iter().cloned()),
        "completeness" => Words::one(settings.completeness_names().map(String::from)),
        "grade" => Words::one(settings.grade_names().map(String::from)),
        "works" => Words::one(["yes", "no"].map(String::from)),
        "how_sold" => Words::one(HowSold::ALL.map(|how| how.word().to_string())),
        "missing" => Words::several(pieces(model, settings)),
        "extras" => {
            let mut extras = pieces(model, settings);
            extras.extend(ruled(settings.rules.extras.keys().collect()));
            extras.sort_unstable();
            extras.dedup();
            Words::several(extras)
        }
        "defects" => Words::several(ruled(settings.rules.defects.keys().collect())),
        _ => Words::default(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::select::pieces::PACKAGING;

    #[test]
    fn pieces_are_those_of_the_kit_or_of_all_kits() {
        let text = "[kits.\"Nulva 61K\"]\nships_with = [\"battery\", \"strap\"]\n\
                    [kits.\"Bolv 83V\"]\nships_with = [\"stand\"]\n";
        let settings = Settings::parse(text, std::path::Path::new("compband.toml")).unwrap();
        assert_eq!(
            pieces("nulva 61k", &settings),
            ["battery", "strap", PACKAGING]
        );
        assert_eq!(
            pieces("Quolby 7R3", &settings),
            ["battery", "stand", "strap", PACKAGING]
        );
        let missing = words("missing", "Nulva 61K", &[], &settings);
        assert_eq!(missing.complete("st; bat"), Ok("strap; battery".into()));
        let missing = words("missing", "Quolby 7R3", &[], &settings);
        assert_eq!(missing.complete("st").unwrap_err(), ["stand", "strap"]);
        let defects = words("defects", "Nulva 61K", &[], &settings);
        assert_eq!(defects.complete("any"), Ok("any".into()));
    }
}
