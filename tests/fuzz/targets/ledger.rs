#![no_main]
//! The file of the ledger, in a book that a run leaves in the folder of temporary files.

#[path = "../checks.rs"]
mod checks;

use std::sync::LazyLock;

use compband::book::Book;
use libfuzzer_sys::fuzz_target;

static BOOK: LazyLock<Book> =
    LazyLock::new(|| Book::init(&tempfile::tempdir().unwrap().keep()).unwrap());

fuzz_target!(|bytes: &[u8]| {
    checks::ledger(bytes, &BOOK);
});
