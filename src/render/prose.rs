//! Text for the terminal: sentences wrapped to its width, headings, and the tables below them.

use std::fmt::Write;

use anstyle::{AnsiColor, Style};
use unicode_width::UnicodeWidthStr;

use super::table::{Grid, Kind, STRONG};

pub(super) const HEADING: Style = STRONG;
pub(super) const PRICE: Style = AnsiColor::Green.on_default().bold();
pub(super) const WARNING: Style = AnsiColor::Yellow.on_default();
pub(super) const QUIET: Style = Style::new().dimmed();

/// Width of prose if the output is no terminal.
const PROSE: u16 = 80;

/// Width of prose on a screen.
pub fn prose_width(width: Option<u16>) -> usize {
    usize::from(width.unwrap_or(PROSE).clamp(40, 100))
}

/// A sentence wrapped to a terminal of `width` columns, with `indent` before every line; unwrapped without
/// a terminal.
pub fn fitted(sentence: &str, indent: &str, width: Option<u16>) -> String {
    width.map_or_else(
        || format!("{indent}{sentence}"),
        |width| wrap(sentence, usize::from(width), indent),
    )
}

/// `text` wrapped at spaces to `width` columns, with `indent` before every line.
pub fn wrap(text: &str, width: usize, indent: &str) -> String {
    let room = width.saturating_sub(indent.len()).max(20);
    let mut wrapped = String::from(indent);
    let mut taken = 0;
    // A number and its sign stay together.
    let text = text.replace(" %", "\u{a0}%");
    for word in text.split(' ') {
        let needed = word.width();
        if taken > 0 && taken + 1 + needed > room {
            wrapped.push('\n');
            wrapped.push_str(indent);
            taken = 0;
        }
        if taken > 0 {
            wrapped.push(' ');
            taken += 1;
        }
        wrapped.push_str(word);
        taken += needed;
    }
    wrapped
}

/// The text with a capital first letter.
pub fn capitalised(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |first| {
        first.to_uppercase().chain(chars).collect()
    })
}

/// Adds a bold heading after an empty line, and what follows it on the line.
pub(super) fn heading(out: &mut String, word: &str, rest: &str) {
    let _ = writeln!(out, "\n{HEADING}{word}{HEADING:#}{rest}");
}

/// Adds a sentence, indented by two columns.
pub(super) fn sentence(out: &mut String, text: &str, width: usize) {
    let _ = writeln!(out, "{}", wrap(text, width, "  "));
}

/// Adds sentences, each on lines of its own.
pub(super) fn sentences<T: AsRef<str>>(
    out: &mut String,
    texts: impl IntoIterator<Item = T>,
    width: usize,
) {
    for text in texts {
        sentence(out, text.as_ref(), width);
    }
}

/// Adds a warning, indented by two columns.
pub(super) fn warning(out: &mut String, text: &str, width: usize) {
    let _ = writeln!(out, "{WARNING}{}{WARNING:#}", wrap(text, width, "  "));
}

/// Adds warnings below their heading, if there are any.
pub(super) fn take_care(out: &mut String, warnings: &[String], width: usize) {
    if !warnings.is_empty() {
        heading(out, "Take care", "");
    }
    for text in warnings {
        warning(out, text, width);
    }
}

/// Adds text in small print: a legend or the last line of a sheet.
pub(super) fn small_print(out: &mut String, text: &str, width: usize) {
    let _ = writeln!(out, "{QUIET}{}{QUIET:#}", wrap(text, width, ""));
}

/// Adds a table below a heading.
pub(super) fn table<R: Into<Vec<String>>>(
    out: &mut String,
    (word, rest): (&str, &str),
    columns: &[(&str, Kind)],
    rows: impl IntoIterator<Item = R>,
    width: Option<u16>,
) {
    heading(out, word, rest);
    let mut grid = Grid::new(columns);
    for row in rows {
        grid.push(row);
    }
    out.push_str(&grid.render(width));
}
