//! Spreadsheets as people keep them: bytes → text → records → header → comps or problems.

pub mod column;
pub mod facts;
pub mod header;
pub mod import;
pub mod listings;
mod old_workbook;
mod options;
pub mod records;
pub mod row;
pub mod text;
mod workbook;

use crate::trade::cells::Wrong;
pub use options::ReadOptions;
use std::fs;
use std::io::{self, Read};
use std::path::Path;

use crate::book::BookError;
use crate::parse::dates::{DateOrder, read_date};
use crate::parse::money::{DecimalMark, looks_like_amount};
use crate::parse::words::is_free;
use crate::trade::names::match_key;
use crate::trade::text::{excerpt, shorten};
use crate::trade::{Currency, Problem};

use header::{Column, Mapping, Unused};
use records::{Cells, Records};

/// One decoded file with its interpreted header.
#[derive(Debug)]
pub struct Input {
    /// File, as the user named it.
    pub name: String,
    /// The sheet that was read, for a workbook.
    pub sheet: Option<String>,
    /// Its encoding, for the reader.
    pub encoding: &'static str,
    /// Whether a spreadsheet needs a byte order mark to read its UTF-8 form.
    pub marked: bool,
    /// Character between cells.
    pub delimiter: u8,
    /// Order of day and month, if the user chose it.
    pub dates: Option<DateOrder>,
    /// Decimal mark, if the user chose it or the file is canonical.
    pub decimal: Option<DecimalMark>,
    /// Its columns.
    pub mapping: Mapping,
    /// Values for absent columns and blank cells.
    pub fills: Vec<(Column, String)>,
    /// Whether the file is in our own form.
    pub canonical: bool,
    /// Messages for the user.
    pub notices: Vec<String>,
    text: String,
    header: HeaderPlace,
}

#[derive(Debug, Clone, Copy)]
struct HeaderPlace {
    /// Its number, from 0.
    index: usize,
    line: u64,
    start: usize,
    end: usize,
}

/// A header, with the options to read the rows below it.
struct Header {
    delimiter: u8,
    place: HeaderPlace,
    mapping: Mapping,
}

/// Name of what is read from a pipe.
pub const PASTED: &str = "pasted";

/// The bytes of a file, or of standard input for `-`, with the name for messages.
fn bytes_of(path: &Path) -> Result<(String, Vec<u8>), BookError> {
    if path != Path::new("-") {
        let bytes = fs::read(path).map_err(BookError::io(path, "read"))?;
        return Ok((path.display().to_string(), bytes));
    }
    let mut bytes = Vec::new();
    let read = io::stdin().lock().read_to_end(&mut bytes);
    read.map_err(BookError::io(path, "read"))?;
    Ok((PASTED.to_string(), bytes))
}

/// Number of records among which the header is searched.
const HEADER_WITHIN: usize = 10;
/// Number of records after the header that are searched for days.
const DATED_WITHIN: usize = 20;

impl Input {
    /// Reads a file from disk; see [`Input::from_bytes`].
    ///
    /// # Errors
    /// [`BookError::Io`] or [`BookError::Rows`].
    pub fn open(path: &Path, options: &ReadOptions) -> Result<Self, BookError> {
        let (name, bytes) = bytes_of(path)?;
        Self::from_bytes(&name, bytes, options).map_err(BookError::Rows)
    }

    /// Decodes a file and finds its delimiter and header. Of a workbook it takes one sheet.
    ///
    /// # Errors
    /// All problems of the file as a whole: no text, no header, missing or duplicate columns.
    pub fn from_bytes(
        name: &str,
        bytes: Vec<u8>,
        options: &ReadOptions,
    ) -> Result<Self, Vec<Problem>> {
        let whole = |wrong: Wrong, value: &str| vec![wrong.at(name, 0, "", value)];
        if workbook::is_workbook(&bytes) {
            let sheets = workbook::sheets(&bytes).map_err(|wrong| whole(wrong, ""))?;
            let comma = ReadOptions {
                delimiter: Some(b','),
                ..options.clone()
            };
            let (sheet, notice) =
                choose(sheets, &comma).map_err(|(wrong, value)| whole(wrong, &value))?;
            let decoded = text::Text {
                text: sheet.text,
                encoding: "spreadsheet",
                marked: false,
                notice,
            };
            return Self::of_text(name, decoded, &comma, Some(sheet.name));
        }
        if let Some(sheet) = &options.sheet {
            let wrong = Wrong::new(
                "a spreadsheet with sheets (.xlsx, .xls or .ods)",
                "leave --sheet out",
            );
            return Err(whole(wrong, sheet));
        }
        let decoded =
            text::decode(bytes).map_err(|(row, fault)| vec![fault.at(name, row, "", "")])?;
        Self::of_text(name, decoded, options, None)
    }

    fn of_text(
        name: &str,
        decoded: text::Text,
        options: &ReadOptions,
        sheet: Option<String>,
    ) -> Result<Self, Vec<Problem>> {
        let Some(Header {
            delimiter,
            place,
            mapping,
        }) = find_header(&decoded.text, options)
        else {
            let fault = Wrong::new(
                "a header within the first 10 rows, but there is none",
                "look whether this is the right file",
            );
            return Err(vec![fault.at(name, 0, "", "")]);
        };
        let lacks_day = mapping
            .lacking(&options.fills, options.undated)
            .contains(&Column::SoldOn);
        let dated = if lacks_day {
            columns_of(&decoded.text, delimiter, place.index, |cell| {
                read_date(cell).is_ok()
            })
        } else {
            Vec::new()
        };
        let faults = mapping.faults(options, &dated, place.line);
        if !faults.is_empty() {
            let header = &decoded.text[place.start..place.end];
            let at = |(column, fault): (String, Wrong)| Problem {
                value: shorten(header, 200),
                ..fault.at(name, place.line, &column, header)
            };
            return Err(faults.into_iter().map(at).collect());
        }
        let canonical = sheet.is_none() && delimiter == b',' && mapping.is_canonical();
        let mut notices: Vec<String> = decoded.notice.into_iter().collect();
        if place.line > 1 {
            notices.push(format!(
                "the header is row {}; the rows above it are skipped",
                place.line
            ));
        }
        Ok(Self {
            name: name.to_string(),
            sheet,
            encoding: decoded.encoding,
            marked: decoded.marked,
            delimiter,
            dates: options.dates,
            decimal: options.decimal.or(canonical.then_some(DecimalMark::Point)),
            mapping,
            fills: options.fills.clone(),
            canonical,
            notices,
            text: decoded.text,
            header: place,
        })
    }

    /// The columns that are not used, each with what it most likely is.
    pub fn unused(&self) -> Vec<Unused> {
        if self.mapping.unknown.is_empty() {
            return Vec::new();
        }
        let columns = |is_so: &dyn Fn(&str) -> bool| {
            columns_of(&self.text, self.delimiter, self.header.index, is_so)
        };
        let amounts = columns(&|cell| is_free(cell) || looks_like_amount(cell));
        let plain = |cell: &str| cell.bytes().all(|b| b.is_ascii_digit());
        let marked = columns(&|cell| is_free(cell) || (looks_like_amount(cell) && !plain(cell)));
        self.mapping.unused(&amounts, &marked)
    }

    /// The first values of a column, as they are written, each once.
    pub fn examples(&self, cell: usize, most: usize) -> Vec<String> {
        let mut cells = Cells::new(self.delimiter);
        let mut found: Vec<String> = Vec::new();
        for raw in self.rows().take(DATED_WITHIN) {
            cells.read(raw.text);
            let text = shorten(cells.get(cell).trim(), 20);
            if !text.is_empty() && !found.contains(&text) && found.len() < most {
                found.push(text);
            }
        }
        found
    }

    /// The records after the header, including blank ones and repeated headers.
    pub fn rows(&self) -> Records<'_> {
        let mut records = Records::new(&self.text, self.delimiter);
        records.by_ref().take(self.header.index + 1).for_each(drop);
        records
    }

    /// The header as it is in the file.
    pub fn header_text(&self) -> &str {
        &self.text[self.header.start..self.header.end]
    }

    /// Length of the text in bytes.
    pub fn len(&self) -> usize {
        self.text.len()
    }

    /// Whether the text is empty.
    pub fn is_empty(&self) -> bool {
        self.text.is_empty()
    }

    /// Whether a record repeats the header, ignoring case, punctuation and a byte order mark (of a
    /// concatenated file).
    pub fn repeats_header(&self, cells: &Cells) -> bool {
        let names = &self.mapping.names;
        cells.len() == names.len()
            && cells
                .iter()
                .zip(names)
                .all(|(cell, name)| column::same_name(cell, name))
    }

    /// Whether a row, or the value for its blank cells, names another currency.
    pub fn has_other_than(&self, currency: &Currency) -> bool {
        let other = |text: &str| currency.answers_to(text.trim()) != Some(true);
        let filled = |(column, text): &(Column, String)| *column == Column::Currency && other(text);
        if self.fills.iter().any(filled) {
            return true;
        }
        let Some(at) = self.mapping.cell_of[Column::Currency as usize] else {
            return false;
        };
        let mut cells = Cells::new(self.delimiter);
        let mut ours = "";
        self.rows().any(|raw| {
            // Splitting a row without quotes is much faster than parsing it.
            if let Some(cut) = cut(raw.text, self.delimiter, at)
                && (cut == ours || !other(cut))
            {
                ours = cut;
                return false;
            }
            cells.read(raw.text);
            !self.repeats_header(&cells) && other(cells.get(at))
        })
    }

    /// Name of the delimiter.
    pub fn delimiter_name(&self) -> &'static str {
        delimiter_name(self.delimiter)
    }
}

/// The cell at a position in a row without quotes; `None` if it has quotes or no such cell.
fn cut(row: &str, delimiter: u8, at: usize) -> Option<&str> {
    let bytes = row.as_bytes();
    if memchr::memchr(b'"', bytes).is_some() {
        return None;
    }
    let mut ends = memchr::memchr_iter(delimiter, bytes);
    let start = match at.checked_sub(1) {
        Some(before) => ends.nth(before)? + 1,
        None => 0,
    };
    row.get(start..ends.next().unwrap_or(row.len()))
}

/// Name of a delimiter in messages.
pub fn delimiter_name(delimiter: u8) -> &'static str {
    match delimiter {
        b';' => "semicolon",
        b'\t' => "tab",
        b'|' => "vertical bar",
        _ => "comma",
    }
}

/// The sheet that was asked for, or else the one with most rows under a header with the required columns (with
/// most known columns if none has these), and a notice if there are others.
///
/// # Errors
/// The error, and the value that is wrong.
fn choose(
    sheets: Vec<workbook::Sheet>,
    options: &ReadOptions,
) -> Result<(workbook::Sheet, Option<String>), (Wrong, String)> {
    let names: Vec<String> = sheets.iter().map(|sheet| sheet.name.clone()).collect();
    let listed: Vec<String> = names.iter().map(|name| excerpt(name, 40)).collect();
    let listed = listed.join(", ");
    let chosen = match &options.sheet {
        Some(asked) => {
            let mut sheets = sheets.into_iter();
            let found = sheets.find(|sheet| match_key(&sheet.name) == match_key(asked));
            found.ok_or_else(|| {
                (
                    Wrong::new(format!("one of its sheets: {listed}"), ""),
                    asked.clone(),
                )
            })?
        }
        None => {
            let rank = |sheet: &workbook::Sheet| {
                let header = find_header(&sheet.text, options);
                header.map_or((false, 0, 0), |Header { place, mapping, .. }| {
                    let whole = mapping.lacking(&options.fills, options.undated).is_empty();
                    let rows = sheet.text[place.end..]
                        .lines()
                        .filter(|row| !row.is_empty())
                        .count();
                    let known = mapping.known();
                    if whole {
                        (true, rows, known)
                    } else {
                        (false, known, rows)
                    }
                })
            };
            // The first of equal ones.
            let best = sheets.into_iter().rev().max_by_key(rank);
            best.ok_or_else(|| (Wrong::new("a sheet, but it has none", ""), String::new()))?
        }
    };
    let others = names.len() > 1 && options.sheet.is_none();
    let notice = others.then(|| {
        format!(
            "the sheet {:?} was read; it has {listed} (--sheet NAME)",
            chosen.name
        )
    });
    Ok((chosen, notice))
}

/// Finds the delimiter and the header. With each delimiter: the first of the first records with the
/// required columns, or else of those with several texts the one with the most known columns. Of these, the
/// one with several cells and the most known columns. `None` for a file without any record.
fn find_header(text: &str, options: &ReadOptions) -> Option<Header> {
    let sniffed = [b',', b';', b'\t'];
    let candidates = options
        .delimiter
        .as_ref()
        .map_or(&sniffed[..], std::slice::from_ref);
    let mut best: Option<((bool, usize, usize), Header)> = None;
    for &delimiter in candidates {
        let Some((place, mapping)) = header_under(text, delimiter, options) else {
            continue;
        };
        let score = (
            mapping.names.len() > 1,
            mapping.known(),
            steady_width(text, delimiter, place.index),
        );
        if best.as_ref().is_none_or(|(known, _)| score > *known) {
            best = Some((
                score,
                Header {
                    delimiter,
                    place,
                    mapping,
                },
            ));
        }
    }
    best.map(|(_, header)| header)
}

fn header_under(
    text: &str,
    delimiter: u8,
    options: &ReadOptions,
) -> Option<(HeaderPlace, Mapping)> {
    let mut records = Records::new(text, delimiter);
    let mut cells = Cells::new(delimiter);
    let mut likeliest: Option<((bool, usize), (HeaderPlace, Mapping))> = None;
    let (mut index, mut seen) = (0, 0);
    while seen < HEADER_WITHIN {
        let start = records.position();
        let Some(raw) = records.next() else { break };
        let place = HeaderPlace {
            index,
            line: raw.line,
            start,
            end: start + raw.text.len(),
        };
        index += 1;
        // A header is short; a cell of megabytes is data or an unclosed quote.
        if raw.text.len() > 100_000 {
            seen += 1;
            continue;
        }
        cells.read(raw.text);
        if cells.all_blank() {
            continue;
        }
        seen += 1;
        let mapping = Mapping::new(&cells, &options.wishes);
        if mapping.lacking(&options.fills, options.undated).is_empty() && mapping.known() > 0 {
            return Some((place, mapping));
        }
        let texts = cells.iter().filter(|cell| is_text(cell)).count();
        // A single cell is a title, whatever its text.
        let score = (texts > 1, mapping.known());
        if likeliest.as_ref().is_none_or(|(best, _)| score > *best) {
            likeliest = Some((score, (place, mapping)));
        }
    }
    likeliest.map(|(_, found)| found)
}

/// The columns of which each cell that is not blank is so, in some of the records after the header, and at least one
/// such cell.
fn columns_of(
    text: &str,
    delimiter: u8,
    header: usize,
    is_so: impl Fn(&str) -> bool,
) -> Vec<usize> {
    let mut cells = Cells::new(delimiter);
    let mut so: Vec<Option<bool>> = Vec::new();
    let records = Records::new(text, delimiter).skip(header + 1);
    for raw in records.take(DATED_WITHIN) {
        cells.read(raw.text);
        so.resize(so.len().max(cells.len()), None);
        for (cell, so) in cells.iter().zip(&mut so) {
            if !cell.trim().is_empty() {
                *so = Some(so.unwrap_or(true) && is_so(cell.trim()));
            }
        }
    }
    let found = so.iter().enumerate().filter(|(_, so)| **so == Some(true));
    found.map(|(cell, _)| cell).collect()
}

/// Whether a cell could be the name of a column.
fn is_text(cell: &str) -> bool {
    cell.contains(char::is_alphabetic)
}

/// Number of records after the header with the same number of cells, times that number less one.
fn steady_width(text: &str, delimiter: u8, header: usize) -> usize {
    let mut cells = Cells::new(delimiter);
    let mut widths = Records::new(text, delimiter)
        .skip(header)
        .take(HEADER_WITHIN)
        .map(|raw| {
            cells.read(raw.text);
            cells.len()
        });
    let width = widths.next().unwrap_or(0);
    (1 + widths.filter(|other| *other == width).count()) * width.saturating_sub(1)
}
