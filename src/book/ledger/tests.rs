//! Tests of the file of the ledger.

use std::fs;

use super::*;
use crate::trade::Unit;
use crate::trade::comp::PriceBasis;
use crate::trade::entry::{Account, Entry, Foreseen, Kind, Postings};
use crate::trade::items::Items;
use chrono::NaiveDate;

fn day(text: &str) -> NaiveDate {
    text.parse().unwrap()
}

fn dec(text: &str) -> Decimal {
    text.parse().unwrap()
}

fn full() -> Entry {
    Entry {
        deal: Some(3),
        postings: Postings::of(&[
            (Account::Stock, dec("47.00")),
            (Account::Cash, dec("-47.00")),
        ]),
        minutes: dec("12.5"),
        outlet: "parcel".into(),
        offers: Some(0),
        estimate: Some(Foreseen {
            likely: dec("148.16"),
            low: dec("130.64"),
            high: dec("168.56"),
            level: 80,
            basis: PriceBasis::Delivered,
        }),
        unit: Some(Unit {
            model: "Nulva 61K, \"grey\"".into(),
            variant: Some("grey".into()),
            completeness: Some("usable".into()),
            grade: Some("B".into()),
            missing: Items::parse("charger").unwrap(),
            extras: Items::parse("spare battery x2").unwrap(),
            defects: Items::parse("loose jack").unwrap(),
            attributes: Attributes::parse("storage=32").unwrap(),
            works: false,
            how_sold: Some(HowSold::Fixed),
            venue: None,
        }),
        quoted: Some(dec("60.00")),
        parts: parse_parts("display x2 = 44.00; cable x1 from 3 = 0.50").unwrap(),
        fits: vec!["Nulva 61K".into(), "Bolv 83V".into()],
        note: "from a flea market; \"as is\"".into(),
        ..Entry::blank(7, day("2026-03-01"), Kind::Buy)
    }
}

fn file(entries: &[Entry]) -> Vec<u8> {
    let rows = entries
        .iter()
        .map(|entry| line(cells(entry, "EUR")).unwrap());
    [line(columns()).unwrap()]
        .into_iter()
        .chain(rows)
        .collect::<Vec<_>>()
        .concat()
}

#[test]
fn entries_read_back_as_written() {
    let entries = [
        full(),
        Entry::blank(8, day("2026-03-02"), Kind::Describe),
        Entry {
            reverses: Some(7),
            postings: full().postings.reversed(),
            ..Entry::blank(9, day("2026-03-02"), Kind::Reverse)
        },
    ];
    let (read, problems) = rows(&file(&entries), "ledger.csv", "EUR").unwrap();
    assert_eq!(problems, []);
    let (lines, read): (Vec<u64>, Vec<Entry>) = read.into_iter().unzip();
    assert_eq!(read, entries);
    assert_eq!(lines, [2, 3, 4]);
    let marked = [b"\xef\xbb\xbf".to_vec(), file(&entries)].concat();
    assert_eq!(rows(&marked, "ledger.csv", "EUR").unwrap().0.len(), 3);
}

#[test]
fn changes_by_hand_are_reported() {
    let good = String::from_utf8(file(&[full()])).unwrap();
    for (old, new, message) in [
        (
            "-47.00",
            "-46.00",
            "row 2, column cash: found \"-46.00\": expected accounts that add up to 0, but these add up to 1.00",
        ),
        ("EUR", "SEK", "column currency: found \"SEK\": expected EUR"),
        (
            "2026-03-01",
            "1.3.26",
            "column day: found \"1.3.26\": expected a day as YYYY-MM-DD",
        ),
        (
            ",buy,",
            ",bought,",
            "column kind: found \"bought\": expected one of fund, draw, buy",
        ),
        (
            ",80,",
            ",180,",
            "column chance: found \"180\": expected per cent",
        ),
        (
            "storage=32",
            "storage",
            "column attributes: found \"storage\": expected names",
        ),
        (",.\n", "\n", "row 2: found"),
        ("entry,day", "day,entry", "row 1: found"),
    ] {
        let text = good.replace(old, new);
        assert_ne!(text, good, "{old}");
        let (read, problems) = rows(text.as_bytes(), "ledger.csv", "EUR").unwrap();
        assert_eq!((read.len(), problems.len()), (0, 1), "{old} {problems:?}");
        assert!(
            problems[0].to_string().contains(message),
            "{old}: {}",
            problems[0]
        );
    }
    let (_, problems) = rows(b"entry,\xff\n", "ledger.csv", "EUR").unwrap();
    assert_eq!(problems[0].expected, "UTF-8 text");
}

#[test]
fn a_ledger_of_an_older_version_is_read_and_gains_its_columns() {
    let dir = tempfile::tempdir().unwrap();
    let book = Book::init(dir.path()).unwrap();
    let lock = book.lock(&mut |_| {}).unwrap();
    let old: Vec<&str> = columns().filter(|name| !ADDED.contains(name)).collect();
    let plain = Entry {
        quoted: None,
        parts: Vec::new(),
        fits: Vec::new(),
        ..full()
    };
    let kept = columns().zip(cells(&plain, "EUR"));
    let kept = kept
        .filter(|(name, _)| !ADDED.contains(name))
        .map(|(_, cell)| cell);
    let bytes = [line(&old).unwrap(), line(kept).unwrap()].concat();
    book.append_to_ledger(&lock, &[full()]).unwrap();
    fs::write(book.ledger_path(), &bytes).unwrap();
    let read = |book: &Book| -> Vec<Entry> {
        let rows = book.ledger(&mut |text| panic!("{text}")).unwrap();
        rows.into_iter().map(|(_, entry)| entry).collect()
    };
    assert_eq!(read(&book), std::slice::from_ref(&plain));
    assert_eq!(
        fs::read(book.ledger_path()).unwrap(),
        bytes,
        "reading changes nothing"
    );
    let next = Entry {
        number: 8,
        ..full()
    };
    book.append_to_ledger(&lock, std::slice::from_ref(&next))
        .unwrap();
    assert_eq!(read(&book), [plain.clone(), next.clone()]);
    let all = fs::read(book.ledger_path()).unwrap();
    assert_eq!(all, file(&[plain.clone(), next.clone()]));
    let two = [9, 10].map(|number| Entry { number, ..full() });
    book.append_to_ledger(&lock, &two).unwrap();
    let [nine, ten] = two;
    assert_eq!(read(&book), [plain, next, nine, ten]);
}

#[test]
fn a_torn_line_is_repaired_before_the_next() {
    let dir = tempfile::tempdir().unwrap();
    let book = Book::init(dir.path()).unwrap();
    let lock = book.lock(&mut |_| {}).unwrap();
    book.append_to_ledger(&lock, &[full()]).unwrap();
    let next = Entry {
        number: 8,
        ..full()
    };
    book.append_to_ledger(&lock, &[next]).unwrap();
    let whole = fs::read(book.ledger_path()).unwrap();
    for cut in 1..60 {
        fs::write(book.ledger_path(), &whole[..whole.len() - cut]).unwrap();
        let mut notices = Vec::new();
        book.repair_ledger(&lock, &mut |text| notices.push(text.to_string()))
            .unwrap();
        assert_eq!(notices.len(), 1);
        let kept = book.ledger(&mut |text| panic!("{text}")).unwrap().len();
        // Only the line end is missing, or the mark before it as well.
        assert_eq!(kept, if cut == 1 { 2 } else { 1 }, "{cut}");
        assert_eq!(
            cut > 1,
            book.ledger_path()
                .with_file_name(format!("ledger-torn-{}.txt", cut.max(2) - 1))
                .exists()
        );
    }
    let open = [&line(columns()).unwrap()[..], b"1,\"a\n2,b\n"].concat();
    fs::write(book.ledger_path(), open).unwrap();
    let Err(BookError::Rows(problems)) = book.repair_ledger(&lock, &mut |_| {}) else {
        panic!("an open quote was taken for a torn line");
    };
    assert_eq!(problems[0].expected, "a closing double quote");
}
