//! The fields of a form, from the query of an address or the body of a request.

/// Most fields of a form.
const MOST_FIELDS: usize = 4_000;

/// Decoded fields in the order of the request; a name may occur several times.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Form {
    fields: Vec<(String, String)>,
    file: Option<Vec<u8>>,
}

impl Form {
    /// Reads `application/x-www-form-urlencoded` text (WHATWG URL standard, section 5): pairs between `&`, a space
    /// as `+`, other characters as `%` and two hexadecimal digits of UTF-8. White space at the ends of a value is
    /// left out.
    ///
    /// # Errors
    /// If it is not UTF-8 or has too many fields, as a sentence.
    pub fn parse(text: &[u8]) -> Result<Self, String> {
        let mut fields = Vec::new();
        for pair in text.split(|byte| *byte == b'&') {
            if pair.is_empty() {
                continue;
            }
            if fields.len() == MOST_FIELDS {
                return Err(format!("The form has more than {MOST_FIELDS} fields."));
            }
            let equals = pair.iter().position(|byte| *byte == b'=');
            let (name, value) = match equals {
                Some(at) => (&pair[..at], &pair[at + 1..]),
                None => (pair, &pair[..0]),
            };
            let decoded = |part: &[u8]| {
                String::from_utf8(decode(part)).map_err(|_| "The form is not UTF-8.".to_string())
            };
            fields.push((decoded(name)?, decoded(value)?.trim().to_string()));
        }
        Ok(Self { fields, file: None })
    }

    /// The same fields with the bytes of a file that came along.
    #[must_use]
    pub fn with_file(mut self, bytes: Vec<u8>) -> Self {
        self.file = Some(bytes);
        self
    }

    /// The file that came along.
    pub fn file(&self) -> Option<&[u8]> {
        self.file.as_deref()
    }

    /// The first value of a field that is not empty.
    pub fn get(&self, name: &str) -> Option<&str> {
        self.all(name).next()
    }

    /// The first value of a field; empty if there is none.
    pub fn text(&self, name: &str) -> &str {
        self.get(name).unwrap_or_default()
    }

    /// All values of a field that are not empty.
    pub fn all<'f>(&'f self, name: &str) -> impl Iterator<Item = &'f str> {
        let named = self.fields.iter().filter(move |(known, _)| known == name);
        named
            .map(|(_, value)| value.as_str())
            .filter(|value| !value.is_empty())
    }

    /// Whether a field occurs with this value.
    pub fn is(&self, name: &str, value: &str) -> bool {
        self.all(name).any(|known| known == value)
    }

    /// Whether a field occurs with a value: a box is ticked.
    pub fn has(&self, name: &str) -> bool {
        self.get(name).is_some()
    }

    /// All fields with a value, in order.
    pub fn fields(&self) -> impl Iterator<Item = (&str, &str)> {
        let fields = self.fields.iter();
        fields
            .map(|(name, value)| (name.as_str(), value.as_str()))
            .filter(|(_, value)| !value.is_empty())
    }

    /// Adds a field.
    pub fn push(&mut self, name: &str, value: &str) {
        self.fields.push((name.to_string(), value.to_string()));
    }

    /// Replaces all values of a field by one.
    pub fn set(&mut self, name: &str, value: &str) {
        self.fields.retain(|(known, _)| known != name);
        self.push(name, value);
    }

    /// The fields with a value as a query, without a question mark.
    pub fn query(&self) -> String {
        query(self.fields())
    }
}

/// Fields as the query of an address.
pub fn query<'f>(fields: impl IntoIterator<Item = (&'f str, &'f str)>) -> String {
    let pairs = fields.into_iter();
    let pairs: Vec<String> = pairs
        .map(|(name, value)| format!("{}={}", encode(name), encode(value)))
        .collect();
    pairs.join("&")
}

fn decode(text: &[u8]) -> Vec<u8> {
    let digit = |byte: Option<&u8>| byte.and_then(|byte| char::from(*byte).to_digit(16));
    let mut bytes = Vec::with_capacity(text.len());
    let mut at = 0;
    while let Some(&byte) = text.get(at) {
        let escaped = (byte == b'%')
            .then(|| Some(digit(text.get(at + 1))? * 16 + digit(text.get(at + 2))?))
            .flatten();
        at += if escaped.is_some() { 3 } else { 1 };
        bytes.push(match escaped {
            Some(value) => value as u8,
            None if byte == b'+' => b' ',
            None => byte,
        });
    }
    bytes
}

fn encode(text: &str) -> String {
    let mut encoded = String::with_capacity(text.len());
    for byte in text.bytes() {
        match byte {
            b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'-' | b'.' | b'_' | b'*' => {
                encoded.push(char::from(byte));
            }
            b' ' => encoded.push('+'),
            _ => encoded.push_str(&format!("%{byte:02X}")),
        }
    }
    encoded
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fields_are_decoded() {
        let form =
            Form::parse(b"model=Nulva+61K&missing=a%3bb&missing=&missing=%C3%A9&x&y=%zz%2&=3");
        let form = form.unwrap();
        assert_eq!(form.get("model"), Some("Nulva 61K"));
        assert_eq!(form.all("missing").collect::<Vec<_>>(), ["a;b", "é"]);
        assert!(!form.has("x") && form.is("", "3"));
        assert_eq!(form.text("y"), "%zz%2");
        assert_eq!(
            Form::parse(form.query().as_bytes()).unwrap().query(),
            form.query()
        );
    }

    #[test]
    fn what_is_no_form_is_refused() {
        assert!(Form::parse(b"a=%ff").is_err());
        assert!(Form::parse(&b"a=1&".repeat(MOST_FIELDS + 1)).is_err());
        assert!(Form::parse(&b"a=1&".repeat(MOST_FIELDS)).is_ok());
    }
}
