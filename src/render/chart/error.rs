//! Why a chart could not be drawn.

use std::io;
use std::path::PathBuf;

/// Why a chart could not be drawn.
#[derive(Debug, thiserror::Error)]
pub enum ChartError {
    /// The file name does not say which kind of picture is wanted.
    #[error(
        "{}: a chart is written as PNG or SVG; end the file name in .png or .svg",
        path.display()
    )]
    Format {
        /// The file as named.
        path: PathBuf,
    },
    /// A number that no axis can show.
    #[error("chart: {what} is {value}; expected {expected}")]
    Value {
        /// Which number.
        what: &'static str,
        /// The number.
        value: f64,
        /// What would have been accepted.
        expected: &'static str,
    },
    /// The file could not be written.
    #[error("{}: cannot write the chart: {source}; see that the folder exists and has room", path.display())]
    Io {
        /// The file as named.
        path: PathBuf,
        /// The system's own error.
        source: io::Error,
    },
    /// The drawing library failed.
    #[error("chart: cannot draw: {0}")]
    Drawing(String),
}
