//! Plain tables for the terminal.

use comfy_table::{
    Cell, CellAlignment, ColumnConstraint, ContentArrangement, LineStyle, Table, TableStyle,
};

use unicode_width::UnicodeWidthStr;

use crate::trade::text::shorten;
use anstyle::Style;

/// Layout of a column.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Text that may wrap.
    Text,
    /// Short text that never wraps.
    Fixed,
    /// A number, right-aligned.
    Number,
}

const RULE_BELOW_HEADER: TableStyle =
    TableStyle::new().header_separator(LineStyle::none().fill('─').junction('─'));

/// Style of bold text.
pub const STRONG: Style = Style::new().bold();

/// Bold text, if colour is on.
pub fn strong(text: &str) -> String {
    format!("{STRONG}{text}{STRONG:#}")
}

/// Longest cell shown, in characters.
const LONGEST: usize = 120;

/// Width that a column of text needs to be readable, if its content is wider.
const READABLE: usize = 12;

/// Space between two columns of a grid, in columns of the terminal.
const GAP: usize = 2;

/// A column: title, layout and rank. If the terminal is too narrow, columns of high rank are
/// omitted first; those of rank 0 stay.
pub type Column<'a> = (&'a str, Kind, u8);

/// Columns of numbers.
pub fn numbers<const N: usize>(titles: [&str; N]) -> [(&str, Kind); N] {
    titles.map(|title| (title, Kind::Number))
}

/// A column of text, then columns of numbers.
pub fn text_and_numbers<const N: usize>(titles: [&str; N]) -> [(&str, Kind); N] {
    let mut columns = numbers(titles);
    if let Some(first) = columns.first_mut() {
        first.1 = Kind::Text;
    }
    columns
}

/// Rows below column titles.
#[derive(Debug, Clone)]
pub struct Grid<'a> {
    columns: Vec<Column<'a>>,
    rows: Vec<Vec<String>>,
}

impl<'a> Grid<'a> {
    /// A grid without rows, with columns that always stay.
    pub fn new(columns: &[(&'a str, Kind)]) -> Self {
        let columns = columns.iter().map(|&(title, kind)| (title, kind, 0));
        Self::ranked(&columns.collect::<Vec<_>>())
    }

    /// A grid without rows.
    pub fn ranked(columns: &[Column<'a>]) -> Self {
        Self {
            columns: columns.to_vec(),
            rows: Vec::new(),
        }
    }

    /// Adds a row: one cell per column.
    pub fn push(&mut self, row: impl Into<Vec<String>>) {
        let row: Vec<String> = row.into();
        self.rows
            .push(row.iter().map(|cell| shorten(cell, LONGEST)).collect());
    }

    /// The columns that have content, each with its title and layout, and with the cells of its rows.
    pub fn filled(&self) -> Vec<(&'a str, Kind, Vec<&str>)> {
        let cells = |at: usize| self.rows.iter().map(move |row| row[at].as_str());
        self.with_content()
            .map(|at| (self.columns[at].0, self.columns[at].1, cells(at).collect()))
            .collect()
    }

    /// The grid as text at most `width` terminal columns wide, or as wide as necessary. Columns
    /// without content are omitted; a note below lists those omitted for lack of space.
    pub fn render(&self, width: Option<u16>) -> String {
        let mut shown: Vec<usize> = self.with_content().collect();
        let mut left_out = Vec::new();
        if let Some(width) = width {
            while self.needed(&shown) > usize::from(width) {
                let Some(at) = shown
                    .iter()
                    .copied()
                    .filter(|&at| self.columns[at].2 > 0)
                    .max_by_key(|&at| (self.columns[at].2, at))
                else {
                    break;
                };
                shown.retain(|&other| other != at);
                left_out.push(at);
            }
        }
        let mut text = self.lay_out(&shown, width);
        if !left_out.is_empty() {
            left_out.sort_unstable();
            let titles: Vec<&str> = left_out.iter().map(|&at| self.columns[at].0).collect();
            let named = format!("(no room for: {})", titles.join(", "));
            let counted = format!("(columns left out: {})", titles.len());
            let fits = width.is_none_or(|width| named.width() <= usize::from(width));
            text.push_str(if fits { &named } else { &counted });
            text.push('\n');
        }
        text
    }

    /// Positions of the columns that have content; of all if there are no rows.
    fn with_content(&self) -> impl Iterator<Item = usize> {
        (0..self.columns.len()).filter(|&at| {
            let filled = |row: &Vec<String>| row.get(at).is_some_and(|cell| !cell.is_empty());
            self.rows.is_empty() || self.rows.iter().any(filled)
        })
    }

    /// Width that these columns need to be readable.
    fn needed(&self, shown: &[usize]) -> usize {
        let column = |at: usize| {
            let (title, kind, _) = self.columns[at];
            let cells = self
                .rows
                .iter()
                .filter_map(|row| row.get(at))
                .map(|cell| cell.width());
            let content = cells.max().unwrap_or_default().max(title.width());
            if kind == Kind::Text {
                content.min(READABLE)
            } else {
                content
            }
        };
        shown.iter().map(|&at| column(at)).sum::<usize>() + GAP * shown.len().saturating_sub(1)
    }

    fn lay_out(&self, shown: &[usize], width: Option<u16>) -> String {
        let mut table = Table::new();
        table.load_style(RULE_BELOW_HEADER);
        match width {
            Some(width) => table
                .set_content_arrangement(ContentArrangement::Dynamic)
                .set_width(width),
            None => table.set_content_arrangement(ContentArrangement::Disabled),
        };
        table.set_header(shown.iter().map(|&at| self.columns[at].0));
        for row in &self.rows {
            table.add_row(
                shown
                    .iter()
                    .map(|&at| Cell::new(row.get(at).map_or("", String::as_str))),
            );
        }
        let fits = width.is_none_or(|width| self.needed(shown) <= usize::from(width));
        for (position, &at) in shown.iter().enumerate() {
            let Some(column) = table.column_mut(position) else {
                continue;
            };
            // The rule below the header covers one column of the gap.
            let last = position + 1 == shown.len();
            column.set_padding((0, u16::from(!last)));
            let kind = self.columns[at].1;
            if kind == Kind::Number {
                column.set_cell_alignment(CellAlignment::Right);
            }
            if kind != Kind::Text && fits {
                column.set_constraint(ColumnConstraint::ContentWidth);
            }
        }
        let text = table.trim_fmt();
        let (header, rest) = text.split_at(text.find('─').unwrap_or(text.len()));
        let header: String = header
            .lines()
            .map(|line| format!("{}\n", strong(line)))
            .collect();
        format!("{header}{rest}\n")
    }
}

/// Width of reports of which no line is cut, where output goes to no terminal.
pub const PIPED: u16 = 80;

/// Narrowest screen that the environment may name, in columns.
const NARROWEST: u16 = 20;

/// Width of the terminal of standard output. If that is no terminal, the width that the environment names as
/// `COLUMNS`; `None` if it names none.
pub fn terminal_width() -> Option<u16> {
    let terminal = terminal_size::terminal_size_of(std::io::stdout()).map(|(width, _)| width.0);
    terminal.or_else(|| {
        let named = std::env::var("COLUMNS").ok()?.parse().ok()?;
        (named >= NARROWEST).then_some(named)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn grid() -> Grid<'static> {
        let mut grid = Grid::ranked(&[
            ("id", Kind::Fixed, 0),
            ("model", Kind::Text, 0),
            ("venue", Kind::Text, 1),
            ("price", Kind::Number, 0),
            ("note", Kind::Text, 2),
        ]);
        grid.push(["abcdef", "Nulva 61K field recorder, grey", "", "9.50", ""].map(String::from));
        grid.push(["ghijkl", "Tumrik\nQN 948", "", "120.00", ""].map(String::from));
        grid
    }

    #[test]
    fn numbers_line_up_and_empty_columns_go() {
        let plain = anstream::adapter::strip_str(&grid().render(None)).to_string();
        assert_eq!(
            plain,
            "id      model                            price\n\
             ──────────────────────────────────────────────\n\
             abcdef  Nulva 61K field recorder, grey    9.50\n\
             ghijkl  Tumrik\\nQN 948                  120.00\n"
        );
    }

    #[test]
    fn no_line_is_wider_than_asked() {
        let mut grid = grid();
        let note = "sold with the old manual";
        grid.push(["qrstuv", "Bolv 83V", "market hall", "7.00", note].map(String::from));
        for width in [24, 30, 33, 40, 47, 60, 80] {
            let plain = anstream::adapter::strip_str(&grid.render(Some(width))).to_string();
            assert!(
                plain.lines().all(|line| line.width() <= usize::from(width)),
                "{width}:\n{plain}"
            );
            assert!(plain.contains("120.00") || width < 30, "{width}:\n{plain}");
            let noted = plain.contains("(no room for: venue, note)")
                || plain.contains("(columns left out: 2)");
            assert_eq!(noted, width < 41, "{width}:\n{plain}");
        }
    }
}
