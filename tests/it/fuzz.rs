//! Damaged inputs, drawn at random from a seed: nothing panics, every refusal says something, what is
//! taken reads back, and a book takes all of a file or nothing.
//!
//! `COMPBAND_FUZZ_SECONDS=600 cargo test --release --test it fuzz` runs each test for so long (about a
//! second without it), `COMPBAND_FUZZ_SEED` draws others.

use std::fs;
use std::path::Path;
use std::time::{Duration, Instant};

use compband::book::Book;
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};

use crate::runner::{out, run, said, stderr};

#[path = "../fuzz/checks.rs"]
mod checks;

/// Draws until the time is up.
struct Fuzz {
    dice: StdRng,
    end: Instant,
    tries: usize,
    /// Inputs refused and inputs taken.
    came: [usize; 2],
    tokens: Vec<Vec<u8>>,
}

impl Fuzz {
    fn new(stream: u64) -> Self {
        let seed = said("COMPBAND_FUZZ_SEED").unwrap_or(20_260_401);
        let seconds = said("COMPBAND_FUZZ_SECONDS").unwrap_or(1);
        Self {
            dice: StdRng::seed_from_u64(seed ^ (stream << 32)),
            end: Instant::now() + Duration::from_secs(seconds),
            tries: 0,
            came: [0; 2],
            tokens: tokens(),
        }
    }

    /// Whether to go on: there is time, or hardly anything was tried on a slow machine.
    fn goes_on(&mut self) -> bool {
        self.tries += 1;
        self.tries <= 20 || Instant::now() < self.end
    }

    /// The same, and until inputs of both kinds came, within reason.
    fn goes_on_for_both(&mut self) -> bool {
        self.goes_on() || (self.came.contains(&0) && self.tries < 5000)
    }

    /// Counts an input as taken or refused.
    fn count(&mut self, taken: bool) {
        self.came[usize::from(taken)] += 1;
    }

    /// A run that only saw one kind of input checked half of what it says.
    fn saw_both(&self) {
        let [refused, taken] = self.came;
        assert!(
            refused > 0 && taken > 0,
            "{refused} inputs refused, {taken} taken"
        );
    }

    fn place(&mut self, length: usize) -> usize {
        self.dice.random_range(0..=length)
    }

    fn token(&mut self) -> Vec<u8> {
        self.tokens[self.dice.random_range(0..self.tokens.len())].clone()
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
                5 => drop(bytes.splice(at..to, self.token())),
                _ => drop(bytes.splice(at..at, self.token())),
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
                bytes.extend(self.token());
            }
        }
        String::from_utf8_lossy(&bytes).into_owned()
    }
}

/// The dictionary of cargo-fuzz's runs: a token a line, in quotes, bytes that cannot be seen as `\x1b`.
fn tokens() -> Vec<Vec<u8>> {
    include_str!("../fuzz/tokens.dict")
        .lines()
        .filter_map(|line| line.strip_prefix('"')?.strip_suffix('"'))
        .map(|token| {
            let (mut bytes, mut rest) = (Vec::new(), token);
            while let Some((plain, escaped)) = rest.split_once('\\') {
                bytes.extend_from_slice(plain.as_bytes());
                let (byte, taken) = match escaped.strip_prefix('x') {
                    Some(hex) => (u8::from_str_radix(&hex[..2], 16).unwrap(), 3),
                    None => (escaped.as_bytes()[0], 1),
                };
                bytes.push(byte);
                rest = &escaped[taken..];
            }
            bytes.extend_from_slice(rest.as_bytes());
            bytes
        })
        .collect()
}

/// Files of the project.
fn files(names: &[&str]) -> Vec<Vec<u8>> {
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
        "Tumrik QN 948",
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
    files(&[
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
    2026-03-05,Nulva 61K,120,5,XCU,,,\n\
    2026-03-05,Tumrik QN 948,80.5,,xts,1.5,2026-03-04,\"a list, daily\"\n\
    ,Nulva 61K,99,,EUR,1,,\n";

/// Shows what was read when that panics.
struct Read<'a>(&'a [u8]);

impl Drop for Read<'_> {
    fn drop(&mut self) {
        if std::thread::panicking() {
            eprintln!("read: {:?}", String::from_utf8_lossy(self.0));
        }
    }
}

#[test]
fn fuzz_imports() {
    let (sheets, settings) = (sheets(), checks::demo_settings());
    let mut fuzz = Fuzz::new(1);
    while fuzz.goes_on_for_both() {
        let bytes = fuzz.damaged(&sheets);
        let _read = Read(&bytes);
        let taken = checks::import(&bytes, &settings, fuzz.dice.random_bool(0.3));
        fuzz.count(taken > 0);
    }
    fuzz.saw_both();
}

#[test]
fn fuzz_rates() {
    let (whole, settings) = (
        vec![checks::RATES.as_bytes().to_vec()],
        checks::demo_settings(),
    );
    let mut fuzz = Fuzz::new(6);
    while fuzz.goes_on_for_both() {
        let bytes = fuzz.damaged(&whole);
        let _read = Read(&bytes);
        fuzz.count(checks::rates(&bytes, &settings));
    }
    fuzz.saw_both();
}

#[test]
fn fuzz_settings() {
    let files = files(&["demo/compband.toml", "data/compband.toml"]);
    let mut fuzz = Fuzz::new(2);
    while fuzz.goes_on_for_both() {
        let bytes = fuzz.damaged(&files);
        let _read = Read(&bytes);
        fuzz.count(checks::settings(&String::from_utf8_lossy(&bytes)));
    }
    fuzz.saw_both();
}

#[test]
fn fuzz_values() {
    let settings = checks::demo_settings();
    let texts: Vec<&str> = include_str!("../fuzz/values.txt").lines().collect();
    let mut fuzz = Fuzz::new(3);
    while fuzz.goes_on_for_both() {
        let text = fuzz.value(&texts);
        let _read = Read(text.as_bytes());
        fuzz.count(checks::value(&text, &settings));
    }
    fuzz.saw_both();
}

#[test]
fn fuzz_ledgers() {
    let dir = tempfile::tempdir().unwrap();
    let book = Book::init(dir.path()).unwrap();
    let whole = files(&["tests/fuzz/ledger.csv"]);
    assert!(checks::ledger(&whole[0], &book));
    let mut fuzz = Fuzz::new(5);
    while fuzz.goes_on_for_both() {
        let bytes = fuzz.damaged(&whole);
        let _read = Read(&bytes);
        fuzz.count(checks::ledger(&bytes, &book));
    }
    fuzz.saw_both();
}

#[test]
fn fuzz_listings() {
    let dir = tempfile::tempdir().unwrap();
    let settings = checks::demo_settings();
    let whole = files(&["demo/listings.csv"]);
    assert!(checks::offered(&whole[0], dir.path(), &settings));
    let mut fuzz = Fuzz::new(6);
    while fuzz.goes_on_for_both() {
        let bytes = fuzz.damaged(&whole);
        let _read = Read(&bytes);
        fuzz.count(checks::offered(&bytes, dir.path(), &settings));
    }
    fuzz.saw_both();
}

#[test]
fn fuzz_the_program() {
    let dir = tempfile::tempdir().unwrap();
    out(dir.path(), &["init"]);
    let toml = files(&["demo/compband.toml", "data/compband.toml"]);
    fs::write(dir.path().join("compband.toml"), &toml[0]).unwrap();
    let mut files = sheets();
    let ledger = ["ledger", "fund", "60", "--date", "2026-01-01"];
    out(dir.path(), &ledger);
    let buy = ["buy", "Nulva 61K", "--price", "9", "--date", "2026-01-02"];
    out(dir.path(), &buy);
    let ledger = dir.path().join("deals/ledger.csv");
    let whole = fs::read(&ledger).unwrap();
    files.push(whole.clone());
    let sold = ["sold", "d1", "--price", "20", "--date", "2026-02-01"];
    let mut fuzz = Fuzz::new(4);
    while fuzz.goes_on_for_both() {
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
        fuzz.count(taken);
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
        does(&["estimate", "--model", "Nulva 61K"], &[0, 3, 4, 5]);
        fs::write(dir.path().join("compband.toml"), &toml[0]).unwrap();
        let value = fuzz
            .value(&["12.50", "charger; battery x2", "2026-01-01", "B"])
            .replace('\0', "");
        let log = |option: &str| {
            ["log", "--model", "Nulva 61K", "--price", "12", option].map(String::from)
        };
        for option in ["--missing", "--grade", "--sold-on", "--price", "--note"] {
            let mut args = log(&format!("{option}={value}")).to_vec();
            args.push("--dry-run".into());
            let args: Vec<&str> = args.iter().map(String::as_str).collect();
            does(&args, &[0, 2, 3]);
        }
    }
    fuzz.saw_both();
}
