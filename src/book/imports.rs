//! Import files and entry numbers.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::BookError;
use super::comps::log::{self, LogBytes};
use super::folder::Temporary;
use super::open::{Book, BookLock};

/// Longest name of an import file between its number and `.csv`, in characters.
const SLUG: usize = 40;

impl Book {
    /// Makes a finished temporary file (synced; header and canonical rows) the next import and
    /// returns its entry number and path. `source` is the name of the imported file.
    ///
    /// # Errors
    /// If the file cannot be moved into place; the book is then unchanged.
    pub fn commit_import(
        &self,
        lock: &BookLock,
        file: Temporary,
        source: &str,
    ) -> Result<(u64, PathBuf), BookError> {
        let entry = self.next_entry(lock)?;
        let name = format!("{entry:06}-{}.csv", slug(source));
        let path = self.comps_dir().join(name);
        let placed = self.folder.place_new(&file, &path);
        placed.map_err(BookError::io(&path, "write"))?;
        Ok((entry, path))
    }

    /// [`Book::commit_import`] of sales that were of another name.
    ///
    /// # Errors
    /// Likewise.
    pub fn commit_renamed(
        &self,
        lock: &BookLock,
        file: Temporary,
        old: &str,
    ) -> Result<(u64, PathBuf), BookError> {
        // A full stop in the name would end the stem.
        let old = old.replace(['.', '/', '\\'], " ");
        self.commit_import(lock, file, &format!("{RENAMED} {old}"))
    }

    /// The next entry number. Numbers count up over all imports and logged sales, including undone
    /// ones, so that none is used twice.
    pub(crate) fn next_entry(&self, _lock: &BookLock) -> Result<u64, BookError> {
        let mut highest = 0;
        let undone = self.undone_dir();
        let taken_back = LogBytes::read(self, &undone.join(log::FILE_NAME))?;
        for (dir, log) in [
            (self.comps_dir(), self.log_bytes()?),
            (undone, Arc::new(taken_back)),
        ] {
            let imported = self
                .import_files(&dir, &mut |_| {})?
                .first()
                .map_or(0, |file| file.entry);
            highest = highest
                .max(imported)
                .max(log::highest_entry(&log, &dir.join(log::FILE_NAME))?);
        }
        if highest >= u64::from(u32::MAX) {
            return Err(BookError::Refused(format!(
                "{}: sale record {highest} has the largest possible number, so nothing can follow it; nothing \
                    was changed. Find it in comps/ or undone/ and give it the next number after the others",
                self.root.display()
            )));
        }
        Ok(highest + 1)
    }

    /// The import files of a folder, newest entry first; empty if it does not exist. `notice`
    /// receives the names of CSV files that are no imports.
    pub(super) fn import_files(
        &self,
        dir: &Path,
        notice: &mut dyn FnMut(&str),
    ) -> Result<Vec<ImportFile>, BookError> {
        let names = self.folder.list(dir).map_err(BookError::io(dir, "read"))?;
        let mut files: Vec<ImportFile> = Vec::new();
        for name in names {
            let path = dir.join(&name);
            let Ok(name) = name.into_string() else {
                continue;
            };
            if name.starts_with('.') || !name.ends_with(".csv") || name == log::FILE_NAME {
                continue;
            }
            match entry_of(&name) {
                Some(entry) => files.push(ImportFile { entry, name, path }),
                None => notice(&format!(
                    "{}: not an import of this book, so skipped; `compband import` imports it",
                    path.display()
                )),
            }
        }
        files.sort_by(|a, b| b.entry.cmp(&a.entry).then_with(|| a.name.cmp(&b.name)));
        if let Some(pair) = files.windows(2).find(|pair| pair[0].entry == pair[1].entry) {
            return Err(BookError::Refused(format!(
                "{}: {} and {} have the same number; move one of the two out of the folder",
                dir.display(),
                pair[0].name,
                pair[1].name
            )));
        }
        Ok(files)
    }
}

/// First word in the file name of sales that were renamed.
const RENAMED: &str = "renamed";

/// One import file.
#[derive(Debug, Clone)]
pub(super) struct ImportFile {
    pub(super) entry: u64,
    pub(super) name: String,
    pub(super) path: PathBuf,
}

impl ImportFile {
    /// Whether its name marks it as a file of renamed sales.
    pub(super) fn is_renamed(&self) -> bool {
        let rest = self.name.split_once('-').map_or("", |(_, rest)| rest);
        let rest = rest.trim_end_matches(".csv");
        rest == RENAMED || rest.starts_with(&format!("{RENAMED}-"))
    }
}

/// Entry number in an import file's name, `NNNNNN-….csv`.
fn entry_of(name: &str) -> Option<u64> {
    let (number, _) = name.split_once('-')?;
    let shaped = number.len() >= 6 && number.bytes().all(|b| b.is_ascii_digit());
    shaped
        .then(|| number.parse::<u32>().ok())
        .flatten()
        .filter(|&n| n > 0)
        .map(u64::from)
}

/// A file name's stem reduced to letters, digits and single hyphens.
fn slug(source: &str) -> String {
    let stem = Path::new(source)
        .file_stem()
        .map_or(String::new(), |stem| stem.to_string_lossy().to_lowercase());
    let mut slug = String::new();
    for c in stem.chars().take(4 * SLUG) {
        if c.is_ascii_alphanumeric() {
            slug.push(c);
        } else if !slug.is_empty() && !slug.ends_with('-') {
            slug.push('-');
        }
    }
    slug.truncate(SLUG);
    let slug = slug.trim_end_matches('-');
    if slug.is_empty() {
        "comps".into()
    } else {
        slug.into()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::fs;

    #[test]
    fn names_of_import_files() {
        assert_eq!(slug("/a/b/My Sales (2026)!.csv"), "my-sales-2026");
        assert_eq!(slug("ääää.csv"), "comps");
        assert_eq!(slug(""), "comps");
        assert!(slug(&"x".repeat(500)).len() <= SLUG);
        assert_eq!(entry_of("000012-a.csv"), Some(12));
        assert_eq!(entry_of("1000000-a.csv"), Some(1_000_000));
        for other in [
            "12-a.csv",
            "a-000012.csv",
            "00001x-a.csv",
            "000000-a.csv",
            "99999999999-a.csv",
        ] {
            assert_eq!(entry_of(other), None, "{other}");
        }
    }

    #[test]
    fn imports_are_numbered_on() {
        let dir = tempfile::tempdir().unwrap();
        let book = Book::init(dir.path()).unwrap();
        let lock = book.lock(&mut |_| {}).unwrap();
        fs::create_dir(book.undone_dir()).unwrap();
        fs::write(book.undone_dir().join("000007-old.csv"), "").unwrap();
        let (entry, path) = book
            .commit_import(&lock, book.temporary().unwrap(), "Shop.csv")
            .unwrap();
        assert_eq!(
            (entry, book.display_name(&path).as_str()),
            (8, "comps/000008-shop.csv")
        );
        fs::write(book.undone_dir().join(log::FILE_NAME), "entry,x\n11,\"a\n").unwrap();
        assert_eq!(book.next_entry(&lock).unwrap(), 12);
    }
}
