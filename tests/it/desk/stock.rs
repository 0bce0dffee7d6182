//! Stock and money: what the forms write is what the commands write, whoever else writes meanwhile.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;
use std::process::Command;
use std::time::Duration;

use tempfile::TempDir;

use super::DeskRun;
use crate::estimate::demo;
use crate::ledger::{story, words};
use crate::runner::{copied, out, run};

/// Entries of each writer at the same time.
const ENTRIES: usize = 30;

fn ledger_of(dir: &Path) -> String {
    fs::read_to_string(dir.join("deals/ledger.csv")).unwrap_or_default()
}

fn logged(dir: &Path) -> String {
    fs::read_to_string(dir.join("comps/logged.csv")).unwrap_or_default()
}

/// A copy of a book.
fn twin(book: &Path) -> TempDir {
    let dir = tempfile::tempdir().unwrap();
    copied(book, dir.path());
    dir
}

/// Fields of a form, `name=value` apart by `;;`.
fn fields(text: &str) -> Vec<(&str, &str)> {
    let pairs = text.split(";;").map(str::trim);
    pairs.map(|pair| pair.split_once('=').unwrap()).collect()
}

/// Forms, each with the command that says the same.
const STEPS: [(&str, &str); 23] = [
    (
        "record=fund;;amount=300;;date=2026-09-01;;note=own money",
        "ledger fund 300 --date 2026-09-01 --note 'own money'",
    ),
    (
        "record=draw;;amount=12,50;;date=2026-09-02",
        "ledger draw 12,50 --date 2026-09-02",
    ),
    (
        "record=buy;;model=Nulva 61K;;price=42;;inbound=5;;asked=50;;minutes=20;;grade=B;;completeness=usable;;\
         missing=charger;;date=2026-09-05;;note=a <b>note</b>",
        "buy 'Nulva 61K' --price 42 --inbound 5 --asked 50 --minutes 20 --grade B --completeness usable --missing \
         charger --date 2026-09-05 --note 'a <b>note</b>'",
    ),
    (
        "record=buy;;model=Bolv 83V;;price=3;;parts=yes;;date=2026-09-06",
        "buy 'Bolv 83V' --price 3 --parts --date 2026-09-06",
    ),
    (
        "record=buy;;model=Tumrik QN 948;;price=31;;grade=C;;set.storage=32;;extra.other=wall plug, cable;;date=2026-09-06",
        "buy 'Tumrik QN 948' --price 31 --grade C --set storage=32 --extra 'wall plug, cable' --date 2026-09-06",
    ),
    (
        "record=spend;;deal=d1;;amount=14;;what=new battery;;minutes=30;;date=2026-09-08",
        "spend d1 14 'new battery' --minutes 30 --date 2026-09-08",
    ),
    (
        "record=spend;;deal=d1;;what=cleaned;;minutes=15;;date=2026-09-08",
        "spend d1 --minutes 15 cleaned --date 2026-09-08",
    ),
    (
        "record=part;;part=display;;count=2;;cost=22;;inbound=3;;fits=Nulva 61K; Bolv 83V;;date=2026-09-08",
        "part add display --count 2 --cost 22 --inbound 3 --fits 'Nulva 61K' --fits 'Bolv 83V' --date 2026-09-08",
    ),
    (
        "record=part;;part=screws;;count=100;;in_all=4.50;;date=2026-09-08",
        "part add screws --count 100 --in-all 4.50 --date 2026-09-08",
    ),
    (
        "record=use;;deal=d1;;part=display;;date=2026-09-09",
        "part use d1 display --date 2026-09-09",
    ),
    (
        "record=drop;;part=screws;;count=10;;for=0.50;;note=bent;;date=2026-09-09",
        "part drop screws --count 10 --for 0.50 --note bent --date 2026-09-09",
    ),
    (
        "record=describe;;deal=d1;;model=Nulva 61K;;grade=C;;completeness=usable;;missing=charger;;defect=scratch;;\
         date=2026-09-09;;note=looked again",
        "ledger describe d1 --grade C --completeness usable --missing charger --defect scratch --date 2026-09-09 \
         --note 'looked again'",
    ),
    (
        "record=list;;deal=d1;;ask=162;;date=2026-09-10",
        "list d1 --ask 162 --date 2026-09-10",
    ),
    (
        "record=list;;deal=d1;;ask=155;;date=2026-09-12",
        "list d1 --ask 155 --date 2026-09-12",
    ),
    (
        "record=list;;deal=d3;;ask=99;;outlet=doorstep;;date=2026-09-12",
        "list d3 --ask 99 --outlet doorstep --date 2026-09-12",
    ),
    (
        "record=unlist;;deal=d3;;date=2026-09-13",
        "unlist d3 --date 2026-09-13",
    ),
    (
        "record=sold;;deal=d1;;price=139;;offers=3;;minutes=15;;how_sold=offer;;log_comp=yes;;date=2026-09-29",
        "sold d1 --price 139 --offers 3 --minutes 15 --how-sold offer --log-comp --date 2026-09-29",
    ),
    (
        "record=refund;;deal=d1;;back=yes;;fees_back=4;;sending=5.20;;date=2026-10-01;;note=came back",
        "ledger refund d1 --back --fees-back 4 --sending 5.20 --date 2026-10-01 --note 'came back'",
    ),
    (
        "record=sold;;deal=d1;;price=120;;shipping=4.90;;fees=12.40;;sending=5.20;;outlet=parcel;;date=2026-10-05",
        "sold d1 --price 120 --shipping 4.90 --fees 12.40 --sending 5.20 --outlet parcel --date 2026-10-05",
    ),
    (
        "record=harvest;;deal=d2;;parts=stand = 2; knob x2 = 0.50;;minutes=10;;date=2026-10-06",
        "harvest d2 'stand = 2; knob x2 = 0.50' --minutes 10 --date 2026-10-06",
    ),
    (
        "record=overhead;;amount=12.50;;what=packing tape;;own=yes;;date=2026-10-07",
        "ledger overhead 12.50 'packing tape' --own --date 2026-10-07",
    ),
    (
        "record=overhead;;km=24;;per_km=0.30;;what=flea market;;date=2026-10-07",
        "ledger overhead --km 24 --per-km 0.30 'flea market' --date 2026-10-07",
    ),
    (
        "record=scrap;;deal=d3;;for=0.50;;date=2026-10-08",
        "scrap d3 --for 0.50 --date 2026-10-08",
    ),
];

#[test]
fn what_a_form_writes_is_what_the_command_writes() {
    let by_form = demo();
    let by_command = twin(by_form.path());
    let desk = DeskRun::open(by_form.path());
    let both = |form: &str, command: &str| {
        let sent = fields(form);
        let answer = desk.act("/stock?record=fund", "/stock/do", &sent);
        assert_eq!(answer.status, 303, "{form}: {}", answer.body);
        out(by_command.path(), &words(command));
        assert_eq!(
            ledger_of(by_form.path()),
            ledger_of(by_command.path()),
            "{form}"
        );
        let next = desk.page(answer.header("location"));
        assert!(
            next.body.contains("Ledger entry ") || form.contains("record=reverse"),
            "{}",
            next.body
        );
        assert!(!next.body.contains("<b>note"), "{}", next.body);
    };
    for (form, command) in STEPS {
        both(form, command);
    }
    // The last entry, whatever its number.
    let rows = ledger_of(by_form.path()).lines().count() - 1;
    let form = format!("record=reverse;;entry={rows};;note=typed wrong");
    both(
        &form,
        &format!("ledger reverse {rows} --note 'typed wrong'"),
    );
    assert_eq!(logged(by_form.path()), logged(by_command.path()));
    let shown = |dir: &Path| out(dir, &["ledger", "--as-of", "2026-11-20", "--json"]);
    assert_eq!(shown(by_form.path()), shown(by_command.path()));
}

#[test]
fn the_numbers_are_those_of_the_command() {
    let book = story();
    out(
        book.path(),
        &[
            "part",
            "add",
            "display",
            "--cost",
            "22",
            "--fits",
            "Nulva 61K",
        ],
    );
    out(book.path(), &["list", "d3", "--ask", "162"]);
    let told = out(book.path(), &["ledger"]);
    let desk = DeskRun::open(book.path());
    let page = desk.page("/stock").body;
    // Each number of the tables and sentences of the command is on the page.
    let is_number = |word: &&str| word.contains('.') && word.chars().any(|c| c.is_ascii_digit());
    let numbers: BTreeSet<&str> = told
        .split([' ', '\n', '(', ')', ',', ';'])
        .map(|word| word.trim_end_matches('.'))
        .filter(is_number)
        .filter(|word| {
            word.chars()
                .all(|c| c.is_ascii_digit() || "−-+.\u{202f}".contains(c))
        })
        .collect();
    assert!(numbers.len() > 15, "{numbers:?}");
    for number in numbers {
        assert!(page.contains(number), "{number} is not on the page");
    }
    assert!(page.contains("<svg") && page.contains("The way to the goal"));
    let deal = desk.page("/stock?deal=d1").body;
    assert!(deal.contains("139.00") && !deal.contains("/sell?unit=d1"));
    assert!(desk.page("/stock?deal=d3").body.contains("/sell?unit=d3"));
    let years = desk.page("/stock/years");
    assert_eq!(
        years.body,
        out(book.path(), &["ledger", "--year", "--csv", "-"])
    );
    assert_eq!(
        desk.page("/stock?deal=d99")
            .body
            .matches("There is no deal")
            .count(),
        1
    );
}

#[test]
fn a_wrong_value_stands_beside_its_field_with_what_was_typed() {
    let book = story();
    let before = ledger_of(book.path());
    let desk = DeskRun::open(book.path());
    for (form, field, typed) in [
        (
            "record=spend;;deal=d3;;amount=<img src=x>;;what=\"quoted\"",
            "amount",
            "&lt;img src=x&gt;",
        ),
        (
            "record=sold;;deal=d3;;price=12;;minutes=many",
            "minutes",
            "many",
        ),
        ("record=fund;;amount=", "amount", ""),
        (
            "record=fund;;amount=5;;date=2999-01-01",
            "date",
            "2999-01-01",
        ),
        ("record=list;;deal=d3;;ask=-4", "ask", "-4"),
    ] {
        let sent: Vec<(&str, &str)> = fields(form);
        let page = desk.act("/stock?record=fund", "/stock/do", &sent);
        assert_eq!(page.status, 200, "{form}");
        assert!(
            page.body.contains(&format!("id=\"wrong-{field}\"")),
            "{form}: {}",
            page.body
        );
        assert!(
            page.body.contains(&format!("value=\"{typed}\"")),
            "{form}: {}",
            page.body
        );
        assert!(!page.body.contains("<img"));
    }
    // A misspelt model is asked about.
    let doubt = "record=buy;;model=Nulva 61KK;;price=4";
    let page = desk.act("/stock?record=fund", "/stock/do", &fields(doubt));
    assert!(
        page.status == 200 && page.body.contains("name=\"sure\" value=\"Nulva 61K\""),
        "{}",
        page.body
    );
    assert_eq!(ledger_of(book.path()), before);
    let sure = format!("{doubt};;sure=Nulva 61K");
    assert_eq!(
        desk.act("/stock?record=fund", "/stock/do", &fields(&sure))
            .status,
        303
    );
    assert!(
        ledger_of(book.path())
            .lines()
            .last()
            .unwrap()
            .contains("Nulva 61K,")
    );
}

#[test]
fn a_form_sent_twice_writes_once_and_one_of_an_older_book_nothing() {
    let book = demo();
    let desk = DeskRun::open(book.path());
    let shown = desk.page("/stock?record=fund");
    let (seen, once) = (shown.hidden("seen"), shown.hidden("once"));
    let sent = [
        ("record", "fund"),
        ("amount", "12.50"),
        ("seen", &seen),
        ("once", &once),
    ];
    let answers: Vec<_> = std::thread::scope(|scope| {
        let send = || desk.post("/stock/do", &sent);
        let threads: Vec<_> = (0..4).map(|_| scope.spawn(send)).collect();
        threads
            .into_iter()
            .map(|thread| thread.join().unwrap())
            .collect()
    });
    let places: BTreeSet<&str> = answers
        .iter()
        .map(|answer| answer.header("location"))
        .collect();
    assert!(
        answers.iter().all(|answer| answer.status == 303) && places.len() == 1,
        "{answers:?}"
    );
    assert_eq!(ledger_of(book.path()).lines().count(), 2);
    // A command writes while the form is filled in.
    let old = desk.page("/stock?record=draw");
    out(book.path(), &["ledger", "fund", "7"]);
    let (seen, once) = (old.hidden("seen"), old.hidden("once"));
    let draw = [
        ("record", "draw"),
        ("amount", "3.25"),
        ("seen", &seen),
        ("once", &once),
    ];
    let page = desk.post("/stock/do", &draw);
    assert_eq!(page.status, 200);
    assert!(
        page.body.contains("The book changed meanwhile") && page.body.contains("value=\"3.25\""),
        "{}",
        page.body
    );
    assert_eq!(ledger_of(book.path()).lines().count(), 3);
    let (seen, once) = (page.hidden("seen"), page.hidden("once"));
    let draw = [
        ("record", "draw"),
        ("amount", "3.25"),
        ("seen", &seen),
        ("once", &once),
    ];
    assert_eq!(desk.post("/stock/do", &draw).status, 303);
    assert_eq!(ledger_of(book.path()).lines().count(), 4);
}

/// Pays 1 in until it is written; the page of a book that changed meanwhile is sent once more.
fn pay_in(desk: &DeskRun, note: &str) {
    for _ in 0..1_000 {
        let sent = [("record", "fund"), ("amount", "1"), ("note", note)];
        let answer = desk.act("/stock?record=fund", "/stock/do", &sent);
        if answer.status == 303 {
            return;
        }
        assert!(
            answer.body.contains("The book changed meanwhile"),
            "{}",
            answer.body
        );
    }
    panic!("{note} was never written");
}

#[test]
fn two_tabs_and_a_command_at_once_lose_nothing() {
    let dir = tempfile::tempdir().unwrap();
    out(dir.path(), &["init"]);
    let desk = DeskRun::open(dir.path());
    std::thread::scope(|scope| {
        for tab in ["one", "two"] {
            let desk = &desk;
            scope.spawn(move || (0..ENTRIES).for_each(|n| pay_in(desk, &format!("{tab} {n}."))));
        }
        scope.spawn(|| {
            for n in 0..ENTRIES {
                out(
                    dir.path(),
                    &["ledger", "fund", "1", "--note", &format!("command {n}.")],
                );
            }
        });
    });
    let entries = ledger_of(dir.path());
    assert_eq!(entries.lines().count(), 1 + 3 * ENTRIES);
    for writer in ["one", "two", "command"] {
        for n in 0..ENTRIES {
            let note = format!("{writer} {n}.");
            assert_eq!(entries.matches(&note).count(), 1, "{note}");
        }
    }
    let told = out(dir.path(), &["ledger", "--json"]);
    assert!(told.contains("90.00"), "{told}");
}

/// `kill -9` at any moment: what was answered is there, and the book opens as a whole.
#[test]
fn a_desk_killed_in_mid_write_leaves_a_whole_book() {
    let dir = tempfile::tempdir().unwrap();
    out(dir.path(), &["init"]);
    let mut written: Vec<String> = Vec::new();
    for round in 0..6_u64 {
        let desk = DeskRun::open(dir.path());
        let shown = desk.page("/stock?record=fund");
        let mut guards = (shown.hidden("seen"), shown.hidden("once"));
        let acknowledged = std::thread::scope(|scope| {
            let desk = &desk;
            let writer = scope.spawn(move || {
                let mut done = Vec::new();
                for n in 0.. {
                    let note = format!("round {round} entry {n}.");
                    let sent = [
                        ("record", "fund"),
                        ("amount", "1"),
                        ("note", &note),
                        ("seen", &guards.0),
                        ("once", &guards.1),
                    ];
                    if desk.try_post("/stock/do", &sent) != Some(303) {
                        return done;
                    }
                    done.push(note);
                    let Some(next) = desk.try_get("/stock?record=fund") else {
                        return done;
                    };
                    guards = (next.hidden("seen"), next.hidden("once"));
                }
                done
            });
            std::thread::sleep(Duration::from_millis(150 + 97 * round));
            let killed = Command::new("kill")
                .args(["-9", &desk.process().to_string()])
                .status();
            assert!(killed.unwrap().success());
            writer.join().unwrap()
        });
        written.extend(acknowledged);
        let entries = run(dir.path(), &["ledger", "entries"]);
        assert!(
            written.is_empty() || entries.status.success(),
            "{entries:?}"
        );
        let text = ledger_of(dir.path());
        for note in &written {
            assert_eq!(text.matches(note.as_str()).count(), 1, "{note}");
        }
    }
    assert!(!written.is_empty());
    // It can be written on.
    out(dir.path(), &["ledger", "fund", "1", "--note", "the last"]);
    assert!(out(dir.path(), &["ledger", "entries"]).contains("the last"));
}
