//! A hash that tells whether a value is still what it was when it was last looked at.

use serde::Serialize;
use xxhash_rust::xxh3::xxh3_64;

/// Hash of a value as JSON: it depends on what a file would say, not on how the code spells a type.
pub fn hash_of_value(value: &impl Serialize) -> u64 {
    // Every map that is hashed has text for keys, so that all of it can be written as JSON.
    xxh3_64(&serde_json::to_vec(value).unwrap_or_default())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Another name in the code changes nothing, another name in the file or value does.
    #[test]
    fn names_in_the_code_do_not_matter() {
        #[derive(Serialize)]
        struct Before {
            nu: f64,
        }
        #[derive(Serialize)]
        struct After {
            #[serde(rename = "nu")]
            twice_the_degrees_of_freedom: f64,
        }
        let before = hash_of_value(&Before { nu: 8.0 });
        let after = |nu| After {
            twice_the_degrees_of_freedom: nu,
        };
        assert_eq!(before, hash_of_value(&after(8.0)));
        assert_ne!(before, hash_of_value(&after(8.5)));
        assert_eq!(before, xxh3_64(b"{\"nu\":8.0}"));
    }
}
