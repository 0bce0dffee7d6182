//! The parts drawer: parts bought, used and dropped, units taken apart, and what bids make of it.

use std::fs;
use std::path::Path;

use rust_decimal::Decimal;
use serde_json::Value;
use tempfile::TempDir;

use crate::estimate::{conforms, demo, json, root};
use crate::ledger::{does, refuses, words};
use crate::runner::{fails, run, stderr};

fn dec(text: &str) -> Decimal {
    text.parse().unwrap()
}

fn money(value: &Value) -> Decimal {
    dec(value.as_str().unwrap_or_else(|| panic!("{value}")))
}

/// What a command says beside its output.
fn told(dir: &TempDir, line: &str) -> String {
    let output = run(dir.path(), &words(line));
    assert!(output.status.success(), "{line}: {}", stderr(&output));
    stderr(&output)
}

/// A book with two units in stock and parts of two models.
fn stocked() -> TempDir {
    let dir = demo();
    for line in [
        "ledger fund 300 --date 2026-09-01",
        "buy 'Tumrik QN 948' --price 31 --grade C --date 2026-09-02",
        "buy 'Bolv 83V' --price 20 --parts --date 2026-09-03",
        "part add Display --fits 'Tumrik QN 948' --cost 22 --count 2 --date 2026-09-05",
        "part add display --fits 'Bolv 83V' --cost 9 --inbound 1.50 --date 2026-09-04",
        "part add screws --count 100 --in-all 4.50 --date 2026-09-04",
    ] {
        does(&dir, line);
    }
    dir
}

fn drawer(dir: &TempDir) -> Value {
    let document = json(dir.path(), &["part", "list"]);
    let schema = fs::read_to_string(root().join("data/parts-1.schema.json")).unwrap();
    conforms(&document, &serde_json::from_str(&schema).unwrap(), "parts");
    let sum: Decimal = document["parts"]
        .as_array()
        .unwrap()
        .iter()
        .map(|part| money(&part["cost"]))
        .sum();
    assert_eq!(sum, money(&document["cost"]));
    let ledger = json(dir.path(), &["ledger"]);
    assert_eq!(document["cost"], ledger["accounts"]["drawer"]);
    document
}

/// Name, count and cost of each lot.
fn lots(document: &Value) -> Vec<(String, i64, String)> {
    let text = |value: &Value| value.as_str().unwrap().to_string();
    let parts = document["parts"].as_array().unwrap().iter();
    parts
        .map(|part| {
            let count = part["count"].as_i64().unwrap();
            (text(&part["name"]), count, text(&part["cost"]))
        })
        .collect()
}

#[test]
fn parts_come_in_and_go_out_at_cost() {
    let dir = stocked();
    let document = drawer(&dir);
    let lot = |name: &str, count, cost: &str| (name.to_string(), count, cost.to_string());
    assert_eq!(
        lots(&document),
        [
            lot("display", 1, "10.50"),
            lot("display", 2, "44.00"),
            lot("screws", 100, "4.50")
        ]
    );
    assert_eq!(
        (&document["cost"], &document["count"]),
        (&"59.00".into(), &103.into())
    );
    assert_eq!(
        document["parts"][1]["fits"],
        serde_json::json!(["Tumrik QN 948"])
    );
    let text = does(&dir, "part list");
    for shown in ["103 at cost 59.00", "Tumrik QN 948", "not said", "bought"] {
        assert!(text.contains(shown), "{shown}: {text}");
    }
    // The one that fits, though the other is older; no cash moves.
    let text = does(&dir, "part use d1 display --date 2026-09-06");
    for shown in [
        "Used \"display\" for d1, Tumrik QN 948, on 2026-09-06: 22.00 EUR at cost, no cash",
        "Tumrik QN 948 has cost 53.00 EUR",
        "Cash 190.00, stock at cost 73.00, parts at cost 37.00, bankroll 300.00 EUR.",
        "compband ledger reverse 7",
    ] {
        assert!(text.contains(shown), "{shown}: {text}");
    }
    let text = does(
        &dir,
        "part drop display --fits 'Bolv 83V' --for 3 --date 2026-09-07",
    );
    assert!(text.contains("Cost 10.50, profit −7.50 EUR."), "{text}");
    assert_eq!(
        lots(&drawer(&dir)),
        [lot("display", 1, "22.00"), lot("screws", 100, "4.50")]
    );
    // Earlier days stay as they were, and an entry is taken back by another.
    let then = json(dir.path(), &["part", "list", "--as-of", "2026-09-05"]);
    assert_eq!(then["cost"], "59.00");
    does(&dir, "ledger reverse 8");
    does(&dir, "ledger reverse 7");
    assert_eq!(drawer(&dir)["cost"], "59.00");
}

#[test]
fn wrong_parts_are_refused_or_pointed_out() {
    let dir = stocked();
    for (code, line, said) in [
        (
            3,
            "part use d1 display --count 4 --date 2026-09-06",
            &["the drawer has 3 of \"display\" on 2026-09-06, not 4"][..],
        ),
        (
            3,
            "part use d1 display --date 2026-09-03",
            &["has 0 of \"display\""],
        ),
        (
            3,
            "part use d1 dispaly --date 2026-09-06",
            &["has 0 of \"dispaly\"", "did you mean \"display\"?"],
        ),
        (5, "part use d9 display", &["there is no deal \"d9\""]),
        (
            5,
            "part drop display --count 2 --fits 'Bolv 83V'",
            &["does not have 2 of \"display\" for \"Bolv 83V\""],
        ),
        (
            3,
            "part add 'a;b' --cost 1",
            &["PART \"a;b\": expected a name of a part"],
        ),
        (
            3,
            "part add lid --fits 'A;B' --cost 1",
            &["--fits \"A;B\": expected the name of a model"],
        ),
        (3, "part add lid --cost -1", &["--cost \"-1\""]),
        (2, "part add lid", &["--cost"]),
        (2, "part add lid --cost 1 --in-all 2", &["--in-all"]),
        (2, "part add lid --cost 1 --count 0", &["--count"]),
        (
            3,
            "harvest d2 'lid'",
            &["no value is known for \"lid\"", "\"lid = 18\""],
        ),
        (3, "harvest d2 'lid = 1; Lid = 2'", &["each part once"]),
        (3, "harvest d2 ''", &["parts as"]),
        (3, "harvest d2 'l\u{202e}id = 1'", &["PARTS: expected"]),
        (3, "part add 'l\u{202e}id' --cost 1", &["PART: expected"]),
    ] {
        refuses(&dir, code, line, said);
    }
    // A part of another model is entered, with a word.
    let said = told(&dir, "part use d1 display --count 3 --date 2026-09-06");
    assert!(
        said.contains("\"display\" fits Bolv 83V, and the unit is a Tumrik QN 948"),
        "{said}"
    );
    // Nearly the name of another is kept as it was typed, with a question.
    let said = told(&dir, "part add dispay --fits 'Bolf 83V' --cost 1");
    for shown in [
        "did you mean \"display\"?",
        "did you mean \"Bolv 83V\"?",
        "compband ledger reverse 8",
    ] {
        assert!(said.contains(shown), "{shown}: {said}");
    }
    assert_eq!(lots(&drawer(&dir))[0].0, "dispay");
    let said = told(&dir, "part add cable --cost 1");
    assert!(!said.contains("did you mean"), "{said}");
}

#[test]
fn a_dead_unit_becomes_parts() {
    let dir = stocked();
    // Worth 30, cost 20: 18/30 and 12/30 of it.
    let text = does(
        &dir,
        "harvest d2 'lid = 18; battery x2 = 6' --minutes 25 --date 2026-09-08",
    );
    for shown in [
        "Took apart d2, Bolv 83V, on 2026-09-08",
        "Cost 20.00: 20.00 goes into the drawer, 0.00 is written off.",
        "\"lid\": worth 18.00, at cost 12.00.",
        "2 of \"battery\": worth 6.00 each, at cost 8.00.",
        "The parts are worth 30.00",
        "Cells: keep a swollen or dented one apart",
    ] {
        assert!(text.replace("\n  ", " ").contains(shown), "{shown}: {text}");
    }
    let document = drawer(&dir);
    let lid = document["parts"]
        .as_array()
        .unwrap()
        .iter()
        .find(|part| part["name"] == "lid");
    let lid = lid.unwrap();
    assert_eq!(
        (&lid["from"], &lid["cost"]),
        (&"d2".into(), &"12.00".into())
    );
    assert_eq!(lid["fits"], serde_json::json!(["Bolv 83V"]));
    let ledger = json(dir.path(), &["ledger"]);
    let deal = &ledger["deals"][1];
    for (key, value) in [
        ("state", "taken apart"),
        ("profit", "0.00"),
        ("minutes", "25"),
    ] {
        assert_eq!(deal[key], value, "{key}");
    }
    assert_eq!(
        (&ledger["cash"], &ledger["bankroll"]),
        (&"190.00".into(), &"300.00".into())
    );
    refuses(
        &dir,
        3,
        "harvest d2 'lid = 1'",
        &["taken apart on 2026-09-08"],
    );
    refuses(&dir, 3, "sold d2 --price 5", &["taken apart on"]);
    // Its parts are used up before it is taken back.
    does(&dir, "part use d1 battery --date 2026-09-09");
    refuses(
        &dir,
        3,
        "ledger reverse 7",
        &["ledger entry 8 uses parts that ledger entry 7 brought"],
    );
    does(&dir, "ledger reverse 8");
    does(&dir, "ledger reverse 7");
    assert_eq!(
        json(dir.path(), &["ledger"])["deals"][1]["state"],
        "in stock"
    );
}

#[test]
fn values_that_are_not_said_are_those_of_the_settings_or_the_last_cost() {
    let dir = stocked();
    let settings = dir.path().join("compband.toml");
    let text = fs::read_to_string(&settings).unwrap();
    fs::write(
        &settings,
        text + "\n[parts.\"Bolv 83V\"]\nvalues = { lid = 2.50 }\n",
    )
    .unwrap();
    let text = does(&dir, "harvest d2 'lid; display' --date 2026-09-08").replace("\n  ", " ");
    for shown in [
        "Cost 20.00: 13.00 goes into the drawer, 7.00 is written off.",
        "\"lid\": worth 2.50 (as in compband.toml), at cost 2.50.",
        "\"display\": worth 10.50 (as last bought on 2026-09-04), at cost 10.50.",
        "no part is kept at more",
    ] {
        assert!(text.contains(shown), "{shown}: {text}");
    }
    let ledger = json(dir.path(), &["ledger"]);
    assert_eq!(ledger["deals"][1]["profit"], "-7.00");
    assert_eq!(ledger["accounts"]["losses"], "7.00");
}

const PAGE: &str = "bid --model 'Tumrik QN 948' --grade B --completeness full --as-of 2026-10-20";

fn bid(dir: &TempDir, more: &str) -> Value {
    let line = format!("{PAGE} {more}");
    let document = json(dir.path(), &words(&line));
    let schema = fs::read_to_string(root().join("data/bid-1.schema.json")).unwrap();
    conforms(&document, &serde_json::from_str(&schema).unwrap(), "bid");
    document
}

#[test]
fn a_part_from_the_drawer_is_no_cash_but_counts() {
    let dir = stocked();
    let said =
        |parts: &str| format!("--repair 'display: {parts}, minutes 50, success 0.75' --against 25");
    let bought = bid(&dir, &said("parts 22"));
    let drawn = bid(&dir, &said("from drawer"));
    let put_in = |document: &Value| money(&document["against"]["measures"]["put_in"]);
    assert_eq!(put_in(&bought), dec("47.00"));
    assert_eq!(put_in(&drawn), dec("25.00"));
    // The same profit, but for the units that never come (2 in 100): they leave the part in the drawer.
    let profit = |document: &Value| money(&document["against"]["measures"]["expected_profit"]);
    let more = profit(&drawn) - profit(&bought);
    assert!((more - dec("0.44")).abs() <= dec("0.01"), "{more}");
    assert_eq!(drawn["parts_from_drawer"], "22.00");
    let repair = &drawn["repairs"][0];
    assert_eq!(repair["parts"], "22.00");
    assert_eq!(repair["from_drawer"]["name"], "display");
    assert_eq!(
        (&repair["spoils"], &bought["repairs"][0]["from_drawer"]),
        (&1.0.into(), &Value::Null)
    );
    // Half of the failures give the part back: 0.98 · 0.25 · 0.5 · 22.
    for parts in ["parts 22", "from drawer"] {
        let spoils = bid(&dir, &said(&format!("{parts}, spoils 50 %")));
        let one = if parts == "parts 22" { &bought } else { &drawn };
        let more = profit(&spoils) - profit(one);
        assert!((more - dec("2.70")).abs() <= dec("0.01"), "{parts}: {more}");
    }
    let text = does(
        &dir,
        &format!("{PAGE} --why {}", said("from drawer, spoils 0.5")),
    );
    let text = text.replace("\n  ", " ");
    for shown in [
        "1. display: \"display\" from the drawer, 22.00 to replace (as last bought on 2026-09-05), 50 minutes, \
         succeeds 75 times in 100; a failure spoils the part 50 times in 100.",
        "Of the spare parts, 22.00 are from the drawer: no cash now.",
        "money invested, spare parts to buy included",
    ] {
        assert!(text.contains(shown), "{shown}: {text}");
    }
}

#[test]
fn a_part_that_is_not_there_is_refused() {
    let dir = stocked();
    for (repair, said) in [
        (
            "display: from drawer display x3, success 1",
            "has 2 of \"display\" for \"Tumrik QN 948\", not 3",
        ),
        (
            "dispaly: from drawer, success 1",
            "did you mean \"display\"?",
        ),
        ("lid: from drawer, success 1", "has 0 of \"lid\""),
        ("display: from shop, success 1", "\"from drawer\""),
    ] {
        let line = format!("{PAGE} --repair '{repair}'");
        let code = if repair.contains("shop") { 3 } else { 5 };
        let error = fails(dir.path(), code, &words(&line));
        assert!(error.contains(said), "{repair}: {error}");
    }
    // Twice the same part takes two.
    let two = "--repair 'display: from drawer, success 1' --repair 'front: from drawer display x2, success 1'";
    let error = fails(dir.path(), 5, &words(&format!("{PAGE} {two}")));
    assert!(error.contains("has 2 of \"display\""), "{error}");
    let error = fails(
        dir.path(),
        5,
        &words("bid --model 'Nulva 61K' --repair 'display: from drawer, success 1'"),
    );
    assert!(error.contains("the one there is fits"), "{error}");
}

/// With values of parts the sheet says which is better, whole or taken apart; without, nothing changes.
#[test]
fn a_dead_unit_is_sold_whole_or_taken_apart() {
    let dir = demo();
    let repair = "--repair 'new display: parts 22, minutes 50, success 0.75' --wage 12";
    let before = bid(&dir, repair);
    let fails = &before["if_repair_fails"][0];
    assert_eq!(
        (&fails["take_apart"], &fails["parts_worth"]),
        (&false.into(), &Value::Null)
    );
    let set = |values: &str| {
        let settings = dir.path().join("compband.toml");
        let text = fs::read_to_string(&settings).unwrap();
        let text = text.split("\n[parts.").next().unwrap().to_string();
        let parts = format!("\n[parts.\"Tumrik QN 948\"]\nvalues = {{ {values} }}\n");
        fs::write(&settings, text + &parts).unwrap();
    };
    // The display is what is broken: it is worth nothing, so all stays as it was.
    set("display = 500");
    let same = bid(&dir, repair);
    assert_eq!(
        (&same["most"], &same["at_most"]),
        (&before["most"], &before["at_most"])
    );
    // Less than it fetches whole.
    set("display = 500, battery = 1");
    let whole = bid(&dir, repair);
    assert_eq!(
        (&whole["most"], &whole["at_most"]),
        (&before["most"], &before["at_most"])
    );
    let text = does(&dir, &format!("{PAGE} --why {repair}")).replace("\n  ", " ");
    assert!(
        text.contains("If \"new display\" fails: sell it whole, which leaves"),
        "{text}"
    );
    assert!(
        text.contains(
            "taking it apart leaves 1.00 of parts (battery 1.00), less 6.00 for 30 minutes"
        ),
        "{text}"
    );
    // More.
    set("display = 500, \"battery x2\" = 20, board = 30");
    let apart = bid(&dir, repair);
    let fails = &apart["if_repair_fails"][0];
    assert_eq!(
        (&fails["take_apart"], &fails["parts_worth"]),
        (&true.into(), &"70.00".into())
    );
    assert_eq!(fails["work"], "6.00");
    assert!(money(&apart["most"]) > money(&before["most"]));
    let text = does(&dir, &format!("{PAGE} --why {repair}")).replace("\n  ", " ");
    for shown in [
        "otherwise taken apart (whole, for parts, it would sell at about",
        "If \"new display\" fails: take it apart. That leaves 70.00 of parts (battery x2 40.00, board 30.00), less 6.00",
    ] {
        assert!(text.contains(shown), "{shown}: {text}");
    }
    // What is missing or has a defect is not there to be taken.
    let less = bid(
        &dir,
        &format!("{repair} --missing battery --defect 'cracked board'"),
    );
    assert_eq!(less["if_repair_fails"][0]["parts_worth"], "20.00");
    // What the unit fetches after a failure was said: that holds.
    let said = bid(&dir, &format!("{repair} --salvage 0.1"));
    assert_eq!(said["if_repair_fails"][0]["take_apart"], false);
}

/// Without settings, parts in the drawer that are said to fit the model say what its parts are worth.
#[test]
fn the_drawer_says_what_a_dead_unit_is_worth() {
    let dir = stocked();
    let repair = "--repair 'new battery: parts 14, success 0.5'";
    assert_eq!(
        bid(&dir, repair)["if_repair_fails"][0]["parts_worth"],
        "22.00"
    );
    // Bought later than the day of the estimate: not known yet.
    let line = format!("bid --model 'Tumrik QN 948' --grade B --as-of 2026-09-01 {repair}");
    let then = json(dir.path(), &words(&line));
    assert_eq!(then["if_repair_fails"][0]["parts_worth"], Value::Null);
}

#[test]
fn listings_share_one_drawer() {
    let dir = stocked();
    let row = |name: &str| {
        format!("{name},Tumrik QN 948,B,full,5,\"display: from drawer, success 0.9\"\n")
    };
    let table = |names: &[&str]| {
        let rows: String = names.iter().map(|name| row(name)).collect();
        let path = dir.path().join("listings.csv");
        fs::write(
            &path,
            format!("listing,model,grade,completeness,asked,repairs\n{rows}"),
        )
        .unwrap();
        path
    };
    let compare = |path: &Path| {
        let path = path.display().to_string();
        told(
            &dir,
            &format!("compare {path} --budget 100 --as-of 2026-10-20"),
        )
    };
    let said = compare(&table(&["a", "b", "c"]));
    assert!(
        said.contains(
            "what is chosen takes 3 of \"display\" from the drawer for Tumrik QN 948, which has 2"
        ),
        "{said}"
    );
    let said = compare(&table(&["a", "b"]));
    assert!(!said.contains("drawer"), "{said}");
}
