//! Completions for shells, and manual pages.

use std::collections::{BTreeSet, HashSet};
use std::ffi::{OsStr, OsString};
use std::fs;
use std::path::PathBuf;

use clap::{Arg, Args};
use clap_complete::CompleteEnv;
use clap_complete::engine::{ArgValueCompleter, CompletionCandidate};

use super::shells::SHELLS;
use super::terminal::steers;
use super::{CliError, count, explain, notice, print};
use crate::app::comps::ids_beginning;
use crate::app::ledger::read_ledger;
use crate::app::listed::deal_names;
use crate::app::typed::all_pieces;
use crate::app::{AppError, Book, write};
use crate::settings::{PartValues, Settings};
use crate::trade::HowSold;
use crate::trade::names::{match_key, push_key};

/// The variable with which a shell requests completions.
const VARIABLE: &str = "COMPBAND_COMPLETE";

/// Most identifiers of sales that a shell gets.
const MOST_IDS: usize = 100;

/// Print shell completions: commands, models, deals, watched units, outlets, parts and sale ids
#[derive(Debug, Args)]
#[command(after_help = "\
Examples:
  source <(compband completions bash)            in ~/.bashrc
  source <(compband completions zsh)             in ~/.zshrc
  compband completions fish | source             in ~/.config/fish/config.fish

Names come from the book in the current folder, or from the one that COMPBAND_BOOK names.")]
pub struct CompletionsArgs {
    /// The shell
    #[arg(value_parser = ["bash", "elvish", "fish", "powershell", "zsh"])]
    shell: String,
}

/// Write a manual page for each command
#[derive(Debug, Args)]
#[command(after_help = "\
Examples:
  compband man ~/.local/share/man/man1          then: man compband, man compband-estimate")]
pub struct ManArgs {
    /// Folder for the pages; made if it is missing
    #[arg(value_name = "DIR")]
    folder: PathBuf,
}

/// Prints the registration of a shell.
///
/// # Errors
/// If it cannot be written.
pub fn completions(args: &CompletionsArgs) -> Result<(), CliError> {
    let mut script = Vec::new();
    if let Some(shell) = SHELLS.completer(&args.shell) {
        shell.write_registration(VARIABLE, "compband", "compband", "compband", &mut script)?;
    }
    print(&String::from_utf8_lossy(&script))
}

/// Writes the manual pages of a command.
///
/// # Errors
/// If the folder or a page cannot be written.
pub fn man(args: &ManArgs, command: clap::Command) -> Result<(), CliError> {
    let folder = &args.folder;
    fs::create_dir_all(folder).map_err(AppError::io(folder, "make the folder"))?;
    let pages = tempfile::tempdir_in(folder).map_err(AppError::io(folder, "write in"))?;
    clap_mangen::generate_to(command, pages.path())?;
    let mut written = 0;
    for page in fs::read_dir(pages.path())? {
        let page = page?;
        let bytes = fs::read(page.path())?;
        let path = folder.join(page.file_name());
        write(&path, &bytes)?;
        written += 1;
    }
    notice(&format!(
        "{} written to {}",
        count(written, "page"),
        folder.display()
    ));
    Ok(())
}

/// The `words` that begin with the typed text, ignoring case.
fn beginning(typed: &OsStr, words: impl IntoIterator<Item = String>) -> Vec<CompletionCandidate> {
    let mut wanted = String::new();
    push_key(&mut wanted, &typed.to_string_lossy());
    let begins = |word: &str| {
        let mut key = String::new();
        push_key(&mut key, word);
        key.starts_with(&wanted)
    };
    words
        .into_iter()
        .filter(|word| begins(word) && !word.contains(steers))
        .map(CompletionCandidate::new)
        .collect()
}

/// The book of the current folder or of the environment: the value of --book is not known before
/// the command line is parsed.
pub(super) fn book() -> Result<Book, AppError> {
    let named = std::env::var_os("COMPBAND_BOOK").map(PathBuf::from);
    Ok(Book::open(named.as_deref())?)
}

/// Words from the settings of the book, if there is one.
fn of_settings(
    typed: &OsStr,
    words: impl Fn(&Settings) -> Vec<String>,
) -> Vec<CompletionCandidate> {
    book().map_or_else(
        |_| Vec::new(),
        |book| beginning(typed, words(book.settings())),
    )
}

fn models(typed: &OsStr) -> Vec<CompletionCandidate> {
    let models = book().and_then(|book| Ok(book.models()?));
    beginning(typed, one_spelling(models.unwrap_or_default()))
}

/// The models with one spelling each: spellings that differ in case or spacing are one model.
fn one_spelling(models: Vec<String>) -> Vec<String> {
    let mut seen = HashSet::new();
    models
        .into_iter()
        .filter(|model| seen.insert(match_key(model)))
        .collect()
}

fn watched(typed: &OsStr) -> Vec<CompletionCandidate> {
    let watches = book().and_then(|book| Ok(book.watched()?));
    beginning(typed, watches.unwrap_or_default().into_keys())
}

/// Numbers of deals.
fn numbers(typed: &OsStr, all: bool) -> Vec<CompletionCandidate> {
    let deals = book().and_then(|book| deal_names(&book, all, &mut |_| {}));
    beginning(typed, deals.unwrap_or_default())
}

/// Names of parts: those of the drawer, or also all that the settings name.
fn part_names(typed: &OsStr, all: bool) -> Vec<CompletionCandidate> {
    let Ok(book) = book() else {
        return Vec::new();
    };
    let mut names = BTreeSet::new();
    if let Ok(ledger) = read_ledger(&book, &mut |_| {}) {
        names.extend(ledger.drawer().lots().map(|lot| lot.name.clone()));
    }
    if all {
        let settings = book.settings();
        names.extend(all_pieces(settings));
        let worth = settings.parts.values().flat_map(PartValues::iter);
        names.extend(worth.map(|(name, ..)| name));
    }
    beginning(typed, names)
}

/// Identifiers of sales that begin with the typed text.
fn sale_ids(typed: &OsStr, logged: bool) -> Vec<CompletionCandidate> {
    let typed = typed.to_string_lossy();
    let ids = book().and_then(|book| ids_beginning(&book, &typed, logged, MOST_IDS));
    let ids = ids.unwrap_or_default().into_iter();
    ids.filter(|id| !id.contains(steers))
        .map(CompletionCandidate::new)
        .collect()
}

/// Names for a purchase: all those for a unit, and deals that are closed.
fn purchases(typed: &OsStr) -> Vec<CompletionCandidate> {
    let all = [numbers(typed, true), watched(typed), models(typed)];
    all.into_iter().flatten().collect()
}

/// Names for a unit: deals in stock, watched units, models.
fn units(typed: &OsStr) -> Vec<CompletionCandidate> {
    let all = [numbers(typed, false), watched(typed), models(typed)];
    all.into_iter().flatten().collect()
}

/// The command, with words from the book as completions of its arguments.
fn with_words(command: clap::Command) -> clap::Command {
    command.mut_args(with_completer).mut_subcommands(with_words)
}

fn with_completer(arg: Arg) -> Arg {
    let takes = arg.get_value_names().and_then(|names| names.first());
    let takes = takes.map(|name| name.as_str()).unwrap_or_default();
    let words: fn(&OsStr) -> Vec<CompletionCandidate> = match (arg.get_id().as_str(), takes) {
        ("model", _) if arg.is_positional() && takes == "MODEL" => purchases,
        ("model" | "models" | "words" | "fits" | "old" | "others", _) => models,
        ("grade", _) => |t| of_settings(t, |s| s.grade_names().map(String::from).collect()),
        ("completeness", _) => {
            |t| of_settings(t, |s| s.completeness_names().map(String::from).collect())
        }
        ("how_sold", _) => |t| beginning(t, HowSold::ALL.map(|how| how.word().to_string())),
        ("missing", _) => |t| of_settings(t, |s| all_pieces(s).into_iter().collect()),
        ("outlet" | "venue", _) => |t| of_settings(t, |s| s.outlets.keys().cloned().collect()),
        ("watched", "UNIT") => purchases,
        ("watched", _) => watched,
        ("deal", _) => |t| numbers(t, true),
        ("unit" | "units", _) => units,
        ("name", "PART") => |t| part_names(t, false),
        ("parts", "PARTS") | ("new_part", _) => |t| part_names(t, true),
        ("keep" | "drop" | "id", _) => |t| sale_ids(t, false),
        ("sale", _) => |t| sale_ids(t, true),
        ("mapping", _) => |t| of_settings(t, |s| s.mappings.keys().cloned().collect()),
        ("term", _) => |t| beginning(t, explain::words()),
        _ => return arg,
    };
    arg.add(ArgValueCompleter::new(words))
}

/// Answers a shell that requests completions; false if none does.
///
/// # Errors
/// The errors of the parser for the shell's request.
pub fn answer(args: &[OsString], command: fn() -> clap::Command) -> Result<bool, clap::Error> {
    let here = std::env::current_dir().ok();
    CompleteEnv::with_factory(move || with_words(command()))
        .var(VARIABLE)
        .shells(SHELLS)
        .try_complete(args.to_vec(), here.as_deref())
}
