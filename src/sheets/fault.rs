//! Errors in a sheet, and the user's options for reading it.

use super::column::Field;
use crate::parse::dates::DateOrder;
use crate::parse::money::DecimalMark;
use crate::sheets::column::Column;
use crate::sheets::column::Wish;
use crate::trade::Problem;
use crate::trade::cells::Wrong;
use crate::trade::text::shorten;
use std::fmt;

/// An error in a cell, row or file, without its place.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fault {
    /// What is accepted instead.
    pub expected: String,
    /// How to fix it.
    pub mend: String,
    /// A question about the whole column, of which this row is one case: reported once.
    pub topic: Option<Topic>,
}

/// A question that one answer settles for every row of a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Topic {
    /// The order of day and month.
    Dates,
    /// The decimal mark of a column.
    Decimal(Field),
    /// Exchange rates next to amounts in the book's currency.
    Rate,
}

impl Fault {
    /// A fault in a cell or row.
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

    /// The problem at a place.
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

/// The user's options for reading files.
#[derive(Debug, Clone, Default)]
pub struct ReadOptions {
    /// The character between cells; detected if absent.
    pub delimiter: Option<u8>,
    /// Order of day and month; detected if absent.
    pub dates: Option<DateOrder>,
    /// Decimal mark; detected if absent.
    pub decimal: Option<DecimalMark>,
    /// Mapping of the file's columns to ours.
    pub wishes: Vec<Wish>,
    /// Column names that every file must have.
    pub must_have: Vec<String>,
    /// Values for a column that a file lacks, and for blank cells.
    pub fills: Vec<(Column, String)>,
    /// Whether files need no column for the day of the sale.
    pub undated: bool,
}
