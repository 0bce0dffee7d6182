//! Questions on the terminal: a line that is edited in place, completed by Tab, with the default in
//! brackets for Enter. The arrow up brings back what was typed at the same question in this run.

mod line;
mod words;

use std::cell::RefCell;
use std::collections::BTreeMap;
use std::io::{self, IsTerminal, Write};
use std::mem;

use rustyline::error::ReadlineError;
use rustyline::history::MemHistory;

use super::terminal::sanitize;
use super::{CliError, aside};
use line::{Asking, Line, editor, is_undo, one_line};
pub use words::Words;

/// Most words listed in a sentence.
const LISTED: usize = 12;

thread_local! {
    /// The lines typed in this run, by question.
    static TYPED: RefCell<BTreeMap<String, MemHistory>> = RefCell::default();
}

/// A question.
#[derive(Debug, Default)]
pub struct Question<'a> {
    /// Its text.
    pub text: &'a str,
    /// Default for Enter; shown in brackets unless empty.
    pub usual: &'a str,
    /// Meanings of the answers, one line each, shown for `?`.
    pub hints: &'a [String],
    /// Words for completion.
    pub words: Words,
}

/// An answer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Answer {
    /// This text.
    Text(String),
    /// `undo`.
    Undo,
    /// The end: Ctrl-C, Ctrl-D on an empty line, or a closed terminal.
    End,
}

impl Question<'_> {
    /// Asks until `check` accepts the answer; `check` returns the accepted text or the expected
    /// form.
    ///
    /// # Errors
    /// If the terminal cannot be read or written.
    pub fn ask(&self, check: impl Fn(&str) -> Result<String, String>) -> Result<Answer, CliError> {
        let accept = |typed: &str| self.taken(typed).and_then(|answer| check(&answer));
        let asking = Asking::new(&self.words, self.prompt(), &accept);
        // What stands in parentheses differs from sale to sale.
        let topic = self.text.split(" (").next().unwrap_or_default();
        let before = TYPED.with_borrow_mut(|typed| typed.remove(topic));
        let mut editor = editor(&asking, before.unwrap_or_default()).map_err(unread)?;
        let result = self.ask_on(&mut editor, &asking);
        let typed = mem::take(editor.history_mut());
        TYPED.with_borrow_mut(|all| all.insert(topic.to_string(), typed));
        result
    }

    fn ask_on<'a>(
        &self,
        editor: &mut Line<'a>,
        asking: &'a Asking<'a>,
    ) -> Result<Answer, CliError> {
        loop {
            let line = match asking.read(editor) {
                Ok(line) => line,
                Err(ReadlineError::Eof | ReadlineError::Interrupted) => return Ok(Answer::End),
                Err(ReadlineError::Io(error)) if error.kind() == io::ErrorKind::InvalidData => {
                    show_below("not UTF-8; type it again")?;
                    continue;
                }
                Err(error) => return Err(unread(error)),
            };
            let typed = one_line(&line);
            match typed.as_str() {
                "?" => self.explain()?,
                word if is_undo(word) => return Ok(Answer::Undo),
                typed => {
                    editor.add_history_entry(typed).map_err(unread)?;
                    match asking.accept(typed) {
                        Ok(answer) => {
                            let shown = typed.is_empty() || asking.behind(&line).is_some();
                            if !shown && !answer.is_empty() && answer != typed {
                                show_below(&format!("→ {answer}"))?;
                            }
                            return Ok(Answer::Text(answer));
                        }
                        Err(why) => show_below(&why)?,
                    }
                }
            }
        }
    }

    /// The default for an empty answer, or the completed text.
    fn taken(&self, typed: &str) -> Result<String, String> {
        if typed.is_empty() {
            return Ok(self.usual.to_string());
        }
        self.words.complete(typed).map_err(|several| {
            format!(
                "several begin so: {}; type more of it (Tab completes), or put quotes around a new name",
                listed(&several)
            )
        })
    }

    /// Shows the meanings of the answers.
    ///
    /// # Errors
    /// If the terminal cannot be written.
    pub fn explain(&self) -> Result<(), CliError> {
        self.hints.iter().try_for_each(|hint| show_below(hint))
    }

    fn prompt(&self) -> String {
        let usual = match self.usual {
            "" => String::new(),
            usual => format!(" [{usual}]"),
        };
        sanitize(&format!("{}{usual}: ", self.text)).into_owned()
    }
}

fn unread(error: ReadlineError) -> CliError {
    CliError::Answer(io::Error::other(error))
}

/// The first few words, in a line.
fn listed(words: &[String]) -> String {
    let shown = words[..words.len().min(LISTED)].join(", ");
    if words.len() > LISTED {
        format!("{shown}, … ({} in all)", words.len())
    } else {
        shown
    }
}

/// Whether somebody can be asked: input and notes are at a terminal.
pub fn at_terminal() -> bool {
    io::stdin().is_terminal() && io::stderr().is_terminal()
}

/// Asks a question of yes or no, of which Enter means one; `None` if the questions end.
///
/// # Errors
/// If the terminal cannot be read or written.
pub fn confirm(text: &str, usual: bool) -> Result<Option<bool>, CliError> {
    let question = Question {
        text,
        usual: if usual { "yes" } else { "no" },
        hints: &["yes or no".to_string()],
        words: Words::one(["yes", "no"].map(String::from)),
    };
    let check = |answer: &str| match answer {
        "yes" | "no" => Ok(answer.to_string()),
        _ => Err("answer with yes or no".to_string()),
    };
    Ok(match question.ask(check)? {
        Answer::Text(answer) => Some(answer == "yes"),
        Answer::Undo | Answer::End => None,
    })
}

/// A line below a question.
fn show_below(text: &str) -> Result<(), CliError> {
    let line = aside(text, "  ");
    anstream::stderr()
        .lock()
        .write_all(sanitize(&line).as_bytes())?;
    Ok(())
}
