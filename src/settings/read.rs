//! Reads TOML; errors give the place, the expected form and the most similar key.

use std::path::Path;

use serde::de::DeserializeOwned;

use crate::trade::text::did_you_mean;

/// The error in a settings file: its path, the place in it, and how to fix it.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct SettingsError(pub String);

/// Reads TOML text; errors name `path`.
///
/// # Errors
/// Those of [`Settings::parse`].
pub(crate) fn read_toml<T: DeserializeOwned>(text: &str, path: &Path) -> Result<T, SettingsError> {
    toml::from_str(text).map_err(|error| {
        let line = error.span().map_or(String::new(), |span| {
            let line = text[..span.start.min(text.len())].matches('\n').count() + 1;
            format!(", line {line}")
        });
        let mut message = error.message().trim().replace('\n', " ");
        if let Some(better) = unknown_key(&message) {
            message = better;
        } else {
            let better = unknown_word(&message).or_else(|| wrong_type(&message));
            message = better.unwrap_or(message);
            let key = error.span().and_then(|span| key_before(text, span.start));
            if let Some(key) = key {
                message = format!("{key}: {message}");
            }
        }
        SettingsError(format!("{}{line}: {message}", path.display()))
    })
}

/// The parts of serde's message about an unknown word, after `begins`: the word, the known ones, and the nearest
/// of these in a question.
fn unknown<'m>(message: &'m str, begins: &str) -> Option<(&'m str, String, String)> {
    let (word, rest) = message.strip_prefix(begins)?.split_once('`')?;
    let known: Vec<&str> = rest.split('`').skip(1).step_by(2).collect();
    let near = did_you_mean(word, known.iter().copied());
    Some((word, known.join(", "), near))
}

/// A sentence for a key that is no setting.
fn unknown_key(message: &str) -> Option<String> {
    let (key, known, near) = unknown(message, "unknown field `")?;
    Some(format!(
        "{key:?} is not a setting{near}; known here: {known}"
    ))
}

/// A sentence for a value of the wrong type, or out of the range of its type.
fn wrong_type(message: &str) -> Option<String> {
    let types = ["invalid type: ", "invalid value: "];
    let rest = types.iter().find_map(|begin| message.strip_prefix(begin))?;
    let (found, expected) = rest.rsplit_once(", expected ")?;
    let expected = match expected {
        "u8" => "a whole number from 0 to 255",
        "u16" => "a whole number from 0 to 65535",
        "u32" | "u64" | "usize" => "a whole number, not below 0",
        "i32" | "i64" => "a whole number",
        "f32" | "f64" => "a number",
        "a boolean" => "true or false",
        "a string" => "text in quotes",
        "a sequence" => "a list in [ ]",
        "a map" => "a table",
        other => other,
    };
    let kinds = ["string ", "integer ", "floating point ", "boolean "];
    let bare = kinds.iter().find_map(|kind| found.strip_prefix(kind));
    let found = bare.unwrap_or(found).trim_matches('`');
    Some(format!("found {found}; write {expected}"))
}

/// A sentence for an unknown word in a setting with fixed words.
fn unknown_word(message: &str) -> Option<String> {
    let (word, known, near) = unknown(message, "unknown variant `")?;
    Some(format!("found {word:?}; write one of these: {known}{near}"))
}

/// The key whose value begins at a position in the text.
fn key_before(text: &str, value: usize) -> Option<&str> {
    let head = text.get(..value)?.trim_end().strip_suffix('=')?;
    let key = head.rsplit(['\n', ',', '{']).next()?.trim();
    (!key.is_empty()).then_some(key)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[derive(Debug, serde::Deserialize)]
    struct Toml {
        #[serde(rename = "band")]
        _band: Option<u8>,
        #[serde(rename = "open")]
        _open: Option<bool>,
        #[serde(rename = "names")]
        _names: Option<Vec<String>>,
    }

    #[test]
    fn values_of_the_wrong_type() {
        for (text, expected) in [
            (
                "band = \"x\"",
                "x.toml, line 1: band: found \"x\"; write a whole number from 0 to 255",
            ),
            (
                "\nband = 300",
                "x.toml, line 2: band: found 300; write a whole number from 0 to 255",
            ),
            (
                "band = 1.5",
                "x.toml, line 1: band: found 1.5; write a whole number from 0 to 255",
            ),
            (
                "open = 1",
                "x.toml, line 1: open: found 1; write true or false",
            ),
            (
                "names = true",
                "x.toml, line 1: names: found true; write a list in [ ]",
            ),
        ] {
            let error = read_toml::<Toml>(text, Path::new("x.toml")).unwrap_err();
            assert_eq!(error.0, expected);
        }
    }
}
