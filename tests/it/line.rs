//! `compband log` with the sale in one line.

use std::fs;

use chrono::{Datelike, Days, Local};

use crate::estimate::demo;
use crate::runner::{fails, out};

fn logged(dir: &std::path::Path) -> Option<String> {
    fs::read_to_string(dir.join("comps/logged.csv")).ok()
}

/// A line records what the flags record that say the same.
#[test]
fn a_line_says_what_flags_say() {
    let today = Local::now().date_naive();
    let day = today - Days::new(1);
    let iso = day.to_string();
    let short = format!("{}.{}.", day.day(), day.month());
    let by_flags = demo();
    out(
        by_flags.path(),
        &[
            "log",
            "--model",
            "Bolv 83V",
            "--grade",
            "B",
            "--completeness",
            "usable",
            "--missing",
            "earphones; pouch",
            "--extras",
            "spare battery x2",
            "--price",
            "120",
            "--shipping",
            "4.90",
            "--sold-on",
            &iso,
            "--how-sold",
            "auction",
            "--lot-size",
            "2",
            "--venue",
            "a stall",
            "--note",
            "as a pair",
        ],
    );
    let expected = logged(by_flags.path()).unwrap();
    let quoted = format!(
        "BOLV 83V B usable -earphones -pouch +2x spare battery 120+4.90 {short} auction 2x venue=\"a stall\" note='as a pair'"
    );
    let words: Vec<&str> =
        "log bolv83v -pouch b Usable -earphones for €120 shipping 4,90 yesterday auction lot of 2"
            .split(' ')
            .collect();
    let rest = ["+2x spare battery", "venue=a stall", "--note", "as a pair"];
    for args in [
        vec!["log", quoted.as_str()],
        [&words[..], &rest[..]].concat(),
    ] {
        let dir = demo();
        let told = out(dir.path(), &args);
        assert!(told.contains("missing earphones, pouch"), "{told}");
        assert!(told.contains("with spare battery x2"), "{told}");
        assert_eq!(
            logged(dir.path()).as_deref(),
            Some(expected.as_str()),
            "{args:?}"
        );
    }
}

/// What is not clear is refused, and nothing of it is written.
#[test]
fn a_line_that_is_not_clear_leaves_nothing() {
    let dir = demo();
    for (code, args, why) in [
        (
            3,
            &["log", "Bolw 83V 120"][..],
            "\"Bolw 83V\" is not understood (did you mean \"Bolv 83V\"?)",
        ),
        (
            3,
            &["log", "Bolv", "83V", "120", "45"],
            "price: 120.00 or 45.00, which one?",
        ),
        (
            3,
            &["log", "Bolv 83V", "-aeriel", "120"],
            "(did you mean \"aerial\"?)",
        ),
        (
            3,
            &["log", "Bolv 83V 120 B", "--grade", "C"],
            "grade: \"B\" in the line, but \"C\" besides",
        ),
        (
            3,
            &["log", "Bolv 83V 120 grade=E"],
            "--grade: found \"E\": expected one of A, B, C, D",
        ),
        (
            3,
            &["log", "Bolv 83V", "-aerial", "x2", "5"],
            "\"x2\" can be: units or missing piece",
        ),
        (3, &["log", "Bolv 83V 120 XTS"], "\"XTS\" is not understood"),
        (
            2,
            &["log", "Bolv 83V -aerial"],
            "a sale needs a model and a price",
        ),
        (2, &["log", "120"], "a sale needs a model and a price"),
    ] {
        let error = fails(dir.path(), code, args);
        assert!(error.contains(why), "{args:?}: {error}");
        assert_eq!(logged(dir.path()), None, "{args:?}");
    }
}

/// A line and flags together; and the words that the settings give a meaning.
#[test]
fn a_line_takes_flags_and_the_words_of_the_book() {
    let dir = demo();
    let settings = dir.path().join("compband.toml");
    let text = fs::read_to_string(&settings).unwrap();
    let words = "[words.model]\n\"Bolv Radio\" = \"Bolv 83V\"\n[words.pieces]\nsock = \"pouch\"\n";
    fs::write(&settings, format!("{text}\n{words}")).unwrap();
    let told = out(
        dir.path(),
        &[
            "log", "bolv", "radio", "-sock", "30", "--venue", "a fair", "--parts",
        ],
    );
    assert!(
        told.contains("Bolv 83V, missing pouch, parts only, sold"),
        "{told}"
    );
    assert!(
        told.contains("for 30.00 EUR + 0.00 shipping (a fair)"),
        "{told}"
    );
    // A new model and a new piece by their flags.
    let told = out(
        dir.path(),
        &[
            "log",
            "--model",
            "Zed 1",
            "--missing",
            "odd lid",
            "12",
            "b",
            "friday",
        ],
    );
    assert!(told.contains("Zed 1, B, missing odd lid, sold"), "{told}");
    // A change of a sale, by its identifier.
    let id = told
        .lines()
        .nth(1)
        .and_then(|line| line.trim().split(':').next());
    let id = id.unwrap();
    let told = out(dir.path(), &["log", "C", "-aerial", "--id", id, "--update"]);
    assert!(told.contains("grade B → C"), "{told}");
    assert!(told.contains("missing odd lid → aerial"), "{told}");
}
