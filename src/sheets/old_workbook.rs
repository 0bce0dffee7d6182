//! Workbooks of the older kind (.xls), made safe to read: the stream of records is taken out of its compound
//! file, looked through, and put into a new one.
//!
//! The library that reads the records trusts the sizes they state: a damaged one takes tens of gigabytes.
//! Record layouts: Microsoft, *Excel Binary File Format* (MS-XLS), sections 2.3 and 2.4.

use std::io::{Cursor, Read, Write};

use cfb::{CompoundFile, Version};

/// Most cells from the first to the last row and column of all sheets together, blank ones included.
const MOST_CELLS: u64 = 4_000_000;

/// Most sheets.
const MOST_SHEETS: usize = 1_000;

/// Types of records.
const BEGIN: u16 = 0x0809;
const END: u16 = 0x000a;
const BOUND_SHEET: u16 = 0x0085;
const DIMENSIONS: u16 = 0x0200;
const FORMULA: u16 = 0x0006;
const MULTIPLE: u16 = 0x00bd;
/// Records of one cell, which begin with its row and column: number, label, rich string, boolean or
/// error, compressed number, shared string, formula.
const ONE_CELL: [u16; 7] = [0x0203, 0x0204, 0x00d6, 0x0205, 0x027e, 0x00fd, FORMULA];

/// The workbook in a compound file of its own, without anything else that was in it.
///
/// # Errors
/// A sentence, if the file is damaged or its sheets are too large.
pub(super) fn safe(bytes: &[u8]) -> Result<Vec<u8>, String> {
    let records = stream(bytes)?;
    let mut cells = 0;
    let sheets = places(&records)?;
    for at in sheets {
        cells += extent(records.get(at..).ok_or_else(damaged)?)?;
        if cells > MOST_CELLS {
            return Err(too_many());
        }
    }
    wrapped(&records).map_err(|error| error.to_string())
}

fn damaged() -> String {
    "it is damaged".into()
}

fn too_many() -> String {
    format!("its sheets span more than {MOST_CELLS} cells: save it as .xlsx")
}

/// The records of a workbook.
fn stream(bytes: &[u8]) -> Result<Vec<u8>, String> {
    let mut file = CompoundFile::open(Cursor::new(bytes)).map_err(|error| error.to_string())?;
    let name = ["Workbook", "Book"].into_iter().find(|n| file.is_stream(n));
    let name = name.ok_or("it holds no workbook")?;
    let mut records = Vec::new();
    let mut stream = file.open_stream(name).map_err(|error| error.to_string())?;
    let read = stream.read_to_end(&mut records);
    read.map_err(|error| error.to_string())?;
    Ok(records)
}

fn wrapped(records: &[u8]) -> std::io::Result<Vec<u8>> {
    let mut file = CompoundFile::create_with_version(Version::V3, Cursor::new(Vec::new()))?;
    let mut stream = file.create_stream("Workbook")?;
    stream.write_all(records)?;
    stream.flush()?;
    drop(stream);
    file.flush()?;
    Ok(file.into_inner().into_inner())
}

/// A record: its type and its content.
type Record<'a> = (u16, &'a [u8]);

/// The records of a stream, until one is cut off.
fn records(stream: &[u8]) -> impl Iterator<Item = Record<'_>> {
    let mut rest = stream;
    std::iter::from_fn(move || {
        let (kind, length) = (short(rest, 0)?, short(rest, 2)?);
        let content = rest.get(4..4 + usize::from(length))?;
        rest = &rest[4 + usize::from(length)..];
        Some((kind, content))
    })
}

/// Where the sheets begin in the stream.
fn places(stream: &[u8]) -> Result<Vec<usize>, String> {
    let bound = records(stream).take_while(|(kind, _)| *kind != END);
    let places: Option<Vec<usize>> = bound
        .filter(|(kind, _)| *kind == BOUND_SHEET)
        .map(|(_, content)| usize::try_from(long(content, 0)?).ok())
        .collect();
    let places = places.ok_or_else(damaged)?;
    if places.len() > MOST_SHEETS {
        return Err(format!("it has more than {MOST_SHEETS} sheets"));
    }
    Ok(places)
}

/// Rows times columns from the first to the last cell of a sheet, or what it states if that is more.
fn extent(sheet: &[u8]) -> Result<u64, String> {
    let mut depth = 0;
    let mut stated = 0;
    let (mut first, mut last) = ((u16::MAX, u16::MAX), (0, 0));
    for (kind, content) in records(sheet) {
        match kind {
            BEGIN => depth += 1,
            END if depth <= 1 => break,
            END => depth -= 1,
            DIMENSIONS => stated = stated.max(dimensions(content).ok_or_else(damaged)?),
            MULTIPLE => {
                let row = short(content, 0).ok_or_else(damaged)?;
                let left = short(content, 2).ok_or_else(damaged)?;
                let right = content
                    .len()
                    .checked_sub(2)
                    .and_then(|at| short(content, at));
                let right = right.filter(|right| *right >= left).ok_or_else(damaged)?;
                first = (first.0.min(row), first.1.min(left));
                last = (last.0.max(row), last.1.max(right));
            }
            _ if ONE_CELL.contains(&kind) => {
                let row = short(content, 0).ok_or_else(damaged)?;
                let column = short(content, 2).ok_or_else(damaged)?;
                first = (first.0.min(row), first.1.min(column));
                last = (last.0.max(row), last.1.max(column));
            }
            _ => {}
        }
    }
    let side = |first: u16, last: u16| u64::from(last.saturating_sub(first)) + 1;
    Ok(stated.max(side(first.0, last.0) * side(first.1, last.1)))
}

/// Rows times columns that a record of dimensions states; the ends are one behind the last.
fn dimensions(content: &[u8]) -> Option<u64> {
    let (rows, columns) = match content.len() {
        10 => (
            (short(content, 0)?.into(), short(content, 2)?.into()),
            (short(content, 4)?, short(content, 6)?),
        ),
        _ => (
            (long(content, 0)?, long(content, 4)?),
            (short(content, 8)?, short(content, 10)?),
        ),
    };
    let ordered = rows.0 <= rows.1 && columns.0 <= columns.1;
    let (rows, columns) = (
        u64::from(rows.1.checked_sub(rows.0)?) + 1,
        u64::from(columns.1.checked_sub(columns.0)?) + 1,
    );
    ordered.then(|| rows.saturating_mul(columns))
}

fn short(bytes: &[u8], at: usize) -> Option<u16> {
    let two = bytes.get(at..at + 2)?;
    Some(u16::from_le_bytes(two.try_into().ok()?))
}

fn long(bytes: &[u8], at: usize) -> Option<u32> {
    let four = bytes.get(at..at + 4)?;
    Some(u32::from_le_bytes(four.try_into().ok()?))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn record(kind: u16, content: &[u8]) -> Vec<u8> {
        let length = content.len() as u16;
        [&kind.to_le_bytes()[..], &length.to_le_bytes(), content].concat()
    }

    fn cell(row: u16, column: u16) -> Vec<u8> {
        let place = [row.to_le_bytes(), column.to_le_bytes()].concat();
        record(0x0203, &[&place[..], &[0; 10]].concat())
    }

    /// A workbook of one sheet with these records.
    fn workbook(sheet: &[Vec<u8>]) -> Vec<u8> {
        let begin = record(BEGIN, &[0, 6, 5, 0, 0, 0, 0, 0]);
        let at = (begin.len() + 4 + 8 + 4) as u32;
        let bound = record(
            BOUND_SHEET,
            &[&at.to_le_bytes()[..], &[0, 0, 1, 0]].concat(),
        );
        let globals = [begin.clone(), bound, record(END, &[])].concat();
        assert_eq!(globals.len(), at as usize);
        let records = [globals, begin, sheet.concat(), record(END, &[])].concat();
        wrapped(&records).unwrap()
    }

    fn stated(rows: u32, columns: u16) -> Vec<u8> {
        let ends = [0_u32.to_le_bytes(), rows.to_le_bytes()].concat();
        let columns = [0_u16.to_le_bytes(), columns.to_le_bytes(), [0, 0]].concat();
        record(DIMENSIONS, &[ends, columns].concat())
    }

    #[test]
    fn sizes_are_held_before_anything_is_read() {
        let fine = workbook(&[stated(65_536, 8), cell(0, 0), cell(65_535, 7)]);
        assert_eq!(
            stream(&safe(&fine).unwrap()).unwrap(),
            stream(&fine).unwrap()
        );
        for (sheet, expected) in [
            (
                vec![cell(0, 0), cell(65_535, 255)],
                "more than 4000000 cells",
            ),
            (vec![stated(u32::MAX, 16)], "more than 4000000 cells"),
            (vec![record(DIMENSIONS, &[0; 5])], "damaged"),
            (vec![record(0x0203, &[1, 0])], "damaged"),
            (vec![record(MULTIPLE, &[1, 0, 9, 0, 2, 0])], "damaged"),
        ] {
            let error = safe(&workbook(&sheet)).unwrap_err();
            assert!(error.contains(expected), "{error}");
        }
        let elsewhere = {
            let bound = record(BOUND_SHEET, &[255, 255, 255, 255, 0, 0]);
            wrapped(&bound).unwrap()
        };
        assert!(safe(&elsewhere).is_err());
        assert!(safe(&[0xd0, 0xcf, 0x11, 0xe0]).is_err());
    }

    #[test]
    fn a_sheet_inside_a_sheet_does_not_end_it() {
        let inner = [record(BEGIN, &[0; 8]), record(END, &[])].concat();
        let sheet = [inner, cell(9, 1), cell(0, 0)];
        let records = stream(&workbook(&sheet)).unwrap();
        let at = places(&records).unwrap();
        assert_eq!(at.len(), 1);
        assert_eq!(extent(&records[at[0]..]).unwrap(), 20);
    }
}
