//! The prompt of `compband log`: sales typed one after another, with the last values as defaults.

use super::fields::{Desk, FIRST, Field, REST};
use super::words::{old_to_new, report_outcome};
use crate::app::Book;
use crate::app::error::Kind;
use crate::app::line::{Known, Line, Values, written};
use crate::app::record::{Outcome, Writing, record};
use crate::app::typed::{read_comp, undeclared_notes};
use crate::cli::prompt::{Answer, Question, at_terminal, confirm};
use crate::cli::{CliError, count, eprint, notice, print, report_error, today, undo};
use crate::trade::Comp;
use crate::trade::comp::COLUMNS;
use crate::trade::names::match_key;

/// Columns whose last value is the default for the next sale.
const REMEMBERED: [&str; 5] = ["model", "completeness", "grade", "how_sold", "venue"];

/// Help text of the prompt.
const HELP: &str = "Enter takes what is in brackets, - nothing; at the model, Enter ends. Tab completes, and so does \
                    Enter (quotes around a new name keep it as it is); ? explains; undo goes back a question, at the \
                    model a sale.";

/// Answer at the model for that of the last sale.
const SAME_MODEL: &str = "=";

/// Answers to "more?".
const MORE: [&str; 4] = ["m", "more", "y", "yes"];
const NO_MORE: [&str; 4] = ["no", "n", "-", ""];

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

    /// The defaults from the last sale for the answer to "more?", as words of a line.
    fn more(&self, model: &str, known: &Known<'_>) -> String {
        let words = ["completeness", "how_sold", "venue"].map(|column| {
            let value = self.offered(column, model);
            let value = Some(value).filter(|value| !value.is_empty());
            value.and_then(|value| written(column, value, model, known))
        });
        let words: Vec<String> = words.into_iter().flatten().collect();
        words.join(" ")
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

/// Result of the questions behind "more?".
enum Rest {
    /// Everything was asked; attributes in the form of `--set`.
    Answered(Vec<String>),
    /// Back to "more?".
    Back,
    End,
}

/// Sales typed one after another.
struct Session<'a> {
    book: &'a Book,
    desk: Desk<'a>,
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
    if !at_terminal() {
        return Err(CliError::usage(
            "say what was sold, in a line or with --model and --price (only a terminal can be asked)",
        ));
    }
    let mut session = Session {
        book,
        desk: Desk::of(book)?,
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
    fn next(&self) -> Result<Option<Asked>, CliError> {
        match self.ask() {
            Ok(Asked::End) => Ok(None),
            Ok(asked) => Ok(Some(asked)),
            Err(error) => go_on(error).map(|()| Some(Asked::Again)),
        }
    }

    fn take(&mut self, asked: Asked) -> Result<(), CliError> {
        self.begun = true;
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
                if confirm(
                    "The book already has this sale. Record it as another one?",
                    false,
                )? != Some(true)
                {
                    return not_recorded();
                }
                let again = Writing {
                    again: true,
                    ..Writing::default()
                };
                self.write(comp, again)?
            }
            (comp, Outcome::Differs(old)) => {
                eprint(&format!("{}\n", old_to_new(&old, &comp)));
                if confirm("Change it?", false)? != Some(true) {
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
            self.last = Last::of(&comp);
            if self.desk.known.model(&comp.model).is_none() {
                self.desk = Desk::of(self.book)?;
            }
        }
        report_outcome(&comp, outcome)
    }

    fn write(&self, comp: Comp, writing: Writing) -> Result<(Comp, Outcome), CliError> {
        let lock = self.book.lock(&mut notice)?;
        Ok(record(self.book, &lock, comp, writing, &mut notice)?)
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

    /// Asks for a sale: the first fields, then the answer to "more?"; `undo` goes back by one.
    fn ask(&self) -> Result<Asked, CliError> {
        let mut cells: [String; COLUMNS.len()] = Default::default();
        let mut at = 0;
        let more = loop {
            let answer = match FIRST.get(at) {
                Some(field) => self.ask_field(*field, &cells)?,
                None => match self.ask_more(&cells)? {
                    Answer::Text(words) if MORE.contains(&words.as_str()) => {
                        match self.ask_rest(&mut cells)? {
                            Rest::Answered(set) => break self.values(&[], &cells, &set)?,
                            Rest::Back => continue,
                            Rest::End => return Ok(Asked::End),
                        }
                    }
                    Answer::Text(words) if NO_MORE.contains(&words.as_str()) => {
                        break self.values(&[], &cells, &[])?;
                    }
                    Answer::Text(words) => break self.values(&[words], &cells, &[])?,
                    other => other,
                },
            };
            match answer {
                Answer::Text(text) if at == 0 && text.is_empty() => return Ok(Asked::End),
                Answer::Text(text) => cells[place(FIRST[at].column)] = text,
                Answer::Undo if at == 0 => return Ok(Asked::Undo),
                Answer::Undo => {
                    at -= 1;
                    continue;
                }
                Answer::End => return Ok(Asked::End),
            }
            at += 1;
        };
        let rates = self.book.rates()?;
        let settings = self.book.settings();
        let comp = read_comp(&more.cells(), &more.set, None, &rates, settings, today())?;
        Ok(Asked::Sale(Box::new(comp)))
    }

    /// The values of some words, with those of the answers.
    fn values(
        &self,
        words: &[String],
        cells: &[String; COLUMNS.len()],
        set: &[String],
    ) -> Result<Values, CliError> {
        let model = cells[place("model")].as_str();
        let line = Line::read(words, Some(model), &self.desk.known);
        let answers = cells.each_ref();
        let answers = answers.map(|cell| Some(cell.as_str()).filter(|cell| !cell.is_empty()));
        let settings = self.book.settings();
        Ok(line
            .values()?
            .with_flags(&answers, set, settings, today())?)
    }

    /// Asks for a field. If it is asked again, the previous answer takes precedence over the
    /// remembered value as the default.
    fn ask_field(&self, field: Field, cells: &[String; COLUMNS.len()]) -> Result<Answer, CliError> {
        let column = field.column;
        let model = cells[place("model")].as_str();
        let last = self.last.offered(column, model);
        let is_model = column == "model";
        let offered = [
            cells[place(column)].as_str(),
            if is_model { "" } else { last },
            field.usual,
        ];
        let offered = offered.into_iter().find(|text| !text.is_empty());
        // Gone back to, a model stands in brackets for Enter.
        let first = is_model && cells[place("model")].is_empty();
        let hint = match (first, last) {
            (false, _) => String::new(),
            (true, "") => " (Enter ends)".into(),
            (true, last) => format!(" (Enter ends, {SAME_MODEL} is {last})"),
        };
        let check = |text: &str| {
            if is_model && text == SAME_MODEL && !last.is_empty() {
                return Ok(last.to_string());
            }
            if is_model && self.is_line(text) {
                return Err("more than a model: type the model alone, or end and say all in a line after `compband log`".into());
            }
            self.desk.check(column, text)
        };
        let explain = !self.begun && matches!(column, "completeness" | "grade");
        let asking = (model, hint.as_str(), offered.unwrap_or_default());
        self.desk.ask(field, asking, explain, check)
    }

    /// Whether a text that is no known model reads as a whole sale.
    fn is_line(&self, text: &str) -> bool {
        let line = Line::read(&[text.to_string()], None, &self.desk.known);
        line.has("model") && self.desk.known.model(text).is_none() && line.values().is_ok()
    }

    /// Asks for more than the first fields: nothing, the other questions, or words.
    fn ask_more(&self, cells: &[String; COLUMNS.len()]) -> Result<Answer, CliError> {
        let usual = self.last.more(&cells[place("model")], &self.desk.known);
        let hints = [
            "Enter records; m asks for date, completeness, variant, extras, defects, works, shipping, how and where sold, \
             units, note"
                .to_string(),
            "or say it in words: yesterday usable +battery shipping 4.90 auction x2".to_string(),
        ];
        let question = Question {
            text: "more? (m asks for the rest)",
            usual: if usual.is_empty() { NO_MORE[0] } else { &usual },
            hints: &hints,
            ..Question::default()
        };
        if !self.begun {
            question.explain()?;
        }
        question.ask(|text| {
            let lower = text.to_lowercase();
            if MORE.contains(&lower.as_str()) || NO_MORE.contains(&lower.as_str()) {
                return Ok(lower);
            }
            let words = [text.to_string()];
            let read = self.values(&words, cells, &[]);
            read.map(|_| text.to_string())
                .map_err(|error| error.to_string())
        })
    }

    /// Asks for everything behind "more?".
    fn ask_rest(&self, cells: &mut [String; COLUMNS.len()]) -> Result<Rest, CliError> {
        let mut at = 0;
        loop {
            let Some(field) = REST.get(at) else {
                match self.desk.attributes(&cells[place("model")])? {
                    Some(set) => return Ok(Rest::Answered(set)),
                    None => at -= 1,
                }
                continue;
            };
            match self.ask_field(*field, cells)? {
                Answer::Text(text) => cells[place(field.column)] = text,
                Answer::Undo if at == 0 => return Ok(Rest::Back),
                Answer::Undo => {
                    at -= 1;
                    continue;
                }
                Answer::End => return Ok(Rest::End),
            }
            at += 1;
        }
    }
}

fn not_recorded() -> Result<(), CliError> {
    notice("not recorded");
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::book::rates::Rates;
    use crate::settings::Settings;

    #[test]
    fn the_last_values_are_remembered_but_not_price_or_note() {
        let answer = |column: &str| match column {
            "model" => Some("Bolv 83V"),
            "grade" => Some("B"),
            "how_sold" => Some("offer"),
            "price" => Some("12"),
            "note" => Some("scratched"),
            _ => None,
        };
        let settings = Settings::default();
        let rates = Rates::none(&settings);
        let comp = read_comp(&COLUMNS.map(answer), &[], None, &rates, &settings, today()).unwrap();
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
    fn defaults_are_shown_in_words() {
        let settings = Settings::default();
        let known = Known::new(&settings, vec!["Bolv 83V".into()], Vec::new(), today());
        let last = |model: &str| {
            let last = Last([model, "usable", "B", "auction", "flea market"].map(String::from));
            last.more("Bolv 83V", &known)
        };
        assert_eq!(last("bolv83v"), "usable auction venue=\"flea market\"");
        // The state of another model has no bearing on this one.
        assert_eq!(last("Nulva 61K"), "auction venue=\"flea market\"");
        assert_eq!(Last::default().more("Bolv 83V", &known), "");
    }
}
