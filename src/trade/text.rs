//! Text for messages: similar names, quotation, invisible characters.

use super::names::is_unseen;

/// The entries of a list that is one text in the code, with commas between them.
pub fn listed(list: &str) -> impl Iterator<Item = &str> {
    list.split(',').map(str::trim_start)
}

/// The known name most similar to `given` (Jaro-Winkler similarity of at least 0.75, ignoring
/// case).
pub fn nearest<'a>(given: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let given = given.to_lowercase();
    known
        .into_iter()
        .map(|name| (strsim::jaro_winkler(&given, &name.to_lowercase()), name))
        .filter(|(score, _)| *score >= 0.75)
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, name)| name)
}

/// ` (did you mean "NAME"?)` with the [`nearest`] known name; empty if there is none.
pub fn did_you_mean<'a>(given: &str, known: impl IntoIterator<Item = &'a str>) -> String {
    nearest(given, known).map_or(String::new(), |near| format!(" (did you mean {near:?}?)"))
}

/// Up to `most` known names similar to `given`, most similar first: a Jaro-Winkler similarity of at
/// least 0.7, or one name contains the other. Case counts only among equals.
pub fn nearest_few<'a>(
    given: &str,
    known: impl IntoIterator<Item = &'a str>,
    most: usize,
) -> Vec<&'a str> {
    let as_typed = |name: &str| strsim::jaro_winkler(given, name);
    let given = given.to_lowercase();
    let score = |name: &str| {
        let name = name.to_lowercase();
        let within = !given.is_empty() && (name.contains(&given) || given.contains(&name));
        strsim::jaro_winkler(&given, &name) + if within { 1.0 } else { 0.0 }
    };
    let mut scored: Vec<_> = known
        .into_iter()
        .map(|name| (score(name), name))
        .filter(|(s, _)| *s >= 0.7)
        .collect();
    scored.sort_by(|a, b| {
        let by_score = b.0.total_cmp(&a.0);
        let by_case = || as_typed(b.1).total_cmp(&as_typed(a.1));
        by_score.then_with(by_case).then(a.1.cmp(b.1))
    });
    scored
        .into_iter()
        .take(most)
        .map(|(_, name)| name)
        .collect()
}

/// The text between double quotes, with quotes inside it escaped by a backslash. For output of
/// [`shorten`], which has already made control characters visible.
pub fn quoted(text: &str) -> String {
    format!("\"{}\"", text.replace('"', "\\\""))
}

/// `text` cut to `most` characters with an ellipsis; control and invisible characters are made
/// visible.
pub fn shorten(text: &str, most: usize) -> String {
    let mut out = String::new();
    for (at, c) in text.chars().enumerate() {
        if at == most {
            out.push('…');
            break;
        }
        // Joiners are part of scripts and emoji.
        let joiner = matches!(c, '\u{200c}' | '\u{200d}');
        if c.is_control() || (is_unseen(c) && !joiner) {
            out.extend(c.escape_default());
        } else {
            out.push(c);
        }
    }
    out
}

/// `before` and the text, or nothing if the text is empty: ` at parcel`.
pub fn after(before: &str, text: &str) -> String {
    if text.is_empty() {
        return String::new();
    }
    format!("{before}{text}")
}

/// The texts that are not empty, with `between` between them.
pub fn joined(texts: &[&str], between: &str) -> String {
    let texts = texts.iter().copied().filter(|text| !text.is_empty());
    texts.collect::<Vec<_>>().join(between)
}

/// The text cut to `most` characters ([`shorten`]) and [`quoted`].
pub fn excerpt(text: &str, most: usize) -> String {
    quoted(&shorten(text, most))
}

/// The text with `\n` as line end, as a book keeps it.
pub fn line_ends(text: &str) -> String {
    text.replace("\r\n", "\n").replace('\r', "\n")
}
