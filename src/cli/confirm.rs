//! Questions that are answered with yes or no.

use std::io::{self, IsTerminal};

use super::{CliError, aside, eprint};

/// Whether somebody can be asked: input and notes are at a terminal.
pub fn can_ask() -> bool {
    io::stdin().is_terminal() && io::stderr().is_terminal()
}

/// Asks until the answer is yes or no; Enter means yes. `None` if the input ends.
///
/// # Errors
/// If the answer cannot be read.
pub fn confirmed(question: &str) -> Result<Option<bool>, CliError> {
    loop {
        eprint(aside(&format!("{question} [Y/n]"), "").trim_end());
        eprint(" ");
        let mut answer = String::new();
        let read = io::stdin().read_line(&mut answer);
        if read.map_err(CliError::Answer)? == 0 {
            eprint("\n");
            return Ok(None);
        }
        match answer.trim().to_lowercase().as_str() {
            "" | "y" | "yes" => return Ok(Some(true)),
            "n" | "no" => return Ok(Some(false)),
            _ => eprint("Answer with yes or no.\n"),
        }
    }
}
