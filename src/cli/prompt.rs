//! Questions on the terminal: a line that is edited in place, completed by Tab, with the default in
//! brackets for Enter.
//!
//! The editing of the line is ours. Of the crates for it, rustyline (by nix) and reedline (by crossterm)
//! switch on features of libc, mio and chrono that make polars compile a second time; dialoguer, and
//! inquire on `console`, end the run at Ctrl-C, and know no Ctrl-D.

use std::io::{self, IsTerminal, Write};

use console::{Key, Term};
use unicode_width::{UnicodeWidthChar, UnicodeWidthStr};

use super::terminal::sanitize;
use super::{CliError, aside};
use crate::trade::items::split_count;
use crate::trade::names::match_key;

/// Most words listed.
const LISTED: usize = 12;

/// Smallest width for an answer after its question, in columns.
const LEAST_ROOM: usize = 20;

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

/// Known words, and whether an answer is one of them or a list.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Words {
    known: Vec<String>,
    list: bool,
}

/// Result of Tab.
#[derive(Debug, PartialEq, Eq)]
enum Tabbed {
    /// A longer text.
    Longer(String),
    /// Several candidates.
    Any(Vec<String>),
}

impl Words {
    /// For an answer that is one of them, or a new one.
    pub fn one(known: impl IntoIterator<Item = String>) -> Self {
        Self {
            known: known.into_iter().collect(),
            list: false,
        }
    }

    /// For an answer that is a list of them or others, separated by `;`, with counts.
    pub fn several(known: impl IntoIterator<Item = String>) -> Self {
        Self {
            list: true,
            ..Self::one(known)
        }
    }

    /// The answer with each unambiguous prefix completed to the known word; text in quotes stays
    /// unchanged.
    ///
    /// # Errors
    /// The candidates of an ambiguous entry.
    pub fn complete(&self, answer: &str) -> Result<String, Vec<String>> {
        if !self.list {
            return self.entry(answer.trim());
        }
        let entries = answer.split([';', ',']).map(str::trim);
        let completed: Result<Vec<String>, _> = entries
            .filter(|entry| !entry.is_empty())
            .map(|entry| self.counted(entry))
            .collect();
        Ok(completed?.join("; "))
    }

    /// An entry of a list; keeps its count.
    fn counted(&self, entry: &str) -> Result<String, Vec<String>> {
        match split_count(entry) {
            // Without a count, case and spaces stay as typed.
            Some((_, 1)) => self.entry(entry),
            Some((name, count)) => Ok(format!("{} x{count}", self.entry(&name)?)),
            None => Ok(entry.to_string()),
        }
    }

    fn entry(&self, typed: &str) -> Result<String, Vec<String>> {
        if let Some(whole) = in_quotes(typed) {
            return Ok(whole.to_string());
        }
        let key = match_key(typed);
        if let Some(known) = self.known.iter().find(|word| match_key(word) == key) {
            return Ok(known.clone());
        }
        match self.beginning(&key).as_slice() {
            [] => Ok(typed.to_string()),
            [word] => Ok((*word).clone()),
            several => Err(several.iter().map(ToString::to_string).collect()),
        }
    }

    /// Known words that begin with `key`; none for an empty one.
    fn beginning(&self, key: &str) -> Vec<&String> {
        let begins = |word: &&String| !key.is_empty() && match_key(word).starts_with(key);
        self.known.iter().filter(begins).collect()
    }

    /// The result of Tab after the typed text.
    fn tab(&self, typed: &str) -> Tabbed {
        let at = if self.list {
            typed.rfind([';', ',']).map_or(0, |at| at + 1)
        } else {
            0
        };
        let (before, entry) = typed.split_at(at);
        let lead = if before.is_empty() { "" } else { " " };
        let key = match_key(entry);
        let meant = if key.is_empty() {
            self.known.iter().collect()
        } else {
            self.beginning(&key)
        };
        let common = meant
            .iter()
            .skip(1)
            .fold(meant.first().map_or("", |word| word.as_str()), |a, b| {
                common_beginning(a, b)
            });
        if !meant.is_empty() && (meant.len() == 1 || match_key(common).len() > key.len()) {
            return Tabbed::Longer(format!("{before}{lead}{common}"));
        }
        Tabbed::Any(meant.into_iter().cloned().collect())
    }
}

/// The text between double quotes.
fn in_quotes(text: &str) -> Option<&str> {
    text.strip_prefix('"')?.strip_suffix('"')
}

/// The longest common prefix of two words, ignoring case, in the spelling of the first.
fn common_beginning<'a>(one: &'a str, other: &str) -> &'a str {
    let alike = |a: char, b: char| a.to_lowercase().eq(b.to_lowercase());
    let apart = one
        .char_indices()
        .zip(other.chars())
        .find(|((_, a), b)| !alike(*a, *b))
        .map(|((at, _), _)| at);
    let shorter = one
        .char_indices()
        .nth(other.chars().count())
        .map_or(one.len(), |(at, _)| at);
    &one[..apart.unwrap_or(shorter)]
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

/// A line during typing.
#[derive(Debug, Default)]
struct Line {
    text: Vec<char>,
    /// Characters before the cursor.
    at: usize,
}

/// Result of a key.
#[derive(Debug, PartialEq, Eq)]
enum Pressed {
    Edited,
    Enter,
    Tab,
    End,
}

impl Line {
    fn set(&mut self, text: &str) {
        self.text = text.chars().collect();
        self.at = self.text.len();
    }

    fn text(&self) -> String {
        self.text.iter().collect()
    }

    fn press(&mut self, key: &Key) -> Pressed {
        match key {
            Key::Enter => return Pressed::Enter,
            Key::Tab if self.at == self.text.len() => return Pressed::Tab,
            // Ctrl-C ends, and so does Ctrl-D on an empty line; Ctrl-U deletes everything before
            // the cursor, Ctrl-W a word.
            Key::CtrlC => return Pressed::End,
            Key::Char('\u{4}') if self.text.is_empty() => return Pressed::End,
            Key::Char('\u{15}') => self.take_back_to(0),
            Key::Char('\u{17}') => self.take_back_to(self.word()),
            Key::Char(c) if !c.is_control() => {
                self.text.insert(self.at, *c);
                self.at += 1;
            }
            Key::Backspace if self.at > 0 => self.take_back_to(self.at - 1),
            Key::Del if self.at < self.text.len() => {
                self.text.remove(self.at);
            }
            Key::ArrowLeft => self.at = self.at.saturating_sub(1),
            Key::ArrowRight => self.at = self.text.len().min(self.at + 1),
            Key::Home => self.at = 0,
            Key::End => self.at = self.text.len(),
            _ => {}
        }
        Pressed::Edited
    }

    fn take_back_to(&mut self, at: usize) {
        self.text.drain(at..self.at);
        self.at = at;
    }

    /// Start of the word before the cursor.
    fn word(&self) -> usize {
        let before = &self.text[..self.at];
        let end = before.iter().rposition(|c| !c.is_whitespace());
        end.map_or(0, |end| {
            let space = before[..end].iter().rposition(|c| c.is_whitespace());
            space.map_or(0, |space| space + 1)
        })
    }

    /// The visible part in `room` columns, and its number of columns after the cursor.
    fn view(&self, room: usize) -> (String, usize) {
        let width = |c: &char| c.width().unwrap_or(0);
        let wide = |chars: &[char]| chars.iter().map(width).sum::<usize>();
        let mut start = 0;
        while wide(&self.text[start..self.at]) > room {
            start += 1;
        }
        let mut end = self.at;
        while end < self.text.len() && wide(&self.text[start..=end]) <= room {
            end += 1;
        }
        let seen = self.text[start..end].iter().collect();
        (seen, wide(&self.text[self.at..end]))
    }
}

impl Question<'_> {
    /// Asks until `check` accepts the answer; `check` returns the accepted text or the expected
    /// form.
    ///
    /// # Errors
    /// If the terminal cannot be read or written.
    pub fn ask(&self, check: impl Fn(&str) -> Result<String, String>) -> Result<Said, CliError> {
        let term = Term::buffered_stderr();
        loop {
            let typed = match self.line(&term) {
                Ok(Some(typed)) => typed,
                Ok(None) => return Ok(Said::End),
                Err(error) if error.kind() == io::ErrorKind::UnexpectedEof => return Ok(Said::End),
                Err(error) => return Err(CliError::Answer(error)),
            };
            let typed = typed.trim();
            match typed {
                "?" => {
                    self.explain()?;
                    continue;
                }
                _ if typed.eq_ignore_ascii_case("undo") => return Ok(Said::Undo),
                _ => {}
            }
            match self.taken(typed).and_then(|answer| check(&answer)) {
                Ok(answer) => {
                    if answer != typed {
                        self.say_taken(&term, typed, &answer)?;
                    }
                    return Ok(Said::Text(answer));
                }
                Err(why) => tell(&why)?,
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

    /// Replaces the typed text on the line above by the accepted one.
    fn say_taken(&self, term: &Term, typed: &str, taken: &str) -> Result<(), CliError> {
        let said = match (typed, taken) {
            ("", taken) => taken.to_string(),
            (_, "") => String::new(),
            (typed, taken) => format!("{typed} → {taken}"),
        };
        let line = format!("{}: {said}", self.text);
        term.clear_last_lines(1)?;
        term.flush()?;
        tell_line(&line)
    }

    /// Reads a line; `None` at the end of input.
    fn line(&self, term: &Term) -> io::Result<Option<String>> {
        let columns = usize::from(term.size().1);
        let mut prompt = self.prompt();
        if prompt.width() + LEAST_ROOM > columns {
            term.write_line(prompt.trim_end())?;
            prompt = "> ".into();
        }
        let room = columns.saturating_sub(prompt.width() + 1).max(1);
        let mut line = Line::default();
        loop {
            let (seen, behind) = line.view(room);
            term.clear_line()?;
            term.write_str(&format!("{prompt}{seen}"))?;
            term.move_cursor_left(behind)?;
            term.flush()?;
            match line.press(&term.read_key_raw()?) {
                Pressed::Edited => {}
                Pressed::Tab => match self.words.tab(&line.text()) {
                    Tabbed::Longer(text) => line.set(&text),
                    Tabbed::Any(words) if words.is_empty() => {}
                    Tabbed::Any(words) => {
                        term.write_line("")?;
                        term.write_line(&format!("  {}", sanitize(&listed(&words))))?;
                    }
                },
                pressed => {
                    term.write_line("")?;
                    term.flush()?;
                    return Ok((pressed == Pressed::Enter).then(|| line.text()));
                }
            }
        }
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
    tell_line(&format!("  {text}"))
}

fn tell_line(text: &str) -> Result<(), CliError> {
    let indent = &text[..text.len() - text.trim_start().len()];
    let line = aside(text.trim_start(), indent);
    anstream::stderr()
        .lock()
        .write_all(sanitize(&line).as_bytes())?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn words(known: &[&str]) -> Vec<String> {
        known.iter().map(ToString::to_string).collect()
    }

    #[test]
    fn one_beginning_is_completed_and_several_are_not() {
        let models = Words::one(words(&[
            "Nulva 61K",
            "Tumrik QN 948",
            "Tumrik QN 731",
            "Tumrik",
        ]));
        for (typed, taken) in [
            ("nul", "Nulva 61K"),
            ("NULVA6", "Nulva 61K"),
            ("nulva 61k", "Nulva 61K"),
            ("tumrik qn948", "Tumrik QN 948"),
            // A whole word is meant, even if others begin with it.
            ("tumrik", "Tumrik"),
            ("Bolv 83V", "Bolv 83V"),
            ("Nulva 61K4", "Nulva 61K4"),
            ("\"Nul\"", "Nul"),
            ("", ""),
        ] {
            assert_eq!(models.complete(typed), Ok(taken.to_string()), "{typed}");
        }
        let several = models.complete("tumrik q").unwrap_err();
        assert_eq!(several, ["Tumrik QN 948", "Tumrik QN 731"]);
    }

    #[test]
    fn entries_of_a_list_are_completed_each_with_its_count() {
        let pieces = Words::several(words(&["battery", "battery door", "charger", "strap"]));
        for (typed, taken) in [
            ("ch", "charger"),
            ("ch; st", "charger; strap"),
            ("cha x2, battery", "charger x2; battery"),
            ("2x str", "strap x2"),
            ("battery d", "battery door"),
            ("Lens Cap", "Lens Cap"),
            ("\"str\"; ;", "str"),
            // The reader of the answer reports an invalid count.
            ("charger x0", "charger x0"),
        ] {
            assert_eq!(pieces.complete(typed), Ok(taken.to_string()), "{typed}");
        }
        assert_eq!(
            pieces.complete("strap; bat").unwrap_err(),
            ["battery", "battery door"]
        );
    }

    #[test]
    fn tab_goes_as_far_as_the_words_agree() {
        let models = Words::one(words(&["Tumrik QN 948", "TUMRIK QN 731", "Bolv 83V"]));
        let longer = |text: &str| Tabbed::Longer(text.into());
        assert_eq!(models.tab("tu"), longer("Tumrik QN "));
        assert_eq!(models.tab("b"), longer("Bolv 83V"));
        assert_eq!(models.tab("Bolv 83V"), longer("Bolv 83V"));
        assert_eq!(
            models.tab("tumrik qn"),
            Tabbed::Any(words(&["Tumrik QN 948", "TUMRIK QN 731"]))
        );
        assert_eq!(models.tab("x"), Tabbed::Any(vec![]));
        assert!(matches!(models.tab(""), Tabbed::Any(all) if all.len() == 3));
        let pieces = Words::several(words(&["battery", "charger"]));
        assert_eq!(pieces.tab("ba"), longer("battery"));
        assert_eq!(pieces.tab("battery;ch"), longer("battery; charger"));
        assert_eq!(Words::default().tab("a"), Tabbed::Any(vec![]));
    }

    #[test]
    fn common_beginnings_are_cut_between_characters() {
        for (one, other, common) in [
            ("abc", "ABd", "ab"),
            ("ab", "abc", "ab"),
            ("abc", "ab", "ab"),
            ("ä1", "Ä2", "ä"),
            ("a", "b", ""),
        ] {
            assert_eq!(common_beginning(one, other), common, "{one} {other}");
        }
    }

    #[test]
    fn a_line_is_edited_where_the_cursor_is() {
        let mut line = Line::default();
        let mut press = |key| {
            let pressed = line.press(&key);
            (pressed, line.text(), line.at)
        };
        for c in "ab dé".chars() {
            press(Key::Char(c));
        }
        assert_eq!(press(Key::ArrowLeft), (Pressed::Edited, "ab dé".into(), 4));
        // In the middle of a line there is nothing to complete.
        assert_eq!(press(Key::Tab).0, Pressed::Edited);
        press(Key::Backspace);
        assert_eq!(press(Key::Char('c')), (Pressed::Edited, "ab cé".into(), 4));
        assert_eq!(press(Key::Del), (Pressed::Edited, "ab c".into(), 4));
        assert_eq!(press(Key::Del).2, 4);
        assert_eq!(press(Key::Tab).0, Pressed::Tab);
        assert_eq!(press(Key::Char('\u{4}')).0, Pressed::Edited);
        assert_eq!(
            press(Key::Char('\u{17}')),
            (Pressed::Edited, "ab ".into(), 3)
        );
        assert_eq!(press(Key::Char('\u{17}')), (Pressed::Edited, "".into(), 0));
        assert_eq!(press(Key::Backspace), (Pressed::Edited, "".into(), 0));
        press(Key::Char('x'));
        press(Key::Home);
        assert_eq!(press(Key::Char('\u{15}')), (Pressed::Edited, "x".into(), 0));
        assert_eq!(press(Key::End).2, 1);
        assert_eq!(press(Key::Char('\u{15}')), (Pressed::Edited, "".into(), 0));
        assert_eq!(press(Key::Enter).0, Pressed::Enter);
        assert_eq!(press(Key::Char('\u{4}')).0, Pressed::End);
    }

    #[test]
    fn a_long_line_shows_what_is_about_the_cursor() {
        let mut line = Line::default();
        line.set("abcdefgh");
        assert_eq!(line.view(20), ("abcdefgh".into(), 0));
        assert_eq!(line.view(3), ("fgh".into(), 0));
        line.press(&Key::Home);
        assert_eq!(line.view(3), ("abc".into(), 3));
        line.set("日本語");
        assert_eq!(line.view(4), ("本語".into(), 0));
    }
}
