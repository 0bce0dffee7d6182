//! Tables of listings: one row for each unit on offer, with the columns of [`COLUMNS`].

use std::fs;
use std::path::Path;

use crate::book::BookError;
use crate::book::csv::formula::original;
use crate::sheets::records::{Cells, Records};
use crate::sheets::text;
use crate::trade::Problem;
use crate::trade::attributes::of_column;
use crate::trade::text::{nearest, shorten};

/// Columns of a table of listings, in addition to those of numeric attributes (`attr.storage`).
const COLUMNS: [&str; 23] = [
    "listing",
    "model",
    "asked",
    "variant",
    "completeness",
    "grade",
    "missing",
    "extras",
    "defects",
    "works",
    "how_sold",
    "repairs",
    "salvage",
    "minutes",
    "inbound",
    "premium",
    "premium_fixed",
    "tax",
    "weeks",
    "outlet",
    "weight",
    "shipping",
    "note",
];

/// Required columns.
const NEEDED: [&str; 2] = ["model", "asked"];

/// Longest value shown in a problem, in characters.
const SHOWN: usize = 60;

/// Meaning of a column.
#[derive(Debug)]
enum Column {
    Known(&'static str),
    Attribute(String),
}

/// A table with its interpreted header.
#[derive(Debug)]
pub struct Table {
    file: String,
    text: String,
    delimiter: u8,
    columns: Vec<Column>,
    /// The line of the header.
    header: u64,
}

/// A row of a table.
#[derive(Debug, Clone, Copy)]
pub struct Row<'t> {
    table: &'t Table,
    cells: &'t Cells,
    /// Its line in the file.
    pub line: u64,
}

impl Table {
    /// Reads a file and interprets its header.
    ///
    /// # Errors
    /// A file that cannot be read, and all problems of its header.
    pub fn open(path: &Path) -> Result<Self, BookError> {
        let bytes = fs::read(path).map_err(BookError::io(path, "read"))?;
        let file = path.display().to_string();
        let decoded = text::decode(bytes)
            .map_err(|(row, fault)| BookError::Rows(vec![fault.at(&file, row, "", "")]))?;
        let text = decoded.text;
        let filled = |line: &&str| !line.trim().is_empty();
        let first = text.lines().find(filled).unwrap_or_default();
        let often = |mark: &u8| first.bytes().filter(|byte| byte == mark).count();
        // Among equal counts the last wins: a comma if there are none.
        let delimiter = [b'\t', b';', b','].into_iter().max_by_key(often);
        let mut table = Self {
            file,
            delimiter: delimiter.unwrap_or(b','),
            columns: Vec::new(),
            header: 0,
            text,
        };
        table.read_header()?;
        Ok(table)
    }

    fn read_header(&mut self) -> Result<(), BookError> {
        let mut cells = Cells::new(self.delimiter);
        for raw in Records::new(&self.text, self.delimiter) {
            cells.read(raw.text);
            self.header = raw.line;
            if !cells.all_blank() {
                break;
            }
        }
        let mut problems = Vec::new();
        for name in cells.iter().map(str::trim) {
            let key = name.to_lowercase().replace([' ', '-'], "_");
            let known = COLUMNS.iter().find(|column| **column == key);
            match (known, of_column(name)) {
                (Some(known), _) if self.at(known).is_none() => {
                    self.columns.push(Column::Known(known));
                }
                (Some(known), _) => {
                    problems.push(self.problem(
                        self.header,
                        name,
                        "",
                        &format!("one column {known}"),
                        "take the other out",
                    ));
                }
                (None, Some(attribute)) => self.columns.push(Column::Attribute(attribute)),
                (None, None) => {
                    let near = nearest(&key, COLUMNS)
                        .map_or(String::new(), |near| format!("did you mean {near:?}? "));
                    let mend = format!("{near}`compband compare --help` lists them");
                    problems.push(self.problem(
                        self.header,
                        name,
                        "",
                        "a column of listings",
                        &mend,
                    ));
                }
            }
        }
        for needed in NEEDED {
            if self.at(needed).is_none() {
                problems.push(self.problem(self.header, needed, "", "such a column", "add it"));
            }
        }
        if problems.is_empty() {
            Ok(())
        } else {
            Err(BookError::Rows(problems))
        }
    }

    /// Passes each row that is not blank to `each`. Problems include a row with invalid quotes, and
    /// a table without rows.
    ///
    /// # Errors
    /// The errors of `each`.
    pub fn rows<E>(
        &self,
        problems: &mut Vec<Problem>,
        mut each: impl FnMut(Row<'_>, &mut Vec<Problem>) -> Result<(), E>,
    ) -> Result<(), E> {
        let mut cells = Cells::new(self.delimiter);
        let mut any = false;
        let records = Records::new(&self.text, self.delimiter);
        for raw in records.filter(|raw| raw.line > self.header) {
            cells.read(raw.text);
            if cells.all_blank() {
                continue;
            }
            any = true;
            if raw.flaw.is_some() {
                problems.push(self.problem(
                    raw.line,
                    "",
                    raw.text,
                    "quotes that open and close around a cell",
                    "fix the quotes",
                ));
                continue;
            }
            let row = Row {
                table: self,
                cells: &cells,
                line: raw.line,
            };
            each(row, problems)?;
        }
        if !any {
            let expected = "at least one listing below the header";
            problems.push(self.problem(0, "", "", expected, ""));
        }
        Ok(())
    }

    fn at(&self, column: &str) -> Option<usize> {
        let is = |c: &Column| matches!(c, Column::Known(name) if *name == column);
        self.columns.iter().position(is)
    }

    fn problem(&self, row: u64, column: &str, value: &str, expected: &str, mend: &str) -> Problem {
        Problem {
            file: self.file.clone(),
            row,
            column: shorten(column, SHOWN),
            value: shorten(value, SHOWN),
            expected: expected.into(),
            mend: mend.into(),
        }
    }
}

impl<'t> Row<'t> {
    /// The cell of a column, trimmed; empty if there is no such column.
    pub fn text(&self, column: &str) -> &'t str {
        let at = self.table.at(column);
        at.map_or("", |at| original(self.cells.get(at).trim()))
    }

    /// The cells of numeric attributes that are not blank, each with its attribute.
    pub fn attributes(&self) -> impl Iterator<Item = (&'t str, &'t str)> {
        let cells = self.cells;
        let columns = self.table.columns.iter().enumerate();
        columns.filter_map(move |(at, column)| match column {
            Column::Attribute(name) => {
                Some((name.as_str(), cells.get(at).trim())).filter(|(_, text)| !text.is_empty())
            }
            Column::Known(_) => None,
        })
    }

    /// A problem in a cell of this row.
    pub fn problem(&self, column: &str, value: &str, expected: &str, mend: &str) -> Problem {
        self.table.problem(self.line, column, value, expected, mend)
    }
}
