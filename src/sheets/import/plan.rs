//! What an import is planned against, and what it would change.

use std::collections::{BTreeMap, BTreeSet};

use chrono::NaiveDate;
use rust_decimal::Decimal;

use crate::book::rates::Conversion;
use crate::settings::Settings;
use crate::trade::Comp;

/// Updates that are kept to be shown old → new.
pub const SHOWN_UPDATES: usize = 20;

/// What an import is planned against.
pub struct Against<'a> {
    /// Settings of the book.
    pub settings: &'a Settings,
    /// Content hash of the comp in force with an identifier.
    pub existing: &'a (dyn Fn(&str) -> Option<u64> + Sync),
    /// Sales of more than a day after this are refused.
    pub today: NaiveDate,
    /// Where the rates of sales in other currencies come from.
    pub conversion: Conversion<'a>,
}

/// What was found in one file.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct FileCount {
    /// Rows with a sale, taken or not.
    pub rows: u64,
    /// Rows not taken.
    pub rejected: u64,
    /// Blank lines passed over.
    pub blank: u64,
    /// Headers passed over after the first.
    pub repeated_headers: u64,
    /// Rows like an earlier one of the file in all that was sold, counted as sales of their own.
    pub identical: u64,
    /// Rows with the identifier and content of an earlier one, passed over.
    pub repeated: u64,
    /// Sales taken whose day is not recorded.
    pub undated: u64,
    /// Row of the first of them.
    pub first_undated: Option<u64>,
    /// Sales taken that were paid in another currency.
    pub foreign: u64,
    /// Order of day and month and where it was learnt, if some date asked for it.
    pub date_order: Option<String>,
    /// Decimal mark and where it was learnt, if some amount asked for it.
    pub decimal_mark: Option<String>,
    /// Attributes that no family declares for some models, by their canonical names.
    pub undeclared: BTreeMap<String, Undeclared>,
}

/// The clean rows in which an attribute is recorded that no family of their models declares: it
/// is kept but does not inform estimates.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Undeclared {
    /// How many rows.
    pub rows: u64,
    /// The first of them.
    pub first: u64,
    /// Their models, as spelled in them.
    pub models: BTreeSet<String>,
    /// The lowest and the highest value.
    pub range: (Decimal, Decimal),
}

impl Undeclared {
    pub(super) fn of(row: u64, model: &str, value: Decimal) -> Self {
        Self {
            rows: 1,
            first: row,
            models: BTreeSet::from([model.to_string()]),
            range: (value, value),
        }
    }

    /// Counts those of another part of the rows too.
    pub fn add(&mut self, other: Self) {
        self.rows += other.rows;
        self.first = self.first.min(other.first);
        self.models.extend(other.models);
        let (low, high) = other.range;
        self.range = (self.range.0.min(low), self.range.1.max(high));
    }
}

/// Puts what was found of attributes in one part of the rows to what was found in others.
pub fn add_undeclared(
    all: &mut BTreeMap<String, Undeclared>,
    part: impl IntoIterator<Item = (String, Undeclared)>,
) {
    for (attribute, found) in part {
        match all.get_mut(&attribute) {
            Some(known) => known.add(found),
            None => drop(all.insert(attribute, found)),
        }
    }
}

/// What an import would change.
#[derive(Debug, Clone, Default)]
pub struct Plan {
    /// One for each input, in order.
    pub files: Vec<FileCount>,
    /// Comps the book does not have.
    pub new: u64,
    /// Comps the book has with other content.
    pub updated: u64,
    /// Comps the book has as they are.
    pub unchanged: u64,
    /// Problems told to the witness.
    pub problems: u64,
    /// The first updates, as they will be.
    pub updates: Vec<Comp>,
    /// Every model of the clean rows, as spelled in them.
    pub models: BTreeSet<String>,
}

/// What is counted of a sale that is taken.
#[derive(Clone, Copy)]
pub(super) struct Kind {
    undated: bool,
    foreign: bool,
}

impl Kind {
    pub(super) fn of(comp: &Comp) -> Self {
        Self {
            undated: comp.sold_on.is_none(),
            foreign: comp.foreign.is_some(),
        }
    }
}

impl FileCount {
    /// Counts a sale that is taken from this row.
    pub(super) fn count(&mut self, kind: Kind, row: u64) {
        if kind.undated {
            self.undated += 1;
            self.first_undated.get_or_insert(row);
        }
        self.foreign += u64::from(kind.foreign);
    }
}

impl Plan {
    /// Rows that were written.
    pub fn written(&self) -> u64 {
        self.new + self.updated
    }
}
