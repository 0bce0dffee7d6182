//! Size, time and identity of a file, to detect changes.

use serde::{Deserialize, Serialize};
use std::fs::File;
use std::io;
use std::time::{Duration, SystemTime, UNIX_EPOCH};

/// Largest file, in bytes, that is identified by its content if it has no inode.
#[cfg(not(unix))]
const WORTH_HASHING: u64 = 1 << 20;

/// Stamp of a file with comps of a book.
#[derive(Debug, Clone, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub(crate) struct Stamp {
    pub(crate) name: String,
    pub(crate) size: u64,
    /// Nanoseconds since 1970.
    pub(crate) modified: u64,
    /// Time of the last change, including changes of metadata, in nanoseconds since 1970; equal to
    /// `modified` if the system does not provide it.
    pub(crate) changed: u64,
    /// Its inode; if the system has none, a hash of the content of a small file.
    inode: u64,
}

/// Nanoseconds since 1970.
pub(super) fn now() -> u64 {
    let now = SystemTime::now().duration_since(UNIX_EPOCH);
    now.map_or(0, |since| since.as_nanos() as u64)
}

impl Stamp {
    /// A file changed less than this long before it was read, in nanoseconds, may have changed again
    /// within the same time stamp: the clock of file systems ticks every few milliseconds, on some
    /// every two seconds.
    fn unsure_nanos(&self) -> u64 {
        if self.changed.is_multiple_of(1_000_000_000) {
            2_000_000_000
        } else {
            20_000_000
        }
    }

    /// Whether files read from the time `read` on certainly had their present state. If the clock is
    /// far behind their times, a change gives them another time too.
    pub(crate) fn are_sure(files: &[Self], read: u64) -> bool {
        let sure = |file: &Self| read.abs_diff(file.changed) >= file.unsure_nanos();
        files.iter().all(sure)
    }

    /// Waits at most `longest`, if that makes the state of files that have just changed certain.
    pub(super) fn settle(files: &[Self], longest: Duration) {
        let now = now();
        let left = files.iter().filter_map(|file| {
            let sure = file.changed.saturating_add(file.unsure_nanos());
            sure.checked_sub(now).map(Duration::from_nanos)
        });
        if let Some(left) = left.filter(|left| *left < longest).max() {
            std::thread::sleep(left + Duration::from_nanos(1));
        }
    }

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
        let since = data.modified()?.duration_since(UNIX_EPOCH);
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

/// The comps files of a book at some time ([`files_state`](crate::book::Book::files_state)).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct FilesState {
    /// Hash of their stamps.
    pub hash: u64,
    /// Total size in bytes.
    pub bytes: u64,
    /// Whether every later change of a file changes the hash: a file written very recently may be
    /// written again within the same time stamp.
    pub sure: bool,
}
