//! Words in cells of a spreadsheet, with their meanings.

use std::collections::HashMap;

use crate::settings::of_scale;
use crate::sheets::header::Column;
use crate::trade::cells::{Question, Wrong};
use crate::trade::comp::HowSold;
use crate::trade::names::match_key;
use crate::trade::text::{nearest, shorten};
use crate::trade::{Items, checks};

/// The error of a word that is none of those known in a column.
fn unknown(column: Column, text: &str, expected: String, likely: Option<String>) -> Wrong {
    let (name, word) = (column.name(), shorten(text, 40));
    let value = likely.as_deref().unwrap_or("…");
    let meant = likely.as_deref().map_or(String::new(), |likely| {
        if likely.is_empty() {
            " (blank, probably)".to_string()
        } else {
            format!(" (did you mean {likely:?}?)")
        }
    });
    Wrong::new(
        format!("{expected}{meant}"),
        format!("say what it means: --value \"{name}:{word}={value}\"; nothing after = leaves the cell blank"),
    )
    .about(Question::Word(column as usize))
}

/// The scale's spelling of a name in the column of grades or of completeness.
pub(super) fn on_scale<'s>(
    column: Column,
    text: &str,
    names: impl Iterator<Item = &'s str> + Clone,
) -> Result<&'s str, Wrong> {
    let found = of_scale(names.clone(), text).map(|(_, name)| name);
    found.ok_or_else(|| {
        let names: Vec<&str> = names.collect();
        let expected = format!("a {} of the scale: {}", column.name(), names.join(", "));
        let likely = likely_level(column, text, &names).map(str::to_string);
        unknown(column, text, expected, likely)
    })
}

/// Words for a condition, with the place on a scale from best (0) to worst (1) that they suggest (common
/// practice, no source).
const CONDITIONS: &[(&[&str], f64)] = &[
    (
        &[
            "new",
            "as new",
            "like new",
            "mint",
            "near mint",
            "perfect",
            "immaculate",
            "excellent",
            "exc",
        ],
        0.0,
    ),
    (
        &[
            "very good",
            "vg",
            "good",
            "nice",
            "light wear",
            "lightly used",
        ],
        1.0 / 3.0,
    ),
    (
        &[
            "fair",
            "ok",
            "okay",
            "acceptable",
            "average",
            "used",
            "worn",
            "scratched",
            "scuffed",
        ],
        2.0 / 3.0,
    ),
    (
        &["poor", "bad", "rough", "heavily used", "beat up", "damaged"],
        1.0,
    ),
];

/// The level of a scale that a word suggests; it is only ever a suggestion.
pub fn likely_level<'n>(column: Column, text: &str, names: &[&'n str]) -> Option<&'n str> {
    let bare = text.trim().trim_end_matches(['+', '-', '\u{2212}']).trim();
    if let Some((_, name)) = of_scale(names.iter().copied(), bare) {
        return Some(name);
    }
    if column == Column::Grade {
        let known = CONDITIONS.iter().find(|(words, _)| word(text, words));
        if let Some((_, share)) = known {
            let last = names.len().checked_sub(1)? as f64;
            return names.get((share * last).round() as usize).copied();
        }
    }
    // The letters of short names are in too many words.
    let long = names
        .iter()
        .copied()
        .filter(|name| name.chars().count() > 2);
    nearest(text, long)
}

/// Names in the model column of rows with totals.
pub(super) const SUMS: &[&str] = &[
    "total",
    "totals",
    "grand total",
    "subtotal",
    "sum",
    "summe",
    "gesamt",
    "suma",
    "somme",
    "totale",
    "totaal",
];

/// Words that mean no in a yes-or-no column and do not count as a grade.
pub(super) const PLAIN_NO: &[&str] = &["no", "n", "false", "0", "nein", "non", "nee"];
const WORKS_YES: &[&str] = &[
    "yes",
    "y",
    "true",
    "1",
    "working",
    "works",
    "ok",
    "functional",
    "fully working",
    "tested working",
    "ja",
    "oui",
    "sí",
    "si",
    "funktioniert",
];
pub(super) const WORKS_NO: &[&str] = &[
    "no",
    "n",
    "false",
    "0",
    "broken",
    "parts",
    "parts only",
    "for parts",
    "for parts only",
    "spares",
    "for spares",
    "spares or repair",
    "for parts or repair",
    "parts or repair",
    "for repair",
    "not working",
    "non working",
    "defective",
    "faulty",
    "dead",
    "nein",
    "non",
    "nee",
    "defekt",
    "kaputt",
    "en panne",
    "averiado",
    "guasto",
    "kapot",
];

/// Whether `text` is one of `words`, ignoring case, hyphens, slashes and spacing.
pub(super) fn word(text: &str, words: &[&str]) -> bool {
    if text.len() > 40 || text.is_empty() {
        return false;
    }
    if words.iter().any(|known| known.eq_ignore_ascii_case(text)) {
        return true;
    }
    let folded = crate::trade::items::fold_name(&text.replace(['-', '_', '/'], " "));
    words.contains(&folded.as_str())
}

pub(super) fn works_of(text: &str) -> Result<bool, Wrong> {
    if word(text, WORKS_YES) {
        Ok(true)
    } else if word(text, WORKS_NO) {
        Ok(false)
    } else {
        let expected = "yes or no (no: sold for parts)".to_string();
        Err(unknown(Column::Works, text, expected, None))
    }
}

pub(super) fn how_sold(text: &str) -> Result<Option<HowSold>, Wrong> {
    const AUCTION: &[&str] = &[
        "auction",
        "bid",
        "bids",
        "bidding",
        "auctioned",
        "highest bid",
        "auktion",
        "versteigerung",
        "enchère",
        "subasta",
        "asta",
        "veiling",
    ];
    const FIXED: &[&str] = &[
        "fixed",
        "fixed price",
        "buy now",
        "asking",
        "asking price",
        "full price",
        "list price",
        "set price",
        "bin",
        "instant",
        "shop price",
        "festpreis",
        "prix fixe",
        "precio fijo",
        "prezzo fisso",
        "vaste prijs",
    ];
    const OFFER: &[&str] = &[
        "offer",
        "best offer",
        "accepted",
        "offer accepted",
        "accepted offer",
        "haggled",
        "negotiated",
        "counter offer",
        "obo",
        "or best offer",
        "ono",
        "or near offer",
        "verhandelt",
        "négocié",
        "negociado",
        "trattato",
    ];
    if text.is_empty() {
        return Ok(None);
    }
    if let Some(how) = HowSold::parse(text) {
        return Ok(Some(how));
    }
    let known = [
        (AUCTION, HowSold::Auction),
        (FIXED, HowSold::Fixed),
        (OFFER, HowSold::Offer),
    ];
    known
        .into_iter()
        .find(|(words, _)| word(text, words))
        .map(|(_, how)| Some(how))
        .ok_or_else(|| {
            let expected = "auction, fixed or offer".to_string();
            unknown(Column::HowSold, text, expected, None)
        })
}

pub(super) fn lot_size(text: &str) -> Result<u32, Wrong> {
    if text.is_empty() {
        return Ok(1);
    }
    // Spreadsheets sometimes write whole numbers as 2.0.
    let whole = text
        .split_once(['.', ','])
        .filter(|(_, zeros)| zeros.bytes().all(|b| b == b'0'))
        .map_or(text, |(w, _)| w);
    let digits = whole.bytes().all(|b| b.is_ascii_digit());
    let units = whole.parse().ok().filter(|_| digits).unwrap_or(0);
    checks::units(units)?;
    Ok(units)
}

pub(super) fn items_of(
    column: Column,
    text: &str,
    names: &HashMap<String, &str>,
) -> Result<Items, Wrong> {
    if text.is_empty() {
        return Ok(Items::default());
    }
    checks::text(column.name(), text)?;
    let wrong = |entry: String| {
        Wrong::new(
            format!(
                "names separated by ;, each with a count from 1 to 999 or none, but {entry:?} is not so"
            ),
            "write it as charger; battery x2",
        )
    };
    let items = Items::parse(text).map_err(wrong)?;
    if names.is_empty() {
        return Ok(items);
    }
    let mut meant = Items::default();
    for (name, count) in items.iter() {
        match names.get(&match_key(name)) {
            None => meant.add(name, count),
            Some(other) => {
                for (name, each) in Items::parse(other).map_err(wrong)?.iter() {
                    meant.add(name, count.saturating_mul(each));
                }
            }
        }
    }
    Ok(meant)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn everyday_words_suggest_a_level() {
        let grades = ["A", "B", "C", "D"];
        let levels = ["bare", "usable", "full", "boxed"];
        for (text, level) in [
            ("mint", Some("A")),
            ("Excellent", Some("A")),
            ("very-good", Some("B")),
            ("good", Some("B")),
            ("fair", Some("C")),
            ("poor", Some("D")),
            ("A-", Some("A")),
            ("b +", Some("B")),
            ("grandma", None),
            ("E", None),
        ] {
            assert_eq!(likely_level(Column::Grade, text, &grades), level, "{text}");
        }
        let two = ["fine", "tired"];
        assert_eq!(likely_level(Column::Grade, "good", &two), Some("fine"));
        assert_eq!(likely_level(Column::Grade, "fair", &two), Some("tired"));
        for (text, level) in [
            ("usabel", Some("usable")),
            ("mint", None),
            ("box", Some("boxed")),
        ] {
            assert_eq!(
                likely_level(Column::Completeness, text, &levels),
                level,
                "{text}"
            );
        }
    }
}
