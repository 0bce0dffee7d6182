//! A file of a book as it was when looked at.

use serde::Deserialize;
use serde::Serialize;
use std::fs::File;
use std::io;

/// Up to this many bytes a file without an inode is told by its content.
#[cfg(not(unix))]
const WORTH_HASHING: u64 = 1 << 20;

/// One file a book's comps come from, as it was when looked at.
#[derive(Debug, Clone, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub(crate) struct Stamp {
    pub(crate) name: String,
    pub(crate) size: u64,
    /// Nanoseconds since 1970.
    pub(crate) modified: u64,
    /// When anything of it changed last, be it its time, in nanoseconds since 1970; where the
    /// system does not say, as `modified`.
    pub(crate) changed: u64,
    /// Which file it is; where the system does not say, a hash of what is in a small one.
    inode: u64,
}

impl Stamp {
    #[cfg(unix)]
    pub(super) fn of(name: String, file: &File) -> io::Result<Self> {
        use std::os::unix::fs::MetadataExt;

        let data = file.metadata()?;
        let nanos = |seconds: i64, nanos: i64| (seconds * 1_000_000_000 + nanos) as u64;
        Ok(Self {
            name,
            size: data.len(),
            modified: nanos(data.mtime(), data.mtime_nsec()),
            changed: nanos(data.ctime(), data.ctime_nsec()),
            inode: data.ino(),
        })
    }

    #[cfg(not(unix))]
    pub(super) fn of(name: String, mut file: &File) -> io::Result<Self> {
        let data = file.metadata()?;
        let since = data.modified()?.duration_since(std::time::UNIX_EPOCH);
        let modified = since.map_or(0, |since| since.as_nanos() as u64);
        let mut bytes = Vec::new();
        if data.len() <= WORTH_HASHING {
            io::Read::read_to_end(&mut file, &mut bytes)?;
        }
        Ok(Self {
            name,
            size: data.len(),
            modified,
            changed: modified,
            inode: xxhash_rust::xxh3::xxh3_64(&bytes),
        })
    }
}

/// The comps files of a book at some time ([`Book::files_state`]).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct FilesState {
    /// Hash of their [`Stamp`]s.
    pub hash: u64,
    /// Bytes of all of them.
    pub bytes: u64,
    /// Whether whatever changes one of them from now on changes the hash too: a file that was
    /// written only just before may be written again without a new time.
    pub sure: bool,
}
