//! Found by attack: names that look alike, names that cannot be seen, formulas in CSV, settings and
//! surroundings that made the program run for ever or panic.

use std::fs;
use std::path::Path;
use std::process::Command;
use std::time::Duration;

use tempfile::TempDir;

use crate::runner::{compband, ends, fails, out, run, stderr};

/// Longest that a run may take that once did not end.
const THREE_MINUTES: Duration = Duration::from_secs(180);

fn book() -> TempDir {
    let dir = tempfile::tempdir().unwrap();
    out(dir.path(), &["init"]);
    dir
}

fn settings(dir: &Path, more: &str) {
    let path = dir.join("compband.toml");
    let text = fs::read_to_string(&path).unwrap();
    fs::write(path, format!("{text}\n{more}\n")).unwrap();
}

/// How many models a book has, as `models` says it first.
fn models(dir: &Path) -> usize {
    let told = out(dir, &["models"]);
    told.split(' ').next().unwrap().parse().unwrap()
}

/// `é` as one character and as two, and letters whose cases differ in number.
#[test]
fn names_that_look_alike_are_one_model() {
    for (one, other) in [
        ("Caf\u{e9} 7", "CAFE\u{301} 7"),
        ("Straße 1", "STRASSE 1"),
        ("ΘΉΚΗΣ", "θήκης"),
    ] {
        let dir = book();
        for (model, price) in [(one, "100"), (other, "110")] {
            out(dir.path(), &["log", "--model", model, "--price", price]);
        }
        assert_eq!(models(dir.path()), 1, "{one} {other}");
        let sheet = out(dir.path(), &["comps", "--model", other, "--csv"]);
        assert_eq!(sheet.lines().count(), 3, "{sheet}");
        let bought = run(dir.path(), &["buy", one, "--price", "50"]);
        assert!(bought.status.success(), "{}", stderr(&bought));
        out(dir.path(), &["sold", other, "--price", "90"]);
    }
    // Of grades, pieces and attributes as well.
    let dir = book();
    settings(
        dir.path(),
        "[kits.\"Zed 1\"]\nships_with = [\"e\u{301}tui\"]\nusable_needs = []\n\
         [families.zed]\nmodels = [\"ZED 1\"]\nattributes.\"cl\u{e9}s\" = { rule = \"1 to 3 %\" }",
    );
    let sale = [
        "log",
        "--model",
        "Zed 1",
        "--price",
        "5",
        "--missing",
        "\u{c9}tui",
        "--set",
        "cle\u{301}s=2",
    ];
    let said = run(dir.path(), &sale);
    assert!(
        said.status.success() && stderr(&said).is_empty(),
        "{}",
        stderr(&said)
    );
}

/// Rows that a book took in before names were composed: they are of the model that they look like, and
/// stay as they are.
#[test]
fn an_old_book_is_matched_by_the_new_key() {
    let dir = book();
    out(dir.path(), &["log", "--model", "Cafe 7", "--price", "100"]);
    let path = dir.path().join("comps/logged.csv");
    let old = fs::read_to_string(&path)
        .unwrap()
        .replace("Cafe 7", "Cafe\u{301}\u{3164} 7");
    fs::write(&path, &old).unwrap();
    out(
        dir.path(),
        &["log", "--model", "Caf\u{e9} 7", "--price", "110"],
    );
    assert!(fs::read_to_string(&path).unwrap().starts_with(&old));
    assert_eq!(models(dir.path()), 1);
    let estimate = out(
        dir.path(),
        &["estimate", "--model", "CAF\u{c9} 7", "--json"],
    );
    let estimate: serde_json::Value = serde_json::from_str(&estimate).unwrap();
    assert_eq!(estimate["comps"].as_array().unwrap().len(), 2);
}

/// A sheet that was taken in is the same when its names come decomposed, as some systems write them.
#[test]
fn a_sheet_in_another_form_holds_the_same_sales() {
    let dir = book();
    let sheet = |name: &str| {
        let rows =
            "date,item,price\n2026-01-02,Caf\u{e9} 7,5\n2026-01-03,Gr\u{f6}\u{df}e,6\n".to_string();
        let text = if name == "a.csv" {
            rows
        } else {
            rows.replace('\u{e9}', "e\u{301}")
                .replace('\u{f6}', "o\u{308}")
        };
        fs::write(dir.path().join(name), text).unwrap();
        out(dir.path(), &["import", name])
    };
    assert!(sheet("a.csv").contains("2 new"));
    let again = sheet("b.csv");
    assert!(again.contains("already has 2 sales, unchanged"), "{again}");
}

#[test]
fn names_that_cannot_be_seen_are_refused() {
    let dir = book();
    for unseen in [
        "\u{3164}",
        "Zed\u{e0041}\u{e0042}",
        "Zed\u{ad}der",
        "Zed \u{2800}",
        "Zed\u{ffa0}",
        "\u{fe0f}Zed",
    ] {
        let said = fails(dir.path(), 3, &["log", "--model", unseen, "--price", "5"]);
        assert!(said.contains("characters that cannot be seen"), "{said}");
        let said = fails(dir.path(), 3, &["buy", unseen, "--price", "5"]);
        assert!(said.contains("characters that cannot be seen"), "{said}");
        let buy = [
            "buy",
            "Zed",
            "--price",
            "5",
            "--missing",
            "strap",
            "--variant",
            unseen,
        ];
        let said = fails(dir.path(), 3, &buy);
        assert!(said.contains("--variant: expected text without"), "{said}");
        fs::write(
            dir.path().join("a.csv"),
            format!("date,item,price\n2026-01-02,{unseen},5\n"),
        )
        .unwrap();
        let said = fails(dir.path(), 3, &["import", "a.csv"]);
        assert!(said.contains("row 2, column item"), "{said}");
        assert!(said.contains("\\u{"), "{said}");
    }
    // An emoji is seen, whichever way it is drawn.
    for seen in ["Zed \u{260e}\u{fe0f}", "zed \u{260e}"] {
        out(dir.path(), &["log", "--model", seen, "--price", "5"]);
    }
    assert_eq!(models(dir.path()), 1);
}

/// Degrees of freedom beyond which errors are normal for every purpose.
#[test]
fn errors_of_very_many_degrees_of_freedom_are_normal() {
    let bands: Vec<String> = ["2e6", "1e8", "1e300", "inf"]
        .into_iter()
        .map(|nu| {
            let dir = book();
            settings(dir.path(), &format!("[estimate]\nnu = {nu}"));
            for price in ["100", "104", "110", "120", "97"] {
                out(dir.path(), &["log", "--model", "Zed 1", "--price", price]);
            }
            let told = ends(dir.path(), &["estimate", "--model", "Zed 1"], THREE_MINUTES);
            assert!(told.status.success(), "{}", stderr(&told));
            String::from_utf8(told.stdout).unwrap()
        })
        .collect();
    assert!(bands.iter().all(|band| *band == bands[3]), "{bands:?}");
}

/// A kit of very many pieces, of which units of unknown completeness may lack any.
#[test]
fn a_kit_of_very_many_pieces_is_estimated() {
    let dir = book();
    let pieces: Vec<String> = (0..2000).map(|at| format!("\"piece {at}\"")).collect();
    settings(
        dir.path(),
        &format!(
            "[kits.\"Zed 1\"]\nships_with = [{}]\nusable_needs = [\"piece 7\"]",
            pieces.join(", ")
        ),
    );
    let mut sheet = String::from("date,item,price,complete,missing\n");
    for at in 0..60 {
        let word = ["", "bare", "usable", "full", "boxed"][at % 5];
        let missing = if at % 3 == 0 {
            format!("piece {}", at * 31)
        } else {
            String::new()
        };
        sheet.push_str(&format!(
            "2026-{:02}-{:02},Zed 1,{},{word},{missing}\n",
            1 + at % 9,
            1 + at % 28,
            100 + at % 7
        ));
    }
    fs::write(dir.path().join("a.csv"), sheet).unwrap();
    let told = ends(dir.path(), &["import", "a.csv"], THREE_MINUTES);
    assert!(told.status.success(), "{}", stderr(&told));
    for more in [
        &[][..],
        &["--missing", "piece 3, piece 1999"],
        &["--completeness", "bare"],
    ] {
        let told = ends(
            dir.path(),
            &[&["estimate", "--model", "Zed 1"][..], more].concat(),
            THREE_MINUTES,
        );
        assert!(told.status.success(), "{}", stderr(&told));
    }
}

#[test]
fn no_threads_are_refused() {
    let dir = book();
    let told = compband(dir.path())
        .env("POLARS_MAX_THREADS", "0")
        .arg("models")
        .output()
        .unwrap();
    assert_eq!(told.status.code(), Some(2));
    assert!(
        stderr(&told).contains("POLARS_MAX_THREADS is 0"),
        "{}",
        stderr(&told)
    );
    let told = compband(dir.path())
        .env("POLARS_MAX_THREADS", "1")
        .arg("models")
        .output();
    assert!(told.unwrap().status.success());
}

/// By `faketime`, which `.ci/run` installs.
#[cfg(target_os = "linux")]
#[test]
fn a_clock_before_1970_is_refused() {
    use std::io::Write;

    let dir = book();
    out(dir.path(), &["log", "--model", "Zed 1", "--price", "5"]);
    for args in [
        &["estimate", "--model", "Zed 1"][..],
        &["log", "--model", "Zed 1", "--price", "5"],
    ] {
        let told = Command::new("faketime")
            .arg("1969-06-01 00:00:00")
            .arg(compband(dir.path()).get_program())
            .args(args)
            .current_dir(dir.path())
            .env_remove("COMPBAND_BOOK")
            .output();
        let Ok(told) = told else {
            let needed = std::env::var_os("COMPBAND_ALL_SHELLS").is_some();
            assert!(!needed, "faketime is not installed");
            let said = b"\nLEFT OUT: a clock before 1970, since faketime is not installed\n\n";
            let _ = std::io::stderr().write_all(said);
            return;
        };
        assert_eq!(told.status.code(), Some(1), "{}", stderr(&told));
        assert!(stderr(&told).contains("before 1970"), "{}", stderr(&told));
    }
}

const FORMULA: &str = "=HYPERLINK(\"http://x.example\",\"y\")";

/// No cell of a CSV begins as a formula does.
fn assert_inert(text: &[u8], what: &str) {
    let mut reader = csv::ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .from_reader(text);
    let mut neutralised = 0;
    for record in reader.records() {
        for cell in &record.unwrap() {
            assert!(!cell.starts_with(['=', '+', '@', '\t']), "{what}: {cell}");
            assert!(
                !cell.starts_with('-') || cell.parse::<f64>().is_ok(),
                "{what}: {cell}"
            );
            neutralised += usize::from(cell.starts_with("'="));
        }
    }
    assert!(neutralised > 0, "{what} has no formula to begin with");
}

#[test]
fn a_formula_goes_out_as_text_and_comes_back() {
    let dir = book();
    let notes = [
        FORMULA, "'=1", "''+2", "-x", "- 3", "@a", "+49 30 1", "-5", "'90s",
    ];
    for note in notes {
        let (note, venue) = (format!("--note={note}"), format!("--venue={note}"));
        let sale = [
            "log",
            "--model",
            "=1+1",
            "--price",
            "5",
            "--again",
            "--set",
            "offset=-3",
            &note,
            &venue,
        ];
        out(dir.path(), &sale);
    }
    let all = out(dir.path(), &["comps", "--csv"]);
    assert_inert(all.as_bytes(), "comps --csv");
    assert!(all.contains(",-5,") && all.contains(",-3\n"), "{all}");
    // The files of the book keep the text.
    let kept = fs::read_to_string(dir.path().join("comps/logged.csv")).unwrap();
    assert!(kept.contains(",=1+1,") && !kept.contains("'=1+1"), "{kept}");
    let other = book();
    fs::write(other.path().join("all.csv"), &all).unwrap();
    out(other.path(), &["import", "all.csv"]);
    assert_eq!(out(other.path(), &["comps", "--csv"]), all);
    let name = fs::read_dir(other.path().join("comps"))
        .unwrap()
        .next()
        .unwrap()
        .unwrap();
    let kept = csv::Reader::from_path(name.path()).unwrap().into_records();
    let mut back: Vec<String> = kept.map(|row| row.unwrap()[16].to_string()).collect();
    back.sort();
    let mut notes = notes.map(str::to_string);
    notes.sort();
    assert_eq!(back, notes);
}

#[test]
fn rejected_rows_and_problems_hold_no_formula() {
    let dir = book();
    let quoted = FORMULA.replace('"', "\"\"");
    for (delimiter, name) in [(',', "a"), (';', "b")] {
        let d = delimiter;
        let sheet = format!(
            "date{d}item{d}price{d}note{d}=1+1\n2026-01-02{d}Zed 1{d}none{d}\"{quoted}\"{d}\n\
             2026-01-02{d}=x{d}-5{d}plain{d}y\n2026-01-03{d}Zed 1{d}=1{d}{d}\n2026-01-04{d}Zed 1{d}7{d}good{d}\n\
             2026-01-05{d}\"=open{d}7{d}{d}\n"
        );
        let file = format!("{name}.csv");
        fs::write(dir.path().join(&file), sheet).unwrap();
        let problems = format!("{name}-problems.csv");
        out(
            dir.path(),
            &["import", &file, "--keep-good", "--problems", &problems],
        );
        let rejected = fs::read_to_string(dir.path().join(format!("{name}-rejected.csv"))).unwrap();
        assert!(rejected.contains(&format!("\"'{quoted}\"")), "{rejected}");
        assert!(rejected.contains(&format!("{d}-5{d}plain")), "{rejected}");
        assert!(
            !rejected.contains(&format!("{d}=")) && !rejected.contains("\"="),
            "{rejected}"
        );
        if delimiter == ',' {
            let problems = fs::read(dir.path().join(problems)).unwrap();
            assert_inert(&problems, "--problems");
        }
        // Mended and imported, the text is what it was.
        let repaired: Vec<String> = rejected
            .lines()
            .take(2)
            .map(|line| line.replace(&format!("{d}none{d}"), &format!("{d}9{d}")))
            .collect();
        fs::write(dir.path().join(&file), repaired.join("\n")).unwrap();
        out(dir.path(), &["import", &file]);
        let all = out(dir.path(), &["comps", "--csv"]);
        assert!(
            all.contains(&format!("\"'{quoted}\"")) && !all.contains("''="),
            "{all}"
        );
    }
}

#[test]
fn the_ledger_goes_out_without_formulas() {
    let dir = book();
    out(
        dir.path(),
        &["buy", "=1+1", "--price", "50", "--note", FORMULA],
    );
    out(dir.path(), &["ledger", "export", "--csv", "l.csv"]);
    let text = fs::read(dir.path().join("l.csv")).unwrap();
    assert_inert(&text, "ledger export --csv");
}

/// Listings to compare may come out of a spreadsheet that was made safe the same way.
#[test]
fn listings_come_back_too() {
    let dir = book();
    for price in ["100", "110", "120"] {
        out(dir.path(), &["log", "--model", "=1+1", "--price", price]);
    }
    fs::write(dir.path().join("l.csv"), "model,asked\n'=1+1,50\n").unwrap();
    let told = run(dir.path(), &["compare", "l.csv", "--budget", "500"]);
    assert!(
        !stderr(&told).contains("no comps") && told.status.success(),
        "{}",
        stderr(&told)
    );
}
