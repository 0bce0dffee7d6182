//! Maps by identifier: 64-bit hashes that are not hashed again.

use std::collections::HashMap;
use std::hash::{BuildHasherDefault, Hasher};
use xxhash_rust::xxh3::xxh3_64;

/// Hash map keyed by [`id_hash`]: with 64 bits, the probability of any collision among a million
/// comps is 1 in 40 million.
pub(crate) type IdMap<V> = HashMap<u64, V, BuildHasherDefault<Hashed>>;

/// A hasher for keys that are already hashes.
#[derive(Default)]
pub(crate) struct Hashed(u64);

impl Hasher for Hashed {
    fn finish(&self) -> u64 {
        self.0
    }

    fn write(&mut self, bytes: &[u8]) {
        self.0 = xxh3_64(bytes);
    }

    fn write_u64(&mut self, value: u64) {
        self.0 = value;
    }
}

pub(crate) fn id_hash(comp_id: &str) -> u64 {
    xxh3_64(comp_id.as_bytes())
}
