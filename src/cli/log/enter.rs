//! The prompt of `compband log`: sales typed one after another, with the last values as defaults.

use crate::cli::report_error;
use std::io::IsTerminal;

use dialoguer::Confirm;

use super::words::{old_to_new, tell};
use crate::app::Book;
use crate::app::error::Kind;
use crate::app::record::{Outcome, Writing, record};
use crate::app::typed::{NOTHING, answer, pieces, read_comp, undeclared_notes};
use crate::cli::complete::one_spelling;
use crate::cli::prompt::{Question, Said, Words};
use crate::cli::{CliError, count, notice, print, today, undo};
use crate::parse::attribute::attribute_value;
use crate::settings::Settings;
use crate::trade::comp::COLUMNS;
use crate::trade::names::match_key;
use crate::trade::{Comp, HowSold};

/// Columns whose last value is the default for the next sale.
const REMEMBERED: [&str; 5] = ["model", "completeness", "grade", "how_sold", "venue"];

/// One question of a sale.
#[derive(Debug, Clone, Copy)]
struct Field {
    column: &'static str,
    /// Text of the question.
    text: &'static str,
    /// Default for Enter, unless a value is remembered.
    usual: &'static str,
}

const fn field(column: &'static str, text: &'static str, usual: &'static str) -> Field {
    Field {
        column,
        text,
        usual,
    }
}

/// The questions of a sale in order; the model comes first, because it may end the session.
const FIELDS: [Field; 15] = [
    field("model", "model", ""),
    field("sold_on", "day of the sale", "today"),
    field("variant", "variant", ""),
    field("completeness", "completeness", ""),
    field("grade", "grade", ""),
    field("works", "works", "yes"),
    field("missing", "missing pieces", ""),
    field("extras", "extras", ""),
    field("defects", "defects", ""),
    field("price", "price without shipping", ""),
    field("shipping", "shipping paid by the buyer", "0"),
    field("how_sold", "how it was sold", ""),
    field("venue", "where it was sold", ""),
    field("lot_size", "units sold for the price", "1"),
    field("note", "note", ""),
];

/// Help text of the prompt.
const HELP: &str = "Enter takes what is in brackets, - nothing; Tab completes, and so does Enter (quotes around a new \
                    name keep it as it is); ? explains; undo goes back a question, at the model a sale. A - for the \
                    model ends.";

/// The remembered values, in the order of [`REMEMBERED`].
#[derive(Debug, Clone, Default, PartialEq, Eq)]
struct Last([String; REMEMBERED.len()]);

impl Last {
    fn of(comp: &Comp) -> Self {
        let cells = comp.cells();
        Self(REMEMBERED.map(|column| cells[place(column)].clone()))
    }

    /// The default of a column for a sale of this model; empty if there is none. The last sale of
    /// another model has no information on the state of this one.
    fn offered(&self, column: &str, model: &str) -> &str {
        let of_the_unit = matches!(column, "completeness" | "grade");
        if of_the_unit && match_key(model) != match_key(self.get("model")) {
            return "";
        }
        self.get(column)
    }

    /// The remembered value of a column; empty if there is none.
    fn get(&self, column: &str) -> &str {
        let at = REMEMBERED.iter().position(|known| *known == column);
        at.map_or("", |at| self.0[at].as_str())
    }
}

/// Position of a column in a row.
fn place(column: &str) -> usize {
    let at = COLUMNS.iter().position(|known| *known == column);
    at.unwrap_or_default()
}

/// Result of the questions about a sale.
enum Asked {
    Sale(Box<Comp>),
    /// Undo the sale before.
    Undo,
    /// The sale was refused.
    Again,
    End,
}

/// Sales typed one after another.
struct Session<'a> {
    book: &'a Book,
    models: Vec<String>,
    last: Last,
    /// Entries recorded in this session and not undone.
    entered: Vec<u64>,
    /// Whether this is not the first sale, so that the scales need not be shown again.
    begun: bool,
}

/// Asks for sales until an empty model ends it.
///
/// # Errors
/// If there is no terminal, or the book cannot be read or written.
pub fn run(book: &Book) -> Result<(), CliError> {
    if !(std::io::stdin().is_terminal() && std::io::stderr().is_terminal()) {
        return Err(CliError::usage(
            "give --model and --price (without options, it asks for them on a terminal)",
        ));
    }
    let mut session = Session {
        book,
        models: one_spelling(book.models()?),
        last: remembered(book)?,
        entered: Vec::new(),
        begun: false,
    };
    notice(HELP);
    while let Some(asked) = session.next()? {
        session.take(asked).or_else(go_on)?;
    }
    let recorded = match session.entered.len() {
        0 => "Nothing was recorded.\n".into(),
        sales => format!("{} recorded.\n", count(sales, "sale")),
    };
    print(&recorded)
}

/// The defaults from the last logged sale.
fn remembered(book: &Book) -> Result<Last, CliError> {
    let last = book.last_logged()?;
    Ok(last.as_ref().map(Last::of).unwrap_or_default())
}

/// Reports a refused sale; only an error that would also prevent the next sale ends the session.
fn go_on(error: CliError) -> Result<(), CliError> {
    match &error {
        CliError::App(why) if matches!(why.kind(), Kind::Refused | Kind::Absent | Kind::Locked) => {
            report_error(&error);
            Ok(())
        }
        _ => Err(error),
    }
}

impl Session<'_> {
    /// Asks for a sale; `None` if the session ends.
    fn next(&mut self) -> Result<Option<Asked>, CliError> {
        match self.ask() {
            Ok(Asked::End) => Ok(None),
            Ok(asked) => Ok(Some(asked)),
            Err(error) => go_on(error).map(|()| Some(Asked::Again)),
        }
    }

    fn take(&mut self, asked: Asked) -> Result<(), CliError> {
        match asked {
            Asked::Sale(comp) => self.record(*comp),
            Asked::Undo => self.undo(),
            Asked::Again | Asked::End => Ok(()),
        }
    }

    fn record(&mut self, comp: Comp) -> Result<(), CliError> {
        let notes = undeclared_notes(&comp, self.book.settings());
        notes.iter().for_each(|note| notice(note));
        let (comp, outcome) = match self.write(comp, Writing::default())? {
            (comp, Outcome::Same) => {
                if !confirm("The book already has this sale. Record it as another one?")? {
                    return not_recorded();
                }
                let again = Writing {
                    again: true,
                    ..Writing::default()
                };
                self.write(comp, again)?
            }
            (comp, Outcome::Differs(old)) => {
                if !confirm(&format!("{}\nChange it?", old_to_new(&old, &comp)))? {
                    return not_recorded();
                }
                let update = Writing {
                    update: true,
                    ..Writing::default()
                };
                self.write(comp, update)?
            }
            other => other,
        };
        if let Outcome::Recorded(entry, _) = &outcome {
            self.entered.push(*entry);
        }
        self.last = Last::of(&comp);
        self.learn(&comp.model);
        tell(&comp, outcome)
    }

    fn write(&self, comp: Comp, writing: Writing) -> Result<(Comp, Outcome), CliError> {
        let lock = self.book.lock(&mut notice)?;
        Ok(record(self.book, &lock, comp, writing, &mut notice)?)
    }

    /// Adds a model to those for completion.
    fn learn(&mut self, model: &str) {
        let key = match_key(model);
        if self.models.iter().all(|known| match_key(known) != key) {
            self.models.push(model.to_string());
        }
    }

    /// Undoes the last sale of this session, never another one.
    fn undo(&mut self) -> Result<(), CliError> {
        let Some(entry) = self.entered.last() else {
            notice(
                "no sale was entered here that could be removed; `compband undo` goes further back",
            );
            return Ok(());
        };
        undo::of_entry(self.book, *entry)?;
        self.entered.pop();
        self.last = remembered(self.book)?;
        Ok(())
    }

    /// Asks for the fields of a sale in order; `undo` goes back by one.
    fn ask(&mut self) -> Result<Asked, CliError> {
        let settings = self.book.settings();
        let mut cells: [String; COLUMNS.len()] = Default::default();
        let mut at = 0;
        let set = loop {
            while let Some(field) = FIELDS.get(at) {
                let answer = match self.ask_field(*field, &cells)? {
                    Said::Text(text) if at == 0 && text.is_empty() => return Ok(Asked::End),
                    Said::Text(text) => text,
                    Said::Undo if at == 0 => return Ok(Asked::Undo),
                    Said::Undo => {
                        at -= 1;
                        continue;
                    }
                    Said::End => return Ok(Asked::End),
                };
                cells[place(field.column)] = answer;
                self.begun |= field.column == "grade";
                at += 1;
            }
            match ask_attributes(&cells[place("model")], settings)? {
                Some(set) => break set,
                None => at = FIELDS.len() - 1,
            }
        };
        let said = cells
            .each_ref()
            .map(|cell| (!cell.is_empty()).then_some(cell.as_str()));
        let comp = read_comp(&said, &set, None, &self.book.rates()?, settings, today())?;
        Ok(Asked::Sale(Box::new(comp)))
    }

    /// Asks for a field. If it is asked again, the previous answer takes precedence over the
    /// remembered value as the default.
    fn ask_field(&self, field: Field, cells: &[String; COLUMNS.len()]) -> Result<Said, CliError> {
        let settings = self.book.settings();
        let column = field.column;
        let hints = hints(column, settings);
        let model = cells[place("model")].as_str();
        let offered = [
            &cells[place(column)],
            self.last.offered(column, model),
            field.usual,
        ];
        let offered = offered.into_iter().find(|text| !text.is_empty());
        let question = Question {
            text: &match column {
                "price" => format!("{} in {}", field.text, settings.currency.code),
                _ => field.text.to_string(),
            },
            usual: offered.unwrap_or_default(),
            hints: &hints,
            words: words(column, model, &self.models, settings),
        };
        if !self.begun && matches!(column, "completeness" | "grade") {
            question.explain()?;
        }
        question.ask(|text| answer(column, text, settings, today()))
    }
}

fn not_recorded() -> Result<(), CliError> {
    notice("not recorded");
    Ok(())
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
            "YYYY-MM-DD, today, yesterday, a weekday (the last one), 3 days ago; - where it is not known",
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

/// Asks for each declared attribute of the model's family, and returns the answers in the form of
/// `--set`; `None` to go back to the question before.
fn ask_attributes(model: &str, settings: &Settings) -> Result<Option<Vec<String>>, CliError> {
    let mut set = Vec::new();
    for (name, declared) in settings.attributes(model) {
        let text = if declared.unit.is_empty() {
            name.to_string()
        } else {
            format!("{name} ({})", declared.unit)
        };
        let question = Question {
            text: &text,
            ..Question::default()
        };
        let said = question.ask(|text| {
            if text.is_empty() || text == NOTHING {
                return Ok(String::new());
            }
            attribute_value(text, Some(declared))
                .map(|_| text.to_string())
                .map_err(|expected| format!("expected {expected}"))
        })?;
        match said {
            Said::Text(answer) if answer.is_empty() => {}
            Said::Text(answer) => set.push(format!("{name}={answer}")),
            Said::Undo | Said::End => return Ok(None),
        }
    }
    Ok(Some(set))
}

fn confirm(question: &str) -> Result<bool, CliError> {
    Confirm::new()
        .with_prompt(question)
        .default(false)
        .interact()
        .map_err(|error| CliError::Answer(error.into()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::book::rates::Rates;
    use crate::select::pieces::PACKAGING;

    #[test]
    fn the_last_values_are_remembered_but_not_price_or_note() {
        let said = |column: &str| match column {
            "model" => Some("Bolv 83V"),
            "grade" => Some("B"),
            "how_sold" => Some("offer"),
            "price" => Some("12"),
            "note" => Some("scratched"),
            _ => None,
        };
        let settings = Settings::default();
        let rates = Rates::none(&settings);
        let comp = read_comp(&COLUMNS.map(said), &[], None, &rates, &settings, today()).unwrap();
        let last = Last::of(&comp);
        for (column, value) in [
            ("model", "Bolv 83V"),
            ("grade", "B"),
            ("how_sold", "offer"),
            ("completeness", ""),
            ("venue", ""),
            ("price", ""),
            ("note", ""),
            ("sold_on", ""),
        ] {
            assert_eq!(last.get(column), value, "{column}");
        }
    }

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
