//! Spreadsheet files (.xlsx, .xls, .ods) as text: each sheet as comma-separated rows, so that they are read like
//! any other sheet. A row of the text is the row of the sheet.

use std::collections::BTreeMap;
use std::io::{Cursor, Read, Seek};
use std::panic::{AssertUnwindSafe, catch_unwind};

use calamine::{Data, DataRef, Dimensions, Ods, Range, Reader, Xls, Xlsx};

use super::old_workbook;
use crate::book::csv::lines::line;
use crate::trade::cells::Wrong;

/// Largest file read, in bytes.
const MOST_BYTES: usize = 64 << 20;

/// Most columns and rows of a sheet that are read.
const MOST_COLUMNS: u32 = 1_000;
const MOST_ROWS: u32 = 1_048_576;

/// Most cells of all sheets together, blank ones between others included.
const MOST_CELLS: u64 = 50_000_000;

/// The first bytes of a compound file, such as an .xls.
const OLD: [u8; 4] = [0xd0, 0xcf, 0x11, 0xe0];

/// A sheet of a workbook.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sheet {
    /// Its name.
    pub name: String,
    /// Its cells as comma-separated text.
    pub text: String,
}

/// The text of each cell of a sheet that has one, by row and column from 0.
type Cells = BTreeMap<(u32, u32), String>;

/// Whether bytes are a workbook: a zip archive or a compound file.
pub fn is_workbook(bytes: &[u8]) -> bool {
    bytes.starts_with(b"PK\x03\x04") || bytes.starts_with(&OLD)
}

/// The sheets of a workbook, in its order.
///
/// # Errors
/// If it cannot be read.
pub fn sheets(bytes: &[u8]) -> Result<Vec<Sheet>, Wrong> {
    // The library reads what others wrote; a file that it did not foresee is no reason to end.
    let read = catch_unwind(AssertUnwindSafe(|| read(bytes)));
    let read = read.unwrap_or_else(|_| Err("it is damaged".into()));
    read.map_err(|why| {
        let expected = format!("a spreadsheet (.xlsx, .xls or .ods) or text (CSV), but {why}");
        Wrong::new(expected, "open it and save it again")
    })
}

fn read(bytes: &[u8]) -> Result<Vec<Sheet>, String> {
    if bytes.len() > MOST_BYTES {
        return Err(format!("it is larger than {} MB", MOST_BYTES >> 20));
    }
    let file = || Cursor::new(bytes);
    if bytes.starts_with(&OLD) {
        let mut book = Xls::new(Cursor::new(old_workbook::safe(bytes)?)).map_err(why)?;
        let names = book.sheet_names();
        return each(names, |name| {
            let merged = book.merge_cells_by_sheet_name(name).unwrap_or_default();
            Ok((cells(&book.worksheet_range(name).map_err(why)?), merged))
        });
    }
    match Xlsx::new(file()) {
        Ok(mut book) => {
            let names = book.sheet_names();
            each(names, |name| {
                let merged = book.merge_cells_by_sheet_name(name).unwrap_or_default();
                Ok((streamed(&mut book, name)?, merged))
            })
        }
        Err(first) => {
            let mut book = Ods::new(file()).map_err(|_| why(first))?;
            let names = book.sheet_names();
            each(names, |name| {
                let range = book.worksheet_range(name).map_err(why)?;
                Ok((cells(&range), Vec::new()))
            })
        }
    }
}

fn why(error: impl std::fmt::Display) -> String {
    error.to_string()
}

fn each(
    names: Vec<String>,
    mut read: impl FnMut(&str) -> Result<(Cells, Vec<Dimensions>), String>,
) -> Result<Vec<Sheet>, String> {
    let (mut sheets, mut sum) = (Vec::new(), 0);
    for name in names {
        let (mut cells, merged) = read(&name)?;
        merged
            .iter()
            .for_each(|region| fill_down(&mut cells, region));
        sum += size(&cells);
        if sum > MOST_CELLS {
            return Err(format!("its sheets have more than {MOST_CELLS} cells"));
        }
        sheets.push(Sheet {
            text: text(&cells)?,
            name,
        });
    }
    Ok(sheets)
}

/// The cells of a sheet, read one by one: a stray cell far away does not take the room of all between.
fn streamed<R: Read + Seek>(book: &mut Xlsx<R>, name: &str) -> Result<Cells, String> {
    let mut reader = book.worksheet_cells_reader(name).map_err(why)?;
    let mut cells = Cells::new();
    while let Some(cell) = reader.next_cell().map_err(why)? {
        let (row, column) = cell.get_position();
        let shown = match cell.get_value() {
            DataRef::SharedString(text) => cleaned(text),
            other => shown(&Data::from(other.clone())),
        };
        if row < MOST_ROWS && column < MOST_COLUMNS && !shown.is_empty() {
            cells.insert((row, column), shown);
        }
    }
    Ok(cells)
}

fn cells(range: &Range<Data>) -> Cells {
    let (top, left) = range.start().unwrap_or_default();
    let used = range.used_cells();
    used.map(|(row, column, data)| ((top + row as u32, left + column as u32), shown(data)))
        .filter(|((row, column), text)| {
            *row < MOST_ROWS && *column < MOST_COLUMNS && !text.is_empty()
        })
        .collect()
}

/// The value of a merged region, which stands in its first row, in the rows below: a name beside several sales
/// is that of each.
fn fill_down(cells: &mut Cells, region: &Dimensions) {
    let ((top, left), (bottom, _)) = (region.start, region.end);
    if let Some(text) = cells.get(&(top, left)).cloned() {
        let last = cells.keys().next_back().map_or(0, |(row, _)| *row);
        for row in top + 1..=bottom.min(last) {
            cells.entry((row, left)).or_insert_with(|| text.clone());
        }
    }
}

/// Rows times columns.
fn size(cells: &Cells) -> u64 {
    let (rows, columns) = extent(cells);
    u64::from(rows) * u64::from(columns)
}

fn extent(cells: &Cells) -> (u32, u32) {
    let rows = cells.keys().next_back().map_or(0, |(row, _)| row + 1);
    let columns = cells.keys().map(|(_, column)| column + 1).max();
    (rows, columns.unwrap_or(0))
}

/// Rows of comma-separated cells, each row as wide as the sheet.
fn text(cells: &Cells) -> Result<String, String> {
    let (rows, columns) = extent(cells);
    let mut all = Vec::new();
    let mut rest = cells.iter().peekable();
    for row in 0..rows {
        let mut texts = vec![""; columns as usize];
        while let Some(((_, column), text)) = rest.next_if(|((at, _), _)| *at == row) {
            texts[*column as usize] = text;
        }
        if texts.iter().all(|text| text.is_empty()) {
            all.push(b'\n');
        } else {
            all.extend(line(&texts).map_err(why)?);
        }
    }
    String::from_utf8(all).map_err(why)
}

/// A value as text: days as YYYY-MM-DD, numbers with a decimal point.
fn shown(data: &Data) -> String {
    match data {
        Data::Empty => String::new(),
        Data::Int(number) => number.to_string(),
        Data::Float(number) => plain(*number),
        Data::Bool(yes) => if *yes { "yes" } else { "no" }.to_string(),
        Data::String(text) => cleaned(text),
        Data::DateTime(time) if time.is_datetime() => {
            let (year, month, day, ..) = time.to_ymd_hms_milli();
            format!("{year:04}-{month:02}-{day:02}")
        }
        Data::DateTime(time) => plain(time.as_f64()),
        Data::DateTimeIso(text) => text.get(..10).unwrap_or(text).to_string(),
        Data::DurationIso(text) => cleaned(text),
        Data::Error(error) => error.to_string(),
    }
}

/// A number as people would write it: whole if it is, and never with exactly three decimals, which could be
/// thousands.
fn plain(number: f64) -> String {
    let rounded = (number * 1e6).round() / 1e6;
    let mut text = rounded.to_string();
    let decimals = text
        .split_once('.')
        .map_or(0, |(_, decimals)| decimals.len());
    if decimals == 3 {
        text.push('0');
    }
    text
}

/// Text in one line, so that a row of the sheet is a line.
fn cleaned(text: &str) -> String {
    text.split(['\n', '\r'])
        .map(str::trim)
        .collect::<Vec<_>>()
        .join(" ")
        .trim()
        .to_string()
}

#[cfg(test)]
mod tests {
    use rust_xlsxwriter::{ExcelDateTime, Format, Workbook};

    use super::*;

    /// Written by another library, read back here.
    #[test]
    fn sheets_of_an_xlsx() {
        let mut book = Workbook::new();
        let sheet = book.add_worksheet();
        sheet.set_name("Notes").unwrap();
        sheet.write(0, 0, "nothing here").unwrap();
        let sheet = book.add_worksheet();
        sheet.set_name("Sold, 2026").unwrap();
        let day = Format::new().set_num_format("dd/mm/yyyy");
        let money = Format::new().set_num_format("#,##0.00");
        sheet
            .merge_range(0, 0, 0, 3, "My sales", &Format::new())
            .unwrap();
        for (column, name) in ["model", "date", "price", "note"].into_iter().enumerate() {
            sheet.write(2, column as u16, name).unwrap();
        }
        sheet
            .merge_range(3, 0, 4, 0, "Nulva, 61K", &Format::new())
            .unwrap();
        let on = ExcelDateTime::from_ymd(2026, 3, 31).unwrap();
        sheet.write_with_format(3, 1, &on, &day).unwrap();
        sheet.write_with_format(3, 2, 1234.5, &money).unwrap();
        sheet.write(3, 3, "two\nlines \"quoted\"").unwrap();
        sheet.write(4, 1, "1.4.26").unwrap();
        sheet.write(4, 2, 1.234).unwrap();
        sheet.write(4, 3, true).unwrap();
        sheet.write(900_000, 900, "stray").unwrap();
        let read = sheets(&book.save_to_buffer().unwrap());
        assert!(
            read.unwrap_err().expected.contains("cells"),
            "a stray cell is not filled up"
        );
        let sheet = book.worksheet_from_name("Sold, 2026").unwrap();
        sheet.clear_cell(900_000, 900);
        let read = sheets(&book.save_to_buffer().unwrap()).unwrap();
        assert_eq!(read[0].name, "Notes");
        assert_eq!(read[1].name, "Sold, 2026");
        assert_eq!(
            read[1].text,
            "My sales,,,\n\nmodel,date,price,note\n\"Nulva, 61K\",2026-03-31,1234.5,\"two lines \"\"quoted\"\"\"\n\
             \"Nulva, 61K\",1.4.26,1.2340,yes\n"
        );
    }

    #[test]
    fn what_is_no_workbook() {
        for bytes in [&b"PK\x03\x04rest"[..], &[0xd0, 0xcf, 0x11, 0xe0, 1, 2]] {
            assert!(is_workbook(bytes));
            assert!(sheets(bytes).is_err());
        }
        assert!(!is_workbook(b"model,price\n"));
    }
}
