//! Writing files whole.

use std::fs::{self, File};
use std::io::{self, Write};
use std::path::Path;

use tempfile::NamedTempFile;

/// How the names of temporary files begin; those in `comps/` are passed over by readers.
pub(super) const TEMPORARY: &str = ".new-";

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
    temp.persist(path).map_err(|error| error.error)?;
    sync_folder(path)
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
