//! Rows that are not taken, written beside the reasons.

use std::io::{self, Write};

use crate::book::csv::formula::{enclosed, neutral, neutral_record};
use crate::sheets::Input;
use crate::sheets::header::REASON;
use crate::sheets::records::Cells;
use crate::trade::text::shorten;

/// A row that is not taken.
#[derive(Debug, Clone, Copy)]
pub struct Reject<'a> {
    /// The row as it stands in the file, without its line end.
    pub text: &'a str,
    /// Whether its quotes are at fault, so that nobody knows where its cells end.
    pub flawed: bool,
    /// Why, in one line.
    pub reason: &'a str,
}

/// Writes the rejected rows of one input beside the reasons: untouched, but that no cell of them acts as a
/// formula ([`crate::book::csv::formula`]).
pub struct RejectsWriter<W: Write> {
    out: W,
    delimiter: char,
    cells: Cells,
    /// Rows written.
    pub rows: u64,
}

impl<W: Write> RejectsWriter<W> {
    /// Begins with the header of the input, behind a column of reasons.
    ///
    /// # Errors
    /// Where `out` fails.
    pub fn new(mut out: W, input: &Input) -> io::Result<Self> {
        let delimiter = char::from(input.delimiter);
        let mark = if input.marked { "\u{feff}" } else { "" };
        // The mended file is read like any other, and a second `reason` is no trouble.
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
    /// Where `out` fails.
    pub fn write(&mut self, reject: &Reject<'_>) -> io::Result<()> {
        self.rows += 1;
        let reason = shorten(reject.reason, 2000);
        let reason = enclosed(&neutral(&reason));
        self.cells.read(reject.text);
        let cells: Option<Vec<&str>> = (!reject.flawed).then(|| self.cells.iter().collect());
        let row = neutral_record(reject.text, self.delimiter, cells.as_deref());
        writeln!(self.out, "{reason}{}{row}", self.delimiter)
    }

    /// Ends the file and gives the writer back.
    ///
    /// # Errors
    /// Where `out` fails.
    pub fn finish(mut self) -> io::Result<W> {
        self.out.flush()?;
        Ok(self.out)
    }
}
