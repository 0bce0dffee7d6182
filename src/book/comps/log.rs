//! `comps/logged.csv`: sales recorded one at a time, each line with its entry number.
//!
//! A line is appended with one write and then synced, so that a crash leaves at most an unfinished
//! last line. Readers skip such a line; the next writer repairs it. If a sale has an attribute or a
//! rate for which the file has no column, the file is rewritten with that column.

pub(crate) use crate::book::csv::torn::{LogBytes, LogPart};
use crate::book::csv::torn::{entry_number, reader_of};
use std::collections::BTreeSet;
use std::io::{self, Read};
use std::path::{Path, PathBuf};
use std::sync::{Arc, PoisonError};

use csv::ByteRecord;

use crate::book::BookError;
use crate::book::comps::cache;
use crate::book::csv::canonical::{
    self, LOGGED_COLUMNS, Layout, OptionalColumn, Row, Writer, header, io_error, optional_columns,
};
use crate::book::open::{Book, BookLock};
use crate::settings::Settings;
use crate::trade::cells::Wrong;
use crate::trade::{Comp, Problem};

/// Name of the file in `comps/` (and, for undone lines, in `undone/`).
pub const FILE_NAME: &str = "logged.csv";

/// Reads the rows of a log's finished lines after `part`.
pub(crate) fn rows(
    log: &LogBytes,
    after: &LogPart,
    name: &str,
    settings: &Settings,
) -> Result<(Vec<Row>, Vec<Problem>), BookError> {
    let mut rows = Vec::new();
    let header = memchr::memchr(b'\n', log.finished()).filter(|_| after.length > 0);
    let header = header.map_or(&b""[..], |end| &log.finished()[..=end]);
    let passed = after.lines.saturating_sub(1);
    let text = header.chain(log.after(after));
    let read = canonical::read(text, name, Layout::Logged, settings, &mut |row| {
        rows.push(Row {
            line: row.line + passed,
            ..row
        })
    });
    let mut problems = read.map_err(BookError::io(name, "read"))?;
    problems
        .iter_mut()
        .for_each(|problem| problem.row += passed);
    problems.extend(log.unclosed_quote(name));
    problems.extend(canonical::repeated_entries(name, &rows));
    Ok((rows, problems))
}

/// Highest entry number in the first cells of a log's records, including invalid ones and an
/// unfinished last one.
pub(crate) fn highest_entry(log: &LogBytes, path: &Path) -> Result<u64, BookError> {
    let torn = log.tail().split(|&b| b == b',').next();
    let after = finished_entries(log).map_err(BookError::io(path, "read"))?;
    let highest = after.into_iter().max().max(torn.and_then(entry_number));
    Ok(highest.map_or(0, u64::from).max(log.known.highest))
}

/// The entry numbers in the first cells of a log's finished records, except those in the cache. A
/// line inside a quoted cell is no record.
fn finished_entries(log: &LogBytes) -> io::Result<Vec<u32>> {
    let mut reader = reader_of(log.after(&log.known));
    let mut record = ByteRecord::new();
    let mut entries = Vec::new();
    while reader.read_byte_record(&mut record).map_err(io_error)? {
        entries.extend(record.get(0).and_then(entry_number));
    }
    Ok(entries)
}

impl Book {
    /// Path of `comps/logged.csv`.
    pub fn log_path(&self) -> PathBuf {
        self.comps_dir().join(FILE_NAME)
    }

    /// The log, read again only if it has changed.
    pub(crate) fn log_bytes(&self) -> Result<Arc<LogBytes>, BookError> {
        let path = self.log_path();
        let stamp = self.stamp(&path)?;
        let mut held = self.log_read.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some((known, log)) = held.as_ref().filter(|_| stamp.is_some())
            && Some(known) == stamp.as_ref()
        {
            return Ok(Arc::clone(log));
        }
        let bytes = self.read(&path)?.unwrap_or_default();
        let known = cache::part_of_log(self, &bytes);
        let log = Arc::new(LogBytes::new(bytes, known));
        *held = stamp.map(|stamp| (stamp, Arc::clone(&log)));
        Ok(log)
    }

    /// Appends one sale to a log without an unfinished line ([`Book::repair_log`]) and returns its
    /// entry number. The line is durable on return.
    ///
    /// # Errors
    /// If writing fails; the file then has its old length.
    pub fn append(
        &self,
        lock: &BookLock,
        comp: &Comp,
        notice: &mut dyn FnMut(&str),
    ) -> Result<u64, BookError> {
        self.repair_log(lock, notice)?;
        let entry = self.next_entry(lock)?;
        self.add_logged(&self.log_path(), &*self.log_bytes()?, entry, comp)?;
        Ok(entry)
    }

    /// The last logged sale that was not undone; invalid rows are skipped.
    ///
    /// # Errors
    /// If the log cannot be read.
    pub fn last_logged(&self) -> Result<Option<Comp>, BookError> {
        let log = self.log_bytes()?;
        let last = |after: &LogPart| -> Result<Option<Row>, BookError> {
            let (rows, _) = rows(&log, after, FILE_NAME, self.settings())?;
            Ok(rows.into_iter().max_by_key(|row| row.entry))
        };
        let newer = last(&log.known)?.filter(|row| row.entry > log.known.highest);
        let last = newer.map_or_else(|| last(&LogPart::default()), |row| Ok(Some(row)))?;
        Ok(last.map(|row| row.comp))
    }

    /// Adds a line to a log: at its end if the log has columns for the attributes and the rate of
    /// the comp, else in a wider log that replaces it.
    fn add_logged(
        &self,
        path: &Path,
        log: &LogBytes,
        entry: u64,
        comp: &Comp,
    ) -> Result<(), BookError> {
        let added = optional_columns([comp]);
        let line = |optional: Vec<OptionalColumn>| {
            let mut writer = Writer::without_header(Vec::new(), optional);
            writer.logged(entry, comp)?;
            writer.finish()
        };
        let failed = BookError::io(path, "write");
        if log.bytes.is_empty() {
            let row = line(added.clone()).map_err(failed)?;
            return self.append_bytes(path, &added, &row);
        }
        let known = match log.optional().map_err(BookError::io(path, "read"))? {
            Some(known) => known,
            // Not a log of this program: a reader reports its errors.
            None if added.is_empty() => Vec::new(),
            None => return Err(BookError::Rows(vec![self.not_widened(path, 1)])),
        };
        if added.iter().all(|column| known.contains(column)) {
            let row = line(known.clone()).map_err(failed)?;
            return self.append_bytes(path, &known, &row);
        }
        let all: BTreeSet<OptionalColumn> = known.iter().cloned().chain(added).collect();
        let all: Vec<OptionalColumn> = all.into_iter().collect();
        let widened = widen(&log.bytes, &known, &all).map_err(BookError::io(path, "read"))?;
        let mut bytes =
            widened.map_err(|row| BookError::Rows(vec![self.not_widened(path, row)]))?;
        bytes.extend(line(all).map_err(failed)?);
        self.replace_file(path, &bytes)
    }

    fn not_widened(&self, path: &Path, row: u64) -> Problem {
        let expected = "a row like the others, so that a column can be added";
        let fix = "fix it, or move the file out of the folder, then run the command again";
        Wrong::new(expected, fix).at(&self.display_name(path), row, "", "")
    }

    /// Repairs an unfinished last line of the log, after saving its bytes in another file.
    ///
    /// # Errors
    /// If reading or writing fails, or if the cause is an unclosed quote from an edit by hand.
    pub fn repair_log(
        &self,
        _lock: &BookLock,
        notice: &mut dyn FnMut(&str),
    ) -> Result<(), BookError> {
        let path = self.log_path();
        let name = self.display_name(&path);
        let log = self.log_bytes()?;
        if !log.is_torn() {
            return Ok(());
        }
        if let Some(problem) = log.unclosed_quote(&name) {
            return Err(BookError::Rows(vec![problem]));
        }
        let mut whole = log.bytes.clone();
        whole.push(b'\n');
        let repaired = LogBytes::new(whole, LogPart::default());
        let kept = !repaired.is_torn() && {
            let all = LogPart::default();
            let (before, _) = rows(&log, &all, &name, self.settings())?;
            let (after, problems) = rows(&repaired, &all, &name, self.settings())?;
            // A truncated name of an attribute may still be a valid one.
            let plain = repaired
                .optional()
                .is_ok_and(|columns| columns == Some(Vec::new()));
            let header_only = log.finished == 0 && problems.is_empty() && plain;
            header_only || after.len() == before.len() + 1
        };
        let saved = self.save_torn(&path, log.tail())?;
        let saved = self.display_name(&saved);
        if kept {
            self.replace_file(&path, &repaired.bytes)?;
            notice(&format!(
                "the last line of {name} was not finished; it is readable and kept, but its last cell may be \
                    cut (its bytes are in {saved})"
            ));
        } else {
            self.replace_file(&path, log.finished())?;
            notice(&format!(
                "the last line of {name} was cut off and removed; the rest of it is in {saved}: record that \
                    sale again"
            ));
        }
        Ok(())
    }

    /// Removes the line of an entry from the log, after adding it to `undone/logged.csv`.
    pub(crate) fn remove_logged(&self, row: &Row) -> Result<(), BookError> {
        let path = self.log_path();
        let log = self.log_bytes()?;
        let range = record_range(log.finished(), row.line).map_err(BookError::io(&path, "read"))?;
        let undone = self.undone_dir().join(FILE_NAME);
        let kept = LogBytes::read(self, &undone)?;
        if kept.is_torn() {
            self.save_torn(&undone, kept.tail())?;
            self.replace_file(&undone, kept.finished())?;
        }
        // A killed run may have added it already.
        let entries = finished_entries(&kept).map_err(BookError::io(&undone, "read"))?;
        if !entries.iter().any(|&entry| u64::from(entry) == row.entry) {
            let kept = LogBytes::read(self, &undone)?;
            self.add_logged(&undone, &kept, row.entry, &row.comp)?;
        }
        let mut rest = log.bytes[..range.start].to_vec();
        rest.extend_from_slice(&log.bytes[range.end..]);
        self.replace_file(&path, &rest)
    }

    /// Like [`Book::append_line`], with the header of a log with these optional columns.
    fn append_bytes(
        &self,
        path: &Path,
        optional: &[OptionalColumn],
        line: &[u8],
    ) -> Result<(), BookError> {
        let header = header(&LOGGED_COLUMNS, optional);
        let header = crate::book::csv::lines::line(header).map_err(BookError::io(path, "write"))?;
        self.append_line(path, &header, line)
    }
}

/// Byte range of the record that begins on a line.
fn record_range(bytes: &[u8], line: u64) -> io::Result<std::ops::Range<usize>> {
    let mut reader = reader_of(bytes);
    let mut record = ByteRecord::new();
    while reader.read_byte_record(&mut record)? {
        if let Some(position) = record.position()
            && position.line() == line
        {
            let start = position.byte() as usize;
            return Ok(start..reader.position().byte() as usize);
        }
    }
    Err(io::Error::new(
        io::ErrorKind::InvalidData,
        "the line is gone",
    ))
}

/// A log with the optional columns `known`, converted to those of `wanted`. Cells stay unchanged
/// and blank rows are removed. Also returns the line of a row with missing cells, if there is one.
fn widen(
    bytes: &[u8],
    known: &[OptionalColumn],
    wanted: &[OptionalColumn],
) -> io::Result<Result<Vec<u8>, u64>> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    writer.write_record(header(&LOGGED_COLUMNS, wanted))?;
    let fixed = LOGGED_COLUMNS.len();
    let place = |column| known.iter().position(|known| known == column);
    let places: Vec<Option<usize>> = wanted.iter().map(place).collect();
    let mut reader = reader_of(bytes);
    let mut record = ByteRecord::new();
    reader.read_byte_record(&mut record).map_err(io_error)?;
    while reader.read_byte_record(&mut record).map_err(io_error)? {
        if record.iter().all(|cell| cell.trim_ascii().is_empty()) {
            continue;
        }
        if record.len() != fixed + known.len() {
            return Ok(Err(record.position().map_or(0, csv::Position::line)));
        }
        let behind = places.iter().map(|place| {
            place
                .and_then(|at| record.get(fixed + at))
                .unwrap_or_default()
        });
        writer.write_record(record.iter().take(fixed).chain(behind))?;
    }
    writer
        .into_inner()
        .map(Ok)
        .map_err(csv::IntoInnerError::into_error)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::book::csv::torn::finished_length;

    #[test]
    fn finished_lines_end_outside_of_quotes() {
        let finished = |text: &str| &text[..finished_length(text.as_bytes())] == text;
        for whole in [
            "",
            "a,b\n",
            "a,\"b\n\"\n",
            "a,\"say \"\"b\"\"\"\n",
            "a,7\" wide\nb\n",
            "\"a\",b\n",
        ] {
            assert!(finished(whole), "{whole:?}");
        }
        for (torn, kept) in [
            ("a\nb", 2),
            ("a\n1,\"b\n", 2),
            ("a\n1,\"b\"\"\n", 2),
            ("a", 0),
        ] {
            assert_eq!(finished_length(torn.as_bytes()), kept, "{torn:?}");
        }
    }

    #[test]
    fn an_open_quote_before_other_rows_is_no_torn_line() {
        let log = |text: &str| LogBytes::new(text.into(), LogPart::default());
        assert!(
            log("h\n1,\"a\n2,b,2026-01-01,x\n3,c,2026-01-02,x\n")
                .unclosed_quote("logged.csv")
                .is_some()
        );
        assert!(
            log("h\n1,\"a\nsecond line of the no")
                .unclosed_quote("logged.csv")
                .is_none()
        );
        assert!(
            log("h\n1,\"a\n22,two of us were th")
                .unclosed_quote("logged.csv")
                .is_none()
        );
    }

    #[test]
    fn a_log_is_widened_cell_by_cell() {
        let attribute = |name: &str| OptionalColumn::Attribute(name.into());
        let columns = LOGGED_COLUMNS.join(",");
        let row = "1,a,2026-01-01,Nulva 61K,,,,,,,yes,1.00,0.00,EUR,,,1,\"two\nlines\"";
        let log = format!("{columns},Attr.Storage\n\n{row},256\n");
        let wide = widen(
            log.as_bytes(),
            &[attribute("storage")],
            &[attribute("memory"), attribute("storage")],
        );
        assert_eq!(
            String::from_utf8(wide.unwrap().unwrap()).unwrap(),
            format!("{columns},attr.memory,attr.storage\n{row},,256\n")
        );
        let short = format!("{columns}\n{row}\n2,b\n");
        assert_eq!(
            widen(short.as_bytes(), &[], &[attribute("a")]).unwrap(),
            Err(4)
        );
    }

    #[test]
    fn records_are_found_by_line() {
        let text = b"h\n1,\"a\nb\"\n2,c\n";
        assert_eq!(&text[record_range(text, 2).unwrap()], b"1,\"a\nb\"\n");
        assert_eq!(&text[record_range(text, 4).unwrap()], b"2,c\n");
        assert!(record_range(text, 9).is_err());
    }
}
