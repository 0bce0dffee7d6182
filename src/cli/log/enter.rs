//! The prompt of `compband log`: sales typed one after another, the last values at hand.

use crate::cli::report_error;
use std::io::IsTerminal;

use chrono::NaiveDate;
use dialoguer::Confirm;

use super::words::{note_undeclared, old_to_new, read_comp, tell};
use crate::app::record::{Outcome, Writing, record};
use crate::book::csv::canonical;
use crate::book::{Book, BookError};
use crate::cli::complete::{all_pieces, one_spelling};
use crate::cli::prompt::{Question, Said, Words};
use crate::cli::{CliError, count, notice, print, today, undo};
use crate::parse::attribute::attribute_value;
use crate::select::pieces::PACKAGING;
use crate::settings::Settings;
use crate::trade::cells::Wrong;
use crate::trade::checks;
use crate::trade::comp::COLUMNS;
use crate::trade::names::match_key;
use crate::trade::{Comp, HowSold};

/// Columns whose last value is offered for the next sale.
const REMEMBERED: [&str; 5] = ["model", "completeness", "grade", "how_sold", "venue"];

/// What is typed for nothing, where something else is offered.
const NOTHING: &str = "-";

/// One question of a sale.
#[derive(Debug, Clone, Copy)]
struct Field {
    column: &'static str,
    /// What is asked.
    text: &'static str,
    /// What Enter takes, unless a value is remembered.
    usual: &'static str,
}

const fn field(column: &'static str, text: &'static str, usual: &'static str) -> Field {
    Field {
        column,
        text,
        usual,
    }
}

/// The questions of a sale in their order; that for the model comes first, as it may end the session.
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

/// What the prompt says of itself.
const HELP: &str = "Enter takes what is in brackets, - nothing; Tab completes, and so does Enter (quotes around a new \
                    name keep it as it is); ? explains; undo goes back a question, at the model a sale. A - for the \
                    model ends.";

/// The values that are offered again, in the order of [`REMEMBERED`].
#[derive(Debug, Clone, Default, PartialEq, Eq)]
struct Last([String; REMEMBERED.len()]);

impl Last {
    fn of(comp: &Comp) -> Self {
        let cells = comp.cells();
        Self(REMEMBERED.map(|column| cells[place(column)].clone()))
    }

    /// What is offered for a column of a sale of this model: another model is another unit, of whose
    /// state the last sale says nothing. Empty where that is nothing.
    fn offered(&self, column: &str, model: &str) -> &str {
        let of_the_unit = matches!(column, "completeness" | "grade");
        if of_the_unit && match_key(model) != match_key(self.get("model")) {
            return "";
        }
        self.get(column)
    }

    /// The value of a column; empty where none is remembered.
    fn get(&self, column: &str) -> &str {
        let at = REMEMBERED.iter().position(|known| *known == column);
        at.map_or("", |at| self.0[at].as_str())
    }
}

/// Place of a column in a row.
fn place(column: &str) -> usize {
    let at = COLUMNS.iter().position(|known| *known == column);
    at.unwrap_or_default()
}

/// What came of asking for a sale.
enum Asked {
    Sale(Box<Comp>),
    /// The sale before is to be taken back.
    Undo,
    /// It was refused.
    Again,
    End,
}

/// Sales typed one after another.
struct Session<'a> {
    book: &'a Book,
    models: Vec<String>,
    last: Last,
    /// Entries recorded here that were not taken back.
    entered: Vec<u64>,
    /// Whether a sale was asked for before, so that the scales need not be told again.
    begun: bool,
}

/// Asks for sales until no model ends it.
///
/// # Errors
/// Where there is no terminal, or the book cannot be read or written.
pub fn run(book: &Book) -> Result<(), CliError> {
    if !(std::io::stdin().is_terminal() && std::io::stderr().is_terminal()) {
        return Err(CliError::Usage(
            "say what was sold with --model and --price (without options, the fields are asked for on a terminal)"
                .into(),
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

/// What the sale logged last has the next one begin with.
fn remembered(book: &Book) -> Result<Last, CliError> {
    let last = book.last_logged()?;
    Ok(last.as_ref().map(Last::of).unwrap_or_default())
}

/// Tells of what was refused; only what keeps the next sale from being recorded ends the session.
fn go_on(error: CliError) -> Result<(), CliError> {
    match error {
        CliError::Refused { .. }
        | CliError::Absent { .. }
        | CliError::Book(BookError::Rows(_) | BookError::Refused(_) | BookError::Locked(_)) => {
            report_error(&error);
            Ok(())
        }
        other => Err(other),
    }
}

impl Session<'_> {
    /// Asks for a sale; none where the session ends.
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
        for (name, _) in comp.attributes.iter() {
            note_undeclared(name, &comp.model, self.book.settings());
        }
        let (comp, outcome) = match self.write(comp, Writing::default())? {
            (comp, Outcome::Same) => {
                if !confirm("The book has this very sale. Record it as another one?")? {
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

    /// Takes a model in among those that answers are completed from.
    fn learn(&mut self, model: &str) {
        let key = match_key(model);
        if self.models.iter().all(|known| match_key(known) != key) {
            self.models.push(model.to_string());
        }
    }

    /// Takes the sale entered last back; never what was recorded before or elsewhere.
    fn undo(&mut self) -> Result<(), CliError> {
        let Some(entry) = self.entered.last() else {
            notice(
                "no sale was entered here that could be taken back; `compband undo` goes further back",
            );
            return Ok(());
        };
        undo::of_entry(self.book, *entry)?;
        self.entered.pop();
        self.last = remembered(self.book)?;
        Ok(())
    }

    /// Asks for the fields of a sale one after another; `undo` goes back by one.
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
        let comp = read_comp(&said, &set, None, &self.book.rates()?, settings)?;
        Ok(Asked::Sale(Box::new(comp)))
    }

    /// Asks for a field; what was said of it before, where it is asked again, goes before what is
    /// remembered.
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
        question.ask(|text| checked(column, text, settings, today()))
    }
}

fn not_recorded() -> Result<(), CliError> {
    notice("not recorded");
    Ok(())
}

/// An answer as it is kept, the day of a sale written out.
///
/// # Errors
/// What was expected.
fn checked(
    column: &str,
    text: &str,
    settings: &Settings,
    today: NaiveDate,
) -> Result<String, String> {
    let nothing = text == NOTHING;
    if column == "model" && (nothing || text.is_empty()) {
        return Ok(String::new());
    }
    // A day that is not known is not the same as none said, which is today.
    let text = if nothing && !matches!(column, "sold_on" | "price") {
        ""
    } else {
        text
    };
    let normal = super::words::normal(column, text, &settings.currency);
    let good = checks::cell(column, &normal, today)
        .and_then(|()| canonical::check(column, &normal, settings));
    match good {
        Ok(()) if column == "sold_on" && !normal.is_empty() => Ok(normal),
        Ok(()) => Ok(text.to_string()),
        Err(wrong) => Err(expected(&wrong)),
    }
}

fn expected(wrong: &Wrong) -> String {
    let mend = if wrong.mend.is_empty() {
        String::new()
    } else {
        format!("; {}", wrong.mend)
    };
    format!("expected {}{mend}", wrong.expected)
}

/// What answers to a question mean, a line each.
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
        "how_sold" => one("auction, fixed or offer"),
        "lot_size" => one("more than 1 where the price bought several units"),
        _ => Vec::new(),
    }
}

/// What answers to a question are completed from.
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
        "how_sold" => Words::one(HowSold::ALL.map(|how| how.as_str().to_string())),
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

/// The pieces of the model's kit, or of all kits where it has none.
fn pieces(model: &str, settings: &Settings) -> Vec<String> {
    let mut pieces: Vec<String> = match settings.kit(model) {
        Some(kit) => kit.ships_with.iter().map(|(p, _)| p.to_string()).collect(),
        None => all_pieces(settings).into_iter().collect(),
    };
    if !pieces.iter().any(|piece| piece == PACKAGING) {
        pieces.push(PACKAGING.to_string());
    }
    pieces
}

/// Asks for each attribute that a family of the model declares, and gives the answers in the form of
/// `--set`; none where the question before is to be asked again.
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

    fn day() -> NaiveDate {
        NaiveDate::from_ymd_opt(2026, 11, 25).unwrap()
    }

    #[test]
    fn the_last_values_are_remembered_but_not_price_or_note() {
        let said = |column: &str| match column {
            "model" => Some("Brask M2"),
            "grade" => Some("B"),
            "how_sold" => Some("offer"),
            "price" => Some("12"),
            "note" => Some("scratched"),
            _ => None,
        };
        let settings = Settings::default();
        let rates = Rates::none(&settings);
        let comp = read_comp(&COLUMNS.map(said), &[], None, &rates, &settings).unwrap();
        let last = Last::of(&comp);
        for (column, value) in [
            ("model", "Brask M2"),
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
    fn answers_are_checked_and_cleared() {
        let settings = Settings::default();
        let answer = |column, text| checked(column, text, &settings, day());
        for (column, text, kept) in [
            ("model", "-", ""),
            ("model", "Brask M2", "Brask M2"),
            ("grade", "-", ""),
            ("venue", "-", ""),
            ("sold_on", "2026-11-2", "2026-11-02"),
            ("sold_on", "-", "-"),
            ("shipping", "", ""),
            ("price", "12,50 €", "12,50 €"),
        ] {
            assert_eq!(answer(column, text), Ok(kept.into()), "{column} {text}");
        }
        for (column, text) in [
            ("price", "-"),
            ("price", ""),
            ("price", "free"),
            ("grade", "E"),
            ("sold_on", "soon"),
            ("sold_on", "2026-12-25"),
            ("missing", "charger x0"),
        ] {
            let why = answer(column, text).unwrap_err();
            assert!(why.starts_with("expected "), "{column} {text}: {why}");
        }
    }

    #[test]
    fn pieces_are_those_of_the_kit_or_of_all_kits() {
        let text = "[kits.\"Nerrow F4\"]\nships_with = [\"battery\", \"strap\"]\n\
                    [kits.\"Brask M2\"]\nships_with = [\"stand\"]\n";
        let settings = Settings::parse(text, std::path::Path::new("compband.toml")).unwrap();
        assert_eq!(
            pieces("nerrow f4", &settings),
            ["battery", "strap", PACKAGING]
        );
        assert_eq!(
            pieces("Quolby R7", &settings),
            ["battery", "stand", "strap", PACKAGING]
        );
        let missing = words("missing", "Nerrow F4", &[], &settings);
        assert_eq!(missing.complete("st; bat"), Ok("strap; battery".into()));
        let missing = words("missing", "Quolby R7", &[], &settings);
        assert_eq!(missing.complete("st").unwrap_err(), ["stand", "strap"]);
        let defects = words("defects", "Nerrow F4", &[], &settings);
        assert_eq!(defects.complete("any"), Ok("any".into()));
    }
}
