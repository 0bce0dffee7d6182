//! Writes rejected rows with the reasons.

use std::io::{self, Write};

use crate::book::csv::formula::{enclosed, neutral, neutral_record};
use crate::sheets::Input;
use crate::sheets::header::REASON;
use crate::sheets::records::Cells;
use crate::trade::text::shorten;

/// A refused row.
#[derive(Debug, Clone, Copy)]
pub struct Reject<'a> {
    /// The row as it is in the file, without its line end.
    pub text: &'a str,
    /// Whether its quotes are invalid, so that the ends of its cells are unknown.
    pub flawed: bool,
    /// The reason, in one line.
    pub reason: &'a str,
}

/// Writes the rejected rows of one input with the reasons: unchanged, except that no cell acts as a
/// formula ([`crate::book::csv::formula`]).
pub struct RejectsWriter<W: Write> {
    out: W,
    delimiter: char,
    cells: Cells,
    /// Number of written rows.
    pub rows: u64,
}

impl<W: Write> RejectsWriter<W> {
    /// Writes the header of the input after a column of reasons.
    ///
    /// # Errors
    /// If `out` fails.
    pub fn new(mut out: W, input: &Input) -> io::Result<Self> {
        let delimiter = char::from(input.delimiter);
        let mark = if input.marked { "\u{feff}" } else { "" };
        // The corrected file is read like any other, and a second `reason` does no harm.
        let mut cells = Cells::new(input.delimiter);
        cells.read(input.header_text());
        let names: Vec<&str> = cells.iter().collect();
        let header = neutral_record(input.header_text(), delimiter, Some(&names));
        writeln!(out, "{mark}{REASON}{delimiter}{header}")?;
        Ok(Self {
            out,
            delimiter,
            cells,
            rows: 0,
        })
    }

    /// Writes one row.
    ///
    /// # Errors
    /// If `out` fails.
    pub fn write(&mut self, reject: &Reject<'_>) -> io::Result<()> {
        self.rows += 1;
        let reason = shorten(reject.reason, 2000);
        let reason = enclosed(&neutral(&reason));
        self.cells.read(reject.text);
        let cells: Option<Vec<&str>> = (!reject.flawed).then(|| self.cells.iter().collect());
        let row = neutral_record(reject.text, self.delimiter, cells.as_deref());
        writeln!(self.out, "{reason}{}{row}", self.delimiter)
    }

    /// Ends the file and returns the writer.
    ///
    /// # Errors
    /// If `out` fails.
    pub fn finish(mut self) -> io::Result<W> {
        self.out.flush()?;
        Ok(self.out)
    }
}
