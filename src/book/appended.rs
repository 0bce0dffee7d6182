//! Append-only files of a book: lines are appended and synced, and a torn last line is repaired.

use std::io::{self, Write};
use std::path::{Path, PathBuf};

use super::BookError;
use super::csv::torn::{LogBytes, LogPart};
use super::folder::Access;
use super::open::Book;

impl LogBytes {
    /// Reads the file; a missing one is empty.
    pub(super) fn read(book: &Book, path: &Path) -> Result<Self, BookError> {
        let bytes = book.read(path)?.unwrap_or_default();
        Ok(Self::new(bytes, LogPart::default()))
    }
}

/// Counts the rows in some bytes of a file, and returns whether all of them are valid.
type CountRows<'a> = dyn Fn(&[u8]) -> Result<(usize, bool), BookError> + 'a;

impl Book {
    /// Appends a line to a file, after the header if it is new. It is durable on return; on failure
    /// the file has its old length.
    pub(super) fn append_line(
        &self,
        path: &Path,
        header: &[u8],
        line: &[u8],
    ) -> Result<(), BookError> {
        let appended = self.folder().append(path, header, line);
        appended.map_err(BookError::io(path, "write"))
    }

    /// Repairs the unfinished last line of a file: keeps it if only its line end is missing, or else
    /// removes it after saving its bytes in another file, and returns that file. `rows` counts the
    /// rows in some bytes of the file, and returns whether all of them are valid.
    pub(super) fn repair_line(
        &self,
        path: &Path,
        log: &LogBytes,
        rows: &CountRows<'_>,
    ) -> Result<Option<PathBuf>, BookError> {
        let whole = [&*log.bytes, b"\n"].concat();
        let (before, _) = rows(log.finished())?;
        let (after, valid) = rows(&whole)?;
        if valid && after == before + 1 {
            self.replace_file(path, &whole)?;
            return Ok(None);
        }
        let saved = self.save_torn(path, log.tail())?;
        self.replace_file(path, log.finished())?;
        Ok(Some(saved))
    }

    /// Saves the bytes of a torn line in the first free `NAME-torn-N.txt`.
    pub(super) fn save_torn(&self, file: &Path, bytes: &[u8]) -> Result<PathBuf, BookError> {
        let name = file.file_stem().unwrap_or_default().to_string_lossy();
        for number in 1.. {
            let path = file.with_file_name(format!("{name}-torn-{number}.txt"));
            match self.folder().file(&path, Access::New) {
                Ok(mut file) => {
                    let written = file.write_all(bytes).and_then(|()| file.sync_all());
                    written.map_err(BookError::io(&path, "write"))?;
                    return Ok(path);
                }
                Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {}
                Err(error) => return Err(BookError::io(path, "write")(error)),
            }
        }
        unreachable!("the numbers do not end")
    }
}
