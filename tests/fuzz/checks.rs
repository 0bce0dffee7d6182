//! What must hold whatever is read: nothing panics, every refusal says something, what is taken reads
//! back. The seeded fuzzer of `tests/it/fuzz.rs` and the targets of cargo-fuzz share it; each of these
//! uses a part.
#![allow(dead_code)]

use std::collections::{BTreeMap, HashMap};
use std::fs;
use std::path::Path;

use chrono::NaiveDate;
use compband::app::attributes::read_attributes;
use compband::app::ledger::Nets;
use compband::app::listings::{listings, parse_wish as parse_listing_wish};
use compband::book::csv::canonical::{self, Layout};
use compband::book::csv::formula;
use compband::book::rates::{Conversion, Rates};
use compband::book::{Book, BookError, watch};
use compband::cli::parse_day;
use compband::deal::ledger::Ledger;
use compband::deal::outlet::Terms;
use compband::parse::attribute::attribute_value;
use compband::parse::dates::{DateOrder, WrittenDate, read_date};
use compband::parse::money::{looks_like_amount, parse_amount, read_quantity};
use compband::parse::quantity::number;
use compband::parse::repairs::{chance, minutes, repair, repairs};
use compband::render::document::ledger::document;
use compband::render::journal::journal;
use compband::render::ledger::{Content, postings_csv, sheet};
use compband::settings::{Settings, Values};
use compband::sheets::header::parse_wish;
use compband::sheets::import::{Against, Plan, Reject, RejectsWriter, Witness, plan};
use compband::sheets::{Input, ReadOptions};
use compband::trade::comp::COLUMNS;
use compband::trade::money::MOST_MONEY;
use compband::trade::range::Range;
use compband::trade::{Attributes, Comp, Currency, Items, Problem};
use rust_decimal::Decimal;

/// The settings of the demo.
pub fn demo_settings() -> Settings {
    let text = include_str!("../../demo/compband.toml");
    Settings::parse(text, Path::new("compband.toml")).unwrap()
}

fn today() -> NaiveDate {
    NaiveDate::from_ymd_opt(2026, 12, 1).unwrap()
}

#[derive(Default)]
struct Notices {
    problems: Vec<Problem>,
    /// Text, reason, and whether the quotes are at fault.
    rejects: Vec<(String, String, bool)>,
}

impl Witness for Notices {
    fn problem(&mut self, problem: &Problem) -> std::io::Result<()> {
        self.problems.push(problem.clone());
        Ok(())
    }

    fn reject(&mut self, _: &Input, reject: &Reject<'_>) -> std::io::Result<()> {
        self.rejects
            .push((reject.text.into(), reject.reason.into(), reject.flawed));
        Ok(())
    }
}

/// Every problem names its file and what was expected, without a character that a terminal obeys.
fn each_says_something(problems: &[Problem]) {
    assert!(!problems.is_empty());
    for problem in problems {
        let said = problem.to_string();
        let visible = said.chars().all(|c| !c.is_control());
        let says = !problem.expected.is_empty() && !problem.file.is_empty();
        assert!(visible && says, "{said:?}");
    }
}

/// A sheet as a user hands it in; how many comps were taken.
///
/// The rows taken are read again from the canonical file, which changes nothing when it is imported
/// itself; the rows refused are a sheet again.
pub fn import(bytes: &[u8], settings: &Settings, undated: bool) -> u64 {
    let options = ReadOptions {
        undated,
        ..ReadOptions::default()
    };
    let input = match Input::from_bytes("a.csv", bytes.to_vec(), &options) {
        Ok(input) => input,
        Err(problems) => {
            each_says_something(&problems);
            return 0;
        }
    };
    let inputs = [input];
    let (plan, canonical, heard) = planned(&inputs, settings, &HashMap::new());
    if plan.problems > 0 {
        each_says_something(&heard.problems);
        let mut rejects = RejectsWriter::new(Vec::new(), &inputs[0]).unwrap();
        for (text, reason, flawed) in &heard.rejects {
            assert!(!reason.is_empty());
            let reject = Reject {
                text,
                flawed: *flawed,
                reason,
            };
            rejects.write(&reject).unwrap();
        }
        let again = rejects.finish().unwrap();
        if let Err(problems) = Input::from_bytes("rejects.csv", again, &options) {
            each_says_something(&problems);
        }
    }
    let mut comps: Vec<Comp> = Vec::new();
    let layout = Layout::Import(1);
    let wrong = canonical::read(&canonical[..], "b.csv", layout, settings, &mut |row| {
        comps.push(row.comp);
    });
    assert_eq!(wrong.unwrap(), []);
    let taken = comps.len() as u64;
    assert_eq!(taken, plan.written());
    // A file of the book is no CSV for other programs: of what looks as if it were, import takes an apostrophe.
    let kept = |cell: &String| formula::original(cell) == cell;
    if taken > 0 && comps.iter().all(|comp| comp.cells().iter().all(kept)) {
        let known = comps
            .iter()
            .map(|comp| (comp.comp_id.clone(), comp.content_hash()))
            .collect();
        let options = ReadOptions {
            undated: true,
            ..ReadOptions::default()
        };
        let again = Input::from_bytes("b.csv", canonical, &options).unwrap();
        let (plan, _, heard) = planned(&[again], settings, &known);
        assert_eq!(heard.problems, []);
        assert_eq!((plan.unchanged, plan.written()), (taken, 0));
    }
    taken
}

/// Rates of currencies that sheets to be damaged have.
pub const RATES: &str =
    "date,currency,rate,source\n2026-03-01,XCU,0.9132,list\n2026-03-09,XTS,2,\"a, b\"\n";

/// A file of rates; whether it was taken.
pub fn rates(bytes: &[u8], settings: &Settings) -> bool {
    let rates = match Rates::parse(bytes, "rates.csv", settings) {
        Ok(rates) => rates,
        Err(problems) => {
            each_says_something(&problems);
            return false;
        }
    };
    let day = NaiveDate::from_ymd_opt(2026, 3, 5).unwrap();
    for code in ["XCU", "XTS"] {
        match rates.on(code, day) {
            Ok(rate) => assert!(rate.value > Decimal::ZERO && rate.date <= day),
            Err(wrong) => assert!(!wrong.expected.is_empty() && !wrong.fix.is_empty()),
        }
    }
    true
}

fn planned(
    inputs: &[Input],
    settings: &Settings,
    known: &HashMap<String, u64>,
) -> (Plan, Vec<u8>, Notices) {
    let rates = Rates::parse(RATES.as_bytes(), "rates.csv", settings).unwrap();
    let against = Against {
        settings,
        existing: &|id| known.get(id).copied(),
        today: today(),
        conversion: Conversion {
            rates: &rates,
            kept: &|_, _, _| None,
        },
    };
    let (mut canonical, mut heard) = (Vec::new(), Notices::default());
    let plan = plan(inputs, &against, &mut canonical, &mut heard).unwrap();
    (plan, canonical, heard)
}

/// Settings; whether they were taken. Those that are bear the largest prices.
pub fn settings(text: &str) -> bool {
    let settings = match Settings::parse(text, Path::new("compband.toml")) {
        Ok(settings) => settings,
        Err(error) => {
            let said = error.to_string();
            let says = said.starts_with("compband.toml") && said.len() > 20;
            assert!(says, "{said:?}");
            return false;
        }
    };
    for outlet in settings.outlets.values() {
        let Ok(terms) = Terms::new(outlet, &settings.shipping, &settings.currency, None, None)
        else {
            continue;
        };
        for price in [Decimal::ZERO, Decimal::ONE, Decimal::from(MOST_MONEY)] {
            let net = terms.net(price);
            assert_eq!(
                net.lines.iter().map(|line| line.amount).sum::<Decimal>(),
                net.net
            );
            if let Some(needed) = terms.price_for(price) {
                assert!(terms.net(needed.least).net >= price);
            }
        }
    }
    true
}

/// A value as it is typed on the command line or in a cell; whether a reader takes it.
pub fn value(text: &str, settings: &Settings) -> bool {
    let currency = &settings.currency;
    if let Ok(items) = Items::parse(text) {
        assert_eq!(Items::parse(&items.to_string()), Ok(items));
    }
    let values = Values::of(settings);
    let all = |_: &str| true;
    for list in [values.list(text, |_| false), values.list(text, all)] {
        match list {
            Ok(list) => assert_eq!(Items::parse(&list.items.to_string()), Ok(list.items)),
            Err(entry) => assert!(!entry.is_empty()),
        }
    }
    for column in ["grade", "completeness"] {
        if let Some(name) = values.on_scale(column, text) {
            assert_eq!(values.on_scale(column, name), Some(name));
        }
    }
    if let Some(Some(how)) = values.how_sold(text) {
        assert_eq!(values.how_sold(how.word()), Some(Some(how)));
        assert_eq!(values.how_sold(how.as_str()), Some(Some(how)));
    }
    let _ = (values.works(text), looks_like_amount(text));
    if let Ok(written) = parse_day(text) {
        let orders = [DateOrder::DayFirst, DateOrder::MonthFirst];
        let days = orders.map(|order| written.day(order).unwrap());
        assert_eq!(written.two_ways().is_some(), days[0] != days[1], "{text}");
    }
    if let Ok(attributes) = Attributes::parse(text) {
        let again = Attributes::parse(&attributes.to_string());
        assert_eq!(again, Ok(attributes));
    }
    if let Ok(amount) = parse_amount(text, currency) {
        assert_eq!(parse_amount(&amount.to_string(), currency), Ok(amount));
    }
    if let Ok(WrittenDate::Numbers(date)) = read_date(text) {
        let days = [DateOrder::DayFirst, DateOrder::MonthFirst].map(|order| date.day(order));
        let certain = date.certain();
        assert!(certain.is_none() || days.contains(&certain), "{date:?}");
    }
    if let Ok(repair) = repair(text, currency) {
        let sound = !repair.parts.is_sign_negative() && (0.0..=1.0).contains(&repair.success);
        assert!(sound, "{repair:?}");
    }
    let says_what: [Result<(), String>; 9] = [
        Range::parse(text).map(drop),
        parse_amount(text, currency).map(drop),
        parse_wish(text).map(drop),
        parse_listing_wish(text).map(drop),
        parse_day(text).map(drop),
        repairs(text, currency).map(drop),
        minutes(text).map(drop),
        chance(text).map(drop),
        attribute_value(text, None).map(drop),
    ];
    let taken = says_what.iter().any(Result::is_ok);
    for wrong in says_what.into_iter().filter_map(Result::err) {
        assert!(!wrong.is_empty());
    }
    let _ = Currency::parse(text);
    let _ = read_quantity(text);
    let _ = number(text, "%");
    let _ = watch::name_fault(text);
    let mut problems = Vec::new();
    read_attributes(&[text.into()], "Tumrik QN 948", settings, &mut problems);
    if !problems.is_empty() {
        each_says_something(&problems);
    }
    for column in COLUMNS {
        if let Err(wrong) = canonical::check(column, text, settings) {
            assert!(!wrong.expected.is_empty(), "{column}");
        }
    }
    taken
}

/// The file of a book's ledger; whether it was taken.
pub fn ledger(bytes: &[u8], book: &Book) -> bool {
    let path = book.ledger_path();
    fs::create_dir_all(path.parent().unwrap()).unwrap();
    fs::write(path, bytes).unwrap();
    let entries = match book.ledger(&mut |notice| assert!(!notice.is_empty())) {
        Ok(entries) => entries,
        Err(BookError::Rows(problems)) => {
            each_says_something(&problems);
            return false;
        }
        Err(error) => panic!("{error}"),
    };
    let currency = &book.settings().currency;
    let mut ledger = Ledger::new(currency.decimals());
    let mut whole = true;
    for (_, entry) in entries {
        if let Err(refusal) = ledger.enter(entry) {
            assert!(!refusal.message.is_empty());
            whole = false;
            break;
        }
    }
    for entry in ledger.entries() {
        assert_eq!(entry.postings.sum(), Decimal::ZERO);
    }
    assert_eq!(ledger.totals().sum(), Decimal::ZERO);
    if let Some(last) = ledger.entries().last() {
        let _ = ledger.reverse(None, last.number);
        let then = ledger.up_to(last.on);
        assert!(then.entries().len() <= ledger.entries().len());
        assert_eq!(then.totals().sum(), Decimal::ZERO);
    }
    assert!(ledger.course().len() <= ledger.entries().len());
    journal(&ledger, currency);
    postings_csv(&ledger, currency).unwrap();
    let told = Content {
        currency,
        today: today(),
        ledger: &ledger,
        summary: ledger.summary(today()),
        assumed: Default::default(),
        later: ledger.later_than(today()),
        goal: Decimal::from(1000),
        now: BTreeMap::new(),
        nets: Nets::default(),
        all: true,
    };
    let seen = sheet(&told, Some(80));
    assert!(only_styled(&seen), "{seen:?}");
    document(&told);
    whole
}

/// Whether a terminal obeys nothing of a text but line ends and styles (`ESC [ 1 m`).
fn only_styled(text: &str) -> bool {
    let style = |rest: &str| {
        let digits = |c: char| c.is_ascii_digit() || c == ';';
        rest.strip_prefix('[')
            .is_some_and(|rest| rest.trim_start_matches(digits).starts_with('m'))
    };
    let plain = |c: char| matches!(c, '\n' | '\u{1b}') || !c.is_control();
    text.split('\u{1b}').skip(1).all(style) && text.chars().all(plain)
}

/// A table of listings in a file of this folder; whether it was taken.
pub fn offered(bytes: &[u8], folder: &Path, settings: &Settings) -> bool {
    let path = folder.join("listings.csv");
    fs::write(&path, bytes).unwrap();
    let heard = &mut |notice: &str| assert!(!notice.is_empty());
    let all = match listings((&path, &[]), None, settings, heard) {
        Ok(all) => all,
        Err(error) => {
            assert!(!error.to_string().is_empty());
            let problems = error.problems();
            if !problems.is_empty() {
                each_says_something(problems);
            }
            return false;
        }
    };
    for listing in &all {
        assert!(!listing.asked.is_sign_negative() && !listing.name.is_empty());
        if let Some(terms) = &listing.terms {
            terms.net(listing.asked);
        }
    }
    true
}
