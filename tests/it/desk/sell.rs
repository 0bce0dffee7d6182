//! Sell: every number is that of `compband ask` and `compband offer`, and what is written is what the commands write.

use std::fs;
use std::path::Path;

use serde_json::Value;
use tempfile::TempDir;

use super::seen::{amount_of, fields, labelled, money, row, text};
use super::{Answer, DeskRun};
use crate::estimate::{demo, json};
use crate::ledger::{does, words};
use crate::runner::copied;

/// The demo's book with a unit that is up for sale, one that is not, and a watched one.
fn book() -> TempDir {
    let dir = demo();
    does(&dir, "ledger fund 600 --date 2026-09-01");
    does(
        &dir,
        "buy 'Nulva 61K' --price 70 --inbound 6 --grade B --completeness usable --date 2026-10-07",
    );
    does(
        &dir,
        "buy 'Bolv 83V' --price 24 --grade A --date 2026-10-07",
    );
    does(&dir, "list d1 --ask 173 --outlet parcel --date 2026-11-05");
    does(&dir, "offer d1 120 --date 2026-11-12");
    does(
        &dir,
        "watch add old-reader --model 'Tumrik QN 948' --grade B",
    );
    dir
}

/// Units, each as fields of the page and as flags of the command.
const UNITS: [(&str, &str); 13] = [
    (
        "model=Nulva 61K;;grade=B;;completeness=usable",
        "--model 'Nulva 61K' --grade B --completeness usable",
    ),
    ("unit=d1", "d1"),
    ("unit=d2", "d2"),
    (
        "unit=d2;;outlet=doorstep;;deadline=3",
        "d2 --outlet doorstep --deadline 3",
    ),
    ("unit=old-reader", "old-reader"),
    (
        "model=Nulva 61K;;outlet=parcel;;weight=700",
        "--model 'Nulva 61K' --outlet parcel --weight 700",
    ),
    (
        "model=Nulva 61K;;grade=C;;deadline=6;;exit=90;;cost_per_week=0.50;;outlet=table",
        "--model 'Nulva 61K' --grade C --deadline 6 --exit 90 --cost-per-week 0.50 --outlet table",
    ),
    (
        "model=Nulva 61K;;asking=175;;offers=2;;over=3",
        "--model 'Nulva 61K' --asking 175 --offers 2 --over 3",
    ),
    ("model=Bolv 83V;;parts=yes", "--model 'Bolv 83V' --parts"),
    (
        "model=Bolv 83V;;return_per_year=20;;shipping=4",
        "--model 'Bolv 83V' --return-per-year 20 --shipping 4",
    ),
    (
        "model=Tumrik QN 948;;missing=cable;;deadline=30",
        "--model 'Tumrik QN 948' --missing cable --deadline 30",
    ),
    (
        "model=Tumrik QN 948;;how_sold=haggled;;outlet=hammer",
        "--model 'Tumrik QN 948' --how-sold haggled --outlet hammer",
    ),
    ("unit=d1;;asking=150", "d1 --asking 150"),
];

fn ask(dir: &Path, flags: &str) -> Value {
    json(dir, &[&["ask"][..], &words(flags)].concat())
}

/// What the page asks is what the command asks, to the cent, in each week and at each outlet.
fn same(page: &Answer, found: &Value, unit: &str) {
    let body = &page.body;
    let list_at = found["list_at"].as_array().unwrap();
    if let [one, other] = list_at.as_slice() {
        let pair = &found["both_at_once"];
        for (at, outlet) in [one, other].into_iter().enumerate() {
            let outlet = outlet.as_str().unwrap();
            let ask = &pair["weeks"][0]["ask"][at];
            assert_eq!(
                amount_of(body, &format!("Ask at {outlet}")),
                Some(money(ask)),
                "{unit}"
            );
            assert!(
                text(body).contains(&format!(
                    "accept today from {}",
                    money(&pair["take_at_once"][at])
                )),
                "{unit}"
            );
        }
        for week in pair["weeks"].as_array().unwrap() {
            let cells = row(body, "weeks", &week["week"].to_string());
            for at in [0, 1] {
                assert_eq!(cells[2 * at], money(&week["ask"][at]), "{unit} {week}");
                assert_eq!(
                    cells[2 * at + 1],
                    money(&week["thresholds"][at]["accept_from"]),
                    "{unit} {week}"
                );
            }
        }
    } else {
        let usual = &found["usual"];
        assert_eq!(amount_of(body, "Ask"), Some(money(&usual["ask"])), "{unit}");
        assert_eq!(
            amount_of(body, "Accept today from"),
            Some(money(&usual["take_at_once"])),
            "{unit}"
        );
        for week in found["weeks"].as_array().unwrap() {
            let cells = row(body, "weeks", &week["week"].to_string());
            let thresholds = &week["thresholds"];
            assert_eq!(cells[0], money(&week["ask"]), "{unit} {week}");
            assert_eq!(cells[1], money(&thresholds["accept_from"]), "{unit} {week}");
            assert_eq!(
                cells[2],
                money(&thresholds["decline_below"]),
                "{unit} {week}"
            );
            assert!(
                cells[3].starts_with(&money(&thresholds["counter_from"])),
                "{unit} {week}"
            );
            assert!(
                cells[3].ends_with(&money(&thresholds["counter_to"])),
                "{unit} {week}"
            );
        }
    }
    for one in found["outlets"].as_array().into_iter().flatten() {
        let cells = row(body, "outlets", one["outlet"].as_str().unwrap());
        let names = ["ask", "take_at_once", "", "expected_left", "worth_today"];
        for (cell, name) in cells.iter().zip(names).filter(|(_, name)| !name.is_empty()) {
            assert_eq!(*cell, money(&one[name]), "{unit} {one}");
        }
    }
    assert!(
        text(body).contains(&money(&found["likely_price"])),
        "{unit}"
    );
}

#[test]
fn the_page_asks_what_the_command_asks() {
    let dir = book();
    let desk = DeskRun::open(dir.path());
    for (form, flags) in UNITS {
        let page = desk.post("/sell", &fields(form));
        assert_eq!(page.status, 200, "{form}: {page:?}");
        assert!(
            !page.body.contains("This does not work yet"),
            "{form}: {}",
            text(&page.body)
        );
        same(&page, &ask(dir.path(), flags), form);
        assert!(
            page.body.contains("<svg ") && page.body.contains("role=\"img\""),
            "{form}"
        );
    }
}

/// The answers to offers are those of the command without noting it.
#[test]
fn offers_are_answered_as_by_the_command() {
    let dir = book();
    let desk = DeskRun::open(dir.path());
    for (form, flags) in [
        ("unit=d1;;offer=131", "131 d1"),
        ("unit=d1;;offer=100", "100 d1"),
        ("unit=d1;;offer=172", "172 d1"),
        (
            "model=Nulva 61K;;grade=B;;offer=131;;outlet=parcel",
            "131 --model 'Nulva 61K' --grade B --outlet parcel",
        ),
        (
            "model=Nulva 61K;;grade=B;;offer=131;;week=2;;deadline=6",
            "131 --model 'Nulva 61K' --grade B --week 2 --deadline 6",
        ),
    ] {
        let page = desk.post("/sell", &fields(form));
        // The amount comes last for a deal.
        let flags = flags
            .strip_suffix(" d1")
            .map_or_else(|| flags.to_string(), |offer| format!("d1 {offer}"));
        let args = [&["offer", "--dry-run"][..], &words(&flags)].concat();
        let found = json(dir.path(), &args);
        let answer = labelled(&page.body, "Answer")
            .unwrap_or_else(|| panic!("{form}: {}", text(&page.body)));
        match found["answer"].as_str().unwrap() {
            "accept" => assert_eq!(answer, "Accept", "{form}"),
            "wait" => assert_eq!(answer, "Turn it down and wait", "{form}"),
            _ => assert_eq!(
                answer,
                format!("Counter at {} EUR", money(&found["counter"])),
                "{form}"
            ),
        }
        assert_eq!(
            amount_of(&page.body, "Lowest to accept"),
            Some(money(&found["lowest_to_take"])),
            "{form}"
        );
        let shown = text(&page.body);
        for name in ["left_of_offer", "worth_of_waiting"] {
            assert!(
                shown.contains(&money(&found[name])),
                "{form} {name}: {shown}"
            );
        }
    }
}

fn ledger_of(dir: &Path) -> String {
    fs::read_to_string(dir.join("deals/ledger.csv")).unwrap()
}

/// What is done on the page writes the ledger that the commands write, on addresses without amounts.
#[test]
fn what_the_page_does_is_what_the_commands_do() {
    let dir = book();
    let twin = tempfile::tempdir().unwrap();
    copied(dir.path(), twin.path());
    let desk = DeskRun::open(dir.path());
    for (form, command) in [
        ("do=offer;;unit=d1;;offer=131", "offer d1 131"),
        (
            "do=list;;unit=d1;;list_at=parcel;;ask=155.50",
            "list d1 --outlet parcel --ask 155.50",
        ),
        (
            "do=list;;unit=d2;;list_at=doorstep;;ask=41;;date=2026-11-20",
            "list d2 --outlet doorstep --ask 41 --date 2026-11-20",
        ),
        (
            "do=offer;;unit=d2;;offer=30;;date=2026-11-21",
            "offer d2 30 --date 2026-11-21",
        ),
        ("do=sold;;unit=d1", "sold d1 --at-asking"),
        (
            "do=sold;;unit=d2;;price=38;;log_comp=yes;;sold_how=haggled",
            "sold d2 --price 38 --log-comp --how-sold haggled",
        ),
    ] {
        let unit = if form.contains("unit=d1") { "d1" } else { "d2" };
        let answer = desk.act(&format!("/sell?unit={unit}"), "/sell/do", &fields(form));
        assert_eq!(answer.status, 303, "{form}: {}", text(&answer.body));
        let address = answer.header("location");
        for amount in ["131", "155", "41", "38", "30"] {
            assert!(!address.contains(&format!("={amount}")), "{address}");
        }
        let page = desk.page(address);
        assert!(
            page.body.contains("class=\"message\""),
            "{form}: {}",
            text(&page.body)
        );
        does(&twin, command);
        assert_eq!(ledger_of(dir.path()), ledger_of(twin.path()), "{form}");
    }
    let logged = |dir: &Path| fs::read_to_string(dir.join("comps/logged.csv")).unwrap_or_default();
    assert_eq!(logged(dir.path()), logged(twin.path()));
}

#[test]
fn what_is_wrong_writes_nothing_and_keeps_what_was_typed() {
    let dir = book();
    let desk = DeskRun::open(dir.path());
    let before = ledger_of(dir.path());
    for (form, words) in [
        ("do=offer;;unit=d1;;offer=<b>", "expected"),
        (
            "do=list;;unit=d1;;list_at=nowhere;;ask=12",
            "no outlet \"nowhere\"",
        ),
        (
            "do=list;;unit=d1;;list_at=parcel;;ask=173",
            "already listed",
        ),
        ("do=sold;;unit=d2", "no asking price"),
        (
            "do=offer;;unit=d1;;offer=20;;date=2031-01-01",
            "not in the future",
        ),
        ("do=offer;;model=Nulva 61K;;offer=20", "in stock"),
        ("do=steal;;unit=d1", "steal"),
    ] {
        let answer = desk.act("/sell?unit=d1", "/sell/do", &fields(form));
        assert_eq!(answer.status, 200, "{form}");
        let shown = text(&answer.body);
        assert!(shown.contains(words), "{form}: {shown}");
        assert!(!answer.body.contains("<b>\""), "{form}");
        assert_eq!(ledger_of(dir.path()), before, "{form}");
    }
    // The same form twice writes once; one that is stale, not at all.
    let shown = desk.page("/sell?unit=d1");
    let guards = [
        ("seen", shown.hidden("seen")),
        ("once", shown.hidden("once")),
    ];
    let form: Vec<(&str, &str)> = [("do", "offer"), ("unit", "d1"), ("offer", "99")]
        .into_iter()
        .chain(guards.iter().map(|(name, value)| (*name, value.as_str())))
        .collect();
    assert_eq!(desk.post("/sell/do", &form).status, 303);
    let once = ledger_of(dir.path());
    assert_eq!(desk.post("/sell/do", &form).status, 303);
    assert_eq!(ledger_of(dir.path()), once);
    let mut stale = form.clone();
    stale.retain(|(name, _)| *name != "once");
    stale.push(("once", "0123456789abcdef"));
    let answer = desk.post("/sell/do", &stale);
    assert!(
        text(&answer.body).contains("The book changed meanwhile."),
        "{answer:?}"
    );
    assert_eq!(ledger_of(dir.path()), once);
}

#[test]
fn errors_stand_beside_their_fields() {
    let dir = book();
    let desk = DeskRun::open(dir.path());
    for (form, field) in [
        ("unit=d1;;offer=x", "offer"),
        ("unit=d1;;deadline=0", "deadline"),
        ("model=Nulva 61K;;exit=50", "deadline"),
        ("model=Nulva 61K;;offers=3", "over"),
        ("model=Nulva 61K;;offers=3;;over=x", "over"),
        ("model=Nulva 61K;;asking=-1", "asking"),
        ("model=Nulva 61K;;weight=heavy", "weight"),
    ] {
        let page = desk.post("/sell", &fields(form));
        assert!(
            page.body.contains(&format!("id=\"wrong-{field}\"")),
            "{form}: {}",
            page.body
        );
    }
    for (form, words) in [
        ("unit=d9", "d9"),
        ("unit=<img>", "<img>"),
        ("model=Nothing", "Nothing"),
    ] {
        let page = desk.post("/sell", &fields(form));
        assert!(text(&page.body).contains(words), "{form}");
        assert!(!page.body.contains("<img>"), "{form}");
    }
}
