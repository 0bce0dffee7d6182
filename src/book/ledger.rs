//! `deals/ledger.csv`: capital, purchases, expenses, sales and write-offs, one entry per line.
//!
//! Every entry has a column for each account, debit positive and credit negative, so that the
//! accounts of a line sum to zero: double entry that a spreadsheet can check. Lines are only
//! appended, with one write that is then synced; an entry that reverses another corrects a mistake.
//! [`crate::deal::ledger`] evaluates the entries.

use crate::trade::comp::basis_of_word;
use crate::trade::entry::{Account, Entry, Foreseen, Kind, Postings};
use crate::trade::{Unit, cells};
use std::io;
use std::path::PathBuf;

use rust_decimal::Decimal;

use super::open::{Book, BookLock};
use crate::book::BookError;
use crate::book::csv::canonical;
use crate::book::csv::lines::{self, line};
use crate::book::csv::torn::LogBytes;
use crate::trade::attributes::plain_number;
use crate::trade::cells::{Fault, Wrong};
use crate::trade::money::money_text;
use crate::trade::part::{parse_parts, parts_text};
use crate::trade::problem::SHOWN;
use crate::trade::text::{listed, shorten};
use crate::trade::{Attributes, HowSold, Problem};

/// Folder and name of the file.
const FOLDER: &str = super::open::DEALS;
const FILE_NAME: &str = "ledger.csv";

/// Columns before the accounts.
const HEAD: [&str; 5] = ["entry", "day", "kind", "deal", "reverses"];

/// Columns after the accounts.
const TAIL: &str = "currency, minutes, outlet, offers, likely, low, high, chance, basis, model, variant, completeness, \
     grade, missing, extras, defects, works, how_sold, attributes, note, quoted, parts, fits, end";

/// Columns that the ledgers of older versions lack.
const ADDED: [&str; 5] = ["drawer", "overheads", "quoted", "parts", "fits"];

/// Content of the last column, by which a truncated line is recognised.
const END: &str = ".";

fn columns() -> impl Iterator<Item = &'static str> {
    let accounts = Account::ALL.into_iter().map(Account::column);
    HEAD.into_iter().chain(accounts).chain(listed(TAIL))
}

/// The columns of a ledger: those of today, unless it begins with those of older versions.
fn columns_of(bytes: &[u8]) -> Vec<&'static str> {
    let old: Vec<&str> = columns().filter(|name| !ADDED.contains(name)).collect();
    let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
    let first = bytes.split(|&b| b == b'\n').next().unwrap_or_default();
    if first.trim_ascii_end() == old.join(",").as_bytes() {
        old
    } else {
        columns().collect()
    }
}

/// The cells of an entry, in the order of the columns.
fn cells(entry: &Entry, currency: &str) -> Vec<String> {
    let number = |number: Option<u32>| number.map_or(String::new(), |n| n.to_string());
    let unless_zero = |amount: Decimal| Some(amount).filter(|amount| !amount.is_zero());
    let money = |amount| unless_zero(amount).map_or(String::new(), money_text);
    let minutes = unless_zero(entry.minutes).map(|minutes| minutes.normalize().to_string());
    let mut cells = vec![
        entry.number.to_string(),
        entry.on.to_string(),
        entry.kind.word().to_string(),
        number(entry.deal),
        number(entry.reverses),
    ];
    cells.extend(Account::ALL.map(|account| money(entry.postings.get(account))));
    cells.extend([
        currency.to_string(),
        minutes.unwrap_or_default(),
        entry.outlet.clone(),
        number(entry.offers),
    ]);
    let estimate = entry.estimate.as_ref();
    cells.extend(estimate.map_or_else(Default::default, Foreseen::cells));
    cells.extend(match &entry.unit {
        Some(unit) => [
            unit.model.clone(),
            unit.variant.clone().unwrap_or_default(),
            unit.completeness.clone().unwrap_or_default(),
            unit.grade.clone().unwrap_or_default(),
            unit.missing.to_string(),
            unit.extras.to_string(),
            unit.defects.to_string(),
            if unit.works { "yes" } else { "no" }.to_string(),
            unit.how_sold.map_or("", HowSold::as_str).to_string(),
            unit.attributes.to_string(),
        ],
        None => Default::default(),
    });
    cells.extend([
        entry.note.clone(),
        entry.quoted.map_or(String::new(), money_text),
        parts_text(&entry.parts),
        entry.fits.join("; "),
        END.to_string(),
    ]);
    cells
}

/// A row being read: its cells by column, and the errors in them.
struct Reading<'r> {
    columns: &'r [&'static str],
    cells: &'r [&'r str],
    currency: &'r str,
    wrong: Vec<(&'static str, Wrong)>,
}

impl Reading<'_> {
    fn cell(&self, column: &str) -> &str {
        let at = self.columns.iter().position(|name| *name == column);
        at.and_then(|at| self.cells.get(at))
            .map_or("", |cell| cell.trim())
    }

    /// Reads a cell; `None` if it is blank or invalid.
    fn read<T>(
        &mut self,
        column: &'static str,
        parse: impl FnOnce(&str) -> Result<T, Wrong>,
    ) -> Option<T> {
        let text = self.cell(column);
        if text.is_empty() {
            return None;
        }
        let read = parse(text);
        read.map_err(|wrong| self.wrong.push((column, wrong))).ok()
    }

    /// Like [`Reading::read`], but a blank cell is an error.
    fn need<T>(
        &mut self,
        column: &'static str,
        parse: impl FnOnce(&str) -> Result<T, Wrong>,
    ) -> Option<T> {
        if self.cell(column).is_empty() {
            self.wrong
                .push((column, Wrong::new("something, but it is blank", PUT_BACK)));
            return None;
        }
        self.read(column, parse)
    }

    fn text(&self, column: &str) -> String {
        self.cell(column).to_string()
    }

    fn text_if_any(&self, column: &str) -> Option<String> {
        let text = self.cell(column);
        (!text.is_empty()).then(|| text.to_string())
    }

    fn entry(&mut self) -> Option<Entry> {
        let number = self.need("entry", whole);
        let on = self.need("day", cells::day);
        let kind = self.need("kind", kind);
        let deal = self.read("deal", whole);
        let reverses = self.read("reverses", whole);
        let mut postings = Postings::default();
        for account in Account::ALL {
            if let Some(amount) = self.read(account.column(), signed) {
                postings += Postings::of(&[(account, amount)]);
            }
        }
        if !postings.sum().is_zero() {
            let expected = format!(
                "accounts that add up to 0, but these add up to {}",
                money_text(postings.sum())
            );
            self.wrong
                .push((Account::Cash.column(), Wrong::new(expected, PUT_BACK)));
        }
        let ours = self.currency.to_string();
        self.need("currency", |text| {
            if text.eq_ignore_ascii_case(&ours) {
                return Ok(());
            }
            let fix = "a book has one currency (compband.toml)";
            Err(Wrong::new(ours.as_str(), fix))
        });
        let minutes = self.read("minutes", cells::amount);
        let offers = self.read("offers", |text| {
            let offers = text.parse().ok();
            offers.ok_or_else(|| Wrong::new("a whole number", PUT_BACK))
        });
        let estimate = self.estimate();
        let unit = self.unit();
        let quoted = self.read("quoted", cells::amount);
        let parts = self.read("parts", |text| {
            parse_parts(text).map_err(|entry| {
                let entry = shorten(&entry, SHOWN);
                let expected = format!(
                    "parts as \"display x2 = 44.00\" separated by ;, but there is {entry:?}"
                );
                Wrong::new(expected, PUT_BACK)
            })
        });
        let fits = self.text_if_any("fits");
        self.need("end", |text| {
            let cut = || Wrong::new(format!("{END:?} at the end of the row"), PUT_BACK);
            (text == END).then_some(()).ok_or_else(cut)
        });
        let entry = Entry {
            deal,
            reverses,
            postings,
            minutes: minutes.unwrap_or_default(),
            outlet: self.text("outlet"),
            offers,
            estimate,
            unit,
            quoted,
            parts: parts.unwrap_or_default(),
            fits: fits.map_or(Vec::new(), |fits| {
                fits.split(';')
                    .map(|model| model.trim().to_string())
                    .collect()
            }),
            note: self.text("note"),
            ..Entry::blank(number?, on?, kind?)
        };
        self.wrong.is_empty().then_some(entry)
    }

    fn estimate(&mut self) -> Option<Foreseen> {
        if self.cell("likely").is_empty() {
            return None;
        }
        let likely = self.need("likely", cells::amount);
        let low = self.need("low", cells::amount);
        let high = self.need("high", cells::amount);
        let level = self.need("chance", |text| {
            let level = text.parse().ok().filter(|level| (1..=99).contains(level));
            level.ok_or_else(|| Wrong::new("per cent from 1 to 99", PUT_BACK))
        });
        let basis = self.need("basis", |text| {
            let basis = basis_of_word(text);
            basis.ok_or_else(|| Wrong::new("delivered or item", PUT_BACK))
        });
        Some(Foreseen {
            likely: likely?,
            low: low?,
            high: high?,
            level: level?,
            basis: basis?,
        })
    }

    fn unit(&mut self) -> Option<Unit> {
        if self.cell("model").is_empty() {
            return None;
        }
        let works = self.read("works", canonical::works);
        let attributes = self.read("attributes", |text| {
            Attributes::parse(text).map_err(|entry| {
                let expected = format!(
                    "names and numbers separated by ;, but there is {:?}",
                    shorten(&entry, SHOWN)
                );
                Wrong::new(expected, PUT_BACK)
            })
        });
        Some(Unit {
            model: self.text("model"),
            variant: self.text_if_any("variant"),
            completeness: self.text_if_any("completeness"),
            grade: self.text_if_any("grade"),
            missing: self.read("missing", canonical::items).unwrap_or_default(),
            extras: self.read("extras", canonical::items).unwrap_or_default(),
            defects: self.read("defects", canonical::items).unwrap_or_default(),
            attributes: attributes.unwrap_or_default(),
            works: works != Some(false),
            how_sold: self.read("how_sold", canonical::how_sold).flatten(),
            venue: None,
        })
    }
}

/// How to fix an entry that was edited by hand.
pub const PUT_BACK: &str =
    "put back what was there; to correct a mistake use `compband ledger reverse`";

fn whole(text: &str) -> Result<u32, Wrong> {
    let number = text.parse().ok().filter(|number| *number > 0);
    number.ok_or_else(|| Wrong::new("a whole number from 1 on", PUT_BACK))
}

fn kind(text: &str) -> Result<Kind, Wrong> {
    let found = Kind::ALL.into_iter().find(|kind| kind.word() == text);
    found.ok_or_else(|| {
        let words = Kind::ALL.map(Kind::word).join(", ");
        Wrong::new(format!("one of {words}"), PUT_BACK)
    })
}

fn signed(text: &str) -> Result<Decimal, Wrong> {
    plain_number(text).ok_or_else(|| {
        Wrong::new(
            "an amount with at most 4 decimals, such as -129.50",
            PUT_BACK,
        )
    })
}

/// Entries with the lines on which they begin, and the problems of others.
type Rows = (Vec<(u64, Entry)>, Vec<Problem>);

/// Reads finished lines; problems call the file `name`.
fn rows(bytes: &[u8], name: &str, currency: &str) -> io::Result<Rows> {
    let header = columns_of(bytes);
    let fix = "save it as comma-separated UTF-8 with its columns in this order";
    let mut entries = Vec::new();
    let problems = lines::read(bytes, name, &header, fix, &mut |row, cells| {
        if cells.len() != header.len() {
            let expected = format!("{} cells, but it has {}", header.len(), cells.len());
            return vec![Fault {
                column: "",
                value: cells.join(","),
                wrong: Wrong::new(expected, PUT_BACK),
            }];
        }
        let mut reading = Reading {
            columns: &header,
            cells,
            currency,
            wrong: Vec::new(),
        };
        entries.extend(reading.entry().map(|entry| (row, entry)));
        let wrong = std::mem::take(&mut reading.wrong);
        wrong
            .into_iter()
            .map(|(column, wrong)| Fault {
                column,
                value: reading.cell(column).to_string(),
                wrong,
            })
            .collect()
    })?;
    Ok((entries, problems))
}

impl Book {
    /// Path of `deals/ledger.csv`.
    pub fn ledger_path(&self) -> PathBuf {
        self.root().join(FOLDER).join(FILE_NAME)
    }

    /// The entries of the ledger, each with the line on which it begins; empty if there is no file.
    ///
    /// # Errors
    /// [`BookError::Rows`] if a row is invalid.
    pub fn ledger(&self, notice: &mut dyn FnMut(&str)) -> Result<Vec<(u64, Entry)>, BookError> {
        let path = self.ledger_path();
        let log = LogBytes::read(self, &path)?;
        if log.is_torn() {
            notice(&format!(
                "the last line of {} is not finished and is skipped; the next entry repairs the file",
                self.display_name(&path)
            ));
        }
        let (entries, problems) = self.ledger_rows(log.finished())?;
        BookError::refuse(problems)?;
        Ok(entries)
    }

    fn ledger_rows(&self, bytes: &[u8]) -> Result<Rows, BookError> {
        let path = self.ledger_path();
        let name = self.display_name(&path);
        let currency = &self.settings().currency.code;
        rows(bytes, &name, currency).map_err(BookError::io(&path, "read"))
    }

    /// Appends entries; durable on return. Several are written with the whole file, so that all of them are in it
    /// or none, as is one whose ledger has the columns of an older version.
    ///
    /// # Errors
    /// If writing fails; the file is then as before.
    pub fn append_to_ledger(&self, _lock: &BookLock, entries: &[Entry]) -> Result<(), BookError> {
        let path = self.ledger_path();
        let code = &self.settings().currency.code;
        let rows = |entries: &mut dyn Iterator<Item = &Entry>| {
            let rows: io::Result<Vec<Vec<u8>>> =
                entries.map(|entry| line(cells(entry, code))).collect();
            rows.map(|rows| rows.concat())
                .map_err(BookError::io(&path, "write"))
        };
        let header = line(columns()).map_err(BookError::io(&path, "write"))?;
        let before = self.read(&path)?.unwrap_or_default();
        let old = columns_of(&before).len() < columns().count();
        let new = rows(&mut entries.iter())?;
        if entries.len() == 1 && !old {
            return self.append_line(&path, &header, &new);
        }
        let kept = if old || before.is_empty() {
            let (kept, _) = self.ledger_rows(&before)?;
            let mut kept = kept.iter().map(|(_, entry)| entry);
            [header, rows(&mut kept)?].concat()
        } else {
            before
        };
        self.replace_file(&path, &[kept, new].concat())
    }

    /// Repairs an unfinished last line of the ledger, after saving its bytes in another file.
    ///
    /// # Errors
    /// If reading or writing fails, or if the cause is an unclosed quote from an edit by hand.
    pub fn repair_ledger(
        &self,
        _lock: &BookLock,
        notice: &mut dyn FnMut(&str),
    ) -> Result<(), BookError> {
        let path = self.ledger_path();
        let name = self.display_name(&path);
        let log = LogBytes::read(self, &path)?;
        if !log.is_torn() {
            return Ok(());
        }
        // No cell of a ledger contains a line end.
        if log.tail().contains(&b'\n') {
            return Err(BookError::Rows(vec![log.open_quote(&name)]));
        }
        let rows = |bytes: &[u8]| {
            let (entries, problems) = self.ledger_rows(bytes)?;
            Ok((entries.len(), problems.is_empty()))
        };
        match self.repair_line(&path, &log, &rows)? {
            None => notice(&format!(
                "the last line of {name} was not finished; only its end was missing, so it is kept"
            )),
            Some(saved) => notice(&format!(
                "the last line of {name} was cut off and removed; the rest of it is in {}: record that entry again",
                self.display_name(&saved)
            )),
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests;
