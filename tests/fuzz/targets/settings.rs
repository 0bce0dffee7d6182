#![no_main]
//! The text of `compband.toml`.

#[path = "../checks.rs"]
mod checks;

use libfuzzer_sys::fuzz_target;

fuzz_target!(|text: &str| {
    checks::settings(text);
});
