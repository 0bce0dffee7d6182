//! Canonical files: comma-separated UTF-8 with the columns of [`COLUMNS`], then those of
//! [`RATE_COLUMNS`] if a row of the file was paid in another currency, and a column `attr.NAME` for
//! each numeric attribute in a row of the file. This program writes them, but their owner may edit
//! them, so that reading checks everything. They do not contain the converted amounts of sales in
//! other currencies: these are computed from the amount paid and the exchange rate.

use std::collections::HashMap;
use std::io::{self, Read};
use std::str::Utf8Error;

use csv::ByteRecord;

use super::cell::attribute;
pub use super::cell::{
    CURRENCY, PARSED, PRICE, SOLD_ON, check, completeness, grade, items, parse_cells,
};
pub(crate) use super::cell::{how_sold, works};
pub use super::columns::{LOGGED_COLUMNS, OptionalColumn, optional_columns, optional_for};
pub(crate) use super::columns::{header, optional_of_header};
pub use super::writer::{Writer, write_comps};
pub(crate) use super::writer::{io_error, write_row};
use crate::settings::Settings;
use crate::trade::attributes::COLUMN_PREFIX;
use crate::trade::cells::Wrong;
use crate::trade::comp::COLUMNS;
use crate::trade::foreign::RATE_COLUMNS;
use crate::trade::{Attributes, Comp, Problem};

/// Type of a canonical file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Layout {
    /// An import: the columns of [`COLUMNS`], all rows of this entry.
    Import(u64),
    /// `logged.csv`: the columns of [`LOGGED_COLUMNS`].
    Logged,
}

impl Layout {
    pub(crate) fn columns(self) -> &'static [&'static str] {
        match self {
            Self::Import(_) => &COLUMNS,
            Self::Logged => &LOGGED_COLUMNS,
        }
    }
}

/// One valid row of a canonical file.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    /// Number of its entry (import or log).
    pub entry: u64,
    /// Line on which it begins, the header being line 1.
    pub line: u64,
    /// The comp.
    pub comp: Comp,
}

/// Reads a canonical file, row by row; problems call it `name`.
///
/// Passes valid rows to `each`, and returns the problems of the others. Blank rows are skipped.
///
/// # Errors
/// Only if reading itself fails.
pub fn read<R: Read>(
    input: R,
    name: &str,
    layout: Layout,
    settings: &Settings,
    each: &mut dyn FnMut(Row),
) -> io::Result<Vec<Problem>> {
    let mut reader = csv::ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .buffer_capacity(1 << 16)
        .from_reader(input);
    let mut rows = Rows {
        name,
        layout,
        settings,
        optional: Vec::new(),
        problems: Vec::new(),
    };
    let mut record = ByteRecord::new();
    if !reader.read_byte_record(&mut record).map_err(io_error)? || !rows.header(&record) {
        return Ok(rows.problems);
    }
    while reader.read_byte_record(&mut record).map_err(io_error)? {
        if let Some(row) = rows.row(&record) {
            each(row);
        }
    }
    Ok(rows.problems)
}

struct Rows<'a> {
    name: &'a str,
    layout: Layout,
    settings: &'a Settings,
    /// The columns after those of the layout.
    optional: Vec<OptionalColumn>,
    problems: Vec<Problem>,
}

impl Rows<'_> {
    fn problem(&mut self, row: u64, column: &str, value: &str, wrong: Wrong) {
        self.problems.push(Problem {
            column: column.to_string(),
            ..wrong.at(self.name, row, "", value)
        });
    }

    fn header(&mut self, record: &ByteRecord) -> bool {
        let columns = self.layout.columns();
        if let Some(optional) = optional_of_header(record, columns) {
            self.optional = optional;
            return true;
        }
        let found: Vec<_> = record.iter().map(String::from_utf8_lossy).collect();
        let wrong = Wrong::new(
            format!(
                "the header {:?}, then only {} and columns {COLUMN_PREFIX}NAME, each once",
                columns.join(","),
                RATE_COLUMNS.join(",")
            ),
            "save it as comma-separated UTF-8 with its columns in this order, or move it out of comps/ and \
                import it again",
        );
        self.problem(1, "", &found.join(","), wrong);
        false
    }

    fn row(&mut self, record: &ByteRecord) -> Option<Row> {
        let line = record.position().map_or(0, csv::Position::line);
        let columns = self.layout.columns();
        if record.iter().all(|cell| cell.trim_ascii().is_empty()) {
            return None;
        }
        let width = columns.len() + self.optional.len();
        if record.len() != width {
            let wrong = Wrong::new(
                format!("{width} cells"),
                "put text that holds a comma or a line break in double quotes",
            );
            self.problem(line, "", &format!("{} cells", record.len()), wrong);
            return None;
        }
        let mut texts = [""; LOGGED_COLUMNS.len()];
        let mut readable = true;
        for (at, cell) in record.iter().enumerate().take(columns.len()) {
            match std::str::from_utf8(cell) {
                Ok(text) => texts[at] = text,
                Err(error) => {
                    self.not_utf8(line, columns[at], cell, error);
                    readable = false;
                }
            }
        }
        let (attributes, rate) = self.optional(line, record);
        if !readable {
            return None;
        }
        let (entry, first) = match self.layout {
            Layout::Import(entry) => (Some(entry), 0),
            Layout::Logged => (self.entry(line, texts[0]), 1),
        };
        let mut cells = [""; PARSED.len()];
        cells[..COLUMNS.len()].copy_from_slice(&texts[first..first + COLUMNS.len()]);
        cells[COLUMNS.len()..].copy_from_slice(&rate?);
        let settings = self.settings;
        let comp = parse_cells(&cells, settings, &mut |at, wrong| {
            self.problem(line, PARSED[at], cells[at], wrong)
        });
        let (entry, comp, attributes) = (entry?, comp?, attributes?);
        Some(Row {
            entry,
            line,
            comp: Comp { attributes, ..comp },
        })
    }

    /// Attributes of a row that has all cells, and the cells of its rate; invalid cells count as
    /// empty.
    fn optional<'r>(
        &mut self,
        line: u64,
        record: &'r ByteRecord,
    ) -> (Option<Attributes>, Option<[&'r str; RATE_COLUMNS.len()]>) {
        let mut attributes = Some(Attributes::NONE);
        let mut rate = Some([""; RATE_COLUMNS.len()]);
        let columns = std::mem::take(&mut self.optional);
        let cells = record.iter().skip(self.layout.columns().len());
        for (column, cell) in columns.iter().zip(cells) {
            let text = std::str::from_utf8(cell).map(str::trim);
            let text = text.map_err(|error| self.not_utf8(line, &column.name(), cell, error));
            match (column, text) {
                (OptionalColumn::Rate(at), Ok(text)) => {
                    if let Some(place) = rate.as_mut().and_then(|rate| rate.get_mut(*at)) {
                        *place = text;
                    }
                }
                (OptionalColumn::Rate(_), Err(())) => rate = None,
                (OptionalColumn::Attribute(name), Ok(text)) => match attribute(text) {
                    Ok(None) => {}
                    Ok(Some(value)) => {
                        if let Some(known) = &mut attributes {
                            known.set(name, value);
                        }
                    }
                    Err(wrong) => {
                        self.problem(line, &column.name(), text, wrong);
                        attributes = None;
                    }
                },
                (OptionalColumn::Attribute(_), Err(())) => attributes = None,
            }
        }
        self.optional = columns;
        (attributes, rate)
    }

    fn entry(&mut self, line: u64, text: &str) -> Option<u64> {
        let entry = text.trim().parse::<u32>().ok().filter(|number| *number > 0);
        if entry.is_none() {
            let wrong = Wrong::new("the number of the entry", "put back the number it had");
            self.problem(line, "entry", text, wrong);
        }
        entry.map(u64::from)
    }

    fn not_utf8(&mut self, line: u64, column: &str, cell: &[u8], error: Utf8Error) {
        let wrong = Wrong::new(
            "UTF-8 text",
            format!(
                "save the file as UTF-8 (byte {} of the cell)",
                error.valid_up_to() + 1
            ),
        );
        self.problem(line, column, &String::from_utf8_lossy(cell), wrong);
    }
}

/// The problem of a repeated value that must be unique; `first` is its first line.
pub(crate) fn repeated(file: &str, row: u64, column: &str, value: &str, first: u64) -> Problem {
    let expected = format!("one row with it; row {first} has it too");
    Wrong::new(expected, "remove one of the two").at(file, row, column, value)
}

/// The problems of repeated entry numbers in `logged.csv`.
pub(crate) fn repeated_entries(file: &str, rows: &[Row]) -> Vec<Problem> {
    let mut first = HashMap::new();
    rows.iter()
        .filter_map(|row| {
            let before = *first.entry(row.entry).or_insert(row.line);
            (before != row.line)
                .then(|| repeated(file, row.line, "entry", &row.entry.to_string(), before))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trade::{HowSold, Items};
    use chrono::NaiveDate;

    fn comp() -> Comp {
        Comp {
            comp_id: "abc".into(),
            sold_on: NaiveDate::from_ymd_opt(2026, 2, 28),
            model: "Nulva 61K".into(),
            variant: "grey, \"mk 2\"".into(),
            completeness: "usable".into(),
            grade: "B".into(),
            missing: Items::parse("battery x2; strap").unwrap(),
            extras: Items::default(),
            defects: Items::parse("dented corner").unwrap(),
            attributes: Attributes::NONE,
            works: true,
            price: "129.5".parse().unwrap(),
            shipping: "0.0001".parse().unwrap(),
            currency: "EUR".into(),
            foreign: None,
            how_sold: Some(HowSold::Offer),
            venue: "flea market".into(),
            lot_size: 1,
            note: "two\nlines".into(),
        }
    }

    fn read_text(text: &[u8]) -> (Vec<Row>, Vec<String>) {
        let mut rows = Vec::new();
        let settings = Settings::default();
        let problems = read(
            text,
            "comps/000001-a.csv",
            Layout::Import(1),
            &settings,
            &mut |row| rows.push(row),
        )
        .unwrap();
        (rows, problems.iter().map(Problem::to_string).collect())
    }

    fn written(comp: &Comp) -> Vec<u8> {
        let optional = optional_columns([comp]);
        let mut writer = Writer::with_header(Vec::new(), &COLUMNS, optional).unwrap();
        writer.comp(comp).unwrap();
        writer.finish().unwrap()
    }

    #[test]
    fn what_is_written_reads_back() {
        let (rows, problems) = read_text(&written(&comp()));
        assert_eq!(problems, Vec::<String>::new());
        assert_eq!(
            rows,
            [Row {
                entry: 1,
                line: 2,
                comp: comp()
            }]
        );
    }

    #[test]
    fn a_day_that_was_not_recorded_stays_so() {
        let undated = Comp {
            sold_on: None,
            ..comp()
        };
        let (rows, problems) = read_text(&written(&undated));
        assert_eq!(problems, Vec::<String>::new());
        assert_eq!(rows[0].comp, undated);
        assert_ne!(undated.derive_id(0), comp().derive_id(0));
    }

    #[test]
    fn attributes_are_columns_behind_the_others() {
        let with = Comp {
            attributes: Attributes::parse("storage=256; battery health=87.5").unwrap(),
            ..comp()
        };
        let bytes = written(&with);
        let text = String::from_utf8(bytes.clone()).unwrap();
        assert!(
            text.contains(",note,attr.battery health,attr.storage\n")
                && text.ends_with(",87.5,256\n"),
            "{text}"
        );
        let (rows, problems) = read_text(&bytes);
        assert_eq!((rows[0].comp.clone(), problems), (with, vec![]));
        // The file as an owner may have edited it.
        let edited = text
            .replace("attr.battery health", "Attr.Battery_Health ")
            .replace(",87.5,256\n", ", ,-1\n");
        let (rows, _) = read_text(edited.as_bytes());
        assert_eq!(rows[0].comp.attributes.to_string(), "storage=-1");
        for wrong in ["87.5,256 GB", "87.5,1e3", "\u{663},256"] {
            let (rows, problems) = read_text(text.replace("87.5,256", wrong).as_bytes());
            assert!(rows.is_empty() && problems.len() == 1, "{problems:?}");
            assert!(problems[0].contains("column attr."), "{problems:?}");
        }
        for header in [
            "attr.storage,attr.storage",
            "attr.battery health,storage",
            "attr.,attr.storage",
        ] {
            let text = text.replace("attr.battery health,attr.storage", header);
            let (rows, problems) = read_text(text.as_bytes());
            assert!(
                rows.is_empty() && problems[0].contains("columns attr.NAME"),
                "{problems:?}"
            );
        }
        let (_, problems) = read_text(text.replace(",87.5,256\n", ",87.5\n").as_bytes());
        assert!(problems[0].contains("expected 19 cells"), "{problems:?}");
    }

    #[test]
    fn a_spreadsheets_line_ends_mark_and_blank_rows_are_taken() {
        let text = String::from_utf8(written(&comp()))
            .unwrap()
            .replace("two\nlines", "one line")
            .replace('\n', "\r\n");
        let (rows, problems) = read_text(format!("\u{feff}{text},,,,,,,,,,,,,,,,\r\n").as_bytes());
        assert!(problems.is_empty(), "{problems:?}");
        assert_eq!(rows[0].comp.note, "one line");
        assert_eq!(rows.len(), 1);
    }

    #[test]
    fn every_wrong_cell_is_named() {
        let header = COLUMNS.join(",");
        let text = format!(
            "{header}\nx1,31.03.2026,,,most,E,battery x0,,,maybe,1e3,-1,USD,raffle,,0,\nx2,2026-01-01,Nulva 61K,,,,,,,,0,,,,,,\n\
             x3,2026-01-01\n"
        );
        let (rows, problems) = read_text(text.as_bytes());
        assert!(rows.is_empty());
        let named = [
            "sold_on",
            "model",
            "completeness",
            "grade",
            "missing",
            "works",
            "price",
            "shipping",
            "currency",
            "how_sold",
            "lot_size",
        ];
        for (problem, column) in problems.iter().zip(named) {
            assert!(
                problem.starts_with(&format!("comps/000001-a.csv, row 2, column {column}: ")),
                "{problem}"
            );
        }
        assert!(
            problems[11].contains("row 3, column price: found \"0\": expected a price above 0"),
            "{}",
            problems[11]
        );
        assert!(
            problems[12].contains("row 4: found \"2 cells\": expected 17 cells"),
            "{}",
            problems[12]
        );
        assert_eq!(problems.len(), 13);
    }

    #[test]
    fn other_headers_and_encodings_are_refused() {
        let (_, problems) = read_text(b"comp_id;sold_on\n1;2\n");
        assert!(
            problems[0].contains("row 1") && problems[0].contains("expected the header"),
            "{problems:?}"
        );
        let mut text = written(&comp());
        let at = text.windows(4).position(|w| w == b"flea").unwrap();
        text[at] = 0xfc;
        let (_, problems) = read_text(&text);
        assert!(
            problems[0].contains("column venue") && problems[0].contains("UTF-8"),
            "{problems:?}"
        );
    }
}
