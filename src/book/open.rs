//! A book's folder: opened once, locked; its files are read and replaced whole.

use super::csv::torn::LogBytes;
use super::folder::{Access, Folder, Temporary};
use super::stamp::Stamp;
use crate::book::BookError;
use crate::settings::{self, Settings};
use crate::trade::Currency;
use std::fs::{self, File, TryLockError};
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

/// Folder of the ledger.
pub(super) const DEALS: &str = "deals";

/// How long a run waits for the lock of the book.
const PATIENCE: Duration = Duration::from_secs(30);

const PRIVATE_NOTE: &str = "Lock, temporary files and cache of this book.\n\
     You can delete all of it while compband is not running; it is made again when needed.\n";

/// A log, with the stamp of its file when it was read.
type LogRead = (Stamp, Arc<LogBytes>);

/// The lock of a run that changes the book; released when dropped.
#[derive(Debug)]
pub struct BookLock {
    _file: File,
}

fn settings_text(folder: &Folder, file: &Path) -> Result<String, BookError> {
    let read = folder.read(file, Access::ReadLinked);
    let bytes = read.and_then(|read| read.ok_or(io::ErrorKind::NotFound.into()));
    String::from_utf8(bytes.map_err(BookError::io(file, "read"))?).map_err(|_| {
        BookError::Settings(format!(
            "{}: not UTF-8 text; save it as UTF-8",
            file.display()
        ))
    })
}

/// Whether a folder has settings, and so is a book.
fn has_settings(dir: &Path) -> Result<bool, BookError> {
    match fs::metadata(dir.join(settings::FILE_NAME)) {
        Ok(data) => Ok(data.is_file()),
        Err(error)
            if matches!(
                error.kind(),
                io::ErrorKind::NotFound | io::ErrorKind::NotADirectory
            ) =>
        {
            Ok(false)
        }
        Err(error) => Err(BookError::io(dir, "open")(error)),
    }
}

/// The nearest book in or above a folder. If a folder cannot be read and no book is above it, that
/// is the error.
fn find_above(start: &Path) -> Result<Option<PathBuf>, BookError> {
    let mut failed = None;
    for dir in start.ancestors() {
        match has_settings(dir) {
            Ok(true) => return Ok(Some(dir.to_path_buf())),
            Ok(false) => {}
            Err(error) => failed = failed.or(Some(error)),
        }
    }
    failed.map_or(Ok(None), Err)
}

/// A book: its folder and settings.
#[derive(Debug, Clone)]
pub struct Book {
    pub(super) root: PathBuf,
    /// The folder, from which every file of the book is reached.
    pub(super) folder: Folder,
    pub(super) settings: Settings,
    /// The log as last read.
    pub(crate) log_read: Arc<Mutex<Option<LogRead>>>,
}

impl Book {
    /// Makes a book in `dir`, which is created if missing; other files in it are not touched.
    ///
    /// # Errors
    /// [`BookError::Refused`] if there is already a book, [`BookError::Io`] if writing fails.
    pub fn init(dir: &Path) -> Result<Self, BookError> {
        Self::init_in(dir, None)
    }

    /// Makes a book in a currency.
    ///
    /// # Errors
    /// Those of [`Book::init`].
    pub fn init_in(dir: &Path, currency: Option<&Currency>) -> Result<Self, BookError> {
        let template = match currency {
            Some(currency) => settings::TEMPLATE.replacen(
                "#: currency = \"EUR\"",
                &format!("currency = \"{}\"", currency.code),
                1,
            ),
            None => settings::TEMPLATE.to_string(),
        };
        let file = dir.join(settings::FILE_NAME);
        let there = || {
            BookError::Refused(format!(
                "{}: there is a book here already; nothing was changed",
                dir.display()
            ))
        };
        fs::create_dir_all(dir).map_err(BookError::io(dir, "make the folder"))?;
        let book = Self {
            root: dir.to_path_buf(),
            folder: Folder::open(dir).map_err(BookError::io(dir, "open"))?,
            settings: Settings::parse(&template, &file)?,
            log_read: Arc::default(),
        };
        if fs::symlink_metadata(&file).is_ok() {
            return Err(there());
        }
        let comps = book.comps_dir();
        let made = book.folder.make(&comps);
        made.map_err(BookError::io(comps, "make the folder"))?;
        // The settings make the folder a book: they are written last, and whole.
        let mut toml = book.temporary()?;
        let written = toml.write_all(template.as_bytes());
        let placed = written
            .and_then(|()| toml.as_file().sync_all())
            .and_then(|()| book.folder.place_new(&toml, &file));
        placed.map_err(|error| match error.kind() {
            io::ErrorKind::AlreadyExists => there(),
            _ => BookError::io(&file, "write")(error),
        })?;
        Ok(book)
    }

    /// Opens the book in `named`, or else the nearest one in or above the current folder.
    ///
    /// # Errors
    /// [`BookError::NoBook`] if there is none, [`BookError::Settings`] if its settings are invalid.
    pub fn open(named: Option<&Path>) -> Result<Self, BookError> {
        let root = match named {
            Some(dir) if has_settings(dir)? => dir.to_path_buf(),
            Some(dir) => {
                return Err(BookError::NoBook(format!(
                    "{}: no book there (it has no {})",
                    dir.display(),
                    settings::FILE_NAME
                )));
            }
            None => {
                let here = std::env::current_dir()
                    .map_err(BookError::io(".", "find the current folder"))?;
                find_above(&here)?.ok_or_else(|| {
                    BookError::NoBook(format!(
                        "{}: no book here or in a folder above (none has a {})",
                        here.display(),
                        settings::FILE_NAME
                    ))
                })?
            }
        };
        let folder = Folder::open(&root).map_err(BookError::io(&root, "open"))?;
        let file = root.join(settings::FILE_NAME);
        let text = settings_text(&folder, &file)?;
        let settings = Settings::parse(text.strip_prefix('\u{feff}').unwrap_or(&text), &file)?;
        Ok(Self {
            root,
            folder,
            settings,
            log_read: Arc::default(),
        })
    }

    /// Folder of the book.
    pub fn root(&self) -> &Path {
        &self.root
    }

    /// The folder, open.
    pub(crate) fn folder(&self) -> &Folder {
        &self.folder
    }

    /// Settings of the book.
    pub fn settings(&self) -> &Settings {
        &self.settings
    }

    /// The text of the settings file.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn settings_text(&self) -> Result<String, BookError> {
        settings_text(&self.folder, &self.root.join(settings::FILE_NAME))
    }

    /// Replaces the settings file; the settings of this handle stay as they were read.
    ///
    /// # Errors
    /// If the text is not valid settings (`refused` makes the error), or if writing fails; the file is then unchanged.
    pub fn replace_settings(
        &self,
        text: &str,
        refused: impl FnOnce(String) -> BookError,
    ) -> Result<(), BookError> {
        let path = self.root.join(settings::FILE_NAME);
        Settings::parse(text, &path).map_err(|why| refused(why.to_string()))?;
        self.replace_file(&path, text.as_bytes())
    }

    /// Folder of the comps files in force.
    pub fn comps_dir(&self) -> PathBuf {
        self.root.join("comps")
    }

    /// Folder of undone files and lines.
    pub fn undone_dir(&self) -> PathBuf {
        self.root.join("undone")
    }

    /// `.compband/`, created with a file that explains it, if missing.
    pub(super) fn private_dir(&self) -> Result<PathBuf, BookError> {
        let dir = self.root.join(".compband");
        for (name, text) in [("README.txt", PRIVATE_NOTE), (".gitignore", "*\n")] {
            let file = dir.join(name);
            let known = self.folder.metadata(&file);
            let written = known.and_then(|known| match known {
                Some(data) if data.len() > 0 => Ok(()),
                // A killed run may have left it empty.
                _ => self.folder.append(&file, b"", text.as_bytes()),
            });
            written.map_err(BookError::io(file, "write"))?;
        }
        Ok(dir)
    }

    /// `.compband/cache/`, created if missing.
    pub(crate) fn cache_dir(&self) -> Result<PathBuf, BookError> {
        let dir = self.private_dir()?.join("cache");
        let made = self.folder.make(&dir);
        made.map_err(BookError::io(&dir, "make the folder"))?;
        self.folder.sweep(&dir);
        Ok(dir)
    }

    /// A stored result of an earlier run, by its name; `None` if there is none or it cannot be
    /// read.
    pub fn kept(&self, name: &str) -> Option<Vec<u8>> {
        let path = self.root.join(".compband").join("cache").join(name);
        self.folder.read(&path, Access::Read).ok().flatten()
    }

    /// Stores a result for later runs. If that fails (the book is read-only), later runs compute it
    /// again.
    pub fn keep(&self, name: &str, bytes: &[u8]) {
        let written = self.cache_dir().map(|dir| {
            let path = dir.join(name);
            self.folder.replace(&dir, &path, bytes)
        });
        drop(written);
    }

    /// A path as messages show it: relative to the book, with `/` between folders.
    pub fn display_name(&self, path: &Path) -> String {
        let within = path.strip_prefix(&self.root).unwrap_or(path);
        within
            .iter()
            .map(|part| part.to_string_lossy())
            .collect::<Vec<_>>()
            .join("/")
    }

    /// Locks the book for this run, and waits up to 30 s for another run (with a message to
    /// `notice`).
    ///
    /// # Errors
    /// [`BookError::Locked`] if the other run keeps the lock for longer.
    pub fn lock(&self, notice: &mut dyn FnMut(&str)) -> Result<BookLock, BookError> {
        self.lock_within(PATIENCE, notice)
    }

    pub(super) fn lock_within(
        &self,
        patience: Duration,
        notice: &mut dyn FnMut(&str),
    ) -> Result<BookLock, BookError> {
        let path = self.private_dir()?.join("lock");
        let file = self.folder.file(&path, Access::Append);
        let file = file.map_err(BookError::io(&path, "lock"))?;
        let begun = Instant::now();
        let mut notified = false;
        loop {
            match file.try_lock() {
                Ok(()) => {
                    self.sweep_all();
                    return Ok(BookLock { _file: file });
                }
                Err(TryLockError::Error(error)) => return Err(BookError::io(path, "lock")(error)),
                Err(TryLockError::WouldBlock) => {}
            }
            if begun.elapsed() >= patience {
                return Err(BookError::Locked(format!(
                    "{}: in use by another compband for {} s; nothing was changed. Run the command again when that \
                     one has ended",
                    self.root.display(),
                    patience.as_secs()
                )));
            }
            if !notified {
                notice("the book is in use by another compband; waiting for it to end");
                notified = true;
            }
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    /// Removes files left by killed runs; the caller has the lock.
    pub(super) fn sweep_all(&self) {
        let private = self.root.join(".compband");
        // Without the lock, nobody else uses them.
        let tmp = private.join("tmp");
        for name in self.folder.list(&tmp).unwrap_or_default() {
            // The next run tries again to remove what cannot be removed now.
            let _ = self.folder.remove(&tmp.join(name));
        }
        let deals = self.root.join(DEALS);
        for folder in [
            &self.root,
            &private.join("cache"),
            &self.comps_dir(),
            &self.undone_dir(),
            &deals,
        ] {
            self.folder.sweep(folder);
        }
    }

    /// A temporary file of the book, for [`Book::commit_import`]. Only with the lock, because the
    /// next owner of the lock removes leftover files.
    ///
    /// # Errors
    /// If it cannot be created.
    pub fn temporary(&self) -> Result<Temporary, BookError> {
        let dir = self.temp_dir()?;
        let made = self.folder.temporary(&dir);
        made.map_err(BookError::io(dir, "write"))
    }

    /// Folder of temporary files.
    pub(super) fn temp_dir(&self) -> Result<PathBuf, BookError> {
        Ok(self.private_dir()?.join("tmp"))
    }

    /// Replaces a file's content atomically: readers see the old or the new content, never a part.
    ///
    /// # Errors
    /// If writing fails (the old file is then in place) or `path` leads out of the book.
    pub fn replace_file(&self, path: &Path, bytes: &[u8]) -> Result<(), BookError> {
        let replaced = self.folder.replace(&self.temp_dir()?, path, bytes);
        replaced.map_err(BookError::io(path, "write"))
    }

    /// The bytes of a file of the book; `None` if it does not exist.
    pub(crate) fn read(&self, path: &Path) -> Result<Option<Vec<u8>>, BookError> {
        let read = self.folder.read(path, Access::Read);
        read.map_err(BookError::io(path, "read"))
    }

    /// The present stamp of a file; `None` if it does not exist.
    pub(crate) fn stamp(&self, path: &Path) -> Result<Option<Stamp>, BookError> {
        let file = self.folder.file(path, Access::Read);
        match file.and_then(|file| Stamp::of(self.display_name(path), &file)) {
            Ok(stamp) => Ok(Some(stamp)),
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
            Err(error) => Err(BookError::io(path, "read")(error)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_second_lock_waits_and_gives_up() {
        let dir = tempfile::tempdir().unwrap();
        let book = Book::init(dir.path()).unwrap();
        let held = book.lock(&mut |_| {}).unwrap();
        let mut notices = Vec::new();
        let error = book
            .lock_within(Duration::from_millis(60), &mut |text| {
                notices.push(text.to_string())
            })
            .unwrap_err();
        assert!(matches!(error, BookError::Locked(_)), "{error}");
        assert_eq!(notices.len(), 1);
        drop(held);
        book.lock(&mut |_| {}).unwrap();
    }

    #[test]
    fn the_next_writer_clears_what_a_killed_run_left() {
        let dir = tempfile::tempdir().unwrap();
        let book = Book::init(dir.path()).unwrap();
        let _left = book.temporary().unwrap();
        let tmp = dir.path().join(".compband/tmp");
        assert_eq!(fs::read_dir(&tmp).unwrap().count(), 1);
        let _lock = book.lock(&mut |_| {}).unwrap();
        assert_eq!(fs::read_dir(&tmp).unwrap().count(), 0);
    }
}
