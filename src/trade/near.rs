//! Detects models that are probably misspelt.

use std::collections::{HashMap, HashSet};

use crate::trade::names::match_key;

/// The models of a book, for comparison with new ones.
pub struct KnownModels<'a> {
    keys: HashSet<String>,
    /// Keys and names by the digits of the key: a difference in digits means another model.
    by_digits: HashMap<String, Vec<(String, &'a str)>>,
}

impl<'a> KnownModels<'a> {
    /// Takes the models as the book spells them.
    pub fn new(names: impl IntoIterator<Item = &'a str>) -> Self {
        let mut known = Self {
            keys: HashSet::new(),
            by_digits: HashMap::new(),
        };
        for name in names {
            let key = match_key(name);
            let (digits, letters) = apart(&key);
            let alike = known.by_digits.entry(digits).or_default();
            alike.push((letters, name));
            known.keys.insert(key);
        }
        known
    }

    /// The known model that a new one nearly matches: the digits are the same, and one letter or
    /// sign (two in a name of 8 or more) is inserted, deleted, replaced or swapped with its
    /// neighbour (optimal string alignment distance). `None` if the model is known; case and
    /// spacing do not count.
    pub fn near(&self, model: &str) -> Option<&'a str> {
        let key = match_key(model);
        if self.keys.contains(&key) {
            return None;
        }
        let (digits, letters) = apart(&key);
        let count = letters.chars().count();
        let most = match count {
            0..4 => 0,
            4..8 => 1,
            _ => 2,
        };
        let near_enough = |(other, name): &(String, &'a str)| {
            if other.chars().count().abs_diff(count) > most {
                return None;
            }
            let distance = strsim::osa_distance(&letters, other);
            (distance <= most).then_some((distance, *name))
        };
        let alike = self.by_digits.get(&digits)?;
        alike
            .iter()
            .filter_map(near_enough)
            .min()
            .map(|(_, name)| name)
    }
}

/// The digits of a key, and everything else in it.
fn apart(key: &str) -> (String, String) {
    key.chars().partition(char::is_ascii_digit)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn misspelt_models() {
        let known = KnownModels::new(["Quolby 7R3", "Nulva 61K", "Tumrik QN 948", "X1"]);
        for (model, near) in [
            ("Quolbi 7R3", Some("Quolby 7R3")),
            ("quloby7r3", Some("Quolby 7R3")),
            ("Tumric-QN 948", Some("Tumrik QN 948")),
            ("QUOLBY  R7", None),
            ("Quolby 8R3", None),
            ("Nulva 61K4", None),
            ("Bolv 83V", None),
            ("Y1", None),
            ("", None),
        ] {
            assert_eq!(known.near(model), near, "{model}");
        }
    }
}
