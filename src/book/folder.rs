//! A folder that is opened once, and from which all files in it are reached. No link or special
//! file (a pipe, a device) in it leads outside, and renaming the folder in the meantime has no
//! effect.

use std::ffi::{OsStr, OsString};
use std::fs::{File, Metadata};
use std::hash::{BuildHasher, RandomState};
use std::io::{self, Read, Write};
use std::path::{Component, Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, SystemTime};

use super::error::LeadsAway;
use sys::Handle;

/// Prefix of the names of temporary files; readers of `comps/` skip them.
const TEMPORARY: &str = ".new-";

/// Age from which a temporary file that is not locked, or cannot be locked, counts as left behind
/// by a killed run.
const UNLOCKED: Duration = Duration::from_secs(10);
const STALE: Duration = Duration::from_secs(3600);

/// Purpose of opening a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Access {
    /// Read.
    Read,
    /// Read, also through a link: for files that only their owner writes.
    ReadLinked,
    /// Append; created if missing.
    Append,
    /// Write a new file.
    New,
}

/// Type of a directory entry.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    File,
    Folder,
    Link,
    Special,
}

impl Kind {
    /// Refuses an entry that leads out of the folder.
    fn check(self, shown: &Path) -> io::Result<()> {
        let shown = shown.display();
        let why = match self {
            Self::File | Self::Folder => return Ok(()),
            Self::Link => format!(
                "{shown}: a link to another place; compband reads and writes nothing outside the book. Replace \
                    the link by the file or folder itself, or name the book it leads to with --book"
            ),
            Self::Special => format!(
                "{shown}: a pipe, socket or device; a book has only plain files. Move it out of the book"
            ),
        };
        Err(io::Error::other(LeadsAway(why)))
    }
}

/// An open folder.
#[derive(Debug, Clone)]
pub(crate) struct Folder {
    path: PathBuf,
    handle: Arc<Handle>,
}

/// A name in an open folder.
#[derive(Debug)]
struct Place {
    handle: Arc<Handle>,
    name: OsString,
    /// The path for messages.
    shown: PathBuf,
}

impl Place {
    fn kind(&self) -> io::Result<Kind> {
        sys::kind(&self.handle, &self.name)
    }

    /// Refuses a link or special file; a missing entry is accepted.
    fn check(&self) -> io::Result<()> {
        match self.kind() {
            Ok(kind) => kind.check(&self.shown),
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(()),
            Err(error) => Err(error),
        }
    }

    fn open(&self, access: Access) -> io::Result<File> {
        let opened = sys::open(&self.handle, &self.name, access);
        let file = opened.or_else(|error| self.check().and(Err(error)))?;
        let data = file.metadata()?;
        if data.is_dir() {
            return Err(io::ErrorKind::IsADirectory.into());
        }
        if !data.is_file() {
            Kind::Special.check(&self.shown)?;
        }
        Ok(file)
    }

    fn folder(&self) -> io::Result<Arc<Handle>> {
        let opened = sys::folder(&self.handle, &self.name);
        opened
            .map(Arc::new)
            .or_else(|error| self.check().and(Err(error)))
    }

    fn remove(&self) -> io::Result<()> {
        sys::remove(&self.handle, &self.name)
    }

    /// Renames it; a link at the target is replaced, not followed.
    fn rename(&self, to: &Self) -> io::Result<()> {
        sys::rename((&self.handle, &self.name), (&to.handle, &to.name))
    }

    /// Makes the name durable, if the system can. If that fails, `back` undoes the change, so that
    /// a reported failure leaves no effect.
    fn sync_or(&self, back: impl FnOnce() -> io::Result<()>) -> io::Result<()> {
        sys::sync(&self.handle).inspect_err(|_| {
            // If that fails as well, the first error is reported.
            let _ = back();
        })
    }

    /// A temporary file in the same folder, locked while it is open.
    fn temporary(&self) -> io::Result<Temporary> {
        loop {
            let name = format!("{TEMPORARY}{:016x}", RandomState::new().hash_one(0));
            let place = Self {
                handle: Arc::clone(&self.handle),
                shown: self.shown.with_file_name(&name),
                name: name.into(),
            };
            match place.open(Access::New) {
                Ok(file) => {
                    // Without locks, its age shows whether it is in use.
                    let _ = file.try_lock();
                    return Ok(Temporary { place, file });
                }
                Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {}
                Err(error) => return Err(error),
            }
        }
    }
}

/// A temporary file with the permissions of an ordinary new one; removed when dropped.
#[derive(Debug)]
pub struct Temporary {
    place: Place,
    file: File,
}

impl Temporary {
    /// The file.
    pub fn as_file(&mut self) -> &mut File {
        &mut self.file
    }

    /// Removes its name, so that it disappears with the run.
    pub(crate) fn unnamed(self) -> io::Result<File> {
        self.file.try_clone()
    }
}

impl Write for Temporary {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.file.write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.file.flush()
    }
}

impl Drop for Temporary {
    fn drop(&mut self) {
        // A file renamed into place no longer has this name.
        let _ = self.place.remove();
    }
}

impl Folder {
    /// Opens a folder, also through a link.
    pub(crate) fn open(path: &Path) -> io::Result<Self> {
        let handle = Arc::new(sys::root(path)?);
        let path = path.to_path_buf();
        Ok(Self { path, handle })
    }

    /// Names of the folders on the path, and of the last entry.
    fn names<'a>(&self, path: &'a Path) -> io::Result<Vec<&'a OsStr>> {
        let within = path.strip_prefix(&self.path).unwrap_or(path).components();
        let name = |part| match part {
            Component::Normal(name) => Ok(name),
            _ => Err(io::ErrorKind::InvalidInput.into()),
        };
        within.map(name).collect()
    }

    /// Resolves a path in the folder; creates missing folders on the path if `make` is true.
    fn walk(&self, path: &Path, make: bool) -> io::Result<Place> {
        let mut place = Place {
            handle: Arc::clone(&self.handle),
            name: OsString::new(),
            shown: self.path.clone(),
        };
        for name in self.names(path)? {
            if !place.name.is_empty() {
                if make {
                    sys::make(&place.handle, &place.name)?;
                }
                place.handle = place.folder()?;
            }
            place.name = name.into();
            place.shown.push(name);
        }
        Ok(place)
    }

    /// Opens a file.
    pub(crate) fn file(&self, path: &Path, access: Access) -> io::Result<File> {
        self.walk(path, access == Access::Append)?.open(access)
    }

    /// The bytes of a file; `None` if it does not exist.
    pub(crate) fn read(&self, path: &Path, access: Access) -> io::Result<Option<Vec<u8>>> {
        let read = self.file(path, access).and_then(|mut file| {
            let mut bytes = Vec::with_capacity(file.metadata()?.len() as usize);
            file.read_to_end(&mut bytes)?;
            Ok(bytes)
        });
        if_there(read)
    }

    /// Passes the bytes of a file on in parts. Returns its length, `None` if it does not exist.
    pub(crate) fn each_part(
        &self,
        path: &Path,
        each: &mut dyn FnMut(&[u8]),
    ) -> io::Result<Option<u64>> {
        let read = self.file(path, Access::ReadLinked).and_then(|mut file| {
            let (mut buffer, mut length) = (vec![0; 1 << 18], 0);
            loop {
                match file.read(&mut buffer)? {
                    0 => return Ok(length),
                    count => {
                        each(&buffer[..count]);
                        length += count as u64;
                    }
                }
            }
        });
        if_there(read)
    }

    /// Metadata of a file; `None` if it does not exist.
    pub(crate) fn metadata(&self, path: &Path) -> io::Result<Option<Metadata>> {
        if_there(
            self.file(path, Access::Read)
                .and_then(|file| file.metadata()),
        )
    }

    /// Appends a line in one write, after the header if the file is new, and syncs it (and its
    /// name, if new). On failure the file is truncated to its old length.
    pub(crate) fn append(&self, path: &Path, header: &[u8], line: &[u8]) -> io::Result<()> {
        let place = self.walk(path, true)?;
        let mut file = place.open(Access::Append)?;
        let before = file.metadata()?.len();
        let mut bytes = Vec::new();
        if before == 0 {
            sys::sync(&place.handle)?;
            bytes.extend_from_slice(header);
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

    /// Names in a folder; empty if it does not exist.
    pub(crate) fn list(&self, path: &Path) -> io::Result<Vec<OsString>> {
        let place = self.walk(&path.join("x"), false);
        let names = if_there(place.and_then(|place| sys::names(&place.handle)))?;
        Ok(names.unwrap_or_default())
    }

    /// Creates a folder and its parents if missing.
    pub(crate) fn make(&self, path: &Path) -> io::Result<()> {
        self.walk(&path.join("x"), true).map(drop)
    }

    /// Removes a file.
    pub(crate) fn remove(&self, path: &Path) -> io::Result<()> {
        self.walk(path, false)?.remove()
    }

    /// Renames a file to a free name; durable on return.
    pub(crate) fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        let (from, to) = (self.walk(from, false)?, self.walk(to, true)?);
        from.check()?;
        to.check()?;
        from.rename(&to)?;
        let back = || to.rename(&from);
        to.sync_or(back)?;
        from.sync_or(back)
    }

    /// A temporary file in a folder, which is created if missing.
    pub(crate) fn temporary(&self, folder: &Path) -> io::Result<Temporary> {
        self.walk(&folder.join("x"), true)?.temporary()
    }

    /// Puts a (synced) temporary file at a free name; durable on return.
    pub(crate) fn place_new(&self, temporary: &Temporary, path: &Path) -> io::Result<()> {
        let place = self.walk(path, true)?;
        match place.kind() {
            Err(error) if error.kind() == io::ErrorKind::NotFound => {}
            found => return found.and(Err(io::ErrorKind::AlreadyExists.into())),
        }
        temporary.place.rename(&place)?;
        place.sync_or(|| place.remove())
    }

    /// Puts a temporary file in place, replacing any other.
    pub(crate) fn place(&self, temporary: &Temporary, path: &Path) -> io::Result<()> {
        let place = self.walk(path, false)?;
        place.check()?;
        temporary.place.rename(&place)
    }

    /// Replaces a file atomically by these bytes, through a temporary file in `by`: readers see the
    /// old or the new file, never a part. It is durable on return, with the permissions of the old
    /// one.
    pub(crate) fn replace(&self, by: &Path, path: &Path, bytes: &[u8]) -> io::Result<()> {
        self.walk(path, false)?.check()?;
        self.put(by, path, bytes)
    }

    /// Like [`Folder::replace`], but also replaces a link.
    pub(crate) fn put(&self, by: &Path, path: &Path, bytes: &[u8]) -> io::Result<()> {
        let place = self.walk(path, false)?;
        let mut new = self.temporary(by)?;
        new.write_all(bytes)?;
        if let Ok(old) = place.open(Access::Read) {
            new.file.set_permissions(old.metadata()?.permissions())?;
        }
        new.file.sync_all()?;
        // A second name of the old file, if there is one and the file system supports it.
        let old = self.temporary(by)?;
        old.place.remove()?;
        let from = (&*place.handle, place.name.as_os_str());
        let kept = sys::link(from, (&old.place.handle, &old.place.name)).is_ok();
        new.place.rename(&place)?;
        place.sync_or(|| match kept {
            true => old.place.rename(&place),
            false => place.remove(),
        })
    }

    /// Removes temporary files left in a folder by killed runs: those that no run has locked or,
    /// without locks, old ones. A time in the future counts as old, because the clock has been set
    /// back.
    pub(crate) fn sweep(&self, folder: &Path) {
        let now = SystemTime::now();
        for name in self.list(folder).unwrap_or_default() {
            if !name
                .to_str()
                .is_some_and(|name| name.starts_with(TEMPORARY))
            {
                continue;
            }
            let stale = |file: File| {
                let modified = file.metadata()?.modified()?;
                let age = now.duration_since(modified);
                let age = age.unwrap_or_else(|ahead| ahead.duration());
                Ok(age >= STALE || (age >= UNLOCKED && file.try_lock().is_ok()))
            };
            let path = folder.join(name);
            if self
                .file(&path, Access::Read)
                .and_then(stale)
                .unwrap_or(false)
            {
                // The next run tries again to remove what cannot be removed now.
                let _ = self.remove(&path);
            }
        }
    }
}

/// `None` if there is no such file.
fn if_there<T>(found: io::Result<T>) -> io::Result<Option<T>> {
    match found {
        Ok(found) => Ok(Some(found)),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
        Err(error) => Err(error),
    }
}

/// Files by the handle of their folder.
#[cfg(unix)]
mod sys {
    use std::ffi::{OsStr, OsString};
    use std::fs::File;
    use std::io;
    use std::os::unix::ffi::OsStrExt;
    use std::path::Path;

    use rustix::fs::{self as at, AtFlags, Dir, FileType, Mode, OFlags};
    use rustix::io::Errno;

    use super::{Access, Kind};

    pub(crate) type Handle = File;

    pub(crate) fn root(path: &Path) -> io::Result<Handle> {
        let flags = OFlags::RDONLY | OFlags::DIRECTORY | OFlags::CLOEXEC;
        Ok(at::open(path, flags, Mode::empty())?.into())
    }

    pub(crate) fn folder(within: &Handle, name: &OsStr) -> io::Result<Handle> {
        let flags = OFlags::RDONLY | OFlags::DIRECTORY | OFlags::CLOEXEC | OFlags::NOFOLLOW;
        Ok(at::openat(within, name, flags, Mode::empty())?.into())
    }

    /// Opens a file; does not block on a pipe.
    pub(crate) fn open(within: &Handle, name: &OsStr, access: Access) -> io::Result<File> {
        let flags = OFlags::CLOEXEC | OFlags::NONBLOCK | OFlags::NOCTTY;
        let flags = flags
            | match access {
                Access::Read => OFlags::RDONLY | OFlags::NOFOLLOW,
                Access::ReadLinked => OFlags::RDONLY,
                Access::Append => {
                    OFlags::WRONLY | OFlags::CREATE | OFlags::APPEND | OFlags::NOFOLLOW
                }
                Access::New => OFlags::RDWR | OFlags::CREATE | OFlags::EXCL | OFlags::NOFOLLOW,
            };
        Ok(at::openat(within, name, flags, Mode::from_raw_mode(0o666))?.into())
    }

    pub(crate) fn kind(within: &Handle, name: &OsStr) -> io::Result<Kind> {
        let data = at::statat(within, name, AtFlags::SYMLINK_NOFOLLOW)?;
        Ok(match FileType::from_raw_mode(data.st_mode) {
            FileType::RegularFile => Kind::File,
            FileType::Directory => Kind::Folder,
            FileType::Symlink => Kind::Link,
            _ => Kind::Special,
        })
    }

    /// Creates a folder unless the name is taken.
    pub(crate) fn make(within: &Handle, name: &OsStr) -> io::Result<()> {
        match at::mkdirat(within, name, Mode::from_raw_mode(0o777)) {
            Ok(()) | Err(Errno::EXIST) => Ok(()),
            // On a read-only file system the folder may exist.
            Err(_) if kind(within, name).is_ok() => Ok(()),
            Err(error) => Err(error.into()),
        }
    }

    pub(crate) fn remove(within: &Handle, name: &OsStr) -> io::Result<()> {
        Ok(at::unlinkat(within, name, AtFlags::empty())?)
    }

    pub(crate) fn rename(from: (&Handle, &OsStr), to: (&Handle, &OsStr)) -> io::Result<()> {
        Ok(at::renameat(from.0, from.1, to.0, to.1)?)
    }

    pub(crate) fn link(from: (&Handle, &OsStr), to: (&Handle, &OsStr)) -> io::Result<()> {
        Ok(at::linkat(from.0, from.1, to.0, to.1, AtFlags::empty())?)
    }

    pub(crate) fn names(within: &Handle) -> io::Result<Vec<OsString>> {
        let mut names = Vec::new();
        for entry in Dir::read_from(within)? {
            let name = OsStr::from_bytes(entry?.file_name().to_bytes()).to_os_string();
            if name != "." && name != ".." {
                names.push(name);
            }
        }
        Ok(names)
    }

    pub(crate) fn sync(within: &Handle) -> io::Result<()> {
        within.sync_all()
    }
}

/// The same by paths, for systems without folder handles: each step checks for links.
#[cfg(not(unix))]
mod sys {
    use std::ffi::{OsStr, OsString};
    use std::fs::{self, File, OpenOptions};
    use std::io;
    use std::path::{Path, PathBuf};

    use super::{Access, Kind};

    pub(crate) type Handle = PathBuf;

    pub(crate) fn root(path: &Path) -> io::Result<Handle> {
        fs::read_dir(path)?;
        fs::canonicalize(path)
    }

    pub(crate) fn folder(within: &Handle, name: &OsStr) -> io::Result<Handle> {
        match kind(within, name)? {
            Kind::Folder => Ok(within.join(name)),
            _ => Err(io::ErrorKind::NotADirectory.into()),
        }
    }

    pub(crate) fn open(within: &Handle, name: &OsStr, access: Access) -> io::Result<File> {
        let plain = !matches!(kind(within, name), Ok(Kind::Link | Kind::Special));
        if access != Access::ReadLinked && !plain {
            return Err(io::ErrorKind::PermissionDenied.into());
        }
        let mut options = OpenOptions::new();
        match access {
            Access::Read | Access::ReadLinked => options.read(true),
            Access::Append => options.append(true).create(true),
            Access::New => options.read(true).write(true).create_new(true),
        };
        options.open(within.join(name))
    }

    pub(crate) fn kind(within: &Handle, name: &OsStr) -> io::Result<Kind> {
        let kind = fs::symlink_metadata(within.join(name))?.file_type();
        Ok(if kind.is_file() {
            Kind::File
        } else if kind.is_dir() {
            Kind::Folder
        } else if kind.is_symlink() {
            Kind::Link
        } else {
            Kind::Special
        })
    }

    pub(crate) fn make(within: &Handle, name: &OsStr) -> io::Result<()> {
        match fs::create_dir(within.join(name)) {
            Err(error) if kind(within, name).is_err() => Err(error),
            _ => Ok(()),
        }
    }

    pub(crate) fn remove(within: &Handle, name: &OsStr) -> io::Result<()> {
        fs::remove_file(within.join(name))
    }

    pub(crate) fn rename(from: (&Handle, &OsStr), to: (&Handle, &OsStr)) -> io::Result<()> {
        fs::rename(from.0.join(from.1), to.0.join(to.1))
    }

    pub(crate) fn link(from: (&Handle, &OsStr), to: (&Handle, &OsStr)) -> io::Result<()> {
        fs::hard_link(from.0.join(from.1), to.0.join(to.1))
    }

    pub(crate) fn names(within: &Handle) -> io::Result<Vec<OsString>> {
        let names = fs::read_dir(within)?.map(|item| item.map(|item| item.file_name()));
        names.collect()
    }

    pub(crate) fn sync(_: &Handle) -> io::Result<()> {
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use std::fs;

    use super::*;

    fn folder() -> (tempfile::TempDir, Folder) {
        let dir = tempfile::tempdir().unwrap();
        let folder = Folder::open(dir.path()).unwrap();
        (dir, folder)
    }

    #[test]
    fn a_file_is_replaced_whole_and_keeps_its_rights() {
        let (dir, folder) = folder();
        let path = dir.path().join("a.txt");
        folder.replace(dir.path(), &path, b"one").unwrap();
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt;
            fs::set_permissions(&path, fs::Permissions::from_mode(0o640)).unwrap();
        }
        folder.replace(dir.path(), &path, b"two").unwrap();
        assert_eq!(fs::read(&path).unwrap(), b"two");
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt;
            let mode = fs::metadata(&path).unwrap().permissions().mode();
            assert_eq!(mode & 0o777, 0o640);
        }
        assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 1);
        let none = dir.path().join("none/a.txt");
        assert!(folder.replace(dir.path(), &none, b"").is_err());
    }

    #[cfg(unix)]
    #[test]
    fn nothing_leads_out() {
        use std::os::unix::fs::symlink;

        let ((dir, folder), away) = (folder(), tempfile::tempdir().unwrap());
        let secret = away.path().join("secret");
        fs::write(&secret, "kept").unwrap();
        symlink(away.path(), dir.path().join("out")).unwrap();
        symlink(&secret, dir.path().join("file")).unwrap();
        let made = std::process::Command::new("mkfifo")
            .arg(dir.path().join("pipe"))
            .status();
        assert!(made.unwrap().success());
        for path in ["out/secret", "out/new", "file", "pipe"] {
            let path = dir.path().join(path);
            for access in [Access::Read, Access::Append] {
                let error = folder.file(&path, access).unwrap_err();
                assert!(error.downcast::<LeadsAway>().is_ok(), "{path:?}");
            }
            folder.replace(dir.path(), &path, b"spoilt").unwrap_err();
            folder.rename(&path, &dir.path().join("a")).unwrap_err();
            fs::write(dir.path().join("b"), "").unwrap();
            folder.rename(&dir.path().join("b"), &path).unwrap_err();
        }
        for path in ["out", "file"] {
            folder.make(&dir.path().join(path)).unwrap_err();
            folder.temporary(&dir.path().join(path)).unwrap_err();
            folder.list(&dir.path().join(path)).unwrap_err();
        }
        for path in ["../secret", "a/../../secret", "/etc/hosts"] {
            let path = dir.path().join(path);
            let error = folder.file(&path, Access::Read).unwrap_err();
            assert_eq!(error.kind(), io::ErrorKind::InvalidInput, "{path:?}");
        }
        assert_eq!(fs::read(&secret).unwrap(), b"kept");
        assert_eq!(fs::read_dir(away.path()).unwrap().count(), 1);
        let linked = folder.read(&dir.path().join("file"), Access::ReadLinked);
        assert_eq!(linked.unwrap().as_deref(), Some(&b"kept"[..]));
    }

    #[cfg(unix)]
    #[test]
    fn a_folder_that_is_renamed_stays_the_same() {
        let parent = tempfile::tempdir().unwrap();
        let (was, is) = (parent.path().join("was"), parent.path().join("is"));
        fs::create_dir(&was).unwrap();
        let folder = Folder::open(&was).unwrap();
        fs::rename(&was, &is).unwrap();
        folder.replace(&was, &was.join("a"), b"here").unwrap();
        assert_eq!(fs::read(is.join("a")).unwrap(), b"here");
        assert!(!was.exists());
    }
}
