//! Problems in a book or an input, described so that the reader can fix them.

use crate::trade::text::{quoted, shorten};
use std::fmt;

/// Longest value shown in a problem, in characters.
pub const SHOWN: usize = 60;

/// One problem in a cell (or row, or file) of an input.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    /// File, as the user named it.
    pub file: String,
    /// Line of the file where the row begins, the header being line 1; 0 for the whole file.
    pub row: u64,
    /// Column, as the file names it; empty for the whole row.
    pub column: String,
    /// The invalid text, shortened for display.
    pub value: String,
    /// The accepted form.
    pub expected: String,
    /// How to fix it.
    pub fix: String,
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        // Names of files and columns come from the user too.
        let visible = |text: &str| shorten(text, usize::MAX);
        write!(f, "{}", visible(&self.file))?;
        if self.row > 0 {
            write!(f, ", row {}", self.row)?;
        }
        if !self.column.is_empty() {
            write!(f, ", column {}", visible(&self.column))?;
        }
        if !self.value.is_empty() {
            write!(f, ": found {}", quoted(&self.value))?;
        }
        write!(f, ": expected {}", visible(&self.expected))?;
        if !self.fix.is_empty() {
            write!(f, "; {}", visible(&self.fix))?;
        }
        Ok(())
    }
}
