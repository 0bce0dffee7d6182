//! Lists of pieces, extras and defects as people write them.

use crate::trade::Items;
use crate::trade::items::split_count;

/// Words between two names of a list.
const JOINERS: [&str; 7] = ["and", "&", "+", "und", "et", "y", "e"];

/// A list as read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct List {
    /// Its names.
    pub items: Items,
    /// Whether an entry was split at a slash or at a word such as `and`, which is a guess.
    pub guessed: bool,
}

/// Reads names apart by `;` or `,`. An entry is also split at slashes and at `and` if each name that this gives is
/// `known` and the entry as a whole is not.
///
/// # Errors
/// The first entry with an invalid count, as in [`Items::parse`].
pub fn list(text: &str, known: impl Fn(&str) -> bool) -> Result<List, String> {
    if !text.split([';', ',']).any(is_joined) {
        let items = Items::parse(text)?;
        return Ok(List {
            items,
            guessed: false,
        });
    }
    let mut guessed = false;
    let mut all = String::with_capacity(text.len());
    for entry in text.split([';', ',']) {
        let names = joined(entry).filter(|names| {
            let known = |text: &String| name_of(text).is_some_and(|name| known(&name));
            !known(&entry.to_string()) && names.iter().all(known)
        });
        guessed |= names.is_some();
        let names = names.unwrap_or_else(|| vec![entry.to_string()]);
        for name in names {
            all.push_str(&name);
            all.push(';');
        }
    }
    Ok(List {
        items: Items::parse(&all)?,
        guessed,
    })
}

/// The names of a list that stand alone, without a slash or `and` in them, folded.
pub fn alone(text: &str) -> impl Iterator<Item = String> {
    let entries = text.split([';', ',']).map(str::trim);
    entries
        .filter(|entry| !entry.is_empty() && !is_joined(entry))
        .filter_map(name_of)
}

/// Whether an entry could be several names.
pub fn is_joined(entry: &str) -> bool {
    entry.contains('/') || entry.split_whitespace().any(is_joiner)
}

fn is_joiner(word: &str) -> bool {
    JOINERS
        .iter()
        .any(|joiner| joiner.eq_ignore_ascii_case(word))
}

fn name_of(entry: &str) -> Option<String> {
    let (name, _) = split_count(entry.trim())?;
    Some(name).filter(|name| !name.is_empty())
}

/// The names between slashes and joining words; `None` if there are not several.
fn joined(entry: &str) -> Option<Vec<String>> {
    let mut names = vec![String::new()];
    for word in entry.split_whitespace() {
        if is_joiner(word) {
            names.push(String::new());
            continue;
        }
        for (at, part) in word.split('/').enumerate() {
            if at > 0 {
                names.push(String::new());
            }
            let Some(name) = names.last_mut().filter(|_| !part.is_empty()) else {
                continue;
            };
            if !name.is_empty() {
                name.push(' ');
            }
            name.push_str(part);
        }
    }
    names.retain(|name| !name.is_empty());
    (names.len() > 1).then_some(names)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str) -> (String, bool) {
        let known = ["charger", "battery", "lens cap", "case and strap", "strap"];
        let list = list(text, |name| known.contains(&name)).unwrap();
        (list.items.to_string(), list.guessed)
    }

    #[test]
    fn slashes_and_joining_words_part_known_names() {
        for (text, names, guessed) in [
            ("charger; battery x2", "battery x2; charger", false),
            ("Charger/battery", "battery; charger", true),
            ("charger / 2x battery", "battery x2; charger", true),
            ("charger AND lens  cap", "charger; lens cap", true),
            ("charger & battery, strap", "battery; charger; strap", true),
            ("charger und battery/strap", "battery; charger; strap", true),
            // Not all of the names are known.
            ("charger/usb cable", "charger/usb cable", false),
            ("charger and hood", "charger and hood", false),
            // The whole is.
            ("case and strap", "case and strap", false),
            ("case and strap/charger", "case and strap/charger", false),
            ("charger/", "charger/", false),
            ("/", "/", false),
            ("and", "and", false),
            ("n/a", "", false),
            ("", "", false),
        ] {
            assert_eq!(read(text), (names.to_string(), guessed), "{text}");
        }
        assert!(list("charger/battery x0", |_| true).is_err());
        let names: Vec<String> = alone("Charger; a/b, 2x Battery; c and d;;").collect();
        assert_eq!(names, ["charger", "battery"]);
    }
}
