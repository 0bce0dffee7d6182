//! From the price to the deal: selling costs, bids, candidates compared.

use std::fs;
use std::path::Path;

use rust_decimal::Decimal;
use serde_json::Value;
use tempfile::TempDir;

use crate::runner::{fails, out};

/// A book with the demo's settings and no comps.
fn settings() -> TempDir {
    let dir = tempfile::tempdir().unwrap();
    out(dir.path(), &["init"]);
    let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo/compband.toml");
    fs::copy(demo, dir.path().join("compband.toml")).unwrap();
    dir
}

fn json(dir: &Path, args: &[&str]) -> Value {
    let args: Vec<&str> = args.iter().copied().chain(["--json"]).collect();
    serde_json::from_str(&out(dir, &args)).unwrap()
}

fn money(value: &Value) -> Decimal {
    value
        .as_str()
        .unwrap_or_else(|| panic!("{value} is not money"))
        .parse()
        .unwrap()
}

fn dec(text: &str) -> Decimal {
    text.parse().unwrap()
}

#[test]
fn a_net_line_by_line() {
    let dir = settings();
    let text = out(
        dir.path(),
        &[
            "net", "--price", "140", "--outlet", "parcel", "--weight", "600",
        ],
    );
    assert_eq!(
        text,
        "What is left, EUR, through parcel, 600 g\n\n  \
         Price                       140.00\n  \
         Fee, 8 % of 140.00          −11.20\n  \
         Fee, fixed                   −0.35\n  \
         Payment, 1.9 % of 140.00     −2.66\n  \
         Payment, fixed               −0.25\n  \
         Sending it, 600 g            −4.80\n  \
         Packing                      −0.90\n  \
         Returns expected, 3 in 100   −0.63\n  \
         ──────────────────────────────────\n  \
         Net                         119.21\n\n\
         Selling takes 15\u{a0}% of what the buyer pays.\n"
    );
}

/// By every outlet of the demo: the lines sum to the net, and the price needed is the least.
#[test]
fn the_price_needed_for_a_net() {
    let dir = settings();
    for outlet in ["parcel", "hammer", "table"] {
        let document = json(dir.path(), &["net", "--want", "110", "--outlet", outlet]);
        let lines = document["lines"].as_array().unwrap();
        let sum: Decimal = lines.iter().map(|line| money(&line["amount"])).sum();
        assert_eq!(sum, money(&document["net"]));
        assert!(sum >= dec("110"));
        let less = (money(&document["price"]) - dec("0.01")).to_string();
        let before = json(dir.path(), &["net", "--price", &less, "--outlet", outlet]);
        assert!(money(&before["net"]) < dec("110"), "{outlet}: {before}");
    }
}

/// Common practice, no source: selling takes about a fifth of a small item's price.
#[test]
fn the_demos_outlets_take_what_is_usual() {
    let dir = settings();
    for outlet in ["parcel", "hammer", "table"] {
        for price in ["40", "60", "90"] {
            let document = json(dir.path(), &["net", "--price", price, "--outlet", outlet]);
            let share = document["costs_share"].as_f64().unwrap();
            assert!((0.12..=0.28).contains(&share), "{outlet} {price}: {share}");
        }
    }
}

#[test]
fn wrong_outlets_and_amounts_are_refused() {
    let dir = settings();
    let net = |args: &[&str], code| {
        let args: Vec<&str> = ["net"].iter().chain(args).copied().collect();
        fails(dir.path(), code, &args)
    };
    let error = net(&["--price", "140", "--outlet", "parsel"], 5);
    assert!(error.contains("did you mean \"parcel\"?"), "{error}");
    let error = net(&["--price", "much"], 3);
    assert!(
        error.contains("--price \"much\": expected an amount of EUR"),
        "{error}"
    );
    let error = net(&["--price", "140", "--weight", "0"], 3);
    assert!(error.contains("--weight: expected a weight"), "{error}");
    let error = net(
        &["--price", "140", "--outlet", "table", "--shipping", "5"],
        3,
    );
    assert!(error.contains("collected"), "{error}");
    net(&["--price", "1", "--want", "1"], 2);
    net(&[], 2);
}

#[test]
fn wrong_settings_of_the_trade_are_told() {
    let dir = tempfile::tempdir().unwrap();
    out(dir.path(), &["init"]);
    for (text, told) in [
        (
            "[outlets.a]\nfees = 3",
            "\"fees\" is not a setting (did you mean \"fee\"?)",
        ),
        (
            "[outlets.a]\nfee = { per = 3 }",
            "\"per\" is not a setting (did you mean \"percent\"?)",
        ),
        (
            "[outlets.a]\nfee = { percent = 101 }",
            "a per cent from 0 to 100, found 101",
        ),
        (
            "[outlets.a]\nfee = { percent = 60 }\npayment = { percent = 40 }",
            "can take 100 %",
        ),
        (
            "[outlets.a]\nfee.tiers = [{ up_to = 5, percent = 1 }]",
            "a last tier without up_to",
        ),
        (
            "[outlets.a]\nfee.tiers = [{ up_to = 5, percent = 1 }, { up_to = 4, percent = 1 }, { percent = 2 }]",
            "up_to to rise",
        ),
        (
            "[outlets.a]\nrounding = \"half\"",
            "rounding: found \"half\"; write one of these: half-even",
        ),
        (
            "[outlets.a]\nfee = { least = 3, most = 2 }",
            "no less than `least`",
        ),
        (
            "[outlets.a]\n[outlets.\" A\"]",
            "a name that no other outlet has",
        ),
        (
            "[shipping]\nbands = [{ cost = 3 }, { up_to = 5, cost = 4 }]",
            "up_to to rise",
        ),
        ("[deal]\noutlet = \"x\"", "the name of an outlet"),
        (
            "[deal]\nkelly = 2",
            "deal.kelly: expected a share from 0 to 1",
        ),
        ("[deal]\nweeks = 0", "weeks above 0"),
    ] {
        fs::write(dir.path().join("compband.toml"), text).unwrap();
        let error = fails(dir.path(), 4, &["net", "--price", "1"]);
        assert!(error.contains(told), "{text}: {error}");
    }
}
