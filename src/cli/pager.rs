//! Shows long output a screen at a time.

use std::io::{self, IsTerminal, Write};
use std::process::{Child, Command, Stdio};

use anstream::adapter::strip_str;
use anstream::{AutoStream, ColorChoice};
use terminal_size::terminal_size_of;

use super::terminal::sanitize;
use super::{CliError, print};

/// The pager where PAGER is not set.
const PAGER: &str = "less";

/// Its options where LESS is not set: colours, the text stays on the screen, short text ends at once.
const OPTIONS: &str = "FRX";

/// Writes text to standard output: through the pager if it goes to a terminal and is longer than the screen.
///
/// # Errors
/// If it cannot be written.
pub fn page(text: &str) -> Result<(), CliError> {
    match pager(text) {
        Some(pager) => show(pager, text),
        None => print(text),
    }
}

/// The started pager, if the text needs one.
fn pager(text: &str) -> Option<Child> {
    let seen = io::stdout().is_terminal() && io::stdin().is_terminal();
    let dumb = std::env::var_os("TERM").is_none_or(|term| term == "dumb");
    if !seen || dumb {
        return None;
    }
    let (_, rows) = terminal_size_of(io::stdout())?;
    if text.lines().count() < usize::from(rows.0) {
        return None;
    }
    let named = std::env::var("PAGER").unwrap_or_else(|_| PAGER.into());
    let mut words = named.split_whitespace();
    let mut command = Command::new(words.next()?);
    command.args(words).stdin(Stdio::piped());
    if std::env::var_os("LESS").is_none() {
        command.env("LESS", OPTIONS);
    }
    // Without a pager the text is printed as it is.
    command.spawn().ok()
}

/// Hands the text over and waits until the reader is done.
fn show(mut pager: Child, text: &str) -> Result<(), CliError> {
    let text = sanitize(text);
    let plain = matches!(AutoStream::choice(&io::stdout()), ColorChoice::Never);
    let text = if plain {
        strip_str(&text).to_string()
    } else {
        text.into_owned()
    };
    // A reader who quits early has seen enough.
    let _ = pager
        .stdin
        .take()
        .map(|mut input| input.write_all(text.as_bytes()));
    pager.wait()?;
    Ok(())
}
