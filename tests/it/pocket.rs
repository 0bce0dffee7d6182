//! The page for the phone as it is written. `tests/reference/check_pocket.sh` taps it in a browser.

use std::fs;
use std::path::Path;

use serde_json::Value;
use tempfile::TempDir;

use crate::estimate::json;
use crate::runner::{compband, fails, out, run, stderr};

const DAY: &str = "2026-06-01";

const SETTINGS: &str = r#"
currency = "EUR"
grades = [{ name = "fine", means = "like new" }, { name = "worn", means = "used" }]
completeness = [{ name = "bare", has = "unit" , means = "alone" }, { name = "whole", has = "kit", means = "all" }]
[kits."Ombra 7T"]
ships_with = ["charger", "strap"]
usable_needs = ["charger"]
[shipping]
packing = 0.60
weight = 300
bands = [{ up_to = 500, cost = 3.90 }]
[outlets.parcel]
fee = { percent = 9, of = "delivered", fixed = 0.35 }
shipping = "buyer"
returns = { percent = 3, cost = 7, loses = 10 }
[outlets.porch]
shipping = "collected"
price = "80 to 92 %"
minutes = 20
[deal]
outlet = "parcel"
bankroll = 735.19
least_profit = 5
wage = 6
"#;

/// A book of one model, with secrets in its notes and venues.
fn book() -> TempDir {
    let dir = tempfile::tempdir().unwrap();
    out(dir.path(), &["init"]);
    fs::write(dir.path().join("compband.toml"), SETTINGS).unwrap();
    let mut rows = String::from(
        "sold_on,model,grade,completeness,missing,extras,defects,price,shipping,venue,note\n",
    );
    for k in 0..16_u32 {
        let grade = ["fine", "worn"][k as usize % 2];
        let missing = ["", "charger", ""][k as usize % 3];
        let (extras, defect) = [("", ""), ("bag", ""), ("", "<b>dent</b>")][k as usize / 2 % 3];
        let price = 90 + 7 * (k % 5) - 12 * (k % 2) - 9 * u32::from(!missing.is_empty());
        rows += &format!(
            "2026-05-{:02},Ombra 7T,{grade},whole,{missing},{extras},{defect},{price}.50,3.90,secret lane,hush hush {k}\n",
            k + 3
        );
    }
    fs::write(dir.path().join("sales.csv"), rows).unwrap();
    out(dir.path(), &["import", "sales.csv"]);
    dir
}

fn page(dir: &Path, more: &[&str]) -> String {
    let args = [&["pocket", "--out", "p.html", "--as-of", DAY], more].concat();
    out(dir, &args);
    fs::read_to_string(dir.join("p.html")).unwrap()
}

fn document(page: &str) -> Value {
    let (_, rest) = page
        .split_once("<script type=\"application/json\" id=\"figures\">")
        .unwrap();
    serde_json::from_str(rest.split_once("</script>").unwrap().0).unwrap()
}

/// The figures of a model, row by row; none where there is nothing to go by. Read as it is described in
/// `src/render/pocket/pack.rs`.
fn unpacked(document: &Value, model: &Value) -> Vec<Option<Vec<i64>>> {
    let letters = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let text = model["figures"].as_str().unwrap();
    let (mut bits, mut count, mut bytes) = (0_u32, 0, Vec::new());
    for letter in text.chars().filter(|c| *c != '=') {
        bits = bits << 6 | letters.find(letter).unwrap() as u32;
        count += 6;
        if count >= 8 {
            count -= 8;
            bytes.push((bits >> count) as u8);
        }
    }
    let mut bytes = bytes.into_iter();
    let mut next = || {
        let (mut value, mut shift) = (0_u64, 0);
        loop {
            let byte = bytes.next()?;
            value |= u64::from(byte & 0x7f) << shift;
            shift += 7;
            if byte < 0x80 {
                return Some((value >> 1) as i64 ^ -((value & 1) as i64));
            }
        }
    };
    let chances = document["chances"].as_array().unwrap().len();
    let outlets = document["outlets"].as_array().unwrap().iter();
    let width = 2 + outlets
        .map(|outlet| 1 + chances + usize::from(outlet["priced"] == true))
        .sum::<usize>();
    let mut rows = Vec::new();
    let mut before: Option<Vec<i64>> = None;
    while let Some(step) = next() {
        let likely = before.as_ref().map_or(0, |row: &Vec<i64>| row[0] + 1) + step - 1;
        if likely < 0 {
            rows.push(None);
            continue;
        }
        let mut row = vec![likely];
        for at in 1..=width {
            let expected = before.as_ref().map_or(0, |row| {
                (row[at] as f64 * likely as f64 / row[0] as f64 + 0.5).floor() as i64
            });
            row.push(expected + next().unwrap());
        }
        before = Some(row.clone());
        rows.push(Some(row));
    }
    rows
}

fn cents(value: &Value) -> i64 {
    value.as_str().unwrap().replace('.', "").parse().unwrap()
}

/// Rows are those of `estimate` and `bid`, to the cent, with parts to buy taken off the most to pay.
#[test]
fn the_figures_are_those_of_the_commands() {
    let dir = book();
    let doc = document(&page(
        dir.path(),
        &["--outlet", "porch", "--outlet", "parcel"],
    ));
    let model = &doc["models"][0];
    let rows = unpacked(&doc, model);
    let others = model["others"].as_array().unwrap();
    let pairs = model["pairs"].as_array().unwrap();
    let sets = 1 + others.len() + pairs.len();
    assert_eq!(rows.len(), 4 * 3 * sets);
    assert_eq!(others.len(), 4, "{others:?}");
    let flags = |set: usize| -> Vec<usize> {
        match set {
            0 => Vec::new(),
            one if one <= others.len() => vec![one - 1],
            pair => {
                let pair = pairs[pair - others.len() - 1].as_array().unwrap();
                pair.iter()
                    .map(|at| at.as_u64().unwrap() as usize)
                    .collect()
            }
        }
    };
    // A stride that meets every grade, level and set.
    for at in (0..rows.len()).step_by(11) {
        let (grade, level, set) = (at / sets / 3, at / sets % 3, at % sets);
        let mut unit = vec!["--model", "Ombra 7T", "--as-of", DAY];
        match grade {
            0 => {}
            3 => unit.push("--parts"),
            grade => unit.extend(["--grade", ["fine", "worn"][grade - 1]]),
        }
        if level > 0 {
            unit.extend(["--completeness", ["bare", "whole"][level - 1]]);
        }
        for at in flags(set) {
            let kind = others[at]["kind"].as_str().unwrap();
            unit.push(
                ["--missing", "--extra", "--defect"][["missing", "extra", "defect"]
                    .iter()
                    .position(|k| *k == kind)
                    .unwrap()],
            );
            unit.push(others[at]["name"].as_str().unwrap());
        }
        let row = rows[at].as_ref().unwrap();
        let made = json(dir.path(), &[&["estimate"], &unit[..]].concat());
        assert_eq!(row[0], cents(&made["likely_price"]), "{unit:?}");
        assert_eq!(row[1], cents(&made["band"]["low"]), "{unit:?}");
        assert_eq!(row[2], cents(&made["band"]["high"]), "{unit:?}");
        let (chance, parts) = [(0, "0"), (2, "7.35"), (4, "12"), (1, "0.01")][at % 4];
        let success = doc["chances"][chance].as_f64().unwrap() / 100.0;
        let repair = format!("repair: parts {parts}, success {success}");
        // Porch has prices of its own, parcel has not.
        for (outlet, first) in [("porch", 3), ("parcel", 10)] {
            let bid = [&["bid", "--outlet", outlet, "--repair", &repair], &unit[..]].concat();
            let bid = json(dir.path(), &bid);
            let kept = if outlet == "porch" {
                assert_eq!(row[first], cents(&bid["likely_price"]), "{unit:?}");
                first + 1
            } else {
                first
            };
            assert_eq!(
                row[kept],
                cents(&bid["net_of_likely_price"]["net"]),
                "{unit:?}"
            );
            let parts = parts.parse::<f64>().unwrap() * 100.0;
            let most = row[kept + 1 + chance] - 2 - parts.round() as i64;
            let said = &bid["most"];
            if said.is_null() {
                assert!(most < 0, "{unit:?} {repair}: {most}");
            } else {
                assert_eq!(most, cents(said), "{unit:?} {outlet} {repair}");
            }
        }
    }
}

#[test]
fn nothing_private_is_in_it_and_it_loads_nothing() {
    let dir = book();
    out(
        dir.path(),
        &[
            "buy",
            "Ombra 7T",
            "--price",
            "41.37",
            "--date",
            "2026-05-20",
            "--asked",
            "55",
        ],
    );
    let page = page(dir.path(), &[]);
    for secret in [
        "secret", "hush", "41.37", "735.19", "73519", "2026-05", "porch",
    ] {
        assert!(!page.contains(secret), "{secret}");
    }
    assert!(!page.contains("<b>dent"), "a text of the book is markup");
    assert!(page.contains("\\u003cb>dent\\u003c/b>"));
    assert!(page.contains("default-src 'none'"));
    for outside in ["http:", "https:", "//www", "src=", "@import", "url("] {
        assert!(!page.contains(outside), "{outside}");
    }
}

#[test]
fn the_same_page_on_any_number_of_cores() {
    let dir = book();
    let made = |cores: &str| {
        let args = ["pocket", "--out", "p.html", "--as-of", DAY];
        let mut command = compband(dir.path());
        let output = command.env("RAYON_NUM_THREADS", cores).args(args).output();
        let output = output.unwrap();
        assert!(output.status.success(), "{}", stderr(&output));
        fs::read(dir.path().join("p.html")).unwrap()
    };
    assert_eq!(made("1"), made("3"));
}

#[test]
fn what_cannot_be_made_is_said() {
    let dir = book();
    let pocket =
        |more: &[&'static str]| [&["pocket", "--out", "p.html", "--as-of", DAY], more].concat();
    let said = fails(dir.path(), 5, &pocket(&["Ombra 7"]));
    assert!(said.contains("Ombra 7T"), "{said}");
    let said = fails(dir.path(), 5, &pocket(&["--outlet", "parcels"]));
    assert!(said.contains("did you mean \"parcel\"?"), "{said}");
    assert!(!dir.path().join("p.html").exists());
    let empty = tempfile::tempdir().unwrap();
    out(empty.path(), &["init"]);
    let said = fails(empty.path(), 5, &["pocket", "--out", "p.html"]);
    assert!(said.contains("no sales yet"), "{said}");
    let noted = stderr(&run(dir.path(), &pocket(&["ombra 7t"])));
    assert!(
        noted.contains("page written to p.html: 1 model, "),
        "{noted}"
    );
}
