//! Files of one row for each entry that only grow (the ledger, the history of a watched unit): what
//! they have in common whatever the columns.

use std::io;

use csv::ByteRecord;

use crate::book::csv::canonical::io_error;
use crate::trade::cells::{Fault, Wrong};
use crate::trade::problem::Problem;

/// What is wrong with a cell; the column is blank for the row as a whole.
pub(crate) type RowFault = Fault<&'static str>;

/// Reads finished lines: `each` takes the line on which a row begins and its cells, and says what
/// is wrong with them. Blank rows are passed over. `name` is what problems call the file, `header` its
/// first row, `mend` what to do where that is another.
///
/// # Errors
/// Where the lines cannot be told apart.
pub(crate) fn read(
    bytes: &[u8],
    name: &str,
    header: &[&str],
    mend: &str,
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
                problem(row, whole(cells.join(","), Wrong::new(expected, mend)));
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

/// A row as it is written.
///
/// # Errors
/// Where the cells cannot be written as CSV.
pub(crate) fn line(cells: impl IntoIterator<Item = impl AsRef<[u8]>>) -> io::Result<Vec<u8>> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    writer.write_record(cells)?;
    writer.into_inner().map_err(csv::IntoInnerError::into_error)
}
