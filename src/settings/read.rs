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
            message = unknown_word(&message).unwrap_or(message);
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
