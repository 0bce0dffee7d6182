//! Buy: every number is that of `compband bid` and `compband compare`, and nothing is written.

use std::fs;

use serde_json::Value;
use tempfile::TempDir;

use super::seen::{amount_of, fields, labelled, money, row, text};
use super::{Answer, DeskRun};
use crate::estimate::{demo, json};
use crate::ledger::{does, words};
use crate::runner::everything;

/// The demo's book with a part in the drawer, money paid in, and a watched unit.
fn book() -> TempDir {
    let dir = demo();
    does(&dir, "ledger fund 600 --date 2026-09-01");
    does(
        &dir,
        "part add display --fits 'Tumrik QN 948' --cost 22 --date 2026-10-05",
    );
    does(
        &dir,
        "watch add old-reader --model 'Tumrik QN 948' --grade B",
    );
    does(
        &dir,
        "buy 'Bolv 83V' --price 24 --grade A --date 2026-10-07",
    );
    dir
}

/// Units with prices, each as fields of the page and as flags of the command.
const UNITS: [(&str, &str); 13] = [
    ("model=Nulva 61K", "--model 'Nulva 61K'"),
    (
        "model=nulva  61k;;grade=B;;completeness=usable;;missing=charger;;against=88",
        "--model 'Nulva 61K' --grade B --completeness usable --missing charger --against 88",
    ),
    (
        "model=Nulva 61K;;grade=B;;completeness=usable;;against=82;;inbound=6;;repair_1_what=new battery;;\
         repair_1_parts=14;;repair_1_minutes=30;;repair_1_success=0.9",
        "--model 'Nulva 61K' --grade B --completeness usable --against 82 --inbound 6 \
         --repair 'new battery: parts 14, minutes 30, success 0.9'",
    ),
    (
        "model=Tumrik QN 948;;grade=B;;completeness=full;;against=25;;inbound=4,90;;repair_1_what=display;;\
         repair_1_from=display;;repair_1_minutes=50;;repair_1_success=75 %;;repair_1_spoils=0.5",
        "--model 'Tumrik QN 948' --grade B --completeness full --against 25 --inbound 4.90 \
         --repair 'display: from drawer, minutes 50, success 0.75, spoils 0.5'",
    ),
    (
        "model=Bolv 83V;;premium=15;;premium_fixed=2;;tax=19;;loss=10;;profit=15",
        "--model 'Bolv 83V' --premium 15 --premium-fixed 2 --tax 19 --loss 10 --profit 15",
    ),
    (
        "model=Bolv 83V;;grade=A;;outlet=doorstep;;wage=12;;minutes=40;;against=30",
        "--model 'Bolv 83V' --grade A --outlet doorstep --wage 12 --minutes 40 --against 30",
    ),
    (
        "model=Bolv 83V;;parts=yes;;against=3",
        "--model 'Bolv 83V' --parts --against 3",
    ),
    (
        "model=Nulva 61K;;grade=A;;outlet=hammer;;weight=700;;return=35;;bankroll=250;;weeks=4;;against=100",
        "--model 'Nulva 61K' --grade A --outlet hammer --weight 700 --return 35 --bankroll 250 --weeks 4 --against 100",
    ),
    (
        "model=Nulva 61K;;profit=500;;against=20",
        "--model 'Nulva 61K' --profit 500 --against 20",
    ),
    (
        "model=Nulva 61K;;grade=C;;extra=spare battery;;repair_1_what=clean jack;;repair_1_success=0.6;;\
         repair_3_what=new case;;repair_3_parts=9;;repair_3_success=1;;salvage=0.3;;against=60",
        "--model 'Nulva 61K' --grade C --extra 'spare battery' --repair 'clean jack: success 0.6' \
         --repair 'new case: parts 9, success 1' --salvage 0.3 --against 60",
    ),
    ("unit=old-reader;;against=40", "old-reader --against 40"),
    ("unit=d1;;against=20", "d1 --against 20"),
    (
        "model=Tumrik QN 948;;missing.other=cable, sleeve;;how_sold=auction;;shipping=3;;against=1234.50",
        "--model 'Tumrik QN 948' --missing 'cable, sleeve' --how-sold auction --shipping 3 --against 1234.50",
    ),
];

/// The case of a quantile of the profit.
const CASES: [(&str, usize); 3] = [
    ("Profit, bad case (1 in 20 is worse)", 0),
    ("Profit, middle case (half are worse)", 2),
    ("Profit, good case (1 in 20 is better)", 4),
];

fn bid(dir: &TempDir, flags: &str) -> Value {
    json(dir.path(), &[&["bid"][..], &words(flags)].concat())
}

/// What the page says is what the command says, to the cent.
fn same(page: &Answer, found: &Value, unit: &str) {
    let body = &page.body;
    let shown = text(body);
    match &found["most"] {
        Value::Null => assert!(
            shown.contains("Do not buy it, not even as a gift."),
            "{unit}"
        ),
        most => assert_eq!(amount_of(body, "Most to pay"), Some(money(most)), "{unit}"),
    }
    assert!(shown.contains(&money(&found["likely_price"])), "{unit}");
    for (label, name) in [
        ("Open with", "open"),
        ("Aim for", "target"),
        ("Walk away above", "walk_away"),
    ] {
        let offer = &found["offers"][name];
        match amount_of(body, label) {
            Some(amount) => assert_eq!(amount, money(offer), "{unit} {label}"),
            // One price only, or none.
            None => assert!(
                offer.is_null()
                    || shown.contains("and no more")
                    || shown.contains("Pay what is asked"),
                "{unit} {label}"
            ),
        }
    }
    let at_most = &found["at_most"];
    let against = &found["against"]["measures"];
    let differ = at_most["bid"] != against["bid"];
    let at = [at_most, against];
    let at: Vec<&Value> = at
        .into_iter()
        .filter(|at| !at.is_null())
        .take(if differ { 2 } else { 1 })
        .collect();
    if !at.is_empty() {
        let cells = |of: &dyn Fn(&Value) -> String| at.iter().map(|at| of(at)).collect::<Vec<_>>();
        assert_eq!(
            row(body, "cases", "Money invested"),
            cells(&|at| money(&at["put_in"])),
            "{unit}"
        );
        for (label, point) in CASES {
            let profit = cells(&|at| money(&at["profit_points"][point]["profit"]));
            assert_eq!(row(body, "cases", label), profit, "{unit} {label}");
        }
        assert_eq!(
            row(body, "measures", "expected profit")[0],
            money(&at[0]["expected_profit"]),
            "{unit}"
        );
    }
    for aim in found["aims"].as_array().unwrap() {
        let binding = aim["binds"] == true;
        let most = match &aim["most"] {
            Value::Null => "none".to_string(),
            most => money(most),
        };
        assert!(body.contains("sets the limit"), "{unit}");
        assert!(shown.contains(&most), "{unit}: {aim}");
        if binding {
            assert!(aim["most"] == found["most"], "{unit}");
        }
    }
}

#[test]
fn the_page_pays_what_the_command_pays() {
    let dir = book();
    let desk = DeskRun::open(dir.path());
    let before = everything(dir.path());
    for (form, flags) in UNITS {
        let page = desk.post("/buy", &fields(form));
        assert_eq!(page.status, 200, "{form}: {page:?}");
        assert!(
            !page.body.contains("This does not work yet"),
            "{form}: {}",
            text(&page.body)
        );
        same(&page, &bid(&dir, flags), form);
    }
    let kept = |files: &std::collections::BTreeMap<std::path::PathBuf, Option<Vec<u8>>>| {
        let own =
            |path: &std::path::PathBuf| !path.starts_with(".cache") && !path.ends_with("lock");
        files
            .iter()
            .filter(|(path, _)| own(path))
            .map(|(path, bytes)| (path.clone(), bytes.clone()))
            .collect::<Vec<_>>()
    };
    let ledger = |files: &[(std::path::PathBuf, Option<Vec<u8>>)]| {
        files
            .iter()
            .filter(|(path, _)| path.starts_with("deals") || path.starts_with("comps"))
            .cloned()
            .collect::<Vec<_>>()
    };
    assert_eq!(
        ledger(&kept(&before)),
        ledger(&kept(&everything(dir.path())))
    );
}

#[test]
fn repairs_are_cautioned_about_and_take_parts_from_the_drawer() {
    let dir = book();
    let desk = DeskRun::open(dir.path());
    let (form, _) = UNITS[2];
    let page = desk.post("/buy", &fields(form));
    let shown = text(&page.body);
    assert!(
        shown.contains("Before you repair it") && shown.contains("Cells: keep a swollen"),
        "{shown}"
    );
    // A blank row for the next one, and what is said stays in its fields.
    for part in [
        "name=\"repair_1_what\"",
        "value=\"new battery\"",
        "name=\"repair_2_what\"",
    ] {
        assert!(page.body.contains(part), "{part}");
    }
    let page = desk.post(
        "/buy",
        &fields("model=Tumrik QN 948;;repair_1_what=new display;;repair_1_success=0.8"),
    );
    assert!(
        page.body.contains("from the drawer: display"),
        "{}",
        page.body
    );
    // Of another model it does not fit.
    let page = desk.post(
        "/buy",
        &fields("model=Nulva 61K;;repair_1_what=new display;;repair_1_success=0.8"),
    );
    assert!(!page.body.contains("from the drawer: display"));
}

#[test]
fn errors_stand_beside_their_fields_and_what_was_typed_stays() {
    let dir = book();
    let desk = DeskRun::open(dir.path());
    for (form, field) in [
        ("model=Nulva 61K;;against=<b>", "against"),
        ("model=Nulva 61K;;inbound=-3", "inbound"),
        ("model=Nulva 61K;;loss=200", "loss"),
        ("model=Nulva 61K;;grade=<i>", "grade"),
        (
            "model=Nulva 61K;;repair_1_what=x;;repair_1_success=7",
            "repair_1_success",
        ),
        ("model=Nulva 61K;;repair_1_what=x", "repair_1_success"),
        ("model=Nulva 61K;;salvage=lots", "salvage"),
    ] {
        let page = desk.post("/buy", &fields(form));
        assert_eq!(page.status, 200, "{form}");
        assert!(
            page.body.contains(&format!("id=\"wrong-{field}\"")),
            "{form}: {}",
            page.body
        );
        assert!(
            !page.body.contains("<b>\"") && !page.body.contains("<i>"),
            "{form}"
        );
    }
    let page = desk.post("/buy", &fields("model=No such thing"));
    assert!(
        text(&page.body).contains("omps of \"No such thing\""),
        "{}",
        page.body
    );
    let page = desk.post("/buy", &fields("unit=nobody"));
    assert!(text(&page.body).contains("\"nobody\""), "{}", page.body);
}

/// The rows of the demo's table of listings, as fields.
fn listed(csv: &str) -> Vec<(String, String)> {
    let mut form = Vec::new();
    let mut lines = csv::Reader::from_reader(csv.as_bytes());
    let titles = lines.headers().unwrap().clone();
    for (at, line) in (1..).zip(lines.records()) {
        let line = line.unwrap();
        let of = |name: &str| {
            let at = titles.iter().position(|title| title == name).unwrap();
            line.get(at).unwrap().to_string()
        };
        let missing = of("missing");
        let missing = if missing.is_empty() {
            String::new()
        } else {
            format!(", missing {missing}")
        };
        let unit = format!(
            "{}: grade {}, completeness {}{missing}",
            of("model"),
            of("grade"),
            of("completeness")
        );
        form.push((format!("row_{at}_unit"), unit));
        for name in ["asked", "inbound", "repairs", "minutes", "weeks"] {
            form.push((format!("row_{at}_{name}"), of(name)));
        }
    }
    form
}

#[test]
fn listings_side_by_side_are_those_of_compare() {
    let dir = book();
    let desk = DeskRun::open(dir.path());
    let file = crate::estimate::root().join("demo/listings.csv");
    let rows = listed(&fs::read_to_string(&file).unwrap());
    for (more, flags) in [
        ("budget=300", "--budget 300"),
        (
            "budget=90;;total=yes;;loss=15;;profit=5",
            "--budget 90 --total --loss 15 --profit 5",
        ),
        (
            "budget=300;;wage=10;;outlet=doorstep",
            "--budget 300 --wage 10 --outlet doorstep",
        ),
    ] {
        let mut form: Vec<(&str, &str)> = rows
            .iter()
            .map(|(name, value)| (&**name, &**value))
            .collect();
        form.extend(fields(more));
        let page = desk.post("/buy/several", &form);
        let found = json(
            dir.path(),
            &[&["compare", file.to_str().unwrap()][..], &words(flags)].concat(),
        );
        let listings = found["listings"].as_array().unwrap();
        assert_eq!(listings.len(), 6);
        for one in listings {
            let at = rows.iter().position(|(name, value)| {
                name.ends_with("_asked") && money(&one["asked"]).trim_end_matches(".00") == *value
            });
            let at = at.unwrap() / 6 + 1;
            let unit = &rows[(at - 1) * 6].1;
            let cells = row(&page.body, "listings", &format!("{at}. {unit}"));
            let measures = &one["measures"];
            assert_eq!(cells[1], money(&one["asked"]));
            assert_eq!(cells[2], money(&one["most"]), "{one}");
            assert_eq!(cells[3], money(&one["offers"]["open"]), "{one}");
            assert_eq!(cells[4], money(&measures["put_in"]), "{one}");
            assert_eq!(cells[5], money(&measures["expected_profit"]), "{one}");
            assert_eq!(cells[0] == "buy", one["bought"] == true, "{one}");
        }
        let shown = text(&page.body);
        if listings.iter().any(|one| one["bought"] == true) {
            assert!(
                shown.contains(&format!("{} of ", money(&found["put_in"]))),
                "{shown}"
            );
        }
    }
}

#[test]
fn a_described_unit_goes_beside_others_as_it_is() {
    let dir = book();
    let desk = DeskRun::open(dir.path());
    let (form, flags) = UNITS[2];
    let page = desk.post("/buy", &fields(form));
    let unit = "Nulva 61K: completeness usable, grade B";
    assert!(
        page.body
            .contains(&format!("name=\"row_1_unit\" value=\"{unit}\"")),
        "{}",
        page.body
    );
    let from = page.body.find("action=\"/buy/several\"").unwrap();
    let rest = &page.body[from..];
    let mut form: Vec<(String, String)> = Vec::new();
    for field in rest.split("<input type=\"hidden\" name=\"").skip(1) {
        let (name, rest) = field.split_once("\" value=\"").unwrap();
        let value = rest.split('"').next().unwrap();
        form.push((name.into(), value.into()));
    }
    let form: Vec<(&str, &str)> = form
        .iter()
        .map(|(name, value)| (&**name, &**value))
        .collect();
    let page = desk.post("/buy/several", &form);
    let cells = row(&page.body, "listings", &format!("1. {unit}"));
    let found = bid(&dir, flags);
    assert_eq!(cells[2], money(&found["most"]));
    assert_eq!(cells[4], money(&found["against"]["measures"]["put_in"]));
    // It is said what money there is where none is given.
    assert!(labelled(&page.body, "Most to pay").is_none());
}

#[test]
fn wrong_rows_are_named() {
    let dir = book();
    let desk = DeskRun::open(dir.path());
    for (form, field) in [
        ("row_2_unit=Nulva 61K;;budget=9", "row_2_asked"),
        (
            "row_1_unit=Nulva 61K: grade Q;;row_1_asked=9;;budget=9",
            "row_1_unit",
        ),
        (
            "row_1_unit=Nulva 61K x2;;row_1_asked=9;;budget=9",
            "row_1_unit",
        ),
        (
            "row_1_unit=Nulva 61K;;row_1_asked=nine;;budget=9",
            "row_1_asked",
        ),
        (
            "row_1_unit=Nulva 61K;;row_1_asked=9;;row_1_repairs=x;;budget=9",
            "row_1_repairs",
        ),
        (
            "row_1_unit=Nulva 61K;;row_1_asked=9;;row_1_inbound=x;;budget=9",
            "row_1_inbound",
        ),
    ] {
        let page = desk.post("/buy/several", &fields(form));
        assert!(
            page.body.contains(&format!("id=\"wrong-{field}\"")),
            "{form}: {}",
            page.body
        );
    }
}
