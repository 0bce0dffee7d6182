//! Writes files whole, in any folder.

use std::fs::File;
use std::io::{self, Seek};
use std::path::Path;

use super::folder::Folder;

/// Replaces a file atomically by these bytes: readers see the old or the new file, never a part. It
/// is durable on return, with the permissions of the old one.
///
/// # Errors
/// If writing fails; the old file is then unchanged.
pub fn write_whole(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let (folder, path) = apart(path)?;
    Folder::open(folder)?.put(folder, &path, bytes)
}

/// Copies a file, from its beginning, to a free name; the copy is whole or does not exist.
///
/// # Errors
/// If the name is taken, or writing fails.
pub fn copy_new(file: &mut File, path: &Path) -> io::Result<()> {
    let (folder, path) = apart(path)?;
    let open = Folder::open(folder)?;
    let mut copy = open.temporary(folder)?;
    file.rewind()?;
    io::copy(file, &mut copy)?;
    copy.as_file().sync_all()?;
    open.place_new(&copy, &path)
}

/// The folder of a file, and its name in it.
fn apart(path: &Path) -> io::Result<(&Path, std::path::PathBuf)> {
    let folder = path
        .parent()
        .filter(|folder| !folder.as_os_str().is_empty());
    let folder = folder.unwrap_or(Path::new("."));
    let name = path.file_name().ok_or(io::ErrorKind::InvalidInput)?;
    Ok((folder, folder.join(name)))
}
