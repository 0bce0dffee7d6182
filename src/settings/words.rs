//! `[words]`: what words of sheets mean in this book, such as `grade.vg = "B"`.

use std::collections::{BTreeMap, HashMap, HashSet};

use serde::Deserialize;
use toml_edit::{DocumentMut, Item, value};

use super::declare::{key, quoted};
use crate::trade::names::match_key;

/// Key of the table in the settings.
const TABLE: &str = "words";

/// Columns whose words may have a meaning; `pieces` stands for missing, extras and defects.
pub const COLUMNS: [&str; 7] = [
    "model",
    "variant",
    "grade",
    "completeness",
    "works",
    "how_sold",
    "pieces",
];

/// Meanings of words, by column.
#[derive(Debug, Clone, PartialEq, Default, Deserialize)]
#[serde(transparent)]
pub struct Words(BTreeMap<String, BTreeMap<String, String>>);

/// The meaning of one word.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Meaning {
    /// The column ([`COLUMNS`]).
    pub column: String,
    /// The word as it is in sheets.
    pub word: String,
    /// The value that it stands for; empty for a blank cell.
    pub value: String,
}

impl Words {
    /// The meanings of the words of a column, by [`match_key`] of the word.
    pub fn of(&self, column: &str) -> HashMap<String, &str> {
        let words = self.0.get(column).into_iter().flatten();
        words
            .map(|(word, value)| (match_key(word), value.as_str()))
            .collect()
    }

    /// The words of a column with their meanings.
    pub fn pairs<'w>(&'w self, column: &str) -> impl Iterator<Item = (&'w str, &'w str)> {
        let words = self.0.get(column).into_iter().flatten();
        words.map(|(word, value)| (word.as_str(), value.as_str()))
    }

    /// The meaning of a word in a column.
    pub fn get(&self, column: &str, word: &str) -> Option<&str> {
        let words = self.0.get(column).filter(|words| !words.is_empty())?;
        let key = match_key(word);
        let mut words = words.iter();
        words
            .find(|(known, _)| match_key(known) == key)
            .map(|(_, value)| value.as_str())
    }

    /// The model that a name stands for: itself, unless it is another name of one.
    pub fn model<'n>(&'n self, name: &'n str) -> &'n str {
        self.get("model", name).unwrap_or(name)
    }

    /// The other names of a model, as the settings write them.
    pub fn names_of<'w>(&'w self, model: &str) -> Vec<&'w str> {
        let key = match_key(model);
        let words = self.0.get("model").into_iter().flatten();
        let names = words.filter(|(_, of)| match_key(of) == key);
        names.map(|(name, _)| name.as_str()).collect()
    }

    /// Adds a meaning, or replaces that of the same word.
    pub fn set(&mut self, meaning: &Meaning) {
        let words = self.0.entry(meaning.column.clone()).or_default();
        let key = match_key(&meaning.word);
        words.retain(|word, _| match_key(word) != key);
        words.insert(meaning.word.clone(), meaning.value.clone());
    }

    /// Checks columns, and that no name of a model stands for one that stands for another.
    ///
    /// # Errors
    /// The key and the expected form.
    pub(super) fn check(&self) -> Result<(), String> {
        for (column, words) in &self.0 {
            if !COLUMNS.contains(&column.as_str()) {
                return Err(format!(
                    "{TABLE}.{column}: expected one of {}",
                    COLUMNS.join(", ")
                ));
            }
            let mut keys: Vec<String> = words.keys().map(|word| match_key(word)).collect();
            keys.sort_unstable();
            if let Some(pair) = keys.windows(2).find(|pair| pair[0] == pair[1]) {
                return Err(format!("{TABLE}.{column}: {:?} is there twice", pair[0]));
            }
        }
        let models = self.0.get("model").into_iter().flatten();
        for (name, model) in models {
            if model.trim().is_empty() {
                return Err(format!(
                    "{TABLE}.model.{name:?}: expected the name of a model"
                ));
            }
            if self.get("model", model).is_some() {
                return Err(format!(
                    "{TABLE}.model.{name:?}: expected the name of a model, but {model:?} is itself another name"
                ));
            }
        }
        Ok(())
    }
}

/// The text of the settings with these meanings added; comments and everything else stay. A column without words
/// so far gets a table at the end: anywhere else, a line below it that is uncommented later would fall into it.
///
/// # Errors
/// A sentence, if the text cannot take them.
pub fn with_words(text: &str, meanings: &[Meaning]) -> Result<String, String> {
    let mut text = text.to_string();
    for meaning in meanings {
        let mut document: DocumentMut = text.parse().map_err(|why| format!("{why}"))?;
        let words = document.get_mut(TABLE);
        let column = words.and_then(|words| words.as_table_like_mut()?.get_mut(&meaning.column));
        let Some(column) = column.and_then(Item::as_table_like_mut) else {
            let gap = if text.is_empty() {
                ""
            } else if text.ends_with('\n') {
                "\n"
            } else {
                "\n\n"
            };
            let (column, word) = (key(&meaning.column), key(&meaning.word));
            let value = quoted(&meaning.value);
            text.push_str(&format!("{gap}[{TABLE}.{column}]\n{word} = {value}\n"));
            continue;
        };
        let same = match_key(&meaning.word);
        let known = column
            .iter()
            .map(|(word, _)| word.to_string())
            .find(|word| match_key(word) == same);
        let word = known.unwrap_or_else(|| meaning.word.clone());
        column.insert(&word, value(meaning.value.as_str()));
        text = document.to_string();
    }
    Ok(text)
}

/// The text of the settings without the meanings of these words of a column; everything else stays.
///
/// # Errors
/// A sentence, if the text is no TOML.
pub fn without_words(text: &str, column: &str, words: &[String]) -> Result<String, String> {
    let mut document: DocumentMut = text.parse().map_err(|why| format!("{why}"))?;
    let table = document.get_mut(TABLE);
    let table = table.and_then(|table| table.as_table_like_mut()?.get_mut(column));
    let Some(of_column) = table.and_then(Item::as_table_like_mut) else {
        return Ok(text.to_string());
    };
    let dropped: HashSet<String> = words.iter().map(|word| match_key(word)).collect();
    let known: Vec<String> = of_column
        .iter()
        .map(|(word, _)| word.to_string())
        .filter(|word| dropped.contains(&match_key(word)))
        .collect();
    for word in &known {
        of_column.remove(word);
    }
    if known.is_empty() {
        return Ok(text.to_string());
    }
    // An empty table is a heading without meaning.
    let is_empty = of_column.is_empty();
    let parent = document.get_mut(TABLE).and_then(Item::as_table_like_mut);
    if let Some(parent) = parent.filter(|_| is_empty) {
        parent.remove(column);
    }
    Ok(document.to_string())
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;
    use crate::settings::{Settings, TEMPLATE};

    fn meaning(column: &str, word: &str, value: &str) -> Meaning {
        Meaning {
            column: column.into(),
            word: word.into(),
            value: value.into(),
        }
    }

    #[test]
    fn words_are_added_to_any_settings() {
        let all = [
            meaning("grade", "very good", "B"),
            meaning("grade", "VG", "B"),
            meaning("model", "Nula \"61K\"", "Nulva 61K"),
            meaning("works", "?", ""),
        ];
        let before = "# mine\n[words.grade]\nvg = \"A\" # so far\n\n[deal]\nweeks = 3\n";
        for start in ["", TEMPLATE, before] {
            let text = with_words(start, &all).unwrap();
            let settings = Settings::parse(&text, Path::new("a")).unwrap();
            for meaning in &all {
                let found = settings.words.get(&meaning.column, &meaning.word);
                assert_eq!(found, Some(meaning.value.as_str()), "{text}");
            }
            assert_eq!(settings.words.of("grade").len(), 2, "{text}");
            assert_eq!(settings.words.model("nula \"61k\""), "Nulva 61K");
            assert_eq!(settings.words.model("Bolv 83V"), "Bolv 83V");
            // Every default uncommented below stays where it belongs.
            let bare: Vec<&str> = text
                .lines()
                .map(|line| line.strip_prefix("#: ").unwrap_or(line))
                .collect();
            let bare = Settings::parse(&bare.join("\n"), Path::new("a")).unwrap();
            assert_eq!(bare.words, settings.words);
        }
        let text = with_words(before, &all).unwrap();
        assert!(
            text.starts_with("# mine\n") && text.contains("weeks = 3"),
            "{text}"
        );
    }

    #[test]
    fn words_are_dropped_again() {
        let before = "# mine\n[words.grade]\nvg = \"A\" # so far\n\n[deal]\nweeks = 3\n";
        let all = [
            meaning("model", "Nulva 61K", "Nulvo"),
            meaning("model", "nula", "Nulvo"),
        ];
        let with = with_words(before, &all).unwrap();
        let drop = |text: &str, words: &[&str]| {
            let words: Vec<String> = words.iter().map(|word| (*word).to_string()).collect();
            without_words(text, "model", &words).unwrap()
        };
        let one = drop(&with, &["NULVA  61k"]);
        let settings = Settings::parse(&one, Path::new("a")).unwrap();
        assert_eq!(settings.words.names_of("nulvo"), ["nula"]);
        // What is left is as before, and a word that is not there changes nothing.
        assert_eq!(
            drop(&with, &["Nulva 61K", "Nula"]).trim_end(),
            before.trim_end()
        );
        assert_eq!(drop(before, &["Nulva 61K"]), before);
        let inline = drop("words = { model = { a = \"b\", c = \"b\" } }\n", &["a"]);
        let settings = Settings::parse(&inline, Path::new("a")).unwrap();
        assert_eq!(settings.words.names_of("b"), ["c"]);
    }

    #[test]
    fn a_kit_and_a_family_go_with_a_renamed_model() {
        let text = "[kits.\"Nulva 61K\"]\nships_with = [\"charger\"]\n\
                    [families.recorders]\nmodels = [\"Nulva 61K\"]\n\
                    [words.model]\n\"Nulva 61K\" = \"Nulvo\"\n";
        let settings = Settings::parse(text, Path::new("a")).unwrap();
        for name in ["Nulvo", "nulva 61k"] {
            assert!(settings.kit(name).is_some(), "{name}");
            assert_eq!(settings.family(name), Some("recorders"), "{name}");
        }
        assert!(settings.kit("Bolv 83V").is_none());
    }

    #[test]
    fn wrong_words_are_refused() {
        for (text, why) in [
            (
                "[words.price]\ncheap = \"3\"",
                "words.price: expected one of model",
            ),
            ("[words.grade]\nvg = \"B\"\nVG = \"A\"", "is there twice"),
            (
                "[words.model]\na = \"b\"\nb = \"c\"",
                "is itself another name",
            ),
            ("[words.model]\na = \" \"", "expected the name of a model"),
        ] {
            let error = Settings::parse(text, Path::new("a"))
                .unwrap_err()
                .to_string();
            assert!(error.contains(why), "{error}");
        }
        let clash = with_words("words = 3", &[meaning("grade", "a", "B")]).unwrap();
        assert!(Settings::parse(&clash, Path::new("a")).is_err());
    }
}
