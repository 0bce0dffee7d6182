//! Protects foreign text in CSV for spreadsheets: none of it acts as a formula. This one rule
//! applies to every CSV that the program writes for other programs (`comps --csv`, the report,
//! rejected rows, problems, the ledger). Import reverses it, so that a round trip preserves the
//! text.
//!
//! A cell gets an apostrophe before it if its first character other than spaces and apostrophes is
//! `=`, `+`, `-`, `@` (or one of their full-width forms), a tab or a line end. A negative number
//! such as `-3.50` stays unchanged. The files of a book are not such CSV: they keep every text
//! unchanged.
//!
//! Source of the list: OWASP, "CSV Injection".

use std::borrow::Cow;

/// Whether a spreadsheet may evaluate the text as a formula, or the text looks like a protected
/// one.
fn acts(text: &str) -> bool {
    let first = text.trim_start_matches([' ', '\'']);
    let begins = first.starts_with(['=', '+', '-', '@', '\t', '\r', '\n', '＝', '＋', '－', '＠']);
    begins && !is_negative_number(text)
}

/// Whether the text is a minus sign and digits, with at most one point or comma.
fn is_negative_number(text: &str) -> bool {
    let Some(digits) = text.strip_prefix('-') else {
        return false;
    };
    let marks = digits.bytes().filter(|b| matches!(b, b'.' | b',')).count();
    digits.starts_with(|c: char| c.is_ascii_digit())
        && marks <= 1
        && digits
            .bytes()
            .all(|b| b.is_ascii_digit() || matches!(b, b'.' | b','))
}

/// The text of a cell such that no spreadsheet evaluates it: `=1+1` becomes `'=1+1`.
pub fn neutral(text: &str) -> Cow<'_, str> {
    if acts(text) {
        Cow::Owned(format!("'{text}"))
    } else {
        Cow::Borrowed(text)
    }
}

/// Reverses [`neutral`]: `'=1+1` becomes `=1+1`.
pub fn original(text: &str) -> &str {
    match text.strip_prefix('\'') {
        Some(rest) if acts(rest) => rest,
        _ => text,
    }
}

/// A record of a foreign sheet with every cell [`neutral`]; unchanged if no cell acts as a formula.
/// `cells` are those of the record, or `None` if its quotes are invalid; then an apostrophe
/// precedes every possible beginning of a cell.
pub fn neutral_record<'a>(raw: &'a str, delimiter: char, cells: Option<&[&str]>) -> Cow<'a, str> {
    let Some(cells) = cells else {
        return Cow::Owned(neutral_pieces(raw, delimiter));
    };
    if !cells.iter().any(|cell| acts(cell)) {
        return Cow::Borrowed(raw);
    }
    let quoted = |cell: &str| {
        let cell = neutral(cell);
        let plain = !cell.contains([delimiter, '"', '\n', '\r']);
        if plain {
            cell.into_owned()
        } else {
            format!("\"{}\"", cell.replace('"', "\"\""))
        }
    };
    let mut out = String::with_capacity(raw.len() + 8);
    for (at, cell) in cells.iter().enumerate() {
        if at > 0 {
            out.push(delimiter);
        }
        out.push_str(&quoted(cell));
    }
    Cow::Owned(out)
}

/// [`neutral`] applied to every piece between delimiters and line ends, with or without a quote
/// before it.
fn neutral_pieces(raw: &str, delimiter: char) -> String {
    let mut out = String::with_capacity(raw.len() + 8);
    for piece in raw.split_inclusive([delimiter, '\n', '\r', '"']) {
        let (text, end) = match piece.chars().next_back() {
            Some(last) if last == delimiter || matches!(last, '\n' | '\r' | '"') => {
                piece.split_at(piece.len() - last.len_utf8())
            }
            _ => (piece, ""),
        };
        out.push_str(&neutral(text));
        out.push_str(end);
    }
    out
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn text_of_csv_is_never_a_formula() {
        for bad in [
            "=1+1", "+4", "-x", "-3-4", "-1,2,3", "@a", "\tx", "\rx", "  =a", "＝a", "\nx", "'=1",
            "' '+1",
        ] {
            assert_eq!(neutral(bad), format!("'{bad}"));
            assert_eq!(original(&neutral(bad)), bad);
        }
        for good in ["a=b", "", "  ", "4", "-4", "-4.25", "-0,5", "'90s", "it's"] {
            assert_eq!(neutral(good), good);
            assert_eq!(original(good), good);
        }
    }

    #[test]
    fn a_record_is_touched_only_where_a_cell_acts() {
        let of = |raw: &str, cells: &[&str]| neutral_record(raw, ';', Some(cells)).into_owned();
        assert_eq!(of("a ;\"b\";-3", &["a ", "b", "-3"]), "a ;\"b\";-3");
        assert_eq!(
            of("\"a;b\";=1;\"+\"\"x\"", &["a;b", "=1", "+\"x"]),
            "\"a;b\";'=1;\"'+\"\"x\""
        );
        let open = neutral_record("a;\"=1;b\n@x", ';', None);
        assert_eq!(open, "a;\"'=1;b\n'@x");
    }

    proptest! {
        /// Any text is harmless after `neutral`, and `original` restores it.
        #[test]
        fn every_text_comes_back(text in "['=+@ \t\n-]{0,4}[a0-9.,=+-]{0,5}") {
            let written = neutral(&text);
            prop_assert!(!written.starts_with(['=', '+', '@', '\t', '\n']));
            prop_assert_eq!(original(&written), text.as_str());
        }
    }
}
