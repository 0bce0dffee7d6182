//! Errors of charts.

use std::io;
use std::path::PathBuf;

/// Reason why a chart could not be drawn.
#[derive(Debug, thiserror::Error)]
pub enum ChartError {
    /// The file name does not determine the format.
    #[error(
        "{}: a chart is written as PNG or SVG; end the file name in .png or .svg",
        path.display()
    )]
    Format {
        /// File, as named by the user.
        path: PathBuf,
    },
    /// A number that no axis can show.
    #[error("chart: {what} is {value}; expected {expected}")]
    Value {
        /// Name of the number.
        what: &'static str,
        /// The number.
        value: f64,
        /// What is accepted instead.
        expected: &'static str,
    },
    /// The file could not be written.
    #[error("{}: cannot write the chart: {source}; see that the folder exists and has room", path.display())]
    Io {
        /// File, as named by the user.
        path: PathBuf,
        /// The system's error.
        source: io::Error,
    },
    /// The drawing library failed.
    #[error("chart: cannot draw: {0}")]
    Drawing(String),
}
