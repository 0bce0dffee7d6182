//! Quotes in CSV, byte by byte, by the rules of the library that reads the cells: a quote opens
//! only at the beginning of a cell, and a doubled quote inside quotes stands for itself.

/// State of a position in a CSV file with respect to quotes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Quotes {
    /// At the beginning of a cell.
    CellStart,
    /// In a cell, outside quotes.
    Plain,
    /// Inside quotes.
    Quoted,
    /// After a quote inside quotes, which closes them unless another follows.
    QuoteInQuoted,
}

impl Quotes {
    /// The state after the next byte.
    pub(crate) fn after(self, byte: u8, delimiter: u8) -> Self {
        match (self, byte) {
            (Self::CellStart | Self::QuoteInQuoted, b'"') => Self::Quoted,
            (Self::Quoted, b'"') => Self::QuoteInQuoted,
            (Self::Quoted, _) => Self::Quoted,
            (_, byte) if byte == delimiter || matches!(byte, b'\n' | b'\r') => Self::CellStart,
            _ => Self::Plain,
        }
    }

    /// Whether a line end here belongs to a cell.
    pub(crate) fn are_open(self) -> bool {
        self == Self::Quoted
    }
}
