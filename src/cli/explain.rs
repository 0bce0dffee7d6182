//! `compband explain`: a word of the trade or of statistics, in a paragraph.

use std::collections::BTreeMap;

use clap::Args;
use serde::Deserialize;

use super::{CliError, print, strong};
use crate::render::sheet::wrap;
use crate::render::table::terminal_width;
use crate::trade::text::nearest_few;

/// The words, as they stand in the data folder.
const TERMS: &str = include_str!("../../data/terms.toml");

/// Columns that text is set to at most.
const WIDTH: usize = 80;

/// Most near words told.
const NEAREST: usize = 4;

/// Explain a word of the trade or of statistics
#[derive(Debug, Args)]
#[command(after_help = "\
Examples:
  compband explain band
  compband explain rule of thumb
  compband explain              every word that can be explained")]
pub struct ExplainArgs {
    /// The word; without one, all of them are listed
    #[arg(value_name = "TERM")]
    term: Vec<String>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Term {
    #[serde(default)]
    also: Vec<String>,
    text: String,
}

/// Runs the command.
///
/// # Errors
/// Where there is no such word.
pub fn run(args: &ExplainArgs) -> Result<(), CliError> {
    let terms: BTreeMap<String, Term> = toml::from_str(TERMS)
        .map_err(|error| CliError::Output(std::io::Error::other(format!("the words: {error}"))))?;
    let width = terminal_width().map_or(WIDTH, |width| usize::from(width).min(WIDTH));
    let asked = key(&args.term.join(" "));
    if asked.is_empty() {
        let names: Vec<&str> = terms.keys().map(String::as_str).collect();
        return print(&format!("{}\n", wrap(&names.join(" · "), width, "")));
    }
    let found = terms
        .iter()
        .find(|(name, term)| key(name) == asked || term.also.iter().any(|a| key(a) == asked));
    match found {
        Some((name, term)) => print(&format!(
            "{}\n{}\n",
            strong(name),
            wrap(&term.text, width, "  ")
        )),
        None => {
            let names = terms
                .iter()
                .flat_map(|(name, term)| term.also.iter().chain([name]))
                .map(String::as_str);
            let near = nearest_few(&asked, names, NEAREST);
            let next = if near.is_empty() {
                String::new()
            } else {
                format!("perhaps {}; ", near.join(", "))
            };
            Err(CliError::Absent {
                message: format!("{asked:?} is not among the words that can be explained"),
                next: format!("{next}`compband explain` lists them all"),
            })
        }
    }
}

/// Words alike but for case, hyphens and white space are the same.
fn key(word: &str) -> String {
    word.to_lowercase()
        .split(|c: char| c.is_whitespace() || c == '-')
        .filter(|part| !part.is_empty())
        .collect::<Vec<_>>()
        .join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_word_is_explained_once() {
        let terms: BTreeMap<String, Term> = toml::from_str(TERMS).unwrap();
        let mut words: Vec<String> = terms
            .iter()
            .flat_map(|(name, term)| term.also.iter().chain([name]))
            .map(|word| key(word))
            .collect();
        words.sort_unstable();
        assert!(words.windows(2).all(|pair| pair[0] != pair[1]), "{words:?}");
        for term in terms.values() {
            assert!((80..700).contains(&term.text.len()), "{}", term.text);
        }
    }
}
