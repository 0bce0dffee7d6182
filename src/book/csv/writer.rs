//! Writes canonical files.

use std::io::{self, Write};

use super::columns::{OptionalColumn, header, optional_columns};
use super::formula::neutral;
use crate::trade::Comp;
use crate::trade::comp::{COLUMNS, RowText};

/// The contained I/O error, whose kind the library's conversion hides.
pub(crate) fn io_error(error: csv::Error) -> io::Error {
    match error.into_kind() {
        csv::ErrorKind::Io(error) => error,
        other => io::Error::other(format!("{other:?}")),
    }
}

/// Writes the rest of a row after its entry number, if any: the cells of [`COLUMNS`], from `row`,
/// and those of the optional columns.
pub(crate) fn write_row<W: Write>(
    output: &mut csv::Writer<W>,
    row: &RowText,
    comp: &Comp,
    optional: &[OptionalColumn],
) -> csv::Result<()> {
    if optional.is_empty() {
        return output.write_record(row.cells());
    }
    for cell in row.cells() {
        output.write_field(cell)?;
    }
    for column in optional {
        output.write_field(column.cell(comp))?;
    }
    output.write_record(None::<&[u8]>)
}

/// Writes comps in the form of an import.
///
/// # Errors
/// If writing fails.
pub fn write_comps<W: Write>(out: W, comps: &[Comp]) -> io::Result<W> {
    let mut writer = Writer::with_header(out, &COLUMNS, optional_columns(comps))?;
    comps.iter().try_for_each(|comp| writer.comp(comp))?;
    writer.finish()
}

/// Writes canonical files: comma, `\n`, quotes only where needed.
pub struct Writer<W: Write> {
    output: csv::Writer<W>,
    row: RowText,
    optional: Vec<OptionalColumn>,
    neutral: bool,
}

impl<W: Write> Writer<W> {
    /// Begins a file with its header line: `columns`, then the optional ones.
    ///
    /// # Errors
    /// If writing fails.
    pub fn with_header(
        output: W,
        columns: &[&str],
        optional: Vec<OptionalColumn>,
    ) -> io::Result<Self> {
        let mut writer = Self::without_header(output, optional);
        let header = header(columns, &writer.optional);
        writer.output.write_record(header).map_err(io_error)?;
        Ok(writer)
    }

    /// Writes rows only.
    pub fn without_header(output: W, optional: Vec<OptionalColumn>) -> Self {
        Self {
            output: csv::Writer::from_writer(output),
            row: RowText::default(),
            optional,
            neutral: false,
        }
    }

    /// The same rows for other programs: no text acts as a formula in a spreadsheet.
    #[must_use]
    pub fn neutral(mut self) -> Self {
        self.neutral = true;
        self
    }

    /// Writes the row of a comp in the columns of [`COLUMNS`] and the optional ones.
    ///
    /// # Errors
    /// If writing fails.
    pub fn comp(&mut self, comp: &Comp) -> io::Result<()> {
        self.row.fill(comp);
        if self.neutral {
            let optional = self.optional.iter().map(|column| column.cell(comp));
            let cells = self.row.cells().map(str::to_string).chain(optional);
            let cells = cells.map(|cell| neutral(&cell).into_owned());
            return self.output.write_record(cells).map_err(io_error);
        }
        write_row(&mut self.output, &self.row, comp, &self.optional).map_err(io_error)
    }

    /// Writes the row of a comp in the columns of [`LOGGED_COLUMNS`] and the optional ones.
    ///
    /// # Errors
    /// If writing fails.
    pub fn logged(&mut self, entry: u64, comp: &Comp) -> io::Result<()> {
        self.output
            .write_field(entry.to_string())
            .map_err(io_error)?;
        self.comp(comp)
    }

    /// Returns the output with everything written to it.
    ///
    /// # Errors
    /// If writing fails.
    pub fn finish(self) -> io::Result<W> {
        self.output
            .into_inner()
            .map_err(csv::IntoInnerError::into_error)
    }
}
