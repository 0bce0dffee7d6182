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

/// Logs a Nulva 61K of one day with further options.
fn log(dir: &Path, price: &str, more: &[&str]) -> String {
    let sale = ["log", "--model", "Nulva 61K", "--sold-on", "2026-01-15"];
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
    assert!(log(dir.path(), "121", &[]).contains("(sale record 2)"));
    assert!(log(dir.path(), "122", &[]).contains("(sale record 3)"));
    assert!(out(dir.path(), &["comps"]).contains("122.00"));
}

#[test]
fn nothing_is_written_beyond_the_largest_entry() {
    let dir = book();
    let header = compband::trade::comp::COLUMNS.join(",");
    let file = dir.path().join("comps/4294967295-old.csv");
    fs::write(file, format!("{header}\n")).unwrap();
    let said = fails(
        dir.path(),
        3,
        &["log", "--model", "Nulva 61K", "--price", "5"],
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

#[test]
fn an_update_finds_its_sale_and_changes_only_what_is_said() {
    let dir = book();
    for (id, price) in [("alpha-1", "100"), ("alpha-2", "110"), ("beta-1", "120")] {
        let more = ["--id", id, "--grade", "B", "--venue", "fair"];
        log(dir.path(), price, &more);
    }
    let told = out(
        dir.path(),
        &["log", "--id", "bet", "--update", "--grade", "c"],
    );
    assert!(
        told.contains("Sale beta-1") && told.contains("grade B → C"),
        "{told}"
    );
    assert!(
        rows(dir.path())
            .contains(&"beta-1,2026-01-15,Nulva 61K,,,C,,,,yes,120.00,0.00,EUR,,fair,1,".into())
    );
    let blank = out(
        dir.path(),
        &["log", "--id", "beta-1", "--update", "--venue", ""],
    );
    assert!(blank.contains("venue fair → (blank)"), "{blank}");
    let same = out(dir.path(), &["log", "--id", "beta", "--update"]);
    assert!(same.contains("nothing was changed"), "{same}");
    let before = rows(dir.path());
    for (id, why) in [
        ("gamma", "no sale in the book has an id that begins with"),
        ("alpha", "alpha-1, alpha-2"),
        ("", "no sale in the book"),
    ] {
        let said = fails(
            dir.path(),
            3,
            &["log", "--id", id, "--update", "--price", "9"],
        );
        assert!(said.contains(why), "{said}");
    }
    assert_eq!(rows(dir.path()), before);
}

#[test]
fn what_import_refuses_log_refuses_too() {
    let dir = book();
    let long = "x".repeat(201);
    for (option, value) in [
        ("--sold-on", "1989-12-31"),
        ("--sold-on", "2999-01-01"),
        ("--lot-size", "10001"),
        ("--venue", "\u{1b}[31mred"),
        ("--note", "\u{1b}[2J"),
        ("--variant", "grey\u{202e}"),
        ("--missing", "str\u{200b}ap"),
        ("--model", &long),
        ("--id", "a\u{feff}b"),
    ] {
        let mut sale = vec!["log", "--price", "5", option, value];
        if option != "--model" {
            sale.extend(["--model", "Nulva 61K"]);
        }
        let said = fails(dir.path(), 3, &sale);
        assert!(said.contains(&format!("{option}: found")), "{said}");
        assert!(!said.contains(['\u{1b}', '\u{202e}']), "{said:?}");
    }
    assert!(rows(dir.path()).is_empty());
    let sheet = "date,item,price,colour\n2026-01-01,Nulva\u{202e} 61K,5,a\n2026-01-01,Nulva 61K,5,\"a\nb\"\n";
    fs::write(dir.path().join("a.csv"), sheet).unwrap();
    let said = fails(dir.path(), 3, &["import", "a.csv"]);
    assert!(
        said.contains("row 2, column item") && said.contains("row 3, column colour"),
        "{said}"
    );
}

#[test]
fn logged_sales_exported_and_imported_are_the_same() {
    let dir = book();
    log(dir.path(), "120", &["--note", "two\r\nlines\tand a tab"]);
    log(
        dir.path(),
        "48,5",
        &["--lot-size", "10000", "--shipping", "-0"],
    );
    let all = out(dir.path(), &["comps", "--csv"]);
    fs::write(dir.path().join("all.csv"), &all).unwrap();
    let said = out(dir.path(), &["import", "all.csv"]);
    assert!(said.contains("already has 2 sales, unchanged"), "{said}");
    let other = book();
    fs::write(other.path().join("all.csv"), &all).unwrap();
    out(other.path(), &["import", "all.csv"]);
    assert_eq!(out(other.path(), &["comps", "--csv"]), all);
}

#[test]
fn init_takes_the_folder_of_the_book_named() {
    let dir = tempfile::tempdir().unwrap();
    out(dir.path(), &["--book", "named", "init"]);
    assert!(dir.path().join("named/compband.toml").is_file());
    let mut by_environment = compband(dir.path());
    let by_environment = by_environment.arg("init").env("COMPBAND_BOOK", "other");
    assert!(by_environment.status().unwrap().success());
    assert!(dir.path().join("other/compband.toml").is_file());
    out(dir.path(), &["--book", "named", "init", "third"]);
    assert!(dir.path().join("third/compband.toml").is_file());
    assert!(!dir.path().join("compband.toml").exists());
}

#[test]
fn repeated_headers_and_dates_without_zeros_are_known() {
    let dir = book();
    let sheet = "Sold on,Item,Price\n2026-1-2,Nulva 61K,5\n\u{feff}sold_on,ITEM,\" price \"\n2026/01/3,Nulva 61K,6\n";
    fs::write(dir.path().join("a.csv"), sheet).unwrap();
    let said = out(dir.path(), &["import", "a.csv"]);
    assert!(
        said.contains("1 repeated header skipped") && said.contains("2 new"),
        "{said}"
    );
    assert!(rows(dir.path())[0].contains(",2026-01-03,"));
    log(dir.path(), "7", &[]);
    let said = out(
        dir.path(),
        &[
            "log",
            "--model",
            "Nulva 61K",
            "--price",
            "8",
            "--sold-on",
            "2026-2-3",
        ],
    );
    assert!(said.contains("sold 2026-02-03"), "{said}");
}

#[test]
fn the_likeliest_header_is_shown_once() {
    let dir = book();
    fs::write(
        dir.path().join("a.csv"),
        "My sales\n\nItem,When it went,Money\nNulva 61K,2026-01-02,5\n",
    )
    .unwrap();
    let said = fails(dir.path(), 3, &["import", "a.csv"]);
    assert!(
        said.contains("a.csv, row 3: found \"Item,When it went,Money\": expected a header with a column for sold_on and price"),
        "{said}"
    );
    assert_eq!(said.matches("a.csv").count(), 1, "{said}");
    fs::write(
        dir.path().join("b.csv"),
        "My sales\n\nWhat,When it went,Money\nNulva 61K,2026-01-02,5\n",
    )
    .unwrap();
    let said = fails(dir.path(), 3, &["import", "b.csv"]);
    assert!(said.contains("b.csv, row 3: found \"What,"), "{said}");
}

#[test]
fn files_beside_the_book_are_written_only_with_it() {
    let dir = book();
    let sheet = "date,item,price\n2026-01-01,Nulva 61K,12\n2026-01-02,Nulva 61K,none\n";
    fs::write(dir.path().join("a.csv"), sheet).unwrap();
    let good = ["import", "a.csv", "--keep-good", "--problems", "p.csv"];
    let dry = out(dir.path(), &[&good[..], &["--dry-run"]].concat());
    assert!(dry.contains("would be set aside"), "{dry}");
    let said = fails(
        dir.path(),
        3,
        &["import", "a.csv", "--problems", "p.csv", "--dry-run"],
    );
    assert!(said.contains("p.csv has all of them"), "{said}");
    fs::remove_file(dir.path().join("p.csv")).unwrap();
    // The rows cannot be taken in, so that none are set aside.
    let last = dir.path().join("comps/4294967295-old.csv");
    let header = compband::trade::comp::COLUMNS.join(",");
    fs::write(&last, format!("{header}\n")).unwrap();
    fails(dir.path(), 3, &good);
    assert!(!dir.path().join("a-rejected.csv").exists());
    fs::remove_file(last).unwrap();
    out(dir.path(), &good);
    let rejected = fs::read_to_string(dir.path().join("a-rejected.csv")).unwrap();
    assert!(rejected.ends_with(",2026-01-02,Nulva 61K,none\n"));
    assert!(dir.path().join("p.csv").exists());
}

#[test]
fn slips_of_the_pen_are_remarked_on() {
    let dir = book();
    let logged = |model: &str, price: &str, more: &[&str]| {
        let sale = ["log", "--model", model, "--price", price];
        let output = run(dir.path(), &[&sale[..], more].concat());
        assert!(output.status.success(), "{}", stderr(&output));
        stderr(&output)
    };
    for price in ["100", "110", "120"] {
        assert_eq!(logged("Quolby 7R3", price, &[]), "");
    }
    let said = logged("Quolbi 7R3", "100", &[]);
    assert!(
        said.contains("new model \"Quolbi 7R3\"; did you mean \"Quolby 7R3\"?"),
        "{said}"
    );
    assert_eq!(logged("Quolbi 7R3", "101", &[]), "");
    let said = logged("quolby 7r3", "1100", &[]);
    assert!(
        said.contains("1100.00 is over 4 times the median of this model, 110.00 EUR"),
        "{said}"
    );
    let said = logged("Quolby 7R3", "11", &[]);
    assert!(said.contains("under 1/4 of the median"), "{said}");
    assert_eq!(logged("Quolby 7R3", "10", &["--parts"]), "");
    let mut sheet = "date,item,price\n".to_string();
    for letter in "abcdefg".chars() {
        let row = format!("2026-01-01,Quolb{letter} 7R3,9\n");
        sheet.push_str(&row.repeat(2));
    }
    fs::write(dir.path().join("a.csv"), sheet).unwrap();
    let output = run(dir.path(), &["import", "a.csv"]);
    let said = stderr(&output);
    assert!(
        output.status.success() && said.contains("new model \"Quolba 7R3\"; did you mean"),
        "{said}"
    );
    assert_eq!(said.matches("new model").count(), 5, "{said}");
}

#[test]
fn words_that_help() {
    let dir = book();
    for command in [&["comps"][..], &["models"]] {
        let said = out(dir.path(), command);
        assert!(
            said.contains("`compband import` or `compband log`"),
            "{said}"
        );
    }
    for command in ["comps", "estimate"] {
        let said = fails(dir.path(), 5, &[command, "--model", "Nulva 61K"]);
        assert!(
            said.contains("`compband import` or `compband log`"),
            "{said}"
        );
    }
    fs::write(
        dir.path().join("a.csv"),
        "date,item,price\n2026-01-01,Nulva 61K,a\tb\n",
    )
    .unwrap();
    let said = fails(dir.path(), 3, &["import", "a.csv"]);
    assert!(said.contains("found \"a\\tb\""), "{said}");
}

#[cfg(target_os = "linux")]
#[test]
fn output_that_cannot_be_written_is_said_so() {
    let dir = book();
    let full = fs::OpenOptions::new().write(true).open("/dev/full");
    let output = compband(dir.path())
        .arg("comps")
        .stdout(full.unwrap())
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(1));
    let said = stderr(&output);
    assert!(said.contains("cannot write the output"), "{said}");
}

#[test]
fn an_update_keeps_the_attributes_that_are_not_said() {
    let dir = book();
    let more = ["--id", "a", "--set", "storage=128", "--set", "memory=8"];
    log(dir.path(), "100", &more);
    let update = |more: &[&str]| {
        let sale = ["log", "--id", "a", "--update"];
        out(dir.path(), &[&sale[..], more].concat())
    };
    update(&["--grade", "C"]);
    let told = update(&["--set", "storage=256"]);
    assert!(told.contains("storage 128 → 256"), "{told}");
    let all = out(dir.path(), &["comps", "--csv"]);
    assert!(
        all.contains("attr.memory,attr.storage")
            && all.contains(",C,")
            && all.ends_with(",8,256\n"),
        "{all}"
    );
}
