//! Sales in other currencies: the owner's rates, what is kept, and what they come to.

use std::fs;
use std::path::Path;

use serde_json::Value;
use tempfile::TempDir;

use crate::runner::{fails, out, run, stderr};

const SHEET: &str = "date,model,price,shipping,currency,note\n\
     2026-03-05,Nulva 61K,120,5,XCU,\n\
     2026-03-06,Nulva 61K,99.90,,EUR,\n\
     2026-03-20,Nulva 61K,14500,,jpy,boxed\n";

const RATES: &str = "date,currency,rate,source\n\
     2026-03-02,XCU,0.9132,bank's monthly list\n\
     2026-03-19,JPY,0.0061,\"list, daily\"\n";

/// A book with the sheet beside it, and with these rates unless there are none.
fn book(rates: &str) -> TempDir {
    let dir = tempfile::tempdir().unwrap();
    out(dir.path(), &["init"]);
    fs::write(dir.path().join("sales.csv"), SHEET).unwrap();
    if !rates.is_empty() {
        fs::write(dir.path().join("rates.csv"), rates).unwrap();
    }
    dir
}

fn imported() -> TempDir {
    let dir = book(RATES);
    out(dir.path(), &["import", "sales.csv"]);
    dir
}

fn first_import(dir: &Path) -> String {
    fs::read_to_string(dir.join("comps/000001-sales.csv")).unwrap()
}

/// Prices of the comps by what was paid: `120.00 XCU` to `*109.58`.
fn price_of(listing: &str, id: &str) -> String {
    let row = listing.lines().find(|line| line.starts_with(id)).unwrap();
    let model = row.find("Nulva 61K").unwrap() + "Nulva 61K".len();
    row[model..].split_whitespace().next().unwrap().to_string()
}

#[test]
fn a_sale_keeps_what_was_paid_and_its_rate() {
    let dir = imported();
    let file = first_import(dir.path());
    let mut lines = file.lines();
    assert!(
        lines
            .next()
            .unwrap()
            .ends_with(",note,rate,rate_date,rate_source")
    );
    assert!(file.contains(",120.00,5.00,XCU,,,1,,0.9132,2026-03-02,bank's monthly list\n"));
    assert!(file.contains(",99.90,0.00,EUR,,,1,,,,\n"));
    assert!(file.contains(",14500.00,0.00,JPY,,,1,boxed,0.0061,2026-03-19,\"list, daily\"\n"));
    let listed = out(dir.path(), &["comps"]);
    for told in [
        "*109.58   4.57",
        " 99.90   0.00",
        "*88.45   0.00",
        ": paid 120.00 + 5.00 XCU × 0.9132 (2026-03-02, bank's monthly list)\n",
        ": paid 14500 JPY × 0.0061 (2026-03-19, list, daily)\n",
    ] {
        assert!(listed.contains(told), "{told:?} in {listed}");
    }
    let csv = out(dir.path(), &["comps", "--csv"]);
    assert!(csv.contains(",120.00,5.00,XCU,,,1,,0.9132,2026-03-02,bank's monthly list\n"));
    // Another book of the same currency takes the rows back as they are, without rates of its own.
    let other = book("");
    fs::write(other.path().join("all.csv"), &csv).unwrap();
    out(other.path(), &["import", "all.csv"]);
    assert_eq!(out(other.path(), &["comps", "--csv"]), csv);
    // A book that has no such sale has no such columns.
    let plain = book("");
    fs::write(
        plain.path().join("own.csv"),
        "date,model,price,currency\n2026-03-05,M,9,EUR\n",
    )
    .unwrap();
    out(plain.path(), &["import", "own.csv"]);
    let csv = out(plain.path(), &["comps", "--csv"]);
    assert!(csv.lines().next().unwrap().ends_with(",note"), "{csv}");
    let kept = fs::read_to_string(plain.path().join("comps/000001-own.csv")).unwrap();
    assert_eq!(kept, csv);
}

#[test]
fn a_rate_that_is_lacking_is_asked_for_and_never_guessed() {
    let dir = book("");
    let said = fails(dir.path(), 3, &["import", "sales.csv"]);
    for told in [
        "sales.csv, row 2, column currency: found \"XCU\": expected a rate of XCU of 2026-03-05 or at most 7 days before \
         in rates.csv, but the book has no such file; make it, with the lines \"date,currency,rate,source\" and \
         \"2026-03-05,XCU,RATE,SOURCE\" (RATE: what 1 XCU was worth in EUR), or fill rate, rate_date, rate_source of the \
         row",
        "row 4, column currency: found \"jpy\": expected a rate of JPY of 2026-03-20",
        "2 problems",
    ] {
        assert!(said.contains(told), "{told:?} in {said}");
    }
    assert!(!dir.path().join("rates.csv").exists());
    // Too old by a day, and one that is too late.
    for (rates, told) in [
        (
            "2026-02-25,XCU,1,list\n",
            "but the latest before it is of 2026-02-25",
        ),
        (
            "2026-03-06,XCU,1,list\n",
            "but it has none of XCU up to then",
        ),
    ] {
        let text = format!("date,currency,rate,source\n{rates}2026-03-20,JPY,1,list\n");
        fs::write(dir.path().join("rates.csv"), text).unwrap();
        let said = fails(dir.path(), 3, &["import", "sales.csv"]);
        assert!(said.contains(told) && said.contains("1 problem"), "{said}");
    }
    fs::write(
        dir.path().join("rates.csv"),
        "date,currency,rate,source\n2026-02-25,XCU,1,list\n2026-03-20,JPY,1,list\n",
    )
    .unwrap();
    fs::write(dir.path().join("compband.toml"), "rate_days = 8\n").unwrap();
    out(dir.path(), &["import", "sales.csv"]);
}

#[test]
fn a_day_is_needed_unless_the_row_brings_its_rate() {
    let dir = book(RATES);
    let sheet = |rows: &str| {
        let header = "date,model,price,currency,rate,rate_date,rate_source\n";
        fs::write(dir.path().join("own.csv"), format!("{header}{rows}")).unwrap();
    };
    sheet(",Nulva 61K,80,XCU,,,\n");
    let said = fails(dir.path(), 3, &["import", "own.csv"]);
    assert!(
        said.contains("column currency: found \"XCU\": expected the date of a sale in XCU"),
        "{said}"
    );
    sheet(
        ",Nulva 61K,80,XCU,\"0,95\",2026-03-01,my bank\n\
         2026-03-05,Nulva 61K,81,XCU,0.96,1 March 2026,my bank\n\
         2026-03-05,Nulva 61K,82,EUR,1,,\n",
    );
    out(dir.path(), &["import", "own.csv"]);
    let csv = out(dir.path(), &["comps", "--csv"]);
    for told in [
        ",80.00,0.00,XCU,,,1,,0.95,2026-03-01,my bank\n",
        ",81.00,0.00,XCU,,,1,,0.96,2026-03-01,my bank\n",
        ",82.00,0.00,EUR,,,1,,,,\n",
    ] {
        assert!(csv.contains(told), "{told:?} in {csv}");
    }
    sheet(
        "2026-03-05,Nulva 61K,83,XCU,0.95,,\n\
         2026-03-05,Nulva 61K,84,XCU,-1,2026-03-01,list\n\
         2026-03-05,Nulva 61K,85,EUR,0.95,2026-03-01,list\n\
         2026-03-05,Nulva 61K,86,$,,,\n\
         2026-03-05,Nulva 61K,$87,,,,\n\
         2026-03-05,Nulva 61K,0.01,XCU,0.001,2026-03-01,list\n",
    );
    let said = fails(dir.path(), 3, &["import", "own.csv"]);
    for told in [
        "row 2, column rate_date: expected the day of the rate",
        "row 2, column rate_source: expected where the rate comes from",
        "row 3, column rate: found \"-1\": expected a rate above 0",
        "row 4, column rate: found \"0.95\": expected nothing, since the amounts of the row are in EUR",
        "row 5, column currency: found \"$\": expected a currency code",
        "row 6, column price: found \"$87\": expected EUR only",
        "row 7, column price: found \"0.01\": expected a price that comes to at least 0.01 EUR",
        "7 problems",
    ] {
        assert!(said.contains(told), "{told:?} in {said}");
    }
    // One rate for a whole sheet that names none.
    fs::write(
        dir.path().join("plain.csv"),
        "date,model,price\n2026-03-05,Nulva 61K,\"1.250,50\"\n2026-03-05,Nulva 61K,1250\n",
    )
    .unwrap();
    let fills = [
        "--fill",
        "currency=XTS",
        "--fill",
        "rate=1.25",
        "--fill",
        "rate_date=2026-03-05",
        "--fill",
        "rate_source=receipt",
    ];
    out(dir.path(), &[&["import", "plain.csv"], &fills[..]].concat());
    let listed = out(dir.path(), &["comps"]);
    assert!(listed.contains("*1563.12"), "{listed}");
}

#[test]
fn the_same_sheet_is_the_same_sales_whatever_the_rates_have_become() {
    let dir = imported();
    let before = out(dir.path(), &["comps", "--csv"]);
    fs::write(
        dir.path().join("rates.csv"),
        RATES.replace("0.9132", "0.95"),
    )
    .unwrap();
    let again = out(dir.path(), &["import", "sales.csv"]);
    assert!(again.contains("already has 3 sales, unchanged"), "{again}");
    // A change of something else leaves the rate as it is.
    let repaired = SHEET.replace("XCU,", "XCU,with strap");
    fs::write(dir.path().join("sales.csv"), repaired).unwrap();
    let changed = out(dir.path(), &["import", "sales.csv"]);
    assert!(
        changed.contains(": note (blank) → with strap\n"),
        "{changed}"
    );
    assert!(out(dir.path(), &["undo"]).contains("Back as recorded before"));
    assert_eq!(out(dir.path(), &["comps", "--csv"]), before);
    // Nor are the rates needed any more.
    fs::remove_file(dir.path().join("rates.csv")).unwrap();
    fs::write(dir.path().join("sales.csv"), SHEET).unwrap();
    let again = out(dir.path(), &["import", "sales.csv"]);
    assert!(again.contains("already has 3 sales, unchanged"), "{again}");
    fs::write(
        dir.path().join("rates.csv"),
        RATES.replace("0.9132", "0.95"),
    )
    .unwrap();
    let anew = out(dir.path(), &["import", "sales.csv", "--new-rates"]);
    assert!(
        anew.contains(": rate 0.9132 → 0.95\n") && anew.contains("1 changed, 2 unchanged"),
        "{anew}"
    );
    assert!(out(dir.path(), &["comps"]).contains("*114.00   4.75"));
    out(dir.path(), &["undo"]);
    assert_eq!(out(dir.path(), &["comps", "--csv"]), before);
}

#[test]
fn every_wrong_row_of_the_rates_is_told() {
    let dir = book(
        "date,currency,rate,source\n2026-03-02,XCU,0.9132,\n2026-3-2,XCU,\"0,91\",list\n2026-03-02,EUR,1,list\n",
    );
    for command in [
        &["import", "sales.csv"][..],
        &["log", "--model", "M", "--price", "5"],
    ] {
        let said = fails(dir.path(), 3, command);
        for told in [
            "rates.csv, row 2, column source: expected where the rate comes from",
            "rates.csv, row 3, column rate: found \"0,91\": expected a rate above 0",
            "rates.csv, row 3, column date: found \"2026-3-2\": expected a day as YYYY-MM-DD",
            "rates.csv, row 4, column currency: found \"EUR\": expected a currency other than your own, EUR",
        ] {
            assert!(said.contains(told), "{told:?} in {said}");
        }
    }
    // What is in the book is read without them.
    out(dir.path(), &["comps"]);
}

#[test]
fn one_sale_is_logged_by_the_rate_of_its_day() {
    let dir = book(RATES);
    let sale = [
        "log",
        "--model",
        "Nulva 61K",
        "--price",
        "120.00",
        "--currency",
        "xcu",
        "--sold-on",
        "2026-03-04",
    ];
    let said = out(dir.path(), &sale);
    assert!(
        said.contains("paid 120.00 XCU × 0.9132 (2026-03-02, bank's monthly list) = 109.58 EUR\n"),
        "{said}"
    );
    let logged = || fs::read_to_string(dir.path().join("comps/logged.csv")).unwrap();
    assert!(logged().ends_with(",120.00,0.00,XCU,,,1,,0.9132,2026-03-02,bank's monthly list\n"));
    // The same again is the same sale, whatever the rate has become.
    fs::write(
        dir.path().join("rates.csv"),
        RATES.replace("0.9132", "0.95"),
    )
    .unwrap();
    assert!(fails(dir.path(), 3, &sale).contains("the book already has this sale"));
    // A change of the grade leaves the rate; one of the day takes that of the new day.
    let id = logged()
        .lines()
        .last()
        .unwrap()
        .split(',')
        .nth(1)
        .unwrap()
        .to_string();
    let update = |more: &[&str]| {
        let args = [&["log", "--id", &id, "--update"], more].concat();
        out(dir.path(), &args)
    };
    let changed = update(&["--grade", "B"]);
    assert!(
        changed.contains("grade (blank) → B") && !changed.contains("rate"),
        "{changed}"
    );
    let changed = update(&["--sold-on", "2026-03-09"]);
    assert!(
        changed.contains("rate 0.9132 → 0.95") && changed.contains("= 114.00 EUR"),
        "{changed}"
    );
    let changed = update(&["--currency", "EUR"]);
    assert!(
        changed.contains("currency XCU → EUR") && changed.contains("rate 0.95 → (blank)"),
        "{changed}"
    );
    for _ in 0..4 {
        out(dir.path(), &["undo"]);
    }
    assert!(out(dir.path(), &["comps"]).contains("has no sales yet"));
    let undone = fs::read_to_string(dir.path().join("undone/logged.csv")).unwrap();
    assert!(undone.contains(",120.00,0.00,XCU,,,1,,0.9132,2026-03-02,bank's monthly list\n"));
    for (more, told) in [
        (
            &["--sold-on", "2026-03-10"][..],
            "--currency: found \"XCU\": expected a rate of XCU of 2026-03-10",
        ),
        (
            &["--undated"],
            "--currency: found \"XCU\": expected the date of a sale in XCU",
        ),
        (
            &["--currency", "$"],
            "--currency: found \"$\": expected EUR, the code of another currency",
        ),
    ] {
        let args = [&["log", "--model", "M", "--price", "5"], more].concat();
        let args = if more.contains(&"--currency") {
            args
        } else {
            [&args[..], &["--currency", "XCU"]].concat()
        };
        let said = fails(dir.path(), 3, &args);
        assert!(said.contains(told), "{told:?} in {said}");
    }
}

#[test]
fn a_log_gets_the_columns_of_the_rate_with_the_first_such_sale() {
    let dir = book(RATES);
    out(
        dir.path(),
        &["log", "--model", "M", "--price", "5", "--set", "size=7"],
    );
    let sale = [
        "log",
        "--model",
        "M",
        "--price",
        "6",
        "--currency",
        "XCU",
        "--sold-on",
        "2026-03-02",
    ];
    out(dir.path(), &sale);
    out(dir.path(), &["log", "--model", "M", "--price", "7"]);
    let logged = fs::read_to_string(dir.path().join("comps/logged.csv")).unwrap();
    let ends: Vec<&str> = logged
        .lines()
        .map(|line| line.rsplit_once(",1,,").map_or(line, |(_, end)| end))
        .collect();
    assert!(ends[0].ends_with(",note,rate,rate_date,rate_source,attr.size"));
    assert_eq!(
        ends[1..],
        [",,,7", "0.9132,2026-03-02,bank's monthly list,", ",,,"]
    );
}

#[test]
fn what_a_sale_comes_to_is_worked_out_of_what_stands_in_its_row() {
    let dir = imported();
    let path = dir.path().join("comps/000001-sales.csv");
    let file = first_import(dir.path());
    let id = file.lines().nth(1).unwrap()[..6].to_string();
    fs::write(
        &path,
        file.replace("0.9132", "0.5").replace(",120.00,", ",0121,"),
    )
    .unwrap();
    let listed = out(dir.path(), &["comps"]);
    assert_eq!(price_of(&listed, &id), "*60.50");
    for (from, to, told) in [
        ("0.9132", "", "row 2, column rate: expected a rate above 0"),
        (
            "0.9132",
            "0",
            "row 2, column rate: found \"0\": expected a rate above 0",
        ),
        (
            "2026-03-02",
            "2026-3-2",
            "row 2, column rate_date: found \"2026-3-2\": expected a day",
        ),
        (
            "bank's monthly list",
            "",
            "row 2, column rate_source: expected where the rate comes from",
        ),
        (
            "0.9132,2026-03-02,bank's monthly list",
            ",,",
            "row 2, column currency: found \"XCU\": expected EUR, or the rate by which XCU was converted",
        ),
        (
            "XCU",
            "EUR",
            "row 2, column rate: found \"0.9132\": expected nothing, since the amounts are in EUR",
        ),
        (
            "0.9132",
            "0.00001",
            "row 2, column price: found \"120.00\": expected a price that comes to at least 0.01",
        ),
        (",rate_source", ",rate", "row 1: "),
    ] {
        fs::write(&path, file.replacen(from, to, 1)).unwrap();
        let said = fails(dir.path(), 3, &["comps"]);
        assert!(
            said.contains("comps/000001-sales.csv, ") && said.contains(told),
            "{told:?} in {said}"
        );
    }
}

#[test]
fn an_estimate_says_what_was_converted() {
    let dir = imported();
    let ask = ["estimate", "--model", "Nulva 61K", "--as-of", "2026-03-31"];
    let sheet = out(dir.path(), &[&ask[..], &["--why"]].concat());
    assert!(
        sheet.contains(
            "2 of them were paid in another currency, converted at the rate kept with each."
        ),
        "{sheet}"
    );
    let json: Value =
        serde_json::from_str(&out(dir.path(), &[&ask[..], &["--json"]].concat())).unwrap();
    assert_eq!(json["evidence"]["comps_converted"], 2);
    let comps = json["comps"].as_array().unwrap();
    let converted: Vec<_> = comps
        .iter()
        .map(|comp| (&comp["paid"], &comp["converted_from"]))
        .collect();
    let xcu = serde_json::json!({
        "currency": "XCU", "price": "120.00", "shipping": "5.00",
        "rate": "0.9132", "rate_date": "2026-03-02", "rate_source": "bank's monthly list",
    });
    assert!(
        converted.contains(&(&Value::from("114.15"), &xcu)),
        "{converted:?}"
    );
    assert!(
        converted.contains(&(&Value::from("99.90"), &Value::Null)),
        "{converted:?}"
    );
    let report = [
        "report",
        "--model",
        "Nulva 61K",
        "--as-of",
        "2026-03-31",
        "--csv",
        "61k.csv",
    ];
    let made = run(dir.path(), &report);
    assert!(made.status.success(), "{}", stderr(&made));
    let sheets: Vec<String> = fs::read_dir(dir.path())
        .unwrap()
        .filter_map(|file| fs::read_to_string(file.unwrap().path()).ok())
        .collect();
    let comps = sheets
        .iter()
        .find(|text| text.starts_with("comp_id,sold_on"))
        .unwrap();
    assert!(
        comps.lines().next().unwrap().ends_with(
            ",why_not,paid_currency,paid_price,paid_shipping,rate,rate_date,rate_source"
        )
    );
    assert!(
        comps.contains(",XCU,120.00,5.00,0.9132,2026-03-02,bank's monthly list\n"),
        "{comps}"
    );
    assert!(comps.contains(",,,,,,\n"), "{comps}");
}

#[test]
fn sales_in_other_currencies_come_out_of_the_cache_as_they_went_in() {
    let dir = book(RATES);
    let mut sheet = String::from("date,model,price,currency,comp_id\n");
    for row in 0..21_000 {
        let currency = if row % 3 == 0 { "XCU" } else { "EUR" };
        sheet.push_str(&format!(
            "2026-03-05,Nulva 61K,{}.5,{currency},c{row}\n",
            50 + row % 100
        ));
    }
    fs::write(dir.path().join("many.csv"), sheet).unwrap();
    let said = out(dir.path(), &["import", "many.csv"]);
    assert!(
        said.contains("7000 sales in other currencies, converted"),
        "{said}"
    );
    let first = out(dir.path(), &["comps", "--csv"]);
    let cache = fs::read_dir(dir.path().join(".compband/cache")).unwrap();
    let names = cache.map(|file| file.unwrap().file_name().into_string().unwrap());
    assert!(names.into_iter().any(|name| name.ends_with(".arrow")));
    let second = out(dir.path(), &["comps", "--csv"]);
    assert_eq!(first, second);
    assert_eq!(
        second
            .matches(",XCU,,,1,,0.9132,2026-03-02,bank's monthly list\n")
            .count(),
        7000
    );
    let again = out(dir.path(), &["import", "many.csv"]);
    assert!(
        again.contains("already has 21000 sales, unchanged"),
        "{again}"
    );
}
