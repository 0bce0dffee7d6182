//! The readings of the words of a line: values of columns.

use crate::trade::comp::COLUMNS;

/// Stands for a numeric attribute among the columns; its value is in the form of `--set`.
pub const ATTRIBUTE: &str = "set";

/// Values that some words give to columns.
pub type Reading = Vec<(&'static str, String)>;

/// A column in words.
pub fn field_name(column: &str) -> &str {
    match column {
        "comp_id" => "id",
        "sold_on" => "date",
        "lot_size" => "units",
        "how_sold" => "way of selling",
        "works" => "state (works or parts)",
        "missing" => "missing piece",
        "extras" => "extra",
        "defects" => "defect",
        ATTRIBUTE => "attribute",
        other => other,
    }
}

/// The column that a name in `name=value` stands for.
pub(super) fn column_named(name: &str) -> Option<&'static str> {
    let name = name.to_lowercase().replace('-', "_");
    let column = match name.as_str() {
        "day" | "date" => "sold_on",
        "units" | "lot" => "lot_size",
        "extra" => "extras",
        "defect" => "defects",
        other => other,
    };
    let mut known = COLUMNS.into_iter().filter(|known| *known != "comp_id");
    known.find(|known| *known == column)
}

/// Column of each reading.
pub(super) fn columns_of(readings: &[Reading]) -> Vec<&'static str> {
    let first = readings.iter().filter_map(|reading| reading.first());
    first.map(|(column, _)| *column).collect()
}
