//! Writing files whole.

use std::fs::{self, File};
use std::io::{self, Write};
use std::path::Path;
use std::time::{Duration, SystemTime};

use tempfile::{NamedTempFile, TempDir, TempPath};

use super::BookError;

/// How the names of temporary files begin; those in `comps/` are passed over by readers.
pub(super) const TEMPORARY: &str = ".new-";

/// Age from which a temporary file outside the lock counts as left behind by a killed run.
const STALE: Duration = Duration::from_secs(3600);

/// Puts a file of these bytes in place at once: readers see the old or the new one, never a
/// part. It is on disk when this returns, with the rights that the old one had.
///
/// # Errors
/// Where writing fails; the old file is then untouched.
pub fn write_whole(path: &Path, bytes: &[u8]) -> io::Result<()> {
    write_whole_from(folder_of(path), path, bytes)
}

/// As [`write_whole`], by way of a temporary file in `folder` on the same file system.
pub(super) fn write_whole_from(folder: &Path, path: &Path, bytes: &[u8]) -> io::Result<()> {
    let mut temp = temp_in(folder)?;
    temp.write_all(bytes)?;
    if let Ok(old) = fs::metadata(path) {
        temp.as_file().set_permissions(old.permissions())?;
    }
    temp.as_file().sync_all()?;
    let old = keep_old(folder, path)?;
    temp.persist(path).map_err(|error| error.error)?;
    sync_folder(path).inspect_err(|_| {
        // What is told to have failed has not happened.
        let _ = match &old {
            Some(old) => fs::rename(old, path),
            None => fs::remove_file(path),
        };
    })
}

/// A second name of a file that is about to be replaced, which goes when it is dropped; none
/// where there is no file yet or the file system has no second names.
fn keep_old(folder: &Path, path: &Path) -> io::Result<Option<TempPath>> {
    // The place is found by making a file, which the second name then takes.
    let place = temp_in(folder)?.into_temp_path();
    fs::remove_file(&place)?;
    Ok(fs::hard_link(path, &place).is_ok().then_some(place))
}

/// Refuses a path below `root` any part of which is a symbolic link, for what is written there
/// would land elsewhere. Parts that are not there yet are fine.
///
/// # Errors
/// [`BookError::Refused`] with the link and what to do about it.
pub(super) fn refuse_links(root: &Path, path: &Path) -> Result<(), BookError> {
    let Ok(within) = path.strip_prefix(root) else {
        return Ok(());
    };
    let mut part = root.to_path_buf();
    for name in within {
        part.push(name);
        match fs::symlink_metadata(&part) {
            Ok(data) if data.is_symlink() => {
                return Err(BookError::Refused(format!(
                    "{}: a link to another place, and nothing outside of the book is written; nothing was changed. Put \
                     the file or folder itself in the place of the link, or name the book it leads to with --book",
                    part.display()
                )));
            }
            Ok(_) => {}
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(()),
            Err(error) => return Err(BookError::io(part, "look at")(error)),
        }
    }
    Ok(())
}

/// Removes temporary files of this program that were left in a folder an hour ago or more. Those
/// of a clock that has since gone back count as old too.
pub(super) fn sweep_stale(folder: &Path) {
    let Ok(listing) = fs::read_dir(folder) else {
        return;
    };
    let now = SystemTime::now();
    for item in listing.flatten() {
        let ours = item
            .file_name()
            .to_str()
            .is_some_and(|name| name.starts_with(TEMPORARY));
        let modified = item.metadata().and_then(|data| data.modified());
        let stale = modified.is_ok_and(|modified| {
            let age = now.duration_since(modified);
            age.unwrap_or_else(|ahead| ahead.duration()) >= STALE
        });
        if ours && stale {
            // What cannot be removed now is tried again by the next run.
            let _ = fs::remove_file(item.path()).or_else(|_| fs::remove_dir_all(item.path()));
        }
    }
}

/// A temporary file in a folder, with the rights that a plain new file has.
pub(super) fn temp_in(folder: &Path) -> io::Result<NamedTempFile> {
    let mut builder = tempfile::Builder::new();
    builder.prefix(TEMPORARY);
    #[cfg(unix)]
    let rights = <fs::Permissions as std::os::unix::fs::PermissionsExt>::from_mode(0o666);
    #[cfg(unix)]
    builder.permissions(rights);
    builder.tempfile_in(folder)
}

/// A temporary folder in a folder, with the rights that a plain new folder has.
pub(super) fn temp_folder_in(folder: &Path) -> io::Result<TempDir> {
    let mut builder = tempfile::Builder::new();
    builder.prefix(TEMPORARY);
    #[cfg(unix)]
    let rights = <fs::Permissions as std::os::unix::fs::PermissionsExt>::from_mode(0o777);
    #[cfg(unix)]
    builder.permissions(rights);
    builder.tempdir_in(folder)
}

/// Makes the name of a file last through a crash, where the system can.
///
/// # Errors
/// Where the system fails to.
pub fn sync_folder(file: &Path) -> io::Result<()> {
    #[cfg(unix)]
    File::open(folder_of(file))?.sync_all()?;
    #[cfg(not(unix))]
    let _ = file;
    Ok(())
}

fn folder_of(file: &Path) -> &Path {
    file.parent()
        .filter(|folder| !folder.as_os_str().is_empty())
        .unwrap_or(Path::new("."))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_is_replaced_whole_and_keeps_its_rights() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a.txt");
        write_whole(&path, b"one").unwrap();
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt;
            fs::set_permissions(&path, fs::Permissions::from_mode(0o640)).unwrap();
        }
        write_whole(&path, b"two").unwrap();
        assert_eq!(fs::read(&path).unwrap(), b"two");
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt;
            let mode = fs::metadata(&path).unwrap().permissions().mode();
            assert_eq!(mode & 0o777, 0o640);
        }
        assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 1);
        assert!(write_whole(&dir.path().join("none/a.txt"), b"").is_err());
    }
}
