//! Numbers that are recorded but not declared: what they would explain, and the lines to declare them.

use std::fmt::Write;
use std::fs;

use compband::band::undeclared::{Point, explained};
use compband::trade::attributes::Scale;
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use serde_json::Value;
use tempfile::TempDir;

use crate::estimate::{conforms, json, root};
use crate::reference::{close, json as reference};
use crate::runner::{out, run, stderr};

/// The houses of the accuracy benchmark by the names of their columns.
fn houses() -> Vec<csv::StringRecord> {
    let path = root().join("benches/accuracy/houses.csv");
    let mut reader = csv::Reader::from_path(path).unwrap();
    let header = [reader.headers().unwrap().clone()];
    header
        .into_iter()
        .chain(reader.records().map(Result::unwrap))
        .collect()
}

/// Shares and slopes against statsmodels (`tests/reference/make_undeclared.py`).
#[test]
fn shares_are_adjusted_r_squared() {
    let houses = houses();
    let column = |name: &str| houses[0].iter().position(|known| known == name).unwrap();
    let cases = reference("undeclared.json")["houses"]
        .as_array()
        .unwrap()
        .clone();
    let mut scales = Vec::new();
    for case in &cases {
        let at = column(case["column"].as_str().unwrap());
        let group = case["group"].as_str().map(column);
        let points: Vec<Point> = houses[1..]
            .iter()
            .map(|house| Point {
                model: group.map_or(0, |group| house[group].parse().unwrap()),
                value: house[at].parse().unwrap(),
                miss: house[column("price")].parse::<f64>().unwrap().ln(),
            })
            .collect();
        let of = |scale: &str, key: &str| case[scale][key].as_f64().unwrap_or(f64::NEG_INFINITY);
        let best = of("unit", "share").max(of("doubling", "share"));
        let Some(found) = explained(&points) else {
            assert!(best < 0.01 || of("unit", "p_value") > 1e-3, "{case}");
            continue;
        };
        let scale = if found.scale == Scale::Unit {
            "unit"
        } else {
            "doubling"
        };
        close(found.share, of(scale, "share"), 1e-8);
        close(found.effect, of(scale, "slope"), 1e-8);
        assert_eq!(found.sales, 546);
        assert!(found.share > best - 0.006, "{case}");
        scales.push(scale);
    }
    assert!(
        scales.contains(&"unit") && scales.contains(&"doubling"),
        "{scales:?}"
    );
}

/// The houses as sales of two models, two a day, with a column of noise.
fn book() -> TempDir {
    let houses = houses();
    let column = |name: &str| houses[0].iter().position(|known| known == name).unwrap();
    let mut rng = StdRng::seed_from_u64(3);
    let mut text = String::from("sold_on,model,price,attr.lotsize,attr.garage,attr.noise\n");
    let start: chrono::NaiveDate = "2026-01-01".parse().unwrap();
    for (at, house) in houses[1..].iter().enumerate() {
        let day = start + chrono::Duration::days(at as i64 / 2);
        let model = ["Large \"House\"", "Cottage"][usize::from(at % 5 == 0)];
        let model = model.replace('"', "\"\"");
        let of = |name: &str| &house[column(name)];
        let noise = rng.random_range(1..1000);
        writeln!(
            text,
            "{day},\"{model}\",{},{},{},{noise}",
            of("price"),
            of("lotsize"),
            of("garage")
        )
        .unwrap();
    }
    let dir = tempfile::tempdir().unwrap();
    fs::write(dir.path().join("sales.csv"), text).unwrap();
    out(dir.path(), &["init"]);
    dir
}

fn declare(dir: &TempDir, lines: &str) {
    let path = dir.path().join("compband.toml");
    let settings = fs::read_to_string(&path).unwrap();
    fs::write(&path, format!("{settings}\n{lines}")).unwrap();
}

const UNIT: [&str; 5] = [
    "estimate",
    "--model",
    "large \"house\"",
    "--as-of",
    "2026-10-15",
];

#[test]
fn an_import_says_what_is_not_declared() {
    let dir = book();
    let said = out(dir.path(), &["import", "sales.csv"]);
    assert!(
        said.split_whitespace()
            .collect::<Vec<_>>()
            .join(" ")
            .contains("attr.garage (546 rows), attr.lotsize (546 rows), attr.noise (546 rows)"),
        "{said}"
    );
    let from = said.find("[families").unwrap();
    let (lines, rest) = said[from..]
        .split_once("\n\n")
        .unwrap_or((&said[from..], ""));
    let lines = lines.split("`compband check`").next().unwrap();
    assert!(rest.is_empty() || rest.contains("check"), "{said}");
    declare(&dir, lines);
    let sheet = out(dir.path(), &[&UNIT[..], &["--why"]].concat());
    assert!(
        sheet.contains("lotsize doubled") && sheet.contains("garage, 1 more"),
        "{sheet}"
    );
    assert!(!sheet.contains("not declared"), "{sheet}");
    let again = out(dir.path(), &["import", "sales.csv"]);
    assert!(!again.contains("declare"), "{again}");
}

#[test]
fn a_check_says_what_numbers_would_explain() {
    let schema: Value =
        serde_json::from_str(&fs::read_to_string(root().join("data/check-1.schema.json")).unwrap())
            .unwrap();
    let dir = book();
    out(dir.path(), &["import", "sales.csv"]);
    let before = json(dir.path(), &["check"]);
    conforms(&before, &schema, "check");
    let columns = before["undeclared"]["columns"].as_array().unwrap();
    let names: Vec<&str> = columns
        .iter()
        .map(|c| c["column"].as_str().unwrap())
        .collect();
    assert_eq!(names, ["attr.lotsize", "attr.garage", "attr.noise"]);
    let share = |at: usize| columns[at]["share_explained"].as_f64();
    assert!((0.1..0.4).contains(&share(0).unwrap()), "{columns:?}");
    assert!((0.05..0.3).contains(&share(1).unwrap()), "{columns:?}");
    assert_eq!(share(2), None);
    assert!(columns.iter().all(|column| column["sales"] == 546));
    assert_eq!(
        (&columns[0]["scale"], &columns[1]["scale"]),
        (&"doubling".into(), &"unit".into())
    );

    let brief = out(dir.path(), &["check"]);
    assert!(
        brief.contains("Recorded but not declared, so not used: attr.lotsize, attr.garage.")
            || brief.contains("Recorded but not declared, so not used: attr.garage, attr.lotsize."),
        "{brief}"
    );
    let sheet = out(dir.path(), &["check", "--figures"]);
    for text in [
        "Recorded but not declared, so estimates do not use it:",
        "attr.noise in 546 sales: explains no more than chance would",
        "Declare the numbers that are recorded",
    ] {
        assert!(sheet.contains(text), "{text} {sheet}");
    }
    let lines = before["undeclared"]["settings"].as_str().unwrap();
    assert!(sheet.ends_with(&format!("\n\n{lines}")), "{sheet}");
    assert!(!lines.contains("noise"), "{lines}");

    // The sheet of an estimate names what may help, in one sentence.
    let unit = run(dir.path(), &[&UNIT[..], &["--why"]].concat());
    let sheet = String::from_utf8(unit.stdout.clone()).unwrap();
    assert!(unit.status.success(), "{}", stderr(&unit));
    let words = sheet.split_whitespace().collect::<Vec<_>>().join(" ");
    let said = "Recorded but not declared, so not used: attr.garage (436 sales), attr.lotsize (436 sales). `compband \
                check` says";
    assert!(words.contains(said), "{sheet}");

    // Pasted, they are used, and estimates fall nearer to what was paid.
    declare(&dir, lines);
    let sheet = out(dir.path(), &[&UNIT[..], &["--why"]].concat());
    assert!(
        sheet.contains("lotsize doubled") && sheet.contains("garage, 1 more"),
        "{sheet}"
    );
    assert!(!sheet.contains("not declared"), "{sheet}");
    let after = json(dir.path(), &["check"]);
    let score = |check: &Value| {
        check["groups"][0]["mean_interval_score_80_log"]
            .as_f64()
            .unwrap()
    };
    assert!(
        score(&after) < 0.9 * score(&before),
        "{} {}",
        score(&after),
        score(&before)
    );
    let left = after["undeclared"]["columns"].as_array().unwrap();
    assert_eq!(left.len(), 1);
    assert!(after["undeclared"]["settings"].is_null());
}
