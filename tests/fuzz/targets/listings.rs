#![no_main]
//! A table of listings, in a folder that a run leaves in that of temporary files.

#[path = "../checks.rs"]
mod checks;

use std::path::PathBuf;
use std::sync::LazyLock;

use compband::settings::Settings;
use libfuzzer_sys::fuzz_target;

static SETTINGS: LazyLock<Settings> = LazyLock::new(checks::demo_settings);
static FOLDER: LazyLock<PathBuf> = LazyLock::new(|| tempfile::tempdir().unwrap().keep());

fuzz_target!(|bytes: &[u8]| {
    checks::offered(bytes, &FOLDER, &SETTINGS);
});
