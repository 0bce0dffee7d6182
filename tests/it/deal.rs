//! From the price to the deal: selling costs, bids, candidates compared.

use std::fs;
use std::path::Path;

use rust_decimal::Decimal;
use serde_json::Value;
use tempfile::TempDir;

use crate::estimate::demo;
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
        "What you keep, EUR, through parcel, 600 g\n\n  \
         Price                       140.00\n  \
         Fee, 8 % of 140.00          −11.20\n  \
         Fee, fixed                   −0.35\n  \
         Payment, 1.9 % of 140.00     −2.66\n  \
         Payment, fixed               −0.25\n  \
         Shipping, 600 g              −4.80\n  \
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
    assert!(
        error.contains("--weight \"0\": expected a weight"),
        "{error}"
    );
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

const UNIT: [&str; 9] = [
    "bid",
    "--model",
    "Nulva 61K",
    "--grade",
    "B",
    "--completeness",
    "usable",
    "--as-of",
    "2026-11-20",
];

const BATTERY: &str = "new battery: parts 14, minutes 30, success 0.9";

fn bid<'a>(more: &[&'a str]) -> Vec<&'a str> {
    UNIT.iter().chain(more).copied().collect()
}

#[test]
fn the_most_to_bid_keeps_every_aim() {
    let dir = demo();
    let args = ["--repair", BATTERY, "--inbound", "6", "--minutes", "20"];
    let document = json(dir.path(), &bid(&args));
    let most = money(&document["most"]);
    let aims = document["aims"].as_array().unwrap();
    let limits: Vec<Decimal> = aims.iter().map(|aim| money(&aim["most"])).collect();
    assert_eq!(limits.iter().min(), Some(&most));
    let binding: Vec<&Value> = aims.iter().filter(|aim| aim["binds"] == true).collect();
    assert_eq!((binding.len(), money(&binding[0]["most"])), (1, most));
    let judge = |price: Decimal| {
        let price = price.to_string();
        let more: Vec<&str> = args.iter().copied().chain(["--against", &price]).collect();
        json(dir.path(), &bid(&more))["against"].clone()
    };
    let cent = dec("0.01");
    assert_eq!(judge(most)["advice"], "buy");
    let above = judge(most + cent);
    assert_eq!(above["advice"], "haggle");
    assert_eq!(money(&above["haggle_to"]), most);
    assert_eq!(above["why"].as_array().unwrap().len(), 1);
    assert_eq!(judge(most * dec("2"))["advice"], "pass");
    let at = &document["at_most"];
    assert_eq!(money(&at["paid_in_all"]), most + dec("6"));
    assert_eq!(money(&at["put_in"]), most + dec("20"));
}

#[test]
fn a_bid_as_a_sheet() {
    let dir = demo();
    let more = [
        "--repair",
        BATTERY,
        "--inbound",
        "6",
        "--minutes",
        "20",
        "--against",
        "88",
    ];
    let more = [&more[..], &["--why"]].concat();
    insta::assert_snapshot!(out(dir.path(), &bid(&more)));
}

/// A repair that cannot fail costs its parts and nothing else; one that may fail makes the bid
/// fall; salvage as said stands in for parts-only sales.
#[test]
fn what_repairs_do_to_a_bid() {
    let dir = demo();
    let most = |more: &[&str]| {
        let args: Vec<&str> = more
            .iter()
            .copied()
            .chain(["--return", "0", "--loss", "100", "--bankroll", "0"])
            .collect();
        money(&json(dir.path(), &bid(&args))["most"])
    };
    let sure = most(&["--repair", "x: parts 14, success 1"]);
    assert!((most(&[]) - dec("14") - sure).abs() <= dec("0.01"));
    assert!(most(&["--repair", BATTERY]) < sure);
    let salvage = |share: &str| most(&["--repair", BATTERY, "--salvage", share]);
    assert!(salvage("10 %") < salvage("0.6"));
}

#[test]
fn wrong_bids_are_refused() {
    let dir = demo();
    let error = fails(dir.path(), 3, &bid(&["--repair", "battery: parts 14"]));
    assert!(error.contains("the chance that it succeeds"), "{error}");
    let error = fails(dir.path(), 3, &bid(&["--weeks", "0"]));
    assert!(error.contains("weeks above 0"), "{error}");
    let error = fails(dir.path(), 3, &bid(&["--against=-3"]));
    assert!(error.contains("0 or more"), "{error}");
    let error = fails(dir.path(), 5, &bid(&["--outlet", "nowhere"]));
    assert!(error.contains("parcel"), "{error}");
}

fn compare<'a>(file: &'a str, more: &[&'a str]) -> Vec<&'a str> {
    let args = ["compare", file, "--as-of", "2026-11-20", "--budget"];
    args.into_iter().chain(more.iter().copied()).collect()
}

fn demo_listings() -> String {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo/listings.csv");
    file.display().to_string()
}

/// What is bought keeps every aim, the budget and the risk together, and no set that does earns more
/// a week, or in total if that is wanted: by trying every set. The risk of each is its stake as a
/// share of half the growth-optimal part of the bankroll.
#[test]
fn the_best_purchases_within_a_budget() {
    let dir = demo();
    let file = demo_listings();
    let mut apart = 0;
    for (budget, bankroll) in [
        ("60", "600"),
        ("130", "600"),
        ("200", "600"),
        ("500", "600"),
        ("500", "400"),
        ("200", "250"),
    ] {
        let chosen = [&[][..], &["--total"]].map(|more| {
            let args = [&[budget, "--bankroll", bankroll][..], more].concat();
            let document = json(dir.path(), &compare(&file, &args));
            is_best(&document, dec(budget), bankroll.parse().unwrap());
            money(&document["expected_profit"])
        });
        apart += i32::from(chosen[0] < chosen[1]);
    }
    assert!(apart > 0);
}

fn is_best(document: &Value, budget: Decimal, bankroll: f64) {
    let listings = document["listings"].as_array().unwrap();
    assert_eq!(listings.len(), 6);
    let total = document["chosen_for"] == "total profit";
    let gain = |l: &Value| {
        let profit = money(&l["measures"]["expected_profit"]);
        profit
            / if total {
                Decimal::ONE
            } else {
                money(&l["weeks"])
            }
    };
    let risk = |l: &Value| {
        let share = |name: &str| l["measures"][name].as_f64().unwrap();
        share("share_of_bankroll") / (0.5 * share("growth_optimal_share"))
    };
    let open: Vec<(Decimal, Decimal, f64)> = listings
        .iter()
        .filter(|l| l["advice"] == "buy")
        .map(|l| (money(&l["measures"]["put_in"]), gain(l), risk(l)))
        .collect();
    let within = (0..1_u32 << open.len()).filter_map(|set| {
        let chosen = open.iter().enumerate().filter(|(at, _)| set >> at & 1 == 1);
        let none = (Decimal::ZERO, Decimal::ZERO, 0.0);
        let sum = chosen.fold(none, |sum, (_, one)| {
            (sum.0 + one.0, sum.1 + one.1, sum.2 + one.2)
        });
        (sum.0 <= budget && sum.2 <= 1.0).then_some(sum.1)
    });
    let best = within.max().unwrap();
    let bought: Vec<&Value> = listings.iter().filter(|l| l["bought"] == true).collect();
    assert!(bought.iter().all(|l| l["advice"] == "buy"));
    let gains: Decimal = bought.iter().map(|l| gain(l)).sum();
    assert_eq!(gains, best, "{budget} {bankroll}");
    assert!(money(&document["put_in"]) <= budget);
    let used: f64 = bought.iter().map(|l| risk(l)).sum();
    assert!((document["risk_used"].as_f64().unwrap() - used).abs() < 1e-9);
    let rates: Vec<f64> = listings
        .iter()
        .map(|l| l["measures"]["return_per_week"].as_f64().unwrap())
        .collect();
    assert!(rates.windows(2).all(|pair| pair[0] >= pair[1]), "{rates:?}");
}

/// No more is bought together than the cash, nor than the risk allows: each of many like listings is
/// good alone.
#[test]
fn many_good_listings_stay_within_cash_and_risk() {
    let dir = demo();
    let rows = "Nulva 61K;B;usable;60\n".repeat(12);
    let table = format!("model;grade;completeness;asked\n{rows}");
    fs::write(dir.path().join("many.csv"), table).unwrap();
    let bought = |more: &[&str]| {
        let args = [&["5000"][..], more].concat();
        let document = json(dir.path(), &compare("many.csv", &args));
        let listings = document["listings"].as_array().unwrap();
        assert!(listings.iter().all(|l| l["advice"] == "buy"));
        (money(&document["put_in"]), document["risk_used"].as_f64())
    };
    // Half of the growth-optimal stake of 600 is below 300, however many units share it.
    let (put_in, risk) = bought(&[]);
    assert_eq!(put_in, dec("240"));
    assert!(risk.unwrap() <= 1.0, "{risk:?}");
    // Without a bankroll, only the cash of the ledger counts, and the budget without a ledger.
    assert_eq!(bought(&["--bankroll", "0"]), (dec("720"), None));
    out(
        dir.path(),
        &["ledger", "fund", "200", "--date", "2026-11-01"],
    );
    assert_eq!(bought(&["--bankroll", "0"]).0, dec("180"));
    let text = out(
        dir.path(),
        &compare("many.csv", &["5000", "--bankroll", "0"]),
    );
    let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        text.contains("The cash is 200.00, less than the budget of 5 000.00."),
        "{text}"
    );
    assert!(
        text.contains("short deals can be repeated; --total"),
        "{text}"
    );
}

/// A chance that all is lost keeps the growth-optimal stake below the bankroll. Without it, the
/// figures are those of the version that did not know it.
#[test]
fn a_purchase_may_be_lost() {
    let dir = demo();
    let more = ["--inbound", "6", "--minutes", "20"];
    let with = json(dir.path(), &bid(&more));
    assert_eq!(with["chance_of_total_loss"], 0.02);
    let growth = |document: &Value| {
        document["at_most"]["growth_optimal_share"]
            .as_f64()
            .unwrap()
    };
    assert!((0.5..0.95).contains(&growth(&with)), "{with}");
    let at = &with["at_most"];
    assert_eq!(
        money(&at["worst_plausible"]["profit"]),
        -money(&at["put_in"])
    );
    let whole = [&more[..], &["--why"]].concat();
    let text = out(dir.path(), &bid(&whole));
    assert!(text.contains("in this one unit, for its risk"), "{text}");
    assert!(
        !text.contains("fastest") && !text.contains("Kelly"),
        "{text}"
    );
    let risk = with["aims"].as_array().unwrap().iter();
    let risk: Vec<&Value> = risk.filter(|aim| aim["kind"] == "risk").collect();
    let most = money(&risk[0]["put_in_at_most"]);
    assert_eq!(most, money(&risk[0]["most"]) + dec("6"));
    assert!(
        text.contains(&format!("at most {most} in this one unit")),
        "{text}"
    );

    let path = dir.path().join("compband.toml");
    let settings = fs::read_to_string(&path).unwrap();
    fs::write(&path, settings.replace("[deal]\n", "[deal]\nlost = 0\n")).unwrap();
    // That version did not know of time either: the unit is sold at once.
    let at_once = [&more[..], &["--weeks", "0.001"]].concat();
    let without = json(dir.path(), &bid(&at_once));
    assert_eq!(growth(&without), 1.0);
    assert_eq!(without["most"], "102.35");
    assert_eq!(without["at_most"]["expected_profit"], "21.68");
    assert_eq!(without["at_most"]["worst_plausible"]["profit"], "-6.05");
    assert!(text.contains("lose all"), "{text}");
    assert!(!out(dir.path(), &bid(&whole)).contains("lose all"));
}

/// Where sending costs more than the unit sells for, the first lines say the loss.
#[test]
fn a_sale_that_loses_says_so() {
    let dir = demo();
    let unit = [
        "bid",
        "--model",
        "Bolv 83V",
        "--grade",
        "C",
        "--as-of",
        "2026-11-20",
    ];
    // The buyer pays no more in all than the unit is worth, although sending costs 60.
    let hammer = ["--outlet", "hammer", "--shipping", "60"];
    let document = json(dir.path(), &[&unit[..], &hammer].concat());
    let likely = money(&document["likely_price"]);
    let lines = document["net_of_likely_price"]["lines"].as_array().unwrap();
    let income = lines.iter().map(|line| money(&line["amount"]));
    let income: Decimal = income.filter(|money| *money > Decimal::ZERO).sum();
    assert!(likely < dec("60") && income == likely, "{income} {likely}");
    let dearer = ["--outlet", "parcel", "--weight", "600", "--shipping", "0"];
    let path = dir.path().join("compband.toml");
    let settings = fs::read_to_string(&path).unwrap();
    fs::write(&path, settings.replace("packing = 0.90", "packing = 90")).unwrap();
    let args = [&unit[..], &dearer].concat();
    let net = money(&json(dir.path(), &args)["net_of_likely_price"]["net"]);
    assert!(net < Decimal::ZERO, "{net}");
    let text = out(dir.path(), &args);
    let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
    let loss = format!("sold through parcel at that price, you lose {}", -net);
    assert!(text.contains(&loss), "{loss}: {text}");
}

#[test]
fn listings_as_a_sheet() {
    let dir = demo();
    let file = demo_listings();
    insta::assert_snapshot!(out(dir.path(), &compare(&file, &["200"])));
}

/// A listing is judged as `bid` judges it.
#[test]
fn compare_agrees_with_bid() {
    let dir = demo();
    let table = format!(
        "model;grade;completeness;asked;inbound;repairs;minutes\nNulva 61K;B;usable;80;6;{BATTERY};20\n"
    );
    fs::write(dir.path().join("one.csv"), table.replace("0.9", "90 %")).unwrap();
    let listing = json(dir.path(), &compare("one.csv", &["500"]))["listings"][0].clone();
    let args = [
        "--repair",
        BATTERY,
        "--inbound",
        "6",
        "--minutes",
        "20",
        "--against",
        "80",
    ];
    let judged = json(dir.path(), &bid(&args));
    assert_eq!(listing["listing"], "row 2");
    assert_eq!(listing["measures"], judged["against"]["measures"]);
    assert_eq!(listing["most"], judged["most"]);
}

#[test]
fn every_problem_of_a_table_is_told() {
    let dir = demo();
    let write = |text: &str| fs::write(dir.path().join("l.csv"), text).unwrap();
    write(
        "model,asked,grade,missing,repairs,outlet,weight,attr.storage,works\n\
        Nulva 61K,many,Q,charger x3,\"battery: parts 14\",nowhere,0,big,perhaps\n,,,,,,,,\n,5,,,,table,,,\n",
    );
    let error = fails(dir.path(), 3, &compare("l.csv", &["200"]));
    for told in [
        "row 2, column asked: found \"many\": expected an amount of EUR",
        "row 2, column grade: found \"Q\": expected a grade of the scale: A, B, C, D",
        "row 2, column missing: found \"charger x3\": expected no more than the kit has",
        "row 2, column repairs: found \"battery: parts 14\": expected the chance that it succeeds",
        "row 2, column outlet: found \"nowhere\": expected an outlet of compband.toml",
        "row 2, column weight: found \"0\": expected a weight in grams",
        "row 2, column attr.storage: found \"big\": expected a number",
        "row 2, column works: found \"perhaps\": expected yes or no",
        "row 4, column model: expected a model",
    ] {
        assert!(error.contains(told), "{told}: {error}");
    }
    write("modle,price\n");
    let error = fails(dir.path(), 3, &compare("l.csv", &["200"]));
    assert!(
        error.contains("a header with a column model") && error.contains("--map \"modle=model\""),
        "{error}"
    );
    // A price in a table of listings is what is asked.
    assert!(!error.contains("a column asked"), "{error}");
    write("model,asked\n");
    let error = fails(dir.path(), 3, &compare("l.csv", &["200"]));
    assert!(error.contains("at least one listing"), "{error}");
    write("model,asked\nNula 61K,5\nNulva 61K,50\n");
    let text = out(dir.path(), &compare("l.csv", &["200"]));
    assert!(text.contains("row 2: no comps of \"Nula 61K\""), "{text}");
}

/// Every document is as its schema says.
#[test]
fn documents_keep_to_their_schemas() {
    let dir = demo();
    let listings = demo_listings();
    let unit = ["--model", "Nulva 61K", "--as-of", "2026-11-20"];
    let fix = ["--repair", BATTERY];
    let with = |command: &[&str], more: &[&[&str]]| -> Value {
        let args = [command, &more.concat()].concat();
        json(dir.path(), &args)
    };
    let documents = [
        ("net", with(&["net", "--price", "140"], &[])),
        ("net", with(&["net", "--want", "110"], &[])),
        ("bid", with(&["bid"], &[&unit])),
        ("bid", with(&["bid", "--against", "75"], &[&unit, &fix])),
        (
            "bid",
            with(&["bid", "--against", "500", "--bankroll", "0"], &[&unit]),
        ),
        ("bid", with(&["bid", "--salvage", "20 %"], &[&unit, &fix])),
        ("bid", with(&["bid", "--inbound", "900"], &[&unit])),
        (
            "compare",
            with(&["compare", &listings, "--budget", "200"], &[&unit[2..]]),
        ),
        (
            "compare",
            with(
                &["compare", &listings, "--budget", "2", "--total"],
                &[&unit[2..], &["--bankroll", "0"]],
            ),
        ),
        ("ask", with(&["ask"], &[&unit])),
        (
            "ask",
            with(&["ask", "--deadline", "6", "--asking", "170"], &[&unit]),
        ),
        (
            "ask",
            with(&["ask", "--offers", "3", "--over", "2"], &[&unit]),
        ),
        ("offer", with(&["offer", "131"], &[&unit])),
        (
            "offer",
            with(&["offer", "500", "--deadline", "6"], &[&unit]),
        ),
        (
            "offer",
            with(&["offer", "1", "--deadline", "6", "--week", "2"], &[&unit]),
        ),
    ];
    for (name, document) in documents {
        let schema = crate::estimate::root().join(format!("data/{name}-1.schema.json"));
        let schema: Value = serde_json::from_str(&fs::read_to_string(schema).unwrap()).unwrap();
        assert_eq!(document["schema"], schema["title"]);
        crate::estimate::conforms(&document, &schema, name);
    }
}
