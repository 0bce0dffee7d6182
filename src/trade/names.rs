//! Comparison of names: models, variants, venues, grades, pieces, attributes.
//!
//! Two names that look alike are one name. The key of a name is its canonical caseless form (The
//! Unicode Standard, section 3.13, definition D145), composed (NFC), without invisible characters.
//! So `é` as one character and as two, `Straße` and `STRASSE`, `Σ` and `ς` are alike. A book keeps
//! names as written; only comparisons use the key.

use std::borrow::Cow;

use caseless::Caseless;
use unicode_normalization::{IsNormalized, UnicodeNormalization, is_nfc_quick};

/// Appends the key of a name to `key`, keeping white space.
pub fn push_key(key: &mut String, name: &str) {
    if name.is_ascii() {
        key.extend(name.chars().map(|c| c.to_ascii_lowercase()));
        return;
    }
    let seen = name.chars().filter(|c| !is_ignored(*c));
    key.extend(seen.nfd().default_case_fold().nfc());
}

/// The key of a name, trimmed.
pub fn key(name: &str) -> String {
    let mut key = String::with_capacity(name.len());
    push_key(&mut key, name.trim());
    key
}

/// Whether two names are equal, ignoring case, the form of accents and surrounding white space.
pub fn same(one: &str, other: &str) -> bool {
    if one.is_ascii() && other.is_ascii() {
        return one.trim().eq_ignore_ascii_case(other.trim());
    }
    key(one) == key(other)
}

/// The text with each letter and its accents as one character, if Unicode has it (NFC). New text is
/// kept in this form.
pub fn composed(text: &str) -> Cow<'_, str> {
    if text.is_ascii() || is_nfc_quick(text.chars()) == IsNormalized::Yes {
        Cow::Borrowed(text)
    } else {
        Cow::Owned(text.nfc().collect())
    }
}

/// Whether comparisons skip the character: it is invisible, or only selects how another is drawn.
fn is_ignored(c: char) -> bool {
    is_unseen(c) || is_variation_selector(c)
}

/// Whether the character selects how the one before it is drawn (an emoji in colour, a form of an
/// ideograph).
pub fn is_variation_selector(c: char) -> bool {
    matches!(c, '\u{180b}'..='\u{180d}' | '\u{180f}' | '\u{fe00}'..='\u{fe0f}' | '\u{e0100}'..='\u{e01ef}')
}

/// Whether the character is invisible: it has the property `Default_Ignorable_Code_Point` (Unicode
/// 17.0, `DerivedCoreProperties.txt`) and is no variation selector, or is a line separator, a
/// control of the direction of writing (Unicode Standard Annex 9, section 2) or of annotations, or
/// the blank pattern of Braille.
pub fn is_unseen(c: char) -> bool {
    !is_variation_selector(c)
        && matches!(c,
            '\u{ad}' | '\u{34f}' | '\u{61c}' | '\u{115f}'..='\u{1160}' | '\u{17b4}'..='\u{17b5}'
            | '\u{180e}' | '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2060}'..='\u{206f}'
            | '\u{2800}' | '\u{3164}' | '\u{feff}' | '\u{ffa0}' | '\u{fff0}'..='\u{fffb}'
            | '\u{1bca0}'..='\u{1bca3}' | '\u{1d173}'..='\u{1d17a}' | '\u{e0000}'..='\u{e0fff}')
}

/// The form in which models and variants are compared: their key ([`key`]) without white space.
pub fn match_key(text: &str) -> String {
    let mut key = String::with_capacity(text.len());
    for word in text.split_whitespace() {
        key.push_str(word);
    }
    if key.is_ascii() {
        key.make_ascii_lowercase();
        return key;
    }
    self::key(&key)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_that_look_alike_are_one() {
        for (one, other) in [
            ("Caf\u{e9} 7", "cafe\u{301} 7"),
            ("STRASSE", "Straße"),
            ("ΘΉΚΗΣ", "θήκης"),
            ("ﬁx", "FIX"),
            ("\u{1e9e}", "ss"),
            ("a\u{3164}b\u{e0041}", "AB"),
            ("\u{260e}\u{fe0f}", "\u{260e}"),
            ("\u{d55c}", "\u{1112}\u{1161}\u{11ab}"),
            ("q\u{323}\u{307}", "Q\u{307}\u{323}"),
        ] {
            assert!(same(one, other), "{one} {other}");
            assert_eq!(key(&key(one)), key(one));
        }
        for (one, other) in [("o", "ö"), ("F4", "F5"), ("\u{2460}", "1")] {
            assert!(!same(one, other), "{one} {other}");
        }
    }

    /// Variation selectors after a visible character are allowed; see [`crate::trade::checks`].
    #[test]
    fn what_shows_nothing() {
        for c in [
            '\u{3164}',
            '\u{e0041}',
            '\u{ad}',
            '\u{200b}',
            '\u{2800}',
            '\u{206a}',
        ] {
            assert!(is_unseen(c), "{c:?}");
        }
        for c in [
            'a', ' ', 'レ', '\u{fe0f}', '\u{301}', '\u{fffd}', '\u{fffc}',
        ] {
            assert!(!is_unseen(c), "{c:?}");
        }
    }
}
