//! Output to the terminal: results, notes and errors.

use crate::app::Book;
use crate::app::error::FILL_THE_BOOK;
use crate::render::chart::{self, Chart};
use crate::render::prose::{self, wrap};
use crate::render::table::terminal_width;
use anstyle::{AnsiColor, Style};
use std::io::{self, Write};
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};
use std::time::Duration;

use indicatif::{ProgressBar, ProgressStyle};

use super::CliError;
use super::terminal::sanitize;

pub(super) const ERROR: Style = AnsiColor::Red.on_default().bold();

pub(super) const NOTE: Style = AnsiColor::Yellow.on_default();

pub use crate::render::table::{STRONG, strong};

/// Writes an error, and how to proceed, to standard error.
pub fn report_error(error: &CliError) {
    let mut text = marked(ERROR, "error:", &error.to_string());
    for line in error.details() {
        text.push_str(&aside(&line, "  "));
    }
    if !error.next().is_empty() {
        text.push_str(&marked(STRONG, "next:", error.next()));
    }
    // If even this cannot be written, the exit code has to be enough.
    eprint(&text);
}

/// Writes text to standard error; ignores failures.
pub fn eprint(text: &str) {
    let _ = anstream::stderr()
        .lock()
        .write_all(sanitize(text).as_bytes());
}

/// A line for standard error, after a highlighted word.
pub(super) fn marked(style: Style, word: &str, text: &str) -> String {
    let line = aside(&format!("{word} {text}"), "");
    format!("{style}{word}{style:#}{}", &line[word.len()..])
}

/// A line for standard error, wrapped at the width of its terminal, if it is one.
pub fn aside(line: &str, indent: &str) -> String {
    let terminal = terminal_size::terminal_size_of(io::stderr());
    let line = terminal.map_or_else(
        || format!("{indent}{line}"),
        |(width, _)| wrap(line, usize::from(width.0), indent),
    );
    format!("{line}\n")
}

/// Shows a note, apart from the output.
pub fn notice(text: &str) {
    // Output matters more than a note that cannot be written.
    eprint(&marked(NOTE, "note:", text));
}

/// Opens the book, and notes settings under old names.
///
/// # Errors
/// Those of [`Book::open`].
pub fn open(named: Option<&Path>) -> Result<Book, CliError> {
    let book = Book::open(named)?;
    let renamed = &book.settings().renamed;
    if !renamed.is_empty() {
        let names = renamed
            .iter()
            .map(|(old, new)| format!("{old} is now {new}"));
        let names: Vec<String> = names.collect();
        notice(&format!(
            "{}: {}; the old {} still read",
            crate::settings::FILE_NAME,
            names.join(", "),
            if names.len() == 1 {
                "name is"
            } else {
                "names are"
            }
        ));
    }
    Ok(book)
}

/// Draws a chart into each of the files, and reports it.
///
/// # Errors
/// If it cannot be drawn or written.
pub fn draw(chart: &impl Chart, files: &[PathBuf]) -> Result<(), CliError> {
    for path in files {
        chart::draw(chart, path)?;
        notice(&format!("chart written to {}", path.display()));
    }
    Ok(())
}

/// Writes text to standard output, without colour if that is no terminal. No text of a book or a
/// command line can control the terminal.
///
/// # Errors
/// If it cannot be written, including a closed pipe.
pub fn print(text: &str) -> Result<(), CliError> {
    let mut output = anstream::stdout().lock();
    output.write_all(sanitize(text).as_bytes())?;
    Ok(output.flush()?)
}

/// A sentence wrapped at the width of the terminal, if output goes to one, with `indent` before
/// every later line.
pub fn fitted(sentence: &str, indent: &str) -> String {
    prose::fitted(sentence, indent, terminal_width())
}

/// The message of the listings for a book without comps.
pub fn empty_book() -> String {
    fitted(&format!("This book has no sales yet; {FILL_THE_BOOK}."), "") + "\n"
}

/// A bar on standard error with the number of estimated past sales and their total.
pub fn progress() -> impl Fn(usize, usize) -> ControlFlow<()> + Sync {
    progress_of("sales")
}

/// A bar on standard error with the number of those done and their total.
pub fn progress_of(what: &str) -> impl Fn(usize, usize) -> ControlFlow<()> + Sync + use<> {
    let bar = ProgressBar::new(0);
    let style = format!("{{bar:40}} {{pos}} of {{len}} {what}, {{eta}} left");
    if let Ok(style) = ProgressStyle::with_template(&style) {
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
        ControlFlow::Continue(())
    }
}
