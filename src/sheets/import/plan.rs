//! The plan of an import: the book that it is compared with, and its changes.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use chrono::NaiveDate;
use rust_decimal::Decimal;

use crate::book::rates::Conversion;
use crate::settings::Settings;
use crate::sheets::row::Guesses;
use crate::trade::cells::Question;
use crate::trade::text::shorten;
use crate::trade::{Comp, Problem};

/// Number of updates kept for display.
pub const SHOWN_UPDATES: usize = 20;

/// The book that an import is compared with.
pub struct Against<'a> {
    /// Settings of the book.
    pub settings: &'a Settings,
    /// Content hash of the comp in force with an identifier.
    pub existing: &'a (dyn Fn(&str) -> Option<u64> + Sync),
    /// Sales later than a day after this are refused.
    pub today: NaiveDate,
    /// Source of the exchange rates of sales in other currencies.
    pub conversion: Conversion<'a>,
}

/// Counts for one file.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct FileCount {
    /// Rows with a sale, accepted or not.
    pub rows: u64,
    /// Refused rows.
    pub rejected: u64,
    /// Skipped blank lines.
    pub blank: u64,
    /// Skipped rows of one cell only: headings between the rows, notes.
    pub labels: u64,
    /// Row and text of the first of them.
    pub first_label: Option<(u64, String)>,
    /// Skipped sums of other rows.
    pub sums: u64,
    /// Skipped headers after the first.
    pub repeated_headers: u64,
    /// Rows with the same sale as an earlier one of the file, counted as separate sales.
    pub identical: u64,
    /// Skipped rows with the identifier and content of an earlier one.
    pub repeated: u64,
    /// Accepted sales without a recorded day.
    pub undated: u64,
    /// Row of the first of them.
    pub first_undated: Option<u64>,
    /// Accepted sales that were paid in another currency.
    pub foreign: u64,
    /// Order of day and month with its source, if some date needed it.
    pub date_order: Option<String>,
    /// The word of the other order, as `--dates` takes it.
    pub other_order: &'static str,
    /// Accepted sales whose date could be read two ways, unless the user chose the order.
    pub two_ways: Option<Guessed>,
    /// Accepted sales with a list that was split at a slash or at `and`.
    pub split_lists: Option<Guessed>,
    /// Accepted sales whose grade is a word for a unit for parts.
    pub parts_grades: Option<Guessed>,
    /// Decimal mark with its source, if some amount needed it.
    pub decimal_mark: Option<String>,
    /// Attributes that no family declares for some models, by their canonical names.
    pub undeclared: BTreeMap<String, Undeclared>,
}

/// Most rows named besides the first.
const MORE_ROWS: usize = 4;

impl Guessed {
    /// Counts another row.
    pub(super) fn add(&mut self, row: u64) {
        self.rows += 1;
        if self.more.len() < MORE_ROWS {
            self.more.push(row);
        }
    }
}

/// Cells that were read by a guess.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Guessed {
    /// Number of rows.
    pub rows: u64,
    /// The first of them.
    pub first: u64,
    /// The next few.
    pub more: Vec<u64>,
    /// The text of its cell.
    pub text: String,
    /// The value read.
    pub read: String,
}

/// The valid rows with an attribute that no family of their models declares: it is kept but does
/// not inform estimates.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Undeclared {
    /// Number of rows.
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

    /// Adds the counts of another part of the rows.
    pub fn add(&mut self, other: Self) {
        self.rows += other.rows;
        self.first = self.first.min(other.first);
        self.models.extend(other.models);
        let (low, high) = other.range;
        self.range = (self.range.0.min(low), self.range.1.max(high));
    }
}

/// Adds the attributes found in one part of the rows to those of others.
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

/// Most kinds of problems kept.
const MOST_TROUBLES: usize = 10_000;

/// Problems of one kind: the same column, value and expectation.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Trouble {
    /// The first of them.
    pub problem: Problem,
    /// Number of rows.
    pub rows: u64,
    /// The column whose word is not known, by its number, if that is the problem.
    pub word: Option<usize>,
    /// Whether it is in several columns, so that `rows` counts cells.
    pub columns: bool,
}

/// The changes that an import would make.
#[derive(Debug, Clone, Default)]
pub struct Plan {
    /// One for each input, in order.
    pub files: Vec<FileCount>,
    /// Comps that the book does not have.
    pub new: u64,
    /// Comps that the book has with other content.
    pub updated: u64,
    /// Comps that the book has with the same content.
    pub unchanged: u64,
    /// Problems reported to the witness.
    pub problems: u64,
    /// The problems by kind, most frequent first once the plan is made.
    pub troubles: Vec<Trouble>,
    /// Places in `troubles` by kind, while the plan is made.
    kinds: HashMap<TroubleKey, usize>,
    /// Kinds that are not in `troubles` because there are too many.
    pub more_troubles: u64,
    /// The first updated comps.
    pub updates: Vec<Comp>,
    /// Every model of the valid rows, as spelled there, with the number of its rows and the first.
    pub models: BTreeMap<String, (u64, u64)>,
}

/// The common content of problems of one kind.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
struct TroubleKey {
    file: String,
    column: String,
    value: String,
    expected: String,
}

/// Properties of an accepted sale that are counted.
#[derive(Clone, Copy)]
pub(super) struct Kind {
    undated: bool,
    foreign: bool,
    pub(super) guesses: Guesses,
}

impl Kind {
    pub(super) fn of(comp: &Comp, guesses: Guesses) -> Self {
        Self {
            guesses,
            undated: comp.sold_on.is_none(),
            foreign: comp.foreign.is_some(),
        }
    }
}

impl FileCount {
    /// Counts a row of one cell.
    pub(super) fn label(&mut self, row: u64, text: &str) {
        self.labels += 1;
        let bare = |c: char| c.is_whitespace() || matches!(c, ',' | ';' | '|' | '"');
        self.first_label
            .get_or_insert_with(|| (row, shorten(text.trim_matches(bare), 40)));
    }

    /// Counts an accepted sale of this row.
    pub(super) fn count(&mut self, kind: Kind, row: u64) {
        if kind.undated {
            self.undated += 1;
            self.first_undated.get_or_insert(row);
        }
        self.foreign += u64::from(kind.foreign);
    }
}

impl Plan {
    /// Adds the models of some rows.
    pub(super) fn add_models(&mut self, models: impl Iterator<Item = (String, (u64, u64))>) {
        for (model, (rows, first)) in models {
            let known = self.models.entry(model).or_insert((0, first));
            *known = (known.0 + rows, known.1.min(first));
        }
    }

    /// Counts a problem with those of its kind. Problems that one answer settles are one kind.
    pub(super) fn add_trouble(&mut self, problem: &Problem, topic: Option<Question>) {
        let word = match topic {
            Some(Question::Word(column)) => Some(column),
            _ => None,
        };
        let settled = topic.filter(|_| word.is_none());
        let mut key = TroubleKey {
            file: problem.file.clone(),
            column: problem.column.clone(),
            value: problem.value.clone(),
            expected: problem.expected.clone(),
        };
        if settled.is_some() {
            (key.value, key.expected) = (format!("{topic:?}"), String::new());
        }
        if topic == Some(Question::Currency) {
            // One line of the settings changes the currency of all columns.
            key.column.clear();
        }
        if let Some(at) = self.kinds.get(&key) {
            let known = &mut self.troubles[*at];
            known.rows += 1;
            known.columns |= known.problem.column != problem.column;
        } else if self.troubles.len() < MOST_TROUBLES {
            self.kinds.insert(key, self.troubles.len());
            self.troubles.push(Trouble {
                problem: problem.clone(),
                rows: 1,
                word,
                columns: false,
            });
        } else {
            self.more_troubles += 1;
        }
    }

    /// The problems by kind, most frequent first.
    pub(super) fn sort_troubles(&mut self) {
        self.kinds.clear();
        self.troubles
            .sort_by_key(|one| (std::cmp::Reverse(one.rows), one.problem.row));
    }

    /// Number of wrong cells (or rows, where a row as a whole is wrong), and of kinds of what is wrong.
    pub fn wrong(&self) -> (u64, u64) {
        let cells: u64 = self.troubles.iter().map(|trouble| trouble.rows).sum();
        let kinds = self.troubles.len() as u64;
        (cells + self.more_troubles, kinds + self.more_troubles)
    }

    /// Number of written rows.
    pub fn written(&self) -> u64 {
        self.new + self.updated
    }
}
