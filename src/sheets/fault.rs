//! What is wrong with a sheet, and what the user said about how to read it.

use super::column::Field;
use crate::parse::dates::DateOrder;
use crate::parse::money::DecimalMark;
use crate::sheets::column::Column;
use crate::sheets::column::Wish;
use crate::trade::Problem;
use crate::trade::cells::Wrong;
use crate::trade::text::shorten;
use std::fmt;

/// What is wrong with a cell, row or file, without its place.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fault {
    /// What would have been accepted.
    pub expected: String,
    /// How to mend it.
    pub mend: String,
    /// A question about the whole column that this row is only one case of: told once.
    pub topic: Option<Topic>,
}

/// A question that one answer settles for every row of a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Topic {
    /// The order of day and month.
    Dates,
    /// The decimal mark of a column.
    Decimal(Field),
    /// Rates beside amounts in the book's currency.
    Rate,
}

impl Fault {
    /// A fault of a cell or row.
    pub fn new(expected: impl Into<String>, mend: impl Into<String>) -> Self {
        Self {
            expected: expected.into(),
            mend: mend.into(),
            topic: None,
        }
    }

    pub(crate) fn of_file(expected: &str, mend: &str) -> Self {
        Self::new(expected, mend)
    }

    pub(crate) fn about(mut self, topic: Topic) -> Self {
        self.topic = Some(topic);
        self
    }

    /// The problem this is at a place.
    pub fn at(self, file: &str, row: u64, column: &str, value: &str) -> Problem {
        Problem {
            file: file.to_string(),
            row,
            column: shorten(column, 60),
            value: shorten(value, 60),
            expected: self.expected,
            mend: self.mend,
        }
    }
}

impl From<Wrong> for Fault {
    fn from(wrong: Wrong) -> Self {
        Self::new(wrong.expected, wrong.mend)
    }
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "expected {}; {}", self.expected, self.mend)
    }
}

/// What the user said about how to read their files.
#[derive(Debug, Clone, Default)]
pub struct ReadOptions {
    /// The character between cells; found out where absent.
    pub delimiter: Option<u8>,
    /// Order of day and month; found out where absent.
    pub dates: Option<DateOrder>,
    /// Decimal mark; found out where absent.
    pub decimal: Option<DecimalMark>,
    /// Which of their columns is which of ours.
    pub wishes: Vec<Wish>,
    /// Names of theirs that every file must have, else it is a problem.
    pub must_have: Vec<String>,
    /// What stands in a column that a file lacks, or in its blank cells.
    pub fills: Vec<(Column, String)>,
    /// Whether a file needs no column for the day of the sale.
    pub undated: bool,
}
