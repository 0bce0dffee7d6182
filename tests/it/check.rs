//! The check of past estimates: its chart and its JSON.

use std::fs;

use serde_json::Value;

use crate::estimate::{book_of, conforms, demo, json, root};
use crate::runner::{fails, out, run, stderr};

#[test]
fn a_check_draws_its_chart_twice() {
    let dir = demo();
    let path = |name: &str| dir.path().join(name);
    fs::write(path("check.svg"), "old").unwrap();
    let check = |more: &[&str]| {
        let output = run(dir.path(), &[&["check"], more].concat());
        assert!(output.status.success(), "{}", stderr(&output));
        output
    };
    let drawn = check(&["--chart", "check.PNG", "--chart", "check.svg"]);
    let said = stderr(&drawn);
    assert!(
        said.contains("chart written to check.PNG") && said.contains("chart written to check.svg"),
        "{said}"
    );
    assert_eq!(drawn.stdout, check(&[]).stdout);
    assert_eq!(&fs::read(path("check.PNG")).unwrap()[1..4], b"PNG");
    let svg = fs::read_to_string(path("check.svg")).unwrap();
    for text in [
        "Past estimates against what was paid",
        "188 of 188 sales estimated",
        "Price paid (EUR)",
        "80 % range",
    ] {
        assert!(svg.contains(text), "{text}");
    }
    check(&["--model", "nulva  61k", "--json", "--chart", "model.svg"]);
    let svg = fs::read_to_string(path("model.svg")).unwrap();
    assert!(svg.contains("Nulva 61K: past estimates against what was paid"));
}

#[test]
fn a_chart_that_cannot_be_written_is_refused() {
    let rows = ["2026-03-01,Bolv 83V,80", "2026-03-09,Bolv 83V,90"];
    let dir = book_of("sold_on,model,price", &rows.map(String::from));
    let refused = fails(dir.path(), 3, &["check", "--chart", "check.gif"]);
    assert!(
        refused.contains("check.gif: a chart is written as PNG or SVG"),
        "{refused}"
    );
    assert!(!dir.path().join("check.gif").exists());
    let folder = fails(dir.path(), 1, &["check", "--chart", "nowhere/check.png"]);
    assert!(folder.contains("nowhere"), "{folder}");
    // One sale that another predicts is enough for a picture.
    out(dir.path(), &["check", "--chart", "check.svg"]);
    let svg = fs::read_to_string(dir.path().join("check.svg")).unwrap();
    assert!(svg.contains("1 of 2 sales estimated"), "{svg}");
}

#[test]
fn the_json_of_a_check_is_as_its_schema_says() {
    let schema: Value =
        serde_json::from_str(&fs::read_to_string(root().join("data/check-1.schema.json")).unwrap())
            .unwrap();
    let dir = demo();
    let whole = json(dir.path(), &["check"]);
    let by_grade = json(dir.path(), &["check", "--by", "grade"]);
    // One sale has no dispersion and no intervals.
    let rows = ["2026-03-01,Bolv 83V,80", "2026-03-09,Bolv 83V,90"];
    let few = book_of("sold_on,model,price", &rows.map(String::from));
    let one = json(few.path(), &["check"]);
    assert!(one["groups"][0]["cod_percent"].is_null());
    for (document, groups) in [(whole, 1), (by_grade, 5), (one, 1)] {
        assert_eq!(document["schema"], schema["title"]);
        assert_eq!(document["groups"].as_array().unwrap().len(), groups);
        conforms(&document, &schema, "check");
    }
}

/// The estimate and the check count the same past bands, and what an earlier run kept of them is
/// a matter of time alone.
#[test]
fn an_estimate_says_how_past_bands_held() {
    let dir = demo();
    let unit = ["estimate", "--model", "Nulva 61K", "--as-of", "2026-11-20"];
    let first = json(dir.path(), &unit);
    let told = &first["checked_on_book"];
    let whole = &json(dir.path(), &["check"])["groups"][0];
    let coverage = &whole["coverage"][1];
    assert_eq!(coverage["chance_percent"], told["chance_percent"]);
    assert_eq!(
        (&coverage["held"], &coverage["of"]),
        (&told["held"], &told["of"])
    );
    let widening = told["widening"].as_f64().unwrap();
    assert!(
        widening != 1.0 && (0.7..1.4).contains(&widening),
        "{widening}"
    );

    // What earlier runs kept is damaged in `past::damage_does_no_harm`.
    fs::remove_dir_all(dir.path().join(".compband/cache")).unwrap();
    assert_eq!(json(dir.path(), &unit), first);
    // One sale more is one more that is counted.
    let log = [
        "log",
        "--model",
        "Bolv 83V",
        "--price",
        "900",
        "--sold-on",
        "2026-11-19",
    ];
    out(dir.path(), &log);
    let after = json(dir.path(), &unit);
    assert_eq!(
        after["checked_on_book"]["of"].as_u64(),
        told["of"].as_u64().map(|of| of + 1)
    );
}
