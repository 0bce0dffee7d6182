//! Writing files whole, wherever they are.

use std::fs::File;
use std::io::{self, Seek};
use std::path::Path;

use super::folder::Folder;

/// Puts a file of these bytes in place at once: readers see the old or the new one, never a
/// part. It is on disk when this returns, with the rights that the old one had.
///
/// # Errors
/// Where writing fails; the old file is then untouched.
pub fn write_whole(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let (folder, path) = apart(path)?;
    Folder::open(folder)?.put(folder, &path, bytes)
}

/// Copies a file, from its beginning, to where none is yet; it is there whole or not at all.
///
/// # Errors
/// Where there is a file already, or writing fails.
pub fn copy_new(file: &mut File, path: &Path) -> io::Result<()> {
    let (folder, path) = apart(path)?;
    let open = Folder::open(folder)?;
    let mut copy = open.temporary(folder)?;
    file.rewind()?;
    io::copy(file, &mut copy)?;
    copy.as_file().sync_all()?;
    open.place_new(&copy, &path)
}

/// The folder of a file, and the file in it.
fn apart(path: &Path) -> io::Result<(&Path, std::path::PathBuf)> {
    let folder = path
        .parent()
        .filter(|folder| !folder.as_os_str().is_empty());
    let folder = folder.unwrap_or(Path::new("."));
    let name = path.file_name().ok_or(io::ErrorKind::InvalidInput)?;
    Ok((folder, folder.join(name)))
}
