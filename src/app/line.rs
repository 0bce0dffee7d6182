//! A sale in one line, such as `Bolv 83V B usable -charger +battery 120 yesterday`: its words are resolved
//! against what the book knows. What is not understood, or can be read in two ways, stays a doubt.

mod known;
mod reading;
#[cfg(test)]
mod tests;
mod tokens;

use std::ops::Range;

use chrono::NaiveDate;

pub use known::{Known, OfModel};
use reading::columns_of;
pub use reading::{ATTRIBUTE, Reading, field_name};
use tokens::{Token, joined, split};

use super::AppError;
use super::typed::{Cells, same};
use crate::settings::Settings;
use crate::trade::comp::COLUMNS;
use crate::trade::names::match_key;
use crate::trade::text::{excerpt, quoted, shorten};

/// Columns that hold a list; several words of a line may add to one.
const LISTS: [&str; 3] = ["missing", "extras", "defects"];

/// Consecutive words of a line, with everything that they may mean.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Span {
    /// Positions of the words.
    at: Range<usize>,
    /// None if the words are not understood; several if they can be read in more than one way.
    readings: Vec<Reading>,
    /// The change that would make the words understood, or empty.
    hint: String,
}

/// A line as understood.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Line {
    tokens: Vec<Token>,
    spans: Vec<Span>,
}

/// A part of a line whose meaning only the user knows.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Doubt {
    /// Words that mean nothing known.
    Unknown {
        /// Positions of the words in the line.
        at: Range<usize>,
        /// The words.
        words: String,
        /// The change that would make them understood, or empty.
        hint: String,
    },
    /// Words that can be read in more than one way.
    Either {
        /// Position of the words among the readings.
        span: usize,
        /// The words.
        words: String,
        /// Column of each reading.
        columns: Vec<&'static str>,
    },
    /// Several values of one column.
    Several {
        /// The column.
        column: &'static str,
        /// The values, in their order in the line.
        values: Vec<String>,
    },
}

/// Values of the columns of a sale, and numeric attributes in the form of `--set`.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Values {
    cells: [Option<String>; COLUMNS.len()],
    /// Attributes.
    pub set: Vec<String>,
}

impl Values {
    /// The cells.
    pub fn cells(&self) -> Cells<'_> {
        self.cells.each_ref().map(|cell| cell.as_deref())
    }

    /// The value of a column.
    pub fn get(&self, column: &str) -> Option<&str> {
        place(column).and_then(|at| self.cells[at].as_deref())
    }

    /// Gives a column a value; a value of a list is added to it.
    pub fn put(&mut self, column: &str, value: &str) {
        let Some(at) = place(column) else {
            self.set.push(value.to_string());
            return;
        };
        let cell = self.cells[at].get_or_insert_default();
        if LISTS.contains(&column) && !cell.is_empty() {
            cell.push_str("; ");
        } else {
            cell.clear();
        }
        cell.push_str(value);
    }

    /// Adds the values that flags or answers give besides.
    ///
    /// # Errors
    /// If one of them contradicts the line.
    pub fn with_flags(
        mut self,
        flags: &Cells<'_>,
        set: &[String],
        settings: &Settings,
        today: NaiveDate,
    ) -> Result<Self, AppError> {
        for ((column, cell), flag) in COLUMNS.iter().zip(&mut self.cells).zip(flags) {
            let Some(flag) = flag else { continue };
            let line = cell.replace((*flag).to_string());
            if let Some(line) = line.filter(|line| !same(column, line, flag, settings, today)) {
                return Err(AppError::Refused {
                    message: format!(
                        "{}: {} in the line, but {} besides",
                        field_name(column),
                        excerpt(&line, 40),
                        excerpt(flag, 40)
                    ),
                    next: "say it once".into(),
                });
            }
        }
        self.set.extend(set.iter().cloned());
        Ok(self)
    }
}

/// Position of a column in a row.
fn place(column: &str) -> Option<usize> {
    COLUMNS.iter().position(|known| *known == column)
}

/// A value as words of a line about a model: alone where they mean just that, or behind the name of the column. `None`
/// if it has both kinds of quotation marks.
pub fn written(column: &str, value: &str, model: &str, known: &Known<'_>) -> Option<String> {
    let alone = Line::read(&[value.to_string()], Some(model), known).values();
    let alone = alone.is_ok_and(|values| {
        let count = values.cells().iter().flatten().count() + values.set.len();
        count == 1
            && values
                .get(column)
                .is_some_and(|read| match_key(read) == match_key(value))
    });
    if alone {
        return Some(value.to_string());
    }
    let mark = ['"', '\'']
        .into_iter()
        .find(|mark| !value.contains(*mark))?;
    Some(format!("{column}={mark}{value}{mark}"))
}

/// The second reading of a count behind a piece: in `-battery x2`, another battery.
fn more_pieces(
    before: &Span,
    tokens: &[Token],
    readings: &[Reading],
) -> Option<(&'static str, String)> {
    let piece = &tokens[before.at.start];
    let count = &tokens.get(before.at.end)?.text;
    let ([one], [found]) = (before.readings.as_slice(), readings) else {
        return None;
    };
    let ([(column, name)], [("lot_size", units)]) = (one.as_slice(), found.as_slice()) else {
        return None;
    };
    let behind = LISTS.contains(column) && piece.sign.is_some() && !piece.quoted;
    let more = units.parse::<u32>().ok()?.checked_sub(1)?;
    (behind && more > 0 && count.starts_with(['x', 'X', '×']))
        .then(|| (*column, format!("{name} x{more}")))
}

impl Line {
    /// Reads a line, given as one text or as several words. `model` is the model given besides, if any.
    pub fn read(words: &[String], model: Option<&str>, known: &Known<'_>) -> Self {
        let tokens = split(words);
        let model = model.map(|model| known.model(model).unwrap_or(model).to_string());
        let model = model.or_else(|| known.first_model(&tokens));
        let facts = model.as_deref().map(|model| known.of_model(model));
        let facts = facts.unwrap_or_default();
        let mut spans: Vec<Span> = Vec::new();
        let mut at = 0;
        while at < tokens.len() {
            let (length, mut readings, mut hint) = known.longest(&tokens[at..], &facts);
            let before = spans.last().map(|span| &tokens[span.at.clone()]);
            if let (Some([piece]), []) = (before, readings.as_slice())
                && piece.sign.is_some()
                && !piece.quoted
            {
                let both = format!("{} {}", piece.text, tokens[at].text);
                hint = format!("a new piece needs quotation marks: {}", quoted(&both));
            }
            if let Some(more) = spans
                .last()
                .and_then(|span| more_pieces(span, &tokens, &readings))
            {
                readings.push(vec![more]);
            }
            let end = at + length.max(1);
            spans.push(Span {
                at: at..end,
                readings,
                hint,
            });
            at = end;
        }
        Self { tokens, spans }
    }

    /// Some words as they were typed.
    fn words(&self, at: &Range<usize>) -> String {
        joined(&self.tokens[at.clone()])
    }

    /// The uncertain parts: first words with two readings, then columns with several values, then words that are
    /// not understood.
    pub fn doubts(&self) -> Vec<Doubt> {
        let either = self.spans.iter().enumerate();
        let either = either.filter(|(_, span)| span.readings.len() > 1);
        let either = either.map(|(at, span)| Doubt::Either {
            span: at,
            words: self.words(&span.at),
            columns: columns_of(&span.readings),
        });
        let several = COLUMNS.iter().filter(|column| !LISTS.contains(column));
        let several = several.filter_map(|column| {
            let mut values: Vec<String> = Vec::new();
            for (_, value) in self.of_column(column) {
                if values.iter().all(|one| match_key(one) != match_key(value)) {
                    values.push(value.clone());
                }
            }
            (values.len() > 1).then_some(Doubt::Several { column, values })
        });
        either.chain(several).chain(self.unknown()).collect()
    }

    /// The certain values of a column, each with the position of its span.
    fn of_column(&self, column: &str) -> impl Iterator<Item = (usize, &String)> {
        let certain = self.spans.iter().enumerate();
        certain.filter_map(move |(at, span)| match span.readings.as_slice() {
            [one] => one
                .iter()
                .find(|(known, _)| *known == column)
                .map(|(_, value)| (at, value)),
            _ => None,
        })
    }

    /// Whether the line gives a column a certain value.
    pub fn has(&self, column: &str) -> bool {
        self.of_column(column).next().is_some()
    }

    /// Runs of words that are not understood.
    fn unknown(&self) -> Vec<Doubt> {
        let mut runs: Vec<Doubt> = Vec::new();
        let mut last = 0;
        for span in self.spans.iter().filter(|span| span.readings.is_empty()) {
            match runs.last_mut() {
                Some(Doubt::Unknown { at, words, hint }) if last == span.at.start => {
                    at.end = span.at.end;
                    *words = self.words(at);
                    if hint.is_empty() {
                        hint.clone_from(&span.hint);
                    }
                }
                _ => runs.push(Doubt::Unknown {
                    at: span.at.clone(),
                    words: self.words(&span.at),
                    hint: span.hint.clone(),
                }),
            }
            last = span.at.end;
        }
        runs
    }

    /// Settles words with two readings: they mean this column.
    pub fn choose(&mut self, span: usize, column: &str) {
        let of_column = |reading: &Reading| reading.first().is_some_and(|(one, _)| *one == column);
        self.spans[span].readings.retain(of_column);
    }

    /// Settles a column with several values: it has this one; the words of the others are not understood.
    pub fn keep(&mut self, column: &str, value: &str) {
        let others: Vec<usize> = self
            .of_column(column)
            .filter(|(_, one)| match_key(one) != match_key(value))
            .map(|(at, _)| at)
            .collect();
        for at in others {
            self.spans[at].readings.clear();
        }
    }

    /// Settles words that are not understood: they give these values, or none.
    pub fn mean(&mut self, at: &Range<usize>, reading: Reading) {
        self.spans
            .retain(|span| span.at.end <= at.start || span.at.start >= at.end);
        let before = self.spans.iter().take_while(|span| span.at.end <= at.start);
        let place = before.count();
        let span = Span {
            at: at.clone(),
            readings: vec![reading],
            hint: String::new(),
        };
        self.spans.insert(place, span);
    }

    /// The values, if nothing is in doubt.
    ///
    /// # Errors
    /// All doubts, and what would settle them.
    pub fn values(&self) -> Result<Values, AppError> {
        let doubts = self.doubts();
        if !doubts.is_empty() {
            let all: Vec<String> = doubts.iter().map(Doubt::to_string).collect();
            return Err(AppError::Refused {
                message: format!("the line is not clear: {}", all.join("; ")),
                next: NEXT.into(),
            });
        }
        let mut values = Values::default();
        for (column, value) in self
            .spans
            .iter()
            .flat_map(|span| span.readings.iter().flatten())
        {
            values.put(column, value);
        }
        Ok(values)
    }
}

/// How to make a line understood.
const NEXT: &str = "a new model or piece needs its flag (--model \"Bolv 83V\", --missing \"lens cap\"); any other \
                    value is understood as name=value (date=2026-11-20, price=120, venue=\"flea market\")";

impl std::fmt::Display for Doubt {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let short = |words: &str| excerpt(words, 60);
        match self {
            Self::Unknown { words, hint, .. } => {
                write!(f, "{} is not understood", short(words))?;
                if hint.is_empty() {
                    Ok(())
                } else {
                    write!(f, " ({hint})")
                }
            }
            Self::Either { words, columns, .. } => {
                let names: Vec<&str> = columns.iter().map(|column| field_name(column)).collect();
                write!(f, "{} can be: {}", short(words), names.join(" or "))
            }
            Self::Several { column, values } => {
                let values: Vec<String> = values.iter().map(|value| shorten(value, 40)).collect();
                write!(
                    f,
                    "{}: {}, which one?",
                    field_name(column),
                    values.join(" or ")
                )
            }
        }
    }
}
