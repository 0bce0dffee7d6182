//! A run that asks about many units says of each what a run says that asks about it alone.

use chrono::NaiveDate;
use compband::app::describe::Description;
use compband::app::report::estimates;
use compband::book::Book;

use crate::estimate::root;
use crate::runner::out;

/// Models of the demo, in several ways of writing, and one that the book does not have.
const MODELS: [&str; 4] = ["Nulva 61K", "nulva  61k", "Tumrik QN 948", "Nobody Knows"];

#[test]
fn many_units_are_estimated_as_one_alone() {
    let dir = tempfile::tempdir().unwrap();
    out(dir.path(), &["init"]);
    std::fs::copy(
        root().join("demo/compband.toml"),
        dir.path().join("compband.toml"),
    )
    .unwrap();
    let sheet = root().join("demo/sales-2025.csv");
    out(dir.path(), &["import", sheet.to_str().unwrap()]);
    let book = Book::open(Some(dir.path())).unwrap();
    let day = NaiveDate::from_ymd_opt(2026, 11, 20).unwrap();
    let mut asked = Vec::new();
    for model in MODELS {
        for grade in [Some("B"), Some("D"), None] {
            for works in [true, false] {
                asked.push(Description {
                    model: model.into(),
                    grade: grade.map(String::from),
                    parts: !works,
                    // Of two windows, so that related models are fitted for each.
                    window: Some(if works { 365 } else { 180 }),
                    ..Description::default()
                });
            }
        }
    }
    let description = |asked: &[Description]| {
        let each: Vec<&Description> = asked.iter().collect();
        let made = estimates(&book, &each, day, &mut |_| {}).unwrap();
        let made = made.into_iter().map(|made| {
            made.map(|made| made.estimate)
                .map_err(|error| error.to_string())
        });
        made.collect::<Vec<_>>()
    };
    let together = description(&asked);
    let mut estimated = 0;
    for (asked, together) in asked.iter().zip(together) {
        let alone = description(std::slice::from_ref(asked)).remove(0);
        match (alone, together) {
            (Ok(alone), Ok(together)) => {
                let numbers = |made: &compband::band::estimate::Estimate| {
                    [made.low, made.median, made.high].map(|n| n.to_string())
                };
                assert_eq!(numbers(&alone), numbers(&together), "{:?}", asked.model);
                assert_eq!(alone.adjustments, together.adjustments);
                estimated += 1;
            }
            (alone, together) => assert_eq!(alone.err(), together.err(), "{:?}", asked.model),
        }
    }
    assert_eq!(estimated, 18, "all but the unknown model");
}
