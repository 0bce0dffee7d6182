//! The columns of canonical files.

use std::borrow::Cow;
use std::collections::BTreeSet;

use csv::ByteRecord;

use crate::trade::attributes::{column_name, of_column};
use crate::trade::comp::COLUMNS;
use crate::trade::foreign::RATE_COLUMNS;
use crate::trade::{Attributes, Comp};

/// Columns of `logged.csv`: the entry number, then those of [`COLUMNS`].
pub const LOGGED_COLUMNS: [&str; 18] = {
    let mut columns = ["entry"; 18];
    let mut at = 0;
    while at < COLUMNS.len() {
        columns[at + 1] = COLUMNS[at];
        at += 1;
    }
    columns
};

/// A column after the fixed ones, in files in which some row uses it; in the order in which they
/// are written.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub enum OptionalColumn {
    /// One of [`RATE_COLUMNS`], by its position there.
    Rate(usize),
    /// A numeric attribute, by its canonical name.
    Attribute(String),
}

impl OptionalColumn {
    /// The columns of the exchange rate.
    pub const RATE: [Self; RATE_COLUMNS.len()] = [Self::Rate(0), Self::Rate(1), Self::Rate(2)];

    /// The canonical name.
    pub fn name(&self) -> Cow<'static, str> {
        match self {
            Self::Rate(at) => Cow::Borrowed(RATE_COLUMNS.get(*at).copied().unwrap_or_default()),
            Self::Attribute(name) => Cow::Owned(column_name(name)),
        }
    }

    /// The column of a header, which may be spelled differently.
    pub fn of_header(name: &str) -> Option<Self> {
        let name = name.trim();
        let rate = RATE_COLUMNS.iter().position(|rate| *rate == name);
        rate.map(Self::Rate)
            .or_else(|| of_column(name).map(Self::Attribute))
    }

    /// Its cell in the row of a comp.
    pub(super) fn cell(&self, comp: &Comp) -> String {
        match self {
            Self::Rate(at) => {
                let mut cells = comp.rate_cells().into_iter();
                cells.nth(*at).unwrap_or_default()
            }
            Self::Attribute(name) => comp.attributes.text(name),
        }
    }
}

/// The optional columns of a header that begins with `columns`, in order; `None` for any other
/// header.
pub(crate) fn optional_of_header(
    record: &ByteRecord,
    columns: &[&str],
) -> Option<Vec<OptionalColumn>> {
    let cell = |(at, cell): (usize, &[u8])| -> Vec<u8> {
        let mark = if at == 0 {
            b"\xef\xbb\xbf".as_slice()
        } else {
            b""
        };
        cell.strip_prefix(mark)
            .unwrap_or(cell)
            .trim_ascii()
            .to_vec()
    };
    let mut cells = record.iter().enumerate().map(cell);
    let begins = cells
        .by_ref()
        .take(columns.len())
        .eq(columns.iter().map(|column| column.as_bytes()));
    if !begins {
        return None;
    }
    let mut optional: Vec<OptionalColumn> = Vec::new();
    for cell in cells {
        let column = OptionalColumn::of_header(std::str::from_utf8(&cell).ok()?)?;
        if optional.contains(&column) {
            return None;
        }
        optional.push(column);
    }
    Some(optional)
}

/// The header of a canonical file: `columns`, then the optional ones.
pub(crate) fn header(columns: &[&str], optional: &[OptionalColumn]) -> Vec<String> {
    let optional = optional.iter().map(|column| column.name().into_owned());
    let columns = columns.iter().map(|column| (*column).to_string());
    columns.chain(optional).collect()
}

/// The optional columns that these comps need, in order.
pub fn optional_columns<'a>(comps: impl IntoIterator<Item = &'a Comp>) -> Vec<OptionalColumn> {
    let mut needed = BTreeSet::new();
    for comp in comps {
        needed.extend(optional_for(comp.foreign.is_some(), &comp.attributes));
    }
    needed.into_iter().collect()
}

/// The optional columns that a row needs, with or without a rate and with these attributes.
pub fn optional_for(rate: bool, attributes: &Attributes) -> impl Iterator<Item = OptionalColumn> {
    let rate = rate.then_some(OptionalColumn::RATE).into_iter().flatten();
    let attributes = attributes.iter().map(|(name, _)| name.to_string());
    rate.chain(attributes.map(OptionalColumn::Attribute))
}
