//! Time and negotiation: bids at the price of the day of sale, what waiting costs, what to offer a seller.

use std::fs;
use std::path::Path;

use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution, StandardNormal};
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;
use serde_json::Value;
use tempfile::TempDir;

use crate::estimate::demo;
use crate::runner::{fails, out};

const UNIT: [&str; 10] = [
    "--model",
    "Nulva 61K",
    "--grade",
    "B",
    "--completeness",
    "usable",
    "--how-sold",
    "fixed",
    "--as-of",
    "2026-11-20",
];

/// Flags that leave the expected profit as the only aim that counts.
const FOR_PROFIT: [&str; 8] = [
    "--profit",
    "10",
    "--return",
    "0",
    "--loss",
    "100",
    "--bankroll",
    "0",
];

fn json(dir: &Path, args: &[&str]) -> Value {
    serde_json::from_str(&out(dir, &[args, &["--json"]].concat())).unwrap()
}

fn of_unit(dir: &Path, command: &str, more: &[&str]) -> Value {
    json(dir, &[&[command][..], &UNIT, more].concat())
}

fn money(value: &Value) -> Decimal {
    let text = value.as_str();
    text.unwrap_or_else(|| panic!("{value} is not money"))
        .parse()
        .unwrap()
}

fn float(value: &Value) -> f64 {
    value
        .as_f64()
        .unwrap_or_else(|| money(value).to_f64().unwrap())
}

fn most_for_profit(dir: &Path, weeks: &str) -> Decimal {
    let more = [&FOR_PROFIT[..], &["--weeks", weeks]].concat();
    money(&of_unit(dir, "bid", &more)["most"])
}

/// Adds lines to the section `[deal]`, the last but one of the demo's settings.
fn set(dir: &TempDir, lines: &str) {
    let path = dir.path().join("compband.toml");
    let text = fs::read_to_string(&path).unwrap();
    fs::write(
        path,
        text.replace("[deal]\n", &format!("[deal]\n{lines}\n")),
    )
    .unwrap();
}

/// A book of one model whose price changes by `factor` a month.
fn changing(factor: f64) -> TempDir {
    let dir = tempfile::tempdir().unwrap();
    out(dir.path(), &["init"]);
    let mut rows = String::from("model,grade,completeness,how_sold,price,sold_on\n");
    for week in 0..48 {
        let day =
            chrono::NaiveDate::from_ymd_opt(2026, 11, 15).unwrap() - chrono::Days::new(7 * week);
        let scatter = 1.0 + 0.02 * f64::from([0, 2, -1, 1, -2][week as usize % 5]);
        let price = 100.0 * factor.powf(-(week as f64) * 7.0 / 30.4375) * scatter;
        rows.push_str(&format!("Nulva 61K,B,usable,fixed,{price:.2},{day}\n"));
    }
    fs::write(dir.path().join("sales.csv"), rows).unwrap();
    out(dir.path(), &["import", "sales.csv"]);
    dir
}

#[test]
fn the_trend_moves_the_bid_over_the_weeks() {
    let most = |dir: &TempDir| ["1", "8", "26"].map(|weeks| most_for_profit(dir.path(), weeks));
    let falling = most(&changing(0.96));
    assert!(
        falling[0] > falling[1] && falling[1] > falling[2],
        "{falling:?}"
    );
    let rising = most(&changing(1.04));
    assert!(rising[0] < rising[1] && rising[1] < rising[2], "{rising:?}");
    // Over eight weeks, prices that fall by 4 % a month lose about 7 %.
    let lost = (falling[0] - falling[1]).to_f64().unwrap();
    assert!((4.0..9.0).contains(&lost), "{lost}");
}

/// A price some weeks on is what the estimate of that day says, if no sale is recorded until then.
#[test]
fn a_later_day_by_the_trend_is_as_estimated_on_that_day() {
    let dir = demo();
    for (weeks, day) in [("4", "2026-12-18"), ("12", "2027-02-12")] {
        let later = of_unit(dir.path(), "bid", &["--weeks", weeks]);
        let moved =
            float(&later["likely_price"]) * (1.0 + float(&later["price_change_percent"]) / 100.0);
        let unit = [&["estimate"][..], &UNIT[..9], &[day]].concat();
        let then = float(&json(dir.path(), &unit)["likely_price"]);
        assert!((moved / then - 1.0).abs() < 0.02, "{weeks}: {moved} {then}");
    }
}

#[test]
fn holding_lowers_the_bid_by_what_it_costs() {
    let dir = demo();
    let free = ["1", "6"].map(|weeks| most_for_profit(dir.path(), weeks));
    set(&dir, "cost_per_week = 0.85");
    for (free, weeks, cost) in [(free[0], "1", "0.85"), (free[1], "6", "5.10")] {
        let cost: Decimal = cost.parse().unwrap();
        assert_eq!(free - most_for_profit(dir.path(), weeks), cost);
    }
    let text = out(
        dir.path(),
        &[&["bid", "--why"][..], &UNIT, &["--weeks", "6"]].concat(),
    );
    let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        text.contains("It sells in about 6 weeks (as said)."),
        "{text}"
    );
    assert!(text.contains("holding it costs 5.10"), "{text}");
}

/// Without a word about weeks they are those of the asking policy, nearly as `ask` works them out; what
/// is said or set counts before.
#[test]
fn the_weeks_are_those_of_the_asking_policy() {
    let dir = demo();
    for outlet in ["parcel", "hammer", "table"] {
        let more = &["--outlet", outlet];
        let bid = of_unit(dir.path(), "bid", more);
        let ask = of_unit(dir.path(), "ask", more);
        let (weeks, expected) = (float(&bid["weeks"]), float(&ask["usual"]["expected_weeks"]));
        assert!((weeks / expected - 1.0).abs() < 0.15, "{weeks} {expected}");
        assert_eq!(bid["weeks_from"], "asking policy");
    }
    for (model, parts) in [
        ("Tumrik QN 948", false),
        ("Bolv 83V", false),
        ("Bolv 83V", true),
    ] {
        let mut unit = vec![
            "--model",
            model,
            "--how-sold",
            "fixed",
            "--outlet",
            "parcel",
            "--as-of",
            "2026-11-20",
        ];
        unit.extend(parts.then_some("--parts"));
        let weeks = float(&json(dir.path(), &[&["bid"][..], &unit].concat())["weeks"]);
        let ask = json(dir.path(), &[&["ask"][..], &unit].concat());
        let expected = float(&ask["usual"]["expected_weeks"]);
        assert!(
            (weeks / expected - 1.0).abs() < 0.25,
            "{model}: {weeks} {expected}"
        );
    }
    set(&dir, "weeks = 7");
    let bid = of_unit(dir.path(), "bid", &[]);
    assert_eq!(
        (&bid["weeks"], &bid["weeks_from"]),
        (&"7".into(), &"as said".into())
    );
    assert_eq!(of_unit(dir.path(), "bid", &["--weeks", "2"])["weeks"], "2");
}

/// A seeded market: prices of today from the density, a trend from its range, the week of the sale from
/// the asking policy of `ask`, the price of that week, the cost of holding. The mean profit is what `bid`
/// promises. Selling is free, as the book has no outlet.
#[test]
fn a_market_in_time_pays_what_is_promised() {
    const DRAWS: usize = 20_000;
    let dir = demo();
    let path = dir.path().join("compband.toml");
    let text = fs::read_to_string(&path).unwrap();
    let start = text.find("# A shop window").unwrap();
    let end = text.find("[deal]").unwrap();
    let deal = text[end..].replace("outlet = \"parcel\"\n", "lost = 0\ncost_per_week = 0.30\n");
    fs::write(path, format!("{}{deal}", &text[..start])).unwrap();
    let price = "110";
    let promised = of_unit(dir.path(), "bid", &["--against", price]);
    let promised = float(&promised["against"]["measures"]["expected_profit"]);
    let estimate = of_unit(dir.path(), "estimate", &[]);
    let ask = of_unit(dir.path(), "ask", &[]);
    let density: Vec<(f64, f64)> = estimate["density"]
        .as_array()
        .unwrap()
        .iter()
        .map(|pair| (float(&pair[0]), float(&pair[1])))
        .collect();
    let weights: Vec<f64> = density
        .windows(2)
        .map(|pair| (pair[1].0 - pair[0].0) * f64::midpoint(pair[0].1, pair[1].1))
        .collect();
    let total: f64 = weights.iter().sum();
    let sold_by: Vec<f64> = ask["weeks"]
        .as_array()
        .unwrap()
        .iter()
        .map(|week| float(&week["sold_by"]))
        .collect();
    let hazard = |week: usize| {
        let at = week.min(sold_by.len() - 1);
        let before = if at == 0 { 0.0 } else { sold_by[at - 1] };
        (sold_by[at] - before) / (1.0 - before)
    };
    let trend = &estimate["evidence"]["trend_percent_per_month"];
    let log = |percent: &Value| (float(percent) / 100.0).ln_1p();
    let spread = (log(&trend["high"]) - log(&trend["low"])) / 2.0 / 1.281_551_565_5;
    let mut rng = StdRng::seed_from_u64(2026);
    let profits: Vec<f64> = (0..DRAWS)
        .map(|_| {
            let mut left = rng.random::<f64>() * total;
            let cell = weights
                .iter()
                .position(|weight| {
                    left -= weight;
                    left <= 0.0
                })
                .unwrap_or(weights.len() - 1);
            let (one, next) = (density[cell].0, density[cell + 1].0);
            let today = one + rng.random::<f64>() * (next - one);
            let mut week = 0;
            while rng.random::<f64>() >= hazard(week) {
                week += 1;
            }
            let weeks = (week + 1) as f64;
            let z: f64 = StandardNormal.sample(&mut rng);
            let monthly = log(&trend["value"]) + spread * z;
            let paid = today * (monthly * weeks * 7.0 / 30.4375).exp();
            paid - 0.30 * weeks - 110.0
        })
        .collect();
    let n = DRAWS as f64;
    let mean = profits.iter().sum::<f64>() / n;
    let variance = profits.iter().map(|p| (p - mean).powi(2)).sum::<f64>() / n;
    let error = (variance / n).sqrt();
    assert!(
        (mean - promised).abs() < 3.0 * error,
        "{mean} ± {error}: {promised}"
    );
}

/// The price of waiting: the rule of thumb, and from the fifth closed deal on the ledger as well.
#[test]
fn what_waiting_costs_is_learnt_from_the_ledger() {
    let dir = demo();
    let of = |more: &[&str]| of_unit(dir.path(), "ask", more)["reckoned_with"].clone();
    let by_rule = of(&[]);
    assert_eq!(by_rule["return_from"], "rule of thumb");
    assert!((float(&by_rule["return_per_week"]) - 0.02).abs() < 1e-12);
    assert!(
        (float(&by_rule["return_per_year"]) - (1.02_f64.powf(365.2425 / 7.0) - 1.0)).abs() < 1e-9
    );
    let said = of(&["--return-per-year", "25"]);
    assert_eq!(said["return_from"], "as said");
    assert!((float(&said["return_per_year"]) - 0.25).abs() < 1e-9);
    out(
        dir.path(),
        &["ledger", "fund", "500", "--date", "2026-08-01"],
    );
    for (at, price) in ["130", "128", "124", "120", "20"].iter().enumerate() {
        let (buy, sold) = (
            format!("2026-08-{:02}", 2 + at),
            format!("2026-10-{:02}", 2 + at),
        );
        let deal = format!("d{}", at + 1);
        out(
            dir.path(),
            &[
                "buy",
                "Nulva 61K",
                "--price",
                "90",
                "--grade",
                "B",
                "--date",
                &buy,
            ],
        );
        let fees = ["--fees", "5", "--sending", "5", "--date", &sold];
        out(
            dir.path(),
            &[
                &["sold", &deal, "--price", price, "--outlet", "parcel"][..],
                &fees,
            ]
            .concat(),
        );
        let found = of(&[]);
        if at < 4 {
            assert_eq!(found["return_from"], "rule of thumb");
            continue;
        }
        let ledger = json(dir.path(), &["ledger", "--as-of", "2026-11-20"]);
        let own = float(&ledger["return_per_week"]);
        assert_eq!(found["return_from"], "ledger");
        assert_eq!(found["return_of_ledger"]["closed"], 5);
        let both = (5.0 * own.max(0.0) + 5.0 * 0.02) / 10.0;
        assert!(
            (float(&found["return_per_week"]) - both).abs() < 1e-12,
            "{own} {found}"
        );
    }
    let text = out(dir.path(), &[&["ask", "--why"][..], &UNIT].concat());
    let text = text
        .split_whitespace()
        .collect::<Vec<_>>()
        .join(" ")
        .replace('\u{a0}', " ");
    assert!(text.contains("5 closed deals earned"), "{text}");
}

/// Whoever is in less of a hurry asks more and waits longer.
#[test]
fn patient_and_hurried_sellers() {
    let dir = demo();
    let document = of_unit(dir.path(), "ask", &[]);
    let sellers = [
        &document["patient_seller"],
        &document["usual"],
        &document["hurried_seller"],
    ];
    for pair in sellers.windows(2) {
        assert!(money(&pair[0]["ask"]) > money(&pair[1]["ask"]));
        assert!(money(&pair[0]["take_at_once"]) > money(&pair[1]["take_at_once"]));
        assert!(float(&pair[0]["expected_weeks"]) > float(&pair[1]["expected_weeks"]));
    }
    assert!((float(&sellers[0]["return_per_week"]) - 0.005).abs() < 1e-12);
    assert!((float(&sellers[2]["return_per_week"]) - 0.08).abs() < 1e-12);
    let text = out(dir.path(), &[&["ask", "--why"][..], &UNIT].concat());
    assert!(
        text.contains("If you are in less or more of a hurry"),
        "{text}"
    );
    let free = of_unit(
        dir.path(),
        "ask",
        &["--return-per-year", "0", "--deadline", "6"],
    );
    assert!(free["patient_seller"].is_null());
}

/// Three prices to offer: they ascend, none is above the most to pay or the asking price, and `compare`
/// says the same.
#[test]
fn what_to_offer_a_seller() {
    let dir = demo();
    let most = money(&of_unit(dir.path(), "bid", &[])["most"]);
    for (asked, advice) in [(70, "buy"), (110, "haggle"), (130, "haggle"), (200, "pass")] {
        let text = asked.to_string();
        let document = of_unit(dir.path(), "bid", &["--asked", &text]);
        assert_eq!(document["against"]["advice"], advice, "{asked}");
        let offers = &document["offers"];
        if advice == "pass" {
            assert!(offers.is_null());
            continue;
        }
        let [open, target, walk_away] =
            ["open", "target", "walk_away"].map(|name| money(&offers[name]));
        assert!(open <= target && target <= walk_away && walk_away <= most);
        assert!(open < Decimal::from(asked));
        let whole = [open, target, walk_away]
            .iter()
            .all(|price| price.fract().is_zero());
        assert!(whole, "{offers}");
        let row = format!(
            "listing,model,grade,completeness,how_sold,asked\nx,Nulva 61K,B,usable,fixed,{asked}\n"
        );
        fs::write(dir.path().join("one.csv"), row).unwrap();
        let args = [
            "compare",
            "one.csv",
            "--budget",
            "500",
            "--as-of",
            "2026-11-20",
        ];
        let compared = json(dir.path(), &args);
        assert_eq!(&compared["listings"][0]["offers"], offers);
        assert_eq!(compared["listings"][0]["weeks"], document["weeks"]);
    }
    let text = out(
        dir.path(),
        &[&["bid", "--why"][..], &UNIT, &["--against", "110"]].concat(),
    );
    for said in [
        "Open with  ",
        "Aim for  ",
        "Walk away above ",
        "come down by 10 to 30",
    ] {
        assert!(text.contains(said), "{said}: {text}");
    }
}

/// How far sellers come down is learnt from what they asked; a reversed purchase teaches nothing.
#[test]
fn own_purchases_teach_how_far_sellers_come_down() {
    let dir = demo();
    let sellers = || of_unit(dir.path(), "bid", &["--against", "110"])["sellers"].clone();
    let before = sellers();
    assert_eq!(before["learnt_from"], 0);
    assert!((float(&before["low_percent"]) - 10.0).abs() < 1e-9);
    assert!((float(&before["high_percent"]) - 30.0).abs() < 1e-9);
    let buy = |more: &[&str]| {
        let unit = ["buy", "Nulva 61K", "--grade", "B", "--date", "2026-11-01"];
        out(dir.path(), &[&unit[..], more].concat());
    };
    for _ in 0..6 {
        buy(&["--price", "57", "--asked", "60"]);
    }
    buy(&["--price", "57"]);
    let after = sellers();
    assert_eq!(after["learnt_from"], 6);
    assert!(float(&after["middle_percent"]) < 15.0, "{after}");
    buy(&["--price", "10", "--asked", "60", "--inbound", "5"]);
    assert_eq!(sellers()["learnt_from"], 7);
    out(dir.path(), &["ledger", "reverse", "8"]);
    assert_eq!(sellers(), after);
    let text = out(dir.path(), &["ledger", "entries"]);
    assert!(text.contains("asked in all 60.00"), "{text}");
}

#[test]
fn wrong_ranges_are_refused() {
    for (line, told) in [
        ("seller_discount = \"30 to 10\"", "10 to 30"),
        ("haggle = true", "two per cents"),
        ("breaks_off = 101", "deal.breaks_off"),
        ("return_per_week = -1", "deal.return_per_week"),
    ] {
        let dir = demo();
        set(&dir, line);
        let error = fails(dir.path(), 4, &[&["bid"][..], &UNIT].concat());
        assert!(error.contains(told), "{line}: {error}");
    }
}
