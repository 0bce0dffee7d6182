//! A line typed at a question: how it is edited, completed, and shown.

use std::borrow::Cow;
use std::env;
#[cfg(unix)]
use std::fs::File;
use std::io;
#[cfg(unix)]
use std::io::Read;

#[cfg(unix)]
use rustix::fs::{Mode, OFlags, open};
use rustyline::completion::{Completer, Pair};
use rustyline::config::BellStyle;
use rustyline::error::ReadlineError;
use rustyline::highlight::Highlighter;
use rustyline::hint::Hinter;
use rustyline::history::MemHistory;
use rustyline::validate::{ValidationContext, ValidationResult, Validator};
use rustyline::{Behavior, ColorMode, CompletionType, Config, Context, Editor, Helper};
use unicode_width::UnicodeWidthStr;

use super::words::{Tabbed, Words};
use crate::cli::eprint;
use crate::cli::terminal::{sanitize, steers};

/// Most words listed for Tab.
const SHOWN: usize = 100;

/// Terminals that cannot edit a line (those of rustyline): lines are read as they come.
const PLAIN: [&str; 3] = ["dumb", "cons25", "emacs"];

/// Columns of a terminal that does not report its width.
const USUAL_COLUMNS: u16 = 80;

/// Longest time between the codes of one key, in ms; Esc without another was pressed alone.
const KEY_CODES: u16 = 100;

/// A question during typing.
pub struct Asking<'a> {
    words: &'a Words,
    prompt: String,
    /// The answer that a text comes to, or the expected form.
    accept: &'a dyn Fn(&str) -> Result<String, String>,
    /// Whether no line can be edited.
    plain: bool,
}

/// The editor of a question.
pub type Line<'a> = Editor<&'a Asking<'a>, MemHistory>;

impl<'a> Asking<'a> {
    /// For a question with these words, whose answers are accepted or refused so.
    pub fn new(
        words: &'a Words,
        prompt: String,
        accept: &'a dyn Fn(&str) -> Result<String, String>,
    ) -> Self {
        let term = env::var("TERM").unwrap_or_default();
        Self {
            words,
            prompt,
            accept,
            plain: PLAIN.iter().any(|plain| plain.eq_ignore_ascii_case(&term)),
        }
    }

    /// Reads a line.
    ///
    /// # Errors
    /// At its end, or if the terminal cannot be read or written.
    pub fn read(&self, editor: &mut Line<'_>) -> rustyline::Result<String> {
        if self.plain {
            // The editor would write the prompt among the results.
            eprint(&self.prompt);
            return editor.readline("");
        }
        match typed_ahead().as_deref() {
            None => editor.readline(&self.prompt),
            Some("") => Err(ReadlineError::Eof),
            Some(line) => {
                let line = one_line(line);
                let behind = self.behind(&line).unwrap_or_default();
                eprint(&format!("{}{line}{behind}\n", self.prompt));
                Ok(line)
            }
        }
    }

    /// The answer that a text comes to.
    ///
    /// # Errors
    /// The expected form.
    pub fn accept(&self, typed: &str) -> Result<String, String> {
        (self.accept)(typed)
    }

    /// The answer that a line comes to, as shown behind it; none if it is what was typed, or has no
    /// room there.
    pub fn behind(&self, line: &str) -> Option<String> {
        let typed = one_line(line);
        if self.plain || typed == "?" || is_undo(&typed) || line.contains(char::is_control) {
            return None;
        }
        let answer = self.accept(&typed).ok();
        let answer = answer.filter(|answer| *answer != typed && !answer.is_empty())?;
        let arrow = if typed.is_empty() { "" } else { " → " };
        let behind = sanitize(&format!("{arrow}{answer}")).into_owned();
        let width = self.prompt.width() + line.width() + behind.width();
        let size = terminal_size::terminal_size_of(io::stderr());
        let columns = size.map_or(USUAL_COLUMNS, |(columns, _)| columns.0);
        (width < columns.into()).then_some(behind)
    }
}

impl Helper for &Asking<'_> {}

impl Hinter for &Asking<'_> {
    type Hint = String;
}

impl Highlighter for &Asking<'_> {
    /// The line without what would steer the terminal.
    fn highlight<'l>(&self, line: &'l str, _: usize) -> Cow<'l, str> {
        line.replace(steers, "").into()
    }
}

impl Validator for &Asking<'_> {
    /// Enter ends each line; the answer that it comes to is shown behind it.
    fn validate(&self, typed: &mut ValidationContext<'_>) -> rustyline::Result<ValidationResult> {
        Ok(ValidationResult::Valid(self.behind(typed.input())))
    }
}

impl Completer for &Asking<'_> {
    type Candidate = Pair;

    fn complete(
        &self,
        line: &str,
        at: usize,
        _: &Context<'_>,
    ) -> rustyline::Result<(usize, Vec<Pair>)> {
        let pair = |display: &str, replacement: &str| Pair {
            display: sanitize(display).into_owned(),
            replacement: replacement.to_string(),
        };
        let pairs = match self.words.tab(line) {
            // Inside a line there is nothing to complete.
            _ if at < line.len() => Vec::new(),
            Tabbed::Longer(text) => vec![pair(&text, &text)],
            Tabbed::Any(words) => {
                let more = (words.len() > SHOWN).then(|| format!("… ({} in all)", words.len()));
                let shown = words.iter().take(SHOWN).chain(&more);
                shown.map(|word| pair(word, line)).collect()
            }
        };
        Ok((0, pairs))
    }
}

/// The editor of a question, on the terminal itself, as results may go to a file; with the lines
/// typed before.
///
/// # Errors
/// If the terminal cannot be opened.
pub fn editor<'a>(asking: &'a Asking<'a>, before: MemHistory) -> rustyline::Result<Line<'a>> {
    let config = Config::builder()
        .behavior(Behavior::PreferTerm)
        // The lines pass through `highlight`, which adds no colour.
        .color_mode(ColorMode::Forced)
        .completion_type(CompletionType::List)
        .completion_show_all_if_ambiguous(true)
        .completion_prompt_limit(SHOWN + 1)
        .bell_style(BellStyle::None)
        .keyseq_timeout(Some(KEY_CODES))
        .build();
    let mut editor = Editor::with_history(config, before)?;
    editor.set_helper(Some(asking));
    Ok(editor)
}

/// A line that was entered before its question stood there, with its end; empty for Ctrl-D. The
/// editor would read all such lines at once and drop all but the first.
#[cfg(unix)]
fn typed_ahead() -> Option<String> {
    // Until the editor reads, the terminal gives out whole lines, one at a time.
    let flags = OFlags::RDONLY | OFlags::NOCTTY | OFlags::NONBLOCK;
    let mut terminal = File::from(open("/dev/tty", flags, Mode::empty()).ok()?);
    let mut line = [0; 4096];
    let length = terminal.read(&mut line).ok()?;
    Some(String::from_utf8_lossy(&line[..length]).into_owned())
}

#[cfg(not(unix))]
fn typed_ahead() -> Option<String> {
    None
}

/// The typed or pasted text, on one line.
pub fn one_line(typed: &str) -> String {
    let spaced = typed.replace(['\n', '\r', '\t'], " ");
    spaced.replace(char::is_control, "").trim().to_string()
}

/// Whether a text is the word for going back.
pub fn is_undo(typed: &str) -> bool {
    typed.eq_ignore_ascii_case("undo")
}
