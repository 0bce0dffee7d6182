//! The values of a book as people write them, read in one way wherever they stand: in cells of sheets and of
//! listings, in flags and in answers.

use std::collections::{HashMap, HashSet};

use serde::{Deserialize, Deserializer};

use super::{Settings, of_scale};
use crate::parse::dates::DateOrder;
use crate::parse::lists::{self, List};
use crate::parse::words;
use crate::trade::items::fold_name;
use crate::trade::names::match_key;
use crate::trade::{HowSold, Items};

/// Piece name of the packaging, which every model may lack or have.
pub const PACKAGING: &str = "packaging";

/// Reads values in the words of one book.
#[derive(Debug)]
pub struct Values<'s> {
    settings: &'s Settings,
    /// Meanings of words, by column and key of the word.
    words: HashMap<&'static str, HashMap<String, &'s str>>,
    /// Meanings of names in lists.
    pieces: HashMap<String, &'s str>,
    /// Names of pieces in kits and rules, folded.
    known: HashSet<String>,
}

impl<'s> Values<'s> {
    /// The reader for a book with these settings.
    pub fn of(settings: &'s Settings) -> Self {
        let columns = super::words::COLUMNS.into_iter();
        let kits = settings.kits.values();
        let rules = &settings.rules;
        let ruled = [&rules.missing, &rules.extras, &rules.defects].into_iter();
        Self {
            settings,
            words: columns
                .map(|column| (column, settings.words.of(column)))
                .filter(|(_, words)| !words.is_empty())
                .collect(),
            pieces: settings.words.of("pieces"),
            known: kits
                .flat_map(|kit| kit.ships_with.iter().map(|(piece, _)| piece))
                .chain(ruled.flat_map(|rules| rules.keys().map(String::as_str)))
                .chain([PACKAGING])
                .map(fold_name)
                .collect(),
        }
    }

    /// The meaning of a text in a column: that of the settings, or the text itself.
    pub fn meaning<'t>(&self, column: &str, text: &'t str) -> &'t str
    where
        's: 't,
    {
        let Some(words) = self.words.get(column).filter(|_| !text.is_empty()) else {
            return text;
        };
        words.get(&match_key(text)).copied().unwrap_or(text)
    }

    /// The order of day and month of dates that nothing else decides.
    pub fn date_order(&self) -> DateOrder {
        self.settings.date_order()
    }

    /// Whether the settings give a text a meaning in a column.
    pub fn has_meaning(&self, column: &str, text: &str) -> bool {
        let words = self.words.get(column);
        words.is_some_and(|words| words.contains_key(&match_key(text)))
    }

    /// A grade in the spelling of the scale.
    pub fn grade(&self, text: &str) -> Option<&'s str> {
        self.on_scale("grade", text)
    }

    /// A level of completeness in the spelling of the scale.
    pub fn completeness(&self, text: &str) -> Option<&'s str> {
        self.on_scale("completeness", text)
    }

    /// A grade or a level of completeness, by the name of its column, in the spelling of the scale. A word that
    /// stands for a blank is an empty text.
    pub fn on_scale(&self, column: &str, text: &str) -> Option<&'s str> {
        let text = text.trim();
        let meaning = self.meaning(column, text);
        if meaning.is_empty() && !text.is_empty() {
            return Some("");
        }
        let found = match column {
            "grade" => of_scale(self.settings.grade_names(), meaning),
            _ => of_scale(self.settings.completeness_names(), meaning),
        };
        found.map(|(_, name)| name)
    }

    /// A way of selling; the inner `None` is a blank one.
    pub fn how_sold(&self, text: &str) -> Option<Option<HowSold>> {
        let meaning = self.meaning("how_sold", text.trim());
        if meaning.is_empty() {
            return Some(None);
        }
        words::how_sold(meaning).map(Some)
    }

    /// Whether a unit works; a blank means that it does.
    pub fn works(&self, text: &str) -> Option<bool> {
        let meaning = self.meaning("works", text.trim());
        if meaning.is_empty() {
            return Some(true);
        }
        words::works(meaning)
    }

    /// A list of pieces, extras or defects; its entries are split at slashes and at `and` where the settings or
    /// `more` know what that gives.
    ///
    /// # Errors
    /// The first entry with an invalid count.
    pub fn list(&self, text: &str, more: impl Fn(&str) -> bool) -> Result<List, String> {
        let known = |name: &str| {
            self.known.contains(name) || self.pieces.contains_key(&match_key(name)) || more(name)
        };
        let read = lists::list(text, known)?;
        Ok(List {
            items: self.named(read.items)?,
            guessed: read.guessed,
        })
    }

    /// A list of which nothing is split but at `;` and `,`.
    ///
    /// # Errors
    /// The first entry with an invalid count.
    pub fn whole_list(&self, text: &str) -> Result<Items, String> {
        self.named(Items::parse(text)?)
    }

    /// The names that the settings give to those of a list.
    fn named(&self, items: Items) -> Result<Items, String> {
        if self.pieces.is_empty() {
            return Ok(items);
        }
        let mut meant = Items::default();
        for (name, count) in items.iter() {
            match self.pieces.get(&match_key(name)) {
                None => meant.add(name, count),
                Some(other) => {
                    for (name, each) in Items::parse(other)?.iter() {
                        meant.add(name, count.saturating_mul(each));
                    }
                }
            }
        }
        Ok(meant)
    }
}

impl Settings {
    /// The order of day and month in dates such as 3/4/2026 that nothing else decides: that of the settings, or else
    /// the usual one where the book's currency is.
    pub fn date_order(&self) -> DateOrder {
        let usual = if self.currency.code == "USD" {
            DateOrder::MonthFirst
        } else {
            DateOrder::DayFirst
        };
        self.dates.unwrap_or(usual)
    }

    /// The reason for the order in which the dates of the book are read, for use after `as`.
    pub fn date_order_why(&self) -> String {
        match self.dates {
            Some(_) => "dates in compband.toml says".to_string(),
            None => format!("is usual for {}", self.currency.code),
        }
    }
}

/// The words of the setting `dates`, with their meanings.
pub const DATE_ORDERS: [(&str, DateOrder); 2] =
    [("dmy", DateOrder::DayFirst), ("mdy", DateOrder::MonthFirst)];

/// The word of an order of day and month.
pub fn order_word(order: DateOrder) -> &'static str {
    let mut known = DATE_ORDERS.into_iter();
    known
        .find(|(_, meant)| *meant == order)
        .map_or("", |(word, _)| word)
}

pub(super) fn dates<'de, D: Deserializer<'de>>(
    deserializer: D,
) -> Result<Option<DateOrder>, D::Error> {
    let text = String::deserialize(deserializer)?;
    let found = DATE_ORDERS.iter().find(|(word, _)| *word == text);
    found.map(|(_, order)| Some(*order)).ok_or_else(|| {
        serde::de::Error::custom(format!(
            "{text:?} is no order of day and month: write \"dmy\" or \"mdy\""
        ))
    })
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;

    fn settings(text: &str) -> Settings {
        Settings::parse(text, Path::new("compband.toml")).unwrap()
    }

    #[test]
    fn words_of_the_settings_count_in_every_column() {
        let settings = settings(
            "[words.grade]\ngood = \"B\"\n\"?\" = \"\"\n[words.completeness]\n\"all there\" = \"full\"\n\
             [words.how_sold]\ntable = \"fixed\"\n[words.works]\nuntested = \"no\"\n\
             [words.pieces]\nPSU = \"charger\"\n[kits.\"Nulva 61K\"]\nships_with = [\"battery x2\", \"strap\"]\n",
        );
        let values = Values::of(&settings);
        assert_eq!(values.grade(" Good "), Some("B"));
        assert_eq!(values.grade("b"), Some("B"));
        assert_eq!(values.grade("?"), Some(""));
        assert_eq!(values.grade("fair"), None);
        assert_eq!(values.completeness("All  there"), Some("full"));
        assert_eq!(values.how_sold("Table"), Some(Some(HowSold::Fixed)));
        assert_eq!(values.how_sold("haggled"), Some(Some(HowSold::Offer)));
        assert_eq!(
            (values.how_sold(""), values.how_sold("x")),
            (Some(None), None)
        );
        assert_eq!(
            (values.works("untested"), values.works("")),
            (Some(false), Some(true))
        );
        let list = values.list("psu/battery; strap", |_| false).unwrap();
        assert_eq!(list.items.to_string(), "battery; charger; strap");
        assert!(list.guessed);
        let list = values.list("psu/hood", |_| false).unwrap();
        assert_eq!(list.items.to_string(), "psu/hood");
        let list = values.list("psu/hood", |name| name == "hood").unwrap();
        assert_eq!(list.items.to_string(), "charger; hood");
        assert_eq!(
            values.whole_list("psu x2").unwrap().to_string(),
            "charger x2"
        );
    }

    #[test]
    fn the_order_of_dates() {
        let order = |text: &str| settings(text).date_order();
        assert_eq!(order(""), DateOrder::DayFirst);
        assert_eq!(order("currency = \"USD\""), DateOrder::MonthFirst);
        let both = "currency = \"USD\"\ndates = \"dmy\"";
        assert_eq!(order(both), DateOrder::DayFirst);
        let wrong = Settings::parse("dates = \"ymd\"", Path::new("a")).unwrap_err();
        assert!(wrong.to_string().contains("\"dmy\" or \"mdy\""), "{wrong}");
    }
}
