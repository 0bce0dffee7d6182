//! What the user said about how to read a sheet.

use crate::parse::dates::DateOrder;
use crate::parse::money::DecimalMark;
use crate::sheets::column::Column;
use crate::sheets::column::Wish;

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
