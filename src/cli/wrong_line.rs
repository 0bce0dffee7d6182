//! Errors of the command line's parser, in the form of all other errors.

use std::error::Error;
use std::ffi::OsString;

use clap::error::{ContextKind, ContextValue, ErrorKind};

use super::CliError;
use crate::trade::text::{excerpt, shorten};

/// Flags that people try, each with those that may be meant.
const MEANT: [(&str, &[&str]); 12] = [
    ("condition", &["grade"]),
    ("state", &["grade"]),
    ("quality", &["grade"]),
    ("cost", &["price"]),
    ("amount", &["price"]),
    ("paid", &["price"]),
    ("date", &["sold-on", "on", "as-of"]),
    ("day", &["sold-on", "on", "as-of"]),
    ("without", &["missing"]),
    ("with", &["extra", "extras"]),
    ("damage", &["defect", "defects"]),
    ("complete", &["completeness"]),
];

/// The error in plain words, with how to proceed; `None` for help and version, which are no errors.
pub fn plain(error: &clap::Error, args: &[OsString], root: &clap::Command) -> Option<CliError> {
    if !error.use_stderr() || error.kind() == ErrorKind::DisplayHelpOnMissingArgumentOrSubcommand {
        return None;
    }
    let called = Called::of(args, root);
    let name = context(error, ContextKind::InvalidArg);
    let name = name.first().map(String::as_str);
    let (message, next) = match (error.kind(), name) {
        (ErrorKind::UnknownArgument, Some(arg)) if arg.starts_with('-') => {
            unknown_flag(error, arg, &called)
        }
        (ErrorKind::UnknownArgument, Some(arg)) => word_too_many(arg, &called),
        (ErrorKind::InvalidSubcommand, _) => unknown_command(error, &called),
        (ErrorKind::ValueValidation | ErrorKind::InvalidValue, Some(arg)) => {
            wrong_value(error, arg, &called)
        }
        (ErrorKind::MissingRequiredArgument, Some(_)) => {
            let missing = context(error, ContextKind::InvalidArg).join(", ");
            (format!("this is missing: {missing}"), called.help())
        }
        (ErrorKind::ArgumentConflict, Some(arg)) => conflict(error, arg, &called),
        _ => (first_words(error), called.help()),
    };
    Some(CliError::Line { message, next })
}

/// The command that was called.
struct Called<'c> {
    /// Its name, with that of the command above it.
    path: String,
    command: &'c clap::Command,
    /// The words behind it up to the first flag.
    words: Vec<String>,
}

impl<'c> Called<'c> {
    fn of(args: &[OsString], root: &'c clap::Command) -> Self {
        let mut called = Self {
            path: String::new(),
            command: root,
            words: Vec::new(),
        };
        for arg in args.iter().skip(1).map(|arg| arg.to_string_lossy()) {
            match called.command.find_subcommand(&*arg) {
                Some(command) if called.words.is_empty() => {
                    called.path.push(' ');
                    called.path.push_str(command.get_name());
                    called.command = command;
                }
                _ if called.path.is_empty() => {}
                _ if arg.starts_with('-') => break,
                _ => called.words.push(arg.into_owned()),
            }
        }
        called
    }

    fn help(&self) -> String {
        format!("`compband{} --help` shows how to use it", self.path)
    }

    fn has_flag(&self, name: &str) -> bool {
        let mut all = self.command.get_arguments();
        all.any(|arg| {
            let others = arg.get_visible_aliases().unwrap_or_default();
            arg.get_long() == Some(name) || others.contains(&name)
        })
    }
}

/// The texts of a part of the error.
fn context(error: &clap::Error, kind: ContextKind) -> Vec<String> {
    match error.get(kind) {
        Some(ContextValue::String(text)) => vec![text.clone()],
        Some(ContextValue::Strings(texts)) => texts.clone(),
        _ => Vec::new(),
    }
}

/// The name of an argument as it is typed: `--as-of` of `--as-of <DATE>`, `ENTRY` of `<ENTRY>`.
fn typed(arg: &str) -> &str {
    let word = arg.split([' ', '=']).next().unwrap_or(arg);
    word.trim_matches(['<', '>', '[', ']', '.'])
}

fn unknown_flag(error: &clap::Error, arg: &str, called: &Called<'_>) -> (String, String) {
    let name = arg.trim_start_matches('-');
    let meant = MEANT.iter().find(|(known, _)| *known == name);
    let mut meant = meant.map_or(&[][..], |(_, meant)| *meant).iter();
    let meant = meant.find(|flag| called.has_flag(flag));
    let meant = meant.map(|flag| format!("--{flag}"));
    let near = || context(error, ContextKind::SuggestedArg).into_iter().next();
    let near = meant.or_else(near).map_or(String::new(), |near| {
        format!(
            "did you mean {}? ",
            near.split(' ').next().unwrap_or_default()
        )
    });
    (
        format!("`compband{}` has no {}", called.path, shorten(arg, 60)),
        format!("{near}{}", called.help()),
    )
}

/// A word more than the command takes: mostly a name of several words without quotation marks.
fn word_too_many(arg: &str, called: &Called<'_>) -> (String, String) {
    let taken = called.command.get_positionals().count();
    let words = called.words.as_slice();
    let message = format!("{} is one word too many", excerpt(arg, 60));
    if taken == 0 || words.len() <= taken {
        return (message, called.help());
    }
    if arg.starts_with(|c: char| c.is_ascii_digit()) && called.has_flag("price") {
        return (
            message,
            format!("an amount needs its flag: --price {}", shorten(arg, 40)),
        );
    }
    let joined = words.len() - taken + 1;
    let is_number = |word: &String| word.starts_with(|c: char| c.is_ascii_digit());
    // An amount behind a name stays by itself.
    let from = if words.last().is_some_and(is_number) && taken > 1 {
        0
    } else {
        taken - 1
    };
    let mut all: Vec<String> = words[..from].to_vec();
    all.push(format!("\"{}\"", words[from..from + joined].join(" ")));
    all.extend_from_slice(&words[from + joined..]);
    let next = format!(
        "a name of several words needs quotation marks: compband{} {}",
        called.path,
        shorten(&all.join(" "), 120)
    );
    (message, next)
}

fn unknown_command(error: &clap::Error, called: &Called<'_>) -> (String, String) {
    let given = context(error, ContextKind::InvalidSubcommand).join(" ");
    let near = context(error, ContextKind::SuggestedSubcommand);
    let near = near.first().map_or(String::new(), |near| {
        format!("did you mean `compband{} {near}`? ", called.path)
    });
    (
        format!("there is no command {}", excerpt(&given, 60)),
        format!("{near}`compband{} --help` lists the commands", called.path),
    )
}

fn wrong_value(error: &clap::Error, arg: &str, called: &Called<'_>) -> (String, String) {
    let given = context(error, ContextKind::InvalidValue).join(" ");
    if given.is_empty() && error.source().is_none() {
        return (
            format!("{} needs a value: {arg}", typed(arg)),
            called.help(),
        );
    }
    let valid = context(error, ContextKind::ValidValue);
    let expected = match error.source() {
        Some(why) => expected(&why.to_string()),
        None if valid.is_empty() => first_words(error),
        None => format!("expected one of {}", valid.join(", ")),
    };
    let next = match typed(arg) {
        "ENTRY" => "`compband ledger entries` lists the entries with their numbers".into(),
        _ => called.help(),
    };
    let given = excerpt(&given, 60);
    (format!("{}: found {given}: {expected}", typed(arg)), next)
}

/// The form that a reader of values expected, in plain words.
fn expected(why: &str) -> String {
    if let Some((_, range)) = why.split_once(" is not in ") {
        return match range.split_once("..") {
            Some((from, "")) => format!("expected a number of {from} or more"),
            Some((from, to)) if !from.is_empty() => {
                format!(
                    "expected a number from {from} to {}",
                    to.trim_start_matches('=')
                )
            }
            Some((_, to)) => format!("expected a number up to {}", to.trim_start_matches('=')),
            None => format!("expected a number in {range}"),
        };
    }
    let of_number = ["invalid digit", "number too", "cannot parse integer"];
    if of_number.iter().any(|start| why.starts_with(start)) {
        return "expected a whole number".into();
    }
    why.to_string()
}

fn conflict(error: &clap::Error, arg: &str, called: &Called<'_>) -> (String, String) {
    let others = context(error, ContextKind::PriorArg);
    let others: Vec<&str> = others.iter().map(|other| typed(other)).collect();
    let message = match others.as_slice() {
        [] => first_words(error),
        [other] if *other == typed(arg) => format!("{other} is there twice"),
        others => format!("{} does not go with {}", typed(arg), others.join(", ")),
    };
    (message, called.help())
}

/// The parser's own words.
fn first_words(error: &clap::Error) -> String {
    let text = error.to_string();
    let lines = text.lines().take_while(|line| !line.trim().is_empty());
    let lines: Vec<&str> = lines.map(str::trim).collect();
    let text = lines.join(" ");
    text.strip_prefix("error: ").unwrap_or(&text).to_string()
}
