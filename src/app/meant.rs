//! Which unit a word means: a deal of the ledger, a watched unit, or a model.

use super::AppError;
use super::describe::Description;
use super::error::unknown_model;
use super::ledger::{Wanted, find_deal, read_ledger};
use crate::book::Book;
use crate::book::watch::Watches;
use crate::deal::ledger::name;
use crate::trade::Unit;
use crate::trade::attributes::attribute_key;
use crate::trade::names::match_key;
use crate::trade::text::nearest_few;

/// Most names in an error.
const NAMED: usize = 5;

/// Meaning of a word.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// The unit of a deal.
    Deal(u32),
    /// A watched unit.
    Watched,
    /// A model, with nothing else known.
    Model,
}

/// The unit that a word means: its description, with the additional flags.
#[derive(Debug, Clone)]
pub struct Meant {
    /// Meaning of the word.
    pub kind: Kind,
    /// The description.
    pub description: Description,
}

impl Meant {
    /// Number of the deal, if the word means one.
    pub fn deal(&self) -> Option<u32> {
        match self.kind {
            Kind::Deal(id) => Some(id),
            Kind::Watched | Kind::Model => None,
        }
    }
}

/// Number of a deal in the form `d7`; `None` for any other word.
pub fn deal_number(word: &str) -> Option<u32> {
    let digits = word.trim().strip_prefix(['d', 'D'])?;
    let plain = !digits.is_empty() && digits.bytes().all(|byte| byte.is_ascii_digit());
    plain.then(|| digits.parse().ok())?
}

/// The unit that a word means, described as in the ledger or in `watch.toml`; additional flags replace that. If
/// the word is the name of a model too, a notice states which was taken.
///
/// # Errors
/// If nothing has this name, or the book cannot be read.
pub fn meant(
    book: &Book,
    word: &str,
    besides: Description,
    notice: &mut dyn FnMut(&str),
) -> Result<Meant, AppError> {
    let mut known = Known::of(book)?;
    let found = known.named(book, word, notice)?;
    if let Some((kind, base)) = found {
        let what = match kind {
            Kind::Deal(_) => "the deal",
            Kind::Watched | Kind::Model => "the watched unit",
        };
        if known.is_model(book, word) {
            notice(&format!(
                "{word:?} means {what} here; for the model of this name write --model {word:?}"
            ));
        }
        let description = over(base, besides);
        return Ok(Meant { kind, description });
    }
    if !known.models.is_empty() && !known.is_model(book, word) {
        return Err(known.nothing(word));
    }
    Ok(of_model(word, besides))
}

/// The same for a unit that is bought, of whose model nothing may be known yet.
///
/// # Errors
/// If a deal is named that does not exist, or the book cannot be read.
pub fn meant_to_buy(
    book: &Book,
    word: &str,
    besides: Description,
    notice: &mut dyn FnMut(&str),
) -> Result<Meant, AppError> {
    let watched = book.watched()?.contains_key(word.trim());
    if watched || deal_number(word).is_some() {
        return meant(book, word, besides, notice);
    }
    Ok(of_model(word, besides))
}

fn of_model(word: &str, besides: Description) -> Meant {
    let base = Description {
        model: word.to_string(),
        ..Description::default()
    };
    Meant {
        kind: Kind::Model,
        description: over(base, besides),
    }
}

/// Names of a book.
struct Known {
    models: Vec<String>,
    watched: Watches,
}

impl Known {
    fn of(book: &Book) -> Result<Self, AppError> {
        Ok(Self {
            models: book.models()?,
            watched: book.watched()?,
        })
    }

    fn is_model(&self, book: &Book, word: &str) -> bool {
        let keys = [word, book.settings().words.model(word)].map(match_key);
        let mut models = self.models.iter();
        book.settings().kit(word).is_some() || models.any(|one| keys.contains(&match_key(one)))
    }

    /// The deal or the watched unit of this name.
    fn named(
        &mut self,
        book: &Book,
        word: &str,
        notice: &mut dyn FnMut(&str),
    ) -> Result<Option<(Kind, Description)>, AppError> {
        let word = word.trim();
        let watched = self.watched.remove(word);
        let Some(id) = deal_number(word) else {
            return Ok(watched.map(|description| (Kind::Watched, description)));
        };
        let ledger = read_ledger(book, notice)?;
        if let Some(deal) = ledger.deal(id) {
            if watched.is_some() {
                notice(&format!(
                    "{word:?} means the deal here; give the watched unit another name in watch.toml"
                ));
            }
            return Ok(Some((Kind::Deal(id), description_of(&deal.unit))));
        }
        match watched {
            Some(description) => Ok(Some((Kind::Watched, description))),
            None if self.is_model(book, word) => Ok(None),
            None => {
                find_deal(&ledger, &name(id), Wanted::Any, &book.settings().words).map(|_| None)
            }
        }
    }

    fn nothing(&self, word: &str) -> AppError {
        if self.watched.is_empty() {
            let models = self.models.iter().map(String::as_str);
            return unknown_model(word, models);
        }
        let names = self.models.iter().chain(self.watched.keys());
        let names = names.map(String::as_str);
        let near = nearest_few(word, names, NAMED);
        let next = if near.is_empty() {
            "`compband models`, `compband watch list` and `compband ledger` show the names there are"
                .into()
        } else {
            format!("the nearest names: {}", near.join(", "))
        };
        AppError::Absent {
            message: format!("no model, watched unit or deal is named {word:?}"),
            next,
        }
    }
}

/// The description of a unit in the words of the flags.
pub fn description_of(unit: &Unit) -> Description {
    let list = |items: &crate::trade::Items| {
        let text = items.to_string();
        (!text.is_empty()).then_some(text).into_iter().collect()
    };
    let set = unit.attributes.iter();
    Description {
        model: unit.model.clone(),
        variant: unit.variant.clone(),
        completeness: unit.completeness.clone(),
        grade: unit.grade.clone(),
        missing: list(&unit.missing),
        extra: list(&unit.extras),
        defect: list(&unit.defects),
        set: set.map(|(name, value)| format!("{name}={value}")).collect(),
        parts: !unit.works,
        how_sold: unit.how_sold,
        ..Description::default()
    }
}

/// A description with its flags replaced by the additional ones; a list replaces a list, an attribute that of the same
/// name.
fn over(base: Description, besides: Description) -> Description {
    let list = |base: Vec<String>, besides: Vec<String>| {
        if besides.is_empty() { base } else { besides }
    };
    let name = |text: &String| attribute_key(text.split('=').next().unwrap_or_default());
    let set: Vec<String> = base
        .set
        .into_iter()
        .filter(|old| besides.set.iter().all(|new| name(new) != name(old)))
        .chain(besides.set.iter().cloned())
        .collect();
    Description {
        model: if besides.model.is_empty() {
            base.model
        } else {
            besides.model
        },
        variant: besides.variant.or(base.variant),
        completeness: besides.completeness.or(base.completeness),
        grade: besides.grade.or(base.grade),
        missing: list(base.missing, besides.missing),
        extra: list(base.extra, besides.extra),
        defect: list(base.defect, besides.defect),
        set,
        parts: base.parts || besides.parts,
        how_sold: besides.how_sold.or(base.how_sold),
        band: besides.band.or(base.band),
        basis: besides.basis.or(base.basis),
        keep: list(base.keep, besides.keep),
        drop: list(base.drop, besides.drop),
        enough: besides.enough.or(base.enough),
        window: besides.window.or(base.window),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn deals_have_numbers() {
        for (word, number) in [
            ("d7", Some(7)),
            (" D12 ", Some(12)),
            ("7", None),
            ("d", None),
            ("d7x", None),
            ("d-1", None),
            ("d99999999999", None),
        ] {
            assert_eq!(deal_number(word), number, "{word}");
        }
    }

    #[test]
    fn what_is_given_besides_replaces() {
        let base = Description {
            model: "Nulva 61K".into(),
            grade: Some("B".into()),
            missing: vec!["charger; battery x2".into()],
            set: vec!["storage=32".into(), "age=2".into()],
            parts: true,
            ..Description::default()
        };
        let besides = Description {
            grade: Some("A".into()),
            missing: vec![String::new()],
            set: vec!["Storage=64".into()],
            ..Description::default()
        };
        let description = over(base.clone(), besides);
        assert_eq!(description.model, "Nulva 61K");
        assert_eq!(description.grade.as_deref(), Some("A"));
        assert_eq!(description.missing, [""]);
        assert_eq!(description.set, ["age=2", "Storage=64"]);
        assert!(description.parts);
        assert_eq!(over(base.clone(), Description::default()), base);
    }
}
