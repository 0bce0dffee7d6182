//! `compband explain`: explains a word of the trade or of statistics in a paragraph.

use std::collections::BTreeMap;

use clap::Args;
use rust_decimal::Decimal;
use serde::Deserialize;

use super::{CliError, print, strong};
use crate::app::AppError;
use crate::render::prose::wrap;
use crate::render::table::terminal_width;
use crate::settings::Settings;
use crate::trade::text::nearest_few;

/// The words, from the data folder.
const TERMS: &str = include_str!("../../data/terms.toml");

/// Largest width of the text, in columns.
const WIDTH: usize = 80;

/// Numbers that the texts quote, by the name that stands for them there: defaults of the settings.
fn quoted(settings: &Settings) -> [(&'static str, String); 9] {
    let Settings { estimate, deal, .. } = settings;
    let percent = |share: Decimal| (share * Decimal::ONE_HUNDRED).normalize().to_string();
    [
        ("{band}", estimate.band.to_string()),
        ("{enough}", estimate.enough.to_string()),
        ("{half_life_days}", estimate.half_life_days.to_string()),
        ("{rate_days}", settings.rate_days.to_string()),
        ("{seller_discount}", deal.seller_discount.to_string()),
        ("{lost}", deal.lost.normalize().to_string()),
        ("{kelly}", percent(deal.kelly)),
        ("{most_loss}", deal.most_loss.normalize().to_string()),
        ("{quick_sale}", deal.quick_sale.normalize().to_string()),
    ]
}

/// The text with the numbers in place of their names.
fn filled(text: &str) -> String {
    let numbers = quoted(&Settings::default());
    let fill = |text: String, (name, number): &(&str, String)| text.replace(name, number);
    numbers.iter().fold(text.to_string(), fill)
}

/// Every word that can be explained.
pub(super) fn words() -> Vec<String> {
    let terms: BTreeMap<String, Term> = toml::from_str(TERMS).unwrap_or_default();
    let all = terms.into_iter();
    all.flat_map(|(name, term)| term.also.into_iter().chain([name]))
        .collect()
}

/// Most similar words shown.
const NEAREST: usize = 4;

/// Explain a word of the trade or of statistics
#[derive(Debug, Args)]
#[command(after_help = "\
Examples:
  compband explain band
  compband explain rule of thumb
  compband explain              list all words")]
pub struct ExplainArgs {
    /// The word; leave it out to list all of them
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
/// If there is no such word.
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
            wrap(&filled(&term.text), width, "  ")
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
            Err(AppError::Absent {
                message: format!("there is no explanation of {asked:?}"),
                next: format!("{next}`compband explain` lists all words"),
            }
            .into())
        }
    }
}

/// Key of a word, ignoring case, hyphens and white space.
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

    /// Texts quote defaults by name, so that they stay true, and every name stands for a number.
    #[test]
    fn quoted_numbers_are_those_of_the_settings() {
        let terms: BTreeMap<String, Term> = toml::from_str(TERMS).unwrap();
        let all: String = terms.values().map(|term| term.text.as_str()).collect();
        assert!(!filled(&all).contains(['{', '}']), "{}", filled(&all));
        for (name, number) in quoted(&Settings::default()) {
            assert!(all.contains(name), "{name} is not used");
            assert!(!number.is_empty());
        }
        let weight = filled(&terms["weight"].text);
        assert!(weight.contains("120 days"), "{weight}");
    }
}
