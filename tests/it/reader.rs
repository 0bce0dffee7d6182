//! A run that asks about many units says of each what a run says that asks about it alone.

use chrono::NaiveDate;
use compband::app::reader::{Asked, Reader};
use compband::app::report::estimates;
use compband::book::Book;
use compband::select::Subject;

use crate::estimate::root;
use crate::runner::out;

/// Models of the demo, in several ways of writing, and one that the book does not have.
const MODELS: [&str; 4] = ["Nerrow F4", "nerrow  f4", "Tolvik Page 6", "Nobody Knows"];

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
    let settings = book.settings();
    let mut asked = Vec::new();
    for model in MODELS {
        for grade in [Some("B"), Some("D"), None] {
            for works in [true, false] {
                let mut settings = settings.clone();
                // Of two windows, so that related models are fitted for each.
                settings.estimate.window_days = if works { 365 } else { 180 };
                asked.push(Asked {
                    settings,
                    subject: Subject {
                        grade: grade.map(String::from),
                        works,
                        ..Subject::blank(model)
                    },
                    keep: &[],
                    drop: &[],
                });
            }
        }
    }
    let said = |asked: &[Asked<'static>]| {
        let models = asked.iter().map(|asked| asked.subject.model.as_str());
        let reader = Reader::new(&book, day, models, &mut |_| {}).unwrap();
        let made = estimates(&reader, asked).into_iter();
        let made = made.map(|made| {
            made.map(|made| made.estimate)
                .map_err(|error| error.to_string())
        });
        made.collect::<Vec<_>>()
    };
    let together = said(&asked);
    let mut estimated = 0;
    for (asked, together) in asked.iter().zip(together) {
        let alone = said(std::slice::from_ref(asked)).remove(0);
        match (alone, together) {
            (Ok(alone), Ok(together)) => {
                let numbers = |made: &compband::band::estimate::Estimate| {
                    [made.low, made.median, made.high].map(|n| n.to_string())
                };
                assert_eq!(numbers(&alone), numbers(&together), "{:?}", asked.subject);
                assert_eq!(alone.adjustments, together.adjustments);
                estimated += 1;
            }
            (alone, together) => assert_eq!(alone.err(), together.err(), "{:?}", asked.subject),
        }
    }
    assert_eq!(estimated, 18, "all but the unknown model");
}
