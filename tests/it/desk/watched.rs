//! Watched units on the page: the figures of `compband refresh` and `compband history`.

use std::fs;
use std::path::Path;

use serde_json::Value;
use tempfile::TempDir;

use super::DeskRun;
use crate::estimate::{DEMO_UNIT, demo, json};
use crate::runner::{copied, out};

/// Text of a page as it is read: without markup, runs of spaces as one.
pub fn text(body: &str) -> String {
    let mut text = String::new();
    for (at, part) in body.split('<').enumerate() {
        let shown = match part.split_once('>') {
            Some((_, shown)) if at > 0 => shown,
            _ => part,
        };
        text.push_str(shown);
        text.push(' ');
    }
    for (entity, character) in [
        ("&lt;", "<"),
        ("&gt;", ">"),
        ("&quot;", "\""),
        ("&amp;", "&"),
        ("\u{a0}", " "),
    ] {
        text = text.replace(entity, character);
    }
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// A book like another.
fn copy(dir: &Path) -> TempDir {
    let other = tempfile::tempdir().unwrap();
    copied(dir, other.path());
    other
}

/// The demo's book with a watched unit, estimated once before a sale was logged.
fn watched() -> TempDir {
    let book = demo();
    let dir = book.path();
    let (unit, _) = DEMO_UNIT.split_at(8);
    out(dir, &[&["watch", "add", "61k"], unit].concat());
    out(dir, &["refresh", "--as-of", "2026-11-20"]);
    let sale = "log --price 190 --sold-on 2026-11-21 --grade B --completeness usable --id high-one";
    let sale: Vec<&str> = sale.split(' ').collect();
    out(dir, &[&sale[..], &["--model", "Nulva 61K"]].concat());
    book
}

fn history(dir: &Path) -> String {
    fs::read_to_string(dir.join("history/61k.csv")).unwrap()
}

fn money(value: &Value) -> &str {
    value.as_str().unwrap_or_else(|| panic!("{value}"))
}

#[test]
fn the_change_is_that_of_refresh_and_showing_records_nothing() {
    let book = watched();
    let dir = book.path();
    let before = history(dir);
    let desk = DeskRun::open(dir);
    let page = desk.page("/watched");
    let shown = text(&page.body);
    assert_eq!(history(dir), before);

    let other = copy(dir);
    let unit = json(other.path(), &["refresh"])["units"][0].clone();
    assert_eq!(unit["state"], "moved");
    let (was, now) = (&unit["before"], &unit["estimate"]);
    let first = format!(
        "{} → {} EUR (",
        money(&was["likely_price"]),
        money(&now["likely_price"])
    );
    let band = format!(
        "80 % range {} to {}, before 80 % range {} to {}",
        money(&now["band"]["low"]),
        money(&now["band"]["high"]),
        money(&was["band"]["low"]),
        money(&was["band"]["high"])
    );
    assert!(shown.contains(&first) && shown.contains(&band), "{shown}");
    let steps = unit["steps"].as_array().unwrap();
    assert!(steps.len() > 1, "{unit:#}");
    for step in steps {
        let by = money(&step["by"]).replace('-', "");
        let cell = format!("{by}</td>");
        assert!(page.body.contains(&cell), "{cell}: {}", page.body);
    }
    assert!(shown.contains("new sale of 2026-11-21 for 190.00 (high-one), weight "));

    let done = desk.act("/watched", "/watched/do", &[("what", "record")]);
    assert!(done.header("location").starts_with("/watched?said="));
    assert_eq!(history(dir), history(other.path()));
    let shown = text(&desk.page("/watched").body);
    assert!(shown.contains("none has moved") && shown.contains("nothing changed since"));
    assert!(!shown.contains("Record these estimates"), "{shown}");
}

#[test]
fn the_history_is_that_of_the_command() {
    let book = watched();
    let dir = book.path();
    out(dir, &["refresh"]);
    let desk = DeskRun::open(dir);
    let body = desk.page("/watched").body;
    let shown = text(&body);
    assert!(shown.contains("Its history: 2 estimates"), "{shown}");
    for estimate in json(dir, &["history", "61k"])["estimates"]
        .as_array()
        .unwrap()
    {
        let (band, comps) = (&estimate["band"], estimate["comps"].as_array().unwrap());
        let row = [
            money(&estimate["as_of"]),
            money(&estimate["likely_price"]),
            money(&band["low"]),
            money(&band["high"]),
        ];
        for part in row {
            assert!(shown.contains(part), "{part}: {shown}");
        }
        assert!(
            shown.contains(&format!("80 % {} EUR", comps.len())),
            "{shown}"
        );
    }
    out(dir, &["history", "61k", "--chart", "61k.svg"]);
    let drawn = fs::read_to_string(dir.join("61k.svg")).unwrap();
    let chart = desk.page("/watched/chart?name=61k");
    assert_eq!(chart.header("content-type"), "image/svg+xml");
    assert_eq!(chart.body, drawn);
    assert!(body.contains("src=\"/watched/chart?name=61k\""));
}

#[test]
fn units_are_added_and_removed_as_by_the_command() {
    let book = demo();
    let dir = book.path();
    let other = copy(dir);
    let desk = DeskRun::open(dir);
    assert!(
        desk.page("/watched")
            .body
            .contains("No unit is watched yet")
    );
    let described = "/watched?model=Nulva+61K&grade=B&missing=charger";
    let form = desk.page(described).body;
    assert!(form.contains("value=\"B\" checked") && form.contains("value=\"charger\" checked"));
    let unit = [
        ("what", "add"),
        ("model", "Nulva 61K"),
        ("grade", "B"),
        ("missing", "charger"),
    ];
    // A wrong name is said, and what was typed is kept.
    let refused = desk.act(
        described,
        "/watched/do",
        &[&unit[..], &[("name", "a b")]].concat(),
    );
    let shown = text(&refused.body);
    assert!(
        shown.contains("is not a name for a watched unit"),
        "{shown}"
    );
    assert!(refused.body.contains("value=\"a b\"") && refused.body.contains("value=\"B\" checked"));
    assert!(!dir.join("watch.toml").exists());

    let added = desk.act(
        described,
        "/watched/do",
        &[&unit[..], &[("name", "mine")]].concat(),
    );
    let told = desk.page(added.header("location"));
    assert!(text(&told.body).contains("Watching mine."), "{}", told.body);
    let same = "watch add mine --grade B --missing charger --model";
    let same: Vec<&str> = same.split(' ').collect();
    out(other.path(), &[&same[..], &["Nulva 61K"]].concat());
    let toml = |dir: &Path| fs::read_to_string(dir.join("watch.toml")).unwrap();
    assert_eq!(toml(dir), toml(other.path()));
    let page = desk.page("/watched");
    assert!(
        text(&page.body).contains("Not recorded yet"),
        "{}",
        page.body
    );
    // Twice the same form does it once.
    let (seen, once) = (page.hidden("seen"), page.hidden("once"));
    let record = [("what", "record"), ("seen", &*seen), ("once", &once)];
    let [first, second] = [(); 2].map(|()| desk.post("/watched/do", &record));
    assert_eq!(first.header("location"), second.header("location"));
    assert!(!first.header("location").is_empty());
    let rows = fs::read_to_string(dir.join("history/mine.csv")).unwrap();
    assert_eq!(rows.lines().count(), 2);

    let fields = [("what", "remove"), ("name", "mine")];
    assert_eq!(desk.act("/watched", "/watched/do", &fields).status, 303);
    out(other.path(), &["watch", "remove", "mine"]);
    assert_eq!(toml(dir), toml(other.path()));
}

#[test]
fn a_unit_that_cannot_be_estimated_leaves_the_others() {
    let book = watched();
    let dir = book.path();
    let path = dir.join("watch.toml");
    let odd = "\n[odd]\nmodel = \"<img src=x onerror=alert(1)>\"\ngrade = \"B\"\n";
    fs::write(&path, fs::read_to_string(&path).unwrap() + odd).unwrap();
    let desk = DeskRun::open(dir);
    let page = desk.page("/watched");
    assert!(!page.body.contains("<img src=x"), "{}", page.body);
    let shown = text(&page.body);
    assert!(shown.contains("2 watched units, 1 moved"), "{shown}");
    assert!(shown.contains("Stop watching odd"), "{shown}");
    assert_eq!(desk.get("/watched/chart?name=../61k").status, 200);
    assert!(!desk.get("/watched/chart?name=../61k").body.contains("<svg"));
}
