//! Import: messy spreadsheets in, canonical comps or problems out.

use std::cell::RefCell;
use std::collections::HashMap;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::process::Output;

use chrono::NaiveDate;
use compband::book::csv::canonical;
use compband::book::rates::{Conversion, Rates};
use compband::parse::dates::DateOrder;
use compband::parse::money::DecimalMark;
use compband::settings::Settings;
use compband::sheets::header::{Column, parse_wish};
use compband::sheets::import::{Against, Plan, Reject, RejectsWriter, Witness, plan};
use compband::sheets::{Input, ReadOptions};
use compband::trade::Problem;
use compband::trade::comp::COLUMNS;
use proptest::prelude::*;

fn today() -> NaiveDate {
    NaiveDate::from_ymd_opt(2026, 3, 31).unwrap()
}

/// Everything a run told.
#[derive(Default)]
struct Heard {
    problems: Vec<String>,
    rejects: Vec<(String, String)>,
    rejects_file: Option<RejectsWriter<Vec<u8>>>,
}

impl Witness for Heard {
    fn problem(&mut self, problem: &Problem) -> io::Result<()> {
        self.problems.push(problem.to_string());
        Ok(())
    }

    fn reject(&mut self, input: &Input, reject: &Reject<'_>) -> io::Result<()> {
        self.rejects
            .push((reject.text.to_string(), reject.reason.to_string()));
        if self.rejects_file.is_none() {
            self.rejects_file = Some(RejectsWriter::new(Vec::new(), input)?);
        }
        self.rejects_file.as_mut().unwrap().write(reject)
    }
}

struct Run {
    plan: Plan,
    canonical: String,
    heard: Heard,
}

/// A book in memory: identifiers and content hashes.
#[derive(Default)]
struct Known(RefCell<HashMap<String, u64>>);

impl Known {
    fn import(&self, files: &[&[u8]], options: &ReadOptions) -> Result<Run, Vec<String>> {
        let mut inputs = Vec::new();
        for (number, bytes) in files.iter().enumerate() {
            let input = Input::from_bytes(&format!("file{number}.csv"), bytes.to_vec(), options);
            inputs.push(input.map_err(|problems| {
                problems.iter().map(ToString::to_string).collect::<Vec<_>>()
            })?);
        }
        let settings = Settings::default();
        let known = self.0.borrow().clone();
        let existing = |id: &str| known.get(id).copied();
        let rates = Rates::none(&settings);
        let against = Against {
            settings: &settings,
            existing: &existing,
            today: today(),
            conversion: Conversion {
                rates: &rates,
                kept: &|_, _, _| None,
            },
        };
        let (mut out, mut heard) = (Vec::new(), Heard::default());
        let plan = plan(&inputs, &against, &mut out, &mut heard).unwrap();
        let canonical = String::from_utf8(out).unwrap();
        for comp in comps(&canonical) {
            self.0
                .borrow_mut()
                .insert(comp.comp_id.clone(), comp.content_hash());
        }
        Ok(Run {
            plan,
            canonical,
            heard,
        })
    }
}

fn comps(canonical_text: &str) -> Vec<compband::trade::Comp> {
    let mut comps = Vec::new();
    let layout = canonical::Layout::Import(1);
    let problems = canonical::read(
        canonical_text.as_bytes(),
        "canonical",
        layout,
        &Settings::default(),
        &mut |row| comps.push(row.comp),
    );
    assert_eq!(problems.unwrap(), []);
    comps
}

fn import(text: &str) -> Run {
    import_with(text, &ReadOptions::default())
}

fn import_with(text: &str, options: &ReadOptions) -> Run {
    Known::default()
        .import(&[text.as_bytes()], options)
        .unwrap()
}

fn refused(text: &str) -> Vec<String> {
    match Known::default().import(&[text.as_bytes()], &ReadOptions::default()) {
        Ok(run) => run.heard.problems,
        Err(problems) => problems,
    }
}

#[test]
fn a_sheet_as_people_keep_it() {
    let run = import(
        "Sales of last year;;;;;;;;\n\n\
         Sale Date;ITEM;Condition;Sold for;Postage;Qty;Sold by;Faults;Comments\n\
         31/12/2025;Nulva 61K;b;1.234,50 €;free;;bids;Scratched  Lens;\"two\r\nlines\"\n\
         ;;;;;;;;\n\
         Sale Date;ITEM;Condition;Sold for;Postage;Qty;Sold by;Faults;Comments\n\
         3/2/2026 14:05;Tumrik QN 948;for parts;EUR 15;4,9;2;Best Offer;;=1+1\n",
    );
    assert_eq!(run.heard.problems, [] as [&str; 0]);
    let body = run.canonical.split_once('\n').unwrap().1;
    let without_ids: Vec<&str> = body.split_terminator(['\n']).collect();
    assert_eq!(without_ids.len(), 3);
    assert!(body.contains(
        ",2025-12-31,Nulva 61K,,,B,,,scratched lens,yes,1234.50,0.00,EUR,auction,,1,\"two\nlines\"\n"
    ));
    assert!(
        body.contains(",2026-02-03,Tumrik QN 948,,,,,,,no,15.00,4.90,EUR,offer,,2,=1+1\n"),
        "{body}"
    );
    let file = &run.plan.files[0];
    assert_eq!((file.rows, file.blank, file.repeated_headers), (2, 1, 1));
    assert_eq!(
        file.date_order.as_deref(),
        Some("day first, as row 4 is (31/12/2025)")
    );
}

#[test]
fn every_delimiter_and_encoding_gives_the_same() {
    let table = "date|item|price|note\n2026-01-02|Nulva 61K|12.50|caf\u{e9}; a, b\n2026-01-03|Bolv 83V|9|\n";
    let quoted = table.replace("caf\u{e9}; a, b", "\"caf\u{e9}; a, b\"");
    let expected = import(&quoted.replace('|', ",")).canonical;
    assert_eq!(comps(&expected)[0].note, "caf\u{e9}; a, b");
    for mark in [",", ";", "\t"] {
        let text = quoted.replace('|', mark);
        let utf16: Vec<u8> = [0xfeff]
            .into_iter()
            .chain(text.encode_utf16())
            .flat_map(u16::to_le_bytes)
            .collect();
        let latin: Vec<u8> = text
            .chars()
            .map(|c| u8::try_from(u32::from(c)).unwrap())
            .collect();
        let marked = format!("\u{feff}{text}").into_bytes();
        for bytes in [
            text.clone().into_bytes(),
            text.replace('\n', "\r\n").into_bytes(),
            utf16,
            latin,
            marked,
        ] {
            let run = Known::default()
                .import(&[&bytes], &ReadOptions::default())
                .unwrap();
            assert_eq!(run.canonical, expected);
        }
    }
}

#[test]
fn every_problem_is_told_in_one_run() {
    let problems = refused(
        "sold_on,model,completeness,grade,missing,works,price,shipping,currency,how_sold,lot_size\n\
         30/02/2026,,most,Q,strap x0,perhaps,-5,-1,U$,raffle,0\n\
         1989-12-31,Nulva 61K,,,,,NaN,inf,,,1.5\n\
         2026-04-02,Nulva 61K,,,,,0,,,,\n\
         46000,Nulva 61K,,parts,,yes,1.23456,$5,,,10001\n\
         2026-01-01,Nulva 61K,,,,,12\n\
         2026-01-01,\"Nulva 61K,,,,,12,,,,\n",
    );
    let expected = [
        "row 2, column sold_on: found \"30/02/2026\": expected a day that the calendar has",
        "row 2, column model: expected the model",
        "row 2, column completeness: found \"most\": expected a completeness of the scale: bare, usable",
        "row 2, column grade: found \"Q\": expected a grade of the scale: A, B, C, D",
        "row 2, column missing: found \"strap x0\"",
        "row 2, column works: found \"perhaps\"",
        "row 2, column price: found \"-5\": expected a price above 0; leave refunds",
        "row 2, column shipping: found \"-1\": expected 0 or more",
        "row 2, column currency: found \"U$\": expected a currency code of three letters",
        "row 2, column how_sold: found \"raffle\": expected one of bid, fixed price, haggled",
        "row 2, column lot_size: found \"0\"",
        "row 3, column sold_on: found \"1989-12-31\": expected a day from 1990 on",
        "row 3, column price: found \"NaN\": expected an amount of EUR",
        "row 3, column shipping: found \"inf\": expected an amount of EUR",
        "row 3, column lot_size: found \"1.5\"",
        "row 4, column sold_on: found \"2026-04-02\": expected a date that is not in the future",
        "row 4, column price: found \"0\": expected a price above 0; leave out what was given away",
        "row 5, column sold_on: found \"46000\": expected a date; as the day number of a spreadsheet this would be 2025-12-09",
        "row 5, column works: found \"yes\": expected no, since the grade is \"parts\"",
        "row 5, column price: found \"1.23456\": expected at most 4 decimals",
        "row 5, column shipping: found \"$5\": expected EUR only",
        "row 5, column lot_size: found \"10001\"",
        "row 6: found \"2026-01-01,Nulva 61K,,,,,12\": expected 11 cells as in the header, but the row has 7; add 4 cells",
        "row 7: found \"2026-01-01,\\\"Nulva 61K,,,,,12,,,,\": expected a closing quote",
    ];
    assert_eq!(problems.len(), expected.len(), "{problems:#?}");
    for (problem, expected) in problems.iter().zip(expected) {
        assert!(problem.contains(expected), "{problem}\nlacks\n{expected}");
        assert!(problem.contains("; "), "does not say how to fix: {problem}");
    }
}

#[test]
fn headers_that_do_not_do() {
    assert!(
        refused("")
            .concat()
            .contains("a header within the first 10 rows")
    );
    let problems = refused("whenever,prise\n1,2\n");
    assert!(problems[0].contains("a column for sold_on"), "{problems:?}");
    assert!(
        problems
            .iter()
            .any(|problem| problem.contains("--map \"prise=price\"")),
        "{problems:?}"
    );
    assert!(
        refused("date,sold,item,price\n")
            .concat()
            .contains("both stand for it")
    );
}

#[test]
fn a_blank_day_is_not_recorded_and_told() {
    let text =
        "date,item,price\n2026-01-02,Nulva 61K,12\n,Nulva 61K,13\n ,Nulva 61K,14\n,Nulva 61K,14\n";
    let book = Known::default();
    let import = |text: &str| book.import(&[text.as_bytes()], &ReadOptions::default());
    let run = import(text).unwrap();
    assert_eq!(run.heard.problems, [] as [&str; 0]);
    let file = &run.plan.files[0];
    // Two alike without a day are two sales, as two alike of one day are.
    assert_eq!((run.plan.new, file.undated, file.identical), (4, 3, 1));
    assert_eq!(file.first_undated, Some(3));
    let days: Vec<_> = comps(&run.canonical).iter().map(|c| c.sold_on).collect();
    assert_eq!(
        days,
        [NaiveDate::from_ymd_opt(2026, 1, 2), None, None, None]
    );
    // The same file again, and what was made of it, are the same sales.
    for again in [text, &run.canonical] {
        let again = import(again).unwrap();
        assert_eq!((again.plan.unchanged, again.plan.written()), (4, 0));
        assert_eq!(again.plan.files[0].undated, 3);
    }
    let text =
        "date,item,price\nunknown,Nulva 61K,13\n,Total,25\n,grand  TOTAL,25\n,\"Total:\",9\n";
    let run = import(text).unwrap();
    assert_eq!(run.heard.problems.len(), 1, "{:?}", run.heard.problems);
    assert!(
        run.heard.problems[0].contains("row 2, column date: found \"unknown\": expected a date")
    );
    assert_eq!((run.plan.files[0].sums, run.plan.new), (3, 0));
}

#[test]
fn a_sheet_without_days_needs_a_word() {
    let text = "item,price,Listed,When it went,note\nNulva 61K,12,2026-01-01,3/2/2026,2026-01-01\nNulva 61K,13,2026-01-04,,mint\n";
    let problems = refused(text);
    assert_eq!(problems.len(), 1);
    for said in [
        "a column for sold_on;",
        "--map \"Listed=sold_on\" or --map \"When it went=sold_on\", or",
        "come in with --undated",
    ] {
        assert!(problems[0].contains(said), "{problems:?}");
    }
    // A value for all rows that is blank says nothing.
    let blank = ReadOptions {
        fills: vec![(Column::SoldOn, " ".into())],
        ..ReadOptions::default()
    };
    assert!(Known::default().import(&[text.as_bytes()], &blank).is_err());
    let undated = ReadOptions {
        undated: true,
        ..ReadOptions::default()
    };
    let run = import_with(text, &undated);
    assert_eq!((run.plan.new, run.plan.files[0].undated), (2, 2));
    assert!(
        comps(&run.canonical)
            .iter()
            .all(|comp| comp.sold_on.is_none())
    );
    // A column of days that is recognised counts all the same.
    let run = import_with(&text.replace("When it went", "date"), &undated);
    assert_eq!(run.plan.files[0].undated, 1);
    let problems = refused("item,price\nNulva 61K,12\n");
    assert!(
        problems[0].contains("--map \"THEIR NAME=sold_on\""),
        "{problems:?}"
    );
}

#[test]
fn ambiguous_dates_are_read_in_the_order_of_the_book() {
    let text =
        "date,item,price\n3/4/2025,Nulva 61K,12\n5/6/2025,Nulva 61K,13\n7/7/2025,Nulva 61K,14\n";
    let run = import(text);
    assert_eq!(run.heard.problems, [] as [&str; 0]);
    let file = &run.plan.files[0];
    assert_eq!(
        file.date_order.as_deref(),
        Some("day first, as is usual for EUR")
    );
    let found = file.two_ways.as_ref().unwrap();
    let said = (
        found.rows,
        found.first,
        found.text.as_str(),
        found.read.as_str(),
    );
    assert_eq!(said, (2, 2, "3/4/2025", "2025-04-03"));
    // Dots are between day and month wherever such dates are written.
    let run = import(&text.replace('/', "."));
    assert_eq!((run.plan.new, &run.plan.files[0].two_ways), (3, &None));
    for (dates, day) in [
        (DateOrder::DayFirst, "2025-04-03"),
        (DateOrder::MonthFirst, "2025-03-04"),
    ] {
        let run = import_with(
            text,
            &ReadOptions {
                dates: Some(dates),
                ..ReadOptions::default()
            },
        );
        assert_eq!(
            (
                run.plan.new,
                comps(&run.canonical)[0]
                    .sold_on
                    .unwrap()
                    .to_string()
                    .as_str()
            ),
            (3, day)
        );
    }
    let run = import(&format!(
        "{text}31/1/2025,Nulva 61K,1\n1/31/2025,Nulva 61K,1\n30/1/2025,Nulva 61K,1\n"
    ));
    // Dates of both orders: no reading is taken for granted, whichever has more of them.
    assert_eq!(run.heard.problems.len(), 2, "{:?}", run.heard.problems);
    for (problem, row) in run.heard.problems.iter().zip(["row 2", "row 3"]) {
        assert!(
            problem.contains(row)
                && problem
                    .contains("day first in row 5 (31/1/2025), month first in row 6 (1/31/2025)"),
            "{problem}"
        );
    }
    assert_eq!(run.plan.new, 4);
}

#[test]
fn a_negative_zero_is_zero() {
    for shipping in ["-0", "-0.00", "(0.00)", "0-"] {
        let run = import(&format!(
            "date,item,price,shipping\n2026-01-01,Nulva 61K,12,{shipping}\n"
        ));
        assert!(
            run.canonical.contains(",12.00,0.00,EUR"),
            "{}",
            run.canonical
        );
        assert_eq!(comps(&run.canonical).len(), 1);
    }
}

#[test]
fn the_column_decides_a_lone_mark() {
    let price = |text: &str| comps(&import(text).canonical)[0].price.to_string();
    assert_eq!(
        price("date;item;price\n2026-01-01;Nulva 61K;1.234\n2026-01-01;Bolv 83V;5,50\n"),
        "1234.00"
    );
    assert_eq!(
        price("date;item;price\n2026-01-01;Nulva 61K;1.234\n2026-01-01;Bolv 83V;5.50\n"),
        "1.234"
    );
    let text = "date;item;price\n2026-01-01;Nulva 61K;1.234\n2026-01-01;Bolv 83V;1,500\n";
    let run = import(text);
    assert_eq!(run.heard.problems.len(), 1, "{:?}", run.heard.problems);
    assert!(
        run.heard.problems[0].contains("1.234 with a decimal point and 1234 with a decimal comma")
    );
    assert!(run.heard.problems[0].contains("--decimal point or --decimal comma"));
    let run = import_with(
        text,
        &ReadOptions {
            decimal: Some(DecimalMark::Comma),
            ..ReadOptions::default()
        },
    );
    assert_eq!(
        comps(&run.canonical)
            .iter()
            .map(|comp| comp.price.to_string())
            .collect::<Vec<_>>(),
        ["1234.00", "1.50"]
    );
}

#[test]
fn wishes_and_fills() {
    let options = ReadOptions {
        wishes: vec![
            parse_wish("When sold=sold_on").unwrap(),
            parse_wish("price=-").unwrap(),
            parse_wish("net=price").unwrap(),
        ],
        fills: vec![
            (
                compband::sheets::header::Column::Model,
                "Nulva 61K".to_string(),
            ),
            (compband::sheets::header::Column::Grade, "b".to_string()),
        ],
        ..ReadOptions::default()
    };
    let run = import_with(
        "when sold,price,net,grade\n2026-01-01,99,12,\n2026-01-02,99,13,A\n",
        &options,
    );
    let comps = comps(&run.canonical);
    assert_eq!(
        (
            comps[0].model.as_str(),
            comps[0].grade.as_str(),
            comps[0].price.to_string()
        ),
        ("Nulva 61K", "B", "12.00".into())
    );
    assert_eq!(comps[1].grade, "A");
}

#[test]
fn the_same_sale_again_changes_nothing() {
    let text = "date,item,price,note\n2026-01-01,Nulva 61K,12,\n2026-01-01,nulva 61k,12,\n2026-01-02,Bolv 83V,5,good\n";
    let book = Known::default();
    let options = ReadOptions::default();
    let first = book.import(&[text.as_bytes()], &options).unwrap();
    assert_eq!((first.plan.new, first.plan.files[0].identical), (3, 1));
    let again = book.import(&[text.as_bytes()], &options).unwrap();
    assert_eq!(
        (
            again.plan.unchanged,
            again.plan.written(),
            comps(&again.canonical).len()
        ),
        (3, 0, 0)
    );
    // Together or one after the other, the same sale in two files is one sale.
    let twice = Known::default()
        .import(&[text.as_bytes(), text.as_bytes()], &options)
        .unwrap();
    assert_eq!((twice.plan.new, twice.plan.files[1].repeated), (3, 3));
    let changed = book
        .import(&[text.replace("good", "better").as_bytes()], &options)
        .unwrap();
    assert_eq!((changed.plan.unchanged, changed.plan.updated), (2, 1));
    assert_eq!(changed.plan.updates[0].note, "better");
    let exported = book
        .import(&[first.canonical.as_bytes()], &options)
        .unwrap();
    assert_eq!(
        (exported.plan.unchanged, exported.plan.updated),
        (2, 1),
        "the note goes back"
    );
}

#[test]
fn one_identifier_is_one_sale() {
    let text = "id,date,item,price\nx1,2026-01-01,Nulva 61K,12\nx1,2026-01-01,Nulva 61K,12\nx1,2026-01-01,Nulva 61K,13\n";
    let run = import(text);
    assert_eq!(
        (
            run.plan.new,
            run.plan.files[0].repeated,
            run.plan.files[0].rejected
        ),
        (1, 1, 1)
    );
    assert!(
        run.heard.problems[0].contains("row 4, column id: found \"x1\""),
        "{:?}",
        run.heard.problems
    );
}

#[test]
fn a_written_identifier_does_not_hide_a_further_sale() {
    let derived = comps(&import("date,item,price\n2026-01-01,Nulva 61K,12\n").canonical)[0]
        .comp_id
        .clone();
    let run = import(&format!(
        "id,date,item,price\n{derived},2026-01-01,Nulva 61K,12\n,2026-01-01,Nulva 61K,12\n"
    ));
    assert_eq!((run.plan.new, run.plan.files[0].identical), (2, 1));
}

#[test]
fn rejected_rows_come_back_when_mended() {
    let run = import(
        "date;item;price;note\n2026-01-01;Nulva 61K;12;\n2026-01-02;Bolv 83V;twelve;\"a\n\"\"b\"\"\"\n2026-01-02;Bolv 83V\n",
    );
    assert_eq!((run.plan.new, run.heard.rejects.len()), (1, 2));
    assert_eq!(
        run.heard.rejects[0].0,
        "2026-01-02;Bolv 83V;twelve;\"a\n\"\"b\"\"\""
    );
    let file = String::from_utf8(run.heard.rejects_file.unwrap().finish().unwrap()).unwrap();
    assert!(
        file.starts_with("reason;date;item;price;note\n\"price: expected an amount of EUR"),
        "{file}"
    );
    let repaired = file
        .replace("twelve", "12")
        .replace(";Bolv 83V\n", ";Bolv 83V;7;\n");
    let again = import(&repaired);
    assert_eq!(again.heard.problems, [] as [&str; 0]);
    assert_eq!(
        (again.plan.new, comps(&again.canonical)[0].note.as_str()),
        (2, "a\n\"b\"")
    );
}

#[test]
fn huge_cells_are_problems() {
    let huge = "9".repeat(10 << 20);
    for column in [
        "comp_id", "sold_on", "model", "note", "price", "shipping", "missing", "lot_size", "works",
        "grade", "attr.a",
    ] {
        let mut cells: Vec<&str> = vec![
            "x",
            "2026-01-01",
            "Nulva 61K",
            "",
            "5",
            "",
            "",
            "",
            "",
            "",
            "",
        ];
        let columns = [
            "comp_id", "sold_on", "model", "note", "price", "shipping", "missing", "lot_size",
            "works", "grade", "attr.a",
        ];
        cells[columns.iter().position(|known| *known == column).unwrap()] = &huge;
        let problems = refused(&format!("{}\n{}\n", columns.join(","), cells.join(",")));
        assert_eq!(problems.len(), 1, "{column}");
        assert!(problems[0].len() < 1000, "{column}");
    }
}

#[test]
fn a_big_file_is_read_in_order() {
    let mut text = String::from("comp_id,sold_on,model,price,note\n");
    for row in 0..60_000 {
        let price = if row % 20_000 == 7 { "none" } else { "12.50" };
        text.push_str(&format!(
            "s{row},2026-01-01,Nulva 61K,{price},\"row, {row}\"\n"
        ));
    }
    let run = import(&text);
    let rows: Vec<&str> = run
        .heard
        .problems
        .iter()
        .map(|problem| &problem[..problem.find(", column").unwrap()])
        .collect();
    assert_eq!(
        rows,
        [
            "file0.csv, row 9",
            "file0.csv, row 20009",
            "file0.csv, row 40009"
        ]
    );
    let notes: Vec<String> = comps(&run.canonical)
        .into_iter()
        .map(|comp| comp.note)
        .collect();
    let expected: Vec<String> = (0..60_000)
        .filter(|row| row % 20_000 != 7)
        .map(|row| format!("row, {row}"))
        .collect();
    assert_eq!(notes, expected);
}

#[test]
fn attributes_are_read_in_the_style_of_the_file() {
    let options = ReadOptions {
        wishes: vec![parse_wish("Health (%)=attr.battery_health").unwrap()],
        ..ReadOptions::default()
    };
    let run = import_with(
        "date;item;price;Attr Storage;Health (%);attr.shots\n\
         2026-01-01;Nulva 61K;1.234,50;256 GB;87,5 %;120.000\n\
         2026-01-02;Nulva 61K;12;512gb; ;\n\
         2026-01-03;Nulva 61K;12;;;1,5\n",
        &options,
    );
    assert_eq!(run.heard.problems, [] as [&str; 0]);
    assert!(
        run.canonical
            .lines()
            .next()
            .unwrap()
            .ends_with(",note,attr.battery health,attr.shots,attr.storage")
    );
    let texts: Vec<String> = comps(&run.canonical)
        .iter()
        .map(|comp| comp.attributes.to_string())
        .collect();
    assert_eq!(
        texts,
        [
            "battery health=87.5; shots=120000; storage=256",
            "storage=512",
            "shots=1.5"
        ]
    );
}

#[test]
fn attributes_that_cannot_be_taken() {
    let problems = refused(
        "date,item,price,attr.storage,attr.shots\n\
         2026-01-01,Nulva 61K,12,256 GB,120,000\n\
         2026-01-01,Nulva 61K,12,1 TB,\"120,000\"\n\
         2026-01-02,Nulva 61K,13,much,1e3\n\
         2026-01-02,Nulva 61K,13,0.00001,5-10\n",
    );
    let found = [
        "row 2: found \"2026-01-01,Nulva 61K,12,256 GB,120,000\": expected 5 cells",
        "row 3, column attr.storage: found \"1 TB\": expected a number in GB, as row 2 is",
        "row 3, column attr.shots: found \"120,000\": expected one reading",
        "row 4, column attr.storage: found \"much\": expected a number, with a unit or none",
        "row 4, column attr.shots: found \"1e3\": expected a number, with a unit or none",
        "row 5, column attr.storage: found \"0.00001\": expected at most 4 decimals",
        "row 5, column attr.shots: found \"5-10\": expected a number, with a unit or none",
    ];
    assert_eq!(problems.len(), found.len(), "{problems:#?}");
    for (problem, found) in problems.iter().zip(found) {
        assert!(problem.contains(found), "{problem}");
    }
}

#[test]
fn files_with_other_attributes_are_one_import() {
    let book = Known::default();
    let files: [&[u8]; 2] = [
        b"date,item,price,attr.storage\n2026-01-01,Nulva 61K,12,64\n2026-01-01,Nulva 61K,12,64\n",
        b"date,item,price,attr.memory\n2026-01-01,Nulva 61K,12,8\n2026-01-01,Nulva 61K,12,\n",
    ];
    let run = book.import(&files, &ReadOptions::default()).unwrap();
    assert_eq!((run.plan.new, run.plan.files[0].identical), (4, 1));
    let texts: Vec<String> = comps(&run.canonical)
        .iter()
        .map(|comp| comp.attributes.to_string())
        .collect();
    assert_eq!(texts, ["storage=64", "storage=64", "memory=8", ""]);
    let told = |file: usize| {
        let undeclared = run.plan.files[file].undeclared.iter();
        undeclared
            .map(|(attribute, found)| (attribute.as_str(), found.first, found.rows))
            .collect::<Vec<_>>()
    };
    assert_eq!(
        (told(0), told(1)),
        (vec![("storage", 2, 2)], vec![("memory", 2, 1)])
    );
    let again = book.import(&files, &ReadOptions::default()).unwrap();
    assert_eq!(again.plan.unchanged, 4);
}

/// A book on disk and the program run in it.
struct Shop(tempfile::TempDir);

impl Shop {
    fn new() -> Self {
        let shop = Self(tempfile::tempdir().unwrap());
        assert!(shop.run(&["init"]).status.success());
        shop
    }

    fn path(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    fn write(&self, name: &str, text: &str) {
        fs::write(self.path(name), text).unwrap();
    }

    fn read(&self, name: &str) -> String {
        fs::read_to_string(self.path(name)).unwrap()
    }

    fn run(&self, args: &[&str]) -> Output {
        let mut command = assert_cmd::Command::cargo_bin("compband").unwrap();
        command
            .current_dir(self.0.path())
            .env_remove("COMPBAND_BOOK")
            .env("NO_COLOR", "1")
            .args(args)
            .output()
            .unwrap()
    }

    /// Runs, checks the exit code and returns both streams.
    fn told(&self, args: &[&str], code: i32) -> (String, String) {
        let output = self.run(args);
        let [out, err] =
            [output.stdout, output.stderr].map(|bytes| String::from_utf8(bytes).unwrap());
        assert_eq!(output.status.code(), Some(code), "{args:?}\n{out}\n{err}");
        (out, err)
    }

    /// Every file outside the program's own folder, with its content.
    fn files(&self) -> Vec<(PathBuf, Vec<u8>)> {
        fn walk(dir: &Path, files: &mut Vec<(PathBuf, Vec<u8>)>) {
            for entry in fs::read_dir(dir).unwrap() {
                let path = entry.unwrap().path();
                if path.is_dir() && !path.ends_with(".compband") {
                    walk(&path, files);
                } else if path.is_file() {
                    files.push((path.clone(), fs::read(&path).unwrap()));
                }
            }
        }
        let mut files = Vec::new();
        walk(self.0.path(), &mut files);
        files.sort();
        files
    }
}

const ONE_WRONG: &str = "date,item,price\n2026-01-01,Nulva 61K,12\n2026-01-02,Bolv 83V,twelve\n2026-01-03,Tumrik QN 948,9\n";

#[test]
fn all_or_nothing() {
    let shop = Shop::new();
    shop.write("sales.csv", ONE_WRONG);
    let before = shop.files();
    let (_, err) = shop.told(&["import", "sales.csv"], 3);
    assert!(
        err.contains("sales.csv, row 3, column price: found \"twelve\""),
        "{err}"
    );
    assert!(
        err.contains("1 problem; nothing was imported") && err.contains("--keep-good"),
        "{err}"
    );
    assert_eq!(shop.files(), before);
    shop.told(&["import", "sales.csv", "--keep-good", "--dry-run"], 0);
    assert_eq!(shop.files(), before);
}

#[test]
fn clean_rows_are_kept_and_the_others_set_aside() {
    let shop = Shop::new();
    shop.write("sales.csv", ONE_WRONG);
    shop.write("sales-rejected.csv", "mine");
    let (out, _) = shop.told(
        &[
            "import",
            "sales.csv",
            "--keep-good",
            "--problems",
            "problems.csv",
        ],
        0,
    );
    assert!(
        out.contains("Sales: 2 new.") && out.contains("1 row set aside in sales-rejected-2.csv"),
        "{out}"
    );
    assert_eq!(shop.read("sales-rejected.csv"), "mine");
    assert!(
        shop.read("sales-rejected-2.csv")
            .ends_with(",2026-01-02,Bolv 83V,twelve\n")
    );
    assert!(
        shop.read("problems.csv")
            .starts_with("file,row,column,value,expected,how_to_mend\nsales.csv,3,price,twelve,")
    );
    let repaired = shop.read("sales-rejected-2.csv").replace("twelve", "12");
    shop.write("sales-rejected-2.csv", &repaired);
    let (out, _) = shop.told(&["import", "sales-rejected-2.csv"], 0);
    assert!(out.contains("Sales: 1 new."), "{out}");
    let (out, _) = shop.told(&["import", "sales-rejected-2.csv"], 0);
    assert!(
        out.contains("The book already has 1 sale, unchanged: nothing was changed."),
        "{out}"
    );
    // A file of the user's is never taken for a place to write problems or rejects to.
    shop.told(&["import", "sales.csv", "--problems", "sales.csv"], 2);
    shop.told(
        &[
            "import",
            "sales.csv",
            "--keep-good",
            "--rejects",
            "sales.csv",
        ],
        2,
    );
    assert_eq!(shop.read("sales.csv"), ONE_WRONG);
}

#[test]
fn updates_are_shown_old_to_new_and_undone() {
    let shop = Shop::new();
    shop.write(
        "a.csv",
        "id,date,item,price,note\nx1,2026-01-01,Nulva 61K,12,\n",
    );
    shop.told(&["import", "a.csv"], 0);
    shop.write(
        "b.csv",
        "id,date,item,price,note\nx1,2026-01-01,Nulva 61K,13.5,good\nx2,2026-01-02,Bolv 83V,5,\n",
    );
    let (out, _) = shop.told(&["import", "b.csv"], 0);
    assert!(
        out.contains("x1: price 12.00 → 13.50, note (blank) → good\n"),
        "{out}"
    );
    assert!(out.contains("Sales: 1 new, 1 changed."), "{out}");
    shop.told(&["undo"], 0);
    let (out, _) = shop.told(&["import", "a.csv"], 0);
    assert!(out.contains("nothing was changed"), "{out}");
}

#[test]
fn a_mapping_is_saved_and_used() {
    let shop = Shop::new();
    let before = shop.read("compband.toml");
    shop.write(
        "sheet.csv",
        "When it went,Thing,Money \"net\",Fee\n1 Feb 2026,Nulva 61K,12,1\n",
    );
    let maps = [
        "--map",
        "When it went=sold_on",
        "--map",
        "Thing=model",
        "--map",
        "Money \"net\"=price",
        "--map",
        "Fee=",
    ];
    let save = ["import", "sheet.csv", "--save-mapping", "my shop"]
        .into_iter()
        .chain(maps)
        .collect::<Vec<_>>();
    shop.told(&save, 0);
    let after = shop.read("compband.toml");
    assert!(
        after.starts_with(&before)
            && after.contains("\"Thing\" = \"model\"") | after.contains("Thing = \"model\""),
        "{after}"
    );
    let (out, err) = shop.told(&["import", "sheet.csv", "--mapping", "my shop"], 0);
    assert!(
        out.contains("The book already has 1 sale") && err.is_empty(),
        "{out}{err}"
    );
    shop.told(&save, 2);
    shop.told(&["import", "sheet.csv", "--mapping", "my shp"], 2);
    let (_, err) = shop.told(&["import", "sheet.csv", "--map", "Thin=model"], 3);
    assert!(err.contains("did you mean \"Thing\"?"), "{err}");
}

const FAMILIES: &str = r#"
[families.readers]
models = ["Nulva 61K", "Bolv 83V"]
attributes.storage = { unit = "GB", scale = "doubling", sign = "up", rule = "3 to 12 %" }
attributes.battery_health = { unit = "%", rule = "0 to 1 %" }
"#;

#[test]
fn attributes_are_held_against_the_settings() {
    let shop = Shop::new();
    shop.write("compband.toml", FAMILIES);
    shop.write(
        "a.csv",
        "date,item,price,attr.storage,attr.shots\n2026-01-01,nulva 61k,12,1 TB,5\n2026-01-01,Nulva 61K,12,0,5\n",
    );
    let (_, err) = shop.told(&["import", "a.csv"], 3);
    assert!(
        err.contains("row 2, column attr.storage: found \"1 TB\": expected a number in GB, as compband.toml says")
            && err.contains("row 3, column attr.storage: found \"0\": expected a number above 0"),
        "{err}"
    );
    shop.write(
        "a.csv",
        "date,item,price,Size,Attr.Battery Health,attr.shots\n\
         2026-01-01,Nulva 61K,12,256 GB,87 %,5\n\
         2026-01-02,Nulva 61K,13,512,,6\n\
         2026-01-03,Tumrik QN 948,14,8,,\n",
    );
    let (out, err) = shop.told(
        &[
            "import",
            "a.csv",
            "--map",
            "Size=Attr.Storage",
            "--save-mapping",
            "sizes",
        ],
        0,
    );
    assert!(out.contains("Size = attr.storage"), "{out}");
    let said = "Kept, but estimates do not use it until compband.toml declares it: attr.shots (2\nrows), attr.storage (1 \
                row). To declare what moves the price, write lines like\nthese there:\n\n";
    let (_, lines) = out.split_once(said).unwrap_or_else(|| panic!("{out}"));
    let (lines, _) = lines.split_once("\n`compband check`").unwrap();
    assert_eq!(
        lines,
        "[families.readers.attributes.shots]\nscale = \"doubling\"\nsign = \"either\"\nrule = \"-30 to 30 %\"\n\
         [families.storage]\nmodels = [\"Tumrik QN 948\"]\n\
         attributes.storage = { scale = \"doubling\", sign = \"either\", rule = \"-30 to 30 %\" }\n"
    );
    assert!(err.is_empty(), "{err}");
    let (out, _) = shop.told(&["import", "a.csv", "--mapping", "sizes"], 0);
    assert!(
        out.contains("The book already has 3 sales, unchanged"),
        "{out}"
    );
    // Once the lines are in the settings nothing is left to say.
    let settings = fs::read_to_string(shop.path("compband.toml")).unwrap();
    shop.write("compband.toml", &format!("{settings}\n{lines}"));
    let (out, err) = shop.told(&["import", "a.csv", "--mapping", "sizes"], 0);
    assert!(!out.contains("declare") && err.is_empty(), "{out} {err}");
    shop.write("compband.toml", &settings);
    let (out, _) = shop.told(&["comps"], 0);
    assert!(
        out.contains("battery health 87 %; shots 5; storage 256 GB"),
        "{out}"
    );
    // What goes out comes in again as it was.
    let (csv, _) = shop.told(&["comps", "--csv"], 0);
    assert!(csv.starts_with(&format!(
        "{},attr.battery health,attr.shots,attr.storage\n",
        COLUMNS.join(",")
    )));
    let other = Shop::new();
    other.write("all.csv", &csv);
    other.told(&["import", "all.csv"], 0);
    assert_eq!(other.told(&["comps", "--csv"], 0).0, csv);
    shop.write("all.csv", &csv);
    let (out, _) = shop.told(&["import", "all.csv"], 0);
    assert!(
        out.contains("The book already has 3 sales, unchanged"),
        "{out}"
    );
    // Only the columns that the rows shown have.
    let (csv, _) = shop.told(&["comps", "--csv", "--model", "Tumrik QN 948"], 0);
    assert!(csv.contains(",note,attr.storage\n"), "{csv}");
}

#[test]
fn changed_attributes_are_shown_old_to_new() {
    let shop = Shop::new();
    shop.write(
        "a.csv",
        "id,date,item,price,attr.a,attr.b\nx1,2026-01-01,Nulva 61K,12,1,2\n",
    );
    shop.told(&["import", "a.csv"], 0);
    shop.write(
        "b.csv",
        "id,date,item,price,attr.a,attr.c\nx1,2026-01-01,Nulva 61K,12,1.5,3\n",
    );
    let (out, _) = shop.told(&["import", "b.csv"], 0);
    assert!(
        out.contains("x1: attr.a 1 → 1.5, attr.b 2 → (blank), attr.c (blank) → 3\n"),
        "{out}"
    );
}

#[test]
fn several_files_are_one_import() {
    let shop = Shop::new();
    shop.write("a.csv", "date,item,price\n2026-01-01,Nulva 61K,12\n");
    shop.write("b.csv", "date;item;price\n2026-01-02;Bolv 83V;5,50\n");
    shop.told(&["import", "a.csv", "b.csv"], 0);
    assert_eq!(fs::read_dir(shop.path("comps")).unwrap().count(), 1);
    shop.told(&["import", "a.csv", "none.csv"], 1);
}

/// Cells that look like something now and then.
fn cell() -> impl Strategy<Value = String> {
    prop_oneof![
        3 => any::<String>(),
        3 => "[0-9.,/ '()$€-]{0,14}",
        2 => "[a-z;x0-9 ]{0,12}",
        1 => Just("2026-01-01".to_string()),
        1 => Just("12.50".to_string()),
        1 => Just("NaN".to_string()),
        1 => Just(String::new()),
    ]
}

proptest! {
    #[test]
    fn no_bytes_panic(bytes in prop::collection::vec(any::<u8>(), 0..400)) {
        let _ = Known::default().import(&[&bytes], &ReadOptions::default());
        let mut with_header = b"sold_on,model,price,note\n".to_vec();
        with_header.extend(bytes);
        let _ = Known::default().import(&[&with_header], &ReadOptions::default());
    }

    #[test]
    fn no_cut_panics(at in 0_usize..300) {
        let text = "date;item;price;missing;note\n31/12/2025;Nulva 61K;1.234,50 €;strap x2;\"é\n\"\"x\"\"\"\n1/2/2026;Bolv 83V;5;;\n";
        let bytes = &text.as_bytes()[..at.min(text.len())];
        let _ = Known::default().import(&[bytes], &ReadOptions::default());
    }

    #[test]
    fn what_is_taken_reads_back_and_the_rest_is_told(
        rows in prop::collection::vec(prop::collection::vec(cell(), 19), 1..8),
        sound in any::<bool>(),
    ) {
        let mut writer = csv::Writer::from_writer(Vec::new());
        writer.write_record(COLUMNS.iter().chain(&["attr.battery health", "Attr.Storage"])).unwrap();
        for mut row in rows {
            if sound {
                let sound_cells = [(1, "2026-01-01"), (2, "Nulva 61K"), (4, "full"), (5, "a"), (9, "y"), (10, "12.345"), (11, ""), (12, ""), (13, "bids"), (15, "2")];
                for (at, text) in sound_cells {
                    row[at] = text.to_string();
                }
            }
            writer.write_record(&row).unwrap();
        }
        let bytes = writer.into_inner().unwrap();
        let book = Known::default();
        let run = book.import(&[&bytes], &ReadOptions::default()).unwrap();
        let file = &run.plan.files[0];
        prop_assert_eq!(file.rows, run.plan.new + file.rejected + file.repeated);
        prop_assert_eq!(file.rejected > 0, !run.heard.problems.is_empty());
        // `comps` refuses what the strict reader of the book would not take.
        let taken = comps(&run.canonical);
        prop_assert_eq!(taken.len() as u64, run.plan.new);
        let again = book.import(&[run.canonical.as_bytes()], &ReadOptions::default()).unwrap();
        prop_assert_eq!(again.heard.problems, Vec::<String>::new());
        prop_assert_eq!(again.plan.unchanged, run.plan.new);
    }
}
