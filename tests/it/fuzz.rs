//! Damaged inputs, drawn at random from a seed: nothing panics, every refusal says something, what is
//! taken reads back, and a book takes all of a file or nothing.
//!
//! `COMPBAND_FUZZ_SECONDS=600 cargo test --release --test it fuzz` runs each test for so long (about a
//! second without it), `COMPBAND_FUZZ_SEED` draws others.

use std::fs;
use std::path::Path;
use std::time::{Duration, Instant};

use compband::book::canonical::{self, Layout};
use compband::book::import::{Against, Witness, plan};
use compband::book::rates::{Conversion, Rates};
use compband::book::read::header::parse_wish;
use compband::book::read::{Input, ReadOptions};
use compband::book::{Attributes, Currency, Items, Problem, Settings, dates, money};
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use rust_decimal::Decimal;

use crate::runner::{out, run, stderr};

/// What tells in the files: of dates, amounts, lists, CSV, TOML, encodings and terminals.
const TOKENS: [&str; 64] = [
    "\"",
    "\"\"",
    ",",
    ";",
    "\t",
    "\n",
    "\r\n",
    "\r",
    "\0",
    "'",
    "=",
    "[",
    "]",
    "[[",
    "{",
    "}",
    "#",
    "\\",
    "\\u0000",
    "x2",
    " x 99999999999",
    "-",
    "−",
    "+",
    "%",
    "€",
    "$",
    "EUR",
    "1e999",
    "NaN",
    "inf",
    "0",
    "-0",
    "0.00000",
    "1.234,50",
    "1,234.50",
    "1.234.567",
    "99999999999.9999",
    "79228162514264337593543950336",
    "2026-02-30",
    "31.12.2025",
    "12/31/25",
    "0000-01-01",
    "9999-12-31",
    "yes",
    "no",
    "A",
    "boxed",
    "sealed",
    "auction",
    "to",
    "\u{feff}",
    "\u{202e}",
    "\u{1b}[2J",
    "é",
    "\u{fffd}",
    "𝟙",
    "currency",
    "price",
    "date",
    "comp_id",
    "attr.",
    "[rules.missing]",
    "= \"5 to 15 %\"",
];

/// Draws until the time is up.
struct Fuzz {
    dice: StdRng,
    end: Instant,
    tries: usize,
}

impl Fuzz {
    fn new(stream: u64) -> Self {
        let said = |name| std::env::var(name).ok().and_then(|text| text.parse().ok());
        let seed: u64 = said("COMPBAND_FUZZ_SEED").unwrap_or(20_260_401);
        let seconds = said("COMPBAND_FUZZ_SECONDS").unwrap_or(1);
        Self {
            dice: StdRng::seed_from_u64(seed ^ (stream << 32)),
            end: Instant::now() + Duration::from_secs(seconds),
            tries: 0,
        }
    }

    /// Whether to go on: there is time, or hardly anything was tried on a slow machine.
    fn goes_on(&mut self) -> bool {
        self.tries += 1;
        self.tries <= 20 || Instant::now() < self.end
    }

    fn place(&mut self, length: usize) -> usize {
        self.dice.random_range(0..=length)
    }

    fn token(&mut self) -> &'static [u8] {
        TOKENS[self.dice.random_range(0..TOKENS.len())].as_bytes()
    }

    /// One of the files with a few flips, cuts, repetitions, tokens and pieces of others.
    fn damaged(&mut self, files: &[Vec<u8>]) -> Vec<u8> {
        let pick = |dice: &mut StdRng| dice.random_range(0..files.len());
        let mut bytes = files[pick(&mut self.dice)].clone();
        for _ in 0..self.dice.random_range(1..6) {
            let at = self.place(bytes.len());
            let to = (at + self.dice.random_range(0..40)).min(bytes.len());
            match self.dice.random_range(0..8) {
                0 if at < bytes.len() => bytes[at] ^= 1 << self.dice.random_range(0..8),
                1 => bytes.truncate(at),
                2 => drop(bytes.drain(at..to)),
                3 => {
                    let piece = bytes[at..to].to_vec();
                    let there = self.place(bytes.len());
                    bytes.splice(there..there, piece);
                }
                4 => {
                    let other = &files[pick(&mut self.dice)];
                    let from = self.dice.random_range(0..=other.len());
                    let until = (from + 200).min(other.len());
                    bytes.splice(at..at, other[from..until].iter().copied());
                }
                5 => drop(bytes.splice(at..to, self.token().iter().copied())),
                _ => drop(bytes.splice(at..at, self.token().iter().copied())),
            }
        }
        bytes
    }

    /// A short text of tokens and of pieces of the texts.
    fn value(&mut self, texts: &[&str]) -> String {
        let mut bytes = Vec::new();
        for _ in 0..self.dice.random_range(1..5) {
            let text = texts[self.dice.random_range(0..texts.len())].as_bytes();
            let at = self.place(text.len());
            bytes.extend_from_slice(&text[..at]);
            if self.dice.random_bool(0.5) {
                bytes.extend_from_slice(self.token());
            }
        }
        String::from_utf8_lossy(&bytes).into_owned()
    }
}

fn demo(names: &[&str]) -> Vec<Vec<u8>> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR"));
    names
        .iter()
        .map(|name| fs::read(folder.join(name)).unwrap())
        .collect()
}

/// The first lines of the demo's sheets and of a file as the book keeps it, so that a run is short.
fn sheets() -> Vec<Vec<u8>> {
    let dir = tempfile::tempdir().unwrap();
    let demo_folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo");
    out(dir.path(), &["init"]);
    let attribute = [
        "log",
        "--model",
        "Tolvik Page 6",
        "--price",
        "90",
        "--note",
        "two\nlines",
    ];
    out(
        dir.path(),
        &[&attribute[..], &["--set", "storage=32"]].concat(),
    );
    out(
        dir.path(),
        &[
            "import",
            demo_folder.join("sales-2025.csv").to_str().unwrap(),
        ],
    );
    let canonical = out(dir.path(), &["comps", "--csv"]);
    demo(&[
        "demo/sales-2025.csv",
        "demo/sales-2026.csv",
        "demo/typos.csv",
    ])
    .into_iter()
    .chain([canonical.into_bytes(), FOREIGN.into()])
    .map(|bytes| {
        bytes
            .split_inclusive(|&b| b == b'\n')
            .take(12)
            .flatten()
            .copied()
            .collect()
    })
    .collect()
}

/// Sales in other currencies, with rates of their own and without.
const FOREIGN: &str = "sold_on,model,price,shipping,currency,rate,rate_date,rate_source\n\
    2026-03-05,Nerrow F4,120,5,XCU,,,\n\
    2026-03-05,Tolvik Page 6,80.5,,xts,1.5,2026-03-04,\"a list, daily\"\n\
    ,Nerrow F4,99,,EUR,1,,\n";

fn demo_settings() -> Settings {
    let bytes = demo(&["demo/compband.toml"]).remove(0);
    Settings::parse(
        &String::from_utf8(bytes).unwrap(),
        Path::new("compband.toml"),
    )
    .unwrap()
}

#[derive(Default)]
struct Heard(Vec<Problem>);

impl Witness for Heard {
    fn problem(&mut self, problem: &Problem) -> std::io::Result<()> {
        self.0.push(problem.clone());
        Ok(())
    }
}

fn each_says_something(problems: &[Problem], of: &[u8]) {
    for problem in problems {
        let said = problem.to_string();
        let visible = said.chars().all(|c| !c.is_control());
        assert!(
            visible && !problem.expected.is_empty() && !problem.file.is_empty(),
            "{said:?} of {:?}",
            String::from_utf8_lossy(of)
        );
    }
}

#[test]
fn fuzz_imports() {
    let (sheets, settings) = (sheets(), demo_settings());
    let today = "2026-12-01".parse().unwrap();
    let rates = Rates::parse(RATES.as_bytes(), "rates.csv", &settings).unwrap();
    let against = Against {
        settings: &settings,
        existing: &|_| None,
        today,
        conversion: Conversion {
            rates: &rates,
            kept: &|_, _, _| None,
        },
    };
    let (mut fuzz, mut taken) = (Fuzz::new(1), 0);
    while fuzz.goes_on() {
        let bytes = fuzz.damaged(&sheets);
        let options = ReadOptions {
            undated: fuzz.dice.random_bool(0.3),
            ..ReadOptions::default()
        };
        let input = match Input::from_bytes("a.csv", bytes.clone(), &options) {
            Ok(input) => input,
            Err(problems) => {
                assert!(!problems.is_empty());
                each_says_something(&problems, &bytes);
                continue;
            }
        };
        let (mut canonical, mut heard) = (Vec::new(), Heard::default());
        let plan = plan(&[input], &against, &mut canonical, &mut heard).unwrap();
        each_says_something(&heard.0, &bytes);
        let mut rows = 0;
        let layout = Layout::Import(1);
        let wrong = canonical::read(&canonical[..], "b.csv", layout, &settings, &mut |_| {
            rows += 1
        });
        let text = String::from_utf8_lossy(&bytes);
        assert_eq!(wrong.unwrap(), [], "{text:?}");
        assert_eq!(rows, plan.written(), "{text:?}");
        taken += rows;
    }
    assert!(taken > 0);
}

/// Rates of a currency that the sheets to be damaged have.
const RATES: &str =
    "date,currency,rate,source\n2026-03-01,XCU,0.9132,list\n2026-03-09,XTS,2,\"a, b\"\n";

#[test]
fn fuzz_rates() {
    let (files, settings) = (vec![RATES.as_bytes().to_vec()], Settings::default());
    let (mut fuzz, mut good) = (Fuzz::new(5), 0);
    let day = "2026-03-05".parse().unwrap();
    while fuzz.goes_on() {
        let bytes = fuzz.damaged(&files);
        match Rates::parse(&bytes, "rates.csv", &settings) {
            Ok(rates) => {
                good += 1;
                if let Ok(rate) = rates.on("XCU", day) {
                    assert!(rate.value > Decimal::ZERO && rate.date <= day);
                }
            }
            Err(problems) => each_says_something(&problems, &bytes),
        }
    }
    assert!(good > 0);
}

#[test]
fn fuzz_settings() {
    let files = demo(&["demo/compband.toml", "data/compband.toml"]);
    let (mut fuzz, mut good) = (Fuzz::new(2), 0);
    while fuzz.goes_on() {
        let bytes = fuzz.damaged(&files);
        let text = String::from_utf8_lossy(&bytes);
        match Settings::parse(&text, Path::new("compband.toml")) {
            Ok(_) => good += 1,
            Err(error) => {
                let said = error.to_string();
                assert!(
                    said.starts_with("compband.toml") && said.len() > 20,
                    "{said:?}: {text:?}"
                );
            }
        }
    }
    assert!(good > 0);
}

#[test]
fn fuzz_values() {
    let settings = demo_settings();
    let euro = Currency::parse("EUR").unwrap();
    let texts = [
        "charger; battery x2",
        "storage=256; battery health=87.5",
        "1.234,50 €",
        "$1,234.50",
        "2025-12-31",
        "31.12.25",
        "12/31/2025",
        "3 Jan 2026",
        "Item=model",
        "-12.5",
        "87.5 %",
        "full",
        "B",
        "yes",
    ];
    let mut fuzz = Fuzz::new(3);
    while fuzz.goes_on() {
        let text = fuzz.value(&texts);
        if let Ok(items) = Items::parse(&text) {
            assert_eq!(Items::parse(&items.to_string()), Ok(items), "{text:?}");
        }
        if let Ok(attributes) = Attributes::parse(&text) {
            let again = Attributes::parse(&attributes.to_string());
            assert_eq!(again, Ok(attributes), "{text:?}");
        }
        if let Ok(amount) = money::parse_amount(&text, &euro) {
            let plain = amount.to_string();
            assert_eq!(money::parse_amount(&plain, &euro), Ok(amount), "{text:?}");
        }
        let _ = dates::read_date(&text);
        let _ = money::read_quantity(&text);
        let _ = parse_wish(&text);
        for column in compband::book::comp::COLUMNS {
            if let Err(wrong) = canonical::check(column, &text, &settings) {
                assert!(!wrong.expected.is_empty(), "{column} {text:?}");
            }
        }
    }
}

#[test]
fn fuzz_the_program() {
    let dir = tempfile::tempdir().unwrap();
    out(dir.path(), &["init"]);
    let toml = demo(&["demo/compband.toml", "data/compband.toml"]);
    fs::write(dir.path().join("compband.toml"), &toml[0]).unwrap();
    let mut files = sheets();
    let ledger = ["ledger", "fund", "60", "--date", "2026-01-01"];
    out(dir.path(), &ledger);
    let buy = ["buy", "Nerrow F4", "--price", "9", "--date", "2026-01-02"];
    out(dir.path(), &buy);
    let ledger = dir.path().join("deals/ledger.csv");
    let whole = fs::read(&ledger).unwrap();
    files.push(whole.clone());
    let sold = ["sold", "d1", "--price", "20", "--date", "2026-02-01"];
    let mut fuzz = Fuzz::new(4);
    while fuzz.goes_on() {
        let does = |args: &[&str], codes: &[i32]| {
            let output = run(dir.path(), args);
            let said = stderr(&output);
            let code = output.status.code();
            let plain =
                code.is_some_and(|code| codes.contains(&code)) && !said.contains("panicked");
            assert!(plain, "{args:?}: {code:?} {said}");
            assert!(
                code == Some(0) || said.contains("error:"),
                "{args:?}: {said}"
            );
            code == Some(0)
        };
        let rows = || out(dir.path(), &["comps", "--csv"]);
        let before = rows();
        fs::write(dir.path().join("a.csv"), fuzz.damaged(&files)).unwrap();
        let taken = does(&["import", "a.csv"], &[0, 3]);
        assert!(taken || rows() == before);
        // All of it goes again, so that the book stays small; a file without new rows is no entry.
        if rows() != before {
            does(&["undo"], &[0]);
            assert_eq!(rows(), before);
        }
        fs::write(&ledger, fuzz.damaged(std::slice::from_ref(&whole))).unwrap();
        does(&["ledger"], &[0, 3, 5]);
        does(&sold, &[0, 3, 5]);
        fs::write(&ledger, &whole).unwrap();
        fs::write(dir.path().join("compband.toml"), fuzz.damaged(&toml)).unwrap();
        does(&["estimate", "--model", "Nerrow F4"], &[0, 3, 4, 5]);
        fs::write(dir.path().join("compband.toml"), &toml[0]).unwrap();
        let value = fuzz
            .value(&["12.50", "charger; battery x2", "2026-01-01", "B"])
            .replace('\0', "");
        let log = |option: &str| {
            ["log", "--model", "Nerrow F4", "--price", "12", option].map(String::from)
        };
        for option in ["--missing", "--grade", "--sold-on", "--price", "--note"] {
            let mut args = log(&format!("{option}={value}")).to_vec();
            args.push("--dry-run".into());
            let args: Vec<&str> = args.iter().map(String::as_str).collect();
            does(&args, &[0, 2, 3]);
        }
    }
}
