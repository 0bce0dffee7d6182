//! The user's options for reading a sheet.

use crate::parse::dates::DateOrder;
use crate::parse::money::DecimalMark;
use crate::sheets::column::{Column, Wish};

/// The user's options for reading files.
#[derive(Debug, Clone, Default)]
pub struct ReadOptions {
    /// The character between cells; detected if absent.
    pub delimiter: Option<u8>,
    /// Name of the sheet of a workbook; the one with most sales if absent.
    pub sheet: Option<String>,
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
