//! The cells of one row to a comp, or to every problem it has.

use crate::trade::text;
use std::collections::HashMap;

use chrono::NaiveDate;
use rust_decimal::Decimal;

use crate::book::csv::formula::original;
use crate::book::rates::{self, Conversion};
use crate::parse::dates::{self, DateError, WrittenDate};
use crate::parse::money::{
    Amount, AmountError, DecimalMark, read_amount, read_quantity, read_rate,
};
use crate::settings::Settings;
use crate::trade::attributes::{Attribute, attribute_key, same_unit};
use crate::trade::checks;
use crate::trade::comp::HowSold;
use crate::trade::foreign::{self, Foreign, Rate};
use crate::trade::names::match_key;
use crate::trade::names::{composed, same};
use crate::trade::text::nearest;
use crate::trade::{Comp, Currency, Items};

use crate::sheets::facts::{Decided, Facts};
use crate::sheets::header::{Column, Field};
use crate::sheets::records::{Cells, Flaw, Raw};
use crate::sheets::{Fault, Input, Topic};

/// Reads the rows of one input.
pub struct RowReader<'a> {
    input: &'a Input,
    settings: &'a Settings,
    facts: &'a Facts<'a>,
    today: NaiveDate,
    conversion: &'a Conversion<'a>,
    fills: [&'a str; Column::ALL.len()],
    /// What families declare of the attributes of this file, by key of the model and name.
    declared: HashMap<String, HashMap<String, &'a Attribute>>,
}

/// A fault of one cell: the column and its text, with what is wrong.
pub struct CellFault {
    /// Where; `None`: the whole row.
    pub column: Option<Field>,
    /// The text as it stands.
    pub value: String,
    /// What is wrong.
    pub fault: Fault,
}

impl<'a> RowReader<'a> {
    /// A reader of the rows of `input` into a book with these settings; sales of more than a
    /// day after `today` are refused.
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
            declared: declared(input, settings),
        }
    }

    /// What the settings say of an attribute of this file (by its canonical name) for a model.
    pub fn declared(&self, model: &str, attribute: &str) -> Option<&'a Attribute> {
        self.declared
            .get(&match_key(model))
            .and_then(|known| known.get(attribute))
            .copied()
    }

    /// Fills `comp` from a record whose cells are in `cells`, and puts everything wrong with it
    /// into `faults`. The identifier stays empty where the row has none.
    pub fn read(&self, raw: &Raw<'_>, cells: &Cells, comp: &mut Comp, faults: &mut Vec<CellFault>) {
        faults.clear();
        if let Some(fault) = self.shape_fault(raw, cells) {
            faults.push(CellFault {
                column: None,
                value: raw.text.chars().take(80).collect(),
                fault,
            });
            return;
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
        row.take(Column::SoldOn, &mut comp.sold_on, |text| self.day(text));
        let mut other = None;
        row.take(Column::Currency, &mut other, |text| {
            self.other_currency(text)
        });
        let currency = other.as_ref().unwrap_or(&self.settings.currency);
        row.take(Column::Price, &mut comp.price, |text| {
            self.price(text, currency)
        });
        row.take(Column::Shipping, &mut comp.shipping, |text| {
            self.shipping(text, currency)
        });
        row.take(Column::HowSold, &mut comp.how_sold, how_sold);
        row.take(Column::LotSize, &mut comp.lot_size, lot_size);
        for (column, items) in [
            (Column::Missing, &mut comp.missing),
            (Column::Extras, &mut comp.extras),
            (Column::Defects, &mut comp.defects),
        ] {
            row.take(column, items, |text| items_of(column, text));
        }
        row.condition(comp);
        comp.attributes.clear();
        for (at, (name, _)) in self.input.mapping.attributes.iter().enumerate() {
            row.attribute(at, name, comp);
        }
        if comp.model.is_empty()
            && !row
                .faults
                .iter()
                .any(|fault| fault.column == Some(Column::Model.into()))
        {
            let fault = Fault::new(
                "the model that was sold",
                "write its name, or leave the row out",
            );
            row.fault(Column::Model, fault);
        }
        if row.cell(Column::SoldOn).is_empty() && word(&comp.model, SUMS) {
            let fault = Fault::new(
                "the model that was sold, but a row of this name without a day looks like a sum",
                "leave the row out, or write the day of the sale",
            );
            row.fault(Column::Model, fault);
        }
        comp.foreign = None;
        match other {
            None => row.no_rate(),
            Some(currency) => row.convert(comp, currency),
        }
        if faults.len() > 1 {
            // As they stand in the row.
            let cell = |found: &CellFault| {
                found
                    .column
                    .and_then(|field| self.input.mapping.cell_of_field(field))
            };
            faults.sort_by_key(cell);
        }
    }

    fn shape_fault(&self, raw: &Raw<'_>, cells: &Cells) -> Option<Fault> {
        match raw.flaw {
            Some(Flaw::NeverClosed) => {
                return Some(Fault::new(
                    "a closing quote for the one that opens a cell in this row",
                    "put a quote (\") at the end of that cell, or take the opening one away",
                ));
            }
            Some(Flaw::TextBehindQuote) => {
                return Some(Fault::new(
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
            Some(Fault::new(
                says(),
                format!("add {lacking} at the place where they are lacking, left blank if unknown"),
            ))
        } else if found > expected {
            Some(Fault::new(
                says(),
                format!(
                    "put a cell that contains a {mark} between quotes, or take surplus cells away"
                ),
            ))
        } else {
            None
        }
    }

    /// A day; none where the cell is blank.
    fn day(&self, text: &str) -> Result<Option<NaiveDate>, Fault> {
        if text.is_empty() {
            return Ok(None);
        }
        let mend = "write it as YYYY-MM-DD, such as 2025-12-31";
        let day = match dates::read_date(text) {
            Ok(WrittenDate::Plain(day)) => day,
            Ok(WrittenDate::Numbers(numbers)) => match self.facts.date_order() {
                Decided::Known { value, why } => numbers.day(*value).ok_or_else(|| {
                    Fault::new(
                        format!("a date written {value}, as {why}"),
                        "write it so, or as YYYY-MM-DD",
                    )
                })?,
                Decided::Open { why, contradicted } => numbers
                    .certain()
                    .ok_or_else(|| undecided_dates(text, &numbers, why, *contradicted))?,
            },
            Err(DateError::Unreadable) => return Err(Fault::new("a date", mend)),
            Err(DateError::NoSuchDay) => {
                return Err(Fault::new("a day that the calendar has", mend));
            }
            Err(DateError::Serial(day)) => {
                return Err(Fault::new(
                    format!("a date; as the day number of a spreadsheet this would be {day}"),
                    "format the column as a date in the spreadsheet and save it again",
                ));
            }
        };
        checks::day(day, self.today)?;
        Ok(Some(day))
    }

    fn price(&self, text: &str, currency: &Currency) -> Result<Decimal, Fault> {
        if text.is_empty() {
            return Err(Fault::new(
                "the price of the sale",
                "write what the item was sold for, or leave the row out",
            ));
        }
        let price = self.amount(Column::Price, text, currency)?;
        if price > Decimal::ZERO {
            return Ok(price);
        }
        let mend = if price.is_zero() {
            "leave out what was given away: it says nothing about the price"
        } else {
            "leave refunds and returns out, and the sale they belong to"
        };
        Err(Fault::new("a price above 0", mend))
    }

    fn shipping(&self, text: &str, currency: &Currency) -> Result<Decimal, Fault> {
        if text.is_empty()
            || text == "-"
            || ["free", "none", "n/a"]
                .iter()
                .any(|word| text.eq_ignore_ascii_case(word))
        {
            return Ok(Decimal::ZERO);
        }
        let shipping = self.amount(Column::Shipping, text, currency)?;
        if shipping < Decimal::ZERO {
            return Err(Fault::new(
                "0 or more",
                "write what the buyer paid for shipping, 0 if nothing",
            ));
        }
        Ok(shipping)
    }

    fn amount(&self, column: Column, text: &str, currency: &Currency) -> Result<Decimal, Fault> {
        let amount = read_amount(text, currency).map_err(|error| {
            let mend = match &error {
                AmountError::OtherCurrency(_) => format!(
                    "write the code of the row's currency into a column {} (or say --fill currency=CODE): {} converts it",
                    Column::Currency.name(),
                    rates::FILE_NAME
                ),
                _ => "write digits, with a point or comma before the decimals".to_string(),
            };
            Fault::new(error.expected(currency), mend)
        })?;
        self.reading(column.into(), &amount)
    }

    /// A number under the decimal mark of its column.
    fn reading(&self, field: Field, amount: &Amount) -> Result<Decimal, Fault> {
        let forced = self.input.decimal;
        if let Some(mark) = forced {
            return amount.value(mark).ok_or_else(|| {
                Fault::new(
                    format!("an amount with a {mark}"),
                    "write it so, or change --decimal".to_string(),
                )
            });
        }
        if let Some(value) = amount.certain() {
            return Ok(value);
        }
        match self.facts.decimal_mark(field) {
            Decided::Known { value: mark, .. } => amount
                .value(*mark)
                .ok_or_else(|| Fault::new(format!("an amount with a {mark}"), "write it so")),
            Decided::Open { why, .. } => {
                let reading = |mark| amount.value(mark).unwrap_or_default();
                let expected = format!(
                    "one reading, but this is {} with a decimal point and {} with a decimal comma, and {why}",
                    reading(DecimalMark::Point),
                    reading(DecimalMark::Comma)
                );
                let mend = "say --decimal point or --decimal comma";
                Err(Fault::new(expected, mend).about(Topic::Decimal(field)))
            }
        }
    }

    /// The value of an attribute: a number, with its unit or none behind it.
    fn quantity(
        &self,
        at: usize,
        text: &str,
        declared: Option<&Attribute>,
    ) -> Result<Decimal, Fault> {
        let (amount, unit) = read_quantity(text).map_err(|error| {
            Fault::new(
                match error {
                    AmountError::Unreadable => {
                        "a number, with a unit or none behind it".to_string()
                    }
                    other => other.expected(&self.settings.currency),
                },
                "write digits, such as 256 or 87.5, or leave the cell blank if it is not known",
            )
        })?;
        if !unit.is_empty() {
            self.unit_fits(at, unit, declared)?;
        }
        let value = self.reading(Field::Attribute(at), &amount)?;
        match declared.and_then(|attribute| attribute.fault(value)) {
            Some(expected) => Err(Fault::new(
                expected,
                "mend it, or leave the cell blank if it is not known",
            )),
            None => Ok(value),
        }
    }

    /// Refuses a unit other than that of the settings, or else the first of the column.
    fn unit_fits(&self, at: usize, unit: &str, declared: Option<&Attribute>) -> Result<(), Fault> {
        let settings = declared.map(|attribute| attribute.unit.as_str());
        let (ours, why) = match settings.filter(|unit| !unit.is_empty()) {
            Some(ours) => (ours, "as compband.toml says".to_string()),
            None => match self.facts.unit(at) {
                Some((first, line)) => (first.as_str(), format!("as row {line} is")),
                None => return Ok(()),
            },
        };
        if same_unit(unit, ours) {
            return Ok(());
        }
        Err(Fault::new(
            format!("a number in {ours}, {why}"),
            format!("convert it to {ours}: one attribute has one unit"),
        ))
    }

    /// The currency of the row, where it is another than the book's.
    fn other_currency(&self, text: &str) -> Result<Option<Currency>, Fault> {
        if self.settings.currency.answers_to(text) == Some(true) {
            return Ok(None);
        }
        let other = Currency::of_code(text).ok_or_else(rates::no_code)?;
        Ok(Some(other))
    }

    /// A rate that stands in the row.
    fn rate(&self, text: &str) -> Result<Decimal, Fault> {
        let amount = read_rate(text).ok();
        let value = amount.map(|amount| self.reading(Column::Rate.into(), &amount));
        let value = value
            .transpose()?
            .filter(|value| foreign::in_bounds(*value));
        value.ok_or_else(|| {
            Fault::new(
                foreign::expected_rate(),
                "write what one unit of the other currency was worth, such as 0.9132",
            )
        })
    }

    /// The day of a rate that stands in the row.
    fn rate_date(&self, text: &str) -> Result<Option<NaiveDate>, Fault> {
        if text.is_empty() {
            return Err(Fault::new("the day of the rate", "write it as YYYY-MM-DD"));
        }
        self.day(text)
    }

    /// The rate of a sale in another currency whose row has none: that which the book has it with,
    /// or else that of its day.
    fn rate_at_hand(&self, comp: &mut Comp, code: &str) -> Result<Rate, Fault> {
        // As it will be written, so that its identifier is the one it will have.
        let ours = std::mem::replace(&mut comp.currency, code.to_string());
        let id = if comp.comp_id.is_empty() {
            comp.derive_id(0)
        } else {
            comp.comp_id.clone()
        };
        comp.currency = ours;
        let rate = self.conversion.rate(&id, code, comp.sold_on);
        rate.map_err(|wrong| {
            let own = Column::RATE.map(Column::name).join(", ");
            let mend = format!("{}, or fill {own} of the row", wrong.mend);
            Fault::new(wrong.expected, mend)
        })
    }
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
        .map(|(model, family)| (match_key(model), by_name(family)))
        .collect()
}

/// One row on its way into a comp.
struct Row<'r, 'a> {
    reader: &'r RowReader<'a>,
    cells: &'r Cells,
    faults: &'r mut Vec<CellFault>,
}

impl<'r> Row<'r, '_> {
    /// The trimmed text of a cell, or what `--fill` puts where it is blank.
    fn cell(&self, column: Column) -> &'r str {
        let text = self.own_cell(column);
        if text.is_empty() {
            self.reader.fills[column as usize]
        } else {
            text
        }
    }

    /// The trimmed text of a cell as it stands in the row.
    fn own_cell(&self, column: Column) -> &'r str {
        let cell = self.reader.input.mapping.cell_of[column as usize];
        cell.map_or("", |at| original(self.cells.get(at).trim()))
    }

    /// Refuses a rate where the amounts are in the book's currency, but for a rate of 1.
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
        let fault = Fault::new(
            format!("nothing, since the amounts of the row are in {ours}"),
            format!(
                "take it out, write the currency of the row into a column currency, or say --map \"{theirs}=-\""
            ),
        );
        self.fault_at(Column::Rate.into(), text, fault.about(Topic::Rate));
    }

    /// Brings amounts in another currency to the book's.
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
            self.fault(Column::Price, wrong.into());
        }
    }

    /// The rate of the row, or else the one at hand.
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

    /// The rate that the row brings: all three of its cells.
    fn own_rate(&mut self) -> Option<Rate> {
        let reader = self.reader;
        let (mut value, mut date, mut source) = (Decimal::ZERO, None, String::new());
        let known = self.faults.len();
        self.take(Column::Rate, &mut value, |text| reader.rate(text));
        self.take(Column::RateDate, &mut date, |text| reader.rate_date(text));
        self.take(Column::RateSource, &mut source, |text| {
            checks::text(Column::RateSource.name(), text)?;
            Ok(foreign::source(text)?)
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

    fn fault(&mut self, column: Column, fault: Fault) {
        self.fault_at(column.into(), self.cell(column), fault);
    }

    fn fault_at(&mut self, field: Field, text: &str, fault: Fault) {
        self.faults.push(CellFault {
            column: Some(field),
            value: text.chars().take(200).collect(),
            fault,
        });
    }

    /// Takes the cell of an attribute over, where anything is in it.
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
        read: impl FnOnce(&str) -> Result<T, Fault>,
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
            self.fault(column, wrong.into());
        } else if text.contains('\r') {
            into.push_str(&text::line_ends(&composed(text)));
        } else {
            into.push_str(&composed(text));
        }
    }

    /// Copies the spelling of a scale, or nothing where nothing is written.
    fn scaled<'s>(
        &mut self,
        column: Column,
        into: &mut String,
        text: &str,
        spelling: impl FnOnce() -> Result<&'s str, Fault>,
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

    /// Grade, completeness and whether it works. A grade cell that says "for parts" means the last.
    fn condition(&mut self, comp: &mut Comp) {
        let (grade, works) = (self.cell(Column::Grade), self.cell(Column::Works));
        let scaled = self.reader.settings.grade_index(grade).is_some();
        let parts_grade = !scaled && word(grade, WORKS_NO) && !word(grade, PLAIN_NO);
        let settings = self.reader.settings;
        let grade_to_read = if parts_grade { "" } else { grade };
        let grades = settings.grades.iter().map(|grade| grade.name.as_str());
        let levels = settings
            .completeness
            .iter()
            .map(|level| level.name.as_str());
        let level = self.cell(Column::Completeness);
        self.scaled(Column::Grade, &mut comp.grade, grade_to_read, || {
            on_scale(grade, "grade", "grades", grades)
        });
        self.scaled(Column::Completeness, &mut comp.completeness, level, || {
            on_scale(level, "completeness", "completeness", levels)
        });
        comp.works = !parts_grade;
        if works.is_empty() {
            return;
        }
        self.take(Column::Works, &mut comp.works, |text| {
            let works = works_of(text)?;
            if works && parts_grade {
                return Err(Fault::new(
                    format!("no, since the grade is {grade:?}"),
                    "change one of the two: a unit for parts does not work",
                ));
            }
            Ok(works)
        });
    }
}

/// A date of two readings. Told once for a column that has no other, but cell by cell where the
/// column has dates of both orders: there, no one answer mends them all.
fn undecided_dates(
    text: &str,
    numbers: &dates::NumericDate,
    why: &str,
    contradicted: bool,
) -> Fault {
    let reading = |order| {
        numbers
            .day(order)
            .map_or("no day".to_string(), |day| day.to_string())
    };
    let expected = format!(
        "dates whose order is known, but {text:?} is {} day first and {} month first, and {why}",
        reading(dates::DateOrder::DayFirst),
        reading(dates::DateOrder::MonthFirst)
    );
    if contradicted {
        let mend = "write it as YYYY-MM-DD, or say --dates dmy (day first) or --dates mdy (month first) for all";
        return Fault::new(expected, mend);
    }
    Fault::new(
        expected,
        "say --dates dmy (day first) or --dates mdy (month first)",
    )
    .about(Topic::Dates)
}

/// The spelling of the scale for a name on it; `key` is the scale in the settings.
fn on_scale<'s>(
    text: &str,
    what: &str,
    key: &str,
    names: impl Iterator<Item = &'s str> + Clone,
) -> Result<&'s str, Fault> {
    names.clone().find(|name| same(name, text)).ok_or_else(|| {
        let near = nearest(text, names.clone()).map_or(String::new(), |near| format!(" (did you mean {near:?}?)"));
        let names: Vec<&str> = names.collect();
        Fault::new(
            format!("a {what} of the scale: {}{near}", names.join(", ")),
            format!("use one of these, leave the cell blank, or change the scale ({key} in compband.toml)"),
        )
    })
}

/// Models that rows of sums have.
const SUMS: &[&str] = &["total", "totals", "grand total", "subtotal", "sum"];

/// Words that mean no in a yes-or-no column but say nothing as a grade.
const PLAIN_NO: &[&str] = &["no", "n", "false", "0"];
const WORKS_YES: &[&str] = &[
    "yes",
    "y",
    "true",
    "1",
    "working",
    "works",
    "ok",
    "functional",
    "fully working",
    "tested working",
];
const WORKS_NO: &[&str] = &[
    "no",
    "n",
    "false",
    "0",
    "broken",
    "parts",
    "parts only",
    "for parts",
    "for parts only",
    "spares",
    "for spares",
    "spares or repair",
    "for parts or repair",
    "parts or repair",
    "for repair",
    "not working",
    "non working",
    "defective",
    "faulty",
    "dead",
];

/// Whether `text` is one of `words`; case, hyphens, slashes and spacing ignored.
fn word(text: &str, words: &[&str]) -> bool {
    if text.len() > 40 || text.is_empty() {
        return false;
    }
    if words.iter().any(|known| known.eq_ignore_ascii_case(text)) {
        return true;
    }
    let folded = crate::trade::items::fold_name(&text.replace(['-', '_', '/'], " "));
    words.contains(&folded.as_str())
}

fn works_of(text: &str) -> Result<bool, Fault> {
    if word(text, WORKS_YES) {
        Ok(true)
    } else if word(text, WORKS_NO) {
        Ok(false)
    } else {
        Err(Fault::new(
            "yes or no (no: sold for parts)",
            "write yes or no; blank means yes",
        ))
    }
}

fn how_sold(text: &str) -> Result<Option<HowSold>, Fault> {
    const AUCTION: &[&str] = &[
        "auction",
        "bid",
        "bids",
        "bidding",
        "auctioned",
        "highest bid",
    ];
    const FIXED: &[&str] = &[
        "fixed",
        "fixed price",
        "buy now",
        "asking",
        "asking price",
        "full price",
        "list price",
        "set price",
    ];
    const OFFER: &[&str] = &[
        "offer",
        "best offer",
        "accepted",
        "offer accepted",
        "accepted offer",
        "haggled",
        "negotiated",
        "counter offer",
    ];
    if text.is_empty() {
        return Ok(None);
    }
    if let Some(how) = HowSold::parse(text) {
        return Ok(Some(how));
    }
    let known = [
        (AUCTION, HowSold::Auction),
        (FIXED, HowSold::Fixed),
        (OFFER, HowSold::Offer),
    ];
    known
        .into_iter()
        .find(|(words, _)| word(text, words))
        .map(|(_, how)| Some(how))
        .ok_or_else(|| {
            Fault::new(
                "auction, fixed or offer",
                "write one of these (bids, buy now and best offer are known too), or nothing",
            )
        })
}

fn lot_size(text: &str) -> Result<u32, Fault> {
    if text.is_empty() {
        return Ok(1);
    }
    // Spreadsheets write whole numbers as 2.0 at times.
    let whole = text
        .split_once(['.', ','])
        .filter(|(_, zeros)| zeros.bytes().all(|b| b == b'0'))
        .map_or(text, |(w, _)| w);
    let digits = whole.bytes().all(|b| b.is_ascii_digit());
    let units = whole.parse().ok().filter(|_| digits).unwrap_or(0);
    checks::units(units)?;
    Ok(units)
}

fn items_of(column: Column, text: &str) -> Result<Items, Fault> {
    if text.is_empty() {
        return Ok(Items::default());
    }
    checks::text(column.name(), text)?;
    Items::parse(text).map_err(|entry| {
        Fault::new(
            format!(
                "names apart by ;, each with a count from 1 to 999 or none, but {entry:?} is not so"
            ),
            "write it as charger; battery x2",
        )
    })
}
