#![no_main]
//! A sheet as a user hands it in.

#[path = "../checks.rs"]
mod checks;

use std::sync::LazyLock;

use compband::settings::Settings;
use libfuzzer_sys::fuzz_target;

static SETTINGS: LazyLock<Settings> = LazyLock::new(checks::demo_settings);

fuzz_target!(|bytes: &[u8]| {
    // Either way of reading is drawn with the length.
    checks::import(bytes, &SETTINGS, bytes.len() % 2 == 1);
});
