//! The book's folder: init, log, undo, listings, damage and runs side by side.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;
use std::process::Stdio;

use compband::book::Book;
use compband::book::comps::frame::FrameRows;
use compband::trade::{Comp, comp};
use tempfile::TempDir;

use crate::runner::{compband, copied, everything, fails, out, run, stderr};

fn book() -> TempDir {
    let dir = tempfile::tempdir().unwrap();
    out(dir.path(), &["init"]);
    dir
}

fn log(dir: &Path, price: &str) -> String {
    out(
        dir,
        &[
            "log",
            "--model",
            "Nulva 61K",
            "--price",
            price,
            "--sold-on",
            "2026-01-15",
        ],
    )
}

fn row(id: &str, day: &str, model: &str, price: &str) -> String {
    format!("{id},{day},{model},,full,B,,,,yes,{price},4.90,EUR,fixed,fair,1,\n")
}

fn write_import(dir: &Path, name: &str, rows: &str) {
    let path = dir.join("comps").join(name);
    fs::write(path, format!("{}\n{rows}", comp::COLUMNS.join(","))).unwrap();
}

fn csv_rows(dir: &Path) -> Vec<String> {
    out(dir, &["comps", "--csv"])
        .lines()
        .skip(1)
        .map(str::to_string)
        .collect()
}

fn comps(book: &Book) -> Vec<Comp> {
    let frame = book.frame(&mut |_| {}).unwrap();
    let rows = FrameRows::new(&frame, &book.settings().currency).unwrap();
    let mut comps: Vec<Comp> = (0..rows.len()).map(|at| rows.comp(at)).collect();
    comps.sort_by(|a, b| a.comp_id.cmp(&b.comp_id));
    comps
}

#[test]
fn init_makes_a_book_once_and_leaves_other_files_alone() {
    let dir = tempfile::tempdir().unwrap();
    fs::write(dir.path().join("photo.txt"), "mine").unwrap();
    let text = out(dir.path(), &["init"]);
    assert!(
        text.contains("compband import") && text.contains("compband log"),
        "{text}"
    );
    let settings = fs::read_to_string(dir.path().join("compband.toml")).unwrap();
    assert!(fails(dir.path(), 3, &["init"]).contains("there is a book here already"));
    assert_eq!(
        fs::read_to_string(dir.path().join("compband.toml")).unwrap(),
        settings
    );
    assert_eq!(
        fs::read_to_string(dir.path().join("photo.txt")).unwrap(),
        "mine"
    );
    out(dir.path(), &["init", "deep/er"]);
    assert!(dir.path().join("deep/er/compband.toml").is_file());
}

#[test]
fn a_book_is_found_above_by_option_and_by_environment() {
    let dir = book();
    log(dir.path(), "120");
    let below = dir.path().join("a/b");
    fs::create_dir_all(&below).unwrap();
    assert_eq!(csv_rows(&below).len(), 1);
    let away = tempfile::tempdir().unwrap();
    let named = dir.path().to_str().unwrap();
    assert!(out(away.path(), &["--book", named, "models"]).contains("Nulva 61K"));
    let by_environment = compband(away.path())
        .arg("models")
        .env("COMPBAND_BOOK", named)
        .output()
        .unwrap();
    assert!(String::from_utf8_lossy(&by_environment.stdout).contains("Nulva 61K"));
    assert!(fails(away.path(), 5, &["models"]).contains("compband init"));
    assert!(fails(away.path(), 5, &["--book", "nowhere", "models"]).contains("no book there"));
}

#[test]
fn wrong_settings_and_wrong_usage_have_their_codes() {
    let dir = book();
    fails(dir.path(), 2, &["comps", "--limit", "many"]);
    fails(dir.path(), 2, &["comps", "--since", "32.12.2025"]);
    fails(dir.path(), 2, &["log"]);
    fails(dir.path(), 2, &["log", "--price", "3"]);
    fs::write(dir.path().join("compband.toml"), "curency = \"EUR\"").unwrap();
    assert!(fails(dir.path(), 4, &["comps"]).contains("did you mean \"currency\"?"));
    assert!(out(dir.path(), &["--help"]).contains("Exit codes:"));
    for command in ["init", "log", "undo", "comps", "models"] {
        assert!(
            out(dir.path(), &[command, "--help"]).contains("Examples:"),
            "{command}"
        );
    }
}

#[test]
fn a_logged_sale_is_recorded_whole() {
    let dir = book();
    let text = out(
        dir.path(),
        &[
            "log",
            "--model",
            "Tumrik QN 948",
            "--price",
            "EUR 48.50",
            "--shipping",
            "3.9",
            "--sold-on",
            "2026-02-01",
            "--variant",
            "grey",
            "--completeness",
            "Usable",
            "--grade",
            "c",
            "--missing",
            "Charger; cable X2",
            "--extra",
            "case",
            "--defect",
            "scratched screen",
            "--how-sold",
            "Offer",
            "--venue",
            "fair",
            "--lot-size",
            "1",
            "--note",
            "line one\nline \"two\"",
        ],
    );
    let id = text
        .split_whitespace()
        .nth(4)
        .unwrap()
        .trim_end_matches(':')
        .to_string();
    assert!(text.contains("compband undo"), "{text}");
    let expected = format!(
        "{id},2026-02-01,Tumrik QN 948,grey,usable,C,cable x2; charger,case,scratched screen,yes,48.50,3.90,EUR,offer,\
         fair,1,\"line one\nline \"\"two\"\"\"\n"
    );
    assert_eq!(
        out(dir.path(), &["comps", "--csv"]),
        format!("{}\n{expected}", comp::COLUMNS.join(","))
    );
    let file = fs::read_to_string(dir.path().join("comps/logged.csv")).unwrap();
    assert!(
        file.starts_with("entry,comp_id,") && file.ends_with(&format!("1,{expected}")),
        "{file}"
    );
}

#[test]
fn wrong_values_are_refused_all_at_once_and_nothing_is_written() {
    let dir = book();
    let text = fails(
        dir.path(),
        3,
        &[
            "log",
            "--model",
            "Bolv 83V",
            "--price",
            "-5",
            "--grade",
            "E",
            "--sold-on",
            "soon",
            "--missing",
            "strap x0",
        ],
    );
    for option in ["--price", "--grade", "--sold-on", "--missing"] {
        assert!(text.contains(option), "{option}: {text}");
    }
    assert!(!dir.path().join("comps/logged.csv").exists());
}

#[test]
fn the_same_sale_counts_twice_only_when_told() {
    let dir = book();
    log(dir.path(), "120");
    let sale = [
        "log",
        "--model",
        "nulva 61k",
        "--price",
        "120",
        "--sold-on",
        "2026-01-15",
    ];
    let same = [
        "log",
        "--model",
        "Nulva 61K",
        "--price",
        "120",
        "--sold-on",
        "2026-01-15",
    ];
    assert!(fails(dir.path(), 3, &same).contains("--again"));
    assert!(fails(dir.path(), 3, &sale).contains("--update"));
    out(dir.path(), &[&same[..], &["--again"]].concat());
    out(dir.path(), &[&same[..], &["--again"]].concat());
    let ids: BTreeSet<String> = csv_rows(dir.path())
        .iter()
        .map(|row| row.split(',').next().unwrap().into())
        .collect();
    assert_eq!(ids.len(), 3);
}

#[test]
fn an_update_is_shown_old_to_new_and_taken_back_by_undo() {
    let dir = book();
    let sale = |price: &'static str| {
        [
            "log",
            "--id",
            "s1",
            "--model",
            "Bolv 83V",
            "--sold-on",
            "2026-01-01",
            "--price",
            price,
        ]
    };
    out(dir.path(), &sale("15"));
    assert!(out(dir.path(), &sale("15.00")).contains("nothing was changed"));
    let refused = fails(dir.path(), 3, &sale("16"));
    assert!(refused.contains("price 15.00 → 16.00"), "{refused}");
    let told = out(dir.path(), &[&sale("16")[..], &["--update"]].concat());
    assert!(told.contains("price 15.00 → 16.00"), "{told}");
    assert!(csv_rows(dir.path())[0].contains(",16.00,"));
    let undone = out(dir.path(), &["undo"]);
    assert!(
        undone.contains("Back as recorded before") && undone.contains("15.00 EUR"),
        "{undone}"
    );
    assert!(csv_rows(dir.path())[0].contains(",15.00,"));
}

#[test]
fn a_new_attribute_widens_the_log_and_undo_keeps_it() {
    let dir = book();
    let path = dir.path().join("comps/logged.csv");
    let set = |price: &str, set: &[&str]| {
        let mut args = vec![
            "log",
            "--model",
            "Nulva 61K",
            "--sold-on",
            "2026-01-15",
            "--price",
            price,
        ];
        args.extend(set.iter().flat_map(|set| ["--set", set]));
        out(dir.path(), &args)
    };
    log(dir.path(), "120");
    let plain = fs::read_to_string(&path).unwrap();
    assert!(plain.starts_with("entry,comp_id,") && plain.contains(",note\n"));
    let first = plain.lines().nth(1).unwrap();
    set("121", &["storage=256"]);
    set("122", &["Battery_Health=87,5 %", "storage=512 GB"]);
    log(dir.path(), "123");
    let file = fs::read_to_string(&path).unwrap();
    let lines: Vec<&str> = file.lines().collect();
    assert!(
        lines[0].ends_with(",note,attr.battery health,attr.storage"),
        "{file}"
    );
    assert_eq!(lines[1], format!("{first},,"));
    assert!(
        lines[2].ends_with(",1,,,256") && lines[3].ends_with(",1,,87.5,512"),
        "{file}"
    );
    assert!(lines[4].ends_with(",1,,,") && lines.len() == 5, "{file}");
    let texts: BTreeSet<String> = comps(&Book::open(Some(dir.path())).unwrap())
        .iter()
        .map(|comp| comp.attributes.to_string())
        .collect();
    let expected = ["", "storage=256", "battery health=87.5; storage=512"];
    assert_eq!(texts, expected.map(str::to_string).into());
    for _ in 0..3 {
        out(dir.path(), &["undo"]);
    }
    let undone = fs::read_to_string(dir.path().join("undone/logged.csv")).unwrap();
    let lines: Vec<&str> = undone.lines().collect();
    assert!(
        lines[0].ends_with(",attr.battery health,attr.storage"),
        "{undone}"
    );
    assert!(
        lines[1].starts_with("4,") && lines[1].ends_with(",1,,,"),
        "{undone}"
    );
    assert!(
        lines[2].starts_with("3,") && lines[2].ends_with(",87.5,512"),
        "{undone}"
    );
    assert!(
        lines[3].starts_with("2,") && lines[3].ends_with(",,256"),
        "{undone}"
    );
    assert_eq!(csv_rows(dir.path()).len(), 1);
}

#[test]
fn logged_attributes_are_held_against_the_settings() {
    let dir = book();
    let settings = "[families.f]\nmodels = [\"Nulva 61K\"]\n\
                    attributes.storage = { unit = \"GB\", scale = \"doubling\", sign = \"up\", rule = \"3 to 12 %\" }\n";
    fs::write(dir.path().join("compband.toml"), settings).unwrap();
    let log = |set: &str| {
        let args = [
            "log",
            "--model",
            "nulva 61k",
            "--price",
            "9",
            "--sold-on",
            "2026-01-15",
            "--set",
            set,
        ];
        run(dir.path(), &args)
    };
    for (set, expected) in [
        (
            "storage=1 TB",
            "--set: found \"storage=1 TB\": expected a number in GB",
        ),
        ("storage=0", "expected a number above 0"),
        ("storage=1,000", "expected a number with one reading"),
        ("=5", "expected the name of an attribute and its value"),
        ("storage", "expected the name of an attribute and its value"),
    ] {
        let output = log(set);
        assert_eq!(output.status.code(), Some(3), "{set}");
        assert!(
            stderr(&output).contains(expected),
            "{set}: {}",
            stderr(&output)
        );
    }
    assert!(!dir.path().join("comps/logged.csv").exists());
    assert_eq!(stderr(&log("storage=256gb")), "");
    let odd = log("storge=256");
    assert!(
        odd.status.success()
            && stderr(&odd)
                .contains("no family in compband.toml declares \"storge\" for \"nulva 61k\"")
            && stderr(&odd).contains("did you mean \"storage\"?"),
        "{}",
        stderr(&odd)
    );
    assert!(out(dir.path(), &["comps"]).contains("storage 256 GB"));
}

#[test]
fn undo_goes_back_entry_by_entry_and_numbers_are_not_used_again() {
    let dir = book();
    write_import(
        dir.path(),
        "000001-old.csv",
        &row("a", "2026-01-01", "Nulva 61K", "100.00"),
    );
    log(dir.path(), "120");
    write_import(
        dir.path(),
        "000003-shop.csv",
        &(row("a", "2026-01-01", "Nulva 61K", "101.00")
            + &row("b", "2026-01-02", "Tumrik QN 948", "50.00")),
    );
    assert_eq!(csv_rows(dir.path()).len(), 3);
    let dry = out(dir.path(), &["undo", "--dry-run"]);
    assert!(
        dry.contains("comps/000003-shop.csv")
            && dry.contains("2 comps")
            && dry.contains("Nothing was changed"),
        "{dry}"
    );
    assert!(dir.path().join("comps/000003-shop.csv").exists());
    let undone = out(dir.path(), &["undo"]);
    assert!(
        undone.contains("Tumrik QN 948: 1") && undone.contains("Back as recorded before: 1 comp"),
        "{undone}"
    );
    assert!(dir.path().join("undone/000003-shop.csv").exists());
    assert!(log(dir.path(), "130").contains("sale record 4"));
    for entry in ["sale record 4", "sale record 2", "sale record 1"] {
        assert!(out(dir.path(), &["undo"]).contains(entry));
    }
    fails(dir.path(), 5, &["undo"]);
    let kept = fs::read_to_string(dir.path().join("undone/logged.csv")).unwrap();
    assert!(
        kept.lines().nth(1).unwrap().starts_with("4,")
            && kept.lines().nth(2).unwrap().starts_with("2,"),
        "{kept}"
    );
    assert!(log(dir.path(), "140").contains("sale record 5"));
}

#[test]
fn a_spoilt_import_is_refused_cell_by_cell_and_can_be_taken_back() {
    let dir = book();
    write_import(
        dir.path(),
        "000001-shop.csv",
        &(row("a", "01/02/2026", "Nulva 61K", "1,5")
            + &row("b", "2026-01-02", "Nulva 61K", "50")
            + &row("b", "2026-01-02", "Bolv 83V", "5")),
    );
    let text = fails(dir.path(), 3, &["comps"]);
    assert!(
        text.contains("comps/000001-shop.csv, row 2: found \"18 cells\""),
        "{text}"
    );
    assert!(
        text.contains("comps/000001-shop.csv, row 4, column comp_id: found \"b\"")
            && text.contains("row 3 has it too"),
        "{text}"
    );
    out(dir.path(), &["undo"]);
    assert_eq!(csv_rows(dir.path()).len(), 0);
}

#[test]
fn a_torn_last_line_is_passed_over_by_readers_and_repaired_by_writers() {
    let dir = book();
    log(dir.path(), "120");
    let path = dir.path().join("comps/logged.csv");
    let whole = fs::read(&path).unwrap();
    let torn = [whole.as_slice(), b"2,abc,2026-01-15,Nulva 61K,,\"fu"].concat();
    fs::write(&path, &torn).unwrap();
    let read = run(dir.path(), &["comps", "--csv"]);
    assert!(read.status.success() && stderr(&read).contains("not finished and is skipped"));
    assert_eq!(fs::read(&path).unwrap(), torn, "a reader wrote");
    let written = run(
        dir.path(),
        &["log", "--model", "Nulva 61K", "--price", "99"],
    );
    assert!(
        stderr(&written).contains("cut off and removed"),
        "{}",
        stderr(&written)
    );
    assert_eq!(
        fs::read(dir.path().join("comps/logged-torn-1.txt")).unwrap(),
        b"2,abc,2026-01-15,Nulva 61K,,\"fu"
    );
    assert_eq!(csv_rows(dir.path()).len(), 2);
    assert!(fs::read(&path).unwrap().starts_with(&whole));
}

#[test]
fn a_last_line_that_only_lacks_its_end_is_kept() {
    let dir = book();
    log(dir.path(), "120");
    log(dir.path(), "130");
    let path = dir.path().join("comps/logged.csv");
    let whole = fs::read(&path).unwrap();
    fs::write(&path, &whole[..whole.len() - 1]).unwrap();
    assert_eq!(csv_rows(dir.path()).len(), 1);
    let written = run(
        dir.path(),
        &["log", "--model", "Nulva 61K", "--price", "99"],
    );
    assert!(
        stderr(&written).contains("it is readable and kept, but its last cell may be cut"),
        "{}",
        stderr(&written)
    );
    assert_eq!(csv_rows(dir.path()).len(), 3);
}

#[test]
fn every_cut_of_the_log_leaves_a_book_that_reads_and_writes() {
    let note = "a \"b\"\nc";
    let plain = [
        "log",
        "--model",
        "Nulva 61K",
        "--price",
        "1",
        "--note",
        note,
    ];
    let with_attribute = [&plain[..], &["--set", "storage=256"]].concat();
    for args in [&plain[..], &with_attribute] {
        let dir = book();
        out(dir.path(), args);
        let path = dir.path().join("comps/logged.csv");
        let whole = fs::read(&path).unwrap();
        let book = Book::open(Some(dir.path())).unwrap();
        let mut sale = comps(&book).remove(0);
        sale.comp_id = "later".into();
        for cut in 0..whole.len() {
            fs::write(&path, &whole[..cut]).unwrap();
            assert_eq!(comps(&book).len(), 0, "cut at {cut}");
            let lock = book.lock(&mut |_| {}).unwrap();
            book.append(&lock, &sale, &mut |_| {}).unwrap();
            let after = comps(&book);
            assert!(
                after.contains(&sale) && after.len() <= 2,
                "cut at {cut}: {after:?}"
            );
            let header = fs::read_to_string(&path).unwrap();
            let header = header.lines().next().unwrap();
            let attributes = header.matches("attr.").count();
            assert_eq!(
                attributes,
                sale.attributes.iter().count(),
                "cut at {cut}: {header}"
            );
        }
    }
}

#[test]
fn a_quote_left_open_by_hand_does_not_cost_the_rows_behind_it() {
    let dir = book();
    for price in ["1", "2", "3"] {
        log(dir.path(), price);
    }
    let path = dir.path().join("comps/logged.csv");
    let spoilt = fs::read_to_string(&path)
        .unwrap()
        .replacen("Nulva 61K", "\"Nulva 61K", 1);
    fs::write(&path, &spoilt).unwrap();
    let text = fails(
        dir.path(),
        3,
        &["log", "--model", "Nulva 61K", "--price", "9"],
    );
    assert!(
        text.contains("row 2") && text.contains("double quote"),
        "{text}"
    );
    assert_eq!(fs::read_to_string(&path).unwrap(), spoilt);
}

#[test]
fn many_runs_at_once_lose_and_mix_nothing() {
    const RUNS: usize = 12;
    let dir = book();
    let running: Vec<_> = (0..RUNS)
        .map(|n| {
            let mut command = compband(dir.path());
            command.args([
                "log",
                "--model",
                "Nulva 61K",
                "--price",
                &format!("{}", 100 + n),
                "--note",
                &"x".repeat(5000),
            ]);
            command
                .stdout(Stdio::null())
                .stderr(Stdio::piped())
                .spawn()
                .unwrap()
        })
        .collect();
    for child in running {
        let output = child.wait_with_output().unwrap();
        assert!(output.status.success(), "{}", stderr(&output));
    }
    let file = fs::read_to_string(dir.path().join("comps/logged.csv")).unwrap();
    let entries: Vec<usize> = file
        .lines()
        .skip(1)
        .map(|line| line.split(',').next().unwrap().parse().unwrap())
        .collect();
    assert_eq!(entries, (1..=RUNS).collect::<Vec<_>>());
    let prices: BTreeSet<String> = csv_rows(dir.path())
        .iter()
        .map(|row| row.split(',').nth(10).unwrap().into())
        .collect();
    assert_eq!(
        prices,
        (0..RUNS).map(|n| format!("{}.00", 100 + n)).collect()
    );
}

#[test]
fn listings_filter_and_say_how_many_more() {
    let dir = book();
    let rows: String = (0..60)
        .map(|n| {
            row(
                &format!("a{n:07}"),
                &format!("2026-01-{:02}", n % 28 + 1),
                "Nulva 61K",
                "100.00",
            )
        })
        .collect();
    write_import(
        dir.path(),
        "000001-a.csv",
        &(rows + &row("b0000001", "2025-05-05", "Tumrik QN 948", "50.00")),
    );
    out(
        dir.path(),
        &[
            "log",
            "--model",
            "Bolv 83V",
            "--price",
            "9",
            "--parts",
            "--sold-on",
            "2024-01-01",
            "--venue",
            "Corner Shop",
        ],
    );
    let text = out(dir.path(), &["comps"]);
    assert!(
        text.starts_with("Amounts in EUR\n") && text.contains("… and 12 more sales; --limit 62"),
        "{text}"
    );
    assert!(text.contains("a0000027") && !text.contains('\u{1b}'));
    let count = |args: &[&str]| {
        out(dir.path(), &[&["comps", "--csv"], args].concat())
            .lines()
            .count()
            - 1
    };
    assert_eq!(count(&["--model", "tumrik qn948"]), 1);
    assert_eq!(count(&["--since", "2026-01-28"]), 2);
    assert_eq!(count(&["--until", "2025-12-31"]), 2);
    assert_eq!(count(&["--parts"]), 1);
    assert_eq!(count(&["--id", "a000005"]), 10);
    assert_eq!(count(&["--grade", "b", "--completeness", "FULL"]), 61);
    assert_eq!(count(&["--venue", "corner  shop"]), 1);
    assert_eq!(count(&["--limit", "7"]), 7);
    assert_eq!(count(&["--variant", "red"]), 0);
    assert!(fails(dir.path(), 5, &["comps", "--model", "Tumrik QM 948"]).contains("Tumrik QN 948"));
    assert!(fails(dir.path(), 3, &["comps", "--grade", "Z"]).contains("A, B, C, D"));
}

#[test]
fn models_sum_up() {
    let dir = book();
    let rows = row("a", "2026-01-01", "Nulva 61K", "100.00")
        + &row("b", "2026-02-01", "nulva  61k", "120.00")
        + &row("c", "2026-03-01", "Nulva 61K", "90.00").replace(",yes,", ",no,")
        + &row("d", "2026-03-02", "Nulva 61K", "900.00").replace(",fair,1,", ",fair,9,");
    write_import(dir.path(), "000001-a.csv", &rows);
    let text = out(dir.path(), &["models", "NULVA 61K"]);
    let line = text
        .lines()
        .find(|line| line.starts_with("Nulva 61K"))
        .unwrap();
    let cells: Vec<&str> = line.split_whitespace().collect();
    let expected = [
        "Nulva",
        "61K",
        "4",
        "2026-01-01",
        "2026-03-02",
        "104.90",
        "114.90",
        "124.90",
        "B",
        "4",
    ];
    assert_eq!(cells, expected);
    assert!(fails(dir.path(), 5, &["models", "Nula 61K"]).contains("Nulva 61K"));
}

#[test]
fn exported_rows_imported_again_are_the_same_rows() {
    let dir = book();
    out(
        dir.path(),
        &[
            "log",
            "--model",
            "Nulva 61K",
            "--price",
            "1.2345",
            "--note",
            "a, \"b\"\nc; d",
            "--missing",
            "strap x3",
            "--undated",
        ],
    );
    out(
        dir.path(),
        &[
            "log",
            "--model",
            "Bolv 83V",
            "--price",
            "99999999999",
            "--venue",
            "süd",
        ],
    );
    let exported = out(dir.path(), &["comps", "--csv"]);
    let other = book();
    fs::write(other.path().join("comps/000001-all.csv"), &exported).unwrap();
    assert_eq!(out(other.path(), &["comps", "--csv"]), exported);
}

#[test]
fn a_sale_without_a_day_is_logged_listed_and_dated_later() {
    let dir = book();
    let sale = ["log", "--model", "Nulva 61K", "--price", "90"];
    let said = out(dir.path(), &[&sale[..], &["--undated"]].concat());
    assert!(said.contains("sold on a day not recorded"), "{said}");
    let both = [&sale[..], &["--undated", "--sold-on", "today"]].concat();
    fails(dir.path(), 2, &both);
    // A day left blank by mistake is not taken for one that is not known.
    fails(dir.path(), 2, &[&sale[..], &["--sold-on", ""]].concat());
    let models = out(dir.path(), &["models"]);
    assert!(models.contains(" –  "), "{models}");
    log(dir.path(), "100");
    log(dir.path(), "110");
    let rows = csv_rows(dir.path());
    let days: Vec<&str> = rows
        .iter()
        .map(|row| row.split(',').nth(1).unwrap())
        .collect();
    assert_eq!(days, ["2026-01-15", "2026-01-15", ""]);
    let id = rows[2].split(',').next().unwrap();
    let listed = |args: &[&str]| out(dir.path(), &[&["comps"], args].concat());
    assert!(listed(&[]).lines().last().unwrap().contains(" –  "));
    let undated = listed(&["--undated", "--csv"]);
    assert!(
        undated.lines().count() == 2 && undated.contains(id),
        "{undated}"
    );
    assert!(!listed(&["--since", "2020-01-01"]).contains("90.00"));
    assert!(!listed(&["--until", "2030-01-01"]).contains("90.00"));
    let update = ["log", "--id", id, "--update"];
    out(
        dir.path(),
        &[&update[..], &["--sold-on", "2026-01-20"]].concat(),
    );
    assert!(csv_rows(dir.path())[0].starts_with(&format!("{id},2026-01-20,")));
    out(dir.path(), &[&update[..], &["--undated"]].concat());
    assert!(csv_rows(dir.path())[2].starts_with(&format!("{id},,")));
}

#[test]
fn a_closed_pipe_ends_quietly() {
    let dir = book();
    let rows: String = (0..5000)
        .map(|n| row(&format!("a{n:07}"), "2026-01-01", "Nulva 61K", "100.00"))
        .collect();
    write_import(dir.path(), "000001-a.csv", &rows);
    let mut child = compband(dir.path())
        .args(["comps", "--csv"])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    drop(child.stdout.take());
    let output = child.wait_with_output().unwrap();
    assert_eq!(
        (output.status.code(), stderr(&output).as_str()),
        (Some(0), "")
    );
}

/// A book written by an earlier build opens as it is: comps, ledger and history are told as that build
/// told them, an estimate is made, a sale is logged and taken back, and no file of it has changed but the log.
#[test]
fn a_book_of_an_earlier_build_opens_unchanged() {
    let here = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/it");
    let said = |name: &str| fs::read_to_string(here.join("old-book-said").join(name)).unwrap();
    let dir = tempfile::tempdir().unwrap();
    let old = everything(&here.join("old-book"));
    copied(&here.join("old-book"), dir.path());
    assert_eq!(old.values().flatten().count(), 8);
    let tell = |args: &[&str]| out(dir.path(), args);
    assert_eq!(tell(&["comps", "--csv"]), said("comps.csv"));
    assert_eq!(
        tell(&["ledger", "--as-of", "2026-11-20"]),
        said("ledger.txt")
    );
    assert_eq!(tell(&["history", "61k"]), said("history.txt"));
    let unit = [
        "--model",
        "Nulva 61K",
        "--grade",
        "B",
        "--as-of",
        "2026-11-20",
    ];
    assert!(tell(&[&["estimate"], &unit[..]].concat()).contains("Likely price"));
    let sale = [
        "--model",
        "Nulva 61K",
        "--price",
        "150",
        "--sold-on",
        "2026-11-19",
    ];
    tell(&[&["log"], &sale[..]].concat());
    tell(&["undo"]);
    let now = everything(dir.path());
    let changed = old
        .iter()
        .filter(|(path, bytes)| now.get(*path) != Some(bytes));
    let changed: Vec<_> = changed.collect();
    assert!(
        changed.iter().all(|(path, _)| path.ends_with("logged.csv")),
        "{changed:?}"
    );
}
