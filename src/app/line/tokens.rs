//! The words of a line.

/// The sign before a piece.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Sign {
    /// `-charger`
    Minus,
    /// `+battery`
    Plus,
}

/// One word of a line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Token {
    /// As typed.
    pub raw: String,
    /// The sign before it.
    pub sign: Option<Sign>,
    /// The name before `=`.
    pub key: Option<String>,
    /// The text without sign, name and quotation marks.
    pub text: String,
    /// Whether the text was in quotation marks.
    pub quoted: bool,
}

impl Token {
    /// Whether it is a word without sign or name.
    pub fn is_plain(&self) -> bool {
        self.sign.is_none() && self.key.is_none()
    }

    /// Whether it is this word, ignoring case and a colon after it.
    pub fn is(&self, word: &str) -> bool {
        self.is_plain()
            && !self.quoted
            && self.text.trim_end_matches(':').eq_ignore_ascii_case(word)
    }
}

/// Words as they were typed.
pub(super) fn joined(tokens: &[Token]) -> String {
    let raw: Vec<&str> = tokens.iter().map(|token| token.raw.as_str()).collect();
    raw.join(" ")
}

/// The words of a line. A shell takes quotation marks away: of several words, one with spaces and a sign or a name
/// before it was in quotation marks.
pub(super) fn split(words: &[String]) -> Vec<Token> {
    let mut tokens = Vec::new();
    for word in words {
        let whole = word.trim();
        let (sign, key, rest) = head(whole);
        let bound = words.len() > 1 && (sign.is_some() || key.is_some());
        if bound && rest.contains(char::is_whitespace) && !rest.starts_with(['"', '\'']) {
            tokens.push(Token {
                raw: whole.to_string(),
                sign,
                key,
                text: rest.to_string(),
                quoted: true,
            });
        } else {
            split_text(whole, &mut tokens);
        }
    }
    tokens
}

fn split_text(text: &str, tokens: &mut Vec<Token>) {
    let mut left = text.trim_start();
    while !left.is_empty() {
        let (sign, key, rest) = head(left);
        let start = left.len() - rest.len();
        let (length, text, quoted) = match in_quotes(rest) {
            Some(inner) => (inner.len() + 2, inner, true),
            None => {
                let end = rest.find(char::is_whitespace).unwrap_or(rest.len());
                (end, rest[..end].trim_end_matches([',', ';']), false)
            }
        };
        let end = start + length;
        if quoted || !text.is_empty() {
            tokens.push(Token {
                raw: left[..end].trim_end_matches([',', ';']).to_string(),
                sign,
                key,
                text: text.to_string(),
                quoted,
            });
        }
        left = left[end..].trim_start_matches(|c: char| c.is_whitespace() || c == ',' || c == ';');
    }
}

/// Sign, name before `=`, and what follows.
fn head(text: &str) -> (Option<Sign>, Option<String>, &str) {
    let sign = match text.chars().next() {
        Some('-' | '\u{2212}' | '\u{2013}') => Some(Sign::Minus),
        Some('+') => Some(Sign::Plus),
        _ => None,
    };
    let rest = text.trim_start_matches(['-', '\u{2212}', '\u{2013}', '+']);
    let alone = rest.is_empty() || rest.starts_with(char::is_whitespace);
    if let Some(sign) = sign.filter(|_| !alone) {
        return (Some(sign), None, rest);
    }
    let named = text.split_once('=').filter(|(name, _)| {
        !name.is_empty() && !name.contains(|c: char| c.is_whitespace() || c == '"')
    });
    match named {
        Some((name, rest)) => (None, Some(name.to_string()), rest),
        None => (None, None, text),
    }
}

/// The text between quotation marks at the beginning.
fn in_quotes(text: &str) -> Option<&str> {
    let mark = text.chars().next().filter(|c| matches!(c, '"' | '\''))?;
    let inner = &text[1..];
    let end = inner.find(mark)?;
    let after = inner[end + 1..].chars().next();
    let ends = after.is_none_or(|c| c.is_whitespace() || matches!(c, ',' | ';'));
    ends.then_some(&inner[..end])
}
