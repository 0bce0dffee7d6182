//! `history/NAME.csv`: the estimates of a watched unit, one per line.
//!
//! Lines are only appended, with one write that is then synced, like those of the ledger.
//! `history/comps/NAME-ENTRY.csv` keeps the inputs of the last estimate: every comp of the model at
//! that time, in the columns of an import. From it the estimate can be repeated whatever happens to
//! the book, for comparison with the next one ([`crate::band::change`]). It is written before the
//! line, so that the last line always has it.

use crate::trade::cells;
use std::collections::BTreeMap;
use std::io;
use std::path::PathBuf;

use chrono::NaiveDate;
use polars::prelude::{DataFrame, PolarsResult};
use serde::Serialize;
use serde::de::DeserializeOwned;

use super::open::{Book, BookLock};
use crate::book::BookError;
use crate::book::comps::frame::{Columns, FrameRows, Known, filter};
use crate::book::csv::canonical::{self, Layout, Row, write_comps};
use crate::book::csv::lines::{self, line};
use crate::book::csv::torn::LogBytes;
use crate::trade::cells::{Fault, Wrong};
use crate::trade::comp::basis_of_word;
use crate::trade::entry::Foreseen;
use crate::trade::names::match_key;
use crate::trade::{Comp, Currency, Problem};

/// Folder of the histories, and its subfolder for the comps of the last estimates.
const FOLDER: &str = "history";
const COMPS: &str = "comps";

/// How to fix a line that was edited by hand.
const PUT_BACK: &str =
    "put back what was there, or move the file away: the history then starts again";

/// Content of the last column, by which a truncated line is recognised.
const END: &str = ".";

const COLUMNS_OF_HISTORY: [&str; 15] = [
    "entry", "as_of", "currency", "likely", "low", "high", "chance", "basis", "comps", "left_out",
    "inputs", "settings", "unit", "version", "end",
];

/// One estimate of a watched unit.
#[derive(Debug, Clone, PartialEq)]
pub struct Record {
    /// Number: 1, 2, 3, …
    pub number: u32,
    /// Day of the estimate.
    pub as_of: NaiveDate,
    /// Code of the currency.
    pub currency: String,
    /// The estimate.
    pub foreseen: Foreseen,
    /// Weight of every used comp (the largest is 1), to four decimals.
    pub used: BTreeMap<String, f64>,
    /// Code of the reason why a comp was examined and rejected ([`crate::select::Dropped::code`]).
    pub left_out: BTreeMap<String, String>,
    /// Hash of all inputs.
    pub inputs: u64,
    /// Hash of the settings.
    pub settings: u64,
    /// Hash of the description of the unit.
    pub unit: u64,
    /// Version of the program that made it.
    pub version: String,
}

/// The cells of a record, in the order of the columns.
fn cells(record: &Record) -> io::Result<Vec<String>> {
    let [likely, low, high, level, basis] = record.foreseen.cells();
    let hash = |hash: u64| format!("{hash:016x}");
    Ok(vec![
        record.number.to_string(),
        record.as_of.to_string(),
        record.currency.clone(),
        likely,
        low,
        high,
        level,
        basis,
        map_text(&record.used)?,
        map_text(&record.left_out)?,
        hash(record.inputs),
        hash(record.settings),
        hash(record.unit),
        record.version.clone(),
        END.to_string(),
    ])
}

fn map_text(map: &BTreeMap<String, impl Serialize>) -> io::Result<String> {
    Ok(serde_json::to_string(map)?)
}

fn put_back(expected: &str) -> Wrong {
    Wrong::new(expected, PUT_BACK)
}

/// Reads the cells of a line, or returns the position and error of an invalid one.
fn record(cells: &[&str]) -> Result<Record, (usize, Wrong)> {
    fn cell<T>(
        cells: &[&str],
        at: usize,
        expected: &str,
        read: impl FnOnce(&str) -> Option<T>,
    ) -> Result<T, (usize, Wrong)> {
        let text = cells.get(at).copied().unwrap_or_default();
        read(text.trim()).ok_or_else(|| (at, put_back(expected)))
    }
    fn map<T: DeserializeOwned>(text: &str) -> Option<BTreeMap<String, T>> {
        serde_json::from_str(text).ok()
    }
    let amount = |at| {
        cell(cells, at, "an amount, such as 129.50", |t| {
            cells::amount(t).ok()
        })
    };
    let hash = |at| {
        let digits = "16 digits of a hash";
        cell(cells, at, digits, |t| u64::from_str_radix(t, 16).ok())
    };
    let text = |at| {
        cell(cells, at, "something", |t| {
            (!t.is_empty()).then(|| t.to_string())
        })
    };
    cell(cells, 14, "\".\" at the end of the row", |t| {
        (t == END).then_some(())
    })?;
    Ok(Record {
        number: cell(cells, 0, "a whole number from 1 on", |t| {
            t.parse().ok().filter(|number| *number > 0)
        })?,
        as_of: cell(cells, 1, "a day as 2026-03-01", |t| cells::day(t).ok())?,
        currency: text(2)?,
        foreseen: Foreseen {
            likely: amount(3)?,
            low: amount(4)?,
            high: amount(5)?,
            level: cell(cells, 6, "per cent from 1 to 99", |t| {
                t.parse().ok().filter(|level| (1..=99).contains(level))
            })?,
            basis: cell(cells, 7, "delivered or item", basis_of_word)?,
        },
        used: cell(cells, 8, "ids with their weights", map)?,
        left_out: cell(cells, 9, "ids with the reasons why they are not used", map)?,
        inputs: hash(10)?,
        settings: hash(11)?,
        unit: hash(12)?,
        version: text(13)?,
    })
}

/// Reads finished lines; problems call the file `name`.
fn records(bytes: &[u8], name: &str) -> io::Result<(Vec<Record>, Vec<Problem>)> {
    let mut all = Vec::<Record>::new();
    let problems = lines::read(
        bytes,
        name,
        &COLUMNS_OF_HISTORY,
        PUT_BACK,
        &mut |_, cells| {
            let (at, wrong) = match record(cells) {
                Ok(record) if all.last().is_some_and(|last| last.number >= record.number) => {
                    (0, put_back("a number above that of the row before"))
                }
                Ok(record) => {
                    all.push(record);
                    return Vec::new();
                }
                Err(fault) => fault,
            };
            vec![Fault {
                column: COLUMNS_OF_HISTORY[at],
                value: cells.get(at).copied().unwrap_or_default().to_string(),
                wrong,
            }]
        },
    )?;
    Ok((all, problems))
}

/// Comps as the table from which estimates are made.
///
/// # Errors
/// If the table cannot be made.
pub fn frame_of<'a>(comps: impl IntoIterator<Item = &'a Comp>) -> PolarsResult<DataFrame> {
    let (mut known, mut columns) = (Known::default(), Columns::default());
    for (line, comp) in (0..).zip(comps) {
        let (entry, comp) = (1, comp.clone());
        known.push(&mut columns, FOLDER, &Row { entry, line, comp });
    }
    columns.finish()
}

/// The comps of a model (ignoring case and spacing) in a table.
///
/// # Errors
/// If the table does not have the form that the book produces.
pub fn comps_of(frame: &DataFrame, model: &str, currency: &Currency) -> PolarsResult<Vec<Comp>> {
    let key = match_key(model);
    let own = filter(frame, "model_key", |other| other == key)?;
    let rows = FrameRows::new(&own, currency)?;
    Ok(rows.comps().collect())
}

impl Book {
    /// Path of the history of a watched unit.
    pub fn history_path(&self, name: &str) -> PathBuf {
        self.root().join(FOLDER).join(format!("{name}.csv"))
    }

    fn kept_comps_path(&self, name: &str, number: u32) -> PathBuf {
        let file = format!("{name}-{number}.csv");
        self.root().join(FOLDER).join(COMPS).join(file)
    }

    /// The estimates of a watched unit, oldest first; empty if there is no file.
    ///
    /// # Errors
    /// [`BookError::Rows`] if a row is invalid.
    pub fn history(
        &self,
        name: &str,
        notice: &mut dyn FnMut(&str),
    ) -> Result<Vec<Record>, BookError> {
        let path = self.history_path(name);
        let log = LogBytes::read(self, &path)?;
        let shown = self.display_name(&path);
        if log.is_torn() {
            notice(&format!(
                "the last line of {shown} is not finished and is skipped; the next refresh repairs the file"
            ));
        }
        let (records, problems) =
            records(log.finished(), &shown).map_err(BookError::io(&path, "read"))?;
        BookError::refuse(problems)?;
        Ok(records)
    }

    /// The comps of the last estimate of a watched unit; `None` if they do not exist or, after a
    /// change of the book's scales, are no longer valid.
    ///
    /// # Errors
    /// If reading fails.
    pub fn kept_comps(&self, name: &str, number: u32) -> Result<Option<Vec<Comp>>, BookError> {
        let path = self.kept_comps_path(name, number);
        let Some(bytes) = self.read(&path)? else {
            return Ok(None);
        };
        let mut comps = Vec::new();
        let shown = self.display_name(&path);
        let layout = Layout::Import(1);
        let problems = canonical::read(&*bytes, &shown, layout, self.settings(), &mut |row| {
            comps.push(row.comp)
        });
        let whole = problems.map_err(BookError::io(path, "read"))?.is_empty();
        Ok(whole.then_some(comps))
    }

    /// Appends an estimate and sets its number; also writes the comps of its model. Both are
    /// durable on return.
    ///
    /// # Errors
    /// If reading or writing fails; the history is then unchanged.
    pub fn record(
        &self,
        _lock: &BookLock,
        name: &str,
        record: &Record,
        comps: &[Comp],
        notice: &mut dyn FnMut(&str),
    ) -> Result<(), BookError> {
        self.repair_history(name, notice)?;
        let path = self.history_path(name);
        let last = self.history(name, notice)?.last().map(|last| last.number);
        let record = Record {
            number: last.unwrap_or(0) + 1,
            ..record.clone()
        };
        let kept = self.kept_comps_path(name, record.number);
        let folder = self.root().join(FOLDER).join(COMPS);
        let made = self.folder().make(&folder);
        made.map_err(BookError::io(&folder, "make the folder"))?;
        let bytes = write_comps(Vec::new(), comps).map_err(BookError::io(&kept, "write"))?;
        self.replace_file(&kept, &bytes)?;
        let written =
            line(COLUMNS_OF_HISTORY).and_then(|header| Ok((header, line(cells(&record)?)?)));
        let (header, row) = written.map_err(BookError::io(&path, "write"))?;
        self.append_line(&path, &header, &row)?;
        // An old file that cannot be removed does no harm.
        let before = last.map(|last| self.folder().remove(&self.kept_comps_path(name, last)));
        drop(before);
        Ok(())
    }

    /// Repairs an unfinished last line, after saving its bytes in another file.
    fn repair_history(&self, name: &str, notice: &mut dyn FnMut(&str)) -> Result<(), BookError> {
        let path = self.history_path(name);
        let log = LogBytes::read(self, &path)?;
        if !log.is_torn() {
            return Ok(());
        }
        let shown = self.display_name(&path);
        let rows = |bytes: &[u8]| {
            let read = records(bytes, &shown).map_err(BookError::io(&path, "read"));
            read.map(|(records, problems)| (records.len(), problems.is_empty()))
        };
        if let Some(saved) = self.repair_line(&path, &log, &rows)? {
            notice(&format!(
                "the last line of {shown} was cut off and removed; the rest of it is in {}",
                self.display_name(&saved)
            ));
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use std::fs;

    use super::*;
    use crate::trade::comp::PriceBasis;
    use rust_decimal::Decimal;

    fn dec(text: &str) -> Decimal {
        text.parse().unwrap()
    }

    fn sample(number: u32) -> Record {
        Record {
            number,
            as_of: "2026-03-01".parse().unwrap(),
            currency: "EUR".into(),
            foreseen: Foreseen {
                likely: dec("148.16"),
                low: dec("130.64"),
                high: dec("168.56"),
                level: 80,
                basis: PriceBasis::Delivered,
            },
            used: BTreeMap::from([("odd; \"id\", 1".into(), 1.0), ("b".into(), 0.3512)]),
            left_out: BTreeMap::from([("c".into(), "outlier".into())]),
            inputs: u64::MAX,
            settings: 7,
            unit: 0,
            version: "0.1.0".into(),
        }
    }

    fn comp(id: &str) -> Comp {
        Comp {
            comp_id: id.into(),
            model: "Nulva 61K".into(),
            price: dec("129.5"),
            note: "two\nlines".into(),
            ..Comp::blank("EUR")
        }
    }

    fn book() -> (tempfile::TempDir, Book) {
        let dir = tempfile::tempdir().unwrap();
        let book = Book::init(dir.path()).unwrap();
        (dir, book)
    }

    #[test]
    fn what_is_recorded_is_read_again() {
        let (_dir, book) = book();
        let lock = book.lock(&mut |_| {}).unwrap();
        let add = |comps: &[Comp]| book.record(&lock, "a-1", &sample(9), comps, &mut |_| {});
        add(&[comp("x")]).unwrap();
        add(&[comp("x"), comp("y, z")]).unwrap();
        let read = book.history("a-1", &mut |_| {}).unwrap();
        assert_eq!(read, [sample(1), sample(2)]);
        assert_eq!(book.kept_comps("a-1", 1).unwrap(), None);
        let kept = book.kept_comps("a-1", 2).unwrap().unwrap();
        assert_eq!(kept, [comp("x"), comp("y, z")]);
        let frame = frame_of(&kept).unwrap();
        let mut again = comps_of(&frame, "nulva61K", &book.settings().currency).unwrap();
        again.sort_by(|a, b| a.comp_id.cmp(&b.comp_id));
        assert_eq!(again, kept);
        assert!(
            comps_of(&frame, "other", &book.settings().currency)
                .unwrap()
                .is_empty()
        );
    }

    /// Wherever the last line is truncated, all lines before it are kept and the next follows.
    #[test]
    fn a_torn_last_line_is_repaired_by_the_next() {
        let (_dir, book) = book();
        let lock = book.lock(&mut |_| {}).unwrap();
        let add = || book.record(&lock, "a", &sample(1), &[comp("x")], &mut |_| {});
        add().unwrap();
        let one = fs::read(book.history_path("a")).unwrap().len();
        add().unwrap();
        let whole = fs::read(book.history_path("a")).unwrap();
        for cut in one..whole.len() {
            fs::write(book.history_path("a"), &whole[..cut]).unwrap();
            assert_eq!(book.history("a", &mut |_| {}).unwrap(), [sample(1)]);
            add().unwrap();
            let read = book.history("a", &mut |_| {}).unwrap();
            let kept = usize::from(cut + 1 == whole.len());
            assert_eq!(read.len(), 2 + kept, "{cut}");
            assert!(
                book.kept_comps("a", read.last().unwrap().number)
                    .unwrap()
                    .is_some()
            );
        }
    }

    #[test]
    fn lines_changed_by_hand_are_refused_with_their_place() {
        let (_dir, book) = book();
        let lock = book.lock(&mut |_| {}).unwrap();
        book.record(&lock, "a", &sample(1), &[], &mut |_| {})
            .unwrap();
        let path = book.history_path("a");
        let good = fs::read_to_string(&path).unwrap();
        for (old, new, column) in [
            ("148.16", "a lot", "likely"),
            ("2026-03-01", "soon", "as_of"),
            (",80,", ",100,", "chance"),
            ("delivered", "net", "basis"),
            ("ffffffffffffffff", "no hash", "inputs"),
            (",.\n", ",\n", "end"),
            ("\n1,", "\n0,", "entry"),
        ] {
            fs::write(&path, good.replacen(old, new, 1)).unwrap();
            let Err(BookError::Rows(problems)) = book.history("a", &mut |_| {}) else {
                panic!("{new} was taken");
            };
            let text = problems[0].to_string();
            assert!(
                text.contains(&format!("history/a.csv, row 2, column {column}")),
                "{text}"
            );
        }
        fs::write(&path, good.replacen("as_of", "day", 1)).unwrap();
        assert!(book.history("a", &mut |_| {}).is_err());
    }
}
