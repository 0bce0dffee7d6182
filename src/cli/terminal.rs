//! Text of others on its way to a terminal: what would steer the terminal is shown instead.

use std::borrow::Cow;

use crate::trade::names::is_unseen;

/// Numbers of the styles that this program and its help use: bold, dim, italic, underlined, the
/// colours, and what ends them. Not among them: text that blinks or cannot be seen.
const STYLES: [&str; 13] = [
    "0", "1", "2", "3", "4", "22", "31", "32", "33", "34", "35", "36", "39",
];

/// Whether a character steers a terminal or hides what is written: controls other than line ends
/// and tabs, and those that show nothing or turn the direction of writing, joiners of scripts and
/// emoji apart.
pub fn steers(c: char) -> bool {
    let joiner = matches!(c, '\u{200c}' | '\u{200d}');
    !matches!(c, '\n' | '\t') && (c.is_control() || (is_unseen(c) && !joiner))
}

/// The text with what steers a terminal shown as `\u001b`, which is also how JSON writes it; plain
/// styles stay.
pub fn sanitize(text: &str) -> Cow<'_, str> {
    if !text.contains(steers) {
        return Cow::Borrowed(text);
    }
    let mut out = String::with_capacity(text.len() + 32);
    let mut rest = text;
    while let Some(at) = rest.find(steers) {
        out.push_str(&rest[..at]);
        rest = &rest[at..];
        let style = style_length(rest);
        if style > 0 {
            out.push_str(&rest[..style]);
            rest = &rest[style..];
            continue;
        }
        let mut chars = rest.chars();
        if let Some(c) = chars.next() {
            out.push_str(&format!("\\u{:04x}", u32::from(c)));
        }
        rest = chars.as_str();
    }
    out.push_str(rest);
    Cow::Owned(out)
}

/// Length of the plain style that the text begins with, or 0.
fn style_length(text: &str) -> usize {
    let style = text
        .strip_prefix("\u{1b}[")
        .and_then(|rest| rest.split_once('m'))
        .map(|(numbers, _)| numbers)
        .filter(|numbers| numbers.split(';').all(|number| STYLES.contains(&number)));
    style.map_or(0, |numbers| "\u{1b}[m".len() + numbers.len())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_steers_a_terminal_is_shown() {
        for (text, shown) in [
            ("plain\n\ttext é \u{200d}", "plain\n\ttext é \u{200d}"),
            ("\u{1b}[1;31mred\u{1b}[0m", "\u{1b}[1;31mred\u{1b}[0m"),
            ("\u{1b}]0;title\u{7}", "\\u001b]0;title\\u0007"),
            ("\u{1b}[8mhidden", "\\u001b[8mhidden"),
            ("\u{1b}[1;8mhidden", "\\u001b[1;8mhidden"),
            ("\u{1b}[2J", "\\u001b[2J"),
            ("\u{9b}2J", "\\u009b2J"),
            (
                "a\u{202e}b\u{2066}c\rd\0",
                "a\\u202eb\\u2066c\\u000dd\\u0000",
            ),
            ("\u{1b}", "\\u001b"),
            ("\u{1b}[1", "\\u001b[1"),
        ] {
            assert_eq!(sanitize(text), shown, "{text:?}");
        }
    }
}
