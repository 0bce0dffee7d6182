//! What can be wrong with a book or an input, said so that the reader can mend it.

use std::fmt;
use std::path::PathBuf;

use crate::trade::checks::is_unseen;

/// One thing wrong with one cell (or row, or file) of an input.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    /// File as the user named it.
    pub file: String,
    /// Line in the file where the row begins, the header being line 1; 0 where the whole file is meant.
    pub row: u64,
    /// Column as the file names it; empty where the whole row is meant.
    pub column: String,
    /// The offending text, shortened for display.
    pub value: String,
    /// What would have been accepted.
    pub expected: String,
    /// What to do about it.
    pub mend: String,
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        // Names of files and columns are the user's as well.
        let visible = |text: &str| shorten(text, usize::MAX);
        write!(f, "{}", visible(&self.file))?;
        if self.row > 0 {
            write!(f, ", row {}", self.row)?;
        }
        if !self.column.is_empty() {
            write!(f, ", column {}", visible(&self.column))?;
        }
        if !self.value.is_empty() {
            write!(f, ": found {}", quoted(&self.value))?;
        }
        write!(f, ": expected {}", visible(&self.expected))?;
        if !self.mend.is_empty() {
            write!(f, "; {}", visible(&self.mend))?;
        }
        Ok(())
    }
}

/// Why a path in a book is not followed: it leads out of the folder.
#[derive(Debug, thiserror::Error)]
#[error("{0}")]
pub struct LeadsAway(pub String);

/// Why an operation on a book failed.
#[derive(Debug, thiserror::Error)]
pub enum BookError {
    /// Reading or writing failed.
    #[error("{path}: cannot {doing}: {source}", path = path.display())]
    Io {
        /// File or folder concerned.
        path: PathBuf,
        /// The verb: `read`, `write`, `lock` and the like.
        doing: &'static str,
        /// The system's own error.
        source: std::io::Error,
    },
    /// No `compband.toml` here or above, or not at the place named.
    #[error("{0}")]
    NoBook(String),
    /// The settings file is wrong; the text says where and how to mend it.
    #[error("{0}")]
    Settings(String),
    /// Rows that cannot be taken, every one of them.
    #[error("{} problem{} in the input", .0.len(), if .0.len() == 1 { "" } else { "s" })]
    Rows(Vec<Problem>),
    /// What was asked cannot be done with this book; the text says why and what to do.
    #[error("{0}")]
    Refused(String),
    /// Another run holds the book.
    #[error("{0}")]
    Locked(String),
}

impl BookError {
    /// Wraps an I/O error with its path and what was being done; a path that leads out of the book
    /// is refused.
    pub fn io(
        path: impl Into<PathBuf>,
        doing: &'static str,
    ) -> impl FnOnce(std::io::Error) -> Self {
        let path = path.into();
        move |source| match source.downcast::<LeadsAway>() {
            Ok(away) => Self::Refused(away.to_string()),
            Err(source) => Self::Io {
                path,
                doing,
                source,
            },
        }
    }
}

/// The known name nearest to `given` (Jaro-Winkler similarity of at least 0.75, case ignored).
pub fn nearest<'a>(given: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let given = given.to_lowercase();
    known
        .into_iter()
        .map(|name| (strsim::jaro_winkler(&given, &name.to_lowercase()), name))
        .filter(|(score, _)| *score >= 0.75)
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, name)| name)
}

/// Up to `most` known names near `given`, nearest first: Jaro-Winkler similarity of at least
/// 0.7, or one contains the other; case ignored.
pub fn nearest_few<'a>(
    given: &str,
    known: impl IntoIterator<Item = &'a str>,
    most: usize,
) -> Vec<&'a str> {
    let given = given.to_lowercase();
    let score = |name: &str| {
        let name = name.to_lowercase();
        let within = !given.is_empty() && (name.contains(&given) || given.contains(&name));
        strsim::jaro_winkler(&given, &name) + if within { 1.0 } else { 0.0 }
    };
    let mut scored: Vec<_> = known
        .into_iter()
        .map(|name| (score(name), name))
        .filter(|(s, _)| *s >= 0.7)
        .collect();
    scored.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(b.1)));
    scored
        .into_iter()
        .take(most)
        .map(|(_, name)| name)
        .collect()
}

/// A text between double quotes, those in it marked by a backslash; for what [`shorten`] gave, in
/// which control characters are visible already.
pub fn quoted(text: &str) -> String {
    format!("\"{}\"", text.replace('"', "\\\""))
}

/// `text` cut to `most` characters with an ellipsis, control characters and others that show nothing
/// made visible.
pub fn shorten(text: &str, most: usize) -> String {
    let mut out = String::new();
    for (at, c) in text.chars().enumerate() {
        if at == most {
            out.push('…');
            break;
        }
        // Joiners are part of scripts and emoji.
        let joiner = matches!(c, '\u{200c}' | '\u{200d}');
        if c.is_control() || (is_unseen(c) && !joiner) {
            out.extend(c.escape_default());
        } else {
            out.push(c);
        }
    }
    out
}
