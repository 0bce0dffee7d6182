//! The check on the page: the figures of `compband check`.

use std::fs;

use super::DeskRun;
use super::watched::text;
use crate::estimate::{book_of, demo, json};
use crate::runner::out;

/// A page of the check that is done, however long it takes.
fn checked(desk: &DeskRun, path: &str) -> String {
    for _ in 0..600 {
        let answer = desk.get(path);
        if answer.status != 303 {
            assert_eq!(answer.status, 200, "{answer:?}");
            return answer.body;
        }
        std::thread::sleep(std::time::Duration::from_millis(100));
    }
    panic!("the check does not end");
}

#[test]
fn the_figures_are_those_of_the_command() {
    let book = demo();
    let dir = book.path();
    let desk = DeskRun::open(dir);
    for (path, args) in [
        ("/check", vec!["check"]),
        ("/check?by=grade", vec!["check", "--by", "grade"]),
        (
            "/check?by=completeness&model=nulva+61k",
            vec!["check", "--by", "completeness", "--model", "nulva  61k"],
        ),
    ] {
        let body = checked(&desk, path);
        let shown = text(&body);
        let document = json(dir, &args);
        let predicted = format!(
            "{} of {} sales estimated from earlier sales.",
            document["foretold"], document["sales"]
        );
        assert!(shown.contains(&predicted), "{predicted}: {shown}");
        for group in document["groups"].as_array().unwrap() {
            let name = group["group"].as_str().unwrap();
            let figure =
                |name: &str, digits: usize| format!("{:.digits$}", group[name].as_f64().unwrap());
            let row = format!(
                "{name} {} {:.2} ",
                group["sales"],
                group["median_ratio"]["value"].as_f64().unwrap()
            );
            assert!(shown.contains(&row), "{row}: {shown}");
            let off = figure("median_absolute_percentage_error", 1) + " %";
            let score = figure("mean_interval_score_80_log", 3);
            assert!(
                shown.contains(&off) && shown.contains(&score),
                "{name}: {shown}"
            );
            for verdict in group["verdicts"].as_array().unwrap() {
                let says = format!("{}.", verdict["says"].as_str().unwrap());
                let open = verdict["standing"] == "open";
                assert!(open || shown.contains(&says), "{says}: {shown}");
            }
        }
        let coverage = &document["groups"][0]["coverage"][1];
        let held = format!(
            "{} of {} sales fell in their 80 % range",
            coverage["held"], coverage["of"]
        );
        assert!(shown.contains(&held), "{held}: {shown}");
    }
}

#[test]
fn mistyped_sales_are_named_and_the_chart_is_the_commands() {
    let book = demo();
    let dir = book.path();
    let desk = DeskRun::open(dir);
    let body = checked(&desk, "/check");
    let document = json(dir, &["check"]);
    let mistyped = document["mistyped"].as_array().unwrap();
    assert!(!mistyped.is_empty());
    for id in mistyped {
        let head = format!("<th scope=\"row\">{}</th>", id.as_str().unwrap());
        assert!(body.contains(&head), "{head}");
    }
    out(dir, &["check", "--chart", "check.svg"]);
    let drawn = fs::read_to_string(dir.join("check.svg")).unwrap();
    assert!(body.contains("src=\"/check/chart?\""));
    let chart = desk.page("/check/chart?");
    assert_eq!(chart.header("content-type"), "image/svg+xml");
    assert_eq!(chart.body, drawn);
    // Words first: every figure is behind a click.
    let (words, figures) = (
        body.find("fell in their 80").unwrap(),
        body.find("<details").unwrap(),
    );
    assert!(words < figures && figures < body.find("COD, PRD").unwrap());
}

#[test]
fn what_cannot_be_checked_is_said() {
    let one = book_of("sold_on,model,price", &["2026-03-01,Bolv 83V,80".into()]);
    let desk = DeskRun::open(one.path());
    let shown = text(&checked(&desk, "/check"));
    assert!(
        shown.contains("No sale has an earlier one to estimate it from"),
        "{shown}"
    );
    let shown = text(&checked(&desk, "/check?model=%3Cb%3Enone"));
    assert!(shown.contains("This cannot be checked"), "{shown}");
    assert_eq!(desk.get("/check/chart?").status, 404);
}

/// A check that takes long is shown with its progress, ends when asked, and writes nothing then.
#[test]
fn a_long_check_can_be_stopped() {
    let rows = (0..9_000).map(|n| {
        let (model, month, day) = (n % 40, 1 + n / 28 % 12, 1 + n % 28);
        let price = 50 + model + 7 * n % 41;
        format!("2025-{month:02}-{day:02},Model {model},{price}")
    });
    let book = book_of("sold_on,model,price", &rows.collect::<Vec<_>>());
    let dir = book.path();
    let desk = DeskRun::open(dir);
    let begun = std::time::Instant::now();
    let work = desk.get("/check?by=model");
    assert_eq!(work.header("location"), "/work/1");
    let page = desk.page("/work/1");
    assert!(text(&page.body).contains("The check runs"), "{}", page.body);
    assert_eq!(desk.post("/work/1/cancel", &[]).status, 303);
    let stopped = || text(&desk.page("/work/1").body).contains("Nothing was changed");
    while !stopped() {
        assert!(begun.elapsed().as_secs() < 60);
        std::thread::sleep(std::time::Duration::from_millis(50));
    }
    let shown = text(&desk.page("/check?by=model").body);
    assert!(shown.contains("The check was stopped"), "{shown}");
    // Other pages are answered meanwhile, and the process is soon at rest.
    assert_eq!(desk.page("/price").status, 200);
    let again = desk.get("/check?by=model&again=yes");
    assert_eq!(again.header("location"), "/work/2");
}
