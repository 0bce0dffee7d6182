//! The ledger: what was put in, bought, spent and sold, and what it comes to.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use rust_decimal::Decimal;
use serde_json::Value;
use tempfile::TempDir;

use crate::estimate::{conforms, demo, json, root};
use crate::runner::{fails, out, run, stderr};

pub fn dec(text: &str) -> Decimal {
    text.parse().unwrap()
}

/// Words apart by blanks; those between `'` are one.
pub fn words(line: &str) -> Vec<&str> {
    let quoted = line.split('\'').enumerate();
    quoted
        .flat_map(|(at, part)| {
            if at % 2 == 1 {
                vec![part]
            } else {
                part.split_whitespace().collect()
            }
        })
        .collect()
}

pub fn does(dir: &TempDir, line: &str) -> String {
    out(dir.path(), &words(line))
}

pub fn refuses(dir: &TempDir, code: i32, line: &str, told: &[&str]) {
    let before = fs::read(dir.path().join("deals/ledger.csv")).unwrap_or_default();
    let said = fails(dir.path(), code, &words(line));
    for told in told {
        assert!(said.contains(told), "{line}: {told:?} not in {said}");
    }
    let after = fs::read(dir.path().join("deals/ledger.csv")).unwrap_or_default();
    assert_eq!(before, after, "{line}");
}

/// A unit bought, repaired and sold, one in stock, one scrapped.
pub fn story() -> TempDir {
    let dir = demo();
    for line in [
        "ledger fund 300 --date 2026-09-01",
        "buy 'Nulva 61K' --price 42 --inbound 5 --date 2026-09-05 --grade B --completeness usable --missing charger \
         --minutes 20",
        "spend d1 14 'new battery; by hand' --minutes 30 --date 2026-09-08",
        "sold 'nulva  61k' --price 139 --offers 3 --minutes 15 --date 2026-09-29",
        "buy 'Bolv 83V' --price 3 --parts --date 2026-09-30 --note 'flea market'",
        "scrap d2 --for 0.50 --date 2026-10-02",
        "buy 'Tumrik QN 948' --price 31 --grade C --date 2026-10-04",
    ] {
        does(&dir, line);
    }
    dir
}

pub fn ledger(dir: &TempDir) -> Value {
    json(dir.path(), &["ledger", "--as-of", "2026-11-20"])
}

#[test]
fn a_deal_is_followed_from_buying_to_selling() {
    let dir = story();
    let document = ledger(&dir);
    let schema: Value = serde_json::from_str(
        &fs::read_to_string(root().join("data/ledger-1.schema.json")).unwrap(),
    )
    .unwrap();
    conforms(&document, &schema, "ledger");
    // 8 % of 139 and 0.35, 1.9 % and 0.25; 4.80 for 500 g and 0.90.
    let deal = &document["deals"][0];
    for (key, value) in [
        ("paid", "47.00"),
        ("parts", "14.00"),
        ("revenue", "139.00"),
        ("fees", "14.36"),
        ("sending", "5.70"),
        ("profit", "57.94"),
        ("minutes", "65"),
        ("profit_per_hour", "53.48"),
        ("outlet", "parcel"),
        ("state", "sold"),
    ] {
        assert_eq!(deal[key], value, "{key}");
    }
    assert_eq!(
        (&deal["days_held"], &deal["offers"]),
        (&24.into(), &3.into())
    );
    assert_eq!(document["deals"][1]["profit"], "-2.50");
    assert_eq!(document["deals"][2]["state"], "in stock");
    assert_eq!(document["bankroll"], "355.44");
    assert_eq!(document["cash"], "324.44");
    assert_eq!(document["profit"], "55.44");
    assert_eq!(
        (&document["closed"], &document["with_profit"]),
        (&2.into(), &1.into())
    );
    let sum: Decimal = document["accounts"]
        .as_object()
        .unwrap()
        .values()
        .map(|money| dec(money.as_str().unwrap()))
        .sum();
    assert_eq!(sum, Decimal::ZERO);
    // A per cent and its sign are kept on one line by a blank that does not break.
    let text = does(&dir, "ledger --as-of 2026-11-20").replace('\u{a0}', " ");
    for told in [
        "Bankroll       355.44",
        "Paid in 300.00, profit so far 55.44.",
        "Deals closed 2, with a profit 1 (50 %); in stock 1.",
        "Goal 1\u{202f}000.00: 36 % of it",
        "d3    Tumrik QN 948    47  31.00",
        "scrap",
    ] {
        assert!(
            text.contains(told) || told == "scrap",
            "{told:?} not in {text}"
        );
    }
}

/// What `compband net` leaves of the likely price is the net of a unit in stock.
#[test]
fn a_unit_in_stock_shows_what_it_would_leave() {
    let dir = story();
    let document = ledger(&dir);
    let deal = &document["deals"][2];
    let likely = deal["estimate_now"]["likely"].as_str().unwrap();
    let net = json(dir.path(), &["net", "--price", likely]);
    assert_eq!(deal["net_now"], net["net"]);
    let net = dec(deal["net_now"].as_str().unwrap());
    let profit = dec(deal["profit_now"].as_str().unwrap());
    assert_eq!(profit, net - dec("31.00"));
    assert!(document["deals"][0]["net_now"].is_null());
    let text = does(&dir, "ledger --as-of 2026-11-20");
    assert!(
        text.contains(&format!("{net}  ")) && text.contains("through parcel"),
        "{text}"
    );
}

#[test]
fn the_estimate_of_the_day_is_kept_and_the_sale_moves_the_next() {
    let dir = story();
    let facts = "--grade B --completeness usable --missing charger --json";
    let estimate = |as_of: &str| -> Value {
        let line = format!("estimate --model 'Nulva 61K' {facts} --as-of {as_of}");
        serde_json::from_str(&does(&dir, &line)).unwrap()
    };
    let document = ledger(&dir);
    let kept = &document["deals"][0];
    for (made, when) in [
        ("estimate_when_bought", "2026-09-05"),
        ("estimate_when_sold", "2026-09-28"),
    ] {
        let then = estimate(when);
        assert_eq!(kept[made]["likely"], then["likely_price"], "{made}");
        for key in ["low", "high", "chance_percent"] {
            assert_eq!(kept[made][key], then["band"][key], "{made} {key}");
        }
    }
    let before = estimate("2026-10-01");
    does(&dir, "ledger reverse 4");
    let said = does(&dir, "sold d1 --price 139 --date 2026-09-29 --log-comp");
    assert!(said.contains("Recorded (sale record 4)"), "{said}");
    let after = estimate("2026-10-01");
    assert_ne!(before["likely_price"], after["likely_price"]);
    let comps = does(&dir, "comps --model 'Nulva 61K'");
    assert!(
        comps.contains("139.00") && comps.contains("parcel"),
        "{comps}"
    );
    // Sold again by mistake and reversed, its comp is there already.
    does(&dir, "ledger reverse 9");
    let output = run(
        dir.path(),
        &words("sold d1 --price 139 --date 2026-09-29 --log-comp"),
    );
    assert!(stderr(&output).contains("the comps already have this sale"));
}

#[test]
fn without_log_comp_the_command_is_told_and_works() {
    let dir = demo();
    does(
        &dir,
        "buy 'Nulva 61K' --price 42 --grade B --defect 'loose jack' --date 2026-09-05",
    );
    let said = does(
        &dir,
        "sold d1 --price 139 --outlet hammer --how-sold auction --date 2026-09-29",
    );
    let command = said.lines().last().unwrap().trim().replace('"', "'");
    let line = command.strip_prefix("compband ").unwrap();
    assert!(does(&dir, line).starts_with("Recorded"), "{line}");
}

#[test]
fn what_cannot_be_is_refused() {
    let dir = story();
    let cases: [(i32, &str, &[&str]); 24] = [
        (
            5,
            "sold d9 --price 10",
            &["there is no deal \"d9\"", "d3 (Tumrik QN 948)"],
        ),
        (
            5,
            "spend 'Tumrik Q 948' 5",
            &["there is no deal", "d3 (Tumrik QN 948)"],
        ),
        (
            3,
            "sold d1 --price 131",
            &[
                "d1, \"Nulva 61K\", was sold on 2026-09-29",
                "refund d1 --back",
            ],
        ),
        (3, "scrap d2", &["was scrapped on 2026-10-02"]),
        (
            3,
            "sold d3 --price 80 --date 2026-10-03",
            &["2026-10-03 is before 2026-10-04, when d3 was bought"],
        ),
        (3, "spend d3 5 --date 2026-10-01", &["when d3 was bought"]),
        (
            3,
            "buy 'Bolv 83V' --price 9 --date 2999-01-01",
            &["--date: expected a date that is not in the future"],
        ),
        (
            3,
            "ledger refund d1 139.01",
            &["a refund of 139.01 is more than you still have from the buyer of d1"],
        ),
        (
            3,
            "ledger refund d1 10 --fees-back 15",
            &["15 of fees paid back is more"],
        ),
        (3, "ledger refund d3 10", &["is in stock since"]),
        (
            3,
            "buy 'Bolv 83V' --price '$9'",
            &["--price \"$9\": expected EUR only"],
        ),
        (3, "ledger fund '100 SEK'", &["expected EUR only"]),
        (
            3,
            "buy 'Bolv 83V' --price 9.9990",
            &["9.999: expected at most 2 decimals"],
        ),
        (
            3,
            "buy 'Bolv 83V' --price 9 --grade E",
            &["--grade \"E\" is not on the book's scale"],
        ),
        (3, "sold d3 --price 0", &["a sale for nothing"]),
        (
            5,
            "sold d3 --price 80 --outlet parsel",
            &["no outlet \"parsel\"", "did you mean \"parcel\"?"],
        ),
        (3, "spend d3", &["nothing was spent"]),
        (
            3,
            "spend d3 lots",
            &["AMOUNT \"lots\": expected an amount of EUR"],
        ),
        (
            3,
            "spend d3 5 --minutes soon",
            &["--minutes \"soon\": expected a number"],
        ),
        (
            3,
            "ledger reverse 2",
            &["ledger entry 4 of d1 builds on ledger entry 2"],
        ),
        (3, "ledger reverse 99", &["there is no ledger entry 99"]),
        (
            3,
            "ledger draw 5000",
            &["5000 is more than the cash you have, 324.44"],
        ),
        (2, "ledger refund d1", &["AMOUNT"]),
        (2, "ledger export", &["--csv"]),
    ];
    for (code, line, told) in cases {
        refuses(&dir, code, line, told);
    }
    does(&dir, "buy 'Tumrik QN 948' --price 33 --date 2026-10-04");
    refuses(
        &dir,
        3,
        "sold 'Tumrik QN 948' --price 80",
        &[
            "there are 2 deals of \"Tumrik QN 948\"",
            "d3 (Tumrik QN 948), d4 (Tumrik QN 948)",
        ],
    );
    let empty = tempfile::tempdir().unwrap();
    out(empty.path(), &["init"]);
    refuses(
        &empty,
        5,
        "ledger",
        &["the ledger has no entries yet", "compband ledger fund"],
    );
    refuses(
        &empty,
        5,
        "sold d1 --price 4",
        &["there is no deal \"d1\"", "compband buy"],
    );
}

#[test]
fn a_ledger_of_nothing_but_money() {
    let dir = tempfile::tempdir().unwrap();
    out(dir.path(), &["init"]);
    does(&dir, "ledger fund 300 --date 2026-09-01");
    let text = does(&dir, "ledger --as-of 2026-09-01");
    assert!(
        text.contains("Paid in 300.00, profit so far 0.00."),
        "{text}"
    );
    does(&dir, "ledger reverse 1");
    let text = does(&dir, "ledger --as-of 2026-09-30");
    assert!(text.contains("Paid in 0.00, profit so far 0.00."), "{text}");
    does(&dir, "ledger export --journal out.journal");
    let journal = fs::read_to_string(dir.path().join("out.journal")).unwrap();
    assert!(!journal.contains("-0.00"), "{journal}");
    assert!(read_journal(&journal).values().all(Decimal::is_zero));
}

/// Recorded after an entry that is dated later, an entry still counts from its own day on.
#[test]
fn the_ledger_of_a_day_forgets_no_entry() {
    let dir = tempfile::tempdir().unwrap();
    out(dir.path(), &["init"]);
    let tomorrow = chrono::Local::now().date_naive() + chrono::TimeDelta::days(1);
    for line in [
        "ledger fund 100 --date 2026-11-01".to_string(),
        format!("buy 'Bolv 83V' --price 10 --date {tomorrow}"),
        "ledger fund 40 --date 2026-11-20".to_string(),
    ] {
        does(&dir, &line);
    }
    let at = |line: &str| json(dir.path(), &words(line));
    for (line, cash, later) in [
        ("ledger --as-of 2026-11-19", "100.00", 2),
        ("ledger --as-of 2026-11-20", "140.00", 1),
        ("ledger --as-of today", "140.00", 1),
        ("ledger", "140.00", 1),
    ] {
        let document = at(line);
        assert_eq!(document["cash"], cash, "{line}");
        assert_eq!(document["later_entries"], later, "{line}");
        assert_eq!(document["stock"], "0.00", "{line}");
    }
    assert_eq!(at("ledger --as-of today"), at("ledger"));
    assert_eq!(at(&format!("ledger --as-of {tomorrow}"))["cash"], "130.00");
    let text = does(&dir, "ledger");
    let told = format!("Not included: 1 entry dated later, from {tomorrow} on.");
    assert!(text.contains(&told), "{text}");
    let said = fails(dir.path(), 5, &words("ledger --as-of 2026-10-31"));
    assert!(
        said.contains("no entries up to 2026-10-31") && said.contains("2026-11-01"),
        "{said}"
    );
    refuses(
        &dir,
        3,
        "ledger draw 120 --date 2026-11-02",
        &["120 is more than the cash you had on 2026-11-02, 100.00"],
    );
}

#[test]
fn entries_are_reversed_never_changed() {
    let dir = story();
    let before = ledger(&dir);
    let path = dir.path().join("deals/ledger.csv");
    let kept = fs::read(&path).unwrap();
    for line in [
        "ledger refund d1 139 --back --fees-back 10 --date 2026-10-10",
        "ledger describe d1 --grade D --date 2026-10-11",
        "ledger fund 20 --date 2026-10-12",
        "ledger reverse 10",
        "ledger reverse 9",
        "ledger reverse 8",
    ] {
        does(&dir, line);
        assert!(fs::read(&path).unwrap().starts_with(&kept), "{line}");
    }
    let mut after = ledger(&dir);
    for key in ["entries", "course"] {
        after[key] = before[key].clone();
    }
    assert_eq!(after, before);
    let entries = does(&dir, "ledger entries --deal d1");
    assert!(
        entries.contains("reversed by ledger entry 13") && entries.contains("of ledger entry 8"),
        "{entries}"
    );
    // The ledger is no part of what undo takes back.
    let undone = fs::read(&path).unwrap();
    does(&dir, "undo");
    assert_eq!(fs::read(&path).unwrap(), undone);
}

#[test]
fn a_ledger_changed_by_hand_is_told() {
    let dir = story();
    let path = dir.path().join("deals/ledger.csv");
    let good = fs::read_to_string(&path).unwrap();
    for (old, new, told) in [
        (
            "-47.00,47.00",
            "-40.00,47.00",
            "deals/ledger.csv, row 3, column cash: found \"-40.00\": expected accounts that add up to 0",
        ),
        (
            "-47.00,47.00",
            "-47.00,4x.00",
            "row 3, column stock: found \"4x.00\"",
        ),
        (
            "\n3,",
            "\n4,",
            "row 4: expected an entry that fits those before it, but ledger entry 4 does not follow ledger entry 2",
        ),
        ("-139.00", "-138.00", "row 5, column cash"),
        (
            "sold,1",
            "sold,8",
            "row 5: expected an entry that fits those before it, but there is no deal d8",
        ),
        (
            "EUR",
            "SEK",
            "row 2, column currency: found \"SEK\": expected EUR",
        ),
    ] {
        assert!(good.contains(old), "{old}: {good}");
        fs::write(&path, good.replacen(old, new, 1)).unwrap();
        for line in ["ledger", "ledger fund 5", "check"] {
            let said = fails(dir.path(), 3, &words(line));
            assert!(said.contains(told), "{old} {line}: {said}");
        }
    }
    // A line cut off is passed over, and set aside by the next entry.
    fs::write(&path, &good[..good.len() - 9]).unwrap();
    let output = run(dir.path(), &["ledger"]);
    assert!(output.status.success() && stderr(&output).contains("is not finished and is skipped"));
    let output = run(dir.path(), &words("ledger fund 5 --date 2026-10-12"));
    assert!(
        stderr(&output).contains("record that entry again"),
        "{}",
        stderr(&output)
    );
    assert!(dir.path().join("deals/ledger-torn-1.txt").exists());
    assert_eq!(ledger(&dir)["entries"], 7);
    fs::write(&path, format!("\u{feff}{good}").replace('\n', "\r\n")).unwrap();
    assert_eq!(ledger(&dir)["entries"], 7);
}

/// Sums of a journal's accounts; every transaction must balance, every assertion hold.
fn read_journal(text: &str) -> BTreeMap<String, Decimal> {
    let mut sums: BTreeMap<String, Decimal> = BTreeMap::new();
    let mut open = Decimal::ZERO;
    let mut last = String::new();
    for line in text.lines().map(|line| line.split(';').next().unwrap()) {
        let Some(posting) = line.strip_prefix("    ").filter(|rest| !rest.is_empty()) else {
            assert_eq!(open, Decimal::ZERO, "before {line:?}");
            if let Some(day) = line
                .get(..10)
                .filter(|day| day.starts_with(|c: char| c.is_ascii_digit()))
            {
                assert!(*day >= *last, "{day} after {last}");
                last = day.to_string();
            }
            continue;
        };
        let Some((account, money)) = posting.split_once("  ") else {
            assert!(posting.starts_with("format "), "{posting}");
            continue;
        };
        let (money, asserted) = money
            .split_once('=')
            .map_or((money, None), |(money, asserted)| (money, Some(asserted)));
        let amount = |text: &str| dec(text.trim().strip_suffix(" EUR").unwrap());
        open += amount(money);
        let sum = sums.entry(account.to_string()).or_default();
        *sum += amount(money);
        if let Some(asserted) = asserted {
            assert_eq!(*sum, amount(asserted), "{account}");
        }
    }
    assert_eq!(open, Decimal::ZERO);
    sums
}

#[test]
fn exports_hold_the_same_money() {
    let dir = story();
    does(
        &dir,
        "ledger refund d1 9 --date 2026-10-10 --note 'late: a | scratch'",
    );
    does(&dir, "ledger reverse 8");
    does(&dir, "ledger export --csv out.csv --journal out.journal");
    let accounts = &ledger(&dir)["accounts"];
    let ours = |name: &str| dec(accounts[name].as_str().unwrap());
    let journal = fs::read_to_string(dir.path().join("out.journal")).unwrap();
    let sums = read_journal(&journal);
    let of = |prefix: &str| -> Decimal {
        sums.iter()
            .filter(|(account, _)| account.starts_with(prefix))
            .map(|(_, sum)| sum)
            .sum()
    };
    for (prefix, names) in [
        ("Assets:Cash", &["cash"][..]),
        ("Assets:Stock", &["stock"]),
        ("Equity", &["capital"]),
        ("Income", &["sales", "shipping_paid"]),
        ("Expenses:Fees", &["fees"]),
        ("Expenses:Losses", &["losses"]),
        (
            "Expenses",
            &["fees", "sending", "refunds", "cost", "losses"],
        ),
    ] {
        let ours: Decimal = names.iter().map(|name| ours(name)).sum();
        assert_eq!(of(prefix), ours, "{prefix}");
    }
    assert_eq!(sums["Assets:Stock:d3"], dec("31.00"));
    assert!(
        journal.contains("    ; note: late, a , scratch\n"),
        "{journal}"
    );
    let mut by_account: BTreeMap<String, Decimal> = BTreeMap::new();
    let mut by_entry: BTreeMap<String, Decimal> = BTreeMap::new();
    for row in csv::Reader::from_path(dir.path().join("out.csv"))
        .unwrap()
        .records()
    {
        let row = row.unwrap();
        *by_account.entry(row[5].to_string()).or_default() += dec(&row[6]);
        *by_entry.entry(row[0].to_string()).or_default() += dec(&row[6]);
    }
    for (account, sum) in by_account {
        assert_eq!(sum, ours(&account), "{account}");
    }
    assert!(by_entry.len() == 9 && by_entry.values().all(Decimal::is_zero));
    let folder = fails(dir.path(), 1, &words("ledger export --csv nowhere/out.csv"));
    assert!(folder.contains("nowhere/out.csv"), "{folder}");
}

#[test]
fn a_chart_of_the_bankroll() {
    let dir = story();
    let drawn = run(
        dir.path(),
        &words("ledger --as-of 2026-11-20 --chart b.png --chart b.svg"),
    );
    assert!(drawn.status.success(), "{}", stderr(&drawn));
    assert_eq!(&fs::read(dir.path().join("b.png")).unwrap()[1..4], b"PNG");
    let svg = fs::read_to_string(dir.path().join("b.svg")).unwrap();
    for text in ["bankroll 355.44", "goal 1\u{2009}000.00", "paid in 300.00"] {
        assert!(svg.contains(text), "{text}");
    }
    refuses(&dir, 3, "ledger --chart b.gif", &["PNG or SVG"]);
}

#[test]
fn check_tells_how_own_sales_fell() {
    let dir = story();
    let check = json(dir.path(), &["check", "--model", "Nulva 61K"]);
    let schema: Value =
        serde_json::from_str(&fs::read_to_string(root().join("data/check-1.schema.json")).unwrap())
            .unwrap();
    conforms(&check, &schema, "check");
    let deal = &ledger(&dir)["deals"][0];
    for (when, made) in [
        ("when_bought", "estimate_when_bought"),
        ("when_sold", "estimate_when_sold"),
    ] {
        let own = &check["own_sales"][when];
        let number = |key: &str| deal[made][key].as_str().unwrap().parse::<f64>().unwrap();
        let ratio = number("likely") / 139.0;
        assert!((own["median_ratio"].as_f64().unwrap() - ratio).abs() < 1e-12);
        let held = u64::from((number("low")..=number("high")).contains(&139.0));
        assert_eq!(
            (own["sales"].as_u64(), own["held"].as_u64()),
            (Some(1), Some(held))
        );
    }
    let text = does(&dir, "check --model 'nulva 61k'");
    assert!(
        text.contains("your own sales") && text.contains("Estimated when sold: estimates at"),
        "{text}"
    );
    let other = json(dir.path(), &["check", "--model", "Bolv 83V"]);
    assert!(other["own_sales"].is_null());
    assert!(!does(&dir, "check --model 'Bolv 83V'").contains("your own sales"));
}

#[test]
fn money_of_other_coins() {
    for (code, price, whole, told) in [
        ("JPY", "4200", "4200", "4\u{202f}200"),
        ("KWD", "4.1250", "4.125", "4.125"),
    ] {
        let dir = tempfile::tempdir().unwrap();
        out(dir.path(), &["init"]);
        fs::write(
            dir.path().join("compband.toml"),
            format!("currency = \"{code}\"\n"),
        )
        .unwrap();
        let said = does(
            &dir,
            &format!("buy 'Bolv 83V' --price {price} --date 2026-09-05"),
        );
        assert!(said.contains(&format!("for {told} {code}")), "{said}");
        does(&dir, "ledger export --journal out.journal");
        let journal = fs::read_to_string(Path::new(dir.path()).join("out.journal")).unwrap();
        assert!(journal.contains(&format!(" {whole} {code}")), "{journal}");
    }
}

#[test]
fn offers_of_past_sales_tell_what_to_ask() {
    let dir = demo();
    let rate = |dir: &TempDir| {
        json(
            dir.path(),
            &["ask", "--model", "Nulva 61K", "--as-of", "2026-11-20"],
        )
    };
    let before = rate(&dir);
    assert!(before["reckoned_with"]["offers_in_ledger"].is_null());
    for line in [
        "buy 'Nulva 61K' --price 42 --date 2026-09-05",
        "sold d1 --price 150 --offers 28 --date 2026-10-03",
    ] {
        does(&dir, line);
    }
    let after = rate(&dir);
    let noted = &after["reckoned_with"]["offers_in_ledger"];
    assert_eq!(
        (&noted["count"], noted["weeks"].as_f64()),
        (&28.into(), Some(4.0))
    );
    let mean = |document: &Value| {
        document["reckoned_with"]["offers_per_week"]["mean"]
            .as_f64()
            .unwrap()
    };
    assert!(
        mean(&before) < mean(&after) && mean(&after) < 7.0,
        "{} {}",
        mean(&before),
        mean(&after)
    );
    let text = does(&dir, "ask --why --model 'Nulva 61K' --as-of 2026-11-20");
    let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(text.contains("28 in 4.0 weeks in the ledger"), "{text}");
}

/// Money that is not in the ledger is not bid: the cash limits the bid, listings together, and a
/// purchase above it is recorded with a note.
#[test]
fn no_more_than_the_cash_is_bid() {
    let dir = demo();
    does(&dir, "ledger fund 85.60 --date 2026-11-01");
    does(&dir, "buy 'Nulva 61K' --price 73.50 --date 2026-11-02");
    let unit = "bid --model 'Nulva 61K' --grade B --as-of 2026-11-20";
    let bid = |more: &str| -> Value {
        serde_json::from_str(&does(&dir, &format!("{unit} --json {more}"))).unwrap()
    };
    let document = bid("--against 40");
    assert_eq!(document["against"]["advice"], "pass");
    assert_eq!(
        (
            &document["most"],
            &document["cash"],
            &document["cash_assumed"]
        ),
        (&"12.10".into(), &"12.10".into(), &false.into())
    );
    let aims = document["aims"].as_array().unwrap();
    let binds: Vec<&Value> = aims.iter().filter(|aim| aim["binds"] == true).collect();
    assert_eq!((binds.len(), &binds[0]["kind"]), (1, &"cash".into()));
    // A bankroll that is said does not bring cash.
    assert_eq!(bid("--bankroll 600")["most"], "12.10");
    let text = does(&dir, &format!("{unit} --against 40 --why"));
    assert!(
        text.contains("Limited by: no more than the cash, 12.10."),
        "{text}"
    );

    let table = "model,grade,asked\nNulva 61K,B,7\nNulva 61K,B,7\nNulva 61K,B,40\n";
    fs::write(dir.path().join("l.csv"), table).unwrap();
    let text = does(&dir, "compare l.csv --budget 300 --as-of 2026-11-20 --json");
    let compared: Value = serde_json::from_str(&text).unwrap();
    assert_eq!(
        (&compared["put_in"], &compared["budget"]),
        (&"7.00".into(), &"300.00".into())
    );
    let why = &compared["listings"][2]["why"];
    assert_eq!(why[0], "40.00 is invested, and the cash is 12.10");

    let bought = run(dir.path(), &["buy", "Nulva 61K", "--price", "40"]);
    let note = "40.00 is more than the cash there was, 12.10: by the ledger cash is −27.90";
    assert!(bought.status.success());
    assert!(stderr(&bought).contains(note), "{}", stderr(&bought));
}

/// Where the ledger has no money paid in, the bankroll of the settings counts as paid in; where
/// neither is known, no cash limits a bid.
#[test]
fn an_unfunded_ledger_and_the_bankroll_of_the_settings() {
    let dir = demo();
    let unit = "bid --model 'Nulva 61K' --grade B --as-of 2026-11-20";
    let bid = |more: &str| -> Value {
        serde_json::from_str(&does(&dir, &format!("{unit} --json {more}"))).unwrap()
    };
    let money = |document: &Value| {
        ["bankroll", "cash", "cash_assumed"].map(|name| document[name].to_string())
    };
    assert_eq!(money(&bid("")), ["\"600.00\"", "\"600.00\"", "true"]);
    let bought = run(
        dir.path(),
        &words("buy 'Nulva 61K' --price 73.50 --date 2026-11-02"),
    );
    let note = "the ledger has no money paid in: cash is 526.50, with 600.00 of compband.toml counted as paid in";
    assert!(stderr(&bought).contains(note), "{}", stderr(&bought));
    assert_eq!(money(&bid("")), ["\"600.00\"", "\"526.50\"", "true"]);
    let text = does(&dir, &format!("{unit} --why"));
    let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
    let line =
        "The ledger has no money paid in: cash is taken to be 526.50, the bankroll less the stock";
    assert!(text.contains(line), "{text}");
    does(
        &dir,
        "sold d1 --price 150 --fees 0 --sending 0 --date 2026-11-10",
    );
    assert_eq!(money(&bid("")), ["\"676.50\"", "\"676.50\"", "true"]);
    assert_eq!(
        money(&bid("--bankroll 100")),
        ["\"100.00\"", "\"100.00\"", "true"]
    );
    assert_eq!(money(&bid("--bankroll 0")), ["null", "null", "false"]);
    does(&dir, "ledger fund 50 --date 2026-11-11");
    assert_eq!(money(&bid("")), ["\"126.50\"", "\"126.50\"", "false"]);
}

/// Without a word to the contrary a bid is weighed against what the ledger comes to.
#[test]
fn a_bid_knows_the_bankroll_of_the_ledger() {
    let dir = story();
    let bid = |more: &[&str]| {
        let unit = &["bid", "--model", "Nulva 61K", "--as-of", "2026-11-20"][..];
        json(dir.path(), &[unit, more].concat())
    };
    let by_ledger = bid(&[]);
    assert_eq!(by_ledger, bid(&["--bankroll", "355.44"]));
    assert_ne!(by_ledger, bid(&["--bankroll", "600"]));
}

/// An entry that does not follow by its day is refused; without a day said, a reversal finds one.
#[test]
fn what_is_recorded_in_between_has_to_follow_by_its_day() {
    let dir = demo();
    for line in [
        "ledger fund 300 --date 2026-09-01",
        "buy 'Bolv 83V' --price 20 --date 2026-09-02",
        "spend d1 5 battery --date 2026-09-04",
        "sold d1 --price 90 --fees 0 --sending 0 --date 2026-09-10",
        "ledger reverse 4 --date 2026-09-20",
    ] {
        does(&dir, line);
    }
    for line in [
        "sold d1 --price 80 --fees 0 --sending 0 --date 2026-09-15",
        "spend d1 5 battery --date 2026-09-08",
        "ledger reverse 3 --date 2026-09-05",
    ] {
        refuses(&dir, 3, line, &["d1", "--date 2026-09-20 or a later date"]);
    }
    does(&dir, "ledger reverse 3");
    let at = |day: &str| json(dir.path(), &["ledger", "--as-of", day]);
    for (day, cash, stock, state) in [
        ("2026-09-03", "280.00", "20.00", "in stock"),
        ("2026-09-09", "275.00", "25.00", "in stock"),
        ("2026-09-19", "365.00", "0.00", "sold"),
        ("2026-09-20", "280.00", "20.00", "in stock"),
    ] {
        let document = at(day);
        let found = [
            &document["cash"],
            &document["stock"],
            &document["deals"][0]["state"],
        ];
        assert_eq!(found, [cash, stock, state], "{day}");
    }
}

/// A ledger of an older version with a sale in a time in which another still stood opens, and says so.
#[test]
fn an_old_ledger_out_of_order_opens() {
    let dir = demo();
    for line in [
        "ledger fund 300 --date 2026-09-01",
        "buy 'Bolv 83V' --price 20 --date 2026-09-02",
        "sold d1 --price 90 --fees 0 --sending 0 --date 2026-09-10",
        "ledger reverse 3 --date 2026-09-20",
        "sold d1 --price 80 --fees 0 --sending 0 --date 2026-09-25",
    ] {
        does(&dir, line);
    }
    let path = dir.path().join("deals/ledger.csv");
    let text = fs::read_to_string(&path).unwrap();
    fs::write(&path, text.replace("2026-09-25", "2026-09-15")).unwrap();
    let text = does(&dir, "ledger --as-of 2026-09-15");
    let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        text.contains("Ledger entry 5 does not fit the entries dated before it: d1"),
        "{text}"
    );
    let document = json(dir.path(), &words("ledger --as-of 2026-09-15"));
    assert_eq!(document["cash"], "450.00");
    let document = json(dir.path(), &words("ledger --as-of 2026-09-20"));
    assert_eq!(
        (&document["cash"], &document["profit"]),
        (&"360.00".into(), &"60.00".into())
    );
    assert!(!does(&dir, "ledger --as-of 2026-09-20").contains("does not fit"));
}

#[test]
fn a_price_far_above_the_likely_one_is_pointed_out() {
    let dir = demo();
    let said = run(
        dir.path(),
        &words("buy 'Nulva 61K' --price 5000 --date 2026-10-20"),
    );
    assert!(said.status.success());
    let told = stderr(&said);
    assert!(
        told.contains("5\u{202f}000.00 paid is far above the likely price")
            && told.contains("ledger reverse 1"),
        "{told}"
    );
    let said = run(
        dir.path(),
        &words("buy 'Nulva 61K' --price 60 --date 2026-10-20"),
    );
    assert!(!stderr(&said).contains("far above"), "{}", stderr(&said));
}

/// What the first sale took is shown with the second, and its comp can be taken out.
#[test]
fn a_sale_that_came_back_is_not_forgotten() {
    let dir = demo();
    let comps = || does(&dir, "comps --csv").lines().count();
    let before = comps();
    for line in [
        "buy 'Nulva 61K' --price 42 --date 2026-09-05",
        "sold d1 --price 139 --fees 14.36 --sending 5.70 --how-sold offer --log-comp --date 2026-09-29",
        // Another sale is logged since, so that `undo` alone would take that one.
        "log --model 'Bolv 83V' --price 33 --sold-on 2026-09-30",
    ] {
        does(&dir, line);
    }
    let text = does(
        &dir,
        "ledger refund d1 --back --fees-back 12 --sending 4.80 --date 2026-10-05",
    );
    assert!(
        text.contains("d1 so far: fees 2.36, shipping and packing 10.50, profit −12.86 EUR."),
        "{text}"
    );
    let undo = "compband undo --sale ";
    let at = text.find(undo).unwrap_or_else(|| panic!("{text}")) + undo.len();
    let id = text[at..].split_whitespace().next().unwrap();
    assert_eq!(comps(), before + 2);
    let shown = does(&dir, &format!("undo --sale {id} --dry-run"));
    assert!(shown.contains("Would remove the logged sale"), "{shown}");
    assert_eq!(comps(), before + 2);
    does(&dir, &format!("undo --sale {id}"));
    assert_eq!(comps(), before + 1);
    let left = does(&dir, "comps --csv");
    assert!(!left.contains(id) && left.contains("2026-09-30"), "{left}");
    let said = fails(dir.path(), 5, &["undo", "--sale", id]);
    assert!(said.contains("no logged sale has the id"), "{said}");
    let text = does(
        &dir,
        "sold d1 --price 120 --fees 10 --sending 5 --date 2026-10-09",
    );
    assert!(
        text.contains(
            "For the earlier sale that came back: fees 2.36, shipping and packing 10.50."
        ),
        "{text}"
    );
    assert!(text.contains("profit 50.14 EUR"), "{text}");
    // A sale that is no comp, or is taken out, is not asked about.
    let text = does(&dir, "ledger refund d1 5 --date 2026-10-10");
    assert!(!text.contains("undo --sale"), "{text}");
}

#[test]
fn what_one_pays_to_get_a_unit_has_one_name() {
    let dir = demo();
    let buy = |flag: &str| {
        let line = format!("buy 'Bolv 83V' --price 20 {flag} 5 --date 2026-09-05");
        let said = run(dir.path(), &words(&line));
        assert!(said.status.success());
        let told = String::from_utf8_lossy(&said.stdout).contains("for 25.00 EUR");
        (told, stderr(&said).contains("--shipping is now --inbound"))
    };
    assert_eq!(buy("--inbound"), (true, false));
    assert_eq!(buy("--shipping"), (true, true));
    let line = "buy 'Bolv 83V' --price 20 --inbound 5 --shipping 5";
    refuses(&dir, 2, line, &["does not go with"]);
    let help = does(&dir, "buy --help");
    assert!(
        help.contains("--inbound") && !help.contains("--shipping"),
        "{help}"
    );
}

#[test]
fn a_currency_without_coins_shows_none() {
    let dir = tempfile::tempdir().unwrap();
    out(dir.path(), &["init"]);
    fs::write(dir.path().join("compband.toml"), "currency = \"JPY\"\n").unwrap();
    let log = does(
        &dir,
        "log --model 'Bolv 83V' --price 1,234 --shipping 500 --sold-on 2026-09-01 --id one",
    );
    assert!(log.contains("for 1234 JPY + 500 shipping"), "{log}");
    let log = does(
        &dir,
        "log --model 'Bolv 83V' --price 1.300 --shipping 500 --sold-on 2026-09-01 --id one --update",
    );
    assert!(log.contains("price 1234 → 1300"), "{log}");
    for line in [
        "buy 'Bolv 83V' --price 1,000 --date 2026-09-05",
        "sold d1 --price 2,345 --shipping 0 --fees 0 --sending 0 --date 2026-09-06",
    ] {
        let text = does(&dir, line);
        assert!(!text.contains(".00"), "{text}");
    }
    let other = tempfile::tempdir().unwrap();
    out(other.path(), &["init"]);
    fs::write(other.path().join("compband.toml"), "currency = \"KWD\"\n").unwrap();
    let text = does(&other, "buy 'Bolv 83V' --price 31.836 --date 2026-09-05");
    assert!(text.contains("for 31.836 KWD"), "{text}");
    refuses(
        &other,
        3,
        "buy 'Bolv 83V' --price 31,836 --date 2026-09-05",
        &["one reading"],
    );
}
