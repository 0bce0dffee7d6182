//! What goes to the terminal: output, notes and errors.

use crate::app::error::FILL_THE_BOOK;
use crate::render::chart;
use crate::render::chart::Chart;
use crate::render::sheet::wrap;
use crate::render::table::terminal_width;
use crate::trade::Comp;
use crate::trade::text::shorten;
use anstyle::AnsiColor;
use anstyle::Style;
use std::io;
use std::io::Write;
use std::path::PathBuf;
use std::time::Duration;

use indicatif::{ProgressBar, ProgressStyle};

use super::CliError;
use super::terminal::sanitize;

pub(super) const ERROR: Style = AnsiColor::Red.on_default().bold();

pub(super) const NOTE: Style = AnsiColor::Yellow.on_default();

pub use crate::render::numbers::count;
pub use crate::render::table::{STRONG, strong};

/// Writes what went wrong, and what to do next, to standard error.
pub fn report_error(error: &CliError) {
    let mut text = marked(ERROR, "error:", &error.to_string());
    for line in error.details() {
        text.push_str(&aside(&line, "  "));
    }
    if !error.next().is_empty() {
        text.push_str(&marked(STRONG, "next:", error.next()));
    }
    // Where even this cannot be written, the exit code has to do.
    eprint(&text);
}

/// Writes text to standard error, whether that can be written or not.
pub fn eprint(text: &str) {
    let _ = anstream::stderr()
        .lock()
        .write_all(sanitize(text).as_bytes());
}

/// A line for standard error behind a word that stands out.
pub(super) fn marked(style: Style, word: &str, text: &str) -> String {
    let line = aside(&format!("{word} {text}"), "");
    format!("{style}{word}{style:#}{}", &line[word.len()..])
}

/// A line for standard error, broken at the width of its terminal if it goes to one.
pub fn aside(line: &str, indent: &str) -> String {
    let terminal = terminal_size::terminal_size_of(io::stderr());
    let line = terminal.map_or_else(
        || format!("{indent}{line}"),
        |(width, _)| wrap(line, usize::from(width.0), indent),
    );
    format!("{line}\n")
}

/// Tells something the user should know, apart from the output.
pub fn notice(text: &str) {
    // Output matters more than a notice that cannot be written.
    eprint(&marked(NOTE, "note:", text));
}

/// Draws a chart into each of the files, and says so.
///
/// # Errors
/// Where it cannot be drawn or written.
pub fn draw(chart: &impl Chart, files: &[PathBuf]) -> Result<(), CliError> {
    for path in files {
        chart::draw(chart, path)?;
        notice(&format!("chart written to {}", path.display()));
    }
    Ok(())
}

/// Writes text to standard output, without colour where that is no terminal; nothing that a book
/// or a command line holds steers the terminal.
///
/// # Errors
/// Where it cannot be written, a closed pipe among others.
pub fn print(text: &str) -> Result<(), CliError> {
    let mut output = anstream::stdout().lock();
    output.write_all(sanitize(text).as_bytes())?;
    Ok(output.flush()?)
}

/// A sentence broken at the width of the terminal, if output goes to one, every line after
/// `indent`.
pub fn fitted(sentence: &str, indent: &str) -> String {
    terminal_width().map_or_else(
        || format!("{indent}{sentence}"),
        |width| wrap(sentence, usize::from(width), indent),
    )
}

/// What differs between two records of a sale, one change each: `price 12.00 → 13.50`.
pub fn changes(old: &Comp, new: &Comp) -> Vec<String> {
    let shown = |cell: &str| {
        if cell.is_empty() {
            "(blank)".to_string()
        } else {
            shorten(cell, 60)
        }
    };
    old.changes(new)
        .iter()
        .map(|(column, old, new)| format!("{column} {} → {}", shown(old), shown(new)))
        .collect()
}

/// What the listings say of a book without comps.
pub fn empty_book() -> String {
    fitted(&format!("This book has no comps yet; {FILL_THE_BOOK}."), "") + "\n"
}

/// What to say of an attribute that is kept for a model without a declaration of it.
pub fn not_declared(attribute: &str, model: &str) -> String {
    format!(
        "no family in compband.toml declares {attribute:?} for {model:?}, so it does not inform estimates"
    )
}

/// A bar on standard error that shows how many past sales of how many are estimated.
pub fn progress() -> impl Fn(usize, usize) + Sync {
    let bar = ProgressBar::new(0);
    let style = ProgressStyle::with_template("{bar:40} {pos} of {len} sales, {eta} left");
    if let Ok(style) = style {
        bar.set_style(style);
    }
    move |done, of| {
        if done == 0 {
            bar.set_length(of as u64);
            bar.enable_steady_tick(Duration::from_millis(200));
        }
        bar.set_position(done as u64);
        if done == of {
            bar.finish_and_clear();
        }
    }
}

/// Fewest characters of an identifier shown.
pub const SHORTEST_ID: usize = 6;
