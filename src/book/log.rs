//! `comps/logged.csv`: sales recorded one at a time, each line with its entry number.
//!
//! A line is appended with one write and then synced, so that a crash leaves at most an
//! unfinished last line. Readers pass such a line over; the next writer repairs it.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use super::canonical::{self, LOGGED_COLUMNS, Layout, Row, Writer};
use super::store::{Book, BookLock, sync_folder};
use super::{BookError, Comp, Problem, Settings};

/// Name of the file in `comps/` (and, for what was taken back, in `undone/`).
pub const FILE_NAME: &str = "logged.csv";

/// The bytes of a log, with where its last finished line ends.
pub(super) struct LogBytes {
    bytes: Vec<u8>,
    finished: usize,
}

impl LogBytes {
    /// Reads the file; a log that does not exist is empty.
    pub(super) fn read(path: &Path) -> Result<Self, BookError> {
        let bytes = match fs::read(path) {
            Ok(bytes) => bytes,
            Err(error) if error.kind() == io::ErrorKind::NotFound => Vec::new(),
            Err(error) => return Err(BookError::io(path, "read")(error)),
        };
        let finished = finished_length(&bytes);
        Ok(Self { bytes, finished })
    }

    /// The finished lines.
    pub(super) fn finished(&self) -> &[u8] {
        &self.bytes[..self.finished]
    }

    /// What comes after them: empty, or an unfinished line.
    fn tail(&self) -> &[u8] {
        &self.bytes[self.finished..]
    }

    pub(super) fn is_torn(&self) -> bool {
        !self.tail().is_empty()
    }

    /// A quote that was opened by hand and never closed makes all that follows look like one
    /// unfinished line: told by lines within it that begin like rows.
    fn unclosed_quote(&self, name: &str) -> Option<Problem> {
        let tail = self.tail();
        // A line of a note may begin with a number, but hardly goes on as a row does.
        let like_row = |line: &[u8]| {
            let mut cells = line.split(|&b| b == b',');
            let number = cells
                .next()
                .is_some_and(|cell| entry_number(cell).is_some());
            let day = cells.nth(1).and_then(|cell| std::str::from_utf8(cell).ok());
            number && day.is_some_and(|text| canonical::day(text.trim()).is_ok())
        };
        if !tail.split(|&b| b == b'\n').skip(1).any(like_row) {
            return None;
        }
        Some(Problem {
            file: name.to_string(),
            row: 1 + self.finished().iter().filter(|&&b| b == b'\n').count() as u64,
            column: String::new(),
            value: String::new(),
            expected: "a closing double quote".into(),
            mend: "close the quote that is opened in this row, or take the quote out".into(),
        })
    }
}

/// Length up to the end of the last finished record. A line break within quotes does not end
/// one; a quote opens only at the beginning of a cell.
fn finished_length(bytes: &[u8]) -> usize {
    let (mut finished, mut quoted, mut cell_begins) = (0, false, true);
    for (at, &byte) in bytes.iter().enumerate() {
        if quoted {
            // A doubled quote closes and opens again at once.
            quoted = byte != b'"';
            cell_begins = !quoted;
            continue;
        }
        quoted = byte == b'"' && cell_begins;
        cell_begins = matches!(byte, b',' | b'\n');
        if byte == b'\n' {
            finished = at + 1;
        }
    }
    finished
}

/// Reads the rows of a log's finished lines.
pub(super) fn rows(
    log: &LogBytes,
    name: &str,
    settings: &Settings,
) -> Result<(Vec<Row>, Vec<Problem>), BookError> {
    let mut rows = Vec::new();
    let mut problems: Vec<Problem> = log.unclosed_quote(name).into_iter().collect();
    let read = canonical::read(log.finished(), name, Layout::Logged, settings, &mut |row| {
        rows.push(row)
    });
    problems.extend(read.map_err(BookError::io(name, "read"))?);
    problems.extend(canonical::repeated_entries(name, &rows));
    Ok((rows, problems))
}

/// Highest entry number in the first cells of a log's records, wrong ones and a torn last one
/// included. A line within a quoted cell is no record.
pub(super) fn highest_entry(path: &Path) -> Result<u64, BookError> {
    let log = LogBytes::read(path)?;
    let mut reader = csv::ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .from_reader(log.finished());
    let mut highest = log
        .tail()
        .split(|&b| b == b',')
        .next()
        .and_then(entry_number);
    let mut record = csv::ByteRecord::new();
    while reader
        .read_byte_record(&mut record)
        .map_err(|error| BookError::io(path, "read")(error.into()))?
    {
        highest = highest.max(record.get(0).and_then(entry_number));
    }
    Ok(highest.map_or(0, u64::from))
}

/// The entry number in the first cell of a record.
fn entry_number(cell: &[u8]) -> Option<u32> {
    let text = std::str::from_utf8(cell).ok()?;
    text.trim().trim_matches('"').parse().ok()
}

impl Book {
    /// Path of `comps/logged.csv`.
    pub fn log_path(&self) -> PathBuf {
        self.comps_dir().join(FILE_NAME)
    }

    /// Appends one sale and returns its entry number. The line is on disk when this returns.
    ///
    /// # Errors
    /// Where writing fails; the file is then as long as before.
    pub fn append(
        &self,
        lock: &BookLock,
        comp: &Comp,
        notice: &mut dyn FnMut(&str),
    ) -> Result<u64, BookError> {
        self.repair_log(lock, notice)?;
        let entry = self.next_entry(lock)?;
        // A book that comes out of version control has no empty folders.
        let dir = self.comps_dir();
        fs::create_dir_all(&dir).map_err(BookError::io(&dir, "make the folder"))?;
        append_row(&self.log_path(), |writer| writer.logged(entry, comp))?;
        Ok(entry)
    }

    /// Mends an unfinished last line of the log, after saving its bytes beside it.
    ///
    /// # Errors
    /// Where reading or writing fails, or where the line comes of a quote left open by hand.
    pub fn repair_log(
        &self,
        _lock: &BookLock,
        notice: &mut dyn FnMut(&str),
    ) -> Result<(), BookError> {
        let path = self.log_path();
        let name = self.display_name(&path);
        let log = LogBytes::read(&path)?;
        if !log.is_torn() {
            return Ok(());
        }
        if let Some(problem) = log.unclosed_quote(&name) {
            return Err(BookError::Rows(vec![problem]));
        }
        let mut whole = log.bytes.clone();
        whole.push(b'\n');
        let mended = LogBytes {
            finished: finished_length(&whole),
            bytes: whole,
        };
        let kept = !mended.is_torn() && {
            let (before, _) = rows(&log, &name, self.settings())?;
            let (after, problems) = rows(&mended, &name, self.settings())?;
            let header_only = log.finished == 0 && problems.is_empty();
            header_only || after.len() == before.len() + 1
        };
        let saved = self.save_torn(log.tail())?;
        let saved = self.display_name(&saved);
        if kept {
            self.replace_file(&path, &mended.bytes)?;
            notice(&format!(
                "the last line of {name} was not finished; it reads well and is kept, but its last cell may be cut \
                 (its bytes are in {saved})"
            ));
        } else {
            self.replace_file(&path, log.finished())?;
            notice(&format!(
                "the last line of {name} was cut off and is taken out; what was left of it is in {saved}: record that \
                 sale again"
            ));
        }
        Ok(())
    }

    /// Saves the bytes of a torn line in the first free `logged-torn-N.txt`.
    fn save_torn(&self, bytes: &[u8]) -> Result<PathBuf, BookError> {
        for number in 1.. {
            let path = self.comps_dir().join(format!("logged-torn-{number}.txt"));
            match OpenOptions::new().write(true).create_new(true).open(&path) {
                Ok(mut file) => {
                    file.write_all(bytes)
                        .and_then(|()| file.sync_all())
                        .map_err(BookError::io(&path, "write"))?;
                    return Ok(path);
                }
                Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {}
                Err(error) => return Err(BookError::io(path, "write")(error)),
            }
        }
        unreachable!("the numbers do not end")
    }

    /// Takes the line of an entry out of the log, after adding it to `undone/logged.csv`.
    pub(super) fn remove_logged(&self, row: &Row) -> Result<(), BookError> {
        let path = self.log_path();
        let log = LogBytes::read(&path)?;
        let range = record_range(log.finished(), row.line).map_err(BookError::io(&path, "read"))?;
        let line = &log.bytes[range.clone()];
        append_bytes(&self.undone_dir().join(FILE_NAME), line)?;
        let mut rest = log.bytes[..range.start].to_vec();
        rest.extend_from_slice(&log.bytes[range.end..]);
        self.replace_file(&path, &rest)
    }
}

/// Bytes of the record that begins on a line.
fn record_range(bytes: &[u8], line: u64) -> io::Result<std::ops::Range<usize>> {
    let mut reader = csv::ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .from_reader(bytes);
    let mut record = csv::ByteRecord::new();
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

fn append_row(
    path: &Path,
    write: impl FnOnce(&mut Writer<Vec<u8>>) -> io::Result<()>,
) -> Result<(), BookError> {
    let mut writer = Writer::without_header(Vec::new());
    let bytes = write(&mut writer)
        .and_then(|()| writer.finish())
        .map_err(BookError::io(path, "write"))?;
    append_bytes(path, &bytes)
}

/// Appends a line, below a header where the file is new, in one write; on failure the file is
/// cut back to its old length.
fn append_bytes(path: &Path, line: &[u8]) -> Result<(), BookError> {
    let failed = BookError::io(path, "write");
    let mut file = match OpenOptions::new().create(true).append(true).open(path) {
        Ok(file) => file,
        Err(error) => return Err(failed(error)),
    };
    append_to(&mut file, line).map_err(failed)?;
    sync_folder(path)
}

fn append_to(file: &mut File, line: &[u8]) -> io::Result<()> {
    let before = file.metadata()?.len();
    let mut bytes = Vec::new();
    if before == 0 {
        bytes.extend_from_slice(LOGGED_COLUMNS.join(",").as_bytes());
        bytes.push(b'\n');
    }
    bytes.extend_from_slice(line);
    let written = match file.write(&bytes) {
        Ok(length) if length == bytes.len() => file.sync_all(),
        Ok(_) => Err(io::ErrorKind::WriteZero.into()),
        Err(error) => Err(error),
    };
    if written.is_err() {
        file.set_len(before)?;
    }
    written
}

#[cfg(test)]
mod tests {
    use super::*;

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
        let log = |text: &str| LogBytes {
            bytes: text.into(),
            finished: finished_length(text.as_bytes()),
        };
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
    fn records_are_found_by_line() {
        let text = b"h\n1,\"a\nb\"\n2,c\n";
        assert_eq!(&text[record_range(text, 2).unwrap()], b"1,\"a\nb\"\n");
        assert_eq!(&text[record_range(text, 4).unwrap()], b"2,c\n");
        assert!(record_range(text, 9).is_err());
    }
}
