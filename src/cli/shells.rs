//! Answers to shells that request completions.
//!
//! Names in a book may come from anybody, so that no shell may run, expand or split a part of one.
//! Zsh, fish and elvish quote inserted words themselves; bash and PowerShell insert them unchanged,
//! so that this module quotes them. In bash, zsh and fish the typed text includes the quotes of the
//! command line, and is compared without them.

use std::ffi::{OsStr, OsString};
use std::io::{self, Write};
use std::path::Path;

use clap::Command;
use clap_complete::engine::{CompletionCandidate, complete};
use clap_complete::env::{self, EnvCompleter, Shells};

/// The supported shells.
pub const SHELLS: Shells<'static> = Shells(&[&Bash, &env::Elvish, &FISH, &POWERSHELL, &ZSH]);

/// Position of the word to complete, as bash passes it.
const INDEX: &str = "_CLAP_COMPLETE_INDEX";

/// Treatment of quotes in a shell.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Dialect {
    Posix,
    Fish,
}

/// A word of the command line without its quotes, closed or not.
fn unquoted(word: &str, dialect: Dialect) -> String {
    let mut out = String::with_capacity(word.len());
    let mut chars = word.chars();
    let mut open = None;
    while let Some(c) = chars.next() {
        match (open, c) {
            (None, '\'' | '"') => open = Some(c),
            (Some(quote), c) if c == quote => open = None,
            (Some('\''), '\\') if dialect == Dialect::Posix => out.push(c),
            (quote, '\\') => {
                let escapes = match quote {
                    None => "",
                    Some('\'') => "\\'",
                    Some(_) => "\\\"$`",
                };
                match chars.next() {
                    Some(next) => {
                        if quote.is_some() && !escapes.contains(next) {
                            out.push(c);
                        }
                        out.push(next);
                    }
                    None if quote.is_some() => out.push(c),
                    None => {}
                }
            }
            (_, c) => out.push(c),
        }
    }
    out
}

fn unquoted_os(word: &OsStr, dialect: Dialect) -> OsString {
    word.to_str().map_or_else(
        || word.to_os_string(),
        |word| unquoted(word, dialect).into(),
    )
}

/// The candidates of one line, which a shell can receive.
fn lines(candidates: Vec<CompletionCandidate>) -> impl Iterator<Item = String> {
    let values = candidates
        .into_iter()
        .map(|candidate| candidate.get_value().to_string_lossy().into_owned());
    values.filter(|value| !value.contains(char::is_control))
}

struct Bash;

impl EnvCompleter for Bash {
    fn name(&self) -> &'static str {
        "bash"
    }

    fn is(&self, name: &str) -> bool {
        name == "bash"
    }

    fn write_registration(
        &self,
        var: &str,
        _name: &str,
        bin: &str,
        completer: &str,
        buf: &mut dyn Write,
    ) -> io::Result<()> {
        // The script reads answers line by line, so that none is split or globbed. Bash passes a
        // word on without its opening quote.
        let script = r#"
_compband_complete() {
    local line first="${COMP_WORDS[COMP_CWORD]:0:1}" words=("${COMP_WORDS[@]}")
    words[COMP_CWORD]="$2"
    if [[ ( $first == \" || $first == \' ) && "${2:0:1}" != "$first" ]]; then
        words[COMP_CWORD]="$first$2"
    fi
    COMPREPLY=()
    while IFS= read -r line; do
        COMPREPLY+=("$line")
    done < <(INDEX="$COMP_CWORD" VAR=bash COMPLETER -- "${words[@]}" 2>/dev/null)
    if ! [[ "${COMPREPLY[0]-}" =~ [=/:]$ ]]; then
        compopt +o nospace 2>/dev/null
    fi
    return 0
}
if [[ "${BASH_VERSINFO[0]}" -eq 4 && "${BASH_VERSINFO[1]}" -ge 4 || "${BASH_VERSINFO[0]}" -gt 4 ]]; then
    complete -o nospace -o bashdefault -o nosort -F _compband_complete BIN
else
    complete -o nospace -o bashdefault -F _compband_complete BIN
fi
"#
        .replace("INDEX", INDEX)
        .replace("COMPLETER", &bash_word(completer, None))
        .replace("BIN", &bash_word(bin, None))
        .replace("VAR", var);
        buf.write_all(script.as_bytes())
    }

    fn write_complete(
        &self,
        cmd: &mut Command,
        args: Vec<OsString>,
        current_dir: Option<&Path>,
        buf: &mut dyn Write,
    ) -> io::Result<()> {
        let index = std::env::var(INDEX).ok().and_then(|at| at.parse().ok());
        let index: usize = index.unwrap_or_default();
        let typed = args.get(index).and_then(|word| word.to_str());
        let quote = typed
            .and_then(|word| word.chars().next())
            .filter(|first| matches!(first, '\'' | '"'));
        let home = quote.is_none() && typed.is_some_and(|word| word.starts_with("~/"));
        let words = args
            .iter()
            .map(|word| unquoted_os(word, Dialect::Posix))
            .collect();
        for value in lines(complete(cmd, words, index, current_dir)?) {
            match value.strip_prefix("~/").filter(|_| home) {
                // The home folder has to stay without quotes.
                Some(rest) => writeln!(buf, "~/{}", bash_word(rest, None))?,
                None => writeln!(buf, "{}", bash_word(&value, quote))?,
            }
        }
        Ok(())
    }
}

/// A word as bash reads it back, after an opening quote or none. Bash closes the quote itself.
fn bash_word(value: &str, quote: Option<char>) -> String {
    let plain = |c: char| !c.is_ascii() || c.is_ascii_alphanumeric() || "_-./,+%".contains(c);
    let mut out = String::with_capacity(value.len() + 8);
    for c in value.chars() {
        match (quote, c) {
            (Some('\''), '\'') => out.push_str("'\\''"),
            (Some('\''), c) => out.push(c),
            // Between double quotes a backslash would not prevent history expansion.
            (Some(_), '!') => out.push_str("\"'!'\""),
            (Some(_), '\\' | '"' | '$' | '`') => out.extend(['\\', c]),
            (None, c) if !plain(c) => out.extend(['\\', c]),
            (_, c) => out.push(c),
        }
    }
    out
}

/// A shell with the library's script, but its own quoting of answers.
struct Quoting {
    shell: &'static dyn EnvCompleter,
    answer: Answer,
}

type Answer = fn(&mut Command, Vec<OsString>, Option<&Path>, &mut dyn Write) -> io::Result<()>;

impl EnvCompleter for Quoting {
    fn name(&self) -> &'static str {
        self.shell.name()
    }

    fn is(&self, name: &str) -> bool {
        self.shell.is(name)
    }

    fn write_registration(
        &self,
        var: &str,
        name: &str,
        bin: &str,
        completer: &str,
        buf: &mut dyn Write,
    ) -> io::Result<()> {
        let shell = self.shell;
        shell.write_registration(var, name, bin, completer, buf)
    }

    fn write_complete(
        &self,
        cmd: &mut Command,
        args: Vec<OsString>,
        current_dir: Option<&Path>,
        buf: &mut dyn Write,
    ) -> io::Result<()> {
        (self.answer)(cmd, args, current_dir, buf)
    }
}

const FISH: Quoting = Quoting {
    shell: &env::Fish,
    answer: |cmd, mut args, current_dir, buf| {
        // Only the last word comes as typed.
        if let Some(last) = args.last_mut() {
            *last = unquoted_os(last, Dialect::Fish);
        }
        env::Fish.write_complete(cmd, args, current_dir, buf)
    },
};

const ZSH: Quoting = Quoting {
    shell: &env::Zsh,
    answer: |cmd, args, current_dir, buf| {
        let words = args.iter().map(|word| unquoted_os(word, Dialect::Posix));
        env::Zsh.write_complete(cmd, words.collect(), current_dir, buf)
    },
};

const POWERSHELL: Quoting = Quoting {
    shell: &env::Powershell,
    answer: |cmd, args, current_dir, buf| {
        let index = args.len().saturating_sub(1);
        for candidate in complete(cmd, args, index, current_dir)? {
            let help = candidate.get_help().map(ToString::to_string);
            let help = help.as_deref().and_then(|help| help.lines().next());
            for value in lines(vec![candidate]) {
                let help = help.map(|help| format!("\t{help}")).unwrap_or_default();
                writeln!(buf, "{}{help}", powershell_word(&value))?;
            }
        }
        Ok(())
    },
};

/// A word as PowerShell reads it back: in single quotes, of which it accepts several, unless it is
/// plain.
fn powershell_word(value: &str) -> String {
    let plain = |c: char| c.is_ascii_alphanumeric() || "_-./\\:".contains(c);
    if value.chars().all(plain) && !value.is_empty() {
        return value.to_string();
    }
    let mut out = String::from("'");
    for c in value.chars() {
        out.push(c);
        if matches!(c, '\'' | '\u{2018}'..='\u{201b}') {
            out.push(c);
        }
    }
    out.push('\'');
    out
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn quotes_come_off_as_the_shell_takes_them() {
        for (word, text) in [
            ("Zed\\ 61K", "Zed 61K"),
            ("\"Zed \\$ \\a", "Zed $ \\a"),
            ("'it'\\''s \\", "it's \\"),
            ("Zed\\", "Zed"),
            ("a\"b c\"'d'", "ab cd"),
        ] {
            assert_eq!(unquoted(word, Dialect::Posix), text);
        }
        assert_eq!(unquoted("'it\\'s \\x", Dialect::Fish), "it's \\x");
    }

    #[test]
    fn powershell_takes_it_for_text() {
        for (value, word) in [
            ("Nulva-61K", "Nulva-61K"),
            ("X$(touch P)", "'X$(touch P)'"),
            ("it's \u{2019}", "'it''s \u{2019}\u{2019}'"),
            ("", "''"),
        ] {
            assert_eq!(powershell_word(value), word);
        }
    }

    proptest! {
        /// Every completion for bash reads back as the name.
        #[test]
        fn words_for_bash_read_back(value in "[ -~äレ]{0,12}", quote in 0..3_usize) {
            let quote = [None, Some('\''), Some('"')][quote];
            let word = bash_word(&value, quote);
            let quote = quote.map(String::from).unwrap_or_default();
            prop_assert_eq!(unquoted(&format!("{quote}{word}{quote}"), Dialect::Posix), value);
        }
    }
}
