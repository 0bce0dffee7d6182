//! Words in cells of a spreadsheet that are not known, and what they may mean.

use crate::parse::words::is_one_of;
use crate::settings::{Values, of_scale};
use crate::sheets::header::Column;
use crate::trade::cells::{Question, Wrong};
use crate::trade::checks;
use crate::trade::comp::HowSold;
use crate::trade::text::{excerpt, nearest, shorten};

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
    values: &Values<'s>,
    names: impl Iterator<Item = &'s str>,
) -> Result<&'s str, Wrong> {
    values.on_scale(column.name(), text).ok_or_else(|| {
        let names: Vec<&str> = names.collect();
        let expected = format!("a {} of the scale: {}", column.name(), names.join(", "));
        let likely = likely_level(column, text, &names).map(str::to_string);
        unknown(column, text, expected, likely)
    })
}

/// Words for a condition, with the place on a scale from best (0) to worst (1) that they suggest (common
/// practice, no source).
const CONDITIONS: [(&str, f64); 4] = [
    (
        "new, as new, like new, mint, near mint, perfect, immaculate, excellent, exc",
        0.0,
    ),
    (
        "very good, vg, good, nice, light wear, lightly used",
        1.0 / 3.0,
    ),
    (
        "fair, ok, okay, acceptable, average, used, worn, scratched, scuffed",
        2.0 / 3.0,
    ),
    ("poor, bad, rough, heavily used, beat up, damaged", 1.0),
];

/// The level of a scale that a word suggests; it is only ever a suggestion.
pub fn likely_level<'n>(column: Column, text: &str, names: &[&'n str]) -> Option<&'n str> {
    let bare = text.trim().trim_end_matches(['+', '-', '\u{2212}']).trim();
    if let Some((_, name)) = of_scale(names.iter().copied(), bare) {
        return Some(name);
    }
    if column == Column::Grade {
        let known = CONDITIONS.iter().find(|(words, _)| is_one_of(text, words));
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

/// Whether the unit works.
pub(super) fn works(text: &str, values: &Values<'_>) -> Result<bool, Wrong> {
    values.works(text).ok_or_else(|| {
        let expected = "yes or no (no: sold for parts)".to_string();
        unknown(Column::Works, text, expected, None)
    })
}

/// The way of selling.
pub(super) fn how_sold(text: &str, values: &Values<'_>) -> Result<Option<HowSold>, Wrong> {
    values.how_sold(text).ok_or_else(|| {
        let expected = format!("one of {}", HowSold::words());
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

/// The error of a list with an invalid entry.
pub(super) fn bad_entry(entry: &str) -> Wrong {
    Wrong::new(
        format!(
            "names separated by ;, each with a count from 1 to 999 or none, but {} is not so",
            excerpt(entry, 40)
        ),
        "write it as charger; battery x2",
    )
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
