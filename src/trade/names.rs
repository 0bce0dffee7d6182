//! Names of models and variants: how they are compared.

/// The form in which models and variants are compared: lower case, without white space.
pub fn match_key(text: &str) -> String {
    let mut key = String::with_capacity(text.len());
    push_match_key(&mut key, text);
    key
}

pub(crate) fn push_match_key(key: &mut String, text: &str) {
    key.extend(
        text.chars()
            .filter(|c| !c.is_whitespace())
            .flat_map(char::to_lowercase),
    );
}
