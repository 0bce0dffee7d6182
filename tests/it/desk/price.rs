//! The page of the price says what `estimate` says, to the cent.

use serde_json::Value;

use super::{Answer, DeskRun, encoded};
use crate::estimate::demo;
use crate::runner::out;

/// The day of all estimates here.
const DAY: &str = "2026-11-20";

/// What the page says of the price: what is read out after each change.
fn said(answer: &Answer) -> String {
    let mark = "data-say=\"price\">";
    let from = answer
        .body
        .find(mark)
        .unwrap_or_else(|| panic!("{answer:?}"))
        + mark.len();
    let end = answer.body[from..].find('<').unwrap();
    answer.body[from..from + end].replace(['\u{a0}', '\u{202f}'], " ")
}

/// The same from the document of `estimate --json`.
fn of_command(dir: &std::path::Path, flags: &[&str]) -> String {
    let args = [&["estimate", "--json", "--as-of", DAY], flags].concat();
    let made: Value = serde_json::from_str(&out(dir, &args)).unwrap();
    let band = &made["band"];
    let text = |value: &Value| value.as_str().unwrap().to_string();
    format!(
        "Likely price {} EUR, {} % range {} to {}",
        text(&made["likely_price"]),
        band["chance_percent"],
        text(&band["low"]),
        text(&band["high"])
    )
}

/// Fields of a form, and the flags that say the same.
type Case = (
    &'static [(&'static str, &'static str)],
    &'static [&'static str],
);

#[test]
fn its_numbers_are_those_of_the_command() {
    let book = demo();
    let desk = DeskRun::open(book.path());
    let cases: &[Case] = &[
        (&[("model", "Nulva 61K")], &["--model", "Nulva 61K"]),
        (
            &[
                ("model", "nulva  61k"),
                ("grade", "B"),
                ("completeness", "usable"),
                ("missing", "charger"),
                ("extra", "spare battery"),
                ("how_sold", "auction"),
            ],
            &[
                "--model",
                "Nulva 61K",
                "--grade",
                "B",
                "--completeness",
                "usable",
                "--missing",
                "charger",
                "--extra",
                "spare battery",
                "--how-sold",
                "bid",
            ],
        ),
        (
            &[
                ("model", "Tumrik QN 948"),
                ("grade", "C"),
                ("defect.other", "dead pixels"),
                ("set.storage", "32"),
                ("band", "50"),
            ],
            &[
                "--model",
                "Tumrik QN 948",
                "--grade",
                "C",
                "--defect",
                "dead pixels",
                "--set",
                "storage=32",
                "--band",
                "50",
            ],
        ),
        (
            &[("model", "Bolv 83V"), ("parts", "yes")],
            &["--model", "Bolv 83V", "--parts"],
        ),
    ];
    for (fields, flags) in cases {
        let fields = [*fields, &[("as_of", DAY)]].concat();
        let page = desk.page(&format!("/price?{}", encoded(&fields)));
        assert_eq!(said(&page), of_command(book.path(), flags), "{flags:?}");
        assert!(page.body.contains("<svg") && page.body.contains("The sales behind it"));
    }
}

#[test]
fn a_sale_is_dropped_and_kept_by_a_tap() {
    let book = demo();
    let dir = book.path();
    let unit = ["--model", "Nulva 61K", "--grade", "B"];
    let args = [&["estimate", "--json", "--as-of", DAY], &unit[..]].concat();
    let made: Value = serde_json::from_str(&out(dir, &args)).unwrap();
    let comps = made["comps"].as_array().unwrap();
    let with = |code: Option<&str>| {
        let found = comps
            .iter()
            .find(|comp| comp["dropped"]["code"].as_str() == code);
        found.unwrap()["comp_id"].as_str().unwrap()
    };
    let desk = DeskRun::open(dir);
    let fields = [("model", "Nulva 61K"), ("grade", "B"), ("as_of", DAY)];
    let plain = desk.page(&format!("/price?{}", encoded(&fields)));
    assert_eq!(said(&plain), of_command(dir, &unit));
    assert!(plain.body.contains("<s>") && plain.body.contains("Not used: "));
    assert!(!plain.body.contains("Your choice of sales moves it"));
    for (name, flag, id) in [
        ("drop", "--drop", with(None)),
        ("keep", "--keep", with(Some("not-needed"))),
    ] {
        let fields = [&fields[..], &[(name, id)]].concat();
        let page = desk.page(&format!("/price?{}", encoded(&fields)));
        let flags = [&unit[..], &[flag, id]].concat();
        assert_eq!(said(&page), of_command(dir, &flags));
        assert!(
            page.body.contains("Your choice of sales moves it"),
            "{page:?}"
        );
        let pressed = format!("name=\"{name}\" value=\"{id}\" form=\"unit\" checked");
        assert!(page.body.contains(&pressed), "{pressed}: {page:?}");
    }
}

#[test]
fn what_cannot_be_priced_keeps_what_was_typed() {
    let book = demo();
    let desk = DeskRun::open(book.path());
    let page = desk.page("/price?model=Nulba+61K&grade=B");
    for part in [
        "No comps of &quot;Nulba 61K&quot;",
        "Nulva 61K",
        "value=\"Nulba 61K\"",
        "value=\"B\" checked",
    ] {
        assert!(page.body.contains(part), "{part}: {page:?}");
    }
    let page = desk.page("/price?model=Nulva+61K&as_of=soon");
    assert!(page.body.contains("id=\"wrong-as_of\""), "{page:?}");
    assert!(page.body.contains("value=\"soon\""), "{page:?}");
    // A link names a unit.
    let page = desk.page("/price?unit=nothing");
    assert!(page.body.contains("no model, watched unit or deal") || page.body.contains("No comps"));
}

#[test]
fn the_page_follows_the_files_of_the_book() {
    let book = demo();
    let dir = book.path();
    let desk = DeskRun::open(dir);
    let query = encoded(&[("model", "Nulva 61K"), ("as_of", DAY)]);
    let path = format!("/price?{query}");
    let before = said(&desk.page(&path));
    let sale = [
        "log",
        "--model",
        "Nulva 61K",
        "--price",
        "190",
        "--sold-on",
        DAY,
        "--grade",
        "A",
    ];
    out(dir, &sale);
    let after = said(&desk.page(&path));
    assert_ne!(before, after);
    assert_eq!(after, of_command(dir, &["--model", "Nulva 61K"]));
    let settings = std::fs::read_to_string(dir.join("compband.toml")).unwrap();
    std::fs::write(dir.join("compband.toml"), "currency = 3\n").unwrap();
    let broken = desk.get(&path);
    assert_eq!(broken.status, 503);
    assert!(
        broken.body.contains("The book cannot be opened"),
        "{broken:?}"
    );
    std::fs::write(dir.join("compband.toml"), settings).unwrap();
    assert_eq!(said(&desk.page(&path)), after);
}

#[test]
fn nothing_is_written_by_looking() {
    let book = demo();
    let dir = book.path();
    let files = || {
        let mut all = crate::runner::everything(dir);
        all.retain(|path, _| !path.starts_with(".compband"));
        all
    };
    let before = files();
    let desk = DeskRun::open(dir);
    for path in [
        "/price",
        "/price?model=Nulva+61K&grade=B",
        "/price/models?q=n",
    ] {
        desk.page(path);
    }
    assert_eq!(files(), before);
}
