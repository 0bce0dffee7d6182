//! Results of earlier runs in the cache of the book: scores and predictions of past sales, and
//! evidence on rules of thumb.
//!
//! A file consists of the hash of the rest, the version of the layout, and then the content: 64-bit
//! numbers in little-endian order, or JSON. A file of any other form counts as missing.

use std::collections::{BTreeMap, HashMap};

use chrono::NaiveDate;
use xxhash_rust::xxh3::xxh3_64;

use crate::backtest::ratio::Interval;
use crate::backtest::selfcheck::{Foreseen, LEVELS, Predicted};
use crate::band::conflict::Finding;
use crate::band::recalibration::Score;
use crate::book::store::Book;

/// Changes with every change of the layout. The statistics have their own version:
/// [`crate::band::METHOD`].
const LAYOUT: u64 = 1;

/// Most stored sales that the last run did not need.
const MOST_OTHERS: usize = 20_000;

/// The content of a file, without its head.
fn load(book: &Book, name: &str) -> Option<Vec<u8>> {
    let bytes = book.kept(name)?;
    let (seal, sealed) = bytes.split_first_chunk()?;
    let (layout, content) = sealed.split_first_chunk()?;
    let sound =
        u64::from_le_bytes(*seal) == xxh3_64(sealed) && u64::from_le_bytes(*layout) == LAYOUT;
    sound.then(|| content.to_vec())
}

fn store(book: &Book, name: &str, content: impl IntoIterator<Item = u8>) {
    let mut bytes = vec![0; 8];
    bytes.extend(LAYOUT.to_le_bytes());
    bytes.extend(content);
    let seal = xxh3_64(&bytes[8..]);
    bytes[..8].copy_from_slice(&seal.to_le_bytes());
    book.keep(name, &bytes);
}

fn load_numbers(book: &Book, name: &str) -> Option<Vec<u64>> {
    let bytes = load(book, name)?;
    let (numbers, rest) = bytes.as_chunks::<8>();
    let numbers = || numbers.iter().map(|bytes| u64::from_le_bytes(*bytes));
    rest.is_empty().then(|| numbers().collect())
}

fn store_numbers(book: &Book, name: &str, numbers: impl Iterator<Item = u64>) {
    store(book, name, numbers.flat_map(u64::to_le_bytes));
}

/// Nonconformity scores of past sales.
#[derive(Debug, Default)]
pub struct KeptScores {
    /// Hash of the files and settings of the book for which `asked` was computed; 0 if not known.
    pub state: u64,
    /// Whether `asked` contains all sales of the book, or the newest on any day from `from` to
    /// `until` (days since 1970).
    pub whole: bool,
    /// See [`Self::whole`].
    pub from: i32,
    /// See [`Self::whole`].
    pub until: i32,
    /// Scores that the last run needed, ordered by day.
    pub asked: Vec<KeptScore>,
    /// Scores that earlier runs needed.
    pub others: Vec<KeptScore>,
}

/// A score with the key of its sale.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct KeptScore {
    /// [`crate::app::timeline::Sale::key`].
    pub key: u64,
    /// Day of the sale, days since 1970; `i32::MAX` for an undated one.
    pub day: i32,
    /// Like [`Score::size`]; NaN if there was nothing to predict the sale from.
    pub size: f64,
}

impl KeptScore {
    /// Size of the stored score of a prediction.
    pub fn size(foreseen: Option<&Foreseen>) -> f64 {
        let size = |foreseen: &Foreseen| match foreseen.score(NaiveDate::MIN).size {
            size if size.is_nan() => f64::INFINITY,
            size => size,
        };
        foreseen.map_or(f64::NAN, size)
    }

    /// The score; `None` for an undated sale or one without a prediction.
    pub fn score(&self) -> Option<Score> {
        let day = NaiveDate::from_epoch_days(self.day).filter(|_| self.day < i32::MAX)?;
        (!self.size.is_nan()).then_some(Score {
            day,
            size: self.size,
        })
    }
}

/// Name of the file of [`KeptScores`].
const SCORES: &str = "past.misses";

impl KeptScores {
    /// The stored scores, empty if there are none.
    pub fn load(book: &Book) -> Self {
        load_numbers(book, SCORES)
            .and_then(|all| Self::read(&all))
            .unwrap_or_default()
    }

    fn read(all: &[u64]) -> Option<Self> {
        let ([state, whole, from, until, asked], records) = all.split_first_chunk::<5>()?;
        let (records, rest) = records.as_chunks::<3>();
        let mut asked_first: Vec<KeptScore> = records
            .iter()
            .map(|&[key, day, size]| KeptScore {
                key,
                day: day as i32,
                size: f64::from_bits(size),
            })
            .collect();
        let asked = usize::try_from(*asked).ok()?;
        if !rest.is_empty() || asked > asked_first.len() {
            return None;
        }
        Some(Self {
            state: *state,
            whole: *whole == 1,
            from: *from as i32,
            until: *until as i32,
            others: asked_first.split_off(asked),
            asked: asked_first,
        })
    }

    /// Sizes by the keys of sales.
    pub fn by_key(&self) -> HashMap<u64, f64> {
        let all = self.others.iter().chain(&self.asked);
        all.map(|kept| (kept.key, kept.size)).collect()
    }

    /// Stores these and, unless they are all of the book, those of `before` that are not among
    /// them.
    pub fn store(mut self, book: &Book, before: &Self) {
        if !self.whole {
            let now: HashMap<u64, f64> = self.by_key();
            let left = before.asked.iter().chain(&before.others);
            let left = left.filter(|kept| !now.contains_key(&kept.key));
            self.others = left.take(MOST_OTHERS).copied().collect();
        }
        let head = [
            self.state,
            u64::from(self.whole),
            self.from as u64,
            self.until as u64,
            self.asked.len() as u64,
        ];
        let records = self.asked.iter().chain(&self.others);
        let records = records.flat_map(|kept| [kept.key, kept.day as u64, kept.size.to_bits()]);
        store_numbers(book, SCORES, head.into_iter().chain(records));
    }
}

/// Numbers of a [`Predicted`] in the file: key, widening, price paid, estimate, bands, PIT, comps.
const WORDS: usize = 6 + 2 * LEVELS.len();

/// Name of the file of [`KeptPredictions`].
const PREDICTIONS: &str = "past.told";

/// Predictions of past sales by key, with their widening.
#[derive(Debug, Default)]
pub struct KeptPredictions(BTreeMap<u64, (f64, Predicted)>);

impl KeptPredictions {
    /// The stored predictions, empty if there are none.
    pub fn load(book: &Book) -> Self {
        let all = load_numbers(book, PREDICTIONS).unwrap_or_default();
        let (records, _) = all.as_chunks::<WORDS>();
        Self(records.iter().map(Self::read).collect())
    }

    fn read(record: &[u64; WORDS]) -> (u64, (f64, Predicted)) {
        let number = |at: usize| f64::from_bits(record[at]);
        let predicted = Predicted {
            paid: number(2),
            estimate: number(3),
            bands: std::array::from_fn(|band| Interval {
                low: number(4 + 2 * band),
                high: number(5 + 2 * band),
            }),
            pit: number(WORDS - 2),
            comps: record[WORDS - 1] as usize,
            mistyped: false,
        };
        (record[0], (number(1), predicted))
    }

    /// The prediction of a sale with bands `widening` times as wide.
    pub fn get(&self, key: u64, widening: f64) -> Option<&Predicted> {
        let (known, predicted) = self.0.get(&key)?;
        (*known == widening).then_some(predicted)
    }

    /// Stores `asked` and, unless these are all of the book (`whole`), those stored before that are
    /// not among them.
    pub fn store(&self, book: &Book, asked: &[(u64, f64, &Predicted)], whole: bool) {
        let mut all: BTreeMap<u64, (f64, &Predicted)> = BTreeMap::new();
        if !whole {
            let before = self.0.iter().take(MOST_OTHERS);
            all.extend(before.map(|(key, (widening, predicted))| (*key, (*widening, predicted))));
        }
        all.extend(
            asked
                .iter()
                .map(|(key, widening, predicted)| (*key, (*widening, *predicted))),
        );
        let records = all.into_iter().flat_map(|(key, (widening, predicted))| {
            let bands = predicted
                .bands
                .iter()
                .flat_map(|band| [band.low, band.high]);
            let numbers = [widening, predicted.paid, predicted.estimate]
                .into_iter()
                .chain(bands);
            let numbers = numbers.chain([predicted.pit]).map(f64::to_bits);
            let record: Vec<u64> = [key]
                .into_iter()
                .chain(numbers)
                .chain([predicted.comps as u64])
                .collect();
            record
        });
        store_numbers(book, PREDICTIONS, records);
    }
}

/// Name of the file of [`KeptRules`].
const RULES: &str = "past.rules";

/// Evidence of the sales of models on rules of thumb, by
/// [`crate::app::timeline::Timeline::rules_key`].
#[derive(Debug, Default, PartialEq)]
pub struct KeptRules(pub BTreeMap<u64, Vec<Finding>>);

impl KeptRules {
    /// The stored evidence, empty if there is none.
    pub fn load(book: &Book) -> Self {
        let content = load(book, RULES).and_then(|content| serde_json::from_slice(&content).ok());
        Self(content.unwrap_or_default())
    }

    /// Stores these only.
    pub fn store(&self, book: &Book) {
        if let Ok(content) = serde_json::to_vec(&self.0) {
            store(book, RULES, content);
        }
    }
}
