//! Reads the listings of a table into units, costs and terms.

use crate::trade::Unit;
use std::path::Path;

use rust_decimal::Decimal;

use super::AppError;
use super::compare::Listing;
use super::selling::outlet;
use super::unit::kit_fault;
use crate::book::BookError;
use crate::deal::bid::{Buying, Costs};
use crate::deal::outlet::{Terms, TermsError};
use crate::parse::attribute::attribute_value;
use crate::parse::money::{other_currency_in, parse_amount};
use crate::parse::quantity::checked;
use crate::parse::repairs::{chance, minutes, repairs};
use crate::parse::words::is_free;
use crate::settings::selling::{self, Outlet};
use crate::settings::{Settings, Values};
use crate::sheets::listings::{self as sheet, Table};
use crate::trade::attributes::column_name;
use crate::trade::names::composed;
use crate::trade::text::line_ends;
use crate::trade::{Attributes, HowSold, Items, Problem};

pub use crate::sheets::listings::{Wish, parse_wish};

/// Reads one row and collects its problems.
struct Row<'r, 'a> {
    row: sheet::Row<'r>,
    settings: &'a Settings,
    values: &'r Values<'a>,
    problems: &'r mut Vec<Problem>,
}

/// Reads a table of listings, its columns by `wishes` and by their usual names; `usual` is the outlet for rows without one.
///
/// # Errors
/// Every problem of every row; if the file cannot be read; if there are several outlets and none is named.
pub fn listings<'a>(
    (path, wishes): (&Path, &[Wish]),
    usual: Option<&str>,
    settings: &'a Settings,
    notice: &mut dyn FnMut(&str),
) -> Result<Vec<Listing<'a>>, AppError> {
    let (mut problems, mut all) = (Vec::new(), Vec::new());
    let values = Values::of(settings);
    let table = Table::open(path, wishes)?;
    for text in &table.notices {
        notice(text);
    }
    table.rows(&mut problems, |row, problems| {
        let mut row = Row {
            row,
            settings,
            values: &values,
            problems,
        };
        let outlet = match row.row.text("outlet") {
            "" => outlet(usual, settings)?,
            name => row.outlet(name),
        };
        all.extend(row.listing(outlet));
        Ok::<_, AppError>(())
    })?;
    BookError::refuse(problems)?;
    Ok(all)
}

impl<'r, 'a> Row<'r, 'a> {
    fn text(&self, column: &str) -> &'r str {
        self.row.text(column)
    }

    fn wrong(&mut self, column: &str, expected: &str, fix: &str) {
        let problem = self.row.problem(column, self.text(column), expected, fix);
        self.problems.push(problem);
    }

    /// The value of a cell, or `blank` if the cell is blank or wrong.
    fn read<T>(&mut self, column: &str, blank: T, reader: impl Fn(&str) -> Result<T, String>) -> T {
        let text = self.text(column);
        if text.is_empty() {
            return blank;
        }
        reader(text).unwrap_or_else(|expected| {
            let ours = &self.settings.currency;
            let fix = match other_currency_in(text, ours) {
                Some(_) => format!("write what it comes to in {}", ours.code),
                None => String::new(),
            };
            self.wrong(column, &expected, &fix);
            blank
        })
    }

    fn money(&mut self, column: &str) -> Option<Decimal> {
        let currency = &self.settings.currency;
        let may_be_free = matches!(column, "shipping" | "inbound");
        self.read(column, None, |text| {
            if may_be_free && is_free(text) {
                return Ok(Some(Decimal::ZERO));
            }
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

    fn outlet(&mut self, name: &str) -> Option<(&'a str, &'a Outlet)> {
        let outlets = &self.settings.outlets;
        let found = selling::outlet(outlets, name);
        if found.is_none() {
            let known: Vec<&str> = outlets.keys().map(String::as_str).collect();
            let expected = format!("an outlet of compband.toml ({})", known.join(", "));
            self.wrong("outlet", &expected, "leave it blank for the usual one");
        }
        found
    }

    /// A grade or a level of completeness.
    fn on_scale(&mut self, column: &str) -> Option<String> {
        let values = self.values;
        let scale: Vec<&str> = match column {
            "grade" => self.settings.grade_names().collect(),
            _ => self.settings.completeness_names().collect(),
        };
        let level = self.read(column, "", |text| {
            let found = values.on_scale(column, text);
            found.ok_or_else(|| format!("a {column} of the scale: {}", scale.join(", ")))
        });
        (!level.is_empty()).then(|| level.to_string())
    }

    fn items(&mut self, column: &str) -> Items {
        let values = self.values;
        self.read(column, Items::NONE, |text| {
            let list = values.list(text, |_| false);
            list.map(|list| list.items)
                .map_err(|_| "names separated by ;, each with a count from 1 to 999 or none".into())
        })
    }

    fn facts(&mut self) -> Unit {
        let values = self.values;
        let given = |text: &str| (!text.is_empty()).then(|| text.to_string());
        let subject = Unit {
            model: composed(values.meaning("model", self.text("model"))).into_owned(),
            variant: given(values.meaning("variant", self.text("variant"))),
            completeness: self.on_scale("completeness"),
            grade: self.on_scale("grade"),
            missing: self.items("missing"),
            extras: self.items("extras"),
            defects: self.items("defects"),
            attributes: self.attributes(),
            works: self.read("works", true, |text| {
                values.works(text).ok_or_else(|| "yes or no".into())
            }),
            how_sold: self.read("how_sold", None, |text| {
                let expected = || format!("one of {}", HowSold::words());
                values.how_sold(text).ok_or_else(expected)
            }),
            venue: None,
        };
        if subject.model.is_empty() {
            self.wrong("model", "a model", "write which one it is");
        }
        if let Some(fault) = kit_fault(&subject.model, &subject.missing, self.settings) {
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
        let model = self.text("model");
        for (name, text) in self.row.attributes() {
            match attribute_value(text, self.settings.attribute(model, name)) {
                Ok(value) => {
                    attributes.set(name, value);
                }
                Err(expected) => {
                    let column = column_name(name);
                    self.problems
                        .push(self.row.problem(&column, text, &expected, ""));
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
            weeks: self.number("weeks", "weeks", selling::weeks).or(deal.weeks),
            donor: None,
        }
    }

    /// The listing, or `None` after a problem.
    fn listing(mut self, outlet: Option<(&'a str, &'a Outlet)>) -> Option<Listing<'a>> {
        let before = self.problems.len();
        let subject = self.facts().sold_at(outlet.map(|(name, _)| name));
        let costs = self.costs();
        if self.text("asked").is_empty() {
            self.wrong("asked", "the price asked", "");
        }
        let asked = self.money("asked").unwrap_or_default();
        let weight = self.number("weight", "g", selling::weight);
        let paid = self.money("shipping");
        let terms = outlet.map(|(_, outlet)| {
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
                self.wrong(column, &format!("something the outlet can do: {error}"), "");
                None
            }
        };
        let kept = |text: &str| (!text.is_empty()).then(|| line_ends(&composed(text)));
        let (note, link) = (kept(self.text("note")), kept(self.text("link")));
        let name = match self.text("listing") {
            "" => format!("row {}", self.row.line),
            name => name.to_string(),
        };
        (self.problems.len() == before).then_some(Listing {
            name,
            subject,
            asked,
            costs,
            terms,
            note,
            link,
        })
    }
}
