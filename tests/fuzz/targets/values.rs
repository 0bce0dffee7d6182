#![no_main]
//! Values as typed on the command line or in cells: money, dates, lists, attributes, repairs, ranges.

#[path = "../checks.rs"]
mod checks;

use std::sync::LazyLock;

use compband::settings::Settings;
use libfuzzer_sys::fuzz_target;

static SETTINGS: LazyLock<Settings> = LazyLock::new(checks::demo_settings);

fuzz_target!(|text: &str| {
    let _ = checks::value(text, &SETTINGS);
});
