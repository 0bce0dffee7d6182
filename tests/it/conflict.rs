//! Rules of thumb that the sales contradict: how often, in words, and as lines of the settings.

use std::fmt::Write;
use std::fs;
use std::path::Path;

use compband::band::conflict::{Finding, of_model};
use compband::select::Candidate;
use compband::settings::Settings;
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution, StandardNormal};
use serde_json::Value;
use tempfile::TempDir;

use crate::coverage::{comp, market, selection};
use crate::estimate::{conforms, json, root};
use crate::runner::out;

fn of(comps: Vec<Candidate>) -> Vec<Finding> {
    of_model(selection(comps), &Settings::default())
}

/// In markets drawn from the rules themselves rules are hardly ever contradicted: less than one in a
/// hundred, which is what a p-value of 0.01 promises.
#[test]
fn rules_that_hold_are_left_alone() {
    let mut rng = StdRng::seed_from_u64(20_261_126);
    let (mut terms, mut alarms) = (0, 0);
    for n in [15, 30, 60] {
        for _ in 0..150 {
            let findings = of(market(&mut rng, n));
            terms += findings.len();
            alarms += findings.iter().filter(|one| one.contradicts()).count();
        }
    }
    println!("{alarms} false alarms of {terms}");
    assert!(terms > 1500, "{terms}");
    assert!(alarms * 100 < terms, "{alarms} of {terms}");
}

/// A market in which a missing battery, by the default rule 1 to 15 %, takes `off` (log price) from
/// half of the units; single sales spread by 15 %.
fn without_battery(rng: &mut StdRng, n: usize, off: f64) -> Vec<Candidate> {
    (0..n)
        .map(|i| {
            let missing = u32::from(i % 2 == 0);
            let noise: f64 = StandardNormal.sample(rng);
            let log = 120f64.ln() - off * f64::from(missing) + 0.15 * noise;
            let mut comp = comp(i, log.exp(), rng.random_range(0..240));
            comp.missing.add("battery", missing);
            comp
        })
        .collect()
}

/// An effect of three times the rule's high end is found from 30 comps on, and one of three times
/// its middle once there are enough of them.
#[test]
fn rules_that_are_far_off_are_found() {
    let mut rng = StdRng::seed_from_u64(7);
    let mut share = |n: usize, off: f64| {
        let mut found = 0;
        for _ in 0..60 {
            let findings = of(without_battery(&mut rng, n, off));
            let battery = findings.iter().find(|one| one.label == "battery missing");
            found += usize::from(battery.is_some_and(Finding::contradicts));
        }
        f64::from(u32::try_from(found).unwrap()) / 60.0
    };
    let (middle, high) = (3.0 * 0.086, -(1.0f64 - 0.45).ln());
    let shares = [
        share(30, high),
        share(60, high),
        share(30, middle),
        share(60, middle),
        share(150, middle),
    ];
    println!("found: {shares:?}");
    assert!(shares[0] > 0.95 && shares[1] > 0.98, "{shares:?}");
    assert!(shares[4] > shares[2], "{shares:?}");
}

/// Sales of two models whose batteries matter more than the rule says, and of one with a number.
fn book(settings: &str) -> TempDir {
    let mut rng = StdRng::seed_from_u64(11);
    let mut text = String::from("sold_on,model,price,grade,missing,attr.storage\n");
    let start: chrono::NaiveDate = "2026-03-01".parse().unwrap();
    for (model, base, off) in [("Nulva 61K", 200.0, 0.40), ("Bolv 83V", 90.0, 0.46)] {
        for i in 0..40u32 {
            let noise: f64 = StandardNormal.sample(&mut rng);
            let missing = i % 2 == 0;
            let storage = [64, 128, 256, 512][(i / 2 % 4) as usize];
            let steps = f64::from(storage / 64u32).log2();
            let log = f64::ln(base) - if missing { off } else { 0.0 } + 0.25 * steps + 0.06 * noise;
            let day = start + chrono::Duration::days(i64::from(i) * 2);
            let battery = if missing { "battery" } else { "" };
            writeln!(text, "{day},{model},{:.2},B,{battery},{storage}", log.exp()).unwrap();
        }
    }
    let dir = tempfile::tempdir().unwrap();
    fs::write(dir.path().join("sales.csv"), text).unwrap();
    out(dir.path(), &["init"]);
    fs::write(dir.path().join("compband.toml"), settings).unwrap();
    out(dir.path(), &["import", "sales.csv"]);
    dir
}

const SETTINGS: &str = "\
[rules.missing]
battery = \"1 to 15 %\"
strap = \"1 to 2 %\"

[families.readers]
models = [\"Nulva 61K\", \"Bolv 83V\"]
attributes.storage = { unit = \"GB\", scale = \"doubling\", sign = \"up\", rule = \"1 to 5 %\" }
";

const UNIT: [&str; 7] = [
    "estimate",
    "--model",
    "Nulva 61K",
    "--missing",
    "battery",
    "--as-of",
    "2026-06-01",
];

/// What a user does with lines under headings: each goes under its heading, in place of one for
/// the same.
fn put(before: &str, lines: &str) -> String {
    fn merge(into: &mut toml::Table, from: toml::Table) {
        for (key, value) in from {
            match (into.get_mut(&key), value) {
                (Some(toml::Value::Table(known)), toml::Value::Table(new)) => merge(known, new),
                (_, value) => drop(into.insert(key, value)),
            }
        }
    }
    let mut table: toml::Table = before.parse().unwrap();
    merge(&mut table, lines.parse().unwrap());
    table.to_string()
}

fn words(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[test]
fn a_check_lists_them_with_what_to_write_instead() {
    let dir = book(SETTINGS);
    let schema = fs::read_to_string(root().join("data/check-1.schema.json")).unwrap();
    let schema: Value = serde_json::from_str(&schema).unwrap();
    let before = json(dir.path(), &["check"]);
    conforms(&before, &schema, "check");
    let rules = before["contradicted"]["rules"].as_array().unwrap();
    let names: Vec<&str> = rules.iter().map(|r| r["what"].as_str().unwrap()).collect();
    assert_eq!(names, ["storage doubled", "battery missing"], "{rules:#?}");
    let battery = &rules[1];
    assert_eq!(battery["models"].as_array().unwrap().len(), 2);
    assert_eq!(
        (&battery["low"], &battery["high"]),
        (&(-15.0).into(), &(-1.0).into())
    );
    assert_eq!(battery["under"], "[rules.missing]");
    // The true effects are −33 % and −37 %.
    let first = &battery["models"][0];
    let ends = (
        first["low"].as_f64().unwrap(),
        first["high"].as_f64().unwrap(),
    );
    assert!(
        ends.0 < -33.0 && ends.1 > -42.0 && ends.1 < -15.0,
        "{ends:?}"
    );

    let sheet = words(&out(dir.path(), &["check", "--figures"]));
    let lines = before["contradicted"]["settings"].as_str().unwrap();
    for text in [
        "Rules that your sales contradict: storage doubled: your 80 sales put it elsewhere for 2 models",
        "your rule says −15 to −1 %.",
        "each under its heading, in place of the old one",
        &words(lines),
    ] {
        assert!(sheet.contains(text), "{text}\n{sheet}");
    }
    let one = words(&out(
        dir.path(),
        &["check", "--figures", "--model", "Bolv 83V"],
    ));
    assert!(
        one.contains("battery missing: your 40 sales of Bolv 83V put it at −"),
        "{one}"
    );

    let brief = words(&out(dir.path(), &["check"]));
    assert!(
        brief.contains("Your sales contradict ")
            && brief.contains("--figures says what to write instead"),
        "{brief}"
    );

    // The sheet of a unit that lacks it says so, and how to state it.
    let sheet = words(&out(dir.path(), &[&UNIT[..], &["--why"]].concat()));
    assert!(
        sheet.contains("Your 40 sales put “battery missing” at −"),
        "{sheet}"
    );
    assert!(
        sheet.contains("under [rules.missing] in compband.toml"),
        "{sheet}"
    );

    // Written into the settings, they are in force and nothing contradicts them.
    let path = dir.path().join("compband.toml");
    let after = put(SETTINGS, lines);
    Settings::parse(&after, Path::new("compband.toml")).unwrap();
    fs::write(&path, after).unwrap();
    let checked = json(dir.path(), &["check"]);
    assert_eq!(checked["contradicted"]["rules"], serde_json::json!([]));
    assert!(checked["contradicted"]["settings"].is_null());
    assert!(!out(dir.path(), &["check"]).contains("contradict"));
    assert!(!out(dir.path(), &["check", "--figures"]).contains("contradict"));
    assert!(!out(dir.path(), &[&UNIT[..], &["--why"]].concat()).contains("rule says"));
}

/// What nobody stated is called so; its lines can be put behind settings without rules as they are.
#[test]
fn a_default_rule_is_called_so() {
    let dir = book("currency = \"EUR\"\n");
    let sheet = words(&out(dir.path(), &["check", "--figures"]));
    assert!(
        sheet.contains("the default rule says −15 to −1 %"),
        "{sheet}"
    );
    let checked = json(dir.path(), &["check"]);
    let rules = checked["contradicted"]["rules"].as_array().unwrap();
    assert!(
        rules
            .iter()
            .any(|r| r["what"] == "battery missing" && r["stated"] == false)
    );
    let lines = checked["contradicted"]["settings"].as_str().unwrap();
    let path = dir.path().join("compband.toml");
    fs::write(&path, format!("currency = \"EUR\"\n{lines}")).unwrap();
    let checked = json(dir.path(), &["check"]);
    assert_eq!(
        checked["contradicted"]["rules"],
        serde_json::json!([]),
        "{lines}"
    );
}

/// Fits that an earlier check kept give the same as new ones to the last bit; a kept file that is damaged
/// counts for nothing, and a new sale is seen.
#[test]
fn what_is_kept_says_the_same_as_a_new_fit() {
    let dir = book(SETTINGS);
    let file = dir.path().join(".compband/cache/past.rules");
    let first = out(dir.path(), &["check", "--json"]);
    let kept = fs::read(&file).unwrap();
    assert_eq!(out(dir.path(), &["check", "--json"]), first);
    for at in [0, 12, kept.len() / 2] {
        let mut damaged = kept.clone();
        damaged[at] ^= 1;
        fs::write(&file, &damaged).unwrap();
        assert_eq!(out(dir.path(), &["check", "--json"]), first);
        assert_eq!(fs::read(&file).unwrap(), kept, "made anew");
    }
    // Sound content under the same keys is believed: that is how one knows that it is read at all.
    let (head, content) = kept.split_at(16);
    let content = String::from_utf8(content.to_vec()).unwrap();
    let other = content.replace("\"informed_by\":20", "\"informed_by\":19");
    assert_ne!(content, other);
    let sealed = [&head[8..], other.as_bytes()].concat();
    let seal = xxhash_rust::xxh3::xxh3_64(&sealed).to_le_bytes();
    fs::write(&file, [&seal[..], &sealed].concat()).unwrap();
    assert_ne!(out(dir.path(), &["check", "--json"]), first);

    let sale = [
        "log", "--model", "Bolv 83V", "--price", "90", "--grade", "B",
    ];
    out(dir.path(), &sale);
    let after = json(dir.path(), &["check"]);
    assert_eq!(
        after["contradicted"]["rules"][1]["models"][0]["sales"].as_u64(),
        Some(41)
    );
}
