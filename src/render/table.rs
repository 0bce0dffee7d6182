//! Plain tables for the terminal.

use comfy_table::{CellAlignment, ColumnConstraint, ContentArrangement, Table, Width, presets};

/// Narrowest and widest screen that is laid out for.
const SCREEN: std::ops::RangeInclusive<usize> = 40..=120;

/// Width of text where standard output is not a terminal.
pub const PIPED_WIDTH: usize = 100;

/// Columns of the screen, within what can be laid out; [`PIPED_WIDTH`] when piped.
pub fn screen_width() -> usize {
    terminal_size::terminal_size()
        .map_or(PIPED_WIDTH, |(width, _)| usize::from(width.0))
        .clamp(*SCREEN.start(), *SCREEN.end())
}

/// A table without frames: headers underlined, cells two spaces apart, no wider than `width`.
/// `right` lists the columns set flush right.
pub fn plain(header: &[&str], rows: Vec<Vec<String>>, right: &[usize], width: usize) -> String {
    let mut table = Table::new();
    table
        .load_style(presets::NOTHING)
        .set_content_arrangement(ContentArrangement::Dynamic)
        .set_width(u16::try_from(width).unwrap_or(u16::MAX))
        .set_header(header.iter().copied());
    for row in rows {
        table.add_row(row);
    }
    for (at, column) in table.column_iter_mut().enumerate() {
        column.set_padding((if at == 0 { 0 } else { 1 }, 1));
        if right.contains(&at) {
            column.set_cell_alignment(CellAlignment::Right);
            column.set_constraint(ColumnConstraint::LowerBoundary(Width::Fixed(6)));
        }
    }
    table
        .lines()
        .map(|line| line.trim_end().to_string())
        .collect::<Vec<_>>()
        .join("\n")
}
