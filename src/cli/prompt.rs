//! Questions on the terminal: a line that is edited in place, completed by Tab, with the default in
//! brackets for Enter. The arrow up brings back what was typed at the same question in this run.

mod words;

use std::borrow::Cow;
use std::cell::RefCell;
use std::collections::BTreeMap;
use std::io::{self, IsTerminal, Write};
use std::{env, mem};

use rustyline::completion::{Completer, Pair};
use rustyline::config::BellStyle;
use rustyline::error::ReadlineError;
use rustyline::highlight::Highlighter;
use rustyline::hint::Hinter;
use rustyline::history::MemHistory;
use rustyline::validate::{ValidationContext, ValidationResult, Validator};
use rustyline::{Behavior, ColorMode, CompletionType, Config, Context, Editor, Helper};
use unicode_width::UnicodeWidthStr;

use super::terminal::{sanitize, steers};
use super::{CliError, aside, eprint};
use words::Tabbed;
pub use words::Words;

/// Most words listed in a sentence.
const LISTED: usize = 12;

/// Most words listed for Tab.
const SHOWN: usize = 100;

/// Terminals that cannot edit a line (those of rustyline): lines are read as they come.
const PLAIN: [&str; 3] = ["dumb", "cons25", "emacs"];

/// Longest time between the codes of one key, in ms; Esc without another was pressed alone.
const KEY_CODES: u16 = 100;

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
pub enum Said {
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
    pub fn ask(&self, check: impl Fn(&str) -> Result<String, String>) -> Result<Said, CliError> {
        let term = env::var("TERM").unwrap_or_default();
        let asking = Asking {
            words: &self.words,
            prompt: self.prompt(),
            accept: &|typed| self.taken(typed).and_then(|answer| check(&answer)),
            plain: PLAIN.iter().any(|plain| plain.eq_ignore_ascii_case(&term)),
        };
        // What stands in parentheses differs from sale to sale.
        let topic = self.text.split(" (").next().unwrap_or_default();
        let before = TYPED.with_borrow_mut(|typed| typed.remove(topic));
        let mut editor =
            Editor::with_history(config(), before.unwrap_or_default()).map_err(unread)?;
        editor.set_helper(Some(&asking));
        let said = self.ask_on(&mut editor, &asking);
        let typed = mem::take(editor.history_mut());
        TYPED.with_borrow_mut(|all| all.insert(topic.to_string(), typed));
        said
    }

    fn ask_on<'a>(&self, editor: &mut Line<'a>, asking: &'a Asking<'a>) -> Result<Said, CliError> {
        loop {
            let line = match editor.readline(asking.prompted()) {
                Ok(line) => line,
                Err(ReadlineError::Eof | ReadlineError::Interrupted) => return Ok(Said::End),
                Err(ReadlineError::Io(error)) if error.kind() == io::ErrorKind::InvalidData => {
                    tell("not UTF-8; type it again")?;
                    continue;
                }
                Err(error) => return Err(unread(error)),
            };
            let typed = one_line(&line);
            match typed.as_str() {
                "?" => self.explain()?,
                word if is_undo(word) => return Ok(Said::Undo),
                typed => {
                    editor.add_history_entry(typed).map_err(unread)?;
                    match (asking.accept)(typed) {
                        Ok(answer) => {
                            let other = !["", typed].contains(&answer.as_str());
                            if other && !typed.is_empty() && asking.behind(&line).is_none() {
                                tell(&format!("→ {answer}"))?;
                            }
                            return Ok(Said::Text(answer));
                        }
                        Err(why) => tell(&why)?,
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
        self.hints.iter().try_for_each(|hint| tell(hint))
    }

    fn prompt(&self) -> String {
        let usual = match self.usual {
            "" => String::new(),
            usual => format!(" [{usual}]"),
        };
        sanitize(&format!("{}{usual}: ", self.text)).into_owned()
    }
}

/// A question during typing.
struct Asking<'a> {
    words: &'a Words,
    prompt: String,
    /// The answer that a text comes to, or the expected form.
    accept: &'a dyn Fn(&str) -> Result<String, String>,
    plain: bool,
}

type Line<'a> = Editor<&'a Asking<'a>, MemHistory>;

impl Asking<'_> {
    /// The prompt for the editor. Where nothing can be edited, it would write it among the results.
    fn prompted(&self) -> &str {
        if self.plain {
            eprint(&self.prompt);
            return "";
        }
        &self.prompt
    }

    /// The answer that a line comes to, as shown behind it; none if it is what was typed, or has no
    /// room there.
    fn behind(&self, line: &str) -> Option<String> {
        let typed = one_line(line);
        if self.plain || typed == "?" || is_undo(&typed) || line.contains(char::is_control) {
            return None;
        }
        let answer = (self.accept)(&typed).ok();
        let answer = answer.filter(|answer| *answer != typed && !answer.is_empty())?;
        let arrow = if typed.is_empty() { "" } else { " → " };
        let behind = sanitize(&format!("{arrow}{answer}")).into_owned();
        let width = self.prompt.width() + line.width() + behind.width();
        let columns = terminal_size::terminal_size_of(io::stderr());
        columns
            .is_some_and(|(columns, _)| width < columns.0.into())
            .then_some(behind)
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

/// How lines are edited: on the terminal itself, as results may go to a file.
fn config() -> Config {
    Config::builder()
        .behavior(Behavior::PreferTerm)
        // The lines pass through `highlight`, which adds no colour.
        .color_mode(ColorMode::Forced)
        .completion_type(CompletionType::List)
        .completion_show_all_if_ambiguous(true)
        .completion_prompt_limit(SHOWN + 1)
        .bell_style(BellStyle::None)
        .keyseq_timeout(Some(KEY_CODES))
        .build()
}

fn unread(error: ReadlineError) -> CliError {
    CliError::Answer(io::Error::other(error))
}

/// What was typed or pasted, on one line.
fn one_line(typed: &str) -> String {
    let spaced = typed.replace(['\n', '\r', '\t'], " ");
    spaced.replace(char::is_control, "").trim().to_string()
}

fn is_undo(typed: &str) -> bool {
    typed.eq_ignore_ascii_case("undo")
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
        Said::Text(answer) => Some(answer == "yes"),
        Said::Undo | Said::End => None,
    })
}

/// A line below a question.
fn tell(text: &str) -> Result<(), CliError> {
    let line = aside(text, "  ");
    anstream::stderr()
        .lock()
        .write_all(sanitize(&line).as_bytes())?;
    Ok(())
}
