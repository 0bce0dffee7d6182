//! The edges of the book's commands: what is typed, kept and taken back in odd ways.

use std::fs;
use std::path::Path;

use tempfile::TempDir;

use crate::runner::{compband, fails, out, run, stderr};

fn book() -> TempDir {
    let dir = tempfile::tempdir().unwrap();
    out(dir.path(), &["init"]);
    dir
}

/// Logs a Nerrow F4 of one day with further options.
fn log(dir: &Path, price: &str, more: &[&str]) -> String {
    let sale = ["log", "--model", "Nerrow F4", "--sold-on", "2026-01-15"];
    out(dir, &[&sale[..], &["--price", price], more].concat())
}

/// The rows of `comps --csv`, header left out.
fn rows(dir: &Path) -> Vec<String> {
    let text = out(dir, &["comps", "--csv"]);
    text.lines().skip(1).map(str::to_string).collect()
}

#[test]
fn a_line_of_a_note_is_no_entry() {
    let dir = book();
    log(dir.path(), "120", &["--note", "call\n4294967295,ask Bob"]);
    assert!(log(dir.path(), "121", &[]).contains("(entry 2)"));
    assert!(log(dir.path(), "122", &[]).contains("(entry 3)"));
    assert!(out(dir.path(), &["comps"]).contains("122.00"));
}

#[test]
fn nothing_is_written_beyond_the_largest_entry() {
    let dir = book();
    let header = compband::book::comp::COLUMNS.join(",");
    let file = dir.path().join("comps/4294967295-old.csv");
    fs::write(file, format!("{header}\n")).unwrap();
    let said = fails(
        dir.path(),
        3,
        &["log", "--model", "Nerrow F4", "--price", "5"],
    );
    assert!(said.contains("4294967295"), "{said}");
    assert!(!dir.path().join("comps/logged.csv").exists());
}

#[test]
fn a_book_without_its_folders_takes_sales() {
    let dir = book();
    fs::remove_dir_all(dir.path().join("comps")).unwrap();
    fs::remove_dir_all(dir.path().join(".compband")).unwrap();
    log(dir.path(), "120", &[]);
    assert_eq!(rows(dir.path()).len(), 1);
}
