//! A hash that detects whether a value has changed.

use serde::Serialize;
use xxhash_rust::xxh3::xxh3_64;

/// Hash of a value as JSON: it depends on the content of a file, not on names in the code.
pub fn hash_of_value(value: &impl Serialize) -> u64 {
    // All hashed maps have text keys, so that JSON can represent them.
    xxh3_64(&serde_json::to_vec(value).unwrap_or_default())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A new name in the code changes nothing; a new name in the file or value does.
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
