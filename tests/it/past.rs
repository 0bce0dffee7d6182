//! What is kept of past sales: a matter of time alone, and one new sale costs one more estimate.

use std::fmt::Write;
use std::fs;
use std::ops::ControlFlow;
use std::path::Path;

use chrono::NaiveDate;
use compband::app::past;
use compband::backtest::selfcheck::Predicted;
use compband::band::recalibration::Score;
use compband::book::Book;
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use tempfile::TempDir;

use crate::estimate::demo;
use crate::runner::{out, run};

fn day(text: &str) -> NaiveDate {
    text.parse().unwrap()
}

/// The newest misses up to a day, and how many estimates they took.
fn misses(dir: &Path, as_of: NaiveDate) -> (Vec<Score>, usize) {
    let book = Book::open(Some(dir)).unwrap();
    let done = past::scores_up_to(&book, as_of, &mut |_| {}).unwrap();
    (done.found.unwrap(), done.estimated)
}

/// What a check has of each sale (identifier and what was predicted), and how many estimates it took.
fn checked(dir: &Path, model: Option<&str>) -> (Vec<(String, Option<Predicted>)>, usize) {
    let book = Book::open(Some(dir)).unwrap();
    let done = past::check(&book, model, &mut |_| {}, &|_, _| ControlFlow::Continue(())).unwrap();
    let each = done
        .found
        .into_iter()
        .map(|past| (past.sale.comp_id, past.predicted));
    (each.collect(), done.estimated)
}

fn log(dir: &Path, model: &str, day: &str, price: u32) {
    let price = price.to_string();
    out(
        dir,
        &["log", "--model", model, "--price", &price, "--sold-on", day],
    );
}

#[test]
fn a_new_sale_costs_one_more_estimate() {
    let dir = demo();
    let (as_of, later) = (day("2026-11-20"), day("2027-02-01"));
    let (first, estimated) = misses(dir.path(), as_of);
    assert!(estimated > 180, "{estimated}");
    assert_eq!(misses(dir.path(), as_of), (first.clone(), 0));
    assert_eq!(misses(dir.path(), later), (first.clone(), 0));
    log(dir.path(), "Bolv 83V", "2026-11-20", 90);
    let (second, estimated) = misses(dir.path(), as_of);
    assert_eq!(estimated, 1);
    assert_eq!(second.len(), first.len() + 1);
    assert!(second.iter().filter(|miss| !first.contains(miss)).count() == 1);
    assert_eq!(misses(dir.path(), as_of), (second.clone(), 0));

    // A sale between others changes those after it; taken back, all is known still.
    log(dir.path(), "Bolv 83V", "2026-08-01", 70);
    let (_, estimated) = misses(dir.path(), as_of);
    assert!((2..150).contains(&estimated), "{estimated}");
    out(dir.path(), &["undo"]);
    assert_eq!(misses(dir.path(), as_of), (second.clone(), 0));

    // Settings of deals do not matter, those of estimates do.
    let path = dir.path().join("compband.toml");
    let text = fs::read_to_string(&path).unwrap();
    fs::write(&path, format!("rate_days = 9\n{text}")).unwrap();
    assert_eq!(misses(dir.path(), as_of), (second.clone(), 0));
    let other = text.replace("price_basis = \"delivered\"", "price_basis = \"item\"");
    assert_ne!(other, text);
    fs::write(&path, other).unwrap();
    let (item, estimated) = misses(dir.path(), as_of);
    assert!(estimated > 180 && item != second, "{estimated}");
    fs::write(&path, text).unwrap();
    assert_eq!(misses(dir.path(), as_of), (second, 0));
}

/// A check keeps what it found as well, and finds what an estimate kept.
#[test]
fn a_second_check_estimates_nothing() {
    let dir = demo();
    let (_, estimated) = misses(dir.path(), day("2026-11-20"));
    let (first, again) = checked(dir.path(), None);
    // The misses are known; what was predicted is not.
    assert!((1..=first.len()).contains(&again) && estimated > 180);
    assert_eq!(checked(dir.path(), None), (first.clone(), 0));
    let model = checked(dir.path(), Some("nulva  61k"));
    assert_eq!(model.1, 0);
    assert!(model.0.len() > 10 && model.0.iter().all(|sale| first.contains(sale)));
    log(dir.path(), "Bolv 83V", "2026-11-20", 90);
    let (after, estimated) = checked(dir.path(), None);
    assert_eq!((after.len(), estimated), (first.len() + 1, 1));
    assert_eq!(misses(dir.path(), day("2026-11-20")).1, 0);
}

/// An undone or damaged cache is no more than a slow run.
#[test]
fn damage_does_no_harm() {
    let dir = demo();
    let as_of = day("2026-11-20");
    let (known, _) = misses(dir.path(), as_of);
    let (told, _) = checked(dir.path(), None);
    for name in ["past.misses", "past.told"] {
        let path = dir.path().join(".compband/cache").join(name);
        let bytes = fs::read(&path).unwrap();
        let mut flipped = bytes.clone();
        let middle = bytes.len() / 2;
        flipped[middle] ^= 1;
        for damaged in [
            &flipped[..],
            &bytes[..middle],
            &bytes[..bytes.len() - 8],
            &[],
        ] {
            fs::write(&path, damaged).unwrap();
            assert_eq!(misses(dir.path(), as_of).0, known);
            fs::write(&path, damaged).unwrap();
            assert_eq!(checked(dir.path(), None).0, told);
        }
    }
}

const MODELS: [&str; 3] = ["Nulva 61K", "Tumrik QN 948", "Bolv 83V"];

/// A line of a sheet: a sale on some day of eight months, now and then without one.
fn sale(rng: &mut StdRng) -> (String, String, u32) {
    let model = MODELS[rng.random_range(0..MODELS.len())];
    let date = day("2026-01-05") + chrono::Duration::days(rng.random_range(0..240));
    let date = if rng.random_range(0..12) == 0 {
        String::new()
    } else {
        date.to_string()
    };
    (date, model.to_string(), rng.random_range(70..130))
}

fn import(dir: &Path, rng: &mut StdRng, rows: usize) {
    let mut text = String::from("sold_on,model,grade,works,lot_size,price\n");
    for _ in 0..rows {
        let (date, model, price) = sale(rng);
        let grade = ["A", "B", "C", ""][rng.random_range(0..4)];
        let works = if rng.random_range(0..9) == 0 {
            "no"
        } else {
            "yes"
        };
        let lot = if rng.random_range(0..15) == 0 { 2 } else { 1 };
        writeln!(text, "{date},{model},{grade},{works},{lot},{price}").unwrap();
    }
    fs::write(dir.join("sheet.csv"), text).unwrap();
    out(dir, &["import", "sheet.csv"]);
}

/// Edits or takes out a line of an import by hand.
fn edit(dir: &Path, rng: &mut StdRng) {
    let files = fs::read_dir(dir.join("comps")).unwrap();
    let imports = files.map(|file| file.unwrap().path());
    let Some(path) = imports.filter(|path| !path.ends_with("logged.csv")).min() else {
        return;
    };
    let text = fs::read_to_string(&path).unwrap();
    let mut lines: Vec<String> = text.lines().map(str::to_string).collect();
    if lines.len() < 3 {
        return;
    }
    let at = rng.random_range(1..lines.len());
    if rng.random_range(0..3) == 0 {
        lines.remove(at);
    } else {
        let other = rng.random_range(70..99).to_string();
        let cells: Vec<String> = lines[at]
            .split(',')
            .map(|cell| match cell.parse::<f64>() {
                Ok(price) if price > 50.0 => other.clone(),
                _ => cell.to_string(),
            })
            .collect();
        lines[at] = cells.join(",");
    }
    fs::write(&path, lines.join("\n") + "\n").unwrap();
}

const SETTINGS: [&str; 5] = [
    "",
    "[estimate]\npool = \"none\"\n",
    "[estimate]\npool = \"family\"\n[families.ours]\nmodels = [\"Nulva 61K\", \"Bolv 83V\"]\n",
    "price_basis = \"item\"\n[estimate]\nhalf_life_days = 40\n",
    "[deal]\nwage = 12\n",
];

fn change(dir: &Path, rng: &mut StdRng) -> String {
    match rng.random_range(0..8) {
        0..=2 => {
            let (date, model, price) = sale(rng);
            let price = price.to_string();
            let dated = ["--sold-on", &date];
            let when: &[&str] = if date.is_empty() {
                &["--undated"]
            } else {
                &dated
            };
            let args = ["log", "--model", &model, "--price", &price, "--again"];
            out(dir, &[&args[..], when].concat());
            format!("log {model} {date}")
        }
        3 => {
            // There may be nothing left.
            run(dir, &["undo"]);
            "undo".into()
        }
        4 => {
            import(dir, rng, 3);
            "import".into()
        }
        5 => {
            let text = SETTINGS[rng.random_range(0..SETTINGS.len())];
            fs::write(dir.join("compband.toml"), text).unwrap();
            format!("settings {text:?}")
        }
        _ => {
            edit(dir, rng);
            "edit".into()
        }
    }
}

/// The book without its cache.
fn copied(dir: &Path) -> TempDir {
    let copy = tempfile::tempdir().unwrap();
    fs::create_dir(copy.path().join("comps")).unwrap();
    fs::copy(dir.join("compband.toml"), copy.path().join("compband.toml")).unwrap();
    for file in fs::read_dir(dir.join("comps")).unwrap() {
        let file = file.unwrap();
        fs::copy(
            file.path(),
            copy.path().join("comps").join(file.file_name()),
        )
        .unwrap();
    }
    copy
}

/// Whatever is done to a book, what is said of its past is what a run without a cache says.
#[test]
fn warm_is_cold() {
    for seed in 0..3 {
        let mut rng = StdRng::seed_from_u64(seed);
        let dir = tempfile::tempdir().unwrap();
        out(dir.path(), &["init"]);
        import(dir.path(), &mut rng, 36);
        let mut done = Vec::new();
        for _ in 0..12 {
            done.push(change(dir.path(), &mut rng));
            let cold = copied(dir.path());
            let as_of = day("2026-01-05") + chrono::Duration::days(rng.random_range(100..300));
            let (warm, few) = misses(dir.path(), as_of);
            let (known, all) = misses(cold.path(), as_of);
            assert_eq!(warm, known, "{seed} {done:?}");
            assert!(few <= all);
            if rng.random_range(0..2) == 0 {
                let model = [None, Some(MODELS[0])][rng.random_range(0..2)];
                let warm = checked(dir.path(), model).0;
                assert_eq!(warm, checked(cold.path(), model).0, "{seed} {done:?}");
            }
        }
    }
}
