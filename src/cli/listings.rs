//! Reads a table of listings: one row for each unit that is offered.

use crate::trade::Unit;
use std::fs;
use std::path::Path;

use rust_decimal::Decimal;

use super::CliError;
use super::net::SaleArgs;
use crate::app::compare::Listing;
use crate::app::unit::kit_fault;
use crate::book::BookError;
use crate::book::csv::canonical;
use crate::book::csv::formula::original;
use crate::deal::bid::{Buying, Costs};
use crate::deal::outlet::{Terms, TermsError};
use crate::parse::attribute::attribute_value;
use crate::parse::money::parse_amount;
use crate::parse::quantity::checked;
use crate::parse::repairs::{chance, minutes, repairs};
use crate::settings::Settings;
use crate::settings::selling::{self, Outlet};
use crate::sheets::records::{Cells, Records};
use crate::sheets::text;
use crate::trade::attributes::of_column;
use crate::trade::names::composed;
use crate::trade::text::{nearest, shorten};
use crate::trade::{Attributes, HowSold, Items, Problem};

/// Columns of a table of listings, besides those of numeric attributes (`attr.storage`).
const COLUMNS: [&str; 23] = [
    "listing",
    "model",
    "asked",
    "variant",
    "completeness",
    "grade",
    "missing",
    "extras",
    "defects",
    "works",
    "how_sold",
    "repairs",
    "salvage",
    "minutes",
    "inbound",
    "premium",
    "premium_fixed",
    "tax",
    "weeks",
    "outlet",
    "weight",
    "shipping",
    "note",
];

/// Columns that every table has.
const NEEDED: [&str; 2] = ["model", "asked"];

/// Longest value shown in a problem, in characters.
const SHOWN: usize = 60;

/// What a column holds.
enum Column {
    Known(&'static str),
    Attribute(String),
}

/// A table with its header understood.
struct Table {
    file: String,
    text: String,
    delimiter: u8,
    columns: Vec<Column>,
    /// The line the header stands on.
    header: u64,
}

/// Reads one row; what is wrong gathers in `problems`.
struct Row<'r, 'a> {
    table: &'r Table,
    cells: &'r Cells,
    line: u64,
    settings: &'a Settings,
    problems: &'r mut Vec<Problem>,
}

/// Reads a table of listings.
///
/// # Errors
/// Every problem of every row; a file that cannot be read; several outlets and none said.
pub fn listings<'a>(
    path: &Path,
    usual: &SaleArgs,
    settings: &'a Settings,
) -> Result<Vec<Listing<'a>>, CliError> {
    let table = Table::open(path)?;
    let mut problems = Vec::new();
    let mut all = Vec::new();
    let mut cells = Cells::new(table.delimiter);
    for raw in Records::new(&table.text, table.delimiter).filter(|raw| raw.line > table.header) {
        cells.read(raw.text);
        if cells.all_blank() {
            continue;
        }
        if raw.flaw.is_some() {
            problems.push(table.problem(
                raw.line,
                "",
                raw.text,
                "quotes that open and close around a cell",
                "mend the quotes",
            ));
            continue;
        }
        let mut row = Row {
            table: &table,
            cells: &cells,
            line: raw.line,
            settings,
            problems: &mut problems,
        };
        let outlet = match row.text("outlet") {
            "" => usual.outlet(settings)?.map(|(_, outlet)| outlet),
            name => row.outlet(name),
        };
        all.extend(row.listing(outlet));
    }
    if problems.is_empty() && all.is_empty() {
        problems.push(table.problem(0, "", "", "at least one listing below the header", ""));
    }
    if problems.is_empty() {
        Ok(all)
    } else {
        Err(BookError::Rows(problems).into())
    }
}

impl Table {
    fn open(path: &Path) -> Result<Self, CliError> {
        let bytes = fs::read(path).map_err(BookError::io(path, "read"))?;
        let file = path.display().to_string();
        let decoded = text::decode(bytes)
            .map_err(|(row, fault)| BookError::Rows(vec![fault.at(&file, row, "", "")]))?;
        let text = decoded.text;
        let filled = |line: &&str| !line.trim().is_empty();
        let first = text.lines().find(filled).unwrap_or_default();
        let often = |mark: &u8| first.bytes().filter(|byte| byte == mark).count();
        // The last of equal ones is taken: a comma where there is none at all.
        let delimiter = [b'\t', b';', b','].into_iter().max_by_key(often);
        let mut table = Self {
            file,
            delimiter: delimiter.unwrap_or(b','),
            columns: Vec::new(),
            header: 0,
            text,
        };
        table.read_header()?;
        Ok(table)
    }

    fn read_header(&mut self) -> Result<(), CliError> {
        let mut cells = Cells::new(self.delimiter);
        for raw in Records::new(&self.text, self.delimiter) {
            cells.read(raw.text);
            self.header = raw.line;
            if !cells.all_blank() {
                break;
            }
        }
        let mut problems = Vec::new();
        for name in cells.iter().map(str::trim) {
            let key = name.to_lowercase().replace([' ', '-'], "_");
            let known = COLUMNS.iter().find(|column| **column == key);
            match (known, of_column(name)) {
                (Some(known), _) if self.at(known).is_none() => {
                    self.columns.push(Column::Known(known));
                }
                (Some(known), _) => {
                    problems.push(self.problem(
                        self.header,
                        name,
                        "",
                        &format!("one column {known}"),
                        "take the other out",
                    ));
                }
                (None, Some(attribute)) => self.columns.push(Column::Attribute(attribute)),
                (None, None) => {
                    let near = nearest(&key, COLUMNS)
                        .map_or(String::new(), |near| format!("did you mean {near:?}? "));
                    let mend = format!("{near}`compband compare --help` lists them");
                    problems.push(self.problem(
                        self.header,
                        name,
                        "",
                        "a column of listings",
                        &mend,
                    ));
                }
            }
        }
        for needed in NEEDED {
            if self.at(needed).is_none() {
                problems.push(self.problem(self.header, needed, "", "such a column", "add it"));
            }
        }
        if problems.is_empty() {
            Ok(())
        } else {
            Err(BookError::Rows(problems).into())
        }
    }

    fn at(&self, column: &str) -> Option<usize> {
        let is = |c: &Column| matches!(c, Column::Known(name) if *name == column);
        self.columns.iter().position(is)
    }

    fn problem(&self, row: u64, column: &str, value: &str, expected: &str, mend: &str) -> Problem {
        Problem {
            file: self.file.clone(),
            row,
            column: shorten(column, SHOWN),
            value: shorten(value, SHOWN),
            expected: expected.into(),
            mend: mend.into(),
        }
    }
}

impl<'r, 'a> Row<'r, 'a> {
    fn text(&self, column: &str) -> &'r str {
        let at = self.table.at(column);
        at.map_or("", |at| original(self.cells.get(at).trim()))
    }

    fn wrong(&mut self, column: &str, expected: &str, mend: &str) {
        let value = self.text(column).to_string();
        let problem = self
            .table
            .problem(self.line, column, &value, expected, mend);
        self.problems.push(problem);
    }

    /// A cell as read, or `blank` where it is blank or wrong.
    fn read<T>(&mut self, column: &str, blank: T, reader: impl Fn(&str) -> Result<T, String>) -> T {
        let text = self.text(column);
        if text.is_empty() {
            return blank;
        }
        reader(text).unwrap_or_else(|expected| {
            self.wrong(column, &expected, "");
            blank
        })
    }

    fn money(&mut self, column: &str) -> Option<Decimal> {
        let currency = &self.settings.currency;
        self.read(column, None, |text| {
            let amount = parse_amount(text, currency)?;
            if amount.is_sign_negative() {
                return Err("an amount of 0 or more".into());
            }
            Ok(Some(amount))
        })
    }

    fn number(
        &mut self,
        column: &str,
        unit: &str,
        check: impl Fn(Decimal) -> Result<Decimal, String>,
    ) -> Option<Decimal> {
        self.read(column, None, |text| checked(text, unit, &check).map(Some))
    }

    fn outlet(&mut self, name: &str) -> Option<&'a Outlet> {
        let outlets = &self.settings.outlets;
        let found = selling::outlet(outlets, name).map(|(_, outlet)| outlet);
        if found.is_none() {
            let known: Vec<&str> = outlets.keys().map(String::as_str).collect();
            let expected = format!("an outlet of compband.toml ({})", known.join(", "));
            self.wrong("outlet", &expected, "leave it blank for the usual one");
        }
        found
    }

    fn facts(&mut self) -> Unit {
        let settings = self.settings;
        for column in [
            "completeness",
            "grade",
            "missing",
            "extras",
            "defects",
            "works",
            "how_sold",
        ] {
            if let Err(wrong) = canonical::check(column, self.text(column), settings) {
                self.wrong(column, &wrong.expected, &wrong.mend);
            }
        }
        let given = |text: &str| (!text.is_empty()).then(|| text.to_string());
        let items = |text: &str| Items::parse(text).unwrap_or_default();
        let subject = Unit {
            model: composed(self.text("model")).into_owned(),
            variant: given(self.text("variant")),
            completeness: canonical::completeness(self.text("completeness"), settings)
                .ok()
                .filter(|level| !level.is_empty()),
            grade: canonical::grade(self.text("grade"), settings)
                .ok()
                .filter(|grade| !grade.is_empty()),
            missing: items(self.text("missing")),
            extras: items(self.text("extras")),
            defects: items(self.text("defects")),
            attributes: self.attributes(),
            works: !self.text("works").eq_ignore_ascii_case("no"),
            how_sold: HowSold::parse(self.text("how_sold")),
        };
        if subject.model.is_empty() {
            self.wrong("model", "a model", "write which it is");
        }
        if let Some(fault) = kit_fault(&subject.model, &subject.missing, settings) {
            self.wrong(
                "missing",
                &format!("no more than the kit has ({fault})"),
                "",
            );
        }
        subject
    }

    fn attributes(&mut self) -> Attributes {
        let mut attributes = Attributes::NONE;
        let model = self.text("model").to_string();
        let table = self.table;
        for (at, column) in table.columns.iter().enumerate() {
            let Column::Attribute(name) = column else {
                continue;
            };
            let text = self.cells.get(at).trim();
            if text.is_empty() {
                continue;
            }
            match attribute_value(text, self.settings.attribute(&model, name)) {
                Ok(value) => {
                    attributes.set(name, value);
                }
                Err(expected) => {
                    let column = format!("attr.{name}");
                    self.problems
                        .push(table.problem(self.line, &column, text, &expected, ""));
                }
            }
        }
        attributes
    }

    fn costs(&mut self) -> Costs {
        let deal = &self.settings.deal;
        let currency = &self.settings.currency;
        Costs {
            repairs: self.read("repairs", Vec::new(), |text| repairs(text, currency)),
            salvage: self.read("salvage", None, |text| chance(text).map(Some)),
            minutes: self.read("minutes", Decimal::ZERO, minutes),
            wage: deal.wage,
            buying: Buying {
                premium_percent: self
                    .number("premium", "%", selling::percent)
                    .unwrap_or_default(),
                premium: self.money("premium_fixed").unwrap_or_default(),
                tax_percent: self
                    .number("tax", "%", selling::percent)
                    .unwrap_or_default(),
                inbound: self.money("inbound").unwrap_or_default(),
            },
            weeks: self
                .number("weeks", "weeks", selling::weeks)
                .unwrap_or(deal.weeks),
        }
    }

    /// The listing; `None` where something is wrong with it, which is then told.
    fn listing(mut self, outlet: Option<&'a Outlet>) -> Option<Listing<'a>> {
        let before = self.problems.len();
        let subject = self.facts();
        let costs = self.costs();
        if self.text("asked").is_empty() {
            self.wrong("asked", "the price asked", "");
        }
        let asked = self.money("asked").unwrap_or_default();
        let weight = self.number("weight", "g", selling::weight);
        let paid = self.money("shipping");
        let terms = outlet.map(|outlet| {
            let settings = self.settings;
            Terms::new(outlet, &settings.shipping, &settings.currency, weight, paid)
        });
        let terms = match terms.transpose() {
            Ok(terms) => terms,
            Err(error) => {
                let column = match error {
                    TermsError::TooHeavy(_) => "weight",
                    TermsError::NotSent(_) => "shipping",
                };
                self.wrong(column, &format!("what the outlet can do: {error}"), "");
                None
            }
        };
        let name = match self.text("listing") {
            "" => format!("row {}", self.line),
            name => name.to_string(),
        };
        (self.problems.len() == before).then_some(Listing {
            name,
            subject,
            asked,
            costs,
            terms,
        })
    }
}
