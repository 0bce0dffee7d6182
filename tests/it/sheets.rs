//! Sheets as people keep them, each imported without a hand edit: `tests/it/sheets`, made by `make.py` there with
//! programs that are not ours.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use compband::book::Book;
use compband::sheets::ReadOptions;
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use rust_decimal::Decimal;

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/it/sheets")
}

/// Imports a sheet into a new book with the program and returns its sales, one a line, in the form of the `.sales`
/// files, with what the program said.
fn imported(name: &str, init: &[&str], flags: &[&str]) -> (Vec<String>, String) {
    let dir = tempfile::tempdir().unwrap();
    let run = |args: &[&str]| {
        let mut command = assert_cmd::Command::cargo_bin("compband").unwrap();
        command
            .env_remove("COMPBAND_BOOK")
            .env_remove("COLUMNS")
            .env("NO_COLOR", "1");
        let output = command.current_dir(dir.path()).args(args).output().unwrap();
        let said = String::from_utf8_lossy(&output.stdout).into_owned();
        let told = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(output.status.success(), "{name}: {said}{told}");
        said + &told
    };
    run(&[&["init"], init].concat());
    let sheet = folder().join(name);
    let said = run(&[&["import", sheet.to_str().unwrap()], flags].concat());
    let again = run(&[&["import", sheet.to_str().unwrap()], flags].concat());
    assert!(
        again.contains(", unchanged: nothing was changed"),
        "{name}: {again}"
    );
    let book = Book::open(Some(dir.path())).unwrap();
    (sales(&book), said)
}

fn sales(book: &Book) -> Vec<String> {
    let frame = book.frame(&mut |text| panic!("{text}")).unwrap();
    let rows =
        compband::book::comps::frame::FrameRows::new(&frame, &book.settings().currency).unwrap();
    let mut lines: Vec<String> = (0..rows.len())
        .map(|at| {
            let comp = rows.comp(at);
            [
                comp.model,
                comp.sold_on.map_or(String::new(), |day| day.to_string()),
                money(comp.price),
                money(comp.shipping),
                comp.grade,
                comp.completeness,
                comp.how_sold.map_or("", |how| how.as_str()).to_string(),
                comp.missing.to_string(),
                if comp.works { "yes" } else { "no" }.to_string(),
                comp.lot_size.to_string(),
            ]
            .join(" | ")
        })
        .collect();
    lines.sort();
    lines
}

fn money(amount: Decimal) -> String {
    amount.normalize().to_string()
}

/// The sales of a sheet by its `.sales` file.
fn expected(name: &str) -> Vec<String> {
    let text = fs::read_to_string(folder().join(format!("{name}.sales"))).unwrap();
    let mut lines: Vec<String> = text
        .lines()
        .map(|line| {
            let mut cells: Vec<String> = line
                .split('|')
                .map(|cell| cell.trim().to_string())
                .collect();
            for at in [2, 3] {
                cells[at] = money(cells[at].parse().unwrap());
            }
            cells.join(" | ")
        })
        .collect();
    lines.sort();
    lines
}

/// Each sheet with what has to be said for it: nothing, or what its words mean.
#[test]
fn every_habit_is_understood() {
    let german = [
        "--value",
        "grade:sehr gut=B",
        "--value",
        "grade:gut=C",
        "--value",
        "grade:neuwertig=A",
    ];
    let words = [
        "--value",
        "grade:very good=B",
        "--value",
        "grade:vg=B",
        "--value",
        "grade:fair=C",
    ];
    let misspelt = [
        "--value",
        "model:Harvane-Tessel=Harvane Tessel",
        "--value",
        "model:Havrane Tessel=Harvane Tessel",
        "--value",
        "completeness:complete=full",
    ];
    let one = ["--fill", "model=Harvane Tessel"];
    let said: BTreeMap<&str, (&[&str], &[&str])> = BTreeMap::from([
        ("titles-above.csv", (&[][..], &[][..])),
        ("german.csv", (&[], &german)),
        ("french.txt", (&[], &[])),
        ("spanish.csv", (&[], &[])),
        ("unicode.txt", (&[], &words)),
        ("dollars.csv", (&["--currency", "USD"], &[])),
        ("misspelt.csv", (&[], &misspelt)),
        ("one-model.csv", (&[], &one)),
        ("sold.xlsx", (&[], &[])),
        ("months.xlsx", (&[], &[])),
        ("dutch.csv", (&[], &[])),
        ("italian.ods", (&[], &[])),
        ("sales.xls", (&[], &[])),
    ]);
    let there = fs::read_dir(folder()).unwrap();
    let there = there.filter(|file| {
        let path = file.as_ref().unwrap().path();
        path.extension().is_some_and(|end| end == "sales")
    });
    assert_eq!(there.count(), said.len());
    for (name, (init, flags)) in said {
        let (found, told) = imported(name, init, flags);
        assert_eq!(found, expected(name), "{name}\n{told}");
    }
}

#[test]
fn what_is_passed_over_is_said() {
    let (_, said) = imported("titles-above.csv", &[], &[]);
    assert!(said.contains("1 row of sums skipped"), "{said}");
    assert!(
        said.contains("1 row of one cell skipped (row 9: \"March\")"),
        "{said}"
    );
    let (_, said) = imported("sold.xlsx", &[], &[]);
    assert!(said.contains("sheet \"Sold 2026\""), "{said}");
    assert!(
        said.contains("it has \"Ideas\", \"Sold 2026\", \"2025\""),
        "{said}"
    );
    let (found, said) = imported("sold.xlsx", &[], &["--sheet", "2025"]);
    assert_eq!(
        found,
        ["Ostrel Vakk | 2025-05-05 | 900 | 0 |  |  |  |  | yes | 1"],
        "{said}"
    );
}

/// What is not understood is said once, whatever the number of rows, with what to do.
#[test]
fn unknown_words_are_told_by_kind_and_kept() {
    let dir = tempfile::tempdir().unwrap();
    let run = |args: &[&str]| {
        let mut command = assert_cmd::Command::cargo_bin("compband").unwrap();
        command
            .env_remove("COMPBAND_BOOK")
            .env_remove("COLUMNS")
            .env("NO_COLOR", "1");
        let output = command.current_dir(dir.path()).args(args).output().unwrap();
        let text = String::from_utf8_lossy(&output.stdout).into_owned()
            + &String::from_utf8_lossy(&output.stderr);
        (output.status.code(), text)
    };
    run(&["init"]);
    let mut sheet = "date,model,price,grade,works\n".to_string();
    for day in 1..=20 {
        let grade = ["vg", "fair"][day % 2];
        sheet.push_str(&format!(
            "2026-01-{day:02},Harvane Tessel,{},{grade},untested\n",
            100 + day
        ));
    }
    fs::write(dir.path().join("a.csv"), &sheet).unwrap();
    let (code, said) = run(&["import", "a.csv"]);
    assert_eq!(code, Some(3), "{said}");
    for told in [
        "a.csv, column works: found \"untested\" in 20 rows, first in row 2: expected yes or no",
        "column grade: found \"fair\" in 10 rows, first in row 2: expected a grade of the scale: A, B, C, D \
         (did you mean \"C\"?); say what it means: --value \"grade:fair=C\"",
        "column grade: found \"vg\" in 10 rows, first in row 3",
    ] {
        assert!(said.contains(told), "{told}\n{said}");
    }
    assert!(said.lines().count() < 12, "{said}");
    let words = [
        "--value",
        "grade:vg=B",
        "--value",
        "grade:Fair=C",
        "--value",
        "works:untested=no",
    ];
    let (code, said) = run(&[&["import", "a.csv"], &words[..], &["--dry-run"]].concat());
    assert!(code == Some(0) && said.contains("Would be kept"), "{said}");
    let (code, said) = run(&["import", "a.csv"]);
    assert_eq!(code, Some(3), "a dry run keeps nothing: {said}");
    let (code, said) = run(&[&["import", "a.csv"], &words[..]].concat());
    assert!(
        code == Some(0) && said.contains("Kept for later imports"),
        "{said}"
    );
    fs::write(
        dir.path().join("b.csv"),
        sheet.replace("2026-01", "2026-02"),
    )
    .unwrap();
    let (code, said) = run(&["import", "b.csv"]);
    assert!(code == Some(0) && said.contains("20 new"), "{said}");
    let (code, said) = run(&["import", "a.csv", "--value", "grade:vg=E"]);
    assert!(
        code == Some(2) && said.contains("expected one of A, B, C, D, or nothing"),
        "{said}"
    );
    let (code, said) = run(&["import", "a.csv", "--value", "grad:vg=B"]);
    assert!(
        code == Some(2) && said.contains("did you mean \"grade\"?"),
        "{said}"
    );
}

/// Four spellings of one model become one, and stay so when the sheet is imported again.
#[test]
fn a_model_with_other_names() {
    let dir = tempfile::tempdir().unwrap();
    let run = |args: &[&str], code: i32| {
        let mut command = assert_cmd::Command::cargo_bin("compband").unwrap();
        command
            .env_remove("COMPBAND_BOOK")
            .env_remove("COLUMNS")
            .env("NO_COLOR", "1");
        let output = command.current_dir(dir.path()).args(args).output().unwrap();
        let text = String::from_utf8_lossy(&output.stdout).into_owned()
            + &String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(code), "{args:?}\n{text}");
        text
    };
    let sheet = folder().join("misspelt.csv");
    let sheet = sheet.to_str().unwrap();
    run(&["init"], 0);
    let import = ["import", sheet, "--value", "completeness:complete=full"];
    let said = run(&import, 0);
    assert!(
        said.contains("compband models rename \"Havrane Tessel\" \"Harvane Tessel\""),
        "{said}"
    );
    run(
        &[
            "log",
            "--model",
            "Havrane Tessel",
            "--price",
            "119",
            "--sold-on",
            "2026-02-20",
        ],
        0,
    );
    let said = run(&["models", "rename", "Havrane Tessel", "Harvane Tessel"], 0);
    assert!(
        said.contains("2 sales of \"Havrane Tessel\" are now of \"Harvane Tessel\""),
        "{said}"
    );
    run(&["models", "same", "Harvane Tessel", "Harvane-Tessel"], 0);
    let book = || Book::open(Some(dir.path())).unwrap();
    let models = || -> Vec<String> {
        let of = |line: &String| {
            line.split(" | ")
                .next()
                .unwrap()
                .to_uppercase()
                .replace("  ", " ")
        };
        let mut all: Vec<String> = sales(&book()).iter().map(of).collect();
        all.dedup();
        all
    };
    assert_eq!(models(), ["HARVANE TESSEL"]);
    assert_eq!(sales(&book()).len(), 6);
    let said = run(&import, 0);
    assert!(said.contains(", unchanged: nothing was changed"), "{said}");
    assert_eq!(sales(&book()).len(), 6);
    let said = run(
        &[
            "estimate",
            "--model",
            "havrane tessel",
            "--as-of",
            "2026-03-01",
        ],
        0,
    );
    assert!(said.contains("Harvane Tessel"), "{said}");
    run(&["models", "rename", "Nothing Here", "Harvane Tessel"], 5);
}

/// The same rows from a pipe, and of a workbook that is damaged.
#[test]
fn a_pipe_and_a_damaged_file() {
    let dir = tempfile::tempdir().unwrap();
    let command = || {
        let mut command = assert_cmd::Command::cargo_bin("compband").unwrap();
        command
            .env_remove("COMPBAND_BOOK")
            .env("NO_COLOR", "1")
            .current_dir(dir.path());
        command
    };
    command().arg("init").assert().success();
    let sheet = fs::read(folder().join("french.txt")).unwrap();
    let output = command()
        .args(["import", "-"])
        .write_stdin(sheet)
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(
        output.status.success() && said.contains("pasted: 3 rows"),
        "{said}"
    );
    let whole = fs::read(folder().join("sold.xlsx")).unwrap();
    for cut in (4..whole.len()).step_by(97) {
        fs::write(dir.path().join("cut.xlsx"), &whole[..cut]).unwrap();
        let output = command().args(["import", "cut.xlsx"]).output().unwrap();
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(
            output.status.code() == Some(3) && !said.contains("panicked"),
            "{cut}: {said}"
        );
    }
}

/// No damage to a workbook ends the program: bytes changed, cut and doubled at random (`COMPBAND_FUZZ_SECONDS` for
/// a longer run).
#[test]
fn damaged_workbooks_are_refused() {
    let seconds: u64 =
        std::env::var("COMPBAND_FUZZ_SECONDS").map_or(2, |text| text.parse().unwrap());
    let until = std::time::Instant::now() + std::time::Duration::from_secs(seconds);
    let whole = ["sold.xlsx", "months.xlsx", "italian.ods", "sales.xls"]
        .map(|name| fs::read(folder().join(name)).unwrap());
    let mut rng = StdRng::seed_from_u64(13);
    let (mut read, mut refused) = (0, 0);
    while std::time::Instant::now() < until {
        let mut bytes = whole[rng.random_range(0..whole.len())].clone();
        for _ in 0..rng.random_range(1..8) {
            let at = rng.random_range(4..bytes.len());
            match rng.random_range(0..4) {
                0 => bytes.truncate(at.max(40)),
                1 => {
                    let twice = bytes[at..(at + 30).min(bytes.len())].to_vec();
                    bytes.splice(at..at, twice);
                }
                _ => bytes[at] = rng.random(),
            }
        }
        match compband::sheets::Input::from_bytes("a.xlsx", bytes, &ReadOptions::default()) {
            Ok(input) => read += input.rows().count().min(1),
            Err(problems) => refused += problems.len().min(1),
        }
    }
    assert!(refused > 10 && read > 0, "{read} {refused}");
}
