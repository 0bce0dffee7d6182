//! Plain tables for the terminal.

use comfy_table::{
    Cell, CellAlignment, ColumnConstraint, ContentArrangement, LineStyle, Table, TableStyle,
};

use anstyle::Style;

use crate::book::problem::shorten;

/// How a column is laid out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Text that may wrap.
    Text,
    /// Short text that never wraps.
    Fixed,
    /// A number, to the right.
    Number,
}

const RULE_BELOW_HEADER: TableStyle =
    TableStyle::new().header_separator(LineStyle::none().fill('─').junction('─'));

const STRONG: Style = Style::new().bold();

/// Longest cell shown, in characters.
const LONGEST: usize = 120;

/// Rows below titled columns.
#[derive(Debug, Clone)]
pub struct Grid {
    columns: Vec<(String, Kind)>,
    rows: Vec<Vec<String>>,
}

impl Grid {
    /// A grid without rows.
    pub fn new(columns: &[(&str, Kind)]) -> Self {
        let columns = columns
            .iter()
            .map(|(title, kind)| ((*title).to_string(), *kind))
            .collect();
        Self {
            columns,
            rows: Vec::new(),
        }
    }

    /// Adds a row: one cell per column.
    pub fn push(&mut self, row: Vec<String>) {
        self.rows.push(row);
    }

    /// The grid as text that is no wider than `width` columns of the terminal, or as wide as
    /// it needs to be. Columns without any content are left out.
    pub fn render(&self, width: Option<u16>) -> String {
        let shown: Vec<usize> = (0..self.columns.len())
            .filter(|&at| {
                self.rows.is_empty()
                    || self
                        .rows
                        .iter()
                        .any(|row| row.get(at).is_some_and(|cell| !cell.is_empty()))
            })
            .collect();
        let mut table = Table::new();
        table.load_style(RULE_BELOW_HEADER);
        match width {
            Some(width) => table
                .set_content_arrangement(ContentArrangement::Dynamic)
                .set_width(width),
            None => table.set_content_arrangement(ContentArrangement::Disabled),
        };
        table.set_header(shown.iter().map(|&at| self.columns[at].0.as_str()));
        for row in &self.rows {
            table.add_row(
                shown
                    .iter()
                    .map(|&at| Cell::new(shorten(row.get(at).map_or("", String::as_str), LONGEST))),
            );
        }
        for (position, &at) in shown.iter().enumerate() {
            let Some(column) = table.column_mut(position) else {
                continue;
            };
            let last = position + 1 == shown.len();
            // The rule below the header takes one more column between two of the table.
            column.set_padding((0, u16::from(!last)));
            let kind = self.columns[at].1;
            if kind == Kind::Number {
                column.set_cell_alignment(CellAlignment::Right);
            }
            if kind != Kind::Text {
                column.set_constraint(ColumnConstraint::ContentWidth);
            }
        }
        let text = table.trim_fmt();
        match text.split_once('\n') {
            Some((header, rest)) => {
                format!("{}\n{rest}\n", format_args!("{STRONG}{header}{STRONG:#}"))
            }
            None => format!("{text}\n"),
        }
    }
}

/// Columns of the terminal that standard output goes to; `None` where that is no terminal.
pub fn terminal_width() -> Option<u16> {
    terminal_size::terminal_size_of(std::io::stdout()).map(|(width, _)| width.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use unicode_width::UnicodeWidthStr;

    fn grid() -> Grid {
        let mut grid = Grid::new(&[
            ("id", Kind::Fixed),
            ("model", Kind::Text),
            ("venue", Kind::Text),
            ("price", Kind::Number),
        ]);
        grid.push(vec![
            "abcdef".into(),
            "Nerrow F4 field recorder, grey".into(),
            String::new(),
            "9.50".into(),
        ]);
        grid.push(vec![
            "ghijkl".into(),
            "Tolvik\nPage 6".into(),
            String::new(),
            "120.00".into(),
        ]);
        grid
    }

    #[test]
    fn numbers_line_up_and_empty_columns_go() {
        let plain = anstream::adapter::strip_str(&grid().render(None)).to_string();
        assert_eq!(
            plain,
            "id      model                            price\n\
             ──────────────────────────────────────────────\n\
             abcdef  Nerrow F4 field recorder, grey    9.50\n\
             ghijkl  Tolvik\\nPage 6                  120.00\n"
        );
    }

    #[test]
    fn no_line_is_wider_than_asked() {
        let plain = anstream::adapter::strip_str(&grid().render(Some(30))).to_string();
        assert!(plain.lines().all(|line| line.width() <= 30), "{plain}");
        assert!(plain.contains("120.00"));
    }
}
