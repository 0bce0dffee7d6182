//! Append-only files with one row per entry (the ledger, the history of a watched unit): the common
//! part, for any columns.

use std::io;

use csv::ByteRecord;

use crate::book::csv::canonical::io_error;
use crate::trade::cells::{Fault, Wrong};
use crate::trade::problem::Problem;

/// An error in a row; the column is blank for the whole row.
pub(crate) type RowFault = Fault<&'static str>;

/// Reads finished lines. `each` takes the first line of a row and its cells, and returns errors.
/// Blank rows are skipped. Problems call the file `name`; `header` is its first row, `fix` the fix
/// if that differs.
///
/// # Errors
/// If the lines cannot be separated.
pub(crate) fn read(
    bytes: &[u8],
    name: &str,
    header: &[&str],
    fix: &str,
    each: &mut dyn FnMut(u64, &[&str]) -> Vec<RowFault>,
) -> io::Result<Vec<Problem>> {
    let mut reader = csv::ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .from_reader(bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes));
    let mut problems = Vec::new();
    let mut problem = |row: u64, fault: RowFault| {
        problems.push(fault.wrong.at(name, row, fault.column, &fault.value));
    };
    let whole = |value: String, wrong: Wrong| Fault {
        column: "",
        value,
        wrong,
    };
    let mut record = ByteRecord::new();
    let mut is_header = true;
    while reader.read_byte_record(&mut record).map_err(io_error)? {
        let row = record.position().map_or(0, csv::Position::line);
        let cells: Result<Vec<&str>, _> = record.iter().map(std::str::from_utf8).collect();
        let Ok(cells) = cells else {
            let wrong = Wrong::new("UTF-8 text", "save it as UTF-8");
            problem(row, whole(String::new(), wrong));
            continue;
        };
        if std::mem::take(&mut is_header) {
            if !cells
                .iter()
                .map(|cell| cell.trim())
                .eq(header.iter().copied())
            {
                let expected = format!("the header {:?}", header.join(","));
                problem(row, whole(cells.join(","), Wrong::new(expected, fix)));
                break;
            }
            continue;
        }
        if cells.iter().any(|cell| !cell.trim().is_empty()) {
            each(row, &cells)
                .into_iter()
                .for_each(|fault| problem(row, fault));
        }
    }
    Ok(problems)
}

/// A row as written.
///
/// # Errors
/// If the cells cannot be written as CSV.
pub(crate) fn line(cells: impl IntoIterator<Item = impl AsRef<[u8]>>) -> io::Result<Vec<u8>> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    writer.write_record(cells)?;
    writer.into_inner().map_err(csv::IntoInnerError::into_error)
}
