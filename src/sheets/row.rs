//! Converts the cells of one row to a comp, or to the list of its problems.

mod values;
mod words;

use std::collections::HashMap;

use chrono::NaiveDate;
use rust_decimal::Decimal;

pub use self::words::likely_level;
use self::words::{bad_entry, how_sold, lot_size, on_scale, works};
use super::Input;
use super::facts::Facts;
use super::header::{Column, Field};
use super::records::{Cells, Flaw, Raw};
use crate::book::csv::formula::original;
use crate::book::rates::Conversion;
use crate::parse::lists::List;
use crate::parse::money::other_currency_in;
use crate::parse::words::{SUMS, is_for_parts, is_one_of};
use crate::settings::{Settings, Values};
use crate::trade::attributes::{Attribute, attribute_key};
use crate::trade::cells::{Fault, Question, Wrong};
use crate::trade::foreign::{self, Foreign, Rate};
use crate::trade::names::{composed, match_key};
use crate::trade::{Comp, Currency, Items, checks, text};

/// Reads the rows of one input.
pub struct RowReader<'a> {
    input: &'a Input,
    settings: &'a Settings,
    facts: &'a Facts<'a>,
    today: NaiveDate,
    conversion: &'a Conversion<'a>,
    fills: [&'a str; Column::ALL.len()],
    /// The words of the book.
    values: Values<'a>,
    /// Declared attributes of this file, by key of the model and name.
    declared: HashMap<String, HashMap<String, &'a Attribute>>,
}

impl<'a> RowReader<'a> {
    /// A reader of the rows of `input` for a book with these settings. It refuses sales later than
    /// a day after `today`.
    pub fn new(
        input: &'a Input,
        settings: &'a Settings,
        facts: &'a Facts<'a>,
        today: NaiveDate,
        conversion: &'a Conversion<'a>,
    ) -> Self {
        let mut fills = [""; Column::ALL.len()];
        for (column, value) in &input.fills {
            fills[*column as usize] = value.trim();
        }
        Self {
            input,
            settings,
            facts,
            today,
            conversion,
            fills,
            values: Values::of(settings),
            declared: declared(input, settings),
        }
    }

    /// The declaration of an attribute of this file (by its canonical name) for a model.
    pub fn declared(&self, model: &str, attribute: &str) -> Option<&'a Attribute> {
        self.declared
            .get(&match_key(model))
            .and_then(|known| known.get(attribute))
            .copied()
    }

    /// Whether a record is no sale but a sum: its model is a word for one, and it has no day.
    pub fn is_sum(&self, cells: &Cells) -> bool {
        let cell = |column: Column| {
            let at = self.input.mapping.cell_of[column as usize];
            at.map_or("", |at| cells.get(at).trim())
        };
        // The cheap look first: most rows have a day.
        if cell(Column::SoldOn).contains(|c: char| c.is_ascii_digit()) {
            return false;
        }
        let first = cells.iter().map(str::trim).find(|cell| !cell.is_empty());
        let named = |text: &str| is_one_of(text.trim_end_matches(':'), SUMS);
        named(cell(Column::Model)) || first.is_some_and(named)
    }

    /// The model in a record as it is written, if it is another name of one: identifiers rest on it, so that a
    /// sheet gives the same sales before and after the name was explained.
    pub fn written_model<'c>(&self, cells: &'c Cells) -> Option<&'c str> {
        let at = self.input.mapping.cell_of[Column::Model as usize]?;
        let text = original(cells.get(at).trim());
        self.values
            .has_meaning(Column::Model.name(), text)
            .then_some(text)
    }

    /// The lists of a record as they are without a guess: identifiers rest on them, so that a sheet gives the same
    /// sales whatever else is known of pieces.
    pub fn written_lists(&self, cells: &Cells) -> [Items; 3] {
        Self::LISTS.map(|column| {
            let text = self.text_of(cells, column);
            self.values.whole_list(text).unwrap_or_default()
        })
    }

    /// Columns with lists.
    const LISTS: [Column; 3] = [Column::Missing, Column::Extras, Column::Defects];

    /// The trimmed text of a cell, or the value of `--fill` if it is blank.
    pub(crate) fn text_of<'c>(&'c self, cells: &'c Cells, column: Column) -> &'c str {
        let cell = self.input.mapping.cell_of[column as usize];
        let text = cell.map_or("", |at| original(cells.get(at).trim()));
        if text.is_empty() {
            self.fills[column as usize]
        } else {
            text
        }
    }

    /// The text of the first list of a record that was split by a guess, and what was read.
    pub fn guessed_list<'c>(&'c self, cells: &'c Cells) -> Option<(&'c str, String)> {
        let texts = Self::LISTS.map(|column| self.text_of(cells, column));
        texts.into_iter().find_map(|text| {
            let list = self.list(text).ok().filter(|list| list.guessed)?;
            Some((text, list.items.to_string()))
        })
    }

    /// A list, split where its names are known from the settings or stand alone elsewhere in the file. A file in our
    /// own form is read as it is.
    fn list(&self, text: &str) -> Result<List, String> {
        if self.input.canonical {
            let items = self.values.whole_list(text)?;
            return Ok(List {
                items,
                guessed: false,
            });
        }
        self.values
            .list(text, |name| self.facts.pieces().contains(name))
    }

    /// Fills `comp` from a record with the cells `cells`, and adds all its errors to `faults`. The
    /// identifier stays empty if the row has none. Returns what had to be guessed.
    pub fn read(
        &self,
        raw: &Raw<'_>,
        cells: &Cells,
        comp: &mut Comp,
        faults: &mut Vec<Fault<Option<Field>>>,
    ) -> Guesses {
        faults.clear();
        let mut guesses = Guesses::default();
        if let Some(fault) = self.shape_fault(raw, cells) {
            faults.push(Fault {
                column: None,
                value: raw.text.chars().take(80).collect(),
                wrong: fault,
            });
            return guesses;
        }
        let mut row = Row {
            reader: self,
            cells,
            faults,
        };
        row.text(Column::CompId, &mut comp.comp_id);
        row.text(Column::Model, &mut comp.model);
        row.text(Column::Variant, &mut comp.variant);
        row.text(Column::Venue, &mut comp.venue);
        row.text(Column::Note, &mut comp.note);
        let mut day = (None, false);
        row.take(Column::SoldOn, &mut day, |text| self.day(text));
        (comp.sold_on, guesses.date) = day;
        let mut other = None;
        row.take(Column::Currency, &mut other, |text| {
            self.other_currency(text)
        });
        if other.is_none() && row.cell(Column::Currency).is_empty() {
            other = other_currency_in(row.cell(Column::Price), &self.settings.currency);
        }
        let currency = other.as_ref().unwrap_or(&self.settings.currency);
        row.take(Column::Price, &mut comp.price, |text| {
            self.price(text, currency)
        });
        row.take(Column::Shipping, &mut comp.shipping, |text| {
            self.shipping(text, currency)
        });
        row.take(Column::HowSold, &mut comp.how_sold, |text| {
            how_sold(text, &self.values)
        });
        row.take(Column::LotSize, &mut comp.lot_size, lot_size);
        guesses.list = row.lists(comp);
        guesses.parts = row.condition(comp);
        comp.attributes.clear();
        for (at, (name, _)) in self.input.mapping.attributes.iter().enumerate() {
            row.attribute(at, name, comp);
        }
        row.check_model(comp);
        comp.foreign = None;
        match other {
            None => row.no_rate(),
            Some(currency) => row.convert(comp, currency),
        }
        if faults.len() > 1 {
            // As they are in the row.
            let cell = |found: &Fault<Option<Field>>| {
                found
                    .column
                    .and_then(|field| self.input.mapping.cell_of_field(field))
            };
            faults.sort_by_key(cell);
        }
        guesses
    }

    fn shape_fault(&self, raw: &Raw<'_>, cells: &Cells) -> Option<Wrong> {
        match raw.flaw {
            Some(Flaw::NeverClosed) => {
                return Some(Wrong::new(
                    "a closing quote for the one that opens a cell in this row",
                    "put a quote (\") at the end of that cell, or take the opening one away",
                ));
            }
            Some(Flaw::TextBehindQuote) => {
                return Some(Wrong::new(
                    "a delimiter behind the quote that closes a cell, but text follows",
                    "write a quote inside a quoted cell twice (\"\"), or close the cell that was left open",
                ));
            }
            None => {}
        }
        let (found, expected) = (cells.len(), self.input.mapping.names.len());
        let cells_word = |n: usize| {
            if n == 1 {
                "1 cell".to_string()
            } else {
                format!("{n} cells")
            }
        };
        let says = || {
            format!(
                "{} as in the header, but the row has {found}",
                cells_word(expected)
            )
        };
        let mark = self.input.delimiter_name();
        if found < expected {
            let lacking = cells_word(expected - found);
            Some(Wrong::new(
                says(),
                format!("add {lacking} at the place where they are lacking, left blank if unknown"),
            ))
        } else if found > expected {
            Some(Wrong::new(
                says(),
                format!(
                    "put a cell that contains a {mark} between quotes, or take surplus cells away"
                ),
            ))
        } else {
            None
        }
    }
}

/// The guesses in a row.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Guesses {
    /// The date could be read two ways.
    pub date: bool,
    /// A list was split at a slash or at `and`.
    pub list: bool,
    /// The grade is a word for a unit for parts.
    pub parts: bool,
}

fn declared<'a>(
    input: &Input,
    settings: &'a Settings,
) -> HashMap<String, HashMap<String, &'a Attribute>> {
    if input.mapping.attributes.is_empty() {
        return HashMap::new();
    }
    let by_name = |family: &'a crate::settings::Family| {
        let named = family.attributes.iter();
        named
            .map(|(name, attribute)| (attribute_key(name), attribute))
            .collect::<HashMap<_, _>>()
    };
    settings
        .families
        .values()
        .flat_map(|family| family.models.iter().map(move |model| (model, family)))
        .map(|(model, family)| (match_key(settings.words.model(model)), by_name(family)))
        .collect()
}

/// One row during conversion to a comp.
struct Row<'r, 'a> {
    reader: &'r RowReader<'a>,
    cells: &'r Cells,
    /// Errors in its cells; no column for the whole row.
    faults: &'r mut Vec<Fault<Option<Field>>>,
}

impl<'r> Row<'r, '_> {
    /// The text of a cell, or the value of `--fill` if it is blank; for a model or a variant what that stands for.
    fn cell(&self, column: Column) -> &'r str {
        let text = self.reader.text_of(self.cells, column);
        match column {
            Column::Model | Column::Variant => self.reader.values.meaning(column.name(), text),
            _ => text,
        }
    }

    /// The trimmed text of a cell in the row itself.
    fn own_cell(&self, column: Column) -> &'r str {
        let cell = self.reader.input.mapping.cell_of[column as usize];
        cell.map_or("", |at| original(self.cells.get(at).trim()))
    }

    /// Refuses a row without a model.
    fn check_model(&mut self, comp: &Comp) {
        if comp.model.is_empty()
            && !self
                .faults
                .iter()
                .any(|fault| fault.column == Some(Column::Model.into()))
        {
            let fault = Wrong::new(
                "the model that was sold",
                "write its name, or leave the row out",
            );
            self.fault(Column::Model, fault);
        }
    }

    /// Refuses a rate other than 1 if the amounts are in the book's currency.
    fn no_rate(&mut self) {
        let text = self.own_cell(Column::Rate);
        if text.is_empty()
            || self
                .reader
                .rate(text)
                .is_ok_and(|rate| rate == Decimal::ONE)
        {
            return;
        }
        let ours = &self.reader.settings.currency.code;
        let theirs = self.reader.input.mapping.their_name(Column::Rate);
        let fault = Wrong::new(
            format!("nothing, since the amounts of the row are in {ours}"),
            format!(
                "take it out, write the currency of the row into a column currency, or say --map \"{theirs}=-\""
            ),
        );
        self.fault_at(Column::Rate.into(), text, fault.about(Question::Rate));
    }

    /// Converts amounts in another currency to the book's.
    fn convert(&mut self, comp: &mut Comp, other: Currency) {
        let Some(rate) = self.rate(comp, &other.code) else {
            return;
        };
        let amounts = [Column::Price, Column::Shipping].map(|column| Some(column.into()));
        if self
            .faults
            .iter()
            .any(|fault| amounts.contains(&fault.column))
        {
            return;
        }
        let foreign = Foreign {
            currency: other.code,
            price: comp.price,
            shipping: comp.shipping,
            rate,
        };
        if let Err(wrong) = comp.set_foreign(foreign, &self.reader.settings.currency) {
            self.fault(Column::Price, wrong);
        }
    }

    /// The rate of the row, or else the known one.
    fn rate(&mut self, comp: &mut Comp, code: &str) -> Option<Rate> {
        if Column::RATE
            .iter()
            .any(|column| !self.cell(*column).is_empty())
        {
            return self.own_rate();
        }
        let day = Some(Column::SoldOn.into());
        if self.faults.iter().any(|fault| fault.column == day) {
            return None;
        }
        let rate = self.reader.rate_at_hand(comp, code);
        rate.map_err(|fault| self.fault(Column::Currency, fault))
            .ok()
    }

    /// The rate in the row, from its three cells.
    fn own_rate(&mut self) -> Option<Rate> {
        let reader = self.reader;
        let (mut value, mut date, mut source) = (Decimal::ZERO, None, String::new());
        let known = self.faults.len();
        self.take(Column::Rate, &mut value, |text| reader.rate(text));
        self.take(Column::RateDate, &mut date, |text| reader.rate_date(text));
        self.take(Column::RateSource, &mut source, |text| {
            checks::text(Column::RateSource.name(), text)?;
            foreign::source(text)
        });
        if self.faults.len() > known {
            return None;
        }
        date.map(|date| Rate {
            value,
            date,
            source,
        })
    }

    fn fault(&mut self, column: Column, fault: Wrong) {
        self.fault_at(column.into(), self.cell(column), fault);
    }

    fn fault_at(&mut self, field: Field, text: &str, fault: Wrong) {
        self.faults.push(Fault {
            column: Some(field),
            value: text.chars().take(200).collect(),
            wrong: fault,
        });
    }

    /// Copies the cell of an attribute, unless it is blank.
    fn attribute(&mut self, at: usize, name: &str, comp: &mut Comp) {
        let field = Field::Attribute(at);
        let cell = self.reader.input.mapping.cell_of_field(field);
        let text = cell.map_or("", |cell| original(self.cells.get(cell).trim()));
        if text.is_empty() {
            return;
        }
        let declared = self.reader.declared(&comp.model, name);
        match self.reader.quantity(at, text, declared) {
            Ok(value) => {
                comp.attributes.set(name, value);
            }
            Err(fault) => self.fault_at(field, text, fault),
        }
    }

    fn take<T>(
        &mut self,
        column: Column,
        into: &mut T,
        read: impl FnOnce(&str) -> Result<T, Wrong>,
    ) {
        match read(self.cell(column)) {
            Ok(value) => *into = value,
            Err(fault) => self.fault(column, fault),
        }
    }

    /// Copies a text cell; line ends become `\n`.
    fn text(&mut self, column: Column, into: &mut String) {
        into.clear();
        let text = self.cell(column);
        if let Err(wrong) = checks::text(column.name(), text) {
            self.fault(column, wrong);
        } else if text.contains('\r') {
            into.push_str(&text::line_ends(&composed(text)));
        } else {
            into.push_str(&composed(text));
        }
    }

    /// Copies the spelling of a scale, or an empty text for a blank cell.
    fn scaled<'s>(
        &mut self,
        column: Column,
        into: &mut String,
        text: &str,
        spelling: impl FnOnce() -> Result<&'s str, Wrong>,
    ) {
        into.clear();
        if text.is_empty() {
            return;
        }
        match spelling() {
            Ok(name) => into.push_str(name),
            Err(fault) => self.fault(column, fault),
        }
    }

    /// Reads the lists of missing pieces, extras and defects; returns whether a list had to be split by a guess.
    fn lists(&mut self, comp: &mut Comp) -> bool {
        let reader = self.reader;
        let mut guessed = false;
        for (column, items) in [
            (Column::Missing, &mut comp.missing),
            (Column::Extras, &mut comp.extras),
            (Column::Defects, &mut comp.defects),
        ] {
            self.take(column, items, |text| {
                checks::text(column.name(), text)?;
                let list = reader.list(text).map_err(|entry| bad_entry(&entry))?;
                guessed |= list.guessed;
                Ok(list.items)
            });
        }
        guessed
    }

    /// Grade, completeness and working order. A grade cell such as "for parts" means parts-only; returns whether
    /// only the grade means it.
    fn condition(&mut self, comp: &mut Comp) -> bool {
        let reader = self.reader;
        let (values, settings) = (&reader.values, reader.settings);
        let grade = self.cell(Column::Grade);
        let parts_grade = values.grade(grade).is_none() && is_for_parts(grade);
        let grade_to_read = if parts_grade { "" } else { grade };
        let level = self.cell(Column::Completeness);
        self.scaled(Column::Grade, &mut comp.grade, grade_to_read, || {
            on_scale(Column::Grade, grade, values, settings.grade_names())
        });
        self.scaled(Column::Completeness, &mut comp.completeness, level, || {
            let names = settings.completeness_names();
            on_scale(Column::Completeness, level, values, names)
        });
        comp.works = !parts_grade;
        if self.cell(Column::Works).is_empty() {
            return parts_grade;
        }
        self.take(Column::Works, &mut comp.works, |text| {
            let works = works(text, values)?;
            if works && parts_grade && !values.meaning("works", text).is_empty() {
                return Err(Wrong::new(
                    format!("no, since the grade is {grade:?}"),
                    "change one of the two: a unit for parts does not work",
                ));
            }
            Ok(works && !parts_grade)
        });
        false
    }
}
