//! Slips of somebody who tries the program for the first time, and how they are put right.

use std::fs;
use std::path::Path;

use crate::estimate::demo;
use crate::runner::{fails, out, run, stderr};

/// The comps of a model, without the heading.
fn sales(dir: &Path, model: &str) -> usize {
    let csv = out(dir, &["comps", "--model", model, "--csv"]);
    csv.lines().count() - 1
}

/// All that reads the name of a model names the same one.
fn all_agree(dir: &Path, typed: &str, model: &str) {
    let first = |args: &[&str]| {
        out(dir, args)
            .lines()
            .next()
            .unwrap_or_default()
            .to_string()
    };
    let day = ["--as-of", "2026-11-20"];
    for command in ["estimate", "bid", "ask"] {
        assert_eq!(
            first(&[&[command, typed], &day[..]].concat()),
            model,
            "{command}"
        );
    }
    let said = out(dir, &["offer", typed, "100", "--as-of", "2026-11-20"]);
    assert!(said.starts_with(model), "{said}");
    let said = out(dir, &["models", typed]);
    assert!(said.contains(model), "{said}");
    assert!(sales(dir, typed) > 50);
    let said = out(dir, &["watch", "add", "seen", typed]);
    assert!(
        said.contains(&format!("{model}.")) || said.contains(&format!("{model},")),
        "{said}"
    );
    out(dir, &["watch", "remove", "seen"]);
    let said = out(
        dir,
        &["buy", typed, "--price", "40", "--date", "2026-11-02"],
    );
    assert!(said.contains(&format!(": {model}, on")), "{said}");
    let number = said
        .split("ledger reverse ")
        .nth(1)
        .unwrap()
        .trim()
        .to_string();
    out(dir, &["ledger", "reverse", &number]);
    let compared = |name: &str| {
        fs::write(
            dir.join("on-offer.csv"),
            format!("model,price\n{name},90\n"),
        )
        .unwrap();
        let day = ["--as-of", "2026-11-20"];
        out(
            dir,
            &[&["compare", "on-offer.csv", "--budget", "300"], &day[..]].concat(),
        )
    };
    assert_eq!(compared(typed), compared(model));
    let day = ["--as-of", "2026-11-20"];
    let report = ["report", "--model", typed, "--csv", "comps.csv"];
    out(dir, &[&report[..], &day].concat());
    let said = fs::read_to_string(dir.join("comps.csv")).unwrap();
    assert!(said.lines().count() > 20, "{said}");
    fs::remove_file(dir.join("comps.csv")).unwrap();
    let line = format!("\"{typed}\" B 120 2026-11-01 note=slip");
    let said = out(dir, &["log", &line]);
    assert!(said.contains(&format!(": {model}, B, sold")), "{said}");
    out(dir, &["undo"]);
    let said = out(
        dir,
        &["log", "--model", typed, "--price", "120", "--note", "slip"],
    );
    assert!(said.contains(&format!(": {model}, sold")), "{said}");
    out(dir, &["undo"]);
}

#[test]
fn a_rename_and_its_undo() {
    let book = demo();
    let dir = book.path();
    let settings = || fs::read_to_string(dir.join("compband.toml")).unwrap();
    let before = settings();
    all_agree(dir, "Nulva 61K", "Nulva 61K");
    out(dir, &["models", "rename", "Nulva 61K", "Nulvo"]);
    for typed in ["Nulva 61K", "Nulvo"] {
        all_agree(dir, typed, "Nulvo");
    }
    let said = out(dir, &["undo", "--dry-run"]);
    assert!(
        said.contains("Would take back the rename of \"Nulva 61K\" to \"Nulvo\""),
        "{said}"
    );
    let said = out(dir, &["undo"]);
    assert!(
        said.contains("Took back the rename of \"Nulva 61K\" to \"Nulvo\""),
        "{said}"
    );
    assert!(!said.contains("the last import"), "{said}");
    assert_eq!(settings().trim_end(), before.trim_end());
    all_agree(dir, "Nulva 61K", "Nulva 61K");
    fails(dir, 5, &["estimate", "Nulvo"]);
}

#[test]
fn a_rename_is_taken_back_by_renaming() {
    let book = demo();
    let dir = book.path();
    let all = sales(dir, "Nulva 61K");
    out(dir, &["models", "rename", "Nulva 61K", "Nulvo"]);
    let said = out(dir, &["models", "rename", "Nulvo", "Nulva 61K"]);
    assert!(
        said.contains(&format!(
            "{all} sales of \"Nulvo\" are now of \"Nulva 61K\""
        )),
        "{said}"
    );
    for typed in ["Nulva 61K", "Nulvo"] {
        all_agree(dir, typed, "Nulva 61K");
    }
    let said = fails(dir, 2, &["models", "rename", "Nulva 61K", "Nulva 61K"]);
    assert!(said.contains("the same"), "{said}");
    let said = fails(dir, 3, &["models", "rename", "Nulvo", "Nulvo"]);
    assert!(said.contains("\"Nulvo\" = \"Nulva 61K\""), "{said}");
    // Step by step back to where it began.
    out(dir, &["undo"]);
    all_agree(dir, "Nulva 61K", "Nulvo");
    out(dir, &["undo"]);
    all_agree(dir, "Nulva 61K", "Nulva 61K");
}

#[test]
fn a_line_by_hand_that_hides_sales() {
    let book = demo();
    let dir = book.path();
    let path = dir.join("compband.toml");
    let text = fs::read_to_string(&path).unwrap() + "\n[words.model]\n\"Nulva 61K\" = \"Nulvo\"\n";
    fs::write(&path, text).unwrap();
    let said = fails(dir, 3, &["estimate", "Nulva 61K"]);
    assert!(
        said.contains("compband models rename \"Nulva 61K\" \"Nulvo\""),
        "{said}"
    );
    out(dir, &["models", "rename", "Nulva 61K", "Nulvo"]);
    all_agree(dir, "Nulva 61K", "Nulvo");
}

#[test]
fn a_large_model_joined_into_a_small_one_is_noted() {
    let book = demo();
    let dir = book.path();
    let output = run(dir, &["models", "same", "Bolv 83V", "Nulva 61K"]);
    assert!(output.status.success());
    let said = stderr(&output);
    for text in [
        "\"Nulva 61K\" has",
        "\"Bolv 83V\" has",
        "the other way round",
    ] {
        assert!(said.contains(text), "{said}");
    }
    out(dir, &["undo"]);
    let output = run(dir, &["models", "same", "Nulva 61K", "Bolv 83V"]);
    assert!(
        !stderr(&output).contains("other way"),
        "{}",
        stderr(&output)
    );
}

#[test]
fn undo_names_newer_ledger_entries() {
    let book = demo();
    let dir = book.path();
    out(dir, &["log", "--model", "Bolv 83V", "--price", "40"]);
    // Times of files may be coarse.
    std::thread::sleep(std::time::Duration::from_millis(50));
    out(dir, &["buy", "Bolv 83V", "--price", "10"]);
    let output = run(dir, &["undo", "--dry-run"]);
    let said = stderr(&output);
    assert!(
        said.contains("ledger entry 1 (buy d1") && said.contains("ledger reverse 1"),
        "{said}"
    );
}

#[test]
fn assumed_money_is_the_same_everywhere() {
    let book = demo();
    let dir = book.path();
    let said = out(dir, &["buy", "Bolv 83V", "--price", "42"]);
    assert!(
        said.contains("Cash 558.00, stock at cost 42.00, bankroll 600.00 EUR"),
        "{said}"
    );
    let said = out(dir, &["ledger"]);
    let words: Vec<&str> = said.split_whitespace().collect();
    let said = words.join(" ");
    for text in [
        "Cash 558.00",
        "Bankroll 600.00",
        "600.00 of compband.toml counts",
    ] {
        assert!(said.contains(text), "{said}");
    }
    out(dir, &["ledger", "fund", "600"]);
    let said = out(dir, &["ledger"]);
    assert!(
        said.contains("Paid in 600.00") && !said.contains("compband.toml"),
        "{said}"
    );
}

#[test]
fn a_line_with_a_slip_says_which() {
    let book = demo();
    let dir = book.path();
    for (line, text) in [
        ("Bolv 83V tomorrow 10", "in the future"),
        ("Bolv 83V 2099-02-02 10", "in the future"),
        ("Bolv 83V 31.2.2026 10", "no such day"),
        ("Bolv 83V E 10", "A, B, C, D"),
    ] {
        let said = fails(dir, 3, &["log", line]);
        assert!(said.contains(text), "{line}: {said}");
    }
    // A book without kits, whose sales alone name pieces.
    let plain = tempfile::tempdir().unwrap();
    let dir = plain.path();
    out(dir, &["init"]);
    out(
        dir,
        &[
            "log",
            "--model",
            "Zorvex P50",
            "--price",
            "50",
            "--missing",
            "charger",
        ],
    );
    out(dir, &["log", "--model", "Quilm 20", "--price", "20"]);
    let said = fails(dir, 3, &["log", "Quilm 20 -chargr 30"]);
    assert!(said.contains("did you mean \"charger\"?"), "{said}");
    out(dir, &["log", "Quilm 20 -charger 31"]);
}

#[test]
fn the_parser_speaks_like_all_others() {
    let book = demo();
    let dir = book.path();
    out(dir, &["buy", "Bolv 83V", "--price", "10"]);
    let cases: &[(&[&str], &str)] = &[
        (
            &["estimate", "Zorvex", "P5"],
            "compband estimate \"Zorvex P5\"",
        ),
        (
            &["offer", "Zorvex", "P5", "100"],
            "compband offer \"Zorvex P5\" 100",
        ),
        (
            &["estimate", "Bolv 83V", "--condition", "B"],
            "did you mean --grade?",
        ),
        (
            &["ledger", "reverse", "x"],
            "ENTRY: found \"x\": expected a whole number",
        ),
        (
            &["estimate", "Bolv 83V", "--as-of", "31.02.2026"],
            "--as-of: found \"31.02.2026\": expected a day that the calendar has",
        ),
        (
            &["ledger", "--year", "x"],
            "--year: found \"x\": expected a year",
        ),
        (&["compare", "x.csv"], "this is missing: --budget <AMOUNT>"),
        (
            &["estimate", "Bolv 83V", "--band", "120"],
            "expected a number from 1 to 99",
        ),
        (&["estimat", "x"], "did you mean `compband estimate`?"),
        (&["buy", "x", "--price"], "--price needs a value"),
    ];
    for (args, text) in cases {
        let said = fails(dir, 2, args);
        assert!(
            said.starts_with("error: ") && said.contains("\nnext: "),
            "{args:?}: {said}"
        );
        assert!(said.contains(text), "{args:?}: {said}");
        assert!(!said.contains("For more information"), "{said}");
    }
    let said = fails(dir, 3, &["harvest", "d1", "display: 18"]);
    assert!(said.contains("display = 18"), "{said}");
    let said = fails(dir, 5, &["sold", "d9", "--price", "1"]);
    assert!(said.contains("d1 (Bolv 83V)"), "{said}");
}

#[test]
fn an_import_says_where_its_guesses_are() {
    let book = demo();
    let dir = book.path();
    let sheet = "When,Item,Cond.,Pcs,EUR got\n\
                 01/02/2026,Zorvex P50,B,1,50\n02/03/2026,Zorvex P50,broken,1,20\n\
                 03/04/2026,Zorvex P50,broken,1,21\n";
    fs::write(dir.join("a.csv"), sheet).unwrap();
    let said = out(dir, &["import", "a.csv"]);
    let said = said.split_whitespace().collect::<Vec<_>>().join(" ");
    for text in [
        "in row 2 is 2026-02-01; also in rows 3, 4",
        "for parts by the grade: 2 sales (\"broken\" in row 3; also in row 4)",
    ] {
        assert!(said.contains(text), "{said}");
    }
    fs::write(dir.join("b.csv"), "Item,Got\nZorvex P50,50\n").unwrap();
    let said = fails(dir, 3, &["import", "b.csv"]);
    assert!(
        said.contains("recognised: \"Item\" as model, \"Got\" as price"),
        "{said}"
    );
    fs::write(dir.join("c.csv"), "Date,Item,Got\n?,Zorvex P50,\"8O,00\"\n").unwrap();
    let output = run(dir, &["import", "c.csv"]);
    let said = String::from_utf8_lossy(&output.stdout).into_owned() + &stderr(&output);
    let said = said.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(said.contains("leave the cell empty"), "{said}");
    assert!(
        said.contains("the letter \"O\" stands among the digits"),
        "{said}"
    );
}

/// Sales that are imported once more with other columns count twice, and that is pointed out.
#[test]
fn sales_imported_twice() {
    let book = demo();
    let dir = book.path();
    let sheet = "When,Item,Paid,P&P\n2026-06-14,Orvik Pelt 3,145.00,6.50\n2026-06-19,Orvik Pelt 3,139.00,6.50\n";
    fs::write(dir.join("pelt.csv"), sheet).unwrap();
    let said = |more: &[&str]| {
        let args = [&["import", "pelt.csv"][..], more].concat();
        let output = run(dir, &args);
        assert!(output.status.success());
        stderr(&output)
    };
    let twice = "2 new sales have the model, day and price of a sale that was in the book before";
    assert!(!said(&[]).contains(twice));
    assert!(!said(&[]).contains(twice));
    let again = said(&["--map", "P&P=shipping"]);
    assert!(again.contains(twice), "{again}");
}
