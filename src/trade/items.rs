//! List cells: `charger; battery x2`.

use std::borrow::Cow;
use std::fmt;

/// Most copies of one item that a cell may name.
pub const MOST: u32 = 999;

/// A multiset of names (pieces, extras, defects), sorted by name.
///
/// Names are compared ignoring case, with runs of white space folded to one space: `Battery  X2`
/// and `battery; battery` are the same cell.
#[derive(Debug, Clone, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Items(Vec<(String, u32)>);

/// The form in which names of pieces, extras and defects are compared and kept: trimmed, lower
/// case, composed (NFC), white space folded.
pub fn fold_name(name: &str) -> String {
    let name = super::names::composed(name);
    let mut folded = String::with_capacity(name.len());
    for word in name.split_whitespace() {
        if !folded.is_empty() {
            folded.push(' ');
        }
        if word.is_ascii() {
            folded.extend(word.chars().map(|c| c.to_ascii_lowercase()));
        } else {
            // Whole words, because lower case of a sigma depends on its position.
            folded.push_str(&super::names::composed(&word.to_lowercase()));
        }
    }
    folded
}

/// [`fold_name`], without a copy if the name is already folded.
fn folded(name: &str) -> Cow<'_, str> {
    let plain = |b: u8| matches!(b, b'!'..=b'~') && !b.is_ascii_uppercase();
    if name
        .split(' ')
        .all(|word| !word.is_empty() && word.bytes().all(plain))
    {
        Cow::Borrowed(name)
    } else {
        Cow::Owned(fold_name(name))
    }
}

/// Names that mean an empty list.
const NOTHING: [&str; 4] = ["none", "nothing", "-", "n/a"];

impl Items {
    /// Nothing.
    pub const NONE: Self = Self(Vec::new());

    /// Reads a list cell: entries separated by `;` or `,`, each a name with an optional count after
    /// it (`battery x2`, `battery ×2`) or before it (`2x battery`). Empty entries and entries such
    /// as `none` are skipped.
    ///
    /// # Errors
    /// The first entry whose count is zero, above [`MOST`] or without a name.
    pub fn parse(cell: &str) -> Result<Self, String> {
        let mut items = Self::default();
        for entry in cell.split([';', ',']) {
            let entry = entry.trim();
            if entry.is_empty() {
                continue;
            }
            let (name, count) = split_count(entry).ok_or_else(|| entry.to_string())?;
            // Also skipped among several entries: alone, it would read back as an empty list.
            if NOTHING.contains(&name.as_str()) {
                continue;
            }
            items.add(&name, count);
            if items.count(&name) > MOST {
                return Err(entry.to_string());
            }
        }
        Ok(items)
    }

    /// Adds `count` of `name` (folded). Counts saturate.
    pub fn add(&mut self, name: &str, count: u32) {
        let name = folded(name);
        if count == 0 || name.is_empty() {
            return;
        }
        match self.place(&name) {
            Ok(at) => self.0[at].1 = self.0[at].1.saturating_add(count),
            Err(at) => self.0.insert(at, (name.into_owned(), count)),
        }
    }

    /// Removes up to `count` of `name` and returns how many were removed.
    pub fn take(&mut self, name: &str, count: u32) -> u32 {
        let Ok(at) = self.place(&folded(name)) else {
            return 0;
        };
        let taken = count.min(self.0[at].1);
        self.0[at].1 -= taken;
        if self.0[at].1 == 0 {
            self.0.remove(at);
        }
        taken
    }

    /// Count of `name` (0 if absent).
    pub fn count(&self, name: &str) -> u32 {
        self.place(&folded(name)).map_or(0, |at| self.0[at].1)
    }

    /// Position of a folded name, or the position where it would be inserted.
    fn place(&self, name: &str) -> Result<usize, usize> {
        self.0
            .binary_search_by(|(known, _)| known.as_str().cmp(name))
    }

    /// Names and counts, ordered by name.
    pub fn iter(&self) -> impl Iterator<Item = (&str, u32)> {
        self.0.iter().map(|(name, count)| (name.as_str(), *count))
    }

    /// Whether nothing is listed.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }
}

/// Folded name and count of one entry of a list cell; `None` if the count is invalid.
pub fn split_count(entry: &str) -> Option<(String, u32)> {
    let digits = entry.trim_start_matches(|c: char| c.is_ascii_digit());
    if let Some(name) = digits
        .trim_start()
        .strip_prefix(['x', 'X', '×'])
        .filter(|_| digits.len() < entry.len())
        && name.starts_with(char::is_whitespace)
    {
        let count = &entry[..entry.len() - digits.len()];
        return split_count(&format!("{} x{count}", name.trim()));
    }
    if let Some(at) = entry.rfind(['x', 'X', '×']) {
        let digits = entry[at..].trim_start_matches(['x', 'X', '×']).trim();
        let name = entry[..at].trim_end();
        let apart = entry[..at].ends_with(char::is_whitespace) || entry[at..].starts_with('×');
        let numeric = !digits.is_empty() && digits.bytes().all(|b| b.is_ascii_digit());
        if numeric && (apart || name.is_empty()) {
            let count = digits
                .parse::<u32>()
                .ok()
                .filter(|n| (1..=MOST).contains(n))?;
            let name = fold_name(name);
            // `battery x2 x3` would read back as another entry.
            let plain = !name.is_empty() && split_count(&name)? == (name.clone(), 1);
            return plain.then_some((name, count));
        }
    }
    Some((fold_name(entry), 1))
}

impl fmt::Display for Items {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (at, (name, count)) in self.iter().enumerate() {
            if at > 0 {
                f.write_str("; ")?;
            }
            f.write_str(name)?;
            if count > 1 {
                write!(f, " x{count}")?;
            }
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn counts_add_up_and_print_back() {
        let items = Items::parse(" Battery  X2; charger;; battery ; lens hood ×3").unwrap();
        assert_eq!(items.to_string(), "battery x3; charger; lens hood x3");
        assert_eq!(Items::parse(&items.to_string()).unwrap(), items);
        assert_eq!(
            Items::parse("charger, 2 x battery; none")
                .unwrap()
                .to_string(),
            "battery x2; charger"
        );
        for nothing in [" None ", "-,", "none x1; n/a", "Nothing;"] {
            assert_eq!(Items::parse(nothing).unwrap(), Items::NONE, "{nothing}");
        }
    }

    #[test]
    fn a_model_like_name_is_not_a_count() {
        let items = Items::parse("fx10 lens; adapter mx2").unwrap();
        assert_eq!(items.to_string(), "adapter mx2; fx10 lens");
    }

    #[test]
    fn bad_counts_are_refused() {
        for cell in [
            "battery x0",
            "x2",
            "battery x1000",
            "battery x99999999999",
            "battery x2 x1",
        ] {
            assert!(Items::parse(cell).is_err(), "{cell}");
        }
    }
}
